"""The intervals in which satellites stand on the right side of one limit of a site's sky, exact to the millisecond.

The way: SGP4 at nodes -> arcs in the site's axes -> edges, exact on the arcs -> intervals, joined across segments.
Where an edge is slow (a grazing pass: there a metre is milliseconds) or a peak nearly touches the limit, the arcs
concerned are refined to within 2 cm, and the slowest edges are settled on SGP4 itself.

A limit is any object with the three members of `SkyLimit`; the horizon is the first of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from passim.orbits.arcs import NodeGrid, Segments
from passim.search import Stretches, in_a_row, turning_points
from passim.sky.cull import CoarseOrbits, segments_within_cull
from passim.sky.local_arcs import CapLimit, LocalArcs
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# An edge slower than this is refined: a 300 s arc errs by up to 1.2 m, which is a millisecond at that speed.
SLOW_KM_S = 1.2
# An interval shorter than this is refined too.
SHORT_S = 60.0
# A turning point closer to the skyline than this is refined: some four times the error of an arc.
_NEAR_KM = 0.003
# An edge slower than this after refining, where 2 cm are 0.4 ms, is settled on SGP4 itself.
CREEPING_KM_S = 0.05
_SETTLED_S = 1e-7
# How closely a peak is found, in x: 0.03 ms of 300 s.
_PEAK_TOLERANCE = 1e-7

# How many segments are held together: this bounds the memory.
_MOST_SEGMENTS = 120_000
# How many are looked at together: what is known of them stays near the processor.
_MOST_AT_ONCE = 8_192


@runtime_checkable
class SkyLimit(Protocol):
    """What bounds the usable sky of a site: positive on the allowed side."""

    @property
    def floor_deg(self) -> float:
        """An elevation, degrees, below which the limit allows nothing."""

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        """Return where arcs are on the allowed side within (segment, left, right), sorted by segment and place."""

    def height_km(self, position_km: Floats) -> Floats:
        """Return how far positions in the site's axes, shape (3, n), are on the allowed side, km at the satellite.

        The scale is that of the rates which `above` returns, so that height over rate is a time.
        """


class SearchedLimit(Protocol):
    """One limit seen from one site, or many at once: what the search asks while it finds edges.

    Satellites are numbers of the grid; where many look at once each has the satellites for itself.
    """

    @property
    def grid(self) -> NodeGrid:
        """The nodes that the arcs come from."""

    @property
    def is_cap(self) -> bool:
        """Whether it is a cap of the sky, across whose even edge a rate says how far an arc's error moves a time."""

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        """Return what `SkyLimit.above` does."""

    def refined(self, segments: Segments) -> LocalArcs:
        """Return the refined arcs of segments, without those that have no usable state."""

    def height_km(self, satellite: Index, time_s: Floats) -> Floats:
        """Return how far satellites are on the allowed side at times, by SGP4's own path, km, shape (n,)."""


@dataclass(frozen=True)
class _FromOneSite:
    """One limit, seen from one site."""

    grid: NodeGrid
    site: Site
    limit: SkyLimit

    @property
    def is_cap(self) -> bool:
        return isinstance(self.limit, CapLimit) and self.limit.cap() is not None

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        return self.limit.above(arcs, segment, left, right, margin_km)

    def refined(self, segments: Segments) -> LocalArcs:
        return LocalArcs.of(self.grid.refined(segments), self.site)

    def height_km(self, satellite: Index, time_s: Floats) -> Floats:
        offset_km = self.grid.positions_km(satellite, time_s) - self.site.position_km
        return self.limit.height_km(self.site.east_north_up @ offset_km.T)


class Refined(NamedTuple):
    """Arcs that were made better, and the places in the list of those in whose stead they stand, shape (n,)."""

    place: Index
    arcs: LocalArcs


@dataclass(frozen=True)
class PassIntervals:
    """Intervals of satellites on the allowed side: satellite index and seconds since a common start, shape (n,).

    ``peak_s`` is when the satellite stands highest in the interval, ``peak_sine`` the sine of its elevation then, and
    ``azimuths_deg``, shape (3, n), the azimuths at the start, the peak and the end.
    """

    satellite: Index
    start_s: Floats
    end_s: Floats
    peak_s: Floats
    peak_sine: Floats
    azimuths_deg: Floats


