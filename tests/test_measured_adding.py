"""A record that somebody has already, added on the page Measured: as the command adds it, and what is asked for."""

from __future__ import annotations

import base64
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import commands
from passim import Journal, Span
from passim.errors import InputError, JournalError
from passim.line import OWN_PROBE, LineRecord
from passim.parallel import WorkerPool
from passim.workspace import bring_back, create, remove_record, removed_records
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.notes import answered
from passim_apps.dashboard.pages.measured.adding import Added, Asked, Given, section, take
from passim_apps.dashboard.pages.measured.page import PAGE
from passim_apps.dashboard.pages.measured.removing import shown as would_go
from passim_apps.dashboard.state import DashboardState, Pending
from passim_apps.figures.theme import LIGHT
from passim_apps.text.ways_out import in_page_words
from patience import PATIENCE_S

AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
BEGAN = AT - timedelta(hours=2)
DAY = Span(AT - timedelta(days=1), AT)


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1) as opened:
        yield opened


@pytest.fixture
def state(tmp_path: Path, pool: WorkerPool) -> DashboardState:
    """A workspace whose line nobody has recorded yet."""
    return DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT, pool=pool)


def ping(address: str, lost: Sequence[int], *, stamped: bool = True) -> bytes:
    """An invented log of ping over an hour, which lost 20 answers from each of these seconds on."""
    out = {second + k for second in lost for k in range(20)}
    lines = [f"PING {address} ({address}) 56(84) bytes of data."]
    for k in (k for k in range(3600) if k not in out):
        stamp = f"[{BEGAN.timestamp() + k + 0.04:.6f}] " if stamped else ""
        lines.append(f"{stamp}64 bytes from {address}: icmp_seq={k + 1} ttl=57 time=40.0 ms")
    return ("\n".join(lines) + "\n").encode()


def sent(**named: bytes) -> list[tuple[str, str]]:
    """Return files as a browser sends them; "_" stands for the dot of a name."""
    return [
        (name.replace("_", "."), f"data:text/plain;base64,{base64.b64encode(data).decode()}")
        for name, data in named.items()
    ]


