"""What settings leave of the stretches that one sky allows: thousands of intersections as plain arrays.

Every setting is looked for inside the same stretches, so what it leaves of stretch i stands in row i, and two settings
together leave the later start and the earlier end, row by row, without sorting or searching. Mostly a limit leaves one
piece of a stretch or none; a keep-out cuts one in two, and then there are two columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from passim.intervals import GroupedIntervals, Intervals, restrict_by_group

Whole = NDArray[np.int64]

# A group has this much of a line of microseconds for itself: a span is far shorter.
_LINE_US = 1 << 43


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces of known stretches: start and end, microseconds since 1970 UTC, shape (stretches, most in one) each.

    In a row they are in order and apart; a place without a piece has an end that is not after its start, and stands
    behind the others.
    """

    start: Whole
    end: Whole

    @classmethod
    def of_each(cls, sets: Sequence[GroupedIntervals], known: GroupedIntervals) -> list[Pieces]:
        """Return each of `sets` cut down to `known`; all are merged, and sorted by group and start."""
        rows = [intervals.group.size for intervals in sets]
        together = GroupedIntervals(*(np.concatenate(column) for column in zip(*sets, strict=True)))
        row, start, end = restrict_by_group(together, known)
        begins = np.searchsorted(row, np.cumsum([0, *rows]))
        # The stretch of a piece is the last of its group that begins no later.
        low = int(known.start.min(initial=0))
        keys = known.group * _LINE_US + (known.start - low)
        stretch = np.searchsorted(keys, together.group[row] * _LINE_US + (start - low), side="right") - 1
        found = []
        for first, last in pairwise(begins.tolist()):
            here = stretch[first:last]
            place = np.arange(here.size) - np.searchsorted(here, here, side="left")
            shape = (known.group.size, int(place.max(initial=0)) + 1)
            pieces = cls(np.zeros(shape, np.int64), np.zeros(shape, np.int64))
            pieces.start[here, place], pieces.end[here, place] = start[first:last], end[first:last]
            found.append(pieces)
        return found

    def __and__(self, other: Pieces) -> Pieces:
        """Return what both leave."""
        if self.start.shape[1] == other.start.shape[1] == 1:
            return Pieces(np.maximum(self.start, other.start), np.minimum(self.end, other.end))
        rows = self.start.shape[0]
        start = np.maximum(self.start[:, :, None], other.start[:, None, :]).reshape(rows, -1)
        end = np.minimum(self.end[:, :, None], other.end[:, None, :]).reshape(rows, -1)
        real = end > start
        most = max(int(real.sum(axis=1).max(initial=0)), 1)
        order = np.argsort(~real, axis=1, kind="stable")[:, :most]
        return Pieces(np.take_along_axis(start, order, axis=1), np.take_along_axis(end, order, axis=1))

    def gaps(self, low: int, high: int) -> Intervals:
        """Return the points of the window [low, high) that no piece holds, as `passim.intervals.complement` does."""
        held = self.end > self.start
        edges = np.empty((2, np.count_nonzero(held) + 1), np.int64)
        edges[0, 0], edges[1, -1] = low, high
        # Starts and ends sorted apart: what lies between one end and the next start is open to none.
        edges[0, 1:], edges[1, :-1] = self.end[held], self.start[held]
        np.minimum(np.maximum(edges, low, out=edges), high, out=edges)
        edges[0, 1:].sort()
        edges[1, :-1].sort()
        real = edges[1] > edges[0]
        return Intervals(edges[0, real], edges[1, real])

    def grouped(self, known: GroupedIntervals) -> GroupedIntervals:
        """Return the pieces by group, sorted by group and start, where `known` are the stretches."""
        real = self.end > self.start
        return GroupedIntervals(known.group[np.nonzero(real)[0]], self.start[real], self.end[real])
