"""Scores of forecasts against cases worked by hand, published tables, and their own laws."""

from __future__ import annotations

import itertools
import math
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, strategies as st

import passim
from passim.errors import InputError
from passim.forecast.baselines import climatology, day_clock, shifted_yesterday
from passim.forecast.event_scores import match_times, robust_sigma, score_events
from passim.forecast.verification import (
    TENTHS,
    bootstrap_by_day,
    brier_decomposition,
    brier_score,
    brier_skill,
    daily_sums,
    reliability_table,
    yes_no,
)

# Twelve thousand forecasts of rain: chance forecast, how often it came, share of the forecasts. Wilks, "Statistical
# methods in the atmospheric sciences", 1995, table 7.3 in the example of an open statistics package that cites it by
# table and page, 246 (the book itself was not opened). Copies of that example differ: some print the shares of 0.7 and
# 1.0 as 0.245 and 0.203, one as 0.0245 and 0.0203. The latter stand here, since only with them do the shares add up to
# 1 and give the base rate of 0.162 that goes with the table (recalled).
WILKS = np.array(
    [
        (0.00, 0.006, 0.4112), (0.05, 0.019, 0.0671), (0.10, 0.059, 0.1833), (0.20, 0.150, 0.0986),
        (0.30, 0.277, 0.0616), (0.40, 0.377, 0.0366), (0.50, 0.511, 0.0303), (0.60, 0.587, 0.0275),
        (0.70, 0.723, 0.0245), (0.80, 0.779, 0.0220), (0.90, 0.934, 0.0170), (1.00, 0.933, 0.0203),
    ]
)  # fmt: skip
WILKS_EDGES = (0.0, 0.02, 0.07, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.0)


def by_hand(chances: list[float], outcomes: list[int]) -> float:
    return sum((c - o) ** 2 for c, o in zip(chances, outcomes, strict=True)) / len(chances)


# --- Brier score and its parts -------------------------------------------------------------------------------------


def test_brier_score_by_hand() -> None:
    # (0.2)^2, (0.9 - 1)^2, 0.5^2, 0^2: 0.04 + 0.01 + 0.25 + 0 over four.
    assert brier_score([0.2, 0.9, 0.5, 1.0], [0, 1, 0, 1]) == pytest.approx(0.075, abs=1e-15)
    assert brier_score([1.0, 0.0], [False, True]) == 1.0


def test_decomposition_by_hand() -> None:
    # Two values in two bins: 0.1 three times (one came), 0.8 twice (both came); the base rate is 3/5.
    parts = brier_decomposition([0.1, 0.1, 0.1, 0.8, 0.8], [0, 0, 1, 1, 1])
    assert parts.score == pytest.approx((0.01 + 0.01 + 0.81 + 0.04 + 0.04) / 5)
    assert parts.reliability == pytest.approx(0.6 * (0.1 - 1 / 3) ** 2 + 0.4 * 0.2**2)
    assert parts.resolution == pytest.approx(0.6 * (1 / 3 - 0.6) ** 2 + 0.4 * 0.4**2)
    assert parts.uncertainty == pytest.approx(0.24)
    assert parts.within_bins == pytest.approx(0.0, abs=1e-15)
    assert (parts.base_rate, parts.count) == (0.6, 5)


def test_decomposition_of_the_published_table() -> None:
    # As many forecasts as make every count nearly whole; the parts follow from the table by their definitions.
    chance, frequency, share = WILKS.T
    counts = np.round(share * 1_000_000).astype(int)
    came = np.round(frequency * counts).astype(int)
    outcomes = np.concatenate([np.arange(n) < k for n, k in zip(counts.tolist(), came.tolist(), strict=True)])
    parts = brier_decomposition(np.repeat(chance, counts), outcomes, WILKS_EDGES)
    assert share.sum() == pytest.approx(1.0, abs=1e-12)
    assert parts.base_rate == pytest.approx(0.162, abs=5e-4)
    base = float(share @ frequency)
    assert parts.reliability == pytest.approx(float(share @ (chance - frequency) ** 2), abs=1e-6)
    assert parts.resolution == pytest.approx(float(share @ (frequency - base) ** 2), abs=1e-6)
    assert parts.uncertainty == pytest.approx(base * (1 - base), abs=1e-6)
    direct = float(share @ (frequency * (1 - chance) ** 2 + (1 - frequency) * chance**2))
    assert parts.score == pytest.approx(direct, abs=1e-6)
    assert parts.within_bins == pytest.approx(0.0, abs=1e-12)


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.booleans()), min_size=1, max_size=60),
    st.sampled_from([TENTHS, (0.0, 1.0), (0.0, 0.013, 0.5, 1.0)]),
)
def test_parts_add_up_for_any_forecast_and_bins(pairs: list[tuple[float, bool]], edges: tuple[float, ...]) -> None:
    chances, outcomes = [c for c, _ in pairs], [o for _, o in pairs]
    parts = brier_decomposition(chances, outcomes, edges)
    assert parts.score == pytest.approx(by_hand(chances, outcomes), abs=1e-12)
    total = parts.reliability - parts.resolution + parts.uncertainty + parts.within_bins
    assert total == pytest.approx(parts.score, abs=1e-12)
    assert parts.reliability >= 0.0
    assert 0.0 <= parts.resolution <= parts.uncertainty + 1e-12


