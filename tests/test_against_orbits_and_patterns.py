"""Orbits and designed patterns beside published constellations and general-purpose libraries.

Sources: the reference constellation of Galileo as its parameters are quoted in public (24/3/1: nodes 120 deg apart,
45 deg from slot to slot, 15 deg from plane to plane, 29600.318 km, 14 h 04 m 42 s, 17 revolutions in 10 sidereal days;
read in a quotation, the definition document not opened); the sgp4 package; astropy; scipy's roots, great circles and
spherical Voronoi cells.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy import constants as astronomical
from scipy.optimize import brentq
from scipy.spatial import SphericalVoronoi, geometric_slerp
from sgp4.api import WGS72, Satrec

from passim import walker
from passim.constants import SGP4_EARTH_RADIUS_KM
from passim.orbits.propagation import Propagator
from passim.sky.closed_forms import (
    earth_central_angle_deg,
    edge_range_km,
    orbital_period_s,
    orbital_speed_km_s,
    pass_duration_s,
)
from test_recalled_patterns import directions, farthest_deg

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
GALILEO_KM = 29600.318
RADIUS_KM = 6378.137


def galileo():
    return walker(
        total=24, planes=3, phasing=1, inclination_deg=56.0, altitude_km=GALILEO_KM - SGP4_EARTH_RADIUS_KM, epoch=EPOCH
    )


def test_nodes_of_the_published_navigation_pattern() -> None:
    nodes = [record.node_deg for record in galileo()]
    assert nodes == pytest.approx([120.0 * plane for plane in range(3) for _ in range(8)])


def test_slots_and_planes_of_the_published_navigation_pattern() -> None:
    # u = u0 + 45 (slot - 1) + 15 (plane - 1).
    phase = [(record.mean_anomaly_deg + record.perigee_deg) % 360.0 for record in galileo()]
    assert phase == pytest.approx([(45.0 * slot + 15.0 * plane) % 360.0 for plane in range(3) for slot in range(8)])


def test_period_of_the_published_navigation_pattern() -> None:
    assert orbital_period_s(GALILEO_KM - RADIUS_KM) == pytest.approx(14 * 3600 + 4 * 60 + 42, abs=0.5)


def test_seventeen_revolutions_in_ten_sidereal_days() -> None:
    # A sidereal day is 86164.0905 s. The repeating track is held against the node, which J2 moves: 3e-4 of it.
    period_s = orbital_period_s(GALILEO_KM - RADIUS_KM)
    assert 10.0 * 86164.0905 / period_s == pytest.approx(17.0, rel=3e-4)


def test_periods_are_those_of_astropys_constants() -> None:
    mu = astronomical.GM_earth.to_value("km3/s2")
    for altitude_km in (550.0, 780.0, 1414.0, 20_180.0, 35_786.0):
        expected = 2.0 * math.pi * math.sqrt((RADIUS_KM + altitude_km) ** 3 / mu)
        assert orbital_period_s(altitude_km) == pytest.approx(expected, rel=1e-6)
        assert orbital_speed_km_s(altitude_km) == pytest.approx(math.sqrt(mu / (RADIUS_KM + altitude_km)), rel=1e-6)


def test_mean_motion_of_a_pattern_gives_sgp4_the_altitude_asked_for() -> None:
    # The package turns mean motion into the axis of its own theory, in Earth radii, J2's part taken out: 5 km at most.
    for altitude_km in (550.0, 1200.0):
        (record,) = walker(
            total=1, planes=1, phasing=0, inclination_deg=53.0, altitude_km=altitude_km, epoch=EPOCH
        ).records
        made = Satrec()
        made.sgp4init(
            WGS72, "i", 0, 2461100.5 - 2433281.5, 0.0, 0.0, 0.0, record.eccentricity, 0.0,
            math.radians(record.inclination_deg), 0.0, record.mean_motion_rev_day * math.pi / 720.0, 0.0,
        )  # fmt: skip
        assert (made.a - 1.0) * 6378.135 == pytest.approx(altitude_km, abs=5.0)
        _, position, _ = made.sgp4(2461100.5, 0.01)
        _, ours, _ = Propagator.of(walker(
            total=1, planes=1, phasing=0, inclination_deg=53.0, altitude_km=altitude_km, epoch=EPOCH
        )).at(0, np.array([2461100.5]), np.array([0.01]))  # fmt: skip
        assert ours[0] == pytest.approx(position, abs=1e-6)


def test_the_node_of_a_shell_turns_as_sgp4_has_it() -> None:
    # The rate in the package's own elements beside Kozai's formula in `slots`: at 550 km and 53 deg -4.489 deg a day.
    from passim.elements.slots import node_and_phase_deg

    fleet = walker(total=1, planes=1, phasing=0, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)
    (model,) = Propagator.of(fleet).models
    theirs = math.degrees(model.nodedot) * 1440.0
    later, _ = node_and_phase_deg(fleet, EPOCH.replace(day=2))
    at_first, _ = node_and_phase_deg(fleet, EPOCH)
    ours = (float(later[0] - at_first[0]) + 180.0) % 360.0 - 180.0
    assert ours == pytest.approx(theirs, abs=0.02)
    assert theirs == pytest.approx(-4.489, abs=0.01)


def test_the_central_angle_is_a_root_of_the_elevation() -> None:
    # scipy's root of the elevation of a satellite seen across a sphere, from vectors.
    for altitude_km, mask_deg in ((550.0, 25.0), (550.0, 0.0), (1414.0, 10.0), (35_786.0, 5.0)):

        def elevation(angle: float, radius: float = RADIUS_KM + altitude_km, mask: float = mask_deg) -> float:
            sight = radius * np.array([math.cos(angle), math.sin(angle)]) - [RADIUS_KM, 0.0]
            return math.degrees(math.atan2(sight[0], sight[1])) - mask

        root = brentq(elevation, 1e-6, math.pi / 2.0 + 0.2, xtol=1e-13)
        assert earth_central_angle_deg(altitude_km, mask_deg) == pytest.approx(math.degrees(root), abs=1e-9)
        far = (RADIUS_KM + altitude_km) * np.array([math.cos(root), math.sin(root)]) - [RADIUS_KM, 0.0]
        assert edge_range_km(altitude_km, mask_deg) == pytest.approx(float(np.hypot(*far)), rel=1e-10)


def test_a_pass_off_the_track_lasts_as_long_as_scipys_great_circle_stays_near() -> None:
    steps = np.linspace(0.0, 1.0, 200_001)
    # A quarter of the orbit, walked by scipy; the place stands off its middle.
    track = geometric_slerp(np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), steps)
    for off_deg in (0.0, 4.0, 8.0):
        off, middle = math.radians(off_deg), math.radians(45.0)
        place = np.array([math.cos(off) * math.cos(middle), math.cos(off) * math.sin(middle), math.sin(off)])
        near = track @ place > math.cos(math.radians(earth_central_angle_deg(550.0, 25.0)))
        expected_s = near.mean() * orbital_period_s(550.0) / 4.0
        assert pass_duration_s(550.0, 25.0, off_deg) == pytest.approx(expected_s, abs=0.05)


def test_the_worst_place_under_a_pattern_is_a_corner_of_scipys_voronoi_cells() -> None:
    fleet = walker(total=24, planes=3, phasing=1, inclination_deg=56.0, altitude_km=1000.0, epoch=EPOCH)
    for phase in (0.1, 0.7, 2.0):
        points = directions(fleet, phase)
        corners = SphericalVoronoi(points, radius=1.0).vertices
        theirs = math.degrees(math.acos(float((corners @ points.T).max(axis=1).min())))
        assert farthest_deg(fleet, phase) == pytest.approx(theirs, abs=1e-6)
