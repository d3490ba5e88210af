"""The sheet that goes up to the mounting spot: what to sight, how, and lines to write it down; as text or one page.

The page needs nothing from elsewhere and prints on A4 or letter paper. Everything that came from the user is escaped.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from ..text.units import printable

TITLE = "Sighting sheet: how high the skyline stands"
_WIDTH = 90
_SPARE_ROWS = 6
_OBSTACLE_ROWS = 6

HOW_TO = (
    "Sight from where the antenna will stand, with the eye at its height, from a place you can reach safely. If nobody "
    "can, measure the obstacles from the ground instead: the second table.",
    "Turn to each bearing of the table and write how many degrees the highest thing there stands above the horizontal: "
    "roof, tree, hill. Open sky down to the horizontal is 0. Count trees with their leaves and next year's growth.",
    "With a phone: open a level or clinometer app, look along the long edge at the top of the obstacle, and read the "
    "angle. First check that it reads 0 towards something as high as the eye. A clinometer works the same way.",
    "Without a tool: at arm's length a fist is about 10 degrees wide, three middle fingers about 5, one little finger "
    "about 1 (common practice; hands differ, so check yours against a tool once). Stack fists up from eye level.",
    "Where a chimney, a wall or a row of trees begins and ends, add a line of its own just before and just after each "
    "end: between two lines the skyline is taken as straight.",
    "Never sight towards the Sun, with or without a glass.",
)

COMPASS = (
    "A compass shows magnetic north. true bearing = compass bearing + declination; east counts as positive, west as "
    "negative. Take the declination of your place and year from a current chart or your geological survey, and give it "
    "to passim as --declination.",
    "Iron pulls the needle: stand off from masts, metal roofs, vehicles, reinforced concrete, loudspeakers and "
    "magnetic phone covers. Turn a phone's compass in a figure of eight first. A bearing taken from a map is true "
    "already: declination 0.",
)


@dataclass(frozen=True)
class Sheet:
    """What the sheet is for: the place, how many bearings round the circle, the declination if it is known."""

    place: str
    bearings: int
    declination_deg: float | None
    cautions: Sequence[str]

    @property
    def rows(self) -> list[tuple[str, str]]:
        """Compass bearing and true bearing of each line; the true one is blank where the declination is unknown."""
        compass = [360.0 * k / self.bearings for k in range(self.bearings)]
        if self.declination_deg is None:
            return [(f"{bearing:g}", "") for bearing in compass]
        return [(f"{bearing:g}", f"{round((bearing + self.declination_deg) % 360.0, 1):g}") for bearing in compass]

    @property
    def declination(self) -> str:
        """The declination in words, or a blank to fill in."""
        return "_______ deg" if self.declination_deg is None else f"{self.declination_deg:+g} deg"


AT_THE_DESK = (
    "Sightings: a file with the line azimuth_deg,elevation_deg and below it a sighting a line,",
    "clockwise, with compass bearings as written here. Then",
    "    passim survey sighted --file sightings.csv --declination DEG --out horizon.csv",
    "Obstacles: a file with the line bearing_deg,width_m,distance_m,height_m,name. Then",
    "    passim survey obstacles --file obstacles.csv --mount-height M \\",
    "        --declination DEG --out horizon.csv",
)


def as_text(sheet: Sheet) -> str:
    """Return the sheet as plain text of at most 90 columns."""
    place = printable(sheet.place)
    lines = [TITLE, "=" * len(TITLE), ""]
    lines += [f"Place: {place or '_' * 30}", "Date: ____________   By: ____________________"]
    lines += [f"Declination: {sheet.declination}, east +   Height of the mount above ground: _______ m", ""]
    lines += _paragraphs("Before you climb anything", sheet.cautions)
    lines += _paragraphs("How to sight", HOW_TO)
    lines += _paragraphs("Compass and true north", COMPASS)
    rule = f"+{'-' * 10}+{'-' * 10}+{'-' * 12}+{'-' * 46}+"
    lines += [rule, f"|{'compass':^10}|{'true':^10}|{'elevation':^12}|{'what stands there':^46}|"]
    lines += [f"|{'deg':^10}|{'deg':^10}|{'deg':^12}|{'':46}|", rule]
    for compass, true in [*sheet.rows, *[("", "")] * _SPARE_ROWS]:
        lines += [f"|{compass:>7}   |{true:>7}   |{'':12}|{'':46}|", rule]
    rule = "+".join(["", *("-" * width for width in _OBSTACLE_WIDTHS), ""])
    cells = "|".join(
        ["", *(f"{head:^{width}}" for head, width in zip(_OBSTACLE_HEADS, _OBSTACLE_WIDTHS, strict=True)), ""]
    )
    blank = "|".join(["", *(" " * width for width in _OBSTACLE_WIDTHS), ""])
    lines += ["", "Obstacles, measured from the ground that the mount stands on", "", rule, cells, rule]
    lines += [blank, rule] * _OBSTACLE_ROWS
    lines += ["", "At the desk", "-----------", *AT_THE_DESK]
    return "\n".join(line.rstrip() for line in lines) + "\n"


_OBSTACLE_HEADS = ("bearing deg", "width m", "distance m", "height m", "what it is")
_OBSTACLE_WIDTHS = (13, 10, 12, 10, 34)


def _paragraphs(heading: str, paragraphs: Sequence[str]) -> list[str]:
    lines = [heading, "-" * len(heading)]
    for paragraph in paragraphs:
        lines += textwrap.wrap(paragraph, _WIDTH, initial_indent="* ", subsequent_indent="  ")
    return [*lines, ""]


def as_page(sheet: Sheet) -> str:
    """Return the sheet as one HTML page that needs nothing else."""
    place = html.escape(printable(sheet.place)) or "&nbsp;" * 40

    def bullets(paragraphs: Sequence[str]) -> str:
        return "<ul>" + "".join(f"<li>{html.escape(paragraph)}</li>" for paragraph in paragraphs) + "</ul>"

    rows = "".join(
        f'<tr><td class="number">{compass}</td><td class="number">{true}</td><td></td><td></td></tr>\n'
        for compass, true in [*sheet.rows, *[("", "")] * _SPARE_ROWS]
    )
    *numbers, last = _OBSTACLE_HEADS
    obstacle_heads = "".join(f'<th scope="col">{head}</th>' for head in numbers)
    obstacle_heads += f'<th class="wide" scope="col">{last}</th>'
    obstacle_rows = f"<tr>{'<td></td>' * len(_OBSTACLE_HEADS)}</tr>\n" * _OBSTACLE_ROWS
    desk = html.escape("\n".join(AT_THE_DESK))
    return f"""<!DOCTYPE html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{TITLE}</title>
