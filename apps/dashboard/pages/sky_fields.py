"""The fields of a draft of a horizon: small tables of points and obstacles, a place for a file, single numbers.

Ids carry the mark of the draft that the fields were drawn from, and where in it each belongs.
"""

from __future__ import annotations

import copy
from typing import Any, Final

from dash import dcc, html

from ...wording import counted
from ..parts import aria
from . import sky_draft

LARGEST_FILE_BYTES: Final = 1_000_000
_WAY_WORDS: Final = {
    sky_draft.POINTS: "points of the skyline",
    sky_draft.OBSTACLES: "obstacles, by tape measure",
    sky_draft.FILE: "a CSV file",
}
# Phones then show digits with a decimal point; dcc.Input passes it on but does not list it.
KEYBOARD: Final[dict[str, Any]] = {"inputMode": "decimal"}


def fields(draft: sky_draft.Draft, mark: str) -> Any:
    """Return the fields of a draft; `mark` says which draft they are of."""
    ways = dcc.RadioItems(
        id=field_id(mark, "way", 0, "way"),
        options=[{"value": way, "label": words} for way, words in _WAY_WORDS.items()],
        value=draft["way"],
        className="ways",
    )
    file = draft[sky_draft.FILE]
    held = "No file yet." if file is None else f"{file['name']}: {counted(len(file['points']), 'point')}."
    singles = [
        html.Label([html.Span(words), _input(mark, key, 0, key, draft[key])], className=f"single single-{key}")
        for key, words in sky_draft.SINGLE.items()
    ]
    return [
        html.Div(ways, role="group", **aria(label="How the horizon is given")),
        html.Div(_rows(draft, mark, sky_draft.POINTS, "point"), className="for-points"),
        html.Div(_rows(draft, mark, sky_draft.OBSTACLES, "obstacle"), className="for-obstacles"),
        html.P(held, className="for-file quiet"),
        html.Div(singles, className="singles"),
    ]


def file_place() -> Any:
    """Return the place where a horizon file is handed in."""
    return html.Div(
        [
            dcc.Upload(
                html.Span("Choose a horizon file, or drop it here"),
                id="horizon-file",
                accept=".csv,text/csv",
                max_size=LARGEST_FILE_BYTES,
                className="drop",
                className_active="drop over",
                className_reject="drop",
            ),
            html.P(
                "CSV with the header azimuth_deg,elevation_deg and azimuths in ascending order, at most 1 MB; a larger "
                "file is not taken.",
                className="quiet",
            ),
        ],
        className="for-file",
    )


def _rows(draft: sky_draft.Draft, mark: str, part: str, one: str) -> list[Any]:
    """Return the small table of points or obstacles, with a button to each row and one to add."""
    columns = sky_draft.COLUMNS[part]
    heads = [html.Th(words, scope="col") for _, words in columns]
    body = [
        html.Tr(
            [
                *(
                    html.Td(
                        html.Label(
                            [
                                html.Span(f"{words} of {one} {k + 1}", className="unseen"),
                                _input(mark, part, k, name, cell),
                            ]
                        )
                    )
                    for (name, words), cell in zip(columns, row, strict=True)
                ),
                html.Td(
                    html.Button(
                        "✕",
                        id=button_id(mark, "remove", part, k),
                        className="button small",
                        n_clicks=0,
                        **aria(label=f"Remove {one} {k + 1}"),
                    )
                ),
            ]
        )
        for k, row in enumerate(draft[part])
    ]
    head = html.Thead(html.Tr([*heads, html.Th(html.Span("Remove", className="unseen"), scope="col")]))
    table = html.Table([html.Caption(f"The {part}", className="unseen"), head, html.Tbody(body)], className="fields")
    add = html.Button(f"Add {one}", id=button_id(mark, "add", part, 0), className="button", n_clicks=0)
    return [table, add]


def _input(mark: str, part: str, row: int, column: str, value: str) -> Any:
    # Text, so that what is no number reaches the one line that says so; the half second lets a number be typed out.
    return dcc.Input(
        id=field_id(mark, part, row, column),
        value=value,
        type="text",
        **KEYBOARD,
        debounce=0.5,
        autoComplete="off",
        maxLength=40,
        className="field",
    )


def field_id(mark: Any, part: Any, row: Any, column: Any) -> dict[str, Any]:
    return {"sky": "field", "mark": mark, "part": part, "row": row, "column": column}


def button_id(mark: Any, does: Any, part: Any, row: Any) -> dict[str, Any]:
    return {"sky": "button", "mark": mark, "does": does, "part": part, "row": row}


def typed(current: sky_draft.Draft, ids: list[dict[str, Any]], values: list[Any]) -> sky_draft.Draft:
    """Return the draft as its fields are on the page."""
    new = copy.deepcopy(current)
    for entry, value in zip(ids, values, strict=True):
        part, text = entry["part"], "" if value is None else str(value)
        if part in (sky_draft.POINTS, sky_draft.OBSTACLES):
            names = [name for name, _ in sky_draft.COLUMNS[part]]
            if entry["row"] < len(new[part]) and entry["column"] in names:
                new[part][entry["row"]][names.index(entry["column"])] = text
        elif part in new:
            new[part] = text
    return sky_draft.sound(new) or current
