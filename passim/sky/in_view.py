"""When satellites can serve many views, and nothing else: no peaks, no azimuths, no limit apart from the others.

This is the way for grids of hundreds of places. One propagation of the fleet serves all of them, what is found is
handed over slice by slice, and memory stays the same however long the span is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.errors import EmptyFleetError
from passim.intervals import GroupedIntervals
from passim.sky.fleet_search import FlatSky, FleetSearch, Part, Progress
from passim.sky.horizon import Horizon
from passim.sky.horizon_function import HorizonFunction
from passim.sky.limits.base import Scene
from passim.sky.limits.gateways import GatewayLimit
from passim.sky.view import View
from passim.spans import Span

_SLICE = timedelta(days=1)


@dataclass(frozen=True, eq=False)
class Slice:
    """What one stretch of the span holds.

    found       for each view, in the order given, when satellites can serve it; satellites are indices in the fleet
    unusable    (satellite_id, name, reason) of satellites that gave no usable state somewhere in the slice
    empty       why nothing can be said, where no satellite gave a usable state in the slice
    """

    span: Span
    found: tuple[GroupedIntervals, ...]
    unusable: tuple[tuple[str, str, str], ...]
    empty: EmptyFleetError | None


def slices_in_view(
    fleet: Fleet, views: Sequence[View], span: Span, *, progress: Progress | None = None
) -> Iterator[Slice]:
    """Yield, slice by slice of at most a day, when satellites of `fleet` can serve each of `views` under its limits.

    What holds over the edge of two slices ends in the one and begins in the other. Of each object the element set
    nearest the middle of the whole span is used. `progress` is called with the share done after every view of a slice.
    The joint intervals are those of `Visibility.joint`. Raises EmptyFleetError for an empty fleet, SiteError for a
    gateway that no satellite ever sees together with the site.
    """
    chosen, _ = fleet.nearest(span.middle)
    start = span.start
    while start < span.end:
        end = min(start + _SLICE, span.end)
        before, length = (start - span.start) / (span.end - span.start), (end - start) / (span.end - span.start)

        def tell(part: float, before: float = before, length: float = length) -> None:
            if progress:
                progress(before + length * part)

        yield _slice(chosen, views, Span(start, end), tell)
        start = end


def counted_fleet(fleet: Fleet, view: View, span: Span) -> Fleet:
    """Return the satellites that the view's limits of the fleet let count, one set an object.

    Who serves, which share of them and who is left out by number is the same at every place, so it is asked once; with
    `without_fleet_limits` it need not be asked again. Raises ElementsError for a satellite left out that is not there.
    """
    chosen, _ = fleet.nearest(span.middle)
    if not len(chosen) or not view.fleet_limits:
        return chosen
    return chosen.select(np.flatnonzero(serving_satellites(chosen, view, span)).tolist())


def serving_satellites(fleet: Fleet, view: View, span: Span) -> NDArray[np.bool_]:
    """Say of each satellite of `fleet`, one set an object, whether the view's limits of the fleet let it serve.

    Shape (satellites,), in the order of `fleet`. Raises ElementsError for a satellite to leave out that the fleet does
    not hold.
    """
    serving = np.ones(len(fleet), dtype=bool)
    for limit in view.fleet_limits:
        serving &= limit.serving(fleet, span)
    return serving


def without_fleet_limits(view: View) -> View:
    """Return the view without its limits of the fleet."""
    return replace(view, limits=view.varying_limits)


def check_gateways(views: Sequence[View], fleet: Fleet) -> None:
    """Raise SiteError for a gateway of a view that no satellite of `fleet` ever sees together with the site."""
    for view in views:
        for limit in view.limits:
            if isinstance(limit, GatewayLimit):
                limit.check(view.site, view.floor_deg, fleet)


def _slice(fleet: Fleet, views: Sequence[View], span: Span, progress: Progress) -> Slice:
    """Search one slice, part by part."""
    search = FleetSearch(fleet, span)
    check_gateways(views, search.fleet)

    def look(part: Part, view: View) -> GroupedIntervals:
        horizon = view.site.horizon
        limits = [limit for limit in view.all_limits if limit.name != "horizon"]
        # The horizon is the first search of all, unless the terminal does not look as low as that.
        if horizon.lowest_deg < view.floor_deg:
            horizon, limits = Horizon.flat(view.floor_deg), list(view.all_limits)
        joint = part.edges(view.site, HorizonFunction(horizon))
        for limit in limits:
            # Each limit is sought only where those before it allow the satellite.
            joint = limit.allowed(Scene(view.site, search.fleet, span, joint, part.grid, part.members))
        return joint

    def sky(view: View) -> FlatSky | None:
        horizon = view.site.horizon
        if horizon.lowest_deg < view.floor_deg:
            return FlatSky(view.site, view.floor_deg)
        return FlatSky(view.site, horizon.lowest_deg) if horizon.is_flat else None

    finds = search.each(views, look, progress, sky=sky, edges_alone=True)
    found = tuple(_together(parts) for parts in finds)
    return Slice(span, found, search.unusable, search.empty)


def _together(parts: list[GroupedIntervals]) -> GroupedIntervals:
    """Put the finds of several parts behind each other."""
    return GroupedIntervals(*(np.concatenate(column) for column in zip(*parts, strict=True)))
