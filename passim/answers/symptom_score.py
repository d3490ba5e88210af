"""How well predicted freezes fit what somebody saw: stated ranges, or a record of freezes.

Stated ranges. A person who says "every 3 to 5 min, 5 to 30 s long" speaks of the bad stretches, roughly. Of the
predicted freezes of a second or more (shorter ones are hardly noticed) these are formed, each from 0 to 1:

    length      share of lengths inside the stated range; just outside it falls off to nothing at a factor of 1.25
    interval    the same for the time from one start to the next
    rate        1 where the mean interval is the stated one, the geometric middle of the range; a bell on log distance
    duty        the same for the share of time that is frozen
    spread      1 where the middle 80 % of predicted lengths and of intervals are at least half as wide as stated in
                logs: a range from 30 s to 20 min does not describe a train with one freeze every 5 min
    presence    1 where such a train runs for two hours of the span, or through half of the hours stated; less where less
    quiet       falls off with every freeze predicted for hours stated as free of them

    fit = length * interval * sqrt(rate * duty) * spread * presence * quiet

A record. Time is cut into bins; of each it is known whether the record and the prediction are frozen. The gain is the
log-likelihood of the record once the prediction is known (a Bernoulli chance of a freeze for bins predicted frozen and
another for those not) less that under one constant chance, counted once a freeze and not once a bin, since the bins of
one freeze are not independent; a negative association gains nothing. Half the log of the number of freezes is taken off
for every free number of the setting (Schwarz, "Estimating the dimension of a model", Annals of Statistics 6, 1978).
The gain at every other shift of the record in time tells what chance reaches.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from datetime import time as time_of_day
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from passim.answers.symptom_seen import FreezeRecord, HoursOfDay, Symptom
from passim.intervals import Intervals, complement, intersection, restrict, total_length, union
from passim.spans import Span, microseconds, zone

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

SECOND_US: Final = 1_000_000
# Shorter freezes are hardly noticed: a picture that stands still is noticed at about 0.5 s (common practice, no source).
NOTICED_S: Final = 1.0
# A freeze follows another in the same train when it comes within twice the longest interval stated.
_TRAIN_FACTOR = 2.0
_SOFT_FACTOR = 1.25
# How long a train must run to count in full where no hours are stated: the length of two lessons.
_FULL_TRAIN_S = 7200.0

# A fit from here on is called an explanation, one below POSSIBLE none. A train that is described by its own middle 80 %
# reaches 0.5 to 0.9; random freezes described by theirs stay below 0.25 (both simulated for this project).
GOOD_FIT: Final = 0.5
POSSIBLE_FIT: Final = 0.3
# Each limit beyond the first must raise the fit by a ninth to be worth its while.
LIMIT_PRICE: Final = 0.9

# Chance level of a record: the best of all settings at this share of the shifts (in per cent).
CHANCE_PERCENTILE: Final = 99.0
# Clocks of a record and of the sky may disagree by so much; shifts nearer than this are no chance at all.
CLOCK_SLACK_S: Final = 3.0
_NEAREST_SHIFT_S = 60.0
_MOST_BINS = 43_200


@dataclass(frozen=True, slots=True)
class Judgement:
    """How well one setting fits: ``fit`` to show, ``rank`` to sort by (greater is better), and what they are made of."""

    fit: float
    rank: float
    parts: dict[str, float] = field(default_factory=dict)


class Judge(Protocol):
    """Judges predicted freezes."""

    def judge(self, freezes: Intervals, limits: int, parameters: int, *, counts: bool = False) -> Judgement:
        """Judge the freezes of a setting; with ``counts`` the setting belongs to those that chance is reckoned over."""


class RangeJudge:
    """Judges predicted freezes by stated ranges; the module says how."""

    def __init__(self, symptom: Symptom, span: Span, timezone: str) -> None:
        self._symptom, self._span = symptom, span
        whole = Intervals(np.array([span.start_us]), np.array([span.end_us]))
        self._happens = hours_within(symptom.happens, span, timezone) if symptom.happens else whole
        self._quiet = hours_within(symptom.quiet, span, timezone)
        stated_us = total_length(self._happens)
        self._full_train_us = 0.5 * stated_us if symptom.happens else min(_FULL_TRAIN_S * SECOND_US, 0.5 * stated_us)

    def judge(self, freezes: Intervals, limits: int, parameters: int, *, counts: bool = False) -> Judgement:
        """Judge the freezes of a setting with so many limits."""
        parts = self._parts(freezes)
        fit = (
            parts["length"]
            * parts["interval"]
            * float(np.sqrt(parts["rate"] * parts["duty"]))
            * parts["spread"]
            * parts["presence"]
            * parts["quiet"]
        )
        return Judgement(fit, fit * LIMIT_PRICE ** max(limits - 1, 0), parts)

    def _parts(self, freezes: Intervals) -> dict[str, float]:
        nothing = dict.fromkeys(("length", "interval", "rate", "duty", "spread", "presence", "quiet"), 0.0)
        start, end = noticed(freezes, self._span)
        row, start_inside, _ = restrict((start, start + 1), self._happens)
        if row.size < 3:
            return nothing
        low_every, high_every = self._symptom.every_s
        low_length, high_length = self._symptom.length_s
        length_s = (end[row] - start[row]) / 1e6
        # Intervals are those between neighbours of one train; where a train breaks off, that counts as one miss.
        interval_s = np.diff(start_inside) / 1e6
        running = interval_s <= _TRAIN_FACTOR * high_every
        if running.sum() < 2:
            return nothing
        train_s = float(interval_s[running].sum())
        mean_interval_s, mean_length_s = float(interval_s[running].mean()), float(length_s.mean())
        quiet_us = total_length(self._quiet)
        quiet = 1.0
        if quiet_us:
            # One freeze in four of those stated, in hours stated as quiet, brings the fit down to 0.37.
            seen, _, _ = restrict((start, start + 1), self._quiet)
            quiet = float(np.exp(-4.0 * seen.size / (quiet_us / 1e6) * np.sqrt(low_every * high_every)))
        return {
            "length": float(_inside(length_s, low_length, high_length).mean()),
            "interval": float(_inside(interval_s, low_every, high_every).mean()),
            "rate": _near(mean_interval_s, low_every, high_every),
            "duty": _near(mean_length_s / mean_interval_s, low_length / high_every, high_length / low_every),
            "spread": _filled(length_s, low_length, high_length) * _filled(interval_s[running], low_every, high_every),
            "presence": min(1.0, train_s * SECOND_US / self._full_train_us),
            "quiet": quiet,
        }


class RecordJudge:
    """Judges predicted freezes by a record of freezes, and keeps what the best of all settings reaches by chance."""

    def __init__(self, record: FreezeRecord, span: Span) -> None:
        self.bin_s = max(1.0, float(np.ceil(span.duration_s / _MOST_BINS)))
        self._span = span
        self._bins = int(span.duration_s // self.bin_s)
        seen = self._frozen(Intervals(record.start_us, record.end_us))
        self._seen_total = int(seen.sum())
        self._seen = np.conj(np.fft.rfft(seen.astype(np.float32)))
        inside = (record.end_us > span.start_us) & (record.start_us < span.end_us)
        self.freezes = int(inside.sum())
        self._mean_bins = max(self._seen_total / max(self.freezes, 1), 1.0)
        shift_s = np.minimum(np.arange(self._bins), self._bins - np.arange(self._bins)) * self.bin_s
        self._far = shift_s >= _NEAREST_SHIFT_S
        self._best_by_chance = np.zeros(self._bins)

    def judge(self, freezes: Intervals, limits: int, parameters: int, *, counts: bool = False) -> Judgement:
        """Judge the freezes of a setting with so many free numbers."""
        predicted = self._frozen(freezes)
        total = int(predicted.sum())
        both = np.fft.irfft(np.fft.rfft(predicted.astype(np.float32)) * self._seen, self._bins)
        both = np.clip(np.round(both), 0, min(total, self._seen_total))
        # A record whose clock is off by a little still counts: every shift takes the best overlap next to it.
        slack = int(CLOCK_SLACK_S // self.bin_s)
        both = np.max([np.roll(both, step) for step in range(-slack, slack + 1)], axis=0)
        price = 0.5 * parameters * float(np.log(max(self.freezes, 2)))
        gain = self._gain(both, total) - price
        if counts:
            np.maximum(self._best_by_chance, gain, out=self._best_by_chance)
        hits = float(both[0])
        parts = {
            "gain": float(gain[0]),
            "explained": hits / max(self._seen_total, 1),
            "false_alarms": (total - hits) / max(total, 1),
            "explained_by_chance": total / self._bins,
        }
        return Judgement(parts["explained"], parts["gain"], parts)

    @property
    def chance_level(self) -> float:
        """The gain that the best of the settings counted so far reaches at 1 % of the shifts."""
        return float(np.percentile(self._best_by_chance[self._far], CHANCE_PERCENTILE)) if self._far.any() else np.inf

    def _frozen(self, freezes: Intervals) -> NDArray[np.bool_]:
        """Say of the middle of each bin whether it is frozen, shape (bins,)."""
        bin_us = round(self.bin_s * SECOND_US)
        middle_us = self._span.start_us + bin_us // 2 + np.arange(self._bins, dtype=np.int64) * bin_us
        start, end = union(freezes)
        row = np.searchsorted(start, middle_us, side="right") - 1
        inside = row >= 0
        inside[inside] = middle_us[inside] < end[row[inside]]
        return inside

    def _gain(self, both: Floats, total: int) -> Floats:
        """Return the gain in log-likelihood a freeze for each overlap in bins, shape as given."""
        bins, seen = float(self._bins), float(self._seen_total)
        cells = np.stack([both, seen - both, total - both, bins - seen - total + both])
        expected = np.array([seen * total, seen * (bins - total), (bins - seen) * total, (bins - seen) * (bins - total)])
        expected = expected.reshape((4,) + (1,) * both.ndim) / bins
        with np.errstate(divide="ignore", invalid="ignore"):
            terms = np.where(cells > 0.0, cells * np.log(cells / expected), 0.0)
        gain = terms.sum(axis=0) / self._mean_bins
        return np.where(both > expected[0], gain, 0.0)


def noticed(freezes: Intervals, span: Span) -> Intervals:
    """Return the freezes that are long enough to be noticed and that the span does not cut."""
    start, end = freezes
    kept = (end - start >= NOTICED_S * SECOND_US) & (start > span.start_us) & (end < span.end_us)
    return Intervals(start[kept], end[kept])


def hours_within(hours: tuple[HoursOfDay, ...], span: Span, timezone: str) -> Intervals:
    """Return when the clock of `timezone` shows one of `hours` within `span`, microseconds since 1970 UTC."""
    where = zone(timezone)
    starts, ends = [], []
    day = span.start.astimezone(where).date() - timedelta(days=1)
    while day <= span.end.astimezone(where).date():
        for first, last in hours:
            begins = datetime.combine(day, first, where)
            ends_on = day if last > first else day + timedelta(days=1)
            starts.append(microseconds(begins))
            ends.append(max(microseconds(datetime.combine(ends_on, last, where)), starts[-1]))
        day += timedelta(days=1)
    whole = Intervals(np.array([span.start_us]), np.array([span.end_us]))
    return intersection((np.array(starts, dtype=np.int64), np.array(ends, dtype=np.int64)), whole)


def overlap(a: Intervals, b: Intervals) -> float:
    """Return the time in both over the time in either, 0 to 1; 1 where neither has any."""
    either = total_length(union(a, b))
    return 1.0 if not either else float(total_length(intersection(a, b)) / either)


def rate_by_hour(freezes: Intervals, span: Span, timezone: str) -> Floats:
    """Return the freezes begun an hour in each hour of the local day, shape (24,); nan where the span has none of it."""
    start, _ = noticed(freezes, span)
    rates = np.full(24, np.nan)
    for hour in range(24):
        window = ((time_of_day(hour), time_of_day((hour + 1) % 24)),)
        inside = hours_within(window, span, timezone)
        length_us = total_length(inside)
        if length_us >= 600 * SECOND_US:
            rows, _, _ = restrict((start, start + 1), inside)
            rates[hour] = rows.size * 3600.0 * SECOND_US / length_us
    return rates


def service_of(freezes: Intervals, span: Span) -> Intervals:
    """Return the rest of the span."""
    return complement(freezes, span.start_us, span.end_us)


def _inside(values: Floats, low: float, high: float) -> Floats:
    """Return 1 for values in [low, high], falling to 0 in the log of the distance at a factor outside."""
    outside = np.maximum(np.log(low / values), np.log(values / high))
    return np.asarray(np.clip(1.0 - outside / np.log(_SOFT_FACTOR), 0.0, 1.0))


def _near(value: float, low: float, high: float) -> float:
    """Return how near a value is to the geometric middle of a range: 1 there, about 0.6 at the ends or closer."""
    width = 0.5 * np.log(high / low) + np.log(_SOFT_FACTOR)
    return float(np.exp(-0.5 * (np.log(value / np.sqrt(low * high)) / width) ** 2))


def _filled(values: Floats, low: float, high: float) -> float:
    """Return how much of a stated range the middle 80 % of the values fill, in logs; a factor of two is forgiven."""
    stated = np.log(high / low)
    below, above = np.percentile(values, [10.0, 90.0])
    return 1.0 if stated <= 0.0 else float(min(1.0, (np.log(above / below) + np.log(2.0)) / stated))
