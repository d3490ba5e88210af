"""Times and hours as people type them behind an option; `passim.spans` reads them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from passim.spans import DailyHours


def aware_time(
    text: str, option: str, zone: Callable[[], str | None] | None = None, now: datetime | None = None
) -> datetime:
    """Return the UTC moment that `text` names, as `passim.spans.parse_moment` reads it. Raises SpanError."""
    from passim.spans import parse_moment  # takes a while to load

    return parse_moment(text, option, zone, now)


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
