"""Passes: every interval in which a satellite stands above a site's horizon, as a table.

The way down to an edge: `find_passes` -> `FleetSearch.each` (fleet_search.py) -> `intervals_of` (pass_intervals.py) ->
`segments_within_cull` (cull.py), arcs (orbits/arcs.py), `HorizonFunction` -> `positive_stretches` (search.py). Words:

    part        a piece of the span for satellites whose segments are equally long: what fits in memory at once
    segment     the time between two nodes of SGP4, 300 s as a rule
    arc         the polynomial that stands for an orbit within one segment
    curve       how far an arc is on the allowed side of a limit, km at the satellite: positive where it is allowed
    bracket     a piece of a segment in which a curve turns at most once, so that its signs and rates show every edge
    stretch     a piece of one segment in which a curve is positive, from edge to edge or to the end of the segment
    interval    stretches that go on from segment to segment, joined: a pass, from rise to set
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.errors import InputError
from passim.intervals import IntervalSet, restrict
from passim.sky.doubts import warn_of_idle, warn_of_stale
from passim.sky.fleet_search import FlatSky, FleetSearch, Progress
from passim.sky.horizon_function import HorizonFunction
from passim.sky.pass_intervals import concatenated, joined_in_time
from passim.sky.search_report import SearchReport
from passim.sky.site import Site
from passim.spans import Span

Index = NDArray[np.intp]

PASS_COLUMNS = (
    "satellite_id",
    "name",
    "rise",
    "peak",
    "set",
    "duration_s",
    "peak_elevation_deg",
    "rise_azimuth_deg",
    "peak_azimuth_deg",
    "set_azimuth_deg",
    "cut_at_start",
    "cut_at_end",
)


def passes_within(passes: pd.DataFrame, parts: IntervalSet) -> pd.DataFrame:
    """Return the rows of a table of passes that reach into `parts`, whole; start and end in microseconds since 1970."""
    rise_us, set_us = (passes[name].to_numpy(dtype="datetime64[us]").astype(np.int64) for name in ("rise", "set"))
    return passes.iloc[np.unique(restrict((rise_us, set_us), parts).row)].reset_index(drop=True)


def find_passes(
    fleet: Fleet, site: Site | Iterable[Site], span: Span, *, progress: Progress | None = None
) -> pd.DataFrame:
    """Return every interval in which a satellite of `fleet` stands above the horizon of `site` within `span`.

    One row an interval, sorted by rise. Times are aware UTC (microseconds), durations seconds, angles degrees;
    azimuths run from true north through east. With several sites (any iterable) the first column is ``site``, and
    their rows follow each other in the order given.

    ``cut_at_start`` and ``cut_at_end`` flag intervals that the span cuts; their rise or set is the edge of the span.
    A pass that the skyline splits gives several rows, each with its own peak.

    Of each object the element set nearest the middle of the span is used. ``attrs["report"]`` is a `SearchReport`:
    sets set aside, satellites that gave no usable state, those that never and those that always stand above.

    Every object counts, whether it serves or not and however old its elements are. A `NotServingWarning` says where
    some hardly serve (away from their shell, stale, decayed), a `StaleElementsWarning` where the elements are over 14
    days from the middle of the span. The command line leaves out the former and refuses the latter: for the same answer
    as there ask `find_visibility` with ``View.usual(site)``, or with the view of a workspace.

    `progress` is called with the share done, from 0 to 1.

    Rises and sets agree within 1 ms with the exact root of the elevation for intervals over 60 s, and lie within 0.2
    arcsec of the skyline otherwise. Raises EmptyFleetError if no satellite is left to propagate.
    """
    single = isinstance(site, Site)
    sites = [site] if isinstance(site, Site) else list(site)
    if not sites:
        raise InputError("sites", got="none", wanted="at least one site")
    names = [s.name for s in sites]
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise InputError("names of the sites", got=f"{twice} twice", wanted="a name of its own for each site")
    nearest, _ = fleet.nearest(span.middle)
    if len(nearest):
        warn_of_stale(nearest, span)
        warn_of_idle(nearest, span)
    tables, reports = [], []
    for table in iterate_passes(fleet, sites, span, progress=progress):
        reports.append(table.attrs["report"])
        tables.append(table)
    if single:
        return tables[0]
    for table, name in zip(tables, names, strict=True):
        table.insert(0, "site", pd.Series(name, index=table.index, dtype="str"))
        table.attrs = {}
    together = pd.concat(tables, ignore_index=True)
    together.attrs["report"] = SearchReport.together(reports)
    return together


def iterate_passes(
    fleet: Fleet, sites: Sequence[Site], span: Span, *, progress: Progress | None = None
) -> Iterator[pd.DataFrame]:
    """Yield the pass table of each of `sites` in turn, as `find_passes` gives it for one.

    One propagation of the fleet serves all of them.
    """
    search = FleetSearch(fleet, span)

    def sky(site: Site) -> FlatSky | None:
        return FlatSky(site, site.horizon.lowest_deg) if site.horizon.is_flat else None

    finds = search.each(sites, lambda part, site: part.passes(site, HorizonFunction(site.horizon)), progress, sky=sky)
    for number in range(len(sites)):
        parts, finds[number] = finds[number], []
        found = joined_in_time(concatenated(parts)) if len(parts) > 1 else parts[0]
        start_us, end_us = search.time_us(found.start_s), search.time_us(found.end_s)
        yield pass_table(
            search.fleet,
            span,
            search.report(found),
            satellite=found.satellite,
            start_us=start_us,
            peak_us=np.clip(search.time_us(found.peak_s), start_us, end_us),
            end_us=end_us,
            peak_elevation_deg=np.degrees(np.arcsin(np.clip(found.peak_sine, -1.0, 1.0))),
            azimuths_deg=found.azimuths_deg,
        )


def pass_table(
    fleet: Fleet,
    span: Span,
    report: SearchReport,
    *,
    satellite: Index,
    start_us: NDArray[np.int64],
    peak_us: NDArray[np.int64],
    end_us: NDArray[np.int64],
    peak_elevation_deg: NDArray[np.float64],
    azimuths_deg: NDArray[np.float64],
) -> pd.DataFrame:
    """Return the pass table, sorted by rise, of intervals given by satellite index and microseconds since 1970 UTC.

    All arrays have shape (n,), `azimuths_deg` (3, n): at the start, the peak and the end. Empty intervals are left out.
    """
    order = np.lexsort((satellite, start_us))
    order = order[(end_us > start_us)[order]]
    satellite, start_us, end_us = satellite[order], start_us[order], end_us[order]
    identifiers, names = _labels(fleet)
    table = pd.DataFrame(
        {
            "satellite_id": identifiers.take(satellite),
            "name": names.take(satellite),
            "rise": _utc(start_us),
            "peak": _utc(peak_us[order]),
            "set": _utc(end_us),
            "duration_s": (end_us - start_us) / 1e6,
            "peak_elevation_deg": peak_elevation_deg[order],
            "rise_azimuth_deg": azimuths_deg[0][order],
            "peak_azimuth_deg": azimuths_deg[1][order],
            "set_azimuth_deg": azimuths_deg[2][order],
            "cut_at_start": start_us == span.start_us,
            "cut_at_end": end_us == span.end_us,
        }
    )
    table.attrs["report"] = report
    return table


def _labels(fleet: Fleet) -> tuple[Any, Any]:
    """Return identifiers and names of satellites as columns, made at first use and kept with the fleet."""
    known = fleet.__dict__.get("_labels")
    if known is None:
        columns = fleet.satellite_ids, fleet.names
        known = fleet.__dict__["_labels"] = tuple(pd.array(column.astype(str), dtype="str") for column in columns)
    return known


def _utc(time_us: NDArray[np.int64]) -> pd.Series:
    """Return microseconds since 1970 UTC as an aware column."""
    return pd.Series(time_us.view("datetime64[us]")).dt.tz_localize("UTC")
