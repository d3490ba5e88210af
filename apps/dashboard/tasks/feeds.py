"""What a worker runs to bring a fleet up to date, so that no request waits for somebody else's server; and after it.

What comes after are the timing errors that its snapshots teach, and how well older ones forecast the newest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from passim import Fleet
from passim.errors import InputError
from passim.forecast import TimingModel, hindcast as scoring
from passim.sky import view as views
from passim.workspace import (
    Timing,
    Update,
    Workspace,
    learn_fleet_timing,
    older_elements,
    snapshots_to_score,
    update_fleet,
)

from ...text.hindcast import compared_sentences


@dataclass(frozen=True, eq=False)
class Scored:
    """Each pair of snapshots with its score, fresh elements first; without any, why nothing can be scored, if known.

    Where they are no snapshots of a feed, `compared` says which elements they are.
    """

    pairs: tuple[scoring.PairScore, ...] = ()
    fault: InputError | None = None
    compared: tuple[str, ...] = ()


def update(folder: Path, fleet: str, early: bool, progress: Callable[[float], None] | None = None) -> Update:
    """Bring a fleet of the workspace in `folder` up to date, as `passim.workspace.update_fleet`. Raises InputError."""
    return update_fleet(Workspace.load(folder), fleet, early=early)


def learn(folder: Path, fleet: str, progress: Callable[[float], None] | None = None) -> Timing:
    """Learn the timing errors of a fleet, as `passim.workspace.learn_fleet_timing`. Raises InputError."""
    return learn_fleet_timing(Workspace.load(folder), fleet)


def score(
    folder: Path, fleet: str, view: views.View, model: TimingModel, progress: Callable[[float], None] | None = None
) -> Scored:
    """Score the snapshots of a fleet at a view, as `passim hindcast` does; a fault is told, not raised."""
    try:
        return Scored(_scored(snapshots_to_score(Workspace.load(folder), fleet), view, model))
    except InputError as error:
        return Scored(fault=error)


def score_at_hand(
    folder: Path, fleet: str, view: views.View, model: TimingModel, progress: Callable[[float], None] | None = None
) -> Scored:
    """Score the older elements that a workspace holds of a fleet without snapshots, as `passim hindcast` does.

    A fault is told, not raised; there are no pairs where it holds none.
    """
    try:
        held = older_elements(Workspace.load(folder), fleet)
        found = _scored([(each.older, each.newer) for each in held], view, model) if held else ()
    except InputError as error:
        return Scored(fault=error)
    return Scored(found, compared=tuple(compared_sentences(held)))


def _scored(kept: Iterable[tuple[Fleet, Fleet]], view: views.View, model: TimingModel) -> tuple[scoring.PairScore, ...]:
    pairs = [scoring.Snapshots(older, newer) for older, newer in kept]
    found = scoring.score_snapshots(pairs, view, model=model)
    return tuple(sorted(found.pairs, key=lambda pair: pair.freshness.median_s))
