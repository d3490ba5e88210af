"""Many terminals served side by side, each under a sky of its own: the freezes of hundreds of them in a second.

What differs from one to the next may be when its satellites come (drawn futures) or which of them it may use (settings
that could be behind freezes): `Skies` says. A terminal that keeps its satellite is served turn by turn: at each turn
every terminal makes its next choice, among the satellites that are up for it then. One that is always on the highest
compares so often that this would take a turn every few seconds: there all moments of comparing are looked at at once.

The choices are those of `passim.sky.handover_policy`, but elevations are read off a curve, and without a clock
"highest" compares every 5 s and not every second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from passim.sky.handover_policy import MIDNIGHTS, SECOND_US, Clock, Look
from passim.sky.service import InUse, Policy

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

# Between knots the sine of an elevation is read off a parabola through three of them: 2e-4 off at most at 550 km.
_KNOT_US: Final = 20 * SECOND_US
_COMPARED_EVERY_US: Final = 5 * SECOND_US
# Moments of comparing held at a time, over all terminals: a few megabytes, so that they stay near the processor.
_COMPARED_AT_ONCE: Final = 60_000


class Assignments(NamedTuple):
    """Stretches in which one row is in use in one run, shape (n,) each; times in microseconds from the origin."""

    run: Index
    row: Index
    start_us: Floats
    end_us: Floats


class Skies(Protocol):
    """The skies of some terminals (runs); a row is a stretch in which one satellite may serve, in one run or in many.

    Times are microseconds from a common origin.
    """

    @property
    def runs(self) -> int:
        """How many terminals there are."""

    def satellite(self, row: Index) -> Index:
        """Return the satellites of rows."""

    def up(self, run: Index, now: Floats) -> tuple[Index, Index, Floats, Floats]:
        """Return pairs (place in `run`, row) of all that are up at each run's own time, by place; shifts and ends."""

    def next_rise(self, run: Index, now: Floats) -> Floats:
        """Return when the next row begins after each run's own time; infinity where none does."""

    def sine(self, row: Index, time_us: Floats) -> Floats:
        """Return the sines of the elevations of rows at times less their shifts, shape (n,)."""

    def highest_at(self, time_us: Floats) -> tuple[Index, Floats]:
        """Return the row of the highest satellite of each run at each of `time_us`, ascending, and when that row ends.

        Both have shape (runs, times); the row is -1 where there is none.
        """


def served_side_by_side(
    skies: Skies,
    length_us: float,
    policy: Policy,
    clocks: Sequence[Clock | None],
    acquisition_us: Index,
    *,
    origin_us: int,
    in_use: InUse | None = None,
) -> tuple[Index, Index, Index]:
    """Return the freezes in [0, length_us) of all terminals: run, start and end, by run and start.

    `clocks` holds one a run, all the same for the policy "highest"; `acquisition_us` has shape (runs,).
    Times count from `origin_us`. As for `passim.coverage.serve`, `in_use` is what each terminal is doing at the start;
    unless given, a choice is made there whatever the clock, without acquisition.
    """
    if policy == "highest":
        assignments = _always_highest(skies, length_us, clocks[0], origin_us, in_use)
    else:
        assignments = _kept_until_lost(skies, length_us, policy, clocks, origin_us, in_use)
    return _freezes(skies, assignments, length_us, acquisition_us, origin_us, in_use)


@dataclass(frozen=True)
class Elevations:
    """Sines of elevations of rows at knots `_KNOT_US` apart, from first_us on; rows lie one behind the other."""

    first_us: Floats
    base: Index
    count: Index
    sine: Floats

    @classmethod
    def of(cls, satellite: Index, first: Floats, last: Floats, look: Look, origin_us: int) -> Elevations:
        """Look at rows from `first` to `last`, microseconds after `origin_us`; all arrays have shape (rows,)."""
        count = np.maximum(np.ceil((last - first) / _KNOT_US).astype(np.int64) + 1, 3)
        base = np.cumsum(count) - count
        row = np.repeat(np.arange(count.size), count)
        time_us = first[row] + (np.arange(row.size) - base[row]) * float(_KNOT_US)
        looked = look(satellite[row].astype(np.int64), time_us.astype(np.int64) + origin_us)
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


