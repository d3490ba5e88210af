"""The odds of no service: the closed form against hand-made cases, its limits, and the draws against it."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom, norm

from passim.coverage import Coverage
from passim.errors import InputError, SiteError, SpanError
from passim.forecast.normal import normal_cdf, normal_nodes
from passim.forecast.odds import SKIPPED_BELOW, Odds, _where_thin as where_thin, odds_of_no_service
from passim.forecast.odds_events import simulate
from passim.forecast.timing import TimingModel
from passim.forecast.timing_errors import TimingErrors, timing_errors
from passim.intervals import GroupedIntervals
from passim.spans import Span

START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
HOUR = Span.starting(START, 1)
DAY_US = 86_400_000_000

# Two-sided chance beyond 4.5 standard errors of a normal variable.
BEYOND = 2 * float(norm.sf(4.5))


def grouped(*rows: tuple[int, float, float]) -> GroupedIntervals:
    """Intervals (satellite, start, end) in seconds after START."""
    satellite, start_s, end_s = (np.array(column) for column in zip(*rows, strict=True))
    start_us, end_us = (np.round(s * 1e6).astype(np.int64) + HOUR.start_us for s in (start_s, end_s))
    return GroupedIntervals(satellite.astype(np.int64), start_us, end_us)


def epochs(satellites: int, age_days: float = 1.0) -> NDArray[np.int64]:
    """Epochs that many days before START."""
    return np.full(satellites, HOUR.start_us - round(age_days * DAY_US), dtype=np.int64)


def times_s(odds: Odds) -> NDArray[np.float64]:
    return (odds.moments_us - HOUR.start_us) / 1e6


def scene(passes: int, satellites: int, seed: int) -> GroupedIntervals:
    """An invented hour: passes of 60 to 110 s at random, from ten minutes before to ten after."""
    rng = np.random.default_rng(seed)
    start_s = rng.uniform(-600.0, 4200.0, passes)
    end_s = start_s + rng.uniform(60, 110, passes)
    return grouped(*zip(rng.integers(0, satellites, passes), start_s, end_s, strict=True))


AROUND = Span.starting(datetime(2026, 11, 25, 7, 30, tzinfo=UTC), 2)


def test_the_distribution_function_against_scipy() -> None:
    x = np.concatenate([np.linspace(-12.0, 12.0, 200_001), [-np.inf, np.inf]])
    assert np.abs(normal_cdf(x) - norm.cdf(x)).max() < 1e-10


@pytest.mark.parametrize("ratio", [0.05, 0.1, 0.25, 0.5, 0.6, 1.0, 3.0, 20.0])
def test_nodes_stand_for_a_normal_variable(ratio: float) -> None:
    # The mean over z of Phi(c + r z) is Phi(c / sqrt(1 + r**2)) (Owen 1980, integral 10,010.8, recalled).
    z, weight = normal_nodes(ratio)
    c = np.linspace(-4.0, 4.0, 41)
    mean = norm.cdf(c[:, None] + ratio * z) @ weight
    assert np.abs(mean - norm.cdf(c / np.hypot(1.0, ratio))).max() < 1e-6


def test_one_satellite_by_hand() -> None:
    odds = odds_of_no_service(grouped((0, 600.0, 800.0)), epochs(1), HOUR, TimingModel.steady(6.0))
    t = times_s(odds)
    assert odds.no_service.shape == (3600,)
    assert t[:2].tolist() == [0.5, 1.5]
    expected = 1.0 - (norm.cdf((t - 600.0) / 6.0) - norm.cdf((t - 800.0) / 6.0))
    assert np.abs(odds.no_service - expected).max() < SKIPPED_BELOW


def test_two_satellites_by_hand_each_with_its_own_age() -> None:
    model = TimingModel(manoeuvre_shares=(), shared_per_day2_s=0.0)
    both = np.append(epochs(1, 1.0), epochs(1, 5.0))
    odds = odds_of_no_service(grouped((0, 600.0, 800.0), (1, 795.0, 990.0)), both, HOUR, model)
    t = times_s(odds)
    # Ages at the middle of each pass, 700 s and 892.5 s after START.
    first_s, second_s = model.sigma_s(86400.0 + 700.0), model.sigma_s(5 * 86400.0 + 892.5)
    first = norm.cdf((t - 600.0) / first_s) - norm.cdf((t - 800.0) / first_s)
    second = norm.cdf((t - 795.0) / second_s) - norm.cdf((t - 990.0) / second_s)
    assert np.abs(odds.no_service - (1.0 - first) * (1.0 - second)).max() < 2 * SKIPPED_BELOW


def test_pieces_of_one_satellite_add_and_those_of_two_multiply() -> None:
    # Between two pieces with 4 s between them the satellite is late for one or early for the other, never both.
    model, middle = TimingModel.steady(6.0), 702
    one = odds_of_no_service(grouped((0, 600.0, 700.0), (0, 704.0, 800.0)), epochs(2), HOUR, model).no_service
    two = odds_of_no_service(grouped((0, 600.0, 700.0), (1, 704.0, 800.0)), epochs(2), HOUR, model).no_service
    t = middle + 0.5
    early = norm.cdf((t - 600.0) / 6.0) - norm.cdf((t - 700.0) / 6.0)
    late = norm.cdf((t - 704.0) / 6.0) - norm.cdf((t - 800.0) / 6.0)
    assert one[middle] == pytest.approx(1.0 - early - late, abs=1e-6)
    assert two[middle] == pytest.approx((1.0 - early) * (1.0 - late), abs=1e-6)
    # In a draw of one satellite the break keeps its four seconds, wherever it goes.
    drawn = simulate(grouped((0, -900.0, 700.0), (0, 704.0, 4500.0)), epochs(1), HOUR, model, runs=500, searched=AROUND)
    assert np.array_equal(drawn.run, np.arange(500))
    assert np.abs(drawn.end_us - drawn.start_us - 4_000_000).max() <= 1
    assert np.std(drawn.start_us) / 1e6 == pytest.approx(6.0, rel=0.15)


def test_sigmas_of_an_interval_by_hand() -> None:
    """A day old at its middle: own 3 (+) 4 s, a manoeuvre of 6 s a day 6 / sqrt(3) more in squares, shared 0.5 s."""
    model = TimingModel(
        at_epoch_s=3.0, per_day_s=4.0, per_day2_s=0.0, manoeuvre_shares=((24.0, 0.3),), manoeuvre_per_day_s=6.0,
        shared_per_day2_s=0.5,
    )  # fmt: skip
    epoch_us = np.array([HOUR.start_us + 700_000_000 - DAY_US])
    law = timing_errors(grouped((0, 600.0, 800.0)), epoch_us, HOUR, model)
    assert (law.start_us[0], law.end_us[0]) == (600e6, 800e6)
    assert law.sigma_us[0] == pytest.approx(5e6, rel=1e-9)
    assert law.tail_us[0] == pytest.approx(np.sqrt(25.0 + 12.0) * 1e6, rel=1e-9)
    assert (law.tail_share[0], law.shared_us[0]) == pytest.approx((0.3, 0.5e6), rel=1e-9)


def test_a_manoeuvre_makes_a_tail() -> None:
    model = TimingModel(
        at_epoch_s=1.0, per_day_s=0.0, per_day2_s=0.0, manoeuvre_shares=((24.0, 0.3),), manoeuvre_per_day_s=40.0,
        shared_per_day2_s=0.0,
    )  # fmt: skip
    odds = odds_of_no_service(grouped((0, 600.0, 800.0)), epochs(1), HOUR, model)
    t = times_s(odds)
    tail_s = np.sqrt(1.0 + (40.0 * (86400.0 + 700.0) / 86400.0) ** 2 / 3.0)
    up = [norm.cdf((t - 600.0) / s) - norm.cdf((t - 800.0) / s) for s in (1.0, tail_s)]
    assert np.abs(odds.no_service - (1.0 - 0.7 * up[0] - 0.3 * up[1])).max() < 2e-7


def test_what_is_shared_only_moves_the_pattern() -> None:
    model = TimingModel.steady(0.0, shared_per_day2_s=5.0)
    joint = grouped((0, -900.0, 700.0), (1, 720.0, 1500.0), (2, 1480.0, 4500.0))
    drawn = simulate(joint, epochs(3), HOUR, model, runs=2000, seed=3, searched=AROUND)
    assert np.array_equal(drawn.run, np.arange(2000))  # one gap in every run: satellites 1 and 2 overlap
    # Ages differ by minutes, so the gap keeps its 20 s to a few hundredths of the shift.
    assert np.abs((drawn.end_us - drawn.start_us) / 1e6 - 20.0).max() < 1.0
    sigma_s = float(model.shared_sigma_s(86400.0 + 700.0))
    assert np.std(drawn.start_us) / 1e6 == pytest.approx(sigma_s, rel=0.1)
    # In closed form the gap is smeared, and its expected length stays.
    odds = odds_of_no_service(joint, epochs(3), HOUR, TimingModel.steady(0.5, shared_per_day2_s=5.0), searched=AROUND)
    t, wide = times_s(odds), np.hypot(0.5, sigma_s)
    expected = norm.cdf((t - 700.0) / wide) - norm.cdf((t - 720.0) / wide)
    assert np.abs(odds.no_service - expected).max() < 0.02
    assert odds.expected_gap_s == pytest.approx(20.0, abs=0.05)


def test_without_error_the_odds_are_yes_or_no() -> None:
    joint = scene(90, 40, seed=5)
    coverage = Coverage.from_intervals(joint.start, joint.end, HOUR)
    nothing = TimingModel.steady(0.0)
    # Even steps: those that end at an edge would ask about the very microsecond of it.
    odds = odds_of_no_service(joint, epochs(40), HOUR, nothing, searched=AROUND, even=True)
    in_view = coverage.in_view[np.searchsorted(coverage.edges_us, odds.moments_us, side="right") - 1]
    assert np.array_equal(odds.no_service > 0.5, in_view == 0)
    assert np.abs(odds.no_service - (in_view == 0)).max() < 1e-6
    drawn = simulate(joint, epochs(40), HOUR, nothing, runs=3, searched=AROUND)
    gaps = coverage.gap_intervals
    assert np.array_equal(drawn.start_us, np.tile(gaps.start, 3))
    assert np.array_equal(drawn.end_us, np.tile(gaps.end, 3))


def test_time_out_in_all_hardly_depends_on_the_error() -> None:
    # Statistics survive old elements (simulated for this project): the share of time out stays the same at 1 to 12 s.
    totals = [
        odds_of_no_service(scene(180, 40, seed), epochs(40), HOUR, TimingModel.steady(sigma_s), searched=AROUND)
        for seed in range(12)
        for sigma_s in (0.001, 1.0, 3.0, 6.0, 12.0)
    ]
    by_sigma = np.array([odds.expected_gap_s for odds in totals]).reshape(12, 5).mean(axis=0)
    assert by_sigma[0] > 60.0
    assert by_sigma == pytest.approx(by_sigma[0], rel=0.05)


@pytest.mark.parametrize(
    ("model", "age_days"),
    [
        (TimingModel(), 1.0),
        (TimingModel(), 6.0),
        (TimingModel.stormy(), 3.0),
        (TimingModel.steady(6.0), 1.0),
        (TimingModel(manoeuvre_per_day_s=40.0), 2.0),
    ],
    ids=["a day old", "six days old", "a storm", "six seconds", "large manoeuvres"],
)
def test_draws_agree_with_the_closed_form_at_every_second(model: TimingModel, age_days: float) -> None:
    joint, runs = scene(300, 80, seed=7), 3000
    odds = odds_of_no_service(joint, epochs(80, age_days), HOUR, model, searched=AROUND)
    drawn = simulate(joint, epochs(80, age_days), HOUR, model, runs=runs, seed=11, searched=AROUND)
    begun, ended = (np.searchsorted(np.sort(each), odds.moments_us, "right") for each in (drawn.start_us, drawn.end_us))
    hits = begun - ended
    # 4.5 standard errors, by the binomial law itself: where a chance is small it is far from normal.
    chance = np.minimum(binom.cdf(hits, runs, odds.no_service), binom.sf(hits - 1, runs, odds.no_service)) * 2
    assert chance.min() > BEYOND
    # No bias in all: neighbouring seconds go together, so a run is the unit.
    per_run_s = np.bincount(drawn.run, (drawn.end_us - drawn.start_us) / 1e6, runs)
    error_s = per_run_s.std(ddof=1) / runs**0.5
    assert abs(per_run_s.mean() - odds.expected_gap_s) < 4.5 * error_s + 0.01
    assert odds.expected_gap_s > 10.0


def everywhere(law: TimingErrors, middles_us: NDArray[np.float64], around_us: float = 0.0) -> NDArray[np.bool_]:
    """All moments for those that are worked out; the same steps."""
    return where_thin(law, middles_us, around_us) if around_us else np.ones(middles_us.size, dtype=bool)


def test_what_is_skipped_stays_below_its_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    joint = scene(900, 300, seed=2)
    for age_days in (0.2, 2.0, 7.0):
        odds = odds_of_no_service(joint, epochs(300, age_days), HOUR, searched=AROUND)
        with monkeypatch.context() as patch:
            patch.setattr("passim.forecast.odds._where_thin", everywhere)
            whole = odds_of_no_service(joint, epochs(300, age_days), HOUR, searched=AROUND)
        assert np.any(odds.no_service == 0.0)
        assert np.abs(odds.no_service - whole.no_service).max() < SKIPPED_BELOW


def test_what_is_read_off_between_knots_is_within_a_hundredth(
    monkeypatch: pytest.MonkeyPatch, subtests: pytest.Subtests
) -> None:
    """Short and long passes, of ages alike and not, under errors of seconds and less: against all moments worked out.

    Satellites pass twice, 40 s apart. At ages a day apart, what is shared differs among them, in a storm by much.
    """
    steep = TimingModel.steady(4.0, shared_per_day2_s=0.3)
    for passes, length_s, age_days, apart_days, model in (
        (1500, 10.0, 7.0, 0.0, TimingModel()),
        (1500, 8.0, 7.0, 1.0, TimingModel()),
        (1500, 10.0, 4.0, 0.0, TimingModel.stormy()),
        (1500, 4.0, 4.0, 1.0, TimingModel.stormy()),
        (200, 100.0, 7.0, 0.0, TimingModel()),
        (900, 5.9, 3.0, 0.0, steep),
        (400, 30.0, 3.0, 0.0, steep),
        (400, 30.0, 0.2, 0.0, TimingModel()),
    ):
        rng = np.random.default_rng(passes)
        start_s = np.repeat(rng.uniform(-600.0, 4200.0, passes // 2), 2) + np.tile([0.0, 40.0], passes // 2)
        joint = grouped(*zip(np.arange(passes) // 2, start_s, start_s + length_s, strict=True))
        made_us = epochs(passes, age_days) + np.rint(rng.uniform(0.0, apart_days, passes) * DAY_US).astype(np.int64)
        common = (joint, made_us, HOUR, model)
        odds = odds_of_no_service(*common, searched=AROUND).no_service
        told_apart = {"passes": passes, "length_s": length_s, "age_days": age_days, "apart_days": apart_days}
        with subtests.test(**told_apart), monkeypatch.context() as patch:
            patch.setattr("passim.forecast.odds._MANY_CELLS", 0)
            patch.setattr("passim.forecast.odds._MOMENTS_A_PIECE", 700)
            read = odds_of_no_service(*common, searched=AROUND).no_service
            told = odds > SKIPPED_BELOW
            assert told.sum() > 300
            assert np.abs(read[told] / odds[told] - 1.0).max() < 0.01
            assert np.abs(read - odds).max() < 0.003
            # Nothing is read off where errors are short beside the passes.
            assert np.array_equal(read, odds) == (length_s > 10.0)


def test_blocks_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    joint = scene(200, 50, seed=4)
    odds = odds_of_no_service(joint, epochs(50, 3.0), HOUR)
    drawn = simulate(joint, epochs(50, 3.0), HOUR, runs=40)
    monkeypatch.setattr("passim.forecast.odds._CELLS_A_BLOCK", 777)
    monkeypatch.setattr("passim.forecast.odds_events._INTERVALS_A_BLOCK", 1400)
    assert odds_of_no_service(joint, epochs(50, 3.0), HOUR).no_service == pytest.approx(odds.no_service, abs=1e-6)
    again = simulate(joint, epochs(50, 3.0), HOUR, runs=40)
    assert np.array_equal(again.run, drawn.run)
    assert np.array_equal(again.start_us, drawn.start_us)


def test_an_interval_that_the_search_cut_goes_on() -> None:
    joint, model = grouped((0, 0.0, 3600.0)), TimingModel.steady(6.0)
    assert odds_of_no_service(joint, epochs(1), HOUR, model).expected_gap_s < 1e-9
    assert simulate(joint, epochs(1), HOUR, model).run.size == 0
    # Sought over more than the span, the same ends are a true rise and a true set.
    known = odds_of_no_service(joint, epochs(1), HOUR, model, searched=AROUND)
    assert known.expected_gap_s == pytest.approx(2 * 6.0 / (2 * np.pi) ** 0.5, abs=0.01)


def test_a_sky_without_satellites_is_out_for_certain() -> None:
    nothing = GroupedIntervals(*(np.zeros(0, dtype=np.int64) for _ in range(3)))
    odds = odds_of_no_service(nothing, epochs(0), HOUR)
    assert odds.expected_gap_s == 3600.0
    drawn = simulate(nothing, epochs(0), HOUR, runs=5)
    assert drawn.run.tolist() == [0, 1, 2, 3, 4]
    assert drawn.expected_gap_s == 3600.0


def test_minutes_add_up_and_tell_their_worst_moment() -> None:
    span = Span(datetime(2026, 11, 25, 8, 0, 30, tzinfo=UTC), datetime(2026, 11, 25, 8, 59, 59, 500_000, tzinfo=UTC))
    odds = odds_of_no_service(scene(180, 40, seed=1), epochs(40), span, TimingModel.steady(3.0), step_s=7.0)
    minutes = odds.per_minute("Atlantic/Azores")
    assert len(minutes) == 60
    assert minutes["expected_gap_s"].sum() == pytest.approx(odds.expected_gap_s)
    assert minutes["expected_gap_s"].iloc[0] == pytest.approx(minutes["no_service"].iloc[0] * 30.0)
    assert (minutes["no_service_highest"] >= minutes["no_service"] - 1e-12).all()
    assert minutes["minute"].iloc[0] == START
    assert minutes["minute_local"].iloc[0].hour == 7
    assert odds.edges_us[-1] == span.end_us
    seconds = odds.per_second()
    assert list(seconds.columns) == ["time", "no_service"]
    with pytest.raises(SiteError):
        odds.per_minute("Nowhere/Else")


def test_wrong_input_is_told_in_one_line() -> None:
    joint = grouped((0, 0.0, 100.0), (3, 50.0, 200.0))
    with pytest.raises(InputError, match="satellites up to 3"):
        odds_of_no_service(joint, epochs(2), HOUR)
    with pytest.raises(InputError, match="epochs"):
        odds_of_no_service(joint, [1.5, 2.5, 3.5, 4.5], HOUR)
    with pytest.raises(InputError, match="whole microseconds"):
        odds_of_no_service((joint.group, joint.start + 0.5, joint.end + 0.5), epochs(4), HOUR)
    with pytest.raises(InputError, match="ends before it starts"):
        odds_of_no_service((joint.group, joint.end, joint.start), epochs(4), HOUR)
    with pytest.raises(InputError, match="part of the span searched"):
        odds_of_no_service(joint, epochs(4), AROUND, searched=HOUR)
    for step_s in (0.0, 61.0, float("nan")):
        with pytest.raises(SpanError, match="step of the odds"):
            odds_of_no_service(joint, epochs(4), HOUR, step_s=step_s)


# --- gaps shorter than a step -----------------------------------------------------------------------------------------


def test_a_gap_between_two_seconds_is_not_lost() -> None:
    """A gap of 0.22 s, without error, at 600.6 s: its minute is out for 0.22 / 60 = 0.367 % of the time (by hand)."""
    known = grouped((0, -600.0, 600.6), (1, 600.82, 4200.0))
    for sigma_s in (0.0, 0.1):
        odds = odds_of_no_service(known, epochs(2), HOUR, TimingModel.steady(sigma_s), searched=AROUND)
        minute = odds.per_minute().iloc[10]
        dense = odds_of_no_service(
            known, epochs(2), HOUR, TimingModel.steady(sigma_s), step_s=0.001, searched=AROUND, even=True
        )
        wanted = dense.per_minute().iloc[10]
        assert minute["no_service"] == pytest.approx(wanted["no_service"], rel=0.01)
        assert minute["no_service_highest"] == pytest.approx(wanted["no_service_highest"], rel=0.01)
        assert odds.expected_gap_s == pytest.approx(dense.expected_gap_s, rel=0.01)
        if not sigma_s:
            assert minute["no_service"] == pytest.approx(0.22 / 60.0, rel=1e-4)
            assert minute["no_service_highest"] == 1.0


@pytest.mark.parametrize("shared_s", [0.0, 0.3])
def test_the_odds_of_many_short_gaps_against_a_dense_grid(shared_s: float) -> None:
    """Edges every 1.7 s or so with errors of 0.05 s, and with one that all share: a grid of 4 ms is the truth."""
    rng = np.random.default_rng(4)
    begin_s = np.arange(20.0, 500.0, 1.73)
    rows = [
        (satellite, s, s + length)
        for satellite, (s, length) in enumerate(zip(begin_s, rng.uniform(1.4, 1.9, 278), strict=True))
    ]
    known, ages = grouped(*rows), epochs(len(rows))
    span = Span(START, START + (AROUND.end - AROUND.start) / 14)
    model = TimingModel.steady(0.05, shared_per_day2_s=shared_s)
    odds, dense = (
        odds_of_no_service(known, ages, span, model, step_s=step_s, searched=AROUND, even=even)
        for step_s, even in ((1.0, False), (0.004, True))
    )
    minutes, wanted = odds.per_minute(), dense.per_minute()
    assert np.abs(minutes["no_service"] - wanted["no_service"]).max() < 0.002
    assert np.abs(minutes["no_service_highest"] - wanted["no_service_highest"]).max() < 0.02
    coarse = odds_of_no_service(known, ages, span, model, searched=AROUND, even=True).per_minute()
    if not shared_s:
        assert np.abs(coarse["no_service"] - wanted["no_service"]).max() > 0.01


def test_steps_are_finer_only_where_they_tell_anything() -> None:
    """Two satellites that are up throughout leave no doubt; ten rises at once need no more steps than one."""
    seconds = round((HOUR.end - HOUR.start).total_seconds())
    model = TimingModel.steady(0.1)
    edge = (0, 0.0, 1800.0)

    def steps(*rows: tuple[int, float, float]) -> int:
        return odds_of_no_service(grouped(*rows), epochs(12), HOUR, model, searched=AROUND).no_service.size

    # Round one rise and set, 5.5 errors either way by steps of a sixteenth of a second.
    alone = steps(edge)
    assert seconds < alone <= seconds + 2 * 2 * 20 + 2
    assert steps(edge, (1, -400.0, 4000.0), (2, -400.0, 4000.0)) == seconds
    assert steps(*((satellite, 0.0, 1800.0) for satellite in range(10))) == alone
