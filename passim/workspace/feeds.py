"""The feeds of a workspace: which fleets have one, when each is due, bringing them up to date, learning from them."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import tomlkit

from passim.constants import SECONDS_PER_DAY
from passim.elements.feeds.request_log import AddressState, RequestLog
from passim.elements.feeds.snapshots import Origin, Snapshot, read_origin, read_snapshot
from passim.elements.feeds.sources import Address, Folder
from passim.elements.feeds.update import (
    Update,
    due_at,
    update_from_address,
    update_from_folder,
)
from passim.elements.records import Fleet
from passim.errors import ElementsError, WorkspaceError
from passim.forecast.learned_timing import pairs_to_score
from passim.workspace.folder import Workspace
from passim.workspace.saving import locked
from passim.workspace.timing import Timing, learn, learning_due


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedState:
    """Where a fleet's feed stands: what it is, the newest snapshot, what is noted of it, and when it is due."""

    fleet: str
    feed: Address | Folder
    newest: Snapshot | None
    noted: AddressState
    due_at: datetime


def fleets_with_feeds(workspace: Workspace, name: str | None = None) -> tuple[str, ...]:
    """Return the names of the fleets that have a feed, or that of `name` alone. Raises WorkspaceError for one without.

    Without a name the file must have at least one.
    """
    if name is not None:
        settings = workspace.fleet_settings(name)
        if settings.feed is None:
            raise WorkspaceError(f"fleet {settings.name}", got="no feed", wanted=_WANTED)
        return (settings.name,)
    found = tuple(fleet.name for fleet in workspace.settings.fleets if fleet.feed is not None)
    if not found:
        raise WorkspaceError(f"fleets of {workspace.file}", got="none with a feed", wanted=_WANTED)
    return found


_WANTED = (
    'feed = { address = "https://example.org/elements.json" } or feed = { folder = "incoming" } '
    "in its [[fleets]] section"
)


def feed_state(
    workspace: Workspace, name: str | None = None, log: RequestLog | None = None, *, early: bool = False
) -> FeedState:
    """Return where the feed of a fleet stands, the first with one unless named; nothing is asked.

    With `early` it is due as soon as its least interval allows. Raises WorkspaceError.
    """
    fleet, log = fleets_with_feeds(workspace, name)[0], log or RequestLog()
    feed = _feed(workspace, fleet)
    noted = log.look(feed.address) if isinstance(feed, Address) else AddressState()
    due = due_at(feed, noted, log.clocks, early=early)
    return FeedState(fleet=fleet, feed=feed, newest=workspace.snapshots(fleet).newest(), noted=noted, due_at=due)


def update_in_dashboard(workspace: Workspace, wanted: bool) -> Workspace:
    """Say in the file whether the dashboard updates by itself; return the workspace as it then is.

    Raises WorkspaceError, and leaves the file as it was.
    """

    def change(document: tomlkit.TOMLDocument) -> None:
        if "updates" not in document:
            document.add(tomlkit.nl())
            document["updates"] = tomlkit.table()
        document["updates"]["in_dashboard"] = wanted

    return workspace.edit(change)


def where_from(workspace: Workspace, name: str | None = None, at: datetime | None = None) -> Origin | None:
    """Return where the elements of a fleet came from that are in use at `at`; None for a fleet without a feed."""
    settings = workspace.fleet_settings(name)
    snapshot = workspace.snapshots(settings.name).newest(at) if settings.feed is not None else None
    return None if snapshot is None else read_origin(snapshot)


def update_fleet(
    workspace: Workspace,
    name: str | None = None,
    log: RequestLog | None = None,
    *,
    early: bool = False,
    accept_fewer: bool = False,
    wait: Callable[[float], None] = time.sleep,
) -> Update:
    """Bring a fleet with a feed up to date if it is due: the first with one unless named.

    An address is never asked sooner than its `minimum_interval_s` after the last request of this user, and usually
    `every_s` after it; `early` waits for the first alone. `accept_fewer` takes a list of far fewer objects than the
    last. Raises WorkspaceError for a fleet without a feed; what goes wrong with the feed is the error of the Update.
    """
    fleet, log = fleets_with_feeds(workspace, name)[0], log or RequestLog()
    feed, store = _feed(workspace, fleet), workspace.snapshots(fleet)
    if isinstance(feed, Folder):
        with locked(workspace.folder):
            return update_from_folder(feed, store, fleet, log.clocks, accept_fewer=accept_fewer)
    secret = ""
    if feed.authorization_from:
        secret = os.environ.get(feed.authorization_from, "")
        if not secret or not secret.isprintable() or not secret.isascii():
            raise WorkspaceError(
                f"environment variable {feed.authorization_from}",
                got="nothing" if not secret else "characters that a header cannot carry",
                wanted="what the Authorization header says, such as Bearer and a token",
            )
    return update_from_address(
        feed, store, fleet, log, early=early, accept_fewer=accept_fewer, authorization=secret, wait=wait
    )


def learn_fleet_timing(workspace: Workspace, name: str | None = None) -> Timing:
    """Learn the timing errors of a fleet with a feed from its snapshots, where others came since that was done last.

    It takes a second or two for the largest fleets, and nobody is asked. Return what is in force then: the errors that
    the file states come before what was learned. Raises WorkspaceError for a fleet without a feed and where it cannot
    be kept, ElementsError for snapshots that cannot be read.
    """
    (fleet,) = fleets_with_feeds(workspace, name)[:1]
    store = workspace.snapshots(fleet)
    if learning_due(store):
        learn(store)
    return workspace.timing(fleet)


def learning_is_due(workspace: Workspace, name: str | None = None) -> bool:
    """Say whether `learn_fleet_timing` has anything to do. Raises as it does."""
    (fleet,) = fleets_with_feeds(workspace, name)[:1]
    return learning_due(workspace.snapshots(fleet))


def snapshots_to_score(workspace: Workspace, name: str | None = None) -> list[tuple[Fleet, Fleet]]:
    """Return the snapshots of a fleet, older and newer, for a hindcast. Raises WorkspaceError, ElementsError."""
    (fleet,) = fleets_with_feeds(workspace, name)[:1]
    store = workspace.snapshots(fleet)
    damaged = store.damaged()
    every = [each for each in store if each not in damaged]
    pairs = pairs_to_score(every)
    if not pairs:
        days = (every[-1].fetched_at - every[0].fetched_at).total_seconds() / SECONDS_PER_DAY if every else 0.0
        raise ElementsError(
            f"snapshots of fleet {fleet}",
            got=f"{len(every)} within {days:.1f} days",
            wanted="two that came about a day apart",
            try_next="a feed that is asked for a few days",
        )
    read = {each: read_snapshot(each, fleet) for each in dict.fromkeys(one for pair in pairs for one in pair)}
    return [(read[older], read[newer]) for older, newer in pairs]


def _feed(workspace: Workspace, fleet: str) -> Address | Folder:
    settings = workspace.fleet_settings(fleet).feed
    assert settings is not None
    return settings.feed(workspace.folder)
