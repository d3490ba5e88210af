"""Connections that nobody can keep from others: waitress with deadlines, and with limits of connections.

waitress reads requests and sends answers without a thread for each, so that a slow client costs a connection alone. It
bounds neither how long that lasts (a byte now and then keeps it open for ever) nor how many one address has. Of the
servers for WSGI that are kept today none bounds the second, and those with a thread for each connection that is being
read are worse off for the first; so both are put round waitress here, at its own seams: the class of its channels, and
what its server does when a connection comes.

    head        a request's head is there `head_s` after its first byte, or after the connection was made
    body        comes at `slowest_bytes_s` or faster, on average, once `grace_s` are over
    answer      is taken at `slowest_bytes_s` or faster, on average, once `grace_s` are over
    idle        a connection kept for a next request is closed after `idle_s`
    addresses   one address has at most `per_address` connections: past that its own longest idle one is closed
    together    where all are taken, the address with the most connections loses its longest idle one
    size        a body of more than `small_body_bytes` is taken from those alone whom `is_known` knows
    turns       requests get threads address by address in turn, those whom `is_known` knows before strangers
    waiting     so many requests of one address wait for a thread: past that the newest one's connection is closed

waitress knows no TLS either, so the standard library's is put under its channels, at the same seam: `TlsChannel`. Its
handshake counts as part of the first head.
"""

from __future__ import annotations

import contextlib
import copy
import functools
import logging
import math
import socket
import ssl
import threading
import time
from collections import Counter, OrderedDict, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import MultiSocketServer, TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

_LOOK_EVERY_S: Final = 0.5
# Browsers send one request after another on a connection, never several at once.
_MOST_PIPELINED: Final = 8
# Cookies of other servers on this machine come with each request; browsers send some KiB of head in all.
_LARGEST_HEAD_BYTES: Final = 32 * 2**10
# Of so many turns one is a stranger's, who may hold the right password.
_STRANGER_EVERY: Final = 8
# A record of TLS holds at most so much, and a handshake begins with a record of this kind (RFC 8446, section 5.1).
_LARGEST_RECORD_BYTES: Final = 2**14
_HANDSHAKE: Final = b"\x16"

Head = Mapping[str, str]


