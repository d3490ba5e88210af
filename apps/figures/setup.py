"""Where things stand on the ground: sites, gateways, and which gateways count for which site."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import plotly.graph_objects as go

from .theme import Theme, apply_theme

Place = tuple[str, float, float]
SITES, GATEWAYS, COUNTS = "sites", "gateways", "counts for"
_HEIGHT_PX: Final = 320
# A picture of one place alone shows so many degrees round it.
_LEAST_DEG: Final = 4.0
# And is so much wider than high, for their names; on a phone there is no room for more.
_WIDER: Final = 1.8
_WIDER_ON_PHONES: Final = 1.2


def places(
    sites: Sequence[Place], gateways: Sequence[Place], counts: Sequence[tuple[str, str]], theme: Theme
) -> go.Figure:
    """Return a plan of places, north up, of name, latitude and longitude each; `counts` pairs site and gateway.

    A degree of longitude is drawn as wide as it is at the middle of the plan.
    """
    figure = go.Figure()
    known = {name: (latitude, longitude) for name, latitude, longitude in [*sites, *gateways]}
    x: list[float | None] = []
    y: list[float | None] = []
    for pair in counts:
        for name in pair:
            latitude, longitude = known[name]
            x.append(longitude)
            y.append(latitude)
        x.append(None)
        y.append(None)
    figure.add_scatter(name=COUNTS, x=x, y=y, mode="lines", line={"color": theme.quiet, "width": 1, "dash": "dot"},
                       hoverinfo="skip")  # fmt: skip
    # A gateway may stand next to a site: their names stand on either side.
    for name, each, symbol, colour, side in (
        (GATEWAYS, gateways, "square-open", theme.service, "left"), (SITES, sites, "circle", theme.chosen, "right"),
    ):  # fmt: skip
        figure.add_scatter(
            name=name, x=[longitude for _, _, longitude in each], y=[latitude for _, latitude, _ in each],
            mode="markers+text", text=[f" {place} " for place, _, _ in each], textposition=f"middle {side}",
            marker={"symbol": symbol, "size": 11, "color": colour, "line": {"width": 2, "color": colour}},
            textfont={"color": theme.of_words(colour)}, hoverinfo="skip",
        )  # fmt: skip
    apply_theme(figure, theme, _HEIGHT_PX)
    latitudes = np.array([latitude for latitude, _ in known.values()] or [0.0])
    longitudes = np.array([longitude for _, longitude in known.values()] or [0.0])
    middle = float(latitudes.max() + latitudes.min()) / 2.0
    tall = max(float(np.ptp(latitudes)) * 1.25, _LEAST_DEG)
    # Names stand to the right of their places.
    narrower = max(float(np.cos(np.radians(middle))), 0.05)
    wide = min(
        max(float(np.ptp(longitudes)) * 1.6, (_WIDER_ON_PHONES if theme.narrow else _WIDER) * tall / narrower), 360.0
    )
    centre = float(longitudes.max() + longitudes.min()) / 2.0
    figure.update_yaxes(
        range=[max(middle - tall / 2.0, -90.0), min(middle + tall / 2.0, 90.0)], ticksuffix="°", showgrid=True,
        scaleanchor="x", scaleratio=1.0 / narrower, title_text="latitude", constrain="domain",
    )  # fmt: skip
    figure.update_xaxes(
        range=[centre - wide / 2.0, centre + wide / 2.0], ticksuffix="°", showgrid=True, title_text="longitude",
        constrain="domain", nticks=6, tickangle=0,
    )  # fmt: skip
    return figure
