"""Records in CSV, with columns as whoever wrote them named them.

A row is a probe (a time, and its round trip or whether it was answered) or an outage (a start, and an end or a length).
Columns go by passim's own names, or by those that the user maps to them. Commas, semicolons or tabs stand between the
cells; with semicolons a decimal comma is taken as one.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from passim.csv_files import number, rows_of
from passim.errors import InputError, WayOut
from passim.line.files.reading import (
    TOLERATED_SHARE,
    Answers,
    Reading,
    Remark,
    UnreadLine,
    WallClock,
    check_damage,
    outages_of,
    refused_text,
    sorted_probes,
    span_of,
    target_of,
    zone_of,
)
from passim.line.outages import find_outages
from passim.line.record import LineRecord

# Our names of columns: when a probe was sent, how long its answer took (empty where none came) or whether it was
# answered; or when an outage began and ended, or how long it lasted, where it lay and how many packets it lost.
COLUMNS: Final = (
    "time", "round_trip_ms", "round_trip_s", "answered", "start", "end", "duration_s", "where", "lost",
)  # fmt: skip
# What stands in a cell where no answer came.
_NO_ANSWER: Final = frozenset(
    (
        "",
        "-",
        "*",
        "lost",
        "loss",
        "timeout",
        "timed out",
        "request timed out.",
        "none",
        "nan",
        "null",
        "na",
        "n/a",
        "inf",
    )
)
_YES: Final = frozenset(("yes", "true", "1", "ok", "up", "y", "answered", "reply"))
_NO: Final = frozenset(("no", "false", "0", "down", "n", "fail", "failed", *_NO_ANSWER))
# Two probes farther apart than this many periods were not sent one after the other.
_PAUSE_PERIODS: Final = 3.0
_LEAST_PAUSE_S: Final = 3.0
_LONGEST_OUTAGE_S: Final = 31 * 86_400.0


def separator_of(line: str) -> str:
    """Return what stands between the cells of a header: a comma, unless it has none and a semicolon or a tab."""
    return next((mark for mark in (",", ";", "\t") if mark in line), ",")


def is_header(header: Sequence[str], named: Mapping[str, str]) -> bool:
    """Whether the first row of a file is the header of a table: it has our names, or those that the user maps."""
    cells = {cell.casefold() for cell in header}
    return bool(named) or (bool(cells & {"time", "start"}) and len(cells & set(COLUMNS)) > 1)


def read_table(text: str, name: str, answers: Answers) -> Reading:
    """Return the record of a CSV file. Raises InputError, naming the line."""
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    mark = separator_of(first)
    where = f"record {name}"
    try:
        rows = list(rows_of(text, comments=True, separator=mark))
    except csv.Error as error:
        raise InputError(where, got=str(error), wanted="a readable CSV file with a header") from None
    line, header = rows[0] if rows else (1, [])
    twice = next((cell for cell in header if header.count(cell) > 1), None)
    if twice is not None:
        raise InputError(f"{where}, line {line}", got=f"the column {twice} twice", wanted="each column once")
    columns = _columns(header, answers.columns, where, line)
    silent = len(text.splitlines()) - len(rows) + 1
    if "time" in columns:
        return _probes(rows[1:], header, columns, name, answers, silent, mark)
    return _outages(rows[1:], header, columns, name, answers, silent, mark)


def _columns(header: Sequence[str], named: Mapping[str, str], where: str, line: int) -> dict[str, int]:
    """Return our names of the columns that are there, with their places. Raises InputError."""
    by_name = {cell.casefold(): k for k, cell in enumerate(header)}
    for ours, theirs in named.items():
        if ours not in COLUMNS:
            raise InputError("columns of the record", got=ours, wanted=f"one of {', '.join(COLUMNS)}")
        if theirs.casefold() not in by_name:
            raise InputError(f"{where}, line {line}", got=",".join(header), wanted=f"the column {theirs}")
    taken = {theirs.casefold() for theirs in named.values()}
    found: dict[str, int] = {ours: by_name[ours] for ours in COLUMNS if ours in by_name and ours not in taken}
    found |= {ours: by_name[theirs.casefold()] for ours, theirs in named.items()}
    trips = [ours for ours in ("round_trip_ms", "round_trip_s", "answered") if ours in found]
    lasts = [ours for ours in ("end", "duration_s") if ours in found]
    if ("time" in found and trips) or ("start" in found and lasts):
        return found
    raise InputError(
        f"{where}, line {line}",
        got=",".join(header) or "nothing",
        wanted="for probes the columns time and round_trip_ms (or answered), for outages start and duration_s (or end)",
        way_out=WayOut.RECORD_COLUMNS,
    )


def _cells(row: Sequence[str], header: Sequence[str], mark: str) -> Sequence[str]:
    """Return the cells of a row. Raises ValueError with what was wanted."""
    if len(row) != len(header):
        raise ValueError(f"{len(header)} cells, as in the header")
    return row


def _each_row(
    rows: Sequence[tuple[int, list[str]]], header: Sequence[str], mark: str, read: Callable[[Sequence[str]], Any]
) -> tuple[list[Any], list[UnreadLine]]:
    """Return what `read` makes of each row, and the rows of which it made nothing."""
    found, left_out = [], []
    for line, row in rows:
        try:
            found.append(read(_cells(row, header, mark)))
        except InputError as error:
            raise error.about(f"{error.what}, line {line}") from None
        except ValueError as error:
            left_out.append(UnreadLine(line, refused_text(mark.join(row)), str(error)))
    return found, left_out


def _time(clock: WallClock, cell: str) -> float:
    """Return the moment a cell names. Raises ValueError with what was wanted, InputError without a zone."""
    try:
        return clock.seconds(cell)
    except InputError:
        raise
    except ValueError as error:
        wanted = str(error) if str(error).startswith("a time that") else "a time such as 2026-11-25T08:00:00Z"
        raise ValueError(wanted) from None


def _number(cell: str, mark: str) -> float:
    try:
        return number(cell.replace(",", ".") if mark != "," else cell)
    except ValueError as error:
        raise ValueError(f"a number{', with ' + str(error) if str(error) else ''}") from None


def _probes(
    rows: Sequence[tuple[int, list[str]]],
    header: Sequence[str],
    columns: Mapping[str, int],
    name: str,
    answers: Answers,
    silent: int,
    mark: str,
) -> Reading:
    where = f"record {name}"
    clock = WallClock(answers, where)

    def probe(cells: Sequence[str]) -> tuple[float, float]:
        at_s = _time(clock, cells[columns["time"]])
        answered = cells[columns["answered"]].casefold() if "answered" in columns else "yes"
        if answered not in _YES and answered not in _NO:
            raise ValueError("yes or no")
        for column, scale in (("round_trip_ms", 1e3), ("round_trip_s", 1.0)):
            if column in columns:
                cell = cells[columns[column]]
                if answered in _NO or cell.casefold() in _NO_ANSWER:
                    return at_s, np.nan
                trip_s = _number(cell, mark) / scale
                if trip_s < 0.0:
                    raise ValueError("a round trip of 0 or more, or an empty cell where no answer came")
                return at_s, trip_s
        return at_s, (0.0 if answered in _YES else np.nan)

    found, left_out = _each_row(rows, header, mark, probe)
    check_damage(where, len(found), left_out, answers.strict, most_share=TOLERATED_SHARE)
    sent_s, trips = np.array(found, dtype=np.float64).reshape(-1, 2).T
    probes = sorted_probes(target_of(answers, "", "tcp"), sent_s, trips)
    steps = np.diff(probes.sent_s)
    period_s = answers.every_s or (float(np.median(steps)) if steps.size else 1.0)
    apart = np.flatnonzero(steps > max(_LEAST_PAUSE_S, _PAUSE_PERIODS * period_s))
    holes = np.column_stack([probes.sent_s[apart] + period_s, probes.sent_s[apart + 1]]).reshape(-1, 2)
    outages = find_outages((probes,), holes, losses=answers.losses)
    span = span_of(Answers(), float(probes.sent_s[0]), float(probes.sent_s[-1]) + period_s)
    record = LineRecord(span, (probes,), holes, outages, name, period_s, zone_of(answers))
    return Reading(record, "probes", len(found), silent, tuple(left_out), _clock_remark(answers))


def _outages(
    rows: Sequence[tuple[int, list[str]]],
    header: Sequence[str],
    columns: Mapping[str, int],
    name: str,
    answers: Answers,
    silent: int,
    mark: str,
) -> Reading:
    where = f"record {name}"
    # Ends have a clock of their own: in the hour that comes twice an end is before the next start.
    clock, end_clock = WallClock(answers, where), WallClock(answers, where)

    def outage(cells: Sequence[str]) -> dict[str, Any]:
        start_s = _time(clock, cells[columns["start"]])
        if "end" in columns:
            end_s = _time(end_clock, cells[columns["end"]])
        else:
            end_s = start_s + _number(cells[columns["duration_s"]], mark)
        if not 0.0 < end_s - start_s <= _LONGEST_OUTAGE_S:
            raise ValueError("an end after its start, at most 31 days later")
        at = cells[columns["where"]].casefold() if "where" in columns else ""
        at = "far" if at == "far end" else at or "line"
        if at not in ("house", "line", "far"):
            raise ValueError("house, line or far")
        lost = _number(cells[columns["lost"]] or "0", mark) if "lost" in columns else 0.0
        if lost < 0.0 or not lost.is_integer():
            raise ValueError("a whole number of packets")
        return {"start_s": start_s, "end_s": end_s, "where": at, "lost": int(lost)}

    found, left_out = _each_row(rows, header, mark, outage)
    check_damage(where, len(found), left_out, answers.strict, most_share=TOLERATED_SHARE)
    return outage_reading(found, name, "outages", answers, len(found), silent, left_out, _clock_remark(answers))


def outage_reading(
    found: Sequence[Mapping[str, Any]],
    name: str,
    kind: Any,
    answers: Answers,
    used: int,
    silent: int,
    left_out: Sequence[UnreadLine],
    remarks: Sequence[Remark] = (),
    watched: Sequence[tuple[float, float]] = (),
) -> Reading:
    """Return the reading of outages alone; times within none of the stretches `watched` are holes, where there are any.

    Outages that overlap are one: the same freeze noted twice.
    """
    table = _united(pd.DataFrame(list(found)))
    first_s, last_s = float(table["start_s"].min()), float(table["end_s"].max())
    holes = np.zeros((0, 2))
    if watched:
        from passim.intervals import complement, union

        stretches = union(tuple(np.array(watched, dtype=np.float64).T), (table["start_s"], table["end_s"]))
        first_s, last_s = float(stretches.start[0]), float(stretches.end[-1])
        span = span_of(answers, first_s, last_s)
        holes = np.column_stack(complement(stretches, span.start_us / 1e6, span.end_us / 1e6))
    else:
        span = span_of(answers, first_s, last_s)
        if answers.start is None or answers.end is None:
            remarks = (*remarks, Remark("span of events"))
    table["cut_at_start"] = table["cut_at_end"] = False
    record = LineRecord(span, (), holes, outages_of(table), name, None, zone_of(answers))
    return Reading(record, kind, used, silent, tuple(left_out), tuple(remarks))


def _united(table: pd.DataFrame) -> pd.DataFrame:
    """Return outages in order, those of one place that overlap as one."""
    table = table.sort_values(["start_s", "end_s"], kind="stable").reset_index(drop=True)
    parts = []
    for place, rows in table.groupby("where", sort=False):
        before = rows["end_s"].cummax().shift(fill_value=-np.inf)
        group = (rows["start_s"] > before).cumsum()
        one = rows.groupby(group).agg({"start_s": "min", "end_s": "max", "lost": "max"})
        parts.append(one.assign(where=place))
    return pd.concat(parts).sort_values("start_s", kind="stable").reset_index(drop=True)


def _clock_remark(answers: Answers) -> tuple[Remark, ...]:
    return () if answers.offset_s else (Remark("clock taken as right"),)
