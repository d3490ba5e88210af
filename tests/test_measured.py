"""The invented record, the page Measured over it without a browser, its pictures, and the probe that it switches on."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import commands
from passim import Coverage, Journal, Span
from passim.errors import InputError, WorkspaceError
from passim.intervals import Intervals, total_length
from passim.line import (
    JournalWriter,
    LineRecord,
    Probes,
    Target,
    compare_record,
    find_outages,
    line_statistics,
    parse_targets,
)
from passim.parallel import WorkerPool
from passim.workspace import Workspace, create, is_the_line, keep_learned, read_learned
from passim.workspace.adding import add_invented_fleet
from passim.workspace.invented_record import INVENTED_RECORD, invented_record, write_invented_record
from passim_apps.command_line.main import main
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.notes import answered
from passim_apps.dashboard.page_model import Answer, Page
from passim_apps.dashboard.pages import now as now_page
from passim_apps.dashboard.pages.calls import page as calls_page, subscription
from passim_apps.dashboard.pages.elements import QUALITY
from passim_apps.dashboard.pages.measured import recording as recording_page
from passim_apps.dashboard.pages.measured.page import PAGE
from passim_apps.dashboard.pages.measured.recording import live_words, name_offered, section, switched
from passim_apps.dashboard.recorder import Recorder
from passim_apps.dashboard.state import DashboardState, Pending
from passim_apps.figures.measured import FORECAST, HOUSE, RECORDED, by_where, record_clock, record_day
from passim_apps.figures.theme import LIGHT
from passim_apps.text.journal import frozen_sentence, where_sentence
from passim_apps.text.line import how_long_sentences
from passim_apps.text.measured import (
    NAME_OFFERED,
    NO_TARGETS,
    NOTHING_TO_COMPARE,
    NOTHING_YET,
    STARTED,
    STOPPED,
    how_to_begin,
    lead_sentence,
    live_sentence,
    no_record_words,
    too_few_sentence,
)
from passim_apps.text.units import LocalClock
from passim_apps.text.workspace import INVENTED_TIMES
from patience import PATIENCE_S, wait_until
from tests.simulated_line import recorded

AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
ZONE = "Atlantic/Azores"


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    made = create(tmp_path_factory.mktemp("measured") / "school", demo=True, at=AT)
    write_invented_record(made, AT)
    return made


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1) as opened:
        yield opened


@pytest.fixture(scope="module")
def state(school: Workspace, pool: WorkerPool) -> DashboardState:
    return DashboardState(school, at=AT, pool=pool)


def shown(state: DashboardState, query: str = "", page: Page = PAGE) -> Answer:
    """Return what the page shows in the end."""
    choices, faults = read_query(query)
    assert faults == ()
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        try:
            found = answered(state.question(choices), page, LIGHT)
        except Pending as still:
            still.job.done.wait(PATIENCE_S)
            continue
        if found.still is None:
            return found
        found.still.done.wait(PATIENCE_S)
    raise AssertionError("no answer")


# --- the invented record ----------------------------------------------------------------------------------------------


def test_the_invented_record_is_what_was_forecast_with_noise_holes_and_two_faults_in_the_house(
    school: Workspace,
) -> None:
    with Journal(school.journal_file) as journal:
        assert journal.sources == (INVENTED_RECORD,)
        bounds = journal.bounds(INVENTED_RECORD)
        assert bounds is not None
        # From local midnight seven days before, an hour behind UTC, to now.
        assert bounds == (datetime(2026, 11, 18, 1, tzinfo=UTC), AT)
        record = journal.read(Span(*bounds), INVENTED_RECORD)
        assert journal.check() == ()
    assert [each.target.position for each in record.probes] == ["house", "far", "far"]
    assert record.period_s == 1.0
    assert len(record.holes) == 2
    count = record.outages["where"].value_counts()
    assert count["house"] == 2
    assert count["far"] >= 1
    # Some 80 gaps a day are forecast, of which some do not come; out 1.8 % of the time without the house.
    assert 60 * 7 < count["line"] < 85 * 8
    line = record.outages[record.outages["where"] == "line"]
    assert 0.01 < line["duration_s"].sum() / record.measured_s < 0.03
    singles = [int(each.lost.sum()) for each in record.probes]
    assert singles[0] < singles[1]
    assert all(np.nanmin(each.round_trip_s) > 0.0 for each in record.probes)


def test_the_same_moment_gives_the_same_record_and_a_second_writing_changes_nothing(school: Workspace) -> None:
    one, other = (invented_record(school, AT - timedelta(days=6)) for _ in range(2))
    assert one.outages.equals(other.outages)
    before = school.journal_file.read_bytes()
    write_invented_record(school, AT)
    assert school.journal_file.read_bytes() == before


def test_only_the_two_commands_bring_the_record(tmp_path: Path) -> None:
    assert not create(tmp_path / "plain", demo=True, at=AT).journal_file.exists()
    made = CliRunner().invoke(main, ["workspace", "new", str(tmp_path / "new"), "--demo", "--at", AT.isoformat()])
    assert made.exit_code == 0
    kept = CliRunner().invoke(main, ["demo", "--keep", str(tmp_path / "kept"), "--at", AT.isoformat()])
    assert kept.exit_code == 0
    for name in ("new", "kept"):
        with Journal(Workspace.load(tmp_path / name).journal_file) as journal:
            assert journal.sources == (INVENTED_RECORD,)


# --- the page ---------------------------------------------------------------------------------------------------------


def test_the_page_says_what_the_journal_says_and_how_the_forecast_fits(
    state: DashboardState, school: Workspace
) -> None:
    found = shown(state)
    with Journal(school.journal_file) as journal:
        bounds = journal.bounds(INVENTED_RECORD)
        assert bounds is not None
        record = journal.read(Span(*bounds), INVENTED_RECORD)
    statistics = line_statistics(record, ZONE)
    # What to do next and whether it is the roof line stand under the sentence, the figures under the picture.
    assert found.second.startswith("Go by it: calm hours are on the page Calls. Your roof line is not the cause: ")
    froze = frozen_sentence(statistics, LocalClock(ZONE, record.span))
    assert " measured (an invented record), " in froze
    assert found.panels["days"].caption.startswith(f"{froze} Upper row: ")
    said = CliRunner().invoke(main, ["journal", "--workspace", str(school.folder)])
    assert said.output.startswith(froze)
    assert [words for _, words in found.figures] == ["freezes of the line", "the longest", "came as forecast"]
    # Nearly all of what the sky takes was forecast, which luck does not do.
    said_so = re.fullmatch(
        r"Freezes come as forecast: (\d+) of (\d+) in 6 d 23 h measured; by luck it would have been (\d+)\.",
        found.sentence,
    )
    assert said_so is not None
    hits, of, luck = map(int, said_so.groups())
    assert 0.85 * of < hits < of <= (record.outages["where"] == "line").sum()
    assert luck < 20
    # The other spot has the same gateway behind a higher roof: far beyond luck, and yet not most of it.
    yard = shown(state, "?spot=yard")
    assert yard.sentence.startswith("The record is taken to be that of Marram loft: of its ")
    assert yard.sentence.endswith(" fall into gaps forecast for Marram yard.")
    assert " would have been forecast in that time, more than the line of Marram loft had freezes; " in yard.second
    assert yard.second.endswith("choose Marram loft above.")
    assert [words for _, words in yard.figures] == ["freezes of the line", "the longest"]
    assert set(found.panels) == {"days", "day", "where", "uses", "match", "directions"}
    sky = found.panels["directions"]
    assert sky.figure is not None
    assert {"surely blocked", "surely clear", "roof line"} <= {trace.name for trace in sky.figure.data}
    assert sky.table is not None
    assert len(sky.table.rows) == 24
    assert "Blank: not known yet." in sky.caption
    days = found.panels["days"].figure
    assert days is not None
    assert {"no service", FORECAST, HOUSE} <= {trace.name for trace in days.data}
    assert "Blank: not measured." in found.panels["days"].caption
    assert len(found.panels["days"].table.rows) == 8  # type: ignore[union-attr]
    assert found.panels["where"].caption.startswith(f"Of {len(record.outages)} freezes, 2 in the house")
    table = found.panels["match"].table
    assert table is not None
    assert table.rows["forecast"].tolist()[:2] == ["passim", "by luck"]
    assert any("invented" in note.text for note in found.notes)


def test_what_the_record_teaches_is_told_and_used_by_calls_and_now_on_every_face(
    state: DashboardState, school: Workspace
) -> None:
    """The truth of the invented record is stated where it is made: 7 % of gaps do not come, 4 other freezes a day."""
    shown(state)  # which learns
    learned = read_learned(school, None, school.view(), AT)
    assert learned is not None
    assert learned.better
    assert learned.calibration.came_share == pytest.approx(0.93, abs=0.04)
    assert learned.calibration.floor.mean_per_hour == pytest.approx(4.0 / 24.0, abs=0.1)

    def told(*words: str) -> dict[str, Any]:
        asked = [*words, "--workspace", str(school.folder), "--at", AT.isoformat(), "--format", "json"]
        found = CliRunner().invoke(main, asked)
        assert found.exit_code == 0, found.stderr
        facts: dict[str, Any] = json.loads(found.stdout)
        return facts

    now = told("now")
    sentence = next(note for note in now["notes"] if note.startswith("By the record of your line, in the last 8 days "))
    assert now["learned"]["used"]
    assert sentence in shown(state, page=now_page.PAGE).second
    calls = told("calls", "--days", "1")
    assert sentence in calls["notes"]
    assert sentence in shown(state, page=calls_page.PAGE).second
    words = "These odds have learned from 8 days of your line's record: "
    for page in (now_page.PAGE, calls_page.PAGE):
        assert any(note.text.startswith(words) for note in shown(state, page=page).notes)

    # Another mask is a what-if: the record of this roof says nothing of it.
    other = told("now", "--mask", "40")
    assert other["learned"] is None
    assert not any("record of your line" in note for note in other["notes"])
    # The command learns the same as the page.
    keep_learned(school, school.view(), dataclasses.replace(learned, days=99))
    assert (
        CliRunner().invoke(main, ["reconcile", "--workspace", str(school.folder), "--at", AT.isoformat()]).exit_code
        == 0
    )
    again = read_learned(school, None, school.view(), AT)
    assert again is not None
    assert again.calibration == learned.calibration
    assert again.days == learned.days


def test_a_day_and_a_record_are_chosen_and_a_slip_is_one_line(state: DashboardState) -> None:
    found = shown(state, "?of=2026-11-21")
    assert found.panels["day"].caption.startswith("Sat 21 Nov: ")
    assert "gaps forecast" in found.panels["day"].caption
    for query, words in (("?record=none", "record"), ("?days=0", "number of days"), ("?of=soon", "day")):
        with pytest.raises(InputError, match=rf"^{words}"):
            shown(state, query)


def test_without_a_record_it_says_how_one_is_begun(
    tmp_path: Path, pool: WorkerPool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_page, "machines_here", lambda: SimpleNamespace(router="", resolvers=()))
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT, pool=pool)
    found = shown(here)
    assert found.sentence == NOTHING_YET
    assert found.second.startswith("Add a record that you have already, below")
    assert set(found.panels) == {"days"}
    # Nobody is asked: no targets are named, and a rehearsal is not now.
    assert "clock of this dashboard was set" in str(section(here.question(read_query("")[0])))
    real = DashboardState(here.workspace, pool=pool)
    asked = str(section(real.question(read_query("")[0])))
    assert "until you name what to ask" in asked
    found = shown(real)
    assert found.second.startswith("Name the hosts to ask on the page Setup, your own router first; then ")
    assert found.second.endswith(how_long_sentences())
    assert how_to_begin(named=True, rehearsal=False).startswith("Switch on “Record from this machine ")
    # The words of the command line come last.
    caption = found.panels["days"].caption
    assert caption.index("Add it below") < caption.index("page Elements") < caption.index("passim probe")
    assert QUALITY.title in caption
    assert "/setup?edit=new-target" in asked


@pytest.fixture
def own(tmp_path: Path, pool: WorkerPool) -> DashboardState:
    """A workspace of somebody's own with an invented fleet, and nine freezes recorded."""
    site = '[[sites]]\nname = "Office"\nlatitude_deg = 45.0\nlongitude_deg = -28.0\nspots = [{ name = "roof" }]\n'
    (tmp_path / "passim.toml").write_text(f'name = "Own"\n{site}', encoding="utf-8")
    add_invented_fleet(Workspace.load(tmp_path))
    workspace = Workspace.load(tmp_path)
    start = AT - timedelta(hours=1) + pd.to_timedelta(np.arange(9) * 300.0, unit="s")
    gaps = pd.DataFrame({"start": start, "end": start + pd.Timedelta(seconds=20)})
    with Journal(workspace.journal_file) as journal:
        journal.add_record(recorded(gaps, Span(AT - timedelta(hours=2), AT), seed=1))
    return DashboardState(workspace, at=AT, pool=pool)


