"""Visibility limit by limit: laws of lifting, several views at once, and the pass table it gives."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from passim import EmptyFleetError, Fleet, Horizon, InputError, Site, Span, find_passes, walker
from passim.coverage.visibility import find_visibilities, find_visibility
from passim.intervals import difference_by_group, intersection_by_group, union_by_group
from passim.sky.limits import ArcKeepOut, Cone, Gateway, GatewayLimit, ServingShare
from passim.sky.view import View
from passim_apps.text.service import floor_note

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(EPOCH + timedelta(hours=3), hours=8)
FLEET = walker(total=90, planes=9, phasing=2, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")

# A ridge, a roof and a tree two degrees wide (invented).
SKYLINE = Horizon.from_points([(0, 20), (30, 45), (31, 15), (90, 10), (91, 60), (93, 60), (94, 10), (200, 40)])
SITE = Site("Marram", 45.0, -28.0, 40.0, horizon=SKYLINE)
LIMITS = (
    Cone(0.0, 20.0, 55.0),
    ArcKeepOut(12.0),
    GatewayLimit((Gateway("South", 39.604, -28.0), Gateway("East", 45.0, -22.0))),
    ServingShare(80.0, seed=2),
)
VIEW = View(SITE, LIMITS)
NAMES = VIEW.names


@pytest.fixture(scope="module")
def visibility():
    return find_visibility(FLEET, VIEW, SPAN)


def same(a, b, within_us=0):
    """Say whether grouped intervals are the same, to so many microseconds an edge."""
    return (
        a.group.shape == b.group.shape
        and (a.group == b.group).all()
        and np.abs(a.start - b.start).max(initial=0) <= within_us
        and np.abs(a.end - b.end).max(initial=0) <= within_us
    )


def inside(a, b):
    """Say whether no moment of grouped intervals `a` lies outside `b`."""
    return difference_by_group(a, b).group.size == 0


# --- laws of lifting --------------------------------------------------------------------------------------------------


def test_every_limit_allows_only_what_is_above_the_floor(visibility):
    assert tuple(visibility.allowed) == NAMES
    for allowed in visibility.allowed.values():
        assert inside(allowed, visibility.base)
        assert allowed.group.size > 0
        assert not inside(visibility.base, allowed)


def test_lifting_more_only_adds(visibility):
    none = visibility.joint()
    for name in NAMES:
        assert inside(none, visibility.joint([name]))
        assert inside(visibility.joint([name]), visibility.base)
    for a, b in combinations(NAMES, 2):
        assert inside(union_by_group(visibility.joint([a]), visibility.joint([b])), visibility.joint([a, b]))
    assert same(visibility.joint(NAMES), visibility.base)


def test_the_joint_is_what_every_limit_allows(visibility):
    by_hand = visibility.base
    for allowed in reversed(visibility.allowed.values()):
        by_hand = intersection_by_group(by_hand, allowed)
    assert same(visibility.joint(), by_hand)
    assert same(visibility.joint(["horizon"] * 2), visibility.joint(["horizon"]))


@pytest.mark.parametrize("names", [("horizon",), ("cone",), ("gateway", "share"), ("horizon", "arc", "cone")])
def test_lifting_afterwards_is_searching_without(visibility, names):
    assert same(visibility.joint(names), find_visibility(FLEET, VIEW.without(*names), SPAN).joint(), within_us=1)


def test_the_floor_stays_when_the_horizon_is_lifted():
    # Unless told otherwise the floor is the lowest point of the skyline, here under 25 deg, or 25 deg under a high one.
    assert (VIEW.floor_deg, VIEW.without("horizon").floor_deg) == (10.0, 10.0)
    assert View(Site("a", 45.0, 0.0, horizon=Horizon.flat(35.0))).floor_deg == 25.0
    told = View(SITE, lowest_elevation_deg=30.0)
    # It is told where the horizon is lower in places; what is lifted down to the floor is not lower.
    assert [note.text for note in floor_note(told)] == [
        "The terminal works from 30° up: the horizon counts only where it is higher."
    ]
    assert not floor_note(VIEW)
    assert not floor_note(told.without("horizon"))
    found = find_visibility(FLEET, told, SPAN)
    assert found.passes(["horizon"])["peak_elevation_deg"].min() > 30.0
    mask = find_passes(FLEET, Site("a", 45.0, -28.0, 40.0, horizon=Horizon.flat(30.0)), SPAN)
    assert len(mask) == len(found.base.group)


def test_an_unknown_limit_is_refused(visibility):
    for ask in (visibility.joint, visibility.passes):
        with pytest.raises(InputError, match="limit to lift; got 'roof'; wanted one of horizon, cone"):
            ask(["roof"])


# --- several views, several parts -------------------------------------------------------------------------------------


def test_several_views_are_as_each_alone(visibility):
    views = [VIEW, View(Site("Skerry", 52.0, -28.0, 15.0)), VIEW.without("cone")]
    together = find_visibilities(FLEET, iter(views), SPAN)
    assert [found.view for found in together] == views
    assert same(together[0].joint(), visibility.joint())
    for view, found in zip(views, together, strict=True):
        alone = find_visibility(FLEET, view, SPAN)
        assert same(found.joint(), alone.joint())
        assert same(found.base, alone.base)
        assert list(found.allowed) == list(alone.allowed)
    assert find_visibilities(FLEET, [], SPAN) == []


def test_days_are_joined_without_a_seam():
    # The work is cut at midnights of the span; a search from noon to noon has no cut there.
    long = Span.starting(EPOCH, hours=48)
    midnight_us = long.start_us + 86_400_000_000
    whole = find_visibility(FLEET, VIEW, long)
    around = find_visibility(FLEET, VIEW, Span.starting(EPOCH + timedelta(hours=23), hours=2))
    for chosen in (lambda v: v.base, *(lambda v, n=name: v.allowed[n] for name in NAMES), lambda v: v.joint()):
        satellite, start, end = chosen(whole)
        assert (start != midnight_us).all()
        assert (end != midnight_us).all()
        theirs = chosen(around)
        ours = (start > around.span.start_us) & (end < around.span.end_us)
        kept = (theirs.start > around.span.start_us) & (theirs.end < around.span.end_us)
        assert (satellite[ours] == theirs.group[kept]).all()
        assert np.abs(start[ours] - theirs.start[kept]).max() < 1000
        assert np.abs(end[ours] - theirs.end[kept]).max() < 1000
    across = (whole.base.start < midnight_us) & (whole.base.end > midnight_us)
    assert across.any()


def test_progress_runs_from_nothing_to_all():
    told = []
    find_visibilities(FLEET, [VIEW, VIEW], Span.starting(EPOCH, hours=30), progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_an_empty_fleet_is_refused():
    with pytest.raises(EmptyFleetError):
        find_visibility(Fleet([], "none"), VIEW, SPAN)


# --- the pass table ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("horizon", [Horizon.flat(25.0), Horizon.flat(10.0), SKYLINE], ids=["25", "10", "skyline"])
def test_passes_of_a_plain_view_are_those_of_find_passes(horizon):
    site = Site("Marram", 45.0, -28.0, 40.0, horizon=horizon)
    ours = find_visibility(FLEET, View(site), SPAN).passes()
    theirs = find_passes(FLEET, site, SPAN)
    assert list(ours.columns) == list(theirs.columns)
    assert len(ours) == len(theirs) > 20
    assert ours["satellite_id"].tolist() == theirs["satellite_id"].tolist()
    for column in ("rise", "set"):
        apart = (ours[column] - theirs[column]).abs().max()
        assert apart <= pd.Timedelta(1 if horizon.is_flat else 1000, "us"), column
    # At its highest a satellite hardly moves in height, so the moment is known less well than the height is.
    assert (ours["peak"] - theirs["peak"]).abs().max() < pd.Timedelta(20, "ms")
    assert (ours["peak_elevation_deg"] - theirs["peak_elevation_deg"]).abs().max() < 1e-4
    for column in ("rise_azimuth_deg", "set_azimuth_deg"):
        turn = (ours[column] - theirs[column] + 180.0) % 360.0 - 180.0
        assert turn.abs().max() < 1e-3
    assert ours["cut_at_start"].tolist() == theirs["cut_at_start"].tolist()
    assert ours["cut_at_end"].tolist() == theirs["cut_at_end"].tolist()
    assert ours.attrs["report"].objects_searched == theirs.attrs["report"].objects_searched


def test_passes_under_limits_are_pieces_of_passes(visibility):
    table = visibility.passes()
    joint = visibility.joint()
    assert len(table) == len(joint.group)
    assert table["rise"].is_monotonic_increasing
    assert ((table["rise"] <= table["peak"]) & (table["peak"] <= table["set"])).all()
    # The peak is the highest point of the piece: no second of it stands higher.
    ids = list(FLEET.satellite_ids)
    for row in table.head(40).itertuples():
        start, end = (pd.Timestamp(t).value // 1000 for t in (row.rise, row.set))
        time_us = np.append(np.arange(start, end, 1_000_000), end)
        look = visibility.look(np.full(len(time_us), ids.index(row.satellite_id)), time_us)
        assert look.elevation_deg.max() <= row.peak_elevation_deg + 1e-4
        assert look.azimuth_deg[0] == pytest.approx(row.rise_azimuth_deg, abs=1e-6)
        assert look.azimuth_deg[-1] == pytest.approx(row.set_azimuth_deg, abs=1e-6)
    assert (visibility.passes(NAMES)["duration_s"].sum()) > table["duration_s"].sum()


def test_looking_at_nothing_gives_nothing(visibility):
    assert len(visibility.look(np.empty(0, dtype=np.intp), np.empty(0, dtype=np.int64))) == 0
