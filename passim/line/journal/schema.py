"""The file of a journal: SQLite in write-ahead mode, its tables, its version, and what can be wrong with it.

Every moment is a whole number of microseconds since 1970 UTC, every length one of microseconds; a round trip of -1 is
a lost packet.

    source          who recorded: passim's own probe, or a file that was added, with its zone where known
    target          what was asked
    run             an unbroken stretch of measuring on one setting of the clock, and why a new one had to begin; what
                    no run of a source covers, or more than one, is a hole
    minute          the probes of one target and run in one minute of UTC, packed (`packed`): times of the sends since
                    the minute's start, then round trips, 32-bit little-endian each, then their CRC-32; `sent` counts
                    what was sent, which is more than what is packed once the minute has been thinned
    open_probe      the probes of minutes that are not packed yet, waiting for an answer where round_trip_us is NULL
    clock_offset    what a time server said of the system's clock: seconds to be added to it
    outage          outages of records that hold no probes

Probes are committed every second without waiting for the disk, and minutes with waiting for it: what kills the
program costs the last second at most, and a power cut the last minutes.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final
from zlib import crc32

from passim.errors import JournalBusyError, JournalError, WayOut

FILE_NAME: Final = "journal.sqlite3"
VERSION: Final = 1
# "psim" marks the file as one of passim's, beside whatever other databases a folder holds.
APPLICATION_ID: Final = int.from_bytes(b"psim", "big")
# What the own probe is called among the sources of a journal.
OWN_PROBE: Final = "own probe"
LOST: Final = -1
MINUTE_US: Final = 60_000_000

# Every second one page goes to the disk: a small one spares memory cards.
_PAGE_BYTES: Final = 1024
_CRC_BYTES: Final = 4
_BUSY_S: Final = 10.0
_NO_ROOM_BYTES: Final = 128 * 1024
_SQLITE_HEAD: Final = b"SQLite format 3\x00"

_TABLES: Final = """
CREATE TABLE source (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, zone TEXT, period_us INTEGER, added_us INTEGER NOT NULL);
CREATE TABLE target (
    id INTEGER PRIMARY KEY, source INTEGER NOT NULL, name TEXT NOT NULL, address TEXT NOT NULL, method TEXT NOT NULL,
    position TEXT NOT NULL, UNIQUE (source, name, address, method, position));
CREATE TABLE run (
    id INTEGER PRIMARY KEY, source INTEGER NOT NULL, began_us INTEGER NOT NULL, ended_us INTEGER,
    why TEXT NOT NULL, step_us INTEGER NOT NULL DEFAULT 0, every_us INTEGER, patience_us INTEGER);
CREATE INDEX run_began ON run (source, began_us);
CREATE TABLE minute (
    id INTEGER PRIMARY KEY, minute INTEGER NOT NULL, target INTEGER NOT NULL, run INTEGER NOT NULL,
    sent INTEGER NOT NULL, lost INTEGER NOT NULL, packed BLOB NOT NULL);
CREATE INDEX minute_at ON minute (minute);
CREATE INDEX minute_with_losses ON minute (minute) WHERE lost > 0;
CREATE TABLE open_probe (
    sent_us INTEGER NOT NULL, target INTEGER NOT NULL, run INTEGER NOT NULL, round_trip_us INTEGER,
    PRIMARY KEY (sent_us, target, run)) WITHOUT ROWID;
CREATE TABLE clock_offset (
    at_us INTEGER NOT NULL, run INTEGER NOT NULL, server TEXT NOT NULL, offset_us INTEGER NOT NULL,
    delay_us INTEGER NOT NULL, PRIMARY KEY (at_us, run)) WITHOUT ROWID;
CREATE TABLE outage (
    id INTEGER PRIMARY KEY, source INTEGER NOT NULL, start_us INTEGER NOT NULL, end_us INTEGER NOT NULL,
    place TEXT NOT NULL, lost INTEGER NOT NULL, cut_at_start INTEGER NOT NULL, cut_at_end INTEGER NOT NULL);
