"""Half-open interval algebra: arrays of five numbers by hand, then laws against sets of whole points."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from passim import intervals as iv

FIVE = (np.array([8, 0, 2, 5, 3]), np.array([9, 2, 4, 5, 6]))  # [0,2)+[2,4)+[3,6) touch or overlap; [5,5) is empty


def listed(result) -> list[list[float]]:
    """Return the arrays of a result as lists."""
    return [array.tolist() for array in result]


# --- by hand ----------------------------------------------------------------------------------------------------------


def test_union_merges_what_touches_and_drops_what_is_empty():
    assert listed(iv.union(FIVE)) == [[0, 8], [6, 9]]
    assert listed(iv.union(FIVE, ([6], [8]))) == [[0], [9]]


def test_a_point_apart_is_not_merged():
    assert listed(iv.union(([0, 3], [2, 4]))) == [[0, 3], [2, 4]]


def test_intersection():
    assert listed(iv.intersection(FIVE, ([1, 6, 8], [3, 8, 20]))) == [[1, 8], [3, 9]]


def test_touching_sets_have_no_point_in_common():
    assert listed(iv.intersection(([0], [5]), ([5], [9]))) == [[], []]


def test_difference():
    assert listed(iv.difference(FIVE, ([1, 5], [2, 30]))) == [[0, 2], [1, 5]]


def test_complement_fills_the_window():
    assert listed(iv.complement(FIVE, -1, 12)) == [[-1, 6, 9], [0, 8, 12]]
    assert listed(iv.complement(FIVE, 1, 6)) == [[], []]
    assert listed(iv.complement(([], []), 3, 7)) == [[3], [7]]


def test_total_length_counts_overlaps_once():
    assert iv.total_length(FIVE) == 7
    assert isinstance(iv.total_length(FIVE), int)


def test_clip_keeps_rows_apart_and_says_which():
    assert listed(iv.clip(FIVE, 1, 4)) == [[1, 2, 4], [1, 2, 3], [2, 4, 4]]


def test_restrict_keeps_overlapping_rows_apart():
    row, start, end = iv.restrict(([0, 1, 4], [10, 3, 4]), ([7, 2, 2], [8, 3, 4]))
    assert row.tolist() == [0, 0, 1]
    assert start.tolist() == [2, 7, 2]
    assert end.tolist() == [4, 8, 3]


def test_sweep_counts():
    steps = iv.sweep(FIVE, window=(-1, 10))
    assert listed(steps) == [[-1, 0, 3, 4, 6, 8, 9, 10], [0, 1, 2, 1, 0, 1, 0]]
    assert listed(iv.sweep(FIVE)) == [[0, 3, 4, 6, 8, 9], [1, 2, 1, 0, 1]]


def test_a_handover_without_a_change_of_count_is_no_step():
    assert listed(iv.sweep(([0, 2], [2, 5]))) == [[0, 5], [1]]


def test_sweep_with_weights():
    steps = iv.sweep(FIVE, weight=[5, 1, 2, 7, 3], window=(0, 9))
    assert listed(steps) == [[0, 2, 3, 4, 6, 8, 9], [1, 2, 5, 3, 0, 5]]


def test_weights_that_round_leave_nothing_behind():
    # 0.1 + 0.2 - 0.1 - 0.2 is not 0 in binary fractions.
    steps = iv.sweep(([0, 1, 8], [5, 6, 9]), weight=[0.1, 0.2, 0.3])
    assert steps.level[steps.edges.tolist().index(6)] == 0.0


def test_sweep_of_nothing():
    assert listed(iv.sweep(([], []))) == [[], []]
    steps = iv.sweep(([], []), window=(0, 5))
    assert listed(steps) == [[0, 5], [0]]
    assert steps.edges.dtype == np.int64


def test_at_least():
    steps = iv.sweep(FIVE, window=(-1, 10))
    assert listed(iv.at_least(steps, 1)) == [[0, 8], [6, 9]]
    assert listed(iv.at_least(steps, 2)) == [[3], [4]]
    assert listed(iv.at_least(steps, 3)) == [[], []]


def test_level_at_an_edge_is_that_of_the_slice_it_begins():
    steps = iv.sweep(FIVE, window=(-1, 10))
    assert iv.level_at(steps, [-1, 0, 2, 3, 6, 9]).tolist() == [0, 1, 1, 2, 0, 0]


def test_bins():
    steps = iv.sweep(FIVE, window=(-1, 10))
    assert listed(iv.in_bins(steps, [-1, 3, 5, 8, 10])) == [[0, 1, 0, 0], [1, 2, 1, 1], [3, 3, 1, 1]]


def test_seconds_with_fractions():
    assert listed(iv.union(([0.5, 1.25], [1.25, 2.0]))) == [[0.5], [2.0]]
    assert listed(iv.complement(([0.5], [1.5]), 0, 2)) == [[0.0, 1.5], [0.5, 2.0]]
    assert listed(iv.sweep(([0.5, 1.0], [1.5, 2.0]))) == [[0.5, 1.0, 1.5, 2.0], [1, 2, 1]]


def test_an_empty_set_has_no_say_in_the_dtype():
    assert iv.union(([], []), ([1], [2])).start.dtype == np.int64
    assert iv.complement(([], []), 0, 1).start.dtype == np.int64


LANE_A = (np.array([7, 2, 7, 2, 9]), np.array([0, 0, 5, 6, 1]), np.array([4, 3, 9, 8, 5]))
LANE_B = (np.array([2, 7, 7, 3]), np.array([1, 3, 3, 0]), np.array([7, 6, 5, 99]))


def test_groups_do_not_mix():
    assert listed(iv.union_by_group(LANE_A, LANE_B)) == [[2, 3, 7, 9], [0, 0, 0, 1], [8, 99, 9, 5]]
    assert listed(iv.intersection_by_group(LANE_A, LANE_B)) == [[2, 2, 7, 7], [1, 6, 3, 5], [3, 7, 4, 6]]
    assert listed(iv.difference_by_group(LANE_A, LANE_B)) == [[2, 2, 7, 7, 9], [0, 7, 0, 6, 1], [1, 8, 3, 9, 5]]


def test_restrict_by_group_keeps_the_rows():
    row, start, end = iv.restrict_by_group(LANE_A, LANE_B)
    assert row.tolist() == [0, 1, 2, 3]
    assert start.tolist() == [3, 1, 5, 6]
    assert end.tolist() == [4, 3, 6, 7]


def test_an_end_in_one_group_does_not_touch_a_start_in_the_next():
    assert listed(iv.union_by_group(([0, 1], [0, 0], [9, 9]))) == [[0, 1], [0, 0], [9, 9]]


def test_groups_too_far_apart_for_one_line_of_distances_stay_exact():
    # Either product of group and bound passes 2**63 many times over; ranks stand in.
    big = 2**62
    group = [2**61, -(2**61), 2**61]
    result = iv.intersection_by_group((group, [0, 1, big - 1], [3, 5, big]), (group, [2, -big, 0], [4, 2, big]))
    assert listed(result) == [[-(2**61), 2**61, 2**61], [1, 0, big - 1], [2, 3, big]]


def test_whole_numbers_near_the_end_of_int64_stay_exact():
    low, high = -(2**63), 2**63 - 1
    assert listed(iv.sweep(([low, 0], [1, high]))) == [[low, 0, 1, high], [1, 2, 1]]
    assert listed(iv.union(([low, 0], [0, high]))) == [[low], [high]]


# --- errors -----------------------------------------------------------------------------------------------------------


def test_errors_say_what_they_got(subtests: pytest.Subtests) -> None:
    for call, words in [
        (lambda: iv.union(([0, 5], [1, 4])), r"ends before it starts: got \[5, 4\) in row 1, wanted start <= end"),
        (lambda: iv.union(([0.0, np.nan], [1.0, 4.0])), "start: got a value that is not a number in row 1"),
        (lambda: iv.union(([0, 5], [1])), r"one end for each start: got shapes \(2,\) and \(1,\)"),
        (lambda: iv.union(([[0]], [[1]])), r"start: got an array of shape \(1, 1\), wanted \(n,\)"),
        (lambda: iv.union((["a"], ["b"])), "wanted real numbers"),
        (lambda: iv.union((np.array([2**63], np.uint64), np.array([2**63], np.uint64))), "below 2\\*\\*63"),
        (lambda: iv.clip(FIVE, 4, 1), r"the window ends before it starts: got \[4, 1\)"),
        (lambda: iv.complement(FIVE, 4, 1), r"the window ends before it starts: got \[4, 1\)"),
        (lambda: iv.sweep(FIVE, window=(4, 4)), r"a window with some length: got \[4, 4\)"),
        (lambda: iv.sweep(FIVE, weight=[1]), r"one weight for each interval: got shape \(1,\), wanted \(5,\)"),
        (lambda: iv.where(iv.sweep(FIVE), [True]), r"one truth value for each slice: got shape \(1,\), wanted \(5,\)"),
        (lambda: iv.level_at(iv.sweep(FIVE), [9]), r"points of a function over \[0, 9\): got some that lie outside"),
        (lambda: iv.in_bins(iv.sweep(FIVE), [0, 0]), "ascending edges of bins: got 2 edges"),
        (lambda: iv.in_bins(iv.sweep(FIVE), [0, 10]), r"bins inside the function's edges: got \[0, 10\)"),
        (
            lambda: iv.union_by_group(([0], [0, 1], [1, 2])),
            r"one group for each interval: got shape \(1,\), wanted \(2,\)",
        ),
        (lambda: iv.union_by_group(([0.5], [0], [1])), "groups: got dtype float64"),
    ]:
        with subtests.test(call=call, words=words), pytest.raises(ValueError, match=words):
            call()


# --- laws, against sets of whole points -------------------------------------------------------------------------------

LOW, HIGH = -3, 24

_pair = st.tuples(st.integers(LOW, HIGH), st.integers(LOW, HIGH)).map(sorted)


@st.composite
def sets(draw, dtype=None):
    """Draw up to eight intervals between LOW and HIGH, whole or (as quarters, exact in binary) with fractions."""
    rows = draw(st.lists(_pair, max_size=8))
    scale = draw(st.sampled_from([1, 0.25])) if dtype is None else 1
    array = np.array(rows, dtype=np.int64).reshape(-1, 2) * scale
    return array[:, 0], array[:, 1]


@st.composite
def grouped_sets(draw):
    """Draw up to eight intervals in groups 0 to 3, whole numbers or fractions."""
    start, end = draw(sets())
    group = draw(st.lists(st.integers(0, 3), min_size=start.size, max_size=start.size))
    return np.array(group, dtype=np.int64), start, end


def points(set_, scale=4) -> set[int]:
    """Return the quarters inside a set: the oracle. Every bound drawn lies on a quarter."""
    inside: set[int] = set()
    for start, end in zip(set_[-2].tolist(), set_[-1].tolist(), strict=True):
        inside.update(range(int(start * scale), int(end * scale)))
    return inside


def assert_tidy(result) -> None:
    """Check that intervals come out sorted, apart and not empty."""
    assert np.all(result.end > result.start)
    assert np.all(result.start[1:] > result.end[:-1])


def in_group(set_, group):
    """Return the intervals of one group."""
    here = np.asarray(set_[0]) == group
    return set_[1][here], set_[2][here]


@given(sets(), sets())
def test_set_algebra_is_that_of_points(a, b):
    for result, expected in [
        (iv.union(a, b), points(a) | points(b)),
        (iv.intersection(a, b), points(a) & points(b)),
        (iv.difference(a, b), points(a) - points(b)),
    ]:
        assert_tidy(result)
        assert points(result) == expected
    assert iv.total_length(a) * 4 == len(points(a))


@given(sets(), _pair)
def test_complement_and_covered_fill_the_window(a, window):
    low, high = window
    gaps = iv.complement(a, low, high)
    inside = iv.union(iv.clip(a, low, high)[1:])
    assert_tidy(gaps)
    assert points(gaps) == set(range(low * 4, high * 4)) - points(a)
    assert iv.total_length(gaps) + iv.total_length(inside) == high - low


@given(sets(), sets())
def test_restrict_is_each_row_by_itself(a, b):
    row, start, end = iv.restrict(a, b)
    assert np.all(np.diff(row) >= 0)
    for index in range(a[0].size):
        own = row == index
        alone = iv.intersection((a[0][[index]], a[1][[index]]), b)
        assert listed(alone) == [start[own].tolist(), end[own].tolist()]


@given(sets())
def test_sweep_counts_rows_at_every_point(a):
    steps = iv.sweep(a, window=(LOW, HIGH))
    assert steps.edges[0] == LOW
    assert steps.edges[-1] == HIGH
    assert np.all(np.diff(steps.edges) > 0)
    assert np.all(np.diff(steps.level) != 0)
    at = np.arange(LOW * 4, HIGH * 4) / 4
    count = ((a[0][:, None] <= at) & (at < a[1][:, None])).sum(axis=0)
    assert np.array_equal(iv.level_at(steps, at), count)
    for k in range(4):
        covered = iv.at_least(steps, k)
        assert_tidy(covered)
        assert points(covered) == {int(4 * point) for point in at[count >= k]}
    # A weight of one each is a count; weights of two count twice.
    assert listed(iv.sweep(a, weight=np.full(a[0].size, 2), window=(LOW, HIGH)).level[None]) == listed(
        2 * steps.level[None]
    )


@given(sets(), st.sets(st.integers(LOW, HIGH), min_size=2))
def test_bins_agree_with_points(a, edges):
    bins = sorted(edges)
    steps = iv.sweep(a, window=(LOW, HIGH))
    lowest, highest, integral = iv.in_bins(steps, bins)
    for index, (left, right) in enumerate(pairwise(bins)):
        level = iv.level_at(steps, np.arange(left * 4, right * 4) / 4)
        assert (lowest[index], highest[index], integral[index]) == (level.min(), level.max(), level.sum() / 4)


@settings(max_examples=60)
@given(grouped_sets(), grouped_sets())
def test_each_group_is_as_if_alone(a, b):
    found = {
        iv.union: iv.union_by_group(a, b),
        iv.intersection: iv.intersection_by_group(a, b),
        iv.difference: iv.difference_by_group(a, b),
    }
    for alone, together in found.items():
        assert np.all(np.diff(together.group) >= 0)
        for group in range(4):
            assert listed(in_group(together, group)) == listed(alone(in_group(a, group), in_group(b, group)))
    pieces = iv.restrict_by_group(a, b)
    for group in range(4):
        own = np.isin(pieces.row, np.flatnonzero(a[0] == group))
        _, start, end = iv.restrict(in_group(a, group), in_group(b, group))
        assert listed((pieces.start[own], pieces.end[own])) == listed((start, end))


@given(grouped_sets(), grouped_sets())
def test_ranks_and_distances_agree(a, b):
    # Groups as far apart as int64 allows cannot be laid out by distance; nothing else changes.
    def spread(set_):
        return (set_[0] - 2) * 2**61, set_[1], set_[2]

    near, far = iv.intersection_by_group(a, b), iv.intersection_by_group(spread(a), spread(b))
    assert listed(far) == listed(spread(near))


@given(sets(dtype=int))
def test_microseconds_of_today_stay_whole(a):
    # 2026 lies near 1.8e15 microseconds, well past what a float holds to a quarter of one.
    today = 1_795_000_000_000_000
    moved = a[0] + today, a[1] + today
    assert listed(iv.union(moved)) == listed(each + today for each in iv.union(a))
    assert iv.union(moved).start.dtype == np.int64
    assert listed(iv.sweep(moved)) == [(iv.sweep(a).edges + today).tolist(), iv.sweep(a).level.tolist()]


def test_what_goes_in_is_left_as_it_was():
    before = [array.copy() for array in FIVE]
    iv.sweep(FIVE, window=(-1, 10))
    iv.union_by_group((np.zeros(5, np.int64), *FIVE))
    assert all(np.array_equal(old, new) for old, new in zip(before, FIVE, strict=True))
