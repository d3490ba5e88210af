"""A journal of a million rows: a day of it read, its outages found, its size; and what the probe costs while it runs.

    .venv/bin/python -m tests.benchmarks.journal [--seconds 60]

The rows are packed minutes of three targets asked once a second, 231 days of them, with an outage of 20 s every ten
minutes (invented). Seconds are those of the processor. The probe asks three ports on loopback once a second.
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from passim import Journal, Span
from passim.line import JournalWriter, parse_targets
from passim.line.journal.schema import MINUTE_US, packed, transaction
from passim.spans import moment
from tests.scripted_targets import DnsTarget, ScriptedTargets, TcpTarget

ROWS = 1_000_000
TARGETS = parse_targets(["router=192.168.1.1:80", "far=198.51.100.7:443", "other=203.0.113.9:443"])
FIRST_MINUTE = 29_000_000
# 30 MB a day, 40 MB resident, 1 % of a core, a day in 100 ms: what was wanted.


def fill(path: Path) -> int:
    """Write a journal of `ROWS` minutes; return its bytes."""
    draw = random.Random(1)
    # Drawing every round trip would take longer than all the rest: a hundred minutes are drawn and repeated.
    calm = [
        [(k * 1_000_000 + draw.randrange(2000), draw.randrange(20_000, 90_000)) for k in range(60)] for _ in range(97)
    ]
    minutes = ROWS // len(TARGETS)
    with JournalWriter(path) as journal:
        journal.begin(TARGETS, FIRST_MINUTE * MINUTE_US, "started", 1_000_000, 5_000_000)
        run, numbers = journal._running(), journal._targets
        database: sqlite3.Connection = journal._database
        for first in range(0, minutes, 10_000):
            rows = []
            for minute in range(FIRST_MINUTE + first, FIRST_MINUTE + min(first + 10_000, minutes)):
                for k, number in enumerate(numbers):
                    out = minute % 10 == 0 and k > 0
                    probes = [
                        (minute * MINUTE_US + at, -1 if out and 15 <= n < 35 else trip)
                        for n, (at, trip) in enumerate(calm[(minute * 3 + k) % 97])
                    ]
                    rows.append((minute, number, run, 60, 20 if out else 0, packed(minute, probes)))
            with transaction(database):
                database.executemany(
                    "INSERT INTO minute (minute, target, run, sent, lost, packed) VALUES (?, ?, ?, ?, ?, ?)", rows
                )
        journal.end((FIRST_MINUTE + minutes) * MINUTE_US)
    return path.stat().st_size


def day_of(path: Path) -> None:
    """Read days of the journal, and print what one takes."""
    start = moment((FIRST_MINUTE + 200_000) * MINUTE_US)
    took = []
    with Journal(path) as journal:
        for day in range(6):
            span = Span.starting(start + timedelta(days=day), hours=24.0)
            began_s = time.process_time()
            record = journal.read(span)
            took.append(time.process_time() - began_s)
    assert len(record.outages) == 144, len(record.outages)
    assert sum(map(len, record.probes)) == 3 * 86_400
    print(f"a day of it, 259,200 probes and 144 outages: {1000 * sorted(took)[len(took) // 2]:.0f} ms (wanted 100)")


def probe(folder: Path, seconds: float) -> None:
    """Run the command against three targets, and print its share of a core, its memory and what it wrote."""
    subprocess.run(
        [sys.executable, "-m", "passim_apps.command_line.main", "workspace", "new", str(folder), "--demo"],
        check=True, capture_output=True,
    )  # fmt: skip
    targets: list[TcpTarget | DnsTarget] = [TcpTarget(), TcpTarget(), DnsTarget()]
    with ScriptedTargets(targets, [], seconds + 120.0):
        words = [word for k, each in enumerate(targets) for word in ("--target", f"t{k}={each.words}")]
        command = [sys.executable, "-m", "passim_apps.command_line.main", "probe", "--workspace", str(folder), *words]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL) as running:
            # The workspace is read by a process that ends first.
            time.sleep(15.0)
            before = measured(running.pid)
            time.sleep(seconds)
            after = measured(running.pid)
            running.terminate()
    share, written = (after[0] - before[0]) / seconds, (after[1] - before[1]) / seconds
    kept = 3 * 86_400 * 8 + 3 * 1440 * 60
    print(f"the probe, three targets once a second: {100 * share:.2f} % of a core (wanted 1)")
    print(f"resident: {after[2] / 1e6:.0f} MB (wanted 40)")
    print(f"handed to the system to write: {written * 86_400 / 1e6:.0f} MB a day; kept of it about {kept / 1e6:.1f} MB")


def measured(pid: int) -> tuple[float, int, int]:
    """Return the seconds of processor, the bytes written and the bytes resident of a process (Linux)."""
    stat = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    io = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    status = dict(
        line.split(":\t", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":\t" in line
    )
    ticks = (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK")
    return ticks, int(io["wchar"]), int(status["VmHWM"].split()[0]) * 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite3"
        size = fill(path)
        days = ROWS / len(TARGETS) / 1440
        print(f"{ROWS:,} rows, {days:.0f} days: {size / 1e6:.0f} MB, {size / days / 1e6:.1f} MB a day (wanted 30)")
        day_of(path)
        path.unlink()
        probe(Path(folder) / "school", given.seconds)


if __name__ == "__main__":
    main()
