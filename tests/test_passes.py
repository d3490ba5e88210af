"""The pass search as a whole: what a table holds, the laws that passes obey, and several sites at once."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from element_sets import DAY, EPOCH, SITE, element_set, report
from passim import Fleet, Horizon, Site, Span, find_passes, walker
from passim.errors import InputError
from passim.orbits.arcs import NodeGrid
from passim.orbits.propagation import Propagator
from passim.sky import cull, fleet_search, iterate_passes, pass_intervals
from passim.sky.passes import PASS_COLUMNS
from passim.spans import microseconds

# Every object counts here, at its shell or not; tests/test_warnings.py holds what is warned of.
pytestmark = pytest.mark.filterwarnings("ignore::passim.NotServingWarning")


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return walker(total=40, planes=8, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")


@pytest.fixture(scope="module")
def mixed() -> Fleet:
    """Low, eccentric, highly elliptical, navigation and geosynchronous orbits: every length of segment."""
    return Fleet(
        [
            *(element_set(k) for k in range(1, 9)),
            *(element_set(k, mean_motion_rev_day=12.0, eccentricity=0.15, perigee_deg=25.0 * k) for k in range(11, 15)),
            *(
                element_set(k, mean_motion_rev_day=2.0057, eccentricity=0.7, inclination_deg=63.4, perigee_deg=270.0)
                for k in range(21, 24)
            ),
            *(element_set(k, mean_motion_rev_day=2.0057, inclination_deg=55.0) for k in range(31, 34)),
            element_set(41, mean_motion_rev_day=1.00273, inclination_deg=60.0),
        ]
    )


@pytest.fixture(scope="module")
def table(fleet: Fleet) -> pd.DataFrame:
    return find_passes(fleet, SITE, DAY)


def same(one: pd.DataFrame, other: pd.DataFrame, within_us: float = 2.0) -> bool:
    """Say whether two tables hold the same passes, to so many microseconds, and angles to what they turn meanwhile."""
    # Near the zenith of a low satellite an azimuth turns by up to some ten degrees a second; an edge is never there.
    within_deg = 5.0 * within_us / 1e6
    if one.columns.tolist() != other.columns.tolist() or len(one) != len(other):
        return False
    for column in one.columns:
        a, b = one[column], other[column]
        if column in ("rise", "set"):
            if len(a) and (a - b).abs().max() > pd.Timedelta(microseconds=within_us):
                return False
        elif column == "peak":
            # At its top a pass is flat: half a millisecond changes nothing.
            if len(a) and (a - b).abs().max() > pd.Timedelta(milliseconds=0.5):
                return False
        elif a.dtype.kind == "f":
            turn = (a - b + 180.0) % 360.0 - 180.0 if "azimuth" in column else a - b
            if len(a) and turn.abs().max() > (1e-2 if column == "peak_azimuth_deg" else within_deg):
                return False
        elif a.tolist() != b.tolist():
            return False
    return True


# The table


def test_columns_and_their_types(table: pd.DataFrame) -> None:
    assert tuple(table.columns) == PASS_COLUMNS
    assert len(table) > 100
    for column in ("rise", "peak", "set"):
        assert str(table[column].dtype) == "datetime64[us, UTC]"
    for column in ("duration_s", "peak_elevation_deg", "rise_azimuth_deg", "peak_azimuth_deg", "set_azimuth_deg"):
        assert table[column].dtype == np.float64
    for column in ("cut_at_start", "cut_at_end"):
        assert table[column].dtype == bool
    assert str(table["satellite_id"].dtype) == str(table["name"].dtype) == "str"
    assert table["rise"].is_monotonic_increasing
    assert table.index.tolist() == list(range(len(table)))


def test_the_laws_of_a_pass(table: pd.DataFrame) -> None:
    assert (table["rise"] < table["set"]).all()
    assert ((table["rise"] <= table["peak"]) & (table["peak"] <= table["set"])).all()
    assert table["duration_s"].to_numpy() == pytest.approx((table["set"] - table["rise"]).dt.total_seconds().to_numpy())
    assert (table["peak_elevation_deg"] > 25.0).all()
    assert (table["peak_elevation_deg"] <= 90.0).all()
    for column in ("rise_azimuth_deg", "peak_azimuth_deg", "set_azimuth_deg"):
        assert ((table[column] >= 0.0) & (table[column] < 360.0)).all()
    # 269.44 s is the longest pass at 550 km and 25 deg over an Earth that does not turn (Larson & Wertz, recalled;
    # recomputed); turning along with the satellite it lasts longer, by the ratio of the rates at most: 1 / (1 - 0.067).
    assert table["duration_s"].max() < 269.44 / (1.0 - 0.067)
    for _, own in table.groupby("satellite_id"):
        assert (own["rise"].to_numpy()[1:] > own["set"].to_numpy()[:-1]).all()


def elevation_deg(fleet: Fleet, site: Site, satellite_id: str, when: pd.Timestamp, after_s: float) -> float:
    """Return the elevation from SGP4 itself, by own arithmetic."""
    index = fleet.satellite_ids.tolist().index(satellite_id)
    grid = NodeGrid(Propagator.of(fleet), microseconds(when.to_pydatetime()) - 10_000_000, 600.0)
    offset = grid.positions_km(np.array([index]), np.array([10.0 + after_s]))[0] - site.position_km
    return float(np.degrees(np.arcsin(site.east_north_up[2] @ offset / np.linalg.norm(offset))))


def test_elevation_climbs_through_the_mask_at_a_rise_and_falls_through_it_at_a_set(
    fleet: Fleet, table: pd.DataFrame
) -> None:
    whole = table[~(table["cut_at_start"] | table["cut_at_end"])]
    for row in whole.iloc[::5].itertuples():
        for edge, sign in ((row.rise, 1.0), (row.set, -1.0)):
            before, after = (elevation_deg(fleet, SITE, row.satellite_id, edge, s) for s in (-0.005, 0.005))
            assert sign * (before - 25.0) < 0.0 < sign * (after - 25.0)
        top = [elevation_deg(fleet, SITE, row.satellite_id, row.peak, s) for s in (-1.0, 0.0, 1.0)]
        assert top[1] > max(top[0], top[2])
        assert top[1] == pytest.approx(row.peak_elevation_deg, abs=2e-4)


# Walls with upright ends (invented): of no width at 40, 91 and 200 deg, of half a degree at 120.
WALLS = Horizon.from_points(
    [(0, 12), (40, 12), (40.000001, 50), (91, 50), (91.000001, 12), (120, 12), (120.5, 60), (200, 60), (200.0001, 12)]
)


def edge_errors_s(fleet: Fleet, horizon: Horizon, span: Span, within_s: float) -> np.ndarray:
    """Return how far each edge lies from where SGP4's own path passes the skyline, found by halving, in s.

    An edge at which that does not happen within `within_s` is infinitely far; those cut by the span are left out.
    """
    site = Site("Marram", 45.0, -28.0, 40.0, horizon=horizon)
    passes = find_passes(fleet, site, span)
    numbers = {name: k for k, name in enumerate(fleet.satellite_ids.tolist())}
    rises, sets = passes[~passes["cut_at_start"]], passes[~passes["cut_at_end"]]
    index = np.array([numbers[name] for name in [*rises["satellite_id"], *sets["satellite_id"]]])
    found_us = pd.concat([rises["rise"], sets["set"]]).dt.as_unit("us").astype("int64").to_numpy()
    sign = np.repeat([1.0, -1.0], [len(rises), len(sets)])
    grid = NodeGrid(Propagator.of(fleet), span.start_us, span.duration_s)

    def is_inside(time_s: np.ndarray) -> np.ndarray:
        east, north, up = site.east_north_up @ (grid.positions_km(index, time_s) - site.position_km).T
        skyline_deg = site.horizon.elevation_deg(np.degrees(np.arctan2(east, north)) % 360.0)
        return (np.degrees(np.arctan2(up, np.hypot(east, north))) > skyline_deg) == (sign > 0.0)

    found_s = (found_us - span.start_us) / 1e6
    low, high = found_s - within_s, found_s + within_s
    passed = ~is_inside(low) & is_inside(high)
    for _ in range(25):
        middle = 0.5 * (low + high)
        inside = is_inside(middle)
        low, high = np.where(inside, low, middle), np.where(inside, middle, high)
    return np.where(passed, np.abs(found_s - high), np.inf)


def test_edges_beside_a_wall_are_exact_to_the_millisecond(fleet: Fleet) -> None:
    """A satellite that comes almost straight at the site crosses the side of a wall slowly: there metres are long.

    The ends of the last two walls stand where satellites of this fleet rise or set that come by overhead.
    """
    walls = [
        WALLS,
        Horizon.from_points([(125.309, 70.0), (125.31, 12.0), (305.309, 12.0), (305.31, 70.0)]),
        Horizon.from_points([(56.92, 12.0), (56.920001, 70.0), (236.92, 70.0), (236.921, 12.0)]),
    ]
    for horizon in walls:
        error_s = edge_errors_s(fleet, horizon, DAY, 0.004)
        assert len(error_s) > 300
        assert error_s.max() < 0.0005


@settings(max_examples=15)
@given(
    latitude=st.floats(-90.0, 90.0),
    longitude=st.floats(-180.0, 180.0),
    mask=st.floats(0.0, 80.0),
    more=st.floats(0.1, 9.0),
)
def test_a_higher_mask_gives_shorter_passes_within_the_longer_ones(
    latitude: float, longitude: float, mask: float, more: float
) -> None:
    fleet = Fleet([element_set(k, inclination_deg=30.0 + 9.0 * k, eccentricity=0.002 * k) for k in range(1, 7)])
    span = Span.starting(EPOCH, hours=8)
    low, high = (
        find_passes(fleet, Site("place", latitude, longitude, horizon=Horizon.flat(m)), span)
        for m in (mask, mask + more)
    )
    assert set(report(low).never_up) <= set(report(high).never_up)
    for row in high.itertuples():
        around = low[(low["satellite_id"] == row.satellite_id) & (low["rise"] <= row.rise) & (low["set"] >= row.set)]
        assert len(around) == 1
        assert around["peak_elevation_deg"].iloc[0] >= row.peak_elevation_deg - 1e-4
    for _, own in low.groupby("satellite_id"):
        assert (own["rise"].to_numpy()[1:] >= own["set"].to_numpy()[:-1]).all()


def test_every_mask_from_0_to_89_works(fleet: Fleet) -> None:
    hours = [
        find_passes(fleet, Site("m", 45.0, -28.0, horizon=Horizon.flat(mask)), DAY)["duration_s"].sum() / 3600.0
        for mask in (0.0, 10.0, 25.0, 40.0, 60.0, 80.0, 89.0)
    ]
    assert hours == sorted(hours, reverse=True)
    assert hours[0] > 50.0
    assert hours[-2] > 0.0


# Cuts


def test_the_edges_of_the_span_cut_passes_and_flag_them(fleet: Fleet, table: pd.DataFrame) -> None:
    whole = table[(table["duration_s"] > 100.0) & ~table["cut_at_start"] & ~table["cut_at_end"]].iloc[10]
    start, end = whole["rise"] + timedelta(seconds=30), whole["set"] - timedelta(seconds=30)
    cut = find_passes(fleet, SITE, Span(start.to_pydatetime(), end.to_pydatetime()))
    own = cut[cut["satellite_id"] == whole["satellite_id"]].iloc[0]
    assert (own["cut_at_start"], own["cut_at_end"]) == (True, True)
    assert (own["rise"], own["set"]) == (start, end)
    assert whole["satellite_id"] in report(cut).always_up
    only_end = find_passes(fleet, SITE, Span(EPOCH, end.to_pydatetime()))
    own = only_end[(only_end["satellite_id"] == whole["satellite_id"])].iloc[-1]
    assert (own["cut_at_start"], own["cut_at_end"]) == (False, True)
    assert abs(own["rise"] - whole["rise"]) <= pd.Timedelta(microseconds=2)
    # Inside the longer span neither edge cuts it.
    assert not table.loc[whole.name, ["cut_at_start", "cut_at_end"]].any()


@pytest.mark.parametrize("seconds", [0.5, 7.25, 299.0, 301.0, 1234.567891, 86_399.999999])
def test_a_span_need_not_be_a_multiple_of_anything(fleet: Fleet, table: pd.DataFrame, seconds: float) -> None:
    start = EPOCH + timedelta(hours=1, microseconds=333_333)
    span = Span(start, min(start + timedelta(seconds=seconds), DAY.end))
    found = find_passes(fleet, SITE, span)
    # What the day's table says of this stretch, cut by hand.
    expected = table[(table["set"] > pd.Timestamp(span.start)) & (table["rise"] < pd.Timestamp(span.end))]
    rise = expected["rise"].clip(lower=pd.Timestamp(span.start))
    set_ = expected["set"].clip(upper=pd.Timestamp(span.end))
    order = np.lexsort((expected["satellite_id"].astype(int), rise))
    assert found["satellite_id"].tolist() == expected["satellite_id"].iloc[order].tolist()
    for ours, theirs in ((found["rise"], rise.iloc[order]), (found["set"], set_.iloc[order])):
        off = np.abs((ours.to_numpy() - theirs.to_numpy()) / np.timedelta64(1, "us"))
        # Other nodes make other arcs: both are within a millisecond of the truth.
        assert off.max(initial=0.0) < 1500.0


def test_a_day_border_inside_a_long_span_cuts_no_pass(mixed: Fleet) -> None:
    # The work is done in parts of a day; passes across the border of two come out whole, as from a span without it.
    two_days = find_passes(mixed, SITE, Span.starting(EPOCH, hours=48))
    border = pd.Timestamp(EPOCH + timedelta(hours=24))
    across = two_days[(two_days["rise"] < border) & (two_days["set"] > border)]
    assert len(across) >= 2
    shifted = find_passes(mixed, SITE, Span.starting(EPOCH + timedelta(hours=12), hours=24))
    for row in across.itertuples():
        same_pass = shifted[(shifted["satellite_id"] == row.satellite_id) & (shifted["rise"] < border)]
        same_pass = same_pass[same_pass["set"] > border].iloc[0]
        for edge, cut in (("rise", "cut_at_start"), ("set", "cut_at_end")):
            if not (same_pass[cut] or getattr(row, cut)):
                assert abs(same_pass[edge] - getattr(row, edge)) < pd.Timedelta(milliseconds=1)
    for satellite_id, own in two_days.groupby("satellite_id"):
        assert (own["rise"].to_numpy()[1:] > own["set"].to_numpy()[:-1]).all(), satellite_id


# Several sites


def test_several_sites_are_the_tables_of_each_behind_one_another(mixed: Fleet) -> None:
    sites = [
        Site("north", 58.5, -28.0, 60.0),
        Site("a profile", 45.0, -28.0, horizon=Horizon.from_points([(0, 10), (90, 40), (180, 15), (270, 30)])),
        Site("equator", 0.0, 179.9, horizon=Horizon.flat(10.0)),
    ]
    together = find_passes(mixed, iter(sites), DAY)
    assert together.columns.tolist() == ["site", *PASS_COLUMNS]
    assert together["site"].drop_duplicates().tolist() == ["north", "a profile", "equator"]
    assert str(together["site"].dtype) == "str"
    singles = [find_passes(mixed, site, DAY) for site in sites]
    for site, single in zip(sites, singles, strict=True):
        own = together[together["site"] == site.name].drop(columns="site").reset_index(drop=True)
        assert same(own, single)
    # Never up means at none of them, always up at all of them.
    never = [set(report(single).never_up) for single in singles]
    assert set(report(together).never_up) == set.intersection(*never)
    for single, table in zip(singles, iterate_passes(mixed, sites, DAY), strict=True):
        assert same(table, single)


def test_one_site_in_a_list_keeps_the_site_column(fleet: Fleet, table: pd.DataFrame) -> None:
    listed = find_passes(fleet, [SITE], DAY)
    assert listed["site"].tolist() == ["Marram"] * len(table)
    assert same(listed.drop(columns="site"), table)


def test_sites_must_be_some_and_have_names_of_their_own(fleet: Fleet) -> None:
    with pytest.raises(InputError, match="sites; got 'none'; wanted at least one site"):
        find_passes(fleet, [], DAY)
    with pytest.raises(
        InputError, match="names of the sites; got 'Marram twice'; wanted a name of its own for each site"
    ):
        find_passes(fleet, [SITE, Site("Marram", 0.0, 0.0)], DAY)


def test_progress_climbs_to_one(fleet: Fleet) -> None:
    shares: list[float] = []
    find_passes(fleet, [SITE, Site("other", 0.0, 0.0)], Span.starting(EPOCH, hours=60), progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(shares) == 6


# The horizon


def test_a_tree_splits_a_pass_in_two() -> None:
    # A trunk two degrees wide and 60 deg high, due east over an open field.
    field = Horizon.from_points([(0, 10), (89, 10), (89.5, 60), (90.5, 60), (91, 10)])
    open_field, tree = Site("open", 45.0, -28.0, horizon=Horizon.flat(10.0)), Site("tree", 45.0, -28.0, horizon=field)
    fleet = Fleet([element_set(k) for k in range(1, 31)])
    without, behind = find_passes(fleet, open_field, DAY), find_passes(fleet, tree, DAY)
    split = 0
    for row in without.itertuples():
        own = behind[
            (behind["satellite_id"] == row.satellite_id) & (behind["rise"] >= row.rise) & (behind["set"] <= row.set)
        ]
        passes_east = (
            min(row.rise_azimuth_deg, row.set_azimuth_deg) < 88.0
            and 92.0 < max(row.rise_azimuth_deg, row.set_azimuth_deg) < 180.0
            and row.peak_elevation_deg < 50.0
        )
        if passes_east:
            split += 1
            first, second = own.itertuples()
            assert 0.5 < (second.rise - first.set).total_seconds() < 60.0
            # It goes in on one flank of the trunk and comes out on the other.
            flanks = sorted([first.set_azimuth_deg, second.rise_azimuth_deg])
            assert 89.0 < flanks[0] < 89.5
            assert 90.5 < flanks[1] < 91.0
            # Each piece has its own peak; the higher is that of the pass, if it did not stand behind the tree.
            assert max(first.peak_elevation_deg, second.peak_elevation_deg) <= row.peak_elevation_deg + 1e-4
        assert abs(own["duration_s"].sum() - row.duration_s) < (60.0 if passes_east else row.duration_s)
    assert split >= 2


def test_a_profile_as_high_all_around_is_a_mask(fleet: Fleet, table: pd.DataFrame) -> None:
    level = Horizon.from_points([(0, 25), (120, 25), (240, 25)])
    assert same(find_passes(fleet, Site("level", 45.0, -28.0, 40.0, horizon=level), DAY), table)
    # A notch of a millionth of a degree makes it a profile, and changes nothing to speak of.
    notched = Horizon.from_points([(0, 25), (120, 25), (240, 25.000001)])
    assert same(find_passes(fleet, Site("notched", 45.0, -28.0, 40.0, horizon=notched), DAY), table, within_us=400.0)


# The machinery


@pytest.mark.parametrize(
    "site", [SITE, Site("profile", 45.0, -28.0, horizon=Horizon.from_points([(0, 10), (100, 40)]))]
)
def test_results_do_not_depend_on_how_the_work_is_cut(
    mixed: Fleet, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    span = Span.starting(EPOCH, hours=30.3)
    usual = find_passes(mixed, site, span)
    assert len(usual) > 30
    monkeypatch.setattr(pass_intervals, "_MOST_SEGMENTS", 7)
    assert same(find_passes(mixed, site, span), usual)
    # The smallest parts are of an hour.
    monkeypatch.setattr(fleet_search, "_MOST_STATES", 1)
    assert len(fleet_search.FleetSearch(mixed, span).parts) >= 31
    assert same(find_passes(mixed, site, span), usual, within_us=500.0)


def test_segments_that_the_cull_left_out_are_looked_at_where_a_pass_runs_into_them(
    fleet: Fleet, table: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A cull that keeps of each pass the one segment with its peak is far too tight.
    keys = [
        f"{r.satellite_id} {int((r.peak - pd.Timestamp(EPOCH)).total_seconds() // 300)}" for r in table.itertuples()
    ]

    def tight(grid: NodeGrid, *others: object) -> tuple[np.ndarray, np.ndarray]:
        satellite, number = cull.segments_within_cull(grid, *others)  # type: ignore[arg-type]
        kept = [f"{fleet.satellite_ids[s]} {n}" in keys for s, n in zip(satellite, number, strict=True)]
        assert 0 < sum(kept) < len(kept)
        return satellite[kept], number[kept]

    monkeypatch.setattr(pass_intervals, "segments_within_cull", tight)
    assert same(find_passes(fleet, SITE, DAY), table)


def test_the_cull_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    # The closed form that says which segments can come into reach, against looking at every node of every orbit.
    draw = np.random.default_rng(5)
    records = [
        element_set(
            k,
            mean_motion_rev_day=draw.uniform(8.1, 16.2),
            eccentricity=draw.uniform(0.0, 0.0099) if k % 3 else 0.0,
            inclination_deg=np.degrees(np.arccos(draw.uniform(-1.0, 1.0))),
            node_deg=draw.uniform(0.0, 360.0),
            perigee_deg=draw.uniform(0.0, 360.0),
            mean_anomaly_deg=draw.uniform(0.0, 360.0),
        )
        for k in range(1, 121)
    ]
    fleet = Fleet(records)
    for latitude, mask in ((0.0, 0.0), (48.0, 0.0), (90.0, 5.0), (-33.0, 25.0), (61.0, 60.0), (20.0, 85.0)):
        site = Site("place", latitude, 100.0, horizon=Horizon.flat(mask))
        culled = find_passes(fleet, site, DAY)
        with monkeypatch.context() as patch:
            patch.setattr(cull, "_LARGEST_ECCENTRICITY", -1.0)
            assert same(find_passes(fleet, site, DAY), culled)
        assert len(culled)
