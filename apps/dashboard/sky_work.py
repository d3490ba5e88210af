"""What the Sky page has worked out, in a worker where it takes long: the sky of a day, the symptom matcher."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from passim import Fleet, Span
from passim.answers import skyline, symptom
from passim.coverage import causes as why
from passim.coverage import sky_map
from passim.orbits import propagation
from passim.sky import outlines
from passim.sky import view as views

from ..figures.sky import drawn_passes
from . import work

# A sky map of so many samples holds more passes than can be told apart.
_MOST_SAMPLES = 150_000
_FINEST_STEP_S = 10.0


@dataclass(frozen=True, eq=False)
class SkyDay:
    """The sky of a span as the page shows it.

    gaps, given_back    as `Causes.table` and `Causes.seconds_by_cause` give them
    sectors             as `skyline.sector_costs` gives them
    track               those passes of `sky_track` that are drawn; ``passes`` says of how many
    outlines            the limits as lines
    """

    gaps: pd.DataFrame
    given_back: pd.DataFrame
    sectors: pd.DataFrame
    track: pd.DataFrame
    passes: int
    outlines: tuple[outlines.Outline, ...]

    @property
    def size_bytes(self) -> int:
        """About how much memory it takes."""
        tables = (self.gaps, self.given_back, self.sectors, self.track)
        return 40_000 * len(self.outlines) + sum(int(table.memory_usage(deep=True).sum()) for table in tables)


def lay_out(causes: why.Causes, report: work.Report | None = None) -> SkyDay:
    """Lay out the sky of a view over its span. Raises InputError."""
    visibility = causes.visibility
    above_s = float((visibility.base.end - visibility.base.start).sum()) / 1e6
    track, passes = drawn_passes(sky_map.sky_track(visibility, max(_FINEST_STEP_S, above_s / _MOST_SAMPLES)))
    radius_km = float(np.median(propagation.Propagator.of(visibility.fleet).semi_major_axis_km))
    return SkyDay(
        causes.table(),
        causes.seconds_by_cause(),
        skyline.sector_costs(causes),
        track.reset_index(drop=True),
        passes,
        outlines.outlines(visibility.view, radius_km),
    )


def match(
    fleet: Fleet, view: views.View, span: Span, seen: symptom.Symptom, top: int, report: work.Report | None = None
) -> symptom.SymptomAnswer:
    """Search the settings that would freeze as somebody saw it. Raises InputError."""
    return symptom.find_settings(fleet, view, span, seen, top=top, progress=report)
