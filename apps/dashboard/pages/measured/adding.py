"""A record that somebody has already, added on the page Measured: its files are read by a worker, then put in whole."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim import Journal
from passim.errors import InputError, WayOut
from passim.line import LineRecord, files
from passim.spans import parse_moment

from ....text import measured as words
from ....text.journal import added_sentence
from ...address import changed, query_of, read_query
from ...parts import aria
from ...state import DashboardState, PageRequest
from ...tasks import measured as work
from ...upload import Upload, bytes_of, fault_line

_MOST_FILES: Final = 8
# What a browser sends is a third longer, and no request may be larger than 48 MB.
_LARGEST_BYTES: Final = 32 * 2**20
_READ_WITHIN_S: Final = 300.0
_FILES: Final = Upload("added", words.ADD_FILES, _LARGEST_BYTES, multiple=True)
_TYPED: Final = tuple(key for key in words.RECORD_FIELDS if key != "nearest")
_REPLACE: Final = "replace"
_STRICT: Final = "strict"
_TICKED: Final = {_REPLACE: words.REPLACE, _STRICT: words.STRICT}
_PLACES: Final = (*words.RECORD_FIELDS, *_TICKED)
# Which field names which column, as passim.line.files calls them.
_COLUMNS: Final = {
    "time": "time",
    "round_trip_ms": "round_trip_ms",
    "answered": "answered",
    "start_column": "start",
    "duration_s": "duration_s",
    "end_column": "end",
}
# What is asked for where a file does not say enough.
_ASKED: Final = {
    WayOut.RECORD_ZONE: ("zone",),
    WayOut.RECORD_START: ("start", "zone", "end", "every_s"),
    WayOut.RECORD_END: ("end",),
    WayOut.RECORD_COLUMNS: (*_COLUMNS, "zone"),
    WayOut.RECORD_NAME: ("name", _REPLACE),
}
# Empty until there is something to choose from.
_ONLY_ASKED: Final = ("nearest", _REPLACE)


def section(question: PageRequest) -> list[Any]:
    """Return the place where a record is handed in, open where there is none yet."""
    about = words.ADD_WHAT.format(most=_MOST_FILES, megabytes=_LARGEST_BYTES / 2**20)
    return [
        html.Details(
            [
                html.Summary(html.H2(words.ADD_TITLE, className="panel-title", id="title-added")),
                html.P(about, className="caption"),
                *([html.P(words.ADD_LOST, className="quiet")] if question.state.invented else []),
                *_FILES.place(),
                dcc.Store(id="added-held"),
                html.Details(
                    [
                        html.Summary(words.ADD_MORE),
                        html.P(words.ADD_EMPTY, className="quiet"),
                        html.Div([_place(key) for key in _PLACES], className="setup-fields"),
                        html.Button(words.ADD_GO, id="added-go", className="button strong", n_clicks=0),
                    ],
                    id="added-more",
                    className="trying",
                ),
            ],
            className="trying adding",
            open=not question.workspace.journal_file.exists() and not question.state.invented,
        )
    ]


def _hidden(key: str) -> bool:
    """Say whether a field is hidden while nothing is asked."""
    return key in _ONLY_ASKED


def _place(key: str) -> Any:
    """Return the place of one field, hidden where it is only for what is asked."""
    if key in _TICKED:
        field: Any = dcc.Checklist(id=f"added-{key}", options=[{"label": _TICKED[key], "value": key}], value=[])
        return html.Div(field, id=f"added-place-{key}", className="setup-field", hidden=_hidden(key))
    label, example = words.RECORD_FIELDS[key]
    if key == "nearest":
        field = html.Div(
            dcc.RadioItems(id="added-nearest", options=[], className="ways"), role="radiogroup", **aria(label=label)
        )
        parts = [html.Span(label, className="choice-label"), field]
    else:
        field = dcc.Input(
            id=f"added-{key}", type="text", value="", autoComplete="off", maxLength=80,
            placeholder=f"such as {example}", className="field",
        )  # fmt: skip
        parts = [html.Label(label, htmlFor=f"added-{key}", className="choice-label"), field]
    return html.Div(parts, id=f"added-place-{key}", className="setup-field", hidden=_hidden(key))


@dataclass(frozen=True, eq=False)
class Added:
    """A record that is in the journal now: what is said of it, and what was taken for granted."""

    name: str
    sentence: str
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Asked:
    """Why the files could not be used, where they are kept meanwhile, and which fields would say what is missing."""

    error: InputError
    retained: str
    names: tuple[str, ...]
    fields: tuple[str, ...]


@dataclass(frozen=True)
class Given:
    """What stands in the fields: texts by field, the log that is the router's, and what is ticked.

    With `replace` a record of that name goes, and with `strict` a file with a damaged line is refused.
    """

    texts: dict[str, str]
    nearest: str = ""
    replace: bool = False
    strict: bool = False

    def answers(self, question: PageRequest) -> files.Answers:
        """Return what it says of the files; local times are of its zone, else of the site's. Raises InputError."""
        zone = self.texts.get("zone") or None

        def moment(key: str) -> Any:
            text = self.texts.get(key)
            where = zone or question.site.timezone
            return parse_moment(text, _label(key), lambda: where, question.now) if text else None

        offset_s = self._number("offset_s")
        return files.Answers(
            zone=zone,
            columns={ours: self.texts[key] for key, ours in _COLUMNS.items() if self.texts.get(key)},
            offset_s=0.0 if offset_s is None else offset_s,
            start=moment("start"),
            end=moment("end"),
            every_s=self._number("every_s"),
            strict=self.strict,
        )

    def _number(self, key: str) -> float | None:
        text = self.texts.get(key)
        if not text:
            return None
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise InputError(_label(key), got=text, wanted="a number", try_next="1") from None


