"""What became of the gaps that older elements forecast, one bar a pair of snapshots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import plotly.graph_objects as go

from .theme import DOTS, Theme, apply_theme, plain

UNFORESEEN, AS_FORECAST, FURTHER_OFF, NOT_COME = "not forecast", "as forecast", "further off", "did not come"
# A part of the widest bar, below which a number does not fit in.
_SMALLEST_LABEL: Final = 0.05


@dataclass(frozen=True)
class GapCounts:
    """Gaps of one pair of snapshots: those that came as forecast, further off, not at all, and without a forecast."""

    label: str
    as_forecast: int
    further_off: int
    not_come: int
    unforeseen: int


def forecast_gaps(pairs: Sequence[GapCounts], theme: Theme) -> go.Figure:
    """Return one bar a pair, the gaps forecast to the right of zero, those that came unforecast to its left.

    Blank where there is no pair.
    """
    figure = go.Figure()
    rows = list(range(len(pairs)))
    dots = {"shape": DOTS, "fgcolor": theme.paper, "size": 5, "solidity": 0.3, "fillmode": "overlay"}
    crosses = {"shape": "x", "fgcolor": theme.quiet, "bgcolor": theme.paper, "size": 6, "solidity": 0.2}
    kinds = (
        (UNFORESEEN, [-pair.unforeseen for pair in pairs], {"color": theme.quiet, "pattern": crosses}),
        (AS_FORECAST, [pair.as_forecast for pair in pairs], {"color": theme.service}),
        (FURTHER_OFF, [pair.further_off for pair in pairs], {"color": theme.single, "pattern": dots}),
        (NOT_COME, [pair.not_come for pair in pairs], {"color": theme.paper}),
    )
    right = max((pair.as_forecast + pair.further_off + pair.not_come for pair in pairs), default=0)
    left = max((pair.unforeseen for pair in pairs), default=0)
    whole = max(right + left, 1)
    for name, counts, marker in kinds:
        figure.add_bar(
            name=name,
            orientation="h",
            y=rows,
            x=counts,
            marker={**marker, "line": {"color": theme.quiet, "width": 1}},
            customdata=[[plain(pair.label), abs(count)] for pair, count in zip(pairs, counts, strict=True)],
            hovertemplate=f"%{{customdata[0]}}: %{{customdata[1]:,}} {name}<extra></extra>",
        )
    apply_theme(figure, theme, 96 + 44 * max(1, len(pairs)))
    figure.update_layout(barmode="relative", bargap=0.45, margin={"t": 24})
    if not pairs:
        figure.update_layout(height=56, margin={"t": 4, "b": 4})
        figure.update_xaxes(visible=False)
        figure.update_yaxes(visible=False)
        return figure
    figure.update_xaxes(
        title={"text": "gaps", "font": {"size": 12, "color": theme.quiet}},
        range=[-left - 0.04 * whole, right + 0.04 * whole],
        showticklabels=False,
        zeroline=True,
        zerolinecolor=theme.ink,
    )
    figure.update_yaxes(
        tickvals=rows, ticktext=[plain(pair.label) for pair in pairs], range=[len(pairs) - 0.4, -0.75], showgrid=False
    )
    for row, pair in zip(rows, pairs, strict=True):
        _label(figure, row, pair, whole, theme)
    return figure


def _label(figure: go.Figure, row: int, pair: GapCounts, whole: int, theme: Theme) -> None:
    """Write under each part of a bar how many they are and, of the first bar, what; small parts go by the hover."""
    start = float(-pair.unforeseen)
    parts = ((UNFORESEEN, pair.unforeseen), (AS_FORECAST, pair.as_forecast), (FURTHER_OFF, pair.further_off),
             (NOT_COME, pair.not_come))  # fmt: skip
    for name, count in parts:
        wide = count / whole
        middle = start + count / 2.0
        start += count
        if wide < _SMALLEST_LABEL:
            continue
        words = f"{count:,} {name}" if wide > (0.30 if theme.narrow else 0.14) else f"{count:,}"
        figure.add_annotation(
            x=middle, y=row, yshift=22, text=words, showarrow=False, font={"size": 12, "color": theme.ink},
        )  # fmt: skip
