"""Who of a fleet serves: invented fleets with spares, climbers and the lost, and real files where there are some."""

from __future__ import annotations

import os
import pickle
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st

from element_sets import scattered
from passim.constants import SGP4_EARTH_RADIUS_KM
from passim.coverage.visibility import find_visibility
from passim.elements import SatelliteId, read_elements
from passim.elements.health import assess, climb
from passim.elements.patterns import walker
from passim.elements.records import Fleet
from passim.elements.slots import doubles, node_and_phase_deg, planes
from passim.errors import EmptyFleetError, SpanError
from passim.sky.in_view import serving_satellites
from passim.sky.limits import ServingFilter
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span
from passim_apps.text.query import health_sentence

EPOCH = datetime(2026, 11, 25, tzinfo=UTC)
# Real element files are no part of the project; whoever has some names the folder in the environment.
REAL_ELEMENTS = Path(os.environ["PASSIM_REAL_ELEMENTS"]) if "PASSIM_REAL_ELEMENTS" in os.environ else None


def pattern(
    total: int, planes: int, altitude_km: float, first: int, inclination_deg: float = 53.0, **more: float
) -> Fleet:
    return walker(
        total=total,
        planes=planes,
        phasing=0,
        inclination_deg=inclination_deg,
        altitude_km=altitude_km,
        epoch=EPOCH,
        first_satellite_id=first,
        **more,
    )


def changed(fleet: Fleet, **values: object) -> Fleet:
    return Fleet([replace(record, **values) for record in fleet], fleet.name)


SHELL = pattern(120, 12, 550.0, 1001)
# Six spares 10 km below, one in every second plane.
SPARES = pattern(6, 6, 540.0, 2001)
# Twenty launched together, in one plane, climbing 4 km a day through 550 km: dn/dt of -0.0065 as the formats halve it.
RAISING = changed(pattern(20, 1, 550.0, 3001, node0_deg=77.0), mean_motion_dot=-0.0065)


def test_spares_and_climbers_do_not_count_as_serving() -> None:
    health = assess(SHELL + SPARES + RAISING, EPOCH)
    assert health.clear
    assert health.counts == {
        "catalogued": 146, "at shell": 120, "drifting": 6, "raising": 20, "lowering": 0, "stale": 0, "decayed": 0,
        "unjudged": 0,
    }  # fmt: skip
    assert health.serving.tolist() == [True] * 120 + [False] * 26
    assert health_sentence(health.summary) == (
        "146 objects catalogued: 120 on station, 6 drifting, 20 raising; those on station in the shell at 550 km, "
        "53.0° are taken to serve."
    )


@pytest.mark.parametrize(
    ("altitude_km", "inclination_deg", "eccentricity", "serves"),
    [
        (545.1, 53.0, 1e-4, True),
        (544.9, 53.0, 1e-4, False),
        (554.9, 53.0, 1e-4, True),
        (555.1, 53.0, 1e-4, False),
        (550.0, 53.14, 1e-4, True),
        (550.0, 53.16, 1e-4, False),
        (550.0, 53.0, 0.0019, True),
        (550.0, 53.0, 0.0021, False),
    ],
)
def test_the_edges_of_a_shell(altitude_km: float, inclination_deg: float, eccentricity: float, serves: bool) -> None:
    odd = pattern(1, 1, altitude_km, 9001, inclination_deg, eccentricity=eccentricity)
    assert bool(assess(SHELL + odd, EPOCH).serving[-1]) is serves


def test_a_climb_of_a_kilometre_a_day_is_the_mean_motion_dot_it_should_be() -> None:
    # da/dt = -2/3 a/n dn/dt, by differences of Kepler's third law and not by its derivative.
    low, high = (pattern(1, 1, altitude, 1).column("mean_motion_rev_day")[0] for altitude in (549.5, 550.5))
    sinking = changed(pattern(1, 1, 550.0, 1), mean_motion_dot=(low - high) / 2.0)
    assert climb(sinking) == pytest.approx([-1.0], abs=1e-6)
    assert (low - high) / 2.0 == pytest.approx(0.00163, abs=5e-6)


