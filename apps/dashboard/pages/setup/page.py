"""Setup: sites, mounting spots, gateways, terminal and fleets, and a form that shows what a change does to the file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim import Fleet, Span
from passim.errors import InputError, PassimError
from passim.line import machines_here, parse_targets
from passim.workspace import Workspace, changing

from ....figures.setup import places
from ....figures.theme import Theme
from ....text import setup as words
from ....text.line import enough_sentence
from ....text.notes import Note, weighed
from ....text.setup import workspace_sentences
from ....text.units import printable
from ....text.ways_out import in_page_words
from ...address import changed, query_of, read_query
from ...file_changes import lines_block
from ...links import linked
from ...notes import common_notes
from ...page_model import Answer, Help, Page, Panel, PanelContent, Table
from ...parts import aria, part
from ...state import DashboardState, PageRequest
from ...upload import fault_line
from . import form

_KEY: Final = "edit"
_FIELD: Final = "setup-field"
_SUGGESTED: Final = "setup-suggested"

PLAN = Panel(
    "plan",
    "Where everything stands",
    Help(
        "Sites as dots and gateways as squares, north up, with a dotted line from each site to the gateways that count "
        "for it. The table has every mounting spot with its horizon and its limits.",
        "Places as the workspace gives them; a degree of longitude is drawn as wide as it is at the middle.",
        "passim.toml, the file of the workspace.",
    ),
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say what the workspace holds."""
    workspace = question.workspace
    settings = workspace.settings
    fleet = _fleet(question)
    counts = [
        (site, each.name)
        for site in workspace.site_names
        for each in words.gateway_distances(workspace, site, fleet)
        if each.counts
    ]
    figure = places(
        [(site.name, site.latitude_deg, site.longitude_deg) for site in settings.sites],
        [(each.name, each.latitude_deg, each.longitude_deg) for each in settings.gateways],
        counts,
        theme,
    )
    rows = words.place_rows(workspace)
    without = [site for site in workspace.site_names if site not in {name for name, _ in counts}]
    return Answer(
        words.workspace_sentence(workspace),
        {
            PLAN.name: PanelContent(
                figure,
                words.map_caption(without, words.gateway_sentences(workspace, fleet)),
                Table(rows, words.PLACE_COLUMNS, of_site=False),
            )
        },
        (
            *weighed([*workspace_sentences(workspace), *filter(None, [words.lower_than_terminal(workspace)])]),
            *_notes(question),
        ),
        _next(question),
    )


def _next(question: PageRequest) -> str:
    """Return what to do next: what stands in the way comes first, where nobody has said it yet."""
    unknown = question.workspace.horizon_unknown(question.site_name, question.choices.spot)
    return f"{words.NEXT_ROOF_LINE if unknown else words.READY} {words.HOW}"


def section(question: PageRequest) -> Any:
    """Return the form of what is chosen."""
    return html.Section(
        [
            html.Div(_form(question), id="setup-body"),
            html.Div(id="setup-told", role="status"),
            html.Button(
                words.UNDO,
                id="setup-undo",
                className="button",
                n_clicks=0,
                disabled=not question.workspace.can_undo,
            ),
            *([html.P(words.INVENTED, className="quiet")] if question.state.invented else []),
        ],
        className="setup",
        **aria(label="Change something"),
    )


def choose(question: PageRequest) -> Any:
    """Return what there is to change, as links."""
    return html.Div(_lists(question), id="setup-lists")


