"""The Equal Earth projection, and strokes at 45° over parts of a map in it: plotly's own maps know no hatching.

Šavrič, Patterson and Jenny, "The Equal Earth map projection", International Journal of Geographical Information
Science 33(3), 2019, equations 4 and 5 (recalled). Areas are true, and parallels are straight.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Bools, Floats

# plotly's name of it.
PROJECTION: Final = "equal earth"
_A1, _A2, _A3, _A4 = 1.340264, -0.081106, 0.000893, 0.003796
# Across the map at its widest, in its own unit; how far apart two strokes are, and how far apart the points of one.
WIDEST: Final = 2.0 * 2.70663
_BETWEEN: Final = WIDEST / 75.0
_ALONG: Final = WIDEST / 1000.0
_KEPT: Final = 3


def plane(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Return x, to the east, and y, to the north, on a sphere of radius 1; the shapes go together."""
    theta = np.arcsin(np.sqrt(3.0) / 2.0 * np.sin(np.radians(np.asarray(latitude_deg, dtype=np.float64))))
    two = theta * theta
    six = two * two * two
    y = theta * (_A1 + _A2 * two + six * (_A3 + _A4 * two))
    scale = 2.0 / np.sqrt(3.0) * np.cos(theta) / (_A1 + 3.0 * _A2 * two + six * (7.0 * _A3 + 9.0 * _A4 * two))
    return scale * np.radians(np.asarray(longitude_deg, dtype=np.float64)), y


def strokes(wanted: Bools) -> tuple[list[float | None], list[float | None]]:
    """Return latitudes and longitudes of strokes at 45° over the wanted cells of a grid, None between two strokes.

    `wanted`, shape (rows from the south, columns from the west), covers the world in equal steps of either.
    """
    rows, columns = wanted.shape
    known_deg = np.linspace(-90.0, 90.0, 721)
    width, height = plane(known_deg, 1.0)  # x is in proportion to the longitude
    y = np.arange(height[0], height[-1], _ALONG / np.sqrt(2.0))
    latitude_deg, per_deg = np.interp(y, height, known_deg), np.interp(y, height, width)
    row = np.clip(((latitude_deg + 90.0) * rows / 180.0).astype(np.intp), 0, rows - 1)

    latitudes: list[float | None] = []
    longitudes: list[float | None] = []
    reach = WIDEST / 2.0 + height[-1]
    for west in np.arange(-reach, reach, _BETWEEN * np.sqrt(2.0)):
        longitude_deg = (west + y) / per_deg
        column = np.clip(((longitude_deg + 180.0) * columns / 360.0).astype(np.intp), 0, columns - 1)
        drawn = (np.abs(longitude_deg) <= 180.0) & wanted[row, column]
        turns = np.flatnonzero(np.diff(np.concatenate([[False], drawn, [False]]).astype(np.int8)))
        for first, past in turns.reshape(-1, 2).tolist():
            # A straight line of the map is none on the globe: each stroke keeps some points along it.
            along = [*range(first, past - 1, _KEPT), past - 1]
            if past - first > 1:
                latitudes += [*latitude_deg[along].round(2).tolist(), None]
                longitudes += [*longitude_deg[along].round(2).tolist(), None]
    return latitudes, longitudes