def _kept_until_lost(
    skies: Skies,
    length_us: float,
    policy: Policy,
    clocks: Sequence[Clock | None],
    origin_us: int,
    in_use: InUse | None,
) -> list[Assignments]:
    """Return the assignments of terminals that keep their satellite."""
    clocked = np.array([clock is not None for clock in clocks])
    # Moments of a clock, counted from the origin; a period of 1 where there is none, which is not read.
    period_us = np.array([clock.period_us if clock else 1 for clock in clocks], dtype=np.float64)
    offset_us = np.array([(clock.offset_us - origin_us) % clock.period_us if clock else 0 for clock in clocks])
    run = np.arange(skies.runs, dtype=np.int64)
    now = np.zeros(skies.runs)
    assignments: list[Assignments] = []
    is_first = in_use is not None
    while run.size:
        cell_run, cell_row, shift_us, ends_us = skies.up(run, now)
        if is_first and in_use is not None:
            in_service = skies.satellite(cell_row) == in_use.satellite
            # A terminal that waits for its clock goes on waiting; without one it would have chosen.
            free = ~clocked
            free[cell_run[in_service]] = False
            retained = in_service | free[cell_run]
            cell_run, cell_row, shift_us, ends_us = (
                cell_run[retained],
                cell_row[retained],
                shift_us[retained],
                ends_us[retained],
            )
        by_length = policy == "keep-then-longest"
        merit = ends_us if by_length else skies.sine(cell_row, now[cell_run] - shift_us)
        best = _best_of_each(cell_run, merit)
        chosen = cell_run[best]
        # At midnight it chooses afresh.
        midnight = _at_or_after(now[chosen] + 1.0, MIDNIGHTS, origin_us)
        until = np.minimum(np.minimum(ends_us[best], midnight), length_us)
        assignments.append(Assignments(run[chosen], cell_row[best], now[chosen], until))

        # Go on at the end of what was taken, or when the next one rises.
        then = np.full(run.size, np.nan)
        then[chosen] = until
        none = np.flatnonzero(np.isnan(then))
        then[none] = np.minimum(skies.next_rise(run[none], now[none]), length_us)
        if is_first:
            waits = none[clocked[run[none]]]
            then[waits] = now[waits] + 1.0
        ticking = np.flatnonzero(clocked[run])
        if ticking.size:
            which, whole = run[ticking], np.ceil(then[ticking])
            tick = whole + np.mod(offset_us[which] - whole, period_us[which])
            then[ticking] = np.minimum(tick, _at_or_after(then[ticking], MIDNIGHTS, origin_us))
        left = then < length_us
        run, now, is_first = run[left], then[left], False
    return assignments


