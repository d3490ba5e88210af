"""A report as one HTML file: it opens with no network and no server, and prints on A4 and on Letter.

Every text is escaped where it enters the page. Pictures are drawn by the copy of plotly.js inside the file; without
scripts the captions and tables still say everything. The file forbids itself every request.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from typing import Any, Final

from ..figures import land_outlines
from ..figures.theme import CONFIG, LIGHT
from ..text.columns import Column
from ..text.units import printable
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

# 680 px are the 180 mm between the margins of A4, and less than those of Letter.
_STYLE: Final = """
:root { color-scheme: light; --paper: %(paper)s; --ink: %(ink)s; --quiet: %(quiet)s; --rule: %(rule)s;
  --chosen: %(chosen)s; }
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink); overflow-wrap: break-word; font: 16px/1.5 system-ui,
  -apple-system, "Segoe UI", Roboto, "Liberation Sans", sans-serif; font-variant-numeric: tabular-nums; }
main { max-width: 712px; margin: 0 auto; padding: 1.5rem 16px 3rem; }
h1 { font-size: 1.6rem; line-height: 1.3; font-weight: 600; margin: 0 0 .5rem; text-wrap: pretty; }
h2 { font-size: 1.15rem; margin: 2.5rem 0 .5rem; border-top: 1px solid var(--rule); padding-top: 1rem; }
h3 { font-size: 1rem; margin: 1.5rem 0 .25rem; }
p { margin: 0 0 .5rem; }
figure { margin: 1rem 0; }
figcaption, .quiet, .note { color: var(--quiet); font-size: .875rem; }
.picture { width: 100%%; }
.frame { overflow-x: auto; }
table { border-collapse: collapse; font-size: .875rem; margin: .25rem 0; }
th, td { text-align: left; padding: .2rem 1rem .2rem 0; border-bottom: 1px solid var(--rule); vertical-align: top; }
th { color: var(--quiet); font-weight: 600; }
.number { text-align: right; }
td.short { white-space: nowrap; }
td:not(.short) { min-width: 12rem; }
details summary { cursor: pointer; display: inline-flex; align-items: center; min-width: 44px;
  min-height: 44px; color: var(--chosen); font-weight: 600; }
:focus-visible { outline: 3px solid var(--chosen); outline-offset: 2px; }
@page { margin: 15mm 15mm 18mm;
  @bottom-right { content: counter(page) " / " counter(pages); font: 8pt system-ui, sans-serif; color: %(quiet)s; } }
