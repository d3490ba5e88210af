"""Now: is it a good moment, what the next hour brings, and when the next good start is."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import datetime, timedelta
from typing import Any, Final

import pandas as pd

from passim import Coverage, DailyHours, Span
from passim.answers.calls import forecast as call_forecast, kinds as call_kinds, now as now_answer
from passim.errors import InputError
from passim.parallel import Job

from ...figures.strip import next_hour
from ...figures.theme import Theme
from ...text.calls import kind_sentence, kind_words
from ...text.columns import picked
from ...text.gaps import gap_columns
from ...text.learned import calls_of_record, lesson_notes, replayed_calls_sentence
from ...text.notes import Note
from ...text.now import (
    details,
    frozen_anyway,
    headline,
    live_gap_words,
    live_words,
    now_columns,
    now_figures,
    other_causes,
)
from ...text.timing import freshness_sentence
from ...text.units import LocalClock, counted, duration
from ..notes import notes_of
from ..page_model import Answer, Control, Help, Live, Page, Panel, PanelContent, Table
from ..state import DRAWS_MS, PageRequest, Pending
from ..tasks import now as now_work

LOOK_AHEAD_H: Final = 24.0
_LENGTHS: Final = ("30", "10", "20", "45", "60", "90")

HOUR = Panel(
    "hour",
    "The next hour",
    Help(
        "How many satellites can serve at each moment of the next hour. Where none can, there is a gap: a hatched bar, "
        "taller than all others, that stands on a ▲ below the axis. Dotted bars are one satellite only: no backup. "
        "The line marks now, and moves.",
        "Each satellite's path is computed from its elements (SGP4). It counts while it is above the site's mask and "
        "within every other limit, such as a gateway: a ground station that the satellite must see as well.",
        "The element sets of the fleet chosen, and the site, spot and limits of the workspace.",
    ),
    times=("picture", "table"),
)
AHEAD = Panel(
    "ahead",
    "A call now, and the next good start",
    Help(
        "What to expect of a call that starts now, and of one at the next good start: pauses, seconds frozen, the "
        "worst freeze (nine calls in ten stay below it), and the chance that the call drops.",
        "Two hundred futures are simulated, with satellites early or late by as much as the age of their elements "
        "allows. A start is good where at most one call in twenty drops and most calls have no pause.",
        "The passes of the next 24 hours, and the timing model of passim (its sources are named in "
        "passim.forecast.timing).",
    ),
    picture=False,
    times=("table",),
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say whether this is a good moment."""
    at = question.now.replace(second=0)
    # Two days and a margin are found once and serve until midnight.
    today = question.days(2, question.today)
    searched = call_forecast.searched_span(today)
    seen = question.seen(searched)
    found, still = _found(question, at, today)
    span = _looked_at(at, today)
    clock, hour = question.clock(span), Span.starting(at, 1.0)
    coverage = question.coverage(hour, searched)
    gaps = coverage.gaps()
    out = _under_way(found, gaps, question.now)
    live = _live(question, found, gaps, hour)
    # Gaps that what is in hand plays through are no gap for such a call: then that is told besides.
    lines = details(found, clock, "the page Calls", gap_told=live is not None and not found.kind.buffer_s)
    beside = "" if out is not None else frozen_anyway(found, on_pages=True)
    if beside:
        lines += other_causes(found, on_pages=True)
    lesson, hours = question.lesson, question.workspace.call_hours(question.site_name) or DailyHours()
    calls = calls_of_record(lesson, found.kind, found.minutes, hours, question.site.timezone)
    of_record = lesson_notes(lesson, None)
    if calls is not None and lesson.learned is not None:
        lines.append(replayed_calls_sentence(calls, lesson.learned.days))

    return Answer(
        # That service is out, and for how long, is counted down above it.
        headline(found, clock, "", call_told=live is not None),
        {
            "hour": PanelContent(
                next_hour(coverage, clock, question.now, theme),
                _caption(coverage, clock),
                Table(
                    gaps, picked(gap_columns(clock), "start", "end", "duration_s"), clock, "No gap in the next hour."
                ),
            ),
            "ahead": PanelContent(
                None,
                kind_sentence(found.kind),
                Table(found.table, now_columns(clock), clock),
            ),
        },
        (Note(freshness_sentence(found.freshness)), *of_record, *notes_of(question, seen, span, tell_age=False)),
        " ".join(lines),
        still,
        live,
        now_figures(found, len(gaps), clock),
        beside,
    )


