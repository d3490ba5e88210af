"""Smooth arcs between nodes: an orbit as short polynomials, made only where somebody looks.

Time is cut by nodes into segments, 300 s long as a rule. SGP4 runs at the two nodes of a segment, and a quintic through
both positions, velocities and accelerations (a Hermite arc) stands for the orbit between them: at 550 km within about
1 m. Each node is computed once and kept, so that every later site, mask or gateway is answered from the same arcs.
Times in this room are seconds since the start of the node grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import comb

import numpy as np
from numpy.typing import NDArray

from passim.constants import EARTH_RATE_RAD_S
from passim.orbits.frames import earth_angle_rad, earth_fixed, earth_fixed_acceleration, julian_date
from passim.orbits.propagation import Propagator, trouble, usable

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

SEGMENT_S = 300.0

# The error of a 300 s arc grows with the sixth power of the angle it spans. At 550 km (1.09e-3 rad/s) it is 0.2 m; an
# orbit that turns faster than this at perigee gets shorter segments.
_FASTEST_RATE_RAD_S = 1.25e-3

# SGP4's velocity is not exactly the rate of its position: the difference grows with eccentricity and bends an arc of
# 300 s by 0.8 m at e = 0.0001 and 57 m at e = 0.15 (measured). From this eccentricity on velocity and acceleration come
# from positions half a second to either side instead.
_DIFFERENCED_FROM = 0.0015
# So they do within 37 deg of the equator's plane, where the arc would bend by 3.8 m, and from 16 turns a day on, where
# it would by 1.5 m and more (measured).
_DIFFERENCED_COSINE = 0.8
_DIFFERENCED_RAD_S = 16.0 * 2.0 * np.pi / 86400.0
# SGP4 takes an orbit of 225 minutes or more for deep space (AIAA 2006-6753), where its velocity leaves out more.
_DEEP_SPACE_BELOW_RAD_S = 2.0 * np.pi / (225.0 * 60.0)
_DIFFERENCE_S = 0.5

# Where between its nodes a refined arc meets SGP4, in x: Chebyshev's places for six, drawn out so that the first and
# last are the nodes, rounded so that they are whole microseconds of every length of segment.
_PLACES = (0.134, 0.366, 0.634, 0.866)
# From offsets to the left node at those places and the right node to the coefficients from the first power on.
_THROUGH_PLACES = np.linalg.inv(np.array([*_PLACES, 1.0])[:, None] ** np.arange(1, 6))

_UNKNOWN, _UNUSABLE = -1, -2

# The arcs of so many observers are kept with the nodes.
_MOST_OBSERVERS = 2

# So many refined arcs are kept: 11 MB.
_MOST_REFINED = 60_000

# So many nodes in a row are run in one call at most: this bounds the memory where all are wanted.
_LONGEST_RUN = 8

# What turns position, scaled velocity and half the scaled acceleration at both ends of an arc into the coefficients of
# powers of x - 1/2: those of powers of x (as in `_quintics`), and Pascal's triangle with powers of a half.
_HERMITE = np.array(
    [
        [1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [0.0, 1.0, 0.0, 0.0, 0.0, 0.0],
        [0.0, 0.0, 1.0, 0.0, 0.0, 0.0],
        [-10.0, -6.0, -3.0, 10.0, -4.0, 1.0],
        [15.0, 8.0, 3.0, -15.0, 7.0, -2.0],
        [-6.0, -3.0, -1.0, 6.0, -3.0, 1.0],
    ]
)
_PASCAL = np.array([[comb(k, j) * 0.5 ** (k - j) if k >= j else 0.0 for k in range(6)] for j in range(6)])
_MIDDLES = _PASCAL @ _HERMITE

# Columns of a product worked on together.
_COLUMNS = 8_000

# How many segments and states are worked on together: they stay near the processor.
_MOST_SEGMENTS_AT_ONCE = 4_096
_MOST_STATES_AT_ONCE = 16_384


@dataclass(frozen=True)
class Segments:
    """Pieces of orbits: quintics in x from 0 to 1 over `length_s` seconds from `start_s`, shape (segments,).

    ``coefficients_km`` has shape (6, 3, segments): the power of x, then the Earth-fixed axis.
    ``satellite`` is the index in the propagator's fleet, ``number`` the place in the node grid.
    """

    satellite: Index
    number: Index
    start_s: Floats
    length_s: Floats
    coefficients_km: Floats

    def __len__(self) -> int:
        return len(self.satellite)

    def time_s(self, segment: Index, x: Floats) -> Floats:
        """Return the time of places `x` on segments `segment`, seconds since the start of the grid."""
        return np.asarray(self.start_s[segment] + x * self.length_s[segment])

    def middles_km(self) -> Floats:
        """Return the coefficients of powers of x - 1/2, shape (6, 3, segments)."""
        return _product(_PASCAL, self.coefficients_km.reshape(6, -1)).reshape(self.coefficients_km.shape)

    def select(self, segment: Index) -> Segments:
        """Return the segments `segment`, in that order."""
        return Segments(
            self.satellite[segment],
            self.number[segment],
            self.start_s[segment],
            self.length_s[segment],
            self.coefficients_km[:, :, segment],
        )

    def seen_from(self, origin_km: Floats, axes: Floats) -> Segments:
        """Return the same arcs in the axes of an observer.

        `axes` holds unit vectors as rows, shape (3, 3); `origin_km` is the observer's Earth-fixed place, shape (3,).
        """
        turned = np.empty_like(self.coefficients_km)
        # Piece by piece: BLAS would wake its other threads for the whole, and let them spin when it is done.
        for first in range(0, len(self), _MOST_SEGMENTS_AT_ONCE):
            here = slice(first, first + _MOST_SEGMENTS_AT_ONCE)
            np.matmul(axes, self.coefficients_km[:, :, here], out=turned[:, :, here])
        turned[0] -= (axes @ origin_km)[:, None]
        return replace(self, coefficients_km=turned)


class NodeGrid:
    """The nodes of a stretch of time for a fleet, filled on demand.

    `start_us` is the start in microseconds since 1970 UTC, `duration_s` the length. The grid overhangs the end by less
    than one segment.
    """

    def __init__(self, propagator: Propagator, start_us: int, duration_s: float, segment_s: float = SEGMENT_S) -> None:
        self.propagator = propagator
        self.start_us = start_us
        self.duration_s = duration_s
        self.segment_s = segment_s
        self.segments_per_satellite = max(1, int(np.ceil(duration_s / segment_s - 1e-9)))
        node_s = np.arange(self.segments_per_satellite + 1) * segment_s
        node_us = start_us + np.round(node_s * 1e6).astype(np.int64)
        self._julian_day, self._fraction = julian_date(node_us)
        self._angle_rad = earth_angle_rad(node_us)
        self._row = np.full((len(propagator), len(node_s)), _UNKNOWN, dtype=np.int32)
        self._state = np.empty((0, 9))
        self._filled = 0
        self._differenced = (
            (propagator.eccentricity >= _DIFFERENCED_FROM)
            | (np.abs(np.cos(np.radians(propagator.fleet.column("inclination_deg")))) > _DIFFERENCED_COSINE)
            | (propagator.mean_motion_rad_s > _DIFFERENCED_RAD_S)
            | (propagator.mean_motion_rad_s < _DEEP_SPACE_BELOW_RAD_S)
        )
        self.trouble: dict[int, tuple[float, str]] = {}
        self.retained: dict[bytes, tuple[Index, Segments]] = {}
        # Refined arcs that are kept, and in which row of them that of a segment stands.
        self._refined: list[Segments] = []
        self._refined_row = np.empty(0, dtype=np.int32)

    @property
    def size_bytes(self) -> int:
        """About how much memory the nodes take, and the arcs kept with them."""
        held = [*(segments for _, segments in self.retained.values()), *self._refined]
        arcs = (array for segments in held for array in vars(segments).values())
        nodes = self._state.nbytes + self._row.nbytes + self._refined_row.nbytes
        return int(nodes) + sum(int(array.nbytes) for array in arcs)

    def segments_seen(self, satellite: Index, number: Index, origin_km: Floats, axes: Floats) -> Segments:
        """Return `segments` in the axes of an observer, as `Segments.seen_from` does.

        Those of the last two observers are kept: several limits of one site look at the same arcs.
        """
        observer = origin_km.tobytes() + axes.tobytes()
        pairs = satellite * self.segments_per_satellite + number
        known = self.retained.pop(observer, None)
        if known is None or not np.array_equal(known[0], pairs):
            known = pairs, self.segments(satellite, number).seen_from(origin_km, axes)
        self.retained[observer] = known
        if len(self.retained) > _MOST_OBSERVERS:
            del self.retained[next(iter(self.retained))]
        return known[1]

    def segments(self, satellite: Index, number: Index) -> Segments:
        """Return the arcs of (satellite, number) pairs, each of shape (n,), leaving out those without a usable state.

        Satellites met with an unusable state are kept in `trouble` with its first time and what was wrong.
        """
        self._fill(satellite, number)
        left, right = self._row[satellite, number], self._row[satellite, number + 1]
        good = (left >= 0) & (right >= 0)
        if not good.all():
            satellite, number, left, right = satellite[good], number[good], left[good], right[good]
        coefficients_km = np.empty((6, 3, len(number)))
        for first in range(0, len(number), _MOST_SEGMENTS_AT_ONCE):
            here = slice(first, first + _MOST_SEGMENTS_AT_ONCE)
            _quintics(
                self._state[left[here]].T, self._state[right[here]].T, self.segment_s, coefficients_km[:, :, here]
            )
        start_s, length_s = number.astype(np.float64) * self.segment_s, np.full(len(number), self.segment_s)
        return Segments(satellite, number, start_s, length_s, coefficients_km)

    def about_middles(self, satellite: Index, number: Index) -> tuple[NDArray[np.bool_], Floats]:
        """Return the arcs of (satellite, number) pairs, each of shape (n,), as polynomials about their middles.

        They are those of `segments`: coefficients of powers of x - 1/2, km, shape (6, 3, usable pairs). The first array
        says which pairs have usable states, shape (n,). Pairs must be sorted by satellite and number.
        """
        self._fill(satellite, number)
        left, right = self._row[satellite, number], self._row[satellite, number + 1]
        good = np.asarray((left >= 0) & (right >= 0))
        both = np.empty((2, 9, int(np.count_nonzero(good))))
        both[0], both[1] = self._state[left[good]].T, self._state[right[good]].T
        return good, _middles(both, self.segment_s)

    def followed(self) -> Index:
        """Return the satellites that gave a usable state at one node at least, of those nodes where SGP4 has run."""
        return np.flatnonzero((self._row >= 0).any(axis=1))

    def refined(self, segments: Segments) -> Segments:
        """Return `segments` made anew, without those that have no usable state; in the same order.

        One quintic each goes through six of SGP4's own positions, the two nodes and `_PLACES` between, and takes
        nothing from its velocities. The product of the distances to those places is at most 0.0006, that of a Hermite
        arc 0.0156: of the same orbit's sixth derivative this leaves 26 times less, under 2 cm (measured).
        """
        left_km, right_km, with_ends = self._end_positions(segments)
        segments = segments.select(with_ends)
        places = np.array(_PLACES)
        time_s = segments.start_s[:, None] + places * segments.length_s[:, None]
        # Segments of the same stretch of time share their moments, so one call serves them all.
        order = np.lexsort((segments.length_s, segments.start_s))
        bounds = run_bounds(segments.start_s[order], segments.length_s[order])
        time_us = self.start_us + np.round(time_s[order[bounds[:-1]]] * 1e6).astype(np.int64)
        day, fraction = julian_date(time_us)
        position = np.empty((len(segments), len(places), 3))
        error = np.empty((len(segments), len(places)), dtype=np.uint8)
        for i, (begin, end) in enumerate(pairwise(bounds.tolist())):
            here = order[begin:end]
            position[here], _, error[here] = self.propagator.sweep(segments.satellite[here], day[i], fraction[i])
        angle_rad = np.empty((len(segments), len(places)))
        angle_rad[order] = np.repeat(earth_angle_rad(time_us), np.diff(bounds), axis=0)
        good = usable(position, error).all(axis=1)
        cosine, sine, position = np.cos(angle_rad[good]), np.sin(angle_rad[good]), position[good]
        offset = np.empty((5, 3, len(position)))
        offset[:4, 0] = (cosine * position[..., 0] + sine * position[..., 1]).T
        offset[:4, 1] = (cosine * position[..., 1] - sine * position[..., 0]).T
        offset[:4, 2] = position[..., 2].T
        offset[4], left_km = right_km[:, good], left_km[:, good]
        offset -= left_km
        coefficients_km = np.empty((6, 3, len(position)))
        coefficients_km[0] = left_km
        np.einsum("ki,ian->kan", _THROUGH_PLACES, offset, out=coefficients_km[1:])
        return replace(segments.select(np.flatnonzero(good)), coefficients_km=coefficients_km)

    def refined_once(self, satellite: Index, number: Index) -> tuple[Index, Segments]:
        """Return the refined arcs of (satellite, number) pairs, each of shape (n,), and to which pair each belongs.

        What is asked again is kept, for many limits that look closer at the same segments. Of at most `_MOST_REFINED`
        arcs the oldest are let go of together. Pairs without a usable state have none.
        """
        if not self._refined or len(self._refined[0]) > _MOST_REFINED:
            self._refined, self._refined_row = [], np.full(self._row.size, _UNKNOWN, dtype=np.int32)
        keys = satellite * self.segments_per_satellite + number
        new = np.unique(keys[self._refined_row[keys] == _UNKNOWN])
        if len(new) or not self._refined:
            whose, which = np.divmod(new, self.segments_per_satellite)
            length_s = np.full(len(new), self.segment_s)
            bare = Segments(whose, which, which * self.segment_s, length_s, np.empty((6, 3, len(new))))
            made, before = self.refined(bare), sum(len(kept) for kept in self._refined)
            self._refined_row[new] = _UNUSABLE
            first = made.satellite * self.segments_per_satellite + made.number
            self._refined_row[first] = before + np.arange(len(made))
            self._refined = [behind_each_other([*self._refined, made])]
        row = self._refined_row[keys]
        pair = np.flatnonzero(row >= 0)
        return pair, self._refined[0].select(row[pair])

    def _end_positions(self, segments: Segments) -> tuple[Floats, Floats, Index]:
        """Return the positions at both nodes of segments, (3, n) each, and which segments have them."""
        self._fill(segments.satellite, segments.number)
        left, right = (self._row[segments.satellite, segments.number + k] for k in (0, 1))
        good = np.flatnonzero((left >= 0) & (right >= 0))
        return self._state[left[good], 0:3].T, self._state[right[good], 0:3].T, good

    def possibly_above(self, satellite: Index, origin_km: Floats, axis: Floats, sine: float) -> tuple[Index, Index]:
        """Return the pairs of `satellite` whose arc can come above the cone of `axis` and `sine` seen from `origin_km`.

        Runs SGP4 at every node of these satellites. A segment is left out only where the satellite's speed does not
        allow it to reach the cone between two nodes.
        """
        every = self.segments_per_satellite
        satellites, numbers = [], []
        block = max(1, 200_000 // every)
        for first in range(0, len(satellite), block):
            chosen = satellite[first : first + block]
            owner = np.repeat(chosen, every)
            number = np.tile(np.arange(every), len(chosen))
            self._fill(owner, number)
            row = self._row[chosen]
            if not (row >= 0).any():
                continue
            state = self._state[np.maximum(row, 0)]
            offset = state[..., 0:3] - origin_km
            height_km = offset @ axis - sine * np.linalg.norm(offset, axis=-1)
            speed = 1.2 * np.linalg.norm(state[..., 3:6], axis=-1) + 0.1
            can_rise_km = speed * (0.5 * self.segment_s) * (1.0 + sine)
            # From either end the satellite has at most half the segment to come above.
            near = (height_km > -can_rise_km) & (row >= 0)
            either = (near[:, :-1] | near[:, 1:]) & (row[:, :-1] >= 0) & (row[:, 1:] >= 0)
            index, segment = np.nonzero(either)
            satellites.append(chosen[index])
            numbers.append(segment)
        if not satellites:
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
        return np.concatenate(satellites), np.concatenate(numbers)

    def positions_km(self, satellite: Index, time_s: Floats) -> Floats:
        """Return SGP4's own Earth-fixed positions, shape (n, 3), of satellites at times, each of shape (n,)."""
        time_us = self.start_us + np.floor(time_s * 1e6).astype(np.int64)
        # The rest below a microsecond goes into the fraction of the day.
        rest_s = time_s - (time_us - self.start_us) / 1e6
        day, fraction = julian_date(time_us)
        fraction = fraction + rest_s / 86400.0
        order = np.argsort(satellite, kind="stable")
        bounds = run_bounds(satellite[order])
        if 3 * len(bounds) < len(order):
            # One call for all moments of a satellite, which pays from a few on.
            position = np.empty((len(order), 3))
            for first, last in pairwise(bounds.tolist()):
                here = order[first:last]
                position[here] = self.propagator.at(int(satellite[here[0]]), day[here], fraction[here])[1]
        else:
            models = self.propagator.models
            pairs = zip(satellite.tolist(), day.tolist(), fraction.tolist(), strict=True)
            position = np.array([models[index].sgp4(d, f)[1] for index, d, f in pairs]).reshape(-1, 3)
        angle = earth_angle_rad(time_us) + rest_s * EARTH_RATE_RAD_S
        return earth_fixed(position, np.zeros_like(position), angle)[0]

    def _fill(self, satellite: Index, number: Index) -> None:
        """Run SGP4 at the nodes of the given segments where it has not run yet."""
        if not len(satellite):
            return
        # Some satellites next to each other are asked for, or all.
        first, nodes = int(satellite.min()), self._row.shape[1]
        rows = self._row[first : int(satellite.max()) + 1].reshape(-1)
        left = (satellite - first) * nodes + number
        wanted = np.zeros(rows.size, dtype=bool)
        wanted[left] = True
        wanted[left + 1] = True
        wanted &= rows == _UNKNOWN
        owner, node = np.divmod(np.flatnonzero(wanted), nodes)
        owner += first
        differenced = self._differenced[owner]
        for kind in (False, True):
            chosen = np.flatnonzero(differenced == kind)
            if len(chosen):
                self._run(owner[chosen], node[chosen], kind)

    def _run(self, owner: Index, node: Index, differenced: bool) -> None:
        """Run SGP4 at (owner, node) pairs, each once and in order, and file the states."""
        # One call serves all satellites that are wanted at the same run of nodes, or all nodes of one satellite: the
        # fewer calls win.
        goes_on = (np.diff(owner) == 0) & (np.diff(node) == 1) & (node[1:] % _LONGEST_RUN != 0)
        opens = np.flatnonzero(np.r_[True, ~goes_on])
        length = np.diff(opens, append=len(owner))
        order = np.lexsort((length, node[opens]))
        alike = run_bounds(node[opens][order], length[order])
        by_runs = len(alike) - 1 < np.count_nonzero(np.bincount(owner))
        if by_runs:
            opens, length = opens[order], length[order]
            ends = np.cumsum(length)
            place = np.repeat(opens - (ends - length), length) + np.arange(len(owner))
            owner, node, bounds, nodes = owner[place], node[place], np.append(0, ends)[alike], length[alike[:-1]]
        else:
            bounds = run_bounds(owner)
            nodes = np.diff(bounds)
        per_node = 3 if differenced else 1
        # Calls are filed together, as many as keep the arrays small.
        first_call, calls = 0, len(bounds) - 1
        while first_call < calls:
            full = int(np.searchsorted(bounds, bounds[first_call] + _MOST_STATES_AT_ONCE, side="right")) - 1
            last_call = max(full, first_call + 1)
            first, last = int(bounds[first_call]), int(bounds[last_call])
            position, velocity = np.empty((2, last - first, per_node, 3))
            error = np.empty((last - first, per_node), dtype=np.uint8)
            calls_here = zip(
                bounds[first_call:last_call].tolist(),
                bounds[first_call + 1 : last_call + 1].tolist(),
                nodes[first_call:last_call].tolist(),
                strict=True,
            )
            for begin, end, run in calls_here:
                # Either way the states come in the order of the pairs.
                whose, when = owner[begin:end:run], node[begin : begin + run]
                day, fraction = self._julian_day[when], self._fraction[when]
                if differenced:
                    day, fraction = (a.reshape(-1) for a in _around(day, fraction))
                positions, velocities, errors = self.propagator.sweep(whose, day, fraction)
                here = slice(begin - first, end - first)
                position[here] = positions.reshape(-1, per_node, 3)
                velocity[here] = velocities.reshape(-1, per_node, 3)
                error[here] = errors.reshape(-1, per_node)
            self._file(owner[first:last], node[first:last], position, velocity, error)
            first_call = last_call

    def _file(self, owner: Index, node: Index, position: Floats, velocity: Floats, error: NDArray[np.uint8]) -> None:
        """File states computed for (owner, node) pairs, and remember what is wrong with the bad ones.

        Positions and velocities have shape (pairs, moments, 3), errors (pairs, moments); three moments a node stand for
        the node and half a second to either side.
        """
        per_node = position.shape[1]
        good = usable(position, error).all(axis=1)
        for bad in np.flatnonzero(~good):
            index, time_s = int(owner[bad]), float(node[bad] * self.segment_s)
            if index not in self.trouble or time_s < self.trouble[index][0]:
                self.trouble[index] = (time_s, trouble(position[bad, per_node // 2], int(error[bad].max())))
        if not good.all():
            self._row[owner[~good], node[~good]] = _UNUSABLE
            owner, node, position, velocity = owner[good], node[good], position[good], velocity[good]
        angle_rad = self._angle_rad[node]
        if per_node == 3:
            new = _states_by_difference(position, angle_rad)
        else:
            new = _states(position[:, 0], velocity[:, 0], angle_rad)
        first, last = self._filled, self._filled + len(new)
        if last > len(self._state):
            # Room to grow, but never for more than every node once.
            room = min(max(last, first + first // 2), self._row.size)
            grown = np.empty((room, 9))
            grown[:first] = self._state[:first]
            self._state = grown
        self._state[first:last] = new
        self._row[owner, node] = np.arange(first, last, dtype=np.int32)
        self._filled = last


def _middles(ends: Floats, length_s: float) -> Floats:
    """Return the arcs of `_quintics` about their middles, shape (6, 3, n), of states at both ends, shape (2, 9, n)."""
    scaled = ends.reshape(2, 3, 3, -1) * np.array([1.0, length_s, 0.5 * length_s**2])[:, None, None]
    return _product(_MIDDLES, scaled.reshape(6, -1)).reshape(6, 3, -1)


def _product(matrix: Floats, columns: Floats) -> Floats:
    """Return the product of a small matrix and one of many columns; by pieces, which keeps it on one processor."""
    out = np.empty((len(matrix), columns.shape[1]))
    for first in range(0, columns.shape[1], _COLUMNS):
        here = slice(first, first + _COLUMNS)
        np.matmul(matrix, columns[:, here], out=out[:, here])
    return out


def behind_each_other(parts: Sequence[Segments]) -> Segments:
    """Return the segments of several in one."""
    return Segments(
        np.concatenate([part.satellite for part in parts]),
        np.concatenate([part.number for part in parts]),
        np.concatenate([part.start_s for part in parts]),
        np.concatenate([part.length_s for part in parts]),
        np.concatenate([part.coefficients_km for part in parts], axis=2),
    )


def run_bounds(*keys: NDArray[np.generic]) -> Index:
    """Return where runs of equal entries begin in sorted `keys`, each of shape (n,), and n at the end."""
    change = np.ones(len(keys[0]), dtype=bool)
    change[1:] = np.any([key[1:] != key[:-1] for key in keys], axis=0)
    return np.append(np.flatnonzero(change), len(change))


def segment_length_s(propagator: Propagator) -> Floats:
    """Return how long a segment of each satellite may be, seconds, shape (satellites,)."""
    eccentricity = propagator.eccentricity
    # The angular rate at perigee, n (1 + e)^2 / (1 - e^2)^(3/2), by Kepler's second law.
    rate = propagator.mean_motion_rad_s * (1.0 + eccentricity) ** 2 / (1.0 - eccentricity**2) ** 1.5
    # Eccentric motion has overtones, whose sixth derivatives count for more: tried up to e = 0.7, this keeps arcs
    # within a metre.
    rate *= (1.0 + eccentricity) ** 2
    halvings = np.ceil(np.log2(np.maximum(rate / _FASTEST_RATE_RAD_S, 1.0)))
    return np.asarray(SEGMENT_S / 2.0 ** np.minimum(halvings, 5.0))


def _states(position: Floats, velocity: Floats, angle_rad: Floats) -> Floats:
    """Return Earth-fixed position, velocity and acceleration, shape (n, 9), of TEME states of shape (n, 3)."""
    state = np.empty((len(position), 9))
    fixed_position, fixed_velocity = earth_fixed(position, velocity, angle_rad)
    state[:, 0:3], state[:, 3:6] = fixed_position, fixed_velocity
    state[:, 6:9] = earth_fixed_acceleration(fixed_position, fixed_velocity)
    return state


def _around(
    julian_day: NDArray[np.float64], fraction: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the moments just before, at and just after each given one, shape (..., 3)."""
    offsets = np.array([-_DIFFERENCE_S, 0.0, _DIFFERENCE_S]) / 86400.0
    return np.repeat(julian_day[..., None], 3, axis=-1), fraction[..., None] + offsets


def _states_by_difference(position: Floats, angle_rad: Floats) -> Floats:
    """Return Earth-fixed states, shape (..., 9), of TEME positions just before, at and just after, (..., 3, 3)."""
    turn = EARTH_RATE_RAD_S * np.array([-_DIFFERENCE_S, 0.0, _DIFFERENCE_S])
    cosine, sine = np.cos(angle_rad[..., None] + turn), np.sin(angle_rad[..., None] + turn)
    fixed = np.empty_like(position)
    fixed[..., 0] = cosine * position[..., 0] + sine * position[..., 1]
    fixed[..., 1] = cosine * position[..., 1] - sine * position[..., 0]
    fixed[..., 2] = position[..., 2]
    before, middle, after = fixed[..., 0, :], fixed[..., 1, :], fixed[..., 2, :]
    state = np.empty((*middle.shape[:-1], 9))
    state[..., 0:3] = middle
    state[..., 3:6] = (after - before) / (2.0 * _DIFFERENCE_S)
    state[..., 6:9] = (after - 2.0 * middle + before) / _DIFFERENCE_S**2
    return state


def _quintics(left: Floats, right: Floats, length_s: float, out: Floats) -> None:
    """Put the quintic Hermite coefficients, shape (6, 3, n), through states of shape (9, n) at both ends into `out`."""
    half_s2 = 0.5 * length_s**2
    p0, v0, a0 = out[0], out[1], out[2]
    p0[:] = left[0:3]
    np.multiply(left[3:6], length_s, out=v0)
    np.multiply(left[6:9], half_s2, out=a0)
    # What the parabola from the left end misses at the right end, in place, velocity and acceleration.
    v1, a1 = right[3:6] * length_s, right[6:9] * half_s2
    gap = right[0:3] - p0
    gap -= v0
    gap -= a0
    v1 -= v0
    v1 -= 2.0 * a0
    a1 -= a0
    out[3] = 10.0 * gap - 4.0 * v1 + a1
    out[4] = -15.0 * gap + 7.0 * v1 - 2.0 * a1
    out[5] = 6.0 * gap - 3.0 * v1 + a1
