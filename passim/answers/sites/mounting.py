"""Where to put the terminal: spots of one site, heights of a mast, and a site whose horizon nobody has seen yet.

All three are one question, asked of several views of one place: how long is each without service? One propagation of
the fleet answers for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import floor
from typing import Any, Final

import pandas as pd

from passim.coverage import Coverage
from passim.coverage.visibility import find_visibilities
from passim.elements.health import HealthSummary
from passim.elements.records import Fleet
from passim.errors import SiteError
from passim.sky.horizon import Horizon
from passim.sky.search_report import SearchReport
from passim.sky.survey import Obstacle, Survey, from_obstacles
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]

DAY_S: Final = 86_400.0
# What a site turns out to have is hardly ever better or worse than these, all round (common practice, no source): open
# ground down to the usual mask of a terminal, and a yard among tall trees.
OPEN_HORIZON_DEG: Final = 25.0
BAD_HORIZON_DEG: Final = 45.0
MOST_VIEWS: Final = 40


@dataclass(frozen=True, eq=False)
class Comparison:
    """Several views of one place, one row a view.

    ``table`` has these columns, and first those that tell the views apart:

        covered_fraction         share of the span with service
        gap_count                gaps in the span, those it cuts included
        gap_longest_s            the longest of them inside the span
        out_s_per_day            seconds without service, scaled to a day of 86,400 s
        difference_s_per_day     out_s_per_day less that of the first view: negative is better

    ``coverages`` holds each view's coverage, ``report`` the search of the first view, ``survey`` what the
    horizon of the first is made of, where it was surveyed, ``health`` which satellites are taken to serve.
    """

    table: pd.DataFrame
    coverages: tuple[Coverage, ...]
    report: SearchReport
    survey: Survey | None = None
    health: tuple[HealthSummary, ...] = ()

    @property
    def best(self) -> int:
        """The row with the least time without service; of several, the first."""
        return int(self.table["out_s_per_day"].to_numpy().argmin())


def compare_spots(
    fleet: Fleet, spots: Sequence[tuple[str, View]], span: Span, *, progress: Progress | None = None
) -> Comparison:
    """Compare named mounting spots; differences are counted from the first, so put the present one there.

    The table begins with the columns spot and horizon_lowest_deg, horizon_highest_deg. Raises SiteError for fewer than
    two spots, more than `MOST_VIEWS` or two of one name, and what `find_visibilities` raises.
    """
    names = [name for name, _ in spots]
    for name in names:
        if names.count(name) > 1:
            raise SiteError("mounting spots", got=f"{name} twice", wanted="a name of its own for each")
    if len(spots) < 2:
        raise SiteError("mounting spots", got=len(spots), wanted="at least two to compare")
    return _compare(fleet, [view for _, view in spots], span, {"spot": names}, None, progress)


def compare_masts(
    fleet: Fleet,
    view: View,
    obstacles: Iterable[Obstacle],
    heights_m: Sequence[float],
    span: Span,
    *,
    declination_deg: float = 0.0,
    progress: Progress | None = None,
) -> Comparison:
    """Compare mount heights amid obstacles: what does one metre more mast buy?

    The horizon of `view`'s site is what lies behind the obstacles: the mask of the terminal, or hills. Obstacles and
    heights, which must ascend, are measured from the same ground. The table begins with the columns mount_height_m,
    horizon_lowest_deg, horizon_highest_deg and has one more at its end:

        gained_s_per_day         seconds of service a day that the step from the row before brings

    Raises SiteError.
    """
    heights = [float(height_m) for height_m in heights_m]
    if not heights or any(not after > before for before, after in pairwise(heights)):
        raise SiteError("mount heights", got=heights, wanted="at least one, ascending, in metres")
    obstacles = tuple(obstacles)
    _check_number(len(heights), "mount heights")
    surveys = [
        from_obstacles(obstacles, height_m, declination_deg=declination_deg, base=view.site.horizon)
        for height_m in heights
    ]
    views = [with_horizon(view, survey.horizon) for survey in surveys]
    # The obstacles that the lowest mount looks over are no obstacles; what a higher one looks over is the gain.
    result = _compare(fleet, views, span, {"mount_height_m": heights}, surveys[0], progress)
    out_s = result.table["out_s_per_day"]
    return replace(result, table=result.table.assign(gained_s_per_day=(out_s.shift(1) - out_s).fillna(0.0)))


def horizon_range(
    fleet: Fleet,
    view: View,
    span: Span,
    *,
    open_deg: float = OPEN_HORIZON_DEG,
    bad_deg: float = BAD_HORIZON_DEG,
    progress: Progress | None = None,
) -> Comparison:
    """Return what a place gives under an open and under a bad horizon, while its own is unknown.

    Every other limit of `view` stays. The table has two rows, "open" and "bad" in the column horizon, then
    horizon_lowest_deg and horizon_highest_deg, which are equal. Raises SiteError unless open_deg < bad_deg.
    """
    if not open_deg < bad_deg:
        raise SiteError(
            "range of horizons",
            got=f"{open_deg:g} to {bad_deg:g} deg",
            wanted="the open horizon lower than the bad one",
        )
    views = [with_horizon(view, Horizon.flat(elevation_deg)) for elevation_deg in (open_deg, bad_deg)]
    return _compare(fleet, views, span, {"horizon": ["open", "bad"]}, None, progress)


def mast_heights(lowest_m: float, highest_m: float, step_m: float) -> list[float]:
    """Return the heights from `lowest_m` up to `highest_m`, `step_m` apart, metres. Raises SiteError."""
    if not (0.0 <= lowest_m <= highest_m <= 1000.0 and step_m > 0.0):
        raise SiteError(
            "mount heights",
            got=f"{lowest_m:g} to {highest_m:g} m by {step_m:g} m",
            wanted="a lowest, a highest from 0 to 1000 m, and a step over 0",
        )
    # A sliver of a step more, so that rounding does not lose the highest.
    steps = floor((highest_m - lowest_m) / step_m + 1e-9)
    if steps >= MOST_VIEWS:
        raise SiteError(
            "mount heights", got=f"{steps + 1} of them", wanted=f"at most {MOST_VIEWS}", try_next="a greater step"
        )
    return [round(lowest_m + step * step_m, 6) for step in range(steps + 1)]


def with_horizon(view: View, horizon: Horizon) -> View:
    """Return the view under another horizon; the terminal's own lowest elevation stays as it is."""
    return replace(view, site=replace(view.site, horizon=horizon))