CREATE INDEX outage_start ON outage (source, start_us);
CREATE TABLE progress (name TEXT PRIMARY KEY, minute INTEGER NOT NULL) WITHOUT ROWID;
"""

# What makes a file of one version one of the next. Each runs in one transaction with the change of its number.
MIGRATIONS: Final[dict[int, str]] = {}


class DamagedMinuteError(Exception):
    """The probes of a minute are not those that were packed."""


def connect(path: Path, *, writing: bool) -> sqlite3.Connection:
    """Open the journal at `path`, made where it is to be written and not there; an older one is brought up to date.

    Raises JournalError for a file that is no journal, is damaged or of a newer passim, JournalBusyError where another
    program holds it, OSError where the system refuses.
    """
    with told_of(path):
        there = path.exists() and path.stat().st_size > 0
        if there:
            _check_head(path)
        elif not writing:
            raise JournalError(f"journal {path}", got="no such file", way_out=WayOut.PROBE)
        connection = _opened(path, writing)
        try:
            if writing:
                _bring_up_to_date(connection, path, new=not there)
            _check_version(connection, path)
        except BaseException:
            connection.close()
            raise
        return connection


@contextmanager
def told_of(path: Path) -> Iterator[None]:
    """Let what the database says of the file at `path` come out as errors of this house."""
    try:
        yield
    except sqlite3.Error as error:
        raise _plain(error, path) from None
    except DamagedMinuteError as error:
        raise JournalError(f"journal {path} is damaged", got=str(error), way_out=WayOut.CHECK_JOURNAL) from None


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Make all changes within, or none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        # On a full disk the database has ended the transaction by itself.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def packed(minute: int, probes: Sequence[tuple[int, int]]) -> bytes:
    """Return probes of one minute, (sent_us, round_trip_us) each, as a row of `minute` holds them."""
    sent = [sent_us - minute * MINUTE_US for sent_us, _ in probes]
    # A round trip of over half an hour is none; what was waited for is far less.
    trips = [min(trip_us, 2**31 - 1) for _, trip_us in probes]
    return sealed(struct.pack(f"<{2 * len(probes)}i", *sent, *trips))


def sealed(numbers: bytes) -> bytes:
    """Return the numbers of a minute, 32 bits each, sends and then round trips, with their checksum behind them."""
    return numbers + crc32(numbers).to_bytes(_CRC_BYTES, "little")


def numbers_in(data: bytes) -> bytes:
    """Return what `packed` packed, less its checksum. Raises DamagedMinuteError."""
    numbers = data[:-_CRC_BYTES]
    if len(numbers) % 8 or crc32(numbers).to_bytes(_CRC_BYTES, "little") != data[-_CRC_BYTES:]:
        raise DamagedMinuteError("probes of a minute that do not fit their checksum")
    return numbers


def unpacked(minute: int, data: bytes) -> list[tuple[int, int]]:
    """Return the probes that `packed` packed. Raises DamagedMinuteError."""
    data = numbers_in(data)
    numbers = struct.unpack(f"<{len(data) // 4}i", data)
    half = len(numbers) // 2
    return [(minute * MINUTE_US + sent, trip) for sent, trip in zip(numbers[:half], numbers[half:], strict=True)]


def _opened(path: Path, writing: bool) -> sqlite3.Connection:
    """Return a connection in which every statement stands for itself."""
    if writing:
        connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
        connection.execute("PRAGMA cache_size = -2000")
        connection.execute("PRAGMA synchronous = NORMAL")
        return connection
    address = path.absolute().as_uri()
    connection = sqlite3.connect(f"{address}?mode=ro", timeout=_BUSY_S, isolation_level=None, uri=True)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        # Readers keep a list of themselves beside the file. Where they cannot, nobody can write either, and it stands
        # still; but what a killed writer left beside it would be passed over.
        left = Path(f"{path}-wal")
        if os.access(path.parent, os.W_OK) or (left.exists() and left.stat().st_size > 0):
            raise
        connection = sqlite3.connect(f"{address}?immutable=1", timeout=_BUSY_S, isolation_level=None, uri=True)
    return connection


def _bring_up_to_date(connection: sqlite3.Connection, path: Path, new: bool) -> None:
    """Make the tables of a new file, or turn those of an older one into today's."""
    if new:
        connection.execute("PRAGMA journal_mode = WAL")
        with transaction(connection):
            # Two programs may have found no file at the same moment.
            if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                for statement in _TABLES.split(";"):
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {VERSION}")
    while 0 < (version := _version(connection)) < VERSION:
        with transaction(connection):
            if _version(connection) == version:
                for statement in MIGRATIONS[version].split(";"):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {version + 1}")


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise JournalError(f"journal {path}", got="a database of another program", wanted="a journal of passim")
    version = _version(connection)
    if version > VERSION:
        raise JournalError(
            f"journal {path}", got=f"version {version}", wanted=f"version {VERSION} or older",
            try_next="the passim that wrote it, or a newer one",
        )  # fmt: skip
    if version < VERSION:
        raise JournalError(
            f"journal {path}", got=f"version {version}", wanted=f"version {VERSION}", way_out=WayOut.PROBE
        )


def _check_head(path: Path) -> None:
    with path.open("rb") as file:
        if file.read(len(_SQLITE_HEAD)) != _SQLITE_HEAD:
            raise JournalError(
                f"journal {path}", got="a file that is no journal, or one with a damaged beginning",
                wanted="a journal of passim", try_next="moving it away: a new one is begun in its place",
            )  # fmt: skip


def _plain(error: sqlite3.Error, path: Path) -> Exception:
    """Return what an error of the database means."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return JournalError(f"journal {path} is damaged", got=str(error), way_out=WayOut.CHECK_JOURNAL)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return JournalBusyError(f"journal {path} is held by another program; try again when that has finished")
    refused = {
        sqlite3.SQLITE_FULL: errno.ENOSPC,
        sqlite3.SQLITE_READONLY: errno.EROFS,
        sqlite3.SQLITE_CANTOPEN: errno.EACCES,
        sqlite3.SQLITE_IOERR: errno.EIO,
    }
    if code in refused:
        number = refused[code]
        # A list of readers that finds no room is told as a fault of the disk.
        with suppress(OSError):
            if number == errno.EIO and shutil.disk_usage(path.parent).free < _NO_ROOM_BYTES:
                number = errno.ENOSPC
        return OSError(number, os.strerror(number), str(path))
    return error
