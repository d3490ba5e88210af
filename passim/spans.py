"""Stretches of time, and the grids of local days, local hours and minutes laid over them.

Inside passim a moment is an integer number of microseconds since 1970-01-01 UTC (as Python's aware datetimes count,
without leap seconds) or a float number of seconds since the start of a span. People see aware datetimes.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo, available_timezones

import numpy as np

from passim.arrays import Ints
from passim.constants import LONGEST_SPAN_DAYS
from passim.errors import SiteError, SpanError

if TYPE_CHECKING:
    import pandas as pd

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_SECOND_US, _MINUTE_US, _HOUR_US, _DAY_US = 1_000_000, 60_000_000, 3_600_000_000, 86_400_000_000
_DAY_MINUTES = 1440

DAY_NAMES: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_HOURS = re.compile(r"\s*(\d{1,2})(?::(\d\d))?\s*-\s*(\d{1,2})(?::(\d\d))?\s*", re.ASCII)

_DAYS: Final = {"yesterday": -1, "today": 0, "tomorrow": 1}
_BY_DAY: Final = re.compile(r"(?:(yesterday|today|tomorrow)\b)?[\sT]*(\d{1,2}:\d\d(?::\d\d)?)?", re.IGNORECASE)

# Nothing was in orbit before October 1957; far past 2200 the arithmetic of calendars ends before the sky does.
_FIRST_YEAR, _LAST_YEAR = 1957, 2200


@dataclass(frozen=True, slots=True)
class DailyHours:
    """Hours of the local day, [from, to) in minutes since midnight, on some days of the week from Monday = 0.

    22:00 to 04:00 goes over midnight: what comes after it belongs to the day on which it began. Minutes are those of
    the clock on the wall: where it shows an hour twice, both count, and one that it skips is not there. Raises
    SpanError unless both lie within one day and differ, and for no or unknown days.
    """

    from_minute: int = 0
    to_minute: int = _DAY_MINUTES
    weekdays: tuple[int, ...] = tuple(range(7))

    def __post_init__(self) -> None:
        whole = all(0 <= minute <= _DAY_MINUTES for minute in (self.from_minute, self.to_minute))
        if not whole or self.from_minute == _DAY_MINUTES or self.from_minute == self.to_minute:
            raise SpanError(
                "hours of the day",
                got=self.clock_words,
                wanted="two different times of the day, from 00:00 to 24:00",
                try_next="22:00-04:00",
            )
        if not self.weekdays or not set(self.weekdays) <= set(range(7)):
            raise SpanError("days of the week", got=self.weekdays, wanted="at least one, 0 for Monday to 6 for Sunday")

    @classmethod
    def parse(cls, text: str, what: str = "hours of the day", try_next: str = "08:00-18:00") -> DailyHours:
        """Return the hours of "22:00-04:00" or "8-18", with days behind a comma: "08:00-18:00,mon-fri".

        `what` and `try_next` are those of the SpanError for anything else.
        """
        clock, _, days = text.partition(",")
        found = _HOURS.fullmatch(clock)
        numbers = [int(part or 0) for part in found.groups()] if found else []
        wanted = "two times of the day, HH:MM-HH:MM"
        if not numbers or max(numbers[1], numbers[3]) > 59:
            raise SpanError(what, got=text, wanted=wanted, try_next=try_next)
        weekdays = parse_weekdays(days, what) if days.strip() else tuple(range(7))
        try:
            return cls(numbers[0] * 60 + numbers[1], numbers[2] * 60 + numbers[3], weekdays)
        except SpanError as error:
            # What was typed reads better than what it was taken for.
            raise SpanError(what, got=text, wanted=error.wanted, try_next=try_next) from None

    @property
    def clock_words(self) -> str:
        """The hours in words, without the days: 22:00 to 04:00."""
        clocks = (f"{minute // 60:02d}:{minute % 60:02d}" for minute in (self.from_minute, self.to_minute))
        return " to ".join(clocks)

    @property
    def words(self) -> str:
        """The hours and days in words: 08:00 to 18:00, Mon to Fri; all day, every day."""
        hours = "all day" if (self.from_minute, self.to_minute) == (0, _DAY_MINUTES) else self.clock_words
        return f"{hours}, {self.day_words}"

    @property
    def day_words(self) -> str:
        """The days in words: Mon to Fri."""
        days = sorted(set(self.weekdays))
        if len(days) == 7:
            return "every day"
        if len(days) > 2 and days[-1] - days[0] == len(days) - 1:
            return f"{DAY_NAMES[days[0]]} to {DAY_NAMES[days[-1]]}"
        return " and ".join(DAY_NAMES[day] for day in days)

    @property
    def over_midnight(self) -> bool:
        """Whether the hours go on after midnight."""
        return self.to_minute < self.from_minute

    @property
    def length_min(self) -> int:
        """How long the hours of a day are, minutes by the clock."""
        return (self.to_minute - self.from_minute) % _DAY_MINUTES or _DAY_MINUTES

    def of_day(self) -> tuple[tuple[int, int], ...]:
        """Return what a calendar day has of the hours, [from, to) in minutes: two parts where they go over midnight."""
        if not self.over_midnight:
            return ((self.from_minute, self.to_minute),)
        parts = ((0, self.to_minute), (self.from_minute, _DAY_MINUTES))
        return tuple((start, end) for start, end in parts if start < end)

    def within(self, span: Span, timezone: str) -> tuple[Ints, Ints]:
        """Return start and end of these hours inside `span`, microseconds since 1970 UTC, ascending, (stretches,) each.

        Stretches that touch are one. Empty where the span meets none. Raises SiteError for an unknown zone.
        """
        edges_us, offsets_us = _steady_offsets(span, zone(timezone))
        found = []
        for start, end, offset_us in zip(edges_us[:-1], edges_us[1:], offsets_us, strict=True):
            # A day earlier than the first may reach into it.
            days = np.arange((start + offset_us) // _DAY_US - 1, (end + offset_us) // _DAY_US + 1, dtype=np.int64)
            # 1 January 1970 was a Thursday.
            days = days[np.isin((days + 3) % 7, self.weekdays)]
            from_us = days * _DAY_US + self.from_minute * _MINUTE_US - offset_us
            found.append(np.clip(np.stack([from_us, from_us + self.length_min * _MINUTE_US], axis=1), start, end))
        start_us, end_us = np.concatenate(found).T
        there = end_us > start_us
        start_us, end_us = start_us[there], end_us[there]
        # Where the clocks change inside the hours, two stretches meet.
        begins = np.append(True, start_us[1:] > end_us[:-1])[: start_us.size]
        ends = np.append(begins[1:], True)[: start_us.size]
        return start_us[begins], end_us[ends]

    def inside(self, span: Span, timezone: str) -> tuple[Ints, Ints]:
        """Return the same as `within`. Raises SpanError where the span meets none of these hours."""
        start_us, end_us = self.within(span, timezone)
        if not start_us.size:
            wanted = "some of them inside the span"
            raise SpanError(
                "hours of the day", got=f"{self.clock_words} ({timezone})", wanted=wanted, try_next="a longer span"
            )
        return start_us, end_us


@dataclass(frozen=True, slots=True)
class Span:
    """A half-open stretch of time [start, end), both aware; kept in UTC.

    Raises SpanError when a time is naive or outside the years 1957 to 2200, when the end is not after the start, or
    when the two are more than 92 days apart.
    """

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        object.__setattr__(self, "start", aware(self.start, "start of the span"))
        object.__setattr__(self, "end", aware(self.end, "end of the span"))
        if self.end <= self.start:
            raise SpanError(
                "span",
                got=f"{self.start.isoformat()} to {self.end.isoformat()}",
                wanted="an end after its start",
                try_next="exchanging the two or a later end",
            )
        if self.end - self.start > timedelta(days=LONGEST_SPAN_DAYS):
            raise SpanError(
                "span",
                got=f"{(self.end - self.start) / timedelta(days=1):.6g} days",
                wanted=f"at most {LONGEST_SPAN_DAYS} days",
                try_next="asking for several shorter spans",
            )

    @classmethod
    def starting(cls, start: datetime, hours: float = 24.0) -> Span:
        """Return the span of `hours` from `start` (aware), to the nearest microsecond. Raises SpanError."""
        start = aware(start, "start of the span")
        longest_hours = LONGEST_SPAN_DAYS * 24
        if isinstance(hours, bool) or not isinstance(hours, (int, float, np.integer, np.floating)):
            raise SpanError("length of the span", got=hours, wanted="a number of hours", try_next="24")
        if not 0.0 < hours <= longest_hours:
            raise SpanError(
                "length of the span",
                got=f"{hours} hours",
                wanted=f"more than 0 and at most {longest_hours} hours ({LONGEST_SPAN_DAYS} days)",
                try_next="24",
            )
        return cls(start, start + timedelta(microseconds=round(float(hours) * _HOUR_US)))

    def __str__(self) -> str:
        hours = f"{self.duration_s / 3600.0:.4g}"
        return f"{self.start:%Y-%m-%d %H:%M}Z, {hours} h"

    @property
    def start_us(self) -> int:
        """Start, microseconds since 1970 UTC."""
        return microseconds(self.start)

    @property
    def end_us(self) -> int:
        """End, microseconds since 1970 UTC."""
        return microseconds(self.end)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return (self.end_us - self.start_us) / 1e6

    @property
    def middle(self) -> datetime:
        """The moment half-way."""
        return self.start + (self.end - self.start) / 2


def parse_weekdays(text: str, what: str = "days of the week") -> tuple[int, ...]:
    """Return "mon-fri" or "mon,wed,sat-sun" as days from Monday = 0, ascending. Raises SpanError, calling it `what`."""
    names = [name.lower() for name in DAY_NAMES]
    days: set[int] = set()
    for part in text.lower().split(","):
        ends = [word.strip()[:3] for word in part.split("-")]
        if len(ends) > 2 or not set(ends) <= set(names):
            raise SpanError(what, got=text, wanted=f"names of days, {names[0]} to {names[-1]}",
                            try_next="mon-fri or mon,wed,sat")  # fmt: skip
        first, last = names.index(ends[0]), names.index(ends[-1])
        # A range may go over the week's end: sat-mon.
        days |= {day % 7 for day in range(first, last + 1 + (7 if last < first else 0))}
    return tuple(sorted(days))


def aware(value: object, what: str = "time") -> datetime:
    """Return `value` as a plain datetime in UTC. Raises SpanError, calling it `what`, when it has no offset from UTC.

    A pandas Timestamp is taken to its whole microsecond.
    """
    try:
        known = isinstance(value, datetime) and value.utcoffset() is not None
    except ValueError:  # pandas' NaT calls itself a datetime and has no offset
        known = False
    if not known or not isinstance(value, datetime):
        raise SpanError(
            what,
            got=value,
            wanted="a time with its offset from UTC, such as 2026-11-25T08:00:00+01:00",
            try_next="adding Z for UTC or the offset",
        )
    try:
        utc = value.astimezone(UTC)
    except OverflowError:
        utc = value
    if not _FIRST_YEAR <= utc.year <= _LAST_YEAR:
        raise SpanError(what, got=value, wanted=f"a year from {_FIRST_YEAR} to {_LAST_YEAR}", try_next="another year")
    return datetime(utc.year, utc.month, utc.day, utc.hour, utc.minute, utc.second, utc.microsecond, UTC)


def microseconds(moment: datetime) -> int:
    """Return an aware datetime as whole microseconds since 1970-01-01 UTC, exactly."""
    return (moment - _EPOCH) // _MICROSECOND


def moment(time_us: int) -> datetime:
    """Return the aware UTC datetime of `time_us` microseconds since 1970-01-01 UTC."""
    return _EPOCH + int(time_us) * _MICROSECOND


def utc_times(time_us: Ints) -> pd.DatetimeIndex:
    """Return microseconds since 1970 UTC as aware times, datetime64[us, UTC], shape (n,)."""
    import pandas as pd  # who only reads hours or zones should not wait for it

    return pd.DatetimeIndex(time_us.astype("datetime64[us]"), tz="UTC")


def zone(name: str) -> ZoneInfo:
    """Return the time zone called `name` in the IANA data base. Raises SiteError."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError, TypeError):
        # A slip of the finger or of the capitals is the usual cause: offer the nearest name there is.
        by_small_letters = {known.lower(): known for known in sorted(available_timezones())}
        wrong = name[:80].lower() if isinstance(name, str) else ""
        near = get_close_matches(wrong, by_small_letters, n=1, cutoff=0.75)
        raise SiteError(
            "time zone",
            got=name,
            wanted="a name of the IANA data base such as Atlantic/Azores",
            try_next=by_small_letters[near[0]] if near else "UTC",
        ) from None


