"""Benchmarks of the odds, as ratios to work anybody can repeat: not tests, and pytest does not collect them.

    .venv/bin/python -m tests.benchmarks.odds              five rounds, about a minute
    .venv/bin/python -m tests.benchmarks.odds --quick      two

Everything starts from intervals found before. The yardsticks are the sweep of `tests.benchmarks.pass_finding`, SGP4 for
10,000 satellites at 288 moments, and one plain numpy argsort of 10,000 floats. Elements are one day old at the start
unless said otherwise. A wanted figure is met in CPU time; the exit status is 1 where one is missed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from datetime import timedelta
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

import passim
from passim.coverage.visibility import find_visibility
from passim.forecast.odds import odds_of_no_service
from passim.forecast.odds_events import simulate
from passim.intervals import GroupedIntervals
from passim.sky.limits.gateways import GatewayLimit
from passim.sky.view import View
from tests.scenario import MARRAM_LOFT, SOUTH, plover

from .pass_finding import LARGE, fleet_of, site_at, span_of, sweep_of
from .timing import in_turn, machine

DAY_US = 86_400_000_000
ARGSORTS_A_ROUND = 50


class Sky(NamedTuple):
    """Intervals in which satellites can serve, the epochs of their elements, and the span they were sought in."""

    joint: GroupedIntervals
    epochs_us: NDArray[np.int64]
    span: passim.Span

    def aged(self, days: float) -> Sky:
        """Return the same sky by elements that are so many days older."""
        return self._replace(epochs_us=self.epochs_us - round(days * DAY_US))

    def cut_short(self, length_s: float) -> Sky:
        """Return the same sky with no interval longer than `length_s`, as narrow limits of service leave it."""
        satellite, start_us, end_us = self.joint
        return self._replace(
            joint=GroupedIntervals(satellite, start_us, np.minimum(end_us, start_us + round(length_s * 1e6)))
        )

    def some(self, count: int) -> Sky:
        """Return that many of the intervals, taken at random (seeded)."""
        kept = np.sort(np.random.default_rng(1).choice(self.joint.group.size, count, replace=False))
        return self._replace(joint=GroupedIntervals(*(column[kept] for column in self.joint)))


def large_sky() -> Sky:
    """A day of the benchmark fleet of 30,000 under a plain mask, its elements a day old at the start."""
    found = find_visibility(fleet_of(30_000), View(site_at()), span_of(24))
    return Sky(found.joint(), found.fleet.epochs.astype(np.int64), found.span).aged(1.0)


def scenario_week() -> Sky:
    """Seven days of the invented fleet over Marram's loft, with and only with the gateway South in view."""
    span = span_of(24 * 7)
    gateway = SOUTH
    view = View(MARRAM_LOFT, (GatewayLimit((gateway,)),))
    found = find_visibility(plover(span.start - timedelta(hours=6)), view, span)
    return Sky(found.joint(), found.fleet.epochs.astype(np.int64), found.span)


def rank_every_minute(sky: Sky) -> None:
    """Draw the future and rank a half-hour call at every minute, with the odds of every second beside it."""
    odds_of_no_service(*sky)
    starts_us = np.arange(sky.span.start_us, sky.span.end_us - 30 * 60_000_000 + 1, 60_000_000)
    odds = simulate(*sky, runs=200).windows(starts_us, 1800.0)
    np.lexsort((odds.worst_p90_s, odds.expected_frozen_s, odds.expected_count[:, 1], odds.chance[:, 2] > 0.05))


def main() -> int:
    """Run all, print a line each, and return 1 where a figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmarks of the odds.")
    parser.add_argument("--quick", action="store_true", help="two rounds in place of five")
    rounds = 2 if parser.parse_args().quick else 5
    floats = np.random.default_rng(1).random(10_000)
    large, week = large_sky(), scenario_week()
    print(machine())
    print(f"intervals drawn from {large.joint.group.size:,} of a day; {week.joint.group.size:,} in the week\n")

    some = {days: large.aged(days - 1).some(60_000) for days in (1, 7)}
    short = {days: sky.cut_short(10.0) for days, sky in some.items()}
    few = {days: large.aged(days - 1).some(5_000) for days in (1, 3, 7)}
    jobs: dict[str, Callable[[], object]] = {
        "sweep": sweep_of(fleet_of(LARGE)),
        "argsorts": lambda: [np.argsort(floats) for _ in range(ARGSORTS_A_ROUND)],
        **{f"odds {days}": lambda sky=sky: odds_of_no_service(*sky) for days, sky in some.items()},
        **{f"draws {days}": lambda sky=sky: simulate(*sky, runs=1000) for days, sky in few.items()},
        **{f"short {days}": lambda sky=sky: odds_of_no_service(*sky) for days, sky in short.items()},
        "week": lambda: rank_every_minute(week),
    }
    taken = in_turn(jobs, rounds)

    lines = [
        (f"odds of a day, 60,000 intervals, {days} d old / sweep", taken[f"odds {days}"].over(taken["sweep"]), 0.5)
        for days in some
    ]
    lines.append(
        ("odds of a day, 60,000 intervals of 10 s, 1 d old / sweep", taken["short 1"].over(taken["sweep"]), 0.5)
    )
    lines += [
        (
            f"1,000 runs of a day, 5,000 intervals, {days} d old / argsort",
            taken[f"draws {days}"].over(taken["argsorts"], scale=ARGSORTS_A_ROUND),
            1500.0,
        )
        for days in few
    ]
    for name, what, wanted in (
        ("week", "every minute of a week ranked, 200 runs, seconds", 5.0),
        ("short 7", "odds of a day, 60,000 intervals of 10 s, 7 d old, seconds", 1.0),
    ):
        lines.append((what, {"cpu": median(taken[name].cpu_s), "wall": median(taken[name].wall_s)}, wanted))
    print(f"{'':60} {'CPU':>8} {'wall':>8} {'wanted':>8}")
    for what, figure, wanted in lines:
        missed = "" if figure["cpu"] <= wanted else "  missed"
        print(f"{what:60} {figure['cpu']:8.3g} {figure['wall']:8.3g} {wanted:8.4g}{missed}")
    return 1 if any(figure["cpu"] > wanted for _, figure, wanted in lines) else 0


if __name__ == "__main__":
    sys.exit(main())
