"""The dashboard over TLS: real connections of the standard library's, the certificates, and what is refused.

What a handshake, a record and a fingerprint are is OpenSSL's business on both ends; here it is looked at from outside.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import http.client
import re
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import flask
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import NameOID

from commands import refused
from passim.workspace import create
from passim_apps.dashboard.certificate import FILE_NAME, own_certificate
from passim_apps.dashboard.connections import Channel, ConnectionLimits, bounded_server
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.security import Password, hosts_of, who_is_known
from passim_apps.dashboard.serving import listening_sockets, names_to_serve
from passim_apps.dashboard.state import DashboardState
from patience import PATIENCE_S

NOW = dt.datetime.now(dt.UTC).replace(microsecond=0)
AT = dt.datetime(2026, 11, 25, 8, 5, tzinfo=dt.UTC)
QUICK = ConnectionLimits(head_s=1.0, grace_s=1.0, slowest_bytes_s=100_000.0, idle_s=1.5)


def made(folder: Path, name: str, days: float = 30.0, key: Any = None, began: float = 1.0) -> tuple[Path, Path]:
    """Write a certificate of a user for `name`, in PEM, and its key; return both files."""
    key = key or ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    found = (
        x509.CertificateBuilder(subject, subject, key.public_key(), x509.random_serial_number())
        .not_valid_before(NOW - dt.timedelta(days=began))
        .not_valid_after(NOW + dt.timedelta(days=days))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    plain = serialization.NoEncryption()
    (folder / f"{name}.pem").write_bytes(found.public_bytes(pem))
    (folder / f"{name}.key").write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, plain))
    return folder / f"{name}.pem", folder / f"{name}.key"


def fingerprint(address: tuple[str, int]) -> str:
    """Return the SHA-256 fingerprint of whatever certificate a server shows, as browsers write it."""
    shown = ssl.PEM_cert_to_DER_cert(ssl.get_server_certificate(address))
    return hashlib.sha256(shown).digest().hex(":").upper()


# --- connections ------------------------------------------------------------------------------------------------------


class Served:
    """A small application over TLS, and clients that trust its certificate and nothing else."""

    def __init__(self, folder: Path) -> None:
        self.certificate = own_certificate(folder, ["127.0.0.1"], NOW)
        application = flask.Flask(__name__)

        @application.get("/")
        def first() -> str:
            return f"{flask.request.scheme} {flask.request.remote_addr}"

        @application.get("/large")
        def large() -> flask.Response:
            return flask.Response(b"0123456789abcdef" * 250_000)

        # Of each answer without an end: how many pieces of a megabyte the server has taken, and whether it is over.
        self.endless: list[list[int]] = []

        @application.get("/endless")
        def endless() -> flask.Response:
            taken = [0, 0]
            self.endless.append(taken)

            def pieces() -> Iterator[bytes]:
                try:
                    while True:
                        taken[0] += 1
                        yield b"x" * 2**20
                finally:
                    taken[1] = 1

            return flask.Response(pieces())

        @application.post("/take")
        def take() -> str:
            return hashlib.sha256(flask.request.get_data()).hexdigest()

        listeners = listening_sockets(False, 0)
        self.port = listeners[0].getsockname()[1]
        self.server = bounded_server(
            application, listeners, threads=2, largest_body_bytes=10**7, is_known=lambda head: True,
            tls=self.certificate.context, limits=QUICK,
        )  # fmt: skip
        self.trusting = ssl.create_default_context(cafile=folder / FILE_NAME)
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            self.server.run()

    def client(self) -> http.client.HTTPSConnection:
        return http.client.HTTPSConnection("127.0.0.1", self.port, timeout=PATIENCE_S, context=self.trusting)

    def plain(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), PATIENCE_S)

    def close(self) -> None:
        deadline_s = time.monotonic() + PATIENCE_S
        while any(isinstance(each, Channel) for each in list(self.server.map.values())):
            assert time.monotonic() < deadline_s
            time.sleep(0.02)
        self.server.close()
        self.thread.join(PATIENCE_S)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    opened = Served(tmp_path_factory.mktemp("tls"))
    yield opened
    opened.close()


def ask(client: http.client.HTTPConnection, path: str, body: bytes | None = None) -> bytes:
    client.request("GET" if body is None else "POST", path, body)
    answer = client.getresponse()
    assert answer.status == 200
    return answer.read()


def test_answers_and_bodies_of_any_size_come_whole_over_one_connection(served: Served) -> None:
    """A trusting client checks the certificate against the address; 4 MB are 250 records, more than any buffer."""
    with contextlib.closing(served.client()) as client:
        assert ask(client, "/") == b"https 127.0.0.1"
        assert client.sock is not None
        first = client.sock
        for size in (1, 2**14, 2**14 + 1, 1_000_000):
            body = bytes(range(256)) * (size // 256) + b"x" * (size % 256)
            assert ask(client, "/take", body).decode() == hashlib.sha256(body).hexdigest()
        assert ask(client, "/large") == b"0123456789abcdef" * 250_000
        assert client.sock is first, "the same connection throughout"


def test_what_comes_in_the_clear_is_answered_as_that(served: Served) -> None:
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=PATIENCE_S)) as client:
        assert ask(client, "/") == b"http 127.0.0.1"


def test_a_head_that_comes_byte_by_byte_is_put_together(served: Served) -> None:
    """Each byte in a record of its own; the end of the answer is told, not cut off."""
    with (
        served.plain() as plain,
        served.trusting.wrap_socket(plain, server_hostname="127.0.0.1", suppress_ragged_eofs=False) as client,
    ):
        for byte in b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n":
            client.send(bytes([byte]))
        found = b""
        while piece := client.recv(4096):
            found += piece
        assert found.endswith(b"https 127.0.0.1")


def test_a_client_that_stops_reading_holds_no_thread_and_fills_no_memory(served: Served) -> None:
    """Three of them, and two threads: two that read nothing more, and one that reads a byte now and then."""
    asked = b"GET /endless HTTP/1.1\r\nHost: x\r\n\r\n"
    with contextlib.ExitStack() as stack:
        clients = [
            stack.enter_context(served.trusting.wrap_socket(served.plain(), server_hostname="127.0.0.1"))
            for _ in range(3)
        ]
        for client in clients:
            client.sendall(asked)
        # Whoever comes next is answered once the first have been given up.
        with contextlib.closing(served.client()) as other:
            assert ask(other, "/") == b"https 127.0.0.1"
        deadline_s = time.monotonic() + PATIENCE_S
        clients[2].settimeout(0.1)
        while not (len(served.endless) == 3 and all(over for _, over in served.endless)):
            assert time.monotonic() < deadline_s, served.endless
            with contextlib.suppress(OSError):
                clients[2].recv(1)
            time.sleep(0.1)
        # As much as waitress keeps, on the disk from the first megabyte on, and what the sockets hold.
        assert all(0 < taken < 32 for taken, _ in served.endless), served.endless
        while any(isinstance(each, Channel) for each in list(served.server.map.values())):
            assert time.monotonic() < deadline_s
            time.sleep(0.02)
        served.endless.clear()


@pytest.mark.parametrize(
    "sent",
    [b"\x16", b"\x16\x03\x01", b"\x16\x03\x01\x02\x00\x01" + b"x" * 400, b"\x16" * 600, b""],
    ids=["a byte", "half a record", "no hello", "nonsense", "nothing"],
)
def test_a_handshake_that_comes_to_nothing_is_closed(served: Served, sent: bytes) -> None:
    """At once where it is nonsense, else when its time is over; others are answered meanwhile."""
    with served.plain() as client:
        client.sendall(sent)
        with contextlib.closing(served.client()) as other:
            assert ask(other, "/") == b"https 127.0.0.1"
        with contextlib.suppress(ConnectionResetError):
            while client.recv(4096):  # an alert may come first
                pass


def test_old_versions_of_tls_are_refused(served: Served) -> None:
    assert served.certificate.context.minimum_version == ssl.TLSVersion.TLSv1_2
    for version in (ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3):
        context = ssl.create_default_context(cafile=None)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        context.minimum_version = context.maximum_version = version
        with served.plain() as plain, context.wrap_socket(plain) as client:
            assert client.version() == {"TLSv1_2": "TLSv1.2", "TLSv1_3": "TLSv1.3"}[version.name]


# --- certificates -----------------------------------------------------------------------------------------------------


def test_the_own_certificate_is_its_owners_alone_and_kept(tmp_path: Path) -> None:
    names = ["192.0.2.7", "2001:db8::7", "school-pc", "school-pc.local"]
    first = own_certificate(tmp_path, names, NOW)
    assert (tmp_path / FILE_NAME).stat().st_mode & 0o777 == 0o600
    assert (first.is_own, first.is_new, first.replaces) == (True, True, False)
    assert set(first.names) == set(names)
    again = own_certificate(tmp_path, names, NOW)
    assert (again.fingerprint, again.is_new) == (first.fingerprint, False)
    # An address of IPv6 that changes daily is no reason for another one.
    assert own_certificate(tmp_path, ["192.0.2.7", "2001:db8::99"], NOW).fingerprint == first.fingerprint

    moved = own_certificate(tmp_path, ["198.51.100.4", "school-pc"], NOW)
    assert (moved.is_new, moved.replaces) == (True, True)
    assert moved.fingerprint != first.fingerprint
    assert {"198.51.100.4", "192.0.2.7"} <= set(moved.names), "back on the first network it still holds"
    assert own_certificate(tmp_path, names, NOW).fingerprint == moved.fingerprint

    in_a_year = own_certificate(tmp_path, names, NOW + dt.timedelta(days=391))
    assert in_a_year.replaces
    assert in_a_year.until > NOW + dt.timedelta(days=700)
    (tmp_path / FILE_NAME).write_text("damaged")
    assert own_certificate(tmp_path, names, NOW).is_new
    assert (tmp_path / FILE_NAME).stat().st_mode & 0o777 == 0o600


def test_a_certificate_of_files_says_what_the_machine_is_called(tmp_path: Path) -> None:
    from passim_apps.dashboard.certificate import named_certificate

    own, addresses = ["attic.lan", "attic", "attic.local"], ["192.0.2.7"]
    for name, first in (("passim.example.org", "passim.example.org"), ("*.example.org", "attic.example.org")):
        file, key = made(tmp_path, name)
        found = named_certificate(file, key, NOW)
        assert names_to_serve(found, addresses, own) == [first, *addresses, *own]
    assert names_to_serve(own_certificate(tmp_path, addresses, NOW), addresses, own) == [*addresses, *own]
    assert names_to_serve(None, addresses, own) == [*addresses, *own]


def test_what_cannot_be_used_is_refused_in_one_line(tmp_path: Path, subtests: pytest.Subtests) -> None:
    good, key = made(tmp_path, "good.example")
    _, other = made(tmp_path, "other.example")
    ended, ended_key = made(tmp_path, "ended.example", days=-1.0, began=9.0)
    weak, weak_key = made(tmp_path, "weak.example", key=rsa.generate_private_key(65537, 1024))
    locked = tmp_path / "locked.key"
    locked.write_bytes(
        serialization.load_pem_private_key(key.read_bytes(), None).private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.BestAvailableEncryption(b"a")
        )
    )
    text = tmp_path / "text.pem"
    text.write_text("no certificate\n")
    lan = ("dashboard", "--lan", "--no-browser", "--port", "0")
    for options, words in [
        (("--certificate", "nowhere.pem"), "certificate nowhere.pem; got 'no such file or directory'"),
        (("--certificate", str(tmp_path)), "is a directory"),
        (("--certificate", str(text)), "wanted a certificate as PEM text, which begins with -----BEGIN CERTIFICATE"),
        (("--certificate", str(good)), "wanted a private key as PEM text"),
        (("--certificate", str(good), "--key", str(text)), "wanted a private key as PEM text"),
        (("--certificate", str(good), "--key", str(other)), "the one that good.example.pem was made with"),
        (("--certificate", str(good), "--key", str(locked)), "locked by a password"),
        (("--certificate", str(ended), "--key", str(ended_key)), "one that holds today"),
        (("--certificate", str(weak), "--key", str(weak_key)), "key too small"),
    ]:
        with subtests.test(words=words):
            line = refused(*lan, *options)
            assert words in line, line
    for options, words in [
        (("--no-tls",), "--no-tls is of the local network: give --lan too"),
        (("--certificate", str(good)), "--certificate is of the local network"),
        (("--lan", "--key", str(key)), "give --certificate too"),
        (("--lan", "--no-tls", "--certificate", str(good)), "exclude each other"),
    ]:
        with subtests.test(words=words):
            assert words in refused("dashboard", "--no-browser", *options)


# --- the dashboard ----------------------------------------------------------------------------------------------------


def test_the_printed_fingerprint_is_the_one_on_the_line(tmp_path: Path) -> None:
    """The command itself, its first password and fingerprint read off the terminal, then a connection."""
    folder = create(tmp_path / "school", demo=True, at=AT).folder
    command = [sys.executable, "-m", "passim_apps.command_line.main", "dashboard", "--lan", "--no-browser"]
    command += ["--port", "0", "--workspace", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        try:
            told = ""
            while "Open that address" not in told:
                line = server.stderr.readline()
                assert line, told
                told += line
            port = re.search(r"dashboard: https://\S+:(\d+)/", told)
            printed = re.search(r"SHA-256 fingerprint:\s+((?:[0-9A-F]{2}[:\s]+){31}[0-9A-F]{2})\n", told)
            assert port is not None, told
            assert printed is not None, told
            assert told.index("One-time password") < told.index("SHA-256") < told.index("dashboard: ")
            assert "only if the fingerprint is the one above" in told
            assert re.sub(r"\s+", "", printed[1]) == fingerprint(("127.0.0.1", int(port[1])))

            plain = http.client.HTTPConnection("127.0.0.1", int(port[1]), timeout=PATIENCE_S)
            with contextlib.closing(plain):
                plain.request("GET", "/clock?days=3")
                answer = plain.getresponse()
                where = f"https://127.0.0.1:{port[1]}/clock?days=3"
                assert (answer.status, answer.getheader("Location")) == (307, where)
        finally:
            server.terminate()
            server.wait(PATIENCE_S)


def test_over_tls_the_session_is_never_sent_in_the_clear(tmp_path: Path) -> None:
    state = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    with contextlib.closing(state):
        told: list[str] = []
        password = Password(told.append)
        host = "127.0.0.1:8750"
        app = make_app(state, hosts=hosts_of(8750), password=password, https=True, self_signed=True)
        client = app.server.test_client()
        headers = {"Host": host, "Origin": f"https://{host}"}
        page = client.get("/login", headers=headers, base_url=f"https://{host}")
        assert "connection is encrypted" in page.text
        answer = client.post("/login", data={"password": told[0]}, headers=headers, base_url=f"https://{host}")
        cookie = answer.headers["Set-Cookie"]
        assert cookie.startswith("__Host-passim_session=")
        assert "; Secure; HttpOnly; Path=/; SameSite=Strict" in cookie
        token = cookie.partition("=")[2].partition(";")[0]
        assert who_is_known(password)({"COOKIE": f"__Host-passim_session={token}"})
        # In the clear nothing is told, and nothing may be given.
        sent_on = client.get("/clock?days=3", headers={"Host": host})
        assert (sent_on.status_code, sent_on.headers["Location"]) == (307, f"https://{host}/clock?days=3")
        assert client.post("/login", data={"password": told[-1]}, headers=headers).status_code == 403
        assert client.get("/", headers={"Host": "elements.example:8750"}).status_code == 403
        out = client.post("/logout", headers=headers, base_url=f"https://{host}")
        assert out.headers["Set-Cookie"].startswith("__Host-passim_session=;")
        assert not password.is_open(token)


def test_the_usual_port_of_https_goes_unsaid() -> None:
    assert "127.0.0.1" in hosts_of(443, https=True)
    assert "127.0.0.1" not in hosts_of(443)
    assert "127.0.0.1" not in hosts_of(80, https=True)
