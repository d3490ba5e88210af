"""Half-open intervals [start, end) on a line, held as arrays, and the step functions they add up to.

    set algebra     union  intersection  difference  complement  total_length      results sorted, disjoint, apart
    row by row      clip  restrict                                                 results keep the row they came from
    counting        sweep -> Steps;  where  at_least  level_at  in_bins
    by group        union_by_group  intersection_by_group  difference_by_group  restrict_by_group
                                                      one call for many independent lines, such as one a satellite

Nothing here knows what the numbers mean. Whole numbers (as int64, so microseconds since 1970 fit) stay whole and every
law holds exactly; other real numbers are float64. A set goes in as a pair ``(start, end)`` of shape (n,) each, in any
order and overlapping at will, and comes out as `Intervals`, so that calls compose. Because intervals are half-open,
[1, 2) and [2, 3) do not overlap and their union is [1, 3); an interval of no length is empty and vanishes.

Every function raises ValueError when an interval ends before it starts, when a bound is not a number, or when shapes
disagree. Costs are those of sorting: the sweep of 20,000 intervals takes one to three milliseconds.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim.arrays import Indices, Ints

# int64 where every bound given was a whole number, else float64.
Numbers = NDArray[Any]

# Whole numbers are moved about on the line only where the result is sure to stay inside int64.
_ROOM = 2**62


class Intervals(NamedTuple):
    """Intervals [start, end): two arrays of shape (n,)."""

    start: Numbers
    end: Numbers


class GroupedIntervals(NamedTuple):
    """Intervals [start, end) on independent lines told apart by a whole number: three arrays of shape (n,)."""

    group: Ints
    start: Numbers
    end: Numbers


class Pieces(NamedTuple):
    """Parts [start, end) of given intervals, each with the row it was cut from: three arrays of shape (n,)."""

    row: Indices
    start: Numbers
    end: Numbers


class Steps(NamedTuple):
    """A step function: `level` (slices,) holds from `edges[i]` up to `edges[i+1]`, `edges` (slices+1,) ascending.

    Neighbouring slices differ in level. Where there is no slice at all, both arrays are empty.
    """

    edges: Numbers
    level: Numbers


class Bins(NamedTuple):
    """What a step function does inside each bin: lowest and highest level and the integral over it, (bins,) each."""

    lowest: Numbers
    highest: Numbers
    integral: Numbers


IntervalSet = Intervals | tuple[ArrayLike, ArrayLike]
GroupedSet = GroupedIntervals | tuple[ArrayLike, ArrayLike, ArrayLike]


def union(*sets: IntervalSet) -> Intervals:
    """Return the points in any of `sets`; touching intervals merge."""
    start, end = _together([_checked(each) for each in sets])
    if start.size == 0:
        return Intervals(start, end)
    # Sort starts and ends apart. With i intervals begun and i ended, nothing is open: a new one begins past each end
    # that the next start does not reach.
    start, end = np.sort(start, kind="stable"), np.sort(end, kind="stable")
    apart = start[1:] > end[:-1]
    return Intervals(start[np.append(True, apart)], end[np.append(apart, True)])


def intersection(a: IntervalSet, b: IntervalSet) -> Intervals:
    """Return the points in both `a` and `b`."""
    _, start, end = restrict(union(a), b)
    return Intervals(start, end)


def difference(a: IntervalSet, b: IntervalSet) -> Intervals:
    """Return the points of `a` that are not in `b`."""
    retained, gone = union(a), union(b)
    if retained.start.size == 0 or gone.start.size == 0:
        return retained
    low = min(retained.start[0], gone.start[0])
    high = max(retained.end[-1], gone.end[-1])
    return intersection(retained, complement(gone, low, high))


def complement(intervals: IntervalSet, low: float, high: float) -> Intervals:
    """Return the points of the window [low, high) that are in none of `intervals`."""
    _, start, end = clip(intervals, low, high)
    start, end = union((start, end))
    window = np.array([low, high], dtype=start.dtype if start.size else None)
    gap_start = np.append(window[:1], end.astype(window.dtype))
    gap_end = np.append(start.astype(window.dtype), window[1:])
    real = gap_end > gap_start
    return Intervals(gap_start[real], gap_end[real])


def total_length(intervals: IntervalSet) -> Any:
    """Return the length of the union of `intervals`, a Python int or float."""
    start, end = union(intervals)
    return (end - start).sum().item()


def clip(intervals: IntervalSet, low: float, high: float) -> Pieces:
    """Return each of `intervals` cut to the window [low, high), one by one and not merged; rows left empty go."""
    start, end = _checked(intervals, keep_empty=True)
    if not high >= low:
        raise ValueError(f"the window ends before it starts: got [{low}, {high})")
    start, end = np.maximum(start, low), np.minimum(end, high)
    retained = end > start
    if retained.all():
        return Pieces(np.arange(start.size), start, end)
    row = np.flatnonzero(retained)
    return Pieces(row, start[row], end[row])


def restrict(intervals: IntervalSet, to: IntervalSet) -> Pieces:
    """Return the parts of each of `intervals` that lie in the union of `to`, in the order of their rows.

    Rows that overlap each other stay apart, so that what else is known of a row can follow its parts.
    """
    start, end = _checked(intervals, keep_empty=True)
    to_start, to_end = union(to)
    # The members of `to` that a row meets are neighbours: from the first that ends after the row's start up to the
    # first that begins at or after its end.
    first = np.searchsorted(to_end, start, side="right")
    met = np.searchsorted(to_start, end, side="left") - first
    met[end <= start] = 0
    row = np.repeat(np.arange(start.size), met)
    member = np.arange(row.size) - np.repeat(np.cumsum(met) - met, met) + first[row]
    return Pieces(row, np.maximum(start[row], to_start[member]), np.minimum(end[row], to_end[member]))


def sweep(
    intervals: IntervalSet, *, weight: ArrayLike | None = None, window: tuple[float, float] | None = None
) -> Steps:
    """Return how many of `intervals` hold each point, as a step function.

    `weight`, shape (n,), counts each interval that many times; sums of weights that are not whole carry rounding, but
    stand at 0 where nothing is. `window` (low, high) cuts the intervals and makes the function run over exactly
    [low, high), with level 0 where nothing is; without it the function runs from the first start to the last end.
    """
    start, end = _checked(intervals, keep_empty=True)
    if weight is not None:
        weight = np.asarray(weight)
        if weight.shape != start.shape:
            raise ValueError(f"one weight for each interval: got shape {weight.shape}, wanted {start.shape}")
    if window is None:
        row = np.flatnonzero(end > start)
        start, end = start[row], end[row]
    else:
        if not window[1] > window[0]:
            raise ValueError(f"a window with some length: got [{window[0]}, {window[1]})")
        row, start, end = clip((start, end), *window)

    # Walk along the line in order: one more at each start, one less at each end. Of several changes in one place only
    # the sum counts.
    edges, change = _changes(start, end)
    last_here = np.append(edges[1:] != edges[:-1], True)[: edges.size]
    edges, level = edges[last_here], np.cumsum(change)[last_here]
    if weight is not None:
        heavier = np.zeros(edges.size, dtype=weight.dtype)
        np.add.at(heavier, np.searchsorted(edges, start), weight[row])
        np.subtract.at(heavier, np.searchsorted(edges, end), weight[row])
        level = np.where(level == 0, 0, np.cumsum(heavier))

    # Complete the window on either side, then join slices of the same level.
    if window is not None:
        bounds = np.array(window, dtype=edges.dtype if edges.size else None)
        before = bounds[:1] if not edges.size or edges[0] > bounds[0] else bounds[:0]
        after = bounds[1:] if not edges.size or edges[-1] < bounds[1] else bounds[:0]
        edges = np.concatenate([before, edges.astype(bounds.dtype), after])
        level = np.concatenate([np.zeros(before.size, level.dtype), level, np.zeros(after.size, level.dtype)])
    level = level[:-1]
    fresh = np.append(True, level[1:] != level[:-1])[: level.size]
    return Steps(np.append(edges[:-1][fresh], edges[-1:]), level[fresh])


def where(steps: Steps, chosen: ArrayLike) -> Intervals:
    """Return the union of the slices of `steps` where `chosen`, a truth value a slice, shape (slices,), holds."""
    chosen = np.asarray(chosen, dtype=bool)
    if chosen.shape != steps.level.shape:
        raise ValueError(f"one truth value for each slice: got shape {chosen.shape}, wanted {steps.level.shape}")
    padded = np.concatenate([[False], chosen, [False]])
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return Intervals(steps.edges[change[::2]], steps.edges[change[1::2]])


def at_least(steps: Steps, level: float) -> Intervals:
    """Return where `steps` stands at `level` or above: with a count, the points held at least that many times."""
    return where(steps, steps.level >= level)


def level_at(steps: Steps, points: ArrayLike) -> Numbers:
    """Return the level at each of `points`, in their shape. Raises ValueError outside the function's edges."""
    points = np.asarray(points)
    low, high = (steps.edges[0], steps.edges[-1]) if steps.edges.size else (np.nan, np.nan)
    if not np.all((points >= low) & (points < high)):
        raise ValueError(f"points of a function over [{low}, {high}): got some that lie outside")
    return np.asarray(steps.level[np.searchsorted(steps.edges, points, side="right") - 1])


