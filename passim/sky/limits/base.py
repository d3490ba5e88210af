"""What a limit of service is: its name, its words, and when it allows which satellite.

To add a limit, write one file beside this one with a frozen class that has the three members of `Limit`. A limit of the
site's sky (a direction allowed or not) asks the scene for `scene.sky(...)`, a limit of the fleet (a satellite counts or
not) for `scene.members(...)`; both give intervals by satellite. Everything later is interval algebra.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.intervals import GroupedIntervals, restrict_by_group
from passim.orbits.arcs import NodeGrid
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

    def sky(self, limit: SkyLimit, site: Site | None = None) -> GroupedIntervals:
        """Return when satellites of the base are on the allowed side of `limit` as seen from `site` (this one).

        The result lies inside the base.
        """
        satellite = np.searchsorted(self.grid_satellites, self.base.group)
        start_s = (self.base.start - self.grid.start_us) / 1e6
        end_s = (self.base.end - self.grid.start_us) / 1e6
        found, starts, ends = allowed_within(self.grid, site or self.site, limit, satellite, start_s, end_s)
        start_us = np.round(starts * 1e6).astype(np.int64) + self.grid.start_us
        end_us = np.round(ends * 1e6).astype(np.int64) + self.grid.start_us
        some = end_us > start_us
        grouped = GroupedIntervals(self.grid_satellites[found[some]].astype(np.int64), start_us[some], end_us[some])
        row, start_us, end_us = restrict_by_group(grouped, self.base)
        return GroupedIntervals(grouped.group[row], start_us, end_us)

    def members(self, counted: NDArray[np.bool_]) -> GroupedIntervals:
        """Return the base intervals of the satellites that count; `counted` has shape (satellites of the fleet,)."""
        chosen = counted[self.base.group]
        return GroupedIntervals(self.base.group[chosen], self.base.start[chosen], self.base.end[chosen])


class Limit(Protocol):
    """A limit of service."""

    @property
    def name(self) -> str:
        """One short word by which users lift it."""

    def describe(self) -> str:
        """Say in a few plain words what it is."""

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return when it allows which satellite, inside ``scene.base``."""
