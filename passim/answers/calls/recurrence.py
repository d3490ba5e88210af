"""Rules of repetition (RRULE of RFC 5545, 3.3.10): what they may say, and when they let something begin.

dateutil expands them. Two things are settled before it is asked: a rule that the standard does not allow, of which
dateutil makes nothing without a word, and how long it may look, because it looks for a day that never comes (30
February) up to the year 9999.
"""

from __future__ import annotations

import re
from calendar import isleap
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import islice, takewhile
from typing import Any, Final

from dateutil.rrule import rrulestr  # type: ignore[import-untyped]

# Rules that may let something begin more than once a day by themselves.
WITHIN_A_DAY: Final = ("HOURLY", "MINUTELY", "SECONDLY")
FREQUENCIES: Final = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY", *WITHIN_A_DAY)
# A rule that yields more than this within a span repeats every few minutes: no calendar of people.
MOST_REPEATS: Final = 5_000
# So many steps of a rule take dateutil a fraction of a second.
_MOST_STEPS: Final = 50_000

# The numbers of each part (RFC 5545, 3.3.10): the largest, whether 0 is one of them, and whether a minus sign may count
# from the end.
_NUMBERS: Final = {
    "INTERVAL": (10_000, False, False),
    "COUNT": (10**9 - 1, False, False),
    "BYSECOND": (60, True, False),
    "BYMINUTE": (59, True, False),
    "BYHOUR": (23, True, False),
    "BYMONTHDAY": (31, False, True),
    "BYYEARDAY": (366, False, True),
    "BYWEEKNO": (53, False, True),
    "BYMONTH": (12, False, False),
    "BYSETPOS": (366, False, True),
}
_PERIODS: Final = {
    "SECONDLY": timedelta(seconds=1),
    "MINUTELY": timedelta(minutes=1),
    "HOURLY": timedelta(hours=1),
    "DAILY": timedelta(days=1),
    "WEEKLY": timedelta(days=7),
}
_ONE_NUMBER: Final = re.compile(r"[+-]?\d{1,9}", re.ASCII)
_ONE_DAY: Final = re.compile(r"(?:[+-]?(?:[1-9]|[1-4]\d|5[0-3]))?(?:MO|TU|WE|TH|FR|SA|SU)", re.ASCII)
_UNTIL: Final = re.compile(r"\d{8}(?:T\d{6}Z?)?", re.ASCII)
# A series that begins earlier counts its repetitions through centuries.
_EARLIEST_YEAR: Final = 1800


def parts_of(rule: str) -> dict[str, str]:
    """Return the parts of a rule by their names."""
    pairs = (part.partition("=") for part in rule.split(";") if part)
    return {name: value for name, _, value in pairs}


@dataclass(frozen=True, slots=True)
class RuleFault:
    """Why a rule cannot be followed: the part that is wrong, and what would be right; both empty where it only repeats
    more than `MOST_REPEATS` times in the time looked at."""

    part: str = ""
    wanted: str = ""


def fault(rule: str, begins: datetime) -> RuleFault | None:
    """Return what RFC 5545 does not allow in `rule`, or None for a rule that can be followed."""
    for name, value in parts_of(rule).items():
        if name in _NUMBERS:
            largest, zero, negative = _NUMBERS[name]
            for text in value.split(","):
                number = int(text) if _ONE_NUMBER.fullmatch(text) else None
                low = -largest if negative else 0
                if number is None or not low <= number <= largest or (number == 0 and not zero):
                    range_words = f"{0 if zero else 1} to {largest}" + (" or as many from the end" if negative else "")
                    return RuleFault(f"{name}={text}", range_words)
        elif name == "BYDAY":
            wrong = next((text for text in value.split(",") if not _ONE_DAY.fullmatch(text)), None)
            if wrong is not None:
                return RuleFault(f"BYDAY={wrong}", "a day such as MO or -1FR")
        elif name == "UNTIL":
            if not _is_until(value):
                return RuleFault(f"UNTIL={value}", "a time that exists")
        elif name == "WKST":
            if not (value and _ONE_DAY.fullmatch(value) and value.isalpha()):
                return RuleFault(f"WKST={value}", "a day such as MO")
        elif name != "FREQ":
            return RuleFault(name, "a part that RFC 5545 has")
    if begins.year < _EARLIEST_YEAR:
        return RuleFault(f"a start in {begins.year}", f"{_EARLIEST_YEAR} or later")
    return None