def _always_highest(
    skies: Skies, length_us: float, clock: Clock | None, origin_us: int, in_use: InUse | None
) -> list[Assignments]:
    """Return the assignments of terminals that are always on the highest satellite."""
    end_us = origin_us + round(length_us)
    moments_us = np.union1d(
        (clock or Clock(_COMPARED_EVERY_US)).within(origin_us, end_us), MIDNIGHTS.within(origin_us, end_us)
    )
    compares_at_start = bool(moments_us.size) and moments_us[0] == origin_us
    compared_us = (moments_us - origin_us).astype(np.float64)
    compared_us = compared_us if compares_at_start else np.append(0.0, compared_us)
    at_once = max(2, _COMPARED_AT_ONCE // skies.runs)
    assignments: list[Assignments] = []
    for first in range(0, compared_us.size, at_once):
        time_us = compared_us[first : first + at_once]
        next_us = np.append(compared_us, length_us)[first + 1 : first + 1 + time_us.size]
        row, ends_us = skies.highest_at(time_us)
        if first == 0 and in_use is not None and not compares_at_start:
            row[:, 0], ends_us[:, 0] = _held_at_start(skies, in_use, row[:, 0], ends_us[:, 0], clock)
        until = np.minimum(ends_us, next_us)
        if clock is None:
            assignments += _between(skies, row, until, time_us, next_us)
        # One assignment for all comparisons that change nothing.
        there = row >= 0
        goes_on = there[:, 1:] & (row[:, 1:] == row[:, :-1]) & (until[:, :-1] == time_us[1:])
        opens, closes = there.copy(), there.copy()
        opens[:, 1:] &= ~goes_on
        closes[:, :-1] &= ~goes_on
        run, place = np.nonzero(opens)
        assignments.append(Assignments(run, row[run, place], time_us[place], until[closes]))
    return assignments


def _held_at_start(
    skies: Skies, in_use: InUse, row: Index, ends_us: Floats, clock: Clock | None
) -> tuple[Index, Floats]:
    """Return which row each run is on at the start and when it ends, where that is no moment of comparing.

    That is the satellite in use where it is up; else with a clock none, and without one `row`, the highest.
    """
    cell_run, cell_row, _, ends = skies.up(np.arange(skies.runs), np.zeros(skies.runs))
    in_service = skies.satellite(cell_row) == in_use.satellite
    if clock is not None:
        row, ends_us = np.full_like(row, -1), np.full_like(ends_us, -np.inf)
    row[cell_run[in_service]], ends_us[cell_run[in_service]] = cell_row[in_service], ends[in_service]
    return row, ends_us


def _between(skies: Skies, row: Index, until: Floats, time_us: Floats, next_us: Floats) -> list[Assignments]:
    """Return the assignments that begin between comparisons: whoever is lost is replaced at once, the first rise taken.

    `row` and `until`, shape (runs, times), say who is used from each of `time_us` on, and till when.
    """
    run, place = np.nonzero((row < 0) | (until < next_us))
    now, bound = np.where(row[run, place] < 0, time_us[place], until[run, place]), next_us[place]
    none = row[run, place] < 0
    assignments = []
    while run.size:
        # Where nobody is up, on to the next rise.
        now[none] = skies.next_rise(run[none], now[none])
        left = now < bound
        run, now, bound = run[left], now[left], bound[left]
        cell, cell_row, shift_us, ends_us = skies.up(run, now)
        best = _best_of_each(cell, skies.sine(cell_row, now[cell] - shift_us))
        chosen = cell[best]
        ends = np.minimum(ends_us[best], bound[chosen])
        assignments.append(Assignments(run[chosen], cell_row[best], now[chosen], ends))
        none = np.ones(run.size, dtype=bool)
        none[chosen] = False
        now = now.copy()
        now[chosen] = ends
    return assignments


def _at_or_after(time_us: Floats, clock: Clock, origin_us: int) -> Floats:
    """Return the first moment of a clock that is not before each time; times count from `origin_us`."""
    whole = np.ceil(time_us)
    return np.asarray(whole + np.mod(float((clock.offset_us - origin_us) % clock.period_us) - whole, clock.period_us))


def _freezes(
    skies: Skies,
    assignments: list[Assignments],
    length_us: float,
    acquisition_us: Index,
    origin_us: int,
    in_use: InUse | None,
) -> tuple[Index, Index, Index]:
    """Return what is not served: run, start and end of each freeze, in whole microseconds, by run and start."""
    runs = skies.runs
    run, row, taken, until = (np.concatenate(column) for column in zip(*assignments, strict=True))
    order = np.lexsort((taken, run))
    run, row, taken, until = run[order], row[order], np.rint(taken[order]), np.rint(until[order])
    # A choice that changes nothing goes on with the same assignment.
    goes_on = (run[1:] == run[:-1]) & (row[1:] == row[:-1]) & (taken[1:] == until[:-1])
    opens = np.append(True, ~goes_on)[: run.size]
    closes = np.append(~goes_on, True)[: run.size]
    run, row, taken, until = run[opens], row[opens], taken[opens], until[closes]
    # As `passim.sky.service.served_from_us` has it.
    since = taken
    if in_use is not None:
        since = np.where(
            (taken == 0.0) & (skies.satellite(row) == in_use.satellite), in_use.since_us - origin_us, taken
        )
    came = np.minimum(since + acquisition_us[run], _at_or_after(since, MIDNIGHTS, origin_us))
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
