"""A horizon profile from what a person can find out on the spot: a few sightings, or obstacles with a tape measure.

    sightings    azimuth and elevation of points of the skyline, by compass and clinometer, in clockwise order
    stretches    from which azimuth to which something stands how high: a ridge, a wall, the side of a house
    obstacles    bearing, width, distance and height of what stands around, seen from a mount of some height

Bearings read off a compass are magnetic: true = magnetic + declination, declination positive to the east. The user
gives the declination; it is 0 for bearings that are true already, as from a map.

An obstacle is taken as an upright wall with a level top that faces the site: `distance_m` off at its middle and
`width_m` wide. From `mount_height_m` the middle of its top is seen atan((height - mount height) / distance) high and
its ends atan(width / 2 / distance) to either side. Along the top the distance grows with 1/cos of the angle from the
middle, so the tangent of the height falls with that cosine. A 10 m tree 20 m off is 21.80 deg high from a mount at 2 m.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import atan, atan2, cos, degrees, isfinite, radians
from typing import Final

import numpy as np

from passim.errors import SiteError
from passim.sky.envelope import SIDE_DEG, Ridge, all_round, upper_edge
from passim.sky.horizon import Horizon

# Straight pieces stand in for the curved top line of a wall; they miss it by no more than this.
TOP_LINE_ERROR_DEG: Final = 0.03
# Anything narrower counts as this wide to either side: 17 mm at 100 m.
_NARROWEST_HALF_WIDTH_DEG: Final = 0.01
# Past this step between two sightings the straight line between them is a guess that the user should know of.
_WIDE_STEP_DEG: Final = 45.0
_LARGEST_OBSTACLES: Final = 500
_NARROWEST_STRETCH_DEG: Final = 0.1


@dataclass(frozen=True, slots=True)
class Sighting:
    """One point of the skyline: azimuth from 0 to 360 deg and elevation, from -30 to below 90 deg. Raises SiteError."""

    azimuth_deg: float
    elevation_deg: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.azimuth_deg <= 360.0:
            raise SiteError("azimuth of a sighting", got=self.azimuth_deg, wanted="from 0 to 360 deg")
        if not -30.0 <= self.elevation_deg < 90.0:
            raise SiteError(
                f"elevation of the sighting at {self.azimuth_deg:g} deg",
                got=self.elevation_deg,
                wanted="from -30 to below 90 deg above the horizontal",
            )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the skyline, as high all along and upright at its ends: a ridge, a wall. Raises SiteError.

    from_deg, to_deg    its ends, clockwise, azimuths from 0 to 360 deg: from 350 to 20 it goes over north, and from 0
                        to 360 all round
    elevation_deg       how high it stands, from 0 to below 90 deg
    """

    from_deg: float
    to_deg: float
    elevation_deg: float

    def __post_init__(self) -> None:
        for end, azimuth_deg in (("start", self.from_deg), ("end", self.to_deg)):
            if not 0.0 <= azimuth_deg <= 360.0:
                raise SiteError(
                    f"{end} of a stretch", got=f"{azimuth_deg:g} deg", wanted="an azimuth from 0 to 360 deg"
                )
        label = f"the stretch from {self.from_deg:g} to {self.to_deg:g} deg"
        if not 0.0 <= self.elevation_deg < 90.0:
            raise SiteError(
                f"elevation of {label}",
                got=f"{self.elevation_deg:g} deg",
                wanted="from 0 to below 90 deg above the horizontal",
            )
        if self.width_deg < _NARROWEST_STRETCH_DEG:
            raise SiteError(
                label,
                got=f"{self.width_deg:g} deg wide",
                wanted=f"two azimuths, clockwise, at least {_NARROWEST_STRETCH_DEG:g} deg apart",
                try_next="from 0 to 360 for all round",
            )

    @property
    def width_deg(self) -> float:
        """How wide it is, degrees, up to 360."""
        return 360.0 if abs(self.to_deg - self.from_deg) == 360.0 else (self.to_deg - self.from_deg) % 360.0


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Something that stands in the way, as an upright wall that faces the site. Raises SiteError.

    bearing_deg     direction to its middle, from 0 to 360 deg, clockwise from north
    width_m         width across the line of sight
    distance_m      level distance from the mount to its middle, over 0
    height_m        height of its top above the ground that the mount's height is measured from
    """

    bearing_deg: float
    width_m: float
    distance_m: float
    height_m: float
    name: str = ""

    def __post_init__(self) -> None:
        label = self.name or f"the obstacle at {self.bearing_deg:g} deg"
        if not 0.0 <= self.bearing_deg <= 360.0:
            raise SiteError(
                f"bearing of {self.name or 'an obstacle'}", got=self.bearing_deg, wanted="from 0 to 360 deg"
            )
        for what, value_m, limit_m in (("width", self.width_m, 1e5), ("distance", self.distance_m, 1e5)):
            if not 0.0 < value_m <= limit_m:
                raise SiteError(
                    f"{what} of {label}", got=f"{value_m:g} m", wanted="over 0 and at most 100 km, in metres"
                )
        if not -1000.0 <= self.height_m <= 9000.0:
            raise SiteError(f"height of {label}", got=f"{self.height_m:g} m", wanted="from -1000 to 9000 m")

    @property
    def half_width_deg(self) -> float:
        """How far its ends lie to either side of its middle, degrees, below 90."""
        return degrees(atan2(self.width_m / 2.0, self.distance_m))

    def elevation_deg(self, mount_height_m: float) -> float:
        """Return how high the middle of its top stands from a mount of that height, degrees; negative if below."""
        return degrees(atan2(self.height_m - mount_height_m, self.distance_m))


@dataclass(frozen=True, slots=True)
class Survey:
    """A surveyed horizon, and what became of what was measured.

    points             how many points were sighted
    below_horizontal   how many of them lie below the horizontal, and count as 0 deg
    unsighted_deg      stretches, from one azimuth clockwise to another, in which no point was sighted
    base               the horizon below which nothing counts; None for the horizontal
    raised             how many points lie below it, and were raised to it
    overlooked         obstacles no higher than the mount, which were left out
    hidden             obstacles whose tops stand nowhere above the base
    lower              stretches that stand no higher than the base all along, and so change nothing
    mount_height_m     height of the mount among the obstacles, metres
    """

    horizon: Horizon
    points: int = 0
    below_horizontal: int = 0
    unsighted_deg: tuple[tuple[float, float], ...] = ()
    base: Horizon | None = None
    raised: int = 0
    overlooked: tuple[Obstacle, ...] = ()
    hidden: tuple[Obstacle, ...] = ()
    lower: tuple[Stretch, ...] = ()
    mount_height_m: float = 0.0


def from_sightings(
    sightings: Sequence[Sighting], *, declination_deg: float = 0.0, base: Horizon | None = None
) -> Survey:
    """Return the skyline through at least two sightings, joined by straight lines.

    sightings         in clockwise order; north may be passed once on the way round
    declination_deg   added to every azimuth, east positive: the compass's declination at the site
    base              an elevation below which the skyline is of no interest; default: the horizontal

    Points below the horizontal count as 0. Raises SiteError.
    """
    check_declination(declination_deg)
    if len(sightings) < 2:
        raise SiteError(
            "sightings",
            got=f"{len(sightings):,} point{'s' if len(sightings) != 1 else ''}",
            wanted="at least two points of azimuth and elevation",
            try_next="a plain mask in degrees for a horizon that is equally high all round",
        )
    points = list(sightings)
    if points[0].azimuth_deg == 0.0 and points[-1].azimuth_deg == 360.0:
        if points[0].elevation_deg != points[-1].elevation_deg:
            raise SiteError(
                "sightings at north",
                got=f"{points[0].elevation_deg:g} deg at 0 and {points[-1].elevation_deg:g} deg at 360",
                wanted="one elevation",
            )
        points.pop()
    # Clockwise and once round: the steps add up to less than a turn. A repeated azimuth is a whole turn away.
    turned_deg = 0.0
    for before, after in pairwise(points):
        turned_deg += _clockwise_deg(before.azimuth_deg, after.azimuth_deg)
        if turned_deg >= 360.0 - 1e-9:
            raise SiteError(
                "azimuths of the sightings",
                got=f"{after.azimuth_deg:g} after {before.azimuth_deg:g}",
                wanted="clockwise order, each azimuth once",
                try_next="sorting the rows by azimuth",
            )

    wide = tuple(
        (_turned(before.azimuth_deg, declination_deg), _turned(after.azimuth_deg, declination_deg))
        for before, after in pairwise([*points, points[0]])
        if _clockwise_deg(before.azimuth_deg, after.azimuth_deg) > _WIDE_STEP_DEG
    )
    by_azimuth = sorted(
        (_turned(point.azimuth_deg, declination_deg), max(point.elevation_deg, 0.0)) for point in points
    )
    horizon = Horizon.from_points(by_azimuth)
    low = 0 if base is None else sum(height < float(base.elevation_deg(azimuth)) for azimuth, height in by_azimuth)
    return Survey(
        horizon if base is None else highest(base, horizon),
        points=len(points),
        below_horizontal=sum(point.elevation_deg < 0.0 for point in points),
        unsighted_deg=wide,
        base=base,
        raised=low,
    )


def from_stretches(
    stretches: Iterable[Stretch], *, declination_deg: float = 0.0, base: Horizon | None = None
) -> Survey:
    """Return the skyline of stretches above a base, the highest where several stand one behind the other.

    declination_deg   added to every azimuth, east positive: the compass's declination at the site
    base              the skyline everywhere else; default: the horizontal

    The ends stand upright, leaning outward by `SIDE_DEG`. Without a stretch it is the base. Raises SiteError.
    """
    check_declination(declination_deg)
    stretches = tuple(stretches)
    whole = base or Horizon.flat(0.0)
    ridges = []
    for stretch in stretches:
        start_deg = _turned(stretch.from_deg, declination_deg)
        ridges.append(Ridge((start_deg, start_deg + stretch.width_deg), (stretch.elevation_deg,) * 2))
    lower = [
        stretch
        for stretch, ridge in zip(stretches, ridges, strict=True)
        if stretch.elevation_deg <= min(_part(whole, *ridge.azimuths_deg).elevations_deg)
    ]
    return Survey(upper_edge(whole, ridges) if ridges else whole, base=base, lower=tuple(lower))


def stretches_of(horizon: Horizon) -> tuple[Stretch, ...] | None:
    """Return the stretches that make a horizon above its lowest elevation; None for one that slopes anywhere."""
    if horizon.is_flat:
        return ()
    found: list[Stretch] = []
    azimuths, heights = horizon.azimuths_deg, horizon.elevations_deg
    count = len(azimuths)
    # From a place where something begins, so that no stretch is cut at north.
    first = next((k for k in range(count) if heights[k - 1] == horizon.lowest_deg < heights[k]), None)
    if first is None:
        return None
    start_deg = azimuths[first]
    for k in range(first, first + count):
        here, after = k % count, (k + 1) % count
        step_deg = _clockwise_deg(azimuths[here], azimuths[after])
        if heights[here] != heights[after] and step_deg > 2.0 * SIDE_DEG:
            return None
        if heights[here] != heights[after]:
            if heights[here] > horizon.lowest_deg:
                end_deg = azimuths[here] if heights[here] > heights[after] else azimuths[after]
                found.append(Stretch(start_deg, end_deg, heights[here]))
            # The higher of two neighbours is kept to its end.
            start_deg = azimuths[after] if heights[after] > heights[here] else azimuths[here]
    return tuple(found)


def from_obstacles(
    obstacles: Iterable[Obstacle],
    mount_height_m: float,
    *,
    declination_deg: float = 0.0,
    base: Horizon | None = None,
) -> Survey:
    """Return the skyline that obstacles make, seen from a mount `mount_height_m` above the same ground.

    declination_deg   added to every bearing, east positive: the compass's declination at the site
    base              the skyline behind and between the obstacles; default: the horizontal

    Straight pieces stand in for the tops, to within 0.05 deg. Obstacles no higher than the mount are left out, and
    told in the answer. Raises SiteError.
    """
    check_declination(declination_deg)
    check_mount_height(mount_height_m)
    obstacles = tuple(obstacles)
    if len(obstacles) > _LARGEST_OBSTACLES:
        raise SiteError("obstacles", got=len(obstacles), wanted=f"at most {_LARGEST_OBSTACLES}")
    seen = [obstacle for obstacle in obstacles if obstacle.height_m > mount_height_m]
    ridges = [_top_line(obstacle, mount_height_m, declination_deg) for obstacle in seen]
    hidden = [
        obstacle
        for obstacle, ridge in zip(seen, ridges, strict=True)
        if base is not None and bool((np.asarray(ridge.elevations_deg) <= base.elevation_deg(ridge.azimuths_deg)).all())
    ]
    return Survey(
        upper_edge(base or Horizon.flat(0.0), ridges),
        base=base,
        overlooked=tuple(obstacle for obstacle in obstacles if obstacle.height_m <= mount_height_m),
        hidden=tuple(hidden),
        mount_height_m=mount_height_m,
    )


def highest(first: Horizon, *others: Horizon) -> Horizon:
    """Return the skyline that is in every direction as high as the highest of several."""
    return upper_edge(first, [all_round(horizon) for horizon in others])


def lowered(horizon: Horizon, from_deg: float, to_deg: float, by_deg: float) -> Horizon:
    """Return `horizon` with the sector clockwise from `from_deg` to `to_deg` lowered by `by_deg`, to no less than 0.

    A negative `by_deg` raises it. From 290 to 20 the sector passes north; from 0 to 360 it is the whole circle. The
    ends of the sector keep the greater of the two elevations. Raises SiteError.
    """
    for azimuth_deg in (from_deg, to_deg):
        if not 0.0 <= azimuth_deg <= 360.0:
            raise SiteError("sector of the horizon", got=f"{azimuth_deg:g} deg", wanted="azimuths from 0 to 360 deg")
    if not -90.0 < by_deg < 90.0:
        raise SiteError("change of the horizon", got=f"{by_deg:g} deg", wanted="between -90 and 90 deg")
    width_deg = to_deg - from_deg if abs(to_deg - from_deg) == 360.0 else (to_deg - from_deg) % 360.0
    if width_deg <= 2.0 * SIDE_DEG:
        raise SiteError(
            "sector of the horizon",
            got=f"from {from_deg:g} to {to_deg:g} deg",
            wanted="two azimuths apart, clockwise",
            try_next="from 0 to 360 for the whole horizon",
        )
    sector = _part(horizon, from_deg, from_deg + width_deg)
    highest_deg = max(sector.elevations_deg)
    if highest_deg - by_deg >= 90.0:
        raise SiteError(
            "change of the horizon",
            got=f"{by_deg:g} deg, where it stands up to {highest_deg:g} deg high",
            wanted="a horizon that stays below 90 deg",
            try_next="raising it by less",
        )
    changed = Ridge(sector.azimuths_deg, tuple(elevation - by_deg for elevation in sector.elevations_deg))
    retained = [] if width_deg == 360.0 else [_part(horizon, from_deg + width_deg, from_deg + 360.0)]
    return upper_edge(Horizon.flat(0.0), [changed, *retained])


def check_declination(declination_deg: float) -> None:
    """Refuse a declination that is no angle. Raises SiteError."""
    if not (isfinite(declination_deg) and -180.0 <= declination_deg <= 180.0):
        raise SiteError(
            "magnetic declination",
            got=declination_deg,
            wanted="from -180 to 180 deg, positive where east of true north",
        )


def check_mount_height(mount_height_m: float) -> None:
    """Refuse a mount height that no mast has. Raises SiteError."""
    if not 0.0 <= mount_height_m <= 1000.0:
        raise SiteError("mount height", got=f"{mount_height_m:g} m", wanted="from 0 to 1000 m above the ground")


def _turned(azimuth_deg: float, declination_deg: float) -> float:
    """Return the true azimuth of a magnetic one, in [0, 360)."""
    # Sums of decimal degrees keep their decimals, so that 12.3 + 4.5 is written as 16.8.
    return round((azimuth_deg + declination_deg) % 360.0, 9) % 360.0


def _clockwise_deg(before_deg: float, after_deg: float) -> float:
    """Return the clockwise way from one azimuth to another, in (0, 360]: the same azimuth is a whole turn away."""
    return (after_deg - before_deg) % 360.0 or 360.0


def _part(horizon: Horizon, start_deg: float, end_deg: float) -> Ridge:
    """Return the curve of a horizon from `start_deg` to `end_deg`, at most a turn later."""
    azimuths = [azimuth + turn for turn in (0.0, 360.0) for azimuth in horizon.azimuths_deg]
    places = [start_deg, *(azimuth for azimuth in azimuths if start_deg < azimuth < end_deg), end_deg]
    return Ridge(tuple(places), tuple(horizon.elevation_deg(places).tolist()))


def _top_line(obstacle: Obstacle, mount_height_m: float, declination_deg: float) -> Ridge:
    """Return the top of an obstacle as it is seen, in straight pieces."""
    middle_deg = _turned(obstacle.bearing_deg, declination_deg)
    half_deg = max(obstacle.half_width_deg, _NARROWEST_HALF_WIDTH_DEG)
    steepness = (obstacle.height_m - mount_height_m) / obstacle.distance_m

    def seen_deg(offset_deg: float) -> float:
        return degrees(atan(steepness * cos(radians(offset_deg))))

    def inner_offsets(left_deg: float, right_deg: float) -> list[float]:
        # Halved until the straight line between the ends is near enough at three places between them.
        left, right = seen_deg(left_deg), seen_deg(right_deg)
        width_deg = right_deg - left_deg
        missed = max(abs(left + part * (right - left) - seen_deg(left_deg + part * width_deg)) for part in _INSIDE)
        if missed <= TOP_LINE_ERROR_DEG or width_deg < 1e-3:
            return []
        middle = 0.5 * (left_deg + right_deg)
        return [*inner_offsets(left_deg, middle), middle, *inner_offsets(middle, right_deg)]

    # Both halves mirror each other, and each bends at most twice: four pieces a half cannot hide a bend.
    ends = [half_deg * quarter / 4.0 for quarter in range(5)]
    right_half = []
    for left_deg, right_deg in pairwise(ends):
        right_half += [*inner_offsets(left_deg, right_deg), right_deg]
    offsets = [*(-offset for offset in reversed(right_half)), 0.0, *right_half]
    return Ridge(tuple(middle_deg + offset for offset in offsets), tuple(seen_deg(offset) for offset in offsets))


_INSIDE: Final = (0.25, 0.5, 0.75)
