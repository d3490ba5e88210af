"""Shares alone at many places: how much of the time is covered, gaps an hour and the longest, within stated bounds.

The exact way asks at every place when each satellite comes and goes. For a map the shares are enough, and they come at
a fraction of the work: `passim.sky.parallels` counts satellites at all places at once, moment by moment, and here the
counts become figures. One moment is looked at in every step of ``step_s`` seconds, drawn anew for each, so

- a gap shorter than a step may be missed, and two that a shorter service parts may be told as one;
- the longest gap, as every other, is right to a step at either end;
- a step in which a gap begins or ends counts as a whole or not at all, with the chance that its share gives it. So the
  share covered is right on average, and its standard error is step / sqrt(6) for every end of a gap, the ends added
  like independent errors: `Shares.share_error` says it place by place, and it is 0 where nothing is out.

Work is shared out by stretches of time, and what is kept of them does not grow with the span.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.answers.sites.figures import SiteFigures, report_on_places
from passim.arrays import Bools, Floats, Indices, Ints
from passim.elements.records import Fleet
from passim.errors import EmptyFleetError, InputError
from passim.parallel.chunks import WorkerConfig, map_chunks
from passim.sky.in_view import counted_fleet, without_fleet_limits
from passim.sky.limits.gateways import Gateway, GatewayLimit
from passim.sky.parallels import Parallels, count_above
from passim.sky.search_report import SearchReport
from passim.sky.view import View
from passim.spans import Span, moment

Progress = Callable[[float], None]

SHORTEST_STEP_S: Final = 1.0
LONGEST_STEP_S: Final = 60.0
# Steps of a sweep that nobody chose: for a large fleet, whose gaps are told less finely, the longer one.
_USUAL_STEP_S, _STEP_OF_MANY_S, _MANY_SATELLITES = 10.0, 20.0, 4000
# Counts held at a time, 4 bytes each, and no longer stretch than this.
_MOST_COUNTS: Final = 12_000_000
_LONGEST_STRETCH_S: Final = 3600.0


@dataclass(frozen=True, eq=False)
class Shares:
    """What a terminal has at every place of some parallels. Made by `find_shares`.

    ``figures`` has one entry a place, in the order of ``parallels.places_deg()``. ``share_error``, shape (places,), is
    the standard error of each one's covered_fraction, and ``step_s`` how long the steps are.
    """

    parallels: Parallels
    span: Span
    step_s: float
    figures: tuple[SiteFigures, ...]
    share_error: Floats
    report: SearchReport


def find_shares(
    fleet: Fleet,
    view: View,
    parallels: Parallels,
    span: Span,
    step_s: float,
    *,
    workers: WorkerConfig | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> Shares:
    """Return what the terminal of `view` has at every place, from a count in every `step_s` seconds.

    The mask, the satellites that count and the gateways are those of `view`; handovers are left out. Raises InputError
    for a horizon that is not flat, a limit that counts alone cannot carry and a step out of range, and what
    `map_chunks` raises.
    """
    if not SHORTEST_STEP_S <= step_s <= LONGEST_STEP_S:
        raise InputError(
            "step of shares",
            got=f"{step_s:g} s",
            wanted=f"{SHORTEST_STEP_S:g} to {LONGEST_STEP_S:g} s",
            try_next="10",
        )
    chosen, set_aside = fleet.nearest(span.middle)
    if not len(chosen):
        raise EmptyFleetError("fleet", got="no element set", wanted="at least one", try_next="another element file")
    if not view.site.horizon.is_flat:
        raise InputError(
            "horizon of a map", got="one by azimuth", wanted="one elevation all round", try_next="a flat mask"
        )
    gateways: list[Gateway] = []
    for limit in without_fleet_limits(view).limits:
        if not isinstance(limit, GatewayLimit):
            raise InputError(
                "shares under this limit",
                got=limit.name,
                wanted="a flat mask and gateways alone: a direction that is shut needs the exact search",
                try_next=f"leaving shares out, or lifting {limit.name}",
            )
        gateways += limit.gateways
    counted = counted_fleet(chosen, view, span)
    mask_deg = max(view.site.horizon.lowest_deg, view.floor_deg)
    common = (counted, parallels, mask_deg, round(step_s * 1e6), tuple(gateways))
    tally = _RunningShares(len(parallels))
    unusable: dict[str, tuple[int, tuple[str, str, str]]] = {}
    stretches = _stretches(span, len(parallels), step_s)
    found = map_chunks(_work, common, stretches, workers=workers, progress=progress, cancel=cancel)
    for stretch, (out, sums, lowest, highest, trouble) in zip(stretches, found, strict=True):
        steps = _step_lengths_us(stretch, round(step_s * 1e6))
        tally.add(np.unpackbits(out, axis=1, count=len(steps)).astype(bool), steps, stretch.start_us)
        tally.count(sums, lowest, highest)
        for index, (time_us, reason) in trouble.items():
            record = counted[index]
            entry = (str(record.satellite_id), record.name, f"{reason}, from {moment(time_us):%Y-%m-%d %H:%M}Z on")
            unusable.setdefault(entry[0], (time_us, entry))
    figures, ends = tally.figures(span)
    error = np.sqrt(ends / 6.0) * step_s / span.duration_s
    report = report_on_places(chosen, set_aside, (entry for _, entry in unusable.values()))
    return Shares(parallels, span, step_s, figures, error, report)


def suitable_step_s(view: View, satellites: int) -> float | None:
    """Return the step in which satellites of a fleet of that size are usually counted, seconds.

    None where counts alone cannot carry the limits of `view`, so that only the exact search answers.
    """
    limits = without_fleet_limits(view).limits
    if not view.site.horizon.is_flat or any(not isinstance(limit, GatewayLimit) for limit in limits):
        return None
    return _USUAL_STEP_S if satellites < _MANY_SATELLITES else _STEP_OF_MANY_S


def _stretches(span: Span, places: int, step_s: float) -> list[Span]:
    """Cut the span into stretches of whole steps whose counts fit in memory."""
    steps = max(1, min(int(_LONGEST_STRETCH_S / step_s), _MOST_COUNTS // (2 * places)))
    edges_us = [*range(span.start_us, span.end_us, round(steps * step_s * 1e6)), span.end_us]
    return [Span(moment(a), moment(b)) for a, b in pairwise(edges_us)]


def _step_lengths_us(stretch: Span, step_us: int) -> Ints:
    """Return the length of each step of a stretch, microseconds; the last may be shorter."""
    edges_us = np.append(np.arange(stretch.start_us, stretch.end_us, step_us, dtype=np.int64), stretch.end_us)
    return np.diff(edges_us)


_Found = tuple[NDArray[np.uint8], Ints, NDArray[np.int32], NDArray[np.int32], dict[int, tuple[int, str]]]


def _work(common: tuple[Fleet, Parallels, float, int, Sequence[Gateway]], stretch: Span, tell: Progress) -> _Found:
    """Return of a stretch who is out when, a packed row a place, and sum, lowest and highest of the counts."""
    fleet, parallels, mask_deg, step_us, gateways = common
    counted = count_above(fleet, parallels, mask_deg, stretch, step_us, gateways)
    counts = counted.counts
    sums = _step_lengths_us(stretch, step_us) @ counts
    return np.packbits(counts.T == 0, axis=1), sums, counts.min(axis=0), counts.max(axis=0), counted.unusable


class _RunningShares:
    """The figures of many places while their span goes by, stretch by stretch in order of time."""

    def __init__(self, places: int) -> None:
        self._since_us = np.full(places, -1, dtype=np.int64)
        self._out_us, self._longest_us, self._sum = np.zeros((3, places), dtype=np.int64)
        self._gaps, self._begun, self._cut = np.zeros((3, places), dtype=np.int64)
        self._lowest: NDArray[np.int32] | None = None
        self._highest = np.zeros(places, dtype=np.int32)
        self._start_us: int | None = None
        self._now_us = 0

    def add(self, out: Bools, lengths_us: Ints, start_us: int) -> None:
        """Add who is out in each step of a stretch, shape (places, steps)."""
        if self._start_us is None:
            self._start_us = start_us
        edges_us = start_us + np.append(0, np.cumsum(lengths_us))
        self._now_us = int(edges_us[-1])
        self._out_us += out @ lengths_us
        # A change at step k lies at its beginning; what was open before counts as a step of its own.
        before = self._since_us >= 0
        change = np.empty(out.shape, dtype=bool)
        change[:, 0] = out[:, 0] != before
        change[:, 1:] = out[:, 1:] != out[:, :-1]
        place, step = np.nonzero(change)
        opening = out[place, step]
        begun_us = edges_us[step]
        # Of one place, openings and endings take turns: an ending has the opening before it, or what was open.
        closes = np.flatnonzero(~opening)
        inherits = np.append(True, place[1:] != place[:-1])[: len(place)] if len(place) else np.zeros(0, dtype=bool)
        opened_us = np.where(inherits[closes], self._since_us[place[closes]], begun_us[np.maximum(closes - 1, 0)])
        self._close(place[closes], opened_us, begun_us[closes])
        last = np.flatnonzero(np.append(place[1:] != place[:-1], True))[: len(place)] if len(place) else closes
        self._since_us[place[last]] = np.where(opening[last], begun_us[last], -1)
        started = place[opening & (begun_us > self._start_us)]
        self._begun += np.bincount(started, minlength=len(self._begun))

    def count(self, sums: Ints, lowest: NDArray[np.int32], highest: NDArray[np.int32]) -> None:
        """Add sums (satellites times microseconds), lowest and highest counts of a stretch, a place each."""
        self._sum += sums
        self._lowest = lowest if self._lowest is None else np.minimum(self._lowest, lowest)
        self._highest = np.maximum(self._highest, highest)

    def figures(self, span: Span) -> tuple[tuple[SiteFigures, ...], Ints]:
        """Return the figures of every place, and how many ends of gaps lie inside the span."""
        open_ones = np.flatnonzero(self._since_us >= 0)
        begun = self._since_us[open_ones]
        self._close(open_ones, begun, np.full(len(open_ones), self._now_us), cut=True)
        self._since_us[open_ones] = -1
        span_us, hours = span.end_us - span.start_us, span.duration_s / 3600.0
        lowest = self._highest if self._lowest is None else self._lowest
        figures = tuple(
            SiteFigures(
                covered_fraction=(span_us - int(self._out_us[k])) / span_us,
                gap_count=int(self._gaps[k]),
                gaps_per_hour=int(self._begun[k]) / hours,
                gap_mean_s=float(self._out_us[k] / self._gaps[k] / 1e6) if self._gaps[k] else 0.0,
                gap_longest_s=float(self._longest_us[k] / 1e6),
                in_view_min=int(lowest[k]),
                in_view_mean=float(self._sum[k] / span_us),
                in_view_max=int(self._highest[k]),
            )
            for k in range(len(self._gaps))
        )
        # Every gap ends inside the span but those that go on at its end.
        return figures, self._begun + self._gaps - self._cut

    def _close(self, place: Indices, opened_us: Ints, closed_us: Ints, *, cut: bool = False) -> None:
        """File gaps of places; `cut` where they go on at the end of the span."""
        np.maximum.at(self._longest_us, place, closed_us - opened_us)
        count = np.bincount(place, minlength=len(self._gaps))
        self._gaps += count
        if cut:
            self._cut += count
