"""The invented scenario: Hythe Field School, its three stations, two gateways and the fleet Plover.

Nothing here exists. The demo, the examples and the screenshots use it so that no real operator, place or service is
meant; every text that shows it says "invented".

Marram is the lesson of it. Under the sky alone its loft is never out, and its yard, in a ring of firs, is out 2.5 %
of the day; but a satellite must also see the gateway South, and then the loft is out 1.8 % of the day, in short gaps
all morning and none in the afternoon. The unevenly filled fleet brings the afternoon; the gateway brings the gaps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from passim.elements.identifiers import SatelliteId
from passim.elements.patterns import FIRST_INVENTED_ID, FIRST_INVENTED_LAUNCH, piece_letters, walker
from passim.elements.records import ElementSet, Fleet
from passim.errors import ElementsError, InputError
from passim.orbits.frames import earth_angle_rad
from passim.sky.horizon import Horizon
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import DailyHours, microseconds

SCHOOL_NAME: Final = "Hythe Field School (invented)"
FLEET_NAME: Final = "Plover (invented)"

PLANES: Final = 22
SLOTS: Final = 20
FULL_PLANES: Final = 14
PLANES_A_LAUNCH_GROUP: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioStation:
    """An invented station: the mounting spots that could carry its terminal, and the gateway that serves it."""

    name: str
    spots: tuple[Site, ...]
    gateway: Gateway


SOUTH: Final = Gateway("South", 39.6, -28.0, 50.0, Horizon.flat(25.0))
NORTH: Final = Gateway("North", 57.4, -28.0, 30.0, Horizon.flat(25.0))
GATEWAYS: Final = (SOUTH, NORTH)

MARRAM_LOFT: Final = Site("Marram loft", 45.0, -28.0, 40.0, "Atlantic/Azores", Horizon.flat(25.0))
MARRAM_YARD: Final = Site("Marram yard", 45.0, -28.0, 40.0, "Atlantic/Azores", Horizon.flat(35.0))
SKERRY: Final = Site("Skerry", 52.0, -28.0, 15.0, "Atlantic/Azores", Horizon.flat(25.0))
LANTERN: Final = Site("Lantern", 58.5, -28.0, 60.0, "Atlantic/Azores", Horizon.flat(25.0))

STATIONS: Final = (
    ScenarioStation(name="Marram", spots=(MARRAM_LOFT, MARRAM_YARD), gateway=SOUTH),
    ScenarioStation(name="Skerry", spots=(SKERRY,), gateway=NORTH),
    ScenarioStation(name="Lantern", spots=(LANTERN,), gateway=NORTH),
)

CALL_HOURS: Final = DailyHours(8 * 60, 18 * 60, (0, 1, 2, 3, 4))


def view_of(spot: Site) -> View:
    """Return what a terminal at one of the stations' mounting spots can use: the sky above its horizon, its gateway.

    Raises InputError for a place that is no spot of a station.
    """
    for station in STATIONS:
        if spot in station.spots:
            return View(spot, (GatewayLimit((station.gateway,)),))
    raise InputError("mounting spot", got=spot.name, wanted="a spot of the invented stations")


def plover(epoch: datetime) -> Fleet:
    """Return the invented fleet Plover with all its elements at `epoch` (aware; the demo takes 00:00 UTC of its day).

    22 planes of 20 slots at 550 km and 53 deg, phasing 6, the first node at GMST(epoch) + 45 deg, so that every demo
    day looks the same in local time. Planes 0 to 13 are full; planes 14 to 21 hold every second slot: 360 satellites.
    Names keep plane and slot, counted from 01-01. Each two planes are one launch group, of the year before `epoch`:
    launch numbers 901 to 911, pieces A to Z without I and O, then AA onwards. Raises ElementsError for a naive epoch.
    """
    if not isinstance(epoch, datetime) or epoch.utcoffset() is None:
        raise ElementsError("epoch of the fleet Plover", got=epoch, wanted="an aware time", try_next="adding UTC")
    sidereal_deg = math.degrees(float(earth_angle_rad(np.array([microseconds(epoch)], dtype=np.int64))[0]))
    pattern = walker(
        total=PLANES * SLOTS,
        planes=PLANES,
        phasing=6,
        inclination_deg=53.0,
        altitude_km=550.0,
        epoch=epoch,
        name="Plover",
        node0_deg=sidereal_deg + 45.0,
    )

    # Leave the odd slots of the later planes empty, count the identifiers on without holes, and letter the pieces of
    # each launch group in the same order.
    year = epoch.astimezone(UTC).year - 1
    pieces_of: dict[int, int] = {}
    records: list[ElementSet] = []
    for index, record in enumerate(pattern):
        plane, slot = divmod(index, SLOTS)
        if plane >= FULL_PLANES and slot % 2:
            continue
        launch = FIRST_INVENTED_LAUNCH + plane // PLANES_A_LAUNCH_GROUP
        piece = pieces_of[launch] = pieces_of.get(launch, -1) + 1
        number = SatelliteId(FIRST_INVENTED_ID + len(records))
        records.append(replace(record, satellite_id=number, designator=f"{year:04d}-{launch}{piece_letters(piece)}"))
    return Fleet(records, FLEET_NAME)
