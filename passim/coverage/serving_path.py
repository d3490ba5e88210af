"""The way of the signal: from a terminal up to its satellite and down to a gateway, with the time light takes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from passim.arrays import Floats, Ints
from passim.constants import LIGHT_SPEED_KM_S
from passim.sky.handover_policy import Look
from passim.sky.look_angles import look_angles, position_of
from passim.sky.site import Site

# A satellite at the very edge of a gateway's skyline still counts as clear of it: edges are whole microseconds.
_EDGE_DEG = 0.001


def path_columns(
    look: Look, satellite: Ints, time_us: Ints, site: Site | None, gateways: Sequence[Site]
) -> dict[str, Any]:
    """Return the columns azimuth_deg, elevation_deg, range_km and one_way_delay_ms of satellites at times, (n,) each.

    With `site` and `gateways` also gateway, gateway_range_km and path_delay_ms: over the gateway nearest to the
    satellite of those whose skyline it clears, missing where there is none.
    """
    seen = look(satellite, time_us)
    range_km = np.asarray(seen.range_km, dtype=np.float64)
    columns: dict[str, Any] = {
        "azimuth_deg": np.asarray(seen.azimuth_deg),
        "elevation_deg": np.asarray(seen.elevation_deg),
        "range_km": range_km,
        "one_way_delay_ms": _delay_ms(range_km),
    }
    if site is not None and gateways:
        position_km = position_of(site, seen)
        ranges_km = np.full((len(gateways), range_km.size), np.inf)
        for number, gateway in enumerate(gateways):
            from_gateway = look_angles(gateway, position_km)
            skyline_deg = gateway.horizon.elevation_deg(from_gateway.azimuth_deg)
            clear = from_gateway.elevation_deg >= skyline_deg - _EDGE_DEG
            ranges_km[number, clear] = from_gateway.range_km[clear]
        nearest = np.argmin(ranges_km, axis=0)
        down_km = np.where(np.isinf(ranges_km.min(axis=0)), np.nan, ranges_km.min(axis=0))
        names = [None if lost else gateways[n].name for n, lost in zip(nearest, np.isnan(down_km), strict=True)]
        columns["gateway"] = pd.array(names, dtype="str")
        columns["gateway_range_km"] = down_km
        columns["path_delay_ms"] = _delay_ms(range_km + down_km)
    return columns


def _delay_ms(length_km: Floats) -> Floats:
    """Return the time light takes over a length, milliseconds."""
    return length_km * (1000.0 / LIGHT_SPEED_KM_S)
