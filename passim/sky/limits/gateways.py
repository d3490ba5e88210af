"""Gateways: a satellite that hands traffic straight down must see the site and a gateway at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from passim.constants import EARTH_RADIUS_KM
from passim.elements.records import Fleet
from passim.errors import SiteError
from passim.intervals import GroupedIntervals, union_by_group
from passim.sky import ground
from passim.sky.horizon import Horizon
from passim.sky.horizon_function import HorizonFunction
from passim.sky.limits.base import Scene
from passim.sky.pass_intervals import SkyLimit
from passim.sky.site import Site

_TENS_KM: Final = ground.MEAN_EARTH_RADIUS_KM / 10.0


@dataclass(frozen=True)
class Gateway:
    """A gateway on the ground: a place as of `Site`, with the skyline above which its antennas work."""

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    horizon: Horizon = field(default_factory=lambda: Horizon.flat(25.0))

    def __post_init__(self) -> None:
        _ = self.site

    @property
    def site(self) -> Site:
        """The gateway as a place with a sky."""
        return Site(f"gateway {self.name}", self.latitude_deg, self.longitude_deg, self.height_m, "UTC", self.horizon)


@dataclass(frozen=True, slots=True)
class GatewayDistance:
    """How far a gateway stands from a site over the ground, and the most at which a satellite may be above both, km.

    ``counts`` says whether a satellite of the fleet can ever see both at once; the most is told in tens of km.
    """

    name: str
    apart_km: float
    most_km: float
    counts: bool


@dataclass(frozen=True)
class GatewayLimit:
    """A satellite must stand above the skyline of at least one of `gateways` while it serves the site.

    Raises SiteError for no gateway at all; leave the limit out where satellites relay among themselves.
    """

    gateways: tuple[Gateway, ...]
    name: str = "gateway"

    def __post_init__(self) -> None:
        if not self.gateways:
            raise SiteError("gateways", got="none", wanted="at least one", try_next="leaving the limit out")

    def sky_limits(self, site: Site) -> list[tuple[SkyLimit, Site]]:
        """Return what it asks the scene for: the skyline of each gateway, seen from there."""
        return [(HorizonFunction(gateway.horizon), gateway.site) for gateway in self.gateways]

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return when satellites see a gateway."""
        return union_by_group(*(scene.sky(*pair) for pair in self.sky_limits(scene.site)))

    def check(self, site: Site, floor_deg: float, fleet: Fleet) -> None:
        """Raise SiteError if no satellite of `fleet` can ever see `site` and any of the gateways at once."""
        distances = self.distances(site, floor_deg, fleet)
        if any(each.counts for each in distances):
            return
        nearest = min(distances, key=lambda each: each.apart_km)
        raise SiteError(
            f"gateway {nearest.name} and {site.name}",
            got=f"{nearest.apart_km:,.0f} km apart",
            wanted="a gateway that a satellite of this fleet can see together with the site, at most about "
            f"{nearest.most_km:,.0f} km away; none ever sees both",
            try_next="checking the signs of latitude and longitude",
        )

    def distances(self, site: Site, floor_deg: float, fleet: Fleet) -> tuple[GatewayDistance, ...]:
        """Return how far each gateway stands from `site`, where the terminal works from `floor_deg` up, in their order.

        The most at which one counts is in tens of km, with 0.3 deg of elevation at either end and 30 km of altitude to
        spare.
        """
        apogee_km = _highest_apogee_km(fleet)
        found = []
        for gateway in self.gateways:
            place = gateway.site
            cosine = place.position_km @ site.position_km
            cosine /= np.linalg.norm(place.position_km) * np.linalg.norm(site.position_km)
            apart = float(np.arccos(np.clip(cosine, -1.0, 1.0)))
            most = _reach_rad(apogee_km, floor_deg) + _reach_rad(apogee_km, gateway.horizon.lowest_deg)
            most_km = 10.0 * (most * _TENS_KM // 1.0)
            found.append(GatewayDistance(gateway.name, ground.distance_km(site, place), most_km, apart <= most))
        return tuple(found)


def _highest_apogee_km(fleet: Fleet) -> float:
    """Return the radius of the highest apogee of the fleet, km."""
    from passim.orbits.propagation import Propagator

    propagator = Propagator.of(fleet)
    return float(np.max(propagator.semi_major_axis_km * (1.0 + propagator.eccentricity))) + 30.0


def _reach_rad(radius_km: float, elevation_deg: float) -> float:
    """Return the ground angle, rad, at which a satellite stands `elevation_deg` high, with 0.3 deg to spare."""
    elevation = np.radians(elevation_deg - 0.3)
    return float(np.arccos(min(1.0, EARTH_RADIUS_KM / radius_km * np.cos(elevation))) - elevation)
