"""Whether a journal is whole, and what of a damaged one can still be read."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from passim.errors import JournalError
from passim.line.journal.schema import LOST, DamagedMinuteError, connect, told_of, unpacked

_MOST_FAULTS = 20


@dataclass(frozen=True, slots=True)
class JournalFault:
    """One thing that is wrong with a journal.

    what        "file" and "error", with ``detail`` in the words of SQLite; "minutes", not all of which can be read; or
                of one minute "checksum", "counts" (other probes than it says, ``sent`` and ``lost``) or "order"
    minute      which minute, since 1970 UTC, in which ``row`` of its table
    """

    what: str
    detail: str = ""
    minute: int = 0
    row: int = 0
    sent: int = 0
    lost: int = 0


def faults(path: Path) -> tuple[JournalFault, ...]:
    """Return what is wrong with the journal at `path`: of the file's pages, then of what they say.

    Raises JournalError where there is none, or it is another program's or a newer passim's.
    """
    database = connect(path, writing=False)
    try:
        with told_of(path):
            found = [
                JournalFault("file", " ".join(line.split()))
                for (text,) in database.execute(f"PRAGMA integrity_check({_MOST_FAULTS})")
                for line in str(text).splitlines()
                if line != "ok"
            ]
        try:
            found += _of_minutes(database)
        except sqlite3.DatabaseError:
            found.append(JournalFault("minutes"))
        return tuple(found[:_MOST_FAULTS])
    except JournalError as error:
        return (JournalFault("error", str(error)),)
    finally:
        database.close()


def _of_minutes(database: sqlite3.Connection) -> list[JournalFault]:
    """Return what is wrong with packed minutes."""
    found = []
    for row, minute, sent, lost, data in database.execute("SELECT id, minute, sent, lost, packed FROM minute"):
        try:
            probes = unpacked(minute, data)
        except DamagedMinuteError:
            found.append(JournalFault("checksum", minute=minute, row=row))
            continue
        if len(probes) > sent or sum(trip == LOST for _, trip in probes) != lost:
            found.append(JournalFault("counts", minute=minute, row=row, sent=sent, lost=lost))
        elif any(later[0] < earlier[0] for earlier, later in pairwise(probes)):
            found.append(JournalFault("order", minute=minute, row=row))
        if len(found) >= _MOST_FAULTS:
            break
    return found
