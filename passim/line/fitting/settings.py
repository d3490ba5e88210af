"""The settings that a record can teach: those of the symptom's search, and a sector of the sky that is blocked.

A setting holds everything that shapes a forecast: the lowest elevation, a gateway, a cone, a keep-out, a clock, an
acquisition time (`passim.answers.symptom.settings.Setting`), and at most one sector in which the skyline stands higher.
`moved` is the way from one to its neighbours by steps of its numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import degrees
from typing import Final

from passim.answers.symptom.settings import GatewayPlace, Setting
from passim.errors import SiteError
from passim.sky.horizon import Horizon
from passim.sky.limits import Cone, HorizonLimit, Limit
from passim.sky.site import Site

# An upright side of a wall as a profile: the next point of the skyline stands this much farther on, degrees.
_UPRIGHT_DEG: Final = 0.01
_NEAREST_GATEWAY_KM: Final = 20.0
_FARTHEST_GATEWAY_KM: Final = 2000.0
_NARROWEST_SECTOR_DEG: Final = 5.0
_WIDEST_SECTOR_DEG: Final = 300.0


@dataclass(frozen=True, slots=True)
class Sector:
    """Directions from one azimuth clockwise to another in which nothing below an elevation serves. Degrees.

    Raises SiteError for a sector wider than 300 deg: that is a mask, open to one side.
    """

    from_deg: float
    to_deg: float
    top_deg: float

    def __post_init__(self) -> None:
        if not 0.0 < self.width_deg <= _WIDEST_SECTOR_DEG:
            raise SiteError("width of a blocked sector", got=self.width_deg, wanted="more than 0, up to 300 deg")

    @property
    def width_deg(self) -> float:
        """How wide it is."""
        return (self.to_deg - self.from_deg) % 360.0

    @property
    def middle_deg(self) -> float:
        """The azimuth of its middle."""
        return (self.from_deg + self.width_deg / 2.0) % 360.0

    def horizon(self, mask_deg: float) -> Horizon:
        """Return the skyline of a mask with this sector standing above it."""
        top, low = max(self.top_deg, mask_deg), mask_deg
        points = {
            (self.from_deg - _UPRIGHT_DEG) % 360.0: low,
            self.from_deg % 360.0: top,
            self.to_deg % 360.0: top,
            (self.to_deg + _UPRIGHT_DEG) % 360.0: low,
        }
        order = sorted(points)
        return Horizon(tuple(order), tuple(points[azimuth] for azimuth in order))


@dataclass(frozen=True, slots=True)
class LineSetting:
    """One setting of the sky and of the service, with a blocked sector or without."""

    sky: Setting = field(default_factory=Setting)
    sector: Sector | None = None

    @property
    def kinds(self) -> tuple[str, ...]:
        """Which limits it has."""
        return (*self.sky.kinds, *(("sector",) if self.sector else ()))

    @property
    def parameters(self) -> int:
        """How many numbers are free in it."""
        return self.sky.parameters + (3 if self.sector else 0)

    def without(self, kind: str) -> LineSetting:
        """Return it less one limit."""
        if kind == "sector":
            return replace(self, sector=None)
        less: dict[str, Callable[[], Setting]] = {
            "mask": lambda: replace(self.sky, mask_deg=None),
            "cone": lambda: replace(self.sky, cone=None),
            "gateway": lambda: replace(self.sky, gateway=None),
            "arc": lambda: replace(self.sky, arc_deg=None),
            "slot": lambda: replace(self.sky, slot_s=None, slot_offset_s=0.0),
            "acquisition": lambda: replace(self.sky, acquisition_s=0.0),
        }
        return replace(self, sky=less[kind]())

    def limits(self, site: Site) -> tuple[Limit, ...]:
        """Return its limits of the sky at `site`, a blocked sector as a skyline of its own."""
        own = self.sky.sky.limits(site)
        if self.sector is None:
            return own
        return (*own, HorizonLimit(self.sector.horizon(self.sky.mask_deg or 0.0), "sector"))

    def numbers(self, site: Site) -> dict[str, float | None]:
        """Return every number of it as `Setting.numbers` does, and sector_from_deg, sector_to_deg, sector_top_deg."""
        sector = self.sector
        return {
            **self.sky.numbers(site),
            "sector_from_deg": sector.from_deg if sector else None,
            "sector_to_deg": sector.to_deg if sector else None,
            "sector_top_deg": sector.top_deg if sector else None,
        }


# The numbers of a setting that move, with the kind they belong to and the finest step that is told. A gateway moves
# away from the site and across that, kilometres either.
NUMBERS: Final[dict[str, tuple[str, float]]] = {
    "mask": ("mask", 0.125),
    "gateway_distance": ("gateway", 6.25),
    "gateway_across": ("gateway", 6.25),
    "gateway_mask": ("gateway", 0.5),
    "cone_azimuth": ("cone", 1.0),
    "cone_tilt": ("cone", 0.5),
    "cone_half_angle": ("cone", 0.25),
    "arc": ("arc", 0.25),
    "sector_from": ("sector", 1.0),
    "sector_to": ("sector", 1.0),
    "sector_top": ("sector", 1.0),
    "slot_offset": ("slot", 0.125),
    "acquisition": ("acquisition", 0.125),
}


# Numbers that can make up for each other, so that a search must move both at once, and whether they go the same way.
TOGETHER: Final = (
    ("mask", "gateway_distance"),
    ("sector_from", "sector_to"),
    ("cone_tilt", "cone_half_angle"),
    ("slot_offset", "acquisition"),
    ("mask", "acquisition"),
)


def moved(setting: LineSetting, number: str, by: float, lowest_mask_deg: float) -> LineSetting | None:
    """Return the setting with one of its `NUMBERS` greater by `by`; None where it has none or that leads nowhere.

    Degrees, kilometres or seconds.
    """
    if NUMBERS[number][0] not in setting.kinds:
        return None
    move: Callable[[], LineSetting | None] = {
        "mask": lambda: _mask(setting, by, lowest_mask_deg),
        "arc": lambda: _arc(setting, by),
        "acquisition": lambda: _acquisition(setting, by),
        "slot_offset": lambda: _slot_offset(setting, by),
        "gateway_distance": lambda: _gateway(setting, by, 0.0, 0.0),
        "gateway_across": lambda: _gateway(setting, 0.0, by, 0.0),
        "gateway_mask": lambda: _gateway(setting, 0.0, 0.0, by),
        "cone_azimuth": lambda: _cone(setting, by, 0.0, 0.0),
        "cone_tilt": lambda: _cone(setting, 0.0, by, 0.0),
        "cone_half_angle": lambda: _cone(setting, 0.0, 0.0, by),
        "sector_from": lambda: _sector(setting, by, 0.0, 0.0),
        "sector_to": lambda: _sector(setting, 0.0, by, 0.0),
        "sector_top": lambda: _sector(setting, 0.0, 0.0, by),
    }[number]
    return move()


def _mask(setting: LineSetting, by: float, lowest_deg: float) -> LineSetting | None:
    mask = round((setting.sky.mask_deg or 0.0) + by, 6)
    if not lowest_deg <= mask <= 75.0:
        return None
    return replace(setting, sky=replace(setting.sky, mask_deg=mask))


def _arc(setting: LineSetting, by: float) -> LineSetting | None:
    angle = round((setting.sky.arc_deg or 0.0) + by, 6)
    return replace(setting, sky=replace(setting.sky, arc_deg=angle)) if 0.5 <= angle <= 60.0 else None


def _acquisition(setting: LineSetting, by: float) -> LineSetting | None:
    wait = round(setting.sky.acquisition_s + by, 6)
    return replace(setting, sky=replace(setting.sky, acquisition_s=wait)) if 0.125 <= wait <= 60.0 else None


def _slot_offset(setting: LineSetting, by: float) -> LineSetting:
    period = setting.sky.slot_s or 1.0
    return replace(setting, sky=replace(setting.sky, slot_offset_s=round((setting.sky.slot_offset_s + by) % period, 6)))


def _gateway(setting: LineSetting, away: float, across: float, mask: float) -> LineSetting | None:
    place = setting.sky.gateway
    if place is None:
        return None
    distance, mask_deg = round(place.distance_km + away, 6), round(place.mask_deg + mask, 6)
    if not (_NEAREST_GATEWAY_KM <= distance <= _FARTHEST_GATEWAY_KM and 5.0 <= mask_deg <= 60.0):
        return None
    there = GatewayPlace(distance, round((place.bearing_deg + degrees(across / distance)) % 360.0, 4), mask_deg)
    return replace(setting, sky=replace(setting.sky, gateway=there))


def _cone(setting: LineSetting, azimuth: float, tilt: float, half: float) -> LineSetting | None:
    cone = setting.sky.cone
    if cone is None:
        return None
    new_tilt, new_half = round(cone.tilt_deg + tilt, 6), round(cone.half_angle_deg + half, 6)
    if not (0.0 <= new_tilt <= 80.0 and 10.0 <= new_half <= 90.0):
        return None
    new = Cone(round((cone.azimuth_deg + azimuth) % 360.0, 6), new_tilt, new_half)
    return replace(setting, sky=replace(setting.sky, cone=new))


def _sector(setting: LineSetting, begins: float, ends: float, top: float) -> LineSetting | None:
    sector = setting.sector
    if sector is None:
        return None
    low, high = round((sector.from_deg + begins) % 360.0, 6), round((sector.to_deg + ends) % 360.0, 6)
    new_top, width = round(sector.top_deg + top, 6), (high - low) % 360.0
    lowest = setting.sky.mask_deg or 0.0
    if not (_NARROWEST_SECTOR_DEG <= width <= _WIDEST_SECTOR_DEG and lowest < new_top <= 89.0):
        return None
    return replace(setting, sector=Sector(low, high, new_top))
