"""What snapshots tell of a fleet: invented fleets with burns, losses and launches that are known, and found again."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from passim import Fleet, walker
from passim.constants import SGP4_EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements import ElementSet, SatelliteId
from passim.elements.condition import OBJECT_COLUMNS, condition_of
from passim.elements.feeds.history import (
    History,
    change_of_speed_m_s,
    manoeuvres_of,
    read_history,
    recent_climbs,
)
from passim.elements.feeds.snapshots import SnapshotStore
from passim.elements.health import assess
from passim.elements.patterns import launched_by_plane, mean_motion_rev_day
from passim.workspace.plover import plover

EPOCH = datetime(2026, 11, 1, tzinfo=UTC)
# 1 km a day at 550 km is a mean_motion_dot of 0.00163 as the formats halve it (test_health works it out).
DOT_OF_A_KM_DAY = -0.0016294


def pattern(total: int = 60, planes: int = 6, altitude_km: float = 550.0, first: int = 1001) -> Fleet:
    return launched_by_plane(
        walker(
            total=total, planes=planes, phasing=0, inclination_deg=53.0, altitude_km=altitude_km, epoch=EPOCH,
            first_satellite_id=first, name="Plover",
        ),
        planes,
    )  # fmt: skip


def lifted(record: ElementSet, rise_km: float) -> ElementSet:
    """Return a set whose semi-major axis is so much larger, by Kepler's third law alone."""
    axis_km = (SGP4_MU_KM3_S2 / (record.mean_motion_rev_day * math.tau / 86400.0) ** 2) ** (1.0 / 3.0)
    motion = math.sqrt(SGP4_MU_KM3_S2 / (axis_km + rise_km) ** 3) * 86400.0 / math.tau
    return replace(record, mean_motion_rev_day=motion)


Change = Callable[[ElementSet, float], "ElementSet | None"]


def keep(folder: Path, fleet: Fleet, days: list[float], change: Change = lambda record, _: record) -> SnapshotStore:
    """Keep a snapshot for each day: `change` says what a record is like by then, or that it is not there."""
    store = SnapshotStore(folder)
    for day in days:
        at = EPOCH + timedelta(days=day)
        moved = [change(replace(record, epoch=at - timedelta(hours=3)), day) for record in fleet]
        there = Fleet([record for record in moved if record is not None], fleet.name)
        store.keep(there, source="https://example.org/x", content_digest=f"{day}", fetched_at=at)
    return store


def told(store: SnapshotStore) -> History:
    history = read_history(store)
    assert history is not None
    return history


def test_a_burn_is_found_with_its_size_and_when(tmp_path: Path) -> None:
    """Vis-viva, v^2 = mu (2/r - 1/a) (Vallado, Fundamentals of Astrodynamics, recalled), worked out here.

    1 m/s along the track of a circular orbit at 550 km makes its semi-major axis 1.827 km longer.
    """
    radius_km = SGP4_EARTH_RADIUS_KM + 550.0
    speed_km_s = math.sqrt(SGP4_MU_KM3_S2 / radius_km)
    axis_km = 1.0 / (2.0 / radius_km - (speed_km_s + 0.001) ** 2 / SGP4_MU_KM3_S2)
    assert (speed_km_s, axis_km - radius_km) == (pytest.approx(7.585, abs=5e-4), pytest.approx(1.827, abs=5e-4))

    def burnt(record: ElementSet, day: float) -> ElementSet:
        return lifted(record, axis_km - radius_km) if record.satellite_id == "1007" and day >= 5.2 else record

    history = told(keep(tmp_path, pattern(), [k / 3.0 for k in range(25)], burnt))
    (found,) = history.manoeuvres
    assert found.satellite_id == "1007"
    assert found.rise_km == pytest.approx(1.827, abs=0.001)
    assert found.speed_m_s == pytest.approx(1.0, abs=0.001)
    # The burn at 5.2 days lies between the sets of day 5 and day 5 1/3, each three hours older than its snapshot.
    at = EPOCH - timedelta(hours=3)
    assert found.after == at + timedelta(days=5)
    assert abs(found.before - (at + timedelta(days=16 / 3))) < timedelta(seconds=1)
    assert found.tilt_deg == 0.0
    condition = condition_of(plain := pattern(), EPOCH + timedelta(days=8), history)
    row = condition.objects.set_index("satellite_id").loc["1007"]
    assert (row["rise_km"], row["manoeuvred_before"]) == (found.rise_km, found.before)
    # Lately is a week: of a month later nothing is told.
    later = Fleet([replace(record, epoch=EPOCH + timedelta(days=30)) for record in plain])
    assert condition_of(later, EPOCH + timedelta(days=30), history).manoeuvres == ()


