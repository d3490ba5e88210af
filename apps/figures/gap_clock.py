"""Gaps by date and local time of day: one row a day, so that the daily drift shows as a slant."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim import Coverage
from passim.arrays import Floats, Ints
from passim.coverage import redundancy
from passim.intervals import Intervals, clip
from passim.spans import DailyHours, local_days, moment

from ..text.units import LocalClock, duration
from .regions import edges_of, labels_at, out_regions, strokes
from .theme import FONT_SIZE, Theme, apply_theme
from .time_axis import microseconds

NO_SERVICE, DAY, GAPS = "no service", "day", "gaps"
_ROW_PX, _LEAST_PX = 44, 220
# What part of its row a day takes up, above its middle and below.
_HALF: Final = 0.375
# Shorter gaps are too thin for their hatch at the width of a page, and thinner than a pixel on a phone.
THIN_H: Final = 0.1
_LETTER_PX: Final = 7.5
_NONE: Final = "no gap"
# How many hours "call hours" and "now" take up beside each other on a phone.
_WORDS_H: Final = 5.0
# A long gap is told at several places of its length, no farther apart than this.
_TOLD_EVERY_H: Final = 0.25


def gap_clock(
    coverage: Coverage,
    clock: LocalClock,
    now: datetime,
    theme: Theme,
    hours: DailyHours | None = None,
    *,
    gap: str = "no service",
    none: str = _NONE,
    head: str = "out",
    lane: tuple[float, float] = (-_HALF, _HALF),
    by_half_hour: bool = False,
) -> go.Figure:
    """Return the gaps of `coverage` as marks over local hours, a row a local day, the first on top.

    `hours` are those in which calls are held, first, end and weekdays from Monday = 0; they are shaded. What of a day
    lies outside the span, or outside the windows of the coverage, stays blank; each row ends with how long the day is
    out. `gap` is what a mark is called, `none` what stands at the end of a day without any, and
    `head` above these ends.
    `lane` is what part of its row a day takes up, from above its middle (negative) to below. With `by_half_hour` there
    is a column for each half hour instead, the higher the more of it is out: on a phone marks would run together.
    """
    where = ZoneInfo(clock.name)
    edges_us = local_days(coverage.span, clock.name)
    days = [moment(us).astimezone(where) for us in edges_us[:-1].tolist()]
    rows = np.arange(len(days))

    figure = go.Figure()
    # Hours that were not computed, or not measured, stay paper, so that nobody takes them for calm ones.
    assert coverage.windows is not None  # set when it was made
    _, day, hour, length = pieces_by_day(coverage.windows, edges_us, where)
    x, y = edges_of(hour, hour + length, day + lane[1], day + lane[0])
    figure.add_scatter(
        name=DAY, x=x, y=y, mode="none", fill="toself", fillcolor=theme.shade, hoverinfo="skip",
    )  # fmt: skip

    if by_half_hour:
        _half_hours(figure, coverage, clock, edges_us, where, lane, theme)
    else:
        _marks(figure, coverage, clock, edges_us, where, lane, gap, theme)

    # Of a day in which nothing counts there is no row.
    out_s = dict(coverage.by_local_day(clock.name)[["date", "gap_s"]].itertuples(index=False, name=None))
    ends = [_short(out_s[day.date()], none) if day.date() in out_s else "" for day in days]
    apply_theme(figure, theme, max(_LEAST_PX, 70 + _ROW_PX * len(days)))
    figure.update_layout(margin={"r": 14 + _LETTER_PX * max(map(len, ends)), "t": 44})
    figure.update_xaxes(
        range=[0, 24], tickvals=list(range(0, 25, 6)), ticktext=[f"{h:02d}:00" for h in range(0, 25, 6)], showgrid=True,
        minor={"tickvals": list(range(0, 25, 3)), "showgrid": True, "gridcolor": theme.rule},
        title={"text": f"local time of day, {clock.name}", "font": {"size": FONT_SIZE, "color": theme.quiet}},
    )  # fmt: skip
    figure.update_yaxes(
        range=[len(days) - 0.4, -0.6],
        tickvals=list(range(len(days))),
        ticktext=[f"{d:%a} {d.day}" for d in days],
        showgrid=False,
    )
    if hours is not None:
        _shade_calls(figure, hours, days, theme)
    figure.add_scatter(
        name="out", x=np.full(len(days), 24.0), y=rows, mode="text", text=[f" {words}" for words in ends],
        textposition="middle right", cliponaxis=False, hoverinfo="skip",
        textfont={"color": [theme.quiet if words == none else theme.out for words in ends]},
    )  # fmt: skip
    figure.add_annotation(
        x=1, xref="paper", xanchor="left", xshift=5, y=1, yref="paper", yanchor="bottom", text=head, showarrow=False,
        font={"color": theme.quiet},
    )  # fmt: skip
    _mark_now(figure, now, days, where, hours, theme)
    return figure


def _marks(
    figure: go.Figure,
    coverage: Coverage,
    clock: LocalClock,
    edges_us: Ints,
    where: ZoneInfo,
    lane: tuple[float, float],
    gap: str,
    theme: Theme,
) -> None:
    """Draw each gap as a mark in the rows of its days, and tell what it is where a pointer comes near."""
    start_us, end_us = coverage.gap_intervals
    nth, day, hour, length = pieces_by_day(coverage.gap_intervals, edges_us, where)
    out_regions(figure, edges_of(hour, hour + length, day + lane[1], day + lane[0]), theme, NO_SERVICE)
    thin = length < THIN_H
    strokes(figure, hour[thin] + length[thin] / 2.0, day[thin] + lane[0], day[thin] + lane[1], theme)
    lengths_s = ((end_us - start_us) / 1e6).tolist()
    words = [[when, duration(s)] for when, s in zip(clock.whens(start_us), lengths_s, strict=True)]
    piece, at = _label_places(length)
    labels_at(
        figure,
        hour[piece] + at,
        day[piece],
        [words[k] for k in nth[piece].tolist()],
        gap + "<br>%{customdata[0]} for %{customdata[1]}<extra></extra>",
        name=GAPS,
    )


def _half_hours(
    figure: go.Figure,
    coverage: Coverage,
    clock: LocalClock,
    edges_us: Ints,
    where: ZoneInfo,
    lane: tuple[float, float],
    theme: Theme,
) -> None:
    """Draw a column for each half hour that has a gap, up to the height of its row for the worst of all days."""
    table = redundancy.redundancy_by_half_hour(coverage)
    begin_us, end_us = (microseconds(table[name]) for name in ("start", "end"))
    out_s = table["none"].to_numpy(dtype=np.float64) * (end_us - begin_us) / 1e6
    some = out_s > 0.0
    nth, day, hour, length = pieces_by_day(Intervals(begin_us[some], end_us[some]), edges_us, where)
    top = lane[1] - (lane[1] - lane[0]) * out_s[some][nth] / out_s.max(initial=1.0)
    out_regions(figure, edges_of(hour, hour + length, day + lane[1], day + top), theme, NO_SERVICE)
    words = [
        [start[:5], end[:5], duration(seconds)]
        for start, end, seconds in zip(
            clock.times(begin_us[some]), clock.times(end_us[some]), out_s[some].tolist(), strict=True
        )
    ]
    labels_at(
        figure,
        hour + length / 2.0,
        day,
        [words[k] for k in nth.tolist()],
        "%{customdata[0]} to %{customdata[1]}<br>%{customdata[2]} without service<extra></extra>",
        name=GAPS,
    )


def pieces_by_day(parts: Intervals, edges_us: Ints, where: ZoneInfo) -> tuple[Ints, Floats, Floats, Floats]:
    """Return the pieces of `parts` by local days, whose edges are given: what goes over midnight is two pieces.

    Of each the part it is of, its day, the local hour it begins at and how many hours it lasts, shape (pieces,) each.
    What lies outside the days is left out.
    """
    part, start_us, end_us = clip(parts, int(edges_us[0]), int(edges_us[-1]))
    first = np.searchsorted(edges_us, start_us, side="right") - 1
    last = np.searchsorted(edges_us, end_us, side="left") - 1
    piece = np.repeat(np.arange(len(first)), last - first + 1)
    day = first[piece] + np.arange(len(piece)) - np.searchsorted(piece, piece)
    from_us = np.maximum(start_us[piece], edges_us[day])
    length = (np.minimum(end_us[piece], edges_us[day + 1]) - from_us) / 3.6e9
    return part[piece], day.astype(np.float64), _local_hours(from_us, where), length


def _local_hours(moments_us: Ints, where: ZoneInfo) -> Floats:
    """Return moments, microseconds since 1970 UTC, as hours of the local clock since its midnight."""
    wall = pd.DatetimeIndex(moments_us.astype("datetime64[us]"), tz="UTC").tz_convert(where).tz_localize(None)
    return np.asarray((wall - wall.normalize()) / pd.Timedelta(hours=1), dtype=np.float64)


def _label_places(length: Floats) -> tuple[Ints, Floats]:
    """Return the places at which pieces of so many hours are told: which piece, and how far from its start."""
    count = np.ceil(length / _TOLD_EVERY_H).astype(np.int64)
    piece = np.repeat(np.arange(len(length)), count)
    nth = np.arange(len(piece)) - np.searchsorted(piece, piece)
    return piece, (nth + 0.5) * length[piece] / count[piece]


def _shade_calls(figure: go.Figure, hours: DailyHours, days: list[datetime], theme: Theme) -> None:
    """Shade the hours for calls, in one piece from the first to the last of days that follow each other."""
    # What comes after midnight belongs to the day before; the words stand over the hours before it.
    parts = [(start / 60.0, end / 60.0, int(hours.over_midnight and not start)) for start, end in hours.of_day()][::-1]
    for from_h, to_h, days_ago in parts:
        has_hours = [False, *((day.weekday() - days_ago) % 7 in hours.weekdays for day in days), False]
        begins = [k for k in range(len(days)) if has_hours[k + 1] and not has_hours[k]]
        ends = [k for k in range(len(days)) if has_hours[k + 1] and not has_hours[k + 2]]
        for top, bottom in zip(begins, ends, strict=True):
            figure.add_shape(
                type="rect", x0=from_h, x1=to_h, y0=top - 0.5, y1=bottom + 0.5, layer="above", line={"width": 0},
                fillcolor=theme.chosen, opacity=0.07, name="call hours",
            )  # fmt: skip
    figure.add_annotation(
        x=_middle_h(hours), y=1, yref="paper", yanchor="bottom", text="call hours", showarrow=False,
        font={"color": theme.chosen},
    )  # fmt: skip


def _short(gap_s: Any, none: str) -> str:
    """Return how long a day is out, to the minute where it is long."""
    if not gap_s:
        return none
    return duration(60.0 * round(gap_s / 60.0)) if gap_s >= 600.0 else duration(gap_s)


def _mark_now(
    figure: go.Figure, now: datetime, days: list[datetime], where: ZoneInfo, hours: DailyHours | None, theme: Theme
) -> None:
    """Draw now in the row of its day; where that is the first one, under its word."""
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
            if k == 0:
                # The words over the hours for calls stand on the same line, where they leave it room.
                apart = hours is None or abs(hour - _middle_h(hours)) >= _WORDS_H
                figure.add_annotation(
                    x=hour, y=1, yref="paper", yanchor="bottom", yshift=0 if apart else 1.3 * FONT_SIZE, text="now",
                    showarrow=False, font={"color": theme.chosen}, xanchor="left" if hour < 2.0 else "center",
                )  # fmt: skip
            else:
                figure.add_annotation(
                    x=hour, y=k, yanchor="middle", text="now", showarrow=False, font={"color": theme.chosen},
                    xanchor="left" if hour < 20.0 else "right", xshift=3 if hour < 20.0 else -3,
                )  # fmt: skip


def _middle_h(hours: DailyHours) -> float:
    """Return over which local hour the words over the hours for calls stand."""
    start, end = hours.of_day()[-1]
    return (start + end) / 120.0
