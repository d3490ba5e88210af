"""What a line was over a span: how often it froze and when, how long, at what distance, in step or not, and where.

Everything is told of the time that was measured; holes are no good time and no bad time. Freezes are outages of the
line. While the house is out nobody knows what the line does: its faults are counted apart, and their time tells of the
line as little as a hole does. An outage of the far end alone, while other targets answered, is counted apart too: it is
no fault of the line, and a call to somebody else would not have noticed.

Bounds. A rate over five days or more comes with bounds from days drawn with repetition, since freezes of one day share
its sky (`passim.forecast.verification`). Below that, with the exact bounds of a count that comes at random (Garwood,
"Fiducial limits for the Poisson distribution", Biometrika 28, 1936: recalled), which trains make too wide and bad days
too narrow. A share comes with Wilson's score interval ("Probable inference", J. Am. Stat. Assoc. 22, 1927: recalled).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Final, Literal

import numpy as np
import pandas as pd

from passim.arrays import Floats
from passim.coverage.steps import Coverage
from passim.errors import SpanError
from passim.forecast.verification import FEWEST_DAYS, bootstrap_by_day
from passim.intervals import Intervals, complement, difference, union
from passim.line.record import LineRecord
from passim.line.trains import Train, find_train
from passim.spans import Span

WHERE: Final = ("house", "line", "far")
# A bound at 95 % that has only one side is one of both sides at 90 %.
_BOTH_TAILS: Final = 0.90
# Fewer freezes judge no forecast, and no setting is learned from them (this project's own, no source).
FEWEST_FREEZES: Final = 8
# The normal law's point for 95 %.
_Z95: Final = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % bounds; `how` says where the bounds come from, "none" where there are none."""

    value: float
    low: float
    high: float
    how: Literal["days", "poisson", "wilson", "none"] = "none"


@dataclass(frozen=True, slots=True)
class Lengths:
    """How long freezes lasted, seconds, over whole ones: those cut by a hole or by an end of the record are longer.

    `longest_s` is over all of them, and `longest_cut` says that it goes on outside; `longest_start` is when it began.
    Figures are nan where there is no whole one.
    """

    whole: int
    cut: int
    median_s: float
    p90_s: float
    mean_s: float
    longest_s: float
    longest_cut: bool
    longest_start: datetime | None


@dataclass(frozen=True, slots=True)
class Spacing:
    """From the start of one freeze to that of the next, seconds, where all between was measured; nan for none."""

    count: int
    median_s: float
    p10_s: float
    p90_s: float


