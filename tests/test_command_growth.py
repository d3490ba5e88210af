"""``passim growth``: its sentence, table and files agree with the library, and bad input gets one line."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

import commands
import passim
from passim.answers.growth.curves import growth, logarithmic_grid
from passim.answers.growth.orders import launch_order, random_orders
from passim.coverage.visibility import find_visibility
from passim.sky.limits import ServingFilter
from passim.sky.view import View
from passim_apps.command_line.main import main
from tests import scenario

# A Wednesday.
START = datetime(2026, 11, 25, tzinfo=UTC)
SPAN = passim.Span.starting(START, hours=6)
SITE = passim.Site("here", 45.0, -28.0, 40.0, "Atlantic/Azores", passim.Horizon.flat(35.0))
PLAN = """date,planes,satellites,altitude_km,inclination_deg,days_to_serve,losses_percent
2026-12-15,4,80,550,53,60,5
2027-03-01,22,440,550,53,60,0
"""


@pytest.fixture(scope="module")
def fleet() -> passim.Fleet:
    return scenario.plover(START)


@pytest.fixture(scope="module")
def path(fleet: passim.Fleet, tmp_path_factory: pytest.TempPathFactory) -> str:
    target = tmp_path_factory.mktemp("fleet") / "invented.json"
    passim.write_elements(fleet, target)
    return str(target)


def run(path: str, *arguments: str) -> Result:
    common = ["growth", "--elements", path, "--site", "45.0,-28.0,40", "--zone", "Atlantic/Azores", "--mask", "35"]
    span = ["--from", "2026-11-25T00:00:00Z", "--at", "2026-11-25T00:00:00Z", "--hours", "6"]
    return commands.run(*common, *span, *arguments)


def done(path: str, *arguments: str) -> Result:
    return commands.finished(run(path, *arguments))


def refused(path: str, *arguments: str) -> str:
    return commands.refusal(run(path, *arguments))


def test_files_hold_every_number_as_the_library_says(path: str, fleet: passim.Fleet) -> None:
    seen = find_visibility(fleet, View(SITE, (ServingFilter(),)), SPAN)
    expected = growth(seen, launch_order(seen.fleet))
    rows = json.loads(done(path, "--format", "json").stdout)["rows"]
    assert list(rows[0]) == ["satellites", "gap_fraction", "gap_count", "mean_gap_s", "longest_gap_s"]
    assert [row["satellites"] for row in rows] == list(range(1, 361))
    for name in expected.columns:
        values = [np.nan if row[name] is None else row[name] for row in rows]
        assert values == pytest.approx(expected[name].tolist(), abs=1e-6, nan_ok=True)
    as_csv = list(csv.DictReader(io.StringIO(done(path, "--format", "csv").stdout)))
    assert [int(row["satellites"]) for row in as_csv] == list(range(1, 361))


def test_draws_have_their_band_and_quantiles_their_grid(path: str, fleet: passim.Fleet) -> None:
    options = ["--order", "random", "--draws", "6", "--seed", "4", "--quantiles", "--format", "json"]
    answer = json.loads(done(path, *options).stdout)
    seen = find_visibility(fleet, View(SITE, (ServingFilter(),)), SPAN)
    expected = growth(seen, random_orders(seen.fleet, draws=6, seed=4), quantiles=True)
    assert list(answer["rows"][0]) == list(expected.columns)
    assert {"gap_count_p10", "median_gap_s_p90", "p90_gap_s_p10"} <= set(answer["rows"][0])
    assert answer["rows"][99]["longest_gap_s_p90"] == pytest.approx(expected["longest_gap_s_p90"].iloc[99], abs=1e-6)
    given = [row["satellites"] for row in answer["rows"] if row["p90_gap_s"] is not None]
    assert set(given) <= set(logarithmic_grid(360).tolist())
    assert (answer["order"], answer["draws"], answer["seed"], answer["satellites"]) == ("random", 6, 4, 360)
    assert any("a model of failures only" in note for note in answer["notes"])


def test_the_table_is_thinned_unless_all_is_asked_for(path: str) -> None:
    lines = done(path).stdout.splitlines()
    assert lines[0].startswith("With all 360 satellites service is out ")
    assert "with the first 180, as launched, service is out" in lines[0]
    shown = [int(line.split()[0]) for line in lines if line.split()[:1] and line.split()[0].isdigit()]
    assert shown == logarithmic_grid(360).tolist()
    assert any("--all shows every one" in line for line in lines)
    assert "Without service" in lines[2]
    numbers = [line.split()[0] for line in done(path, "--all").stdout.splitlines() if line.strip()]
    assert [int(n) for n in numbers if n.isdigit()] == list(range(1, 361))


def test_a_goal_comes_first(path: str) -> None:
    answer = json.loads(done(path, "--goal", "longest_gap_s <= 120", "--format", "json").stdout)
    number = answer["goal"]["satellites"]
    assert answer["answer"] == (
        f"Goal met from {number} satellites on, as launched (no gap over 120 s); today you have 360, "
        f"{360 - number} to spare."
    )
    assert answer["goal"] == {
        "text": "longest_gap_s <= 120", "reached": True, "satellites": number, "low": number, "high": number,
    }  # fmt: skip
    longest = [row["longest_gap_s"] for row in answer["rows"]]
    assert max(longest[number - 1 :]) <= 120.0 < longest[number - 2]
    # The number stands in the thinned table too.
    assert any(
        line.split()[:1] == [str(number)] for line in done(path, "--goal", "longest_gap_s<=120").stdout.splitlines()
    )


def test_a_goal_over_draws_has_a_band_and_its_label(path: str) -> None:
    sentence = done(path, "--goal", "covered >= 90 %", "--order", "random", "--draws", "5").stdout.splitlines()[0]
    assert sentence.startswith("Goal met from about ")
    assert "with satellites missing at random (a model of failures only)" in sentence
    assert "in eight draws of ten (at least 90 % covered); today you have 360, " in sentence
    number = int(sentence.removeprefix("Goal met from about ").split()[0])
    assert sentence.endswith(f", {360 - number} to spare.")


def test_a_goal_that_the_fleet_cannot_meet(path: str) -> None:
    answer = json.loads(done(path, "--mask", "45", "--goal", "gap_count <= 0", "--format", "json").stdout)
    given = "Goal not met with this fleet's orbits (no gap); with all 360 satellites: gaps "
    assert answer["answer"].startswith(given)
    assert answer["goal"] == {"text": "gap_count <= 0", "reached": False}


def test_call_hours_for_everything_and_for_the_goal_alone(path: str) -> None:
    whole = json.loads(done(path, "--format", "json").stdout)
    kept = json.loads(done(path, "--call-hours", "01:00-03:00,Mon-Fri", "--format", "json").stdout)
    assert "in the call hours of 6 h" in kept["answer"]
    assert "Call hours: 01:00 to 03:00, Mon to Fri (Atlantic/Azores)." in kept["notes"]
    assert kept["rows"][-1]["gap_count"] < whole["rows"][-1]["gap_count"]
    assert kept["rows"][-1]["longest_gap_s"] <= whole["rows"][-1]["longest_gap_s"]


def test_hours_of_each_day_count_alone(path: str) -> None:
    """The span runs from 23:00 to 05:00 local time: the hours 22:00 to 02:00 have three of it, those from noon none."""
    kept = json.loads(done(path, "--between", "22:00-02:00", "--format", "json").stdout)
    calls = json.loads(done(path, "--call-hours", "22:00-02:00", "--format", "json").stdout)
    assert "in the hours 22:00 to 02:00 of 6 h" in kept["answer"]
    assert "Hours that count: 22:00 to 02:00 (Atlantic/Azores)." in kept["notes"]
    assert kept["rows"] == calls["rows"]
    assert "wanted some of them inside the span" in refused(path, "--between", "12:00-13:00")


def test_the_call_hours_of_the_workspace(tmp_path: Path, path: str) -> None:
    folder = tmp_path / "work"
    made = commands.run("demo", "--keep", str(folder), "--at", "2026-11-25T00:00:00Z")
    assert made.exit_code == 0, made.stderr
    common = ["growth", "--workspace", str(folder), "--at", "2026-11-25T00:00:00Z", "--hours", "24", "--format", "json"]
    goal = commands.run(*common, "--goal", "longest_gap_s <= 50 in call hours")
    assert goal.exit_code == 0, goal.stderr
    answer = json.loads(goal.stdout)
    assert any(
        note.startswith("Call hours, for the goal alone: 08:00 to 18:00, Mon to Fri") for note in answer["notes"]
    )
    kept = commands.run(*common, "--call-hours")
    assert kept.exit_code == 0, kept.stderr
    assert json.loads(kept.stdout)["rows"][-1]["gap_count"] <= answer["rows"][-1]["gap_count"]


def test_a_plan_is_a_scenario_with_its_launches_in_the_notes(path: str, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text(PLAN, encoding="utf-8")
    options = ["--plan", str(plan), "--goal", "longest_gap_s <= 5"]
    answer = json.loads(done(path, *options, "--format", "json").stdout)
    assert [row["satellites"] for row in answer["rows"]] == [360, 436, 876]
    assert [row["date"][:10] for row in answer["rows"]] == ["2026-11-25", "2027-02-13", "2027-04-30"]
    assert answer["goal"]["date"] == "2027-04-30T00:00:00.000Z"
    assert answer["answer"] == (
        "Goal met from 2027-04-30 on (no gap over 5 s), by this plan, a scenario, not a forecast: 876 satellites then, "
        "360 today."
    )
    # First what the answer hangs on, then whose plan it is.
    assert answer["notes"][0].startswith("No gateway counts here")
    assert answer["notes"][1].startswith("A scenario, not a forecast")
    assert answer["notes"][2:5] == [
        "Launch: 4 planes of 20 at 550 km and 53° launched 2026-12-15, serving after 60 days, 5 % lost, in the widest "
        "gaps between the 22 planes there, keeping their phasing.",
        "Launch: 22 planes of 20 at 550 km and 53° launched 2027-03-01, serving after 60 days, 0 % lost, in the widest "
        "gaps between the 26 planes there, keeping their phasing.",
        "Today's 360 satellites are assumed to stay as they are.",
    ]
    lines = done(path, "--plan", str(plan)).stdout.splitlines()
    assert lines[0].startswith("By this plan, a scenario, not a forecast, service is ")
    assert any(line.split()[:3] == ["2027-02-13", "436", "76"] for line in lines)
    never = done(path, "--plan", str(plan), "--mask", "60", "--goal", "gap_count <= 0").stdout.splitlines()[0]
    assert never.startswith("Goal not met (no gap) by this plan, a scenario, not a forecast; from 2027-04-30 on, with ")


def test_an_order_from_a_file(path: str, tmp_path: Path) -> None:
    order = tmp_path / "order.txt"
    order.write_text("900000007\n900000003\n", encoding="utf-8")
    answer = json.loads(done(path, "--order", str(order), "--format", "json").stdout)
    assert len(answer["rows"]) == 2
    assert "in the order of order.txt" in answer["answer"]
    assert "358 of the fleet are not in the list" in " ".join(answer["notes"])


def test_bad_input_gets_one_line(path: str, subtests: pytest.Subtests) -> None:
    for options, message in [
        (["--goal", "longest_gap_s <= soon"], "passim: number of the goal for longest_gap_s; got 'soon'"),
        (["--goal", "gaps < 3"], "passim: quantity of the goal; got 'gaps'"),
        (["--order", "alphabet"], "passim: order of the satellites: no such file or directory; got 'alphabet'"),
        (["--draws", "5"], "passim: --draws needs --order random."),
        (["--order", "random", "--draws", "0"], "passim: random draws; got 0"),
        (
            ["--order", "random", "--seed", "-1"],
            "passim: --seed; got '-1'; wanted a whole number, 0 or more",
        ),
        (["--call-hours", "8 to 18"], "passim: --call-hours; got '8 to 18'; wanted two times of the day, HH:MM-HH:MM"),
        (["--call-hours", "8-8"], "passim: --call-hours; got '8-8'; wanted two different times of the day"),
        (
            ["--between", "22-4", "--call-hours", "8-18"],
            "passim: --between and --call-hours both say ",
        ),
        (["--between", "22-4", "--goal", "gap_count <= 1 in call hours"], "passim: --between and a goal in call hours"),
        (["--call-hours", "8-18,someday"], "passim: --call-hours; got 'someday'; wanted names of days, mon to sun"),
        (
            ["--call-hours", "8-18,Sat-Sun"],
            "passim: hours for calls (08:00 to 18:00, Sat and Sun); got 'none in Tue 24 Nov 23:00 to Wed 25 Nov 05:00: "
            "24 Nov is a Tuesday'; wanted some of them inside the span; try --from 2026-11-28T08:00-01:00",
        ),
        (
            ["--goal", "gap_count <= 1 in call hours"],
            "passim: call hours; got 'none for this site'; wanted hours of the day, and days; "
            "try --call-hours 08:00-18:00,Mon-Fri",
        ),
        (
            ["--goal", "covered >= 130 %"],
            "passim: number of the goal for covered; got '130 %'; wanted 0 to 100 %; try 99 %",
        ),
        (
            ["--plan", "missing.csv"],
            "passim: plan missing.csv; got 'No such file or directory'; wanted a readable CSV file with the header ",
        ),
        (["--plan", "x.csv", "--order", "plane"], "passim: --plan has its own order, by date"),
    ]:
        with subtests.test(options=options, message=message):
            assert refused(path, *options).startswith(message)


def test_without_designators_planes_are_counted_and_said_so(tmp_path: Path) -> None:
    path = str(tmp_path / "walker.json")
    fleet = passim.walker(total=12, planes=3, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    passim.write_elements(fleet, path)
    for asked in ((), ("--order", "launch")):
        answer = json.loads(done(path, *asked, "--format", "json").stdout)
        assert (answer["order"], answer["satellites"]) == ("plane", 12)
        assert ", plane by plane, " in answer["answer"]
        assert answer["notes"][0] == (
            "The fleet does not say when its satellites were launched (no international designator), so they are put "
            "in the order of their planes."
        )
        # Most of the six hours are gaps that the span cuts: their mean is that of the row all the same.
        for row in answer["rows"]:
            assert row["mean_gap_s"] * row["gap_count"] == pytest.approx(row["gap_fraction"] * SPAN.duration_s, abs=0.1)


def test_what_design_writes_has_an_order_of_launches(tmp_path: Path) -> None:
    for name in ("designed.json", "designed.tle"):
        path = str(tmp_path / name)
        pattern = ["--total", "12", "--planes", "3", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
        made = commands.run("design", *pattern, "--epoch", "2026-11-25T00:00:00Z", "--out", path)
        assert made.exit_code == 0, made.output
        answer = json.loads(done(path, "--format", "json").stdout)
        assert answer["order"] == "launch"
        assert "Order: as launched, 3 launch groups from the oldest on" in answer["notes"][0]
    low = CliRunner().invoke(main, ["design", *pattern[:-1], "50", "--out", str(tmp_path / "low.json")])
    assert low.exit_code == 2
    assert "it would fall within a revolution or two; got '50 km'; wanted more than 150 km; try 550 km" in low.stderr


def test_a_bad_row_of_a_plan(path: str, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text(PLAN.replace("2027-03-01,22,440,550", "2027-03-01,22,440,90"), encoding="utf-8")
    line = refused(path, "--plan", str(plan))
    assert "line 3: altitude of a planned launch, which collides with the Earth or its air; got '90 km'" in line