def test_changes_of_speed_are_those_of_a_transfer_between_two_circles() -> None:
    """A Hohmann transfer (Larson & Wertz, Space Mission Analysis and Design, 3rd ed., 6.3, recalled), worked out here.

    From 540 to 550 km both burns together are 5.48 m/s; a tilt of 1 deg at 550 km is 132.4 m/s, 2 v sin(i/2).
    """
    low_km, high_km = (SGP4_EARTH_RADIUS_KM + altitude for altitude in (540.0, 550.0))
    transfer_km = (low_km + high_km) / 2.0

    def speed(radius_km: float, axis_km: float) -> float:
        return 1000.0 * math.sqrt(SGP4_MU_KM3_S2 * (2.0 / radius_km - 1.0 / axis_km))

    first = speed(low_km, transfer_km) - speed(low_km, low_km)
    second = speed(high_km, high_km) - speed(high_km, transfer_km)
    assert first + second == pytest.approx(5.48, abs=0.005)
    assert change_of_speed_m_s(high_km, 10.0, 0.0) == pytest.approx(first + second, rel=2e-3)
    assert change_of_speed_m_s(high_km, 0.0, 1.0) == pytest.approx(2.0 * 7585.1 * math.sin(math.radians(0.5)), rel=1e-3)


def test_scatter_and_drag_are_no_burns_and_a_burn_in_small_pieces_is_one(tmp_path: Path) -> None:
    dice = np.random.default_rng(4)

    def change(record: ElementSet, day: float) -> ElementSet:
        number = int(record.satellite_id)
        # The fits scatter by 12 m; 1010 to 1019 sink 300 m a day as their own sets say; 1003 burns 60 m every 8 h.
        rise_km = float(dice.normal(0.0, 0.012))
        if 1010 <= number < 1020:
            record = replace(record, mean_motion_dot=0.3 * -DOT_OF_A_KM_DAY)
            rise_km -= 0.3 * day
        if number == 1003 and 4.0 < day <= 7.0:
            rise_km += 0.18 * (day - 4.0)
        if number == 1003 and day > 7.0:
            rise_km += 0.54
        return lifted(record, rise_km)

    history = told(keep(tmp_path, pattern(), [k / 3.0 for k in range(30)], change))
    (found,) = history.manoeuvres
    assert found.satellite_id == "1003"
    assert found.rise_km == pytest.approx(0.54, abs=0.15)
    assert found.after <= EPOCH + timedelta(days=5)
    assert found.before >= EPOCH + timedelta(days=6)


def test_a_tilt_is_a_manoeuvre(tmp_path: Path) -> None:
    def tilted(record: ElementSet, day: float) -> ElementSet:
        more_deg = {"1002": 0.008, "1003": 0.012}.get(str(record.satellite_id), 0.0) if day >= 2 else 0.0
        return replace(record, inclination_deg=record.inclination_deg + more_deg)

    (found,) = told(keep(tmp_path, pattern(), [0, 1, 2, 3], tilted)).manoeuvres
    assert (found.satellite_id, found.tilt_deg) == ("1003", pytest.approx(0.012))
    # v di = 7585 m/s x 0.012 deg.
    assert found.speed_m_s == pytest.approx(1.589, abs=0.001)


