"""Element files that are handed in: kept whole in the workspace's folder, under plain names, or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from passim.errors import WorkspaceError
from passim.workspace import Workspace, create
from passim.workspace.adding import add_fleet, add_invented_fleet, plain_name, replace_fleet, replaceable

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


def test_a_second_upload_takes_the_place_of_the_first_and_gives_it_back(workspace: Workspace) -> None:
    first, second = [("mine.tle", TWO_LINE)], [("mine.tle", (SAMPLES / "decayed.tle").read_bytes())]
    assert add_fleet(workspace, first) == "mine"
    workspace = Workspace.load(workspace.folder)
    # The first of its name has nothing to replace but the invented fleet.
    assert replaceable(workspace, "mine", first) == "Plover"
    assert add_fleet(workspace, second) == "mine 2"
    workspace = Workspace.load(workspace.folder)
    assert replaceable(workspace, "mine 2", second) == "mine"
    fleet, lines = replace_fleet(workspace, "mine", "mine 2")
    assert fleet == "mine"
    assert '- elements = ["elements/mine"]' in lines
    replaced = Workspace.load(workspace.folder)
    assert replaced.fleet_settings("mine").elements == ["elements/mine-2"]
    assert replaced.fleet_names == ("Plover", "mine")
    assert len(replaced.fleet("mine")) != TWO_LINE.count(b"\n1 ") + TWO_LINE.startswith(b"1 ")
    # Nothing that was handed in is lost, and the next one of the name finds a place.
    assert {path.name for path in (workspace.folder / "elements").iterdir()} == {"mine", "mine-2"}
    assert add_fleet(replaced, first) == "mine 3"
    Workspace.load(workspace.folder).undo()
    again = Workspace.load(workspace.folder)
    assert again.fleet_names == ("Plover", "mine")
    with pytest.raises(WorkspaceError, match="fleet to replace"):
        replace_fleet(again, "mine", "Plover")


def test_an_invented_fleet_is_for_whoever_has_no_files_yet(tmp_path: Path) -> None:
    (tmp_path / "passim.toml").write_text('name = "Office"\n', encoding="utf-8")
    name = add_invented_fleet(Workspace.load(tmp_path))
    begun = Workspace.load(tmp_path)
    assert name == "Plover (invented)"
    assert begun.fleet_names == (name,)
    assert begun.missing == ("sites",)
    assert begun.stands_in()
    with pytest.raises(WorkspaceError, match="a second invented fleet"):
        add_invented_fleet(begun)
    files = [("mine.tle", TWO_LINE)]
    assert add_fleet(begun, files) == "mine"
    both = Workspace.load(tmp_path)
    assert replaceable(both, "mine", files) == name
    assert replace_fleet(both, name, "mine")[0] == "mine"
    own = Workspace.load(tmp_path)
    assert own.fleet_names == ("mine",)
    assert not own.stands_in()
    assert own.undo()[0].fleet_names == (name, "mine")


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
