"""Freezes of drawn futures in which the terminal loses time at handovers.

In each future every satellite comes a little early or late, so the terminal loses other satellites at other moments and
chooses otherwise. A terminal that keeps its satellite is served in all futures side by side: at each turn every one of
them makes its next choice, among the satellites that are up in it then. One that is always on the highest compares so
often that this would take a turn every few seconds: its heights are evaluated satellite by satellite, over all futures
and moments of comparing at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from passim.forecast.timing_errors import Scatter
from passim.sky.handover_policy import MIDNIGHTS, SECOND_US, Clock, Look
from passim.sky.service import InUse, Service

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
# Runs and rows, shape (n,) each, to the shifts of these rows in these runs, microseconds.
Shifts = Callable[[Index, Index], Floats]

# Between knots the sine of a height is read off a parabola through three of them: 2e-4 off at most at 550 km.
_KNOT_US: Final = 20 * SECOND_US
# Without a clock "highest" compares so often in a drawn future; `passim.coverage.serve` does it every second.
_COMPARED_EVERY_US: Final = 5 * SECOND_US
# Moments of comparing held at a time, over all futures: a few megabytes, so that they stay near the processor.
_COMPARED_AT_ONCE: Final = 60_000
# Rows longer than this are up in most choices anyway and looked at in every one.
_LONG_US: Final = 1800.0 * SECOND_US


class Stints(NamedTuple):
    """Stretches in which one row is in use in one run, shape (stints,) each; times in microseconds from the origin."""

    run: Index
    row: Index
    start_us: Floats
    end_us: Floats


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

    def of_row(self, row: int, time_us: Floats) -> Floats:
        """Return the sines of one row at times of any shape; one that is not a number counts as lowest."""
        sine = self.sine[self.base[row] : self.base[row] + self.count[row]]
        place = (time_us - self.first_us[row]) * (1.0 / _KNOT_US)
        middle = np.clip(np.rint(place), 1, sine.size - 2)
        place -= middle
        here = middle.astype(np.intp)
        # The parabola through the three knots about each, by its three numbers.
        slope = np.zeros(sine.size)
        bend = np.zeros(sine.size)
        slope[1:-1] = 0.5 * (sine[2:] - sine[:-2])
        bend[1:-1] = 0.5 * (sine[2:] - 2.0 * sine[1:-1] + sine[:-2])
        found: Floats = sine[here] + place * (slope[here] + place * bend[here])
        found[np.isnan(found)] = -2.0
        return found

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
    in_use: InUse | None = None,
) -> tuple[Index, Index, Index]:
    """Return the freezes in [0, length_us) of `runs` futures: run, start and end, by run and start.

    `shifts` gives how late rows of `law` come in a run, at most `reach_us` early or late. Times count from `origin_us`;
    `searched_us` is the stretch in which the rows were sought. As for `passim.coverage.serve`, `in_use` is what the
    terminal is doing at the start; unless given, a choice is made there whatever the clock, without acquisition.
    """
    order = np.argsort(law.start_us, kind="stable")
    law = law.rows(order)
    up = _Up(law, lambda run, row: shifts(run, order[row]), reach_us)
    heights = None
    if service.policy != "keep-then-longest":
        heights = _Heights.of(law, look, origin_us, *searched_us)
    if service.policy == "highest" and heights is not None:
        stints = _always_highest(law, up, heights, runs, length_us, service, origin_us, in_use)
    else:
        stints = _kept_until_lost(law, up, heights, runs, length_us, service, origin_us, in_use)
    return _freezes(law, stints, runs, length_us, service, origin_us, in_use)


def _kept_until_lost(
    law: Scatter,
    up: _Up,
    heights: _Heights | None,
    runs: int,
    length_us: float,
    service: Service,
    origin_us: int,
    in_use: InUse | None,
) -> list[Stints]:
    """Return the stints of terminals that keep their satellite; without heights the one that stays longest is taken."""
    clock = service.clock
    run = np.arange(runs, dtype=np.int64)
    now = np.zeros(runs)
    stints: list[Stints] = []
    is_first = in_use is not None
    while run.size:
        cell_run, cell_row, shift_us, ends_us = up.there(run, now)
        if is_first and in_use is not None:
            held = law.lane[cell_row] == in_use.satellite
            # A terminal that waits for its clock goes on waiting; without one it would have chosen.
            free = np.full(run.size, clock is None)
            free[cell_run[held]] = False
            kept = held | free[cell_run]
            cell_run, cell_row, shift_us, ends_us = cell_run[kept], cell_row[kept], shift_us[kept], ends_us[kept]
        merit = ends_us if heights is None else heights.at(cell_row, now[cell_run] - shift_us)
        best = _best_of_each(cell_run, merit)
        chosen = cell_run[best]
        # At midnight it chooses afresh.
        midnight = _at_or_after(now[chosen] + 1.0, MIDNIGHTS, origin_us)
        until = np.minimum(np.minimum(ends_us[best], midnight), length_us)
        stints.append(Stints(run[chosen], cell_row[best], now[chosen], until))

        # Go on at the end of what was taken, or when the next one rises.
        then = np.full(run.size, np.nan)
        then[chosen] = until
        none = np.flatnonzero(np.isnan(then))
        if is_first and clock is not None:
            then[none] = now[none] + 1.0
        else:
            then[none] = np.minimum(up.next_rise(run[none], now[none]), length_us)
        if clock is not None:
            then = np.minimum(*(_at_or_after(then, each, origin_us) for each in (clock, MIDNIGHTS)))
        left = then < length_us
        run, now, is_first = run[left], then[left], False
    return stints


def _always_highest(
    law: Scatter,
    up: _Up,
    heights: _Heights,
    runs: int,
    length_us: float,
    service: Service,
    origin_us: int,
    in_use: InUse | None,
) -> list[Stints]:
    """Return the stints of terminals that are always on the highest satellite."""
    end_us = origin_us + round(length_us)
    clock = service.clock or Clock(_COMPARED_EVERY_US)
    moments_us = np.union1d(clock.within(origin_us, end_us), MIDNIGHTS.within(origin_us, end_us))
    compares_at_start = bool(moments_us.size) and moments_us[0] == origin_us
    compared_us = (moments_us - origin_us).astype(np.float64)
    compared_us = compared_us if compares_at_start else np.append(0.0, compared_us)
    every = np.arange(runs, dtype=np.int64)
    at_once = max(2, _COMPARED_AT_ONCE // runs)
    stints: list[Stints] = []
    for first in range(0, compared_us.size, at_once):
        time_us = compared_us[first : first + at_once]
        next_us = np.append(compared_us, length_us)[first + 1 : first + 1 + time_us.size]
        row, ends_us = _highest_at(law, up, heights, every, time_us)
        if first == 0 and in_use is not None and not compares_at_start:
            row[:, 0], ends_us[:, 0] = _held_at_start(law, up, every, in_use, row[:, 0], ends_us[:, 0], service)
        until = np.minimum(ends_us, next_us)
        if service.clock is None:
            stints += _between(up, heights, row, until, time_us, next_us)
        # One stint for all comparisons that change nothing.
        there = row >= 0
        goes_on = there[:, 1:] & (row[:, 1:] == row[:, :-1]) & (until[:, :-1] == time_us[1:])
        opens, closes = there.copy(), there.copy()
        opens[:, 1:] &= ~goes_on
        closes[:, :-1] &= ~goes_on
        run, place = np.nonzero(opens)
        stints.append(Stints(run, row[run, place], time_us[place], until[closes]))
    return stints


def _highest_at(law: Scatter, up: _Up, heights: _Heights, every: Index, time_us: Floats) -> tuple[Index, Floats]:
    """Return the row of the highest satellite of each run at each of `time_us`, ascending, and when that row ends.

    Both have shape (runs, times); the row is -1 where there is none.
    """
    shape = (every.size, time_us.size)
    sine = np.full(shape, -np.inf)
    row = np.full(shape, -1, dtype=np.int64)
    ends_us = np.full(shape, -np.inf)
    for k in up.around(float(time_us[0]), float(time_us[-1])).tolist():
        shift_us = up.shift(every, np.full(every.size, k, dtype=np.int64))[:, None]
        start_us, end_us = law.start_us[k] + shift_us, law.end_us[k] + shift_us
        low, high = np.searchsorted(time_us, [start_us.min(), end_us.max()])
        if low == high:
            continue
        part = slice(int(low), int(high))
        at_us = time_us[None, part]
        higher = heights.of_row(k, at_us - shift_us)
        higher[(at_us < start_us) | (at_us >= end_us)] = -np.inf
        better = higher > sine[:, part]
        np.copyto(sine[:, part], higher, where=better)
        np.copyto(row[:, part], k, where=better)
        np.copyto(ends_us[:, part], end_us, where=better)
    return row, ends_us


def _held_at_start(
    law: Scatter, up: _Up, every: Index, in_use: InUse, row: Index, ends_us: Floats, service: Service
) -> tuple[Index, Floats]:
    """Return which row each run is on at the start and when it ends, where that is no moment of comparing.

    That is the satellite in use where it is up; else with a clock none, and without one `row`, the highest.
    """
    cell_run, cell_row, _, ends = up.there(every, np.zeros(every.size))
    held = law.lane[cell_row] == in_use.satellite
    if service.clock is not None:
        row, ends_us = np.full_like(row, -1), np.full_like(ends_us, -np.inf)
    row[cell_run[held]], ends_us[cell_run[held]] = cell_row[held], ends[held]
    return row, ends_us


def _between(up: _Up, heights: _Heights, row: Index, until: Floats, time_us: Floats, next_us: Floats) -> list[Stints]:
    """Return the stints that begin between comparisons: whoever is lost is replaced at once, and the first rise taken.

    `row` and `until`, shape (runs, times), say who is used from each of `time_us` on, and till when.
    """
    run, place = np.nonzero((row < 0) | (until < next_us))
    now, bound = np.where(row[run, place] < 0, time_us[place], until[run, place]), next_us[place]
    none = row[run, place] < 0
    stints = []
    while run.size:
        # Where nobody is up, on to the next rise.
        now[none] = up.next_rise(run[none], now[none])
        left = now < bound
        run, now, bound = run[left], now[left], bound[left]
        cell, cell_row, shift_us, ends_us = up.there(run, now)
        best = _best_of_each(cell, heights.at(cell_row, now[cell] - shift_us))
        chosen = cell[best]
        ends = np.minimum(ends_us[best], bound[chosen])
        stints.append(Stints(run[chosen], cell_row[best], now[chosen], ends))
        none = np.ones(run.size, dtype=bool)
        none[chosen] = False
        now = now.copy()
        now[chosen] = ends
    return stints


def _at_or_after(time_us: Floats, clock: Clock, origin_us: int) -> Floats:
    """Return the first moment of a clock that is not before each time; times count from `origin_us`."""
    whole = np.ceil(time_us)
    return np.asarray(whole + np.mod(float((clock.offset_us - origin_us) % clock.period_us) - whole, clock.period_us))


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

    def there(self, run: Index, now: Floats) -> tuple[Index, Index, Floats, Floats]:
        """Return pairs (place in `run`, row) of all that are up at each run's own time, by place; shifts and ends."""
        place, row = self.candidates(run, now)
        shift_us = self.shift(run[place], row)
        ends_us = self._end_us[row] + shift_us
        there = (self._start_us[row] + shift_us <= now[place]) & (ends_us > now[place])
        return place[there], row[there], shift_us[there], ends_us[there]

    def around(self, low_us: float, high_us: float) -> Index:
        """Return the rows that may be up in some run at some time from `low_us` to `high_us`, ascending."""
        may = (self._start_us <= high_us + self._reach_us) & (self._end_us >= low_us - self._reach_us)
        return np.flatnonzero(may)

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
    law: Scatter,
    stints: list[Stints],
    runs: int,
    length_us: float,
    service: Service,
    origin_us: int,
    in_use: InUse | None,
) -> tuple[Index, Index, Index]:
    """Return what is not served: run, start and end of each freeze, in whole microseconds, by run and start."""
    run, row, taken, until = (np.concatenate(column) for column in zip(*stints, strict=True))
    order = np.lexsort((taken, run))
    run, row, taken, until = run[order], row[order], np.rint(taken[order]), np.rint(until[order])
    # A choice that changes nothing goes on with the same stint.
    goes_on = (run[1:] == run[:-1]) & (row[1:] == row[:-1]) & (taken[1:] == until[:-1])
    opens = np.append(True, ~goes_on)[: run.size]
    closes = np.append(~goes_on, True)[: run.size]
    run, row, taken, until = run[opens], row[opens], taken[opens], until[closes]
    # As `passim.sky.service.served_from_us` has it.
    since = taken
    if in_use is not None:
        since = np.where((taken == 0.0) & (law.lane[row] == in_use.satellite), in_use.since_us - origin_us, taken)
    came = np.minimum(since + round(service.acquisition_s * SECOND_US), _at_or_after(since, MIDNIGHTS, origin_us))
    if in_use is None:
        came = np.where(taken == 0.0, 0.0, came)
    came = np.clip(came, taken, until)
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
