"""Where the Earth stands when: UTC, UT1 and the rotation from SGP4's frame to the Earth's.

SGP4 gives positions in TEME, the true equator and mean equinox of date. A turn about the pole by Greenwich mean
sidereal time of 1982, taken at UT1, leads to the Earth-fixed frame (AIAA 2006-6753, appendix C). Polar motion, at
most some 15 m on the ground, is left out, as skyfield does by default.
"""

from __future__ import annotations

from datetime import datetime
from functools import cache

import numpy as np
from numpy.typing import NDArray

from passim.constants import EARTH_RATE_RAD_S, SGP4_EARTH_RADIUS_KM, SGP4_J2, SGP4_MU_KM3_S2
from passim.spans import moment

_DAY_US = 86_400_000_000
_JULIAN_DAY_1970 = 2440587.5
_J2000_US = 946_728_000_000_000  # 2000-01-01 12:00 UTC, microseconds since 1970


@cache
def _timescale():  # type: ignore[no-untyped-def]  # skyfield ships no types
    """Return skyfield's built-in timescale, which needs no file and no network."""
    from skyfield.api import load

    return load.timescale(builtin=True)


@cache
def _ut1_minus_utc_of_day(day: int) -> tuple[float, float]:
    """Return UT1-UTC in seconds at 0 h UTC of `day` (days since 1970) and its change per day.

    Taken day by day, because a leap second may stand between two days but never inside one.
    """
    morning, noon = _timescale().from_datetimes([moment(day * _DAY_US), moment(day * _DAY_US + _DAY_US // 2)]).dut1
    return float(morning), 2.0 * float(noon - morning)


def ut1_minus_utc_s(time_us: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return UT1-UTC in seconds at `time_us` (microseconds since 1970 UTC), same shape.

    Past the end of skyfield's built-in table this follows its long-term curve; see `earth_orientation_ends_us`.
    """
    day, inside = np.divmod(np.asarray(time_us, dtype=np.int64), _DAY_US)
    days, place = np.unique(day, return_inverse=True)
    table = np.array([_ut1_minus_utc_of_day(int(d)) for d in days]).reshape(-1, 2)
    place = place.reshape(day.shape)
    return np.asarray(table[place, 0] + table[place, 1] * (inside / _DAY_US))


def earth_orientation_ends() -> datetime:
    """Return when skyfield's built-in table of the Earth's rotation ends; past it UT1 is extrapolated.

    A year past it the extrapolation may be off by a tenth of a second, which moves passes by some milliseconds.
    """
    days = float(_timescale().delta_t_function.table_tt[-1]) - _JULIAN_DAY_1970
    return moment(round(days * _DAY_US))


def earth_angle_rad(time_us: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return Greenwich mean sidereal time (1982) at UT1, radians in [0, 2 pi), for UTC microseconds since 1970.

    Source: AIAA 2006-6753, appendix C. At 2000-01-01 12:00 UT1 it is 280.4606 deg.
    """
    time_us = np.asarray(time_us, dtype=np.int64)
    # Whole days and the fraction are kept apart: a double holds a Julian date only to 40 microseconds.
    whole, inside = np.divmod(time_us - _J2000_US, _DAY_US)
    fraction = (inside / 1e6 + ut1_minus_utc_s(time_us)) / 86400.0
    centuries = (whole + fraction) / 36525.0
    drift_s = 67310.54841 + (8640184.812866 + (0.093104 - 6.2e-6 * centuries) * centuries) * centuries
    # J2000 stands at noon: the Julian date's own fraction of a turn is that of the time since noon.
    turns = (fraction + drift_s / 86400.0 % 1.0) % 1.0
    return np.asarray(turns * (2.0 * np.pi))


def julian_date(time_us: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return UTC microseconds since 1970 as a Julian date in two parts: that of midnight, and the fraction of the day.

    1970-01-01 06:00 is 2440587.5 and 0.25.
    """
    whole, inside = np.divmod(np.asarray(time_us, dtype=np.int64), _DAY_US)
    return np.asarray(whole + _JULIAN_DAY_1970), np.asarray(inside / _DAY_US)


def earth_fixed(
    position_km: NDArray[np.float64], velocity_km_s: NDArray[np.float64], angle_rad: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn TEME positions and velocities, shape (n, 3), to the Earth-fixed frame; `angle_rad` has shape (n,)."""
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    position, velocity = np.empty_like(position_km), np.empty_like(velocity_km_s)
    position[:, 0] = cosine * position_km[:, 0] + sine * position_km[:, 1]
    position[:, 1] = cosine * position_km[:, 1] - sine * position_km[:, 0]
    position[:, 2] = position_km[:, 2]
    # The frame turns with the Earth, so a point at rest in space moves westward in it.
    velocity[:, 0] = cosine * velocity_km_s[:, 0] + sine * velocity_km_s[:, 1] + EARTH_RATE_RAD_S * position[:, 1]
    velocity[:, 1] = cosine * velocity_km_s[:, 1] - sine * velocity_km_s[:, 0] - EARTH_RATE_RAD_S * position[:, 0]
    velocity[:, 2] = velocity_km_s[:, 2]
    return position, velocity


def earth_fixed_acceleration(
    position_km: NDArray[np.float64], velocity_km_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the acceleration in the turning frame, km/s**2, shape (n, 3): two bodies, J2, Coriolis, centrifugal.

    The field is that of SGP4 (WGS 72). Its error against SGP4's own motion bends an arc of 300 s by well under a metre.
    """
    x, y, z = position_km.T
    radius2 = x * x + y * y + z * z
    pull = SGP4_MU_KM3_S2 / (radius2 * np.sqrt(radius2))
    bulge = 1.5 * SGP4_J2 * SGP4_EARTH_RADIUS_KM**2 / radius2
    tilt = 5.0 * z * z / radius2
    equatorial = EARTH_RATE_RAD_S**2 - pull * (1.0 + bulge * (1.0 - tilt))
    acceleration = np.empty_like(position_km)
    acceleration[:, 0] = equatorial * x + 2.0 * EARTH_RATE_RAD_S * velocity_km_s[:, 1]
    acceleration[:, 1] = equatorial * y - 2.0 * EARTH_RATE_RAD_S * velocity_km_s[:, 0]
    acceleration[:, 2] = -pull * (1.0 + bulge * (3.0 - tilt)) * z
    return acceleration
