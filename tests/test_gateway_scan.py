"""When a satellite sees the site and a gateway at once, beside a plain scan; and how often gaps come with a gateway.

The scan asks skyfield for the altitude at both ends every second of six hours and compares: no search, no arcs, no
intervals. skyfield goes another way to the angle (TEME, GCRS, precession and nutation).
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from skyfield.api import EarthSatellite, load, wgs84

from passim import Coverage, Horizon, Site, Span, walker
from passim.coverage.visibility import find_visibility
from passim.orbits.propagation import Propagator
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.view import View

TIMESCALE = load.timescale(builtin=True)
EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(EPOCH + timedelta(hours=5), hours=6)
SECONDS = np.arange(0, 6 * 3600)

FLEET = walker(total=30, planes=3, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")
SITE = Site("Marram", 45.0, -28.0, 40.0, horizon=Horizon.flat(25.0))
SOUTH = Gateway("South", 39.604, -28.0, 50.0, Horizon.flat(25.0))
EAST = Gateway("East", 47.0, -20.0, 200.0, Horizon.flat(15.0))

# Skyfield and passim agree on a crossing to a millisecond or two (tests/test_against_skyfield.py); a sample of the scan
# so near to an edge says nothing.
NEAR_EDGE_US = 5000


@pytest.fixture(scope="module")
def scanned():
    """Return for the site and the gateways whether satellites stand above the mask, (satellites, seconds) each."""
    start = SPAN.start
    times = TIMESCALE.utc(
        start.year, start.month, start.day, start.hour, start.minute, start.second + SECONDS.astype(float)
    )
    above = {name: np.zeros((len(FLEET), len(SECONDS)), dtype=bool) for name in ("site", "South", "East")}
    for satellite, model in enumerate(Propagator.of(FLEET).models):
        place = EarthSatellite.from_satrec(model, TIMESCALE).at(times)
        for name, ground, mask_deg in (("site", SITE, 25.0), ("South", SOUTH, 25.0), ("East", EAST, 15.0)):
            station = wgs84.latlon(ground.latitude_deg, ground.longitude_deg, ground.height_m)
            altitude, _, _ = (place - station.at(times)).altaz()
            above[name][satellite] = altitude.degrees > mask_deg
    return above


@pytest.mark.parametrize("gateways", [(SOUTH,), (EAST,), (SOUTH, EAST)], ids=["South", "East", "either"])
def test_joint_visibility_second_by_second(scanned, gateways):
    visibility = find_visibility(FLEET, View(SITE, (GatewayLimit(gateways),)), SPAN)
    time_us = SPAN.start_us + SECONDS * 1_000_000
    ours = np.zeros((len(FLEET), len(SECONDS)), dtype=bool)
    unsure = np.zeros_like(ours)
    for satellite, start, end in zip(*visibility.joint(), strict=True):
        ours[satellite] |= (time_us >= start) & (time_us < end)
        for edge in (start, end):
            unsure[satellite] |= np.abs(time_us - edge) < NEAR_EDGE_US
    theirs = scanned["site"] & np.logical_or.reduce([scanned[gateway.name] for gateway in gateways])
    assert theirs.sum() > 3000
    assert theirs.sum() < scanned["site"].sum()
    assert (ours == theirs)[~unsure].all()
    # Few samples are left out: an edge falls so near to a whole second once in a hundred times.
    assert unsure.sum() < 30


def test_gap_trains_come_at_the_period_over_the_satellites_of_a_plane():
    # Once a satellite of the plane that serves has moved on to the place of the next, the sky looks alike: gaps come at
    # about the orbital period over the satellites of a plane, 95.65 min / 20 = 4.78 min (own arithmetic; the Earth
    # turns meanwhile, so that "about" is a few per cent).
    fleet = walker(total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)
    site = Site("Marram", 45.0, -28.0)
    span = Span.starting(EPOCH, hours=24)
    joint = find_visibility(fleet, View(site, (GatewayLimit((Gateway("South", 39.604, -28.0),)),)), span).joint()
    gaps = Coverage.from_intervals(joint.start, joint.end, span).gap_intervals
    apart_s = np.diff((gaps.start + gaps.end) / 2.0) / 1e6

    # The period is that of Kepler's third law for 6378.135 + 550 km.
    period_s = 2.0 * math.pi * math.sqrt(6928.135**3 / 398600.8)
    assert period_s / 60.0 == pytest.approx(95.65, abs=0.005)
    expected_s = period_s / 20.0
    assert expected_s / 60.0 == pytest.approx(4.78, abs=0.005)
    assert np.median(apart_s) == pytest.approx(expected_s, rel=0.05)
    # It is a train: nearly all gaps follow the one before at that distance.
    assert (np.abs(apart_s - expected_s) < 0.1 * expected_s).mean() > 0.9
