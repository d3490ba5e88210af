"""Symptom matcher: from how it freezes to the settings of the sky that would freeze like that, best first."""

from __future__ import annotations

from datetime import time
from typing import Any, Final

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.answers import mounting
from passim.answers import symptom as room
from passim.errors import InputError
from passim.sky import view as views

from ...commands.symptom import hours_of_day
from ...wording import printable
from .. import sky_work
from ..address import read_query
from ..desk import Desk, Question, StillWorking
from ..parts import aria
from . import sky_working
from .sky_fields import KEYBOARD

TOP: Final = 5
# Limits that people seldom know, so that a search may be asked to find them anew.
_SEARCHABLE: Final = ("gateway", "cone", "arc")
_UNIT_S: Final = {"min": 60.0, "s": 1.0}
_KNOWN, _UNKNOWN = "known", "unknown"


def block(_: Question) -> Any:
    """Return the place of the matcher."""
    return html.Section(
        [
            html.H2("Which setting would freeze like this?", id="symptom", className="panel-title"),
            html.P(
                "For when you know no gateway and no antenna cone, only how it freezes. Masks, cones, gateways and "
                "more are tried one by one and together on the day chosen, and ranked by how well they fit.",
                className="caption",
            ),
            html.Div(
                [
                    _range("From one freeze to the next, min", "every", ("3", "5")),
                    _range("A freeze lasts, s", "length", ("5", "30")),
                    _text("Hours in which it happens, if known", "happens", "08:00-12:00"),
                    _text("Hours without it, if known", "quiet", "13:00-18:00"),
                ],
                className="symptom-fields",
            ),
            html.Div(
                dcc.RadioItems(
                    id="symptom-known",
                    options=[
                        {"value": _KNOWN, "label": "on top of the limits that the workspace has"},
                        {"value": _UNKNOWN, "label": "as if no gateway, cone or arc were known"},
                    ],
                    value=_KNOWN,
                    className="ways",
                    persistence=True,
                    persistence_type="local",
                ),
                role="group",
                **aria(label="What the search starts from"),
            ),
            html.Button("Search", id="symptom-go", className="button strong", n_clicks=0),
            dcc.Store(id="symptom-asked"),
            sky_working.block("symptom"),
            html.Div(id="symptom-fault", role="alert"),
            html.Div(id="symptom-kept", role="status"),
            html.Div(id="symptom-answer", role="status"),
        ],
        className="panel",
        **aria(labelledby="symptom"),
    )


