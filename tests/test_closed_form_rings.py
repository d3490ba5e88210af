"""Gap trains under a ring of satellites: a case that is known exactly.

The table was recomputed by event search to 1e-4 s (own arithmetic, no printed source): 550 km, mask 25 deg, an
equatorial ring over a site on the turning equator and a polar ring over the pole of a sphere.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.optimize import brentq
from sgp4.api import WGS72, Satrec

from passim import Site, Span, find_passes
from passim.elements.patterns import walker
from rings import ring_gap_train

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)

# satellites, equatorial gap s and interval s, polar gap s and interval s, share covered; 0 where there is no gap.
TABLE = [
    (16, 95.6155, 384.2823, 89.2470, 358.6871, 0.751184),
    (18, 52.9175, 341.5843, 49.3929, 318.8329, 0.845082),
    (20, 18.7591, 307.4259, 17.5096, 286.9496, 0.938980),
    (21, 4.1197, 292.7865, 3.8453, 273.2854, 0.985929),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"N{row[0]}")
def test_closed_form(row):
    satellites, equator_gap_s, equator_every_s, pole_gap_s, pole_every_s, covered = row
    for over, gap_s, every_s in (("equator", equator_gap_s, equator_every_s), ("pole", pole_gap_s, pole_every_s)):
        train = ring_gap_train(satellites, 550.0, 25.0, over=over)
        assert train.gap_s == pytest.approx(gap_s, abs=1e-4)
        assert train.every_s == pytest.approx(every_s, abs=1e-4)
        assert train.covered_fraction == pytest.approx(covered, abs=1e-6)


def test_twenty_two_satellites_leave_no_gap():
    for over in ("equator", "pole"):
        train = ring_gap_train(22, 550.0, 25.0, over=over)
        assert (train.gap_s, train.covered_fraction) == (0.0, 1.0)


@pytest.mark.parametrize("over", ["equator", "pole"])
@pytest.mark.parametrize("satellites", [16, 20, 21])
def test_closed_form_against_event_search_on_ideal_circles(satellites, over):
    # Everything here is written again from vectors in space: circular two-body motion, a site carried round by the
    # Earth, the elevation from a dot product, and rises and sets as roots of it.
    radius_km, earth_km, mu, turn_rad_s = 6928.137, 6378.137, 398600.4418, 7.292115855e-5
    rate_rad_s = math.sqrt(mu / radius_km**3)

    def height(time_s, k):
        angle = rate_rad_s * time_s + 2.0 * math.pi * k / satellites
        if over == "equator":
            satellite = radius_km * np.array([math.cos(angle), math.sin(angle), 0.0])
            up = np.array([math.cos(turn_rad_s * time_s), math.sin(turn_rad_s * time_s), 0.0])
        else:
            satellite = radius_km * np.array([math.cos(angle), 0.0, math.sin(angle)])
            up = np.array([0.0, 0.0, 1.0])
        sight = satellite - earth_km * up
        return sight @ up / np.linalg.norm(sight) - math.sin(math.radians(25.0))

    times = np.arange(0.0, 7000.0, 20.0)
    rises, sets = [], []
    for k in range(satellites):
        values = np.array([height(t, k) for t in times])
        for j in np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:])):
            root = brentq(height, times[j], times[j + 1], args=(k,), xtol=1e-7)
            (rises if values[j] < 0.0 else sets).append(root)
    rises, sets = np.sort(rises), np.sort(sets)
    # One satellite at most is up at a time, so a gap runs from each set to the rise that follows.
    after = np.searchsorted(rises, sets)
    whole = after < len(rises)
    gaps_s = rises[after[whole]] - sets[whole]
    assert len(gaps_s) > 15

    train = ring_gap_train(satellites, 550.0, 25.0, over=over)
    assert np.max(np.abs(gaps_s - train.gap_s)) < 1e-3
    assert np.max(np.abs(np.diff(sets) - train.every_s)) < 1e-3


def gaps_between(passes):
    """Return the whole gaps between passes of which one at most is up at a time, seconds, and the set times, s."""
    rises_s = passes["rise"].astype("int64").to_numpy() / 1e6
    sets_s = passes["set"].astype("int64").to_numpy() / 1e6
    order = np.argsort(rises_s)
    return rises_s[order][1:] - sets_s[order][:-1], sets_s[order]


def simulated_ring(satellites, inclination_deg, site):
    fleet = walker(
        total=satellites,
        planes=1,
        phasing=0,
        inclination_deg=inclination_deg,
        altitude_km=550.0,
        epoch=EPOCH,
        eccentricity=0.0,
    )
    passes = find_passes(fleet, site, Span.starting(EPOCH, hours=4))
    return fleet, passes[~passes["cut_at_start"] & ~passes["cut_at_end"]]


def sgp4_model(record, *, inclination_rad):
    """Return SGP4 (WGS 72) of a circular orbit from the node at `EPOCH`, straight from its package."""
    model = Satrec()
    days_since_1949 = 2461100.5 - 2433281.5
    motion = record.mean_motion_rev_day * math.pi / 720.0
    model.sgp4init(WGS72, "i", 0, days_since_1949, 0.0, 0.0, 0.0, 0.0, 0.0, inclination_rad, 0.0, motion, 0.0)
    return model


@pytest.mark.parametrize("satellites", [16, 20, 21])
def test_simulated_equatorial_ring(satellites):
    # SGP4 carries the ring lower and faster than two bodies would (the Earth's bulge, J2): 6924.97 km from the centre
    # instead of 6928.14, and 0.14 % faster along the equator. So the plain law is met within the bulge's effect: 0.2 %
    # of the interval, and at most 1.5 s of the gap.
    fleet, passes = simulated_ring(satellites, 0.0, Site("Equator", 0.0, 30.0, 0.0))
    gaps_s, sets_s = gaps_between(passes)
    assert len(gaps_s) > 30
    law = ring_gap_train(satellites, 550.0, 25.0)
    assert np.mean(np.diff(sets_s)) == pytest.approx(law.every_s, rel=0.002)
    assert np.mean(gaps_s) == pytest.approx(law.gap_s, abs=1.5)

    # With radius and angular rate as SGP4 itself has them, the law holds to milliseconds: the radius still breathes
    # by 7 m, which moves an edge by some 3 ms.
    model = sgp4_model(fleet[0], inclination_rad=0.0)
    days = np.linspace(0.0, 4.0 / 24.0, 2001)
    _, position_km, _ = model.sgp4_array(np.full_like(days, 2461100.5), days)
    radius_km = np.linalg.norm(position_km, axis=1).mean()
    rate_rad_s = np.polyfit(days * 86400.0, np.unwrap(np.arctan2(position_km[:, 1], position_km[:, 0])), 1)[0]
    mask = math.radians(25.0)
    reach = math.acos(6378.137 * math.cos(mask) / radius_km) - mask
    spacing = 2.0 * math.pi / satellites
    assert np.mean(np.diff(sets_s)) == pytest.approx(spacing / (rate_rad_s - 7.292115855e-5), abs=0.002)
    assert np.max(np.abs(gaps_s - (spacing - 2.0 * reach) / (rate_rad_s - 7.292115855e-5))) < 0.010


@pytest.mark.parametrize("satellites", [16, 18])
def test_simulated_polar_ring_over_the_pole(satellites):
    # The pole of WGS 84 lies 21.4 km nearer to the centre than a sphere's, so satellites rise there earlier: put the
    # radius of the ring over the pole (6920.65 km, from SGP4) and of the ground (6356.752 km) into the same law. It is
    # met within the bulge's short-period pull: half a second.
    fleet, passes = simulated_ring(satellites, 90.0, Site("Pole", 90.0, 0.0, 0.0))
    gaps_s, sets_s = gaps_between(passes)
    assert len(gaps_s) > 30
    every_s = np.mean(np.diff(sets_s))
    assert every_s == pytest.approx(ring_gap_train(satellites, 550.0, 25.0, over="pole").every_s, rel=0.002)
    mask = math.radians(25.0)
    reach = math.acos(6356.752 * math.cos(mask) / 6920.65) - mask
    assert np.mean(gaps_s) == pytest.approx(every_s * (1.0 - reach * satellites / math.pi), abs=0.5)

    # The pole does not move and its up is the z axis, so SGP4's own states give the same pass without any frame.
    model = sgp4_model(fleet[0], inclination_rad=math.pi / 2.0)

    def height(time_s):
        _, position_km, _ = model.sgp4(2461100.5, time_s / 86400.0)
        sight = np.array(position_km) - [0.0, 0.0, 6356.752314245]
        return sight[2] / np.linalg.norm(sight) - math.sin(mask)

    overhead_s = 5730.0 / 4.0
    pass_s = brentq(height, overhead_s, overhead_s + 400.0, xtol=1e-6) - brentq(
        height, overhead_s - 400.0, overhead_s, xtol=1e-6
    )
    assert np.max(np.abs(passes["duration_s"] - pass_s)) < 0.003


def test_simulated_ring_of_twenty_two_leaves_no_gap():
    _, passes = simulated_ring(22, 0.0, Site("Equator", 0.0, 30.0, 0.0))
    gaps_s, _ = gaps_between(passes)
    assert len(gaps_s) > 30
    assert gaps_s.max() < 0.0
