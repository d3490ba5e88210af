"""The file that keeps what the line did: `journal.sqlite3` in the folder of a workspace.

schema      its tables and version, opening it, what can be wrong with it
writing     JournalWriter, for the probe: every second what was sent and answered, every minute packed
reading     the record of a span
checking    whether it is whole
file        Journal, for everybody else
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from passim.line.journal.schema import FILE_NAME, OWN_PROBE

if TYPE_CHECKING:
    from passim.line.journal.file import Journal

__all__ = ["FILE_NAME", "OWN_PROBE", "Journal"]


def __getattr__(name: str) -> object:
    # The probe imports this package and must stay small.
    if name != "Journal":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from passim.line.journal.file import Journal

    return Journal
