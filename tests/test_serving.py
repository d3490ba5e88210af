"""Who serves when: scenes worked by hand, a second-by-second simulation, laws, and the invented scenario.

The simulation below is this file's own and shares nothing with the library: it walks second by second and asks the
definition at each. That the greedy choice of the longest stay needs the fewest satellites is the classic result on
covering a line by intervals (common knowledge, no source); here it is checked against a search of all choices.
"""

from __future__ import annotations

import dataclasses
import itertools
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

import passim
from passim import intervals
from passim.coverage import POLICIES, Coverage, Service, ServingTimeline, serve
from passim.coverage.statistics import gap_statistics
from passim.coverage.visibility import Visibility, find_visibility
from passim.errors import InputError
from passim.intervals import GroupedIntervals
from passim.sky.limits import GatewayLimit
from passim.sky.service import InUse, assignments_within, in_use_at
from passim.sky.view import View
from passim.spans import Span, microseconds
from passim_apps.text.service import service_words
from tests.scenario import MARRAM_LOFT, SOUTH, plover

SECOND_US = 1_000_000
MIDNIGHT = datetime(2026, 11, 25, tzinfo=UTC)
MIDNIGHT_US = microseconds(MIDNIGHT)

# (satellite, start, end) in whole seconds after midnight.
Rows = list[tuple[int, int, int]]


def grouped(rows: Rows, unit_us: int = SECOND_US) -> GroupedIntervals:
    satellite, start, end = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    return GroupedIntervals(satellite, MIDNIGHT_US + start * unit_us, MIDNIGHT_US + end * unit_us)


def look_by(heights: dict[int, tuple[float, float]]) -> Any:
    """Return a look function: height of each satellite at midnight in degrees, and its rate in degrees a second."""

    def look(satellite: np.ndarray, time_us: np.ndarray) -> SimpleNamespace:
        base, rate = np.array([heights[int(s)] for s in satellite]).reshape(-1, 2).T
        elevation_deg = base + rate * ((time_us - MIDNIGHT_US) / 1e6)
        return SimpleNamespace(
            elevation_deg=elevation_deg, azimuth_deg=np.zeros_like(base), range_km=1000.0 + 0.0 * base
        )

    return look


def span_of(seconds: int) -> Span:
    return Span(MIDNIGHT, MIDNIGHT + timedelta(seconds=seconds))


def served(rows: Rows, seconds: int, heights: dict[int, tuple[float, float]], **service: Any) -> ServingTimeline:
    return serve(grouped(rows), span_of(seconds), Service(**service), look_by(heights))


def in_seconds(times: pd.Series) -> list[float]:
    return ((times - pd.Timestamp(MIDNIGHT)) / pd.Timedelta(seconds=1)).tolist()


def assignments(timeline: ServingTimeline) -> list[tuple[int, float, float, str, str]]:
    table = timeline.intervals
    return list(
        zip(
            table["satellite"].tolist(),
            in_seconds(table["start"]),
            in_seconds(table["end"]),
            table["began"].tolist(),
            table["ended"].tolist(),
            strict=True,
        )
    )


def parts(timeline: ServingTimeline) -> list[tuple[float, float, str]]:
    """Return the freezes cut where their kind changes: start and end in seconds after midnight, and the kind."""
    return sorted(
        ((start - MIDNIGHT_US) / SECOND_US, (end - MIDNIGHT_US) / SECOND_US, kind)
        for kind, part in timeline.frozen_by_kind().items()
        for start, end in zip(part.start.tolist(), part.end.tolist(), strict=True)
    )


def lengths_s(timeline: ServingTimeline, kind: str) -> np.ndarray:
    start, end = timeline.frozen_by_kind()[kind]
    return (end - start) / 1e6


# --- by hand ----------------------------------------------------------------------------------------------------------

