"""The invented scenario: the fleet Plover, its stations, and the day they were designed to show."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from passim import Coverage, Span, find_passes
from passim.coverage.visibility import find_visibility
from passim.errors import ElementsError
from passim.workspace import create
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.notes import notes_of
from passim_apps.dashboard.state import DashboardState
from passim_apps.dashboard.tasks.passes import find
from passim_apps.text.notes import Note
from passim_apps.text.workspace import STARTS_ANEW
from tests import scenario

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)


def test_plover_is_filled_as_described():
    fleet = scenario.plover(EPOCH)
    assert len(fleet) == fleet.object_count == 360
    assert (fleet.satellite_ids[0], fleet.satellite_ids[-1]) == ("900000001", "900000360")
    # Plane and slot, read back from the names: planes 0-13 full, 14-21 even slots only.
    places = [tuple(int(n) - 1 for n in re.fullmatch(r"Plover (\d\d)-(\d\d)", name).groups()) for name in fleet.names]
    assert set(places) == {(p, j) for p in range(22) for j in range(20) if p < 14 or j % 2 == 0}
    # GMST of 1982 at 2026-03-01 00:00 UT is 158.814 deg (AIAA 2006-6753, appendix C, recomputed), plus 45.
    first_deg = 158.814 + 45.0
    for (p, j), record in zip(places, fleet, strict=True):
        assert (record.node_deg - first_deg - 360.0 * p / 22 + 180.0) % 360.0 == pytest.approx(180.0, abs=0.002)
        anomaly_deg = 360.0 * j / 20 + 360.0 * 6 * p / 440
        assert (record.mean_anomaly_deg - anomaly_deg + 180.0) % 360.0 == pytest.approx(180.0, abs=1e-9)


def test_plover_is_launched_two_planes_at_a_time():
    fleet = scenario.plover(EPOCH)
    planes_of: dict[str, set[str]] = {}
    for record in fleet:
        assert re.fullmatch(r"2025-9(0[1-9]|1[01])[A-HJ-NP-Z]{1,2}", record.designator)
        planes_of.setdefault(record.designator[:8], set()).add(record.name[7:9])
    assert len({record.designator for record in fleet}) == 360
    assert [sorted(planes) for planes in planes_of.values()] == [[f"{p:02d}", f"{p + 1:02d}"] for p in range(1, 22, 2)]
    assert list(planes_of) == sorted(planes_of)
    # A group of two full planes has 40 pieces: A to Z without I and O, then AA to AR without AI and AO.
    assert [fleet[k].designator[8:] for k in (0, 7, 8, 23, 24, 39)] == ["A", "H", "J", "Z", "AA", "AR"]


def test_plover_wants_an_aware_epoch():
    with pytest.raises(ElementsError, match="epoch of the fleet Plover"):
        scenario.plover(datetime(2026, 3, 1))


def test_scenario_says_that_it_is_invented():
    assert scenario.SCHOOL_NAME.endswith("(invented)")
    assert scenario.plover(EPOCH).name.endswith("(invented)")


def test_stations_of_the_scenario():
    school = scenario.SCHOOL
    assert school.site_names == ("Marram", "Skerry", "Lantern")
    assert [school.spot_names(name) for name in school.site_names] == [("loft", "yard"), ("roof",), ("roof",)]
    assert [school.gateways(name) for name in school.site_names] == [(scenario.SOUTH,), *[(scenario.NORTH,)] * 2]
    assert [(g.latitude_deg, g.longitude_deg, g.height_m) for g in scenario.GATEWAYS] == [
        (39.6, -28.0, 50.0),
        (57.4, -28.0, 30.0),
    ]
    places = [spot for _, spots in scenario.STATIONS for spot in spots]
    assert [(s.name, s.latitude_deg, s.height_m, s.horizon.lowest_deg, s.horizon.highest_deg) for s in places] == [
        ("Marram loft", 45.0, 40.0, 25.0, 25.0),
        ("Marram yard", 45.0, 40.0, 35.0, 35.0),
        ("Skerry", 52.0, 15.0, 25.0, 25.0),
        ("Lantern", 58.5, 60.0, 25.0, 25.0),
    ]
    assert {(spot.longitude_deg, spot.timezone) for spot in places} == {(-28.0, "Atlantic/Azores")}
    assert {school.call_hours(name).words for name in school.site_names} == {"08:00 to 18:00, Mon to Fri"}


def first_day(site, epoch=EPOCH):
    span = Span.starting(epoch, hours=24)
    return Coverage.from_passes(find_passes(scenario.plover(epoch), site, span), span).summary()


def test_marram_loft_is_never_out_under_the_sky_alone():
    # Simulated for the design in steps of 2 s (own arithmetic): no gap.
    assert first_day(scenario.MARRAM_LOFT)["gap_count"] == 0
    assert first_day(scenario.SKERRY)["gap_count"] == 0


def test_marram_yard_is_out_behind_its_firs():
    # Simulated for the design in steps of 2 s (own arithmetic), which lose short gaps and round the others: 2.5 % out,
    # 69 gaps, mean 32 s, longest 110 s.
    summary = first_day(scenario.MARRAM_YARD)
    assert 1.0 - summary["covered_fraction"] == pytest.approx(0.025, abs=0.0005)
    assert summary["gap_count"] == pytest.approx(69, abs=2)
    assert summary["gap_mean_s"] == pytest.approx(32.0, abs=1.0)
    assert summary["gap_longest_s"] == pytest.approx(110.0, abs=2.0)


def test_every_demo_day_is_the_same():
    spring = first_day(scenario.MARRAM_YARD)
    autumn = first_day(scenario.MARRAM_YARD, datetime(2026, 9, 17, tzinfo=UTC))
    assert autumn["gap_count"] == spring["gap_count"]
    assert autumn["gap_longest_s"] == pytest.approx(spring["gap_longest_s"], abs=0.001)
    assert autumn["covered_fraction"] == pytest.approx(spring["covered_fraction"], abs=1e-7)


def test_gaps_come_earlier_on_days_ahead_and_are_back_where_they_were_when_the_fleet_starts_anew():
    """By 21.6 min a day: 3.9 for the turn of the stars, 17.6 for that of the planes (J2's secular term)."""
    view = scenario.view_of(scenario.MARRAM_LOFT)

    def calm_from(fleet, day):
        """Return when the calm afternoon begins: the end of the last gap before 16:00 UTC."""
        gaps = find_visibility(fleet, view, Span.starting(day, hours=16), warn=False).coverage().gaps()
        return gaps["end"].iloc[-1] - day

    later = EPOCH + timedelta(days=2)
    today, ahead, anew = (
        calm_from(scenario.plover(epoch), day) for epoch, day in ((EPOCH, EPOCH), (EPOCH, later), (later, later))
    )
    assert timedelta(minutes=15) < (today - ahead) / 2 < timedelta(minutes=25)
    assert abs(anew - today) < timedelta(minutes=1)
    assert "some 20 min earlier on each day ahead" in STARTS_ANEW


def test_how_gaps_move_is_told_only_where_there_are_gaps(tmp_path: Path) -> None:
    made = create(tmp_path / "school", demo=True, at=datetime.fromisoformat("2026-11-25T08:05:00+00:00"))
    state = DashboardState(made, at=datetime.fromisoformat("2026-11-25T08:05:00+00:00"))
    for query, told in (("?site=Skerry", False), ("?site=Marram", True)):
        question = state.question(read_query(query)[0])
        span = question.days(1)
        seen = find(question.fleet, question.view, span)
        assert (len(seen.coverage.gaps()) > 0) == told
        assert (Note(STARTS_ANEW) in notes_of(question, seen, span)) == told
