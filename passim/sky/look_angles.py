"""Where to look for a satellite: azimuth, elevation, range and the delay over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim.constants import LIGHT_SPEED_KM_S
from passim.sky.site import Site

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LookAngles:
    """Directions and distances seen from a site; three arrays of one shape.

    azimuth_deg     from true north through east, 0 up to 360; in the exact zenith, where it has no meaning, 0
    elevation_deg   above the plane square to the ellipsoid's normal, -90 to 90; no refraction, no light time
    range_km        straight line from the site
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    range_km: Floats

    def __len__(self) -> int:
        return len(self.range_km)

    @property
    def one_way_delay_ms(self) -> Floats:
        """The time light takes from the site to the satellite, milliseconds: 1.835 ms for 550 km."""
        return self.range_km * (1000.0 / LIGHT_SPEED_KM_S)


def look_angles(site: Site, position_km: ArrayLike) -> LookAngles:
    """Return azimuth, elevation and range from `site` to Earth-fixed positions of shape (..., 3), km.

    The result has their shape without the last axis. Seen from latitude 0, longitude 0, a point 550 km straight up
    stands at 90 deg and 550 km. Raises ValueError where the last axis is not x, y, z.
    """
    position = np.asarray(position_km, dtype=np.float64)
    if position.ndim < 1 or position.shape[-1] != 3:
        raise ValueError(f"positions: got shape {position.shape}, wanted (..., 3)")

    # Turn the line of sight into east, north and up.
    east, north, up = np.moveaxis((position - site.position_km) @ site.east_north_up.T, -1, 0)

    # Both angles from their tangents: an arcsine would lose half its digits near the zenith.
    along_ground_km = np.hypot(east, north)
    azimuth_deg = np.degrees(np.arctan2(east, north)) % 360.0
    # A hair west of north the remainder rounds up to the full turn.
    azimuth_deg = np.where(azimuth_deg >= 360.0, 0.0, azimuth_deg)
    return LookAngles(azimuth_deg, np.degrees(np.arctan2(up, along_ground_km)), np.hypot(along_ground_km, up))


def position_of(site: Site, seen: LookAngles) -> Floats:
    """Return the Earth-fixed positions, km, shape (..., 3), of what `site` sees under `seen`; undoes `look_angles`."""
    azimuth, elevation = np.radians(seen.azimuth_deg), np.radians(seen.elevation_deg)
    along_ground_km = seen.range_km * np.cos(elevation)
    local_km = np.stack(
        [along_ground_km * np.sin(azimuth), along_ground_km * np.cos(azimuth), seen.range_km * np.sin(elevation)],
        axis=-1,
    )
    return np.asarray(site.position_km + local_km @ site.east_north_up)