# Satellite 0 goes at 40; then 1 stands higher and 2 stays longer; nothing from 90 to 100.
SCENE: Rows = [(0, -10, 40), (1, 20, 60), (2, 30, 90), (3, 100, 130)]
HEIGHTS = {0: (30.0, 0.0), 1: (70.0, 0.0), 2: (40.0, 0.0), 3: (30.0, 0.0)}


def test_keep_then_highest() -> None:
    timeline = served(SCENE, 120, HEIGHTS, policy="keep-then-highest")
    assert assignments(timeline) == [
        (0, 0, 40, "start", "lost"),
        (1, 40, 60, "handover", "lost"),
        (2, 60, 90, "handover", "lost"),
        (3, 100, 120, "after a gap", "end"),
    ]
    assert parts(timeline) == [(90, 100, "no satellite")]
    handovers = timeline.handovers
    assert in_seconds(handovers["time"]) == [40, 60]
    assert handovers[["from", "to"]].to_numpy().tolist() == [[0, 1], [1, 2]]
    assert handovers["wait_s"].tolist() == [0.0, 0.0]
    assert handovers["from_elevation_deg"].tolist() == [30.0, 70.0]
    assert handovers["to_elevation_deg"].tolist() == [70.0, 40.0]


def test_keep_then_longest() -> None:
    assert assignments(served(SCENE, 120, HEIGHTS, policy="keep-then-longest")) == [
        (0, 0, 40, "start", "lost"),
        (2, 40, 90, "handover", "lost"),
        (3, 100, 120, "after a gap", "end"),
    ]


def test_always_the_highest() -> None:
    assert assignments(served(SCENE, 120, HEIGHTS, policy="highest")) == [
        (0, 0, 20, "start", "left for a higher one"),
        (1, 20, 60, "handover", "lost"),
        (2, 60, 90, "handover", "lost"),
        (3, 100, 120, "after a gap", "end"),
    ]


def test_who_is_in_use_at_the_start_stays_until_there_is_a_choice() -> None:
    """Moments of the clock at 20, 35, 50; at 25 s satellites 0 and 1 are up, at 35 s 2 is too."""
    look = look_by(HEIGHTS)

    def first_two(from_s: int, policy: Any, in_use: InUse | None) -> list[tuple[int, float]]:
        span = Span(MIDNIGHT + timedelta(seconds=from_s), MIDNIGHT + timedelta(seconds=120))
        found = assignments_within(grouped(SCENE), span, Service(policy, 15.0, 5.0), look, in_use)
        start_s = (found.start_us - MIDNIGHT_US) / 1e6
        return list(zip(found.row.tolist(), start_s.tolist(), strict=True))[:2]

    assert first_two(25, "highest", InUse(0)) == [(0, 25), (1, 35)]
    assert first_two(25, "highest", None) == [(1, 25), (2, 65)]
    assert first_two(25, "highest", InUse()) == [(1, 35), (2, 65)]
    # At a moment of the clock the highest is taken at once, whoever was in use.
    assert first_two(35, "highest", InUse(0)) == [(1, 35), (2, 65)]
    # One that keeps its satellite keeps the very one in use, though another stays longer.
    assert first_two(35, "keep-then-longest", InUse(1)) == [(1, 35), (2, 65)]
    assert first_two(35, "keep-then-longest", None) == [(2, 35), (3, 110)]


def test_who_is_in_use_at_a_moment_and_since_when() -> None:
    rows, span = grouped(SCENE), span_of(120)
    found = assignments_within(rows, span, Service("keep-then-highest"), look_by(HEIGHTS))
    for at_s, satellite, since_s in (
        (10, 0, 0),
        (40, 1, 40),
        (59, 1, 40),
        (89, 2, 60),
        (95, None, None),
        (110, 3, 100),
    ):
        wanted = InUse() if satellite is None else InUse(satellite, MIDNIGHT_US + since_s * SECOND_US)
        assert in_use_at(rows, found, span, MIDNIGHT_US + at_s * SECOND_US) == wanted, at_s


