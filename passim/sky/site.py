"""A place on the ground and its local directions."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from math import cos, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from passim.constants import EARTH_FLATTENING, EARTH_RADIUS_KM
from passim.errors import SiteError
from passim.sky.horizon import Horizon, is_number
from passim.spans import zone


@dataclass(frozen=True)
class Site:
    """A place: geodetic latitude and longitude on WGS 84 in degrees (north and east positive), and its height.

    `height_m` counts from the WGS 84 ellipsoid: the height above sea level plus that of the geoid, -105 to +85 m
    (recalled); 50 m move an edge by about 0.02 s.

    `timezone` is a name of the IANA data base, `horizon` its skyline. Raises SiteError.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    timezone: str = "UTC"
    horizon: Horizon = field(default_factory=lambda: Horizon.flat(25.0))

    def __post_init__(self) -> None:
        for what in ("latitude_deg", "longitude_deg", "height_m"):
            if not is_number(value := getattr(self, what)):
                raise SiteError(f"{what} of {self.name}", got=value, wanted="a number")
        if not isinstance(self.horizon, Horizon):
            raise SiteError(
                f"horizon of {self.name}",
                got=self.horizon,
                wanted="a Horizon",
                try_next="Horizon.flat(25) for a mask of 25 deg all around",
            )
        if not -90.0 <= self.latitude_deg <= 90.0:
            raise SiteError(
                f"latitude of {self.name}",
                got=self.latitude_deg,
                wanted="from -90 to 90 deg, north positive",
                try_next="latitude first, then longitude",
            )
        if not -180.0 <= self.longitude_deg <= 360.0:
            raise SiteError(
                f"longitude of {self.name}", got=self.longitude_deg, wanted="from -180 to 360 deg, east positive"
            )
        if not -500.0 <= self.height_m <= 9000.0:
            raise SiteError(f"height of {self.name}", got=f"{self.height_m} m", wanted="from -500 to 9000 m")
        zone(self.timezone)

    @cached_property
    def position_km(self) -> NDArray[np.float64]:
        """Earth-fixed position, km, shape (3,). At latitude 0, longitude 0 it is (6378.137, 0, 0)."""
        latitude, longitude = radians(self.latitude_deg), radians(self.longitude_deg)
        squared = EARTH_FLATTENING * (2.0 - EARTH_FLATTENING)
        normal_km = EARTH_RADIUS_KM / sqrt(1.0 - squared * sin(latitude) ** 2)
        height_km = self.height_m / 1000.0
        out = (normal_km + height_km) * cos(latitude)
        return np.array(
            [out * cos(longitude), out * sin(longitude), (normal_km * (1.0 - squared) + height_km) * sin(latitude)]
        )

    @cached_property
    def east_north_up(self) -> NDArray[np.float64]:
        """Rows are the unit vectors to the east, north and up (along the ellipsoid's normal), shape (3, 3)."""
        latitude, longitude = radians(self.latitude_deg), radians(self.longitude_deg)
        return np.array(
            [
                [-sin(longitude), cos(longitude), 0.0],
                [-sin(latitude) * cos(longitude), -sin(latitude) * sin(longitude), cos(latitude)],
                [cos(latitude) * cos(longitude), cos(latitude) * sin(longitude), sin(latitude)],
            ]
        )
