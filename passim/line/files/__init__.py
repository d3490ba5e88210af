"""Records that people have already, read into `passim.line.record.LineRecord`, and records written as files.

read_record     any of them, told apart by what is in the file: logs of ping, CSV, notes, calendars, passim's own table
together        several logs kept at once, to different targets, as one record
read_together   one file, or several as one record: the nearest target first
write_record    passim's own table, CSV or Parquet, which gives the record back

What a file does not say of its times is asked for: the error's way out names it, and `Answers` holds what the user
says.
"""

from __future__ import annotations

import stat
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from passim.errors import InputError, WayOut
from passim.intervals import complement, intersection, union
from passim.line.files.own_table import (
    PARQUET_MARK,
    check_parquet,
    csv_text,
    is_own_header,
    read_own_table,
    read_parquet,
    record_table,
    write_record,
)
from passim.line.files.ping import is_numbered, is_windows, read_numbered, read_windows
from passim.line.files.reading import LARGEST_FILE_BYTES, Answers, Reading, Remark, UnreadLine, lines_of, text_of
from passim.line.files.seen import is_noted, read_bad_calls, read_notes
from passim.line.files.tables import COLUMNS, is_header, read_table, separator_of
from passim.line.outages import find_outages
from passim.line.record import LineRecord
from passim.spans import Span

__all__ = [
    "COLUMNS",
    "Answers",
    "Reading",
    "Remark",
    "UnreadLine",
    "check_parquet",
    "csv_text",
    "parse_record",
    "read_record",
    "read_together",
    "record_table",
    "together",
    "write_record",
]

_WANTED: Final = "a log of ping, CSV, an observer's notes (08:14 froze 20 s), a calendar, or a record that passim wrote"
_APART: Final = "one file after the other"
# A log is told by its first lines; a heading of somebody's own may stand before them.
_LOOKED_AT: Final = 400


def read_record(path: str | Path, answers: Answers | None = None) -> Reading:
    """Return the record in the file at `path`. Raises InputError, naming the line where there is one."""
    name = str(path)
    try:
        # A pipe would be waited for and a device never ends.
        found = Path(path).stat()
        if not stat.S_ISREG(found.st_mode):
            got = "a folder" if stat.S_ISDIR(found.st_mode) else "no regular file"
            raise InputError(f"record {name}", got=got, wanted=_WANTED)
        if found.st_size > LARGEST_FILE_BYTES:
            most = LARGEST_FILE_BYTES // 1_000_000
            raise InputError(f"record {name}", got=f"{found.st_size:,} bytes", wanted=f"at most {most:,} MB")
        data = Path(path).read_bytes()
    except OSError as error:
        raise InputError(
            f"record {name}", got=error.strerror or str(error), wanted=_WANTED, try_next="checking the path"
        ) from None
    return parse_record(data, Path(path).name, answers)


def parse_record(data: bytes, name: str, answers: Answers | None = None) -> Reading:
    """Return the record in the bytes of a file called `name`. Raises InputError, naming the line where there is one."""
    answers = answers or Answers()
    if data.startswith(PARQUET_MARK):
        return read_parquet(data, name, answers)
    text = text_of(data)
    if text.lstrip()[:15].upper() == "BEGIN:VCALENDAR":
        return read_bad_calls(data, name, answers)
    lines = lines_of(text)
    if not any(line.strip() for line in lines):
        raise InputError(f"record {name}, which is empty", wanted=_WANTED)
    if is_numbered(lines[:_LOOKED_AT]):
        return read_numbered(lines, name, answers)
    if is_windows(lines[:_LOOKED_AT]):
        return read_windows(lines, name, answers)
    first = next(line for line in lines if line.strip() and not line.startswith("#")) if _has_row(lines) else ""
    header = [cell.strip().strip('"') for cell in first.split(separator_of(first))]
    if is_own_header(header):
        return read_own_table(text, name, answers)
    if is_header(header, answers.columns):
        return read_table(text, name, answers)
    if is_noted(lines[:_LOOKED_AT]):
        return read_notes(lines, name, answers)
    if len(header) > 1:
        # Some table, whose columns go by other names.
        raise InputError(f"record {name}", got=first, wanted=_WANTED, way_out=WayOut.RECORD_COLUMNS)
    # A log may hold a few of them where the power went; what is nothing else is no text.
    got = "bytes that are no text" if "\x00" in text else first or lines[0]
    raise InputError(f"record {name}", got=got, wanted=_WANTED)


def together(readings: Sequence[Reading], source: str) -> LineRecord:
    """Return the record of several logs of probes kept at once, each to one target, the nearest first.

    A time is measured where any of them measured. Raises InputError where a log holds no probes, where two have a
    target of one name, and where two never ran at the same time.
    """
    records = [reading.record for reading in readings]
    for record in records:
        if not record.probes:
            raise InputError(f"record {record.source}", got="no probes", wanted="logs of probes, to be told apart")
    names = [probes.target.name for record in records for probes in record.probes]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(
            f"target {twice}", got="two logs of it", wanted="one log a target, or one file after the other"
        )
    span = Span(min(record.span.start for record in records), max(record.span.end for record in records))
    measured = [
        complement((record.holes[:, 0], record.holes[:, 1]), record.span.start_us / 1e6, record.span.end_us / 1e6)
        for record in records
    ]
    for record, mine in zip(records[1:], measured[1:], strict=True):
        if not len(intersection(measured[0], mine).start):
            got = f"{records[0].source} and {record.source} at different times"
            raise InputError(
                "records", got=got, wanted="logs kept at the same time", try_next="one file after the other"
            )
    holes = np.column_stack(complement(union(*measured), span.start_us / 1e6, span.end_us / 1e6)).reshape(-1, 2)
    probes = tuple(probes for record in records for probes in record.probes)
    return LineRecord(
        span, probes, holes, find_outages(probes, holes, span=span), source, records[0].period_s, records[0].zone
    )


def read_together(
    given: Sequence[str | Path | tuple[str, bytes]], answers: Answers, name: str = ""
) -> tuple[LineRecord, tuple[Reading, ...]]:
    """Return the record of one file, or of several kept at once, the nearest target first; and how each was read.

    Each is a path, or the name of a file and its bytes. The record is called `name`, else as the first file is. Of
    several the first is that of the house. Raises InputError, naming the line where there is one.
    """
    readings = []
    for k, one in enumerate(given):
        mine = replace(answers, position="house") if len(given) > 1 and not k else answers
        readings.append(parse_record(one[1], one[0], mine) if isinstance(one, tuple) else read_record(one, mine))
    first = given[0]
    source = name or (first[0] if isinstance(first, tuple) else Path(first).name)
    record = together(readings, source) if len(readings) > 1 else readings[0].record
    return replace(record, source=source), tuple(readings)


def _has_row(lines: list[str]) -> bool:
    return any(line.strip() and not line.startswith("#") for line in lines)
