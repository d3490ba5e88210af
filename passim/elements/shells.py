"""What a fleet consists of: its shells, objects that share altitude and inclination.

A shell gathers round a mode: the place, in altitude and inclination, where most objects stand within 5 km and 0.15 deg
of one another. One notion serves the listing of a fleet and the question which of its objects are at work.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Bools, Floats, Indices
from passim.constants import SECONDS_PER_DAY, SGP4_EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements.records import Fleet

# Kept satellites stand within a kilometre of their shell; 10 km lower they gain 11.8 deg a day on it at 550 km.
ALTITUDE_TOLERANCE_KM: Final = 5.0
INCLINATION_TOLERANCE_DEG: Final = 0.15

# The mode settles in two or three steps from the middle of the densest cell.
_MOST_STEPS: Final = 12
# 180 deg are 1200 columns of cells.
_CELLS_A_ROW: Final = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Shell:
    """Objects within 5 km of one altitude and 0.15 deg of one inclination, the medians of those that share them.

    ``objects`` counts different objects, ``sets`` their element sets; the lowest and highest are over the objects.
    """

    altitude_km: float
    inclination_deg: float
    objects: int
    sets: int
    altitude_lowest_km: float
    altitude_highest_km: float
    inclination_lowest_deg: float
    inclination_highest_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Mode:
    """A place where objects gather: its altitude and inclination, and the indices of its members, shape (members,)."""

    altitude_km: float
    inclination_deg: float
    members: Indices


def mean_altitude_km(mean_motion_rev_day: ArrayLike) -> Floats:
    """Return the altitude of the semi-major axis above 6378.135 km, any shape, km.

    (mu / n^2)^(1/3) with SGP4's own constants (AIAA 2006-6753) and the mean motion as the sets carry it:
    15.0547 revolutions a day are 550 km.
    """
    rate_rad_s = np.asarray(mean_motion_rev_day, dtype=float) * (2.0 * np.pi / SECONDS_PER_DAY)
    return np.asarray(np.cbrt(SGP4_MU_KM3_S2 / rate_rad_s**2) - SGP4_EARTH_RADIUS_KM)


def climb_rate_km_day(radius_km: ArrayLike, rate_rev_day: ArrayLike, mean_motion_dot: ArrayLike) -> Floats:
    """Return how fast orbits climb (sink, where negative), km a day, any one shape.

    da/dt = -2/3 a/n dn/dt; the formats carry half of dn/dt. At 550 km 0.00163 revolutions/day**2 sink 1 km a day.
    """
    radius, rate, half = (np.asarray(each, dtype=float) for each in (radius_km, rate_rev_day, mean_motion_dot))
    return np.asarray(-2.0 / 3.0 * radius / rate * 2.0 * half)


def modes(altitude_km: Floats, inclination_deg: Floats) -> list[Mode]:
    """Gather objects round their modes, the densest first, until each belongs to one.

    Both arrays have shape (objects,). Each mode is the median of its members, so that stragglers do not pull it away.
    """
    # The grid's cells are as wide as the tolerances: a mode lies in or beside the fullest, and whoever stands near a
    # place is in its cell or one around it. So a step costs what it gathers, and not a look at everybody.
    cells = _Cells(altitude_km, inclination_deg)

    found = []
    free = np.ones(len(altitude_km), dtype=bool)
    for seed in np.lexsort((inclination_deg, altitude_km, -cells.crowd)).tolist():
        # A crowd may gather beside its seed and leave it behind: the seed then starts another.
        while free[seed]:
            centre = (float(altitude_km[seed]), float(inclination_deg[seed]))
            members = cells.near(centre, free)
            # Climb to the median of what stands within the tolerances, until it stays where it is.
            for _ in range(_MOST_STEPS if len(members) > 1 else 0):
                moved = (float(np.median(altitude_km[members])), float(np.median(inclination_deg[members])))
                gathered = cells.near(moved, free)
                if moved == centre or not len(gathered):
                    break
                centre, members = moved, gathered
            free[members] = False
            found.append(Mode(*centre, members))
    return sorted(found, key=lambda mode: (-len(mode.members), mode.altitude_km, mode.inclination_deg))


class _Cells:
    """Objects sorted into the cells of a grid; ``crowd`` says how many share the cell of each, shape (objects,)."""

    def __init__(self, altitude_km: Floats, inclination_deg: Floats) -> None:
        self._altitude_km, self._inclination_deg = altitude_km, inclination_deg
        rows = np.floor(altitude_km / ALTITUDE_TOLERANCE_KM).astype(np.int64)
        columns = np.floor(inclination_deg / INCLINATION_TOLERANCE_DEG).astype(np.int64)
        cell = rows * _CELLS_A_ROW + columns
        self._order = np.argsort(cell, kind="stable")
        self._sorted = cell[self._order]
        _, which, filled = np.unique(cell, return_inverse=True, return_counts=True)
        self.crowd = filled[which]

    def near(self, centre: tuple[float, float], free: Bools) -> Indices:
        """Return, ascending, who of the free stands within the tolerances of `centre` (altitude, inclination)."""
        row = int(np.floor(centre[0] / ALTITUDE_TOLERANCE_KM))
        column = int(np.floor(centre[1] / INCLINATION_TOLERANCE_DEG))
        firsts = np.arange(row - 1, row + 2) * _CELLS_A_ROW + column - 1
        starts, ends = np.searchsorted(self._sorted, firsts), np.searchsorted(self._sorted, firsts + 3)
        pieces = [self._order[start:end] for start, end in zip(starts.tolist(), ends.tolist(), strict=True)]
        found = np.concatenate(pieces)
        near = np.abs(self._altitude_km[found] - centre[0]) < ALTITUDE_TOLERANCE_KM
        near &= np.abs(self._inclination_deg[found] - centre[1]) < INCLINATION_TOLERANCE_DEG
        return np.sort(found[near & free[found]])


def shells(fleet: Fleet) -> list[Shell]:
    """Return the shells of `fleet`, those with most objects first. An object counts where its newest set puts it."""
    sets_of = Counter(record.satellite_id for record in fleet)
    newest = {record.satellite_id: record for record in sorted(fleet, key=lambda record: record.epoch)}
    numbers = list(newest)
    altitudes_km = mean_altitude_km([newest[number].mean_motion_rev_day for number in numbers])
    inclinations_deg = np.array([newest[number].inclination_deg for number in numbers], dtype=float)
    return [
        Shell(
            altitude_km=mode.altitude_km,
            inclination_deg=mode.inclination_deg,
            objects=len(mode.members),
            sets=sum(sets_of[numbers[k]] for k in mode.members),
            altitude_lowest_km=float(altitudes_km[mode.members].min()),
            altitude_highest_km=float(altitudes_km[mode.members].max()),
            inclination_lowest_deg=float(inclinations_deg[mode.members].min()),
            inclination_highest_deg=float(inclinations_deg[mode.members].max()),
        )
        for mode in modes(altitudes_km, inclinations_deg)
    ]
