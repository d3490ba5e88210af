"""``passim symptom`` on the command line: what it prints, what it keeps, and one line for what it cannot use."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

import commands
from commands import done
from passim.answers.symptom import match, search
from passim.answers.symptom.settings import Grid
from passim.workspace import Workspace, create
from passim_apps.command_line import output
from passim_apps.commands.symptom import seconds_range

refused = partial(commands.refused, "symptom")

PLACE = ["--site", "45.0,-28.0,40", "--zone", "Atlantic/Azores"]
SPAN = ["--from", "2026-11-25T00:00:00Z", "--hours", "2"]
SEEN = ["--every", "4.5-5.2min", "--length", "5-36s"]


# A small part of the grid that the command searches: a search takes a second, and finds the gateway of the record.
SMALL = Grid(
    masks_deg=(30.0, 40.0),
    gateway_distances_km=(400.0, 500.0, 600.0, 700.0, 800.0),
    gateway_bearings_deg=tuple(45.0 * k for k in range(8)),
    cone_half_angles_deg=(50.0,),
    cone_tilts_deg=(20.0,),
    cone_azimuths_deg=(0.0, 90.0, 180.0, 270.0),
    arcs_deg=(10.0,),
    slot_offsets_s=(0.0,),
    acquisitions_s=(5.0,),
)


@pytest.fixture(autouse=True)
def small_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the command, which asks for the whole grid by naming none, search the small one and refine it once."""
    monkeypatch.setattr(match, "Grid", lambda: SMALL)
    monkeypatch.setattr(search, "_FINER", (1,))
    # A machine that is busy with other work would have the command tell how far it is.
    monkeypatch.setattr(output, "_LINE_EVERY_S", float("inf"))