def test_a_real_record_judges_no_invented_fleet(own: DashboardState) -> None:
    found = shown(own)
    # What the line did is told, and beside it that the fleet has nothing to do with it.
    assert found.sentence.startswith("The line froze 9 times in ")
    assert found.beside.startswith(
        "The fleet chosen is invented: the record of your line says nothing about it, and it "
    )
    assert "page Elements" in found.beside
    assert found.still is None
    words = [found.sentence, found.second, found.beside, *(each.caption for each in found.panels.values())]
    assert not [each for each in words if "as forecast" in each or "How older elements did" in each]
    assert found.panels["match"].caption == NOTHING_TO_COMPARE == found.panels["directions"].caption
    assert found.panels["days"].figure is not None
    assert "How older elements did" not in no_record_words(invented=True)
    # Where no forecast of the fleet is judged, nobody is told how many freezes that takes.
    own.workspace.journal_file.rename(own.workspace.journal_file.with_name("aside.journal"))
    empty = shown(own)
    assert "To have a forecast judged" in empty.beside
    assert "is judged from" not in empty.second
    own.workspace.journal_file.with_name("aside.journal").rename(own.workspace.journal_file)
    told = commands.run("reconcile", "--workspace", str(own.workspace.folder), "--at", AT.isoformat())
    assert told.stdout.startswith("The fleet chosen is invented: ")
    assert "passim fit" not in told.stdout
    # Nor does it teach the odds anything.
    assert not is_the_line(own.workspace, None, own.workspace.view())


