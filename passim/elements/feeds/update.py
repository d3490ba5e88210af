"""Bringing a fleet up to date: ask its address or look into its folder, judge what came, keep it as a snapshot.

What comes is kept only if it is a whole list of element sets of about as many objects as before. Everything else is a
failure that is told, and the snapshot before it stays in use.
"""

from __future__ import annotations

import functools
import importlib.metadata
import os
import stat
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from passim.elements.feeds.request_log import AddressLog, AddressState, Clocks, RequestLog, digest_of, soonest
from passim.elements.feeds.snapshots import Snapshot, SnapshotStore, kept_times, read_origin
from passim.elements.feeds.sources import Address, Folder, Refused, Unreachable, check_address
from passim.elements.files import READ_SUFFIXES, bounded
from passim.elements.formats import parse_elements
from passim.elements.read_log import TOLERATED_SHARE
from passim.elements.records import Fleet
from passim.errors import ElementsError, InputError, WayOut

if TYPE_CHECKING:
    from passim.elements.feeds import http

# A list of fewer objects than this share of the last one is more likely a fault than a loss.
_LEAST_SHARE: Final = 0.5
_TRIES: Final = 3
_BACK_OFF_S: Final = (2.0, 8.0)

Outcome = Literal["new", "unchanged", "not due", "failed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """What became of bringing a fleet up to date.

    ``snapshot`` is the one in use afterwards, None where there is none; ``objects`` and ``skipped`` count what came.
    ``next_at`` is when the feed is due next, ``error`` why it failed now, and ``last_failure`` what came of the last
    request of a feed that is not due.
    """

    outcome: Outcome
    snapshot: Snapshot | None = None
    objects: int = 0
    skipped: int = 0
    requested_at: datetime | None = None
    next_at: datetime | None = None
    error: InputError | None = None
    last_failure: str = ""


@functools.cache
def user_agent() -> str:
    """Return the name under which passim asks: that of the program and its release."""
    return f"passim/{importlib.metadata.version('passim')}"


def due_at(feed: Address | Folder, noted: AddressState, clocks: Clocks, *, early: bool = False) -> datetime:
    """Return when a feed is due: at once where it was never asked.

    Usually `every_s` after the last request that had a good answer, and `minimum_interval_s` after any other, or later
    where the server asked for quiet; `early` is as soon as the last two allow.
    """
    if isinstance(feed, Folder):
        return clocks.now()
    least_s = max(feed.minimum_interval_s, noted.rest_s)
    return soonest(noted, max(least_s, feed.every_s) if noted.good and not early else least_s, clocks)


def update_from_address(
    feed: Address,
    store: SnapshotStore,
    name: str,
    log: RequestLog,
    *,
    early: bool = False,
    accept_fewer: bool = False,
    authorization: str = "",
    wait: Callable[[float], None] = time.sleep,
) -> Update:
    """Bring the snapshots of the fleet `name` up to date from an address, asking it only if it is due.

    `accept_fewer` takes a list of far fewer objects than the last one. `authorization` goes along as the header of that
    name, and is neither kept nor told. What goes wrong is the error of an Update that failed; the snapshots stand.
    """
    check_address(feed.address)
    with log.turn(feed.address) as turn:
        taken = _content_of_others(turn, store, name, accept_fewer)
        if taken is not None:
            return _completed(feed, turn, store, taken)
        if due_at(feed, turn.noted, log.clocks, early=early) > log.clocks.now():
            return _completed(feed, turn, store, Update(outcome="not due"))
        try:
            update = _asked(feed, turn, store, name, accept_fewer, authorization, wait)
        except InputError as error:
            rest_s = error.rest_s if isinstance(error, Refused) else 0.0
            if not isinstance(error, Unreachable):
                turn.write(good=False, rest_s=rest_s, failure=str(error))
            update = Update(outcome="failed", error=error)
        return _completed(feed, turn, store, update)


def _completed(feed: Address, turn: AddressLog, store: SnapshotStore, update: Update) -> Update:
    """Return an update with what stands after it."""
    return Update(
        outcome=update.outcome,
        snapshot=update.snapshot or store.newest(),
        objects=update.objects,
        skipped=update.skipped,
        requested_at=turn.noted.requested_at,
        next_at=due_at(feed, turn.noted, turn.clocks),
        error=update.error,
        last_failure=turn.noted.failure,
    )


def _asked(
    feed: Address,
    turn: AddressLog,
    store: SnapshotStore,
    name: str,
    accept_fewer: bool,
    authorization: str,
    wait: Callable[[float], None],
) -> Update:
    """Ask, judge the answer, and keep it. Raises InputError."""
    conditions: dict[str, str] = {}
    known = turn.content()
    # "Not changed" would leave nothing where what was there is gone.
    if known is not None and store.newest() is not None:
        if turn.noted.etag:
            conditions["If-None-Match"] = turn.noted.etag
        if turn.noted.last_modified:
            conditions["If-Modified-Since"] = turn.noted.last_modified
    head = conditions | ({"Authorization": authorization} if authorization else {})
    answer = _answer(feed.address, head, turn, wait)
    now = turn.clocks.now()
    if answer.status == 304:
        if not conditions:
            raise ElementsError("answer", got="304, not changed, to a request without conditions", wanted="200")
        turn.write(good=True, checked_at=now)
        return Update(outcome="unchanged")
    digest = digest_of(answer.body)
    newest = store.newest()
    if newest is not None and read_origin(newest).content_digest == digest:
        turn.write(good=True, checked_at=now, **_validators(answer))
        return Update(outcome="unchanged")
    fleet = _judged(answer.body, feed.address, name, store, accept_fewer)
    turn.keep_content(answer.body)
    turn.write(good=True, checked_at=now, fetched_at=now, content_digest=digest, **_validators(answer))
    return _kept(store, fleet, feed.address, digest, now)


def _answer(address: str, head: Mapping[str, str], turn: AddressLog, wait: Callable[[float], None]) -> http.Answer:
    """Return the answer; where no connection could be made, and so nothing was sent, try again a little later."""
    # What speaks HTTP is loaded where somebody is asked.
    from passim.elements.feeds import http

    request = http.Request(address, head)
    for attempt in range(_TRIES):
        try:
            return http.get(request, user_agent(), turn.requesting)
        except Unreachable:
            if attempt == _TRIES - 1:
                raise
            wait(_BACK_OFF_S[attempt])
    raise AssertionError("the last attempt returns or raises")


def _validators(answer: http.Answer) -> dict[str, str]:
    """Return what a later request can ask with whether anything has changed."""
    etag, modified = answer.head.get("etag", ""), answer.head.get("last-modified", "")
    try:
        parsedate_to_datetime(modified)
    except (TypeError, ValueError):
        modified = ""
    plain = len(etag) <= 200 and etag.isascii() and etag.isprintable()
    return {"etag": etag if plain else "", "last_modified": modified}


def _content_of_others(turn: AddressLog, store: SnapshotStore, name: str, accept_fewer: bool) -> Update | None:
    """Take what this user's other workspaces have fetched since, None where there is nothing newer."""
    noted = turn.noted
    if noted.fetched_at is None:
        return None
    newest = store.newest()
    if newest is not None and (
        newest.fetched_at >= noted.fetched_at.replace(microsecond=0)
        or read_origin(newest).content_digest == noted.content_digest
    ):
        return None
    content = turn.content()
    if content is None:
        return None
    try:
        fleet = _judged(content, noted.address, name, store, accept_fewer)
    except InputError:
        return None  # it is asked for again when it is due, and then told
    return _kept(store, fleet, noted.address, noted.content_digest, noted.fetched_at)


def _judged(content: bytes, source: str, name: str, store: SnapshotStore, accept_fewer: bool) -> Fleet:
    """Return the fleet in what came. Raises ElementsError where it is no whole list, or a suddenly tiny one."""
    fleet = parse_elements(content, source, lenient=TOLERATED_SHARE, name=name)
    cut = next((each for each in fleet.skipped if each.kind == "cut"), None)
    if cut is not None:
        raise ElementsError(f"list of {source}", got=str(cut), wanted="all of it", try_next="again later")
    newest = store.newest()
    if newest is None or accept_fewer:
        return fleet
    before = read_origin(newest).objects
    if fleet.object_count < _LEAST_SHARE * before:
        raise ElementsError(
            f"list of {source}",
            got=f"{fleet.object_count:,} objects",
            wanted=f"about as many as before, {before:,}",
            try_next="opening it",
            way_out=WayOut.ACCEPT_FEWER,
        )
    return fleet


def _kept(store: SnapshotStore, fleet: Fleet, source: str, digest: str, at: datetime) -> Update:
    """Keep a snapshot and thin the older ones. Raises ElementsError."""
    snapshot = store.keep(fleet, source=source, content_digest=digest, fetched_at=at)
    store.thin(at)
    return Update(outcome="new", snapshot=snapshot, objects=fleet.object_count, skipped=fleet.damaged_count)


def update_from_folder(
    feed: Folder, store: SnapshotStore, name: str, clocks: Clocks, *, accept_fewer: bool = False
) -> Update:
    """Keep a snapshot of each element file that came into a folder since the newest one, the oldest file first.

    A file's time is when it was last written. A file that is bad, cut, or still being written is told as the error of
    an Update that failed; it is looked at again next time, and the others are kept. The caller holds the workspace.
    """
    try:
        files = _files(feed.folder)
    except ElementsError as fault:
        return Update(outcome="failed", error=fault, snapshot=store.newest())
    now = clocks.now()
    newest = store.newest()
    since = newest.fetched_at if newest else datetime.min.replace(tzinfo=UTC)
    fresh = [(at, file) for at, file in files if at.replace(microsecond=0) >= since]
    # Of a heap of old files those that would be thinned at once are not read.
    wanted = kept_times([at for at, _ in fresh], now) | {at for at, _ in fresh[-1:]}
    done = Update(outcome="unchanged")
    error: InputError | None = None
    for at, file in fresh:
        if at not in wanted:
            continue
        try:
            content = _content(file)
            digest = digest_of(content)
            before = store.newest()
            if before is not None and read_origin(before).content_digest == digest:
                continue
            fleet = _judged(content, str(file), name, store, accept_fewer)
            done = _kept(store, fleet, str(file), digest, min(at, now))
        except ElementsError as fault:
            error = fault
    outcome: Outcome = "failed" if error is not None and done.outcome == "unchanged" else done.outcome
    return Update(
        outcome=outcome,
        snapshot=done.snapshot or store.newest(),
        objects=done.objects,
        skipped=done.skipped,
        next_at=now + timedelta(seconds=feed.every_s),
        error=error,
    )


def _files(folder: Path) -> list[tuple[datetime, Path]]:
    """Return the element files in a folder by the time they were last written. Raises ElementsError."""
    try:
        entries = [(entry.stat(), Path(entry.path)) for entry in os.scandir(folder)]
    except OSError as error:
        words = error.strerror or "an error of the disk"
        raise ElementsError(f"folder {folder}", got=words, wanted="a folder that can be read") from None
    found = []
    for state, path in entries:
        suffix = Path(path.stem).suffix if path.suffix.lower() == ".gz" else path.suffix
        if path.name.startswith(".") or not stat.S_ISREG(state.st_mode) or suffix.lower() not in READ_SUFFIXES:
            continue
        if not path.name.upper().startswith("README"):
            found.append((datetime.fromtimestamp(state.st_mtime, UTC), path))
    return sorted(found)


def _content(file: Path) -> bytes:
    """Return the bytes of a file, never more than the largest size and one. Raises ElementsError."""
    try:
        with file.open("rb") as opened:
            return bounded(opened)
    except OSError as error:
        words = error.strerror or "an error of the disk"
        raise ElementsError(str(file), got=words, wanted="a file that can be read") from None