def cached_once(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that works once and then gives the same answer again."""
    answers = list[Any]()

    def cached(*args: Any, **options: Any) -> Any:
        if not answers:
            answers.append(function(*args, **options))
        return answers[0]

    return cached


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The regular check fleet: 18 planes of 20, phasing 7, at 550 km and 53 deg."""
    path = str(tmp_path_factory.mktemp("fleet") / "invented.json")
    pattern = ["--total", "360", "--planes", "18", "--phasing", "7", "--inclination", "53", "--altitude", "550"]
    done("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", path)
    return path


@pytest.fixture(scope="module")
def record(fleet: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The freezes behind a gateway 600 km due south, as passim gaps writes them."""
    path = str(tmp_path_factory.mktemp("record") / "freezes.csv")
    done("gaps", "--elements", fleet, *PLACE, *SPAN, "--gateway", "39.604,-28.0", "--out", path)
    return path


def test_a_record_written_by_gaps_leads_back_to_the_gateway(fleet: str, record: str) -> None:
    arguments = ["symptom", "--elements", fleet, *PLACE, "--record", record, "--top", "3"]
    answer = json.loads(done(*arguments, "--format", "json").stdout)
    assert answer["verdict"] == "explained"
    # Without --from the span is that of the record.
    with open(record, encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert answer["span"] == {"start": rows[0]["start"], "end": rows[-1]["end"]}
    best = answer["rows"][0]
    assert best["gateway_latitude_deg"] == pytest.approx(39.6, abs=1.0)
    assert best["gateway_longitude_deg"] == pytest.approx(-28.0, abs=1.5)
    assert best["fit"] > 0.9
    assert answer["gain_held_out"] > answer["gain_by_chance"]
    # The sky as it is; by 2 masks, 40 gateways, 4 cones and an arc, a clock, a wait and both; and the pairs: a gateway
    # with a mask or the arc, a mask with the arc, a cone with the arc (by hand). Refining adds to it.
    assert answer["settings_tried"] > 1 + (2 + 40 + 4 + 1) + 3 + (80 + 40 + 2 + 4)


def test_the_whole_grid_is_searched_unless_another_is_given() -> None:
    """5 masks, 15 distances in 16 directions, 8 x 3 x 5 cones and 4 arcs; 5 clocks, 3 waits, and 15 of both."""
    whole = Grid()
    assert len(whole.singles(())) == 5 + 15 * 16 + 8 * 3 * 5 + 4
    assert len(whole.timings) == 5 + 3 + 15


def test_ranges_are_answered_in_words_and_rows_and_a_candidate_is_adopted(tmp_path: Path, fleet: str) -> None:
    folder = str(create(tmp_path / "home", demo=True).folder)
    arguments = ["--workspace", folder, "--site", "Marram", "--without", "gateway", "--elements", fleet, *SPAN, *SEEN]
    result = done("symptom", *arguments, "--adopt", "1", "--format", "csv", "--notes")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["number"] for row in rows] == [str(k) for k in range(1, len(rows) + 1)]
    lines = result.stderr.splitlines()
    found = "A limit that is not set up here could explain freezes every 4.5 to 5.2 min, 5 to 36 s long."
    assert lines[0].startswith(f"Lifted: gateway. {found}")
    assert "Candidate 1 against 2: " in lines[0] or "Candidates 1 and 2 " in lines[0]
    assert " Looked at Tue 24 Nov 23:00 to Wed 25 Nov 01:00. " in lines[0]
    assert any("in the order of their fit less a little" in line for line in lines)
    assert any("can stand in for another" in line for line in lines)
    told = next(k for k, line in enumerate(lines) if line.endswith("marked as an assumption:"))
    assert "not a promise of service" in lines[told - 1]
    # What changed in the file is shown, and can be taken back.
    changes = [line.strip() for line in lines[told + 1 :]]
    assert "+ [[assumptions]]" in changes
    assert all(line[:2] in ("+ ", "- ") for line in changes)

    # What was kept is what the best row says.
    workspace = Workspace.load(folder)
    settings = {assumption.setting for assumption in workspace.assumptions}
    assert settings
    assert all("freezes every 4.5 to 5.2 min" in assumption.how for assumption in workspace.assumptions)
    assert ("gateways.assumed" in settings) == ("a gateway" in rows[0]["setting"])
    assert ("terminal.cone" in settings) == ("cone" in rows[0]["setting"])
    # A site that lists its gateways goes by the assumed one from now on: else it would change nothing there.
    if "gateways.assumed" in settings:
        assert [gateway.name for gateway in workspace.gateways("Marram")] == ["assumed"]
        assert [gateway.name for gateway in workspace.gateways("Skerry")] == ["North"]
    assert ("terminal.lowest_elevation_deg" in settings) == ("no service below" in rows[0]["setting"])
    assert "not measured" in done("workspace", "show", "--workspace", folder).stdout
    # Every number of the candidate is a column of its own, and the file holds the same.
    columns = {"mask_deg", "cone_half_angle_deg", "gateway_mask_deg", "gateway_bearing_deg", "arc_keep_out_deg"}
    assert columns | {"clock_period_s", "clock_offset_s", "acquisition_s"} <= set(rows[0])
    if rows[0]["gateway_latitude_deg"]:
        assert float(rows[0]["gateway_latitude_deg"]) == pytest.approx(workspace.gateways("Marram")[0].latitude_deg)
    done("workspace", "undo", "--workspace", folder)
    assert not Workspace.load(folder).assumptions


def test_a_narrow_terminal_has_the_setting_under_its_figures(fleet: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # The width changes nothing in the answer, so it is found once.
    monkeypatch.setattr(match, "match_symptom", cached_once(match.match_symptom))
    narrow = ["symptom", "--elements", fleet, *PLACE, *SPAN, *SEEN, "--top", "2"]
    monkeypatch.setenv("COLUMNS", "80")
    text = done(*narrow).stdout
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    first, second = (next(k for k, line in enumerate(lines) if line.split()[:1] == [number]) for number in "12")
    under = [line for line in lines[first + 1 : second] if line.strip()]
    assert under[0].startswith("   Setting: ")
    assert any(line.startswith("   When: ") for line in under)
    monkeypatch.setenv("COLUMNS", "300")
    assert "Setting: " not in done(*narrow).stdout


def test_limits_given_are_told_as_kept(fleet: str) -> None:
    seen = ["--every", "5min", "--length", "3s", "--hours-of-day", "23:00-03:00"]
    arguments = [*PLACE, *SPAN, *seen, "--gateway", "39.604,-28.0", "--top", "1"]
    text = done("symptom", "--elements", fleet, *arguments).stdout
    assert "Kept as given, and not searched: a satellite must also see the gateway" in text
    assert "What is left is the house network and the line. Look there first" in text


# --- what cannot be used --------------------------------------------------------------------------------------------


def test_what_was_seen_must_be_said_once(record: str) -> None:
    assert "Give --every and --length" in refused(*PLACE)
    assert "Give --every and --length" in refused(*PLACE, "--every", "5min")
    assert "leave out --every" in refused(*PLACE, *SEEN, "--record", record)
    assert "--adopt 6 asks for more candidates" in refused(*PLACE, *SEEN, "--adopt", "6")


@pytest.mark.parametrize("text", ["3-5", "min", "3..5min", "-3min", "3min-5", "3-5days", ""])
def test_bad_ranges_get_one_line(text: str) -> None:
    line = refused(*PLACE, f"--every={text}", "--length", "5-30s")
    assert "--every" in line or "what does it look like" in line


def test_bad_hours_and_records_get_one_line(tmp_path: Path) -> None:
    line = refused(*PLACE, *SEEN, "--hours-of-day", "8 to 12")
    assert "--hours-of-day; got '8 to 12'; wanted two times of the day" in line
    assert line.endswith("try --hours-of-day 08:00-12:00")
    assert "--quiet-hours; got '8-25'; wanted two different times" in refused(*PLACE, *SEEN, "--quiet-hours", "8-25")
    assert "wanted two different times" in refused(*PLACE, *SEEN, "--quiet-hours", "8-8")
    assert "from the lowest to the highest" in refused(*PLACE, "--every", "5-3min", "--length", "5-30s")
    assert "freezes shorter than" in refused(*PLACE, "--every", "5-30s", "--length", "3-5min")
    assert "No such file" in refused(*PLACE, "--record", str(tmp_path / "none.csv"))


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("3-5min", (180.0, 300.0)),
        ("180-300s", (180.0, 300.0)),
        ("30s-2min", (30.0, 120.0)),
        ("30s - 2 min", (30.0, 120.0)),
        ("5min", (300.0, 300.0)),
        ("0.5-1.5h", (1800.0, 5400.0)),
    ],
)
def test_ranges_with_units(text: str, seconds: tuple[float, float]) -> None:
    assert seconds_range("--every", text) == seconds
