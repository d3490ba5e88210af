"""What opens each gap: scenes in which one limit binds and must be named, pairs, and the laws on invented intervals."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim import Coverage, Fleet, Horizon, InputError, Site, Span, walker
from passim.coverage.blocked import blocked_always
from passim.coverage.causes import OUT_OF_SKY, THREE_OR_MORE, Causes, causes_of, compass, seconds_by_cause
from passim.coverage.sky_map import sky_track
from passim.coverage.verdict import RoofLine
from passim.coverage.visibility import Visibility, find_visibility, positions_km
from passim.elements.health import assess
from passim.intervals import GroupedIntervals, Intervals, clip, difference, total_length
from passim.sky.limits import ArcKeepOut, Cone, Excluded, Gateway, GatewayLimit, ServingFilter, ServingShare
from passim.sky.limits.geostationary_arc import arc_of
from passim.sky.local_arcs import unit_vector
from passim.sky.look_angles import look_angles
from passim.sky.view import View
from passim.spans import microseconds

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)

# The regular fleet leaves no gap at 45 N above 25 deg.
REGULAR = walker(
    total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="regular (invented)"
)
# Neither does a ring of 24 over the equator, where at most two are up at once, in the west and in the east.
RING = walker(
    total=24, planes=1, phasing=0, inclination_deg=0.0, altitude_km=550.0, epoch=EPOCH, name="ring (invented)"
)

OPEN = Horizon.flat(25.0)
TREE_IN_THE_WEST = Horizon.from_points([(0, 25), (260, 25), (261, 50), (279, 50), (280, 25)])


def gateways(latitude_deg, longitude_deg, mask_deg=25.0):
    return GatewayLimit((Gateway("South", latitude_deg, longitude_deg, 0.0, Horizon.flat(mask_deg)),))


def regular_view(horizon=OPEN, **tight):
    """A view at 45 N with every limit there is, all of them slack but those in `tight`."""
    slack = {
        "cone": Cone(0.0, 0.0, 75.0),
        "arc": ArcKeepOut(0.01),
        "gateway": gateways(45.0, -28.0, mask_deg=20.0),
        "share": ServingShare(100.0),
        "excluded": Excluded(()),
        "serving": ServingFilter(),
    }
    return View(Site("Marram", 45.0, -28.0, horizon=horizon), tuple((slack | tight).values()), 25.0)


def ring_view(horizon=OPEN, **tight):
    """A view on the equator. There the arc lies where the ring does, so that even a slack keep-out is none."""
    slack = {
        "cone": Cone(0.0, 0.0, 75.0),
        "gateway": gateways(0.0, -28.0, mask_deg=20.0),
        "share": ServingShare(100.0),
        "excluded": Excluded(()),
        "serving": ServingFilter(),
    }
    return View(Site("Line", 0.0, -28.0, horizon=horizon), tuple((slack | tight).values()), 25.0)


def seen(fleet, view, hours=3.0):
    return find_visibility(fleet, view, Span.starting(EPOCH, hours=hours))


def plane_of(name):
    return int(name.split()[-1].split("-")[0])


def on_the_way(name):
    return plane_of(name) % 2 == 0


def drifted(fleet):
    """Return the fleet with every second plane 16 to 64 km up, as planes are on the way to or from their shell."""
    return Fleet([raised(r, 10.0 + 3.0 * plane_of(r.name)) if on_the_way(r.name) else r for r in fleet], fleet.name)


def raised(record, by_km):
    """Return a record at 550 km moved up, by Kepler's third law."""
    slower = (6928.135 / (6928.135 + by_km)) ** 1.5
    return replace(record, mean_motion_rev_day=record.mean_motion_rev_day * slower)


def middle_us(table):
    """Return the middle of each gap, microseconds since 1970 UTC."""
    start, end = (table[column].astype("int64").to_numpy() for column in ("start", "end"))
    return (start + end) // 2


@pytest.mark.parametrize(("fleet", "view"), [(REGULAR, regular_view()), (RING, ring_view())], ids=["45 N", "equator"])
def test_slack_limits_open_no_gap(fleet, view):
    causes = causes_of(seen(fleet, view))
    table = causes.table
    assert len(table) == 0
    assert list(table.columns) == [
        "start", "end", "duration_s", "cut_at_start", "cut_at_end", "cause", "closed_by", "closed_by_pairs",
        *(f"given_back_{name}_s" for name in view.names),
        "missing_azimuth_deg", "missing_elevation_deg", "missing_direction", "missing_satellite_id", "blocked_by",
    ]  # fmt: skip
    assert causes.seconds_by_cause()["given_back_s"].tolist() == [0.0] * len(view.names)


