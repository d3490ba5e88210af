"""When which satellite can serve a view, limit by limit.

One propagation of the fleet serves all views. For each view the satellites above its floor are the base; each limit
then says when it allows which of them, found by the same exact search as the horizon. Lifting a limit, joining them,
asking what would close a gap: all that is interval algebra on what is kept here.

What a terminal loses at handovers stands among the limits, as "handover": it allows nothing while satellites are
allowed by all the others and yet none serves. So whoever asks for `Visibility.joint` has service as it is, and lifting
"handover" gives back what the sky alone would serve.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce

import numpy as np
import pandas as pd

from passim.arrays import Floats, Indices, Ints
from passim.coverage.notebook import as_html
from passim.coverage.steps import Coverage
from passim.elements.health import HealthSummary
from passim.elements.records import Fleet
from passim.intervals import GroupedIntervals, Intervals, complement, intersection_by_group, restrict, union_by_group
from passim.orbits.frames import earth_angle_rad, earth_fixed, julian_date
from passim.orbits.propagation import Propagator
from passim.sky.doubts import warn_of_stale
from passim.sky.fleet_search import SEARCHES, FlatSky, FleetSearch, Part, Progress
from passim.sky.in_view import check_gateways
from passim.sky.limits.base import Scene
from passim.sky.limits.members import ServingFilter
from passim.sky.look_angles import LookAngles, look_angles
from passim.sky.pass_intervals import PassIntervals, concatenated, joined_in_time
from passim.sky.passes import pass_table
from passim.sky.search_report import SearchReport
from passim.sky.service import (
    HANDOVER,
    INSTANT,
    InUse,
    assignments_within,
    in_use_at,
    lost_at_handovers,
    rows_within,
    warmed_up,
)
from passim.sky.view import View
from passim.spans import Span


@dataclass(frozen=True)
class Visibility:
    """When which satellite stands above the floor of a view, and when each limit allows it.

    Groups are indices in ``fleet``; times are microseconds since 1970 UTC. ``allowed`` maps the name of a limit to what
    it allows inside ``base``. Where the view's service loses time at handovers, ``allowed["handover"]`` is the base
    less what is lost. ``health`` says who is taken to serve, where the view asks that at all.
    """

    view: View
    span: Span
    fleet: Fleet
    base: GroupedIntervals
    allowed: dict[str, GroupedIntervals]
    report: SearchReport
    health: tuple[HealthSummary, ...]
    _peaks: PassIntervals = field(repr=False)
    in_use: InUse | None = None

    def __repr__(self) -> str:
        name = self.fleet.name or "a fleet"
        who = f"{name}, {len(self.fleet):,} satellites, from {self.view.title}"
        return f"<Visibility of {who}, {self.span}: {self.coverage().headline}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.passes())

    def joint(self, without: Collection[str] = ()) -> GroupedIntervals:
        """Return when satellites are allowed by all limits but `without`. Raises InputError for an unknown name."""
        self.view.known(without)
        retained = [intervals for name, intervals in self.allowed.items() if name not in without]
        return reduce(intersection_by_group, retained, self.base)

    def candidates(self, without: Collection[str] = ()) -> GroupedIntervals:
        """Return when satellites are allowed by the sky: by all limits but `without`, handovers left aside.

        These are what a terminal chooses from; where it loses no time at handovers, that is the same as `joint`.
        """
        lifted = (*without, HANDOVER) if HANDOVER in self.view.names else without
        return self.joint(lifted)

    def coverage(self, without: Collection[str] = (), span: Span | None = None) -> Coverage:
        """Return the coverage with the limits `without` lifted; of a part of the span searched where `span` is given.

        What the terminal loses at handovers counts as no service, unless "handover" is lifted too. With other limits
        lifted it is followed anew: with others to choose from the terminal loses other satellites, at other moments.
        Raises InputError for an unknown name.
        """
        serving = self.joint(without)
        if without and self.view.service.loses_time and HANDOVER not in without:
            candidates = self.candidates(without)
            if _same(candidates, self.candidates()):
                # What stops no satellite changes nothing for the terminal when it is lifted.
                return self.coverage(span=span)
            lost = lost_at_handovers(candidates, self.span, self.view.service, self.look, self.in_use)
            serving = _less(candidates, lost, self.span)
        return Coverage.from_intervals(serving.start, serving.end, span or self.span)

    def look(self, satellite: Indices, time_us: Ints) -> LookAngles:
        """Return where satellites (indices in ``fleet``) stand at times, each of shape (n,), from SGP4 itself."""
        return look_angles(self.view.site, positions_km(self.fleet, satellite, time_us))

    def in_use_at_start(self) -> InUse | None:
        """Return what the terminal is doing when the span starts, also where it loses no time at handovers.

        None where it chooses afresh then, as at every 00:00 UTC.
        """
        return self.in_use if self.view.service.loses_time else _in_use_before([self]).get(0)

    def passes(self, without: Collection[str] = ()) -> pd.DataFrame:
        """Return the pass table of the intervals in which satellites can serve, with the columns of `find_passes`.

        A pass that a limit cuts or splits gives shorter rows; its peak is its own highest point. Handovers cut no pass.
        """
        satellites, start_us, end_us = self.candidates(without)
        satellite = satellites.astype(np.intp)
        # The pass that a piece belongs to is the last of its satellite that begins no later.
        origin = self.span.start_us
        pass_ = (
            np.searchsorted(
                _keys(self.base.group, self.base.start, origin), _keys(satellites, start_us, origin), "right"
            )
            - 1
        )
        peak_us = np.round(self._peaks.peak_s[pass_] * 1e6).astype(np.int64) + origin
        at_start, at_end = self.look(satellite, start_us), self.look(satellite, end_us)
        # A piece without the pass's own peak stands highest at one of its ends.
        has_peak = (peak_us >= start_us) & (peak_us <= end_us)
        higher_at_start = at_start.elevation_deg >= at_end.elevation_deg
        peak_us = np.where(has_peak, peak_us, np.where(higher_at_start, start_us, end_us))
        at_peak = self.look(satellite, peak_us)
        return pass_table(
            self.fleet,
            self.span,
            self.report,
            satellite=satellite,
            start_us=start_us,
            peak_us=peak_us,
            end_us=end_us,
            peak_elevation_deg=at_peak.elevation_deg,
            azimuths_deg=np.stack([at_start.azimuth_deg, at_peak.azimuth_deg, at_end.azimuth_deg]),
        )


def find_visibility(
    fleet: Fleet, view: View, span: Span, *, progress: Progress | None = None, warn: bool = True
) -> Visibility:
    """Return when the satellites of `fleet` can serve a view within `span`, limit by limit.

    Of each object the element set nearest the middle of the span is used. Where a service loses time at handovers, the
    sky before the span is searched too, from 00:00 UTC on, for what the terminal is doing when the span starts.
    `progress` is called with the share done, from 0 to 1. A `StaleElementsWarning` says where the elements are over 14
    days from the middle of the span, unless `warn` is false, for a caller that tells so itself. What is asked next of
    the same fleet and span, under other limits, is found from what is kept (`RetainedSearches` in
    passim/sky/fleet_search.py). Raises EmptyFleetError if no satellite is left to propagate, SiteError for a gateway
    that no satellite ever sees together with the site.
    """
    return find_visibilities(fleet, [view], span, progress=progress, warn=warn)[0]


def find_visibilities(
    fleet: Fleet, views: Iterable[View], span: Span, *, progress: Progress | None = None, warn: bool = True
) -> list[Visibility]:
    """Return what `find_visibility` does for each of several views, in their order, from one propagation of the fleet.

    Raises what it raises.
    """
    search = SEARCHES.take(fleet, span)
    if warn:
        warn_of_stale(search.fleet, span)
    found = _found(search, list(views), progress)
    SEARCHES.give_back(search)
    return found


def _found(search: FleetSearch, views: list[View], progress: Progress | None) -> list[Visibility]:
    """Return the visibility of every view, handovers among the limits where they lose time."""
    check_gateways(views, search.fleet)
    found = _searched(search, views, search.span, progress)
    losing = [number for number, seen in enumerate(found) if seen.view.service.loses_time]
    in_use = _in_use_before([found[number] for number in losing])
    for place, number in enumerate(losing):
        found[number] = _with_handovers(found[number], in_use.get(place))
    return found


def _searched(
    search: FleetSearch, views: Sequence[View], requested: Span, progress: Progress | None = None
) -> list[Visibility]:
    """Return what a search finds for each view, handovers left aside; who serves at all is judged for `requested`."""
    span = search.span

    def look(part: Part, view: View) -> tuple[PassIntervals, dict[str, GroupedIntervals]]:
        above = part.base(view.site, view.floor_deg)
        base = _grouped(search, above)
        scene = Scene(view.site, search.fleet, requested, base, part.grid, part.members)
        flat = view.site.horizon.highest_deg == view.floor_deg
        asked = [limit for limit in view.all_limits if not (flat and limit.name == "horizon")]
        scene.look_for(asked)
        return above, {limit.name: limit.allowed(scene) if limit in asked else base for limit in view.all_limits}

    def sky(view: View) -> FlatSky:
        return FlatSky(view.site, view.floor_deg)

    results = []
    for view, finds in zip(views, search.each(views, look, progress, sky=sky), strict=True):
        together = joined_in_time(concatenated([above for above, _ in finds]))
        allowed = {
            limit.name: union_by_group(*(pieces[limit.name] for _, pieces in finds)) for limit in view.all_limits
        }
        health = tuple(
            limit.health(search.fleet, requested) for limit in view.limits if isinstance(limit, ServingFilter)
        )
        base, report = _grouped(search, together), search.report(together)
        results.append(Visibility(view, span, search.fleet, base, allowed, report, health, together))
    return results


def _with_handovers(seen: Visibility, in_use: InUse | None) -> Visibility:
    """Return `seen` with what its terminal loses at handovers among the limits."""
    span, base, service = seen.span, seen.base, seen.view.service
    lost = lost_at_handovers(seen.candidates(), span, service, seen.look, in_use)
    return replace(seen, allowed={**seen.allowed, HANDOVER: _less(base, lost, span)}, in_use=in_use)


def _in_use_before(every: list[Visibility]) -> dict[int, InUse]:
    """Return what the terminals of some views of one span are doing when it starts, by their place in `every`.

    Those that choose afresh then, such as all at 00:00 UTC, are left out.
    """
    stretches = {number: warmed_up(seen.span, seen.view.service) for number, seen in enumerate(every)}
    in_use = {}
    # One propagation for all views that look back equally far.
    for before in {stretch for stretch in stretches.values() if stretch is not None}:
        members = [number for number, stretch in stretches.items() if stretch == before]
        requested, fleet = every[members[0]].span, every[members[0]].fleet
        views = [replace(every[number].view, service=INSTANT) for number in members]
        search = SEARCHES.take(fleet, before)
        earlier = _searched(search, views, requested)
        SEARCHES.give_back(search)
        for number, sky in zip(members, earlier, strict=True):
            seen = every[number]
            rows = rows_within(union_by_group(sky.joint(), seen.candidates()), before)
            assignments = assignments_within(rows, before, seen.view.service, seen.look)
            in_use[number] = in_use_at(rows, assignments, before, before.end_us)
    return in_use


def _same(one: GroupedIntervals, other: GroupedIntervals) -> bool:
    return all(np.array_equal(mine, its) for mine, its in zip(one, other, strict=True))


def positions_km(fleet: Fleet, satellite: Indices, time_us: Ints) -> Floats:
    """Return Earth-fixed positions, km, shape (n, 3), of satellites of `fleet` at times, each of shape (n,)."""
    propagator = Propagator.of(fleet)
    order = np.argsort(satellite, kind="stable")
    sorted_satellite, sorted_us = satellite[order], time_us[order]
    day, fraction = julian_date(sorted_us)
    position = np.empty((len(order), 3))
    opens = np.flatnonzero(np.append(True, sorted_satellite[1:] != sorted_satellite[:-1])[: len(order)])
    closes = np.append(opens[1:], len(order))[: len(opens)]
    for first, last in zip(opens.tolist(), closes.tolist(), strict=True):
        _, position[first:last], _ = propagator.at(int(sorted_satellite[first]), day[first:last], fraction[first:last])
    fixed, _ = earth_fixed(position, np.zeros_like(position), earth_angle_rad(sorted_us))
    out = np.empty_like(fixed)
    out[order] = fixed
    return out


def _grouped(search: FleetSearch, found: PassIntervals) -> GroupedIntervals:
    """Return found intervals by satellite in whole microseconds; `found` must be sorted by satellite and time."""
    start_us, end_us = search.time_us(found.start_s), search.time_us(found.end_s)
    return GroupedIntervals(found.satellite.astype(np.int64), start_us, np.maximum(end_us, start_us))


def _less(intervals: GroupedIntervals, lost: Intervals, span: Span) -> GroupedIntervals:
    """Return what lies in the span and outside `lost`."""
    row, start, end = restrict((intervals.start, intervals.end), complement(lost, span.start_us, span.end_us))
    return GroupedIntervals(intervals.group[row], start, end)


def _keys(satellite: Ints, time_us: Ints, origin_us: int) -> Ints:
    """Return one ascending number for (satellite, time) pairs sorted by both; a span is far below 2**43 us long."""
    return satellite * (1 << 43) + (time_us - origin_us)
