"""What calls are judged by: the forecast of service at one site over a span, its freshness, and drawn futures of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from passim.answers.calls.kinds import CallKind
from passim.arrays import Ints
from passim.coverage.visibility import Visibility, find_visibility
from passim.elements.records import Fleet
from passim.errors import InputError
from passim.forecast.calibration import Calibration
from passim.forecast.odds import Odds, odds_of_no_service
from passim.forecast.odds_events import Simulation, blocks_of, simulate
from passim.forecast.timing import Freshness, TimingModel, band_for, freshness_of_each
from passim.intervals import GroupedIntervals, complement, intersection, union
from passim.sky.fleet_search import Progress
from passim.sky.handover_policy import Look
from passim.sky.service import INSTANT, InUse, Service, assignments_within, in_use_at, lost_at_handovers, rows_within
from passim.sky.view import View
from passim.spans import Span, moment

# Satellites are sought this far beyond the span on both sides, so that one that comes late into it is known: more than
# five times the widest timing error of elements of two weeks (36 s with a manoeuvre).
MARGIN: Final = timedelta(minutes=5)
# A block warms up for 10 min, satellites come up to MARGIN late, and a low orbit is in view for up to 15 min at a time.
_BEFORE_BLOCKS: Final = timedelta(minutes=30)
_AFTER_BLOCKS: Final = timedelta(minutes=20)
RUNS: Final = 200
_HOUR_US: Final = 3_600_000_000


def searched_span(span: Span) -> Span:
    """Return the span in which to search for satellites that a forecast of `span` needs.

    It holds the whole blocks in which futures are drawn, so that one start, length and moment has one estimate whatever
    span is asked about; and it begins and ends well beyond what these look at, so that no pass there is cut.
    """
    blocks = blocks_of(Span(span.start - MARGIN, span.end))
    return Span(moment(blocks[0][0]) - _BEFORE_BLOCKS, moment(blocks[-1][1]) + _AFTER_BLOCKS)


@dataclass(frozen=True, eq=False)
class ServiceForecast:
    """When which satellite can serve, around `span`, by prediction; and how far that may be off.

    Assumes service whenever a satellite is within every limit, less what ``service`` loses at handovers. ``joint``
    holds when which satellite is, an index of ``fleet``; it was sought in ``searched``. ``look`` tells where satellites
    stand, as `Visibility.look` does; a service that loses no time needs none. ``allow_stale`` lets elements
    past every band be used. ``seen`` holds limit by limit what ``joint`` came from, where that is known. With a
    ``calibration`` the odds are made to fit a record of the line; predicted times never are.
    """

    span: Span
    fleet: Fleet
    joint: GroupedIntervals
    searched: Span
    model: TimingModel = field(default_factory=TimingModel)
    allow_stale: bool = False
    service: Service = INSTANT
    look: Look | None = None
    seen: Visibility | None = None
    calibration: Calibration | None = None

    @classmethod
    def of(
        cls,
        seen: Visibility,
        span: Span,
        model: TimingModel | None = None,
        *,
        allow_stale: bool = False,
        calibration: Calibration | None = None,
    ) -> ServiceForecast:
        """Return the forecast of `span` from what was found in ``searched_span(span)``.

        Raises ElementsError where the elements are too old for the end of the span, unless `allow_stale`; InputError
        where the span reaches out of the one searched.
        """
        if seen.span.start > span.start or seen.span.end < span.end:
            raise InputError("span of the calls", got=f"{span.start} to {span.end}", wanted="a part of that searched")
        model = model or TimingModel()
        band_for(seen.fleet, span.start, model, allow_stale=allow_stale)
        band_for(seen.fleet, span.end, model, allow_stale=allow_stale)
        service, look = seen.view.service, seen.look
        joint = seen.candidates()
        return cls(span, seen.fleet, joint, seen.span, model, allow_stale, service, look, seen, calibration)

    @classmethod
    def find(
        cls,
        fleet: Fleet,
        view: View,
        span: Span,
        *,
        model: TimingModel | None = None,
        allow_stale: bool = False,
        calibration: Calibration | None = None,
        progress: Progress | None = None,
        warn: bool = True,
    ) -> ServiceForecast:
        """Return the forecast of `span` at a view, from a search of ``searched_span(span)``.

        Warns as `find_visibility` does, unless `warn` is false; raises as it and `of` do.
        """
        seen = find_visibility(fleet, view, searched_span(span), progress=progress, warn=warn)
        return cls.of(seen, span, model, allow_stale=allow_stale, calibration=calibration)

    def freshness(self, when: datetime) -> Freshness:
        """Return how old the elements are at `when`, and what may still be said."""
        return band_for(self.fleet, when, self.model, allow_stale=True)

    def freshness_at(self, times_us: Ints) -> list[Freshness]:
        """Return the same for many moments, microseconds since 1970 UTC.

        Ages grow evenly but where one set of an object gives way to the next: they are looked up at whole hours, and
        between two of these on the straight line.
        """
        times = np.asarray(times_us, dtype=np.int64)
        hour = times // _HOUR_US
        hours, place = np.unique(hour, return_inverse=True)
        part = (times - hour * _HOUR_US) / _HOUR_US
        looked = {h: self.freshness(moment(h * _HOUR_US)) for h in np.union1d(hours, hours + 1).tolist()}
        at, after = (
            np.array([(looked[h].median_s, looked[h].oldest_s) for h in hours_of.tolist()]).reshape(-1, 2)[place]
            for hours_of in (hours, hours + 1)
        )
        ages_s = (1.0 - part)[:, None] * at + part[:, None] * after
        return freshness_of_each(ages_s[:, 0], ages_s[:, 1], self.model)

    def gaps_us(self, buffer_s: float = 0.0) -> tuple[Ints, Ints]:
        """Return start and end of each predicted freeze in the span, microseconds since 1970 UTC.

        A freeze is what is left of a gap once `buffer_s` has been played.
        """
        wider = self._wider(buffer_s)
        gaps = complement((self.joint.start, self.joint.end), wider.start_us, wider.end_us)
        if self.look is not None and self.service.loses_time:
            # Served from the start of the search on, where it is known what the terminal is doing.
            lost = lost_at_handovers(self.joint, self.searched, self.service, self.look, self._in_use)
            gaps = union(gaps, intersection(lost, ([wider.start_us], [wider.end_us])))
        start, end = _played_on(gaps.start, gaps.end, buffer_s, wider)
        start, end = np.maximum(start, self.span.start_us), np.minimum(end, self.span.end_us)
        return start[end > start], end[end > start]

    def futures(self, kind: CallKind, *, runs: int = RUNS, seed: int = 1) -> Simulation:
        """Return the freezes of `runs` drawn futures of the span, for one kind of call. Raises InputError."""
        wider = self._wider(kind.buffer_s)
        drawn = self._drawn(wider, runs, seed)
        start_us, end_us = _played_on(drawn.start_us, drawn.end_us, kind.buffer_s, wider)
        left = end_us > start_us
        floor = None if drawn.floor is None else drawn.floor.played_on(kind.buffer_s)
        return Simulation(wider, drawn.runs, drawn.run[left], start_us[left], end_us[left], floor)

    def odds(self, part: Span, *, step_s: float = 1.0, runs: int = RUNS, seed: int = 1) -> Odds:
        """Return the odds of no service in a part of the span, step by step.

        In closed form where no time is lost at handovers, else the mean of each step over `runs` drawn futures.
        Raises as they do.
        """
        if not self.service.loses_time:
            odds = odds_of_no_service(
                self._joint_of_line, self._epochs_us, part, self.model, step_s=step_s, searched=self.searched
            )
        else:
            step_us = round(step_s * 1e6)
            edges_us = np.append(np.arange(part.start_us, part.end_us, step_us, dtype=np.int64), part.end_us)
            drawn = self._futures(Span(self.span.start, part.end), runs, seed)
            odds = Odds(part, edges_us, drawn.mean_out(edges_us), 0.0)
        return odds if self.calibration is None else self.calibration.odds(odds)

    @property
    def _joint_of_line(self) -> GroupedIntervals:
        """The intervals, with how late the line's own gaps come where that is learned and handovers do not tell it."""
        if self.calibration is None or self.service.loses_time:
            return self.joint
        return self.calibration.moved(self.joint, self.searched)

    @property
    def _epochs_us(self) -> Ints:
        return self.fleet.epochs.astype("datetime64[us]").astype(np.int64)

    def _drawn(self, span: Span, runs: int, seed: int) -> Simulation:
        """Return the gaps of drawn futures of a span inside the one searched, as the line has them."""
        drawn = self._futures(span, runs, seed)
        return drawn if self.calibration is None else self.calibration.thinned(drawn, seed)

    def _futures(self, span: Span, runs: int, seed: int) -> Simulation:
        """Return the same as the satellites have them."""
        return simulate(
            self._joint_of_line,
            self._epochs_us,
            span,
            self.model,
            runs=runs,
            seed=seed,
            searched=self.searched,
            service=self.service,
            look=self.look,
            in_use_at=self._in_use_at(),
        )

    @property
    def _in_use(self) -> InUse | None:
        """What the terminal is doing when the search starts."""
        return None if self.seen is None else self.seen.in_use

    def _in_use_at(self) -> Callable[[int], InUse | None] | None:
        """Return what tells what it is predicted to do at a moment; None where it loses no time, whatever it does."""
        if self.look is None or not self.service.loses_time:
            return None
        rows = rows_within(self.joint, self.searched)
        assignments = assignments_within(rows, self.searched, self.service, self.look, self._in_use)
        return lambda moment_us: in_use_at(rows, assignments, self.searched, moment_us, self._in_use)

    def _wider(self, buffer_s: float) -> Span:
        """Return the span to look at: with a buffer, how long ago a gap began at the start of the span matters too."""
        return Span(max(self.span.start - MARGIN / 2, self.searched.start), self.span.end) if buffer_s else self.span


