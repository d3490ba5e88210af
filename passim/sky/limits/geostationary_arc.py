"""The keep-out around the geostationary arc: directions in which a low satellite must not be used.

Operators keep an angle to the arc so as not to disturb the satellites there. No standard fixes one angle for all, so it
is the user's to set and off by default. Geometry and constants after Recommendation ITU-R S.1503-2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.errors import SiteError
from passim.intervals import GroupedIntervals
from passim.search import Stretches, positive_stretches
from passim.sky.limits.base import Scene, TerminalLimit
from passim.sky.local_arcs import LocalArcs
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Radius of the geostationary orbit, km (Recommendation ITU-R S.1503-2).
GEOSTATIONARY_RADIUS_KM = 42164.2

# A first guess of the nearest point of the arc comes from a table by direction, this fine in degrees.
_TABLE_STEP_DEG = 2.0
# The nearest point's longitude settles to well under a millionth of a radian in so many Newton steps.
_NEWTON_STEPS = 3
# The angle to the arc has one turning point in a piece of this length of a segment, or a sharp one where it is crossed.
_PIECES = 2


@dataclass(frozen=True, slots=True)
class ArcKeepOut:
    """A satellite must stand more than `angle_deg` away from every visible point of the geostationary arc.

    Raises SiteError for an angle outside 0 to 60 deg.
    """

    angle_deg: float
    name: str = "arc"

    def __post_init__(self) -> None:
        if not 0.0 < self.angle_deg <= 60.0:
            raise SiteError(
                "keep-out angle around the geostationary arc",
                got=self.angle_deg,
                wanted="more than 0, up to 60 deg",
                try_next="leaving it out to switch it off",
            )

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return when satellites keep the angle."""
        arc = arc_of(scene.site)
        if not arc.visible:
            return scene.base
        return scene.sky(_KeepOut(arc, float(np.radians(self.angle_deg))))


TERMINAL_LIMIT: Final = TerminalLimit(
    ArcKeepOut,
    key="arc_keep_out_deg",
    example=(18.0,),
    remark="Angle kept to the geostationary arc. No standard fixes one angle for all; unset is off.",
)


class GeostationaryArc:
    """The visible part of the geostationary arc in the sky of a site."""

    def __init__(self, site: Site) -> None:
        x, y, _ = site.position_km
        across = float(np.hypot(x, y))
        longitude, axes = float(np.arctan2(y, x)), site.east_north_up
        # The arc in the site's axes: outward at the site's own longitude, eastward a quarter turn on.
        self._outward = GEOSTATIONARY_RADIUS_KM * (axes @ np.array([np.cos(longitude), np.sin(longitude), 0.0]))
        self._eastward = GEOSTATIONARY_RADIUS_KM * (axes @ np.array([-np.sin(longitude), np.cos(longitude), 0.0]))
        self._origin = axes @ site.position_km
        # The plane that touches the site cuts the arc where up . (point - site) = 0.
        up = site.east_north_up[2]
        level_km = float(up @ site.position_km)
        reach = level_km / (GEOSTATIONARY_RADIUS_KM * float(np.hypot(up[0], up[1]))) if across > 1e-9 else np.inf
        self.visible = bool(reach < 1.0)
        self._half_width = float(np.arccos(reach)) if self.visible else 0.0

    def offsets_km(self, longitude_rad: Floats) -> Floats:
        """Return the way from the site to points of the arc as east, north, up, km, shape (3, n).

        Longitudes are radians from the site's own.
        """
        return (
            np.asarray(self._outward[:, None] * np.cos(longitude_rad) + self._eastward[:, None] * np.sin(longitude_rad))
            - self._origin[:, None]
        )

    def nearest_longitude(self, direction: Floats) -> Floats:
        """Return the longitude of the visible point nearest to each direction (3, n), radians from the site's own."""
        azimuth = np.degrees(np.arctan2(direction[0], direction[1])) % 360.0
        elevation = np.degrees(np.arcsin(np.clip(direction[2], -1.0, 1.0)))
        row = np.clip(np.round((elevation + 90.0) / _TABLE_STEP_DEG).astype(np.intp), 0, self._table.shape[0] - 1)
        column = np.round(azimuth / _TABLE_STEP_DEG).astype(np.intp) % self._table.shape[1]
        longitude = self._table[row, column]
        # The cosine of the angle to a point p is f = d.p / |p|, and both d.p and |p|^2 are a cosine and a sine of the
        # longitude plus a constant, so Newton's way to the zero of f' runs on plain numbers.
        out, east, here = self._outward @ direction, self._eastward @ direction, self._origin @ direction
        lean = float(self._outward @ self._origin)
        middle = GEOSTATIONARY_RADIUS_KM**2 + float(self._origin @ self._origin)
        for _ in range(_NEWTON_STEPS):
            cosine, sine = np.cos(longitude), np.sin(longitude)
            swing = out * cosine + east * sine
            along, along1, along2 = swing - here, east * cosine - out * sine, -swing
            squared, squared1, squared2 = middle - 2.0 * lean * cosine, 2.0 * lean * sine, 2.0 * lean * cosine
            # f' and f'' times |p|.
            ratio = 0.5 * squared1 / squared
            slope = along1 - along * ratio
            bend = along2 - along * (0.5 * squared2 / squared - 3.0 * ratio * ratio) - 2.0 * along1 * ratio
            step = np.where(bend < 0.0, slope / np.where(bend < 0.0, bend, -1.0), 0.0)
            longitude = np.clip(longitude - np.clip(step, -0.1, 0.1), -self._half_width, self._half_width)
        return np.asarray(longitude)

    def angle_rad(self, direction: Floats) -> tuple[Floats, Floats]:
        """Return the smallest angle from directions (unit, (3, n)) to the visible arc, and where on it that is."""
        nearest = self.offsets_km(self.nearest_longitude(direction))
        nearest /= np.sqrt(np.einsum("in,in->n", nearest, nearest))
        # The chord and its complement give every angle, small ones too, to full precision.
        short, long = direction - nearest, direction + nearest
        half = np.arctan2(np.sqrt(np.einsum("in,in->n", short, short)), np.sqrt(np.einsum("in,in->n", long, long)))
        return np.asarray(2.0 * half), nearest

    @property
    def top_deg(self) -> float:
        """The elevation of the highest point of the arc, degrees: 38.17 at latitude 45."""
        offset = self.offsets_km(np.zeros(1))
        return float(np.degrees(np.arcsin(offset[2, 0] / np.linalg.norm(offset))))

    @cached_property
    def _table(self) -> Floats:
        """The longitude of the nearest visible point by elevation (rows from -90) and azimuth (columns from 0)."""
        elevation = np.radians(np.arange(-90.0, 90.0 + _TABLE_STEP_DEG, _TABLE_STEP_DEG))
        azimuth = np.radians(np.arange(0.0, 360.0, _TABLE_STEP_DEG))
        longitude = np.linspace(-self._half_width, self._half_width, 181)
        offset = self.offsets_km(longitude)
        points = offset / np.linalg.norm(offset, axis=0)
        out = np.empty((len(elevation), len(azimuth)))
        for row, e in enumerate(elevation):
            direction = np.stack(
                [np.sin(azimuth) * np.cos(e), np.cos(azimuth) * np.cos(e), np.full_like(azimuth, np.sin(e))]
            )
            out[row] = longitude[np.argmax(direction.T @ points, axis=1)]
        return out


