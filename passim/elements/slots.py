"""Planes of a shell and the slots in them: which satellites share one.

Where a plane is evenly filled, two satellites almost side by side hold one slot between them: a spare that has been
brought up, or a failed one beside its replacement. Together they are worth one. In a plane that is not even nothing
can be said, and nobody is called a double.
"""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from typing import Final

import numpy as np

from passim.arrays import Floats, Indices
from passim.constants import SGP4_EARTH_RADIUS_KM, SGP4_J2
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km

# Nodes of one plane agree within tenths of a degree; planes stand degrees apart.
PLANES_APART_DEG: Final = 2.0

# Closer than a quarter of a slot is the same slot; within a quarter of it a spacing is even.
_SAME_SLOT: Final = 0.25
_EVEN: Final = 0.25
_FEWEST_SLOTS: Final = 4
# More than this in one plane stand closer than 0.18 deg, 22 km at 550 km: a crowd that nobody keeps even.
_MOST_IN_A_PLANE: Final = 2000
# Planes seen from afar may chain together; a group of nodes wider than this is looked at more closely.
_WIDEST_PLANE_DEG: Final = 4.0
_CLOSEST_PLANES_DEG: Final = 0.25

_ORBIT: Final = (
    "mean_motion_rev_day", "eccentricity", "inclination_deg", "node_deg", "perigee_deg", "mean_anomaly_deg",
    "bstar", "mean_motion_dot",
)  # fmt: skip


def node_and_phase_deg(fleet: Fleet, moment: datetime) -> tuple[Floats, Floats]:
    """Return the node and the argument of latitude of each set at `moment`, degrees in [0, 360), shape (sets,).

    Mean motion and the secular turn of node and perigee by J2 (Kozai 1959, recalled): at 550 km and 53 deg the node
    moves -4.489 deg a day. Fit for comparing satellites of one shell over days, not for predicting passes.
    """
    rate_rev_day = fleet.column("mean_motion_rev_day")
    node_rate, phase_rate = rates_deg_day(rate_rev_day, fleet.column("inclination_deg"), fleet.column("eccentricity"))
    days = fleet.days_until(moment)
    node = fleet.column("node_deg") + node_rate * days
    phase = fleet.column("perigee_deg") + fleet.column("mean_anomaly_deg") + phase_rate * days
    return node % 360.0, (phase + 360.0 * fleet.column("mean_motion_dot") * days**2) % 360.0


def rates_deg_day(rate_rev_day: Floats, inclination_deg: Floats, eccentricity: Floats) -> tuple[Floats, Floats]:
    """Return how fast node and argument of latitude turn, degrees a day, of orbits of any one shape.

    By J2's secular terms (Kozai 1959, recalled): of two orbits at 550 km and 53 deg the one 10 km lower gains 11.8 deg
    a day on the other.
    """
    inclination = np.radians(inclination_deg)
    ratio = SGP4_EARTH_RADIUS_KM / ((SGP4_EARTH_RADIUS_KM + mean_altitude_km(rate_rev_day)) * (1.0 - eccentricity**2))
    turn_deg_day = 1.5 * SGP4_J2 * ratio**2 * rate_rev_day * 360.0
    perigee_rate = turn_deg_day * (2.0 - 2.5 * np.sin(inclination) ** 2)
    return -turn_deg_day * np.cos(inclination), perigee_rate + rate_rev_day * 360.0


def planes(node_deg: Floats, apart_deg: float = PLANES_APART_DEG) -> list[Indices]:
    """Return the planes: indices of objects whose nodes follow each other within `apart_deg`, round the circle."""
    if len(node_deg) == 0:
        return []
    order = np.argsort(node_deg, kind="stable")
    gaps = np.diff(node_deg[order], append=node_deg[order[0]] + 360.0)
    # Start the circle behind a gap, so that a plane across 0 deg stays whole.
    wide = np.flatnonzero(gaps > apart_deg)
    if len(wide) == 0:
        return [order]
    turned = np.roll(order, -(int(wide[-1]) + 1))
    ends = np.flatnonzero(np.roll(gaps, -(int(wide[-1]) + 1)) > apart_deg)[:-1] + 1
    return list(np.split(turned, ends))


def doubles(node_deg: Floats, phase_deg: Floats) -> tuple[Indices, Indices]:
    """Return the indices of objects of one shell that share a slot with another, ascending, and of those others.

    Of each pair one is named; both arrays have shape (doubles,).
    """
    found: dict[int, int] = {}
    for plane in planes(node_deg):
        found |= _doubles_of_a_plane(plane, phase_deg)
    spares = sorted(found)
    return np.array(spares, dtype=np.intp), np.array([found[k] for k in spares], dtype=np.intp)


