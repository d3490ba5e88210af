"""The figures of many places at once: how much of the time there is service, how often it breaks, and for how long.

They are gathered slice by slice, so memory does not grow with the span. Many places are shared out among workers by
time: all of a group share one propagation of a slice, and no satellite is followed twice.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import timedelta
from itertools import islice, pairwise
from typing import Final, NamedTuple

import numpy as np

from passim import intervals
from passim.arrays import Bools
from passim.coverage.statistics import gap_statistics
from passim.elements.records import Fleet
from passim.errors import EmptyFleetError
from passim.intervals import GroupedIntervals, Intervals
from passim.parallel.chunks import WorkerConfig, map_chunks
from passim.sky.in_view import counted_fleet, slices_in_view, without_fleet_limits
from passim.sky.search_report import SearchReport, report_of
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]

# So many places are one group, whose slices are shared out: none of them is whole before the last slice.
PLACES_TOGETHER: Final = 324
# Up to so many are too little to share out.
_FEW: Final = 36
# A span is cut into eight slices, unless they become shorter or longer than this; each is a whole number of segments,
# so that they meet at nodes.
_SLICES: Final = 8
_SHORTEST, _LONGEST, _SEGMENT = timedelta(hours=1), timedelta(hours=3), timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class SiteFigures:
    """What a view has in a span. Definitions are those of `Coverage.summary` and `Coverage.gaps_per_hour`."""

    covered_fraction: float
    gap_count: int
    gaps_per_hour: float
    gap_mean_s: float
    gap_longest_s: float
    in_view_min: int
    in_view_mean: float
    in_view_max: int

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names of the figures."""
        return tuple(field.name for field in fields(cls))


class RunningFigures:
    """The figures of one view while its span is worked through, slice by slice in order of time."""

    def __init__(self, span: Span) -> None:
        self._span = span
        self._gaps: list[Intervals] = []
        self._in_view_us = 0
        self._lowest: int | None = None
        self._highest = 0

    def add(self, found: GroupedIntervals, stretch: Span) -> None:
        """Add when satellites can serve the view in one stretch of the span."""
        steps = intervals.sweep((found.start, found.end), window=(stretch.start_us, stretch.end_us))
        self._gaps.append(intervals.where(steps, steps.level == 0))
        self._in_view_us += int((steps.level * np.diff(steps.edges)).sum())
        self._count(int(steps.level.min()), int(steps.level.max()))

    def add_later(self, other: RunningFigures) -> None:
        """Add what another has of stretches that come later."""
        self._gaps += other._gaps
        self._in_view_us += other._in_view_us
        if other._lowest is not None:
            self._count(other._lowest, other._highest)

    def _count(self, lowest: int, highest: int) -> None:
        self._lowest = lowest if self._lowest is None else min(self._lowest, lowest)
        self._highest = max(self._highest, highest)

    @property
    def gaps(self) -> Intervals:
        """The gaps so far, sorted; one that goes on over the edge of two stretches is one."""
        return intervals.union(*self._gaps) if self._gaps else Intervals(*(np.zeros(0, dtype=np.int64),) * 2)

    def figures(self) -> SiteFigures:
        """Return the figures, once every stretch of the span has been added."""
        start, end = self.gaps
        span = self._span
        span_us = span.end_us - span.start_us
        whole: Bools = (start > span.start_us) & (end < span.end_us)
        gaps = gap_statistics((end - start) / 1e6, whole, span.duration_s)
        return SiteFigures(
            covered_fraction=(span_us - int((end - start).sum())) / span_us,
            gap_count=int(gaps["gap_count"] or 0),
            gaps_per_hour=int((start > span.start_us).sum()) / (span.duration_s / 3600.0),
            gap_mean_s=float(gaps["gap_mean_s"] or 0.0),
            gap_longest_s=float(gaps["gap_longest_s"] or 0.0),
            in_view_min=self._lowest or 0,
            in_view_mean=self._in_view_us / span_us,
            in_view_max=self._highest,
        )


