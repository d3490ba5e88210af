"""Crossings and peaks of many smooth functions at once, found from values and rates.

The room knows nothing of satellites. Many *curves* are one callable ``function(curve, x) -> (value, rate)``: `curve` is
an integer array that says which of them is meant, `x` a float array of the same shape; the value and its derivative
come back with that shape. A *bracket* is a curve with a left and a right end, short enough that it has at most one
turning point inside. Callers choose such brackets; `positive_stretches` misses nothing inside them: it looks at signs
of the values *and* of the rates, so a hump that stands above zero only between the ends is found by its peak.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Curves = NDArray[np.intp]
CurveFunction = Callable[[Curves, Floats], tuple[Floats, Floats]]

_MOST_STEPS = 80
# Steps that are shorter than this share of the one before shrink faster than by a constant share.
_SHRINKS_FAST = 0.1


@dataclass(frozen=True, slots=True)
class Stretches:
    """Pieces in which curves are positive: curve, left and right, each of shape (pieces,), in curve order.

    ``rate_left`` and ``rate_right`` are the curve's rates where it crosses zero there, and NaN at an end that was
    given, not found.
    ``near_miss`` lists, each once, the curves with a peak or a trough closer to zero than the caller's margin.
    """

    curve: Curves
    left: Floats
    right: Floats
    rate_left: Floats
    rate_right: Floats
    near_miss: Curves

    def select(self, pieces: Curves) -> Stretches:
        """Return the pieces at the indices `pieces`, in that order; the near misses stay as they are."""
        return Stretches(
            self.curve[pieces],
            self.left[pieces],
            self.right[pieces],
            self.rate_left[pieces],
            self.rate_right[pieces],
            self.near_miss,
        )


def in_a_row(parts: Sequence[Stretches]) -> Stretches:
    """Return the pieces of several finds behind each other; no curve has near misses in two of them."""
    columns = ([getattr(part, column.name) for part in parts] for column in fields(Stretches))
    return Stretches(*(np.concatenate(column) for column in columns))


def positive_stretches(
    function: CurveFunction, curve: Curves, left: Floats, right: Floats, *, tolerance: float = 1e-9, margin: float = 0.0
) -> Stretches:
    """Return where each curve is positive within the brackets (curve, left, right), all of shape (brackets,).

    Several brackets may share a curve if they do not overlap. `tolerance` is in units of x. Brackets must hold at most
    one turning point each. Pieces come out sorted by bracket, then by place.
    """
    value_left, rate_left = function(curve, left)
    value_right, rate_right = function(curve, right)
    up_left, up_right = value_left > 0.0, value_right > 0.0

    # A sign change holds one crossing. Equal signs hold two where the rates show a turning point that reaches across.
    change = up_left != up_right
    hump = ~up_left & ~up_right & (rate_left > 0.0) & (rate_right < 0.0)
    dip = up_left & up_right & (rate_left < 0.0) & (rate_right > 0.0)
    turning = np.flatnonzero(hump | dip)
    near = np.empty(0, dtype=np.intp)
    if len(turning):
        place, height, slope = turns_across(
            function,
            curve[turning],
            left[turning],
            right[turning],
            ends=(value_left[turning], rate_left[turning], value_right[turning], rate_right[turning]),
            tolerance=1e-6,
            beyond=margin,
        )
        across = (height > 0.0) != up_left[turning]
        near = curve[turning[np.abs(height) < margin]]
        split, middle, top, slope = turning[across], place[across], height[across], slope[across]
    else:
        split = middle = top = slope = np.empty(0)
        split = split.astype(np.intp)

    single = np.flatnonzero(change)
    bracket = np.concatenate([single, split, split])
    crossing, rate = crossings(
        function,
        curve[bracket],
        np.concatenate([left[single], left[split], middle]),
        np.concatenate([right[single], middle, right[split]]),
        ends=(
            np.concatenate([value_left[single], value_left[split], top]),
            np.concatenate([rate_left[single], rate_left[split], slope]),
            np.concatenate([value_right[single], top, value_right[split]]),
            np.concatenate([rate_right[single], slope, rate_right[split]]),
        ),
        tolerance=tolerance,
    )

    # The edges of each bracket, in order, pair up: an end that is already positive opens or closes a piece. So a
    # bracket has its left end, one crossing or two, and its right end, as far as it has them.
    opens, closes = np.flatnonzero(up_left), np.flatnonzero(up_right)
    count = up_left.astype(np.intp) + up_right + change
    count[split] += 2
    end = np.cumsum(count)
    edge, speed = np.empty((2, int(end[-1]) if len(end) else 0))
    place = (end - count + up_left)[bracket]
    place[len(bracket) - len(split) :] += 1
    edge[(end - count)[opens]], speed[(end - count)[opens]] = left[opens], np.nan
    edge[end[closes] - 1], speed[end[closes] - 1] = right[closes], np.nan
    edge[place], speed[place] = crossing, rate
    edge, speed = edge.reshape(-1, 2), speed.reshape(-1, 2)
    where = np.repeat(curve, count // 2)
    return Stretches(where, edge[:, 0], edge[:, 1], speed[:, 0], speed[:, 1], np.unique(near))


def crossings(
    function: CurveFunction,
    curve: Curves,
    left: Floats,
    right: Floats,
    *,
    ends: tuple[Floats, Floats, Floats, Floats] | None = None,
    tolerance: float = 1e-9,
) -> tuple[Floats, Floats]:
    """Return where each curve passes zero inside its bracket, and its rate there, both of shape (brackets,).

    The values at the two ends must have different signs (zero counts as not positive). The first guess is the root of
    the cubic through both ends. Each step then takes the cubic of x over the value through the last two places looked
    at, which is of fourth order, or Newton's step where the two disagree; a step that leaves the shrinking bracket
    halves it. `ends` gives (value_left, rate_left, value_right, rate_right) if they are known.
    """
    left, right = left.astype(float), right.astype(float)
    value_left, rate_left, value_right, rate_right = ends or (*function(curve, left), *function(curve, right))
    rising = value_right > value_left
    x = _cubic_root(left, right, value_left, rate_left, value_right, rate_right)
    # The last place looked at: to begin with, the end nearer to zero.
    nearer = np.abs(value_left) <= np.abs(value_right)
    last_x = np.where(nearer, left, right)
    last_value, last_rate = np.where(nearer, value_left, value_right), np.where(nearer, rate_left, rate_right)
    last_move = np.full_like(x, np.inf)
    found, speed = x.copy(), np.zeros_like(x)
    active = np.arange(len(x))
    for step in range(_MOST_STEPS):
        if not len(active):
            break
        value, rate = function(curve, x)
        # The sign at x says on which side of it the crossing lies.
        below = (value > 0.0) != rising
        left, right = np.where(below, x, left), np.where(below, right, x)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            newton = x - value / rate
            bend = _inverse_cubic_bend(x, value, rate, last_x, last_value, last_rate)
            trusted = np.abs(bend) < 0.5 * np.abs(newton - x)
            target = np.where(trusted, newton + bend, newton)
            moved = np.abs(target - x)
            # Where steps shrink fast, Newton's come closer by the square of what the one before did, those of the cubic
            # by more. Where they do not, as at a root with hardly any rate, or after a halving, the step itself is all
            # that is known.
            ratio = moved / np.abs(x - last_x)
            error = moved * np.where((ratio < _SHRINKS_FAST) & np.isfinite(last_move), ratio**2, 1.0)
        # Where the rate dies away a step may creep or swing: one that is not half the last one halves the bracket.
        stalled = (moved > 0.5 * last_move) & (step > 1)
        halved = ~((target >= left) & (target <= right)) | stalled
        target = np.where(halved, 0.5 * (left + right), target)
        moved = np.abs(target - x)
        error = np.where(halved, moved, error)
        settled = value == 0.0
        target = np.where(settled, x, target)
        found[active] = target
        with np.errstate(divide="ignore", invalid="ignore"):
            change = (rate - last_rate) / (x - last_x) * (target - x)
        speed[active] = np.where(np.isfinite(change) & ~halved, rate + change, rate)
        keep = np.flatnonzero((error > tolerance) & ~settled)
        last_move = np.where(halved, np.inf, moved)
        last_x, last_value, last_rate, x = x, value, rate, target
        if len(keep) < len(active):
            active, curve, rising, left, right = active[keep], curve[keep], rising[keep], left[keep], right[keep]
            last_move, last_x, last_value, last_rate = last_move[keep], last_x[keep], last_value[keep], last_rate[keep]
            x = x[keep]
    return found, speed


def turning_points(
    function: CurveFunction,
    curve: Curves,
    left: Floats,
    right: Floats,
    *,
    ends: tuple[Floats, Floats, Floats, Floats] | None = None,
    tolerance: float = 1e-7,
) -> tuple[Floats, Floats]:
    """Return where the rate of each curve passes zero inside its bracket, and the value there, shape (brackets,).

    The rates at the two ends must differ in sign.
    """
    place, height, _ = turns_across(function, curve, left, right, ends=ends, tolerance=tolerance, beyond=np.inf)
    return place, height


def turns_across(
    function: CurveFunction,
    curve: Curves,
    left: Floats,
    right: Floats,
    *,
    ends: tuple[Floats, Floats, Floats, Floats] | None = None,
    tolerance: float = 1e-7,
    beyond: float,
) -> tuple[Floats, Floats, Floats]:
    """Return turning points, or places where humps and dips are across zero already, the value and the rate there.

    For those who ask only whether a hump or a dip reaches across: a place is good enough where the curve is across by
    more than `beyond`, for the turning point is farther across still. At a turning point the rate returned is 0.

    The first place looked at is the turning point of the cubic through the ends. Each step takes that of the cubic
    through the last two places, which is of second order; a step that leaves the shrinking bracket halves it.
    """
    left, right = left.astype(float), right.astype(float)
    value_left, rate_left, value_right, rate_right = ends or (*function(curve, left), *function(curve, right))
    x = _cubic_turn(left, right, value_left, rate_left, value_right, rate_right)
    rising, width = rate_left > 0.0, right - left
    # The last place looked at: to begin with, the nearer end.
    nearer = x - left <= right - x
    last_x = np.where(nearer, left, right)
    last_value, last_rate = np.where(nearer, value_left, value_right), np.where(nearer, rate_left, rate_right)
    last_move = np.full_like(x, np.inf)
    place, height, slope = x.copy(), np.zeros_like(x), np.zeros_like(x)
    active = np.arange(len(x))
    for step in range(_MOST_STEPS):
        if not len(active):
            break
        value, rate = function(curve, x)
        before = (rate > 0.0) == rising
        left, right = np.where(before, x, left), np.where(before, right, x)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            target = x + _cubic_turn_step(x, value, rate, last_x, last_value, last_rate)
            moved = np.abs(target - x)
            # Where steps shrink fast, one comes closer by as much as the one before it did, or by the share of the
            # bracket that the last two places lie apart: the one before may have come so close by luck.
            apart = np.abs(x - last_x)
            fast = (moved < _SHRINKS_FAST * apart) & np.isfinite(last_move)
            error = moved * np.where(fast, np.maximum(moved / apart, apart / width), 1.0)
        # The first step rests on the cubic through an end far away, and says little about its own error.
        if step == 0:
            error = np.full_like(moved, np.inf)
        stalled = (moved > 0.5 * last_move) & (step > 1)
        halved = ~((target >= left) & (target <= right)) | stalled
        target = np.where(halved, 0.5 * (left + right), target)
        moved = np.abs(target - x)
        error = np.where(halved, np.inf, error)
        across = np.where(rising, value, -value) > beyond
        settled = across | (rate == 0.0)
        target = np.where(settled, x, target)
        place[active] = target
        slope[active] = np.where(across, rate, 0.0)
        # Half way of the move the rate is half as large: so much higher is the turning point than x.
        height[active] = np.where(halved, value, value + 0.5 * rate * (target - x))
        keep = np.flatnonzero((error > tolerance) & ~settled & (right - left > tolerance))
        last_move = np.where(halved, np.inf, moved)
        last_x, last_value, last_rate, x = x, value, rate, target
        if len(keep) < len(active):
            active, curve, width = active[keep], curve[keep], width[keep]
            rising, left, right, x = rising[keep], left[keep], right[keep], x[keep]
            last_move, last_x, last_value, last_rate = last_move[keep], last_x[keep], last_value[keep], last_rate[keep]
    return place, height, slope


def _inverse_cubic_bend(
    x: Floats, value: Floats, rate: Floats, last_x: Floats, last_value: Floats, last_rate: Floats
) -> Floats:
    """Return how far the zero of the cubic of x over the value, through two places, lies from Newton's step at `x`."""
    height = last_value - value
    step, step_last = height / rate, height / last_rate
    width = last_x - x
    t = -value / height
    return np.asarray(t * t * (3.0 * width - 2.0 * step - step_last + t * (step + step_last - 2.0 * width)))


def _cubic_turn_step(
    x: Floats, value: Floats, rate: Floats, last_x: Floats, last_value: Floats, last_rate: Floats
) -> Floats:
    """Return how far from `x` the nearest turning point of the cubic through two places lies; NaN if it has none."""
    width = last_x - x
    slope, slope_last = rate * width, last_rate * width
    rise = last_value - value
    b = 3.0 * rise - 2.0 * slope - slope_last
    a = slope + slope_last - 2.0 * rise
    # The root of 3 a t^2 + 2 b t + slope nearer to zero, in the form that survives a -> 0.
    t = -slope / (b + np.copysign(np.sqrt(b * b - 3.0 * a * slope), b))
    # Between places too close together the difference of values is lost, and that of rates serves.
    return np.asarray(np.where(np.abs(width) > 1e-5, t, slope / (slope - slope_last)) * width)


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
        for _ in range(4):
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
