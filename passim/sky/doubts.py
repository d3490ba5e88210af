"""What the caller of a search is warned of: elements too old for it, and satellites counted that hardly serve.

Ages and shells are read as `passim.elements.health` has them, so that a fleet by design, whose elements are of its day
and whose satellites all keep their shell, is never doubted.
"""

from __future__ import annotations

import sys
import warnings

import numpy as np

from passim.elements.health import STALE_AFTER_DAYS, STATUSES, assess
from passim.elements.records import Fleet
from passim.errors import NotServingWarning, StaleElementsWarning
from passim.spans import Span


def warn_of_stale(fleet: Fleet, span: Span) -> None:
    """Warn where the median age of `fleet`, one set an object, is over 14 days at the middle of the span."""
    middle_us = (span.start_us + span.end_us) // 2
    days = np.median(np.abs(fleet.epochs.astype("datetime64[us]").astype(np.int64) - middle_us)) / 86_400e6
    if days > STALE_AFTER_DAYS:
        warnings.warn(
            f"the elements are {days:.0f} days away from the middle of the span: shares and counts may still hold, no "
            "single time does; use newer elements, or a span nearer to them",
            StaleElementsWarning,
            stacklevel=_outside_passim(),
        )


def warn_of_idle(fleet: Fleet, span: Span) -> None:
    """Warn where some of `fleet`, one set an object, would not be taken to serve at the middle of the span."""
    health = assess(fleet, span.middle)
    idle = int((~health.serving).sum())
    if idle:
        counts = ", ".join(f"{health.counts[word]:,} {word}" for word in STATUSES if health.counts[word])
        warnings.warn(
            f"{idle:,} of {len(fleet):,} satellites hardly serve and are counted all the same ({counts}); for those "
            "that serve alone: find_visibility(fleet, View.usual(site), span)",
            NotServingWarning,
            stacklevel=_outside_passim(),
        )


def _outside_passim() -> int:
    """Return the stack level, counted from the caller, of the first frame outside this library: who asked."""
    frame, level = sys._getframe(1), 1
    while frame.f_back is not None and frame.f_globals.get("__name__", "").startswith("passim."):
        frame, level = frame.f_back, level + 1
    return level
