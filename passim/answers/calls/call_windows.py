"""The call hours of a place as stretches of time, for questions that keep to them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from passim.answers.calls.hours import AllowedHours, no_hours_in
from passim.spans import Span, minute_edges, zone


def call_windows(span: Span, hours: AllowedHours, timezone: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return starts and ends of the call hours inside `span`, microseconds since 1970 UTC, each of shape (windows,).

    Hours are those of the clock on the wall in `timezone`, minute by minute, so that a night in which clocks change
    comes out as they show it. Sorted and apart. Raises SpanError where none lies in the span, SiteError for an unknown
    zone.
    """
    edges = minute_edges(span)
    wall = pd.DatetimeIndex(edges[:-1].astype("datetime64[us]"), tz="UTC").tz_convert(zone(timezone))
    inside = hours.open_at(wall)
    change = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    if not len(change):
        raise no_hours_in(span, hours, timezone, "some of them inside the span")
    return edges[change[::2]], edges[change[1::2]]