def test_bins_hold_their_lower_edge() -> None:
    table = reliability_table([0.3, 0.29, 1.0, 0.0], [1, 0, 1, 0], [1, 2, 3, 4])
    assert table["bin_low"].tolist() == [0.0, 0.2, 0.3, 0.9]
    assert table["bin_high"].tolist() == [0.1, 0.3, 0.4, 1.0]


# --- reliability, skill and bounds ---------------------------------------------------------------------------------


def test_reliability_table_by_hand() -> None:
    day = np.repeat(np.arange(6), 4)
    chance = np.tile([0.02, 0.06, 0.55, 0.55], 6)
    came = np.tile([0, 0, 1, 0], 6)
    table = reliability_table(chance, came, day)
    assert table["count"].tolist() == [12, 12]
    assert table["days"].tolist() == [6, 6]
    assert table["forecast"].tolist() == pytest.approx([0.04, 0.55])
    assert table["observed"].tolist() == pytest.approx([0.0, 0.5])
    # Every day is like the others, so that drawing them anew moves nothing.
    for column in ("observed_low", "observed_high", "band_low", "band_high"):
        assert table[column].tolist() == pytest.approx([0.0, 0.5])
    assert reliability_table(chance[:16], came[:16], day[:16])["observed_low"].isna().all()


def test_bounds_hold_the_truth_as_often_as_they_say() -> None:
    # 300 reliable forecasts of 80 days whose moments share their luck: a binomial spread would be far too narrow.
    inside, all_inside = np.zeros(2), 0
    for seed in range(300):
        generator = np.random.Generator(np.random.PCG64(seed))
        day = np.repeat(np.arange(80), 20)
        chance = np.tile(np.repeat([0.15, 0.65], 10), 80)
        luck = np.repeat(generator.uniform(size=160), 10)
        table = reliability_table(chance, luck < chance, day, replicates=400, seed=seed)
        inside += (table["observed_low"] <= table["forecast"]) & (table["forecast"] <= table["observed_high"])
        all_inside += bool(((table["band_low"] <= table["forecast"]) & (table["forecast"] <= table["band_high"])).all())
    # Percentiles of 80 days are a little narrow, the more so for the skewed bin.
    assert np.all((inside / 300 > 0.88) & (inside / 300 < 0.99))
    assert 0.88 < all_inside / 300 < 0.99


def test_skill_by_hand_and_its_bounds() -> None:
    generator = np.random.Generator(np.random.PCG64(2))
    day = np.repeat(np.arange(50), 30)
    truth = np.repeat(generator.uniform(size=50), 30)
    came = generator.uniform(size=1500) < truth
    skill = brier_skill(truth, np.full(1500, 0.5), came, day, seed=3)
    assert skill.value == pytest.approx(1.0 - brier_score(truth, came) / 0.25)
    assert skill.low < skill.value < skill.high
    assert skill == brier_skill(truth, np.full(1500, 0.5), came, day, seed=3)
    assert skill != brier_skill(truth, np.full(1500, 0.5), came, day, seed=4)


def test_bounds_of_a_mean_are_those_of_its_standard_error() -> None:
    # A mean of 400 daily sums of unit spread: its standard error is 1/20, so that 95 % reach 1.96 times that.
    values = np.random.Generator(np.random.PCG64(0)).normal(size=400)
    sums = daily_sums(np.arange(400), values, np.ones(400))
    bounds = bootstrap_by_day(sums, lambda total: total[..., 0] / total[..., 1], replicates=4000)
    assert bounds.value == pytest.approx(values.mean())
    assert (bounds.high - bounds.low) / 2 == pytest.approx(1.96 * values.std() / 20, rel=0.05)
    few = bootstrap_by_day(sums[:4], lambda total: total[..., 0] / total[..., 1])
    assert math.isnan(few.low)
    assert few.value == pytest.approx(values[:4].mean())


def test_daily_sums_by_hand() -> None:
    assert daily_sums([7, 5, 7], [1.0, 2.0, 4.0], [1, 1, 1]).tolist() == [[2.0, 1.0], [5.0, 2.0]]


# --- yes and no ----------------------------------------------------------------------------------------------------


