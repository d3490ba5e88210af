"""A report as one HTML file: it opens with no network and no server, and prints on A4 and on Letter.

Every text is escaped where it enters the page, in templates/report.html. Pictures are drawn by the copy of plotly.js
inside the file; without scripts the captions and tables still say everything. The file forbids itself every request.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup

from ..figures import land_outlines
from ..figures.theme import CONFIG, LIGHT
from ..text.template import filled
from .parts import Picture, Section, Table

# Texts of a column that are no longer than this stay in one line.
_SHORT: Final = 26
_LEFT_OUT_OF_CONFIG: Final = ("topojsonURL",)
_POLICY: Final = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; font-src data:; "
    "base-uri 'none'; form-action 'none'"
)

# On paper a table of more rows than these, and of few letters a row, is set in two columns; a short one is not broken.
_SLIM_ROWS: Final = 12
_SLIM_LETTERS: Final = 46
_BRIEF_ROWS: Final = 22


def page(title: str, sentence: str, detail: str, subtitle: str, sections: Sequence[Section]) -> str:
    """Return the report as the text of one HTML file. `sentence` may have several lines, a warning before it."""
    from plotly.offline import get_plotlyjs

    pictures = [block for section in sections for block in section.blocks if isinstance(block, Picture)]
    config = {key: value for key, value in CONFIG.items() if key not in _LEFT_OUT_OF_CONFIG}
    return filled(
        "passim_apps.report",
        "report.html",
        title=title,
        sentence=sentence.splitlines(),
        detail=detail,
        subtitle=subtitle,
        sections=sections,
        drawn={picture.name: _drawn(picture) for picture in pictures},
        kinds_of=_kinds,
        frame_of=_frame,
        colours=LIGHT,
        policy=Markup(_POLICY),
        # The closing tag inside the library's own text would end the script.
        plotly=Markup(get_plotlyjs().replace("</script", "<\\/script")),
        land=Markup(land_outlines.script()) if land_outlines.needed(each.figure for each in pictures) else "",
        config=_json(config),
    )


@dataclass(frozen=True)
class _Drawn:
    """A picture as the page's script draws it."""

    json: Markup
    height_px: int


def _drawn(picture: Picture) -> _Drawn:
    figure = json.loads(picture.figure.to_json())
    return _Drawn(_json(figure), int(figure["layout"]["height"]))


def _frame(table: Table) -> str:
    """Return the classes of what holds a table: how it is set on paper."""
    rows = table.cells.rows
    widest = (max(map(len, cells)) for cells in zip((c.heading for c in table.cells.columns), *rows, strict=True))
    columns = 2 if len(rows) > _SLIM_ROWS and sum(widest) <= _SLIM_LETTERS else 1
    return " ".join(["frame"] + ["slim"] * (columns > 1) + ["brief"] * (len(rows) <= columns * _BRIEF_ROWS))


def _kinds(table: Table) -> list[str]:
    """Return the classes of each column: numbers stand flush right, and short texts are never broken."""
    kinds = []
    for k, column in enumerate(table.cells.columns):
        words = ["number"] if column.format.numeric else []
        if max((len(row[k]) for row in table.cells.rows), default=0) <= _SHORT:
            words.append("short")
        kinds.append(" ".join(words))
    return kinds


def _json(value: Any) -> Markup:
    """Return a value as JSON that can neither end its script nor begin a comment in it."""
    return htmlsafe_json_dumps(value, allow_nan=False, separators=(",", ":"))
