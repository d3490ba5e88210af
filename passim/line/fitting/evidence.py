"""What a record says of predicted freezes: seconds in both and in either, block by block, and their likelihood.

Each second measured is frozen or not, and the prediction says which it should be. With the chance r that a second
forecast frozen is not seen frozen, and the floor q, the chance that a second forecast good is frozen all the same, the
log-likelihood is that of Bernoulli draws by the second; the q and r that suit a prediction best follow from its seconds
in closed form. The seconds of one freeze are no independent draws, so likelihoods are counted once a freeze: divided by
the mean length of the recorded freezes, as `passim.answers.symptom.score` does.

Seconds are added up by blocks of time. Some of the blocks lead the search and the others are held out; the draws of the
bootstrap take whole blocks, so that what goes together stays together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats
from passim.errors import InputError
from passim.intervals import Intervals, IntervalSet, complement, difference, intersection, union
from passim.line.clock_offset import MOST_OFFSET_S, best_lag
from passim.line.comparing import interval_of
from passim.line.outages import LOSSES
from passim.line.record import LineRecord
from passim.line.statistics import FEWEST_FREEZES
from passim.spans import Span

_SHORTEST_BLOCK_S: Final = 600.0
_LONGEST_BLOCK_S: Final = 3600.0
_BLOCKS: Final = 48
# From so many days on whole days are held out by turns, before that single blocks.
_DAYS_TO_HOLD_OUT: Final = 4.0
_DAY_S: Final = 86_400.0
# A chance of exactly nothing would make one second decide all: so much of a second is added to each count.
_LEAST_S: Final = 0.5


class TooFewOutages(InputError):
    """A record holds too few outages of the line to learn from: ``got`` of them."""

    wanted_outages: Final = FEWEST_FREEZES


@dataclass(frozen=True, eq=False)
class Counts:
    """Seconds by block, shape (blocks,) each: forecast frozen and measured; frozen in both."""

    forecast_s: Floats
    both_s: Floats


@dataclass(frozen=True, eq=False)
class Evidence:
    """A record made ready for judging predictions. Times are seconds from the start of ``span``.

    frozen      when the line was out, as recorded, where it was measured
    measured    when it was measured and the house network stood
    edges_s     the edges of the blocks, shape (blocks + 1,)
    leading     which blocks lead the search, shape (blocks,); the others are held out
    late_s      by how much the record finds an edge late in the mean: half the interval between probes
    shortest_s  freezes shorter than this leave no outage in the record
    """

    span: Span
    frozen: Intervals
    measured: Intervals
    edges_s: Floats
    leading: Bools
    late_s: float
    shortest_s: float
    starts_s: Floats
    ends_s: Floats

    @classmethod
    def of(cls, record: LineRecord, span: Span) -> Evidence:
        """Make a record ready. Raises InputError where it holds fewer than 8 outages of the line in the span."""
        origin, length_s = span.start_us / 1e6, span.duration_s
        recorded = (record.span.start_us / 1e6 - origin, record.span.end_us / 1e6 - origin)
        window = (max(0.0, recorded[0]), min(length_s, recorded[1]))
        outages = record.outages
        start_s, end_s = (_seconds(outages[edge]) - origin for edge in ("start", "end"))
        where = outages["where"].to_numpy(dtype=str)
        line, house = where == "line", where == "house"
        holes = record.holes - origin
        seen = complement((holes[:, 0], holes[:, 1]), *window) if window[1] > window[0] else _nothing()
        probe_s = record.period_s or interval_of(outages) or 0.0
        # Beside a fault of the house one cannot say when the line itself went and came.
        measured = difference(seen, (start_s[house] - probe_s, end_s[house] + probe_s))
        frozen = intersection((start_s[line], end_s[line]), measured)
        if frozen.start.size < FEWEST_FREEZES:
            raise TooFewOutages(
                "outages of the line to learn from",
                got=frozen.start.size,
                wanted=f"{FEWEST_FREEZES} or more",
                try_next="a longer record",
            )
        block_s = float(np.clip(length_s / _BLOCKS, _SHORTEST_BLOCK_S, _LONGEST_BLOCK_S))
        edges = np.append(np.arange(0.0, length_s - 0.5 * block_s, block_s), length_s)
        turn_s = _DAY_S if length_s >= _DAYS_TO_HOLD_OUT * _DAY_S else block_s
        middle = 0.5 * (edges[1:] + edges[:-1])
        leading = np.floor(middle / turn_s).astype(np.int64) % 2 == 0
        whole = line & ~outages["cut_at_start"].to_numpy(dtype=bool)
        ended = line & ~outages["cut_at_end"].to_numpy(dtype=bool)
        # Where the smallest outage is longer than probes need, somebody left the short ones out.
        shortest = (LOSSES - 0.5) * probe_s if probe_s else 0.0
        return cls(
            span, frozen, measured, edges, leading, 0.5 * probe_s, shortest,
            start_s[whole & _in(start_s, window)], end_s[ended & _in(end_s, window)],
        )  # fmt: skip

    @property
    def blocks(self) -> int:
        """How many blocks there are."""
        return self.leading.size

    @cached_property
    def frozen_s(self) -> Floats:
        """Seconds frozen in each block, shape (blocks,)."""
        return self._by_block(self.frozen, self._frozen_up_to)

    @cached_property
    def measured_s(self) -> Floats:
        """Seconds measured in each block, shape (blocks,)."""
        return self._by_block(Intervals(self.edges_s[:-1], self.edges_s[1:]), self._measured_up_to)

    @cached_property
    def a_freeze_s(self) -> float:
        """The mean length of what was recorded frozen, at least 1 s: so many seconds count as one draw."""
        return max(1.0, float((self.frozen.end - self.frozen.start).mean()))

    def seen(self, freezes: Intervals, offset_s: float) -> Intervals:
        """Return predicted freezes as the record would show them: on its clock, found late, the shortest missing."""
        by = offset_s + self.late_s
        start, end = freezes.start + by, freezes.end + by
        retained = end - start >= self.shortest_s
        return Intervals(start[retained], end[retained])

    def counts(self, freezes: Intervals, offset_s: float) -> Counts:
        """Return the seconds of predicted freezes by block, the record's clock being ahead by `offset_s`."""
        seen = self.seen(freezes, offset_s)
        return Counts(self._by_block(seen, self._measured_up_to), self._by_block(seen, self._frozen_up_to))

    def best_offset_s(self, freezes: Intervals, most_s: float = MOST_OFFSET_S, *, leading: bool = True) -> float:
        """Return the clock offset within `most_s` at which predicted freezes overlap those recorded longest.

        The time forecast hardly depends on the offset, so that is where the likelihood is greatest too. With `leading`
        only the blocks that lead count.
        """
        line = self._frozen_leading if leading else self.frozen
        seen = self.seen(freezes, 0.0)
        return best_lag((seen.start * 1e6, seen.end * 1e6), (line.start * 1e6, line.end * 1e6), most_s * 1e6)[0] / 1e6

    def gains(self, forecast_s: Floats, both_s: Floats, frozen_s: Floats, measured_s: Floats) -> Floats:
        """Return gains in log-likelihood, counted once a freeze, over one constant chance of a freeze; any shape.

        A prediction that freezes come less often when forecast gains nothing.
        """
        both = np.minimum(both_s, np.minimum(forecast_s, frozen_s))
        only = np.maximum(forecast_s - both, 0.0)
        missed = np.maximum(frozen_s - both, 0.0)
        good = np.maximum(measured_s - frozen_s - only, 0.0)
        value = (
            _entropy(both, only) + _entropy(missed, good) - _entropy(frozen_s, np.maximum(measured_s - frozen_s, 0.0))
        )
        is_positive = both * measured_s > forecast_s * frozen_s
        return np.asarray(np.where(is_positive, value, 0.0) / self.a_freeze_s)

    def gain(self, counts: Counts, chosen: Bools | None = None) -> float:
        """Return the gain of one prediction over the chosen blocks, all unless given."""
        some = slice(None) if chosen is None else chosen
        sums = [float(each[some].sum()) for each in (counts.forecast_s, counts.both_s, self.frozen_s, self.measured_s)]
        return float(self.gains(*(np.array(each) for each in sums)))

    def held_out_by_block(self, counts: Counts) -> Floats:
        """Return the gain in each block held out with the chances that the leading blocks taught, shape (held out,)."""
        lead, out = self.leading, ~self.leading
        seen, missed, floor = rates(counts, self.frozen_s, self.measured_s, lead)
        plain = (self.frozen_s[lead].sum() + _LEAST_S) / (self.measured_s[lead].sum() + 2.0 * _LEAST_S)
        both, forecast = counts.both_s[out], counts.forecast_s[out]
        frozen, measured = self.frozen_s[out], self.measured_s[out]
        lost = frozen - both
        good = measured - frozen - (forecast - both)
        value = both * np.log(seen) + (forecast - both) * np.log(missed) + lost * np.log(floor)
        value += good * np.log1p(-floor) - frozen * np.log(plain) - (measured - frozen) * np.log1p(-plain)
        return np.asarray(value / self.a_freeze_s)

    @cached_property
    def _frozen_leading(self) -> Intervals:
        row = np.flatnonzero(self.leading)
        return intersection(self.frozen, (self.edges_s[row], self.edges_s[row + 1]))

    @cached_property
    def _frozen_up_to(self) -> tuple[Floats, Floats]:
        return _up_to(self.frozen)

    @cached_property
    def _measured_up_to(self) -> tuple[Floats, Floats]:
        return _up_to(self.measured)

    def _by_block(self, intervals: Intervals, up_to: tuple[Floats, Floats]) -> Floats:
        """Return how much of intervals, apart and ascending, lies in a set, by block.

        The set is given as the time of it up to each of its edges.
        """
        if not up_to[0].size or not intervals.start.size:
            return np.zeros(self.blocks)
        until = np.interp(intervals.end, *up_to)
        before = np.append(0.0, np.cumsum(until - np.interp(intervals.start, *up_to)))
        # Up to an edge: all intervals begun before it, less what the last of them has beyond.
        begun = np.searchsorted(intervals.start, self.edges_s, side="right")
        last = np.maximum(begun - 1, 0)
        beyond = np.where(begun > 0, np.maximum(until[last] - np.interp(self.edges_s, *up_to), 0.0), 0.0)
        return np.diff(before[begun] - beyond)


