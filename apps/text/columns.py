"""A table's columns, declared once: what each reads, its heading, how it words a value, how soon it may be left out.

A question's file declares its columns; the command line, the pages and the report all show that declaration, whole or
with some of its columns picked, and word nothing of their own. Files hold the rows themselves, not these words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from .units import LocalClock, duration, printable, share

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Format:
    """How a column words a value: ``words`` takes the value, or the whole row where it is ``of_row``.

    Numbers stand flush right. A value that is not known, None or not a number, gives an empty text.
    """

    words: Callable[[Any], str]
    numeric: bool = True
    of_row: bool = False


@dataclass(frozen=True)
class Column:
    """One column of a table for people.

    ``key`` names it and, unless its format reads the whole row, the column of the rows that it words. Where a table is
    too wide, a column with ``below`` moves under its row as a line of its own, and then the columns with the highest
    ``priority`` are left out first; 0 always stays. The heading of one with ``local`` carries the offset from UTC where
    a face says the zone nowhere else.
    """

    key: str
    heading: str
    format: Format
    priority: int = 0
    below: bool = False
    local: bool = False

    def cell(self, row: Any) -> str:
        """Return the words of one row, as `DataFrame.itertuples` gives it; without control characters."""
        if self.format.of_row:
            return printable(self.format.words(row))
        value = getattr(row, self.key)
        return "" if value is None or value != value else printable(self.format.words(value))


def number(decimals: int, unit: str = "") -> Format:
    """Return the format of numbers with so many decimals, thousands apart: "1,123.4", with a unit "0.21 s"."""
    # z: what rounds to nothing has no sign.
    return Format(lambda value: f"{value:z,.{decimals}f}{unit}")


def blank_at_zero(format_: Format) -> Format:
    """Return a format that leaves 0 blank, for what is worth a word only where there is any."""
    return replace(format_, words=lambda value: format_.words(value) if value else "")


def of_row(words: Callable[[Any], str], *, numeric: bool = False) -> Format:
    """Return the format of a column that is worded from several values of its row."""
    return Format(words, numeric, of_row=True)


TEXT: Final = Format(str, numeric=False)
COUNT: Final = number(0)
SHARE: Final = Format(share)
DURATION: Final = Format(duration)
DURATION_OR_NONE: Final = Format(lambda seconds: duration(seconds) if seconds else "none")
# Any number of decimals, as whoever gave the value wrote it.
DEGREES: Final = Format(lambda degrees: f"{degrees:g}°")


def age_words(age_s: float) -> str:
    """Return how old elements are, in words."""
    from passim.forecast import timing

    return timing.age_words(age_s)


# How old elements are, in seconds: "13.5 h".
AGE: Final = Format(age_words)


def day_column(clock: LocalClock, key: str = "start", heading: str = "Day") -> Column:
    """Return the column of the local date of a moment: "Wed 25 Nov"."""
    return Column("day", heading, of_row(lambda row: clock.day(getattr(row, key))))


def time_column(clock: LocalClock, key: str, heading: str, *, local: bool = False, priority: int = 0) -> Column:
    """Return the column of the time of day of a moment: "08:42:10"."""
    return Column(key, heading, Format(clock.time, numeric=False), priority, local=local)


def picked(columns: Sequence[Column], *keys: str) -> list[Column]:
    """Return the columns of these keys, in the order of the declaration. Raises KeyError for a key of none of them."""
    if unknown := set(keys) - {column.key for column in columns}:
        raise KeyError(f"no column {', '.join(sorted(unknown))}")
    return [column for column in columns if column.key in keys]


def without(columns: Sequence[Column], *keys: str) -> list[Column]:
    """Return the columns but for those of these keys. Raises KeyError for a key of none of them."""
    remaining = picked(columns, *({column.key for column in columns} - set(keys)))
    picked(columns, *keys)
    return remaining


def placed(columns: Sequence[Column], key: str, more: Sequence[Column]) -> list[Column]:
    """Return the columns with `more` before the one of this key. Raises KeyError where there is none."""
    picked(columns, key)
    place = [column.key for column in columns].index(key)
    return [*columns[:place], *more, *columns[place:]]


def with_offset(columns: Sequence[Column], clock: LocalClock | None) -> list[Column]:
    """Return the columns with the offset from UTC in the headings that carry it: "Start (UTC-01:00)"."""
    if clock is None:
        return list(columns)
    return [replace(one, heading=clock.heading(one.heading)) if one.local else one for one in columns]


@dataclass(frozen=True)
class Cells:
    """A table in words: the columns that have an entry in some row, and a text for each of them in every row."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[str]]


def cells_of(columns: Sequence[Column], rows: pd.DataFrame) -> Cells:
    """Return rows in words, without the columns that would only take room: those without a single entry.

    Without any row all columns stay.
    """
    every = [[column.cell(row) for column in columns] for row in rows.itertuples(index=False)]
    filled = [k for k in range(len(columns)) if not every or any(row[k] for row in every)]
    return Cells([columns[k] for k in filled], [[row[k] for k in filled] for row in every])
