"""How far satellites were off when old elements forecast them, and the timing model that fits it.

One object has two element sets, days apart. The older forecasts its passes; the newer, close to its epoch, tells when
they were. The passes are paired, and the median of how much later their middles came is the timing error of that
satellite at that age. The middle of a pass moves with an error along the track; an error across it moves rise and set
against each other and leaves the middle where it is.

Over the satellites of one age the median is what they share, such as air denser than foreseen. The spread about it is
the own error of each; it is taken as 1.4826 times the median distance, which those that manoeuvred do not carry away,
and once more without them. A satellite further off than four times that counts as moved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats, Ints
from passim.constants import SECONDS_PER_DAY
from passim.forecast.event_scores import match_times, robust_sigma
from passim.forecast.timing import TimingModel
from passim.intervals import GroupedIntervals
from passim.spans import Span

# Ages in days at which one group of satellites ends and the next begins.
AGE_EDGES_DAYS: Final = (0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 14.0, 21.0, 31.0, 46.0, 92.0)
# A spread over fewer satellites than this is not printed.
FEWEST_SATELLITES: Final = 5
OUTLIER_SIGMAS: Final = 4.0
# Passes agree to about a millisecond however good the elements are, so a smaller spread means nothing.
_LEAST_SIGMA_S: Final = 0.01
# A satellite whose passes are off by amounts that differ by so much within the span is not merely early or late.
_LARGEST_SCATTER_S: Final = 300.0
# Three numbers of the model need three ages at least.
_AGES_FOR_ALL: Final = 3
_ROUNDS: Final = 6


class PassErrors(NamedTuple):
    """How far the passes of each satellite were from their forecast, one row a satellite, shape (satellites,) each.

    passes, paired      passes that came whole, and how many of them have a partner in the forecast
    late_s              median of how much later their middles came than forecast; nan where they cannot be paired
    rise_late_s, set_late_s     the same of rises and sets
    """

    passes: Ints
    paired: Ints
    late_s: Floats
    rise_late_s: Floats
    set_late_s: Floats


def pass_errors(
    forecast: GroupedIntervals, came: GroupedIntervals, searched: Span, satellites: int, tolerance_s: float
) -> PassErrors:
    """Return how late the passes of each of `satellites` came.

    `forecast` and `came` hold passes found in `searched`, their groups being the same satellites, microseconds since
    1970 UTC. A pair lies within `tolerance_s`, a quarter of a revolution or less, so that passes of different
    revolutions do not meet. Passes that the search cut are left out. A satellite with partners for less than half of
    its passes, or whose passes disagree by minutes, is lost: its error is nan.
    """
    # Lay the satellites end to end on one line, further apart than any pair may be.
    room_us = (searched.end_us - searched.start_us) + 4 * round(tolerance_s * 1e6)
    sides = []
    for intervals in (forecast, came):
        whole = (intervals.start > searched.start_us) & (intervals.end < searched.end_us)
        satellite, start, end = (column[whole] for column in intervals)
        middle = start + (end - start) // 2 - searched.start_us
        sides.append((satellite, start, end, satellite * room_us + middle))
    (_, start, end, line), (satellite, came_start, came_end, came_line) = sides
    row, other = match_times(line, came_line, tolerance_s)
    pair_satellite = satellite[other]

    passes, paired = np.bincount(satellite, minlength=satellites), np.bincount(pair_satellite, minlength=satellites)
    late = np.full((3, satellites), np.nan)
    rise_late_s = (came_start[other] - start[row]) / 1e6
    set_late_s = (came_end[other] - end[row]) / 1e6
    middle_late_s = 0.5 * (rise_late_s + set_late_s)
    for one in np.flatnonzero((paired > 0) & (2 * paired >= passes)):
        mine = pair_satellite == one
        if np.ptp(middle_late_s[mine]) <= _LARGEST_SCATTER_S:
            late[:, one] = [np.median(kind[mine]) for kind in (middle_late_s, rise_late_s, set_late_s)]
    return PassErrors(passes, paired, *late)


def by_age(satellites: pd.DataFrame, model: TimingModel) -> tuple[pd.DataFrame, Bools]:
    """Return the errors of each pair of snapshots and age, and which satellites moved, shape (satellites,).

    `satellites` has the columns pair, age_s and late_s (nan: lost). Columns of the answer, one row a pair and group of
    ages: pair; age_low_days, age_high_days; age_s (the median); satellites (with a known error or lost); lost; shared_s
    (their median error); sigma_s (their own); expected_sigma_s (by `model`); moved, moved_share (those further off than
    four sigma, and the lost). Figures are nan for fewer than five satellites with a known error.
    """
    age_days = satellites["age_s"].to_numpy(dtype=np.float64) / SECONDS_PER_DAY
    late_s = satellites["late_s"].to_numpy(dtype=np.float64)
    pair = satellites["pair"].to_numpy()
    group = np.searchsorted(AGE_EDGES_DAYS, age_days, side="right") - 1
    moved = np.isnan(late_s)
    rows = []
    for number, place in sorted(set(zip(pair.tolist(), group.tolist(), strict=True))):
        mine = np.flatnonzero((pair == number) & (group == place))
        known = mine[~np.isnan(late_s[mine])]
        age_s = float(np.median(age_days[mine])) * SECONDS_PER_DAY
        shared_s = sigma_s = math.nan
        if known.size >= FEWEST_SATELLITES:
            shared_s, sigma_s = _centre_and_sigma(late_s[known])
            moved[known] = np.abs(late_s[known] - shared_s) > OUTLIER_SIGMAS * sigma_s
        rows.append(
            {
                "pair": number,
                "age_low_days": AGE_EDGES_DAYS[place],
                "age_high_days": AGE_EDGES_DAYS[place + 1] if place + 1 < len(AGE_EDGES_DAYS) else math.inf,
                "age_s": age_s,
                "satellites": mine.size,
                "lost": mine.size - known.size,
                "shared_s": shared_s,
                "sigma_s": sigma_s,
                "expected_sigma_s": float(model.sigma_s(age_s)),
                "moved": int(moved[mine].sum()),
                "moved_share": float(moved[mine].mean()),
            }
        )
    return pd.DataFrame(rows), moved


@dataclass(frozen=True, slots=True)
class FitBasis:
    """What a model was fitted to: so many groups of ages, and, where those are too few, by what its growth was scaled.

    ``growth_factor`` is None where the ages tell all three terms of sigma.
    """

    age_groups: int
    growth_factor: float | None


def fitted_model(satellites: pd.DataFrame, ages: pd.DataFrame, model: TimingModel) -> tuple[TimingModel, FitBasis]:
    """Return `model` with its numbers fitted to the errors of `by_age`, and what they were fitted to.

    `satellites` has the columns age_s, late_s, shared_s and moved. With spreads at three ages or more, the three terms
    of sigma are least squares with none below 0, each spread weighted by its own size and its satellites, and the
    shared error is the mean square of those met, each by how well its age can tell it. With fewer, ages cannot tell the
    terms apart: the error at the epoch stays, and what grows is scaled, the shared error with it. Shares of manoeuvres
    are scaled to those that moved; what a manoeuvre adds a day is fitted to those that moved and can still be followed,
    three at least. The newer elements count as truth, so their own error is in the fit.
    """
    known = ages[np.isfinite(ages["sigma_s"])]
    days, sigma_s = known["age_s"].to_numpy() / SECONDS_PER_DAY, known["sigma_s"].to_numpy()
    weight = known["satellites"].to_numpy(dtype=np.float64)
    groups, factor = known["age_low_days"].nunique(), None
    # A model without growth or without manoeuvres has no shape to scale: that of the usual one serves.
    usual = TimingModel()
    shape = model if model.per_day_s > 0.0 or model.per_day2_s > 0.0 else usual
    if groups >= _AGES_FOR_ALL:
        at_epoch_s, per_day_s, per_day2_s = _terms(days, sigma_s, weight)
        # The spread of a few satellites may be tiny by chance: that of the fit says how well an age tells.
        smooth_s = np.sqrt(at_epoch_s**2 + (per_day_s * days) ** 2 + (per_day2_s * days**2) ** 2)
        smooth_s = np.maximum(smooth_s, _LEAST_SIGMA_S)
        shared_s = _shared_per_day2(days, known["shared_s"].to_numpy(), smooth_s, weight)
    else:
        at_epoch_s = model.at_epoch_s
        growth2 = (shape.per_day_s * days) ** 2 + (shape.per_day2_s * days**2) ** 2
        factor = math.sqrt(np.average(np.maximum(sigma_s**2 - at_epoch_s**2, 0.0) / growth2, weights=weight))
        per_day_s, per_day2_s = shape.per_day_s * factor, shape.per_day2_s * factor
        shared_s = shape.shared_per_day2_s * factor
    fitted = replace(
        model, at_epoch_s=at_epoch_s, per_day_s=per_day_s, per_day2_s=per_day2_s, shared_per_day2_s=shared_s
    )

    # How many moved, against how many the model expects to have.
    age_s = satellites["age_s"].to_numpy()
    moving = model if model.manoeuvre_share(age_s).sum() > 0.0 else usual
    moved = satellites["moved"].to_numpy(dtype=bool)
    ratio = float(moved.sum() / moving.manoeuvre_share(age_s).sum())
    scaled = tuple((age_h, min(share * ratio, 1.0)) for age_h, share in moving.manoeuvre_shares)

    # How far they moved: the spread of a manoeuvre of m seconds a day at any moment since the epoch is m d / sqrt(3).
    followed = satellites[moved & np.isfinite(satellites["late_s"].to_numpy())]
    per_day = fitted.manoeuvre_per_day_s
    if len(followed) >= 3:
        days = followed["age_s"].to_numpy() / SECONDS_PER_DAY
        off = np.abs(followed["late_s"].to_numpy() - followed["shared_s"].to_numpy()) / days
        per_day = math.sqrt(3.0) * 1.4826 * float(np.median(off))
    fitted = replace(fitted, manoeuvre_shares=scaled, manoeuvre_per_day_s=per_day)
    return fitted, FitBasis(groups, factor)


def _centre_and_sigma(values: Floats) -> tuple[float, float]:
    """Return the median of values and their spread about it, without those further off than OUTLIER_SIGMAS of it."""
    retained = values
    for _ in range(10):
        centre, sigma = float(np.median(retained)), max(robust_sigma(retained), _LEAST_SIGMA_S)
        inside = values[np.abs(values - centre) <= OUTLIER_SIGMAS * sigma]
        if inside.size == retained.size:
            break
        retained = inside
    return centre, sigma


def _shared_per_day2(days: Floats, shared_s: Floats, sigma_s: Floats, satellites: Floats) -> float:
    """Return what all satellites share, s/day**2, by the medians met at some ages, shape (ages,) each.

    A median of n normal values is itself off by 1.2533 sigma / sqrt(n), which is taken off; and what lies within a
    quarter of the spread changes no odds, so that young ages, at which a hundredth of a second would be much a day**2,
    hardly count.
    """
    median_off2 = 1.2533**2 * sigma_s**2 / satellites
    weight = days**8 / (median_off2 + (0.25 * sigma_s) ** 2) ** 2
    mean2 = float(np.average((shared_s**2 - median_off2) / days**4, weights=weight))
    return math.sqrt(max(mean2, 0.0))


def _terms(days: Floats, sigma_s: Floats, weight: Floats) -> tuple[float, float, float]:
    """Return the three terms whose squares add up to sigma**2 best, none below 0."""
    # Relative misfits count, or the oldest ages would drown the rest. Relative to what is fitted, which takes a few
    # rounds: relative to what was met, spreads that chance made small would count most, and all come out too small.
    powers = np.stack([np.ones_like(days), days**2, days**4], axis=1)
    best, fitted2 = np.zeros(3), sigma_s**2
    for _ in range(_ROUNDS):
        scale = np.sqrt(weight) / fitted2
        best = _least_squares(powers * scale[:, None], sigma_s**2 * scale)
        fitted2 = np.maximum(powers @ best, _LEAST_SIGMA_S**2)
    at_epoch_s, per_day_s, per_day2_s = np.sqrt(best).tolist()
    return at_epoch_s, per_day_s, per_day2_s


def _least_squares(columns: Floats, target: Floats) -> Floats:
    """Return the numbers, none below 0, by which columns, shape (rows, numbers), add up to `target` best."""
    # Trying every choice of columns is exact.
    count = columns.shape[1]
    best, best_misfit = np.zeros(count), math.inf
    for size in range(1, count + 1):
        for chosen in combinations(range(count), size):
            found = np.linalg.lstsq(columns[:, chosen], target, rcond=None)[0]
            misfit = float(np.sum((columns[:, chosen] @ found - target) ** 2))
            if np.all(found >= 0.0) and misfit < best_misfit:
                best, best_misfit = np.zeros(count), misfit
                best[list(chosen)] = found
    return best
