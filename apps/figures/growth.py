"""Gaps against the number of satellites: every N, in several orders, with the goal and what meets it; and by date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim.answers.growth import goals as growth_goals
from passim.arrays import Floats

from ..text.goals import goal_words
from .keys import STROKES
from .theme import Theme, apply_theme, plain

PLANNED: Final = "by the plan"

TITLES: Final = {
    "gap_fraction": "time without service",
    "gap_count": "gaps",
    "mean_gap_s": "mean gap",
    "longest_gap_s": "longest gap",
}
# Words on the goal stand over the title of the first panel, which a narrow picture leaves no room beside.
_ABOVE_TITLE_PX: Final = 18
# Lengths run over decades; no gap at all stands on the lowest line.
_NONE_S: Final = 0.5
# Nobody waits for less than this share of the time, per cent: a second in a day.
_LEAST_PERCENT: Final = 0.001
_LENGTHS: Final = {
    _NONE_S: "none",
    10.0: "10 s",
    60.0: "1 min",
    600.0: "10 min",
    3600.0: "1 h",
    36_000.0: "10 h",
    360_000.0: "100 h",
}


@dataclass(frozen=True, eq=False)
class OrderCurve:
    """One order: a few words for its line, and the table that `passim.answers.growth.curves` gives for it."""

    words: str
    table: pd.DataFrame


@dataclass(frozen=True)
class GoalMark:
    """A goal as the picture shows it: its words, its bound on one measure, and the number that meets it, if any."""

    words: str
    measure: str | None = None
    bound: float | None = None
    satellites: int | None = None

    @classmethod
    def of(cls, goal: growth_goals.Goal, satellites: int | None, counted_s: float) -> GoalMark:
        """Return the mark of a goal that `satellites` meet; its first bound that a curve can show is drawn.

        Rates are drawn on the curve of counts, over the `counted_s` seconds that were asked about.
        """
        for condition in goal.conditions:
            measure, bound = {
                "covered": ("gap_fraction", 1.0 - condition.bound),
                "gaps_per_hour": ("gap_count", condition.bound * counted_s / 3600.0),
                "pauses_per_hour": ("", 0.0),
                "twofold": ("", 0.0),
            }.get(condition.quantity, (condition.quantity, condition.bound))
            if measure:
                return cls(goal_words(goal), measure, bound, satellites)
        return cls(goal_words(goal), None, None, satellites)


def growth_curves(
    curves: Sequence[OrderCurve],
    theme: Theme,
    *,
    measures: Sequence[str] = ("gap_fraction", "longest_gap_s"),
    goal: GoalMark | None = None,
    plan: pd.DataFrame | None = None,
    plan_words: str = PLANNED,
    height_px: int = 460,
) -> go.Figure:
    """Return the measures against the number of satellites, one panel a measure, one line an order.

    Shares and lengths stand on scales of ratios, because what matters is the last tenth of the time without service.
    Today's number is marked; with `plan`, the table of `passim.answers.growth.ahead`, the axis goes on to its last, and
    `plan_words` name its line.

    An order of several draws has a band between its 10th and 90th percentile. A bound of the goal is a line in the
    panel of its measure; the number that meets it goes through all panels.
    """
    figure = go.Figure()
    everyone = max(len(curve.table) for curve in curves)
    last = everyone if plan is None else max(everyone, int(plan["satellites"].max()))
    tables = [*(curve.table for curve in curves), *([] if plan is None else [plan])]
    bound = None if goal is None or goal.measure != "gap_fraction" else goal.bound
    floor = _floor_percent(tables, bound)
    gap = 0.09 if len(measures) > 1 else 0.0
    each = (1.0 - gap * (len(measures) - 1)) / len(measures)
    looks = _looks(curves, theme)
    axes: dict[str, Any] = {}
    for row, measure in enumerate(measures):
        axis = "y" if row == 0 else f"y{row + 1}"
        top = 1.0 - row * (each + gap)
        axes[f"yaxis{axis[1:]}"] = {
            "domain": [max(top - each, 0.0), top],
            "anchor": "x",
            **_axis(measure, tables, floor),
        }
        for curve, look in zip(curves, looks, strict=True):
            _line(figure, curve, measure, axis, look, floor, theme)
        if plan is not None:
            _planned(figure, plan, measure, axis, floor, plan_words, theme)
        _title(figure, TITLES[measure], top, theme)
        if goal is not None and goal.measure == measure and goal.bound is not None:
            figure.add_shape(
                type="line",
                x0=0,
                x1=1,
                xref="paper",
                y0=_drawn(measure, np.array([goal.bound]), floor)[0],
                y1=_drawn(measure, np.array([goal.bound]), floor)[0],
                yref=axis,
                line={"color": theme.chosen, "width": 1.5, "dash": "dash"},
                name="goal",
            )
    if goal is not None:
        _goal(figure, goal, last, theme)
    _today(figure, everyone, last, theme)
    figure.update_layout(axes)
    figure.update_layout(meta={"satellites": everyone})
    apply_theme(figure, theme, height_px, left_px=60)
    figure.update_xaxes(
        range=[0, last * 1.02],
        showgrid=False,
        anchor="y" if len(measures) == 1 else f"y{len(measures)}",
        title={"text": "satellites", "standoff": 6, "font": {"size": 12, "color": theme.quiet}},
    )
    figure.update_layout(margin={"t": 60, "b": 48})
    _key(figure, curves, looks, 1.0 - each, "" if plan is None else plan_words, theme)
    return figure


def plan_by_date(
    table: pd.DataFrame, theme: Theme, *, met: pd.Timestamp | None = None, height_px: int = 380
) -> go.Figure:
    """Return time without service by date under a plan, with the satellites serving; `met` is the goal's date.

    `table` is that of `passim.answers.growth.ahead`: date, satellites, planned, gap_fraction and more.
    """
    figure = go.Figure()
    # What the last launch brings lasts: a tenth of the time more shows it.
    dates = pd.to_datetime(table["date"]).dt.tz_localize(None)
    lasts = dates.iloc[-1] + max((dates.iloc[-1] - dates.iloc[0]) / 10, pd.Timedelta(days=7))
    when = dates.dt.strftime("%Y-%m-%d").tolist()
    until = [*when, f"{lasts:%Y-%m-%d}"]
    figure.add_scatter(
        x=until,
        y=[*(100.0 * table["gap_fraction"]), 100.0 * float(table["gap_fraction"].iloc[-1])],
        mode="lines+markers",
        line={"color": theme.out, "width": 2, "shape": "hv"},
        marker={"size": [*[7] * len(when), 0], "color": theme.out},
        hovertemplate="%{x}: %{y:.2f} % without service<extra></extra>",
        name="time without service",
    )
    figure.add_scatter(
        x=until,
        y=[*table["satellites"], int(table["satellites"].iloc[-1])],
        yaxis="y2",
        mode="lines",
        line={"color": theme.service, "width": 2, "shape": "hv"},
        hovertemplate="%{x}: %{y} satellites serve<extra></extra>",
        name="satellites",
    )
    figure.update_layout(
        yaxis={"domain": [0.42, 1.0], "rangemode": "tozero", "ticksuffix": " %"},
        yaxis2={"domain": [0.0, 0.30], "anchor": "x", "rangemode": "tozero"},
    )
    apply_theme(figure, theme, height_px, left_px=56)
    for words, y in ((TITLES["gap_fraction"], 1.0), ("satellites that serve", 0.30)):
        _title(figure, words, y, theme)
    figure.update_xaxes(type="date", anchor="y2", showgrid=False)
    figure.update_layout(margin={"t": 60})
    if met is not None:
        at = f"{met:%Y-%m-%d}"
        figure.add_shape(
            type="line", x0=at, x1=at, y0=0, y1=1, yref="paper", line={"color": theme.chosen, "width": 1.5}
        )
        figure.add_annotation(
            x=at,
            y=1,
            yref="paper",
            yanchor="bottom",
            yshift=_ABOVE_TITLE_PX,
            xanchor="left" if at <= when[len(when) // 2] else "right",
            text="goal met from here on",
            showarrow=False,
            font={"color": theme.chosen},
        )
    return figure


def _looks(curves: Sequence[OrderCurve], theme: Theme) -> list[tuple[str, str]]:
    """Return colour and strokes of each line: the first order is the main one; an order of draws is quiet."""
    plain_ones = iter(
        ((theme.out, "solid"), (theme.ink, "dash"), (theme.chosen, "dashdot"), (theme.service, "longdash"))
    )
    return [
        (theme.quiet, "dot") if "gap_fraction_p10" in curve.table else next(plain_ones, (theme.ink, "dot"))
        for curve in curves
    ]


def _title(figure: go.Figure, words: str, y: float, theme: Theme) -> None:
    """Put the title of one of several pictures above it, whose upper edge is at `y` of the whole."""
    figure.add_annotation(
        x=0.0,
        xref="paper",
        y=y,
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        showarrow=False,
        text=words,
        font={"color": theme.quiet, "size": 12},
    )


def _line(
    figure: go.Figure, curve: OrderCurve, measure: str, axis: str, look: tuple[str, str], floor: float, theme: Theme
) -> None:
    table = curve.table
    number = table["satellites"]
    if f"{measure}_p10" in table:
        for name, fill in (("p10", None), ("p90", "tonexty")):
            figure.add_scatter(
                x=number,
                y=_drawn(measure, table[f"{measure}_{name}"].to_numpy(dtype=np.float64), floor),
                yaxis=axis,
                mode="lines",
                line={"width": 0, "color": look[0]},
                fill=fill,
                fillcolor=_faint(look[0]),
                hoverinfo="skip",
                name=f"{curve.words}, {name}",
            )
    values = table[measure].to_numpy(dtype=np.float64)
    figure.add_scatter(
        x=number,
        y=_drawn(measure, values, floor),
        yaxis=axis,
        mode="lines",
        line={"color": look[0], "width": 2 if look[1] == "solid" else 1.5, "dash": look[1]},
        customdata=values,
        hovertemplate=f"{plain(curve.words)}, %{{x}} satellites: {_hover(measure)}<extra></extra>",
        name=curve.words,
    )


def _planned(
    figure: go.Figure, plan: pd.DataFrame, measure: str, axis: str, floor: float, words: str, theme: Theme
) -> None:
    """Draw what launches ahead bring, launch by launch, from today's number on."""
    values = plan[measure].to_numpy(dtype=np.float64)
    figure.add_scatter(
        x=plan["satellites"], y=_drawn(measure, values, floor), yaxis=axis, mode="lines+markers",
        line={"color": theme.chosen, "width": 1.5}, marker={"size": 7, "symbol": "diamond"}, customdata=values,
        hovertemplate=f"{words}, %{{x}} satellites: {_hover(measure)}<extra></extra>", name=words,
    )  # fmt: skip


