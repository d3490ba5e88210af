"""Scores, normal laws and interval statistics beside published tables and general-purpose libraries.

Sources: Finley's tornado forecasts of 1884 as the verification pages of the Australian Bureau of Meteorology print them
(read); scipy's distributions and hull; Python's statistics; numpy, pandas; the draft tables behind the usual timing
model (arXiv:2605.19850, read).
"""

from __future__ import annotations

import statistics
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from scipy import special

from passim.coverage import Coverage
from passim.forecast.event_scores import match_times, robust_sigma
from passim.forecast.normal import normal_cdf, normal_nodes
from passim.forecast.verification import brier_decomposition, brier_score, yes_no
from passim.intervals import Intervals, complement, intersection, sweep, union
from passim.sky.closed_forms import chance_none_in_view
from passim.spans import Span, microseconds

START = datetime(2026, 3, 1, tzinfo=UTC)


# --- yes and no -------------------------------------------------------------------------------------------------------


def finley() -> tuple[np.ndarray, np.ndarray]:
    """28 tornadoes as forecast, 72 false alarms, 23 misses and 2680 quiet days."""
    forecast = np.repeat([True, True, False, False], [28, 72, 23, 2680])
    came = np.repeat([True, False, True, False], [28, 72, 23, 2680])
    return forecast, came


def test_false_alarms_of_the_tornado_forecasts_of_1884() -> None:
    # "72% of the forecasts for tornados turned out to be false alarms."
    assert yes_no(*finley()).false_alarm_ratio == pytest.approx(0.72, abs=1e-12)


def test_threat_score_of_the_tornado_forecasts_of_1884() -> None:
    # "Of the tornado events that were either forecast or observed, 23% of those were correctly forecast."
    counts = yes_no(*finley())
    assert counts.hits / (counts.hits + counts.false_alarms + counts.misses) == pytest.approx(0.23, abs=0.005)
    assert (counts.hits, counts.false_alarms, counts.misses, counts.correct_negatives) == (28, 72, 23, 2680)


def test_the_discriminant_of_the_tornado_forecasts_of_1884() -> None:
    # "The forecasts were 52% able to separate": hit rate less false-alarm rate.
    counts = yes_no(*finley())
    assert counts.hit_rate - counts.false_alarm_rate == pytest.approx(0.52, abs=0.005)


def test_accuracy_of_the_tornado_forecasts_of_1884() -> None:
    # "96.6% of the forecasts were correct": a yes-or-no forecast's Brier score is what is left of 1; and "roughly
    # twice as often as they occurred".
    forecast, came = finley()
    assert 1.0 - brier_score(forecast.astype(float), came) == pytest.approx(0.966, abs=5e-4)
    counts = yes_no(forecast, came)
    assert (counts.hits + counts.false_alarms) / (counts.hits + counts.misses) == pytest.approx(2.0, abs=0.05)


# --- chances ----------------------------------------------------------------------------------------------------------


def test_the_brier_score_is_numpys_mean_square() -> None:
    generator = np.random.default_rng(2)
    chance, came = generator.random(500), generator.random(500) < 0.3
    assert brier_score(chance, came) == pytest.approx(float(np.mean((chance - came) ** 2)), abs=1e-15)


def test_uncertainty_is_pythons_variance_of_the_outcomes() -> None:
    came = [0, 0, 1, 0, 1, 1, 0]
    parts = brier_decomposition([0.1, 0.2, 0.7, 0.4, 0.9, 0.6, 0.3], came)
    assert parts.uncertainty == pytest.approx(statistics.pvariance(came), abs=1e-15)


def test_resolution_is_pandas_variance_between_groups() -> None:
    generator = np.random.default_rng(3)
    chance = generator.integers(0, 10, 2000) / 10.0 + 0.05
    came = generator.random(2000) < chance
    groups = pd.DataFrame({"chance": chance.round(2), "came": came}).groupby("chance")["came"].agg(["mean", "size"])
    expected = float(np.average((groups["mean"] - came.mean()) ** 2, weights=groups["size"]))
    assert brier_decomposition(chance, came).resolution == pytest.approx(expected, abs=1e-12)


def test_skill_is_the_coefficient_of_determination_over_climatology() -> None:
    # The same ratio that statistics calls R squared of a forecast held against the mean.
    generator = np.random.default_rng(4)
    chance, came = generator.random(300), generator.random(300) < 0.4
    reference = brier_score(np.full(300, came.mean()), came)
    residual = np.sum((came - chance) ** 2) / np.sum((came - came.mean()) ** 2)
    assert 1.0 - brier_score(chance, came) / reference == pytest.approx(1.0 - residual, abs=1e-12)


def test_none_in_view_is_scipys_binomial() -> None:
    for count, share in ((300, 0.004346), (22, 0.25), (10_000, 0.0005), (1, 1.0)):
        assert chance_none_in_view(count, share) == pytest.approx(scipy.stats.binom.pmf(0, count, share), rel=1e-10)


# --- the normal law ---------------------------------------------------------------------------------------------------


def test_the_normal_law_is_scipys() -> None:
    x = np.linspace(-9.0, 9.0, 20_001)
    assert np.abs(normal_cdf(x) - special.ndtr(x)).max() < 1e-10


