"""Look angles: cases worked by hand, their laws, and skyfield's own altaz.

Outside truth: skyfield (general-purpose astronomy library) turns the same SGP4 state into altitude, azimuth and
distance through its own matrices. Tolerances are those agreed for skyfield with the same UT1: 0.1 arcsec.
"""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, strategies as st

import passim
from passim.orbits.frames import earth_angle_rad, earth_fixed, julian_date
from passim.orbits.propagation import Propagator
from passim.sky.look_angles import LookAngles, look_angles, position_of
from passim.sky.site import Site
from passim.spans import microseconds

ARCSECOND_DEG = 1.0 / 3600.0
CROSSING = Site("where the equator meets Greenwich", 0.0, 0.0)
MARRAM = Site("Marram", 45.0, -28.0, 40.0)


# --- by hand ----------------------------------------------------------------------------------------------------------


def test_from_the_crossing_of_equator_and_greenwich() -> None:
    # Own arithmetic: there up is +x, east +y and north +z, and the site stands at (6378.137, 0, 0).
    up, east, north = np.array([6378.137 + 550.0, 0.0, 0.0]), np.array([0.0, 300.0, 0.0]), np.array([0.0, 0.0, 300.0])
    ground = np.array([6378.137, 0.0, 0.0])
    seen = look_angles(
        CROSSING,
        [up, ground + east, ground + north, ground - east, ground + north + east, ground - north + [300.0, 0.0, 0.0]],
    )
    assert seen.elevation_deg == pytest.approx([90.0, 0.0, 0.0, 0.0, 0.0, 45.0], abs=1e-12)
    assert seen.azimuth_deg == pytest.approx([0.0, 90.0, 0.0, 270.0, 45.0, 180.0], abs=1e-12)
    diagonal_km = 300.0 * 2.0**0.5
    assert seen.range_km == pytest.approx([550.0, 300.0, 300.0, 300.0, diagonal_km, diagonal_km], rel=1e-12)
    # 550 km at 299,792.458 km/s.
    assert seen.one_way_delay_ms[0] == pytest.approx(1.834603, abs=1e-6)


def test_below_the_feet_is_minus_ninety() -> None:
    seen = look_angles(CROSSING, [0.0, 0.0, 0.0])
    assert (float(seen.elevation_deg), float(seen.range_km)) == (-90.0, 6378.137)


def test_a_hair_west_of_north_is_not_a_full_turn() -> None:
    # Own arithmetic: -1e-18 deg modulo 360 rounds to 360.0 itself, which is outside [0, 360).
    seen = look_angles(CROSSING, [[6378.137, -1e-18, 1000.0]])
    assert seen.azimuth_deg[0] == 0.0


# --- laws -------------------------------------------------------------------------------------------------------------


@given(
    st.floats(-90.0, 90.0),
    st.floats(-180.0, 180.0),
    st.floats(-400.0, 4000.0),
    st.floats(0.0, 359.99),
    st.floats(-89.9, 89.9),
    st.floats(1.0, 40_000.0),
)
def test_a_point_put_by_its_angles_is_seen_under_them(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    azimuth_deg: float,
    elevation_deg: float,
    range_km: float,
) -> None:
    site = Site("anywhere", latitude_deg, longitude_deg, height_m)
    ahead = LookAngles(np.array(azimuth_deg), np.array(elevation_deg), np.array(range_km))
    seen = look_angles(site, position_of(site, ahead))
    assert 0.0 <= seen.azimuth_deg < 360.0
    apart_deg = (float(seen.azimuth_deg) - azimuth_deg + 180.0) % 360.0 - 180.0
    assert apart_deg * np.cos(np.radians(elevation_deg)) == pytest.approx(0.0, abs=1e-6)
    assert float(seen.elevation_deg) == pytest.approx(elevation_deg, abs=1e-6)
    assert float(seen.range_km) == pytest.approx(range_km, rel=1e-8)


@pytest.mark.parametrize("shape", [(3,), (0, 3), (5, 3), (2, 4, 3)])
def test_the_shape_is_kept(shape: tuple[int, ...]) -> None:
    seen = look_angles(MARRAM, np.full(shape, 7000.0))
    for field in dataclasses.fields(LookAngles):
        assert getattr(seen, field.name).shape == shape[:-1]
    assert seen.one_way_delay_ms.shape == shape[:-1]


@pytest.mark.parametrize("shape", [(), (3, 2), (4,)])
def test_an_axis_that_is_not_xyz_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"wanted \(\.\.\., 3\)"):
        look_angles(MARRAM, np.zeros(shape))


# --- against skyfield -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("site", [MARRAM, Site("Lantern", 58.5, -28.0, 60.0), Site("south", -54.8, 170.0, 2300.0)])
def test_agrees_with_skyfield(site: Site) -> None:
    from skyfield.api import EarthSatellite, load, wgs84

    epoch = datetime(2026, 3, 1, tzinfo=UTC)
    fleet = passim.walker(
        total=6, planes=3, phasing=1, inclination_deg=97.5, altitude_km=600.0, epoch=epoch, name="invented"
    )
    time_us = microseconds(epoch) + np.arange(0, 86_400, 613, dtype=np.int64) * 1_000_000 + 123_457
    timescale = load.timescale(builtin=True)
    times = timescale.from_datetimes([passim.spans.moment(int(t)) for t in time_us])
    where = wgs84.latlon(site.latitude_deg, site.longitude_deg, elevation_m=site.height_m)
    propagator = Propagator.of(fleet)
    for satellite, model in enumerate(propagator.models):
        error, teme_km, velocity_km_s = propagator.at(satellite, *julian_date(time_us))
        assert not error.any()
        position_km, _ = earth_fixed(teme_km, velocity_km_s, earth_angle_rad(time_us))
        seen = look_angles(site, position_km)
        altitude, azimuth, distance = (EarthSatellite.from_satrec(model, timescale) - where).at(times).altaz()
        assert seen.elevation_deg == pytest.approx(altitude.degrees, abs=0.1 * ARCSECOND_DEG)
        apart_deg = (seen.azimuth_deg - azimuth.degrees + 180.0) % 360.0 - 180.0
        assert np.abs(apart_deg * np.cos(np.radians(altitude.degrees))).max() < 0.1 * ARCSECOND_DEG
        assert seen.range_km == pytest.approx(distance.km, abs=0.001)
