"""The upper edge of several skylines: what stands highest in each direction.

Everything here is a curve of straight pieces in azimuth, so the edge is found exactly: between two neighbouring points
of any curve each curve is a straight line, and the highest of several lines changes only where two of them cross.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from passim.sky.horizon import Horizon

Floats = NDArray[np.float64]

# A skyline has one height for each azimuth, so an upright side leans outward by this much: 2 mm at 10 m.
SIDE_DEG = 0.01
# Stretches narrower than this, 0.2 mm at 10 m, go under in the slope of a side.
_NARROWEST_DEG = 0.001
# Heights nearer than this are one height, and points nearer than this one point.
_SAME_DEG = 2e-6


@dataclass(frozen=True, slots=True)
class Ridge:
    """A curve of straight pieces over part of the circle, degrees.

    `azimuths_deg` ascend, may lie outside [0, 360), and span at most 360.
    """

    azimuths_deg: tuple[float, ...]
    elevations_deg: tuple[float, ...]


@dataclass(slots=True)
class _Stretch:
    """The upper edge between two neighbouring break points: points in ascending azimuth, the ends included."""

    azimuths_deg: list[float]
    elevations_deg: list[float]

    @property
    def width_deg(self) -> float:
        return self.azimuths_deg[-1] - self.azimuths_deg[0]


def all_round(horizon: Horizon) -> Ridge:
    """Return a horizon as a curve over the whole circle, from its first azimuth on."""
    first = horizon.azimuths_deg[0]
    return Ridge((*horizon.azimuths_deg, first + 360.0), (*horizon.elevations_deg, horizon.elevations_deg[0]))


def upper_edge(whole: Horizon, ridges: Sequence[Ridge]) -> Horizon:
    """Return the horizon that is nowhere below `whole` or any of `ridges`, and nowhere higher than needed.

    Where the edge jumps, the higher side is kept to its end and the lower one begins `SIDE_DEG` further out (a third
    of the lower stretch, where that is narrower). Azimuths are true to 0.002 deg, heights to 1e-6 deg.
    """
    curves = [part for ridge in (all_round(whole), *ridges) for part in _between_norths(ridge)]
    breaks = np.unique(np.concatenate([np.array([0.0, 360.0]), *(azimuths for azimuths, _ in curves)]))
    left, right = breaks[:-1], breaks[1:]
    wide = right - left >= _NARROWEST_DEG
    left, right = left[wide], right[wide]

    # Height of each curve at both ends of each stretch, shape (curve, stretch); minus infinity where it does not reach.
    at_left = np.full((len(curves), len(left)), -np.inf)
    at_right = at_left.copy()
    for row, (azimuths, elevations) in enumerate(curves):
        inside = (azimuths[0] <= left) & (azimuths[-1] >= right)
        at_left[row, inside] = np.interp(left[inside], azimuths, elevations)
        at_right[row, inside] = np.interp(right[inside], azimuths, elevations)

    stretches = [
        _highest_lines(float(left[k]), float(right[k]), at_left[:, k], at_right[:, k]) for k in range(len(left))
    ]
    return _horizon_of(_joined_round(stretches))


def _between_norths(ridge: Ridge) -> list[tuple[Floats, Floats]]:
    """Cut a curve at north into parts with azimuths in [0, 360]."""
    azimuths, elevations = np.array(ridge.azimuths_deg, float), np.array(ridge.elevations_deg, float)
    parts = []
    for turn in range(floor(azimuths[0] / 360.0), ceil(azimuths[-1] / 360.0)):
        low, high = max(azimuths[0], 360.0 * turn), min(azimuths[-1], 360.0 * (turn + 1))
        inner = azimuths[(azimuths > low) & (azimuths < high)]
        places = np.concatenate([[low], inner, [high]])
        parts.append((places - 360.0 * turn, np.interp(places, azimuths, elevations)))
    return parts


def _highest_lines(left: float, right: float, at_left: Floats, at_right: Floats) -> _Stretch:
    """Return the highest of straight lines, given by their heights at both ends, from `left` to `right`."""
    width = right - left
    reaches = np.flatnonzero(np.isfinite(at_left))
    start, slope = at_left[reaches], (at_right[reaches] - at_left[reaches]) / width
    # The highest at the left end; of several, the steepest.
    top = int(np.lexsort((slope, start))[-1])
    azimuths, elevations = [left], [float(start[top])]
    along = 0.0
    # The edge of straight lines bends only upward: each line that takes over is steeper than the one before.
    while True:
        steeper = np.flatnonzero(slope > slope[top] + 1e-12)
        meets = (start[top] - start[steeper]) / (slope[steeper] - slope[top])
        ahead = meets < width
        if not ahead.any():
            break
        steeper, meets = steeper[ahead], meets[ahead]
        first = np.lexsort((-slope[steeper], meets))[0]
        top, along = int(steeper[first]), max(along, float(meets[first]))
        azimuths.append(left + along)
        elevations.append(float(start[top] + slope[top] * along))
    azimuths.append(right)
    elevations.append(float(start[top] + slope[top] * width))
    return _Stretch(azimuths, elevations)


def _joined_round(stretches: list[_Stretch]) -> list[tuple[float, float]]:
    """Join stretches to points round the circle; an upright side leans outward over the lower of its two stretches."""
    for before, after in zip(stretches, [*stretches[1:], stretches[0]], strict=True):
        # Behind the last stretch comes the first, one turn on. Narrow stretches left out are a side of their own.
        apart = (after.azimuths_deg[0] - before.azimuths_deg[-1]) % 360.0
        jump = after.elevations_deg[0] - before.elevations_deg[-1]
        if apart > _NARROWEST_DEG / 10.0 or abs(jump) < _SAME_DEG:
            continue
        if jump > 0.0:
            _shorten(before, before.azimuths_deg[-1] - min(SIDE_DEG, before.width_deg / 3.0), at_end=True)
        else:
            _shorten(after, after.azimuths_deg[0] + min(SIDE_DEG, after.width_deg / 3.0), at_end=False)
    points: list[tuple[float, float]] = []
    for stretch in stretches:
        for point in zip(stretch.azimuths_deg, stretch.elevations_deg, strict=True):
            if not points or point[0] - points[-1][0] > _SAME_DEG:
                points.append(point)
    # North is written once, as 0.
    if points[-1][0] >= 360.0 - _SAME_DEG:
        _, elevation = points.pop()
        if points[0][0] > _SAME_DEG:
            points.insert(0, (0.0, elevation))
    return points


def _shorten(stretch: _Stretch, azimuth_deg: float, *, at_end: bool) -> None:
    """Let a stretch begin or end at `azimuth_deg` inside it, on its own line."""
    elevation = float(np.interp(azimuth_deg, stretch.azimuths_deg, stretch.elevations_deg))
    retained = [
        (azimuth, height)
        for azimuth, height in zip(stretch.azimuths_deg, stretch.elevations_deg, strict=True)
        if (azimuth < azimuth_deg if at_end else azimuth > azimuth_deg)
    ]
    retained.insert(len(retained) if at_end else 0, (azimuth_deg, elevation))
    stretch.azimuths_deg[:] = [azimuth for azimuth, _ in retained]
    stretch.elevations_deg[:] = [height for _, height in retained]


def _horizon_of(points: list[tuple[float, float]]) -> Horizon:
    """Return the horizon through points in ascending azimuth without those that lie on the line of their neighbours."""
    heights = [round(elevation, 6) for _, elevation in points]
    if max(heights) - min(heights) <= _SAME_DEG:
        return Horizon.flat(max(heights))
    azimuths, count = np.array([round(azimuth, 6) for azimuth, _ in points]), len(points)
    around, height = np.concatenate([azimuths, azimuths + 360.0]), np.array(heights * 2)
    # The walk round begins at the highest point that stands above the one before it, which is a corner for certain.
    first = max(range(count), key=lambda k: (height[k], height[k] - height[k - 1]))
    retained = [first]
    for k in range(first + 1, first + count):
        before, after = retained[-1], k + 1
        line = np.interp(around[before + 1 : after], around[[before, after]], height[[before, after]])
        if np.abs(line - height[before + 1 : after]).max() > _SAME_DEG:
            retained.append(k)
    corners = sorted((round(float(around[k]) % 360.0, 6), float(height[k])) for k in retained)
    return Horizon(tuple(azimuth for azimuth, _ in corners), tuple(elevation for _, elevation in corners))
