"""The example limit of DEVELOPERS.md is run as it stands there, and three files are all that a limit takes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skyfield.api import EarthSatellite, load
from skyfield.framelib import itrs

import passim
from passim import Coverage, Fleet, Horizon, Site, Span, walker
from passim.coverage.visibility import Visibility, find_visibility
from passim.orbits.propagation import Propagator
from passim.search import positive_stretches
from passim.sky.limits import TERMINAL_LIMITS, TerminalLimit
from passim.sky.local_arcs import ZENITH
from passim.sky.outlines import outlines
from passim.sky.view import View
from passim.workspace.settings import TerminalSettings
from passim_apps.commands.gaps import gaps as gaps_command
from passim_apps.text.limits import LIMIT_WORDS

PAGE = Path(__file__).resolve().parent.parent / "DEVELOPERS.md"


EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
SITE = Site("invented", 45.0, -28.0, horizon=Horizon.flat(25.0))


def names_of_example(number: int) -> dict[str, Any]:
    """Run one of the examples of the page, and return what it defines."""
    names: dict[str, Any] = {
        "dataclass": dataclass,
        "np": np,
        "ZENITH": ZENITH,
        "positive_stretches": positive_stretches,
        "TerminalLimit": TerminalLimit,
    }
    exec(re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)[number], names)
    return names


def invented_fleet() -> Fleet:
    return walker(
        total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented"
    )


def test_the_example_limit_by_time_works() -> None:
    limit, fleet = names_of_example(1)["Parallel"](50.0), invented_fleet()
    found = find_visibility(fleet, View(SITE, (limit,)), Span.starting(EPOCH, 3.0))
    assert isinstance(found, Visibility)
    allowed, free = found.joint(), found.joint(without=("parallel",))
    assert 0.1 * len(free.start) < len(allowed.start) < len(free.start)
    # Where a satellite is allowed from within a pass on, it stands over the parallel then, by another library.
    began = ~np.isin(allowed.start, free.start) & (allowed.start > allowed.start.min())
    assert began.sum() > 20
    timescale, models = load.timescale(builtin=True), Propagator.of(found.fleet).models
    for whose, start_us in zip(allowed.group[began][:20].tolist(), allowed.start[began][:20].tolist(), strict=True):
        body = EarthSatellite.from_satrec(models[whose], timescale)
        moment = timescale.from_datetime(datetime.fromtimestamp(start_us / 1e6, UTC))
        x, y, z = body.at(moment).frame_xyz(itrs).km
        assert np.degrees(np.arctan2(z, np.hypot(x, y))) == pytest.approx(50.0, abs=1e-3)


def test_the_example_limit_works() -> None:
    names = names_of_example(0)
    kind = names["TERMINAL_LIMIT"]
    assert isinstance(kind, TerminalLimit)
    assert (kind.name, kind.numbers) == ("zenith", ("highest_deg",))
    limit = kind.of([80.0])

    span = Span.starting(EPOCH, 6.0)
    found = find_visibility(invented_fleet(), View(SITE, (limit,)), span)
    assert isinstance(found, Visibility)
    passes = found.passes()
    # A pass that climbs higher than the limit is split in two at it, and no row stands higher.
    assert passes["peak_elevation_deg"].max() < 80.001
    assert len(passes) > len(found.passes(without=("zenith",)))
    # The picture of the sky shows it as the band that it keeps out, up to the zenith at every azimuth.
    _, band, _ = outlines(View(SITE, (limit,)))
    assert band.limit == "zenith"
    assert band.low_deg is not None
    assert band.high_deg is not None
    assert set(band.low_deg) <= {80.0, 80.25}
    assert set(band.high_deg) == {90.0}
    joint, free = found.joint(), found.joint(without=("zenith",))
    out = [Coverage.from_intervals(i.start, i.end, span).summary()["in_view_mean"] for i in (joint, free)]
    assert out[0] < out[1]


def test_every_limit_that_numbers_state_has_words_an_option_a_key_and_a_name_at_the_door() -> None:
    stated = [kind.name for kind in TERMINAL_LIMITS]
    assert stated == [name for name, words in LIMIT_WORDS.items() if words.option is not None]
    for kind in TERMINAL_LIMITS:
        assert kind.key in TerminalSettings.model_fields
        assert getattr(passim, kind.made.__name__) is kind.made
        words = LIMIT_WORDS[kind.name]
        assert words.option is not None
        assert kind.of(kind.example) == kind.of([float(number) for number in words.option.example.split(",")])
        assert any(f"--{kind.name}" in parameter.opts for parameter in gaps_command.params)
