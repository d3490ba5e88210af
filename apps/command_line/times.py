"""Times as people type them: ISO 8601 with an offset, or the clock on the wall of the site asked about.

2026-11-25T08:00Z  2026-11-25T08:00+01:00      a moment anywhere
2026-11-25 08:00   2026-11-25                  local time of the site's zone; a day is its first moment
08:00   today   today 08:00   tomorrow 08:00   the same, by the local day of now
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from passim.errors import SpanError
    from passim.spans import DailyHours

_DAYS = {"yesterday": -1, "today": 0, "tomorrow": 1}
_BY_DAY = re.compile(r"(?:(yesterday|today|tomorrow)\b)?[\sT]*(\d{1,2}:\d\d(?::\d\d)?)?", re.IGNORECASE)
_WANTED = "a time such as 2026-11-25T08:00Z, or local time such as 2026-11-25 08:00, today 08:00 or tomorrow"
_WANTED_OFFSET = "a time with its offset from UTC, such as 2026-11-25T08:00:00Z or 2026-11-25T08:00+01:00"


def aware_time(
    text: str, option: str, zone: Callable[[], str | None] | None = None, now: datetime | None = None
) -> datetime:
    """Return the UTC moment that `text` names.

    Text without an offset is local time of `zone`, which is asked for only then; without a zone it is refused. `now` is
    what "today" goes by; default the clock. Raises SpanError, whose one line shows both readings of a time that the
    clocks of the zone show twice or skip.
    """
    from passim.spans import aware, day_start

    wall = _wall(text.strip())
    if isinstance(wall, datetime) and wall.tzinfo is not None:
        return aware(wall, option)
    if wall is None and _BY_DAY.fullmatch(text.strip()) is None:
        raise _no_time(text, option, zone is not None)
    name = zone() if zone is not None else None
    if name is None:
        raise _no_time(text, option, False, "adding Z for UTC or the offset" if wall is not None else "")
    if wall is None:
        wall = _by_day(text.strip(), name, now or datetime.now(UTC))
    if wall is None:
        raise _no_time(text, option, True)
    # Years in which nothing was in orbit are refused before calendars end.
    aware(datetime(wall.year, wall.month, wall.day, 12, tzinfo=UTC), option)
    if not isinstance(wall, datetime):
        return aware(day_start(wall, name), option)
    return _the_one(wall, name, text, option)


def hours_of_day(text: str | None, option: str, *, try_next: str = "22:00-04:00") -> DailyHours | None:
    """Return the hours of "22:00-04:00" or "8-18", which may go over midnight; None for None. Raises InputError."""
    from passim.errors import SpanError
    from passim.spans import DailyHours

    if text is None:
        return None
    if "," in text:
        wanted = "two times of the day, HH:MM-HH:MM"
        raise SpanError(option, got=text, wanted=wanted, try_next=f"{option} {try_next}")
    return DailyHours.parse(text, option, f"{option} {try_next}")


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
    from passim.spans import zone

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


def _the_one(wall: datetime, zone_name: str, text: str, option: str) -> datetime:
    """Return the moment at which the clocks of a zone show `wall`. Raises SpanError unless there is just one."""
    from passim.errors import SpanError
    from passim.spans import aware, wall_readings

    readings = wall_readings(wall, zone_name)
    if len(readings) == 1:
        return aware(readings[0], option)
    shown = [reading.isoformat(timespec="minutes" if not reading.second else "seconds") for reading in readings]
    twice = all(reading.replace(tzinfo=None) == wall for reading in readings)
    clocks = f"the clocks of {zone_name}"
    raise SpanError(
        option,
        got=text,
        wanted=f"a time that {clocks} show once: this one comes twice, as they go back"
        if twice
        else f"a time that {clocks} show: they go forward over this one",
        try_next=f"{shown[0]} for the first or {shown[1]} for the second" if twice else f"{shown[0]} or {shown[1]}",
    )


def _no_time(text: str, option: str, has_zone: bool, try_next: str = "") -> SpanError:
    """Return the error for text that is no time, or none without a zone."""
    from passim.errors import SpanError

    try_next = try_next or f"{option} {datetime.now(UTC):%Y-%m-%dT%H:00Z}"
    return SpanError(option, got=text, wanted=_WANTED if has_zone else _WANTED_OFFSET, try_next=try_next)