def test_calls_of_an_invented_fleet_are_offered_to_a_calendar_as_such(own: DashboardState, school: Workspace) -> None:
    question = own.question(read_query("")[0])
    assert subscription.times_are_invented(question)
    assert INVENTED_TIMES in str(calls_page.calendar_button(own, ""))
    # Where everything is invented and said to be, nobody takes it for his own.
    other = DashboardState(school, at=AT, pool=own.pool)
    assert not subscription.times_are_invented(other.question(read_query("")[0]))


def test_the_demonstration_makes_its_record_when_the_page_is_first_asked_for(tmp_path: Path, pool: WorkerPool) -> None:
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT, pool=pool, invented=True)
    found = shown(here)
    assert found.sentence.startswith("Freezes come as forecast: ")
    assert found.second.startswith("Go by it: ")


def test_a_few_freezes_are_no_verdict_on_the_forecast() -> None:
    hour = Span(AT - timedelta(hours=1), AT)
    for count, opening in ((7, ""), (8, "Freezes come as forecast: 8 of 8 in ")):
        start = hour.start + pd.to_timedelta(np.array([3, 11, 14, 22, 31, 37, 48, 55])[:count] * 60.0, unit="s")
        gaps = pd.DataFrame({"start": start, "end": start + pd.Timedelta(seconds=20)})
        assert lead_sentence(compare_record(gaps, recorded(gaps, hour, seed=1), hour)).startswith(opening)
        found = compare_record(gaps, recorded(gaps, hour, seed=1), hour)
        assert bool(lead_sentence(found)) == bool(opening) == (not too_few_sentence(found))


