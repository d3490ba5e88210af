"""Forecast against record, as people read it: how much came as forecast, against luck, and where to look next."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from passim.errors import ElementsError

from .answer import Answer, plain_numbers, plain_records, site_facts, span_facts
from .calls import reason_words
from .columns import COUNT, DURATION, DURATION_OR_NONE, TEXT, Column, Format, day_column, number, time_column
from .limits import descriptions
from .line import PLACES, WHERE
from .notes import Note, background
from .units import LocalClock, capital, counted, duration, instant, share
from .workspace import no_record_of_it

if TYPE_CHECKING:
    from collections.abc import Sequence

    from passim.line import LineComparison, PastCalls, PastForecast

_EVENTS: Final = {"hit": "as forecast", "miss": "not forecast", "false alarm": "did not come"}
_WHERE: Final = {"": "", **WHERE}
_LATE: Final = number(1, " s")
_MOST: Final = 2.0 / 3.0
_FORECASTS: Final = {
    "passim": "this forecast",
    "by luck": "the same, shifted at random",
    "yesterday": "the day before",
    "hours of day": "the usual hours of freezes",
}

SCORE_COLUMNS: Final = (
    Column("forecast", "Forecast", Format(lambda name: _FORECASTS[name], numeric=False)),
    Column("events", "Gaps", number(0)),
    Column("hits", "Came", number(0)),
    Column("false_alarms", "Did not", number(0)),
    Column("misses", "Not forecast", number(0)),
    Column("explained_s", "Time foretold", DURATION),
)
RELIABILITY_COLUMNS: Final = (
    Column("bin_low", "Chance from", number(1)),
    Column("bin_high", "to", number(1)),
    Column("count", "Seconds", COUNT),
    Column("forecast", "Forecast", number(3)),
    Column("observed", "Came", number(3)),
)


def event_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of events: gaps forecast, freezes recorded, or both as one."""
    return [
        day_column(clock, "start"),
        time_column(clock, "forecast_start", "Forecast", local=True),
        time_column(clock, "recorded_start", "Recorded", local=True),
        Column("start_late_s", "Late", _LATE, 1),
        Column("event", "Event", Format(lambda event: _EVENTS[event], numeric=False)),
        Column("where", "Where", Format(lambda where: _WHERE[where], numeric=False), 2),
    ]


def comparison_sentences(found: LineComparison, *, on_pages: bool = False) -> list[str]:
    """Say how much of the record the forecast explains, against luck; then what is left, and the record's clock.

    What to do next is said last, but on the page, which says it on top.
    """
    sentences = [_headline(found)]
    if found.evidence != "none":
        sentences += [_the_rest(found), _timing(found)]
    if not on_pages:
        sentences.append(next_step(found, on_pages=False))
    return [words for words in sentences if words]


def _headline(found: LineComparison) -> str:
    measured = duration(found.measured_s)
    if not found.recorded and not found.forecast:
        return f"No freeze was recorded in {measured} measured, and no gap was forecast."
    if not found.recorded:
        return f"No freeze was recorded in {measured} measured; {counted(found.forecast, 'gap')} had been forecast."
    freezes = counted(found.recorded, "freeze")
    if not found.forecast:
        return f"{capital(freezes)} in {measured} measured, and no gap was forecast: the sky as set up explains none."
    were = "was" if found.hits == 1 else "were"
    words = (
        f"Of {freezes} recorded, {found.hits:,} {were} forecast within {_seconds(found.tolerance_s)}; "
        f"by luck it would have been {_number(found.hits_by_luck)}."
    )
    return f"{words} That is no more than luck." if found.evidence == "none" else words


def _the_rest(found: LineComparison) -> str:
    """Say where the freezes lie that no gap explains, and how many gaps did not come."""
    by_place = sorted(found.missed_by_place.items(), key=lambda item: -item[1])
    sentences = []
    if len(by_place) == 1:
        others = "The other one lies" if found.misses == 1 else f"The other {found.misses:,} lie"
        sentences.append(f"{others} {PLACES[by_place[0][0]]}{_WHY[by_place[0][0]]}.")
    elif by_place:
        places = [
            f"{count:,} {'lie' if count > 1 else 'lies'} {PLACES[where]}{_WHY[where]}" for where, count in by_place
        ]
        sentences.append(f"Of the other {found.misses:,}, {', '.join(places[:-1])} and {places[-1]}.")
    if found.false_alarms:
        gaps = counted(found.false_alarms, "gap")
        sentences.append(f"{capital(gaps)} forecast did not come.")
    return " ".join(sentences)


