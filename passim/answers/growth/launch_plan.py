"""Planned launches: a small CSV file, and the satellites it would add to a fleet of today.

The file has a header and one row a launch; lines that begin with # are passed over:

    date                day of the launch, YYYY-MM-DD, UTC
    planes              orbital planes that it fills, 1 or more
    satellites          satellites in all, the same number for each plane
    altitude_km         altitude of their shell above 6378.135 km
    inclination_deg     inclination of their shell
    days_to_serve       days from the launch until they serve: the climb to the shell
    losses_percent      share of them that never serves

The planes are designed, not known. Where the fleet has planes at that altitude and inclination, new ones go into the
widest gaps between today's nodes and follow today's phasing; elsewhere they make a regular pattern of their own. Which
satellites are lost is drawn. All of this is a scenario, never a forecast.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from passim.arrays import Floats, Indices
from passim.constants import LOWEST_PERIGEE_KM
from passim.csv_files import CsvKind, number, parse_csv_file, read_csv_bytes, whole_number
from passim.elements.identifiers import SatelliteId
from passim.elements.patterns import mean_motion_rev_day
from passim.elements.records import ElementSet, Fleet
from passim.elements.shells import ALTITUDE_TOLERANCE_KM, INCLINATION_TOLERANCE_DEG, mean_altitude_km
from passim.elements.slots import mean_angle_deg, node_and_phase_deg, planes_in_turn, usual_slots
from passim.errors import InputError

PLAN_COLUMNS: Final = (
    "date", "planes", "satellites", "altitude_km", "inclination_deg", "days_to_serve", "losses_percent",
)  # fmt: skip
_HIGHEST_KM: Final = 50_000.0
_LONGEST_CLIMB_DAYS: Final = 3650.0
MOST_PLANNED: Final = 50_000
LARGEST_PLAN_BYTES: Final = 1_000_000
PLAN_FILE: Final = CsvKind(
    what="plan", columns=PLAN_COLUMNS, any_order=True, comments=True, largest_bytes=LARGEST_PLAN_BYTES
)

# Planned satellites are numbered from here, above every fleet in use.
_FIRST_PLANNED_ID: Final = 950_000_001
_ECCENTRICITY: Final = 1e-4

# A phasing that today's planes agree on less than this is chance; 1 is perfect agreement.
_CLEAR_PHASING: Final = 0.8
# A near-polar shell whose planes leave this much of the circle of nodes empty is a star: it fills half of it by design.
_STAR_GAP_DEG: Final = 150.0
_NEAR_POLAR_DEG: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLaunch:
    """One row of a plan; the fields are the columns of the file. Raises InputError for what cannot fly."""

    date: date
    planes: int
    satellites: int
    altitude_km: float
    inclination_deg: float
    days_to_serve: float
    losses_percent: float

    def __post_init__(self) -> None:
        if not 1 <= self.planes <= 1000:
            raise InputError("planes of a planned launch", got=self.planes, wanted="a whole number from 1 to 1000")
        if not (1 <= self.satellites <= MOST_PLANNED and self.satellites % self.planes == 0):
            raise InputError(
                "satellites of a planned launch",
                got=f"{self.satellites} in {self.planes} planes",
                wanted=f"a whole number up to {MOST_PLANNED:,}, the same for each plane",
            )
        if not LOWEST_PERIGEE_KM < self.altitude_km <= _HIGHEST_KM:
            high = self.altitude_km > _HIGHEST_KM
            raise InputError(
                "altitude of a planned launch" + ("" if high else ", which collides with the Earth or its air"),
                got=f"{self.altitude_km:g} km",
                wanted=f"more than {LOWEST_PERIGEE_KM:g}, up to {_HIGHEST_KM:,.0f} km",
            )
        ranges = {"inclination_deg": 180.0, "days_to_serve": _LONGEST_CLIMB_DAYS, "losses_percent": 100.0}
        for field, highest in ranges.items():
            if not 0.0 <= getattr(self, field) <= highest:
                raise InputError(
                    f"{field} of a planned launch", got=getattr(self, field), wanted=f"from 0 to {highest:g}"
                )

    @property
    def serves_from(self) -> datetime:
        """When its satellites serve: 00:00 UTC of the launch day and the days of the climb."""
        return datetime(self.date.year, self.date.month, self.date.day, tzinfo=UTC) + timedelta(self.days_to_serve)

    @property
    def lost(self) -> int:
        """How many of its satellites never serve."""
        return min(self.satellites, math.floor(self.satellites * self.losses_percent / 100.0 + 0.5))


class Fitted(NamedTuple):
    """How new planes were fitted: beside how many there (none: a shell of their own), and whether phasing was kept."""

    beside_planes: int
    keeps_phasing: bool


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """The satellites that a plan adds: ``fleet``, and for each the row of the plan it came with, shape (satellites,).

    ``fitted`` says of each row how its planes were fitted.
    """

    fleet: Fleet
    row: Indices
    fitted: tuple[Fitted, ...]


def read_plan(path: str | Path, now: datetime) -> tuple[PlannedLaunch, ...]:
    """Return the launches of a plan file, by the day from which they serve.

    Raises InputError, naming the line, for a row that cannot fly, has no date, or would serve before `now` (aware):
    what flies already is in the element sets.
    """
    return parse_plan(read_csv_bytes(path, PLAN_FILE), str(path), now)


def parse_plan(data: bytes, name: str, now: datetime) -> tuple[PlannedLaunch, ...]:
    """Return the launches of a plan in the bytes of a file called `name`, as `read_plan` does. Raises InputError."""
    launches = []
    for row in parse_csv_file(data, name, [PLAN_FILE])[1]:
        where, cells = f"plan {name}, line {row.line}", row.cells
        if not cells["date"]:
            raise InputError(f"{where}: a launch without a date", wanted="the day of the launch, YYYY-MM-DD")
        try:
            launch = PlannedLaunch(
                date=_day(cells["date"]),
                planes=_whole(cells, "planes"),
                satellites=_whole(cells, "satellites"),
                **{name: _number(cells, name) for name in PLAN_COLUMNS[3:]},
            )
        except InputError as error:
            raise error.about(f"{where}: {error.what}") from None
        if launch.serves_from < now:
            raise InputError(
                f"{where}: a launch that would serve already",
                got=f"serving from {launch.serves_from:%Y-%m-%d}",
                wanted=f"a day from {now.astimezone(UTC):%Y-%m-%d} on",
                try_next="leaving it out: what flies already is in the element sets",
            )
        launches.append(launch)
    if not launches:
        raise InputError(f"plan {name}", got="no launch", wanted="at least one row under the header")
    if (total := sum(launch.satellites for launch in launches)) > MOST_PLANNED:
        raise InputError(f"plan {name}", got=f"{total:,} satellites", wanted=f"at most {MOST_PLANNED:,}")
    return tuple(sorted(launches, key=lambda launch: launch.serves_from))


def plan_csv(launches: Iterable[PlannedLaunch], remarks: Iterable[str] = ()) -> str:
    """Return the text of a plan file that `parse_plan` reads as these launches, under `remarks` of one line each."""
    rows = [
        f"{row.date},{row.planes},{row.satellites},{row.altitude_km:.12g},{row.inclination_deg:.12g},"
        f"{row.days_to_serve:.12g},{row.losses_percent:.12g}"
        for row in launches
    ]
    return "\n".join([*(f"# {remark}" for remark in remarks), ",".join(PLAN_COLUMNS), *rows, ""])


def planned_satellites(fleet: Fleet, launches: Sequence[PlannedLaunch], moment: datetime, *, seed: int = 1) -> Planned:
    """Return what `launches` add to `fleet`, one set an object, with elements at `moment` (aware).

    Each launch is fitted to the fleet and to the launches before it. Lost satellites are drawn with `seed`.
    """
    numbers = (SatelliteId(i).number for i in fleet.satellite_ids)
    next_number = max([_FIRST_PLANNED_ID, *(number + 1 for number in numbers if number is not None)])
    if next_number + sum(launch.satellites for launch in launches) > 1_000_000_000:
        raise InputError(
            "planned satellites", got=f"a fleet numbered up to {next_number - 1}", wanted="room for more numbers"
        )
    records: list[ElementSet] = []
    rows: list[int] = []
    fitted = []
    # What was found of a shell holds for the next launch into it, with the planes that this one adds.
    shells: dict[tuple[float, float], _Shell] = {}
    for row, launch in enumerate(launches):
        orbit = (launch.altitude_km, launch.inclination_deg)
        shell = shells.get(orbit) or _Shell.of(Fleet([*fleet.records, *records], fleet.name), launch, moment)
        slots = launch.satellites // launch.planes
        lost = set(np.random.default_rng([seed, row]).permutation(launch.satellites)[: launch.lost].tolist())
        new = []
        for plane, node_deg in enumerate(shell.new_nodes_deg(launch.planes)):
            for slot, phase_deg in enumerate(shell.phases_deg(node_deg, slots, launch.planes)):
                if plane * slots + slot in lost:
                    continue
                new.append(
                    ElementSet(
                        satellite_id=SatelliteId(next_number),
                        name=f"Planned {launch.date.isoformat()} {plane + 1:02d}-{slot + 1:02d}",
                        epoch=moment,
                        mean_motion_rev_day=shell.mean_motion_rev_day,
                        eccentricity=_ECCENTRICITY,
                        inclination_deg=shell.inclination_deg,
                        node_deg=node_deg % 360.0,
                        perigee_deg=0.0,
                        mean_anomaly_deg=phase_deg % 360.0,
                    )
                )
                next_number += 1
        records += new
        rows += [row] * len(new)
        fitted.append(Fitted(len(shell.nodes_deg), shell.clear))
        shells = {other: known for other, known in shells.items() if not _one_shell(other, orbit)}
        if shell.nodes_deg:
            added = dict.fromkeys(record.node_deg for record in new)
            shells[orbit] = replace(shell, nodes_deg=(*shell.nodes_deg, *added))
    return Planned(Fleet(records, f"{fleet.name}, planned"), np.array(rows, dtype=np.intp), tuple(fitted))


def _one_shell(orbit: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether satellites of two orbits (altitude in km, inclination in degrees) may count for one another's shell."""
    apart_km, apart_deg = (abs(a - b) for a, b in zip(orbit, other, strict=True))
    return apart_km < 2.0 * ALTITUDE_TOLERANCE_KM and apart_deg < 2.0 * INCLINATION_TOLERANCE_DEG


