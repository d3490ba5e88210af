"""What an answer is before any face shows it: a sentence, rows with their columns, notes; and rows as plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from .columns import Column
from .notes import Note
from .units import LocalClock, instant

if TYPE_CHECKING:
    import pandas as pd

    from passim import Site, Span

LONGEST_TABLE = 40
# Microdegrees, microseconds and millimetres: finer than anything passim claims to know.
_DECIMALS = 6


@dataclass(frozen=True)
class Help:
    """What stands behind the question mark of a figure: what it shows, how it is computed, and from what."""

    shows: str
    computed: str
    source: str = ""

    def of(self, source: str, *more: str) -> Help:
        """Return the same with its source, and with `more` sentences on what it shows in one place."""
        return Help(" ".join((self.shows, *more)), self.computed, source)


@dataclass(frozen=True)
class Answer:
    """What a command found.

    ``sentence`` may have several lines, which only the table keeps apart. ``rows`` is the table for files; times in it
    are aware and UTC, and ``columns`` word them for people. ``clock`` gives times their local columns; without it there
    are none. A table for people stops after ``longest_table`` rows unless --all is given.
    """

    command: str
    sentence: str
    rows: pd.DataFrame
    columns: Sequence[Column]
    notes: Sequence[Note] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    clock: LocalClock | None = None
    longest_table: int = LONGEST_TABLE

    @property
    def in_one_line(self) -> str:
        """The sentence in one line."""
        return " ".join(self.sentence.splitlines())


def site_facts(site: Site) -> dict[str, Any]:
    """Return what JSON holds of the one site of an answer; CSV names it in each row."""
    return {
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "height_m": site.height_m,
        "timezone": site.timezone,
    }


def span_facts(span: Span) -> dict[str, str]:
    """Return what JSON holds of a span."""
    return {"start": instant(span.start), "end": instant(span.end)}


def plain_rows(rows: pd.DataFrame, clock: LocalClock | None) -> tuple[list[str], list[list[Any]]]:
    """Return the columns and the rows as values that CSV and JSON can both hold: text, numbers, truth or None."""
    import pandas as pd

    columns: dict[str, list[Any]] = {}
    for name in rows.columns:
        column = rows[name]
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            columns[name] = _stamps(column, local=name.endswith("_local"))
            if clock is not None and not name.endswith("_local") and f"{name}_local" not in rows.columns:
                columns[f"{name}_local"] = _stamps(column.dt.tz_convert(clock.name), local=True)
        elif pd.api.types.is_float_dtype(column.dtype):
            columns[name] = [_rounded(value) for value in column.tolist()]
        else:
            columns[name] = [None if pd.isna(v) else v for v in column.tolist()]
    return list(columns), [list(row) for row in zip(*columns.values(), strict=True)]


def plain_records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as JSON can hold them, each by the names of its columns."""
    columns, rows = plain_rows(table, None)
    return [dict(zip(columns, row, strict=True)) for row in rows]


def rows_of_site(columns: list[str], rows: list[list[Any]], site: str | None) -> tuple[list[str], list[list[Any]]]:
    """Return the rows with the name of the one site they hold for in each: files are put together sooner or later."""
    if site is None or "site" in columns:
        return columns, rows
    return [*columns, "site"], [[*row, site] for row in rows]


def plain_numbers(numbers: Mapping[str, Any]) -> dict[str, int | float | None]:
    """Return numbers by name as JSON can hold them: NumPy's made plain, rounded, None for what is not finite."""
    plain: dict[str, int | float | None] = {}
    for name, value in numbers.items():
        number = value.item() if hasattr(value, "item") else value
        plain[name] = _rounded(number) if isinstance(number, float) else number
    return plain


def _rounded(number: float) -> float | None:
    # Adding 0.0 turns a negative zero into a plain one.
    return round(number, _DECIMALS) + 0.0 if math.isfinite(number) else None


def _stamps(column: pd.Series[Any], *, local: bool) -> list[str | None]:
    """Return aware times as ISO 8601 with milliseconds: their own local time with its offset, or UTC with Z."""
    import numpy as np
    import pandas as pd

    # Rounded in UTC, because rounding a local time could step into an hour that the clocks skip.
    rounded = column.dt.tz_convert("UTC").dt.round("ms")
    utc = rounded.dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    wall, suffixes = utc, np.full(len(utc), "Z")
    if local:
        wall = rounded.dt.tz_convert(column.dt.tz).dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
        offsets, which = np.unique((wall - utc).astype("timedelta64[m]").astype(int), return_inverse=True)
        words = [f"{'-' if m < 0 else '+'}{abs(m) // 60:02d}:{abs(m) % 60:02d}" for m in offsets.tolist()]
        suffixes = np.array(words, dtype="U6")[which]
    known = pd.notna(column).to_numpy()
    text = np.datetime_as_string(wall, unit="ms")
    return [str(t) + str(s) if k else None for t, s, k in zip(text, suffixes, known, strict=True)]
