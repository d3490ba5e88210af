"""The pieces that pages are made of, as Dash components: sentence, picture, table, help, choices."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any, Final

import flask
import plotly.graph_objects as go
from dash import dcc, html

from passim.parallel import Job

from ..figures.theme import CONFIG
from ..text.answer import plain_rows, rows_of_site
from ..text.columns import Cells, Column, cells_of
from ..text.units import counted
from .page_model import Page, Panel, Table

DOWNLOAD: Final = "Download as CSV"
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


def choice_list(key: str, label: str, *, hidden: bool = False, wide: bool = False) -> Any:
    """Return a choice with its label: the browser's own list, which keyboards, phones and screen readers know.

    assets/passim.js fills it from the store "offers", and puts what is picked into the address.
    """
    return html.Label(
        [html.Span(label, className="choice-label"), html.Select(id=part("choice", key), className="choice-list")],
        className="choice wide" if wide else "choice",
        hidden=hidden,
    )


def panel_block(page: Page, panel: Panel, near: Sequence[Any] = ()) -> Any:
    """Return the place of a panel: picture, what to see, `near` what changes it, and a quiet row of help and numbers.

    What changes it stands beside the picture where the page is wide, else under it.
    """
    name = f"{page.name.lower()}-{panel.name}"
    pieces: list[Any] = [html.H2(panel.title, id=f"title-{name}", className="panel-title")]
    picture = _picture(panel, f"title-{name}") if panel.picture else None
    if picture is not None and not panel.quiet:
        pieces.append(picture)
    pieces.append(html.P(id=part("caption", panel.name), className="caption"))
    if near:
        pieces = [html.Div(pieces, className="body"), html.Div(near, className="aside")]
    behind = [picture] if picture is not None and panel.quiet else []
    row: list[Any] = [help_block(panel)]
    if panel.table:
        what = "picture and numbers" if behind else "the numbers"
        row.append(
            html.Details(
                [
                    html.Summary(f"{panel.title}: {what}"),
                    *behind,
                    html.Div(
                        id=part("table", panel.name),
                        className="table-frame",
                        tabIndex=0,
                        role="region",
                        **aria(label=f"{panel.title}: table"),
                    ),
                    html.A(DOWNLOAD, id=part("csv", panel.name), href="#", className="button", download=""),
                ],
                # A page is taken in at a glance: numbers wait until they are wanted, unless they are all there is.
                open=not panel.picture and not panel.quiet,
                className="numbers",
            )
        )
    pieces.append(html.Div(row, className="row"))
    return html.Section(pieces, className="panel lead" if near else "panel", **aria(labelledby=f"title-{name}"))


def _picture(panel: Panel, title: str) -> Any:
    """Return the place of a panel's picture."""
    return html.Div(
        dcc.Graph(
            id=part("picture", panel.name),
            figure=nothing_yet(),
            config=CONFIG,
            responsive="auto",  # the width of the page, the height of the figure
            className="picture",
        ),
        className="picture-frame",
        role="group",
        **aria(labelledby=title, describedby=written(part("caption", panel.name))),
    )


def nothing_yet() -> go.Figure:
    """Return what stands in the place of a picture until it comes, or where there is none: paper, in either look."""
    away = {"visible": False}
    clear = "rgba(0, 0, 0, 0)"
    return go.Figure(layout={"xaxis": away, "yaxis": away, "paper_bgcolor": clear, "plot_bgcolor": clear})


def help_block(panel: Panel) -> Any:
    """Return the question mark of a panel; it opens without any script."""
    panel_name: dict[str, Any] = {"data-panel": panel.name}
    return html.Details(
        [
            html.Summary([html.Span("?", className="mark", **aria(hidden="true")), f" About: {panel.title.lower()}"]),
            html.Dl(
                [
                    html.Dt("What it shows"),
                    html.Dd(panel.help.shows),
                    html.Dt("How it is computed"),
                    html.Dd(panel.help.computed),
                    # The browser fills it with what holds of this very answer.
                    html.Dd(className="of-answer", **panel_name),
                    html.Dt("Where the numbers come from"),
                    html.Dd(panel.help.source),
                ]
            ),
        ],
        className="help",
    )


def table_data(table: Table, caption: str) -> dict[str, Any]:
    """Return what the browser draws a table for people from: its first rows where it is long; the file has them all.

    assets/passim.js draws it as one piece, because a component for each cell would cost more time than all the rest.
    """
    rows = table.rows if table.shown is None else table.shown
    cells = cells_of(table.columns, rows.head(table.most_rows or MOST_ROWS))
    hidden = len(rows) - len(cells.rows)
    note = table.file_note or (f"{counted(hidden, 'more row')} in the file." if hidden else "")
    printed = len(cells.rows) if table.on_paper is None else min(table.on_paper, len(cells.rows))
    left_out = len(rows) - printed
    where = f"in the file that the page gives under “{DOWNLOAD}”" if hidden else "on the page"
    on_paper = f"{printed} of {len(rows):,} rows are printed; the other {left_out:,} are {where}." if left_out else ""
    return {
        "caption": caption,
        "headings": [column.heading for column in cells.columns],
        "numeric": [column.format.numeric for column in cells.columns],
        "rows": cells.rows,
        "note": table.empty if rows.empty else note,
        "printed": printed,
        "paper": on_paper,
        "closed": table.closed_if_empty and rows.empty,
    }


def words_cell(column: Column, words: str) -> Any:
    """Return a cell of a small table that is drawn at once."""
    return html.Td(words, className="number" if column.format.numeric else "words" if column.below else "")


def small_table(cells: Cells, caption: str) -> Any:
    """Return a table of a few rows that is drawn at once, with its caption for screen readers."""
    body = [
        html.Tr([words_cell(column, words) for column, words in zip(cells.columns, row, strict=True)])
        for row in cells.rows
    ]
    return html.Div(
        html.Table(
            [
                html.Caption(caption, className="unseen"),
                html.Thead(html.Tr([html.Th(column.heading, scope="col") for column in cells.columns])),
                html.Tbody(body),
            ],
            className="ranks",
        ),
        className="table-frame",
        tabIndex=0,
        role="region",
        **aria(label=caption),
    )


def file_path(page: Page, panel_name: str) -> str:
    """Return the path of a panel's numbers as a file."""
    return f"/csv/{page.name.lower()}/{panel_name}.csv"


def not_yet(job: Job) -> flask.Response:
    """Return the answer for a file whose numbers are still being computed: whoever wants it asks again in a second."""
    answer = flask.Response(f"Still being computed, {job.share:.0%} done: ask again.\n", 202, mimetype="text/plain")
    answer.headers["Retry-After"] = "1"
    return answer


def csv_text(table: Table, site: str) -> str:
    """Return a table as CSV: UTC with local columns beside them, and in each row the `site` where it holds for one.

    Text that a spreadsheet would run is made plain.
    """
    columns, rows = rows_of_site(*plain_rows(table.rows, table.clock), site if table.of_site else None)
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
