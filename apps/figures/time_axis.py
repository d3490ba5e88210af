"""Local time along an axis: positions are UTC, so that a day of 23 or 25 hours is drawn as long as it is."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim import Span
from passim.arrays import Floats, Ints
from passim.spans import local_days, local_hours, moment

from .theme import Theme

_MINUTES: Final = (1, 2, 5, 10, 15, 30)
_HOURS: Final = (1, 2, 3, 6, 12)


def utc(when: datetime | pd.Timestamp) -> str:
    """Return a moment as plotly takes it on an axis of UTC: with no zone, to the millisecond."""
    text: str = pd.Timestamp(when).tz_convert("UTC").tz_localize(None).isoformat(timespec="milliseconds")
    return text


def milliseconds(moments: pd.Series[Any]) -> Floats:
    """Return aware moments as plotly takes many of them on an axis of UTC: milliseconds since 1970, shape (n,)."""
    return microseconds(moments) / 1000.0


def microseconds(moments: pd.Series[Any]) -> Ints:
    """Return aware moments as microseconds since 1970 UTC, shape (n,)."""
    return moments.to_numpy(dtype="datetime64[us]").astype(np.int64)


def local_axis(span: Span, timezone: str, most_ticks: int = 7) -> dict[str, Any]:
    """Return the settings of an x axis over `span` whose ticks stand at whole steps of the local clock."""
    values, texts = _ticks(span, ZoneInfo(timezone), timezone, most_ticks)
    return {
        "type": "date",
        "range": [utc(span.start), utc(span.end)],
        "tickmode": "array",
        "tickvals": [utc(v) for v in values],
        "ticktext": texts,
        "tickangle": 0,
        "showgrid": False,
    }


def mark_now(figure: go.Figure, now: datetime, span: Span, theme: Theme, word: str = "now") -> None:
    """Draw now as a thin line under its word, where it lies in the span."""
    if span.start <= now < span.end:
        figure.add_shape(
            type="line",
            x0=utc(now),
            x1=utc(now),
            yref="paper",
            y0=0,
            y1=1,
            line={"color": theme.chosen, "width": 1.5},
            name="now",
        )
        figure.add_annotation(
            x=utc(now),
            y=1,
            yref="paper",
            yanchor="bottom",
            text=word,
            showarrow=False,
            font={"color": theme.chosen},
            xanchor="left" if now - span.start < (span.end - span.start) / 10 else "center",
        )


def mark_midnights(figure: go.Figure, span: Span, timezone: str, theme: Theme) -> None:
    """Draw a rule at each local midnight inside the span."""
    for edge_us in local_days(span, timezone).tolist():
        if span.start_us < edge_us < span.end_us:
            at = utc(moment(edge_us))
            figure.add_shape(
                type="line", x0=at, x1=at, yref="paper", y0=0, y1=1, line={"color": theme.quiet, "width": 1}
            )


def _ticks(span: Span, where: ZoneInfo, timezone: str, most: int) -> tuple[list[datetime], list[str]]:
    """Return moments at whole local steps inside the span, at most so many, and their local times."""
    minutes = span.duration_s / 60.0
    if minutes <= most * _MINUTES[-1]:
        step = next((m for m in _MINUTES if minutes / m <= most), _MINUTES[-1])
        first = span.start.replace(second=0, microsecond=0)
        every = [first + timedelta(minutes=k) for k in range(int(minutes) + 2)]
        inside = [t for t in every if span.start <= t <= span.end and t.astimezone(where).minute % step == 0]
    else:
        step = next((h for h in _HOURS if minutes / 60.0 / h <= most), _HOURS[-1])
        edges = [moment(us) for us in local_hours(span, timezone).tolist()]
        inside = [t for t in edges if t.astimezone(where).minute == 0 and t.astimezone(where).hour % step == 0]
    texts = [f"{t.astimezone(where):%H:%M}" for t in inside]
    if inside and inside[-1] == span.end and texts[-1] == "00:00":
        texts[-1] = "24:00"
    return inside, texts
