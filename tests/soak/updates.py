"""Kills at random instants of an updater: no snapshot torn or lost, no address asked once more than it may be.

    python -m tests.soak.updates --count 1000 --seed 1

Each round has an address of its own, which may be asked once in two hours. An updater is killed with SIGKILL at some
instant of its work; a second one then runs to its end and finds its way from whatever was left. The server counts the
requests of each address: more than one is one too many. A snapshot is lost where a file that was whole is gone or has
changed, and torn where one has its name and other bytes. Ends with 1 where there was any.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

from passim.elements.feeds.snapshots import SnapshotStore, read_snapshot
from tests.feed_server import FeedServer, feed_server, fresh_list, status

_OBJECTS: Final = 300
# So many rounds share a folder, whose snapshots each of them may spoil.
_A_FOLDER: Final = 20
# Longer than an update takes on a machine that has nothing else to do, so that some kills come too late.
_LONGEST_S: Final = 0.15
_REQUEST_WITHIN_S: Final = 2.0

# A process without threads, which forks an updater a line: a folder, an address and a word.
_NURSERY: Final = """
    import os
    import sys
    from pathlib import Path
    from passim.elements.feeds import http
    from passim.elements.feeds.request_log import RequestLog
    from passim.elements.feeds.snapshots import SnapshotStore
    from passim.elements.feeds.sources import Address
    from passim.elements.feeds.update import update_from_address
    for line in sys.stdin:
        folder, address = line.split()
        child = os.fork()
        if child == 0:
            feed = Address(address=address, minimum_interval_s=7200.0, every_s=7200.0)
            store, log = SnapshotStore(Path(folder) / "snapshots"), RequestLog(Path(folder) / "state")
            update = update_from_address(feed, store, "Plover", log)
            print(update.outcome.replace(" ", "-"), update.error or "", flush=True)
            os._exit(0)
        print(child, flush=True)
        sys.stdin.readline()  # until then its number is nobody else's
        os.waitpid(child, 0)
        print("gone", flush=True)
"""


def snapshots_of(folder: Path) -> dict[str, str]:
    """Return the digest of every snapshot there, by its name."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (folder / "snapshots").glob("*.npz")}


def asked_of(server: FeedServer, number: int) -> int:
    """Return how often the address of a round was asked."""
    return sum(f"/{number}.json " in head[""] for head in server.heads)


def main() -> int:
    parser = argparse.ArgumentParser(description="Kills at random instants of an updater.")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    dice = random.Random(given.seed)
    outcomes: Counter[str] = Counter()
    failures: list[str] = []
    bodies = [fresh_list(_OBJECTS, hours) for hours in range(7)]
    began_s = time.monotonic()

    def reply(connection: Any, head: dict[str, str]) -> None:
        status("200 OK", bodies[dice.randrange(len(bodies))])(connection, head)

    with (
        tempfile.TemporaryDirectory(prefix="passim-soak-") as name,
        feed_server(reply) as server,
        subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(_NURSERY)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as nursery,
    ):
        assert nursery.stdin is not None
        assert nursery.stdout is not None
        for number in range(given.count):
            folder = Path(name) / f"{number // _A_FOLDER}"
            folder.mkdir(exist_ok=True)
            before = snapshots_of(folder)
            line = f"{folder} http://127.0.0.1:{server.port}/{number}.json"
            said = []
            for killed in (True, False):
                print(line, file=nursery.stdin, flush=True)
                child = int(nursery.stdout.readline())
                if killed:
                    # Half of them are killed at any instant, the others after the request, where most is written.
                    until_s = time.monotonic() + _REQUEST_WITHIN_S * dice.randrange(2)
                    while not asked_of(server, number) and time.monotonic() < until_s:
                        time.sleep(0.001)
                    time.sleep(dice.uniform(0.0, _LONGEST_S))
                    os.kill(child, signal.SIGKILL)
                print("killed", file=nursery.stdin, flush=True)
                while (told := nursery.stdout.readline().strip()) != "gone":
                    said.append(f"{'killed' if killed else 'next'} {told.split()[0]}")
                    if told.split()[0] == "failed":
                        failures.append(f"kill {number}: {told}")
                asked = asked_of(server, number)
                if killed:
                    outcomes[f"killed {'after' if asked else 'before'} the request"] += 1
                if asked > 1:
                    failures.append(f"kill {number}: asked {asked} times")
                store, after = SnapshotStore(folder / "snapshots"), snapshots_of(folder)
                if any(after.get(kept) != digest for kept, digest in before.items()):
                    failures.append(f"kill {number}: a snapshot is lost")
                if store.damaged():
                    failures.append(f"kill {number}: a snapshot is torn")
                if (newest := store.newest()) and len(read_snapshot(newest, "Plover")) != _OBJECTS:
                    failures.append(f"kill {number}: the newest is not whole")
                before = after
            outcomes.update(said)
            if not before and said[-1] != "next not-due":
                failures.append(f"kill {number}: nothing is there at the end")
            if number % 25 == 24:
                took_s = time.monotonic() - began_s
                print(f"{number + 1:,} of {given.count:,} in {took_s:.0f} s, {len(failures)} failures", flush=True)
        nursery.stdin.close()
        requests = server.count
    for words, times in sorted(outcomes.items()):
        print(f"{times:>8,} {words}")
    print(f"{given.count:,} kills in {time.monotonic() - began_s:.0f} s, seed {given.seed}; {requests:,} requests")
    print(f"{len(failures)} failures")
    for words in failures[:50]:
        print(f"  {words}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
