"""``passim sites`` from the command line: places, latitudes, the world, fleets, and what is refused."""

from __future__ import annotations

import csv
import io
import json
import socket
from pathlib import Path
from typing import Any

import pytest

import commands
from commands import run
from passim import read_elements, write_elements
from passim.answers.sites import sweeps
from passim.workspace import create

SPAN = ["--from", "2026-11-25T00:00:00Z", "--hours", "3"]


def done(*arguments: str) -> str:
    return commands.finished(run("sites", *arguments, *SPAN)).stdout


def asked(*arguments: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(done(*arguments, "--format", "json"))
    return answer


def refused(*arguments: str) -> str:
    return commands.refusal(run("sites", *arguments, *SPAN))


@pytest.fixture(autouse=True)
def _nobodys_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder, and as somebody whose data folder holds no workspace."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data"))


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(create(tmp_path_factory.mktemp("workspace") / "school", demo=True).folder)


@pytest.fixture(scope="module")
def fleet_file(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = str(tmp_path_factory.mktemp("fleet") / "invented.json")
    pattern = ["--total", "60", "--planes", "6", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
    assert run("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", path).exit_code == 0
    return path


# --- places -----------------------------------------------------------------------------------------------------------


def test_all_sites_and_spots_of_the_workspace(school: str) -> None:
    answer = asked("--workspace", school)
    assert [row["site"] for row in answer["rows"]] == ["Marram loft", "Marram yard", "Skerry", "Lantern"]
    loft, yard = answer["rows"][:2]
    # Marram loses 10.5 % of the yard and less of the loft in the first hours of the day, and the gateway is why.
    assert 0.8 < yard["covered_fraction"] < loft["covered_fraction"] < 1.0
    assert loft["best_limit"] == "gateway"
    assert loft["best_limit_gives_back_s"] == pytest.approx((1.0 - loft["covered_fraction"]) * 3 * 3600, rel=1e-3)
    assert loft["call_hours"] == "08:00 to 18:00, Mon to Fri"
    # From 23:00 to 02:00 of local time nobody calls.
    assert (loft["call_hours_s"], loft["call_frozen_s"]) == (0.0, 0.0)
    assert answer["limits"]["Marram loft"]["gateway"] == "a satellite must also see the gateway South, 600 km away"
    assert answer["answer"].startswith("Of 4 places ")


def test_a_place_is_told_by_its_way_from_a_site(school: str) -> None:
    """60 km of a meridian are 0.5396 degrees on the sphere of passim.sky.ground."""
    ways = ["--site", "60 km S", "--site", "60 km at 0°"]
    assert [row["site"] for row in asked("--workspace", school, *ways)["rows"]] == ["44.4604,-28", "45.5396,-28"]
    rows = asked("--workspace", school, "--site", "60 km S", "--site", "Skerry")["rows"]
    assert [row["site"] for row in rows] == ["51.4604,-28", "Skerry"]
    sideways = refused("--workspace", school, "--site", "60 km sideways")
    assert "got 'sideways'; wanted a point of the compass" in sideways


def test_the_table_tells_of_call_hours(school: str) -> None:
    result = run("sites", "--workspace", school, "--site", "marram", "--from", "2026-11-25T09:00Z", "--hours", "3")
    assert result.exit_code == 0, result.output
    first, second, *_ = result.stdout.splitlines()
    assert first.startswith("Of 2 places Marram loft is covered ")
    assert second.startswith("In call hours Marram loft is frozen ")
    assert "of 3 h" in result.stdout
    # Outside call hours there is nothing to say of them, and no column.
    night = run("sites", "--workspace", school, "--site", "marram", "--from", "2026-11-25T00:00Z", "--hours", "3")
    assert "Frozen in call hours" in result.stdout
    assert "Frozen in call hours" not in night.stdout
    assert "not for emergency calls" in result.stdout


def test_all_places_without_a_gap_are_named_and_what_nothing_helps_says_so(school: str) -> None:
    given = ["--site", "Skerry", "--site", "52.0,-27.0", "--site", "52.0,-10.0,0", "--site", "70.0,-28.0"]
    told = done("--workspace", school, *given, "--without", "gateway").splitlines()
    best = "Of 4 places Skerry, 52.0,-27.0 and 52.0,-10.0,0 are never without service in 3 h"
    assert told[0] == "Lifted: gateway."
    assert told[1].startswith(f"{best}; 70.0,-28.0 has no service at all.")
    (north,) = [line for line in told if line.strip().startswith("70.0,-28.0")]
    assert "no single limit" in north


def test_hours_of_each_day_count_alone(school: str) -> None:
    """The span is 23:00 to 02:00 at Marram: its hours from 22:00 to 00:30 are those of gaps over its first 90 min."""
    told = asked("--workspace", school, "--site", "Marram", "--between", "22:00-00:30")
    whole = asked("--workspace", school, "--site", "Marram")
    first = ["--from", "2026-11-25T00:00:00Z", "--hours", "1.5", "--format", "json"]
    part = json.loads(run("sites", "--workspace", school, "--site", "Marram", *first).stdout)
    assert told["hours_of_day"] == "22:00 to 00:30"
    assert "in 3 h (22:00 to 00:30 of each day alone)" in told["answer"]
    for name in ("covered_fraction", "gap_count", "gap_longest_s", "gaps_per_hour", "best_limit_gives_back_s"):
        assert [row[name] for row in told["rows"]] == [row[name] for row in part["rows"]], name
    assert told["rows"][1]["gap_count"] < whole["rows"][1]["gap_count"]
    line = refused("--workspace", school, "--latitudes", "0:60:30", "--between", "8-12")
    assert line.startswith("passim: --between compares named places")
    line = refused("--workspace", school, "--site", "Marram", "--between", "12:00-13:00")
    assert "got '12:00 to 13:00 (Atlantic/Azores)'; wanted some of them inside the span" in line


def test_places_need_no_workspace(fleet_file: str) -> None:
    answer = asked("--elements", fleet_file, "--site", "45.0,-28.0", "--site", "0,10", "--mask", "30")
    assert [row["site"] for row in answer["rows"]] == ["45.0,-28.0", "0,10"]
    assert [row["call_hours"] for row in answer["rows"]] == ["", ""]
    assert answer["rows"][0]["call_frozen_s"] is None
    one = done("--elements", fleet_file, "--site", "45.0,-28.0", "--mask", "30")
    assert one.startswith("45.0,-28.0 is covered ")


# --- latitudes and the world ------------------------------------------------------------------------------------------


def test_latitudes(fleet_file: str) -> None:
    text = done(
        "--elements", fleet_file, "--latitudes", "0:70:35", "--longitudes", "2", "--workers", "1", "--format", "csv"
    )
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [float(row["latitude_deg"]) for row in rows] == [-70.0, -35.0, 0.0, 35.0, 70.0]
    middle = rows[2]
    assert float(middle["covered_fraction_min"]) <= float(middle["covered_fraction"])
    # Sixty times the share of one satellite at the equator, recomputed in test_closed_form_density.py.
    assert float(middle["in_view_closed_form"]) == pytest.approx(60 * 0.004346, rel=0.002)
    assert float(rows[0]["covered_fraction"]) == 0.0
    told = done("--elements", fleet_file, "--latitudes", "0:70:35", "--longitudes", "2", "--workers", "1")
    assert told.startswith("Gateways belong to one place and are left out.\nService is best at ")
    assert "from 70° on there is none" in told
    assert "Gateways belong to one place and are left out." in told


def test_the_terminal_of_a_workspace_sweeps_without_its_gateways(school: str) -> None:
    answer = asked("--workspace", school, "--latitudes", "45:45:1", "--longitudes", "1", "--workers", "1")
    assert set(answer["limits"]) == {"horizon", "serving"}
    assert [row["latitude_deg"] for row in answer["rows"]] == [-45.0, 45.0]


def test_the_world_does_not_depend_on_workers(fleet_file: str) -> None:
    world = ["--elements", fleet_file, "--world", "30"]
    alone, two = asked(*world, "--workers", "1"), asked(*world, "--workers", "2")
    assert alone == two
    assert len(alone["rows"]) == 72
    assert 0.0 < alone["surface"]["covered_fraction"] < 1.0
    assert "weighted by area" in alone["answer"]


def test_rows_are_on_the_disk_as_soon_as_they_are_known_and_ctrl_c_keeps_them(
    fleet_file: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The coarse grid of 144 points comes first: stopped 10 later, its figures are those of the coarse grid."""
    out, seen = tmp_path / "world.csv", []
    whole = asked("--elements", fleet_file, "--world", "10", "--shares", "60", "--workers", "1")["rows"]
    row_of = sweeps.world_row

    def stopping(place: sweeps.Place) -> dict[str, Any]:
        seen.append(out.read_text().count("\n") if out.exists() else 0)
        if len(seen) == 299:
            raise KeyboardInterrupt
        return row_of(place)

    with monkeypatch.context() as patch:
        patch.setattr(sweeps, "world_row", stopping)
        given = ["--elements", fleet_file, "--world", "10", "--shares", "60", "--workers", "1", *SPAN]
        result = run("sites", *given, "--out", str(out))
    assert result.exit_code == 130
    assert seen[:299] == [0, *range(2, 300)]  # with the heading
    assert "Stopped after 298 of 648 points, coarse before fine. At 288 points 20° apart, " in result.stderr
    assert "Wrote 298 rows" in result.stderr
    kept = list(csv.DictReader(io.StringIO(out.read_text())))
    found = {(row["latitude_deg"], row["longitude_deg"]): row["covered_fraction"] for row in whole}
    assert len(kept) == 298
    assert all(found[float(r["latitude_deg"]), float(r["longitude_deg"])] == float(r["covered_fraction"]) for r in kept)
    assert {abs(float(row["latitude_deg"])) for row in kept} == {15.0, 35.0, 55.0, 75.0, 85.0}


def test_what_is_stopped_before_its_first_row_leaves_the_old_file(
    fleet_file: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "latitudes.csv"
    out.write_text("an old map\n")

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("passim.answers.sites.sweeps.figures_of", stop)
    result = run("sites", "--elements", fleet_file, "--latitudes", "0:60:30", *SPAN, "--out", str(out))
    assert (result.exit_code, out.read_text()) == (130, "an old map\n")
    assert result.stderr == "Stopped before the first row was known: nothing is written.\n"


def test_rows_on_standard_output_are_those_of_the_file(fleet_file: str, tmp_path: Path) -> None:
    given = ["--elements", fleet_file, "--latitudes", "0:60:10", "--longitudes", "2", "--workers", "1"]
    streamed = done(*given, "--format", "csv").splitlines()
    done(*given, "--out", str(tmp_path / "latitudes.csv"))
    filed = (tmp_path / "latitudes.csv").read_text().splitlines()
    assert (streamed[0], sorted(streamed)) == (filed[0], sorted(filed))
    latitudes = [[float(line.split(",")[0]) for line in lines[1:]] for lines in (streamed, filed)]
    assert latitudes[0] == [-50.0, -30.0, -10.0, 10.0, 30.0, 50.0, -60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0]
    assert latitudes[1] == sorted(latitudes[0])


# --- fleets -----------------------------------------------------------------------------------------------------------


def test_fleets_of_files(fleet_file: str, tmp_path: Path) -> None:
    half = tmp_path / "half.json"
    fleet = read_elements(fleet_file)
    write_elements(fleet.select(range(0, len(fleet), 2)), half)
    given = ["--fleets", "--elements", fleet_file, "--elements", str(half), "--site", "45.0,-28.0"]
    answer = asked(*given, "--gateway", "39.604,-28.0", "--workers", "1")
    assert [(row["fleet"], row["satellites"]) for row in answer["sensitivity"]] == [("invented", 60), ("half", 30)]
    assert len(answer["rows"]) == 16
    assert {row["gateway"] for row in answer["rows"]} == {"with", "without"}
    told = done(*given)
    assert "- No gateway counts here, so this is the sky alone" in told
    assert "half: Elements of 30 objects" in told


def test_fleets_of_the_workspace(school: str) -> None:
    answer = asked("--workspace", school, "--fleets", "--site", "Marram")
    assert [row["fleet"] for row in answer["sensitivity"]] == ["Plover"]
    assert [row["mask_deg"] for row in answer["rows"]] == [25.0, 30.0, 35.0, 40.0] * 2


# --- what is refused --------------------------------------------------------------------------------------------------


def test_what_cannot_be_answered_is_refused_in_one_line(fleet_file: str, subtests: pytest.Subtests) -> None:
    for arguments, told in [
        (["--latitudes", "north"], "--latitudes; got 'north'; wanted FROM:TO:STEP"),
        (["--latitudes", "60:0:5"], "ascending within -90 and 90"),
        (["--latitudes", "0:60:20", "--longitudes", "0"], "longitudes; got 0"),
        (["--longitudes", "4"], "--longitudes goes with --latitudes"),
        (["--world", "7"], "degrees that divide 180"),
        (["--world", "--shares", "0"], "step of shares; got '0 s'"),
        (["--longitudes", "--shares", "5"], "--longitudes; got nothing after it; wanted a value"),
        (["--world", "10", "--latitudes", "0:60:5"], "give one of them"),
        (["--world", "10", "--site", "1,2"], "go everywhere"),
        (["--fleets", "--site", "1,2", "--site", "3,4"], "give --site once"),
        (["--world", "90", "--workers", "0"], "number of workers; got 0"),
        (["--world", "90", "--workers", "2", "--cluster", "tcp://127.0.0.1:1"], "wanted one of them"),
        (["--latitudes", "0:60:30", "--without", "gateway"], "limit to lift"),
        ([], "where? Give --site"),
    ]:
        with subtests.test(arguments=arguments, told=told):
            assert told in refused("--elements", fleet_file, *arguments)


def test_a_horizon_by_azimuth_does_not_travel(fleet_file: str, tmp_path: Path) -> None:
    path = tmp_path / "horizon.csv"
    path.write_text("azimuth_deg,elevation_deg\n0,25\n180,40\n")
    assert "wanted one elevation all round" in refused("--elements", fleet_file, "--world", "90", "--mask", str(path))


def test_a_cluster_that_does_not_answer_is_told_at_once(fleet_file: str) -> None:
    pytest.importorskip("distributed", reason="the extra passim[cluster] is not installed")
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    line = refused("--elements", fleet_file, "--world", "90", "--cluster", f"tcp://127.0.0.1:{port}")
    assert "cluster does not answer" in line
    assert "leaving the cluster out" in line


def test_a_place_takes_the_roof_line_of_the_spot_along_or_says_that_it_does_not(
    tmp_path: Path, fleet_file: str
) -> None:
    ridge = tmp_path / "ridge.csv"
    ridge.write_text("azimuth_deg,elevation_deg\n0,25\n260,25\n270,60\n315,60\n325,25\n")
    hut = ["--name", "Hut", "--latitude", "47.2", "--longitude", "9.1", "--mask", str(ridge), "--elements", fleet_file]
    assert run("workspace", "new", str(tmp_path / "hut"), *hut).exit_code == 0
    here = ["--workspace", str(tmp_path / "hut")]
    both = [*here, "--site", "Hut", "--site", "47.2,9.1,0"]
    own, there = asked(*both)["rows"]
    assert there["in_view_mean"] > own["in_view_mean"]
    own, there = asked(*both, "--same-roof-line")["rows"]
    assert there["in_view_mean"] == pytest.approx(own["in_view_mean"], rel=1e-6)
    free, same = " ".join(done(*both).split()), " ".join(done(*both, "--same-roof-line").split())
    assert (
        "47.2,9.1,0 stands under open sky from 25°, without the roof line of Hut: what differs is both; "
        "--same-roof-line compares the places alone." in free
    )
    assert "47.2,9.1,0 stands under the same roof line, so that the places alone differ." in same
    assert "roof line of" not in done(*here, "--site", "Hut")
    assert "--same-roof-line needs a site of the workspace" in refused(*here, "--same-roof-line")
    assert "leave --latitudes, --world, --fleets and --mask" in refused(*both, "--same-roof-line", "--mask", "30")