def test_a_clock_makes_the_lost_wait() -> None:
    # Moments at 5, 20, 35, 50, 65, 80, 95, 110: 0 is lost at 40 and replaced at 50; 1 goes at 60, 2 comes at 65; the
    # gap ends at 100 and 3 is taken at 110.
    service = {"clock_period_s": 15.0, "clock_offset_s": 5.0}
    timeline = served(SCENE, 120, HEIGHTS, policy="keep-then-highest", **service)
    assert assignments(timeline) == [
        (0, 0, 40, "start", "lost"),
        (1, 50, 60, "handover", "lost"),
        (2, 65, 90, "handover", "lost"),
        (3, 110, 120, "after a gap", "end"),
    ]
    assert parts(timeline) == [
        (40, 50, "waiting for the clock"),
        (60, 65, "waiting for the clock"),
        (90, 100, "no satellite"),
        (100, 110, "waiting for the clock"),
    ]
    assert timeline.handovers["wait_s"].tolist() == [10.0, 5.0]
    # As its user lives it the last two are one freeze.
    freezes = timeline.freezes
    assert in_seconds(freezes["start"]) == [40, 60, 90]
    assert freezes["duration_s"].tolist() == [10.0, 5.0, 20.0]
    assert freezes["kind"].tolist() == ["waiting for the clock", "waiting for the clock", "no satellite"]
    assert freezes[["no_satellite_s", "waiting_s", "acquiring_s"]].to_numpy().tolist() == [
        [0.0, 10.0, 0.0],
        [0.0, 5.0, 0.0],
        [10.0, 10.0, 0.0],
    ]


def test_the_highest_with_a_clock_is_left_at_its_moments_only() -> None:
    timeline = served(SCENE, 120, HEIGHTS, policy="highest", clock_period_s=15.0)
    assert assignments(timeline)[:2] == [(0, 0, 30, "start", "left for a higher one"), (1, 30, 60, "handover", "lost")]


def test_acquisition_follows_every_change_but_not_the_start() -> None:
    timeline = served(SCENE, 120, HEIGHTS, policy="keep-then-longest", acquisition_s=3.0)
    assert parts(timeline) == [
        (40, 43, "acquiring"),
        (90, 100, "no satellite"),
        (100, 103, "acquiring"),
    ]
    assert timeline.intervals["served_s"].tolist() == [40.0, 47.0, 17.0]
    assert timeline.freezes["kind"].tolist() == ["acquiring", "no satellite"]
    summary = timeline.summary()
    assert (summary["frozen_s"], summary["acquiring_s"], summary["freeze_count"]) == (16.0, 6.0, 2)
    assert summary["served_fraction"] == pytest.approx(104.0 / 120.0)


def test_one_lost_before_it_is_acquired_never_serves() -> None:
    timeline = served(
        [(0, -5, 10), (1, 5, 12), (2, 11, 60)], 60, {0: (50, 0), 1: (60, 0), 2: (40, 0)}, acquisition_s=4.0
    )
    assert parts(timeline) == [(10, 12, "acquiring"), (12, 16, "acquiring")]
    assert timeline.intervals["served_s"].tolist() == [10.0, 0.0, 44.0]
    # Two acquisitions on end are one freeze.
    assert timeline.freezes["duration_s"].tolist() == [6.0]


def test_the_clock_may_give_back_the_satellite_that_was_lost() -> None:
    # A mast hides 0 from 12 to 14; 1 is there all along, but there is no choice before 20, and then 0 is higher.
    timeline = served([(0, 0, 12), (0, 14, 40), (1, 10, 40)], 40, {0: (60, 0), 1: (30, 0)}, clock_period_s=20.0)
    assert assignments(timeline) == [(0, 0, 12, "start", "lost"), (0, 20, 40, "taken again", "end")]
    assert timeline.handovers.empty
    assert parts(timeline) == [(12, 20, "waiting for the clock")]


