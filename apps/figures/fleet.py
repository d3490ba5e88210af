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
        marker={
            "color": [theme.service if name in _SERVES else theme.single for name in names],
            "pattern": {"shape": ["" if name in _SERVES else "." for name in names], "fgcolor": theme.paper},
            "line": {"width": 0},
        },
        hovertemplate="%{y}: %{x:,}<extra></extra>",
    )
    dressed(figure, theme, 110 + 44 * len(names))
    figure.update_layout(bargap=0.35, margin={"r": 70, "t": 12})
    figure.update_xaxes(title="objects", rangemode="tozero", showgrid=True)
    figure.update_yaxes(autorange="reversed", showgrid=False)
    return figure


def ages(age_days: Sequence[float], theme: Theme) -> go.Figure:
    """Return how many objects have elements of which age, days; those of the future lie left of nil."""
    figure = go.Figure()
    figure.add_histogram(
        name=AGES,
        x=list(age_days),
        nbinsx=40,
        marker={"color": theme.service, "line": {"width": 0.5, "color": theme.paper}},
        hovertemplate="%{x} days: %{y:,} objects<extra></extra>",
    )
    dressed(figure, theme, 240)
    figure.update_xaxes(title="age in days at this moment", zeroline=True, zerolinecolor=theme.rule)
    figure.update_yaxes(title="objects")
    return figure
