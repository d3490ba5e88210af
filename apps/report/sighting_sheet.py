"""The sheet that goes up to the mounting spot: what to sight, how, and lines to write it down; as text or one page.

The page needs nothing from elsewhere and prints on A4 or letter paper. Everything that came from the user is escaped.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from ..text.template import filled
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
    return filled(
        "passim_apps.report",
        "sighting_sheet.html",
        title=TITLE,
        sheet=sheet,
        how_to=HOW_TO,
        compass=COMPASS,
        rows=[*sheet.rows, *[("", "")] * _SPARE_ROWS],
        obstacle_heads=_OBSTACLE_HEADS,
        obstacle_rows=_OBSTACLE_ROWS,
        at_the_desk=AT_THE_DESK,
    )
