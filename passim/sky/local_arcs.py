"""Arcs in a site's own directions, and the curves that limits are cut from.

Axes are east, north, up; kilometres and seconds. A curve is positive where a satellite is on the right side of a limit
and is measured in kilometres at the satellite, so that an error of the arc is an error of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from passim.orbits.arcs import Segments
from passim.search import CurveFunction
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]


class Cap(NamedTuple):
    """What lies above the plane of `axis` by more than asin(`sine`): a unit vector east, north, up, shape (3,)."""

    axis: Floats
    sine: float


@runtime_checkable
class CapLimit(Protocol):
    """A limit of the sky that may be a cap."""

    def cap(self) -> Cap | None:
        """Return the cap that is allowed, or None where it is no cap."""


@dataclass(frozen=True)
class LocalArcs:
    """Segments of orbits as seen from a site: ``segments`` carries east, north and up instead of Earth-fixed axes."""

    segments: Segments
    # What was gathered last, and for which array of segments: a search asks for the same ones step after step.
    _gathered: list[tuple[Index, Floats]] = field(default_factory=list, repr=False, compare=False)

    @classmethod
    def of(cls, segments: Segments, site: Site) -> LocalArcs:
        """Return `segments` in the axes of `site`."""
        return cls(segments.seen_from(site.position_km, site.east_north_up))

    def position_km(self, segment: Index, x: Floats) -> Floats:
        """Return east, north and up in km, shape (3, n), at places `x` of segments `segment`."""
        c = self._coefficients(segment)
        position = c[5] * x
        for power in (4, 3, 2, 1):
            position += c[power]
            position *= x
        position += c[0]
        return np.asarray(position)

    def motion(self, segment: Index, x: Floats) -> tuple[Floats, Floats]:
        """Return position (3, n) in km and its derivative by x (3, n) at places `x` of segments `segment`.

        Neither is to be written to.
        """
        c = self._coefficients(segment)
        # The ends of all segments are asked for by every limit, and need no multiplication.
        if not x.any():
            return c[0], c[1]
        if np.array_equal(x, np.ones_like(x)):
            position = c[5] + c[4]
            rate = position + c[5]
            for power in (3, 2, 1):
                position += c[power]
                rate += position
            position += c[0]
            return position, rate
        position = c[5] * x
        position += c[4]
        rate = position + c[5] * x
        for power in (3, 2, 1):
            position *= x
            position += c[power]
            rate *= x
            rate += position
        position *= x
        position += c[0]
        return position, rate

    def _coefficients(self, segment: Index) -> Floats:
        """Return the coefficients of segments `segment`, shape (6, 3, n): not to be written to."""
        # A run of neighbours in order is the commonest question of all, and needs no copy.
        first = int(segment[0]) if len(segment) else 0
        past = first + len(segment)
        if past <= len(self.segments) and np.array_equal(segment, np.arange(first, past)):
            return self.segments.coefficients_km[:, :, first:past]
        if self._gathered and self._gathered[0][0] is segment:
            return self._gathered[0][1]
        gathered = np.take(self.segments.coefficients_km, segment, axis=2)
        self._gathered[:] = [(segment, gathered)]
        return gathered

    def above_cap(self, axis: Floats, sine: float) -> CurveFunction:
        """Return the curve that is positive where a satellite stands more than asin(`sine`) above the plane of `axis`.

        `axis` is a unit vector, shape (3,): the zenith for a mask, the boresight for a cone.
        """
        vertical = bool(axis[2] == 1.0)

        def curve(segment: Index, x: Floats) -> tuple[Floats, Floats]:
            position, rate = self.motion(segment, x)
            range_km = np.sqrt(np.einsum("in,in->n", position, position))
            range_rate = np.einsum("in,in->n", position, rate) / range_km
            along, along_rate = (position[2], rate[2]) if vertical else (axis @ position, axis @ rate)
            return along - sine * range_km, along_rate - sine * range_rate

        return curve

    def elevation_sine(self, segment: Index, x: Floats) -> tuple[Floats, Floats]:
        """Return the sine of the elevation and its derivative by x, each of shape (n,): a curve."""
        position, rate = self.motion(segment, x)
        range_km = np.sqrt(np.einsum("in,in->n", position, position))
        sine = position[2] / range_km
        return sine, (rate[2] - sine * np.einsum("in,in->n", position, rate) / range_km) / range_km

    def azimuth_deg(self, segment: Index, x: Floats) -> Floats:
        """Return the azimuth, degrees from north through east in [0, 360), shape (n,)."""
        position = self.position_km(segment, x)
        return np.asarray(np.degrees(np.arctan2(position[0], position[1])) % 360.0)


def unit_vector(azimuth_deg: float, elevation_deg: float) -> Floats:
    """Return the direction of `azimuth_deg` and `elevation_deg` as east, north, up, shape (3,)."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.array([np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)])


ZENITH = np.array([0.0, 0.0, 1.0])
