"""How good a forecast of odds was: scores of probabilities against what came.

Arrays in, figures out; nothing here knows satellites. A forecast is a chance from 0 to 1 at each of n moments, an
outcome tells whether it came true, and a day is a whole number that says which moments belong together: neighbouring
moments share their luck, so whatever is said of uncertainty comes from resampling whole days (a block bootstrap).

Sources. [1] Brier, "Verification of forecasts expressed in terms of probability", Monthly Weather Review 78, 1950, and
[2] Murphy, "A new vector partition of the probability score", Journal of Applied Meteorology 12, 1973 (both recalled).
[3] Stephenson, Coelho & Jolliffe, "Two extra components in the Brier score decomposition", Weather and Forecasting 23,
2008 (recalled): what binning leaves over. [4] Wilks, "Statistical methods in the atmospheric sciences", the chapter on
verification (recalled): the names of scores. [5] Künsch, "The jackknife and the bootstrap for general stationary
observations", Annals of Statistics 17, 1989 (recalled): blocks. All formulas are recomputed in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from passim.arrays import Bools, Floats, Indices
from passim.errors import InputError

Figure = Callable[[Floats], Floats]

# Ten bins of equal width (common practice). As tenths, so that a chance of 0.3 lies in the bin that begins at 0.3.
TENTHS: Final = tuple(tenth / 10 for tenth in range(11))
REPLICATES: Final = 1000
# Fewer days than this in a bin, or in all, say nothing of how it varies from day to day.
FEWEST_DAYS: Final = 5
_ROUNDING: Final = 1e-9


@dataclass(frozen=True)
class BrierScore:
    """The mean squared difference of chance and outcome [1], and what it is made of [2], [3].

    score           0 is perfect; 1 is certain and wrong every time
    reliability     how far the outcomes of each bin are from what was forecast in it; 0 is perfect
    resolution      how far they are from each other; greater is better
    uncertainty     what the outcomes themselves hold, base_rate * (1 - base_rate); no merit of the forecast
    within_bins     what differences inside the bins add or take; 0 where each bin holds one value
    base_rate       how often it came true
    count           moments scored

    ``score = reliability - resolution + uncertainty + within_bins`` holds exactly, up to rounding.
    """

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within_bins: float
    base_rate: float
    count: int


@dataclass(frozen=True)
class YesNo:
    """How often yes and no were forecast and came: four counts, and their scores [4]; nan where nothing counts."""

    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int

    @property
    def hit_rate(self) -> float:
        """Share of what came that had been forecast (probability of detection)."""
        return _ratio(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float:
        """Share of what was forecast that did not come. Not to be mixed up with `false_alarm_rate`."""
        return _ratio(self.false_alarms, self.hits + self.false_alarms)

    @property
    def false_alarm_rate(self) -> float:
        """Share of the moments at which nothing came that had been forecast (probability of false detection)."""
        return _ratio(self.false_alarms, self.false_alarms + self.correct_negatives)

    @property
    def bias(self) -> float:
        """How often it was forecast for each time it came: 1 is right, above 1 is too often."""
        return _ratio(self.hits + self.false_alarms, self.hits + self.misses)


class Bounds(NamedTuple):
    """A figure, and between what bounds it lies when days are drawn anew; nan where too few days tell."""

    value: float
    low: float
    high: float


def brier_score(forecast: ArrayLike, outcome: ArrayLike) -> float:
    """Return the mean squared difference [1] of chances and outcomes, shape (n,) each. Raises InputError."""
    chance, came = _pair(forecast, outcome)
    return float(np.mean((chance - came) ** 2))


def brier_decomposition(forecast: ArrayLike, outcome: ArrayLike, edges: ArrayLike = TENTHS) -> BrierScore:
    """Return the Brier score of chances and outcomes, shape (n,) each, and its parts [2], [3].

    `edges`, shape (bins+1,), ascending from 0 to 1: a bin holds its lower edge, the last one both. Of each bin the mean
    forecast is compared, not its middle. Raises InputError.
    """
    chance, came = _pair(forecast, outcome)
    bin_, bins = _binned(chance, edges)
    count = np.bincount(bin_, minlength=bins)
    filled = np.maximum(count, 1)
    mean_chance = np.bincount(bin_, chance, bins) / filled
    frequency = np.bincount(bin_, came, bins) / filled
    base_rate = float(came.mean())
    share = count / chance.size
    # Inside a bin, chances that vary cost their variance and earn twice their covariance with the outcomes.
    off_mean = chance - mean_chance[bin_]
    within = np.mean(off_mean**2) - 2.0 * np.mean(off_mean * (came - frequency[bin_]))
    return BrierScore(
        score=brier_score(chance, came),
        reliability=float(share @ (mean_chance - frequency) ** 2),
        resolution=float(share @ (frequency - base_rate) ** 2),
        uncertainty=base_rate * (1.0 - base_rate),
        within_bins=float(within),
        base_rate=base_rate,
        count=chance.size,
    )


def reliability_table(
    forecast: ArrayLike,
    outcome: ArrayLike,
    day: ArrayLike,
    edges: ArrayLike = TENTHS,
    *,
    level: float = 0.95,
    replicates: int = REPLICATES,
    seed: int = 0,
) -> pd.DataFrame:
    """Return one row a bin that holds any forecast: what was forecast in it, and how often it came.

    `forecast`, `outcome` and `day` have shape (n,); `edges` are those of `brier_decomposition`. Columns: bin_low,
    bin_high; count; days (how many days have moments in it); forecast (their mean); observed (how often it came);
    observed_low, observed_high (bounds of this bin at `level`); band_low, band_high (wider bounds, which hold for all
    bins at once at `level`). A forecast is reliable where the bounds hold `forecast`: the diagonal of the diagram.

    Bounds are those of observed minus forecast with days drawn anew, laid at `forecast`: percentiles for the one bin;
    for all bins, as many standard errors as the worst bin of a redrawn set needs (a studentised maximum, common
    practice for simultaneous bands). A bin with moments on fewer than five days has none. `seed` makes it repeatable
    (PCG64). Raises InputError.
    """
    chance, came = _pair(forecast, outcome)
    bin_, bins = _binned(chance, edges)
    day_index, day_count = _day_index(day, chance.size)
    cell = day_index * bins + bin_
    counts, chances, comes = (
        np.bincount(cell, weight, day_count * bins).reshape(day_count, bins)
        for weight in (np.ones(chance.size), chance, came)
    )
    filled = np.flatnonzero(counts.sum(axis=0))
    counts, chances, comes = counts[:, filled], chances[:, filled], comes[:, filled]
    total = counts.sum(axis=0)
    mean_chance, frequency = chances.sum(axis=0) / total, comes.sum(axis=0) / total
    days = (counts > 0).sum(axis=0)

    # Draw days anew, and see how the differences of the bins move.
    tail = 0.5 * (1.0 - _level(level))
    weights = _redrawn(day_count, replicates, seed)
    redrawn = weights @ counts
    with np.errstate(invalid="ignore"):
        differences = (weights @ comes - weights @ chances) / redrawn
    enough = days >= FEWEST_DAYS
    difference = frequency - mean_chance
    limits = np.full((4, filled.size), np.nan)
    if enough.any():
        moved = differences[:, enough]
        limits[:2, enough] = np.nanquantile(moved, [tail, 1.0 - tail], axis=0)
        error = np.nanstd(moved, axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            in_errors = np.where(error > 0.0, np.abs(moved - difference[enough]) / error, 0.0)
        widest = float(np.quantile(np.nanmax(in_errors, axis=1), level))
        limits[2:, enough] = difference[enough] + widest * error * np.array([[-1.0], [1.0]])
    observed_low, observed_high, band_low, band_high = mean_chance + limits
    edge = np.asarray(edges, dtype=np.float64)
    return pd.DataFrame(
        {
            "bin_low": edge[filled],
            "bin_high": edge[filled + 1],
            "count": total.astype(np.int64),
            "days": days,
            "forecast": mean_chance,
            "observed": frequency,
            "observed_low": observed_low,
            "observed_high": observed_high,
            "band_low": band_low,
            "band_high": band_high,
        }
    )


def yes_no(forecast: ArrayLike, outcome: ArrayLike) -> YesNo:
    """Return how often yes and no were forecast and came; both of shape (n,), true or false. Raises InputError."""
    predicted, came = (
        _truths(values, what) for values, what in ((forecast, "forecast of yes or no"), (outcome, "outcome"))
    )
    _same_size(predicted, came)
    return YesNo(
        int((predicted & came).sum()),
        int((predicted & ~came).sum()),
        int((~predicted & came).sum()),
        int((~predicted & ~came).sum()),
    )


def brier_skill(
    forecast: ArrayLike,
    reference: ArrayLike,
    outcome: ArrayLike,
    day: ArrayLike,
    *,
    level: float = 0.95,
    replicates: int = REPLICATES,
    seed: int = 0,
) -> Bounds:
    """Return the Brier skill of `forecast` over `reference`, another forecast, with bounds from redrawn days.

    All four of shape (n,). Raises InputError.
    """
    chance, came = _pair(forecast, outcome)
    other, _ = _pair(reference, outcome)
    sums = daily_sums(day, (chance - came) ** 2, (other - came) ** 2)

    def figure(total: Floats) -> Floats:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(total[..., 1] > 0.0, 1.0 - total[..., 0] / total[..., 1], np.nan)

    return bootstrap_by_day(sums, figure, level=level, replicates=replicates, seed=seed)


def daily_sums(day: ArrayLike, *columns: ArrayLike) -> Floats:
    """Return the sum over each day of each of `columns`, shape (n,) as `day`; shape (days, columns), days ascending."""
    day_index, day_count = _day_index(day, np.asarray(day).size)
    sums = [np.bincount(day_index, _numbers(column, "column to sum", day_index.size), day_count) for column in columns]
    return np.stack(sums, axis=1)


def bootstrap_by_day(
    sums: Floats, figure: Figure, *, level: float = 0.95, replicates: int = REPLICATES, seed: int = 0
) -> Bounds:
    """Return a figure and its bounds at `level` from `replicates` draws of as many days, with repetition [5].

    `sums`, shape (days, k), holds for each day what adds up over days: `daily_sums` makes it. `figure` turns totals of
    shape (..., k) into figures of shape (...). Bounds are percentiles; nan where there are fewer than five days.
    `seed` makes it repeatable (PCG64). Raises InputError.
    """
    sums = np.asarray(sums, dtype=np.float64)
    if sums.ndim != 2 or not len(sums):
        raise InputError("sums by day", got=f"shape {sums.shape}", wanted="(days, sums) with a day or more")
    value = float(figure(sums.sum(axis=0)))
    tail = 0.5 * (1.0 - _level(level))
    if len(sums) < FEWEST_DAYS:
        return Bounds(value, float("nan"), float("nan"))
    redrawn = figure(_redrawn(len(sums), replicates, seed) @ sums)
    # A draw may hold nothing to score, such as days without any gap; it says nothing then.
    known = redrawn[np.isfinite(redrawn)]
    if not known.size:
        return Bounds(value, float("nan"), float("nan"))
    low, high = np.quantile(known, [tail, 1.0 - tail])
    return Bounds(value, float(low), float(high))


def _redrawn(days: int, replicates: int, seed: int) -> Floats:
    """Return how often each day comes up in each draw of as many days, shape (replicates, days)."""
    if isinstance(replicates, bool) or not isinstance(replicates, (int, np.integer)) or replicates < 1:
        raise InputError("number of draws", got=replicates, wanted="a whole number of 1 or more", try_next="1000")
    generator = np.random.Generator(np.random.PCG64(seed))
    return generator.multinomial(days, np.full(days, 1.0 / days), size=replicates).astype(np.float64)


def _binned(chance: Floats, edges: ArrayLike) -> tuple[Indices, int]:
    """Return the bin of each chance, and how many bins there are."""
    edge = np.asarray(edges, dtype=np.float64)
    if edge.ndim != 1 or edge.size < 2 or edge[0] != 0.0 or edge[-1] != 1.0 or not np.all(np.diff(edge) > 0.0):
        raise InputError("edges of the bins", got=edges, wanted="numbers that ascend from 0 to 1", try_next="TENTHS")
    return np.searchsorted(edge[1:-1], chance, side="right"), edge.size - 1


def _pair(forecast: ArrayLike, outcome: ArrayLike) -> tuple[Floats, Floats]:
    """Return chances and outcomes as float64, shape (n,) each. Raises InputError."""
    chance = _numbers(forecast, "forecast")
    # Chances that were added up may pass the ends by rounding.
    legal = (chance >= -_ROUNDING) & (chance <= 1.0 + _ROUNDING)
    if not np.all(legal):
        wrong = chance[~legal]
        raise InputError(
            "forecast",
            got=f"{wrong.size} of {chance.size} values such as {wrong[0]}",
            wanted="chances from 0 to 1",
            try_next="leaving out the moments that have no forecast",
        )
    came = _truths(outcome, "outcome")
    _same_size(chance, came)
    return np.clip(chance, 0.0, 1.0), came.astype(np.float64)


def _truths(values: ArrayLike, what: str) -> Bools:
    """Return true or false, 1 or 0, as truth values, shape (n,). Raises InputError."""
    array = np.asarray(values)
    if array.ndim != 1 or not array.size or array.dtype.kind not in "biuf" or not np.all((array == 0) | (array == 1)):
        raise InputError(
            what, got=f"{array.dtype} of shape {array.shape}", wanted="true or false at one moment or more"
        )
    return array.astype(np.bool_)


def _numbers(values: ArrayLike, what: str, size: int | None = None) -> Floats:
    array = np.asarray(values)
    if array.ndim != 1 or not array.size or array.dtype.kind not in "biuf" or size not in (None, array.size):
        wanted = f"{size} numbers" if size is not None else "one number or more, shape (n,)"
        raise InputError(what, got=f"{array.dtype} of shape {array.shape}", wanted=wanted)
    return array.astype(np.float64)


def _day_index(day: ArrayLike, size: int) -> tuple[Indices, int]:
    """Return the days as indices from 0, shape (size,), and how many there are. Raises InputError."""
    array = np.asarray(day)
    if array.shape != (size,) or array.dtype.kind not in "iu" or not array.size:
        raise InputError(
            "days", got=f"{array.dtype} of shape {array.shape}", wanted=f"{size} whole numbers, a day each"
        )
    known, index = np.unique(array, return_inverse=True)
    return index, known.size


def _same_size(a: NDArray[np.generic], b: NDArray[np.generic]) -> None:
    if a.shape != b.shape:
        raise InputError("forecast and outcome", got=f"{a.size} and {b.size} moments", wanted="one outcome a forecast")


def _level(level: float) -> float:
    if not 0.0 < level < 1.0:
        raise InputError("level of the bounds", got=level, wanted="a number between 0 and 1", try_next="0.95")
    return level


def _ratio(part: int, whole: int) -> float:
    return part / whole if whole else float("nan")
