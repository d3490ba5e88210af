"""Random fleets, places and masks: what is shared among places is what each place finds alone.

    .venv/bin/python -m tests.soak.places --count 10000            from case 0 on, each following from its number
    .venv/bin/python -m tests.soak.places --count 1 --first 4711   one case again

In each case a random fleet (near-circular, eccentric, low and high orbits) is searched from three random places, the
poles and the date line among them, together and after one another with what is kept; the intervals must be those that
each place finds alone, to the microsecond. Where they share parallels of latitude, the counts counted at random moments
must be those of the exact intervals, but for moments within 50 ms of an edge. The exit status is 1 where a case fails.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import numpy as np

import passim
from passim.coverage.visibility import find_visibilities, find_visibility
from passim.sky.fleet_search import SEARCHES
from passim.sky.parallels import Parallels, count_above, moments_of
from tests.element_sets import EPOCH

STEP_US = 30_000_000
NEAR_US = 50_000


def fleet_of(random: np.random.Generator) -> passim.Fleet:
    """Return a random fleet of four to twenty satellites on orbits of one kind."""
    pattern = passim.walker(
        total=(planes := int(random.integers(2, 5))) * int(random.integers(2, 6)),
        planes=planes,
        phasing=1,
        inclination_deg=float(random.uniform(0.1, 120.0)),
        altitude_km=float(random.choice([350.0, 550.0, 780.0, 1400.0, 8000.0])),
        epoch=EPOCH,
    )
    eccentricity = float(random.choice([1e-4, 1e-4, 1e-4, 0.003, 0.02]))
    return passim.Fleet([replace(record, eccentricity=eccentricity) for record in pattern])


def case(number: int) -> str | None:
    """Try one case; return what is wrong with it, or None."""
    random = np.random.default_rng(number)
    fleet = fleet_of(random)
    span = passim.Span.starting(EPOCH, hours=float(random.uniform(0.3, 1.2)))
    mask_deg = float(random.uniform(0.0, 50.0))
    flat = passim.Horizon.flat(mask_deg)
    latitude_deg = float(random.choice([-90.0, 90.0, *random.uniform(-89.9, 89.9, 6)]))
    parallels = Parallels((latitude_deg,), 3, float(random.choice([-180.0, random.uniform(-180.0, -61.0)])))
    sites = [
        passim.Site(f"{k}", latitude, (longitude + 180.0) % 360.0 - 180.0, horizon=flat)
        for k, (latitude, longitude) in enumerate(parallels.places_deg())
    ]
    views = [passim.View(site, (), mask_deg) for site in sites]
    SEARCHES.clear()
    together = [seen.joint() for seen in find_visibilities(fleet, views, span)]
    after_one_another = [find_visibility(fleet, view, span).joint() for view in views]
    counted = count_above(fleet, parallels, mask_deg, span, STEP_US)
    moments_us = moments_of(span, STEP_US)
    for k, view in enumerate(views):
        SEARCHES.clear()
        alone = find_visibility(fleet, view, span).joint()
        for found, how in ((together[k], "together"), (after_one_another[k], "after one another")):
            if not all(np.array_equal(a, b) for a, b in zip(found, alone, strict=True)):
                return f"case {number}, place {k}: found {how} it differs from found alone"
        up = (alone.start[None, :] <= moments_us[:, None]) & (moments_us[:, None] < alone.end[None, :])
        edges_us = np.concatenate([alone.start, alone.end])
        near = (np.abs(moments_us[:, None] - edges_us[None, :]) < NEAR_US).any(axis=1)
        wrong = (up.sum(axis=1) != counted.counts[:, k]) & ~near
        if wrong.any():
            return f"case {number}, place {k}: {int(wrong.sum())} of {len(wrong)} counted counts differ"
    SEARCHES.clear()
    return None


def main() -> int:
    """Try the cases that are asked for."""
    parser = argparse.ArgumentParser(description="Random fleets, places and masks, shared and alone.")
    parser.add_argument("--count", type=int, default=10_000, help="how many cases (10000)")
    parser.add_argument("--first", type=int, default=0, help="the number of the first (0)")
    asked = parser.parse_args()
    failed = 0
    for number in range(asked.first, asked.first + asked.count):
        if wrong := case(number):
            failed += 1
            print(wrong, flush=True)
        if (number + 1) % 500 == 0:
            print(f"{number + 1 - asked.first:,} tried, {failed} failed", flush=True)
    print(f"{asked.count:,} cases, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
