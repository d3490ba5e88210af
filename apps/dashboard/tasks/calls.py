"""What worker processes run for the Calls page, and the server itself where it is quick: calendars, plans, checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from passim import DailyHours, Span
from passim.answers.calls import (
    calendar_in as calendar,
    check as call_check,
    forecast as call_forecast,
    kinds as call_kinds,
    plan as call_answers,
)
from passim.coverage import visibility
from passim.errors import InputError
from passim.forecast import Calibration, timing

from ...text.calendar import calendar_notes, left_out_of_calendar
from .passes import Progress

MOST_SUGGESTIONS: Final = 5
# Nobody keeps more appointments than this in two weeks; a rule that repeats without end would.
MOST_APPOINTMENTS: Final = 2_000
# A call takes about a fifth of a second to check over three days, and eight times as long over two weeks all day.
MOST_CHECKED: Final = 60
_CHECKED_AT_ONCE: Final = 5


@dataclass(frozen=True, eq=False)
class Appointments:
    """The appointments of one calendar that meet some days, and what its reader left out, in sentences and in short."""

    events: tuple[calendar.Event, ...]
    notes: tuple[str, ...]
    left_out: tuple[str, ...]

    def from_now_on(self, span: Span) -> tuple[calendar.Event, ...]:
        """Return those that `span` meets as well; it ends where the days do and may begin later."""
        return tuple(e for e in self.events if e.end > span.start or e.start >= span.start)


def read_appointments(
    data: bytes, name: str, days: Span, timezone: str, suggested: bool, progress: Progress | None = None
) -> Appointments:
    """Read a calendar file that was handed in, as `passim.answers.calls.calendar_in` does. Raises InputError."""
    found = calendar.parse_calendar(data, days, timezone, name, suggested=suggested)
    if len(found.events) > MOST_APPOINTMENTS:
        raise InputError(
            f"calendar file {name}",
            got=f"{len(found.events):,} appointments on these days",
            wanted=f"at most {MOST_APPOINTMENTS:,}",
            try_next="fewer days",
        )
    return Appointments(found.events, tuple(calendar_notes(found)), tuple(left_out_of_calendar(found)))


def plan(
    seen: visibility.Visibility,
    span: Span,
    kind: call_kinds.CallKind,
    minutes: int,
    hours: DailyHours,
    timezone: str,
    busy: Sequence[calendar.Event],
    model: timing.TimingModel,
    calibration: Calibration | None,
    progress: Progress | None = None,
) -> call_answers.CallPlan:
    """Rank the starts of calls in `span`, which lies in what was `seen`, but for those `busy`. Raises InputError."""
    return call_answers.plan_of(
        call_forecast.ServiceForecast.of(seen, span, model, allow_stale=True, calibration=calibration),
        kind,
        minutes=minutes,
        hours=hours,
        timezone=timezone,
        busy_us=calendar.busy_us(busy),
        most=MOST_SUGGESTIONS,
    )


def check(
    seen: visibility.Visibility,
    span: Span,
    kind: call_kinds.CallKind,
    events: Sequence[calendar.Event],
    hours: DailyHours,
    timezone: str,
    busy: Sequence[calendar.Event],
    other_sites: Sequence[str],
    model: timing.TimingModel,
    calibration: Calibration | None,
    progress: Progress | None = None,
) -> call_check.CallCheck:
    """Check the calls of a calendar, as `passim.answers.calls.check` does. Raises InputError."""
    forecast = call_forecast.ServiceForecast.of(seen, span, model, allow_stale=True, calibration=calibration)
    checked: list[call_check.CheckedCall] = []
    left_out: list[tuple[calendar.Event, call_check.NoCall]] = []
    # A few at a time tell how far it is; each few keep clear of all others.
    ordered = sorted(events, key=lambda e: (e.start, e.end, e.uid))
    for first in range(0, len(ordered), _CHECKED_AT_ONCE):
        past = first + _CHECKED_AT_ONCE
        others = [*ordered[:first], *ordered[past:], *busy]
        found = call_check.check_calls(
            forecast,
            kind,
            ordered[first:past],
            hours=hours,
            timezone=timezone,
            busy=others,
            other_sites=other_sites,
        )
        checked += found.calls
        left_out += found.left_out
        if progress is not None:
            progress(min(past, len(ordered)) / len(ordered))
    return call_check.CallCheck(kind, tuple(checked), tuple(left_out))
