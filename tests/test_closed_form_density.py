"""Satellites in view by latitude, by the density of a satellite's latitude: own arithmetic, no outside check.

The formula: Report ITU-R SA.2066 (recalled) and Okati & Riihonen, IEEE Trans. Commun. 70(3), 2022 (recalled). The
figures are its own, kept so that a change shows; tests/step_simulation.py finds them again with satellites at random,
and the last test here repeats a random fleet by SGP4. The binomial holds for satellites placed at random only.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from element_sets import scattered
from passim import Site, Span, find_passes
from passim.orbits.propagation import Propagator
from passim.sky.closed_forms import (
    chance_none_in_view,
    earth_central_angle_deg,
    highest_latitude_in_view_deg,
    share_in_view,
)


@pytest.mark.parametrize(
    ("latitude_deg", "share"),
    [
        (0, 0.004346),
        (20, 0.004821),
        (40, 0.007608),
        (45, 0.011441),
        (53, 0.010453),
        (55, 0.008710),
        (60, 0.002375),
        (62, 0.0),
    ],
)
def test_share_in_view_550_km_53_deg(latitude_deg, share):
    assert share_in_view(550.0, 25.0, 53.0, latitude_deg) == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize(("latitude_deg", "share"), [(0, 0.011374), (30, 0.013178), (50, 0.017956), (60, 0.023499)])
def test_share_in_view_1200_km_near_polar(latitude_deg, share):
    assert share_in_view(1200.0, 25.0, 87.9, latitude_deg) == pytest.approx(share, abs=1e-6)


def test_best_latitude():
    # Recomputed: .012573 at 47.8 deg.
    best = minimize_scalar(lambda x: -share_in_view(550.0, 25.0, 53.0, x), bounds=(30.0, 60.0), method="bounded")
    assert best.x == pytest.approx(47.8, abs=0.05)
    assert -best.fun == pytest.approx(0.012573, abs=1e-6)


def test_highest_latitude():
    # Own arithmetic: 53 deg + 8.451 deg.
    assert highest_latitude_in_view_deg(550.0, 25.0, 53.0) == pytest.approx(61.451, abs=0.0005)


def test_mean_over_the_sphere():
    # Invariant for any inclination: the area-weighted mean is (1 - cos lambda)/2. Midpoints of equal areas.
    cells = 4000
    for inclination_deg in (20.0, 53.0, 87.9):
        shares = [
            share_in_view(550.0, 25.0, inclination_deg, math.degrees(math.asin((k + 0.5) / cells)))
            for k in range(cells)
        ]
        expected = (1.0 - math.cos(math.radians(earth_central_angle_deg(550.0, 25.0)))) / 2.0
        assert sum(shares) / cells == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(("latitude_deg", "chance"), [(0, 0.2707), (45, 0.0317), (60, 0.4900)])
def test_binomial_of_300_random_satellites(latitude_deg, chance):
    share = share_in_view(550.0, 25.0, 53.0, latitude_deg)
    assert chance_none_in_view(300, share) == pytest.approx(chance, abs=0.00005)


def on_the_sphere(site, fleet):
    """Return altitude, mask, inclination and latitude that give a sphere's site the sky of `site` on the ellipsoid."""
    # The flattened Earth: the site is nearer to the centre, at a lower geocentric latitude, and its horizon is tilted
    # by the difference, which moves its cap towards the pole.
    site_km = float(np.linalg.norm(site.position_km))
    geocentric_deg = math.degrees(math.asin(site.position_km[2] / site_km))
    tilt_deg = site.latitude_deg - geocentric_deg
    widened, narrowed = (earth_central_angle_deg(550.0, 25.0 + way * tilt_deg) for way in (-1.0, 1.0))
    # The bulge lifts and lowers the orbit by some kilometres: take its radius by SGP4 where the site looks.
    fraction = np.arange(0.0, 1.0, 1.0 / 1440.0)
    _, position_km, _ = Propagator(fleet).at(0, np.full_like(fraction, 2461100.5), fraction)
    radius_km = np.linalg.norm(position_km, axis=1)
    near = np.abs(np.degrees(np.arcsin(position_km[:, 2] / radius_km)) - geocentric_deg) < 8.0
    return radius_km[near].mean() - site_km, 25.0, 53.0, geocentric_deg + 0.5 * (widened - narrowed)


def test_simulated_share_of_a_random_fleet():
    # 200 satellites at random, one day, SGP4 and the full pass search against the closed form. The sampling error is
    # that of the mean over satellites: four standard errors, and 1 % for what `on_the_sphere` leaves out.
    epoch = datetime(2026, 3, 1, tzinfo=UTC)
    fleet = scattered(total=200, inclination_deg=53.0, altitude_km=550.0, epoch=epoch, seed=11)
    span = Span.starting(epoch, hours=24)
    latitudes_deg = (0.0, 20.0, 40.0, 45.0, 53.0, 60.0)
    sites = [Site(f"{latitude:g} N", latitude, 10.0) for latitude in latitudes_deg]
    passes = find_passes(fleet, sites, span)
    for site in sites:
        here = passes[passes["site"] == site.name]
        up_s = here.groupby("satellite_id")["duration_s"].sum().reindex(fleet.satellite_ids, fill_value=0.0)
        shares = up_s.to_numpy() / span.duration_s
        error = shares.std(ddof=1) / math.sqrt(len(shares))
        expected = share_in_view(*on_the_sphere(site, fleet))
        assert abs(shares.mean() - expected) < 4.0 * error + 0.01 * expected, site.name
        # The error itself is small enough for the check to mean something.
        assert error < 0.08 * expected
