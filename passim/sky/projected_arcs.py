"""When arcs stand above a flat mask at places: arcs projected on the place's zenith, where each edge is one look away.

From a place at s, with the unit vector n to its zenith, a satellite at p stands u = n . (p - s) above its plane and
rho = |p - s| away, and so above the mask m where u > sin(m) rho. As a function of time that has two scales: n . p turns
with the orbit, while rho bends sharply as the satellite goes by. The second one can be got rid of. On the ellipsoid

    s = sigma n - e^2 N sin(phi) z,     sigma = N + h,

for the geodetic latitude phi, the height h, the radius of curvature N, the eccentricity e and the Earth's axis z. With

    w = |p|^2 + kappa z . p,            kappa = 2 e^2 N sin(phi),

the square of the distance is rho^2 = w + |s|^2 - 2 sigma n . p, so u > sin(m) rho is a quadratic inequality in n . p,
and as long as m >= 0 exactly that of

    F = n . p - n . s + a - sqrt(b + sin^2(m) w) > 0,
    a = sigma sin^2(m),                 b = a^2 + sin^2(m) (|s|^2 - 2 sigma n . s).

Here n . p is an arc of an orbit, w hardly changes, and F is a parabola but for a few parts in a thousand: its third
derivative is about the square of the orbit's rate times the first. So three things hold on an arc that spans theta
radians of its orbit (0.375 at most, see `segment_length_s`), in units of its length about its middle:

- F is concave where a place is within reach, so an arc is above the mask in one piece or not at all;
- the parabola about the middle errs by at most theta^2 (|F'| / 48 + |F''| / 384) on the whole arc: where its highest
  point is farther from zero than that, it decides whether there is a piece; elsewhere F is looked at beside its top;
- a step to the root of the parabola at y leaves an error of theta^2 step^3 / 6. With steps of at most `_LONGEST_STEP`
  that is below 2e-7 of an arc, or 0.06 ms of 300 s; most steps are a hundred times shorter, and a longer one is
  followed by another look.

|p|^2 along an arc is taken to the fifth power of the time from its middle, and the sixth by the lower ones nearest to
it. What is left out was at most 0.21 km^2 on all arcs tried (350 to 3,900 km, e to 0.0099), and where its leading term
is above `_ROUGHEST_KM2` the arc is *rough* and is left to the exact search. It moves F by at most 1 / (2 sigma) of
that, 4 cm at `_ROUGHEST_KM2`: sin^2(m) / 2 over sqrt(b + sin^2(m) w) is at most that. At 1.2 km/s 4 cm are 0.03 ms,
and slower edges are moved to the root of SGP4's own path by the caller.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from passim.constants import EARTH_FLATTENING, EARTH_RADIUS_KM
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# The square of the angle that the longest arcs span, and half as much again.
_DECIDED = 1.5 * 0.375**2
# A step longer than this share of an arc is followed by another look, and where it is then not shorter it is given up.
_LONGEST_STEP = 0.02
# Edges within this of the ends of an arc are looked at: the parabola may err by so much.
_SPARE = 0.05
# A step to the highest point longer than this is followed by another.
_LONGEST_PEAK_STEP = 0.004
# What may be left out of |p|^2 at the ends of an arc.
_ROUGHEST_KM2 = 0.5
# A top closer to the mask than this is left to the exact search, as there: some four times the error of an arc.
_NEAR_KM = 0.003
# The sine that stands for a mask of 0: up and range then differ from it by 3 mm.
_LEAST_SINE = 1e-9
# The rows of constants of places: the zenith before them, three rows.
_KAPPA, _SINE2, _B, _OFFSET, _A, _GROUND = range(3, 9)


class SkyTable:
    """What of the formulas belongs to places with a flat mask each, `floors_deg` from 0 to below 90."""

    def __init__(self, sites: Sequence[Site], floors_deg: Sequence[float]) -> None:
        self.position_km = np.array([site.position_km for site in sites])
        axes = np.array([site.east_north_up for site in sites])
        self.up = axes[:, 2]
        self.sine = np.maximum(np.sin(np.radians(np.asarray(floors_deg, dtype=np.float64))), _LEAST_SINE)
        latitude = np.radians([site.latitude_deg for site in sites])
        squared = EARTH_FLATTENING * (2.0 - EARTH_FLATTENING)
        normal_km = EARTH_RADIUS_KM / np.sqrt(1.0 - squared * np.sin(latitude) ** 2)
        sigma = normal_km + np.array([site.height_m for site in sites]) / 1000.0
        radius2 = np.einsum("ni,ni->n", self.position_km, self.position_km)
        ground = np.einsum("ni,ni->n", self.up, self.position_km)
        sine2 = self.sine**2
        a = sine2 * sigma
        b = a * a + sine2 * (radius2 - 2.0 * sigma * ground)
        kappa = 2.0 * squared * normal_km * np.sin(latitude)
        self._columns = np.stack([*self.up.T, kappa, sine2, b, ground - a, a, ground, sigma, radius2])
        self._level = axes[:, :2].reshape(-1, 6).T.copy()
        self._level_at_site = np.einsum("nki,ni->kn", axes[:, :2], self.position_km)

    def of(self, place: Index) -> Floats:
        """Return the constants of places, one row each."""
        return np.take(self._columns, place, axis=1)

    def height_km(self, place: Index, position_km: Floats) -> Floats:
        """Return how far Earth-fixed positions, shape (3, n), are above the masks of places, km at the satellite."""
        up_km, range_km = self._up_and_range_km(place, position_km)
        return up_km - self.sine[place] * range_km

    def elevation_sine(self, place: Index, position_km: Floats) -> Floats:
        """Return the sines of the elevations of Earth-fixed positions, shape (3, n), at places."""
        up_km, range_km = self._up_and_range_km(place, position_km)
        return up_km / range_km

    def _up_and_range_km(self, place: Index, position_km: Floats) -> tuple[Floats, Floats]:
        offset_km = position_km - self.position_km[place].T
        up_km = np.einsum("in,in->n", self.up[place].T, offset_km)
        return up_km, np.sqrt(np.einsum("in,in->n", offset_km, offset_km))

    def azimuth_deg(self, place: Index, position_km: Floats) -> Floats:
        """Return the azimuths, degrees in [0, 360), of Earth-fixed positions, shape (3, n), at places, shape (n,)."""
        level, offset = np.take(self._level, place, axis=1), np.take(self._level_at_site, place, axis=1)
        east, north = (
            level[k] * position_km[0] + level[k + 1] * position_km[1] + level[k + 2] * position_km[2] - offset[k // 3]
            for k in (0, 3)
        )
        return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0)


class ArcTable:
    """Arcs about their middles, `middles_km` of shape (6, 3, n): 24 rows, x, y, z and |p|^2 to the fifth power each."""

    def __init__(self, middles_km: Floats) -> None:
        d = middles_km
        self.rows = np.empty((24, d.shape[2]))
        self.rows[:18].reshape(3, 6, -1)[:] = d.transpose(1, 0, 2)

        def dot(i: int, j: int) -> Floats:
            return np.asarray(d[i, 0] * d[j, 0] + d[i, 1] * d[j, 1] + d[i, 2] * d[j, 2])

        self.rows[18] = dot(0, 0)
        self.rows[19] = 2.0 * dot(0, 1)
        self.rows[20] = dot(1, 1) + 2.0 * dot(0, 2)
        self.rows[21] = 2.0 * (dot(0, 3) + dot(1, 2))
        self.rows[22] = dot(2, 2) + 2.0 * (dot(0, 4) + dot(1, 3))
        self.rows[23] = 2.0 * (dot(0, 5) + dot(1, 4) + dot(2, 3))
        sixth = dot(3, 3) + 2.0 * (dot(1, 5) + dot(2, 4))
        # The sixth power by the lower ones that come nearest to it on the arc: T6(2 y) / 2048 is left.
        self.rows[18] += sixth / 2048.0
        self.rows[20] -= sixth * (72.0 / 2048.0)
        self.rows[22] += sixth * (768.0 / 2048.0)
        self.is_rough = np.abs(sixth) / 2048.0 > _ROUGHEST_KM2

    def position_km(self, arc: Index, at: Floats) -> Floats:
        """Return Earth-fixed positions, km, shape (3, n), at places of arcs, shape (n,) each."""
        rows = np.take(self.rows[:18], arc, axis=1).reshape(3, 6, -1)
        position = rows[:, 5] * at
        for power in (4, 3, 2, 1):
            position += rows[:, power]
            position *= at
        position += rows[:, 0]
        return np.asarray(position)


class Pieces(NamedTuple):
    """Pieces of arcs above the mask, shape (n,): which of the pairs asked about, and their ends on the arc.

    Ends are shares of the arc's length from its middle, from -1/2 to 1/2 or where the arcs were cut. Rates are those of
    the height above the mask, km at the satellite by the length of an arc, and NaN at an end that is no edge. ``top``
    is where F is about highest, on the arc or beside it.
    """

    pair: Index
    left: Floats
    right: Floats
    rate_left: Floats
    rate_right: Floats
    top: Floats


@dataclass(frozen=True)
class ProjectedArcs:
    """Pairs of arcs and places, some thousands at once: polynomials n . p and w about the middle, shape (6, n) each."""

    along: Floats
    square: Floats
    constants: Floats

    @classmethod
    def of(cls, arcs: ArcTable, table: SkyTable, arc: Index, place: Index) -> ProjectedArcs:
        """Project the arcs `arc` at the places `place`, each of shape (n,)."""
        rows, constants = np.take(arcs.rows, arc, axis=1), table.of(place)
        along = constants[0] * rows[:6]
        along += constants[1] * rows[6:12]
        along += constants[2] * rows[12:18]
        square = constants[_KAPPA] * rows[12:18]
        square += rows[18:]
        return cls(along, square, constants)

    def pieces(self, cut: Floats | float = 0.5) -> tuple[Pieces, Index]:
        """Return the pieces above the mask, and the pairs that were left open: too near the mask for an arc to tell.

        `cut` is where the arcs end at the latest, at most 1/2: one number, or one a pair.
        """
        about, height, rate, bend, highest = self._parabolas()
        open_ones = np.flatnonzero(np.abs(highest) < _NEAR_KM)
        chosen = np.flatnonzero(highest > 0.0)
        about, height, rate, bend = about[chosen], height[chosen], rate[chosen], bend[chosen]
        root = np.sqrt(np.maximum(rate * rate - 2.0 * height * bend, 0.0))
        ends = np.stack([about + (root - rate) / bend, about - (root + rate) / bend])
        rates = np.full_like(ends, np.nan)
        side, piece = np.nonzero(np.abs(ends) < 0.5 + _SPARE)
        pair = chosen[piece]
        place, speed, step = self._stepped(pair, ends[side, piece])
        far = np.flatnonzero(~(np.abs(step) < _LONGEST_STEP))
        if len(far):
            place[far], speed[far], step[far] = self._stepped(pair[far], place[far])
            open_ones = np.union1d(open_ones, pair[~(np.abs(step) < _LONGEST_STEP)])
        ends[side, piece], rates[side, piece] = place, speed
        last = cut if isinstance(cut, float) else cut[chosen]
        rates[(ends <= -0.5) | (ends >= last)] = np.nan
        left, right = np.maximum(ends[0], -0.5), np.minimum(ends[1], last)
        some = np.flatnonzero(left < right)
        top = (about - rate / bend)[some]
        return Pieces(chosen[some], left[some], right[some], rates[0, some], rates[1, some], top), open_ones

    def peaks(self, pieces: Pieces) -> tuple[Floats, Floats]:
        """Return where on the arc pieces stand highest, and the sine of the elevation there, shape (n,) each.

        The elevation is highest where u' (rho^2 + sigma u) = u w' / 2, within seconds of the top of F. Where a
        satellite stands higher on a neighbouring arc they are NaN and -1.
        """
        pair, left, right = pieces.pair, pieces.left, pieces.right
        place, sine = np.full_like(left, np.nan), np.full_like(left, -1.0)
        here = np.flatnonzero((pieces.top > left - _SPARE) & (pieces.top < right + _SPARE))
        pair, low, high = pair[here], left[here], right[here]
        at = np.clip(pieces.top[here], low, high)
        along, square, constants = self.along[:, pair], self.square[:, pair], self.constants[:, pair]
        at, step, highest = _highest(along, square, constants, at, low, high)
        far = np.flatnonzero(np.abs(step) > _LONGEST_PEAK_STEP)
        at[far], _, highest[far] = _highest(
            along[:, far], square[:, far], constants[:, far], at[far], low[far], high[far]
        )
        place[here], sine[here] = at, highest
        return place, sine

    def _parabolas(self) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Return for each pair a parabola that stands for F: about which place, its value, rate and bend there.

        The last array is the highest value of F on the arc: of one that is far from zero little more than its sign.
        """
        c = self.constants
        under = np.sqrt(c[_B] + c[_SINE2] * self.square[0])
        slope = 0.5 * c[_SINE2] / under
        turn = slope * self.square[1]
        height = self.along[0] - c[_OFFSET] - under
        rate = self.along[1] - turn
        bend = 2.0 * (self.along[2] - slope * self.square[2]) + turn * turn / under
        top = np.clip(-rate / bend, -0.5, 0.5)
        highest = height + top * (rate + 0.5 * bend * top)
        about = np.zeros_like(top)
        doubtful = np.abs(highest) < _DECIDED * (np.abs(rate) / 48.0 + np.abs(bend) / 384.0)
        # A parabola that is not concave stands for nothing: such arcs are far from the place, or rough.
        doubtful |= ~(bend < 0.0)
        which = np.flatnonzero(doubtful)
        at = np.where(bend[which] < 0.0, top[which], 0.0)
        value, speed, curve, _ = self._look(which, at)
        above = np.clip(at - speed / curve, -0.5, 0.5) - at
        about[which], height[which], rate[which], bend[which] = at, value, speed, curve
        highest[which] = np.where(curve < 0.0, value + above * (speed + 0.5 * curve * above), 0.0)
        return about, height, rate, bend, highest

    def _stepped(self, pair: Index, at: Floats) -> tuple[Floats, Floats, Floats]:
        """Step from places near an edge to the root of the parabola there: the root, the rate of the height, the step.

        Up to the factor sqrt(b + sin^2 w) / (sqrt(b + sin^2 w) - a) the height above the mask, u - sin(m) rho, moves as
        F does where both are zero.
        """
        value, speed, bend, under = self._look(pair, at)
        root = np.sqrt(np.maximum(speed * speed - 2.0 * value * bend, 0.0))
        step = -2.0 * value / (speed + np.copysign(root, speed))
        return at + step, (speed + bend * step) * (under / (under - self.constants[_A, pair])), step

    def _look(self, pair: Index, at: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return F, its two derivatives by the place on the arc, and sqrt(b + sin^2(m) w), of pairs at places."""
        sine2, b, offset = self.constants[_SINE2 : _OFFSET + 1, pair]
        u, u_rate, u_bend = _motion(self.along[:, pair], at)
        w, w_rate, w_bend = _motion(self.square[:, pair], at)
        under = np.sqrt(b + sine2 * w)
        slope = 0.5 * sine2 / under
        turn = slope * w_rate
        return u - offset - under, u_rate - turn, u_bend - slope * w_bend + turn * turn / under, under


def _highest(
    along: Floats, square: Floats, constants: Floats, at: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats, Floats]:
    """Step to where the elevation is highest between two ends: the place, the step, and the sine of the elevation."""
    ground, sigma, radius2 = constants[_GROUND:]
    u, u_rate, u_bend = _motion(along, at)
    w, w_rate, w_bend = _motion(square, at)
    range2 = w + radius2 - 2.0 * sigma * u
    u -= ground
    scale = range2 + sigma * u
    slope = u_rate * scale - 0.5 * u * w_rate
    turn = u_bend * scale + u_rate * (0.5 * w_rate - sigma * u_rate) - 0.5 * u * w_bend
    place = np.clip(at - slope / np.minimum(turn, -1e-9), low, high)
    step = place - at
    u += step * (u_rate + 0.5 * u_bend * step)
    range2 += step * (w_rate - 2.0 * sigma * u_rate + (0.5 * w_bend - sigma * u_bend) * step)
    return place, step, u / np.sqrt(range2)


def _motion(polynomial: Floats, at: Floats) -> tuple[Floats, Floats, Floats]:
    """Return polynomials of shape (6, n) and their first two derivatives at places, shape (n,) each."""
    first = polynomial[5] * at
    value = first + polynomial[4]
    rate = first + value
    value *= at
    value += polynomial[3]
    bend = first
    bend += rate
    rate *= at
    rate += value
    value *= at
    value += polynomial[2]
    for power in (1, 0):
        bend *= at
        bend += rate
        rate *= at
        rate += value
        value *= at
        value += polynomial[power]
    bend *= 2.0
    return value, rate, bend
