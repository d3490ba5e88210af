"""The horizon of a site: how high the skyline stands in each direction.

A profile is piecewise linear in azimuth between its points and wraps at north. Elevations are geometric angles
above the plane that touches the WGS 84 ellipsoid at the site; no refraction is applied.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim.csv_files import CsvKind, number, parse_csv_file, read_csv_bytes
from passim.elements.lines import printable
from passim.errors import SiteError

_KIND = CsvKind(what="horizon file", columns=("azimuth_deg", "elevation_deg"), error=SiteError)


@dataclass(frozen=True, slots=True)
class Horizon:
    """A skyline: azimuths in degrees from true north, clockwise, ascending in [0, 360), and its elevation at each.

    One point is a flat horizon. ``assumed`` says that it only stands in for a skyline that nobody has entered yet. Make
    one with `flat`, `from_points` or `from_csv`. Raises SiteError.
    """

    azimuths_deg: tuple[float, ...]
    elevations_deg: tuple[float, ...]
    assumed: bool = field(default=False, repr=False)

    def __post_init__(self) -> None:
        azimuths, elevations = _numbers(self.azimuths_deg), _numbers(self.elevations_deg)
        if len(azimuths) == 0 or azimuths.shape != elevations.shape:
            raise SiteError("horizon", got=f"{len(azimuths)} azimuths", wanted="one elevation for each azimuth")
        if not np.all((azimuths >= 0.0) & (azimuths < 360.0)):
            raise SiteError("azimuth of a horizon point", got=azimuths.tolist(), wanted="from 0 to below 360 deg")
        if not np.all(np.diff(azimuths) > 0.0):
            raise SiteError(
                "azimuths of the horizon", got=azimuths.tolist(), wanted="ascending, each once", try_next="sorting them"
            )
        for elevation in elevations:
            _check_elevation(elevation, "elevation of a horizon point")

    @classmethod
    def flat(cls, elevation_deg: float, *, assumed: bool = False) -> Horizon:
        """Return the horizon that stands `elevation_deg` high all around: a plain mask, from 0 to below 90 deg."""
        _check_elevation(elevation_deg, "mask")
        return cls((0.0,), (float(elevation_deg),), assumed)

    @classmethod
    def from_points(cls, points: Iterable[tuple[float, float]]) -> Horizon:
        """Return the horizon through (azimuth_deg, elevation_deg) points, at least two, in ascending azimuth.

        A last point at 360 may repeat the first at 0 with the same elevation. Raises SiteError.
        """
        try:
            pairs = [(float(azimuth), float(elevation)) for azimuth, elevation in points]
        except (TypeError, ValueError):
            raise SiteError(
                "horizon profile", got=points, wanted="points of two numbers, azimuth and elevation in degrees"
            ) from None
        if len(pairs) >= 2 and pairs[-1][0] == 360.0:
            if pairs[0][0] != 0.0:
                pairs = [(0.0, pairs[-1][1]), *pairs[:-1]]
            elif pairs[0][1] == pairs[-1][1]:
                pairs = pairs[:-1]
            else:
                raise SiteError(
                    "horizon at north",
                    got=f"{pairs[0][1]} deg at 0 and {pairs[-1][1]} deg at 360",
                    wanted="one elevation",
                )
        if len(pairs) < 2:
            raise SiteError(
                "horizon profile",
                got=f"{len(pairs)} point{'s' if len(pairs) != 1 else ''}",
                wanted="at least two points of azimuth and elevation",
                try_next="a plain mask in degrees for a flat horizon",
            )
        for (before, _), (after, _) in pairwise(pairs):
            if not after > before:
                raise SiteError(
                    "azimuths of the horizon profile",
                    got=f"{after:g} after {before:g}",
                    wanted="ascending azimuths, each once",
                    try_next="sorting the rows by azimuth",
                )
        return cls(tuple(a for a, _ in pairs), tuple(e for _, e in pairs))

    @classmethod
    def from_csv(cls, path: str | Path) -> Horizon:
        """Read a profile from a CSV file with the header ``azimuth_deg,elevation_deg``. Raises SiteError."""
        return cls.from_csv_bytes(read_csv_bytes(path, _KIND), str(path))

    @classmethod
    def from_csv_bytes(cls, data: bytes, name: str) -> Horizon:
        """Return the profile in the content of a CSV file; errors call the file by `name`. Raises SiteError."""
        name = printable(name)
        points = []
        for row in parse_csv_file(data, name, [_KIND])[1]:
            try:
                points.append((number(row.cells["azimuth_deg"]), number(row.cells["elevation_deg"])))
            except ValueError as error:
                raise SiteError(
                    f"horizon file {name}, line {row.line}",
                    got=str(row),
                    wanted="two numbers: azimuth and elevation in degrees",
                    try_next=str(error),
                ) from None
        try:
            return cls.from_points(points)
        except SiteError as error:
            raise error.about(f"horizon file {name}: {error.what}") from None

    @property
    def is_flat(self) -> bool:
        """Whether the skyline is equally high all around."""
        return min(self.elevations_deg) == max(self.elevations_deg)

    @property
    def lowest_deg(self) -> float:
        """The lowest elevation of the skyline, degrees."""
        return min(self.elevations_deg)

    @property
    def highest_deg(self) -> float:
        """The greatest elevation of the skyline, degrees."""
        return max(self.elevations_deg)

    def elevation_deg(self, azimuth_deg: ArrayLike) -> NDArray[np.float64]:
        """Return the elevation of the skyline at `azimuth_deg`, any shape, degrees."""
        return np.asarray(
            np.interp(np.asarray(azimuth_deg, dtype=float), self.azimuths_deg, self.elevations_deg, period=360.0)
        )


def _numbers(values: object) -> NDArray[np.float64]:
    """Return `values` as an array of floats. Raises SiteError for what are no numbers."""
    try:
        return np.array(values, dtype=float)
    except (TypeError, ValueError):
        raise SiteError("horizon", got=values, wanted="azimuths and elevations as numbers, in degrees") from None


def is_number(value: object) -> bool:
    """Say whether `value` is a real number, Python's or numpy's, and no truth value."""
    return isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)


def _check_elevation(elevation_deg: float, what: str) -> None:
    if not is_number(elevation_deg) or not 0.0 <= elevation_deg < 90.0:
        raise SiteError(
            what,
            got=elevation_deg,
            wanted="from 0 to below 90 deg above the horizontal",
            try_next="25, usual where nothing stands in the way",
        )
