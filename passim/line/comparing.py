"""Forecast against record: which freezes came as forecast, what luck would have done, and what that shows.

The forecast's gaps are matched one to one with the recorded outages, by their starts, within a tolerance that follows
from the errors of both sides (`tolerance_s`). Only what was measured counts: what begins in a hole of the record, or
while the house network was down, is judged on neither side. A record's clock may be off: within a minute the offset is
found by `passim.line.clock_offset` and used where it could hardly be luck.

What luck does is found by shifting the forecast by two to forty-five minutes either way, at random: so it keeps its
number, its lengths and its hours of day, and loses only the moments. Freezes that come at busy hours, or as often as
gaps do, so prove nothing. Two questions are put to the shifted forecasts: how many of them fit as well at once, and how
many fit as well after their own best offset within a minute was sought too. The smaller answer, doubled since there
were two questions (Bonferroni), is the chance that the fit is luck.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from passim.arrays import Bools, Floats, Ints
from passim.constants import SECONDS_PER_DAY
from passim.coverage.notebook import as_html
from passim.errors import InputError
from passim.forecast.baselines import DayClock, climatology, day_clock
from passim.forecast.event_scores import EventScores, match_times, score_events
from passim.forecast.odds import Odds
from passim.forecast.verification import brier_decomposition, brier_score, reliability_table
from passim.intervals import Intervals, IntervalSet, complement, difference, total_length, union
from passim.line.clock_offset import MOST_OFFSET_S, best_lag, overlap_us
from passim.line.record import LineRecord
from passim.spans import Span, moment

Evidence = Literal["strong", "some", "none"]

# Shifts that stand for luck: past the search for an offset, and short enough to stay at the same hours of day.
_LEAST_SHIFT_S: Final = 120.0
_MOST_SHIFT_S: Final = 2700.0
SHIFTS: Final = 499
# A mean needs fewer of them than a small chance does: every fourth by length stands for its neighbours.
_EVERY_NTH: Final = 4
# Chances of luck up to which the evidence counts: one in a hundred, and one in fifty.
_STRONG_CHANCE: Final = 0.01
_SOME_CHANCE: Final = 0.02
# Strong evidence explains a good part of the record: at least this share of its outages beyond luck's.
_STRONG_SHARE: Final = 0.3
# Below this the clocks agree as far as one can tell; and fewer outages than this tell nothing of a clock.
_LEAST_OFFSET_S: Final = 0.05
_FEWEST_FOR_CLOCK: Final = 5
_HOUR_S: Final = 3600.0
_MINUTE_S: Final = 60.0
_FEWEST_NOTES: Final = 3
# Nine in ten lengths within a twentieth of a whole number of intervals are no accident: by luck it is one in ten.
_FEWEST_LENGTHS: Final = 10
_UNEVEN_SHARE: Final = 0.05
_MOST_EVEN: Final = 0.9

# The columns of `LineComparison.events`, with their dtypes.
EVENT_COLUMNS: Final = {
    "event": "str",
    "forecast_start": "datetime64[us, UTC]",
    "forecast_end": "datetime64[us, UTC]",
    "recorded_start": "datetime64[us, UTC]",
    "recorded_end": "datetime64[us, UTC]",
    "start_late_s": "float64",
    "end_late_s": "float64",
    "where": "str",
}
SCORE_COLUMNS: Final = ("forecast", "events", "hits", "misses", "false_alarms", "explained_s")


@dataclass(frozen=True, eq=False, repr=False)
class LineComparison:
    """How a forecast fits a record of the line over `span`.

    forecast, recorded          gaps forecast and outages recorded that could be judged
    hits, misses, false_alarms  outages that came as forecast, came unforecast, and gaps that did not come
    hits_by_luck                hits of the forecast shifted at random, the mean
    chance                      how likely luck fits as well: see this module's first lines
    evidence                    "strong", "some" or "none": what the fit shows
    clock_offset_s              by how much the record's clock is ahead of the forecast's, 0 where none could be told
    offset_chance               how often shifted forecasts find an offset that fits as well
    tolerance_s                 how far apart two starts may lie
    start_late_s, end_late_s    medians over the hits of how much later it came, after the offset; nan without any
    start_spread_s              spread of the starts about their median, as a standard deviation; nan without any
    duration_ratio              length recorded for each second forecast, over the hits; nan without any
    recorded_s, forecast_s      seconds out in the outages and gaps judged
    explained_s                 seconds recorded while a gap was forecast; `explained_by_luck_s` of shifted forecasts
    measured_s                  seconds in which both were known
    forecast_not_judged, recorded_not_judged    events that began where nothing was measured, or the house was down
    events                      one row an event judged: event ("hit", "miss", "false alarm"), forecast_start,
                                forecast_end, recorded_start, recorded_end (aware, UTC, as each told them; NaT where
                                there is none), start_late_s and end_late_s (after the offset), where (of an outage)
    scores                      one row a forecast: forecast ("passim", "by luck", "yesterday", "hours of day"),
                                events, hits, misses, false_alarms, explained_s
    brier                       Brier scores of the chance of no service, by second: odds, climatology; nan if not given
    reliability                 one row a tenth of chance, as `passim.forecast.verification.reliability_table`
    """

    span: Span
    forecast: int
    recorded: int
    hits: int
    misses: int
    false_alarms: int
    hits_by_luck: float
    chance: float
    evidence: Evidence
    clock_offset_s: float
    offset_chance: float
    tolerance_s: float
    start_late_s: float
    end_late_s: float
    start_spread_s: float
    duration_ratio: float
    recorded_s: float
    forecast_s: float
    explained_s: float
    explained_by_luck_s: float
    measured_s: float
    forecast_not_judged: int
    recorded_not_judged: int
    events: pd.DataFrame = field(repr=False)
    scores: pd.DataFrame = field(repr=False)
    brier: Mapping[str, float] = field(repr=False)
    reliability: pd.DataFrame | None = field(repr=False)

    def __repr__(self) -> str:
        return (
            f"<LineComparison of {self.span}: {self.hits} of {self.recorded} outages as forecast within "
            f"{self.tolerance_s:.2g} s, {self.hits_by_luck:.1f} by luck; evidence {self.evidence}>"
        )

    def _repr_html_(self) -> str:
        return as_html(self, self.scores)

    @property
    def missed_by_place(self) -> dict[str, int]:
        """How many of the outages that no gap explains lie in the house, on the line and at the far end."""
        missed = self.events.loc[self.events["event"] == "miss", "where"]
        return {str(where): int(count) for where, count in missed.value_counts().items()}


def tolerance_s(sigma_s: float, probe_s: float | None, slot_s: float = 0.0, noted_to_s: float = 0.0) -> float:
    """Return how far a recorded start may lie from its forecast, seconds.

    It is 2 sqrt(sigma^2 + d^2/6 + slot^2/12 + noted^2/12).

    `sigma_s` is the timing error of the forecast, `probe_s` the interval d between probes (1 s where it is not known)
    and `slot_s` the assignment clock's period where the forecast does not know its phase. An edge is found late by up
    to d, evenly, on both edges, hence d^2/6; a slot's phase is even over it (own arithmetic). Never below d, as the
    record tells no finer. `noted_to_s` is what people's notes round times down to, such as a minute.
    """
    d = 1.0 if probe_s is None else probe_s
    return max(2.0 * math.sqrt(sigma_s**2 + d**2 / 6.0 + (slot_s**2 + noted_to_s**2) / 12.0), d)


def interval_of(outages: pd.DataFrame) -> float | None:
    """Return the interval between probes that the lengths of outages tell of, seconds; None where they tell none.

    An outage that probes found lasts a whole number of intervals: the longest of 1, 0.5 and 0.2 s that nearly all
    lengths are multiples of. Lengths that were measured to the millisecond in another way fit none of them.
    """
    whole = outages.loc[~outages["cut_at_start"] & ~outages["cut_at_end"], "duration_s"].to_numpy()
    if whole.size < _FEWEST_LENGTHS:
        return None
    for interval_s in (1.0, 0.5, 0.2):
        off_s = np.abs(whole - np.round(whole / interval_s) * interval_s)
        if np.mean(off_s <= _UNEVEN_SHARE * interval_s) >= _MOST_EVEN:
            return interval_s
    return None


def noted_to_s(outages: pd.DataFrame) -> float:
    """Return what the starts of outages are rounded down to, seconds: 60 where all fall on whole minutes, else 0.

    People note "08:14 froze 20 s"; that three outages or more of a finer record begin on whole minutes is no accident.
    """
    start_us = microseconds_of(outages["start"])
    return _MINUTE_S if start_us.size >= _FEWEST_NOTES and not np.any(start_us % round(_MINUTE_S * 1e6)) else 0.0


def compare_record(
    gaps: pd.DataFrame,
    record: LineRecord,
    span: Span | None = None,
    *,
    sigma_s: float = 0.7,
    slot_s: float = 0.0,
    within_s: float | None = None,
    odds: Odds | None = None,
    timezone: str = "UTC",
    shifts: int = SHIFTS,
    seed: int = 1,
) -> LineComparison:
    """Return how the gaps of a forecast fit a record of the line.

    `gaps` has the columns start and end (aware), as `Coverage.gaps()` returns it, and was sought over `span`, the
    record's own unless given; what lies outside the record's span, or is marked as cut at its start, is not judged.
    `sigma_s` is the timing error of the forecast and `slot_s` the period of an assignment clock of unknown phase;
    `within_s` sets the tolerance itself. `odds` brings the Brier score of the chance of no service; `timezone` is that
    of the hours of day. The same `seed` gives the same answer. Raises InputError where nothing was measured, or numbers
    are out of range.
    """
    if shifts < 19:
        raise InputError("shifts of the forecast", got=shifts, wanted="19 or more", try_next=str(SHIFTS))
    probe_s = record.period_s or interval_of(record.outages)
    to_s = noted_to_s(record.outages)
    tolerance = tolerance_s(sigma_s, probe_s, slot_s, to_s) if within_s is None else float(within_s)
    if not 0.0 < tolerance < MOST_OFFSET_S:
        raise InputError(
            "tolerance",
            got=tolerance,
            wanted=f"seconds, above 0 and below {MOST_OFFSET_S:.0f}",
            try_next="leaving it to the errors of both",
        )
    judged = _Judged.of(gaps, record, span)
    if not judged.measured.start.size:
        raise InputError("a record of that time", got="nothing measured in it", wanted="some of it measured")

    rng = np.random.default_rng(seed)
    far = rng.uniform(_LEAST_SHIFT_S, _MOST_SHIFT_S, shifts) * rng.choice([-1.0, 1.0], shifts) * 1e6
    forecast, line = judged.forecast, judged.line
    some = np.sort(far)[_EVERY_NTH // 2 :: _EVERY_NTH]
    best = best_lag(forecast, line)
    lucky = [best_lag(judged.shifted(by), line).overlap_us for by in far]
    offset_chance = _chance(np.array(lucky), best.overlap_us)
    # Either edge is found late by half a probe interval in the mean: that is no fault of the clock.
    # A time that was rounded down stands half of that too early.
    late_us = 0.5e6 * ((probe_s or 0.0) - to_s)
    offset_us = best.lag_us - late_us
    plain_us = overlap_us(forecast, line, late_us)
    plain_chance = _chance(np.array([overlap_us(judged.shifted(by), line, late_us) for by in far]), plain_us)
    chance = min(1.0, 2.0 * min(offset_chance, plain_chance))
    offset_us = _refined(forecast, line, offset_us, late_us, tolerance)
    real = chance <= _SOME_CHANCE and abs(offset_us) >= _LEAST_OFFSET_S * 1e6
    applies = real and _better(judged, offset_us, tolerance, late_us)
    offset_us = round(offset_us) if applies else 0

    scored = judged.scored(offset_us, tolerance, late_us)
    by_luck = [judged.scored(offset_us + round(by), tolerance, late_us) for by in some]
    hits_by_luck = float(np.mean([each.hits for each in by_luck]))
    explained_s = overlap_us(forecast, line, offset_us) / 1e6
    luck_s = float(np.mean([overlap_us(judged.shifted(by), line, offset_us) for by in some])) / 1e6
    beyond_luck = (scored.hits - hits_by_luck) / max(line.start.size, 1)
    evidence: Evidence = (
        "none" if chance > _SOME_CHANCE or scored.hits <= hits_by_luck
        else "strong" if chance <= _STRONG_CHANCE and beyond_luck >= _STRONG_SHARE
        else "some"
    )  # fmt: skip
    brier, reliability = _odds_scores(odds, judged, offset_us, timezone)
    return LineComparison(
        span=judged.span,
        forecast=forecast.start.size,
        recorded=judged.recorded.start.size,
        hits=scored.hits,
        misses=judged.recorded.start.size - scored.hits,
        false_alarms=scored.false_alarms,
        hits_by_luck=hits_by_luck,
        chance=chance,
        evidence=evidence,
        clock_offset_s=offset_us / 1e6,
        offset_chance=offset_chance,
        tolerance_s=tolerance,
        start_late_s=_median(scored.start_late_s),
        end_late_s=_median(scored.end_late_s),
        start_spread_s=scored.spread_s,
        duration_ratio=1.0 / scored.duration_ratio if scored.hits else math.nan,
        recorded_s=float((judged.recorded.end - judged.recorded.start).sum()) / 1e6,
        forecast_s=float((forecast.end - forecast.start).sum()) / 1e6,
        explained_s=explained_s,
        explained_by_luck_s=luck_s,
        measured_s=total_length(judged.measured) / 1e6,
        forecast_not_judged=judged.forecast_not_judged,
        recorded_not_judged=judged.recorded_not_judged,
        events=_events(judged, scored, offset_us),
        scores=_scores(judged, scored, hits_by_luck, explained_s, luck_s, tolerance, timezone, rng),
        brier=brier,
        reliability=reliability,
    )


@dataclass(frozen=True)
class _Judged:
    """What can be judged of both sides, microseconds since 1970 UTC.

    `recorded` holds all outages whose start was seen, with `where`; `line` those of them that the sky can explain,
    `line_row` being their rows. `measured` is when both sides were known and the house network stood.
    """

    span: Span
    measured: Intervals
    all_gaps: Intervals
    forecast: Intervals
    recorded: Intervals
    where: NDArray[np.str_]
    line: Intervals
    line_row: Ints
    forecast_not_judged: int
    recorded_not_judged: int

    @classmethod
    def of(cls, gaps: pd.DataFrame, record: LineRecord, span: Span | None) -> _Judged:
        sought = record.span if span is None else span
        low, high = max(sought.start_us, record.span.start_us), min(sought.end_us, record.span.end_us)
        if high <= low:
            raise InputError(
                "a forecast of the time recorded", got=str(sought), wanted=f"some of {record.span}",
                try_next="a span that the record covers",
            )  # fmt: skip
        holes_us = np.round(record.holes * 1e6).astype(np.int64)
        seen = complement((holes_us[:, 0], holes_us[:, 1]), low, high)
        outages = record.outages
        start, end = microseconds_of(outages["start"]), microseconds_of(outages["end"])
        where = outages["where"].to_numpy(dtype=str)
        # An outage that a hole cuts at its start began nobody knows when.
        judged = inside(start, seen) & ~outages["cut_at_start"].to_numpy(dtype=bool)
        within = (end > low) & (start < high)
        house = where == "house"
        measured = difference(seen, (start[house], end[house]))
        all_gaps = Intervals(microseconds_of(gaps["start"]), microseconds_of(gaps["end"]))
        order = np.argsort(all_gaps.start, kind="stable")
        all_gaps = Intervals(all_gaps.start[order], all_gaps.end[order])
        known = inside(all_gaps.start, measured) & (all_gaps.start >= sought.start_us)
        if "cut_at_start" in gaps:
            known &= ~gaps["cut_at_start"].to_numpy(dtype=bool)[order]
        recorded = Intervals(start[judged], end[judged])
        line_row = np.flatnonzero(where[judged] == "line")
        return cls(
            span=Span(moment(low), moment(high)),
            measured=measured,
            all_gaps=all_gaps,
            forecast=Intervals(all_gaps.start[known], all_gaps.end[known]),
            recorded=recorded,
            where=where[judged],
            line=Intervals(recorded.start[line_row], recorded.end[line_row]),
            line_row=line_row,
            forecast_not_judged=int(np.sum((all_gaps.end > low) & (all_gaps.start < high) & ~known)),
            recorded_not_judged=int(np.sum(within & ~judged)),
        )

    def shifted(self, by_us: float) -> Intervals:
        """Return the forecast shifted, what goes past one end of the span coming back in at the other."""
        length, by = self.span.end_us - self.span.start_us, round(by_us)
        start = (self.forecast.start - self.span.start_us + by) % length + self.span.start_us
        return Intervals(start, start + (self.forecast.end - self.forecast.start))

    def scored(self, later_us: int, tolerance: float, late_us: float = 0.0) -> EventScores:
        """Return the scores of the forecast moved later by `later_us`, against the outages of the line.

        The record finds each edge later by `late_us` in the mean: that is taken off for matching, not in what is told.
        """
        moved = self.shifted(later_us) if abs(later_us) > MOST_OFFSET_S * 1e6 else Intervals(
            self.forecast.start + later_us, self.forecast.end + later_us
        )  # fmt: skip
        found_late = Intervals(*(bound + round(late_us) for bound in moved))
        scored = score_events(found_late, self.line, tolerance)
        late_s = round(late_us) / 1e6
        return replace(scored, start_late_s=scored.start_late_s + late_s, end_late_s=scored.end_late_s + late_s)


def _refined(forecast: Intervals, line: Intervals, offset_us: float, late_us: float, tolerance: float) -> float:
    """Return the offset again from the starts and ends of the events that fit at it: a median outlives a few wrong."""
    for _ in range(2):
        moved = Intervals(forecast.start + round(offset_us), forecast.end + round(offset_us))
        row, other = match_times(moved.start, line.start, min(2.0 * tolerance, MOST_OFFSET_S))
        if not row.size:
            return offset_us
        starts, ends = line.start[other] - forecast.start[row], line.end[other] - forecast.end[row]
        offset_us = (float(np.median(starts)) + float(np.median(ends))) / 2.0 - late_us
    return offset_us


def _better(judged: _Judged, offset_us: float, tolerance: float, late_us: float) -> bool:
    """Say whether more comes as forecast, or comes nearer, with the clock put right by `offset_us`."""
    plain, moved = (judged.scored(round(by), tolerance, late_us) for by in (0.0, offset_us))
    apart = [float(np.abs(each.start_late_s - late_us / 1e6).sum()) for each in (plain, moved)]
    return moved.hits >= _FEWEST_FOR_CLOCK and (moved.hits, -apart[1]) > (plain.hits, -apart[0])


def _chance(lucky: Floats, real: float) -> float:
    """Return the share of shifted forecasts, the real one counted in, that do as well as the real one."""
    return float((1 + np.sum(lucky >= real)) / (1 + lucky.size))


def _events(judged: _Judged, scored: EventScores, offset_us: int) -> pd.DataFrame:
    """Return one row an event judged, in order of time."""
    row, line = scored.matches
    other = judged.line_row[line]
    lone_gap = np.setdiff1d(np.arange(judged.forecast.start.size), row)
    lone_outage = np.setdiff1d(np.arange(judged.recorded.start.size), other)
    rows_of = {"hit": (row, other), "false alarm": (lone_gap, None), "miss": (None, lone_outage)}
    parts = []
    for event, (gap, outage) in rows_of.items():
        size = len(gap if gap is not None else outage)  # type: ignore[arg-type]
        nothing = np.full(size, np.datetime64("NaT", "us"))
        forecast = [nothing] * 2 if gap is None else [bound[gap].astype("datetime64[us]") for bound in judged.forecast]
        came = (
            [nothing] * 2 if outage is None else [bound[outage].astype("datetime64[us]") for bound in judged.recorded]
        )
        late = [scored.start_late_s, scored.end_late_s] if event == "hit" else [np.full(size, np.nan)] * 2
        parts.append(
            pd.DataFrame(
                {
                    "event": np.full(size, event, dtype=object),
                    **{f"forecast_{edge}": _utc(each) for edge, each in zip(("start", "end"), forecast, strict=True)},
                    **{f"recorded_{edge}": _utc(each) for edge, each in zip(("start", "end"), came, strict=True)},
                    "start_late_s": late[0],
                    "end_late_s": late[1],
                    "where": np.full(size, "", dtype=object) if outage is None else judged.where[outage],
                }
            )
        )
    events = pd.concat(parts, ignore_index=True).astype(EVENT_COLUMNS)
    offset = pd.Timedelta(offset_us, unit="us")
    at = (events["recorded_start"] - offset).fillna(events["forecast_start"])
    return events.iloc[np.argsort(at.to_numpy(), kind="stable")].reset_index(drop=True)


def _scores(
    judged: _Judged,
    scored: EventScores,
    hits_by_luck: float,
    explained_s: float,
    luck_s: float,
    tolerance: float,
    timezone: str,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the forecast's scores beside those of forecasts that take no skill."""
    recorded, forecast = judged.recorded.start.size, judged.forecast.start.size
    rows: list[tuple[str, float, float, float]] = [
        ("passim", forecast, scored.hits, explained_s),
        ("by luck", forecast, hits_by_luck, luck_s),
    ]
    if judged.span.duration_s > SECONDS_PER_DAY + _HOUR_S:
        rows.append(("yesterday", *_yesterday(judged, tolerance)))
    clock = day_clock(judged.line.start, timezone, part_minutes=60)
    if np.unique(clock.day).size > 1:
        rows.append(("hours of day", *_hours_of_day(judged, clock, tolerance, rng)))
    table = pd.DataFrame(rows, columns=["forecast", "events", "hits", "explained_s"])
    table["misses"], table["false_alarms"] = recorded - table["hits"], table["events"] - table["hits"]
    return table[list(SCORE_COLUMNS)]