def test_who_is_missing_is_told_with_what_became_of_him(tmp_path: Path) -> None:
    low = Fleet([replace(record, mean_motion_dot=20.0 * -DOT_OF_A_KM_DAY) for record in pattern(1, 1, 230.0, 8001)])

    def gone(record: ElementSet, day: float) -> ElementSet | None:
        ends = {"1004": 3.0, "8001": 4.0}
        return None if day > ends.get(str(record.satellite_id), 99.0) else record

    store = keep(tmp_path, pattern() + low, [0, 1, 2, 3, 4, 5, 12], gone)
    history = told(store)
    down, lost = history.missing
    assert (down.satellite_id, down.last_held_at) == ("8001", EPOCH + timedelta(days=4))
    assert (lost.satellite_id, lost.name, lost.last_held_at) == ("1004", "Plover 01-04", EPOCH + timedelta(days=3))
    assert (lost.altitude_km, lost.came_down, down.came_down) == (pytest.approx(550.0), False, True)
    # The rate that sinks 20 km a day at 550 km sinks less at 230 km, by (a / a')^(5/2); from there to 150 km in days.
    assert down.climb_km_day == pytest.approx(-20.0 * (6608.135 / 6928.135) ** 2.5, rel=1e-3)
    assert (history.since, history.until, history.snapshots) == (EPOCH, EPOCH + timedelta(days=12), 7)
    # Asked about an earlier day, what came later is not known.
    early = read_history(store, EPOCH + timedelta(days=3, hours=1))
    assert early is not None
    assert (early.missing, early.until) == ((), EPOCH + timedelta(days=3))


