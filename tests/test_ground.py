"""Distances and directions over the ground, against lengths that are published or plain geometry."""

from __future__ import annotations

import pytest

from passim import Site
from passim.sky import ground


def at(latitude_deg: float, longitude_deg: float) -> Site:
    return Site("there", latitude_deg, longitude_deg)


@pytest.mark.parametrize(
    ("one", "other", "distance_km"),
    [
        (at(0.0, 0.0), at(0.0, 0.0), 0.0),
        # A quarter of the meridian of WGS 84 is 10 001.966 km, of its equator 10 018.754 km.
        (at(0.0, 0.0), at(90.0, 50.0), 10001.966),
        (at(0.0, -20.0), at(0.0, 70.0), 10018.754),
        (at(0.0, 0.0), at(0.0, 180.0), 2 * 10018.754),
        # A minute of latitude is the nautical mile, 1.852 km.
        (at(45.0, -28.0), at(52.0, -28.0), 7 * 60 * 1.852),
        # Along a parallel 60 degrees north a short step is half of that at the equator.
        (at(60.0, 179.99), at(60.0, -179.99), 0.02 * 111.32 / 2.0),
        # Longitudes east of Greenwich may be counted to 360.
        (at(10.0, 350.0), at(10.0, -10.0), 0.0),
    ],
)
def test_distances_are_those_of_the_ellipsoid_within_what_a_sphere_can(
    one: Site, other: Site, distance_km: float
) -> None:
    assert ground.distance_km(one, other) == pytest.approx(distance_km, rel=0.006, abs=1e-6)
    assert ground.distance_km(other, one) == pytest.approx(ground.distance_km(one, other), abs=1e-9)


def test_directions_are_told_by_the_compass() -> None:
    here = at(45.0, -28.0)
    told = [
        ground.compass_word(ground.bearing_deg(here, at(latitude, longitude)))
        for latitude, longitude in ((52, -28), (46, -26.6), (45, -27), (44, -28.0), (45, -29), (46, -29.4))
    ]
    assert told == ["north", "north-east", "east", "south", "west", "north-west"]
    assert ground.compass_word(359.0) == "north"


@pytest.mark.parametrize(
    ("one", "other", "bearing"),
    [
        # Spherical triangles worked by hand. A quarter of the way round along 45 N: tan = (1/sqrt 2) / (1/2).
        (at(45.0, 0.0), at(45.0, 90.0), 54.7356),
        # A sixth of it: east sqrt(3)/2 / sqrt 2, north 1/2 - 1/4.
        (at(45.0, 0.0), at(45.0, 60.0), 67.7923),
        (at(45.0, 60.0), at(45.0, 0.0), 360.0 - 67.7923),
        (at(0.0, 0.0), at(45.0, 90.0), 45.0),
        (at(0.0, 0.0), at(0.0, 90.0), 90.0),
        (at(-45.0, 0.0), at(-45.0, 60.0), 180.0 - 67.7923),
    ],
)
def test_bearings_are_those_of_triangles_worked_by_hand(one: Site, other: Site, bearing: float) -> None:
    assert ground.bearing_deg(one, other) == pytest.approx(bearing, abs=1e-3)
