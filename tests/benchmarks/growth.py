"""Benchmarks of growth, as ratios to work anybody can repeat: not tests, and pytest does not collect them.

    .venv/bin/python -m tests.benchmarks.growth             all of them, about a minute
    .venv/bin/python -m tests.benchmarks.growth --quick     fewer rounds
    .venv/bin/python -m tests.benchmarks.growth --only plain

Fleet, site, span and yardstick are those of `tests.benchmarks.pass_finding`: a sweep is one SGP4 propagation of the
10,000 satellites to 288 moments 5 minutes apart. Each benchmark runs in a process of its own.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict
from statistics import median

from .pass_finding import EPOCH, LARGE, ROOT, Figure, fleet_of, site_at, span_of, sweep_of
from .timing import in_turn, machine, peak_memory_mb

DRAWS = 100
PLAIN_SATELLITES = 2_000
PLAIN_EVERY = 10


def orders(rounds: int) -> list[Figure]:
    """Growth of the whole fleet, one day, every N, a hundred random orders: from the elements to the table."""
    import passim

    fleet = fleet_of(LARGE)
    taken = in_turn(
        {
            "sweep": sweep_of(fleet),
            "warm": lambda: _grow(fleet),
            "cold": lambda: _grow(passim.Fleet(fleet.records, "invented")),
        },
        rounds,
    )
    figures = []
    for kind in ("warm", "cold"):
        ratio = taken[kind].over(taken["sweep"])
        seconds = f"{median(taken[kind].cpu_s):.3g} s and {median(taken['sweep'].cpu_s):.3g} s of CPU"
        what = f"growth of {LARGE:,}, {DRAWS} orders / sweep, {kind}"
        figures.append(Figure(what, "ratio", ratio["cpu"], ratio["wall"], 4.0, note=seconds))
    return figures


def memory(_: int) -> list[Figure]:
    """The memory of the same."""
    _grow(fleet_of(LARGE))
    return [Figure(f"peak memory, growth of {LARGE:,}, {DRAWS} orders", "MB", peak_memory_mb(), wanted=2_000.0)]


def plain(rounds: int) -> list[Figure]:
    """One sweep for every N against one coverage a N, which is timed at every tenth N and scaled."""
    import numpy as np

    import passim
    from passim.answers.growth.curves import growth
    from passim.answers.growth.orders import random_orders
    from passim.coverage.visibility import find_visibility
    from passim.sky.view import View

    fleet = passim.walker(
        total=PLAIN_SATELLITES, planes=40, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH
    )
    seen = find_visibility(fleet, View(site_at()), span_of(24))
    order = random_orders(seen.fleet, draws=1)

    def one_by_one() -> None:
        joint = seen.joint()
        rank = order.ranks[0][joint.group]
        for satellites in np.arange(PLAIN_EVERY // 2, PLAIN_SATELLITES, PLAIN_EVERY):
            chosen = rank < satellites
            passim.Coverage.from_intervals(joint.start[chosen], joint.end[chosen], seen.span).summary()

    taken = in_turn({"plain": one_by_one, "growth": lambda: growth(seen, order)}, rounds)
    ratio = taken["plain"].over(taken["growth"], scale=PLAIN_EVERY)
    note = f"{median(taken['growth'].cpu_s):.3g} s of CPU; the plain way at every {PLAIN_EVERY}th N, scaled"
    what = f"one coverage a N / all N at once, {PLAIN_SATELLITES:,}"
    return [Figure(what, "times faster", ratio["cpu"], ratio["wall"], 200.0, at_least=True, note=note)]


BENCHMARKS: dict[str, Callable[[int], list[Figure]]] = {"orders": orders, "memory": memory, "plain": plain}


def _grow(fleet: object) -> None:
    """Go the whole way: visibility, a hundred orders, every N, the table with its bands."""
    from passim.answers.growth.curves import growth
    from passim.answers.growth.orders import random_orders
    from passim.coverage.visibility import find_visibility
    from passim.sky.view import View

    seen = find_visibility(fleet, View(site_at()), span_of(24))  # type: ignore[call-overload]
    growth(seen, random_orders(seen.fleet, draws=DRAWS))


def main() -> int:
    """Run the benchmarks that the command line asks for, print them, and return 1 where a figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmarks of growth.")
    parser.add_argument("--only", metavar="NAMES", help=f"some of {', '.join(BENCHMARKS)}, with commas between")
    parser.add_argument("--quick", action="store_true", help="two rounds in place of five")
    parser.add_argument("--here", choices=BENCHMARKS, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    rounds = 2 if asked.quick else 5
    if asked.here:
        json.dump([asdict(figure) for figure in BENCHMARKS[asked.here](rounds)], sys.stdout)
        return 0
    names = asked.only.split(",") if asked.only else list(BENCHMARKS)
    if unknown := [name for name in names if name not in BENCHMARKS]:
        parser.error(f"no benchmark called {unknown[0]!r}: there are {', '.join(BENCHMARKS)}")
    print(f"{machine()}\n{rounds} rounds in turn after one to warm up; medians of the ratios of each round, CPU time\n")
    missed = False
    for name in names:
        command = [sys.executable, "-m", "tests.benchmarks.growth", "--here", name, *(["--quick"] * asked.quick)]
        done = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True)
        for figure in (Figure(**entry) for entry in json.loads(done.stdout)):
            missed = missed or figure.met is False
            sign = ">=" if figure.at_least else "<="
            verdict = "met" if figure.met else "MISSED"
            value = f"{figure.value:.3g} {figure.unit}"
            print(f"{figure.what:55} {value:>20}  {sign} {figure.wanted:g} {verdict}; {figure.note}", flush=True)
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