def test_the_clock_counts_from_1970() -> None:
    # 7 s does not divide the day. Midnight of 2026-11-25 is 1,795,564,800 s after 1970 (20,782 days): 2 s past a
    # multiple of 7, so that the next moment comes after 5 s.
    assert MIDNIGHT_US == 20_782 * 86_400 * SECOND_US
    timeline = served([(0, 1, 60)], 60, {0: (50, 0)}, clock_period_s=7.0)
    assert in_seconds(timeline.intervals["start"]) == [float(-20_782 * 86_400 % 7)]


def test_equals_go_to_the_smallest_index_in_any_order_of_rows() -> None:
    rows: Rows = [(5, 0, 30), (3, 0, 30), (4, 0, 30)]
    for policy in POLICIES:
        for order in (rows, rows[::-1]):
            timeline = served(order, 30, dict.fromkeys((3, 4, 5), (50.0, 0.0)), policy=policy)
            assert assignments(timeline) == [(3, 0, 30, "start", "end")]


def test_no_satellite_at_all() -> None:
    for policy in POLICIES:
        timeline = served([], 60, {}, policy=policy, clock_period_s=15.0, acquisition_s=2.0)
        assert timeline.intervals.empty
        assert timeline.handovers.empty
        (freeze,) = timeline.freezes.itertuples()
        assert (freeze.duration_s, freeze.kind, freeze.cut_at_start, freeze.cut_at_end) == (
            60.0, "no satellite", True, True,
        )  # fmt: skip
        assert timeline.summary()["served_fraction"] == 0.0
        assert timeline.along(10.0)["state"].tolist() == ["no satellite"] * 6


# --- against a simulation second by second ----------------------------------------------------------------------------