def test_the_normal_law_is_that_of_printed_tables() -> None:
    # Any table of the distribution function: Phi(1) = 0.8413, Phi(1.645) = 0.9500, Phi(1.96) = 0.9750 and Phi(2.576) =
    # 0.9950 (recalled); Python's statistics say the same.
    for x, printed in ((0.0, 0.5), (1.0, 0.8413), (1.645, 0.95), (1.96, 0.975), (2.576, 0.995)):
        found = float(normal_cdf(np.array([x]))[0])
        assert found == pytest.approx(printed, abs=5e-5)
        assert found == pytest.approx(statistics.NormalDist().cdf(x), abs=1e-10)


def test_means_over_nodes_are_moments_of_scipys_normal() -> None:
    z, weight = normal_nodes(0.5)
    for power in (0, 2, 4):
        assert float(weight @ z**power) == pytest.approx(scipy.stats.norm.moment(power) if power else 1.0, rel=1e-5)


def test_the_robust_sigma_is_scipys_median_deviation() -> None:
    values = np.random.default_rng(6).standard_t(3, 999)
    assert robust_sigma(values) == pytest.approx(scipy.stats.median_abs_deviation(values, scale="normal"), rel=1e-4)


# --- intervals and gaps -----------------------------------------------------------------------------------------------


def some_intervals(seed: int) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.default_rng(seed)
    start = generator.integers(0, 80_000, 60)
    return start, start + generator.integers(1, 1500, 60)


def in_a_row(start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Whether each whole second lies within any, the long way round."""
    held = np.zeros(86_400, dtype=bool)
    for first, last in zip(start, end, strict=True):
        held[first:last] = True
    return held


def test_union_and_complement_are_those_of_a_row_of_seconds() -> None:
    start, end = some_intervals(1)
    held = in_a_row(start, end)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(int), [0]])))
    united = union(Intervals(start, end))
    assert np.column_stack([united.start, united.end]).tolist() == edges.reshape(-1, 2).tolist()
    free = complement(Intervals(start, end), 0, 86_400)
    assert int((free.end - free.start).sum()) == int((~held).sum())


def test_overlaps_are_those_of_pandas_intervals() -> None:
    (start, end), (other_start, other_end) = some_intervals(2), some_intervals(3)
    common = intersection(Intervals(start, end), Intervals(other_start, other_end))
    one = pd.IntervalIndex.from_arrays(start, end, closed="left")
    two = pd.IntervalIndex.from_arrays(other_start, other_end, closed="left")
    inside = [one.contains(t).any() and two.contains(t).any() for t in range(0, 84_000, 97)]
    ours = pd.IntervalIndex.from_arrays(common.start, common.end, closed="left")
    assert [bool(ours.contains(t).any()) for t in range(0, 84_000, 97)] == inside


def test_how_many_are_in_view_is_numpys_histogram_of_seconds() -> None:
    start, end = some_intervals(4)
    steps = sweep(Intervals(start, end), window=(0, 86_400))
    counts = np.zeros(86_401, dtype=int)
    np.add.at(counts, start, 1)
    np.add.at(counts, np.minimum(end, 86_400), -1)
    lengths = np.bincount(np.cumsum(counts)[:-1])
    spans = np.diff(steps.edges)
    assert [int(spans[steps.level == level].sum()) for level in range(len(lengths))] == lengths.tolist()


def test_gap_statistics_are_those_of_pythons_statistics() -> None:
    # A day with gaps of known lengths: the mean, the median and the 90th percentile are textbook statistics of them.
    lengths_s = [7, 12, 19, 19, 24, 31, 36, 44, 58, 90, 140]
    span = Span.starting(START, hours=2)
    edge, ups, downs = 30, [], []
    for length in lengths_s:
        ups.append(microseconds(START + timedelta(seconds=edge)) if ups else span.start_us)
        edge += 400
        downs.append(microseconds(START + timedelta(seconds=edge)))
        edge += length
    ups.append(microseconds(START + timedelta(seconds=edge)))
    downs.append(span.end_us)
    summary = Coverage.from_intervals(np.array(ups), np.array(downs), span).summary()
    assert summary["gap_count"] == len(lengths_s)
    assert summary["gap_mean_s"] == pytest.approx(statistics.fmean(lengths_s))
    assert summary["gap_median_s"] == statistics.median(lengths_s)
    assert summary["gap_p90_s"] == pytest.approx(statistics.quantiles(lengths_s, n=10, method="inclusive")[-1])
    assert summary["gap_longest_s"] == max(lengths_s)
    # Seen from a moment drawn at random the gap met is longer than the mean gap, by its variance (the inspection
    # paradox of renewal theory, recalled): sum of squares over the span.
    assert summary["time_average_gap_s"] == pytest.approx(sum(x * x for x in lengths_s) / span.duration_s)


def test_the_best_pairs_are_those_of_scipys_assignment() -> None:
    from scipy.optimize import linear_sum_assignment

    generator = np.random.default_rng(9)
    for _ in range(20):
        ours, theirs = np.sort(generator.integers(0, 600, 12)), np.sort(generator.integers(0, 600, 15))
        apart = np.abs(ours[:, None] - theirs[None, :])
        # A pair out of reach costs more than all that are within it together.
        rows, columns = linear_sum_assignment(np.where(apart <= 20, apart, 10_000))
        kept = apart[rows, columns] <= 20
        found = match_times(ours * 1_000_000, theirs * 1_000_000, 20.0)
        assert found.forecast.size == int(kept.sum())
        assert int(apart[found.forecast, found.came].sum()) == int(apart[rows, columns][kept].sum())
