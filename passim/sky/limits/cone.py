"""The antenna's cone: how far from its boresight a flat antenna can steer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.errors import SiteError
from passim.intervals import GroupedIntervals
from passim.search import Stretches, positive_stretches
from passim.sky.limits.base import Scene, TerminalLimit
from passim.sky.local_arcs import Cap, LocalArcs, unit_vector
from passim.sky.pass_intervals import SkyLimit
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Cone:
    """A satellite must stand within `half_angle_deg` of a boresight tilted by `tilt_deg` towards `azimuth_deg`.

    Degrees; azimuth from true north through east. A cone of half-angle 50 deg that points straight up is a mask of 40
    deg exactly. Raises SiteError.
    """

    azimuth_deg: float
    tilt_deg: float
    half_angle_deg: float
    name: str = "cone"

    def __post_init__(self) -> None:
        if not 0.0 < self.half_angle_deg <= 90.0:
            raise SiteError(
                "half-angle of the antenna cone",
                got=self.half_angle_deg,
                wanted="more than 0, up to 90 deg from the boresight",
                try_next="half of the antenna's field of view",
            )
        if not 0.0 <= self.tilt_deg <= 90.0:
            raise SiteError("tilt of the antenna", got=self.tilt_deg, wanted="from 0 (flat, looking up) to 90 deg")
        if not 0.0 <= self.azimuth_deg <= 360.0:
            raise SiteError("azimuth of the antenna's tilt", got=self.azimuth_deg, wanted="from 0 to 360 deg")

    @property
    def floor_deg(self) -> float:
        """The lowest elevation inside the cone, degrees, not below the horizontal."""
        return max(0.0, 90.0 - self.tilt_deg - self.half_angle_deg)

    @property
    def boresight(self) -> Floats:
        """The direction of the boresight as east, north, up, shape (3,)."""
        if self.tilt_deg == 0.0:
            return np.array([0.0, 0.0, 1.0])
        return unit_vector(self.azimuth_deg, 90.0 - self.tilt_deg)

    @property
    def _cosine(self) -> float:
        return float(np.cos(np.radians(self.half_angle_deg)))

    def cap(self) -> Cap:
        """Return the cone as a cap of the sky."""
        return Cap(self.boresight, self._cosine)

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        """Return where the arcs are inside the cone: the same curve as a mask's, about the boresight."""
        return positive_stretches(arcs.above_cap(self.boresight, self._cosine), segment, left, right, margin=margin_km)

    def height_km(self, position_km: Floats) -> Floats:
        """Return how far positions (east, north, up), shape (3, n), are inside the cone, km at the satellite."""
        return np.asarray(self.boresight @ position_km - self._cosine * np.linalg.norm(position_km, axis=0))

    def sky_limits(self, site: Site) -> list[tuple[SkyLimit, Site]]:
        """Return what it asks the scene for."""
        return [(self, site)]

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return when satellites are inside the cone."""
        return scene.sky(self)


TERMINAL_LIMIT: Final = TerminalLimit(
    Cone,
    key="cone",
    example=(0.0, 20.0, 50.0),
    remark="A flat antenna steers within a cone: tilt from straight up towards an azimuth, and half its field of view.",
    usual={"azimuth_deg": 0.0, "tilt_deg": 0.0},
)
