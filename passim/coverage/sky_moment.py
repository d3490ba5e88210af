"""Where every satellite above the floor stands at one moment, and what stops it: the sky as one would see it."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd

from passim.coverage.blocked import names_of
from passim.coverage.visibility import Visibility
from passim.errors import SpanError
from passim.intervals import GroupedIntervals
from passim.spans import aware, microseconds


def sky_moment(visibility: Visibility, time: datetime) -> pd.DataFrame:
    """Return the satellites above the floor at `time` (aware), one row each, the highest first.

    Columns: satellite_id, name; azimuth_deg, elevation_deg, range_km, from SGP4 itself; can_serve, whether no limit
    stops it; lost_to, the limits that do, as `sky_track` names them. Raises SpanError for a time outside the span.
    """
    span, time_us = visibility.span, microseconds(aware(time, "time"))
    if not span.start_us <= time_us < span.end_us:
        raise SpanError(
            "time", got=time, wanted=f"a time from {span.start.isoformat()} to before {span.end.isoformat()}"
        )
    satellites = _satellites_at(visibility.base, time_us)
    stopped = np.zeros(len(satellites), dtype=np.int64)
    for number, allowed in enumerate(visibility.allowed.values()):
        stopped += np.where(np.isin(satellites, _satellites_at(allowed, time_us)), 0, 1 << number)
    look = visibility.look(satellites.astype(np.intp), np.full(len(satellites), time_us, dtype=np.int64))
    names, fleet = tuple(visibility.allowed), visibility.fleet
    table = pd.DataFrame(
        {
            "satellite_id": pd.array(fleet.satellite_ids[satellites].astype(str), dtype="str"),
            "name": pd.array(fleet.names[satellites].astype(str), dtype="str"),
            "azimuth_deg": look.azimuth_deg,
            "elevation_deg": look.elevation_deg,
            "range_km": look.range_km,
            "can_serve": stopped == 0,
            "lost_to": pd.array([" with ".join(names_of(bits, names)) for bits in stopped.tolist()], dtype="str"),
        }
    )
    return table.sort_values("elevation_deg", ascending=False, ignore_index=True)


def _satellites_at(intervals: GroupedIntervals, time_us: int) -> np.ndarray:
    """Return the satellites that have an interval around a moment, ascending."""
    return np.unique(intervals.group[(intervals.start <= time_us) & (time_us < intervals.end)])