def test_just_now_a_fault_of_the_house_is_no_freeze_of_the_line() -> None:
    hour, nobody = Span(AT - timedelta(hours=1), AT), np.zeros(0, dtype=np.int64)
    sent_s = np.arange(hour.start_us / 1e6, hour.end_us / 1e6)
    lost = np.zeros((2, sent_s.size), dtype=bool)
    # In the line for 20 s ten minutes after the start, in the house for 90 s at half past.
    lost[1, 600:620] = lost[:, 1800:1890] = True
    named = (Target("router", "192.168.1.1:80", "tcp", "house"), Target("far", "198.51.100.7:443"))
    probes = tuple(Probes(each, sent_s, np.where(out, np.nan, 0.04)) for each, out in zip(named, lost, strict=True))
    record = LineRecord(hour, probes, nobody.reshape(0, 2), find_outages(probes), "own", 1.0)
    told = live_sentence(record, AT, LocalClock(ZONE, hour), running=True)
    assert told == (
        "Answering, 40 ms; 1 freeze in the last hour, and 1 in the house; the last freeze at 06:15:00, 20 s. "
        "Hosts answering: router, 40 ms; far, 40 ms."
    )
    caption = where_sentence(line_statistics(record, ZONE))
    assert caption == (
        "Of 2 freezes, 1 in the house and 1 in the line; of the 1 min 30 s in which the house was out nothing is "
        "said of the line."
    )