def simulated(
    rows: Rows, seconds: int, heights: dict[int, tuple[float, float]], service: Service
) -> tuple[list[int | None], list[bool]]:
    """Return for each second the satellite in use and whether there is service, straight from the definition."""

    def up(satellite: int, second: int) -> bool:
        return any(s == satellite and start <= second < end for s, start, end in rows)

    def stays(satellite: int, second: int) -> int:
        last = second
        while up(satellite, last):
            last += 1
        return last

    def height(satellite: int, second: int) -> float:
        base, rate = heights[satellite]
        return base + rate * second

    every = sorted({satellite for satellite, _, _ in rows})
    current: int | None = None
    acquired = 0.0
    used: list[int | None] = []
    serving: list[bool] = []
    for second in range(seconds):
        if current is not None and not up(current, second):
            current = None
        before = current
        choice = service.clock_period_s is None or second == 0
        if service.clock_period_s is not None:
            choice = (
                choice or (MIDNIGHT_US // SECOND_US + second - service.clock_offset_s) % service.clock_period_s == 0
            )
        there = [satellite for satellite in every if up(satellite, second)]
        if choice and there and (service.policy == "highest" or current is None):
            merit = stays if service.policy == "keep-then-longest" else height
            current = max(there, key=lambda satellite: (merit(satellite, second), -satellite))
        if current != before and current is not None and second > 0:
            acquired = second + service.acquisition_s
        used.append(current)
        serving.append(current is not None and second >= acquired)
    return used, serving


SCENES = st.lists(
    st.tuples(st.integers(0, 5), st.integers(-20, 100), st.integers(1, 60)).map(lambda r: (r[0], r[1], r[1] + r[2])),
    max_size=12,
)
HEIGHT_TABLES = st.fixed_dictionaries(
    {
        satellite: st.tuples(st.sampled_from([30.0, 40.0, 50.0]), st.sampled_from([-0.125, 0.0, 0.0625, 0.125]))
        for satellite in range(6)
    }
)
SERVICES = st.builds(
    Service,
    policy=st.sampled_from(POLICIES),
    clock_period_s=st.sampled_from([5.0, 7.0, 15.0]),
    clock_offset_s=st.sampled_from([0.0, 3.0, -4.0]),
    acquisition_s=st.sampled_from([0.0, 2.0, 9.0]),
) | st.builds(Service, policy=st.sampled_from(POLICIES), acquisition_s=st.sampled_from([0.0, 2.0, 9.0]))


@given(SCENES, HEIGHT_TABLES, SERVICES)
@settings(max_examples=300)
def test_agrees_with_the_simulation(rows: Rows, heights: dict[int, tuple[float, float]], service: Service) -> None:
    seconds = 110
    timeline = serve(grouped(rows), span_of(seconds), service, look_by(heights))
    used, serving = simulated(rows, seconds, heights, service)
    along = timeline.along(1.0)
    assert [None if pd.isna(s) else int(s) for s in along["satellite"]] == used
    assert (along["state"] == "served").tolist() == serving
    # All bounds of this scene are whole seconds, so that counting seconds is measuring.
    assert timeline.summary()["frozen_s"] == serving.count(False)


# --- laws -------------------------------------------------------------------------------------------------------------

# Bounds in microseconds that are no whole seconds.
FINE_SCENES = st.lists(
    st.tuples(st.integers(0, 5), st.integers(-20_000_000, 100_000_000), st.integers(1, 60_000_000)).map(
        lambda r: (r[0], r[1], r[1] + r[2])
    ),
    max_size=12,
)


@given(FINE_SCENES, HEIGHT_TABLES, SERVICES)
@settings(max_examples=200)
def test_laws_of_a_timeline(rows: Rows, heights: dict[int, tuple[float, float]], service: Service) -> None:
    span = span_of(110)
    allowed = grouped(rows, 1)
    timeline = serve(allowed, span, service, look_by(heights))
    window = (span.start_us, span.end_us)
    served_time, frozen_time = timeline.served(), timeline.frozen()

    # Time served and time frozen make up the span, and nothing is served outside what was allowed.
    length = intervals.total_length
    assert length(served_time) + length(frozen_time) == span.end_us - span.start_us
    assert length(intervals.intersection(served_time, frozen_time)) == 0
    assert length(intervals.difference(served_time, (allowed.start, allowed.end))) == 0
    table = timeline.intervals
    start_us, end_us = (table[name].to_numpy("datetime64[us]").astype(np.int64) for name in ("start", "end"))
    assignments_by_satellite = GroupedIntervals(table["satellite"].to_numpy(np.int64), start_us, end_us)
    assert intervals.difference_by_group(assignments_by_satellite, allowed).group.size == 0
    assert np.all(start_us[1:] >= end_us[:-1])

    # The parts of the freezes are disjoint and add up; the gaps are among them one for one.
    gaps = Coverage.from_intervals(allowed.start, allowed.end, span).gaps()
    pieces, freezes = parts(timeline), timeline.freezes
    assert all(later[0] >= earlier[1] for earlier, later in itertools.pairwise(pieces))
    without = [(start, end) for start, end, kind in pieces if kind == "no satellite"]
    assert without == list(zip(in_seconds(gaps["start"]), in_seconds(gaps["end"]), strict=True))
    total_s = length(frozen_time) / 1e6
    assert sum(end - start for start, end, _ in pieces) == pytest.approx(total_s, abs=1e-6)
    assert freezes["duration_s"].sum() == pytest.approx(total_s, abs=1e-6)
    by_kind = freezes[["no_satellite_s", "waiting_s", "acquiring_s"]].sum(axis=1)
    assert by_kind.to_numpy() == pytest.approx(freezes["duration_s"].to_numpy(), abs=1e-6)
    assert np.all(freezes["start"].to_numpy()[1:] > freezes["end"].to_numpy()[:-1])

    # What the summary says of freezes is what the statistics of gaps say of the frozen time.
    start, end = frozen_time
    figures = gap_statistics((end - start) / 1e6, (start > window[0]) & (end < window[1]), span.duration_s)
    summary = timeline.summary()
    for name in ("count", "mean_s", "median_s", "p90_s", "longest_s"):
        assert summary[f"freeze_{name}"] == figures[f"gap_{name}"]

    # A wait is shorter than a slot; without a clock nobody waits, and without acquisition only gaps freeze.
    waits_s = lengths_s(timeline, "waiting for the clock")
    if service.clock_period_s is None:
        assert waits_s.size == 0
        if service.acquisition_s == 0.0:
            gap_start_us = gaps["start"].to_numpy("datetime64[us]").astype(np.int64)
            assert start.tolist() == gap_start_us.tolist()
            assert total_s == pytest.approx(gaps["duration_s"].sum(), abs=1e-6)
    else:
        assert (waits_s < service.clock_period_s).all()
    assert (lengths_s(timeline, "acquiring") <= service.acquisition_s).all()


@given(FINE_SCENES, HEIGHT_TABLES, SERVICES, st.floats(0.0, 20.0))
@settings(max_examples=100)
def test_a_longer_acquisition_never_gives_time_back(
    rows: Rows, heights: dict[int, tuple[float, float]], service: Service, longer_s: float
) -> None:
    look, span = look_by(heights), span_of(110)
    brief = serve(grouped(rows, 1), span, service, look)
    patient = serve(
        grouped(rows, 1), span, dataclasses.replace(service, acquisition_s=service.acquisition_s + longer_s), look
    )
    assert intervals.total_length(intervals.difference(brief.frozen(), patient.frozen())) == 0


def fewest_assignments(rows: Rows, seconds: int) -> int:
    """Return the fewest assignments that leave no second unserved where a satellite is up; one may end any second."""
    satellites = sorted({satellite for satellite, _, _ in rows})
    fewest: dict[int | None, int] = {None: 0}
    for second in range(seconds):
        up = [s for s in satellites if any(r == s and start <= second < end for r, start, end in rows)]
        cheapest = min(fewest.values())
        fewest = {s: min(cheapest + 1, fewest.get(s, seconds)) for s in up} if up else {None: cheapest}
    return min(fewest.values())


@given(SCENES, HEIGHT_TABLES)
@settings(max_examples=200)
def test_taking_the_longest_stay_needs_the_fewest_assignments(
    rows: Rows, heights: dict[int, tuple[float, float]]
) -> None:
    longest = served(rows, 110, heights, policy="keep-then-longest")
    assert len(longest.intervals) == fewest_assignments(rows, 110)
    for policy in POLICIES:
        timeline = served(rows, 110, heights, policy=policy)
        assert len(timeline.intervals) >= len(longest.intervals)
        assert len(timeline.handovers) >= len(longest.handovers)


# --- bad input --------------------------------------------------------------------------------------------------------


def test_a_service_that_cannot_be(subtests: pytest.Subtests) -> None:
    for given_, message in [
        (
            {"policy": "best"},
            "policy of service; got 'best'; wanted one of keep-then-highest, keep-then-longest, highest",
        ),
        ({"clock_period_s": 0.5}, "period of the clock; got 0.5; wanted a number of seconds from 1 to 3600; try 15"),
        ({"clock_period_s": float("nan")}, "period of the clock; got nan"),
        ({"clock_period_s": "15"}, "period of the clock; got '15'"),
        ({"clock_period_s": 15.0, "clock_offset_s": float("inf")}, "offset of the clock; got inf"),
        ({"clock_offset_s": 3.0}, "offset of the clock; got 3.0; wanted a period of the clock too; try 15 s"),
        ({"acquisition_s": -1.0}, "acquisition time; got -1.0; wanted a number of seconds from 0 to 600; try 0"),
        ({"acquisition_s": True}, "acquisition time; got True"),
    ]:
        with subtests.test(given_=given_, message=message):
            with pytest.raises(InputError) as refused:
                Service(**given_)
            assert str(refused.value).startswith(message)


def test_intervals_that_cannot_be() -> None:
    span, service, look = span_of(60), Service(), look_by(HEIGHTS)
    satellite, whole = np.array([0]), np.array([MIDNIGHT_US])
    with pytest.raises(InputError, match="allowed intervals; got 'values of dtype int64, float64, float64'"):
        serve((satellite, whole / 1.0, whole + 1.5), span, service, look)
    with pytest.raises(InputError, match="ends before it starts"):
        serve((satellite, whole, whole - 1), span, service, look)
    fleet = plover(MIDNIGHT).select(range(3))
    with pytest.raises(InputError, match=r"got '0 to 3'; wanted indices in the fleet, 0 to 2"):
        serve(grouped(SCENE), span, service, look, fleet=fleet)


@pytest.mark.parametrize("step_s", [0.0, -1.0, float("nan"), 1e-9, "1", None])
def test_a_step_that_cannot_be(step_s: Any) -> None:
    with pytest.raises(InputError, match="step along the way"):
        served(SCENE, 120, HEIGHTS).along(step_s)


def test_gateways_need_the_site() -> None:
    with pytest.raises(InputError, match="path over gateways; got 'no site'"):
        served(SCENE, 120, HEIGHTS).along(1.0, gateways=[MARRAM_LOFT])


def test_a_service_says_what_it_is() -> None:
    assert service_words(Service()) == "a satellite is kept until it is lost, then the highest is taken"
    assert service_words(Service("highest", 15.0, 2.5, 1.5)) == (
        "always the highest satellite is taken, at fixed moments every 15 s (offset 2.5 s), "
        "and each takes 1.5 s to acquire"
    )


# --- the invented scenario --------------------------------------------------------------------------------------------

GATEWAY = SOUTH


@pytest.fixture(scope="module")
def marram() -> Visibility:
    """Marram's loft with its gateway on the first day of the fleet Plover."""
    view = View(MARRAM_LOFT, (GatewayLimit((GATEWAY,)),))
    found = find_visibility(plover(MIDNIGHT), view, Span.starting(MIDNIGHT))
    assert isinstance(found, Visibility)
    return found


@pytest.mark.parametrize("policy", POLICIES)
def test_marram_is_out_as_its_user_lives_it(marram: Visibility, policy: Any) -> None:
    timeline = serve(marram.joint(), marram.span, Service(policy), marram.look, fleet=marram.fleet)
    # Figures of tests/step_simulation.py, which takes nothing of passim: 1.8 % out, 77 gaps, mean 20 s,
    # longest 44 s. Looked at every 2 s, gaps that are shorter go unseen here as they did there.
    out = np.append(False, timeline.along(2.0)["state"] == "no satellite")
    seen = np.count_nonzero(out[1:] & ~out[:-1])
    assert seen == pytest.approx(77, abs=1)
    assert np.count_nonzero(out) * 2.0 / seen == pytest.approx(20.0, abs=0.5)
    summary = timeline.summary()
    assert 1.0 - summary["served_fraction"] == pytest.approx(0.018, abs=0.0005)
    assert summary["freeze_longest_s"] == pytest.approx(44.0, abs=2.0)
    assert set(timeline.freezes["kind"]) == {"no satellite"}
    assert timeline.intervals["satellite_id"].str.fullmatch(r"9\d{8}").all()
    assert timeline.handovers["to_name"].str.startswith("Plover ").all()


def test_a_clock_and_acquisition_freeze_what_the_sky_would_not(marram: Visibility) -> None:
    plain = serve(marram.joint(), marram.span, Service("keep-then-longest"), marram.look)
    slotted = serve(marram.joint(), marram.span, Service("keep-then-longest", 15.0, 0.0, 1.0), marram.look)
    assert slotted.summary()["frozen_s"] > plain.summary()["frozen_s"]
    # A satellite is lost at any moment of a slot, so that the mean wait is half of one; the sum of the waits of some
    # hundreds of losses strays little from that.
    waits_s = lengths_s(slotted, "waiting for the clock")
    assert len(waits_s) > 300
    assert waits_s.mean() == pytest.approx(7.5, abs=1.0)


def test_the_highest_is_the_highest_of_all(marram: Visibility) -> None:
    # Every whole second of an hour, looked at without any short cut.
    span = Span.starting(MIDNIGHT + timedelta(hours=7), hours=1)
    allowed = marram.joint()
    timeline = serve(allowed, span, Service("highest"), marram.look)
    along = timeline.along(1.0)
    time_us = along["time"].to_numpy("datetime64[us]").astype(np.int64)
    moment, row = np.nonzero((allowed.start <= time_us[:, None]) & (allowed.end > time_us[:, None]))
    elevation_deg = np.full((time_us.size, len(marram.fleet)), -np.inf)
    elevation_deg[moment, allowed.group[row]] = marram.look(allowed.group[row], time_us[moment]).elevation_deg
    expected = np.where(np.isinf(elevation_deg.max(axis=1)), -1, elevation_deg.argmax(axis=1))
    assert along["satellite"].fillna(-1).tolist() == expected.tolist()
    assert (timeline.intervals["ended"] == "left for a higher one").sum() > 10


def test_elevation_range_and_delay_along_the_way(marram: Visibility) -> None:
    span = Span.starting(MIDNIGHT + timedelta(hours=8), hours=1)
    timeline = serve(marram.joint(), span, Service(acquisition_s=2.0), marram.look, fleet=marram.fleet)
    along = timeline.along(5.0, site=marram.view.site, gateways=[GATEWAY.site])
    assert len(along) == 720
    # While a satellite is in use there is a path over the gateway, and without one there is nothing.
    used = along["state"].isin(["served", "acquiring"])
    assert {"served", "no satellite"} <= set(along["state"])
    told = ["satellite", "satellite_id", "name", "elevation_deg", "range_km", "one_way_delay_ms", "path_delay_ms"]
    for column in [*told, "gateway", "gateway_range_km"]:
        assert (along[column].notna() == used).all(), column
    link = along[used]
    assert (link["gateway"] == "gateway South").all()
    assert link["elevation_deg"].between(25.0 - 1e-3, 90.0).all()
    # Own arithmetic: from 550 km overhead to 1123 km at 25 deg, at 299,792.458 km/s (the Earth's bulge moves heights
    # by some kilometres).
    assert link["range_km"].between(535.0, 1150.0).all()
    assert link["one_way_delay_ms"].to_numpy() == pytest.approx(link["range_km"].to_numpy() / 299.792458)
    # Up and down is longer than the straight way of 600 km through the ground, 2.0 ms, and than either part.
    assert (link["path_delay_ms"] > link["one_way_delay_ms"] + 1.8).all()
    # The satellite's place again from SGP4, through skyfield's own frames.
    from skyfield.api import EarthSatellite, load, wgs84

    from passim.orbits.propagation import Propagator

    timescale = load.timescale(builtin=True)
    row = link.iloc[len(link) // 2]
    satellite = EarthSatellite.from_satrec(Propagator.of(marram.fleet).models[int(row["satellite"])], timescale)
    time = timescale.from_datetime(row["time"].to_pydatetime())
    for place, range_km in ((MARRAM_LOFT, row["range_km"]), (SOUTH, row["gateway_range_km"])):
        ground = wgs84.latlon(place.latitude_deg, place.longitude_deg, elevation_m=place.height_m)
        assert range_km == pytest.approx((satellite - ground).at(time).distance().km, abs=0.001)


def test_the_service_is_a_coverage_like_any_other(marram: Visibility) -> None:
    timeline = serve(marram.joint(), marram.span, Service(acquisition_s=1.0), marram.look)
    hours = timeline.coverage.by_local_hour("Atlantic/Azores")
    assert hours["gap_s"].sum() == pytest.approx(timeline.summary()["frozen_s"], abs=1e-6)
    assert passim.Coverage is type(timeline.coverage)
