"""Reading a calendar file (iCalendar, RFC 5545): when somebody is busy, and which calls are set.

The library icalendar takes the text apart, dateutil repeats what recurs. What cannot be understood is refused with its
line, because a busy time that is lost in silence becomes a call in the middle of it. A rule of repetition that RFC 5545
does not allow is told of by name, and the hours of its event count as busy on every day from its start. One that lets
something repeat all day long is told of as well, and where it does so thousands of times all the time counts as busy.
"""

from __future__ import annotations

import re
import stat
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from icalendar import Calendar
from icalendar.parser import Contentline

from passim.answers.calls.recurrence import (
    FREQUENCIES,
    MOST_REPEATS,
    WITHIN_A_DAY,
    RuleFault,
    ends_at,
    every_day,
    fault,
    parts_of,
    repeated,
)
from passim.errors import InputError
from passim.intervals import Intervals, union
from passim.spans import Span, microseconds, zone

_LARGEST_FILE_BYTES: Final = 20_000_000
_QUOTED: Final = re.compile(r'"[^"]*"')
_PARAMETER: Final = re.compile(r";\s*([A-Z0-9-]+)\s*=")
_ONCE: Final = ("DTSTART", "DTEND", "DURATION", "RRULE", "RECURRENCE-ID", "UID", "STATUS", "TRANSP")
# The property by which passim knows the calls that it has put into a calendar itself.
QUESTION: Final = "X-PASSIM-QUESTION"


@dataclass(frozen=True)
class Event:
    """One event, or one day of a recurring one. Times are aware and UTC; the end is not part of it.

    ``place`` is what LOCATION says. ``guessed`` says why the days are not those of its rule, which cannot be followed.
    ``description`` is what DESCRIPTION says, ``line`` where the event stands in its file.
    """

    uid: str
    title: str
    start: datetime
    end: datetime
    all_day: bool = False
    recurring: bool = False
    place: str = ""
    guessed: RuleFault | None = None
    description: str = field(default="", compare=False)
    line: int = field(default=0, compare=False)


# An event that meets the span, with when it would begin if it were not moved.
_Met = tuple[datetime, Event]


@dataclass(frozen=True)
class OddRule:
    """A rule by which an event repeats that cannot be followed, or that lets it repeat all day long.

    ``line`` is where the rule stands, ``begins`` and ``ends`` when the first of the series begins and ends by its own
    clock, ``times`` how often it repeats in the span. Where ``throughout``, all the time from its begin on counts as
    busy; else, where the rule has a ``fault``, its hours of every day.
    """

    line: int
    title: str
    begins: datetime
    ends: datetime
    all_day: bool
    fault: RuleFault | None
    throughout: bool
    times: int


