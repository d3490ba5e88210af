"""The fleet Plover of the invented scenario, made afresh for each day; the rest of the scenario is `demo/passim.toml`.

Nothing here exists. The demo, the examples and the screenshots use it so that no real operator, place or service is
meant; every text that shows it says "invented". The unevenly filled fleet brings the calm afternoon of its stations.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from passim.elements.identifiers import SatelliteId
from passim.elements.patterns import FIRST_INVENTED_ID, FIRST_INVENTED_LAUNCH, piece_letters, walker
from passim.elements.records import ElementSet, Fleet
from passim.errors import ElementsError
from passim.orbits.frames import earth_angle_rad
from passim.spans import microseconds

FLEET_NAME: Final = "Plover (invented)"

_PLANES: Final = 22
_SLOTS: Final = 20
_FULL_PLANES: Final = 14
_PLANES_A_LAUNCH_GROUP: Final = 2


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
        total=_PLANES * _SLOTS,
        planes=_PLANES,
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
        plane, slot = divmod(index, _SLOTS)
        if plane >= _FULL_PLANES and slot % 2:
            continue
        launch = FIRST_INVENTED_LAUNCH + plane // _PLANES_A_LAUNCH_GROUP
        piece = pieces_of[launch] = pieces_of.get(launch, -1) + 1
        number = SatelliteId(FIRST_INVENTED_ID + len(records))
        records.append(replace(record, satellite_id=number, designator=f"{year:04d}-{launch}{piece_letters(piece)}"))
    return Fleet(records, FLEET_NAME)
