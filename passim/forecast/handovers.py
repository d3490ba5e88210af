"""Freezes of drawn futures in which the terminal loses time at handovers.

In each future every satellite comes a little early or late, so the terminal loses other satellites at other moments and
chooses otherwise. All futures are served side by side: see `passim.sky.side_by_side`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from passim.arrays import Floats, Ints
from passim.forecast.timing_errors import TimingErrors
from passim.intervals import each_within
from passim.sky.handover_policy import SECOND_US, Look
from passim.sky.service import InUse, Service
from passim.sky.side_by_side import Elevations, served_side_by_side

# Runs and rows, shape (n,) each, to the shifts of these rows in these runs, microseconds.
Shifts = Callable[[Ints, Ints], Floats]

# Rows longer than this are up in most choices anyway and looked at in every one.
_LONG_US: Final = 1800.0 * SECOND_US


def served_futures(
    law: TimingErrors,
    shifts: Shifts,
    reach_us: float,
    runs: int,
    length_us: float,
    service: Service,
    look: Look,
    *,
    origin_us: int,
    searched_us: tuple[float, float],
    in_use: InUse | None = None,
) -> tuple[Ints, Ints, Ints]:
    """Return the freezes in [0, length_us) of `runs` futures: run, start and end, by run and start.

    `shifts` gives how late rows of `law` come in a run, at most `reach_us` early or late. Times count from `origin_us`;
    `searched_us` is the stretch in which the rows were sought. As for `passim.coverage.serve`, `in_use` is what the
    terminal is doing at the start; unless given, a choice is made there whatever the clock, without acquisition.
    """
    order = np.argsort(law.start_us, kind="stable")
    law = law.rows(order)
    elevations = None
    if service.policy != "keep-then-longest":
        first_us, last_us = (np.clip(edge_us, *searched_us) for edge_us in (law.start_us, law.end_us))
        elevations = Elevations.of(law.satellite, first_us, last_us, look, origin_us)
    futures = _Futures(law, lambda run, row: shifts(run, order[row]), reach_us, runs, elevations)
    acquisition_us = np.full(runs, round(service.acquisition_s * SECOND_US))
    return served_side_by_side(
        futures,
        length_us,
        service.policy,
        [service.clock] * futures.runs,
        acquisition_us,
        origin_us=origin_us,
        in_use=in_use,
    )


class _Futures:
    """The skies of drawn futures: rows sorted by start, which every run shifts by its own draw."""

    def __init__(
        self, law: TimingErrors, shifts: Shifts, reach_us: float, runs: int, elevations: Elevations | None
    ) -> None:
        self._law, self._shift, self._reach_us, self.runs = law, shifts, reach_us, runs
        self._elevations = elevations
        self._start_us, self._end_us = law.start_us, law.end_us
        is_long = law.end_us - law.start_us > _LONG_US
        self._long = np.flatnonzero(is_long)
        self._short = np.flatnonzero(~is_long)
        self._short_start_us = law.start_us[self._short]
        lengths_us = (law.end_us - law.start_us)[self._short]
        self._longest_us = float(lengths_us.max(initial=0.0))

    def satellite(self, row: Ints) -> Ints:
        """Return the satellites of rows."""
        return self._law.satellite[row]

    def sine(self, row: Ints, time_us: Floats) -> Floats:
        """Return the sines of the elevations of rows at times less their shifts, shape (n,)."""
        assert self._elevations is not None  # whoever asks has elevations
        return self._elevations.at(row, time_us)

    def up(self, run: Ints, now: Floats) -> tuple[Ints, Ints, Floats, Floats]:
        """Return pairs (place in `run`, row) of all that are up at each run's own time, by place; shifts and ends."""
        place, row = self._candidates(run, now)
        shift_us = self._shift(run[place], row)
        ends_us = self._end_us[row] + shift_us
        there = (self._start_us[row] + shift_us <= now[place]) & (ends_us > now[place])
        return place[there], row[there], shift_us[there], ends_us[there]

    def _around(self, low_us: float, high_us: float) -> Ints:
        """Return the rows that may be up in some run at some time from `low_us` to `high_us`, ascending."""
        may = (self._start_us <= high_us + self._reach_us) & (self._end_us >= low_us - self._reach_us)
        return np.flatnonzero(may)

    def _candidates(self, run: Ints, now: Floats) -> tuple[Ints, Ints]:
        """Return pairs (place in `run`, row) of all that may be up at each run's own time, by place."""
        low = np.searchsorted(self._short_start_us, now - self._longest_us - self._reach_us, side="left")
        high = np.searchsorted(self._short_start_us, now + self._reach_us, side="right")
        place, number = each_within(low, high)
        row = self._short[number]
        if self._long.size:
            place = np.concatenate([place, np.repeat(np.arange(run.size), self._long.size)])
            row = np.concatenate([row, np.tile(self._long, run.size)])
            order = np.argsort(place, kind="stable")
            place, row = place[order], row[order]
        return place, row

    def next_rise(self, run: Ints, now: Floats) -> Floats:
        """Return when the next row begins after each run's own time; infinity where none does."""
        if not run.size or not self._start_us.size:
            return np.full(run.size, np.inf)
        # Whoever is surely after now bounds how far to look: what begins yet earlier is at most two reaches later.
        low = np.searchsorted(self._start_us, now - self._reach_us, side="left")
        sure = np.searchsorted(self._start_us, now + self._reach_us, side="right")
        bound_us = np.append(self._start_us, np.inf)[sure] + 2.0 * self._reach_us
        high = np.searchsorted(self._start_us, bound_us, side="right")
        place, row = each_within(low, high)
        start_us = self._start_us[row] + self._shift(run[place], row)
        rises = np.full(run.size, np.inf)
        later = start_us > now[place]
        np.minimum.at(rises, place[later], start_us[later])
        return rises

    def highest_at(self, time_us: Floats) -> tuple[Ints, Floats]:
        """Return the row of the highest satellite of each run at each of `time_us`, ascending, and when that row ends.

        Both have shape (runs, times); the row is -1 where there is none.
        """
        assert self._elevations is not None  # whoever asks has elevations
        shape = (self.runs, time_us.size)
        sine = np.full(shape, -np.inf)
        row = np.full(shape, -1, dtype=np.int64)
        ends_us = np.full(shape, -np.inf)
        every = np.arange(self.runs)
        for k in self._around(float(time_us[0]), float(time_us[-1])).tolist():
            shift_us = self._shift(every, np.full(self.runs, k, dtype=np.int64))[:, None]
            start_us, end_us = self._law.start_us[k] + shift_us, self._law.end_us[k] + shift_us
            low, high = np.searchsorted(time_us, [start_us.min(), end_us.max()])
            if low == high:
                continue
            part = slice(int(low), int(high))
            at_us = time_us[None, part]
            higher = self._elevations.of_row(k, at_us - shift_us)
            higher[(at_us < start_us) | (at_us >= end_us)] = -np.inf
            better = higher > sine[:, part]
            np.copyto(sine[:, part], higher, where=better)
            np.copyto(row[:, part], k, where=better)
            np.copyto(ends_us[:, part], end_us, where=better)
        return row, ends_us
