"""The stretches of arcs that stand above a horizon profile.

Below the lowest point of the skyline nothing is seen and above the highest everything; only between the two does the
azimuth matter. There an arc is cut where it passes the azimuths of the profile's points, so that within each piece the
skyline is one straight line and the angle above it is a smooth function: a tree that splits a pass cannot be missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from passim.search import CurveFunction, Stretches, crossings, positive_stretches, turning_points
from passim.sky.horizon import Horizon
from passim.sky.local_arcs import ZENITH, Cap, LocalArcs

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Pieces between the lowest and highest skyline are sampled at most this far apart, in x of a segment and in azimuth.
_LONGEST_PIECE = 0.1
_WIDEST_PIECE_DEG = 20.0
# A piece that clears the skyline, or stays below it, by less than this is looked at: 90 m at 500 km.
_SPARE_DEG = 0.01
# Stretches looked at together: their pieces stay near the processor.
_MOST_AT_ONCE = 4_000


@dataclass(frozen=True, slots=True)
class HorizonFunction:
    """The limit that a horizon profile sets to the sky of a site."""

    horizon: Horizon

    @property
    def floor_deg(self) -> float:
        """The lowest point of the skyline, degrees."""
        return self.horizon.lowest_deg

    def cap(self) -> Cap | None:
        """Return a flat skyline as a cap of the sky about the zenith, and None for any other."""
        return Cap(ZENITH, float(np.sin(np.radians(self.horizon.lowest_deg)))) if self.horizon.is_flat else None

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        """Return where the arcs stand above the skyline within (segment, left, right), sorted by segment and place."""
        lowest = float(np.sin(np.radians(self.horizon.lowest_deg)))
        above_lowest = positive_stretches(arcs.above_cap(ZENITH, lowest), segment, left, right, margin=margin_km)
        if self.horizon.is_flat or not len(above_lowest.curve):
            return above_lowest
        return _above_profile(arcs, self.horizon, above_lowest, margin_km)

    def height_km(self, position_km: Floats) -> Floats:
        """Return how far positions (east, north, up), shape (3, n), stand above the skyline, km at the satellite."""
        east, north, up = position_km
        if self.horizon.is_flat:
            return np.asarray(up - np.sin(np.radians(self.horizon.lowest_deg)) * np.sqrt(east**2 + north**2 + up**2))
        azimuth = np.degrees(np.arctan2(east, north)) % 360.0
        mask, ground = np.radians(self.horizon.elevation_deg(azimuth)), np.hypot(east, north)
        height = up * np.cos(mask) - ground * np.sin(mask)
        return np.asarray(height / _magnification(position_km, mask, _sectors(self.horizon, azimuth)[3]))


def _above_profile(arcs: LocalArcs, horizon: Horizon, found: Stretches, margin_km: float) -> Stretches:
    """Narrow the stretches above the lowest skyline to those above the profile itself."""
    parts = [
        _above_profile_of(
            arcs, horizon, found, np.arange(first, min(first + _MOST_AT_ONCE, len(found.curve))), margin_km
        )
        for first in range(0, len(found.curve), _MOST_AT_ONCE)
    ]
    together = _Pieces._make(np.concatenate(column) for column in zip(*parts, strict=True))
    near = np.unique(np.concatenate([found.near_miss, together.near_miss]))
    return _joined(together._replace(near_miss=near), found, horizon)


class _Pieces(NamedTuple):
    """Pieces of stretches that stand above the skyline, by stretch and place; as in `Stretches` otherwise."""

    stretch: Index
    left: Floats
    right: Floats
    rate_left: Floats
    rate_right: Floats
    near_miss: Index


def _above_profile_of(arcs: LocalArcs, horizon: Horizon, found: Stretches, chosen: Index, margin_km: float) -> _Pieces:
    """Return the pieces of the stretches `chosen` that stand above the profile.

    Most pieces stand above all of the skyline that they pass, or below all of it; only the others are looked at for
    edges.
    """
    stretch, a, b = _even_pieces(found.left[chosen], found.right[chosen])
    stretch = chosen[stretch]
    told = _told_by_their_ends(arcs, horizon, found.curve[stretch], a, b)
    narrow, wide = np.flatnonzero(told.is_open & told.is_narrow), np.flatnonzero(told.is_open & ~told.is_narrow)
    piece, left, right = _made_narrow(arcs, found.curve[stretch[wide]], a[wide], b[wide])
    whose = np.concatenate([stretch[narrow], stretch[wide[piece]]])
    start, end = (arcs.azimuth_deg(found.curve[stretch[wide[piece]]], x) for x in (left, right))
    piece, left, right = _cut_at_points(
        arcs,
        horizon,
        found.curve[whose],
        np.concatenate([told.azimuth_deg[narrow], start]),
        np.concatenate([told.turn_deg[narrow], _turn_deg(start, end)]),
        np.concatenate([a[narrow], left]),
        np.concatenate([b[narrow], right]),
    )
    whose = whose[piece]
    segment = found.curve[whose]
    # Within a piece the skyline is the straight line of one sector, told by the azimuth at its middle.
    azimuth = arcs.azimuth_deg(segment, 0.5 * (left + right))
    curve = _sector_curve(arcs, horizon, segment, azimuth)
    stretches = positive_stretches(curve, np.arange(len(segment)), left, right, margin=margin_km)
    # Beside a wall the height changes fast though the satellite may hardly move across its edge. What an arc's error
    # does to the time depends on the speed at right angles to the skyline, so that is the rate given to an edge.
    slope = _sectors(horizon, azimuth)[3][stretches.curve]
    rates = []
    for x, rate in ((stretches.left, stretches.rate_left), (stretches.right, stretches.rate_right)):
        position = arcs.position_km(segment[stretches.curve], x)
        # At an edge the mask is the elevation; elsewhere there is no rate to scale.
        mask = np.arctan2(position[2], np.hypot(position[0], position[1]))
        rates.append(rate / _magnification(position, mask, slope))
    whole = np.flatnonzero(told.is_above)
    none = np.full(len(whole), np.nan)
    columns = (
        (stretch[whole], whose[stretches.curve]),
        (a[whole], stretches.left),
        (b[whole], stretches.right),
        (none, rates[0]),
        (none, rates[1]),
    )
    order = np.lexsort((np.concatenate(columns[1]), np.concatenate(columns[0])))
    return _Pieces._make([*(np.concatenate(column)[order] for column in columns), segment[stretches.near_miss]])


def _even_pieces(left: Floats, right: Floats) -> tuple[Index, Floats, Floats]:
    """Cut stretches into even pieces of at most `_LONGEST_PIECE`: which stretch, and the two ends of each."""
    count = np.maximum(np.ceil((right - left) / _LONGEST_PIECE).astype(np.intp), 1)
    stretch = np.repeat(np.arange(len(count)), count)
    place = np.arange(len(stretch)) - np.repeat(np.cumsum(count) - count, count)
    width = (right - left)[stretch] / count[stretch]
    a, b = left[stretch] + place * width, right[stretch]
    inner = np.flatnonzero(place[1:])
    b[inner] = a[inner + 1]
    return stretch, a, b


class _Told(NamedTuple):
    """What the ends of pieces tell: which stand above all of the skyline that they pass, and which are left open.

    In those that are narrow the azimuth runs one way, by `turn_deg` from `azimuth_deg`.
    """

    is_above: NDArray[np.bool_]
    is_open: NDArray[np.bool_]
    is_narrow: NDArray[np.bool_]
    azimuth_deg: Floats
    turn_deg: Floats


def _told_by_their_ends(arcs: LocalArcs, horizon: Horizon, segment: Index, a: Floats, b: Floats) -> _Told:
    """Return what the ends of pieces tell.

    Pieces are in order, and neighbours share an end. Where the azimuth runs one way, all of the skyline lies between
    those of the ends; where the elevation does too, or falls towards both, no place in between is lower than the lower
    end, nor, where it runs one way, higher than the higher one.
    """
    goes_on = (segment[1:] == segment[:-1]) & (a[1:] == b[:-1])
    closes = np.flatnonzero(np.append(~goes_on, True))
    # Every start, and behind the last of a run its end.
    place = np.arange(len(a)) + np.append(0, np.cumsum(~goes_on))
    at, whose = np.empty(len(a) + len(closes)), np.empty(len(a) + len(closes), dtype=np.intp)
    at[place], whose[place] = a, segment
    at[place[closes] + 1], whose[place[closes] + 1] = b[closes], segment[closes]
    position, rate = arcs.motion(whose, at)
    ground2 = np.maximum(position[0] ** 2 + position[1] ** 2, 1e-12)
    ground = np.sqrt(ground2)
    azimuth = np.degrees(np.arctan2(position[0], position[1])) % 360.0
    elevation = np.degrees(np.arctan2(position[2], ground))
    turning = rate[0] * position[1] - position[0] * rate[1]
    rising = rate[2] * ground2 > position[2] * (position[0] * rate[0] + position[1] * rate[1])
    skyline = horizon.elevation_deg(azimuth)

    turn = _turn_deg(azimuth[place], azimuth[place + 1])
    dips = ~rising[place] & rising[place + 1]
    one_way_round = (turning[place] * turning[place + 1] > 0.0) & (turn * turning[place] > 0.0)
    simple = one_way_round & ~dips & (np.abs(turn) <= 90.0)
    lowest, highest = (pick(skyline[place], skyline[place + 1]) for pick in (np.minimum, np.maximum))
    # Points of the profile between the ends, one after the other.
    points, heights = (np.array(column) for column in (horizon.azimuths_deg, horizon.elevations_deg))
    points, heights = np.concatenate([points - 360.0, points, points + 360.0]), np.tile(heights, 3)
    low = np.minimum(azimuth[place], azimuth[place] + turn)
    first, past = np.searchsorted(points, low, side="left"), np.searchsorted(points, low + np.abs(turn), side="right")
    nth, left = 0, np.flatnonzero(simple & (past > first))
    while len(left):
        height = heights[first[left] + nth]
        lowest[left], highest[left] = np.minimum(lowest[left], height), np.maximum(highest[left], height)
        nth += 1
        left = left[past[left] > first[left] + nth]
    bottom, top = (pick(elevation[place], elevation[place + 1]) for pick in (np.minimum, np.maximum))
    one_way = rising[place] == rising[place + 1]
    is_above = simple & (bottom > highest + _SPARE_DEG)
    is_above |= ~dips & (bottom > horizon.highest_deg + _SPARE_DEG)
    is_below = simple & one_way & (top < lowest - _SPARE_DEG)
    is_narrow = one_way_round & (np.abs(turn) <= _WIDEST_PIECE_DEG)
    return _Told(is_above, ~(is_above | is_below), is_narrow, azimuth[place], turn)


def _magnification(position_km: Floats, mask_rad: Floats, slope: Floats) -> Floats:
    """Return by how much the height over a skyline of `slope` changes for a km across it, shape (n,): 1 where level."""
    east, north, up = position_km
    ground = np.maximum(np.hypot(east, north), 1e-6)
    return np.asarray(np.hypot(1.0, (up * np.sin(mask_rad) + ground * np.cos(mask_rad)) / ground * slope))


def _made_narrow(arcs: LocalArcs, segment_of: Index, left: Floats, right: Floats) -> tuple[Index, Floats, Floats]:
    """Cut pieces of segments until the azimuth runs one way, and not far: which piece, and the two ends of each."""
    piece, a, b = np.arange(len(left)), left, right
    # Finer where the azimuth runs fast, as it does close to the zenith.
    # Only the halves of a piece that was too wide are looked at again.
    narrow, halved = [], False
    for _ in range(30):
        turn = _turn_deg(arcs.azimuth_deg(segment_of[piece], a), arcs.azimuth_deg(segment_of[piece], b))
        wide = (np.abs(turn) > _WIDEST_PIECE_DEG) & (b - a > 1e-9)
        if not wide.any():
            break
        halved = True
        narrow.append((piece[~wide], a[~wide], b[~wide]))
        piece, a, b = piece[wide], a[wide], b[wide]
        middle = 0.5 * (a + b)
        piece, a, b = np.tile(piece, 2), np.concatenate([a, middle]), np.concatenate([middle, b])
    if halved:
        pieces = zip(*narrow, (piece, a, b), strict=True)
        piece, a, b = _sorted_pieces(*(np.concatenate(column) for column in pieces))

    # Where the azimuth turns back inside a piece, the piece is cut at the turning point.
    segment = segment_of[piece]
    turning_curve = _azimuth_curve(arcs, segment, arcs.azimuth_deg(segment, 0.5 * (a + b)))
    number = np.arange(len(segment))
    _, rate_a = turning_curve(number, a)
    _, rate_b = turning_curve(number, b)
    back = np.flatnonzero((rate_a > 0.0) != (rate_b > 0.0))
    if len(back):
        middle, _ = turning_points(turning_curve, number[back], a[back], b[back], tolerance=1e-9)
        end = b.copy()
        end[back] = middle
        piece, a, b = _sorted_pieces(
            np.concatenate([piece, piece[back]]), np.concatenate([a, middle]), np.concatenate([end, b[back]])
        )
    return piece, a, b


def _cut_at_points(
    arcs: LocalArcs, horizon: Horizon, segment: Index, start: Floats, turn: Floats, a: Floats, b: Floats
) -> tuple[Index, Floats, Floats]:
    """Cut pieces, whose azimuth runs by `turn` from `start`, so that no profile point lies inside.

    Returns which piece each comes from, and its two ends. A point whose azimuth lies between the ends is passed once.
    """
    piece = np.arange(len(a))
    low, high = np.minimum(start, start + turn), np.maximum(start, start + turn)
    points = np.concatenate([np.array(horizon.azimuths_deg) + 360.0 * k for k in (-1, 0, 1)])
    first, last = np.searchsorted(points, low, side="right"), np.searchsorted(points, high, side="left")
    passed = np.maximum(last - first, 0)
    owner = np.repeat(np.arange(len(piece)), passed)
    if not len(owner):
        return piece, a, b
    which = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(passed) - passed, passed)
    cut, _ = crossings(_azimuth_curve(arcs, segment[owner], points[which]), np.arange(len(owner)), a[owner], b[owner])
    order = np.lexsort((cut, owner))
    owner, cut = owner[order], cut[order]
    return _sorted_pieces(
        np.concatenate([piece, piece[owner]]),
        np.concatenate([a, cut]),
        _next_cut(owner, cut, b),
    )


def _next_cut(owner: Index, cut: Floats, b: Floats) -> Floats:
    """Return the right ends once each piece `owner` is cut at `cut` (both in order): those of the old, then the new."""
    end = b.copy()
    first_of_owner = np.r_[True, owner[1:] != owner[:-1]]
    end[owner[first_of_owner]] = cut[first_of_owner]
    following = np.r_[cut[1:], np.nan]
    last_of_owner = np.r_[first_of_owner[1:], True]
    return np.concatenate([end, np.where(last_of_owner, b[owner], following)])


def _sorted_pieces(piece: Index, a: Floats, b: Floats) -> tuple[Index, Floats, Floats]:
    order = np.lexsort((a, piece))
    return piece[order], a[order], b[order]


def _turn_deg(start: Floats, end: Floats) -> Floats:
    """Return the shorter way from one azimuth to another, degrees in [-180, 180)."""
    return np.asarray((end - start + 180.0) % 360.0 - 180.0)


def _azimuth_curve(arcs: LocalArcs, segment_of: Index, azimuth_deg: Floats) -> CurveFunction:
    """Return the curve of the azimuth past `azimuth_deg` of piece `number`, degrees by x; `segment_of` maps pieces."""

    def curve(number: Index, x: Floats) -> tuple[Floats, Floats]:
        position, rate = arcs.motion(segment_of[number], x)
        ground2 = np.maximum(position[0] ** 2 + position[1] ** 2, 1e-12)
        azimuth = np.degrees(np.arctan2(position[0], position[1]))
        turning = np.degrees((rate[0] * position[1] - position[0] * rate[1]) / ground2)
        return _turn_deg(azimuth_deg[number], azimuth), turning

    return curve


def _sector_curve(arcs: LocalArcs, horizon: Horizon, segment_of: Index, azimuth_deg: Floats) -> CurveFunction:
    """Return the height above the skyline's straight line in the sector that holds `azimuth_deg` of each piece, km."""
    start, width, base, slope = _sectors(horizon, azimuth_deg)
    middle = start + 0.5 * width

    def curve(number: Index, x: Floats) -> tuple[Floats, Floats]:
        position, rate = arcs.motion(segment_of[number], x)
        ground = np.maximum(np.hypot(position[0], position[1]), 1e-6)
        ground_rate = (position[0] * rate[0] + position[1] * rate[1]) / ground
        azimuth = np.degrees(np.arctan2(position[0], position[1]))
        # Measured from the middle of the sector, the line goes on straight past both its ends: smooth at a cut.
        inside = _turn_deg(middle[number], azimuth) + 0.5 * width[number]
        mask = np.radians(base[number] + slope[number] * inside)
        mask_rate = np.radians(slope[number]) * np.degrees((rate[0] * position[1] - position[0] * rate[1]) / ground**2)
        sine, cosine = np.sin(mask), np.cos(mask)
        value = position[2] * cosine - ground * sine
        slope_of_value = rate[2] * cosine - ground_rate * sine - (position[2] * sine + ground * cosine) * mask_rate
        return value, slope_of_value

    return curve


