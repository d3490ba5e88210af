"""Benchmarks of the pass search, as ratios to work anybody can repeat: not tests, and pytest does not collect them.

    .venv/bin/python -m tests.benchmarks.pass_finding                      all of them, some five minutes
    .venv/bin/python -m tests.benchmarks.pass_finding --quick              fewer rounds
    .venv/bin/python -m tests.benchmarks.pass_finding --only sweep,week    some
    .venv/bin/python -m tests.benchmarks.pass_finding --json figures.json  also as a file

The fleet is 100 planes of 100 satellites (invented), phasing 1, 550 km, 53 deg; the site stands at 44.6 N under a mask
of 25 deg; the span is 24 hours. The yardstick, called a sweep, is one SGP4 propagation of that whole fleet to 288
moments 5 minutes apart with `SatrecArray`, and nothing else.

Each benchmark runs in a process of its own, so that none warms another and each has its own peak of memory. "Warm"
means that the fleet has been searched before and keeps its initialised SGP4 models; "cold" that they are made anew. A
wanted figure is met in CPU time, which a busy machine disturbs least. The exit status is 1 where one is missed.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

from .timing import Rounds, in_turn, machine, peak_memory_mb

if TYPE_CHECKING:
    import passim

# The process that starts the others imports nothing large: what it holds would count as theirs.

ROOT = Path(__file__).resolve().parents[2]
EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
MASK_DEG = 25.0

PATTERNS = {100: 10, 1_000: 25, 10_000: 100, 30_000: 150}
LARGE = 10_000
SAMPLE = 100
SITES = 100


@dataclass(frozen=True)
class Figure:
    """One line of the result: a ratio in wall and CPU time, or megabytes. `wanted` bounds `value`, if it is given."""

    what: str
    unit: str
    value: float
    wall: float | None = None
    wanted: float | None = None
    at_least: bool = False
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the wanted figure is met; None where none is wanted."""
        if self.wanted is None:
            return None
        return self.value >= self.wanted if self.at_least else self.value <= self.wanted


def fleet_of(total: int) -> passim.Fleet:
    """Return the invented fleet of so many satellites."""
    import passim

    return passim.walker(
        total=total,
        planes=PATTERNS[total],
        phasing=1,
        inclination_deg=53.0,
        altitude_km=550.0,
        epoch=EPOCH,
        name="invented",
    )


def site_at(latitude_deg: float = 44.6, longitude_deg: float = -28.0, name: str = "invented") -> passim.Site:
    """Return a site under the plain mask."""
    import passim

    return passim.Site(name, latitude_deg, longitude_deg, horizon=passim.Horizon.flat(MASK_DEG))


def sites_around(count: int) -> list[passim.Site]:
    """Return sites spread evenly over the sphere between 55 S and 55 N, along a spiral."""
    import numpy as np

    sine = np.sin(np.radians(55.0)) * (2.0 * (np.arange(count) + 0.5) / count - 1.0)
    longitudes_deg = np.arange(count) * 137.508 % 360.0 - 180.0
    return [
        site_at(float(latitude), float(longitude), f"invented {i}")
        for i, (latitude, longitude) in enumerate(zip(np.degrees(np.arcsin(sine)), longitudes_deg, strict=True))
    ]


def span_of(hours: float) -> passim.Span:
    """Return the span of so many hours from the fleet's epoch."""
    import passim

    return passim.Span.starting(EPOCH, hours=hours)


def sweep_of(fleet: passim.Fleet) -> Callable[[], object]:
    """Return the yardstick for `fleet`: SGP4 for all of it, 288 times 5 minutes apart, from models made before."""
    import numpy as np
    from sgp4.api import SatrecArray, jday

    from passim.orbits.propagation import Propagator

    moments = [EPOCH + timedelta(minutes=5 * i) for i in range(288)]
    dates = [jday(t.year, t.month, t.day, t.hour, t.minute, t.second) for t in moments]
    days, fractions = np.array(dates).T.copy()
    array = SatrecArray(Propagator.of(fleet).models)
    return lambda: array.sgp4(days, fractions)


