"""Service by latitude, and over the world: what a terminal would have elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim.arrays import Bools

from ..text.limits import the_gateways
from ..text.units import share
from .equal_earth import PROJECTION, strokes
from .theme import HATCH, Theme, apply_theme, plain

COVERED, SPREAD, RANDOM = "time with service", "spread over longitudes", "if satellites stood at random"
NEVER: Final = "never any service"
SITES: Final = "sites"
GATEWAYS: Final = "gateway"
# Of the time with service: the words for a place, and what it stays below. Places without any come before them.
SHARES: Final = (
    ("under 10 %", 0.1), ("10 to 50 %", 0.5), ("50 to 90 %", 0.9), ("90 to 99 %", 0.99), ("99 % or more", 1.0),
    ("all the time", np.inf),
)  # fmt: skip
_LETTERS: Final = 12
# On a phone a letter takes so many degrees of latitude by longitude of the map.
_LETTER_DEG: Final = (13.0, 8.5)
_SIDES: Final = ("middle right", "middle left", "top right", "top left", "bottom right", "bottom left")
# And along the axis of both hemispheres' latitudes, some 300 px for 180 degrees, so many.
_LETTER_ALONG_DEG: Final = 4.2
# Of the curve's height: where the lowest name stands, how much each takes, and how many are named one above another.
_FOOT, _NAME_HIGH, _LEVELS = 0.03, 0.08, 8
_WIDEST_DEG: Final = 90.0


# --- by latitude ------------------------------------------------------------------------------------------------------


def by_latitude(
    table: pd.DataFrame, theme: Theme, *, sites: Sequence[tuple[str, float]] = (), height_px: int = 400
) -> go.Figure:
    """Return the share of the time with service by latitude, its spread over longitudes, and the closed form.

    `table` is that of `LatitudeSweep`. `sites` are names and latitudes in degrees, marked where
    they stand. A table of both hemispheres runs from south to north.
    """
    figure = go.Figure()
    latitude = table["latitude_deg"]
    figure.add_scatter(
        x=latitude,
        y=100.0 * table["covered_fraction"],
        mode="lines+markers",
        line={"width": 2, "color": theme.service},
        marker={"size": 5, "color": theme.service},
        text=[
            f"{latitude_words(there)}: {share(covered)}"
            for there, covered in zip(latitude, table["covered_fraction"], strict=True)
        ],
        hovertemplate="%{text} of the time with service<extra></extra>",
        name=COVERED,
    )
    for name, fill in (("covered_fraction_min", None), ("covered_fraction_max", "tonexty")):
        figure.add_scatter(
            x=latitude,
            y=100.0 * table[name],
            mode="lines",
            line={"width": 0, "color": theme.service},
            fill=fill,
            fillcolor=theme.ramp[0],
            opacity=0.5,
            hoverinfo="skip",
            name=SPREAD,
            showlegend=fill is not None,
        )
    figure.add_scatter(
        x=latitude,
        y=100.0 * table["covered_if_random"],
        mode="lines",
        line={"width": 1.5, "color": theme.quiet, "dash": "dot"},
        hovertemplate="%{x}°: %{y:.1f} % if at random<extra></extra>",
        name=RANDOM,
    )
    apply_theme(figure, theme, height_px, left_px=52)
    figure.update_layout(margin={"t": 8, "b": 30})
    figure.update_yaxes(range=[0, 103], ticksuffix=" %", nticks=6)
    low, high = float(latitude.min()), float(latitude.max())
    # A phone has room for seven words below the picture.
    between = 15 if high - low <= 100.0 else 30
    every = [value for value in range(-90, 91, between) if low - 1e-9 <= value <= high + 1e-9]
    figure.update_xaxes(
        range=[low, high],
        tickmode="array",
        tickvals=every,
        ticktext=[latitude_words(value) for value in every],
        tickangle=0,
        showgrid=False,
    )
    _hatch_none(figure, table, theme)
    _key_above(figure)
    _mark_sites(figure, [site for site in sites if low <= site[1] <= high], theme, low)
    return figure


def latitude_words(latitude_deg: float) -> str:
    """Return a latitude as people write it: "45° N", "0°"."""
    return f"{abs(latitude_deg):g}°" + (" N" if latitude_deg > 0 else " S" if latitude_deg < 0 else "")


def _hatch_none(figure: go.Figure, table: pd.DataFrame, theme: Theme) -> None:
    """Hatch the latitudes of a sweep at which no place ever has service, from one to the next."""
    latitude = table["latitude_deg"].to_numpy(dtype=np.float64)
    never = table["covered_fraction_max"].to_numpy() == 0.0
    between = never[1:] & never[:-1]
    if not between.any():
        return
    width = np.diff(latitude)[between]
    figure.add_bar(
        x=latitude[:-1][between] + width / 2.0,
        y=np.full(len(width), 100.0),
        width=width,
        marker={
            "color": _none(theme),
            "pattern": {"shape": HATCH, "fgcolor": theme.out, "size": 9, "solidity": 0.12, "fillmode": "overlay"},
            "line": {"width": 0},
        },
        hovertemplate=f"{NEVER}<extra></extra>",
        name=NEVER,
    )


def _mark_sites(figure: go.Figure, sites: Sequence[tuple[str, float]], theme: Theme, low_deg: float) -> None:
    """Hang a line from the top at the latitude of each site, its name at its foot.

    Lines close together reach the further down the further they stand from the names' side: no name lies on the line of
    another. Names stand to the left of their lines, or to the right where the left has no room for them.
    """
    chains: list[list[tuple[str, float]]] = []
    for name, latitude_deg in sorted(sites, key=lambda site: site[1]):
        short = _short(name)
        # Whichever side the names go to, the longer of two decides how much room two lines need.
        widest = max(len(short), len(chains[-1][-1][0]) if chains else 0)
        if chains and latitude_deg - chains[-1][-1][1] < _name_deg(widest):
            chains[-1].append((short, latitude_deg))
        else:
            chains.append([(short, latitude_deg)])
    for chain in chains:
        to_left = all(latitude_deg - _name_deg(len(short)) >= low_deg for short, latitude_deg in chain)
        for level, (short, latitude_deg) in enumerate(reversed(chain) if to_left else chain):
            # Where more stand together than there is height, the rest keep their lines alone.
            foot = _FOOT + _NAME_HIGH * min(level, _LEVELS)
            figure.add_shape(
                type="line",
                x0=latitude_deg,
                x1=latitude_deg,
                y0=foot,
                y1=1,
                yref="paper",
                line={"color": theme.chosen, "width": 1},
            )
            if level >= _LEVELS:
                continue
            figure.add_annotation(
                x=latitude_deg,
                y=foot,
                yref="paper",
                text=plain(short),
                showarrow=False,
                xanchor="right" if to_left else "left",
                yanchor="bottom",
                xshift=-2 if to_left else 2,
                borderpad=0,
                bgcolor=theme.paper,
                opacity=0.9,
                font={"color": theme.chosen, "size": 12},
            )


def _name_deg(letters: int) -> float:
    """Return how much of a phone's axis of latitudes a name of so many letters takes, degrees."""
    return _LETTER_ALONG_DEG * letters + 3.0


