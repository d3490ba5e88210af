"""Figures that sum up a set of gaps."""

from __future__ import annotations

import numpy as np

from passim.arrays import Bools, Floats


def gap_statistics(duration_s: Floats, whole: Bools, span_s: float) -> dict[str, int | float | None]:
    """Return the gap figures of `Coverage.summary`, which defines them, as plain numbers.

    duration_s      shape (gaps,): length of each gap inside the span
    whole           shape (gaps,): False where the span cuts the gap
    span_s          length of the span
    """
    # The mean is over the same gaps that are counted, so that the two multiply to the time out. What is typical comes
    # from whole gaps: where each is cut nothing can be said of it; where there is no gap, all lengths are zero.
    lengths = duration_s[whole] if duration_s.size else np.zeros(1)
    median, p90 = (float(np.median(lengths)), float(np.percentile(lengths, 90.0))) if lengths.size else (None, None)
    # From a random moment one falls into a gap of length L with chance L/T and then waits L/2 on average.
    time_average = float((duration_s**2).sum()) / span_s
    return {
        "gap_count": int(duration_s.size),
        "gap_mean_s": float(duration_s.mean()) if duration_s.size else 0.0,
        "gap_median_s": median,
        "gap_p90_s": p90,
        "gap_longest_s": float(duration_s.max(initial=0.0)),
        "time_average_gap_s": time_average,
        "mean_response_s": time_average / 2.0,
    }