def _blocks(satellite: Index, most: int) -> Iterator[tuple[int, int]]:
    """Cut sorted satellite indices into runs of about `most`, never inside a satellite."""
    first = 0
    while first < len(satellite) or first == 0:
        last = min(first + most, len(satellite))
        if last < len(satellite):
            last = int(np.searchsorted(satellite, satellite[last - 1], side="right"))
        yield first, last
        if last == len(satellite):
            return
        first = last


def intervals_of(grid: NodeGrid, coarse: CoarseOrbits, site: Site, limit: SkyLimit) -> PassIntervals:
    """Return every interval in which a satellite of `grid` is on the allowed side of `limit` at `site`.

    Times are seconds since the start of the grid. `coarse` must be of the same stretch of time as `grid`.
    """
    satellite, number = segments_within_cull(grid, coarse, site, limit.floor_deg)
    return concatenated(
        [
            intervals_in(grid, site, limit, satellite[first:last], number[first:last])
            for first, last in _blocks(satellite, _MOST_SEGMENTS)
        ]
    )


def edges_of(grid: NodeGrid, coarse: CoarseOrbits, site: Site, limit: SkyLimit) -> tuple[Index, Floats, Floats]:
    """Return the intervals of `intervals_of` without peaks and azimuths: satellite, start_s and end_s, (n,) each.

    For questions that ask only when: it leaves out about a third of the work.
    """
    satellite, number = segments_within_cull(grid, coarse, site, limit.floor_deg)
    found = []
    for first, last in _blocks(satellite, _MOST_SEGMENTS):
        _, _, owner, start_s, end_s = _whole_stretches(grid, site, limit, satellite[first:last], number[first:last])
        opens, closes = _runs(owner, start_s, end_s)
        found.append((owner[opens], start_s[opens], end_s[closes]))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))  # type: ignore[return-value]


def allowed_within(
    grid: NodeGrid, site: Site, limit: SkyLimit, satellite: Index, start_s: Floats, end_s: Floats
) -> tuple[Index, Floats, Floats]:
    """Return when satellites are on the allowed side of `limit` at `site`, looking only around given intervals.

    The given intervals (satellite, start_s, end_s), each of shape (n,), must be sorted by satellite. What comes back
    has the same form; it reaches up to a segment beyond the given ones and wants to be cut to them.
    """
    chosen, number = segments_around(grid, satellite, start_s, end_s)
    seen_limit = _FromOneSite(grid, site, limit)
    found = []
    for begin, end in _blocks(chosen, _MOST_SEGMENTS):
        seen = grid.segments_seen(chosen[begin:end], number[begin:end], site.position_km, site.east_north_up)
        found.append(found_in(seen_limit, LocalArcs(seen)))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))  # type: ignore[return-value]


def segments_around(grid: NodeGrid, satellite: Index, start_s: Floats, end_s: Floats) -> tuple[Index, Index]:
    """Return the (satellite, segment) pairs that intervals, sorted by satellite, touch; in order."""
    first = np.floor(start_s / grid.segment_s).astype(np.intp)
    last = np.minimum(np.ceil(end_s / grid.segment_s).astype(np.intp), grid.segments_per_satellite)
    counts = np.maximum(last - first, 0)
    owner = np.repeat(np.arange(len(first)), counts)
    number = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    marked = np.zeros((len(grid.propagator), grid.segments_per_satellite), dtype=bool)
    marked[satellite[owner], number] = True
    chosen, number = np.nonzero(marked)
    return chosen, number


def found_in(limit: SearchedLimit, arcs: LocalArcs) -> tuple[Index, Floats, Floats]:
    """Return whose and when arcs are allowed: satellite, start_s and end_s, sorted and joined, (n,) each."""
    _, _, whose, starts, ends = _sorted_stretches(limit, arcs)
    opens, closes = _runs(whose, starts, ends)
    return whose[opens], starts[opens], ends[closes]


def intervals_in(grid: NodeGrid, site: Site, limit: SkyLimit, satellite: Index, number: Index) -> PassIntervals:
    """Return the intervals of the given (satellite, segment) pairs of a grid, sorted, and of segments they run into."""
    arcs, stretches, owner, start_s, end_s = _whole_stretches(grid, site, limit, satellite, number)
    peak_x, peak_sine = _peaks(arcs, stretches)
    opens, closes = _runs(owner, start_s, end_s)
    # The highest of the peaks of an interval's stretches is its own.
    best = first_largest(peak_sine, opens)
    azimuths = np.stack(
        [
            arcs.azimuth_deg(stretches.curve[opens], stretches.left[opens]),
            arcs.azimuth_deg(stretches.curve[best], peak_x[best]),
            arcs.azimuth_deg(stretches.curve[closes], stretches.right[closes]),
        ]
    )
    return PassIntervals(
        owner[opens],
        start_s[opens],
        end_s[closes],
        arcs.segments.time_s(stretches.curve[best], peak_x[best]),
        peak_sine[best],
        azimuths,
    )


