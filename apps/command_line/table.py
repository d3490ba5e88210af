"""A table for people as lines of text: as wide as there is room, and never with a cell that is cut or broken.

Where a table is too wide, this is tried in turn, each only as far as it is needed: headings in several lines, less
space between columns, prose moved under its row, and the least important columns left out.
"""

from __future__ import annotations

import io
import os
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from ..text.columns import Cells, Column
from ..text.units import wrapped

# As good as no limit: where nobody says how wide the page is, nothing is broken.
UNLIMITED = 1000
_MOST_HEADING_LINES = 4
_INDENT = "   "
# A table is set in by so much, and its columns are so far apart: where there is room, and where there is not.
_EDGE, _GAPS = 1, (3, 2)


@dataclass(frozen=True)
class _Layout:
    """Which columns stand in the table, in which widths and how far apart, and which of them stand below each row."""

    shown: list[int]
    below: list[int]
    widths: list[int]
    gap: int


def width() -> int:
    """Return how many characters a line may have: COLUMNS where it is set, else the terminal's; no limit in a pipe."""
    stated = os.environ.get("COLUMNS", "")
    if stated.isascii() and stated.isdigit() and int(stated) > 0:
        return int(stated)
    if not sys.stdout.isatty():
        return UNLIMITED
    try:
        return os.get_terminal_size(sys.stdout.fileno()).columns or UNLIMITED
    except OSError:
        return UNLIMITED


def table_lines(cells: Cells, most: int) -> tuple[list[str], list[Column]]:
    """Return a table as lines of at most `most` characters, and the columns that were left out for it.

    Longer lines come only where the columns that always stay need more.
    """
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    layout = _layout(cells, most)
    # The box itself sets the table in and puts a blank between columns.
    table = Table(box=SIMPLE_HEAD, header_style="", pad_edge=False, padding=(0, 1, 0, layout.gap - 2))
    for place, column_width in zip(layout.shown, layout.widths, strict=True):
        column = cells.columns[place]
        heading = "\n".join(_wrapped(column.heading, column_width))
        table.add_column(
            Text(heading),
            justify="right" if column.format.numeric else "left",
            vertical="bottom",
            width=column_width,
            no_wrap=True,
        )
    for row in cells.rows:
        table.add_row(*[Text(row[place]) for place in layout.shown])
    buffer = io.StringIO()
    Console(file=buffer, width=UNLIMITED * 10, force_terminal=False, color_system=None).print(table)
    lines = [line.rstrip() for line in buffer.getvalue().splitlines()]
    left_out = [c for k, c in enumerate(cells.columns) if k not in layout.shown and k not in layout.below]
    return _with_prose(lines, cells, layout.below, most), left_out


def _layout(cells: Cells, most: int) -> _Layout:
    """Return how the table is to stand within `most` characters a line."""
    shown = list(range(len(cells.columns)))
    below: list[int] = []
    while True:
        for gap in _GAPS:
            for lines in range(1, _MOST_HEADING_LINES + 1):
                widths = [_column_width(cells, place, lines) for place in shown]
                if _EDGE + sum(widths) + gap * (len(shown) - 1) <= most:
                    return _Layout(shown, below, widths, gap)
        prose = [place for place in shown if cells.columns[place].below]
        highest = max(cells.columns[place].priority for place in shown)
        if prose and len(shown) > len(prose):
            below, shown = prose, [place for place in shown if place not in prose]
        elif highest and len(shown) > 1:
            # Of two that matter as little, the right one goes.
            shown.remove(max(place for place in shown if cells.columns[place].priority == highest))
        else:
            return _Layout(shown, below, widths, gap)


def _column_width(cells: Cells, place: int, lines: int) -> int:
    """Return how wide a column is whose heading may take so many lines."""
    from rich.cells import cell_len

    widest = max((cell_len(row[place]) for row in cells.rows), default=0)
    heading = cells.columns[place].heading
    narrowest = max(widest, *(cell_len(word) for word in heading.split() or [""]))
    return next(
        (wide for wide in range(narrowest, len(heading)) if len(_wrapped(heading, wide)) <= lines),
        max(narrowest, cell_len(heading)),
    )


def _wrapped(heading: str, column_width: int) -> list[str]:
    return textwrap.wrap(heading, max(column_width, 1), break_long_words=False, break_on_hyphens=False) or [""]


def _with_prose(lines: list[str], cells: Cells, below: Sequence[int], most: int) -> list[str]:
    """Return the lines with the prose of each row set in under it."""
    if not below:
        return lines
    # A table ends in a blank line, and before it a line for each row.
    first = len(lines) - 1 - len(cells.rows)
    mixed = lines[:first]
    for line, row in zip(lines[first:-1], cells.rows, strict=True):
        mixed.append(line)
        for place in below:
            text = f"{cells.columns[place].heading}: {row[place]}" if len(below) > 1 else row[place]
            mixed += wrapped(text, most, _INDENT)
    return [*mixed, lines[-1]]