def wall_readings(wall: datetime, timezone: str) -> tuple[datetime, ...]:
    """Return the moments that a clock of `timezone` may mean when it shows `wall` (naive), ascending and aware there.

    One as a rule. Two where the clocks go back and show it twice; and two where they go forward over it: then neither
    shows `wall` itself, since one counts with the offset before the change and the other with that after it (PEP 495).
    Raises SiteError for an unknown zone.
    """
    where = zone(timezone)
    moments = {wall.replace(tzinfo=where, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return tuple(moment.astimezone(where) for moment in sorted(moments))


def day_start(day: date, timezone: str) -> datetime:
    """Return the first moment of the local `day`, in UTC. Raises SiteError for an unknown zone."""
    return moment(_first_moment(day, zone(timezone)))


def parse_moment(
    text: str, what: str, zone_of: Callable[[], str | None] | None = None, now: datetime | None = None
) -> datetime:
    """Return the UTC moment that `text` names: ISO 8601, or a time of day with or without a word for the day.

        2026-11-25T08:00Z  2026-11-25T08:00+01:00      a moment anywhere
        2026-11-25 08:00   2026-11-25                  local time; a day is its first moment
        08:00   today   today 08:00   tomorrow 08:00   the same, by the local day of now

    Text without an offset is local time of the zone that `zone_of` returns, which is asked for only then; without a
    zone it is refused. `now` is what "today" goes by; default the clock. `what` is what an error calls the time. Raises
    SpanError, whose one line shows both readings of a time that the clocks of the zone show twice or skip.
    """
    wall = _wall(text.strip())
    if isinstance(wall, datetime) and wall.tzinfo is not None:
        return aware(wall, what)
    if wall is None and _BY_DAY.fullmatch(text.strip()) is None:
        raise _no_time(text, what, zone_of is not None)
    name = zone_of() if zone_of is not None else None
    if name is None:
        raise _no_time(text, what, False, "adding Z for UTC or the offset" if wall is not None else "")
    if wall is None:
        wall = _by_day(text.strip(), name, now or datetime.now(UTC))
    if wall is None:
        raise _no_time(text, what, True)
    # Years in which nothing was in orbit are refused before calendars end.
    aware(datetime(wall.year, wall.month, wall.day, 12, tzinfo=UTC), what)
    if not isinstance(wall, datetime):
        return aware(day_start(wall, name), what)
    return _the_one(wall, name, text, what)


def local_days(span: Span, timezone: str) -> Ints:
    """Return the midnights that bound the local days touched by `span`, microseconds since 1970 UTC, shape (days+1,).

    The first is at or before the start of the span and the last at or after its end. Days of 23 and 25 hours come
    out as they are. Where a zone skips midnight, the day starts at its first moment; where midnight strikes twice, at
    the first stroke; a date that a zone skips whole has no entry. Raises SiteError for an unknown zone.
    """
    where = zone(timezone)
    day = span.start.astimezone(where).date()
    edges = [_first_moment(day, where)]
    while edges[-1] < span.end_us:
        day += timedelta(days=1)
        midnight = _first_moment(day, where)
        if midnight > edges[-1]:
            edges.append(midnight)
    return np.array(edges, dtype=np.int64)


def local_hours(span: Span, timezone: str) -> Ints:
    """Return the edges of the hours of the local clock, clipped to `span`, microseconds since 1970 UTC, ascending.

    A change of the clock is an edge too, so that within a slice the local hour and the offset from UTC are one: a
    day of 25 hours has 25 slices, and a change of half an hour makes slices of 30 minutes beside the whole ones. In
    zones at :30 or :45 the edges lie there in UTC. Raises SiteError for an unknown zone.
    """
    edges, offsets_us = _steady_offsets(span, zone(timezone))
    parts = [edges]
    for start, end, offset_us in zip(edges[:-1], edges[1:], offsets_us, strict=True):
        first, last = -(-(start + offset_us) // _HOUR_US), (end + offset_us) // _HOUR_US
        parts.append(np.arange(first, last + 1, dtype=np.int64) * _HOUR_US - offset_us)
    return np.unique(np.concatenate(parts))


def minute_edges(span: Span) -> Ints:
    """Return the edges of the minutes that cover `span`, clipped to it, microseconds since 1970 UTC, ascending.

    Minutes are those of UTC; every zone in use today is whole minutes away from it, so they are local minutes too.
    """
    first, last = span.start_us // _MINUTE_US + 1, -(-span.end_us // _MINUTE_US)
    inner = np.arange(first, last, dtype=np.int64) * _MINUTE_US
    return np.concatenate([[span.start_us], inner, [span.end_us]])


def _first_moment(day: date, where: ZoneInfo) -> int:
    """Return the first moment of the local `day`, microseconds since 1970 UTC."""
    # Where the clock jumps over midnight, Python reads it by the clock before the jump, which is the moment of the jump
    # itself: every such jump since 1957 in the data base of 2026 (searched for this project) begins at midnight.
    return microseconds(datetime(day.year, day.month, day.day, tzinfo=where))


def _steady_offsets(span: Span, where: ZoneInfo) -> tuple[Ints, Ints]:
    """Return the edges, shape (stretches+1,), of the stretches of `span` with one offset from UTC, and the offsets.

    Both in microseconds. The clock is read every hour and each change found to the second: no zone has changed twice
    within an hour.
    """

    def offset_us(time_us: int) -> int:
        offset = moment(time_us).astimezone(where).utcoffset()
        return 0 if offset is None else offset // _MICROSECOND

    edges, offsets = [span.start_us], [offset_us(span.start_us)]
    before = span.start_us
    while before < span.end_us:
        after = min(before + _HOUR_US, span.end_us)
        if offset_us(after - 1) != offsets[-1]:
            # The change may fall on the very hour that this one begins with: the second before is the last known one.
            steady, changed = before // _SECOND_US - 1, -(-after // _SECOND_US)
            while changed - steady > 1:
                half = (steady + changed) // 2
                steady, changed = (half, changed) if offset_us(half * _SECOND_US) == offsets[-1] else (steady, half)
            edges.append(changed * _SECOND_US)
            offsets.append(offset_us(changed * _SECOND_US))
        before = after
    return np.array([*edges, span.end_us], dtype=np.int64), np.array(offsets, dtype=np.int64)


def _wall(text: str) -> datetime | date | None:
    """Return the date, or the date and time, of ISO 8601 text; None for anything else."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _by_day(text: str, zone_name: str, now: datetime) -> datetime | date | None:
    """Return what a word for a day, a time of day or both mean on the local calendar; None where nothing is said."""
    found = _BY_DAY.fullmatch(text)
    word, clock = found.groups() if found else (None, None)
    if word is None and clock is None:
        return None
    day = now.astimezone(zone(zone_name)).date() + timedelta(days=_DAYS[(word or "today").lower()])
    if clock is None:
        return day
    try:
        return datetime.combine(day, time.fromisoformat(clock.zfill(5 if clock.count(":") == 1 else 8)))
    except ValueError:
        return None


def _the_one(wall: datetime, zone_name: str, text: str, what: str) -> datetime:
    """Return the moment at which the clocks of a zone show `wall`. Raises SpanError unless there is just one."""
    readings = wall_readings(wall, zone_name)
    if len(readings) == 1:
        return aware(readings[0], what)
    shown = [reading.isoformat(timespec="minutes" if not reading.second else "seconds") for reading in readings]
    twice = all(reading.replace(tzinfo=None) == wall for reading in readings)
    raise SpanError(
        what,
        got=text,
        wanted=f"a time that the clocks of {zone_name} show once: this one comes twice, as they go back"
        if twice
        else f"a time that the clocks of {zone_name} show: they go forward over this one",
        try_next=f"{shown[0]} for the first or {shown[1]} for the second" if twice else f"{shown[0]} or {shown[1]}",
    )


def _no_time(text: str, what: str, has_zone: bool, try_next: str = "") -> SpanError:
    """Return the error for text that is no time, or none without a zone."""
    try_next = try_next or f"{what} {datetime.now(UTC):%Y-%m-%dT%H:00Z}"
    wanted = (
        "a time such as 2026-11-25T08:00Z, or local time such as 2026-11-25 08:00, today 08:00 or tomorrow"
        if has_zone
        else "a time with its offset from UTC, such as 2026-11-25T08:00:00Z or 2026-11-25T08:00+01:00"
    )
    return SpanError(what, got=text, wanted=wanted, try_next=try_next)
