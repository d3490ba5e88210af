"""Sites: the sites and spots of the workspace side by side; and what the terminal would have at other places."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd
from dash import Dash, html

from passim import Span
from passim.answers.sites import added as added_places, compare as side_by_side_answers, shares, sweeps
from passim.errors import InputError
from passim.parallel import Job, WorkStopped
from passim.sky import view as views
from passim.spans import DailyHours

from ....figures.places import by_latitude, latitude_words, world_map
from ....figures.sites import side_by_side
from ....figures.theme import Theme
from ....text import sites as sites_words
from ....text.notes import Note, background, left_out
from ....text.query import health_sentence, search_notes, searched
from ....text.service import everywhere_notes, policy_note
from ....text.setup import lower_than_terminal
from ....text.sites import BAND_COLUMNS, LATITUDE_COLUMNS, beside_columns
from ....text.units import counted, duration
from ....text.ways_out import in_page_words
from ...controls import day_words
from ...notes import common_notes
from ...page_model import Answer, Control, Help, Page, Panel, PanelContent, Table
from ...parts import aria
from ...state import DashboardState, Found, PageRequest, Pending
from ...tasks import sites as sites_work
from . import added as adding, tried as trying
from .added import Added
from .tried import Tried

# Places times satellites times days that are compared here and now.
_QUICK_PLACE_DAYS: Final = 5000.0
# A fine grid of a large fleet, which somebody asked for.
_PATIENCE_S: Final = 3600.0
USUAL, NO_MAP = "usual", "none"

SIDE = Panel(
    "side",
    "Sites side by side",
    Help(
        "How much of the day chosen each site and spot is without service; the one chosen above in bold. The numbers "
        "also say how often and for how long service breaks, how much of the call hours is frozen, how much of the "
        "time there is a second satellite, and which limit, removed alone, regains most service.",
        "Each place is asked the same question about the same fleet and the same 24 hours, the local day of the site "
        "chosen: all passes above its own mask and within its own limits. Call hours are each place's own. A mask "
        "chosen beside the picture replaces every place's own horizon. What two limits cost does not add up.",
        "The element sets of the fleet chosen, and the sites, spots, gateways and call hours of the workspace.",
    ),
)
LATITUDE = Panel(
    "latitude",
    "By latitude",
    Help(
        "The share of the day with service at each latitude: the mean of several places around the Earth, and a band "
        "from the worst of them to the best. Hatched latitudes never have service. Dotted: what would be covered if "
        "the "
        "satellites stood at random. The upright lines are the sites.",
        "One terminal, with the limits it carries with it, is placed at each point under a flat horizon: the "
        "mask chosen, else the spot's lowest elevation. The satellites above it are counted once in every so many "
        "seconds, at a moment drawn anew in each; under a cone or a keep-out all passes are found. Gateways belong to "
        "one place and are left out, so that a site may have less than its latitude. The dotted closed form knows "
        "only the mask: the share of the time, in the long run, that each satellite is above it.",
        "The element sets of the fleet chosen, the terminal of the workspace, the sites.",
    ),
)
WORLD = Panel(
    "world",
    "Over the world",
    Help(
        "The share of the day with service over the Earth, darker (on a dark ground brighter) where there is more of "
        "it; hatched where there never is any. Areas are true to size. Each cell shows the point in its middle, so "
        "the edge between two may be half a cell off; the curve by latitude has closer points.",
        "As by latitude, at the middle of each cell of a grid, coarse first and then finer. Where all passes are "
        "found, cells are wider than they are high, because the Earth turns under the orbits and service depends on "
        "latitude far more than on longitude. Means over the surface weight each cell by its area.",
        "The element sets of the fleet chosen and the terminal of the workspace. Land: United Nations geodata and "
        "Natural Earth, as they come with plotly.js; only coasts are drawn.",
    ),
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say which place is best; the curve by latitude and the map follow when they are worked out."""
    span = question.days(1)
    grid = _grid(question)
    places, tried, added, faults = _places(question)
    try:
        found = _compared(question, places, span)
    except InputError as error:
        if added is None:
            raise
        # Such as a gateway that no satellite sees together with it: the others are compared all the same.
        places, faults = (
            [place for place in places if place.spot],
            [*faults, f"{in_page_words(error)}; {added.title} is left out."],
        )
        added = None
        found = _compared(question, places, span)
    table = _side_table(question, places, found, span)
    rows: list[Any] = list(table.itertuples(index=False))
    here = next(k for k, row in enumerate(rows) if (row.site, row.spot) == (question.site_name, question.spot))
    day = question.clock(span).day(span.middle)
    panels = {SIDE.name: _side(table, rows, here, day, theme)}
    told = [] if tried is None else [trying.tried_words(question, tried)]
    told += [] if added is None else [adding.added_words(added, question.view)]
    if told:
        side = panels[SIDE.name]
        panels[SIDE.name] = replace(side, caption=" ".join([side.caption, *told]))

    still: Job | None = None
    notes: list[Note] = [Note(fault) for fault in faults]
    try:
        swept, shown = _latitude(question, span, theme)
        panels[LATITUDE.name] = shown
        if swept.left_out:
            objects = counted(swept.left_out, "object")
            notes.append(background(f"The dotted closed form leaves out {objects} on eccentric or very high orbits."))
        if grid is not None:
            panels[WORLD.name], missing = _world(question, span, grid, theme)
            if missing is not None:
                raise missing
    except Pending as working:
        # The comparison is to be read at once, whatever else is on its way.
        still = working.job
        rest = "What other places would have is being worked out."
        if LATITUDE.name in panels:
            rest = f"The map of the world is being {'refined' if WORLD.name in panels else 'worked out'}."
        notes.append(Note(rest))
    except WorkStopped:
        notes.append(Note(sites_words.STOPPED_EARLY))

    hours = sites_words.call_hours_words(found)
    return Answer(
        sites_words.headline(rows, here, day_words(question.day, question.today)),
        panels,
        (
            *search_notes(searched(found.report, span, question.fleet_timing.model)),
            *map(Note, filter(None, [hours, lower_than_terminal(question.workspace)])),
            *map(Note, map(health_sentence, found.health)),
            *policy_note(question.view, guessed=question.workspace.policy_guessed),
            *notes,
            *common_notes(question, span),
        ),
        sites_words.call_hours_sentence(found),
        still,
        figures=sites_words.side_figures(rows, here),
    )