# --- the world --------------------------------------------------------------------------------------------------------


def world_map(
    table: pd.DataFrame,
    theme: Theme,
    *,
    sites: Sequence[tuple[str, float, float]] = (),
    gateways: Sequence[tuple[str, float, float]] = (),
    chosen: str | None = None,
    height_px: int | None = None,
) -> go.Figure:
    """Return a map of the share of the time with service over the Earth, areas true; hatched where there never is any.

    `table` is that of `sweeps.world_table` for a grid of equal steps that covers the world: one cell a
    place, whose number is in the custom data of the trace COVERED. `sites` are names, latitudes and longitudes in
    degrees, and so are `gateways`; the site of the name `chosen` is bold and is never left unnamed. Without a height
    the map takes that of its place on the page. The outlines of the land come from the page's own server: see
    ``topojsonURL`` in `theme.CONFIG`.
    """
    grid = table.pivot(index="latitude_deg", columns="longitude_deg", values="covered_fraction").to_numpy()
    # Places without any service are the first kind; the others follow by their share.
    edges = [most for _, most in SHARES]
    kinds = np.where(grid > 0.0, 1 + np.searchsorted(edges, grid, side="right"), 0)
    figure = go.Figure()
    for kind in np.unique(kinds)[::-1].tolist():
        _paint(figure, kinds == kind, kind, theme)
    if (kinds == 0).any():
        latitudes, longitudes = strokes(kinds == 0)
        figure.add_scattergeo(
            geo="geo2",
            lat=latitudes,
            lon=longitudes,
            mode="lines",
            line={"width": 1, "color": theme.out},
            hoverinfo="skip",
            showlegend=False,
            name="strokes",
        )
    places = list(zip(table["latitude_deg"], table["longitude_deg"], table["covered_fraction"], strict=True))
    figure.add_scattergeo(
        geo="geo2",
        lat=table["latitude_deg"],
        lon=table["longitude_deg"],
        mode="markers",
        marker={"size": 1, "opacity": 0.0},
        customdata=table["covered_fraction"],
        text=[f"{latitude_words(there)}, {_longitude_words(around)}: {share(each)}" for there, around, each in places],
        hovertemplate="%{text} of the time with service<extra></extra>",
        showlegend=False,
        name=COVERED,
    )
    _name_parallels(figure, theme)
    _place_gateways(figure, gateways, theme)
    _place_sites(figure, sites, chosen, theme)
    _lay_out(figure, theme, height_px)
    return figure


