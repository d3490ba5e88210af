"""`passim reconcile`: the invented scenario's forecast against records made from it."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from click.testing import Result

from commands import run as passim
from passim import Journal, Span, Workspace, find_visibility
from passim.workspace import create
from tests.simulated_line import recorded

AT = datetime.fromisoformat("2026-11-25T08:00-01:00")
NIGHT = Span.starting(datetime.fromisoformat("2026-11-25T00:00-01:00"), 8)
HOUSE = ((2000.0, 2060.0), (9000.0, 9040.0))


def reconcile(school: Path, *words: str) -> Result:
    return passim("reconcile", "--workspace", str(school), "--at", AT.isoformat(), *words)


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented workspace with the record of a night in its journal: the clock 7.4 s ahead, the house down twice."""
    folder = create(tmp_path_factory.mktemp("made") / "school", demo=True, at=AT).folder
    workspace = Workspace.load(folder)
    gaps = find_visibility(workspace.fleet(at=NIGHT.start), workspace.view(), NIGHT).coverage().gaps()
    record = recorded(gaps, NIGHT, seed=5, offset_s=7.4, loss=0.01, house=HOUSE)
    with Journal(workspace.journal_file) as journal:
        journal.add_record(record, "night.csv")
    freezes = record.outages[["start", "end", "where"]]
    freezes.to_csv(folder / "freezes.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    return folder


def test_a_record_in_a_file_is_held_against_the_forecast(school: Path) -> None:
    found = reconcile(school, "--record", str(school / "freezes.csv"))
    assert found.exit_code == 0, found.stderr
    first, second, third = found.stdout.splitlines()[:3]
    assert first.startswith("Of ")
    assert "freezes recorded, " in first
    assert "were forecast within 1 s; by luck it would have been " in first
    assert "2 lie in the house (your own router did not answer)" in second
    assert third.startswith(
        "The record's clock is 7.4 s ahead of the forecast's; that is allowed for. In the median they "
    )
    assert "no service" not in first

    facts = json.loads(reconcile(school, "--record", str(school / "freezes.csv"), "--format", "json").stdout)
    assert facts["evidence"] == "strong"
    assert facts["clock_offset_s"] == pytest.approx(7.4, abs=0.2)
    assert facts["hits"] + facts["misses"] == facts["recorded"] == len(pd.read_csv(school / "freezes.csv"))
    assert facts["hits"] + facts["false_alarms"] == facts["forecast"]
    assert facts["hits_by_luck"] < 2.0 < 0.9 * facts["recorded"] < facts["hits"]
    assert facts["offset_chance"] <= 0.01
    assert facts["missed_by_place"]["house"] == 2
    events = [row["event"] for row in facts["rows"]]
    assert [events.count(each) for each in ("hit", "miss", "false alarm")] == [
        facts["hits"], facts["misses"], facts["false_alarms"]
    ]  # fmt: skip


def test_the_forecast_held_against_it_is_that_of_passim_gaps(school: Path) -> None:
    """The gaps of another command, taken for a record, all come as forecast, to the millisecond of the file."""
    out = school / "gaps.csv"
    span = ("--from", NIGHT.start.isoformat(), "--hours", "8")
    assert passim("gaps", "--workspace", str(school), *span, "--format", "csv", "--out", str(out)).exit_code == 0
    times = ("--from", NIGHT.start.isoformat(), "--to", NIGHT.end.isoformat())
    facts = json.loads(reconcile(school, "--record", str(out), *times, "--format", "json").stdout)
    gaps = pd.read_csv(out)
    assert facts["recorded"] == facts["hits"] == facts["forecast"] == len(gaps)
    assert facts["clock_offset_s"] == 0.0
    late = [row["start_late_s"] for row in facts["rows"]]
    assert max(map(abs, late)) <= 0.001


def test_the_journal_holds_the_record_unless_told(school: Path, tmp_path: Path) -> None:
    journal, file = (
        json.loads(reconcile(school, *words, "--format", "json").stdout)
        for words in ((), ("--record", str(school / "freezes.csv")))
    )
    assert journal["recorded"] == file["recorded"]
    assert journal["clock_offset_s"] == pytest.approx(7.4, abs=0.2)
    assert journal["measured_s"] > file["measured_s"]

    create(tmp_path / "new", demo=True, at=AT)
    empty = reconcile(tmp_path / "new")
    assert empty.exit_code == 2
    assert "passim probe" in empty.stderr
    both = reconcile(school, "--record", str(school / "freezes.csv"), "--source", "night.csv")
    assert both.exit_code == 2
    assert "--record and --source" in both.stderr


def test_scores_and_chances_can_be_listed(school: Path) -> None:
    scores = json.loads(reconcile(school, "--list", "scores", "--format", "json").stdout)
    assert [row["forecast"] for row in scores["rows"]] == ["passim", "by luck"]
    chances = reconcile(school, "--list", "reliability", "--format", "csv")
    assert chances.stdout.splitlines()[0].startswith("bin_low,bin_high,count,days,forecast,observed")


def test_a_line_that_has_nothing_to_do_with_the_sky(school: Path, tmp_path: Path) -> None:
    """Freezes on the hour and every seven minutes after: a back-up, say."""
    starts = [NIGHT.start + timedelta(seconds=420.0 * k + 13.0) for k in range(1, 66)]
    rows = [f"{start.isoformat()},{(start + timedelta(seconds=9)).isoformat()}" for start in starts]
    (tmp_path / "other.csv").write_text("\n".join(["start,end", *rows, ""]))
    found = reconcile(school, "--record", str(tmp_path / "other.csv"))
    assert found.exit_code == 0, found.stderr
    said = " ".join(found.stdout.split())
    assert "That is no more than luck. The sky as it is set up does not explain this line" in said
    assert json.loads(reconcile(school, "--record", str(tmp_path / "other.csv"), "--format", "json").stdout)[
        "evidence"
    ] == "none"  # fmt: skip


def test_calls_as_they_went(school: Path) -> None:
    """Three calls of a night: one that freezes as forecast, one that only the own router spoils, one past the record.

    The gaps and faults in each call are counted here from the table of events, which other tests hold to the record.
    """
    calls = {"lesson": ("01:00", "01:45"), "night watch": ("00:20", "00:55"), "early": ("07:50", "08:30")}
    events = [
        f"BEGIN:VEVENT\nUID:{title[:5]}\nSUMMARY:{title}\nDTSTART:20261125T{start.replace(':', '')}00\n"
        f"DTEND:20261125T{end.replace(':', '')}00\nEND:VEVENT"
        for title, (start, end) in calls.items()
    ]
    text = "\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//invented", *events, "END:VCALENDAR", ""])
    (school / "night.ics").write_text(text.replace("\n", "\r\n"), encoding="utf-8")
    words = ("--calls", str(school / "night.ics"), "--kind", "video")
    facts = json.loads(reconcile(school, *words, "--format", "json").stdout)
    assert (facts["calls"], facts["calls_not_judged"][0]["title"]) == (2, "early")
    assert "not over when the record ends" in facts["calls_not_judged"][0]["why"]
    by_title = {row["title"]: row for row in facts["rows"]}

    recorded_in = pd.read_csv(school / "freezes.csv", parse_dates=["start", "end"])
    for title, row in by_title.items():
        start, end = (pd.Timestamp(f"2026-11-25T{each}-01:00") + pd.Timedelta(seconds=7.4) for each in calls[title])
        inside = recorded_in[(recorded_in["start"] >= start) & (recorded_in["end"] <= end)]
        seconds = (inside["end"] - inside["start"]).dt.total_seconds()
        assert row["freezes"] == len(inside)
        assert row["frozen_s"] == pytest.approx(seconds.sum(), abs=0.5)
        assert row["longest_s"] == pytest.approx(seconds.max(), abs=0.5)
        # A video call pauses from 5 s on and ends at 30 s: the workspace's own thresholds.
        assert row["came"] == (
            "dropped" if seconds.max() >= 30 else "with pauses" if seconds.max() >= 5 else "undisturbed"
        )
        assert row["as_forecast"] == (row["came"] == row["forecast"])
    # At 00:33:20 the router was silent for a minute.
    assert by_title["night watch"]["where"] == "house"
    assert by_title["lesson"]["where"] == "line"
    said = reconcile(school, *words).stdout.splitlines()[0]
    assert said.startswith(f"{facts['went_as_forecast']} of 2 calls went as forecast.")


def test_its_tables_fit_the_width(school: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    night = ("--calls", str(school / "night.ics"))
    for words in (*(("--list", each) for each in ("events", "scores", "reliability")), night):
        said = reconcile(school, *words, "--notes").stdout
        assert [line for line in said.splitlines() if len(line) > 80] == []
