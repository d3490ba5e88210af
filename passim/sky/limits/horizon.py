"""The horizon as a limit of service: roof lines, trees, hills."""

from __future__ import annotations

from dataclasses import dataclass

from passim.intervals import GroupedIntervals
from passim.sky.horizon import Horizon
from passim.sky.horizon_function import HorizonFunction
from passim.sky.limits.base import Scene
from passim.sky.pass_intervals import SkyLimit
from passim.sky.site import Site


@dataclass(frozen=True, slots=True)
class HorizonLimit:
    """A satellite must stand above the site's skyline."""

    horizon: Horizon
    name: str = "horizon"

    def sky_limits(self, site: Site) -> list[tuple[SkyLimit, Site]]:
        """Return what it asks the scene for."""
        return [(HorizonFunction(self.horizon), site)]

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return when satellites stand above the skyline."""
        return scene.sky(HorizonFunction(self.horizon))
