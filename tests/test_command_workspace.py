"""The command ``workspace``, and the options by which commands take a workspace, a site, limits, and lift them."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import commands
from passim.workspace import Workspace, create
from passim_apps.command_line.main import main

SPAN = ["--from", "2026-11-25T00:00:00Z", "--hours", "2"]


def run(*arguments: str, answers: str = "") -> Result:
    return CliRunner().invoke(main, list(arguments), prog_name="passim", input=answers)


def done(*arguments: str, answers: str = "") -> str:
    return commands.finished(run(*arguments, answers=answers)).stdout


def refused(*arguments: str) -> list[str]:
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    return result.stderr.splitlines()


def asked(*arguments: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(done(*arguments, *SPAN, "--format", "json"))
    return answer


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = str(tmp_path_factory.mktemp("workspace") / "demo")
    done("workspace", "new", folder, "--demo", "--at", "2026-11-25T00:00Z")
    assert "\n2027-01-24," in Path(folder, "plan.csv").read_text()
    return folder


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory, demo: str) -> str:
    """A file with the fleet Plover, for questions that need no workspace."""
    path = str(tmp_path_factory.mktemp("fleet") / "plover.json")
    run("elements", "--workspace", demo, "--at", "2026-11-25T00:00Z", "--out", path)
    return path


@pytest.fixture(autouse=True)
def _nobodys_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder, and as somebody whose data folder holds no workspace."""
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.chdir(empty)
    monkeypatch.setattr("platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data"))


# --- made, shown, checked ---------------------------------------------------------------------------------------------


def test_the_demo_is_made_shown_and_sound(demo: str) -> None:
    shown = json.loads(done("workspace", "show", "--workspace", demo, "--format", "json"))
    assert [(row["site"], row["spot"], row["horizon"]) for row in shown["rows"]] == [
        ("Marram", "loft", "horizon 25° all round"),
        ("Marram", "yard", "horizon 35° all round"),
        ("Skerry", "roof", "horizon 25° all round"),
        ("Lantern", "roof", "horizon 25° all round"),
    ]
    assert "a satellite must also see the gateway South, 600 km away" in shown["rows"][0]["limits"]
    assert shown["fleets"] == ["Plover"]
    assert "3 sites; Plover: 360 objects" in done("workspace", "check", "--workspace", demo)


def test_options_make_a_site_of_ones_own(tmp_path: Path) -> None:
    folder = str(tmp_path / "own")
    place = ["--name", "Mill", "--latitude", "45.5", "--longitude", "9.2", "--height", "120", "--mask", "15"]
    assert "Mill" in done("workspace", "new", folder, *place, "--gateway", "41,9.2,20")
    (row,) = json.loads(done("workspace", "show", "--workspace", folder, "--format", "json"))["rows"]
    assert (row["site"], row["latitude_deg"], row["height_m"], row["timezone"]) == ("Mill", 45.5, 120.0, "Europe/Rome")
    nights = str(tmp_path / "nights")
    done("workspace", "new", nights, *place, "--call-hours", "22:00-24:00", "--weekdays", "sat")
    written = (Path(nights) / "passim.toml").read_text(encoding="utf-8")
    assert 'call_hours = { start = "22:00", end = "00:00", days = ["Sat"] }' in written
    assert (row["horizon"], row["limits"].split(";")[0]) == (
        "horizon 15° all round",
        "a satellite must also see the gateway number 1, 500 km away",
    )


def test_on_a_terminal_it_asks_for_what_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("passim_apps.commands.workspace.on_terminal", lambda: True)
    folder = str(tmp_path / "asked")
    answers = ["Marram", "north", "45", "40", "Atlantic/Azores", "35", "", "", ""]
    done("workspace", "new", folder, "--longitude", "-28", answers="\n".join(answers) + "\n")
    (row,) = json.loads(done("workspace", "show", "--workspace", folder, "--format", "json"))["rows"]
    assert row == {
        "site": "Marram", "spot": "roof", "latitude_deg": 45.0, "longitude_deg": -28.0, "height_m": 40.0,
        "timezone": "Atlantic/Azores", "horizon": "horizon 35° all round",
        "limits": "only satellites in their shell are taken to serve",
    }  # fmt: skip


