"""How much of each half hour has no satellite, one alone, or one to spare: a day that a glance takes in."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from passim import intervals
from passim.arrays import Bools, Floats
from passim.coverage.steps import Coverage
from passim.spans import utc_times

_HALF_HOUR_US: Final = 1_800_000_000


def redundancy_by_half_hour(coverage: Coverage) -> pd.DataFrame:
    """Return one row a half hour of the span of `coverage`, in order.

    Columns: start and end (datetime64[us, UTC]; the first and the last half hour are cut to the span); none, one and
    more, the shares of it with no satellite in view, with exactly one and with two or more, which add up to 1;
    satellites_mean (over time). Half hours are those of UTC.
    """
    span = coverage.span
    first, last = span.start_us // _HALF_HOUR_US + 1, -(-span.end_us // _HALF_HOUR_US)
    inner = np.arange(first, last, dtype=np.int64) * _HALF_HOUR_US
    edges_us = np.concatenate([[span.start_us], inner, [span.end_us]])
    edges = utc_times(edges_us)
    length_us = np.diff(edges_us)

    def share(holds: Bools) -> Floats:
        inside = intervals.in_bins(intervals.Steps(coverage.edges_us, holds.astype(np.int64)), edges_us)
        return np.asarray(inside.integral / length_us)

    return pd.DataFrame(
        {
            "start": edges[:-1],
            "end": edges[1:],
            "none": share(coverage.in_view == 0),
            "one": share(coverage.in_view == 1),
            "more": share(coverage.in_view >= 2),
            "satellites_mean": intervals.in_bins(coverage.steps, edges_us).integral / length_us,
        }
    )
