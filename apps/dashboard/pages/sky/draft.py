"""A horizon as somebody types it: stretches, points, obstacles, or a file; from its text to a surveyed horizon.

A draft is a plain record that a browser can keep: the text of every field as it was typed, sound or not.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from passim import Horizon
from passim.errors import SiteError
from passim.sky import survey, view as views

STRETCHES, CLEAR, POINTS, OBSTACLES, FILE = "stretches", "clear", "points", "obstacles", "file"
WAYS: Final = (STRETCHES, CLEAR, POINTS, OBSTACLES, FILE)
COLUMNS: Final = {
    STRETCHES: (("from", "from azimuth °"), ("to", "to azimuth °"), ("height", "up to elevation °")),
    POINTS: (("azimuth", "azimuth °"), ("height", "elevation °")),
    OBSTACLES: (
        ("bearing", "bearing °"),
        ("width", "width m"),
        ("distance", "distance m"),
        ("height", "height m"),
    ),
}
# Fields that stand alone, each with what it is.
SINGLE: Final = {
    "mount": "Height of the mount, m",
    "lowest": "Minimum elevation, all round, °",
    "declination": "Compass declination, °, east positive (0 if bearings are true)",
}
MOST_ROWS: Final = 40
_MOST_FILE_POINTS: Final = 20_000
LONGEST_TEXT: Final = 40
# A table of points begins with the horizon's own where they are few, else with its elevation in these directions.
_MOST_OWN_POINTS: Final = 24
_FEW, _MANY = 8, 16

Draft = dict[str, Any]


def start(view: views.View) -> Draft:
    """Return the draft that nobody has touched: a view's own horizon by stretches or by points, one empty obstacle."""
    horizon = view.site.horizon
    stretches = survey.stretches_of(horizon)
    own = [[f"{s.from_deg:g}", f"{s.to_deg:g}", f"{s.elevation_deg:g}"] for s in stretches or ()]
    if stretches is not None and horizon.lowest_deg > view.floor_deg and not horizon.assumed:
        own.insert(0, ["0", "360", f"{horizon.lowest_deg:g}"])
    if horizon.is_flat or len(horizon.azimuths_deg) > _MOST_OWN_POINTS:
        count = _FEW if horizon.is_flat else _MANY
        azimuths = [360.0 * k / count for k in range(count)]
    else:
        azimuths = list(horizon.azimuths_deg)
    heights = np.round(horizon.elevation_deg(azimuths), 2).tolist()
    return {
        "way": POINTS if stretches is None or len(own) > MOST_ROWS else STRETCHES,
        STRETCHES: own[:MOST_ROWS] or [_blank(STRETCHES)],
        POINTS: [[f"{a:g}", f"{h:g}"] for a, h in zip(azimuths, heights, strict=True)],
        OBSTACLES: [_blank(OBSTACLES)],
        "mount": "",
        "lowest": f"{view.floor_deg:g}",
        "declination": "0",
        FILE: None,
    }


def sound(given: Any) -> Draft | None:
    """Return a draft that a browser has kept, or None where it has not the shape of one."""
    if not isinstance(given, dict) or given.get("way") not in WAYS:
        return None
    try:
        draft: Draft = {"way": given["way"]}
        for part in COLUMNS:
            width = len(COLUMNS[part])
            # A browser may still hold a draft from before there were stretches.
            rows = given.get(part, [_blank(part)]) if part == STRETCHES else given[part]
            draft[part] = [[str(cell)[:LONGEST_TEXT] for cell in row][:width] for row in rows[:MOST_ROWS]]
            if any(len(row) != width for row in draft[part]):
                return None
        for key in SINGLE:
            draft[key] = str(given[key])[:LONGEST_TEXT]
        file = given[FILE]
        draft[FILE] = None
        if file is not None:
            points = [[float(a), float(h)] for a, h in file["points"][:_MOST_FILE_POINTS]]
            draft[FILE] = {"name": str(file["name"])[:200], "points": points}
    except (KeyError, TypeError, ValueError):
        return None
    return draft


def with_file(draft: Draft, name: str, data: bytes) -> Draft:
    """Return the draft that stands on a horizon file. Raises SiteError, naming the line, where it cannot be used."""
    horizon = Horizon.from_csv_bytes(data, name)
    if len(horizon.azimuths_deg) > _MOST_FILE_POINTS:
        raise SiteError(f"horizon file {name}", got=f"{len(horizon.azimuths_deg)} points", wanted="at most 20,000")
    points = [list(point) for point in zip(horizon.azimuths_deg, horizon.elevations_deg, strict=True)]
    return {**copy.deepcopy(draft), "way": FILE, FILE: {"name": name, "points": points}}


