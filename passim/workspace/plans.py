"""Plans of launches that lie in a workspace: CSV files beside passim.toml, known by their header."""

from __future__ import annotations

from pathlib import Path

from passim.answers.growth_plan import PLAN_COLUMNS
from passim.workspace.folder import Workspace

_MOST_FILES, _LONGEST_HEADER = 200, 4096


def plan_files(workspace: Workspace) -> dict[str, Path]:
    """Return the plan files of a workspace by name, in the order of the alphabet.

    A plan is a CSV file right in the folder whose first line that is no remark holds every column of
    `passim.answers.growth_plan.PLAN_COLUMNS`. Files that cannot be read are none.
    """
    candidates = sorted(path for path in workspace.folder.glob("*.csv") if path.is_file() and not path.is_symlink())
    return {path.name: path for path in candidates[:_MOST_FILES] if _is_plan(path)}


def _is_plan(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            head = file.read(_LONGEST_HEADER).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return False
    lines = (line for line in head.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    columns = {cell.strip().strip('"') for cell in next(lines, "").split(",")}
    return set(PLAN_COLUMNS) <= columns
