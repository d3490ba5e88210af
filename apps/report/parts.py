"""What a report's sections are made of: pictures, tables, and the sections themselves. No HTML."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

SOURCE: Final = "The element sets of the fleet, and the site, spot and limits named in this report."


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture with what to see in it, and behind a question mark: what it shows, how it is computed, from what."""

    name: str
    title: str
    figure: go.Figure
    caption: str
    shows: str
    how: str
    source: str = SOURCE


@dataclass(frozen=True, eq=False)
class Table:
    """Rows as text. A heading that begins with ">" stands over numbers."""

    name: str
    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""


@dataclass(frozen=True, eq=False)
class Section:
    """One part of a report."""

    title: str
    sentences: Sequence[str] = ()
    blocks: Sequence[Picture | Table] = ()
    points: Sequence[str] = field(default_factory=tuple)


def table_of(
    name: str,
    title: str,
    headings: Sequence[str],
    rows: pd.DataFrame,
    cells: Callable[[Any], Sequence[str]],
    note: str = "",
) -> Table:
    """Return a table of the rows of a frame, each worded by `cells`."""
    return Table(name, title, headings, [list(cells(row)) for row in rows.itertuples(index=False)], note)