def register(app: Dash, state: DashboardState) -> None:
    """Show what a change does, write it, take it back."""
    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("passim", "toWhatIsTold"),
        Input("changed", "data"),
        State("address", "pathname"),
        prevent_initial_call=True,
    )

    def request_of(search: str | None) -> PageRequest:
        return state.question(read_query(search)[0])

    @app.callback(
        Output("setup-shown", "children"),
        Output("setup-pending", "data"),
        Output("setup-write", "disabled"),
        Output("setup-write", "children"),
        Input({"part": _FIELD, "name": ALL}, "value"),
        Input("setup-remove", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def show(_: list[str | None], removals: int | None, search: str | None) -> Any:
        question = request_of(search)
        item = _item(question)
        if item is None:
            return (no_update,) * 4
        typed = _typed(ctx.inputs_list[0])
        removing = bool(removals) and ctx.triggered_id == "setup-remove"
        return _shown(question.workspace, item, typed, removing=removing)

    @app.callback(
        Output({"part": _FIELD, "name": "method"}, "value"),
        Input({"part": _FIELD, "name": "address"}, "value"),
        prevent_initial_call=True,
    )
    def choose_method(address: str | None) -> Any:
        # A name server is asked for a name, a router at its port.
        methods = {each.address: each.method for each in words.suggested_targets(machines_here())}
        return methods.get((address or "").strip(), no_update)

    @app.callback(
        Output("setup-lists", "children"),
        Output("setup-body", "children"),
        Output("setup-told", "children"),
        Output("changed", "data", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
        Output("setup-undo", "disabled"),
        Input("setup-write", "n_clicks"),
        State("setup-pending", "data"),
        State({"part": _FIELD, "name": ALL}, "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def write(clicks: int | None, pending: Any, _: list[str | None], search: str | None) -> Any:
        same = (no_update,) * 6
        if not clicks or not isinstance(pending, dict):
            return same
        question = request_of(search)
        item = form.EditedPart.read(str(pending["item"]))
        if item is None:
            return same
        if not pending["removing"] and _typed(ctx.states_list[1]) != pending["typed"]:
            # A key was struck after the change was shown: what is written is what stands in the fields, and was seen.
            return no_update, no_update, html.P(words.TYPED_SINCE, className="fault"), no_update, no_update, no_update
        try:
            change = _change(question.workspace, item, pending["typed"], removing=bool(pending["removing"]))
            assert change is not None  # it was shown
            changing.write(question.workspace, change, pending["lines"])
        except PassimError as error:
            return no_update, no_update, fault_line(error), no_update, no_update, no_update
        kind, named = item.part.kind, str(pending["typed"].get("name", "")).strip() or item.part.name
        parts = [html.P(words.WRITTEN, className="done"), lines_block(pending["lines"])]
        if kind == "target":
            count, running = len(state.workspace.line.targets), state.recorder.running
            message = words.target_written(count, added=item.new, running=running)
            to_it = query_of(changed(question.choices, {_KEY: None}))
            parts[0] = html.P(linked(f"{message} {words.BACK_TO_RECORDING}", to_it), className="done")
        if kind == "fleet" and item.new:
            to_it = query_of(changed(question.choices, {"fleet": named, _KEY: None}))
            parts[0] = html.P(linked(words.FEED_WRITTEN, to_it), className="done")
        if kind == "spot" and item.new:
            to_it = query_of(changed(question.choices, {"site": item.part.site, "spot": named, _KEY: None}))
            parts[0] = html.P(linked(words.SPOT_WRITTEN, to_it), className="done")
        if kind in ("site", "gateway") and not pending["removing"]:
            told = words.gateway_sentences(state.workspace, _fleet(request_of(search)), [named])
            parts[1:1] = [html.P(sentence) for sentence in told]
        if kind in ("site", "spot", "terminal") and (lower := words.lower_than_terminal(state.workspace)):
            parts.insert(1, html.P(lower))
        # What was added, renamed or removed is chosen no longer by its old name.
        values: dict[str, str | None] = {_KEY: None}
        if kind == "target" and item.new and count < words.HOSTS_WANTED:
            values[_KEY] = item.value
        if not item.new and kind in ("site", "spot", "fleet"):
            values |= {"site": None, "spot": None} if kind != "fleet" else {"fleet": None}
        query = query_of(changed(question.choices, values))
        new = request_of(query)
        return _lists(new), _form(new), parts, state.now().isoformat(), query, not new.workspace.can_undo

    @app.callback(
        Output("setup-lists", "children", allow_duplicate=True),
        Output("setup-body", "children", allow_duplicate=True),
        Output("setup-told", "children", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input("setup-undo", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def undo(clicks: int | None, search: str | None) -> Any:
        if not clicks:
            return (no_update,) * 4
        try:
            _, lines = state.workspace.undo()
        except PassimError as error:
            return no_update, no_update, fault_line(error), no_update
        parts = [html.P(words.UNDONE, className="done"), lines_block(lines)]
        new = request_of(search)
        return _lists(new), _form(new), parts, state.now().isoformat()


def _typed(entries: Sequence[Any]) -> dict[str, str]:
    """Return the text of every field, by its key."""
    return {entry["id"]["name"]: entry.get("value") or "" for entry in entries}


def _notes(question: PageRequest) -> Sequence[Note]:
    """Return what holds whatever is looked at; where the fleet cannot be read, why: it may be mended here.

    Raises WorkspaceError for a site, a spot or a fleet that the workspace does not have.
    """
    question.workspace.spot_settings(question.site_name, question.choices.spot)
    question.workspace.fleet_settings(question.choices.fleet)
    try:
        return common_notes(question, Span.starting(question.now))
    except InputError as error:
        return weighed([f"{in_page_words(error)}."])


def _fleet(question: PageRequest) -> Fleet | None:
    """Return the fleet chosen; None where there is none yet, or none that can be read: other pages say why."""
    try:
        return None if question.workspace.missing else question.fleet
    except InputError:
        return None


def _item(question: PageRequest) -> form.EditedPart | None:
    # Without a site there is one thing to begin with.
    first = None if question.workspace.site_names else form.EditedPart.read("new-site")
    return form.EditedPart.read(question.choices.other(_KEY)) or first


def _change(
    workspace: Workspace, item: form.EditedPart, typed: dict[str, str], *, removing: bool
) -> changing.Change | None:
    return changing.remove(item.part) if removing else form.change_of(workspace, item, typed)


def _shown(
    workspace: Workspace, item: form.EditedPart, typed: dict[str, str], *, removing: bool
) -> tuple[Any, dict[str, Any] | None, bool, str]:
    """Return what a change would do, itself to be written, whether its button is disabled, and what that says."""
    try:
        change = _change(workspace, item, typed, removing=removing)
        if change is None:
            return html.P(words.UNTOUCHED, className="quiet"), None, True, words.WRITE
        lines = changing.shown(workspace, change)
    except InputError as error:
        return fault_line(error), None, True, words.WRITE
    if not lines:
        return html.P(words.NOTHING), None, True, words.WRITE
    parts = [html.P(words.GOES if removing else words.WOULD), lines_block(lines)]
    pending = {"item": item.value, "typed": typed, "removing": removing, "lines": lines}
    return parts, pending, False, words.REMOVE_NOW if removing else words.WRITE


def _lists(question: PageRequest) -> Any:
    """Return a row of links a kind."""
    rows, chosen = [], _item(question)
    for kind, each in form.items(question.workspace).items():
        links = []
        for item in each:
            query = query_of(changed(question.choices, {_KEY: item.value}))
            current = aria(current="true") if item == chosen else {}
            links.append(html.Li(html.A(_called(item), href=f"/setup{query}", className="setup-link", **current)))
        if kind == "fleet":
            links.append(html.Li(html.A(words.ADD_FLEET, href="/elements", className="setup-link")))
        rows.append(html.Div([html.Span(words.KINDS[kind], className="choice-label"), html.Ul(links)]))
    return html.Nav(rows, className="setup-lists", **aria(label="What can be changed"))


def _called(item: form.EditedPart) -> str:
    part_ = item.part
    if item.new:
        at = f" at {part_.site}" if part_.site else ""
        return f"{words.NEW[part_.kind]}{printable(at)}"
    return printable(f"{part_.site}, {part_.name}" if part_.site else part_.name or words.KINDS[part_.kind])


def _form(question: PageRequest) -> list[Any]:
    """Return the fields of what is chosen, and the place for what a change does."""
    item = _item(question)
    if item is None:
        return []
    try:
        fields = form.fields_of(question.workspace, item)
    except InputError as error:
        return [html.P(in_page_words(error), className="fault")]
    removable = not item.new and item.part.kind != "terminal"
    explained: list[Any] = []
    parts, pending, forbidden, label = html.P(words.UNTOUCHED, className="quiet"), None, True, words.WRITE
    if item.part.kind == "target":
        here = machines_here()
        suggested = words.suggested_targets(here)
        next_one = words.next_target(suggested, parse_targets(question.workspace.line.targets))
        if item.new and next_one is not None:
            # The nearest comes first.
            given = {"name": next_one.name, "method": next_one.method, "address": next_one.address}
            fields = [(field, given.get(field.key, text)) for field, text in fields]
            # What is suggested may be taken as it stands.
            typed = {field.key: text for field, text in fields}
            parts, pending, forbidden, label = _shown(question.workspace, item, typed, removing=False)
        said = filter(None, (f"{words.ASKED} {enough_sentence()}", words.suggested_sentence(suggested)))
        explained += [html.P(each, className="quiet") for each in said]
        options = [html.Option(value=each.address, label=each.what) for each in suggested]
        explained.append(html.Datalist(options, id=_SUGGESTED))
    return [
        html.H2(_called(item), className="panel-title"),
        *explained,
        html.Div([part_ for field, text in fields for part_ in _headed(field, text)], className="setup-fields"),
        html.Div(parts, id="setup-shown", role="status"),
        dcc.Store(id="setup-pending", data=pending),
        html.Div(
            [
                html.Button(label, id="setup-write", className="button strong", n_clicks=0, disabled=forbidden),
                html.Button(words.REMOVE, id="setup-remove", className="button", n_clicks=0, hidden=not removable),
            ],
            className="button-row",
        ),
    ]


def _headed(field: words.Field, text: str) -> list[Any]:
    """Return a field, under the heading of its group where it is the first of one."""
    heading = [html.H3(field.heading, className="setup-group")] if field.heading else []
    return [*heading, _field(field, text)]


def _field(field: words.Field, text: str) -> Any:
    """Return a field with its label and how to fill it."""
    if field.options:
        choice = dcc.RadioItems(
            id=part(_FIELD, field.key),
            options=[{"value": value, "label": label} for value, label in field.options],
            value=text,
            className="ways",
        )
        return html.Fieldset([html.Legend(field.label, className="choice-label"), choice], className="setup-field")
    # Dash does not list this kind of keyboard, which phones know.
    keyboard: dict[str, Any] = {"inputMode": "decimal"} if field.number else {}
    if field.key == "address":
        keyboard["list"] = _SUGGESTED
    return html.Label(
        [
            html.Span(field.label, className="choice-label"),
            dcc.Input(
                id=part(_FIELD, field.key),
                value=text,
                type="text",
                **keyboard,
                autoComplete="off",
                className="field",
            ),
            html.Span(field.hint, className="quiet"),
        ],
        className="setup-field",
    )


PAGE: Final = Page(
    path="/setup",
    name="Setup",
    asks="What does passim take for granted here?",
    panels=(PLAN,),
    answer=answer,
    uses=(),
    extra=choose,
    below=lambda question: [section(question)],
    register=register,
    loads=True,
    looks_back=True,
)