@media print {
  body { background: #fff; font-size: 10.5pt; line-height: 1.4; }
  main { max-width: none; padding: 0; }
  .picture, .picture * { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
  .modebar, details { display: none !important; }
  figure, tr, .frame.brief { break-inside: avoid; }
  h1 { font-size: 16pt; }
  h2 { margin-top: 1.6rem; padding-top: .6rem; }
  h3 { margin-top: 1rem; }
  h2, h3, h2 + p { break-after: avoid; }
  p, li { break-inside: avoid; }
  figure { margin: .5rem 0; }
  ul { margin: 0; padding-left: 1.2rem; }
  thead { display: table-header-group; }
  .frame { overflow: visible; }
  .frame.slim { columns: 2; column-gap: 24px; }
  table { font-size: 8.5pt; line-height: 1.3; }
  th, td { padding: 1.5px 12px 1.5px 0; }
  .slim table { margin: 0; }
  .slim th, .slim td { padding-right: 8px; }
  td:not(.short) { min-width: 0; }
}
"""

_DRAW: Final = """
(function () {
  "use strict";
  var config = JSON.parse(document.getElementById("config").textContent);
  document.querySelectorAll("script[data-picture]").forEach(function (held) {
    var figure = JSON.parse(held.textContent);
    Plotly.newPlot(held.getAttribute("data-picture"), figure.data, figure.layout, config);
  });
})();
"""


def page(title: str, sentence: str, detail: str, subtitle: str, sections: Sequence[Section]) -> str:
    """Return the report as the text of one HTML file. `sentence` may have several lines, a warning before it."""
    from plotly.offline import get_plotlyjs

    colours = {name: getattr(LIGHT, name) for name in ("paper", "ink", "quiet", "rule", "chosen")}
    config = {key: value for key, value in CONFIG.items() if key not in _LEFT_OUT_OF_CONFIG}
    body = "".join(_section(section) for section in sections)
    return "\n".join(
        [
            "<!doctype html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="referrer" content="no-referrer">',
            f"<title>{text(title)}</title>",
            f"<style>{_STYLE % colours}</style>",
            # The closing tag inside the library's own text would end the script.
            f"<script>{get_plotlyjs().replace('</script', '<' + chr(92) + '/script')}</script>",
            "</head>",
            "<body>",
            "<main>",
            f"<h1>{'<br>'.join(text(line) for line in sentence.splitlines())}</h1>",
            f"<p>{text(detail)}</p>",
            f'<p class="quiet">{text(subtitle)}</p>',
            body,
            "</main>",
            *([f"<script>{land_outlines.script()}</script>"] if _has_map(sections) else []),
            f'<script type="application/json" id="config">{_json(config)}</script>',
            f"<script>{_DRAW}</script>",
            "</body>",
            "</html>",
            "",
        ]
    )


def _has_map(sections: Sequence[Section]) -> bool:
    blocks = (block for section in sections for block in section.blocks)
    return land_outlines.needed(block.figure for block in blocks if isinstance(block, Picture))


def text(words: str) -> str:
    """Return words as they may stand in HTML, between tags and in quoted attributes."""
    return escape(printable(words), quote=True)


def _section(section: Section) -> str:
    parts = [f"<section>\n<h2>{text(section.title)}</h2>"]
    parts += [f"<p>{text(sentence)}</p>" for sentence in section.sentences]
    parts += [_picture(block) if isinstance(block, Picture) else _table(block) for block in section.blocks]
    if section.points:
        parts.append("<ul>" + "".join(f"<li>{text(point)}</li>" for point in section.points) + "</ul>")
    return "\n".join([*parts, "</section>\n"])


def _picture(picture: Picture) -> str:
    name = text(picture.name)
    figure = json.loads(picture.figure.to_json())
    height_px = int(figure["layout"]["height"])
    label = text(f"{picture.title}. {picture.caption}")
    return "\n".join(
        [
            f'<figure aria-labelledby="title-{name}" aria-describedby="caption-{name}">',
            f'<h3 id="title-{name}">{text(picture.title)}</h3>',
            f'<div class="picture" id="picture-{name}" role="img" aria-label="{label}"'
            f' style="height:{height_px}px"></div>',
            f'<script type="application/json" data-picture="picture-{name}">{_json(figure)}</script>',
            f'<figcaption id="caption-{name}">{text(picture.caption)}</figcaption>',
            f'<details><summary aria-label="What this picture shows: {text(picture.title)}">?</summary>'
            f"<p>{text(picture.shows)}</p><p>{text(picture.how)}</p><p>{text(picture.source)}</p></details>",
            "</figure>",
        ]
    )


def _table(table: Table) -> str:
    name = text(table.name)
    columns, lines = table.cells.columns, table.cells.rows
    kinds = [_kind(column, [row[k] for row in lines]) for k, column in enumerate(columns)]
    heads = "".join(
        f'<th scope="col"{kind}>{text(column.heading)}</th>' for column, kind in zip(columns, kinds, strict=True)
    )
    rows = "\n".join(
        "<tr>" + "".join(f"<td{kind}>{text(cell)}</td>" for cell, kind in zip(row, kinds, strict=True)) + "</tr>"
        for row in lines
    )
    note = f'\n<p class="note">{text(table.note)}</p>' if table.note else ""
    return (
        f'<h3 id="title-{name}">{text(table.title)}</h3>\n'
        f'<div class="{_frame(table)}" role="region" tabindex="0" aria-labelledby="title-{name}">'
        f'<table id="table-{name}" aria-labelledby="title-{name}">\n'
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table></div>{note}"
    )


def _frame(table: Table) -> str:
    """Return the classes of what holds a table: how it is set on paper."""
    rows = table.cells.rows
    widest = (max(map(len, cells)) for cells in zip((c.heading for c in table.cells.columns), *rows, strict=True))
    columns = 2 if len(rows) > _SLIM_ROWS and sum(widest) <= _SLIM_LETTERS else 1
    return " ".join(["frame"] + ["slim"] * (columns > 1) + ["brief"] * (len(rows) <= columns * _BRIEF_ROWS))


def _kind(column: Column, cells: Sequence[str]) -> str:
    """Return the class of a column: numbers stand flush right, and short texts are never broken."""
    words = ["number"] if column.format.numeric else []
    if max((len(cell) for cell in cells), default=0) <= _SHORT:
        words.append("short")
    return f' class="{" ".join(words)}"' if words else ""


def _json(value: Any) -> str:
    """Return a value as JSON that can neither end its script nor begin a comment in it."""
    packed = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return packed.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