# --- side by side -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Place:
    """One place of the comparison, by the names that the workspace has; one that was added has no spot."""

    site: str
    spot: str
    view: views.View
    hours: DailyHours | None


def _views(question: PageRequest) -> tuple[views.View, ...]:
    """Return the views of the places side by side."""
    return tuple(place.view for place in _places(question)[0])


def _places(question: PageRequest) -> tuple[list[_Place], Tried | None, Added | None, list[str]]:
    """Return the places of the workspace with what is added to them, the spot tried, the place, and why one is not."""
    workspace = question.workspace
    found = [
        _Place(site, spot, question.with_mask(workspace.view(site, spot)), workspace.call_hours(site))
        for site in workspace.site_names
        for spot in workspace.spot_names(site)
    ]
    hours, faults = workspace.call_hours(question.site_name), []
    tried, added = None, None
    try:
        tried = trying.tried_spot(question)
    except InputError as error:
        faults.append(f"{in_page_words(error)}; the page goes on without it.")
    if tried is not None:
        found.append(_Place(question.site_name, tried.spot, tried.view, hours))
    try:
        added = adding.added_place(question, question.view)
    except InputError as error:
        faults.append(f"{in_page_words(error)}; the page goes on without it.")
    if added is not None:
        found.append(_Place(added.title, "", added.view, hours))
    return found, tried, added, faults


def _compared(question: PageRequest, places: Sequence[_Place], span: Span) -> side_by_side_answers.SiteComparison:
    """Return places side by side: here and now where that is little work."""
    seen_from, hours = tuple(place.view for place in places), tuple(place.hours for place in places)
    key = ("sites", seen_from, span, hours)
    common = (question.fleet, seen_from, span, hours)
    if len(seen_from) * question.fleet.object_count * span.duration_s / 86400.0 > _QUICK_PLACE_DAYS:
        return question.state.work_out((*key, question.fleet_key), sites_work.compare, *common)
    return question.computed(key, span, sites_work.compare, *common)


def _side_table(
    question: PageRequest, places: Sequence[_Place], found: side_by_side_answers.SiteComparison, span: Span
) -> pd.DataFrame:
    """Return one row a place, best first, and what it is to the chosen one."""
    table = found.table.rename(columns={"site": "title"})
    table.insert(0, "site", [place.site for place in places])
    table.insert(1, "spot", [place.spot for place in places])
    chosen = [(place.site, place.spot) for place in places].index((question.site_name, question.spot))
    table = side_by_side_answers.beside_chosen(table, [place.view.site for place in places], chosen, span)
    # Of places that tie, the one that bears most: while two are in view, nobody notices if one fails.
    ranked = ["covered_fraction", "twofold_fraction"]
    return table.sort_values(ranked, ascending=False, kind="stable").reset_index(drop=True)


