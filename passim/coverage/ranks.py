"""When a place would have been covered by the first N of an ordered fleet, for every N at once.

Satellites are put in an order and get ranks 0, 1, 2, ... Each elementary slice of time is first covered by the smallest
rank among the satellites in view: with N satellites exactly the slices of rank below N are covered. One sweep of one
order therefore holds the coverage of every N, and its gap statistics follow without another sweep:

    time out        lengths added up by rank
    gap count       every step up in rank from one slice to the next opens a gap for the N in between
    longest gap     the run around each slice in which no rank is smaller, by nearest smaller neighbours

Of the second smallest rank in view the same tells when the first N give two satellites at once.

All of it is exact, in whole microseconds. Nothing here knows why the order is what it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from passim.arrays import Floats, Ints
from passim.intervals import GroupedIntervals
from passim.spans import Span


class RankSweep:
    """The elementary slices of a span under the intervals of many satellites, ready to be swept in any order of them.

    ``intervals`` may overlap and reach beyond the span. The slices are made once; `cover` takes an order.
    """

    def __init__(self, intervals: GroupedIntervals, span: Span) -> None:
        start = np.clip(intervals.start, span.start_us, span.end_us)
        end = np.clip(intervals.end, span.start_us, span.end_us)
        some = end > start
        self.span = span
        self._satellite = intervals.group[some].astype(np.intp)
        start, end = start[some], end[some]
        # Sorting by hand: np.unique hashes first, which costs more here than the sort itself.
        edges = np.sort(np.concatenate([[span.start_us, span.end_us], start, end]), kind="stable")
        self._edges = edges[np.append(True, edges[1:] != edges[:-1])]
        first = np.searchsorted(self._edges, start)
        last = np.searchsorted(self._edges, end)
        # An interval of n slices is two overlapping blocks of a power of two: the blocks are marked, then handed down.
        self._level = np.floor(np.log2(last - first)).astype(np.intp)
        slices = len(self._edges) - 1
        self._levels = int(self._level.max(initial=0)) + 1
        self._left = self._level * slices + first
        self._right = self._level * slices + last - (1 << self._level)

    def cover(self, rank_of_satellite: Ints, *, twice: bool = False) -> FirstCover:
        """Return the first covering rank along the span; `rank_of_satellite` has shape (satellites,), ranks from 0.

        A satellite with a negative rank never counts; the other ranks are those of one satellite each. With `twice` it
        is the rank from which on two satellites cover at once.
        """
        nobody = int(rank_of_satellite.max(initial=-1)) + 1
        given = rank_of_satellite[self._satellite]
        rank = np.where(given < 0, nobody, given).astype(np.int32)
        slices = len(self._edges) - 1
        table = np.full(self._levels * slices, nobody, dtype=np.int32)
        np.minimum.at(table, self._left, rank)
        np.minimum.at(table, self._right, rank)
        blocks = table.reshape(self._levels, slices)
        first = self._second(rank, blocks, nobody) if twice else self._handed_down(blocks)
        # Neighbouring slices of one rank are one run.
        opens = np.flatnonzero(np.r_[True, first[1:] != first[:-1]])
        return FirstCover(np.append(self._edges[opens], self._edges[-1]), first[opens].astype(np.int64), nobody)

    def _handed_down(self, blocks: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return the smallest rank of each slice, from that of each block, shape (levels, slices), which it takes."""
        for level in range(self._levels - 1, 0, -1):
            half = 1 << (level - 1)
            np.minimum(blocks[level - 1], blocks[level], out=blocks[level - 1])
            np.minimum(blocks[level - 1, half:], blocks[level, :-half], out=blocks[level - 1, half:])
        smallest: NDArray[np.int32] = blocks[0]
        return smallest

    def _second(self, rank: NDArray[np.int32], blocks: NDArray[np.int32], nobody: int) -> NDArray[np.int32]:
        """Return the second smallest rank of each slice; `blocks` has the smallest of each block, before any handing.

        A satellite marks two blocks that overlap, so one rank met twice is one satellite.
        """
        flat = np.full(blocks.size, nobody, dtype=np.int32)
        for place in (self._left, self._right):
            other = rank > blocks.ravel()[place]
            np.minimum.at(flat, place[other], rank[other])
        seconds = flat.reshape(blocks.shape)
        for level in range(self._levels - 1, 0, -1):
            half = 1 << (level - 1)
            for lower, upper in ((slice(None), slice(None)), (slice(half, None), slice(None, -half))):
                a, b = blocks[level - 1, lower], blocks[level, upper]
                larger = np.where(a == b, nobody, np.maximum(a, b))
                seconds[level - 1, lower] = np.minimum(
                    np.minimum(seconds[level - 1, lower], seconds[level, upper]), larger
                )
                blocks[level - 1, lower] = np.minimum(a, b)
        second: NDArray[np.int32] = seconds[0]
        return second


