"""What becomes of a bad record: strict readers stop at the first, lenient ones leave it out and say so.

How much may be damaged is one number, the ``lenient`` of every reader: no record (False), any share (True), or a share
between them. Commands, pages and workspaces let `TOLERATED_SHARE` through: a slip in one record of thousands should
cost one satellite and not the answer, while a file that is damaged in more than one record of a hundred gives an
answer about another fleet. In a file of fewer than a hundred records that is any damage at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from passim.elements.lines import Words, printable
from passim.errors import ElementsError, WayOut, shown

# Whoever has read a hundred lines of damage knows enough; the others are counted.
MOST_SKIPPED: Final = 100
TOLERATED_SHARE: Final = 0.01

# record     a damaged record, left out
# cut        the file ends before it is complete: what came after is not there, and nobody can say how much that is
# open end   the last record was read, but the file may end within it
# text       text that is no record: replaced, or passed over
# file       a whole file, or an entry of a folder
# more       what stands for all others past the first hundred
Kind = Literal["record", "cut", "open end", "text", "file", "more"]

FETCH_AGAIN: Final = "fetching the file again"
_LONGEST_NAME: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped:
    """Something that a reader left out or doubts; as text one line.

    ``file`` and ``place`` ("line 14", "record 3") say where it stands, ``satellite_id`` and ``name`` which object it
    belongs to, ``field`` what of it is wrong (as `ElementSet` calls it, or the file's own word); each is empty where
    it cannot be told. ``what``, ``got``, ``wanted`` and ``try_next`` are as in an `ElementsError`. ``records`` is how
    many records are missing for it: none where nothing but text is concerned.
    """

    kind: Kind
    file: str
    what: str
    place: str = ""
    satellite_id: str = ""
    name: str = ""
    field: str = ""
    got: str = ""
    wanted: str = ""
    try_next: str = ""
    records: int = 0

    @property
    def label(self) -> str:
        """The object as a person would be told of it: its name and number; empty where neither is known."""
        return label_of(self.satellite_id, self.name)

    def __str__(self) -> str:
        where = ", ".join(filter(None, (self.file, self.place, self._object())))
        parts = [": ".join(filter(None, (where, self.what)))]
        for word in ("got", "wanted", "try_next"):
            if value := getattr(self, word):
                parts.append(f"{word.split('_')[0]} {value}")
        return "; ".join(parts)

    def _object(self) -> str:
        return "" if self.satellite_id and self.satellite_id in self.what else self.label


class ReadLog:
    """The account that a reader of one file keeps of its bad records.

    ``source`` names the file for people. Where ``lenient`` is false the first bad record raises; else the first
    hundred are put into ``skipped``, in file order, ``more`` counts the others, and ``damaged`` the records that are
    missing for all of them.
    """

    def __init__(self, source: str, *, lenient: bool | float = False) -> None:
        self.source = printable(source)
        self.largest_share = float(lenient)
        self.lenient = self.largest_share > 0.0
        self.skipped: list[Skipped] = []
        self.more = 0
        self.damaged = 0

    @property
    def full(self) -> bool:
        """Whether what comes next is only counted, so that nobody need word it."""
        return len(self.skipped) >= MOST_SKIPPED

    def refuse(
        self,
        place: str,
        error: ElementsError,
        *,
        of: tuple[str, str] = ("", ""),
        kind: Kind = "record",
        records: int = 1,
    ) -> None:
        """Raise `error`, or note it, with the file, the place ("line 14", "record 3") and the object in front.

        `of` is the number and name of the object, as far as they are known, and `records` how many are lost by it.
        """
        entry = Skipped(
            kind=kind,
            file=self.source,
            place=place,
            satellite_id=printable(of[0])[:_LONGEST_NAME],
            name=printable(of[1])[:_LONGEST_NAME],
            field=error.field,
            what=error.what,
            got="" if error.got is None else shown(error.got),
            wanted=error.wanted,
            records=records,
        )
        if self.lenient:
            self.note(entry)
            return
        where = str(replace(entry, got="", wanted=""))
        try_next = error.try_next or ("correcting the record" if kind == "record" else FETCH_AGAIN)
        raise ElementsError(
            where,
            field=error.field,
            got=error.got,
            wanted=error.wanted,
            try_next=try_next,
            way_out=WayOut.LENIENT,
        ) from None

    def note(self, entry: Skipped) -> None:
        """Note something, whether the reading is lenient or not."""
        self.damaged += entry.records
        if self.full:
            self.more += 1
        else:
            self.skipped.append(entry)

    def doubt_end(self, place: str, got: str, wanted: str, of: tuple[str, str] = ("", "")) -> None:
        """Note that the file may end within its last record, which was read."""
        self.note(
            Skipped(
                kind="open end",
                file=self.source,
                place=place,
                satellite_id=printable(of[0])[:_LONGEST_NAME],
                name=printable(of[1])[:_LONGEST_NAME],
                what="end of the file",
                got=shown(got),
                wanted=wanted,
            )
        )

    def judge(self, read: int) -> None:
        """Raise ElementsError where too many records are damaged beside those that were `read`."""
        if self.damaged <= self.largest_share * (read + self.damaged):
            return
        first = next(entry for entry in self.skipped if entry.records)
        are = "is" if self.damaged == 1 else "are"
        total = f"{self.damaged:,} of {read + self.damaged:,} records {are} damaged, more than {self._share_words()}"
        at = str(replace(first, file="", got="", wanted=""))
        raise ElementsError(
            f"{self.source}: {total}{'' if self.damaged == 1 else '; the first'}: {at}",
            field=first.field,
            got=Words(first.got) if first.got else None,
            wanted=first.wanted,
            try_next=FETCH_AGAIN,
            way_out=WayOut.SALVAGE,
        )

    def entries(self) -> tuple[Skipped, ...]:
        """Return what was left out, the last of it a count where there was more than a hundred."""
        return gathered(self.skipped, self.source, self.more, self.damaged)

    def refuse_file(self, error: ElementsError) -> ElementsError:
        """Return `error` with the file in front: nothing in it can be used, lenient or not."""
        return error.about(f"{self.source}: {error.what}")

    def _share_words(self) -> str:
        return f"1 in {1.0 / self.largest_share:,.0f}"


def gathered(skipped: list[Skipped], file: str, more: int, damaged: int) -> tuple[Skipped, ...]:
    """Return the first hundred entries, and one that stands for `more` others; `damaged` records are lost in all."""
    if not more:
        return tuple(skipped)
    rest = damaged - sum(entry.records for entry in skipped)
    what = f"{more:,} more bad records"
    return (*skipped, Skipped(kind="more", file=file, what=what, records=max(rest, 0)))


def label_of(satellite_id: str, name: str) -> str:
    """Return what a person is told of an object: its name and number, as far as they are known."""
    if name and satellite_id:
        return f"{name} ({satellite_id})"
    return name or (f"object {satellite_id}" if satellite_id else "")
