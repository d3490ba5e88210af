"""The application, put together: state, shell, pages, files of numbers, and the rules before it all."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Sequence
from pathlib import Path
from typing import Final

import flask
from dash import Dash

from passim.errors import InputError

from ..figures.theme import LIGHT
from ..text.network import gone_sentence
from ..text.ways_out import in_page_words
from . import report_button, shell
from .address import read_query
from .answer_cache import AnswerCache, share
from .faults import answer_faults
from .notes import answered
from .page_model import Page
from .parts import csv_text, not_yet
from .security import SELF_SIGNED, Password, Rules, protect
from .state import DashboardState, Pending

ASSETS: Final = Path(__file__).resolve().parent / "assets"
# Dash's own routes of what never changes while a server runs.
_LASTING: Final = (
    "/_dash-layout",
    "/_dash-dependencies",
    "/assets/<path:filename>",
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>",
)
_NUMBERS: Final = "/csv/<page_name>/<panel_name>.csv"


def make_app(
    state: DashboardState,
    *,
    hosts: Collection[str],
    password: Password | None = None,
    any_address_port: int | None = None,
    https: bool = False,
    self_signed: bool = False,
    pages: Sequence[Page] | None = None,
    command: str = "passim dashboard",
) -> Dash:
    """Return the dashboard over a state. `hosts` are the Host headers it answers to, such as "127.0.0.1:8750".

    For `password`, `any_address_port` and `https` see `security.Rules`; `self_signed` is told where programs that ask
    unattended would refuse such a certificate, and `command`, which started it, where the server is gone.
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
    app.server.config[SELF_SIGNED] = self_signed
    gone = gone_sentence(command, password=password is not None, invented=state.invented)
    app.layout = shell.layout(pages, gone, log_out=password is not None)
    shell.install(app, state, pages)
    for page in pages:
        if page.register is not None:
            page.register(app, state)
    report_button.register(app, state)
    _serve_files(app.server, state, pages)
    _keep_answers(app, state, pages)
    rules = Rules(
        hosts=frozenset(hosts),
        paths=frozenset(page.path for page in pages),
        password=password,
        any_address_port=any_address_port,
        https=https,
    )
    answer_faults(app.server)
    protect(app.server, rules, app.csp_hashes())
    return app


def _serve_files(server: flask.Flask, state: DashboardState, pages: Sequence[Page]) -> None:
    by_name = {page.name.lower(): page for page in pages}

    @server.get(_NUMBERS)
    def numbers(page_name: str, panel_name: str) -> flask.Response:
        page = by_name.get(page_name)
        panel = page.panel(panel_name) if page is not None else None
        if page is None or panel is None or not panel.table:
            return flask.Response("There is no such table.\n", 404, mimetype="text/plain")
        choices, _ = read_query(_query())
        question = state.question(choices)
        try:
            found = answered(question, page, LIGHT)
        except Pending as still:
            return not_yet(still.job)
        except InputError as error:
            return flask.Response(f"{in_page_words(error)}\n", 400, mimetype="text/plain")
        shown = found.panels.get(panel_name)
        if (shown is None or shown.table is None) and found.still is not None:
            return not_yet(found.still)
        if shown is None or shown.table is None:
            return flask.Response("There is nothing to list.\n", 404, mimetype="text/plain")
        if found.still is None:
            share()
        answer = flask.Response(csv_text(shown.table, question.site.name), mimetype="text/csv")
        answer.headers["Content-Disposition"] = f'attachment; filename="passim-{page_name}-{panel_name}.csv"'
        return answer


def _keep_answers(app: Dash, state: DashboardState, pages: Sequence[Page]) -> None:
    """Keep what many ask: what never changes while the server runs, and answers for as long as they are true."""
    by_name = {page.name.lower(): page for page in pages}
    server, cache = app.server, AnswerCache()

    def of_numbers() -> Hashable | None:
        page = by_name.get((flask.request.view_args or {}).get("page_name", ""))
        key = None if page is None else shell.answer_key(state, page, _query())
        return None if key is None else (flask.request.path, key)

    for rule in _LASTING:
        cache.keep(server, rule)
    cache.keep(server, _NUMBERS, of_numbers)
    cache.keep(server, "/_dash-update-component", lambda: shell.request_key(state, pages, flask.request.get_json()))


def _query() -> str:
    return flask.request.query_string.decode("utf-8", "replace")
