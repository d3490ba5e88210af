"""How far the clock of a record stands from that of a forecast, and whether that could be luck.

The record is slid along the forecast, and the time that both are out together is added up: where it is longest, the
clocks agree. For intervals that time is a sum of trapezoids, one a pair, so it is known exactly at every lag, and its
highest point too: no grid is laid over the lags (own arithmetic; the time out together is the cross-correlation of the
two step functions).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from passim.arrays import Ints
from passim.intervals import Intervals, IntervalSet, union

# A clock that its machine sets by the network is right to a second; one that nobody has set for months, to a minute.
MOST_OFFSET_S: Final = 60.0
# Within a microsecond of the longest time together counts as the longest.
_SAME_US: Final = 1.0


class BestLag(NamedTuple):
    """The lag at which two sets of intervals overlap longest.

    lag_us      by how much the second is later than the first; the middle where several lags do equally well
    overlap_us  the time that both hold there
    """

    lag_us: float
    overlap_us: float


def overlap_us(first: IntervalSet, second: IntervalSet, lag_us: float = 0.0) -> float:
    """Return the time that `first`, moved later by `lag_us`, and `second` have in common, microseconds."""
    a, b = _floats(first), _floats(second)
    row, other = _pairs(a, b, abs(lag_us))
    start = np.maximum(a.start[row] + lag_us, b.start[other])
    end = np.minimum(a.end[row] + lag_us, b.end[other])
    return float(np.maximum(end - start, 0.0).sum())


def best_lag(first: IntervalSet, second: IntervalSet, most_us: float = MOST_OFFSET_S * 1e6) -> BestLag:
    """Return the lag within `most_us` either way at which `first`, moved later by it, overlaps `second` longest.

    Of peaks that are equally high the one nearest to 0 counts. Without any overlap at all the lag is 0. Both are sets
    of intervals in microseconds; what overlaps within one of them is joined first.
    """
    a, b = _floats(first), _floats(second)
    row, other = _pairs(a, b, most_us)
    if not row.size:
        return BestLag(0.0, 0.0)
    a_start, a_end, b_start, b_end = a.start[row], a.end[row], b.start[other], b.end[other]
    # Two intervals begin to meet at the first of these lags, overlap by the shorter from the second to the third, and
    # part at the fourth.
    meets, parts = b_start - a_end, b_end - a_start
    ends_fit, starts_fit = b_end - a_end, b_start - a_start
    full, less = np.minimum(ends_fit, starts_fit), np.maximum(ends_fit, starts_fit)
    kink = np.concatenate([meets, full, less, parts])
    change = np.repeat([1.0, -1.0, -1.0, 1.0], row.size)
    order = np.argsort(kink, kind="stable")
    kink, slope = kink[order], np.cumsum(change[order])
    # From kink to kink the sum is straight, so its highest point in the window is at a kink or at an end of it.
    height = np.append(0.0, np.cumsum(slope[:-1] * np.diff(kink)))
    at = np.concatenate([[-most_us], kink[(kink > -most_us) & (kink < most_us)], [most_us]])
    value = np.interp(at, kink, height, left=0.0, right=0.0)
    highest = float(value.max())
    if highest <= 0.0:
        return BestLag(0.0, 0.0)
    top = np.flatnonzero(value >= highest - _SAME_US)
    # A plateau is a run of neighbouring points at the top; its middle is the lag.
    opens = np.append(True, np.diff(top) > 1)
    firsts, lasts = top[opens], top[np.append(opens[1:], True)]
    middles = (at[firsts] + at[lasts]) / 2.0
    return BestLag(float(middles[np.argmin(np.abs(middles))]), highest)


def _pairs(a: Intervals, b: Intervals, most_us: float) -> tuple[Ints, Ints]:
    """Return which of `a`, moved by no more than `most_us`, can meet which of `b`."""
    low = np.searchsorted(b.end, a.start - most_us, side="right")
    high = np.searchsorted(b.start, a.end + most_us, side="left")
    count = np.maximum(high - low, 0)
    row = np.repeat(np.arange(a.start.size), count)
    other = np.arange(row.size) - np.repeat(np.cumsum(count) - count - low, count)
    return row, other


def _floats(intervals: IntervalSet) -> Intervals:
    """Return the union of intervals with float64 bounds."""
    start, end = union(intervals)
    return Intervals(start.astype(np.float64), end.astype(np.float64))
