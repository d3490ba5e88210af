"""A record of freezes that was handed in: read from a file, kept by the browser as plain numbers, and what it is.

It is kept to the millisecond, as passim writes times into files.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from passim import Fleet, Span
from passim.answers.symptom import match as symptom
from passim.errors import InputError
from passim.forecast import timing

from ....text.symptom import record_words
from ....text.units import printable
from ...upload import bytes_of

LARGEST_FILE_BYTES: Final = 1_000_000
MOST_FREEZES: Final = 2_000
LONGEST_DAYS: Final = 14.0
_LONGEST_NAME: Final = 80
# What a browser keeps lies between 1970 and 2200 and makes no freeze of more than a day.
_LATEST_MS: Final = 7_258_118_400_000
_DAY_MS: Final = 86_400_000


@dataclass(frozen=True, eq=False)
class Record:
    """A record with the name of its file."""

    name: str
    freezes: symptom.FreezeRecord

    @property
    def key(self) -> tuple[bytes, bytes]:
        """What stands for it in the key of a result."""
        return self.freezes.start_us.tobytes(), self.freezes.end_us.tobytes()

    def retained(self) -> dict[str, Any]:
        """Return it as plain values, from which `sound` makes it again."""
        start_ms, end_ms = self.freezes.start_us // 1000, -(-self.freezes.end_us // 1000)
        return {"name": self.name, "start_ms": start_ms.tolist(), "end_ms": end_ms.tolist()}


def read(name: str, data: bytes) -> Record:
    """Return the record in the bytes of a file. Raises InputError, naming the line, where it cannot be used."""
    name = printable(Path(name.replace("\\", "/")).name)[:_LONGEST_NAME] or "record"
    if len(data) > LARGEST_FILE_BYTES:
        raise InputError(f"record {name}", got=f"{len(data):,} bytes", wanted="at most 1 MB")
    freezes = symptom.FreezeRecord.from_csv_bytes(data, name)
    if len(freezes) > MOST_FREEZES:
        raise InputError(f"record {name}", got=f"{len(freezes):,} freezes", wanted=f"at most {MOST_FREEZES:,}")
    days = freezes.span.duration_s / 86400.0
    if days > LONGEST_DAYS:
        raise InputError(
            f"record {name}",
            got=f"{days:.1f} days from first to last",
            wanted=f"at most {LONGEST_DAYS:g} days",
            try_next="one week of it",
        )
    # What the browser gives back must be what is looked at now.
    found = sound(Record(name, freezes).retained())
    if found is None:
        raise InputError(f"record {name}", got=record_words(freezes), wanted="times between 1970 and 2200")
    return found


def sound(given: Any) -> Record | None:
    """Return a record that a browser has kept, or None where it has not the shape of one."""
    try:
        start_ms, end_ms = (_whole(given[key]) for key in ("start_ms", "end_ms"))
        name = printable(str(given["name"]))[:_LONGEST_NAME]
        if not len(start_ms) == len(end_ms) <= MOST_FREEZES or np.any(end_ms - start_ms > _DAY_MS):
            return None
        record = Record(name, symptom.FreezeRecord(1000 * start_ms, 1000 * end_ms))
    except (InputError, KeyError, TypeError, ValueError, OverflowError):
        return None
    return record if record.freezes.span.duration_s <= LONGEST_DAYS * 86400.0 else None


def _whole(values: Any) -> np.ndarray[Any, np.dtype[np.int64]]:
    if not isinstance(values, list) or not all(type(value) is int and 0 <= value < _LATEST_MS for value in values):
        raise ValueError("milliseconds since 1970")
    return np.array(values, dtype=np.int64)


def check_age(fleet: Fleet, span: Span) -> None:
    """Refuse elements that are too far from a record to foretell it to the second. Raises InputError."""
    away = timing.band_for(fleet, span.middle, allow_stale=True)
    timing.refuse_stale(
        fleet, span.middle, away.median_s, at="the middle of the record", instead="elements of its days, a newer record"
    )


def taken(name: str, contents: str) -> Record:
    """Return the record in a file that a browser handed in. Raises InputError."""
    return read(name, bytes_of(name, contents, LARGEST_FILE_BYTES))


def words(record: Record) -> str:
    """Return what a record holds: "freezes.csv: 23 freezes, 5 to 40 s long, in 10 h"."""
    return f"{record.name}: {record_words(record.freezes)}"
