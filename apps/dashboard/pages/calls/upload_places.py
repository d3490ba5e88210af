"""The places of the Calls page where calendars are handed in, listed and removed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.errors import InputError

from ...address import changed, query_of, read_query
from ...parts import aria
from ...state import DashboardState, PageRequest
from ...upload import Upload
from . import uploads as uploads
from .request import whole_days
from .uploads import BUSY, CHECK, MOST_BUSY

# A browser takes no larger file at all, and says nothing; what is smaller but too large is told.
_LARGEST_TAKEN_BYTES: Final = 32 * 2**20
_LIMIT: Final = f"{uploads.LARGEST_FILE_BYTES // 2**20} MB"
_FILES: Final = {
    BUSY: Upload(BUSY, f"Choose up to {MOST_BUSY} calendars, or drop them here", _LARGEST_TAKEN_BYTES, multiple=True),
    CHECK: Upload(CHECK, "Choose a calendar of planned calls, or drop it here", _LARGEST_TAKEN_BYTES),
}


def block(_: PageRequest) -> Sequence[Any]:
    """Return the place of planned calls, which are checked below; callbacks list what it holds."""
    return [
        html.Div(
            [
                dcc.Store(id="calendars", storage_type="local"),
                dcc.Store(id="calendars-wanted"),
                dcc.Store(id="calendars-gone"),
                _place(
                    CHECK,
                    "Calls already set",
                    f"A calendar file (.ics) of at most {_LIMIT}: each call on these days is checked, below.",
                ),
            ],
            className="calendars",
        ),
        html.P(
            "Calendars are kept by this browser and, while it runs, in the memory of passim; they are not part of the "
            "address, and no other browser sees them.",
            className="quiet",
        ),
    ]


def busy_place() -> Any:
    """Return the place of busy times, for beside the picture that draws them."""
    return _place(
        BUSY, "Times you are busy",
        f"Calendar files (.ics) of at most {_LIMIT} each. No call is suggested during an appointment.",
    )  # fmt: skip


def _place(place: str, title: str, messages: str) -> Any:
    return html.Section(
        [
            html.H2(title, id=f"{place}-title"),
            *_FILES[place].place(),
            html.Ul(id=f"{place}-uploads", className="uploads", **aria(label=title)),
            html.P(messages, className="quiet"),
        ],
        className="calendar-place",
        **aria(labelledby=f"{place}-title"),
    )


def register(app: Dash, state: DashboardState) -> None:
    """Take calendars in, list them, let go of them, and ask the browser for what the state no longer has."""

    def taking(place: str) -> None:
        def done(taken: tuple[list[str], list[dict[str, str]]], search: str | None, _: Any) -> tuple[Any, Any, Any]:
            keys, new_retained = taken
            query = query_of(changed(read_query(search)[0], {place: ".".join(keys)}))
            return [], query if query != (search or "") else no_update, new_retained

        _FILES[place].register(
            app,
            lambda files, search, retained: take(state.question(read_query(search)[0]), place, files, retained),
            done,
            [Output("address", "search", allow_duplicate=True), Output("calendars", "data", allow_duplicate=True)],
            [State("address", "search"), State("calendars", "data")],
        )

    for place in (BUSY, CHECK):
        taking(place)

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("calendars", "data", allow_duplicate=True),
        Output(f"{BUSY}-messages", "children", allow_duplicate=True),
        Output(f"{CHECK}-messages", "children", allow_duplicate=True),
        Input({"calls": "remove", "place": ALL, "key": ALL}, "n_clicks"),
        State("address", "search"),
        State("calendars", "data"),
        prevent_initial_call=True,
    )
    def remove(clicks: list[int], search: str | None, retained: Any) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return (no_update,) * 4
        choices, _ = read_query(search)
        place, gone = str(ctx.triggered_id["place"]), str(ctx.triggered_id["key"])
        left = ".".join(key for key in uploads.keys_of(choices, place) if key != gone)
        new = changed(choices, {place: left or None})
        named = {key for one in (BUSY, CHECK) for key in uploads.keys_of(new, one)}
        stays = [e for e in (retained or []) if not isinstance(e, dict) or e.get("key") != gone or gone in named]
        return query_of(new), stays, [], []

    @app.callback(
        Output(f"{BUSY}-uploads", "children"),
        Output(f"{CHECK}-uploads", "children"),
        Input("address", "search"),
        Input("shown", "data"),
        Input("changed", "data"),
    )
    def tell(search: str | None, *_: Any) -> Any:
        choices, _ = read_query(search)
        return [
            [_listed(place, key, uploads.find(state, key)) for key in uploads.keys_of(choices, place)]
            for place in (BUSY, CHECK)
        ]

    # What the browser hands back brings news to the page, so the news must not ask the browser again.
    @app.callback(
        Output("calendars-wanted", "data"),
        Input("address", "search"),
        Input("shown", "data"),
        Input("calendars", "modified_timestamp"),
    )
    def ask_back(search: str | None, *_: Any) -> Any:
        choices, _ = read_query(search)
        keys = [key for place in (BUSY, CHECK) for key in uploads.keys_of(choices, place)]
        return [key for key in keys if uploads.find(state, key) is None] or no_update

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Input("calendars-wanted", "data"),
        State("calendars", "data"),
        prevent_initial_call=True,
    )
    def hand_back(wanted: Any, retained: Any) -> Any:
        keys = wanted if isinstance(wanted, list) else []
        every = retained if isinstance(retained, list) else []
        entries = [entry for entry in every if isinstance(entry, dict) and entry.get("key") in keys]
        found = [upload for upload in map(uploads.unpacked, entries) if upload is not None]
        if not found:
            return no_update
        of = uploads.known_owner()
        for upload in found:
            uploads.keep(state, of, upload)
        return state.now().isoformat()

    # The browser looks into its own store: what it does not have either is nothing to carry along.
    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("passim", "goneCalendars"),
        Output("calendars-gone", "data"),
        Input("calendars-wanted", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output(f"{BUSY}-messages", "children", allow_duplicate=True),
        Output(f"{CHECK}-messages", "children", allow_duplicate=True),
        Input("calendars-gone", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def leave_out(gone: Any, search: str | None) -> Any:
        keys = {key for key in gone if isinstance(key, str)} if isinstance(gone, list) else set()
        choices, _ = read_query(search)
        messages: list[Any] = []
        for place in (BUSY, CHECK):
            named = uploads.keys_of(choices, place)
            lost = len(keys.intersection(named))
            if lost:
                choices = changed(choices, {place: ".".join(key for key in named if key not in keys) or None})
            messages.append(html.P(_left_out(lost), className="fault") if lost else no_update)
        return query_of(choices) if any(line is not no_update for line in messages) else no_update, *messages


def take(
    question: PageRequest, place: str, files: Sequence[tuple[str, str]], retained: Any
) -> tuple[list[str], list[dict[str, str]]]:
    """Read files that a browser handed in, keep them, and return the keys of the place and what the browser keeps.

    A file of the same name takes the place of the one before it. Raises Pending while a worker reads them; InputError,
    and changes nothing, where one of them cannot be used.
    """
    new = [uploads.handed_in(name, contents) for name, contents in files]
    state, names = question.state, {upload.name for upload in new}
    stays = []
    for key in uploads.keys_of(question.choices, place) if place == BUSY else ():
        before = uploads.find(state, key)
        if before is None or before.name not in names:
            stays.append(key)
    keys = list(dict.fromkeys([*stays, *(upload.key for upload in new)]))
    if len(keys) > MOST_BUSY:
        raise InputError("busy calendars", got=len(keys), wanted=f"at most {MOST_BUSY}", try_next="removing one first")
    others = uploads.keys_of(question.choices, CHECK if place == BUSY else BUSY)
    new_retained = uploads.retained_with(retained, new, [*keys, *others])
    days = whole_days(question)
    for upload in new:
        uploads.appointments(question, upload, days, place)
    of = uploads.known_owner()
    for upload in new:
        uploads.keep(state, of, upload)
    return keys, new_retained


def _left_out(count: int) -> str:
    """Return what to say of calendars that the address names and nobody has."""
    what, it = ("A calendar", "it") if count == 1 else (f"{count} calendars", "them")
    return (
        f"{what} of this address {'is' if count == 1 else 'are'} not here, and left out: only the browser that handed "
        f"{it} in has {it}. Hand {it} in again."
    )


def _listed(place: str, key: str, upload: uploads.UploadedCalendar | None) -> Any:
    """Return one calendar of a list, with the button that takes it away."""
    missing = html.Span("not here: upload it again, or remove it", className="missing")
    words = missing if upload is None else upload.name
    return html.Li(
        [
            html.Span(words, className="upload-name"),
            html.Button(
                "Remove",
                id={"calls": "remove", "place": place, "key": key},
                className="button",
                n_clicks=0,
                **aria(label=f"Remove {'the calendar that is not here' if upload is None else upload.name}"),
            ),
        ]
    )