def kinds(question: PageRequest) -> tuple[call_kinds.CallKind, ...]:
    """Return the kinds of call that the workspace knows."""
    return tuple(question.workspace.call_kinds)


def minutes_of(question: PageRequest) -> int:
    """Return the length of a call that is chosen. Raises InputError."""
    text = question.choices.other("minutes", _LENGTHS[0])
    if not text.isascii() or not text.isdigit():
        raise InputError("length of a call", got=text, wanted="whole minutes", try_next=_LENGTHS[0])
    return int(text)


def _looked_at(at: datetime, days: Span) -> Span:
    return Span(at, min(at + timedelta(hours=LOOK_AHEAD_H), days.end))


def _found(question: PageRequest, at: datetime, days: Span) -> tuple[now_answer.Now, Job | None]:
    """Return what can be said of the minute `at`, and the work on it where that is still under way.

    Until it is done, what was said of the minute before stands. Raises Pending where nothing was, InputError.
    """
    kind = call_kinds.call_kind(question.choices.other("kind", kinds(question)[0].name), kinds(question))
    minutes, model, calibration = minutes_of(question), question.fleet_timing.model, question.lesson.calibration
    searched = call_forecast.searched_span(days)

    def key_of(span: Span) -> tuple[Hashable, ...]:
        return ("now", question.view, searched, span, kind.name, minutes, model, calibration)

    span = _looked_at(at, days)
    still: Job | None = None
    try:
        found = question.computed(
            key_of(span), span, now_work.answer_now, question.seen(searched).visibility, span, kind, minutes, model,
            calibration,
            ms_per_satellite_day=DRAWS_MS,
        )  # fmt: skip
    except Pending as working:
        still = working.job
        found = question.retained(key_of(_looked_at(at - timedelta(minutes=1), days)))
        if found is None:
            raise
    return found, still


def _under_way(found: now_answer.Now, gaps: pd.DataFrame, now: datetime) -> Any:
    """Return the gap of the hour that `now` lies in; None where there is none, or elements too old for single times."""
    if not found.freshness.band.shows_times:
        return None
    rows: list[Any] = list(gaps.itertuples(index=False))
    return next((row for row in rows if row.start <= now < row.end), None)


def _live(question: PageRequest, found: now_answer.Now, gaps: pd.DataFrame, hour: Span) -> Live | None:
    """Return what the browser counts down; None where the elements are too old for single times."""
    if not found.freshness.band.shows_times:
        return None
    rows: list[Any] = list(gaps.itertuples(index=False))
    # Where the hour has none left, it is the first gap after it that people wait for.
    if found.next_gap is not None and found.next_gap.start >= hour.end:
        rows.append(found.next_gap)
    clock = question.clock(hour)
    return Live(
        1000.0 * question.now.timestamp(),
        1000.0 * hour.end.timestamp(),
        [(1000.0 * row.start.timestamp(), 1000.0 * row.end.timestamp()) for row in rows],
        [live_gap_words(row.start, row.duration_s, clock) for row in rows],
        **live_words(found),
    )


def _caption(coverage: Coverage, clock: LocalClock) -> str:
    gaps = coverage.gaps()
    alone = " Dotted: one satellite only, no backup." if bool((coverage.in_view == 1).any()) else ""
    if gaps.empty:
        fewest = counted(int(coverage.in_view.min()), "satellite")
        return f"No gap in this hour; never fewer than {fewest} in view.{alone}"
    longest = gaps.iloc[int(gaps["duration_s"].argmax())]
    return (
        f"{counted(len(gaps), 'gap')} in this hour, hatched and marked ▲; the longest, "
        f"{duration(longest['duration_s'])}, at {clock.time(longest['start'])}.{alone}"
    )


KIND: Final = Control(
    "kind", "Kind of call", lambda question: [(kind.name, kind_words(kind)) for kind in kinds(question)]
)
MINUTES: Final = Control("minutes", "Length of the call", lambda _: [(text, f"{text} min") for text in _LENGTHS])
PAGE: Final = Page(
    path="/",
    name="Now",
    asks="Is it a good moment?",
    panels=(HOUR, AHEAD),
    answer=answer,
    controls=(KIND, MINUTES),
    uses=("place", "mask", "fleet"),
    tick_s=10.0,
)