def test_launches_are_seen_to_arrive(tmp_path: Path) -> None:
    fleet = pattern()
    late = Fleet([replace(record, designator="") for record in pattern(3, 1, 350.0, 7001)])
    piece = replace(fleet[0], satellite_id=SatelliteId("6001"), designator="2026-901ZZ", mean_anomaly_deg=5.0)

    def arrives(record: ElementSet, day: float) -> ElementSet | None:
        number = int(record.satellite_id)
        # The last two planes are the launches 2026-905 and -906; of the latter half comes two days later.
        begins = {5: 4.0, 6: 5.0}.get((number - 1001) // 10 + 1, 0.0) if number < 2000 else 7.0
        if 1055 < number < 2000:
            begins += 2.0
        return record if day >= begins else None

    history = told(keep(tmp_path, fleet + late + Fleet([piece]), [0, 1, 2, 3, 4, 5, 6, 7, 8], arrives))
    assert [(each.launch, each.seen_at, each.objects) for each in history.arrivals] == [
        ("2026-905", EPOCH + timedelta(days=4), 10),
        ("2026-906", EPOCH + timedelta(days=5), 10),
        ("", EPOCH + timedelta(days=7), 3),
    ]
    assert [each.seen_at - each.after for each in history.arrivals] == [timedelta(days=1)] * 3
    assert history.more_pieces == 1
    assert len(history.first_seen) == 24
    assert history.first_seen["1060"] == EPOCH + timedelta(days=7)
    assert history.missing == ()


def test_a_climb_over_two_days_is_told_and_a_jump_is_not(tmp_path: Path) -> None:
    def climbs(record: ElementSet, day: float) -> ElementSet:
        rise_km = {"1003": 1.4 * (day - 9.0), "1004": -1.4 * (day - 9.0), "1005": 0.5 * day}.get(
            str(record.satellite_id), 0.0
        )
        if record.satellite_id == "1006":
            rise_km = 3.0 if day >= 9 else 0.0
        return lifted(record, rise_km)

    store = keep(tmp_path, pattern(), [k / 3.0 for k in range(28)], climbs)
    newest = store.newest()
    assert newest is not None
    found = recent_climbs(store, newest)
    assert found == pytest.approx({"1003": 1.4, "1004": -1.4, "1005": 0.5}, abs=1e-3)
    fleet = Fleet([climbs(replace(record, epoch=EPOCH + timedelta(days=9)), 9.0) for record in pattern()], climbs=found)
    health = assess(fleet, EPOCH + timedelta(days=9))
    assert health.status[[2, 3, 4, 5]].tolist() == ["raising", "lowering", "at shell", "at shell"]
    # What climbs all the time is not said to manoeuvre; what jumped is.
    condition = condition_of(fleet, EPOCH + timedelta(days=9), read_history(store))
    assert {each.satellite_id for each in condition.manoeuvres} == {"1005", "1006"}
    # With two snapshots nothing is known.
    few = keep(tmp_path / "few", pattern(), [0, 1], climbs)
    newest = few.newest()
    assert newest is not None
    assert recent_climbs(few, newest) == {}


def test_a_damaged_snapshot_is_passed_over_and_counted(tmp_path: Path) -> None:
    store = keep(tmp_path, pattern(), [0, 1, 2, 3])
    _, second, *_ = store
    second.path.write_bytes(second.path.read_bytes()[:-7])
    history = told(store)
    assert (history.snapshots, history.damaged, history.missing) == (3, 1, ())
    assert read_history(SnapshotStore(tmp_path / "none")) is None
    # Thirty days are looked at, and no more.
    (tmp_path / "old").mkdir()
    old = told(keep(tmp_path / "old", pattern(12, 2), [0, 9, 10, 40]))
    assert (old.since, old.snapshots) == (EPOCH + timedelta(days=10), 2)


def test_several_sets_an_object_tell_by_themselves() -> None:
    fleet = pattern()
    later = Fleet([replace(record, epoch=EPOCH + timedelta(days=2)) for record in fleet])
    moved = Fleet([lifted(record, 2.5) if record.satellite_id == "1009" else record for record in later])
    assert manoeuvres_of(fleet) == manoeuvres_of(fleet + later) == ()
    (found,) = manoeuvres_of(moved + fleet)
    assert (found.satellite_id, found.after, found.before) == ("1009", EPOCH, EPOCH + timedelta(days=2))
    assert found.rise_km == pytest.approx(2.5, abs=1e-6)


def test_the_figures_of_every_object(tmp_path: Path) -> None:
    spare = pattern(1, 1, 540.0, 9001)
    again = Fleet([replace(pattern()[7], satellite_id=SatelliteId("9100"))])
    beside = Fleet([replace(pattern()[20], satellite_id=SatelliteId("9200"), mean_anomaly_deg=2.0)])
    condition = condition_of(pattern() + spare + again + beside, EPOCH)
    objects = condition.objects.set_index("satellite_id")
    assert list(condition.objects.columns) == list(OBJECT_COLUMNS)
    # 10 km low gains 11.8 deg a day (the figure of the trade, recalled; by Kepler alone 11.76).
    assert objects.loc["9001", "from_shell_km"] == pytest.approx(-10.0, abs=1e-6)
    assert objects.loc["9001", "drift_deg_day"] == pytest.approx(11.8, abs=0.06)
    assert objects.loc["9001", ["status", "serving", "plane"]].tolist() == ["drifting", False, 0]
    assert objects.loc["9100", ["same_orbit_as", "serving"]].tolist() == ["1008", False]
    assert objects.loc["9200", ["same_slot_as", "serving"]].tolist() == ["1021", False]
    assert objects.loc["1021", ["same_slot_as", "serving", "plane"]].tolist() == ["", True, 3]
    (shell,) = condition.shells
    assert (shell.objects, shell.serving, shell.planes, shell.slots, shell.held) == (62, 60, 6, 10, 60)
    assert condition.history is None


def test_the_slots_of_a_shell_that_is_partly_filled() -> None:
    # The invented scenario: 22 planes of 20 slots, of which eight have every second one filled.
    (shell,) = condition_of(plover(EPOCH), EPOCH).shells
    assert (shell.planes, shell.slots, shell.held, shell.serving) == (22, 20, 360, 360)
    strewn = walker(total=40, planes=8, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)
    dice = np.random.default_rng(2)
    moved = [replace(record, mean_anomaly_deg=float(dice.uniform(0.0, 360.0))) for record in strewn]
    (shell,) = condition_of(Fleet(moved), EPOCH).shells
    assert (shell.planes, shell.slots, shell.held) == (8, None, None)


def test_a_fleet_without_a_shell_has_a_condition_too() -> None:
    few = Fleet([record for k in range(4) for record in pattern(1, 1, 400.0 + 40.0 * k, 1 + k)])
    condition = condition_of(few, EPOCH)
    assert condition.shells == ()
    assert condition.objects["shell"].tolist() == [-1] * 4
    assert condition.objects["from_shell_km"].isna().all()
    assert mean_motion_rev_day(400.0) == few[0].mean_motion_rev_day
