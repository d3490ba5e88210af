"""The journal: what is written comes back, what the disk and other programs do to it, damage, versions, the command."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result

import commands
from passim import Journal, JournalBusyError, JournalError, Span
from passim.line import JournalWriter, parse_targets
from passim.line.journal import schema, writing
from passim.line.journal.writing import SentProbe
from passim.workspace import Workspace, create
from passim_apps.text.line import fault_words
from patience import PATIENCE_S

TARGETS = parse_targets(["router=192.168.1.1:80", "far=198.51.100.7:443", "other=dns:203.0.113.53"])
START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
START_US = int(START.timestamp()) * 1_000_000
SECOND_US = 1_000_000


def write(path: Path, seconds: int, lost: range = range(0), start_us: int = START_US, why: str = "started", **options):
    """A run of a probe a second of each target, those of `lost` lost beyond the house; the writer stays open."""
    journal = JournalWriter(path, **options)
    journal.begin(TARGETS, start_us, why, SECOND_US, 5 * SECOND_US)
    for k in range(seconds):
        sent_us = start_us + k * SECOND_US
        trips = [2_000, *[-1 if k in lost else 40_000] * 2]
        journal.add(SentProbe(number, sent_us + 100 * number, trip) for number, trip in enumerate(trips))
        journal.pack(sent_us)
    return journal


def go_on(journal: JournalWriter) -> None:
    """Another 50 minutes of one target."""
    for k in range(3000):
        journal.add([SentProbe(0, START_US + (1000 + k) * SECOND_US, 2_000)])


def minutes(number: float) -> Span:
    return Span(START, START + timedelta(minutes=number))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


def test_what_is_written_comes_back_while_the_writer_goes_on(path: Path) -> None:
    with write(path, 200, range(70, 90)), Journal(path) as journal:
        record = journal.read(minutes(5))
        assert [len(probes) for probes in record.probes] == [200] * 3
        assert [int(probes.lost.sum()) for probes in record.probes] == [0, 20, 20]
        assert [probes.target for probes in record.probes] == list(TARGETS)
        assert np.allclose(np.diff(record.probes[1].sent_s), 1.0, atol=1e-6)
        assert np.nanmedian(record.probes[1].round_trip_s) == pytest.approx(0.04)
        (outage,) = record.outages.itertuples()
        assert outage.start == START + timedelta(seconds=70, microseconds=100)
        assert (outage.duration_s, outage.where, outage.lost) == (pytest.approx(20, abs=1e-3), "line", 20)
        assert (outage.cut_at_start, outage.cut_at_end) == (False, False)
        assert record.period_s == 1.0
        # From the last probe on nothing is known yet.
        assert record.measured_s == pytest.approx(199, abs=0.01)
        inside = journal.read(Span(START + timedelta(seconds=80), START + timedelta(seconds=100)))
        assert inside.outages["cut_at_start"].tolist() == [True]
        assert len(inside.probes[0]) == 20
        assert journal.sources == ("own probe",)


def test_a_probe_that_was_killed_is_settled_by_how_long_its_probes_had_waited(path: Path) -> None:
    journal = write(path, 100)
    waiting = [SentProbe(1, START_US + k * SECOND_US, None) for k in (100, 101, 102)]
    journal.add([*waiting, SentProbe(0, START_US + 102 * SECOND_US, 2_000)])
    with Journal(path) as opened:
        under_way = opened.read(minutes(3))
    journal.close()
    # The next one ends what it left.
    JournalWriter(path).close()
    with Journal(path) as opened:
        record = opened.read(minutes(3))
        assert opened.check() == ()
    for each in (under_way, record):
        # Two had waited for a second or more; of the third nothing can be said, nor of what comes after its send.
        assert [int(probes.lost.sum()) for probes in each.probes] == [0, 2, 0]
        assert each.measured_s == pytest.approx(102.0)


def test_runs_make_holes_and_what_comes_twice_is_one(path: Path) -> None:
    write(path, 60).close()
    write(path, 60, start_us=START_US + 90 * SECOND_US, why="asleep").close()
    # The clock is set back by 20 s.
    write(path, 60, start_us=START_US + 130 * SECOND_US, why="clock set").close()
    with Journal(path) as journal:
        record, starts = journal.read(minutes(4)), journal.starts(minutes(4))
    edges = [round(edge - START.timestamp(), 3) for edge in record.holes.ravel()]
    assert edges == pytest.approx([59, 90, 130, 149, 189, 240], abs=0.01)
    assert starts["why"].tolist() == ["started", "asleep", "clock set"]
    sent = record.probes[0].sent_s - START.timestamp()
    assert not np.any((sent > 130.5) & (sent < 148.5))
    assert np.all(np.diff(sent) > 0)


def test_records_from_elsewhere_stand_beside_the_probe(path: Path) -> None:
    with write(path, 120, range(30, 40)), Journal(path) as journal:
        record = journal.read(minutes(3))
        journal.add_record(replace(record, source="ping.log"))
        journal.add_record(replace(record, probes=(), source="notes.csv"))
        assert journal.sources == ("own probe", "ping.log", "notes.csv")
        for source in journal.sources[1:]:
            added = journal.read(minutes(3), source)
            assert added.outages.equals(record.outages)
            assert added.holes == pytest.approx(record.holes, abs=2e-6)
            assert added.source == source
            assert journal.bounds(source)[0] == START
        with pytest.raises(JournalError, match=r"record to add; got 'a second one called ping\.log'"):
            journal.add_record(record, "ping.log")
        assert journal.added("own probe") is None
        before = journal.added("ping.log")
        journal.add_record(replace(record, probes=()), "ping.log", replace=True)
        assert before < journal.added("ping.log")
        assert journal.read(minutes(3), "ping.log").probes == ()
        with pytest.raises(JournalError, match="got 'the name own probe'"):
            journal.add_record(record, "own probe")
        with pytest.raises(JournalError, match=r"got 'x'; wanted one of own probe, notes\.csv, ping\.log"):
            journal.read(minutes(3), "x")
        journal.remove("notes.csv")
        assert journal.sources == ("own probe", "ping.log")
        with pytest.raises(JournalError, match="record to remove"):
            journal.remove("own probe")
        assert journal.check() == ()


def test_one_program_writes_at_a_time(path: Path) -> None:
    with write(path, 3), pytest.raises(JournalBusyError, match="is being written by another probe"):
        JournalWriter(path)
    JournalWriter(path).close()


def test_another_programs_long_change_is_told_and_costs_nothing(path: Path) -> None:
    with write(path, 3) as journal:
        other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        other.execute("BEGIN IMMEDIATE")
        probes = [SentProbe(0, START_US + 3 * SECOND_US, 1_000)]
        with pytest.raises(JournalBusyError, match="is held by another program"):
            journal.add(probes)
        # Where it matters, as at the end of a run, the other one is waited for.
        later = threading.Timer(0.5, other.execute, ["ROLLBACK"])
        later.start()
        with journal.patiently():
            journal.add(probes)
        later.join()
        other.close()
    with Journal(path) as opened:
        assert len(opened.read(minutes(1)).probes[0]) == 4


# --- the disk ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 300 kB, where this user may have one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(folder)]
    if not shutil.which("mount") or subprocess.run(mount, capture_output=True, timeout=PATIENCE_S).returncode:
        pytest.skip("this user may not mount a small disk")
    yield folder
    subprocess.run(["umount", str(folder)], check=True, timeout=PATIENCE_S)


def test_a_full_disk_is_told_and_what_was_there_is_kept(small_disk: Path) -> None:
    path = small_disk / "journal.sqlite3"
    journal = write(path, 30)
    filler = small_disk / "filler"
    # Somebody fills the disk to the last byte.
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(b"x"):
            pass
    with pytest.raises(OSError, match="No space left on device") as caught:
        go_on(journal)
    assert caught.value.errno == errno.ENOSPC
    assert caught.value.filename == str(path)
    journal.close()
    with Journal(path) as opened:
        assert len(opened.read(minutes(1)).probes[0]) >= 30
    filler.unlink()
    with write(path, 10, start_us=START_US + 4000 * SECOND_US), Journal(path) as opened:
        assert opened.check() == ()
        assert len(opened.read(minutes(1)).probes[0]) >= 30


def test_a_file_that_may_not_grow_is_told_as_a_full_disk(path: Path) -> None:
    with write(path, 3) as journal:
        journal._database.execute("PRAGMA max_page_count = 1")
        with pytest.raises(OSError, match="No space left on device"):
            go_on(journal)


def test_a_read_only_disk_can_be_read_and_is_told_to_who_writes(small_disk: Path) -> None:
    path = small_disk / "journal.sqlite3"
    write(path, 70).close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True, timeout=PATIENCE_S)
    with Journal(path) as opened:
        assert len(opened.read(minutes(2)).probes[0]) == 70
        assert opened.check() == ()
    with pytest.raises(OSError, match="Read-only file system"):
        JournalWriter(path)


# --- damage and versions ----------------------------------------------------------------------------------------------


def test_a_damaged_page_is_found_and_the_rest_can_be_read(path: Path) -> None:
    write(path, 3600).close()
    with Journal(path) as journal:
        whole = journal.read(minutes(60))
    size = path.stat().st_size
    with path.open("r+b") as file:
        # In the midst of what was packed.
        file.seek(size // 2 // 1024 * 1024)
        file.write(os.urandom(1024))
    with Journal(path) as journal:
        faults = journal.check()
        assert faults
        assert all("damaged" in words or "minute" in words for words in map(fault_words, faults))
        assert len(faults) <= 21
        read, told = 0, []
        for minute in range(60):
            try:
                read += len(journal.read(Span.starting(START + timedelta(minutes=minute), hours=1 / 60)).probes[0])
            except JournalError as error:
                told.append(str(error))
    assert 1000 < read < len(whole.probes[0])
    assert told
    assert all(f"journal {path} is damaged; got " in line and "; try Journal.check" in line for line in told)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"no database at all" * 100, "got 'a file that is no journal, or one with a damaged beginning'"),
        (b"SQLite format 3\x00" + os.urandom(5000), "damaged"),
    ],
)
def test_a_file_that_is_no_journal_is_refused_and_left_alone(path: Path, content: bytes, said: str) -> None:
    path.write_bytes(content)
    for wrong in (lambda: Journal(path).read(minutes(1)), lambda: JournalWriter(path)):
        with pytest.raises(JournalError) as caught:
            wrong()
        assert said in str(caught.value)
        assert str(path) in str(caught.value)
    assert path.read_bytes() == content


def test_another_programs_database_is_refused(path: Path) -> None:
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE theirs (x)")
    other.commit()
    other.close()
    with pytest.raises(JournalError, match="got 'a database of another program'"):
        Journal(path).read(minutes(1))
    with pytest.raises(JournalError, match="got 'a database of another program'"):
        JournalWriter(path)


def test_an_older_file_is_brought_up_to_date_and_a_newer_one_refused(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(path, 70).close()
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    monkeypatch.setitem(schema.MIGRATIONS, schema.VERSION - 1, "ALTER TABLE run ADD COLUMN remark TEXT; SELECT 1")
    with pytest.raises(JournalError, match="got 'version 1'; wanted version 2"):
        Journal(path).read(minutes(2))
    JournalWriter(path).close()
    with Journal(path) as journal:
        assert len(journal.read(minutes(2)).probes[0]) == 70
        assert "remark" in [row[1] for row in journal._open().execute("PRAGMA table_info(run)")]
    monkeypatch.undo()
    with pytest.raises(JournalError, match="got 'version 2'; wanted version 1 or older; try the passim that wrote it"):
        JournalWriter(path)


def test_calm_minutes_are_thinned_and_what_surrounds_a_loss_stays_whole(path: Path) -> None:
    write(path, 3600, range(1800, 1820)).close()
    JournalWriter(path).close()
    with Journal(path) as journal:
        before = journal.read(minutes(60))
    database = schema.connect(path, writing=True)
    first = START_US // schema.MINUTE_US
    with schema.transaction(database):
        writing.thin(database, first, first + 60)
    database.close()
    with Journal(path) as journal:
        after = journal.read(minutes(60))
        assert journal.check() == ()
    assert after.outages.equals(before.outages)
    assert after.measured_s == before.measured_s
    sent = after.probes[0].sent_s - START.timestamp()
    # Minute 30 has the losses: from minute 20 to 40 everything stays.
    assert np.count_nonzero((sent > 20 * 60 - 0.5) & (sent < 41 * 60 - 0.5)) == 21 * 60
    assert len(sent) == 21 * 60 + 39 * 6


def test_a_large_journal_is_thinned_from_its_oldest_day_on(path: Path) -> None:
    day_us = 86_400 * SECOND_US
    write(path, 600).close()
    later = write(path, 7200, start_us=START_US + 40 * day_us, largest_bytes=1)
    later.close()
    with Journal(path) as journal:
        assert len(journal.read(minutes(20)).probes[0]) == 60
        assert len(journal.read(Span.starting(START + timedelta(days=40), hours=2.0)).probes[0]) == 7200


# --- the command ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented school with ten minutes of record, twenty seconds of them out."""
    folder = tmp_path_factory.mktemp("school") / "school"
    create(folder, demo=True)
    write(folder / "journal.sqlite3", 600, range(200, 220)).close()
    return folder