@pytest.fixture
def asking(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("passim_apps.commands.workspace.on_terminal", lambda: True)


@pytest.mark.usefixtures("asking")
def test_every_question_can_be_answered(fleet: str) -> None:
    Path("roof.csv").write_text("azimuth_deg,elevation_deg\n0,5\n180,40\n")
    answers = ["Mill", "47.2", "8.5", "", "", "roof.csv", "41.0,8.5", fleet, "09:00-17:00", "mon,wed"]
    result = run("workspace", "new", "own", answers="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    opened = Workspace.load("own")
    site = opened.site()
    assert (site.name, site.latitude_deg, site.longitude_deg, site.height_m) == ("Mill", 47.2, 8.5, 0.0)
    assert (site.timezone, site.horizon.lowest_deg, site.horizon.highest_deg) == ("Europe/Zurich", 5.0, 40.0)
    assert [(g.latitude_deg, g.longitude_deg) for g in opened.gateways()] == [(41.0, 8.5)]
    assert len(opened.fleet()) == 360
    hours = opened.call_hours()
    assert hours is not None
    assert (hours.clock_words, hours.weekdays) == ("09:00 to 17:00", (0, 2))
    assert "Next: passim gaps --workspace own" in result.stderr
    # The questions, each with an example, and nothing on standard output but what was written.
    assert len(re.findall(r", such as |such as roof", result.stderr)) == len(answers)
    assert result.stdout == "Wrote own/passim.toml: Mill.\n"


@pytest.mark.usefixtures("asking")
def test_a_slip_is_told_at_once_and_asked_again() -> None:
    slips = [
        ("", "name of the site is empty; wanted a word or two"),
        ("Mill", None),
        ("47,2", "latitude; got '47,2'; wanted degrees with a point, such as 47.2"),
        ("95", "latitude of the site; got 95.0; wanted from -90 to 90 deg"),
        ("47.2", None),
        ("", "longitude; got ''; wanted degrees with a point"),
        ("8.5", None),
        ("high", "height; got 'high'; wanted metres with a point, such as 40"),
        ("120", None),
        ("Europe/Zuric", "time zone; got 'Europe/Zuric'"),
        ("", None),
        ("91", "mask; got 91.0; wanted from 0 to below 90 deg"),
        ("12,5", "mask; got '12,5'; wanted degrees with a point, such as 12.5"),
        ("none.csv", "horizon file none.csv; got 'No such file or directory'"),
        ("20", None),
        ("41", "gateway; got '41'; wanted LAT,LON or LAT,LON,MASK in degrees, north and east positive; try 39.6"),
        ("", None),
        ("none.json", "none.json; got no such file or directory"),
        ("", None),
        ("9 to 5", "call-hours; got '9 to 5'; wanted two times of the day"),
        ("09:00-25:00", "call-hours; got '09:00-25:00'; wanted two different times of the day"),
        ("09:00-17:00", None),
        ("workdays", "weekdays; got 'workdays'; wanted names of days"),
        ("", None),
    ]
    result = run("workspace", "new", "own", answers="".join(f"{text}\n" for text, _ in slips))
    assert result.exit_code == 0, result.stderr
    told = [line for line in result.stderr.splitlines() if "; wanted " in line]
    expected = [words for _, words in slips if words is not None]
    assert len(told) == len(expected)
    for line, words in zip(told, expected, strict=True):
        assert line.startswith(words)
    opened = Workspace.load("own")
    assert (opened.site().latitude_deg, opened.site().height_m, opened.site().horizon.lowest_deg) == (47.2, 120.0, 20.0)
    hours = opened.call_hours()
    assert hours is not None
    assert hours.weekdays == (0, 1, 2, 3, 4)


@pytest.mark.usefixtures("asking")
def test_what_was_typed_is_not_lost() -> None:
    broken_off = run("workspace", "new", "own", answers="The mill\n47.2\n-8.5\n")
    assert broken_off.exit_code == 130
    (line,) = [line for line in broken_off.stderr.splitlines() if line.startswith("Nothing was written.")]
    words = shlex.split(line.partition("typed: ")[2])
    assert words[:4] == ["passim", "workspace", "new", "own"]
    done(*words[1:])
    site = Workspace.load("own").site()
    assert (site.name, site.latitude_deg, site.longitude_deg) == ("The mill", 47.2, -8.5)
    # A folder that cannot be used is refused before the first question.
    again = run("workspace", "new", "own", answers="")
    assert (again.exit_code, "Name of the site" in again.stderr) == (2, False)
    assert "wanted a folder without a workspace" in again.stderr


def test_options_of_a_new_workspace_are_checked_before_anything_is_written(subtests: pytest.Subtests) -> None:
    for options, words in [
        (["--mask", "none.csv"], "horizon file none.csv; got 'No such file or directory'; wanted a readable CSV file"),
        (["--mask", "bad.csv"], "horizon file bad.csv, line 2"),
        (["--mask", "91"], "mask; got 91.0; wanted from 0 to below 90 deg above the horizontal; try 25"),
        (["--elements", "nix.json"], "nix.json; got no such file or directory"),
        (["--elements", "bad.csv"], "bad.csv: no element sets"),
        (["--latitude", "47,2"], "latitude; got '47,2'; wanted degrees with a point, such as 47.2"),
        (["--name", " "], "name of the site is empty"),
        (["--name", "a,b"], "name of the site; got 'a,b'; wanted at most 60 letters without a comma"),
        (["--call-hours", "17:00-17:00"], "--call-hours; got '17:00-17:00'; wanted two different times"),
        (["--weekdays", "mon-fri"], "--weekdays needs --call-hours"),
        (["--gateway", "95,0"], "latitude of gateway"),
    ]:
        with subtests.test(options=options, words=words):
            Path("bad.csv").write_text("azimuth_deg,elevation_deg\n0;5\n")
            given = {"--name": "Mill", "--latitude": "47.2", "--longitude": "8.5"}
            given.update(dict([options]))
            (line,) = refused("workspace", "new", "own", *[word for pair in given.items() for word in pair])
            assert words in line
            assert not Path("own").exists()


def test_paths_are_taken_from_the_current_folder(tmp_path: Path, fleet: str, monkeypatch: pytest.MonkeyPatch) -> None:
    Path("roof.csv").write_text("azimuth_deg,elevation_deg\n0,5\n180,40\n")
    Path("few.json").write_bytes(Path(fleet).read_bytes())
    place = ["--name", "Mill", "--latitude", "45.0", "--longitude", "-28.0"]
    done("workspace", "new", "own", *place, "--mask", "roof.csv", "--elements", "few.json", "--weekdays", "sat-sun",
         "--call-hours", "08:30-12:00")  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert "own/passim.toml is sound: 1 site; fleet: 360 objects" in done(
        "workspace", "check", "--workspace", "empty/own"
    )
    assert (tmp_path / "empty" / "own" / "roof.csv").is_file()
    assert 'start = "08:30", end = "12:00", days = ["Sat", "Sun"]' in Path("empty/own/passim.toml").read_text()


def test_the_terminals_floor_is_told_wherever_it_counts(fleet: str) -> None:
    Path("roof.csv").write_text("azimuth_deg,elevation_deg\n0,5\n170,5\n180,40\n190,5\n")
    place = ["--name", "Mill", "--latitude", "45.0", "--longitude", "-28.0", "--elements", fleet]
    done("workspace", "new", "own", *place, "--mask", "roof.csv")
    own = ["--workspace", "own"]
    words = "The terminal works from 25° up: the horizon counts only where it is higher."
    assert (
        f"{words} It is lower at Mill roof." in json.loads(done("workspace", "show", *own, "--format", "json"))["notes"]
    )
    for command in (["gaps"], ["passes"], ["causes", "--limits"], ["causes", "--sectors"], ["serving"]):
        assert words in asked(*command, *own)["notes"], command
    # A roof line that is low where no terminal looks is as good as none.
    low, flat = asked("passes", *own, "--mask", "5"), asked("passes", *own, "--mask", "25")
    assert low["rows"] == flat["rows"]
    assert words in low["notes"]
    assert words not in flat["notes"]
    # At coordinates the mask is the user's own word.
    there = asked("passes", "--site", "45.0,-28.0", "--elements", fleet, "--mask", "5")
    assert not any("terminal works from" in note for note in there["notes"])
    in_view_s, here_s = (sum(row["duration_s"] for row in rows) for rows in (there["rows"], low["rows"]))
    assert in_view_s > 1.5 * here_s > 0.0


def test_without_a_terminal_what_is_missing_is_named(tmp_path: Path) -> None:
    (line,) = refused("workspace", "new", str(tmp_path / "x"), "--name", "Mill")
    assert "a site needs --latitude and --longitude" in line
    (line,) = refused("workspace", "new", str(tmp_path / "x"), "--demo", "--latitude", "3")
    assert "leave out --latitude" in line
    assert not (tmp_path / "x").exists()


def test_a_folder_with_a_workspace_is_left_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "passim.toml"
    for damaged in ("name = [", ""):
        file.write_text(damaged)
        (line,) = refused("workspace", "new", str(tmp_path), "--demo")
        assert "wanted a folder without a workspace" in line
        assert file.read_text() == damaged


# --- what is wrong is told --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [["workspace", "check"], ["workspace", "show"], ["gaps"], ["elements"]])
def test_one_slip_takes_one_line_and_several_say_how_many(command: list[str], tmp_path: Path) -> None:
    file = tmp_path / "passim.toml"
    file.write_text("name = 'x'\ncolour = 'red'\n")
    (line,) = refused(*command, "--workspace", str(tmp_path))
    assert line.startswith(f"passim: {file}: line 2, colour: unknown key; wanted one of name, ")
    file.write_text("colour = 'red'\n[terminal]\ncone = { half_angle_deg = 95 }\n")
    first, *others = refused(*command, "--workspace", str(tmp_path))
    assert first == f"passim: {file}: 2 things cannot be used"
    assert [other.split(":")[0] for other in others] == ["  line 1, colour", "  line 3, terminal.cone"]


def test_check_reads_the_files_that_the_workspace_names(tmp_path: Path) -> None:
    (tmp_path / "passim.toml").write_text('[[fleets]]\nname = "x"\nelements = ["no.json"]\n')
    (line,) = refused("workspace", "check", "--workspace", str(tmp_path))
    assert "no.json" in line


def test_a_zone_that_contradicts_the_place_is_a_note(tmp_path: Path) -> None:
    place = ["--name", "Mill", "--latitude", "45.5", "--longitude", "9.2", "--zone", "Asia/Tokyo"]
    result = run("workspace", "new", str(tmp_path), *place)
    assert result.exit_code == 0
    assert "one of the two is wrong" in result.stderr
    assert "Europe/Rome" in run("workspace", "check", "--workspace", str(tmp_path)).stderr


def test_control_characters_of_a_file_do_not_reach_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "passim.toml").write_text('[terminal]\npolicy = "a\\u001b[31mb"\n"x\\u0007y" = 1\n')
    lines = refused("workspace", "check", "--workspace", str(tmp_path))
    assert len(lines) == 3
    assert all(c.isprintable() for line in lines for c in line)


def test_there_is_none(tmp_path: Path) -> None:
    (line,) = refused("workspace", "show")
    assert "no workspace here: give --workspace DIR" in line
    (line,) = refused("gaps", *SPAN)
    assert "where? Give --site" in line
    (line,) = refused("gaps", *SPAN, "--site", "45,-28")
    assert "which satellites? Give --elements" in line
    (line,) = refused("gaps", *SPAN, "--site", "Marram")
    assert "the name of a site needs a workspace" in line
    (line,) = refused("gaps", *SPAN, "--workspace", str(tmp_path / "nowhere"))
    assert "a folder that holds passim.toml" in line


# --- a workspace in every command -------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["passes", "minutes", "gaps"])
def test_commands_find_the_workspace_of_the_current_folder(
    command: str, demo: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    named = asked(command, "--workspace", demo)
    monkeypatch.chdir(demo)
    here = asked(command)
    assert here["rows"] == named["rows"]
    assert len(here["rows"]) > 5
    assert here["site"]["name"] == "Marram loft"


def test_a_site_and_a_spot_are_named(demo: str) -> None:
    assert asked("gaps", "--workspace", demo, "--site", "lantern")["site"]["latitude_deg"] == 58.5
    yard = asked("gaps", "--workspace", demo, "--spot", "yard")
    assert yard["site"]["name"] == "Marram yard"
    assert yard["limits"]["horizon"] == "horizon 35° all round"
    (line,) = refused("gaps", *SPAN, "--workspace", demo, "--site", "Hilltop")
    assert "wanted one of Marram, Skerry, Lantern; try Marram" in line
    (line,) = refused("gaps", *SPAN, "--workspace", demo, "--site", "Skery")
    assert line.endswith("; try Skerry")
    (line,) = refused("gaps", *SPAN, "--workspace", demo, "--spot", "shed")
    assert "wanted one of loft, yard; try loft" in line
    (line,) = refused("gaps", *SPAN, "--workspace", demo, "--fleet", "Gull")
    assert "wanted one of Plover; try Plover" in line


def test_elements_of_the_workspace_and_their_health(demo: str) -> None:
    listed = json.loads(done("elements", "--workspace", demo, "--at", "2026-11-25T12:00Z", "--format", "json"))
    assert listed["health"] == {
        "catalogued": 360, "at shell": 360, "drifting": 0, "raising": 0, "lowering": 0, "stale": 0, "decayed": 0,
        "unjudged": 0,
    }  # fmt: skip
    assert listed["epoch_newest"] == "2026-11-25T00:00:00.000Z"


def test_options_say_the_same_as_the_workspace(demo: str, fleet: str) -> None:
    """The demo's loft and its gateway, once from the file and once spelled out."""
    from_file = asked("gaps", "--workspace", demo)
    options = [
        "--site",
        "45.0,-28.0,40",
        "--gateway",
        "39.6,-28.0,25",
        "--elements",
        fleet,
        "--zone",
        "Atlantic/Azores",
    ]
    spelled = asked("gaps", *options)
    # The gateway of the file stands 50 m high, that of the option at sea level: edges differ by milliseconds.
    assert len(spelled["rows"]) == len(from_file["rows"])
    for mine, theirs in zip(spelled["rows"], from_file["rows"], strict=True):
        assert mine["duration_s"] == pytest.approx(theirs["duration_s"], abs=0.5)
    assert set(spelled["limits"]) == {"horizon", "gateway", "serving"}


def test_a_place_by_coordinates_has_the_terminal_and_the_gateways_of_the_workspace(
    demo: str, fleet: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = asked("gaps", "--site", "45.0,-28.0,40", "--elements", fleet)
    assert set(alone["limits"]) == {"horizon", "serving"}
    # In its folder as where it is named, with its own fleet as with another.
    monkeypatch.chdir(demo)
    named = asked("gaps", "--site", "45.0,-28.0,40", "--workspace", ".")
    here = asked("gaps", "--site", "45.0,-28.0,40")
    with_fleet = asked("gaps", "--site", "45.0,-28.0,40", "--elements", fleet)
    for along in (named, here, with_fleet):
        assert re.search(r"South \(600 km away\), North \(1,379 km away\)", along["limits"]["gateway"])
        assert any(note.startswith("Terminal and gateways: those of ") for note in along["notes"])
    assert here["rows"] == named["rows"]
    # Beside a site of the file it is a limited place too.
    place = asked("sites", "--site", "Marram", "--site", "45.0,-28.0,40")["rows"][-1]
    assert place["gap_count"] == here["summary"]["gap_count"] > 0
    # What is dropped by name is said in the first line.
    dropped = asked("gaps", "--site", "45.0,-28.0,40", "--without", "gateway")
    assert dropped["answer"].startswith("Lifted: gateway. ")
    assert "gateway" not in dropped["limits"]
    assert done("gaps", *SPAN, "--site", "45.0,-28.0,40", "--without", "gateway").startswith("Lifted: gateway.\n")


# --- limits -----------------------------------------------------------------------------------------------------------


def test_a_limit_is_lifted_by_name(demo: str) -> None:
    held = asked("gaps", "--workspace", demo)
    lifted = asked("gaps", "--workspace", demo, "--without", "gateway")
    assert held["summary"]["gap_count"] > 5
    assert lifted["summary"]["gap_count"] == 0
    assert "gateway" not in lifted["limits"]
    assert lifted["answer"].startswith("Lifted: gateway. ")
    (line,) = refused("gaps", *SPAN, "--workspace", demo, "--without", "cone")
    assert "limit to lift; got 'cone'; wanted one of horizon, gateway, serving" in line


def test_a_lifted_horizon_leaves_the_floor(demo: str) -> None:
    yard = asked("passes", "--workspace", demo, "--spot", "yard", "--without", "horizon", "--without", "gateway")
    loft = asked("passes", "--workspace", demo, "--without", "gateway")
    assert [row["rise"] for row in yard["rows"]] == [row["rise"] for row in loft["rows"]]


def test_a_cone_straight_up_is_a_mask(fleet: str) -> None:
    """A cone of half-angle 50 deg that points up is a mask of 40 deg exactly: both are one angle from the zenith."""
    place = ["--site", "45.0,-28.0", "--elements", fleet]
    cone = asked("gaps", *place, "--cone", "0,0,50")
    mask = asked("gaps", *place, "--mask", "40")
    for column in ("start", "end"):
        assert [row[column] for row in cone["rows"]] == [row[column] for row in mask["rows"]]
    assert len(mask["rows"]) > 5


def test_each_limit_of_the_options_takes_sky_away(fleet: str) -> None:
    place = ["--site", "45.0,-28.0", "--elements", fleet]
    free = asked("passes", *place)
    longest = sum(row["duration_s"] for row in free["rows"])
    first = free["rows"][0]["satellite_id"]
    for name, option in [
        ("cone", ["--cone", "0,20,40"]),
        ("arc", ["--arc", "18"]),
        ("gateway", ["--gateway", "39.6,-28", "--gateway", "57.4,-28,30"]),
        ("share", ["--share", "70,5"]),
        ("excluded", ["--exclude", first]),
    ]:
        held = asked("passes", *place, *option)
        assert set(held["limits"]) == {"horizon", "serving", name}
        assert sum(row["duration_s"] for row in held["rows"]) < longest
        again = asked("passes", *place, *option, "--without", name)
        assert again["rows"] == free["rows"]
    assert first not in {row["satellite_id"] for row in held["rows"]}


def test_the_serving_filter_tells_its_counts_and_can_be_lifted(tmp_path: Path, fleet: str) -> None:
    spares = str(tmp_path / "spares.json")
    pattern = ["--total", "6", "--planes", "6", "--phasing", "0", "--inclination", "53", "--altitude", "530"]
    done("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--first-number", "800000001", "--out", spares)
    both = ["--site", "45.0,-28.0", "--elements", fleet, "--elements", spares]
    held, lifted = asked("passes", *both), asked("passes", *both, "--without", "serving")
    assert held["health"] == {
        "catalogued": 366, "at shell": 360, "drifting": 6, "raising": 0, "lowering": 0, "stale": 0, "decayed": 0,
        "unjudged": 0,
    }  # fmt: skip
    words = (
        "366 objects catalogued: 360 on station, 6 drifting; those on station in the shell at 550 km, 53.0° are taken "
        "to serve."
    )
    assert words in held["notes"]
    assert not any(row["satellite_id"].startswith("8") for row in held["rows"])
    assert any(row["satellite_id"].startswith("8") for row in lifted["rows"])


def test_a_slip_in_a_limit_is_told_in_one_line(fleet: str, subtests: pytest.Subtests) -> None:
    for options, words in [
        (["--cone", "0,20,95"], "half-angle of the antenna cone; got 95.0"),
        (["--cone", "0,20"], "--cone; got '0,20'; wanted AZ,TILT,HALF in degrees; try --cone 0,20,50"),
        (["--mask", "91"], "mask; got 91.0; wanted from 0 to below 90 deg above the horizontal; try 25"),
        (["--mask", "12,5"], "mask; got '12,5'; wanted degrees with a point, such as 12.5"),
        (
            ["--mask", "none.csv"],
            "a readable CSV file with the header azimuth_deg,elevation_deg; try checking the path",
        ),
        (
            ["--share", "150"],
            "share of the fleet that serves; got 150.0; wanted more than 0, up to 100 percent; try 80",
        ),
        (["--from", "some day"], "got 'some day'; wanted a time such as"),
        (["--cone", "nan,20,50"], "azimuth of the antenna's tilt"),
        (["--arc", "75"], "keep-out angle around the geostationary arc; got 75.0"),
        (["--gateway", "-39.6,152"], "none ever sees both"),
        (["--gateway", "39.6"], "--gateway; got '39.6'; wanted LAT,LON or LAT,LON,MASK"),
        (["--gateway", "95,0"], "latitude of gateway"),
        (["--share", "0"], "share of the fleet that serves"),
        (["--share", "50,0.5"], "seed of --share; got '50,0.5'; wanted a whole number of 0 or more; try --share 50,1"),
        (["--share", "50,nan"], "seed of --share"),
        (["--exclude", "17"], "satellite to leave out; got '17'"),
        (["--exclude", "abc"], "'abc'"),
        (["--without", "weather"], "limit to lift; got 'weather'; wanted one of horizon, serving; try horizon"),
        (["--without", "servin"], "wanted one of horizon, serving; try serving"),
        (["--spot", "yard"], "--spot names a mounting spot of a workspace's site"),
        (["--fleet", "Plover"], "give one of them"),
    ]:
        with subtests.test(options=options, words=words):
            (line,) = refused("gaps", *SPAN, "--site", "45.0,-28.0", "--elements", fleet, *options)
            assert words in line


def test_assumptions_are_told_with_every_answer(tmp_path: Path) -> None:
    create(tmp_path, demo=True)
    file = tmp_path / "passim.toml"
    text = file.read_text().replace("acquisition_s = 0.0", "acquisition_s = 2.5")
    mark = '\n[[assumptions]]\nsetting = "terminal.acquisition_s"\nsince = 2026-11-25\nhow = "symptom search"\n'
    file.write_text(text + mark)
    notes = asked("gaps", "--workspace", str(tmp_path))["notes"]
    assert "Assumed, not measured: terminal.acquisition_s (since 2026-11-25: symptom search)." in notes
    shown = json.loads(done("workspace", "show", "--workspace", str(tmp_path), "--format", "json"))
    assert shown["assumptions"] == [
        {"setting": "terminal.acquisition_s", "since": "2026-11-25", "how": "symptom search"}
    ]
    freezes = json.loads(done("serving", "--workspace", str(tmp_path), *SPAN, "--list", "freezes", "--format", "json"))
    assert freezes["service"]["acquisition_s"] == 2.5


def test_heights_are_said_alike_everywhere(tmp_path: Path) -> None:
    folder = tmp_path / "office"
    done("workspace", "new", str(folder), "--name", "Office", "--latitude", "45", "--longitude", "-28")
    told = [
        done("gaps", "--help"),
        done("workspace", "new", "--help"),
        (folder / "passim.toml").read_text(encoding="utf-8").replace("#", ""),
    ]
    for text in (" ".join(text.split()) for text in told):
        assert "height above the ellipsoid" in text
        assert "the height above sea level that a map gives plus the height of the geoid there, -105 to +85 m" in text
        assert "50 m either way move an edge by about 0.02 s" in text


def test_check_says_what_is_missing_before_anything_can_be_computed(tmp_path: Path) -> None:
    file = tmp_path / "passim.toml"
    file.write_text('name = "Invented"\n')
    result = run("workspace", "check", "--workspace", str(tmp_path))
    assert result.exit_code == 0
    assert "is sound" in result.stdout
    first, site, fleet = result.stderr.splitlines()
    assert first == "This workspace names no site and no satellites yet."
    assert site.startswith(f"Add a site to {file}: a section [[sites]]")
    assert fleet.startswith(f"Name the satellites: a section [[fleets]] in {file}")


def test_the_calendar_address_is_made_shown_and_withdrawn(tmp_path: Path) -> None:
    folder = str(tmp_path / "school")
    done("workspace", "new", folder, "--demo", "--at", "2026-11-25T00:00Z")
    calendar = ("workspace", "calendar", "--workspace", folder)
    assert done(*calendar).startswith("No calendar address holds; ")
    made = done(*calendar, "--new")
    assert re.match(r"Calendar address: /calendar/[\w-]{43}\.ics, at the dashboard's own", made)
    assert done(*calendar) == made != done(*calendar, "--new")
    assert done(*calendar, "--withdraw") == "Withdrawn.\n"
    assert done(*calendar, "--withdraw") == "There was no calendar address.\n"
    assert refused(*calendar, "--new", "--withdraw")[-1].startswith(
        "passim: --new makes an address, and --withdraw takes"
    )
