"""What the system does to a command is told in one line, and nobody is told that it is a defect of passim."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from passim.errors import WorkspaceError
from passim.workspace import keep_answer, last_answer
from passim.workspace.checking import read_settings
from patience import PATIENCE_S

COMMAND = f"{sys.executable} -m passim_apps.command_line.main"
# What takes from root the right to open everything; nobody else has it.
AS_ANYBODY = (
    ""
    if sys.platform == "win32" or os.getuid() != 0
    else "setpriv --bounding-set=-dac_override,-dac_read_search"
    if shutil.which("setpriv")
    else None
)
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="folders and streams as POSIX has them")


def shell(line: str, **environment: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        ["/bin/sh", "-c", line], capture_output=True, text=True, timeout=PATIENCE_S, env={**os.environ, **environment}
    )
    assert "Traceback" not in done.stderr
    assert "defect" not in done.stderr
    assert "Exception ignored" not in done.stderr
    return done


@pytest.mark.parametrize("to", ["> /dev/full", ">&-"])
def test_an_answer_that_cannot_be_written_is_told_in_one_line(to: str) -> None:
    if "full" in to and not os.path.exists("/dev/full"):
        pytest.skip("this system has no /dev/full")
    done = shell(f"{COMMAND} geometry --altitude 550 {to}")
    assert done.returncode == 1
    assert done.stderr.startswith("passim: the system refuses: ")
    assert done.stderr.count("\n") == 1


def test_a_closed_standard_error_takes_nothing_from_the_answer() -> None:
    done = shell(f"{COMMAND} geometry --altitude 550 2>&-")
    assert done.returncode == 0
    assert done.stdout.startswith("At 550 km")


def test_a_current_folder_that_is_gone_is_told_in_one_line(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    done = shell(f"cd {gone} && rmdir {gone} && {COMMAND} workspace check")
    assert done.returncode in (1, 2)
    assert done.stderr.count("\n") == 1


def test_a_home_that_is_no_folder_is_told_in_one_line(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("")
    done = shell(f"cd {tmp_path} && {COMMAND} workspace check", HOME=str(file), XDG_DATA_HOME="")
    assert done.returncode in (1, 2)
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(AS_ANYBODY is None, reason="root may do everything, and there is no setpriv to take that away")
def test_folders_of_somebody_else_are_told_in_one_line(tmp_path: Path) -> None:
    """A home, a workspace and elements that may not be read, and a folder that may not be written."""
    closed, home, theirs = tmp_path / "closed", tmp_path / "home", tmp_path / "theirs"
    for folder in (closed, home, theirs):
        folder.mkdir()
    (closed / "passim.toml").write_text("")
    (theirs / "fleet.tle").write_text("")
    modes = {closed: 0, home: 0, theirs / "fleet.tle": 0, theirs: 0o555}

    def told(line: str) -> str:
        begun = f"cd / && {AS_ANYBODY} {COMMAND} {line}"
        done = shell(begun, HOME=str(home), XDG_DATA_HOME="", XDG_CONFIG_HOME="")
        assert done.returncode in (1, 2), line
        assert done.stdout == "", line
        assert done.stderr.count("\n") == 1, done.stderr
        return done.stderr.lower()

    try:
        for path, mode in modes.items():
            path.chmod(mode)
            if os.getuid() == 0:
                os.chown(path, 65534, 65534)
        there = "--site 45,-28 --from 2026-03-01 --hours 1"
        assert "permission denied" in told(f"workspace check --workspace {closed}")
        assert "permission denied" in told("workspace check")
        for elements in (closed, closed / "fleet.tle", theirs / "fleet.tle"):
            assert "permission denied" in told(f"gaps --elements {elements} {there}"), elements
        assert "permission denied" in told(f"geometry --altitude 550 --out {theirs / 'geometry.csv'}")
        assert [path.name for path in theirs.iterdir()] == ["fleet.tle"]
    finally:
        for path in modes:
            path.chmod(0o700)


def test_no_warning_of_a_library_reaches_the_terminal() -> None:
    code = "import contextlib, numpy; from passim_apps.command_line.main import main; "
    code += "exec('with contextlib.suppress(SystemExit): main([\\'--help\\'])'); numpy.float64(1.0) / 0.0"
    assert shell(f'{sys.executable} -c "{code}"').stderr == ""


def test_settings_of_a_wrong_kind_and_endless_numbers_are_refused_with_their_line(tmp_path: Path) -> None:
    with pytest.raises(WorkspaceError, match="cannot be read as TOML: a number of thousands of digits"):
        read_settings("x = " + "9" * 5000, tmp_path / "passim.toml")
    with pytest.raises(WorkspaceError) as refused:
        read_settings("[[gateways]]\nname = []\n[[sites]]\ngateways = ['South']\n", tmp_path / "passim.toml")
    assert any("line 2, gateways.1.name: value; got []" in problem for problem in refused.value.problems)


def test_a_kept_answer_with_nan_is_told_once_and_replaced(tmp_path: Path) -> None:
    file = tmp_path / "last-calls.json"
    file.write_text('{"a question": {"chance": NaN}}')
    with pytest.raises(WorkspaceError, match="wanted what passim wrote"):
        last_answer(tmp_path, "a question")
    keep_answer(tmp_path, "another", {"chance": 0.5})
    assert json.loads(file.read_text()) == {"another": {"chance": 0.5}}
