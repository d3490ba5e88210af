"""``passim journal`` on records from elsewhere: added, answered, written out, sent on; what is missing is asked for."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from sgp4 import omm
from sgp4.api import Satrec
from skyfield.api import EarthSatellite, load, wgs84

import commands
from passim import Journal, walker, write_elements
from passim.line import files
from passim.workspace import create
from passim_apps.report import evidence

AT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
# A freeze of 19 s every 290 s for two hours from 08:10 UTC, and one fault of the house.
FREEZES = [(600 + 290 * k, 19) for k in range(24)]
HOUSE = (8000, 40)


def log(address: str, lost: list[tuple[int, int]], seconds: int = 3 * 3600) -> str:
    """An invented log of `ping -D`."""
    out = np.zeros(seconds, dtype=bool)
    for start, length in lost:
        out[start : start + length] = True
    lines = [f"PING {address} ({address}) 56(84) bytes of data."]
    for k in np.flatnonzero(~out).tolist():
        stamp = AT.timestamp() + k + 0.04
        lines.append(f"[{stamp:.6f}] 64 bytes from {address}: icmp_seq={k + 1} ttl=57 time=40.0 ms")
    return "\n".join(lines) + "\n"


def run(*arguments: str, at: Path) -> Result:
    behind = ["--workspace", str(at)]
    return commands.run(*arguments, *behind)


def done(*arguments: str, at: Path) -> str:
    return commands.finished(run(*arguments, at=at)).stdout


def refused(*arguments: str, at: Path) -> str:
    result = run(*arguments, at=at)
    assert (result.exit_code, result.stdout) == (2, ""), result.output
    return result.stderr


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "school"
    made = commands.run("workspace", "new", "--demo", "--at", "2026-11-25T06:30Z", str(folder))
    assert made.exit_code == 0, made.output
    (folder / "router.log").write_text(log("192.0.2.1", [HOUSE]), encoding="utf-8")
    (folder / "far.log").write_text(log("192.0.2.2", [*FREEZES, HOUSE]), encoding="utf-8")
    logs = [str(folder / name) for name in ("router.log", "far.log")]
    done("journal", "add", *logs, "--name", "upstairs", at=folder)
    return folder


def between(day: str) -> tuple[str, ...]:
    return "--from", f"2026-11-{day}T10:00Z", "--to", f"2026-11-{day}T12:00Z"


def test_the_journal_says_what_the_line_did(school: Path) -> None:
    sentence = done("journal", "--quiet", at=school)
    assert sentence.startswith(
        "The line froze 24 times in 2 h 59 min measured, 8.0 an hour (95 %: 5.1 to 12), 4.2 % of the time;"
    )
    assert "the longest, 19 s, at 07:10:00." in sentence
    assert "A freeze lasts 19 s" in sentence
    assert re.search(r"They come in step, 4 min (49|50|51) s or a multiple of it apart", sentence)
    assert "1 in the house and 24 in the line; of the 40 s in which the house was out nothing is said" in sentence
    answer = json.loads(done("journal", "--format", "json", at=school))
    assert (answer["freezes"], answer["measured_s"], answer["house_s"]) == (24, 10_760.0, 40.0)
    assert answer["train"]["chance"] <= 0.05
    rows = done("journal", "--format", "csv", at=school).splitlines()
    assert rows[0] == "start,start_local,end,end_local,duration_s,where,lost,cut_at_start,cut_at_end"
    assert rows[1] == (
        "2026-11-25T08:10:00.000Z,2026-11-25T07:10:00.000-01:00,2026-11-25T08:10:19.000Z,2026-11-25T07:10:19.000-01:00,"
        "19.0,line,19,false,false"
    )
    assert len(rows) == 26
    for by, count in (("day", 1), ("hour", 3), ("clock", 24), ("where", 3), ("target", 2), ("minute", 360)):
        assert len(json.loads(done("journal", "--by", by, "--format", "json", at=school))["rows"]) == count
    part = json.loads(done("journal", *between("25"), "--format", "json", at=school))
    assert (part["measured_s"], part["hole_count"]) == (3560.0, 1)
    assert "Nothing was measured" in done("journal", *between("26"), at=school)


def test_what_the_line_is_good_for(school: Path) -> None:
    answer = json.loads(done("journal", "uses", "--format", "json", at=school))
    verdicts = {row["activity"]: row["verdict"] for row in answer["rows"]}
    assert verdicts["transfer"] == "good"
    assert {verdicts["video"], verdicts["voice"]} <= {"with pauses", "not good"}
    assert "would give the same figure as" in answer["answer"]
    assert sum("recalled" in note for note in answer["notes"]) >= 3
    assert (answer["availability"]["count"], answer["measured_s"]) == (24, 10_760.0)


def test_a_second_line_by_record_and_by_forecast(school: Path) -> None:
    asked = (
        "journal",
        "backup",
        "--cost",
        "15",
        "--at",
        "2026-11-25T06:30Z",
        "--forecast-hours",
        "2",
        "--format",
        "json",
    )
    late = json.loads(done(*asked, "--switch-over", "20s", at=school))
    record, forecast = late["rows"]
    assert (record["basis"], record["caught"], record["saved_a_month"]) == ("record", 0, 0.0)
    assert forecast["basis"] == "forecast"
    assert "would have shortened none of 25 freezes: the longest of the line lasts 19 s." in late["answer"]
    soon = json.loads(done(*asked, "--switch-over", "2s", "--second-spot", "yard", at=school))["rows"]
    assert [row["second"] for row in soon] == ["backup", "backup", "a terminal at yard"]
    assert (soon[0]["caught"], soon[0]["rescued_s"]) == (24, 24 * 17.0)
    assert soon[0]["cost_per_call"] > 0.0
    # A second terminal under the same sky is out at the same times.
    assert soon[2]["rescued_s"] < soon[1]["rescued_s"]
    # Another fleet that is this one again is out whenever it is: it catches nothing, whatever the switch-over.
    again = done(*asked, "--switch-over", "0s", "--second-fleet", "Plover", at=school)
    _, _, other = json.loads(again)["rows"]
    assert (other["second"], other["caught"], other["rescued_s"]) == ("the fleet Plover", 0, 0.0)
    assert "how soon?" in refused("journal", "backup", at=school)
    # One rule for every length: a bare number is refused with the unit that it lacks, a wrong one with its bounds.
    for asked_of, option, bounds, example in (
        (("journal", "backup"), "--switch-over", "from 0s to 1h", "20s"),
        (("journal", "backup", "--switch-over", "2s"), "--call", "from 1min to 24h", "45min"),
        (("probe",), "--every", "from 0.2s to 60s", "1s"),
        (("update",), "--every", "from 1min to 30d", "8h"),
    ):
        bare = refused(*asked_of, option, "1", at=school)
        assert f"{option}; got '1'; wanted a length with its unit {bounds}; try {option} {example}" in bare
    assert "got '99d'; wanted a length from 0s to 1h" in refused("journal", "backup", "--switch-over", "99d", at=school)


def test_a_second_fleet_of_another_shell_catches_what_it_covers_itself(tmp_path: Path) -> None:
    """Two small invented fleets, often out: what the second carries is counted by the second with other libraries."""
    at = datetime(2026, 11, 25, 6, 30, tzinfo=UTC)
    folder = create(tmp_path / "school", demo=True, at=at).folder
    shells = {
        "Godwit": walker(total=120, planes=10, phasing=3, inclination_deg=53.0, altitude_km=550.0, epoch=at),
        "Knot": walker(total=48, planes=6, phasing=1, inclination_deg=70.0, altitude_km=900.0, epoch=at),
    }
    for name, fleet in shells.items():
        write_elements(fleet, folder / f"{name}.json")
        with (folder / "passim.toml").open("a", encoding="utf-8") as file:
            file.write(f'\n[[fleets]]\nname = "{name}"\nelements = ["{name}.json"]\n')
    asked = ("journal", "backup", "--fleet", "Godwit", "--second-fleet", "Knot", "--switch-over", "20s", "--cost", "30")
    more = (
        "--at",
        at.isoformat(),
        "--forecast-hours",
        "1.5",
        "--site",
        "45.0,-28.0,40",
        "--mask",
        "25",
        "--without",
        "gateway",
    )
    rows = json.loads(done(*asked, *more, "--format", "json", at=folder))["rows"]
    always, other = (row for row in rows if row["basis"] == "forecast")
    assert other["second"] == "the fleet Knot"
    # By whole seconds: which have a satellite of either fleet 25 degrees up or higher, by other libraries alone.
    seconds = np.arange(5400)
    timescale = load.timescale(builtin=True)
    times = timescale.from_datetimes([at + timedelta(seconds=k) for k in seconds.tolist()])
    place = wgs84.latlon(45.0, -28.0, elevation_m=40.0)
    seen = {name: np.zeros(seconds.size, dtype=bool) for name in shells}
    for name in shells:
        for fields in json.loads((folder / f"{name}.json").read_text(encoding="utf-8")):
            model = Satrec()
            omm.initialize(model, {key: str(value) for key, value in fields.items()} | {"NORAD_CAT_ID": "1"})
            elevation, _, _ = (EarthSatellite.from_satrec(model, timescale) - place).at(times).altaz()
            seen[name] |= elevation.degrees >= 25.0
    out = ~seen["Godwit"]
    begins = np.flatnonzero(out & ~np.roll(out, 1) | (out & (seconds == 0)))
    ends = np.flatnonzero(~out & np.roll(out, 1) & (seconds > 0))
    ends = np.append(ends, seconds.size) if ends.size < begins.size else ends
    carried = np.zeros(seconds.size, dtype=bool)
    for begin, end in zip(begins, ends, strict=True):
        carried[begin + 20 : end] = True
    both = carried & seen["Knot"]
    # Each of them is out for a good part of the time in which the other is not.
    assert 300 < both.sum() < carried.sum() - 300
    # A second on either side of each gap, of which each fleet has some dozens.
    assert always["rescued_s"] == pytest.approx(carried.sum(), abs=1.0 * begins.size)
    assert other["rescued_s"] == pytest.approx(both.sum(), abs=2.0 * begins.size)
    assert other["freezes"] == begins.size
    assert other["rescued_s"] < 0.9 * always["rescued_s"]


def test_what_a_file_does_not_say_is_asked_for_by_its_option(school: Path, tmp_path: Path) -> None:
    notes = tmp_path / "notes.txt"
    notes.write_text("08:14 froze 20 s\n", encoding="utf-8")
    line = refused("journal", "add", str(notes), at=school)
    assert "try --start TIME" in line
    assert len(line.splitlines()) == 1
    assert "try --zone NAME" in refused("journal", "add", str(notes), "--start", "2026-11-25", at=school)
    table = tmp_path / "seen.csv"
    table.write_text("When,Ping\n2026-11-25T08:00:00Z,41\n2026-11-25T08:00:01Z,40\nnow,3\n", encoding="utf-8")
    assert "try --columns OURS=THEIRS" in refused("journal", "add", str(table), at=school)
    assert "wanted OURS=THEIRS" in refused("journal", "add", str(table), "--columns", "time", at=school)
    said = done("journal", "add", str(table), "--columns", "time=When,round_trip_ms=Ping", "--dry-run", at=school)
    assert said.startswith("Not added: seen.csv, 2 probes, no outage in 2.0 s measured")
    assert "Line 4 left out: now,3; wanted a time such as 2026-11-25T08:00:00Z." in said
    assert "line 4" in refused(
        "journal", "add", str(table), "--columns", "time=When,round_trip_ms=Ping", "--strict", at=school
    )
    with Journal(school) as journal:
        assert journal.sources == ("invented", "upstairs")
    assert "which record?" in refused("journal", "add", at=school)


def test_a_record_goes_out_and_comes_back(school: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    done("journal", "export", "--out", str(out), at=school)
    other = tmp_path / "other"
    assert commands.run("workspace", "new", "--demo", str(other)).exit_code == 0
    done("journal", "add", str(out), "--name", "upstairs", at=other)
    assert "a second one called upstairs" in refused("journal", "add", str(out), "--name", "upstairs", at=other)
    done("journal", "add", str(out), "--name", "upstairs", "--replace", at=other)
    for format_name in ("csv", "json"):
        assert done("journal", "--format", format_name, at=other) == done("journal", "--format", format_name, at=school)
    done("journal", "add", str(out), "--name", "again", at=other)
    assert "which record? Give --source: upstairs, again" in refused("journal", at=other)
    assert "where to?" in refused("journal", "export", at=school)


def test_evidence_to_send_to_a_provider(school: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "evidence.html"
    asked = ("report", "--evidence", "--out", str(out), "--at", "2026-11-26T08:00Z")
    done(*asked, at=school)
    page = out.read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    wanted = ["The line froze 24 times", "1 in the house and 24 in the line", "2026-11-25T08:10:00.000Z", "Marram"]
    for words in (*wanted, "RFC 3357", "It does not show why"):
        assert words in page
    assert page.count("<td") > 25 * 6
    # How much the orbits explain against luck, in the words of reconcile.
    assert "What the orbits of the satellites explain" in page
    assert done("reconcile", "--at", "2026-11-26T08:00Z", at=school).splitlines()[0] in page
    assert "the same, shifted at random" in page
    # Nothing of this computer goes with it.
    assert str(school) not in page
    found = re.search(r'<a download="evidence-record.csv.gz" href="data:application/gzip;base64,([^"]+)">', page)
    assert found is not None
    data = base64.b64decode(found[1])
    assert hashlib.sha256(data).hexdigest() in page
    record = files.parse_record(gzip.decompress(data), "raw").record
    assert (len(record.outages), sum(map(len, record.probes))) == (25, 21_600)
    # Elements that are too old for the days recorded leave the record without a forecast, and it says so.
    old = tmp_path / "old.json"
    launched = datetime(2025, 1, 1, tzinfo=UTC)
    write_elements(
        walker(total=40, planes=4, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=launched, name="old"), old
    )
    done(*asked, "--elements", str(old), at=school)
    assert "The record is set beside no forecast: " in out.read_text(encoding="utf-8")
    assert "missing.json" in refused(*asked, "--elements", "missing.json", at=school)
    # A large record goes beside the page.
    monkeypatch.setattr(evidence, "LARGEST_INSIDE", 1000)
    done(*asked, at=school)
    page = out.read_text(encoding="utf-8")
    assert "<a download" not in page
    beside = (tmp_path / "evidence-record.csv.gz").read_bytes()
    assert hashlib.sha256(beside).hexdigest() in page
    assert "where to?" in refused("report", "--evidence", at=school)
    assert "it goes with --evidence" in refused("report", "--source", "upstairs", "--out", str(out), at=school)
