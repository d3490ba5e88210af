"""``passim serving``: its rows in every listing and format agree with the library, and bad input gets one line."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import commands
import passim
from passim.coverage import POLICIES, Service, serve
from passim.coverage.visibility import find_visibility
from passim.sky.view import View
from passim_apps.command_line.main import main
from passim_apps.command_line.options import POLICY_NAMES
from passim_apps.text.service import service_words

START = datetime(2026, 11, 25, tzinfo=UTC)
SPAN = passim.Span.starting(START, hours=2)
SITE = passim.Site("here", 45.0, -28.0, 40.0, "Atlantic/Azores")
LISTINGS = ["satellites", "handovers", "freezes", "path"]


@pytest.fixture(scope="module")
def fleet() -> passim.Fleet:
    """An invented fleet of 120, thin enough for gaps within two hours and thick enough for handovers."""
    return passim.walker(
        total=120, planes=10, phasing=3, inclination_deg=53.0, altitude_km=550.0, epoch=START, name="invented"
    )


@pytest.fixture(scope="module")
def path(fleet: passim.Fleet, tmp_path_factory: pytest.TempPathFactory) -> str:
    target = tmp_path_factory.mktemp("fleet") / "invented.json"
    passim.write_elements(fleet, target)
    return str(target)


def run(path: str, *arguments: str) -> Result:
    common = ["serving", "--elements", path, "--site", "45.0,-28.0,40", "--zone", "Atlantic/Azores"]
    span = ["--from", "2026-11-25T00:00:00Z", "--hours", "2"]
    return commands.run(*common, *span, *arguments)


def test_the_clock_counts_from_1970_as_its_help_says(path: str) -> None:
    # 2026-11-25 00:00 UTC is 1 s past a whole number of 7 s since 1970: a clock from midnight would tick elsewhere.
    assert int(START.timestamp()) % 7 == 1
    told = json.loads(done(path, "--clock", "7,2", "--list", "satellites", "--format", "json").stdout)
    starts = [datetime.fromisoformat(row["start"]) for row in told["rows"] if row["began"] != "span"]
    taken = [start for start in starts if start > START]
    assert len(taken) > 5
    assert {(start.timestamp() - 2.0) % 7.0 for start in taken} == {0.0}
    # A period that divides the day ticks at midnight, so that both readings of the help agree.
    assert int(START.timestamp()) % 15 == 0
    words = " ".join(commands.run("serving", "--help").stdout.split())
    assert "counted from 1970-01-01 00:00 UTC plus OFFSET" in words


def done(path: str, *arguments: str) -> Result:
    return commands.finished(run(path, *arguments))


def refused(path: str, *arguments: str) -> str:
    return commands.refusal(run(path, *arguments))


def test_the_policies_are_those_of_the_library() -> None:
    assert POLICY_NAMES == POLICIES


@pytest.mark.parametrize("listing", LISTINGS)
def test_csv_and_json_hold_what_the_library_says(listing: str, path: str, fleet: passim.Fleet) -> None:
    seen = find_visibility(fleet, View(SITE), SPAN)
    timeline = serve(seen.joint(), SPAN, Service("keep-then-longest", 15.0, 2.0, 1.5), seen.look, fleet=seen.fleet)
    expected = {
        "satellites": timeline.intervals,
        "handovers": timeline.handovers,
        "freezes": timeline.freezes,
        "path": timeline.along(30.0),
    }[listing]
    options = ["--policy", "keep-then-longest", "--clock", "15,2", "--acquisition", "1.5", "--list", listing]
    as_json = json.loads(done(path, *options, "--step", "30", "--format", "json").stdout)
    rows = as_json["rows"]
    assert len(rows) == len(expected) > 3
    for column in expected.columns.intersection(list(rows[0])):
        if expected[column].dtype.kind == "f":
            values = [float("nan") if row[column] is None else row[column] for row in rows]
            assert values == pytest.approx(expected[column].tolist(), abs=1e-5, nan_ok=True), column
    told = next(name for name in ("satellite_id", "to_satellite_id", "kind") if name in expected)
    assert [row[told] for row in rows] == [None if value != value else value for value in expected[told].tolist()]
    assert as_json["service"] == {
        "policy": "keep-then-longest", "clock_period_s": 15.0, "clock_offset_s": 2.0, "acquisition_s": 1.5,
    }  # fmt: skip
    assert as_json["summary"]["handover_count"] == len(timeline.handovers)
    assert any("at fixed moments every 15 s (offset 2 s)" in note for note in as_json["notes"])

    as_csv = list(csv.DictReader(io.StringIO(done(path, *options, "--step", "30", "--format", "csv").stdout)))
    assert [list(row) for row in as_csv] == [[*row, "site"] for row in rows]
    assert not {"satellite", "from", "to"} & set(as_csv[0])


@pytest.mark.parametrize("listing", LISTINGS)
def test_the_table_for_people(listing: str, path: str) -> None:
    lines = done(path, "--clock", "15", "--acquisition", "1", "--list", listing, "--all").stdout.splitlines()
    first = {"satellites": "Served", "handovers": "From", "freezes": "Mostly", "path": "Delay ms"}[listing]
    assert first in lines[2]
    assert "handover" in lines[0]
    assert "freezes" in lines[0]
    assert not any(" nan" in line.lower() for line in lines)
    assert any(line.startswith("- Service: a satellite is kept until it is lost, then the highest") for line in lines)
    assert "(UTC-01:00)" in next(line for line in lines if line.lstrip().startswith("Day"))


def test_a_sky_without_satellites_says_so(path: str) -> None:
    lines = done(path, "--mask", "89.9").stdout.splitlines()
    assert lines[0] == "No satellite is ever above the mask in 2 h; no service throughout."


def test_out_writes_the_rows(path: str, tmp_path: Path) -> None:
    target = tmp_path / "path.csv"
    done(path, "--list", "path", "--step", "60", "--out", str(target))
    assert len(target.read_text(encoding="utf-8").splitlines()) == 121


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--clock", "15;2"], "passim: --clock; got '15;2'; wanted PERIOD or PERIOD,OFFSET in seconds"),
        (["--clock", "1,2,3"], "passim: --clock; got '1,2,3'"),
        (["--clock", "0"], "passim: period of the clock; got 0.0; wanted a number of seconds from 1 to 3600"),
        (["--acquisition", "-1"], "passim: acquisition time; got -1.0"),
        (["--list", "path", "--step", "0"], "passim: step along the way; got 0.0"),
        (["--policy", "best"], "passim: --policy; got 'best'; wanted keep-then-highest, keep-then-longest or highest"),
    ],
)
def test_bad_input_gets_one_line(options: list[str], message: str, path: str) -> None:
    assert refused(path, *options).startswith(message)


def answer(command: str, *options: str) -> dict[str, Any]:
    span = ["--from", "2026-11-25T05:00:00Z", "--hours", "1"] if command != "now" else ["--at", "2026-11-25T05:00:00Z"]
    result = commands.run(command, *span, *options, "--format", "json")
    assert result.exit_code == 0, (command, result.stderr)
    told: dict[str, Any] = json.loads(result.stdout)
    return told


def test_how_satellites_are_given_is_an_option_of_every_command(path: str, tmp_path: Path) -> None:
    place = ["--elements", path, "--site", "45.0,-28.0,40", "--zone", "Atlantic/Azores"]
    given = ["--policy", "highest", "--clock", "15,2", "--acquisition", "3"]
    freezes = answer("serving", *place, *given, "--list", "freezes")
    sky = answer("gaps", *place)["summary"]["gap_count"]
    assert freezes["summary"]["freeze_count"] > sky
    for command in ("gaps", "causes", "minutes"):
        told = answer(command, *place, *given)
        assert told["summary"]["gap_count"] == freezes["summary"]["freeze_count"]
        assert "at fixed moments every 15 s (offset 2 s)" in told["limits"]["handover"]
    (row,) = answer("sites", *place[:4], *given)["rows"]
    assert row["gap_count"] == freezes["summary"]["freeze_count"]
    assert "handover" in answer("now", *place, *given)["limits"]
    # Lifted again, the sky alone is left.
    assert answer("gaps", *place, *given, "--without", "handover")["summary"]["gap_count"] == sky
    # Of a workspace's service the parts that are not said again stay, and only what holds is told.
    (tmp_path / "passim.toml").write_text(
        'name = "invented"\n[terminal]\nclock_period_s = 30.0\nacquisition_s = 5.0\n'
        '[[sites]]\nname = "Mill"\nlatitude_deg = 45.0\nlongitude_deg = -28.0\nzone = "UTC"\n'
        '[[sites.spots]]\nname = "roof"\nmask_deg = 25.0\n'
    )
    told = answer("serving", "--workspace", str(tmp_path), "--elements", path, "--clock", "15")
    assert told["service"] == {
        "policy": "keep-then-highest", "clock_period_s": 15.0, "clock_offset_s": 0.0, "acquisition_s": 5.0,
    }  # fmt: skip
    assert told["limits"]["handover"] == service_words(Service("keep-then-highest", 15.0, 0.0, 5.0))


def test_the_turns_of_an_hour_are_those_of_the_day(path: str) -> None:
    """Without losses too: who is in use at noon follows from midnight on."""
    place = ["--elements", path, "--site", "45.0,-28.0,40", "--mask", "10", "--policy", "keep-then-longest"]
    hour, longer = (
        json.loads(
            CliRunner()
            .invoke(main, ["serving", *place, "--from", start, "--to", "2026-11-25T06:00Z", "--format", "json"])
            .stdout
        )["rows"]
        for start in ("2026-11-25T05:01Z", "2026-11-25T03:00Z")
    )
    assert [row["satellite_id"] for row in hour] == [row["satellite_id"] for row in longer][-len(hour) :]