def waits_for(draft: Draft) -> str:
    """Return what is still to be given where nothing has been typed or handed in yet for the way chosen, else ""."""
    if draft["way"] == FILE and draft[FILE] is None:
        return "Upload a horizon file, and the gaps before and after appear below."
    if draft["way"] == STRETCHES:
        rows = _filled(draft[STRETCHES])
        if not rows:
            return (
                "Give the azimuths between which something stands and how high, such as from 270 to 315 up to 40, and "
                "the gaps before and after appear below. Where nothing stands in the way, choose “clear all round”."
            )
        for k, row in rows:
            wanted = [what for text, (_, what) in zip(row, COLUMNS[STRETCHES], strict=True) if not text.strip()]
            if wanted:
                return f"Stretch {k} also needs: {', '.join(wanted)}."
    if draft["way"] == OBSTACLES and not _filled(draft[OBSTACLES]):
        return "Fill in the row of an obstacle and the height of the mount, and the gaps before and after appear below."
    return ""


def survey_of(draft: Draft) -> survey.Survey:
    """Return the horizon that a draft describes, and what its user should be told. Raises SiteError."""
    lowest = Horizon.flat(_number(draft["lowest"], "least elevation of any direction"))
    if draft["way"] == FILE:
        if draft[FILE] is None:
            raise SiteError("horizon file", got="none yet", wanted="a CSV file with azimuth_deg,elevation_deg")
        points = draft[FILE]["points"]
        own = Horizon(tuple(a for a, _ in points), tuple(h for _, h in points))
        return survey.Survey(_plain(survey.highest(lowest, own), lowest))
    if draft["way"] == CLEAR:
        return survey.from_stretches((), base=lowest)
    declination_deg = _number(draft["declination"], "compass declination")
    if draft["way"] == STRETCHES:
        whats = [what for _, what in COLUMNS[STRETCHES]]
        stretches = [
            survey.Stretch(*(_number(text, f"{what} of stretch {k}") for text, what in zip(row, whats, strict=True)))
            for k, row in _filled(draft[STRETCHES])
        ]
        return survey.from_stretches(stretches, declination_deg=declination_deg, base=lowest)
    if draft["way"] == POINTS:
        sightings = [
            survey.Sighting(
                *(
                    _number(text, f"{what} of point {k}")
                    for text, what in zip(row, ("azimuth", "elevation"), strict=True)
                )
            )
            for k, row in _filled(draft[POINTS])
        ]
        # Typed in any order; two at one azimuth are refused further on.
        sightings.sort(key=lambda point: point.azimuth_deg)
        found = survey.from_sightings(sightings, declination_deg=declination_deg, base=lowest)
    else:
        whats = [what for what, _ in COLUMNS[OBSTACLES]]
        obstacles = [
            _obstacle([_number(text, f"{what} of obstacle {k}") for text, what in zip(row, whats, strict=True)])
            for k, row in _filled(draft[OBSTACLES])
        ]
        if not obstacles:
            raise SiteError("obstacles", got="none yet", wanted="bearing, width, distance and height of at least one")
        mount_height_m = _number(draft["mount"], "height of the mount")
        found = survey.from_obstacles(obstacles, mount_height_m, declination_deg=declination_deg, base=lowest)
    return replace(found, horizon=_plain(found.horizon, lowest))


def _obstacle(numbers: list[float]) -> survey.Obstacle:
    bearing_deg, width_m, distance_m, height_m = numbers
    return survey.Obstacle(bearing_deg, width_m, distance_m, height_m)


def _plain(horizon: Horizon, lowest: Horizon) -> Horizon:
    """Return a horizon that nowhere leaves the lowest elevation as just that elevation all round."""
    return lowest if horizon.is_flat and horizon.lowest_deg == lowest.lowest_deg else horizon


def _filled(rows: Sequence[Sequence[str]]) -> list[tuple[int, Sequence[str]]]:
    """Return the rows that hold anything, each with its number as people count."""
    return [(k, row) for k, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]


def _number(text: str, what: str) -> float:
    try:
        # A comma is how half of the world writes the point of a decimal.
        number = float(text.strip().replace(",", "."))
    except ValueError:
        number = float("nan")
    if not np.isfinite(number):
        raise SiteError(what, got=text.strip() or "nothing", wanted="a number", try_next="12.5")
    return number


def _blank(part: str) -> list[str]:
    return [""] * len(COLUMNS[part])
