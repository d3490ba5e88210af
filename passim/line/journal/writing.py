"""Writing a journal as the probe goes along: every second what was sent and answered, every minute packed.

Imports the standard library alone: see `passim.line`.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Literal, NamedTuple, Self

from passim.elements.locks import LockBusy, locked_file
from passim.errors import InternalError, JournalBusyError
from passim.line.journal.schema import LOST, MINUTE_US, OWN_PROBE, connect, packed, told_of, transaction, unpacked
from passim.line.targets import Target

# Why a run had to begin: what lies before it.
Why = Literal["started", "asleep", "paused", "clock set"]

# Of a probe whose fate nobody saw, the machine asleep or the program killed: having waited so long without an answer
# it counts as lost; else it is left out.
SETTLED_US: Final = 1_000_000
# Calm minutes farther than this from any loss may be thinned, to one probe in so many.
CALM_MINUTES: Final = 10
THINNED_TO_ONE_IN: Final = 10
# A journal is thinned from its oldest day on while it is larger than this, so that a year fits 3 GB at any rate.
LARGEST_BYTES: Final = 2_500_000_000
_BUSY_MS: Final = 100
_PATIENT_MS: Final = 30_000
_DAY_MINUTES: Final = 1440
_RECENT_DAYS: Final = 30


class SentProbe(NamedTuple):
    """A probe: the number of its target among the run's, its send, and its round trip if known by now, or `LOST`."""

    target: int
    sent_us: int
    round_trip_us: int | None = None


