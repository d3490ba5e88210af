"""A sweep by latitude over a fleet at random, by SGP4 and the full search, against the closed form.

Source of the closed form: the density of a satellite's latitude, Report ITU-R SA.2066 (recalled) and Okati & Riihonen,
IEEE Trans. Commun. 70(3), 2022; its own values are held against recomputed ones in test_closed_form_density.py. The
binomial for none in view holds for satellites at random only, as these are.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from element_sets import scattered
from passim import Fleet, Horizon, Site, Span
from passim.answers.sites.sweeps import LatitudeSweep, closed_form, sweep_latitudes
from passim.parallel.chunks import WorkerConfig
from passim.sky.closed_forms import share_in_view
from passim.sky.view import View

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
LATITUDES_DEG = (-45.0, -25.0, 0.0, 25.0, 45.0)
LONGITUDES = 6


def fleet_of(seed: int) -> Fleet:
    return scattered(total=300, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, seed=seed)


@pytest.fixture(scope="module")
def sweeps() -> list[LatitudeSweep]:
    """Four fleets at random, each swept over a day: their scatter is the sampling error."""
    view = View(Site("anywhere", 0.0, 0.0, horizon=Horizon.flat(25.0)))
    span = Span.starting(EPOCH, hours=24)
    return [
        sweep_latitudes(fleet_of(seed), view, LATITUDES_DEG, span, longitudes=LONGITUDES, workers=WorkerConfig(1))
        for seed in range(4)
    ]


@pytest.mark.parametrize("height_deg", [0.0, 25.0, 45.0])
def test_the_mean_in_view_is_that_of_the_closed_form(sweeps: list[LatitudeSweep], height_deg: float) -> None:
    # North and south together: the bulge of the orbit's own shape, some kilometres, is nearer in one of them.
    rows = [sweep.table[sweep.table["latitude_deg"].abs() == height_deg] for sweep in sweeps]
    means = np.array([row["in_view_mean"].mean() for row in rows])
    expected = rows[0]["in_view_closed_form"].iloc[0]
    error = means.std(ddof=1) / math.sqrt(len(means))
    # Four standard errors, and 1 % for the flattened Earth.
    assert abs(means.mean() - expected) < 4.0 * error + 0.01 * expected
    assert error < 0.02 * expected  # small enough for the check to mean something


@pytest.mark.parametrize("height_deg", [0.0, 25.0, 45.0])
def test_the_time_covered_is_that_of_the_binomial(sweeps: list[LatitudeSweep], height_deg: float) -> None:
    rows = [sweep.table[sweep.table["latitude_deg"].abs() == height_deg] for sweep in sweeps]
    out = 1.0 - np.array([row["covered_fraction"].mean() for row in rows])
    expected = 1.0 - rows[0]["covered_if_random"].iloc[0]
    error = out.std(ddof=1) / math.sqrt(len(out))
    assert abs(out.mean() - expected) < 4.0 * error + 0.03 * expected
    assert error < 0.15 * expected


def test_the_closed_form_of_a_fleet_is_the_sum_over_its_satellites() -> None:
    """At the equator, where no latitude is turned: 300 times the share of one, recomputed as 0.004346."""
    found = closed_form(fleet_of(0), 25.0, 0.0)
    assert found.in_view_mean == pytest.approx(300 * 0.004346, rel=0.002)
    assert found.chance_of_none == pytest.approx((1.0 - share_in_view(550.0, 25.0, 53.0, 0.0)) ** 300, rel=0.002)
    assert found.left_out == 0


def test_eccentric_and_very_high_orbits_are_left_out() -> None:
    from passim import read_elements

    both = read_elements(["tle_samples/eccentric.json", "tle_samples/geostationary.json"])
    assert closed_form(both, 25.0, 45.0) == (0.0, 1.0, 5)