def search(rounds: int) -> list[Figure]:
    """A day against the event search of skyfield, satellite by satellite, on every hundredth satellite."""
    from skyfield.api import EarthSatellite, load, wgs84

    import passim
    from passim.orbits.propagation import Propagator

    fleet, site, span = fleet_of(LARGE), site_at(), span_of(24)
    timescale = load.timescale(builtin=True)
    where = wgs84.latlon(site.latitude_deg, site.longitude_deg)
    start, end = timescale.from_datetimes([span.start, span.end])
    models = Propagator.of(fleet).models
    sample = [EarthSatellite.from_satrec(model, timescale) for model in models[:: LARGE // SAMPLE]]
    taken = in_turn(
        {
            "events": lambda: [s.find_events(where, start, end, altitude_degrees=MASK_DEG) for s in sample],
            "passes": lambda: passim.find_passes(fleet, site, span),
        },
        rounds,
    )
    ratio = taken["events"].over(taken["passes"], scale=LARGE / SAMPLE)
    each_ms = 1e3 * median(taken["events"].cpu_s) / SAMPLE
    return [
        Figure(
            "skyfield's find_events / find_passes, warm",
            "times faster",
            ratio["cpu"],
            ratio["wall"],
            50.0,
            at_least=True,
            note=f"{SAMPLE} satellites, {each_ms:.1f} ms each, scaled to {LARGE:,}",
        )
    ]


def sweep(rounds: int) -> list[Figure]:
    """A day against one plain sweep, with the SGP4 models kept from an earlier search and made anew."""
    import passim

    fleet, site, span = fleet_of(LARGE), site_at(), span_of(24)
    taken = in_turn(
        {
            "sweep": sweep_of(fleet),
            "warm": lambda: passim.find_passes(fleet, site, span),
            "cold": lambda: passim.find_passes(passim.Fleet(fleet.records, "invented"), site, span),
        },
        rounds,
    )
    return [
        _ratio("find_passes / sweep, warm", taken["warm"], taken["sweep"], 0.5),
        _ratio("find_passes / sweep, cold", taken["cold"], taken["sweep"], 0.5),
    ]


def sites(rounds: int) -> list[Figure]:
    """A day at a hundred sites all around the world, streamed."""
    from passim.sky.passes import iterate_passes

    fleet, places, span = fleet_of(LARGE), sites_around(SITES), span_of(24)
    taken = in_turn(
        {
            "sweep": sweep_of(fleet),
            "sites": lambda: sum(len(table) for table in iterate_passes(fleet, places, span)),
        },
        rounds,
    )
    return [_ratio(f"passes at {SITES} sites / sweep, warm", taken["sites"], taken["sweep"], 12.0)]


def sites_memory(_: int) -> list[Figure]:
    """The memory of the hundred sites."""
    from passim.sky.passes import iterate_passes

    before = _memory_before()
    for _table in iterate_passes(fleet_of(LARGE), sites_around(SITES), span_of(24)):
        pass
    return [Figure(f"peak memory, passes at {SITES} sites", "MB", peak_memory_mb(), wanted=2_000.0, note=before)]


def week(rounds: int) -> list[Figure]:
    """Seven days against one."""
    import passim

    fleet, site = fleet_of(LARGE), site_at()
    taken = in_turn(
        {
            "day": lambda: passim.find_passes(fleet, site, span_of(24)),
            "week": lambda: passim.find_passes(fleet, site, span_of(24 * 7)),
        },
        rounds,
    )
    return [_ratio("seven days / one day, warm", taken["week"], taken["day"], 7.5)]


def week_memory(_: int) -> list[Figure]:
    """The memory of the seven days."""
    import passim

    before = _memory_before()
    passim.find_passes(fleet_of(LARGE), site_at(), span_of(24 * 7))
    return [Figure("peak memory, seven days", "MB", peak_memory_mb(), wanted=700.0, note=before)]


def coverage(rounds: int) -> list[Figure]:
    """The coverage of a day, its gaps and its minutes, against finding its passes."""
    import passim

    fleet, site, span = fleet_of(LARGE), site_at(), span_of(24)
    passes = passim.find_passes(fleet, site, span)

    def cover() -> None:
        found = passim.Coverage.from_passes(passes, span)
        found.gaps()
        found.minutes("Atlantic/Azores")

    taken = in_turn({"passes": lambda: passim.find_passes(fleet, site, span), "coverage": cover}, rounds)
    return [_ratio("coverage, gaps and minutes / find_passes, warm", taken["coverage"], taken["passes"], 0.1)]


def sizes(rounds: int) -> list[Figure]:
    """A day for fleets of four sizes, each against its own sweep."""
    import passim

    site, span, figures = site_at(), span_of(24), []
    for total in PATTERNS:
        fleet = fleet_of(total)
        taken = in_turn({"sweep": sweep_of(fleet), "passes": lambda f=fleet: passim.find_passes(f, site, span)}, rounds)
        figures.append(_ratio(f"find_passes / its sweep, {total:,} satellites, warm", taken["passes"], taken["sweep"]))
    return figures


BENCHMARKS: dict[str, Callable[[int], list[Figure]]] = {
    "search": search,
    "sweep": sweep,
    "sites": sites,
    "sites-memory": sites_memory,
    "week": week,
    "week-memory": week_memory,
    "coverage": coverage,
    "sizes": sizes,
}


def _ratio(what: str, job: Rounds, over: Rounds, wanted: float | None = None) -> Figure:
    ratio = job.over(over)
    seconds = f"{median(job.cpu_s):.3g} s and {median(over.cpu_s):.3g} s of CPU"
    return Figure(what, "ratio", ratio["cpu"], ratio["wall"], wanted, note=seconds)


def _memory_before() -> str:
    import passim  # noqa: F401  # what the libraries hold counts as before

    return f"{peak_memory_mb():.0f} MB of it before the fleet was made"


def _run_apart(name: str, rounds: int) -> list[Figure]:
    """Run one benchmark in a fresh process."""
    command = [sys.executable, "-m", "tests.benchmarks.pass_finding", "--here", name, "--rounds", str(rounds)]
    done = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True)
    return [Figure(**entry) for entry in json.loads(done.stdout)]


def _line(figure: Figure) -> str:
    digits = 0 if figure.unit == "MB" or figure.value >= 100.0 else 3 if figure.value < 1.0 else 2
    wall = "" if figure.wall is None else f"{figure.wall:.{digits}f}"
    wanted = "" if figure.wanted is None else f"{'>=' if figure.at_least else '<='} {figure.wanted:g}"
    verdict = {None: "", True: "met", False: "MISSED"}[figure.met]
    value = f"{figure.value:.{digits}f}"
    return f"{figure.what:52} {value:>8} {wall:>8} {wanted:>8} {verdict:7} {figure.unit}; {figure.note}"


def main() -> int:
    """Run the benchmarks that the command line asks for, print the table, and return 1 where a figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmarks of the pass search.")
    parser.add_argument("--only", metavar="NAMES", help=f"some of {', '.join(BENCHMARKS)}, with commas between")
    parser.add_argument("--quick", action="store_true", help="two rounds in place of five")
    parser.add_argument("--rounds", type=int, help="how often each job runs (5; 2 with --quick)")
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the figures to FILE as well")
    parser.add_argument("--here", choices=BENCHMARKS, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    rounds = asked.rounds or (2 if asked.quick else 5)
    if asked.here:
        json.dump([asdict(figure) for figure in BENCHMARKS[asked.here](rounds)], sys.stdout)
        return 0

    names = asked.only.split(",") if asked.only else list(BENCHMARKS)
    if unknown := [name for name in names if name not in BENCHMARKS]:
        parser.error(f"no benchmark called {unknown[0]!r}: there are {', '.join(BENCHMARKS)}")
    state = machine()
    print(f"{state}\n{rounds} rounds in turn after one to warm up; medians of the ratios of each round\n")
    print(f"{'':52} {'CPU':>8} {'wall':>8} {'wanted':>8}")
    figures: dict[str, list[Figure]] = {}
    for name in names:
        figures[name] = _run_apart(name, rounds)
        for figure in figures[name]:
            print(_line(figure), flush=True)
    if asked.json:
        entries: list[dict[str, Any]] = [
            {"benchmark": name, **asdict(figure), "met": figure.met} for name in names for figure in figures[name]
        ]
        asked.json.write_text(json.dumps({"machine": state, "rounds": rounds, "figures": entries}, indent=2) + "\n")
    return 1 if any(figure.met is False for kind in figures.values() for figure in kind) else 0


if __name__ == "__main__":
    sys.exit(main())
