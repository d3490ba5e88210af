"""What somebody at a terminal is told while the probe runs: the state of the line, its last outage, the hour."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from passim.line import LiveOutage, Watch, parse_targets
from passim.line.journal.schema import LOST
from passim.workspace import create
from passim_apps.text.line import break_line, live_line, outage_line
from patience import PATIENCE_S
from scripted_targets import ScriptedTargets, TcpTarget

AZORES = ZoneInfo("Atlantic/Azores")
# 25 November 2026, 08:00 UTC, 07:00 in the Azores.
START_US = 1_795_593_600_000_000
TARGETS = parse_targets(["router=192.168.1.1:80", "far=198.51.100.7:443", "other=198.51.100.8:443"])


def watched(rows: list[str]) -> tuple[Watch, list[LiveOutage]]:
    """A beat a second; a row a target: r answered, x lost, blank not asked."""
    ended: list[LiveOutage] = []
    watch = Watch(TARGETS, ended.append)
    for k, marks in enumerate(zip(*rows, strict=True)):
        beat = watch.beat()
        # Answers come in any order.
        for target, mark in reversed(list(enumerate(marks))):
            if mark == " ":
                watch.not_asked(beat)
            else:
                watch.settled(beat, target, START_US + k * 1_000_000, LOST if mark == "x" else 40_000 + target)
    return watch, ended


def test_outages_are_followed_beat_by_beat() -> None:
    watch, ended = watched(["rrrrrrrrxxxxr", "rxxxxrrrxxxxr", "rxxxxrr xxxxr"])
    found = [(outage.start_us - START_US, (outage.end_us or 0) - START_US, outage.where) for outage in ended]
    assert found == [(1_000_000, 5_000_000, "line"), (8_000_000, 12_000_000, "house")]
    assert watch.in_last_hour(START_US + 60_000_000) == 2
    assert watch.in_last_hour(START_US + 3_602_000_000) == 1
    assert watched(["rrrrr", "xxxxx", "rrrrr"])[1] == []
    assert watched(["rrrrr", "rxxrr", "rxxrr"])[1] == []


def test_the_live_line_says_how_it_stands() -> None:
    before, _ = watched(["r", "r", "r"])
    at_us = START_US + 30_000_000
    assert live_line(before, at_us, AZORES) == "07:00:30  answering, 40 ms · no outage yet · 0 in the last hour"
    during, _ = watched(["rrrrr", "rxxxx", "rxxxx"])
    assert live_line(during, START_US + 9_000_000, AZORES) == (
        "07:00:09  no answer since 07:00:01, 8.0 s, in the line · no outage yet · 1 in the last hour"
    )
    after, (ended,) = watched(["rrrrrr", "rxxxxr", "rxxxxr"])
    assert live_line(after, at_us, AZORES) == (
        "07:00:30  answering, 40 ms · last outage 07:00:01, 4.0 s in the line · 1 in the last hour"
    )
    assert outage_line(ended, AZORES) == "07:00:01  outage, 4.0 s in the line"
    assert break_line("asleep", at_us, AZORES) == "07:00:30  measuring again: the machine was asleep"
    assert live_line(Watch(TARGETS), at_us, AZORES).startswith("07:00:30  no answer yet · ")


def test_what_was_under_way_ends_where_nobody_watched() -> None:
    watch, ended = watched(["rrrrr", "rxxxx", "rxxxx"])
    watch.broke("paused")
    assert [(outage.end_us or 0) - START_US for outage in ended] == [4_000_000]
    assert watch.under_way is None


@pytest.mark.skipif(sys.platform == "win32", reason="terminals as POSIX has them")
def test_a_terminal_is_shown_one_line_that_renews_itself(tmp_path: Path) -> None:
    create(tmp_path / "school", demo=True)
    terminal, inside = pty.openpty()
    with ScriptedTargets([target := TcpTarget()], [], 3600.0):
        words = ["--target", f"router={target.words}", "--every", "0.2s", "--workspace", str(tmp_path / "school")]
        running = subprocess.Popen(
            [sys.executable, "-m", "passim_apps.command_line.main", "probe", *words], stdout=inside, stderr=inside
        )
        os.close(inside)
        shown, ends_s = b"", time.monotonic() + PATIENCE_S
        while shown.count(b"answering, ") < 3 and time.monotonic() < ends_s:
            if select.select([terminal], [], [], 0.5)[0]:
                shown += os.read(terminal, 4096)
        running.send_signal(signal.SIGINT)
        assert running.wait(PATIENCE_S) == 0
    os.close(terminal)
    text = shown.decode()
    assert "Ctrl-C stops it.\r\n" in text
    assert "\r\x1b[K" in text
    assert "no outage yet · 0 in the last hour" in text
