"""Durations, shares, counts and local times as people read them."""

from __future__ import annotations

import itertools
import re
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from passim.arrays import Ints
    from passim.spans import Span

# What old elements are still good for.
TOTALS_ONLY: Final = "totals are reliable, exact times are not"


# What the height of a place is, said alike wherever one is asked for. The geoid's range is that of EGM2008 (recalled);
# 50 m move rises and sets over 45 N by 0.015 s (median) and at most 0.05 s in passes over a minute: tests/test_site.py.
HEIGHT_ABOVE_ELLIPSOID = "height above the ellipsoid"
HOW_TO_GET_A_HEIGHT = (
    "the height above sea level that a map gives plus the height of the geoid there, -105 to +85 m; 50 m either way "
    "move an edge by about 0.02 s"
)


def duration(seconds: float) -> str:
    """Return a length of time in words: "19 s", "1 min 12 s", "3 h 5 min", "2 d 4 h"."""
    if 0.0 < seconds < 0.05:
        return "under 0.1 s"
    if 0.0 < seconds < 9.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s" if whole % 60 else f"{whole // 60} min"
    minutes = round(seconds / 60)
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    hours = round(seconds / 3600)
    return f"{hours // 24:,} d {hours % 24} h" if hours % 24 else f"{hours // 24:,} d"


def difference(seconds: float) -> str:
    """Return how much longer or shorter one length is than another: "+36 min", "−1 h 59 min", "the same"."""
    if seconds == 0.0:
        return "the same"
    return ("\N{MINUS SIGN}" if seconds < 0.0 else "+") + duration(abs(seconds))


def signed(number: float, decimals: int, unit: str) -> str:
    """Return a change with its sign: "+1.20 km", "−0.150°"."""
    return f"{'−' if number < 0.0 else '+'}{abs(number):,.{decimals}f}{unit}"


def age(length: timedelta) -> str:
    """Return how old something is, or how far ahead of the moment asked about: "17 h old", "2.5 days ahead"."""
    from passim.forecast import timing

    seconds = length.total_seconds()
    return f"{timing.age_words(seconds)} {'old' if seconds >= 0 else 'ahead'}"


def ages(least: timedelta, most: timedelta) -> str:
    """Return a range of ages, or the one age where both read the same: "3 h to 9 days old"."""
    youngest, oldest = age(least), age(most)
    if youngest == oldest:
        return oldest
    # What is old at the least is old at the most, so that one word serves both.
    return f"{duration(least.total_seconds()) if least >= timedelta(0) else youngest} to {oldest}"


def share(fraction: float) -> str:
    """Return a share of one in per cent: "93.3 %"; never rounded up to all or down to nothing."""
    percent = 100.0 * fraction
    if 0.0 < percent < 0.05:
        return "under 0.1 %"
    if 99.95 <= percent < 100.0:
        return "over 99.9 %"
    return f"{percent:.1f} %" if 0.0 < percent < 100.0 else f"{percent:,.0f} %"


def counted(number: int, one: str, many: str = "") -> str:
    """Return a number with its noun: "1 gap", "69 gaps", "no gap"."""
    if number == 0:
        return f"no {one}"
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def capital(text: str) -> str:
    """Return words as they begin a sentence."""
    return f"{text[:1].upper()}{text[1:]}"


def lowered(text: str) -> str:
    """Return a sentence as it goes on after a few words."""
    return f"{text[:1].lower()}{text[1:]}"


def listed(names: Sequence[str], first: int = 3, between: str = ", ") -> str:
    """Return the first few names and how many more there are: "a, b, c and 4 more"."""
    shown = between.join(names[:first])
    return f"{shown} and {len(names) - first:,} more" if len(names) > first else shown


def in_a_row(names: Sequence[str]) -> str:
    """Return names in a row: "Skerry", "Skerry and Lantern", "Marram, Skerry and Lantern"."""
    return " and ".join([*filter(None, [", ".join(names[:-1])]), names[-1]])


def instant(moment: datetime) -> str:
    """Return an aware time as ISO 8601 in UTC with milliseconds and Z, for files."""
    rounded = moment.astimezone(UTC) + timedelta(microseconds=500)
    return rounded.strftime("%Y-%m-%dT%H:%M:%S.") + f"{rounded.microsecond // 1000:03d}Z"


def cut_ends(row: Any) -> str:
    """Return which end of a pass or a gap the span cuts: "", "start", "end" or "start and end"."""
    return " and ".join(end for end, is_cut in (("start", row.cut_at_start), ("end", row.cut_at_end)) if is_cut)


def unbroken(text: str) -> str:
    """Return text whose numbers stay on one line with their units, and lengths of two units with themselves."""
    text = re.sub(r"(?<=\d) (?=(?:%|s|min|h|d|km|MB)\b|%)", "\N{NO-BREAK SPACE}", text)
    return re.sub(r"(?<=\d\xa0)(min|h|d) (?=\d+\xa0(?:s|min|h)\b)", "\\1\N{NO-BREAK SPACE}", text)


def wrapped(text: str, most: int, indent: str = "", then: str | None = None) -> list[str]:
    """Return text as lines of at most `most` characters, numbers with their units and long words left whole.

    The first line is set in by `indent`, the others by `then`, or the same.
    """
    lines = textwrap.wrap(
        unbroken(text),
        max(most, 20),
        initial_indent=indent,
        subsequent_indent=indent if then is None else then,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def printable(text: str) -> str:
    """Return `text` without control characters, so that a name from a file cannot write on the terminal."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


class LocalClock:
    """Writes times as the clocks at a site show them.

    Where the clocks change inside `span`, every time carries its offset, so that the doubled hour stays readable.
    Raises SiteError for an unknown time zone.
    """

    def __init__(self, timezone: str, span: Span) -> None:
        from passim.spans import zone

        self.name, self._zone = timezone, zone(timezone)
        # The clocks may change more than once in a span: look once a day.
        looks = [span.start + timedelta(days=day) for day in range(int(span.duration_s // 86400) + 1)] + [span.end]
        offsets = [self._offset(moment) for moment in looks]
        changes = [b for a, b in itertools.pairwise(offsets) if b != a]
        # Whether the clocks change in the span.
        self.changes = bool(changes)
        self._one_offset, self.offset = not changes, offsets[0]
        offset = span.start.astimezone(self._zone).utcoffset() or timedelta()
        self._offset_s = round(offset.total_seconds())
        self._one_day = span.start.astimezone(self._zone).date() == span.end.astimezone(self._zone).date()
        self.description = timezone if timezone == "UTC" else f"{timezone}, UTC{offsets[0]}"
        self.description += "".join(f", later UTC{offset}" for offset in changes)

    def time(self, moment: Any) -> str:
        """Return the time of day of an aware datetime: "08:42:10"."""
        local: datetime = _whole_second(moment).astimezone(self._zone)
        return local.strftime("%H:%M:%S") + ("" if self._one_offset else self._offset(moment))

    def minute(self, moment: Any) -> str:
        """Return the time of day of an aware datetime to the minute: "08:42"; with its offset where clocks change."""
        time = self.time(moment)
        return time[:5] + time[8:]

    def times(self, moments_us: Ints) -> list[str]:
        """Return the times of day of many moments, microseconds since 1970 UTC, each as `time` has it."""
        if not self._one_offset:
            return [self.time(moment) for moment in self._many(moments_us)]
        second = self._local_s(moments_us) % 86_400
        return [f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in second.tolist()]

    def whens(self, moments_us: Ints) -> list[str]:
        """Return many moments, microseconds since 1970 UTC, each as `when` has it."""
        if self._one_day or not self._one_offset:
            return [self.when(moment) for moment in self._many(moments_us)]
        import numpy as np

        day, nth = np.unique(self._local_s(moments_us) // 86_400, return_inverse=True)
        # Noon of each day, by the one offset there is.
        noons = [datetime.fromtimestamp(d * 86_400 + 43_200 - self._offset_s, UTC) for d in day.tolist()]
        days = [self.day(noon) for noon in noons]
        return [f"{time} on {days[k]}" for time, k in zip(self.times(moments_us), nth.tolist(), strict=True)]

    def _many(self, moments_us: Ints) -> list[datetime]:
        return [
            datetime.fromtimestamp(us // 1_000_000, UTC) + timedelta(microseconds=us % 1_000_000)
            for us in moments_us.tolist()
        ]

    def _local_s(self, moments_us: Ints) -> Ints:
        """Return whole seconds of the local clock since its 1970; for where there is one offset."""
        return (moments_us + 500_000) // 1_000_000 + self._offset_s

    def day(self, moment: Any) -> str:
        """Return the local date of an aware datetime: "Wed 25 Nov"."""
        local = _whole_second(moment).astimezone(self._zone)
        return f"{local:%a} {local.day} {local:%b}"

    def weekday(self, moment: Any) -> str:
        """Return the local day of the week of an aware datetime: "Wed"."""
        return f"{_whole_second(moment).astimezone(self._zone):%a}"

    def when(self, moment: Any) -> str:
        """Return the time of day, with the date where the span holds more than one."""
        return self.time(moment) if self._one_day else f"{self.time(moment)} on {self.day(moment)}"

    def days(self, span: Span) -> str:
        """Return the local days that a span meets: "Sun 1 Mar", "Sun 1 to Wed 4 Mar", "Mon 30 Mar to Thu 2 Apr"."""
        first = span.start.astimezone(self._zone).date()
        last = (span.end - timedelta(microseconds=1)).astimezone(self._zone).date()
        end = f"{last:%a} {last.day} {last:%b}"
        if first == last:
            return end
        start = f"{first:%a} {first.day}" + (
            "" if (first.year, first.month) == (last.year, last.month) else f" {first:%b}"
        )
        return f"{start} to {end}"

    def stretch(self, span: Span) -> str:
        """Return a span by the local clock: "Tue 24 Nov 23:00 to Wed 25 Nov 01:00"; the date once within one day."""
        start, end = (f"{self.day(moment)} {self.time(moment)[:5]}" for moment in (span.start, span.end))
        return f"{start} to {self.time(span.end)[:5] if self._one_day else end}"

    def heading(self, word: str) -> str:
        """Return the heading of a column of times, with the offset where the span has one: "Start (UTC-01:00)"."""
        return f"{word} (UTC{self.offset})" if self._one_offset else word

    def _offset(self, moment: Any) -> str:
        text = moment.astimezone(self._zone).strftime("%z")
        # An offset of whole minutes is +HHMM; very old local times also carry seconds.
        return f"{text[:3]}:{text[3:5]}" + (f":{text[5:7]}" if len(text) > 5 else "")


def _whole_second(moment: Any) -> Any:
    """Return `moment` rounded to the whole second."""
    return (moment + timedelta(microseconds=500_000)).replace(microsecond=0)
