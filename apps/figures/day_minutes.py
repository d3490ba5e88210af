"""One day: seconds without service and satellites in view, minute by minute, and what half hours have one to spare."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim import Coverage
from passim.arrays import Floats
from passim.coverage import redundancy

from ..text.units import LocalClock, share
from .regions import dotted, edges_of, hatched, labels_at, out_regions, single_regions, steps_of
from .theme import Theme, apply_theme
from .time_axis import local_axis, mark_midnights, mark_now, microseconds, milliseconds, utc

NO_SERVICE, BARS = "seconds without service", "minutes without service"
FEWEST: Final = "fewest in view"
# A row each, from below: as greys their colours are alike, and a minute is too thin for strokes and dots.
ROWS: Final = ("none", "one", "two", "more")
FEWEST_ROWS: Final = tuple(f"minutes with {word} in view" for word in ROWS)
NONE, ONE, MORE, HALF_HOURS = "none in view", "one in view", "two or more in view", "half hours"
_MINUTE_MS: Final = 60_000.0
# A stretch without a gap that takes up so much of the picture has room for its words.
_ROOM_FOR_WORDS: Final = 0.25
_LOWER, _MIDDLE, _UPPER = (0.0, 0.26), (0.375, 0.54), (0.645, 1.0)
# From so many on, one more changes nothing that a call would feel.
_MANY: Final = 3
# What part of its row a minute takes up, above its middle and below.
_HALF: Final = 0.4


def day_minutes(coverage: Coverage, clock: LocalClock, now: datetime, theme: Theme) -> go.Figure:
    """Return the seconds that minutes of `coverage` are out, how many satellites are in view, and shares of half hours.

    In the middle each minute stands in the row of the fewest satellites in view in it.
    """
    minutes = coverage.minutes(clock.name)
    out = minutes[minutes["gap_s"] > 0.0]
    begin_ms, seconds = milliseconds(out["minute"]), out["gap_s"].to_numpy(dtype=np.float64)
    figure = go.Figure()
    edges = steps_of(begin_ms, _MINUTE_MS, seconds)
    out_regions(figure, edges, theme, BARS, mode="lines", line={"color": theme.out, "width": 1}, yaxis="y2")
    labels_at(
        figure,
        begin_ms + _MINUTE_MS / 2.0,
        seconds,
        [time[:5] for time in clock.times(microseconds(out["minute"]))],
        "%{customdata}: %{y:.0f} s without service<extra></extra>",
        name=NO_SERVICE,
        yaxis="y2",
    )
    _fewest(figure, minutes, clock, theme)
    _in_view(figure, redundancy.redundancy_by_half_hour(coverage), clock, theme)

    apply_theme(figure, theme, 490)
    figure.update_xaxes(**local_axis(coverage.span, clock.name))
    figure.update_layout(
        yaxis={"domain": _LOWER, "range": [0, 100], "tickvals": [0, 50, 100], "ticktext": ["0", "50", "100 %"]},
        yaxis2={
            "domain": _UPPER, "range": [0, 62], "tickvals": [0, 20, 40, 60], "ticktext": ["0", "20", "40", "60 s"],
            "anchor": "x", "gridcolor": theme.rule, "tickfont": {"color": theme.quiet}, "fixedrange": True,
            "zeroline": False, "automargin": True,
        },
        yaxis3={
            "domain": _MIDDLE, "range": [-0.5, _MANY + 0.5], "tickvals": list(range(_MANY + 1)), "ticktext": ROWS,
            "anchor": "x", "gridcolor": theme.rule, "tickfont": {"color": theme.quiet}, "fixedrange": True,
            "zeroline": False, "showgrid": False, "automargin": True,
        },
        # Room for the last hour's label, which is left out where it would be cut.
        margin={"r": 24},
    )  # fmt: skip
    of_half_hours = (
        f'satellites in view, share of each half hour<br><span style="color:{theme.out}">▨ none</span>   '
        f'<span style="color:{theme.single_text}">▒ one, no backup</span>   '
        f'<span style="color:{theme.service_text}">■ two or more</span>'
    )
    for words, y in (
        ("seconds without service in each minute", _UPPER[1]), ("fewest satellites in view in each minute", _MIDDLE[1]),
        (of_half_hours, _LOWER[1]),
    ):  # fmt: skip
        figure.add_annotation(
            x=0, xref="paper", y=y, yref="paper", xanchor="left", yanchor="bottom", text=words, showarrow=False,
            font={"color": theme.quiet}, align="left", yshift=2, bgcolor=theme.paper, borderpad=0,
        )  # fmt: skip
    _name_calm(figure, coverage, clock, theme)
    mark_midnights(figure, coverage.span, clock.name, theme)
    # Over the picture stand the words of its first part: now is told beside its line.
    mark_now(figure, now, coverage.span, theme, "")
    if coverage.span.start <= now < coverage.span.end:
        late = now > coverage.span.middle
        figure.add_annotation(
            x=utc(now), y=_UPPER[1], yref="paper", yanchor="top", text="now", showarrow=False,
            xanchor="right" if late else "left", xshift=-3 if late else 3, font={"color": theme.chosen},
            bgcolor=theme.paper, borderpad=0,
        )  # fmt: skip
    return figure


def _fewest(figure: go.Figure, minutes: pd.DataFrame, clock: LocalClock, theme: Theme) -> None:
    """Draw each minute in the row of the fewest satellites in view in it."""
    fewest = np.minimum(minutes["satellites_min"].to_numpy(), _MANY)
    counts = zip(minutes["satellites_min"].tolist(), minutes["satellites_max"].tolist(), strict=True)
    times = clock.times(microseconds(minutes["minute"]))
    begin_ms = milliseconds(minutes["minute"])
    labels_at(
        figure,
        begin_ms + _MINUTE_MS / 2.0,
        fewest,
        [f"{time[:5]}: {_range(*count)} in view" for time, count in zip(times, counts, strict=True)],
        "%{customdata}<extra></extra>",
        name=FEWEST,
        yaxis="y3",
    )
    for number, name in enumerate(FEWEST_ROWS):
        edges = _row(begin_ms[fewest == number], number)
        if number == 0:
            # A minute is thinner than a pixel: where there is none it is drawn as a hair at least.
            line = {"color": theme.out, "width": 1}
            out_regions(figure, edges, theme, name, mode="lines", line=line, yaxis="y3")
        elif number == 1:
            single_regions(figure, edges, theme, name, yaxis="y3")
        else:
            figure.add_scatter(
                x=edges[0], y=edges[1], mode="none", fill="toself", fillcolor=theme.of_count(number), hoverinfo="skip",
                name=name, yaxis="y3",
            )  # fmt: skip


def _row(begin_ms: Floats, number: int) -> tuple[Any, Any]:
    """Return the outlines of minutes in the row of a number, those that touch as one."""
    first = np.diff(begin_ms, prepend=-np.inf) > 1.5 * _MINUTE_MS
    last = np.diff(begin_ms, append=np.inf) > 1.5 * _MINUTE_MS
    return edges_of(begin_ms[first], begin_ms[last] + _MINUTE_MS, number - _HALF, number + _HALF)


def _range(least: int, most: int) -> str:
    return str(least) if least == most else f"{least} to {most}"


def _in_view(figure: go.Figure, table: pd.DataFrame, clock: LocalClock, theme: Theme) -> None:
    """Stack the shares of each half hour with none, one, and two or more in view."""
    edges_ms = np.append(milliseconds(table["start"]), milliseconds(table["end"].tail(1)))
    x = np.repeat(edges_ms, 2)[1:-1]
    below = np.zeros(len(x))
    for name, column, colour in ((NONE, "none", theme.out), (ONE, "one", theme.single), (MORE, "more", theme.service)):
        above = below + 100.0 * np.repeat(table[column].to_numpy(dtype=np.float64), 2)
        figure.add_scatter(
            name=name,
            x=np.concatenate([x, x[::-1]]),
            y=np.concatenate([above, below[::-1]]),
            mode="none",
            fill="toself",
            fillcolor=colour,
            fillpattern={"none": hatched(theme), "one": dotted(theme)}.get(column),
            hoverinfo="skip",
        )
        below = above
    rows: list[Any] = list(table.itertuples(index=False))
    labels_at(
        figure,
        (edges_ms[:-1] + edges_ms[1:]) / 2.0,
        np.full(len(table), 50.0),
        [
            [clock.time(row.start)[:5], clock.time(row.end)[:5], share(row.none), share(row.one), share(row.more),
             f"{row.satellites_mean:.1f}"]
            for row in rows
        ],
        "%{customdata[0]} to %{customdata[1]}, %{customdata[5]} in view on average<br>none %{customdata[2]}, one "
        "%{customdata[3]}, two or more %{customdata[4]}<extra></extra>",
        name=HALF_HOURS,
    )  # fmt: skip


def _name_calm(figure: go.Figure, coverage: Coverage, clock: LocalClock, theme: Theme) -> None:
    """Write into the longest stretch without a gap from when to when it goes, where it is long enough to hold words."""
    start, end = coverage.longest_clear()
    if (end - start) < _ROOM_FOR_WORDS * (coverage.span.end - coverage.span.start):
        return
    words = f"no gap<br>{clock.time(start)[:5]} to {clock.time(end)[:5]}"
    figure.add_annotation(
        x=utc(start + (end - start) / 2), y=31, yref="y2", showarrow=False, name="calm",
        text=words if len(coverage.gap_intervals.start) else "no gap", font={"color": theme.service_text},
    )  # fmt: skip