def _label(key: str) -> str:
    return words.RECORD_FIELDS[key][0]


def take(question: PageRequest, handed: Sequence[tuple[str, str]], given: Given, retained: str) -> Added | Asked:
    """Put files that a browser handed in into the journal as one record, or return what is missing.

    Without files those `retained` from the time before are meant. Raises Pending while a worker reads them; InputError,
    and changes nothing, where there are none.
    """
    named = _files(question, handed, retained)
    key = _retained_key(named)
    question.state.remember(key, lambda: named)
    names = tuple(name for name, _ in named)
    try:
        found = _added(question, named, given)
    except InputError as error:
        several = len(named) > 1 and given.nearest not in names
        asked = ("nearest",) if several else () if error.way_out is None else _ASKED.get(error.way_out, ())
        return Asked(error, key[1], names, asked)
    return found


def _files(question: PageRequest, handed: Sequence[tuple[str, str]], retained: str) -> tuple[tuple[str, bytes], ...]:
    """Return the files handed in, or those of the time before. Raises InputError."""
    if not handed:
        if not retained:
            raise InputError("files", got="none", wanted="those of a record", try_next="choosing them above")
        kept: tuple[tuple[str, bytes], ...] | None = question.state.retained(("record files", retained))
        if kept is None:
            raise InputError("files", got="some that are no longer kept", wanted="them", try_next="choosing them anew")
        return kept
    if len(handed) > _MOST_FILES:
        raise InputError("files of a record", got=f"{len(handed):,} at once", wanted=f"at most {_MOST_FILES}")
    named = tuple((name, bytes_of(name, text)) for name, text in handed)
    if sum(len(data) for _, data in named) > _LARGEST_BYTES:
        most = f"at most {_LARGEST_BYTES // 2**20} MB together"
        raise InputError("files of a record", got="more", wanted=most, try_next="fewer at once")
    return named


def _retained_key(named: Sequence[tuple[str, bytes]]) -> tuple[str, str]:
    digest = hashlib.sha256()
    for name, data in named:
        digest.update(repr((name, len(data))).encode())
        digest.update(data)
    return ("record files", digest.hexdigest())