def in_bins(steps: Steps, bins: ArrayLike) -> Bins:
    """Return the lowest and highest level and the integral of `steps` between neighbouring `bins` edges (bins+1,).

    The bins ascend and lie inside the function's edges. Integrals of whole numbers are whole, so they add up exactly.
    """
    bins = _numbers(bins, "bins")
    if bins.size < 2 or not np.all(bins[1:] > bins[:-1]):
        raise ValueError(f"two or more ascending edges of bins: got {bins.size} edges")
    if not steps.edges.size or bins[0] < steps.edges[0] or bins[-1] > steps.edges[-1]:
        raise ValueError(f"bins inside the function's edges: got [{bins[0]}, {bins[-1]})")
    # A bin reads the slices from the one that holds its left edge up to the one that holds the points just before its
    # right edge. reduceat takes them as pairs first, one past the last; of its answers every second is ours.
    first = np.searchsorted(steps.edges, bins[:-1], side="right") - 1
    past = np.searchsorted(steps.edges, bins[1:], side="left")
    pairs = np.column_stack([first, past]).ravel()
    padded = np.append(steps.level, steps.level[-1:])
    # The integral up to a point is that up to the slice's left edge and the rest at the slice's level.
    up_to_edge = np.concatenate([[0], np.cumsum(steps.level * np.diff(steps.edges))])
    held_by = np.append(first, past[-1] - 1)
    integral = np.diff(up_to_edge[held_by] + steps.level[held_by] * (bins - steps.edges[held_by]))
    return Bins(np.minimum.reduceat(padded, pairs)[::2], np.maximum.reduceat(padded, pairs)[::2], integral)


