"""One invented pass as other general-purpose libraries see it: astropy, pymap3d, pyephem, and skyfield once more.

Each library's own elevation is asked and rooted here (scipy's brentq); no library's event finder is trusted. Tolerances
are honest ones, recomputed for this project: with the same UT1 1 ms and 0.1 arcsec; polar motion, which passim and
skyfield leave out, 10 ms and 5 arcsec; no UT1 at all 50 ms and 20 arcsec; pyephem 60 ms and 30 arcsec.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import astropy.units as u
import ephem
import numpy as np
import pandas as pd
import pymap3d
import pytest
from astropy.coordinates import ITRS, TEME, CartesianDifferential, CartesianRepresentation
from astropy.time import Time
from astropy.utils import iers
from scipy.optimize import brentq
from sgp4.api import WGS72, Satrec, jday
from skyfield.api import EarthSatellite, load, wgs84

from passim import Fleet, Horizon, Site, Span, find_passes
from passim.elements import parse_two_line

# An invented set, 550 km high, and an invented site.
LINE_1 = "1 99999U 26001A   26060.00000000  .00000000  00000-0  10000-4 0  9993"
LINE_2 = "2 99999  53.0000 120.0000 0001000  90.0000  10.0000 15.05490650    15"
LATITUDE, LONGITUDE, HEIGHT_M, MASK = 52.0, -4.0, 100.0, 25.0
START = datetime(2026, 3, 1, tzinfo=UTC)

# Elevation and azimuth, degrees, at seconds after the start.
Look = Callable[[float], tuple[float, float]]


@pytest.fixture(scope="module")
def passes() -> pd.DataFrame:
    site = Site("invented", LATITUDE, LONGITUDE, HEIGHT_M, horizon=Horizon.flat(MASK))
    fleet = Fleet([parse_two_line(LINE_1, LINE_2)])
    found = find_passes(fleet, site, Span.starting(START, hours=48))
    assert len(found) >= 5
    assert not (found["cut_at_start"] | found["cut_at_end"]).any()
    return found


@pytest.fixture(autouse=True, scope="module")
def _offline() -> Iterator[None]:
    """Keep astropy to the Earth orientation that ships with it, whatever its age."""
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "warn"):
        yield


def teme(seconds: float) -> tuple[np.ndarray, np.ndarray]:
    model = Satrec.twoline2rv(LINE_1, LINE_2, WGS72)
    day, fraction = jday(2026, 3, 1, 0, 0, 0)
    error, position, velocity = model.sgp4(day, fraction + seconds / 86400.0)
    assert error == 0
    return np.array(position), np.array(velocity)


def local(earth_fixed_km: np.ndarray, centre_km: np.ndarray) -> tuple[float, float]:
    """Return elevation and azimuth, degrees, of an Earth-fixed position from an Earth-fixed site, by own arithmetic."""
    latitude, longitude = math.radians(LATITUDE), math.radians(LONGITUDE)
    x, y, z = earth_fixed_km - centre_km
    east = -math.sin(longitude) * x + math.cos(longitude) * y
    inward = math.cos(longitude) * x + math.sin(longitude) * y
    north = -math.sin(latitude) * inward + math.cos(latitude) * z
    up = math.cos(latitude) * inward + math.sin(latitude) * z
    return math.degrees(math.atan2(up, math.hypot(east, north))), math.degrees(math.atan2(east, north)) % 360.0


def by_skyfield() -> Look:
    timescale = load.timescale(builtin=True)
    path = EarthSatellite(LINE_1, LINE_2, ts=timescale) - wgs84.latlon(LATITUDE, LONGITUDE, elevation_m=HEIGHT_M)

    def look(seconds: float) -> tuple[float, float]:
        altitude, azimuth, _ = path.at(timescale.utc(2026, 3, 1, 0, 0, seconds)).altaz()
        return altitude.degrees, azimuth.degrees

    return look


def by_astropy() -> Look:
    """TEME to ITRS with UT1 and polar motion of the table that ships with astropy."""
    place = pymap3d.geodetic2ecef(LATITUDE, LONGITUDE, HEIGHT_M)
    centre_km = np.array([float(p) for p in place]) / 1000.0

    def look(seconds: float) -> tuple[float, float]:
        position, velocity = teme(seconds)
        when = Time("2026-03-01", scale="utc") + seconds * u.s
        state = CartesianRepresentation(position * u.km, differentials=CartesianDifferential(velocity * u.km / u.s))
        fixed = TEME(state, obstime=when).transform_to(ITRS(obstime=when)).cartesian.xyz.to_value(u.km)
        return local(fixed, centre_km)

    return look


def by_pymap3d(*, with_ut1: bool) -> Look:
    """Sidereal time of 1982 in its simplest form, then pymap3d's own way from Earth-fixed to azimuth and elevation."""
    table = iers.IERS_Auto.open()
    ut1 = float(table.ut1_utc(Time("2026-03-01", scale="utc")).to_value(u.s)) if with_ut1 else 0.0

    def look(seconds: float) -> tuple[float, float]:
        position, _ = teme(seconds)
        days = 2461100.5 - 2451545.0 + (seconds + ut1) / 86400.0
        # Greenwich mean sidereal time of 1982 in degrees of Julian days of UT1 (AIAA 2006-6753, appendix C).
        centuries = days / 36525.0
        turned = 280.46061837 + 360.98564736629 * days + 0.000387933 * centuries**2 - centuries**3 / 38710000.0
        angle = math.radians(turned % 360.0)
        x = math.cos(angle) * position[0] + math.sin(angle) * position[1]
        y = math.cos(angle) * position[1] - math.sin(angle) * position[0]
        azimuth, elevation, _ = pymap3d.ecef2aer(
            x * 1000.0, y * 1000.0, position[2] * 1000.0, LATITUDE, LONGITUDE, HEIGHT_M
        )
        return float(elevation), float(azimuth)

    return look


