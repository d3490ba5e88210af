"""A candidate kept on the Sky page: the lines that change are shown before they are written, and can be taken back."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from passim import FreezeRanges
from passim.errors import InputError
from passim.workspace import create
from passim_apps.command_line import output
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.file_changes import taken_back
from passim_apps.dashboard.pages.sky.symptom import offered, written
from passim_apps.dashboard.state import DashboardState

AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)


def candidate(fit: float = 0.8) -> Any:
    taken = {"values": {"terminal.clock_period_s": 15.0}, "gateway": None}
    one = SimpleNamespace(as_assumption=lambda: taken, fit=fit)
    return SimpleNamespace(candidates=[one], symptom=FreezeRanges((480.0, 900.0), (8.0, 14.0)))


def lines(parts: list[Any]) -> list[str]:
    text: str = parts[1].children
    return text.splitlines()


def test_lines_are_shown_before_they_are_written_and_taken_back(tmp_path: Path) -> None:
    state = DashboardState(create(tmp_path / "school", demo=True), at=AT)
    file = tmp_path / "school" / "passim.toml"
    try:
        question, before = state.question(Choices()), file.read_text(encoding="utf-8")
        found = candidate()
        offer = offered(question, found, 1)
        assert file.read_text(encoding="utf-8") == before
        assert "+ clock_period_s = 15.0" in lines(offer)
        assert offer[2].id == {"sky": "write", "number": 1}

        done = written(question, found, 1)
        after = file.read_text(encoding="utf-8")
        assert lines(done) == lines(offer)
        assert all(line[2:] in after for line in lines(offer) if line.startswith("+ "))

        # A change that somebody made since is not lost.
        assert done[2].id["number"] == 1
        of = done[2].id["of"]
        file.write_text(f"{after}\n# mine\n", encoding="utf-8")
        with pytest.raises(InputError, match="later changes, which an undo would lose"):
            taken_back(state.workspace, of)
        assert file.read_text(encoding="utf-8").endswith("# mine\n")
        file.write_text(after, encoding="utf-8")
        assert "- clock_period_s = 15.0" in lines(taken_back(state.workspace, of))
        assert file.read_text(encoding="utf-8") == before
    finally:
        state.close()


def test_undo_says_what_would_be_lost(tmp_path: Path) -> None:
    workspace = create(tmp_path / "school", demo=True)
    changed = workspace.assume({"terminal.clock_period_s": 15.0}, "invented", AT.date())
    changed.file.write_text(f"{changed.text}# mine\n", encoding="utf-8")
    with pytest.raises(InputError, match="changes by hand since passim changed it, which undo would lose"):
        changed.undo()
    assert changed.text.endswith("# mine\n")


def test_long_work_writes_a_line_now_and_then_in_a_pipe(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(output, "_LINE_EVERY_S", 0.0)
    with output.progress("Trying settings", lines=True) as report:
        assert report is not None
        report(0.25)
        report(1.0)
    assert capsys.readouterr().err == "Trying settings: 25 %\nTrying settings: 100 %\n"
    # Not twice within the time.
    monkeypatch.setattr(output, "_LINE_EVERY_S", 3600.0)
    with output.progress("Trying settings", lines=True) as report:
        assert report is not None
        report(0.5)
    assert capsys.readouterr().err == ""
