"""The symptom matcher: from how it freezes to the settings of the sky that would freeze like that, best first.

How it freezes is told by ranges, or by a record that is handed in (`sky_record`); the browser keeps both.
"""

from __future__ import annotations

from typing import Any, Final

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.answers.symptom import match as room, observations as observations
from passim.errors import InputError
from passim.sky import view as views
from passim.spans import DailyHours

from ....text import symptom as symptom_words
from ....text.columns import cells_of, without
from ....text.mounting import MOUNTING_CAUTIONS
from ....text.notes import beside
from ....text.query import health_sentence, search_notes, searched
from ....text.units import printable
from ....text.ways_out import in_page_words
from ... import working
from ...address import read_query
from ...file_changes import lines_block, take_back_button, taken_back
from ...links import linked
from ...parts import aria, words_cell
from ...state import DashboardState, PageRequest, Pending
from ...tasks import sky as sky_day
from ...upload import Upload
from . import record as sky_record
from .fields import MOST_SENT_BYTES

TOP: Final = 5
# Phones then show digits with a decimal point; dcc.Input passes it on but does not list it.
_KEYBOARD: Final[dict[str, Any]] = {"inputMode": "decimal"}
# Limits that people seldom know, so that a search may be asked to find them anew.
_SEARCHABLE: Final = ("gateway", "cone", "arc")
_UNIT_S: Final = {"min": 60.0, "s": 1.0}
# The fields of the question, each with the id "symptom-..." and in what is asked.
_GIVEN: Final = ("every-low", "every-high", "length-low", "length-high", "happens", "quiet", "known")
_KNOWN, _UNKNOWN = "known", "unknown"


