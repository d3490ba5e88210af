"""How far off satellites come by the age of their elements: what was found, the model in force, and the usual one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import plotly.graph_objects as go

from passim.forecast import TimingModel

from .theme import Theme, apply_theme

if TYPE_CHECKING:
    from passim.forecast import LearnedAge

FOUND, IN_FORCE, USUAL = "found", "in force", "usual"
_DAY_S: Final = 86_400.0
# Without anything found, the ages at which odds are told.
_USUAL_DAYS: Final = 7.0


def errors_by_age(found: Sequence[LearnedAge], model: TimingModel, theme: Theme) -> go.Figure:
    """Return the timing error against the age: points with their bounds, and the lines of the two models.

    The range is that of what was found and is in force; the usual model, where it is another, leaves it where it is
    larger.
    """
    end_days = max((age.age_s / _DAY_S for age in found), default=_USUAL_DAYS) * 1.05
    days = np.linspace(0.0, end_days, 60)
    figure = go.Figure()
    lines = [(IN_FORCE, model, {"color": theme.service, "width": 2})]
    if model != TimingModel():
        lines.insert(0, (USUAL, TimingModel(), {"color": theme.quiet, "width": 1, "dash": "dot"}))
    for name, law, line in lines:
        figure.add_scatter(
            name=name,
            x=days,
            y=law.sigma_s(days * _DAY_S),
            mode="lines",
            line=line,
            hovertemplate=f"%{{x:.1f}} days, {name}: %{{y:.2g}} s<extra></extra>",
        )
    if found:
        sigma_s = np.array([age.sigma_s for age in found])
        figure.add_scatter(
            name=FOUND,
            x=[age.age_s / _DAY_S for age in found],
            y=sigma_s,
            mode="markers",
            marker={"color": theme.ink, "size": 6},
            error_y={
                "array": np.array([age.sigma_high_s for age in found]) - sigma_s,
                "arrayminus": sigma_s - np.array([age.sigma_low_s for age in found]),
                "color": theme.ink,
                "thickness": 1,
                "width": 3,
            },
            customdata=[age.satellites for age in found],
            hovertemplate="%{x:.1f} days: %{y:.2g} s, %{customdata:,} satellites<extra></extra>",
        )
    top_s = 1.1 * max([float(model.sigma_s(end_days * _DAY_S)), *(age.sigma_high_s for age in found)])
    apply_theme(figure, theme, 240)
    figure.update_xaxes(title_text="age of the elements, days", range=[0.0, end_days])
    figure.update_yaxes(title_text="timing error, s", range=[0.0, top_s])
    _label(figure, lines, end_days, top_s, theme)
    return figure


def _label(
    figure: go.Figure, lines: Sequence[tuple[str, TimingModel, dict[str, object]]], end_days: float, top_s: float,
    theme: Theme,
) -> None:  # fmt: skip
    """Put the name of each line where it ends, or where it leaves the picture."""
    days = np.linspace(0.0, end_days, 600)
    for name, law, line in lines:
        inside = np.flatnonzero(law.sigma_s(days * _DAY_S) <= 0.94 * top_s)
        at = float(days[inside[-1]]) if inside.size else 0.0
        leaves = at < 0.9 * end_days
        figure.add_annotation(
            x=at,
            y=float(law.sigma_s(at * _DAY_S)),
            text=name,
            showarrow=False,
            xanchor="left" if leaves else "right",
            xshift=6 if leaves else -2,
            yanchor="middle" if leaves else "top",
            yshift=0 if leaves else -10,
            font={"color": line["color"], "size": 12},
        )
