"""The tables of the Sky page: its gaps, what each limit would give back, what each part of the horizon costs."""

from __future__ import annotations

import pandas as pd

from passim import Span, View

from ....text.causes import cause_gap_columns, limit_columns, limit_rows, sector_columns
from ....text.columns import without
from ....text.units import LocalClock, counted
from ...page_model import Table


def gap_table(gaps: pd.DataFrame, shown: slice, clock: LocalClock, chosen: pd.Timestamp | None = None) -> Table:
    """Return the gaps: some for people, the one that begins at `chosen` marked; all of them in the file."""
    few = gaps.iloc[shown]
    file_note = f"The file has all {counted(len(gaps), 'gap')} of the day." if len(few) < len(gaps) else ""
    return Table(gaps, without(cause_gap_columns(clock, chosen), "day"), clock, "No gap on this day.", few, file_note)


def limit_table(given_back: pd.DataFrame, seen: View, span: Span) -> Table:
    """Return what each limit, lifted alone, would give back."""
    return Table(limit_rows(seen, given_back), limit_columns(span.duration_s))


def sector_table(sectors: pd.DataFrame, span: Span) -> Table:
    """Return the parts of the horizon that cost anything; the file has them all."""
    costly = sectors[sectors["given_back_s"] > 0.0]
    file_note = f"The file has all {len(sectors):,} parts." if len(costly) else ""
    columns = sector_columns(span.duration_s)
    return Table(sectors, columns, None, "No part of the horizon costs anything.", costly, file_note)