def test_just_now_each_host_is_said_to_answer_or_since_when_it_does_not() -> None:
    hour, nobody = Span(AT - timedelta(hours=1), AT), np.zeros(0, dtype=np.int64)
    sent_s = np.arange(hour.start_us / 1e6, hour.end_us / 1e6)
    lost = np.zeros((4, sent_s.size), dtype=bool)
    # Two lost in a row are no outage, three are; the last host never answers.
    lost[1, -2:] = lost[2, -3:] = lost[3] = True
    texts = ["router=192.168.1.1:80", "near=198.51.100.7:443", "far=198.51.100.8:443", "wrong=198.51.100.9:443"]
    probes = tuple(
        Probes(each, sent_s, np.where(out, np.nan, 0.02)) for each, out in zip(parse_targets(texts), lost, strict=True)
    )
    record = LineRecord(hour, probes, nobody.reshape(0, 2), find_outages(probes), "own", 1.0)
    told = live_sentence(record, AT, LocalClock(ZONE, hour), running=True)
    assert told.endswith(
        " Hosts answering: router, 20 ms; near, 20 ms. Silent: far, since 07:04:57; wrong, not once so far (is its "
        "address right?)."
    )


def test_just_now_tells_no_more_of_the_hour_than_was_measured() -> None:
    hour = Span(AT - timedelta(hours=1), AT)
    target = Target("far", "198.51.100.7:443")

    def told(*measured: tuple[float, float], running: bool = True) -> str:
        """Say it of a record of these parts, each in seconds before its end."""
        end_s = AT.timestamp()
        sent_s = np.concatenate([np.arange(end_s - start, end_s - end) for start, end in measured])
        edges = [3600.0, *(edge for part in measured for edge in part), 0.0]
        holes = np.array([[end_s - a, end_s - b] for a, b in zip(edges[::2], edges[1::2], strict=True) if a > b])
        probes = (Probes(target, sent_s, np.full(sent_s.size, 0.04)),)
        holes = holes.reshape(-1, 2)
        record = LineRecord(hour, probes, holes, find_outages(probes, holes), "own", 1.0)
        return live_sentence(record, AT, LocalClock(ZONE, hour), running=running)

    assert told((3600.0, 0.0)).startswith("Answering, 40 ms; no freeze in the last hour. ")
    assert told((32.0, 0.0)).startswith("Answering, 40 ms; no freeze since the recording began, 32 s ago. ")
    assert told((1200.0, 600.0), (32.0, 0.0)).startswith(
        "Answering, 40 ms; no freeze in the 10 min 32 s measured of the last hour. "
    )
    # Just switched off, or recorded by another: nothing is said to go on.
    assert told((32.0, 1.0), running=False).startswith(
        "The last probe was sent 2.0 s ago, and the last answer took 40 ms; no freeze since the recording began, 32 s "
    )
    assert told((632.0, 32.0), running=False) == (
        "Not recording: the last probe was sent 33 s ago; no freeze in the 10 min measured of the last hour."
    )
    assert STOPPED.startswith("Switched off.")