# Each scene: what is tight, and the fewest gaps in three hours that this must open.
SCENES = {
    "horizon": (RING, ring_view(TREE_IN_THE_WEST), 30),
    "cone": (REGULAR, regular_view(cone=Cone(0.0, 20.0, 50.0)), 30),
    "cone on the equator": (RING, ring_view(cone=Cone(90.0, 20.0, 50.0)), 30),
    "arc": (REGULAR, regular_view(arc=ArcKeepOut(40.0)), 5),
    "gateway": (REGULAR, regular_view(gateway=gateways(39.604, -28.0)), 30),
    "gateway on the equator": (RING, ring_view(gateway=gateways(0.0, -22.6)), 30),
    "share": (RING, ring_view(share=ServingShare(60.0, seed=4)), 10),
    "excluded": (RING, ring_view(excluded=Excluded.of(["900000003", "900000012"])), 2),
    "serving": (drifted(REGULAR), regular_view(), 2),
}


@pytest.mark.parametrize("scene", SCENES)
def test_the_limit_that_binds_is_named(scene):
    fleet, view, at_least = SCENES[scene]
    name = scene.partition(" ")[0]
    visibility = seen(fleet, view)
    causes = causes_of(visibility)
    table = causes.table
    assert len(table) >= at_least
    assert set(table["cause"]) == set(table["closed_by"]) == set(table["blocked_by"]) == {name}
    assert set(table["closed_by_pairs"]) == {""}
    assert table[f"given_back_{name}_s"].tolist() == table["duration_s"].tolist()

    # Lifting it leaves no gap at all, which a search without that limit confirms.
    lifted = seen(fleet, view.without(name)).joint()
    assert Coverage.from_intervals(lifted.start, lifted.end, visibility.span).covered_fraction() == 1.0
    by_limit = causes.seconds_by_cause().set_index("limit")
    assert by_limit.loc[name, "gaps_closed"] == len(table)
    assert by_limit.loc[name, "given_back_s"] == pytest.approx(table["duration_s"].sum(), abs=1e-6)
    assert by_limit.loc[name, "given_back_s_per_day"] == pytest.approx(8.0 * table["duration_s"].sum(), abs=1e-5)
    assert by_limit.loc[name, "gap_share"] == 1.0

    # The satellite that is shown as missing stands where the table says, and the limit is what stops it there. Each
    # limit is written again here.
    ids = list(visibility.fleet.satellite_ids)
    satellite = np.array([ids.index(i) for i in table["missing_satellite_id"]])
    position_km = positions_km(visibility.fleet, satellite, middle_us(table))
    look = look_angles(view.site, position_km)
    assert np.allclose(look.azimuth_deg, table["missing_azimuth_deg"], rtol=0.0, atol=1e-9)
    assert np.allclose(look.elevation_deg, table["missing_elevation_deg"], rtol=0.0, atol=1e-9)
    assert (look.elevation_deg > 25.0).all()
    assert [compass(a) for a in look.azimuth_deg] == table["missing_direction"].tolist()
    limit = next(each for each in view.all_limits if each.name == name)
    towards = np.stack([unit_vector(*angles) for angles in zip(look.azimuth_deg, look.elevation_deg, strict=True)])
    if name == "horizon":
        assert (look.elevation_deg < view.site.horizon.elevation_deg(look.azimuth_deg)).all()
        assert set(table["missing_direction"]) == {"W"}
    elif name == "cone":
        boresight = unit_vector(limit.azimuth_deg, 90.0 - limit.tilt_deg)
        assert (np.degrees(np.arccos(towards @ boresight)) > 50.0).all()
    elif name == "arc":
        arc = arc_of(view.site).offsets_km(np.radians(np.arange(-75.0, 75.0, 0.05)))
        arc = arc[:, arc[2] > 0.0]
        nearest_deg = np.degrees(np.arccos((towards @ (arc / np.linalg.norm(arc, axis=0))).max(axis=1)))
        assert (nearest_deg < 40.0).all()
    elif name == "gateway":
        assert (look_angles(limit.gateways[0].site, position_km).elevation_deg < 25.0).all()
    elif name == "share":
        assert not limit.serving(fleet, SPAN)[satellite].any()
        assert 0.3 < limit.serving(fleet, SPAN).mean() < 0.9
    elif name == "excluded":
        assert set(table["missing_satellite_id"]) <= {"900000003", "900000012"}
    elif name == "serving":
        assert assess(fleet, visibility.span.middle).counts["drifting"] == 180
        assert all(on_the_way(fleet.names[k]) for k in satellite)


