"""The button of every page that makes a report of the place chosen: how far it is, and the file."""

from __future__ import annotations

from typing import Any, Final

import flask
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.errors import InputError

from ..text.ways_out import in_page_words
from .address import read_query
from .notes import refuse_old
from .parts import aria
from .reporter import ReportProgress
from .security import REPORTS
from .state import DashboardState, PageRequest

_POLL_MS: Final = 500


def words_of(question: PageRequest) -> list[str]:
    """Return the options by which `passim report` is asked what a page was asked. Raises InputError."""
    choices = question.choices
    words = {
        "workspace": str(question.workspace.folder.absolute()),
        "site": question.site_name,
        "spot": question.spot,
        "at": question.now.isoformat(),
        "fleet": choices.fleet,
        "mask": None if choices.mask_deg is None else f"{choices.mask_deg:g}",
        "from": None if question.day == question.today else question.days(1).start.isoformat(),
        "kind": choices.other("kind") or None,
        "minutes": choices.other("minutes") or None,
    }
    return [f"--{name}={word}" for name, word in words.items() if word is not None]


def place() -> Any:
    """Return the button that makes a report, and the line that says how far it is."""
    return html.Div(
        [
            html.Button("Make a report to print or send", id="report-make", className="button", n_clicks=0),
            html.Div(id="report-told", role="status"),
            dcc.Interval(id="report-poll", interval=_POLL_MS, disabled=True),
        ],
        className="beside",
        id="report",
    )


def register(app: Dash, state: DashboardState) -> None:
    """Let the button begin a report, tell how far it is, and hand it out."""

    from .pages import clock

    @app.callback(
        Output("report-told", "children"),
        Output("report-poll", "disabled"),
        Input("report-make", "n_clicks"),
        Input("report-poll", "n_intervals"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def tell(clicks: int | None, _: int | None, search: str | None) -> Any:
        making = state.reporter.making
        if ctx.triggered_id == "report-make":
            if not clicks:
                return no_update, no_update
            try:
                question = state.question(read_query(search)[0])
                # Told in the words of the page, before the command tells it in its own.
                refuse_old(question, clock.PAGE)
                making = state.reporter.start(words_of(question))
            except InputError as error:
                making = ReportProgress(fault=in_page_words(error))
            except OSError as error:
                making = ReportProgress(fault=f"the report cannot be begun: {error.strerror}")
        if making is None:
            return [], True
        return progress_line(making), not making.under_way

    def report(token: str) -> flask.Response:
        data = state.reporter.file(token)
        if data is None:
            return flask.Response("This report is not here any more: make it again.\n", 404, mimetype="text/plain")
        answer = flask.Response(data, mimetype="text/html")
        answer.headers["Content-Disposition"] = 'attachment; filename="passim-report.html"'
        return answer

    app.server.add_url_rule(f"{REPORTS}<token>.html", "report_file", report)


def progress_line(making: ReportProgress) -> Any:
    """Return how far a report is, why it cannot be made, or the link to it."""
    if making.fault:
        return html.P(making.fault, className="fault")
    if making.token:
        return html.A(
            "Download the report", href=f"{REPORTS}{making.token}.html", id="report-link", className="button",
            download="passim-report.html",
        )  # fmt: skip
    return [
        html.Progress(max="1", value=f"{making.share:.2f}", **aria(label="Share of the report made")),
        html.Span(f" {making.what}…", className="quiet"),
    ]
