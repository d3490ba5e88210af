"""Sky: is it my roof line or the sky; where service is lost and to what; what another horizon would change."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

import pandas as pd
from dash import Dash, Input, Output, State, ctx, html, no_update

from passim import Span
from passim.answers import mounting
from passim.coverage import causes
from passim.coverage import sky_moment as moments
from passim.errors import InputError

from ...cause_words import amount, given_back_sentence, missing_words, sector_sentence, verdict_first
from ...figures.sky import panorama
from ...figures.theme import Theme
from ...found import Found
from ...sky_words import gap_label, gap_words, standing_words
from ...wording import LocalClock, counted, cut_ends, duration, instant, share
from .. import sky_work
from ..address import changed, query_of, read_query
from ..answering import Answer, Control, Help, Page, Panel, Shown, Table
from ..desk import Desk, Question, StillWorking
from ..parts import as_options, part
from ..telling import notes_of
from ..work import Seen
from . import sky_editor, sky_symptom

NO_GAP: Final = ""
# Each row and each entry of a list costs the browser time at every change of the page.
_LISTED: Final = 20
_SOURCE: Final = "The element sets of the fleet chosen, and the site, horizon, terminal and gateways of the workspace."

PANORAMA: Final = Panel(
    "panorama",
    "The sky, turning on the spot",
    Help(
        "The whole sky unrolled: north at both ends, south in the middle, height upwards. The ground is the horizon;"
        " other limits are lines or bands with their names. Each thin line is a pass of the day, drawn by what "
        "becomes of it: it can serve, or is lost to a limit. Crosses mark where the missing satellite stood in each "
        "gap; blue dots, where satellites stand now or in the middle of the gap chosen. Bars underneath: seconds a "
        "day that each 10° of the horizon costs.",
        "Passes come from SGP4 and are cut exactly where a limit begins. A limit is the cause of a gap if, lifted "
        "alone, it leaves no moment of the gap without a satellite. The line of a gateway, a ground station that the"
        " satellite must see as well, holds for the usual height of the fleet's orbits.",
        _SOURCE,
    ),
)
LIMITS: Final = Panel(
    "limits",
    "What each limit would give back",
    Help(
        "How many gaps would close, and how many seconds come back, if one limit alone were lifted and the others "
        "stayed.",
        "What stops each satellite is known for every moment of every gap; lifting a limit is interval algebra on it.",
        _SOURCE,
    ),
    picture=False,
)
SECTORS: Final = Panel(
    "sectors",
    "What each part of the horizon costs",
    Help(
        "For each 10° of the horizon, the seconds without service that come back if it alone went down to the lowest "
        "height that the terminal uses.",
        "A satellite that the horizon alone stops counts for the part it stands in; its track is cut where its azimuth "
        "passes from one part to the next.",
        _SOURCE,
    ),
    picture=False,
)


def answer(question: Question, theme: Theme) -> Answer:
    """Say whether it is the roof line or the sky."""
    span = question.days(1)
    seen, day = _day_of(question, span)
    clock, view = question.clock(span), seen.visibility.view
    found = _found(seen, clock)
    chosen = _place_of(day.gaps, question.choices.other("gap"))

    # The sky of one moment: the middle of the gap chosen, else now where now lies in the day shown.
    standing, caption = (
        None,
        f"A day of passes, {counted(day.passes, 'pass', 'passes')} in all. Choose a gap to see it.",
    )
    moment = question.now if span.start <= question.now < span.end else None
    if chosen is not None:
        row: Any = next(day.gaps.iloc[chosen : chosen + 1].itertuples(index=False))
        moment = row.start.to_pydatetime() + (row.end - row.start).to_pytimedelta() / 2
        caption = gap_words(row, clock, view.floor_deg)
    if moment is not None:
        standing = moments.sky_moment(seen.visibility, moment)
        if chosen is None:
            caption = standing_words(standing, f"Now, {clock.time(moment)}", view.floor_deg)
    sentence, second = verdict_first(found, seen.causes)
    costs = bool((day.sectors["given_back_s"] > 0.0).any())
    return Answer(
        sentence,
        {
            "panorama": Shown(
                panorama(
                    day.track, day.outlines, day.sectors, theme, standing=standing, missing=day.gaps, chosen=chosen
                ),
                caption,
                _gap_table(day.gaps, _nearest(day.gaps, question.choices.other("gap"), question.now), clock),
            ),
            "limits": Shown(None, _limit_words(found, seen, day), _limit_table(day.given_back, span)),
            "sectors": Shown(
                None,
                " ".join([sector_sentence(found, day.sectors), *(mounting.MOUNTING_CAUTIONS if costs else ())]),
                _sector_table(day.sectors, span),
            ),
        },
        notes_of(question, seen, span),
        second,
    )


def _day_of(question: Question, span: Span) -> tuple[Seen, sky_work.SkyDay]:
    """Return what is seen in a span and its sky laid out. Raises StillWorking, InputError."""
    seen = question.seen(span)
    day: sky_work.SkyDay = question.computed(("sky", seen.visibility.view, span), span, sky_work.lay_out, seen.causes)
    return seen, day


def _found(seen: Seen, clock: LocalClock) -> Found:
    """Return what the words about causes are made from; of the passes they ask only whether there are any."""
    return Found(seen.visibility, pd.DataFrame({"lane": seen.visibility.joint().lane}), clock, (), {})


def _place_of(gaps: pd.DataFrame, start: str) -> int | None:
    """Return the place of the gap that begins at an instant, as the address names it; None where there is none."""
    rows: list[Any] = list(gaps.itertuples(index=False))
    return next((k for k, row in enumerate(rows) if start and instant(row.start) == start), None)


def _gap_table(gaps: pd.DataFrame, shown: pd.DataFrame, clock: LocalClock) -> Table:
    """Return the gaps: those around the one chosen, or around now, for people; the file has them all."""

    def cells(row: Any) -> list[str]:
        when = [clock.time(row.start), clock.time(row.end), duration(row.duration_s)]
        return [*when, row.cause, missing_words(row), row.blocked_by, cut_ends(row)]

    headings = ("Start", "End", ">Length", "Cause", "Missing satellite", "Stopped by", "Cut")
    told = f"The file has all {counted(len(gaps), 'gap')} of the day." if len(shown) < len(gaps) else ""
    return Table(gaps, headings, cells, clock, "No gap on this day.", shown, told)


def _limit_table(given_back: pd.DataFrame, span: Span) -> Table:
    def cells(row: Any) -> list[str]:
        back = [amount(row.given_back_s, span.duration_s), share(row.gap_share)]
        return [row.limit, row.description, *back, str(row.gaps_closed), str(row.gaps_shortened)]

    headings = ("Limit", "What it is", ">Gives back", ">Of the gaps", ">Gaps closed", ">Shortened")
    return Table(given_back, headings, cells)


def _limit_words(found: Found, seen: Seen, day: sky_work.SkyDay) -> str:
    return (
        "There is no gap to close."
        if day.gaps.empty
        else f"{given_back_sentence(found, seen.causes)} {causes.NEVER_ADD_UP}"
    )


def _sector_table(sectors: pd.DataFrame, span: Span) -> Table:
    """Return the parts of the horizon that cost anything; the file has them all."""

    def cells(row: Any) -> list[str]:
        where = [f"{row.from_deg:g}° to {row.to_deg:g}°", f"{row.horizon_highest_deg:.1f}°"]
        return [*where, amount(row.given_back_s, span.duration_s), str(row.gaps_closed)]

    costly = sectors[sectors["given_back_s"] > 0.0]
    headings = ("From north", ">Horizon up to", ">Gives back", ">Gaps closed")
    told = f"The file has all {len(sectors)} parts." if len(costly) else ""
    return Table(sectors, headings, cells, None, "No part of the horizon costs anything.", costly, told)


def gap_options(question: Question) -> Sequence[tuple[str, str]]:
    """Return the gaps to choose from: those nearest to the one chosen, else to now; none before they are known."""
    given = question.choices.other("gap")
    try:
        span = question.days(1)
        _, day = _day_of(question, span)
    except (StillWorking, InputError):
        # The page itself says what is the matter; what the address names stays.
        return [(NO_GAP, "none chosen"), *([(given, "the gap of the address")] if given else [])]
    clock = question.clock(span)
    rows: list[Any] = list(_nearest(day.gaps, given, question.now).itertuples(index=False))
    pairs = [(instant(row.start), gap_label(row, clock)) for row in rows]
    stray = [(given, "none of this day and place")] if given and given not in dict(pairs) else []
    return [(NO_GAP, f"none chosen; {counted(len(day.gaps), 'gap')} on {clock.day(span.start)}"), *pairs, *stray]


def _nearest(gaps: pd.DataFrame, chosen: str, now: datetime) -> pd.DataFrame:
    """Return the few gaps around the one chosen, else around now."""
    place = _place_of(gaps, chosen)
    if place is None:
        place = int((gaps["start"] < now).sum())
    first = min(max(place - _LISTED // 2, 0), max(len(gaps) - _LISTED, 0))
    return gaps.iloc[first : first + _LISTED]


def steps(_: Question) -> Any:
    """Return a step to the gap before and the one after, for one thumb, and the ways further down the page."""
    return html.Div(
        [
            html.Button("◀ Earlier gap", id="gap-earlier", className="button", n_clicks=0),
            html.Button("Later gap ▶", id="gap-later", className="button", n_clicks=0),
            html.A("Try another horizon", href="#horizon", className="further"),
            html.A("Which setting would freeze like this?", href="#symptom", className="further"),
        ],
        className="step-row",
    )


def below(question: Question) -> Any:
    """Return what can be tried: another horizon, and the symptom matcher."""
    return [sky_editor.block(question), sky_symptom.block(question)]


def register(app: Dash, desk: Desk) -> None:
    """Step from gap to gap, by way of the address. The rest is the editor's and the matcher's."""

    # The list of gaps is known only once the sky has been worked out; then the sentence changes.
    @app.callback(
        Output(part("choice", "gap"), "children", allow_duplicate=True),
        Input("sentence", "children"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def offer(_: Any, search: str | None) -> Any:
        question = desk.question(read_query(search)[0])
        return as_options(gap_options(question), question.choices.other("gap"))

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
        question = desk.question(read_query(search)[0])
        try:
            _, day = _day_of(question, question.days(1))
        except (StillWorking, InputError):
            # The page itself says what is the matter.
            return no_update
        if day.gaps.empty:
            return no_update
        place = _place_of(day.gaps, question.choices.other("gap"))
        forward = ctx.triggered_id == "gap-later"
        if place is None:
            # From now on, or the last before now.
            place = int((day.gaps["start"] < question.now).sum()) - (0 if forward else 1)
        else:
            place += 1 if forward else -1
        row: Any = day.gaps.iloc[min(max(place, 0), len(day.gaps) - 1)]
        return query_of(changed(question.choices, {"gap": instant(row["start"])}))

    sky_editor.register(app, desk)
    sky_symptom.register(app, desk)


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