def _yesterday(judged: _Judged, tolerance: float) -> tuple[float, float, float]:
    """Return events, hits and seconds explained where each day is to be like the day before, at its best shift.

    The one shift within an hour that fits best is used for the whole record: more than a forecaster would have known.
    """
    day_us = round(SECONDS_PER_DAY * 1e6)
    before = Intervals(judged.line.start + day_us, judged.line.end + day_us)
    best = best_lag(before, judged.line, _HOUR_S * 1e6)
    moved = Intervals(before.start + round(best.lag_us), before.end + round(best.lag_us))
    known = inside(moved.start, judged.measured)
    moved = Intervals(moved.start[known], moved.end[known])
    return moved.start.size, score_events(moved, judged.line, tolerance).hits, overlap_us(moved, judged.line) / 1e6


def _hours_of_day(
    judged: _Judged, clock: DayClock, tolerance: float, rng: np.random.Generator, draws: int = 20
) -> tuple[float, float, float]:
    """Return the same where freezes are drawn at random, as many in each hour as the other days had on average."""
    days = np.unique(clock.day)
    lengths = judged.line.end - judged.line.start
    events, hits, explained = [], [], []
    for _ in range(draws):
        start = []
        for day in days:
            other = np.flatnonzero(clock.day != day)
            chosen = rng.choice(other, rng.poisson(other.size / (days.size - 1)))
            within_us = judged.line.start[chosen] + (day - clock.day[chosen]) * round(SECONDS_PER_DAY * 1e6)
            start.append(within_us + np.round(rng.uniform(-0.5, 0.5, chosen.size) * _HOUR_S * 1e6).astype(np.int64))
        starts = np.concatenate(start)
        starts = np.sort(starts[inside(starts, judged.measured)])
        drawn = Intervals(starts, starts + rng.choice(lengths, starts.size))
        events.append(starts.size)
        hits.append(score_events(drawn, judged.line, tolerance).hits)
        explained.append(overlap_us(drawn, judged.line) / 1e6)
    return float(np.mean(events)), float(np.mean(hits)), float(np.mean(explained))


