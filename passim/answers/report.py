"""A report on one place: what is known of it now, gathered from the answers to the single questions.

Nothing new is worked out here. The record holds the gaps of the days ahead with their causes, good starts for calls,
what every number of satellites gives, and how old the elements are. What is said of it, and what it looks like, is
another matter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from passim.answers.calls.forecast import RUNS, ServiceForecast
from passim.answers.calls.kinds import CallKind
from passim.answers.calls.plan import CallPlan, plan_of
from passim.answers.growth.curves import Curves, curves_of
from passim.answers.growth.goals import Goal, Smallest, smallest
from passim.answers.growth.orders import Order, launch_or_plane_order, plane_order, random_orders
from passim.answers.sites.horizon_cost import sector_costs
from passim.coverage.causes import Causes, causes_of
from passim.coverage.ranks import RankSweep
from passim.coverage.sky_map import sky_track
from passim.coverage.steps import Coverage
from passim.coverage.visibility import Visibility
from passim.elements.health import Health, assess
from passim.elements.shells import mean_altitude_km
from passim.errors import InputError, SpanError, WayOut
from passim.forecast.calibration import Calibration
from passim.forecast.timing import Freshness, TimingModel, band_for
from passim.orbits.propagation import Propagator
from passim.sky.in_view import serving_satellites
from passim.sky.outlines import Outline, outlines
from passim.sky.site import Site
from passim.spans import DailyHours, Span, local_days

Progress = Callable[[float], None]

MOST_DAYS: Final = 14.0
# Random orders for the band of the growth curve: enough for its tenth and ninetieth percentile.
DRAWS: Final = 20
# A sky map of so many samples holds more passes than can be told apart.
_SKY_SAMPLES: Final = 150_000
_FINEST_SKY_STEP_S: Final = 10.0


@dataclass(frozen=True, eq=False)
class GrowthLine:
    """One order of the satellites: what every number of them gives, and the number that meets the goal."""

    curves: Curves
    goal: Smallest

    @property
    def order(self) -> Order:
        """The order."""
        return self.curves.order

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row a number of satellites, with the columns of `Curves.table`."""
        return self.curves.table


@dataclass(frozen=True, eq=False)
class SiteReport:
    """What a report says. Made by `make_report`.

    at              when it was asked
    visibility      who can serve when over the span, limit by limit; `causes` its gaps and what opens them
    plan            good starts for calls; None where none can be ranked, and ``no_plan`` then says why
    growth          one line an order; where there is none ``no_growth`` says why
    no_order        why orders are left out: one error each, or the order that stands in for it
    first, last     how fresh the elements are at the start and at the end of the span
    model           how far predicted times may be off by the age of the elements
    health          who of the fleet serves
    sectors         what each sector of the skyline costs; ``track`` and ``outlines`` draw the sky of the first day
    altitude_km     the usual altitude of the fleet, for which ``outlines`` draws the line of a gateway
    """

    at: datetime
    visibility: Visibility
    causes: Causes
    kind: CallKind
    minutes: int
    plan: CallPlan | None
    no_plan: InputError | None
    goal: Goal
    growth: tuple[GrowthLine, ...]
    no_growth: InputError | None
    no_order: tuple[InputError | Order, ...]
    first: Freshness
    last: Freshness
    model: TimingModel
    health: Health
    sectors: pd.DataFrame
    track: pd.DataFrame
    outlines: tuple[Outline, ...]
    altitude_km: float

    @property
    def site(self) -> Site:
        """The site."""
        return self.visibility.view.site

    @property
    def span(self) -> Span:
        """The days ahead."""
        return self.visibility.span

    @property
    def coverage(self) -> Coverage:
        """How many satellites can serve when."""
        return self.causes.coverage

    @cached_property
    def summary(self) -> dict[str, Any]:
        """The figures of `Coverage.summary`."""
        return self.coverage.summary()

    @cached_property
    def gaps(self) -> pd.DataFrame:
        """The gaps with their causes, as `Causes.table` gives them."""
        return self.causes.table

    @cached_property
    def timed_gaps(self) -> pd.DataFrame:
        """Those of the gaps that may be listed one by one: by then the elements are not too old for it."""
        if (self.first.band.lists_times and self.last.band.lists_times) or self.gaps.empty:
            return self.gaps
        # One look an hour is enough for an age.
        hours, which = np.unique(self.gaps["start"].dt.floor("h").to_numpy(), return_inverse=True)
        moments = pd.DatetimeIndex(hours, tz="UTC")
        shown = np.array([self._fresh(when.to_pydatetime()).band.lists_times for when in moments])
        return self.gaps[shown[which]]

    def _fresh(self, when: datetime) -> Freshness:
        return _fresh(self.visibility, when, self.model)

    @cached_property
    def first_day(self) -> Coverage:
        """The coverage of the first 24 hours, or of the whole span where it is shorter."""
        return self.visibility.coverage(span=_first_day(self.span))

    @cached_property
    def days(self) -> pd.DataFrame:
        """One row a local day: those of `Coverage.by_local_day`, covered_fraction, longest_gap_s (what lies in it)."""
        table = self.coverage.by_local_day(self.site.timezone)
        table["covered_fraction"] = 1.0 - table["gap_s"] / table["span_s"]
        edges_us = np.clip(local_days(self.span, self.site.timezone), self.span.start_us, self.span.end_us)
        start_us, end_us = self.coverage.gap_intervals
        inside_us = np.minimum(end_us[:, None], edges_us[1:]) - np.maximum(start_us[:, None], edges_us[:-1])
        table["longest_gap_s"] = inside_us.max(axis=0, initial=0) / 1e6
        return table


