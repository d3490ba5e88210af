"""What a notebook shows of an answer: the line that says what it is, and its table."""

from __future__ import annotations

from html import escape

import pandas as pd

MOST_ROWS = 10


def as_html(answer: object, table: pd.DataFrame) -> str:
    """Return an answer as HTML: its `repr`, and `table` as pandas writes it, of a long one both ends; text escaped."""
    return f"<p>{escape(repr(answer))}</p>\n{table.to_html(index=False, max_rows=MOST_ROWS, border=0)}"
