"""Sites side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import plotly.graph_objects as go

from ..text.units import share
from .theme import Theme, apply_theme, out_marker, plain

OUT = "time without service"
NEVER_OUT: Final = "never without service"


def side_by_side(titles: Sequence[str], out_fractions: Sequence[float], chosen: int | None, theme: Theme) -> go.Figure:
    """Return one bar a site: the share of time without service, 0 to 1 given, per cent drawn, in the order given."""
    # A place that is never out has no bar, nor the edge of one: its words say so, in the colour of service.
    marker: dict[str, Any] = out_marker(theme, 1.0)
    line = marker["line"]
    figure = go.Figure()
    figure.add_bar(
        name=OUT,
        orientation="h",
        y=list(range(len(titles))),
        x=[100.0 * fraction for fraction in out_fractions],
        text=[share(fraction) if fraction else NEVER_OUT for fraction in out_fractions],
        textposition="outside",
        textfont={"color": [theme.out if fraction else theme.service_text for fraction in out_fractions]},
        cliponaxis=False,
        marker={
            **marker,
            "line": {**line, "width": [line["width"] if fraction else 0.0 for fraction in out_fractions]},
        },
        customdata=[plain(title) for title in titles],
        hovertemplate="%{customdata}: %{x:.2f} % of the time without service<extra></extra>",
    )
    apply_theme(figure, theme, 110 + 48 * max(1, len(titles)))
    figure.update_layout(bargap=0.4, margin={"r": 80, "t": 12})
    widest = max((100.0 * fraction for fraction in out_fractions), default=0.0)
    figure.update_xaxes(
        title={"text": "per cent of the time without service", "font": {"size": 12, "color": theme.quiet}},
        range=[0, max(widest * 1.12, 0.5)],
        showgrid=True,
    )
    # What a name says in brackets takes a line of its own: there is little room on a phone.
    named = [plain(title).replace(" (", "<br>(") for title in titles]
    labels = [f"<b>{name}</b>" if k == chosen else name for k, name in enumerate(named)]
    figure.update_yaxes(
        tickvals=list(range(len(titles))), ticktext=labels, range=[len(titles) - 0.4, -0.6], showgrid=False
    )
    return figure