def _whole_stretches(
    grid: NodeGrid, site: Site, limit: SkyLimit, satellite: Index, number: Index
) -> tuple[LocalArcs, Stretches, Index, Floats, Floats]:
    """Return the arcs, refined where that was needed, and what `_sorted_stretches` does besides.

    That is after looking at every segment that an interval runs into.
    """
    while True:
        arcs = LocalArcs.of(grid.segments(satellite, number), site)
        refined, stretches, owner, start_s, end_s = _sorted_stretches(_FromOneSite(grid, site, limit), arcs)
        # An interval that runs up to a segment nobody looked at shows that the cull was too tight there: look again.
        more = _neighbours_missing(grid, satellite, number, arcs.segments, stretches)
        if more is None:
            # The arcs are nobody else's.
            arcs.segments.coefficients_km[:, :, refined.place] = refined.arcs.segments.coefficients_km
            return LocalArcs(arcs.segments), stretches, owner, start_s, end_s
        key = np.union1d(satellite * grid.segments_per_satellite + number, more)
        satellite, number = np.divmod(key, grid.segments_per_satellite)


def _sorted_stretches(limit: SearchedLimit, arcs: LocalArcs) -> tuple[Refined, Stretches, Index, Floats, Floats]:
    """Return what was refined, where arcs are allowed sorted by satellite and time, and whose and when (s) that is."""
    refined, stretches = _stretches_of(limit, arcs)
    start_s = arcs.segments.time_s(stretches.curve, stretches.left)
    end_s = arcs.segments.time_s(stretches.curve, stretches.right)
    return refined, stretches, arcs.segments.satellite[stretches.curve], start_s, end_s


def _stretches_of(limit: SearchedLimit, arcs: LocalArcs) -> tuple[Refined, Stretches]:
    """Return which arcs were refined where that was needed, and where arcs are on the allowed side."""
    segments = arcs.segments
    stretches = _above(limit, arcs)
    length_s = segments.length_s[stretches.curve]
    with np.errstate(invalid="ignore"):
        slow = (np.abs(stretches.rate_left) < SLOW_KM_S * length_s) | (
            np.abs(stretches.rate_right) < SLOW_KM_S * length_s
        )
    # A short interval has its arcs refined whatever their speed, for it says where as much as when.
    short = _run_length_s(arcs, stretches) < SHORT_S
    again = np.unique(np.concatenate([stretches.curve[slow | short], stretches.near_miss]))
    if not len(again):
        return Refined(again, LocalArcs(segments.select(again))), stretches
    refined = limit.refined(segments.select(again))
    found = _settled(limit, refined, _above(limit, refined))
    replaced = again
    if len(refined.segments) < len(again):
        every = limit.grid.segments_per_satellite
        had, has = (each.satellite * every + each.number for each in (segments.select(again), refined.segments))
        replaced = again[np.isin(had, has)]

    # The refined arcs take the place of those they were made from; both are in order.
    retained = np.ones(len(segments), dtype=bool)
    retained[again] = False
    kept = stretches.select(np.flatnonzero(retained[stretches.curve]))
    both = in_a_row([kept, replace(found, curve=replaced[found.curve], near_miss=again[:0])])
    return Refined(replaced, refined), both.select(np.argsort(both.curve, kind="stable"))


def _above(limit: SearchedLimit, arcs: LocalArcs) -> Stretches:
    """Return where arcs are on the allowed side, up to the end of the grid's stretch of time."""
    segments, duration_s = arcs.segments, limit.grid.duration_s
    segment = np.flatnonzero(segments.start_s < duration_s)
    right = np.minimum((duration_s - segments.start_s[segment]) / segments.length_s[segment], 1.0)
    left, found = np.zeros(len(segment)), []
    for first in range(0, max(len(segment), 1), _MOST_AT_ONCE):
        here = slice(first, first + _MOST_AT_ONCE)
        found.append(limit.above(arcs, segment[here], left[here], right[here], _NEAR_KM))
    return in_a_row(found)


