"""The example limit of DEVELOPERS.md is run as it stands there."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from passim import Coverage, Horizon, Site, Span, walker
from passim.coverage.visibility import Visibility, find_visibility
from passim.search import positive_stretches
from passim.sky.local_arcs import ZENITH
from passim.sky.view import View

PAGE = Path(__file__).resolve().parent.parent / "DEVELOPERS.md"


def test_the_example_limit_works() -> None:
    code = re.search(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    assert code is not None
    names = {"dataclass": dataclass, "np": np, "ZENITH": ZENITH, "positive_stretches": positive_stretches}
    exec(code.group(1), names)
    limit = names["ZenithKeepOut"](80.0)  # type: ignore[operator]

    epoch = datetime(2026, 3, 1, tzinfo=UTC)
    fleet = walker(
        total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=epoch, name="invented"
    )
    site = Site("invented", 45.0, -28.0, horizon=Horizon.flat(25.0))
    span = Span.starting(epoch, 6.0)
    found = find_visibility(fleet, View(site, (limit,)), span)
    assert isinstance(found, Visibility)
    passes = found.passes()
    # A pass that climbs higher than the limit is split in two at it, and no row stands higher.
    assert passes["peak_elevation_deg"].max() < 80.001
    assert len(passes) > len(found.passes(without=("zenith",)))
    joint, free = found.joint(), found.joint(without=("zenith",))
    out = [Coverage.from_intervals(i.start, i.end, span).summary()["in_view_mean"] for i in (joint, free)]
    assert out[0] < out[1]
