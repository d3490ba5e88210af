"""The next hour as a strip: how many satellites are in view, and the gaps between them."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

import plotly.graph_objects as go

from passim import Coverage

from ..text.units import LocalClock, duration
from .regions import edges_of, single_regions
from .theme import FONT_SIZE, Theme, apply_theme, out_marker
from .time_axis import local_axis, mark_now, utc

IN_VIEW, ALONE, NO_SERVICE, GAP_EDGES, GAP_FEET = "in view", "one in view", "no service", "gap edges", "gap feet"
# A gap of a few seconds is too thin for its hatch, and as a grey it is a column of three: it alone goes on below the
# axis, to a foot of its own, and over the highest column; shares of that column's height.
_BELOW, _FOOT, _ABOVE = 0.1, 0.15, 0.06
# On a phone a letter takes so much of the strip's length.
_LETTER: Final = 1.0 / 44.0
# Ten seconds each in an hour: more would be thinner than two pixels.
_MOST_SLICES: Final = 360


def next_hour(coverage: Coverage, clock: LocalClock, now: datetime, theme: Theme) -> go.Figure:
    """Return satellites in view over the span of `coverage` as steps, and now.

    Gaps are hatched over the whole height and stand on a foot below the axis, so that each is told however thin it is.

    Where the number changes more often than a picture can show, a step is the fewest in view in a few seconds.
    """
    slices = coverage.at_most(_MOST_SLICES)
    start_us, end_us = slices.edges[:-1], slices.edges[1:]
    top = max(int(slices.level.max()), 1)
    starts, ends, counts = clock.times(start_us), clock.times(end_us), slices.level.tolist()

    figure = go.Figure()
    shown = [k for k, count in enumerate(counts) if count]
    figure.add_bar(
        name=IN_VIEW,
        x=start_us[shown] / 1000.0,
        width=(end_us[shown] - start_us[shown]) / 1000.0,
        offset=0,
        y=slices.level[shown],
        marker={"color": [theme.of_count(counts[k]) for k in shown], "line": {"width": 0}},
        customdata=[[starts[k], ends[k]] for k in shown],
        hovertemplate="%{y} in view<br>%{customdata[0]} to %{customdata[1]}<extra></extra>",
    )
    alone = slices.level == 1
    single_regions(figure, edges_of(start_us[alone] / 1000.0, end_us[alone] / 1000.0, 0.0, 1.0), theme, ALONE)
    gaps = coverage.gaps()
    rows: list[Any] = list(gaps.itertuples(index=False))
    where: dict[str, Any] = {
        "x": [utc(row.start) for row in rows], "width": [1000.0 * row.duration_s for row in rows], "offset": 0,
    }  # fmt: skip
    # A rim of paper keeps a gap apart from the columns beside it.
    figure.add_bar(
        name=GAP_EDGES, **where, y=[top * (1.0 + _ABOVE)] * len(rows), hoverinfo="skip",
        marker={"color": theme.paper, "line": {"color": theme.paper, "width": 6}},
    )  # fmt: skip
    figure.add_bar(
        name=NO_SERVICE,
        **where,
        base=-_BELOW * top,
        y=[top * (1.0 + _ABOVE + _BELOW)] * len(rows),
        marker=out_marker(theme),
        customdata=[[clock.time(row.start), duration(row.duration_s)] for row in rows],
        hovertemplate="no service<br>%{customdata[0]} for %{customdata[1]}<extra></extra>",
    )
    middles = [row.start + (row.end - row.start) / 2 for row in rows]
    figure.add_scatter(
        name=GAP_FEET, x=[utc(middle) for middle in middles], y=[-_FOOT * top] * len(rows), mode="markers",
        marker={"symbol": "triangle-up", "size": 11, "color": theme.out, "line": {"width": 0}}, hoverinfo="skip",
    )  # fmt: skip
    apply_theme(figure, theme, 280)
    figure.update_layout(barmode="overlay")
    figure.update_xaxes(**local_axis(coverage.span, clock.name, 7))
    # Room for the last time, which is left out where it would be cut.
    figure.update_layout(margin={"r": 24})
    counted = list(range(0, top + 1, 1 + top // 8))
    lane = ([-_FOOT * top], ["gap"]) if rows else ([], [])
    figure.update_yaxes(
        range=[-(_FOOT + 0.09) * top, top * 1.28], tickvals=[*lane[0], *counted],
        ticktext=[*lane[1], *map(str, counted)],
    )  # fmt: skip
    figure.update_yaxes(title={"text": "satellites in view", "font": {"size": FONT_SIZE, "color": theme.quiet}})
    shares = [(middle - coverage.span.start).total_seconds() / coverage.span.duration_s for middle in middles]
    for k, anchor in _labelled(shares, [row.duration_s for row in rows]):
        figure.add_annotation(
            x=utc(middles[k]),
            y=top * (1.0 + _ABOVE),
            xanchor=anchor,
            yanchor="bottom",
            text=duration(rows[k].duration_s),
            showarrow=False,
            font={"color": theme.out},
        )
    mark_now(figure, now, coverage.span, theme)
    return figure


def _labelled(places: list[float], seconds: list[float]) -> list[tuple[int, str]]:
    """Return which gaps have room for their length over them, the longest first, and by which side it hangs.

    `places` are their middles as shares of the strip, 0 to 1. No word lies on another or goes over the edge.
    """
    taken: list[tuple[float, float]] = []
    found = []
    for k in sorted(range(len(places)), key=lambda k: -seconds[k]):
        wide = _LETTER * (len(duration(seconds[k])) + 1)
        anchor, left = "center", places[k] - wide / 2.0
        if left < 0.0:
            anchor, left = "left", places[k]
        elif left + wide > 1.0:
            anchor, left = "right", places[k] - wide
        if all(left >= past or left + wide <= first for first, past in taken):
            taken.append((left, left + wide))
            found.append((k, anchor))
    return found
