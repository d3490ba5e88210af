"""Who is taken when: the choices behind a serving timeline, on arrays of allowed intervals.

An interval is a row: one satellite (its index) that may serve from `start_us` up to `end_us`. An assignment is a
stretch in which one row is in use. Assignments do not know of acquisition: what is chosen does not depend on how long
it takes to get going, so that a longer acquisition can only take time away.

At 00:00 UTC of every day the terminal chooses afresh, whatever it was doing: see `passim.sky.service`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from passim.intervals import GroupedIntervals, each_within

Whole = NDArray[np.int64]
# Satellites and times, shape (n,) each, to something with `elevation_deg` of shape (n,).
Look = Callable[[Whole, Whole], Any]

SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
# Given as the first row of a terminal that has none in use when the span begins.
NOTHING = -1

# Heights are compared exactly only where it matters. Between knots this far apart the sine of a height is read off a
# straight line, which errs by at most knot**2 / 8 times the curvature: about (v / h)**2 overhead for a satellite at
# height h and speed v, and a fifth of that the other way farther out. That makes 0.003 at 550 km and 0.018 at 225 km.
# Whoever comes within the margin of the highest is looked at exactly.
_KNOT_US = 10 * SECOND_US
_MARGIN_SINE = 0.02
_MOMENTS_A_BLOCK = 4096


class Assignments(NamedTuple):
    """Stretches in which one row is in use, in order of time: rows and microseconds, shape (assignments,) each."""

    row: Whole
    start_us: Whole
    end_us: Whole


@dataclass(frozen=True)
class Clock:
    """Moments offset + k * period, microseconds since 1970 UTC, k any whole number."""

    period_us: int
    offset_us: int = 0

    def at_or_after(self, time_us: int) -> int:
        """Return the first moment of the clock that is not before `time_us`."""
        return time_us + (self.offset_us - time_us) % self.period_us

    def within(self, start_us: int, end_us: int) -> Whole:
        """Return the moments of the clock in [start_us, end_us), ascending."""
        return np.arange(self.at_or_after(start_us), end_us, self.period_us, dtype=np.int64)


# The fresh start of every day.
MIDNIGHTS = Clock(DAY_US)


def keep_until_lost(
    allowed: GroupedIntervals,
    start_us: int,
    end_us: int,
    clock: Clock | None,
    look: Look | None,
    first: int | None = None,
) -> Assignments:
    """Return the assignments of a terminal that keeps its satellite until it is lost, within [start_us, end_us).

    At a choice it takes the highest by `look`, or without one the satellite that stays longest; of equals the one of
    the smallest index. With a clock choices happen only at its moments, at midnight of UTC, and at the start unless
    `first` says which row is in use there, or `NOTHING`. `allowed` must be sorted by start and hold no touching rows of
    one satellite.
    """
    satellite, begins, ends = allowed
    highest = {} if look is None else _highest_at_choices(allowed, start_us, end_us, clock, look)
    # Plain lists for single numbers: the loop reads one at a time.
    begin_of, end_of = begins.tolist(), ends.tolist()
    rows: list[int] = []
    taken: list[int] = []
    left: list[int] = []
    up = np.empty(0, dtype=np.int64)
    seen, now = 0, start_us if first != NOTHING else _next_choice(start_us, clock)
    while now < end_us:
        fresh = int(np.searchsorted(begins, now, side="right"))
        if look is None:
            # Bring the list of rows that hold this moment up to date.
            up = np.concatenate([up, np.arange(seen, fresh)])
            up = up[ends[up] > now]
        seen = fresh
        if first is not None and first >= 0 and now == start_us:
            row = first
        elif look is not None:
            row = highest[now]
        else:
            row = int(up[_first_choice(satellite[up], ends[up])]) if up.size else NOTHING
        if row >= 0:
            until = min(end_of[row], MIDNIGHTS.at_or_after(now + 1), end_us)
            if rows and rows[-1] == row and left[-1] == now:
                # Midnight chose the one in use.
                left[-1] = until
            else:
                rows.append(row)
                taken.append(now)
                left.append(until)
        elif seen < len(begin_of):
            until = begin_of[seen]
        else:
            break
        now = _next_choice(until, clock)
    return Assignments(*(np.array(column, dtype=np.int64) for column in (rows, taken, left)))


def _next_choice(time_us: int, clock: Clock | None) -> int:
    """Return when a terminal without a satellite may choose, at the earliest: at once, or with a clock when it may."""
    return time_us if clock is None else min(clock.at_or_after(time_us), MIDNIGHTS.at_or_after(time_us))


def _highest_at_choices(
    allowed: GroupedIntervals, start_us: int, end_us: int, clock: Clock | None, look: Look
) -> dict[int, int]:
    """Return the row of the highest satellite, or `NOTHING`, at every moment at which a terminal that keeps may choose.

    That is the start, midnight, and where a row begins or ends, or the moment of the clock after it: one look for all.
    """
    edges = np.concatenate([allowed.start, allowed.end, [start_us]])
    if clock is not None:
        edges = np.minimum(*(edges + (c.offset_us - edges) % c.period_us for c in (clock, MIDNIGHTS)))
    moments = np.concatenate([edges[(edges > start_us) & (edges < end_us)], MIDNIGHTS.within(start_us, end_us)])
    moments = np.unique(np.append(moments, start_us)).astype(np.int64)
    return dict(zip(moments.tolist(), _highest_rows(allowed, moments, look).tolist(), strict=True))


def always_highest(
    allowed: GroupedIntervals,
    start_us: int,
    end_us: int,
    clock: Clock | None,
    look: Look,
    first: int | None = None,
) -> Assignments:
    """Return the assignments of a terminal that is always on the highest satellite, within [start_us, end_us).

    With a clock it chooses at its moments. Without, it compares at every whole second and chooses at once when its
    satellite is lost or the first one rises. It also chooses at midnight of UTC, and at the start unless `first` says
    which row is in use there, or `NOTHING`. Of equals it takes the one of the smallest index. `allowed` must be sorted
    by start and hold no touching rows of one satellite; `look` must be smooth, as the motion of satellites above about
    225 km is, and answer up to ten seconds outside a row.
    """
    if not allowed.start.size:
        none = np.empty(0, dtype=np.int64)
        return Assignments(none, none, none)
    grid = np.union1d((clock or Clock(SECOND_US)).within(start_us, end_us), MIDNIGHTS.within(start_us, end_us))
    risen = np.empty(0, dtype=np.int64) if clock else _rises_from_nothing(allowed, start_us, end_us)
    moments = np.unique(np.concatenate([[start_us], grid, risen]).astype(np.int64))
    all_moments, all_rows = moments, _highest_rows(allowed, moments, look)
    # Whoever is in use at the start stays so until the next comparison.
    if first is not None and not (grid.size and grid[0] == start_us):
        all_rows[0] = first

    # Without a clock, whoever is lost between two moments is replaced there and then; so may be the replacement.
    chosen = all_rows
    while clock is None:
        next_moment = np.append(all_moments, end_us)[np.searchsorted(all_moments, moments, side="right")]
        lost = (chosen >= 0) & (allowed.end[chosen] < next_moment)
        if not lost.any():
            break
        # Two lost at one moment cannot be: an assignment ends before the next moment, and moments are apart.
        moments = allowed.end[chosen[lost]]
        chosen = _highest_rows(allowed, moments, look)
        order = np.argsort(np.concatenate([all_moments, moments]), kind="stable")
        all_moments = np.concatenate([all_moments, moments])[order]
        all_rows = np.concatenate([all_rows, chosen])[order]

    # From one choice to the next, or to the loss before it.
    until = np.append(all_moments[1:], end_us)
    used = np.flatnonzero(all_rows >= 0)
    row, begin = all_rows[used], all_moments[used]
    until = np.minimum(until[used], allowed.end[row])
    # A choice that changes nothing goes on with the same assignment.
    same = (row[1:] == row[:-1]) & (begin[1:] == until[:-1])
    opens = np.flatnonzero(np.append(True, ~same)[: row.size])
    closes = np.flatnonzero(np.append(~same, True)[: row.size])
    return Assignments(row[opens], begin[opens], until[closes])


def _first_choice(satellite: Whole, merit: NDArray[Any]) -> int:
    """Return the place of the greatest merit; of equals the one of the smallest index."""
    return int(np.lexsort((satellite, -merit))[0])


def elevations_deg(look: Look, satellite: Whole, time_us: Whole) -> NDArray[np.float64]:
    """Return heights above the horizon, shape (n,); one that is not a number counts as lower than all others."""
    if not satellite.size:
        return np.empty(0)
    elevation_deg: NDArray[np.float64] = np.asarray(look(satellite, time_us).elevation_deg, dtype=np.float64)
    return np.where(np.isnan(elevation_deg), -np.inf, elevation_deg)


def _rises_from_nothing(allowed: GroupedIntervals, start_us: int, end_us: int) -> Whole:
    """Return the starts inside [start_us, end_us) of rows that begin where no other row stands."""
    latest_end = np.maximum.accumulate(allowed.end)
    rises: Whole = allowed.start[np.append(True, allowed.start[1:] > latest_end[:-1])]
    return rises[(rises >= start_us) & (rises < end_us)]


def _highest_rows(allowed: GroupedIntervals, moments: Whole, look: Look) -> Whole:
    """Return the row of the highest satellite at each of the ascending `moments`, `NOTHING` where there is none."""
    best = np.full(moments.size, NOTHING, dtype=np.int64)
    for first in range(0, moments.size, _MOMENTS_A_BLOCK):
        block = moments[first : first + _MOMENTS_A_BLOCK]
        place, row = _close_calls(allowed, block, look)
        satellite = allowed.group[row]
        elevation_deg = elevations_deg(look, satellite, block[place])
        # Sorted by place, then height, then satellite, the first of each place is the choice.
        order = np.lexsort((satellite, -elevation_deg, place))
        place, row = place[order], row[order]
        opens = np.append(True, place[1:] != place[:-1])[: place.size]
        best[first + place[opens]] = row[opens]
    return best


def _close_calls(allowed: GroupedIntervals, moments: Whole, look: Look) -> tuple[Whole, Whole]:
    """Return the pairs (place in `moments`, row) among which the highest of each moment is; none where none is up."""
    near = np.flatnonzero((allowed.start <= moments[-1]) & (allowed.end > moments[0]))
    low = np.searchsorted(moments, allowed.start[near], side="left")
    high = np.searchsorted(moments, allowed.end[near], side="left")
    member, place = each_within(low, high)
    knots = np.arange(moments[0], moments[-1] + _KNOT_US, _KNOT_US, dtype=np.int64)
    if not place.size or knots.size * 2 > moments.size:
        # So few moments that looking at all of them costs less than looking at knots first.
        return place, near[member]

    # Look at each row at its knots, from the last before its first moment to the first after its last.
    knots[-1] = moments[-1]
    cell = np.clip(np.searchsorted(knots, moments, side="right") - 1, 0, knots.size - 2)
    some = high > low
    first_knot = np.where(some, cell[np.minimum(low, moments.size - 1)], 0)
    past_knot = np.where(some, cell[np.maximum(high - 1, 0)] + 2, 0)
    knot_member, knot = each_within(first_knot, past_knot)
    look_deg = np.asarray(look(allowed.group[near][knot_member], knots[knot]).elevation_deg, dtype=np.float64)
    sine = np.sin(np.radians(look_deg))

    # Read every moment off the line between two knots, and keep who is about as high as the highest.
    base = np.cumsum(past_knot - first_knot) - (past_knot - first_knot) - first_knot
    along = (moments - knots[cell]) / np.diff(knots)[cell]
    left = base[member] + cell[place]
    guess = sine[left] + (sine[left + 1] - sine[left]) * along[place]
    highest = np.full(moments.size, -np.inf)
    np.fmax.at(highest, place, guess)
    # Written so that a guess that is not a number, where only a knot outside the row is bad, stays in.
    retained = ~(guess < highest[place] - _MARGIN_SINE)
    return place[retained], near[member[retained]]
