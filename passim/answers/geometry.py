"""What altitude, minimum elevation and two places on the ground decide, before any satellite is propagated.

`geometry` gathers the closed forms of `passim.sky.closed_forms` for one shell and one site. `service_area` says over
which ground a satellite of that altitude must stand to serve a site: the whole that the terminal could reach, what of
it the roof line leaves, and what of that a gateway sees too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from passim.arrays import Floats
from passim.constants import EARTH_RADIUS_KM, EARTH_RATE_RAD_S, SECONDS_PER_DAY, SGP4_EARTH_RADIUS_KM, SGP4_J2
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km, shells
from passim.errors import InputError
from passim.sky import closed_forms
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.site import Site
from passim.sky.view import View

Outline = tuple[Floats, Floats]

# The plan of an area has a point every so many degrees of azimuth, and so many rings, of equal area each.
_AZIMUTHS: Final = 360
_RINGS: Final = 60


@dataclass(frozen=True, slots=True)
class Geometry:
    """What one shell and one site decide. Made by `geometry`.

    altitude_km, mask_deg, inclination_deg, latitude_deg, satellites
                        what it was asked for; None for what was left out
    passes              the closed forms of a pass
    highest_latitude_deg    from where a satellite is ever in view; needs the inclination
    share_in_view       share of time for which one satellite is, 0 to 1; needs inclination and latitude
    in_view_mean        how many of `satellites` are in view on average; needs all
    chance_none         the chance of none of `satellites` at random places, 0 to 1; needs all
    """

    altitude_km: float
    mask_deg: float
    inclination_deg: float | None
    latitude_deg: float | None
    satellites: int | None
    passes: closed_forms.PassGeometry
    highest_latitude_deg: float | None
    share_in_view: float | None
    in_view_mean: float | None
    chance_none: float | None


@dataclass(frozen=True, slots=True)
class DailyShift:
    """By how much earlier an orbit comes over a place each day, seconds: `total_s`, and its two reasons.

    ``stars_s`` is what a day by the stars is shorter than one by the Sun, ``node_s`` what the turn of the orbit's plane
    adds, negative for orbits that turn eastwards; ``node_deg_day`` is that turn, degrees a day, east positive.
    """

    stars_s: float
    node_s: float
    node_deg_day: float

    @property
    def total_s(self) -> float:
        """By how much earlier, seconds."""
        return self.stars_s + self.node_s


@dataclass(frozen=True, eq=False)
class ServiceArea:
    """Over which ground a satellite at `altitude_km` must stand to serve a site; all in km east and north of the site.

    As in a map with the site in its middle that keeps distance and direction from there.

    reach       the edge of what the terminal could reach: a circle, shape (points,) each
    roof        the edge of what the roof line leaves of it
    served      corners of the pieces of ground over which a satellite serves, shape (pieces, 4) each
    gateways    by name, where each gateway stands and the edge of what it reaches
    roof_share  which part of the reach the roof line leaves, 0 to 1
    served_share    which part of the reach is left by roof line and gateways, 0 to 1
    """

    altitude_km: float
    reach: Outline
    roof: Outline
    served: Outline
    gateways: dict[str, tuple[tuple[float, float], Outline]]
    roof_share: float
    served_share: float


def geometry(
    altitude_km: float,
    mask_deg: float,
    inclination_deg: float | None = None,
    latitude_deg: float | None = None,
    satellites: int | None = None,
) -> Geometry:
    """Return what these decide; `latitude_deg` goes with an inclination, `satellites` with a latitude.

    Raises InputError.
    """
    highest = share = mean = none = None
    if inclination_deg is not None:
        highest = closed_forms.highest_latitude_in_view_deg(altitude_km, mask_deg, inclination_deg)
        if latitude_deg is not None:
            share = closed_forms.share_in_view(altitude_km, mask_deg, inclination_deg, latitude_deg)
            if satellites is not None:
                none, mean = closed_forms.chance_none_in_view(satellites, share), satellites * share
    passes = closed_forms.pass_geometry(altitude_km, mask_deg)
    return Geometry(
        altitude_km, mask_deg, inclination_deg, latitude_deg, satellites, passes, highest, share, mean, none
    )


def usual_orbit(fleet: Fleet) -> tuple[float, float]:
    """Return altitude and inclination of a fleet's largest shell, km to a tenth and degrees to a tenth.

    Where its objects gather nowhere, the medians of all. Raises InputError for a fleet whose orbits have no altitude
    that closed forms take.
    """
    found = max(shells(fleet), key=lambda shell: shell.objects, default=None)
    if found is not None:
        altitude_km, inclination_deg = found.altitude_km, found.inclination_deg
    else:
        altitude_km = float(np.median(mean_altitude_km(fleet.column("mean_motion_rev_day"))))
        inclination_deg = float(np.median(fleet.column("inclination_deg")))
    if not 0.0 < altitude_km < closed_forms.HIGHEST_ALTITUDE_KM:
        raise InputError("altitude of the fleet in km", got=f"{altitude_km:.0f}", wanted="above 0, below 100,000")
    return round(altitude_km, 1), round(inclination_deg, 1)


def daily_shift(altitude_km: float, inclination_deg: float) -> DailyShift:
    """Return by how much earlier each day a circular orbit comes over the same place. Raises InputError.

    The place meets the orbit's plane again when the Earth has turned once against it: after 2 pi / (Earth's rate - rate
    of the node), the node turning by -1.5 J2 (Re / a)^2 n cos i (Kozai 1959, recalled). At 550 km and 53 deg the node
    turns -4.49 deg a day, and the plane comes 21.6 min earlier each day, 3.9 of them by the stars.
    """
    if not 0.0 <= inclination_deg <= 180.0:
        raise InputError("inclination in deg", got=inclination_deg, wanted="0 to 180 deg")
    rate_rad_s = 2.0 * math.pi / closed_forms.orbital_period_s(altitude_km)
    ratio = SGP4_EARTH_RADIUS_KM / (SGP4_EARTH_RADIUS_KM + altitude_km)
    node_rad_s = -1.5 * SGP4_J2 * ratio**2 * rate_rad_s * math.cos(math.radians(inclination_deg))
    turn = 2.0 * math.pi
    stars_s = SECONDS_PER_DAY - turn / EARTH_RATE_RAD_S
    node_s = turn / EARTH_RATE_RAD_S - turn / (EARTH_RATE_RAD_S - node_rad_s)
    return DailyShift(stars_s, node_s, math.degrees(node_rad_s) * SECONDS_PER_DAY)


def service_area(view: View, altitude_km: float) -> ServiceArea:
    """Return over which ground satellites at `altitude_km` can serve a view: its horizon, its floor, its gateways.

    The Earth is a sphere here; other limits of the sky are left out. Raises InputError.
    """
    site, floor_deg = view.site, view.floor_deg
    edge = np.linspace(0.0, 360.0, _AZIMUTHS + 1, dtype=np.float64)
    widest = closed_forms.earth_central_angle_deg(altitude_km, floor_deg)

    def left_deg(azimuth_deg: Floats) -> Floats:
        stands_deg = np.maximum(site.horizon.elevation_deg(azimuth_deg % 360.0), floor_deg)
        return _central_angles_deg(altitude_km, stands_deg)

    # Rings of equal area: their edges by the share of the cap within each.
    share = np.arange(_RINGS + 1) / _RINGS
    ring = np.degrees(np.arccos(1.0 - share * (1.0 - math.cos(math.radians(widest)))))
    middle = np.asarray((edge[:-1] + edge[1:]) / 2.0, dtype=np.float64)
    azimuth, angle = np.meshgrid(middle, (ring[:-1] + ring[1:]) / 2.0, indexing="ij")
    over_roof = angle <= left_deg(middle)[:, None]
    served, found = over_roof, {}
    gateways = list(_gateways(view))
    if gateways:
        seen = np.zeros(over_roof.shape, dtype=bool)
        places = _places(site, azimuth, angle)
        for gateway in gateways:
            apart_deg, towards_deg = _apart(gateway.site, *places)
            seen |= apart_deg <= _central_angles_deg(altitude_km, gateway.horizon.elevation_deg(towards_deg))
            angles = _central_angles_deg(altitude_km, gateway.horizon.elevation_deg(edge % 360.0))
            away_deg, where_deg = _apart(site, *_places(gateway.site, edge, angles))
            own_deg, own_azimuth = _apart(site, np.array(gateway.latitude_deg), np.array(gateway.longitude_deg))
            east, north = _plan(own_azimuth, own_deg)
            found[gateway.name] = ((float(east), float(north)), _plan(where_deg, away_deg))
        served = over_roof & seen
    row, column = np.nonzero(served)
    corners: Outline = (
        np.stack([edge[row], edge[row], edge[row + 1], edge[row + 1]], axis=1),
        np.stack([ring[column], ring[column + 1], ring[column + 1], ring[column]], axis=1),
    )
    return ServiceArea(
        altitude_km,
        _plan(edge, np.full(edge.size, widest)),
        _plan(edge, left_deg(edge)),
        _plan(*corners),
        found,
        float(over_roof.mean()),
        float(served.mean()),
    )


def pass_lengths_s(altitude_km: float, mask_deg: float, points: int = 61) -> tuple[Floats, Floats]:
    """Return how far off the ground track may run, km, and how long the pass is then, seconds, shape (points,) each."""
    # Closer together towards the edge, where a pass shortens fastest.
    shares = np.sin(np.linspace(0.0, np.pi / 2.0, points))
    offsets_deg = closed_forms.earth_central_angle_deg(altitude_km, mask_deg) * shares
    lengths_s = [closed_forms.pass_duration_s(altitude_km, mask_deg, each) for each in offsets_deg.tolist()]
    return np.radians(offsets_deg) * EARTH_RADIUS_KM, np.array(lengths_s)


def _gateways(view: View) -> Iterable[Gateway]:
    for limit in view.varying_limits:
        if isinstance(limit, GatewayLimit):
            yield from limit.gateways


def _central_angles_deg(altitude_km: float, elevation_deg: Floats) -> Floats:
    """Return the Earth central angles to satellites at elevations, as `closed_forms.earth_central_angle_deg`."""
    elevation = np.radians(np.clip(elevation_deg, 0.0, 90.0))
    ratio = EARTH_RADIUS_KM / (EARTH_RADIUS_KM + altitude_km)
    angle: Floats = np.degrees(np.arccos(ratio * np.cos(elevation)) - elevation)
    return angle


def _places(site: Site, azimuth_deg: Floats, angle_deg: Floats) -> tuple[Floats, Floats]:
    """Return latitude and longitude, degrees, of places in directions from a site, so many degrees along the ground."""
    latitude, azimuth, angle = math.radians(site.latitude_deg), np.radians(azimuth_deg), np.radians(angle_deg)
    sine = math.sin(latitude) * np.cos(angle) + math.cos(latitude) * np.sin(angle) * np.cos(azimuth)
    east = np.sin(azimuth) * np.sin(angle) * math.cos(latitude)
    turned = np.arctan2(east, np.cos(angle) - math.sin(latitude) * sine)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))), site.longitude_deg + np.degrees(turned)


def _plan(azimuth_deg: Floats, angle_deg: Floats) -> Outline:
    """Return km east and north of the site of what lies in a direction from it, so many degrees along the ground."""
    azimuth, distance_km = np.radians(azimuth_deg), np.radians(angle_deg) * EARTH_RADIUS_KM
    return distance_km * np.sin(azimuth), distance_km * np.cos(azimuth)


def _apart(site: Site, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
    """Return how far places are from a site, degrees along the ground, and in which azimuths, degrees."""
    own, latitude = math.radians(site.latitude_deg), np.radians(latitude_deg)
    turn = np.radians(longitude_deg - site.longitude_deg)
    cosine = math.sin(own) * np.sin(latitude) + math.cos(own) * np.cos(latitude) * np.cos(turn)
    east = np.sin(turn) * np.cos(latitude)
    north = math.cos(own) * np.sin(latitude) - math.sin(own) * np.cos(latitude) * np.cos(turn)
    return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), np.degrees(np.arctan2(east, north)) % 360.0
