"""Designed patterns: element sets made from a rule instead of an observation.

`walker` makes the two regular families (delta: planes all round the equator; star: planes over half of it, near
polar orbits), and `jittered` shakes a pattern a little, because a perfect pattern misleads: vary phasing, epoch and
jitter before drawing a conclusion from one.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from passim.constants import LOWEST_PERIGEE_KM, SECONDS_PER_DAY, SGP4_EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements.identifiers import SatelliteId
from passim.elements.records import ElementSet, Fleet
from passim.errors import ElementsError

FIRST_INVENTED_ID: Final = 900_000_001
_LARGEST_ID: Final = 999_999_999

# Launches of a year are numbered from 1 and stay far below 900, so that these cannot be mistaken for real ones.
FIRST_INVENTED_LAUNCH: Final = 901
_LAUNCHES_A_YEAR: Final = 99
_PIECE_LETTERS: Final = "ABCDEFGHJKLMNPQRSTUVWXYZ"


def walker(
    *,
    total: int,
    planes: int,
    phasing: float,
    inclination_deg: float,
    altitude_km: float,
    epoch: datetime,
    name: str = "Walker",
    star: bool = False,
    node0_deg: float = 0.0,
    eccentricity: float = 1e-4,
    first_satellite_id: int = FIRST_INVENTED_ID,
) -> Fleet:
    """Return the regular pattern total/planes/phasing as a fleet (Walker 1984, recalled; "star" is its polar form).

    Satellite j of plane p has its node at node0 + 360 p/P deg (star: node0 + 180 p/P) and its mean anomaly at
    360 j/S + 360 F p/(P S) deg, with P planes, S satellites a plane and F the phasing; the argument of perigee and
    the drag term are 0. The mean motion is that of a = 6378.135 km + altitude under SGP4's own constants: at 550 km
    15.0547 revolutions a day. Names read "NAME PP-SS", counted from 01-01, plane by plane; identifiers count up
    from `first_satellite_id`.

    `phasing` is a whole number from 0 to P - 1, so that the last plane meets the first in step as all the others do;
    a star has no such seam to close and takes any number from 0 to below P (P/2 staggers neighbouring planes by half
    a slot). `epoch` is aware. Raises ElementsError.
    """
    total = _whole(total, "total of satellites")
    planes = _whole(planes, "number of planes")
    if total % planes:
        above = total - total % planes + planes
        raise ElementsError(
            "total of satellites",
            got=f"{total} in {planes} planes",
            wanted="a total that the number of planes divides",
            try_next=f"{above - planes} or {above}" if above > planes else str(above),
        )
    if not (0.0 <= phasing < planes and (star or float(phasing).is_integer())):
        whole = "a number" if star else "a whole number"
        below = f"from 0 to below {planes}" if star else f"from 0 to {planes - 1}"
        raise ElementsError(f"phasing of {planes} planes", got=phasing, wanted=f"{whole} {below}")
    if not math.isfinite(node0_deg):
        raise ElementsError("node of the first plane", got=node0_deg, wanted="a finite angle in degrees")

    slots = total // planes
    turn_deg = 180.0 if star else 360.0
    orbits = []
    for p in range(planes):
        node_deg = node0_deg + turn_deg * p / planes
        for j in range(slots):
            anomaly_deg = 360.0 * j / slots + 360.0 * phasing * p / total
            orbits.append((f"{name} {p + 1:02d}-{j + 1:02d}", node_deg, anomaly_deg))
    return _fleet(orbits, inclination_deg, altitude_km, epoch, name, eccentricity, first_satellite_id)


def jittered(fleet: Fleet, *, sigma_deg: float, seed: int) -> Fleet:
    """Return `fleet` with each satellite moved along its track by a normal draw of `sigma_deg` (standard deviation).

    The draw is added to the mean anomaly, which on a near-circular orbit is the distance along the track: at 550 km
    1 deg is 121 km or 15.9 s. All sets of one object move together. `seed` makes it repeatable (PCG64).
    Raises ElementsError when `sigma_deg` is negative or not finite.
    """
    if not 0.0 <= sigma_deg < math.inf:
        raise ElementsError("phase jitter", got=sigma_deg, wanted="a standard deviation of 0 deg or more")
    generator = np.random.Generator(np.random.PCG64(seed))
    shifts_deg: dict[SatelliteId, float] = {}
    records = []
    for record in fleet:
        if record.satellite_id not in shifts_deg:
            shifts_deg[record.satellite_id] = float(generator.normal(0.0, sigma_deg))
        shifted_deg = record.mean_anomaly_deg + shifts_deg[record.satellite_id]
        records.append(replace(record, mean_anomaly_deg=_turned(shifted_deg)))
    return Fleet(records, fleet.name)


def launched_by_plane(fleet: Fleet, planes: int) -> Fleet:
    """Return a pattern of `walker` with invented international designators: each plane one launch, in their order.

    Launches are numbered from 901, 99 a year, the last of them in the year of the epoch: real ones stay far below 900.
    Raises ElementsError where the planes do not divide the fleet.
    """
    if planes < 1 or len(fleet) % planes:
        raise ElementsError(
            "planes to launch one by one", got=f"{planes} for {len(fleet)} satellites", wanted="a divisor"
        )
    slots = len(fleet) // planes
    records = []
    for index, record in enumerate(fleet):
        plane, slot = divmod(index, slots)
        years, launch = divmod(plane, _LAUNCHES_A_YEAR)
        year = record.epoch.year - (planes - 1) // _LAUNCHES_A_YEAR + years
        designator = f"{year:04d}-{FIRST_INVENTED_LAUNCH + launch}{piece_letters(slot)}"
        records.append(replace(record, designator=designator))
    return Fleet(records, fleet.name)


def piece_letters(index: int) -> str:
    """Return the letters of the piece of a launch counted from 0: A to Z without I and O, then AA, AB and so on."""
    letters = ""
    index += 1
    while index:
        index, last = divmod(index - 1, len(_PIECE_LETTERS))
        letters = _PIECE_LETTERS[last] + letters
    return letters


def mean_motion_rev_day(altitude_km: float) -> float:
    """Return the mean motion of a circular orbit at `altitude_km` above 6378.135 km, revolutions a day.

    sqrt(mu / a^3) with SGP4's own constants (AIAA 2006-6753): 15.0547 at 550 km. Raises ElementsError.
    """
    if not 0.0 < altitude_km < math.inf:
        raise ElementsError("altitude of the pattern in km", got=altitude_km, wanted="more than 0 km")
    rate_rad_s = math.sqrt(SGP4_MU_KM3_S2 / (SGP4_EARTH_RADIUS_KM + altitude_km) ** 3)
    return rate_rad_s * SECONDS_PER_DAY / (2.0 * math.pi)


def _fleet(
    orbits: list[tuple[str, float, float]],
    inclination_deg: float,
    altitude_km: float,
    epoch: datetime,
    name: str,
    eccentricity: float,
    first_satellite_id: int,
) -> Fleet:
    """Return the fleet of circular orbits given as (name, node in deg, mean anomaly in deg)."""
    first = _whole(first_satellite_id, "first identifier")
    if first + len(orbits) - 1 > _LARGEST_ID:
        raise ElementsError(
            "first identifier",
            got=first,
            wanted=f"room for {len(orbits)} numbers up to {_LARGEST_ID}",
            try_next="a lower one",
        )
    if not isinstance(epoch, datetime) or epoch.utcoffset() is None:
        raise ElementsError("epoch of the pattern", got=epoch, wanted="an aware time", try_next="adding tzinfo=UTC")
    motion_rev_day = mean_motion_rev_day(altitude_km)
    perigee_km = (SGP4_EARTH_RADIUS_KM + altitude_km) * (1.0 - eccentricity) - SGP4_EARTH_RADIUS_KM
    if not altitude_km > LOWEST_PERIGEE_KM:
        raise ElementsError(
            "altitude of the pattern, from which it would fall within a revolution or two",
            got=f"{altitude_km:g} km",
            wanted=f"more than {LOWEST_PERIGEE_KM:g} km",
            try_next="550 km",
        )
    if not perigee_km > 0.0:
        raise ElementsError(
            "eccentricity of the pattern",
            got=f"{eccentricity} at {altitude_km:g} km",
            wanted="a perigee above the ground",
            try_next="a smaller one",
        )
    epoch_utc = epoch.astimezone(UTC)
    return Fleet(
        [
            ElementSet(
                satellite_id=SatelliteId(first + k),
                name=satellite,
                epoch=epoch_utc,
                mean_motion_rev_day=motion_rev_day,
                eccentricity=eccentricity,
                inclination_deg=inclination_deg,
                node_deg=_turned(node_deg),
                perigee_deg=0.0,
                mean_anomaly_deg=_turned(anomaly_deg),
            )
            for k, (satellite, node_deg, anomaly_deg) in enumerate(orbits)
        ],
        name,
    )


def _turned(angle_deg: float) -> float:
    """Return an angle reduced to [0, 360); a tiny negative one rounds to 360 in the remainder, and is 0."""
    reduced_deg = angle_deg % 360.0
    return 0.0 if reduced_deg == 360.0 else reduced_deg


def _whole(count: int, what: str) -> int:
    if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < 1:
        raise ElementsError(what, got=count, wanted="a whole number, 1 or more")
    return int(count)
