"""When to call: a row a day, local time along it, and over each start the seconds that such a call is frozen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from passim import Span
from passim.answers.calls import hours as call_times, outlook as call_outlook, plan as calls
from passim.arrays import Floats
from passim.intervals import Intervals
from passim.spans import local_days, microseconds, moment, zone

from ..text.calls import nearly_any
from ..text.units import LocalClock, duration
from .gap_clock import pieces_by_day
from .regions import edges_of, labels_at
from .theme import HATCH, Theme, apply_theme, plain

GOOD, FROZEN, SUGGESTED, EXPECTED = "good start", "freezes expected", "suggested", "seconds frozen"
BUSY: Final = "busy"
_ROW_PX, _LEAST_PX, _ROUND_PX = 104, 200, 104
# A row is one high. The curve stands on a strip in the colour of its starts, suggested calls lie under it, and the day
# is named over it, so that on a phone the picture has the whole width.
_CURVE, _STRIP, _CALL_TOP, _CALL_BOTTOM = 0.48, 0.08, 0.12, 0.24
_ROW_TOP, _ROW_FLOOR = 0.52, 0.30
# Fewer seconds than these at the worst start do not fill the height of a row.
_LEAST_SCALE_S: Final = 20.0
_MINUTE_H: Final = 1.0 / 60.0
# So many letters are as long as the picture on a phone.
_LETTERS: Final = 46
# What part of the width a phone needs for the word "now".
_WORD_ROOM: Final = 0.1


@dataclass(frozen=True, eq=False)
class _Day:
    """The ranked starts of one local day in their order in time, and its place: ``row`` counts from the top."""

    row: int
    date: datetime
    starts: pd.DataFrame
    hour: Floats


def call_days(
    plan: calls.CallPlan,
    span: Span,
    clock: LocalClock,
    now: datetime,
    theme: Theme,
    busy: Sequence[tuple[datetime, datetime, str]] = (),
) -> go.Figure:
    """Return a row for each local day of `span`: the higher the curve over a start, the longer its call is frozen.

    Good starts are flat and in the colour of service, others hatched; the hours for calls are shaded, and the suggested
    calls lie as blocks of their true length under the curve. `busy` are the appointments that are kept free of calls:
    start, end and title; each is an outline in its place, named where there is room.
    """
    days = _days(plan, span)
    scale_s = max([_LEAST_SCALE_S, *(float(day.starts["expected_frozen_s"].max()) for day in days if len(day.starts))])
    figure = go.Figure()
    _shade_hours(figure, plan, days, theme)

    # One outline a run of starts of the same kind, all runs of a kind in one trace.
    for name, colour, wanted in ((GOOD, theme.service, True), (FROZEN, theme.out, False)):
        x, y = _outlines(days, wanted, scale_s)
        hatch = {} if wanted else {
            "fillpattern": {
                "shape": HATCH, "bgcolor": colour, "fgcolor": theme.paper, "size": 5, "solidity": 0.25,
                "fillmode": "replace",
            },
        }  # fmt: skip
        figure.add_scatter(
            x=x, y=y, name=name, mode="lines", fill="toself", fillcolor=colour, line={"color": colour, "width": 1},
            hoverinfo="skip", **hatch,
        )  # fmt: skip

    # What a finger or a pointer reads: every start with its own numbers.
    figure.add_scatter(
        x=np.concatenate([day.hour + _MINUTE_H / 2.0 for day in days]),
        y=np.concatenate([_height(day, scale_s) for day in days]),
        mode="lines",
        line={"width": 0, "color": theme.ink},
        name=EXPECTED,
        customdata=np.concatenate([_numbers(day) for day in days]),
        hovertemplate="start %{customdata[0]:02d}:%{customdata[1]:02d}: %{customdata[2]:.0f} s frozen, "
        "%{customdata[3]:.2f} pauses,<br>%{customdata[4]:.1%} chance that the call drops<extra></extra>",
    )  # fmt: skip
    _appointments(figure, busy, span, days, (clock, _shown_hours(plan)), theme)
    _suggest(figure, plan, days, clock, theme)

    apply_theme(figure, theme, max(_LEAST_PX, _ROUND_PX + _ROW_PX * len(days)))
    first_h, last_h = _shown_hours(plan)
    step = next(h for h in (1, 2, 3, 4) if (last_h - first_h) / h <= 8)
    ticks = [h for h in range(first_h, last_h + 1) if h % step == 0]
    figure.update_layout(margin={"t": 50, "l": 4, "b": 44}, barmode="overlay")
    figure.update_xaxes(
        range=[first_h, last_h], tickvals=ticks, ticktext=[f"{h:02d}" for h in ticks], tickangle=0, showgrid=True,
        title={"text": f"hour of the start, {clock.name}", "font": {"size": 12, "color": theme.quiet}},
    )  # fmt: skip
    figure.update_yaxes(range=[-(len(days) - 1) - _ROW_FLOOR - 0.04, _ROW_TOP + 0.22], visible=False)
    whys = _why_empty(plan, days)
    for day in days:
        mark_words = _mark_now(figure, day, now, plan.timezone, (first_h, last_h), theme)
        _name(figure, day, first_h, whys[day.row], mark_words, theme)
    _key(figure, theme)
    return figure


def call_hours_only(plan: calls.CallPlan, theme: Theme) -> go.Figure:
    """Return means by the local hour, for elements too old to tell single starts apart."""
    table = plan.by_hour
    figure = go.Figure()
    figure.add_bar(
        x=table["hour"] + 0.5, y=table["expected_frozen_s"], width=0.9, name=EXPECTED,
        marker={
            "color": theme.out, "line": {"width": 0},
            "pattern": {"shape": HATCH, "fgcolor": theme.paper, "size": 5, "solidity": 0.25, "fillmode": "overlay"},
        },
        customdata=table["hour"],
        hovertemplate="start from %{customdata:02d}:00 to the hour's end: %{y:.0f} s frozen<extra></extra>",
    )  # fmt: skip
    apply_theme(figure, theme, 280, left_px=48)
    first_h, last_h = _shown_hours(plan)
    step = next(h for h in (1, 2, 3, 4) if (last_h - first_h) / h <= 8)
    ticks = [h for h in range(first_h, last_h + 1) if h % step == 0]
    figure.update_xaxes(
        range=[first_h, last_h], tickvals=ticks, ticktext=[f"{h:02d}:00" for h in ticks], showgrid=False,
        title_text=f"start of the call, local time, {plan.timezone}",
    )  # fmt: skip
    figure.update_yaxes(rangemode="tozero", title_text="seconds frozen, on average")
    return figure


def _days(plan: calls.CallPlan, span: Span) -> list[_Day]:
    where = zone(plan.timezone)
    ranked = plan.ranked.sort_values("start", kind="stable")
    wall = ranked["start"].dt.tz_convert(where)
    hour = (wall.dt.hour + wall.dt.minute / 60.0).to_numpy(dtype=np.float64)
    found = []
    for row, edge_us in enumerate(local_days(span, plan.timezone)[:-1].tolist()):
        date = moment(edge_us).astimezone(where)
        here = (wall.dt.date == date.date()).to_numpy()
        found.append(_Day(row, date, ranked[here], hour[here]))
    return found


def _height(day: _Day, scale_s: float) -> Floats:
    return np.asarray(-day.row + _CURVE * day.starts["expected_frozen_s"].to_numpy(dtype=np.float64) / scale_s)


def _numbers(day: _Day) -> NDArray[np.float32]:
    """Return hour and minute of each start, and what is told of it, of shape (n, 5)."""
    minutes = np.round(60.0 * day.hour)
    figures = day.starts[["expected_frozen_s", "expected_pauses", "chance_of_end"]].to_numpy(dtype=np.float64).copy()
    # Two decimals, and never rounded up to the bound of a good start.
    bound = call_outlook.MOST_PAUSES
    figures[:, 1] = np.where(figures[:, 1] < bound, np.minimum(figures[:, 1], bound - 0.01), figures[:, 1])
    return np.column_stack([minutes // 60.0, minutes % 60.0, figures]).astype(np.float32)


def _outlines(days: list[_Day], wanted: bool, scale_s: float) -> tuple[Floats, Floats]:
    """Return the outlines of all runs of good starts, or of the others, with NaN between them."""
    x, y = [np.zeros(0)], [np.zeros(0)]
    for day in days:
        if day.starts.empty:
            continue
        good, height, floor = call_outlook.good_starts(day.starts), _height(day, scale_s), -day.row - _STRIP
        breaks = (np.diff(day.hour) > 1.5 * _MINUTE_H) | (np.diff(day.hour) < 0.0) | (good[1:] != good[:-1])
        for run in np.split(np.arange(len(good)), np.flatnonzero(breaks) + 1):
            if good[run[0]] != wanted:
                continue
            hours, tops = np.repeat(day.hour[run], 2), np.repeat(height[run], 2)
            hours[1::2] += _MINUTE_H
            # Of a level stretch its two ends are enough.
            turns = np.ones(len(tops), dtype=bool)
            turns[1:-1] = (tops[1:-1] != tops[:-2]) | (tops[1:-1] != tops[2:])
            hours, tops = hours[turns], tops[turns]
            x.append(np.concatenate([hours[:1], hours, hours[-1:], hours[:1], [np.nan]]))
            y.append(np.concatenate([[floor], tops, [floor, floor, np.nan]]))
    return np.concatenate(x), np.concatenate(y)


def _shown_hours(plan: calls.CallPlan) -> tuple[int, int]:
    """Return the first and the last hour of the axis: the hours for calls and one on either side."""
    parts = plan.hours.of_day()
    return max(parts[0][0] // 60 - 1, 0), min(-(-parts[-1][1] // 60) + 1, 24)


def _shade_hours(figure: go.Figure, plan: calls.CallPlan, days: list[_Day], theme: Theme) -> None:
    for day in days:
        for start, end in plan.hours.of_day():
            # What comes after midnight belongs to the day before.
            began = (day.date.weekday() - (plan.hours.over_midnight and start == 0)) % 7
            if began not in plan.hours.weekdays:
                continue
            figure.add_shape(
                type="rect", x0=start / 60.0, x1=end / 60.0, y0=-day.row - _ROW_FLOOR,
                y1=-day.row + _ROW_TOP, layer="below", line={"width": 0}, fillcolor=theme.chosen, opacity=0.08,
                name="call hours",
            )  # fmt: skip


def _suggest(figure: go.Figure, plan: calls.CallPlan, days: list[_Day], clock: LocalClock, theme: Theme) -> None:
    """Lay the suggested calls under the curve, and name the best by its time."""
    if plan.suggestions.empty:
        return
    where = zone(plan.timezone)
    rows = {day.date.date(): day.row for day in days}
    chosen: list[Any] = list(plan.suggestions.itertuples(index=False))
    begins = [row.start.tz_convert(where) for row in chosen]
    hours = [b.hour + b.minute / 60.0 for b in begins]
    figure.add_bar(
        orientation="h",
        y=[-rows[b.date()] - (_CALL_TOP + _CALL_BOTTOM) / 2.0 for b in begins],
        base=hours,
        x=[plan.minutes / 60.0] * len(chosen),
        width=_CALL_BOTTOM - _CALL_TOP,
        name=SUGGESTED,
        # Open, so that even without colour no call is taken for the strip of good starts above it.
        marker={"color": theme.paper, "line": {"color": theme.chosen, "width": 2.5}},
        customdata=[[clock.time(row.start)[:5], clock.time(row.end)[:5]] for row in chosen],
        hovertemplate="suggested: %{customdata[0]} to %{customdata[1]}<extra></extra>",
    )
    # Where every start is as good as the others none is the best of them.
    word = "suggested" if plan.gain is not None and (plan.gain.all_alike or nearly_any(plan.gain)) else "best"
    figure.add_annotation(
        x=hours[0], y=-rows[begins[0].date()] + 0.05, text=f"{word}: {clock.time(chosen[0].start)[:5]}",
        showarrow=False, xanchor="left", yanchor="bottom", font={"color": theme.chosen, "weight": 600},
        bgcolor=theme.paper, borderpad=2,
    )  # fmt: skip


def _appointments(
    figure: go.Figure,
    busy: Sequence[tuple[datetime, datetime, str]],
    span: Span,
    days: list[_Day],
    shown: tuple[LocalClock, tuple[int, int]],
    theme: Theme,
) -> None:
    """Outline the appointments in the rows of their days, and name those that are long enough for their name."""
    clock, (first_h, last_h) = shown
    if not busy:
        return
    parts = [(microseconds(start), microseconds(end)) for start, end, _ in busy]
    edges = np.array(parts, dtype=np.int64)
    nth, row, hour, length = pieces_by_day(
        Intervals(edges[:, 0], edges[:, 1]), local_days(span, clock.name), zone(clock.name)
    )
    left, right = np.maximum(hour, first_h), np.minimum(hour + length, last_h)
    inside = right > left
    nth, row, left, right = nth[inside], row[inside], left[inside], right[inside]
    x, y = edges_of(left, right, -row - _STRIP, -row + _CURVE)
    figure.add_scatter(
        x=x, y=y, mode="lines", fill="toself", fillcolor="rgba(0, 0, 0, 0)", hoverinfo="skip", name=BUSY,
        line={"color": theme.quiet, "width": 1, "dash": "dot"},
    )  # fmt: skip
    times = [f"{clock.time(busy[k][0])[:5]} to {clock.time(busy[k][1])[:5]}" for k in nth.tolist()]
    labels_at(
        figure, (left + right) / 2.0, -row + _CURVE / 2.0,
        [[plain(busy[k][2]), when] for k, when in zip(nth.tolist(), times, strict=True)],
        "%{customdata[0]}<br>busy %{customdata[1]}<extra></extra>", name="appointments",
    )  # fmt: skip
    for k, place, begin, end in zip(nth.tolist(), row.tolist(), left.tolist(), right.tolist(), strict=True):
        # What a phone has room for; shorter appointments say "busy", or nothing.
        room = int((end - begin) / (last_h - first_h) * _LETTERS)
        title = next((words for words in (busy[k][2], "busy") if words and len(words) <= room), "")
        if title:
            figure.add_annotation(
                x=(begin + end) / 2.0, y=-place + (_CURVE - _STRIP) / 2.0, text=plain(title), showarrow=False,
                font={"color": theme.quiet, "size": 12}, name=BUSY,
            )  # fmt: skip


def _why_empty(plan: calls.CallPlan, days: list[_Day]) -> list[str]:
    """Return for each day why it has no start, should it have none."""
    where = zone(plan.timezone)
    # Only the elements' age, which grows, keeps allowed starts from being ranked: the first of them can be.
    allowed_us = call_times.starts(plan.span, plan.minutes, plan.hours, plan.timezone).allowed_us
    allowed = [moment(int(us)).astimezone(where).date() for us in allowed_us]
    rankable = set(allowed[: plan.rankable_count])
    whys = []
    for day in days:
        date = day.date.date()
        if date.weekday() not in plan.hours.weekdays and date not in allowed:
            whys.append("no call hours")
        elif date in rankable:
            whys.append("busy from now on" if microseconds(day.date) < plan.span.start_us else "busy all day")
        elif date in allowed:
            whys.append("elements too old")
        else:
            whys.append("past" if microseconds(day.date) < plan.span.start_us else "no call hours")
    return whys


def _name(figure: go.Figure, day: _Day, first_h: int, why_empty: str, mark_words: str, theme: Theme) -> None:
    """Name the day over its row, and say how bad its worst start is, or why it has none; behind that what is `said`."""
    words, colour = why_empty, theme.quiet
    if len(day.starts):
        worst_s = float(day.starts["expected_frozen_s"].max())
        # Less than half a second, averaged over the drawn futures, is nothing that a person would see.
        words, colour = (
            (f"up to {duration(worst_s)} frozen", theme.out) if worst_s >= 0.5 else ("no freeze", theme.service_text)
        )
    if mark_words:
        words = f'{words}   <span style="color:{theme.chosen}">{mark_words}</span>'
    date = f"<b>{day.date:%a} {day.date.day} {day.date:%b}</b>"
    figure.add_annotation(
        x=first_h, y=-day.row + _ROW_TOP, xanchor="left", yanchor="bottom", showarrow=False, align="left",
        bgcolor=theme.paper, borderpad=0, text=f'{date}   <span style="color:{colour}">{words}</span>',
    )  # fmt: skip


def _mark_now(
    figure: go.Figure, day: _Day, now: datetime, timezone: str, shown_h: tuple[int, int], theme: Theme
) -> str:
    """Draw now in its row; return what the name of the day is to say of it where the line has no room for its word."""
    local, (first_h, last_h) = now.astimezone(zone(timezone)), shown_h
    if local.date() != day.date.date():
        return ""
    hour = local.hour + local.minute / 60.0
    figure.add_shape(
        type="line", x0=hour, x1=hour, y0=-day.row - _ROW_FLOOR, y1=-day.row + _ROW_TOP, name="now",
        line={"color": theme.chosen, "width": 2},
    )  # fmt: skip
    if hour - first_h < _WORD_ROOM * (last_h - first_h):
        return f"now {local:%H:%M}"
    # Before now no call begins, so that the word lies on none.
    figure.add_annotation(
        x=hour, y=-day.row - _ROW_FLOOR, xanchor="right", yanchor="bottom", xshift=-2, text="now", showarrow=False,
        font={"color": theme.chosen},
    )  # fmt: skip
    return ""


def _key(figure: go.Figure, theme: Theme) -> None:
    """Say in two short lines over the rows what shapes, colours and heights are."""
    figure.add_annotation(
        x=0, xref="paper", xanchor="left", y=1, yref="paper", yanchor="bottom", yshift=4, showarrow=False, align="left",
        text=(
            f'<span style="color:{theme.service_text}">▬ {GOOD}</span>   '
            f'<span style="color:{theme.chosen}">▭ {SUGGESTED} call</span><br>'
            f'<span style="color:{theme.out}">▨ {FROZEN}, longer where higher</span>'
        ),
    )  # fmt: skip
