"""The limits that explain a record, from the page Measured: searched in a worker, told, and put into the workspace."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim import Span
from passim.errors import InputError
from passim.line import LineFit
from passim.workspace import changing

from ....text import fit as words
from ....text.columns import cells_of
from ....text.notes import background
from ....text.units import printable
from ....text.ways_out import in_page_words
from ....text.workspace import no_record_of_it
from ... import working
from ...address import read_query
from ...file_changes import lines_block, take_back_button, taken_back
from ...notes import notes_list
from ...page_model import Table
from ...parts import DOWNLOAD, aria, csv_text, small_table
from ...state import DashboardState, PageRequest, Pending
from ...tasks import measured as work

# With 6,000 satellites and a month of record a search takes minutes.
_DEADLINE_S: Final = 1800.0
_NAME: Final = "fit"


def section(question: PageRequest) -> list[Any]:
    """Return the place of the search, hidden until there is a record or one is made for the demonstration."""
    place = html.Section(
        [
            html.H2(words.TITLE, id="title-fit", className="panel-title"),
            html.P(words.ABOUT, className="caption"),
            html.Button(words.FIND, id="fit-go", className="button", n_clicks=0),
            dcc.Store(id="fit-request"),
            dcc.Store(id="fit-lines"),
            dcc.Download(id="fit-file"),
            working.block(_NAME),
            html.Div(id="fit-fault", role="alert"),
            html.Div(id="fit-answer", role="status"),
            html.Div(id="fit-saved", role="status"),
        ],
        id="fit-place",
        hidden=not question.state.invented and not question.workspace.journal_file.exists(),
        className="panel fitting",
        **aria(labelledby="title-fit"),
    )
    return [place]


def register(app: Dash, state: DashboardState) -> None:
    """Search, show what was found, write it, take it back."""
    from .page import asked_of

    def question_of(search: str | None) -> PageRequest:
        return state.question(read_query(search)[0])

    # The first record may come while the page is open.
    @app.callback(Output("fit-place", "hidden"), Input("offers", "data"), prevent_initial_call=True)
    def appear(_: Any) -> bool:
        return not state.invented and not state.workspace.journal_file.exists()

    # What was found holds for one record at one place.
    @app.callback(
        Output("fit-request", "data", allow_duplicate=True),
        Output("fit-answer", "children", allow_duplicate=True),
        Output("fit-fault", "children", allow_duplicate=True),
        Output("fit-saved", "children", allow_duplicate=True),
        Input("address", "search"),
        prevent_initial_call=True,
    )
    def clear(_: str | None) -> Any:
        return None, [], [], []

    @app.callback(
        Output("fit-request", "data"),
        Output("fit-fault", "children"),
        Output("fit-saved", "children"),
        Input("fit-go", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def ask(clicks: int | None, search: str | None) -> Any:
        if not clicks:
            return (no_update,) * 3
        try:
            asked = asked_of(question_of(search))
        except InputError as error:
            return None, _fault(error), []
        if asked is None:
            return None, html.P(words.NO_RECORD, className="fault"), []
        if state.workspace.stands_in(question_of(search).choices.fleet):
            return None, html.P(no_record_of_it(on_pages=True), className="fault"), []
        span = asked.compared
        times = [span.start.isoformat(), span.end.isoformat()]
        return {"number": clicks, "search": search, "source": asked.source, "times": times}, [], []

    @app.callback(
        Output("fit-answer", "children"),
        Output("fit-fault", "children", allow_duplicate=True),
        Output("fit-said", "children"),
        *working.outputs(_NAME),
        Input("fit-request", "data"),
        Input("fit-poll", "n_intervals"),
        prevent_initial_call=True,
    )
    def search(request: dict[str, Any] | None, _: Any) -> Any:
        if not request:
            return no_update, no_update, "", *working.at_rest()
        question = question_of(request["search"])
        try:
            found = found_for(question, request)
        except Pending as still:
            return [], [], words.progress_words(still.job.share), *working.under_way(still.job)
        except InputError as error:
            return [], _fault(error), "", *working.at_rest()
        return answer_of(question, found, str(request["source"])), [], "", *working.at_rest()

    @app.callback(
        Output("fit-saved", "children", allow_duplicate=True),
        Output("fit-lines", "data"),
        Output("changed", "data", allow_duplicate=True),
        Input({"fit": "show", "of": ALL}, "n_clicks"),
        Input({"fit": "write", "of": ALL}, "n_clicks"),
        State("fit-request", "data"),
        State("fit-lines", "data"),
        prevent_initial_call=True,
    )
    def keep(shows: list[int], writes: list[int], request: dict[str, Any] | None, lines: list[str] | None) -> Any:
        if not any((*shows, *writes)) or not request or not isinstance(ctx.triggered_id, dict):
            return (no_update,) * 3
        question = question_of(request["search"])
        try:
            found = found_for(question, request)
            if ctx.triggered_id["fit"] == "show":
                changes = would_change(question, found)
                return offered(changes), changes, no_update
            return written(question, found, [str(line) for line in lines or []]), None, state.now().isoformat()
        except Pending:
            return html.P(words.CHANGED_SINCE, className="fault"), None, no_update
        except InputError as error:
            return _fault(error), None, no_update

    @app.callback(
        Output("fit-file", "data"),
        Output("fit-fault", "children", allow_duplicate=True),
        Input({"fit": "csv", "of": ALL}, "n_clicks"),
        State("fit-request", "data"),
        prevent_initial_call=True,
    )
    def download(clicks: list[int], request: dict[str, Any] | None) -> Any:
        if not any(clicks) or not request:
            return no_update, no_update
        question = question_of(request["search"])
        try:
            found = found_for(question, request)
        except Pending:
            return no_update, html.P(words.CHANGED_SINCE, className="fault")
        except InputError as error:
            return no_update, _fault(error)
        text = csv_text(Table(words.fit_rows(found), words.COLUMNS), question.site.name)
        return {"content": text, "filename": "fit.csv"}, []

    @app.callback(
        Output("fit-saved", "children", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input({"fit": "take-back", "of": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def take_back(clicks: list[int]) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        try:
            return taken_back(state.workspace, str(ctx.triggered_id["of"])), state.now().isoformat()
        except InputError as error:
            return _fault(error), no_update

    working.register(app, state, _NAME)


def found_for(question: PageRequest, request: dict[str, Any]) -> LineFit:
    """Return what a record teaches. Raises Pending until it is there, InputError."""
    workspace, source = question.workspace, str(request["source"])
    start, end = (datetime.fromisoformat(str(text)) for text in request["times"])
    span = Span(start, end)
    fleet_name = workspace.fleet_settings(question.choices.fleet).name
    key = ("fit", str(workspace.folder), source, span, question.view, question.fleet_key)
    found = question.state.work_out(
        key, work.fit, workspace.folder, fleet_name, question.view, source, span, deadline_s=_DEADLINE_S
    )
    if isinstance(found, work.Unmatched):
        raise found.error
    return found


def answer_of(question: PageRequest, found: LineFit, source: str) -> Any:
    """Return the answer: what the record teaches, its numbers, what is to be known, and the button that writes it.

    Where the setup foretells the record as well there is nothing to write.
    """
    from .page import other_line

    line = other_line(question)
    first, *rest = words.fit_lines(found, question.clock(found.span), on_pages=True, line=line)
    notes = notes_list([*words.fit_notes(found), background(f"Record: {source}.")])
    pieces = [html.P(printable(first), className="answer"), *(html.P(printable(line)) for line in rest)]
    if found.evidence == "none":
        return [*pieces, *notes]
    write = html.Button(words.OFFER, id={"fit": "show", "of": "record"}, className="button", n_clicks=0)
    columns = words.PAGE_COLUMNS if line is None else words.ELSEWHERE_COLUMNS
    return [
        *pieces,
        *([write] if line is None and not words.nothing_to_change(found) else []),
        small_table(cells_of(columns, words.fit_rows(found)), words.TABLE),
        html.Button(DOWNLOAD, id={"fit": "csv", "of": "record"}, className="button", n_clicks=0),
        html.Div(notes, className="notes"),
    ]


def would_change(question: PageRequest, found: LineFit) -> list[str]:
    """Return the lines of the workspace file that would change. Raises InputError."""
    return changing.shown(question.workspace, _change(question, found))


def offered(lines: list[str]) -> Any:
    """Return the lines that would change, to be agreed to."""
    if not lines:
        return html.P(words.NOTHING_NEW)
    return [
        html.P(words.WOULD_CHANGE),
        lines_block(lines),
        html.Button(words.AGREE, id={"fit": "write", "of": "record"}, className="button strong", n_clicks=0),
    ]


def written(question: PageRequest, found: LineFit, lines: list[str]) -> Any:
    """Put what was found into the workspace, as it was shown; return what changed and how to take it back.

    Raises InputError.
    """
    changed = changing.write(question.workspace, _change(question, found), lines)
    return [html.P(words.NOW_WRITTEN, className="done"), lines_block(lines), take_back_button("fit", changed)]


def _change(question: PageRequest, found: LineFit) -> changing.Change:
    place = (question.site_name, question.spot)
    return changing.taken_from(found, question.workspace, question.view, place, words.how_words(found), question.today)


def _fault(error: InputError) -> Any:
    return html.P(in_page_words(error), className="fault")
