"""Calendars that a browser has handed in: where they are kept, whose they are, and what is in them.

The address holds a short key for each, made from the name and the content of the file, never the calendar itself. The
file is kept twice: by the browser, packed, so that neither a reload nor a restart of the server loses it; and in the
memory of the server, from where the page, its files and the calendar of suggestions take it. What the server no
longer has the browser hands in again.

A key opens a calendar only to the browser that uploaded it, known by a cookie: an address that is sent to somebody
else shows nothing of it.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import hashlib
import re
import secrets
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import flask
from dash import ctx

from passim import Span
from passim.errors import InputError

from ....text.units import printable
from ...address import Choices
from ...state import DashboardState, PageRequest
from ...tasks import calls as call_work
from ...upload import bytes_of

BUSY, CHECK = "busy", "check"  # the places for calendars, and what the address calls them
MOST_BUSY: Final = 4
LARGEST_FILE_BYTES: Final = 2 * 2**20
# Browsers keep some five million characters for one address, and the horizons of the Sky page need room too.
_MOST_KEPT_CHARS: Final = 2_000_000
_LONGEST_NAME: Final = 60
_READ_WITHIN_S: Final = 20.0
_COOKIE: Final = "passim_browser"
_COOKIE_S: Final = 400 * 86400
_A_TOKEN: Final = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class UploadedCalendar:
    """A calendar file as it was handed in: its name, as it can be shown, and its bytes."""

    name: str
    data: bytes

    @property
    def key(self) -> str:
        """The short key that stands for it in an address."""
        return hashlib.sha256(self.name.encode() + b"\0" + self.data).hexdigest()[:12]

    def packed(self) -> dict[str, str]:
        """Return it as the browser keeps it."""
        text = base64.b64encode(gzip.compress(self.data, mtime=0)).decode()
        return {"key": self.key, "name": self.name, "text": text}


def handed_in(name: str, contents: str) -> UploadedCalendar:
    """Return the file that a browser sent. Raises InputError for one that is too large."""
    shown = _shown(name)
    data = bytes_of(shown, contents)
    if len(data) > LARGEST_FILE_BYTES:
        raise InputError(
            f"calendar file {shown}",
            got=f"{-(-len(data) // 1024):,} KB",
            wanted=f"at most {LARGEST_FILE_BYTES // 1024:,} KB",
            try_next="only the months that matter, or without attachments",
        )
    return UploadedCalendar(shown, data)


def unpacked(entry: Any) -> UploadedCalendar | None:
    """Return a calendar as the browser kept it, or None for anything else: its store is for anybody there to write."""
    if not isinstance(entry, dict) or not all(isinstance(entry.get(k), str) for k in ("key", "name", "text")):
        return None
    if entry["name"] != _shown(entry["name"]):
        return None
    opener = zlib.decompressobj(wbits=31)
    try:
        data = opener.decompress(base64.b64decode(entry["text"], validate=True), LARGEST_FILE_BYTES + 1)
    except (binascii.Error, ValueError, zlib.error):
        return None
    upload = UploadedCalendar(entry["name"], data)
    return upload if opener.eof and upload.key == entry["key"] and len(data) <= LARGEST_FILE_BYTES else None


def retained_with(retained: Any, new: Sequence[UploadedCalendar], wanted: Sequence[str]) -> list[dict[str, str]]:
    """Return what the browser is to keep: what it has, then `new`. Raises InputError where that is too much.

    The oldest go first where room is short, but none of the keys `wanted`.
    """
    fresh = {upload.key: upload.packed() for upload in new}
    before = [entry for entry in retained if isinstance(entry, dict)] if isinstance(retained, list) else []
    found = [*(entry for entry in before if entry.get("key") not in fresh), *fresh.values()]
    droppable = [entry for entry in found if entry.get("key") not in wanted]
    while sum(len(str(entry.get("text"))) for entry in found) > _MOST_KEPT_CHARS:
        if not droppable:
            raise InputError(
                "calendars together",
                got="more than a browser keeps",
                wanted=f"{_MOST_KEPT_CHARS / 1e6:g} MB, packed",
                try_next="fewer of them, or without attachments",
            )
        found.remove(droppable.pop(0))
    return found


def keys_of(choices: Choices, place: str) -> tuple[str, ...]:
    """Return the keys of the calendars that the address names for a place."""
    return tuple(dict.fromkeys(key for key in choices.other(place).split(".") if key))


def owner() -> str:
    """Return what tells the browser that asks from every other; empty for one that has handed in nothing."""
    if not flask.has_request_context():
        return "no browser"
    token = flask.request.cookies.get(_COOKIE, "")
    return token if _A_TOKEN.fullmatch(token) else ""


def known_owner() -> str:
    """Return the same, after giving a browser that has none its own."""
    found = owner()
    if not found:
        found = secrets.token_hex(16)
        ctx.response.set_cookie(_COOKIE, found, max_age=_COOKIE_S, httponly=True, samesite="Strict", path="/")
    return found


def keep(state: DashboardState, of: str, upload: UploadedCalendar) -> None:
    """Keep a calendar in the memory of the state for one browser."""
    state.remember(_place(of, upload.key), lambda: upload)


def find(state: DashboardState, key: str) -> UploadedCalendar | None:
    """Return a calendar of the browser that asks, or None where the state does not have it."""
    of = owner()
    found: UploadedCalendar | None = state.retained(_place(of, key)) if of else None
    return found


def appointments(question: PageRequest, upload: UploadedCalendar, days: Span, place: str) -> call_work.Appointments:
    """Return what a calendar has in some days. Raises Pending until a worker has read it, InputError."""
    # Suggestions that passim has put into a calendar take no time, but are calls to check.
    suggested, timezone = place == CHECK, question.site.timezone
    key = ("calendar read", upload.name, hashlib.sha256(upload.data).digest(), days, timezone, suggested)
    return question.state.work_out(
        key, call_work.read_appointments, upload.data, upload.name, days, timezone, suggested, deadline_s=_READ_WITHIN_S
    )


def not_here(place: str) -> InputError:
    """Return the error for a calendar that the state does not have, or not for this browser."""
    what = "busy calendar" if place == BUSY else "calendar to check"
    return InputError(
        f"{what} of this address is not here",
        wanted="the browser that uploaded it",
        try_next="uploading it again, or Remove, below",
    )


def _shown(name: str) -> str:
    return printable(name)[:_LONGEST_NAME] or "calendar"


def _place(of: str, key: str) -> tuple[str, str, str]:
    return ("calendar", of, key)
