"""The dashboard brings fresh elements by itself where its user has switched that on: it looks now and then what is due.

It asks as `passim update` does, within the same intervals, in a worker process; pages take up what came because they
look at the newest snapshot each time they are asked. From new snapshots, whoever brought them, the timing errors of the
fleet are learned, which asks nobody and so is done unasked.
"""

from __future__ import annotations

import itertools
import logging
import threading
import time
from datetime import UTC, datetime
from typing import Final

from passim.errors import InputError
from passim.parallel import Job
from passim.workspace import Folder, Update, Workspace, feed_state, fleets_with_feeds, learning_is_due

from .state import DashboardState, Pending
from .tasks import feeds as work

_LOG: Final = logging.getLogger(__name__)
_LOOK_EVERY_S: Final = 60.0
# Looking into a folder costs its newest file.
_FOLDER_EVERY_S: Final = 600.0
# An answer may take two minutes, and somebody else may be at it before.
UPDATE_WITHIN_S: Final = 400.0
LEARNED_WITHIN_S: Final = 120.0
_numbers = itertools.count(1)


class Updater:
    """Looks every minute, while the dashboard runs, for fleets whose feed is due."""

    def __init__(self, state: DashboardState) -> None:
        self._state = state
        self._under_way: dict[str, Job] = {}
        self._folders_s: dict[str, float] = {}
        # Of each fleet, the newest snapshot when it was last learned from: what failed waits for another one.
        self._learned_from: dict[str, str] = {}
        self._learning: dict[str, Job] = {}
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="passim-updater", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """Look no more."""
        self._over.set()

    def _run(self) -> None:
        while not self._over.wait(_LOOK_EVERY_S):
            self.look()
            self.learn()

    def look(self) -> list[str]:
        """Begin the updates that are due, where the workspace says that the dashboard does so; return their fleets."""
        workspace = self._state.workspace
        # A rehearsal is not now.
        if self._state.rehearsal or not workspace.settings.updates.in_dashboard:
            return []
        begun = []
        for fleet in self._due(workspace):
            job = self._under_way.get(fleet)
            if job is not None and not job.done.is_set():
                continue
            try:
                start_update(self._state, workspace, fleet, early=False)
            except Pending as still:
                self._under_way[fleet] = still.job
                begun.append(fleet)
        return begun

    def learn(self) -> list[Job]:
        """Let a worker learn the timing errors of the fleets that have new snapshots; return its jobs."""
        workspace = self._state.workspace
        if self._state.rehearsal:
            return []
        jobs = []
        for fleet, job in list(self._learning.items()):
            if job.done.is_set():
                del self._learning[fleet]
                if job.error is not None:
                    _LOG.warning("%s: its timing errors cannot be learned: %s", fleet, job.error)
        for settings in workspace.settings.fleets:
            if settings.feed is None:
                continue
            try:
                newest = workspace.snapshots(settings.name).newest()
                if newest is None or self._learned_from.get(settings.name) == newest.digest:
                    continue
                self._learned_from[settings.name] = newest.digest
                if learning_is_due(workspace, settings.name):
                    key = ("timing", str(workspace.folder), settings.name, next(_numbers))
                    self._state.work_out(key, work.learn, workspace.folder, settings.name, deadline_s=LEARNED_WITHIN_S)
            except Pending as still:
                self._learning[settings.name] = still.job
                jobs.append(still.job)
            except InputError:
                continue  # told where the fleet's page is opened
        return jobs

    def _due(self, workspace: Workspace) -> list[str]:
        """Return the fleets whose feed is due now. What is wrong with one is told where its page is opened."""
        found = []
        for settings in workspace.settings.fleets:
            if settings.feed is None:
                continue
            try:
                (fleet,) = fleets_with_feeds(workspace, settings.name)
                state = feed_state(workspace, fleet)
            except InputError:
                continue
            if isinstance(state.feed, Folder):
                if time.monotonic() < self._folders_s.get(fleet, 0.0):
                    continue
                self._folders_s[fleet] = time.monotonic() + _FOLDER_EVERY_S
            if state.due_at <= datetime.now(UTC):
                found.append(fleet)
        return found


def start_update(state: DashboardState, workspace: Workspace, fleet: str, *, early: bool) -> None:
    """Let a worker bring a fleet up to date. Raises Pending, whose job has the `passim.workspace.Update` as result."""
    key = ("update", str(workspace.folder), fleet, next(_numbers))
    state.work_out(key, work.update, workspace.folder, fleet, early, deadline_s=UPDATE_WITHIN_S)


def update_of(job: Job) -> Update:
    """Return what became of an update whose job is done. Raises InputError, such as for a worker that was lost."""
    if job.error is not None:
        raise job.error
    found: Update = job.result
    return found
