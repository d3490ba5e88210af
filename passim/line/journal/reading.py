"""Reading a journal: the record of a span, from probes packed by the minute and those of the minute under way."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from passim.arrays import Ints
from passim.errors import JournalError
from passim.intervals import clip, complement, sweep, where
from passim.line.journal.schema import LOST, MINUTE_US, OWN_PROBE, numbers_in
from passim.line.journal.writing import last_known_us, settled
from passim.line.outages import LOSSES, find_outages
from passim.line.record import LineRecord, Probes, outage_table
from passim.line.targets import Target
from passim.spans import Span


@dataclass(frozen=True)
class _Run:
    """An unbroken stretch of measuring, and the probes of its open minutes, (sent_us, target, round_trip_us) each."""

    number: int
    began_us: int
    ended_us: int
    every_us: int | None
    open_probes: list[tuple[int, int, int]]


def read_record(database: sqlite3.Connection, span: Span, source: str = OWN_PROBE, losses: int = LOSSES) -> LineRecord:
    """Return what a source recorded over `span`. Raises JournalError for a source that the journal does not have.

    What several runs cover, the clock having been set back between them, counts as a hole like what none covers: one
    cannot say which of the two is right.
    """
    number, zone, period_us = _source(database, source)
    runs = _runs(database, number, span)
    began, ended = (np.array([getattr(run, key) for run in runs], dtype=np.int64) for key in ("began_us", "ended_us"))
    measured = where(steps := sweep((began, ended), window=(span.start_us, span.end_us)), steps.level == 1)
    holes = np.column_stack(complement(measured, span.start_us, span.end_us)) / 1e6
    targets = _targets(database, number)
    probes = tuple(
        Probes(target, sent_us / 1e6, np.where(trip_us == LOST, np.nan, trip_us / 1e6))
        for target, sent_us, trip_us in (
            (targets[key], *_within(measured, *found)) for key, found in _probes(database, runs, targets, span).items()
        )
        if sent_us.size
    )
    outages = [_noted_outages(database, number, span), find_outages(probes, holes, losses, span)]
    every = {run.every_us for run in runs if run.every_us}
    period = every.pop() if len(every) == 1 else period_us
    return LineRecord(
        span,
        probes,
        holes,
        pd.concat(outages).sort_values("start", ignore_index=True) if len(outages[0]) else outages[1],
        source,
        period / 1e6 if period else None,
        ZoneInfo(zone) if zone else None,
    )


def offsets(database: sqlite3.Connection, span: Span) -> pd.DataFrame:
    """Return what time servers said over `span`: at (aware, UTC), server, offset_s (to be added), delay_s."""
    rows = database.execute(
        "SELECT at_us, server, offset_us, delay_us FROM clock_offset WHERE at_us >= ? AND at_us < ? ORDER BY at_us",
        (span.start_us, span.end_us),
    ).fetchall()
    table = pd.DataFrame(rows, columns=["at", "server", "offset_s", "delay_s"])
    table["at"] = pd.to_datetime(table["at"].astype("int64") * 1000, utc=True)
    return table.astype({"offset_s": "float64", "delay_s": "float64"}).assign(
        offset_s=lambda each: each["offset_s"] / 1e6, delay_s=lambda each: each["delay_s"] / 1e6
    )


def why_holes(database: sqlite3.Connection, span: Span) -> pd.DataFrame:
    """Return why runs of the own probe began over `span`: at (aware, UTC), why, step_s (by how much a clock was set).

    ``why`` is "started", "asleep" (the machine was suspended), "paused" (the program was stopped) or "clock set".
    """
    rows = database.execute(
        "SELECT began_us, why, step_us FROM run JOIN source ON source.id = run.source "
        "WHERE source.name = ? AND began_us >= ? AND began_us < ? ORDER BY began_us",
        (OWN_PROBE, span.start_us, span.end_us),
    ).fetchall()
    table = pd.DataFrame(rows, columns=["at", "why", "step_s"])
    table["at"] = pd.to_datetime(table["at"].astype("int64") * 1000, utc=True)
    return table.astype({"step_s": "float64"}).assign(step_s=lambda each: each["step_s"] / 1e6)


def bounds_us(database: sqlite3.Connection, source: str) -> tuple[int, int] | None:
    """Return the first and the last moment that a source recorded; None where it recorded nothing."""
    number, _, _ = _source(database, source)
    rows = database.execute("SELECT id, began_us, ended_us FROM run WHERE source = ?", (number,)).fetchall()
    ends = [last_known_us(database, run, began) if ended is None else ended for run, began, ended in rows]
    starts = [began for _, began, _ in rows]
    outages = database.execute("SELECT min(start_us), max(end_us) FROM outage WHERE source = ?", (number,)).fetchone()
    if outages[0] is not None:
        starts, ends = [*starts, outages[0]], [*ends, outages[1]]
    return (min(starts), max(ends)) if starts else None


def _source(database: sqlite3.Connection, name: str) -> tuple[int, str | None, int | None]:
    row = database.execute("SELECT id, zone, period_us FROM source WHERE name = ?", (name,)).fetchone()
    if row is None:
        known = ", ".join(each for (each,) in database.execute("SELECT name FROM source ORDER BY id"))
        raise JournalError("source of a record", got=name, wanted=f"one of {known or 'none: the journal is empty'}")
    number, zone, period_us = row
    return number, zone, period_us


def _targets(database: sqlite3.Connection, source: int) -> dict[int, Target]:
    """Return the targets of a source by their numbers, those in the house first."""
    rows = database.execute(
        "SELECT id, name, address, method, position FROM target WHERE source = ? ORDER BY position <> 'house', id",
        (source,),
    )
    return {number: Target(*fields) for number, *fields in rows}


def _runs(database: sqlite3.Connection, source: int, span: Span) -> list[_Run]:
    """Return the runs that reach into `span`; of those under way, what is known by now."""
    rows = database.execute(
        "SELECT id, began_us, ended_us, every_us FROM run "
        "WHERE source = ? AND began_us < ? AND (ended_us IS NULL OR ended_us > ?) ORDER BY began_us",
        (source, span.end_us, span.start_us),
    ).fetchall()
    runs = []
    for number, began_us, ended_us, every_us in rows:
        if ended_us is not None:
            runs.append(_Run(number, began_us, ended_us, every_us, []))
            continue
        held = database.execute(
            "SELECT sent_us, target, round_trip_us FROM open_probe WHERE run = ? ORDER BY sent_us", (number,)
        ).fetchall()
        kept, known_us = settled(held, last_known_us(database, number, began_us))
        runs.append(_Run(number, began_us, max(known_us, began_us), every_us, kept))
    return runs


def _probes(
    database: sqlite3.Connection, runs: list[_Run], targets: dict[int, Target], span: Span
) -> dict[int, tuple[Ints, Ints]]:
    """Return sends and round trips of each target, microseconds, in the order of the sends."""
    numbers = {run.number for run in runs}
    minutes: dict[int, list[int]] = {target: [] for target in targets}
    blobs: dict[int, list[bytes]] = {target: [] for target in targets}
    for minute, target, run, data in database.execute(
        "SELECT minute, target, run, packed FROM minute WHERE minute BETWEEN ? AND ? ORDER BY minute, id",
        (span.start_us // MINUTE_US, span.end_us // MINUTE_US),
    ):
        if run in numbers:
            minutes[target].append(minute)
            blobs[target].append(numbers_in(data))
    held = [probe for run in runs for probe in run.open_probes]
    found = {}
    for target in targets:
        sent_us, trip_us = _unpacked(minutes[target], blobs[target])
        still_open = [(sent, trip) for sent, number, trip in held if number == target]
        if still_open:
            more_sent, more_trips = np.array(still_open, dtype=np.int64).T
            sent_us, trip_us = np.append(sent_us, more_sent), np.append(trip_us, more_trips)
        order = np.argsort(sent_us, kind="stable")
        sent_us, trip_us = sent_us[order], trip_us[order]
        inside = slice(*np.searchsorted(sent_us, [span.start_us, span.end_us]))
        found[target] = (sent_us[inside], trip_us[inside])
    return found


def _unpacked(minutes: list[int], blobs: list[bytes]) -> tuple[Ints, Ints]:
    """Return sends and round trips of packed minutes, in their order: `schema.unpacked` of all at once."""
    if not blobs:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    sizes = np.array([len(blob) // 8 for blob in blobs])
    numbers = np.frombuffer(b"".join(blobs), dtype="<i4").astype(np.int64)
    # Each minute holds its sends, then as many round trips.
    minute_of = np.repeat(np.arange(len(blobs)), 2 * sizes)
    place = np.arange(numbers.size) - np.repeat(2 * (np.cumsum(sizes) - sizes), 2 * sizes)
    are_sends = place < sizes[minute_of]
    start_us = np.array(minutes, dtype=np.int64) * MINUTE_US
    return numbers[are_sends] + np.repeat(start_us, sizes), numbers[~are_sends]


def _within(measured: tuple[Ints, Ints], sent_us: Ints, trip_us: Ints) -> tuple[Ints, Ints]:
    """Return the probes that were sent while measured: neither in a hole nor in time that came twice."""
    start, end = measured
    row = np.searchsorted(start, sent_us, side="right") - 1
    # What is known up to and including the last send of a run that was cut off.
    kept = (row >= 0) & (sent_us <= end[row]) if start.size else np.zeros(sent_us.size, dtype=bool)
    # A run may begin at the very moment at which another ended.
    kept[1:] &= sent_us[1:] != sent_us[:-1]
    return sent_us[kept], trip_us[kept]


def _noted_outages(database: sqlite3.Connection, source: int, span: Span) -> pd.DataFrame:
    """Return the outages that a record without probes noted, cut to `span`."""
    rows = database.execute(
        "SELECT start_us, end_us, place, lost, cut_at_start, cut_at_end FROM outage "
        "WHERE source = ? AND start_us < ? AND end_us > ? ORDER BY start_us",
        (source, span.end_us, span.start_us),
    ).fetchall()
    start, end, lost, cut_at_start, cut_at_end = (
        np.array([row[k] for row in rows], dtype=np.int64) for k in (0, 1, 3, 4, 5)
    )
    _, clipped_start, clipped_end = clip((start, end), span.start_us, span.end_us)
    return outage_table(
        clipped_start / 1e6, clipped_end / 1e6, [row[2] for row in rows], lost,
        (cut_at_start > 0) | (start < span.start_us), (cut_at_end > 0) | (end > span.end_us),
    )  # fmt: skip
