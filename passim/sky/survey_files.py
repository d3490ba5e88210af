"""The files of a survey: sightings and obstacles read, a horizon written.

All are CSV with one header line:

    sightings    azimuth_deg,elevation_deg
    obstacles    bearing_deg,width_m,distance_m,height_m[,name]
    horizon      azimuth_deg,elevation_deg, true north, ascending: what `Horizon.from_csv` reads
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

from passim.elements.atomic import write_atomically
from passim.errors import SiteError
from passim.sky.horizon import Horizon
from passim.sky.survey import Obstacle, Sighting

_LARGEST_FILE_BYTES: Final = 1_000_000
_SIGHTING_COLUMNS: Final = ("azimuth_deg", "elevation_deg")
_OBSTACLE_COLUMNS: Final = ("bearing_deg", "width_m", "distance_m", "height_m")

Record = TypeVar("Record")


def read_sightings(path: str | Path) -> list[Sighting]:
    """Read sightings, in the order of the file. Raises SiteError."""
    _, rows = _rows(Path(path), "sightings", _SIGHTING_COLUMNS)
    return [_record(path, "sightings", number, row, 2, _sighting) for number, row in rows]


def read_obstacles(path: str | Path) -> list[Obstacle]:
    """Read obstacles; the name is optional. Raises SiteError, also where the file holds none."""
    columns, rows = _rows(Path(path), "obstacles", _OBSTACLE_COLUMNS, optional="name")
    if not rows:
        raise SiteError(f"obstacles file {path}", got="no row", wanted="at least one obstacle below the header")
    return [_record(path, "obstacles", number, row, columns, _obstacle) for number, row in rows]


def write_horizon(horizon: Horizon, path: str | Path) -> None:
    """Write a horizon so that `Horizon.from_csv` reads it back unchanged; the file is whole or not there.

    Raises SiteError where the file cannot be written.
    """
    azimuths, elevations = list(horizon.azimuths_deg), list(horizon.elevations_deg)
    # A profile in a file has at least two points; a flat horizon has one.
    if len(azimuths) == 1:
        azimuths, elevations = [azimuths[0], (azimuths[0] + 180.0) % 360.0], elevations * 2
        azimuths.sort()
    lines = [f"{azimuth!r},{elevation!r}" for azimuth, elevation in zip(azimuths, elevations, strict=True)]
    text = "\n".join([",".join(_SIGHTING_COLUMNS), *lines]) + "\n"
    try:
        write_atomically(path, text.encode("utf-8"))
    except OSError as error:
        raise SiteError(
            f"horizon file cannot be written: {error.strerror}", got=str(path), try_next="a folder that exists"
        ) from None


def _rows(
    path: Path, what: str, columns: tuple[str, ...], optional: str | None = None
) -> tuple[int, list[tuple[int, list[str]]]]:
    """Return the number of columns and the numbered rows below the header, as text; empty lines are passed over."""
    header = ",".join(columns) + (f"[,{optional}]" if optional else "")
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise SiteError(f"{what} file {path}", got=f"{path.stat().st_size} bytes", wanted="at most 1 MB")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SiteError(
            f"{what} file {path}",
            got=getattr(error, "strerror", None) or "text that is not UTF-8",
            wanted=f"a readable CSV file with the header {header}",
            try_next="checking the path",
        ) from None
    try:
        rows = [
            (number, [cell.strip() for cell in row])
            for number, row in enumerate(csv.reader(text.splitlines()), 1)
            if any(map(str.strip, row))
        ]
    except csv.Error as error:
        raise SiteError(f"{what} file {path}", got=str(error), wanted=f"CSV with the header {header}") from None
    allowed = [list(columns), [*columns, optional]]
    if not rows or rows[0][1] not in allowed:
        raise SiteError(
            f"{what} file {path}, line {rows[0][0] if rows else 1}",
            got=",".join(rows[0][1]) if rows else "nothing",
            wanted=f"the header {header}",
        )
    return len(rows[0][1]), rows[1:]


def _record(
    path: str | Path, what: str, number: int, row: list[str], columns: int, make: Callable[[list[str]], Record]
) -> Record:
    """Make the record of one row; an error says which line it is."""
    place = f"{what} file {path}, line {number}"
    if len(row) != columns:
        raise SiteError(place, got=",".join(row), wanted=f"{columns} values, as in the header")
    try:
        return make(row)
    except SiteError as error:
        raise SiteError(f"{place}: {error.what}", got=error.got, wanted=error.wanted, try_next=error.try_next) from None
    except ValueError:
        raise SiteError(place, got=",".join(row), wanted="numbers in degrees and metres") from None


def _sighting(row: list[str]) -> Sighting:
    azimuth_deg, elevation_deg = map(float, row)
    return Sighting(azimuth_deg, elevation_deg)


def _obstacle(row: list[str]) -> Obstacle:
    bearing_deg, width_m, distance_m, height_m = map(float, row[:4])
    return Obstacle(bearing_deg, width_m, distance_m, height_m, row[4] if len(row) > 4 else "")