def _side(table: pd.DataFrame, rows: Sequence[Any], here: int, day: str, theme: Theme) -> PanelContent:
    titles = list(table["title"])
    out = [1.0 - fraction for fraction in table["covered_fraction"]]
    mine = rows[here]

    # People read a place by its title; a file has its site and spot.
    shown = table.assign(site_name=table["site"], site=table["title"])
    return PanelContent(
        side_by_side(titles, out, here, theme),
        f"{sites_words.order_sentence(rows, day)} While two or more satellites are in view, you do not notice if one "
        f"fails.{sites_words.lift_sentence(rows)}{sites_words.no_limit_sentence(rows)}",
        Table(table, beside_columns(mine.site, mine.title), shown=shown),
    )


# --- elsewhere --------------------------------------------------------------------------------------------------------


def _spots(question: PageRequest) -> list[tuple[str, float, float]]:
    """Return name, latitude and longitude of each site, the chosen one first; spots of one site share its place."""
    workspace = question.workspace
    names = sorted(workspace.site_names, key=lambda name: name != question.site_name)
    found = [(name, workspace.site(name)) for name in names]
    return [(name, site.latitude_deg, site.longitude_deg) for name, site in found]


def _marked(question: PageRequest) -> tuple[tuple[str, float, float], ...]:
    """Return what the map marks: the sites, and the place added to them."""
    _, _, added, _ = _places(question)
    here = [] if added is None else [(added.title, added.view.site.latitude_deg, added.view.site.longitude_deg)]
    return (*_spots(question), *here)


def _gateways(question: PageRequest) -> tuple[tuple[str, float, float], ...]:
    """Return the gateways of all places, where they count: those moved along with an added place are among them."""
    places, *_ = _places(question)
    every = [gateway for place in places for gateway in added_places.gateways_of(place.view)]
    return tuple(dict.fromkeys((each.name, each.latitude_deg, each.longitude_deg) for each in every))


def _latitude(question: PageRequest, span: Span, theme: Theme) -> tuple[Any, PanelContent]:
    """Return the sweep by latitude and what it shows. Raises Pending, InputError."""
    spots, view = _spots(question), sites_work.anywhere(question.view)
    finely = sites_work.usual_latitudes(question.fleet.object_count)
    # The sites' own latitudes are among them, so that each site is told its own number.
    latitudes_deg = tuple(finely.list_deg([latitude_deg for _, latitude_deg, _ in spots]))
    step_s = _step_s(question)
    parts, missing = [], None
    for share_deg in finely.shares_deg(latitudes_deg):
        key = ("latitudes", share_deg, finely, step_s)
        try:
            parts.append(_worked_out(question, key, span, view, sites_work.sweep, share_deg, finely.longitudes, step_s))
        except Pending as working:
            missing = missing or working
    if missing is not None:
        raise missing
    swept = sweeps.LatitudeSweep.joined(parts)
    name, latitude_deg, _ = spots[0]
    caption = sites_words.latitude_caption(
        swept, name, latitude_deg, max(view.site.horizon.lowest_deg, view.floor_deg), duration(span.duration_s)
    )
    # A place added is marked by its latitude, which is no reason to work everything out anew.
    _, _, added, _ = _places(question)
    here = [] if added is None else [added.view.site.latitude_deg]
    marked = (*((name, north_deg) for name, north_deg, _ in spots), *((latitude_words(each), each) for each in here))
    figure = question.drawn(
        ("sites latitude", view, span, latitudes_deg, finely, step_s, marked, theme),
        lambda: by_latitude(swept.table, theme, sites=marked, height_px=340),
    )
    table = swept.table
    some = table[table["covered_fraction_max"] > 0.0].iloc[::-1].reset_index(drop=True)
    note = "The file also has the latitudes without any service."
    return swept, PanelContent(
        figure,
        _everywhere(view) + caption,
        Table(table, LATITUDE_COLUMNS, shown=some, file_note=note, of_site=False),
        _near(step_s, swept.share_error),
    )


