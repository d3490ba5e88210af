"""Settings of a terminal and its service that could be behind a train of freezes, and the grid of those to try.

A setting is a handful of limits on top of what a view already has: a mask, an antenna cone, one gateway, a keep-out
around the geostationary arc, a fixed clock by which satellites are handed out, and the time it takes to acquire one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import compress, product
from math import asin, atan2, cos, degrees, radians, sin

from passim.errors import InputError
from passim.sky.ground import MEAN_EARTH_RADIUS_KM
from passim.sky.horizon import Horizon
from passim.sky.limits import ArcKeepOut, Cone, Gateway, GatewayLimit, HorizonLimit, Limit
from passim.sky.service import Service
from passim.sky.site import Site


@dataclass(frozen=True, slots=True)
class GatewayPlace:
    """A gateway as seen from the site: how far, in which direction, and the flat mask above which it works."""

    distance_km: float
    bearing_deg: float
    mask_deg: float = 25.0

    def coordinates_deg(self, site: Site) -> tuple[float, float]:
        """Return latitude and longitude: 600 km due south of 45 N is 39.604 N (great circle on the mean sphere).

        At 1600 km that is within 5 km of the ellipsoid, far inside a step of the grid.
        """
        latitude, bearing = radians(site.latitude_deg), radians(self.bearing_deg)
        angle = self.distance_km / MEAN_EARTH_RADIUS_KM
        there = asin(sin(latitude) * cos(angle) + cos(latitude) * sin(angle) * cos(bearing))
        east = atan2(sin(bearing) * sin(angle) * cos(latitude), cos(angle) - sin(latitude) * sin(there))
        return degrees(there), (site.longitude_deg + degrees(east) + 180.0) % 360.0 - 180.0

    def gateway(self, site: Site) -> Gateway:
        """Return the gateway itself."""
        latitude_deg, longitude_deg = self.coordinates_deg(site)
        return Gateway("assumed", latitude_deg, longitude_deg, 0.0, Horizon.flat(self.mask_deg))


@dataclass(frozen=True, slots=True)
class Setting:
    """Limits on top of what the view already has; None or 0 for one that is not there.

    Degrees and seconds. ``slot_s`` is the period of the clock by which satellites are handed out, ``slot_offset_s`` its
    offset from whole periods since 1970 UTC.
    """

    mask_deg: float | None = None
    cone: Cone | None = None
    gateway: GatewayPlace | None = None
    arc_deg: float | None = None
    slot_s: float | None = None
    slot_offset_s: float = 0.0
    acquisition_s: float = 0.0

    @property
    def kinds(self) -> tuple[str, ...]:
        """Which limits it has, in the order in which people are told of them."""
        there = (
            self.mask_deg is not None,
            self.cone is not None,
            self.gateway is not None,
            self.arc_deg is not None,
            self.slot_s is not None,
            self.acquisition_s > 0.0,
        )
        return tuple(compress(("mask", "cone", "gateway", "arc", "slot", "acquisition"), there))

    @property
    def parameters(self) -> int:
        """How many numbers were free to be chosen: 1 a mask, 3 a cone, 2 a gateway (its own mask is held) and so on."""
        return sum({"cone": 3, "gateway": 2, "slot": 2}.get(kind, 1) for kind in self.kinds)

    def numbers(self, site: Site) -> dict[str, float | None]:
        """Return every number of it, degrees, kilometres and seconds; None for what is not there.

        The keys are columns of a table: mask_deg, cone_azimuth_deg, cone_tilt_deg, cone_half_angle_deg,
        gateway_latitude_deg, gateway_longitude_deg, gateway_mask_deg, gateway_distance_km, gateway_bearing_deg,
        arc_keep_out_deg, clock_period_s, clock_offset_s and acquisition_s.
        """
        place, cone = self.gateway, self.cone
        latitude_deg, longitude_deg = place.coordinates_deg(site) if place else (None, None)
        return {
            "mask_deg": self.mask_deg,
            "cone_azimuth_deg": cone.azimuth_deg if cone else None,
            "cone_tilt_deg": cone.tilt_deg if cone else None,
            "cone_half_angle_deg": cone.half_angle_deg if cone else None,
            "gateway_latitude_deg": latitude_deg,
            "gateway_longitude_deg": longitude_deg,
            "gateway_mask_deg": place.mask_deg if place else None,
            "gateway_distance_km": place.distance_km if place else None,
            "gateway_bearing_deg": place.bearing_deg if place else None,
            "arc_keep_out_deg": self.arc_deg,
            "clock_period_s": self.slot_s,
            "clock_offset_s": self.slot_offset_s if self.slot_s else None,
            "acquisition_s": self.acquisition_s or None,
        }

    @property
    def sky(self) -> Setting:
        """The setting without its clock and acquisition: what bounds the sky alone."""
        return replace(self, slot_s=None, slot_offset_s=0.0, acquisition_s=0.0)

    @property
    def is_timed(self) -> bool:
        """Whether it has a clock or takes time to acquire."""
        return self.slot_s is not None or self.acquisition_s > 0.0

    def parts(self) -> Iterator[Setting]:
        """Yield the limits of the sky one by one, each as a setting of its own."""
        if self.mask_deg is not None:
            yield Setting(mask_deg=self.mask_deg)
        if self.cone is not None:
            yield Setting(cone=self.cone)
        if self.gateway is not None:
            yield Setting(gateway=self.gateway)
        if self.arc_deg is not None:
            yield Setting(arc_deg=self.arc_deg)

    def limit(self, site: Site) -> Limit:
        """Return the one limit of the sky of a setting that has just one. Raises ValueError for any other."""
        if len(self.sky.kinds) != 1:
            raise ValueError(f"a setting with one limit of the sky: got {self.kinds}")
        if self.mask_deg is not None:
            return HorizonLimit(Horizon.flat(self.mask_deg), "mask")
        if self.cone is not None:
            return self.cone
        if self.gateway is not None:
            return GatewayLimit((self.gateway.gateway(site),))
        return ArcKeepOut(float(self.arc_deg or 0.0))

    def limits(self, site: Site) -> tuple[Limit, ...]:
        """Return its limits of the sky at `site`."""
        return tuple(part.limit(site) for part in self.parts())

    def service(self, usual: Service) -> Service:
        """Return how satellites are given under it; what it does not say is as usual, the policy always."""
        clock = (usual.clock_period_s, usual.clock_offset_s)
        if self.slot_s is not None:
            clock = (self.slot_s, self.slot_offset_s)
        return Service(usual.policy, *clock, self.acquisition_s or usual.acquisition_s)


@dataclass(frozen=True, slots=True)
class Grid:
    """What the search tries: the values of each limit. Empty tuples leave a limit out.

    The default holds what common practice has (no source): gateways 200 to 1600 km away, beyond which no satellite at
    550 km and 25 deg sees both ends; flat antennas that steer 40 to 60 deg; slots of 15 s.
    """

    masks_deg: tuple[float, ...] = (30.0, 35.0, 40.0, 45.0, 50.0)
    gateway_distances_km: tuple[float, ...] = tuple(100.0 * k for k in range(2, 17))
    gateway_bearings_deg: tuple[float, ...] = tuple(22.5 * k for k in range(16))
    gateway_mask_deg: float = 25.0
    cone_half_angles_deg: tuple[float, ...] = (40.0, 45.0, 50.0, 55.0, 60.0)
    cone_tilts_deg: tuple[float, ...] = (10.0, 20.0, 30.0)
    cone_azimuths_deg: tuple[float, ...] = tuple(45.0 * k for k in range(8))
    arcs_deg: tuple[float, ...] = (5.0, 10.0, 15.0, 20.0)
    slots_s: tuple[float, ...] = (15.0,)
    slot_offsets_s: tuple[float, ...] = (0.0, 3.0, 6.0, 9.0, 12.0)
    acquisitions_s: tuple[float, ...] = (2.0, 5.0, 10.0)

    def __post_init__(self) -> None:
        if not any((self.masks_deg, self.gateways, self.cones, self.arcs_deg, self.slots_s, self.acquisitions_s)):
            raise InputError("grid of settings", got="nothing to try", wanted="values of one limit or more")

    @property
    def gateways(self) -> list[Setting]:
        """One setting a place of the gateway."""
        places = product(self.gateway_distances_km, self.gateway_bearings_deg)
        return [Setting(gateway=GatewayPlace(distance, bearing, self.gateway_mask_deg)) for distance, bearing in places]

    @property
    def cones(self) -> list[Setting]:
        """One setting a tilted cone; one that points up is a mask and is tried as such."""
        turns = product(self.cone_azimuths_deg, self.cone_tilts_deg, self.cone_half_angles_deg)
        return [Setting(cone=Cone(*turn)) for turn in turns]

    @property
    def timings(self) -> list[Setting]:
        """One setting a clock or acquisition time, and both together."""
        slots = [
            Setting(slot_s=slot, slot_offset_s=offset)
            for slot, offset in product(self.slots_s, self.slot_offsets_s)
            if offset < slot
        ]
        waits = [Setting(acquisition_s=wait) for wait in self.acquisitions_s]
        return [*slots, *waits, *(joined(slot, wait) for slot, wait in product(slots, waits))]

    def singles(self, taken: Iterable[str]) -> list[Setting]:
        """Return the settings with one limit, but for the kinds in `taken`."""
        every = [
            *(Setting(mask_deg=mask) for mask in self.masks_deg),
            *self.gateways,
            *self.cones,
            *(Setting(arc_deg=arc) for arc in self.arcs_deg),
        ]
        taken_kinds = set(taken)
        return [setting for setting in every if not taken_kinds.intersection(setting.kinds)]

    def neighbours(self, setting: Setting, finer: int) -> Iterator[Setting]:
        """Yield the settings that differ from `setting` in one number by a step over 2**`finer`, or lack a limit."""
        if len(setting.kinds) > 1:
            if setting.mask_deg is not None:
                yield replace(setting, mask_deg=None)
            if setting.cone is not None:
                yield replace(setting, cone=None)
            if setting.gateway is not None:
                yield replace(setting, gateway=None)
            if setting.arc_deg is not None:
                yield replace(setting, arc_deg=None)
        scale = 0.5**finer
        for sign in (-scale, scale):
            if setting.mask_deg is not None and 0.0 < setting.mask_deg + 5.0 * sign < 80.0:
                yield replace(setting, mask_deg=setting.mask_deg + 5.0 * sign)
            if setting.arc_deg is not None and 0.0 < setting.arc_deg + 5.0 * sign <= 60.0:
                yield replace(setting, arc_deg=setting.arc_deg + 5.0 * sign)
            if (place := setting.gateway) is not None:
                if place.distance_km + 100.0 * sign > 20.0:
                    yield replace(setting, gateway=replace(place, distance_km=place.distance_km + 100.0 * sign))
                yield replace(setting, gateway=replace(place, bearing_deg=(place.bearing_deg + 22.5 * sign) % 360.0))
            if (cone := setting.cone) is not None:
                yield replace(setting, cone=replace(cone, azimuth_deg=(cone.azimuth_deg + 45.0 * sign) % 360.0))
                if 10.0 <= cone.half_angle_deg + 5.0 * sign <= 90.0:
                    yield replace(setting, cone=replace(cone, half_angle_deg=cone.half_angle_deg + 5.0 * sign))
                if 0.0 < cone.tilt_deg + 10.0 * sign <= 90.0:
                    yield replace(setting, cone=replace(cone, tilt_deg=cone.tilt_deg + 10.0 * sign))


def joined(a: Setting, b: Setting) -> Setting:
    """Return the setting with the limits of both; where both have one, that of `b`."""
    return Setting(
        mask_deg=a.mask_deg if b.mask_deg is None else b.mask_deg,
        cone=b.cone or a.cone,
        gateway=b.gateway or a.gateway,
        arc_deg=a.arc_deg if b.arc_deg is None else b.arc_deg,
        slot_s=a.slot_s if b.slot_s is None else b.slot_s,
        slot_offset_s=a.slot_offset_s if b.slot_s is None else b.slot_offset_s,
        acquisition_s=b.acquisition_s or a.acquisition_s,
    )
