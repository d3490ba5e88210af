"""The calendar address of the Calls page: suggested calls that a calendar program asks for again and again.

The address carries a key of the workspace instead of a password, so that a calendar program can ask unattended. It
reads suggested calls and nothing else, and answers nobody once the key is withdrawn.
"""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any, Final

import flask
from dash import Dash, Input, Output, State, ctx, html

from passim.answers.calls import calendar_out
from passim.errors import InputError, WorkspaceError
from passim.workspace import calendar_address

from ....text.calendar import (
    SUBSCRIPTION_WORDS,
    calendar_name,
    calendar_question,
    calendar_windows,
    left_out_of_subscription,
)
from ....text.network import UNTRUSTED_CALENDAR
from ....text.ways_out import in_page_words
from ....text.workspace import INVENTED_TIMES
from ...address import Choices, changed, query_of, read_query
from ...notes import refuse_old
from ...parts import aria
from ...security import CALENDARS, SELF_SIGNED
from ...state import DashboardState, PageRequest, Pending
from . import request as call_request, uploads as uploads

# A calendar program does not ask again in a second, so it is kept waiting for about as long as it would wait.
_ANSWER_WITHIN_S: Final = 25.0
_ASK_AGAIN_S: Final = 60


def place(_: PageRequest) -> Any:
    """Return the place of the address; callbacks fill it."""
    return html.Details(
        [
            html.Summary("Subscribe from your calendar"),
            html.Div(id="calls-address", role="status"),
            html.Div(
                [
                    html.Button("Make an address", id="calls-address-new", className="button", n_clicks=0),
                    html.Button(
                        "Withdraw it", id="calls-address-withdraw", className="button", n_clicks=0, hidden=True
                    ),
                ],
                className="beside",
            ),
            html.P(SUBSCRIPTION_WORDS, className="quiet"),
        ],
        className="numbers",
    )


def subscribed(choices: Choices) -> Choices:
    """Return the choices as a calendar address carries them: days move on, and uploads are of one browser alone."""
    return replace(changed(choices, dict.fromkeys((uploads.BUSY, uploads.CHECK))), day=None)


def times_are_invented(question: PageRequest) -> bool:
    """Say whether the calls suggested go by an invented fleet in somebody's own workspace."""
    try:
        return not question.workspace.missing and question.workspace.stands_in(question.choices.fleet)
    except WorkspaceError:
        return False  # a fleet that is not there: the page itself says so


def register(app: Dash, state: DashboardState) -> None:
    """Serve the calendar to whoever has the key, and let the page make and withdraw it."""

    @app.callback(
        Output("calls-address", "children"),
        Output("calls-address-new", "children"),
        Output("calls-address-withdraw", "hidden"),
        Input("calls-address-new", "n_clicks"),
        Input("calls-address-withdraw", "n_clicks"),
        Input("address", "search"),
        State("shown", "data"),
    )
    def tell(made: int | None, withdrawn: int | None, search: str | None, _: Any) -> Any:
        fault = ""
        try:
            if ctx.triggered_id == "calls-address-new" and made:
                calendar_address.new_calendar_key(state.workspace)
            elif ctx.triggered_id == "calls-address-withdraw" and withdrawn:
                calendar_address.withdraw_calendar_key(state.workspace)
        except WorkspaceError as error:
            fault = in_page_words(error)
        key = calendar_address.calendar_key(state.workspace)
        lines: list[Any] = [html.P(fault, className="fault")] if fault else []
        choices, _ = read_query(search)
        if times_are_invented(state.question(choices)):
            lines.append(html.P(INVENTED_TIMES))
        if key is not None:
            where = f"{flask.request.host_url.rstrip('/')}{CALENDARS}{key}.ics{query_of(subscribed(choices))}"
            lines.append(html.Code(where, id="calls-address-text", tabIndex=0, **aria(label="Calendar address")))
            lost = left_out_of_subscription(bool(uploads.keys_of(choices, uploads.BUSY)), choices.day is not None)
            if lost:
                lines.append(html.P(lost, className="quiet"))
            if flask.current_app.config.get(SELF_SIGNED):
                lines.append(html.P(UNTRUSTED_CALENDAR, className="quiet"))
        return lines, "Make a new one" if key else "Make an address", key is None

    def calendar(key: str) -> flask.Response:
        if not calendar_address.is_calendar_key(state.workspace, key):
            return _plain_text(404, "This calendar address does not hold, or not any more.")
        choices, faults = read_query(flask.request.query_string.decode("utf-8", "replace"))
        if faults:
            return _plain_text(400, " ".join(faults))
        until_s = time.monotonic() + _ANSWER_WITHIN_S
        while True:
            try:
                return _answer(state, subscribed(choices))
            except Pending as still:
                if not still.job.done.wait(max(until_s - time.monotonic(), 0.0)):
                    return _plain_text(503, "Still being computed: ask again in a minute.")
            except InputError as error:
                # What cannot be told now may be told later, such as with newer elements: calendars keep what they have.
                return _plain_text(503, in_page_words(error))

    app.server.add_url_rule(f"{CALENDARS}<key>.ics", "calls_calendar", calendar)


def _answer(state: DashboardState, choices: Choices) -> flask.Response:
    """Return the calendar. Raises Pending, InputError."""
    from .page import PAGE

    question = state.question(choices)
    refuse_old(question, PAGE)
    request, site_name = call_request.request_of(question), question.site.name
    if call_request.no_start_words(question, request):
        windows, asked = [], f"{site_name}|{request.kind.name}|{request.minutes}"
    else:
        plan = call_request.plan_of(question, request)
        windows, asked = calendar_windows(plan, site_name), calendar_question(plan, site_name)
    data = calendar_out.calendar_bytes(
        windows, asked, question.now, calendar_out.Subscription(calendar_name(site_name), flask.request.url)
    )
    return flask.Response(data, mimetype="text/calendar")


def _plain_text(status: int, words: str) -> flask.Response:
    answer = flask.Response(f"{words}\n", status, mimetype="text/plain")
    if status == 503:
        answer.headers["Retry-After"] = str(_ASK_AGAIN_S)
    return answer