def by_pyephem() -> Look:
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.elevation = str(LATITUDE), str(LONGITUDE), HEIGHT_M
    observer.pressure = 0  # no refraction
    body = ephem.readtle("invented", LINE_1, LINE_2)
    start = ephem.Date("2026/3/1 00:00:00")

    def look(seconds: float) -> tuple[float, float]:
        observer.date = start + seconds / 86400.0
        body.compute(observer)
        return math.degrees(float(body.alt)), math.degrees(float(body.az))

    return look


def crossing(look: Look, about_s: float) -> float:
    """Return when the library's own elevation passes the mask, near a time."""
    return float(brentq(lambda t: look(t)[0] - MASK, about_s - 5.0, about_s + 5.0, xtol=1e-6))


LIBRARIES = {
    "skyfield": (by_skyfield, 0.001, 0.1),
    "astropy": (by_astropy, 0.010, 5.0),
    "pymap3d with the same UT1": (lambda: by_pymap3d(with_ut1=True), 0.010, 5.0),
    "pymap3d without UT1": (lambda: by_pymap3d(with_ut1=False), 0.050, 20.0),
    "pyephem": (by_pyephem, 0.060, 30.0),
}


@pytest.mark.parametrize("library", LIBRARIES)
def test_the_same_passes_seen_by(library: str, passes: pd.DataFrame) -> None:
    make, within_s, within_arcsec = LIBRARIES[library]
    look = make()
    within_deg = within_arcsec / 3600.0
    for row in passes.itertuples():
        times = {
            edge: (getattr(row, edge) - pd.Timestamp(START)) / timedelta(seconds=1) for edge in ("rise", "peak", "set")
        }
        for edge in ("rise", "set"):
            assert abs(crossing(look, times[edge]) - times[edge]) < within_s, edge
        for edge in times:
            elevation, azimuth = look(times[edge])
            off = (azimuth - getattr(row, f"{edge}_azimuth_deg") + 180.0) % 360.0 - 180.0
            # An azimuth counts as what it moves on the sky, which is less near the zenith. A metre, by which an arc may
            # stray, is 0.4 arcsec at the peak of a pass.
            limit_deg = max(within_deg, 0.4 / 3600.0) if edge == "peak" else within_deg
            assert abs(off) * math.cos(math.radians(elevation)) < limit_deg, edge
        assert abs(look(times["peak"])[0] - row.peak_elevation_deg) < within_deg
        # It stands no higher a second before or after.
        assert max(look(times["peak"] - 1.0)[0], look(times["peak"] + 1.0)[0]) < row.peak_elevation_deg + within_deg


def test_between_its_passes_every_library_sees_it_below_the_mask(passes: pd.DataFrame) -> None:
    # Every half minute of the first day, away from the edges by more than the widest tolerance.
    looks = [by_skyfield(), by_pymap3d(with_ut1=True), by_pyephem()]
    rises = (passes["rise"] - pd.Timestamp(START)).dt.total_seconds().to_numpy()
    sets = (passes["set"] - pd.Timestamp(START)).dt.total_seconds().to_numpy()
    for second in np.arange(0.0, 86400.0, 30.0):
        if np.abs(np.concatenate([rises, sets]) - second).min() < 0.1:
            continue
        inside = bool(((rises < second) & (second < sets)).any())
        for look in looks:
            assert bool(look(float(second))[0] > MASK) is inside
