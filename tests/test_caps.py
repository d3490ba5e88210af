"""Many caps of the sky looked for at once are what each finds alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from passim import Fleet, Horizon, Site, Span, walker
from passim.orbits import arcs
from passim.sky import caps
from passim.sky.fleet_search import FleetSearch
from passim.sky.horizon_function import HorizonFunction
from passim.sky.limits import Cone
from passim.sky.pass_intervals import allowed_within

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)


def test_caps_at_once_are_what_each_finds_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(3)
    pattern = walker(total=60, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)
    fleet = Fleet([replace(each, eccentricity=0.01 if k % 7 == 0 else 1e-4) for k, each in enumerate(pattern)])
    site = Site("invented", 45.0, -28.0, horizon=Horizon.flat(10.0))
    search = FleetSearch(fleet, Span.starting(EPOCH, hours=5))
    limits = [(site, HorizonFunction(Horizon.flat(float(mask)))) for mask in random.uniform(10.0, 80.0, 6)]
    limits += [
        (site, Cone(*(float(n) for n in numbers))) for numbers in random.uniform((0, 0, 5), (360, 60, 70), (8, 3))
    ]
    for latitude_deg, longitude_deg, mask_deg in random.uniform((35, -40, 0), (55, -10, 50), (8, 3)):
        place = Site("gateway", float(latitude_deg), float(longitude_deg))
        limits.append((place, HorizonFunction(Horizon.flat(float(mask_deg)))))
    # Few at once, and next to no refined arc kept: the bounds of memory change nothing.
    monkeypatch.setattr(caps, "_MOST_AT_ONCE", 700)
    monkeypatch.setattr(arcs, "_MOST_REFINED", 40)
    found = 0
    for part in search.parts:
        base = part.base(site, 10.0)
        satellite = np.searchsorted(part.members, base.satellite)
        around = satellite, base.start_s - part.start_s, base.end_s - part.start_s
        asked = [(place, limit.cap()) for place, limit in limits]
        number, *columns = caps.allowed_in_caps(part.grid, asked, *around)
        assert np.all(np.diff(number) >= 0)
        for k, (place, limit) in enumerate(limits):
            alone = allowed_within(part.grid, place, limit, *around)
            here = [column[number == k] for column in columns]
            assert np.array_equal(here[0], alone[0])
            for at_once, one in zip(here[1:], alone[1:], strict=True):
                assert np.abs(at_once - one).max(initial=0.0) < 1e-6
            found += alone[0].size
    assert found > 500
    assert HorizonFunction(Horizon((0.0, 90.0), (10.0, 20.0))).cap() is None
