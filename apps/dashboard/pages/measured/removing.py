"""A record that was added, taken out of the journal on the page Measured: shown first, set aside, and brought back."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim import Journal, Span
from passim.errors import InputError, PassimError
from passim.line import OWN_PROBE
from passim.workspace import bring_back, remove_record, removed_records

from ....text import measured as words
from ....text.journal import record_in_brief
from ...address import changed, query_of, read_query
from ...parts import aria
from ...state import DashboardState, PageRequest
from ...upload import fault_line


def section(question: PageRequest) -> list[Any]:
    """Return the place where a record is removed and where those removed come back, hidden until there is a journal."""
    names = _names(question)
    return [
        html.Details(
            [
                html.Summary(html.H2(words.REMOVE_TITLE, className="panel-title")),
                html.P(words.REMOVE_WHAT, className="caption"),
                html.Div(
                    [
                        html.Button(words.REMOVE_SHOW, id="removed-show", className="button", n_clicks=0),
                        html.Button(
                            words.REMOVE_GO, id="removed-go", className="button strong", n_clicks=0, hidden=True
                        ),
                    ],
                    className="button-row",
                ),
                html.Div(id="removed-told", role="status"),
                dcc.Store(id="removed-meant"),
                html.Div(
                    [
                        html.P(words.BRING_BACK_WHICH, className="choice-label"),
                        html.Div(
                            dcc.RadioItems(id="removed-names", options=names, className="ways"),
                            role="radiogroup",
                            **aria(label=words.BRING_BACK_WHICH),
                        ),
                        html.Button(words.BRING_BACK, id="removed-back", className="button", n_clicks=0),
                    ],
                    id="removed-place",
                    hidden=not names,
                ),
            ],
            id="removed-section",
            className="trying",
            hidden=not question.workspace.journal_file.exists(),
        )
    ]


def _names(question: PageRequest) -> list[str]:
    try:
        return list(removed_records(question.workspace))
    except PassimError:  # told once one is to be removed or brought back
        return []


def chosen(question: PageRequest) -> str:
    """Return the record that the page shows. Raises InputError where there is none."""
    from .page import asked_of

    asked = asked_of(question)
    if asked is None:
        raise InputError("record to remove", got="none", wanted="one that was added")
    return asked.source


def shown(question: PageRequest, source: str) -> str:
    """Return what would be removed. Raises InputError for what is not removed, JournalError."""
    if source == OWN_PROBE:
        raise InputError("record to remove", got="that of passim's own probe", wanted="one that was added")
    with Journal(question.workspace.journal_file) as journal:
        ends = journal.bounds(source)
        if ends is None:
            raise InputError("record to remove", got=f"{source}, which holds nothing", wanted="one of some time")
        record = journal.read(Span(*ends), source)
    return words.would_remove(record_in_brief(record, question.clock(record.span)))


def register(app: Dash, state: DashboardState) -> None:
    """Show what would go, set it aside, and bring it back."""

    def question_of(search: str | None) -> PageRequest:
        return state.question(read_query(search)[0])

    # The first record may come while the page is open.
    @app.callback(Output("removed-section", "hidden"), Input("offers", "data"), prevent_initial_call=True)
    def appear(_: Any) -> bool:
        return not state.workspace.journal_file.exists()

    @app.callback(
        Output("removed-told", "children"),
        Output("removed-meant", "data"),
        Output("removed-go", "hidden"),
        Input("removed-show", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def show(clicks: int | None, search: str | None) -> Any:
        if not clicks:
            return (no_update,) * 3
        try:
            question = question_of(search)
            source = chosen(question)
            return html.P(shown(question, source)), source, False
        except PassimError as error:
            return fault_line(error), None, True

    after = [
        Output("removed-told", "children", allow_duplicate=True),
        Output("removed-go", "hidden", allow_duplicate=True),
        Output("removed-place", "hidden", allow_duplicate=True),
        Output("removed-names", "options", allow_duplicate=True),
        Output("removed-names", "value", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
    ]

    def changed_to(words_told: str, search: str | None, record: str | None) -> Any:
        names = _names(question_of(search))
        query = query_of(changed(read_query(search)[0], {"record": record, "of": None}))
        said = html.P(words_told, className="done")
        return said, True, not names, names, None, state.now().isoformat(), query

    @app.callback(
        *after,
        Input("removed-go", "n_clicks"),
        State("removed-meant", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def remove(clicks: int | None, source: Any, search: str | None) -> Any:
        if not clicks or not isinstance(source, str):
            return (no_update,) * len(after)
        try:
            name = remove_record(state.workspace, source)
        except PassimError as error:
            return fault_line(error), *(no_update,) * (len(after) - 1)
        return changed_to(words.removed(source, name), search, None)

    @app.callback(
        *after,
        Input("removed-back", "n_clicks"),
        State("removed-names", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def back(clicks: int | None, name: Any, search: str | None) -> Any:
        if not clicks:
            return (no_update,) * len(after)
        try:
            if not isinstance(name, str):
                raise InputError("record to bring back", got="none", wanted="one of those above")
            bring_back(state.workspace, name)
        except PassimError as error:
            return fault_line(error), *(no_update,) * (len(after) - 1)
        return changed_to(words.brought_back(name), search, name)
