"""How well predicted freezes fit what somebody saw: stated ranges, or a record of freezes.

Stated ranges. A person who says "every 3 to 5 min, 5 to 30 s long" speaks of the bad stretches, roughly. Of the
predicted freezes of a second or more (shorter ones are hardly noticed) these are formed, each from 0 to 1:

    length      share of lengths inside the stated range; just outside it falls off to nothing at a factor of 1.25
    interval    the same for the time from one start to the next
    rate        1 where the mean interval is the stated one, the geometric middle of the range; a bell on log distance
    duty        the same for the share of time that is frozen
    spread      1 where the middle 80 % of predicted lengths and of intervals are at least half as wide as stated in
                logs: a range from 30 s to 20 min does not describe a train with one freeze every 5 min
    presence    1 where such a train runs for two hours of the span, or half of the hours stated; less where less
    quiet       falls off with every freeze predicted for hours stated as free of them

    fit = length * interval * sqrt(rate * duty) * spread * presence * quiet

A record. The gain is the log-likelihood of the record second by second once the prediction is known (a Bernoulli chance
of a freeze for seconds predicted frozen and another for the rest) less that under one constant chance, counted once a
freeze and not once a second, since the seconds of one freeze are not independent; a negative association gains nothing.
Half the log of the number of freezes is taken off for every free number of the setting (Schwarz, "Estimating the
dimension of a model", Annals of Statistics 6, 1978). The fit shown is the critical success index of forecast
verification: seconds frozen in both over seconds frozen in either.

Among thousands of settings some fit random freezes well by chance, and the trains of neighbouring settings resemble
each other. So the search is led by every second block of time alone (of a day: every second hour). The setting that
fits those best must then prove itself on the blocks held out: its gain there must beat the gain of the same prediction
at 99 % of all shifts in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim.answers.symptom.observations import FreezeRanges, FreezeRecord
from passim.intervals import Intervals, difference, intersection, restrict, total_length, union
from passim.spans import DailyHours, Span

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

SECOND_US: Final = 1_000_000
# Shorter freezes are hardly noticed: a still picture is noticed at about 0.5 s (common practice, no source).
NOTICED_S: Final = 1.0
# A freeze follows another in the same train when it comes within twice the longest interval stated.
_TRAIN_FACTOR = 2.0
_SOFT_FACTOR = 1.25
# How long a train must run to count in full where no hours are stated: the length of two lessons.
_FULL_TRAIN_S = 7200.0

# A fit from here on is called an explanation, one below POSSIBLE_FIT none. A train of the sky that is described by the
# middle 80 % of its own lengths and intervals reaches 0.6 to 0.98; freezes of 3 s every 5 min to the second, which no
# setting gives, reach 0.002 (both simulated for this project).
GOOD_FIT: Final = 0.5
POSSIBLE_FIT: Final = 0.3
# A limit beyond the first must raise the fit by a sixth to be worth its while, a further number by a thirtieth: the
# more there is to choose, the more a fit is owed to the choosing.
LIMIT_PRICE: Final = 0.86
NUMBER_PRICE: Final = 0.97

# What a gain must beat: the gain at this share of the shifts, per cent.
CHANCE_PERCENTILE: Final = 99.0
# A record with a proven gain is explained in part from this fit on.
LEAST_FIT_OF_RECORD: Final = 0.1
# Below this a gain says nothing, whatever chance does: a likelihood twenty times as great.
LEAST_GAIN: Final = 3.0
# Shifts nearer than this are no chance at all: a freeze still overlaps itself.
_NEAREST_SHIFT_S = 60.0
# A record is cut in so many blocks, which lead the search and are held out by turns; none is shorter than ten minutes.
_BLOCKS = 24
_SHORTEST_BLOCK_S = 600.0
_MOST_BINS = 43_200
# A train has this much of a line of microseconds for itself: a span is far shorter.
_LINE_US = 1 << 43


@dataclass(frozen=True, slots=True)
class Judgement:
    """How well one setting fits.

    fit     0 to 1, to show
    rank    to sort answers by: greater is better
    guide   to lead the search by: greater is better
    parts   what they are made of
    """

    fit: float
    rank: float
    guide: float
    parts: dict[str, float] = field(default_factory=dict)


class Judge(Protocol):
    """Judges predicted freezes."""

    def judge(self, freezes: Intervals, limits: int, parameters: int, *, leads: bool = False) -> Judgement:
        """Judge the freezes of a setting; with ``leads`` it was found without looking at what is held out."""

    def judge_each(
        self, trains: Sequence[Intervals], sizes: Sequence[tuple[int, int]], *, leads: bool = False
    ) -> list[Judgement]:
        """Judge the freezes of several settings, given with their limits and free numbers, one after the other."""


class RangeJudge:
    """Judges predicted freezes by stated ranges; the module says how."""

    def __init__(self, symptom: FreezeRanges, span: Span, timezone: str) -> None:
        self._symptom, self._span = symptom, span
        whole = Intervals(np.array([span.start_us]), np.array([span.end_us]))
        self._happens = hours_within(symptom.happens, span, timezone) if symptom.happens else whole
        self._quiet = hours_within(symptom.quiet, span, timezone)
        self._quiet_us = total_length(self._quiet)
        stated_us = total_length(self._happens)
        self._full_train_us = 0.5 * stated_us if symptom.happens else min(_FULL_TRAIN_S * SECOND_US, 0.5 * stated_us)

    def judge(self, freezes: Intervals, limits: int, parameters: int, *, leads: bool = False) -> Judgement:
        """Judge the freezes of a setting with so many limits and free numbers."""
        return self.judge_each([freezes], [(limits, parameters)])[0]

    def judge_each(
        self, trains: Sequence[Intervals], sizes: Sequence[tuple[int, int]], *, leads: bool = False
    ) -> list[Judgement]:
        """Judge the freezes of several settings, each with so many limits and free numbers."""
        found = []
        for parts, (limits, parameters) in zip(self._parts(trains), sizes, strict=True):
            fit = (
                parts["length"]
                * parts["interval"]
                * math.sqrt(parts["rate"] * parts["duty"])
                * parts["spread"]
                * parts["presence"]
                * parts["quiet"]
            )
            rank = fit * LIMIT_PRICE ** max(limits - 1, 0) * NUMBER_PRICE ** max(parameters - 1, 0)
            found.append(Judgement(fit, rank, rank, parts))
        return found

    def _parts(self, trains: Sequence[Intervals]) -> list[dict[str, float]]:
        """Return what the fit of each train of freezes is made of, all trains end to end."""
        nothing = dict.fromkeys(("length", "interval", "rate", "duty", "spread", "presence", "quiet"), 0.0)
        found = [nothing] * len(trains)
        whose = np.repeat(np.arange(len(trains)), [train.start.size for train in trains])
        start, end = (np.concatenate(column) for column in zip(*trains, strict=True))
        seen = _is_noticed(start, end, self._span)
        whose, start, end = whose[seen], start[seen], end[seen]
        in_quiet = np.bincount(whose[_is_inside(start, self._quiet)], minlength=len(trains)).tolist()
        if self._symptom.happens:
            inside = _is_inside(start, self._happens)
            whose, start, end = whose[inside], start[inside], end[inside]
        low_every, high_every = self._symptom.every_s
        low_length, high_length = self._symptom.length_s
        # Intervals are those between neighbours of one train; where a train breaks off, that counts as one miss.
        between, apart_us = whose[1:] == whose[:-1], np.diff(start)
        goes_on = between & (apart_us / 1e6 <= _TRAIN_FACTOR * high_every)
        freezes, running = (np.bincount(each, minlength=len(trains)) for each in (whose, whose[1:][goes_on]))
        long = (freezes >= 3) & (running >= 2)
        if not long.any():
            return found
        lengths = _Trains(whose[long[whose]], (end - start)[long[whose]])
        intervals, steps = (
            _Trains(whose[1:][some], apart_us[some]) for some in (between & long[whose[1:]], goes_on & long[whose[1:]])
        )
        columns = zip(
            np.flatnonzero(long).tolist(),
            lengths.means(_inside(lengths.values_us / 1e6, low_length, high_length)),
            intervals.means(_inside(intervals.values_us / 1e6, low_every, high_every)),
            lengths.means(lengths.values_us / 1e6),
            steps.sums(steps.values_us / 1e6),
            steps.counts.tolist(),
            lengths.filled(low_length, high_length),
            steps.filled(low_every, high_every),
            strict=True,
        )
        for train, length, interval, mean_length_s, train_s, count, of_lengths, of_intervals in columns:
            mean_interval_s = train_s / count
            quiet = 1.0
            if self._quiet_us:
                # One freeze in four of those stated, in hours stated as quiet, brings the fit down to 0.37.
                quiet = float(np.exp(-4.0 * in_quiet[train] / (self._quiet_us / 1e6) * np.sqrt(low_every * high_every)))
            found[train] = {
                "length": length,
                "interval": interval,
                "rate": _near(mean_interval_s, low_every, high_every),
                "duty": _near(mean_length_s / mean_interval_s, low_length / high_every, high_length / low_every),
                "spread": of_lengths * of_intervals,
                "presence": min(1.0, train_s * SECOND_US / self._full_train_us),
                "quiet": quiet,
            }
        return found


class _Trains(NamedTuple):
    """Lengths of some trains, end to end: which train, ascending, and microseconds, shape (lengths,) each."""

    whose: Whole
    values_us: Whole

    @property
    def first(self) -> Whole:
        """Where the lengths of each train begin, shape (trains,)."""
        return np.flatnonzero(np.append(True, self.whose[1:] != self.whose[:-1]))

    @property
    def counts(self) -> Whole:
        """How many each train has, shape (trains,)."""
        return np.diff(self.first, append=self.whose.size)

    def sums(self, values: Floats) -> list[float]:
        """Return the sum over each train of values, shape (lengths,)."""
        sums: list[float] = np.add.reduceat(values, self.first).tolist()
        return sums

    def means(self, values: Floats) -> list[float]:
        """Return the mean over each train of values, shape (lengths,)."""
        return [total / count for total, count in zip(self.sums(values), self.counts.tolist(), strict=True)]

    def filled(self, low_s: float, high_s: float) -> list[float]:
        """Return how much of a range the middle 80 % of each train fill, in logs; a factor of two is forgiven."""
        stated = math.log(high_s / low_s)
        if stated <= 0.0:
            return [1.0] * self.first.size
        ordered_s = (np.sort(self.whose * _LINE_US + self.values_us) - self.whose * _LINE_US) / 1e6
        below, above = (_percentile(ordered_s, percent, self.first, self.counts).tolist() for percent in (10.0, 90.0))
        return [
            min(1.0, (math.log(high / low) + math.log(2.0)) / stated) for low, high in zip(below, above, strict=True)
        ]


class RecordJudge:
    """Judges predicted freezes by a record of freezes; the module says how."""

    def __init__(self, record: FreezeRecord, span: Span) -> None:
        self._span = span
        window = Intervals(np.array([span.start_us]), np.array([span.end_us]))
        self._seen = intersection((record.start_us, record.end_us), window)
        self.freezes = int(self._seen.start.size)
        self._mean_s = max(total_length(self._seen) / 1e6 / max(self.freezes, 1), 1.0)
        # Blocks of time lead and are held out by turns.
        block_us = int(max(span.duration_s / _BLOCKS, _SHORTEST_BLOCK_S) * SECOND_US)
        leading = np.arange(span.start_us, span.end_us, 2 * block_us, dtype=np.int64)
        self._leading = intersection((leading, leading + block_us), window)
        self._held_out = difference(window, self._leading)
        self._seen_leading = intersection(self._seen, self._leading)
        # What leads so far, and its guide.
        self._leader: tuple[float, int, Intervals] | None = None

    def judge(self, freezes: Intervals, limits: int, parameters: int, *, leads: bool = False) -> Judgement:
        """Judge the freezes of a setting with so many limits and free numbers."""
        price = 0.5 * parameters * float(np.log(max(self.freezes, 2)))
        both_s, seen_s = _length_s(intersection(freezes, self._seen)), _length_s(self._seen)
        total_s = _length_s(freezes)
        gain = float(self._gain(both_s, total_s, seen_s, self._span.duration_s)) - price
        # The same from the leading blocks alone; they hold half of the freezes, so half of the price.
        leading = (
            _length_s(intersection(freezes, self._seen_leading)),
            _length_s(intersection(freezes, self._leading)),
            _length_s(self._seen_leading),
            _length_s(self._leading),
        )
        guide = float(self._gain(*leading)) - 0.5 * price
        if leads and (self._leader is None or (-guide, parameters) < (-self._leader[0], self._leader[1])):
            self._leader = guide, parameters, freezes
        parts = {
            "gain": gain,
            "explained": both_s / seen_s,
            "false_alarms": (total_s - both_s) / total_s if total_s else 0.0,
            "explained_by_chance": total_s / self._span.duration_s,
        }
        return Judgement(both_s / (seen_s + total_s - both_s), gain, guide, parts)

    def judge_each(
        self, trains: Sequence[Intervals], sizes: Sequence[tuple[int, int]], *, leads: bool = False
    ) -> list[Judgement]:
        """Judge the freezes of several settings in turn, each with so many limits and free numbers."""
        return [self.judge(train, *size, leads=leads) for train, size in zip(trains, sizes, strict=True)]

    def proof(self) -> tuple[float, float]:
        """Return the gain of the leader on the blocks held out, and what its shifted copies reach there at 1 %.

        The second is `LEAST_GAIN` where chance stays below that.
        """
        if self._leader is None:
            return 0.0, LEAST_GAIN
        bin_s = max(1.0, float(np.ceil(self._span.duration_s / _MOST_BINS)))
        predicted = self._in_bins(self._leader[2], bin_s)
        held_out = self._in_bins(self._held_out, bin_s)
        seen = self._in_bins(self._seen, bin_s) * held_out
        # Seconds frozen in both, and seconds predicted frozen in the blocks, for every shift at once.
        spectrum = np.fft.rfft(predicted)
        both_s, total_s = (
            np.maximum(np.round(np.fft.irfft(spectrum * np.conj(np.fft.rfft(part)), part.size)), 0.0) * bin_s
            for part in (seen, held_out)
        )
        gains = self._gain(both_s, total_s, float(seen.sum()) * bin_s, float(held_out.sum()) * bin_s)
        shift_s = np.minimum(np.arange(gains.size), gains.size - np.arange(gains.size)) * bin_s
        by_chance = gains[shift_s >= _NEAREST_SHIFT_S]
        reached = float(np.percentile(by_chance, CHANCE_PERCENTILE)) if by_chance.size else np.inf
        return float(gains[0]), max(LEAST_GAIN, reached)

    def _gain(self, both_s: ArrayLike, total_s: ArrayLike, seen_s: float, all_s: float) -> Floats:
        """Return the gain in log-likelihood a freeze: seconds in both, predicted, recorded and all, any shape."""
        both, total = np.asarray(both_s, dtype=np.float64), np.asarray(total_s, dtype=np.float64)
        cells = np.stack([both, seen_s - both, total - both, all_s - seen_s - total + both])
        expected = np.stack([seen_s * total, seen_s * (all_s - total), (all_s - seen_s) * total])
        expected = np.concatenate([expected, [(all_s - seen_s) * (all_s - total)]]) / all_s
        with np.errstate(divide="ignore", invalid="ignore"):
            terms = np.where((cells > 0.0) & (expected > 0.0), cells * np.log(cells / expected), 0.0)
        return np.asarray(np.where(both > expected[0], terms.sum(axis=0) / self._mean_s, 0.0))

    def _in_bins(self, intervals: Intervals, bin_s: float) -> Floats:
        """Return 1 for each bin of the span whose middle lies in `intervals`, else 0, shape (bins,)."""
        bin_us = round(bin_s * SECOND_US)
        bins = int(self._span.duration_s // bin_s)
        middle_us = self._span.start_us + bin_us // 2 + np.arange(bins, dtype=np.int64) * bin_us
        start, end = union(intervals)
        row = np.searchsorted(start, middle_us, side="right") - 1
        inside = row >= 0
        inside[inside] = middle_us[inside] < end[row[inside]]
        return inside.astype(np.float64)


def _length_s(intervals: Intervals) -> float:
    """Return the length of intervals that are apart, seconds."""
    return float((intervals.end - intervals.start).sum()) / 1e6


def noticed(freezes: Intervals, span: Span) -> Intervals:
    """Return the freezes that are long enough to be noticed and that the span does not cut."""
    retained = _is_noticed(*freezes, span)
    return Intervals(freezes.start[retained], freezes.end[retained])


def _is_noticed(start_us: Whole, end_us: Whole, span: Span) -> NDArray[np.bool_]:
    """Say of freezes whether they are long enough to be noticed and the span does not cut them."""
    long = end_us - start_us >= NOTICED_S * SECOND_US
    return np.asarray(long & (start_us > span.start_us) & (end_us < span.end_us))


def hours_within(hours: tuple[DailyHours, ...], span: Span, timezone: str) -> Intervals:
    """Return when the clock of `timezone` shows one of `hours` within `span`, microseconds since 1970 UTC."""
    nothing = np.empty(0, dtype=np.int64)
    return union((nothing, nothing), *(each.within(span, timezone) for each in hours))


def overlap(a: Intervals, b: Intervals) -> float:
    """Return the time in both over the time in either, 0 to 1; 1 where neither has any."""
    either = total_length(union(a, b))
    return 1.0 if not either else float(total_length(intersection(a, b)) / either)


def rate_by_hour(freezes: Intervals, span: Span, timezone: str) -> Floats:
    """Return the freezes begun an hour in each hour of the local day, shape (24,); nan where the span lacks it."""
    start, _ = noticed(freezes, span)
    rates = np.full(24, np.nan)
    for hour in range(24):
        inside = Intervals(*DailyHours(hour * 60, hour * 60 + 60).within(span, timezone))
        length_us = total_length(inside)
        if length_us >= 600 * SECOND_US:
            rows, _, _ = restrict((start, start + 1), inside)
            rates[hour] = rows.size * 3600.0 * SECOND_US / length_us
    return rates


def _is_inside(moments_us: Whole, intervals: Intervals) -> NDArray[np.bool_]:
    """Return which moments lie in intervals that are sorted and apart, in the shape of the moments."""
    ends = np.append(np.iinfo(np.int64).min, intervals.end)
    return np.asarray(moments_us < ends[np.searchsorted(intervals.start, moments_us, side="right")])


def _inside(values: Floats, low: float, high: float) -> Floats:
    """Return 1 for values in [low, high], falling to 0 in the log of the distance at a factor outside."""
    outside = np.maximum(np.log(low / values), np.log(values / high))
    return np.asarray(np.minimum(np.maximum(1.0 - outside / math.log(_SOFT_FACTOR), 0.0), 1.0))


def _near(value: float, low: float, high: float) -> float:
    """Return how near a value is to the geometric middle of a range: 1 there, about 0.6 at the ends or closer."""
    width = 0.5 * math.log(high / low) + math.log(_SOFT_FACTOR)
    return math.exp(-0.5 * (math.log(value / math.sqrt(low * high)) / width) ** 2)


def _percentile(ordered: Floats, percent: float, first: Whole, count: Whole) -> Floats:
    """Return a percentile of values that ascend from each `first` on, on the straight line between neighbours.

    That is the seventh of the definitions of Hyndman & Fan, "Sample quantiles in statistical packages", The American
    Statistician 50, 1996 (recalled), and what `numpy.percentile` returns.
    """
    place = percent / 100.0 * (count - 1)
    before = place.astype(np.int64)
    value = ordered[first + before]
    following = ordered[first + np.minimum(before + 1, count - 1)]
    return np.asarray(value + (place - before) * (following - value))
