"""Whether a journal is whole, and what of a damaged one can still be read."""

from __future__ import annotations

import sqlite3
from itertools import pairwise
from pathlib import Path

from passim.errors import JournalError
from passim.line.journal.schema import LOST, DamagedMinuteError, connect, told_of, unpacked

_MOST_FAULTS = 20


def faults(path: Path) -> tuple[str, ...]:
    """Return what is wrong with the journal at `path`, a sentence each: of the file's pages, then of what they say.

    Raises JournalError where there is none, or it is another program's or a newer passim's.
    """
    database = connect(path, writing=False)
    try:
        with told_of(path):
            found = [
                f"the file is damaged: {' '.join(line.split())}"
                for (text,) in database.execute(f"PRAGMA integrity_check({_MOST_FAULTS})")
                for line in str(text).splitlines()
                if line != "ok"
            ]
        try:
            found += _of_minutes(database)
        except sqlite3.DatabaseError:
            found.append("not all of its minutes can be read")
        return tuple(found[:_MOST_FAULTS])
    except JournalError as error:
        return (str(error),)
    finally:
        database.close()


def _of_minutes(database: sqlite3.Connection) -> list[str]:
    """Return what is wrong with packed minutes."""
    found = []
    for row, minute, sent, lost, data in database.execute("SELECT id, minute, sent, lost, packed FROM minute"):
        try:
            probes = unpacked(minute, data)
        except DamagedMinuteError:
            found.append(f"minute {minute} (row {row}) does not fit its checksum")
            continue
        if len(probes) > sent or sum(trip == LOST for _, trip in probes) != lost:
            found.append(f"minute {minute} (row {row}) holds other probes than it counts, {sent} and {lost} lost")
        elif any(later[0] < earlier[0] for earlier, later in pairwise(probes)):
            found.append(f"minute {minute} (row {row}) is out of order")
        if len(found) >= _MOST_FAULTS:
            break
    return found
