"""Passes of a fleet over many places with flat masks at once: each arc is asked where it rises.

`reach.py` finds the pairs of arcs and places, `projected_arcs.py` the pieces of arcs above the masks. Here pieces
become passes, and what an arc alone cannot tell to the millisecond is told better:

- Edges slower than 1.2 km/s, and those of passes under a minute, are moved to the root of SGP4's own path by Newton's
  steps. At 1.2 km/s the error of an arc, 1.2 m at most, is a millisecond. At `_SLOWEST_KM_S` it is 24 ms, which one
  step shortens to the square of that times the bend over twice the rate, 0.2 ms at 0.03 km/s^2, and the next, taken
  where a step was longer than `_ONE_STEP_S`, to nothing.
- Where the top of a pass nearly touches the mask or an edge is slower than that, the satellite's arcs about the place
  are made again, better, as for a single place: those of all places together.
- Orbits that are not near-circular go the way of a single place (`intervals_of`), and so does a satellite whose pass
  runs into an arc that was not thought to be in reach, or whose arcs are rough.

So every edge is within a millisecond of the exact root, as `find_passes` promises. `tests/soak/places.py` holds this
way against that of single places: no edge was a millisecond apart in ten thousand cases.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from passim.orbits.arcs import NodeGrid, Segments
from passim.sky.cull import CoarseOrbits
from passim.sky.horizon import Horizon
from passim.sky.horizon_function import HorizonFunction
from passim.sky.pass_intervals import (
    CREEPING_KM_S,
    SHORT_S,
    SLOW_KM_S,
    PassIntervals,
    concatenated,
    first_largest,
    intervals_in,
    joined_in_time,
)
from passim.sky.projected_arcs import ArcTable, Pieces, ProjectedArcs, SkyTable
from passim.sky.reach import Pairs, Reach
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Pairs projected together: they stay near the processor.
_PAIRS = 6_000
_SLOWEST_KM_S = 0.05
# An edge that SGP4's own path moves by more than this is looked for the other way.
_FARTHEST_S = 0.1
# A step longer than this is followed by another.
_ONE_STEP_S = 0.003
# Pieces of neighbouring arcs that are no farther apart are one pass.
_JOINED_S = 1e-6


class _Passes(NamedTuple):
    """Intervals of satellites at places, shape (n,) each.

    ``peaks`` holds when and how high each peaks and the three azimuths, (5, n), or nothing, (0, n), where nobody asked.
    """

    place: Index
    satellite: Index
    start_s: Floats
    end_s: Floats
    peaks: Floats

    def select(self, which: Index) -> _Passes:
        """Return the passes `which`, in that order."""
        return _Passes(
            self.place[which], self.satellite[which], self.start_s[which], self.end_s[which], self.peaks[:, which]
        )

    @classmethod
    def together(cls, parts: Sequence[_Passes]) -> _Passes:
        """Return the passes of several, behind each other."""
        return cls(*(np.concatenate(column, axis=-1) for column in zip(*parts, strict=True)))


class _Arcs(NamedTuple):
    """Arcs, and when they begin and how long they are, seconds, shape (n,) each."""

    table: ArcTable
    start_s: Floats
    length_s: Floats


class _PairsOfArcs(NamedTuple):
    """Pairs of arcs and places, sorted by satellite and time, shape (n,) each: numbers of the arc and of others.

    ``whose`` numbers satellites, and ``number`` segments of the grid.
    """

    arc: Index
    place: Index
    whose: Index
    number: Index

    def select(self, which: Index) -> _PairsOfArcs:
        """Return the pairs `which`, in that order."""
        return _PairsOfArcs(*(column[which] for column in self))


class _Together:
    """The search for all places, block of satellites by block."""

    def __init__(self, grid: NodeGrid, table: SkyTable, edges_alone: bool) -> None:
        self._grid, self._table, self._edges_alone = grid, table, edges_alone
        self._places = len(table.sine)
        self._found: list[_Passes] = []
        # Segments of satellites at places that want refined arcs, and those that places must look at by themselves.
        self._refine: list[_PairsOfArcs] = []
        self.alone: list[_PairsOfArcs] = []

    def add(self, pairs: Pairs) -> None:
        """Search the pairs of a block."""
        grid, every = self._grid, self._grid.segments_per_satellite
        key = pairs.satellite * every + pairs.number
        is_used = np.zeros(len(pairs.satellites) * every, dtype=bool)
        is_used[key] = True
        used = np.flatnonzero(is_used)
        good, middles_km = grid.about_middles(pairs.satellites[used // every], used % every)
        row = np.full(is_used.size, -1, dtype=np.intp)
        row[used[good]] = np.arange(middles_km.shape[2])
        start_s = np.asarray(used[good] % every * grid.segment_s, dtype=np.float64)
        arcs = _Arcs(ArcTable(middles_km), start_s, np.full(len(start_s), grid.segment_s))
        every_pair = _PairsOfArcs(row[key], pairs.place, pairs.satellite, pairs.number)
        usable = every_pair.select(np.flatnonzero(every_pair.arc >= 0))
        passes, again, _ = self._passes(arcs, usable, pairs.satellites, self._settled)
        self._file(passes, usable, again, pairs.satellites, self._refine)

    def finish(self) -> None:
        """Look closer where a pass or its edges could not be told, all places at once."""
        if not self._refine:
            return
        grid, every = self._grid, self._grid.segments_per_satellite
        wanted = _PairsOfArcs(*(np.concatenate(column) for column in zip(*self._refine, strict=True)))
        self._refine.clear()
        key = wanted.whose * every + wanted.number
        used, which = np.unique(key, return_inverse=True)
        whose, number = np.divmod(used, every)
        length_s = np.full(len(used), grid.segment_s)
        bare = Segments(whose, number, number * grid.segment_s, length_s, np.empty((6, 3, len(used))))
        refined = grid.refined(bare)
        arcs = _Arcs(ArcTable(refined.middles_km()), refined.start_s, refined.length_s)
        row = np.full(len(used), -1, dtype=np.intp)
        row[np.searchsorted(used, refined.satellite * every + refined.number)] = np.arange(len(refined))
        pair = np.flatnonzero(row[which] >= 0)
        pair = pair[np.argsort(key[pair], kind="stable")]
        pairs = wanted.select(pair)._replace(arc=row[which[pair]])
        everyone = np.arange(len(grid.propagator))
        passes, _, runs_on = self._passes(arcs, pairs, everyone, self._crept)
        self._file(passes, wanted, runs_on, everyone, self.alone)

    def found(self) -> list[PassIntervals]:
        """Return the intervals of every place, sorted by satellite and time, without those looked at alone."""
        if not self._found:
            nothing, none = np.empty(0, dtype=np.intp), np.empty(0)
            return [PassIntervals(nothing, none, none, none, none, np.empty((3, 0)))] * self._places
        passes = _Passes.together(self._found)
        self._found.clear()
        order = np.argsort(passes.place.astype(np.uint16), kind="stable")
        bounds = np.searchsorted(passes.place[order], np.arange(self._places + 1))
        results = []
        for first, last in pairwise(bounds.tolist()):
            here = order[first:last]
            satellite = passes.satellite[here]
            if np.any(satellite[1:] < satellite[:-1]):
                here = here[np.argsort(satellite, kind="stable")]
            _, satellite, start_s, end_s, peaks = passes.select(here)
            if not len(peaks):
                peaks = np.broadcast_to(0.0, (5, len(here)))
            results.append(PassIntervals(satellite, start_s, end_s, peaks[0], peaks[1], peaks[2:]))
        return results

    def _file(
        self,
        passes: _Passes,
        pairs: _PairsOfArcs,
        again: NDArray[np.bool_],
        satellites: Index,
        wanted: list[_PairsOfArcs],
    ) -> None:
        """File the passes of satellites that are done, and the pairs of those to look at `again`."""
        done = passes.select(np.flatnonzero(~again[passes.satellite, passes.place]))
        self._found.append(done._replace(satellite=satellites[done.satellite]))
        if again.any():
            left = pairs.select(np.flatnonzero(again[pairs.whose, pairs.place]))
            wanted.append(left._replace(whose=satellites[left.whose]))

    def _passes(
        self, arcs: _Arcs, pairs: _PairsOfArcs, satellites: Index, settle: Settle
    ) -> tuple[_Passes, NDArray[np.bool_], NDArray[np.bool_]]:
        """Return the passes of pairs, and which satellites at which places to look at again.

        Both masks have shape (satellites, places). The last tells of rough arcs, and of passes that run into an arc
        that was not thought to be in reach: refined arcs are no help there.
        """
        again, runs_on = np.zeros((2, len(satellites), self._places), dtype=bool)
        rough = np.flatnonzero(arcs.table.is_rough[pairs.arc])
        runs_on[pairs.whose[rough], pairs.place[rough]] = True
        pieces, (peak, sine), left_open = self._pieces(arcs, pairs)
        again[pairs.whose[left_open], pairs.place[left_open]] = True

        pair, arc = pieces.pair, pairs.arc[pieces.pair]
        place, whose = pairs.place[pair], pairs.whose[pair]
        length_s = arcs.length_s[arc]
        start_s, end_s = (arcs.start_s[arc] + (0.5 + end) * length_s for end in (pieces.left, pieces.right))
        goes_on = (place[1:] == place[:-1]) & (whose[1:] == whose[:-1]) & (start_s[1:] - end_s[:-1] <= _JOINED_S)
        some = np.full(min(len(pair), 1), True)
        opens, closes = np.flatnonzero(np.append(some, ~goes_on)), np.flatnonzero(np.append(~goes_on, some))
        passes = _Passes(place[opens], whose[opens], start_s[opens], end_s[closes], np.empty((0, len(opens))))
        beyond = (pieces.left[opens] <= -0.5) & (start_s[opens] > _JOINED_S)
        beyond |= (pieces.right[closes] >= 0.5) & (end_s[closes] < self._grid.duration_s - _JOINED_S)
        runs_on[whose[opens[beyond]], place[opens[beyond]]] = True
        rates = pieces.rate_left[opens] / length_s[opens], pieces.rate_right[closes] / length_s[closes]
        doubtful = settle(passes, satellites, rates)
        if not self._edges_alone:
            best = first_largest(sine, opens)
            # Where a pass is highest before it begins or after it ends, the span cuts it.
            cut = np.flatnonzero(sine[best] < 0.0)
            falls = pieces.top[opens[cut]] < pieces.left[opens[cut]]
            best[cut] = np.where(falls, opens[cut], closes[cut])
            peak[best[cut]] = np.where(falls, pieces.left[opens[cut]], pieces.right[closes[cut]])
            ends = (opens, pieces.left), (best, peak), (closes, pieces.right)
            positions_km = [arcs.table.position_km(arc[which], at[which]) for which, at in ends]
            sine[best[cut]] = self._table.elevation_sine(passes.place[cut], positions_km[1][:, cut])
            peak_s = arcs.start_s[arc[best]] + (0.5 + peak[best]) * length_s[best]
            azimuths_deg = (self._table.azimuth_deg(passes.place, position) for position in positions_km)
            passes = passes._replace(peaks=np.stack([peak_s, sine[best], *azimuths_deg]))
        again[passes.satellite[doubtful], passes.place[doubtful]] = True
        return passes, again | runs_on, runs_on

    def _pieces(self, arcs: _Arcs, pairs: _PairsOfArcs) -> tuple[Pieces, tuple[Floats, Floats], Index]:
        """Return the pieces of pairs above their masks by place, their peaks, and the pairs left open."""
        found, peaks, left_open = [], [], []
        cut = np.minimum((self._grid.duration_s - arcs.start_s) / arcs.length_s - 0.5, 0.5)
        cuts = bool(len(cut)) and cut.min() < 0.5
        for first in range(0, len(pairs.arc), _PAIRS):
            arc, place = pairs.arc[first : first + _PAIRS], pairs.place[first : first + _PAIRS]
            projected = ProjectedArcs.of(arcs.table, self._table, arc, place)
            pieces, open_ones = projected.pieces(cut[arc] if cuts else 0.5)
            found.append(pieces._replace(pair=pieces.pair + first))
            left_open.append(open_ones + first)
            if not self._edges_alone:
                peaks.append(projected.peaks(pieces))
        if not found:
            nothing, none = np.empty(0, dtype=np.intp), np.empty(0)
            return Pieces(nothing, none, none, none, none, none), (none, none), nothing
        columns = [np.concatenate(column) for column in zip(*found, strict=True)]
        # Pairs come by satellite and time; a stable sort by place keeps that order within each.
        order = np.argsort(pairs.place[columns[0]].astype(np.uint16), kind="stable")
        pieces = Pieces(*(column[order] for column in columns))
        at = sine = np.full(len(order), np.nan)
        if peaks:
            at, sine = (np.concatenate(column)[order] for column in zip(*peaks, strict=True))
        return pieces, (at, sine), np.concatenate(left_open)

    def _settled(self, passes: _Passes, satellites: Index, rates: tuple[Floats, Floats]) -> NDArray[np.bool_]:
        """Move slow edges, in place, to the root of SGP4's own path; say which passes have one that is too slow."""
        return self._moved(passes, satellites, rates, SLOW_KM_S, _SLOWEST_KM_S)

    def _crept(self, passes: _Passes, satellites: Index, rates: tuple[Floats, Floats]) -> NDArray[np.bool_]:
        """Move edges too slow for refined arcs, and those of short passes, to the root of SGP4's own path, in place."""
        return self._moved(passes, satellites, rates, CREEPING_KM_S, 0.0)

    def _moved(
        self, passes: _Passes, satellites: Index, rates: tuple[Floats, Floats], slow_km_s: float, slowest_km_s: float
    ) -> NDArray[np.bool_]:
        """Move edges slower than `slow_km_s`, and those of short passes; say which are slower than `slowest_km_s`."""
        is_short = passes.end_s - passes.start_s < SHORT_S
        too_slow = np.zeros(len(is_short), dtype=bool)
        for time_s, rate in zip((passes.start_s, passes.end_s), rates, strict=True):
            speed = np.abs(rate)
            too_slow |= speed < slowest_km_s
            edge = np.flatnonzero((speed >= slowest_km_s) & ((speed < slow_km_s) | is_short))
            for _ in range(2):
                if not len(edge):
                    break
                position_km = self._grid.positions_km(satellites[passes.satellite[edge]], time_s[edge]).T
                step_s = self._table.height_km(passes.place[edge], position_km) / rate[edge]
                near = np.abs(step_s) < _FARTHEST_S
                too_slow[edge[~near]] = True
                time_s[edge[near]] -= step_s[near]
                edge = edge[near & (np.abs(step_s) > _ONE_STEP_S)]
        return too_slow


