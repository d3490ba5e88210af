"""What calls and now are asked: the kind of call, the hours and days for calls, and the forecast behind the answers."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import click

from ..text.answer import span_facts
from ..text.calls import kind_words
from ..text.notes import Note
from ..text.units import LocalClock
from .parsing import FleetChoice, SiteChoice
from .times import hours_of_day
from .usage import WHOLE

if TYPE_CHECKING:
    from datetime import datetime

    from passim import Fleet, Span
    from passim.answers.calls import forecast as call_forecast, kinds as call_kinds
    from passim.sky import view as views
    from passim.spans import DailyHours
    from passim.workspace import LineLesson

    from ..text.query import QueryResult


minutes_option = click.option(
    "--minutes", type=WHOLE, default=30, show_default=True, metavar="N", help="Length of the call, minutes."
)
kind_option = click.option(
    "--kind",
    "kind_name",
    metavar="NAME",
    help="Kind of call: video, lesson, voice, screen, stream, or one of the workspace. Default: the workspace's, else "
    "video.",
)


@dataclasses.dataclass(frozen=True)
class Forecast:
    """A forecast of service, and what must be said with it."""

    service: call_forecast.ServiceForecast
    found: QueryResult
    clock: LocalClock
    facts: dict[str, Any]
    lesson: LineLesson

    def of_record(
        self, kind: call_kinds.CallKind, minutes: int, hours: DailyHours
    ) -> tuple[list[Note], dict[str, Any] | None]:
        """Return what the record of the line says of such calls: notes, and the same as facts. Raises InputError."""
        from ..text.learned import calls_of_record, lesson_facts, lesson_notes

        calls = calls_of_record(self.lesson, kind, minutes, hours, self.found.site.timezone)
        return lesson_notes(self.lesson, calls), lesson_facts(self.lesson, calls)


def forecast(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span: Span,
    *,
    notes: tuple[Note, ...] = (),
    loaded: tuple[Fleet, list[Note]] | None = None,
) -> Forecast:
    """Find who serves the site in `span` and a little around it. Raises InputError.

    `loaded` is what ``fleet_choice.fleet(span.start)`` gave, where it has been asked already.
    """
    from passim.answers.calls import forecast as call_forecast

    from .query import search

    view, view_notes = site_choice.view()
    fleet, fleet_notes = loaded or fleet_choice.fleet(span.start)
    fleet_choice.check_age(fleet, span.start, "the start")
    fleet_choice.check_age(fleet, span.end, "the end of the last day", _fewer_days(fleet, span) or "another time")
    model = fleet_choice.timing_model()
    searched = call_forecast.searched_span(span)
    found = search(fleet, view, searched, (*notes, *view_notes, *fleet_notes), model=model, tell_age=False)
    lesson = lesson_for(fleet_choice, site_choice, view, span.start)
    service = call_forecast.ServiceForecast.of(
        found.visibility, span, model, allow_stale=fleet_choice.allow_stale, calibration=lesson.calibration
    )
    facts = {**found.facts, "span": span_facts(span)}
    return Forecast(service, found, LocalClock(found.site.timezone, span), facts, lesson)


def lesson_for(fleet_choice: FleetChoice, site_choice: SiteChoice, view: views.View, at: datetime) -> LineLesson:
    """Return what the record of the line has taught of this fleet and view by `at`; of element files, nothing."""
    from passim.workspace import LineLesson, lesson_of

    workspace = None if fleet_choice.elements else site_choice.workspace()
    if workspace is None:
        return LineLesson()
    return lesson_of(workspace, fleet_choice.fleet_name, view, at)


def _fewer_days(fleet: Fleet, span: Span) -> str:
    """Return how many days from the start the elements are young enough for, as an option to try; empty for none."""
    from passim.forecast import timing

    left_s = timing.OLDEST_S - timing.band_for(fleet, span.start, allow_stale=True).median_s
    # Whole days read better; less than one is told in tenths.
    days = math.floor(left_s / 86400.0) or math.floor(left_s / 8640.0) / 10.0
    return f"--days {days:g}" if days > 0.0 else ""


def kind_of(name: str | None, site_choice: SiteChoice) -> call_kinds.CallKind:
    """Return the kind of call of that name, as the workspace has it; its first without a name. Raises InputError."""
    from passim.answers.calls import kinds as call_kinds

    workspace = site_choice.workspace()
    known = call_kinds.CALL_KINDS if workspace is None else workspace.call_kinds
    return known[0] if name is None else call_kinds.call_kind(name, known)


def kind_facts(kind: call_kinds.CallKind) -> dict[str, Any]:
    """Return a kind of call with the source of each threshold, as JSON can hold it."""
    facts = {field.name: getattr(kind, field.name) for field in dataclasses.fields(kind)}
    return {**facts, "words": kind_words(kind), "sources": dict(kind.sources)}


def hours_of(between: str | None, weekdays: str | None, site_choice: SiteChoice) -> DailyHours:
    """Return the hours and days of the options; the site's own call hours say the rest, else all. Raises InputError."""
    from passim.spans import DailyHours, parse_weekdays

    workspace = site_choice.workspace()
    at_coordinates = "," in (site_choice.site_text or "")
    usual = None if workspace is None or at_coordinates else workspace.call_hours(site_choice.site_text)
    hours = usual or DailyHours()
    if between is not None:
        typed = hours_of_day(between, "--between", try_next="08:00-18:00") or hours
        hours = dataclasses.replace(hours, from_minute=typed.from_minute, to_minute=typed.to_minute)
    return hours if weekdays is None else dataclasses.replace(hours, weekdays=parse_weekdays(weekdays, "--weekdays"))
