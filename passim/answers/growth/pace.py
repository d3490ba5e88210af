"""Launches that go on as of late: a plan made from the fleet itself, for whoever has none.

An international designator tells the year of a launch and its turn in it, and no day. So what counts as of late is
whole years: the last full one and the part of this one up to now, one to two years together. This year alone would
say nothing in January, and the last full year nothing of what has changed since. A satellite without a designator that
the snapshots of the fleet saw come in that time (`Fleet.first_seen`) counts too.

Shell by shell, the satellites that are on station today and were launched in that time make the pace of that shell,
in satellites a day. From it follow launches of whole planes, as full as is usual in that shell: on the first of each of
the next 24 months as many as have been completed by then, which serve from that day on. What is lost, and what climbs
for months before it serves, is in the pace already, because only satellites on station count. It is a scenario, never a
forecast: launches come and go, and some of the last years' replaced satellites that had come down.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

import numpy as np

from passim.answers.growth.launch_plan import MOST_PLANNED, PlannedLaunch
from passim.answers.growth.orders import launch_year
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km, modes
from passim.elements.slots import node_and_phase_deg, planes_in_turn, usual_slots
from passim.errors import InputError

MONTHS: Final = 24
_MONTH_DAYS: Final = 365.25 / 12.0
_WHAT: Final = "pace of launches"
_TRY_NEXT: Final = "a launch plan of your own"
# New planes are circular: a shell whose satellites swing more than this between low and high is another thing.
_MOST_ECCENTRIC: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class ShellPace:
    """How fast one shell fills: how many of its satellites on station were launched of late, and how many a month.

    ``planes`` new ones of ``slots`` satellites each are what that makes in the months of the scenario.
    """

    altitude_km: float
    inclination_deg: float
    launched: int
    a_month: float
    slots: int
    planes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Launches at the pace of late: of ``on_station`` satellites, those launched from ``since`` up to ``until``.

    ``shells`` are those that had launches, the fullest first; ``launches`` are what follows, as rows of a plan.
    """

    since: date
    until: date
    on_station: int
    shells: tuple[ShellPace, ...]
    launches: tuple[PlannedLaunch, ...]

    @property
    def launched(self) -> int:
        """How many of the satellites on station were launched of late."""
        return sum(shell.launched for shell in self.shells)

    @property
    def a_month(self) -> float:
        """How many that is a month."""
        return sum(shell.a_month for shell in self.shells)


def pace_of(on_station: Fleet, moment: datetime, now: datetime) -> Pace:
    """Return the pace of late of the satellites on station, one set an object, and the launches that follow from it.

    `now` (aware) is where the months begin, and `moment` (aware) when the planes are looked at. Raises InputError where
    a satellite says in no way when it came, where none came of late, where that makes no plane within the months or
    more satellites than a plan may hold, and for a shell that is not circular.
    """
    until = now.astimezone(UTC).date()
    since = date(until.year - 1, 1, 1)
    years = [launch_year(record, on_station) for record in on_station]
    unknown = [index for index, year in enumerate(years) if year is None]
    if unknown:
        raise InputError(
            _WHAT,
            got=f"{len(unknown):,} of {len(years):,} satellites without a year of launch, the first "
            f"{on_station[unknown[0]].label}",
            wanted="an international designator such as 2026-901A for every satellite on station",
            try_next=_TRY_NEXT,
        )
    launched_in = np.array(years, dtype=np.int64)
    late = launched_in >= since.year
    if not late.any():
        got = f"no satellite on station launched since {since}"
        raise InputError(
            _WHAT,
            got=got + (f", the newest in {launched_in.max()}" if len(launched_in) else ""),
            wanted="at least one",
            try_next=_TRY_NEXT,
        )

    # Whole numbers throughout, so that a plane due on the first of a month is there on that day.
    window_days = (until - since).days
    firsts = [_first_of_month(until, ahead) for ahead in range(1, MONTHS + 1)]
    found, launches = [], []
    for members in _shell_members(on_station):
        launched = int(late[members].sum())
        if not launched:
            continue
        shell = on_station.select(members.tolist())
        altitude_km, inclination_deg = _orbit(shell)
        slots = _slots(shell, moment)
        by_then = [launched * (first - until).days // (window_days * slots) for first in firsts]
        for first, planes in zip(firsts, np.diff(by_then, prepend=0).tolist(), strict=True):
            if planes:
                launches.append((first, planes, planes * slots, altitude_km, inclination_deg))
        found.append(
            ShellPace(
                altitude_km=altitude_km,
                inclination_deg=inclination_deg,
                launched=launched,
                a_month=launched / window_days * _MONTH_DAYS,
                slots=slots,
                planes=by_then[-1],
            )
        )
    total = sum(satellites for _, _, satellites, *_ in launches)
    if not 0 < total <= MOST_PLANNED:
        raise InputError(
            _WHAT,
            got=f"{total:,} satellites in {MONTHS} months, at {late.sum():,} launched since {since}",
            wanted=f"at most {MOST_PLANNED:,}" if total else f"at least one plane, of {found[0].slots:,} there",
            try_next=_TRY_NEXT,
        )
    return Pace(
        since=since,
        until=until,
        on_station=len(on_station),
        shells=tuple(found),
        launches=tuple(
            PlannedLaunch(
                date=first,
                planes=planes,
                satellites=satellites,
                altitude_km=altitude_km,
                inclination_deg=inclination_deg,
                days_to_serve=0.0,
                losses_percent=0.0,
            )
            for first, planes, satellites, altitude_km, inclination_deg in sorted(launches, key=lambda row: row[0])
        ),
    )


def _shell_members(fleet: Fleet) -> list[np.ndarray]:
    """Return the indices of each shell's satellites, the fullest shell first."""
    altitude_km = mean_altitude_km(fleet.column("mean_motion_rev_day"))
    return [mode.members for mode in modes(altitude_km, fleet.column("inclination_deg"))]


def _orbit(shell: Fleet) -> tuple[float, float]:
    """Return altitude (km) and inclination (degrees) of a shell as a plan holds them. Raises InputError."""
    altitude_km = float(np.median(mean_altitude_km(shell.column("mean_motion_rev_day"))))
    eccentricity = float(np.median(shell.column("eccentricity")))
    if eccentricity > _MOST_ECCENTRIC:
        raise InputError(
            _WHAT,
            got=f"a shell at {altitude_km:.0f} km of eccentricity {eccentricity:.3f}",
            wanted=f"circular orbits, up to {_MOST_ECCENTRIC}, as launches ahead are",
        )
    return round(altitude_km, 2), round(float(np.median(shell.column("inclination_deg"))), 2)


def _slots(shell: Fleet, moment: datetime) -> int:
    """Return how many satellites a plane of a shell usually has: by their spacing, and no more than the fullest has."""
    node_deg, phase_deg = node_and_phase_deg(shell, moment)
    planes = planes_in_turn(node_deg)
    return min(usual_slots(planes, phase_deg), max(map(len, planes)))


def _first_of_month(day: date, ahead: int) -> date:
    """Return the first day of the month so many after that of `day`."""
    years, month = divmod(day.month - 1 + ahead, 12)
    return date(day.year + years, month + 1, 1)
