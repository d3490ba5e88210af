"""Which limits stop which satellite when: every pass above the floor, cut where that changes.

A set of limits is a whole number with one bit a limit, bit i for the i-th name of the view; 0 is a satellite that can
serve. What lifting some limits gives back is then a choice of pieces: those stopped by nothing else.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np

from passim.arrays import Bools, Ints
from passim.coverage.visibility import Visibility
from passim.errors import InternalError
from passim.intervals import GroupedIntervals, Intervals, difference_by_group, restrict, sweep, union

# A limit is one bit of a whole number, and one more bit says that a satellite is above the floor at all.
_MOST_LIMITS = 60
_ROOM_US = 2**62


class BlockedIntervals(NamedTuple):
    """Pieces [start, end) of passes with what stops the satellite: four arrays of shape (pieces,), int64.

    satellite        index of the satellite in the fleet
    start, end  microseconds since 1970 UTC; within a satellite the pieces ascend and do not overlap
    limits      the limits that stop it, one bit each; 0 where it can serve
    """

    satellite: Ints
    start: Ints
    end: Ints
    limits: Ints

    def where(self, chosen: Bools) -> BlockedIntervals:
        """Return the pieces for which `chosen`, shape (pieces,), holds."""
        return BlockedIntervals(self.satellite[chosen], self.start[chosen], self.end[chosen], self.limits[chosen])

    def open_without(self, lifted: int) -> Intervals:
        """Return when one satellite or more can serve with the limits in the bits of `lifted` taken away."""
        chosen = (self.limits & ~lifted) == 0
        return union((self.start[chosen], self.end[chosen]))


def blocked_within(visibility: Visibility, within: Intervals) -> BlockedIntervals:
    """Return every piece of a pass above the floor inside the union of `within`, sorted by start, then satellite.

    `within` holds times in microseconds since 1970 UTC.
    """
    base = _cut(visibility.base, within)
    if not base.group.size:
        nothing = np.zeros(0, dtype=np.int64)
        return BlockedIntervals(nothing, nothing, nothing, nothing)
    names = list(visibility.allowed)
    if len(names) > _MOST_LIMITS:
        raise InternalError(f"a view with {len(names)} limits, more than {_MOST_LIMITS}")

    # Lay the satellites end to end on one line, far enough apart never to touch.
    origin = int(base.start.min())
    width = int(base.end.max()) - origin + 1
    if width * (int(base.group.max()) + 1) >= _ROOM_US:
        raise InternalError(
            f"{int(base.group.max())} satellites over {width / 8.64e10:.0f} days do not fit on one line"
        )
    above = 1 << len(names)
    starts, ends, weights = [], [], []
    for bit, stretch in [(above, base)] + [
        (1 << number, difference_by_group(base, _cut(visibility.allowed[name], within)))
        for number, name in enumerate(names)
    ]:
        starts.append(stretch.group * width + (stretch.start - origin))
        ends.append(stretch.group * width + (stretch.end - origin))
        weights.append(np.full(stretch.group.size, bit, dtype=np.int64))

    # One walk along the line adds up the bits: each is there once at most, so their sum is their set.
    steps = sweep((np.concatenate(starts), np.concatenate(ends)), weight=np.concatenate(weights))
    piece = np.flatnonzero(steps.level >= above)
    satellite, start = np.divmod(steps.edges[piece], width)
    end = steps.edges[piece + 1] - satellite * width
    order = np.lexsort((satellite, start))
    return BlockedIntervals(
        satellite[order], start[order] + origin, end[order] + origin, steps.level[piece][order] - above
    )


def blocked_always(visibility: Visibility) -> BlockedIntervals:
    """Return every piece of every pass above the floor in the span, sorted by start, then satellite."""
    span = visibility.span
    whole = np.array([span.start_us], dtype=np.int64), np.array([span.end_us], dtype=np.int64)
    return blocked_within(visibility, Intervals(*whole))


def names_of(limits: int, names: Sequence[str]) -> tuple[str, ...]:
    """Return the names of the limits in a whole number of bits, in the order of `names`."""
    return tuple(name for number, name in enumerate(names) if limits >> number & 1)


def bits_of(lifted: Collection[str], names: Sequence[str]) -> int:
    """Return the whole number that has the bits of the limits `lifted`."""
    return sum(1 << number for number, name in enumerate(names) if name in lifted)


def bit_count(limits: Ints) -> Ints:
    """Return how many limits each number of `limits` holds, in its shape."""
    return np.bitwise_count(limits).astype(np.int64)


def _cut(intervals: GroupedIntervals, within: Intervals) -> GroupedIntervals:
    """Return the parts of `intervals` inside the union of `within`."""
    row, start, end = restrict((intervals.start, intervals.end), within)
    return GroupedIntervals(intervals.group[row], start, end)
