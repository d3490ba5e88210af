"""``passim hindcast``: its rows in every listing and format agree with the library, and bad input gets one line."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result

import commands
import passim
from passim.forecast.hindcast import Snapshots, score_snapshots
from passim.sky.limits import ServingFilter
from passim.sky.view import View
from passim.workspace import create
from passim_apps.text.hindcast import hindcast_sentences
from snapshots import older_snapshot

EPOCH = datetime(2026, 11, 25, 12, tzinfo=UTC)
SITE = passim.Site("45.0,-28.0,40", 45.0, -28.0, 40.0, "Atlantic/Azores")
QUICK = ["--hours", "24", "--step", "60"]
LISTINGS = ["scores", "ages", "satellites"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Invented snapshots of today, two days ago and 18 days ago, with errors of their own, and another fleet."""
    folder = tmp_path_factory.mktemp("snapshots")
    newer = passim.walker(
        total=96, planes=12, phasing=5, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented"
    )
    late_s = np.random.Generator(np.random.PCG64(3)).normal(0.0, 2.0, 96)
    passim.write_elements(newer, folder / "new.json")
    passim.write_elements(older_snapshot(newer, 2.0, late_s), folder / "two-days.json")
    passim.write_elements(older_snapshot(newer, 18.0, late_s), folder / "old.json")
    other = passim.walker(
        total=6, planes=2, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, first_satellite_id=700000001
    )
    passim.write_elements(other, folder / "other.json")
    return folder


def run(folder: Path, older: str, newer: str, *arguments: str) -> Result:
    files = [str(folder / older), str(folder / newer)]
    site = ["--site", "45.0,-28.0,40", "--zone", "Atlantic/Azores"]
    return commands.run("hindcast", *files, *site, *QUICK, *arguments)


def done(folder: Path, *arguments: str, older: str = "two-days.json") -> str:
    return commands.finished(run(folder, older, "new.json", *arguments)).stdout


def refused(result: Result) -> str:
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    return line


@pytest.mark.parametrize("listing", LISTINGS)
def test_csv_and_json_hold_what_the_library_says(listing: str, folder: Path) -> None:
    read = [passim.read_elements(folder / name) for name in ("two-days.json", "new.json")]
    found = score_snapshots(Snapshots(*read, hours=24.0), View(SITE, (ServingFilter(),)), step_s=60.0)
    expected = getattr(found, listing)
    as_json = json.loads(done(folder, "--list", listing, "--format", "json"))
    rows = as_json["rows"]
    assert list(rows[0]) == list(expected.columns)
    assert len(rows) == len(expected)
    for column in expected.columns:
        values = [float("nan") if row[column] is None else row[column] for row in rows]
        if expected[column].dtype.kind == "f":
            assert values == pytest.approx(expected[column].tolist(), abs=1e-5, nan_ok=True), column
        else:
            assert values == expected[column].tolist(), column
    assert as_json["answer"] == " ".join(hindcast_sentences(found))
    assert as_json["timing"]["fitted"]["per_day_s"] == found.fitted.per_day_s
    assert as_json["timing"]["stated"]["per_day_s"] == found.model.per_day_s
    (pair,) = as_json["pairs"]
    assert pair["span"] == {"start": "2026-11-25T00:00:00.000Z", "end": "2026-11-26T00:00:00.000Z"}
    assert (pair["band"], pair["objects"]) == ("odds beside times", 96)
    assert pair["gap_hits"] == found.pairs[0].gaps.hits

    as_csv = list(csv.DictReader(io.StringIO(done(folder, "--list", listing, "--format", "csv"))))
    assert [list(row) for row in as_csv] == [list(row) for row in rows]


@pytest.mark.parametrize(("listing", "heading"), [("scores", "Brier"), ("ages", "Spread"), ("satellites", "Rise late")])
def test_the_table_for_people(listing: str, heading: str, folder: Path) -> None:
    text = done(folder, "--list", listing)
    lines = text.splitlines()
    assert lines[0].startswith("Elements of 96 objects, 2 days old at the middle of the span")
    assert heading in text
    assert " nan" not in text.lower()
    scored = "- Scored: 2026-11-25T00:00:00.000Z to 2026-11-26T00:00:00.000Z. Elements are 2 days old"
    assert any(line.startswith(scored) for line in lines)


def test_old_elements_are_scored_only_when_told(folder: Path) -> None:
    line = refused(run(folder, "old.json", "new.json"))
    assert "older elements too old" in line
    assert "a median age of 18 days" in line
    assert line.endswith("or --allow-stale for an answer all the same")
    assert "18 days old at the middle of the span" in done(folder, "--allow-stale", older="old.json")


def test_several_pairs_are_scored_together(folder: Path) -> None:
    more = [str(folder / name) for name in ("old.json", "new.json")]
    as_json = json.loads(done(folder, *more, "--allow-stale", "--format", "json", "--list", "ages"))
    assert [pair["band"] for pair in as_json["pairs"]] == ["odds beside times", "refuse"]
    assert [row["pair"] for row in as_json["rows"]] == [1, 2]
    assert "--from says where one span begins" in refused(
        run(folder, "two-days.json", "new.json", *more, "--from", "2026-11-25T00:00Z")
    )


def test_from_moves_the_span(folder: Path) -> None:
    as_json = json.loads(done(folder, "--from", "2026-11-25T06:00:00Z", "--format", "json"))
    assert as_json["pairs"][0]["span"]["start"] == "2026-11-25T06:00:00.000Z"


def test_out_writes_the_rows(folder: Path, tmp_path: Path) -> None:
    done(folder, "--list", "satellites", "--out", str(tmp_path / "late.csv"))
    assert len((tmp_path / "late.csv").read_text(encoding="utf-8").splitlines()) == 97


def test_bad_input_gets_one_line(folder: Path, subtests: pytest.Subtests) -> None:
    for older, newer, arguments, words in [
        ("new.json", "two-days.json", [], "order of the snapshots"),
        ("two-days.json", "other.json", [], "96 and 6 objects, none in both"),
        ("two-days.json", "missing.json", [], "missing.json"),
        ("two-days.json", "new.json", ["--step", "0"], "step of the odds; got 0.0"),
        ("two-days.json", "new.json", ["--hours", "-1"], "length of the span; got '-1.0 hours'"),
        ("two-days.json", "new.json", ["--from", "2026-12-24T00:00:00Z"], "too old"),
        ("two-days.json", "new.json", ["--mask", "95"], "95"),
        ("two-days.json", "new.json", ["extra.json"], "which snapshots? Give OLD and NEW"),
    ]:
        with subtests.test(older=older, newer=newer, arguments=arguments, words=words):
            assert words in refused(run(folder, older, newer, *arguments))


def test_a_workspace_that_states_its_own_errors_is_scored_with_them(folder: Path, tmp_path: Path) -> None:
    made = create(tmp_path / "school", demo=True)
    made.file.write_text(
        made.file.read_text().replace("# [timing]", "[timing]").replace("# per_day_s = 0.7", "per_day_s = 2.5")
    )
    told = json.loads(done(folder, "--workspace", str(made.folder), "--format", "json"))
    assert told["timing"]["stated"]["per_day_s"] == 2.5
