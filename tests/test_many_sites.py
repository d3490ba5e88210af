"""Passes found for many places at once, from the satellites' side, against those that each place finds by itself."""

from __future__ import annotations

import numpy as np
import pytest

from passim import Fleet, Horizon, Site, Span, View, find_passes, find_visibilities, find_visibility, walker
from passim.sky import fleet_search
from passim.sky.fleet_search import SEARCHES, FlatSky, FleetSearch
from passim.sky.projected_arcs import ArcTable
from passim.sky.reach import Reach
from tests.element_sets import EPOCH
from tests.soak.places import many_sites


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return walker(total=60, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)


def places(count: int, mask_deg: float = 25.0) -> list[Site]:
    latitude_deg, longitude_deg = np.linspace(-60.0, 60.0, count), np.arange(count) * 137.508 % 360.0 - 180.0
    horizon = Horizon.flat(mask_deg)
    return [
        Site(f"{k}", float(a), float(b), horizon=horizon)
        for k, (a, b) in enumerate(zip(latitude_deg, longitude_deg, strict=True))
    ]


def test_random_places_find_what_they_find_alone() -> None:
    """The first cases of `tests.soak.places`: random fleets, places and masks, to the millisecond."""
    for number in range(24):
        assert many_sites(number) is None


def test_many_sites_have_the_table_of_each(fleet: Fleet) -> None:
    """Over two parts of a day, so that passes go on from one into the other."""
    span, sites = Span.starting(EPOCH, hours=26), places(fleet_search.FEWEST_TOGETHER)
    together = find_passes(fleet, sites, span)
    for site in (sites[2], sites[5]):
        alone = find_passes(fleet, site, span)
        table = together[together["site"] == site.name].reset_index(drop=True)
        assert len(table) == len(alone) > 20
        for column in ("satellite_id", "cut_at_start", "cut_at_end"):
            assert (table[column] == alone[column]).all()
        for column in ("rise", "set"):
            assert ((table[column] - alone[column]).abs().dt.total_seconds() < 0.001).all()
        assert np.allclose(table["peak_elevation_deg"], alone["peak_elevation_deg"], rtol=0.0, atol=1e-3)


def test_many_views_with_limits_have_what_each_has(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """A horizon by azimuth and a floor below it are cut out of what was found together."""
    monkeypatch.setattr(fleet_search, "FEWEST_TOGETHER", 2)
    span = Span.starting(EPOCH, hours=6)
    skyline = Horizon.from_points([(0.0, 20.0), (90.0, 45.0), (180.0, 25.0)])
    views = [View(site) for site in places(3)] + [View(Site("wood", 45.0, -28.0, horizon=skyline))]
    SEARCHES.clear()
    together = find_visibilities(fleet, views, span)
    for view, found in zip(views, together, strict=True):
        SEARCHES.clear()
        alone = find_visibility(fleet, view, span)
        for one, other in ((found.base, alone.base), (found.joint(), alone.joint())):
            assert np.array_equal(one.group, other.group)
            assert np.abs(one.start - other.start).max(initial=0) < 1000
            assert np.abs(one.end - other.end).max(initial=0) < 1000
    assert len(together[3].joint().group) > 0
    SEARCHES.clear()


def test_places_known_are_not_looked_at_again(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fleet_search, "FEWEST_TOGETHER", 2)
    part = FleetSearch(fleet, Span.starting(EPOCH, hours=2)).parts[0]
    first, second, third = places(3)
    known = part.base(first, 25.0)
    part.look_together([FlatSky(site, 25.0) for site in (first, second, third, second)])
    assert part.base(first, 25.0) is known
    assert len(part._together) == 2


def test_progress_of_many_sites_climbs_to_one(fleet: Fleet) -> None:
    shares: list[float] = []
    find_passes(fleet, places(12), Span.starting(EPOCH, hours=3), progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(shares) > 12


def test_no_arc_in_reach_is_left_out(fleet: Fleet) -> None:
    """Every arc that stands above a place's mask at its middle or at a node is among the pairs."""
    sites, floors_deg = places(9), [0.0, 10.0, 25.0, 40.0, 60.0, 5.0, 25.0, 80.0, 0.0]
    part = FleetSearch(fleet, Span.starting(EPOCH, hours=4)).parts[0]
    grid, coarse = part.prepared()
    every = grid.segments_per_satellite
    found = set()
    for pairs in Reach(grid, coarse, sites, floors_deg):
        satellite = pairs.satellites[pairs.satellite]
        found |= set(zip(satellite.tolist(), pairs.number.tolist(), pairs.place.tolist(), strict=True))
    satellite, number = np.divmod(np.arange(len(fleet) * every), every)
    arcs = ArcTable(grid.about_middles(satellite, number)[1])
    up = 0
    for place, (site, floor_deg) in enumerate(zip(sites, floors_deg, strict=True)):
        for at in (-0.5, 0.0, 0.5):
            position_km = arcs.position_km(np.arange(len(satellite)), np.full(len(satellite), at))
            offset_km = site.east_north_up @ (position_km - site.position_km[:, None])
            seen = np.flatnonzero(offset_km[2] > np.sin(np.radians(floor_deg)) * np.linalg.norm(offset_km, axis=0))
            up += len(seen)
            for k in seen.tolist():
                assert (int(satellite[k]), int(number[k]), place) in found
    assert up > 100