def repeated(rule: str, begins: datetime, where: Any, first: datetime, last: datetime) -> list[datetime] | None:
    """Return when a sound rule lets what begins at `begins` begin again, from `first` to `last`.

    None for one that repeats more than `MOST_REPEATS` times, or steps through so many moments that finding out takes
    long. All times are naive, by the clock of `where`. Raises ValueError for what dateutil does not take after all.
    """
    first = max(first, begins)
    parts = parts_of(rule)
    until = parts.pop("UNTIL", None)
    if until is not None:
        last = min(last, _until(until, where))
    if last < first:
        return []
    period = _PERIODS.get(parts["FREQ"])
    if period is not None and "COUNT" not in parts:
        # Whole periods change nothing of days and weeks, so those before `first` need not be counted. One is left,
        # because BYSETPOS counts within whole ones.
        period *= int(parts.get("INTERVAL", "1"))
        begins += max(0, (first - begins) // period - 1) * period
    elif period is not None:
        period *= int(parts.get("INTERVAL", "1"))
    if parts["FREQ"] in WITHIN_A_DAY and period is not None and (last - begins) // period > _MOST_STEPS:
        return None
    # The same weekdays and leap days come again in late years, from where dateutil's end is near.
    years = _years_on(begins.year, last.year)
    ends = _moved(last, years)
    text = ";".join(f"{name}={value}" for name, value in parts.items())
    if "COUNT" not in parts:
        text += f";UNTIL={ends:%Y%m%dT%H%M%S}"
    found = rrulestr(f"RRULE:{text}", dtstart=_moved(begins, years)).xafter(_moved(first, years), inc=True)
    inside = takewhile(lambda moment: moment <= ends, found)
    every = list(islice(inside, MOST_REPEATS + 1))
    return None if len(every) > MOST_REPEATS else [_moved(moment, -years) for moment in every]


def ends_at(rule: str, where: Any) -> datetime | None:
    """Return by the clock of `where` when a rule ends that says so, None for any other."""
    text = parts_of(rule).get("UNTIL", "")
    return _until(text, where) if _is_until(text) else None


def every_day(begins: datetime, first: datetime, last: datetime) -> list[datetime]:
    """Return the hour of `begins` on every day from `first` to `last`: all that is left where a rule says nothing."""
    start = datetime.combine(max(first, begins).date(), begins.time())
    days = range(min((last - start).days + 1, MOST_REPEATS + 1))
    return [start + timedelta(days=day) for day in days]


def _is_until(text: str) -> bool:
    try:
        _until(text, UTC)
    except (ValueError, OverflowError):
        return False
    return _UNTIL.fullmatch(text) is not None


def _until(text: str, where: Any) -> datetime:
    """Return UNTIL by the clock of `where`; a date means all of its day."""
    if len(text) == 8:
        return datetime.combine(datetime.strptime(text, "%Y%m%d").date(), time(23, 59, 59))
    ends = datetime.strptime(text.rstrip("Z"), "%Y%m%dT%H%M%S")
    if not text.endswith("Z"):
        return ends
    return ends.replace(tzinfo=UTC).astimezone(where).replace(tzinfo=None)


@lru_cache(maxsize=1)
def _kinds() -> str:
    """Return one character for each year from 1 to 9999: its first weekday, and whether it has 29 February."""
    return "".join(chr(ord("a") + 2 * date(year, 1, 1).weekday() + isleap(year)) for year in range(1, 10_000))


@lru_cache(maxsize=1024)
def _years_on(first: int, last: int) -> int:
    """Return how many years later the calendar is the same from the year before `first` to the year after `last`."""
    kinds = _kinds()
    at = max(first - 2, 0)
    return max(kinds.rfind(kinds[at : last + 1]) - at, 0)


def _moved(moment: datetime, years: int) -> datetime:
    return moment.replace(year=moment.year + years)
