"""What a worker runs to bring a fleet up to date, so that no request waits for somebody else's server; and after it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from passim.workspace import Timing, Update, Workspace, learn_fleet_timing, update_fleet


def update(folder: Path, fleet: str, early: bool, progress: Callable[[float], None] | None = None) -> Update:
    """Bring a fleet of the workspace in `folder` up to date, as `passim.workspace.update_fleet`. Raises InputError."""
    return update_fleet(Workspace.load(folder), fleet, early=early)


def learn(folder: Path, fleet: str, progress: Callable[[float], None] | None = None) -> Timing:
    """Learn the timing errors of a fleet, as `passim.workspace.learn_fleet_timing`. Raises InputError."""
    return learn_fleet_timing(Workspace.load(folder), fleet)
