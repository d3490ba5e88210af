"""Passes as people read them: the sentence and the columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .answer import Answer
from .columns import DURATION, TEXT, Column, day_column, number, of_row, time_column
from .query import QueryResult
from .units import LocalClock, counted, cut_ends

if TYPE_CHECKING:
    import pandas as pd


def pass_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of passes."""
    return [
        day_column(clock, "rise"),
        time_column(clock, "rise", "Rise", local=True),
        time_column(clock, "peak", "Peak", priority=2),
        time_column(clock, "set", "Set"),
        Column("duration_s", "Length", DURATION),
        Column("peak_elevation_deg", "Elevation °", number(1)),
        Column("rise_azimuth_deg", "From °", number(0), 3),
        Column("set_azimuth_deg", "To °", number(0), 3),
        Column("satellite_id", "Number", TEXT, 4),
        Column("name", "Name", TEXT),
        Column("cut", "Cut", of_row(cut_ends), 1),
    ]


def pass_sentence(found: QueryResult, passes: pd.DataFrame) -> str:
    """Return the sentence that counts the passes and names the highest."""
    if passes.empty:
        return f"No pass in {found.length}: no satellite comes {found.in_reach}."
    highest = passes.iloc[int(passes["peak_elevation_deg"].argmax())]
    return (
        f"{counted(len(passes), 'pass', 'passes')} of {counted(passes['satellite_id'].nunique(), 'satellite')} in "
        f"{found.length}; the highest, {highest['peak_elevation_deg']:.1f}° above the horizon, at "
        f"{found.clock.when(highest['peak'])} ({highest['name'] or highest['satellite_id']})."
    )


def pass_answer(found: QueryResult, passes: pd.DataFrame) -> Answer:
    """Return the answer that lists passes."""
    sentence, clock = found.headed(pass_sentence(found, passes)), found.clock
    return Answer("passes", sentence, passes, pass_columns(clock), found.notes, found.facts, clock)