def _timing(found: LineComparison) -> str:
    """Say how far the clocks are apart, and how the hits came beside their forecast."""
    sentences = []
    if found.clock_offset_s:
        way = "ahead of" if found.clock_offset_s > 0.0 else "behind"
        sentences.append(
            f"The record's clock is {abs(found.clock_offset_s):.1f} s {way} the forecast's; that is allowed for."
        )
    if math.isfinite(found.start_late_s):
        began, ended = _late_words(found.start_late_s), _late_words(found.end_late_s)
        came = f"began and ended {began}" if began == ended else f"began {began} and ended {ended}"
        sentences.append(f"In the median they {came}.")
    return " ".join(sentences)


def next_step(found: LineComparison, *, on_pages: bool) -> str:
    """Say what to do next: go by the forecast, or where to look for what it does not explain."""
    if not found.recorded:
        return ""
    house = found.missed_by_place.get("house", 0)
    if found.evidence == "none":
        if 2 * house > found.recorded:
            return "Most of the freezes lie in the house: look at your own router and cabling first."
        search = "search below for limits that do" if on_pages else "passim fit looks for the settings that do"
        return (
            f"The sky as it is set up does not explain this line: {search}, and what no setting explains lies in the "
            "house network, the gateway's line or the far end."
        )
    if not mostly_as_forecast(found):
        search = "search below for limits" if on_pages else "passim fit looks for settings"
        return f"Much is still unexplained: {search} that explain more of it."
    return "Go by it: calm hours are on the page Calls." if on_pages else "Go by it: passim calls names calm hours."


def mostly_as_forecast(found: LineComparison) -> bool:
    """Return whether most freezes of the line had been forecast, and most gaps forecast came.

    Far beyond luck is not yet most of them: another spot's forecast shares some of the freezes.
    """
    hits, total = as_forecast(found)
    return hits >= _MOST * total and hits >= _MOST * (hits + found.false_alarms)


def as_forecast(found: LineComparison) -> tuple[int, int]:
    """Return how many freezes of the line came as forecast, and of how many."""
    events = found.events[found.events["where"] == "line"]
    return int((events["event"] == "hit").sum()), int((events["event"] != "false alarm").sum())


