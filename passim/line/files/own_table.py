"""A record as one table that gives all of it back: CSV or Parquet, written and read.

A row is the record (its span and source), a hole in it, an outage, or a probe. Times are UTC to the microsecond. Rows
of one kind leave the columns of the others empty. Parquet holds the same rows with types, by the extra ``parquet``.
"""

from __future__ import annotations

import csv
import importlib.util
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from passim.arrays import Floats, Ints
from passim.csv_files import number, rows_of, whole_number
from passim.elements.atomic import write_atomically
from passim.errors import InputError
from passim.line.files.reading import (
    TOLERATED_SHARE,
    Answers,
    Reading,
    UnreadLine,
    WallClock,
    check_damage,
    outages_of,
    refused_text,
    sorted_probes,
    zone_of,
)
from passim.line.record import LineRecord, Target, no_outages
from passim.spans import Span, moment, utc_times, zone

COLUMNS: Final = (
    "row",
    "from",
    "to",
    "where",
    "lost",
    "cut_at_start",
    "cut_at_end",
    "target",
    "address",
    "method",
    "position",
    "round_trip_ms",
    "period_s",
    "zone",
    "source",
)
_TRUE_FALSE: Final = {"true": True, "false": False}
PARQUET_MARK: Final = b"PAR1"


def record_table(record: LineRecord, *, probes: bool = True) -> pd.DataFrame:
    """Return a record as one table with the columns `COLUMNS`, without its probes unless asked for.

    `from` and `to` are aware and UTC, `to` empty for a probe; numbers and truths that a row lacks are missing.
    """
    span, holes, outages = record.span, record.holes, record.outages
    whole = pd.DataFrame(
        {
            "row": ["record"],
            "from": utc_times(np.array([span.start_us])),
            "to": utc_times(np.array([span.end_us])),
            "period_s": [np.nan if record.period_s is None else record.period_s],
            "zone": ["" if record.zone is None else str(record.zone)],
            "source": [record.source],
        }
    )
    parts = [whole]
    if len(holes):
        from_us, to_us = _us(holes).T
        parts.append(pd.DataFrame({"row": "hole", "from": utc_times(from_us), "to": utc_times(to_us)}))
    if len(outages):
        kept = outages[["where", "lost", "cut_at_start", "cut_at_end"]].reset_index(drop=True)
        times = {"row": "outage", "from": outages["start"].to_numpy(), "to": outages["end"].to_numpy()}
        table = pd.DataFrame(times)
        for column in ("from", "to"):
            table[column] = table[column].dt.tz_localize("UTC") if table[column].dt.tz is None else table[column]
        parts.append(pd.concat([table, kept], axis=1))
    for each in record.probes if probes else ():
        target = each.target
        if len(each.sent_s):
            parts.append(
                pd.DataFrame(
                    {
                        "row": "probe",
                        "from": utc_times(_us(each.sent_s)),
                        "target": target.name,
                        "address": target.address,
                        "method": target.method,
                        "position": target.position,
                        "round_trip_ms": np.round(each.round_trip_s * 1e3, 3),
                    }
                )
            )
    typed = [_typed(part) for part in parts]
    return pd.concat(typed, ignore_index=True) if len(typed) > 1 else typed[0]


def csv_text(record: LineRecord, *, probes: bool = True) -> str:
    """Return a record as the text of a CSV file that `read_own_table` reads back."""
    table = record_table(record, probes=probes)
    shown = pd.DataFrame({"row": table["row"]})
    for column in COLUMNS[1:]:
        values = table[column]
        if column in ("from", "to"):
            utc = values.dt.tz_localize(None).to_numpy().astype("datetime64[us]")
            text = np.char.add(np.datetime_as_string(utc, unit="us"), "Z")
            shown[column] = np.where(np.isnat(utc), "", text)
        elif column.startswith("cut_"):
            shown[column] = values.map({True: "true", False: "false"}, na_action="ignore")
        elif column == "round_trip_ms":
            # A probe without an answer has an empty cell, as a row that is no probe has.
            shown[column] = [f"{value:.3f}" if value == value else "" for value in values.tolist()]
        else:
            shown[column] = values
    return str(shown.to_csv(index=False, lineterminator="\n"))


