"""A grid of the world row by row: what each latitude has, where service never breaks, and where there is never any."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats
from passim.errors import InputError

Band = tuple[float, float]


@dataclass(frozen=True, eq=False)
class WorldBands:
    """The rows of a grid of the world. Made by `world_bands`.

    ``table`` has one row a latitude, from the north:

        latitude_deg, places
        covered_fraction            the mean over the places, with the lowest and the highest of them in
                                    covered_fraction_min and covered_fraction_max
        gaps_per_hour, in_view_mean the mean over the places
        gap_longest_s               the longest gap of any place

    ``always`` and ``never`` are the bands of neighbouring latitudes at which every place of the grid has service all
    the time, or none ever: southern and northern latitude of each, from the south, degrees. A band of one latitude has
    it twice. What lies between two latitudes of the grid nobody looked at.
    """

    table: pd.DataFrame
    always: tuple[Band, ...]
    never: tuple[Band, ...]

    @property
    def best(self) -> int:
        """The row with the most time covered; of several, the one with most in view, nearest the equator, northern."""
        latitude_deg = self.table["latitude_deg"].to_numpy()
        rank = [-self.table[name].to_numpy() for name in ("in_view_mean", "covered_fraction")]
        return int(np.lexsort((-latitude_deg, np.abs(latitude_deg), *rank))[0])


def world_bands(table: pd.DataFrame) -> WorldBands:
    """Return the rows of a table of `passim.answers.sites.sweeps.world_table`. Raises InputError where it is empty."""
    if table.empty:
        raise InputError("places of the world", got="none", wanted="at least one")
    by_latitude = table.groupby("latitude_deg", sort=True)
    rows = pd.DataFrame(
        {
            "places": by_latitude.size(),
            "covered_fraction": by_latitude["covered_fraction"].mean(),
            "covered_fraction_min": by_latitude["covered_fraction"].min(),
            "covered_fraction_max": by_latitude["covered_fraction"].max(),
            "gaps_per_hour": by_latitude["gaps_per_hour"].mean(),
            "gap_longest_s": by_latitude["gap_longest_s"].max(),
            "in_view_mean": by_latitude["in_view_mean"].mean(),
        }
    ).reset_index()
    latitude_deg = rows["latitude_deg"].to_numpy(dtype=np.float64)
    return WorldBands(
        rows.iloc[::-1].reset_index(drop=True),
        _bands(latitude_deg, rows["covered_fraction_min"].to_numpy() == 1.0),
        _bands(latitude_deg, rows["covered_fraction_max"].to_numpy() == 0.0),
    )


def _bands(latitude_deg: Floats, served: Bools) -> tuple[Band, ...]:
    """Return first and last latitude of each run of rows for which it holds."""
    turns = np.flatnonzero(np.diff(np.concatenate([[False], served, [False]]).astype(np.int8)))
    return tuple((float(latitude_deg[a]), float(latitude_deg[b - 1])) for a, b in turns.reshape(-1, 2))