class JournalWriter:
    """The one program that writes the probes of a journal. A context manager; made with a new file where there is none.

    Raises JournalBusyError where another program does so already, JournalError for a file that cannot be used, and
    OSError where the system refuses, there and in every method: then what was written before is kept.
    """

    def __init__(self, path: Path, largest_bytes: int = LARGEST_BYTES) -> None:
        self.path, self._largest_bytes = path, largest_bytes
        self._held = contextlib.ExitStack()
        self._run: int | None = None
        self._targets: tuple[int, ...] = ()
        self._packed_to = 0
        lock = path.with_name(f"{path.name}.lock")
        try:
            self._held.enter_context(locked_file(lock, patience_s=0.0))
        except LockBusy:
            raise JournalBusyError(
                f"journal {path} is being written by another probe; stop that one first, or let it be"
            ) from None
        except OSError as error:
            raise OSError(error.errno, error.strerror, str(path)) from None
        try:
            self._database = connect(path, writing=True)
            self._held.callback(self._database.close)
            with told_of(path):
                self._source = self._source_id()
                self._pack_what_was_left()
                # From here on somebody else's long change is waited for by whoever calls, not here.
                self._database.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        except BaseException:
            self._held.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: BaseException | None, __: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; a run that was not ended counts as cut off."""
        self._held.close()

    def begin(
        self, targets: Sequence[Target], began_us: int, why: Why, every_us: int, patience_us: int, step_us: int = 0
    ) -> None:
        """Begin a run. `step_us` is by how much the clock was set, where that is why."""
        with told_of(self.path), transaction(self._database):
            self._targets = tuple(self._target_id(target) for target in targets)
            self._run = self._database.execute(
                "INSERT INTO run (source, began_us, why, step_us, every_us, patience_us) VALUES (?, ?, ?, ?, ?, ?)",
                (self._source, began_us, why, step_us, every_us, patience_us),
            ).lastrowid
        self._packed_to = began_us // MINUTE_US

    @contextlib.contextmanager
    def patiently(self) -> Iterator[None]:
        """Wait for another program's change for as long as it may take, up to some seconds, instead of refusing."""
        with told_of(self.path):
            self._database.execute(f"PRAGMA busy_timeout = {_PATIENT_MS}")
            try:
                yield
            finally:
                self._database.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")

    def add(self, probes: Iterable[SentProbe]) -> None:
        """Write probes that were sent since the last time, and the fates of those sent before."""
        run = self._running()
        rows = [(probe.sent_us, self._targets[probe.target], run, probe.round_trip_us) for probe in probes]
        with told_of(self.path), transaction(self._database):
            self._database.executemany("INSERT OR REPLACE INTO open_probe VALUES (?, ?, ?, ?)", rows)

    def pack(self, settled_us: int) -> None:
        """Pack the whole minutes before `settled_us`, before which the fate of every probe is known."""
        whole = settled_us // MINUTE_US
        if whole <= self._packed_to:
            return
        with told_of(self.path):
            # Once a minute the disk is waited for, so that a power cut costs no more.
            self._database.execute("PRAGMA synchronous = FULL")
            with transaction(self._database):
                _pack(self._database, self._running(), whole * MINUTE_US)
            self._database.execute("PRAGMA synchronous = NORMAL")
            if whole // 60 > self._packed_to // 60:
                self._thin(whole)
        self._packed_to = whole

    def end(self, last_us: int) -> None:
        """End the run at `last_us`, the last moment that somebody watched; settle what waits for an answer."""
        run, self._run = self._running(), None
        with told_of(self.path), transaction(self._database):
            _end(self._database, run, last_us)

    def note_offset(self, at_us: int, server: str, offset_us: int, delay_us: int) -> None:
        """Note what a time server said: how much is to be added to the system's clock, and the round trip."""
        row = (at_us, self._running(), server, offset_us, delay_us)
        with told_of(self.path), transaction(self._database):
            self._database.execute("INSERT OR REPLACE INTO clock_offset VALUES (?, ?, ?, ?, ?)", row)

    def _running(self) -> int:
        if self._run is None:
            raise InternalError("a journal was written without a run")
        return self._run

    def _source_id(self) -> int:
        with transaction(self._database):
            self._database.execute("INSERT OR IGNORE INTO source (name, added_us) VALUES (?, 0)", (OWN_PROBE,))
            return int(self._database.execute("SELECT id FROM source WHERE name = ?", (OWN_PROBE,)).fetchone()[0])

    def _target_id(self, target: Target) -> int:
        return target_id(self._database, self._source, target)

    def _pack_what_was_left(self) -> None:
        """Finish what a killed program began: settle its probes, pack them, end its runs."""
        left = self._database.execute(
            "SELECT id, began_us FROM run WHERE source = ? AND ended_us IS NULL", (self._source,)
        ).fetchall()
        for run, began_us in left:
            with transaction(self._database):
                _end(self._database, run, last_known_us(self._database, run, began_us))

    def _thin(self, minute: int) -> None:
        """Thin the oldest day that is not, if the file is too large and the day is not of late."""
        pages, free, size = (
            self._database.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
        if (pages - free) * size <= self._largest_bytes:
            return
        (first,) = self._database.execute("SELECT min(minute) FROM minute").fetchone()
        done = self._database.execute("SELECT minute FROM progress WHERE name = 'thinned'").fetchone()
        start = max(first or 0, done[0] if done else 0)
        if start + _DAY_MINUTES <= minute - _RECENT_DAYS * _DAY_MINUTES:
            with transaction(self._database):
                thin(self._database, start, start + _DAY_MINUTES)
                self._database.execute("INSERT OR REPLACE INTO progress VALUES ('thinned', ?)", (start + _DAY_MINUTES,))


def target_id(database: sqlite3.Connection, source: int, target: Target) -> int:
    """Return the number under which a target of a source stands in the file, where it is put if it is new."""
    row = (source, target.name, target.address, target.method, target.position)
    database.execute(
        "INSERT OR IGNORE INTO target (source, name, address, method, position) VALUES (?, ?, ?, ?, ?)", row
    )
    found = database.execute(
        "SELECT id FROM target WHERE source = ? AND name = ? AND address = ? AND method = ? AND position = ?", row
    )
    return int(found.fetchone()[0])


def insert_minutes(database: sqlite3.Connection, run: int, target: int, probes: Iterable[tuple[int, int]]) -> None:
    """Put probes of one target, (sent_us, round_trip_us) in the order of their sends, into the file by minutes."""
    by_minute: dict[int, list[tuple[int, int]]] = {}
    for probe in probes:
        by_minute.setdefault(probe[0] // MINUTE_US, []).append(probe)
    rows = [
        (minute, target, run, len(held), sum(trip == LOST for _, trip in held), packed(minute, held))
        for minute, held in by_minute.items()
    ]
    database.executemany("INSERT INTO minute (minute, target, run, sent, lost, packed) VALUES (?, ?, ?, ?, ?, ?)", rows)


def last_known_us(database: sqlite3.Connection, run: int, began_us: int) -> int:
    """Return the last moment at which a run is known to have been under way: its last send, or its beginning."""
    (open_us,) = database.execute("SELECT max(sent_us) FROM open_probe WHERE run = ?", (run,)).fetchone()
    if open_us is not None:
        return int(open_us)
    last = database.execute("SELECT minute, packed FROM minute WHERE run = ? ORDER BY id DESC LIMIT 1", (run,))
    row = last.fetchone()
    return began_us if row is None else unpacked(*row)[-1][0]


def settled(probes: Iterable[tuple[int, int, int | None]], last_us: int) -> tuple[list[tuple[int, int, int]], int]:
    """Return the probes whose fate is known at `last_us`, and until when everything is known.

    Takes and gives (sent_us, target, round_trip_us). One that has waited for `SETTLED_US` by then counts as lost; what
    has waited for less is left out, and nothing from its send on is known.
    """
    held = list(probes)
    known_us = min((sent for sent, _, trip in held if trip is None and last_us - sent < SETTLED_US), default=last_us)
    kept = [(sent, target, LOST if trip is None else trip) for sent, target, trip in held if sent < known_us]
    kept += [(sent, target, trip) for sent, target, trip in held if sent == known_us == last_us and trip is not None]
    return kept, known_us


def _pack(database: sqlite3.Connection, run: int, until_us: int) -> None:
    """Move what was sent before `until_us` from the open probes to the packed minutes."""
    rows = database.execute(
        "SELECT sent_us, target, round_trip_us FROM open_probe WHERE run = ? AND sent_us < ? ORDER BY sent_us",
        (run, until_us),
    ).fetchall()
    _insert_by_target(database, run, rows)
    database.execute("DELETE FROM open_probe WHERE run = ? AND sent_us < ?", (run, until_us))


def _insert_by_target(database: sqlite3.Connection, run: int, rows: Iterable[tuple[int, int, int | None]]) -> None:
    by_target: dict[int, list[tuple[int, int]]] = {}
    for sent_us, target, trip_us in rows:
        by_target.setdefault(target, []).append((sent_us, LOST if trip_us is None else trip_us))
    for target, probes in by_target.items():
        insert_minutes(database, run, target, probes)


def _end(database: sqlite3.Connection, run: int, last_us: int) -> None:
    """Settle and pack a run's open probes and note its end."""
    rows = database.execute(
        "SELECT sent_us, target, round_trip_us FROM open_probe WHERE run = ? ORDER BY sent_us", (run,)
    ).fetchall()
    kept, known_us = settled(rows, last_us)
    _insert_by_target(database, run, kept)
    database.execute("DELETE FROM open_probe WHERE run = ?", (run,))
    database.execute("UPDATE run SET ended_us = ? WHERE id = ?", (known_us, run))


def thin(database: sqlite3.Connection, first: int, last: int) -> None:
    """Thin the calm minutes of [first, last): those with no loss to any target within `CALM_MINUTES` of them.

    Of each stay one probe in `THINNED_TO_ONE_IN` and the count of all that were sent. Every outage, every single loss
    and what surrounds them stay whole.
    """
    with_losses = {
        minute
        for (minute,) in database.execute(
            "SELECT minute FROM minute WHERE lost > 0 AND minute BETWEEN ? AND ?",
            (first - CALM_MINUTES, last + CALM_MINUTES),
        )
    }
    near = {minute + k for minute in with_losses for k in range(-CALM_MINUTES, CALM_MINUTES + 1)}
    rows = database.execute(
        "SELECT id, minute, sent, packed FROM minute WHERE minute >= ? AND minute < ?", (first, last)
    ).fetchall()
    for row, minute, sent, data in rows:
        if minute in near or sent <= THINNED_TO_ONE_IN:
            continue
        probes = unpacked(minute, data)
        if len(probes) == sent:
            kept = packed(minute, probes[::THINNED_TO_ONE_IN])
            database.execute("UPDATE minute SET packed = ? WHERE id = ?", (kept, row))