def _floor_percent(tables: Sequence[pd.DataFrame], bound: float | None) -> float:
    """Return the lowest per cent of the scale of shares: a power of ten, and a third of it where one is out never."""
    shares = np.concatenate([100.0 * table["gap_fraction"].to_numpy(dtype=np.float64) for table in tables])
    above = shares[shares > 0.0]
    least = min([float(above.min(initial=100.0)), *([100.0 * bound] if bound else [])])
    floor = 10.0 ** np.floor(np.log10(max(least, _LEAST_PERCENT)))
    return float(floor / 3.0 if (shares <= 0.0).any() else floor)


def _drawn(measure: str, values: Floats, floor: float) -> Floats:
    """Return values as they stand on the axis: shares in per cent, and none at all on the lowest line."""
    if measure == "gap_fraction":
        return np.asarray(np.maximum(100.0 * values, floor))
    return np.maximum(values, _NONE_S) if measure.endswith("_s") else values


def _axis(measure: str, tables: Sequence[pd.DataFrame], floor: float) -> dict[str, Any]:
    if measure == "gap_fraction":
        decades = [10.0**power for power in range(-4, 3) if 10.0**power >= floor]
        ticks = [
            each * step for each in decades for step in (1.0, 3.0 if len(decades) < 4 else 1.0) if each * step <= 100.0
        ]
        texts = {tick: f"{tick:g} %" for tick in ticks}
        if floor not in decades:
            texts[floor] = "none"
        return {
            "type": "log", "range": [float(np.log10(floor * 0.9)), 2.05], "tickmode": "array",
            "tickvals": sorted(texts), "ticktext": [texts[tick] for tick in sorted(texts)],
        }  # fmt: skip
    if not measure.endswith("_s"):
        return {"rangemode": "tozero", "nticks": 6}
    most = max(float(np.nanmax(table[measure].to_numpy(dtype=np.float64), initial=1.0)) for table in tables)
    ticks = [value for value in _LENGTHS if value <= 1.5 * most]
    return {
        "type": "log",
        "range": [float(np.log10(_NONE_S * 0.8)), float(np.log10(most * 1.3))],
        "tickmode": "array",
        "tickvals": ticks,
        "ticktext": [_LENGTHS[value] for value in ticks],
    }


