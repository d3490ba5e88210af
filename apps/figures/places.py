"""Service by latitude, and over the world: what a terminal would have elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from .theme import Theme, dressed, out_marker, plain

COVERED, SPREAD, RANDOM = "time with service", "spread over longitudes", "if satellites stood at random"
NEVER: Final = "never any service"
_LETTERS: Final = 12


def by_latitude(
    table: pd.DataFrame, theme: Theme, *, sites: Sequence[tuple[str, float]] = (), height_px: int = 400
) -> go.Figure:
    """Return the share of the time with service by latitude, its spread over longitudes, and the closed form.

    `table` is that of `passim.answers.sweeps.LatitudeSweep`. `sites` are names and latitudes in degrees, marked where
    they stand. A table of both hemispheres runs from south to north.
    """
    figure = go.Figure()
    latitude = table["latitude_deg"]
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
        )
    figure.add_scatter(
        x=latitude,
        y=100.0 * table["covered_if_random"],
        mode="lines",
        line={"width": 1.5, "color": theme.quiet, "dash": "dot"},
        hovertemplate="%{x}°: %{y:.1f} % if at random<extra></extra>",
        name=RANDOM,
    )
    figure.add_scatter(
        x=latitude,
        y=100.0 * table["covered_fraction"],
        mode="lines+markers",
        line={"width": 2, "color": theme.service},
        marker={"size": 5, "color": theme.service},
        hovertemplate="%{x}°: %{y:.1f} % of the time with service<extra></extra>",
        name=COVERED,
    )
    dressed(figure, theme, height_px, left_px=52)
    figure.update_layout(margin={"t": 40, "b": 46})
    figure.update_yaxes(range=[0, 103], ticksuffix=" %", nticks=6)
    low, high = float(latitude.min()), float(latitude.max())
    every = [value for value in range(-90, 91, 15) if low - 1e-9 <= value <= high + 1e-9]
    figure.update_xaxes(
        range=[low, high], tickmode="array", tickvals=every, ticktext=[latitude_words(v) for v in every], showgrid=False
    )
    _hatch_none(figure, table, theme)
    _name_lines(figure, theme)
    _mark_sites(figure, [site for site in sites if low <= site[1] <= high], theme)
    return figure


def world_map(
    table: pd.DataFrame, theme: Theme, *, sites: Sequence[tuple[str, float, float]] = (), height_px: int = 420
) -> go.Figure:
    """Return a map of the share of the time with service, one square a place of `passim.answers.sweeps.world_table`.

    `sites` are names, latitudes and longitudes. The outlines of the land come from the page's own server: see
    ``topojsonURL`` in `theme.CONFIG`.
    """
    figure = go.Figure()
    rows = table["latitude_deg"].nunique()
    colours = [[0.0, theme.out], [0.5, theme.single], [0.9, theme.ramp[0]], [1.0, theme.ramp[-1]]]
    figure.add_scattergeo(
        lat=table["latitude_deg"],
        lon=table["longitude_deg"],
        mode="markers",
        marker={
            "symbol": "square",
            "size": max(3.0, min(14.0, 260.0 / max(rows, 1))),
            "opacity": 0.75,
            "color": 100.0 * table["covered_fraction"],
            "cmin": 0.0,
            "cmax": 100.0,
            "colorscale": colours,
            "colorbar": {"ticksuffix": " %", "thickness": 10, "outlinewidth": 0, "title": {"text": ""}},
            "line": {"width": 0},
        },
        hovertemplate="%{lat:.1f}°, %{lon:.1f}°: %{marker.color:.1f} % of the time with service<extra></extra>",
        name=COVERED,
    )
    if sites:
        figure.add_scattergeo(
            lat=[site[1] for site in sites],
            lon=[site[2] for site in sites],
            mode="markers+text",
            text=[plain(site[0]) for site in sites],
            textposition="middle right",
            textfont={"color": theme.ink},
            marker={"symbol": "circle", "size": 8, "color": theme.chosen, "line": {"width": 1, "color": theme.paper}},
            hoverinfo="text",
            name="sites",
        )
    dressed(figure, theme, height_px)
    figure.update_layout(margin={"t": 8, "b": 8})
    figure.update_geos(
        projection_type="equirectangular",
        bgcolor=theme.paper,
        showland=True,
        landcolor=theme.shade,
        showcoastlines=True,
        coastlinecolor=theme.quiet,
        coastlinewidth=0.8,
        showframe=False,
        lataxis={"range": [-90, 90]},
        lonaxis={"range": [-180, 180]},
    )
    return figure


def latitude_words(latitude_deg: float) -> str:
    """Return a latitude as people write it: "45° N", "0°"."""
    return f"{abs(latitude_deg):g}°" + (" N" if latitude_deg > 0 else " S" if latitude_deg < 0 else "")


def _name_lines(figure: go.Figure, theme: Theme) -> None:
    """Say above the picture what the three kinds of mark are, each in its own colour."""
    words = (
        f'<span style="color:{theme.service}">━━ {COVERED}</span>   '
        f'<span style="color:{theme.service}">▒ {SPREAD}</span>   '
        f'<span style="color:{theme.quiet}">···· {RANDOM}</span>'
    )
    figure.add_annotation(
        x=0,
        xref="paper",
        y=1.02,
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        text=words,
        showarrow=False,
        font={"size": 12},
        align="left",
    )


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
        marker=out_marker(theme, 0.0),
        hovertemplate="never any service<extra></extra>",
        name=NEVER,
    )
    figure.add_annotation(
        x=float(
            latitude[:-1][between][-1] + width[-1] if latitude[:-1][between].min() >= 0.0 else latitude[:-1][between][0]
        ),
        y=103,
        text="no service",
        showarrow=False,
        xanchor="right" if latitude[:-1][between].min() >= 0.0 else "left",
        yanchor="bottom",
        font={"color": theme.out, "size": 12},
    )


def _mark_sites(figure: go.Figure, sites: Sequence[tuple[str, float]], theme: Theme) -> None:
    """Draw a line at the latitude of each site, its name along it."""
    for name, latitude_deg in sites:
        short = name if len(name) <= _LETTERS else f"{name[: _LETTERS - 1]}…"
        figure.add_shape(
            type="line",
            x0=latitude_deg,
            x1=latitude_deg,
            y0=0,
            y1=1,
            yref="paper",
            line={"color": theme.chosen, "width": 1},
        )
        figure.add_annotation(
            x=latitude_deg,
            y=0.03,
            yref="paper",
            text=plain(short),
            showarrow=False,
            textangle=-90,
            xanchor="right",
            yanchor="bottom",
            font={"color": theme.chosen, "size": 12},
        )
