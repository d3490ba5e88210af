"""A server of element sets on loopback that behaves, or misbehaves in every way that servers do, and counts."""

from __future__ import annotations

import contextlib
import gzip
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from passim import walker
from passim.elements.omm_text import write_json

Reply = Callable[[socket.socket, dict[str, str]], None]


@dataclass
class FeedServer:
    """Answers each request with what `reply` sends; ``heads`` holds the heads of the requests, in their order."""

    reply: Reply
    heads: list[dict[str, str]] = field(default_factory=list)
    port: int = 0
    _socket: socket.socket | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/elements.json"

    @property
    def count(self) -> int:
        """How many requests were sent, whole or not."""
        return len(self.heads)

    def serve(self) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """Refuse connections from now on."""
        assert self._socket is not None
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)  # wakes the thread that accepts
        self._socket.close()

    def _accept(self) -> None:
        assert self._socket is not None
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            threading.Thread(target=self._answer, args=(connection,), daemon=True).start()

    def _answer(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError):
            text = b""
            while b"\r\n\r\n" not in text:
                if not (piece := connection.recv(65536)):
                    return
                text += piece
            lines = text.decode("latin-1").split("\r\n")
            head = dict(line.split(": ", 1) for line in lines[1:] if ": " in line)
            self.heads.append(head | {"": lines[0]})
            self.reply(connection, head)


@contextlib.contextmanager
def feed_server(reply: Reply) -> Iterator[FeedServer]:
    """Serve until the context ends."""
    server = FeedServer(reply)
    server.serve()
    try:
        yield server
    finally:
        server.close()


def status(line: str, body: bytes = b"", **head: str) -> Reply:
    """Answer with a status, such as "404 Not Found", and a whole body."""
    names = {key.replace("_", "-"): value for key, value in head.items()}

    def reply(connection: socket.socket, _: dict[str, str]) -> None:
        lines = [f"HTTP/1.1 {line}", f"Content-Length: {len(body)}", *(f"{k}: {v}" for k, v in names.items())]
        connection.sendall("\r\n".join([*lines, "", ""]).encode("latin-1") + body)

    return reply


def good(body: bytes, etag: str = '"one"') -> Reply:
    """Answer 200 with a body and an ETag, and 304 to whoever has it."""

    def reply(connection: socket.socket, head: dict[str, str]) -> None:
        if head.get("If-None-Match") == etag:
            status("304 Not Modified", ETag=etag)(connection, head)
        else:
            status("200 OK", body, ETag=etag)(connection, head)

    return reply


def packed(body: bytes) -> Reply:
    """Answer 200 with a body packed for the way."""
    return status("200 OK", gzip.compress(body), Content_Encoding="gzip")


def raw(data: bytes) -> Reply:
    """Send these bytes and close the connection."""
    return lambda connection, _: connection.sendall(data)


def dripping(data: bytes, every_s: float) -> Reply:
    """Send these bytes one by one."""

    def reply(connection: socket.socket, _: dict[str, str]) -> None:
        for k in range(len(data)):
            connection.sendall(data[k : k + 1])
            time.sleep(every_s)

    return reply


def endless(piece: bytes) -> Reply:
    """Send a body in pieces for as long as it is taken."""

    def reply(connection: socket.socket, _: dict[str, str]) -> None:
        connection.sendall(b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n")
        while True:
            connection.sendall(piece)

    return reply


def in_turn(*replies: Reply) -> Reply:
    """Answer each request with the next reply; the last one goes on."""
    count = iter(range(1_000_000))

    def reply(connection: socket.socket, head: dict[str, str]) -> None:
        replies[min(next(count), len(replies) - 1)](connection, head)

    return reply


def fresh_list(total: int = 36, hours: float = 5.0) -> bytes:
    """Return element sets, so many and so old, as a server has them."""
    epoch = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=hours)
    fleet = walker(total=total, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=epoch)
    return write_json(fleet).encode()


def set_feed(workspace: Path, text: str) -> None:
    """Give the fleet of an invented workspace a feed in place of what it had."""
    file = workspace / "passim.toml"
    file.write_text(re.sub(r'(?m)^(invented = "plover"|feed = .*)$', f"feed = {{ {text} }}", file.read_text()))
