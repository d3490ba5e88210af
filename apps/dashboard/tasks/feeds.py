"""What a worker runs to bring a fleet up to date, so that no request waits for somebody else's server; and after it.

What comes after are the timing errors that its snapshots teach, and how well older ones forecast the newest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from passim.errors import InputError
from passim.forecast import TimingModel, hindcast as scoring
from passim.sky import view as views
from passim.workspace import Timing, Update, Workspace, learn_fleet_timing, snapshots_to_score, update_fleet


@dataclass(frozen=True, eq=False)
class Scored:
    """Each pair of snapshots with its score, fresh elements first; without any, why nothing can be scored."""

    pairs: tuple[scoring.PairScore, ...] = ()
    fault: InputError | None = None


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
        kept = snapshots_to_score(Workspace.load(folder), fleet)
        pairs = [scoring.Snapshots(older, newer) for older, newer in kept]
        found = scoring.score_snapshots(pairs, view, model=model)
    except InputError as error:
        return Scored(fault=error)
    return Scored(tuple(sorted(found.pairs, key=lambda pair: pair.freshness.median_s)))
