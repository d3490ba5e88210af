"""Benchmarks of many places at once: not tests, and pytest does not collect them.

    .venv/bin/python -m tests.benchmarks.sites                   some two minutes on two free cores
    .venv/bin/python -m tests.benchmarks.sites --step 20         a coarser grid: 162 points
    .venv/bin/python -m tests.benchmarks.sites --shares 10       shares alone, counted once in 10 s, on the same grid
    .venv/bin/python -m tests.benchmarks.sites --rates           seconds a place and a node, for sums on paper

A grid of the world, 10 degrees wide (648 points), under a mask of 25 deg for 24 hours by the invented fleet of
`pass_finding` (10,000 satellites). The yardstick, called a sweep, is its one SGP4 propagation of the whole fleet to 288
moments. The grid is worked through by one process and by two. Wall time is what is promised, and only a free machine
keeps it: beside it stands CPU time, that of all processes together. Memory is the peak of this process and, for each
worker, that of the largest. The exit status is 1 where a figure is missed.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import sys
import time
from collections.abc import Callable
from statistics import median

from .pass_finding import fleet_of, site_at, span_of, sweep_of
from .timing import machine, peak_memory_mb

MOST_SWEEPS, MOST_MB, LEAST_SPEED_UP = 80.0, 2000.0, 1.6


def timed(job: Callable[[], object]) -> tuple[float, float]:
    """Return wall and CPU seconds of a job, the CPU of processes that it started and waited for included."""

    def cpu_s() -> float:
        spent = os.times()
        return spent.user + spent.system + spent.children_user + spent.children_system

    wall, cpu = time.perf_counter(), cpu_s()
    job()
    return time.perf_counter() - wall, cpu_s() - cpu


def largest_worker_mb() -> float:
    """Return the peak memory of the largest process that was waited for, MB of 1e6 bytes."""
    held = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return held / 1e6 if platform.system() == "Darwin" else held * 1024 / 1e6


def grid(total: int, step_deg: float, hours: float, processes: int) -> int:
    """Go round the world, and return how many points there are."""
    from passim.answers.sites.sweeps import PlaceSweep, world_places
    from passim.parallel.chunks import WorkerConfig
    from passim.sky.view import View

    view = View(site_at(0.0, 0.0))
    places = world_places(step_deg)
    return sum(1 for _ in PlaceSweep(fleet_of(total), view, places, span_of(hours), workers=WorkerConfig(processes)))


def shares(total: int, step_deg: float, hours: float, step_s: float) -> None:
    """Print what a grid of the world costs by shares alone, in CPU time of one process, round by round."""
    from passim.answers.sites.sweeps import ShareSweep, world_places
    from passim.parallel.chunks import WorkerConfig
    from passim.sky.view import View

    fleet, view, span = fleet_of(total), View(site_at(0.0, 0.0)), span_of(hours)
    places, sweep = world_places(step_deg), sweep_of(fleet_of(total))
    sweep()
    ratios, error = [], 0.0
    for _ in range(3):
        walk = ShareSweep(fleet, view, places, span, step_s, workers=WorkerConfig(1))
        ratios.append(timed(lambda walk=walk: list(walk))[1] / timed(sweep)[1])
        error = walk.share_error
    print(
        f"{len(places):,} points by shares, once in {step_s:g} s, {hours:g} h / sweep, one process, CPU: "
        f"{median(ratios):.1f}; largest standard error {100.0 * error:.3f} points; {peak_memory_mb():.0f} MB"
    )


def rates(total: int) -> None:
    """Print what one place costs, and what the nodes cost that its neighbours share with it."""
    from passim.answers.sites.sweeps import PlaceSweep
    from passim.parallel.chunks import WorkerConfig
    from passim.sky.view import View

    view, span, fleet = View(site_at(0.0, 0.0)), span_of(24), fleet_of(total)
    for latitude_deg in (0.5, 25.5, 45.5, 52.5, 60.5):
        taken = {}
        # Neighbours one degree apart, as in a fine grid: few share the nodes, and many.
        for count in (1, 36):
            places = [(latitude_deg, -170.0 + k) for k in range(count)]
            sweep = PlaceSweep(fleet, view, places, span, workers=WorkerConfig(1))
            list(sweep)
            taken[count] = timed(lambda sweep=sweep: list(sweep))[1]
        each_s = (taken[36] - taken[1]) / 35
        print(
            f"{latitude_deg:5.1f} deg: one place alone {taken[1]:.3f} s, 36 neighbours {taken[36]:.2f} s, each more "
            f"{1e3 * each_s:.1f} ms of CPU a day for {total:,} satellites"
        )


def main() -> int:
    """Run the benchmark and return 1 where a figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmarks of many places at once.")
    parser.add_argument("--step", type=float, default=10.0, help="width of the grid, degrees (10)")
    parser.add_argument("--satellites", type=int, default=10_000, help="size of the fleet: 100, 1000, 10000 or 30000")
    parser.add_argument("--hours", type=float, default=24.0, help="length of the span (24)")
    parser.add_argument("--rates", action="store_true", help="print what single places cost instead")
    parser.add_argument("--shares", type=float, metavar="SECONDS", help="by shares alone, counted once in so many")
    asked = parser.parse_args()
    print(f"{machine()}\n")
    if asked.shares:
        shares(asked.satellites, asked.step, asked.hours, asked.shares)
        return 0
    if asked.rates:
        rates(asked.satellites)
        return 0

    # The one sweep is timed before and after: what changed between is the neighbours' doing.
    sweep = sweep_of(fleet_of(asked.satellites))
    sweep()
    before = timed(sweep)
    size = (asked.satellites, asked.step, asked.hours)
    one = timed(lambda: grid(*size, 1))
    alone_mb = peak_memory_mb()
    two = timed(lambda: grid(*size, 2))
    after = timed(sweep)
    sweep_wall_s, sweep_cpu_s = (min(pair) for pair in zip(before, after, strict=True))
    memory_mb = peak_memory_mb() + 2.0 * largest_worker_mb()
    points = round(2 * (180.0 / asked.step) ** 2)

    figures = [
        (f"{points} points / sweep, two processes, wall", two[0] / sweep_wall_s, MOST_SWEEPS, False),
        (f"{points} points / sweep, two processes, CPU of both", two[1] / sweep_cpu_s, None, False),
        (f"{points} points / sweep, one process, CPU", one[1] / sweep_cpu_s, None, False),
        ("one process / two processes, wall", one[0] / two[0], LEAST_SPEED_UP, True),
        ("the same if no other work disturbed it, from CPU", 2.0 * one[1] / two[1], None, True),
        ("peak memory, two workers and this process, MB", memory_mb, MOST_MB, False),
        ("peak memory, one process, MB", alone_mb, MOST_MB, False),
    ]
    missed = False
    for what, value, wanted, at_least in figures:
        met = wanted is None or (value >= wanted if at_least else value <= wanted)
        missed |= not met
        verdict = "" if wanted is None else f"{'>=' if at_least else '<='} {wanted:g} {'met' if met else 'MISSED'}"
        print(f"{what:58} {value:9.2f}  {verdict}")
    print(
        f"\nsweep {before[0]:.2f} and {after[0]:.2f} s wall; one process {one[0]:.1f} s, two {two[0]:.1f} s wall; "
        f"load {' '.join(f'{average:.1f}' for average in os.getloadavg())} at the end"
    )
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
