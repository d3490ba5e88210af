"""The health of a fleet: who is at the shell, who drifts, climbs or sinks, who is stale, who has decayed.

A public catalogue lists satellites that are still climbing, spares that wait below, and objects nobody keeps any
more. Counted as serving they would promise more sky than there is. `assess` tells them apart from the element sets; it
is a reading of orbits, not of anybody's operations, so every count is told and nothing is dropped. What more the
snapshots of a feed tell of each object, and the figures that speak for its status, is in `passim.elements.condition`.

The rules, for an object at a moment:

    decayed    its perigee lies below 150 km, or will by its own mean_motion_dot
    stale      its element set is over 14 days from the moment: nobody has seen it there of late
    at shell   within 5 km and 0.15 deg of a shell, eccentricity below 0.002, climbing or sinking under 1 km a day
    raising    climbing 1 km a day or more
    lowering   sinking 1 km a day or more
    drifting   anything else: a spare, or left to itself

The first rule that fits decides. How fast an object climbs is told by its own mean_motion_dot, and by the snapshots of
the last two days where there are some (`Fleet.climbs`): whichever is faster, since a fit over a burn tells too little.

Those at the shell serve, except one of two that share a slot of an even plane (`passim.elements.slots`), a spare beside
the satellite it stands by for, and one of two numbers under which the very same orbit is listed. Numbers to check by:
at 550 km a satellite 10 km low gains 11.8 deg a day on its shell (11.76 by Kepler alone), and 1 km a day is a
mean_motion_dot of 0.00163 revolutions/day**2.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.arrays import Bools, Floats, Indices
from passim.constants import LOWEST_PERIGEE_KM, SGP4_EARTH_RADIUS_KM
from passim.elements.records import Fleet
from passim.elements.shells import (
    ALTITUDE_TOLERANCE_KM,
    INCLINATION_TOLERANCE_DEG,
    Mode,
    climb_rate_km_day,
    mean_altitude_km,
    modes,
)
from passim.elements.slots import doubles, node_and_phase_deg, planes, twins
from passim.errors import EmptyFleetError, SpanError

AT_SHELL: Final = "at shell"
DRIFTING: Final = "drifting"
RAISING: Final = "raising"
LOWERING: Final = "lowering"
STALE: Final = "stale"
DECAYED: Final = "decayed"
UNJUDGED: Final = "unjudged"
STATUSES: Final = (AT_SHELL, DRIFTING, RAISING, LOWERING, STALE, DECAYED, UNJUDGED)

LARGEST_ECCENTRICITY: Final = 0.002
# Electric climbs run at some kilometres a day and drag at 350 km takes a few hundred metres (common practice); kept
# satellites show metres. At 1 km a day a satellite leaves the 5 km of its shell within the week.
FASTEST_CLIMB_KM_DAY: Final = 1.0
STALE_AFTER_DAYS: Final = 14.0

# Beyond a week of age the file as a whole is old, and age no longer says anything about one satellite in it.
_OLD_FILE_DAYS: Final = 7.0

# What makes a crowd a shell that can be told from its surroundings; see `_clear_shells`.
_FEWEST_OBJECTS: Final = 8
_LEAST_SHARE: Final = 0.10
_FEWEST_PLANES: Final = 3
_PLANES_APART_DEG: Final = 5.0
_LEAST_OF_A_NEIGHBOUR: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearShell:
    """A shell that stands out: its altitude and inclination, and how many objects of the fleet keep it."""

    altitude_km: float
    inclination_deg: float
    objects: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthSummary:
    """Who is taken to serve of a fleet, in numbers.

    ``counts`` are those of `Health.counts`; ``sharing_a_slot`` and ``listed_twice`` say how many of those at a shell,
    or of all where none stands out, stay out for another object; ``ages_count_to`` is None where ages are counted to
    the moment asked about.
    """

    counts: tuple[tuple[str, int], ...]
    shells: tuple[ClearShell, ...]
    serving: int
    sharing_a_slot: int
    listed_twice: int
    ages_count_to: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Health:
    """Which objects of a fleet take part in its service, and why the others do not.

    ``satellite_ids``, ``status`` (words of `STATUSES`), ``serving``, ``same_slot_as`` and ``same_orbit_as`` have shape
    (objects,), in order of first appearance in the fleet, as `Fleet.nearest` keeps them. The last two hold the index of
    the object that serves in the place of one that shares its slot, or is listed with its very orbit; -1 for the rest.
    Where no shell is ``clear`` nobody can be judged: all but the stale and decayed are "unjudged", and ``serving``
    holds for every object that has not decayed. ``judged_at`` is the moment that ages are counted to: ``moment``,
    unless the whole file is over a week from it; then the middle of the file's epochs. ``climb_km_day`` is how fast
    each climbs (sinks, where negative).
    """

    moment: datetime
    judged_at: datetime
    satellite_ids: NDArray[np.object_]
    status: NDArray[np.object_]
    serving: Bools
    same_slot_as: Indices
    same_orbit_as: Indices
    climb_km_day: Floats
    shells: tuple[ClearShell, ...]

    @property
    def clear(self) -> bool:
        """Whether at least one shell stands out, so that the serving filter can be trusted."""
        return bool(self.shells)

    @property
    def counts(self) -> dict[str, int]:
        """How many objects are catalogued, and of these have each status of `STATUSES`."""
        return {"catalogued": len(self.status)} | {word: int((self.status == word).sum()) for word in STATUSES}

    @property
    def summary(self) -> HealthSummary:
        """Who is taken to serve, in numbers: what an answer tells of it."""
        at_shell = self.status == AT_SHELL
        of_shells = at_shell if self.clear else np.ones_like(at_shell)
        return HealthSummary(
            counts=tuple(self.counts.items()),
            shells=self.shells,
            serving=int(self.serving.sum()),
            sharing_a_slot=int((at_shell & (self.same_slot_as >= 0)).sum()) if self.clear else 0,
            listed_twice=int((of_shells & (self.same_orbit_as >= 0)).sum()),
            ages_count_to=None if self.judged_at == self.moment else self.judged_at,
        )


def assess(fleet: Fleet, moment: datetime) -> Health:
    """Judge every object of `fleet` at `moment` (aware) by its element set nearest that moment.

    The last answer is kept with the fleet, which never changes: who looks again, at the same moment through another
    window, has it at once. Raises EmptyFleetError for a fleet without element sets and SpanError for a naive moment.
    """
    kept: tuple[datetime, Health] | None = fleet.__dict__.get("_health")
    if kept is None or kept[0] != moment or kept[0].tzinfo is not moment.tzinfo:
        kept = fleet.__dict__["_health"] = moment, _assessed(fleet, moment)
    return kept[1]


def _assessed(fleet: Fleet, moment: datetime) -> Health:
    if not len(fleet):
        raise EmptyFleetError("fleet", got="no element sets", wanted="at least one")
    if moment.utcoffset() is None:
        raise SpanError("moment of the fleet's health", got=moment, wanted="an aware time", try_next="adding UTC")
    nearest, _ = fleet.nearest(moment)
    altitude_km = mean_altitude_km(nearest.column("mean_motion_rev_day"))
    inclination_deg, eccentricity = nearest.column("inclination_deg"), nearest.column("eccentricity")
    climb_km_day = climb(nearest)
    if fleet.climbs:
        measured = np.array([fleet.climbs.get(number, 0.0) for number in nearest.satellite_ids])
        climb_km_day = np.where(np.abs(measured) > np.abs(climb_km_day), measured, climb_km_day)

    # Ages count to the moment asked about, except where they would only say that the whole file is old.
    age_days, judged_at = _ages(nearest, moment)
    stale = np.abs(age_days) > STALE_AFTER_DAYS

    # Drag only grows on the way down, so a straight line to the moment gives a sinking object the benefit of doubt.
    ahead_days = nearest.days_until(moment)
    sunk_km = np.minimum(climb_km_day, 0.0) * np.clip(ahead_days, 0.0, STALE_AFTER_DAYS)
    radius_km = SGP4_EARTH_RADIUS_KM + altitude_km + sunk_km
    decayed = radius_km * (1.0 - eccentricity) - SGP4_EARTH_RADIUS_KM < LOWEST_PERIGEE_KM

    # Only objects that hold their orbit can make up a shell.
    steady = (eccentricity < LARGEST_ECCENTRICITY) & (np.abs(climb_km_day) < FASTEST_CLIMB_KM_DAY) & ~stale & ~decayed
    indices = np.flatnonzero(steady)
    found = modes(altitude_km[indices], inclination_deg[indices])
    clear = _clear_shells(found, nearest.column("node_deg")[indices], len(nearest))
    at_shell = np.zeros(len(nearest), dtype=bool)
    shells, crowds = [], []
    for mode in clear:
        # Membership is by the plain tolerances, whichever crowd the object was gathered into first.
        near = np.abs(altitude_km - mode.altitude_km) < ALTITUDE_TOLERANCE_KM
        near &= np.abs(inclination_deg - mode.inclination_deg) < INCLINATION_TOLERANCE_DEG
        crowd = np.flatnonzero(near & steady & ~at_shell)
        at_shell[crowd] = True
        crowds.append(crowd)
        shells.append(
            ClearShell(altitude_km=mode.altitude_km, inclination_deg=mode.inclination_deg, objects=len(crowd))
        )

    status = np.full(len(nearest), DRIFTING if clear else UNJUDGED, dtype=object)
    if clear:
        status[climb_km_day >= FASTEST_CLIMB_KM_DAY] = RAISING
        status[climb_km_day <= -FASTEST_CLIMB_KM_DAY] = LOWERING
    status[at_shell] = AT_SHELL
    status[stale] = STALE
    status[decayed] = DECAYED
    same_orbit_as, same_slot_as = twins(nearest), np.full(len(nearest), -1, dtype=np.intp)
    single = same_orbit_as < 0
    serving = single & (at_shell if clear else ~decayed)
    if clear:
        node_deg, phase_deg = node_and_phase_deg(nearest, judged_at)
        for crowd in crowds:
            lone = crowd[single[crowd]]
            spares, holders = doubles(node_deg[lone], phase_deg[lone])
            same_slot_as[lone[spares]] = lone[holders]
        serving &= same_slot_as < 0
    for array in (status, serving, same_slot_as, same_orbit_as, climb_km_day):
        array.flags.writeable = False
    return Health(
        moment=moment,
        judged_at=judged_at,
        satellite_ids=nearest.satellite_ids,
        status=status,
        serving=serving,
        same_slot_as=same_slot_as,
        same_orbit_as=same_orbit_as,
        climb_km_day=climb_km_day,
        shells=tuple(shells),
    )


def climb(fleet: Fleet) -> Floats:
    """Return how fast each set says its orbit rises (sinks, where negative), km a day, shape (sets,)."""
    rate_rev_day = fleet.column("mean_motion_rev_day")
    radius_km = SGP4_EARTH_RADIUS_KM + mean_altitude_km(rate_rev_day)
    return climb_rate_km_day(radius_km, rate_rev_day, fleet.column("mean_motion_dot"))


def _ages(fleet: Fleet, moment: datetime) -> tuple[Floats, datetime]:
    """Return the age of each set in days, shape (sets,), and the moment it is counted to."""
    epochs_us = fleet.epochs.astype(np.int64)
    middle = fleet[int(np.argsort(epochs_us, kind="stable")[len(epochs_us) // 2])].epoch
    judged_at = moment if abs(moment - middle) <= timedelta(days=_OLD_FILE_DAYS) else middle
    return fleet.days_until(judged_at), judged_at


def _clear_shells(found: list[Mode], node_deg: Floats, objects: int) -> list[Mode]:
    """Return the crowds that are shells beyond doubt, the largest first; none where the largest is not one.

    The largest must hold at least 8 objects and a tenth of the fleet. Each further one needs at least 8 objects in at
    least three planes, because satellites just launched together fly in one; and at the inclination of a larger shell
    at least a quarter of its number, because spares wait at one altitude too.
    """
    if not found or len(found[0].members) < max(_FEWEST_OBJECTS, _LEAST_SHARE * objects):
        return []
    clear = [found[0]]
    for mode in found[1:]:
        if (
            len(mode.members) < _FEWEST_OBJECTS
            or len(planes(node_deg[mode.members], _PLANES_APART_DEG)) < _FEWEST_PLANES
        ):
            continue
        alike = [
            larger for larger in clear if abs(larger.inclination_deg - mode.inclination_deg) < INCLINATION_TOLERANCE_DEG
        ]
        if all(len(mode.members) >= _LEAST_OF_A_NEIGHBOUR * len(larger.members) for larger in alike):
            clear.append(mode)
    return clear