Settle = Callable[[_Passes, Index, tuple[Floats, Floats]], NDArray[np.bool_]]


def intervals_at(
    grid: NodeGrid,
    coarse: CoarseOrbits,
    sites: Sequence[Site],
    floors_deg: Sequence[float],
    *,
    edges_alone: bool = False,
    progress: Callable[[float], None] | None = None,
) -> list[PassIntervals]:
    """Return what `intervals_of` does under flat masks, `floors_deg`, at each of `sites`, in their order.

    With `edges_alone` peaks and azimuths mean nothing. `coarse` must be of the same stretch of time as `grid`.
    `progress` is called with the share done.
    """
    search = _Together(grid, SkyTable(sites, floors_deg), edges_alone)
    reach = Reach(grid, coarse, sites, floors_deg)
    for done, pairs in enumerate(reach):
        search.add(pairs)
        if progress:
            progress((done + 1) / reach.block_count)
    search.finish()
    results = search.found()
    for number, (site, floor_deg) in enumerate(zip(sites, floors_deg, strict=True)):
        sine = float(np.sin(np.radians(floor_deg)))
        satellite, segment = grid.possibly_above(coarse.rest, site.position_km, site.east_north_up[2], sine)
        for pairs_alone in search.alone:
            here = pairs_alone.place == number
            satellite = np.append(satellite, pairs_alone.whose[here])
            segment = np.append(segment, pairs_alone.number[here])
        if len(satellite):
            order = np.argsort(satellite * grid.segments_per_satellite + segment, kind="stable")
            limit = HorizonFunction(Horizon.flat(floor_deg))
            others = intervals_in(grid, site, limit, satellite[order], segment[order])
            results[number] = joined_in_time(concatenated([results[number], others]))
    return results
