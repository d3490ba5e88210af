"""Element files that are handed in: kept whole in the workspace's folder, under plain names, or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from passim.errors import WorkspaceError
from passim.workspace import Workspace, create
from passim.workspace.adding import add_fleet, plain_name

SAMPLES = Path(__file__).resolve().parent.parent / "tle_samples"
TWO_LINE = (SAMPLES / "two-line.txt").read_bytes()


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return create(tmp_path / "school", demo=True)


def test_files_become_a_fleet_that_reads_as_they_do(workspace: Workspace) -> None:
    name = add_fleet(workspace, [("morning.tle", TWO_LINE)])
    assert name == "morning"
    again = Workspace.load(workspace.folder)
    assert again.fleet_names == ("Plover", "morning")
    assert len(again.fleet("morning")) == TWO_LINE.count(b"\n1 ") + TWO_LINE.startswith(b"1 ")
    assert "# Invented afresh" in again.file.read_text(encoding="utf-8"), "comments stay"


def test_a_second_fleet_of_one_name_gets_a_number(workspace: Workspace) -> None:
    names = []
    for _ in range(3):
        names.append(add_fleet(workspace, [("plover.tle", TWO_LINE)]))
        workspace = Workspace.load(workspace.folder)
    assert names == ["plover 2", "plover 3", "plover 4"]  # the invented fleet has the first


def test_names_are_made_plain(subtests: pytest.Subtests) -> None:
    for given, plain in [
        ("fleet.tle", ("fleet", ".tle")),
        ("Fleet of May.JSON.GZ", ("Fleet-of-May", ".json.gz")),
        ("../../etc/passwd", ("passwd", ".txt")),
        ("C:\\here\\fleet.csv", ("fleet", ".csv")),
        ("..", ("fleet", ".txt")),
        (".hidden.tle", ("hidden", ".tle")),
        ("README.txt", ("fleet-README", ".txt")),
        ("", ("fleet", ".txt")),
        ("a\0b\nc.xml", ("a-b-c", ".xml")),
        ("x" * 300 + ".kvn", ("x" * 40, ".kvn")),
    ]:
        with subtests.test(given=given, plain=plain):
            assert plain_name(given) == plain


def test_a_workspace_that_cannot_be_changed_keeps_no_file_either(workspace: Workspace) -> None:
    workspace.file.write_text("[[sites]\n", encoding="utf-8")
    before = sorted(workspace.folder.rglob("*"))
    with pytest.raises(WorkspaceError):
        add_fleet(workspace, [("fleet.tle", TWO_LINE)])
    left = [path for path in sorted(workspace.folder.rglob("*")) if path not in before and path.is_file()]
    assert [path.name for path in left] in ([], [".passim.lock"])


def test_no_file_is_no_fleet(workspace: Workspace) -> None:
    with pytest.raises(WorkspaceError, match="at least one"):
        add_fleet(workspace, [])
