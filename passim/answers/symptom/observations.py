"""What somebody saw: freezes in ranges ("every 3 to 5 min, 5 to 30 s long") or a record of them, one by one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.csv_files import CsvKind, number, parse_csv_file, read_csv_bytes
from passim.errors import InputError, WayOut
from passim.intervals import union
from passim.spans import DailyHours, Span, aware, microseconds, moment

Range = tuple[float, float]

# Fewer freezes than this fall together with a prediction by chance too easily to say anything.
FEWEST_FREEZES: Final = 5
SHORTEST_RECORD_S: Final = 1800.0
_KINDS: Final = tuple(
    CsvKind(what="record", columns=("start", second), others=True, largest_bytes=20_000_000)
    for second in ("end", "duration_s")
)
# Random freezes have 80 % of their intervals within a factor of 22 (exponential), trains of the sky mostly within 8.
WIDE_RANGE: Final = 10.0


@dataclass(frozen=True, slots=True)
class FreezeRanges:
    """Freezes as somebody describes them, from lowest to highest, seconds.

    every_s     from the start of one freeze to the start of the next, while it is bad
    length_s    how long one lasts
    happens     hours of the local day in which it happens; none for not known
    quiet       hours of the local day in which it does not

    Raises InputError.
    """

    every_s: Range
    length_s: Range
    happens: tuple[DailyHours, ...] = ()
    quiet: tuple[DailyHours, ...] = ()

    def __post_init__(self) -> None:
        _check_range("time between freezes", self.every_s, 2.0, 21_600.0, "180 to 300 s")
        _check_range("length of the freezes", self.length_s, 0.5, 3_600.0, "5 to 30 s")
        if self.length_s[1] >= self.every_s[1] or self.length_s[0] >= self.every_s[0]:
            raise InputError(
                "length of the freezes",
                got=f"{_seconds(self.length_s)}, every {_seconds(self.every_s)}",
                wanted="freezes shorter than the time from one to the next",
                try_next="exchanging the two",
            )

    @property
    def widths(self) -> Range:
        """Highest over lowest of the time between freezes and of their length."""
        return self.every_s[1] / self.every_s[0], self.length_s[1] / self.length_s[0]

    @property
    def is_wide(self) -> bool:
        """Whether almost any train of freezes would meet a range, random ones too: one value to ten times as much."""
        return max(self.widths) > WIDE_RANGE


@dataclass(frozen=True, eq=False)
class FreezeRecord:
    """Freezes with their times, sorted and apart: start and end, microseconds since 1970 UTC, shape (freezes,) each.

    Make one with `from_csv` or from arrays in any order. Raises InputError for fewer than five freezes, for a record
    shorter than half an hour, and for one in which an end is not after its start.
    """

    start_us: NDArray[np.int64]
    end_us: NDArray[np.int64]

    def __post_init__(self) -> None:
        start, end = np.asarray(self.start_us, dtype=np.int64), np.asarray(self.end_us, dtype=np.int64)
        if start.shape != end.shape or start.ndim != 1 or not np.all(end > start):
            raise InputError("record of freezes", got="an end that is not after its start", wanted="start before end")
        start, end = union((start, end))
        if len(start) < FEWEST_FREEZES:
            raise InputError(
                "record of freezes",
                got=f"{len(start):,} freeze{'' if len(start) == 1 else 's'}",
                wanted=f"at least {FEWEST_FREEZES}: fewer fall together with any prediction by chance",
                try_next="a longer record",
                way_out=WayOut.RECORD_RANGES,
            )
        if end[-1] - start[0] < SHORTEST_RECORD_S * 1e6:
            raise InputError(
                "record of freezes",
                got=f"{(end[-1] - start[0]) / 6e7:.0f} min from first to last",
                wanted="at least 30 min",
                try_next="a longer record",
                way_out=WayOut.RECORD_RANGES,
            )
        object.__setattr__(self, "start_us", start)
        object.__setattr__(self, "end_us", end)

    def __len__(self) -> int:
        return len(self.start_us)

    @classmethod
    def from_csv(cls, path: str | Path) -> FreezeRecord:
        """Read ``start,end`` or ``start,duration_s`` (more columns are allowed); times are ISO 8601 with their offset.

        Raises InputError, naming the line.
        """
        return cls.from_csv_bytes(read_csv_bytes(path, _KINDS[0]), str(path))

    @classmethod
    def from_csv_bytes(cls, data: bytes, name: str) -> FreezeRecord:
        """Read the bytes of a file called `name`, as `from_csv` does. Raises InputError, naming the line."""
        kind, rows = parse_csv_file(data, name, _KINDS)
        starts, ends = [], []
        for row in rows:
            begins, lasts = _row(f"record {name}, line {row.line}", row.cells, kind.columns[1])
            starts.append(begins)
            ends.append(lasts)
        return cls(np.array(starts, dtype=np.int64), np.array(ends, dtype=np.int64))

    @property
    def span(self) -> Span:
        """The stretch from the first freeze to the end of the last."""
        return Span(moment(int(self.start_us[0])), moment(int(self.end_us[-1])))


def _row(where: str, cells: dict[str, str], second: str) -> tuple[int, int]:
    """Return start and end of one row in microseconds since 1970 UTC. Raises InputError."""
    first, last = cells["start"], cells[second]
    start = _time(where, first)
    if second == "end":
        end = _time(where, last)
    else:
        way_out = ""
        try:
            length_s = number(last)
        except ValueError as error:
            length_s, way_out = math.nan, str(error)
        if not 0.0 < length_s <= 86_400.0:
            wanted = "a length in seconds, more than 0 and up to a day"
            raise InputError(where, got=last, wanted=wanted, try_next=way_out)
        end = start + timedelta(seconds=length_s)
    if not end > start:
        raise InputError(where, got=f"{first},{last}", wanted="an end after its start", try_next="exchanging the two")
    return microseconds(start), microseconds(end)


def _time(where: str, text: str) -> datetime:
    try:
        return aware(datetime.fromisoformat(text), where)
    except ValueError:
        raise InputError(where, got=text, wanted="a time with its offset, such as 2026-11-25T08:00:00Z") from None


def _check_range(what: str, given: Range, lowest: float, highest: float, example: str) -> None:
    low, high = given
    if not (math.isfinite(low) and math.isfinite(high) and lowest <= low <= high <= highest):
        raise InputError(
            what,
            got=_seconds(given),
            wanted=f"from low to high, between {lowest:g} and {highest:g} s",
            try_next=example,
        )


def _seconds(given: Range) -> str:
    return f"{given[0]:g} to {given[1]:g} s"
