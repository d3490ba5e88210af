"""Single element sets by number, for searches of a few satellites over one site and day."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

import pandas as pd

from passim import ElementSet, Site, Span
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


def report(passes: pd.DataFrame) -> SearchReport:
    """Return the report that a table of passes carries."""
    found = passes.attrs["report"]
    assert isinstance(found, SearchReport)
    return found
