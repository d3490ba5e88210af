"""Gaps of many runs asked about many windows at once: each pair of run and window by a few look-ups, none by a loop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats, Ints
from passim.forecast.floor import FloorInWindows
from passim.spans import utc_times, zone

# Pairs of run and window held at a time: some tens of megabytes.
_PAIRS_A_BLOCK: Final = 1_000_000
# A quantile of the longest gap is found this near.
_NEAR_S: Final = 1e-3


@dataclass(frozen=True, eq=False)
class WindowOdds:
    """What awaits in each of many windows, over the runs of a simulation.

    start_us, end_us        shape (windows,): the windows, microseconds since 1970 UTC
    at_least_s              the lengths asked for, seconds
    runs                    how many futures were drawn
    chance                  shape (windows, lengths): the chance of a gap that long or longer
    expected_count          shape (windows, lengths): the expected number of such gaps
    expected_frozen_s       shape (windows,): the expected seconds without service
    worst_p50_s, worst_p90_s
                            shape (windows,): median and 90th percentile of the longest gap, 0 where there is none
    """

    start_us: Ints
    end_us: Ints
    at_least_s: tuple[float, ...]
    runs: int
    chance: Floats
    expected_count: Floats
    expected_frozen_s: Floats
    worst_p50_s: Floats
    worst_p90_s: Floats

    def table(self, timezone: str = "UTC") -> pd.DataFrame:
        """Return one row a window.

        Columns: start, end (datetime64[us, UTC]); start_local, in `timezone`; for every length L asked for
        chance_L_s and count_L_s (as chance_0.5_s); expected_frozen_s; worst_p50_s; worst_p90_s.
        """
        start = pd.Series(utc_times(self.start_us))
        columns: dict[str, object] = {
            "start": start,
            "end": utc_times(self.end_us),
            "start_local": start.dt.tz_convert(zone(timezone)),
        }
        for place, length_s in enumerate(self.at_least_s):
            columns[f"chance_{length_s:g}_s"] = self.chance[:, place]
            columns[f"count_{length_s:g}_s"] = self.expected_count[:, place]
        columns["expected_frozen_s"] = self.expected_frozen_s
        columns["worst_p50_s"], columns["worst_p90_s"] = self.worst_p50_s, self.worst_p90_s
        return pd.DataFrame(columns)


@dataclass(frozen=True)
class GapsOfRuns:
    """The gaps of all runs on one line, run after run, made ready for questions about windows.

    Run r lies at r * width. `longest` is a table for the greatest of neighbouring lengths: row k, place i holds that of
    the 2**k gaps from i on (sparse table; Bender & Farach-Colton, "The LCA problem revisited", 2000, recalled).
    """

    runs: int
    width: int
    start: Ints
    end: Ints

    @classmethod
    def laid(cls, runs: int, length_us: int, run: Ints, start_us: Ints, end_us: Ints) -> GapsOfRuns:
        """Return gaps in [0, length_us) of each run, sorted by run and start, on one line."""
        width = length_us + 1
        return cls(runs, width, start_us + run * width, end_us + run * width)

    def within(self, start: Ints, end: Ints, thresholds_s: Floats, floor: FloorInWindows | None = None) -> list[Floats]:
        """Return what `WindowOdds` holds of windows, microseconds after the start of the span, in its order.

        Chance and expected count of gaps that last `thresholds_s` or longer, shape (windows, thresholds) each; expected
        seconds, median and 90th percentile of the longest gap, shape (windows,) each. `floor` brings outages that no
        run holds.
        """
        a_block = max(1, _PAIRS_A_BLOCK // self.runs)
        blocks = [slice(first, first + a_block) for first in range(0, max(1, start.size), a_block)]
        pieces = [
            self._within(start[block], end[block], thresholds_s, None if floor is None else floor.of(block))
            for block in blocks
        ]
        return [np.concatenate(parts) for parts in zip(*pieces, strict=True)]

    def _within(self, start: Ints, end: Ints, thresholds_s: Floats, floor: FloorInWindows | None) -> list[Floats]:
        """Return what `within` does, of windows few enough to be held with every run at once."""
        # One row a run, one column a window: the gaps a window meets are neighbours, from `first` to before `past`.
        base = np.arange(self.runs, dtype=np.int64)[:, None] * self.width
        opens, closes = base + start, base + end
        first = np.searchsorted(self.end, opens, side="right")
        past = np.searchsorted(self.start, closes, side="left")
        count = past - first
        # Only the first and the last can reach out; those between are whole.
        padded_start, padded_end = np.append(self.start, 0), np.append(self.end, 0)
        first_s = _inside_s(padded_start[first], padded_end[first], opens, closes, count > 0)
        last_s = _inside_s(padded_start[past - 1], padded_end[past - 1], opens, closes, count > 1)
        inner_first, inner_count = first + 1, np.maximum(count - 2, 0)
        inner_past = inner_first + inner_count

        length_s = (self.end - self.start) / 1e6
        frozen_s = first_s + last_s + _sums(length_s, inner_first, inner_past)
        worst_s = np.maximum(np.maximum(first_s, last_s), _greatest(length_s, inner_first, inner_count))
        chance, expected = np.empty((2, start.size, thresholds_s.size))
        for place, least_s in enumerate(thresholds_s):
            numbers = _sums((length_s >= least_s).astype(np.float64), inner_first, inner_past)
            numbers += first_s >= least_s
            numbers += last_s >= least_s
            expected[:, place] = numbers.mean(axis=0)
            chance[:, place] = (worst_s >= least_s).mean(axis=0)
        out_s = frozen_s.mean(axis=0)
        if floor is None:
            median_s, ninetieth_s = np.quantile(worst_s, (0.5, 0.9), axis=0)
            return [chance, expected, out_s, median_s, ninetieth_s]
        # Outages of the floor know nothing of the gaps: neither is there with the product of both chances.
        for place, least_s in enumerate(thresholds_s):
            more = floor.count(least_s)
            expected[:, place] += more
            chance[:, place] = 1.0 - (1.0 - chance[:, place]) * np.exp(-more)
        worst_s.sort(axis=0)
        median_s, ninetieth_s = (_longest_of_both(worst_s, floor, share) for share in (0.5, 0.9))
        return [chance, expected, out_s + floor.out_s, median_s, ninetieth_s]


def _longest_of_both(worst_s: Floats, floor: FloorInWindows, share: float) -> Floats:
    """Return the length that the longest of gap and outage stays within in `share` of cases, shape (windows,), seconds.

    `worst_s`, shape (runs, windows), has the longest gaps of each window ascending. Found by halving, to a millisecond.
    """
    windows = worst_s.shape[1]
    low, high = np.zeros(windows), np.maximum(worst_s[-1], floor.longest_s)
    within_zero = _share_within(worst_s, low) * np.exp(-floor.count(np.nextafter(0.0, 1.0)))
    steps = max(1, math.ceil(math.log2(max(float(high.max(initial=0.0)), 1e-3) / _NEAR_S)))
    for _ in range(steps):
        middle = 0.5 * (low + high)
        enough = _share_within(worst_s, middle) * np.exp(-floor.count(middle)) >= share
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    longest_s: Floats = np.where(within_zero >= share, 0.0, high)
    return longest_s


def _share_within(worst_s: Floats, length_s: Floats) -> Floats:
    """Return the share of runs whose longest gap is at most `length_s` in each window, shape (windows,)."""
    share: Floats = (worst_s <= length_s).mean(axis=0)
    return share


def _inside_s(start: Ints, end: Ints, opens: Ints, closes: Ints, there: Bools) -> Floats:
    """Return the seconds of gaps inside windows, 0 where there is none."""
    return np.where(there, np.minimum(end, closes) - np.maximum(start, opens), 0) / 1e6


def _sums(values: Floats, first: Ints, past: Ints) -> Floats:
    """Return the sums of neighbours from `first` to before `past`."""
    so_far = np.append(0.0, np.cumsum(values))
    last = values.size
    sums: Floats = so_far[np.minimum(past, last)] - so_far[np.minimum(first, last)]
    return sums


def _greatest(values: Floats, first: Ints, count: Ints) -> Floats:
    """Return the greatest of the `count` neighbours from `first` on, 0 where there are none."""
    greatest = np.zeros(first.shape)
    most = int(count.max(initial=0))
    if not most:
        return greatest
    # Two runs of 2**k neighbours, from the first on and up to the last, cover any count from 2**k to 2**(k+1).
    level = values
    for power in range(int(math.log2(most)) + 1):
        width = 1 << power
        if power:
            level = np.maximum(level[: -width // 2], level[width // 2 :])
        now = (count >= width) & (count < 2 * width)
        begin = first[now]
        greatest[now] = np.maximum(level[begin], level[begin + count[now] - width])
    return greatest