def test_a_keep_out_on_the_equator_takes_the_whole_ring_away():
    # From the equator the arc runs from due east through the zenith to due west, where the ring does.
    visibility = seen(RING, ring_view(arc=ArcKeepOut(1.0)), hours=1.0)
    table = causes_of(visibility).table
    assert table["duration_s"].tolist() == [3600.0]
    assert (table["cause"] + table["blocked_by"]).tolist() == ["arcarc"]
    assert table["cut_at_start"].all()
    assert table["cut_at_end"].all()


def test_a_pair_is_named_where_no_single_limit_closes_the_gap():
    # A flat horizon of 40 deg and a cone of 50 deg that looks straight up bound the same sky: each alone gives back
    # nothing, both together everything.
    view = regular_view(horizon=Horizon.flat(40.0), cone=Cone(0.0, 0.0, 50.0))
    causes = causes_of(seen(REGULAR, view))
    table = causes.table
    assert len(table) > 20
    assert set(table["cause"]) == set(table["closed_by_pairs"]) == set(table["blocked_by"]) == {"horizon with cone"}
    assert set(table["closed_by"]) == {""}
    assert (table["missing_elevation_deg"] < 40.0).all()
    assert (table["missing_elevation_deg"] > 25.0).all()
    # The two bound the same sky to a microsecond, and that is all either gives back.
    assert causes.seconds_by_cause()["given_back_s"].max() < 1e-5 * len(table)


def test_three_limits_on_one_sky_are_told_as_such():
    view = regular_view(
        horizon=Horizon.flat(40.0), cone=Cone(0.0, 0.0, 50.0), gateway=gateways(45.0, -28.0, mask_deg=40.0)
    )
    table = causes_of(seen(REGULAR, view)).table
    assert len(table) > 20
    assert set(table["cause"]) == {THREE_OR_MORE}
    assert set(table["closed_by"]) == set(table["closed_by_pairs"]) == {""}
    assert set(table["blocked_by"]) == {"horizon with cone with gateway"}


def test_either_of_two_is_named_where_each_would_do():
    # The cone ends at 30 deg in the east, so that a satellite is lost there while the next one is still behind a hedge
    # of 30 deg in the west. Above 25 deg both are up at once.
    hedge = Horizon.from_points([(0, 25), (260, 25), (261, 30), (279, 30), (280, 25)])
    view = ring_view(hedge, cone=Cone(270.0, 10.0, 70.0))
    causes = causes_of(seen(RING, view))
    table = causes.table
    assert len(table) > 20
    assert set(table["cause"]) == {"horizon or cone"}
    assert set(table["closed_by"]) == {"horizon, cone"}
    assert set(table["blocked_by"]) <= {"horizon", "cone"}
    # Counted under both: what the limits give back adds up to twice what there is.
    given_back = causes.seconds_by_cause()["given_back_s"].sum()
    assert given_back == pytest.approx(2.0 * table["duration_s"].sum(), abs=1e-5)


def test_an_empty_sky_is_no_limits_fault():
    few = Fleet(list(REGULAR)[:20], "one plane (invented)")
    causes = causes_of(seen(few, regular_view(gateway=gateways(39.604, -28.0))))
    table = causes.table
    empty = table[table["missing_elevation_deg"].isna()]
    assert len(empty)
    assert set(empty["cause"]) == {OUT_OF_SKY}
    assert set(empty["blocked_by"]) == {""}
    assert set(empty["missing_direction"]) == set(empty["missing_satellite_id"]) == {""}
    assert (empty["closed_by"] == "").all()


