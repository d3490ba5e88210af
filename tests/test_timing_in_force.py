"""Whose timing errors an answer goes by: what an update learned from snapshots, what the file states, or the usual."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import passim
from commands import run as passim_says
from feed_server import set_feed
from passim.elements.feeds.snapshots import SnapshotStore
from passim.errors import WorkspaceError
from passim.forecast import TimingModel
from passim.workspace import Workspace, create, kept_files, learn_fleet_timing, learning_is_due, timing as keeping
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.notes import common_notes
from passim_apps.dashboard.pages import elements
from passim_apps.dashboard.state import DashboardState
from passim_apps.dashboard.updater import Updater
from passim_apps.figures.theme import LIGHT
from passim_apps.text.timing import timing_sentence
from patience import PATIENCE_S
from snapshots import Truth, keep_history

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY_S = 86_400.0
AT = ("--at", "2026-11-25T12:30Z")
TRUTH = Truth(0.02, 0.05)
DAYS = (0.0, 1 / 3, 2 / 3, 1.0, 2.0, 3.0, 5.0, 7.0)
LEARNED = "Timing errors: Plover's own, learned from 7 days of its snapshots (60 satellites, "


def asked(school: Path, *words: str) -> dict[str, Any]:
    result = passim_says(*words, "--workspace", str(school), "--format", "json")
    assert result.exit_code == 0, result.stderr
    return dict(json.loads(result.stdout))


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace whose fleet flies high and has a week of snapshots, from which nobody has learned yet."""
    folder = create(tmp_path_factory.mktemp("history") / "school", demo=True).folder
    (folder / "incoming").mkdir()
    set_feed(folder, 'folder = "incoming"')
    true = passim.walker(
        total=60, planes=6, phasing=1, inclination_deg=53.0, altitude_km=1400.0, epoch=NOW, name="Plover"
    )
    keep_history(Workspace.load(folder).snapshots(), true, DAYS, TRUTH, NOW)
    return folder


