"""What the line did beside what was forecast: by date and time of day, a day by the minute, and whose fault it was.

The record is drawn as a forecast is, so that the two can be laid over each other by eye; what lies in the house has a
pattern of its own, because no satellite explains it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go

from passim import Coverage, Span
from passim.arrays import Floats, Ints
from passim.intervals import Intervals, clip, difference
from passim.spans import DailyHours, local_days, minute_edges

from ..text.units import LocalClock
from .gap_clock import THIN_H, gap_clock, pieces_by_day
from .regions import edges_of, hatched, out_regions, steps_of, strokes
from .theme import Theme, apply_theme
from .time_axis import local_axis, mark_now

FORECAST, FORECAST_DAY, HOUSE, RECORDED = "forecast", "forecast day", "in the house", "recorded"
# What part of its row the record takes up, and what the forecast below it.
_RECORD_LANE, _FORECAST_LANE = (-0.42, 0.08), (0.14, 0.42)
# Shorter times without measuring are too narrow for a word.
_WORDY_HOLE_S: Final = 3.0 * 3600.0
_WORDY_HOUSE_S: Final = 240.0
_BAR_PX: Final = 44
_ROW_PX, _FRAME_PX, _LEAST_PX = 37, 70, 220


def record_clock(
    record: Coverage,
    house: Intervals,
    forecast: Intervals | None,
    clock: LocalClock,
    now: datetime,
    theme: Theme,
    hours: DailyHours | None = None,
) -> go.Figure:
    """Return the freezes of a record over local hours, a row a day, with the gaps that were forecast under each.

    `record` is what `passim.line.line_coverage` makes of one; `house` are the outages of the house,
    which are no part of it, and `forecast` the gaps forecast, microseconds since 1970 UTC, None where none is known.
    What was not measured stays blank.
    """
    figure = gap_clock(
        record, clock, now, theme, hours, gap="frozen", none="no freeze", head="frozen", lane=_RECORD_LANE
    )
    where = ZoneInfo(clock.name)
    edges_us = local_days(record.span, clock.name)
    figure.update_layout(height=max(_LEAST_PX, _FRAME_PX + _ROW_PX * (len(edges_us) - 1)))
    _, day, hour, length = pieces_by_day(house, edges_us, where)
    length = np.maximum(length, THIN_H / 2.0)
    _house_regions(figure, edges_of(hour, hour + length, day + _RECORD_LANE[1], day + _RECORD_LANE[0]), theme)
    for k in np.flatnonzero(length * 3600.0 >= _WORDY_HOUSE_S).tolist():
        late = bool(hour[k] > 12.0)
        figure.add_annotation(
            x=hour[k] if late else hour[k] + length[k], y=day[k] - 0.17, xanchor="right" if late else "left",
            yanchor="middle", text="house", showarrow=False, font={"color": theme.ink}, bgcolor=theme.paper,
            xshift=-2 if late else 2,
        )  # fmt: skip
    if forecast is not None:
        whole = Intervals(np.array([record.span.start_us]), np.array([record.span.end_us]))
        _, day, hour, length = pieces_by_day(whole, edges_us, where)
        x, y = edges_of(hour, hour + length, day + _FORECAST_LANE[1], day + _FORECAST_LANE[0])
        figure.add_scatter(
            name=FORECAST_DAY, x=x, y=y, mode="none", fill="toself", fillcolor=theme.shade, hoverinfo="skip",
        )  # fmt: skip
        _, day, hour, length = pieces_by_day(forecast, edges_us, where)
        out_regions(
            figure, edges_of(hour, hour + length, day + _FORECAST_LANE[1], day + _FORECAST_LANE[0]), theme, FORECAST
        )
        thin = length < THIN_H
        strokes(
            figure, hour[thin] + length[thin] / 2.0, day[thin] + _FORECAST_LANE[0], day[thin] + _FORECAST_LANE[1], theme
        )
        days = figure.layout.yaxis.ticktext
        rows = np.arange(len(days))
        figure.update_yaxes(
            tickvals=np.column_stack([rows - 0.17, rows + 0.28]).ravel().tolist(),
            ticktext=[words for name in days for words in (f"<b>{name}</b>", "forecast")],
        )
    for start_us, end_us in zip(*_holes(record, house), strict=True):
        if end_us - start_us >= _WORDY_HOLE_S * 1e6:
            _say_not_measured(figure, int(start_us), int(end_us), edges_us, where, theme)
    return figure


def record_day(
    record: Coverage,
    house: Intervals,
    forecast: Intervals | None,
    span: Span,
    clock: LocalClock,
    now: datetime,
    theme: Theme,
) -> go.Figure:
    """Return one local day, `span`: seconds frozen in each minute upwards, seconds forecast downwards.

    Takes what `record_clock` takes; what was not measured stays blank.
    """
    edges_us = minute_edges(span)
    left = edges_us[:-1].astype(np.float64) / 1e3
    figure = go.Figure()
    assert record.windows is not None
    _, start, end = clip(record.windows, span.start_us, span.end_us)
    x, y = edges_of(start / 1e3, end / 1e3, np.zeros(start.size), np.full(start.size, 60.0))
    figure.add_scatter(name="measured", x=x, y=y, mode="none", fill="toself", fillcolor=theme.shade, hoverinfo="skip")
    recorded_s = _seconds(record.gap_intervals, edges_us)
    _columns(figure, left, recorded_s, theme, RECORDED)
    in_house = _seconds(house, edges_us)
    frozen = in_house > 0.0
    if frozen.any():
        x, y = steps_of(left[frozen], 6e4, in_house[frozen])
        _house_regions(figure, (x, y), theme)
    if forecast is not None:
        x, y = edges_of(
            [span.start_us / 1e3], [min(span.end_us, record.span.end_us) / 1e3], np.array([-60.0]), np.array([0.0])
        )
        figure.add_scatter(
            name=FORECAST_DAY, x=x, y=y, mode="none", fill="toself", fillcolor=theme.shade, hoverinfo="skip",
        )  # fmt: skip
        _columns(figure, left, -_seconds(forecast, edges_us), theme, FORECAST)
    apply_theme(figure, theme, 260)
    figure.update_xaxes(**local_axis(span, clock.name))
    # Room for the last hour's label, which is left out where it would be cut.
    figure.update_layout(margin={"t": 24, "r": 24})
    bottom = -64 if forecast is not None else 0
    figure.update_yaxes(
        range=[bottom, 64], tickvals=[-60, -30, 0, 30, 60], ticktext=["60 s", "30 s", "0", "30 s", "60 s"],
        showgrid=True, gridcolor=theme.rule, zeroline=True, zerolinecolor=theme.quiet, zerolinewidth=1,
    )  # fmt: skip
    for words, y, anchor in ((RECORDED, 62, "top"), (FORECAST, -62, "bottom")):
        if words == RECORDED or forecast is not None:
            figure.add_annotation(
                x=0, xref="paper", xanchor="left", y=y, yanchor=anchor, text=words, showarrow=False,
                font={"color": theme.ink}, bgcolor=theme.paper, borderpad=1,
            )  # fmt: skip
    for start_us, end_us in zip(*_holes(record, house), strict=True):
        low, high = max(int(start_us), span.start_us), min(int(end_us), span.end_us)
        if high - low >= _WORDY_HOLE_S * 1e6:
            figure.add_annotation(
                x=(low + high) / 2e3, y=30, text="not measured", showarrow=False, font={"color": theme.quiet}
            )
    mark_now(figure, now, span, theme)
    return figure


def by_where(words: Sequence[str], out_s: Sequence[float], labels: Sequence[str], theme: Theme) -> go.Figure:
    """Return one bar for each part of the way, house, line and far end: how long it was out, labelled with `told`."""
    looks = [
        {"color": theme.quiet, "pattern": _patterned("x", theme.quiet, theme)},
        {"color": theme.out, "pattern": hatched(theme)},
        {"color": theme.chosen, "pattern": _patterned(".", theme.chosen, theme)},
    ]
    figure = go.Figure()
    longest = max([*out_s, 1.0])
    for k, (word, length_s, label) in enumerate(zip(words, out_s, labels, strict=True)):
        figure.add_bar(
            name=word, orientation="h", y=[k], x=[length_s],
            marker=looks[k] | {"line": {"color": theme.ink, "width": 1}},
            text=[f" {label}"], textposition="outside", textfont={"color": theme.ink}, cliponaxis=False,
            hoverinfo="skip",
        )  # fmt: skip
    apply_theme(figure, theme, 30 + _BAR_PX * len(words))
    figure.update_layout(bargap=0.35, margin={"t": 6, "b": 10})
    # Room for the words behind the longest bar, on a phone too.
    figure.update_xaxes(visible=False, range=[0.0, 2.8 * longest])
    figure.update_yaxes(
        tickvals=list(range(len(words))), ticktext=list(words), range=[len(words) - 0.4, -0.6], showgrid=False
    )
    return figure


def _columns(figure: go.Figure, left: Floats, seconds: Floats, theme: Theme, name: str) -> None:
    """Draw the minutes that have some seconds without service as columns, outlined so that thin ones are seen."""
    some = seconds != 0.0
    out_regions(figure, steps_of(left[some], 6e4, seconds[some]), theme, name, line={"color": theme.out, "width": 1},
                mode="lines")  # fmt: skip


def _house_regions(figure: go.Figure, edges: tuple[object, object], theme: Theme) -> None:
    figure.add_scatter(
        name=HOUSE, x=edges[0], y=edges[1], mode="lines", fill="toself", fillcolor=theme.quiet, hoverinfo="skip",
        line={"color": theme.ink, "width": 1}, fillpattern=_patterned("x", theme.quiet, theme),
    )  # fmt: skip


def _patterned(shape: str, colour: str, theme: Theme) -> dict[str, object]:
    """Return a filling that is told from the hatch of no service without its colour too."""
    return {
        "shape": shape, "fillmode": "overlay", "bgcolor": colour, "fgcolor": theme.paper, "size": 6, "solidity": 0.3,
    }  # fmt: skip


def _seconds(parts: Intervals, edges_us: Ints) -> Floats:
    """Return how many seconds of each minute lie in `parts`, which are disjoint and ascending; shape (minutes,)."""
    start, end = (np.asarray(each, dtype=np.float64) for each in parts)
    if not start.size:
        return np.zeros(len(edges_us) - 1)
    before = np.concatenate([[0.0], np.cumsum(end - start)])
    k = np.searchsorted(start, edges_us, side="right")
    # Up to an edge: all intervals begun by then, less what of the last lies beyond.
    until = before[k] - np.where(k > 0, np.maximum(end[np.maximum(k - 1, 0)] - edges_us, 0.0), 0.0)
    seconds: Floats = np.diff(until) / 1e6
    return seconds


def _holes(record: Coverage, house: Intervals) -> Intervals:
    """Return when nothing was measured; while the house was out it was."""
    assert record.windows is not None
    start, end = record.windows
    span = record.span
    low, high = np.append(span.start_us, end), np.append(start, span.end_us)
    keep = high > low
    return difference(Intervals(low[keep], high[keep]), house)


def _say_not_measured(
    figure: go.Figure, start_us: int, end_us: int, edges_us: Ints, where: ZoneInfo, theme: Theme
) -> None:
    """Write into a hole, in the row in which it is longest, that nothing was measured then."""
    hole = Intervals(np.array([start_us]), np.array([end_us]))
    _, day, hour, length = pieces_by_day(hole, edges_us, where)
    k = int(np.argmax(length))
    figure.add_annotation(
        x=hour[k], y=day[k] + sum(_RECORD_LANE) / 2.0, text="unknown", showarrow=False, xanchor="left",
        font={"color": theme.quiet, "size": 11},
    )  # fmt: skip
