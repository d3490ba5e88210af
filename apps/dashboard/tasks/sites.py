"""What worker processes run for the Sites page: places side by side, a sweep by latitude, and a grid of the world."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from passim import DailyHours, Fleet, Horizon, Site, Span
from passim.answers.sites import compare as side_by_side, refinement, sweeps, world_bands
from passim.parallel import chunks as workers
from passim.sky import SearchReport, view as views

from . import WORKERS
from .passes import Progress

# A worker of the dashboard may start no others.
_ALONE: Final = workers.WorkerConfig(processes=1)
# From so many satellites on, the usual sweep and the usual grid are the coarse ones.
_MANY_SATELLITES: Final = 4000


# --- how finely -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Grid:
    """A grid of the world: cells so many degrees of latitude high and so many of longitude wide."""

    latitude_deg: float
    longitude_deg: float

    def places_deg(self) -> list[tuple[float, float]]:
        """Return the middles of its cells, latitude and longitude, from the north."""
        rows = dict.fromkeys(latitude for latitude, _ in sweeps.world_places(self.latitude_deg))
        columns = dict.fromkeys(longitude for _, longitude in sweeps.world_places(self.longitude_deg))
        return [(latitude, longitude) for latitude in rows for longitude in columns]

    def levels(self) -> list[list[tuple[float, float]]]:
        """Return the middles of its cells level by level, coarse before fine, in whole latitudes."""
        places = self.places_deg()
        levels = refinement.latitude_levels([latitude for latitude, _ in places])
        return [[place for place in places if place[0] in set(level)] for level in levels]

    @property
    def words(self) -> str:
        """The grid in words: "6° by 30°, 360 points"."""
        return f"{self.latitude_deg:g}° by {self.longitude_deg:g}°, {len(self.places_deg()):,} points"


@dataclass(frozen=True)
class Latitudes:
    """A sweep by latitude, in both hemispheres: so far apart, and so many places around the Earth at each.

    It is handed to workers in so many `parts`.
    """

    step_deg: float
    longitudes: int
    parts: int = 1

    def shares_deg(self, every_deg: Sequence[float]) -> list[tuple[float, ...]]:
        """Return the latitudes as several workers take them, alike in cost: neighbours go to different ones."""
        return [tuple(every_deg[k :: self.parts]) for k in range(self.parts)]

    def list_deg(self, more_deg: Sequence[float] = ()) -> list[float]:
        """Return the latitudes from south to north, with those of `more_deg` among them."""
        return sorted({*sweeps.latitudes_both_ways(0.0, 90.0, self.step_deg), *more_deg})


# Service hangs on the latitude far more than on the longitude, because the Earth turns under the orbits: where every
# pass is found, few longitudes are enough, and each of these takes some seconds of one core for 360 satellites and a
# day. Counted moment by moment longitudes cost nothing: the square one takes as long.
_FINE, _COARSE = Grid(6.0, 30.0), Grid(9.0, 45.0)
SQUARE: Final = {"10": Grid(10.0, 10.0), "5": Grid(5.0, 5.0), "2.5": Grid(2.5, 2.5)}


def usual_grid(satellites: int, step_s: float | None) -> Grid:
    """Return the grid of the world for a fleet of so many satellites, counted in steps or, with None, pass by pass."""
    if step_s is not None:
        return SQUARE["5"]
    return _FINE if satellites < _MANY_SATELLITES else _COARSE


def usual_latitudes(satellites: int) -> Latitudes:
    """Return the sweep by latitude for a fleet of so many satellites."""
    return Latitudes(2.5, 4) if satellites < _MANY_SATELLITES else Latitudes(5.0, 3, parts=WORKERS)


# --- the work ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class World:
    """A grid of the world, or some latitudes of it: its table, its means over the Earth's surface, and its rows.

    ``share_error`` is the largest standard error of a share where they were counted, else 0.
    """

    table: pd.DataFrame
    summary: sweeps.WorldSummary
    bands: world_bands.WorldBands
    report: SearchReport
    share_error: float

    @classmethod
    def of(cls, table: pd.DataFrame, report: SearchReport, share_error: float) -> World:
        """Return what the places of a table come to."""
        return cls(table, sweeps.surface_of(table), world_bands.world_bands(table), report, share_error)

    @classmethod
    def joined(cls, parts: Sequence[World]) -> World:
        """Return one of all the latitudes of some."""
        if len(parts) == 1:
            return parts[0]
        table = pd.concat([part.table for part in parts])
        by_place = table.sort_values(["latitude_deg", "longitude_deg"], ascending=[False, True], ignore_index=True)
        return cls.of(by_place, parts[0].report, max(part.share_error for part in parts))

    def filled(self, grid: Grid) -> pd.DataFrame:
        """Return the table of the whole grid, where each latitude that is missing has the figures of the nearest."""
        known = np.unique(self.table["latitude_deg"])
        every = np.unique([latitude for latitude, _ in grid.places_deg()])[::-1]
        nearest = known[np.abs(every[:, None] - known[None, :]).argmin(axis=1)]
        rows = dict(list(self.table.groupby("latitude_deg")))
        return pd.concat(
            [rows[like].assign(latitude_deg=latitude) for latitude, like in zip(every, nearest, strict=True)],
            ignore_index=True,
        )


def compare(
    fleet: Fleet,
    seen_from: Sequence[views.View],
    span: Span,
    hours: Sequence[DailyHours | None],
    progress: Progress | None = None,
) -> side_by_side.SiteComparison:
    """Put places side by side. Raises InputError."""
    return side_by_side.compare_sites(fleet, seen_from, span, call_hours=hours, progress=progress)


def anywhere(view: views.View) -> views.View:
    """Return the view of the same terminal wherever it is taken: no gateways, a horizon as low all round as it gets."""
    site = Site("anywhere", 0.0, 0.0, 0.0, "UTC", Horizon.flat(view.site.horizon.lowest_deg))
    return sweeps.travelling(replace(view, site=site, label=""))


def sweep(
    fleet: Fleet,
    view: views.View,
    latitudes_deg: Sequence[float],
    longitudes: int,
    step_s: float | None,
    span: Span,
    progress: Progress | None = None,
) -> sweeps.LatitudeSweep:
    """Sweep latitudes with a view of `anywhere`, by shares where a step is given. Raises InputError."""
    return sweeps.sweep_latitudes(
        fleet, view, latitudes_deg, span, longitudes=longitudes, step_s=step_s, workers=_ALONE, progress=progress
    )


def go_round(
    fleet: Fleet,
    view: views.View,
    places_deg: Sequence[tuple[float, float]],
    step_s: float | None,
    span: Span,
    progress: Progress | None = None,
) -> World:
    """Find whole latitudes of a grid with a view of `anywhere`, by shares where a step is given. Raises InputError."""
    walk: sweeps.PlaceSweep | sweeps.ShareSweep
    if step_s is None:
        walk = sweeps.PlaceSweep(fleet, view, places_deg, span, workers=_ALONE, progress=progress)
    else:
        walk = sweeps.ShareSweep(fleet, view, places_deg, span, step_s, workers=_ALONE, progress=progress)
    table = sweeps.world_table(list(walk))
    return World.of(table, walk.report, walk.share_error if isinstance(walk, sweeps.ShareSweep) else 0.0)
