"""Does it get better as satellites are added? The question asked whole: a fleet, a view and a span to the answer."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from passim.answers.growth.curves import Curves, growth_curves
from passim.answers.growth.goals import Goal, Smallest, parse_goal, smallest
from passim.answers.growth.orders import Order, named_order
from passim.coverage.notebook import as_html
from passim.coverage.visibility import find_visibility
from passim.elements.records import Fleet
from passim.sky.fleet_search import Progress
from passim.sky.in_view import serving_satellites
from passim.sky.view import View
from passim.spans import DailyHours, Span


@dataclass(frozen=True, eq=False)
class Growth:
    """What every number of satellites gives, in one order. Made by `find_growth`.

    curves      the figures of every draw of the order
    smallest    the number of satellites from which on the goal stays met; None where no goal was asked about
    """

    curves: Curves
    smallest: Smallest | None = None

    def __repr__(self) -> str:
        out = float(self.curves.values["gap_fraction"][:, -1].mean())
        words = f"{self.order.satellites:,} satellites by {self.order.name}, with all of them {100.0 * out:.3g} % out"
        if self.smallest is None:
            return f"<Growth to {words}>"
        met = f"from {self.smallest.middle:,} on" if self.smallest.reached else "never"
        return f"<Growth to {words}; {self.smallest.goal.text} met {met}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.table)

    @property
    def order(self) -> Order:
        """The order in which satellites are added."""
        return self.curves.order

    @property
    def table(self) -> pd.DataFrame:
        """One row a number of satellites, with the columns of `Curves.table`."""
        return self.curves.table


def find_growth(
    fleet: Fleet,
    view: View,
    span: Span,
    *,
    order: str = "launch",
    draws: int = 100,
    seed: int = 1,
    goal: Goal | str | None = None,
    hours: DailyHours | None = None,
    quantiles: bool = False,
    progress: Progress | None = None,
    warn: bool = True,
) -> Growth:
    """Return what the first N satellites would give at a view in `span`, exactly, for every N from 1 to all that serve.

    `order` is "launch" (plane by plane where the elements do not tell the launches), "plane", "random" (`draws` of
    them, from `seed`) or the path of a file of identifiers. `goal` is an expression such as "covered >= 98 %" or
    "longest_gap_s <= 5", as `parse_goal` reads it. With `hours` these of each day count alone, by the clock of the
    site. `quantiles` adds the median and the 90th percentile of the gaps. What is lost at handovers is left out, since
    with other satellites to choose from it would fall elsewhere.

    Raises InputError for an unknown order or goal, SpanError where the span meets none of the hours, and warns and
    raises as `find_visibility` does.
    """
    wanted = parse_goal(goal) if isinstance(goal, str) else goal
    windows = hours.inside(span, view.site.timezone) if hours else None
    seen = find_visibility(fleet, view, span, progress=progress, warn=warn)
    counted = serving_satellites(seen.fleet, view, span)
    ranked = named_order(order, seen.fleet, span.middle, counted, draws=draws, seed=seed)
    pauses, twofold = (wanted.needs_pauses, wanted.needs_twofold) if wanted is not None else (False, False)
    curves = growth_curves(seen, ranked, windows=windows, quantiles=quantiles, pauses=pauses, twofold=twofold)
    return Growth(curves, None if wanted is None else smallest(curves, wanted))
