"""The CSV files that people write by hand (horizons, plans, records, points of a survey): one reader for all of them.

It bounds the size, refuses what is no regular file, decodes, finds the header and hands out rows with their line. What
cannot be meant is refused with the way out: cells beyond the header, decimal commas, other digits than 0 to 9.
"""

from __future__ import annotations

import csv
import os
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from passim.errors import InputError

# An exponent is for machines, but some spreadsheets write one.
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_LONGEST_HEADER = 4096
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvKind:
    """One kind of CSV file.

    what            what the file is called in messages, such as "horizon file"
    columns         the names that the header must hold, in this order unless `any_order`
    optional        a name that may follow them
    others          whether more columns may stand beside them, in any order
    comments        whether lines that begin with # are passed over
    error           the kind of InputError to raise
    """

    what: str
    columns: tuple[str, ...]
    optional: str | None = None
    any_order: bool = False
    others: bool = False
    comments: bool = False
    largest_bytes: int = 1_000_000
    error: type[InputError] = InputError

    @property
    def header_words(self) -> str:
        """The header as a person would be told of it."""
        return "the header " + ",".join(self.columns) + (f"[,{self.optional}]" if self.optional else "")

    def fits(self, header: Sequence[str]) -> bool:
        """Whether a header names these columns."""
        if self.others:
            return set(self.columns) <= set(header)
        if self.any_order:
            return sorted(header) == sorted(self.columns)
        return list(header) in (list(self.columns), [*self.columns, self.optional])


@dataclass(frozen=True, slots=True)
class CsvRow:
    """A row below the header: the line where it begins, counted from 1, and its cells by column, without blanks."""

    line: int
    cells: dict[str, str]

    def __str__(self) -> str:
        return ",".join(self.cells.values())


def read_csv_file(path: str | Path, kinds: Sequence[CsvKind]) -> tuple[CsvKind, list[CsvRow]]:
    """Return which of `kinds` the file at `path` is, and its rows. Raises the error of the kind."""
    return parse_csv_file(read_csv_bytes(path, kinds[0]), str(path), kinds)


def read_csv_bytes(path: str | Path, kind: CsvKind) -> bytes:
    """Return what is in a file, never more than the kind allows. Raises the error of the kind."""
    name = f"{kind.what} {path}"
    try:
        # A pipe would be waited for and a device never ends: only a regular file is opened.
        found = os.stat(path)
        if not stat.S_ISREG(found.st_mode):
            got = "a folder" if stat.S_ISDIR(found.st_mode) else "no regular file"
            raise kind.error(name, got=got, wanted=f"a readable CSV file with {kind.header_words}")
        if found.st_size > kind.largest_bytes:
            raise _too_large(kind, name, found.st_size)
        with open(path, "rb") as file:
            return file.read(kind.largest_bytes + 1)
    except (OSError, ValueError) as error:
        got = getattr(error, "strerror", None) or str(error)
        wanted = f"a readable CSV file with {kind.header_words}"
        raise kind.error(name, got=got, wanted=wanted, try_next="checking the path") from None


def parse_csv_file(data: bytes, name: str, kinds: Sequence[CsvKind]) -> tuple[CsvKind, list[CsvRow]]:
    """Return which of `kinds` the bytes of a file called `name` are, and its rows. Raises the error of the kind."""
    kind = kinds[0]
    wanted = f"a readable CSV file with {kind.header_words}"
    where = f"{kind.what} {name}"
    if len(data) > kind.largest_bytes:
        raise _too_large(kind, where, len(data))
    try:
        text = data.decode("utf-8-sig")
        rows = list(rows_of(text, comments=kind.comments))
    except UnicodeDecodeError:
        raise kind.error(where, got="text that is not UTF-8", wanted=wanted, try_next="saving it as UTF-8") from None
    except csv.Error as error:
        raise kind.error(where, got=str(error), wanted=wanted) from None
    line, header = rows[0] if rows else (1, [])
    chosen = next((one for one in kinds if one.fits(header)), None)
    if chosen is None:
        got = ",".join(header) or "nothing"
        words = " or ".join([kind.header_words, *(",".join(one.columns) for one in kinds[1:])])
        try_next = "commas between the cells, and decimal points" if ";" in got or "\t" in got else ""
        raise kind.error(f"{where}, line {line}", got=got, wanted=words, try_next=try_next)
    twice = next((cell for cell in header if header.count(cell) > 1), None)
    if twice is not None:
        raise kind.error(f"{where}, line {line}", got=f"the column {twice} twice", wanted="each column once")
    found = []
    for line, cells in rows[1:]:
        if len(cells) != len(header):
            raise kind.error(
                f"{where}, line {line}",
                got=",".join(cells),
                wanted=f"{len(header)} cells, as in the header",
                try_next="decimal points, not commas" if len(cells) > len(header) else "one comma between two cells",
            )
        found.append(CsvRow(line, dict(zip(header, cells, strict=True))))
    return chosen, found


def header_of(path: str | Path, kind: CsvKind) -> list[str]:
    """Return the cells of the first row of a file, of which no more is read; none where it cannot be."""
    try:
        with open(path, "rb") as file:
            text = file.read(_LONGEST_HEADER).decode("utf-8-sig")
        return next((cells for _, cells in rows_of(text, comments=kind.comments)), [])
    except (OSError, UnicodeDecodeError, csv.Error):
        return []


def number(text: str) -> float:
    """Return the number that `text` spells with the digits 0 to 9 and a decimal point.

    Python's own reading takes 1_0, other scripts' digits, nan and inf besides. Raises ValueError with the way out.
    """
    if _NUMBER.fullmatch(text):
        return float(text)
    raise ValueError(f"a decimal point: {text.replace(',', '.')}" if _DECIMAL_COMMA.fullmatch(text) else "")


def whole_number(text: str) -> int:
    """Return the whole number that `text` spells with the digits 0 to 9. Raises ValueError."""
    if re.fullmatch(r"[+-]?\d{1,18}", text, re.ASCII) is None:
        raise ValueError("")
    return int(text)


def rows_of(text: str, *, comments: bool, separator: str = ",") -> Iterator[tuple[int, list[str]]]:
    """Yield the line and the cells of each row that is not blank, the header too. Raises csv.Error."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    shown = ["" if comments and line.startswith("#") else line for line in lines]
    reader = csv.reader((line + "\n" for line in shown), strict=True, delimiter=separator)
    begins = 1
    for row in reader:
        cells = [cell.strip() for cell in row]
        if any(cells):
            yield begins, cells
        begins = reader.line_num + 1


def _too_large(kind: CsvKind, where: str, size: int) -> InputError:
    return kind.error(where, got=f"{size} bytes", wanted=f"at most {kind.largest_bytes // 1_000_000} MB")