@dataclass(frozen=True, slots=True, eq=False)
class _Shell:
    """The planes a launch has to fit in: their nodes, and the phasing they keep.

    Of a regular pattern the phase of a satellite in the plane at node Omega is phase0 + (F / S) Omega + 360 j / S
    degrees, with S slots a plane and a whole F (the phasing of Walker's notation, counted up or down); ``clear`` says
    whether today's planes agree on one.
    """

    mean_motion_rev_day: float
    inclination_deg: float
    nodes_deg: tuple[float, ...]
    slots: int
    phasing: int
    phase0_deg: float
    clear: bool

    @classmethod
    def of(cls, fleet: Fleet, launch: PlannedLaunch, moment: datetime) -> _Shell:
        """Return the shell of `fleet` at the launch's altitude and inclination, or an empty one."""
        altitude_km = mean_altitude_km(fleet.column("mean_motion_rev_day"))
        near = np.abs(altitude_km - launch.altitude_km) < ALTITUDE_TOLERANCE_KM
        near &= np.abs(fleet.column("inclination_deg") - launch.inclination_deg) < INCLINATION_TOLERANCE_DEG
        members = fleet.select(np.flatnonzero(near).tolist())
        if not len(members):
            motion = mean_motion_rev_day(launch.altitude_km)
            return cls(motion, launch.inclination_deg, (), 0, 1, 0.0, False)
        node_deg, phase_deg = node_and_phase_deg(members, moment)
        found = planes_in_turn(node_deg)
        nodes = np.array([mean_angle_deg(node_deg[plane]) for plane in found])
        slots = usual_slots(found, phase_deg)
        phasing, phase0_deg, agreement = _phasing(found, nodes, phase_deg, slots)
        # The shell's own motion, so that new planes keep their place among the old ones.
        motion = float(np.median(members.column("mean_motion_rev_day")))
        inclination_deg = float(np.median(members.column("inclination_deg")))
        clear = agreement >= _CLEAR_PHASING
        return cls(motion, inclination_deg, tuple(nodes.tolist()), slots, phasing, phase0_deg, clear)

    def new_nodes_deg(self, count: int) -> list[float]:
        """Return nodes for `count` new planes: in the widest gaps, and the widest gap left as narrow as can be."""
        if not self.nodes_deg:
            return [360.0 * plane / count for plane in range(count)]
        nodes = np.sort(np.array(self.nodes_deg))
        gaps = np.diff(nodes, append=nodes[0] + 360.0)
        open_to_all = np.ones(len(gaps), dtype=bool)
        if self._is_star(gaps):
            open_to_all[int(gaps.argmax())] = False
        # Plane by plane, into the gap whose pieces are the widest; in the end the planes of a gap stand evenly in it.
        taken = np.zeros(len(gaps), dtype=np.int64)
        for _ in range(count):
            pieces = np.where(open_to_all, np.round(gaps / (taken + 1), 6), -1.0)
            taken[int(pieces.argmax())] += 1
        return [
            float(node + gap * (k + 1) / (more + 1)) % 360.0
            for node, gap, more in zip(nodes, gaps, taken.tolist(), strict=True)
            for k in range(more)
        ]

    def phases_deg(self, node_deg: float, slots: int, planes: int) -> list[float]:
        """Return the phases of the satellites of a new plane with so many slots, degrees."""
        if not self.nodes_deg:
            base_deg = node_deg / slots if planes > 1 else 0.0
        else:
            base_deg = self.phase0_deg + self.phasing / max(self.slots, 1) * node_deg
        return [(base_deg + 360.0 * slot / slots) % 360.0 for slot in range(slots)]

    def _is_star(self, gaps: Floats) -> bool:
        near_polar = abs(self.inclination_deg - 90.0) <= _NEAR_POLAR_DEG
        return near_polar and len(gaps) > 2 and float(gaps.max()) >= _STAR_GAP_DEG


