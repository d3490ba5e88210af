"""How far apart two sites are over the ground, and in which direction one lies from the other.

On a sphere of the mean radius (2 a + b) / 3 of WGS 84, 6371.009 km (H. Moritz, Geodetic Reference System 1980, R1, for
the same ratio of axes). A sphere is off by at most about 0.6 % of the distance along the ellipsoid. The distance is by
the haversine, which keeps its digits where two places are close: R. W. Sinnott, "Virtues of the Haversine", Sky and
Telescope 68, 1984 (recalled).
"""

from __future__ import annotations

import re
from math import asin, atan2, cos, degrees, pi, radians, sin, sqrt
from typing import Final

from passim.constants import EARTH_FLATTENING, EARTH_RADIUS_KM
from passim.errors import SiteError
from passim.sky.site import Site

MEAN_EARTH_RADIUS_KM: Final = EARTH_RADIUS_KM * (1.0 - EARTH_FLATTENING / 3.0)
_POINTS: Final = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
# The sixteen points by their letters and by their words without hyphens: "nne" and "northnortheast" are 22.5 degrees.
_LETTERS: Final = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")
_WORDS: Final = {"n": "north", "e": "east", "s": "south", "w": "west"}
_BEARINGS_DEG: Final = {
    name: 22.5 * k
    for k, letters in enumerate(_LETTERS)
    for name in (letters, "".join(_WORDS[letter] for letter in letters))
}
_WAY: Final = re.compile(r"(\d{1,6}(?:[.,]\d{1,6})?)\s*km\b[\s,]*(.*)", re.IGNORECASE | re.DOTALL)
_AZIMUTH: Final = re.compile(r"(?:at\s+)?(\d{1,3}(?:\.\d{1,6})?)\s*(?:°|deg|degrees)?", re.IGNORECASE)
_LEADING: Final = re.compile(r"(?:due|to the|towards(?: the)?)\s+", re.IGNORECASE)


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


def way_from(one: Site, text: str) -> tuple[float, float] | None:
    """Return latitude and longitude, degrees, of a place told by its way from a site; None for a text that tells none.

    A way is kilometres and a direction: "60 km S", "60 km south", "25 km north-east", or an azimuth from north by east,
    "60 km at 190°". Raises SiteError for a direction that is none, and for a way of no length or over halfway round.
    """
    found = _WAY.fullmatch(text.strip())
    if found is None:
        return None
    along_km, said = float(found[1].replace(",", ".")), found[2].strip()
    halfway_km = pi * MEAN_EARTH_RADIUS_KM
    if not 0.0 < along_km <= halfway_km:
        raise SiteError(f"way {text!r}", got=f"{along_km:g} km", wanted=f"over 0 and at most {halfway_km:.0f} km")
    azimuth = _AZIMUTH.fullmatch(said)
    if azimuth is not None:
        bearing: float | None = float(azimuth[1])
    else:
        bearing = _BEARINGS_DEG.get(re.sub(r"[\s-]", "", _LEADING.sub("", said)).casefold())
    if bearing is None or bearing > 360.0:
        raise SiteError(
            f"direction of the way {text!r}", got=said or "none", wanted="a point of the compass or 0 to 360°",
            try_next=f"{along_km:g} km S, or {along_km:g} km at 190°",
        )  # fmt: skip
    return reached(one, bearing, along_km)


def compass_word(bearing: float) -> str:
    """Return the nearest of the eight points of the compass to a direction in degrees: "north-east"."""
    return _POINTS[round(bearing / 45.0) % len(_POINTS)]
