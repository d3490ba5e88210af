"""Sky: is it my roof line or the sky; where service is lost and to what; what another horizon would change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from passim.coverage import sky_moment as moments
from passim.errors import InputError

from ....figures.sky import MOST_PASSES, with_moment, without_gaps
from ....figures.theme import Theme
from ....text.gaps import day_figures
from ....text.sky import SKY_HELP, TURNING, gap_words, standing_words
from ....text.units import counted
from ...address import changed, query_of, read_query
from ...notes import notes_of
from ...page_model import Answer, Control, Help, Page, Panel, PanelContent
from ...parts import aria, part
from ...state import DashboardState, PageRequest, Pending
from . import editor as sky_editor, symptom as sky_symptom
from .day import picture, sky_shown
from .tables import gap_table, limit_table, sector_table

NO_GAP: Final = ""
# Each row and each entry of a list costs the browser time at every change of the page.
_LISTED: Final = 20
_HOW_TO_CHOOSE: Final = "Touch a cross in the picture, or choose a gap here, to see what opens it."
_SOURCE: Final = "The element sets of the fleet chosen, and the site, horizon, terminal and gateways of the workspace."

PANORAMA: Final = Panel(
    "panorama",
    "The sky all round",
    SKY_HELP.of(
        _SOURCE,
        f"At most {MOST_PASSES} passes of the day are drawn. Each limit says how many gaps would close without it; "
        "dots show where satellites stand now, or in the middle of the gap chosen: filled where they can serve.",
    ),
    times=("table",),
)
LIMITS: Final = Panel(
    "limits",
    "Service regained by removing one limit",
    Help(
        "How many gaps would close, and how many seconds of service come back, if one limit were removed and the "
        "others stayed.",
        "What blocks each satellite is known for every moment of every gap, so removing a limit is interval algebra.",
        _SOURCE,
    ),
    picture=False,
)
SECTORS: Final = Panel(
    "sectors",
    "What each part of the horizon costs",
    Help(
        "For each 10° of the horizon, the seconds without service that come back if it alone went down to the lowest "
        "elevation that the terminal uses.",
        "A satellite blocked by the horizon alone counts for the part it stands in; its track is cut where it passes "
        "from one part to the next.",
        _SOURCE,
    ),
    picture=False,
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say whether it is the roof line or the sky."""
    shown = sky_shown(question)
    span, clock, seen, day, words = shown.span, shown.clock, shown.seen, shown.day, shown.words
    floor_deg = seen.visibility.view.floor_deg
    place = words.place_of(question.choices.other("gap"))

    # The sky of one moment: the middle of the gap chosen, else now where now lies in the day shown.
    standing, chosen = None, None
    caption = f"A day of passes, {counted(day.passes, 'pass', 'passes')} in all."
    moment = question.now if shown.times and span.start <= question.now < span.end else None
    if place is not None:
        chosen = day.gaps.iloc[place]
        row: Any = next(day.gaps.iloc[place : place + 1].itertuples(index=False))
        moment = row.start.to_pydatetime() + (row.end - row.start).to_pytimedelta() / 2
        caption = gap_words(row, day.causes[place], clock, floor_deg)
    if moment is not None:
        standing = moments.sky_moment(seen.visibility, moment)
        if place is None:
            caption = standing_words(standing, f"Now, {clock.time(moment)}", floor_deg)
    drawn = picture(question, shown, theme)
    if not shown.times:
        drawn = without_gaps(drawn)
    return Answer(
        words.sentence,
        {
            "panorama": PanelContent(
                with_moment(drawn, theme, standing=standing, chosen=chosen),
                caption,
                gap_table(
                    day.gaps,
                    shown.around(place, question.now, _LISTED),
                    clock,
                    None if chosen is None else chosen["start"],
                ),
            ),
            "limits": PanelContent(None, words.limits, limit_table(day.given_back, seen.visibility.view, span)),
            "sectors": PanelContent(None, words.sectors, sector_table(day.sectors, span)),
        },
        notes_of(question, seen, span),
        words.second,
        figures=day_figures(seen.coverage),
        beside=words.beside,
    )