def _hover(measure: str) -> str:
    if measure == "gap_fraction":
        return "out %{customdata:.2%} of the time"
    return "%{customdata:.1f} s" if measure.endswith("_s") else "%{customdata:.0f} gaps"


def _today(figure: go.Figure, everyone: int, last: int, theme: Theme) -> None:
    """Mark how many satellites there are today."""
    figure.add_shape(
        type="line", x0=everyone, x1=everyone, y0=0, y1=1, yref="paper", name="today",
        line={"color": theme.quiet, "width": 1, "dash": "dot"},
    )  # fmt: skip
    figure.add_annotation(
        x=everyone, y=1, yref="paper", yanchor="bottom", showarrow=False, font={"color": theme.quiet, "size": 12},
        xanchor="right" if everyone > 0.6 * last else "left", text=f"today: {everyone:,}",
    )  # fmt: skip


def _goal(figure: go.Figure, goal: GoalMark, last: int, theme: Theme) -> None:
    """Mark the number of satellites that meets the goal through all panels, or say that none does."""
    if goal.satellites is None:
        figure.add_annotation(
            x=1,
            xref="paper",
            xanchor="right",
            y=1,
            yref="paper",
            yanchor="bottom",
            yshift=_ABOVE_TITLE_PX,
            showarrow=False,
            text=f"{plain(goal.words)}: not with these",
            font={"color": theme.chosen},
        )
        return
    at = goal.satellites
    figure.add_shape(
        type="line", x0=at, x1=at, y0=0, y1=1, yref="paper", line={"color": theme.chosen, "width": 1.5}, name="goal met"
    )
    figure.add_annotation(
        x=at,
        y=1,
        yref="paper",
        yanchor="bottom",
        yshift=_ABOVE_TITLE_PX,
        showarrow=False,
        xanchor="right" if at > 0.6 * last else "left",
        text=f"{plain(goal.words)}: from {at:,} on",
        font={"color": theme.chosen},
    )


def _key(
    figure: go.Figure,
    curves: Sequence[OrderCurve],
    looks: Sequence[tuple[str, str]],
    bottom: float,
    planned: str,
    theme: Theme,
) -> None:
    """Name the lines in the first panel, bottom left where no curve has come down yet, each in its own colour."""
    words = "<br>".join(
        f'<span style="color:{theme.of_words(colour)}">{STROKES[dash]} {plain(curve.words)}</span>'
        for curve, (colour, dash) in zip(curves, looks, strict=True)
    )
    if planned:
        words += f'<br><span style="color:{theme.chosen}">◆ {planned}</span>'
    figure.add_annotation(
        x=0.01,
        xref="paper",
        xanchor="left",
        y=bottom + 0.01,
        yref="paper",
        yanchor="bottom",
        align="left",
        text=words,
        showarrow=False,
        bgcolor=theme.paper,
    )


def _faint(colour: str) -> str:
    """Return a colour laid on thinly."""
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.18)"