def _phasing(found: list[Indices], nodes_deg: Floats, phase_deg: Floats, slots: int) -> tuple[int, float, float]:
    """Return the whole phasing F of the planes, the phase at node 0 in degrees, and how well all agree, 0 to 1.

    Of phasings that fit today's planes equally well, as F and F + planes do for evenly spaced ones, the least counts.
    """
    weights = np.array([len(plane) for plane in found], dtype=float)
    # Slots make the phase of a plane known but for multiples of a slot: turn it so often that a slot is a whole turn.
    vectors = np.array([np.exp(1j * np.radians(slots * phase_deg[plane])).sum() for plane in found]) / weights
    tries = np.arange(len(found))
    turned = (weights * vectors)[None] * np.exp(-1j * np.radians(tries[:, None] * nodes_deg[None]))
    sums = turned.sum(axis=1) / weights.sum()
    best = int(np.round(np.abs(sums), 6).argmax())
    return int(tries[best]), float(np.degrees(np.angle(sums[best])) / slots), float(np.abs(sums[best]))


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    if not 1957 <= day.year <= 2200:
        raise InputError("date of a planned launch", got=text, wanted="a day such as 2027-03-15, up to the year 2200")
    return day


def _whole(cells: dict[str, str], name: str) -> int:
    try:
        return whole_number(cells[name])
    except ValueError:
        raise InputError(f"{name} of a planned launch", got=cells[name], wanted="a whole number") from None


def _number(cells: dict[str, str], name: str) -> float:
    try:
        return number(cells[name])
    except ValueError as error:
        what = f"{name} of a planned launch"
        raise InputError(what, got=cells[name], wanted="a number", try_next=str(error)) from None
