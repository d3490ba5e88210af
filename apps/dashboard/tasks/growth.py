"""What worker processes run for growth, and the server itself where it is quick; see `work`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from passim import Fleet, Span
from passim.answers.growth import (
    ahead as growth_ahead,
    curves as growth,
    launch_plan as growth_plan,
    orders as growth_orders,
)
from passim.coverage import ranks, visibility
from passim.sky import in_view, view as views

from ...text.growth import stand_in_sentence
from .passes import Progress

# Random orders: the more satellites, the fewer draws, since a band of many satellites is narrow anyway.
_DRAWS, _FEWEST_DRAWS, _DRAWN_SATELLITES = 50, 10, 50_000


@dataclass(frozen=True, eq=False)
class CurvesByOrder:
    """The curves of each order that the fleet has, and one sentence for each that it has not."""

    curves: tuple[growth.Curves, ...]
    missing: tuple[str, ...]


def read_plan(
    data: bytes, name: str, now: datetime, progress: Progress | None = None
) -> tuple[growth_plan.PlannedLaunch, ...]:
    """Return the launches of a plan that was handed in as the file `name`. Raises InputError."""
    return growth_plan.parse_plan(data, name, now)


def grow(
    seen: visibility.Visibility, windows: growth.Windows | None, twofold: bool, progress: Progress | None = None
) -> CurvesByOrder:
    """Count satellites in every order: as launched, plane by plane, at random; `twofold` tells of two in view too.

    Raises InputError.
    """
    counted = in_view.serving_satellites(seen.fleet, seen.view, seen.span)
    draws = max(_FEWEST_DRAWS, min(_DRAWS, _DRAWN_SATELLITES // max(int(counted.sum()), 1)))
    orders: list[growth_orders.Order] = []
    missing: list[str] = []
    orders.append(growth_orders.launch_or_plane_order(seen.fleet, seen.span.middle, counted))
    if orders[0].name == "launch":
        orders.append(growth_orders.plane_order(seen.fleet, seen.span.middle, counted))
    else:
        missing.append(stand_in_sentence(orders[0]))
    orders.append(growth_orders.random_orders(seen.fleet, draws=draws, counted=counted))

    # One set of slices serves every order.
    sweep = ranks.RankSweep(seen.candidates(), seen.span)
    curves = []
    for order in orders:
        by_draw = progress if order.draws > 1 else None
        found = growth.curves_of(sweep, order, windows=windows, pauses=True, twofold=twofold, progress=by_draw)
        curves.append(found)
    return CurvesByOrder(tuple(curves), tuple(missing))


def grow_ahead(
    fleet: Fleet,
    view: views.View,
    span: Span,
    launches: Sequence[growth_plan.PlannedLaunch] | None,
    now: datetime,
    windows: growth.Windows | None,
    twofold: bool,
    progress: Progress | None = None,
) -> growth_ahead.Ahead:
    """Put a plan over the sky of `span`, or launches at the pace of late (None). Raises InputError."""
    return growth_ahead.growth_ahead(
        fleet, view, span, launches, now=now, windows=windows, pauses=True, twofold=twofold, progress=progress
    )
