"""Outages out of probes: packets lost in a row, and which part of the way they tell of.

A loss period is a row of lost packets between two that were answered (RFC 3357, "One-way Loss Pattern Sample
Metrics", 2002, section 4). One of at least `LOSSES` packets is an outage of its target. It begins with the send of
its first lost packet and ends with the send of the first one answered after it, so that either edge is found up to
one interval between probes late.

Several targets tell where the fault lies. While all targets beyond the house are out at once, the line is out, or the
house where the nearest target, the own router, is out too. While only some are out, the fault is at the far end. A
router that is silent while packets pass it is no outage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from passim.arrays import Bools, Floats, Ints
from passim.intervals import Intervals, difference, intersection, union
from passim.line.record import Probes, no_outages, outage_table
from passim.spans import Span

# Three losses in a row are an outage: common practice, no source. One in a row is a packet that went astray.
LOSSES: Final = 3
# Targets are asked one after the other, so the same fault begins up to a probe or two later for one than for another.
_RAGGED_INTERVALS: Final = 2.0


def loss_periods(lost: ArrayLike, losses: int = LOSSES) -> tuple[Ints, Ints]:
    """Return where each loss period begins and how many packets long it is, shape (periods,) each.

    ``lost``, shape (packets,), says which packets were lost, in the order of their sends. Periods shorter than
    `losses` packets are left out; 1 keeps all, as RFC 3357 counts them.
    """
    marks = np.asarray(lost, dtype=bool)
    padded = np.concatenate([[False], marks, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1]).astype(np.int64)
    first, length = edges[::2], edges[1::2] - edges[::2]
    enough = length >= losses
    return first[enough], length[enough]


def find_outages(
    probes: Sequence[Probes], holes: ArrayLike = (), losses: int = LOSSES, span: Span | None = None
) -> pd.DataFrame:
    """Return the outages that probes tell of, with the columns `passim.line.record.OUTAGE_COLUMNS`, by their start.

    ``holes``, shape (n, 2), are times in which nothing was measured, seconds since 1970 UTC, disjoint and ascending:
    no outage runs through one, it is cut there. Of an outage that the last probe leaves open, that probe's interval is
    the end, or the end of `span`, where given, if that comes first. With one target, or none in the house, house and
    line are not told apart: ``where`` is "line". ``lost`` counts the packets of the target that lost most.
    """
    walls = np.asarray(holes, dtype=np.float64).reshape(-1, 2)
    last_s = np.inf if span is None else span.end_us / 1e6
    found = [_outages_between(*part, losses) for part in _parts(probes, walls, last_s)]
    rows = sorted((row for rows in found for row in rows), key=lambda row: row[:2])
    if not rows:
        return no_outages()
    start, end, where, lost, cut_at_start, cut_at_end = zip(*rows, strict=True)
    return outage_table(
        np.array(start), np.array(end), list(where), np.array(lost, dtype=np.int64),
        np.array(cut_at_start, dtype=bool), np.array(cut_at_end, dtype=bool),
    )  # fmt: skip


# Start and end in seconds, where, packets lost, cut at the start, cut at the end.
_Row = tuple[float, float, str, int, bool, bool]


@dataclass(frozen=True)
class _Part:
    """One target's probes between two holes, and its own outages there, (outages,) each."""

    sent_s: Floats
    lost_before: Ints
    outages: Intervals
    cut_at_start: bool
    cut_at_end: bool
    interval_s: float

    @classmethod
    def of(cls, sent_s: Floats, lost: Bools, until_s: float, losses: int) -> _Part:
        first, length = loss_periods(lost, losses)
        interval_s = float(np.median(np.diff(sent_s))) if sent_s.size > 1 else 1.0
        # What comes after the last probe is not known for longer than its interval.
        sends = np.append(sent_s, max(min(sent_s[-1] + interval_s, until_s), np.nextafter(sent_s[-1], np.inf)))
        return cls(
            sent_s,
            np.concatenate([[0], np.cumsum(lost)]),
            Intervals(sends[first], sends[first + length]),
            bool(first.size and first[0] == 0),
            bool(first.size and first[-1] + length[-1] == lost.size),
            interval_s,
        )

    def between(self, start_s: float, end_s: float) -> tuple[int, int]:
        """Return how many packets were sent in [start, end), and how many of them were lost."""
        low, high = np.searchsorted(self.sent_s, [start_s, end_s])
        return int(high - low), int(self.lost_before[high] - self.lost_before[low])

    def widened(self, start_s: float, end_s: float) -> tuple[float, float]:
        """Return [start, end) as far as this target's own outage there goes on by no more than a probe or two."""
        k = int(np.searchsorted(self.outages.end, start_s, side="right"))
        if k == self.outages.start.size or self.outages.start[k] >= end_s:
            return start_s, end_s
        ragged_s = _RAGGED_INTERVALS * self.interval_s
        low, high = float(self.outages.start[k]), float(self.outages.end[k])
        return (min(low, start_s) if start_s - low <= ragged_s else start_s,
                max(high, end_s) if high - end_s <= ragged_s else end_s)  # fmt: skip

    def cuts(self, start_s: float, end_s: float) -> tuple[bool, bool]:
        """Return whether an outage [start, end) of this target is cut at the start and at the end."""
        out = self.outages
        return (
            self.cut_at_start and start_s <= out.start[0] < end_s,
            self.cut_at_end and start_s < out.end[-1] <= end_s,
        )


