"""The tests on other days than today: `python -m tests.dates`, outside the normal run.

    python -m tests.dates                              every day of DAYS, without the browser tests
    python -m tests.dates -k "growth or plan"          what follows is handed to pytest
    python -m tests.dates --day 2028-02-29T10:00Z tests/test_calls.py

Whatever depends on the clock has to come out alike on every day. The clock is moved with time-machine, in every Python
process the tests start, by a sitecustomize.py put first on the path; monotonic clocks go on as they are, so that
waiting means what it always does. The status is 0 where the tests pass on each day.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

# Moments at which dates go wrong, each with the zone of the machine: what happens is UTC's or that zone's.
DAYS = {
    "2028-02-29T10:00Z": "UTC",  # a leap day
    "2026-03-29T00:58Z": "Europe/Berlin",  # the clock leaps from 02:00 to 03:00 while the tests run
    "2026-10-25T00:58Z": "Europe/Berlin",  # 02:00 to 03:00 comes a second time while they run
    "2026-12-31T23:57Z": "Atlantic/Azores",  # the year ends while they run, in UTC but not yet on the Azores
    "2027-06-16T15:20Z": "America/St_Johns",  # an ordinary Wednesday, half an hour off the hour
}

SHIFT = "TESTS_CLOCK_AHEAD_S"
_SITECUSTOMIZE = f"""\
import os
if "{SHIFT}" in os.environ:
    import time
    import time_machine
    time_machine.travel(time.time() + float(os.environ["{SHIFT}"]), tick=True).start()
"""


def on_day(day: str, zone: str, pytest_args: Sequence[str]) -> int:
    """Run the tests with a clock that starts at `day` (ISO 8601 with its offset); return pytest's status."""
    moment = datetime.fromisoformat(day)
    with tempfile.TemporaryDirectory(prefix="dates-") as folder:
        Path(folder, "sitecustomize.py").write_text(_SITECUSTOMIZE)
        environment = dict(os.environ, TZ=zone)
        # Where this runs on another day itself, as a test of the tests, its clock is ahead already.
        here_s = time.time() - float(os.environ.get(SHIFT, "0"))
        environment[SHIFT] = repr(moment.timestamp() - here_s)
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, [folder, os.environ.get("PYTHONPATH", "")]))
        # pytest would warn that it cannot rewrite the asserts of a plugin that is loaded already: time-machine has one.
        quiet = ["-q", "-W", "ignore::pytest.PytestAssertRewriteWarning", "-p", "no:cacheprovider"]
        command = [sys.executable, "-m", "pytest", *quiet, "-m", "not browser", *pytest_args]
        return subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the tests on each day asked for, say how each went, and return 0 where all passed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--day", action="append", help="a moment with its offset; may be given several times")
    chosen, pytest_args = parser.parse_known_args(arguments)
    found = {}
    for day in chosen.day or DAYS:
        zone = DAYS.get(day, "UTC")
        print(f"== {day}, {zone}", flush=True)
        found[day] = on_day(day, zone, pytest_args)
    for day, status in found.items():
        print(f"{day}  {'passed' if status == 0 else f'failed: pytest returned {status}'}")
    return int(any(found.values()))


if __name__ == "__main__":
    sys.exit(main())