@dataclass(frozen=True, eq=False)
class LineStatistics:
    """What a record says of the line. Made by `line_statistics`.

    record      the record itself
    timezone    the zone whose clock orders hours and days
    coverage    the line as a `Coverage`: its gaps are the freezes, its windows what was measured while the house
                stood; so pictures of gaps draw it as they draw a forecast
    per_hour    freezes begun an hour measured
    lengths, spacing, train
    by_where    where, outages, out_s, share_of_outages, low, high (95 %), one row for each of house, line and far
    round_trips target, position, sent, lost, loss_share, median_ms, p95_ms, jitter_ms: one row a target
    """

    record: LineRecord
    timezone: str
    coverage: Coverage
    per_hour: Estimate
    lengths: Lengths
    spacing: Spacing
    train: Train | None
    by_where: pd.DataFrame
    round_trips: pd.DataFrame

    def __repr__(self) -> str:
        return f"<LineStatistics of {self.span}: {self.count:,} freezes in {self.measured_s / 3600.0:.4g} h measured>"

    @property
    def span(self) -> Span:
        """The span of the record."""
        return self.record.span

    @property
    def measured_s(self) -> float:
        """How much of it tells of the line, seconds: measured, and the house not out."""
        return self.coverage.counted_us / 1e6

    @property
    def hole_s(self) -> float:
        """How much of it was not measured, seconds."""
        return self.span.duration_s - self.record.measured_s

    @property
    def house_s(self) -> float:
        """How much of it the house was out while it was measured, seconds."""
        return self.record.measured_s - self.measured_s

    @property
    def count(self) -> int:
        """How many freezes there are in it, whole or in part."""
        return len(self.coverage.gap_intervals.start)

    @property
    def out_s(self) -> float:
        """How long the line was frozen, seconds."""
        start, end = self.coverage.gap_intervals
        return float((end - start).sum()) / 1e6

    @cached_property
    def freezes(self) -> pd.DataFrame:
        """The freezes: start, end, duration_s, cut_at_start, cut_at_end."""
        return self.coverage.gaps()

    @cached_property
    def by_hour(self) -> pd.DataFrame:
        """One row an hour of the local clock that was measured: hour_local, date, hour, measured_s, out_s, begun."""
        return _renamed(self.coverage.by_local_hour(self.timezone))

    @cached_property
    def by_day(self) -> pd.DataFrame:
        """One row a local day: day_local, date, measured_s, out_s, begun, count, whole (whether the span holds it)."""
        return _renamed(self.coverage.by_local_day(self.timezone)).rename(columns={"gap_count": "count"})

    @cached_property
    def by_clock(self) -> pd.DataFrame:
        """The hours of the day, all days together: hour (0 to 23), measured_s, out_s, begun, per_hour."""
        hours = self.by_hour.groupby("hour")[["measured_s", "out_s", "begun"]].sum()
        table = hours.reindex(range(24), fill_value=0).rename_axis("hour").reset_index()
        measured = table["measured_s"].to_numpy(np.float64)
        begun = table["begun"].to_numpy(np.float64)
        table["per_hour"] = np.divide(begun, measured / 3600.0, out=np.full(24, np.nan), where=measured > 0.0)
        return table

    @cached_property
    def by_minute(self) -> pd.DataFrame:
        """Round trips by minute: minute (aware, UTC), target, sent, lost, median_ms, p95_ms, jitter_ms."""
        return round_trips_by_minute(self.record)

    def rows_by(self, name: str) -> pd.DataFrame:
        """Return the table of day, hour, clock, where, target or minute, as a file holds it: without the bare date.

        Raises KeyError for another name.
        """
        if name in ("where", "target"):
            return self.by_where if name == "where" else self.round_trips
        if name not in ("day", "hour", "clock", "minute"):
            raise KeyError(name)
        found: pd.DataFrame = getattr(self, f"by_{name}")
        return found.drop(columns="date", errors="ignore")


def line_statistics(
    record: LineRecord, timezone: str | None = None, *, draws: int = 200, seed: int = 1
) -> LineStatistics:
    """Return what a record says of the line, by the clock of `timezone` (default: the record's own zone, else UTC).

    `draws` shuffled records, made from `seed`, tell whether a train in it is one. Raises SiteError for an unknown zone,
    SpanError where nothing of the span tells of the line.
    """
    zone_name = timezone or (str(record.zone) if record.zone is not None else "UTC")
    coverage = line_coverage(record)
    freezes = coverage.gaps()
    windows = line_measured_us(record)
    begun = ~freezes["cut_at_start"].to_numpy(bool)
    start_s = freezes["start"].to_numpy("datetime64[us]").astype(np.int64)[begun] / 1e6
    return LineStatistics(
        record,
        zone_name,
        coverage,
        _rate(coverage, int(begun.sum()), zone_name),
        _lengths(freezes),
        _spacing(start_s, windows),
        find_train(start_s, windows, draws=draws, seed=seed),
        _by_where(record.outages),
        _round_trips(record),
    )


def line_coverage(record: LineRecord) -> Coverage:
    """Return a record as the step function that forecasts are: 1 while the line answered, 0 in a freeze.

    Its windows are what was measured while the house stood. Outages of the far end alone count as answered. Raises
    SpanError where that is nothing.
    """
    windows = line_measured_us(record)
    if not windows.start.size:
        raise SpanError(
            "record of the line",
            got="nothing measured while the house stood",
            wanted="some time that tells of the line",
            try_next="a longer span",
        )
    up = complement(freezes_us(record), record.span.start_us, record.span.end_us)
    return Coverage.from_intervals(*up, record.span).within(windows)


def freezes_us(record: LineRecord) -> Intervals:
    """Return the outages of the line, united, microseconds since 1970 UTC, without what the house did meanwhile."""
    return difference(outages_us(record, "line"), outages_us(record, "house"))


def outages_us(record: LineRecord, where: str) -> Intervals:
    """Return the outages of the house, the line or the far end, united, microseconds since 1970 UTC."""
    mine = record.outages[record.outages["where"] == where]
    start, end = (mine[each].to_numpy("datetime64[us]").astype(np.int64) for each in ("start", "end"))
    return union((start, end))