@dataclass(frozen=True)
class CalendarEvents:
    """The events of a file that meet a span, in order, and what was left out.

    ``cancelled`` events and those marked as ``free``, taking no time, are counted; ``odd_rules`` are told one by one.
    """

    name: str
    events: tuple[Event, ...]
    cancelled: int = 0
    free: int = 0
    odd_rules: tuple[OddRule, ...] = ()

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
        found = path.stat()
        # A pipe would be waited for, and a device never ends.
        if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
            wanted = "a file in iCalendar format (.ics)"
            raise InputError(f"calendar file {path}", got="no regular file", wanted=wanted)
        if found.st_size > _LARGEST_FILE_BYTES:
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
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        # The lines are sound one by one, so the file is wrong as a whole.
        raise _refused(name, 1, str(error), "a calendar in iCalendar format") from None
    if len(components) != len(sources):
        raise _refused(
            name, 1, f"{len(components):,} events in {len(sources):,} blocks", "BEGIN:VEVENT at the top level"
        )

    cancelled = free = 0
    series: list[tuple[_Series, bool]] = []
    for component, source in zip(components, sources, strict=True):
        try:
            one = _Series.of(component, source, where, name)
        except OverflowError:
            raise _out_of_time(name, source.line) from None
        except (ValueError, TypeError, AttributeError, KeyError, IndexError) as error:
            # The library hands on whatever the file made of its values, and it stumbles over them in many ways.
            raise _refused(name, source.line, f"an event that cannot be understood ({error})", "times") from None
        is_off = str(component.get("STATUS", "")).upper() == "CANCELLED"
        takes_none = str(component.get("TRANSP", "")).upper() == "TRANSPARENT"
        takes_none &= not (suggested and QUESTION in component)
        cancelled, free = cancelled + is_off, free + (takes_none and not is_off)
        series.append((one, not is_off and not takes_none))

    # Single days of a series that are moved or cancelled, and days from which on all of them are.
    moved: dict[tuple[str, datetime], list[Event]] = {}
    onward: dict[str, list[_Onward]] = {}
    for one, counts in series:
        if one.instead_of is not None:
            retained = [event for _, event in _met(one, span)] if counts else []
            moved.setdefault((one.uid, one.instead_of), []).extend(retained)
            if one.and_future:
                shift = _utc(one.begins, one.where) - one.instead_of
                onward.setdefault(one.uid, []).append(_Onward(one.instead_of, shift, one.length, counts))
    events = [event for retained in moved.values() for event in retained]
    odd_rules: list[OddRule] = []
    for one, counts in series:
        if one.instead_of is not None or not counts:
            continue
        found = _unmoved(one, span, moved, sorted(onward.get(one.uid, ()), key=lambda o: o.since))
        events += found
        # Whoever asks about calls is told with the calls themselves.
        if not suggested and (odd := one.odd_rule(found)) is not None:
            odd_rules.append(odd)
    events.sort(key=lambda e: (e.start, e.end, e.uid))
    return CalendarEvents(name, tuple(events), cancelled, free, tuple(odd_rules))


@dataclass(frozen=True)
class _Onward:
    """From the day `since` on a series begins `shift` later and lasts `length`, or does not take place."""

    since: datetime
    shift: timedelta
    length: timedelta
    counts: bool


def _met(one: _Series, span: Span) -> list[_Met]:
    """Return when the events that meet `span` would begin, and the events. Raises InputError."""
    try:
        return list(one.events(span))
    except OverflowError:
        raise _out_of_time(one.name, one.line) from None


def _unmoved(
    one: _Series, span: Span, moved: dict[tuple[str, datetime], list[Event]], onward: list[_Onward]
) -> list[Event]:
    """Return the events of a series but for single ones that were moved; those after an onward change follow it."""
    if not onward:
        return [event for start, event in _met(one, span) if (one.uid, start) not in moved]
    # What is shifted into the span may come from outside it.
    margin = max(abs(change.shift) + change.length for change in onward)
    try:
        wide = Span(span.start - margin, span.end + margin)
    except OverflowError:
        raise _out_of_time(one.name, one.line) from None
    retained = []
    for start, event in _met(one, wide):
        if (one.uid, start) in moved:
            continue
        change = next((c for c in reversed(onward) if c.since <= start), None)
        if change is not None:
            if not change.counts:
                continue
            begins = event.start + change.shift
            event = replace(event, start=begins, end=begins + change.length)
        if _meets(event.start, event.end, span):
            retained.append(event)
    return retained


