"""Element sets for tests: single ones by number, for one site and day, and fleets at random."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np
import pandas as pd

from passim import ElementSet, Fleet, Site, Span, walker
from passim.elements import SatelliteId
from passim.sky import SearchReport

EPOCH: Final = datetime(2026, 3, 1, tzinfo=UTC)
DAY: Final = Span.starting(EPOCH, hours=24)
SITE: Final = Site("Marram", 45.0, -28.0, 40.0)


def element_set(number: int, **values: object) -> ElementSet:
    """Return an invented element set: `values` in place of the usual ones."""
    usual = {
        "name": f"invented {number}",
        "epoch": EPOCH,
        "mean_motion_rev_day": 15.05,
        "eccentricity": 1e-4,
        "inclination_deg": 53.0,
        "node_deg": 20.0 * number % 360.0,
        "perigee_deg": 0.0,
        "mean_anomaly_deg": 77.0 * number % 360.0,
        "bstar": 1e-5,
    }
    return ElementSet(satellite_id=SatelliteId(number), **{**usual, **values})  # type: ignore[arg-type]


def scattered(
    *, total: int, inclination_deg: float, altitude_km: float, epoch: datetime, seed: int, name: str = "Scattered"
) -> Fleet:
    """Return satellites whose nodes and anomalies are drawn uniformly: the case in which binomial chances hold."""
    angles_deg = np.random.Generator(np.random.PCG64(seed)).uniform(0.0, 360.0, size=(total, 2)).tolist()
    ring = walker(
        total=total, planes=1, phasing=0, inclination_deg=inclination_deg, altitude_km=altitude_km, epoch=epoch
    )
    return Fleet(
        [
            replace(each, name=f"{name} {number:03d}", node_deg=node_deg, mean_anomaly_deg=anomaly_deg)
            for number, (each, (node_deg, anomaly_deg)) in enumerate(zip(ring, angles_deg, strict=True), start=1)
        ],
        name,
    )


def report(passes: pd.DataFrame) -> SearchReport:
    """Return the report that a table of passes carries."""
    found = passes.attrs["report"]
    assert isinstance(found, SearchReport)
    return found
