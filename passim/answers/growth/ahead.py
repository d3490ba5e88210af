"""Growth ahead: what a place would have on the day each planned launch comes into service.

Today's satellites and the planned ones are put over the same span of sky; each day's fleet is the one before it and
what serves from that day on, so one sweep holds every day. It is a scenario, never a forecast: the plan is the user's,
or launches go on as of late (`passim.answers.growth.pace`), the planes are designed, and today's satellites are taken
to stay as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from passim.answers.growth.curves import COLUMNS, Curves, Progress, Windows, curves_of
from passim.answers.growth.goals import Goal, first_that_stays
from passim.answers.growth.launch_plan import Fitted, PlannedLaunch, planned_satellites
from passim.answers.growth.orders import Order
from passim.answers.growth.pace import Pace, pace_of
from passim.coverage.ranks import RankSweep
from passim.coverage.visibility import Visibility, find_visibility
from passim.elements.health import HealthSummary
from passim.elements.records import Fleet
from passim.sky.in_view import counted_fleet
from passim.sky.limits import ServingFilter
from passim.sky.view import View
from passim.spans import Span


@dataclass(frozen=True, eq=False)
class Ahead:
    """The curve by date under a plan.

    ``table`` has one row a day on which something changes, the first of them today:

        date            datetime64[us, UTC]: from when these satellites serve
        satellites      how many serve
        planned         how many of them come from the plan
        gap_fraction, gap_count, mean_gap_s, longest_gap_s      as in `passim.answers.growth.curves.Curves.table`

    ``curves`` are those of every number on the way, ``visibility`` that of all satellites together, and ``health``
    says who of today's fleet is taken to serve. ``pace`` is what the launches follow from, where no plan gave them.
    """

    table: pd.DataFrame
    curves: Curves
    launches: tuple[PlannedLaunch, ...]
    fitted: tuple[Fitted, ...]
    visibility: Visibility
    health: tuple[HealthSummary, ...] = ()
    pace: Pace | None = None

    def date_met(self, goal: Goal) -> datetime | None:
        """Return the first day from which on `goal` stays met under the plan; None where it is not met in the end."""
        rows = self.table["satellites"].to_numpy() - 1
        met = goal.met(self.curves.values, self.curves.counted_s)[:, rows]
        first = int(first_that_stays(met)[0])
        return None if first == len(rows) else self.table["date"].iloc[first].to_pydatetime()


def growth_ahead(
    fleet: Fleet,
    view: View,
    span: Span,
    launches: Sequence[PlannedLaunch] | None,
    *,
    now: datetime,
    windows: Windows | None = None,
    pauses: bool = False,
    twofold: bool = False,
    seed: int = 1,
    progress: Progress | None = None,
) -> Ahead:
    """Return the curve by date of `fleet` and `launches` at a view, over the sky of `span`.

    Without a plan (None) launches go on at the pace of late. `now` (aware) is the day of the first row; `windows`,
    `pauses` and `twofold` are those of `growth_curves`; `seed` draws which satellites are lost. Raises InputError.
    """
    # Settle who of today's satellites serves, then let planned ones in beside them.
    present = counted_fleet(fleet, view, span)
    pace = None
    if launches is None:
        pace = pace_of(present, span.middle, now)
        launches = pace.launches
    in_turn = tuple(sorted(launches, key=lambda launch: launch.serves_from))
    planned = planned_satellites(present, in_turn, span.middle, seed=seed)
    open_view = view.without(*(limit.name for limit in view.fleet_limits))
    records = [*present.records, *planned.fleet.records]
    together = fleet.holding(records)
    visibility = find_visibility(together, open_view, span, progress=progress, warn=False)

    # Ranks by day of service: today's first, then row by row of the plan. The search may have left out an object.
    row_of = dict(zip(planned.fleet.satellite_ids.tolist(), planned.row.tolist(), strict=True))
    rows = np.array([row_of.get(number, -1) for number in visibility.fleet.satellite_ids.tolist()], dtype=np.intp)
    ranks = np.empty((1, len(rows)), dtype=np.int32)
    ranks[0, np.argsort(rows, kind="stable")] = np.arange(len(rows))
    order = Order("plan", ranks)
    sweep = RankSweep(visibility.candidates(), span)
    curves = curves_of(sweep, order, windows=windows, pauses=pauses, twofold=twofold)

    # One row a day: launches that come into service together count together.
    days = [launch.serves_from for launch in in_turn]
    changes = sorted(set(days))
    numbers = [int((rows < 0).sum())]
    numbers += [numbers[0] + int(sum((rows == k).sum() for k, day in enumerate(days) if day <= c)) for c in changes]
    table = pd.DataFrame(
        {
            "date": pd.DatetimeIndex(
                np.array([m.astimezone(UTC).replace(tzinfo=None) for m in (now, *changes)], dtype="datetime64[us]"),
                tz="UTC",
            ),
            "satellites": numbers,
            "planned": [number - numbers[0] for number in numbers],
        }
    )
    at = np.array(numbers) - 1
    for name in COLUMNS:
        column = curves.values[name][0, at]
        table[name] = column.astype(np.int64) if name == "gap_count" else column
    nearest, _ = fleet.nearest(span.middle)
    health = tuple(limit.health(nearest, span) for limit in view.limits if isinstance(limit, ServingFilter))
    return Ahead(table, curves, in_turn, planned.fitted, visibility, health, pace)


def pace_at(fleet: Fleet, view: View, span: Span, now: datetime) -> Pace:
    """Return the pace of late that `growth_ahead` goes by where it is given no plan. Raises InputError."""
    return pace_of(counted_fleet(fleet, view, span), span.middle, now)