def _meets(start: datetime, end: datetime, span: Span) -> bool:
    return start < span.end and (end > span.start or (end == start >= span.start))


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
    besides: dict[datetime, timedelta | None]
    instead_of: datetime | None
    and_future: bool
    fault: RuleFault | None
    line: int
    name: str
    place: str
    description: str = ""
    # Where its block begins, whatever else `line` points at.
    block_line: int = 0

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
        for kind in ("DTSTART", "DTEND", "RECURRENCE-ID"):
            if component.get(kind) is not None:
                _check_zone(component[kind], [component[kind]], kind, source, name)
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
        rule = None if rules is None else _rule(rules, source.of("RRULE"), name)
        return cls(
            str(component.get("UID", f"line {source.line}")),
            " ".join(str(component.get("SUMMARY", "")).split()) or "(no title)",
            begins,
            own_zone,
            length,
            all_day,
            rule,
            tuple(begins for begins, _ in _moments("EXDATE", component, source, where, begins, own_zone, name)),
            dict(_moments("RDATE", component, source, where, begins, own_zone, name)),
            None if instead is None else _utc(*_wall(instead.dt, where)),
            instead is not None and str(instead.params.get("RANGE", "")).upper() == "THISANDFUTURE",
            None if rule is None else fault(rule, begins),
            source.of("RRULE") if rules is not None else source.line,
            name,
            " ".join(str(component.get("LOCATION", "")).split()),
            str(component.get("DESCRIPTION", "")),
            source.line,
        )

    def events(self, span: Span) -> Iterator[_Met]:
        """Yield the original start and the event, for each that meets `span`."""
        recurring = self.rule is not None or bool(self.besides)
        every = self._begins(span)
        if every is None:
            yield from self._throughout(span)
            return
        for begins in every:
            length = self.besides.get(begins) or self.length
            start = _utc(begins, self.where)
            end = _utc(begins + length, self.where) if self.all_day else start + length
            if _meets(start, end, span):
                yield (
                    start,
                    Event(
                        self.uid, self.title, start, end, self.all_day, recurring, self.place,
                        self.fault if self.rule is not None else None, self.description, self.block_line,
                    ),
                )  # fmt: skip

    def _throughout(self, span: Span) -> Iterator[_Met]:
        """Yield one event for all the time in which a rule repeats that repeats too often to be followed."""
        start, until = _utc(self.begins, self.where), ends_at(self.rule or "", self.where)
        end = span.end if until is None else min(_utc(until, self.where) + self.length, span.end)
        why = self.fault or RuleFault()
        event = Event(self.uid, self.title, max(start, span.start), end, False, True, self.place, why)
        if event.start < event.end:
            yield start, event

    def _begins(self, span: Span) -> list[datetime] | None:
        """Return by its own clock when the event begins, from before the span to its end; None for all the time."""
        if self.rule is None and not self.besides:
            return [self.begins]
        # A day more on both sides holds whatever the clock of the event is away from UTC.
        day = timedelta(days=1)
        longest = max(self.length, *(length for length in self.besides.values() if length), timedelta(0))
        first = span.start.replace(tzinfo=None) - longest - day
        last = span.end.replace(tzinfo=None) + day
        # RFC 5545, 3.8.5.3: the start is the first of the series, whether its rule would give it or not.
        found = {self.begins, *self.besides}
        if self.fault is not None and self._within_a_day:
            return None
        if self.rule is not None and self.fault is not None:
            found.update(every_day(self.begins, first, last))
        elif self.rule is not None:
            try:
                again = repeated(self.rule, self.begins, self.where, first, last)
            except (ValueError, TypeError, KeyError) as error:
                raise _refused(self.name, self.line, f"RRULE {self.rule}: {error}", "a rule as of RFC 5545") from None
            if again is None:
                return None
            found.update(again)
        retained = sorted(begins for begins in found - set(self.without) if first <= begins <= last)
        if len(retained) > MOST_REPEATS:
            raise _refused(self.name, self.line, f"over {MOST_REPEATS} repetitions", "a rule that repeats less often")
        return retained

    @property
    def _within_a_day(self) -> bool:
        return self.rule is not None and parts_of(self.rule).get("FREQ") in WITHIN_A_DAY

    def odd_rule(self, found: Sequence[Event]) -> OddRule | None:
        """Return the rule by which `found` repeat; None for one that people use, and that is followed."""
        fault = self.fault or next((event.guessed for event in found if event.guessed is not None), None)
        if fault is None and not (self._within_a_day and found):
            return None
        throughout = fault is not None and (self.fault is None or self._within_a_day)
        ends = self.begins + self.length
        return OddRule(self.line, self.title, self.begins, ends, self.all_day, fault, throughout, len(found))


