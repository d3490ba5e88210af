"""Recording from the page Measured: what the line does just now, and the switch that starts and stops a probe."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import reduce
from typing import Any, Final
from urllib.parse import quote

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim import Journal, Span
from passim.errors import PassimError
from passim.line import OWN_PROBE, machines_here, parse_targets
from passim.workspace import changing

from ....text.measured import (
    CHANGE_TARGETS,
    MORE_TARGETS,
    NAME_OFFERED,
    NAME_OTHERS,
    NAME_TARGETS,
    NO_TARGETS,
    REHEARSAL,
    STARTED,
    STOPPED,
    SWITCH_LABEL,
    asks_sentence,
    live_sentence,
    offered_sentence,
)
from ....text.setup import HOSTS_WANTED, WOULD, SuggestedTarget, offered_targets, suggested_targets
from ....text.units import LocalClock
from ....text.ways_out import in_page_words
from ...address import changed, query_of, read_query
from ...file_changes import lines_block
from ...parts import aria
from ...state import DashboardState, PageRequest
from ...upload import fault_line

_NAME: Final = "measured-name"
_ON: Final = "on"
_LOOK_MS: Final = 2000
_HOUR: Final = timedelta(hours=1)


def section(question: PageRequest) -> Any:
    """Return what the line does just now, and the switch; where no targets are named, how to name them."""
    return html.Section(
        [html.H2("Recording", id="measured-recording"), html.Div(_pieces(question), id="measured-place")],
        className=f"load recording{'' if question.workspace.journal_file.exists() else ' begin'}",
        **aria(labelledby="measured-recording"),
    )


def _pieces(question: PageRequest) -> list[Any]:
    """Return what stands in the section."""
    state, line = question.state, question.workspace.line
    if state.rehearsal:
        pieces: list[Any] = [html.P(REHEARSAL, className="quiet")]
    elif not line.targets and not (offered := offered_here()):
        pieces = [html.P(NO_TARGETS, className="quiet"), _to_setup(question, NAME_TARGETS, "new-target")]
    elif not line.targets:
        lines = changing.shown(question.workspace, _naming(offered))
        pieces = [
            html.P(offered_sentence([(each.name, each.address) for each in offered])),
            html.Button(NAME_OFFERED, id=_NAME, className="button strong", n_clicks=0),
            html.Details([html.Summary(WOULD), lines_block(lines)]),
            _to_setup(question, NAME_OTHERS, "new-target"),
            dcc.Store(id=f"{_NAME}-lines", data=lines),
        ]
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
    return pieces


def offered_here() -> list[SuggestedTarget]:
    """Return the hosts that this machine's settings name, to be named by one button; empty where they name none."""
    return offered_targets(suggested_targets(machines_here()))


def name_offered(state: DashboardState, lines: Sequence[str]) -> None:
    """Name the hosts offered, by the `lines` that were shown. Raises WorkspaceError where others would be written."""
    changing.write(state.workspace, _naming(offered_here()), lines)


def _naming(offered: Sequence[SuggestedTarget]) -> changing.Change:
    """Return the change that names hosts, the nearest first."""
    targets = parse_targets([f"{each.name}={each.method}:{each.address}" for each in offered])
    puts = [changing.put_target(target, place) for place, target in enumerate(targets, 1)]
    return lambda text: reduce(lambda so_far, put: put(so_far), puts, text)


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
        Output("measured-place", "children"),
        Output("changed", "data", allow_duplicate=True),
        Input(_NAME, "n_clicks"),
        State(f"{_NAME}-lines", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def name(clicks: int | None, lines: list[str], search: str | None) -> Any:
        if not clicks:
            return no_update, no_update
        try:
            name_offered(state, lines)
        except PassimError as error:
            return fault_line(error), no_update
        return _pieces(state.question(read_query(search)[0])), state.now().isoformat()

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