def twins(fleet: Fleet) -> Indices:
    """Return of each set of `fleet`, one an object, the index of another number's that is the very same, else -1.

    Of those that are the same in epoch, every element and drag the first stands for the others; shape (sets,).
    """
    same = np.full(len(fleet), -1, dtype=np.intp)
    anomaly = fleet.column("mean_anomaly_deg")
    order = np.argsort(anomaly, kind="stable")
    equal = np.flatnonzero(np.diff(anomaly[order]) == 0.0)
    seen: dict[tuple[object, ...], int] = {}
    for index in sorted(set(order[equal].tolist()) | set(order[equal + 1].tolist())):
        record = fleet[index]
        orbit = (record.epoch, *(getattr(record, field) for field in _ORBIT))
        if seen.setdefault(orbit, index) != index:
            same[index] = seen[orbit]
    return same


def planes_in_turn(node_deg: Floats) -> list[Indices]:
    """Return the planes of one shell, eastward from the far side of the widest gap between their nodes.

    Groups of nodes that chain together are split where they part more closely, down to a quarter of a degree; nodes
    strewn round the circle stay as they chain.
    """
    found = planes(node_deg)
    apart_deg = PLANES_APART_DEG / 2.0
    while apart_deg >= _CLOSEST_PLANES_DEG:
        pieces: list[Indices] = []
        for plane in found:
            wide = len(plane) > 1 and _width_deg(node_deg[plane]) > _WIDEST_PLANE_DEG
            pieces += [plane[part] for part in planes(node_deg[plane], apart_deg)] if wide else [plane]
        found, apart_deg = pieces, apart_deg / 2.0
    middles = np.array([mean_angle_deg(node_deg[plane]) for plane in found])
    turn = np.argsort(middles, kind="stable")
    # Rounded, so that of the equal gaps of a regular pattern the choice is not left to the last digit.
    gaps = np.round(np.diff(middles[turn], prepend=middles[turn[-1]] - 360.0), 1)
    return [found[k] for k in np.roll(turn, -int(gaps.argmax())).tolist()]


def usual_slots(found: list[Indices], phase_deg: Floats) -> int:
    """Return how many slots a full plane has: by the spacing that most satellites keep to the next one."""
    votes: Counter[int] = Counter()
    for plane in found:
        phases = np.sort(phase_deg[plane])
        spacing = np.diff(phases, append=phases[0] + 360.0)
        votes.update(np.round(360.0 / np.maximum(spacing, 1.0)).astype(int).tolist())
    return max(votes, key=lambda slots: (votes[slots], slots))


def mean_angle_deg(angles_deg: Floats) -> float:
    """Return the mean of angles round the circle, degrees in [0, 360)."""
    return float(np.degrees(np.angle(np.exp(1j * np.radians(angles_deg)).mean())) % 360.0)


def _width_deg(angles_deg: Floats) -> float:
    """Return the shortest arc that holds all the angles, degrees."""
    turn = np.sort(angles_deg)
    return 360.0 - float(np.diff(turn, append=turn[0] + 360.0).max())


def _doubles_of_a_plane(plane: Indices, phase_deg: Floats) -> dict[int, int]:
    """Return who of a plane is a double, and beside whom: none unless the plane is even without them."""
    if len(plane) > _MOST_IN_A_PLANE:
        return {}
    plane = plane[np.argsort(phase_deg[plane], kind="stable")]
    # Mostly nobody is close to anybody, which arrays tell sooner than lists.
    gaps = np.diff(phase_deg[plane], append=phase_deg[plane[0]] + 360.0)
    if len(plane) <= _FEWEST_SLOTS or gaps.min() >= _SAME_SLOT * float(np.median(gaps)):
        return {}
    retained = plane.tolist()
    dropped: list[int] = []
    while len(retained) > _FEWEST_SLOTS:
        gaps = _gaps(retained, phase_deg)
        closest, slot = int(gaps.argmin()), float(np.median(gaps))
        if gaps[closest] >= _SAME_SLOT * slot:
            break
        # Of the two, the one without which the plane is the more even.
        pair = (closest, (closest + 1) % len(retained))
        spread = [float(np.ptp(_gaps(retained[:k] + retained[k + 1 :], phase_deg))) for k in pair]
        dropped.append(retained.pop(pair[int(np.argmin(spread))]))
    if not dropped:
        return {}
    gaps = _gaps(retained, phase_deg)
    slot = float(np.median(gaps))
    even = bool((np.abs(gaps - slot) <= _EVEN * slot).all())
    if not even or len(retained) < _FEWEST_SLOTS:
        return {}
    phases = phase_deg[retained]
    beside = [int(np.abs((phases - phase_deg[k] + 180.0) % 360.0 - 180.0).argmin()) for k in dropped]
    return {k: retained[near] for k, near in zip(dropped, beside, strict=True)}


def _gaps(indices: list[int], phase_deg: Floats) -> Floats:
    """Return the angle from each to the next round the plane, degrees; `indices` in ascending phase."""
    phases = phase_deg[indices]
    return np.diff(phases, append=phases[0] + 360.0)