def register(app: Dash, desk: Desk) -> None:
    """Search in a worker, show what was found, keep a candidate as an assumption."""

    @app.callback(
        Output("symptom-asked", "data"),
        Output("symptom-kept", "children"),
        Input("symptom-go", "n_clicks"),
        *[State(f"symptom-{key}", "value") for key in ("every-low", "every-high", "length-low", "length-high")],
        State("symptom-happens", "value"),
        State("symptom-quiet", "value"),
        State("symptom-known", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def ask(clicks: int, *given: str | None) -> Any:
        if not clicks:
            return no_update, no_update
        keys = ("every-low", "every-high", "length-low", "length-high", "happens", "quiet", "known", "search")
        return {"number": clicks, **dict(zip(keys, given, strict=True))}, []

    @app.callback(
        Output("symptom-answer", "children"),
        Output("symptom-fault", "children"),
        *sky_working.outputs("symptom"),
        Input("symptom-asked", "data"),
        Input("symptom-poll", "n_intervals"),
        prevent_initial_call=True,
    )
    def search(asked: dict[str, str | None] | None, _: Any) -> Any:
        if not asked:
            return no_update, no_update, *sky_working.at_rest()
        question = desk.question(read_query(asked["search"])[0])
        try:
            found = _found(question, asked)
        except StillWorking as still:
            return no_update, [], *sky_working.under_way(still.job)
        except InputError as error:
            return no_update, html.P(str(error), className="fault"), *sky_working.at_rest()
        left_out = bool(_left_out(question.view, asked))
        return _told(found, left_out), [], *sky_working.at_rest()

    @app.callback(
        Output("symptom-kept", "children", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input({"sky": "keep", "number": ALL}, "n_clicks"),
        State("symptom-asked", "data"),
        prevent_initial_call=True,
    )
    def keep(clicks: list[int], asked: dict[str, str | None] | None) -> Any:
        if not any(clicks) or not asked or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        number = int(ctx.triggered_id["number"])
        question = desk.question(read_query(asked["search"])[0])
        try:
            found = _found(question, asked)
            if not 1 <= number <= len(found.candidates) or not _may_keep(found, number):
                raise InputError("candidate to keep", got=number, wanted="one that is offered")
            question.workspace.assume(**found.candidates[number - 1].as_assumption(), on=question.today)
        except StillWorking:
            told = "The workspace or the fleet has changed since: search again first."
            return html.P(told, className="fault"), no_update
        except InputError as error:
            return html.P(str(error), className="fault"), no_update
        told = (
            f"Candidate {number} now stands in the workspace, marked as an assumption; the page above counts with it."
        )
        return html.P(told, className="done"), desk.now().isoformat()

    sky_working.register(app, desk, "symptom")


def _found(question: Question, asked: dict[str, str | None]) -> room.SymptomAnswer:
    """Return what the search found. Raises StillWorking until it is there, InputError."""
    seen = room.Symptom(
        _seconds(asked, "every", "from one freeze to the next", "min"),
        _seconds(asked, "length", "length of a freeze", "s"),
        _hours(asked["happens"], "hours in which it happens"),
        _hours(asked["quiet"], "hours without it"),
    )
    view = question.view.without(*_left_out(question.view, asked))
    span = question.days(1)
    # Always in a worker: more than a thousand settings are tried.
    key = ("symptom", question.fleet_key, view, span, seen)
    found: room.SymptomAnswer = question.desk.work_out(key, sky_work.match, question.fleet, view, span, seen, TOP)
    return found


def _left_out(view: views.View, asked: dict[str, str | None]) -> list[str]:
    return [name for name in _SEARCHABLE if name in view.names] if asked["known"] == _UNKNOWN else []


def _may_keep(found: room.SymptomAnswer, number: int) -> bool:
    """Say whether a candidate explains anything and has a limit of its own."""
    return found.verdict != room.NOT_THE_SKY and found.candidates[number - 1].setting.kinds != ()


def _told(found: room.SymptomAnswer, left_out: bool) -> Any:
    """Return the answer: sentence, what to watch for, the ranks, and what must be said beside them."""
    notes = [*found.notes]
    if left_out:
        notes.append("Searched as if nothing were known: to keep a candidate, search on top of what the workspace has.")
    head = ("", "Setting", "Fit", "An hour", "From to", "When", "")
    return [
        html.P(printable(found.sentence()), className="answer"),
        html.Ul([html.Li(line) for line in found.observations], className="observations"),
        html.Div(
            html.Table(
                [
                    html.Caption("Settings, best first", className="unseen"),
                    html.Thead(html.Tr([html.Th(words, scope="col") for words in head])),
                    html.Tbody([_row(found, row, left_out) for row in found.table().itertuples(index=False)]),
                ],
                className="ranks",
            ),
            className="table-frame",
            tabIndex=0,
            role="region",
            **aria(label="Settings, best first"),
        ),
        html.P(" ".join(notes), className="quiet"),
        html.P(" ".join(mounting.MOUNTING_CAUTIONS), className="beware"),
    ]


def _row(found: room.SymptomAnswer, row: Any, left_out: bool) -> Any:
    lengths = f"{room.seconds_words(row.length_min_s)} to {room.seconds_words(row.length_max_s)}" if row.freezes else ""
    cells = [
        html.Td(str(row.number), className="number"),
        html.Td(printable(row.setting), className="words"),
        html.Td(f"{row.fit:.2f}", className="number"),
        html.Td(f"{row.freezes_per_hour:.1f}", className="number"),
        html.Td(lengths),
        html.Td(row.when, className="words"),
    ]
    button = html.Button(
        "Keep as assumption",
        id={"sky": "keep", "number": int(row.number)},
        className="button",
        n_clicks=0,
        **aria(label=f"Keep candidate {row.number} as an assumption"),
    )
    return html.Tr([*cells, html.Td(button if not left_out and _may_keep(found, int(row.number)) else "")])


def _range(label: str, key: str, values: tuple[str, str]) -> Any:
    return html.Fieldset(
        [
            html.Legend(label),
            *(
                html.Label([html.Span(f"{end} "), _field(f"symptom-{key}-{name}", value, "decimal")])
                for name, end, value in zip(("low", "high"), ("from", "to"), values, strict=True)
            ),
        ],
        className="range",
    )


def _text(label: str, key: str, example: str) -> Any:
    return html.Label(
        [html.Span(label), _field(f"symptom-{key}", "", "text", f"such as {example}")], className="single"
    )


def _field(name: str, value: str, mode: str, placeholder: str = "") -> Any:
    return dcc.Input(
        id=name,
        value=value,
        type="text",
        autoComplete="off",
        maxLength=60,
        placeholder=placeholder,
        className="field",
        persistence=True,
        persistence_type="local",
        **(KEYBOARD if mode == "decimal" else {}),
    )


def _seconds(asked: dict[str, str | None], key: str, what: str, unit: str) -> tuple[float, float]:
    """Return the range of two fields in seconds. Raises InputError."""
    ends = []
    for end in ("low", "high"):
        text = (asked[f"{key}-{end}"] or "").strip()
        try:
            ends.append(float(text.replace(",", ".")) * _UNIT_S[unit])
        except ValueError:
            raise InputError(what, got=text or "nothing", wanted=f"a number of {unit}", try_next="5") from None
    return ends[0], ends[1]


def _hours(text: str | None, what: str) -> tuple[tuple[time, time], ...]:
    """Return the ranges of hours in a text, with commas between them; none in an empty one. Raises InputError."""
    return tuple(hours_of_day(what, part) for part in (text or "").split(",") if part.strip())
