"""Places, latitudes, the world and fleets side by side: laws, cases by hand, and the plain way beside the quick one."""

from __future__ import annotations

import os
import pickle
import signal
from collections.abc import Callable
from dataclasses import astuple, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from passim import Coverage, Fleet, Horizon, Site, Span, find_passes, intervals, read_elements, walker
from passim.answers.sites import figures as site_figures
from passim.answers.sites.compare import MASKS_DEG, SiteComparison, compare_fleets, compare_sites
from passim.answers.sites.figures import RunningFigures, SiteFigures, figures_of, report_on_places
from passim.answers.sites.refinement import LatitudeWalk, WorldWalk, latitude_levels, world_levels
from passim.answers.sites.sweeps import (
    LatitudeSweep,
    Place,
    PlaceSweep,
    ShareSweep,
    WorldSummary,
    latitudes_both_ways,
    sweep_latitudes,
    travelling,
    world_places,
    world_table,
)
from passim.coverage import Service
from passim.coverage.visibility import Visibility, find_visibilities, find_visibility
from passim.errors import EmptyFleetError, InputError
from passim.intervals import GroupedIntervals
from passim.parallel.chunks import WorkerConfig
from passim.sky.limits import Cone, Excluded, Gateway, GatewayLimit, ServingShare
from passim.sky.view import View
from passim.spans import DailyHours
from passim_apps.text.sites import latitude_sentence, site_sentence

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
GATEWAY = GatewayLimit((Gateway("South", 39.604, -28.0),))


def pattern(total: int = 360, planes: int = 18, phasing: int = 7, name: str = "invented") -> Fleet:
    return walker(
        total=total,
        planes=planes,
        phasing=phasing,
        inclination_deg=53.0,
        altitude_km=550.0,
        epoch=EPOCH,
        name=name,
    )


def place(latitude_deg: float, longitude_deg: float = -28.0, mask_deg: float = 25.0, name: str = "") -> Site:
    title = name or f"{latitude_deg:g},{longitude_deg:g}"
    return Site(title, latitude_deg, longitude_deg, 0.0, "Atlantic/Azores", Horizon.flat(mask_deg))


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return pattern()


@pytest.fixture(scope="module")
def span() -> Span:
    return Span.starting(EPOCH, hours=6)


# --- the quick way against the plain one ------------------------------------------------------------------------------


def plain_figures(seen: Visibility) -> SiteFigures:
    """The figures by way of every limit, every peak and the coverage of the whole span."""
    joint = seen.joint()
    coverage = Coverage.from_intervals(joint.start, joint.end, seen.span)
    summary = coverage.summary()
    return SiteFigures(
        **{name: summary[name] for name in SiteFigures.names() if name in summary},
        gaps_per_hour=coverage.gaps_per_hour(),
    )


@pytest.mark.parametrize("few", [36, 2])
def test_figures_over_several_slices_are_those_of_the_plain_way(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, few: int
) -> None:
    """Over 30 hours the search works in two slices, and in ten where there are more than `few` places.

    Gaps and passes that go over the edge of a slice must not be cut there. A pass that an edge cuts short is looked at
    closer, which moved an end of one by 0.09 ms.
    """
    monkeypatch.setattr(site_figures, "_FEW", few)
    span = Span.starting(EPOCH + timedelta(hours=1), hours=30)
    ring = Horizon.from_points([(0, 25), (90, 40), (180, 20), (270, 30)])
    views = [
        View(place(45.0, mask_deg=35.0), (GATEWAY, ServingShare(80.0))),
        View(place(45.0, mask_deg=40.0), (Cone(180.0, 20.0, 60.0), ServingShare(80.0)), lowest_elevation_deg=30.0),
        View(replace(place(50.0), horizon=ring), (ServingShare(80.0),)),
        View(replace(place(50.0), horizon=ring), (ServingShare(80.0),), lowest_elevation_deg=28.0),
        View(place(85.0), (ServingShare(80.0),)),
    ]
    quick = [found.figures for found in figures_of(fleet, views, span, workers=WorkerConfig(1))]
    plain = [plain_figures(seen) for seen in find_visibilities(fleet, views, span)]
    if few < len(views):
        for one, other in zip(quick, plain, strict=True):
            assert astuple(one) == pytest.approx(astuple(other), rel=1e-6)
    else:
        assert quick == plain
    assert quick[0].gap_count > 10
    assert quick[-1] == SiteFigures(0.0, 1, 0.0, span.duration_s, span.duration_s, 0, 0.0, 0)


