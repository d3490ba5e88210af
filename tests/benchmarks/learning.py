"""Benchmark of learning timing errors from snapshots, as a ratio to one plain SGP4 sweep of the same size: not a test.

    .venv/bin/python -m tests.benchmarks.learning

A fleet of 10,000 satellites with 30 snapshots, every 8 hours for 3 days and daily before, as they are kept.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

from passim import walker
from passim.elements.feeds.snapshots import SnapshotStore
from passim.forecast import learn_timing
from tests.snapshots import Truth, keep_history

from .pass_finding import LARGE, fleet_of, sweep_of
from .timing import in_turn, machine

_ROUNDS = 3
_NOW = datetime(2026, 3, 1, tzinfo=UTC)


def main() -> int:
    """Run the benchmark and print its figures."""
    true = walker(
        total=LARGE, planes=100, phasing=5, inclination_deg=53.0, altitude_km=550.0, epoch=_NOW, name="invented"
    )
    with tempfile.TemporaryDirectory(prefix="passim-benchmark-") as folder:
        store = SnapshotStore(Path(folder))
        keep_history(store, true, [*(k / 3.0 for k in range(9)), *range(3, 24)], Truth(0.05, 0.5), _NOW)
        snapshots = list(store)
        jobs = {"learning": lambda: learn_timing(snapshots), "sweep": sweep_of(fleet_of(LARGE))}
        taken = in_turn(jobs, _ROUNDS)
    print(machine())
    ratio, cpu_s = taken["learning"].over(taken["sweep"]), median(taken["learning"].cpu_s)
    print(f"{len(snapshots)} snapshots of {LARGE:,} satellites: {ratio['cpu']:.2f} sweeps CPU, {cpu_s:.1f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
