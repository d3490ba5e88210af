"""Limits of service one by one: the angles behind them, what they allow, and what they refuse to be."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from passim import ElementsError, Fleet, Horizon, InputError, Site, SiteError, Span, find_passes, walker
from passim.coverage.visibility import find_visibilities, find_visibility
from passim.intervals import difference_by_group, union_by_group
from passim.sky.limits import ArcKeepOut, Cone, Excluded, Gateway, GatewayLimit, ServingFilter, ServingShare
from passim.sky.limits.geostationary_arc import GeostationaryArc
from passim.sky.local_arcs import unit_vector
from passim.sky.view import View
from passim_apps.text.limits import the_gateways, what_it_is

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(EPOCH, hours=6)
FLEET = walker(total=90, planes=9, phasing=2, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")
MARRAM = Site("Marram", 45.0, -28.0, 40.0)


def start_and_end_us(passes):
    ordered = passes.sort_values(["satellite_id", "rise"])
    return ordered["rise"].astype("int64").to_numpy(), ordered["set"].astype("int64").to_numpy()


def seconds_outside(a, b):
    """Return how many seconds of grouped intervals `a` lie outside `b`, over all satellites."""
    outside = difference_by_group(a, b)
    return (outside.end - outside.start).sum() / 1e6


# --- the cone ---------------------------------------------------------------------------------------------------------


def test_a_cone_of_50_deg_that_looks_up_is_a_mask_of_40_deg():
    cone = find_visibility(FLEET, View(MARRAM, (Cone(0.0, 0.0, 50.0),)), SPAN).passes()
    mask = find_passes(FLEET, Site("Marram", 45.0, -28.0, 40.0, horizon=Horizon.flat(40.0)), SPAN)
    assert len(cone) == len(mask) > 20
    for ours, theirs in zip(start_and_end_us(cone), start_and_end_us(mask), strict=True):
        assert np.abs(ours - theirs).max() <= 1


def test_a_tilted_cone_allows_what_is_within_its_half_angle():
    view = View(MARRAM, (Cone(40.0, 20.0, 50.0),))
    visibility = find_visibility(FLEET, view, SPAN)
    satellite, time_us, inside = seconds_of(visibility, "cone")
    look = visibility.look(satellite, time_us)
    # The angle to the boresight, from the spherical law of cosines instead of vectors.
    zenith, tilt = np.radians(90.0 - look.elevation_deg), np.radians(20.0)
    cosine = np.cos(zenith) * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * np.cos(np.radians(look.azimuth_deg - 40.0))
    angle_deg = np.degrees(np.arccos(cosine))
    assert 0.2 < inside.mean() < 0.9
    # A satellite at 550 km turns by less than 0.8 deg a second; 5 ms of that is 0.004 deg.
    sure = np.abs(angle_deg - 50.0) > 0.004
    assert (inside == (angle_deg < 50.0))[sure].all()


def seconds_of(visibility, name):
    """Return satellite and time of every whole second above the floor, and whether the limit allows it there."""
    satellite, start, end = visibility.base
    times = [np.arange(-(-a // 1_000_000) * 1_000_000, b, 1_000_000) for a, b in zip(start, end, strict=True)]
    satellites = np.repeat(satellite, [len(t) for t in times]).astype(np.intp)
    time_us = np.concatenate(times)
    inside = np.zeros(len(time_us), dtype=bool)
    for allowed_satellite, a, b in zip(*visibility.allowed[name], strict=True):
        inside |= (satellites == allowed_satellite) & (time_us >= a) & (time_us < b)
    return satellites, time_us, inside


# --- the geostationary arc --------------------------------------------------------------------------------------------

# Constants of Recommendation ITU-R S.1503-2 (read): an Earth of radius 6378.145 km, the arc at 42164.2 km. The angles
# were recomputed from them on that sphere (own geometry). Seen towards north the nearest point is an end of the visible
# arc, so a value found on a grid of longitudes depends on the grid: 98.960 in steps of 0.1 deg, 98.9497 of 0.001 deg.
SPHERE_KM = 6378.145
ARC_TOPS = [(10, 78.2321), (30, 55.0257), (45, 38.1699), (53, 29.4293), (70, 11.4747)]
ARC_ANGLES = [
    (45, 180, 25, 13.170), (45, 180, 40, 1.830), (45, 0, 40, 96.732), (45, 90, 40, 33.516), (45, 0, 90, 51.830),
    (53, 180, 25, 4.429), (53, 180, 40, 10.571), (53, 0, 40, 98.950), (53, 90, 40, 38.090), (53, 0, 90, 60.571),
]  # fmt: skip


def on_the_sphere(latitude_deg):
    """Return a place on the Recommendation's spherical Earth, where up points away from the centre."""
    latitude = np.radians(latitude_deg)
    up = np.array([np.cos(latitude), 0.0, np.sin(latitude)])
    north = np.array([-np.sin(latitude), 0.0, np.cos(latitude)])
    return SimpleNamespace(position_km=SPHERE_KM * up, east_north_up=np.stack([[0.0, 1.0, 0.0], north, up]))


