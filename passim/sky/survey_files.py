"""The files of a survey: sightings and obstacles read, a horizon written.

All are CSV with one header line:

    sightings    azimuth_deg,elevation_deg
    obstacles    bearing_deg,width_m,distance_m,height_m[,name]
    horizon      azimuth_deg,elevation_deg, true north, ascending: what `Horizon.from_csv` reads
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

from passim.csv_files import CsvKind, CsvRow, number, read_csv_file
from passim.elements.atomic import write_atomically
from passim.errors import SiteError
from passim.sky.horizon import Horizon
from passim.sky.survey import Obstacle, Sighting

_SIGHTINGS: Final = CsvKind(what="sightings file", columns=("azimuth_deg", "elevation_deg"), error=SiteError)
_OBSTACLES: Final = CsvKind(
    what="obstacles file",
    columns=("bearing_deg", "width_m", "distance_m", "height_m"),
    optional="name",
    error=SiteError,
)

Record = TypeVar("Record")


def read_sightings(path: str | Path) -> list[Sighting]:
    """Read sightings, in the order of the file. Raises SiteError."""
    return [_record(path, _SIGHTINGS, row, _sighting) for row in read_csv_file(path, [_SIGHTINGS])[1]]


def read_obstacles(path: str | Path) -> list[Obstacle]:
    """Read obstacles; the name is optional. Raises SiteError, also where the file holds none."""
    _, rows = read_csv_file(path, [_OBSTACLES])
    if not rows:
        raise SiteError(f"obstacles file {path}", got="no row", wanted="at least one obstacle below the header")
    return [_record(path, _OBSTACLES, row, _obstacle) for row in rows]


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
    text = "\n".join([",".join(_SIGHTINGS.columns), *lines]) + "\n"
    try:
        write_atomically(path, text.encode("utf-8"))
    except OSError as error:
        raise SiteError(
            f"horizon file cannot be written: {error.strerror}", got=str(path), try_next="a folder that exists"
        ) from None


def _record(path: str | Path, kind: CsvKind, row: CsvRow, make: Callable[[CsvRow], Record]) -> Record:
    """Make the record of one row; an error says which line it is."""
    place = f"{kind.what} {path}, line {row.line}"
    try:
        return make(row)
    except SiteError as error:
        raise error.about(f"{place}: {error.what}") from None
    except ValueError as error:
        raise SiteError(place, got=str(row), wanted="numbers in degrees and metres", try_next=str(error)) from None


def _sighting(row: CsvRow) -> Sighting:
    azimuth_deg, elevation_deg = (number(row.cells[name]) for name in _SIGHTINGS.columns)
    return Sighting(azimuth_deg, elevation_deg)


def _obstacle(row: CsvRow) -> Obstacle:
    bearing_deg, width_m, distance_m, height_m = (number(row.cells[name]) for name in _OBSTACLES.columns)
    return Obstacle(bearing_deg, width_m, distance_m, height_m, row.cells.get("name", ""))