def run(*words: str) -> Result:
    return commands.run("journal", *words)


def test_the_command_lists_outages_as_rows(school: Path) -> None:
    words = ["--workspace", str(school), "--from", "2026-11-25T08:00Z", "--to", "2026-11-25T08:10Z"]
    done = run(*words, "--format", "csv")
    assert done.exit_code == 0
    head, row = done.stdout.splitlines()
    cells = dict(zip(head.split(","), row.split(","), strict=True))
    assert cells == {
        "start": "2026-11-25T08:03:20.000Z", "start_local": "2026-11-25T07:03:20.000-01:00",
        "end": "2026-11-25T08:03:40.000Z", "end_local": "2026-11-25T07:03:40.000-01:00",
        "duration_s": "20.0001", "where": "line", "lost": "20", "cut_at_start": "false", "cut_at_end": "false",
    }  # fmt: skip
    assert "20 s, at 07:03:20." in run(*words).stdout.splitlines()[0]
    facts = json.loads(run(*words, "--format", "json").stdout)
    assert [target["lost"] for target in facts["targets"]] == [0, 20, 20]
    assert facts["measured_s"] == pytest.approx(599, abs=0.01)
    assert facts["told_apart"] is True
    # More losses in a row than there were are no outage.
    assert json.loads(run(*words, "--losses", "21", "--format", "json").stdout)["rows"] == []
    before = run("--workspace", str(school), "--from", "2026-11-24T08:00Z", "--to", "2026-11-24T09:00Z")
    assert before.stdout.startswith("Nothing was measured in this time.")
    # By default it is the last day.
    day = run("--workspace", str(school), "--at", "2026-11-25T20:00Z", "--format", "json")
    assert len(json.loads(day.stdout)["rows"]) == 1