def angle_deg(place, azimuth_deg, elevation_deg):
    angle, _ = GeostationaryArc(place).angle_rad(unit_vector(azimuth_deg, elevation_deg)[:, None])
    return float(np.degrees(angle[0]))


@pytest.mark.parametrize(("latitude_deg", "top_deg"), ARC_TOPS)
def test_top_of_the_arc(latitude_deg, top_deg):
    assert GeostationaryArc(on_the_sphere(latitude_deg)).top_deg == pytest.approx(top_deg, abs=6e-5)
    # On the ellipsoid a place lies up to 21 km from where the sphere has it at this latitude: 0.04 deg at this range.
    assert GeostationaryArc(Site("a", latitude_deg, 100.0)).top_deg == pytest.approx(top_deg, abs=0.05)
    assert GeostationaryArc(Site("a", -latitude_deg, 100.0)).top_deg == pytest.approx(top_deg, abs=0.05)


@pytest.mark.parametrize(("latitude_deg", "azimuth_deg", "elevation_deg", "arc_deg"), ARC_ANGLES)
def test_smallest_angle_to_the_arc(latitude_deg, azimuth_deg, elevation_deg, arc_deg):
    assert angle_deg(on_the_sphere(latitude_deg), azimuth_deg, elevation_deg) == pytest.approx(arc_deg, abs=6e-4)
    # East and west are alike, and so are the hemispheres, north for south.
    assert angle_deg(on_the_sphere(latitude_deg), -azimuth_deg % 360, elevation_deg) == pytest.approx(arc_deg, abs=6e-4)
    site, mirrored = Site("a", latitude_deg, -28.0), Site("b", -latitude_deg, -28.0)
    assert angle_deg(site, azimuth_deg, elevation_deg) == pytest.approx(arc_deg, abs=0.05)
    assert angle_deg(mirrored, (180 - azimuth_deg) % 360, elevation_deg) == pytest.approx(arc_deg, abs=0.05)


def test_no_arc_near_the_poles():
    # cos(latitude) = 6378.145 / 42164.2 at 81.2995 deg; the ellipsoid moves that by its own tenth of a degree at most.
    assert GeostationaryArc(on_the_sphere(81.299)).visible
    assert not GeostationaryArc(on_the_sphere(81.300)).visible
    assert GeostationaryArc(Site("a", 81.2, 0.0)).visible
    assert not GeostationaryArc(Site("a", 81.4, 0.0)).visible
    assert not GeostationaryArc(Site("pole", 90.0, 0.0)).visible
    polar = walker(total=6, planes=1, phasing=0, inclination_deg=90.0, altitude_km=550.0, epoch=EPOCH)
    far_north = find_visibility(polar, View(Site("a", 84.0, 0.0), (ArcKeepOut(30.0),)), SPAN)
    assert len(far_north.base.group) > 0
    assert all((a == b).all() for a, b in zip(far_north.allowed["arc"], far_north.base, strict=True))


@pytest.mark.parametrize("elevation_deg", [5.0, 25.0, 60.0, 85.0, 90.0])
@pytest.mark.parametrize("azimuth_deg", [90.0, 270.0])
def test_on_the_equator_due_east_and_west_is_the_arc(azimuth_deg, elevation_deg):
    assert angle_deg(Site("Line", 0.0, -28.0), azimuth_deg, elevation_deg) == pytest.approx(0.0, abs=1e-6)


