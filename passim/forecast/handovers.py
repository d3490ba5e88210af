"""Freezes of drawn futures in which the terminal loses time at handovers.

In each future every satellite comes a little early or late, so the terminal loses other satellites at other moments and
chooses otherwise. All futures are served side by side: at each turn every one of them makes its next choice, among the
satellites that are up in it then.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.forecast.timing_errors import Scatter
from passim.sky.handover_policy import SECOND_US, Look
from passim.sky.service import Service

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
# Runs and rows, shape (n,) each, to the shifts of these rows in these runs, microseconds.
Shifts = Callable[[Index, Index], Floats]

# Between knots the sine of a height is read off a parabola through three of them: 2e-4 off at most at 550 km.
_KNOT_US: Final = 20 * SECOND_US
# Without a clock "highest" compares so often in a drawn future; `passim.coverage.serve` does it every second.
_COMPARED_EVERY_US: Final = 5.0 * SECOND_US
# Rows longer than this are up in most choices anyway and looked at in every one.
_LONG_US: Final = 1800.0 * SECOND_US


@dataclass(frozen=True)
class _Heights:
    """Sines of heights of rows at knots `_KNOT_US` apart, from first_us on; rows lie one behind the other."""

    first_us: Floats
    base: Index
    count: Index
    sine: Floats

    @classmethod
    def of(cls, law: Scatter, look: Look, origin_us: int, low_us: float, high_us: float) -> _Heights:
        """Look at each row from its start to its end, inside [low_us, high_us] after `origin_us`."""
        first = np.clip(law.start_us, low_us, high_us)
        last = np.clip(law.end_us, low_us, high_us)
        count = np.maximum(np.ceil((last - first) / _KNOT_US).astype(np.int64) + 1, 3)
        base = np.cumsum(count) - count
        row = np.repeat(np.arange(count.size), count)
        time_us = first[row] + (np.arange(row.size) - base[row]) * float(_KNOT_US)
        looked = look(law.lane[row].astype(np.int64), time_us.astype(np.int64) + origin_us)
        return cls(first, base, count, np.sin(np.radians(np.asarray(looked.elevation_deg, dtype=np.float64))))

    def at(self, row: Index, time_us: Floats) -> Floats:
        """Return the sines of rows at times, shape (n,); one that is not a number counts as lowest."""
        place = (time_us - self.first_us[row]) / _KNOT_US
        middle = np.clip(np.rint(place), 1, self.count[row] - 2).astype(np.int64)
        before, here, after = (self.sine[self.base[row] + middle + k] for k in (-1, 0, 1))
        x = place - middle
        sine: Floats = here + 0.5 * x * (after - before) + 0.5 * x * x * (after - 2.0 * here + before)
        return np.where(np.isnan(sine), -2.0, sine)


def served_futures(
    law: Scatter,
    shifts: Shifts,
    reach_us: float,
    runs: int,
    length_us: float,
    service: Service,
    look: Look,
    *,
    origin_us: int,
    searched_us: tuple[float, float],
) -> tuple[Index, Index, Index]:
    """Return the freezes in [0, length_us) of `runs` futures: run, start and end, by run and start.

    `shifts` gives how late rows of `law` come in a run, at most `reach_us` early or late. Times count from `origin_us`;
    `searched_us` is the stretch in which the rows were sought. As `passim.coverage.serve` has it, a choice is made at
    the start whatever the clock, and what is taken then needs no acquisition.
    """
    order = np.argsort(law.start_us, kind="stable")
    law = law.rows(order)
    up = _Up(law, lambda run, row: shifts(run, order[row]), reach_us)
    heights = None
    if service.policy != "keep-then-longest":
        heights = _Heights.of(law, look, origin_us, *searched_us)
    clock = service.clock
    compared_us = float(clock.period_us) if clock else _COMPARED_EVERY_US
    phase_us = float(((clock.offset_us if clock else 0) - origin_us) % compared_us)

    def tick(time_us: Floats) -> Floats:
        """Return the first moment of comparing that is not before each time."""
        whole = np.ceil(time_us)
        return np.asarray(whole + np.mod(phase_us - whole, compared_us))

    run = np.arange(runs, dtype=np.int64)
    now = np.zeros(runs)
    stints: list[tuple[Index, Index, Floats, Floats]] = []
    while run.size:
        cell_run, cell_row = up.candidates(run, now)
        shift_us = up.shift(run[cell_run], cell_row)
        time_us = now[cell_run]
        ends_us = law.end_us[cell_row] + shift_us
        there = (law.start_us[cell_row] + shift_us <= time_us) & (ends_us > time_us)
        cell_run, cell_row, shift_us, ends_us = cell_run[there], cell_row[there], shift_us[there], ends_us[there]
        merit = ends_us if heights is None else heights.at(cell_row, now[cell_run] - shift_us)
        best = _best_of_each(cell_run, merit)
        chosen, until = cell_run[best], np.minimum(ends_us[best], length_us)
        if service.policy == "highest":
            until = np.minimum(until, tick(now[chosen] + 1.0))
        stints.append((run[chosen], cell_row[best], now[chosen], until))

        # Go on at the end of what was taken, or when the next one rises.
        then = np.full(run.size, np.nan)
        then[chosen] = until
        none = np.flatnonzero(np.isnan(then))
        then[none] = np.minimum(up.next_rise(run[none], now[none]), length_us)
        now = tick(then) if clock else then
        left = now < length_us
        run, now = run[left], now[left]
    return _freezes(stints, runs, length_us, service)


class _Up:
    """Which rows, sorted by start, are up or rise next in which run."""

    def __init__(self, law: Scatter, shifts: Shifts, reach_us: float) -> None:
        self._start_us, self._end_us = law.start_us, law.end_us
        self.shift, self._reach_us = shifts, reach_us
        is_long = law.end_us - law.start_us > _LONG_US
        self._long = np.flatnonzero(is_long)
        self._short = np.flatnonzero(~is_long)
        self._short_start_us = law.start_us[self._short]
        lengths_us = (law.end_us - law.start_us)[self._short]
        self._longest_us = float(lengths_us.max(initial=0.0))

    def candidates(self, run: Index, now: Floats) -> tuple[Index, Index]:
        """Return pairs (place in `run`, row) of all that may be up at each run's own time, by place."""
        low = np.searchsorted(self._short_start_us, now - self._longest_us - self._reach_us, side="left")
        high = np.searchsorted(self._short_start_us, now + self._reach_us, side="right")
        place, number = _each_within(low, high)
        row = self._short[number]
        if self._long.size:
            place = np.concatenate([place, np.repeat(np.arange(run.size), self._long.size)])
            row = np.concatenate([row, np.tile(self._long, run.size)])
            order = np.argsort(place, kind="stable")
            place, row = place[order], row[order]
        return place, row

    def next_rise(self, run: Index, now: Floats) -> Floats:
        """Return when the next row begins after each run's own time; infinity where none does."""
        if not run.size or not self._start_us.size:
            return np.full(run.size, np.inf)
        # Whoever is surely after now bounds how far to look: what begins yet earlier is at most two reaches later.
        low = np.searchsorted(self._start_us, now - self._reach_us, side="left")
        sure = np.searchsorted(self._start_us, now + self._reach_us, side="right")
        bound_us = np.append(self._start_us, np.inf)[sure] + 2.0 * self._reach_us
        high = np.searchsorted(self._start_us, bound_us, side="right")
        place, row = _each_within(low, high)
        start_us = self._start_us[row] + self.shift(run[place], row)
        rises = np.full(run.size, np.inf)
        later = start_us > now[place]
        np.minimum.at(rises, place[later], start_us[later])
        return rises


