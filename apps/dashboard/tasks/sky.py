"""What the Sky page has worked out, in a worker where it takes long: the sky of a day, the symptom matcher."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from passim import Fleet, Span
from passim.answers.sites import horizon_cost as skyline
from passim.answers.symptom import match as symptom
from passim.coverage import GapCause, causes as why, sky_map, visibility
from passim.intervals import GroupedIntervals
from passim.orbits import propagation
from passim.sky import outlines, view as views

from ...figures.sky import MOST_PASSES
from . import passes as work

# Between two samples a pass bends by less than a pixel of the picture.
_STEP_S = 20.0


@dataclass(frozen=True, eq=False)
class SkyDay:
    """The sky of a span as the page shows it.

    gaps, causes        as `Causes.table` and `Causes.each` give them, one a gap
    given_back          as `Causes.seconds_by_cause` gives it
    sectors             as `skyline.sector_costs` gives them
    track               as `sky_track` gives it, of those passes that are drawn; ``passes`` says of how many
    radius_km           how far from the Earth's centre the fleet usually is
    """

    gaps: pd.DataFrame
    causes: tuple[GapCause, ...]
    given_back: pd.DataFrame
    sectors: pd.DataFrame
    track: pd.DataFrame
    passes: int
    radius_km: float


def lay_out(causes: why.Causes, progress: work.Progress | None = None) -> SkyDay:
    """Lay out the sky of a view over its span. Raises InputError."""
    seen = causes.visibility
    return SkyDay(
        causes.table,
        causes.each,
        causes.seconds_by_cause(),
        skyline.sector_costs(causes),
        sky_map.sky_track(_few_passes(seen), _STEP_S),
        len(seen.base.start),
        float(np.median(propagation.Propagator.of(seen.fleet).semi_major_axis_km)),
    )


def _few_passes(seen: visibility.Visibility) -> visibility.Visibility:
    """Return what is seen with no more passes than are drawn, evenly through the day, each of them whole."""
    base = seen.base
    count = len(base.start)
    if count <= MOST_PASSES:
        return seen
    turn = np.linspace(0, count - 1, MOST_PASSES).round().astype(np.intp)
    retained = np.sort(np.argsort(base.start, kind="stable")[turn])
    return replace(seen, base=GroupedIntervals(base.group[retained], base.start[retained], base.end[retained]))


def outlines_of_limits(view: views.View, radius_km: float) -> tuple[outlines.Outline, ...]:
    """Return the limits of a view as lines, without its horizon and the floor: they hold for every mask."""
    return tuple(each for each in outlines.outlines(view, radius_km) if each.limit not in ("horizon", "floor"))


def with_ground(view: views.View, others: tuple[outlines.Outline, ...]) -> tuple[outlines.Outline, ...]:
    """Return the limits of a view as lines, those of `outlines_of_limits` among them, as `outlines.outlines` does."""
    horizon, floor = outlines.outlines(replace(view, limits=()))
    return (horizon, *others, floor)


def match(
    fleet: Fleet,
    view: views.View,
    span: Span,
    seen: symptom.FreezeRanges | symptom.FreezeRecord,
    top: int,
    progress: work.Progress | None = None,
) -> symptom.SymptomAnswer:
    """Search the settings that would freeze as somebody saw it. Raises InputError."""
    return symptom.match_symptom(fleet, view, span, seen, top=top, progress=progress)