def _parts(probes: Sequence[Probes], walls: Floats, last_s: float) -> list[tuple[list[tuple[Probes, slice]], float]]:
    """Return what lies between holes: the probes of each target that was asked there; and when the next hole begins."""
    bounds = [np.searchsorted(each.sent_s, walls[:, 0], side="left") for each in probes]
    cuts = [np.concatenate([[0], bound, [len(each)]]) for bound, each in zip(bounds, probes, strict=True)]
    parts = []
    for k in range(len(walls) + 1):
        asked = [
            (each, slice(cut[k], cut[k + 1])) for each, cut in zip(probes, cuts, strict=True) if cut[k + 1] > cut[k]
        ]
        if asked:
            parts.append((asked, float(walls[k, 0]) if k < len(walls) else last_s))
    return parts


def _outages_between(asked: list[tuple[Probes, slice]], until_s: float, losses: int) -> list[_Row]:
    """Return the outages of one stretch without a hole."""
    parts = [
        (each.target.position, _Part.of(each.sent_s[rows], each.lost[rows], until_s, losses)) for each, rows in asked
    ]
    house = [part for position, part in parts if position == "house"]
    beyond = [part for position, part in parts if position != "house"]
    if not beyond:
        house, beyond = [], house
    rows: list[_Row] = []
    for start_s, end_s in zip(*reduce(intersection, [part.outages for part in beyond]), strict=True):
        low, high = float(start_s), float(end_s)
        for part in beyond:
            low, high = part.widened(low, high)
        rows.append(_row(beyond, low, high, "house" if any(_mostly_lost(p, low, high) for p in house) else "line"))
    if len(beyond) > 1 or house:
        rows += _at_the_far_end(beyond, rows, losses)
    return rows


def _at_the_far_end(beyond: list[_Part], all_out: list[_Row], losses: int) -> list[_Row]:
    """Return the outages of some targets while others answered: what is left of theirs beside those of all at once."""
    known = union((np.array([row[0] for row in all_out]), np.array([row[1] for row in all_out])))
    left = difference(union(*(part.outages for part in beyond)), known)
    found = [_row(beyond, float(start), float(end), "far") for start, end in zip(*left, strict=True)]
    return [row for row in found if row[3] >= losses]


def _mostly_lost(part: _Part, start_s: float, end_s: float) -> bool:
    """Say whether at least half of a target's packets of [start, end) were lost."""
    sent, lost = part.between(start_s, end_s)
    return sent > 0 and 2 * lost >= sent


def _row(parts: list[_Part], start_s: float, end_s: float, where: str) -> _Row:
    """Return one outage as a row of the table."""
    cuts = [part.cuts(start_s, end_s) for part in parts]
    lost = max(part.between(start_s, end_s)[1] for part in parts)
    return start_s, end_s, where, lost, any(cut for cut, _ in cuts), any(cut for _, cut in cuts)
