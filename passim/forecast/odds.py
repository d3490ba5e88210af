"""The odds of no service at each moment, in closed form.

A satellite whose pass is predicted for [a, b) is up at t with the chance Phi((t - a) / s) - Phi((t - b) / s), s being
its timing error: a mixture of two where it may have manoeuvred. Intervals of one satellite move together and never hold
t at once, so their chances add up; satellites move independently, so the chances that each is not up multiply. What all
share is held fixed first, and the product then averaged over it. Events that last, such as a gap of five seconds, need
`passim.forecast.odds_events`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from numpy.polynomial import polynomial
from numpy.typing import ArrayLike, NDArray

from passim import intervals
from passim.errors import SpanError
from passim.forecast.normal import normal_cdf, normal_nodes
from passim.forecast.timing import TimingModel
from passim.forecast.timing_errors import TimingErrors, timing_errors
from passim.intervals import GroupedSet, Steps
from passim.spans import Span, minute_edges, utc_times, zone

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

_MINUTE_US: Final = 60_000_000

# Moments at which no service is less likely than this are not worked out and count as 0: 0.01 s of a day at most.
SKIPPED_BELOW: Final = 1e-7
# What lies farther off than this many standard deviations is left out: 4e-8 for the two sides together.
_REACH: Final = 5.5
# Depths inside a pass at which the chance of a miss is bounded, in standard deviations without and with a manoeuvre.
_PLAIN_DEPTHS: Final = (1.0, 2.0, 3.5)
_TAIL_DEPTHS: Final = (0.5, 1.5, 3.0, _REACH)
# Steps round a rise or set are at most this part of its error long, and more than half as long: a mean over even steps
# is then right to exp(-2 (3 pi / 2)^2) of it (the Euler-Maclaurin sum of a normal curve), and a highest moment to 2 %.
_STEP_PER_ERROR: Final = 2.0 / 3.0
# Times are whole microseconds, so a timing error of less than one tells nothing.
_LEAST_US: Final = 1.0
# From so many chances of single satellites on, moments are read off between knots: so many errors apart, by the
# polynomial through so many of them, in pieces of so many moments.
_MANY_CELLS: Final = 2_000_000
_KNOTS_APART, _POINTS, _MOMENTS_A_PIECE = 0.5, 10, 2048
# From values at the points, of which the fifth is at 0, to the coefficients, from the constant up, of the polynomial
# through them and of its derivatives, each over the factorial of its order: shape (orders, points, coefficients).
_THROUGH = np.linalg.inv(np.vander(np.arange(1.0 - _POINTS // 2, 1 + _POINTS // 2), increasing=True)).T
_SERIES = np.stack(
    [
        np.pad(polynomial.polyder(_THROUGH, order, axis=1), ((0, 0), (0, order))) / math.factorial(order)
        for order in range(5)
    ]
)
# Intervals so many errors long at most are short.
_SHORT: Final = 1.5
# Chances of single satellites worked out at a time: this keeps the arrays of a block inside the processor's cache.
_CELLS_A_BLOCK: Final = 200_000


@dataclass(frozen=True, eq=False, repr=False)
class Odds:
    """The odds of no service over a span, step by step.

    edges_us        shape (steps+1,), int64: the edges of the steps, microseconds since 1970 UTC. Steps are shorter
                    where the chance changes faster, unless even ones were asked for
    no_service      shape (steps,): the chance, 0 to 1, that no satellite serves at the middle of each step
    skipped_below   moments at which the chance is below this were not worked out, and stand as 0
    """

    span: Span
    edges_us: Index
    no_service: Floats
    skipped_below: float

    def __post_init__(self) -> None:
        for array in (self.edges_us, self.no_service):
            array.setflags(write=False)

    def __repr__(self) -> str:
        return (
            f"<Odds {self.span.start.isoformat()} to {self.span.end.isoformat()}: {self.no_service.size} steps, "
            f"{self.expected_gap_s:.1f} s without service expected>"
        )

    @property
    def moments_us(self) -> Index:
        """The moments that the odds stand for, microseconds since 1970 UTC, shape (steps,)."""
        middles_us: Index = self.edges_us[:-1] + np.diff(self.edges_us) // 2
        return middles_us

    @property
    def expected_gap_s(self) -> float:
        """The expected time without service in the span, seconds."""
        return float(self.no_service @ np.diff(self.edges_us)) / 1e6

    def per_second(self) -> pd.DataFrame:
        """Return one row a step (a second or shorter unless asked otherwise): time (UTC, its middle) and no_service."""
        return pd.DataFrame({"time": utc_times(self.moments_us), "no_service": self.no_service})

    def per_minute(self, timezone: str = "UTC") -> pd.DataFrame:
        """Return one row a minute of the span.

        Columns: minute (its start, datetime64[us, UTC]); minute_local (the same in `timezone`); no_service (the chance
        of no service at a random moment of it); no_service_highest (at the worst moment of it); expected_gap_s (the
        seconds without service to expect). A minute that the span cuts tells of its part inside. Raises SiteError for
        an unknown time zone.
        """
        where = zone(timezone)
        edges_us = minute_edges(self.span)
        within = intervals.in_bins(Steps(self.edges_us, self.no_service), edges_us)
        minute = pd.Series(utc_times(edges_us[:-1] // _MINUTE_US * _MINUTE_US))
        # Integrals are differences of one long sum, whose rounding must not show as a chance below 0.
        expected_us = np.maximum(within.integral, 0.0)
        return pd.DataFrame(
            {
                "minute": minute,
                "minute_local": minute.dt.tz_convert(where),
                "no_service": expected_us / np.diff(edges_us),
                "no_service_highest": within.highest,
                "expected_gap_s": expected_us / 1e6,
            }
        )


def odds_of_no_service(
    joint: GroupedSet,
    epochs_us: ArrayLike,
    span: Span,
    model: TimingModel | None = None,
    *,
    step_s: float = 1.0,
    searched: Span | None = None,
    even: bool = False,
) -> Odds:
    """Return the odds of no service in `span`, one value for each step of at most `step_s` seconds.

    A timing error of a tenth of a second makes gaps that lie between the moments of a grid of seconds. So round each
    rise and set, where service is in doubt at all, steps are halved until none is longer than two thirds of the error,
    which holds the mean over any stretch to a hundredth of its part in gaps (measured against a grid of milliseconds).
    With `even` every step is `step_s` long but the last, for those who compare moment by moment.

    `joint` holds when which satellite can serve by prediction, as `Visibility.joint` returns it: its groups are indices
    of `epochs_us`, shape (satellites,), the epochs of element sets in microseconds since 1970 UTC. It may, and should,
    reach past `span` by some timing errors: `searched` is the span in which it was sought, `span` unless given, and an
    interval that touches an end of it is taken to go on there. Without a margin, what might come late into the span or
    leave it early is not known.

    Three errors are stated: chances below ``SKIPPED_BELOW`` count as 0, those of what all share are averaged to about
    1e-6, and where many short passes lie under long errors a chance is right to a hundredth of itself. Raises
    InputError for arrays that do not fit together, SpanError for a step that is not between a millisecond and a minute.
    A day with 2,000 passes takes about 20 ms.
    """
    if not 0.001 <= step_s <= 60.0:
        raise SpanError("step of the odds", got=step_s, wanted="a number of seconds from 0.001 to 60", try_next="1")
    law = timing_errors(joint, epochs_us, span, model or TimingModel(), searched)
    step_us = round(step_s * 1e6)
    edges_us = np.append(np.arange(span.start_us, span.end_us, step_us, dtype=np.int64), span.end_us)
    if not even:
        edges_us = _finer(edges_us, law, span, step_us)
    middles_us = (edges_us[:-1] - span.start_us + np.diff(edges_us) // 2).astype(np.float64)

    # Leave out the moments that are as good as safe, and the intervals that reach none of the others.
    thin = _where_thin(law, middles_us)
    no_service = np.zeros(middles_us.size)
    no_service[thin] = _chances(law, middles_us[thin])
    # Weights of a quadrature add up to 1 only to the last digit.
    return Odds(span, edges_us, np.clip(no_service, 0.0, 1.0), SKIPPED_BELOW)


def _finer(edges_us: Index, law: TimingErrors, span: Span, step_us: int) -> Index:
    """Return the edges of the steps with more of them where the error is short and service in doubt.

    Halves of halves are the same for neighbouring edges, so that many edges close together need no more steps than the
    sharpest of them.
    """
    half_us = 0.5 * step_us
    middles_us = (edges_us[:-1] - span.start_us + np.diff(edges_us) // 2).astype(np.float64)
    # How many of the steps before each, and before the end, hold a moment in doubt.
    doubtful = np.append(0, np.cumsum(_where_thin(law, middles_us, half_us)))
    places_us = np.concatenate([law.start_us, law.end_us])
    found = [edges_us]
    for own_us, there in ((law.sigma_us, law.sigma_us >= 0.0), (law.tail_us, law.tail_us > law.sigma_us)):
        width_us = np.tile(np.maximum(np.hypot(own_us, law.shared_us), _LEAST_US), 2)
        ends = (places_us + sign * _REACH * width_us for sign in (-1.0, 1.0))
        first, last = (np.clip(end // step_us, 0, edges_us.size - 2).astype(np.int64) for end in ends)
        most_us = _STEP_PER_ERROR * width_us
        sharp = np.flatnonzero((most_us < step_us) & np.tile(there, 2) & (doubtful[last + 1] > doubtful[first]))
        width_us, place_us = width_us[sharp], places_us[sharp]
        halvings = np.ceil(np.log2(step_us / most_us[sharp]))
        for times in np.unique(halvings):
            short_us, here = step_us / 2.0**times, halvings == times
            low = np.floor((place_us[here] - _REACH * width_us[here]) / short_us).astype(np.int64)
            high = np.ceil((place_us[here] + _REACH * width_us[here]) / short_us).astype(np.int64)
            # Edges close together share most of their steps.
            low, high = intervals.union((low, high + 1))
            nth = np.repeat(low - np.append(0, np.cumsum(high - low)[:-1]), high - low) + np.arange(np.sum(high - low))
            more = np.rint(nth * short_us).astype(np.int64)
            found.append(more[(more > 0) & (more < span.end_us - span.start_us)] + span.start_us)
    return np.unique(np.concatenate(found))


def _where_thin(law: TimingErrors, middles_us: Floats, around_us: float = 0.0) -> NDArray[np.bool_]:
    """Return which moments, ascending, may be without service with a chance of SKIPPED_BELOW or more.

    With `around_us` they stand for all moments that are no farther from them.

    The deeper inside its pass, the less likely a satellite is missed: at a depth d or more from both ends of a pass of
    length L by at most Q(d) + Q(L - d), Q being the mixture's upper tail, since Q is convex. Chances multiply, so their
    logarithms are weights that grow with each depth, and one sweep adds them up: where the sum is large enough, the
    product is small enough whatever it is exactly. Half of what may be skipped is left for a shared shift past its
    reach.
    """
    sigma_us, tail_us = np.maximum(law.sigma_us, _LEAST_US), np.maximum(law.tail_us, _LEAST_US)
    depths = [k * sigma_us for k in _PLAIN_DEPTHS] + [k * tail_us for k in _TAIL_DEPTHS]
    starts, ends, weights, before = [], [], [], np.zeros(law.satellite.size)
    for depth_us in np.sort(np.stack(depths), axis=0):
        length_us = law.end_us - law.start_us - 2.0 * (_REACH * law.shared_us + around_us)
        rest_us = length_us - depth_us
        plain = normal_cdf(-depth_us / sigma_us) + normal_cdf(-rest_us / sigma_us)
        tail = normal_cdf(-depth_us / tail_us) + normal_cdf(-rest_us / tail_us)
        missed = plain + law.tail_share * (tail - plain)
        now = np.maximum(-np.log(np.minimum(missed, 1.0)), before)
        inset_us = depth_us + _REACH * law.shared_us + around_us
        real = (rest_us > depth_us) & (now > before)
        starts.append((law.start_us + inset_us)[real])
        ends.append((law.end_us - inset_us)[real])
        weights.append((now - before)[real])
        before = now

    # The sums, moment by moment: one up at each start and down at each end. The last moment is worked out in any case.
    weight, size = np.concatenate(weights), middles_us.size + 1
    change = np.zeros(size)
    for bounds, sign in ((starts, 1.0), (ends, -1.0)):
        place = np.searchsorted(middles_us, np.concatenate(bounds), side="left")
        change += sign * np.bincount(np.minimum(place, size - 1), weight, size)
    thin: NDArray[np.bool_] = np.cumsum(change)[:-1] < -np.log(0.5 * SKIPPED_BELOW) + 1e-6
    thin[-1] = True
    return thin


def _reached(law: TimingErrors, moments_us: Floats) -> tuple[TimingErrors, Index, Index]:
    """Return the intervals that reach some of the moments, ascending, and which: from the first to before the last."""
    reach_us = _REACH * (law.tail_us + law.shared_us)
    first = np.searchsorted(moments_us, law.start_us - reach_us, side="left")
    past = np.searchsorted(moments_us, law.end_us + reach_us, side="right")
    near = past > first
    return law.rows(near), first[near], past[near]


def _chances(law: TimingErrors, moments_us: Floats) -> Floats:
    """Return the chance of no service at each of `moments_us`, ascending.

    Where errors are long, every interval reaches hundreds of moments. Where intervals are short beside them too, little
    happens between those: with the shared shift held, the logarithm of the chance is a sum of functions that bend no
    faster than the shortest error in reach. So where there is much to work out, it is worked out at knots half an error
    apart and read off between them by the polynomial through the ten nearest. That leaves under a hundredth of a chance
    that is not skipped (tests/test_odds.py holds it against every moment worked out). Deep inside a long interval it
    would leave more: the logarithm turns sharply where the end comes nearer than the start.
    """
    near, first, past = _reached(law, moments_us)
    if int((past - first).sum()) < _MANY_CELLS:
        return _chances_at(near, moments_us, first, past)
    # Intervals that reach the knots before and past the moments count too: the logarithm must be smooth there.
    beside_us = 0.5 * _POINTS * _KNOTS_APART * max(float(near.sigma_us.max(initial=0.0)), _LEAST_US)
    reach_us = _REACH * (near.tail_us + near.shared_us) + beside_us
    begin_us, end_us = near.start_us - reach_us, near.end_us + reach_us
    chances = np.empty(moments_us.size)
    for low in range(0, moments_us.size, _MOMENTS_A_PIECE):
        some_us = moments_us[low : low + _MOMENTS_A_PIECE]
        rows = near.rows((begin_us < some_us[-1]) & (end_us > some_us[0]))
        chances[low : low + _MOMENTS_A_PIECE] = _read_off(rows, some_us)
    return chances


def _read_off(law: TimingErrors, moments_us: Floats) -> Floats:
    """Return the chance of no service at each of `moments_us`, ascending, read off between knots where that is good.

    What all share shifts one curve as a whole: that is worked out once, and read off at shifted moments. How much more
    than the least of them an interval is shifted is little beside its error, and goes in as a Taylor series: sums of
    the logarithms times its powers, and derivatives of the polynomials.
    """
    if not law.satellite.size:
        return np.ones(moments_us.size)
    error_us = max(float(law.sigma_us.min()), _LEAST_US)
    longest_us = float((law.end_us - law.start_us).max())
    least_us, most_us = float(law.shared_us.min()), float(law.shared_us.max())
    z, z_weight = normal_nodes(most_us / error_us)
    # As many terms as leave under a thousandth at four standard deviations; where those are too many, none.
    farthest = 4.0 * (most_us - least_us) / error_us
    terms = next((k for k in range(1, len(_SERIES) + 1) if farthest**k < 1e-3 * math.factorial(k)), 0)
    shift_us = z * (least_us if terms else 0.0)
    apart_us = _KNOTS_APART * error_us
    begin_us = moments_us[0] - shift_us[-1] - (0.5 * _POINTS - 0.5) * apart_us
    between = (moments_us[-1] - moments_us[0] + 2.0 * shift_us[-1]) / apart_us
    if longest_us > _SHORT * error_us or between + _POINTS > 0.7 * moments_us.size:
        near, first, past = _reached(law, moments_us)
        return _chances_at(near, moments_us, first, past)

    knots_us = begin_us + apart_us * np.arange(int(between) + _POINTS + 1)
    if terms:
        law = law._replace(shared_us=law.shared_us - least_us)
    near, first, past = _reached(law, knots_us)
    sums = np.empty((terms or z.size, knots_us.size))
    for low, high in _blocks(first, past, knots_us.size):
        cells = _Cells.of(near, knots_us, first, past, low, high)
        logs = cells.logs_of_misses(0.0 if terms else z[0])
        sums[0, low:high] = cells.summed(logs)
        for number in range(1, len(sums)):
            logs = logs * cells.shared_us if terms else cells.logs_of_misses(z[number])
            sums[number, low:high] = cells.summed(logs)
    # The polynomials from knot to knot, by powers of the place behind the knot.
    parts = sliding_window_view(sums, _POINTS, axis=1) @ (_SERIES[:terms] if terms else _SERIES[:1])
    mix = (-z[:, None] / apart_us) ** np.arange(terms) if terms else np.eye(z.size)
    chances = np.zeros(moments_us.size)
    for number, weight in enumerate(z_weight):
        places = (moments_us - shift_us[number] - begin_us) / apart_us
        before = places.astype(np.int64)
        curve = np.tensordot(mix[number], parts, 1).T[:, before - (_POINTS // 2 - 1)]
        chances += weight * np.exp(polynomial.polyval(places - before, curve, tensor=False))
    return chances


def _chances_at(law: TimingErrors, moments_us: Floats, first: Index, past: Index) -> Floats:
    """Return the chance of no service at each of `moments_us`, which interval i reaches from first[i] to past[i]."""
    chances = np.ones(moments_us.size)
    for low, high in _blocks(first, past, moments_us.size):
        cells = _Cells.of(law, moments_us, first, past, low, high)
        z, z_weight = normal_nodes(float(np.max(cells.law.shared_us / cells.law.sigma_us, initial=0.0)))
        # With the shared shift held, satellites are independent.
        held = (np.exp(cells.summed(cells.logs_of_misses(z_now))) for z_now in z)
        chances[low:high] = sum(weight * product for weight, product in zip(z_weight, held, strict=True))
    return chances


@dataclass(frozen=True)
class _Cells:
    """Pairs of an interval and a moment that it may reach: a row of `law`, and the place of a satellite at a moment.

    All have shape (cells,) but for `moment_of_place`, shape (places,), and the law. `place` numbers the pairs of
    satellite and moment, so that cells of one satellite at one moment share a place; None where no two do.
    """

    law: TimingErrors
    row: Index
    since_start_us: Floats
    since_end_us: Floats
    place: Index | None
    moment_of_place: Index
    moments: int

    @classmethod
    def of(cls, law: TimingErrors, moments_us: Floats, first: Index, past: Index, low: int, high: int) -> _Cells:
        """Return the cells at the moments from `low` to `high`, which interval i reaches from first[i] to past[i]."""
        near = np.flatnonzero((first < high) & (past > low))
        law, first, past = law.rows(near), np.maximum(first[near], low) - low, np.minimum(past[near], high) - low
        law = law._replace(
            sigma_us=np.maximum(law.sigma_us, _LEAST_US),
            tail_us=np.maximum(law.tail_us, _LEAST_US),
        )
        satellite, count = law.satellite, past - first
        row = np.repeat(np.arange(count.size), count)
        moment = np.arange(row.size) - np.repeat(np.cumsum(count) - count - first, count)
        at_us = moments_us[low:high][moment]
        since = at_us - law.start_us[row], at_us - law.end_us[row]
        # Neighbours of one satellite that reach common moments form a bunch. Bunches lie end to end on a line.
        bunch_past = np.maximum.accumulate(satellite * (2**40) + past) - satellite * (2**40)
        meets = (satellite[1:] == satellite[:-1]) & (first[1:] < bunch_past[:-1])
        if not meets.any():
            return cls(law, row, *since, None, moment, high - low)
        opens = np.flatnonzero(np.append(True, ~meets))
        bunch_first = np.minimum.reduceat(first, opens)
        width = bunch_past[np.append(opens[1:], count.size) - 1] - bunch_first
        base = np.cumsum(width) - width
        bunch = np.repeat(np.arange(opens.size), np.diff(np.append(opens, count.size)))
        place = moment + np.repeat((base - bunch_first)[bunch], count)
        moment_of_place = np.arange(int(width.sum())) - np.repeat(base - bunch_first, width)
        return cls(law, row, *since, place, moment_of_place, high - low)

    @cached_property
    def _plain(self) -> tuple[Index, Floats]:
        """The cells that an interval without a manoeuvre reaches, and 1 / sigma there: the others lie farther out."""
        reach_us = (_REACH * (self.law.sigma_us + self.law.shared_us))[self.row]
        plain = np.flatnonzero((self.since_start_us > -reach_us) & (self.since_end_us < reach_us))
        return plain, (1.0 / self.law.sigma_us)[self.row[plain]]

    @cached_property
    def _mixed(self) -> tuple[Index | slice, Floats, Floats]:
        """The cells of satellites that may have manoeuvred, 1 / tail and the chance of that there."""
        law = self.law
        may = (law.tail_share > 0.0) & (law.tail_us > law.sigma_us)
        mixed = slice(None) if may.all() else np.flatnonzero(may[self.row])
        row = self.row[mixed]
        return mixed, (1.0 / law.tail_us)[row], law.tail_share[row]

    @cached_property
    def shared_us(self) -> Floats:
        """The standard deviation of the shared shift at each place, shape (places,): intervals of one have one age."""
        shared_us = self.law.shared_us[self.row]
        if self.place is None:
            return shared_us
        of_place = np.zeros(self.moment_of_place.size)
        of_place[self.place] = shared_us
        return of_place

    def logs_of_misses(self, z: float) -> Floats:
        """Return the logarithm of the chance that a satellite is not up, shape (places,), with the shared shift held.

        That shift is `z` standard deviations.
        """
        after_start, after_end = self.since_start_us, self.since_end_us
        if z:
            shift_us = z * self.law.shared_us[self.row]
            after_start, after_end = after_start - shift_us, after_end - shift_us
        up = np.zeros(self.row.size)
        plain, narrow = self._plain
        up[plain] = normal_cdf(after_start[plain] * narrow) - normal_cdf(after_end[plain] * narrow)
        mixed, wide, share = self._mixed
        if wide.size:
            tail = normal_cdf(after_start[mixed] * wide) - normal_cdf(after_end[mixed] * wide)
            up[mixed] += share * (tail - up[mixed])
        if self.place is not None:
            up = np.bincount(self.place, up, self.moment_of_place.size).astype(np.float64, copy=False)
        # Rounding, and intervals of one satellite at slightly different ages, may take a sum past 1 by a hair.
        return np.log1p(-np.minimum(up, 1.0 - 1e-15))

    def summed(self, values: Floats) -> Floats:
        """Return the sum of values of places at each moment, shape (moments,)."""
        return np.bincount(self.moment_of_place, values, self.moments).astype(np.float64, copy=False)


def _blocks(first: Index, past: Index, moments: int) -> Iterator[tuple[int, int]]:
    """Yield ranges of moments that together make all, with about _CELLS_A_BLOCK cells each."""
    size = moments + 1
    reaching = np.cumsum(np.bincount(first, minlength=size) - np.bincount(past, minlength=size))
    so_far = np.cumsum(reaching[:moments])
    low = 0
    while low < moments:
        target = (so_far[low - 1] if low else 0) + _CELLS_A_BLOCK
        high = max(low + 1, int(np.searchsorted(so_far, target, side="right")))
        yield low, min(high, moments)
        low = min(high, moments)
