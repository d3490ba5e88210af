"""The pieces that pages are made of, as Dash components: sentence, picture, table, help, choices."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Sequence
from typing import Any, Final

import plotly.graph_objects as go
from dash import dcc, html

from ..figures.theme import CONFIG
from ..output import plain_rows
from ..wording import counted, printable
from .answering import Page, Panel, Table

MOST_ROWS: Final = 60


def part(kind: str, name: Any) -> dict[str, Any]:
    """Return the id of a piece that many pages have; Dash's ALL as its name matches every one."""
    return {"part": kind, "name": name}


def written(name: dict[str, Any]) -> str:
    """Return an id of `part` as it stands in the page."""
    return json.dumps(name, sort_keys=True, separators=(",", ":"))


def aria(**names: str) -> dict[str, Any]:
    """Return attributes for screen readers, to be handed to a component: ``**aria(label="Pages")``."""
    return {f"aria-{name}": value for name, value in names.items()}


def choice_list(key: str, label: str, options: Sequence[tuple[str, str]], value: str) -> Any:
    """Return a choice with its label: the browser's own list, which keyboards, phones and screen readers know.

    What is picked reaches the shell through assets/passim.js, by the name in the id.
    """
    return html.Label(
        [
            html.Span(label, className="choice-label"),
            html.Select(as_options(options, value), id=part("choice", key), className="choice-list"),
        ],
        className="choice",
    )


def as_options(options: Sequence[tuple[str, str]], chosen: str) -> list[Any]:
    """Return (value, words) pairs as what a list holds, the chosen one marked."""
    return [html.Option(printable(words), value=value, selected=value == chosen) for value, words in options]


def panel_block(page: Page, panel: Panel, near: Sequence[Any] = ()) -> Any:
    """Return the place of a panel: picture, what to see, `near` what changes it, help, table, its file."""
    name = f"{page.name.lower()}-{panel.name}"
    pieces: list[Any] = [html.H2(panel.title, id=f"title-{name}", className="panel-title")]
    if panel.picture:
        pieces.append(
            html.Div(
                dcc.Graph(
                    id=part("picture", panel.name),
                    figure=go.Figure(),
                    config=CONFIG,
                    responsive="auto",  # the width of the page, the height of the figure
                    className="picture",
                ),
                className="picture-frame",
                role="group",
                **aria(labelledby=f"title-{name}", describedby=written(part("caption", panel.name))),
            )
        )
    pieces.append(html.P(id=part("caption", panel.name), className="caption"))
    pieces.extend(near)
    pieces.append(help_block(panel))
    if panel.table:
        pieces.append(
            html.Details(
                [
                    html.Summary(f"{panel.title}: the numbers"),
                    html.Div(
                        id=part("table", panel.name),
                        className="table-frame",
                        tabIndex=0,
                        role="region",
                        **aria(label=f"{panel.title}: table"),
                    ),
                    html.A("Download as CSV", id=part("csv", panel.name), href="#", className="button", download=""),
                ],
                # One table is open at first: the page is to be taken in at a glance.
                open=panel is page.panels[0] or not panel.picture,
                className="numbers",
            )
        )
    return html.Section(pieces, className="panel", **aria(labelledby=f"title-{name}"))


def help_block(panel: Panel) -> Any:
    """Return the question mark of a panel; it opens without any script."""
    return html.Details(
        [
            html.Summary([html.Span("?", className="mark", **aria(hidden="true")), f" About: {panel.title.lower()}"]),
            html.Dl(
                [
                    html.Dt("What it shows"),
                    html.Dd(panel.help.shows),
                    html.Dt("How it is computed"),
                    html.Dd(panel.help.computed),
                    html.Dt("Where the numbers come from"),
                    html.Dd(panel.help.source),
                ]
            ),
        ],
        className="help",
    )


def table_block(table: Table, caption: str) -> Any:
    """Return a table for people, its first rows where it is long; the file has them all."""
    rows = table.rows if table.shown is None else table.shown
    if rows.empty:
        return html.P(table.empty, className="quiet")
    head = html.Tr(
        [
            html.Th(text.lstrip(">"), scope="col", className="number" if text.startswith(">") else "")
            for text in table.headings
        ]
    )
    flush = [text.startswith(">") for text in table.headings]
    body = [
        html.Tr(
            [
                html.Td(printable(str(cell)), className="number" if right else "")
                for cell, right in zip(table.cells(row), flush, strict=True)
            ]
        )
        for row in rows.head(MOST_ROWS).itertuples(index=False)
    ]
    hidden = len(rows) - len(body)
    told = table.told or (f"{counted(hidden, 'more row')} in the file." if hidden else "")
    more = [html.P(told, className="quiet")] if told else []
    return [
        html.Table([html.Caption(caption, className="unseen"), html.Thead(head), html.Tbody(body)]),
        *more,
    ]


def file_path(page: Page, panel_name: str) -> str:
    """Return the path of a panel's numbers as a file."""
    return f"/csv/{page.name.lower()}/{panel_name}.csv"


def unbroken(text: str) -> str:
    """Return text whose numbers stay on one line with their units."""
    return re.sub(r"(?<=\d) (?=(?:%|s|min|h|d|km|MB)\b|%)", "\N{NO-BREAK SPACE}", text)


def csv_text(table: Table) -> str:
    """Return a table as CSV: UTC with local columns beside them. Text that a spreadsheet would run is made plain."""
    columns, rows = plain_rows(table.rows, table.clock)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return buffer.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return str(value).lower()
    # A name from an element file may begin with what spreadsheets take for a formula.
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
