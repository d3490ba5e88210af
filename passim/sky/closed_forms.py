"""Closed forms of coverage geometry: what altitude and mask alone decide, on a spherical Earth.

Nothing here propagates an orbit. The formulas answer the questions of a napkin, and they are the outside truth that
the simulation is held against.

Throughout, Re = 6378.137 km and mu = 398600.4418 km^3/s^2, orbits are circular, and unless a docstring says
otherwise the Earth stands still. Geometry: Larson & Wertz, "Space Mission Analysis and Design", 3rd ed. 1999,
sections 5.2 and 5.3 (formulas recalled, every figure recomputed).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from passim.constants import EARTH_MU_KM3_S2, EARTH_RADIUS_KM, LIGHT_SPEED_KM_S
from passim.errors import InputError

HIGHEST_ALTITUDE_KM: Final = 100_000.0

# Gauss-Legendre nodes for the integrals over latitude; with the end points smoothed away, 96 nodes reach 1e-12.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)


@dataclass(frozen=True, slots=True, kw_only=True)
class PassGeometry:
    """What one altitude and one mask decide. Made by `pass_geometry`.

    ``central_angle_deg`` is the angle at the Earth's centre between a site and the sub-satellite point of a satellite
    at the mask edge; ``footprint_km`` the diameter of that cap along the ground; ``longest_pass_s`` the time above
    the mask of a pass straight overhead. The two delays are one way, over the user link alone.

    The ``flat_*`` fields repeat the answer of the plane drawing, 2 h tan(90 deg - mask): its width, its pass time and
    by how many per cent it is too long. With a mask of 0 the plane has no edge, and they are infinite.
    """

    altitude_km: float
    mask_deg: float
    central_angle_deg: float
    footprint_km: float
    edge_range_km: float
    speed_km_s: float
    period_s: float
    longest_pass_s: float
    overhead_delay_ms: float
    edge_delay_ms: float
    flat_footprint_km: float
    flat_pass_s: float
    flat_footprint_excess_percent: float
    flat_pass_excess_percent: float


def pass_geometry(altitude_km: float, mask_deg: float) -> PassGeometry:
    """Return the geometry of passes at `altitude_km` over a site with a flat mask of `mask_deg`.

    At 550 km and 25 deg: cap of 8.451 deg, 1881 km across, 1123 km to its edge, 269 s at most; the plane drawing
    says 2359 km and 311 s. Raises InputError outside 0 < altitude < 100,000 km or 0 <= mask < 90 deg.
    """
    central_angle_deg = earth_central_angle_deg(altitude_km, mask_deg)
    range_km = edge_range_km(altitude_km, mask_deg)
    speed_km_s = orbital_speed_km_s(altitude_km)
    footprint_km = 2.0 * EARTH_RADIUS_KM * math.radians(central_angle_deg)
    longest_pass_s = pass_duration_s(altitude_km, mask_deg)

    # The plane drawing: the beam edges leave the site at the mask and reach the altitude on a flat Earth, and the
    # satellite crosses between them at its full orbital speed.
    slope = math.tan(math.radians(mask_deg))
    flat_km = 2.0 * altitude_km / slope if slope > 0.0 else math.inf
    flat_pass_s = flat_km / speed_km_s

    return PassGeometry(
        altitude_km=altitude_km,
        mask_deg=mask_deg,
        central_angle_deg=central_angle_deg,
        footprint_km=footprint_km,
        edge_range_km=range_km,
        speed_km_s=speed_km_s,
        period_s=orbital_period_s(altitude_km),
        longest_pass_s=longest_pass_s,
        overhead_delay_ms=1e3 * altitude_km / LIGHT_SPEED_KM_S,
        edge_delay_ms=1e3 * range_km / LIGHT_SPEED_KM_S,
        flat_footprint_km=flat_km,
        flat_pass_s=flat_pass_s,
        flat_footprint_excess_percent=100.0 * (flat_km / footprint_km - 1.0),
        flat_pass_excess_percent=100.0 * (flat_pass_s / longest_pass_s - 1.0),
    )


def earth_central_angle_deg(altitude_km: float, mask_deg: float) -> float:
    """Return the Earth central angle from a site to a satellite at the mask, degrees.

    lambda = acos(Re cos e / (Re + h)) - e (Larson & Wertz 5.2, recalled): 8.4508 deg at 550 km and 25 deg.
    Raises InputError.
    """
    _check_altitude(altitude_km)
    _check_mask(mask_deg)
    mask_rad = math.radians(mask_deg)
    return math.degrees(math.acos(EARTH_RADIUS_KM * math.cos(mask_rad) / (EARTH_RADIUS_KM + altitude_km)) - mask_rad)


def edge_range_km(altitude_km: float, mask_deg: float) -> float:
    """Return the slant range to a satellite at the mask, km.

    -Re sin e + sqrt((Re + h)^2 - Re^2 cos^2 e) (law of cosines): 1123.42 km at 550 km and 25 deg. Raises InputError.
    """
    _check_altitude(altitude_km)
    _check_mask(mask_deg)
    sine, cosine = math.sin(math.radians(mask_deg)), math.cos(math.radians(mask_deg))
    radius_km = EARTH_RADIUS_KM + altitude_km
    return -EARTH_RADIUS_KM * sine + math.sqrt(radius_km**2 - (EARTH_RADIUS_KM * cosine) ** 2)


def orbital_speed_km_s(altitude_km: float) -> float:
    """Return the speed on a circular orbit, sqrt(mu / (Re + h)): 7.585 km/s at 550 km. Raises InputError."""
    _check_altitude(altitude_km)
    return math.sqrt(EARTH_MU_KM3_S2 / (EARTH_RADIUS_KM + altitude_km))


def orbital_period_s(altitude_km: float) -> float:
    """Return the two-body period, seconds: 5738.99 s (95.65 min) at 550 km. Raises InputError."""
    return 2.0 * math.pi / _mean_motion_rad_s(altitude_km)


def pass_duration_s(altitude_km: float, mask_deg: float, off_track_deg: float = 0.0) -> float:
    """Return how long a satellite stays above the mask, Earth not turning, seconds.

    `off_track_deg` is the Earth central angle from the site to the nearest point of the ground track; 0 is a pass
    straight overhead, and past the cap there is none: 0 s. 2 acos(cos lambda / cos offset) / n (Larson & Wertz 5.3,
    recalled): at 550 km and 25 deg 269.44 s overhead, 190.09 s at 6 deg off. Raises InputError.
    """
    central_angle_deg = earth_central_angle_deg(altitude_km, mask_deg)
    if not 0.0 <= off_track_deg <= 90.0:
        raise InputError("off-track angle in deg", got=off_track_deg, wanted="0 to 90 deg at the Earth's centre")
    if off_track_deg >= central_angle_deg:
        return 0.0
    half_arc = math.acos(math.cos(math.radians(central_angle_deg)) / math.cos(math.radians(off_track_deg)))
    return 2.0 * half_arc / _mean_motion_rad_s(altitude_km)


def share_in_view(altitude_km: float, mask_deg: float, inclination_deg: float, latitude_deg: float) -> float:
    """Return the share of time for which one satellite is in view from `latitude_deg`, 0 to 1.

    The long-run mean over an orbit whose ground track does not repeat. The latitude of such a satellite has the
    density f(phi) = cos phi / (pi sqrt(sin^2 i - sin^2 phi)) (Report ITU-R SA.2066, recalled; Okati & Riihonen,
    IEEE Trans. Commun. 70(3), 2022), its longitude is uniform, and the share is the integral over the site's cap.
    At 550 km, 25 and 53 deg: 0.004346 at the equator, 0.011441 at 45 deg, 0 above 61.451 deg. Multiplied by the
    number of satellites it is the mean number in view. Raises InputError.
    """
    central_angle = math.radians(earth_central_angle_deg(altitude_km, mask_deg))
    sine_inclination = math.sin(math.radians(_checked_inclination_deg(inclination_deg)))
    if not -90.0 <= latitude_deg <= 90.0:
        raise InputError("latitude in deg", got=latitude_deg, wanted="-90 to 90 deg")
    # North and south see the same, so work in the north.
    latitude = math.radians(abs(latitude_deg))

    # Put sin phi = sin i sin u: then u is uniform, and the density's poles at phi = +-i are gone.
    # The width of the cap in longitude has kinks where the cap begins and where it ends or, if it reaches over the
    # pole, closes around it: at latitude + lambda or its supplement, which have one sine.
    kinks = [math.sin(latitude - central_angle), math.sin(latitude + central_angle)]
    inside = sorted(math.asin(sine / sine_inclination) for sine in kinks if abs(sine) < sine_inclination)
    edges = np.array([-math.pi / 2.0, *inside, math.pi / 2.0])

    # Between the kinks the integrand at worst behaves like a square root at the ends; u = middle + half sin(theta)
    # turns that into a smooth function, which Gauss-Legendre then integrates.
    theta = 0.5 * math.pi * _NODES
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * (edges[1:] - edges[:-1])
    u = middle[:, None] + half[:, None] * np.sin(theta)
    weights = half[:, None] * np.cos(theta) * (0.5 * math.pi * _WEIGHTS)

    phi = np.arcsin(np.clip(sine_inclination * np.sin(u), -1.0, 1.0))
    across = math.cos(latitude) * np.cos(phi)
    along = math.cos(central_angle) - math.sin(latitude) * np.sin(phi)
    # Outside the cap `along` exceeds `across` (no longitude); inside a cap over the pole it falls below -across
    # (every longitude). At the pole itself both may vanish: there the sign of `along` decides.
    cosine = np.divide(along, across, out=np.where(along > 0.0, 1.0, -1.0), where=across > 1e-300)
    half_width = np.arccos(np.clip(cosine, -1.0, 1.0))
    return float(np.sum(half_width * weights)) / math.pi**2


def highest_latitude_in_view_deg(altitude_km: float, mask_deg: float, inclination_deg: float) -> float:
    """Return the highest latitude, north or south, from which the satellite is ever in view, degrees.

    The highest latitude of its ground track plus the central angle: 61.451 deg at 550 km, 25 and 53 deg; 90 where
    the cap reaches the pole. Raises InputError.
    """
    inclination_deg = _checked_inclination_deg(inclination_deg)
    return min(90.0, min(inclination_deg, 180.0 - inclination_deg) + earth_central_angle_deg(altitude_km, mask_deg))


def chance_none_in_view(satellites: int, share: float) -> float:
    """Return the chance that none of `satellites` is in view when each is for `share` of the time, (1 - share)^N.

    True for satellites placed at random and independently only; a regular pattern does better or much worse.
    300 satellites with a share of .011441: 0.0317. Raises InputError.
    """
    if isinstance(satellites, bool) or not isinstance(satellites, (int, np.integer)) or satellites < 0:
        raise InputError("number of satellites", got=satellites, wanted="a whole number, 0 or more")
    if not 0.0 <= share <= 1.0:
        raise InputError("share of time in view", got=share, wanted="0 to 1")
    return float((1.0 - share) ** satellites)


def _mean_motion_rad_s(altitude_km: float) -> float:
    _check_altitude(altitude_km)
    return math.sqrt(EARTH_MU_KM3_S2 / (EARTH_RADIUS_KM + altitude_km) ** 3)


def _check_altitude(altitude_km: float) -> None:
    if not 0.0 < altitude_km < HIGHEST_ALTITUDE_KM:
        raise InputError("altitude in km", got=altitude_km, wanted="more than 0 and below 100,000 km")


def _check_mask(mask_deg: float) -> None:
    if not 0.0 <= mask_deg < 90.0:
        raise InputError("mask in deg", got=mask_deg, wanted="from 0 to below 90 deg above the horizon")


def _checked_inclination_deg(inclination_deg: float) -> float:
    if not 0.0 <= inclination_deg <= 180.0:
        raise InputError("inclination in deg", got=inclination_deg, wanted="0 to 180 deg")
    return inclination_deg