def odds(
    fleet: Fleet,
    view: View,
    span: Span,
    *,
    model: TimingModel | None = None,
    step_s: float = 1.0,
    runs: int = RUNS,
    seed: int = 1,
    allow_stale: bool = False,
    calibration: Calibration | None = None,
    progress: Progress | None = None,
    warn: bool = True,
) -> Odds:
    """Return the odds of no service at a view in `span`, one value for each step of at most `step_s` seconds.

    `model` says how timing errors grow with the age of elements, the usual ones unless given. Where the terminal loses
    time at handovers, the odds are the mean of `runs` futures drawn from `seed`, else in closed form. The tables are
    ``per_minute(timezone)`` and ``per_second()``. Elements over 14 days old at an end of the span are refused with an
    ElementsError unless `allow_stale`; `calibration` is what a record has taught about the line
    (`passim.line.learn_line`). Warns and raises as `find_visibility` does; raises SpanError for the step.
    """
    forecast = ServiceForecast.find(
        fleet, view, span, model=model, allow_stale=allow_stale, calibration=calibration, progress=progress, warn=warn
    )
    return forecast.odds(span, step_s=step_s, runs=runs, seed=seed)


def _played_on(start_us: Ints, end_us: Ints, buffer_s: float, span: Span) -> tuple[Ints, Ints]:
    """Return gaps as the freezes that a buffer leaves of them; one that `span` cuts at its start is left whole."""
    began_inside = start_us > span.start_us
    return np.where(began_inside, start_us + round(buffer_s * 1e6), start_us), end_us
