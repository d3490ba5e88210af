"""How sure a fit is: the same search on records drawn from the blocks of the one record, with replacement.

Each draw takes as many blocks of time as there are, some twice and some not at all (block bootstrap; Kuensch, "The
jackknife and the bootstrap for general stationary observations", Annals of Statistics 17, 1989; recalled). From the
setting that fits the whole record best each draw walks to the neighbour that suits it better, until none does. What a
setting makes of each block is reckoned once for all draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from passim.arrays import Floats, Ints
from passim.forecast.event_scores import match_times
from passim.line.fitting.evidence import Evidence
from passim.line.fitting.search import FittedSetting, Search, around
from passim.line.fitting.settings import LineSetting

# The ends of an interval: it leaves out one draw in twenty at either.
LOW_PERCENT: Final = 5.0
HIGH_PERCENT: Final = 95.0
# Steps of the walk: the first step of each number over this much, so a quarter of a degree of mask.
_SCALE: Final = 0.5**4
_MOST_STEPS: Final = 8
# Edges of a freeze forecast and of the outage that is it lie no farther apart than this, the offset taken off.
_SAME_EVENT_S: Final = 4.0


@dataclass(frozen=True, eq=False)
class Drawn:
    """What the draws found, one entry a draw: settings, clock offsets, chances of a miss, floors, shape (draws,)."""

    settings: tuple[LineSetting, ...]
    offset_s: Floats
    missed: Floats
    floor: Floats


def weights_of(evidence: Evidence, draws: int, seed: int) -> Floats:
    """Return how often each block counts in each draw, shape (draws, blocks); blocks without record never do."""
    known = np.flatnonzero(evidence.measured_s > 0.0)
    rng = np.random.default_rng(seed)
    weights = np.zeros((draws, evidence.blocks))
    weights[:, known] = rng.multinomial(known.size, np.full(known.size, 1.0 / known.size), draws)
    return weights


def draw_settings(search: Search, best: FittedSetting, weights: Floats) -> Drawn:
    """Return what each draw of blocks takes for the best setting, walking from the best of the whole record."""
    evidence = search.evidence
    frozen, measured = weights @ evidence.frozen_s, weights @ evidence.measured_s
    gains: dict[LineSetting, Floats] = {}

    def know(settings: list[LineSetting]) -> None:
        fresh = [s for s in dict.fromkeys(settings) if s not in gains]
        for setting, tried in zip(fresh, search.try_all(fresh), strict=True):
            counts = tried.counts
            gains[setting] = evidence.gains(weights @ counts.forecast_s, weights @ counts.both_s, frozen, measured)

    know([best.setting])
    at = [best.setting] * len(weights)
    moving = np.ones(len(weights), dtype=bool)
    for _ in range(_MOST_STEPS):
        places = {setting: around(setting, _SCALE, search.lowest) for k, setting in enumerate(at) if moving[k]}
        know([n for neighbours in places.values() for n in neighbours])
        for k in np.flatnonzero(moving).tolist():
            there = max(places[at[k]], key=lambda n: gains[n][k], default=at[k])
            moving[k] = gains[there][k] > gains[at[k]][k] + 1e-9
            at[k] = there if moving[k] else at[k]
        if not moving.any():
            break
    counts = [search.tried[setting].counts for setting in at]
    both = np.array([w @ c.both_s for w, c in zip(weights, counts, strict=True)])
    forecast = np.array([w @ c.forecast_s for w, c in zip(weights, counts, strict=True)])
    with np.errstate(invalid="ignore", divide="ignore"):
        missed = np.where(forecast > 0.0, 1.0 - both / forecast, np.nan)
        floor = np.maximum(frozen - both, 0.0) / np.maximum(measured - forecast, 1.0)
    return Drawn(tuple(at), _offsets(evidence, [search.tried[s] for s in at], weights), missed, floor)


def offset_of(evidence: Evidence, tried: FittedSetting) -> float:
    """Return a clock offset again from the edges of the events that fit at it: their medians outlive a few wrong."""
    late, which, _ = _late_by_block(evidence, tried)
    if not late.size:
        return tried.offset_s
    return tried.offset_s + float(np.mean([np.median(late[which == edge]) for edge in np.unique(which)]))


def _offsets(evidence: Evidence, drawn: Sequence[FittedSetting], weights: Floats) -> Floats:
    """Return the clock offset of each draw, seconds, shape (draws,), by the setting that it found."""
    offsets = np.empty(len(weights))
    rows: dict[LineSetting, list[int]] = {}
    for k, tried in enumerate(drawn):
        rows.setdefault(tried.setting, []).append(k)
    for some in rows.values():
        tried = drawn[some[0]]
        late, which, block = _late_by_block(evidence, tried)
        found = []
        for edge in np.unique(which):
            mine = np.flatnonzero(which == edge)
            mine = mine[np.argsort(late[mine], kind="stable")]
            share = np.cumsum(weights[some][:, block[mine]], axis=1)
            middle = np.argmax(share >= 0.5 * share[:, -1:], axis=1)
            found.append(late[mine][middle])
        offsets[some] = tried.offset_s + (np.mean(found, axis=0) if found else 0.0)
    return offsets


def _late_by_block(evidence: Evidence, tried: FittedSetting) -> tuple[Floats, Ints, Ints]:
    """Return how much later edges came than forecast, which edge (0 start, 1 end), and in which block.

    With a clock of assignment the starts alone: its phase makes up for an offset at the ends.
    """
    seen = evidence.seen(tried.freezes, tried.offset_s)
    edges = ((seen.start, evidence.starts_s), (seen.end, evidence.ends_s))
    late, which, block = [], [], []
    for edge, (forecast, came) in enumerate(edges[: 1 if tried.setting.sky.slot_s is not None else 2]):
        row, other = match_times(
            np.round(forecast * 1e6).astype(np.int64), np.round(came * 1e6).astype(np.int64), _SAME_EVENT_S
        )
        late.append(came[other] - forecast[row])
        which.append(np.full(row.size, edge))
        block.append(np.clip(np.searchsorted(evidence.edges_s, came[other], side="right") - 1, 0, evidence.blocks - 1))
    return np.concatenate(late), np.concatenate(which), np.concatenate(block)
