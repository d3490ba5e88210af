"""What killed programs leave behind is cleaned at the next start or write, and nothing that is still in use."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from passim.elements.atomic import write_atomically
from passim_apps.dashboard.serving import opened_workspace
from tests.files_now import write_now

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def test_a_write_removes_the_halves_of_killed_ones_and_no_others(tmp_path: Path) -> None:
    names = (".b.csv.x1.passim.part", ".a.csv.x2.passim.part", ".theirs.part")
    old, new, other = (tmp_path / name for name in names)
    for path in (old, new, other):
        write_now(path, "half")
    for path in (old, other):
        os.utime(path, (time.time() - 3600.0,) * 2)
    write_atomically(tmp_path / "a.csv", b"whole")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([new.name, other.name, "a.csv"])


@pytest.mark.skipif(sys.platform == "win32", reason="held by the lock of POSIX")
def test_the_demonstration_of_a_killed_server_goes_and_that_of_a_running_one_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr("passim.workspace.Workspace.find", lambda _: None)
    left = tmp_path / "passim-demonstration-left"
    left.mkdir()
    (left / "in-use").write_text("")
    with opened_workspace(None, NOW) as (first, _), opened_workspace(None, NOW) as (second, _):
        assert not left.exists()
        assert first.folder.exists()
        assert second.folder.exists()
    assert list(tmp_path.iterdir()) == []