def _check_number(number: int, what: str) -> None:
    if number > MOST_VIEWS:
        raise SiteError(what, got=number, wanted=f"at most {MOST_VIEWS} to compare at once")


def _compare(
    fleet: Fleet,
    views: Sequence[View],
    span: Span,
    told_apart_by: dict[str, list[Any]],
    survey: Survey | None,
    progress: Progress | None,
) -> Comparison:
    """Find when each view has service and put the figures side by side."""
    _check_number(len(views), "views")
    found = find_visibilities(fleet, views, span, progress=progress, warn=False)
    coverages = [visibility.coverage() for visibility in found]
    summaries = [coverage.summary() for coverage in coverages]
    out_s = [(1.0 - summary["covered_fraction"]) * DAY_S for summary in summaries]
    table = pd.DataFrame(
        {
            **told_apart_by,
            "horizon_lowest_deg": [view.site.horizon.lowest_deg for view in views],
            "horizon_highest_deg": [view.site.horizon.highest_deg for view in views],
            "covered_fraction": [summary["covered_fraction"] for summary in summaries],
            "gap_count": [summary["gap_count"] for summary in summaries],
            "gap_longest_s": [summary["gap_longest_s"] for summary in summaries],
            "out_s_per_day": out_s,
            "difference_s_per_day": [seconds - out_s[0] for seconds in out_s],
        }
    )
    # Views that share a limit share its verdict: each is told once.
    health = dict.fromkeys(each for visibility in found for each in visibility.health)
    return Comparison(table, tuple(coverages), found[0].report, survey, tuple(health))