@dataclass(frozen=True)
class PlaceFigures:
    """The figures of one of several views, and what satellites could not be used for it."""

    figures: SiteFigures
    unusable: tuple[tuple[str, str, str], ...]


def figures_of(
    fleet: Fleet,
    views: Sequence[View],
    span: Span,
    *,
    workers: WorkerConfig | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> Iterator[PlaceFigures]:
    """Yield the figures of each of `views` in order, as soon as they are known, worked out by `workers`.

    All views must have the same limits of the fleet (who serves, which share, who is left out); those of the first are
    taken. The rest may differ. Raises what `slices_in_view` and `map_chunks` raise.
    """
    if not views:
        return
    counted = counted_fleet(fleet, views[0], span)
    bare = [without_fleet_limits(view) for view in views]
    groups = [bare[first : first + PLACES_TOGETHER] for first in range(0, len(bare), PLACES_TOGETHER)]
    stretches = _stretches(span) if len(bare) > _FEW else [span]
    chunks = [_Chunk(group, stretch) for group in groups for stretch in stretches]
    done = map_chunks(_figures_of_some, (counted, span), chunks, workers=workers, progress=progress, cancel=cancel)
    for group in groups:
        tallies = [RunningFigures(span) for _ in group]
        unusable: dict[str, tuple[str, str, str]] = {}
        empty = []
        for part in islice(done, len(stretches)):
            for tally, later in zip(tallies, part.tallies, strict=True):
                tally.add_later(later)
            for entry in part.unusable:
                unusable.setdefault(entry[0], entry)
            empty.append(part.empty)
        if empty[0] is not None and all(empty):
            raise empty[0]
        unusable_places = tuple(unusable.values())
        yield from (PlaceFigures(tally.figures(), unusable_places) for tally in tallies)


class _Chunk(NamedTuple):
    """Views of one group, and the stretch of the span to look at."""

    views: Sequence[View]
    span: Span


class _Part(NamedTuple):
    """What a chunk came to: figures so far by view, unusable satellites, and why where it had no usable one at all."""

    tallies: list[RunningFigures]
    unusable: tuple[tuple[str, str, str], ...]
    empty: EmptyFleetError | None


def _stretches(span: Span) -> list[Span]:
    """Cut a span into slices."""
    duration = span.end - span.start
    slice_ = min(max(-(-duration // (_SLICES * _SEGMENT)) * _SEGMENT, _SHORTEST), _LONGEST)
    edges = [*(span.start + k * slice_ for k in range(-(-duration // slice_))), span.end]
    return [Span(start, end) for start, end in pairwise(edges)]


def report_on_places(fleet: Fleet, set_aside: int, unusable: Iterable[tuple[str, str, str]]) -> SearchReport:
    """Return the report on many places: `fleet` holds one set an object, `unusable` is told as `PlaceFigures` does.

    Its never_up and always_up are empty, because nobody asked.
    """
    index = {number: k for k, number in enumerate(fleet.satellite_ids.tolist())}
    return report_of(
        fleet,
        set_aside=set_aside,
        seen=np.arange(len(fleet)),
        always=np.zeros(0, dtype=np.intp),
        unusable=sorted((index[number], reason) for number, _, reason in unusable),
    )


def _figures_of_some(common: tuple[Fleet, Span], chunk: _Chunk, tell: Progress) -> _Part:
    """Return the figures of some views in a stretch of the span: the work of one chunk."""
    fleet, whole = common
    tallies = [RunningFigures(whole) for _ in chunk.views]
    unusable: dict[str, tuple[str, str, str]] = {}
    empty = []
    for piece in slices_in_view(fleet, chunk.views, chunk.span, progress=tell):
        for tally, found in zip(tallies, piece.found, strict=True):
            tally.add(found, piece.span)
        for entry in piece.unusable:
            unusable.setdefault(entry[0], entry)
        empty.append(piece.empty)
    return _Part(tallies, tuple(unusable.values()), empty[0] if all(empty) else None)
