"""Designed patterns: the rule they are made by, and what they refuse."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from passim.elements.patterns import jittered, launched_by_plane, walker
from passim.errors import ElementsError

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
DELTA = {"total": 12, "planes": 3, "phasing": 1, "inclination_deg": 53.0, "altitude_km": 550.0, "epoch": EPOCH}


def test_delta_pattern_by_hand():
    # 12/3/1 written out: nodes 120 deg apart, slots 90 deg apart, each plane 360/12 = 30 deg on.
    fleet = walker(**DELTA, name="Tern", node0_deg=300.0)
    assert fleet.name == "Tern"
    assert list(fleet.names[:5]) == ["Tern 01-01", "Tern 01-02", "Tern 01-03", "Tern 01-04", "Tern 02-01"]
    assert fleet.satellite_ids[0] == "900000001"
    assert fleet.satellite_ids[-1] == "900000012"
    np.testing.assert_allclose(fleet.column("node_deg"), np.repeat([300.0, 60.0, 180.0], 4), atol=1e-12)
    expected = [0, 90, 180, 270, 30, 120, 210, 300, 60, 150, 240, 330]
    np.testing.assert_allclose(fleet.column("mean_anomaly_deg"), expected, atol=1e-12)
    for field, value in [("perigee_deg", 0.0), ("bstar", 0.0), ("eccentricity", 1e-4), ("inclination_deg", 53.0)]:
        assert set(fleet.column(field)) == {value}
    assert {record.epoch for record in fleet} == {EPOCH}


def test_mean_motion_is_that_of_the_altitude_under_sgp4_constants():
    # sqrt(398600.8 / 6928.135^3) with WGS 72 (AIAA 2006-6753), written out: 15.05491974 revolutions a day.
    motion = walker(**DELTA)[0].mean_motion_rev_day
    assert motion == pytest.approx(math.sqrt(398600.8 / 6928.135**3) * 86400.0 / (2.0 * math.pi), rel=1e-14)
    assert motion == pytest.approx(15.05491974, abs=5e-9)


def test_star_spreads_its_planes_over_half_the_equator():
    fleet = walker(**{**DELTA, "planes": 4, "phasing": 1.5}, star=True)
    np.testing.assert_allclose(fleet.column("node_deg")[::3], [0.0, 45.0, 90.0, 135.0])
    # 360 * 1.5 / 12 = 45 deg a plane.
    np.testing.assert_allclose(fleet.column("mean_anomaly_deg")[::3], [0.0, 45.0, 90.0, 135.0])


def test_last_plane_meets_the_first_in_step():
    # The law of the delta pattern: one more turn of the rule, from the last plane, lands on slots of the first.
    for phasing in range(6):
        fleet = walker(**{**DELTA, "total": 30, "planes": 6, "phasing": phasing})
        beyond_deg = 360.0 * phasing * 6 / 30
        first_deg = fleet.column("mean_anomaly_deg")[:5]
        assert np.min(np.abs((first_deg - beyond_deg + 180.0) % 360.0 - 180.0)) < 1e-9


def test_angles_stay_below_a_full_turn():
    fleet = walker(**DELTA, node0_deg=-1e-15)
    for field in ("node_deg", "mean_anomaly_deg"):
        assert np.all((fleet.column(field) >= 0.0) & (fleet.column(field) < 360.0))


def test_epoch_of_another_zone_becomes_utc():
    zoned = EPOCH.astimezone(timezone(timedelta(hours=-1)))
    assert walker(**{**DELTA, "epoch": zoned}) == walker(**DELTA)


def test_impossible_patterns_are_refused_in_one_line(subtests: pytest.Subtests) -> None:
    for change, words in [
        ({"total": 10}, r"^total of satellites; got '10 in 3 planes'; wanted a total that .* divides; try 9 or 12$"),
        ({"total": 2}, r"divides; try 3$"),
        ({"total": 0}, r"^total of satellites; got 0; wanted a whole number, 1 or more$"),
        ({"planes": 0}, r"^number of planes; got 0; wanted a whole number, 1 or more$"),
        ({"planes": 1.5}, r"^number of planes; got 1.5; wanted a whole number"),
        ({"phasing": 3}, r"^phasing of 3 planes; got 3; wanted a whole number from 0 to 2$"),
        ({"phasing": -1}, r"^phasing of 3 planes; got -1; wanted"),
        ({"phasing": 0.5}, r"^phasing of 3 planes; got 0.5; wanted a whole number"),
        ({"phasing": 3.0, "star": True}, r"wanted a number from 0 to below 3$"),
        ({"altitude_km": 0.0}, r"^altitude of the pattern in km; got 0.0; wanted more than 0 km$"),
        ({"altitude_km": math.nan}, r"^altitude of the pattern in km; got nan"),
        (
            {"altitude_km": 50.0},
            r"^altitude of the pattern, from which it would fall .*; got '50 km'; wanted more than 150",
        ),
        ({"inclination_deg": 181.0}, r"^inclination_deg of Walker 01-01"),
        ({"eccentricity": 0.5}, r"^eccentricity of the pattern; got '0.5 at 550 km'; wanted a perigee above"),
        ({"eccentricity": -0.1}, r"^eccentricity of Walker 01-01"),
        ({"node0_deg": math.inf}, r"^node of the first plane; got inf"),
        ({"epoch": datetime(2026, 3, 1)}, r"^epoch of the pattern; got .*; wanted an aware time"),
        ({"first_satellite_id": 999_999_990}, r"^first identifier; got 999999990; wanted room for 12 numbers"),
        ({"first_satellite_id": 0}, r"^first identifier; got 0"),
    ]:
        with subtests.test(change=change, words=words):
            with pytest.raises(ElementsError, match=words) as refusal:
                walker(**{**DELTA, **change})
            assert "\n" not in str(refusal.value)


def test_jitter_moves_satellites_along_their_track_only():
    fleet = walker(**{**DELTA, "total": 3000, "planes": 3})
    shaken = jittered(fleet, sigma_deg=0.5, seed=1)
    assert shaken == jittered(fleet, sigma_deg=0.5, seed=1)
    assert shaken != jittered(fleet, sigma_deg=0.5, seed=2)
    shift_deg = (shaken.column("mean_anomaly_deg") - fleet.column("mean_anomaly_deg") + 180.0) % 360.0 - 180.0
    # The spread of n normal draws is known to 4 / sqrt(2 n), here 5 %.
    assert np.std(shift_deg) == pytest.approx(0.5, rel=0.05)
    np.testing.assert_array_equal(shaken.column("node_deg"), fleet.column("node_deg"))
    assert list(shaken.satellite_ids) == list(fleet.satellite_ids)
    assert np.all((shaken.column("mean_anomaly_deg") >= 0.0) & (shaken.column("mean_anomaly_deg") < 360.0))


def test_jitter_moves_all_sets_of_one_object_together():
    fleet = walker(**DELTA)
    later = walker(**{**DELTA, "epoch": EPOCH + timedelta(days=1)})
    shaken = jittered(fleet + later, sigma_deg=1.0, seed=3)
    np.testing.assert_array_equal(shaken.column("mean_anomaly_deg")[:12], shaken.column("mean_anomaly_deg")[12:])


def test_no_jitter_changes_nothing_and_a_negative_one_is_refused():
    fleet = walker(**DELTA)
    assert jittered(fleet, sigma_deg=0.0, seed=1) == fleet
    with pytest.raises(ElementsError, match=r"^phase jitter; got -1.0; wanted a standard deviation of 0 deg or more$"):
        jittered(fleet, sigma_deg=-1.0, seed=1)


def test_each_plane_of_a_pattern_is_a_launch_of_its_own():
    fleet = launched_by_plane(walker(**DELTA), 3)
    year = EPOCH.year
    assert [record.designator for record in fleet][:5] == [
        f"{year}-901A", f"{year}-901B", f"{year}-901C", f"{year}-901D", f"{year}-902A"
    ]  # fmt: skip
    # More launches than a year has numbers for begin in the years before, and letters go on after Z with AA.
    wide = launched_by_plane(walker(**{**DELTA, "total": 100 * 26, "planes": 100}), 100)
    assert wide[0].designator == f"{year - 1}-901A"
    assert wide[25].designator == f"{year - 1}-901AB"  # without I and O, Z is the 24th
    assert wide[99 * 26].designator == f"{year}-901A"
    with pytest.raises(ElementsError, match=r"^planes to launch one by one"):
        launched_by_plane(walker(**DELTA), 5)
