"""What a skyline costs by sector, and what lowering it gives back: the quick way against searching anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from passim import Coverage, Horizon, InputError, Site, SiteError, Span, find_passes, walker
from passim.answers.sites.horizon_cost import sector_costs, what_if_horizon, what_if_lowered
from passim.coverage.causes import causes_of
from passim.coverage.visibility import find_visibility
from passim.sky.limits import Cone, Gateway, GatewayLimit
from passim.sky.view import View

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(EPOCH, hours=12)
FLEET = walker(total=240, planes=12, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")
# A row of firs in the north-west and a shed in the east (invented).
FIRS = Horizon.from_points(
    [(0, 25), (60, 25), (63, 50), (97, 50), (100, 25), (280, 25), (285, 60), (330, 60), (334, 25)]
)
VIEW = View(Site("Marram", 45.0, -28.0, horizon=FIRS), (Cone(0.0, 20.0, 62.0),))


@pytest.fixture(scope="module")
def visibility():
    return find_visibility(FLEET, VIEW, SPAN)


def gap_s(view):
    joint = find_visibility(FLEET, view, SPAN).joint()
    gaps = Coverage.from_intervals(joint.start, joint.end, SPAN).gap_intervals
    return (gaps.end - gaps.start).sum() / 1e6


def with_horizon(horizon):
    return replace(VIEW, site=replace(VIEW.site, horizon=horizon), lowest_elevation_deg=25.0)


def without_sector(low_deg, high_deg):
    """Return the skyline with one sector down to the floor, written out by hand: steps a millionth of a degree wide."""
    step = 1e-6
    kept = [(a, e) for a, e in zip(FIRS.azimuths_deg, FIRS.elevations_deg, strict=True) if not low_deg <= a <= high_deg]
    ends = [(low_deg - step, float(FIRS.elevation_deg(low_deg - step))), (low_deg, 25.0)]
    ends += [(high_deg, 25.0), (high_deg + step, float(FIRS.elevation_deg(high_deg + step)))]
    return Horizon.from_points(sorted(kept + ends))


@pytest.mark.parametrize("low_deg", [280.0, 290.0, 310.0, 320.0, 330.0])
def test_a_sector_costs_what_a_search_without_it_gives_back(visibility, low_deg):
    table = sector_costs(visibility)
    row = table[table["from_deg"] == low_deg].iloc[0]
    given_back_s = gap_s(VIEW) - gap_s(with_horizon(without_sector(low_deg, low_deg + 10.0)))
    assert given_back_s > 10.0
    # Each of some hundred edges is known to a millisecond.
    assert row["given_back_s"] == pytest.approx(given_back_s, abs=0.05)


def test_sectors_go_round_and_say_how_high_the_skyline_is(visibility):
    table = sector_costs(visibility, 10.0)
    assert table["from_deg"].tolist() == list(range(0, 360, 10))
    assert table["to_deg"].tolist() == list(range(10, 361, 10))
    highest = table.set_index("from_deg")["horizon_highest_deg"]
    assert (highest[[0, 60, 100, 280, 290, 330]] == [25.0, 50.0, 25.0, 60.0, 60.0, 60.0]).all()
    assert (table["given_back_s_per_day"] == 2.0 * table["given_back_s"]).all()
    # Where the skyline is at the floor there is nothing to give back.
    assert (table.loc[table["horizon_highest_deg"] == 25.0, "given_back_s"] == 0.0).all()
    # No sector gives back more than lifting the whole horizon, and half the circle no less than its costliest sector.
    all_s = causes_of(visibility).seconds_by_cause().set_index("limit").loc["horizon", "given_back_s"]
    halves = sector_costs(causes_of(visibility), 180.0)
    assert table["given_back_s"].max() <= halves["given_back_s"].max() <= all_s
    wide = sector_costs(visibility, 90.0)
    assert wide["given_back_s"].iloc[3] >= table["given_back_s"].iloc[27:].max()


@pytest.mark.parametrize("width_deg", [0.0, -10.0, 7.0, 0.5, 360.0, float("nan")])
def test_a_width_that_does_not_divide_the_circle_is_refused(visibility, width_deg):
    with pytest.raises(InputError, match="width of a sector"):
        sector_costs(visibility, width_deg)


def test_an_open_horizon_costs_nothing():
    gateway = GatewayLimit((Gateway("South", 39.604, -28.0),))
    found = find_visibility(FLEET, View(Site("Marram", 45.0, -28.0), (gateway,)), SPAN)
    table = sector_costs(found)
    assert (table["given_back_s"] == 0.0).all()
    assert len(causes_of(found).table) > 10


@pytest.mark.parametrize(
    ("from_deg", "to_deg", "by_deg"), [(280, 335, 5), (280, 335, 20), (55, 105, 30), (300, 20, 10)]
)
def test_lowering_gives_back_what_a_new_search_says(visibility, from_deg, to_deg, by_deg):
    what_if = what_if_lowered(visibility, from_deg, to_deg, by_deg)
    assert what_if.gap_s_before == pytest.approx(gap_s(VIEW), abs=1e-6)
    assert what_if.gap_s_after == pytest.approx(gap_s(with_horizon(what_if.horizon)), abs=1e-4)
    # The other edges are found anew too, each to a millisecond.
    assert what_if.given_back_s >= -0.002
    assert what_if.given_back_s_per_day == pytest.approx(2.0 * what_if.given_back_s)
    inside = (np.arange(0.0, 360.0, 0.5) - from_deg) % 360.0 < (to_deg - from_deg) % 360.0
    change = FIRS.elevation_deg(np.arange(0.0, 360.0, 0.5)) - what_if.horizon.elevation_deg(np.arange(0.0, 360.0, 0.5))
    assert np.abs(change[~inside]).max() < 1e-6
    assert change[inside].max() == pytest.approx(by_deg, abs=1e-6)


def test_lowering_all_the_way_is_lifting_the_horizon(visibility):
    lifted = causes_of(visibility).seconds_by_cause().set_index("limit").loc["horizon", "given_back_s"]
    assert what_if_lowered(visibility, 0.0, 360.0, 80.0).given_back_s == pytest.approx(lifted, abs=1e-4)


def test_a_higher_skyline_takes_away(visibility):
    raised = what_if_lowered(visibility, 340.0, 55.0, -20.0)
    assert raised.given_back_s < -10.0
    assert raised.gap_count_after > raised.gap_count_before
    same = what_if_horizon(visibility, FIRS)
    assert (same.given_back_s, same.gap_count_after) == (0.0, same.gap_count_before)


def test_a_plain_view_agrees_with_passes():
    site = Site("Marram", 45.0, -28.0, horizon=FIRS)
    what_if = what_if_lowered(find_visibility(FLEET, View(site), SPAN), 280.0, 335.0, 10.0)
    passes = find_passes(FLEET, replace(site, horizon=what_if.horizon), SPAN)
    assert what_if.gap_count_after == len(Coverage.from_passes(passes, SPAN).gaps())


def test_a_sector_that_is_none_is_refused(visibility):
    with pytest.raises(SiteError, match="sector of the horizon"):
        what_if_lowered(visibility, 100.0, 100.0, 5.0)
