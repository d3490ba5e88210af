"""Elements: what is loaded, how old it is, who serves and why the others do not; load files."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd
from dash import ALL, Dash, Input, Output, State, ctx, html, no_update

from passim import Span
from passim.elements import Skipped, shells
from passim.errors import InputError, PassimError
from passim.forecast import timing
from passim.workspace import adding

from ...figures.fleet import ages, by_status
from ...figures.hindcast import GapCounts, forecast_gaps
from ...figures.theme import Theme
from ...figures.timing_errors import errors_by_age
from ...text import elements as elements_words
from ...text.hindcast import (
    INVENTED_TODAY,
    LEARNED_COLUMNS,
    NO_FEED,
    ONE_SNAPSHOT,
    QUALITY_COLUMNS,
    learned_rows,
    quality_sentence,
    quality_table,
)
from ...text.notes import Note, left_out
from ...text.query import health_sentence
from ...text.service import without_handovers_note
from ...text.skipped import left_out_words
from ...text.timing import timing_sentence
from ...text.units import counted
from ...text.ways_out import in_page_words
from ..address import changed, query_of, read_query
from ..file_changes import lines_block, take_back_button, taken_back
from ..notes import common_notes
from ..page_model import Answer, Help, Page, Panel, PanelContent, Table
from ..parts import aria
from ..state import DashboardState, PageRequest, Pending
from ..tasks import feeds as feed_work, passes as work
from ..upload import Upload, bytes_of, fault_line
from . import feed

# The whole public catalogue is about 30 MB as JSON. Browsers send it with a third on top, and the server takes 48 MiB.
LARGEST_FILE_BYTES: Final = 32 * 2**20
MOST_FILES: Final = 8
_READ_WITHIN_S: Final = 60.0
_INVENTED: Final = "elements-invented"
# So many objects are printed, those first that do not serve: thousands would fill sheet after sheet.
_ON_PAPER: Final = 20

STATUS = Panel(
    "status",
    "Who serves",
    Help(
        "How many of the fleet's objects are on station in a shell, drifting, stale or decayed. Those on station are "
        "assumed to serve.",
        "Shells are found where many objects share altitude and inclination; on station means within 5 km and 0.15° "
        "of one and hardly climbing or sinking. Stale means elements older than 14 days.",
        "The element sets alone: they show orbits, not what an operator does with them.",
    ),
)
LATELY = Panel(
    "lately",
    "What happened lately",
    Help(
        "Who was manoeuvred, who went missing, and which launches arrived.",
        "A manoeuvre is a change of an orbit between two element sets that neither drag nor the scatter of the fits "
        "explains: more than 100 m of its altitude or 0.01° of its inclination, of the last 7 days. Missing is who "
        "stands in a snapshot of the last 30 days and not in the newest.",
        "The snapshots that a feed keeps each time it brings new elements.",
    ),
    picture=False,
)
SHELLS = Panel(
    "shells",
    "Shells, planes and slots",
    Help(
        "Where the objects are, and how far the planes of a shell are filled.",
        "A shell gathers objects within 5 km and 0.15° of where they stand densest. Its planes are told apart by their "
        "nodes, and the slots of a plane by the spacing that most satellites keep to the next.",
        "The element sets alone.",
    ),
    picture=False,
)
AGES = Panel(
    "ages",
    "How old the elements are",
    Help(
        "How many objects have elements of which age. The older the elements, the further off single passes and gaps "
        "may be.",
        "Now minus the epoch of each object's nearest element set.",
        "The epochs in the element files.",
    ),
)
ERRORS = Panel(
    "errors",
    "How far off satellites come",
    Help(
        "How early or late a satellite comes by the age of its elements, one standard deviation. The odds of every "
        "answer go by the line in force.",
        "Each satellite is carried forward from older elements to the epoch of newer ones; how far it stands from "
        "there along its orbit is how late it came. The bars are the bounds of 95 cases in 100.",
        "The snapshots that passim update kept of this very fleet. Without enough of them the usual errors hold, from "
        "published ones at 550 km (passim.forecast.timing).",
    ),
)
QUALITY = Panel(
    "quality",
    "How older elements did",
    Help(
        "Whether gaps forecast from elements of some days ago came: near their time, further off, or not at all, and "
        "how many came that had not been forecast.",
        "The newest snapshot of the fleet is taken for what came, over the 48 hours about its epochs, at the place "
        "chosen. A gap came as forecast where it began within twice the timing error of both snapshots; further off, "
        "up to 15 s. It is what passim hindcast tells, with odds and scores besides.",
        "The snapshots that a feed keeps each time it brings new elements: the newest, and those of one, three and "
        "seven days before. Without them, older elements of the same satellites in another fleet of the workspace, or "
        "in the files of this one. The newest are close to the truth but not the truth: some tenths of a second are "
        "theirs.",
    ),
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say what is loaded and whether it is fresh; how older elements did follows when it is worked out."""
    found = _loaded(question, theme)
    try:
        return replace(found, panels={**found.panels, QUALITY.name: _quality(question, theme)})
    except Pending as working:
        notes = (Note("How older elements did is being worked out."), *found.notes)
        return replace(found, notes=notes, still=working.job)


