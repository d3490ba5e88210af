"""The condition of a fleet, object by object: its status, the figures behind it, and what was seen of it lately.

`passim.elements.health` decides who serves, from the newest elements; every answer of passim counts by it. Here stands
what a person wants to see beside that: how far each object is from its shell and how fast it gains or loses on it,
who stands for a double, the planes and slots of each shell and, where snapshots of the fleet are kept, when an object
was manoeuvred, who is missing and which launches arrived (`passim.elements.feeds.history`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Floats, Indices
from passim.constants import SGP4_EARTH_RADIUS_KM
from passim.elements.feeds.history import History, Manoeuvre, launch_of, manoeuvres_of
from passim.elements.health import AT_SHELL, FASTEST_CLIMB_KM_DAY, Health, assess
from passim.elements.patterns import mean_motion_rev_day
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km
from passim.elements.slots import node_and_phase_deg, planes_in_turn, rates_deg_day, usual_slots

MISSING: Final = "missing"
MANOEUVRE: Final = "manoeuvre"
LAUNCH: Final = "launch"

# Of the slots of a shell something can be said where nearly all satellites stand this near to one, in slots.
_EVEN: Final = 0.25
_MOST_SLOTS: Final = 120

OBJECT_COLUMNS: Final = (
    "satellite_id", "name", "designator", "epoch", "status", "serving", "same_slot_as", "same_orbit_as", "altitude_km",
    "inclination_deg", "eccentricity", "perigee_km", "climb_km_day", "shell", "from_shell_km", "from_shell_deg",
    "drift_deg_day", "plane", "manoeuvred_after", "manoeuvred_before", "rise_km", "tilt_deg", "first_seen",
)  # fmt: skip
CHANGE_COLUMNS: Final = (
    "change", "satellite_id", "name", "launch", "after", "before", "objects", "rise_km", "tilt_deg", "speed_m_s",
    "altitude_km", "climb_km_day", "came_down",
)  # fmt: skip
_TIMES: Final = ("epoch", "manoeuvred_after", "manoeuvred_before", "first_seen", "last_held_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShellPlan:
    """A shell that stands out, as it is filled: its planes, the slots of a full plane, and how many are held.

    ``objects`` are at the shell, of which ``serving`` serve. ``slots`` is how many a full plane has and ``held`` how
    many of ``planes`` times ``slots`` are; both None where the planes are not evenly filled, so that nobody can tell.
    """

    altitude_km: float
    inclination_deg: float
    objects: int
    serving: int
    planes: int
    slots: int | None
    held: int | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Condition:
    """What is known of every object of a fleet. Made by `condition_of`.

    health      who serves, by the elements nearest the moment
    objects     one row an object in the order of ``health``, with the columns `OBJECT_COLUMNS`: ``same_slot_as`` and
                ``same_orbit_as`` name who serves in its place, empty for none; ``shell`` is the index in ``shells`` of
                the shell it is measured by, -1 where none stands out; ``from_shell_km`` and ``from_shell_deg`` how far
                above it and how much more inclined; ``drift_deg_day`` what it gains on it; ``plane`` counts the planes
                of its shell from 1, 0 for who is not in one; then its last manoeuvre of the seven days before the
                moment, and when the first snapshot that holds it was fetched, NaT where the oldest does
    shells      the shells that stand out, as they are filled
    history     what snapshots tell; None for a fleet without
    manoeuvres  those of the last seven days, one an object, the latest first
    """

    health: Health
    objects: pd.DataFrame
    shells: tuple[ShellPlan, ...]
    history: History | None
    manoeuvres: tuple[Manoeuvre, ...]

    @property
    def counts(self) -> dict[str, int]:
        """How many objects have each status, and how many serve, share a slot, are listed twice and so on.

        The counts of `Health`, then those taken to serve, doubles, manoeuvred of late, and missing.
        """
        return self.health.counts | {
            "serving": int(self.health.serving.sum()),
            "sharing a slot": int((self.health.same_slot_as >= 0).sum()),
            "listed twice": int((self.health.same_orbit_as >= 0).sum()),
            "manoeuvred lately": len(self.manoeuvres),
            "missing lately": len(self.history.missing) if self.history else 0,
        }

    @property
    def everybody(self) -> pd.DataFrame:
        """The rows of ``objects`` and after them those of the objects that are missing, with the status "missing"."""
        if self.history is None or not self.history.missing:
            return self.objects
        missing = pd.DataFrame(
            [
                {
                    "satellite_id": each.satellite_id,
                    "name": each.name,
                    "designator": each.designator,
                    "epoch": each.epoch,
                    "status": MISSING,
                    "serving": False,
                    "altitude_km": each.altitude_km,
                    "climb_km_day": each.climb_km_day,
                    "last_held_at": each.last_held_at,
                    "came_down": each.came_down,
                    **dict.fromkeys(("same_slot_as", "same_orbit_as"), ""),
                    **dict.fromkeys(("shell", "plane"), -1),
                }
                for each in self.history.missing
            ]
        )
        rows = self.objects.to_dict("records") + missing.to_dict("records")
        table = pd.DataFrame(rows, columns=[*OBJECT_COLUMNS, "last_held_at", "came_down"])
        for name in _TIMES:
            table[name] = _times(table[name].tolist())
        return table

    @property
    def changes(self) -> pd.DataFrame:
        """What happened of late, the latest first: one row a manoeuvre, a loss or a launch, with `CHANGE_COLUMNS`.

        ``after`` and ``before`` are the times between which it happened: epochs of a manoeuvre's sets, and when the
        snapshots on either side of the others were fetched. ``objects`` counts those of a launch, 1 for the rest.
        """
        names = dict(zip(self.objects["satellite_id"], self.objects["name"], strict=True))
        rows: list[dict[str, object]] = [
            {
                "change": MANOEUVRE,
                "satellite_id": each.satellite_id,
                "name": names.get(each.satellite_id, ""),
                "after": each.after,
                "before": each.before,
                "objects": 1,
                "rise_km": each.rise_km,
                "tilt_deg": each.tilt_deg,
                "speed_m_s": each.speed_m_s,
            }
            for each in self.manoeuvres
        ]
        history = self.history
        for lost in history.missing if history else ():
            rows.append(
                {
                    "change": MISSING,
                    "satellite_id": lost.satellite_id,
                    "name": lost.name,
                    "launch": launch_of(lost.designator),
                    "after": lost.last_held_at,
                    "before": lost.gone_by,
                    "objects": 1,
                    "altitude_km": lost.altitude_km,
                    "climb_km_day": lost.climb_km_day,
                    "came_down": lost.came_down,
                }
            )
        for came in history.arrivals if history else ():
            rows.append(
                {
                    "change": LAUNCH,
                    "launch": came.launch,
                    "after": came.after,
                    "before": came.seen_at,
                    "objects": came.objects,
                }
            )
        unnamed = dict.fromkeys(("satellite_id", "name", "launch"), "")
        table = pd.DataFrame([unnamed | row for row in rows], columns=list(CHANGE_COLUMNS))
        for name in ("after", "before"):
            table[name] = _times(table[name].tolist())
        return table.sort_values(["before", "change", "satellite_id"], ascending=False, ignore_index=True)


def condition_of(
    fleet: Fleet, moment: datetime, history: History | None = None, health: Health | None = None
) -> Condition:
    """Return the condition of every object of `fleet` at `moment` (aware), with what its snapshots tell.

    Without `history` what several sets of one object in the fleet itself tell is taken. `health` is that of the fleet
    at the moment, where it is known already. Raises as `assess` does.
    """
    health = assess(fleet, moment) if health is None else health
    nearest, _ = fleet.nearest(moment)
    rate_rev_day = nearest.column("mean_motion_rev_day")
    altitude_km, eccentricity = mean_altitude_km(rate_rev_day), nearest.column("eccentricity")
    inclination_deg = nearest.column("inclination_deg")
    shell, from_shell_km, from_shell_deg = _measured(health, altitude_km, inclination_deg)
    plane, shells = _planes(health, nearest, shell)

    manoeuvres = _of_late(history, fleet, health)
    last = {each.satellite_id: each for each in manoeuvres}
    numbers = [str(each) for each in nearest.satellite_ids]
    of_each = [last.get(number) for number in numbers]
    first_seen = {} if history is None else history.first_seen
    objects = pd.DataFrame(
        {
            "satellite_id": numbers,
            "name": [record.name for record in nearest],
            "designator": [record.designator for record in nearest],
            "epoch": _times([record.epoch for record in nearest]),
            "status": list(health.status),
            "serving": health.serving,
            "same_slot_as": _named(health.same_slot_as, numbers),
            "same_orbit_as": _named(health.same_orbit_as, numbers),
            "altitude_km": altitude_km,
            "inclination_deg": inclination_deg,
            "eccentricity": eccentricity,
            "perigee_km": (SGP4_EARTH_RADIUS_KM + altitude_km) * (1.0 - eccentricity) - SGP4_EARTH_RADIUS_KM,
            "climb_km_day": health.climb_km_day,
            "shell": shell,
            "from_shell_km": from_shell_km,
            "from_shell_deg": from_shell_deg,
            "drift_deg_day": _drifts(health, nearest, shell),
            "plane": plane,
            "manoeuvred_after": _times([None if each is None else each.after for each in of_each]),
            "manoeuvred_before": _times([None if each is None else each.before for each in of_each]),
            "rise_km": [np.nan if each is None else each.rise_km for each in of_each],
            "tilt_deg": [np.nan if each is None else each.tilt_deg for each in of_each],
            "first_seen": _times([first_seen.get(number) for number in numbers]),
        },
        columns=list(OBJECT_COLUMNS),
    )
    return Condition(health=health, objects=objects, shells=shells, history=history, manoeuvres=manoeuvres)


def _of_late(history: History | None, fleet: Fleet, health: Health) -> tuple[Manoeuvre, ...]:
    """Return the last manoeuvre of each object in the seven days before the moment, the latest first.

    Who climbs or sinks all the time is not said to manoeuvre, since that is its status; nor who is missing.
    """
    own = History(since=health.judged_at, until=health.judged_at, snapshots=0, manoeuvres=manoeuvres_of(fleet))
    found = (own if history is None else history).lately(health.judged_at)
    steady = health.satellite_ids[np.abs(health.climb_km_day) < FASTEST_CLIMB_KM_DAY]
    known = {str(number) for number in steady.tolist()}
    return tuple(each for number, each in found.items() if number in known)


def _measured(health: Health, altitude_km: Floats, inclination_deg: Floats) -> tuple[Indices, Floats, Floats]:
    """Return by which shell each object is measured, and how far above it and how much more inclined it is."""
    if not health.shells:
        nothing = np.full(len(altitude_km), np.nan)
        return np.full(len(altitude_km), -1, dtype=np.intp), nothing, nothing
    above_km = altitude_km[:, None] - np.array([each.altitude_km for each in health.shells])
    tilted_deg = inclination_deg[:, None] - np.array([each.inclination_deg for each in health.shells])
    # A degree of inclination costs 130 m/s and a kilometre 0.55: who is near in inclination belongs to the shell.
    nearest = (np.abs(above_km) * 0.55 + np.abs(tilted_deg) * 130.0).argmin(axis=1)
    row = np.arange(len(altitude_km))
    return nearest, above_km[row, nearest], tilted_deg[row, nearest]


def _drifts(health: Health, nearest: Fleet, shell: Indices) -> Floats:
    """Return what each object gains on the satellites of its shell along the track, deg a day; NaN without a shell."""
    if not health.shells:
        return np.full(len(nearest), np.nan)
    columns = [nearest.column(name) for name in ("mean_motion_rev_day", "inclination_deg", "eccentricity")]
    _, phase = rates_deg_day(*columns)
    rate_rev_day = np.array([mean_motion_rev_day(each.altitude_km) for each in health.shells])
    tilt_deg = np.array([each.inclination_deg for each in health.shells])
    _, usual = rates_deg_day(rate_rev_day, tilt_deg, np.zeros(len(tilt_deg)))
    return np.asarray(phase - usual[shell])


def _planes(health: Health, nearest: Fleet, shell: Indices) -> tuple[Indices, tuple[ShellPlan, ...]]:
    """Return the plane of each object at a shell, counted from 1, and how each shell is filled."""
    plane = np.zeros(len(nearest), dtype=np.intp)
    node_deg, phase_deg = node_and_phase_deg(nearest, health.judged_at)
    plans = []
    for k, each in enumerate(health.shells):
        members = np.flatnonzero((health.status == AT_SHELL) & (shell == k))
        found = [members[part] for part in planes_in_turn(node_deg[members])]
        for number, part in enumerate(found, 1):
            plane[part] = number
        serving = [part[health.serving[part]] for part in found]
        slots, held = _slots([part for part in serving if len(part)], phase_deg)
        plans.append(
            ShellPlan(
                altitude_km=each.altitude_km,
                inclination_deg=each.inclination_deg,
                objects=len(members),
                serving=int(health.serving[members].sum()),
                planes=len(found),
                slots=slots,
                held=held,
            )
        )
    return plane, tuple(plans)


def _slots(planes: list[Indices], phase_deg: Floats) -> tuple[int | None, int | None]:
    """Return how many slots a full plane has and how many are held; None twice where the planes are not even."""
    slots = usual_slots(planes, phase_deg) if planes else 0
    if not 2 <= slots <= _MOST_SLOTS:
        return None, None
    held = even = 0
    for plane in planes:
        # Of each plane the row of slots that fits it best; who stands a quarter of a slot off it is in none.
        turns = phase_deg[plane] * slots / 360.0
        middle = float(np.angle(np.exp(2j * np.pi * turns).mean())) / (2.0 * np.pi)
        places = np.round(turns - middle)
        even += int((np.abs(turns - middle - places) <= _EVEN).sum())
        held += len(np.unique(places % slots))
    total = sum(map(len, planes))
    return (slots, held) if even >= 0.9 * total else (None, None)


def _named(of: Indices, numbers: list[str]) -> list[str]:
    return [numbers[k] if k >= 0 else "" for k in of.tolist()]


def _times(moments: list[datetime] | list[datetime | None] | list[object]) -> pd.Series[pd.Timestamp]:
    return pd.to_datetime(pd.Series(moments, dtype="object"), utc=True).astype("datetime64[us, UTC]")