def test_a_tally_joins_what_the_edges_of_its_stretches_cut() -> None:
    """By hand: in view 0-5, 8-10, and 10-12 of 20 s, cut at 10; gaps 5-8 and, over the second edge at 15, 12-20."""
    span = Span(EPOCH, EPOCH + timedelta(seconds=20))
    start, second = span.start_us, 1_000_000
    tally = RunningFigures(span)
    for low, high, found in ((0, 10, [(0, 5), (8, 10)]), (10, 15, [(10, 12)]), (15, 20, [])):
        pairs = np.array(found, dtype=np.int64).reshape(-1, 2) * second + start
        satellites = GroupedIntervals(np.zeros(len(pairs), dtype=np.int64), pairs[:, 0], pairs[:, 1])
        tally.add(satellites, Span(EPOCH + timedelta(seconds=low), EPOCH + timedelta(seconds=high)))
    figures = tally.figures()
    assert figures.gap_count == 2
    assert (figures.gap_longest_s, figures.gap_mean_s) == (8.0, 5.5)  # of 3 and 8 s
    assert figures.covered_fraction == pytest.approx(9 / 20)
    assert figures.gaps_per_hour == pytest.approx(2 * 180.0)
    assert (figures.in_view_min, figures.in_view_max, figures.in_view_mean) == (0, 1, pytest.approx(9 / 20))


# --- shared out -------------------------------------------------------------------------------------------------------


def killed_while_working(common: Any, chunk: Any, tell: Callable[[float], None]) -> Any:
    """Do the work of a chunk, but the first time a chunk is half done, kill the worker."""
    mark = Path(os.environ["PASSIM_TEST_MARK"])

    def tell_and_die(done: float) -> None:
        tell(done)
        if done > 0.5 and not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)

    return site_figures._figures_of_some(common, chunk, tell_and_die)


