"""The README's timers: its cron line run as cron runs it, its systemd units as systemd reads them, and `--every`."""

from __future__ import annotations

import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from passim.workspace import Workspace, create
from patience import PATIENCE_S
from tests.feed_server import feed_server, fresh_list, good, set_feed, status

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")
PROGRAM, FOLDER = "/home/me/passim/.venv/bin/passim", "/home/me/office"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home with a workspace and the program, under a path with a blank in it."""
    create(tmp_path / "my home" / "office", demo=True)
    program = tmp_path / "my home" / "passim"
    words = shlex.join([sys.executable, "-m", "passim_apps.command_line.main"])
    path = shlex.quote(":".join(entry for entry in sys.path if entry))
    program.write_text(f'#!/bin/sh\nPYTHONPATH={path} exec {words} "$@"\n')
    program.chmod(0o755)
    return tmp_path / "my home"


def cron_command(home: Path) -> str:
    """The command of the README's cron line, with the paths of this home; five fields of time stand before it."""
    (line,) = re.findall(r"^    (\S+ \S+ \S+ \S+ \S+)  (/home/me/.*)$", README, re.MULTILINE)
    assert line[0] == "17 * * * *"
    # In a cron line a percent sign would be the end of the command.
    assert "%" not in line[1]
    assert PROGRAM in line[1]
    assert FOLDER in line[1]
    return (
        str(line[1])
        .replace(PROGRAM, shlex.quote(str(home / "passim")))
        .replace(FOLDER, shlex.quote(str(home / "office")))
    )


def as_cron(home: Path) -> subprocess.CompletedProcess[str]:
    """Run the cron line with nothing but what cron gives: no locale, no terminal, a short path, the home folder."""
    words = ["env", "-i", f"HOME={home}", "LOGNAME=me", "SHELL=/bin/sh", "PATH=/usr/bin:/bin"]
    return subprocess.run(
        [*words, "/bin/sh", "-c", cron_command(home)], cwd=home, capture_output=True, text=True,
        stdin=subprocess.DEVNULL, timeout=PATIENCE_S, check=False,
    )  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="cron is of POSIX")
def test_the_cron_line_brings_what_is_due_and_is_silent_unless_it_fails(home: Path) -> None:
    with feed_server(good(fresh_list())) as server:
        set_feed(home / "office", f'address = "{server.address}"')
        first = as_cron(home)
        assert (first.returncode, first.stdout, first.stderr) == (0, "", "")
        assert len(Workspace.load(home / "office").fleet()) == 36
        # An hour later nothing is due, so that nobody is asked and nobody gets a mail.
        again = as_cron(home)
        assert (again.returncode, again.stdout, again.stderr) == (0, "", "")
        assert server.count == 1
    with feed_server(status("503 Service Unavailable")) as server:
        set_feed(home / "office", f'address = "{server.address}"')
        failed = as_cron(home)
        assert failed.returncode == 1
        assert failed.stdout.startswith("Plover: the update failed. answer of 127.0.0.1; got '503 Service Unavailable'")


def units(home: Path, folder: Path) -> list[Path]:
    """Write every unit of the README as it stands, but for the program, which has no such path here."""
    folder.mkdir()
    program = folder.parent / "passim"
    program.symlink_to(home / "passim")
    found = []
    # The name of a unit stands before it, as the last word in backticks that ends in .service or .timer.
    for block in re.finditer(r"^    \[Unit\]\n(?:(?:    .*)?\n)+", README, re.MULTILINE):
        name = re.findall(r"`[^`]*?([\w-]+\.(?:service|timer))`", README[: block.start()])[-1]
        text = re.sub(r"(?m)^    ", "", block[0]).strip() + "\n"
        (folder / name).write_text(text.replace(PROGRAM, str(program)))
        found.append(folder / name)
    return found


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_has_nothing_to_say_against_the_units(home: Path, tmp_path: Path) -> None:
    every = units(home, tmp_path / "units")
    names = [unit.name for unit in every]
    assert {"passim-update.service", "passim-update.timer"} <= set(names)
    assert len(set(names)) == len(names)
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *map(str, every)], capture_output=True, text=True,
        timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    said = [line for line in (checked.stdout + checked.stderr).splitlines() if "passim-" in line]
    assert (checked.returncode, said) == (0, []), checked.stderr
    timer = every[names.index("passim-update.timer")]
    when = re.search(r"OnCalendar=(.*)", timer.read_text())
    assert when is not None
    next_one = subprocess.run(
        ["systemd-analyze", "calendar", when[1]], capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert next_one.returncode == 0, next_one.stderr
    # A fault is seen: the check is not one that nothing can fail.
    timer.write_text(timer.read_text().replace("OnCalendar=", "OnCalender="))
    wrong = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(timer)], capture_output=True, text=True, timeout=PATIENCE_S,
        check=False,
    )  # fmt: skip
    assert "OnCalender" in wrong.stdout + wrong.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
def test_every_8_hours_it_runs_until_it_is_told_to_stop(home: Path) -> None:
    with feed_server(good(fresh_list())) as server:
        set_feed(home / "office", f'address = "{server.address}"')
        for sign in (signal.SIGTERM, signal.SIGINT):
            with subprocess.Popen(
                [str(home / "passim"), "update", "--every", "8h", "--workspace", str(home / "office")],
                env={"HOME": str(home), "PATH": "/usr/bin:/bin"}, stderr=subprocess.PIPE, text=True,
            ) as process:  # fmt: skip
                assert process.stderr is not None
                said = process.stderr.readline()
                assert "Plover: " in said, said
                began_s = time.monotonic()
                while not list((home / "office").rglob("*.npz")) and time.monotonic() - began_s < PATIENCE_S:
                    time.sleep(0.01)
                process.send_signal(sign)
                rest = process.stderr.read()
                assert process.wait(PATIENCE_S) != 0
                assert "Traceback" not in rest
        assert server.count == 1
    assert len(Workspace.load(home / "office").fleet()) == 36
