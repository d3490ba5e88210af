"""The server's bounds on connections: slow and many ones are closed, and everybody else is answered meanwhile.

The clients are real sockets. On Linux every address 127.x.y.z is this machine, so that each can come from one of its
own.
"""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
import time
import types
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import flask
import pytest

from passim_apps.dashboard.connections import Channel, ConnectionLimits, FairQueue, bounded_server
from passim_apps.dashboard.serving import lan_addresses, listening_sockets, own_names
from patience import PATIENCE_S

# Tenths of the real ones, so that a test need not wait.
QUICK = ConnectionLimits(head_s=1.0, grace_s=1.0, slowest_bytes_s=100_000.0, idle_s=1.5, per_address=6, together=12)
own_address_each = pytest.mark.skipif(sys.platform != "linux", reason="only Linux has all of 127.0.0.0/8")


def an_application(done: list[str]) -> flask.Flask:
    server = flask.Flask(__name__)
    release = threading.Event()
    server.extensions["release"] = release

    @server.get("/")
    def first() -> str:
        done.append(flask.request.remote_addr or "")
        return "here"

    @server.get("/held")
    def held() -> str:
        release.wait(PATIENCE_S)
        return "at last"

    @server.get("/large")
    def large() -> flask.Response:
        return flask.Response(b"x" * 40_000_000)

    @server.post("/take")
    def take() -> str:
        return str(len(flask.request.get_data()))

    return server