def shades(theme: Theme) -> tuple[str, ...]:
    """Return the colours of places on the map: without any service, then by `SHARES`, ever further from the paper.

    None goes so far that the outlines of the land, in ink, would be lost on it.
    """
    farthest = theme.service if theme.name == "light" else _mixed(theme.ramp[0], theme.service, 0.25)
    nearest = _mixed(theme.paper, farthest, 0.15)
    steps = len(SHARES) - 1
    return (_none(theme), *(_mixed(nearest, farthest, k / steps) for k in range(steps + 1)))


def _paint(figure: go.Figure, cells: Bools, kind: int, theme: Theme) -> None:
    """Paint the cells of one kind, those side by side as one; and name the kind in the key."""
    colour = shades(theme)[kind]
    outlines = _outlines(cells)
    figure.add_choropleth(
        geojson={
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "id": str(k),
                    "properties": {},
                    "geometry": {"type": "Polygon", "coordinates": [outline]},
                }
                for k, outline in enumerate(outlines)
            ],
        },
        locations=[str(k) for k in range(len(outlines))],
        z=[kind] * len(outlines),
        zmin=0,
        zmax=len(SHARES),
        colorscale=[[0.0, colour], [1.0, colour]],
        showscale=False,
        marker={"line": {"width": 0.6, "color": colour}},  # no seam between two of one colour
        hoverinfo="skip",
        name="cells",
    )
    figure.add_scattergeo(
        geo="geo2",
        lat=[None],
        lon=[None],
        mode="markers",
        # Told from the others by its shape as well.
        marker={
            "symbol": "square" if kind else "square-x",
            "size": 14,
            "color": colour,
            "line": {"width": 1, "color": theme.quiet if kind else theme.out},
        },
        hoverinfo="skip",
        showlegend=True,
        name=SHARES[kind - 1][0] if kind else NEVER,
    )


def _outlines(cells: Bools) -> list[list[list[float]]]:
    """Return outlines of runs of wanted cells within a row, clockwise as plotly wants them: longitudes, latitudes."""
    rows, columns = cells.shape
    high_deg, wide_deg = 180.0 / rows, 360.0 / columns
    most = max(1, int(_WIDEST_DEG / wide_deg))
    found = []
    for row in range(rows):
        south_deg = -90.0 + row * high_deg
        north_deg = south_deg + high_deg
        wanted = np.flatnonzero(cells[row])
        # A run breaks where a cell is not wanted, and before it goes half round the Earth.
        for run in np.split(wanted, np.flatnonzero((np.diff(wanted) > 1) | (wanted[1:] % most == 0)) + 1):
            if not run.size:
                continue
            west_deg, east_deg = -180.0 + run[0] * wide_deg, -180.0 + (run[-1] + 1) * wide_deg
            # A side between two points is an arc of the globe: short ones keep to the parallel.
            around_deg = np.linspace(west_deg, east_deg, 1 + int(np.ceil((east_deg - west_deg) / 5.0))).tolist()
            north = [[round(each, 4), north_deg] for each in around_deg]
            south = [[round(each, 4), south_deg] for each in reversed(around_deg)]
            found.append([*north, *south, north[0]])
    return found


def _name_parallels(figure: go.Figure, theme: Theme) -> None:
    """Say at the western edge which parallels the lines are."""
    parallels = [60.0, 30.0, 0.0, -30.0, -60.0]
    figure.add_scattergeo(
        geo="geo2",
        lat=parallels,
        lon=[-180.0] * len(parallels),
        mode="text",
        text=[latitude_words(each) for each in parallels],
        textposition="middle right",
        textfont={"size": 11, "color": theme.ink, "shadow": _halo(theme)},
        hoverinfo="skip",
        showlegend=False,
        name="parallels",
    )


