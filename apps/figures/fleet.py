"""Who of a fleet serves, and how old the elements are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import plotly.graph_objects as go

from .theme import Theme, dressed

STATUS, AGES = "objects by status", "age of the elements"
_SERVES = ("at shell", "unjudged")


def by_status(counts: Mapping[str, int], theme: Theme) -> go.Figure:
    """Return one bar a status that any object has, those that count as serving in the colour of service."""
    names = [name for name, number in counts.items() if name != "catalogued" and number] or ["none"]
    numbers = [counts.get(name, 0) for name in names]
    figure = go.Figure()
    figure.add_bar(
        name=STATUS,
        orientation="h",
        y=names,
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
    dressed(figure, theme, 120 + 50 * len(names))
    figure.update_layout(bargap=0.35, margin={"r": 70, "t": 12})
    figure.update_xaxes(title="objects", rangemode="tozero", showgrid=True)
    figure.update_yaxes(autorange="reversed", showgrid=False)
    return figure


def ages(age_days: Sequence[float], theme: Theme) -> go.Figure:
    """Return how many objects have elements of which age, days; those of the future lie left of nil."""
    first, end = min(age_days, default=0.0), max(1.0, 1.05 * max(age_days, default=0.0))
    figure = go.Figure()
    figure.add_histogram(
        name=AGES,
        x=list(age_days),
        xbins={"start": min(0.0, first), "end": end, "size": (end - min(0.0, first)) / 40.0},
        autobinx=False,
        marker={"color": theme.service, "line": {"width": 0.5, "color": theme.paper}},
        hovertemplate="%{x} days: %{y:,} objects<extra></extra>",
    )
    dressed(figure, theme, 240)
    figure.update_xaxes(
        title="age in days at this moment", range=[min(0.0, first), end], zeroline=True, zerolinecolor=theme.rule
    )
    figure.update_yaxes(title="objects")
    return figure
