"""`Journal`: the file that keeps what the line did, for whoever reads it or adds records to it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from passim.errors import JournalError, WayOut
from passim.line.journal.schema import FILE_NAME, LOST, MINUTE_US, OWN_PROBE, connect, sealed, told_of, transaction
from passim.line.journal.writing import target_id
from passim.line.record import OUTAGE_COLUMNS
from passim.spans import Span, microseconds, moment

if TYPE_CHECKING:
    import pandas as pd

    from passim.line.journal.checking import JournalFault
    from passim.line.record import LineRecord, Probes


class Journal:
    """What a line did, as its probe recorded it, and records from elsewhere beside it, each under its source.

    `path` is the file, or the folder of a workspace that holds it. Reading goes on beside a probe that writes. Use it
    as a context manager, or `close` it. Raises JournalError for a file that is not there, is damaged, no journal or
    of a newer passim, OSError where the system refuses; so does every method.

        with Journal("marram") as journal:
            record = journal.read(Span.starting(start, hours=24))
    """

    def __init__(self, path: str | Path) -> None:
        given = Path(path)
        self.path = given / FILE_NAME if given.is_dir() else given
        self._reader: sqlite3.Connection | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: BaseException | None, __: TracebackType | None) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Journal {self.path}>"

    def close(self) -> None:
        """Close the file."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    @property
    def sources(self) -> tuple[str, ...]:
        """Who recorded: passim's own probe, then the records that were added, in the order in which they were."""
        with told_of(self.path):
            rows = self._open().execute("SELECT name FROM source ORDER BY id").fetchall()
        return tuple(name for (name,) in rows)

    def bounds(self, source: str = OWN_PROBE) -> tuple[datetime, datetime] | None:
        """Return the first and the last moment that a source recorded, in UTC; None if it recorded nothing."""
        from passim.line.journal.reading import bounds_us

        with told_of(self.path):
            found = bounds_us(self._open(), source)
        return None if found is None else (moment(found[0]), moment(found[1]))

    def read(self, span: Span, source: str = OWN_PROBE, losses: int = 3) -> LineRecord:
        """Return what a source recorded over `span`; `losses` in a row make an outage (RFC 3357's loss periods).

        Raises JournalError for a source that the journal does not have.
        """
        from passim.line.journal.reading import read_record

        with told_of(self.path):
            return read_record(self._open(), span, source, losses)

    def clock_offsets(self, span: Span) -> pd.DataFrame:
        """Return what time servers said over `span`: at (aware, UTC), server, offset_s, delay_s.

        ``offset_s`` is what is to be added to the times of the record.
        """
        from passim.line.journal.reading import offsets

        with told_of(self.path):
            return offsets(self._open(), span)

    def starts(self, span: Span) -> pd.DataFrame:
        """Return why the probe began anew over `span`: at (aware, UTC), why, step_s.

        ``why`` says what lies in the hole before it: "started" (it was not running), "asleep" (the machine was),
        "paused" (the program was stopped) or "clock set", by ``step_s`` seconds.
        """
        from passim.line.journal.reading import why_holes

        with told_of(self.path):
            return why_holes(self._open(), span)

    def added(self, source: str) -> datetime | None:
        """Return when a record was added, in UTC; None for the own probe's and for a source that is not there."""
        with told_of(self.path):
            row = self._open().execute("SELECT added_us FROM source WHERE name = ?", (source,)).fetchone()
        return moment(row[0]) if row is not None and row[0] else None

    def add_record(self, record: LineRecord, source: str | None = None, *, replace: bool = False) -> None:
        """Add a record from elsewhere under `source`, that of the record unless given; a probe may write meanwhile.

        Its probes, if it has any, its holes, and without probes its outages are kept. Raises JournalError for a source
        that is there already, unless it is to `replace` that one, and for the name of the own probe.
        """
        name = record.source if source is None else source
        with self._writing() as database:
            if replace and _id_of(database, name) is not None:
                _remove(database, name)
            _add(database, record, name)

    def remove(self, source: str) -> None:
        """Remove a record that was added. Raises JournalError for a source that is not there, and for the own probe."""
        with self._writing() as database:
            _remove(database, source)

    def check(self) -> tuple[JournalFault, ...]:
        """Return what is wrong with the file; nothing where it is whole."""
        from passim.line.journal.checking import faults

        return faults(self.path)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Open the file for one change, made where there is none yet."""
        database = connect(self.path, writing=True)
        try:
            with told_of(self.path), transaction(database):
                yield database
        finally:
            database.close()

    def _open(self) -> sqlite3.Connection:
        if self._reader is None:
            self._reader = connect(self.path, writing=False)
        return self._reader


def _id_of(database: sqlite3.Connection, name: str) -> int | None:
    row = database.execute("SELECT id FROM source WHERE name = ?", (name,)).fetchone()
    return None if row is None else int(row[0])


def _remove(database: sqlite3.Connection, name: str) -> None:
    """Take a source that was added out of the file."""
    source = _id_of(database, name)
    if source is None or name == OWN_PROBE:
        raise JournalError("record to remove", got=name, wanted="one that was added to the journal")
    database.execute("DELETE FROM minute WHERE run IN (SELECT id FROM run WHERE source = ?)", (source,))
    for table in ("run", "target", "outage"):
        database.execute(f"DELETE FROM {table} WHERE source = ?", (source,))
    database.execute("DELETE FROM source WHERE id = ?", (source,))


def _add(database: sqlite3.Connection, record: LineRecord, name: str) -> None:
    """Put a record into the file under a new source."""
    if name == OWN_PROBE:
        raise JournalError("record to add", got=f"the name {name}", wanted="a name that the probe does not have")
    if _id_of(database, name) is not None:
        raise JournalError(
            "record to add", got=f"a second one called {name}", wanted="each record once", way_out=WayOut.RECORD_NAME
        )
    period_us = round(record.period_s * 1e6) if record.period_s else None
    source = _inserted(
        database, "INSERT INTO source (name, zone, period_us, added_us) VALUES (?, ?, ?, ?)",
        (name, record.zone.key if record.zone is not None else None, period_us, microseconds(datetime.now(UTC))),
    )  # fmt: skip
    targets = [target_id(database, source, probes.target) for probes in record.probes]
    for began_us, ended_us in _measured(record):
        run = _inserted(
            database, "INSERT INTO run (source, began_us, ended_us, why, every_us) VALUES (?, ?, ?, 'started', ?)",
            (source, began_us, ended_us, period_us),
        )  # fmt: skip
        for target, probes in zip(targets, record.probes, strict=True):
            _insert_between(database, run, target, probes, began_us, ended_us)
    if not record.probes:
        rows = zip(*(record.outages[name] for name in OUTAGE_COLUMNS if name != "duration_s"), strict=True)
        database.executemany(
            "INSERT INTO outage (source, start_us, end_us, place, lost, cut_at_start, cut_at_end) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (source, microseconds(start), microseconds(end), where, int(lost), bool(at_start), bool(at_end))
                for start, end, where, lost, at_start, at_end in rows
            ],
        )


def _inserted(database: sqlite3.Connection, statement: str, values: tuple[object, ...]) -> int:
    """Insert a row and return its number."""
    return int(database.execute(f"{statement} RETURNING id", values).fetchone()[0])


def _measured(record: LineRecord) -> list[tuple[int, int]]:
    """Return when a record was measured: its span less its holes, microseconds."""
    import numpy as np

    from passim.intervals import complement

    holes = np.round(record.holes * 1e6).astype(np.int64)
    start, end = complement((holes[:, 0], holes[:, 1]), record.span.start_us, record.span.end_us)
    return list(zip(start.tolist(), end.tolist(), strict=True))


def _insert_between(
    database: sqlite3.Connection, run: int, target: int, probes: Probes, began_us: int, ended_us: int
) -> None:
    """Put the probes of a stretch into the file by minutes, each as `schema.packed` packs it, but many at once."""
    import numpy as np

    sent_us = np.round(probes.sent_s * 1e6).astype(np.int64)
    here = slice(*np.searchsorted(sent_us, [began_us, ended_us]))
    sent_us = sent_us[here]
    if not sent_us.size:
        return
    trip_us = np.round(np.where(probes.lost, LOST / 1e6, probes.round_trip_s)[here] * 1e6)
    minute = sent_us // MINUTE_US
    after_us = (sent_us - minute * MINUTE_US).astype("<i4")
    trips = np.minimum(trip_us, 2**31 - 1).astype("<i4")
    first = np.concatenate([[0], np.flatnonzero(np.diff(minute)) + 1])
    last = np.append(first[1:], minute.size)
    lost = np.add.reduceat(trips == LOST, first, dtype=np.int64)
    database.executemany(
        "INSERT INTO minute (minute, target, run, sent, lost, packed) VALUES (?, ?, ?, ?, ?, ?)",
        (
            (which, target, run, high - low, count, sealed(after_us[low:high].tobytes() + trips[low:high].tobytes()))
            for which, low, high, count in zip(
                minute[first].tolist(), first.tolist(), last.tolist(), lost.tolist(), strict=True
            )
        ),
    )
