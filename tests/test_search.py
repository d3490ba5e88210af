"""Crossings and turning points of functions written by hand: five-number arrays, no satellites.

The answers are known in closed form, or found beside it by scipy's brentq on a dense grid.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given, strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from passim.search import CurveFunction, Stretches, crossings, positive_stretches, turning_points

Floats = NDArray[np.float64]
Pair = tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]


def family(*functions: Pair) -> CurveFunction:
    """Return the function whose curve k is the k-th (function, derivative)."""

    def function(curve: NDArray[np.intp], x: Floats) -> tuple[Floats, Floats]:
        assert curve.shape == x.shape
        value, rate = np.empty_like(x), np.empty_like(x)
        for k, (f, df) in enumerate(functions):
            mine = curve == k
            value[mine], rate[mine] = f(x[mine]), df(x[mine])
        return value, rate

    return function


def polynomial(*coefficients: float) -> Pair:
    """Return the polynomial with the given coefficients, constant first, and its derivative."""
    p = np.polynomial.Polynomial(coefficients)
    return p, p.deriv()


def powers(root: float, power: int) -> Pair:
    """Return (x - root)**power, not multiplied out, so that its sign is exact next to the root."""
    return lambda x: (x - root) ** power, lambda x: power * (x - root) ** (power - 1)


def pieces(function: CurveFunction, brackets: list[tuple[int, float, float]], **options: float) -> Stretches:
    curve, left, right = (np.array(column) for column in zip(*brackets, strict=True))
    return positive_stretches(function, curve.astype(np.intp), left.astype(float), right.astype(float), **options)


def edges(found: Stretches) -> list[tuple[int, float, float]]:
    return list(zip(found.curve.tolist(), found.left.tolist(), found.right.tolist(), strict=True))


# Positive stretches


def test_one_crossing_up_and_one_down() -> None:
    # x - 1/4 rises through zero at 1/4, 3/4 - x falls through it at 3/4.
    found = pieces(family(polynomial(-0.25, 1.0), polynomial(0.75, -1.0)), [(0, 0.0, 1.0), (1, 0.0, 1.0)])
    assert edges(found) == [(0, pytest.approx(0.25, abs=1e-12), 1.0), (1, 0.0, pytest.approx(0.75, abs=1e-12))]
    assert found.rate_left[0] == pytest.approx(1.0)
    assert found.rate_right[1] == pytest.approx(-1.0)
    # An end that was given, not found, has no rate.
    assert math.isnan(found.rate_right[0])
    assert math.isnan(found.rate_left[1])


def test_above_all_the_way_and_below_all_the_way() -> None:
    found = pieces(family(polynomial(1.0), polynomial(-1.0), polynomial(0.0)), [(k, 0.0, 1.0) for k in range(3)])
    assert edges(found) == [(0, 0.0, 1.0)]


def test_no_brackets_give_no_pieces() -> None:
    nothing = np.empty(0)
    found = positive_stretches(family(), nothing.astype(np.intp), nothing, nothing)
    assert edges(found) == []
    assert len(found.near_miss) == 0


def test_a_hump_between_the_ends_is_found_by_its_peak() -> None:
    # sin on a bracket with both ends below zero: sin(x) - 0.9 is above between asin(0.9) and pi - asin(0.9).
    hump = (lambda x: np.sin(x) - 0.9, np.cos)
    found = pieces(family(hump), [(0, 0.5, 2.8)])
    top = math.asin(0.9)
    assert edges(found) == [(0, pytest.approx(top, abs=1e-9), pytest.approx(math.pi - top, abs=1e-9))]
    assert found.rate_left[0] == pytest.approx(math.cos(top), rel=1e-5)
    assert found.rate_right[0] == pytest.approx(-math.cos(top), rel=1e-5)


def test_a_dip_between_the_ends_gives_two_pieces() -> None:
    dip = (lambda x: 0.9 - np.sin(x), lambda x: -np.cos(x))
    found = pieces(family(dip), [(0, 0.5, 2.8)])
    low = math.asin(0.9)
    assert edges(found) == [
        (0, 0.5, pytest.approx(low, abs=1e-9)),
        (0, pytest.approx(math.pi - low, abs=1e-9), 2.8),
    ]


@pytest.mark.parametrize("height", [1e-3, 1e-6, 1e-9, 1e-12])
@pytest.mark.parametrize("peak", [0.02, 0.5, 0.77, 0.999])
def test_a_hump_that_barely_clears_zero_is_found(height: float, peak: float) -> None:
    # height - (x - peak)**2 is above zero for the root of the height to either side.
    narrow = (lambda x: height - (x - peak) ** 2, lambda x: -2.0 * (x - peak))
    found = pieces(family(narrow), [(0, peak - 0.9, peak + 1.3)])
    half = math.sqrt(height)
    assert edges(found) == [(0, pytest.approx(peak - half, abs=2e-9), pytest.approx(peak + half, abs=2e-9))]


@pytest.mark.parametrize("k", [-9.0, 3.0, 9.0])
def test_a_lopsided_hump_that_barely_clears_zero_is_found(k: float) -> None:
    """1e-8 + 1 + k x - exp(k x) has its peak at 0, where no cubic through the ends puts it.

    To a part in ten thousand its ends are +-sqrt(2e-8) / k.
    """
    hump = (lambda x: 1e-8 - (np.expm1(k * x) - k * x), lambda x: -k * np.expm1(k * x))
    found = pieces(family(hump), [(0, -0.35, 0.45)])
    half = math.sqrt(2e-8) / abs(k)
    assert edges(found) == [(0, pytest.approx(-half, rel=2e-4), pytest.approx(half, rel=2e-4))]


def test_a_double_root_touches_and_gives_no_piece_from_below_and_leaves_no_hole_from_above() -> None:
    below = (lambda x: -((x - 0.375) ** 2), lambda x: -2.0 * (x - 0.375))
    above = powers(0.375, 2)
    found = pieces(family(below, above), [(0, 0.0, 1.0), (1, 0.0, 1.0)], margin=1e-6)
    # What touches from above may be cut at the one point where it is not positive, nowhere else.
    assert 0 not in found.curve
    assert found.left[0] == 0.0
    assert found.right[-1] == 1.0
    assert np.sum(found.right - found.left) == pytest.approx(1.0, abs=1e-6)
    assert found.near_miss.tolist() == [0, 1]


def test_near_misses_are_told_within_the_margin_only() -> None:
    # Peaks 0.01 below and above zero and 0.1 below, troughs likewise; one without a turning point inside.
    heights = [-0.01, 0.01, -0.1]
    humps = [polynomial(h, 0.0, -1.0) for h in heights]
    dips = [polynomial(-h, 0.0, 1.0) for h in heights]
    steady = polynomial(0.5, 1.0)
    found = pieces(family(*humps, *dips, steady), [(k, -0.9, 1.0) for k in range(7)], margin=0.02)
    assert found.near_miss.tolist() == [0, 1, 3, 4]
    assert len(pieces(family(*humps), [(k, -0.9, 1.0) for k in range(3)]).near_miss) == 0


def test_roots_exactly_at_the_ends_of_a_bracket() -> None:
    rising, falling = polynomial(0.0, 1.0), polynomial(1.0, -1.0)
    # Zero counts as not positive: a piece may begin or end at such an end, but none consists of it.
    assert edges(pieces(family(rising), [(0, 0.0, 1.0)])) == [(0, pytest.approx(0.0, abs=1e-9), 1.0)]
    assert edges(pieces(family(rising), [(0, -1.0, 0.0)])) == []
    assert edges(pieces(family(falling), [(0, 0.0, 1.0)])) == [(0, 0.0, pytest.approx(1.0, abs=1e-9))]
    assert edges(pieces(family(falling), [(0, 1.0, 2.0)])) == []
    # x (1 - x) is zero at both ends and positive between.
    both = polynomial(0.0, 1.0, -1.0)
    assert edges(pieces(family(both), [(0, 0.0, 1.0)])) == [
        (0, pytest.approx(0.0, abs=1e-9), pytest.approx(1.0, abs=1e-9))
    ]


def test_several_brackets_of_a_curve_come_out_in_order() -> None:
    # cos is above zero within a quarter turn of every whole turn; a bracket as long holds one turning point.
    edge = np.linspace(0.1, 4.0 * math.pi + 0.1, 17)
    brackets = [(0, a, b) for a, b in zip(edge[:-1].tolist(), edge[1:].tolist(), strict=True)]
    found = pieces(family((np.cos, lambda x: -np.sin(x))), brackets)
    assert np.all(np.diff(found.left) > 0.0)
    joins = np.flatnonzero(found.left[1:] > found.right[:-1] + 1e-6)
    opens, closes = found.left[np.r_[0, joins + 1]], found.right[np.r_[joins, len(found.curve) - 1]]
    assert opens == pytest.approx([0.1, 1.5 * math.pi, 3.5 * math.pi], abs=1e-9)
    assert closes == pytest.approx([0.5 * math.pi, 2.5 * math.pi, 4.0 * math.pi + 0.1], abs=1e-9)


def test_select_takes_pieces_in_the_order_asked_for() -> None:
    found = pieces(family(polynomial(-0.25, 1.0), polynomial(-0.5, 1.0)), [(0, 0.0, 1.0), (1, 0.0, 1.0)])
    swapped = found.select(np.array([1, 0]))
    assert edges(swapped) == list(reversed(edges(found)))
    assert swapped.rate_left.tolist() == found.rate_left[::-1].tolist()


# Crossings

STUBBORN = {
    "line": (polynomial(-0.3, 1.0), 0.3),
    "sine": ((lambda x: np.sin(3.0 * x - 0.6), lambda x: 3.0 * np.cos(3.0 * x - 0.6)), 0.2),
    "cube, flat at its root": (powers(0.3, 3), 0.3),
    "fifth power, flat at its root": (powers(0.7, 5), 0.7),
    "root on a dyadic point that bisection hits": (powers(0.375, 3), 0.375),
    "root in the middle": (powers(0.5, 1), 0.5),
    "root hard by the left end": (powers(1e-7, 3), 1e-7),
    "root hard by the right end": (powers(1.0 - 1e-7, 1), 1.0 - 1e-7),
    "step like an arc tangent": (
        (lambda x: np.arctan(1e4 * (x - 0.61)), lambda x: 1e4 / (1.0 + (1e4 * (x - 0.61)) ** 2)),
        0.61,
    ),
    "exponential": ((lambda x: np.exp(20.0 * x) - np.e, lambda x: 20.0 * np.exp(20.0 * x)), 0.05),
    "rate of no use": ((lambda x: x - 0.3, lambda x: np.zeros_like(x)), 0.3),
    "rate that is wrong": ((lambda x: x - 0.3, lambda x: np.full_like(x, -1.0)), 0.3),
    "quintic": (polynomial(-1.0, 0.5, -2.0, 3.0, 1.0, 1.0), None),
}


@pytest.mark.parametrize("name", STUBBORN)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_crossings_are_found_whatever_the_shape(name: str, sign: float) -> None:
    (f, df), root = STUBBORN[name]
    if root is None:
        root = brentq(f, 0.0, 1.0, xtol=1e-14)
    curve = family((lambda x: sign * f(x), lambda x: sign * df(x)))
    place, _ = crossings(curve, np.zeros(1, dtype=np.intp), np.zeros(1), np.ones(1))
    assert place[0] == pytest.approx(root, abs=5e-9)
    assert 0.0 <= place[0] <= 1.0


def test_crossings_of_many_lanes_do_not_disturb_each_other() -> None:
    together = family(*(pair for pair, _ in STUBBORN.values()))
    count = len(STUBBORN)
    place, rate = crossings(together, np.arange(count), np.zeros(count), np.ones(count))
    for k, (pair, _) in enumerate(STUBBORN.values()):
        alone, rate_alone = crossings(family(pair), np.zeros(1, dtype=np.intp), np.zeros(1), np.ones(1))
        assert place[k] == alone[0]
        assert rate[k] == rate_alone[0]


def test_crossings_leave_their_input_alone_and_take_the_ends_if_known() -> None:
    left, right = np.array([0.0]), np.array([1.0])
    f, df = polynomial(-0.3, 0.5, 1.0)
    ends = (f(left), df(left), f(right), df(right))
    copies = [a.copy() for a in ends]
    known, _ = crossings(family((f, df)), np.zeros(1, dtype=np.intp), left, right, ends=ends)
    unknown, _ = crossings(family((f, df)), np.zeros(1, dtype=np.intp), left, right)
    assert known.tolist() == unknown.tolist()
    assert (left.tolist(), right.tolist()) == ([0.0], [1.0])
    assert all((a == b).all() for a, b in zip(ends, copies, strict=True))


@pytest.mark.parametrize("tolerance", [1e-3, 1e-6, 1e-9])
def test_the_tolerance_is_in_units_of_x(tolerance: float) -> None:
    curve = family((lambda x: np.cos(x) - x, lambda x: -np.sin(x) - 1.0))
    place, rate = crossings(curve, np.zeros(1, dtype=np.intp), np.zeros(1), np.ones(1), tolerance=tolerance)
    # The fixed point of the cosine, to 15 digits (common knowledge; recomputed with brentq).
    assert place[0] == pytest.approx(0.739085133215161, abs=tolerance)
    assert rate[0] == pytest.approx(-1.0 - math.sin(0.739085133215161), rel=1e-3)


# Turning points


def test_a_rate_of_nothing_at_an_end_is_the_turning_point() -> None:
    """Of x^2 from 0 on and of -(x - 1)^2 up to 1: a rate of exactly 0 counts as falling, so these are brackets."""
    humps = family(polynomial(0.0, 0.0, 1.0), polynomial(-1.0, 2.0, -1.0))
    place, height = turning_points(humps, np.arange(2), np.zeros(2), np.ones(2))
    assert place == pytest.approx([0.0, 1.0], abs=1e-6)
    assert height == pytest.approx([0.0, 0.0], abs=1e-12)


@pytest.mark.parametrize(
    ("pair", "where", "height"),
    [
        (polynomial(0.0, 1.0, -1.0), 0.5, 0.25),
        (polynomial(0.0, -0.6, 1.0), 0.3, -0.09),
        ((lambda x: np.sin(3.0 * x), lambda x: 3.0 * np.cos(3.0 * x)), math.pi / 6.0, 1.0),
        # Flat beside its turning point, and with a turning point at either end of the bracket.
        ((lambda x: (x - 0.7) ** 4, lambda x: 4.0 * (x - 0.7) ** 3), 0.7, 0.0),
        (polynomial(0.0, 1e-6, -1.0), 5e-7, 2.5e-13),
        (polynomial(0.0, 1.999998, -1.0), 0.999999, 0.999999**2),
    ],
)
def test_turning_points_are_found(pair: Pair, where: float, height: float) -> None:
    place, value = turning_points(family(pair), np.zeros(1, dtype=np.intp), np.zeros(1), np.ones(1))
    assert place[0] == pytest.approx(where, abs=1e-3 if height == 0.0 else 2e-7)
    assert value[0] == pytest.approx(height, abs=1e-12)


@pytest.mark.parametrize("lean", [0.5, -3.0, 12.0])
def test_a_hump_whose_ends_look_even_is_not_taken_to_be_even(lean: float) -> None:
    # The ends' values and rates are those of x (1 - x), whose peak is in the middle; inside, the hump leans.
    even, leaning = np.polynomial.Polynomial([0, 1, -1]), np.polynomial.Polynomial([0, 0, -0.5, 2, -2.5, 1])
    p = even + lean * leaning
    peak = brentq(p.deriv(), 0.0, 1.0, xtol=1e-15)
    assert abs(peak - 0.5) > 0.01
    place, height = turning_points(family((p, p.deriv())), np.zeros(1, dtype=np.intp), np.zeros(1), np.ones(1))
    assert place[0] == pytest.approx(peak, abs=2e-7)
    assert height[0] == pytest.approx(p(peak), abs=1e-12)


# Against a dense grid

number = st.floats(-2.0, 2.0).map(lambda v: round(v, 6))


def contradictions(pair: Pair, edge: Floats, scale: float) -> list[str]:
    """Search on brackets between `edge`s and ask a dense grid. Returns what it says against the pieces."""
    f, _ = pair
    found = pieces(family(pair), [(0, a, b) for a, b in zip(edge[:-1].tolist(), edge[1:].tolist(), strict=True)])
    against = [f"piece from {a} back to {b}" for _, a, b in edges(found) if not b >= a]
    against += ["pieces overlap"] * bool(np.any(found.left[1:] < found.right[:-1]))
    # Positive on the grid if and only if inside a piece.
    grid = np.linspace(edge[0], edge[-1], 4001)[:-1]
    value = f(grid)
    inside = np.searchsorted(found.left, grid, side="right") != np.searchsorted(found.right, grid, side="right")
    wrong = (inside != (value > 0.0)) & (np.abs(value) > 1e-8 * scale)
    against += [f"at {x} the value is {v}" for x, v in zip(grid[wrong], value[wrong], strict=True)]
    # Every sign change of the grid has an edge at brentq's root; a root of multiplicity is known less well.
    ends = np.concatenate([found.left, found.right])
    for k in np.flatnonzero((value[1:] > 0.0) != (value[:-1] > 0.0)):
        root = brentq(f, grid[k], grid[k + 1], xtol=1e-14)
        off = np.abs(ends - root).min(initial=np.inf)
        if off > 1e-8 and abs(f(root + 1e-8)) > 1e-14 * scale:
            against.append(f"no edge at {root}, the nearest {off} away")
    return against


@given(st.tuples(number, number, number, number))
def test_random_cubics(coefficients: tuple[float, ...]) -> None:
    p = np.polynomial.Polynomial(coefficients)
    edge = np.linspace(-1.0, 1.0, 21)
    # Two turning points in one bracket are beyond what is promised.
    turns = p.deriv().roots() if np.any(p.deriv().coef[1:]) else np.empty(0)
    real = np.sort(turns.real[np.abs(turns.imag) < 1e-9])
    assume(np.all(np.diff(real) > 0.1))
    assert contradictions((p, p.deriv()), edge, 1.0) == []


@given(st.lists(st.tuples(number, number), min_size=1, max_size=3), number)
def test_random_trigonometric_sums(waves: list[tuple[float, float]], base: float) -> None:
    order = np.arange(1, len(waves) + 1)[:, None]
    sine, cosine = np.array(waves).T[:, :, None]

    def f(x: Floats) -> Floats:
        x = np.asarray(x)
        angle = order * x.ravel()
        return base + np.sum(sine * np.sin(angle) + cosine * np.cos(angle), axis=0).reshape(x.shape)

    def df(x: Floats) -> Floats:
        return np.sum(order * (sine * np.cos(order * x) - cosine * np.sin(order * x)), axis=0)

    edge = np.linspace(0.0, 2.0 * math.pi, 65)
    rate = df(np.linspace(0.0, 2.0 * math.pi, 64 * 50 + 1))
    turns = np.flatnonzero((rate[1:] > 0.0) != (rate[:-1] > 0.0)) // 50
    assume(len(set(turns.tolist())) == len(turns))
    assert contradictions((f, df), edge, 1.0) == []