def _place_sites(
    figure: go.Figure, sites: Sequence[tuple[str, float, float]], chosen: str | None, theme: Theme
) -> None:
    """Mark the sites, and name as many as have room for it on a phone: the chosen one first."""
    if not sites:
        return
    ordered = sorted(sites, key=lambda site: site[0] != chosen)
    taken: list[tuple[float, float, float, float]] = []
    texts, sides = [], []
    for name, latitude_deg, longitude_deg in ordered:
        short = _short(name)
        high_deg, wide_deg = _LETTER_DEG[0], _LETTER_DEG[1] * (len(short) + 1)
        side, text = _SIDES[0], ""
        for tried in _SIDES:
            up, right = tried.startswith("top"), tried.endswith("right")
            lifted_deg = 0.0 if tried.startswith("middle") else high_deg * (0.8 if up else -0.8)
            south_deg = latitude_deg + lifted_deg - high_deg / 2.0
            west_deg = longitude_deg if right else longitude_deg - wide_deg
            box = (south_deg, south_deg + high_deg, west_deg, west_deg + wide_deg)
            fits = abs(latitude_deg + lifted_deg) <= 80.0 - high_deg / 2.0 and -190.0 <= west_deg <= 190.0 - wide_deg
            if fits and not any(_overlap(box, other) for other in taken):
                taken.append(box)
                side, text = tried, f"<b>{plain(short)}</b>" if name == chosen else plain(short)
                break
        texts.append(text)
        sides.append(side)
    figure.add_scattergeo(
        geo="geo2",
        lat=[site[1] for site in ordered],
        lon=[site[2] for site in ordered],
        mode="markers+text",
        text=texts,
        textposition=sides,
        textfont={"color": theme.ink, "size": 12, "shadow": _halo(theme)},
        hovertext=[plain(site[0]) for site in ordered],
        hoverinfo="text",
        marker={"symbol": "circle", "size": 9, "color": theme.chosen, "line": {"width": 1.5, "color": theme.paper}},
        showlegend=False,
        name=SITES,
    )


def _place_gateways(figure: go.Figure, gateways: Sequence[tuple[str, float, float]], theme: Theme) -> None:
    """Mark the gateways, which the key names; each by its own name where it is pointed at."""
    if not gateways:
        return
    figure.add_scattergeo(
        geo="geo2",
        lat=[gateway[1] for gateway in gateways],
        lon=[gateway[2] for gateway in gateways],
        mode="markers",
        hovertext=[plain(the_gateways([gateway[0]])) for gateway in gateways],
        hoverinfo="text",
        marker={"symbol": "triangle-up", "size": 11, "color": theme.ink, "line": {"width": 1.5, "color": theme.paper}},
        showlegend=True,
        name=GATEWAYS,
    )


def _lay_out(figure: go.Figure, theme: Theme, height_px: int | None) -> None:
    """Lay two maps over each other: the cells, and on top of them the land, because plotly draws cells over it."""
    apply_theme(figure, theme, height_px or 400)
    _key_above(figure)
    # Wherever one points, the nearest place is told.
    figure.update_layout(height=height_px, margin={"l": 0, "r": 0, "t": 8, "b": 4}, hoverdistance=-1)
    same: dict[str, Any] = {
        "projection_type": PROJECTION,
        "showframe": False,
        "showland": False,
        "bgcolor": "rgba(0,0,0,0)",
        "domain": {"x": [0.0, 1.0], "y": [0.0, 1.0]},
        "lonaxis": {"range": [-180, 180]},
        "lataxis": {"range": [-90, 90]},
    }
    figure.update_layout(geo={**same, "showcoastlines": False})
    figure.update_layout(
        geo2={**same, "showcoastlines": True, "coastlinecolor": theme.ink, "coastlinewidth": 0.8},
    )
    figure.update_layout(
        geo2_lataxis={"showgrid": True, "tick0": 0, "dtick": 30, "gridcolor": theme.quiet, "gridwidth": 0.5}
    )


# --- both -------------------------------------------------------------------------------------------------------------


def _key_above(figure: go.Figure) -> None:
    """Say above the picture what its marks are, on as many lines as that takes. A click does nothing.

    It hangs from the top of the whole figure: what is drawn leaves it its room, however often it is drawn anew.
    """
    figure.update_layout(
        showlegend=True,
        legend={
            "orientation": "h",
            "x": 0.0,
            "xanchor": "left",
            "y": 1.0,
            "yref": "container",
            "yanchor": "top",
            "bgcolor": "rgba(0,0,0,0)",
            "traceorder": "normal",
            "itemclick": False,
            "itemdoubleclick": False,
            "font": {"size": 12},
        },
    )


def _none(theme: Theme) -> str:
    """Return the colour under the strokes of places without any service."""
    return _mixed(theme.paper, theme.out, 0.2)


def _mixed(first: str, second: str, part: float) -> str:
    """Return a colour between two, "#RRGGBB" all three, `part` of the way."""
    pairs = [(int(first[k : k + 2], 16), int(second[k : k + 2], 16)) for k in (1, 3, 5)]
    return "#" + "".join(f"{round(one + part * (other - one)):02X}" for one, other in pairs)


def _halo(theme: Theme) -> str:
    """Return a rim of paper round letters, so that they are read on any colour."""
    return ", ".join([f"0 0 2px {theme.paper}"] * 4)


def _short(name: str) -> str:
    return name if len(name) <= _LETTERS else f"{name[: _LETTERS - 1]}…"


def _longitude_words(longitude_deg: float) -> str:
    return f"{abs(longitude_deg):g}°" + (" E" if longitude_deg > 0 else " W" if longitude_deg < 0 else "")


def _overlap(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]