def _settled(limit: SearchedLimit, arcs: LocalArcs, stretches: Stretches) -> Stretches:
    """Move the slowest edges onto the root of SGP4's own path, at most a second away.

    Across an uneven skyline those of short intervals too, whatever their speed: a steep one magnifies the arc's error.
    """

    def height_km(segment: Index, time_s: Floats) -> Floats:
        return limit.height_km(arcs.segments.satellite[segment], time_s)

    length_s = arcs.segments.length_s[stretches.curve]
    short = np.zeros(len(length_s), dtype=bool) if limit.is_cap else _run_length_s(arcs, stretches) < SHORT_S
    moved = {}
    for side in ("left", "right"):
        place, rate = getattr(stretches, side).copy(), getattr(stretches, f"rate_{side}")
        with np.errstate(invalid="ignore"):
            edge = np.flatnonzero((short & np.isfinite(rate)) | (np.abs(rate) < CREEPING_KM_S * length_s))
        if not len(edge):  # mostly: to work on nothing costs as much as to work on a few
            moved[side] = np.clip(place, 0.0, 1.0)
            continue
        segment, speed = stretches.curve[edge], rate[edge] / length_s[edge]
        start_s = arcs.segments.time_s(segment, place[edge])
        start_km = height_km(segment, start_s)
        # Newton steps with the rate of the arc, which is that of the path to a millionth or so: one is mostly enough.
        time_s, off_km, moving = start_s.copy(), start_km.copy(), np.arange(len(edge))
        for _ in range(3):
            with np.errstate(divide="ignore", invalid="ignore"):
                step_s = np.nan_to_num(np.clip(off_km[moving] / speed[moving], -1.0, 1.0))
            far = np.abs(step_s) > _SETTLED_S
            if not far.any():
                break
            moving = moving[far]
            time_s[moving] -= step_s[far]
            off_km[moving] = height_km(segment[moving], time_s[moving])
        better = (np.abs(off_km) <= np.abs(start_km)) & (np.abs(time_s - start_s) <= 1.0)
        time_s = np.where(better, time_s, start_s)
        # Across an upright side the height leaps, and Newton's steps say nothing: there the moment is found by halving.
        leaps = np.flatnonzero(np.abs(np.where(better, off_km, start_km)) > _NEAR_KM)
        time_s[leaps] = _halved(height_km, segment[leaps], start_s[leaps], rising=side == "left")
        place[edge] += (time_s - start_s) / length_s[edge]
        moved[side] = np.clip(place, 0.0, 1.0)
    settled = replace(stretches, left=moved["left"], right=moved["right"])
    return settled.select(np.flatnonzero(settled.left < settled.right))


def _halved(height_km: Callable[[Index, Floats], Floats], segment: Index, about_s: Floats, *, rising: bool) -> Floats:
    """Return when heights change their sign upward, or downward, within a second of `about_s`, else that itself."""

    if not len(segment):
        return about_s

    def is_past(time_s: Floats, which: Index) -> NDArray[np.bool_]:
        return np.asarray((height_km(segment[which], time_s) > 0.0) == rising)

    # The closest bracket first: there may be other edges near by.
    low, high, open_ones = about_s.copy(), about_s.copy(), np.arange(len(segment))
    for width_s in (0.001, 0.01, 0.1, 1.0):
        before, after = about_s[open_ones] - width_s, about_s[open_ones] + width_s
        around = ~is_past(before, open_ones) & is_past(after, open_ones)
        low[open_ones[around]], high[open_ones[around]] = before[around], after[around]
        open_ones = open_ones[~around]
    every = np.arange(len(segment))
    for _ in range(24):  # down to 2 s / 2^24, a ten-millionth
        middle = 0.5 * (low + high)
        past = is_past(middle, every)
        low, high = np.where(past, low, middle), np.where(past, middle, high)
    return np.where(np.isin(every, open_ones), about_s, 0.5 * (low + high))


def _neighbours_missing(
    grid: NodeGrid, satellite: Index, number: Index, segments: Segments, stretches: Stretches
) -> Index | None:
    """Return keys of segments that intervals run into but that are not in the list, or None."""
    every = grid.segments_per_satellite
    have = satellite * every + number
    owner, place = segments.satellite[stretches.curve], segments.number[stretches.curve]
    start_s, length_s = segments.start_s[stretches.curve], segments.length_s[stretches.curve]
    at_left = np.abs(start_s + stretches.left * length_s - place * grid.segment_s) <= 1e-9
    at_right = np.abs(start_s + stretches.right * length_s - (place + 1) * grid.segment_s) <= 1e-9
    before = owner[at_left & (place > 0)] * every + place[at_left & (place > 0)] - 1
    inside = at_right & (place < every - 1)
    after = owner[inside] * every + place[inside] + 1
    wanted = np.concatenate([before, after])
    place = np.minimum(np.searchsorted(have, wanted), len(have) - 1)
    missing = wanted[have[place] != wanted] if len(have) else wanted
    return missing if len(missing) else None


