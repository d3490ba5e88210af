"""When a call may begin: whole minutes, inside the hours of the day and the days of the week that people keep.

Hours are those of the clock on the wall. A call from 01:30 to 02:30 in the night when clocks change is as long as it
says and lies within 01:00 to 03:00 as that clock shows it, minute by minute.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from typing import Final

import numpy as np

from passim.arrays import Bools, Ints
from passim.errors import SpanError, WayOut
from passim.spans import DailyHours, Span, zone

MINUTE_US: Final = 60_000_000
DAY_MINUTES: Final = 1440
# People begin late and overrun: a call this far from the nearest freeze is as safe as one farther off (this project's
# own, no source).
ENOUGH_CLEAR_MIN: Final = 15


@dataclass(frozen=True, eq=False)
class Starts:
    """The minutes at which a call of some length may begin.

    allowed_us      shape (n,): those that the hours allow, microseconds since 1970 UTC, ascending
    free_us         shape (m,): those among them that meet no busy time
    """

    minutes: int
    allowed_us: Ints
    free_us: Ints


def starts(
    span: Span, minutes: int, hours: DailyHours, timezone: str, busy_us: Iterable[tuple[int, int]] = ()
) -> Starts:
    """Return the starts of calls of `minutes` that lie wholly within `span` and within `hours` as clocks there show.

    `busy_us` are times that are taken, [start, end) in microseconds since 1970 UTC. Raises SpanError for a call longer
    than the span or the hours, and where no start is allowed at all; SiteError for an unknown zone.
    """
    check_length(minutes, span)
    if minutes > hours.length_min < DAY_MINUTES:
        raise SpanError(
            "length of the call",
            got=f"{minutes} min",
            wanted=f"at most the {hours.length_min} min of the hours {hours.words}",
            try_next="a shorter call or more hours",
        )
    first, past = -(-span.start_us // MINUTE_US), span.end_us // MINUTE_US
    minute = np.arange(first, past, dtype=np.int64)
    is_open = np.zeros(minute.size, dtype=bool)
    for low, high in zip(*hours.within(span, timezone), strict=True):
        is_open[-(-low // MINUTE_US) - first : high // MINUTE_US - first] = True
    allowed = _runs(is_open, minutes)
    if not allowed.any():
        raise no_hours_in(span, hours, timezone, f"room for a call of {minutes} min", minutes)

    # A busy time takes every minute that it touches.
    free = np.ones(minute.size, dtype=bool)
    for start_us, end_us in busy_us:
        low, high = start_us // MINUTE_US - first, -(-end_us // MINUTE_US) - first
        free[max(low, 0) : max(high, 0)] = False
    return Starts(minutes, minute[allowed] * MINUTE_US, minute[allowed & _runs(free, minutes)] * MINUTE_US)


def call_hours_within(span: Span, hours: DailyHours, timezone: str) -> tuple[Ints, Ints]:
    """Return starts and ends of the call hours inside `span`, microseconds since 1970 UTC, each of shape (windows,).

    Sorted and apart. Raises SpanError where none lies in the span, SiteError for an unknown zone.
    """
    start_us, end_us = hours.within(span, timezone)
    if not start_us.size:
        raise no_hours_in(span, hours, timezone, "some of them inside the span")
    return start_us, end_us


def check_length(minutes: int, span: Span) -> None:
    """Raise SpanError unless a call of `minutes` fits into `span`."""
    if isinstance(minutes, bool) or not isinstance(minutes, (int, np.integer)) or minutes < 1:
        raise SpanError("length of the call", got=minutes, wanted="a whole number of minutes, 1 or more", try_next="30")
    if minutes * 60 > span.duration_s:
        raise SpanError(
            "length of the call",
            got=f"{minutes} min",
            wanted=f"at most the {span.duration_s / 60:g} min of the span",
            try_next="a shorter call or more days",
        )


def no_hours_in(span: Span, hours: DailyHours, timezone: str, wanted: str, minutes: int = 1) -> SpanError:
    """Return the error for a span that holds none of `hours`: local times, and the next start that does."""
    where = zone(timezone)
    first, last = span.start.astimezone(where), span.end.astimezone(where)
    too_long = minutes > hours.length_min < DAY_MINUTES
    opens = None if too_long else _next_opening(span, hours, where)
    if too_long:
        try_next = "a shorter call or more hours"
    else:
        try_next = "" if opens is not None else "more days, other hours or other weekdays"
    reason = "" if first.weekday() in hours.weekdays else f": {first.day} {first:%b} is a {first:%A}"
    return SpanError(
        f"hours for calls ({hours.words})",
        got=f"none in {_stamp(first)} to {_stamp(last)}{reason}",
        wanted=wanted,
        try_next=try_next,
        way_out=None if opens is None else WayOut.LATER_START,
        start=opens,
    )


def _next_opening(span: Span, hours: DailyHours, where: tzinfo) -> datetime | None:
    """Return when the hours next open by the local clock, within two weeks; None where they do not."""
    first = span.start.astimezone(where)
    for days in range(15):
        day = first.date() + timedelta(days=days)
        opens = datetime.combine(day, time(), tzinfo=where) + timedelta(minutes=hours.from_minute)
        if day.weekday() in hours.weekdays and opens > first:
            return opens
    return None


def _stamp(moment: datetime) -> str:
    return f"{moment:%a} {moment.day} {moment:%b} {moment:%H:%M}"


def spread(ranked_us: Ints, tier: Ints, day: Ints, minutes: int, most: int, clear_us: Ints | None = None) -> list[int]:
    """Return the places of up to `most` of `ranked_us`, best first, of which none overlaps another.

    `tier` says which of them are equally good, in the order of `ranked_us`, `day` on which day each lies, and
    `clear_us` how far it keeps from anything that could spoil it; shape of all (n,). A better start always comes first;
    among equals that on the day with the fewest so far; then the one with more whole minutes clear, of which
    ``ENOUGH_CLEAR_MIN`` are enough; then one at a quarter of an hour; then the first.
    """
    chosen: list[int] = []
    length_us = minutes * MINUTE_US
    left = np.ones(ranked_us.size, dtype=bool)
    _, day = np.unique(day, return_inverse=True)
    on_day = np.zeros(ranked_us.size, dtype=np.int64)
    clear = np.zeros_like(ranked_us) if clear_us is None else np.minimum(clear_us // MINUTE_US, ENOUGH_CLEAR_MIN)
    # Every zone in use today is a whole number of quarters away from UTC.
    odd = ranked_us // MINUTE_US % 15 != 0
    while left.any() and len(chosen) < most:
        equals = np.flatnonzero(left & (tier == tier[int(left.argmax())]))
        place = int(equals[np.lexsort((odd[equals], -clear[equals], on_day[day[equals]]))[0]])
        chosen.append(place)
        on_day[day[place]] += 1
        left &= np.abs(ranked_us - ranked_us[place]) >= length_us
    return chosen


def _runs(good: Bools, length: int) -> Bools:
    """Return at which places `length` good ones in a row begin."""
    so_far = np.append(0, np.cumsum(good))
    begins = np.zeros(good.size, dtype=bool)
    whole = good.size - length + 1
    if whole > 0:
        begins[:whole] = so_far[length:] - so_far[:whole] == length
    return begins
