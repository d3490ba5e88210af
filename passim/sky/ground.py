"""How far apart two sites are over the ground, and in which direction one lies from the other.

On a sphere of the mean radius (2 a + b) / 3 of WGS 84, 6371.009 km (H. Moritz, Geodetic Reference System 1980, R1, for
the same ratio of axes). A sphere is off by at most about 0.6 % of the distance along the ellipsoid. The distance is by
the haversine, which keeps its digits where two places are close: R. W. Sinnott, "Virtues of the Haversine", Sky and
Telescope 68, 1984 (recalled).
"""

from __future__ import annotations

from math import asin, atan2, cos, degrees, radians, sin, sqrt
from typing import Final

from passim.constants import EARTH_FLATTENING, EARTH_RADIUS_KM
from passim.sky.site import Site

MEAN_EARTH_RADIUS_KM: Final = EARTH_RADIUS_KM * (1.0 - EARTH_FLATTENING / 3.0)
_POINTS: Final = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def distance_km(one: Site, other: Site) -> float:
    """Return the length of the great circle from one site to the other, km, heights left out.

    7 degrees of a meridian are 778.4 km.
    """
    first, second = radians(one.latitude_deg), radians(other.latitude_deg)
    up, around = (second - first) / 2.0, radians(other.longitude_deg - one.longitude_deg) / 2.0
    haversine = sin(up) ** 2 + cos(first) * cos(second) * sin(around) ** 2
    # Rounding may carry the haversine of two antipodes past 1.
    return 2.0 * MEAN_EARTH_RADIUS_KM * asin(sqrt(min(1.0, haversine)))


def bearing_deg(one: Site, other: Site) -> float:
    """Return the direction in which the great circle to `other` sets out from `one`: degrees from north by east."""
    first, second = radians(one.latitude_deg), radians(other.latitude_deg)
    around = radians(other.longitude_deg - one.longitude_deg)
    east = sin(around) * cos(second)
    north = cos(first) * sin(second) - sin(first) * cos(second) * cos(around)
    return degrees(atan2(east, north)) % 360.0


def reached(one: Site, bearing: float, along_km: float) -> tuple[float, float]:
    """Return latitude and longitude, degrees, of where the great circle from `one` in a direction leads after so far.

    The direction is that of `bearing_deg`, the length that of `distance_km`; longitudes lie from -180 to 180. From
    45 N 778.4 km north is 52 N.
    """
    first, angle, way = radians(one.latitude_deg), along_km / MEAN_EARTH_RADIUS_KM, radians(bearing)
    sine = sin(first) * cos(angle) + cos(first) * sin(angle) * cos(way)
    latitude = asin(max(-1.0, min(1.0, sine)))
    east = sin(way) * sin(angle) * cos(first)
    around = atan2(east, cos(angle) - sin(first) * sin(latitude))
    return degrees(latitude), (one.longitude_deg + degrees(around) + 180.0) % 360.0 - 180.0


def compass_word(bearing: float) -> str:
    """Return the nearest of the eight points of the compass to a direction in degrees: "north-east"."""
    return _POINTS[round(bearing / 45.0) % len(_POINTS)]
