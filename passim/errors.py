"""What can go wrong, and for whom.

    PassimError                 everything passim raises on purpose
    |-- InputError              what the user gave is wrong (the command line exits with 2)
    |   |-- ElementsError       an element file or record cannot be used
    |   |-- SiteError           a place, a horizon or a time zone is wrong
    |   |-- SpanError           a stretch of time is wrong
    |   |-- EmptyFleetError     nothing is left to propagate
    |   |-- WorkspaceError      a workspace or its file cannot be used
    |   `-- JournalError        a journal of the line cannot be used
    |-- JournalBusyError        another program writes the journal
    `-- InternalError           passim contradicts itself: a defect, please report it

    PassimWarning               what an answer should not be taken without (a warning, not an error)
    |-- StaleElementsWarning    elements too old for any single time
    |-- NotServingWarning       satellites are counted that hardly serve
    `-- RoundedElementsWarning  a file holds fewer digits than the fleet that was written to it

Every message is one line that says what was wrong, what was given, what was wanted and what to try next. What to try
is told in words that hold everywhere; what each face calls by a name of its own is a `WayOut`, which the face words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from copy import copy
from datetime import datetime
from enum import Enum
from typing import Self


class WayOut(Enum):
    """What else can be tried, where every face has its own name for it. The value is that of this library.

    LATER_START comes with the moment to begin at.
    """

    ALLOW_STALE = "allow_stale=True for an answer all the same"
    LATER_START = "a span from"
    LENIENT = "lenient=True to skip bad records"
    SALVAGE = "lenient=True to keep what is whole"
    RECORD_RANGES = "FreezeRanges in place of a record"
    GROWTH_ALONE = "find_growth"
    ACCEPT_FEWER = "accept_fewer=True to take it all the same"
    UPDATE = "update_fleet, which brings its elements"
    PROBE = "recording with the probe first"
    CHECK_JOURNAL = "Journal.check, which says what is damaged"
    RECORD_ZONE = "Answers(zone=...), the clock of whoever wrote it, such as Atlantic/Azores or UTC"
    RECORD_START = "Answers(start=...), the moment of its first line"
    RECORD_END = "Answers(end=...), the moment up to which it was kept"
    RECORD_COLUMNS = "Answers(columns=...), our names of columns with those in the file"
    RECORD_NAME = "another name, or replace=True"


class PassimError(Exception):
    """Base of every error that passim raises on purpose."""


class InputError(PassimError):
    """What the user gave cannot be used.

    ``what`` names the thing, ``got`` shows what was given, ``wanted`` says what would be right and ``try_next``
    the next step. The four are joined to one line; control characters and line ends in ``got`` are escaped, and a
    long value is shortened, so that a hostile file cannot write on the terminal.

    ``way_out`` is a step that goes by another name on every face, and ``start`` the moment that goes with
    `WayOut.LATER_START`. As text the error gives this library's name for it; `line` puts in that of a face.
    """

    def __init__(
        self,
        what: str,
        *,
        got: object = None,
        wanted: str = "",
        try_next: str = "",
        way_out: WayOut | None = None,
        start: datetime | None = None,
    ) -> None:
        self.what, self.got, self.wanted, self.try_next = what, got, wanted, try_next
        self.way_out, self.start = way_out, start
        super().__init__(self.line(_in_python))

    def line(self, name: Callable[[WayOut, datetime | None], str]) -> str:
        """Return the error as one line, with the name that `name` gives to the way out."""
        parts = [self.what]
        if self.got is not None:
            parts.append(f"got {shown(self.got)}")
        if self.wanted:
            parts.append(f"wanted {self.wanted}")
        way_out = name(self.way_out, self.start) if self.way_out is not None else ""
        if self.try_next or way_out:
            parts.append(f"try {', or '.join(filter(None, (self.try_next, way_out)))}")
        return "; ".join(parts)

    def about(self, what: str) -> Self:
        """Return the same error with other words for what it is about, such as the file and the line in front."""
        about = copy(self)
        about.what = what
        about.args = (about.line(_in_python),)
        return about


class ElementsError(InputError):
    """An element file or record cannot be used.

    ``field`` says which field of a record is wrong, where it is one: as `ElementSet` calls it, and in the file's own
    word where that has no such field, as for a checksum or the frame of reference.
    """

    def __init__(
        self,
        what: str,
        *,
        field: str = "",
        got: object = None,
        wanted: str = "",
        try_next: str = "",
        way_out: WayOut | None = None,
    ) -> None:
        self.field = field
        super().__init__(what, got=got, wanted=wanted, try_next=try_next, way_out=way_out)


class SiteError(InputError):
    """A place, a horizon or a time zone is wrong."""


class SpanError(InputError):
    """A stretch of time is wrong."""


class EmptyFleetError(InputError):
    """No satellite is left to propagate."""


class WorkspaceError(InputError):
    """A workspace or its file cannot be used.

    ``problems`` holds one line for each thing that is wrong with the file, with its place; all are found at once.
    """

    def __init__(
        self,
        what: str,
        *,
        problems: Sequence[str] = (),
        got: object = None,
        wanted: str = "",
        try_next: str = "",
        way_out: WayOut | None = None,
    ) -> None:
        self.problems = tuple(problems)
        if len(self.problems) == 1:
            what = f"{what}: {self.problems[0]}"
        elif self.problems:
            what = f"{what}: {len(self.problems):,} things cannot be used"
        super().__init__(what, got=got, wanted=wanted, try_next=try_next, way_out=way_out)


class JournalError(InputError):
    """A journal of the line cannot be used: none is there, or it is damaged, or of another passim."""


class JournalBusyError(PassimError):
    """Another program writes the journal of the line."""


class InternalError(PassimError):
    """passim contradicts itself. This is a defect in passim, not in the input."""


class PassimWarning(UserWarning):
    """Base of every warning: an answer is given, and there is something that it should not be taken without."""


class StaleElementsWarning(PassimWarning):
    """Element sets are over 14 days from the middle of the span: shares and counts may hold, no single time does."""


class NotServingWarning(PassimWarning):
    """Satellites are counted that are away from their shell, decayed or not seen of late, and hardly serve."""


class RoundedElementsWarning(PassimWarning):
    """A two-line file holds fewer digits than the fleet that was written to it.

    ``fields`` says in how many sets each field was rounded or cut, by its name in `ElementSet`.
    """

    def __init__(self, words: str, fields: Mapping[str, int]) -> None:
        self.fields = dict(fields)
        super().__init__(words)


def _in_python(way_out: WayOut, start: datetime | None) -> str:
    """Return the name of a way out for whoever calls this library."""
    return f"{way_out.value} {start.isoformat(timespec='minutes')}" if start is not None else way_out.value


def shown(value: object, longest: int = 80) -> str:
    """Return `value` as one printable line of at most `longest` characters."""
    text = repr(value) if isinstance(value, (str, bytes)) else str(value)
    # Of a long one no more is looked at than can be shown.
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text[: longest + 1])
    return text if len(text) <= longest else text[: longest - 1] + "…"
