"""Crossings and peaks of many smooth functions at once, found from values and rates.

The room knows nothing of satellites. A *curve* is a callable ``curve(lane, x) -> (value, rate)``: `lane` is an integer
array that says which function of a family is meant, `x` a float array of the same shape; value and its derivative come
back with that shape. A *bracket* is a lane with a left and a right end, short enough that the function has at most one
turning point inside. Callers choose such brackets; `rises_and_falls` then misses nothing inside them: it looks at signs
of the values *and* of the rates, so a hump that stands above zero only between the ends is found by its peak.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Lanes = NDArray[np.intp]
Curve = Callable[[Lanes, Floats], tuple[Floats, Floats]]

_MOST_STEPS = 80


@dataclass(frozen=True, slots=True)
class Stretches:
    """Pieces of lanes in which a curve is positive: lane, left and right, each of shape (pieces,), in lane order.

    ``rate_left`` and ``rate_right`` are the curve's rates where it crosses zero there, and NaN at an end that was
    given, not found.
    ``near_miss`` lists, each once, the lanes with a peak or a trough closer to zero than the caller's margin.
    """

    lane: Lanes
    left: Floats
    right: Floats
    rate_left: Floats
    rate_right: Floats
    near_miss: Lanes

    def select(self, pieces: Lanes) -> Stretches:
        """Return the pieces at the indices `pieces`, in that order; the near misses stay as they are."""
        return Stretches(
            self.lane[pieces],
            self.left[pieces],
            self.right[pieces],
            self.rate_left[pieces],
            self.rate_right[pieces],
            self.near_miss,
        )


def positive_stretches(
    curve: Curve, lane: Lanes, left: Floats, right: Floats, *, tolerance: float = 1e-9, margin: float = 0.0
) -> Stretches:
    """Return where each curve is positive within the brackets (lane, left, right), all of shape (brackets,).

    Several brackets may share a lane if they do not overlap. `tolerance` is in units of x. Brackets must hold at most
    one turning point each. Pieces come out sorted by bracket, then by place.
    """
    value_left, rate_left = curve(lane, left)
    value_right, rate_right = curve(lane, right)
    up_left, up_right = value_left > 0.0, value_right > 0.0

    # A sign change holds one crossing. Equal signs hold two where the rates show a turning point that reaches across.
    number = np.arange(len(lane))
    change = up_left != up_right
    hump = ~up_left & ~up_right & (rate_left > 0.0) & (rate_right < 0.0)
    dip = up_left & up_right & (rate_left < 0.0) & (rate_right > 0.0)
    turning = np.flatnonzero(hump | dip)
    near = np.empty(0, dtype=np.intp)
    if len(turning):
        place, height = turning_points(
            curve,
            lane[turning],
            left[turning],
            right[turning],
            ends=(value_left[turning], rate_left[turning], value_right[turning], rate_right[turning]),
            tolerance=1e-6,
        )
        across = (height > 0.0) != up_left[turning]
        near = lane[turning[np.abs(height) < margin]]
        split, middle, top = turning[across], place[across], height[across]
    else:
        split = middle = top = np.empty(0)
        split = split.astype(np.intp)

    single = np.flatnonzero(change)
    bracket = np.concatenate([single, split, split])
    flat = np.zeros(len(split))
    crossing, rate = crossings(
        curve,
        lane[bracket],
        np.concatenate([left[single], left[split], middle]),
        np.concatenate([right[single], middle, right[split]]),
        ends=(
            np.concatenate([value_left[single], value_left[split], top]),
            np.concatenate([rate_left[single], rate_left[split], flat]),
            np.concatenate([value_right[single], top, value_right[split]]),
            np.concatenate([rate_right[single], flat, rate_right[split]]),
        ),
        tolerance=tolerance,
    )

    # The edges of each bracket, in order, pair up: an end that is already positive opens or closes a piece.
    opens, closes = np.flatnonzero(up_left), np.flatnonzero(up_right)
    owner = np.concatenate([opens, bracket, closes])
    edge = np.concatenate([left[opens], crossing, right[closes]])
    speed = np.concatenate([np.full(len(opens), np.nan), rate, np.full(len(closes), np.nan)])
    order = np.lexsort((edge, owner))
    owner, edge, speed = owner[order].reshape(-1, 2), edge[order].reshape(-1, 2), speed[order].reshape(-1, 2)
    where = number[owner[:, 0]]
    return Stretches(lane[where], edge[:, 0], edge[:, 1], speed[:, 0], speed[:, 1], np.unique(near))


def crossings(
    curve: Curve,
    lane: Lanes,
    left: Floats,
    right: Floats,
    *,
    ends: tuple[Floats, Floats, Floats, Floats] | None = None,
    tolerance: float = 1e-9,
) -> tuple[Floats, Floats]:
    """Return where each curve passes zero inside its bracket, and its rate there, both of shape (brackets,).

    The values at the two ends must have different signs (zero counts as not positive). The first guess is the root of
    the cubic through both ends; Newton steps follow, kept inside the shrinking bracket, with bisection where a step
    leaves it. `ends` gives (value_left, rate_left, value_right, rate_right) if they are known.
    """
    left, right = left.astype(float).copy(), right.astype(float).copy()
    value_left, rate_left, value_right, rate_right = ends or (*curve(lane, left), *curve(lane, right))
    rising = value_right > value_left
    found = _cubic_root(left, right, value_left, rate_left, value_right, rate_right)
    speed = np.zeros_like(found)
    last_move = np.full_like(found, np.inf)
    active = np.arange(len(found))
    for step in range(_MOST_STEPS):
        if not len(active):
            break
        x = found[active]
        value, rate = curve(lane[active], x)
        speed[active] = rate
        # The sign at x says on which side of it the crossing lies.
        below = (value > 0.0) != rising[active]
        left[active] = np.where(below, x, left[active])
        right[active] = np.where(below, right[active], x)
        with np.errstate(divide="ignore", invalid="ignore"):
            target = x - value / rate
        inside = (target >= left[active]) & (target <= right[active])
        # Where the rate dies away Newton may creep or swing: a step that is not half the last one halves the bracket.
        stalled = (np.abs(target - x) > 0.5 * last_move[active]) & (value != 0.0) & (step > 1)
        target = np.where(inside & ~stalled, target, 0.5 * (left[active] + right[active]))
        moved = np.abs(target - x)
        last_move[active] = np.where(stalled, np.inf, moved)
        found[active] = np.where(value == 0.0, x, target)
        active = active[(moved > tolerance) & (value != 0.0)]
    return found, speed


def turning_points(
    curve: Curve,
    lane: Lanes,
    left: Floats,
    right: Floats,
    *,
    ends: tuple[Floats, Floats, Floats, Floats] | None = None,
    tolerance: float = 1e-7,
) -> tuple[Floats, Floats]:
    """Return where the rate of each curve passes zero inside its bracket, and the value there, shape (brackets,).

    The rates at the two ends must differ in sign. Each step takes the turning point of the cubic through the bracket's
    ends and keeps the half in which the rate changes sign.
    """
    left, right = left.astype(float).copy(), right.astype(float).copy()
    value_left, rate_left, value_right, rate_right = (
        np.array(a, dtype=float) for a in (ends or (*curve(lane, left), *curve(lane, right)))
    )
    # No place is known yet: were the middle taken for one, a first guess that falls on it would pass for settled.
    place, height = np.full(len(lane), np.inf), np.zeros(len(lane))
    active = np.arange(len(lane))
    for step in range(_MOST_STEPS):
        if not len(active):
            break
        a, b = left[active], right[active]
        if step % 4 == 3:
            x = 0.5 * (a + b)
        else:
            x = _cubic_turn(a, b, value_left[active], rate_left[active], value_right[active], rate_right[active])
        value, rate = curve(lane[active], x)
        moved = np.abs(x - place[active])
        place[active], height[active] = x, value
        same = (rate > 0.0) == (rate_left[active] > 0.0)
        keep_left, keep_right = active[same], active[~same]
        left[keep_left], value_left[keep_left], rate_left[keep_left] = x[same], value[same], rate[same]
        right[keep_right], value_right[keep_right], rate_right[keep_right] = x[~same], value[~same], rate[~same]
        active = active[(moved > tolerance) & (rate != 0.0) & (right[active] - left[active] > tolerance)]
    return place, height


def _cubic_root(
    left: Floats, right: Floats, value_left: Floats, rate_left: Floats, value_right: Floats, rate_right: Floats
) -> Floats:
    """Return the root in (left, right) of the cubic with the given values and rates at both ends."""
    width = right - left
    slope_left, slope_right = rate_left * width, rate_right * width
    rise = value_right - value_left
    second = 3.0 * rise - 2.0 * slope_left - slope_right
    third = slope_left + slope_right - 2.0 * rise
    low, high = np.zeros_like(width), np.ones_like(width)
    rising = rise > 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.where(rise != 0.0, -value_left / rise, 0.5)
        for _ in range(6):
            value = value_left + x * (slope_left + x * (second + x * third))
            rate = slope_left + x * (2.0 * second + 3.0 * x * third)
            below = (value > 0.0) != rising
            low, high = np.where(below, x, low), np.where(below, high, x)
            step = x - value / rate
            x = np.where((step > low) & (step < high), step, 0.5 * (low + high))
    return left + x * width


def _cubic_turn(
    left: Floats, right: Floats, value_left: Floats, rate_left: Floats, value_right: Floats, rate_right: Floats
) -> Floats:
    """Return the turning point in (left, right) of the cubic with the given values and rates at both ends."""
    width = right - left
    slope_left, slope_right = rate_left * width, rate_right * width
    rise = value_right - value_left
    b = 3.0 * rise - 2.0 * slope_left - slope_right
    a = slope_left + slope_right - 2.0 * rise
    # Roots of 3 a x^2 + 2 b x + slope_left; the stable form that survives a -> 0. Its sign is that of slope_left.
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(np.maximum(b * b - 3.0 * a * slope_left, 0.0))
        x = slope_left / (-b + np.where(slope_left > 0.0, root, -root))
        straight = slope_left / (slope_left - slope_right)
    x = np.where((x > 0.0) & (x < 1.0), x, straight)
    return left + np.clip(np.where(np.isfinite(x), x, 0.5), 1e-3, 1.0 - 1e-3) * width