def _world(
    question: PageRequest, span: Span, grid: sites_work.Grid, theme: Theme
) -> tuple[PanelContent, Pending | WorkStopped | None]:
    """Return the map of the world as far as it is, and why the rest is not there. Raises what it is where nothing is.

    Each level of the grid is a job of its own, so that what came before stands while the next is worked out, and stays
    where the user stops it.
    """
    view, step_s = sites_work.anywhere(question.view), _step_s(question)
    parts: list[sites_work.World] = []
    missing: Pending | WorkStopped | None = None
    levels = grid.levels()
    for level, places_deg in enumerate(levels):
        try:
            parts.append(
                _worked_out(
                    question, ("world", grid, step_s, level), span, view, sites_work.go_round, places_deg, step_s
                )
            )
        except (Pending, WorkStopped) as error:
            if not parts:
                raise
            missing = error
            break
    done = sites_work.World.joined(parts)
    latitudes, off_deg = len(done.bands.table), grid.latitude_deg / 2.0 * 2 ** (len(levels) - len(parts))
    words = grid.words
    if missing is not None:
        words += f". {sites_words.refining_words(latitudes, round(180.0 / grid.latitude_deg))}"
    table = Table(
        done.table,
        BAND_COLUMNS,
        shown=done.bands.table,
        file_note=f"Each of the {len(done.table):,} points is in the file.",
        of_site=False,
    )
    day = question.clock(span).day(span.middle)
    caption = sites_words.world_caption(done.bands, done.summary, words.rstrip("."), day, off_deg)
    spots, gateways = _marked(question), _gateways(question)
    figure = question.drawn(
        ("sites world", view, span, grid, step_s, len(parts), spots, gateways, theme),
        lambda: world_map(done.filled(grid), theme, sites=spots, gateways=gateways, chosen=spots[0][0]),
    )
    # A file is asked for again until it has every point, or as many as there will be.
    whole = None if isinstance(missing, Pending) else table
    return PanelContent(figure, _everywhere(view) + caption, whole, _near(step_s, done.share_error)), missing


def _step_s(question: PageRequest) -> float | None:
    """Return in what steps satellites are counted at other places; None where every pass is found."""
    return shares.suitable_step_s(sites_work.anywhere(question.view), question.fleet.object_count)


def _near(step_s: float | None, share_error: float) -> str:
    """Say how near figures are that were counted."""
    return "" if step_s is None else f"Satellites are {sites_words.shares_words(step_s, share_error)}"


def _everywhere(view: views.View) -> str:
    """Say first what is left out of an answer for all places, as the command line does."""
    return "".join(f"{words} " for words in left_out(everywhere_notes(view)))


def _worked_out(
    question: PageRequest,
    common: tuple[Any, ...],
    span: Span,
    view: views.View,
    function: Callable[..., Found],
    *arguments: Any,
) -> Found:
    """Return what a worker found for a terminal that may stand anywhere: this is never the work of a breath."""
    key = (*common, view, span, question.fleet_key)
    return question.state.work_out(key, function, question.fleet, view, *arguments, span, deadline_s=_PATIENCE_S)


def _grid(question: PageRequest) -> sites_work.Grid | None:
    """Return the grid of the map that the address asks for; None for no map. Raises InputError."""
    wanted = question.choices.other("world", USUAL)
    if wanted == USUAL:
        return sites_work.usual_grid(question.fleet.object_count, _step_s(question))
    if wanted != NO_MAP and wanted not in sites_work.SQUARE:
        raise InputError(
            "map of the world", got=wanted, wanted=f"one of {', '.join([USUAL, *sites_work.SQUARE, NO_MAP])}"
        )
    return sites_work.SQUARE.get(wanted)


def _world_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    try:
        usual = sites_work.usual_grid(question.fleet.object_count, _step_s(question))
    except InputError:
        usual = sites_work.SQUARE["5"]
    others = [
        (key, grid.words if len(grid.places_deg()) < len(usual.places_deg()) else f"{grid.words}, takes longer")
        for key, grid in sites_work.SQUARE.items()
        if grid != usual
    ]
    return [(USUAL, usual.words), *others, (NO_MAP, "not drawn")]


def more_places(question: PageRequest) -> Sequence[Any]:
    """Return where a spot or a place is typed that is compared with those of the workspace."""
    return [
        html.Section(
            [
                html.H2("Compare another mounting spot or place", id="more-places", className="panel-title"),
                html.Div([trying.spot_field(question), adding.place_field(question)], className="more-places"),
            ],
            **aria(labelledby="more-places"),
        )
    ]


def register(app: Dash, state: DashboardState) -> None:
    """Take the spot and the place that are typed."""
    trying.register(app, state)
    adding.register(app, state)


PAGE: Final = Page(
    path="/sites",
    name="Sites",
    asks="Is another site or spot better?",
    panels=(SIDE, LATITUDE, WORLD),
    answer=answer,
    controls=(
        Control("world", "Map of the world: grid", _world_options),
        adding.SKYLINE_CONTROL,
        adding.GATEWAY_CONTROL,
    ),
    below=more_places,
    register=register,
    views=_views,
)