@pytest.mark.parametrize(("climb_km_day", "serves"), [(0.95, True), (1.05, False), (-0.95, True), (-1.05, False)])
def test_little_drift_is_under_a_kilometre_a_day(climb_km_day: float, serves: bool) -> None:
    odd = changed(pattern(1, 1, 550.0, 9001), mean_motion_dot=-0.0016294 * climb_km_day)
    assert bool(assess(SHELL + odd, EPOCH).serving[-1]) is serves


def test_ten_kilometres_low_gain_nearly_twelve_degrees_a_day() -> None:
    # 11.8 deg a day is the figure of the trade for 550 km (recalled); Kepler alone gives 11.76.
    low, high = pattern(1, 1, 540.0, 1), pattern(1, 1, 550.0, 1)
    day = EPOCH + timedelta(days=1)
    gained = float(node_and_phase_deg(low, day)[1][0] - node_and_phase_deg(high, day)[1][0]) % 360.0
    assert gained == pytest.approx(11.8, abs=0.06)


def test_stale_and_decayed_objects_are_told_apart() -> None:
    old = changed(pattern(3, 3, 550.0, 5001), epoch=EPOCH - timedelta(days=14, hours=1))
    nearly_old = changed(pattern(2, 2, 550.0, 6001), epoch=EPOCH - timedelta(days=13, hours=23))
    # Gone: a perigee of 120 km; and one at 180 km that sinks 20 km a day, two days on.
    gone = pattern(1, 1, 550.0, 7001, eccentricity=(430.0 / (SGP4_EARTH_RADIUS_KM + 550.0)))
    sinking = changed(pattern(1, 1, 180.0, 7002), mean_motion_dot=0.037, epoch=EPOCH - timedelta(days=2))
    health = assess(SHELL + old + nearly_old + gone + sinking, EPOCH)
    assert health.counts == {
        "catalogued": 127, "at shell": 122, "drifting": 0, "raising": 0, "lowering": 0, "stale": 3, "decayed": 2,
        "unjudged": 0,
    }  # fmt: skip
    assert health.status[-2:].tolist() == ["decayed", "decayed"]
    assert health.status[120] == "stale"


def test_an_old_file_is_not_a_fleet_of_stale_satellites() -> None:
    moment = EPOCH + timedelta(days=40)
    left = changed(pattern(1, 1, 550.0, 5001), epoch=EPOCH - timedelta(days=20))
    health = assess(SHELL + left, moment)
    assert (health.counts["at shell"], health.counts["stale"]) == (120, 1)
    assert health.judged_at == EPOCH
    assert health_sentence(health.summary).endswith(
        "; the time asked about is far from the elements, so ages count to 2026-11-25."
    )


def test_two_shells_serve_and_spares_at_one_height_are_no_shell() -> None:
    second = pattern(40, 8, 570.0, 4001, inclination_deg=70.0)
    # Twelve spares 30 km under the first shell, in twelve planes, and eleven launched together into one plane.
    spares, bunch = pattern(12, 12, 520.0, 5001), pattern(11, 1, 350.0, 6001, inclination_deg=43.0)
    health = assess(SHELL + second + spares + bunch, EPOCH)
    assert [(round(s.altitude_km), s.inclination_deg, s.objects) for s in health.shells] == [
        (550, 53.0, 120),
        (570, 70.0, 40),
    ]
    assert (health.counts["at shell"], health.counts["drifting"]) == (160, 23)


@pytest.mark.parametrize(
    "fleet",
    [
        pattern(7, 7, 550.0, 1),
        # A hundred objects, no two of them within 5 km.
        Fleet([r for k in range(100) for r in pattern(1, 1, 400.0 + 11.0 * k, k + 1)]),
        pattern(60, 6, 550.0, 1, eccentricity=0.05),
    ],
    ids=["too few", "no crowd", "eccentric"],
)
def test_where_no_shell_stands_out_everybody_serves(fleet: Fleet) -> None:
    health = assess(fleet, EPOCH)
    assert not health.clear
    assert health.serving.all()
    assert health.counts["unjudged"] == len(fleet)
    assert "no shell stands out, so every object is taken to serve" in health_sentence(health.summary)


