"""Figures of predicted freezes, and what a person could watch for to tell one prediction from another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from passim.answers.symptom.score import noticed, overlap, rate_by_hour
from passim.intervals import Intervals
from passim.spans import Span

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


@dataclass(frozen=True, eq=False)
class Observation:
    """What a person could watch for to tell two numbered predictions apart; what does not help is left out.

    ``traits`` are those of both; in what follows 0 stands for the first of them and 1 for the second.

    same            whether both freeze at the same times, so that nothing in the span helps
    quiet_hours     which of them predicts no freeze, from which hour of the local day on, for how many hours
    hour            the hour of the local day in which their rates differ most
    rates           whether one freezes more often over all
    lengths         whether their freezes differ in length
    directions      whether the satellites that cannot serve stand in different directions
    moment_us       which of them freezes, from when to when, microseconds since 1970 UTC, while the other does not
    """

    numbers: tuple[int, int]
    traits: tuple[Traits, Traits]
    same: bool = False
    quiet_hours: tuple[int, int, int] | None = None
    hour: int | None = None
    rates: bool = False
    lengths: bool = False
    directions: bool = False
    moment_us: tuple[int, int, int] | None = None


# No more than so many signs of how often, how long and where are told; a moment stands beside them.
_MOST_SIGNS = 2


def observations(predictions: Sequence[tuple[Intervals, Traits]], span: Span) -> list[Observation]:
    """Return what would tell each prediction from the next, and the first from the third."""
    numbered = list(enumerate(predictions, 1))
    pairs = list(pairwise(numbered))[:3]
    if len(numbered) > 2:
        pairs.insert(1, (numbered[0], numbered[2]))
    return [_between(one, other, span) for one, other in pairs[:4]]


def told_rate(per_hour: float) -> float:
    """Return freezes an hour to what a person can tell apart: to a tenth below one, else whole."""
    return round(per_hour, 1) if per_hour < 0.95 else float(round(per_hour))


def _between(
    one: tuple[int, tuple[Intervals, Traits]], other: tuple[int, tuple[Intervals, Traits]], span: Span
) -> Observation:
    """Return what tells two numbered predictions apart."""
    (a, (freezes_a, of_a)), (b, (freezes_b, of_b)) = one, other
    numbers, both = (a, b), (of_a, of_b)
    often = told_rate(of_a.per_hour) != told_rate(of_b.per_hour)
    if overlap(freezes_a, freezes_b) >= _SAME_FREEZES and not often:
        return Observation(numbers, both, same=True)
    signs: dict[str, Any] = {}
    if (quiet := _quiet_hours(both)) is not None:
        signs["quiet_hours"] = quiet
    elif (hour := _busier_hour(both)) is not None:
        signs["hour"] = hour
    elif often:
        signs["rates"] = True
    if of_a.count and of_b.count and max(of_a.mean_s, of_b.mean_s) >= 1.3 * min(of_a.mean_s, of_b.mean_s):
        signs["lengths"] = True
    if _stand_apart(of_a.direction_deg, of_b.direction_deg):
        signs["directions"] = True
    first_signs = dict(list(signs.items())[:_MOST_SIGNS])
    return Observation(numbers, both, **first_signs, moment_us=_clear_moment((freezes_a, freezes_b), span))


def _quiet_hours(both: tuple[Traits, Traits]) -> tuple[int, int, int] | None:
    """Return who predicts no freeze while the other does, from which hour on and for how many: the longest time."""
    known = ~np.isnan(both[0].by_hour) & ~np.isnan(both[1].by_hour)
    found = []
    for quiet in (0, 1):
        rate, other = np.nan_to_num(both[quiet].by_hour), np.nan_to_num(both[1 - quiet].by_hour)
        stretch = longest_stretch(known & (rate == 0.0) & (other >= 1.0))
        if stretch is not None and stretch[1] >= 2:
            found.append((quiet, *stretch))
    return max(found, key=lambda each: each[2], default=None)


def _busier_hour(both: tuple[Traits, Traits]) -> int | None:
    """Return the hour in which the rates differ most, where that is by half or more."""
    known = ~np.isnan(both[0].by_hour) & ~np.isnan(both[1].by_hour)
    rate_a, rate_b = np.nan_to_num(both[0].by_hour), np.nan_to_num(both[1].by_hour)
    if not (known.any() and rate_a.any() and rate_b.any()):
        return None
    ratio = np.where(known, np.log((rate_a + 1.0) / (rate_b + 1.0)), 0.0)
    hour = int(np.argmax(np.abs(ratio)))
    return hour if abs(ratio[hour]) >= np.log(1.5) else None


def _stand_apart(one: float | None, other: float | None) -> bool:
    """Say whether two main directions, None for all round, differ so that a person would notice."""
    if one is None or other is None:
        return one is not other
    return abs((one - other + 180.0) % 360.0 - 180.0) >= 60.0


def _clear_moment(freezes: tuple[Intervals, Intervals], span: Span) -> tuple[int, int, int] | None:
    """Return the next moment at which one predicts a freeze and the other none for a minute around it."""
    for one, (mine, theirs) in enumerate((freezes, freezes[::-1])):
        start, end = noticed(mine, span)
        retained = end - start >= _WATCHED_S * 1e6
        start, end = start[retained], end[retained]
        # The other's first freeze that ends after a minute before must begin later than a minute after.
        slack = int(_CLEAR_S * 1e6)
        following = np.searchsorted(theirs.end, start - slack, side="right")
        begins = np.append(theirs.start, np.iinfo(np.int64).max)[following]
        clear = np.flatnonzero(begins > end + slack)
        if clear.size:
            return one, int(start[clear[0]]), int(end[clear[0]])
    return None


def _main_direction(azimuth_deg: Floats) -> float | None:
    """Return the mean azimuth, degrees, or None where directions are spread all round."""
    if not azimuth_deg.size:
        return None
    mean = np.exp(1j * np.radians(azimuth_deg)).mean()
    return float(np.degrees(np.angle(mean)) % 360.0) if abs(mean) >= _POINTED else None
