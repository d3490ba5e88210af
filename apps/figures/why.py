"""Geometry in pictures: a satellite's reach from the side, the ground it serves from, passes, and the daily shift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from passim.answers import geometry
from passim.constants import EARTH_RADIUS_KM
from passim.sky import closed_forms

from ..text.units import duration
from .theme import Theme, apply_theme

GROUND, ORBIT, FOOTPRINT, SIGHT, FLAT = "ground", "orbit", "footprint", "line of sight", "flat drawing"
REACH, ROOF, SERVED, GATEWAY, SITE = "reach", "roof line", "served", "gateway", "site"
LENGTHS, SHIFT = "length of a pass", "comes earlier"
_POINTS: Final = 121
_DAYS: Final = 8


def side_view(closed: closed_forms.PassGeometry, theme: Theme) -> go.Figure:
    """Return the Earth from the side, to scale: a satellite's orbit above a site, and over what ground it is in view.

    Beside it, dashed, stands the drawing on a flat Earth, where that has an edge within twice the picture.
    """
    figure = go.Figure()
    half = math.radians(closed.central_angle_deg)
    low, high = EARTH_RADIUS_KM, EARTH_RADIUS_KM + closed.altitude_km
    wide = np.linspace(-1.45 * half, 1.45 * half, _POINTS)

    def arc(radius_km: float, angles: Any, name: str, **line: Any) -> None:
        figure.add_scatter(
            name=name, x=radius_km * np.sin(angles), y=radius_km * np.cos(angles) - low, mode="lines",
            # Every point is drawn: an arc as flat as this one loses its roundness otherwise.
            line={"width": 2, "simplify": False, **line}, hoverinfo="skip",
        )  # fmt: skip

    arc(low, wide, GROUND, color=theme.quiet)
    arc(high, wide, ORBIT, color=theme.quiet, dash="dot", width=1)
    arc(low, np.linspace(-half, half, _POINTS), FOOTPRINT, color=theme.service, width=6)
    edge_x, edge_y = high * math.sin(half), high * math.cos(half) - low
    figure.add_scatter(
        name=SIGHT, x=[-edge_x, 0.0, edge_x], y=[edge_y, 0.0, edge_y], mode="lines", hoverinfo="skip",
        line={"color": theme.chosen, "width": 2},
    )  # fmt: skip
    half_flat = closed.flat_footprint_km / 2.0
    span = 1.45 * edge_x
    if math.isfinite(half_flat) and half_flat < 2.0 * span:
        span = max(span, 1.05 * half_flat)
        figure.add_scatter(
            name=FLAT, x=[-edge_x, -half_flat, half_flat, edge_x],
            y=[edge_y, closed.altitude_km, closed.altitude_km, edge_y], mode="lines",
            line={"color": theme.out, "width": 2, "dash": "dash"}, hoverinfo="skip",
        )  # fmt: skip
        _words(
            figure, 0.0, closed.altitude_km, f"drawn flat: {closed.flat_footprint_km:,.0f} km", theme.out, "bottom", 3
        )
    _words(figure, 0.0, 0.0, f"in view over {closed.footprint_km:,.0f} km", theme.service_text, "top", 10)
    _words(figure, 0.0, closed.altitude_km / 2.0, f"{closed.altitude_km:,.0f} km up", theme.quiet, "middle")
    _words(figure, edge_x * 0.55, edge_y * 0.55, f"{closed.mask_deg:g}°", theme.chosen, "top", 4)
    _words(figure, high * math.sin(1.4 * half), high * math.cos(1.4 * half) - low, "orbit", theme.quiet, "top", 6)
    figure.add_scatter(
        name=SITE, x=[0.0], y=[0.0], mode="markers", marker={"size": 11, "color": theme.ink}, hoverinfo="skip",
        cliponaxis=False,
    )  # fmt: skip
    # As wide as a phone it is drawn smaller, and so lower.
    apply_theme(figure, theme, 190 if theme.narrow else 260)
    figure.update_layout(margin={"t": 8, "b": 8})
    deepest = low * (math.cos(1.45 * half) - 1.0)
    figure.update_xaxes(visible=False, range=[-span, span])
    figure.update_yaxes(
        visible=False, range=[min(deepest, -0.25 * closed.altitude_km), 1.3 * closed.altitude_km], scaleanchor="x",
    )  # fmt: skip
    return figure


def service_plan(area: geometry.ServiceArea, site_name: str, theme: Theme) -> go.Figure:
    """Return the ground over which satellites can serve a site, north up, the site in the middle."""
    figure = go.Figure()
    served_x, served_y = area.served
    nothing = np.full((len(served_x), 1), np.nan)
    figure.add_scatter(
        name=SERVED, x=np.hstack([served_x, nothing]).ravel(), y=np.hstack([served_y, nothing]).ravel(), mode="none",
        fill="toself", fillcolor=theme.service, opacity=0.55, hoverinfo="skip",
    )  # fmt: skip
    for name, (x, y), line in (
        (REACH, area.reach, {"color": theme.quiet, "width": 1}),
        (ROOF, area.roof, {"color": theme.ink, "width": 2}),
    ):
        figure.add_scatter(name=name, x=x, y=y, mode="lines", line={**line, "simplify": False}, hoverinfo="skip")
    for name, ((east, north), (edge_x, edge_y)) in area.gateways.items():
        figure.add_scatter(
            name=GATEWAY, x=edge_x, y=edge_y, mode="lines", hoverinfo="skip",
            line={"color": theme.chosen, "width": 2, "dash": "dash", "simplify": False},
        )  # fmt: skip
        figure.add_scatter(
            name=f"{GATEWAY} {name}", x=[east], y=[north], mode="markers+text", text=[f" {name}"],
            textposition="middle right", textfont={"color": theme.chosen}, hoverinfo="skip",
            marker={"symbol": "square-open", "size": 11, "color": theme.chosen, "line": {"width": 2}},
        )  # fmt: skip
    figure.add_scatter(
        name=SITE, x=[0.0], y=[0.0], mode="markers+text", text=[f" {site_name}"], textposition="middle right",
        marker={"size": 11, "color": theme.ink}, textfont={"color": theme.ink}, hoverinfo="skip",
    )  # fmt: skip
    apply_theme(figure, theme, 380)
    reach_km = float(np.max(np.abs(area.reach[1])))
    # The place of the picture gives way rather than the range, which would not come back from a narrower sheet.
    shown_km = [-1.25 * reach_km, 1.25 * reach_km]
    figure.update_xaxes(
        ticksuffix=" km",
        range=shown_km,
        constrain="domain",
        showgrid=True,
        # With " km" behind each, more would run together: the picture is as wide as it is high.
        nticks=3,
        tickangle=0,
    )
    figure.update_yaxes(ticksuffix=" km", range=shown_km, constrain="domain", showgrid=True, nticks=6, scaleanchor="x")
    return figure


def pass_lengths(off_track_km: Sequence[float], lengths_s: Sequence[float], theme: Theme) -> go.Figure:
    """Return how long a pass is by how far from the site the ground track runs."""
    figure = go.Figure()
    figure.add_scatter(
        name=LENGTHS, x=list(off_track_km), y=list(lengths_s), mode="lines",
        line={"color": theme.service, "width": 3, "simplify": False},
        fill="tozeroy", fillcolor=theme.shade, customdata=[duration(each) for each in lengths_s],
        hovertemplate="%{x:.0f} km: %{customdata}<extra></extra>",
    )  # fmt: skip
    apply_theme(figure, theme, 240)
    longest = max(lengths_s)
    step = next(each for each in (15, 30, 60, 120, 300, 600, 1800, 3600, 14_400, 86_400, 10**9) if longest / each <= 6)
    ticks = list(range(0, int(longest) + 1, step))
    figure.update_yaxes(
        tickvals=ticks, ticktext=[duration(float(each)) for each in ticks], rangemode="tozero", showgrid=True
    )
    figure.update_xaxes(ticksuffix=" km", title_text="from the site to the satellite's track")
    return figure


def daily_shift(shift: geometry.DailyShift, theme: Theme) -> go.Figure:
    """Return how the same orbit comes earlier from day to day, over a week."""
    figure = go.Figure()
    minutes = [shift.total_s / 60.0 * day for day in range(_DAYS)]
    stars = [shift.stars_s / 60.0 * day for day in range(_DAYS)]
    days = list(range(_DAYS))
    figure.add_scatter(
        name="by the stars", x=stars, y=days, mode="lines", line={"color": theme.quiet, "width": 1, "dash": "dot"},
        hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        name=SHIFT, x=minutes, y=days, mode="lines+markers", line={"color": theme.service, "width": 2},
        marker={"size": 10, "color": theme.service}, hoverinfo="skip",
    )  # fmt: skip
    apply_theme(figure, theme, 260)
    _words(figure, stars[-1], days[-1], "by the stars alone", theme.quiet, "bottom", 8, "right")
    far = max(abs(minutes[-1]), abs(stars[-1]), 1.0)
    figure.update_xaxes(
        # Earlier is to the left.
        range=[max(*minutes, 0.0) + 0.08 * far, min(*minutes, 0.0) - 0.08 * far], ticksuffix=" min", showgrid=True,
        nticks=6, title_text="earlier than on the first day",
    )  # fmt: skip
    figure.update_yaxes(
        tickvals=days, ticktext=["first day", "next day", *(f"{day} days on" for day in days[2:])],
        range=[_DAYS - 0.5, -0.5],
    )  # fmt: skip
    return figure


def _words(
    figure: go.Figure, x: float, y: float, text: str, colour: str, anchor: str, off_px: int = 0, side: str = "center"
) -> None:
    shift = -off_px if anchor == "top" else off_px
    figure.add_annotation(
        x=x, y=y, text=text, showarrow=False, font={"color": colour}, yanchor=anchor, xanchor=side, yshift=shift,
    )  # fmt: skip
