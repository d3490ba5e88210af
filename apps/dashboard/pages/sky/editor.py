"""The roof line, or another horizon: typed or read from a file; the gaps before and after; kept on request.

What is typed is a draft (`sky_draft`), kept by the browser for each spot, so that neither a reload nor a restart of
the server loses it. The browser draws its fields (assets/sky.js) from what `sky_fields` says of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import plotly.graph_objects as go
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim import Horizon
from passim.errors import InputError, SiteError
from passim.workspace import horizons

from ....figures.horizon_change import horizon_change
from ....figures.theme import CONFIG, LIGHT, THEMES
from ....text.mounting import MOUNTING_CAUTIONS, survey_sentences
from ....text.pages import DRAW_ROOF_LINE
from ....text.sky import change_sentence, horizon_words
from ....text.ways_out import in_page_words
from ... import working
from ...address import changed, place_value, query_of, read_query
from ...file_changes import lines_block, take_back_button, taken_back
from ...parts import aria
from ...state import DashboardState, PageRequest, Pending
from ...upload import bytes_of
from . import draft as sky_draft, fields as sky_fields

# Shut it takes no room; it is not taken out of the page, where a picture would find no width to fill.
_SHUT, _OPEN = "trial-frame shut", "trial-frame"
_UNTOUCHED: Final = (
    "Change an elevation here, and the gaps before and after appear below. Nothing is kept until you keep it."
)
# What the editor is for: where nobody has entered the roof line yet, that comes first.
_ENTER: Final = "Enter your roof line"
_ANOTHER: Final = "Try another horizon"
_ENTER_HOW: Final = (
    "How high do roofs, walls, trees and hills stand, and where? Elevations are degrees above the horizon, azimuths "
    "degrees clockwise from north. Then keep it for this spot."
)
_ANOTHER_HOW: Final = (
    "What if a tree were gone, or the terminal were elsewhere? Elevations are degrees above the horizon, azimuths "
    "degrees clockwise from north."
)


def block(question: PageRequest) -> Any:
    """Return the place of the editor; callbacks fill its fields."""
    return html.Details(
        [
            html.Summary(html.H2(_title(question), id="title-horizon", className="panel-title")),
            # A link to it opens what it stands in.
            html.P(_how(question), id="horizon", className="caption"),
            html.P(" ".join(MOUNTING_CAUTIONS), className="beware"),
            dcc.Store(id="drafts", storage_type="local"),
            dcc.Store(id="horizon-given", data=_given(question)),
            dcc.Store(id="horizon-read"),
            html.Div(
                [
                    html.Div(
                        [
                            html.Div(id="horizon-fields"),
                            sky_fields.file_place(),
                            html.Div(id="horizon-file-fault", role="alert"),
                        ],
                        id="trial-fields",
                        className="trial-fields",
                    ),
                    html.Div(
                        [
                            html.Div(id="trial-fault", role="alert"),
                            html.P(_UNTOUCHED, id="trial-sentence", className="answer", role="status"),
                        ],
                        className="trial-answer",
                    ),
                    html.Div(
                        [
                            working.block("trial"),
                            html.Div(
                                dcc.Graph(
                                    id="trial-picture",
                                    figure=go.Figure(),
                                    config=CONFIG,
                                    responsive="auto",
                                    className="picture",
                                ),
                                id="trial-frame",
                                className=_SHUT,
                                role="group",
                                **aria(label="Horizon and gaps, before and after", describedby="trial-sentence"),
                            ),
                            html.P(id="trial-notes", className="quiet"),
                            html.Div(
                                [
                                    html.Button(
                                        "Keep for this spot",
                                        id="trial-save",
                                        className="button strong",
                                        n_clicks=0,
                                    ),
                                    html.Button("Start again", id="trial-drop", className="button", n_clicks=0),
                                ],
                                id="trial-buttons",
                                hidden=True,
                                className="button-row",
                            ),
                            html.Div(id="trial-offer", role="status"),
                            html.Div(id="trial-saved", role="status"),
                        ],
                        className="trial-picture",
                    ),
                ],
                className="trial",
            ),
        ],
        id="trying-horizon",
        open=is_open(question),
        className="trying",
        role="group",
        **aria(labelledby="title-horizon"),
    )


def register(app: Dash, state: DashboardState) -> None:
    """Take what is typed, show what it changes, save it."""

    def request_of(search: str | None) -> PageRequest:
        return state.question(read_query(search)[0])

    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("sky", "fields"),
        Output("trial-fields", "className"),
        Input("horizon-given", "data"),
        Input("drafts", "data"),
    )
    in_browser(
        ClientsideFunction("sky", "dropped"),
        Output("drafts", "data", allow_duplicate=True),
        Input("trial-drop", "n_clicks"),
        State("horizon-given", "data"),
        State("drafts", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("horizon-given", "data"),
        Output("title-horizon", "children"),
        Output("horizon", "children"),
        Output("further-horizon", "children"),
        Output("trying-horizon", "open"),
        Input("sky-spot", "data"),
        Input("changed", "data"),
        State("horizon-given", "data"),
        prevent_initial_call=True,
    )
    def give(search: str | None, _: Any, known: Any) -> Any:
        question = request_of(search)
        new = _given(question)
        if new is None or new == known:
            return (no_update,) * 5
        # One that somebody has opened stays open.
        opened = True if is_open(question) else no_update
        return new, _title(question), _how(question), way_here(question), opened

    in_browser(
        ClientsideFunction("sky", "loaded"),
        Output("drafts", "data", allow_duplicate=True),
        Input("horizon-read", "data"),
        State("drafts", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("horizon-read", "data"),
        Output("horizon-file-fault", "children"),
        Output("horizon-file", "contents"),
        Input("horizon-file", "contents"),
        State("horizon-file", "filename"),
        State("drafts", "data"),
        State("sky-spot", "data"),
        prevent_initial_call=True,
    )
    def take(contents: str | None, file_name: str | None, drafts: Any, search: str | None) -> Any:
        if not contents:
            return no_update, no_update, no_update
        question, name = request_of(search), str(file_name)
        try:
            draft = _draft_of(question, drafts) or sky_draft.start(_own(question))
            new = sky_draft.with_file(draft, name, bytes_of(name, contents, sky_fields.LARGEST_FILE_BYTES))
        except InputError as error:
            # The old state stays, and the same file can be handed in again.
            return no_update, _fault(error), None
        return {"place": _place(question), "draft": new}, [], None

    @app.callback(
        Output("trial-fault", "children"),
        Output("trial-sentence", "children"),
        Output("trial-picture", "figure"),
        Output("trial-frame", "className"),
        Output("trial-notes", "children"),
        Output("trial-buttons", "hidden"),
        Output("trial-save", "disabled"),
        Output("trial-offer", "children"),
        *working.outputs("trial"),
        Input("drafts", "data"),
        Input("sky-spot", "data"),
        Input("changed", "data"),
        Input("scheme", "data"),
        Input("trial-poll", "n_intervals"),
    )
    def show(drafts: Any, search: str | None, _: Any, scheme: str | None, __: Any) -> Any:
        question = request_of(search)
        same = (no_update,) * 4
        # What is offered stands until another horizon is typed, or another place chosen.
        stands: Any = no_update if {*ctx.triggered_prop_ids.values()}.isdisjoint({"drafts", "sky-spot"}) else []
        try:
            draft = _draft_of(question, drafts)
            fresh = sky_draft.start(_own(question))
            if draft is None or draft == {**fresh, "way": sky_draft.POINTS}:
                # To look at the points that there are is no change.
                waiting = sky_draft.waits_for(draft or fresh)
                return [], waiting or _UNTOUCHED, no_update, _SHUT, "", True, True, stands, *working.at_rest()
            waiting = sky_draft.waits_for(draft)
            if waiting:
                return [], waiting, no_update, _SHUT, "", False, True, stands, *working.at_rest()
            survey = sky_draft.survey_of(draft)
            span = question.days(1)
            before = question.seen(span)
            own = _own(question)
            after = question.seen(span, replace(own, site=replace(own.site, horizon=survey.horizon)))
        except Pending as still:
            return [], *same, False, True, stands, *working.under_way(still.job)
        except InputError as error:
            # What was shown for the last sound draft stays beside the line that says what is wrong.
            return _fault(error), *same, False, True, stands, *working.at_rest()
        clock = question.clock(span)
        figure = horizon_change(
            (question.site.horizon, before.coverage),
            (survey.horizon, after.coverage),
            clock,
            THEMES.get(scheme or "", LIGHT),
        )
        notes = [
            f"This horizon: {horizon_words(survey.horizon)}"
            f"{', joined by straight lines' if draft['way'] == sky_draft.POINTS else ''}.",
            *survey_sentences(survey),
            *_floor_note(question, survey.horizon),
        ]
        return (
            [],
            change_sentence(before.coverage, after.coverage, clock.day(span.start)),
            figure,
            _OPEN,
            " ".join(notes),
            False,
            False,
            stands,
            *working.at_rest(),
        )

    @app.callback(
        Output("trial-offer", "children", allow_duplicate=True),
        Output("trial-saved", "children", allow_duplicate=True),
        Input("trial-save", "n_clicks"),
        State("drafts", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def offer(clicks: int, drafts: Any, search: str | None) -> Any:
        if not clicks:
            return no_update, no_update
        question = request_of(search)
        try:
            horizon = _drafted(question, drafts)
            lines = horizons.would_keep(question.workspace, question.site_name, question.spot, horizon)
        except InputError as error:
            return _fault(error), []
        told = f"Keeping this roof line for {question.site_name}, {question.spot} changes these lines of the workspace "
        return [
            html.P(f"{told}file (- removed, + added):"),
            lines_block(lines),
            html.Button("Write these lines", id={"trial": "write"}, className="button strong", n_clicks=0),
        ], []

    @app.callback(
        Output("trial-saved", "children"),
        Output("drafts", "data", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input({"trial": "write"}, "n_clicks"),
        State("drafts", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def save(clicks: int, drafts: Any, search: str | None) -> Any:
        if not clicks:
            return no_update, no_update, no_update, no_update
        question = request_of(search)
        try:
            before = question.workspace.text
            horizon = _drafted(question, drafts)
            saved = horizons.keep_horizon(question.workspace, question.site_name, question.spot, horizon)
            lines = saved.workspace.changes_since(before)
        except InputError as error:
            return _fault(error), no_update, no_update, no_update
        message = (
            f"Kept: {question.site_name}, {question.spot} has this roof line, in {saved.file_name} of the workspace."
        )
        if saved.before_name is not None:
            message += f" The one before stays in {saved.before_name}."
        left = _without(drafts, _place(question))
        # A mask in the address would hide the horizon just kept.
        query = query_of(changed(question.choices, {"mask": None}))
        told = [html.P(message, className="done"), lines_block(lines), take_back_button("trial", saved.workspace)]
        return told, left, query, state.now().isoformat()

    @app.callback(
        Output("trial-saved", "children", allow_duplicate=True),
        Output("drafts", "data", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input({"trial": "take-back", "of": ALL}, "n_clicks"),
        State("drafts", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def take_back(clicks: list[int], drafts: Any, search: str | None) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update, no_update
        question = request_of(search)
        try:
            # What was kept becomes a draft again: nothing that was typed is lost.
            retyped = {_place(question): sky_draft.start(_own(question)), **(drafts or {})}
            message = taken_back(question.workspace, str(ctx.triggered_id["of"]))
        except InputError as error:
            return _fault(error), no_update, no_update
        return message, retyped, state.now().isoformat()

    def _drafted(question: PageRequest, drafts: Any) -> Horizon:
        """Return the horizon that is typed for the spot. Raises SiteError."""
        draft = _draft_of(question, drafts)
        if draft is None:
            raise SiteError("horizon", got="nothing changed", wanted="a change", try_next="another elevation")
        return sky_draft.survey_of(draft).horizon

    working.register(app, state, "trial")


def is_open(question: PageRequest) -> bool:
    """Say whether the roof line of the spot is still to be entered, so that the editor stands open."""
    try:
        return question.workspace.horizon_unknown(question.site_name, question.spot)
    except InputError:
        # The page itself says what is the matter.
        return False


def way_here(question: PageRequest) -> str:
    """Return the words of the link that leads to the editor."""
    return DRAW_ROOF_LINE if is_open(question) else _ANOTHER


def _title(question: PageRequest) -> str:
    return _ENTER if is_open(question) else _ANOTHER


def _how(question: PageRequest) -> str:
    return _ENTER_HOW if is_open(question) else _ANOTHER_HOW


def _given(question: PageRequest) -> dict[str, Any] | None:
    """Return what the fields of a spot are drawn from; None where the address names none."""
    try:
        return sky_fields.given(_place(question), sky_draft.start(_own(question)))
    except InputError:
        # The page itself says what is the matter.
        return None


def _place(question: PageRequest) -> str:
    return place_value(question.site_name, question.spot)


def _without(drafts: Any, place: str) -> dict[str, Any]:
    return {key: value for key, value in (drafts or {}).items() if key != place}


def _own(question: PageRequest) -> Any:
    """Return the view of the spot under its own horizon, whatever mask is chosen."""
    return question.workspace.view(question.site_name, question.spot)


def _draft_of(question: PageRequest, drafts: Any) -> sky_draft.Draft | None:
    return sky_draft.sound((drafts or {}).get(_place(question)))


def _floor_note(question: PageRequest, horizon: Any) -> list[str]:
    """Return what to say where a horizon reaches below what the terminal has used so far."""
    view = _own(question)
    if view.lowest_elevation_deg is not None or horizon.lowest_deg >= view.floor_deg:
        return []
    return [
        f"It dips below {view.floor_deg:g}°: satellites count there too, unless the workspace says how low the "
        "terminal works (lowest_elevation_deg)."
    ]


def _fault(error: InputError) -> Any:
    return html.P(in_page_words(error), className="fault")
