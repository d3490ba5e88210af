"""What the fields of a draft of a horizon are made of, for assets/sky.js to draw them; and the place for its file."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from ...upload import drop_place
from . import draft as sky_draft

LARGEST_FILE_BYTES: Final = 1_000_000
# What browsers still send, so that a file that is too large is named and not dropped in silence.
MOST_SENT_BYTES: Final = 30_000_000
_WAY_WORDS: Final = {
    sky_draft.STRETCHES: "stretches",
    sky_draft.CLEAR: "clear all round",
    sky_draft.POINTS: "points of the skyline",
    sky_draft.FILE: "a CSV file",
    sky_draft.OBSTACLES: "obstacles, by tape measure",
}
_MADE_OF: Final = {
    "ways": [list(pair) for pair in _WAY_WORDS.items()],
    "columns": {part: [words for _, words in columns] for part, columns in sky_draft.COLUMNS.items()},
    "helps": {
        sky_draft.STRETCHES: (
            "clockwise: 0 N, 90 E, 180 S, 270 W; over north as from 350 to 20. Its ends stand upright, like a wall's."
        ),
        sky_draft.CLEAR: "Nothing stands higher than this in any direction:",
        sky_draft.POINTS: "azimuth: 0 N, 90 E, 180 S, 270 W; straight lines join the points",
        sky_draft.OBSTACLES: "bearing of its middle: 0 N, 90 E, 180 S, 270 W",
    },
    "one": {sky_draft.STRETCHES: "stretch", sky_draft.POINTS: "point", sky_draft.OBSTACLES: "obstacle"},
    "singles": [list(pair) for pair in sky_draft.SINGLE.items()],
    "most_rows": sky_draft.MOST_ROWS,
    "longest": sky_draft.LONGEST_TEXT,
}


def given(place: str, own: sky_draft.Draft) -> dict[str, Any]:
    """Return what the browser draws the fields from: the place, the draft nobody has touched, and the fields."""
    return {"place": place, "draft": own, "made": _MADE_OF}


def file_place() -> Any:
    """Return the place where a horizon file is handed in."""
    return html.Div(
        [
            drop_place("horizon-file", "Choose a horizon file, or drop it here", most_bytes=MOST_SENT_BYTES),
            html.P(
                "CSV with the header azimuth_deg,elevation_deg and azimuths in ascending order, at most 1 MB.",
                className="quiet",
            ),
        ],
        className="for-file",
    )
