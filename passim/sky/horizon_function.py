"""The stretches of arcs that stand above a horizon profile.

Below the lowest point of the skyline nothing is seen and above the highest everything; only between the two does the
azimuth matter. There an arc is cut where it passes the azimuths of the profile's points, so that within each piece the
skyline is one straight line and the angle above it is a smooth function: a tree that splits a pass cannot be missed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from passim.search import CurveFunction, Stretches, crossings, positive_stretches, turning_points
from passim.sky.caps import Cap
from passim.sky.horizon import Horizon
from passim.sky.local_arcs import ZENITH, LocalArcs

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Pieces between the lowest and highest skyline are sampled at most this far apart, in x of a segment and in azimuth.
_LONGEST_PIECE = 0.1
_WIDEST_PIECE_DEG = 20.0


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
    piece, a, b = _cut_at_azimuths(arcs, horizon, found)
    segment = found.curve[piece]
    # Within a piece the skyline is the straight line of one sector, told by the azimuth at its middle.
    azimuth = arcs.azimuth_deg(segment, 0.5 * (a + b))
    curve = _sector_curve(arcs, horizon, segment, azimuth)
    stretches = positive_stretches(curve, np.arange(len(segment)), a, b, margin=margin_km)
    # Beside a wall the height changes fast though the satellite may hardly move across its edge. What an arc's error
    # does to the time depends on the speed at right angles to the skyline, so that is the rate given to an edge.
    slope = _sectors(horizon, azimuth)[3][stretches.curve]
    rates = []
    for x, rate in ((stretches.left, stretches.rate_left), (stretches.right, stretches.rate_right)):
        position = arcs.position_km(segment[stretches.curve], x)
        # At an edge the mask is the elevation; elsewhere there is no rate to scale.
        mask = np.arctan2(position[2], np.hypot(position[0], position[1]))
        rates.append(rate / _magnification(position, mask, slope))
    stretches = replace(stretches, rate_left=rates[0], rate_right=rates[1])
    return _joined(stretches, segment, piece, found, horizon)


def _magnification(position_km: Floats, mask_rad: Floats, slope: Floats) -> Floats:
    """Return by how much the height over a skyline of `slope` changes for a km across it, shape (n,): 1 where level."""
    east, north, up = position_km
    ground = np.maximum(np.hypot(east, north), 1e-6)
    return np.asarray(np.hypot(1.0, (up * np.sin(mask_rad) + ground * np.cos(mask_rad)) / ground * slope))


def _cut_at_azimuths(arcs: LocalArcs, horizon: Horizon, found: Stretches) -> tuple[Index, Floats, Floats]:
    """Cut stretches into pieces without a profile point inside. Returns the stretch of each piece and its two ends."""
    # Even samples first, finer where the azimuth runs fast, as it does close to the zenith.
    count = np.maximum(np.ceil((found.right - found.left) / _LONGEST_PIECE).astype(np.intp), 1)
    piece = np.repeat(np.arange(len(count)), count)
    place = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    width = (found.right - found.left)[piece] / count[piece]
    a = found.left[piece] + place * width
    b = np.where(place == count[piece] - 1, found.right[piece], a + width)
    # Only the halves of a piece that was too wide are looked at again.
    narrow, halved = [], False
    for _ in range(30):
        turn = _turn_deg(arcs.azimuth_deg(found.curve[piece], a), arcs.azimuth_deg(found.curve[piece], b))
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
    segment = found.curve[piece]
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
        segment = found.curve[piece]

    # Every profile point whose azimuth lies between the two ends of a piece is passed once.
    start = arcs.azimuth_deg(segment, a)
    turn = _turn_deg(start, arcs.azimuth_deg(segment, b))
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


def _joined(pieces: Stretches, segment: Index, stretch: Index, found: Stretches, horizon: Horizon) -> Stretches:
    """Join stretches that go on from piece to piece, and give them the segments of the pieces.

    `segment` and `stretch` map a piece to its segment and to its place in `found`.
    """
    owner = segment[pieces.curve]
    near = np.unique(np.concatenate([segment[pieces.near_miss], found.near_miss]))
    if not len(owner):
        return Stretches(owner, pieces.left, pieces.right, pieces.rate_left, pieces.rate_right, near)
    goes_on = (owner[1:] == owner[:-1]) & (pieces.left[1:] == pieces.right[:-1])
    opens, closes = np.flatnonzero(np.r_[True, ~goes_on]), np.flatnonzero(np.r_[~goes_on, True])
    left, right = pieces.left[opens], pieces.right[closes]
    # An end at the edge of the stretch above the lowest skyline keeps the rate with which that was crossed. There the
    # measure was range times the difference of sines; here it is range times the sine of the difference.
    cosine = np.cos(np.radians(horizon.lowest_deg))
    rate_left, rate_right = pieces.rate_left[opens], pieces.rate_right[closes]
    before, after = stretch[pieces.curve[opens]], stretch[pieces.curve[closes]]
    rate_left = np.where(
        np.isnan(rate_left) & (left == found.left[before]), found.rate_left[before] / cosine, rate_left
    )
    rate_right = np.where(
        np.isnan(rate_right) & (right == found.right[after]), found.rate_right[after] / cosine, rate_right
    )
    return Stretches(owner[opens], left, right, rate_left, rate_right, near)
