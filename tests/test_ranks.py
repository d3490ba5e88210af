"""The all-N sweep against the plain way: one coverage for every N."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim import Coverage, Span
from passim.coverage.ranks import RankSweep, nearest_smaller
from passim.intervals import GroupedIntervals

START = datetime(2026, 3, 1, tzinfo=UTC)
SECOND = 1_000_000
SPAN = Span(START, START + timedelta(seconds=60))


def intervals(rows: list[tuple[int, int, int]]) -> GroupedIntervals:
    satellite, start, length = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    return GroupedIntervals(satellite, SPAN.start_us + start * SECOND, SPAN.start_us + (start + length) * SECOND)


ROWS = st.lists(st.tuples(st.integers(0, 7), st.integers(-8, 62), st.integers(0, 25)), max_size=30)


@given(ROWS, st.permutations(range(8)))
def test_every_n_is_the_plain_coverage_of_the_first_n(rows: list[tuple[int, int, int]], order: list[int]) -> None:
    given_intervals, rank = intervals(rows), np.array(order)
    cover = RankSweep(given_intervals, SPAN).cover(rank)
    mean = cover.mean_gap_s()
    for n in range(9):
        chosen = rank[given_intervals.group] < n
        plain = Coverage.from_intervals(given_intervals.start[chosen], given_intervals.end[chosen], SPAN)
        summary = plain.summary()
        gaps = plain.gaps()
        assert cover.gap_us[n] == round(gaps["duration_s"].sum() * 1e6)
        assert cover.gap_count[n] == summary["gap_count"]
        assert cover.longest_gap_us[n] == round(summary["gap_longest_s"] * 1e6)
        assert len(cover.gaps_us(n)) == len(gaps)
        assert mean[n] == pytest.approx(summary["gap_mean_s"])
        # Whatever the span cuts: mean and count multiply to the time out.
        assert mean[n] * cover.gap_count[n] == pytest.approx(cover.gap_us[n] / 1e6)
        assert summary["gap_mean_s"] * len(gaps) == pytest.approx(gaps["duration_s"].sum())


@given(ROWS, st.lists(st.integers(1, 9), min_size=2, max_size=8))
def test_inside_windows_only_their_own_time_counts(rows: list[tuple[int, int, int]], steps: list[int]) -> None:
    edges = np.cumsum(steps)
    edges = edges[: len(edges) // 2 * 2].reshape(-1, 2) * SECOND + SPAN.start_us
    given_intervals, rank = intervals(rows), np.arange(8)
    cover = RankSweep(given_intervals, SPAN).cover(rank).clipped(edges[:, 0], edges[:, 1])
    for n in range(9):
        chosen = rank[given_intervals.group] < n
        plain = Coverage.from_intervals(given_intervals.start[chosen], given_intervals.end[chosen], SPAN)
        out = 0
        for start, end in cover.gaps_us(n):
            out += end - start
        expected = 0
        for gap in plain.gaps().itertuples():
            a, b = gap.start.value // 1000, gap.end.value // 1000
            expected += sum(max(0, min(b, e) - max(a, s)) for s, e in edges.tolist())
        assert cover.gap_us[n] == out == expected


def test_a_satellite_that_never_counts() -> None:
    cover = RankSweep(intervals([(0, 0, 60), (1, 10, 20)]), SPAN).cover(np.array([-1, 0]))
    assert cover.gap_us.tolist() == [60 * SECOND, 40 * SECOND]


@given(st.lists(st.integers(0, 6), min_size=1, max_size=40))
def test_nearest_smaller_neighbours(values: list[int]) -> None:
    left, right = nearest_smaller(np.array(values))
    for i, value in enumerate(values):
        before = [j for j in range(i) if values[j] < value]
        after = [j for j in range(i + 1, len(values)) if values[j] < value]
        assert left[i] == (before[-1] if before else -1)
        assert right[i] == (after[0] if after else len(values))
