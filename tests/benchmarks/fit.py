"""Benchmark of a fit over seven days of record: not a test, and pytest skips it.

    .venv/bin/python -m tests.benchmarks.fit            the invented fleet, about a minute
    .venv/bin/python -m tests.benchmarks.fit --large    6,000 satellites, 360 freezes a day, some minutes

The record is made from a mask and one gateway, its clock 7.4 s ahead, with 2 % of packets lost. What counts is the time
on a quiet machine and the largest resident size of the process, its libraries and the making of the record with it; a
fit starts no other process. The exit status is 1 where either figure is missed.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from dataclasses import replace

from passim import Gateway, GatewayLimit, Horizon, Span, View, find_visibility, fit_line, walker
from tests.scenario import MARRAM_LOFT, plover
from tests.simulated_line import recorded

from .pass_finding import span_of
from .timing import machine, peak_memory_mb

# For the invented fleet and for the large one.
WANTED_S = (60.0, 300.0)
WANTED_MB = (500.0, 1000.0)


def main() -> int:
    """Fit once, print what it took and what was found, and return 1 where a figure is missed."""
    parser = argparse.ArgumentParser(description="Benchmark of a fit over seven days of record.")
    parser.add_argument("--large", action="store_true", help="6,000 satellites in place of the invented fleet")
    given = parser.parse_args()
    span = Span.starting(span_of(24).start, hours=7 * 24.0)
    fleet, mask_deg, gateway = plover(span.start), 31.3, Gateway("South", 39.6, -28.0)
    if given.large:
        fleet = walker(
            total=6_000, planes=60, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=span.start,
            name="invented",
        )  # fmt: skip
        mask_deg, gateway = 41.0, Gateway("South", 33.4, -28.0)
    truth = View(replace(MARRAM_LOFT, horizon=Horizon.flat(mask_deg)), (GatewayLimit((gateway,)),))
    gaps = find_visibility(fleet, truth, span, warn=False).coverage().gaps()
    record = recorded(gaps, span, seed=4, offset_s=7.4, loss=0.02)
    began, cpu = time.perf_counter(), time.process_time()
    found = fit_line(fleet, View(MARRAM_LOFT), record)
    took_s, cpu_s = time.perf_counter() - began, time.process_time() - cpu
    # Before the machine is described, which asks other programs.
    peak_mb, alone = peak_memory_mb(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss == 0
    wanted_s, wanted_mb = WANTED_S[given.large], WANTED_MB[given.large]
    print(machine())
    print(f"{len(fleet):,} satellites, {found.outages:,} freezes, {found.tried:,} settings: {found!r}")
    print(f"{took_s:.0f} s ({cpu_s:.0f} s of CPU), wanted at most {wanted_s:.0f}: {_verdict(took_s, wanted_s)}")
    whole = "in the one process" if alone else "in this process, those it started not counted"
    print(f"{peak_mb:,.0f} MB resident {whole}, wanted at most {wanted_mb:,.0f}: {_verdict(peak_mb, wanted_mb)}")
    return int(took_s > wanted_s or peak_mb > wanted_mb)


def _verdict(found: float, wanted: float) -> str:
    return "met" if found <= wanted else "missed"


if __name__ == "__main__":
    sys.exit(main())