def test_keep_out_allows_what_is_farther_from_every_point_of_the_arc():
    visibility = find_visibility(FLEET, View(MARRAM, (ArcKeepOut(30.0),)), SPAN)
    satellite, time_us, inside = seconds_of(visibility, "arc")
    look = visibility.look(satellite, time_us)
    # The arc in points 0.1 deg apart, by plain geometry in Earth-fixed axes. Half a step along the arc changes an angle
    # of 30 deg by less than 0.0001 deg.
    longitude = np.radians(-28.0 + np.arange(-76.5, 76.6, 0.1))
    points = 42164.2 * np.stack([np.cos(longitude), np.sin(longitude), np.zeros_like(longitude)], axis=1)
    local = (points - MARRAM.position_km) @ MARRAM.east_north_up.T
    local = local[local[:, 2] > 0.0]
    local /= np.linalg.norm(local, axis=1)[:, None]
    towards = np.stack([unit_vector(*both) for both in zip(look.azimuth_deg, look.elevation_deg, strict=True)])
    nearest_deg = np.degrees(np.arccos((towards @ local.T).max(axis=1)))
    assert 0.2 < inside.mean() < 0.9
    sure = np.abs(nearest_deg - 30.0) > 0.004
    assert (inside == (nearest_deg > 30.0))[sure].all()


# --- gateways ---------------------------------------------------------------------------------------------------------

NEAR = Gateway("South", 39.604, -28.0, 50.0)
EAST = Gateway("East", 45.0, -22.0, 0.0, Horizon.from_points([(0, 25), (90, 40), (180, 25)]))


def test_any_of_several_gateways_will_do():
    one, other, both = find_visibilities(
        FLEET, [View(MARRAM, (GatewayLimit(which),)) for which in ((NEAR,), (EAST,), (NEAR, EAST))], SPAN
    )
    together = union_by_group(one.allowed["gateway"], other.allowed["gateway"])
    assert all((a == b).all() for a, b in zip(both.allowed["gateway"], together, strict=True))
    assert seconds_outside(both.allowed["gateway"], one.allowed["gateway"]) > 100.0
    assert seconds_outside(both.allowed["gateway"], other.allowed["gateway"]) > 100.0


def test_a_gateway_at_the_site_with_the_same_mask_takes_nothing_away():
    here = GatewayLimit((Gateway("here", 45.0, -28.0, 40.0, Horizon.flat(25.0)),))
    visibility = find_visibility(FLEET, View(MARRAM, (here,)), SPAN)
    assert seconds_outside(visibility.base, visibility.joint()) < 1e-5 * len(visibility.base.group)


def test_a_gateway_on_the_far_side_of_the_earth_is_refused():
    far = GatewayLimit((Gateway("Antipode", -45.0, 152.0),))
    with pytest.raises(SiteError) as refused:
        find_visibility(FLEET, View(MARRAM, (far,)), SPAN)
    assert "gateway Antipode and Marram" in str(refused.value)
    assert "none ever sees both" in str(refused.value)
    assert "signs of latitude and longitude" in str(refused.value)
    # One that can be reached is enough.
    mixed = GatewayLimit((NEAR, *far.gateways))
    near, antipode = mixed.distances(MARRAM, 25.0, FLEET)
    assert (near.name, near.counts, antipode.counts) == ("South", True, False)
    # Half of the Earth's girth and, of 550 km up and 25 deg, twice 8.4508 deg of a great circle with some to spare.
    assert antipode.apart_km == pytest.approx(math.pi * 6371.009, rel=0.001)
    assert 1880.0 <= near.most_km <= 1880.0 + 150.0
    assert len(find_visibility(FLEET, View(MARRAM, (mixed,)), SPAN).joint().group) > 0


def test_a_limit_without_gateways_is_refused():
    with pytest.raises(SiteError, match="gateways; got 'none'; wanted at least one"):
        GatewayLimit(())


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), [(95.0, 0.0), (0.0, 500.0), (float("nan"), 0.0)])
def test_a_gateway_off_the_earth_is_refused(latitude_deg, longitude_deg):
    with pytest.raises(SiteError, match="of gateway South"):
        Gateway("South", latitude_deg, longitude_deg)


# --- who serves -------------------------------------------------------------------------------------------------------