def _freezes(
    stints: list[tuple[Index, Index, Floats, Floats]], runs: int, length_us: float, service: Service
) -> tuple[Index, Index, Index]:
    """Return what is not served: run, start and end of each freeze, in whole microseconds, by run and start."""
    run, row, taken, until = (np.concatenate(column) for column in zip(*stints, strict=True))
    order = np.argsort(run, kind="stable")
    run, row, taken, until = run[order], row[order], np.rint(taken[order]), np.rint(until[order])
    # A choice that changes nothing goes on with the same stint.
    goes_on = (run[1:] == run[:-1]) & (row[1:] == row[:-1]) & (taken[1:] == until[:-1])
    opens = np.append(True, ~goes_on)[: run.size]
    closes = np.append(~goes_on, True)[: run.size]
    run, taken, until = run[opens], taken[opens], until[closes]
    came = np.minimum(taken + np.where(taken == 0.0, 0.0, round(service.acquisition_s * SECOND_US)), until)
    served = until > came
    run, came, until = run[served], came[served], until[served]

    # Between one end of service and the next beginning, with the ends of the span round each run.
    every = np.arange(runs)
    owner = np.concatenate([every, run])
    start = np.concatenate([np.zeros(runs), until])
    place = np.lexsort((start, owner))
    owner, start = owner[place], start[place]
    begins = np.concatenate([run, every])
    end = np.concatenate([came, np.full(runs, length_us)])
    end = end[np.lexsort((end, begins))]
    real = end > start
    return owner[real].astype(np.int64), start[real].astype(np.int64), end[real].astype(np.int64)


def _best_of_each(place: Index, merit: Floats) -> Index:
    """Return the cells of greatest merit, one for each place that occurs; `place` ascends."""
    if not place.size:
        return np.zeros(0, dtype=np.int64)
    opens = np.flatnonzero(np.append(True, place[1:] != place[:-1]))
    highest = np.repeat(np.maximum.reduceat(merit, opens), np.diff(np.append(opens, place.size)))
    is_best = np.flatnonzero(merit == highest)
    # Of equals the first.
    first: Index = is_best[np.append(True, place[is_best][1:] != place[is_best][:-1])]
    return first


def _each_within(low: Index, high: Index) -> tuple[Index, Index]:
    """Return for ranges [low, high), shape (n,), every (number of the range, whole number in it), in order."""
    count = np.maximum(high - low, 0)
    member = np.repeat(np.arange(count.size), count)
    return member, np.arange(member.size) - np.repeat(np.cumsum(count) - count, count) + low[member]
