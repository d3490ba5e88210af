"""Benchmarks of the second question, the same fleet and span under another limit: not tests, and pytest skips them.

    .venv/bin/python -m tests.benchmarks.changes            five rounds, about a minute
    .venv/bin/python -m tests.benchmarks.changes --quick    two

10,000 satellites over 24 hours, first asked under a mask of 25 deg with nothing kept; then each other view is asked in
the same order in every round, the fleet and what is kept of the search before. What counts is the CPU time of each
against the first's of the same round. The exit status is 1 where the mask's figure is missed.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from statistics import median

from passim import ArcKeepOut, Cone, Gateway, Horizon, View
from passim.coverage.visibility import find_visibility
from passim.sky.fleet_search import SEARCHES
from passim.sky.limits import GatewayLimit

from .pass_finding import LARGE, fleet_of, site_at, span_of
from .timing import machine

WANTED = 0.2


def views() -> dict[str, View]:
    """Return what is asked, in order; the first is found with nothing kept."""
    site = site_at()

    def under(horizon: Horizon, *limits: object) -> View:
        return View(replace(site, horizon=horizon), limits)  # type: ignore[arg-type]

    south = GatewayLimit((Gateway("invented", 39.6, -28.0),))
    return {
        "mask 25, nothing kept": under(Horizon.flat(25.0)),
        "mask 30, the first change at this place": under(Horizon.flat(30.0)),
        "mask 35": under(Horizon.flat(35.0)),
        "mask 28": under(Horizon.flat(28.0)),
        "a cone": under(Horizon.flat(25.0), Cone(0.0, 20.0, 50.0)),
        "a gateway": under(Horizon.flat(25.0), south),
        "another mask with the gateway": under(Horizon.flat(30.0), south),
        "the arc": under(Horizon.flat(25.0), ArcKeepOut(18.0)),
        "a horizon by azimuth": under(Horizon((0.0, 90.0, 180.0, 270.0), (25.0, 40.0, 27.0, 35.0))),
        "mask 20, lower than any before": under(Horizon.flat(20.0)),
        "another place": View(site_at(52.0)),
    }


def main() -> int:
    """Run the rounds, print a line each, and return 1 where the mask's figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmarks of the second question.")
    parser.add_argument("--quick", action="store_true", help="two rounds in place of five")
    rounds = 2 if parser.parse_args().quick else 5
    fleet, span, asked = fleet_of(LARGE), span_of(24), views()
    find_visibility(fleet, View(site_at()), span)
    print(machine())
    taken: dict[str, list[float]] = {name: [] for name in asked}
    for _ in range(rounds):
        SEARCHES.clear()
        for name, view in asked.items():
            begun = time.process_time()
            find_visibility(fleet, view, span).joint()
            taken[name].append(time.process_time() - begun)
    first, *changes = taken
    ratios = {name: median(a / b for a, b in zip(taken[name], taken[first], strict=True)) for name in changes}
    print(f"{first}: {median(taken[first]):.2f} s of CPU, ratios to it:")
    for name, ratio in ratios.items():
        print(f"{name:42} {ratio:6.2f}")
    kept = SEARCHES.take(fleet, span)
    print(f"kept: {kept.size_bytes / 1e6:.0f} MB")
    return 1 if ratios["mask 35"] > WANTED else 0


if __name__ == "__main__":
    sys.exit(main())
