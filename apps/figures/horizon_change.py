"""Two horizons of one place and what each leaves of a day: the skylines, and the gaps one above the other."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from passim import Coverage, Horizon
from passim.sky import outlines

from ..text.units import LocalClock, counted, duration
from .theme import Theme, apply_theme, out_marker
from .time_axis import local_axis, utc

BEFORE, AFTER = "now", "with this"
_COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW", "N")
_MOST_MARKS = 4000
_THICK = 0.55


def horizon_change(
    before: tuple[Horizon, Coverage], after: tuple[Horizon, Coverage], clock: LocalClock, theme: Theme
) -> go.Figure:
    """Return the picture; both coverages must be of one span."""
    figure = go.Figure()
    figure.update_layout(
        xaxis={"domain": [0.0, 1.0], "anchor": "y"},
        yaxis={"domain": [0.0, 0.4]},
        xaxis2={"domain": [0.0, 1.0], "anchor": "y2"},
        yaxis2={"domain": [0.56, 1.0], "anchor": "x2"},
    )
    _skylines(figure, before[0], after[0], theme)
    for place, (name, coverage) in enumerate(((AFTER, after[1]), (BEFORE, before[1]))):
        _strip(figure, name, place, coverage, clock, theme)

    apply_theme(figure, theme, 420, left_px=64)
    figure.update_layout(
        barmode="overlay",
        xaxis=local_axis(before[1].span, clock.name, 7),
        yaxis={
            "range": [-0.4, 1.75],
            "tickvals": [0, 1],
            "ticktext": [AFTER, BEFORE],
            "tickfont": {"color": theme.ink},
        },
        xaxis2={
            "range": [0, 360],
            "tickvals": list(range(0, 361, 45)),
            "ticktext": list(_COMPASS),
            "tickfont": {"color": theme.ink},
            "showgrid": False,
        },
        yaxis2={"range": [0, 90], "tickvals": [0, 30, 60, 90], "ticktext": ["0°", "30°", "60°", "90°"]},
        margin={"t": 10, "r": 24},
    )
    return figure


def _skylines(figure: go.Figure, before: Horizon, after: Horizon, theme: Theme) -> None:
    """Draw the present skyline as ground, the other as a strong line over it, each with its name."""
    old, new = outlines.horizon_outline(before), outlines.horizon_outline(after)
    figure.add_scatter(
        x=old.azimuth_deg, y=old.elevation_deg, xaxis="x2", yaxis="y2", mode="lines", fill="tozeroy",
        fillcolor=theme.rule, line={"color": theme.quiet, "width": 1.5}, name="skyline now",
        hovertemplate="now %{y:.1f}° at %{x:.0f}°<extra></extra>",
    )  # fmt: skip
    figure.add_scatter(
        x=new.azimuth_deg, y=new.elevation_deg, xaxis="x2", yaxis="y2", mode="lines",
        line={"color": theme.chosen, "width": 3, "dash": "8px,3px"}, name="skyline with this",
        hovertemplate="this one %{y:.1f}° at %{x:.0f}°<extra></extra>",
    )  # fmt: skip
    figure.add_annotation(
        x=0, xref="x2 domain", y=1, yref="y2 domain", xanchor="left", yanchor="top", showarrow=False,
        text=f'<span style="color:{theme.quiet}">━━ skyline now</span>   '
        f'<span style="color:{theme.chosen}">╍╍ this one</span>',
    )  # fmt: skip


def _strip(figure: go.Figure, name: str, place: int, coverage: Coverage, clock: LocalClock, theme: Theme) -> None:
    """Draw the gaps of one horizon in a row of their own, over a bar that says service."""
    span, gaps = coverage.span, coverage.gaps()
    figure.add_bar(
        x=[utc(span.start)], width=[1000.0 * span.duration_s], offset=0, y=[_THICK], base=[place - _THICK / 2],
        marker={"color": theme.shade, "line": {"color": theme.rule, "width": 1}}, hoverinfo="skip",
        name=f"{name}: the day",
    )  # fmt: skip
    rows: list[Any] = list(gaps.itertuples(index=False))[:_MOST_MARKS]
    figure.add_bar(
        x=[utc(row.start) for row in rows],
        width=[1000.0 * row.duration_s for row in rows],
        offset=0,
        y=[_THICK] * len(rows),
        base=[place - _THICK / 2] * len(rows),
        marker=out_marker(theme),
        customdata=[[clock.time(row.start), duration(row.duration_s)] for row in rows],
        hovertemplate=f"{name}: no service<br>%{{customdata[0]}} for %{{customdata[1]}}<extra></extra>",
        name=name,
    )
    out_s = float(gaps["duration_s"].sum())
    words = "no gap" if gaps.empty else f"{counted(len(gaps), 'gap')}, {duration(out_s)}"
    figure.add_annotation(
        x=0, xref="paper", y=place + _THICK / 2, xanchor="left", yanchor="bottom", showarrow=False, text=words,
        font={"color": theme.out if len(rows) else theme.quiet, "size": 12},
    )  # fmt: skip
