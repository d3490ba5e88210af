"""Figures of predicted freezes, and what a person could watch for to tell one prediction from another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from passim.answers.symptom.score import noticed, overlap, rate_by_hour
from passim.answers.symptom.settings import compass_words
from passim.intervals import Intervals
from passim.spans import Span, moment, zone

Floats = NDArray[np.float64]
Directions = Callable[[Intervals], Floats]

# A freeze that is to be watched for must be long enough to see, and the other prediction clear of it by so much.
_WATCHED_S = 5.0
_CLEAR_S = 60.0
_SAME_FREEZES = 0.95
# Directions point somewhere when the mean of their unit vectors is at least this long (0 all round, 1 all in one).
_POINTED = 0.35


@dataclass(frozen=True, eq=False)
class Traits:
    """Figures of predicted freezes of a second or more, those that the span cuts left out.

    per_hour is over the hours of the day that have any; by_hour, shape (24,), in freezes an hour of the local day, nan
    where the span has none of it; direction_deg where the satellites mostly stand that are in view and cannot serve
    during a freeze, None where they stand all round. Lengths are nan where there is no freeze.
    """

    count: int
    per_hour: float
    mean_s: float
    shortest_s: float
    longest_s: float
    frozen_fraction: float
    by_hour: Floats
    direction_deg: float | None


def traits_of(freezes: Intervals, span: Span, timezone: str, directions: Directions) -> Traits:
    """Return the figures of `freezes`; `directions` gives azimuths of satellites that cannot serve at given times."""
    seen = noticed(freezes, span)
    length_s = (seen.end - seen.start) / 1e6
    by_hour = rate_by_hour(freezes, span, timezone)
    busy = by_hour[np.nan_to_num(by_hour) > 0.0]
    mean_s, shortest_s, longest_s = (
        (float(length_s.mean()), float(length_s.min()), float(length_s.max())) if length_s.size else (float("nan"),) * 3
    )
    return Traits(
        count=int(length_s.size),
        per_hour=float(busy.mean()) if busy.size else 0.0,
        mean_s=mean_s,
        shortest_s=shortest_s,
        longest_s=longest_s,
        frozen_fraction=float((freezes.end - freezes.start).sum() / 1e6 / span.duration_s),
        by_hour=by_hour,
        direction_deg=_main_direction(directions(seen)) if length_s.size else None,
    )


def when_words(by_hour: Floats) -> str:
    """Say when in the local day freezes come: "all day", "none between 12:00 and 21:00", "only between ..."."""
    known = ~np.isnan(by_hour)
    rates = np.nan_to_num(by_hour)
    if not rates.any():
        return "never"
    busiest = int(np.argmax(rates))
    most = f"most from {busiest:02d}:00, {rate_words(rates[busiest])} an hour"
    free = longest_stretch(known & (rates == 0.0))
    if free is None:
        even = rates[known].min() >= 0.5 * rates[known].max()
        whole = "all day" if known.all() else "in every hour of the span"
        return whole if even else f"{whole}, {most}"
    first, hours = free
    if hours > 12:
        busy = longest_stretch(rates > 0.0)
        if busy is not None and busy[1] + hours == 24:
            return f"only between {busy[0]:02d}:00 and {(busy[0] + busy[1]) % 24:02d}:00"
    return f"none between {first:02d}:00 and {(first + hours) % 24:02d}:00, {most}"


def rate_words(per_hour: float) -> str:
    """Return "8" or "0.7": freezes an hour to what a person can tell apart."""
    return f"{per_hour:.1f}" if per_hour < 0.95 else f"{per_hour:,.0f}"


def seconds_words(length_s: float) -> str:
    """Return "8.6 s", "54 s" or "1 min 34 s": a length to what a person can tell apart."""
    if length_s < 9.95:
        return f"{length_s:.1f} s"
    minutes, seconds = divmod(round(length_s), 60)
    if not minutes:
        return f"{seconds} s"
    return f"{minutes} min {seconds} s" if seconds else f"{minutes} min"


def longest_stretch(chosen: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return the first hour and the length of the longest run of chosen hours round the clock, None where none is."""
    if chosen.all():
        return 0, 24
    best: tuple[int, int] | None = None
    for first in np.flatnonzero(chosen & ~np.roll(chosen, 1)).tolist():
        hours = next(k for k in range(1, 25) if not chosen[(first + k) % 24])
        if best is None or hours > best[1]:
            best = first, hours
    return best


