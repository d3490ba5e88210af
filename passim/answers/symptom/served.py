"""Freezes of many settings whose terminals lose time at handovers, served side by side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from passim.intervals import GroupedIntervals, Intervals, each_within
from passim.sky.handover_policy import SECOND_US, Look
from passim.sky.service import InUse, Service
from passim.sky.side_by_side import Elevations, served_side_by_side
from passim.spans import Span

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

# So many settings are served at a time: some megabytes of rows.
_AT_ONCE = 400
# A setting, and a satellite, has this much of a line of microseconds for itself: a span is far shorter.
_LINE_US = 1 << 43


class ManySettings:
    """Serves settings whose satellites are all among those of one sky, ``known``: elevations are found once for all."""

    def __init__(self, known: GroupedIntervals, span: Span, look: Look) -> None:
        self._known, self._span = known, span
        start_us, end_us = ((edge - span.start_us).astype(np.float64) for edge in (known.start, known.end))
        self._elevations = Elevations.of(known.group, start_us, end_us, look, span.start_us)

    def freezes(
        self, allowed: Sequence[GroupedIntervals], services: Sequence[Service], in_use: InUse | None = None
    ) -> list[Intervals]:
        """Return when there is no service with each of `allowed`, merged by satellite and inside the known sky.

        As `passim.coverage.serve` does, but for elevations read off a curve: where two satellites stand within 0.02 deg
        of each other it may take the other one. All services have one policy; `in_use` is that of `serve`.
        """
        found: list[Intervals] = [Intervals(np.empty(0, np.int64), np.empty(0, np.int64))] * len(allowed)
        # Those that are always on the highest compare at the moments of one clock; others go each by its own.
        by_clock: dict[object, list[int]] = {}
        for number, service in enumerate(services):
            by_clock.setdefault(service.clock if service.policy == "highest" else None, []).append(number)
        for members in by_clock.values():
            for first in range(0, len(members), _AT_ONCE):
                batch = members[first : first + _AT_ONCE]
                skies = _Skies([allowed[k] for k in batch], self._known, self._elevations, self._span.start_us)
                waits_us = np.array([round(services[k].acquisition_s * SECOND_US) for k in batch], dtype=np.int64)
                run, start_us, end_us = served_side_by_side(
                    skies,
                    float(self._span.end_us - self._span.start_us),
                    services[batch[0]].policy,
                    [services[k].clock for k in batch],
                    waits_us,
                    origin_us=self._span.start_us,
                    in_use=in_use,
                )
                edges = np.searchsorted(run, np.arange(len(batch) + 1))
                for place, k in enumerate(batch):
                    part = slice(edges[place], edges[place + 1])
                    found[k] = Intervals(start_us[part] + self._span.start_us, end_us[part] + self._span.start_us)
        return found


class _Skies:
    """The skies of some settings: a row belongs to one of them. See `passim.sky.side_by_side.Skies`."""

    def __init__(
        self, allowed: Sequence[GroupedIntervals], known: GroupedIntervals, elevations: Elevations, origin_us: int
    ) -> None:
        self.runs = len(allowed)
        self._elevations = elevations
        run = np.repeat(np.arange(self.runs), [rows.group.size for rows in allowed])
        satellite, start, end = (np.concatenate(column) for column in zip(*allowed, strict=True))
        order = np.lexsort((satellite, start, run))
        self._run, self._satellite = run[order], satellite[order]
        start, end = start[order] - origin_us, end[order] - origin_us
        self._start_us, self._end_us = start.astype(np.float64), end.astype(np.float64)
        self._run_or_none, self._start_or_never_us = np.append(self._run, -1), np.append(self._start_us, np.inf)
        self._key = self._run * _LINE_US + start
        self._longest_us = int((end - start).max(initial=0))
        # The stretch of the known sky that each row is a part of.
        keys = known.group * _LINE_US + (known.start - origin_us)
        self._known = np.searchsorted(keys, self._satellite * _LINE_US + start, side="right") - 1
        # Rows by that, for looking at one stretch in all settings; a setting may have several parts of it.
        self._by_known = np.lexsort((start, self._run, self._known))
        pair = self._known[self._by_known] * self.runs + self._run[self._by_known]
        opens = np.flatnonzero(np.append(True, pair[1:] != pair[:-1])[: pair.size])
        part = np.arange(pair.size) - np.repeat(opens, np.diff(np.append(opens, pair.size)))
        self._part = part
        self._bounds = np.searchsorted(self._known[self._by_known], np.arange(known.group.size + 1))
        self._known_start_us = (known.start - origin_us).astype(np.float64)
        self._known_end_us = (known.end - origin_us).astype(np.float64)

    def satellite(self, row: Index) -> Index:
        """Return the satellites of rows."""
        return self._satellite[row]

    def sine(self, row: Index, time_us: Floats) -> Floats:
        """Return the sines of the elevations of rows at times, shape (n,)."""
        return self._elevations.at(self._known[row], time_us)

    def up(self, run: Index, now: Floats) -> tuple[Index, Index, Floats, Floats]:
        """Return pairs (place in `run`, row) of all that are up at each run's own time, by place; no shifts; ends."""
        line, whole = run * _LINE_US, np.floor(now).astype(np.int64)
        low = np.searchsorted(self._key, line + np.maximum(whole - self._longest_us, 0), side="left")
        high = np.searchsorted(self._key, line + whole, side="right")
        place, row = each_within(low, high)
        there = self._end_us[row] > now[place]
        return place[there], row[there], np.zeros(int(there.sum())), self._end_us[row[there]]

    def next_rise(self, run: Index, now: Floats) -> Floats:
        """Return when the next row begins after each run's own time; infinity where none does."""
        row = np.searchsorted(self._key, run * _LINE_US + np.floor(now).astype(np.int64), side="right")
        return np.asarray(np.where(self._run_or_none[row] == run, self._start_or_never_us[row], np.inf))

    def highest_at(self, time_us: Floats) -> tuple[Index, Floats]:
        """Return the row of the highest satellite of each run at each of `time_us`, ascending, and when that row ends.

        Both have shape (runs, times); the row is -1 where there is none.
        """
        shape = (self.runs, time_us.size)
        sine, ends_us = np.full(shape, -np.inf), np.full(shape, -np.inf)
        best = np.full(shape, -1, dtype=np.int64)
        around = (self._known_start_us <= time_us[-1]) & (self._known_end_us > time_us[0])
        for k in np.flatnonzero(around).tolist():
            rows, part = (column[self._bounds[k] : self._bounds[k + 1]] for column in (self._by_known, self._part))
            low, high = np.searchsorted(time_us, [self._known_start_us[k], self._known_end_us[k]])
            if low == high or not rows.size:
                continue
            at_us = time_us[low:high]
            here = self._elevations.of_row(k, at_us)
            for number in range(int(part.max()) + 1):
                mine = rows[part == number]
                start_us, end_us = self._start_us[mine, None], self._end_us[mine, None]
                better = (at_us >= start_us) & (at_us < end_us) & (here > sine[self._run[mine], low:high])
                member, time = np.nonzero(better)
                cell = self._run[mine[member]], low + time
                sine[cell], best[cell], ends_us[cell] = here[time], mine[member], self._end_us[mine[member]]
        return best, ends_us
