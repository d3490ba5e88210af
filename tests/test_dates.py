"""The tests by other clocks: the command moves the clock of every Python process, and says on which day they fail."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from patience import PATIENCE_S

ROOT = Path(__file__).resolve().parents[1]
PROBE = """
import subprocess, sys, time
from datetime import UTC, datetime

def test_year():
    begun_s = time.monotonic()
    theirs = subprocess.check_output([sys.executable, "-c", "import datetime as d; print(d.datetime.now(d.UTC).year)"])
    assert (datetime.now(UTC).year, int(theirs)) == (2028, 2028)
    assert 0.0 < time.monotonic() - begun_s < 600.0
"""


def test_the_clock_of_every_process_is_moved_and_the_status_tells_of_failures(tmp_path: Path) -> None:
    probe = tmp_path / "test_probe.py"
    probe.write_text(PROBE)
    # The probe needs no plugin, and each takes long to load.
    bare = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    for days, status in ((["2028-02-29T10:00Z"], 0), (["2028-02-29T10:00Z", "2027-12-31T22:00+00:00"], 1)):
        command = [sys.executable, "-m", "tests.dates", *(f"--day={day}" for day in days), str(probe)]
        ran = subprocess.run(
            command, cwd=ROOT, env=bare, capture_output=True, text=True, check=False, timeout=PATIENCE_S
        )
        assert ran.returncode == status, ran.stdout + ran.stderr
        assert [f"{day}  {'passed' if day[:4] == '2028' else 'failed: pytest returned 1'}" for day in days] == (
            ran.stdout.splitlines()[-len(days) :]
        )
