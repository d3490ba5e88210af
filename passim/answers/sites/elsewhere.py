"""Would another site be better? What the terminal of a report would have elsewhere, for comparison with its place.

The terminal is thought to stand under an even skyline as low as it works at all, with the limits that it carries with
it. Gateways belong to one place and are left out, so this is the most that another place could give. Satellites are
counted moment by moment, which tells shares alone and says how near (`passim.answers.sites.shares`); where a limit of
the terminal shuts directions, every pass is found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from passim.answers.sites.shares import suitable_step_s
from passim.answers.sites.sweeps import (
    LatitudeSweep,
    PlaceSweep,
    ShareSweep,
    WorldSummary,
    sweep_latitudes,
    travelling,
    world_places,
    world_table,
)
from passim.elements.records import Fleet
from passim.parallel.chunks import WorkerConfig
from passim.sky.horizon import Horizon
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]

# Steps of the world's grid, the finest first, and how many places times satellites a report waits for: a few seconds.
_STEPS_DEG: Final = (10.0, 15.0, 20.0, 30.0)
_MOST_WORK: Final = 500_000
# Over a day the longitude moves the share of a latitude by little.
_LONGITUDES: Final = 6
_LATITUDE_STEP_DEG: Final = 5
_LAST_DEG: Final = 80
_ONE_PROCESS: Final = 2_000


@dataclass(frozen=True, eq=False)
class Elsewhere:
    """What the terminal would have at other places. Made by `look_elsewhere`.

    view        the terminal under an even skyline, without gateways; its site is that of the report
    span        the stretch of time that was looked at
    latitudes   the hemisphere of the site, latitude by latitude, and the latitude of the site itself
    step_deg    how far apart the points of the world stand; None where the world was left out, and then
    world       the table of `sweeps.world_table`, and
    surface     means over the Earth's surface are None too
    step_s      in what steps satellites were counted; None where every pass was found
    share_error the standard error of the share covered at the worst of all these places, 0 where passes were found
    """

    view: View
    span: Span
    latitudes: LatitudeSweep
    step_deg: float | None = None
    world: pd.DataFrame | None = None
    surface: WorldSummary | None = None
    step_s: float | None = None
    share_error: float = 0.0

    @property
    def here(self) -> Any:
        """The row of the sweep at the latitude of the site."""
        away = (self.latitudes.table["latitude_deg"] - self.view.site.latitude_deg).abs()
        return self.latitudes.table.iloc[int(away.to_numpy().argmin())]


def step_for(satellites: int, view: View) -> float:
    """Return the finest step of the world's grid, degrees, that a fleet of so many satellites is quick with."""
    if suitable_step_s(_free(view), satellites) is not None:
        return _STEPS_DEG[0]
    quick = (step for step in _STEPS_DEG if satellites * len(world_places(step)) <= _MOST_WORK)
    return next(quick, _STEPS_DEG[-1])


def look_elsewhere(
    fleet: Fleet,
    view: View,
    span: Span,
    *,
    step_deg: float | None,
    workers: WorkerConfig | None = None,
    progress: Progress | None = None,
) -> Elsewhere:
    """Return what the terminal of `view` would have in `span` by latitude and, with a step, over the world.

    Raises InputError for a step that does not divide 180, and what `sweeps.PlaceSweep` raises.
    """
    points_deg = [] if step_deg is None else world_places(step_deg)
    free = _free(view)
    step_s = suitable_step_s(free, len(fleet))
    chosen_deg = _latitudes(view.site.latitude_deg)
    places = len(chosen_deg) * _LONGITUDES
    every = places + len(points_deg)

    def advance_from(before: int, count: int) -> Progress:
        def tell(done: float) -> None:
            if progress:
                progress((before + done * count) / every)

        return tell

    latitudes = sweep_latitudes(
        fleet,
        free,
        chosen_deg,
        span,
        longitudes=_LONGITUDES,
        step_s=step_s,
        # A few places are found sooner than other processes start.
        workers=WorkerConfig(processes=1) if len(fleet) <= _ONE_PROCESS else workers,
        progress=advance_from(0, places),
    )
    if step_deg is None:
        return Elsewhere(free, span, latitudes, step_s=step_s, share_error=latitudes.share_error)
    surface, found = WorldSummary(), []
    advance = advance_from(places, len(points_deg))
    sweep: PlaceSweep | ShareSweep
    if step_s is None:
        sweep = PlaceSweep(fleet, free, points_deg, span, workers=workers, progress=advance)
    else:
        sweep = ShareSweep(fleet, free, points_deg, span, step_s, workers=workers, progress=advance)
    for place in sweep:
        surface.add(place)
        found.append(place)
    error = max(latitudes.share_error, sweep.share_error if isinstance(sweep, ShareSweep) else 0.0)
    return Elsewhere(free, span, latitudes, step_deg, world_table(found), surface, step_s, error)


def _free(view: View) -> View:
    """Return the view under an even skyline as low as the terminal works at all, without its gateways."""
    return replace(travelling(view), site=replace(view.site, horizon=Horizon.flat(view.floor_deg)))


def _latitudes(here_deg: float) -> list[float]:
    """Return the latitudes of the hemisphere of a place, and its own, from south to north."""
    last = _LAST_DEG if abs(here_deg) <= _LAST_DEG else 90
    south = here_deg < 0.0
    steps = {float(-each if south else each) + 0.0 for each in range(0, last + 1, _LATITUDE_STEP_DEG)}
    return sorted({*steps, float(here_deg)})