def test_one_of_two_in_a_slot_is_a_spare() -> None:
    beside = changed(pattern(1, 1, 550.0, 9001), node_deg=30.0, mean_anomaly_deg=38.5)
    health = assess(SHELL + beside, EPOCH)
    assert (health.counts["at shell"], int(health.serving.sum())) == (121, 120)
    assert not health.serving[-1]
    # By hand: node 30 and phase 30 + 8.5 deg stand in the second plane beside its second slot, number 1012.
    assert health.satellite_ids[health.same_slot_as[-1]] == "1012"
    assert health_sentence(health.summary).endswith(
        "in the shell at 550 km, 53.0° are taken to serve, but for 1, which shares a slot with another."
    )


def test_satellites_of_a_random_fleet_are_no_doubles() -> None:
    fleet = scattered(total=200, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, seed=5)
    health = assess(fleet, EPOCH)
    assert health.clear
    assert health.serving.all()


def test_doubles_are_found_across_north_and_only_in_even_planes() -> None:
    node = np.array([359.5, 0.2, 359.9, 0.0, 0.1, 0.3, 120.0])
    assert sorted(sorted(plane.tolist()) for plane in planes(node)) == [[0, 1, 2, 3, 4, 5], [6]]
    spares, holders = doubles(node, np.array([0.0, 72.0, 144.0, 216.0, 288.0, 359.0, 5.0]))
    assert (spares.tolist(), holders.tolist()) == ([5], [0])
    spares, holders = doubles(node, np.array([0.0, 72.0, 144.0, 216.0, 240.0, 359.0, 5.0]))
    assert (spares.tolist(), holders.tolist()) == ([], [])


def test_an_object_counts_once_by_its_set_nearest_the_moment() -> None:
    moved = changed(SHELL, epoch=EPOCH + timedelta(days=3), mean_motion_rev_day=15.3)
    early, late = assess(SHELL + moved, EPOCH), assess(SHELL + moved, EPOCH + timedelta(days=3))
    assert early.counts["catalogued"] == late.counts["catalogued"] == 120
    assert (round(early.shells[0].altitude_km), round(late.shells[0].altitude_km)) == (550, 476)


@given(
    shifts=st.lists(
        st.tuples(st.floats(-200.0, 300.0), st.floats(-3.0, 3.0), st.floats(0.0, 0.03), st.integers(0, 40)),
        min_size=1,
        max_size=40,
    )
)
def test_nothing_is_dropped_and_nobody_serves_who_is_not_at_a_shell(
    shifts: list[tuple[float, float, float, int]],
) -> None:
    odd = []
    for k, (up_km, inclination_deg, eccentricity, days) in enumerate(shifts):
        (record,) = pattern(1, 1, 550.0 + up_km, 5000 + k, 53.0 + inclination_deg, eccentricity=eccentricity)
        odd.append(replace(record, epoch=EPOCH - timedelta(days=days)))
    health = assess(pattern(24, 6, 550.0, 1) + Fleet(odd), EPOCH)
    counts = health.counts
    assert counts.pop("catalogued") == 24 + len(shifts) == sum(counts.values())
    assert set(health.status[health.serving]) <= ({"at shell"} if health.clear else {"unjudged", "stale"})


def test_bad_input_is_refused() -> None:
    with pytest.raises(EmptyFleetError, match="no element sets"):
        assess(Fleet([]), EPOCH)
    with pytest.raises(SpanError, match="an aware time"):
        assess(SHELL, EPOCH.replace(tzinfo=None))


