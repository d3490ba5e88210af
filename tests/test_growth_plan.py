"""Planned launches: how their planes are fitted, who is lost, the curve by date, and rows that cannot fly."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from passim import Coverage, Fleet, Horizon, InputError, Site, Span, walker
from passim.answers.growth.ahead import growth_ahead
from passim.answers.growth.goals import parse_goal
from passim.answers.growth.launch_plan import PLAN_COLUMNS, PlannedLaunch, _Shell, planned_satellites, read_plan
from passim.coverage.visibility import find_visibility
from passim.elements.slots import node_and_phase_deg
from passim.sky.limits import ServingFilter
from passim.sky.view import View
from passim_apps.text.growth import fitted_words, plan_assumptions

START = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(START, hours=4)
NOW = datetime(2026, 3, 1, 9, tzinfo=UTC)
VIEW = View(Site("here", 45.0, -28.0, horizon=Horizon.flat(32.0)), (ServingFilter(),))
HEADER = ",".join(PLAN_COLUMNS)
SHELL = {"inclination_deg": 53.0, "altitude_km": 550.0, "epoch": START}


def launch(**changes) -> PlannedLaunch:
    usual = {
        "date": date(2026, 6, 1), "planes": 9, "satellites": 180, "altitude_km": 550.0, "inclination_deg": 53.0,
        "days_to_serve": 60.0, "losses_percent": 0.0,
    }  # fmt: skip
    return PlannedLaunch(**(usual | changes))


@pytest.fixture(scope="module")
def whole() -> Fleet:
    return walker(total=360, planes=18, phasing=7, **SHELL)


@pytest.fixture(scope="module")
def half(whole: Fleet) -> Fleet:
    """Every second plane of the whole pattern."""
    return whole.select([k for k in range(360) if k // 20 % 2 == 0])


def on_the_circle(angles_deg, others_deg) -> float:
    """Return the largest distance from one of the angles to the nearest of the others, degrees."""
    apart = np.abs((np.asarray(angles_deg)[:, None] - np.asarray(others_deg)[None] + 180.0) % 360.0 - 180.0)
    return float(apart.min(axis=1).max())


# --- where the planes go ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("days", [0, 5])
def test_the_missing_planes_of_a_pattern_are_found_again(whole: Fleet, half: Fleet, days: int) -> None:
    moment = START + timedelta(days=days)
    planned = planned_satellites(half, (launch(),), moment)
    assert len(planned.fleet) == 180
    node_deg, phase_deg = node_and_phase_deg(whole, moment)
    missing = np.arange(360) // 20 % 2 == 1
    for satellite, wanted in zip(planned.fleet, np.flatnonzero(missing), strict=True):
        same = np.abs((node_deg - satellite.node_deg + 180.0) % 360.0 - 180.0) < 0.01
        assert same.sum() == 20
        assert missing[same].all()
        assert on_the_circle([satellite.mean_anomaly_deg], phase_deg[same]) < 0.01
        assert satellite.mean_motion_rev_day == whole[int(wanted)].mean_motion_rev_day
    assert [fitted_words(each) for each in planned.fitted] == [
        "in the widest gaps between the 9 planes there, keeping their phasing"
    ]


def test_wide_gaps_are_filled_evenly(whole: Fleet) -> None:
    # Planes 0 to 11 of 18 stay: the hole of 140 deg takes six planes 20 deg apart, as the pattern had them.
    kept = whole.select(range(240))
    planned = planned_satellites(kept, (launch(planes=6, satellites=120),), START)
    nodes = sorted({round(record.node_deg, 6) for record in planned.fleet})
    assert nodes == pytest.approx([240.0, 260.0, 280.0, 300.0, 320.0, 340.0], abs=1e-6)


def test_later_rows_see_the_planes_of_earlier_ones(half: Fleet) -> None:
    rows = (launch(planes=3, satellites=60), launch(planes=6, satellites=120, date=date(2026, 7, 1)))
    planned = planned_satellites(half, rows, START)
    assert len({round(record.node_deg, 3) for record in planned.fleet}) == 9
    assert planned.row.tolist() == [0] * 60 + [1] * 120
    assert "12 planes there" in fitted_words(planned.fitted[1])
    assert len(set(planned.fleet.satellite_ids) | set(half.satellite_ids)) == 360
    # They are numbered on, one after the other, through both rows.
    numbers = [int(number) for number in planned.fleet.satellite_ids]
    assert numbers == list(range(numbers[0], numbers[0] + 180))


def test_a_launch_close_by_is_seen_by_the_next_one_too(half: Fleet) -> None:
    """One 3 km higher is of the same shell: what was found of it before no longer holds."""
    rows = (
        launch(planes=3, satellites=60), launch(planes=3, satellites=60, altitude_km=553.0),
        launch(planes=3, satellites=60, altitude_km=700.0), launch(planes=3, satellites=60),
    )  # fmt: skip
    planned = planned_satellites(half, rows, START)
    assert [each.beside_planes for each in planned.fitted] == [9, 12, 0, 15]
    shell = planned.fleet.select(np.flatnonzero(planned.row != 2).tolist())
    assert len({round(record.node_deg, 3) for record in [*half, *shell]}) == 18


def test_a_star_stays_in_its_half_of_the_circle() -> None:
    star = walker(
        total=66, planes=6, phasing=3, inclination_deg=87.9, altitude_km=780.0, epoch=START, star=True
    )  # fmt: skip
    row = launch(planes=5, satellites=55, altitude_km=780.0, inclination_deg=87.9)
    nodes = sorted({round(record.node_deg, 3) for record in planned_satellites(star, (row,), START).fleet})
    assert nodes == pytest.approx([15.0, 45.0, 75.0, 105.0, 135.0], abs=0.01)


def test_a_shell_of_its_own_is_a_regular_pattern(half: Fleet) -> None:
    row = launch(planes=6, satellites=60, altitude_km=600.0, inclination_deg=70.0)
    planned = planned_satellites(half, (row,), START)
    pattern = walker(total=60, planes=6, phasing=1, inclination_deg=70.0, altitude_km=600.0, epoch=START)
    for mine, theirs in zip(planned.fleet, pattern, strict=True):
        assert mine.node_deg == pytest.approx(theirs.node_deg)
        assert on_the_circle([mine.mean_anomaly_deg], [theirs.mean_anomaly_deg]) < 1e-9
        assert mine.mean_motion_rev_day == theirs.mean_motion_rev_day
    assert [fitted_words(each) for each in planned.fitted] == ["evenly spaced in a shell of their own"]


def test_planes_without_a_pattern_are_said_to_have_none(half: Fleet) -> None:
    draw = np.random.default_rng(1).uniform(0.0, 360.0, 9)
    strewn = Fleet(
        [replace(r, mean_anomaly_deg=(r.mean_anomaly_deg + draw[k // 20]) % 360.0) for k, r in enumerate(half)]
    )
    assert "phases follow no one pattern" in fitted_words(planned_satellites(strewn, (launch(),), START).fitted[0])


def test_the_lost_are_drawn(half: Fleet) -> None:
    row = launch(losses_percent=5.0)
    assert row.lost == 9
    first, again = (planned_satellites(half, (row,), START, seed=1).fleet for _ in range(2))
    assert first == again
    assert len(first) == 171
    assert planned_satellites(half, (row,), START, seed=2).fleet.names.tolist() != first.names.tolist()
    assert len(planned_satellites(half, (launch(losses_percent=100.0),), START).fleet) == 0


# --- the curve by date ------------------------------------------------------------------------------------------------


def test_the_curve_by_date_is_the_plain_coverage_of_each_day(whole: Fleet, half: Fleet) -> None:
    rows = (
        launch(planes=6, satellites=120, date=date(2026, 8, 1), days_to_serve=30.0),
        launch(planes=3, satellites=60),
        launch(planes=3, satellites=30, altitude_km=600.0, inclination_deg=70.0, days_to_serve=91.0),
    )
    ahead = growth_ahead(half, VIEW, SPAN, rows, now=NOW)
    assert ahead.table["date"].dt.strftime("%Y-%m-%d").tolist() == ["2026-03-01", "2026-07-31", "2026-08-31"]
    assert ahead.table["satellites"].tolist() == [180, 240, 390]
    assert ahead.table["planned"].tolist() == [0, 60, 210]

    planned = planned_satellites(half, ahead.launches, SPAN.middle)
    days = [planned.row < 0, planned.row == 0, planned.row >= 0]
    for k, chosen in enumerate(days):
        fleet = Fleet([*half.records, *(r for r, serves in zip(planned.fleet, chosen, strict=True) if serves)])
        joint = find_visibility(fleet, View(VIEW.site), SPAN).joint()
        plain = Coverage.from_intervals(joint.start, joint.end, SPAN).summary()
        row = ahead.table.iloc[k]
        assert row["gap_fraction"] == pytest.approx(1.0 - plain["covered_fraction"], abs=1e-9)
        assert row["gap_count"] == plain["gap_count"]
        assert row["longest_gap_s"] == pytest.approx(plain["gap_longest_s"], abs=1e-4)
    assert ahead.table["gap_fraction"].is_monotonic_decreasing
    assert ahead.table["gap_count"].iloc[0] > 20
    assert dict(ahead.health[0].counts)["catalogued"] == 180


def test_the_date_on_which_a_goal_is_met(whole: Fleet, half: Fleet) -> None:
    # Found by the plain pass search: under a mask of 32 deg the whole pattern has no gap here, half of it has 34.
    ahead = growth_ahead(half, VIEW, SPAN, (launch(),), now=NOW)
    assert ahead.date_met(parse_goal("longest_gap_s <= 5")) == datetime(2026, 7, 31, tzinfo=UTC)
    assert ahead.date_met(parse_goal("gap_count <= 100000")) == NOW
    assert ahead.date_met(parse_goal("gap_count > 100000")) is None
    words = plan_assumptions(ahead)
    assert "9 planes of 20 at 550 km and 53° launched 2026-06-01, serving after 60 days, 0 % lost" in words
    assert "today's 180 satellites staying as they are" in words


def test_who_serves_today_is_settled_without_the_plan(half: Fleet) -> None:
    # Ten stragglers 60 km low do not serve; a small planned shell, which the filter would not know, does.
    low = walker(total=10, planes=1, phasing=0, inclination_deg=53.0, altitude_km=490.0, epoch=START,
                 first_satellite_id=5)  # fmt: skip
    row = launch(planes=1, satellites=4, altitude_km=700.0, inclination_deg=70.0)
    ahead = growth_ahead(half + low, VIEW, SPAN, (row,), now=NOW)
    assert ahead.table["satellites"].tolist() == [180, 184]


# --- the file ---------------------------------------------------------------------------------------------------------


def test_a_plan_is_read_in_order_of_service(tmp_path) -> None:
    path = tmp_path / "plan.csv"
    path.write_text(
        f"# invented\n{HEADER}\n2026-09-01,2,40,550,53,0,0\n\n2026-06-01, 9, 180, 550.5, 53, 60.5, 2.5\n",
        encoding="utf-8-sig",
    )
    first, second = read_plan(path, NOW)
    assert first == launch(altitude_km=550.5, days_to_serve=60.5, losses_percent=2.5)
    assert first.serves_from == datetime(2026, 7, 31, 12, tzinfo=UTC)
    assert (second.date, second.planes) == (date(2026, 9, 1), 2)


def test_the_columns_may_stand_in_any_order(tmp_path) -> None:
    path = tmp_path / "plan.csv"
    columns = list(reversed(PLAN_COLUMNS))
    path.write_text(f"{','.join(columns)}\n0,60,53,550,180,9,2026-06-01\n", encoding="utf-8")
    assert read_plan(path, NOW) == (launch(),)


def test_a_row_that_cannot_fly_gets_one_line(tmp_path, subtests: pytest.Subtests) -> None:
    for row, message in [
        (",9,180,550,53,60,0", "line 2: a launch without a date; wanted the day of the launch, YYYY-MM-DD"),
        ("June,9,180,550,53,60,0", "line 2: date of a planned launch; got 'June'"),
        ("2025-06-01,9,180,550,53,60,0", "line 2: a launch that would serve already; got 'serving from 2025-07-31'"),
        ("2026-06-01,9,180,120,53,60,0", "which collides with the Earth or its air; got '120 km'"),
        ("2026-06-01,9,180,-550,53,60,0", "which collides with the Earth or its air; got '-550 km'"),
        ("2026-06-01,9,180,60000,53,60,0", "line 2: altitude of a planned launch; got '60000 km'"),
        ("2026-06-01,9,180,nan,53,60,0", "altitude_km of a planned launch; got 'nan'; wanted a number"),
        ("2026-06-01,9,181,550,53,60,0", "got '181 in 9 planes'; wanted a whole number up to 50,000, the same"),
        ("2026-06-01,0,180,550,53,60,0", "line 2: planes of a planned launch; got 0"),
        (
            "2026-06-01,1001,1001,550,53,60,0",
            "line 2: planes of a planned launch; got 1001; wanted a whole number from",
        ),
        ("2026-06-01,9.5,180,550,53,60,0", "line 2: planes of a planned launch; got '9.5'; wanted a whole number"),
        ("2026-06-01,9,180,550,190,60,0", "line 2: inclination_deg of a planned launch; got 190.0"),
        ("2026-06-01,9,180,550,53,-1,0", "line 2: days_to_serve of a planned launch; got -1.0"),
        ("2026-06-01,9,180,550,53,60,101", "line 2: losses_percent of a planned launch; got 101.0"),
        ("2026-06-01,9,180,550,53,soon,0", "line 2: days_to_serve of a planned launch; got 'soon'; wanted a number"),
        ("2026-06-01,9,180,550,53,60", "line 2; got '2026-06-01,9,180,550,53,60'; wanted 7 cells"),
        ("", "got 'no launch'; wanted at least one row"),
    ]:
        with subtests.test(row=row, message=message):
            path = tmp_path / "plan.csv"
            path.write_text(f"{HEADER}\n{row}\n", encoding="utf-8")
            with pytest.raises(InputError) as error:
                read_plan(path, NOW)
            assert message in str(error.value)
            assert str(error.value).startswith(f"plan {path}")
            assert len(str(error.value).splitlines()) == 1


def test_a_file_that_is_no_plan(tmp_path) -> None:
    path = tmp_path / "plan.csv"
    for text in ("", "date,planes\n", f"{HEADER},comment\n", f'{HEADER}\n"2026'):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=r"wanted .*the header date,planes,satellites"):
            read_plan(path, NOW)
    path.write_bytes(b"\xff\xfe\x00")
    for bad in (path, tmp_path, tmp_path / "missing.csv"):
        with pytest.raises(InputError, match=r"plan .*; got "):
            read_plan(bad, NOW)


def test_losses_are_rounded_to_whole_satellites(subtests: pytest.Subtests) -> None:
    for satellites, percent, lost in [
        (80, 0.0, 0),
        (80, 5.0, 4),
        (10, 4.0, 0),
        (10, 5.0, 1),
        (10, 14.0, 1),
        (10, 15.0, 2),
        (3, 100.0, 3),
        (1, 49.0, 0),
    ]:
        with subtests.test(satellites=satellites, percent=percent, lost=lost):
            row = PlannedLaunch(
                date=date(2026, 6, 1), planes=1, satellites=satellites, altitude_km=550.0, inclination_deg=53.0,
                days_to_serve=60.0, losses_percent=percent,
            )  # fmt: skip
            assert row.lost == lost


def test_satellites_of_a_shell_of_their_own_stand_evenly_and_turned_from_plane_to_plane() -> None:
    """Four slots are 90 deg apart; of three planes each is turned by a third of that, one alone by nothing."""
    shell = _Shell(15.0, 53.0, (), 0, 1, 0.0, False)
    assert shell.phases_deg(40.0, 4, 1) == [0.0, 90.0, 180.0, 270.0]
    assert [shell.phases_deg(node_deg, 4, 3)[0] for node_deg in (0.0, 120.0, 240.0)] == [0.0, 30.0, 60.0]
