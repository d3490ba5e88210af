"""Who serves when, as people read it: the sentence; turns, handovers, freezes, and the way of the satellite in use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .columns import DURATION, TEXT, Column, blank_at_zero, day_column, number, of_row, placed, time_column
from .gaps import gap_columns, no_satellite_sentence
from .units import LocalClock, counted, duration, share

if TYPE_CHECKING:
    from passim.coverage import ServingTimeline


def turn_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of turns of satellites."""
    return [
        day_column(clock),
        time_column(clock, "start", "Start", local=True),
        time_column(clock, "end", "End"),
        Column("served_s", "Served", DURATION),
        Column("satellite_id", "Number", TEXT, 1),
        Column("name", "Name", TEXT),
        Column("began", "Began", TEXT),
        Column("ended", "Ended", TEXT),
    ]


def handover_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of handovers."""
    return [
        day_column(clock, "time"),
        time_column(clock, "time", "Time", local=True),
        Column("from_name", "From", of_row(lambda row: row.from_name or row.from_satellite_id)),
        Column("from_elevation_deg", "At elevation °", number(1), 1),
        Column("to_name", "To", of_row(lambda row: row.to_name or row.to_satellite_id)),
        Column("to_elevation_deg", "At elevation °", number(1)),
        Column("wait_s", "Wait", blank_at_zero(DURATION)),
    ]


def freeze_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of freezes with what they are made of."""
    parts = {"no_satellite_s": "No satellite", "waiting_s": "Waiting", "acquiring_s": "Acquiring"}
    seconds = blank_at_zero(DURATION)
    made_of = [Column(key, heading, seconds, 1) for key, heading in parts.items()]
    return placed(gap_columns(clock), "cut", [Column("kind", "Mostly", TEXT), *made_of])


def path_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of moments along the way of the satellite in use; blank where none is."""

    def named(row: Any, words: str) -> str:
        return words if row.elevation_deg == row.elevation_deg else ""

    return [
        day_column(clock, "time"),
        time_column(clock, "time", "Time", local=True),
        Column("state", "State", TEXT),
        Column("elevation_deg", "Elevation °", number(1)),
        Column("azimuth_deg", "From °", number(0)),
        Column("range_km", "Range km", number(0), 2),
        Column("one_way_delay_ms", "Delay ms", number(2), 1),
        Column("satellite_id", "Number", of_row(lambda row: named(row, row.satellite_id)), 3),
        Column("name", "Name", of_row(lambda row: named(row, row.name))),
    ]


def serving_sentence(timeline: ServingTimeline, length: str, clock: LocalClock, in_reach: str) -> str:
    """Return the sentence that says how many satellites take turns, and how often service freezes."""
    summary, freezes = timeline.summary(), timeline.freezes
    if timeline.intervals.empty:
        return no_satellite_sentence(in_reach, length)
    satellites = counted(timeline.intervals["satellite"].nunique(), "satellite")
    turns, handovers = counted(summary["assignment_count"], "turn"), counted(len(timeline.handovers), "handover")
    turns = f"{satellites} in {turns} and {handovers} in {length}"
    if freezes.empty:
        return f"{turns}; no freeze."
    longest = freezes.iloc[int(freezes["duration_s"].argmax())]
    at_least = "at least " if longest["cut_at_start"] or longest["cut_at_end"] else ""
    frozen = f"{counted(len(freezes), 'freeze')}, {share(1.0 - summary['served_fraction'])} of the time"
    length_words = at_least + duration(longest["duration_s"])
    return f"{turns}; {frozen}; the longest, {length_words}, at {clock.when(longest['start'])} ({longest['kind']})."
