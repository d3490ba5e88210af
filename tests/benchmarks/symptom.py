"""Benchmark of the search for what explains freezes: not a test, and pytest skips it.

    .venv/bin/python -m tests.benchmarks.symptom            three rounds, about a minute
    .venv/bin/python -m tests.benchmarks.symptom --quick    one
    .venv/bin/python -m tests.benchmarks.symptom --large    6,000 satellites in place of the invented fleet

The whole default grid over 24 hours at Marram's loft, for freezes every 3 to 12 min, 5 to 45 s long. What counts is CPU
time against the sweep of `tests.benchmarks.pass_finding` in the same round. The exit status is 1 where it is missed.
"""

from __future__ import annotations

import argparse
import sys
from datetime import timedelta

from passim import walker
from passim.answers.symptom.match import match_symptom
from passim.answers.symptom.observations import FreezeRanges
from passim.sky.view import View
from tests.scenario import MARRAM_LOFT, plover

from .pass_finding import LARGE, fleet_of, span_of, sweep_of
from .timing import in_turn, machine

# A quarter of the 9.6 sweeps that it once took.
WANTED = 2.4


def main() -> int:
    """Run the rounds, print a line, and return 1 where the figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmark of the search for what explains freezes.")
    parser.add_argument("--quick", action="store_true", help="one round in place of three")
    parser.add_argument("--large", action="store_true", help="6,000 satellites in place of the invented fleet")
    given = parser.parse_args()
    span = span_of(24)
    fleet = plover(span.start - timedelta(hours=9))
    if given.large:
        fleet = walker(
            total=6_000,
            planes=60,
            phasing=7,
            inclination_deg=53.0,
            altitude_km=550.0,
            epoch=span.start,
            name="invented",
        )
    symptom = FreezeRanges((180.0, 720.0), (5.0, 45.0))
    print(machine())
    taken = in_turn(
        {
            "sweep": sweep_of(fleet_of(LARGE)),
            "symptom": lambda: match_symptom(fleet, View(MARRAM_LOFT), span, symptom),
        },
        1 if given.quick else 3,
    )
    ratio = taken["symptom"].over(taken["sweep"])["cpu"]
    print(f"{len(fleet):,} satellites: {ratio:.2f} sweeps of CPU, wanted {WANTED}")
    return 1 if ratio > WANTED and not given.large else 0


if __name__ == "__main__":
    sys.exit(main())
