"""Passes: every interval in which a satellite stands above a site's horizon.

The span is cut into parts that fit in memory; one propagation of a part serves every site. What is found is joined
across the parts and made into a table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.errors import EmptyFleetError, InputError
from passim.intervals import GroupedIntervals, IntervalSet, restrict
from passim.orbits.arcs import NodeGrid, segment_length_s
from passim.orbits.propagation import Propagator
from passim.sky.cull import CoarseOrbits, coarse_orbits
from passim.sky.doubts import warn_of_idle, warn_of_stale
from passim.sky.horizon_function import HorizonFunction
from passim.sky.pass_intervals import Intervals, SkyLimit, concatenated, edges_of, intervals_of, joined_in_time
from passim.sky.search_report import SearchReport, report_of
from passim.sky.site import Site
from passim.spans import Span, moment

Index = NDArray[np.intp]
Progress = Callable[[float], None]

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

# How many node states are kept together: this bounds the memory, whatever the fleet and the span.
_MOST_STATES = 3_000_000


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
    search = PassSearch(fleet, span)
    found: list[list[Intervals]] = [[] for _ in sites]
    for done, part in enumerate(search.parts):
        for number, site in enumerate(sites):
            found[number].append(search.look(part, site))
            if progress:
                progress((done + (number + 1) / len(sites)) / len(search.parts))
        part.forget()
    for number, site in enumerate(sites):
        yield search.table(found[number], site)
        found[number] = []


class _Part:
    """A stretch of the span for satellites whose segments are equally long."""

    def __init__(self, search: PassSearch, members: Index, start_s: float, end_s: float, segment_s: float) -> None:
        self.members, self.start_s, self.end_s, self.segment_s = members, start_s, end_s, segment_s
        self._search = search
        self._grid: NodeGrid | None = None
        self._planes: CoarseOrbits | None = None

    def prepare(self) -> tuple[NodeGrid, CoarseOrbits]:
        """Return the node grid and the coarse planes, made at first use."""
        if self._grid is None or self._planes is None:
            propagator = self._search.propagator_of(self.segment_s)
            start_us = self._search.span.start_us + round(self.start_s * 1e6)
            self._grid = NodeGrid(propagator, start_us, self.end_s - self.start_s, self.segment_s)
            self._planes = coarse_orbits(propagator, start_us, self.end_s - self.start_s)
        return self._grid, self._planes

    def forget(self) -> None:
        """Let go of the nodes, after filing which satellites gave a usable state and what was wrong with others."""
        if self._grid is not None and self._planes is not None:
            self._search.note_usable(self.members[self._planes.satellite])
            self._search.note_usable(self.members[self._grid.followed()])
            for index, (time_s, reason) in self._grid.trouble.items():
                self._search.note_trouble(int(self.members[index]), self.start_s + time_s, reason)
        self._grid = self._planes = None


class PassSearch:
    """The search of one fleet over one span, for any number of sites.

    `parts` cut the work in time and by segment length; `look` searches one part for one site, `table` makes the pass
    table of a site from all its parts.
    """

    def __init__(self, fleet: Fleet, span: Span) -> None:
        self.span = span
        self.fleet, self.set_aside = fleet.nearest(span.middle)
        if not len(self.fleet):
            raise EmptyFleetError("fleet", got="no element set", wanted="at least one", try_next="another element file")
        propagator = Propagator.of(self.fleet)
        length_s = segment_length_s(propagator)
        self._members = {float(length): np.flatnonzero(length_s == length) for length in np.unique(length_s)}
        whole = len(self._members) == 1
        self._propagators = {
            length: propagator if whole else propagator.select(members) for length, members in self._members.items()
        }
        self._trouble: dict[int, tuple[float, str]] = {}
        self._usable = np.zeros(len(self.fleet), dtype=bool)
        self.parts = list(self._cut())

    def propagator_of(self, segment_s: float) -> Propagator:
        """Return the propagator of the satellites whose segments are `segment_s` long."""
        return self._propagators[segment_s]

    def note_trouble(self, satellite: int, time_s: float, reason: str) -> None:
        """Keep the first unusable state of a satellite."""
        if satellite not in self._trouble or time_s < self._trouble[satellite][0]:
            self._trouble[satellite] = (time_s, reason)

    def note_usable(self, satellites: Index) -> None:
        """Keep which satellites gave a usable state at all."""
        self._usable[satellites] = True

    def _cut(self) -> Iterator[_Part]:
        duration_s = self.span.duration_s
        for segment_s, members in self._members.items():
            # Whole days if memory allows, else whole hours; always whole segments, so that parts join at nodes.
            states_per_second = len(members) / segment_s
            hours = int(np.clip(_MOST_STATES / states_per_second / 3600.0, 1.0, 24.0))
            edges = np.append(np.arange(0.0, duration_s, hours * 3600.0), duration_s)
            for start_s, end_s in pairwise(edges.tolist()):
                yield _Part(self, members, start_s, end_s, segment_s)

    def look(self, part: _Part, site: Site, limit: SkyLimit | None = None) -> Intervals:
        """Search one part for one site and one limit of its sky, its horizon unless told otherwise."""
        grid, coarse = part.prepare()
        found = intervals_of(grid, coarse, site, limit or HorizonFunction(site.horizon))
        return replace(
            found,
            satellite=part.members[found.satellite],
            start_s=found.start_s + part.start_s,
            end_s=found.end_s + part.start_s,
            peak_s=found.peak_s + part.start_s,
        )

    def edges_us(self, part: _Part, site: Site, limit: SkyLimit | None = None) -> GroupedIntervals:
        """Return when `look` would find satellites, and no more: by satellite index, microseconds since 1970 UTC."""
        grid, coarse = part.prepare()
        satellite, start_s, end_s = edges_of(grid, coarse, site, limit or HorizonFunction(site.horizon))
        start_us = np.round((start_s + part.start_s) * 1e6).astype(np.int64) + self.span.start_us
        end_us = np.round((end_s + part.start_s) * 1e6).astype(np.int64) + self.span.start_us
        some = end_us > start_us
        return GroupedIntervals(part.members[satellite[some]].astype(np.int64), start_us[some], end_us[some])

    def table(self, parts: list[Intervals], site: Site) -> pd.DataFrame:
        """Return the pass table of one site from what `look` found in every part."""
        found = joined_in_time(concatenated(parts)) if len(parts) > 1 else parts[0]
        start_us = np.round(found.start_s * 1e6).astype(np.int64) + self.span.start_us
        end_us = np.round(found.end_s * 1e6).astype(np.int64) + self.span.start_us
        peak_us = np.round(found.peak_s * 1e6).astype(np.int64) + self.span.start_us
        return pass_table(
            self.fleet,
            self.span,
            self.report(found),
            satellite=found.satellite,
            start_us=start_us,
            peak_us=np.clip(peak_us, start_us, end_us),
            end_us=end_us,
            peak_elevation_deg=np.degrees(np.arcsin(np.clip(found.peak_sine, -1.0, 1.0))),
            azimuths_deg=found.azimuths_deg,
        )

    def report(self, found: Intervals) -> SearchReport:
        """Return the report on this search, from the intervals found for one site, in seconds since the span's start.

        Raises EmptyFleetError when no satellite gave a usable state: no passes would then say nothing about the sky.
        """
        if self._trouble and not self._usable.any():
            index, (_, reason) = min(self._trouble.items())
            raise EmptyFleetError(
                f"no satellite left of {len(self.fleet):,}: {self.fleet[index].label}: {reason}",
                wanted="at least one that SGP4 can follow in the span",
                try_next="newer elements or an earlier span",
            )
        throughout = (np.round(found.start_s * 1e6) <= 0) & (np.round((self.span.duration_s - found.end_s) * 1e6) <= 0)
        return report_of(
            self.fleet,
            set_aside=self.set_aside,
            seen=np.unique(found.satellite),
            always=np.unique(found.satellite[throughout]),
            unusable=[
                (index, f"{reason}, from {moment(self.span.start_us + round(time_s * 1e6)):%Y-%m-%d %H:%M}Z on")
                for index, (time_s, reason) in sorted(self._trouble.items())
            ],
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
    table = pd.DataFrame(
        {
            "satellite_id": pd.array(fleet.satellite_ids.astype(str), dtype="str").take(satellite),
            "name": pd.array(fleet.names.astype(str), dtype="str").take(satellite),
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


def _utc(time_us: NDArray[np.int64]) -> pd.Series:
    """Return microseconds since 1970 UTC as an aware column."""
    return pd.Series(time_us.view("datetime64[us]")).dt.tz_localize("UTC")