def test_the_verdict_is_numbers_and_names():
    few = Fleet(list(REGULAR)[:20], "one plane (invented)")
    hedge = Horizon.from_points([(0, 25), (260, 25), (261, 30), (279, 30), (280, 25)])
    pair = regular_view(horizon=Horizon.flat(40.0), cone=Cone(0.0, 0.0, 50.0))
    scenes = (
        (REGULAR, regular_view(horizon=Horizon.flat(40.0)), RoofLine.THE_CAUSE, ("horizon",)),
        (REGULAR, regular_view(gateway=gateways(39.604, -28.0)), RoofLine.NOT_THE_CAUSE, ("gateway",)),
        (RING, ring_view(hedge, cone=Cone(270.0, 10.0, 70.0)), RoofLine.ONE_OF_THE_CAUSES, ("horizon", "cone")),
        (REGULAR, pair, RoofLine.A_PART, ()),
        (few, regular_view(gateway=gateways(39.604, -28.0)), RoofLine.NOT_THE_CAUSE, None),
    )
    for fleet, view, roof_line, leading in scenes:
        causes = causes_of(seen(fleet, view))
        verdict, table = causes.verdict(), causes.table
        by_limit = causes.seconds_by_cause()
        assert verdict.roof_line is roof_line
        assert leading is None or verdict.leading == leading
        assert verdict.gap_count == len(table) == len(causes.each)
        assert verdict.closed_alone == dict(zip(by_limit["limit"], by_limit["gaps_closed"], strict=True))
        assert verdict.several_ways == table["closed_by"].str.contains(",").sum()
        assert verdict.by_no_single == (table["closed_by"] == "").sum()
        assert verdict.only_by_pairs == (table["closed_by_pairs"] != "").sum()
        assert verdict.out_of_sky == table["cause"].str.startswith("no satellite").sum()
        assert verdict.mean_s == pytest.approx(table["duration_s"].mean())
        assert verdict.longest_s == table["duration_s"].max()
        assert verdict.busiest is not None
        assert verdict.busiest.gaps_per_hour >= 0.7 * verdict.gaps_per_hour
        together = table["closed_by_pairs"].str.contains("horizon").sum()
        assert verdict.closed_together["horizon"] == together
    assert causes_of(seen(REGULAR, pair)).verdict().pairs == (("horizon", "cone"),)
    nothing = causes_of(seen(REGULAR, regular_view())).verdict()
    assert (nothing.roof_line, nothing.busiest, nothing.leading) == (RoofLine.NO_GAP, None, ())


# --- the regular check fleet ------------------------------------------------------------------------------------------


def test_regular_fleet_with_and_without_its_gateway():
    # Simulated for the design (own arithmetic): 6.7 % out, 12.1 gaps an hour, mean 20 s, longest 36 s; without the
    # gateway no gap.
    site = Site("Marram", 45.0, -28.0, 0.0, "Atlantic/Azores")
    visibility = seen(REGULAR, View(site, (gateways(39.604, -28.0),)), hours=24.0)
    causes = causes_of(visibility)
    summary = causes.coverage.summary()
    assert 1.0 - summary["covered_fraction"] == pytest.approx(0.067, abs=0.001)
    assert causes.coverage.gaps_per_hour() == pytest.approx(12.1, abs=0.15)
    assert summary["gap_mean_s"] == pytest.approx(19.9, abs=0.5)
    assert summary["gap_longest_s"] == pytest.approx(36.0, abs=1.0)
    assert set(causes.table["cause"]) == {"gateway"}
    alone = visibility.joint(["gateway"])
    assert len(Coverage.from_intervals(alone.start, alone.end, visibility.span).gaps()) == 0
    by_limit = seconds_by_cause(visibility)
    assert by_limit["limit"].tolist() == ["horizon", "gateway"]
    assert by_limit["given_back_s"].tolist() == [0.0, pytest.approx((1 - summary["covered_fraction"]) * 86400.0)]


# --- laws -------------------------------------------------------------------------------------------------------------

SPAN = Span.starting(EPOCH, hours=100.0 / 3600.0)
SECOND_US = 1_000_000


class Named:
    """A limit that only has a name: what it allows is given."""

    def __init__(self, name):
        self.name = name


