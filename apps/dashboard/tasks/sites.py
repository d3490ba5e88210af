"""What worker processes run for the Sites page: places side by side, a sweep by latitude, and a grid of the world."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import pandas as pd

from passim import DailyHours, Fleet, Horizon, Site, Span
from passim.answers.sites import compare as side_by_side
from passim.answers.sites import sweeps, world_bands
from passim.parallel import chunks as workers
from passim.sky import SearchReport
from passim.sky import view as views

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

    @property
    def words(self) -> str:
        """The grid in words: "6° by 30°, 360 points"."""
        return f"{self.latitude_deg:g}° by {self.longitude_deg:g}°, {len(self.places_deg()):,} points"


@dataclass(frozen=True)
class Latitudes:
    """A sweep by latitude, in both hemispheres: so far apart, and so many places around the Earth at each."""

    step_deg: float
    longitudes: int

    def list_deg(self, more_deg: Sequence[float] = ()) -> list[float]:
        """Return the latitudes from south to north, with those of `more_deg` among them."""
        return sorted({*sweeps.latitudes_both_ways(0.0, 90.0, self.step_deg), *more_deg})


# Service hangs on the latitude far more than on the longitude, because the Earth turns under the orbits: few
# longitudes are enough. Each of these takes some two to three seconds of one core for 360 satellites and a day.
_FINE, _COARSE = Grid(6.0, 30.0), Grid(9.0, 45.0)
SQUARE: Final = {"10": Grid(10.0, 10.0), "5": Grid(5.0, 5.0)}


def usual_grid(satellites: int) -> Grid:
    """Return the grid of the world for a fleet of so many satellites."""
    return _FINE if satellites < _MANY_SATELLITES else _COARSE


def usual_latitudes(satellites: int) -> Latitudes:
    """Return the sweep by latitude for a fleet of so many satellites."""
    return Latitudes(2.5, 4) if satellites < _MANY_SATELLITES else Latitudes(5.0, 3)


# --- the work ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Compared:
    """Places side by side, with about how much memory they take."""

    comparison: side_by_side.SiteComparison

    @property
    def size_bytes(self) -> int:
        """About how much memory it takes."""
        return 4096 + _bytes_of(self.comparison.table) + _bytes_of_report(self.comparison.report)


@dataclass(frozen=True, eq=False)
class LatitudesAnswer:
    """A sweep by latitude."""

    sweep: sweeps.LatitudeSweep

    @property
    def size_bytes(self) -> int:
        """About how much memory it takes."""
        return 4096 + _bytes_of(self.sweep.table) + _bytes_of_report(self.sweep.report)


@dataclass(frozen=True, eq=False)
class World:
    """A grid of the world: its table, what it comes to over the Earth's surface, and its rows."""

    table: pd.DataFrame
    summary: sweeps.WorldSummary
    bands: world_bands.WorldBands
    report: SearchReport

    @property
    def size_bytes(self) -> int:
        """About how much memory it takes."""
        return 4096 + _bytes_of(self.table) + _bytes_of(self.bands.table) + _bytes_of_report(self.report)


def compare(
    fleet: Fleet,
    seen_from: Sequence[views.View],
    span: Span,
    hours: Sequence[DailyHours | None],
    progress: Progress | None = None,
) -> Compared:
    """Put places side by side. Raises InputError."""
    return Compared(side_by_side.compare_sites(fleet, seen_from, span, call_hours=hours, progress=progress))


def anywhere(view: views.View) -> views.View:
    """Return the view of the same terminal wherever it is taken: no gateways, a horizon as low all round as it gets."""
    site = Site("anywhere", 0.0, 0.0, 0.0, "UTC", Horizon.flat(view.site.horizon.lowest_deg))
    return sweeps.travelling(replace(view, site=site, label=""))


def sweep(
    fleet: Fleet,
    view: views.View,
    latitudes_deg: Sequence[float],
    longitudes: int,
    span: Span,
    progress: Progress | None = None,
) -> LatitudesAnswer:
    """Sweep latitudes with a view of `anywhere`. Raises InputError."""
    return LatitudesAnswer(
        sweeps.sweep_latitudes(
            fleet, view, latitudes_deg, span, longitudes=longitudes, workers=_ALONE, progress=progress
        )
    )


def go_round(fleet: Fleet, view: views.View, grid: Grid, span: Span, progress: Progress | None = None) -> World:
    """Go round the world with a view of `anywhere`. Raises InputError."""
    summary, places = sweeps.WorldSummary(), []
    walk = sweeps.PlaceSweep(fleet, view, grid.places_deg(), span, workers=_ALONE, progress=progress)
    for place in walk:
        summary.add(place)
        places.append(place)
    table = sweeps.world_table(places)
    return World(table, summary, world_bands.world_bands(table), walk.report)


def _bytes_of(table: pd.DataFrame) -> int:
    return int(table.memory_usage(deep=True).sum())


def _bytes_of_report(report: SearchReport) -> int:
    return 200 * report.objects_searched
