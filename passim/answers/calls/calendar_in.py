"""Reading a calendar file (iCalendar, RFC 5545): when somebody is busy, and which calls are set.

The library icalendar takes the text apart, dateutil repeats what recurs. What cannot be understood is refused with its
line, because a busy time that is lost in silence becomes a call in the middle of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import islice, takewhile
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.rrule import rrule, rruleset, rrulestr  # type: ignore[import-untyped]
from icalendar import Calendar
from icalendar.parser import Contentline

from passim.errors import InputError
from passim.intervals import Intervals, union
from passim.spans import Span, microseconds, zone

_LARGEST_FILE_BYTES: Final = 20_000_000
# A rule that yields more than this within a span repeats every few minutes: no calendar of people.
_MOST_REPEATS: Final = 5_000
_ONCE: Final = ("DTSTART", "DTEND", "DURATION", "RRULE", "RECURRENCE-ID", "UID", "STATUS", "TRANSP")
# The property by which passim knows the calls that it has put into a calendar itself.
QUESTION: Final = "X-PASSIM-QUESTION"
_FREQUENCIES: Final = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")


@dataclass(frozen=True)
class Event:
    """One event, or one day of a recurring one. Times are aware and UTC; the end is not part of it."""

    uid: str
    title: str
    start: datetime
    end: datetime
    all_day: bool = False
    recurring: bool = False


# An event that meets the span, with when it would begin if it were not moved.
_Met = tuple[datetime, Event]


@dataclass(frozen=True)
class CalendarEvents:
    """The events of a file that meet a span, in order, and sentences on what was left out."""

    events: tuple[Event, ...]
    notes: tuple[str, ...]

    def busy_us(self) -> Intervals:
        """Return the busy times, united, microseconds since 1970 UTC."""
        return busy_us(self.events)


def busy_us(events: Sequence[Event]) -> Intervals:
    """Return when events take place, united, microseconds since 1970 UTC."""
    start = np.array([microseconds(e.start) for e in events], dtype=np.int64)
    end = np.array([microseconds(e.end) for e in events], dtype=np.int64)
    return union((start[end > start], end[end > start]))


def read_calendar(path: str | Path, span: Span, timezone: str, *, suggested: bool = False) -> CalendarEvents:
    """Return the events of the calendar file at `path` that meet `span`.

    Times without a zone, and whole days, are those of the clock in `timezone`. Cancelled events, and those marked as
    not taking time, are left out and counted; with `suggested`, calls that passim has put into the calendar count all
    the same. Raises InputError for a file that cannot be opened or understood, saying
    which line; SiteError for an unknown `timezone`.
    """
    path = Path(path)
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise InputError("calendar file", got=f"{path}, over 20 MB", wanted="a smaller file")
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"calendar file cannot be read: {error.strerror}", got=str(path), wanted="a file in iCalendar format (.ics)"
        ) from None
    return parse_calendar(data, span, timezone, str(path), suggested=suggested)


def parse_calendar(
    data: bytes, span: Span, timezone: str, name: str = "calendar", *, suggested: bool = False
) -> CalendarEvents:
    """Return the events that meet `span` from the bytes of a calendar file called `name`; as `read_calendar`."""
    where = zone(timezone)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise _refused(name, line, f"byte 0x{data[error.start]:02x}", "text in UTF-8") from None
    sources = _sources(text, name)
    try:
        calendars = Calendar.from_ical(text, multiple=True)
        components = [event for calendar in calendars for event in calendar.walk("VEVENT")]
    except (ValueError, KeyError, IndexError, TypeError) as error:
        # The lines are sound one by one, so the file is wrong as a whole.
        raise _refused(name, 1, str(error), "a calendar in iCalendar format") from None
    if len(components) != len(sources):
        raise _refused(name, 1, f"{len(components)} events in {len(sources)} blocks", "BEGIN:VEVENT at the top level")

    cancelled = free = 0
    masters: list[tuple[str, list[_Met]]] = []
    moved: dict[str, dict[datetime, list[_Met]]] = {}
    for component, source in zip(components, sources, strict=True):
        try:
            series = _Series.of(component, source, where, name)
            met = list(series.events(span))
        except OverflowError:
            raise _refused(name, source.line, "a time outside the years 1 to 9999", "a year of people alive") from None
        is_off = str(component.get("STATUS", "")).upper() == "CANCELLED"
        takes_none = str(component.get("TRANSP", "")).upper() == "TRANSPARENT"
        takes_none &= not (suggested and QUESTION in component)
        cancelled, free = cancelled + is_off, free + (takes_none and not is_off)
        kept = [] if is_off or takes_none else met
        if series.instead_of is not None:
            moved.setdefault(series.uid, {})[series.instead_of] = kept
        else:
            masters.append((series.uid, kept))

    events: list[Event] = []
    for uid, kept in masters:
        events += [event for start, event in kept if start not in moved.get(uid, {})]
    for instead in moved.values():
        events += [event for kept in instead.values() for _, event in kept]
    events.sort(key=lambda e: (e.start, e.end, e.uid))
    notes = []
    if cancelled:
        notes.append(f"{name}: {cancelled} cancelled, left out.")
    if free:
        notes.append(f"{name}: {free} marked as taking no time, left out.")
    return CalendarEvents(tuple(events), tuple(notes))


@dataclass(frozen=True)
class _Source:
    """Where a block VEVENT begins, and the line of each of its properties, first come first."""

    line: int
    lines: dict[str, int]

    def of(self, name: str) -> int:
        """Return the line of a property, or of the block."""
        return self.lines.get(name.upper(), self.line)


@dataclass(frozen=True)
class _Series:
    """An event as the file has it: when it begins by its own clock, how long it lasts, and how it repeats."""

    uid: str
    title: str
    begins: datetime
    where: ZoneInfo | Any
    length: timedelta
    all_day: bool
    rule: str | None
    without: tuple[datetime, ...]
    besides: tuple[datetime, ...]
    instead_of: datetime | None
    line: int
    name: str

    @classmethod
    def of(cls, component: Any, source: _Source, where: ZoneInfo, name: str) -> _Series:
        """Return the event of a component. Raises InputError with the line of what cannot be used."""
        for wrong, problem in component.errors:
            raise _refused(name, source.of(str(wrong or "")), str(problem), "a value that RFC 5545 allows")
        for once in _ONCE:
            if isinstance(component.get(once), list):
                raise _refused(name, source.of(once), f"{once} twice in one event", "it once")
        if component.get("DTSTART") is None:
            raise _refused(name, source.line, "an event without DTSTART", "a start")
        if "TZID" in component["DTSTART"].params and getattr(component["DTSTART"].dt, "tzinfo", None) is None:
            zone_name = component["DTSTART"].params["TZID"]
            raise _refused(name, source.of("DTSTART"), f"time zone {zone_name}", "a zone that is known or in the file")
        try:
            start, end = component.start, component.end
        except (ValueError, TypeError, AttributeError) as error:
            raise _refused(name, source.of("DTEND"), str(error), "a start and an end of one kind") from None
        all_day = not isinstance(start, datetime)
        begins, own_zone = _wall(start, where)
        ends, end_zone = _wall(end, where)
        # Whole days follow the calendar; all else lasts as long as the clock of the world says.
        length = ends - begins if all_day else _utc(ends, end_zone) - _utc(begins, own_zone)
        if length < timedelta(0):
            raise _refused(name, source.of("DTEND"), f"{end} before {start}", "an end after the start")
        rules = component.get("RRULE")
        instead = component.get("RECURRENCE-ID")
        return cls(
            str(component.get("UID", f"line {source.line}")),
            " ".join(str(component.get("SUMMARY", "")).split()) or "(no title)",
            begins,
            own_zone,
            length,
            all_day,
            None if rules is None else _rule(rules, source.of("RRULE"), name),
            tuple(_moments(component.get("EXDATE"), where, begins, own_zone)),
            tuple(_moments(component.get("RDATE"), where, begins, own_zone)),
            None if instead is None else _utc(*_wall(instead.dt, where)),
            source.of("RRULE") if rules is not None else source.line,
            name,
        )

    def events(self, span: Span) -> Iterator[_Met]:
        """Yield the original start and the event, for each that meets `span`."""
        recurring = self.rule is not None or bool(self.besides)
        for begins in self._begins(span):
            start = _utc(begins, self.where)
            end = _utc(begins + self.length, self.where) if self.all_day else start + self.length
            if start < span.end and (end > span.start or (end == start >= span.start)):
                yield start, Event(self.uid, self.title, start, end, self.all_day, recurring)

    def _begins(self, span: Span) -> list[datetime]:
        """Return by its own clock when the event begins, from before the span to its end."""
        if self.rule is None and not self.besides:
            return [self.begins]
        # A day more on both sides holds whatever the clock of the event is away from UTC.
        day = timedelta(days=1)
        first = span.start.replace(tzinfo=None) - self.length - day
        last = span.end.replace(tzinfo=None) + day
        repeated = rruleset()
        if self.rule is None:
            repeated.rdate(self.begins)
        else:
            repeated.rrule(self._rrule(last))
        for extra in self.besides:
            repeated.rdate(extra)
        for gone in self.without:
            repeated.exdate(gone)
        inside = takewhile(lambda begins: begins <= last, repeated.xafter(first, inc=True))
        found = list(islice(inside, _MOST_REPEATS + 1))
        if len(found) > _MOST_REPEATS:
            raise _refused(self.name, self.line, f"over {_MOST_REPEATS} repetitions", "a rule that repeats less often")
        return found

    def _rrule(self, last: datetime) -> rrule:
        """Return the rule by the event's own clock, ended after `last` unless it ends by itself before."""
        assert self.rule is not None
        parts = dict(part.split("=", 1) for part in self.rule.split(";"))
        until = parts.pop("UNTIL", None)
        ends = last
        if until is not None:
            ends = min(last, self._until(until))
        text = ";".join(f"{key}={value}" for key, value in parts.items())
        if "COUNT" not in parts:
            text += f";UNTIL={max(ends, datetime(1900, 1, 1)):%Y%m%dT%H%M%S}"
        try:
            return rrulestr(f"RRULE:{text}", dtstart=self.begins)
        except (ValueError, TypeError, KeyError) as error:
            raise _refused(self.name, self.line, f"RRULE {self.rule}: {error}", "a rule that RFC 5545 allows") from None

    def _until(self, text: str) -> datetime:
        """Return UNTIL by the event's own clock; a date means all of its day."""
        if len(text) == 8:
            return datetime.combine(datetime.strptime(text, "%Y%m%d").date(), time(23, 59, 59))
        ends = datetime.strptime(text.rstrip("Z"), "%Y%m%dT%H%M%S")
        if not text.endswith("Z"):
            return ends
        return ends.replace(tzinfo=UTC).astimezone(self.where).replace(tzinfo=None)


