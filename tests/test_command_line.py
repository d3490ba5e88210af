"""The command line: every command in every format, exit statuses, one-line errors, and files written whole.

Reference figures for the demo come from tests/step_simulation.py, which takes nothing of passim; those of geometry from
Larson & Wertz, "Space Mission Analysis and Design", 3rd ed. 1999, 5.2 (formulas recalled, figures own arithmetic).
"""

from __future__ import annotations

import csv
import io
import json
import os
import shlex
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import Result

from commands import done, refused, run
from passim.errors import PassimError
from passim_apps.command_line.main import COMMANDS, main
from passim_apps.command_line.output import progress
from patience import PATIENCE_S

SITE = ["--site", "45.0,-28.0,40", "--zone", "Atlantic/Azores"]
SPAN = ["--from", "2026-11-25T00:00:00Z", "--hours", "3"]
SEARCHES = ["passes", "minutes", "gaps"]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A file with an invented fleet of 60, thin enough to leave gaps within three hours."""
    path = str(tmp_path_factory.mktemp("fleet") / "invented.json")
    pattern = ["--total", "60", "--planes", "6", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
    done("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", path)
    return path


def spawn(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "passim_apps.command_line.main", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=PATIENCE_S, **options)


# --- help -----------------------------------------------------------------------------------------------------------


def test_help_lists_every_command_and_loads_nothing_heavy() -> None:
    watch = (
        "import sys\n"
        "from passim_apps.command_line.main import main\n"
        "try:\n    main(['--help'])\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'numpy', 'pandas', 'skyfield', 'sgp4', 'dash', 'plotly', 'rich', 'passim'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", watch], capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert result.returncode == 0, result.stderr
    assert all(f"\n  {name} " in result.stdout for name in COMMANDS)


def test_no_argument_shows_the_help() -> None:
    assert done().stdout == done("--help").stdout


def test_every_command_has_an_example_to_paste(subtests: pytest.Subtests) -> None:
    for name in COMMANDS:
        with subtests.test(name=name):
            text = done(name, "--help").stdout
            _, example = text.split("Example:\n")
            lines = example.split("\n\n")[0].splitlines()
            assert lines
            for line in lines:
                assert line.startswith(f"    passim {name}")
                # What the example says must at least be understood: its options exist and its values parse.
                command = main.get_command(click.Context(main), name)
                assert command is not None
                command.make_context(name, shlex.split(line)[2:])


def test_a_small_window_shows_what_a_command_is_for_its_examples_and_its_first_options() -> None:
    late = {name: done(name, "--help").stdout.splitlines() for name in COMMANDS}
    starts = {name: lines.index("Options:" if "Options:" in lines else "Commands:") for name, lines in late.items()}
    assert {name: line for name, line in starts.items() if line > 20} == {}


# --- every command in every format ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SEARCHES)
def test_csv_read_back_equals_json_read_back(name: str, fleet: str) -> None:
    arguments = [name, "--elements", fleet, *SITE, *SPAN]
    as_csv = done(*arguments, "--notes", "--format", "csv")
    as_json = json.loads(done(*arguments, "--format", "json").stdout)
    assert as_json["command"] == name
    assert as_json["span"] == {"start": "2026-11-25T00:00:00.000Z", "end": "2026-11-25T03:00:00.000Z"}
    assert as_json["site"]["timezone"] == "Atlantic/Azores"
    # What CSV has no room for goes to standard error.
    assert as_csv.stderr.splitlines() == [as_json["answer"], *as_json["notes"]]

    rows = list(csv.DictReader(io.StringIO(as_csv.stdout)))
    assert len(rows) == len(as_json["rows"]) > 2
    for text, row in zip(rows, as_json["rows"], strict=True):
        # Rows of a file name their site besides; in JSON it stands at the top.
        assert list(text) == [*row, "site"]
        for column, value in row.items():
            assert text[column] == ("" if value is None else value if isinstance(value, str) else json.dumps(value))


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        (
            "passes",
            "satellite_id name rise rise_local peak peak_local set set_local duration_s peak_elevation_deg "
            "rise_azimuth_deg peak_azimuth_deg set_azimuth_deg cut_at_start cut_at_end",
        ),
        ("minutes", "minute minute_local satellites_min satellites_mean satellites_max gap_s"),
        ("gaps", "start start_local end end_local duration_s cut_at_start cut_at_end"),
    ],
)
def test_files_hold_utc_and_local_times_of_the_same_moment(name: str, columns: str, fleet: str) -> None:
    rows = list(csv.DictReader(io.StringIO(done(name, "--elements", fleet, *SITE, *SPAN, "--format", "csv").stdout)))
    assert list(rows[0]) == [*columns.split(), "site"]
    for row in rows:
        for column in row:
            if f"{column}_local" in row:
                assert row[column].endswith("Z")
                assert row[f"{column}_local"].endswith("-01:00")
                assert len(row[column]) == len("2026-11-25T00:00:00.000Z")
                assert datetime.fromisoformat(row[column]) == datetime.fromisoformat(row[f"{column}_local"])


@pytest.mark.parametrize("name", SEARCHES)
def test_tables_answer_in_a_sentence_and_say_what_they_rest_on(name: str, fleet: str) -> None:
    text = done(name, "--elements", fleet, *SITE, *SPAN, "--mask", "30", "--notes").stdout
    first, *rest = text.splitlines()
    notes = [line.removeprefix("- ") for line in rest if line.startswith("- ")]
    assert " in 3 h" in first
    assert first.endswith(".")
    good = "predicted times are good to about a second"
    assert f"Elements of 60 objects, 90 min old at the middle of the span: {good}." in notes
    assert "Mask: 30° above the horizon all round." in notes
    assert "Times: Atlantic/Azores, UTC-01:00." in notes
    assert "not a promise of service; not for emergency calls" in notes[-1]
    assert "(UTC-01:00)" in text
    assert "Tue 24 Nov" in text  # midnight UTC is the evening before in the Azores


def test_the_sentence_of_gaps_agrees_with_its_rows(fleet: str) -> None:
    found = json.loads(done("gaps", "--elements", fleet, *SITE, *SPAN, "--format", "json").stdout)
    rows = found["rows"]
    assert found["answer"].startswith(f"{len(rows)} gaps in 3 h, ")
    lost_s = sum(row["duration_s"] for row in rows)
    assert found["summary"]["covered_fraction"] == pytest.approx(1.0 - lost_s / 10_800.0, abs=1e-6)
    assert f"{100.0 * lost_s / 10_800.0:.1f} % of the time" in found["answer"]


def test_the_end_may_be_given_instead_of_the_length(fleet: str) -> None:
    by_hours = done("gaps", "--elements", fleet, *SITE, *SPAN)
    by_end = done(
        "gaps", "--elements", fleet, *SITE, "--from", "2026-11-24T23:00-01:00", "--to", "2026-11-25T03:00:00Z"
    )
    assert by_end.stdout == by_hours.stdout


def test_at_stands_for_now(fleet: str) -> None:
    by_at = done("gaps", "--elements", fleet, *SITE, "--at", "2026-11-25T00:00:00Z", "--hours", "3")
    assert by_at.stdout == done("gaps", "--elements", fleet, *SITE, *SPAN).stdout


def test_a_horizon_file_is_a_mask_and_is_named(fleet: str, tmp_path: Path) -> None:
    horizon = tmp_path / "yard.csv"
    horizon.write_text("azimuth_deg,elevation_deg\n0,25\n180,25\n")
    by_file = json.loads(
        done("gaps", "--elements", fleet, *SITE, *SPAN, "--mask", str(horizon), "--format", "json").stdout
    )
    flat = json.loads(done("gaps", "--elements", fleet, *SITE, *SPAN, "--mask", "25", "--format", "json").stdout)
    assert by_file["rows"] == flat["rows"]
    assert f"Mask: the horizon in {horizon}." in by_file["notes"]


def test_a_southern_site_needs_no_special_writing_and_its_zone_is_looked_up(fleet: str) -> None:
    found = json.loads(done("passes", "--elements", fleet, "--site", "-33.9,18.4", *SPAN, "--format", "json").stdout)
    assert found["site"]["latitude_deg"] == -33.9
    assert found["site"]["timezone"] == "Africa/Johannesburg"
    assert found["rows"][0]["rise_local"].endswith("+02:00")


def test_out_of_reach_is_said_in_words(fleet: str) -> None:
    # 53 deg of inclination and 550 km reach 61.45 deg of latitude at a mask of 25 deg.
    for name, words in (("gaps", "no service throughout"), ("passes", "No pass in 3 h"), ("minutes", "0 to 0")):
        assert words in done(name, "--elements", fleet, "--site", "80,0", *SPAN).stdout.splitlines()[0]


def test_a_long_table_is_cut_for_people_and_says_how_to_see_the_rest(fleet: str) -> None:
    short = done("minutes", "--elements", fleet, *SITE, *SPAN).stdout
    full = done("minutes", "--elements", fleet, *SITE, *SPAN, "--all").stdout
    assert "140 more rows: --all shows them" in short
    assert short.count("Nov") < full.count("Nov")
    assert "more rows" not in full


def test_elements_describes_and_converts(fleet: str, tmp_path: Path) -> None:
    out = tmp_path / "again.csv"
    arguments = ["elements", fleet, "--at", "2026-11-25T12:00Z"]
    table = done(*arguments, "--out", str(out))
    assert table.stdout.startswith("60 sets of 60 objects in 1 shell, 12 h old.\n")
    assert "Wrote 60 sets" in table.stderr
    again = json.loads(done("elements", str(out), "--format", "json").stdout)
    assert (again["sets"], again["objects"], again["epoch_oldest"]) == (60, 60, "2026-11-25T00:00:00.000Z")
    (shell,) = again["rows"]
    assert (shell["altitude_km"], shell["inclination_deg"], shell["objects"]) == (550.0, 53.0, 60)
    as_csv = list(csv.DictReader(io.StringIO(done("elements", str(out), "--format", "csv").stdout)))
    assert as_csv[0]["altitude_km"] == "550.0"


def test_geometry_shows_sphere_and_plane() -> None:
    arguments = ["geometry", "--altitude", "550", "--mask", "25"]
    table = done(*arguments).stdout
    assert "1,881 km across, and passes last 4 min 29 s at most" in table
    assert "25 % too wide and its pass 15 % too long" in table
    rows = {row["quantity"]: row for row in json.loads(done(*arguments, "--format", "json").stdout)["rows"]}
    across = rows["footprint on the ground, across"]
    assert across["value"] == pytest.approx(1881.5, abs=0.05)
    assert across["flat_earth_value"] == pytest.approx(2359.0, abs=0.05)
    as_csv = list(csv.DictReader(io.StringIO(done(*arguments, "--format", "csv").stdout)))
    assert [row["quantity"] for row in as_csv] == list(rows)


def test_geometry_counts_satellites_by_latitude() -> None:
    rows = json.loads(
        done(
            *("geometry", "--altitude", "550", "--inclination", "53", "--latitude", "45", "--satellites", "300"),
            *("--format", "json"),
        ).stdout
    )["rows"]
    values = {row["quantity"]: row["value"] for row in rows}
    # Report ITU-R SA.2066 (formula recalled; figures own arithmetic).
    assert values["share of time one satellite is in view"] == pytest.approx(0.011441, abs=1e-6)
    assert values["share of time with none, placed at random"] == pytest.approx(0.0317, abs=5e-5)


def test_geometry_without_a_mask_has_no_plane_to_compare() -> None:
    rows = json.loads(done("geometry", "--altitude", "550", "--mask", "0", "--format", "json").stdout)["rows"]
    assert all(row["flat_earth_value"] is None for row in rows)


def test_demo_shows_freezing_mornings_clear_afternoons_and_why() -> None:
    found = json.loads(done("demo", "--at", "2026-11-25T00:00Z", "--format", "json").stdout)
    assert "invented" in found["answer"]
    assert any("invented" in note for note in found["notes"])
    # tests/step_simulation.py, 2 s steps: 77 gaps, 1.8 % out, mean 20 s, the longest 44 s. Steps of 2 s see a shorter
    # gap only by chance, in proportion to its length.
    seen = sum(min(row["duration_s"], 2.0) / 2.0 for row in found["rows"])
    assert seen == pytest.approx(77.0, abs=2.0)
    assert 1.0 - found["summary"]["covered_fraction"] == pytest.approx(0.018, abs=0.0006)
    assert found["summary"]["gap_longest_s"] == pytest.approx(44.0, abs=2.0)
    # The same simulation: four to ten an hour in the morning, none from 12:00 to 21:00 local time (UTC-1).
    hours = [datetime.fromisoformat(row["start_local"]).hour for row in found["rows"]]
    assert all(2 <= hours.count(hour) <= 10 for hour in range(6, 12))
    assert not any(12 <= hour < 21 for hour in hours)
    assert {row["cause"] for row in found["rows"]} == {"gateway"}
    assert found["answer"].startswith("Hythe Field School (invented), Marram loft: ")
    assert " Your roof line is not the cause: " in found["answer"]
    assert "All would close if the satellite did not have to see a gateway." in found["answer"]
    assert "In the yard, behind firs up to 35°:" in found["answer"]
    assert any("roofs and masts can injure and kill" in note for note in found["notes"])

    table = done("demo", "--at", "2026-11-25T00:00Z").stdout
    assert f"{len(found['rows']) - 10} more rows" in table
    as_csv = list(csv.DictReader(io.StringIO(done("demo", "--at", "2026-11-25T00:00Z", "--format", "csv").stdout)))
    assert [row["start"] for row in as_csv] == [row["start"] for row in found["rows"]]


def test_demo_keeps_its_school_for_later(tmp_path: Path) -> None:
    school = tmp_path / "school"
    done("demo", "--at", "2026-11-25T00:00Z", "--keep", str(school))
    assert (school / "passim.toml").is_file()
    # Its launches begin 60 days after what counts as now: 5 more of November, 31 of December, 24 of January.
    assert "\n2027-01-24," in (school / "plan.csv").read_text()
    again = refused("demo", "--at", "2026-11-25T00:00Z", "--keep", str(school))
    assert "a folder without a workspace" in again


def test_the_nearest_set_of_each_object_is_used_and_the_others_are_counted(fleet: str, tmp_path: Path) -> None:
    records = json.loads(Path(fleet).read_text())
    for record in records:
        record["EPOCH"] = "2026-11-20T00:00:00.000000"
    older = tmp_path / "older.json"
    older.write_text(json.dumps(records))
    found = json.loads(
        done("gaps", "--elements", str(older), "--elements", fleet, *SITE, *SPAN, "--format", "json").stdout
    )
    assert "60 sets left out: the same object has one nearer the middle of the span." in found["notes"]
    assert (
        found["rows"] == json.loads(done("gaps", "--elements", fleet, *SITE, *SPAN, "--format", "json").stdout)["rows"]
    )


def test_a_span_past_the_table_of_the_earths_rotation_says_so() -> None:
    words = "extrapolated after that"
    assert words not in done("demo", "--at", "2026-11-25T00:00Z").stdout
    assert words in done("demo", "--at", "2040-11-25T00:00Z", "--notes").stdout


def test_old_elements_come_with_a_warning(fleet: str) -> None:
    arguments = ["gaps", "--elements", fleet, *SITE, "--hours", "3", "--from"]
    warning = "trust only shares and counts"
    assert warning not in done(*arguments, "2026-11-27T00:00Z").stdout
    assert warning in done(*arguments, "2026-11-28T00:00Z").stdout
    # Elements from after the span are no better.
    assert warning in done(*arguments, "2026-11-20T00:00Z").stdout


def test_objects_that_cannot_be_propagated_are_named_and_a_fleet_of_them_is_refused(fleet: str, tmp_path: Path) -> None:
    records = json.loads(Path(fleet).read_text())
    for record in records[:4]:
        record["MEAN_MOTION"] = 17.5  # inside the Earth
    path = tmp_path / "sunk.json"
    path.write_text(json.dumps(records))
    text = done("gaps", "--elements", str(path), *SITE, *SPAN).stdout
    assert "4 objects cannot be used: Walker 01-01 (900000001): " in text
    assert "and 1 more." in text

    path.write_text(json.dumps(records[:4]))
    assert "no satellite left of 4: Walker 01-01 (900000001): SGP4 error 6" in refused(
        "gaps", "--elements", str(path), *SITE, *SPAN
    )


# --- design ---------------------------------------------------------------------------------------------------------

PATTERN = ["--total", "12", "--planes", "3", "--phasing", "1", "--inclination", "53", "--altitude", "550"]


def test_a_two_line_file_gets_small_numbers_and_says_that_it_is_rounded(tmp_path: Path) -> None:
    out = tmp_path / "small.tle"
    result = done("design", *PATTERN, "--epoch", "2026-11-25T00:00Z", "--out", str(out))
    assert "delta pattern 12/3/1, 550 km, 53°, epoch 2026-11-25T00:00:00.000Z" in result.stdout
    assert "Two-line sets hold fewer digits: rounded" in result.stderr
    assert out.read_text().splitlines()[1].startswith("1 90001U")


def test_jitter_is_repeatable_and_named(tmp_path: Path) -> None:
    texts = []
    for name, seed in (("a.csv", "7"), ("b.csv", "7"), ("c.csv", "8")):
        result = done(
            *("design", *PATTERN, "--at", "2026-11-25T09:00Z", "--jitter", "0.5", "--seed", seed),
            *("--out", str(tmp_path / name)),
        )
        assert f"jitter 0.5° with seed {seed}" in result.stdout
        assert "epoch 2026-11-25T00:00:00.000Z" in result.stdout
        texts.append((tmp_path / name).read_text())
    assert texts[0] == texts[1] != texts[2]


# --- files ----------------------------------------------------------------------------------------------------------


def test_out_chooses_the_format_by_suffix_and_the_mode_by_umask(fleet: str, tmp_path: Path) -> None:
    out = tmp_path / "gaps.csv"
    before = os.umask(0o027)
    try:
        result = done("gaps", "--elements", fleet, *SITE, *SPAN, "--out", str(out))
    finally:
        os.umask(before)
    assert result.stdout == ""
    assert f"to {out}." in result.stderr
    assert out.read_text() == done("gaps", "--elements", fleet, *SITE, *SPAN, "--format", "csv").stdout
    assert out.stat().st_mode & 0o777 == 0o640
    assert [path.name for path in tmp_path.iterdir()] == ["gaps.csv"]


def test_a_file_replaced_keeps_its_mode_and_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.json", tmp_path / "link.json"
    real.write_text("old")
    real.chmod(0o600)
    link.symlink_to(real)
    done("geometry", "--altitude", "550", "--out", str(link))
    assert link.is_symlink()
    assert json.loads(real.read_text())["command"] == "geometry"
    assert real.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("more", [["--out", "link.txt"], ["--out", "link"], ["--format", "table", "--out", "link.md"]])
def test_a_table_goes_into_a_file_whose_name_promises_nothing_else(
    more: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done("geometry", "--altitude", "550", *more)
    (file,) = tmp_path.iterdir()
    assert file.read_text("utf-8") == done("geometry", "--altitude", "550").stdout


def test_a_device_is_written_to_and_not_replaced() -> None:
    done("geometry", "--altitude", "550", "--out", os.devnull)
    assert Path(os.devnull).is_char_device()


# --- progress ---------------------------------------------------------------------------------------------------------


def test_progress_is_silent_where_nobody_watches() -> None:
    with progress("Finding passes") as report:
        assert report is None


def test_progress_draws_only_once_the_work_lasts(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    with progress("Finding passes") as report:
        assert report is not None
        report(0.2)
        assert capsys.readouterr().err == ""
        monkeypatch.setattr("passim_apps.command_line.output._PATIENCE_S", 0.0)
        report(0.6)
    assert "Finding passes" in capsys.readouterr().err


# --- what is refused ------------------------------------------------------------------------------------------------


def test_a_slip_in_an_option_is_told_in_one_line(fleet: str, subtests: pytest.Subtests) -> None:
    for arguments, words in [
        (["--site", "95,0", *SPAN], "latitude"),
        (["--site", "nan,0", *SPAN], "latitude"),
        (["--site", "45,361", *SPAN], "longitude"),
        (["--site", "45", *SPAN], "wanted LAT,LON"),
        (["--site", "north,south", *SPAN], "wanted LAT,LON"),
        ([*SPAN], "--site"),
        ([*SITE, *SPAN, "--mask", "91"], "from 0 to below 90 deg"),
        ([*SITE, *SPAN, "--mask", "nan"], "from 0 to below 90 deg"),
        ([*SITE, *SPAN, "--mask", "no-such-file.csv"], "horizon file no-such-file.csv"),
        (["--site", "45,-28", "--zone", "Atlantis/Nowhere", *SPAN], "time zone; got 'Atlantis/Nowhere'"),
        ([*SITE, "--from", "2026-11-25Tnoon"], "--from; got '2026-11-25Tnoon'"),
        ([*SITE, "--from", "0001-01-01 00:00"], "a year from 1957"),
        ([*SITE, "--from", "some day"], "--from; got 'some day'"),
        ([*SITE, "--from", "0001-01-01T00:00+14:00"], "a year from 1957"),
        ([*SITE, "--at", "noon"], "--at; got 'noon'"),
        ([*SITE, "--from", "2026-11-25T08:00Z", "--to", "2026-11-25T07:00Z"], "an end after its start"),
        ([*SITE, *SPAN, "--to", "2026-11-25T07:00Z"], "give one of them"),
        ([*SITE, "--hours", "0"], "wanted more than 0"),
        ([*SITE, "--hours", "-1"], "wanted more than 0"),
        ([*SITE, "--hours", "nan"], "wanted more than 0"),
        ([*SITE, "--hours", "1e9"], "at most 2208 hours"),
        ([*SITE, "--hours", "2209"], "at most 2208 hours"),
        ([*SITE, "--hours", "long"], "--hours; got 'long'; wanted a number; try passim gaps --help"),
        ([*SITE, "--hours", "2,5"], "--hours; got '2,5'; wanted a number; try --hours 2.5"),
        ([*SITE, "--format", "jsn"], "--format; got 'jsn'; wanted table, csv or json; try --format json"),
        ([*SITE, "--mas", "5"], "option; got '--mas'; wanted one that passim gaps --help lists; try --mask"),
        ([*SITE, "--hours"], "--hours; got nothing after it; wanted a value; try --hours VALUE"),
        ([*SITE, "--all=3"], "--all; got a value; wanted none, as it is a switch; try --all"),
        ([*SITE, *SPAN, "--out", "no/such/folder/gaps.csv"], "a folder that exists"),
        ([*SITE, *SPAN, "--out", "/"], "the name of a file"),
        ([*SITE, *SPAN, "--out", "gaps.ics"], "wanted .csv or .json, or .txt for the table; try passim calls --ics"),
        ([*SITE, *SPAN, "--out", "gaps.xlsx"], "wanted .csv or .json, or .txt for the table; try --format"),
    ]:
        with subtests.test(arguments=arguments, words=words):
            assert words in refused("gaps", "--elements", fleet, *arguments)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("azimuth_deg,elevation_deg\n0,25\n", "at least two points"),
        ("azimuth_deg,elevation_deg\n90,25\n10,30\n", "sorting the rows"),
        ("azimuth_deg,elevation_deg\n0,25\n90,high\n", "two numbers"),
        ("0,25\n90,30\n", "the header azimuth_deg,elevation_deg"),
    ],
)
def test_a_bad_horizon_file_is_told_in_one_line(content: str, words: str, fleet: str, tmp_path: Path) -> None:
    horizon = tmp_path / "horizon.csv"
    horizon.write_text(content)
    assert words in refused("gaps", "--elements", fleet, *SITE, *SPAN, "--mask", str(horizon))


def test_a_file_without_elements_is_told_in_one_line(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for command in ["gaps", "elements"]:
        for name, content in [
            ("empty.tle", ""),
            ("page.json", "<!DOCTYPE html><html><body>Sign in</body></html>"),
            ("none.json", "No GP data found"),
            ("half.tle", "PLOVER 01\n1 90001U 26001A   26329.00000000  .00000000  00000-0  00000-0 0  9991\n"),
            ("half.json", '[{"OBJECT_NAME": "PLOVER 01", "NORAD_CAT_ID": 900000001}]'),
            ("cut.json", '[{"OBJECT_NAME": "PLOVER 01", '),
            ("list.json", "[]"),
        ]:
            with subtests.test(command=command, name=name, content=content):
                path = tmp_path / name
                path.write_text(content)
                line = (
                    refused("gaps", "--elements", str(path), *SITE, *SPAN)
                    if command == "gaps"
                    else refused(command, str(path))
                )
                assert name in line


def test_a_missing_file_an_empty_folder_and_none_at_all(tmp_path: Path) -> None:
    assert "nowhere.tle" in refused("gaps", "--elements", str(tmp_path / "nowhere.tle"), *SITE, *SPAN)
    assert str(tmp_path.name) in refused("gaps", "--elements", str(tmp_path), *SITE, *SPAN)
    assert "--elements" in refused("gaps", *SITE, *SPAN)
    assert "PATH" in refused("elements")


def test_one_bad_record_in_a_hundred_is_left_out_and_more_are_refused(fleet: str, tmp_path: Path) -> None:
    records = json.loads(Path(fleet).read_text())
    few, many = tmp_path / "few.json", tmp_path / "many.json"
    bad = {**records[3], "INCLINATION": 999.0}
    few.write_text(json.dumps([*records[:3], bad, *records[4:]]))
    many.write_text(json.dumps([*records, *records, bad]))

    message = refused("elements", str(few))
    assert "1 of 60 records is damaged, more than 1 in 100" in message
    assert "passim elements PATH --salvage --out FILE" in message
    saved = tmp_path / "saved.json"
    assert done("elements", str(few), "--salvage", "--out", str(saved)).stdout.startswith("59 sets of 59 objects")
    assert done("elements", str(saved)).stdout.startswith("59 sets of 59 objects")

    for told in (
        done("elements", str(many)),
        done("passes", "--elements", str(many), *SITE, "--at", "2026-11-25T00:00Z", "--hours", "1"),
    ):
        notes = told.stdout[told.stdout.index("1 of 121 records damaged and left out: ") :]
        assert f"{bad['OBJECT_NAME']} ({bad['NORAD_CAT_ID']})" in notes.split("\n\n")[0].replace("\n", " ")
    assert "leaving --strict" in refused("elements", str(many), "--strict")
    assert "give one of them" in refused("elements", str(many), "--strict", "--salvage")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--total", "13"], "a total that the number of planes divides"),
        (["--phasing", "3"], "from 0 to 2"),
        (["--altitude", "-5"], "more than 0 km"),
        (["--inclination", "181"], "from 0 to 180 deg"),
        (["--jitter", "-1"], "a standard deviation of 0 deg or more"),
        (["--epoch", "2026-11-25"], "adding Z for UTC"),
        (["--first-number", "0"], "a whole number, 1 or more"),
    ],
)
def test_an_impossible_pattern_is_told_in_one_line(arguments: list[str], words: str, tmp_path: Path) -> None:
    out = tmp_path / "fleet.json"
    assert words in refused("design", *PATTERN, *arguments, "--out", str(out))
    assert not out.exists()


def test_a_pattern_cannot_go_into_an_unknown_format_or_a_number_into_a_two_line_file(tmp_path: Path) -> None:
    assert "fleet.xls" in refused("design", *PATTERN, "--out", str(tmp_path / "fleet.xls"))
    done("design", *PATTERN, "--out", str(tmp_path / "fleet.json"))
    assert "again.xls" in refused("elements", str(tmp_path / "fleet.json"), "--out", str(tmp_path / "again.xls"))
    line = refused("design", *PATTERN, "--first-number", "339990", "--out", str(tmp_path / "fleet.tle"))
    assert "339999" in line
    assert [path.name for path in tmp_path.iterdir()] == ["fleet.json"]


def test_geometry_refuses_what_its_options_cannot_mean() -> None:
    assert "below 90 deg" in refused("geometry", "--altitude", "550", "--mask", "91")
    assert "altitude" in refused("geometry", "--altitude", "0")
    assert "--inclination" in refused("geometry", "--altitude", "550", "--latitude", "45")
    assert "--latitude" in refused("geometry", "--altitude", "550", "--satellites", "45")
    missing = refused("geometry")
    assert missing == "passim: --altitude; got nothing; wanted altitude of the orbit, km; try passim geometry --help"


def test_an_unknown_command_is_told_in_one_line() -> None:
    assert refused("tides") == "passim: command; got 'tides'; wanted one of those that passim --help lists"
    assert refused("cals").endswith("; try passim calls")
    assert refused("workspace", "add", "spt").endswith("; try passim workspace add spot")


def every_command(command: click.Command, *path: str) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from every_command(below, *path, name)


def test_every_option_says_what_it_got_and_what_it_wanted() -> None:
    tried = 0
    for path, command in every_command(main):
        for option in command.params:
            if isinstance(option.type, (click.types.StringParamType, click.types.BoolParamType)):
                continue
            name = max(option.opts, key=len)
            assert refused(*path, f"{name}=nine").startswith(f"passim: {name}; got 'nine'; wanted "), (path, name)
            tried += 1
    assert tried > 50


# --- the rest of the exit statuses ----------------------------------------------------------------------------------


def fail_with(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> Result:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr("passim.sky.closed_forms.pass_geometry", fail)
    return run("geometry", "--altitude", "550")


def test_a_defect_is_called_one_and_leaves_a_way_to_look(monkeypatch: pytest.MonkeyPatch) -> None:
    result = fail_with(ZeroDivisionError("on\npurpose\x1b[2J"), monkeypatch)
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert "this is a defect in passim" in line
    assert "ZeroDivisionError: on purpose\\x1b[2J" in line
    assert "PASSIM_TRACEBACK=1" in line


def test_the_traceback_is_there_for_those_who_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PASSIM_TRACEBACK", "1")
    result = fail_with(ZeroDivisionError("on purpose"), monkeypatch)
    assert result.exit_code == 1
    assert "Traceback (most recent call last)" in result.stderr


def test_a_refusal_that_is_not_the_users_fault_is_status_1(monkeypatch: pytest.MonkeyPatch) -> None:
    result = fail_with(PassimError("the network is away"), monkeypatch)
    assert (result.exit_code, result.stderr) == (1, "passim: the network is away\n")


def test_an_interrupt_is_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    result = fail_with(KeyboardInterrupt(), monkeypatch)
    assert result.exit_code == 130
    assert result.output.strip() == ""


def test_a_reader_that_stops_reading_is_no_error(fleet: str) -> None:
    command = [sys.executable, "-m", "passim_apps.command_line.main"]
    arguments = [
        "minutes",
        "--elements",
        fleet,
        *SITE,
        "--at",
        "2026-11-25T00:00Z",
        "--hours",
        "72",
        "--allow-stale",
        "--format",
        "csv",
    ]
    # 4,320 rows are far more than a pipe holds, so the writer meets the closed end.
    # Unbuffered, Python takes a write cut short for a whole one and never meets it.
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen([*command, *arguments], **pipes, env=buffered) as writer:
        assert writer.stdout is not None
        assert writer.stderr is not None
        assert writer.stdout.readline().startswith(b"minute,")
        writer.stdout.close()
        words = writer.stderr.read().decode()
        assert writer.wait(timeout=PATIENCE_S) == 0
    assert words == ""


def test_an_installed_run_gives_the_same_as_one_in_process(fleet: str) -> None:
    arguments = ["gaps", "--elements", fleet, *SITE, *SPAN]
    result = spawn(*arguments)
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout == done(*arguments).stdout
    assert "\x1b" not in result.stdout


def test_a_terminal_that_lacks_a_character_still_gets_its_answer() -> None:
    # ISO 8859-1 has a degree sign and no box drawing.
    result = spawn(
        "geometry", "--altitude", "550", env={**os.environ, "PYTHONIOENCODING": "latin-1"}, encoding="latin-1"
    )
    assert result.returncode == 0, result.stderr
    assert result.stdout.startswith("At 550 km and 25° a satellite sees")
    assert "?????" in result.stdout