def write_record(record: LineRecord, path: str | Path, *, probes: bool = True) -> int:
    """Write a record to a file, Parquet where its name ends so and else CSV, whole or not at all; return its rows.

    Raises InputError where the extra is missing, OSError where the file cannot be written.
    """
    if Path(path).suffix.lower() in (".parquet", ".pq"):
        check_parquet(str(path))
        table = record_table(record, probes=probes)
        buffer = io.BytesIO()
        table.to_parquet(buffer, engine="pyarrow", index=False)
        data, rows = buffer.getvalue(), len(table)
    else:
        text = csv_text(record, probes=probes)
        data, rows = text.encode("utf-8"), text.count("\n") - 1
    write_atomically(path, data)
    return rows


def check_parquet(name: str) -> None:
    """Refuse Parquet where nothing that reads and writes it is installed. Raises InputError."""
    if importlib.util.find_spec("pyarrow") is None:
        raise InputError(
            f"Parquet file {name}",
            got="pyarrow is not installed",
            wanted="the extra that reads and writes Parquet",
            try_next="pip install 'passim[parquet]', or CSV, which needs nothing",
        )


def is_own_header(header: Sequence[str]) -> bool:
    """Whether the header of a CSV file is that of a record as passim writes it."""
    return list(header[:3]) == list(COLUMNS[:3])


def read_own_table(text: str, name: str, answers: Answers) -> Reading:
    """Return the record of the text of a CSV file as `csv_text` writes it. Raises InputError, naming the line."""
    where = f"record {name}"
    try:
        rows = list(rows_of(text, comments=True))
    except csv.Error as error:
        raise InputError(where, got=str(error), wanted="a readable CSV file") from None
    header = rows[0][1]
    missing = [column for column in COLUMNS if column not in header]
    if missing:
        raise InputError(f"{where}, line 1", got=",".join(header), wanted=f"the column {missing[0]}")
    found, left_out = [], []
    clock = WallClock(answers, where)
    for line, cells in rows[1:]:
        try:
            if len(cells) != len(header):
                raise ValueError(f"{len(header)} cells, as in the header")
            found.append(_row(dict(zip(header, cells, strict=True)), clock))
        except ValueError as error:
            left_out.append(UnreadLine(line, refused_text(",".join(cells)), str(error) or "a number"))
    check_damage(where, len(found), left_out, answers.strict, most_share=TOLERATED_SHARE)
    table = pd.DataFrame(found, columns=[*COLUMNS])
    return _reading(table, name, answers, left_out)


def read_parquet(data: bytes, name: str, answers: Answers) -> Reading:
    """Return the record of a Parquet file as `write_record` writes it. Raises InputError."""
    check_parquet(name)
    where = f"record {name}"
    try:
        table = pd.read_parquet(io.BytesIO(data), engine="pyarrow")
    except (OSError, ValueError) as error:  # pyarrow's own errors of files are of these kinds
        raise InputError(where, got=(str(error).splitlines() or ["damage"])[0], wanted="a whole Parquet file") from None
    missing = [column for column in COLUMNS if column not in table.columns]
    if missing:
        raise InputError(where, got=", ".join(map(str, table.columns)), wanted=f"the column {missing[0]}")
    for column in ("from", "to"):
        stamps = table[column].dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[us]")
        seconds = stamps.astype(np.int64) / 1e6 + answers.offset_s
        table[column] = np.where(np.isnat(stamps), np.nan, seconds)
    return _reading(table, name, answers, [])


