"""Fits of simulated lines by the seed: how often the truth comes back, and how often intervals hold it.

    python -m tests.soak.fits --kind gateway --seeds 50 --hours 48

Kinds: ``gateway`` (mask 31, the gateway South, offset 7.4 s, 2 % of packets lost, holes, faults in the house),
``sector`` (one blocked sector above a mask), ``clock`` (satellites assigned every 15 s behind the gateway), ``cone``
(an antenna that leans), ``arc`` (a keep-out of the geostationary arc above a mask) and ``unrelated`` (freezes that have
nothing to do with the sky). The truth of each seed lies off the grid of the search.
One line a seed, and the counts after it; seeds can be gone on with by ``--first``.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from passim import ArcKeepOut, Cone, Horizon, Service, Span, View, find_visibility, fit_line
from passim.line import LineFit
from passim.line.fitting.settings import Sector
from passim.sky.ground import MEAN_EARTH_RADIUS_KM
from tests.scenario import MARRAM_LOFT, plover, view_of
from tests.simulated_line import recorded

EPOCH = datetime(2026, 3, 2, tzinfo=UTC)
OFFSET_S = 7.4
_CONE_WITHIN_DEG = {"cone_azimuth_deg": 5.0, "cone_tilt_deg": 2.0, "cone_half_angle_deg": 1.0}


def truth_of(kind: str, seed: int) -> tuple[View, dict[str, float]]:
    """Return a view and the numbers in it that a fit should find."""
    rng = np.random.default_rng([seed, 7])
    mask = 31.0 + float(rng.uniform(-0.5, 0.5))
    usual = view_of(MARRAM_LOFT)
    gateway = {"gateway_latitude_deg": 39.6, "gateway_longitude_deg": -28.0}
    if kind == "sector":
        begin = float(rng.uniform(0.0, 360.0))
        sector = Sector(begin, (begin + float(rng.uniform(60.0, 120.0))) % 360.0, float(rng.uniform(50.0, 70.0)))
        site = replace(MARRAM_LOFT, horizon=sector.horizon(mask + 3.0))
        return View(site), {"mask_deg": mask + 3.0, "sector_from_deg": sector.from_deg, "sector_to_deg": sector.to_deg}
    if kind == "cone":
        cone = Cone(float(rng.uniform(0.0, 360.0)), float(rng.uniform(14.0, 26.0)), float(rng.uniform(42.0, 50.0)))
        truth = {f"cone_{name}_deg": getattr(cone, f"{name}_deg") for name in ("azimuth", "tilt", "half_angle")}
        return View(replace(MARRAM_LOFT, horizon=Horizon.flat(20.0)), (cone,)), truth
    site = replace(MARRAM_LOFT, horizon=Horizon.flat(mask))
    if kind == "arc":
        arc_deg = float(rng.uniform(14.0, 22.0))
        return View(site, (ArcKeepOut(arc_deg),)), {"mask_deg": mask, "arc_keep_out_deg": arc_deg}
    if kind == "clock":
        phase = float(rng.uniform(0.0, 15.0))
        service = Service(clock_period_s=15.0, clock_offset_s=phase)
        return View(site, usual.limits, service=service), {"mask_deg": mask, **gateway, "assignment_period_s": 15.0}
    return View(site, usual.limits), {"mask_deg": mask, **gateway}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=["gateway", "sector", "clock", "cone", "arc", "unrelated"], default="gateway")
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--hours", type=float, default=48.0)
    options = parser.parse_args()
    span = Span.starting(EPOCH, hours=options.hours)
    fleet, counts = plover(EPOCH), Counter[str]()
    for seed in range(options.first, options.first + options.seeds):
        rng = np.random.default_rng([seed, 11])
        view, truth = truth_of(options.kind, seed)
        if options.kind == "unrelated":
            start = np.sort(rng.uniform(0.0, span.duration_s - 60.0, int(5 * options.hours)))
            length = rng.uniform(5.0, 40.0, start.size)
            gaps = pd.DataFrame(
                {
                    edge: span.start + pd.to_timedelta(at, unit="s")
                    for edge, at in (("start", start), ("end", start + length))
                }
            )
        else:
            gaps = find_visibility(fleet, view, span).coverage().gaps()
        hole, fault = rng.uniform(0.0, span.duration_s - 4000.0, 2)
        record = recorded(
            gaps,
            span,
            seed=seed,
            offset_s=OFFSET_S,
            loss=0.02,
            holes=[(hole, hole + 3000.0)],
            house=[(fault, fault + 60.0)],
        )
        since = time.process_time()
        fit = fit_line(fleet, view_of(MARRAM_LOFT), record)
        told = judged(fit, truth)
        counts.update(["seeds", f"evidence {fit.evidence}", *(name for name, right in told.items() if right)])
        words = repr(fit)
        print(f"seed {seed}: {time.process_time() - since:.0f} s of CPU, {fit.evidence}, offset "
              f"{fit.clock_offset_s:.2f}, {words}", flush=True)  # fmt: skip
        print("  ", ", ".join(f"{name} {count}" for name, count in sorted(counts.items())), flush=True)


def judged(fit: LineFit, truth: dict[str, float]) -> dict[str, bool]:
    """Return which of the things wanted came out right."""
    if fit.settings.empty:
        return {"nothing found": True}
    rows = fit.settings.set_index("setting")
    told: dict[str, bool] = {"offset within 0.5 s": abs(fit.clock_offset_s - OFFSET_S) <= 0.5}
    told["offset in its interval"] = bool(
        rows.loc["clock_offset_s", "low"] <= OFFSET_S <= rows.loc["clock_offset_s", "high"]
    )
    for name, value in truth.items():
        if name not in rows.index:
            told[f"{name} missing"] = True
            continue
        low, high, found = (float(rows.loc[name, column]) for column in ("low", "high", "value"))
        turned = (value - found + 180.0) % 360.0 - 180.0
        told[f"{name} in its interval"] = low - found <= turned <= high - found
        if name == "mask_deg":
            told["mask within 1 degree"] = abs(turned) <= 1.0
        if name.startswith("sector"):
            told[f"{name} within 5 degrees"] = abs(turned) <= 5.0
        if name.startswith("cone"):
            told[f"{name} within {_CONE_WITHIN_DEG[name]:g} degrees"] = abs(turned) <= _CONE_WITHIN_DEG[name]
        if name == "arc_keep_out_deg":
            told["arc within 1 degree"] = abs(turned) <= 1.0
        if name == "assignment_period_s":
            told["clock of 15 s"] = found == value
    if "gateway_latitude_deg" in truth and "gateway_latitude_deg" in rows.index:
        north = float(rows.loc["gateway_latitude_deg", "value"]) - truth["gateway_latitude_deg"]
        east = (float(rows.loc["gateway_longitude_deg", "value"]) + 28.0) * np.cos(np.radians(39.6))
        told["gateway within 60 km"] = bool(np.radians(np.hypot(north, east)) * MEAN_EARTH_RADIUS_KM <= 60.0)
    return told


if __name__ == "__main__":
    main()