def _quality(question: PageRequest, theme: Theme) -> PanelContent:
    """Return what became of the gaps that older snapshots forecast, or why nothing is known. Raises Pending."""
    workspace, nothing = question.workspace, forecast_gaps([], theme)
    settings = workspace.fleet_settings(question.choices.fleet)
    if settings.invented is not None:
        return PanelContent(nothing, INVENTED_TODAY)
    kept = tuple(snapshot.path.name for snapshot in workspace.snapshots(settings.name)) if settings.feed else ()
    view, model = question.view, question.fleet_timing.model
    # Without snapshots to compare, older elements may be at hand all the same.
    held = kept if len(kept) > 1 else question.state.fleets_key(workspace)
    score = feed_work.score if len(kept) > 1 else feed_work.score_at_hand
    found = question.state.work_out(
        ("hindcast", settings.name, held, view, model), score, workspace.folder, settings.name, view, model
    )
    if not found.pairs and found.fault is None:
        return PanelContent(nothing, NO_FEED if settings.feed is None else ONE_SNAPSHOT)
    if found.fault is not None:
        return PanelContent(nothing, f"Not known: {in_page_words(found.fault)}.")
    table = quality_table(found.pairs)
    rows: list[Any] = list(table.itertuples(index=False))
    bars = [
        GapCounts(f"{timing.age_words(row.age_s)} old", row.as_forecast, row.further_off, row.not_come, row.unforeseen)
        for row in rows
    ]
    first = "".join(f"{words} " for words in left_out(without_handovers_note(view)))
    sentence = " ".join((quality_sentence(found.pairs, question.site.name), *found.compared))
    listed = Table(table, QUALITY_COLUMNS, question.clock(found.pairs[0].span))
    return PanelContent(forecast_gaps(bars, theme), first + sentence, listed)


def _loaded(question: PageRequest, theme: Theme) -> Answer:
    """Return everything that the elements themselves tell."""
    fleet, health = question.fleet, question.health
    fresh = question.freshness(question.now)
    known = question.fleet_timing
    model = known.model
    condition = question.condition
    nearest, _ = fleet.nearest(question.now)
    counts = pd.DataFrame({"status": list(condition.counts), "objects": list(condition.counts.values())})
    objects = elements_words.object_rows(condition)
    days = [(question.now - record.epoch).total_seconds() / 86400.0 for record in nearest]
    return Answer(
        elements_words.sentence(
            fleet.name if fleet.words != "the fleet" else fleet.words, int(health.serving.sum()), health.counts, fresh
        ),
        {
            "status": PanelContent(
                by_status(health.counts, theme),
                health_sentence(health.summary),
                Table(counts, elements_words.STATUS_COLUMNS, of_site=False),
            ),
            "lately": PanelContent(
                None,
                " ".join(elements_words.lately_sentences(condition)),
                Table(
                    condition.changes,
                    elements_words.change_columns(),
                    empty="Nothing is known.",
                    of_site=False,
                    closed_if_empty=True,
                ),
            ),
            "shells": PanelContent(
                None,
                " ".join(elements_words.shell_sentences(condition)),
                Table(
                    elements_words.shell_rows(shells.shells(fleet), condition),
                    elements_words.SHELL_COLUMNS,
                    of_site=False,
                ),
            ),
            "ages": PanelContent(
                ages(days, theme, limits_days=elements_words.limits_days(model)),
                f"{elements_words.ages_sentence(fresh, min(abs(each) for each in days) * 86400.0)} "
                f"{elements_words.bands_sentence(fresh, model)}",
                Table(
                    objects,
                    elements_words.object_columns(question.now),
                    question.clock(Span.starting(question.now)),
                    # Who does not serve, and why, is what anybody looks for.
                    shown=objects.sort_values("serving", kind="stable"),
                    of_site=False,
                    on_paper=_ON_PAPER,
                ),
            ),
            "errors": PanelContent(
                errors_by_age(known.learned.ages if known.learned is not None else (), model, theme),
                timing_sentence(known, fleet.name),
                Table(learned_rows(known), LEARNED_COLUMNS, of_site=False),
            ),
        },
        common_notes(question, Span.starting(question.now)),
        figures=elements_words.fleet_figures(int(health.serving.sum()), fresh),
    )


