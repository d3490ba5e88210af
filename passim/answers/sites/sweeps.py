"""Where on the Earth is service good? A sweep by latitude, and a grid of the world.

One terminal is thought to stand at many places in turn, with a flat horizon and the limits that it carries with it: its
cone, its keep-out, the satellites that serve. Gateways belong to one place and are left out.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from passim.answers.sites.figures import SiteFigures, figures_of, report_on_places
from passim.answers.sites.shares import find_shares
from passim.constants import EARTH_RADIUS_KM
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km
from passim.errors import EmptyFleetError, InputError
from passim.parallel.chunks import WorkerConfig
from passim.sky.closed_forms import chance_none_in_view, share_in_view
from passim.sky.in_view import counted_fleet
from passim.sky.limits.gateways import GatewayLimit
from passim.sky.parallels import Parallels
from passim.sky.search_report import SearchReport
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]
Floats = NDArray[np.float64]

LONGITUDES: Final = 12
_MOST_LONGITUDES: Final = 360
_MOST_LATITUDES: Final = 361
FINEST_STEP_DEG: Final = 0.5
# The figures that a sweep by latitude averages.
AVERAGED: Final = ("covered_fraction", "gaps_per_hour", "gap_longest_s", "in_view_mean")

# Past these the closed form says nothing: it holds for circles whose ground track does not repeat.
_LARGEST_ECCENTRICITY = 0.02
_HIGHEST_ALTITUDE_KM = 30_000.0
# Altitude and inclination are taken together within these; they move a share in view by less than one part in a hundred
# of itself.
_ALTITUDE_STEP_KM = 1.0
_INCLINATION_STEP_DEG = 0.1


class Place(NamedTuple):
    """A place and what a terminal has there."""

    latitude_deg: float
    longitude_deg: float
    figures: SiteFigures


class PlaceSweep:
    """The figures of one terminal at many places. Iterate over it once: places come in the order given.

    Nothing is kept: memory does not grow with their number. ``report`` says, once the last has come, what satellites
    could not be used; its never_up and always_up are empty, because a sweep does not ask.
    """

    def __init__(
        self,
        fleet: Fleet,
        view: View,
        places_deg: Sequence[tuple[float, float]],
        span: Span,
        *,
        workers: WorkerConfig | None = None,
        progress: Progress | None = None,
        cancel: threading.Event | None = None,
    ) -> None:
        if not len(fleet):
            raise EmptyFleetError("fleet", got="no element set", wanted="at least one", try_next="another element file")
        if not view.site.horizon.is_flat:
            raise InputError(
                "horizon of a sweep",
                got="one by azimuth",
                wanted="one elevation all round",
                try_next="a flat mask",
            )
        self.fleet, self._set_aside = fleet.nearest(span.middle)
        self.view, self.span, self.places_deg = travelling(view), span, tuple(places_deg)
        self._options = {"workers": workers, "progress": progress, "cancel": cancel}
        self._unusable: dict[str, tuple[str, str, str]] = {}

    def __iter__(self) -> Iterator[Place]:
        views = [self._at(*place) for place in self.places_deg]
        found = figures_of(self.fleet, views, self.span, **self._options)  # type: ignore[arg-type]
        for (latitude_deg, longitude_deg), here in zip(self.places_deg, found, strict=True):
            for entry in here.unusable:
                self._unusable.setdefault(entry[0], entry)
            yield Place(latitude_deg, longitude_deg, here.figures)

    @property
    def report(self) -> SearchReport:
        """What the search used, set aside and could not use, at the places that have come so far."""
        return report_on_places(self.fleet, self._set_aside, self._unusable.values())

    def _at(self, latitude_deg: float, longitude_deg: float) -> View:
        name = f"{latitude_deg:g},{longitude_deg:g}"
        return replace(self.view, site=Site(name, latitude_deg, longitude_deg, 0.0, "UTC", self.view.site.horizon))


class ShareSweep:
    """What `PlaceSweep` gives, by shares alone and at a fraction of the work: see `passim.answers.sites.shares`.

    `places_deg` are every crossing of some latitudes with evenly spaced longitudes, in any order. Gateways of the view
    count, so that a set of gateways can be mapped. ``share_error`` is, once the first has come, the largest standard
    error of the share covered at any place.
    """

    def __init__(
        self,
        fleet: Fleet,
        view: View,
        places_deg: Sequence[tuple[float, float]],
        span: Span,
        step_s: float,
        *,
        workers: WorkerConfig | None = None,
        progress: Progress | None = None,
        cancel: threading.Event | None = None,
    ) -> None:
        self.fleet, self.view, self.span, self.step_s = fleet, view, span, step_s
        self.places_deg = tuple(places_deg)
        self.share_error = 0.0
        self._options = {"workers": workers, "progress": progress, "cancel": cancel}
        self._report: SearchReport | None = None

    def __iter__(self) -> Iterator[Place]:
        latitudes_deg = sorted({latitude for latitude, _ in self.places_deg})
        longitudes_deg = sorted({longitude for _, longitude in self.places_deg})
        parallels = Parallels(tuple(latitudes_deg), len(longitudes_deg), longitudes_deg[0])
        found = find_shares(
            self.fleet,
            self.view,
            parallels,
            self.span,
            self.step_s,
            **self._options,  # type: ignore[arg-type]
        )
        self._report, self.share_error = found.report, float(found.share_error.max())
        row = {latitude: k * len(longitudes_deg) for k, latitude in enumerate(latitudes_deg)}
        column = {longitude: k for k, longitude in enumerate(longitudes_deg)}
        for latitude_deg, longitude_deg in self.places_deg:
            figures = found.figures[row[latitude_deg] + column[longitude_deg]]
            yield Place(latitude_deg, longitude_deg, figures)

    @property
    def report(self) -> SearchReport:
        """What the search used, set aside and could not use; known once the first place has come."""
        assert self._report is not None  # asked after the places
        return self._report


def travelling(view: View) -> View:
    """Return the view without its gateways, as a terminal takes it anywhere."""
    return replace(view, limits=tuple(limit for limit in view.limits if not isinstance(limit, GatewayLimit)))


# --- by latitude ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class LatitudeSweep:
    """Figures by latitude, averaged over places evenly spaced in longitude. Made by `sweep_latitudes`.

    ``table`` has one row a latitude, from south to north:

        latitude_deg, places
        covered_fraction, gaps_per_hour, gap_longest_s, in_view_mean
                                    the mean over the places, and beside each the lowest and the highest of them, with
                                    _min and _max at the end of the name
        in_view_closed_form         the long-run mean in view by the closed form: see `closed_form`
        covered_if_random           the share that would be covered if satellites stood at random and independently

    The closed form knows the mask alone: cones and keep-outs are not in it. ``left_out`` counts the satellites of which
    it says nothing.
    """

    table: pd.DataFrame
    report: SearchReport
    left_out: int
    share_error: float = 0.0

    @classmethod
    def of(
        cls, rows: Sequence[dict[str, Any]], report: SearchReport, left_out: int, share_error: float
    ) -> LatitudeSweep:
        """Return the sweep of some rows of `latitude_row`."""
        table = pd.DataFrame(rows).sort_values("latitude_deg", ignore_index=True)
        return cls(table, report, left_out, share_error)

    @classmethod
    def joined(cls, parts: Sequence[LatitudeSweep]) -> LatitudeSweep:
        """Return one sweep of the latitudes of several, which are over the same fleet and span."""
        table = pd.concat([part.table for part in parts]).sort_values("latitude_deg", ignore_index=True)
        first = parts[0]
        return cls(table, first.report, first.left_out, max(part.share_error for part in parts))

    @property
    def best(self) -> int:
        """The row with the most time covered; of several, the one with most in view, nearest the equator, northern."""
        return self._first(-self.table["covered_fraction"].to_numpy(), -self.table["in_view_mean"].to_numpy())

    @property
    def level_deg(self) -> tuple[float, ...]:
        """The latitudes that are covered as long as the best one, from the south; one alone where none is level."""
        covered = self.table["covered_fraction"].to_numpy()
        return tuple(self.table["latitude_deg"].to_numpy()[covered == covered.max()].tolist())

    @property
    def worst(self) -> int:
        """The row with the least time covered; of several, the one nearest the equator, north before south."""
        return self._first(self.table["covered_fraction"].to_numpy(), np.zeros(len(self.table)))

    @property
    def none_from_deg(self) -> float | None:
        """The lowest latitude of the sweep from which on neither hemisphere has any service; None if each has some."""
        height_deg = np.abs(self.table["latitude_deg"].to_numpy())
        some = self.table["covered_fraction_max"].to_numpy() > 0.0
        beyond = height_deg[height_deg > height_deg[some].max(initial=-1.0)]
        return float(beyond.min()) if beyond.size else None

    def _first(self, rank: Floats, then: Floats) -> int:
        latitude_deg = self.table["latitude_deg"].to_numpy()
        return int(np.lexsort((-latitude_deg, np.abs(latitude_deg), then, rank))[0])


def latitudes_both_ways(from_deg: float, to_deg: float, step_deg: float) -> list[float]:
    """Return the latitudes from one to the other by a step, each in both hemispheres, ascending. Raises InputError."""
    if not (-90.0 <= from_deg <= to_deg <= 90.0 and step_deg > 0.0):
        raise InputError(
            "latitudes",
            got=f"{from_deg:g}:{to_deg:g}:{step_deg:g}",
            wanted="FROM:TO:STEP in degrees, ascending within -90 and 90, with a step over 0",
            try_next="0:70:5",
        )
    # A sliver of a step more, so that rounding does not lose the last.
    count = int(np.floor((to_deg - from_deg) / step_deg + 1e-9)) + 1
    if 2 * count > _MOST_LATITUDES + 1:
        raise InputError("latitudes", got=count, wanted=f"at most {_MOST_LATITUDES // 2 + 1}", try_next="a wider step")
    there = [round(from_deg + k * step_deg, 6) + 0.0 for k in range(count)]
    return sorted({*there, *(0.0 - latitude for latitude in there)})


def sweep_latitudes(
    fleet: Fleet,
    view: View,
    latitudes_deg: Sequence[float],
    span: Span,
    *,
    longitudes: int = LONGITUDES,
    step_s: float | None = None,
    workers: WorkerConfig | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> LatitudeSweep:
    """Return what the terminal of `view` has at each latitude, averaged over so many longitudes.

    With `step_s` by shares alone, counted once in every such step: see `ShareSweep`; ``share_error`` of the answer is
    then that of its worst place.

    Raises InputError for no latitudes, for a number of longitudes out of range and for a horizon that is not flat, and
    what `map_chunks` raises.
    """
    places = places_around(latitudes_deg, longitudes)
    sweep: PlaceSweep | ShareSweep
    if step_s is None:
        sweep = PlaceSweep(fleet, view, places, span, workers=workers, progress=progress, cancel=cancel)
    else:
        sweep = ShareSweep(
            fleet, travelling(view), places, span, step_s, workers=workers, progress=progress, cancel=cancel
        )
    found, rows, left_out = list(sweep), [], 0
    for first in range(0, len(found), longitudes):
        row, left_out = latitude_row(fleet, view, span, found[first : first + longitudes])
        rows.append(row)
    error = sweep.share_error if isinstance(sweep, ShareSweep) else 0.0
    return LatitudeSweep.of(rows, sweep.report, left_out, error)


def places_around(latitudes_deg: Sequence[float], longitudes: int) -> list[tuple[float, float]]:
    """Return so many places evenly round the Earth at each latitude, in order. Raises InputError."""
    if not latitudes_deg:
        raise InputError("latitudes", got="none", wanted="at least one")
    if isinstance(longitudes, bool) or not isinstance(longitudes, int) or not 1 <= longitudes <= _MOST_LONGITUDES:
        raise InputError("longitudes", got=longitudes, wanted=f"a whole number from 1 to {_MOST_LONGITUDES}")
    around_deg = [-180.0 + 360.0 * (k + 0.5) / longitudes for k in range(longitudes)]
    return [(latitude, longitude) for latitude in latitudes_deg for longitude in around_deg]


def latitude_row(fleet: Fleet, view: View, span: Span, around: Sequence[Place]) -> tuple[dict[str, Any], int]:
    """Return one row of a `LatitudeSweep` from its places, and how many satellites the closed form leaves out."""
    latitude_deg = around[0].latitude_deg
    row: dict[str, Any] = {"latitude_deg": float(latitude_deg), "places": len(around)}
    for name in AVERAGED:
        figure = np.array([getattr(place.figures, name) for place in around], dtype=float)
        row |= {name: float(figure.mean()), f"{name}_min": float(figure.min()), f"{name}_max": float(figure.max())}
    mask_deg = max(view.site.horizon.lowest_deg, view.floor_deg)
    expected = closed_form(counted_fleet(fleet, view, span), mask_deg, latitude_deg)
    row |= {"in_view_closed_form": expected.in_view_mean, "covered_if_random": 1.0 - expected.chance_of_none}
    return row, expected.left_out


class ClosedForm(NamedTuple):
    """What a fleet gives in the long run at one latitude, and how many satellites could not be counted in it."""

    in_view_mean: float
    chance_of_none: float
    left_out: int


def closed_form(fleet: Fleet, mask_deg: float, latitude_deg: float) -> ClosedForm:
    """Return the long-run mean number of satellites in view above a flat mask, and the chance of none if at random.

    The sum of `share_in_view` over the satellites by their altitude and inclination, on a sphere: the latitude is
    turned to the geocentric one first, and what is left of the Earth's flattening moves the mean by about a hundredth,
    by more where the latitude lies within a degree of the last that is reached. The chance of none holds for satellites
    at random and independent: see `chance_none_in_view`. Eccentric and very high satellites are left out.
    """
    altitude_km = mean_altitude_km(fleet.column("mean_motion_rev_day"))
    counted = (fleet.column("eccentricity") <= _LARGEST_ECCENTRICITY) & (altitude_km < _HIGHEST_ALTITUDE_KM)
    counted &= altitude_km > 0.0
    steps = np.column_stack(
        [
            np.round(altitude_km[counted] / _ALTITUDE_STEP_KM),
            np.round(fleet.column("inclination_deg")[counted] / _INCLINATION_STEP_DEG),
        ]
    )
    kinds, how_many = np.unique(steps, axis=0, return_counts=True)
    position_km = Site("there", latitude_deg, 0.0).position_km
    geocentric_deg = float(np.degrees(np.arcsin(position_km[2] / np.linalg.norm(position_km))))
    # What counts is how high the orbit stands above this place, which lies lower than the equator does.
    lower_km = EARTH_RADIUS_KM - float(np.linalg.norm(position_km))
    shares = []
    for altitude_steps, tilt_steps in kinds.tolist():
        above_km = altitude_steps * _ALTITUDE_STEP_KM + lower_km
        shares.append(share_in_view(above_km, mask_deg, tilt_steps * _INCLINATION_STEP_DEG, geocentric_deg))
    return ClosedForm(
        float(sum(share * int(count) for share, count in zip(shares, how_many, strict=True))),
        prod(chance_none_in_view(int(count), share) for share, count in zip(shares, how_many, strict=True)),
        int((~counted).sum()),
    )


# --- the world --------------------------------------------------------------------------------------------------------


class WorldSummary:
    """Means over the Earth's surface, gathered while places go by: each counts for the area of its cell."""

    def __init__(self) -> None:
        self.places = 0
        self._area = self._covered = self._never_out = self._never_in = 0.0

    def add(self, place: Place) -> None:
        """Count a place in."""
        area = float(np.cos(np.radians(place.latitude_deg)))
        self.places += 1
        self._area += area
        self._covered += area * place.figures.covered_fraction
        self._never_out += area * (place.figures.gap_count == 0)
        self._never_in += area * (place.figures.covered_fraction == 0.0)

    @property
    def covered_fraction(self) -> float:
        """The share of the time covered, mean over the surface."""
        return self._covered / self._area

    @property
    def never_out_fraction(self) -> float:
        """The share of the surface that is never without service in the span."""
        return self._never_out / self._area

    @property
    def never_in_fraction(self) -> float:
        """The share of the surface that never has service in the span."""
        return self._never_in / self._area


