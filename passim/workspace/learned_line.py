"""What a record has taught about the line, kept in the workspace's folder, so that calls and now use it without delay.

It is one small file, written whole or not at all:

    learned-line.json

It holds for one fleet and one view, those that the line was forecast with; a roof line that is entered later, or
another gateway, makes it void until it is learned again.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np

from passim.errors import WorkspaceError
from passim.forecast.calibration import Calibration
from passim.forecast.floor import Floor
from passim.forecast.verification import Bounds
from passim.intervals import Intervals
from passim.line.learning import LearnedLine
from passim.sky.view import View
from passim.spans import Span, moment
from passim.workspace.folder import Workspace
from passim.workspace.kept_files import KeptFile
from passim.workspace.saving import locked

LEARNED_NAME: Final = "learned-line.json"
# A line that has not been looked at for so long may be another by now (this project's own, no source).
HOLDS_FOR: Final = timedelta(days=30)


@dataclass(frozen=True, eq=False)
class LineLesson:
    """What odds may use of a record: what was ``learned``, None where nothing was; and the ``fault`` of its file."""

    learned: LearnedLine | None = None
    fault: str = ""

    @property
    def calibration(self) -> Calibration | None:
        """What makes the odds fit the line, where days that did not teach were forecast better with it; else None."""
        return self.learned.calibration if self.learned is not None and self.learned.better else None


def lesson_of(workspace: Workspace, fleet_name: str | None, view: View, at: datetime) -> LineLesson:
    """Return what odds of a fleet and view at a moment may use. A file that cannot be read is no more than a fault."""
    try:
        return LineLesson(read_learned(workspace, fleet_name, view, at))
    except WorkspaceError as error:
        return LineLesson(fault=str(error))


def is_the_line(workspace: Workspace, fleet_name: str | None, view: View) -> bool:
    """Say whether the line of this workspace is meant: its first fleet, and its first site as the file has it.

    The record is that of one terminal on one roof: what it teaches holds for no other mask, spot or site, and a fleet
    that is invented is served by no line.
    """
    if not workspace.site_names or not workspace.settings.fleets or workspace.stands_in(fleet_name):
        return False
    return view == workspace.view() and workspace.fleet_settings(fleet_name).name == workspace.fleet_settings().name


def keep_learned(workspace: Workspace, view: View, learned: LearnedLine) -> None:
    """Keep what was learned of the line, forecast by the first fleet for `view`. Raises WorkspaceError."""
    calibration = learned.calibration
    content = {
        "of": _key(workspace, view),
        "span_us": [learned.span.start_us, learned.span.end_us],
        "days": learned.days,
        "came_share": calibration.came_share,
        "begins_late_s": calibration.begins_late_s,
        "ends_late_s": calibration.ends_late_s,
        "floor": {
            "per_hour": calibration.floor.per_hour,
            "lengths_s": calibration.floor.lengths_s,
            "timezone": calibration.floor.timezone,
        },
        "brier_plain": learned.brier_plain,
        "brier_learned": learned.brier_learned,
        "gain": list(learned.gain),
        **{name: np.stack(getattr(learned, name)).tolist() for name in ("forecast", "recorded", "unseen")},
    }
    with locked(workspace.folder):
        _FILE.write(workspace.folder / LEARNED_NAME, content, indent=None)


def read_learned(
    workspace: Workspace, fleet_name: str | None, view: View, at: datetime | None = None
) -> LearnedLine | None:
    """Return what was learned of the line; None where nothing was, or not of this fleet and view, or too long ago.

    Too long ago is over 30 days before `at`, where that is given. Raises WorkspaceError where the file cannot be read.
    """
    if not is_the_line(workspace, fleet_name, view):
        return None
    kept = _FILE.read(workspace.folder / LEARNED_NAME)
    if kept is None or kept[0] != _key(workspace, view):
        return None
    learned = kept[1]
    return None if at is not None and at - learned.span.end > HOLDS_FOR else learned


def _learned(given: dict[str, Any]) -> tuple[str, LearnedLine]:
    """Return of what a file is, see `_key`, and what it holds. Raises for what passim never wrote, see `KeptFile`."""
    start_us, end_us = given["span_us"]
    floor = given["floor"]
    figures = [*given["gain"], given["brier_plain"], given["brier_learned"], given["days"]]
    if len(figures) != 6 or not all(type(each) in (int, float) for each in figures):
        raise ValueError("a number")
    sets = {}
    for name in ("forecast", "recorded", "unseen"):
        bounds = np.array(given[name], dtype=np.int64).reshape(2, -1)
        if np.any(bounds[0] >= bounds[1]) or np.any(bounds[0, 1:] < bounds[1, :-1]):
            raise ValueError(name)
        sets[name] = Intervals(bounds[0], bounds[1])
    learned = LearnedLine(
        span=Span(moment(start_us), moment(end_us)),
        days=int(given["days"]),
        calibration=Calibration(
            given["came_share"],
            given["begins_late_s"],
            given["ends_late_s"],
            Floor(tuple(floor["per_hour"]), tuple(floor["lengths_s"]), floor["timezone"]),
        ),
        brier_plain=given["brier_plain"],
        brier_learned=given["brier_learned"],
        gain=Bounds(*given["gain"]),
        **sets,
    )
    return given["of"], learned


def _key(workspace: Workspace, view: View) -> str:
    """Return what stands for the fleet and the view: every number of the site, its horizon and its limits."""
    return hashlib.sha256(f"{workspace.fleet_settings().kept_under}\n{view!r}".encode()).hexdigest()


_FILE: Final = KeptFile(
    what="what was learned of the line",
    made=_learned,
    version=1,
    largest_bytes=20_000_000,
    try_next="deleting it: it is learned anew",
)