FILES: Final = Upload("load", "Choose files, or drop them here", LARGEST_FILE_BYTES, multiple=True)


def loader(question: PageRequest) -> Any:
    """Return where fresh elements come from, and the place where files are handed in."""
    where_to = (
        "This is the invented demonstration: what you load is lost when it ends."
        if question.state.invented
        else "Files that can be read are kept in the workspace, the folder "
        f"{question.workspace.folder.absolute().name}, as a fleet of their own."
    )
    load = html.Section(
        [
            html.H2("Load element files", id="load-title"),
            *FILES.place(),
            html.P(
                "Two-line files, or OMM, the newer form, as JSON, CSV, XML or KVN, each also as .gz: up to "
                f"{MOST_FILES} files at once, {LARGEST_FILE_BYTES // 2**20} MB in all; more is refused. {where_to}",
                className="quiet",
            ),
        ],
        className="load",
        **aria(labelledby="load-title"),
    )
    return html.Div([*feed.section(question), load, *_start(question), html.Div(id="load-replaced", role="status")])


def _start(question: PageRequest) -> list[Any]:
    """Return what to do where there are no satellites yet, or none new enough: a fleet to begin with."""
    if "fleets" in question.workspace.missing:
        words = [html.P(elements_words.WHERE_FROM), html.P(elements_words.INVENTED_START, className="quiet")]
    elif _too_old(question) and not adding.invented_fleet(question.workspace):
        words = [html.P(elements_words.INVENTED_MEANWHILE)]
    else:
        return []
    return [
        html.Section(
            [
                html.H2("Where elements come from", id="start-title"),
                *words,
                html.Button(elements_words.START_INVENTED, id=_INVENTED, className="button", n_clicks=0),
            ],
            className="load",
            **aria(labelledby="start-title"),
        )
    ]


def _too_old(question: PageRequest) -> bool:
    """Say whether the elements chosen are too old for any answer today."""
    try:
        return question.freshness(question.now).median_s > timing.OLDEST_S
    except InputError:
        return False  # the page says why they cannot be read


