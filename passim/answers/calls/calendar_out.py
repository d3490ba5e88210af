"""Writing chosen calls as a calendar file (iCalendar, RFC 5545) that can be written again and again.

An event keeps its UID from run to run: it is the k-th call of its day, of one question. When new elements move it, its
SEQUENCE rises and a calendar that takes the file in moves it too, instead of showing it twice (RFC 5545, 3.8.7.4 and
3.8.4.7). A call that is suggested no longer is written as cancelled, until its time has passed.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from icalendar import Calendar, Event as Component, Timezone, TimezoneStandard, vDuration

from passim.answers.calls.calendar_in import QUESTION
from passim.elements.atomic import write_atomically
from passim.errors import InputError

PRODUCT: Final = "-//passim//call windows//EN"
# How soon a calendar that is subscribed to is asked for again: what it says changes with the hour, not by the minute.
REFRESHED_EVERY: Final = timedelta(hours=1)
# A namespace of passim's own for name-based identifiers (RFC 4122, 4.3), drawn once at random.
_NAMESPACE: Final = uuid.UUID("8d1f2a6e-5b0c-4c57-9a55-3f1e0b7c9d42")


@dataclass(frozen=True)
class CallWindow:
    """A call to put into a calendar: aware times, local date it counts for, title, what is expected, where."""

    start: datetime
    end: datetime
    day: date
    title: str
    text: str
    place: str = ""


@dataclass(frozen=True)
class CalendarChanges:
    """How many calls a calendar was given: new ones, changed ones, those as before; and how many were called off."""

    new: int
    changed: int
    as_before: int
    called_off: int

    @property
    def calls(self) -> int:
        """How many calls the question has now."""
        return self.new + self.changed + self.as_before


def write_calendar(path: str | Path, windows: Sequence[CallWindow], question: str, now: datetime) -> CalendarChanges:
    """Write `windows` into the file at `path`, whole or not at all, and return how many events are new or changed.

    `question` is text that is the same whenever the same is asked: windows of another question in the file are kept
    until they have passed. Times are written in UTC; `now` (aware) becomes the stamp. The events take no time away and
    are tentative: they are suggestions. Raises InputError where the file is there and was not written by passim, or
    cannot be written.
    """
    path = Path(path)
    calendar, written = _calendar(windows, question, _events_before(path), now)
    try:
        write_atomically(path, calendar.to_ical())
    except OSError as error:
        raise InputError(
            f"calendar file cannot be written: {error.strerror}", got=str(path), try_next="another folder"
        ) from None
    return written


@dataclass(frozen=True)
class Subscription:
    """What a calendar that is asked for again and again says of itself: its name, and its own address."""

    name: str
    address: str


def calendar_bytes(
    windows: Sequence[CallWindow], question: str, now: datetime, subscription: Subscription | None = None
) -> bytes:
    """Return `windows` as a calendar file that stands for itself, to be handed out.

    A calendar that takes in two such files keeps one event a call: the UIDs are those of `write_calendar`, and of equal
    SEQUENCE the later DTSTAMP counts (RFC 5546, 2.1.5, recalled). One that is subscribed to has its name, its address
    and how often to ask for it besides (RFC 7986, 5.1, 5.7 and 5.8; many programs read X-WR-CALNAME and X-PUBLISHED-TTL
    instead, which no standard has).
    """
    calendar, _ = _calendar(windows, question, {}, now)
    if subscription is not None:
        calendar.add("name", subscription.name)
        calendar.add("x-wr-calname", subscription.name)
        calendar.add("refresh-interval", REFRESHED_EVERY, parameters={"VALUE": "DURATION"})
        calendar.add("x-published-ttl", vDuration(REFRESHED_EVERY))
        calendar.add("source", subscription.address, parameters={"VALUE": "URI"})
        if not windows:
            # A calendar has a component at least (RFC 5545, 3.6): without any call the clock that its times are in.
            calendar.add_component(_utc())
    return bytes(calendar.to_ical())


def check_target(path: str | Path) -> None:
    """Raise InputError where `write_calendar` could not use `path`: before the work is done, not after it."""
    path = Path(path)
    if path.suffix.lower() != ".ics" and not path.is_dir():
        raise InputError(
            "calendar file to write",
            got=str(path),
            wanted="a name that ends in .ics, which calendars take in",
            try_next=str(path.with_suffix(".ics")) if path.name else "calls.ics",
        )
    if path.is_dir() or not path.absolute().parent.is_dir():
        raise InputError("calendar file to write", got=str(path), wanted="the name of a file in a folder that exists")
    _events_before(path)


def _calendar(
    windows: Sequence[CallWindow], question: str, before: dict[str, Any], now: datetime
) -> tuple[Calendar, CalendarChanges]:
    """Return the calendar of `windows`, with what stays of the events `before`, and how many are new or changed."""
    question_id = str(uuid.uuid5(_NAMESPACE, question))
    now = now.astimezone(UTC).replace(microsecond=0)
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    new = changed = as_before = called_off = 0
    for uid, window in _identified(windows, question_id):
        event = _component(uid, window, question_id, now)
        old = before.pop(uid, None)
        sequence = 0 if old is None else int(old.get("SEQUENCE", 0))
        if old is not None and _said(old) != _said(event):
            sequence += 1
        new += old is None
        changed += old is not None and _said(old) != _said(event)
        as_before += old is not None and _said(old) == _said(event)
        event.add("sequence", sequence)
        calendar.add_component(event)

    # What is left was suggested before: other questions stay as they are, this one's calls are called off.
    for old in before.values():
        if old.end <= now:
            continue
        if str(old.get(QUESTION, "")) == question_id and str(old.get("STATUS", "")) != "CANCELLED":
            old["SEQUENCE"] = int(old.get("SEQUENCE", 0)) + 1
            for name in ("STATUS", "DTSTAMP", "LAST-MODIFIED"):
                old.pop(name, None)
            old.add("status", "CANCELLED")
            old.add("dtstamp", now)
            old.add("last-modified", now)
            called_off += 1
        calendar.add_component(old)
    return calendar, CalendarChanges(new, changed, as_before, called_off)


def _utc() -> Timezone:
    """Return UTC as a component, for a calendar without events."""
    standard = TimezoneStandard()
    standard.add("dtstart", datetime(1970, 1, 1))
    standard.add("tzoffsetfrom", timedelta())
    standard.add("tzoffsetto", timedelta())
    clock = Timezone()
    clock.add("tzid", "UTC")
    clock.add_component(standard)
    return clock


def _identified(windows: Iterable[CallWindow], question_id: str) -> list[tuple[str, CallWindow]]:
    """Return the windows in time with their UIDs: each is the k-th of its day."""
    numbered: dict[date, int] = {}
    found = []
    for window in sorted(windows, key=lambda w: w.start):
        place = numbered[window.day] = numbered.get(window.day, 0) + 1
        found.append((str(uuid.uuid5(_NAMESPACE, f"{question_id} {window.day.isoformat()} {place}")), window))
    return found


def _component(uid: str, window: CallWindow, question_id: str, now: datetime) -> Component:
    event = Component()
    event.add("uid", uid)
    event.add("dtstamp", now)
    event.add("last-modified", now)
    event.add("dtstart", window.start.astimezone(UTC))
    event.add("dtend", window.end.astimezone(UTC))
    event.add("summary", window.title)
    event.add("description", window.text)
    if window.place:
        event.add("location", window.place)
    event.add("status", "TENTATIVE")
    event.add("transp", "TRANSPARENT")
    event.add(QUESTION, question_id)
    return event


def _said(event: Any) -> tuple[Any, ...]:
    """Return what an event tells people, to see whether it has changed."""
    return (event.start, event.end, *(str(event.get(name, "")) for name in ("SUMMARY", "DESCRIPTION", "STATUS")))


def _events_before(path: Path) -> dict[str, Any]:
    """Return the events by UID of a file that passim wrote, none where there is no file. Raises InputError."""
    if not path.exists():
        return {}
    wanted = "a new file, or one that passim wrote"
    try:
        calendar: Any = Calendar.from_ical(path.read_bytes())
        product = str(calendar.get("PRODID", ""))
        events = {str(event["UID"]): event for event in calendar.walk("VEVENT")}
        whole = all(isinstance(e.end, datetime) and isinstance(e.start, datetime) for e in events.values())
    except OSError as error:
        raise InputError("calendar file to write", got=f"{path}: {error.strerror}", wanted=wanted) from None
    except (ValueError, KeyError, IndexError, TypeError, AttributeError):
        raise InputError("calendar file to write", got=f"{path}, which is no calendar", wanted=wanted) from None
    if product != PRODUCT or not whole:
        raise InputError(
            "calendar file to write", got=f"{path}, a calendar of other events", wanted=wanted,
            try_next="another name: a file of your own is never written over",
        )  # fmt: skip
    return events
