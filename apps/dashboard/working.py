"""A line of work under way inside a page: how far it is, and a button that stops it."""

from __future__ import annotations

from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim.parallel import Job

from .parts import aria
from .state import DashboardState

_POLL_MS: Final = 400


def block(name: str) -> Any:
    """Return the line, hidden until there is work."""
    return html.Div(
        [
            dcc.Interval(id=f"{name}-poll", interval=_POLL_MS, disabled=True),
            dcc.Store(id=f"{name}-job"),
            html.Span("Working. ", id=f"{name}-said"),
            html.Progress(id=f"{name}-progress", max="1", value="0", **aria(label="Share of the work done")),
            html.Button("Stop", id=f"{name}-stop", className="button", n_clicks=0),
        ],
        id=f"{name}-working",
        hidden=True,
        className="working",
    )


def outputs(name: str) -> list[Output]:
    """Return what `at_rest` and `under_way` fill."""
    return [
        Output(f"{name}-working", "hidden"),
        Output(f"{name}-progress", "value"),
        Output(f"{name}-poll", "disabled"),
        Output(f"{name}-job", "data"),
    ]


def at_rest() -> tuple[Any, ...]:
    """Return the outputs of no work."""
    return True, "0", True, None


def under_way(job: Job) -> tuple[Any, ...]:
    """Return the outputs of a job that runs or waits."""
    return False, f"{job.share:.2f}", False, job.number


def register(app: Dash, state: DashboardState, name: str) -> None:
    """Let the button stop the job."""

    @app.callback(
        Output(f"{name}-stop", "n_clicks"),
        Input(f"{name}-stop", "n_clicks"),
        State(f"{name}-job", "data"),
        prevent_initial_call=True,
    )
    def stop(clicks: int, number: int | None) -> Any:
        if clicks and number is not None:
            state.pool.cancel(int(number))
        return no_update
