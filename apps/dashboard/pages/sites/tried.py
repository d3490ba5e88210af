"""A mounting spot that is tried on the Sites page: its roof line typed, beside those that the workspace has."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim import Horizon
from passim.errors import InputError, SiteError
from passim.sky import survey, view as views
from passim.workspace import changing

from ....text import sites as sites_words
from ....text.ways_out import in_page_words
from ...address import changed, query_of, read_query
from ...controls import known
from ...state import DashboardState, PageRequest
from ..setup.form import EditedPart

TRIED: Final = "tried"
_LONGEST: Final = 80
_EXAMPLE: Final = "25, 40 from 270 to 315"
_LABEL: Final = "Another mounting spot here: degrees of its roof line"
_DEGREES: Final = r"(\d{1,3}(?:\.\d{1,4})?)\s*°?"
_ALL_ROUND: Final = re.compile(_DEGREES)
_SECTOR: Final = re.compile(rf"(?:up\s+to\s+)?{_DEGREES}\s*(?:from|:)?\s+{_DEGREES}\s*(?:to|-|–)\s*{_DEGREES}", re.I)


@dataclass(frozen=True)
class Tried:
    """A mounting spot that is in nobody's workspace yet: the terminal of the spot chosen under another roof line."""

    view: views.View
    spot: str

    @property
    def title(self) -> str:
        """What it is called among the others."""
        return self.view.title


def tried_spot(question: PageRequest) -> Tried | None:
    """Return the spot that the address adds to those of the site chosen; None for none. Raises InputError."""
    text = question.choices.other(TRIED)
    if not text:
        return None
    view = question.workspace.view(question.site_name, question.spot)
    spot = sites_words.SPOT_TRIED
    while spot in question.workspace.spot_names(question.site_name):
        spot = f"other {spot}"
    site = replace(view.site, horizon=roof_line(text))
    return Tried(question.with_mask(replace(view, site=site, label=f"{question.site_name} {spot}")), spot)


def tried_words(question: PageRequest, tried: Tried) -> str:
    """Say what is taken of the spot tried."""
    floor_deg = tried.view.floor_deg if tried.view.stops_above_horizon else None
    return sites_words.tried_sentence(
        tried.title, _parts(question.choices.other(TRIED)), floor_deg, masked=question.choices.mask_deg is not None
    )


def roof_line(text: str) -> Horizon:
    """Return the horizon of "25, 40 from 270 to 315": so high all round, and what stands higher. Raises SiteError."""
    (base_deg, *_), *sectors = _parts(text)
    whole = Horizon.flat(base_deg)
    raised = []
    for height_deg, from_deg, to_deg in sectors:
        if not base_deg < height_deg < 90.0:
            raise SiteError(
                f"roof line from {from_deg:g} to {to_deg:g}°", got=f"{height_deg:g}°",
                wanted=f"more than the {base_deg:g}° all round, and below 90°",
            )  # fmt: skip
        raised.append(survey.lowered(whole, from_deg, to_deg, base_deg - height_deg))
    return survey.highest(whole, *raised) if raised else whole


def _parts(text: str) -> list[tuple[float, ...]]:
    """Return the degrees all round, alone, then height, first and last azimuth of what stands higher."""
    first, *rest = [part.strip() for part in re.split(r"[,;]", text.strip()[:_LONGEST])]
    found = [_ALL_ROUND.fullmatch(first), *(_SECTOR.fullmatch(part) for part in rest)]
    for match, part in zip(found, (first, *rest), strict=True):
        if match is None:
            raise SiteError(
                "roof line of the spot", got=part or "nothing",
                wanted="degrees all round, then how high it stands between two azimuths", try_next=_EXAMPLE,
            )  # fmt: skip
    return [tuple(float(each) for each in match.groups()) for match in found if match is not None]


# --- on the page ------------------------------------------------------------------------------------------------------


def spot_field(question: PageRequest) -> Any:
    """Return the field in which the roof line of another spot is typed, and the way to keep one."""
    return html.Div(
        [
            html.Label(_LABEL, htmlFor="tried-text", className="choice-label"),
            html.Div(
                [
                    dcc.Input(
                        id="tried-text", type="text", value=question.choices.other(TRIED), maxLength=_LONGEST,
                        debounce=True, autoComplete="off", placeholder=_EXAMPLE, className="field",
                    ),
                    html.Button("Compare", id="tried-use", className="button", n_clicks=0),
                    html.Button(
                        "Remove", id="tried-remove", className="button", n_clicks=0,
                        hidden=not question.choices.other(TRIED),
                    ),
                ],
                className="beside",
            ),
            html.P(
                [
                    "All round, then what stands higher by azimuth. ",
                    html.A(
                        sites_words.KEEP_A_SPOT, id="keep-spot", className="way", href=_form_address(question)
                    ),
                ],
                className="quiet",
            ),
            html.Div(id="tried-fault", role="alert"),
        ],
        className="place-field",
    )  # fmt: skip


def _form_address(question: PageRequest) -> str:
    """Return the address of the form on the page Setup that adds a spot at the site chosen."""
    new = EditedPart(changing.Part("spot", "", question.site_name), new=True)
    return f"/setup{query_of(changed(question.choices, {'edit': new.value}))}"


def register(app: Dash, state: DashboardState) -> None:
    """Put the roof line typed into the address, where the page finds it; refuse what is none."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("tried-fault", "children"),
        Input("tried-use", "n_clicks"),
        Input("tried-text", "n_submit"),
        State("tried-text", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def use(clicks: int | None, submits: int | None, text: str | None, search: str | None) -> Any:
        if not (clicks or submits) or not (text or "").strip():
            return no_update, ""
        try:
            roof_line(str(text))
        except InputError as error:
            return no_update, html.P(f"{in_page_words(error)}.", className="fault")
        return query_of(changed(read_query(search)[0], {TRIED: str(text).strip()})), ""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("tried-remove", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def remove(clicks: int | None, search: str | None) -> Any:
        return query_of(changed(read_query(search)[0], {TRIED: None})) if clicks else no_update

    @app.callback(
        Output("tried-text", "value"),
        Output("tried-remove", "hidden"),
        Output("keep-spot", "href"),
        Input("address", "search"),
        State("address", "pathname"),
        prevent_initial_call=True,
    )
    def follow(search: str | None, path: str) -> Any:
        if path != "/sites":
            return (no_update,) * 3
        choices, _ = known(state.workspace, read_query(search)[0])
        question = state.question(choices)
        tried = question.choices.other(TRIED)
        return tried, not tried, _form_address(question)