def rates(
    counts: Counts, frozen_s: Floats, measured_s: Floats, chosen: Bools | None = None
) -> tuple[float, float, float]:
    """Return the chance that a second forecast frozen is seen so, that it is not, and the floor for all others."""
    some = slice(None) if chosen is None else chosen
    both, forecast = float(counts.both_s[some].sum()), float(counts.forecast_s[some].sum())
    frozen, measured = float(frozen_s[some].sum()), float(measured_s[some].sum())
    seen = (both + _LEAST_S) / (forecast + 2.0 * _LEAST_S)
    floor = (max(frozen - both, 0.0) + _LEAST_S) / (max(measured - forecast, 0.0) + 2.0 * _LEAST_S)
    return seen, 1.0 - seen, floor


def _entropy(a: Floats, b: Floats) -> Floats:
    """Return a log(a / (a + b)) + b log(b / (a + b)), 0 where one of them is."""
    total = np.asarray(a + b)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [np.where(each > 0.0, each * np.log(each / total), 0.0) for each in (a, b)]
    return np.asarray(parts[0] + parts[1])


def _up_to(intervals: IntervalSet) -> tuple[Floats, Floats]:
    """Return edges of intervals and how much of them lies before each."""
    start, end = union(intervals)
    edges = np.stack([start, end], axis=1).ravel()
    return edges, np.append(
        0.0, np.cumsum(np.diff(edges) * (np.arange(edges.size - 1) % 2 == 0))
    ) if edges.size else edges


def _in(times_s: Floats, window: tuple[float, float]) -> Bools:
    return np.asarray((times_s > window[0]) & (times_s < window[1]))


def _nothing() -> Intervals:
    return Intervals(np.zeros(0), np.zeros(0))


def _seconds(times: pd.Series) -> Floats:
    """Return aware times as seconds since 1970 UTC, to the microsecond."""
    return np.asarray(pd.DatetimeIndex(pd.to_datetime(times, utc=True)).as_unit("us").asi8 / 1e6)
