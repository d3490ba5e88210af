"""Satellites in view minute by minute, as people read them: the sentence and the columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .answer import Answer, plain_numbers
from .columns import COUNT, DURATION, Column, Format, blank_at_zero, day_column, number
from .query import QueryResult
from .units import LocalClock, duration

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd


def minute_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of minutes, as `Coverage.minutes` gives them."""
    return [
        day_column(clock, "minute"),
        Column("minute", "Minute", Format(clock.minute, numeric=False), local=True),
        Column("satellites_min", "Fewest", COUNT),
        Column("satellites_mean", "Mean", number(1)),
        Column("satellites_max", "Most", COUNT),
        Column("gap_s", "No service", blank_at_zero(DURATION)),
    ]


def minute_sentence(found: QueryResult, minutes: pd.DataFrame, summary: Mapping[str, Any]) -> str:
    """Return the sentence that says how many satellites are in view, and which minute is out longest."""
    broken = minutes[minutes["gap_s"] > 0.0]
    in_view = (
        f"{summary['in_view_min']} to {summary['in_view_max']} satellites in view, "
        f"{summary['in_view_mean']:.1f} on average, in {found.length}"
    )
    if broken.empty:
        return f"{in_view}; no minute has a gap."
    worst = broken.iloc[int(broken["gap_s"].argmax())]
    return (
        f"{in_view}; minutes with a gap: {len(broken):,} of {len(minutes):,}; the worst, from "
        f"{found.clock.when(worst['minute'])}, loses {duration(worst['gap_s'])}."
    )


def minute_answer(found: QueryResult) -> Answer:
    """Return the answer that lists the minutes."""
    coverage, clock = found.coverage, found.clock
    minutes, summary = coverage.minutes(found.site.timezone), coverage.summary()
    return Answer(
        "minutes",
        found.headed(minute_sentence(found, minutes, summary)),
        minutes,
        minute_columns(clock),
        (*found.service_notes, *found.notes),
        {**found.facts, "summary": plain_numbers(summary)},
        clock,
    )
