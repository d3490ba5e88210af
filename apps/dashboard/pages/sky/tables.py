"""The tables of the Sky page: its gaps, what each limit would give back, what each part of the horizon costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from passim import Span

from ....command_line.output import told_columns
from ....text.causes import amount, missing_words, stopped_by_words
from ....text.units import LocalClock, counted, cut_ends, duration, share
from ...page_model import Table


def gap_table(gaps: pd.DataFrame, shown: slice, clock: LocalClock, chosen: pd.Timestamp | None = None) -> Table:
    """Return the gaps: some for people, the one that begins at `chosen` marked; all of them in the file."""

    def cells(row: Any) -> list[str]:
        mark = "▶ " if chosen is not None and row.start == chosen else ""
        when = [f"{mark}{clock.time(row.start)}", clock.time(row.end), duration(row.duration_s)]
        return [*when, row.cause, missing_words(row), stopped_by_words(row), cut_ends(row)]

    headings = ("Start", "End", ">Length", "Cause", "Missing satellite", "Stopped by", "Cut")
    few = gaps.iloc[shown]
    told = f"The file has all {counted(len(gaps), 'gap')} of the day." if len(few) < len(gaps) else ""
    return _without_empty(Table(gaps, headings, cells, clock, "No gap on this day.", few, told))


def limit_table(given_back: pd.DataFrame, span: Span) -> Table:
    """Return what each limit, lifted alone, would give back."""

    def cells(row: Any) -> list[str]:
        back = [amount(row.given_back_s, span.duration_s), share(row.gap_share)]
        return [row.limit, row.description, *back, str(row.gaps_closed), str(row.gaps_shortened)]

    headings = ("Limit", "What it is", ">Service regained", ">Of the gaps", ">Gaps closed", ">Shortened")
    return _without_empty(Table(given_back, headings, cells))


def sector_table(sectors: pd.DataFrame, span: Span) -> Table:
    """Return the parts of the horizon that cost anything; the file has them all."""

    def cells(row: Any) -> list[str]:
        where = [f"{row.from_deg:g}° to {row.to_deg:g}°", f"{row.horizon_highest_deg:.1f}°"]
        return [*where, amount(row.given_back_s, span.duration_s), str(row.gaps_closed)]

    costly = sectors[sectors["given_back_s"] > 0.0]
    headings = ("From north", ">Horizon up to", ">Service regained", ">Gaps closed")
    told = f"The file has all {len(sectors)} parts." if len(costly) else ""
    return _without_empty(Table(sectors, headings, cells, None, "No part of the horizon costs anything.", costly, told))


def _without_empty(table: Table) -> Table:
    """Return a table without the columns that have no entry in any row that people see."""
    rows = table.rows if table.shown is None else table.shown
    every = [list(table.cells(row)) for row in rows.itertuples(index=False)]
    kept = told_columns(len(table.headings), every) if every else list(range(len(table.headings)))

    def cells(row: Any) -> Sequence[str]:
        given = table.cells(row)
        return [given[place] for place in kept]

    return replace(table, headings=[table.headings[place] for place in kept], cells=cells)