def union_by_group(*sets: GroupedSet) -> GroupedIntervals:
    """Return the `union` of `sets` in each group, sorted by group and start; of one that is so already, itself."""
    if len(sets) == 1 and _is_merged(sets[0]):
        return GroupedIntervals(*(np.asarray(column) for column in sets[0]))
    line, laid = _lay_out(*sets)
    return line.lift(union(*laid))


def intersection_by_group(a: GroupedSet, b: GroupedSet) -> GroupedIntervals:
    """Return the `intersection` of `a` and `b` in each group, sorted by group and start."""
    line, (first, second) = _lay_out(a, b)
    return line.lift(intersection(first, second))


def difference_by_group(a: GroupedSet, b: GroupedSet) -> GroupedIntervals:
    """Return the `difference` of `a` less `b` in each group, sorted by group and start."""
    line, (first, second) = _lay_out(a, b)
    return line.lift(difference(first, second))


def restrict_by_group(intervals: GroupedSet, to: GroupedSet) -> Pieces:
    """Return the parts of each of `intervals` that lie in the union of `to` in its own group, in the order of rows.

    With one group a satellite: the passes over a site cut down to when the same satellite is over a gateway too.
    """
    line, (first, second) = _lay_out(intervals, to)
    row, start, end = restrict(first, second)
    _, start, end = line.lift(Intervals(start, end))
    return Pieces(row, start, end)