def _row(cells: dict[str, str], clock: WallClock) -> dict[str, Any]:
    """Return a row of a CSV file with its values. Raises ValueError with what was wanted."""
    kind = cells["row"]
    if kind not in ("record", "hole", "outage", "probe"):
        raise ValueError("record, hole, outage or probe")
    row: dict[str, Any] = dict.fromkeys(COLUMNS)
    row["row"] = kind
    try:
        row["from"] = clock.seconds(cells["from"])
        row["to"] = clock.seconds(cells["to"]) if cells["to"] or kind != "probe" else None
    except ValueError:
        raise ValueError("a time such as 2026-11-25T08:00:00Z") from None
    if row["to"] is not None and not row["to"] > row["from"]:
        raise ValueError("an end after its start")
    row["round_trip_ms"] = number(cells["round_trip_ms"]) if cells["round_trip_ms"] else np.nan
    row["period_s"] = number(cells["period_s"]) if cells["period_s"] else np.nan
    if kind == "outage":
        if cells["where"] not in ("house", "line", "far"):
            raise ValueError("house, line or far")
        row["lost"] = whole_number(cells["lost"] or "0")
        for column in ("cut_at_start", "cut_at_end"):
            if cells[column] not in _TRUE_FALSE:
                raise ValueError("true or false")
            row[column] = _TRUE_FALSE[cells[column]]
    if kind == "probe" and (cells["method"] not in ("tcp", "icmp", "dns") or not cells["target"]):
        raise ValueError("a probe of a target by tcp, icmp or dns")
    if kind == "probe" and cells["position"] not in ("house", "near", "far"):
        raise ValueError("house, near or far")
    for column in ("where", "target", "address", "method", "position", "zone", "source"):
        row[column] = cells[column]
    return row


def _reading(table: pd.DataFrame, name: str, answers: Answers, left_out: list[UnreadLine]) -> Reading:
    """Return the reading of rows whose times are seconds since 1970 UTC. Raises InputError."""
    where = f"record {name}"
    whole = table[table["row"] == "record"]
    if len(whole) != 1:
        raise InputError(where, got=f"{len(whole):,} rows of the record", wanted="one, which says its span")
    begins_s, ends_s = float(whole["from"].iloc[0]), float(whole["to"].iloc[0])
    span = Span(moment(round(begins_s * 1e6)), moment(round(ends_s * 1e6)))
    holes = table.loc[table["row"] == "hole", ["from", "to"]].to_numpy(np.float64).reshape(-1, 2)
    holes = holes[np.argsort(holes[:, 0], kind="stable")]
    if np.any(holes[1:, 0] < holes[:-1, 1]):
        raise InputError(where, got="holes that overlap", wanted="holes apart from each other")
    rows = table[table["row"] == "outage"].rename(columns={"from": "start_s", "to": "end_s"})
    probes = []
    for _, each in table[table["row"] == "probe"].groupby(["target", "address", "method", "position"], sort=False):
        first = each.iloc[0]
        target = Target(first["target"], first["address"], first["method"], first["position"])
        trips = each["round_trip_ms"].to_numpy(np.float64) / 1e3
        probes.append(sorted_probes(target, each["from"].to_numpy(np.float64), trips))
    period_s = float(whole["period_s"].iloc[0])
    stated = whole["zone"].iloc[0] or ""
    record = LineRecord(
        span,
        tuple(probes),
        holes,
        outages_of(rows.sort_values("start_s", kind="stable")) if len(rows) else no_outages(),
        str(whole["source"].iloc[0] or name),
        None if np.isnan(period_s) else period_s,
        zone(stated) if stated else zone_of(answers),
    )
    return Reading(record, "journal", len(table), 1, tuple(left_out))


def _typed(part: pd.DataFrame) -> pd.DataFrame:
    """Return rows with every column, typed so that parts can be put together."""
    part = part.reindex(columns=[*COLUMNS])
    for column in ("from", "to"):
        part[column] = pd.to_datetime(part[column], utc=True).astype("datetime64[us, UTC]")
    return part.astype(
        {
            "lost": "Int64",
            "cut_at_start": "boolean",
            "cut_at_end": "boolean",
            "round_trip_ms": "float64",
            "period_s": "float64",
        }
        | dict.fromkeys(("row", "where", "target", "address", "method", "position", "zone", "source"), "str")
    )


def _us(seconds: Floats) -> Ints:
    return np.round(np.asarray(seconds) * 1e6).astype(np.int64)