def _sectors(horizon: Horizon, azimuth_deg: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return start, width and height at the start, deg, and slope of the sectors that hold azimuths in [0, 360)."""
    azimuths, heights = np.array(horizon.azimuths_deg), np.array(horizon.elevations_deg)
    sector = np.searchsorted(azimuths, azimuth_deg, side="right") - 1
    following = (sector + 1) % len(azimuths)
    width = (azimuths[following] - azimuths[sector]) % 360.0
    return azimuths[sector], width, heights[sector], (heights[following] - heights[sector]) / width


def _joined(pieces: _Pieces, found: Stretches, horizon: Horizon) -> Stretches:
    """Join pieces of the stretches `found` that go on from one to the next."""
    owner = found.curve[pieces.stretch]
    if not len(owner):
        return Stretches(owner, pieces.left, pieces.right, pieces.rate_left, pieces.rate_right, pieces.near_miss)
    goes_on = (owner[1:] == owner[:-1]) & (pieces.left[1:] == pieces.right[:-1])
    opens, closes = np.flatnonzero(np.r_[True, ~goes_on]), np.flatnonzero(np.r_[~goes_on, True])
    left, right = pieces.left[opens], pieces.right[closes]
    # An end at the edge of the stretch above the lowest skyline keeps the rate with which that was crossed. There the
    # measure was range times the difference of sines; here it is range times the sine of the difference.
    cosine = np.cos(np.radians(horizon.lowest_deg))
    rate_left, rate_right = pieces.rate_left[opens], pieces.rate_right[closes]
    before, after = pieces.stretch[opens], pieces.stretch[closes]
    rate_left = np.where(
        np.isnan(rate_left) & (left == found.left[before]), found.rate_left[before] / cosine, rate_left
    )
    rate_right = np.where(
        np.isnan(rate_right) & (right == found.right[after]), found.rate_right[after] / cosine, rate_right
    )
    return Stretches(owner[opens], left, right, rate_left, rate_right, pieces.near_miss)
