"""Try another horizon: typed by points or obstacles, or read from a file; the gaps before and after; kept on request.

What is typed is a draft (`sky_draft`), kept by the browser for each spot, so that neither a reload nor a restart of
the server loses it. Fields (`sky_fields`) carry the mark of the draft they were drawn from: what comes from the fields
of another draft is not taken for this one.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import secrets
from dataclasses import replace
from typing import Any, Final

import plotly.graph_objects as go
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.answers import mounting
from passim.errors import InputError, SiteError
from passim.workspace import horizons

from ...figures.horizon_change import horizon_change
from ...figures.theme import CONFIG, LIGHT, THEMES
from ...sky_words import change_sentence, horizon_words
from ..address import changed, query_of, read_query
from ..desk import Desk, Question, StillWorking
from ..parts import aria
from . import sky_draft, sky_fields, sky_working

_PLACES_KEPT: Final = 50
# Shut it takes no room; it is not taken out of the page, where a picture would find no width to fill.
_SHUT, _OPEN = "trial-frame shut", "trial-frame"
_UNTOUCHED: Final = (
    "Change a height here, and the gaps before and after stand below. Nothing is saved until you say so."
)


def block(_: Question) -> Any:
    """Return the place of the editor; callbacks fill its fields."""
    return html.Section(
        [
            html.H2("Try another horizon", id="horizon", className="panel-title"),
            html.P(
                "What if a tree were gone, or the terminal stood elsewhere? Heights are degrees above the horizontal, "
                "azimuths degrees clockwise from north.",
                className="caption",
            ),
            html.P(" ".join(mounting.MOUNTING_CAUTIONS), className="beware"),
            dcc.Store(id="drafts", storage_type="local"),
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
                            sky_working.block("trial"),
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
                                        "Save as the spot's horizon",
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
                            html.Div(id="trial-saved", role="status"),
                        ],
                        className="trial-picture",
                    ),
                ],
                className="trial",
            ),
        ],
        className="panel",
        **aria(labelledby="horizon"),
    )


def register(app: Dash, desk: Desk) -> None:
    """Take what is typed, show what it changes, save it."""

    def asked(search: str | None) -> Question:
        return desk.question(read_query(search)[0])

    @app.callback(
        Output("drafts", "data"),
        Output("horizon-fields", "children"),
        Output("trial-fields", "className"),
        Output("horizon-file-fault", "children"),
        Output("horizon-file", "contents"),
        Input("address", "search"),
        Input("changed", "data"),
        Input("shown", "data"),
        Input("drafts", "modification_timestamp"),
        Input("trial-drop", "n_clicks"),
        Input(sky_fields.field_id(ALL, ALL, ALL, ALL), "value"),
        Input(sky_fields.button_id(ALL, ALL, ALL, ALL), "n_clicks"),
        Input("horizon-file", "contents"),
        State("horizon-file", "filename"),
        State("drafts", "data"),
    )
    def edit(search: str | None, *given: Any) -> Any:
        *_, values, clicks, contents, file_name, drafts = given
        nothing = (no_update,) * 5
        question = asked(search)
        try:
            place, own = f"{question.site_name}/{question.spot}", sky_draft.start(_own(question))
        except InputError:
            # The page itself says what is the matter.
            return nothing
        drafts = drafts if isinstance(drafts, dict) else {}
        draft = sky_draft.sound(drafts.get(place))
        origin = _origin(place, own)
        mark = str(drafts[place].get("mark")) if draft is not None else ""
        ids = [entry["id"] for entry in ctx.inputs_list[5]]
        drawn = ids[0]["mark"] if ids else ""
        # Whether the fields on the page are those of this draft, or of the untouched horizon.
        is_drawn = drawn == mark if draft is not None else drawn.startswith(origin)
        current = own if draft is None else draft

        def store(new: sky_draft.Draft, new_mark: str) -> dict[str, Any]:
            kept = {key: value for key, value in drafts.items() if key != place}
            kept[place] = {**new, "mark": new_mark}
            return dict(list(kept.items())[-_PLACES_KEPT:])

        def drawn_anew(new: sky_draft.Draft, new_mark: str, stored: Any) -> Any:
            return stored, sky_fields.fields(new, new_mark), _shown_way(new), [], None

        trigger = ctx.triggered_id
        fresh = f"{origin}{secrets.token_hex(4)}"
        if trigger == "trial-drop":
            left = {key: value for key, value in drafts.items() if key != place}
            return drawn_anew(own, fresh, left)
        if not is_drawn:
            return drawn_anew(current, mark or fresh, no_update)
        typed = sky_fields.typed(current, ids, values)
        if trigger == "horizon-file" and contents:
            try:
                new = sky_draft.with_file(typed, str(file_name), _bytes_of(str(file_name), contents))
            except InputError as error:
                # The old state stays, and the same file can be handed in again.
                return no_update, no_update, no_update, _fault(error), None
            return drawn_anew(new, fresh, store(new, fresh))
        if isinstance(trigger, dict) and trigger.get("mark") == drawn:
            if trigger["sky"] == "button" and any(clicks):
                part, row = trigger["part"], int(trigger["row"])
                adds = trigger["does"] == "add"
                new = sky_draft.with_row(typed, part) if adds else sky_draft.without_row(typed, part, row)
                return drawn_anew(new, fresh, store(new, fresh))
            if trigger["sky"] == "field" and typed != current:
                return store(typed, drawn), no_update, _shown_way(typed), [], no_update
        return nothing

    @app.callback(
        Output("trial-fault", "children"),
        Output("trial-sentence", "children"),
        Output("trial-picture", "figure"),
        Output("trial-frame", "className"),
        Output("trial-notes", "children"),
        Output("trial-buttons", "hidden"),
        Output("trial-save", "disabled"),
        *sky_working.outputs("trial"),
        Input("drafts", "data"),
        Input("address", "search"),
        Input("changed", "data"),
        Input("scheme", "data"),
        Input("trial-poll", "n_intervals"),
    )
    def show(drafts: Any, search: str | None, _: Any, scheme: str | None, __: Any) -> Any:
        question = asked(search)
        same = (no_update,) * 4
        try:
            draft = _draft_of(question, drafts)
            if draft is None:
                return [], _UNTOUCHED, no_update, _SHUT, "", True, True, *sky_working.at_rest()
            survey = sky_draft.survey_of(draft)
            span = question.days(1)
            before = question.seen(span)
            own = _own(question)
            after = question.seen(span, replace(own, site=replace(own.site, horizon=survey.horizon)))
        except StillWorking as still:
            return [], *same, False, True, *sky_working.under_way(still.job)
        except InputError as error:
            # What was shown for the last sound draft stays beside the line that says what is wrong.
            return _fault(error), *same, False, True, *sky_working.at_rest()
        clock = question.clock(span)
        figure = horizon_change(
            (question.site.horizon, before.coverage),
            (survey.horizon, after.coverage),
            clock,
            THEMES.get(scheme or "", LIGHT),
        )
        notes = [
            f"This horizon: {horizon_words(survey.horizon)}.",
            *survey.notes,
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
            *sky_working.at_rest(),
        )

    @app.callback(
        Output("trial-saved", "children"),
        Output("drafts", "data", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input("trial-save", "n_clicks"),
        State("drafts", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def save(clicks: int, drafts: Any, search: str | None) -> Any:
        if not clicks:
            return no_update, no_update, no_update, no_update
        question = asked(search)
        try:
            draft = _draft_of(question, drafts)
            if draft is None:
                raise SiteError("horizon", got="nothing changed", wanted="a change", try_next="another height")
            horizon = sky_draft.survey_of(draft).horizon
            _, file_name = horizons.keep_horizon(question.workspace, question.site_name, question.spot, horizon)
        except InputError as error:
            return _fault(error), no_update, no_update, no_update
        place = f"{question.site_name}/{question.spot}"
        told = f"Saved: {question.site_name}, {question.spot} now has this horizon, in {file_name} of the workspace."
        left = {key: value for key, value in drafts.items() if key != place}
        # A mask in the address would hide the horizon just saved.
        query = query_of(changed(question.choices, {"mask": None}))
        return html.P(told, className="done"), left, query, desk.now().isoformat()

    sky_working.register(app, desk, "trial")


def _shown_way(draft: sky_draft.Draft) -> str:
    """Return the class that shows the fields of one way and hides those of the others."""
    return f"trial-fields way-{draft['way']}"


def _own(question: Question) -> Any:
    """Return the view of the spot under its own horizon, whatever mask is chosen."""
    return question.workspace.view(question.site_name, question.spot)


def _draft_of(question: Question, drafts: Any) -> sky_draft.Draft | None:
    return sky_draft.sound((drafts or {}).get(f"{question.site_name}/{question.spot}"))


def _origin(place: str, own: sky_draft.Draft) -> str:
    """Return what tells fields of one spot and horizon from those of any other."""
    text = json.dumps([place, own], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:12] + "-"


def _floor_note(question: Question, horizon: Any) -> list[str]:
    """Return what to say where a horizon reaches below what the terminal has used so far."""
    view = _own(question)
    if view.lowest_elevation_deg is not None or horizon.lowest_deg >= view.floor_deg:
        return []
    return [
        f"It goes below {view.floor_deg:g}°: satellites count there too, unless the workspace says from which height "
        "on the terminal works (lowest_elevation_deg)."
    ]


def _bytes_of(name: str, text: str) -> bytes:
    _, comma, body = text.partition(",")
    try:
        data = base64.b64decode(body, validate=True) if comma else b""
    except (binascii.Error, ValueError):
        raise SiteError(f"file {name[:80]}", got="something else", wanted="a file as browsers send it") from None
    if len(data) > sky_fields.LARGEST_FILE_BYTES:
        raise SiteError(f"horizon file {name[:80]}", got=f"{len(data)} bytes", wanted="at most 1 MB")
    return data


def _fault(error: Exception) -> Any:
    return html.P(str(error), className="fault")