# --- pictures ---------------------------------------------------------------------------------------------------------

# A local day of the Azores in winter, an hour behind UTC.
DAY = Span(datetime(2026, 11, 24, 1, tzinfo=UTC), datetime(2026, 11, 25, 1, tzinfo=UTC))


def intervals(*hours: tuple[float, float]) -> Intervals:
    """Return stretches of the day, local hours, in microseconds since 1970 UTC."""
    start, end = np.array(hours).reshape(-1, 2).T * 3.6e9 + DAY.start_us
    return Intervals(start.astype(np.int64), end.astype(np.int64))


def measured_day() -> tuple[Coverage, Intervals, Intervals]:
    """Return a day with freezes of 30 s at 8:00 and 12 min in the house at 10:00, asleep from 0 to 5, and forecasts."""
    up = intervals((0, 8), (8 + 1 / 120, 10), (10.2, 24))
    record = Coverage.from_intervals(*up, DAY).within(intervals((5, 24)))
    return record, intervals((10, 10.2)), intervals((8, 8 + 1 / 90), (20, 20 + 1 / 90))


def test_the_clock_draws_freezes_above_forecasts_and_leaves_holes_blank() -> None:
    record, house, forecast = measured_day()
    figure = record_clock(record, house, forecast, LocalClock(ZONE, DAY), DAY.end, LIGHT)
    traces = {trace.name: trace for trace in figure.data}
    frozen, gaps, known = traces["no service"], traces[FORECAST], traces["day"]
    assert np.asarray(frozen.x)[::5] == pytest.approx([8.0, 10.0])
    assert np.asarray(gaps.x)[::5] == pytest.approx([8.0, 20.0])
    assert np.nanmax(frozen.y) < np.nanmin(gaps.y)
    assert (np.asarray(known.x)[0], np.asarray(known.x)[2]) == (5.0, 24.0)
    assert np.asarray(traces[HOUSE].x)[0] == pytest.approx(10.0)
    assert {"house", "unknown"} <= {note.text for note in figure.layout.annotations}
    alone = record_clock(record, house, None, LocalClock(ZONE, DAY), DAY.end, LIGHT)
    assert FORECAST not in {trace.name for trace in alone.data}


def test_a_day_by_the_minute_has_the_record_upwards_and_the_forecast_downwards() -> None:
    record, house, forecast = measured_day()
    figure = record_day(record, house, forecast, DAY, LocalClock(ZONE, DAY), DAY.end, LIGHT)
    traces = {trace.name: trace for trace in figure.data}
    assert np.nanmax(traces[RECORDED].y) == pytest.approx(60.0)
    assert set(np.round(np.asarray(traces[FORECAST].y)[~np.isnan(traces[FORECAST].y)], 6)) == {0.0, -40.0}
    # 30 s at eight, and twelve whole minutes in the house.
    heights = np.asarray(traces[RECORDED].y)
    assert 30.0 in np.round(heights[~np.isnan(heights)], 6)
    assert "not measured" in {note.text for note in figure.layout.annotations}
    assert total_length(house) == 720_000_000


def test_each_part_of_the_way_has_its_bar_and_words() -> None:
    figure = by_where(["In the house", "In the line", "At the far end"], [60.0, 600.0, 0.0], ["a", "b", "none"], LIGHT)
    assert [bar.x[0] for bar in figure.data] == [60.0, 600.0, 0.0]
    assert [bar.text[0].strip() for bar in figure.data] == ["a", "b", "none"]
    assert len({bar.marker.pattern.shape for bar in figure.data}) == 3


# --- the switch -------------------------------------------------------------------------------------------------------


@pytest.fixture
def recording(tmp_path: Path, pool: WorkerPool) -> Iterator[DashboardState]:
    """A workspace whose targets are ports of this machine where nobody listens: a refusal is an answer."""
    made = create(tmp_path / "school", demo=True)
    with made.file.open("a", encoding="utf-8") as file:
        file.write('\n[line]\ntargets = ["router=127.0.0.1:9", "far=127.0.0.2:9"]\nevery_s = 0.2\n')
    opened = DashboardState(Workspace.load(made.folder), pool=pool)
    yield opened
    opened.recorder.stop()