def _rule(rules: Any, line: int, name: str) -> str:
    """Return the text of a recurrence rule that people use. Raises InputError."""
    text: str = rules.to_ical().decode("ascii", "replace")
    frequency = next((part[5:] for part in text.split(";") if part.startswith("FREQ=")), "none")
    if frequency not in FREQUENCIES:
        raise _refused(name, line, f"RRULE {text}", f"FREQ of {', '.join(FREQUENCIES)}")
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


def _moments(
    kind: str, component: Any, source: _Source, where: ZoneInfo, begins: datetime, own_zone: Any, name: str
) -> Iterator[tuple[datetime, timedelta | None]]:
    """Yield the times of EXDATE or RDATE by the clock of `own_zone`, and how long a period lasts.

    A bare date means the hour at which the series begins.
    """
    lists = component.get(kind)
    for one in lists if isinstance(lists, list) else [] if lists is None else [lists]:
        entries = getattr(one, "dts", None)
        if entries is None:
            raise _refused(name, source.of(kind), f"{kind} {one}", "times, with commas between them")
        _check_zone(one, entries, kind, source, name)
        for entry in entries:
            value, until = entry.dt if isinstance(entry.dt, tuple) else (entry.dt, None)
            if not isinstance(value, datetime):
                yield datetime.combine(value, begins.time()), None
                continue
            moment = _utc(*_wall(value, where))
            length = None
            if until is not None:
                length = until if isinstance(until, timedelta) else _utc(*_wall(until, where)) - moment
            yield moment.astimezone(own_zone).replace(tzinfo=None), length


def _sources(text: str, name: str) -> list[_Source]:
    """Return where the events of a calendar are. Raises InputError with the line of what is no iCalendar."""
    found: list[_Source] = []
    open_blocks: list[tuple[str, int]] = []
    for line, content in _unfolded(text):
        try:
            key, params, value = Contentline(content).parts()  # type: ignore[no-untyped-call]
        except ValueError:
            raise _refused(name, line, content, "NAME:VALUE, as in every line of an iCalendar file") from None
        key, value = key.upper(), value.strip().upper()
        if (twice := _given_twice(content)) is not None:
            raise _refused(name, line, f"{twice} twice in one line", "it once")
        if not isinstance(params.get("VALUE", ""), str):
            # RFC 5545, 3.2.20: it names one type. Two reach the library as a list, where it expects text.
            raise _refused(name, line, "VALUE with more than one type", "one type, such as VALUE=DATE")
        if not _can_be_looked_up(str(params.get("TZID", ""))):
            raise _refused(name, line, f"time zone {params['TZID']}", "a zone that is known or in the file")
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


def _given_twice(content: str) -> str | None:
    """Return the parameter that a content line gives more than once: the library takes the last.

    RFC 5545, 3.8, says of each parameter that it must not; of those beginning with X- it does not, and none is read.
    """
    names = _PARAMETER.findall(_QUOTED.sub("", content).partition(":")[0].upper())
    return next((name for name, count in Counter(names).items() if count > 1 and not name.startswith("X-")), None)


@lru_cache(maxsize=1024)
def _can_be_looked_up(zone_name: str) -> bool:
    """Say whether the search for a zone ends well: it looks for files, and trips over folders and endless names."""
    try:
        ZoneInfo(zone_name or "UTC")
    except OSError:
        return False
    except (ValueError, KeyError):
        return True  # none of the system's, but the file may bring it along
    return True


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


def _check_zone(value: Any, entries: Sequence[Any], kind: str, source: _Source, name: str) -> None:
    """Raise InputError where a time names a zone that nobody knows: read as local it would be hours away."""
    params = getattr(value, "params", {})
    dates = [entry.dt for entry in entries]
    if "TZID" in params and any(isinstance(d, datetime) and d.tzinfo is None for d in dates):
        raise _refused(name, source.of(kind), f"time zone {params['TZID']}", "a zone that is known or in the file")


def _out_of_time(name: str, line: int) -> InputError:
    return _refused(name, line, "a time outside the years 1 to 9999", "a date in these years")


def _refused(name: str, line: int, got: str, wanted: str) -> InputError:
    return InputError(f"calendar file {name}, line {line}", got=got, wanted=wanted)
