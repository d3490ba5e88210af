"""Sites: what is legal, where they stand on the ellipsoid, and which way is up."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from skyfield.api import load, wgs84
from skyfield.framelib import itrs

from passim import Horizon, Site, Span, find_passes, walker
from passim.errors import SiteError
from passim_apps.text.units import HOW_TO_GET_A_HEIGHT

START = datetime(2026, 3, 1, tzinfo=UTC)
PLACES = [(0.0, 0.0, 0.0), (45.0, -28.0, 40.0), (-33.4, 151.2, 1234.5), (90.0, 12.0, 10.0), (-90.0, 0.0, 2800.0)]
PLACES += [(52.0, -180.0, 0.0), (52.0, 180.0, 0.0), (10.0, 359.0, -400.0)]


@pytest.mark.parametrize(("latitude", "longitude", "height"), PLACES)
def test_position_is_that_of_skyfield(latitude: float, longitude: float, height: float) -> None:
    # skyfield turns a place on WGS 84 to the Earth-fixed frame by code of its own; a millimetre is 1e-6 km.
    place = wgs84.latlon(latitude, longitude, elevation_m=height)
    when = load.timescale(builtin=True).utc(2026, 3, 1)
    site = Site("place", latitude, longitude, height)
    assert site.position_km == pytest.approx(place.at(when).frame_xyz(itrs).km, abs=1e-6)


def test_a_height_off_by_50_m_moves_edges_by_hundredths_of_a_second() -> None:
    # What every face says of heights: the geoid may be forgotten (up to 105 m) at a cost of hundredths of a second.
    fleet = walker(total=60, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    span = Span.starting(START, 24.0)
    low, high = (find_passes(fleet, Site("here", 45.0, -28.0, height_m), span) for height_m in (0.0, 50.0))
    both = low.merge(high.assign(peak=high["peak"].dt.round("min")), on="satellite_id", suffixes=("", "_high"))
    both = both[(both["peak"] - both["peak_high"]).abs() < timedelta(minutes=2)]
    both = both[(both["duration_s"] > 60.0) & ~both["cut_at_start"] & ~both["cut_at_end"]]
    moved_s = np.concatenate([(both[f"{e}_high"] - both[e]).abs().dt.total_seconds() for e in ("rise", "set")])
    assert len(moved_s) > 200
    assert 0.01 < np.median(moved_s) < 0.02
    assert moved_s.max() < 0.06
    assert "50 m either way move an edge by about 0.02 s" in HOW_TO_GET_A_HEIGHT


def test_position_at_round_places() -> None:
    # WGS 84 (NIMA TR8350.2): equatorial radius 6378.137 km, polar radius 6356.752 314 2 km.
    assert Site("equator", 0.0, 0.0).position_km == pytest.approx([6378.137, 0.0, 0.0], abs=1e-9)
    assert Site("east", 0.0, 90.0).position_km == pytest.approx([0.0, 6378.137, 0.0], abs=1e-9)
    assert Site("pole", 90.0, 0.0).position_km == pytest.approx([0.0, 0.0, 6356.7523142], abs=1e-7)


@pytest.mark.parametrize(("latitude", "longitude", "height"), PLACES)
def test_directions_are_a_right_handed_cross(latitude: float, longitude: float, height: float) -> None:
    site = Site("place", latitude, longitude, height)
    east, north, up = site.east_north_up
    assert site.east_north_up @ site.east_north_up.T == pytest.approx(np.eye(3), abs=1e-14)
    assert np.cross(east, north) == pytest.approx(up, abs=1e-14)
    # A hundred metres higher is a hundred metres along the vertical.
    higher = Site("higher", latitude, longitude, height + 100.0)
    assert higher.position_km - site.position_km == pytest.approx(0.1 * up, abs=1e-11)


def test_directions_at_the_crossing_of_equator_and_prime_meridian() -> None:
    assert Site("zero", 0.0, 0.0).east_north_up == pytest.approx(
        np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]), abs=1e-15
    )


def test_a_site_has_a_horizon_of_25_degrees_and_utc_unless_told_otherwise() -> None:
    site = Site("plain", 45.0, -28.0)
    assert site.horizon == Horizon.flat(25.0)
    assert site.timezone == "UTC"
    assert site.height_m == 0.0


def test_what_is_wrong_is_said_in_one_line(subtests: pytest.Subtests) -> None:
    for values, message in [
        (
            {"latitude_deg": 95.0},
            "latitude of Marram; got 95.0; wanted from -90 to 90 deg, north positive; "
            "try latitude first, then longitude",
        ),
        ({"latitude_deg": float("nan")}, "latitude of Marram; got nan; wanted from -90 to 90 deg, north positive"),
        ({"latitude_deg": "45"}, "latitude_deg of Marram; got '45'; wanted a number"),
        ({"latitude_deg": True}, "latitude_deg of Marram; got True; wanted a number"),
        ({"longitude_deg": -180.5}, "longitude of Marram; got -180.5; wanted from -180 to 360 deg, east positive"),
        ({"longitude_deg": 361.0}, "longitude of Marram; got 361.0; wanted from -180 to 360 deg, east positive"),
        ({"longitude_deg": None}, "longitude_deg of Marram; wanted a number"),
        ({"height_m": 9001.0}, "height of Marram; got '9001.0 m'; wanted from -500 to 9000 m"),
        ({"height_m": float("inf")}, "height of Marram; got 'inf m'; wanted from -500 to 9000 m"),
        (
            {"horizon": 25.0},
            "horizon of Marram; got 25.0; wanted a Horizon; try Horizon.flat(25) for a mask of 25 deg all around",
        ),
        (
            {"timezone": "Atlantic/Azore"},
            "time zone; got 'Atlantic/Azore'; wanted a name of the IANA data base such as Atlantic/Azores; "
            "try Atlantic/Azores",
        ),
    ]:
        with subtests.test(values=values, message=message):
            place: dict[str, object] = {"name": "Marram", "latitude_deg": 45.0, "longitude_deg": -28.0, **values}
            with pytest.raises(SiteError) as caught:
                Site(**place)  # type: ignore[arg-type]
            assert str(caught.value).startswith(message)
            assert "\n" not in str(caught.value)


def test_numbers_of_numpy_are_numbers() -> None:
    site = Site("array", np.float64(45.0), np.float32(-28.0), np.int64(40))
    assert site.position_km == pytest.approx(Site("plain", 45.0, -28.0, 40.0).position_km, abs=1e-12)


def test_a_site_cannot_be_changed_and_can_be_compared() -> None:
    site = Site("one", 45.0, -28.0)
    with pytest.raises(AttributeError):
        site.latitude_deg = 46.0  # type: ignore[misc]
    assert site == Site("one", 45.0, -28.0)
    assert site != Site("one", 45.0, -28.0, horizon=Horizon.flat(35.0))
