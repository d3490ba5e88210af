"""Now: is it a good moment, what the next hour brings, and when the next good start is."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import pandas as pd

from passim import Coverage, Span
from passim.answers.calls import forecast as call_forecast
from passim.answers.calls import kinds as call_kinds
from passim.answers.calls import now as now_answer
from passim.errors import InputError
from passim.parallel import Job
from passim.sky import view as views

from ...figures.strip import next_hour
from ...figures.theme import Theme
from ...text.calls import gap_line, none_good_sentences, now_columns, outlook, pauses
from ...text.columns import picked
from ...text.gaps import gap_columns
from ...text.notes import Note
from ...text.service import sky_alone_words
from ...text.units import LocalClock, capital, counted, duration
from ..notes import notes_of
from ..page_model import Answer, Control, Help, Page, Panel, Shown, Table
from ..state import DRAWS_MS, PageRequest, Pending
from ..tasks import now as now_work

LOOK_AHEAD_H: Final = 24.0
# Less than this reads as no freeze, here and in the words of calls.
_TOLD_FROM_S: Final = 0.5
_LENGTHS: Final = ("30", "10", "20", "45", "60", "90")

HOUR = Panel(
    "hour",
    "The next hour",
    Help(
        "How many satellites can serve at each moment of the next hour; hatched where none can. Sand means one only: "
        "nothing to fall back on. The line is now, and moves.",
        "Each satellite's path is computed from its elements (SGP4). It counts while it stands above the site's mask "
        "and within every other limit, such as a gateway: a ground station that the satellite must see as well.",
        "The element sets of the fleet chosen, and the site, spot and limits of the workspace.",
    ),
    times=("picture", "table"),
)
AHEAD = Panel(
    "ahead",
    "A call now, and the next good start",
    Help(
        "What awaits a call that begins now, and one at the next good start: pauses expected, seconds frozen, the "
        "worst freeze that nine of ten such calls stay below, and the chance that the call ends.",
        "Two hundred futures are simulated, with satellites early or late by as much as the age of their elements "
        "allows. A "
        "start is good where a call is lost in at most one of twenty and most calls meet no pause.",
        "The passes of the next 24 hours, and the timing model of passim (its sources stand in "
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
    said, still = _said(question, at, today)
    span = _looked_at(at, today)
    clock, hour = question.clock(span), Span.starting(at, 1.0)
    coverage = question.coverage(hour, searched)
    gaps = coverage.gaps()
    out = _under_way(said, gaps, question.now)

    return Answer(
        f"{_out_words(out, question.now)}{_sentence(said, clock)}",
        {
            "hour": Shown(
                next_hour(coverage, clock, question.now, theme),
                _caption(coverage, clock),
                Table(
                    gaps, picked(gap_columns(clock), "start", "end", "duration_s"), clock, "No gap in the next hour."
                ),
            ),
            "ahead": Shown(
                None,
                said.kind.describe(),
                Table(said.table, now_columns(clock), clock),
            ),
        },
        (Note(said.freshness.words), *notes_of(question, seen, span, tell_age=False)),
        " ".join([_second(said, gaps, out, question.now, clock), *_alone(said, out, question.view)]),
        still,
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


def _said(question: PageRequest, at: datetime, days: Span) -> tuple[now_answer.Now, Job | None]:
    """Return what can be said of the minute `at`, and the work on it where that is still under way.

    Until it is done, what was said of the minute before stands. Raises Pending where nothing was, InputError.
    """
    kind = call_kinds.call_kind(question.choices.other("kind", kinds(question)[0].name), kinds(question))
    minutes, model = minutes_of(question), question.fleet_timing.model
    searched = call_forecast.searched_span(days)

    def key_of(span: Span) -> tuple[Hashable, ...]:
        return ("now", question.view, searched, span, kind.name, minutes, model)

    span = _looked_at(at, days)
    still: Job | None = None
    found: now_work.NowAnswer | None
    try:
        found = question.computed(
            key_of(span), span, now_work.answer_now, question.seen(searched).visibility, span, kind, minutes, model,
            ms_per_satellite_day=DRAWS_MS,
        )  # fmt: skip
    except Pending as working:
        still = working.job
        found = question.retained(key_of(_looked_at(at - timedelta(minutes=1), days)))
        if found is None:
            raise
    return found.now, still


def _sentence(said: now_answer.Now, clock: LocalClock) -> str:
    """Return the one sentence: yes or no, with a number and a time."""
    call = f"{said.kind.words} of {said.minutes} min"
    if not said.freshness.band.shows_odds:
        return "Whether this is a good moment cannot be told: the elements are too old for single moments."
    if said.call_is_wise:
        return f"A good moment for {call}."
    start = f"Not a good moment for {call}: {pauses(said.call['expected_pauses'])} expected"
    until = duration((said.looked_until - said.at).total_seconds())
    if said.none_good is not None:
        worst = f"now {pauses(said.call['expected_pauses'])} expected"
        return f"No good start for {call} in the next {until}: {worst}."
    if said.next_good is None:
        return f"{start}, and no good start in the next {until}."
    good = said.next_good["start"]
    day = "" if clock.day(good) == clock.day(said.at) else f" on {clock.day(good)}"
    # Where the good start has its own freezes, "better" alone would promise none.
    frozen_s = float(said.next_good["expected_frozen_s"])
    frozen = f" ({duration(frozen_s)} frozen)" if frozen_s >= _TOLD_FROM_S else ""
    return f"{start}. Better from {clock.time(good)[:5]}{day}{frozen}."


def _under_way(said: now_answer.Now, gaps: pd.DataFrame, now: datetime) -> Any:
    """Return the gap of the hour that `now` lies in; None where there is none, or elements too old for single times."""
    if not said.freshness.band.shows_times:
        return None
    rows: list[Any] = list(gaps.itertuples(index=False))
    return next((row for row in rows if row.start <= now < row.end), None)


def _out_words(out: Any, now: datetime) -> str:
    """Return how much longer service is out, to stand first; empty where it is not."""
    if out is None:
        return ""
    at_least = "at least " if out.cut_at_end else ""
    return f"No service right now, for {at_least}{duration((out.end - now).total_seconds())} more. "


def _second(said: now_answer.Now, gaps: pd.DataFrame, out: Any, now: datetime, clock: LocalClock) -> str:
    """Return what awaits a call, and the gap under way or the next one."""
    if not said.freshness.band.shows_odds:
        return "When the next gap comes cannot be told either; the page Calls still tells the calmest hours."
    none = [] if said.none_good is None else none_good_sentences(said.none_good, said.kind, clock)
    awaits = f"{capital(outlook(said.call))}."
    return " ".join([awaits, _gap_words(said, gaps, out, now, clock), *none])


def _alone(said: now_answer.Now, out: Any, view: views.View) -> list[str]:
    """Return what to say where no gap is ahead and no gateway counts."""
    told = said.freshness.band.shows_odds and said.served and out is None and said.next_gap is None
    return [words for words in [sky_alone_words(view)] if told and words]


def _gap_words(said: now_answer.Now, gaps: pd.DataFrame, out: Any, now: datetime, clock: LocalClock) -> str:
    if out is not None:
        end = clock.time(out.end)
        return f"The gap lasts past {end}." if out.cut_at_end else f"The gap lasts until {end}."
    if said.next_gap is None or said.next_gap.end > now:
        return gap_line(said, clock)
    # What was found at the start of the minute has passed since.
    outlasts_s = said.kind.noticed_from_s + said.kind.buffer_s
    later = gaps[(gaps["start"] > now) & (gaps["duration_s"] >= outlasts_s)]
    if later.empty:
        return f"No further gap until {clock.time(said.at + timedelta(hours=1))[:5]}."
    row = later.iloc[0]
    return f"Next gap: {clock.when(row['start'])}, {duration(row['duration_s'])}."


def _caption(coverage: Coverage, clock: LocalClock) -> str:
    gaps = coverage.gaps()
    alone = " Sand: one satellite only, nothing to fall back on." if bool((coverage.in_view == 1).any()) else ""
    if gaps.empty:
        fewest = counted(int(coverage.in_view.min()), "satellite")
        return f"No gap in this hour; never fewer than {fewest} in view.{alone}"
    longest = gaps.iloc[int(gaps["duration_s"].argmax())]
    return (
        f"{counted(len(gaps), 'gap')} in this hour, hatched; the longest, {duration(longest['duration_s'])}, at "
        f"{clock.time(longest['start'])}.{alone}"
    )


def _kind_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    return [(kind.name, kind.words) for kind in kinds(question)]


def _length_options(_: PageRequest) -> Sequence[tuple[str, str]]:
    return [(text, f"{text} min") for text in _LENGTHS]


KIND: Final = Control("kind", "Kind of call", _kind_options)
MINUTES: Final = Control("minutes", "Length of the call", _length_options)
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
