"""Odds on simulated truth: days on which every satellite is early or late by the stated error.

One day's predicted intervals are moved as the model says they may be, once for each simulated day; the odds, made once,
are scored against all of them. Scenario and fleets are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import numpy as np
import pytest

import passim
from passim.coverage import Coverage
from passim.coverage.visibility import find_visibility
from passim.forecast.baselines import climatology, day_clock, shifted_yesterday
from passim.forecast.odds import odds_of_no_service
from passim.forecast.timing import TimingModel
from passim.forecast.verification import brier_score, brier_skill, reliability_table, yes_no
from passim.intervals import GroupedIntervals, Steps, level_at
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.view import View
from passim.spans import microseconds
from tests.scenario import MARRAM_LOFT, SOUTH, plover

DAY = passim.Span.starting(datetime(2026, 11, 25, tzinfo=UTC))
SEARCHED = passim.Span(DAY.start - timedelta(minutes=5), DAY.end + timedelta(minutes=5))
SIGMAS_S = (1.0, 3.0, 6.0, 12.0)
STEP_S = 10.0
SIMULATED_DAYS = 100


@dataclass(frozen=True)
class Scored:
    """Odds and yes-or-no of one day, and what came on each simulated one, shape (days, moments)."""

    odds: np.ndarray
    said: np.ndarray
    came: np.ndarray
    time_us: np.ndarray

    @property
    def day(self) -> np.ndarray:
        return np.repeat(np.arange(len(self.came)), self.came.shape[1])

    def every(self, forecast: np.ndarray) -> np.ndarray:
        return np.tile(forecast, len(self.came))

    @property
    def climatology(self) -> np.ndarray:
        clock = day_clock(np.tile(self.time_us, len(self.came)), "Atlantic/Azores")
        return climatology(self.came.ravel(), clock._replace(day=self.day))


def view(latitude_deg: float) -> View:
    gateway = Gateway(SOUTH.name, latitude_deg, SOUTH.longitude_deg, SOUTH.height_m, SOUTH.horizon)
    return View(MARRAM_LOFT, (GatewayLimit((gateway,)),))


@pytest.fixture(scope="module")
def scenario() -> tuple[GroupedIntervals, int]:
    seen = find_visibility(plover(DAY.start), view(SOUTH.latitude_deg), SEARCHED)
    return seen.joint(), len(seen.fleet)


@pytest.fixture(scope="module")
def regular() -> tuple[GroupedIntervals, int]:
    """The regular pattern of 18 planes of 20 with a gateway 600 km to the south."""
    fleet = passim.walker(total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=DAY.start)
    seen = find_visibility(fleet, view(39.604), SEARCHED)
    return seen.joint(), len(seen.fleet)


def out_at(start_us: np.ndarray, end_us: np.ndarray, time_us: np.ndarray) -> np.ndarray:
    coverage = Coverage.from_intervals(start_us, end_us, DAY)
    return level_at(Steps(coverage.edges_us, coverage.in_view), time_us) == 0


def simulated(
    joint: GroupedIntervals,
    satellites: int,
    stated: float | TimingModel,
    true_s: float,
    seed: int = 0,
    age: timedelta = timedelta(0),
) -> Scored:
    """Return the odds for a stated timing error, and days simulated with the true one; `age` is that at noon."""
    generator = np.random.Generator(np.random.PCG64(seed))
    law = stated if isinstance(stated, TimingModel) else TimingModel.steady(stated)
    epochs_us = np.full(satellites, microseconds(DAY.middle - age))
    odds = odds_of_no_service(joint, epochs_us, DAY, law, step_s=STEP_S, searched=SEARCHED, even=True)
    time_us = odds.moments_us
    # What the search cut goes on beyond it.
    start_us = np.where(joint.start <= SEARCHED.start_us, joint.start - 10**9, joint.start)
    end_us = np.where(joint.end >= SEARCHED.end_us, joint.end + 10**9, joint.end)
    came = []
    for _ in range(SIMULATED_DAYS):
        late_us = np.round(generator.normal(0.0, true_s * 1e6, satellites)).astype(np.int64)[joint.group]
        came.append(out_at(start_us + late_us, end_us + late_us, time_us))
    return Scored(odds.no_service, out_at(start_us, end_us, time_us), np.array(came), time_us)


def bins_outside(scored: Scored) -> int:
    """Of ten bins of chance, those whose forecast lies outside the bounds of what came."""
    table = reliability_table(scored.every(scored.odds), scored.came.ravel(), scored.day)
    assert len(table) == 10
    return int(((table["band_low"] > table["forecast"]) | (table["forecast"] > table["band_high"])).sum())


def test_the_usual_model_comes_true_where_errors_are_as_published(scenario: tuple[GroupedIntervals, int]) -> None:
    # Jankovic 2026, arXiv:2605.19850 (abstract read): half the errors are smaller than 38 km at 7 d. Errors drawn with
    # that median, at 7.585 km/s; pairs with a manoeuvre are left out there, so they are here.
    median_s = 38.0 / 7.585
    true_s, age = median_s / NormalDist().inv_cdf(0.75), timedelta(days=7)
    usual = replace(TimingModel(), manoeuvre_shares=())
    assert bins_outside(simulated(*scenario, usual, true_s, age=age)) <= 1
    # A model that takes the median for the standard deviation is too sure.
    assert bins_outside(simulated(*scenario, TimingModel.steady(median_s), true_s, age=age)) >= 4


@pytest.mark.parametrize("sigma_s", SIGMAS_S)
def test_the_reliability_curve_is_the_diagonal(scenario: tuple[GroupedIntervals, int], sigma_s: float) -> None:
    scored = simulated(*scenario, sigma_s, sigma_s)
    table = reliability_table(scored.every(scored.odds), scored.came.ravel(), scored.day)
    assert len(table) == 10
    assert (table["days"] == SIMULATED_DAYS).all()
    assert (table["band_low"] <= table["forecast"]).all()
    assert (table["forecast"] <= table["band_high"]).all()
    # The bounds are narrow enough to mean something.
    assert (table["band_high"] - table["band_low"]).max() < 0.2


def test_a_wrong_error_leaves_the_diagonal(scenario: tuple[GroupedIntervals, int]) -> None:
    scored = simulated(*scenario, 3.0, 12.0)
    assert bins_outside(scored) >= 5


# sigma: hit rate, false-alarm ratio, Brier score of yes or no, of the odds, of climatology. Simulated on
# the regular pattern second by second, printed to two figures; tests/step_simulation.py, which takes nothing of passim,
# finds them again within the tolerances here.
PRINTED = {
    1.0: (0.95, 0.03, 0.005, 0.004, 0.062),
    3.0: (0.87, 0.11, 0.016, 0.011, 0.063),
    6.0: (0.74, 0.24, 0.033, 0.022, 0.063),
    12.0: (0.54, 0.46, 0.061, 0.039, 0.061),
}


@pytest.mark.parametrize("sigma_s", SIGMAS_S)
def test_scores_of_the_regular_pattern_are_those_found_before(
    regular: tuple[GroupedIntervals, int], sigma_s: float
) -> None:
    scored = simulated(*regular, sigma_s, sigma_s)
    came = scored.came.ravel()
    hit, false, plain, odds, usual = PRINTED[sigma_s]
    counts = yes_no(scored.every(scored.said), came)
    assert counts.hit_rate == pytest.approx(hit, abs=0.05)
    assert counts.false_alarm_ratio == pytest.approx(false, abs=0.05)
    assert brier_score(scored.every(scored.said.astype(float)), came) == pytest.approx(plain, rel=0.15, abs=0.001)
    assert brier_score(scored.every(scored.odds), came) == pytest.approx(odds, rel=0.15, abs=0.001)
    assert came.mean() * (1.0 - came.mean()) == pytest.approx(usual, rel=0.06)


# Brier scores of yes or no, of the odds and of climatology by quarter hours, and the skill of the odds over that, at
# Marram's loft with the gateway South: found by this test and kept, so that a change shows.
MARRAM = {
    1.0: (0.0009, 0.0006, 0.0173, 0.96),
    3.0: (0.0035, 0.0027, 0.0172, 0.85),
    6.0: (0.0080, 0.0058, 0.0175, 0.67),
    12.0: (0.0157, 0.0106, 0.0189, 0.44),
}


@pytest.mark.parametrize("sigma_s", SIGMAS_S)
def test_skill_over_climatology_at_marram(scenario: tuple[GroupedIntervals, int], sigma_s: float) -> None:
    scored = simulated(*scenario, sigma_s, sigma_s)
    came, usual = scored.came.ravel(), scored.climatology
    skill = brier_skill(scored.every(scored.odds), usual, came, scored.day)
    forecasts = (scored.every(scored.said.astype(float)), scored.every(scored.odds), usual)
    scores = [brier_score(forecast, came) for forecast in forecasts]
    assert scores == pytest.approx(MARRAM[sigma_s][:3], rel=0.06)
    assert skill.value == pytest.approx(MARRAM[sigma_s][3], abs=0.01)
    assert skill.low < skill.value < skill.high
    # Much the same as on the regular pattern, though service is out a quarter as long here.
    *_, odds, climate = PRINTED[sigma_s]
    assert skill.value == pytest.approx(1.0 - odds / climate, abs=0.1)
    # Odds beat yes or no; how long service is out in all hardly depends on the error.
    assert scores[1] < scores[0]
    assert came.mean() == pytest.approx(scored.said.mean(), rel=0.12)


def test_yesterday_at_marram_comes_back_earlier() -> None:
    # The planes of a shell at 550 km and 53 deg pass 21.9 min earlier each day (node -4.489 deg a day, 0.9856 deg of
    # the sun: 5.475 deg at 4 min each; own arithmetic). The trains of gaps inside the pattern come every 4.8 min and
    # may pull the best lag to a neighbour.
    span = passim.Span.starting(DAY.start, hours=72)
    joint = find_visibility(plover(DAY.start), view(SOUTH.latitude_deg), span).joint()
    time_us = span.start_us + np.arange(0, 72 * 360, dtype=np.int64) * 10_000_000
    coverage = Coverage.from_intervals(joint.start, joint.end, span)
    came = level_at(Steps(coverage.edges_us, coverage.in_view), time_us) == 0
    found = shifted_yesterday(came, 10.0)
    assert found.shift_s == pytest.approx(-21.9 * 60.0, abs=300.0)
