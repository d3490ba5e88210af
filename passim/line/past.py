"""What would have been forecast over days gone by, each day from the elements that were at hand when it began."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from passim.arrays import Ints
from passim.coverage.visibility import find_visibility
from passim.elements.health import HealthSummary
from passim.elements.records import Fleet
from passim.forecast.calibration import Calibration
from passim.forecast.odds import Odds, odds_of_no_service
from passim.forecast.timing import Freshness, TimingModel, band_for
from passim.intervals import GroupedIntervals
from passim.sky.fleet_search import Progress
from passim.sky.view import View
from passim.spans import Span

# What comes late into a day, or leaves it early, is sought this far outside of it: past most timing errors.
_MARGIN = timedelta(minutes=20)


@dataclass(frozen=True, eq=False)
class ForecastPart:
    """A part of a span gone by that was forecast from the same elements, where these were young enough for odds.

    ``joint`` holds when which satellite serves by prediction, sought in ``searched``, a little more than the part
    itself; ``epochs_us``, shape (satellites,), the epochs of its elements, microseconds since 1970 UTC. ``loses_time``
    says whether handovers cost service: how late gaps come is theirs to tell then.
    """

    span: Span
    searched: Span
    joint: GroupedIntervals
    epochs_us: Ints
    model: TimingModel
    loses_time: bool

    def odds(self, within: Span | None = None, calibration: Calibration | None = None) -> Odds:
        """Return the odds of no service second by second, of the part or what lies `within` it, calibrated if asked."""
        moves = calibration is not None and not self.loses_time
        joint = calibration.moved(self.joint, self.searched) if calibration is not None and moves else self.joint
        span = within or self.span
        plain = odds_of_no_service(joint, self.epochs_us, span, self.model, searched=self.searched, even=True)
        return plain if calibration is None else calibration.odds(plain)


@dataclass(frozen=True, eq=False)
class PastForecast:
    """The forecast of a span gone by.

    gaps        start, end and duration_s (start and end aware, UTC), in order of time
    odds        the chance of no service, second by second; None where some elements are too old for odds of moments
    freshness   how old the elements were in the middle of each part that has elements of its own, in order
    objects     how many objects were searched, the most over the parts
    health      who was taken to serve, each answer once
    view        whose service it is
    parts       what the odds are made of, to make them anew; empty where there are none
    """

    span: Span
    gaps: pd.DataFrame
    odds: Odds | None
    freshness: tuple[Freshness, ...]
    objects: int
    health: tuple[HealthSummary, ...]
    view: View
    parts: tuple[ForecastPart, ...] = ()

    @property
    def sigma_s(self) -> float:
        """The timing error by the age of the elements, the median over the parts, seconds."""
        return float(np.median([each.sigma_s for each in self.freshness]))


def past_forecast(
    fleet_at: Callable[[datetime], Fleet],
    view: View,
    span: Span,
    *,
    model: TimingModel | None = None,
    allow_stale: bool = False,
    progress: Progress | None = None,
) -> PastForecast:
    """Return what `fleet_at`, the elements at hand at a moment, would have forecast for `view` over `span`, day by day.

    Days are 24 h from the start of the span; neighbours with the same elements are searched as one. Raises
    ElementsError for elements too old for a forecast, unless `allow_stale`, and what the search raises.
    """
    model = model or TimingModel()
    gaps, freshness, objects = [], [], 0
    parts: list[ForecastPart] = []
    health: dict[HealthSummary, None] = {}
    for part, fleet in fleets_over(fleet_at, span):
        fresh = band_for(fleet, part.middle, model, allow_stale=allow_stale)
        searched = Span(part.start - _MARGIN, part.end + _MARGIN)

        def advance(share: float, part: Span = part) -> None:
            done_s = (part.start - span.start).total_seconds() + share * part.duration_s
            if progress is not None:
                progress(done_s / span.duration_s)

        seen = find_visibility(fleet, view, searched, progress=advance, warn=False)
        found = seen.coverage().gaps()
        # Whole gaps, each in the part in which it begins: one that begins before the span or ends after it is cut.
        begun = (found["start"] >= part.start) & (found["start"] < part.end)
        gaps.append(found.loc[begun, ["start", "end", "duration_s"]])
        if fresh.band.shows_odds:
            epochs_us = seen.fleet.epochs.astype("datetime64[us]").astype(np.int64)
            loses_time = view.service.loses_time
            parts.append(ForecastPart(part, searched, seen.joint(), epochs_us, model, loses_time))
        freshness.append(fresh)
        health.update(dict.fromkeys(seen.health))
        objects = max(objects, seen.report.objects_searched)
    every_gap = pd.concat(gaps, ignore_index=True)
    every_part = tuple(parts) if len(parts) == len(freshness) else ()
    odds = _joined(span, [part.odds() for part in every_part]) if every_part else None
    return PastForecast(span, every_gap, odds, tuple(freshness), objects, tuple(health), view, every_part)


def _joined(span: Span, parts: list[Odds]) -> Odds:
    """Return the odds of parts that follow one another as those of the span they make up."""
    edges = np.append(np.concatenate([part.edges_us[:-1] for part in parts]), span.end_us)
    return Odds(span, edges, np.concatenate([part.no_service for part in parts]), parts[0].skipped_below)


def fleets_over(fleet_at: Callable[[datetime], Fleet], span: Span) -> Iterator[tuple[Span, Fleet]]:
    """Yield the parts of a span that have the same elements, with these: days of 24 h from its start, or several."""
    start, fleet = span.start, fleet_at(span.start)
    moment = start + timedelta(days=1)
    while moment < span.end:
        later = fleet_at(moment)
        if later is not fleet and later.records != fleet.records:
            yield Span(start, moment), fleet
            start, fleet = moment, later
        moment += timedelta(days=1)
    yield Span(start, span.end), fleet