def call_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of past calls."""
    return [
        day_column(clock),
        time_column(clock, "start", "Start", local=True),
        Column("forecast", "Forecast", TEXT),
        Column("came", "Came", TEXT),
        Column("forecast_frozen_s", "Forecast frozen", DURATION_OR_NONE, 2),
        Column("frozen_s", "Frozen", DURATION_OR_NONE, 1),
        Column("where", "Where", Format(lambda where: _WHERE[where], numeric=False), 3),
        Column("title", "Call", TEXT, below=True),
    ]


def calls_sentence(found: PastCalls) -> str:
    """Say how many past calls went as forecast, and how the others went."""
    calls = len(found.table)
    if not calls:
        return "No call of the calendar lies within the record."
    right = found.went_as_forecast
    head = f"{right} of {calls} calls" if calls > 1 else "The one call"
    sentences = [f"{head} went as forecast." if right or calls > 1 else f"{head} did not go as forecast."]
    others = [
        f"{count:,} forecast {forecast} {'was' if count == 1 else 'were'} {came}"
        for forecast, came, count in found.surprises
    ]
    if others:
        sentences.append(f"{'; '.join(others)}.")
    return " ".join(sentences)


def calls_answer(
    calls: PastCalls,
    found: LineComparison,
    forecast: PastForecast,
    clock: LocalClock,
    notes: Sequence[Note],
    *,
    invented: bool = False,
) -> Answer:
    """Return the answer of past calls: how they went, before what the whole record says."""
    whole = comparison_answer(found, forecast, clock, "events", notes, invented=invented)
    left_out = [
        Note(f"Not judged: {event.title}, {clock.when(event.start)}: {reason_words(why)}.")
        for event, why in calls.left_out
    ]
    facts = {
        **whole.facts,
        "kind": calls.kind.name,
        "calls": len(calls.table),
        "went_as_forecast": calls.went_as_forecast,
        "calls_not_judged": [
            {"title": event.title, "start": instant(event.start), "why": reason_words(why)}
            for event, why in calls.left_out
        ],
    }
    sentence = f"{calls_sentence(calls)}\n{whole.sentence}"
    return replace(
        whole, sentence=sentence, rows=calls.table, columns=call_columns(clock), notes=[*left_out, *whole.notes],
        facts=facts,
    )  # fmt: skip


def comparison_answer(
    found: LineComparison,
    forecast: PastForecast,
    clock: LocalClock,
    listing: str,
    notes: Sequence[Note],
    *,
    invented: bool = False,
) -> Answer:
    """Return the answer of a comparison; `listing` is "events", "scores" or "reliability".

    One with an `invented` fleet judges nothing, says so first, and sends nobody to look for settings.
    """
    told = [no_record_of_it(), _headline(found)] if invented else comparison_sentences(found)
    events = found.events.copy()
    offset = events["recorded_start"].fillna(events["forecast_start"])
    events.insert(0, "start", offset)
    rows, columns = {
        "events": (events, event_columns(clock)),
        "scores": (found.scores, list(SCORE_COLUMNS)),
        "reliability": (found.reliability, list(RELIABILITY_COLUMNS)),
    }[listing]
    if rows is None:
        raise ElementsError(
            "how often which chance came",
            got="elements too old for the odds of single moments",
            wanted="at most a week old by then",
            try_next="another list",
        )
    facts = {
        "site": site_facts(forecast.view.site),
        "span": span_facts(found.span),
        "evidence": found.evidence,
        "forecast": found.forecast,
        "recorded": found.recorded,
        "hits": found.hits,
        "misses": found.misses,
        "false_alarms": found.false_alarms,
        **plain_numbers(
            {
                "hits_by_luck": found.hits_by_luck,
                "chance": found.chance,
                "clock_offset_s": found.clock_offset_s,
                "offset_chance": found.offset_chance,
                "tolerance_s": found.tolerance_s,
                "start_late_s": found.start_late_s,
                "end_late_s": found.end_late_s,
                "start_spread_s": found.start_spread_s,
                "duration_ratio": found.duration_ratio,
                "recorded_s": found.recorded_s,
                "forecast_s": found.forecast_s,
                "explained_s": found.explained_s,
                "explained_by_luck_s": found.explained_by_luck_s,
                "measured_s": found.measured_s,
                "forecast_not_judged": found.forecast_not_judged,
                "recorded_not_judged": found.recorded_not_judged,
            }
        ),
        "missed_by_place": found.missed_by_place,
        "brier": plain_numbers(dict(found.brier)),
        "scores": plain_records(found.scores),
        "limits": descriptions(forecast.view),
    }
    return Answer("reconcile", "\n".join(told), rows, columns, [*_notes(found), *notes],
                  facts, clock)  # fmt: skip


def explained_sentence(found: LineComparison) -> str:
    """Return which part of the time out was forecast, and by luck would have been; some of it must be recorded."""
    return (
        f"Seconds frozen while a gap was forecast: {share(found.explained_s / found.recorded_s)} of those "
        f"recorded; by luck {share(found.explained_by_luck_s / found.recorded_s)}."
    )


def _notes(found: LineComparison) -> list[Note]:
    notes = []
    aside = found.forecast_not_judged + found.recorded_not_judged
    if aside:
        notes.append(
            Note(
                f"Not judged: {counted(found.forecast_not_judged, 'gap')} and "
                f"{counted(found.recorded_not_judged, 'freeze')} that began while nothing was measured or your own "
                "router did not answer."
            )
        )
    if found.recorded and found.recorded_s > 0.0:
        notes.append(Note(explained_sentence(found)))
    if math.isfinite(found.brier["odds"]) and math.isfinite(found.brier["climatology"]):
        notes.append(
            Note(
                f"Brier score of the chance of no service, second by second: {found.brier['odds']:.4f}; hours of the "
                f"other days alone {found.brier['climatology']:.4f} (0 is perfect)."
            )
        )
    notes.append(
        background(
            "By luck: the same forecast shifted by 2 to 45 minutes either way, 499 times. Starts are matched one to "
            f"one; the chance that luck fits as well is {found.chance:.2g}."
        )
    )
    return notes


_WHY: Final = {"house": " (your own router did not answer)", "line": "", "far": ""}


def _seconds(value: float) -> str:
    return f"{value:.2g} s" if value < 9.95 else f"{value:.0f} s"


def _number(value: float) -> str:
    return f"{value:.0f}" if value >= 0.95 or value < 0.05 else f"{value:.1f}"


def _late_words(late_s: float) -> str:
    if abs(late_s) < 0.05:
        return "on time"
    return f"{abs(late_s):.1f} s {'later' if late_s > 0.0 else 'earlier'} than forecast"
