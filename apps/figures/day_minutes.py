"""One day, minute by minute: seconds without service above, satellites in view below."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import plotly.graph_objects as go

from passim import Coverage
from passim.spans import moment

from ..wording import LocalClock
from .theme import Theme, dressed, out_marker
from .time_axis import local_axis, mark_midnights, mark_now, utc

NO_SERVICE, IN_VIEW, ONE = "seconds without service", "satellites in view", "one satellite only"
_MOST_STEPS = 20_000


def day_minutes(coverage: Coverage, clock: LocalClock, now: datetime, theme: Theme) -> go.Figure:
    """Return the minutes of `coverage` that have no service for a part, and the number in view at every moment."""
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
    x, counts = _steps(coverage)
    texts = [utc(moment(us)) for us in x.tolist()]
    line = {"shape": "hv", "width": 1, "color": theme.service}
    figure.add_scatter(
        name=IN_VIEW, x=texts, y=counts.tolist(), mode="lines", line=line, fill="tozeroy", fillcolor=theme.ramp[0],
        hovertemplate="%{y} in view<extra></extra>",
    )  # fmt: skip
    figure.add_scatter(
        name=ONE, x=texts, y=(counts == 1).astype(int).tolist(), mode="lines",
        line={"shape": "hv", "width": 0, "color": theme.single}, fill="tozeroy", fillcolor=theme.single, hoverinfo="skip",
    )  # fmt: skip

    dressed(figure, theme, 380)
    figure.update_xaxes(**local_axis(coverage.span, clock.name))
    top = max(int(counts.max()), 1)
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
    mark_now(figure, now, coverage.span, theme)
    return figure


def _steps(coverage: Coverage) -> tuple[np.ndarray, np.ndarray]:
    """Return the edges and the counts from each on, the last repeated; by the minute where there are too many."""
    edges_us, counts = coverage.edges_us, coverage.in_view
    if len(counts) > _MOST_STEPS:
        table = coverage.minutes()
        edges_us = np.append(
            table["minute"].dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64),
            coverage.span.end_us,
        )
        counts = table["satellites_min"].to_numpy()
    return edges_us, np.append(counts, counts[-1])