@pytest.fixture
def school(history: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return Path(shutil.copytree(history, tmp_path / "school"))


@pytest.fixture(scope="module")
def taught(history: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same workspace once it has been learned from."""
    folder = Path(shutil.copytree(history, tmp_path_factory.mktemp("taught") / "school"))
    learn_fleet_timing(Workspace.load(folder))
    return folder


@pytest.fixture
def state(school: Path) -> Iterator[DashboardState]:
    opened = DashboardState(Workspace.load(school))
    yield opened
    opened.close()


def timing_file(school: Path) -> Path:
    return Workspace.load(school).snapshots().folder / keeping.TIMING_NAME


def test_an_update_learns_by_itself_and_once(school: Path) -> None:
    assert learning_is_due(Workspace.load(school))
    before = Workspace.load(school).timing()
    assert (before.source, before.model, before.learned) == ("usual", TimingModel(), None)
    first = passim_says("update", "--workspace", str(school))
    assert first.exit_code == 0
    assert first.stderr.startswith(LEARNED), first.stderr
    assert first.stderr.endswith("at 7 days; measured up to 7.1 days of age.\n"), first.stderr
    after = Workspace.load(school).timing()
    assert after.source == "learned"
    assert float(after.model.sigma_s(DAY_S)) == pytest.approx(TRUTH.sigma_s(1.0), rel=0.25)
    kept = json.loads(timing_file(school).read_text())
    assert (kept["days"], kept["satellites"]) == (7.0, 60)
    assert kept["snapshots"] == sorted(path.name for path in timing_file(school).parent.glob("*.npz"))
    assert len(kept["snapshots"]) == 8
    assert kept["pairs"] == after.learned.pairs > 8

    # The same snapshots are not looked at again; another one is.
    stamp = timing_file(school).stat()
    again = passim_says("update", "--workspace", str(school), "--quiet")
    assert (again.exit_code, again.stderr) == (0, "")
    assert timing_file(school).stat().st_mtime_ns == stamp.st_mtime_ns
    newest = list(Workspace.load(school).snapshots())[-1]
    newest.path.unlink()
    assert learning_is_due(Workspace.load(school))
    passim_says("update", "--workspace", str(school))
    assert json.loads(timing_file(school).read_text())["inputs"] != kept["inputs"]


def test_every_face_goes_by_it_and_says_so(taught: Path) -> None:
    model = Workspace.load(taught).timing().model
    for words in (("now", "--minutes", "5", *AT), ("calls", "--days", "0.2", *AT), ("gaps", "--hours", "1", *AT),
                  ("causes", "--hours", "1", *AT), ("elements", *AT)):  # fmt: skip
        notes = asked(taught, *words)["notes"]
        assert [note for note in notes if note.startswith("Timing errors: ")] == [
            timing_sentence(Workspace.load(taught).timing(), "Plover")
        ], words
    now = " ".join(asked(taught, "now", "--minutes", "5", *AT)["notes"])
    assert "timing error 0.027 s" in now
    assert float(model.total_sigma_s(3.3 * 3600.0)) == pytest.approx(0.027, abs=0.0005)
    # A week on the usual error is seven seconds; here it is told whose moves keep the band where it is.
    later = asked(taught, "gaps", "--hours", "1", "--from", "2026-11-30T12:00Z")
    assert later["elements"]["band"] == "odds only"
    assert "some satellites may have manoeuvred since, so trust shares and counts" in " ".join(later["notes"])

    state = DashboardState(Workspace.load(taught), at=NOW)
    try:
        question = state.question(Choices())
        assert question.fleet_timing.model == model
        assert question.freshness(NOW).sigma_s == pytest.approx(
            float(model.total_sigma_s(question.freshness(NOW).median_s))
        )
        page = elements.PAGE.answer(question, LIGHT)
        assert page.panels["errors"].caption.startswith(LEARNED)
        names = [trace.name for trace in page.panels["errors"].figure.data]
        assert names == ["usual", "in force", "found"]
        assert len(page.panels["errors"].table.rows) == len(Workspace.load(taught).timing().learned.ages)
        assert sum(note.text.startswith(LEARNED) for note in common_notes(question, question.days(1))) == 1
    finally:
        state.close()

    out = taught.parent / "report.html"
    report = passim_says("report", "--workspace", str(taught), *AT, "--days", "1", "--world", "30", "--out", str(out))
    assert report.exit_code == 0, report.stderr
    assert "learned from 7 days of its snapshots" in out.read_text("utf-8")


def test_other_elements_have_other_errors(taught: Path, tmp_path: Path) -> None:
    passim.write_elements(Workspace.load(taught).fleet(), tmp_path / "other.json")
    told = asked(taught, "now", "--minutes", "5", *AT, "--elements", str(tmp_path / "other.json"))["notes"]
    assert not [note for note in told if note.startswith("Timing errors: ")]
    assert "timing error 0.027 s" not in " ".join(told)


def test_what_the_file_states_comes_first(school: Path) -> None:
    learn_fleet_timing(Workspace.load(school))
    file = school / "passim.toml"
    file.write_text(f"{file.read_text()}\n[timing]\nper_day_s = 2.5\n")
    timing = learn_fleet_timing(Workspace.load(school))
    assert (timing.source, timing.model) == ("stated", TimingModel(per_day_s=2.5))
    wanted = "those that the workspace states under [timing], which come before those learned from Plover."
    assert f"Timing errors: {wanted}" in asked(school, "gaps", "--hours", "1", *AT)["notes"]
    # An empty section states nothing.
    file.write_text(file.read_text().replace("per_day_s = 2.5", ""))
    assert Workspace.load(school).timing().source == "learned"


def test_a_short_history_is_told_and_the_usual_errors_hold(school: Path) -> None:
    for each in list(Workspace.load(school).snapshots())[:4]:
        each.path.unlink()
    quiet = passim_says("update", "--workspace", str(school))
    assert (quiet.exit_code, quiet.stderr) == (0, "")
    timing = Workspace.load(school).timing()
    assert (timing.source, timing.model) == ("usual", TimingModel())
    assert timing.learned.days == 1.0
    wanted = (
        "Timing errors: the usual ones. Those of Plover itself are learned once its snapshots span 3 days; so far it "
        "is 1 day, not enough yet."
    )
    assert wanted in asked(school, "gaps", "--hours", "1", *AT)["notes"]


def test_what_goes_wrong_with_it_is_told_and_fails_nothing(school: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    learn_fleet_timing(Workspace.load(school))
    good = timing_file(school).read_text()
    for damage, words in {
        "": "other content than passim wrote",
        good[: len(good) // 2]: "other content than passim wrote",
        good.replace('"version": 1', '"version": 99'): "another release",
        good.replace('"per_day_s": ', '"per_day_s": -'): "per_day_s of the timing model",
        good.replace('"days": 7.0', '"days": NaN'): "other content than passim wrote",
        good.replace('"days": 7.0', '"days": "x"'): "other content than passim wrote",
        good + " " * 200_000: "more than passim writes",
        "[" * 90_000: "other content than passim wrote",
    }.items():
        timing_file(school).write_text(damage)
        timing = Workspace.load(school).timing()
        assert (timing.source, timing.model) == ("usual", TimingModel())
        assert words in timing.fault, words
        assert learning_is_due(Workspace.load(school))
    shown = passim_says("gaps", "--hours", "1", *AT, "--workspace", str(school))
    assert shown.exit_code == 0
    assert "What was learned of the timing errors of Plover is not used" in " ".join(shown.stdout.split())
    # The next update learns anew.
    assert passim_says("update", "--workspace", str(school)).stderr.startswith(LEARNED)
    assert timing_file(school).read_text() == good

    def fails(snapshots: Any) -> Any:
        raise ZeroDivisionError("a defect")

    timing_file(school).unlink()
    monkeypatch.setattr(keeping, "learn_timing", fails)
    failed = passim_says("update", "--workspace", str(school))
    assert failed.exit_code == 0
    assert failed.stderr == "Plover: its timing errors cannot be learned. ZeroDivisionError: a defect\n"
    with pytest.raises(ZeroDivisionError):
        learn_fleet_timing(Workspace.load(school))


def test_a_folder_that_cannot_be_written_is_told(school: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(kept_files, "write_atomically", full)
    with pytest.raises(WorkspaceError, match=r"timing\.json cannot be written: No space left on device"):
        learn_fleet_timing(Workspace.load(school))
    failed = passim_says("update", "--workspace", str(school))
    assert failed.exit_code == 0
    assert "its timing errors cannot be learned. " in failed.stderr
    assert not list(school.rglob("*.part"))


def test_a_hindcast_without_files_scores_the_snapshots(taught: Path, history: Path) -> None:
    quick = ("hindcast", "--hours", "6", "--step", "60")
    told = asked(taught, *quick, "--list", "learned")
    timing = Workspace.load(taught).timing()
    assert told["answer"].startswith(LEARNED)
    assert (told["timing"]["source"], told["timing"]["learned"]["days"]) == ("learned", 7.0)
    assert told["timing"]["stated"]["per_day_s"] == timing.model.per_day_s
    assert [row["sigma_s"] for row in told["rows"]] == pytest.approx(
        [age.sigma_s for age in timing.learned.ages], abs=1e-6
    )
    # The newest against those of one, three and seven days before.
    assert [round(pair["older_age_s"] / DAY_S) for pair in told["pairs"]] == [1, 3, 7]
    table = passim_says(*quick, "--workspace", str(taught), "--list", "learned").stdout
    assert "Usual spread" in table
    for words, wanted in {
        ("--list", "learned", "a.json", "b.json"): "--list learned tells of snapshots",
        ("--fleet", "Plover", "a.json", "b.json"): "--fleet names a fleet of the workspace",
        ("--from", "2026-11-25T00:00Z"): "--from says where one span begins",
        ("a.json",): "which snapshots? Give OLD and NEW",
    }.items():
        refused = passim_says("hindcast", "--workspace", str(history), *words)
        assert (refused.exit_code, refused.stderr.count("\n")) == (2, 1)
        assert wanted in refused.stderr
    # What is learned there is kept, as after an update.
    assert asked(history, *quick)["timing"]["source"] == "learned"
    timing_file(history).unlink()


def test_a_hindcast_needs_snapshots_a_day_apart(school: Path, tmp_path: Path) -> None:
    for each in list(Workspace.load(school).snapshots())[:-1]:
        each.path.unlink()
    one = passim_says("hindcast", "--workspace", str(school))
    assert one.exit_code == 2
    assert one.stderr == (
        "passim: snapshots of fleet Plover; got '1 within 0.0 days'; wanted two that came about a day apart; try a "
        "feed that is asked for a few days\n"
    )
    made = create(tmp_path / "invented", demo=True)
    none = passim_says("hindcast", "--workspace", str(made.folder))
    assert none.exit_code == 2
    assert "or work in a workspace whose fleet has a feed" in none.stderr


def test_the_dashboard_learns_unasked_and_its_pages_take_it_up(school: Path, state: DashboardState) -> None:
    updater = Updater(state)
    before = state.data_key(state.question(Choices()))
    (job,) = updater.learn()
    assert job.done.wait(PATIENCE_S)
    assert job.error is None
    question = state.question(Choices())
    assert question.fleet_timing.source == "learned"
    assert state.data_key(question) != before
    assert updater.learn() == []
    # A fleet without a feed has nothing to be learned from, and a rehearsal is not now.
    set_feed(school, 'folder = "incoming"')
    rehearsal = DashboardState(Workspace.load(school), at=NOW)
    try:
        assert Updater(rehearsal).learn() == []
    finally:
        rehearsal.close()


def test_a_failure_in_the_dashboard_is_logged_once(
    school: Path, state: DashboardState, caplog: pytest.LogCaptureFixture
) -> None:
    (school / "snapshots" / "plover" / "timing.json").mkdir()
    updater = Updater(state)
    (job,) = updater.learn()
    assert job.done.wait(PATIENCE_S)
    assert updater.learn() == []
    assert updater.learn() == []
    (record,) = caplog.records
    assert "Plover: its timing errors cannot be learned: " in record.getMessage()


def test_a_fleet_without_a_feed_has_the_usual_errors(tmp_path: Path) -> None:
    made = create(tmp_path / "school", demo=True)
    timing = made.timing("Plover")
    assert (timing.source, timing.learned) == ("usual", None)
    with pytest.raises(WorkspaceError, match="fleet Plover; got 'no feed'"):
        learn_fleet_timing(made, "Plover")
    with pytest.raises(WorkspaceError, match="Nightjar"):
        made.timing("Nightjar")
    assert keeping.timing_of(None, SnapshotStore(tmp_path / "nowhere")).source == "usual"
