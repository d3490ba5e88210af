"""What a view as it is foretells of a record, beside what a fit does: whether there is anything to change."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from passim.coverage.visibility import find_visibility
from passim.errors import SiteError
from passim.intervals import Intervals, union
from passim.line.fitting.evidence import Evidence
from passim.line.past import fleets_over
from passim.spans import Span

if TYPE_CHECKING:
    from passim.line.fitting.tracks import FleetOrFleets
    from passim.sky.view import View

# A setup whose gain on what was held out is this much of the fit's does as well for every use of a forecast, however
# sure a long record is of the rest (this project's own, no source).
_AS_GOOD: Final = 0.9
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True)
class AsSetUp:
    """What the view, unchanged, foretells of the record that a fit was made for.

    held_out_gain   log-likelihood gained on what was held out, as that of the fit
    explained_s     seconds recorded frozen while it forecast a gap
    in_vain_s       seconds measured in which it forecast a gap and the line held
    does_as_well    whether it foretells the record about as well as the fit does
    """

    held_out_gain: float
    explained_s: float
    in_vain_s: float
    does_as_well: bool


def as_set_up(fleet: FleetOrFleets, view: View, evidence: Evidence, fitted_gain: float) -> AsSetUp:
    """Return what `view` foretells of the record, over a span that `evidence` has, beside a fit of that gain held out.

    Raises what `find_visibility` raises, but for a gateway that no satellite sees: such a view foretells nothing.
    """
    try:
        freezes = _gaps(fleet, view, evidence.span)
    except SiteError:  # no satellite ever sees the gateway set up: it foretells nothing but one long gap
        return AsSetUp(0.0, 0.0, 0.0, False)
    offset_s = evidence.best_offset_s(freezes)
    counts = evidence.counts(freezes, offset_s)
    gain = float(evidence.held_out_by_block(counts).sum())
    explained_s, forecast_s = float(counts.both_s.sum()), float(counts.forecast_s.sum())
    return AsSetUp(gain, explained_s, forecast_s - explained_s, gain >= _AS_GOOD * fitted_gain)


def _gaps(fleet: FleetOrFleets, view: View, span: Span) -> Intervals:
    """Return when the view forecasts no service, seconds from the start of the span, searched a day at a time."""
    starts, ends = [np.zeros(0)], [np.zeros(0)]
    for part, now in fleets_over(fleet if callable(fleet) else lambda _: fleet, span):
        begin = part.start
        while begin < part.end:
            day = Span(begin, min(begin + _DAY, part.end))
            gaps = find_visibility(now, view, day, warn=False).coverage().gap_intervals
            starts.append((gaps.start - span.start_us) / 1e6)
            ends.append((gaps.end - span.start_us) / 1e6)
            begin = day.end
    return union((np.concatenate(starts), np.concatenate(ends)))
