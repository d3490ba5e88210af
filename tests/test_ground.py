"""Distances and directions over the ground, against lengths that are published or plain geometry."""

from __future__ import annotations

import math

import pytest
from pymap3d.vincenty import vreckon

from passim import Site
from passim.errors import SiteError
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


def test_a_way_leads_to_a_place_whichever_way_it_is_said() -> None:
    """South by the arc of the sphere, 60 km / 6371.009 km; others against the direction and length that lead back."""
    here = at(45.0, -28.0)
    south = (45.0 - math.degrees(60.0 / 6371.009), -28.0)
    for text in ("60 km S", "60 km south", "60km s", " 60,0 KM due South ", "60 km to the south", "60 km at 180°"):
        assert ground.way_from(here, text) == pytest.approx(south, abs=1e-6), text
    for text, length_km, bearing in (
        ("25 km NE", 25.0, 45.0), ("25 km north-east", 25.0, 45.0), ("25 km north east", 25.0, 45.0),
        ("7.5 km SSW", 7.5, 202.5), ("7.5 km south-south-west", 7.5, 202.5), ("600 km at 190°", 600.0, 190.0),
        ("600 km, 190 deg", 600.0, 190.0), ("1000 km W", 1000.0, 270.0), ("3 km at 359.5", 3.0, 359.5),
    ):  # fmt: skip
        led = ground.way_from(here, text)
        assert led is not None, text
        assert ground.distance_km(here, at(*led)) == pytest.approx(length_km, abs=1e-6), text
        assert ground.bearing_deg(here, at(*led)) == pytest.approx(bearing, abs=1e-6), text
        # Another library's ellipsoid (Vincenty's method, in pymap3d), within what a sphere can.
        north, east = vreckon(45.0, -28.0, length_km * 1000.0, bearing)
        assert ground.distance_km(at(*led), at(float(north), float(east) - 360.0)) < 0.006 * length_km, text
    assert [ground.way_from(here, text) for text in ("47.5", "47.5, -28", "attic", "60 miles S", "")] == [None] * 5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("60 km", "got 'none'; wanted a point of the compass or 0 to 360°; try 60 km S, or 60 km at 190°"),
        ("60 km sideways", "got 'sideways'"),
        ("60 km nsw", "got 'nsw'"),
        ("60 km at 361°", "wanted a point of the compass or 0 to 360°"),
        ("0 km S", "wanted over 0 and at most 20015 km"),
        ("30000 km S", "got '30000 km'"),
    ],
)
def test_a_way_that_leads_nowhere_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(SiteError) as refused:
        ground.way_from(at(45.0, -28.0), text)
    assert words in str(refused.value)
