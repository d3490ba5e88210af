"""The shell round every page: navigation, the choices all pages share, the place of the page, what keeps it true."""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Hashable, Sequence
from dataclasses import asdict
from typing import Any, Final

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.errors import InputError
from passim.parallel import Job, WorkLost

from ..figures.theme import LIGHT, THEMES
from ..text.notes import weighed
from ..text.query import CAUTION
from ..text.units import unbroken
from ..text.ways_out import in_a_sentence, in_page_words
from ..text.workspace import ALL_INVENTED, ALL_SITES, DEMONSTRATION, lacking_sentence, next_page, next_steps
from . import report_button
from .address import query_of, read_query
from .answer_cache import share
from .controls import ControlOptions, known, options_of_controls
from .links import linked
from .notes import age_warning, answered, notes_list
from .page_model import Answer, Page
from .parts import aria, choice_list, file_path, nothing_yet, panel_block, part, table_data
from .state import DashboardState, PageRequest, Pending

_LOG: Final = logging.getLogger(__name__)
_POLL_MS: Final = 400
_HOUR_MS: Final = 3_600_000
NOT_YET: Final = "…"
NO_ANSWER: Final = "No answer to this choice."
# How the requests of the two callbacks begin that answers are kept of.
_OPENED: Final = "..opened.data...choices.children..."
_REFRESHED: Final = "..sentence.children...second.children..."
_MINUTE_S: Final = 60
# Of so many letters the longest words of the lists fit beside the names of the pages, where those are one row.
_LETTERS_BESIDE: Final = 42
_IN_HEAD: Final = ("place", "day", "fleet")