def tried(
    state: DashboardState, handed: Sequence[tuple[str, str]], retained: str = "", *, given: Given | None = None,
    **texts: str,
) -> Added | Asked:  # fmt: skip
    """Return what becomes of files in the end."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        try:
            return take(state.question(read_query("")[0]), handed, given or Given(texts), retained)
        except Pending as still:
            still.job.done.wait(PATIENCE_S)
    raise AssertionError("never read")


def added(state: DashboardState, handed: Sequence[tuple[str, str]], retained: str = "", **texts: str) -> Added:
    found = tried(state, handed, retained, **texts)
    assert isinstance(found, Added), found
    return found


def asked(state: DashboardState, handed: Sequence[tuple[str, str]], **texts: str) -> Asked:
    found = tried(state, handed, **texts)
    assert isinstance(found, Asked), found
    return found


def kept(state: DashboardState, source: str) -> LineRecord:
    with Journal(state.workspace.journal_file) as journal:
        assert journal.check() == ()
        return journal.read(DAY, source)


def by_command(tmp_path: Path, files: dict[str, bytes], *options: str) -> tuple[str, LineRecord]:
    """Return what the command says of the same files, and the record that it added to another workspace."""
    made = create(tmp_path / "by command", demo=True, at=AT)
    paths = []
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
        paths.append(str(tmp_path / name))
    words = ["journal", "add", *paths, *options, "--workspace", str(made.folder)]
    said = commands.finished(commands.run(*words)).stdout
    with Journal(made.journal_file) as journal:
        return said, journal.read(DAY, journal.sources[0])


def same(one: LineRecord, other: LineRecord) -> bool:
    assert one.outages.equals(other.outages)
    assert one.holes.tolist() == other.holes.tolist()
    assert [each.target for each in one.probes] == [each.target for each in other.probes]
    return all(a.sent_s.tolist() == b.sent_s.tolist() for a, b in zip(one.probes, other.probes, strict=True))


def test_the_first_record_of_a_workspace_is_added_as_the_command_adds_it_and_shown(
    state: DashboardState, tmp_path: Path
) -> None:
    log = ping("192.0.2.2", range(100, 3000, 290))
    assert not state.workspace.journal_file.exists()
    assert section(state.question(read_query("")[0]))[0].open
    found = added(state, sent(far_log=log))
    said, record = by_command(tmp_path, {"far.log": log})
    assert same(kept(state, "far.log"), record)
    assert said.startswith(found.sentence)
    assert found.sentence.startswith("Added: far.log, 3,600 probes, 10 outages in 1 h measured")
    assert "Its clock is taken to be right." in found.notes
    assert not any("--" in note for note in found.notes)
    assert not section(state.question(read_query("")[0]))[0].open
    question = state.question(read_query(f"?record={found.name}")[0])
    with pytest.raises(Pending) as working:
        answered(question, PAGE, LIGHT)
    working.value.job.done.wait(PATIENCE_S)
    assert answered(question, PAGE, LIGHT).sentence.startswith("The line froze 10 times in ")


def test_what_a_file_does_not_say_is_asked_for_and_the_file_need_not_be_handed_in_again(
    state: DashboardState, tmp_path: Path
) -> None:
    log = ping("192.0.2.2", [100, 700], stamped=False)
    found = asked(state, sent(far_log=log))
    assert found.fields == ("start", "zone", "end", "every_s")
    assert in_page_words(found.error) == (
        "log of ping far.log; got 'lines without a time'; wanted the moment at which it was begun; try saying below "
        "when it begins"
    )
    assert not state.workspace.journal_file.exists()
    # An hour behind UTC.
    assert added(state, [], found.retained, start="2026-11-25 05:05").name == "far.log"
    _, record = by_command(tmp_path, {"far.log": log}, "--start", "2026-11-25 05:05")
    assert same(kept(state, "far.log"), record)


def test_each_thing_that_may_be_missing_has_its_fields(state: DashboardState) -> None:
    table = b"When,Ping\n2026-11-25 06:00:00,41\n2026-11-25 06:00:01,40\n"
    found = asked(state, sent(seen_csv=table))
    assert found.fields == ("time", "round_trip_ms", "answered", "start_column", "duration_s", "end_column", "zone")
    columns = {"time": "When", "round_trip_ms": "Ping"}
    assert asked(state, sent(seen_csv=table), **columns).fields == ("zone",)
    assert added(state, sent(seen_csv=table), zone="UTC", **columns).sentence.startswith("Added: seen.csv, 2 probes, ")
    notes = b"06:14 froze 20 s\n06:20 froze 10 s\n"
    assert "start" in asked(state, sent(notes_txt=notes)).fields
    assert asked(state, sent(notes_txt=notes), start="2026-11-25").fields == ("zone",)
    assert added(state, sent(notes_txt=notes), start="2026-11-25", zone="UTC").name == "notes.txt"
    assert kept(state, "notes.txt").outages["start"].iloc[0] == datetime(2026, 11, 25, 6, 14, tzinfo=UTC)


def test_two_logs_are_one_record_once_it_is_said_which_is_the_routers(state: DashboardState, tmp_path: Path) -> None:
    far, router = ping("192.0.2.2", [100, 700, 2000]), ping("192.0.2.1", [2000])
    handed = sent(far_log=far, router_log=router)
    found = asked(state, handed)
    assert (found.fields, found.names) == (("nearest",), ("far.log", "router.log"))
    # Whatever order the browser gives them in.
    given = Given({"name": "upstairs"}, nearest="router.log")
    done = tried(state, [], found.retained, given=given)
    assert isinstance(done, Added)
    _, record = by_command(tmp_path, {"router.log": router, "far.log": far}, "--name", "upstairs")
    assert same(kept(state, "upstairs"), record)
    assert record.outages["where"].tolist() == ["line", "line", "house"]
    assert {note.partition(":")[0] for note in done.notes} == {"router.log", "far.log"}


def test_a_name_that_is_taken_is_refused_with_a_way_out_and_nothing_is_lost(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = sent(far_log=ping("192.0.2.2", [100])), sent(far_log=ping("192.0.2.2", [100, 700]))
    added(state, old)
    found = asked(state, new)
    assert found.fields == ("name", "replace")
    assert "try another name below, or replacing the one that is there" in in_page_words(found.error)
    assert len(kept(state, "far.log").outages) == 1
    assert added(state, new, name="second").name == "second"

    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    replacing = Given({}, replace=True)
    with monkeypatch.context() as patch:
        patch.setattr("passim.line.journal.file._insert_between", refuse)
        full = tried(state, new, given=replacing)
        assert isinstance(full, Asked)
        assert "No space left on device" in in_page_words(full.error)
    assert len(kept(state, "far.log").outages) == 1
    assert isinstance(tried(state, [], full.retained, given=replacing), Added)
    assert len(kept(state, "far.log").outages) == 2
    # The name of the own probe is never to be had.
    assert "own probe" in in_page_words(asked(state, new, name="own probe").error)


def test_what_cannot_be_used_is_one_line_and_adds_nothing(state: DashboardState) -> None:
    log = sent(far_log=ping("192.0.2.2", [100]))
    for texts, words in (
        ({"zone": "Atlantis"}, "Atlantis"),
        ({"every_s": "soon"}, "Seconds from one line to the next; got 'soon'; wanted a number; try 1"),
        ({"start": "once"}, "When it begins (date and time); got 'once'; wanted a time such as "),
        ({"offset_s": "86400"}, "which is still to come"),
    ):
        line = in_page_words(asked(state, log, **texts).error)
        assert words in line
        assert len(line.splitlines()) == 1
    assert "wanted a log of ping, CSV" in in_page_words(asked(state, sent(photo_jpg=b"\xff\xd8\x00\x01")).error)
    for handed, retained, words in (
        ([], "", "files; got 'none'"),
        ([], "gone", "no longer kept"),
        (log * 9, "", "got '9 at once'; wanted at most 8"),
        ([("far.log", "data:,%")], "", "got 'something else'"),
    ):
        with pytest.raises(InputError, match=words):
            tried(state, handed, retained)
    assert not state.workspace.journal_file.exists()


def held(state: DashboardState, source: str) -> LineRecord:
    """Return all of a record in the journal."""
    with Journal(state.workspace.journal_file) as journal:
        ends = journal.bounds(source)
        assert ends is not None
        return journal.read(Span(*ends), source)


def assert_the_same(one: LineRecord, other: LineRecord) -> None:
    assert one.span == other.span
    assert (one.source, one.period_s, one.zone) == (other.source, other.period_s, other.zone)
    assert one.outages.equals(other.outages)
    np.testing.assert_array_equal(one.holes, other.holes)
    assert [each.target for each in one.probes] == [each.target for each in other.probes]
    for mine, others in zip(one.probes, other.probes, strict=True):
        np.testing.assert_array_equal(mine.sent_s, others.sent_s)
        np.testing.assert_array_equal(mine.round_trip_s, others.round_trip_s)


def test_a_record_that_is_removed_is_set_aside_whole_and_comes_back_as_it_was(state: DashboardState) -> None:
    freezes = b"start,duration_s\n2026-11-25T06:10:00Z,20\n2026-11-25T06:30:00Z,12.5\n"
    for files in (sent(router_log=ping("192.168.1.1", [600])), sent(freezes_csv=freezes)):
        assert isinstance(tried(state, files), Added)
    workspace, question = state.workspace, state.question(read_query("")[0])
    before = {name: held(state, name) for name in ("router.log", "freezes.csv")}
    assert [len(each.probes) for each in before.values()] == [1, 0]
    # What goes is said first, and nothing has gone by that.
    assert "router.log, 3,600 probes, 1 outage in " in would_go(question, "router.log")
    for name in before:
        assert remove_record(workspace, name) == name
    with Journal(workspace.journal_file) as journal:
        assert journal.sources == ()
    assert removed_records(workspace) == tuple(before)
    bring_back(workspace, "freezes.csv")
    bring_back(workspace, "router.log")
    assert removed_records(workspace) == ()
    for name, record in before.items():
        assert_the_same(held(state, name), record)


def test_two_removed_records_of_one_name_are_both_kept_and_none_takes_the_place_of_another(
    state: DashboardState,
) -> None:
    first, second = ping("192.168.1.1", [600]), ping("192.168.1.1", [600, 1200])
    for number, data in enumerate((first, second), 1):
        assert isinstance(tried(state, sent(router_log=data)), Added)
        name = remove_record(state.workspace, "router.log")
        assert name == ("router.log" if number == 1 else "router.log (2)")
    bring_back(state.workspace, "router.log (2)")
    assert len(held(state, "router.log (2)").outages) == 2
    assert isinstance(tried(state, sent(router_log=second)), Added)
    with pytest.raises(JournalError, match=r"router\.log"):
        bring_back(state.workspace, "router.log")
    # It is still set aside, and the one in the journal is as it was.
    assert removed_records(state.workspace) == ("router.log",)
    assert len(held(state, "router.log").outages) == 2


def test_what_the_probe_recorded_is_not_removed(state: DashboardState) -> None:
    assert isinstance(tried(state, sent(router_log=ping("192.168.1.1", [600]))), Added)
    for name in (OWN_PROBE, "none"):
        with pytest.raises(InputError, match="record to remove"):
            remove_record(state.workspace, name)
    with pytest.raises(InputError, match="passim's own probe"):
        would_go(state.question(read_query("")[0]), OWN_PROBE)
    with pytest.raises(JournalError, match="record to bring back"):
        bring_back(state.workspace, "none")


def test_a_damaged_line_is_left_out_and_named_or_refused_as_the_command_does(state: DashboardState) -> None:
    lines = ping("192.168.1.1", []).splitlines()
    lines[100] = b"64 bytes from 192.168.1.1: icmp_seq=?? ttl=57 time=forty ms"
    damaged = sent(router_log=b"\n".join(lines))
    refused = tried(state, damaged, given=Given({}, strict=True))
    assert isinstance(refused, Asked)
    assert "router.log, line 101; got " in in_page_words(refused.error)
    assert not state.workspace.journal_file.exists()
    found = tried(state, damaged)
    assert isinstance(found, Added)
    assert any("left out" in note for note in found.notes)