@dataclass(frozen=True)
class FirstCover:
    """The smallest covering rank along a span: ``rank[i]`` from ``edges_us[i]`` up to ``edges_us[i + 1]``.

    Neighbouring runs differ. ``nobody`` is the number of satellites in the order; a run of that rank is never covered,
    and one of rank -1 (outside the windows of `clipped`) always is.
    """

    edges_us: Ints
    rank: Ints
    nobody: int

    @cached_property
    def _lengths(self) -> Ints:
        return np.diff(self.edges_us)

    @property
    def satellites(self) -> Ints:
        """Every number of satellites, 0 to all of them, shape (all + 1,): what the curves are indexed by."""
        return np.arange(self.nobody + 1)

    @cached_property
    def gap_us(self) -> Ints:
        """Time without service with the first N satellites, microseconds, for every N from 0, shape (all + 1,)."""
        by_rank = np.zeros(self.nobody + 1, dtype=np.int64)
        counted = self.rank >= 0
        np.add.at(by_rank, self.rank[counted], self._lengths[counted])
        return np.cumsum(by_rank[::-1])[::-1]

    @cached_property
    def gap_count(self) -> Ints:
        """Number of gaps, cut ones included, for every N from 0, shape (all + 1,)."""
        before = np.concatenate([[-1], self.rank[:-1]])
        up = self.rank > before
        # A step up from rank a to rank b opens a gap for every N with a < N <= b.
        change = np.zeros(self.nobody + 3, dtype=np.int64)
        np.add.at(change, before[up] + 1, 1)
        np.add.at(change, self.rank[up] + 1, -1)
        return np.cumsum(change)[: self.nobody + 1]

    @cached_property
    def longest_gap_us(self) -> Ints:
        """Longest gap, cut ones included, microseconds, for every N from 0, shape (all + 1,)."""
        left, right = nearest_smaller(self.rank)
        run = self.edges_us[right] - self.edges_us[left + 1]
        longest = np.zeros(self.nobody + 1, dtype=np.int64)
        counted = self.rank >= 0
        np.maximum.at(longest, self.rank[counted], run[counted])
        return np.maximum.accumulate(longest[::-1])[::-1]

    def gaps_us(self, satellites: int) -> Ints:
        """Return start and end of every gap with the first `satellites`, us since 1970 UTC, shape (gaps, 2)."""
        out = self.rank >= satellites
        change = np.flatnonzero(np.diff(np.concatenate([[False], out, [False]]).astype(np.int8)))
        return self.edges_us[change].reshape(-1, 2)

    def mean_gap_s(self) -> Floats:
        """Return the mean gap, s, for every N from 0; 0 without a gap. Times the count it is the time out."""
        return self.gap_us / 1e6 / np.maximum(self.gap_count, 1)

    def clipped(self, start_us: Ints, end_us: Ints) -> FirstCover:
        """Return the cover inside windows only, such as call hours: outside them everything counts as covered.

        The windows, sorted and apart, have shape (n,). A gap that a window cuts is a gap of its own there.
        """
        cuts = np.unique(
            np.concatenate(
                [self.edges_us, np.clip(start_us, *self.edges_us[[0, -1]]), np.clip(end_us, *self.edges_us[[0, -1]])]
            )
        )
        middle = cuts[:-1] + np.diff(cuts) // 2
        rank = self.rank[np.searchsorted(self.edges_us, middle, side="right") - 1]
        window = np.searchsorted(start_us, middle, side="right") - 1
        inside = (
            (window >= 0) & (middle < end_us[np.maximum(window, 0)]) if len(start_us) else np.zeros(len(rank), bool)
        )
        rank = np.where(inside, rank, -1)
        opens = np.flatnonzero(np.r_[True, rank[1:] != rank[:-1]])
        return FirstCover(np.append(cuts[opens], cuts[-1]), rank[opens], self.nobody)


def nearest_smaller(values: Ints) -> tuple[Ints, Ints]:
    """Return for each place the nearest place to the left and to the right with a smaller value; -1 and n where none.

    Sparse tables of minima over powers of two, then a walk down the powers for all places at once: n log n.
    """
    n = len(values)
    tables = [values]
    while (1 << len(tables)) <= n:
        half = 1 << (len(tables) - 1)
        tables.append(np.minimum(tables[-1][:-half], tables[-1][half:]))
    right, left = np.arange(1, n + 1), np.arange(n)
    for level in range(len(tables) - 1, -1, -1):
        size, table = 1 << level, tables[level]
        # Step over a block where all of it is at least as large.
        reach = np.minimum(right, n - size)
        over = (right + size <= n) & (table[np.maximum(reach, 0)] >= values)
        right = np.where(over, right + size, right)
        reach = np.maximum(left - size, 0)
        over = (left - size >= 0) & (table[np.minimum(reach, n - size)] >= values)
        left = np.where(over, left - size, left)
    return left - 1, right
