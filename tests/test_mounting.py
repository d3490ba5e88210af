"""Mounting spots, mast heights and unknown horizons compared.

The figures of the invented station Marram come from tests/step_simulation.py, which takes nothing of passim:
loft under the sky alone no gap; yard 2.5 % out in 69 gaps, the longest 110 s; loft with its gateway 1.8 % out in 77
gaps, the longest 44 s.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from passim.answers.sites import mounting
from passim.answers.sites.mounting import compare_masts, compare_spots, horizon_range
from passim.elements.patterns import walker
from passim.elements.records import Fleet
from passim.errors import SiteError
from passim.sky.horizon import Horizon
from passim.sky.limits.gateways import Gateway, GatewayLimit
from passim.sky.site import Site
from passim.sky.survey import Obstacle
from passim.sky.view import View
from passim.spans import Span
from passim_apps.text.mounting import MOUNTING_CAUTIONS
from tests import scenario

DAY = datetime(2026, 11, 25, tzinfo=UTC)
LOFT, YARD = View(scenario.MARRAM_LOFT, label="loft"), View(scenario.MARRAM_YARD, label="yard")
SOUTH = GatewayLimit((Gateway("South", 39.6, -28.0, 50.0, Horizon.flat(25.0)),))

# A ring of firs, 14 m high and 15 m from a mount at 2 m: 38.7 deg, with a gap to the north.
FIRS = [Obstacle(float(bearing_deg), 12.0, 15.0, 14.0, f"fir {bearing_deg}") for bearing_deg in range(45, 331, 15)]


@pytest.fixture(scope="module")
def plover() -> Fleet:
    return scenario.plover(DAY)


@pytest.fixture(scope="module")
def few() -> Fleet:
    return walker(
        total=90, planes=9, phasing=2, inclination_deg=53.0, altitude_km=550.0, epoch=DAY, name="Walker invented"
    )


def test_the_loft_against_the_yard_for_a_day(plover: Fleet) -> None:
    # One propagation answers for the sky alone and for the gateway too.
    with_gateway = View(scenario.MARRAM_LOFT, (SOUTH,))
    result = compare_spots(plover, [("loft", LOFT), ("yard", YARD), ("gateway", with_gateway)], Span.starting(DAY, 24))
    table = result.table.set_index("spot")
    loft, yard, gateway = (dict(table.loc[spot]) for spot in ("loft", "yard", "gateway"))
    assert [loft[name] for name in ("gap_count", "out_s_per_day", "gap_longest_s")] == [0, 0.0, 0.0]
    assert yard["gap_count"] == pytest.approx(69, abs=1)
    assert yard["out_s_per_day"] == pytest.approx(0.025 * 86400, rel=0.03)
    assert yard["gap_longest_s"] == pytest.approx(110.0, abs=3.0)
    assert yard["difference_s_per_day"] == yard["out_s_per_day"]
    # Steps of 2 s see a gap shorter than that with a chance of half its length: of 80 exact gaps about 77.
    seen_by_steps = np.minimum(result.coverages[2].gaps()["duration_s"].to_numpy() / 2.0, 1.0).sum()
    assert seen_by_steps == pytest.approx(77, abs=1.5)
    assert gateway["out_s_per_day"] == pytest.approx(0.018 * 86400, rel=0.03)
    assert gateway["gap_longest_s"] == pytest.approx(44.0, abs=3.0)
    assert result.best == 0
    assert len(result.coverages) == 3


def test_each_metre_of_mast_brings_service_or_nothing_and_never_takes_it(few: Fleet) -> None:
    view = View(Site("Field", 45.0, -28.0, 40.0))
    result = compare_masts(few, view, FIRS, [2.0, 5.0, 8.0, 13.9, 14.0, 20.0], Span.starting(DAY, 6))
    table = result.table
    out_s = table["out_s_per_day"].to_numpy()
    assert (np.diff(out_s) <= 1e-6).all()
    assert out_s[0] > out_s[2] > 0.0
    assert table["gained_s_per_day"].tolist() == pytest.approx([0.0, *(-np.diff(out_s))])
    assert table["difference_s_per_day"].tolist() == pytest.approx(list(out_s - out_s[0]))
    # From 14 m the firs are no obstacle and the mask of the terminal is all that is left.
    assert table["horizon_highest_deg"].tolist() == pytest.approx([38.6598, 30.9638, 25.0, 25.0, 25.0, 25.0], abs=1e-3)
    assert out_s[-1] == out_s[-2]
    plain = compare_spots(few, [("a", view), ("b", view)], Span.starting(DAY, 6)).table
    assert out_s[-1] == plain["out_s_per_day"][0]


def test_declination_turns_the_obstacles_of_a_mast(few: Fleet) -> None:
    view, span = View(Site("Field", 45.0, -28.0, 40.0)), Span.starting(DAY, 6)
    turned = [Obstacle((o.bearing_deg + 20.0) % 360.0, o.width_m, o.distance_m, o.height_m) for o in FIRS]
    by_compass = compare_masts(few, view, FIRS, [2.0], span, declination_deg=20.0).table
    assert by_compass.equals(compare_masts(few, view, turned, [2.0], span).table)
    assert by_compass["out_s_per_day"][0] != compare_masts(few, view, FIRS, [2.0], span).table["out_s_per_day"][0]


def test_an_unknown_horizon_gives_a_range_that_holds_what_it_turns_out_to_be(few: Fleet) -> None:
    span = Span.starting(DAY, 6)
    view = View(Site("Van", 45.0, -28.0), (SOUTH,))
    table = horizon_range(few, view, span).table
    assert table["horizon"].tolist() == ["open", "bad"]
    assert table["horizon_highest_deg"].tolist() == [25.0, 45.0]
    skyline = Horizon.from_points([(0.0, 26.0), (120.0, 44.0), (240.0, 30.0)])
    real = compare_spots(
        few, [("real", View(Site("Van", 45.0, -28.0, horizon=skyline), (SOUTH,))), ("again", view)], span
    )
    low, high = table["out_s_per_day"]
    assert low < real.table["out_s_per_day"][0] < high
    narrower = horizon_range(few, view, span, open_deg=30.0, bad_deg=40.0).table["out_s_per_day"]
    assert low < narrower[0] < narrower[1] < high


def test_heights_run_from_the_lowest_to_the_highest() -> None:
    assert mounting.mast_heights(2.0, 5.0, 1.0) == [2.0, 3.0, 4.0, 5.0]
    # A tenth is no binary fraction: the last step must not get lost.
    assert mounting.mast_heights(2.0, 2.3, 0.1) == [2.0, 2.1, 2.2, 2.3]
    assert mounting.mast_heights(2.0, 4.5, 2.0) == [2.0, 4.0]
    assert mounting.mast_heights(3.0, 3.0, 1.0) == [3.0]
    with pytest.raises(SiteError, match="mount heights; got '8 to 2 m by 1 m'"):
        mounting.mast_heights(8.0, 2.0, 1.0)
    with pytest.raises(SiteError, match="mount heights; got '2 to 8 m by 0 m'"):
        mounting.mast_heights(2.0, 8.0, 0.0)
    with pytest.raises(SiteError, match="at most 40; try a greater step"):
        mounting.mast_heights(2.0, 8.0, 0.01)


def test_what_cannot_be_compared_is_refused(few: Fleet) -> None:
    span = Span.starting(DAY, 1)
    with pytest.raises(SiteError, match="mounting spots; got 1; wanted at least two"):
        compare_spots(few, [("loft", LOFT)], span)
    with pytest.raises(SiteError, match="mounting spots; got 'loft twice'"):
        compare_spots(few, [("loft", LOFT), ("loft", YARD)], span)
    with pytest.raises(SiteError, match=r"mount heights; got .* ascending"):
        compare_masts(few, LOFT, FIRS, [3.0, 2.0], span)
    with pytest.raises(SiteError, match="mount heights; got 41; wanted at most 40"):
        compare_masts(few, LOFT, FIRS, list(range(41)), span)
    with pytest.raises(SiteError, match="range of horizons; got '45 to 25 deg'"):
        horizon_range(few, LOFT, span, open_deg=45.0, bad_deg=25.0)


def test_the_cautions_name_every_danger() -> None:
    said = " ".join(MOUNTING_CAUTIONS)
    words = ["wet or steep roofs", "power lines", "fall protection", "earth the mast", "wind load", "local codes"]
    assert [word for word in words if word not in said.lower()] == []