def world_places(step_deg: float) -> list[tuple[float, float]]:
    """Return the middles of cells `step_deg` wide that cover the world: latitude and longitude, from the north.

    At 10 degrees they are 648: 18 rows of 36. Raises InputError for a step that does not divide 180.
    """
    rows = round(180.0 / step_deg) if FINEST_STEP_DEG <= step_deg <= 90.0 else 0
    if not rows or abs(rows * step_deg - 180.0) > 1e-6:
        raise InputError(
            "step of the world's grid",
            got=step_deg,
            wanted=f"degrees that divide 180, from {FINEST_STEP_DEG:g} to 90",
            try_next="10",
        )
    latitudes_deg = [90.0 - 180.0 * (row + 0.5) / rows for row in range(rows)]
    longitudes_deg = [-180.0 + 180.0 * (column + 0.5) / rows for column in range(2 * rows)]
    return [(latitude, longitude) for latitude in latitudes_deg for longitude in longitudes_deg]


def world_table(places: Sequence[Place]) -> pd.DataFrame:
    """Return places as a table from the north: latitude_deg, longitude_deg, and the figures of `SiteFigures`."""
    table = pd.DataFrame([world_row(place) for place in places])
    by_place = table.sort_values(["latitude_deg", "longitude_deg"], ascending=[False, True], ignore_index=True)
    return by_place.astype({"gap_mean_s": float})


def surface_of(table: pd.DataFrame) -> WorldSummary:
    """Return the means over the surface of the places of a `world_table`."""
    summary = WorldSummary()
    rows: list[Any] = list(table.itertuples(index=False))
    for row in rows:
        figures = SiteFigures(**{name: getattr(row, name) for name in SiteFigures.names()})
        summary.add(Place(float(row.latitude_deg), float(row.longitude_deg), figures))
    return summary


def world_row(place: Place) -> dict[str, Any]:
    """Return one row of `world_table`."""
    figures = {name: getattr(place.figures, name) for name in SiteFigures.names()}
    return {"latitude_deg": place.latitude_deg, "longitude_deg": place.longitude_deg, **figures}
