"""Slots of a plane: which satellites share one.

Where a plane is evenly filled, two satellites almost side by side hold one slot between them: a spare that has been
brought up, or a failed one beside its replacement. Together they are worth one. In a plane that is not even nothing
can be said, and nobody is called a double.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from passim.constants import SGP4_EARTH_RADIUS_KM, SGP4_J2
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Nodes of one plane agree within tenths of a degree; planes stand degrees apart.
PLANES_APART_DEG: Final = 2.0

# Closer than a quarter of a slot is the same slot; within a quarter of it a spacing is even.
_SAME_SLOT: Final = 0.25
_EVEN: Final = 0.25
_FEWEST_SLOTS: Final = 4
# More than this in one plane stand closer than 0.18 deg, 22 km at 550 km: a crowd that nobody keeps even.
_MOST_IN_A_PLANE: Final = 2000


def node_and_phase_deg(fleet: Fleet, moment: datetime) -> tuple[Floats, Floats]:
    """Return the node and the argument of latitude of each set at `moment`, degrees in [0, 360), shape (sets,).

    Mean motion and the secular turn of node and perigee by J2 (Kozai 1959, recalled): at 550 km and 53 deg the node
    moves -4.489 deg a day. Fit for comparing satellites of one shell over days, not for predicting passes.
    """
    rate_rev_day = fleet.column("mean_motion_rev_day")
    inclination, eccentricity = np.radians(fleet.column("inclination_deg")), fleet.column("eccentricity")
    ratio = SGP4_EARTH_RADIUS_KM / ((SGP4_EARTH_RADIUS_KM + mean_altitude_km(rate_rev_day)) * (1.0 - eccentricity**2))
    turn_deg_day = 1.5 * SGP4_J2 * ratio**2 * rate_rev_day * 360.0
    days = np.array([(moment - record.epoch).total_seconds() / 86400.0 for record in fleet])

    node = fleet.column("node_deg") - turn_deg_day * np.cos(inclination) * days
    perigee = fleet.column("perigee_deg") + turn_deg_day * (2.0 - 2.5 * np.sin(inclination) ** 2) * days
    anomaly_rev = rate_rev_day * days + fleet.column("mean_motion_dot") * days**2
    return node % 360.0, (perigee + fleet.column("mean_anomaly_deg") + 360.0 * anomaly_rev) % 360.0


def planes(node_deg: Floats, apart_deg: float = PLANES_APART_DEG) -> list[Index]:
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


def doubles(node_deg: Floats, phase_deg: Floats) -> Index:
    """Return the indices of objects of one shell that share a slot with another, one of each pair, ascending."""
    found: list[int] = []
    for plane in planes(node_deg):
        found += _doubles_of_a_plane(plane, phase_deg)
    return np.array(sorted(found), dtype=np.intp)


def _doubles_of_a_plane(plane: Index, phase_deg: Floats) -> list[int]:
    """Return who of a plane is a double: none unless the plane is even without them."""
    if len(plane) > _MOST_IN_A_PLANE:
        return []
    retained = plane[np.argsort(phase_deg[plane], kind="stable")].tolist()
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
        return []
    gaps = _gaps(retained, phase_deg)
    slot = float(np.median(gaps))
    even = bool((np.abs(gaps - slot) <= _EVEN * slot).all())
    return dropped if even and len(retained) >= _FEWEST_SLOTS else []


def _gaps(indices: list[int], phase_deg: Floats) -> Floats:
    """Return the angle from each to the next round the plane, degrees; `indices` in ascending phase."""
    phases = phase_deg[indices]
    return np.diff(phases, append=phases[0] + 360.0)
