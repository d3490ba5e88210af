"""What a report's sections are made of: pictures, tables, and the sections themselves. No HTML."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from ..text.answer import Help
from ..text.columns import Cells, Column, cells_of

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

SOURCE: Final = "The element sets of the fleet, and the site, spot and limits named in this report."


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture with what to see in it, and what stands behind its question mark."""

    name: str
    title: str
    figure: go.Figure
    caption: str
    help: Help


@dataclass(frozen=True, eq=False)
class Table:
    """Rows in the words of their columns."""

    name: str
    title: str
    cells: Cells
    note: str = ""


@dataclass(frozen=True, eq=False)
class Attachment:
    """A file inside the page, to be saved with a click: its name, its kind (MIME), what it holds, and what is in it."""

    name: str
    kind: str
    data: bytes
    words: str

    @property
    def address(self) -> str:
        """The file as a data address."""
        return f"data:{self.kind};base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True, eq=False)
class Section:
    """One part of a report."""

    title: str
    sentences: Sequence[str] = ()
    blocks: Sequence[Picture | Table] = ()
    points: Sequence[str] = field(default_factory=tuple)
    attachments: Sequence[Attachment] = ()


def table_of(name: str, title: str, columns: Sequence[Column], rows: pd.DataFrame, note: str = "") -> Table:
    """Return a table of the rows of a frame, worded by `columns`."""
    return Table(name, title, cells_of(columns, rows), note)
