"""Coarse first, then finer: a sweep by latitude or over the world in an order in which any part of it is of use.

The places of a grid are taken level by level. The first is a coarse grid whose places are some of the fine one's, each
level after it halves the steps, and what came before is not looked at again. So whoever stops after any level has a
whole grid, only a coarser one; figures over the Earth's surface are those of the last whole level. By shares, where
further longitudes cost nothing, levels add latitudes alone.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import numpy as np

from passim.answers.sites.sweeps import (
    LONGITUDES,
    LatitudeSweep,
    Place,
    PlaceSweep,
    ShareSweep,
    WorldSummary,
    latitude_row,
    places_around,
    travelling,
)
from passim.elements.records import Fleet
from passim.parallel.chunks import WorkerConfig
from passim.sky.search_report import SearchReport
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]

# About as far apart as the points of the first level may be.
COARSEST_DEG: Final = 20.0


def latitude_levels(latitudes_deg: Sequence[float]) -> list[list[float]]:
    """Return latitudes level by level, those of each ascending; both hemispheres alike, from the equator outwards.

    The first has each so many-th of them that they are up to `COARSEST_DEG` apart, each further level halves that.
    """
    heights = sorted({abs(latitude) for latitude in latitudes_deg})
    stride = _stride(float(np.median(np.diff(heights))) if len(heights) > 1 else 0.0)
    level_of = {height: _level(rank, stride) for rank, height in enumerate(heights)}
    levels: list[list[float]] = [[] for _ in range(stride.bit_length())]
    for latitude in sorted(set(latitudes_deg)):
        levels[level_of[abs(latitude)]].append(latitude)
    return [level for level in levels if level]


def world_levels(places_deg: Sequence[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """Return the places of a grid level by level, those of each in the order given: latitudes and longitudes thin out.

    Both ways a level has every second of the next one's, so that its cells are as wide and as high as those of the
    last, only larger. A way whose steps are wide from the first is not thinned.
    """
    latitudes = latitude_levels([latitude for latitude, _ in places_deg])
    row = {latitude: level for level, some in enumerate(latitudes) for latitude in some}
    longitudes = sorted({longitude for _, longitude in places_deg})
    stride = _stride(360.0 / len(longitudes))
    column = {longitude: _level(rank, stride) for rank, longitude in enumerate(longitudes)}
    last = max(max(row.values()), max(column.values()))
    # What is thinned less begins later, except for its own coarsest, which is there from the first.
    late_row, late_column = last - max(row.values()), last - max(column.values())
    levels: list[list[tuple[float, float]]] = [[] for _ in range(last + 1)]
    for latitude, longitude in places_deg:
        down, across = row[latitude], column[longitude]
        levels[max(down + late_row * (down > 0), across + late_column * (across > 0))].append((latitude, longitude))
    return [level for level in levels if level]


def _stride(step_deg: float) -> int:
    """Return the largest power of two of steps that is no wider than `COARSEST_DEG`."""
    return 1 if step_deg <= 0.0 else 2 ** max(0, int(np.floor(np.log2(COARSEST_DEG / step_deg) + 1e-9)))


def _level(rank: int, stride: int) -> int:
    """Return the level at which the `rank`-th of a row comes in, where the first has every `stride`-th.

    The first begins half a stride in, so that what it stands for lies to both sides of it.
    """
    if rank % stride == stride // 2:
        return 0
    level = 1
    while rank % (stride := stride // 2):
        level += 1
    return level


class _Levels:
    """What a walk over levels of places has come to."""

    def __init__(
        self,
        fleet: Fleet,
        view: View,
        levels: Sequence[Sequence[tuple[float, float]]],
        span: Span,
        step_s: float | None,
        workers: WorkerConfig | None,
        progress: Progress | None,
    ) -> None:
        self._fleet, self._view, self._span, self._step_s = fleet, view, span, step_s
        self._progress, self._workers = progress, workers
        self.levels = [tuple(level) for level in levels]
        self.share_error = 0.0
        self._sweep: PlaceSweep | ShareSweep | None = None

    @property
    def report(self) -> SearchReport:
        """What the search used, set aside and could not use, at the places that have come so far."""
        assert self._sweep is not None  # asked after the first place
        return self._sweep.report

    def _places(self) -> Iterator[tuple[int, Place]]:
        """Yield the number of its level and each place, as they come."""
        if self._step_s is None:
            # One search for all, so that its workers begin once.
            every = [place for level in self.levels for place in level]
            number = [k for k, level in enumerate(self.levels) for _ in level]
            exact = PlaceSweep(
                self._fleet, self._view, every, self._span, workers=self._workers, progress=self._progress
            )
            self._sweep = exact
            yield from zip(number, exact, strict=True)
            return
        before, every_row = 0, sum(len(_rows(level)) for level in self.levels)
        for k, level in enumerate(self.levels):
            rows = len(_rows(level))

            def tell(done: float, before: int = before, rows: int = rows) -> None:
                if self._progress:
                    self._progress((before + done * rows) / every_row)

            sweep = ShareSweep(
                self._fleet, self._view, level, self._span, self._step_s, workers=self._workers, progress=tell
            )
            for place in sweep:
                self._sweep, self.share_error = sweep, max(self.share_error, sweep.share_error)
                yield k, place
            before += rows


def _rows(level: Sequence[tuple[float, float]]) -> set[float]:
    return {latitude for latitude, _ in level}


class WorldWalk(_Levels):
    """The places of a grid of the world, coarse first. Iterate over it once: places come as they are found.

    ``summary`` holds the means over the surface of the last level that came whole, None before the first did, and
    ``whole_step_deg`` how far apart its latitudes are. ``report`` is what was used so far, and with `step_s` (shares
    alone, see `ShareSweep`; gateways of the view then count) ``share_error`` the standard error of the worst place.
    """

    def __init__(
        self,
        fleet: Fleet,
        view: View,
        places_deg: Sequence[tuple[float, float]],
        span: Span,
        *,
        step_s: float | None = None,
        workers: WorkerConfig | None = None,
        progress: Progress | None = None,
    ) -> None:
        if step_s is None:
            levels = world_levels(places_deg)
        else:
            by_latitude = latitude_levels([latitude for latitude, _ in places_deg])
            levels = [[place for place in places_deg if place[0] in set(some)] for some in by_latitude]
        super().__init__(fleet, view, levels, span, step_s, workers, progress)
        self.summary: WorldSummary | None = None
        self.whole_step_deg = 180.0

    def __iter__(self) -> Iterator[Place]:
        summary, left = WorldSummary(), [len(level) for level in self.levels]
        rows = len({latitude for level in self.levels for latitude, _ in level})
        for level, place in self._places():
            summary.add(place)
            left[level] -= 1
            if not left[level]:
                self.summary = copy.copy(summary)
                self.whole_step_deg = 180.0 / rows * 2 ** (len(self.levels) - 1 - level)
            yield place


class LatitudeWalk(_Levels):
    """A sweep by latitude, coarse first. Iterate over it once: rows of `LatitudeSweep` come as they are found.

    ``swept`` is, at any time after the first, the sweep over the latitudes that came.
    """

    def __init__(
        self,
        fleet: Fleet,
        view: View,
        latitudes_deg: Sequence[float],
        span: Span,
        *,
        longitudes: int = LONGITUDES,
        step_s: float | None = None,
        workers: WorkerConfig | None = None,
        progress: Progress | None = None,
    ) -> None:
        levels = [places_around(level, longitudes) for level in latitude_levels(latitudes_deg)]
        super().__init__(fleet, travelling(view), levels, span, step_s, workers, progress)
        self._longitudes = longitudes
        self._rows: list[dict[str, Any]] = []
        self._left_out = 0

    def __iter__(self) -> Iterator[dict[str, Any]]:
        around: list[Place] = []
        for _, place in self._places():
            around.append(place)
            if len(around) == self._longitudes:
                row, self._left_out = latitude_row(self._fleet, self._view, self._span, around)
                self._rows.append(row)
                around = []
                yield row

    @property
    def swept(self) -> LatitudeSweep:
        """The sweep over the latitudes that have come, from south to north."""
        return LatitudeSweep.of(self._rows, self.report, self._left_out, self.share_error)