@dataclass(frozen=True)
class ConnectionLimits:
    """The limits of the module's docstring: seconds, bytes, and counts of connections."""

    head_s: float = 10.0
    grace_s: float = 10.0
    slowest_bytes_s: float = 16 * 2**10
    idle_s: float = 60.0
    # A browser opens 6 to one server; several of them, with several windows, may stand behind one address.
    per_address: int = 32
    together: int = 512
    small_body_bytes: int = 64 * 2**10
    waiting: int = 24
    waiting_strangers: int = 8

    def within_files(self) -> ConnectionLimits:
        """Return the limits with at most half as many connections as this process may have open files."""
        try:
            import resource
        except ImportError:  # only POSIX systems have such a limit
            return self
        files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        return self if files == resource.RLIM_INFINITY else replace(self, together=min(self.together, files // 2))


class _Parser(HTTPRequestParser):  # type: ignore[misc]  # waitress has no annotations
    """A request that is being read; its head decides how large its body may be."""

    def __init__(self, adjustments: Any, small: Any, is_known: Callable[[Head], bool], scheme: str = "http") -> None:
        super().__init__(adjustments)
        self._small, self._is_known, self._scheme = small, is_known, scheme

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        self.url_scheme = self._scheme
        if (self.content_length or self.chunked) and not self._is_known(self.headers):
            self.adj = self._small


class Channel(HTTPChannel):  # type: ignore[misc]  # waitress has no annotations
    """One connection, which knows what it waits for and since when."""

    def __init__(self, server: BoundedServer, connection: socket.socket, address: Any, adj: Any, map: Any) -> None:
        super().__init__(server, connection, address, adj, map=map)
        self.parser_class = server.parser
        # The address at the other end.
        self.peer = str(self.addr[0])
        self.sent_bytes = 0
        self._answers = 0
        # What it waits for, since when, and how much had been sent then.
        self._phase: tuple[Any, ...] = ("head", None)
        self._since_s, self._sent_before = time.monotonic(), 0

    @property
    def is_served(self) -> bool:
        """True while a whole request waits for its answer or is being worked on."""
        return bool(self.requests)

    @property
    def since_s(self) -> float:
        """Since when it waits for what it waits for, monotonic seconds."""
        return self._since_s

    def send(self, data: bytes, do_close: bool = True) -> int:
        sent: int = super().send(data, do_close)
        self.sent_bytes += sent
        return sent

    def received(self, data: bytes) -> bool:
        taken: bool = super().received(data)
        if len(self.requests) > _MOST_PIPELINED:
            self.drop()
        return taken

    def service(self) -> None:
        super().service()
        self._answers += 1

    def look(self, now_s: float, limits: ConnectionLimits) -> None:
        """Drop the connection where its other end is too slow. Called every `_LOOK_EVERY_S` by the one thread."""
        request: Any = self.request
        # Before the first answer every byte is part of one head, whose time counts from the connection: blank lines,
        # which may precede it, would put it off for ever.
        of_head = request if self._answers else None
        phase: tuple[Any, ...]
        if self.total_outbufs_len:
            phase = ("answer",)
        elif self.requests:
            phase = ("served",)
        elif request is not None:
            phase = ("body", request) if request.headers_finished else ("head", of_head)
        else:
            phase = ("idle", self._answers) if self._answers else ("head", None)
        if phase != self._phase:
            self._phase, self._since_s, self._sent_before = phase, now_s, self.sent_bytes
        if phase[0] == "body":
            patience_s = limits.grace_s + request.body_bytes_received / limits.slowest_bytes_s
        elif phase[0] == "answer":
            patience_s = limits.grace_s + (self.sent_bytes - self._sent_before) / limits.slowest_bytes_s
        else:
            patience_s = {"head": limits.head_s, "idle": limits.idle_s}.get(phase[0], math.inf)
        if now_s - self._since_s > patience_s:
            self.drop()

    def drop(self) -> None:
        """Close the connection, whatever is under way on it."""
        self.will_close = True
        # This wakes the loop, which then closes it, even where the other end takes nothing; it may have been quicker.
        # That of TLS would first forget the encryption, and another thread might then send in the clear.
        with contextlib.suppress(OSError):
            socket.socket.shutdown(self.socket, socket.SHUT_RDWR)


class TlsChannel(Channel):
    """A connection over TLS. One that begins as plain HTTP stays so; its requests say so, to be sent on to https."""

    socket: Any  # encrypted from the first byte of a handshake on

    def __init__(self, server: BoundedServer, connection: socket.socket, address: Any, adj: Any, map: Any) -> None:
        super().__init__(server, connection, address, adj, map)
        self._context, self._plain_parser = server.tls, server.parser
        self._begun = False
        self._reading_waits_to_send = False
        # OpenSSL takes one call at a time for a connection, and answers are sent by other threads than read.
        self._turn = threading.Lock()

    def writable(self) -> bool:
        return bool(self._reading_waits_to_send or super().writable())

    def handle_write(self) -> None:
        if self._reading_waits_to_send:
            self.handle_read()
        if self.socket is not None:
            super().handle_write()

    def handle_read(self) -> None:
        self._reading_waits_to_send = False
        try:
            with self._turn:
                data = self._read()
        except (BlockingIOError, ssl.SSLWantReadError):
            return  # a part of a handshake or of a record
        except ssl.SSLWantWriteError:
            self._reading_waits_to_send = True
            return
        except OSError:  # no TLS that both ends know, a damaged record, a certificate refused, or gone
            data = b""
        if data:
            self.last_activity = time.time()
            self.received(data)
        else:
            self.handle_close()

    def _read(self) -> bytes:
        if not self._begun:
            first = self.socket.recv(1, socket.MSG_PEEK)
            if first == _HANDSHAKE:
                self.socket = self._context.wrap_socket(self.socket, server_side=True, do_handshake_on_connect=False)
                self.parser_class = functools.partial(self._plain_parser, scheme="https")
            self._begun = True
        data: bytes = self.socket.recv(_LARGEST_RECORD_BYTES)
        # What has been decrypted already wakes nobody.
        while isinstance(self.socket, ssl.SSLSocket) and (left := self.socket.pending()):
            data += self.socket.recv(left)
        return data

    def send(self, data: bytes, do_close: bool = True) -> int:
        # Record by record, so that a slow other end is seen to take something. Errors close the connection.
        with self._turn:
            try:
                sent = int(self.socket.send(data[:_LARGEST_RECORD_BYTES]))
            except (BlockingIOError, ssl.SSLWantWriteError):
                return 0
        self.sent_bytes += sent
        return sent

    def handle_close(self) -> None:
        # Whoever reads to the end of an answer wants to know that nobody cut it short.
        if isinstance(self.socket, ssl.SSLSocket):
            with self._turn, contextlib.suppress(OSError, ValueError):
                self.socket.unwrap()
        super().handle_close()


class FairQueue:
    """The connections whose requests wait for a thread: to waitress, which locks it, the queue of its dispatcher."""

    def __init__(self, limits: ConnectionLimits, is_known: Callable[[Head], bool]) -> None:
        self._limits, self._is_known = limits, is_known
        # Of each address those that wait, in their order; the address whose turn is next stands first.
        self._known: OrderedDict[str, deque[Channel]] = OrderedDict()
        self._strangers: OrderedDict[str, deque[Channel]] = OrderedDict()
        self._before_stranger = _STRANGER_EVERY - 1
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def append(self, channel: Channel) -> None:
        """Let a connection wait, or close it where its address has so many waiting already."""
        known = self._is_known(channel.requests[0].headers)
        waiting = (self._known if known else self._strangers).setdefault(channel.peer, deque())
        if len(waiting) >= (self._limits.waiting if known else self._limits.waiting_strangers):
            channel.drop()
            return
        waiting.append(channel)
        self._count += 1

    def popleft(self) -> Channel:
        """Return the connection whose turn it is. Raises IndexError where none waits."""
        if not self._count:
            raise IndexError("nobody waits")
        if self._known and (self._before_stranger or not self._strangers):
            addresses, self._before_stranger = self._known, max(self._before_stranger - 1, 0)
        else:
            addresses, self._before_stranger = self._strangers, _STRANGER_EVERY - 1
        peer, waiting = addresses.popitem(last=False)
        found = waiting.popleft()
        if waiting:
            addresses[peer] = waiting
        self._count -= 1
        return found


class BoundedServer(TcpWSGIServer):  # type: ignore[misc]  # waitress has no annotations
    """waitress on one listening socket, within limits that it shares with those on other sockets of the same map."""

    channel_class = Channel
    tls: ssl.SSLContext
    limits = ConnectionLimits()
    parser: Callable[..., Any]
    _next_look_s = 0.0

    def readable(self) -> bool:
        now_s = time.monotonic()
        if now_s >= self._next_look_s:
            self._next_look_s = now_s + _LOOK_EVERY_S
            for channel in list(self.active_channels.values()):
                channel.look(now_s, self.limits)
        return bool(self.accepting)

    def handle_accept(self) -> None:
        try:
            accepted = self.accept()
            if accepted is None:
                return
            connection, address = accepted
            self.set_socket_options(connection)
        except OSError:
            return  # gone before it was taken, or no file descriptor left: the next look makes room
        if not self._room_for(str(address[0])):
            connection.close()
            return
        self.channel_class(self, connection, address, self.adj, self._map)

    def _room_for(self, peer: str) -> bool:
        """Say whether one more connection of `peer` may come, after closing another where that makes room."""
        channels = [c for c in self._map.values() if isinstance(c, Channel) and not c.will_close]
        own = [channel for channel in channels if channel.peer == peer]
        if len(own) >= self.limits.per_address:
            return _drop_one(own)
        if len(channels) < self.limits.together:
            return True
        counts = Counter(channel.peer for channel in channels)
        most = max(counts.values())
        loser = {peer} if counts[peer] == most else {other for other, count in counts.items() if count == most}
        return _drop_one(channel for channel in channels if channel.peer in loser)


def _drop_one(channels: Any) -> bool:
    """Close the connection that has waited longest of those that are not being served; say whether there was one."""
    waiting = [channel for channel in channels if not channel.is_served]
    if not waiting:
        return False
    min(waiting, key=lambda channel: channel.since_s).drop()
    return True


def bounded_server(
    application: Any,
    listeners: Sequence[socket.socket],
    *,
    threads: int,
    largest_body_bytes: int,
    is_known: Callable[[Head], bool],
    tls: ssl.SSLContext | None = None,
    limits: ConnectionLimits | None = None,
) -> Any:
    """Return waitress over listening sockets, within `limits`; its `run` serves until interrupted, `close` ends it.

    `is_known` gets the head of a request, its names in capitals with underscores, and says whether its sender has
    logged in: strangers wait longer, and send no more than a form. With `tls` connections are encrypted; what comes as
    plain HTTP all the same has "http" as its scheme.
    """
    # Whoever goes away in the middle, or asks a lot at once, is nothing to fill a terminal with.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    adjustments = Adjustments(
        sockets=list(listeners),
        threads=threads,
        ident=None,
        max_request_header_size=_LARGEST_HEAD_BYTES,
        max_request_body_size=largest_body_bytes,
        clear_untrusted_proxy_headers=True,
        log_socket_errors=False,
        asyncore_use_poll=True,
    )
    limits = (limits or ConnectionLimits()).within_files()
    small = copy.copy(adjustments)
    small.max_request_body_size = min(limits.small_body_bytes, largest_body_bytes)
    parser = functools.partial(_Parser, small=small, is_known=is_known)
    dispatcher = ThreadedTaskDispatcher()
    dispatcher.queue = FairQueue(limits, is_known)
    dispatcher.set_thread_count(threads)
    served: dict[int, Any] = {}
    effective = []
    for listener in listeners:
        server = BoundedServer(
            application, served, False, listener, dispatcher, adjustments,
            (listener.family, listener.type, listener.proto, listener.getsockname()), False,
        )  # fmt: skip
        server.limits, server.parser = limits, parser
        if tls is not None:
            server.channel_class, server.tls = TlsChannel, tls
        server.accept_connections()
        effective.append((server.effective_host, server.effective_port))
    return MultiSocketServer(served, adjustments, effective, dispatcher, server.log_info)
