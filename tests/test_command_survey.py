"""``passim survey``: horizon files, comparisons and the sheet, from the command line; and what is refused.

Outside truth is plane trigonometry, worked by hand beside the check.
"""

from __future__ import annotations

import csv
import io
import json
from functools import partial
from html.parser import HTMLParser
from pathlib import Path

import pytest

import commands
from passim import Horizon
from passim.workspace import create

run, done, refused = (partial(each, "survey") for each in (commands.run, commands.done, commands.refused))

SPAN = ["--from", "2026-11-25T00:00:00Z", "--hours", "3"]
WALLS = "bearing_deg,width_m,distance_m,height_m,name\n0,20,15,12,firs\n180,30,12,9,barn\n250,5,10,3,shed\n"


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Options that name an invented fleet, thin enough to leave gaps, and a place."""
    path = str(tmp_path_factory.mktemp("fleet") / "invented.json")
    pattern = ["--total", "90", "--planes", "9", "--phasing", "2", "--inclination", "53", "--altitude", "550"]
    commands.finished(commands.run("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", path))
    return ["--elements", path, "--site", "45.0,-28.0,40", *SPAN]


@pytest.fixture
def walls(tmp_path: Path) -> str:
    path = tmp_path / "obstacles.csv"
    path.write_text(WALLS, "utf-8")
    return str(path)


# --- horizon files ----------------------------------------------------------------------------------------------------


def test_sighted_points_become_a_horizon_file(tmp_path: Path) -> None:
    out = str(tmp_path / "horizon.csv")
    points = "90:38,180:10,270:15,0:12"
    result = done("sighted", "--points", points, "--declination", "-4.5", "--base", "0", "--out", out)
    assert Horizon.from_csv(out) == Horizon((85.5, 175.5, 265.5, 355.5), (38.0, 10.0, 15.0, 12.0))
    assert result.stdout == f"Wrote a horizon of 4 points to {out}: from 10.0° to 38.0°, highest towards 86°.\n"
    assert "No point was sighted from 85.5 to 175.5 deg" in result.stderr
    assert f"--mask {out}" in result.stderr
    assert "power lines" in result.stderr


def test_below_the_usual_mask_a_skyline_is_of_no_interest(tmp_path: Path) -> None:
    out, sighted = str(tmp_path / "horizon.csv"), tmp_path / "sightings.csv"
    sighted.write_text("azimuth_deg,elevation_deg\n0,10\n90,40\n180,10\n270,10\n", "utf-8")
    done("sighted", "--file", str(sighted), "--out", out)
    # From 10 to 40 deg over 90 deg of azimuth: 25 half way.
    assert Horizon.from_csv(out) == Horizon((45.0, 90.0, 135.0), (25.0, 40.0, 25.0))
    result = done("sighted", "--points", "0:10,90:12", "--out", out)
    assert "2 points below 25° were raised to 25° (--base 0 keeps them)." in result.stderr
    assert Horizon.from_csv(out).highest_deg == Horizon.from_csv(out).lowest_deg == 25.0


def test_the_ridge_of_the_help_is_a_ridge(tmp_path: Path) -> None:
    points, out = "199:15,200:30,260:30,261:15", str(tmp_path / "ridge.csv")
    assert f"--points {points} --base 15" in done("sighted", "--help").stdout
    result = done("sighted", "--points", points, "--base", "15", "--out", out)
    ridge = Horizon.from_csv(out)
    assert ridge.elevation_deg([100.0, 199.0, 200.0, 230.0, 260.0, 261.0]) == pytest.approx([15, 15, 30, 30, 30, 15])
    assert "raised" not in result.stderr


def test_a_ridge_is_given_by_one_stretch_and_a_flat_site_by_none(tmp_path: Path) -> None:
    out = str(tmp_path / "ridge.csv")
    result = done("stretches", "--stretches", "270:315:40,350:20:30,90:100:20", "--declination", "5", "--out", out)
    ridge = Horizon.from_csv(out)
    assert ridge.elevation_deg([274.9, 275.0, 320.0, 320.1, 355.0, 25.0, 26.0]) == pytest.approx(
        [25, 40, 40, 25, 30, 30, 25]
    )
    assert "The stretch from 90° to 100° stands no higher than the 25° all round: it changes nothing." in result.stderr
    for bad, words in (
        ("270:315", "--stretches; got '270:315'; wanted FROM:TO:EL in degrees"),
        ("270:270:40", "the stretch from 270 to 270 deg; got '0 deg wide'; wanted two azimuths, clockwise"),
        ("270:315:90", "elevation of the stretch from 270 to 315 deg; got '90 deg'; wanted from 0 to below 90"),
    ):
        assert words in refused("stretches", "--stretches", bad, "--out", out)

    school = create(tmp_path / "school", demo=True)
    school.file.write_text(school.text.replace('name = "loft"\nmask_deg = 25.0', 'name = "loft"'))
    at = ["--workspace", str(school.folder), *SPAN]
    start = "No roof line entered yet; with a clear view above 25° all round: "
    assert commands.done("causes", *at).stdout.startswith(start)
    done("stretches", "--keep-as", "Marram/loft", "--workspace", str(school.folder))
    assert commands.done("causes", *at).stdout.startswith("Your roof line is not the cause: ")


def test_an_obstacle_that_costs_nothing_is_told(tmp_path: Path, walls: str) -> None:
    out = str(tmp_path / "horizon.csv")
    # Barn: 5/12, 22.62 deg.
    words = "The top of the barn stands 22.6° high, below the 25° at which the terminal begins: it costs nothing."
    assert words in done("obstacles", "--file", walls, "--mount-height", "4", "--out", out).stderr


def test_obstacles_become_a_horizon_file(tmp_path: Path, walls: str) -> None:
    out = str(tmp_path / "horizon.csv")
    result = done("obstacles", "--file", walls, "--mount-height", "4", "--base", "0", "--out", out)
    horizon = Horizon.from_csv(out)
    # Firs: 8/15, arctangent 28.07 deg. Barn: 5/12, 22.62 deg.
    assert horizon.elevation_deg([0.0, 180.0, 90.0]) == pytest.approx([28.0725, 22.6199, 0.0], abs=1e-3)
    assert "No higher than the mount at 4 m, and so left out: shed." in result.stderr


def test_the_file_made_is_one_that_the_other_commands_take(tmp_path: Path, walls: str, where: list[str]) -> None:
    out = str(tmp_path / "horizon.csv")
    done("obstacles", "--file", walls, "--mount-height", "2", "--out", out)
    made = commands.run("gaps", *where, "--mask", out, "--format", "json")
    assert made.exit_code == 0, made.stderr
    spots = done("spots", "--compare", f"yard={out}", "--compare", "loft=25", *where, "--format", "json")
    gaps, compared = json.loads(made.stdout), json.loads(spots.stdout)
    yard = next(row for row in compared["rows"] if row["spot"] == "yard")
    assert yard["gap_count"] == len(gaps["rows"]) > 0
    assert yard["covered_fraction"] == pytest.approx(gaps["summary"]["covered_fraction"], abs=1e-6)


# --- comparisons ------------------------------------------------------------------------------------------------------


def test_a_mast_is_compared_height_by_height(walls: str, where: list[str]) -> None:
    result = done("mast", "--file", walls, "--from-height", "2", "--to-height", "12", "--step", "5", *where)
    # From 7 m the firs stand 18 deg high and the barn 9: below the mask, so that 12 m is no better.
    assert result.stdout.startswith("From 2 m to 7 m the time without service goes from ")
    assert "regains" in result.stdout
    assert "Scaled to a day from 3 h" in result.stdout
    assert "power lines" in result.stdout
    assert "licensed trades decide" in result.stdout
    rows = list(csv.DictReader(io.StringIO(done("mast", "--file", walls, *where, "--format", "csv").stdout)))
    assert [row["mount_height_m"] for row in rows] == ["2.0", "3.0", "4.0", "5.0", "6.0", "7.0", "8.0"]
    out_s = [float(row["out_s_per_day"]) for row in rows]
    assert out_s == sorted(out_s, reverse=True)
    assert out_s[0] > out_s[-1] > 0.0


def test_where_nothing_stands_in_the_way_a_mast_buys_nothing(tmp_path: Path, where: list[str]) -> None:
    hedge = tmp_path / "hedge.csv"
    hedge.write_text("bearing_deg,width_m,distance_m,height_m\n10,5,20,3\n", "utf-8")
    result = done("mast", "--file", str(hedge), "--to-height", "4", *where)
    assert result.stdout.startswith("No height up to 4 m is better than 2 m: ")
    one = done("mast", "--file", str(hedge), "--to-height", "2", *where)
    assert one.stdout.startswith("With the mount at 2 m: ")


def test_spots_are_compared_with_the_first(where: list[str]) -> None:
    result = done("spots", "--compare", "yard=35", "--compare", "loft=25", *where)
    first = result.stdout.splitlines()[0]
    assert first.startswith("Without service a day: yard ")
    assert "loft has the least, " in first
    assert " a day less than yard." in first
    # The mask of the site is not what was compared, so it is not told.
    assert "Mask:" not in result.stdout
    same = done("spots", "--compare", "a=25", "--compare", "b=25", *where).stdout
    assert "All are equally good." in same
    assert "yard has the least." in done("spots", "--compare", "yard=25", "--compare", "pit=50", *where).stdout


def test_a_place_nobody_has_seen_gives_a_range(where: list[str]) -> None:
    result = done("portable", *where, "--open", "20", "--bad", "50", "--format", "json")
    answer = json.loads(result.stdout)
    low, high = (row["out_s_per_day"] for row in answer["rows"])
    assert low < high
    assert answer["answer"].startswith("Between ")
    assert "open horizon of 20° all round, the second under a bad one of 50°" in answer["answer"]
    assert any(note.startswith("No gateway counts here") for note in answer["notes"])


def test_a_gateway_counts_in_every_comparison(where: list[str]) -> None:
    gateway = ["--gateway", "39.6,-28.0"]
    for command in (["portable"], ["spots", "--compare", "yard=35", "--compare", "loft=25"]):
        alone, beside = (json.loads(done(*command, *where, *more, "--format", "json").stdout) for more in ([], gateway))
        assert beside["limits"]["gateway"]
        assert all(b["out_s_per_day"] > a["out_s_per_day"] for a, b in zip(alone["rows"], beside["rows"], strict=True))
    assert any("check that they serve this place" in note for note in done_notes("portable", *where, *gateway))


def done_notes(*arguments: str) -> list[str]:
    notes: list[str] = json.loads(done(*arguments, "--format", "json").stdout)["notes"]
    return notes


def test_the_spots_of_a_workspace_are_compared(tmp_path: Path, where: list[str]) -> None:
    folder = create(tmp_path / "school", demo=True).folder
    span = ["--workspace", str(folder), "--from", "2026-11-25T08:00:00Z", "--hours", "4", "--format", "json"]
    rows = json.loads(done("spots", *span, "--site", "Marram").stdout)["rows"]
    assert [row["spot"] for row in rows] == ["loft", "yard"]
    assert rows[0]["out_s_per_day"] < rows[1]["out_s_per_day"]
    turned = json.loads(done("spots", *span, "--site", "Marram", "--spot", "yard", "--compare", "roof=20").stdout)[
        "rows"
    ]
    assert [row["spot"] for row in turned] == ["yard", "loft", "roof"]
    assert turned[1]["difference_s_per_day"] < 0.0


# --- the sheet --------------------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """The tags of a page, how often each occurs, and whatever it would fetch from elsewhere."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.count: dict[str, int] = {}
        self.fetched: list[str] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.count[tag] = self.count.get(tag, 0) + 1
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "data")]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_a_page_to_print_holds_all_it_needs(tmp_path: Path) -> None:
    out = tmp_path / "sheet.html"
    place = '<script>alert("x")</script> & loft'
    done("sheet", "--out", str(out), "--bearings", "36", "--place", place, "--declination", "-4.5")
    page = Page(out.read_text("utf-8"))
    assert page.fetched == []
    assert "script" not in page.count
    assert place in "".join(page.text)
    # Two head rows, 36 bearings and six spare lines, six lines for obstacles.
    assert page.count["tr"] == 2 + 36 + 6 + 6
    words = " ".join(" ".join(page.text).split())
    assert "350 345.5" in words
    assert "Declination: -4.5 deg" in words
    for word in ("fist is about 10 degrees", "clinometer", "magnetic north", "power lines", "steep roofs"):
        assert word in words


