"""What stands in a key for the strokes of a line, so that no line is told by its colour alone."""

from __future__ import annotations

from typing import Final

# plotly's word for the strokes -> what they look like in text.
STROKES: Final = {
    "solid": "━━",
    "dot": "····",
    "dash": "╌╌",
    "dashdot": "–·–",
    "longdash": "— —",
    "2px,3px": "····",
    "2px,9px": "·  ·",
    "7px,3px": "╌╌",
    "9px,3px,2px,3px": "–·–",
    "14px,4px": "— —",
}
