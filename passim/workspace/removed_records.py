"""Records that were added to the journal and taken out again: kept in a journal of their own, so that none is lost.

They stand in one file beside the journal, from which each comes back as it was:

    removed-records.sqlite3
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from passim.errors import JournalError
from passim.line.journal.file import Journal
from passim.spans import Span
from passim.workspace.folder import Workspace

REMOVED_NAME: Final = "removed-records.sqlite3"


def removed_records(workspace: Workspace) -> tuple[str, ...]:
    """Return the names under which records are set aside, in the order in which they were. Raises JournalError."""
    file = _file(workspace)
    if not file.exists():
        return ()
    with Journal(file) as aside:
        return aside.sources


def remove_record(workspace: Workspace, source: str) -> str:
    """Take a record that was added out of the journal; return the name under which it is set aside.

    It goes only once it is set aside whole. Raises JournalError for a source that is not there or holds nothing, and
    for that of the own probe.
    """
    taken = {name.casefold() for name in removed_records(workspace)}
    names = (source, *(f"{source} ({number})" for number in range(2, len(taken) + 3)))
    name = next(each for each in names if each.casefold() not in taken)
    with Journal(workspace.journal_file) as journal, Journal(_file(workspace)) as aside:
        if journal.added(source) is None:
            raise JournalError("record to remove", got=source, wanted="one that was added to the journal")
        _copy(journal, aside, source, name)
        journal.remove(source)
    return name


def bring_back(workspace: Workspace, name: str) -> None:
    """Put a record that was set aside back into the journal under that name.

    Raises JournalError for one that is not there, and where the journal has one of that name by now.
    """
    if name not in removed_records(workspace):
        raise JournalError("record to bring back", got=name, wanted="one that was removed")
    with Journal(workspace.journal_file) as journal, Journal(_file(workspace)) as aside:
        _copy(aside, journal, name, name)
        aside.remove(name)


def _copy(of: Journal, to: Journal, source: str, name: str) -> None:
    bounds = of.bounds(source)
    if bounds is None:
        raise JournalError("record to remove", got=f"{source}, which holds nothing", wanted="one of some time")
    to.add_record(of.read(Span(*bounds), source), name)


def _file(workspace: Workspace) -> Path:
    return workspace.folder / REMOVED_NAME