def test_the_tornado_forecasts_of_finley() -> None:
    # J. P. Finley, American Meteorological Journal 1, 1884: 28 hits, 72 false alarms, 23 misses, 2680 rightly none;
    # with these scores in Wilks, the chapter on verification (recalled; recomputed from the counts).
    said = np.repeat([True, True, False, False], [28, 72, 23, 2680])
    came = np.repeat([True, False, True, False], [28, 72, 23, 2680])
    counts = yes_no(said, came)
    assert (counts.hits, counts.false_alarms, counts.misses, counts.correct_negatives) == (28, 72, 23, 2680)
    assert counts.hit_rate == pytest.approx(0.549, abs=5e-4)
    assert counts.false_alarm_ratio == pytest.approx(0.720, abs=5e-4)
    assert counts.false_alarm_rate == pytest.approx(0.0262, abs=5e-5)
    assert counts.bias == pytest.approx(1.96, abs=5e-3)


def test_rates_of_nothing_are_not_a_number() -> None:
    counts = yes_no([False, False], [False, False])
    assert math.isnan(counts.hit_rate)
    assert math.isnan(counts.false_alarm_ratio)
    assert counts.false_alarm_rate == 0.0


# --- what a forecast must beat -------------------------------------------------------------------------------------


def test_climatology_by_hand() -> None:
    clock = day_clock(np.array([0, 60, 900, 86400, 86460, 172800, 172860, 173700]) * 1_000_000)
    assert clock.day.tolist() == [0, 0, 0, 1, 1, 2, 2, 2]
    assert clock.part.tolist() == [0, 0, 1, 0, 0, 0, 0, 1]
    chance = climatology([1, 0, 1, 1, 1, 0, 0, 0], clock)
    # Day 0 has days 1 and 2 for its first quarter hour (2 of 4) and day 2 for the second (0 of 1), and so on.
    assert chance.tolist() == pytest.approx([0.5, 0.5, 0.0, 0.25, 0.25, 0.75, 0.75, 1.0])
    # A part that no other day has takes all of the other days.
    lone = day_clock(np.array([0, 900, 86400, 86460]) * 1_000_000)
    assert climatology([1, 1, 1, 0], lone).tolist() == pytest.approx([0.5, 0.5, 1.0, 1.0])


