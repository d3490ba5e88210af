"""The limits of a view as lines in its sky, for a panorama: where each begins, by azimuth and elevation.

Everything is laid out from north over east, south and west back to north, 0 to 360 deg, as one sees it turning on the
spot. These are pictures of the limits; the searches use the limits themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.sky.horizon import Horizon
from passim.sky.limits.cone import Cone
from passim.sky.limits.gateways import GatewayLimit
from passim.sky.limits.geostationary_arc import ArcKeepOut, arc_of
from passim.sky.look_angles import LookAngles, look_angles, position_of
from passim.sky.pass_intervals import SkyLimit
from passim.sky.site import Site
from passim.sky.view import View

Floats = NDArray[np.float64]

# Fine enough that a line drawn through the points bends by less than a pixel of a wide picture.
_AZIMUTH_STEP_DEG: Final = 1.0
_ELEVATION_STEP_DEG: Final = 0.25
_LINE_POINTS: Final = 721


@dataclass(frozen=True, eq=False)
class Outline:
    """One limit of a view as it stands in the sky.

    limit           the name of the limit, "floor" for the elevation below which nothing is looked at
    azimuth_deg, elevation_deg
                    the line where it begins, shape (points,); NaN in both where the line breaks off
    low_deg, high_deg
                    for a band that is kept out: at each azimuth its lower and upper edge, NaN where there is none;
                    None for a plain line
    assumed         of a skyline, whether it only stands in for one that nobody has entered yet
    """

    limit: str
    azimuth_deg: Floats
    elevation_deg: Floats
    low_deg: Floats | None = None
    high_deg: Floats | None = None
    assumed: bool = False


def outlines(view: View, radius_km: float | None = None) -> tuple[Outline, ...]:
    """Return the limits of a view that have a place in the sky, the horizon first, the floor last.

    A gateway has one only for satellites at one distance from the Earth's centre, `radius_km`; without it gateways
    are left out. Limits of the fleet have none.
    """
    site = view.site
    found = [horizon_outline(site.horizon)]
    for limit in view.varying_limits:
        if isinstance(limit, Cone):
            found.append(cone_outline(limit))
        elif isinstance(limit, ArcKeepOut):
            found += arc_outlines(site, limit)
        elif isinstance(limit, GatewayLimit) and radius_km is not None:
            found.append(gateway_outline(site, limit, radius_km))
        elif isinstance(limit, SkyLimit):
            found.append(limit_outline(limit.name, limit))
    return (*found, Outline("floor", np.array([0.0, 360.0]), np.full(2, view.floor_deg)))


def horizon_outline(horizon: Horizon) -> Outline:
    """Return the skyline: its own points, and its elevation due north at both ends."""
    inner = [a for a in horizon.azimuths_deg if 0.0 < a < 360.0]
    azimuth_deg = np.array([0.0, *inner, 360.0])
    return Outline("horizon", azimuth_deg, horizon.elevation_deg(azimuth_deg % 360.0), assumed=horizon.assumed)


def cone_outline(cone: Cone) -> Outline:
    """Return the edge of the antenna's cone: directions at its half-angle from the boresight."""
    boresight = cone.boresight
    # Any two directions square to the boresight and to each other carry the circle.
    helper = np.array([0.0, 0.0, 1.0]) if abs(boresight[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    across = np.cross(boresight, helper)
    across /= np.linalg.norm(across)
    along = np.cross(boresight, across)
    turn = np.linspace(0.0, 2.0 * np.pi, _LINE_POINTS)
    half = np.radians(cone.half_angle_deg)
    edge = np.cos(half) * boresight[:, None] + np.sin(half) * (
        np.cos(turn) * across[:, None] + np.sin(turn) * along[:, None]
    )
    azimuth_deg, elevation_deg = _as_line(edge)
    return Outline("cone", azimuth_deg, elevation_deg)


def arc_outlines(site: Site, keep_out: ArcKeepOut) -> list[Outline]:
    """Return the geostationary arc with the band kept out around it; nothing where the arc never rises."""
    arc = arc_of(site)
    if not arc.visible:
        return []
    # No site sees more than 81.3 deg of the arc to either side; what lies below the horizontal is cut off.
    line = arc.offsets_km(np.radians(np.linspace(-82.0, 82.0, _LINE_POINTS)))
    azimuth_deg, elevation_deg = _as_line(line / np.linalg.norm(line, axis=0))
    azimuths, elevations, directions = _grid()
    angle, _ = arc.angle_rad(directions.reshape(3, -1))
    inside = (angle < np.radians(keep_out.angle_deg)).reshape(len(azimuths), len(elevations))
    low_deg, high_deg = _edges(inside, elevations)
    band = Outline("arc", azimuths, np.full(len(azimuths), np.nan), low_deg, high_deg)
    return [band, Outline("arc", azimuth_deg, elevation_deg)]


def limit_outline(name: str, limit: SkyLimit) -> Outline:
    """Return the band that any other limit of the sky keeps out: at each azimuth, between its lowest and highest."""
    azimuths, elevations, directions = _grid()
    out = (limit.height_km(directions.reshape(3, -1)) < 0.0).reshape(len(azimuths), len(elevations))
    low_deg, high_deg = _edges(out, elevations)
    return Outline(name, azimuths, np.full(len(azimuths), np.nan), low_deg, high_deg)


def gateway_outline(site: Site, limit: GatewayLimit, radius_km: float) -> Outline:
    """Return the elevation from which on a satellite `radius_km` from the Earth's centre sees a gateway, by azimuth.

    Below the line, and where there is none at all, it sees none. NaN breaks the line where there is no such elevation.
    Where the gateway is lost again higher up, the lowest elevation counts.
    """
    azimuths, elevations, directions = _grid()
    # Along each direction, go as far as the sphere of that radius: |s + t d| = r.
    up = site.position_km
    local = directions.reshape(3, -1)
    along = local.T @ site.east_north_up @ up
    range_km = -along + np.sqrt(along**2 - up @ up + radius_km**2)
    azimuth_deg, elevation_deg = np.repeat(azimuths, len(elevations)) % 360.0, np.tile(elevations, len(azimuths))
    position_km = position_of(site, LookAngles(azimuth_deg, elevation_deg, range_km))
    sees = np.zeros(len(range_km), dtype=bool)
    for gateway in limit.gateways:
        look = look_angles(gateway.site, position_km)
        sees |= look.elevation_deg >= gateway.horizon.elevation_deg(look.azimuth_deg)
    low_deg, _ = _edges(sees.reshape(len(azimuths), len(elevations)), elevations)
    line_azimuth_deg = np.where(np.isfinite(low_deg), azimuths, np.nan)
    return Outline("gateway", line_azimuth_deg, low_deg)


def _grid() -> tuple[Floats, Floats, Floats]:
    """Return azimuths over 360 deg, elevations over 90 deg, and all their directions, (3, azimuths, elevations)."""
    azimuths = np.arange(0.0, 360.0 + _AZIMUTH_STEP_DEG / 2.0, _AZIMUTH_STEP_DEG)
    elevations = np.arange(0.0, 90.0 + _ELEVATION_STEP_DEG / 2.0, _ELEVATION_STEP_DEG)
    azimuth, elevation = np.radians(azimuths)[:, None], np.radians(elevations)[None, :]
    up = np.broadcast_to(np.sin(elevation), (len(azimuths), len(elevations)))
    return (
        azimuths,
        elevations,
        np.stack([np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), up]),
    )


def _edges(inside: NDArray[np.bool_], elevations: Floats) -> tuple[Floats, Floats]:
    """Return the lowest and highest elevation inside, by azimuth; NaN where nothing is."""
    some = inside.any(axis=1)
    low = np.where(some, elevations[inside.argmax(axis=1)], np.nan)
    high = np.where(some, elevations[len(elevations) - 1 - inside[:, ::-1].argmax(axis=1)], np.nan)
    return low, high


def _as_line(direction: Floats) -> tuple[Floats, Floats]:
    """Return unit directions (3, n) as azimuth and elevation, broken where they wrap at north or go below 0 deg."""
    azimuth_deg = np.degrees(np.arctan2(direction[0], direction[1])) % 360.0
    elevation_deg = np.degrees(np.arcsin(np.clip(direction[2], -1.0, 1.0)))
    below = elevation_deg < 0.0
    azimuth_deg, elevation_deg = np.where(below, np.nan, azimuth_deg), np.where(below, np.nan, elevation_deg)
    # Near the zenith the azimuth may turn by much without a wrap: a jump of over half a turn is one.
    wraps = np.flatnonzero(np.abs(np.diff(azimuth_deg)) > 180.0) + 1
    return np.insert(azimuth_deg, wraps, np.nan), np.insert(elevation_deg, wraps, np.nan)
