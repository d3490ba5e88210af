"""The application, put together: state, shell, pages, files of numbers, and the rules before it all."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Final

import flask
from dash import Dash

from passim.errors import InputError

from ..figures.theme import LIGHT
from . import shell
from .address import read_query
from .page_model import Page, Table
from .parts import csv_text
from .security import Password, Rules, protect
from .state import DashboardState, Pending

ASSETS: Final = Path(__file__).resolve().parent / "assets"
_PATIENCE_S: Final = 120.0


def make_app(
    state: DashboardState,
    *,
    hosts: Collection[str],
    password: Password | None = None,
    any_address_port: int | None = None,
    pages: Sequence[Page] | None = None,
) -> Dash:
    """Return the dashboard over a state. `hosts` are the Host headers it answers to, such as "127.0.0.1:8750".

    For `password` and `any_address_port` see `security.Rules`.
    """
    if pages is None:
        from .pages import PAGES

        pages = PAGES
    app = Dash(
        __package__,
        assets_folder=str(ASSETS),
        title="passim",
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,
        health_endpoint="health",
        index_string=shell.INDEX,
        add_log_handler=False,
    )
    app.layout = shell.layout(pages, log_out=password is not None)
    shell.install(app, state, pages)
    for page in pages:
        if page.register is not None:
            page.register(app, state)
    _serve_files(app.server, state, pages)
    rules = Rules(
        hosts=frozenset(hosts),
        paths=frozenset(page.path for page in pages),
        password=password,
        any_address_port=any_address_port,
    )
    protect(app.server, rules, app.csp_hashes())
    return app


def _serve_files(server: flask.Flask, state: DashboardState, pages: Sequence[Page]) -> None:
    by_name = {page.name.lower(): page for page in pages}

    @server.get("/csv/<page_name>/<panel_name>.csv")
    def numbers(page_name: str, panel_name: str) -> flask.Response:
        page = by_name.get(page_name)
        panel = page.panel(panel_name) if page is not None else None
        if page is None or panel is None or not panel.table:
            return flask.Response("There is no such table.\n", 404, mimetype="text/plain")
        try:
            table = _table(state, page, panel_name)
        except InputError as error:
            return flask.Response(f"{error}\n", 400, mimetype="text/plain")
        if table is None:
            return flask.Response("There is nothing to list.\n", 404, mimetype="text/plain")
        answer = flask.Response(csv_text(table), mimetype="text/csv")
        answer.headers["Content-Disposition"] = f'attachment; filename="passim-{page_name}-{panel_name}.csv"'
        return answer


def _table(state: DashboardState, page: Page, panel_name: str) -> Table | None:
    """Return the table behind a panel for the choices of the request's address; waits for work that is under way."""
    choices, _ = read_query(flask.request.query_string.decode("utf-8", "replace"))
    for _ in range(3):
        try:
            answer = page.answer(state.question(choices), LIGHT)
            shown, job = answer.panels.get(panel_name), answer.still
        except Pending as still:
            shown, job = None, still.job
        if shown is not None or job is None:
            return None if shown is None else shown.table
        job.done.wait(_PATIENCE_S)
    raise InputError("table", got="still being computed", try_next="again in a moment")