def test_figures_do_not_depend_on_who_works(span: Span, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """One process, two, and two of which one is killed half-way through its chunk; by groups of places and by time."""
    fleet = pattern(60, 6, 1)
    views = [View(place(latitude, longitude)) for latitude in (0.0, 45.0) for longitude in range(-180, 180, 45)]
    monkeypatch.setattr(site_figures, "PLACES_TOGETHER", 6)  # three groups
    monkeypatch.setattr(site_figures, "_FEW", 6)
    alone = list(figures_of(fleet, views, span, workers=WorkerConfig(1)))
    assert list(figures_of(fleet, views, span, workers=WorkerConfig(2))) == alone
    monkeypatch.setenv("PASSIM_TEST_MARK", str(tmp_path / "mark"))
    monkeypatch.setattr(site_figures, "_figures_of_some", killed_while_working)
    # The worker takes the real work from the module anew; only this process knows the other name for it.
    assert list(figures_of(fleet, views, span, workers=WorkerConfig(2))) == alone
    assert (tmp_path / "mark").exists()


def test_a_fleet_that_decays_on_the_way_counts_as_long_as_it_lasted(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second of the samples decays at 02:25: of eight slices only the first two have one."""
    monkeypatch.setattr(site_figures, "_FEW", 2)
    samples, views = (
        read_elements("tle_samples/decayed.tle"),
        [View(place(0.0, 30.0 * k - 180.0, 0.0)) for k in range(12)],
    )
    span = Span.starting(EPOCH, hours=12)
    found = list(figures_of(samples.select([1]), views, span, workers=WorkerConfig(1)))
    assert max(here.figures.covered_fraction for here in found) > 0.0
    assert [entry[0] for entry in found[0].unusable] == ["90102"]
    assert found[0].unusable[0][2].endswith("from 2026-03-01 02:25Z on")
    with pytest.raises(EmptyFleetError, match="no satellite left of 1: Gone at epoch"):
        list(figures_of(samples.select([0]), views, span, workers=WorkerConfig(1)))


def test_a_fleet_travels_without_its_models(fleet: Fleet, span: Span) -> None:
    find_passes(fleet, place(45.0), span)
    assert "_propagator" in fleet.__dict__
    copy = pickle.loads(pickle.dumps(fleet))
    assert copy == fleet
    assert copy.name == fleet.name
    assert "_propagator" not in copy.__dict__


# --- named sites ------------------------------------------------------------------------------------------------------


def test_sites_side_by_side(fleet: Fleet, span: Span) -> None:
    """The regular check fleet: no gap under the sky alone at 45 N, gaps with the gateway 600 km due south."""
    views = [
        View(place(45.0, name="open")),
        View(place(45.0, name="with gateway"), (GATEWAY,)),
        View(place(45.0, name="in a yard", mask_deg=35.0), (GATEWAY,)),
    ]
    hours = DailyHours(0, 120)
    found = compare_sites(fleet, views, span, call_hours=[hours, hours, None])
    table = found.table
    assert (found.best, found.worst) == (0, 2)
    assert table["site"].tolist() == ["open", "with gateway", "in a yard"]
    assert table["best_limit"].tolist()[:2] == ["", "gateway"]
    # Lifting the gateway gives everything back, since the sky alone has no gap.
    out_s = (1.0 - table["covered_fraction"]) * span.duration_s
    assert table["best_limit_gives_back_s"][1] == pytest.approx(out_s[1])
    assert out_s[1] > 0.0
    # The figures are those of the quick way.
    for row, quick in zip(table.itertuples(), figures_of(fleet, views, span, workers=WorkerConfig(1)), strict=True):
        assert row.covered_fraction == quick.figures.covered_fraction
        assert row.gaps_per_hour == quick.figures.gaps_per_hour
        assert row.gap_longest_s == quick.figures.gap_longest_s
    # The call hours: 00:00 to 02:00 of the Azores is 01:00 to 03:00 UTC in winter.
    assert table["call_hours_s"].tolist() == [7200.0, 7200.0, 0.0]
    passes = find_visibility(fleet, views[1], span).passes()
    gaps = Coverage.from_passes(passes, Span.starting(EPOCH + timedelta(hours=1), hours=2)).gaps()
    assert table["call_frozen_s"][1] == pytest.approx(gaps["duration_s"].sum())
    assert table["call_frozen_s"][0] == 0.0
    assert np.isnan(table["call_frozen_s"][2])


def test_waits_of_the_service_count_as_frozen(fleet: Fleet, span: Span) -> None:
    instant = View(place(45.0))
    slow = replace(instant, service=Service(acquisition_s=2.0), label="slow")
    table = compare_sites(fleet, [instant, slow], span, call_hours=[DailyHours()] * 2).table
    assert table["call_frozen_s"][0] == 0.0
    assert table["call_frozen_s"][1] > 60.0
    assert table["covered_fraction"][0] == 1.0
    # What is frozen is the time without service, and lifting handovers gives all of it back.
    assert 1.0 - table["covered_fraction"][1] == pytest.approx(table["call_frozen_s"][1] / span.duration_s)
    assert table["best_limit"].tolist() == ["", "handover"]
    assert table["best_limit_gives_back_s"][1] == table["call_frozen_s"][1]


def test_call_times_follow_the_clock_on_the_wall() -> None:
    """Berlin, 2026-03-29: at 02:00 the clocks jump to 03:00, so 01:00 to 04:00 lasts two hours; Mondays only: none."""
    span = Span(datetime(2026, 3, 28, 23, 0, 30, tzinfo=UTC), datetime(2026, 3, 29, 22, tzinfo=UTC))
    day = intervals.Intervals(*DailyHours(60, 240).within(span, "Europe/Berlin"))
    assert intervals.total_length(day) == 2 * 3600 * 1_000_000
    assert not DailyHours(60, 240, (0,)).within(span, "Europe/Berlin")[0].size
    # The span begins half a minute into its first minute.
    whole = intervals.Intervals(*DailyHours().within(span, "Europe/Berlin"))
    assert intervals.total_length(whole) == span.end_us - span.start_us


def test_sites_that_cannot_be_compared_are_refused(fleet: Fleet, span: Span) -> None:
    with pytest.raises(InputError, match="sites; got 0; wanted 1 to 100"):
        compare_sites(fleet, [], span)
    with pytest.raises(InputError, match=r"a twice.*a name of its own"):
        compare_sites(fleet, [View(place(1.0, name="a")), View(place(2.0, name="a"))], span)


# --- latitudes --------------------------------------------------------------------------------------------------------


def test_latitudes_are_taken_in_both_hemispheres() -> None:
    assert latitudes_both_ways(0, 60, 20) == [-60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0]
    assert latitudes_both_ways(-10, 20, 10) == [-20.0, -10.0, 0.0, 10.0, 20.0]
    assert latitudes_both_ways(0.1, 0.3, 0.1) == [-0.3, -0.2, -0.1, 0.1, 0.2, 0.3]
    assert latitudes_both_ways(45, 45, 5) == [-45.0, 45.0]


@pytest.mark.parametrize(
    ("given", "told"),
    [((50, 40, 5), "ascending"), ((0, 91, 5), "within -90"), ((0, 60, 0), "step over 0"), ((0, 90, 0.01), "at most")],
)
def test_latitudes_that_are_none_are_refused(given: tuple[float, float, float], told: str) -> None:
    with pytest.raises(InputError, match=told):
        latitudes_both_ways(*given)
    with pytest.raises(InputError, match="latitudes"):
        latitudes_both_ways(float("nan"), 60, 5)


def test_a_sweep_averages_over_longitudes(span: Span) -> None:
    fleet = pattern(60, 6, 1)
    view = View(place(45.0), (GATEWAY,))
    found = sweep_latitudes(fleet, view, [-50.0, 0.0, 50.0, 75.0], span, longitudes=3, workers=WorkerConfig(1))
    table = found.table.set_index("latitude_deg")
    sites = [place(50.0, longitude) for longitude in (-120.0, 0.0, 120.0)]
    passes = find_passes(fleet, sites, span)
    covered = [Coverage.from_passes(passes[passes["site"] == site.name], span).covered_fraction() for site in sites]
    row = table.loc[50.0]
    assert row["covered_fraction"] == pytest.approx(np.mean(covered))
    # Many places share a search, whose edges may be some microseconds from those of one.
    extremes = row["covered_fraction_min"], row["covered_fraction_max"]
    assert extremes == pytest.approx((min(covered), max(covered)), abs=1e-7)
    assert row["covered_fraction_min"] < row["covered_fraction_max"]
    # Nothing is in view from 75 N, by either way.
    assert table.loc[75.0, ["covered_fraction", "in_view_mean", "in_view_closed_form"]].tolist() == [0.0, 0.0, 0.0]
    assert found.none_from_deg == 75.0
    assert found.table["latitude_deg"][found.worst] == 75.0
    assert found.report.objects_searched == 60
    assert found.left_out == 0


def test_limits_of_the_fleet_hold_in_sweeps(span: Span) -> None:
    fleet = pattern(60, 6, 1)
    numbers = fleet.satellite_ids.tolist()
    half = View(place(45.0), (Excluded.of(numbers[:30]),))
    found = sweep_latitudes(fleet, half, [45.0], span, longitudes=2, workers=WorkerConfig(1))
    other = sweep_latitudes(
        fleet.select(range(30, 60)), View(place(45.0)), [45.0], span, longitudes=2, workers=WorkerConfig(1)
    )
    pd.testing.assert_frame_equal(found.table, other.table)
    with pytest.raises(InputError, match="satellite to leave out"):
        sweep_latitudes(fleet, View(place(45.0), (Excluded.of(["7"]),)), [45.0], span, workers=WorkerConfig(1))


def test_a_sweep_leaves_gateways_at_home() -> None:
    view = View(place(45.0), (GATEWAY, Cone(0.0, 0.0, 50.0)))
    assert travelling(view).names == ("horizon", "cone")


def test_sweeps_refuse_what_they_cannot_do(fleet: Fleet, span: Span) -> None:
    ring = Horizon.from_points([(0, 25), (180, 30)])
    with pytest.raises(InputError, match="one elevation all round"):
        PlaceSweep(fleet, View(replace(place(45.0), horizon=ring)), [(0.0, 0.0)], span)
    with pytest.raises(InputError, match="longitudes; got 0"):
        sweep_latitudes(fleet, View(place(45.0)), [45.0], span, longitudes=0)
    with pytest.raises(InputError, match="latitudes; got 'none'"):
        sweep_latitudes(fleet, View(place(45.0)), [], span)
    with pytest.raises(EmptyFleetError):
        PlaceSweep(Fleet([]), View(place(45.0)), [(0.0, 0.0)], span)


# --- the world --------------------------------------------------------------------------------------------------------


def test_the_world_at_ten_degrees_has_648_points() -> None:
    places = world_places(10.0)
    assert len(places) == 648
    assert (places[0], places[-1]) == ((85.0, -175.0), (-85.0, 175.0))
    # The cells tile the sphere: weighted by the cosine of the latitude they give its mean.
    latitudes = np.radians([latitude for latitude, _ in places])
    assert np.average(np.sin(latitudes) ** 2, weights=np.cos(latitudes)) == pytest.approx(1 / 3, rel=0.01)
    assert len(world_places(90.0)) == 8
    for step in (7.0, 0.0, -10.0, 100.0, 0.1, float("nan")):
        with pytest.raises(InputError, match=r"step of the world's grid.*divide 180"):
            world_places(step)


def test_the_world_is_streamed_and_summed(span: Span) -> None:
    fleet = pattern(60, 6, 1)
    sweep = PlaceSweep(fleet, View(place(0.0)), world_places(45.0), span, workers=WorkerConfig(1))
    summary, rows = WorldSummary(), []
    for here in sweep:
        summary.add(here)
        rows.append(here)
    table = world_table(rows)
    assert list(table.columns) == ["latitude_deg", "longitude_deg", *SiteFigures.names()]
    assert (len(table), summary.places) == (32, 32)
    weights = np.cos(np.radians(table["latitude_deg"]))
    assert summary.covered_fraction == pytest.approx(np.average(table["covered_fraction"], weights=weights))
    assert summary.never_in_fraction == pytest.approx(np.average(table["covered_fraction"] == 0.0, weights=weights))
    # Beyond 61.5 degrees nothing of 53 degrees at 550 km is in view: the rows at 67.5 have nothing.
    assert (table.loc[table["latitude_deg"].abs() > 62.0, "in_view_max"] == 0).all()
    assert (table.loc[table["latitude_deg"].abs() < 62.0, "in_view_max"] > 0).all()


def test_a_grid_is_taken_coarse_first_and_no_place_twice() -> None:
    """By hand: 15, 35, 55, 75 degrees and every second longitude first, then the rest."""
    for step_deg, sizes in ((30.0, [72]), (10.0, [144, 504]), (5.0, [144, 504, 1944]), (2.5, [144, 504, 1944, 7776])):
        levels, every = world_levels(world_places(step_deg)), world_places(step_deg)
        assert [len(level) for level in levels] == sizes, step_deg
        assert sorted(place for level in levels for place in level) == sorted(every)
    first, then = world_levels(world_places(10.0))
    assert {latitude for latitude, _ in first} == {k * s for k in (15.0, 35.0, 55.0, 75.0) for s in (1.0, -1.0)}
    assert {longitude for _, longitude in first} == set(np.arange(-165.0, 180.0, 20.0))
    assert (5.0, -175.0) in then
    # Wide steps round the Earth are not thinned.
    page = world_levels([(latitude, longitude) for latitude in (-15.0, -5.0, 5.0, 15.0) for longitude in (-90.0, 90.0)])
    assert [sorted({latitude for latitude, _ in level}) for level in page] == [[-15.0, 15.0], [-5.0, 5.0]]
    assert latitude_levels([0.0, 45.0, -45.0]) == [[-45.0, 0.0, 45.0]]
    assert latitude_levels([-60.0, -50.0, -40.0, 40.0, 50.0, 60.0]) == [[-50.0, 50.0], [-60.0, -40.0, 40.0, 60.0]]


def test_a_walk_finds_what_a_sweep_finds(span: Span) -> None:
    fleet, view, places = pattern(60, 6, 1), View(place(0.0)), world_places(15.0)
    walk = WorldWalk(fleet, view, places, span, step_s=30.0, workers=WorkerConfig(1))
    came = list(walk)
    found = list(ShareSweep(fleet, view, places, span, 30.0, workers=WorkerConfig(1)))
    pd.testing.assert_frame_equal(world_table(came), world_table(found))
    assert walk.summary is not None
    assert (walk.summary.places, walk.whole_step_deg, walk.report.objects_searched) == (288, 15.0, 60)
    walking = LatitudeWalk(fleet, view, [0.0, 45.0], span, longitudes=2, workers=WorkerConfig(1))
    rows = list(walking)
    swept = sweep_latitudes(fleet, view, [0.0, 45.0], span, longitudes=2, workers=WorkerConfig(1))
    assert len(rows) == 2
    pd.testing.assert_frame_equal(walking.swept.table, swept.table)


def test_a_summary_counts_area() -> None:
    full, none = SiteFigures(1.0, 0, 0.0, 0.0, 0.0, 1, 2.0, 3), SiteFigures(0.0, 1, 0.0, None, 60.0, 0, 0.0, 0)
    summary = WorldSummary()
    summary.add(Place(0.0, 0.0, full))
    summary.add(Place(60.0, 0.0, none))
    assert summary.covered_fraction == pytest.approx(2 / 3)
    assert summary.never_out_fraction == pytest.approx(2 / 3)
    assert summary.never_in_fraction == pytest.approx(1 / 3)


# --- fleets -----------------------------------------------------------------------------------------------------------


def test_fleets_side_by_side(span: Span) -> None:
    fleets = [pattern(name="large"), pattern(180, 18, 1, name="small")]
    view = View(place(45.0), (GATEWAY,))
    found = compare_fleets(fleets, view, span, workers=WorkerConfig(1))
    assert len(found.table) == 2 * len(MASKS_DEG) * 2
    covered = found.table.set_index(["fleet", "gateway", "mask_deg"])["covered_fraction"]
    for name in ("large", "small"):
        # A higher mask never covers more, and a gateway never does.
        for kind in ("with", "without"):
            assert covered[name, kind].is_monotonic_decreasing
        assert (covered[name, "with"] <= covered[name, "without"]).all()
    assert covered["large", "without", 25.0] == 1.0
    hangs = found.sensitivity.set_index("fleet")
    small = covered["small"]
    assert hangs.loc["small", "covered_least"] == small.min()
    assert hangs.loc["small", "mask_spread"] == pytest.approx(small["with"].max() - small["with"].min())
    assert hangs.loc["small", "gateway_spread"] == pytest.approx((small["without"] - small["with"]).max())
    assert [report.objects_searched for report in found.reports] == [360, 180]


def test_without_a_gateway_nothing_is_said_of_one(fleet: Fleet, span: Span) -> None:
    found = compare_fleets([fleet], View(place(45.0)), span, masks_deg=(25.0, 40.0), workers=WorkerConfig(1))
    assert found.table["gateway"].unique().tolist() == ["none known"]
    assert np.isnan(found.sensitivity["gateway_spread"][0])
    with pytest.raises(InputError, match="invented twice"):
        compare_fleets([fleet, fleet], View(place(45.0)), span)
    with pytest.raises(InputError, match="at least one of each"):
        compare_fleets([fleet], View(place(45.0)), span, masks_deg=())


# --- ties -------------------------------------------------------------------------------------------------------------


def swept(covered: list[float], in_view: list[float], fleet: Fleet, step_deg: float = 5.0) -> LatitudeSweep:
    """A sweep from the equator on in both hemispheres, with these figures by distance from the equator."""
    both = [(-step_deg * k, k) for k in range(len(covered) - 1, 0, -1)] + [
        (step_deg * k, k) for k in range(len(covered))
    ]
    table = pd.DataFrame(
        {
            "latitude_deg": [latitude for latitude, _ in both],
            "places": 12,
            "covered_fraction": [covered[k] for _, k in both],
            "covered_fraction_max": [covered[k] for _, k in both],
            "in_view_mean": [in_view[k] for _, k in both],
        }
    )
    return LatitudeSweep(table, report_on_places(fleet, 0, ()), 0)


def test_a_sweep_in_parts_is_the_sweep_of_the_whole(fleet: Fleet, span: Span) -> None:
    latitudes_deg, alone = [-60.0, -20.0, 0.0, 30.0, 55.0], WorkerConfig(processes=1)
    whole, one, other = (
        sweep_latitudes(fleet, travelling(View(place(0.0))), each, span, longitudes=2, step_s=60.0, workers=alone)
        for each in (latitudes_deg, latitudes_deg[::2], latitudes_deg[1::2])
    )
    joined = LatitudeSweep.joined([other, one])
    pd.testing.assert_frame_equal(joined.table, whole.table)
    assert (joined.left_out, joined.share_error) == (whole.left_out, max(one.share_error, other.share_error))


def test_latitudes_that_tie_are_named_and_told_apart_by_satellites_in_view(fleet: Fleet) -> None:
    every = swept([1.0, 1.0, 1.0], [5.0, 6.0, 9.14], fleet)
    assert every.table["latitude_deg"][every.best] == 10.0
    assert latitude_sentence(every, "24 h") == (
        "Every latitude looked at is covered 100 % of 24 h, mean of 12 places around the Earth; most satellites at "
        "10° N: 9.1 satellites in view on average."
    )
    some = swept([0.9, 1.0, 1.0, 0.5, 0.0], [3.0, 5.0, 4.0, 2.0, 0.0], fleet)
    assert some.level_deg == (-10.0, -5.0, 5.0, 10.0)
    assert latitude_sentence(some, "24 h") == (
        "Service is equally good from 5° to 10° N and S: covered 100 % of 24 h, mean of 12 places around the Earth, "
        "with most satellites at 5° N, 5.0 satellites in view on average; from 20° on there is none."
    )
    one = swept([0.9, 0.95, 0.8], [3.0, 5.0, 9.0], fleet)
    one.table.loc[one.table["latitude_deg"] < 0.0, "covered_fraction"] -= 0.01
    assert latitude_sentence(one, "24 h").startswith("Service is best at 5° N: covered 95.0 % of 24 h")
    none = swept([0.0, 0.0], [0.0, 0.0], fleet)
    assert latitude_sentence(none, "24 h").startswith("No latitude looked at has any service in 24 h")


def test_places_that_tie_are_named_and_told_apart_by_satellites_in_view(fleet: Fleet) -> None:
    def row(site: str, covered: float, in_view: float) -> dict[str, object]:
        gaps = 0 if covered == 1.0 else 1
        return {
            "site": site, "covered_fraction": covered, "gap_count": gaps, "gaps_per_hour": 0.0,
            "gap_longest_s": 86_400.0 * (1.0 - covered), "in_view_mean": in_view, "call_frozen_s": np.nan,
            "call_hours_s": 0.0,
        }  # fmt: skip

    def told(*rows: dict[str, object]) -> str:
        return site_sentence(SiteComparison(pd.DataFrame(rows), report_on_places(fleet, 0, ()), ()), "24 h")

    a, b, low, far, pole = (
        row("A", 1.0, 4.0),
        row("B", 1.0, 7.5),
        row("L", 0.9, 2.0),
        row("F", 0.0, 0.0),
        row("P", 0.0, 0.0),
    )
    assert told(a, b) == (
        "None of 2 places is ever without service in 24 h, B with most satellites in view, 7.5 on average."
    )
    assert told(a, b, low) == (
        "Of 3 places A and B are never without service in 24 h, B with most satellites in view, 7.5 on average; L is "
        "covered 90.0 % of the time (1 gap, the longest 2 h 24 min)."
    )
    assert told(low, far) == (
        "Of 2 places L is covered 90.0 % of the time (1 gap, the longest 2 h 24 min) in 24 h; F has no service at all."
    )
    assert told(low, far, pole).endswith("; F and P have no service at all.")
