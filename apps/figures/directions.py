"""The sky over a site as a record shows it: surely clear, surely blocked, blank where not known, and a roof line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import plotly.graph_objects as go

from passim.arrays import Bools

from ..text.directions import LOWEST, NOT_KNOWN
from .regions import edges_of, labels_at, out_regions
from .theme import Theme, apply_theme

if TYPE_CHECKING:
    from passim.line import HorizonEvidence

BLOCKED, CLEAR, ROOF_LINE = "surely blocked", "surely clear", "roof line"
# So many sectors have room for words, on a phone too.
_FEWEST_LABELLED: Final = 6
# And where the blank reaches so far above the terminal's lowest elevation.
_WORDY_DEG: Final = 10.0
_COMPASS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW", "N")


def record_sky(found: HorizonEvidence, theme: Theme) -> go.Figure:
    """Return the picture: azimuth along, elevation upwards, a field a direction."""
    figure, cells = go.Figure(), found.cells

    def fields(verdict: str) -> tuple[Any, Any]:
        some = cells[cells["verdict"] == verdict]
        return edges_of(
            some["azimuth_from_deg"], some["azimuth_to_deg"], some["elevation_from_deg"], some["elevation_to_deg"]
        )

    x, y = fields("clear")
    figure.add_scatter(
        x=x, y=y, mode="none", fill="toself", fillcolor=theme.shade, hoverinfo="skip", name=CLEAR,
    )  # fmt: skip
    # What is not known stays paper, and says so where there is room.
    out_regions(figure, fields("blocked"), theme, BLOCKED)
    sectors = found.sectors
    line_x = sectors[["azimuth_from_deg", "azimuth_to_deg"]].to_numpy().ravel()
    figure.add_scatter(
        x=line_x, y=sectors["horizon_deg"].repeat(2), mode="lines", name=ROOF_LINE, hoverinfo="skip",
        line={"color": theme.ink, "width": 2}, connectgaps=False,
    )  # fmt: skip
    blank_to_deg = sectors["clear_above_deg"].fillna(90.0)
    for first, last in _runs((blank_to_deg >= found.floor_deg + _WORDY_DEG).to_numpy()):
        if last - first >= _FEWEST_LABELLED:
            some = sectors.iloc[first:last]
            figure.add_annotation(
                x=(some["azimuth_from_deg"].iloc[0] + some["azimuth_to_deg"].iloc[-1]) / 2.0,
                y=found.floor_deg + 9.0, yanchor="bottom", showarrow=False,
                text=NOT_KNOWN, font={"color": theme.quiet, "size": 11},
            )  # fmt: skip
    if found.floor_deg > float(cells["elevation_from_deg"].min()):
        figure.add_hline(
            y=found.floor_deg, line={"color": theme.quiet, "width": 1, "dash": "dot"}, annotation_text=LOWEST,
            annotation_position="top left", annotation_font={"color": theme.quiet, "size": 11},
        )  # fmt: skip
    rows: list[Any] = list(cells.itertuples(index=False))
    words = [
        f"{row.verdict}: {row.azimuth_from_deg:.0f}° to {row.azimuth_to_deg:.0f}°, {row.elevation_from_deg:.0f}° to "
        f"{row.elevation_to_deg:.0f}° up; in view {row.seen_s / 3600.0:.1f} h, of that frozen {row.frozen_s:.0f} s"
        for row in rows
    ]
    labels_at(
        figure,
        (cells["azimuth_from_deg"] + cells["azimuth_to_deg"]) / 2.0,
        (cells["elevation_from_deg"] + cells["elevation_to_deg"]) / 2.0,
        words,
        "%{customdata}<extra></extra>",
    )
    apply_theme(figure, theme, 340, left_px=44)
    figure.update_layout(
        showlegend=False,
        xaxis={
            "range": [0, 360], "tickvals": list(range(0, 361, 45)), "ticktext": list(_COMPASS), "showgrid": False,
            "tickfont": {"color": theme.ink},
        },
        yaxis={
            "range": [float(cells["elevation_from_deg"].min()), 90], "tickvals": [15, 30, 45, 60, 75, 90],
            "ticktext": ["15°", "30°", "45°", "60°", "75°", "90°"], "showgrid": False,
        },
    )  # fmt: skip
    return figure


def _runs(chosen: Bools) -> list[tuple[int, int]]:
    """Return the first and the one past the last of each run of what is chosen."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], chosen, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
