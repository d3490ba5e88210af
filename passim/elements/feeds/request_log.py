"""When each address was asked last by this user, and what it last gave: for all workspaces, processes and restarts.

A provider's rule is a rule for whoever asks, not for a folder. So what is noted of an address lies in the user's own
state folder, under a lock that lasts for as long as the address is being asked, and the time of a request is on the
disk before the request is sent. What a good answer held is kept too: another workspace with the same address takes it
from there.

Clocks are wrong now and then. Between two requests of one run of the machine the time is taken from the system's clock
since it started, which nobody sets (Linux); else from the time of day, where a request that seems to lie in the future
counts as made just now.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import platformdirs

from passim.elements.atomic import write_atomically
from passim.elements.formats import LARGEST_BYTES
from passim.elements.locks import LockBusy, locked_file
from passim.errors import ElementsError

# Somebody who asks holds an address for as long as an answer may take, and a little.
_PATIENCE_S: Final = 150.0
_LARGEST_NOTE_BYTES: Final = 64 * 2**10


def _running_since() -> tuple[str, float]:
    """Return which run of the machine this is, and for how many seconds it has lasted; an empty word if unknown."""
    try:
        run = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
        return run, time.clock_gettime(time.CLOCK_BOOTTIME)
    except (OSError, ValueError, AttributeError):
        return "", 0.0


@dataclass(frozen=True, slots=True)
class Clocks:
    """What time it is: ``now`` the time of day (aware, UTC), ``running`` the run of the machine and how long it is."""

    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    running: Callable[[], tuple[str, float]] = _running_since


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressState:
    """What is known of an address.

    ``requested_at`` the last request, with the run of the machine and its seconds then; ``rest_s`` how long the answer
    asked for quiet; ``good`` whether the last request had a good answer. ``checked_at`` when the content kept was last
    said to be in force, ``fetched_at`` when it came, and ``etag``, ``last_modified`` and ``content_digest`` of it.
    """

    address: str = ""
    requested_at: datetime | None = None
    run: str = ""
    run_s: float = 0.0
    rest_s: float = 0.0
    good: bool = False
    failure: str = ""
    checked_at: datetime | None = None
    fetched_at: datetime | None = None
    etag: str = ""
    last_modified: str = ""
    content_digest: str = ""

    def since_request_s(self, clocks: Clocks) -> float:
        """Return how many seconds ago the last request was made; infinite where there was none."""
        if self.requested_at is None:
            return float("inf")
        run, run_s = clocks.running()
        if run and run == self.run:
            return max(run_s - self.run_s, 0.0)
        return max((clocks.now() - self.requested_at).total_seconds(), 0.0)


class AddressLog:
    """What is noted of one address, while nobody else asks it. `RequestLog.turn` gives one."""

    def __init__(self, file: Path, body: Path, address: str, clocks: Clocks) -> None:
        self._file, self._body, self._address, self.clocks = file, body, address, clocks
        self.noted = _read(file, address)
        self._mend_future()

    def requesting(self) -> None:
        """Note that a request is about to be sent. Raises ElementsError where it cannot be, and then it may not be."""
        run, run_s = self.clocks.running()
        self.write(requested_at=self.clocks.now(), run=run, run_s=run_s, rest_s=0.0, good=False, failure="")

    def write(self, **changes: Any) -> None:
        """Change what is noted, on the disk. Raises ElementsError."""
        self.noted = replace(self.noted, address=self._address, **changes)
        text = json.dumps(asdict(self.noted), default=datetime.isoformat, indent=1)
        self._put(self._file, text.encode("utf-8"))

    def keep_content(self, content: bytes) -> str:
        """Keep what a good answer held; return its digest."""
        self._put(self._body, gzip.compress(content, 6, mtime=0))
        return digest_of(content)

    def content(self) -> bytes | None:
        """Return the content that is noted, None where there is none or it is damaged."""
        if not self.noted.content_digest:
            return None
        try:
            # A file of the user's own, and yet no more is unpacked than was ever kept.
            with gzip.open(self._body) as packed:
                found = packed.read(LARGEST_BYTES + 1)
        except (OSError, EOFError, ValueError, zlib.error):
            return None
        return found if digest_of(found) == self.noted.content_digest else None

    def _mend_future(self) -> None:
        """Let a request that seems to lie in the future count as made just now: once, not for as long as it takes."""
        at = self.noted.requested_at
        run, run_s = self.clocks.running()
        if at is not None and at > self.clocks.now() and not (run and run == self.noted.run):
            self.write(requested_at=self.clocks.now(), run=run, run_s=run_s)

    def _put(self, path: Path, data: bytes) -> None:
        try:
            write_atomically(path, data)
        except OSError as error:
            raise _unusable(path.parent, error) from None


class RequestLog:
    """The notes of one user, in `folder`; the user's own state folder unless it is given."""

    def __init__(self, folder: Path | None = None, clocks: Clocks | None = None) -> None:
        self.folder = folder or platformdirs.user_state_path("passim", appauthor=False) / "feeds"
        self.clocks = clocks or Clocks()

    @contextlib.contextmanager
    def turn(self, address: str) -> Iterator[AddressLog]:
        """Hold an address: whoever else asks it waits. Raises ElementsError where nothing can be noted."""
        stem = hashlib.sha256(address.encode("utf-8")).hexdigest()[:32]
        held = contextlib.ExitStack()
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            held.enter_context(locked_file(self.folder / f"{stem}.lock", _PATIENCE_S))
        except LockBusy:
            raise ElementsError("feed", got="another program that asks it", try_next="again in a minute") from None
        except OSError as error:
            raise _unusable(self.folder, error) from None
        with held:
            yield AddressLog(self.folder / f"{stem}.json", self.folder / f"{stem}.gz", address, self.clocks)

    def look(self, address: str) -> AddressState:
        """Return what is noted of an address, without waiting for anybody."""
        stem = hashlib.sha256(address.encode("utf-8")).hexdigest()[:32]
        return _read(self.folder / f"{stem}.json", address)


def digest_of(content: bytes) -> str:
    """Return the digest by which the same content is told again: SHA-256, hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def _read(file: Path, address: str) -> AddressState:
    """Return what a file says; of one that cannot be read, that the address was asked when it was written."""
    try:
        written_at = datetime.fromtimestamp(file.stat().st_mtime, UTC)
    except OSError:
        return AddressState(address=address)
    try:
        with file.open("rb") as opened:
            given = json.loads(opened.read(_LARGEST_NOTE_BYTES))
        values = {field.name: given[field.name] for field in fields(AddressState)}
        for key in ("requested_at", "checked_at", "fetched_at"):
            values[key] = values[key] and datetime.fromisoformat(values[key])
            if values[key] is not None and values[key].utcoffset() is None:
                raise ValueError(key)
        for key in ("run_s", "rest_s"):
            values[key] = float(values[key])
        return AddressState(**values)
    except (OSError, ValueError, KeyError, TypeError):
        return AddressState(address=address, requested_at=written_at)


def _unusable(folder: Path, error: OSError) -> ElementsError:
    what = f"folder {folder}, where it is noted when an address was asked, cannot be used: {error.strerror}"
    return ElementsError(what, try_next="a home folder of your own")


def soonest(noted: AddressState, wait_s: float, clocks: Clocks) -> datetime:
    """Return the moment that lies `wait_s` after the last request noted, by today's clock."""
    return clocks.now() + timedelta(seconds=max(wait_s - noted.since_request_s(clocks), 0.0))