def _added(question: PageRequest, named: Sequence[tuple[str, bytes]], given: Given) -> Added:
    """Read the files in a worker and put the record into the journal. Raises Pending, InputError."""
    answers = given.answers(question)
    names = [name for name, _ in named]
    if len(named) > 1:
        if given.nearest not in names:
            raise InputError(
                f"{len(named)} files at once", wanted="which of them is the log of your own router",
                try_next="choosing it below, or one file after the other",
            )  # fmt: skip
        # The nearest target first, as on the command line.
        named = sorted(named, key=lambda each: each[0] != given.nearest)
    called = given.texts.get("name", "")
    told = tuple((field.name, str(getattr(answers, field.name))) for field in dataclasses.fields(answers))
    key = ("record", _retained_key(named), told, called)
    read = question.state.work_out(key, work.read_record, tuple(named), answers, called, deadline_s=_READ_WITHIN_S)
    record = read.record
    _check_past(question, record)
    workspace = question.workspace
    try:
        with Journal(workspace.journal_file) as journal:
            journal.add_record(record, replace=given.replace)
    except OSError as error:
        raise InputError(
            f"journal {workspace.journal_file}", got=error.strerror or str(error), wanted="a file that can be written"
        ) from None
    sentence = added_sentence(record, question.clock(record.span), added=True)
    return Added(record.source, sentence, read.notes)


def _check_past(question: PageRequest, record: LineRecord) -> None:
    """Refuse a record of the future, of which the page would show nothing. Raises InputError."""
    if record.span.start >= question.now:
        clock = question.clock(record.span)
        raise InputError(
            f"record {record.source}",
            got=f"a beginning on {clock.when(record.span.start)}, which is still to come",
            wanted="a record of what has been",
            try_next="its date and its time zone",
        )


def register(app: Dash, state: DashboardState) -> None:
    """Take the files, ask for what they do not say, and show the record once it is in the journal."""

    def question_of(search: str | None) -> PageRequest:
        return state.question(read_query(search)[0])

    def take_files(handed: Sequence[tuple[str, str]], *states: Any) -> Added | Asked:
        *texts, nearest, replace, strict, held, search = states
        given = Given(
            {key: str(text or "").strip() for key, text in zip(_TYPED, texts, strict=True)}, str(nearest or ""),
            bool(replace), bool(strict),
        )  # fmt: skip
        return take(question_of(search), handed, given, "" if not held else str(held["files"]))

    def done(found: Added | Asked, *states: Any) -> list[Any]:
        *texts, nearest, _, _, held, search = states
        if isinstance(found, Added):
            # A day chosen may not be one of its own.
            query = query_of(changed(read_query(search)[0], {"record": found.name, "of": None}))
            page: list[Any] = [query, state.now().isoformat(), None, False]
            return [told(found), *page, *map(_hidden, _PLACES), *[""] * len(_TYPED), [], None, []]
        # What was asked for before is still wanted.
        before = () if not held or held["files"] != found.retained else held["asked"]
        asked = [*before, *found.fields]
        page = [no_update, no_update, {"files": found.retained, "asked": asked}, True if found.fields else no_update]
        hidden = [key not in asked if asked else _hidden(key) for key in _PLACES]
        texts = [
            question_of(search).site.timezone if key == "zone" and key in asked and not text else no_update
            for key, text in zip(_TYPED, texts, strict=True)
        ]
        options = list(found.names) if len(found.names) > 1 else []
        return [fault_line(found.error), *page, *hidden, *texts, options, nearest, no_update]

    _FILES.register(
        app,
        take_files,
        done,
        [
            Output("address", "search", allow_duplicate=True),
            Output("changed", "data", allow_duplicate=True),
            Output("added-held", "data", allow_duplicate=True),
            Output("added-more", "open", allow_duplicate=True),
            *(Output(f"added-place-{key}", "hidden", allow_duplicate=True) for key in _PLACES),
            *(Output(f"added-{key}", "value", allow_duplicate=True) for key in _TYPED),
            Output("added-nearest", "options", allow_duplicate=True),
            Output("added-nearest", "value", allow_duplicate=True),
            Output("added-replace", "value", allow_duplicate=True),
        ],
        [
            *(State(f"added-{key}", "value") for key in _TYPED),
            State("added-nearest", "value"),
            State("added-replace", "value"),
            State("added-strict", "value"),
            State("added-held", "data"),
            State("address", "search"),
        ],
        again=Input("added-go", "n_clicks"),
    )


def told(found: Added) -> list[Any]:
    """Return what is said of a record that was added."""
    notes = [html.Ul([html.Li(note) for note in found.notes], className="quiet")] if found.notes else []
    return [html.P(found.sentence, className="done"), *notes]
