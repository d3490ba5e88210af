"""The outlines of the land for maps in a file of their own, which may ask no server for them.

The file is that of plotly.js, made from data of Natural Earth (public domain) and the United Nations.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import plotly.graph_objects as go

FILE: Final = Path(__file__).resolve().parent.parent / "dashboard" / "assets" / "topojson" / "world_110m.json"
_MAPS: Final = frozenset({"choropleth", "scattergeo"})


def needed(figures: Iterable[go.Figure]) -> bool:
    """Whether one of the figures is a map."""
    return any(trace.type in _MAPS for figure in figures for trace in figure.data)


def script() -> str:
    """Return a script that gives plotly.js the outlines before it draws: it then asks nobody for them."""
    # Packed anew, so that nothing in the file can end the script that it stands in.
    packed = json.dumps(json.loads(FILE.read_text(encoding="utf-8")), separators=(",", ":")).replace("<", "\\u003c")
    return f"window.PlotlyGeoAssets = {{topojson: {{world_110m: {packed}}}}};"
