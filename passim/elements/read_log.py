"""What becomes of a bad record: strict readers stop at the first, lenient ones skip it and say so."""

from __future__ import annotations

from typing import Final

from passim.elements.lines import printable
from passim.errors import ElementsError, WayOut

# Whoever has read a hundred lines of damage knows enough; the others are counted.
MOST_SKIPPED: Final = 100


class ReadLog:
    """The account that a reader of one file keeps of its bad records.

    ``source`` names the file for people. When ``lenient`` is false the first bad record raises; when it is true the
    first hundred are put into ``skipped``, one line of text a record, in file order, and ``more`` counts the others.
    """

    def __init__(self, source: str, *, lenient: bool = False) -> None:
        self.source = printable(source)
        self.lenient = lenient
        self.skipped: list[str] = []
        self.more = 0

    def refuse(self, place: str, error: ElementsError) -> None:
        """Raise `error`, or note it, with the file and the place ("line 14", "record 3") in front."""
        where = f"{self.source}, {place}: {error.what}"
        if self.lenient and len(self.skipped) >= MOST_SKIPPED:
            self.more += 1
            return
        if self.lenient:
            self.skipped.append(str(ElementsError(where, got=error.got, wanted=error.wanted)))
            return
        try_next = error.try_next or "correcting the record"
        raise ElementsError(
            where, got=error.got, wanted=error.wanted, try_next=try_next, way_out=WayOut.LENIENT
        ) from None

    def lines(self) -> list[str]:
        """Return the lines of what was left out, the last of them a count where there were more than a hundred."""
        return [*self.skipped, f"{self.source}: {self.more:,} more bad records"] if self.more else self.skipped

    def refuse_file(self, error: ElementsError) -> ElementsError:
        """Return `error` with the file in front: nothing in it can be used, lenient or not."""
        return error.about(f"{self.source}: {error.what}")
