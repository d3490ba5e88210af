"""Outages that no satellite explains: a floor under the odds of a line, at a rate that follows the local hour.

A record tells of them (`passim.line.learning`): what came without a gap forecast, how often in each hour of the day,
and how long it lasted. They begin at random and know nothing of satellites, so that what they bring to a window is
told in closed form, and added to what drawn futures show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Floats, Ints
from passim.errors import InputError
from passim.forecast.baselines import day_clock
from passim.spans import zone

_HOURS: Final = 24
# Rates hold from one quarter of an hour to the next: every zone's local hours begin at one.
_QUARTER_US: Final = 900_000_000
_HOUR_US: Final = 3_600_000_000


@dataclass(frozen=True)
class Floor:
    """Outages that no satellite explains: they come at random, at a rate that follows the local hour.

    per_hour    24 rates, outages an hour, from midnight on
    lengths_s   the lengths recorded, seconds, ascending: each as likely as any other
    timezone    that of the hours

    Raises InputError for rates or lengths that are no numbers of 0 or more, SiteError for an unknown zone.
    """

    per_hour: tuple[float, ...]
    lengths_s: tuple[float, ...]
    timezone: str

    def __post_init__(self) -> None:
        zone(self.timezone)
        for what, values, right in (
            ("rates of the floor", self.per_hour, len(self.per_hour) == _HOURS),
            ("lengths of the floor", self.lengths_s, bool(self.lengths_s) or not any(self.per_hour)),
        ):
            if not right or not all(math.isfinite(value) and value >= 0.0 for value in values):
                raise InputError(what, got=f"{len(values)} of them", wanted="numbers of 0 or more, 24 of them an hour")

    @property
    def mean_per_hour(self) -> float:
        """The mean rate over the day, outages an hour."""
        return sum(self.per_hour) / _HOURS

    @cached_property
    def _lengths(self) -> Floats:
        return np.sort(np.asarray(self.lengths_s, dtype=np.float64))

    def played_on(self, buffer_s: float) -> Floor:
        """Return what is left of its outages once `buffer_s` have been played from what is in hand."""
        left = np.maximum(self._lengths - buffer_s, 0.0) if buffer_s else self._lengths
        return Floor(self.per_hour, tuple(left.tolist()), self.timezone)

    def out_at(self, time_us: ArrayLike) -> Floats:
        """Return the chance that one of its outages is under way at each of the times, shape (n,): 1 - exp(-rate L)."""
        mean_s = float(self._lengths.mean()) if self._lengths.size else 0.0
        rate = self._rate(np.asarray(time_us, dtype=np.int64) // _QUARTER_US)
        chance: Floats = -np.expm1(-rate * mean_s / 3600.0)
        return chance

    def within(self, start_us: ArrayLike, end_us: ArrayLike) -> FloorInWindows:
        """Return what it brings to windows [start, end), shape (windows,) each, microseconds since 1970 UTC."""
        starts, ends = np.asarray(start_us, dtype=np.int64), np.asarray(end_us, dtype=np.int64)
        if not starts.size:
            return FloorInWindows(np.zeros(0), np.zeros(0), self._lengths)
        first, past = int(starts.min()) // _QUARTER_US, -(-int(ends.max()) // _QUARTER_US)
        quarter = np.arange(first, past, dtype=np.int64)
        so_far = np.append(0.0, np.cumsum(self._rate(quarter) * (_QUARTER_US / _HOUR_US)))
        edges_us = np.append(quarter, past) * _QUARTER_US
        expected = np.interp(ends, edges_us, so_far) - np.interp(starts, edges_us, so_far)
        window_s = (ends - starts) / 1e6
        return FloorInWindows(expected / window_s, window_s, self._lengths)

    def _rate(self, quarter: Ints) -> Floats:
        """Return the rate, outages an hour, in each quarter of an hour, counted from 1970 UTC."""
        different, place = np.unique(quarter, return_inverse=True)
        hour = day_clock(different * _QUARTER_US, self.timezone, part_minutes=60).part
        rates: Floats = np.asarray(self.per_hour, dtype=np.float64)[hour][place]
        return rates


@dataclass(frozen=True, eq=False)
class FloorInWindows:
    """What a floor of outages brings to each of many windows, in closed form.

    per_s       shape (windows,): how many begin in a second, the mean over the window
    window_s    shape (windows,): how long each is
    lengths_s   shape (lengths,), ascending: how long the outages last

    Outages begin at random, so that those of which a part of x or longer lies inside a window of length W number
    r (W + L - 2 x) in the mean, r being their rate and L >= x their length: they begin from L - x before it to x before
    its end. The chance that there is none is exp(-that number): the law of Poisson.
    """

    per_s: Floats
    window_s: Floats
    lengths_s: Floats

    def count(self, at_least_s: ArrayLike) -> Floats:
        """Return how many are expected of which `at_least_s` or more lies inside, of the shape of the windows."""
        least_s = np.asarray(at_least_s, dtype=np.float64)
        if not self.lengths_s.size:
            return np.zeros(self.per_s.shape)
        first = np.searchsorted(self.lengths_s, least_s, side="left")
        from_here_s = np.append(np.cumsum(self.lengths_s[::-1])[::-1], 0.0)[first]
        number = self.lengths_s.size - first
        seconds = (number * (self.window_s - 2.0 * least_s) + from_here_s) / self.lengths_s.size
        count: Floats = np.where(least_s <= self.window_s, self.per_s * np.maximum(seconds, 0.0), 0.0)
        return count

    def of(self, windows: slice) -> FloorInWindows:
        """Return the same of some of the windows."""
        return FloorInWindows(self.per_s[windows], self.window_s[windows], self.lengths_s)

    @property
    def longest_s(self) -> float:
        """How long the longest outage lasts, seconds; 0 where there is none."""
        return float(self.lengths_s[-1]) if self.lengths_s.size else 0.0

    @property
    def out_s(self) -> Floats:
        """The seconds of outage to expect in each window."""
        mean_s = float(self.lengths_s.mean()) if self.lengths_s.size else 0.0
        return self.per_s * self.window_s * mean_s
