"""Events against events: which forecast gap is which that came, and how far apart they are.

A forecast event and one that came belong together when their times differ by no more than a tolerance, each to one at
most. There are usually several ways to pair them; the one with the most pairs counts, and of these the one with the
least time between the partners. On a line the best pairs never cross, so a table of the best so far finds them (the
dynamic programme of sequence alignment; Needleman & Wunsch, J. Mol. Biol. 48, 1970, recalled).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Floats, Ints
from passim.errors import InputError
from passim.intervals import IntervalSet


class Matches(NamedTuple):
    """Rows of the forecast and of what came that belong together, shape (pairs,) each, in order of time."""

    forecast: Ints
    came: Ints


@dataclass(frozen=True, eq=False)
class EventScores:
    """How forecast events fit those that came.

    matches             which is which
    forecast_count      events forecast
    came_count          events that came
    tolerance_s         how far apart two starts may lie
    start_late_s        shape (pairs,): how much later each began than was forecast; below 0, earlier
    end_late_s          the same of the ends
    duration_ratio      length forecast for each second that came, over the pairs; nan without any
    """

    matches: Matches
    forecast_count: int
    came_count: int
    tolerance_s: float
    start_late_s: Floats = field(repr=False)
    end_late_s: Floats = field(repr=False)
    duration_ratio: float

    @property
    def hits(self) -> int:
        """Events that came as forecast."""
        return self.matches.forecast.size

    @property
    def misses(self) -> int:
        """Events that came and were not forecast."""
        return self.came_count - self.hits

    @property
    def false_alarms(self) -> int:
        """Events that were forecast and did not come."""
        return self.forecast_count - self.hits

    @property
    def hit_rate(self) -> float:
        """Share of the events that came that had been forecast; nan where none came."""
        return self.hits / self.came_count if self.came_count else float("nan")

    @property
    def false_alarm_ratio(self) -> float:
        """Share of the events forecast that did not come; nan where none was forecast."""
        return self.false_alarms / self.forecast_count if self.forecast_count else float("nan")

    @property
    def bias(self) -> float:
        """Events forecast for each that came: 1 is right, above 1 is too many; nan where none came."""
        return self.forecast_count / self.came_count if self.came_count else float("nan")

    @property
    def median_late_s(self) -> float:
        """Median of how much later matched events began than forecast; nan without pairs."""
        return float(np.median(self.start_late_s)) if self.hits else float("nan")

    @property
    def spread_s(self) -> float:
        """Spread of the starts about that median, as a standard deviation: 1.4826 times the median distance."""
        return robust_sigma(self.start_late_s) if self.hits else float("nan")


def score_events(forecast_us: IntervalSet, came_us: IntervalSet, tolerance_s: float) -> EventScores:
    """Return how the events [start, end) of a forecast fit those that came, microseconds since 1970 UTC, (n,) each.

    They are matched by their starts. Raises InputError.
    """
    forecast_start, forecast_end = (np.asarray(bound, dtype=np.int64) for bound in forecast_us)
    came_start, came_end = (np.asarray(bound, dtype=np.int64) for bound in came_us)
    pairs = match_times(forecast_start, came_start, tolerance_s)
    row, other = pairs
    forecast_length = int((forecast_end - forecast_start)[row].sum())
    came_length = int((came_end - came_start)[other].sum())
    return EventScores(
        matches=pairs,
        forecast_count=forecast_start.size,
        came_count=came_start.size,
        tolerance_s=float(tolerance_s),
        start_late_s=(came_start[other] - forecast_start[row]) / 1e6,
        end_late_s=(came_end[other] - forecast_end[row]) / 1e6,
        duration_ratio=forecast_length / came_length if came_length else float("nan"),
    )


def match_times(forecast_us: ArrayLike, came_us: ArrayLike, tolerance_s: float) -> Matches:
    """Return which of two sets of times belong together, at most `tolerance_s` apart and one to one.

    Times are whole microseconds, shape (n,) and (m,), in any order. As many pairs as there can be; of these ways the
    one with the least time between partners. Raises InputError.
    """
    if not 0.0 <= tolerance_s < float("inf"):
        raise InputError("tolerance", got=tolerance_s, wanted="seconds, 0 or more", try_next="10")
    forecast, came = np.asarray(forecast_us), np.asarray(came_us)
    for what, times in (("times forecast", forecast), ("times that came", came)):
        if times.ndim != 1 or (times.size and times.dtype.kind not in "iu"):
            raise InputError(what, got=f"{times.dtype} of shape {times.shape}", wanted="whole microseconds, shape (n,)")
    if not forecast.size or not came.size:
        return Matches(np.zeros(0, np.int64), np.zeros(0, np.int64))
    tolerance_us = round(tolerance_s * 1e6)
    a_order, b_order = np.argsort(forecast, kind="stable"), np.argsort(came, kind="stable")
    a, b = forecast[a_order].astype(np.int64), came[b_order].astype(np.int64)

    # Cut the line wherever no time follows within the tolerance: no pair reaches across.
    every = np.sort(np.concatenate([a, b]))
    cuts = every[1:][np.diff(every) > tolerance_us]
    a_cuts, b_cuts = (np.concatenate([[0], np.searchsorted(each, cuts), [each.size]]) for each in (a, b))
    a_size, b_size = np.diff(a_cuts), np.diff(b_cuts)
    # One of each is a pair, since no more than the tolerance lies between them.
    alone = (a_size == 1) & (b_size == 1)
    rows, others = [a_cuts[:-1][alone]], [b_cuts[:-1][alone]]
    for number in np.flatnonzero((a_size > 0) & (b_size > 0) & ~alone):
        a_low, a_high, b_low, b_high = a_cuts[number], a_cuts[number + 1], b_cuts[number], b_cuts[number + 1]
        pairs = np.array(_best_pairs(a[a_low:a_high].tolist(), b[b_low:b_high].tolist(), tolerance_us))
        rows.append(a_low + pairs[:, 0])
        others.append(b_low + pairs[:, 1])
    row, other = np.concatenate(rows), np.concatenate(others)
    in_time = np.argsort(row, kind="stable")
    return Matches(a_order[row[in_time]], b_order[other[in_time]])


def robust_sigma(values: ArrayLike) -> float:
    """Return the spread of values, shape (n,), about their median: 1.4826 times the median distance from it.

    For normal values that is the standard deviation; up to half of them may lie anywhere without carrying it away
    (Hampel 1974, recalled). nan without values.
    """
    array = np.asarray(values, dtype=np.float64)
    return float(1.4826 * np.median(np.abs(array - np.median(array)))) if array.size else float("nan")


def _best_pairs(a: list[int], b: list[int], tolerance: int) -> list[tuple[int, int]]:
    """Return the best pairs (i, j) of two ascending lists: the most, and of these the nearest."""
    # best[i][j] is (minus the number of pairs, time between partners) of the first i and j: the smaller, the better.
    best = [[(0, 0)] * (len(b) + 1) for _ in range(len(a) + 1)]
    for i, at in enumerate(a, 1):
        row, above = best[i], best[i - 1]
        for j, other in enumerate(b, 1):
            choice = min(above[j], row[j - 1])
            apart = abs(at - other)
            if apart <= tolerance:
                pairs, total = above[j - 1]
                choice = min(choice, (pairs - 1, total + apart))
            row[j] = choice
    pairs_found = []
    i, j = len(a), len(b)
    while i and j:
        here = best[i][j]
        if here == best[i - 1][j]:
            i -= 1
        elif here == best[i][j - 1]:
            j -= 1
        else:
            i, j = i - 1, j - 1
            pairs_found.append((i, j))
    return pairs_found[::-1]
