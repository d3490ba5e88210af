"""What a limit of service is: its name, and when it allows which satellite.

To add a limit, write one file beside this one with a frozen class that has the two members of `Limit`. A limit of the
site's sky (a direction allowed or not) asks the scene for `scene.sky(...)`; a limit of the fleet (a satellite counts or
not) is a `FleetLimit`; one that allows a satellite at times, wherever it stands, cuts the base to them. All give
intervals by satellite; everything later is interval algebra. A limit that a few numbers of the terminal state has a
`TerminalLimit` below its class: the workspace file and the command line know it by that.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.intervals import GroupedIntervals, restrict_by_group
from passim.orbits.arcs import NodeGrid
from passim.sky.caps import allowed_in_caps
from passim.sky.local_arcs import CapLimit
from passim.sky.pass_intervals import SkyLimit, allowed_within
from passim.sky.site import Site
from passim.spans import Span

Index = NDArray[np.intp]


@dataclass(frozen=True)
class Scene:
    """One part of the work: a site, the satellites above its floor, and the arcs they follow.

    ``span`` is the one asked about: who serves at all is judged for it. The arcs may lie before it.

    ``base`` holds when satellites stand above the floor, sorted by satellite, the index in ``fleet``; times are
    microseconds since 1970 UTC. ``grid_satellites`` maps the grid's own satellite numbers to these, in ascending order.
    """

    site: Site
    fleet: Fleet
    span: Span
    base: GroupedIntervals
    grid: NodeGrid
    grid_satellites: Index
    _found: dict[tuple[SkyLimit, Site], GroupedIntervals] = field(default_factory=dict, repr=False)

    def look_for(self, limits: Iterable[Limit]) -> None:
        """Look for all caps of the sky among `limits` at once, before they are asked one by one."""
        wanted = dict.fromkeys(
            pair for limit in limits if isinstance(limit, LimitOfSky) for pair in limit.sky_limits(self.site)
        )
        caps = {
            (limit, site): cap
            for limit, site in wanted
            if isinstance(limit, CapLimit) and (cap := limit.cap()) is not None
        }
        if len(caps) < 2:
            return
        seen_from = [(site, cap) for (_, site), cap in caps.items()]
        number, satellite, start_s, end_s = allowed_in_caps(self.grid, seen_from, *self.base_in_grid())
        row, found = self._pieces_inside(satellite, start_s, end_s)
        edges = np.searchsorted(number[row], np.arange(len(caps) + 1))
        for place, key in enumerate(caps):
            self._found[key] = GroupedIntervals(*(column[edges[place] : edges[place + 1]] for column in found))

    def sky(self, limit: SkyLimit, site: Site | None = None) -> GroupedIntervals:
        """Return when satellites of the base are on the allowed side of `limit` as seen from `site` (this one).

        The result lies inside the base.
        """
        key = limit, site or self.site
        if key not in self._found:
            self._found[key] = self.inside_base(*allowed_within(self.grid, key[1], limit, *self.base_in_grid()))
        return self._found[key]

    def base_in_grid(self) -> tuple[Index, NDArray[np.float64], NDArray[np.float64]]:
        """Return the base as the grid numbers satellites and counts time: satellites, start_s and end_s, (n,) each."""
        satellite = np.searchsorted(self.grid_satellites, self.base.group)
        return satellite, (self.base.start - self.grid.start_us) / 1e6, (self.base.end - self.grid.start_us) / 1e6

    def inside_base(
        self, satellite: Index, start_s: NDArray[np.float64], end_s: NDArray[np.float64]
    ) -> GroupedIntervals:
        """Return what was found, as the grid numbers satellites and counts time, (n,) each, cut to the base."""
        return self._pieces_inside(satellite, start_s, end_s)[1]

    def _pieces_inside(
        self, satellite: Index, start_s: NDArray[np.float64], end_s: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], GroupedIntervals]:
        """Return what `inside_base` does, and before it which row each piece was cut from."""
        start_us = np.round(start_s * 1e6).astype(np.int64) + self.grid.start_us
        end_us = np.round(end_s * 1e6).astype(np.int64) + self.grid.start_us
        some = np.flatnonzero(end_us > start_us)
        grouped = GroupedIntervals(self.grid_satellites[satellite[some]].astype(np.int64), start_us[some], end_us[some])
        row, start_us, end_us = restrict_by_group(grouped, self.base)
        return some[row], GroupedIntervals(grouped.group[row], start_us, end_us)

    def members(self, counted: NDArray[np.bool_]) -> GroupedIntervals:
        """Return the base intervals of the satellites that count; `counted` has shape (satellites of the fleet,)."""
        chosen = counted[self.base.group]
        return GroupedIntervals(self.base.group[chosen], self.base.start[chosen], self.base.end[chosen])


class Limit(Protocol):
    """A limit of service."""

    @property
    def name(self) -> str:
        """One short word by which users lift it."""

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return when it allows which satellite, inside ``scene.base``."""


class FleetLimit(ABC):
    """A limit of the fleet: which satellites serve at all, at every place and throughout the span alike."""

    name: str

    @abstractmethod
    def serving(self, fleet: Fleet, span: Span) -> NDArray[np.bool_]:
        """Say of each satellite whether it serves, shape (satellites,). Raises ElementsError."""

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return the intervals of the satellites that serve."""
        return scene.members(self.serving(scene.fleet, scene.span))


@dataclass(frozen=True)
class TerminalLimit:
    """A kind of limit that a few numbers of the terminal state, and how they are written.

    made        its class, whose fields before ``name`` are the numbers, as the option of its name takes them in turn
    key         what the workspace file calls it under [terminal]: one number, or a section with all of them
    example     numbers for the line of a new workspace file, ``remark`` what the file says above them
    usual       those that need not be given in the file
    """

    made: type[Any]
    key: str
    example: tuple[float, ...]
    remark: str
    usual: Mapping[str, float] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The name of the limit."""
        return next(str(one.default) for one in fields(self.made) if one.name == "name")

    @property
    def numbers(self) -> tuple[str, ...]:
        """The names of its numbers."""
        names = [one.name for one in fields(self.made)]
        return tuple(names[: names.index("name")])

    def of(self, numbers: Iterable[float]) -> Limit:
        """Return the limit of these numbers, in their order. Raises InputError."""
        limit: Limit = self.made(*numbers)
        return limit


@runtime_checkable
class LimitOfSky(Protocol):
    """A limit that asks the scene about skies, and can say beforehand about which."""

    def sky_limits(self, site: Site) -> Iterable[tuple[SkyLimit, Site]]:
        """Return what it will ask for at a site: limits of the sky, and the places that they are seen from."""
