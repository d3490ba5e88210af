"""One GET request within bounds: of time, size and unpacked size; to where a workspace may ask, and nowhere else.

No redirect is followed, no proxy used and no cookie kept. The connection is made first, then the caller is told, then
the request is sent: so that what could not be sent never counts as a request, and what may have been sent always does.
"""

from __future__ import annotations

import contextlib
import http.client
import socket
import ssl
import threading
import time
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import SplitResult

from passim.elements.feeds.sources import Refused, Unreachable, check_address, is_private, not_private
from passim.elements.formats import LARGEST_BYTES
from passim.errors import ElementsError

CONNECT_WITHIN_S: Final = 15.0
# Of all: the largest public group takes seconds.
WHOLE_WITHIN_S: Final = 120.0
LARGEST_ANSWER_BYTES: Final = LARGEST_BYTES
_PIECE_BYTES: Final = 64 * 2**10


@dataclass(frozen=True, slots=True)
class Answer:
    """What came: ``status`` 200 or 304, the head (names in small letters), and the body, unpacked (empty for 304)."""

    status: int
    head: Mapping[str, str]
    body: bytes


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked: an address that `check_address` allows, and the head that goes along beside the usual."""

    address: str
    head: Mapping[str, str] = field(default_factory=dict)
    within_s: float = WHOLE_WITHIN_S


def get(request: Request, user_agent: str, about_to_send: Callable[[], None]) -> Answer:
    """Ask once and return the answer, of status 200 or 304.

    `about_to_send` is called when the connection is there and nothing has been sent. Raises Unreachable where no
    connection could be made, Refused for any other status, and ElementsError for an answer that is cut, too large, too
    slow or packed in an unknown way.
    """
    parts = check_address(request.address)
    host = parts.hostname or ""
    connection = _connection(parts)
    try:
        connection.connect()
    except (OSError, ssl.SSLError, http.client.HTTPException) as error:
        connection.close()
        raise Unreachable(
            f"no connection to {host}", got=_words(error), wanted="an answer", try_next="again when the line is up"
        ) from None
    about_to_send()
    # A slow drip keeps every single wait short: the whole is ended from outside.
    until_s = time.monotonic() + request.within_s
    opened: socket.socket = connection.sock
    clock = threading.Timer(request.within_s, _shut, [opened])
    clock.daemon = True
    clock.start()
    try:
        target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        head = {
            "Host": parts.netloc, "User-Agent": user_agent, "Accept": "*/*", "Accept-Encoding": "gzip",
            "Connection": "close",
        } | dict(request.head)  # fmt: skip
        connection.putrequest("GET", target, skip_host=True, skip_accept_encoding=True)
        for key, value in head.items():
            connection.putheader(key, value)
        connection.endheaders()
        response = connection.getresponse()
        return _answer(response, host)
    except (OSError, http.client.HTTPException) as error:
        if time.monotonic() >= until_s:
            got, wanted = f"no whole answer in {request.within_s:g} s", "one"
        else:
            got, wanted = _words(error), "a whole answer"
        raise ElementsError(f"answer of {host}", got=got, wanted=wanted, try_next="again later") from None
    finally:
        clock.cancel()
        connection.close()


def _connection(parts: SplitResult) -> http.client.HTTPConnection:
    """Return a connection that is still to be made. Raises Unreachable, and ElementsError for http to the world."""
    host = parts.hostname or ""
    if parts.scheme == "https":
        context = ssl.create_default_context()
        return http.client.HTTPSConnection(host, parts.port, timeout=CONNECT_WITHIN_S, context=context)
    try:
        found = socket.getaddrinfo(host, parts.port or 80, type=socket.SOCK_STREAM)
    except OSError as error:
        raise Unreachable(
            f"no connection to {host}", got=_words(error), wanted="a name that is known", try_next="the address again"
        ) from None
    # What was looked at is what is connected to: a name may lead elsewhere a moment later.
    address = str(found[0][4][0])
    if not is_private(address):
        raise not_private(host, address)
    return http.client.HTTPConnection(address, parts.port, timeout=CONNECT_WITHIN_S)


def _answer(response: http.client.HTTPResponse, host: str) -> Answer:
    """Return the answer that is being received. Raises Refused, ElementsError, OSError and HTTPException."""
    head = {key.lower(): value for key, value in response.getheaders()}
    if response.status == 304:
        return Answer(304, head, b"")
    if response.status != 200:
        raise _refused(response, head, host)
    declared = response.length  # None where the server does not say
    if declared is not None and declared > LARGEST_ANSWER_BYTES:
        raise _too_large(host)
    body = bytearray()
    while piece := response.read(min(_PIECE_BYTES, LARGEST_ANSWER_BYTES + 1 - len(body))):
        body += piece
        if len(body) > LARGEST_ANSWER_BYTES:
            raise _too_large(host)
    if declared is not None and len(body) != declared:
        got = f"{len(body):,} of {declared:,} bytes"
        raise ElementsError(f"answer of {host}", got=got, wanted="all of it", try_next="again later")
    return Answer(200, head, _unpacked(bytes(body), head.get("content-encoding", ""), host))


def _unpacked(body: bytes, encoding: str, host: str) -> bytes:
    """Undo the packing that an answer was sent with, never past the largest size. Raises ElementsError."""
    encoding = encoding.strip().lower()
    if encoding in ("", "identity"):
        return body
    if encoding not in ("gzip", "x-gzip"):
        got = f"Content-Encoding {encoding}"
        raise ElementsError(f"answer of {host}", got=got, wanted="gzip or none", try_next="another address")
    unpacker = zlib.decompressobj(wbits=31)
    try:
        plain = unpacker.decompress(body, LARGEST_BYTES + 1)
    except zlib.error as error:
        raise ElementsError(f"answer of {host}", got=str(error), wanted="whole gzip", try_next="again later") from None
    if len(plain) > LARGEST_BYTES:
        raise _too_large(host)
    if not unpacker.eof:
        raise ElementsError(f"answer of {host}", got="gzip that is cut", wanted="all of it", try_next="again later")
    return plain


def _refused(response: http.client.HTTPResponse, head: Mapping[str, str], host: str) -> Refused:
    """Return the error for an answer that is neither 200 nor 304."""
    status = response.status
    rest_s, try_next = 0.0, "opening the address in a browser"
    if status in (403, 429):
        rest_s = max(86_400.0, _retry_after_s(head.get("retry-after", "")))
        try_next = "reading the provider's rules, and nothing before tomorrow"
    elif status == 503:
        rest_s = _retry_after_s(head.get("retry-after", ""))
        try_next = "again later"
    elif status in (301, 302, 303, 307, 308):
        place = head.get("location", "")
        try_next = f"writing {place} into the workspace, if you trust it" if place else "the address again"
    elif status == 404:
        try_next = "the address again"
    elif status >= 500:
        try_next = "again later"
    words = f"{status} {response.reason}".strip()
    return Refused(f"answer of {host}", status=status, rest_s=rest_s, got=words, wanted="200 or 304", try_next=try_next)


def _retry_after_s(text: str) -> float:
    """Return the seconds that Retry-After asks for (RFC 9110, section 10.2.3), 0 where it says nothing."""
    from email.utils import parsedate_to_datetime

    text = text.strip()
    if text.isascii() and text.isdigit():
        # A year is as long as anybody may ask for.
        return min(float(text[:12]), 366 * 86_400.0)
    try:
        moment = parsedate_to_datetime(text)
        return min(max(moment.timestamp() - time.time(), 0.0), 366 * 86_400.0)
    except (TypeError, ValueError, OverflowError):
        return 0.0


def _too_large(host: str) -> ElementsError:
    wanted = f"at most {LARGEST_BYTES // 2**20} MiB"
    return ElementsError(f"answer of {host}", got="more", wanted=wanted, try_next="one group of satellites")


def _shut(opened: socket.socket) -> None:
    with contextlib.suppress(OSError):  # it had ended by itself
        opened.shutdown(socket.SHUT_RDWR)


def _words(error: BaseException) -> str:
    """Return what the system says of an error, in one line."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"a certificate that does not hold: {error.verify_message}"
    if isinstance(error, TimeoutError):
        return f"nothing for {CONNECT_WITHIN_S:g} s"
    if isinstance(error, http.client.IncompleteRead):
        return "an answer that is cut"
    if isinstance(error, http.client.RemoteDisconnected):
        return "the connection closed before an answer"
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()
