"""Gaps as people read them: the sentence, the table, and what counts as service."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .answer import LONGEST_TABLE, Answer, Help, plain_numbers
from .columns import (
    COUNT,
    DURATION,
    DURATION_OR_NONE,
    Column,
    day_column,
    of_row,
    time_column,
)
from .query import QueryResult
from .units import LocalClock, capital, counted, cut_ends, duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim import Coverage
    from passim.forecast import Band

# A stretch without a gap is worth its times if a call fits in.
_CALM_S: Final = 1800.0
TOO_OLD_TO_TELL_WHEN: Final = "The elements are too old by then to tell when."
# What stands behind the question marks of pictures, on the page and in the report.
DAYS_HELP: Final = Help(
    "One row a day, local time from left to right. Each mark is a gap, as wide as it is long but never thinner than a "
    "hair, or on a phone a column a half hour, higher where more of it is out; what slants from row to row shows the "
    "daily drift of the pattern. At the end of a row stands how long service is out that day.",
    "Every pass within all limits is found; a gap is where no pass lasts. Days are those of the site's clock.",
)
MINUTES_HELP: Final = Help(
    "Top: seconds without service in each minute. Middle: a stroke for each minute, in the row of the fewest "
    "satellites that can serve in it. Bottom: how much of each half hour has none (hatched), one alone (dotted: no "
    "backup), or two or more.",
    "The number changes when a satellite comes into or leaves what every limit allows; each change is found to a "
    "millisecond.",
)


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


def gap_answer(command: str, found: QueryResult, coverage: Coverage, *, longest_table: int = LONGEST_TABLE) -> Answer:
    """Return the answer that lists the gaps of `coverage`."""
    gaps, summary, clock = coverage.gaps(), coverage.summary(), found.clock

    return Answer(
        command,
        found.headed(gap_sentence(found, summary, gaps)),
        gaps,
        gap_columns(clock),
        (*found.service_notes, *found.notes),
        {**found.facts, "summary": plain_numbers(summary)},
        clock,
        longest_table,
    )


def days_caption(days: pd.DataFrame, clock: LocalClock, *, by_half_hour: bool = False) -> str:
    """Say of a table of `Coverage.by_local_day` which day is out longest and which least, and what is left blank.

    Days that were computed in part are compared with nothing. The picture has a mark a gap, or a column a half hour.
    """
    whole = days[days["whole"]]
    blank = " Blank hours were not computed." if len(whole) < len(days) else ""
    if not days["gap_s"].any():
        return f"No day has a gap.{blank}"
    marks = "Each column is half an hour, higher where more of it is out" if by_half_hour else "Each mark is a gap"
    words = f"{marks}; where there is none, hours are calm.{blank}"
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


def hours_caption(coverage: Coverage, clock: LocalClock, *, day: bool = True) -> str:
    """Say of a day hour by hour which hour is worst and how many have no gap; after the `day`, unless it stands by."""
    start = f"{clock.day(coverage.span.start)}: " if day else ""
    hours = coverage.by_local_hour(clock.name)
    worst = hours.iloc[int(hours["gap_s"].argmax())]
    if not worst["gap_s"]:
        return capital(f"{start}a satellite can serve throughout.")
    calm = int((hours["gap_s"] == 0.0).sum())
    words = f"worst in the hour from {clock.time(worst['hour_local'])[:5]}, {duration(worst['gap_s'])} without service"
    return capital(f"{start}{words}; {counted(calm, 'hour')} without a gap.")


def day_sentence(coverage: Coverage, clock: LocalClock, band: Band) -> str:
    """Return what a day brings; of elements that tell no single times any more, how much in all alone."""
    gaps, day = coverage.gaps(), clock.day(coverage.span.start)
    if gaps.empty:
        return f"{day}: no gap, all day."
    out_s = float(gaps["duration_s"].sum())
    start, end = coverage.longest_clear()
    if start == end:
        return f"{day}: no service, all day."
    if not band.lists_times:
        return f"{day}: about {counted(len(gaps), 'gap')}, {duration(out_s)} in all. {TOO_OLD_TO_TELL_WHEN}"
    clear_s = (end - start).total_seconds()
    calm = f"never more than {duration(clear_s)} without one"
    if clear_s >= _CALM_S:
        calm = f"none from {clock.time(start)[:5]} to {clock.time(end)[:5]}"
    return f"{day}: {counted(len(gaps), 'gap')}, {duration(out_s)} in all; {calm}."


def day_figures(coverage: Coverage) -> list[tuple[str, str]]:
    """Return three figures of a day, each with what it counts; they hold whatever the age of the elements."""
    gaps = coverage.gaps()
    out_s = float(gaps["duration_s"].sum())
    return [
        (duration(out_s), "without service"),
        (f"{len(gaps):,}", "gap" if len(gaps) == 1 else "gaps"),
        (duration(float(gaps["duration_s"].max())) if len(gaps) else "none", "the longest"),
    ]


def days_sentence(coverage: Coverage, clock: LocalClock, days: int, band: Band) -> str:
    """Return how much of some days service is out, and the longest gap where its time may be told."""
    gaps = coverage.gaps()
    if gaps.empty:
        return f"No gap in the {days} days shown."
    out = f"Over the {days} days shown service is out {share(1.0 - coverage.covered_fraction())} of the time"
    if not band.lists_times:
        return f"{out}."
    longest = gaps.iloc[int(gaps["duration_s"].argmax())]
    return f"{out}; the longest gap, {duration(longest['duration_s'])}, comes at {clock.when(longest['start'])}."


def not_listed_note(count: int) -> str:
    """Return that so many later gaps are not listed."""
    return f"{counted(count, 'later gap')} not listed. {TOO_OLD_TO_TELL_WHEN}"


def no_satellite_sentence(in_reach: str, length: str) -> str:
    """Return that no satellite ever comes into reach."""
    return f"No satellite is ever {in_reach} in {length}; no service throughout."


def gap_sentence(found: QueryResult, summary: dict[str, Any], gaps: pd.DataFrame) -> str:
    """Return the sentence that says how often, how much and how long the site has no satellite."""
    if found.passes.empty:
        return no_satellite_sentence(found.in_reach, found.length)
    if gaps.empty:
        return f"No gap in {found.length}; a satellite is {found.in_reach} throughout."
    longest = gaps.iloc[int(gaps["duration_s"].argmax())]
    # A gap that the span cuts goes on outside it.
    at_least = "at least " if longest["cut_at_start"] or longest["cut_at_end"] else ""
    return (
        f"{counted(len(gaps), 'gap')} in {found.length}, {share(1.0 - summary['covered_fraction'])} of the time; "
        f"the longest, {at_least}{duration(longest['duration_s'])}, at {found.clock.when(longest['start'])}."
    )