def block(_: PageRequest) -> Any:
    """Return the place of the matcher."""
    return html.Details(
        [
            html.Summary(html.H2("What explains these freezes?", id="title-symptom", className="panel-title")),
            # A link to it opens what it stands in.
            html.P(
                "Say how it freezes. Masks, gateways (ground stations that a satellite must see as well), cones (the "
                "part of the sky that an antenna can use) and more are tried one by one and together on the day "
                "chosen, on top of the limits you know or without them, and ranked by how well they fit. Where none "
                "does, it says so: then look at your own network.",
                id="symptom",
                className="caption",
            ),
            dcc.Store(id="symptom-record", storage_type="local"),
            html.Div(
                [
                    html.Div(
                        [
                            _range("From one freeze to the next, min", "every", ("3", "5")),
                            _range("A freeze lasts, s", "length", ("5", "30")),
                            _text("Hours in which it happens, if known", "happens", "08:00-12:00"),
                            _text("Hours without it, if known", "quiet", "13:00-18:00"),
                        ],
                        className="symptom-fields",
                    ),
                    *_record_place(),
                ],
                id="symptom-given",
            ),
            html.Div(
                dcc.RadioItems(
                    id="symptom-known",
                    options=[
                        {"value": _KNOWN, "label": "the limits in the workspace, and more"},
                        {"value": _UNKNOWN, "label": "no gateway, cone or geostationary arc known"},
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
            dcc.Store(id="symptom-request"),
            working.block("symptom"),
            html.Div(id="symptom-fault", role="alert"),
            html.Div(id="symptom-saved", role="status"),
            html.Div(id="symptom-answer", role="status"),
        ],
        className="trying",
        role="group",
        **aria(labelledby="title-symptom"),
    )


_RECORD_FILE: Final = Upload("record", "Choose a record of freezes, or drop it here", MOST_SENT_BYTES)


def _record_place() -> list[Any]:
    """Return where a record is handed in, what it must look like, and, once it is there, what it is."""
    return [
        html.P(
            [
                "Using your record: ",
                html.Span(id="symptom-record-words"),
                " The search uses this record alone, from its first freeze to its last, and ignores the ranges, the "
                "hours and the day chosen above. To use those, or another record, remove it.",
            ],
            className="done with-record",
        ),
        html.Button("Remove the record", id="symptom-away", className="button with-record", n_clicks=0),
        html.Div(
            [
                html.P(
                    [
                        "A record of single freezes tells far more than ranges: a CSV file with the header ",
                        html.Code("start,end"),
                        " or ",
                        html.Code("start,duration_s"),
                        ", times with their offset, such as ",
                        html.Code("2026-11-25T08:02:10-01:00,20"),
                        f". At least {observations.FEWEST_FREEZES} freezes in half an hour or more, at most "
                        f"{sky_record.MOST_FREEZES:,} in {sky_record.LONGEST_DAYS:g} days and 1 MB; time in it "
                        "without a freeze counts as service.",
                    ],
                    className="quiet",
                ),
                _RECORD_FILE.drop(),
            ],
            className="without-record",
        ),
        *_RECORD_FILE.messages(),
    ]


def register(app: Dash, state: DashboardState) -> None:
    """Take a record, search in a worker, show what was found, keep a candidate as an assumption."""

    _RECORD_FILE.register(
        app,
        lambda files: sky_record.taken(*files[0]),
        lambda record: ([], record.retained()),
        [Output("symptom-record", "data", allow_duplicate=True)],
    )

    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("sky", "taken"),
        Output("symptom-record", "data", allow_duplicate=True),
        Input("symptom-away", "n_clicks"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("symptom-record-words", "children"),
        Output("symptom-given", "className"),
        Input("symptom-record", "data"),
    )
    def hold(retained: Any) -> Any:
        record = sky_record.sound(retained)
        return ("", "") if record is None else (f"{sky_record.words(record)}.", "holds-record")

    # An answer stands only under the question it answers. A search under way runs on; asked again, it is there.
    in_browser(
        ClientsideFunction("sky", "stale"),
        Output("symptom-request", "data", allow_duplicate=True),
        Output("symptom-answer", "children", allow_duplicate=True),
        Output("symptom-fault", "children", allow_duplicate=True),
        Output("symptom-saved", "children", allow_duplicate=True),
        *[Input(f"symptom-{key}", "value") for key in _GIVEN],
        Input("symptom-record", "data"),
        Input("sky-spot", "data"),
        State("symptom-request", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("symptom-request", "data"),
        Output("symptom-saved", "children"),
        Input("symptom-go", "n_clicks"),
        *[State(f"symptom-{key}", "value") for key in _GIVEN],
        State("symptom-record", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def ask(clicks: int, *given: Any) -> Any:
        if not clicks:
            return no_update, no_update
        return {"number": clicks, **dict(zip((*_GIVEN, "record", "search"), given, strict=True))}, []

    @app.callback(
        Output("symptom-answer", "children"),
        Output("symptom-fault", "children"),
        *working.outputs("symptom"),
        Input("symptom-request", "data"),
        Input("symptom-poll", "n_intervals"),
        prevent_initial_call=True,
    )
    def search(request: dict[str, Any] | None, _: Any) -> Any:
        if not request:
            # Taken back by a change of the question, which has cleared what stood here.
            return no_update, no_update, *working.at_rest()
        question = state.question(read_query(request["search"])[0])
        try:
            found = _found(question, request)
        except Pending as still:
            return no_update, [], *working.under_way(still.job)
        except InputError as error:
            return no_update, html.P(in_page_words(error), className="fault"), *working.at_rest()
        return _answer(question, request, found), [], *working.at_rest()

    # What came of a button stands under its own row: whoever clicks sees it, however far down the row is.
    @app.callback(
        Output({"sky": "kept", "number": ALL}, "children"),
        Output("changed", "data", allow_duplicate=True),
        Input({"sky": "keep", "number": ALL}, "n_clicks"),
        Input({"sky": "write", "number": ALL}, "n_clicks"),
        Input({"sky": "take-back", "number": ALL, "of": ALL}, "n_clicks"),
        State("symptom-request", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def keep(
        offers: list[int], writes: list[int], returns: list[int], request: dict[str, Any] | None, search: str | None
    ) -> Any:
        places = [entry["id"]["number"] for entry in ctx.outputs_list[0]]
        if not any((*offers, *writes, *returns)) or not request or not isinstance(ctx.triggered_id, dict):
            return [no_update] * len(places), no_update
        number, did = int(ctx.triggered_id["number"]), str(ctx.triggered_id["sky"])
        try:
            if did == "take-back":
                question = state.question(read_query(search)[0])
                message, wrote = taken_back(question.workspace, str(ctx.triggered_id["of"])), True
            else:
                question = state.question(read_query(request["search"])[0])
                message, wrote = _kept(question, request, number, writing=did == "write"), did == "write"
        except InputError as error:
            message, wrote = html.P(in_page_words(error), className="fault"), False
        # What another row offered or said is no longer so.
        return [message if place == number else [] for place in places], state.now().isoformat() if wrote else no_update

    working.register(app, state, "symptom")


def _kept(question: PageRequest, request: dict[str, Any], number: int, *, writing: bool) -> Any:
    """Return what keeping a candidate would change, or once that is agreed to, has changed. Raises InputError."""
    try:
        found = _found(question, request)
    except Pending:
        message = "The workspace or the fleet has changed since: search again first."
        return html.P(message, className="fault")
    if not 1 <= number <= len(found.candidates) or not may_keep(found, number):
        raise InputError("candidate to keep", got=number, wanted="one that is offered")
    return written(question, found, number) if writing else offered(question, found, number)


def offered(question: PageRequest, found: room.SymptomAnswer, number: int) -> Any:
    """Return the lines of the workspace file that change where a candidate is kept, to be agreed to.

    Raises InputError.
    """
    lines = question.workspace.would_assume(**_assumption(question, found, number))
    return [
        html.P(f"Keeping candidate {number} changes these lines of the workspace file (- removed, + added):"),
        lines_block(lines),
        html.Button("Write these lines", id={"sky": "write", "number": number}, className="button strong", n_clicks=0),
    ]


def written(question: PageRequest, found: room.SymptomAnswer, number: int) -> Any:
    """Put a candidate into the workspace; return what has changed there and how to take it back. Raises InputError."""
    before = question.workspace.text
    changed = question.workspace.assume(**_assumption(question, found, number))
    message = f"Candidate {number} is now in the workspace, marked as an assumption; the page above uses it."
    return [
        html.P(message, className="done"),
        lines_block(changed.changes_since(before)),
        take_back_button("sky", changed, number=number),
    ]


def _assumption(question: PageRequest, found: room.SymptomAnswer, number: int) -> dict[str, Any]:
    """Return what the workspace takes as the assumption of a candidate."""
    taken = found.candidates[number - 1].as_assumption()
    how = symptom_words.how_words(found, number)
    return {**taken, "how": how, "on": question.today, "site_name": question.site_name}


def _found(question: PageRequest, request: dict[str, Any]) -> room.SymptomAnswer:
    """Return what the search found. Raises Pending until it is there, InputError."""
    view = question.view.without(*_left_out(question.view, request))
    record = sky_record.sound(request["record"])
    if record is None:
        seen: Any = room.FreezeRanges(
            _seconds(request, "every", "from one freeze to the next", "min"),
            _seconds(request, "length", "length of a freeze", "s"),
            _hours(request["happens"], "hours in which it happens"),
            _hours(request["quiet"], "hours without it"),
        )
        span, fleet_key, fleet, what = question.days(1), question.fleet_key, question.fleet, seen
    else:
        # As on the command line: the time watched is that of the record, with the fleet as it was then.
        seen, span, what = record.freezes, record.freezes.span, record.key
        fleet_key, fleet = question.state.fleet(question.workspace, question.choices.fleet, span.start)
        sky_record.check_age(fleet, span)
    # Always in a worker: more than a thousand settings are tried.
    key = ("symptom", fleet_key, view, span, what)
    found: room.SymptomAnswer = question.state.work_out(key, sky_day.match, fleet, view, span, seen, TOP)
    return found


def _left_out(view: views.View, request: dict[str, Any]) -> list[str]:
    """Return the limits of a view that the search is to find anew."""
    return [name for name in _SEARCHABLE if name in view.names] if request["known"] == _UNKNOWN else []


def may_keep(found: room.SymptomAnswer, number: int) -> bool:
    """Say whether a candidate explains anything and has a limit of its own."""
    one = found.candidates[number - 1]
    return found.verdict != room.NOT_THE_SKY and one.setting.kinds != () and not symptom_words.is_weak(one)


def _answer(question: PageRequest, request: dict[str, Any], found: room.SymptomAnswer) -> Any:
    """Return the answer: sentence, what to watch for, the ranks, and what must be said beside them."""
    notes = [*(note.text for note in symptom_words.symptom_notes(found)), *map(health_sentence, found.health)]
    left_out = bool(_left_out(question.view, request))
    if left_out:
        notes.append(
            "This search ignored what the workspace knows: to keep a candidate, search with the workspace's limits."
        )
    if isinstance(found.symptom, room.FreezeRecord):
        clock = question.clock(found.span)
        notes += [
            f"Looked at {clock.stretch(found.span)}.",
            *beside(search_notes(searched(found.report, found.span, question.fleet_timing.model))),
        ]
    apart = symptom_words.observation_sentences(found)
    message = cells_of(without(symptom_words.COLUMNS, "length_mean_s", "similar"), symptom_words.rows(found))
    heads = [html.Th(column.heading, scope="col") for column in message.columns]
    body = []
    for number, row in enumerate(message.rows, 1):
        cells = [words_cell(column, words) for column, words in zip(message.columns, row, strict=True)]
        body.append(html.Tr([*cells, html.Td(_keep_button(found, number, left_out))]))
        kept = html.Div(id={"sky": "kept", "number": number}, className="kept", role="status")
        body.append(html.Tr(html.Td(kept, colSpan=len(cells) + 1), className="kept-row"))
    return [
        html.P(linked(printable(symptom_words.found_sentence(found, on_pages=True))), className="answer"),
        *([html.P(symptom_words.fit_words(found), className="quiet"), _ranks(heads, body)] if body else []),
        *(
            [
                html.H3(symptom_words.APART, className="panel-title"),
                html.Ul([html.Li(each) for each in apart], className="observations"),
            ]
            if apart
            else []
        ),
        html.P(" ".join(notes), className="quiet"),
        html.P(" ".join(MOUNTING_CAUTIONS), className="beware"),
    ]


def _ranks(heads: list[Any], body: list[Any]) -> Any:
    """Return the table of candidates."""
    return html.Div(
        html.Table(
            [
                html.Caption("Settings, best first", className="unseen"),
                html.Thead(html.Tr([*heads, html.Th(html.Span("Keep", className="unseen"), scope="col")])),
                html.Tbody(body),
            ],
            className="ranks",
        ),
        className="table-frame",
        tabIndex=0,
        role="region",
        **aria(label="Settings, best first"),
    )


def _keep_button(found: room.SymptomAnswer, number: int, left_out: bool) -> Any:
    """Return the button that keeps a candidate, where it may be kept."""
    if symptom_words.is_weak(found.candidates[number - 1]):
        return html.Div(symptom_words.WEAK, className="weak")
    if left_out or not may_keep(found, number):
        return ""
    return html.Button(
        "Keep as assumption",
        id={"sky": "keep", "number": number},
        className="button",
        n_clicks=0,
        **aria(label=f"Keep candidate {number} as an assumption"),
    )


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
        **(_KEYBOARD if mode == "decimal" else {}),
    )


def _seconds(request: dict[str, Any], key: str, what: str, unit: str) -> tuple[float, float]:
    """Return the range of two fields in seconds. Raises InputError."""
    ends = []
    for end in ("low", "high"):
        text = (request[f"{key}-{end}"] or "").strip()
        try:
            ends.append(float(text.replace(",", ".")) * _UNIT_S[unit])
        except ValueError:
            raise InputError(what, got=text or "nothing", wanted=f"a number of {unit}", try_next="5") from None
    return ends[0], ends[1]


def _hours(text: str | None, what: str) -> tuple[DailyHours, ...]:
    """Return the ranges of hours in a text, with commas between them; none in an empty one. Raises InputError."""
    return tuple(
        DailyHours.parse(part, what, f"{what} 08:00-12:00") for part in (text or "").split(",") if part.strip()
    )
