"""How many satellites stand above a flat mask at every place of a grid, moment by moment: counted parallel by parallel.

On a parallel of latitude all places have the same shape of sky, turned. So at one moment a satellite is up at exactly
those longitudes that lie within an angle w of its own, and w follows in closed form, on the ellipsoid itself: with the
satellite at distance rho from the axis, height z over the equator's plane and radius r, a place (s_rho, s_z), |s| = s,
of geodetic latitude phi, and x the cosine of the difference in longitude,

    up     A + B x,      A = z sin(phi) - s_rho cos(phi) - s_z sin(phi),  B = rho cos(phi)
    range  sqrt(C - D x),  C = r^2 + s^2 - 2 z s_z,                       D = 2 rho s_rho

The elevation is above m where up > sin(m) range. Up grows with x and the range shrinks, so that holds from one x* on,
the larger root of B^2 x^2 + (2 A B + D sin^2 m) x + A^2 - C sin^2 m = 0, and w = arccos(x*). Nothing is left out: the
bounds of what is told are those of the moments alone, some seconds apart, between which nobody looks.

One interval is counted as +1 at its first place and -1 behind its last; running sums along the parallel then give the
counts. So the work grows with satellites, moments and the parallels that each reaches, and not with the longitudes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.errors import InputError
from passim.orbits.arcs import NodeGrid, Segments, segment_length_s
from passim.orbits.propagation import Propagator
from passim.sky.limits.gateways import Gateway
from passim.sky.site import Site
from passim.spans import Span

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Arcs twice as long as those of the exact search are within some 20 m: 3 ms of an edge, nothing to steps of seconds.
_LONGER: Final = 2.0
# Positions worked on together: this keeps the arrays inside the processor's cache.
_CELLS: Final = 30_000
# Geodetic and geocentric latitude differ by up to 0.1925 deg, and the zenith from the radius by as much.
_DEFLECTION_DEG: Final = 0.2


@dataclass(frozen=True)
class Parallels:
    """Places on parallels of latitude: geodetic latitudes, ascending, and as many longitudes evenly round each.

    The first longitude is ``first_deg``; degrees. Places are numbered parallel by parallel. Raises InputError.
    """

    latitudes_deg: tuple[float, ...]
    longitudes: int
    first_deg: float

    def __post_init__(self) -> None:
        rising = all(a < b for a, b in pairwise(self.latitudes_deg))
        if not self.latitudes_deg or not rising or self.longitudes < 1:
            raise InputError("parallels", got=self, wanted="latitudes that ascend, and a longitude or more")

    def __len__(self) -> int:
        return len(self.latitudes_deg) * self.longitudes

    @property
    def step_deg(self) -> float:
        """How far apart the longitudes are, degrees."""
        return 360.0 / self.longitudes

    def places_deg(self) -> list[tuple[float, float]]:
        """Return latitude and longitude of every place, in the order of their numbers."""
        around = [self.first_deg + k * self.step_deg for k in range(self.longitudes)]
        return [(latitude, longitude) for latitude in self.latitudes_deg for longitude in around]


@dataclass(frozen=True)
class CountsAbove:
    """How many satellites stand above the mask: ``counts`` has shape (moments, places).

    ``unusable`` maps the index of a satellite that gave an unusable state to its first moment, microseconds since 1970
    UTC, and what was wrong.
    """

    counts: NDArray[np.int32]
    unusable: dict[int, tuple[int, str]]


def count_above(
    fleet: Fleet,
    parallels: Parallels,
    mask_deg: float,
    span: Span,
    step_us: int,
    gateways: Sequence[Gateway] = (),
) -> CountsAbove:
    """Return the counts at one moment of each step of `span`, which is some minutes or hours long.

    The moment lies anywhere in its step, drawn anew for each: gaps that come back in an even train would else meet even
    moments always alike, and all ends of gaps err the same way. The draw follows from the start of the span alone.
    With `gateways` a satellite counts while it also stands above the lowest point of the skyline of one of them. One
    set an object; the last step may be shorter.
    """
    moments_s = (moments_of(span, step_us) - span.start_us) / 1e6
    width = 2 * parallels.longitudes + 1
    rows = _Rows.of(parallels, mask_deg)
    change = np.zeros(len(moments_s) * len(parallels.latitudes_deg) * width, dtype=np.int32)
    unusable: dict[int, tuple[int, str]] = {}
    propagator = Propagator.of(fleet)
    length_s = segment_length_s(propagator)
    for short_s in np.unique(length_s).tolist():
        members = np.flatnonzero(length_s == short_s)
        some = propagator if len(members) == len(fleet) else propagator.select(members)
        grid = NodeGrid(some, span.start_us, span.duration_s, _LONGER * short_s)
        for number in range(grid.segments_per_satellite):
            begin, end = np.searchsorted(moments_s, [number * grid.segment_s, (number + 1) * grid.segment_s])
            if begin == end:
                continue
            everyone = np.arange(len(members))
            arcs = grid.segments(everyone, np.full(len(members), number, dtype=np.intp))
            block = max(1, _CELLS // int(end - begin))
            x = (moments_s[begin:end] - number * grid.segment_s) / grid.segment_s
            for first in range(0, len(arcs), block):
                here = slice(first, first + block)
                position = _positions_km(arcs, here, x)
                moment = np.tile(np.arange(begin, end), position.shape[1] // len(x))
                if gateways:
                    seen = _seen_by(gateways, position)
                    position, moment = position[:, seen], moment[seen]
                rows.add(change, position, moment)
        for index, (time_s, reason) in grid.trouble.items():
            unusable[int(members[index])] = span.start_us + round(time_s * 1e6), reason
    shape = len(moments_s), len(parallels.latitudes_deg), width
    doubled = np.cumsum(change.reshape(shape), axis=2, dtype=np.int32)
    # Intervals that go on over the last longitude lie in the second half.
    around = parallels.longitudes
    counts = doubled[:, :, :around] + doubled[:, :, around : 2 * around]
    return CountsAbove(counts.reshape(len(moments_s), len(parallels)), unusable)


def moments_of(span: Span, step_us: int) -> NDArray[np.int64]:
    """Return the moments at which `count_above` counts, one in each step, microseconds since 1970 UTC."""
    edges_us = np.append(np.arange(span.start_us, span.end_us, step_us, dtype=np.int64), span.end_us)
    drawn = np.random.default_rng(span.start_us % (1 << 63)).random(len(edges_us) - 1)
    return edges_us[:-1] + np.floor(drawn * np.diff(edges_us)).astype(np.int64)


@dataclass(frozen=True)
class _Rows:
    """What of the closed form belongs to the parallel, one entry each, and the mask."""

    sine: Floats
    cosine: Floats
    out_km: Floats
    north_km: Floats
    latitude_deg: Floats
    sine_of_mask: float
    mask_deg: float
    longitudes: int
    first_deg: float

    @classmethod
    def of(cls, parallels: Parallels, mask_deg: float) -> _Rows:
        """Return the constants of the parallels."""
        latitude_deg = np.array(parallels.latitudes_deg)
        places = np.array([Site("there", latitude, 0.0).position_km for latitude in latitude_deg])
        latitude = np.radians(latitude_deg)
        return cls(
            np.sin(latitude),
            # At a pole every longitude is the same place: a sliver from it the closed form still divides.
            np.maximum(np.cos(latitude), 1e-9),
            places[:, 0],
            places[:, 2],
            latitude_deg,
            float(np.sin(np.radians(mask_deg))),
            mask_deg,
            parallels.longitudes,
            parallels.first_deg,
        )

    def add(self, change: NDArray[np.int32], position_km: Floats, moment: Index) -> None:
        """Count satellites at Earth-fixed positions, shape (3, n), at the moments of these numbers, shape (n,)."""
        if not len(moment):
            return
        x, y, z = position_km
        out2 = x * x + y * y
        out, radius2 = np.sqrt(out2), out2 + z * z
        latitude_deg = np.degrees(np.arctan2(z, out))
        # How far on the ground the highest of them can be up, with what the ellipsoid turns: these parallels alone.
        lowest_km = float(np.hypot(self.out_km, self.north_km).min())
        elevation = np.radians(self.mask_deg - _DEFLECTION_DEG)
        highest_km = float(np.sqrt(radius2.max()))
        reach = np.degrees(np.arccos(min(1.0, lowest_km / highest_km * float(np.cos(elevation)))) - elevation)
        reach += _DEFLECTION_DEG
        low = np.searchsorted(self.latitude_deg, latitude_deg - reach)
        past = np.searchsorted(self.latitude_deg, latitude_deg + reach)
        longitude_deg = np.degrees(np.arctan2(y, x))
        step_deg, squared = 360.0 / self.longitudes, self.sine_of_mask**2
        width = 2 * self.longitudes + 1
        for offset in range(int((past - low).max(initial=0))):
            near = np.flatnonzero(low + offset < past)
            row = low[near] + offset
            far, height, r2 = out[near], z[near], radius2[near]
            sine, cosine, s_out, s_north = self.sine[row], self.cosine[row], self.out_km[row], self.north_km[row]
            a = (height - s_north) * sine - s_out * cosine
            b = far * cosine
            c = r2 + s_out**2 + s_north**2 - 2.0 * height * s_north
            half = a * b + squared * far * s_out
            root = np.maximum(half * half - b * b * (a * a - squared * c), 0.0)
            least = (np.sqrt(root) - half) / (b * b)
            hit = np.flatnonzero(least < 1.0)
            reach_deg = np.degrees(np.arccos(np.maximum(least[hit], -1.0)))
            centre = longitude_deg[near[hit]] - self.first_deg
            first = np.ceil((centre - reach_deg) / step_deg).astype(np.int64)
            count = np.floor((centre + reach_deg) / step_deg).astype(np.int64) - first + 1
            count = np.minimum(count, self.longitudes)
            first %= self.longitudes
            key = (moment[near[hit]] * len(self.sine) + row[hit]) * width + first
            np.add.at(change, key, np.int32(1))
            np.add.at(change, key + count, np.int32(-1))


def _positions_km(arcs: Segments, here: slice, x: Floats) -> Floats:
    """Return positions of the arcs `here` at the places `x` of each, Earth-fixed km, shape (3, arcs * places)."""
    c = arcs.coefficients_km[:, :, here, None]
    position = c[5] * x
    for power in (4, 3, 2, 1):
        position += c[power]
        position *= x
    position += c[0]
    return np.asarray(position.reshape(3, -1))


def _seen_by(gateways: Sequence[Gateway], position_km: Floats) -> NDArray[np.bool_]:
    """Return which positions stand above the skyline of one of the gateways."""
    seen = np.zeros(position_km.shape[1], dtype=bool)
    for gateway in gateways:
        site, horizon = gateway.site, gateway.horizon
        east, north, up = site.east_north_up @ (position_km - site.position_km[:, None])
        ground = np.hypot(east, north)
        near = np.flatnonzero(up > np.tan(np.radians(horizon.lowest_deg)) * ground)
        elevation_deg = np.degrees(np.arctan2(up[near], ground[near]))
        azimuth_deg = np.degrees(np.arctan2(east[near], north[near])) % 360.0
        seen[near[elevation_deg > horizon.elevation_deg(azimuth_deg)]] = True
    return seen