def make_report(
    visibility: Visibility,
    wider: Visibility,
    *,
    at: datetime,
    kind: CallKind,
    minutes: int,
    hours: DailyHours,
    goal: Goal,
    model: TimingModel | None = None,
    calibration: Calibration | None = None,
    draws: int = DRAWS,
    seed: int = 1,
    runs: int = RUNS,
    progress: Progress | None = None,
) -> SiteReport:
    """Return the report on the view and the span of `visibility`.

    `wider` is the same view over `call_forecast.searched_span` of that span, from which calls are forecast: `minutes`
    long, of `kind`, within `hours` of the site's clock. `goal` is what growth is asked about; one about call hours or
    pauses is refused, because the curves are those of the whole time. `model` says how far times may be off, and
    `calibration` what a record has taught about the line. Raises SpanError for a span over
    `MOST_DAYS`, InputError for a goal that cannot be asked.
    """
    span, view = visibility.span, visibility.view
    check_length(span)
    if goal.in_call_hours or goal.needs_pauses:
        raise InputError(
            "goal of a report",
            got=goal.text,
            wanted="one about the whole time, without pauses",
            way_out=WayOut.GROWTH_ALONE,
        )
    causes = causes_of(visibility)
    growth, no_growth, no_order = _growth(visibility, goal, draws, seed, progress)
    model = model or TimingModel()
    plan, no_plan = _plan(wider, span, model, calibration, kind, minutes, hours, runs, seed)
    track = _track_of_first_day(visibility)
    radius_km = float(np.median(Propagator.of(visibility.fleet).semi_major_axis_km))
    return SiteReport(
        at=at,
        visibility=visibility,
        causes=causes,
        kind=kind,
        minutes=minutes,
        plan=plan,
        no_plan=no_plan,
        goal=goal,
        growth=growth,
        no_growth=no_growth,
        no_order=no_order,
        first=_fresh(visibility, span.start, model),
        last=_fresh(visibility, span.end, model),
        model=model,
        health=assess(visibility.fleet, span.middle),
        sectors=sector_costs(causes),
        track=track,
        outlines=outlines(view, radius_km),
        altitude_km=float(np.median(mean_altitude_km(visibility.fleet.column("mean_motion_rev_day")))),
    )


def check_length(span: Span) -> None:
    """Raise SpanError where a report would have to look too far ahead."""
    if span.duration_s > MOST_DAYS * 86400.0:
        raise SpanError(
            "span of a report",
            got=f"{span.duration_s / 86400.0:.3g} days",
            wanted=f"at most {MOST_DAYS:g} days",
            try_next="fewer days; elements say little beyond that",
        )


def _growth(
    visibility: Visibility, goal: Goal, draws: int, seed: int, progress: Progress | None
) -> tuple[tuple[GrowthLine, ...], InputError | None, tuple[InputError | Order, ...]]:
    """Return the orders that this fleet can be put in, with their curves, and why others cannot be given."""
    fleet, span = visibility.fleet, visibility.span
    try:
        counted = serving_satellites(fleet, visibility.view, span)
        orders: tuple[Callable[[], Order], ...] = (
            lambda: launch_or_plane_order(fleet, span.middle, counted),
            lambda: plane_order(fleet, span.middle, counted),
            lambda: random_orders(fleet, draws=draws, seed=seed, counted=counted),
        )
        sweep = RankSweep(visibility.candidates(), span)
    except InputError as error:
        return (), error, ()
    lines: list[GrowthLine] = []
    left_out: list[InputError | Order] = []
    for number, make in enumerate(orders):

        def report(done: float, number: int = number) -> None:
            if progress:
                progress((number + done) / len(orders))

        try:
            order = make()
            if order.name in [line.order.name for line in lines]:
                # The first one stood in for the launches, which the elements do not tell.
                left_out.append(lines[0].order)
                continue
            curves = curves_of(sweep, order, twofold=goal.needs_twofold, progress=report)
        except InputError as error:
            left_out.append(error)
            continue
        lines.append(GrowthLine(curves, smallest(curves, goal)))
    return tuple(lines), None, tuple(left_out)


def _plan(
    wider: Visibility,
    span: Span,
    model: TimingModel,
    calibration: Calibration | None,
    kind: CallKind,
    minutes: int,
    hours: DailyHours,
    runs: int,
    seed: int,
) -> tuple[CallPlan | None, InputError | None]:
    """Return the good starts, or why there are none: elements past every band, or hours that hold no call."""
    try:
        forecast = ServiceForecast.of(wider, span, model, calibration=calibration)
        plan = plan_of(
            forecast, kind, minutes=minutes, hours=hours, timezone=wider.view.site.timezone, runs=runs, seed=seed
        )
    except InputError as error:
        return None, error
    return plan, None


def _track_of_first_day(visibility: Visibility) -> pd.DataFrame:
    """Return the passes of the first day, sampled as finely as a picture needs."""
    above_s = float((visibility.base.end - visibility.base.start).sum()) / 1e6
    track = sky_track(visibility, max(_FINEST_SKY_STEP_S, above_s / _SKY_SAMPLES))
    if track.empty:
        return track
    # Whole pieces only, so that each line ends where the next begins.
    begins = track.groupby("piece")["time"].transform("first")
    return track[begins < pd.Timestamp(_first_day(visibility.span).end)].reset_index(drop=True)


def _first_day(span: Span) -> Span:
    return Span(span.start, min(span.end, span.start + timedelta(hours=24)))


def _fresh(visibility: Visibility, when: datetime, model: TimingModel) -> Freshness:
    return band_for(visibility.fleet, when, model, allow_stale=True)