def register(app: Dash, state: DashboardState) -> None:
    """Take files that are handed in: read them in a worker, keep them whole or not at all; and ask the feed."""
    feed.register(app, state)

    def chosen(fleet_name: str | None, search: str | None) -> tuple[str, str]:
        return query_of(changed(read_query(search)[0], {"fleet": fleet_name})), state.now().isoformat()

    def done(loaded: LoadedFleet, search: str | None) -> tuple[Any, str, str]:
        return _told(loaded), *chosen(loaded.fleet, search)

    @app.callback(
        Output("load-replaced", "children"),
        Output("address", "search", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Output(_INVENTED, "disabled"),
        Input(_INVENTED, "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def begin(clicks: int | None, search: str | None) -> Any:
        if not clicks:
            return (no_update,) * 4
        try:
            fleet = adding.add_invented_fleet(state.workspace)
        except PassimError as error:
            return fault_line(error), no_update, no_update, no_update
        # Beside a fleet that is too old it is not the one that pages open with.
        others = len(state.workspace.fleet_names) > 1
        return html.P(elements_words.started_words(fleet)), *chosen(fleet if others else None, search), True

    @app.callback(
        Output("load-messages", "children", allow_duplicate=True),
        Output("load-replaced", "children", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input({"elements": "replace", "old": ALL, "new": ALL}, "n_clicks"),
        Input({"elements": "take-back", "of": ALL}, "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def replace(clicks: list[int], returns: list[int], search: str | None) -> Any:
        if not any((*clicks, *returns)) or not isinstance(ctx.triggered_id, dict):
            return (no_update,) * 4
        try:
            if "old" in ctx.triggered_id:
                told, fleet = replaced(state, str(ctx.triggered_id["old"]), str(ctx.triggered_id["new"]))
            else:
                told, fleet = taken_back(state.workspace, str(ctx.triggered_id["of"])), None
        except PassimError as error:
            return no_update, fault_line(error), no_update, no_update
        return [], told, *chosen(fleet, search)

    FILES.register(
        app,
        lambda files, _: take(state, files),
        done,
        [Output("address", "search", allow_duplicate=True), Output("changed", "data", allow_duplicate=True)],
        [State("address", "search")],
    )


@dataclass(frozen=True)
class LoadedFleet:
    """What became of files: the fleet they are, what to say of it, and the one whose place they may take, or ""."""

    fleet: str
    message: str
    replaces: str


def _told(loaded: LoadedFleet) -> Any:
    """Return what is said of files that were kept, and the offer to let them take the place of what was there."""
    said = [html.P(loaded.message)]
    if not loaded.replaces:
        return said
    return [
        *said,
        html.P(elements_words.may_replace_words(loaded.replaces), className="quiet"),
        html.Button(
            elements_words.replace_button(loaded.replaces),
            id={"elements": "replace", "old": loaded.replaces, "new": loaded.fleet},
            className="button",
            n_clicks=0,
        ),
    ]


def replaced(state: DashboardState, old: str, new: str) -> tuple[Any, str]:
    """Let one fleet take the place of another; return what is said, with the way back, and its name then.

    Raises WorkspaceError.
    """
    invented = state.workspace.fleet_settings(old).invented is not None
    fleet, lines = adding.replace_fleet(state.workspace, old, new)
    told = [
        html.P(elements_words.replaced_words(old, fleet, invented=invented), className="done"),
        lines_block(lines),
        take_back_button("elements", state.workspace),
    ]
    return told, fleet


def take(state: DashboardState, given: Sequence[tuple[str, str]]) -> LoadedFleet:
    """Read files that a browser handed in, keep them as a fleet of the workspace, and return what became of them.

    Raises Pending while a worker reads them; InputError, and changes nothing, where one of them cannot be used.
    """
    if len(given) > MOST_FILES:
        raise InputError("element files", got=f"{len(given):,} at once", wanted=f"at most {MOST_FILES}")
    files = [(name, bytes_of(name, text)) for name, text in given]
    if sum(len(data) for _, data in files) > LARGEST_FILE_BYTES:
        wanted = f"at most {LARGEST_FILE_BYTES // 2**20} MB together"
        raise InputError("element files", got="more", wanted=wanted, try_next="fewer at once")
    # Two files of one fleet, a day apart, hold the same objects: each counts once.
    objects: set[str] = set()
    skipped: list[Skipped] = []
    for name, data in files:
        # Read by a worker, which can be stopped where a file takes too long.
        key = ("objects", name, hashlib.sha256(data).digest())
        ids, left_out = state.work_out(key, work.objects_of, data, name, deadline_s=_READ_WITHIN_S)
        objects |= ids
        skipped += left_out
    fleet_name = adding.add_fleet(state.workspace, files)
    loaded = f"{counted(len(objects), 'object')} in {counted(len(files), 'file')}"
    message = f"Loaded as {fleet_name}: {loaded}.{left_out_words(skipped)}"
    return LoadedFleet(fleet_name, message, adding.replaceable(state.workspace, fleet_name, files))


PAGE: Final = Page(
    path="/elements",
    name="Elements",
    asks="Which satellites are these, and how old are their elements?",
    panels=(STATUS, LATELY, AGES, ERRORS, QUALITY, SHELLS),
    answer=answer,
    uses=("place", "fleet"),
    extra=loader,
    register=register,
    loads=True,
)
