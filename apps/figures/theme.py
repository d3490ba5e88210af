"""The palette, and the looks that all pictures share: paper, ink, and one warm colour that means "no service".

The style sheet of the dashboard carries the same colours under the same names; a test holds the two together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import plotly.graph_objects as go

FONT: Final = 'system-ui, -apple-system, "Segoe UI", Roboto, "Liberation Sans", sans-serif'
FONT_SIZE: Final = 13
# Every region without service carries these strokes as well as its colour.
HATCH: Final = "/"
# And every region in which one satellite alone can serve, these: as a grey it is that of service.
DOTS: Final = "."


@dataclass(frozen=True)
class Theme:
    """Colours by what they mean. ``ramp`` is for counts in view, from one to many; ``single`` is exactly one.

    Words about service and about one satellite alone have darker shades of their own on paper. A ``narrow`` picture is
    for a phone, on which what a desk has room for would run together.
    """

    name: str
    paper: str
    ink: str
    quiet: str
    rule: str
    service: str
    single: str
    out: str
    chosen: str
    shade: str
    ramp: tuple[str, ...]
    service_text: str
    single_text: str
    narrow: bool = False

    def of_count(self, in_view: int) -> str:
        """Return the colour of a number of satellites in view: none, exactly one, or the ramp from two on."""
        if in_view <= 0:
            return self.out
        if in_view == 1:
            return self.single
        return self.ramp[min(in_view - 2, len(self.ramp) - 1)]

    def of_words(self, colour: str) -> str:
        """Return the colour of words about what is drawn in `colour`."""
        return {self.service: self.service_text, self.single: self.single_text}.get(colour, colour)


LIGHT: Final = Theme(
    name="light",
    paper="#FAF8F3",
    ink="#1E2A32",
    quiet="#5B6770",
    rule="#DDD7CB",
    service="#4F7C82",
    single="#94793A",
    out="#8E2F2B",
    chosen="#2B4C7E",
    shade="#F1EDE3",
    ramp=("#7FA3A8", "#4F7C82", "#2F5B61"),
    service_text="#3C666C",
    single_text="#6F5820",
)
DARK: Final = Theme(
    name="dark",
    paper="#14191D",
    ink="#E8E4DA",
    quiet="#A3ADB3",
    rule="#343C42",
    service="#7FB0B5",
    single="#D3BC86",
    out="#D9756E",
    chosen="#8FB0E0",
    shade="#1C2328",
    ramp=("#55797E", "#7FB0B5", "#B5D6D9"),
    service_text="#7FB0B5",
    single_text="#D3BC86",
)
# By what the browser says of itself.
THEMES: Final = {
    f"{theme.name} narrow" if narrow else theme.name: replace(theme, narrow=narrow)
    for theme in (LIGHT, DARK)
    for narrow in (False, True)
}

CONFIG: Final[Any] = {
    "displaylogo": False,
    "displayModeBar": "hover",
    # What is not listed is not there: neither drawing tools nor the button that sends a chart to a vendor's cloud.
    "modeBarButtons": [["toImage"]],
    "modeBarButtonsToRemove": ["sendChartToCloud", "sendDataToCloud"],
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "topojsonURL": "/assets/topojson/",
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": False,
    "toImageButtonOptions": {"format": "png", "scale": 2},
    "locale": "en",
}


def apply_theme(figure: go.Figure, theme: Theme, height_px: int, *, left_px: int = 8) -> go.Figure:
    """Give a figure the looks of the house and return it. Drags do nothing, so that a finger on a phone scrolls."""
    looks: dict[str, Any] = {
        "paper_bgcolor": theme.paper,
        "plot_bgcolor": theme.paper,
        "font": {"family": FONT, "size": FONT_SIZE, "color": theme.ink},
        "height": height_px,
        "margin": {"l": left_px, "r": 8, "t": 28, "b": 36, "pad": 2},
        "showlegend": False,
        "dragmode": False,
        "hovermode": "closest",
        "hoverlabel": {
            "bgcolor": theme.paper,
            "bordercolor": theme.rule,
            "font": {"color": theme.ink, "family": FONT},
        },
        "bargap": 0,
        "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": theme.quiet, "activecolor": theme.ink},
        "uirevision": "kept",
    }
    axis = {
        "gridcolor": theme.rule,
        "linecolor": theme.rule,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": theme.rule,
        "tickfont": {"color": theme.quiet},
        "title": {"font": {"color": theme.quiet, "size": FONT_SIZE}},
        "fixedrange": True,
        "automargin": True,
    }
    # plotly checks a layout that is set whole in a tenth of the time that it takes to change one.
    layout = figure.layout.to_plotly_json()
    layout.pop("template", None)
    axes = {"xaxis", "yaxis", *(name for name in layout if name.startswith(("xaxis", "yaxis")))}
    figure.layout = _laid_over(layout, looks | dict.fromkeys(axes, axis))
    figure.layout.template = {}
    return figure


def _laid_over(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    """Return settings with others laid over them, group by group."""
    both = {
        name: _laid_over(below[name], value) if isinstance(value, dict) and isinstance(below.get(name), dict) else value
        for name, value in above.items()
    }
    return below | both


def out_marker(theme: Theme, line_px: float = 1.5) -> dict[str, object]:
    """Return the looks of a region without service: its colour, hatched, and an edge that keeps a thin one seen."""
    return {
        "color": theme.out,
        "pattern": {"shape": HATCH, "fgcolor": theme.paper, "size": 5, "solidity": 0.25, "fillmode": "overlay"},
        "line": {"color": theme.out, "width": line_px},
    }


def plain(text: str) -> str:
    """Return text from a file as plotly shows it: its labels read a few HTML tags, and none of them is meant."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
