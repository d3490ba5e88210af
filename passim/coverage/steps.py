"""How many satellites are in view when: a step function over a span, and what follows from it.

Everything is counted in whole microseconds, so the laws hold exactly: time covered and time in gaps add up to the
span, and the minutes, hours and days of a table add up to its gaps.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from passim import intervals
from passim.arrays import Bools, Ints
from passim.coverage.notebook import as_html
from passim.coverage.statistics import gap_statistics
from passim.errors import InputError, SpanError
from passim.intervals import Intervals, IntervalSet, Steps
from passim.spans import Span, local_days, local_hours, minute_edges, moment, utc_times, zone

_MINUTE_US = 60_000_000


@dataclass(frozen=True, eq=False, repr=False)
class Coverage:
    """The number of satellites in view over a span, as a step function.

    span        the stretch of time it covers
    edges_us    shape (slices+1,), int64: the moments at which the number changes and the two ends of the span,
                ascending, microseconds since 1970 UTC
    in_view     shape (slices,), int64: satellites in view from one edge up to the next; neighbours differ
    windows     the parts of the span that count, start and end in microseconds since 1970 UTC: all of it, unless
                `within` took a part. Gaps, shares, tables and the summary are those of the windows alone

    Made by `Visibility.coverage`, `from_passes` or `from_intervals`; the arrays cannot be written to. Where a terminal
    loses time at handovers, no satellite counts while it waits for one or acquires it: 0 is no service, always.
    """

    span: Span
    edges_us: Ints
    in_view: Ints
    windows: Intervals | None = None

    def __post_init__(self) -> None:
        edges_us, in_view = np.array(self.edges_us), np.array(self.in_view)
        if edges_us.dtype.kind != "i" or in_view.dtype.kind != "i" or edges_us.shape != (in_view.size + 1,):
            raise InputError(
                "coverage",
                got=f"edges of {edges_us.dtype} {edges_us.shape} and counts of {in_view.dtype} {in_view.shape}",
                wanted="whole numbers, with one edge more than slices",
                try_next="Coverage.from_intervals",
            )
        ordered = np.all(edges_us[1:] > edges_us[:-1]) and np.all(in_view[1:] != in_view[:-1]) and np.all(in_view >= 0)
        if not ordered or edges_us[0] != self.span.start_us or edges_us[-1] != self.span.end_us:
            raise InputError(
                "coverage",
                got=f"{in_view.size} slices",
                wanted="ascending edges from the start to the end of the span, and counts that change at each",
                try_next="Coverage.from_intervals",
            )
        for name, array in (("edges_us", edges_us), ("in_view", in_view)):
            array = array.astype(np.int64, copy=False)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        whole = (self.span.start_us, self.span.end_us)
        windows = Intervals(*np.array([whole]).T) if self.windows is None else intervals.union(self.windows)
        _, start, end = intervals.clip(windows, *whole)
        if not start.size:
            raise SpanError(
                "hours of the day",
                got=f"none of them from {self.span.start.isoformat()} to {self.span.end.isoformat()}",
                wanted="some of the span",
                try_next="a longer span or other hours",
            )
        object.__setattr__(self, "windows", Intervals(start, end))

    @classmethod
    def from_passes(cls, passes: pd.DataFrame, span: Span) -> Coverage:
        """Return the coverage of `span` by the `passes` over one site.

        `passes` is a table as `passim.find_passes` makes it; only its columns `rise` and `set` (aware times) are
        read. Passes are cut to the span. A row is a satellite in view: rows are neither merged nor checked for
        repeats. The passes must have been sought over the whole span, or time never looked at counts as a gap.

        Raises InputError when a column is missing, when times are naive, missing or reversed, and when the table
        holds several sites.
        """
        for column in ("rise", "set"):
            if column not in passes.columns:
                raise InputError(
                    "table of passes",
                    got=f"columns {', '.join(map(str, passes.columns)) or 'none'}",
                    wanted="the columns rise and set",
                    try_next="the table that find_passes returns",
                )
        if "site" in passes.columns and passes["site"].nunique(dropna=False) > 1:
            sites = [str(site) for site in passes["site"].unique()]
            raise InputError(
                "table of passes",
                got=f"{len(sites)} sites ({', '.join(sites[:3])}{' ...' if len(sites) > 3 else ''})",
                wanted="the passes of one site",
                try_next=f"passes[passes['site'] == {sites[0]!r}]",
            )
        return cls.from_intervals(_whole_us(passes["rise"]), _whole_us(passes["set"]), span)

    @classmethod
    def from_intervals(cls, start_us: ArrayLike, end_us: ArrayLike, span: Span) -> Coverage:
        """Return the coverage of `span` by visible intervals [start_us, end_us), shape (n,) each.

        Both in whole microseconds since 1970 UTC. They may overlap, come in any order and reach past the span. Raises
        InputError when an end comes before its start, when shapes differ or when a value is not a whole number.
        """
        start, end = np.asarray(start_us), np.asarray(end_us)
        if any(array.size and array.dtype.kind not in "iu" for array in (start, end)):
            raise InputError(
                "visible intervals",
                got=f"values of dtype {start.dtype} and {end.dtype}",
                wanted="whole microseconds since 1970 UTC",
            )
        try:
            steps = intervals.sweep((start, end), window=(span.start_us, span.end_us))
        except ValueError as problem:
            raise InputError(
                "visible intervals", got=str(problem), wanted="starts with an end at or after each"
            ) from None
        return cls(span, *steps)

    def __repr__(self) -> str:
        return f"<Coverage of {self.span}: {self.headline}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.gaps())

    @property
    def headline(self) -> str:
        """The share without a satellite and the number of gaps, as an answer's `repr` gives them: 1.8 % out, 80 gaps"""
        count = len(self.gap_intervals.start)
        return f"{100.0 * (1.0 - self.covered_fraction()):.3g} % out, {count:,} gap{'' if count == 1 else 's'}"

    def __reduce__(self) -> tuple[type[Coverage], tuple[Span, Ints, Ints, Intervals]]:
        # Copies in other processes are made, and so checked and locked, as any other.
        return Coverage, (self.span, self.edges_us, self.in_view, self._windows)

    def within(self, parts: IntervalSet) -> Coverage:
        """Return the same with nothing counted outside `parts`, start and end in microseconds since 1970 UTC.

        A gap that reaches over an end of a part is cut there, as one at the end of the span is. Raises SpanError where
        nothing of the span is left.
        """
        return Coverage(self.span, self.edges_us, self.in_view, intervals.intersection(self._windows, parts))

    @property
    def _windows(self) -> Intervals:
        assert self.windows is not None  # set when it was made
        return self.windows

    @property
    def counted_us(self) -> int:
        """The length of the windows together, microseconds: that of the span unless `within` took a part."""
        return int(intervals.total_length(self._windows))

    @property
    def steps(self) -> Steps:
        """The step function as `passim.intervals` takes it."""
        return Steps(self.edges_us, self.in_view)

    @property
    def gap_intervals(self) -> Intervals:
        """The stretches with no satellite in view, sorted: start and end, microseconds since 1970 UTC, (gaps,) each."""
        return intervals.intersection(intervals.where(self.steps, self.in_view == 0), self._windows)

    def covered_fraction(self, at_least: int = 1) -> float:
        """Return the share of the span, 0 to 1, with `at_least` satellites or more in view at once."""
        covered = intervals.intersection(intervals.at_least(self.steps, at_least), self._windows)
        return int(intervals.total_length(covered)) / self.counted_us

    def gaps(self) -> pd.DataFrame:
        """Return the gaps, one row each, in order: the stretches of the span with no satellite in view.

        Columns: start, end (datetime64[us, UTC]); duration_s; cut_at_start and cut_at_end, which tell that the gap
        touches that end of the span, or of a window, so that `duration_s` is the part inside and not its whole length.
        """
        start, end = self.gap_intervals
        return pd.DataFrame(
            {
                "start": utc_times(start),
                "end": utc_times(end),
                "duration_s": (end - start) / 1e6,
                "cut_at_start": np.isin(start, self._windows.start),
                "cut_at_end": np.isin(end, self._windows.end),
            }
        )

    def longest_clear(self) -> tuple[datetime, datetime]:
        """Return start and end, aware UTC, of the longest stretch without a gap, the first of equals.

        Where nothing is covered, both are the start of the span.
        """
        start_us, end_us = intervals.difference(self._windows, self.gap_intervals)
        if not len(start_us):
            return self.span.start, self.span.start
        longest = int(np.argmax(end_us - start_us))
        return moment(start_us[longest]), moment(end_us[longest])

    def gaps_per_hour(self) -> float:
        """Return the number of gaps that begin inside the span for each of its hours.

        A gap that was already there at the start did not begin: counting beginnings only, neighbouring spans add up.
        """
        start, _ = self.gap_intervals
        return int((~np.isin(start, self._windows.start)).sum()) / (self.counted_us / 3.6e9)

    def summary(self) -> dict[str, Any]:
        """Return the figures of the span as plain numbers, ready for JSON.

        span_s                  length of the span, or of its windows
        covered_fraction        share of the time with one satellite or more in view, 0 to 1
        gap_count               all gaps in the span, those it cuts included
        gap_mean_s              mean length of these gaps inside the span: times gap_count it is the time out
        gap_median_s, gap_p90_s over whole gaps only: a gap cut by the span is longer than what is seen of it. The
                                90th percentile interpolates linearly. None where there are gaps but no whole one
        gap_longest_s           longest stretch without a satellite inside the span; where that gap is cut it is a
                                lower bound
        time_average_gap_s      sum(L^2) / T over the lengths L of all gaps inside the span of length T: the mean
                                length of the gap one is in at a random moment, 0 outside gaps
        mean_response_s         sum(L^2) / 2T: the mean wait for a satellite from a random moment
        in_view_min, in_view_mean, in_view_max
                                satellites in view; the mean is over time
        twofold_fraction        share of the time with two satellites or more in view

        With no gap at all, every length is 0.0. Definitions: Larson & Wertz, "Space Mission Analysis and Design", 3rd
        ed. 1999, section 7.2 (recalled).
        """
        start, end = self.gap_intervals
        whole = ~np.isin(start, self._windows.start) & ~np.isin(end, self._windows.end)
        part, part_start, part_end = intervals.restrict((self.edges_us[:-1], self.edges_us[1:]), self._windows)
        in_view = self.in_view[part]
        return {
            "span_s": self.counted_us / 1e6,
            "covered_fraction": self.covered_fraction(),
            **gap_statistics((end - start) / 1e6, whole, self.counted_us / 1e6),
            "in_view_min": int(in_view.min()),
            "in_view_mean": int((in_view * (part_end - part_start)).sum()) / self.counted_us,
            "in_view_max": int(in_view.max()),
            "twofold_fraction": self.covered_fraction(2),
        }

    def at_most(self, slices: int) -> intervals.Steps:
        """Return the number in view in at most so many slices: its own where they are few, else equal ones.

        Of an equal slice it is the fewest in view, so that a gap empties every slice that it touches. Raises ValueError
        for fewer than one.
        """
        if slices < 1:
            raise ValueError(f"slices: got {slices}, wanted 1 or more")
        if len(self.in_view) <= slices:
            return self.steps
        edges_us = np.unique(np.linspace(self.span.start_us, self.span.end_us, slices + 1).round().astype(np.int64))
        return intervals.Steps(edges_us, intervals.in_bins(self.steps, edges_us).lowest)

    def minutes(self, timezone: str = "UTC") -> pd.DataFrame:
        """Return one row a minute of the span.

        Columns: minute (start of the whole minute, datetime64[us, UTC]); minute_local (the same moment in `timezone`);
        satellites_min, satellites_mean, satellites_max (in view; the mean is over time); gap_s (seconds without any).
        Where the span begins or ends inside a minute, that row tells of the part inside the span; of minutes that no
        window holds there is none. Raises SiteError for an unknown time zone.
        """
        where = zone(timezone)
        edges_us = minute_edges(self.span)
        counts = intervals.in_bins(self.steps, edges_us)
        counted = np.zeros(edges_us.size - 1, dtype=bool)
        counted[intervals.restrict((edges_us[:-1], edges_us[1:]), self._windows).row] = True
        minute = pd.Series(utc_times(edges_us[:-1] // _MINUTE_US * _MINUTE_US))
        return pd.DataFrame(
            {
                "minute": minute,
                "minute_local": minute.dt.tz_convert(where),
                "satellites_min": counts.lowest,
                "satellites_mean": counts.integral / np.diff(edges_us),
                "satellites_max": counts.highest,
                "gap_s": self._gap_us_between(edges_us) / 1e6,
            }
        )[counted].reset_index(drop=True)

    def by_local_hour(self, timezone: str = "UTC") -> pd.DataFrame:
        """Return one row an hour of the local clock, in order: how long it was without a satellite, and how often.

        Columns: hour_local (its start, or that of the span, in `timezone`); date (datetime.date) and hour (0 to 23) on
        the local clock; span_s (seconds of it inside the span); gap_s; gaps_begun (gaps that begin in it). Hours that
        a change of the clock skips are missing and those it repeats come twice, told apart by their offset; a change
        of half an hour leaves hours of 30 or in two parts of 60 and 30 minutes. Fold with ``groupby("hour")`` only
        over a day or two: the daily pattern of a constellation drifts. Raises SiteError for an unknown time zone.
        """
        return self._between(local_hours(self.span, timezone), timezone, "hour_local")

    def by_local_day(self, timezone: str = "UTC") -> pd.DataFrame:
        """Return one row a local day of the span, in order.

        Columns as in `by_local_hour`, with day_local for hour_local and no hour, and two more: gap_count (gaps that
        lie in it in whole or in part, so that one over midnight counts in both days) and whole (whether the span holds
        all of the day). A day that is held in part tells so by its span_s too; whole days have 86400, or 82800 and
        90000 where the clock changes by an hour.
        """
        days_us = local_days(self.span, timezone)
        edges_us = np.clip(days_us, self.span.start_us, self.span.end_us)
        return self._between(edges_us, timezone, "day_local", whole=(np.diff(days_us) == np.diff(edges_us)))

    def _gap_us_between(self, edges_us: Ints) -> Ints:
        """Return the microseconds without a satellite between neighbouring edges inside the span, (edges-1,)."""
        return self._length_us_between(self.gap_intervals, edges_us)

    def _length_us_between(self, parts: Intervals, edges_us: Ints) -> Ints:
        """Return how much of `parts` lies between neighbouring edges inside the span, microseconds, (edges-1,)."""
        steps = intervals.sweep(parts, window=(self.span.start_us, self.span.end_us))
        integral: Ints = intervals.in_bins(steps, edges_us).integral
        return integral

    def _between(self, edges_us: Ints, timezone: str, name: str, *, whole: Bools | None = None) -> pd.DataFrame:
        """Return the table of gaps between neighbouring `edges_us`, its first column called `name`.

        Hours, or days where it is given which are whole.
        """
        begun = self.gap_intervals.start
        begun = begun[~np.isin(begun, self._windows.start)]
        span_us = self._length_us_between(self._windows, edges_us)
        counted = span_us > 0
        local = pd.Series(utc_times(edges_us[:-1])).dt.tz_convert(zone(timezone))
        columns = {name: local, "date": local.dt.date}
        if whole is None:
            columns["hour"] = local.dt.hour
        table = pd.DataFrame(
            {
                **columns,
                "span_s": span_us / 1e6,
                "gap_s": self._gap_us_between(edges_us) / 1e6,
                "gaps_begun": np.diff(np.searchsorted(begun, edges_us)),
            }
        )
        if whole is not None:
            start_us, end_us = self.gap_intervals
            before = np.searchsorted(end_us, edges_us[:-1], side="right")
            table["gap_count"] = np.searchsorted(start_us, edges_us[1:], side="left") - before
            table["whole"] = whole
        return table[counted].reset_index(drop=True)


def _whole_us(times: pd.Series[Any]) -> Ints:
    """Return a column of aware times as microseconds since 1970 UTC. Raises InputError, naming the column."""
    if times.empty:
        return np.zeros(0, dtype=np.int64)
    if not isinstance(times.dtype, pd.DatetimeTZDtype):
        raise InputError(
            f"column {times.name} of the passes",
            got=f"dtype {times.dtype}",
            wanted="aware times, datetime64[us, UTC]",
            try_next="pandas.to_datetime(..., utc=True)",
        )
    if times.isna().any():
        raise InputError(
            f"column {times.name} of the passes",
            got=f"{int(times.isna().sum())} rows without a time",
            wanted="a time in every row",
            try_next="dropping or mending those rows",
        )
    return times.to_numpy(dtype="datetime64[us]").astype(np.int64)
