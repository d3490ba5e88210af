"""Time, the turning Earth, places and directions beside general-purpose libraries and their published test values.

Sources: pyerfa (the IAU's SOFA routines under another name, as shipped with astropy), astropy, skyfield, pymap3d,
PyEphem, the sgp4 package, Python's own calendar, CODATA constants as scipy holds them. Printed values say where they
were seen. Nothing of passim is handed to a library but plain numbers.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import astropy.units as u
import ephem
import erfa
import numpy as np
import pymap3d
import pymap3d.vincenty
import pytest
import scipy.constants
from astropy import constants as astronomical
from astropy.coordinates import EarthLocation, SkyCoord, angular_separation
from astropy.time import Time
from astropy.utils import iers
from dateutil import tz
from sgp4 import alpha5
from sgp4.api import jday
from sgp4.conveniences import sat_epoch_datetime
from sgp4.earth_gravity import wgs72
from sgp4.propagation import gstime
from skyfield.api import load, wgs84

from passim import Site, Span
from passim.constants import (
    EARTH_FLATTENING,
    EARTH_MU_KM3_S2,
    EARTH_RADIUS_KM,
    EARTH_RATE_RAD_S,
    LIGHT_SPEED_KM_S,
    SGP4_EARTH_RADIUS_KM,
    SGP4_J2,
    SGP4_MU_KM3_S2,
)
from passim.elements import SatelliteId, parse_two_line
from passim.orbits.frames import earth_angle_rad, earth_fixed, julian_date, ut1_minus_utc_s
from passim.sky.ground import bearing_deg, distance_km
from passim.sky.limits.geostationary_arc import GeostationaryArc
from passim.sky.look_angles import LookAngles, look_angles, position_of
from passim.spans import local_days, microseconds, moment

MOMENTS = [
    datetime(1999, 12, 31, 23, 59, 59, 250000, tzinfo=UTC), datetime(2006, 1, 1, tzinfo=UTC),
    datetime(2016, 2, 29, 13, 7, 41, 123456, tzinfo=UTC), datetime(2020, 7, 1, 6, 30, tzinfo=UTC),
    datetime(2025, 1, 23, 18, 0, 0, 1, tzinfo=UTC),
]  # fmt: skip
TIMES_US = np.array([microseconds(when) for when in MOMENTS])
PLACES = [(0.0, 0.0, 0.0), (45.0, -28.0, 40.0), (-33.9, 151.2, 900.0), (78.2, 15.6, 450.0), (89.9999, -120.0, 10.0)]
TIMESCALE = load.timescale(builtin=True)
ARC_SECOND_RAD = math.radians(1.0 / 3600.0)


@pytest.fixture(autouse=True, scope="module")
def _offline() -> Iterator[None]:
    """Keep astropy to the Earth orientation that ships with it."""
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "warn"):
        yield


def utc_at_ut1(julian_day: float, fraction: float) -> int:
    """Return the UTC, microseconds since 1970, at which UT1 shows a Julian date."""
    ut1_us = round((julian_day - 2440587.5) * 86400e6 + fraction * 86400e6)
    return ut1_us - round(float(ut1_minus_utc_s(np.array([ut1_us]))[0]) * 1e6)


# --- time -------------------------------------------------------------------------------------------------------------


def test_julian_dates_are_those_of_sgp4s_jday() -> None:
    days, fractions = julian_date(TIMES_US)
    for when, day, fraction in zip(MOMENTS, days, fractions, strict=True):
        other_day, other = jday(when.year, when.month, when.day, when.hour, when.minute,
                                when.second + when.microsecond / 1e6)  # fmt: skip
        assert day == other_day
        assert fraction == pytest.approx(other, abs=2e-12)


def test_julian_dates_are_those_of_erfas_calendar() -> None:
    days, fractions = julian_date(TIMES_US)
    for when, day, fraction in zip(MOMENTS, days, fractions, strict=True):
        base, whole = erfa.cal2jd(when.year, when.month, when.day)
        assert day == base + whole
        since = (when - when.replace(hour=0, minute=0, second=0, microsecond=0)) / timedelta(days=1)
        assert fraction == pytest.approx(since, abs=1e-15)


def test_julian_dates_are_those_of_pyephem() -> None:
    days, fractions = julian_date(TIMES_US)
    for when, day, fraction in zip(MOMENTS, days, fractions, strict=True):
        assert day + fraction == pytest.approx(ephem.julian_date(when.replace(tzinfo=None)), abs=2e-9)


def test_microseconds_are_those_of_pythons_calendar() -> None:
    for when, time_us in zip(MOMENTS, TIMES_US.tolist(), strict=True):
        assert time_us == calendar.timegm(when.utctimetuple()) * 1_000_000 + when.microsecond
        assert moment(time_us) == when


def test_ut1_is_that_of_the_bulletins_that_astropy_ships() -> None:
    # Two tables of the same observations (IERS): skyfield's, by which passim goes, is thinned to a few milliseconds.
    table = iers.IERS_B.open()
    for when, ours in zip(MOMENTS, ut1_minus_utc_s(TIMES_US), strict=True):
        theirs = table.ut1_utc(Time(when)).to_value(u.s)
        assert ours == pytest.approx(float(np.squeeze(theirs)), abs=0.004)


def test_sidereal_time_is_the_published_test_value_of_sofa() -> None:
    # SOFA's own test program for the model of 1982: UT1 of MJD 53736.0 gives 1.754174981860675096 rad (value seen in
    # open ports of that program). That moment lies within a leap second, which microseconds since 1970 have no name
    # for: ten seconds later the Earth has turned ten seconds on. A microsecond of time is 7e-11 rad.
    later = earth_angle_rad(np.array([utc_at_ut1(2453736.5, 10.0 / 86400.0)]))[0]
    assert later - 10.0 * EARTH_RATE_RAD_S == pytest.approx(1.754174981860675, abs=2e-10)


def test_sidereal_time_is_the_worked_example_of_a_textbook() -> None:
    # Vallado, "Fundamentals of Astrodynamics and Applications", example 3-5: 1992-08-20 12:14 UT1 gives 152.578787810
    # deg (recalled; the book was not opened).
    found = math.degrees(earth_angle_rad(np.array([utc_at_ut1(2448854.5, (12 * 60 + 14) / 1440.0)]))[0])
    assert found == pytest.approx(152.578787810, abs=1e-6)


def test_sidereal_time_is_that_of_erfa_at_any_moment() -> None:
    days, fractions = julian_date(TIMES_US)
    theirs = erfa.gmst82(days, fractions + ut1_minus_utc_s(TIMES_US) / 86400.0)
    assert np.abs(earth_angle_rad(TIMES_US) - theirs).max() < 1e-9
    # At the ends of the years that passim looks at, where the cube of the centuries counts.
    far = np.array([microseconds(datetime(year, 6, 1, tzinfo=UTC)) for year in (1957, 2200)])
    days, fractions = julian_date(far)
    theirs = erfa.gmst82(days, fractions + ut1_minus_utc_s(far) / 86400.0)
    assert np.abs(earth_angle_rad(far) - theirs).max() < 1e-9


def test_sidereal_time_is_that_of_sgp4s_own_routine() -> None:
    # A Julian date in one double keeps 40 microseconds: 3e-9 rad.
    for time_us, ours in zip(TIMES_US, earth_angle_rad(TIMES_US), strict=True):
        day, fraction = julian_date(np.array([time_us]))
        ut1 = day[0] + fraction[0] + ut1_minus_utc_s(np.array([time_us]))[0] / 86400.0
        assert ours == pytest.approx(gstime(ut1), abs=6e-9)


def test_sidereal_time_is_that_of_astropy_to_the_change_of_models() -> None:
    # Another model, of 2006: they part by some hundredths of an arc second in these years.
    for when, ours in zip(MOMENTS, earth_angle_rad(TIMES_US), strict=True):
        theirs = Time(when).sidereal_time("mean", longitude=0.0 * u.deg, model="IAU2006").to_value(u.rad)
        assert abs((ours - theirs + math.pi) % (2.0 * math.pi) - math.pi) < 0.2 * ARC_SECOND_RAD


def test_sidereal_time_is_that_of_skyfield() -> None:
    times = TIMESCALE.from_datetimes(MOMENTS)
    off_h = (np.degrees(earth_angle_rad(TIMES_US)) / 15.0 - times.gmst + 12.0) % 24.0 - 12.0
    assert np.abs(off_h).max() * 3600.0 * 15.0 < 0.2


def test_the_earth_turns_at_the_rate_of_the_published_model() -> None:
    # IS-GPS-200 has 7.2921151467e-5 rad/s (recalled) against the stars; against the moving equinox, as here, it is
    # faster by precession, a turn in 25,770 years. The same by differences of erfa's routine.
    day = 86400.0
    turned = (erfa.gmst82(2453736.5, 1.0) - erfa.gmst82(2453736.5, 0.0)) % (2.0 * math.pi) + 2.0 * math.pi
    assert turned / day == pytest.approx(EARTH_RATE_RAD_S, abs=1e-14)


def test_epochs_of_two_line_sets_are_those_of_sgp4() -> None:
    from sgp4.api import Satrec

    lines = (
        "1 99999U 26001A   26060.12345678  .00000000  00000-0  10000-4 0  9999",
        "2 99999  53.0000 120.0000 0001000  90.0000  10.0000 15.05490650    15",
    )
    fixed = "".join(lines[0][:68]) + str(sum(int(c) if c.isdigit() else c == "-" for c in lines[0][:68]) % 10)
    ours, theirs = parse_two_line(fixed, lines[1]).epoch, sat_epoch_datetime(Satrec.twoline2rv(fixed, lines[1]))
    assert abs(ours - theirs) <= timedelta(microseconds=2)


def test_days_of_the_clock_are_those_of_dateutil() -> None:
    # Two readings of the zones of the world (IANA), across both changes of the clock.
    for name, first in (
        ("Europe/London", (2026, 3, 27)),
        ("America/New_York", (2026, 10, 30)),
        ("Australia/Lord_Howe", (2026, 4, 3)),
    ):
        start = datetime(*first, 12, tzinfo=UTC)
        edges = local_days(Span.starting(start, hours=96), name)
        where = tz.gettz(name)
        for edge in edges.tolist():
            local = moment(edge).astimezone(where)
            assert (local.hour, local.minute, local.second) == (0, 0, 0), (name, local)
        assert set(np.diff(edges).tolist()) <= {hours * 3_600_000_000 for hours in (23, 24, 25)} | {
            int(h * 3.6e9) for h in (23.5, 24.5)
        }
        assert len(set(np.diff(edges).tolist())) == 2
        assert ZoneInfo(name).utcoffset(start) == where.utcoffset(start.astimezone(where))


# --- constants --------------------------------------------------------------------------------------------------------


def test_the_speed_of_light_is_that_of_codata() -> None:
    assert scipy.constants.c / 1000.0 == LIGHT_SPEED_KM_S


def test_the_ellipsoid_is_that_of_erfa() -> None:
    radius_m, flattening = erfa.eform(1)
    assert (radius_m / 1000.0, pytest.approx(float(flattening), rel=1e-15)) == (EARTH_RADIUS_KM, EARTH_FLATTENING)


def test_the_gravity_of_the_closed_forms_is_astropys() -> None:
    # IAU 2015 resolution B3 rounds it to 3.986004e14.
    assert pytest.approx(astronomical.GM_earth.to_value("km3/s2"), rel=2e-7) == EARTH_MU_KM3_S2


def test_the_constants_of_sgp4_are_those_of_its_package() -> None:
    assert (wgs72.mu, wgs72.radiusearthkm, wgs72.j2) == (SGP4_MU_KM3_S2, SGP4_EARTH_RADIUS_KM, SGP4_J2)


# --- identifiers ------------------------------------------------------------------------------------------------------


def test_alpha_5_is_that_of_the_sgp4_package() -> None:
    for number in (1, 99999, 100000, 148493, 182931, 234018, 301928, 339999, *range(100_000, 340_000, 3_333)):
        text = alpha5.to_alpha5(number)
        assert SatelliteId(text).number == number == alpha5.from_alpha5(text)
        assert SatelliteId(number).five_columns() == text.rjust(5, "0")


# --- places and directions --------------------------------------------------------------------------------------------


def test_places_are_those_of_erfa() -> None:
    for latitude, longitude, height in PLACES:
        theirs = erfa.gd2gc(1, math.radians(longitude), math.radians(latitude), height) / 1000.0
        assert np.abs(Site("a", latitude, longitude, height).position_km - theirs).max() < 1e-9


def test_a_place_is_the_worked_example_of_a_textbook() -> None:
    # Vallado, example 7-1: 39.007 N, 104.883 W, 2187 m is (-1275.1219, -4797.9890, 3994.2975) km (recalled; the
    # book was not opened).
    found = Site("a", 39.007, -104.883, 2187.0).position_km
    assert found == pytest.approx([-1275.1219, -4797.9890, 3994.2975], abs=1e-4)


def test_places_are_those_of_astropy() -> None:
    for latitude, longitude, height in PLACES:
        theirs = EarthLocation.from_geodetic(longitude * u.deg, latitude * u.deg, height * u.m)
        assert Site("a", latitude, longitude, height).position_km == pytest.approx(
            [axis.to_value(u.km) for axis in theirs.geocentric], abs=1e-8
        )


def test_places_are_those_of_pymap3d() -> None:
    for latitude, longitude, height in PLACES:
        theirs = np.array([float(axis) for axis in pymap3d.geodetic2ecef(latitude, longitude, height)]) / 1000.0
        assert np.abs(Site("a", latitude, longitude, height).position_km - theirs).max() < 1e-9


def test_places_are_those_of_skyfield() -> None:
    for latitude, longitude, height in PLACES:
        theirs = wgs84.latlon(latitude, longitude, elevation_m=height).itrs_xyz.km
        assert np.abs(Site("a", latitude, longitude, height).position_km - theirs).max() < 1e-8


def test_directions_are_those_of_pymap3d() -> None:
    generator = np.random.default_rng(5)
    for latitude, longitude, height in PLACES[:4]:
        points_m = generator.normal(0.0, 7.0e6, (50, 3))
        azimuth, elevation, range_m = pymap3d.ecef2aer(*points_m.T, latitude, longitude, height)
        seen = look_angles(Site("a", latitude, longitude, height), points_m / 1000.0)
        off_deg = (seen.azimuth_deg - azimuth + 180.0) % 360.0 - 180.0
        assert np.abs(off_deg * np.cos(np.radians(elevation))).max() < 1e-9
        assert np.abs(seen.elevation_deg - elevation).max() < 1e-9
        assert np.abs(seen.range_km - range_m / 1000.0).max() < 1e-6


def test_a_direction_leads_back_to_pymap3ds_position() -> None:
    azimuth, elevation, range_km = (
        np.array([0.0, 77.0, 200.0]),
        np.array([25.0, 60.0, 89.0]),
        np.array([1123.0, 640.0, 550.0]),
    )
    for latitude, longitude, height in PLACES[:4]:
        ours = position_of(Site("a", latitude, longitude, height), LookAngles(azimuth, elevation, range_km))
        theirs = np.array(pymap3d.aer2ecef(azimuth, elevation, range_km * 1000.0, latitude, longitude, height)).T
        assert np.abs(ours - theirs / 1000.0).max() < 1e-8


def test_the_turned_frame_is_erfas_rotation() -> None:
    angle = np.array([0.3, 2.0, 5.9])
    position = np.array([[6900.0, 10.0, 50.0], [-4000.0, 5000.0, 2500.0], [100.0, -200.0, 6950.0]])
    ours, _ = earth_fixed(position.copy(), np.zeros_like(position), angle)
    for place, turn, found in zip(position, angle, ours, strict=True):
        assert np.abs(erfa.rz(turn, np.eye(3)) @ place - found).max() < 1e-9


def test_great_circles_are_those_of_astropy() -> None:
    for (latitude, longitude, _), (other_latitude, other_longitude, _) in pairwise(PLACES):
        angle = angular_separation(*np.radians([longitude, latitude, other_longitude, other_latitude]))
        found = distance_km(Site("a", latitude, longitude), Site("b", other_latitude, other_longitude))
        assert found == pytest.approx(6371.0087714 * angle, rel=1e-8)


def test_a_great_circle_is_the_worked_example_of_an_open_collection() -> None:
    # "Haversine formula", an open collection of programs: from (36.12, -86.67) to (33.94, -118.40) on a sphere of
    # 6371.0 km it prints 2886.44444283798 km (read in a copy). Here the radius is 6371.0088 km.
    found = distance_km(Site("a", 36.12, -86.67), Site("b", 33.94, -118.40))
    assert found * 6371.0 / 6371.0087714 == pytest.approx(2886.44444283798, abs=1e-6)


def test_bearings_are_those_of_astropy() -> None:
    for (latitude, longitude, _), (other_latitude, other_longitude, _) in pairwise(PLACES):
        one = SkyCoord(longitude * u.deg, latitude * u.deg)
        theirs = one.position_angle(SkyCoord(other_longitude * u.deg, other_latitude * u.deg)).to_value(u.deg)
        found = bearing_deg(Site("a", latitude, longitude), Site("b", other_latitude, other_longitude))
        assert abs((found - theirs + 180.0) % 360.0 - 180.0) < 1e-8


def test_distances_stay_within_the_promise_of_the_ellipsoids_geodesic() -> None:
    # Vincenty's solution on the ellipsoid, by pymap3d: a sphere is off by 0.6 % at most.
    for (latitude, longitude, _), (other_latitude, other_longitude, _) in pairwise(PLACES):
        length_m, _ = pymap3d.vincenty.vdist(latitude, longitude, other_latitude, other_longitude)
        found = distance_km(Site("a", latitude, longitude), Site("b", other_latitude, other_longitude))
        assert found == pytest.approx(float(np.squeeze(length_m)) / 1000.0, rel=0.006)


def test_the_angle_to_the_arc_is_that_of_positions_by_pymap3d() -> None:
    # Recommendation ITU-R S.1503-2 (read) puts the arc at 42164.2 km. Satellites a thousandth of a degree apart on it.
    longitudes = np.radians(np.arange(-180.0, 180.0, 0.005))
    arc_m = 42_164_200.0 * np.stack([np.cos(longitudes), np.sin(longitudes), np.zeros_like(longitudes)])
    for latitude, azimuth, elevation in ((45.0, 180.0, 25.0), (53.0, 180.0, 40.0), (30.0, 120.0, 35.0)):
        arc_azimuth, arc_elevation, _ = pymap3d.ecef2aer(*arc_m, latitude, -28.0, 40.0)
        visible = arc_elevation > 0.0
        apart = angular_separation(
            np.radians(arc_azimuth[visible]), np.radians(arc_elevation[visible]), *np.radians([azimuth, elevation])
        )
        site = Site("a", latitude, -28.0, 40.0)
        unit = (
            position_of(site, LookAngles(np.array([azimuth]), np.array([elevation]), np.array([1.0])))
            - site.position_km
        )
        enu = site.east_north_up @ unit[0]
        angle, _ = GeostationaryArc(site).angle_rad(enu[:, None])
        assert math.degrees(float(angle[0])) == pytest.approx(math.degrees(apart.min()), abs=0.003)