INDEX: Final = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
{%favicon%}
{%css%}
<link rel="preload" as="script" fetchpriority="low" href="/_dash-component-suites/plotly/package_data/plotly.min.js">
</head>
<body>
<noscript>The pages of passim need JavaScript; its commands do not: passim now, passim gaps.</noscript>
{%app_entry%}
<div>{%config%}{%scripts%}{%renderer%}</div>
</body>
</html>"""


def layout(pages: Sequence[Page], gone: str, *, log_out: bool = False) -> Any:
    """Return the shell, with the places that callbacks fill, and a button to log out where a password is asked for.

    `gone` is what the browser says where the server does not answer.
    """

    # The browser marks the page that is open, and gives each link the choices of the address.
    def links(*, asks: bool = False) -> list[Any]:
        names = [html.A(page.name, href=page.path, className="page-link", title=page.asks) for page in pages]
        if not asks:
            return [html.Li(name) for name in names]
        told = [html.Span(page.asks, className="asks") for page in pages]
        return [html.Li([name, words]) for name, words in zip(names, told, strict=True)]

    in_the_page: dict[str, Any] = {"data-gone": gone}
    return html.Div(
        [
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="scheme"),
            dcc.Store(id="changed"),
            dcc.Store(id="offers"),
            dcc.Store(id="tables"),
            dcc.Store(id="job"),
            dcc.Store(id="worked"),
            dcc.Store(id="again"),
            dcc.Store(id="opened"),
            dcc.Store(id="shown"),
            dcc.Store(id="begun"),
            dcc.Interval(id="tick", interval=_HOUR_MS, disabled=True),
            dcc.Interval(id="poll", interval=_POLL_MS, disabled=True),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    html.Div(
                        [
                            html.Span("passim", className="wordmark"),
                            html.Nav(
                                [
                                    html.Ul(links(), className="link-row"),
                                    html.Details([html.Summary("Menu"), html.Ul(links(asks=True))], className="menu"),
                                ],
                                **aria(label="Pages"),
                            ),
                        ],
                        className="head-row",
                    ),
                    html.Div(id="choices", className="choices"),
                ],
                className="head",
            ),
            html.Main(
                [
                    # On paper there are no lists to read it from: assets/passim.js fills it.
                    html.P(id="chosen", className="on-paper"),
                    html.Div(id="left-out", role="alert"),
                    html.Div(id="notice", role="alert"),
                    html.Div(
                        [
                            html.Span("Computing… "),
                            html.Progress(id="progress", max="1", value="0", **aria(label="Share of the work done")),
                            html.Button("Stop", id="stop", className="button", n_clicks=0),
                        ],
                        id="working",
                        hidden=True,
                        className="working",
                    ),
                    # The browser counts down in it, from the times of the last answer.
                    html.P(id="live", role="timer", **aria(live="off")),
                    html.H1(NOT_YET, id="sentence"),
                    html.P(id="second", className="second"),
                    html.Div(id="panels"),
                    html.Div(id="notes", className="notes"),
                ],
                id="page",
                tabIndex=-1,
            ),
            html.Footer(
                [
                    report_button.place(),
                    html.P(CAUTION.text, className="caution"),
                    *([_log_out_button()] if log_out else []),
                ]
            ),
            html.Div(id="announce", className="unseen", role="status"),
        ],
        className="sheet",
        **in_the_page,
    )


def _log_out_button() -> Any:
    return html.Form(
        html.Button("Log out", type="submit", className="button"), id="log-out", method="post", action="/logout"
    )


def first_words(page: Page, question: PageRequest) -> Any:
    """Return the sentence of a page where it is known already; `refresh` says why there is none."""
    try:
        return lead(answered(question, page, LIGHT), query_of(question.choices))
    except (Pending, InputError, WorkLost):
        return no_update


def _head(offered: dict[str, ControlOptions]) -> list[Any]:
    """Return the lists that all pages share; the last is marked where their words have no room beside the pages."""
    lists = {key: offered[key] for key in _IN_HEAD if key in offered}
    letters = sum(max(len(words) for _, words in offer.options) for offer in lists.values())
    several = "fleet" in lists and len(lists["fleet"].options) > 1
    return [
        # A list of one fleet is no choice.
        choice_list(
            key, offer.label, hidden=key == "fleet" and not several,
            wide=key == "fleet" and several and letters > _LETTERS_BESIDE,
        )
        for key, offer in lists.items()
    ]  # fmt: skip


def told_in_head(question: PageRequest, offered: dict[str, ControlOptions]) -> list[Any]:
    """Return what the head says beside the lists: that things are invented, and on paper that no single site is meant.

    The browser puts both on paper as well, before what is chosen in the lists.
    """
    workspace = question.workspace
    words = ""
    if question.state.invented or all(fleet.invented for fleet in workspace.settings.fleets):
        words = ALL_INVENTED if workspace.stands_in() else DEMONSTRATION
    return [
        *([html.P(words, className="invented told")] if words else []),
        *([] if "place" in offered else [html.P(ALL_SITES, className="on-paper told")]),
    ]


def fill_page(page: Page, question: PageRequest, offered: dict[str, ControlOptions]) -> list[Any]:
    """Return a page with its places empty; `install` and the browser fill them."""
    own = (control.key for control in page.controls if not control.placed)
    near = [key for key in (*own, "mask") if key in offered]
    controls = html.Div([choice_list(key, offered[key].label) for key in near], className="choices near")
    beside = [*([controls] if near else []), *([page.extra(question)] if page.extra is not None else [])]
    if beside:
        # The browser fills it with what comes with the lists.
        beside.insert(0, html.Dl(className="key-figures"))
    first, *rest = [panel_block(page, panel, beside if panel is page.panels[0] else ()) for panel in page.panels]
    return [first, *(page.below(question) if page.below is not None else ()), *rest]


def questions(pages: Sequence[Page], query: str) -> Any:
    """Return what the other pages answer, each as a link: the way for whoever opens the first page with a question."""
    rows = [
        html.Li([html.A(page.asks, href=f"{page.path}{query}", className="page-link"), f" {page.name}"])
        for page in pages
    ]
    return html.Nav(
        [html.H2("More questions", id="more-questions", className="panel-title"), html.Ul(rows)],
        className="questions",
        **aria(labelledby="more-questions"),
    )


def install(app: Dash, state: DashboardState, pages: Sequence[Page]) -> None:
    """Register the callbacks of the shell; they fetch state and hand it to the pages, and compute nothing."""
    by_path = {page.path: page for page in pages}

    def request_of(search: str | None) -> tuple[PageRequest, tuple[str, ...]]:
        choices, faults = read_query(search)
        choices, unknown = known(state.workspace, choices)
        return state.question(choices), (*faults, *unknown)

    @app.callback(
        Output("opened", "data"),
        Output("choices", "children"),
        Output("tick", "interval"),
        Output("tick", "disabled"),
        Output("sentence", "children", allow_duplicate=True),
        Input("address", "pathname"),
        Input("begun", "data"),
        State("address", "search"),
        State("sentence", "children"),
        prevent_initial_call="initial_duplicate",
    )
    def open_page(path: str, _: Any, search: str | None, told: Any) -> Any:
        page = by_path.get(path)
        if page is None:
            return no_update
        interval_ms = _HOUR_MS if page.tick_s is None else int(page.tick_s * 1000)
        question, _ = request_of(search)
        if question.workspace.missing:
            # What brings the first site and the first satellites works without any.
            first = [page.extra(question)] if page.loads and page.extra is not None else []
            first += page.below(question) if page.loads and page.below is not None else []
            return {"path": path, "panels": first}, [], interval_ms, True, no_update
        share()
        offered = options_of_controls(question, page)
        head = [*told_in_head(question, offered), *_head(offered)]
        # The first page's sentence comes before the browser loads what draws its pictures, which takes a while.
        words = first_words(page, question) if told == NOT_YET else no_update
        panels = fill_page(page, question, offered)
        if page is pages[0]:
            panels.append(questions(pages[1:], query_of(question.choices)))
        opened = {"path": path, "panels": panels}
        return opened, head, interval_ms, page.tick_s is None, words

    @app.callback(
        Output("sentence", "children"),
        Output("second", "children"),
        Output("notes", "children"),
        Output("notice", "children"),
        Output("working", "hidden"),
        Output("progress", "value"),
        Output("poll", "disabled"),
        Output("job", "data"),
        Output(part("picture", ALL), "figure"),
        Output(part("caption", ALL), "children"),
        Output(part("csv", ALL), "href"),
        Output("tables", "data"),
        Output("offers", "data"),
        Input("shown", "data"),
        Input("address", "search"),
        Input("scheme", "data"),
        Input("tick", "n_intervals"),
        Input("worked", "data"),
        Input("again", "data"),
        Input("changed", "data"),
        State("sentence", "children"),
        prevent_initial_call=True,
    )
    def refresh(path: str, search: str | None, scheme: str | None, *others: Any) -> Any:
        names = [[entry["id"]["name"] for entry in group] for group in ctx.outputs_list[8:11]]
        page = by_path.get(path)
        # The colours come with the first word from the browser; before it there is nothing to draw.
        if page is None or scheme is None:
            return (*unchanged(names), no_update)
        # What a page showed stays while a new answer is worked out; another page's sentence does not.
        fresh = any(entry["prop_id"].startswith("shown.") for entry in ctx.triggered)
        fresh = fresh or others[-1] in (NOT_YET, NO_ANSWER)
        question, left_out = request_of(search)
        faults = (state.workspace_fault,) if state.workspace_fault else ()
        missing = question.workspace.missing
        if missing:
            steps = next_steps(missing, question.workspace.file, on_pages=True)
            following = next_page(missing, page.name, gateways=bool(question.workspace.settings.gateways))
            answer = Answer(lacking_sentence(missing), {}, weighed(steps), following)
            return (*filled(page, answer, names, "", faults), {"path": path, "search": search or "", "lists": {}})
        answer_shown: Answer | None = None
        waiting = False
        try:
            answer = answer_shown = answered(question, page, THEMES.get(scheme, LIGHT))
        except Pending as still:
            found, waiting = unchanged(names, fresh, job=still.job, messages=faults), True
        except InputError as error:
            found = unchanged(names, fresh, messages=faults, failed=in_page_words(error))
        except WorkLost as lost:
            found = unchanged(names, fresh, messages=faults, failed=in_a_sentence(lost))
        except Exception as error:
            _LOG.exception("page %s, %s", path, search)
            defect = f"This is a defect in passim, not in what you chose: {type(error).__name__}. Its log says where."
            found = unchanged(names, fresh, messages=faults, failed=defect)
        else:
            if answer.still is None:
                share()
            warning = age_warning(question, page)
            messages = (*faults, warning) if warning else faults
            found = filled(page, answer, names, query_of(question.choices), messages)
        # What there is to choose may depend on what has just been worked out, such as the gaps of a day.
        lists = {key: offer.plain() for key, offer in options_of_controls(question, page).items()}
        # The browser asks again where an answer to an earlier question came last.
        found_lists: dict[str, Any] = {"path": path, "search": search or "", "lists": lists}
        # What a page without satellites or sites had no places for has them now.
        found_lists["begin"] = not names[1]
        # Until its answer is there, what a page shows answers something else.
        found_lists["waiting"] = waiting
        if answer_shown is not None:
            found_lists["figures"] = [[unbroken(value), words] for value, words in answer_shown.figures]
            found_lists["about"] = {name: unbroken(shown.about) for name, shown in answer_shown.panels.items()}
            found_lists["live"] = None if answer_shown.live is None else asdict(answer_shown.live)
        # What cannot be used goes out of the address, so that no link carries it on; the browser keeps saying so.
        if left_out:
            found_lists |= {"sound": query_of(question.choices), "message": " ".join(left_out)}
        return (*found, found_lists)

    # Asking how far the work is costs next to nothing; the page is asked again once, when there is something to show.
    @app.callback(
        Output("progress", "value", allow_duplicate=True),
        Output("poll", "disabled", allow_duplicate=True),
        Output("worked", "data"),
        Input("poll", "n_intervals"),
        State("job", "data"),
        prevent_initial_call=True,
    )
    def watch(_: int | None, number: int | None) -> Any:
        job = None if number is None else state.pool.numbered(int(number))
        return (no_update, True, number) if job is None else (f"{job.share:.2f}", no_update, no_update)

    @app.callback(
        Output("stop", "n_clicks"), Input("stop", "n_clicks"), State("job", "data"), prevent_initial_call=True
    )
    def stop(clicks: int, number: int | None) -> Any:
        if clicks and number is not None:
            state.pool.cancel(int(number))
        return no_update

    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(ClientsideFunction("passim", "scheme"), Output("scheme", "data"), Input("page", "id"))
    in_browser(
        ClientsideFunction("passim", "opened"),
        Output("panels", "children"),
        Output("shown", "data"),
        Input("opened", "data"),
        prevent_initial_call=True,
    )
    in_browser(ClientsideFunction("passim", "tables"), Input("tables", "data"))
    in_browser(ClientsideFunction("passim", "lists"), Input("offers", "data"))
    in_browser(ClientsideFunction("passim", "links"), Input("address", "pathname"), Input("address", "search"))
    in_browser(
        ClientsideFunction("passim", "title"),
        Output("announce", "children"),
        Input("panels", "children"),
        State("shown", "data"),
    )


def answer_key(state: DashboardState, page: Page, search: str | None, for_s: int = _MINUTE_S) -> Hashable | None:
    """Return what stands for an answer of a page that holds for `for_s`; None for one that is for one browser alone."""
    choices, _ = read_query(search)
    if any(choices.other(key) for key in page.private):
        return None
    question = state.question(choices)
    try:
        data = state.data_key(question)
    except InputError:
        return None
    # Whoever opens a page finds the switch that records as it stands.
    return (page.path, search, data, state.recorder.running, int(question.now.timestamp()) // for_s)


def request_key(state: DashboardState, pages: Sequence[Page], body: Any) -> Hashable | None:
    """Return what stands for a request of `open_page` or `refresh`, as Dash hands it on; None for every other.

    What only decides how it is said that there is no answer yet stays out, such as what the page showed before: then
    nothing is kept.
    """
    try:
        output, outputs = body["output"], json.dumps(body["outputs"], sort_keys=True)
        inputs, states = ([entry.get("value") for entry in body.get(name, ())] for name in ("inputs", "state"))
        if output.startswith(_OPENED):
            (path, search), scheme = (inputs[0], states[0]), str(states[1] == NOT_YET)
        elif output.startswith(_REFRESHED):
            path, search, scheme = inputs[:3]
        else:
            return None
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        return None  # forged: whoever takes it says so
    page = next((page for page in pages if page.path == path), None)
    if page is None or not all(value is None or isinstance(value, str) for value in (search, scheme)):
        return None
    # What a page that moves with the clock says is of the second.
    moves = output.startswith(_REFRESHED) and page.tick_s is not None
    key = answer_key(state, page, search, 1 if moves else _MINUTE_S)
    return None if key is None else (hashlib.sha256(f"{output} {outputs}".encode()).digest(), scheme, key)


def filled(page: Page, answer: Answer, names: list[list[str]], query: str, faults: tuple[str, ...]) -> Any:
    """Return what `refresh` puts into a page, in the order of its outputs but for the last."""
    pictures, captions, files = names
    tables = {}
    for name, shown in answer.panels.items():
        panel = page.panel(name)
        if panel is not None and shown.table is not None:
            tables[name] = table_data(shown.table, panel.title)
    return (
        lead(answer, query),
        linked(unbroken(answer.second), query),
        notes_list(answer.notes, query),
        [html.P(linked(fault, query)) for fault in faults],
        # One that moves with the clock shows what holds until its next answer is there: nothing to wait for.
        *_under_way(answer.still, shown=page.tick_s is None),
        [(answer.panels[name].figure or nothing_yet()) if name in answer.panels else no_update for name in pictures],
        [unbroken(answer.panels[name].caption) if name in answer.panels else "" for name in captions],
        [f"{file_path(page, name)}{query}" for name in files],
        tables,
    )


def lead(answer: Answer, query: str) -> Any:
    """Return the sentence of a page and what stands beside it, in which the pages named are links."""
    sentence = unbroken(answer.sentence)
    if not answer.beside:
        return sentence
    return [f"{sentence} ", html.Span(linked(unbroken(answer.beside), query), className="beside-sentence")]


def unchanged(
    names: list[list[str]],
    fresh: bool = False,
    *,
    job: Job | None = None,
    messages: Sequence[str] = (),
    failed: str = "",
) -> Any:
    """Return what leaves a page as it is, but for the line of work under way and why there is no answer.

    An answer to an earlier question stays, and the style sheet greys it; a page that never had one has no picture.
    """
    because = [html.P(linked(failed), className="failed bare" if fresh else "failed")] if failed else []
    return (
        *((NO_ANSWER if failed else NOT_YET, "", []) if fresh else (no_update, no_update, no_update)),
        [*because, *(html.P(linked(line)) for line in messages)],
        *_under_way(job),
        *[[no_update] * len(group) for group in names],
        {} if fresh else no_update,
    )


def _under_way(job: Job | None, *, shown: bool = True) -> tuple[bool, str, bool, int | None]:
    """Return whether the line of work is hidden, the share done, whether nobody asks for it, and its number."""
    return (True, "1", True, None) if job is None else (not shown, f"{job.share:.2f}", False, job.number)