def test_a_text_sheet_fits_on_paper(tmp_path: Path) -> None:
    out = tmp_path / "sheet.txt"
    done("sheet", "--out", str(out), "--place", "loft\x1b[2J")
    text = out.read_text("utf-8")
    assert max(map(len, text.splitlines())) <= 90
    assert "loft\\x1b[2J" in text
    assert "\x1b" not in text
    assert text.count("\n|    345   |") == 1
    assert "fist is about 10 degrees" in " ".join(text.split())


# --- what is refused --------------------------------------------------------------------------------------------------


def test_what_cannot_be_used_is_refused_in_one_line(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, subtests: pytest.Subtests
) -> None:
    for arguments, message in [
        (["sighted", "--out", "h.csv"], "Give either --points AZ:EL,AZ:EL,... or --file CSV"),
        (["sighted", "--points", "1:2", "--file", "x.csv", "--out", "h.csv"], "Give either --points"),
        (["sighted", "--points", "90:38", "--out", "h.csv"], "sightings; got '1 point'"),
        (["sighted", "--points", "90,38", "--out", "h.csv"], "--points; got '90'; wanted AZ:EL in degrees"),
        (["sighted", "--points", "90:38,60:1,20:5", "--out", "h.csv"], "got '20 after 60'; wanted clockwise order"),
        (["sighted", "--points", "90:nan,20:5", "--out", "h.csv"], "elevation of the sighting at 90 deg; got nan"),
        (["sighted", "--points", "0:1,9:1", "--declination", "999", "--out", "h.csv"], "magnetic declination; got 999"),
        (["sighted", "--points", "0:1,9:1", "--out", "no/such/h.csv"], "--out; got 'no/such/h.csv'"),
        (
            ["obstacles", "--file", "none.csv", "--mount-height", "4", "--out", "h.csv"],
            "the header bearing_deg,width_m,distance_m,height_m[,name]; try checking the path",
        ),
        (["spots", "--compare", "25", "--compare", "a=3"], "--compare; got '25'; wanted NAME=DEG or NAME=FILE.csv"),
        (["sheet", "--out", "sheet.doc"], "--out; got 'sheet.doc'; wanted a name that ends in .html or .txt"),
        (["sheet", "--out", "sheet.txt", "--declination", "nan"], "magnetic declination; got nan"),
    ]:
        with subtests.test(arguments=arguments, message=message):
            monkeypatch.chdir(tmp_path)
            assert message in refused(*arguments)
            assert list(tmp_path.iterdir()) == []


def test_bad_comparisons_are_refused_in_one_line(walls: str, where: list[str]) -> None:
    for command in ("spots", "portable"):
        assert "--mask" not in commands.run("survey", command, "--help").stdout
    assert "has no place here" in refused("portable", *where, "--without", "horizon")
    assert "has no place here" in refused("spots", "--compare", "a=3", "--without", "horizon", *where)
    assert "which spots? Give at least two" in refused("spots", "--compare", "loft=25", *where)
    assert "where is it now?" in refused("portable", *SPAN)
    assert "2 to 8 m by 0 m" in refused("mast", "--file", walls, "--step", "0", *where)
    assert "range of horizons; got '45 to 25 deg'" in refused("portable", "--open", "45", "--bad", "25", *where)
    assert "mounting spots; got 'a twice'" in refused("spots", "--compare", "a=3", "--compare", "a=4", *where)


def test_a_bare_survey_shows_its_help() -> None:
    assert done().stdout == done("--help").stdout