def test_a_satellite_keeps_its_lot():
    few, more = ServingShare(50.0, seed=7).serving(FLEET, SPAN), ServingShare(80.0, seed=7).serving(FLEET, SPAN)
    assert 0.3 < few.mean() < 0.7 < more.mean() < 0.95
    assert (few <= more).all()
    assert ServingShare(100.0).serving(FLEET, SPAN).all()
    assert (ServingShare(50.0, seed=8).serving(FLEET, SPAN) != few).any()
    half = Fleet(list(FLEET)[45:], "half")
    assert (ServingShare(50.0, seed=7).serving(half, SPAN) == few[45:]).all()


def test_shares_and_exclusions_take_whole_satellites_away():
    share, out = ServingShare(60.0, seed=1), Excluded.of(["900000005", 900000017])
    visibility = find_visibility(FLEET, View(MARRAM, (share, out)), SPAN)
    ids = FLEET.satellite_ids[visibility.allowed["excluded"].group]
    gone = set(FLEET.satellite_ids[visibility.base.group]) - set(ids)
    assert gone == {"900000005", "900000017"} & set(FLEET.satellite_ids[visibility.base.group])
    assert gone
    satellites = set(visibility.allowed["share"].group.tolist())
    assert satellites == set(visibility.base.group.tolist()) & set(np.flatnonzero(share.serving(FLEET, SPAN)).tolist())


def test_the_serving_filter_tells_its_counts():
    visibility = find_visibility(FLEET, View(MARRAM, (ServingFilter(),)), SPAN)
    assert dict(visibility.health[0].counts)["catalogued"] == 90


# --- what is refused --------------------------------------------------------------------------------------------------


def test_bad_settings_are_refused_in_one_line(subtests: pytest.Subtests) -> None:
    for make, words in [
        (lambda: Cone(0.0, 0.0, 91.0), "half-angle of the antenna cone; got 91.0"),
        (lambda: Cone(0.0, 0.0, 0.0), "half-angle of the antenna cone"),
        (lambda: Cone(0.0, 0.0, float("nan")), "half-angle of the antenna cone"),
        (lambda: Cone(0.0, 95.0, 50.0), "tilt of the antenna"),
        (lambda: Cone(400.0, 10.0, 50.0), "azimuth of the antenna's tilt"),
        (lambda: ArcKeepOut(0.0), "keep-out angle around the geostationary arc"),
        (lambda: ArcKeepOut(70.0), "keep-out angle around the geostationary arc; got 70.0"),
        (lambda: ArcKeepOut(float("nan")), "keep-out angle"),
        (lambda: ServingShare(0.0), "share of the fleet that serves"),
        (lambda: ServingShare(101.0), "share of the fleet that serves"),
        (lambda: Excluded.of(["not a number"]), "not a number"),
        (lambda: View(MARRAM, (ArcKeepOut(5.0), ArcKeepOut(6.0))), "arc twice"),
        (lambda: View(MARRAM, lowest_elevation_deg=90.0), "lowest elevation of the terminal"),
        (lambda: View(MARRAM).without("cone"), "wanted one of horizon"),
        (lambda: View(MARRAM, (ArcKeepOut(5.0),)).without("arcs"), "wanted one of horizon, arc"),
    ]:
        with subtests.test(make=make, words=words):
            with pytest.raises(InputError) as refused:
                make()
            assert words in str(refused.value)
            assert "\n" not in str(refused.value)


def test_leaving_out_a_satellite_that_is_not_there_is_refused():
    with pytest.raises(ElementsError, match="satellite to leave out"):
        find_visibility(FLEET, View(MARRAM, (Excluded.of(["77"]),)), SPAN)


@pytest.mark.parametrize(
    "limit", [Cone(40.0, 20.0, 50.0), ArcKeepOut(12.0), GatewayLimit((NEAR, EAST)), ServingShare(80.0), ServingFilter()]
)
def test_every_limit_says_in_words_what_it_is(limit):
    words = what_it_is(limit)
    assert words != limit.name
    assert words
    assert words == words.strip().rstrip(".")
    assert "\n" not in words


def test_a_gateway_that_is_named_gateway_is_not_told_twice() -> None:
    near, far = Gateway("gateway", 44.0, -28.0), Gateway("South", 39.6, -28.0)
    assert what_it_is(GatewayLimit((near,))) == "a satellite must also see the gateway"
    assert what_it_is(GatewayLimit((far,))) == "a satellite must also see the gateway South"
    assert what_it_is(GatewayLimit((near, far))) == "a satellite must also see one of the gateways gateway, South"
    assert the_gateways(["North", "South"]) == "the gateways North and South"
