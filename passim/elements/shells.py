"""What a fleet consists of: its shells, objects that share altitude and inclination.

A shell gathers round a mode: the place, in altitude and inclination, where most objects stand within 5 km and 0.15 deg
of one another. One notion serves the listing of a fleet and the question which of its objects are at work.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim.constants import SECONDS_PER_DAY, SGP4_EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements.records import Fleet

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Kept satellites stand within a kilometre of their shell; 10 km lower they gain 11.8 deg a day on it at 550 km.
ALTITUDE_TOLERANCE_KM: Final = 5.0
INCLINATION_TOLERANCE_DEG: Final = 0.15

# The mode settles in two or three steps from the middle of the densest cell.
_MOST_STEPS: Final = 12


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
    members: Index


def mean_altitude_km(mean_motion_rev_day: ArrayLike) -> Floats:
    """Return the altitude of the semi-major axis above 6378.135 km, any shape, km.

    (mu / n^2)^(1/3) with SGP4's own constants (AIAA 2006-6753) and the mean motion as the sets carry it:
    15.0547 revolutions a day are 550 km.
    """
    rate_rad_s = np.asarray(mean_motion_rev_day, dtype=float) * (2.0 * np.pi / SECONDS_PER_DAY)
    return np.asarray(np.cbrt(SGP4_MU_KM3_S2 / rate_rad_s**2) - SGP4_EARTH_RADIUS_KM)


def modes(altitude_km: Floats, inclination_deg: Floats) -> list[Mode]:
    """Gather objects round their modes, the densest first, until each belongs to one.

    Both arrays have shape (objects,). Each mode is the median of its members, so that stragglers do not pull it away.
    """
    # Count the objects in each cell of a grid as wide as the tolerances: a mode lies in or beside the fullest.
    rows = np.floor(altitude_km / ALTITUDE_TOLERANCE_KM).astype(np.int64)
    columns = np.floor(inclination_deg / INCLINATION_TOLERANCE_DEG).astype(np.int64)
    _, cell, filled = np.unique(np.column_stack([rows, columns]), axis=0, return_inverse=True, return_counts=True)
    crowd = filled[cell.ravel()]

    found = []
    free = np.ones(len(altitude_km), dtype=bool)
    for seed in np.lexsort((inclination_deg, altitude_km, -crowd)).tolist():
        # A crowd may gather beside its seed and leave it behind: the seed then starts another.
        while free[seed]:
            centre = (float(altitude_km[seed]), float(inclination_deg[seed]))
            members = _within(altitude_km, inclination_deg, centre) & free
            # Climb to the median of what stands within the tolerances, until it stays where it is.
            for _ in range(_MOST_STEPS):
                moved = (float(np.median(altitude_km[members])), float(np.median(inclination_deg[members])))
                gathered = _within(altitude_km, inclination_deg, moved) & free
                if moved == centre or not gathered.any():
                    break
                centre, members = moved, gathered
            free &= ~members
            found.append(Mode(*centre, np.flatnonzero(members)))
    return sorted(found, key=lambda mode: (-len(mode.members), mode.altitude_km, mode.inclination_deg))


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


def _within(altitude_km: Floats, inclination_deg: Floats, centre: tuple[float, float]) -> NDArray[np.bool_]:
    """Say of each object whether it stands within the tolerances of `centre` (altitude, inclination)."""
    near = np.abs(altitude_km - centre[0]) < ALTITUDE_TOLERANCE_KM
    return np.asarray(near & (np.abs(inclination_deg - centre[1]) < INCLINATION_TOLERANCE_DEG))
