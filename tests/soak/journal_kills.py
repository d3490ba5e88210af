"""Kill -9 at random instants over a probe that writes: what it costs, and whether the journal is whole after each.

    .venv/bin/python -m tests.soak.journal_kills --count 1000

A probe asks a port on loopback every 50 ms and says each send. It is killed at a random moment, and the journal must
hold every send but those of the last second, be whole, and have kept what was there before.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent

_PROBE = """
import sys
from pathlib import Path
from passim.line.journal.writing import JournalWriter
from passim.line.probe import loop
loop.check_interval = lambda _: None
from passim.line.targets import parse_targets
ask = loop.ask
def told(target, address):
    probe = ask(target, address)
    clock = running._clock
    sys.stdout.write(f"{clock.utc_us(clock.running_ns())}\\n")
    sys.stdout.flush()
    return probe
loop.ask = told
with JournalWriter(Path(sys.argv[1])) as journal:
    running = loop.Probe(loop.Plan(parse_targets([f"one=127.0.0.1:{sys.argv[2]}"]), 0.05), journal)
    running.run()
"""


def run(folder: Path, port: int, count: int, seed: int) -> float:
    """Kill `count` probes that write one journal in `folder`; return the most that one of them lost, seconds.

    Raises AssertionError where the journal is damaged or has lost what it had.
    """
    from passim.line.journal.checking import faults
    from passim.line.journal.schema import unpacked

    draw, file, worst_s, held = random.Random(seed), folder / "journal.sqlite3", 0.0, 0
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    for number in range(count):
        with subprocess.Popen(
            [sys.executable, "-c", _PROBE, str(file), str(port)], stdout=subprocess.PIPE, text=True, env=environment
        ) as probe:
            assert probe.stdout is not None
            first = probe.stdout.readline()
            time.sleep(draw.uniform(0.0, 1.3))
            probe.send_signal(signal.SIGKILL)
            sends = [int(line) for line in [first, *probe.stdout.read().splitlines()] if line.strip()]
        found = faults(file)
        assert found == (), f"kill {number}: {found}"
        database = sqlite3.connect(file)
        rows = database.execute("SELECT minute, packed FROM minute").fetchall()
        packed = [unpacked(minute, data) for minute, data in rows]
        kept = sum(map(len, packed))
        left = [us for (us,) in database.execute("SELECT sent_us FROM open_probe")]
        database.close()
        latest = max([sent_us for probes in packed for sent_us, _ in probes] + left, default=0)
        # A probe that was never committed counts from its first send.
        lost_s = (sends[-1] - max(latest, sends[0])) / 1e6
        assert kept + len(left) >= held, f"kill {number}: {kept + len(left)} probes kept of {held}"
        # One probe a kill may have waited for an answer when it came.
        held, worst_s = kept + len(left) - 1, max(worst_s, lost_s)
    return worst_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            listener.accept()[0].close()

    threading.Thread(target=serve, daemon=True).start()
    with tempfile.TemporaryDirectory() as folder:
        worst_s = run(Path(folder), listener.getsockname()[1], given.count, given.seed)
    print(f"{given.count:,} kills: no damage; the most that one of them cost was the last {worst_s:.2f} s")


if __name__ == "__main__":
    main()
