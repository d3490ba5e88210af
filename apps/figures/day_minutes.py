"""One day, minute by minute: seconds without service above, satellites in view below."""

from __future__ import annotations

from datetime import datetime

import plotly.graph_objects as go

from passim import Coverage

from ..wording import LocalClock
from .theme import Theme, dressed, out_marker
from .time_axis import local_axis, mark_midnights, mark_now, utc

NO_SERVICE, LEAST, MOST, MEAN = "seconds without service", "least in view", "most in view", "mean in view"


def day_minutes(coverage: Coverage, clock: LocalClock, now: datetime, theme: Theme) -> go.Figure:
    """Return the minutes of `coverage` that have no service for a part, and the least, mean and most in view."""
    minutes = coverage.minutes(clock.name)
    out = minutes[minutes["gap_s"] > 0.0]
    figure = go.Figure()
    figure.add_bar(
        name=NO_SERVICE,
        x=[utc(m) for m in out["minute"]],
        y=out["gap_s"].tolist(),
        width=60_000,
        offset=0,
        yaxis="y2",
        marker=out_marker(theme, 1.0),
        customdata=[clock.time(m)[:5] for m in out["minute"]],
        hovertemplate="%{customdata}: %{y:.0f} s without service<extra></extra>",
    )
    # The least and the most in view within each minute make a band, and the mean runs inside it.
    x = [utc(m) for m in minutes["minute"]]
    for name, column, fill in ((LEAST, "satellites_min", None), (MOST, "satellites_max", "tonexty")):
        figure.add_scatter(
            name=name, x=x, y=minutes[column].tolist(), mode="lines", fill=fill, fillcolor=_faint(theme),
            line={"shape": "hv", "width": 0, "color": theme.service}, hoverinfo="skip",
        )  # fmt: skip
    figure.add_scatter(
        name=MEAN,
        x=x,
        y=minutes["satellites_mean"].tolist(),
        mode="lines",
        line={"width": 1, "color": theme.service},
        customdata=[
            [clock.time(row.minute)[:5], row.satellites_min, row.satellites_max] for row in minutes.itertuples()
        ],
        hovertemplate="%{customdata[0]}: %{customdata[1]} to %{customdata[2]} in view<extra></extra>",
    )

    dressed(figure, theme, 380)
    figure.update_xaxes(**local_axis(coverage.span, clock.name))
    top = max(int(minutes["satellites_max"].max()), 1)
    figure.update_layout(
        yaxis={"domain": [0.0, 0.5], "range": [0, top + 0.4], "dtick": max(1, top // 6), "title": "in view"},
        yaxis2={
            "domain": [0.58, 1.0], "range": [0, 62], "tickvals": [0, 20, 40, 60], "title": "s out", "anchor": "x",
            "gridcolor": theme.rule, "tickfont": {"color": theme.quiet}, "fixedrange": True, "zeroline": False,
            "automargin": True,
        },
    )  # fmt: skip
    for words, y in (("seconds without service in each minute", 1.0), ("satellites in view", 0.5)):
        figure.add_annotation(
            x=0, xref="paper", y=y, yref="paper", xanchor="left", yanchor="bottom", text=words, showarrow=False,
            font={"color": theme.quiet},
        )  # fmt: skip
    mark_midnights(figure, coverage.span, clock.name, theme)
    mark_now(figure, now, coverage.span, theme, "")
    return figure


def _faint(theme: Theme) -> str:
    """Return the colour of service, thin enough to lie under a line."""
    red, green, blue = (int(theme.service[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.3)"