def _odds_scores(
    odds: Odds | None, judged: _Judged, offset_us: int, timezone: str
) -> tuple[dict[str, float], pd.DataFrame | None]:
    """Return Brier scores of the chance of no service, by its own steps, and how reliable it was."""
    if odds is None:
        return {"odds": math.nan, "climatology": math.nan}, None
    moments = odds.moments_us + offset_us
    seen = inside(moments, judged.measured)
    came = inside(moments[seen], union(judged.line))
    chance = odds.no_service[seen]
    clock = day_clock(moments[seen], timezone)
    usual = brier_score(climatology(came, clock), came) if np.unique(clock.day).size > 1 else math.nan
    return (
        {"odds": brier_decomposition(chance, came).score, "climatology": usual},
        reliability_table(chance, came, clock.day),
    )


def inside(times: Ints, intervals: IntervalSet) -> Bools:
    """Return which of the times, in the unit of the intervals, lie in their union, shape (times,)."""
    start, end = union(intervals)
    place = np.searchsorted(start, times, side="right") - 1
    within: Bools = (place >= 0) & (times < end[np.maximum(place, 0)]) if start.size else np.zeros(times.size, bool)
    return within


def _median(values: Floats) -> float:
    return float(np.median(values)) if values.size else math.nan


def microseconds_of(times: pd.Series) -> Ints:
    """Return aware times as microseconds since 1970 UTC."""
    return pd.DatetimeIndex(pd.to_datetime(times, utc=True)).as_unit("us").asi8


def _utc(times: NDArray[np.datetime64]) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(times, tz="UTC")