def _rule(rules: Any, line: int, name: str) -> str:
    """Return the text of a recurrence rule that people use. Raises InputError."""
    text: str = rules.to_ical().decode("ascii", "replace")
    frequency = next((part[5:] for part in text.split(";") if part.startswith("FREQ=")), "none")
    if frequency not in _FREQUENCIES:
        raise _refused(name, line, f"RRULE {text}", f"FREQ of {', '.join(_FREQUENCIES)}")
    return text


def _wall(value: date | datetime, where: ZoneInfo) -> tuple[datetime, Any]:
    """Return a time by its own clock and the zone of that clock, `where` for whole days and times without a zone."""
    if not isinstance(value, datetime):
        return datetime.combine(value, time()), where
    if value.tzinfo is None:
        return value, where
    return value.replace(tzinfo=None), value.tzinfo


def _utc(begins: datetime, where: Any) -> datetime:
    """Return the moment, UTC, at which the clock of `where` shows `begins`."""
    return begins.replace(tzinfo=where).astimezone(UTC)


def _moments(lists: Any, where: ZoneInfo, begins: datetime, own_zone: Any) -> Iterator[datetime]:
    """Yield the times of EXDATE or RDATE by the clock of `own_zone`; a bare date means the hour at which it begins."""
    for one in lists if isinstance(lists, list) else [] if lists is None else [lists]:
        for entry in one.dts:
            value = entry.dt[0] if isinstance(entry.dt, tuple) else entry.dt  # a period counts by its start
            if not isinstance(value, datetime):
                yield datetime.combine(value, begins.time())
            else:
                yield _utc(*_wall(value, where)).astimezone(own_zone).replace(tzinfo=None)


