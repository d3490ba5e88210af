"""What a record teaches about a line: how to make the odds of the forecast fit it, and whether that makes them better.

Learned are the share of forecast gaps that come, how late they begin and end, and the floor of outages that no gap
explains (`passim.forecast.calibration`). A gap has come where an outage meets it, give or take the tolerance of the
comparison, however far their starts are apart. Gaps that come by luck count as none: of F forecast gaps H were met, and
of the forecast shifted in time the share l; then the share that comes for the sake of the sky is (H / F - l) / (1 - l),
and the other outages belong to the floor. Gaps shorter than the record could have seen are left out.

The rate of the floor by hour of day is drawn towards that of the whole day as far as chance alone would scatter the
hours (empirical Bayes with a gamma law; Casella, "An introduction to empirical Bayes data analysis", 1985, recalled):
two freezes in one hour of one week make no rule.

Whether it helps is asked of days that did not teach: each local day is scored with what the other days teach, by the
Brier score of the chance of no service at each second, beside the plain forecast. It counts as better where the whole
interval of the gain, by drawing days anew, lies above nil.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats, Ints
from passim.errors import InputError, WayOut
from passim.forecast.baselines import day_clock
from passim.forecast.calibration import Calibration
from passim.forecast.floor import Floor
from passim.forecast.verification import FEWEST_DAYS, Bounds, bootstrap_by_day
from passim.intervals import Intervals, difference, intersection, union
from passim.line.comparing import LineComparison, inside, interval_of, microseconds_of
from passim.line.past import PastForecast
from passim.line.record import LineRecord
from passim.spans import Span, moment

# So far back a line is looked at: roofs stay, but trees, gateways and firmware change (this project's own, no source).
LOOKED_AT: Final = timedelta(days=14)
_HOURS: Final = 24
_QUARTER_US: Final = 900_000_000
# Fewer hits than this tell nothing of how late gaps come.
_FEWEST_HITS: Final = 20
_FEWEST_LENGTHS: Final = 5
_LATEST_S: Final = 60.0
# From here on what came, came mostly by luck.
_MOSTLY: Final = 0.5
# Shifts that stand for luck, as in the comparison: the same hours of day, other moments.
_SHIFTS_S: Final = tuple(sign * 120.0 * 1.11**power for power in range(31) for sign in (-1.0, 1.0))


@dataclass(frozen=True, eq=False, repr=False)
class LearnedLine:
    """What the last days of a record have taught.

    span            the days looked at, and `days` how many local days of them were measured at all
    calibration     what makes the odds fit the line
    brier_plain, brier_learned
                    Brier scores of the chance of no service by second, on days that did not teach
    gain            1 - brier_learned / brier_plain with its bounds at 95 %, from redrawn days
    forecast, recorded
                    gaps forecast, and outages of the line recorded, as `Intervals` in microseconds since 1970 UTC; the
                    clock of the record put right
    unseen          when nothing was measured, or the own router did not answer
    """

    span: Span
    days: int
    calibration: Calibration
    brier_plain: float
    brier_learned: float
    gain: Bounds
    forecast: Intervals
    recorded: Intervals
    unseen: Intervals

    def __repr__(self) -> str:
        return (
            f"<LearnedLine of {self.days} days: {self.calibration.came_share:.0%} of gaps come, "
            f"{self.calibration.floor.mean_per_hour:.2g} other outages an hour; gain {self.gain.value:.1%}>"
        )

    @property
    def better(self) -> bool:
        """Whether days that did not teach were forecast better with it than without."""
        return self.gain.low > 0.0


def learn_line(
    forecast: PastForecast, record: LineRecord, comparison: LineComparison, timezone: str = "UTC"
) -> LearnedLine:
    """Return what a record has taught about its line, from at most its last 14 days.

    `comparison` is that of `forecast` and `record`. Raises InputError where the elements were too old for odds, and for
    a record of fewer than five local days; SiteError for an unknown zone.
    """
    if not forecast.parts:
        raise InputError(
            "a forecast to learn by", got="elements too old for odds of moments", wanted="elements of those days",
            try_next="a later start",
        )  # fmt: skip
    low_us = max(comparison.span.start_us, comparison.span.end_us - round(LOOKED_AT.total_seconds() * 1e6))
    span = Span(moment(low_us), comparison.span.end)
    probe_s = record.period_s or interval_of(record.outages) or 0.0
    # From the forecast's clock to the record's, whose edges are found late by half an interval in the mean.
    offset_us = round(comparison.clock_offset_s * 1e6)
    late_us = offset_us + round(0.5e6 * probe_s)

    outages = record.outages
    start_us, end_us = (microseconds_of(outages[edge]) - offset_us for edge in ("start", "end"))
    where = outages["where"].to_numpy(dtype=str)
    holes = np.round(record.holes * 1e6).astype(np.int64) - offset_us
    house = Intervals(start_us[where == "house"], end_us[where == "house"])
    unseen = intersection(union((holes[:, 0], holes[:, 1]), house), ([span.start_us], [span.end_us]))
    measured = difference(([span.start_us], [span.end_us]), unseen)
    line = Intervals(start_us[where == "line"], end_us[where == "line"])
    lessons = _Lessons.of(comparison, span, measured, offset_us, late_us, timezone)
    days = lessons.days
    if days.size < FEWEST_DAYS:
        raise InputError(
            "a record to learn from", got=f"{days.size} local days", wanted=f"{FEWEST_DAYS} or more",
            way_out=WayOut.PROBE,
        )  # fmt: skip
    out = union(Intervals(line.start - (late_us - offset_us), line.end - (late_us - offset_us)))
    sums = np.array([_scored(forecast, lessons, day, out, measured, timezone) for day in days.tolist()])
    total = sums.sum(axis=0)
    seconds = max(float(total[2]), 1.0)
    gaps = union(Intervals(microseconds_of(forecast.gaps["start"]), microseconds_of(forecast.gaps["end"])))
    return LearnedLine(
        span=span,
        days=int(days.size),
        calibration=lessons.calibration(days.tolist()),
        brier_plain=float(total[0]) / seconds,
        brier_learned=float(total[1]) / seconds,
        gain=bootstrap_by_day(sums[:, :2], _gain),
        forecast=intersection(gaps, ([span.start_us], [span.end_us])),
        recorded=intersection(union(line), ([span.start_us], [span.end_us])),
        unseen=unseen,
    )


def _gain(total: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total[..., 0] > 0.0, 1.0 - total[..., 1] / total[..., 0], np.nan)


def _scored(
    forecast: PastForecast, lessons: _Lessons, day: int, out: Intervals, measured: Intervals, timezone: str
) -> tuple[float, float, float]:
    """Return the sums of squared errors of the plain odds and of those that the other days teach, and the seconds."""
    calibration = lessons.calibration([other for other in lessons.days.tolist() if other != day])
    plain_sum = learned_sum = seconds = 0.0
    for part in forecast.parts:
        low, high = lessons.bounds_of(day)
        low, high = max(low, part.span.start_us), min(high, part.span.end_us)
        if high <= low:
            continue
        within = Span(moment(low), moment(high))
        plain, learned = part.odds(within), part.odds(within, calibration)
        moments = plain.moments_us
        here = (day_clock(moments, timezone).day == day) & inside(moments, measured)
        came = inside(moments[here], out)
        weight = np.diff(plain.edges_us)[here] / 1e6
        plain_sum += float(weight @ (plain.no_service[here] - came) ** 2)
        learned_sum += float(weight @ (learned.no_service[here] - came) ** 2)
        seconds += float(weight.sum())
    return plain_sum, learned_sum, seconds


@dataclass(frozen=True, eq=False)
class _Lessons:
    """What was seen, by local day, so that any days can be left out.

    days            shape (days,): local days that were measured, since 1970-01-01
    measured_h      shape (days, 24): hours measured in each local hour
    quarters_us     the quarters of an hour of the span, and the `quarter_day` that each but the last is of
    gap_day         shape (gaps,): when each gap that the record could have seen was forecast, and whether it `gap_came`
    late_s          shape (hits, 2): how late each hit of the comparison began and ended, and `late_day` when
    outage_day      shape (outages,): when each outage of the line came, its `outage_hour`, how long it lasted,
                    `outage_s`, and whether a gap `explained` it
    luck            the share of gaps that come by luck
    """

    days: Ints
    measured_h: Floats
    quarters_us: Ints
    quarter_day: Ints
    gap_day: Ints
    gap_came: Bools
    late_day: Ints
    late_s: Floats
    outage_day: Ints
    outage_hour: Ints
    outage_s: Floats
    explained: Bools
    luck: float
    timezone: str

    @classmethod
    def of(
        cls, comparison: LineComparison, span: Span, measured: Intervals, offset_us: int, late_us: int, timezone: str
    ) -> _Lessons:
        events = comparison.events
        hit = np.asarray(events["event"] == "hit")
        late = np.column_stack([events.loc[hit, f"{edge}_late_s"].to_numpy() for edge in ("start", "end")])
        late = late - (late_us - offset_us) / 1e6
        shift_s = float(np.median(late[:, 1] - late[:, 0])) if len(late) >= _FEWEST_HITS else 0.0

        gaps = _within(_side(events, "forecast"), span)
        outages = _within(_side(events[events["where"] == "line"], "recorded", late_us), span)
        near_us = round(1e6 * comparison.tolerance_s)
        length_us = outages.end - outages.start
        # What is shorter than the shortest outages recorded goes unseen, and what is hardly longer may.
        shortest_us = float(np.quantile(length_us, 0.02)) if length_us.size else 0.0
        seen_from_us = shortest_us - shift_s * 1e6 + 2.0 * (late_us - offset_us)
        could = gaps.end - gaps.start >= seen_from_us
        met, explained = _meets(gaps, outages, near_us), _meets(outages, gaps, near_us)
        luck = _luck(Intervals(gaps.start[could], gaps.end[could]), outages, span, near_us)
        gap_clock = day_clock(gaps.start[could], timezone, part_minutes=60)
        clock = day_clock(outages.start, timezone, part_minutes=60)
        hit_day = day_clock(microseconds_of(events.loc[hit, "recorded_start"]) - late_us, timezone).day

        first, past = span.start_us // _QUARTER_US, -(-span.end_us // _QUARTER_US)
        quarters_us = np.arange(first, past + 1, dtype=np.int64) * _QUARTER_US
        in_h = np.diff(_length_up_to(measured, quarters_us)) / 3.6e9
        quarter = day_clock(quarters_us[:-1], timezone, part_minutes=60)
        days, place = np.unique(quarter.day, return_inverse=True)
        hours = np.bincount(place * _HOURS + quarter.part, in_h, days.size * _HOURS).reshape(days.size, _HOURS)
        some = hours.sum(axis=1) > 0.0
        return cls(
            days=days[some], measured_h=hours[some], quarters_us=quarters_us, quarter_day=quarter.day,
            gap_day=gap_clock.day, gap_came=met[could], late_day=hit_day, late_s=late,
            outage_day=clock.day, outage_hour=clock.part, outage_s=length_us / 1e6, explained=explained,
            luck=luck, timezone=timezone,
        )  # fmt: skip

    def bounds_of(self, day: int) -> tuple[int, int]:
        """Return when a local day begins and ends, microseconds since 1970 UTC, to the quarter of an hour outside."""
        here = np.flatnonzero(self.quarter_day == day)
        return int(self.quarters_us[here[0]]), int(self.quarters_us[here[-1] + 1])

    def calibration(self, days: Iterable[int]) -> Calibration:
        """Return what these days teach."""
        taught = list(days)
        gap, late, outage = (np.isin(each, taught) for each in (self.gap_day, self.late_day, self.outage_day))
        gaps, came = int(gap.sum()), int(self.gap_came[gap].sum())
        # Half a gap that came and half a one that did not stand for what is not known (Jeffreys' prior).
        share = (came + 0.5) / (gaps + 1.0) if gaps else 0.0
        came_share = max(0.0, (share - self.luck) / (1.0 - self.luck)) if came else 0.0
        lucky = max(0.0, 1.0 - came_share * gaps / came) if came else 0.0
        begins_s, ends_s = 0.0, 0.0
        if late.sum() >= _FEWEST_HITS and lucky < _MOSTLY:
            late_s = np.clip(np.median(self.late_s[late], axis=0), -_LATEST_S, _LATEST_S)
            begins_s, ends_s = float(late_s[0]), float(late_s[1])
        hour, explained, lengths_s = self.outage_hour[outage], self.explained[outage], self.outage_s[outage]
        # An outage that a gap explains is one of the floor with the chance that the gap was met by luck.
        counts = np.bincount(hour, np.where(explained, lucky, 1.0), _HOURS).astype(np.float64)
        rates = shrunk_rates(counts, self.measured_h[np.isin(self.days, taught)].sum(axis=0))
        own_s = lengths_s[~explained]
        # Too few of its own tell no lengths: those of every outage stand in.
        chosen_s = lengths_s if lucky >= _MOSTLY or own_s.size < _FEWEST_LENGTHS else own_s
        if not chosen_s.size:
            rates = np.zeros(_HOURS)
        floor = Floor(tuple(rates.tolist()), tuple(np.sort(chosen_s).round(3).tolist()), self.timezone)
        return Calibration(came_share, begins_s, ends_s, floor)


def shrunk_rates(counts: Floats, hours: Floats) -> Floats:
    """Return rates by group, events an hour, drawn towards their mean by as much as chance alone would scatter them.

    `counts` of events in `hours` watched, shape (groups,) both. The rates are taken to be drawn from a gamma law whose
    variance is what is left of theirs once that of counting is taken off (the method of moments); a group that was not
    watched has the mean.
    """
    total_h = float(hours.sum())
    if total_h <= 0.0:
        return np.zeros(counts.shape)
    mean = (float(counts.sum()) + 0.5) / total_h
    rates = np.divide(counts, hours, out=np.full(counts.shape, mean), where=hours > 0.0)
    watched = int((hours > 0.0).sum())
    scatter = float(hours @ (rates - mean) ** 2) - (watched - 1) * mean
    spread = scatter / max(total_h - float((hours**2).sum()) / total_h, 1e-9)
    if spread <= 0.0:
        return np.full(counts.shape, mean)
    weight_h = mean / spread
    shrunk: Floats = (counts + weight_h * mean) / (hours + weight_h)
    return shrunk


def _length_up_to(intervals: Intervals, times_us: Ints) -> Floats:
    """Return how much of disjoint ascending `intervals` lies before each time, microseconds, shape (n,)."""
    if not intervals.start.size:
        return np.zeros(times_us.shape)
    edges = np.stack([intervals.start, intervals.end], axis=1).ravel().astype(np.float64)
    so_far = np.append(0.0, np.cumsum((intervals.end - intervals.start).astype(np.float64)))
    level = np.repeat(so_far, 2)[1:-1]
    length: Floats = np.interp(times_us.astype(np.float64), edges, level)
    return length


def _side(events: pd.DataFrame, side: str, later_us: int = 0) -> Intervals:
    """Return the gaps "forecast" or the outages "recorded" of events that have them, `later_us` earlier, ascending."""
    there = events[events[f"{side}_start"].notna()]
    start_us, end_us = (microseconds_of(there[f"{side}_{edge}"]) - later_us for edge in ("start", "end"))
    order = np.argsort(start_us, kind="stable")
    return Intervals(start_us[order], end_us[order])


def _within(found: Intervals, span: Span) -> Intervals:
    """Return those that begin in a span."""
    here = (found.start >= span.start_us) & (found.start < span.end_us)
    return Intervals(found.start[here], found.end[here])


def _meets(these: Intervals, others: Intervals, near_us: int) -> Bools:
    """Return which of `these` come as near as `near_us` to one of the `others`, shape (these,)."""
    joined = union(others)
    if not joined.start.size:
        return np.zeros(these.start.shape, dtype=bool)
    place = np.searchsorted(joined.end, these.start - near_us, side="right")
    meets: Bools = (place < joined.end.size) & (
        joined.start[np.minimum(place, joined.end.size - 1)] < these.end + near_us
    )
    return meets


def _luck(gaps: Intervals, outages: Intervals, span: Span, near_us: int) -> float:
    """Return the share of gaps that an outage would meet if they were forecast for other moments of the same hours."""
    if not gaps.start.size:
        return 0.0
    length_us, met = span.end_us - span.start_us, []
    for shift_s in _SHIFTS_S:
        start = (gaps.start - span.start_us + round(shift_s * 1e6)) % length_us + span.start_us
        met.append(float(_meets(Intervals(start, start + (gaps.end - gaps.start)), outages, near_us).mean()))
    return min(float(np.mean(met)), 0.99)
