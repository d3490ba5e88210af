"""Fresh elements, on the page Elements: where the fleet's come from, asking for them, and having it done."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim.errors import InputError, PassimError
from passim.parallel import Job
from passim.workspace import Update, Workspace, feed_state, update_in_dashboard

from ...text.feeds import SWITCHED_OFF, SWITCHED_ON, state_sentence, update_sentence
from ...text.ways_out import in_page_words
from ..address import read_query
from ..parts import aria
from ..state import DashboardState, PageRequest, Pending
from ..updater import start_update, update_of
from ..upload import UploadAttempts, Waiting, fault_line

_ON: Final = "on"
_POLL_MS: Final = 400


def fleet_with_feed(workspace: Workspace, name: str | None) -> str | None:
    """Return the name of the fleet chosen if it has a feed."""
    if not workspace.fleet_names:
        return None
    settings = workspace.fleet_settings(name)
    return settings.name if settings.feed is not None else None


def section(question: PageRequest) -> list[Any]:
    """Return the section about the feed of the fleet chosen; nothing where it has none."""
    try:
        fleet = fleet_with_feed(question.workspace, question.choices.fleet)
    except InputError:
        return []
    if fleet is None:
        return []
    return [
        html.Section(
            [
                html.H2("Fresh elements", id="feed-title"),
                html.P(state_sentence(feed_state(question.workspace, fleet), datetime.now(UTC)), id="feed-state"),
                html.Button("Fetch new elements now", id="feed-ask", className="button", n_clicks=0),
                dcc.Checklist(
                    id="feed-switch",
                    options=[{"label": "Update by itself while this dashboard runs", "value": _ON}],
                    value=[_ON] if question.workspace.settings.updates.in_dashboard else [],
                ),
                html.Div(id="feed-messages", role="status"),
                dcc.Store(id="feed-token"),
                # A slow clock, which asks again while a worker waits for an answer.
                dcc.Interval(id="feed-poll", interval=_POLL_MS, disabled=True),
            ],
            className="load",
            **aria(labelledby="feed-title"),
        )
    ]


def register(app: Dash, state: DashboardState) -> None:
    """Let a worker ask when somebody wants it, and write down whether the dashboard does so by itself."""
    asking = UploadAttempts()

    def shown(run: Any) -> Any:
        try:
            message, stands = run()
        except Waiting as waiting:
            return html.P("Asking…", className="quiet"), no_update, no_update, waiting.token, False
        except PassimError as error:
            return fault_line(error), no_update, no_update, None, True
        return html.P(message), stands, state.now().isoformat(), None, True

    @app.callback(
        Output("feed-messages", "children"),
        Output("feed-state", "children"),
        Output("changed", "data", allow_duplicate=True),
        Output("feed-token", "data"),
        Output("feed-poll", "disabled"),
        Input("feed-ask", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def ask(clicks: int | None, search: str | None) -> Any:
        if not clicks:
            return (no_update,) * 5
        return shown(lambda: asking.start(FeedRequest(state, read_query(search)[0].fleet)))

    @app.callback(
        Output("feed-messages", "children", allow_duplicate=True),
        Output("feed-state", "children", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Output("feed-token", "data", allow_duplicate=True),
        Output("feed-poll", "disabled", allow_duplicate=True),
        Input("feed-poll", "n_intervals"),
        State("feed-token", "data"),
        prevent_initial_call=True,
    )
    def ask_again(_: int | None, token: str | None) -> Any:
        return shown(lambda: asking.ask(str(token))) if token else (no_update,) * 4 + (True,)

    @app.callback(
        Output("feed-messages", "children", allow_duplicate=True),
        Input("feed-switch", "value"),
        prevent_initial_call=True,
    )
    def switch(value: list[str] | None) -> Any:
        wanted = _ON in (value or [])
        workspace = state.workspace
        if wanted == workspace.settings.updates.in_dashboard:
            return no_update
        try:
            update_in_dashboard(workspace, wanted)
        except PassimError as error:
            return fault_line(error)
        return html.P(SWITCHED_ON if wanted else SWITCHED_OFF)


class FeedRequest:
    """One asking: the first call has a worker begin it, the next says what became of it."""

    def __init__(self, state: DashboardState, fleet: str | None) -> None:
        self._state, self._chosen = state, fleet
        self._job: Job | None = None

    def __call__(self) -> tuple[str, str]:
        """Return what to say of it, and how the feed stands then. Raises Pending while at it, InputError."""
        workspace = self._state.workspace
        fleet = fleet_with_feed(workspace, self._chosen)
        if fleet is None:
            raise InputError("fleet to update", got="one without a feed", wanted="one with a feed")
        if self._job is None:
            try:
                start_update(self._state, workspace, fleet, early=True)
            except Pending as still:
                self._job = still.job
                raise
        assert self._job is not None
        update: Update = update_of(self._job)
        why = in_page_words(update.error) if update.error is not None else ""
        stands, now = feed_state(workspace, fleet), datetime.now(UTC)
        return update_sentence(fleet, stands.feed, update, now, why), state_sentence(stands, now)
