"""What is told of a fleet whose snapshots are known: the command and the page Elements say the same, word for word."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import commands
from feed_server import set_feed
from passim import Fleet
from passim.elements import ElementSet, SatelliteId, write_elements
from passim.workspace import Workspace, create
from passim_apps.command_line.main import main
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.pages import elements
from passim_apps.dashboard.parts import table_data
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.text.columns import cells_of
from test_health_history import DOT_OF_A_KM_DAY, EPOCH, keep, lifted, pattern

AT = EPOCH + timedelta(days=9)


def change(record: ElementSet, day: float) -> ElementSet | None:
    """The history: a burn of 1.5 km, one that climbs to the shell, one lost, one that came down, one launch."""
    number = str(record.satellite_id)
    if number == "1007" and day >= 6:
        return lifted(record, 1.5)
    if number == "4001":
        return lifted(record, 3.0 * (day - 9.0))
    if number == "8001":
        return lifted(record, -13.0 * day) if day <= 7 else None
    if number == "1012" and day > 5:
        return None
    return record if day >= 4 or not 1051 <= int(number) <= 1060 else None


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("told") / "school"
    workspace = create(folder, demo=True, at=AT)
    set_feed(folder, 'folder = "incoming"')
    workspace = Workspace.load(folder)
    climbs = replace(pattern(1, 1, 530.0, 4001)[0], designator="2026-950A", node_deg=17.0)
    low = replace(pattern(1, 1, 300.0, 8001)[0], mean_motion_dot=15.0 * -DOT_OF_A_KM_DAY, designator="2019-001A")
    twin = replace(pattern()[21], satellite_id=SatelliteId("9100"), designator="")
    spare = replace(pattern()[30], satellite_id=SatelliteId("9200"), mean_anomaly_deg=2.5, designator="")
    fleet = pattern() + Fleet([climbs, low, twin, spare]) + pattern(1, 1, 540.0, 9001)
    keep(workspace.snapshots().folder, fleet, [float(day) for day in range(10)], change)
    return folder


@pytest.fixture(scope="module")
def page(school: Path) -> Iterator[Any]:
    state = DashboardState(Workspace.load(school), at=AT)
    yield elements.PAGE.answer(state.question(read_query("")[0]), LIGHT)
    state.close()


def asked(school: Path, *words: str) -> str:
    command = ["elements", "--workspace", str(school), "--at", f"{AT:%Y-%m-%dT%H:%M}Z", *words]
    return commands.finished(CliRunner(env={"COLUMNS": "400"}).invoke(main, command, prog_name="passim")).stdout


SENTENCES = (
    "By elements of the last 7 days 1 object has manoeuvred: Plover 01-07 (1007), between Thu 5 Nov and Fri 6 Nov "
    "2026, +1.50 km. 2 objects of earlier snapshots are missing, 1 of which must have come down; the last to go was "
    "Plover 01-01 (8001), held until Sun 8 Nov 2026. 1 launch arrived, 2026-906 of 10 objects, first seen Thu 5 Nov "
    "2026. Seen in 10 snapshots from Sun 1 Nov 2026 to Tue 10 Nov 2026."
)
STATUS = (
    "63 objects catalogued: 61 on station, 1 drifting, 1 raising; those on station in the shell at 550 km, 53.0° are "
    "taken to serve, but for 1, which shares a slot with another, and for 1 listed twice."
)
SHELL = "The shell at 550 km, 53.0° has 6 planes of 10 slots; 59 of 60 slots are held."


def test_both_faces_tell_the_same_of_what_happened(school: Path, page: Any) -> None:
    table = asked(school, "--list", "changes")
    assert [line for line in table.splitlines() if line.startswith("- ")][:2] == [
        f"- {STATUS} {SHELL}",
        f"- {SENTENCES}",
    ]
    assert page.panels["status"].caption == STATUS
    assert page.panels["shells"].caption == SHELL
    assert page.panels["lately"].caption == SENTENCES
    shown = page.panels["lately"].table
    cells = cells_of(shown.columns, shown.rows)
    assert [list(row) for row in cells.rows] == [
        [
            "between Sun 8 Nov and Mon 9 Nov 2026",
            "missing",
            "Plover 01-01 (8001)",
            "was at 209 km; must have come down",
        ],
        ["between Fri 6 Nov and Sat 7 Nov 2026", "missing", "Plover 02-02 (1012)", "was at 550 km"],
        ["between Thu 5 Nov and Fri 6 Nov 2026", "manoeuvre", "Plover 01-07 (1007)", "+1.50 km, 0.82 m/s"],
        ["between Wed 4 Nov and Thu 5 Nov 2026", "launch", "2026-906, 10 objects", "seen to arrive"],
    ]
    for row in cells.rows:
        for cell in row:
            assert cell in table


def test_every_object_with_its_evidence_in_every_form(school: Path, page: Any) -> None:
    told = json.loads(asked(school, "--list", "objects", "--format", "json"))
    assert told["snapshots"] == {
        "first": "2026-11-01T00:00:00.000Z", "last": "2026-11-10T00:00:00.000Z", "read": 10, "damaged": 0,
    }  # fmt: skip
    wanted = {"serving": 59, "sharing a slot": 1, "listed twice": 1, "manoeuvred lately": 1, "missing lately": 2}
    assert wanted.items() <= told["condition"].items()
    rows = {row["satellite_id"]: row for row in told["rows"]}
    assert len(rows) == 65
    because = {
        "1001": "at its shell",
        "1007": "1.5 km above its shell, loses 1.8° a day on it; manoeuvred between Thu 5 Nov and Fri 6 Nov 2026, "
        "+1.50 km",
        "1012": "held until Fri 6 Nov 2026, at 550 km",
        "8001": "held until Sun 8 Nov 2026, at 209 km, and must have come down",
        "4001": "climbs 3.0 km a day, 20 km below its shell",
        "9001": "10 km below its shell, gains 11.8° a day on it",
        "9100": "at its shell; the same orbit as 1022",
        "9200": "at its shell; shares a slot with 1031",
        "1055": "at its shell; first seen Thu 5 Nov 2026",
    }
    assert {number: rows[number]["evidence"] for number in because} == because
    statuses = {number: rows[number]["status"] for number in ("1012", "4001", "9001", "9100")}
    assert statuses == {"1012": "missing", "4001": "raising", "9001": "drifting", "9100": "at shell"}
    assert [number for number, row in rows.items() if not row["serving"] and row["status"] == "at shell"] == [
        "9100", "9200",
    ]  # fmt: skip
    as_csv = {
        row["satellite_id"]: row
        for row in csv.DictReader(io.StringIO(asked(school, "--list", "objects", "--format", "csv")))
    }
    assert as_csv["4001"]["evidence"] == because["4001"]
    assert as_csv["1012"]["serving"] == "false"
    assert as_csv["1007"]["manoeuvred_before"] == "2026-11-06T21:00:00.000Z"
    # The page lists the same rows, those first that do not serve, and prints a few of them.
    table = page.panels["ages"].table
    assert table.shown["serving"].tolist() == [False] * 6 + [True] * 59
    words = table_data(table, "x")
    assert words["paper"] == (
        "20 of 65 rows are printed; the other 45 are in the file that the page gives under “Download as CSV”."
    )
    assert {row[3] for row in words["rows"]} == {"missing", "raising", "drifting", "on station"}
    listed = table.rows
    assert dict(zip(listed["satellite_id"], listed["evidence"], strict=True)) == {
        number: row["evidence"] for number, row in rows.items()
    }
    counts = page.panels["status"].table.rows
    assert dict(zip(counts["status"], counts["objects"], strict=True)) == told["condition"]


def test_serving_is_the_same_in_the_answers_that_count_it(school: Path) -> None:
    gaps = CliRunner().invoke(
        main, ["gaps", "--workspace", str(school), "--at", f"{AT:%Y-%m-%dT%H:%M}Z", "--hours", "1", "--notes"]
    )
    # What climbs by its snapshots alone is raising there too.
    assert "61 on station, 1 drifting, 1 raising" in " ".join(gaps.stdout.split())


def test_a_file_says_what_it_cannot_tell(tmp_path: Path) -> None:
    write_elements(pattern(), tmp_path / "few.json")
    result = commands.run("elements", str(tmp_path / "few.json"), "--at", "2026-11-01T00:00Z", "--notes")
    assert (
        "Who manoeuvred, who went missing and which launches arrived is not known: that takes snapshots of several days"
        in " ".join(result.stdout.split())
    )
    later = Fleet([lifted(replace(pattern()[4], epoch=AT), 2.0), *(replace(each, epoch=AT) for each in pattern()[5:])])
    write_elements(later, tmp_path / "later.json")
    command = ["elements", str(tmp_path), "--at", "2026-11-10T00:00Z", "--list", "changes", "--format", "json"]
    result = commands.run(*command)
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert [(row["change"], row["satellite_id"], row["rise_km"]) for row in told["rows"]] == [
        ("manoeuvre", "1005", pytest.approx(2.0, abs=1e-3))
    ]
    assert told["snapshots"] is None
