"""Whole answers, kept ready to send: what many phones ask in the same minute is worked out and packed once.

Kept are, for as long as the server runs, what never changes while it does (the layout, scripts and
looks) and, for as long as they are true, the answers of pages and the files of their numbers. What an answer is true
for stands in its key: the place asked, the choices, the files of the workspace as they are, and the time. Whoever works
one out says with `share` that others may have it; an answer that is only half there is nobody else's.
"""

from __future__ import annotations

import functools
import gzip
import hashlib
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, Final

import flask

from .state import ByteLimitedCache, KeyedLocks

_KEPT_BYTES: Final = 96 * 2**20
# An answer holds the time in its key, to the minute: a few minutes later nobody asks for it again.
_UNUSED_S: Final = 300.0
# Less than this fits one packet of Ethernet anyway.
_PACKED_FROM_BYTES: Final = 1400
# Of the text that a page is made of, higher levels save another hundredth or two and take several times as long.
_GZIP_LEVEL: Final = 5
_TEXT: Final = ("text/", "application/json", "application/javascript", "image/svg")
_YEAR_S: Final = 31_536_000
_HEADERS: Final = ("Content-Type", "Content-Disposition", "Cache-Control")
_MARK: Final = "passim_share"


def share() -> None:
    """Say that the answer to the request under way may be sent to everybody who asks the same."""
    if flask.has_request_context():
        flask.g.passim_share = True


@dataclass(frozen=True)
class _Stored:
    """An answer as it is sent, and the same as gzip packs it where that is worth it."""

    headers: tuple[tuple[str, str], ...]
    plain: bytes
    packed: bytes | None
    tag: str

    @classmethod
    def of(cls, response: flask.Response) -> _Stored:
        response.direct_passthrough = False
        plain = response.get_data()
        response.close()  # of a file that it was read from
        headers = tuple((name, response.headers[name]) for name in _HEADERS if name in response.headers)
        packed = None
        if len(plain) >= _PACKED_FROM_BYTES and (response.mimetype or "").startswith(_TEXT):
            packed = gzip.compress(plain, _GZIP_LEVEL, mtime=0)
        return cls(headers, plain, packed, hashlib.sha256(plain).hexdigest()[:20])

    @property
    def size_bytes(self) -> int:
        return 1024 + len(self.plain) + len(self.packed or b"")

    def response(self, request: flask.Request) -> flask.Response:
        """Return it as `request` can take it: packed or not, and without a body where the browser has it."""
        packed = self.packed if self.packed is not None and request.accept_encodings["gzip"] > 0 else None
        answer = flask.Response(self.plain if packed is None else packed)
        for name, value in self.headers:
            answer.headers[name] = value
        if packed is not None:
            answer.headers["Content-Encoding"] = "gzip"
        if self.packed is not None:
            answer.headers["Vary"] = "Accept-Encoding"
        if request.method in ("GET", "HEAD"):
            # Weak, because the packed one stands for the same (RFC 9110, section 8.8.3.3).
            answer.set_etag(self.tag, weak=True)
            answer.make_conditional(request)
        return answer


class AnswerCache:
    """The answers kept, the least recently sent dropped first."""

    def __init__(self, most_bytes: int = _KEPT_BYTES) -> None:
        self._answers = ByteLimitedCache(most_bytes, _UNUSED_S)
        self._turns = KeyedLocks()

    def keep(self, server: flask.Flask, rule: str, key_of: Callable[[], Hashable | None] | None = None) -> None:
        """Keep what the view behind the route `rule` of `server` answers.

        `key_of` returns what stands for the request, or None for one whose answer is its own; what it keeps is what
        has been shared. Without it the path alone does, and every answer of status 200 is kept.
        """
        endpoint = next(each.endpoint for each in server.url_map.iter_rules() if each.rule == rule)
        view: Callable[..., Any] = server.view_functions[endpoint]

        @functools.wraps(view)
        def answered(*arguments: Any, **named: Any) -> Any:
            request = flask.request
            key: Hashable | None = (request.path,) if key_of is None else key_of()
            if key is None or request.range is not None:
                return view(*arguments, **named)
            key = (rule, key)
            stored = self._answers.get(key)
            if stored is None:
                # Those who ask the same at once wait for one answer.
                with self._turns.of(key):
                    stored = self._answers.get(key)
                    if stored is None:
                        response = server.make_response(view(*arguments, **named))
                        if response.status_code != 200 or (key_of is not None and not flask.g.get(_MARK)):
                            return response
                        stored = _Stored.of(response)
                        self._answers.put(key, stored, stored.size_bytes)
            return stored.response(request)

        server.view_functions[endpoint] = answered


def cache_control(request: flask.Request, answer: flask.Response) -> None:
    """Say how long a browser may keep what it was sent: a year where the address changes with the content."""
    if request.path == "/_favicon.ico":
        # Browsers ask for it anew whenever the address changes.
        answer.headers["Cache-Control"] = "private, max-age=86400"
    elif not request.path.startswith(("/assets/", "/_dash-component-suites/")):
        # An answer is true for a minute at most, and the next to sit at this machine need not find it.
        answer.headers["Cache-Control"] = "no-store"
    elif request.path.startswith("/assets/"):
        # Dash adds the time of the file's last change.
        own = "m" in request.args and answer.status_code in (200, 304)
        answer.headers["Cache-Control"] = f"private, max-age={_YEAR_S}, immutable" if own else "no-cache"