def measured_us(record: LineRecord) -> Intervals:
    """Return the parts of the span that were measured, microseconds since 1970 UTC."""
    holes = np.round(record.holes * 1e6).astype(np.int64)
    return complement((holes[:, 0], holes[:, 1]), record.span.start_us, record.span.end_us)


def line_measured_us(record: LineRecord) -> Intervals:
    """Return the parts of the span that tell of the line, microseconds since 1970 UTC: measured, the house not out."""
    return difference(measured_us(record), outages_us(record, "house"))


def poisson_bounds(count: int, level: float = 0.95) -> tuple[float, float]:
    """Return the exact bounds of the mean of which `count` random events were drawn (Garwood 1936)."""
    tail = 0.5 * (1.0 - level)

    def chance_of_at_most(most: int, mean: float) -> float:
        if mean <= 0.0:
            return 1.0
        k = np.arange(most + 1)
        logs = k * math.log(mean) - mean - np.array([math.lgamma(each + 1.0) for each in k.tolist()])
        return float(np.exp(logs).sum())

    def root(most: int, wanted: float) -> float:
        low, high = 0.0, count + 10.0 * math.sqrt(count + 1.0) + 20.0
        for _ in range(80):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if chance_of_at_most(most, middle) > wanted else (low, middle)
        return 0.5 * (low + high)

    return (0.0 if count == 0 else root(count - 1, 1.0 - tail)), root(count, tail)


def record_for_s(freezes: int, every_s: float) -> float:
    """Return in how many seconds 19 in 20 lines that freeze at random, once in `every_s`, have frozen so many times.

    So after ``record_for_s(1, every_s)`` without a freeze one may say, at 95 %, that a line does not freeze that often:
    three times `every_s` in round numbers, the rule of three (Hanley and Lippman-Hand 1983). The bounds are Garwood's.
    """
    return every_s * poisson_bounds(freezes - 1, _BOTH_TAILS)[1]


def rarer_than_s(still_s: float) -> float:
    """Return in what time a line freezes less than once, at 95 %, that did not freeze in `still_s`."""
    return still_s / poisson_bounds(0, _BOTH_TAILS)[1]


def wilson_bounds(part: int, whole: int) -> tuple[float, float]:
    """Return the 95 % bounds of a share of which `part` of `whole` were seen (Wilson 1927); nan for none."""
    if whole == 0:
        return math.nan, math.nan
    share, weight = part / whole, _Z95**2 / whole
    middle = (share + weight / 2.0) / (1.0 + weight)
    half = _Z95 * math.sqrt(share * (1.0 - share) / whole + weight / (4.0 * whole)) / (1.0 + weight)
    return max(0.0, middle - half), min(1.0, middle + half)


