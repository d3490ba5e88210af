"""Which arcs can come within reach of which of many places: the cull of `passim.sky.cull`, from the satellite's side.

For one place, `segments_within_cull` follows every orbit around to it. Where many places ask, that is the same work for
each of them. Here each orbit is followed once: from its plane and phase at the coarse nodes the middle of every arc is
known to within the cull's margins, and with it the great circle that the arc runs along over the turning ground. An arc
can serve a place only if the place lies

- within the reach of the satellite (the ground angle at which it stands on the place's floor) plus half the length of
  the arc from the middle of the arc, and
- within the reach of that circle.

Places near a point are looked up, not tried: space about the Earth is cut into cubes, and for each that the sphere
passes through there is a list of the places within reach of it. So the work grows with the pairs found and hardly with
the number of places.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import pi, radians

import numpy as np
from numpy.typing import NDArray

from passim.constants import EARTH_RATE_RAD_S
from passim.orbits.arcs import NodeGrid
from passim.sky.cull import CoarseOrbits, largest_reach_rad, margin_rad
from passim.sky.site import Site

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Index = NDArray[np.intp]

# Arcs worked on together: they stay near the processor.
_ARCS = 16_000
# The turning ground bends the track by less than this beside its great circle within half an arc.
_BEND_RAD = radians(0.1)
# Cubes from the middle of the Earth to its surface, and how far from the direction of its centre one reaches.
_CUBES = 32
_CUBE_RAD = float(np.arcsin(0.5 * np.sqrt(3.0) / _CUBES))
# Lists of places are made for reaches in steps of this.
_STEP_RAD = radians(0.5)


@dataclass(frozen=True)
class Pairs:
    """Arcs and the places that they may rise over: satellites of the grid, shape (satellites,), and pairs, shape (n,).

    ``satellite`` is a place in ``satellites``, ``number`` that of a segment, ``place`` that of a site. Pairs are sorted
    by satellite, segment and place.
    """

    satellites: Index
    satellite: Index
    number: Index
    place: Index


class Reach:
    """The arcs of a grid within reach of some places: iterate over it for blocks of satellites.

    `coarse` must be of the same stretch of time as `grid`; its near-circular orbits alone are looked at. Each satellite
    comes in one block. ``floors_deg`` are elevations below which a place sees nothing.
    """

    def __init__(
        self, grid: NodeGrid, coarse: CoarseOrbits, sites: Sequence[Site], floors_deg: Sequence[float]
    ) -> None:
        self._grid, self._coarse = grid, coarse
        position_km = np.array([site.position_km for site in sites])
        self._radius_km = np.linalg.norm(position_km, axis=1)
        self._direction = (position_km / self._radius_km[:, None]).T
        self._floor_rad = np.radians(np.asarray(floors_deg, dtype=np.float64))
        self._lists: dict[bytes, tuple[Index, NDArray[np.int32], NDArray[np.int32]]] = {}
        every = grid.segments_per_satellite
        middle_s = (np.arange(every) + 0.5) * grid.segment_s
        node = np.clip((0.5 * middle_s / coarse.half_step_s).astype(np.intp), 0, len(coarse.node_s) - 1)
        self._node, self._delay_s = node, middle_s - coarse.node_s[node]

    @property
    def block_count(self) -> int:
        """How many blocks there are."""
        return -(-len(self._coarse.satellite) // self._satellites_together)

    @property
    def _satellites_together(self) -> int:
        return max(1, _ARCS // self._grid.segments_per_satellite)

    def __iter__(self) -> Iterator[Pairs]:
        # Satellites of like height reach equally far, and so share the lists of places.
        order = np.argsort(self._grid.propagator.semi_major_axis_km[self._coarse.satellite], kind="stable")
        for first in range(0, len(order), self._satellites_together):
            yield self._block(np.sort(order[first : first + self._satellites_together]))

    def _block(self, chosen: Index) -> Pairs:
        """Return the pairs of some satellites, by their places in the coarse orbits."""
        propagator, every = self._grid.propagator, self._grid.segments_per_satellite
        satellites = self._coarse.satellite[chosen]
        rate = propagator.argument_of_latitude_rate_rad_s[satellites]
        site_rate = EARTH_RATE_RAD_S - propagator.node_rate_rad_s[satellites]
        margin = margin_rad(propagator, satellites)
        reach = largest_reach_rad(propagator, satellites, self._radius_km, self._floor_rad)
        reach += margin[:, None] + _BEND_RAD
        half = 0.5 * self._grid.segment_s * (rate + site_rate)
        widest = np.ceil((reach + half[:, None]).max(axis=0) / _STEP_RAD) * _STEP_RAD

        middle, normal = self._tracks(chosen, rate, site_rate)
        cube = _cube_of(middle)
        places, start, count = self._near(widest)
        counts = count[cube]
        arc = np.repeat(np.arange(len(cube)), counts)
        skipped = (start[cube] - (np.cumsum(counts) - counts)).astype(np.intp)
        place = places[np.arange(len(arc)) + skipped[arc]]
        # Beside the track first, then along it.
        direction = self._direction.astype(np.float32)
        key = arc // every * len(self._radius_km) + place
        beside = np.sin(np.minimum(reach, 0.5 * pi)).astype(np.float32).reshape(-1)
        near = np.flatnonzero(np.abs(_dot(normal, arc, direction, place)) < beside[key])
        arc, place, key = arc[near], place[near], key[near]
        along = np.cos(np.minimum(reach + half[:, None], pi)).astype(np.float32).reshape(-1)
        near = np.flatnonzero(_dot(middle, arc, direction, place) > along[key])
        arc, place = arc[near], place[near]
        satellite = arc // every
        return Pairs(satellites, satellite, arc - satellite * every, place)

    def _tracks(self, chosen: Index, rate: Floats, site_rate: Floats) -> tuple[Singles, Singles]:
        """Return Earth-fixed unit vectors to the middles of all arcs, and at right angles to their tracks.

        Both have shape (3, satellites * segments). Single precision is a thousand times finer than the margins.
        """
        node, delay_s = self._node, self._delay_s
        ahead = (rate[:, None] * delay_s).astype(np.float32)
        turn_at_node = np.remainder(self._coarse.site_turn_rad[node], 2.0 * pi)
        turned = (turn_at_node + site_rate[:, None] * delay_s).astype(np.float32)
        cosine, sine, east, north = np.cos(ahead), np.sin(ahead), np.cos(turned), np.sin(turned)
        # In the frame that turns with the orbit's node the plane stands still.
        radial, quarter, normal = (
            vectors[chosen].astype(np.float32).transpose(2, 0, 1).take(node, axis=2)
            for vectors in (self._coarse.radial, self._coarse.ahead, self._coarse.normal)
        )
        x, y, z = radial * cosine + quarter * sine
        # Over the ground the satellite turns about its own axis at its rate, and about the Earth's at that of the site
        # backward: r x (rate n x r - site_rate z x r) = rate n - site_rate (z - (z . r) r).
        own, site = rate[:, None].astype(np.float32), site_rate[:, None].astype(np.float32)
        across_x = own * normal[0] + site * z * x
        across_y = own * normal[1] + site * z * y
        across_z = own * normal[2] + site * (z * z - np.float32(1.0))
        size = np.float32(1.0) / np.sqrt(across_x * across_x + across_y * across_y + across_z * across_z)
        middle, track = np.empty((2, 3, x.size), dtype=np.float32)
        middle[0], middle[1], middle[2] = _flat(east * x + north * y), _flat(east * y - north * x), _flat(z)
        track[0] = _flat((east * across_x + north * across_y) * size)
        track[1] = _flat((east * across_y - north * across_x) * size)
        track[2] = _flat(across_z * size)
        return middle, track

    def _near(self, within_rad: Floats) -> tuple[Index, NDArray[np.int32], NDArray[np.int32]]:
        """Return places one behind the other, and for each cube where its list of them begins and how long it is.

        The list of a cube holds every place that lies within its own angle of `within_rad` from a point in the cube.
        """
        known = self._lists.get(within_rad.tobytes())
        if known is None:
            cubes, centre = _cubes_at_surface()
            near = centre @ self._direction > np.cos(np.minimum(within_rad + _CUBE_RAD, pi))
            cube, places = np.nonzero(near)
            count = np.zeros((2 * _CUBES) ** 3, dtype=np.int32)
            count[cubes] = np.bincount(cube, minlength=len(cubes))
            start = (np.cumsum(count) - count).astype(np.int32)
            known = self._lists[within_rad.tobytes()] = places, start, count
        return known


def _cubes_at_surface() -> tuple[Index, Floats]:
    """Return the numbers of the cubes that the unit sphere passes through, and the directions of their centres."""
    side = (np.arange(2 * _CUBES) + 0.5) / _CUBES - 1.0
    centre = np.stack(np.meshgrid(side, side, side, indexing="ij"), axis=-1).reshape(-1, 3)
    radius = np.linalg.norm(centre, axis=1)
    cubes = np.flatnonzero(np.abs(radius - 1.0) <= 0.5 * np.sqrt(3.0) / _CUBES + 1e-6)
    return cubes, centre[cubes] / radius[cubes, None]


def _cube_of(direction: Singles) -> Index:
    """Return the number of the cube that unit vectors, shape (3, n), lie in."""
    step = np.minimum((direction + np.float32(1.0)) * np.float32(_CUBES), np.float32(2 * _CUBES - 1)).astype(np.int32)
    return np.asarray((step[0] * (2 * _CUBES) + step[1]) * (2 * _CUBES) + step[2])


def _dot(vector: Singles, arc: Index, direction: Singles, place: Index) -> Singles:
    """Return the products of vectors of arcs and directions of places, shape (n,)."""
    product = vector[0][arc] * direction[0][place]
    product += vector[1][arc] * direction[1][place]
    product += vector[2][arc] * direction[2][place]
    return np.asarray(product)


def _flat(values: Singles) -> Singles:
    return values.reshape(-1)