@pytest.mark.parametrize(
    ("day", "repeated_hours", "first_part"), [("2026-10-25", 25, 0), ("2026-03-29", 23, 0), ("2026-07-01", 24, 0)]
)
def test_local_days_keep_their_length_where_the_clock_changes(day: str, repeated_hours: int, first_part: int) -> None:
    # The Azores go back from 01:00 to 00:00 on 25 October 2026 and on from 00:00 to 01:00 on 29 March (IANA data base).
    start = datetime.fromisoformat(f"{day}T00:00:00+00:00")
    times_us = (int(start.timestamp()) + np.arange(-86400, 2 * 86400, 900)) * 1_000_000
    clock = day_clock(times_us, "Atlantic/Azores")
    wanted = (datetime.fromisoformat(day).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days
    assert int((clock.day == wanted).sum()) == 4 * repeated_hours
    parts = clock.part[clock.day == wanted]
    assert set(parts.tolist()) == set(range(0, 96)) - (set(range(4)) if repeated_hours == 23 else set())


def test_yesterday_is_found_at_its_shift() -> None:
    # A pattern of two days that comes 22 min earlier each day, at steps of 30 s.
    generator = np.random.Generator(np.random.PCG64(5))
    today = generator.uniform(size=2880) < 0.1
    came = np.concatenate([today, np.roll(today, -44)])
    found = shifted_yesterday(came, 30.0)
    assert found.shift_s == -22 * 60.0
    assert np.isnan(found.forecast[: 2880 - 44]).all()
    assert np.array_equal(found.forecast[2880:5716], came[2880:5716])
    # Later instead of earlier, and nothing to choose between.
    assert shifted_yesterday(np.concatenate([today, np.roll(today, 10)]), 30.0).shift_s == 300.0
    assert shifted_yesterday(np.zeros(6000, dtype=bool), 30.0).shift_s == 0.0


def test_the_best_shift_is_that_of_trying_every_one() -> None:
    generator = np.random.Generator(np.random.PCG64(9))
    came = generator.uniform(size=400) < 0.3
    found = shifted_yesterday(came, 864.0, most_shift_s=8640.0)
    misfits = {lag: int((came[110:] != came[110 - 100 - lag : 300 - lag]).sum()) for lag in range(-10, 11)}
    assert misfits[round(found.shift_s / 864.0)] == min(misfits.values())


# --- events --------------------------------------------------------------------------------------------------------


def s(*seconds: float) -> np.ndarray:
    return np.round(np.array(seconds) * 1e6).astype(np.int64)


def test_events_by_hand() -> None:
    scores = score_events((s(10, 100, 300), s(20, 130, 310)), (s(12, 200, 297), s(21, 210, 309)), 5.0)
    assert scores.matches.forecast.tolist() == [0, 2]
    assert scores.matches.came.tolist() == [0, 2]
    assert (scores.hits, scores.misses, scores.false_alarms) == (2, 1, 1)
    assert scores.start_late_s.tolist() == [2.0, -3.0]
    assert scores.end_late_s.tolist() == [1.0, -1.0]
    assert scores.hit_rate == pytest.approx(2 / 3)
    assert scores.false_alarm_ratio == pytest.approx(1 / 3)
    assert scores.bias == 1.0
    assert scores.duration_ratio == pytest.approx(20 / 21)
    assert scores.median_late_s == -0.5
    nothing = score_events((s(), s()), (s(5), s(6)), 5.0)
    assert (nothing.hits, nothing.misses, nothing.hit_rate) == (0, 1, 0.0)
    assert math.isnan(nothing.false_alarm_ratio)


def test_as_many_pairs_as_there_can_be() -> None:
    # The nearest pair is 10 with 8, but it would leave 0 and 18 alone.
    matches = match_times(s(0, 10), s(8, 18), 9.0)
    assert list(zip(matches.forecast.tolist(), matches.came.tolist(), strict=True)) == [(0, 0), (1, 1)]
    assert match_times(s(0, 10), s(8, 18), 2.0).came.tolist() == [0]


@given(st.lists(st.integers(0, 30), max_size=5), st.lists(st.integers(0, 30), max_size=5), st.integers(0, 12))
def test_pairs_are_those_of_trying_every_way(a: list[int], b: list[int], tolerance: int) -> None:
    matches = match_times(s(*a), s(*b), tolerance)
    apart = [abs(a[i] - b[j]) for i, j in zip(matches.forecast.tolist(), matches.came.tolist(), strict=True)]
    assert all(distance <= tolerance for distance in apart)
    assert len(set(matches.forecast.tolist())) == len(set(matches.came.tolist())) == len(apart)
    short, long = sorted((a, b), key=len)
    ways = [
        [abs(x - y) for x, y in zip(short, chosen, strict=True) if y is not None and abs(x - y) <= tolerance]
        for chosen in itertools.permutations([*long, *[None] * len(short)], len(short))
    ]
    best = min((-len(way), sum(way)) for way in ways)
    assert (-len(apart), sum(apart)) == best


def test_robust_sigma_by_hand() -> None:
    assert robust_sigma([1.0, 2.0, 3.0, 4.0, 1000.0]) == pytest.approx(1.4826)
    assert math.isnan(robust_sigma([]))


# --- what is refused -----------------------------------------------------------------------------------------------


def test_what_cannot_be_scored_is_refused(subtests: pytest.Subtests) -> None:
    for call, words in [
        (lambda: brier_score([0.5, 1.5], [0, 1]), "1 of 2 values such as 1.5'; wanted chances from 0 to 1"),
        (lambda: brier_score([0.5, np.nan], [0, 1]), "try leaving out the moments that have no forecast"),
        (lambda: brier_score([0.5], [0, 1]), "1 and 2 moments"),
        (lambda: brier_score([], []), "one number or more"),
        (lambda: brier_score([0.5], [2]), "wanted true or false"),
        (lambda: brier_decomposition([0.5], [1], (0.0, 0.5)), "ascend from 0 to 1"),
        (lambda: reliability_table([0.5], [1], [1, 2]), "1 whole numbers, a day each"),
        (lambda: reliability_table([0.5], [1], [1], level=1.0), "level of the bounds"),
        (lambda: bootstrap_by_day(np.ones((9, 1)), lambda t: t[..., 0], replicates=0), "number of draws"),
        (lambda: climatology([1, 0], day_clock([0, 1])), "climatology; got 'one day'"),
        (lambda: day_clock([0], part_minutes=7), "part of the day"),
        (lambda: shifted_yesterday(np.zeros(100, dtype=bool), 864.0), "wanted more than 25 h"),
        (lambda: shifted_yesterday(np.zeros(125, dtype=bool), 720.0), "got '25 h'; wanted more than 25 h"),
        (lambda: shifted_yesterday(np.zeros(100, dtype=bool), 7.0), "seconds that divide a day"),
        (lambda: match_times(s(1), s(1), -1.0), "tolerance; got -1.0"),
        (lambda: match_times([0.5], s(1), 1.0), "whole microseconds"),
    ]:
        with subtests.test(call=call, words=words):
            with pytest.raises(InputError, match=words):
                call()  # type: ignore[operator]
            with pytest.raises(passim.PassimError):
                call()  # type: ignore[operator]