def each_within(low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """Return for ranges [low, high), shape (n,), every (number of the range, whole number in it), in order."""
    count = np.maximum(high - low, 0)
    member = np.repeat(np.arange(count.size), count)
    return member, np.arange(member.size) - np.repeat(np.cumsum(count) - count, count) + low[member]


class _Line(NamedTuple):
    """How groups were laid end to end on one line of whole numbers, so that a question by group is a plain question.

    A point of the line is group_place * width + place. `width` is one more than the farthest place, so that an end in
    one group never touches a start in the next. A place is a distance from `low`, or where `values` is given the rank
    of a bound among all bounds; ranks are exact for every dtype, since set algebra only ever compares.
    """

    width: int
    group_low: int
    low: int
    groups: Ints | None
    values: Numbers | None

    def lift(self, laid: Intervals) -> GroupedIntervals:
        """Return intervals of the line as intervals in their groups."""
        group, start = np.divmod(laid.start, self.width)
        end = laid.end - group * self.width
        group = group + self.group_low if self.groups is None else self.groups[group]
        if self.values is None:
            return GroupedIntervals(group, start + self.low, end + self.low)
        return GroupedIntervals(group, self.values[start], self.values[end])


def _lay_out(*sets: GroupedSet) -> tuple[_Line, list[Intervals]]:
    """Lay the groups of `sets` end to end; return how, and each set on the line, in its order and empty rows too."""
    groups, checked = [], []
    for each in sets:
        group = _whole_groups(each[0])
        intervals = _checked((each[1], each[2]), keep_empty=True)
        if group.shape != intervals.start.shape:
            raise ValueError(f"one group for each interval: got shape {group.shape}, wanted {intervals.start.shape}")
        groups.append(group)
        checked.append(intervals)
    bounds = np.concatenate(_together(checked))
    every_group = np.concatenate(groups)
    if bounds.size == 0:
        empty = Intervals(np.zeros(0, np.int64), np.zeros(0, np.int64))
        return _Line(1, 0, 0, None, bounds), [empty] * len(sets)

    group_low, low = int(every_group.min()), int(bounds.min()) if bounds.dtype.kind == "i" else 0
    width = int(bounds.max()) - low + 1 if bounds.dtype.kind == "i" else _ROOM
    if width * (int(every_group.max()) - group_low + 1) < _ROOM:
        # The usual case, and the fast one: distances from the earliest bound fit side by side.
        line = _Line(width, group_low, low, None, None)
        laid = []
        for group, (start, end) in zip(groups, checked, strict=True):
            base = (group - group_low) * width
            laid.append(Intervals(start.astype(np.int64) - low + base, end.astype(np.int64) - low + base))
        return line, laid
    # Numbers with fractions, or groups or bounds too far apart: put ranks in their place.
    values, ranks = np.unique(bounds, return_inverse=True)
    known_groups, group_ranks = np.unique(every_group, return_inverse=True)
    base = group_ranks.astype(np.int64) * values.size
    start, end = (half + base for half in np.split(ranks.astype(np.int64), 2))
    cuts = np.cumsum([group.size for group in groups])[:-1]
    laid = [Intervals(*halves) for halves in zip(np.split(start, cuts), np.split(end, cuts), strict=True)]
    return _Line(values.size, 0, 0, known_groups, values), laid


def _is_merged(one: GroupedSet) -> bool:
    """Say whether intervals by group, in whole numbers, are sorted by group and start, and apart."""
    group, start, end = (np.asarray(column) for column in one)
    if {(column.dtype, column.shape) for column in (group, start, end)} != {(np.dtype(np.int64), (group.size,))}:
        return False
    follows = (group[1:] > group[:-1]) | ((group[1:] == group[:-1]) & (start[1:] > end[:-1]))
    return bool(follows.all() and (end > start).all())


def _changes(start: Numbers, end: Numbers) -> tuple[Numbers, Ints]:
    """Return all starts and ends in ascending order and what the count changes by at each, shape (2n,) both."""
    low = int(start.min()) if start.size and start.dtype.kind == "i" else 0
    if start.dtype.kind == "i" and int(end.max(initial=low)) - low < _ROOM // 2:
        # Sorting numbers is faster than sorting an order: carry the kind of each edge in its lowest bit. The stable
        # sort profits from rows that come in the order of their starts, as tables of events do.
        keys = np.concatenate([start, end])
        keys -= low
        keys <<= 1
        keys[: start.size] += 1
        keys.sort(kind="stable")
        change = keys & 1
        change += change
        change -= 1
        keys >>= 1
        keys += low
        return keys, change
    edges = np.concatenate([start, end])
    order = np.argsort(edges, kind="stable")
    return edges[order], np.where(order < start.size, 1, -1)


def _checked(intervals: IntervalSet, *, keep_empty: bool = False) -> Intervals:
    """Return `intervals` as arrays of one dtype, those without length dropped unless asked. Raises ValueError."""
    start, end = _numbers(intervals[0], "start"), _numbers(intervals[1], "end")
    if start.shape != end.shape:
        raise ValueError(f"one end for each start: got shapes {start.shape} and {end.shape}")
    if start.dtype != end.dtype:
        start, end = start.astype(np.float64), end.astype(np.float64)
    if not np.all(end >= start):
        first = int(np.flatnonzero(~(end >= start))[0])
        raise ValueError(
            f"an interval ends before it starts: got [{start[first]}, {end[first]}) in row {first}, wanted start <= end"
        )
    if keep_empty or np.all(end > start):
        return Intervals(start, end)
    real = end > start
    return Intervals(start[real], end[real])


def _together(sets: list[Intervals]) -> Intervals:
    """Return `sets` one after another; a set with nothing in it has no say in the dtype."""
    filled = [each for each in sets if each.start.size] or sets[:1]
    if not filled:
        return Intervals(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    return Intervals(np.concatenate([e.start for e in filled]), np.concatenate([e.end for e in filled]))


def _numbers(values: ArrayLike, what: str) -> Numbers:
    """Return `values`, shape (n,), as int64 where they are whole numbers and as float64 else. Raises ValueError."""
    array = np.asarray(values)
    if array.ndim != 1:
        raise ValueError(f"{what}: got an array of shape {array.shape}, wanted (n,)")
    if array.dtype.kind not in "iuf":
        raise ValueError(f"{what}: got values of dtype {array.dtype}, wanted real numbers")
    if array.dtype.kind == "u" and array.size and int(array.max()) >= 2**63:
        raise ValueError(f"{what}: got {int(array.max())}, wanted whole numbers below 2**63")
    if array.dtype.kind == "f" and np.isnan(array).any():
        raise ValueError(f"{what}: got a value that is not a number in row {int(np.flatnonzero(np.isnan(array))[0])}")
    return array.astype(np.float64 if array.dtype.kind == "f" else np.int64, copy=False)


def _whole_groups(group: ArrayLike) -> Ints:
    """Return `group` as int64, shape (n,). Raises ValueError."""
    array = np.asarray(group)
    if array.size == 0:
        array = array.astype(np.int64)
    if array.ndim != 1 or array.dtype.kind not in "iu":
        raise ValueError(f"groups: got dtype {array.dtype} of shape {array.shape}, wanted whole numbers of shape (n,)")
    return array.astype(np.int64, copy=False)
