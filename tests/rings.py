"""What an equally spaced ring of satellites leaves open right under it: an oracle from circles alone."""

from __future__ import annotations

import math
from typing import NamedTuple

from passim.sky.closed_forms import earth_central_angle_deg, orbital_period_s


class GapTrain(NamedTuple):
    """The regular train of gaps under one ring: each lasts ``gap_s`` (0: none), one begins every ``every_s``."""

    gap_s: float
    every_s: float
    covered_fraction: float


def ring_gap_train(satellites: int, altitude_km: float, mask_deg: float, *, over: str = "equator") -> GapTrain:
    """Return the gap train of a ring over the turning equator, eastward, or over the pole, which does not move.

    One spacing passes every (360/N) / rate, and of it 360/N - 2 lambda is empty (own arithmetic, recomputed by event
    search). At 550 km and 25 deg, 20 satellites over the equator leave 18.759 s every 307.426 s, and 22 none.
    """
    central_angle = math.radians(earth_central_angle_deg(altitude_km, mask_deg))
    turn_rad_s = {"equator": 7.292115855e-5, "pole": 0.0}[over]
    rate_rad_s = 2.0 * math.pi / orbital_period_s(altitude_km) - turn_rad_s
    spacing = 2.0 * math.pi / satellites
    return GapTrain(
        gap_s=max(0.0, spacing - 2.0 * central_angle) / rate_rad_s,
        every_s=spacing / rate_rad_s,
        covered_fraction=min(1.0, 2.0 * central_angle / spacing),
    )
