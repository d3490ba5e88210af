"""Benchmark of the limits of service, as a ratio to one plain SGP4 sweep of the same fleet: not a test.

    .venv/bin/python -m tests.benchmarks.limits             five rounds
    .venv/bin/python -m tests.benchmarks.limits --quick     two

10,000 satellites, one site, 24 h, with three gateways, an antenna cone and a keep-out around the geostationary arc:
wanted at most 1.5 sweeps of 288 moments, in CPU time; the exit status is 1 where that is missed. The search alone
stands beside.
"""

from __future__ import annotations

import argparse
import sys

from passim import find_passes
from passim.coverage.visibility import find_visibility
from passim.sky.fleet_search import SEARCHES
from passim.sky.limits import ArcKeepOut, Cone, Gateway, GatewayLimit
from passim.sky.view import View

from .pass_finding import LARGE, fleet_of, site_at, span_of, sweep_of
from .timing import in_turn, machine, peak_memory_mb

WANTED = 1.5


def main() -> int:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="two rounds instead of five")
    rounds = 2 if parser.parse_args().quick else 5

    fleet, site, span = fleet_of(LARGE), site_at(), span_of(24.0)
    gateways = GatewayLimit((Gateway("A", 39.6, -28.0), Gateway("B", 44.0, -20.0), Gateway("C", 50.0, -30.0)))
    view = View(site, (gateways, Cone(0.0, 20.0, 60.0), ArcKeepOut(18.0)))
    jobs = {
        "sweep": sweep_of(fleet),
        "limits": lambda: (SEARCHES.clear(), find_visibility(fleet, view, span)),
        "passes": lambda: find_passes(fleet, site, span),
    }
    taken = in_turn(jobs, rounds)
    print(machine())
    ratio = taken["limits"].over(taken["sweep"])
    alone = taken["passes"].over(taken["sweep"])
    print(f"three gateways, cone and arc: {ratio['cpu']:.2f} sweeps CPU, {ratio['wall']:.2f} wall; wanted {WANTED}")
    print(f"passes alone: {alone['cpu']:.2f} sweeps CPU, {alone['wall']:.2f} wall")
    print(f"most memory {peak_memory_mb():.0f} MB")
    return int(ratio["cpu"] > WANTED)


if __name__ == "__main__":
    sys.exit(main())