@lru_cache(maxsize=64)
def arc_of(site: Site) -> GeostationaryArc:
    """Return the geostationary arc in the sky of `site`."""
    return GeostationaryArc(site)


@dataclass(frozen=True)
class _KeepOut:
    """The sky limit of a keep-out: positive where the angle to the arc is larger than `angle_rad`."""

    arc: GeostationaryArc
    angle_rad: float
    floor_deg: float = 0.0

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        """Return where the arcs keep the angle."""

        def curve(number: Index, x: Floats) -> tuple[Floats, Floats]:
            position, rate = arcs.motion(segment_of[number], x)
            range_km = np.sqrt(np.einsum("in,in->n", position, position))
            direction = position / range_km
            angle, nearest = self.arc.angle_rad(direction)
            # While the nearest point stays nearest, only the satellite's own motion changes the angle.
            range_rate = np.einsum("in,in->n", direction, rate)
            turning = (rate - direction * range_rate) / range_km
            sine = np.maximum(np.sin(angle), 1e-12)
            angle_rate = -np.einsum("in,in->n", turning, nearest) / sine
            excess = angle - self.angle_rad
            return excess * range_km, angle_rate * range_km + excess * range_rate

        # Cut each bracket into pieces, so that a dip or a hump is alone in its piece.
        width = (right - left) / _PIECES
        place = np.tile(np.arange(_PIECES), len(segment))
        owner = np.repeat(np.arange(len(segment)), _PIECES)
        segment_of = segment[owner]
        a = left[owner] + place * width[owner]
        b = np.where(place == _PIECES - 1, right[owner], left[owner] + (place + 1) * width[owner])
        found = positive_stretches(curve, np.arange(len(owner)), a, b, margin=margin_km)
        near = np.unique(segment_of[found.near_miss])
        whose = segment_of[found.curve]
        if not len(whose):
            return Stretches(whose, found.left, found.right, found.rate_left, found.rate_right, near)
        goes_on = (whose[1:] == whose[:-1]) & (found.left[1:] == found.right[:-1])
        opens, closes = np.flatnonzero(np.r_[True, ~goes_on]), np.flatnonzero(np.r_[~goes_on, True])
        return Stretches(
            whose[opens],
            found.left[opens],
            found.right[closes],
            found.rate_left[opens],
            found.rate_right[closes],
            near,
        )

    def height_km(self, position_km: Floats) -> Floats:
        """Return how far positions (east, north, up), shape (3, n), keep the angle, km at the satellite."""
        range_km = np.linalg.norm(position_km, axis=0)
        angle, _ = self.arc.angle_rad(position_km / range_km)
        return np.asarray((angle - self.angle_rad) * range_km)