def observations(
    predictions: Sequence[tuple[Intervals, Traits]], span: Span, timezone: str, names: Sequence[str] | None = None
) -> list[str]:
    """Return sentences on what would tell each prediction from the next, and the first from the third.

    `names` are what to call them in a sentence, such as "the gateway"; they are numbered as candidates unless given.
    """
    called = [f"candidate {k}" for k in range(1, len(predictions) + 1)] if names is None else names
    named = list(zip(called, predictions, strict=True))
    pairs = list(pairwise(named))[:3]
    if len(named) > 2:
        pairs.insert(1, (named[0], named[2]))
    return [_between(one, other, span, timezone) for one, other in pairs[:4]]


def _between(
    one: tuple[str, tuple[Intervals, Traits]], other: tuple[str, tuple[Intervals, Traits]], span: Span, timezone: str
) -> str:
    """Return one sentence on what tells two named predictions apart."""
    (a, (freezes_a, of_a)), (b, (freezes_b, of_b)) = one, other
    rates = rate_words(of_a.per_hour), rate_words(of_b.per_hour)
    if overlap(freezes_a, freezes_b) >= _SAME_FREEZES and rates[0] == rates[1]:
        return f"{_both(a, b)} freeze at the same times: nothing in this span tells them apart."
    words = [
        *(_by_hours(a, of_a, b, of_b) or _by_rate(a, of_a, b, of_b)),
        *_by_length(a, of_a, b, of_b),
        *_by_direction(a, of_a, b, of_b),
    ]
    moment_words = _by_moment(a, freezes_a, b, freezes_b, span, timezone)
    words = [*words[:2], *moment_words[:1]]
    if not words:
        return f"{_both(a, b)} differ by seconds only: a record of freezes over some hours tells them apart."
    return f"{_capital(a)} against {b.removeprefix('candidate ')}: " + "; ".join(words) + "."


def _both(a: str, b: str) -> str:
    """Return two names as the subject of a sentence: "Candidates 1 and 2", "The gateway and the cone"."""
    if a.startswith("candidate "):
        return f"Candidates {a.removeprefix('candidate ')} and {b.removeprefix('candidate ')}"
    return f"{_capital(a)} and {b}"


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


def _predicts(name: str) -> str:
    """Return a name with its verb."""
    return f"{name} {'predict' if ' and ' in name else 'predicts'}"


def _by_hours(a: str, of_a: Traits, b: str, of_b: Traits) -> list[str]:
    """Say in which hours one predicts freezes and the other few or none."""
    known = ~np.isnan(of_a.by_hour) & ~np.isnan(of_b.by_hour)
    found = []
    for quiet, loud, quiet_traits, loud_traits in ((a, b, of_a, of_b), (b, a, of_b, of_a)):
        rate, other = np.nan_to_num(quiet_traits.by_hour), np.nan_to_num(loud_traits.by_hour)
        stretch = longest_stretch(known & (rate == 0.0) & (other >= 1.0))
        if stretch is not None and stretch[1] >= 2:
            first, hours = stretch
            mean = other[[(first + k) % 24 for k in range(hours)]].mean()
            when = f"between {first:02d}:00 and {(first + hours) % 24:02d}:00"
            words = f"{_predicts(quiet)} none, {loud} about {rate_words(mean)} an hour"
            found.append((hours, f"{when} {words}"))
    if found:
        return [max(found)[1]]
    rate_a, rate_b = np.nan_to_num(of_a.by_hour), np.nan_to_num(of_b.by_hour)
    if known.any() and rate_a.any() and rate_b.any():
        ratio = np.where(known, np.log((rate_a + 1.0) / (rate_b + 1.0)), 0.0)
        hour = int(np.argmax(np.abs(ratio)))
        if abs(ratio[hour]) >= np.log(1.5):
            when = f"from {hour:02d}:00 to {(hour + 1) % 24:02d}:00"
            rates = [rate_words(rate[hour]) for rate in (rate_a, rate_b)]
            return [f"{when} {_predicts(a)} {rates[0]} freezes an hour, {b} {rates[1]}"]
    return []