def _peaks(arcs: LocalArcs, stretches: Stretches) -> tuple[Floats, Floats]:
    """Return the place and the sine of the highest elevation in each stretch."""
    place, sine = np.empty((2, len(stretches.curve)))
    for first in range(0, len(place), _MOST_AT_ONCE):
        here = slice(first, first + _MOST_AT_ONCE)
        place[here], sine[here] = _peaks_of(arcs, stretches.curve[here], stretches.left[here], stretches.right[here])
    return place, sine


def _peaks_of(arcs: LocalArcs, segment: Index, left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Return what `_peaks` does for some stretches."""
    sine_left, rate_left = arcs.elevation_sine(segment, left)
    sine_right, rate_right = arcs.elevation_sine(segment, right)
    place, sine = np.where(sine_left >= sine_right, left, right), np.maximum(sine_left, sine_right)
    inside = np.flatnonzero((rate_left > 0.0) & (rate_right < 0.0))
    place[inside], sine[inside] = turning_points(
        arcs.elevation_sine,
        segment[inside],
        left[inside],
        right[inside],
        ends=(sine_left[inside], rate_left[inside], sine_right[inside], rate_right[inside]),
        tolerance=_PEAK_TOLERANCE,
    )
    return place, sine


def _runs(owner: Index, start_s: Floats, end_s: Floats) -> tuple[Index, Index]:
    """Return the first and last stretch of each run that goes on in one satellite without a break, of sorted input."""
    if not len(owner):
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    goes_on = (owner[1:] == owner[:-1]) & (start_s[1:] - end_s[:-1] <= 1e-6)
    return np.flatnonzero(np.r_[True, ~goes_on]), np.flatnonzero(np.r_[~goes_on, True])


def _run_length_s(arcs: LocalArcs, stretches: Stretches) -> Floats:
    """Return how long the interval is that each stretch belongs to, its neighbours in time included, seconds.

    Stretches come in the order of their segments, which is that of satellites and time.
    """
    owner = arcs.segments.satellite[stretches.curve]
    start_s = arcs.segments.time_s(stretches.curve, stretches.left)
    end_s = arcs.segments.time_s(stretches.curve, stretches.right)
    opens, closes = _runs(owner, start_s, end_s)
    return np.repeat(end_s[closes] - start_s[opens], closes - opens + 1)


def first_largest(values: Floats, opens: Index) -> Index:
    """Return the index of the first largest value of each run that begins at `opens`."""
    if not len(opens):
        return np.empty(0, dtype=np.intp)
    run = np.repeat(np.arange(len(opens)), np.diff(np.r_[opens, len(values)]))
    largest = np.flatnonzero(values == np.maximum.reduceat(values, opens)[run])
    return largest[np.r_[True, np.diff(run[largest]) > 0]]


def joined_in_time(found: PassIntervals) -> PassIntervals:
    """Join intervals that go on from one part of the work to the next."""
    order = np.lexsort((found.start_s, found.satellite))
    satellite, start_s, end_s = found.satellite[order], found.start_s[order], found.end_s[order]
    opens, closes = _runs(satellite, start_s, end_s)
    best = order[first_largest(found.peak_sine[order], opens)]
    azimuths = np.stack(
        [found.azimuths_deg[0, order[opens]], found.azimuths_deg[1, best], found.azimuths_deg[2, order[closes]]]
    )
    return PassIntervals(
        satellite[opens], start_s[opens], end_s[closes], found.peak_s[best], found.peak_sine[best], azimuths
    )


def concatenated(parts: list[PassIntervals]) -> PassIntervals:
    """Put several finds behind each other."""
    return PassIntervals(
        np.concatenate([p.satellite for p in parts]),
        np.concatenate([p.start_s for p in parts]),
        np.concatenate([p.end_s for p in parts]),
        np.concatenate([p.peak_s for p in parts]),
        np.concatenate([p.peak_sine for p in parts]),
        np.concatenate([p.azimuths_deg for p in parts], axis=1),
    )
