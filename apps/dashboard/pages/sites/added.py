"""A place of one's own on the Sites page: typed as coordinates or a way from the site chosen, or tapped on the map."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final, TypeVar

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from passim import Site
from passim.answers.sites import added as added_places
from passim.errors import InputError
from passim.sky import ground, view as views

from ....text import sites as sites_words
from ....text.ways_out import in_page_words
from ...address import changed, query_of, read_query
from ...page_model import Control
from ...parts import choice_list, part
from ...state import DashboardState, PageRequest

ADDED: Final = "added"
_GATEWAY: Final = "gateway"
_SKYLINE: Final = "skyline"
_LONGEST: Final = 40
# Where a way leads is told to 11 m.
_WAY_DECIMALS: Final = 4
_PLACE_LABEL: Final = "Another place: latitude, or latitude, longitude, or a way: 60 km S"
_NUMBER: Final = r"([-−+]?\d{1,3}(?:\.\d{1,6})?)\s*°?\s*"
_Kind = TypeVar("_Kind", bound=Enum)
_PLACE: Final = re.compile(rf"{_NUMBER}([NS])?(?:\s*[,;\s]\s*{_NUMBER}([EW])?)?", re.IGNORECASE)


@dataclass(frozen=True)
class Added:
    """The place added, as the terminal of the spot chosen would see the sky there, and what became of the gateways.

    ``by_latitude`` where only a latitude was given: its longitude is the site's, and gateways are left out.
    """

    view: views.View
    gateways: added_places.Gateways
    skyline: added_places.Skyline
    by_latitude: bool

    @property
    def title(self) -> str:
        """What it is called among the others."""
        return self.view.title


def added_place(question: PageRequest, view: views.View) -> Added | None:
    """Return the place that the address adds to the comparison, from the `view` of the spot chosen; None for none.

    Raises InputError.
    """
    text = question.choices.other(ADDED)
    if not text:
        return None
    latitude_deg, longitude_deg = _read(text, view.site)
    gateways = _one_of(added_places.Gateways, question.choices.other(_GATEWAY), "gateway of the place added")
    skyline = _one_of(added_places.Skyline, question.choices.other(_SKYLINE), "roof line of the place added")
    by_latitude = longitude_deg is None
    if longitude_deg is None:
        gateways, longitude_deg = added_places.Gateways.DROPPED, view.site.longitude_deg
    name = sites_words.coordinates_words(latitude_deg, None if by_latitude else longitude_deg)
    # Beside a roof line of its own a place under open sky is another question: its name says which of the two it is.
    if not view.site.horizon.is_flat:
        name = f"{name} ({sites_words.skyline_words(skyline.value, _lowest_deg(view))})"
    seen = added_places.placed(view, name, latitude_deg, longitude_deg, gateways, skyline)
    return Added(seen, gateways, skyline, by_latitude)


def added_words(added: Added, view: views.View) -> str:
    """Say what is taken for granted of the place added."""
    names = tuple(gateway.name for gateway in added_places.gateways_of(view))
    horizon = view.site.horizon
    skyline = added.skyline.value
    return sites_words.added_sentence(
        added.title, view.title, sites_words.under_words(skyline, _lowest_deg(view), view.title, flat=horizon.is_flat),
        names, added.gateways.value, added.by_latitude,
    )  # fmt: skip


def _lowest_deg(view: views.View) -> float:
    """Return from where up open sky counts for a terminal."""
    return max(view.site.horizon.lowest_deg, view.floor_deg)


def _one_of(kinds: type[_Kind], text: str, what: str) -> _Kind:
    """Return the kind that an address names, the first for none. Raises InputError."""
    try:
        return kinds(text) if text else next(iter(kinds))
    except ValueError:
        names = ", ".join(str(each.value) for each in kinds)
        raise InputError(what, got=text, wanted=f"one of {names}") from None


def _read(text: str, here: Site) -> tuple[float, float | None]:
    """Return the degrees north and east of a place as people write it; no longitude where there is none.

    Ways lead from `here`. Raises InputError.
    """
    text = text.strip()[:_LONGEST]
    led = ground.way_from(here, text)
    if led is not None:
        return round(led[0], _WAY_DECIMALS), round(led[1], _WAY_DECIMALS)
    found = _PLACE.fullmatch(text)
    if found is None:
        raise InputError(
            "place", got=text, wanted="degrees: a latitude, or latitude and longitude; or a way from the site chosen",
            try_next="47.5, -28, or 60 km S, or 25 km at 190°",
        )  # fmt: skip
    north, south, east, west = found.groups()
    return _degrees(north, south, "s"), None if east is None else _degrees(east, west, "w")


def _degrees(number: str, side: str | None, negative: str) -> float:
    return float(number.replace("−", "-")) * (-1.0 if (side or "").lower() == negative else 1.0)


# --- on the page ------------------------------------------------------------------------------------------------------


GATEWAY_CONTROL: Final = Control(
    _GATEWAY,
    "Gateway of a place added",
    lambda _: [
        (added_places.Gateways.KEPT.value, "stays where it is"),
        (added_places.Gateways.MOVED.value, "moves along with the terminal"),
        (added_places.Gateways.DROPPED.value, "left out"),
    ],
    placed=True,
)
SKYLINE_CONTROL: Final = Control(
    _SKYLINE,
    "Roof line of a place added",
    lambda question: [
        (each.value, sites_words.skyline_words(each.value, _open_from_deg(question))) for each in added_places.Skyline
    ],
    placed=True,
)


def _open_from_deg(question: PageRequest) -> float | None:
    """Return from where up open sky counts at the spot chosen; None where no such spot is known."""
    try:
        return _lowest_deg(question.view)
    except InputError:
        return None


def place_field(question: PageRequest) -> Any:
    """Return the field in which a place is typed."""
    return html.Div(
        [
            html.Label(_PLACE_LABEL, htmlFor="added-text", className="choice-label"),
            html.Div(
                [
                    dcc.Input(
                        id="added-text", type="text", value=question.choices.other(ADDED), maxLength=_LONGEST,
                        autoComplete="off", placeholder="47.5, -28 or 60 km S", className="field",
                    ),
                    html.Button("Add", id="added-use", className="button", n_clicks=0),
                    html.Button(
                        "Remove", id="added-remove", className="button", n_clicks=0,
                        hidden=not question.choices.other(ADDED),
                    ),
                ],
                className="beside",
            ),
            html.P("Ways lead from this site; 25 km at 190° is one too. Or tap the map below.", className="quiet"),
            html.Div(
                [choice_list(control.key, control.label) for control in (SKYLINE_CONTROL, GATEWAY_CONTROL)],
                className="choices",
            ),
            html.Div(id="added-fault", role="alert"),
        ],
        className="place-field",
    )  # fmt: skip


def register(app: Dash, state: DashboardState) -> None:
    """Put the place typed or tapped into the address, where the page finds it; refuse what is no place."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("added-fault", "children"),
        Input("added-use", "n_clicks"),
        Input("added-text", "n_submit"),
        State("added-text", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def use(clicks: int | None, submits: int | None, text: str | None, search: str | None) -> Any:
        if not (clicks or submits) or not (text or "").strip():
            return no_update, ""
        try:
            choices = read_query(search)[0]
            latitude_deg, longitude_deg = _read(str(text), state.question(choices).view.site)
            # Both are checked as those of any site.
            Site("the place", latitude_deg, longitude_deg or 0.0)
        except InputError as error:
            return no_update, html.P(f"{in_page_words(error)}.", className="fault")
        degrees = [latitude_deg] if longitude_deg is None else [latitude_deg, longitude_deg]
        return query_of(changed(choices, {ADDED: ",".join(f"{each:.9g}" for each in degrees)})), ""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("added-remove", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def remove(clicks: int | None, search: str | None) -> Any:
        without: dict[str, str | None] = {ADDED: None, _GATEWAY: None, _SKYLINE: None}
        return query_of(changed(read_query(search)[0], without)) if clicks else no_update

    @app.callback(
        Output("added-text", "value"),
        Output("added-remove", "hidden"),
        Input("address", "search"),
        prevent_initial_call=True,
    )
    def follow(search: str | None) -> tuple[str, bool]:
        added = read_query(search)[0].other(ADDED)
        return added, not added

    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("passim", "placeTapped"),
        Output("address", "search", allow_duplicate=True),
        Output(part("picture", "world"), "clickData"),
        Input(part("picture", "world"), "clickData"),
        State("address", "search"),
        prevent_initial_call=True,
    )