def test_the_command_says_whether_the_file_is_whole(school: Path, tmp_path: Path) -> None:
    done = run("check", "--workspace", str(school))
    assert done.exit_code == 0
    assert done.stdout.startswith("The journal is whole: ")
    broken = tmp_path / "broken"
    shutil.copytree(school, broken)
    with (broken / "journal.sqlite3").open("r+b") as file:
        file.seek(20 * 1024)
        file.write(os.urandom(4096))
    done = run("check", "--workspace", str(broken))
    assert done.exit_code == 1
    assert "in the journal; what is whole can still be read." in done.stdout
    (broken / "journal.sqlite3").write_bytes(b"nothing of the kind")
    done = run("--workspace", str(broken))
    assert done.exit_code == 2
    assert done.stderr.startswith("passim: journal ")
    assert done.stderr.count("\n") == 1
    (broken / "journal.sqlite3").unlink()
    done = run("--workspace", str(broken))
    assert done.exit_code == 2
    assert done.stderr.endswith("try passim probe, which begins one\n")


def test_settings_of_the_line_are_checked_like_all_others(tmp_path: Path) -> None:
    folder = tmp_path / "school"
    create(folder, demo=True)
    file, text = folder / "passim.toml", (folder / "passim.toml").read_text()
    good = (
        '\n[line]\ntargets = ["router=192.168.1.1:80", "far=icmp:192.0.2.1"]\nevery_s = 0.5\nntp_server = "192.0.2.9"\n'
    )
    file.write_text(text + good)
    line = Workspace.load(folder).line
    assert (line.targets, line.every_s, line.ntp_server) == (
        ["router=192.168.1.1:80", "far=icmp:192.0.2.1"], 0.5, "192.0.2.9",
    )  # fmt: skip
    file.write_text(text + '\n[line]\ntargets = ["router"]\nevery_s = 0.1\nntp_server = "two words"\nevry_s = 1\n')
    done = commands.run("workspace", "check", "--workspace", str(folder))
    assert done.exit_code == 2
    for said in (
        "target; got 'router'; wanted NAME=HOST:PORT",
        "time between probes; got '0.1 s'; wanted from 0.2 to 60 s",
        "time server; got 'two words'; wanted the name of a host",
        "try every_s",
    ):
        assert said in done.stderr, done.stderr