def invented(allowed_seconds):
    """Return a visibility of three satellites always above the floor, and limits by sets of (satellite, second)."""
    everything = GroupedIntervals(
        np.arange(3), np.full(3, SPAN.start_us, dtype=np.int64), np.full(3, SPAN.end_us, dtype=np.int64)
    )
    allowed = {}
    for name, grid in allowed_seconds.items():
        satellite, second = np.nonzero(grid)
        start = SPAN.start_us + second * SECOND_US
        allowed[name] = GroupedIntervals(satellite.astype(np.int64), start, start + SECOND_US)
    view = View(Site("Marram", 45.0, -28.0), tuple(Named(name) for name in allowed_seconds if name != "horizon"))
    fleet = Fleet(list(REGULAR)[:3], "three (invented)")
    return Visibility(view, SPAN, fleet, everything, allowed, None, (), None)


# Three satellites by a hundred seconds, a bit each: drawn as bytes, which is quicker than 300 draws.
grids = st.binary(min_size=38, max_size=38).map(
    lambda data: np.unpackbits(np.frombuffer(data, np.uint8))[:300].astype(bool).reshape(3, 100)
)
sparse = st.tuples(grids, grids).map(lambda two: two[0] & two[1])


@given(st.fixed_dictionaries({name: grids | sparse for name in ("horizon", "cone", "gateway", "share")}))
def test_causes_against_counting_seconds_one_by_one(grid):
    visibility = invented(grid)
    causes = causes_of(visibility)
    table = causes.table
    names = tuple(grid)

    def covered(lifted):
        kept = [grid[name] for name in names if name not in lifted]
        return np.logical_and.reduce([*kept, np.ones((3, 100), bool)]).any(axis=0)

    first = ((table["start"].astype("int64") - SPAN.start_us) // SECOND_US).tolist()
    last = ((table["end"].astype("int64") - SPAN.start_us) // SECOND_US).tolist()
    assert sum(last) - sum(first) == (~covered(())).sum()
    for fact in causes.seconds_by_cause().to_dict("records"):
        back = [covered((fact["limit"],))[a:b] for a, b in zip(first, last, strict=True)]
        assert fact["gaps_closed"] == sum(each.all() for each in back)
        assert fact["gaps_shortened"] == sum(each.any() and not each.all() for each in back)
    look = visibility.look(np.tile(np.arange(3), len(table)), np.repeat(middle_us(table), 3))
    elevations_deg = look.elevation_deg.reshape(-1, 3).tolist()
    for row, a, b, elevation_deg in zip(table.to_dict("records"), first, last, elevations_deg, strict=True):
        assert not covered(())[a:b].any()
        singles = [name for name in names if covered((name,))[a:b].all()]
        assert row["closed_by"] == ", ".join(singles)
        pairs = [] if singles else [p for p in combinations(names, 2) if covered(p)[a:b].all()]
        assert row["closed_by_pairs"] == ", ".join(" with ".join(pair) for pair in pairs)
        for name in names:
            given_back = row[f"given_back_{name}_s"]
            assert given_back == covered((name,))[a:b].sum()
            assert 0.0 <= given_back <= row["duration_s"]
        # All three satellites are always above the floor, so lifting everything always helps.
        assert row["cause"] == (" or ".join(singles or [" with ".join(p) for p in pairs]) or THREE_OR_MORE)
        middle = (a + b) // 2
        stops = [tuple(n for n in names if not grid[n][satellite, middle]) for satellite in range(3)]
        # The missing satellite is the highest of those that lifting the cause brings back; where nothing closes the
        # gap, of those that the fewest limits stop.
        back = [
            satellite
            for satellite in range(3)
            if any(set(stops[satellite]) <= {*cause} for cause in pairs or [(name,) for name in singles])
        ]
        if not singles and not pairs:
            back = [satellite for satellite in range(3) if len(stops[satellite]) == min(map(len, stops))]
        highest = max(back, key=elevation_deg.__getitem__)
        assert row["missing_satellite_id"] == visibility.fleet.satellite_ids[highest]
        assert row["missing_elevation_deg"] == pytest.approx(elevation_deg[highest], abs=1e-9)
        assert row["blocked_by"] == " with ".join(stops[highest])


@given(st.fixed_dictionaries({name: grids for name in ("horizon", "cone", "gateway")}))
def test_pieces_tell_of_every_second_what_stops_whom(grid):
    stopped = blocked_always(invented(grid))
    assert total_length((stopped.start, stopped.end)) == 100 * SECOND_US
    assert (stopped.end - stopped.start).sum() == 300 * SECOND_US
    told = np.zeros((3, 100), dtype=int)
    for satellite, start, end, limits in zip(*stopped, strict=True):
        told[satellite, (start - SPAN.start_us) // SECOND_US : (end - SPAN.start_us) // SECOND_US] = limits
    assert (told == sum((~grid[name]).astype(int) << bit for bit, name in enumerate(grid))).all()


def test_closed_by_means_that_no_gap_is_left_inside():
    view = regular_view(
        horizon=Horizon.flat(28.0), cone=Cone(0.0, 20.0, 52.0), gateway=gateways(39.604, -28.0), arc=ArcKeepOut(12.0)
    )
    visibility = seen(REGULAR, view, hours=6.0)
    table = causes_of(visibility).table
    assert table["cause"].nunique() > 3
    for name in view.names:
        lifted = visibility.joint([name])
        left = Coverage.from_intervals(lifted.start, lifted.end, visibility.span).gap_intervals
        for row in table.to_dict("records"):
            inside = clip(left, microseconds(row["start"]), microseconds(row["end"]))
            closed = name in row["closed_by"].split(", ")
            assert closed == (len(inside.start) == 0)
            gap = Intervals(*(np.array([microseconds(row[c])]) for c in ("start", "end")))
            back = total_length(difference(gap, (inside.start, inside.end)))
            assert row[f"given_back_{name}_s"] == pytest.approx(back / 1e6, abs=1e-9)


def test_seconds_by_cause_has_no_total():
    table = seconds_by_cause(seen(REGULAR, regular_view(gateway=gateways(39.604, -28.0))))
    assert table["limit"].tolist() == ["horizon", "cone", "arc", "gateway", "share", "excluded", "serving"]
    assert "no row of totals" in Causes.seconds_by_cause.__doc__


# --- words and the sky map --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("azimuth_deg", "word"),
    [(0, "N"), (350, "N"), (348.7, "NNW"), (20, "NNE"), (90, "E"), (202.5, "SSW"), (360, "N")],
)
def test_compass_words(azimuth_deg, word):
    assert compass(azimuth_deg) == word


def test_sky_track_follows_each_pass_and_says_where_it_is_lost():
    view = ring_view(TREE_IN_THE_WEST, gateway=gateways(0.0, -22.6))
    visibility = seen(RING, view, hours=1.0)
    track = sky_track(visibility, step_s=20.0)
    assert list(track.columns) == [
        "piece", "satellite_id", "name", "time", "azimuth_deg", "elevation_deg", "can_serve", "lost_to",
    ]  # fmt: skip
    assert (track["elevation_deg"] > 25.0 - 1e-4).all()
    assert set(track["lost_to"]) == {"", "horizon with gateway", "gateway"}
    assert (track["can_serve"] == (track["lost_to"] == "")).all()
    # A satellite behind the tree is low in the west; one that only the gateway loses stands above the tree.
    behind = track[track["lost_to"] == "horizon with gateway"]
    assert behind["azimuth_deg"].between(269.0, 271.0).all()
    assert (behind["elevation_deg"] < 50.001).all()
    # Pieces of one satellite meet, their samples ascend, and between the ends they fall on whole steps.
    for _, piece in track.groupby("piece"):
        assert piece["satellite_id"].nunique() == piece["lost_to"].nunique() == 1
        assert piece["time"].is_monotonic_increasing
        since = (piece["time"].iloc[1:-1].astype("int64") - visibility.span.start_us) % (20 * SECOND_US)
        assert (since == 0).all()
    ends = track.groupby("piece").agg(
        satellite=("satellite_id", "first"),
        start=("time", "first"),
        end=("time", "last"),
        serves=("can_serve", "first"),
    )
    assert (ends["start"] < ends["end"]).all()
    serving_s = (ends["end"] - ends["start"])[ends["serves"]].dt.total_seconds().sum()
    joint = visibility.joint()
    assert serving_s == pytest.approx((joint.end - joint.start).sum() / 1e6, abs=1e-6)
    for bad in (0.0, -1.0, float("nan")):
        with pytest.raises(InputError, match="step of the sky map"):
            sky_track(visibility, bad)


def test_sky_track_of_an_empty_sky():
    site = Site("Pole", 90.0, 0.0)
    track = sky_track(seen(RING, View(site), hours=1.0))
    assert len(track) == 0
    assert len(causes_of(seen(RING, View(site), hours=1.0)).table) == 1
