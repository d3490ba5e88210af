"""Gaps as people read them: the sentence, the table, and what counts as service."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .answer import LONGEST_TABLE, Answer, plain_numbers
from .columns import (
    COUNT,
    DURATION,
    DURATION_OR_NONE,
    Column,
    Format,
    blank_at_zero,
    day_column,
    number,
    of_row,
    time_column,
)
from .query import QueryResult
from .units import LocalClock, counted, cut_ends, duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim import Coverage


def gap_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of gaps."""
    return [
        day_column(clock),
        time_column(clock, "start", "Start", local=True),
        time_column(clock, "end", "End", priority=1),
        Column("duration_s", "Length", DURATION),
        Column("cut", "Cut", of_row(cut_ends), 3),
    ]


def day_columns(clock: LocalClock, *, longest: bool = False) -> list[Column]:
    """Return the columns of local days, as `Coverage.by_local_day` gives them; with the `longest` gap of a report's."""

    def day(row: Any) -> str:
        return clock.day(row.day_local) + ("" if row.whole else f", {duration(row.span_s)} of it")

    return [
        Column("day_local", "Day", of_row(day)),
        Column("gap_s", "Without service", DURATION),
        Column("out_fraction", "Share", of_row(lambda row: share(row.gap_s / row.span_s), numeric=True)),
        Column("gap_count", "Gaps", COUNT),
        *([Column("longest_gap_s", "Longest", DURATION_OR_NONE)] if longest else []),
    ]


def hour_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of local hours, as `Coverage.by_local_hour` gives them."""

    def hour(row: Any) -> str:
        return f"{clock.day(row.hour_local)} {clock.minute(row.hour_local)}"

    return [
        Column("hour_local", "Hour", of_row(hour)),
        Column("gap_s", "Without service", DURATION),
        Column("gaps_begun", "Gaps begun", COUNT),
    ]


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


def gap_answer(command: str, found: QueryResult, coverage: Coverage, *, longest_table: int = LONGEST_TABLE) -> Answer:
    """Return the answer that lists the gaps of `coverage`."""
    gaps, summary, clock = coverage.gaps(), coverage.summary(), found.clock

    return Answer(
        command,
        found.headed(gap_sentence(found, summary, gaps)),
        gaps,
        gap_columns(clock),
        (found.service_note, *found.notes),
        {**found.facts, "summary": plain_numbers(summary)},
        clock,
        longest_table,
    )


def days_caption(days: pd.DataFrame, clock: LocalClock) -> str:
    """Say of a table of `Coverage.by_local_day` which day is out longest and which least, and what is left blank.

    Days that were computed in part are compared with nothing.
    """
    whole = days[days["whole"]]
    blank = " Blank hours lie outside the time computed." if len(whole) < len(days) else ""
    if not days["gap_s"].any():
        return f"No day has a gap.{blank}"
    words = f"Each mark is a gap; calm hours are shaded.{blank}"
    if len(whole) < 2:
        return words
    worst, best = whole.iloc[int(whole["gap_s"].argmax())], whole.iloc[int(whole["gap_s"].argmin())]
    of_whole = " of the whole days" if blank else ""
    if worst["gap_s"] == best["gap_s"]:
        return words
    return (
        f"{words} {clock.day(worst['day_local'])} is out longest{of_whole}, {duration(worst['gap_s'])}; "
        f"{clock.day(best['day_local'])} least, {duration(best['gap_s'])}."
    )


def gap_sentence(found: QueryResult, summary: dict[str, Any], gaps: pd.DataFrame) -> str:
    """Return the sentence that says how often, how much and how long the site has no satellite."""
    if found.passes.empty:
        return f"No satellite is ever {found.in_reach} in {found.length}; no service throughout."
    if gaps.empty:
        return f"No gap in {found.length}; a satellite is {found.in_reach} throughout."
    longest = gaps.iloc[int(gaps["duration_s"].argmax())]
    # A gap that the span cuts goes on outside it.
    at_least = "at least " if longest["cut_at_start"] or longest["cut_at_end"] else ""
    return (
        f"{counted(len(gaps), 'gap')} in {found.length}, {share(1.0 - summary['covered_fraction'])} of the time; "
        f"the longest, {at_least}{duration(longest['duration_s'])}, at {found.clock.when(longest['start'])}."
    )