def _sources(text: str, name: str) -> list[_Source]:
    """Return where the events of a calendar are. Raises InputError with the line of what is no iCalendar."""
    found: list[_Source] = []
    open_blocks: list[tuple[str, int]] = []
    for line, content in _unfolded(text):
        try:
            key, _, value = Contentline(content).parts()  # type: ignore[no-untyped-call]
        except ValueError:
            raise _refused(name, line, content, "NAME:VALUE, as in every line of an iCalendar file") from None
        key, value = key.upper(), value.strip().upper()
        if not open_blocks and (key, value) != ("BEGIN", "VCALENDAR"):
            raise _refused(name, line, content, "BEGIN:VCALENDAR first")
        if key == "BEGIN":
            open_blocks.append((value, line))
            if value == "VEVENT":
                found.append(_Source(line, {}))
        elif key == "END":
            if open_blocks[-1][0] != value:
                raise _refused(name, line, content, f"END:{open_blocks[-1][0]}, opened in line {open_blocks[-1][1]}")
            open_blocks.pop()
        elif open_blocks[-1][0] == "VEVENT":
            found[-1].lines.setdefault(key, line)
    if open_blocks:
        block, opened = open_blocks[-1]
        raise _refused(name, text.count("\n") + 1, "the end of the file", f"END:{block}, opened in line {opened}")
    if not text.strip():
        raise _refused(name, 1, "an empty file", "BEGIN:VCALENDAR")
    return found


def _unfolded(text: str) -> Iterator[tuple[int, str]]:
    """Yield each content line with the number of the line where it begins; folds (RFC 5545, 3.1) are undone."""
    begins, content = 0, ""
    for number, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), 1):
        if line[:1] in (" ", "\t") and content:
            content += line[1:]
            continue
        if content:
            yield begins, content
        begins, content = number, line if line.strip() else ""
    if content:
        yield begins, content


def _refused(name: str, line: int, got: str, wanted: str) -> InputError:
    return InputError(f"calendar file {name}, line {line}", got=got, wanted=wanted)
