"""Recording from the page Measured: what the line does just now, and the switch that starts and stops a probe."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final
from urllib.parse import quote

from dash import Dash, Input, Output, dcc, html, no_update

from passim import Journal, Span
from passim.errors import PassimError
from passim.line import OWN_PROBE, parse_targets

from ....text.measured import (
    CHANGE_TARGETS,
    MORE_TARGETS,
    NAME_TARGETS,
    NO_TARGETS,
    REHEARSAL,
    STARTED,
    STOPPED,
    SWITCH_LABEL,
    asks_sentence,
    live_sentence,
)
from ....text.setup import HOSTS_WANTED
from ....text.units import LocalClock
from ....text.ways_out import in_page_words
from ...address import changed, query_of
from ...parts import aria
from ...state import DashboardState, PageRequest
from ...upload import fault_line

_ON: Final = "on"
_LOOK_MS: Final = 2000
_HOUR: Final = timedelta(hours=1)


def section(question: PageRequest) -> Any:
    """Return what the line does just now, and the switch; where no targets are named, how to name them."""
    state, line = question.state, question.workspace.line
    if state.rehearsal:
        pieces: list[Any] = [html.P(REHEARSAL, className="quiet")]
    elif not line.targets:
        pieces = [html.P(NO_TARGETS, className="quiet"), _to_setup(question, NAME_TARGETS, "new-target")]
    else:
        pieces = [
            html.P(live_words(state), id="measured-live"),
            dcc.Checklist(
                id="measured-switch",
                options=[{"label": SWITCH_LABEL, "value": _ON}],
                value=[_ON] if state.recorder.running else [],
            ),
            html.P(asks_sentence(parse_targets(line.targets), line.every_s), className="quiet"),
            _targets_link(question),
            html.Div(id="measured-told", role="status"),
            dcc.Interval(id="measured-look", interval=_LOOK_MS),
        ]
    return html.Section(
        [html.H2("Recording", id="measured-recording"), *pieces],
        className="load recording",
        **aria(labelledby="measured-recording"),
    )


def _targets_link(question: PageRequest) -> Any:
    """Return the link to the hosts asked: to one more while too few tell places apart, else to the first."""
    targets = parse_targets(question.workspace.line.targets)
    if len(targets) < HOSTS_WANTED:
        return _to_setup(question, MORE_TARGETS, "new-target")
    return _to_setup(question, CHANGE_TARGETS, f"target:{quote(targets[0].name, safe='')}")


def _to_setup(question: PageRequest, label: str, item: str) -> Any:
    """Return the link to where targets are named."""
    query = query_of(changed(question.choices, {"edit": item}))
    return html.P(html.A(label, href=f"/setup{query}", className="setup-link"))


def register(app: Dash, state: DashboardState) -> None:
    """Start and stop the probe, and say every other second what the line does."""

    @app.callback(
        Output("measured-told", "children"),
        Output("changed", "data", allow_duplicate=True),
        Input("measured-switch", "value"),
        prevent_initial_call=True,
    )
    def switch(value: list[str] | None) -> Any:
        wanted = _ON in (value or [])
        if wanted == state.recorder.running:
            return no_update, no_update
        try:
            message = switched(state, wanted)
        except PassimError as error:
            return fault_line(error), no_update
        return html.P(message), state.now().isoformat()

    @app.callback(
        Output("measured-live", "children"),
        Output("measured-switch", "value"),
        Output("measured-told", "children", allow_duplicate=True),
        Input("measured-look", "n_intervals"),
        prevent_initial_call=True,
    )
    def look(_: int | None) -> Any:
        # A probe that ended by itself is told once, and the switch goes back; else it is the user's alone to move.
        fault = state.recorder.take_fault()
        moved = ([], html.P(fault, className="fault")) if fault else (no_update, no_update)
        return (live_words(state), *moved)


def switched(state: DashboardState, wanted: bool) -> str:
    """Start or stop the probe, and return what to say of that. Raises OSError where no process can be begun."""
    if not wanted:
        state.recorder.stop()
        return STOPPED
    state.recorder.start(state.workspace)
    return STARTED


def live_words(state: DashboardState) -> str:
    """Return what the line does just now, as the journal has it."""
    workspace, now = state.workspace, datetime.now(UTC)
    running = state.recorder.running
    span, record = Span(now - _HOUR, now), None
    clock = LocalClock(workspace.site().timezone if workspace.site_names else "UTC", span)
    if workspace.journal_file.exists():
        try:
            with Journal(workspace.journal_file) as journal:
                record = journal.read(span) if OWN_PROBE in journal.sources else None
        except PassimError as error:
            return in_page_words(error)
    return live_sentence(record, now, clock, running=running)
