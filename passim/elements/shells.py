"""What a fleet consists of: its shells, objects that share altitude and inclination.

A shell here is a cell of a plain grid, fit for a listing; it says nothing about which objects serve.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim.constants import SECONDS_PER_DAY, SGP4_EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements.records import Fleet

# Shells of one fleet lie tens of kilometres or degrees apart; objects keep to theirs within a few.
ALTITUDE_STEP_KM: Final = 10.0
INCLINATION_STEP_DEG: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shell:
    """Objects whose altitude rounds to one multiple of 10 km and whose inclination rounds to one whole degree.

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


def mean_altitude_km(mean_motion_rev_day: ArrayLike) -> NDArray[np.float64]:
    """Return the altitude of the semi-major axis above 6378.135 km, any shape, km.

    (mu / n^2)^(1/3) with SGP4's own constants (AIAA 2006-6753) and the mean motion as the sets carry it:
    15.0547 revolutions a day are 550 km.
    """
    rate_rad_s = np.asarray(mean_motion_rev_day, dtype=float) * (2.0 * np.pi / SECONDS_PER_DAY)
    return np.asarray(np.cbrt(SGP4_MU_KM3_S2 / rate_rad_s**2) - SGP4_EARTH_RADIUS_KM)


def shells(fleet: Fleet) -> list[Shell]:
    """Return the shells of `fleet`, those with most objects first. An object counts where its newest set puts it."""
    sets_of = Counter(record.satellite_id for record in fleet)
    newest = {record.satellite_id: record for record in sorted(fleet, key=lambda record: record.epoch)}
    numbers = list(newest)
    altitudes_km = mean_altitude_km([newest[number].mean_motion_rev_day for number in numbers])
    inclinations_deg = np.array([newest[number].inclination_deg for number in numbers], dtype=float)

    # Each object falls into the cell of the grid whose middle is nearest.
    rows, columns = altitudes_km / ALTITUDE_STEP_KM, inclinations_deg / INCLINATION_STEP_DEG
    cells = np.rint(np.column_stack([rows, columns]))
    found = []
    for cell in np.unique(cells, axis=0):
        members = np.flatnonzero((cells == cell).all(axis=1))
        found.append(
            Shell(
                altitude_km=float(cell[0] * ALTITUDE_STEP_KM),
                inclination_deg=float(cell[1] * INCLINATION_STEP_DEG),
                objects=len(members),
                sets=sum(sets_of[numbers[k]] for k in members),
                altitude_lowest_km=float(altitudes_km[members].min()),
                altitude_highest_km=float(altitudes_km[members].max()),
                inclination_lowest_deg=float(inclinations_deg[members].min()),
                inclination_highest_deg=float(inclinations_deg[members].max()),
            )
        )
    return sorted(found, key=lambda shell: (-shell.objects, shell.altitude_km, shell.inclination_deg))
