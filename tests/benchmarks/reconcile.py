"""Thirty days of record held against their forecast: what it costs to read, to forecast and to compare.

    .venv/bin/python -m tests.benchmarks.reconcile [--days 30]

The record is a probe's, once a second to three targets, of a line that is out in each gap of the regular check fleet
with one gateway (290 a day) and 110 times more at random: about 400 freezes a day (invented). Seconds are those of the
processor; 10 s for all was wanted.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

import passim
from passim import Gateway, GatewayLimit, Horizon, Journal, Site, Span, View
from passim.line import compare_record, past_forecast
from tests.simulated_line import recorded

from .timing import machine, peak_memory_mb

START = datetime(2026, 3, 1, tzinfo=UTC)


def fleet_of(at: datetime) -> passim.Fleet:
    """Return the fleet by elements of the day of a moment, as a feed brings them."""
    midnight = at.replace(hour=0, minute=0, second=0, microsecond=0)
    return passim.walker(
        total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=midnight, name="invented"
    )


def main() -> None:
    """Make the record, then time the three steps and print a line each."""
    parser = argparse.ArgumentParser(description="Benchmarks of forecast against record.")
    parser.add_argument("--days", type=int, default=30)
    days = parser.parse_args().days
    span = Span.starting(START, 24 * days)
    site = Site("Marram", 45.0, -28.0, 40.0, "UTC", Horizon.flat(25.0))
    view = View(site, (GatewayLimit((Gateway("South", 39.604, -28.0),)),))
    rng = np.random.default_rng(1)
    gaps = past_forecast(fleet_of, view, span).gaps[["start", "end"]]
    at_us = span.start_us + np.sort(rng.integers(0, span.end_us - span.start_us, 110 * days))
    more = pd.DataFrame({"start": pd.to_datetime(at_us, unit="us", utc=True)})
    more["end"] = more["start"] + pd.to_timedelta(rng.uniform(5.0, 30.0, len(more)), unit="s")
    record = recorded(pd.concat([gaps, more], ignore_index=True), span, seed=1, offset_s=3.0, loss=0.01)
    print(machine())
    with tempfile.TemporaryDirectory(prefix="reconcile-") as folder:
        path = Path(folder) / "journal.sqlite3"
        with Journal(path) as journal:
            journal.add_record(record, "invented")
        print(f"{len(record.outages):,} outages in {days} days; journal of {path.stat().st_size / 1e6:.0f} MB\n")
        began = time.process_time()
        with Journal(path) as journal:
            read = journal.read(span, "invented")
        at_hand = time.process_time()
        forecast = past_forecast(fleet_of, view, span)
        forecast_done = time.process_time()
        found = compare_record(forecast.gaps, read, sigma_s=0.5, odds=forecast.odds)
        done = time.process_time()
    for what, seconds in (
        ("reading the journal", at_hand - began),
        ("forecasting the days", forecast_done - at_hand),
        ("comparing", done - forecast_done),
        ("all", done - began),
    ):
        print(f"{what:24} {seconds:7.2f} s")
    print(f"peak memory {peak_memory_mb():.0f} MB; {found}")


if __name__ == "__main__":
    main()
