"""The figures that tests cite as found by a step simulation, found again: ``python -m tests.step_simulation``.

Nothing of passim takes part: SGP4 straight from its package, sidereal time by erfa, the ellipsoid and the horizon
written out here, and a look at every satellite every 2 s. It is another way to the same answers, not an outside source:
the scenario and the rules are those of the project. It takes about a minute of one core;
tests/test_step_simulation.py runs two hours of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import erfa
import numpy as np
from numpy.typing import NDArray
from sgp4.api import WGS72, Satrec, SatrecArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# 2026-11-25 00:00 UTC, the day that the tests take, and the station's clock: UTC less an hour.
MIDNIGHT_JD = 2461369.5
OFFSET_H = -1
STEP_S = 2.0
_CHUNK = 2000


class Ground(NamedTuple):
    """A place and the flat mask above which it works: degrees and metres."""

    latitude_deg: float
    longitude_deg: float
    height_m: float
    mask_deg: float


LOFT, YARD = Ground(45.0, -28.0, 40.0, 25.0), Ground(45.0, -28.0, 40.0, 35.0)
SOUTH = Ground(39.6, -28.0, 50.0, 25.0)
CHECK_SITE, CHECK_GATEWAY = Ground(45.0, -28.0, 0.0, 25.0), Ground(39.604, -28.0, 0.0, 25.0)


def model(node_deg: float, anomaly_deg: float, altitude_km: float = 550.0, inclination_deg: float = 53.0) -> Satrec:
    """Return SGP4 of a near-circular orbit without drag from midnight on."""
    made = Satrec()
    motion_rad_min = math.sqrt(398600.8 / (6378.135 + altitude_km) ** 3) * 60.0
    made.sgp4init(
        WGS72, "i", 0, MIDNIGHT_JD - 2433281.5, 0.0, 0.0, 0.0, 1e-4, 0.0, math.radians(inclination_deg),
        math.radians(anomaly_deg % 360.0), motion_rad_min, math.radians(node_deg % 360.0),
    )  # fmt: skip
    return made


def plover() -> list[Satrec]:
    """Return the invented fleet: 22 planes of 20 slots, of the last eight planes every second slot."""
    node0_deg = math.degrees(erfa.gmst82(MIDNIGHT_JD, 0.0)) + 45.0
    return [
        model(node0_deg + 360.0 * p / 22, 360.0 * j / 20 + 360.0 * 6 * p / 440)
        for p in range(22)
        for j in range(0, 20, 1 if p < 14 else 2)
    ]


def regular() -> list[Satrec]:
    """Return the regular pattern 360/18/7."""
    return [model(360.0 * p / 18, 360.0 * j / 20 + 360.0 * 7 * p / 360) for p in range(18) for j in range(20)]


def chunks(fleet: list[Satrec], hours: float, step_s: float) -> Iterator[tuple[Floats, Floats]]:
    """Yield seconds since midnight and Earth-fixed positions, km, (satellites, steps, 3)."""
    satellites = SatrecArray(fleet)
    seconds = np.arange(0.0, hours * 3600.0, step_s)
    for first in range(0, seconds.size, _CHUNK):
        now = seconds[first : first + _CHUNK]
        error, position, _ = satellites.sgp4(np.full_like(now, MIDNIGHT_JD), now / 86400.0)
        assert not error.any()
        angle = erfa.gmst82(MIDNIGHT_JD, now / 86400.0)
        cosine, sine = np.cos(angle), np.sin(angle)
        x, y, z = np.moveaxis(position, -1, 0)
        yield now, np.stack([cosine * x + sine * y, cosine * y - sine * x, z], axis=-1)


def above(place: Ground, position_km: Floats) -> Bools:
    """Return which positions stand above the mask of a place."""
    latitude, longitude = math.radians(place.latitude_deg), math.radians(place.longitude_deg)
    up = np.array(
        [math.cos(latitude) * math.cos(longitude), math.cos(latitude) * math.sin(longitude), math.sin(latitude)]
    )
    flattening = 1.0 / 298.257223563
    squared = flattening * (2.0 - flattening)
    normal_km = 6378.137 / math.sqrt(1.0 - squared * up[2] ** 2)
    centre_km = (normal_km + place.height_m / 1000.0) * up
    centre_km[2] -= squared * normal_km * up[2]
    sight = position_km - centre_km
    return np.asarray(sight @ up > np.linalg.norm(sight, axis=-1) * math.sin(math.radians(place.mask_deg)))


def served(fleet: list[Satrec], ways: list[list[Ground]], hours: float = 24.0, step_s: float = STEP_S) -> Bools:
    """Return whether at each step some satellite is seen by all places of each way, (ways, steps)."""
    found = []
    for _, position in chunks(fleet, hours, step_s):
        found.append([np.logical_and.reduce([above(place, position) for place in way]).any(axis=0) for way in ways])
    return np.concatenate([np.array(part) for part in found], axis=1)


def gaps(up: Bools, step_s: float = STEP_S) -> tuple[NDArray[np.int64], Floats]:
    """Return the first step of each gap and its length, seconds."""
    change = np.diff(np.concatenate([[0], (~up).astype(np.int64), [0]]))
    starts = np.flatnonzero(change > 0)
    return starts, (np.flatnonzero(change < 0) - starts) * step_s


def scores(sigma_s: float, days: int = 20, seed: int = 0) -> tuple[float, float, float, float, float]:
    """Return hit rate, false-alarm ratio and three Brier scores on the regular pattern, each satellite's passes moved.

    Second by second over six hours: the chance is the share of simulated days that were out, held against others.
    """
    fleet = regular()
    seen = np.concatenate(
        [above(CHECK_SITE, position) & above(CHECK_GATEWAY, position) for _, position in chunks(fleet, 6.0, 1.0)],
        axis=1,
    )
    plain = ~seen.any(axis=0)
    generator = np.random.Generator(np.random.PCG64(seed))

    def one_day() -> Bools:
        late = np.round(generator.normal(0.0, sigma_s, len(fleet))).astype(int)
        return ~np.logical_or.reduce([np.roll(row, shift) for row, shift in zip(seen, late, strict=True)])

    inside = slice(120, -120)
    chance = np.mean([one_day() for _ in range(10 * days)], axis=0)[inside]
    came = np.array([one_day()[inside] for _ in range(days)])
    said = np.broadcast_to(plain[inside], came.shape)
    hits, base = (said & came).sum(), came.mean()
    brier = [float(np.mean((forecast - came) ** 2)) for forecast in (said.astype(float), chance, base)]
    return float(hits / came.sum()), float(1.0 - hits / said.sum()), *brier


def share_in_view(latitude_deg: float, satellites: int = 4_000_000, seed: int = 1) -> float:
    """Return the share of satellites at random, 550 km and 53 deg, that a place on a sphere sees above 25 deg."""
    generator = np.random.Generator(np.random.PCG64(seed))
    node, argument = generator.uniform(0.0, 2.0 * math.pi, (2, satellites))
    latitude, inclination = math.radians(latitude_deg), math.radians(53.0)
    towards = math.cos(latitude) * (
        np.cos(node) * np.cos(argument) - np.sin(node) * np.sin(argument) * math.cos(inclination)
    )
    towards += math.sin(latitude) * np.sin(argument) * math.sin(inclination)
    reach = math.acos(6378.137 / 6928.137 * math.cos(math.radians(25.0))) - math.radians(25.0)
    return float(np.mean(towards > math.cos(reach)))


def main() -> None:
    """Print the figures."""
    ways = {"loft, sky alone": [LOFT], "yard, sky alone": [YARD], "loft with its gateway": [LOFT, SOUTH]}
    for name, up in zip(ways, served(plover(), list(ways.values())), strict=True):
        starts, lengths = gaps(up)
        hour = (starts * STEP_S / 3600.0 + OFFSET_H) % 24.0
        mean, longest = (lengths.mean(), lengths.max()) if lengths.size else (0.0, 0.0)
        print(
            f"{name}: out {100.0 * np.mean(~up):.2f} %, {lengths.size} gaps, mean {mean:.1f} s, "
            f"longest {longest:.0f} s, {int(((hour >= 12.0) & (hour < 21.0)).sum())} of them from 12:00 to 21:00 local"
        )
    (up,) = served(regular(), [[CHECK_SITE, CHECK_GATEWAY]])
    _, lengths = gaps(up)
    print(
        f"regular pattern with a gateway: out {100.0 * np.mean(~up):.2f} %, {lengths.size / 24.0:.1f} gaps an hour, "
        f"mean {lengths.mean():.1f} s, longest {lengths.max():.0f} s"
    )
    for sigma_s in (1.0, 3.0, 6.0, 12.0):
        print(f"scores at {sigma_s:g} s:", " ".join(f"{value:.3f}" for value in scores(sigma_s)))
    for latitude_deg in (0, 20, 40, 45, 53, 55, 60, 62):
        print(f"share in view at {latitude_deg} deg: {share_in_view(latitude_deg):.6f}")


if __name__ == "__main__":
    main()