<style>
{_STYLE}</style>
</head>
<body>
<h1>{TITLE}</h1>
<p class="blanks"><span>Place: <u>{place}</u></span> <span>Date: ______________</span>
<span>By: ______________</span></p>
<p class="blanks"><span>Declination: {sheet.declination}, east +</span>
<span>Height of the mount above ground: _______ m</span></p>
<section class="caution"><h2>Before you climb anything</h2>{bullets(sheet.cautions)}</section>
<h2>How to sight</h2>{bullets(HOW_TO)}
<h2>Compass and true north</h2>{bullets(COMPASS)}
<table>
<caption>Sightings, clockwise</caption>
<thead><tr><th scope="col">compass deg</th><th scope="col">true deg</th><th scope="col">elevation deg</th>
<th scope="col" class="wide">what stands there</th></tr></thead>
<tbody>
{rows}</tbody>
</table>
<table>
<caption>Obstacles, measured from the ground that the mount stands on</caption>
<thead><tr>{obstacle_heads}</tr></thead>
<tbody>
{obstacle_rows}</tbody>
</table>
<h2>At the desk</h2>
<pre>{desk}</pre>
</body>
</html>
"""


_STYLE = """body { font: 11pt/1.4 system-ui, sans-serif; color: #1E2A32; background: #FFFFFF; max-width: 48em;
  margin: 1.5em auto; padding: 0 1em; }
h1 { font-size: 1.5em; } h2 { font-size: 1.1em; margin: 1em 0 0.2em; }
ul { margin: 0; padding-left: 1.2em; } li { margin: 0.15em 0; }
.blanks span { margin-right: 2em; white-space: nowrap; }
.caution { border: 2px solid #8E2F2B; padding: 0 0.8em 0.6em; }
table { border-collapse: collapse; width: 100%; margin: 1.2em 0; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: bold; padding: 0.3em 0; }
th, td { border: 1px solid #5B6770; padding: 0.2em 0.5em; height: 1.5em; }
th { text-align: left; font-weight: normal; } .wide { width: 50%; } .number { text-align: right; }
tr { break-inside: avoid; } thead { display: table-header-group; }
pre { white-space: pre-wrap; }
@media print { body { margin: 0; max-width: none; font-size: 10pt; } }
"""
