"""What a worker runs to bring a fleet up to date, so that no request waits for somebody else's server."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from passim.workspace import Update, Workspace, update_fleet


def update(folder: Path, fleet: str, early: bool, progress: Callable[[float], None] | None = None) -> Update:
    """Bring a fleet of the workspace in `folder` up to date, as `passim.workspace.update_fleet`. Raises InputError."""
    return update_fleet(Workspace.load(folder), fleet, early=early)
