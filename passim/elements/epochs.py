"""Epochs of element sets: ISO 8601 text as in CCSDS messages, and the YYDDD.dddddddd of two-line sets.

All arithmetic is on whole numbers, so a moment that the text states exactly comes out exactly. A datetime holds
microseconds: text with more than six decimals is rounded to the nearest one (half to even), which moves a satellite
at 7.6 km/s by less than 4 mm. Nothing else is ever rounded.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from passim.errors import ElementsError

# Two-digit years from 57 on are 1957 to 1999, below it 2000 to 2056: the first satellite flew in 1957 (the
# convention of two-line sets).
FIRST_YEAR, LAST_TWO_LINE_YEAR, LAST_YEAR = 1957, 2056, 2099

# The eighth decimal of a day is exactly 864 microseconds, so every two-line epoch is a whole number of them.
TWO_LINE_STEP_US = 864

_ISO = re.compile(
    r"(\d{4})-(?:(\d{2})-(\d{2})|(\d{3}))"  # calendar date, or day of the year
    r"[T ](\d{2}):(\d{2}):(\d{2})(?:\.(\d{1,30}))?"  # time of day
    r"(Z|[+-]\d{2}(?::?\d{2})?)?",  # an offset from UTC
    re.ASCII,
)
_TWO_LINE = re.compile(r"(\d{2})(  \d| \d\d|\d{3})\.(\d{8})", re.ASCII)
_ISO_WANTED = "UTC such as 2026-03-01T06:00:00.000000 or 2026-060T06:00:00Z"


def parse_iso_epoch(text: str) -> datetime:
    """Return the aware UTC moment of an ISO epoch, to the microsecond.

    Calendar (``2026-03-01``) or day-of-year (``2026-060``) dates, with or without a fraction, with or without ``Z``
    or a zero offset; always UTC, as CCSDS 502.0-B-3 and the public feeds have it. Raises ElementsError for anything
    else, for another offset, for a leap second (passim counts time without them, so it cannot hold 23:59:60), and
    for years outside 1957 to 2099.
    """
    match = _ISO.fullmatch(text)
    if match is None:
        raise ElementsError("EPOCH", got=text, wanted=_ISO_WANTED)
    year, month, day, day_of_year, hour, minute, second, fraction, offset = match.groups()
    if offset not in (None, "Z") and offset.lstrip("+-").replace(":", "").strip("0"):
        raise ElementsError("EPOCH", got=text, wanted="UTC, without another offset", try_next="giving it in UTC")
    if second == "60":
        raise ElementsError("EPOCH", got=text, wanted="a time outside a leap second", try_next="another set")
    try:
        if day_of_year is None:
            date = datetime(int(year), int(month), int(day), int(hour), int(minute), int(second), tzinfo=UTC)
        else:
            date = datetime(int(year), 1, 1, int(hour), int(minute), int(second), tzinfo=UTC)
            date += timedelta(days=_day_index(int(year), int(day_of_year)))
    except (ValueError, OverflowError):
        raise ElementsError("EPOCH", got=text, wanted="a date and time that exist") from None
    # The fraction is added as whole microseconds; a carry past 999999 rolls over into the second.
    if not FIRST_YEAR <= date.year <= LAST_YEAR:
        raise ElementsError("EPOCH", got=text, wanted=f"a year from {FIRST_YEAR} to {LAST_YEAR}")
    return date + timedelta(microseconds=_microseconds_of(fraction)) if fraction else date


def format_iso_epoch(epoch: datetime) -> str:
    """Return an aware moment as ``2026-03-01T06:00:00.000000``: UTC, six decimals, no suffix (CCSDS 502.0-B-3)."""
    return epoch.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds")


def parse_two_line_epoch(text: str) -> datetime:
    """Return the aware UTC moment of the fourteen characters ``YYDDD.dddddddd`` of a two-line set, exactly.

    Raises ElementsError when the form is wrong or the year has no such day (366 in a common year, or 0).
    """
    match = _TWO_LINE.fullmatch(text)
    if match is None:
        raise ElementsError("epoch", got=text, wanted="YYDDD.dddddddd such as 26060.25000000")
    short_year, day_of_year, decimals = int(match[1]), int(match[2]), int(match[3])
    year = short_year + (1900 if short_year >= FIRST_YEAR % 100 else 2000)
    try:
        days = _day_index(year, day_of_year)
    except ValueError:
        last = 366 if _is_leap(year) else 365
        raise ElementsError("epoch", got=text, wanted=f"a day from 1 to {last}, as {year} has") from None
    return datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=days, microseconds=decimals * TWO_LINE_STEP_US)


def format_two_line_epoch(epoch: datetime) -> str:
    """Return an aware moment as ``YYDDD.dddddddd``.

    Raises ElementsError when it is no whole multiple of 864 microseconds within its day (the eighth decimal of a
    day), or outside 1957 to 2056.
    """
    epoch = epoch.astimezone(UTC)
    if not FIRST_YEAR <= epoch.year <= LAST_TWO_LINE_YEAR:
        wanted = f"a year from {FIRST_YEAR} to {LAST_TWO_LINE_YEAR}"
        raise ElementsError("epoch", got=format_iso_epoch(epoch), wanted=wanted)
    decimals, rest = divmod(_microseconds_of_day(epoch), TWO_LINE_STEP_US)
    if rest:
        raise ElementsError("epoch", got=format_iso_epoch(epoch), wanted="whole steps of 0.000864 s (1e-8 day)")
    return f"{epoch.year % 100:02d}{epoch.timetuple().tm_yday:03d}.{decimals:08d}"


def rounded_to_two_line_epoch(epoch: datetime) -> datetime:
    """Return the moment nearest `epoch` that a two-line set can carry: at most 0.000432 s away."""
    rest = _microseconds_of_day(epoch.astimezone(UTC)) % TWO_LINE_STEP_US
    step = TWO_LINE_STEP_US if rest > TWO_LINE_STEP_US // 2 else 0
    return epoch + timedelta(microseconds=step - rest)


def _microseconds_of(fraction: str) -> int:
    """Return decimals of a second as microseconds, rounded half to even past the sixth."""
    if len(fraction) <= 6:
        return int(fraction.ljust(6, "0"))
    whole, rest, half = int(fraction[:6]), int(fraction[6:]), 5 * 10 ** (len(fraction) - 7)
    return whole + (rest > half or (rest == half and whole % 2 == 1))


def _microseconds_of_day(epoch: datetime) -> int:
    return ((epoch.hour * 60 + epoch.minute) * 60 + epoch.second) * 1_000_000 + epoch.microsecond


def _day_index(year: int, day_of_year: int) -> int:
    """Return days since 1 January. Raises ValueError when the year has no such day."""
    if not 1 <= day_of_year <= (366 if _is_leap(year) else 365):
        raise ValueError(day_of_year)
    return day_of_year - 1


def _is_leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