def _by_rate(a: str, of_a: Traits, b: str, of_b: Traits) -> list[str]:
    """Say it where one freezes more often overall, as far as a person can tell."""
    rates = rate_words(of_a.per_hour), rate_words(of_b.per_hour)
    if rates[0] == rates[1]:
        return []
    return [f"{_predicts(a)} {rates[0]} freezes an hour, {b} {rates[1]}"]


def _by_length(a: str, of_a: Traits, b: str, of_b: Traits) -> list[str]:
    """Say it where the lengths differ."""
    if not (of_a.count and of_b.count):
        return []
    means = of_a.mean_s, of_b.mean_s
    if max(means) < 1.3 * min(means):
        return []
    return [
        f"freezes of {a} last {seconds_words(of_a.mean_s)} on average (longest "
        f"{seconds_words(of_a.longest_s)}), those of {b} {seconds_words(of_b.mean_s)} (longest "
        f"{seconds_words(of_b.longest_s)})"
    ]


def _by_direction(a: str, of_a: Traits, b: str, of_b: Traits) -> list[str]:
    """Say it where the satellites that cannot serve stand in different directions."""
    one, other = of_a.direction_deg, of_b.direction_deg
    if one is None and other is None:
        return []
    if one is not None and other is not None and abs((one - other + 180.0) % 360.0 - 180.0) < 60.0:
        return []
    where = [
        "in all directions" if direction is None else f"to the {compass_words(45.0 * round(direction / 45.0) % 360.0)}"
        for direction in (one, other)
    ]
    return [
        f"during the freezes of {a} the satellites in view stand {where[0]}, during those of {b} they stand {where[1]}"
    ]


def _by_moment(a: str, freezes_a: Intervals, b: str, freezes_b: Intervals, span: Span, timezone: str) -> list[str]:
    """Name the next moment at which one predicts a freeze and the other none for a minute around it."""
    where = zone(timezone)
    for one, mine, other, theirs in ((a, freezes_a, b, freezes_b), (b, freezes_b, a, freezes_a)):
        start, end = noticed(mine, span)
        retained = end - start >= _WATCHED_S * 1e6
        start, end = start[retained], end[retained]
        # The other's first freeze that ends after a minute before must begin later than a minute after.
        slack = int(_CLEAR_S * 1e6)
        following = np.searchsorted(theirs.end, start - slack, side="right")
        begins = np.append(theirs.start, np.iinfo(np.int64).max)[following]
        clear = np.flatnonzero(begins > end + slack)
        if clear.size:
            first = clear[0]
            local = moment(int(start[first])).astimezone(where)
            day = f"{local:%a} {local.day} {local:%b}"
            words = f"{_predicts(one)} a freeze of {seconds_words((end[first] - start[first]) / 1e6)}"
            return [f"on {day} at {local:%H:%M:%S} {words}, {other} none"]
    return []


def _main_direction(azimuth_deg: Floats) -> float | None:
    """Return the mean azimuth, degrees, or None where directions are spread all round."""
    if not azimuth_deg.size:
        return None
    mean = np.exp(1j * np.radians(azimuth_deg)).mean()
    return float(np.degrees(np.angle(mean)) % 360.0) if abs(mean) >= _POINTED else None
