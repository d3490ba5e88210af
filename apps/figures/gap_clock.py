"""Gaps by date and local time of day: one row a day, so that the daily drift shows as a slant."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim import Coverage
from passim.spans import local_days, moment

from ..wording import LocalClock, duration
from .theme import Theme, dressed, out_marker

NO_SERVICE, DAY = "no service", "day"
_ROW_PX, _LEAST_PX = 44, 220


def gap_clock(
    coverage: Coverage,
    clock: LocalClock,
    now: datetime,
    theme: Theme,
    hours: tuple[time, time, Collection[int]] | None = None,
) -> go.Figure:
    """Return the gaps of `coverage` as marks over local hours, a row a local day, the first on top.

    `hours` are those in which calls are held, first, end and weekdays from Monday = 0; they are shaded. Each row ends
    with how long the day is out.
    """
    where = ZoneInfo(clock.name)
    edges_us = local_days(coverage.span, clock.name)
    days = [moment(us).astimezone(where) for us in edges_us[:-1].tolist()]

    figure = go.Figure()
    figure.add_bar(
        name=DAY, orientation="h", y=list(range(len(days))), base=[0.0] * len(days), x=[24.0] * len(days),
        marker={"color": theme.shade, "line": {"width": 0}}, hoverinfo="skip",
    )  # fmt: skip

    # A gap over midnight is drawn in both rows.
    start_us, end_us = coverage.gap_intervals
    row = np.searchsorted(edges_us, start_us, side="right") - 1
    last = np.searchsorted(edges_us, end_us, side="left") - 1
    pieces = [
        (k, day) for k, (a, b) in enumerate(zip(row.tolist(), last.tolist(), strict=True)) for day in range(a, b + 1)
    ]
    gap = np.array([k for k, _ in pieces], dtype=np.int64)
    day = np.array([d for _, d in pieces], dtype=np.int64)
    from_us = np.maximum(start_us[gap], edges_us[day])
    to_us = np.minimum(end_us[gap], edges_us[day + 1])
    wall = pd.DatetimeIndex(from_us.astype("datetime64[us]"), tz="UTC").tz_convert(where).tz_localize(None)
    hour = (wall - wall.normalize()) / pd.Timedelta(hours=1)
    figure.add_bar(
        name=NO_SERVICE,
        orientation="h",
        y=day,
        base=np.asarray(hour, dtype=np.float64),
        x=(to_us - from_us) / 3.6e9,
        marker=out_marker(theme, 0.8),
        customdata=[
            [clock.when(moment(int(start_us[k]))), duration((int(end_us[k]) - int(start_us[k])) / 1e6)] for k in gap
        ],
        hovertemplate="no service<br>%{customdata[0]} for %{customdata[1]}<extra></extra>",
    )

    dressed(figure, theme, max(_LEAST_PX, 70 + _ROW_PX * len(days)))
    figure.update_layout(barmode="overlay", bargap=0.25, margin={"r": 62, "t": 32})
    figure.update_xaxes(
        range=[0, 24], tickvals=list(range(0, 25, 6)), ticktext=[f"{h:02d}:00" for h in range(0, 25, 6)], showgrid=True,
        minor={"tickvals": list(range(0, 25, 3)), "showgrid": True, "gridcolor": theme.rule},
        title=f"local time of day, {clock.name}",
    )  # fmt: skip
    figure.update_yaxes(
        range=[len(days) - 0.4, -0.6],
        tickvals=list(range(len(days))),
        ticktext=[f"{d:%a} {d.day}" for d in days],
        showgrid=False,
    )
    if hours is not None:
        _shade_calls(figure, hours, days, theme)
    for k, out in enumerate(coverage.by_local_day(clock.name).itertuples(index=False)):
        figure.add_annotation(
            x=1, xref="paper", y=k, xanchor="left", xshift=6, showarrow=False, align="left",
            text=_short(out.gap_s), font={"color": theme.out if out.gap_s else theme.quiet},
        )  # fmt: skip
    _mark_now(figure, now, days, where, theme)
    return figure


def _shade_calls(
    figure: go.Figure, hours: tuple[time, time, Collection[int]], days: list[datetime], theme: Theme
) -> None:
    first, end = (t.hour + t.minute / 60.0 for t in hours[:2])
    for k, day in enumerate(days):
        if day.weekday() in hours[2]:
            figure.add_shape(
                type="rect", x0=first, x1=end, y0=k - 0.5, y1=k + 0.5, layer="above", line={"width": 0},
                fillcolor=theme.chosen, opacity=0.07, name="call hours",
            )  # fmt: skip
    figure.add_annotation(
        x=(first + end) / 2, y=1, yref="paper", yanchor="bottom", text="call hours", showarrow=False,
        font={"color": theme.chosen},
    )  # fmt: skip


def _short(gap_s: Any) -> str:
    """Return how long a day is out, to the minute where it is long."""
    if not gap_s:
        return "no gap"
    return duration(60.0 * round(gap_s / 60.0)) if gap_s >= 600.0 else duration(gap_s)


def _mark_now(figure: go.Figure, now: datetime, days: list[datetime], where: ZoneInfo, theme: Theme) -> None:
    local = now.astimezone(where)
    for k, day in enumerate(days):
        if day.date() == local.date():
            hour = local.hour + local.minute / 60.0
            figure.add_shape(
                type="line",
                x0=hour,
                x1=hour,
                y0=k - 0.5,
                y1=k + 0.5,
                line={"color": theme.chosen, "width": 2},
                name="now",
            )