@pytest.mark.skipif(REAL_ELEMENTS is None, reason="no folder of real element files named (PASSIM_REAL_ELEMENTS)")
def test_the_polar_fleet_of_66_is_counted_as_its_operator_states() -> None:
    """Six planes of eleven at 780 km, 86.4 deg, and lower spares: a published design (recalled)."""
    judged = 0
    assert REAL_ELEMENTS is not None
    for path in sorted(REAL_ELEMENTS.glob("*.txt")):
        fleet = read_elements(path)
        if not 86.0 < np.median(fleet.column("inclination_deg")) < 87.0:
            continue
        health = assess(fleet, max(record.epoch for record in fleet))
        (shell,) = health.shells
        assert (round(shell.altitude_km), round(shell.inclination_deg, 1)) == (778, 86.4)
        assert int(health.serving.sum()) == 66
        # Every slot of the design is held once: eleven in each of the six planes.
        node_deg, _ = node_and_phase_deg(fleet, health.moment)
        assert [len(plane) for plane in planes(node_deg[health.serving])] == [11] * 6
        judged += 1
    if not judged:
        pytest.skip("the folder holds no polar fleet at 86.4 deg")


def test_what_has_decayed_serves_nowhere_even_where_no_shell_stands_out() -> None:
    # Seven in no shell, and one with its perigee at 120 km: the filter and the orders of growth leave that one out.
    gone = pattern(1, 1, 550.0, 7001, eccentricity=(430.0 / (SGP4_EARTH_RADIUS_KM + 550.0)))
    fleet = pattern(7, 7, 550.0, 1) + gone
    assert not assess(fleet, EPOCH).clear
    span = Span.starting(EPOCH, 24.0)
    view = View(Site("Marram", 45.0, -28.0, 40.0, "UTC"), (ServingFilter(),))
    assert serving_satellites(fleet, view, span).tolist() == [True] * 7 + [False]
    seen = find_visibility(fleet, view, span, warn=False)
    assert 7 in seen.base.group.tolist()
    assert set(seen.allowed["serving"].group.tolist()) == set(seen.base.group.tolist()) - {7}


def test_an_orbit_listed_under_two_numbers_serves_once() -> None:
    again = Fleet([replace(SHELL[3], satellite_id=SatelliteId("90003"), name="the same again")])
    beside = replace(SHELL[4], satellite_id=SatelliteId("90004"), mean_anomaly_deg=SHELL[4].mean_anomaly_deg + 4.0)
    health = assess(again + SHELL + Fleet([beside]), EPOCH)
    assert health.same_orbit_as.tolist() == [-1] * 4 + [0] + [-1] * 117
    assert not health.serving[4]
    assert health.serving[0]
    assert int(health.serving.sum()) == 120
    assert health_sentence(health.summary).endswith(
        ", but for 1, which shares a slot with another, and for 1 listed twice."
    )
    # And where no shell stands out.
    health = assess(pattern(3, 3, 550.0, 1) + pattern(3, 3, 550.0, 11), EPOCH)
    assert health.serving.tolist() == [True] * 3 + [False] * 3
    assert health_sentence(health.summary) == (
        "6 objects catalogued: 6 unjudged; no shell stands out, so every object is taken to serve, but for 3 listed "
        "twice."
    )


def test_a_climb_that_snapshots_show_keeps_an_object_from_serving() -> None:
    # Its own element set says that it holds its orbit; what the days before show is that it climbs through the shell.
    for climb_km_day, status in ((0.9, "at shell"), (1.1, "raising"), (-1.1, "lowering"), (-0.9, "at shell")):
        told = Fleet(SHELL.records, climbs={"1005": climb_km_day})
        for fleet in (
            told,
            pickle.loads(pickle.dumps(told)),
            told.select(range(120)),
            told + Fleet([]),
            Fleet([]) + told,
        ):
            health = assess(fleet, EPOCH)
            assert health.status[4] == status, climb_km_day
            assert health.climb_km_day[4] == climb_km_day
            assert int(health.serving.sum()) == (120 if status == "at shell" else 119)
