"""Plans of launches that lie in a workspace: CSV files beside passim.toml, known by their header."""

from __future__ import annotations

import os
import re
from datetime import date, timedelta
from pathlib import Path
from typing import Final

from passim.answers.growth.launch_plan import PLAN_COLUMNS, PLAN_FILE
from passim.csv_files import header_of
from passim.errors import WorkspaceError
from passim.workspace.folder import Workspace
from passim.workspace.kept_files import write_kept

_MOST_FILES: Final = 200
_LONGEST_NAME: Final = 40
DEMO_PLAN: Final = "plan.csv"


def plan_files(workspace: Workspace) -> dict[str, Path]:
    """Return the plan files of a workspace by name, in the order of the alphabet.

    A plan is a CSV file right in the folder whose first line that is no remark holds every column of
    `passim.answers.growth.launch_plan.PLAN_COLUMNS`. Files that cannot be read are none.
    """
    candidates = sorted(path for path in workspace.folder.glob("*.csv") if path.is_file() and not path.is_symlink())
    return {
        path.name: path for path in candidates[:_MOST_FILES] if set(PLAN_COLUMNS) <= set(header_of(path, PLAN_FILE))
    }


def keep_plan(workspace: Workspace, file_name: str, data: bytes) -> str:
    """Keep a plan that has been read, and was found good, beside the workspace's file; return the name of its file.

    The name is that of the file, of letters, digits, dots and dashes alone, with a number where there is one already.
    Raises WorkspaceError where it cannot be written; the workspace is as it was then.
    """
    if len(plan_files(workspace)) >= _MOST_FILES:
        raise WorkspaceError("plans of the workspace", got=_MOST_FILES, wanted="fewer", try_next="taking one out")
    stem = re.sub(r"(?i)\.csv$", "", re.split(r"[\\/]", file_name)[-1])
    stem = re.sub(r"[^A-Za-z0-9.-]+", "-", stem).strip(".-")[:_LONGEST_NAME] or "plan"
    number = 1
    while os.path.lexists(path := workspace.folder / (f"{stem}.csv" if number == 1 else f"{stem}-{number}.csv")):
        number += 1
    write_kept(path, data, f"folder {workspace.folder}")
    return path.name


def demo_plan(first_day: date) -> str:
    """Return the invented plan of the invented scenario: three launches, four months apart, from `first_day` on."""
    rows = [
        f"{first_day + timedelta(days=122 * k)},{planes},{satellites},550,53,45,2"
        for k, (planes, satellites) in enumerate([(8, 80), (8, 80), (22, 220)])
    ]
    return "\n".join(["# Invented, as all of the demonstration.", ",".join(PLAN_COLUMNS), *rows, ""])
