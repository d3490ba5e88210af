"""Benchmark of the health of 10,000 satellites with 30 snapshots, in CPU time of one core: not a test.

    .venv/bin/python -m tests.benchmarks.health

A snapshot a day for thirty days, in which two in a hundred are manoeuvred, one in a hundred goes missing, and a launch
of fifty arrives each week. Told apart: reading the snapshots for who manoeuvred, is missing and arrived; judging who
serves; and the whole condition, object by object. The least of some rounds counts.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from passim import Fleet, walker
from passim.elements.condition import condition_of
from passim.elements.feeds.history import read_history, recent_climbs
from passim.elements.feeds.snapshots import SnapshotStore, read_snapshot
from passim.elements.health import assess

from .timing import machine, peak_memory_mb

SATELLITES, SNAPSHOTS = 10_000, 30
WANTED_S = 1.0
_ROUNDS = 5
_EPOCH = datetime(2026, 3, 1, tzinfo=UTC)


def snapshots(folder: Path) -> SnapshotStore:
    """Return the thirty snapshots, kept in a folder."""
    dice = np.random.default_rng(1)
    fleet = walker(
        total=SATELLITES, planes=100, phasing=7, inclination_deg=53, altitude_km=550, epoch=_EPOCH,
        first_satellite_id=90001,
    )  # fmt: skip
    store = SnapshotStore(folder)
    moved = dice.random(SATELLITES) < 0.02
    moved_day, gone_day = dice.uniform(1, 29, SATELLITES), np.where(dice.random(SATELLITES) < 0.01, 15.0, 99.0)
    arrives_day = np.zeros(SATELLITES)
    arrives_day[-200:] = np.repeat([7.0, 14.0, 21.0, 28.0], 50)
    for day in range(SNAPSHOTS):
        ages_s, noise = dice.uniform(0.0, 40_000.0, SATELLITES), dice.normal(0.0, 2e-7, SATELLITES)
        faster = np.where(moved & (moved_day < day), -0.003, 0.0) + noise
        records = [
            replace(
                record,
                designator=f"2026-{900 + int(begins):03d}A" if begins else "2025-901A",
                epoch=_EPOCH + timedelta(days=day) - timedelta(seconds=age_s),
                mean_motion_rev_day=record.mean_motion_rev_day + more,
            )
            for record, age_s, more, begins, ends in zip(
                fleet, ages_s.tolist(), faster.tolist(), arrives_day.tolist(), gone_day.tolist(), strict=True
            )
            if begins <= day < ends
        ]
        store.keep(Fleet(records), source="invented", content_digest=f"{day}", fetched_at=_EPOCH + timedelta(days=day))
    return store


def main() -> int:
    """Run the benchmark and print its figures."""
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        store = snapshots(Path(folder))
        newest = store.newest()
        assert newest is not None
        now = newest.fetched_at
        climbs = recent_climbs(store, newest)
        fleet = read_snapshot(newest, "invented", climbs)
        history = read_history(store)
        work: dict[str, Callable[[], object]] = {
            "what the snapshots tell": lambda: read_history(store),
            "who climbs, read with every fleet": lambda: recent_climbs(store, newest),
            "who serves, from one snapshot": lambda: assess(fleet, now),
            "every object's condition besides": lambda: condition_of(fleet, now, history, assess(fleet, now)),
            "all of it": lambda: condition_of(fleet, now, read_history(store)),
        }
        least_s = dict.fromkeys(work, math.inf)
        for _ in range(_ROUNDS):
            for name, run in work.items():
                began_s = time.process_time()
                run()
                least_s[name] = min(least_s[name], time.process_time() - began_s)
        size_mb = sum(each.path.stat().st_size for each in store) / 1e6
        tracemalloc.start()
        condition = condition_of(fleet, now, read_history(store))
        beside_mb = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
    assert condition.history is not None
    print(
        f"{len(fleet):,} satellites, {SNAPSHOTS} snapshots of {size_mb:.1f} MB together: "
        f"{len(condition.history.manoeuvres):,} manoeuvres, {len(condition.history.missing):,} missing, "
        f"{len(condition.history.arrivals):,} launches"
    )
    for name, seconds in least_s.items():
        print(f"{name + ',':36} {seconds:.2f} s")
    print(f"at most {beside_mb:.0f} MB beside the fleet, {peak_memory_mb():.0f} MB in all; wanted {WANTED_S:g} s")
    return int(least_s["all of it"] > WANTED_S)


if __name__ == "__main__":
    sys.exit(main())