class Served:
    """A server under way, and clients of it."""

    def __init__(self, limits: ConnectionLimits, is_known: Callable[[Any], bool]) -> None:
        self.done: list[str] = []
        self.application = an_application(self.done)
        listeners = listening_sockets(True, 0)
        self.port = listeners[0].getsockname()[1]
        self.server = bounded_server(
            self.application, listeners, threads=2, largest_body_bytes=10**6, is_known=is_known, limits=limits
        )
        self.opened: list[socket.socket] = []
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self) -> None:
        # Closing takes the sockets away under the loop.
        with contextlib.suppress(OSError, ValueError):
            self.server.run()

    def client(self, sent: bytes = b"", source: str = "127.0.0.1") -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), PATIENCE_S, source_address=(source, 0))
        self.opened.append(made)
        if sent:
            made.sendall(sent)
        return made

    def ask(self, path: str = "/", source: str = "127.0.0.1") -> str:
        return read(self.client(f"GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode(), source))

    def close(self) -> None:
        self.application.extensions["release"].set()
        for each in self.opened:
            each.close()
        # Until what was kept for them is gone too.
        deadline_s = time.monotonic() + PATIENCE_S
        while any(isinstance(each, Channel) for each in list(self.server.map.values())):
            assert time.monotonic() < deadline_s
            time.sleep(0.02)
        self.server.close()
        self.thread.join(PATIENCE_S)


def read(client: socket.socket) -> str:
    """Return what comes until the other end closes."""
    found = bytearray()
    with contextlib.suppress(ConnectionResetError):
        while piece := client.recv(65536):
            found += piece
    return found.decode("latin-1")


def is_closed(client: socket.socket, within_s: float = 0.0) -> bool:
    client.settimeout(within_s or 0.01)
    try:
        return client.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionResetError:
        return True


@pytest.fixture
def served(request: pytest.FixtureRequest) -> Iterator[Served]:
    limits, is_known = getattr(request, "param", (QUICK, lambda head: True))
    opened = Served(limits, is_known)
    yield opened
    opened.close()


def drip(client: socket.socket, piece: bytes) -> None:
    """Send a piece every tenth of a second until the other end closes; fail where it never does."""
    until_s = time.monotonic() + PATIENCE_S
    with contextlib.suppress(OSError):
        while not is_closed(client):
            assert time.monotonic() < until_s
            client.sendall(piece)
            time.sleep(0.1)


@pytest.mark.parametrize(
    ("first", "piece"),
    [
        (b"", b""),
        (b"GET / HTTP/1.1\r\n", b"X-A: 1\r\n"),
        (b"", b"\r\n\r\n"),
        (b"POST /take HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000\r\n\r\n", b"x"),
        (b"POST /take HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n", b"1\r\nx\r\n"),
        (b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", b""),
    ],
    ids=["nothing", "head", "blank lines", "body", "chunks", "kept idle"],
)
def test_a_byte_now_and_then_keeps_no_connection(served: Served, first: bytes, piece: bytes) -> None:
    client = served.client(first)
    if served.done or b"GET / HTTP/1.1\r\nHost" in first:
        client.recv(65536)
    drip(client, piece)


def test_an_answer_that_nobody_takes_is_given_up(served: Served) -> None:
    """The answer is larger than what waitress keeps, so that its thread waits; it comes free."""
    for _ in range(2):
        served.client(b"GET /large HTTP/1.1\r\nHost: x\r\n\r\n")
    assert "here" in served.ask()


# A sixteenth of the rate at which it comes here: on a busy machine a pause lasts longer than it says.
@pytest.mark.parametrize("served", [(replace(QUICK, slowest_bytes_s=10_000.0), lambda head: True)], indirect=True)
def test_a_body_that_comes_steadily_is_taken_however_long_it_takes(served: Served) -> None:
    client = served.client(b"POST /take HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: 400000\r\n\r\n")
    for _ in range(20):
        client.sendall(b"x" * 20_000)
        time.sleep(0.12)  # 2.4 s in all, beyond the grace
    assert read(client).endswith("400000")


def test_a_request_that_is_worked_on_has_no_deadline(served: Served) -> None:
    client = served.client(b"GET /held HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
    assert not is_closed(client, 2.5)
    served.application.extensions["release"].set()
    client.settimeout(PATIENCE_S)
    assert read(client).endswith("at last")


def test_one_address_has_so_many_connections_and_its_longest_idle_one_goes(served: Served) -> None:
    clients = []
    for _ in range(QUICK.per_address + 1):
        clients.append(served.client())
        time.sleep(0.02)
    assert is_closed(clients[0], PATIENCE_S)
    assert not any(is_closed(client) for client in clients[1:])


@own_address_each
def test_slow_clients_shut_nobody_out(served: Served) -> None:
    """More half requests than connections, from many addresses: a newcomer is answered at once."""
    for k in range(4 * QUICK.together):
        served.client(b"GET / HTTP/1.1\r\nX-A: ", f"127.0.{1 + k // 4}.1")
        if k % 6 == 5:
            assert "here" in served.ask(source=f"127.0.99.{k}")
    assert len(served.done) == 8


@own_address_each
def test_where_all_is_taken_the_address_with_most_loses(served: Served) -> None:
    greedy = [served.client(source="127.0.0.9") for _ in range(QUICK.per_address)]
    others = [served.client(source=f"127.0.1.{k}") for k in range(1, 1 + QUICK.together - QUICK.per_address)]
    assert "here" in served.ask(source="127.0.2.2")
    assert is_closed(greedy[0], PATIENCE_S)
    assert not any(is_closed(client) for client in (*greedy[1:], *others))


def test_requests_sent_without_waiting_are_no_way_to_fill_memory(served: Served) -> None:
    client = served.client(b"GET /held HTTP/1.1\r\nHost: x\r\n\r\n" * 100)
    assert is_closed(client, PATIENCE_S)


@pytest.mark.parametrize("served", [(QUICK, lambda head: head.get("COOKIE") == "ours")], indirect=True)
def test_a_large_body_is_refused_before_it_comes_where_nobody_vouches_for_it(served: Served) -> None:
    head = "POST /take HTTP/1.1\r\nHost: x\r\nConnection: close\r\n{}Content-Length: {}\r\n\r\n"
    for cookie, size, expected in (("", 60_000, " 200 "), ("", 70_000, " 413 "), ("Cookie: ours\r\n", 70_000, " 200 ")):
        client = served.client(head.format(cookie, size).encode())
        if expected != " 413 ":
            client.sendall(b"x" * size)
        assert expected in read(client).partition("\r\n")[0]
    chunks = served.client(b"POST /take HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n")
    with contextlib.suppress(OSError):
        chunks.sendall(b"1000\r\n" + b"x" * 4096 + b"\r\n")
        for _ in range(20):
            chunks.sendall(b"1000\r\n" + b"x" * 4096 + b"\r\n")
    assert " 413 " in read(chunks).partition("\r\n")[0]


class Waiting:
    """As much of a connection as the queue looks at."""

    def __init__(self, peer: str, known: bool = True) -> None:
        self.peer, self.dropped = peer, False
        self.requests = [types.SimpleNamespace(headers={"COOKIE": "ours"} if known else {})]

    def drop(self) -> None:
        self.dropped = True


def a_queue(*waiting: Waiting) -> Any:
    queue: Any = FairQueue(ConnectionLimits(waiting=5, waiting_strangers=2), lambda head: head.get("COOKIE") == "ours")
    for each in waiting:
        queue.append(each)
    return queue


def turns_of(queue: Any) -> str:
    return "".join(queue.popleft().peer for _ in range(len(queue)))


def test_addresses_take_turns_whoever_asked_most() -> None:
    assert turns_of(a_queue(*map(Waiting, "aaaabbc"))) == "abcabaa"
    queue = a_queue(*map(Waiting, "aab"))
    assert queue.popleft().peer == "a"
    queue.append(Waiting("c"))
    assert turns_of(queue) == "bac"
    assert not queue
    with pytest.raises(IndexError):
        queue.popleft()


def test_strangers_wait_for_those_who_logged_in_and_are_not_forgotten() -> None:
    strangers = [Waiting(peer, known=False) for peer in "xy"]
    assert turns_of(a_queue(*strangers, *map(Waiting, "abc"))) == "abcxy"
    many = [Waiting(peer) for peer in "abcd" for _ in range(5)]
    assert turns_of(a_queue(*strangers, *many)) == "abcdabcxdabcdabycdabcd"


def test_so_many_of_one_address_wait_and_no_more() -> None:
    strangers, known = [Waiting("a", known=False) for _ in range(3)], [Waiting("a") for _ in range(6)]
    assert len(a_queue(*strangers, *known)) == 2 + 5
    assert [each.dropped for each in (*strangers, *known)] == [False] * 2 + [True] + [False] * 5 + [True]


@own_address_each
def test_who_asks_much_at_once_does_not_hold_up_another(served: Served) -> None:
    """All threads are held and one address has more waiting than there are threads: the other's turn comes second."""
    held = [served.client(b"GET /held HTTP/1.1\r\nHost: x\r\n\r\n", "127.0.0.7") for _ in range(2)]
    time.sleep(0.2)
    greedy = [served.client(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", "127.0.0.8") for _ in range(5)]
    time.sleep(0.2)
    other = served.client(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", "127.0.0.9")
    time.sleep(0.2)
    assert not served.done
    served.application.extensions["release"].set()
    for client in (*held, *greedy, other):
        assert client.recv(65536)
    assert served.done.index("127.0.0.9") <= 2


def test_the_real_limits_leave_a_browser_room() -> None:
    """Common practice: a browser opens 6 connections to a server, and a phone's network may pause for seconds."""
    limits = ConnectionLimits()
    assert limits == ConnectionLimits(10.0, 10.0, 16384, 60.0, 32, 512, 65536, 24, 8)
    assert replace(limits, together=10**9).within_files().together < 10**9


def test_ipv6_is_listened_to_where_there_is_one() -> None:
    for lan in (False, True):
        with contextlib.ExitStack() as stack:
            listeners = [stack.enter_context(each) for each in listening_sockets(lan, 0)]
            assert len({each.getsockname()[1] for each in listeners}) == 1
            assert listeners[0].getsockname()[0] == ("0.0.0.0" if lan else "127.0.0.1")
            try:
                socket.create_server(("::1", 0), family=socket.AF_INET6).close()
            except OSError:
                assert len(listeners) == 1
                continue
            assert listeners[1].getsockname()[0] == ("::" if lan else "::1")
            socket.create_connection(("::1", listeners[0].getsockname()[1]), PATIENCE_S).close()


def test_the_machine_knows_its_own_names(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket, "gethostname", lambda: "School-PC.example.org")
    assert own_names() == ["school-pc.example.org", "school-pc", "school-pc.local"]
    monkeypatch.setattr(socket, "gethostname", lambda: "localhost")
    assert own_names() == []


def test_loopback_and_addresses_of_one_link_are_none_of_the_network(monkeypatch: pytest.MonkeyPatch) -> None:
    known = ["127.0.1.1", "::1", "fe80::1%eth0", "2001:db8::7", "192.0.2.7"]

    def refuse(*_: Any) -> Any:
        raise OSError("no network")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_: [(0, 0, 0, "", (text, 0)) for text in known])
    assert lan_addresses() == ["192.0.2.7", "2001:db8::7"]
