"""Random fleets, places and masks: what is shared among places is what each place finds alone.

    .venv/bin/python -m tests.soak.places --count 10000            from case 0 on, each following from its number
    .venv/bin/python -m tests.soak.places --count 1 --first 4711   one case again

In each case a random fleet (near-circular, eccentric, low and high orbits) is searched from three random places, the
poles and the date line among them, together and after one another with what is kept; the intervals must be those that
each place finds alone, to the microsecond. So it is from a dozen places anywhere, under masks from 0 to 89 deg, whose
passes are found from the satellites' side (`passim.sky.many_sites`): the same satellites as often as each place finds
alone, and no edge more than a millisecond off. Where places share parallels of latitude, the counts taken at random
moments must be those of the exact intervals, but for moments within 50 ms of an edge. The exit status is 1 where a case
fails.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import numpy as np

import passim
from passim.coverage.visibility import find_visibilities, find_visibility
from passim.sky.fleet_search import SEARCHES, FleetSearch
from passim.sky.horizon_function import HorizonFunction
from passim.sky.many_sites import intervals_at
from passim.sky.parallels import Parallels, count_above, moments_of
from passim.sky.pass_intervals import intervals_of
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
    return many_sites(number)


def many_sites(number: int) -> str | None:
    """Try one case of places anywhere, found from the satellites' side; return what is wrong with it, or None."""
    random = np.random.default_rng((number, 1))
    fleet, places = fleet_of(random), int(random.integers(2, 13))
    if random.random() < 0.3:
        # Orbits that are followed from the satellites' side and orbits that are not, in one fleet.
        fleet = passim.Fleet([replace(one, eccentricity=float(random.choice([1e-4, 0.008, 0.02]))) for one in fleet])
    span = passim.Span.starting(EPOCH, hours=float(random.uniform(0.3, 3.0)))
    latitude_deg = np.where(
        random.random(places) < 0.2, random.choice([-90.0, 0.0, 90.0], places), random.uniform(-90.0, 90.0, places)
    )
    longitude_deg = random.choice([-180.0, 180.0, *random.uniform(-180.0, 180.0, 8)], places)
    masks_deg = random.choice([0.0, 25.0, *random.uniform(0.0, 60.0, 3), random.uniform(60.0, 89.0)], places)
    height_m = random.choice([-100.0, 0.0, 3000.0], places)
    sites = [
        passim.Site(f"{k}", float(latitude_deg[k]), float(longitude_deg[k]), float(height_m[k])) for k in range(places)
    ]
    for shared, own in zip(FleetSearch(fleet, span).parts, FleetSearch(fleet, span).parts, strict=True):
        edges_alone = bool(random.integers(0, 2))
        together = intervals_at(*shared.prepared(), sites, masks_deg.tolist(), edges_alone=edges_alone)
        for site, mask_deg, found in zip(sites, masks_deg.tolist(), together, strict=True):
            limit = HorizonFunction(passim.Horizon.flat(mask_deg))
            alone = intervals_of(*own.prepared(), site, limit)
            where = f"case {number}, many sites, place {site.name} under {mask_deg:g} deg"
            if not np.array_equal(found.satellite, alone.satellite):
                return f"{where}: {len(found.satellite)} passes, alone {len(alone.satellite)}"
            edges_s = np.abs([found.start_s - alone.start_s, found.end_s - alone.end_s])
            if edges_s.size and edges_s.max() > 0.001:
                return f"{where}: an edge {1e3 * edges_s.max():.2f} ms off"
            if edges_alone:
                continue
            # A peak is flat: it is told by how high it is, and its azimuth by how far that moves across the sky.
            turn_deg = (found.azimuths_deg - alone.azimuths_deg + 180.0) % 360.0 - 180.0
            across = np.radians(turn_deg[1]) * np.sqrt(1.0 - np.minimum(alone.peak_sine, 1.0) ** 2)
            if not (np.abs(found.peak_sine - alone.peak_sine) < 2e-6).all() or not (np.abs(across) < 1e-3).all():
                return f"{where}: a peak differs"
            if not (np.abs(turn_deg[[0, 2]]) < 0.2).all():
                return f"{where}: the azimuth of an edge differs"
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