def test_the_switch_starts_one_probe_that_records_and_stops_it(recording: DashboardState) -> None:
    assert live_words(recording) == "Nothing is being recorded."
    assert switched(recording, True) == STARTED
    pid = recording.recorder.pid
    recording.recorder.start(recording.workspace)
    assert recording.recorder.pid == pid
    wait_until(lambda: live_words(recording).startswith("Answering, "))
    assert "router (127.0.0.1)" in str(section(recording.question(read_query("")[0])))
    assert switched(recording, False) == STOPPED
    assert recording.recorder.pid is None
    with Journal(recording.workspace.journal_file) as journal:
        assert journal.bounds() is not None
        assert journal.check() == ()


def test_one_button_names_the_hosts_that_this_machine_knows(
    tmp_path: Path, pool: WorkerPool, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = DashboardState(Workspace.load(create(tmp_path / "school", demo=True).folder), pool=pool)
    before = state.workspace.text

    def place() -> Any:
        return section(state.question(read_query("")[0]))

    def knows(router: str, *resolvers: str) -> None:
        here = SimpleNamespace(router=router, resolvers=resolvers)
        monkeypatch.setattr(recording_page, "machines_here", lambda: here)

    # Without a router nobody stands in for it, and Setup is the way.
    knows("", "203.0.113.53")
    assert NO_TARGETS in str(place())
    knows("192.0.2.1", "203.0.113.53", "203.0.113.54", "203.0.113.55")
    told = str(place())
    assert NAME_OFFERED in told
    assert "router (192.0.2.1:80), name server (203.0.113.53:53) and name server 2 (203.0.113.54:53)." in told
    assert state.workspace.text == before
    (lines,) = [part.data for part in place()._traverse() if getattr(part, "id", None) == "measured-name-lines"]
    # Other hosts than were shown are not written.
    knows("192.0.2.7")
    with pytest.raises(WorkspaceError, match="another change since this one was shown"):
        name_offered(state, lines)
    knows("192.0.2.1", "203.0.113.53", "203.0.113.54", "203.0.113.55")
    name_offered(state, lines)
    assert [(each.name, each.method, each.host) for each in parse_targets(state.workspace.line.targets)] == [
        ("router", "tcp", "192.0.2.1"),
        ("name server", "dns", "203.0.113.53"),
        ("name server 2", "dns", "203.0.113.54"),
    ]
    assert state.recorder.pid is None
    assert "router (192.0.2.1)" in str(place())
    assert state.workspace.undo()[0].text == before


def test_beside_another_probe_it_ends_and_says_so_once(recording: DashboardState) -> None:
    with JournalWriter(recording.workspace.journal_file):
        recording.recorder.start(recording.workspace)
        wait_until(lambda: not recording.recorder.running)
        assert "is being written by another probe" in recording.recorder.take_fault()
    assert recording.recorder.take_fault() == ""


def test_the_probe_ends_when_whoever_began_it_is_killed(recording: DashboardState) -> None:
    folder = recording.workspace.folder
    script = (
        "import sys, time\n"
        "from passim.workspace import Workspace\n"
        "from passim_apps.dashboard.recorder import Recorder\n"
        "recorder = Recorder()\n"
        "recorder.start(Workspace.load(sys.argv[1]))\n"
        "print(recorder.pid, flush=True)\n"
        "time.sleep(600)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script, str(folder)], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    probe = int(parent.stdout.readline())
    wait_until(recording.workspace.journal_file.exists)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()

    def gone() -> bool:
        try:
            # Of a process that nobody has waited for yet the system still knows the number.
            return Path(f"/proc/{probe}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
        except FileNotFoundError:
            return True

    if Path("/proc").exists():
        wait_until(gone)
    else:
        wait_until(lambda: _is_over(probe))
    # Its lock is free: another probe may write.
    with JournalWriter(recording.workspace.journal_file):
        pass


def _is_over(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_a_recorder_that_never_began_stops_in_peace() -> None:
    recorder = Recorder()
    recorder.stop()
    assert (recorder.running, recorder.pid, recorder.take_fault()) == (False, None, "")
