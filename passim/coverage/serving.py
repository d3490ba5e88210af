"""Which satellite serves when, and when none does although the sky might have allowed it.

A terminal uses one satellite at a time. It freezes while no satellite is allowed, while it waits for the moment at
which satellites are handed out, and while it acquires the one it was given. Everything is counted in whole
microseconds, so time served and time frozen add up to the span exactly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from passim import intervals
from passim.arrays import Bools, Ints
from passim.coverage.serving_path import path_columns
from passim.coverage.steps import Coverage
from passim.elements.records import Fleet
from passim.errors import InputError
from passim.intervals import GroupedIntervals, GroupedSet, Intervals
from passim.sky.handover_policy import SECOND_US, Assignments, Look, elevations_deg
from passim.sky.service import InUse, Service, assignments_within, rows_within, served_from_us
from passim.sky.site import Site
from passim.spans import Span, utc_times

NO_SATELLITE: Final = "no satellite"
WAITING: Final = "waiting for the clock"
ACQUIRING: Final = "acquiring"
KINDS: Final = (NO_SATELLITE, WAITING, ACQUIRING)

_MOST_STEPS = 1_000_000


def serve(
    allowed: GroupedSet,
    span: Span,
    service: Service,
    look: Look,
    *,
    fleet: Fleet | None = None,
    in_use: InUse | None = None,
) -> ServingTimeline:
    """Return which satellite serves when within `span`.

    `allowed` holds when each satellite may serve: its index, and [start, end) in whole microseconds since 1970 UTC,
    in any order. `look` takes satellite indices and times, shape (n,) each, and returns an object with
    `elevation_deg` (and for `ServingTimeline.along` also `azimuth_deg` and `range_km`) of shape (n,), such as
    `Visibility.look`. With `fleet`, whose order the indices follow, tables also hold identifiers and names.

    `in_use` is what the terminal is doing when the span starts, such as `Visibility.in_use`. Unless given, a choice is
    made at the start whatever the clock, and the satellite then taken needs no acquisition: service was there before
    the span began. The same is done at every 00:00 UTC. Without a clock "highest" compares at every whole second.

    Raises InputError for intervals that are not whole microseconds or end before they start, and for a satellite that
    is not in `fleet`.
    """
    rows = _rows(allowed, span, fleet)
    assignments = assignments_within(rows, span, service, look, in_use)
    gaps = intervals.complement((rows.start, rows.end), span.start_us, span.end_us)
    return ServingTimeline(span, service, rows, assignments, gaps, look, fleet, in_use)


@dataclass(frozen=True, eq=False, repr=False)
class ServingTimeline:
    """Which satellite serves when over a span. Made by `serve`.

    allowed     the intervals that were allowed, merged by satellite, sorted by start
    assignments      stretches in which one of their rows is in use, acquisition included, in order of time
    gaps        stretches of the span in which no satellite was allowed

    Times in the tables are datetime64[us, UTC]. `satellite` is the index that was given; `satellite_id` and `name`
    stand beside it where the fleet was given.
    """

    span: Span
    service: Service
    allowed: GroupedIntervals
    assignments: Assignments
    gaps: Intervals
    look: Look
    fleet: Fleet | None = None
    in_use: InUse | None = None

    def __repr__(self) -> str:
        return (
            f"<ServingTimeline {self.span.start.isoformat()} to {self.span.end.isoformat()}: "
            f"{len(self.assignments.row)} assignments, {len(self.handovers)} handovers, "
            f"{self.coverage.covered_fraction():.2%} served>"
        )

    @property
    def satellite(self) -> Ints:
        """The satellite of each assignment, shape (assignments,)."""
        return self.allowed.group[self.assignments.row]

    @cached_property
    def served_from_us(self) -> Ints:
        """When service comes in each assignment, at its end where it is lost before it was acquired, shape (n,)."""
        return served_from_us(self.allowed, self.assignments, self.span, self.service, self.in_use)

    def served(self) -> Intervals:
        """Return when there is service, sorted and apart: start and end, microseconds since 1970 UTC."""
        return intervals.union((self.served_from_us, self.assignments.end_us))

    def frozen(self) -> Intervals:
        """Return when there is none, sorted and apart: the rest of the span."""
        return intervals.complement(self.served(), self.span.start_us, self.span.end_us)

    @cached_property
    def coverage(self) -> Coverage:
        """Service as a step function of 0 and 1, for minutes, hours and days; its gaps are the freezes."""
        return Coverage.from_intervals(*self.served(), self.span)

    @cached_property
    def intervals(self) -> pd.DataFrame:
        """One row an assignment, in order.

        Columns: satellite; start, end; served_from (when acquisition is over); served_s; began; ended.

        began is "start" at the start of the span, "after a gap" if at some moment since the one before (or the start)
        no satellite was allowed, else "handover" from another, or "taken again" when the clock gives back the one that
        was lost. ended is "lost" when the satellite was no longer allowed, "left for a higher one", or "end" with the
        span.
        """
        _, start_us, end_us = self.assignments
        began = np.where(self._after_gap, "after a gap", "taken again").astype("<U16")
        began[self._handed_over] = "handover"
        began[start_us == self.span.start_us] = "start"
        ended = np.where(end_us < self.allowed.end[self.assignments.row], "left for a higher one", "lost")
        ended = np.where(end_us == self.span.end_us, "end", ended)
        return pd.DataFrame(
            {
                **self._names("satellite", self.satellite),
                "start": utc_times(start_us),
                "end": utc_times(end_us),
                "served_from": utc_times(self.served_from_us),
                "served_s": (end_us - self.served_from_us) / 1e6,
                "began": pd.array(began.tolist(), dtype="str"),
                "ended": pd.array(ended.tolist(), dtype="str"),
            }
        )

    @cached_property
    def handovers(self) -> pd.DataFrame:
        """One row each time one satellite follows another with no gap between them, in order.

        Columns: time (when the next one is taken); from, to (satellites); wait_s (since the former was lost, for the
        clock); from_elevation_deg (of the former, when it was lost or left); to_elevation_deg (of the next, at time).
        """
        later = np.flatnonzero(self._handed_over)
        before, after = self.satellite[later - 1], self.satellite[later]
        lost_us, time_us = self.assignments.end_us[later - 1], self.assignments.start_us[later]
        elevation_deg = elevations_deg(
            self.look, np.concatenate([before, after]), np.concatenate([lost_us, time_us])
        ).reshape(2, -1)
        return pd.DataFrame(
            {
                "time": utc_times(time_us),
                **self._names("from", before),
                **self._names("to", after),
                "wait_s": (time_us - lost_us) / 1e6,
                "from_elevation_deg": elevation_deg[0],
                "to_elevation_deg": elevation_deg[1],
            }
        )

    @cached_property
    def freezes(self) -> pd.DataFrame:
        """One row a freeze as its user lives it, in order: each uninterrupted stretch without service.

        Columns: start, end, duration_s, cut_at_start, cut_at_end as in `Coverage.gaps`; kind, the one of `KINDS` that
        makes up most of it; no_satellite_s, waiting_s and acquiring_s, which add up to duration_s.
        """
        table = self.coverage.gaps()
        start_us, end_us = self.frozen()
        parts_us = np.zeros((len(KINDS), start_us.size), dtype=np.int64)
        for number, part in enumerate(self.frozen_by_kind().values()):
            row, part_start, part_end = intervals.restrict((start_us, end_us), part)
            np.add.at(parts_us[number], row, part_end - part_start)
        most = np.argmax(parts_us, axis=0)
        table["kind"] = pd.array([KINDS[number] for number in most.tolist()], dtype="str")
        for name, part_us in zip(("no_satellite_s", "waiting_s", "acquiring_s"), parts_us, strict=True):
            table[name] = part_us / 1e6
        return table

    def along(self, step_s: float, *, site: Site | None = None, gateways: Sequence[Site] = ()) -> pd.DataFrame:
        """Return what the link looks like every `step_s` seconds from the start of the span, one row a step.

        Columns: time; state ("served" or one of `KINDS`); satellite (missing while none is in use); azimuth_deg,
        elevation_deg, range_km and one_way_delay_ms from the terminal to the satellite. With `site`, where the terminal
        stands, and `gateways`: gateway, the nearest to the satellite of those whose skyline it clears;
        gateway_range_km; path_delay_ms, up to the satellite and down to the gateway. Delays are those of light over
        straight lines; processing and the way on from the gateway come on top.

        Raises InputError for a step below 1 ms or of more than a million rows, and for gateways without a site.
        """
        span_us = self.span.end_us - self.span.start_us
        number = isinstance(step_s, (int, float)) and not isinstance(step_s, bool) and math.isfinite(step_s)
        if not number or step_s < 0.001 or span_us / (step_s * SECOND_US) > _MOST_STEPS:
            raise InputError(
                "step along the way",
                got=step_s,
                wanted=f"a number of seconds from 0.001, and at most {_MOST_STEPS:,} steps in the span",
                try_next="1",
            )
        if gateways and site is None:
            raise InputError("path over gateways", got="no site", wanted="the site too", try_next="site=...")

        # The assignment that each moment falls in, if any, and what it is like there.
        time_us = np.arange(self.span.start_us, self.span.end_us, round(step_s * SECOND_US), dtype=np.int64)
        assignment = np.searchsorted(self.assignments.start_us, time_us, side="right") - 1
        used = np.flatnonzero(assignment >= 0)
        used = used[time_us[used] < self.assignments.end_us[assignment[used]]]
        state = np.full(time_us.size, WAITING, dtype="<U24")
        state[used] = np.where(time_us[used] < self.served_from_us[assignment[used]], ACQUIRING, "served")
        gap = np.searchsorted(self.gaps.start, time_us, side="right") - 1
        out = np.flatnonzero(gap >= 0)
        state[out[time_us[out] < self.gaps.end[gap[out]]]] = NO_SATELLITE

        table = pd.DataFrame({"time": utc_times(time_us), "state": pd.array(state.tolist(), dtype="str")})
        satellite = self.satellite[assignment[used]]
        columns = {
            **self._names("satellite", satellite),
            **path_columns(self.look, satellite, time_us[used], site, gateways),
        }
        # Rows without a satellite hold nothing in the columns that tell of one; a whole number that may be missing
        # is pandas' Int64.
        columns["satellite"] = pd.array(satellite, dtype="Int64")
        return table.join(pd.DataFrame(columns, index=used))

    def summary(self) -> dict[str, Any]:
        """Return the figures of the span as plain numbers, ready for JSON.

        span_s, served_fraction; assignment_count, handover_count, handovers_per_hour; freeze_count, freeze_mean_s,
        freeze_median_s, freeze_p90_s, freeze_longest_s, time_average_freeze_s as `Coverage.summary` defines them for
        gaps; frozen_s, and of it no_satellite_s, waiting_s and acquiring_s.
        """
        figures = self.coverage.summary()
        by_kind = {kind: int((part.end - part.start).sum()) / 1e6 for kind, part in self.frozen_by_kind().items()}
        start_us, end_us = self.frozen()
        return {
            "span_s": figures["span_s"],
            "served_fraction": figures["covered_fraction"],
            "assignment_count": int(self.assignments.row.size),
            "handover_count": len(self.handovers),
            "handovers_per_hour": len(self.handovers) / (self.span.duration_s / 3600.0),
            **{
                f"freeze_{name}": figures[f"gap_{name}"]
                for name in ("count", "mean_s", "median_s", "p90_s", "longest_s")
            },
            "time_average_freeze_s": figures["time_average_gap_s"],
            "frozen_s": int((end_us - start_us).sum()) / 1e6,
            "no_satellite_s": by_kind[NO_SATELLITE],
            "waiting_s": by_kind[WAITING],
            "acquiring_s": by_kind[ACQUIRING],
        }

    @cached_property
    def _after_gap(self) -> Bools:
        """Whether a gap lies between each assignment and the one before it, or before the first, shape (n,)."""
        _, start_us, end_us = self.assignments
        gaps_begun = np.searchsorted(self.gaps.start, start_us, side="left")
        # A gap never begins inside an assignment, so one that began since the one before lies between the two.
        before = np.concatenate([[self.span.start_us], end_us[:-1]])[: start_us.size]
        return gaps_begun > np.searchsorted(self.gaps.start, before, side="left")

    @cached_property
    def _handed_over(self) -> Bools:
        """Whether each assignment follows another satellite with no gap between, shape (assignments,)."""
        changed = np.append(False, self.satellite[1:] != self.satellite[:-1])[: self.satellite.size]
        handed_over: Bools = changed & ~self._after_gap
        return handed_over

    def frozen_by_kind(self) -> dict[str, Intervals]:
        """Return the frozen time as disjoint intervals of each of `KINDS`."""
        _, start_us, end_us = self.assignments
        idle = intervals.complement((start_us, end_us), self.span.start_us, self.span.end_us)
        some = self.served_from_us > start_us
        return {
            NO_SATELLITE: self.gaps,
            WAITING: intervals.difference(idle, self.gaps),
            ACQUIRING: Intervals(start_us[some], self.served_from_us[some]),
        }

    def _names(self, column: str, satellite: Ints) -> dict[str, Any]:
        """Return the columns that tell of satellites: their index, and identifiers and names where known."""
        columns: dict[str, Any] = {column: satellite}
        if self.fleet is not None:
            prefix = "" if column == "satellite" else f"{column}_"
            columns[f"{prefix}satellite_id"] = pd.array(self.fleet.satellite_ids[satellite].astype(str), dtype="str")
            columns[f"{prefix}name"] = pd.array(self.fleet.names[satellite].astype(str), dtype="str")
        return columns


def _rows(allowed: GroupedSet, span: Span, fleet: Fleet | None) -> GroupedIntervals:
    """Return `allowed` merged by satellite, without what lies outside the span, sorted by start. Raises InputError."""
    if any(bounds.size and bounds.dtype.kind not in "iu" for bounds in map(np.asarray, allowed)):
        dtypes = ", ".join(str(np.asarray(bounds).dtype) for bounds in allowed)
        raise InputError(
            "allowed intervals", got=f"values of dtype {dtypes}", wanted="whole microseconds since 1970 UTC"
        )
    try:
        rows = rows_within(allowed, span)
    except ValueError as problem:
        raise InputError(
            "allowed intervals", got=str(problem), wanted="a satellite, a start and an end at or after it for each"
        ) from None
    satellite = np.asarray(allowed[0])
    if fleet is not None and satellite.size and not 0 <= satellite.min() <= satellite.max() < len(fleet):
        raise InputError(
            "satellites of the allowed intervals",
            got=f"{satellite.min()} to {satellite.max()}",
            wanted=f"indices in the fleet, 0 to {len(fleet) - 1}",
        )
    return rows
