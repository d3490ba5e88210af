"""Launches as of late: the pace by hand arithmetic, as a plan, in every face, and what cannot have one."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

import commands
from passim import Fleet, Horizon, InputError, Site, Span, walker, write_elements
from passim.answers.growth.ahead import growth_ahead, pace_at
from passim.answers.growth.launch_plan import parse_plan, plan_csv
from passim.answers.growth.pace import pace_of
from passim.sky.limits import ServingFilter
from passim.sky.view import View
from passim_apps.text.growth import ahead_sentence, plan_assumptions, plan_notes, sample_remarks

# A year of 365 days lies behind this moment, and nothing of its own year.
NOW = datetime(2026, 1, 1, 9, tzinfo=UTC)
SPAN = Span.starting(NOW, hours=2)
VIEW = View(Site("here", 45.0, -28.0, horizon=Horizon.flat(32.0)), (ServingFilter(),))


def designed(years: list[int], *, altitude_km: float = 550.0, first: int = 900_000_001, **more: float) -> Fleet:
    """Return planes of ten satellites, the k-th launched in the k-th of `years`."""
    pattern = walker(
        total=10 * len(years), planes=len(years), phasing=0, inclination_deg=53.0, altitude_km=altitude_km, epoch=NOW,
        first_satellite_id=first, **more,
    )  # fmt: skip
    return Fleet(
        [
            replace(record, designator=f"{years[k // 10]}-{901 + k // 10}{'ABCDEFGHJK'[k % 10]}")
            for k, record in enumerate(pattern)
        ],
        "designed",
    )


def test_the_pace_of_a_designed_fleet_is_that_of_its_launches() -> None:
    """Two of six planes in 365 days: one in each 182.5 days, and on the first of a month what is complete by then."""
    pace = pace_of(designed([2023, 2023, 2023, 2024, 2025, 2025]), NOW, NOW)
    assert (pace.since, pace.until, pace.on_station, pace.launched) == (date(2025, 1, 1), date(2026, 1, 1), 60, 20)
    (shell,) = pace.shells
    assert (shell.altitude_km, shell.inclination_deg, shell.slots, shell.planes) == (550.0, 53.0, 10, 4)
    assert shell.a_month == pytest.approx(20.0 * 365.25 / 365.0 / 12.0)
    # 182.5, 365, 547.5 and 730 days from 1 January 2026: 2, 1, 2 and 1 of these months.
    assert [launch.date for launch in pace.launches] == [
        date(2026, 8, 1), date(2027, 1, 1), date(2027, 8, 1), date(2028, 1, 1)
    ]  # fmt: skip
    for launch in pace.launches:
        assert (launch.planes, launch.satellites, launch.days_to_serve, launch.losses_percent) == (1, 10, 0.0, 0.0)


def test_the_part_of_this_year_counts_with_the_last_full_one() -> None:
    """Three planes, two of last year, one of this, in 365 + 181 days to 1 July: one in 182 days; 1 January is 184."""
    fleet = designed([2024, 2024, 2025, 2025, 2026, 2024])
    pace = pace_of(fleet, NOW, datetime(2026, 7, 1, tzinfo=UTC))
    assert (pace.since, pace.until, pace.launched) == (date(2025, 1, 1), date(2026, 7, 1), 30)
    assert [launch.date for launch in pace.launches] == [
        date(2027, 1, 1), date(2027, 7, 1), date(2028, 1, 1), date(2028, 7, 1)
    ]  # fmt: skip


def test_each_shell_has_its_own_pace_and_a_finished_one_none() -> None:
    growing = designed([2025, 2025, 2025, 2024])
    finished = designed([2023, 2023, 2023, 2023], altitude_km=600.0, first=900_001_001)
    third = designed([2024, 2024, 2024, 2025], altitude_km=700.0, first=900_002_001)
    pace = pace_of(growing + finished + third, NOW, NOW)
    assert [(shell.altitude_km, shell.launched, shell.planes) for shell in pace.shells] == [
        (550.0, 30, 6), (700.0, 10, 2)
    ]  # fmt: skip
    # A plane each 121 2/3 days, the second a third of a day after 1 September; and one each year.
    assert [(row.date.isoformat(), row.altitude_km) for row in pace.launches] == [
        ("2026-06-01", 550.0), ("2026-10-01", 550.0), ("2027-01-01", 550.0), ("2027-01-01", 700.0),
        ("2027-06-01", 550.0), ("2027-10-01", 550.0), ("2028-01-01", 550.0), ("2028-01-01", 700.0),
    ]  # fmt: skip


def test_what_the_snapshots_saw_come_counts_without_a_designator() -> None:
    fleet = designed([2023, 2023, 2023, 2025])
    new = fleet.records[30:]
    came = {str(record.satellite_id): datetime(2025, 6, 1, tzinfo=UTC) for record in new}
    unnamed = Fleet([*fleet.records[:30], *(replace(r, designator="") for r in new)], first_seen=came)
    assert pace_of(unnamed, NOW, NOW) == pace_of(fleet, NOW, NOW)
    before = dict.fromkeys(came, datetime(2024, 6, 1, tzinfo=UTC))
    with pytest.raises(InputError, match="launched since 2025-01-01, the newest in 2024"):
        pace_of(Fleet(unnamed.records, first_seen=before), NOW, NOW)


def test_only_satellites_on_station_count() -> None:
    """Ten launched this year still climb 60 km below the shell: they neither serve nor make the pace."""
    fleet = designed([2023, 2024, 2025, 2025])
    low = designed([2025], altitude_km=490.0, first=900_001_001)
    assert pace_at(fleet + low, VIEW, SPAN, NOW) == pace_of(fleet, SPAN.middle, NOW)


def test_what_has_no_pace_gets_one_line(subtests: pytest.Subtests) -> None:
    nameless = designed([2024, 2025])
    nameless = Fleet([replace(nameless[0], designator=""), *nameless.records[1:]])
    slow = [replace(r, designator=f"{2025 if k == 0 else 2020}-901A") for k, r in enumerate(designed([2020] * 4))]
    vast = [replace(r, designator="2025-901A") for r in walker(
        total=26_000, planes=10, phasing=0, inclination_deg=53.0, altitude_km=550.0, epoch=NOW
    )]  # fmt: skip
    own = "try a launch plan of your own"
    for fleet, message in [
        (
            nameless,
            "pace of launches; got 1 of 20 satellites without a year of launch, the first ",
        ),
        (
            designed([2020, 2023]),
            f"got no satellite on station launched since 2025-01-01, the newest in 2023; wanted at least one; {own}",
        ),
        (
            Fleet(slow),
            "got 0 satellites in 24 months, at 1 launched since 2025-01-01; wanted at least one plane, of 10 ",
        ),
        (
            Fleet(vast),
            f"got 51,840 satellites in 24 months, at 26,000 launched since 2025-01-01; wanted at most 50,000; {own}",
        ),
        (
            designed([2025, 2025], altitude_km=9000.0, eccentricity=0.2),
            "got a shell at 9000 km of eccentricity 0.200; wanted circular orbits",
        ),
    ]:
        with subtests.test(message=message):
            with pytest.raises(InputError) as error:
                pace_of(fleet, NOW, NOW)
            assert message in str(error.value).replace("'", "")
            assert len(str(error.value).splitlines()) == 1


# --- as a plan --------------------------------------------------------------------------------------------------------


def test_the_pace_written_as_a_plan_gives_the_same_answer() -> None:
    fleet = designed([2023, 2024, 2025, 2025])
    ahead = growth_ahead(fleet, VIEW, SPAN, None, now=NOW)
    assert ahead.pace is not None
    assert ahead.launches == ahead.pace.launches
    text = plan_csv(ahead.launches, sample_remarks(ahead.pace))
    assert parse_plan(text.encode(), "p.csv", NOW) == ahead.launches
    by_plan = growth_ahead(fleet, VIEW, SPAN, parse_plan(text.encode(), "p.csv", NOW), now=NOW)
    assert by_plan.pace is None
    assert by_plan.table.equals(ahead.table)
    assert ahead.table["satellites"].tolist() == [40, 50, 60, 70, 80]


def test_the_words_say_pace_and_scenario() -> None:
    ahead = growth_ahead(designed([2023, 2024, 2025, 2025]), VIEW, SPAN, None, now=NOW)
    assert (
        "if launches go on as they have of late, a scenario, not a forecast"
        in ahead_sentence(ahead, None, "", "2 h").lower()
    )
    assert plan_assumptions(ahead) == (
        "launches as of late, 1.67 satellites a month, in planes of 10 at 550 km and 53°; today's 40 satellites "
        "staying as they are"
    )
    notes = [note.text for note in plan_notes(ahead)]
    assert notes[0].startswith("Of the 40 satellites on station 20 were launched since 1 Jan 2025: 1.67 satellites a ")
    assert any("tell the year of a launch and no day" in note for note in notes)
    assert any("between the 4 planes there" in note for note in notes)


# --- the command ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> str:
    target = tmp_path_factory.mktemp("fleet") / "designed.json"
    write_elements(designed([2023] * 4 + [2024] * 4 + [2025] * 4), target)
    return str(target)


def asked(path: str, *options: str) -> list[str]:
    return [
        "growth", "--elements", path, "--site", "45.0,-28.0,40", "--mask", "32", "--at", "2026-01-01T09:00:00Z",
        "--hours", "2", *options,
    ]  # fmt: skip


def test_the_command_answers_by_date_and_writes_the_plan(path: str, tmp_path: Path) -> None:
    plan = tmp_path / "to-edit.csv"
    goal = ["--goal", "gap_fraction <= 0.6"]
    found = commands.run(*asked(path, *goal, "--pace", "--write-plan", str(plan), "--format", "json"))
    assert found.exit_code == 0, found.stderr
    assert f"Wrote 8 launches to {plan}." in found.stderr
    answer = json.loads(found.stdout)
    assert "if launches go on as they have of late, a scenario, not a forecast" in answer["answer"]
    assert answer["pace"]["since"] == "2025-01-01"
    assert answer["pace"]["shells"][0]["launched"] == 40
    again = commands.run(*asked(path, *goal, "--plan", str(plan), "--format", "json"))
    assert again.exit_code == 0, again.stderr
    by_plan = json.loads(again.stdout)
    for key in ("rows", "plan", "goal"):
        assert by_plan[key] == answer[key]


def test_a_goal_that_is_not_met_says_how_to_ask_when(path: str) -> None:
    found = commands.run(*asked(path, "--goal", "gap_count <= 0"))
    assert found.stdout.startswith("Goal not met with this fleet's orbits")
    assert "--pace says so if launches go on as they have of late" in " ".join(found.stdout.split())


def test_the_options_of_launches_ahead_exclude_each_other(path: str, tmp_path: Path, subtests: pytest.Subtests) -> None:
    for options, message in [
        (["--pace", "--plan", "x.csv"], "passim: --plan and --pace both say what is launched: give one of them."),
        (["--pace", "--order", "plane"], "passim: --pace has its own order, by date"),
        (["--write-plan", "x.csv"], "passim: --write-plan needs --pace."),
        (["--pace", "--write-plan", str(tmp_path)], "passim: --write-plan; got "),
    ]:
        with subtests.test(options=options):
            assert commands.refusal(commands.run(*asked(path, *options))).startswith(message)