def gap_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    """Return the gaps to choose from: those nearest to the one chosen, else to now; none before they are known."""
    given = question.choices.other("gap")
    try:
        shown = sky_shown(question)
    except (Pending, InputError):
        # The page itself says what is the matter; what the address names stays.
        return [(NO_GAP, "none chosen"), *([(given, "the gap of the address")] if given else [])]
    words = shown.words
    near = shown.around(words.place_of(given), question.now, _LISTED)
    pairs = list(zip(words.starts[near], words.labels[near], strict=True))
    stray = [(given, "none of this day and place")] if given and given not in words.starts else []
    count = counted(len(shown.day.gaps), "gap")
    return [(NO_GAP, f"none of {count}" if pairs else f"{count} on this day"), *pairs, *stray]


def steps(question: PageRequest) -> Any:
    """Return a step to the gap before and the one after, for one thumb, and the ways further down the page.

    assets/compass.js shows the button that turns the picture where it can, and takes its words from it.
    """
    words: dict[str, Any] = {f"data-{name}": text for name, text in TURNING.items()}
    return html.Div(
        [
            html.P(_HOW_TO_CHOOSE, className="quiet how"),
            html.Button("◀ Earlier gap", id="gap-earlier", className="button", n_clicks=0),
            html.Button("Later gap ▶", id="gap-later", className="button", n_clicks=0),
            html.Button(TURNING["turn"], id="sky-turn", className="button", **words, **aria(pressed="false")),
            html.Span(id="sky-facing", className="quiet", role="status"),
            html.A(sky_editor.way_here(question), id="further-horizon", href="#horizon", className="further"),
            html.A("What explains these freezes?", href="#symptom", className="further"),
        ],
        className="step-row",
    )


def below(question: PageRequest) -> Any:
    """Return what can be tried: another horizon, and the symptom matcher."""
    spot = query_of(changed(question.choices, {"gap": None}))
    return [dcc.Store(id="sky-spot", data=spot), sky_editor.block(question), sky_symptom.block(question)]


def register(app: Dash, state: DashboardState) -> None:
    """Step from gap to gap, by way of the address. The rest is the editor's and the matcher's."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("gap-earlier", "n_clicks"),
        Input("gap-later", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def step(earlier: int, later: int, search: str | None) -> Any:
        if not (earlier or later):
            return no_update
        question = state.question(read_query(search)[0])
        try:
            shown = sky_shown(question)
        except (Pending, InputError):
            # The page itself says what is the matter.
            return no_update
        starts = shown.words.starts
        if not starts:
            return no_update
        place = shown.words.place_of(question.choices.other("gap"))
        forward = ctx.triggered_id == "gap-later"
        if place is None:
            # From now on, or the last before now.
            place = int((shown.day.gaps["start"] < question.now).sum()) - (0 if forward else 1)
        else:
            place += 1 if forward else -1
        return query_of(changed(question.choices, {"gap": starts[min(max(place, 0), len(starts) - 1)]}))

    # A cross of the picture carries the start of its gap; touching it needs no word from the server.
    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("sky", "touched"),
        Output("address", "search", allow_duplicate=True),
        Output(part("picture", "panorama"), "clickData"),
        Input(part("picture", "panorama"), "clickData"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    # What the editor and the matcher depend on is the address without the gap.
    in_browser(
        ClientsideFunction("sky", "spot"),
        Output("sky-spot", "data"),
        Input("address", "search"),
        State("sky-spot", "data"),
        prevent_initial_call=True,
    )
    sky_editor.register(app, state)
    sky_symptom.register(app, state)


PAGE: Final = Page(
    path="/sky",
    name="Sky",
    asks="Is it my roof line or the sky?",
    panels=(PANORAMA, LIMITS, SECTORS),
    answer=answer,
    tick_s=30.0,
    controls=(Control("gap", "Gap shown in the picture", gap_options),),
    extra=steps,
    below=below,
    register=register,
)
