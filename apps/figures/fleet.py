"""Who of a fleet serves, and how old the elements are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import plotly.graph_objects as go

from ..text.query import status_words
from .theme import Theme, apply_theme

STATUS, AGES = "objects by status", "age of the elements"
# Of the axis: closer than this, the words at two lines would lie over each other on a phone.
_CROWDED = 0.07
_SERVES = ("at shell", "unjudged")


def by_status(counts: Mapping[str, int], theme: Theme) -> go.Figure:
    """Return one bar a status that any object has, those that count as serving in the colour of service."""
    names = [name for name, number in counts.items() if name != "catalogued" and number] or ["none"]
    numbers = [counts.get(name, 0) for name in names]
    figure = go.Figure()
    figure.add_bar(
        name=STATUS,
        orientation="h",
        y=[status_words(name) for name in names],
        x=numbers,
        text=[f"{number:,}" for number in numbers],
        textposition="outside",
        cliponaxis=False,
        width=0.6,
        marker={
            "color": [theme.service if name in _SERVES else theme.single for name in names],
            "pattern": {"shape": ["" if name in _SERVES else "." for name in names], "fgcolor": theme.paper},
            "line": {"width": 0},
        },
        hovertemplate="%{y}: %{x:,}<extra></extra>",
    )
    apply_theme(figure, theme, 120 + 50 * len(names))
    figure.update_layout(bargap=0.35, margin={"r": 70, "t": 12})
    figure.update_xaxes(title_text="objects", rangemode="tozero", showgrid=True)
    figure.update_yaxes(autorange="reversed", showgrid=False)
    return figure


def ages(age_days: Sequence[float], theme: Theme, *, limits_days: Sequence[float] = ()) -> go.Figure:
    """Return how many objects have elements of which age, days; those of the future lie left of nil.

    The axis is in hours where none is two days away. `limits_days` are ages at which something changes: a thin line
    and a word each where they lie within the axis and are not crowded.
    """
    hours = max((abs(each) for each in age_days), default=0.0) < 2.0
    unit, per_day = ("hours", 24.0) if hours else ("days", 1.0)
    # A limit of one day just fits on the axis of young elements.
    first, end = min(0.0, *age_days, 0.0) * per_day, per_day * max(1.05, 1.05 * max(age_days, default=0.0))
    figure = go.Figure()
    figure.add_histogram(
        name=AGES,
        x=[each * per_day for each in age_days],
        xbins={"start": first, "end": end, "size": (end - first) / 40.0},
        autobinx=False,
        marker={"color": theme.service, "line": {"width": 0.5, "color": theme.paper}},
        hovertemplate=f"%{{x}} {unit}: %{{y:,}} objects<extra></extra>",
    )
    apply_theme(figure, theme, 240)
    figure.update_xaxes(
        title_text=f"age in {unit} at this moment", range=[first, end], zeroline=True, zerolinecolor=theme.rule
    )
    if hours:
        figure.update_xaxes(dtick=6 if end - first <= 60.0 else 12, tick0=0)
    figure.update_yaxes(title_text="objects")
    before = end + _CROWDED * (end - first)
    for limit_days in sorted(limits_days, reverse=True):
        x = limit_days * per_day
        if x > end or before - x < _CROWDED * (end - first) or x < _CROWDED * (end - first):
            continue
        before = x
        figure.add_vline(x=x, line={"color": theme.quiet, "width": 1, "dash": "dot"})
        figure.add_annotation(
            x=x,
            y=1.0,
            yref="paper",
            text=f"{limit_days:g} day" + ("" if limit_days == 1.0 else "s"),
            textangle=-90,
            showarrow=False,
            xanchor="right",
            yanchor="top",
            font={"color": theme.quiet, "size": 12},
        )
    return figure