def round_trips_by_minute(record: LineRecord) -> pd.DataFrame:
    """Return round trips by minute of UTC and target, in order of time: one row a minute in which a target was asked.

    minute (datetime64[us, UTC]), target, sent, lost; median_ms and p95_ms of the answers, nan without one; jitter_ms,
    the mean difference between one answer and the next, nan without two.
    """
    parts = []
    for each in record.probes:
        minute = (each.sent_s // 60.0).astype(np.int64)
        trip_ms = each.round_trip_s * 1e3
        answered = ~np.isnan(trip_ms)
        step = np.full(trip_ms.size, np.nan)
        at = np.flatnonzero(answered)
        same = minute[at[1:]] == minute[at[:-1]]
        step[at[1:][same]] = np.abs(np.diff(trip_ms[at]))[same]
        frame = pd.DataFrame({"minute": minute, "trip_ms": trip_ms, "step_ms": step})
        groups = frame.groupby("minute", sort=True)
        table = pd.DataFrame(
            {
                "sent": groups.size(),
                "lost": groups.size() - groups["trip_ms"].count(),
                "median_ms": groups["trip_ms"].median(),
                "p95_ms": groups["trip_ms"].quantile(0.95),
                "jitter_ms": groups["step_ms"].mean(),
            }
        ).reset_index()
        table["minute"] = pd.DatetimeIndex((table["minute"].to_numpy() * 60_000_000).astype("datetime64[us]"), tz="UTC")
        table.insert(1, "target", each.target.name)
        parts.append(table)
    if not parts:
        empty = pd.DataFrame(
            {"minute": pd.DatetimeIndex([], tz="UTC").as_unit("us"), "target": pd.Series([], dtype="str")}
        )
        return empty.assign(sent=0, lost=0, median_ms=0.0, p95_ms=0.0, jitter_ms=0.0)
    return pd.concat(parts).sort_values(["minute", "target"], kind="stable").reset_index(drop=True)


def _renamed(table: pd.DataFrame) -> pd.DataFrame:
    return table.rename(columns={"span_s": "measured_s", "gap_s": "out_s", "gaps_begun": "begun"})


def _rate(coverage: Coverage, begun: int, timezone: str) -> Estimate:
    """Return freezes begun an hour measured, with bounds."""
    days = coverage.by_local_day(timezone)
    hours = coverage.counted_us / 3.6e9
    if len(days) >= FEWEST_DAYS:
        sums = np.column_stack([days["gaps_begun"], days["span_s"] / 3600.0]).astype(np.float64)
        bounds = bootstrap_by_day(sums, lambda total: total[..., 0] / total[..., 1])
        return Estimate(bounds.value, bounds.low, bounds.high, "days")
    low, high = poisson_bounds(begun)
    return Estimate(begun / hours, low / hours, high / hours, "poisson")


def _lengths(freezes: pd.DataFrame) -> Lengths:
    is_cut = (freezes["cut_at_start"] | freezes["cut_at_end"]).to_numpy(bool)
    length_s = freezes["duration_s"].to_numpy(np.float64)
    whole = length_s[~is_cut]
    nan = math.nan
    median, p90 = np.percentile(whole, [50.0, 90.0]).tolist() if whole.size else (nan, nan)
    longest = int(np.argmax(length_s)) if length_s.size else -1
    return Lengths(
        int(whole.size),
        int(is_cut.sum()),
        median,
        p90,
        float(whole.mean()) if whole.size else nan,
        float(length_s[longest]) if length_s.size else 0.0,
        bool(is_cut[longest]) if length_s.size else False,
        freezes["start"].iloc[longest].to_pydatetime() if length_s.size else None,
    )


def _spacing(start_s: Floats, windows: Intervals) -> Spacing:
    """Return how far freezes begin from each other, where both lie in one stretch that was measured without a break."""
    stretch = np.searchsorted(np.asarray(windows.start) / 1e6, start_s, side="right")
    steps = np.diff(start_s)[np.diff(stretch) == 0]
    if not steps.size:
        return Spacing(0, math.nan, math.nan, math.nan)
    median, p10, p90 = np.percentile(steps, [50.0, 10.0, 90.0]).tolist()
    return Spacing(int(steps.size), median, p10, p90)


def _by_where(outages: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for where in WHERE:
        mine = outages[outages["where"] == where]
        low, high = wilson_bounds(len(mine), len(outages))
        share = len(mine) / len(outages) if len(outages) else math.nan
        rows.append((where, len(mine), float(mine["duration_s"].sum()), share, low, high))
    return pd.DataFrame(rows, columns=["where", "outages", "out_s", "share_of_outages", "low", "high"])


def _round_trips(record: LineRecord) -> pd.DataFrame:
    rows = []
    for each in record.probes:
        trip_ms = each.round_trip_s[~np.isnan(each.round_trip_s)] * 1e3
        lost = len(each.sent_s) - trip_ms.size
        median, p95 = np.percentile(trip_ms, [50.0, 95.0]).tolist() if trip_ms.size else (math.nan, math.nan)
        jitter = float(np.abs(np.diff(trip_ms)).mean()) if trip_ms.size > 1 else math.nan
        share = lost / len(each.sent_s) if len(each.sent_s) else math.nan
        rows.append((each.target.name, each.target.position, len(each.sent_s), lost, share, median, p95, jitter))
    columns = ["target", "position", "sent", "lost", "loss_share", "median_ms", "p95_ms", "jitter_ms"]
    return pd.DataFrame(rows, columns=columns)


__all__ = [
    "FEWEST_FREEZES",
    "WHERE",
    "Estimate",
    "Lengths",
    "LineStatistics",
    "Spacing",
    "Train",
    "freezes_us",
    "line_coverage",
    "line_measured_us",
    "line_statistics",
    "measured_us",
    "outages_us",
    "poisson_bounds",
    "rarer_than_s",
    "record_for_s",
    "round_trips_by_minute",
    "wilson_bounds",
]
