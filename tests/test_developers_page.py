"""The example limit of DEVELOPERS.md is run as it stands there, and three files are all that a limit takes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import passim
from passim import Coverage, Horizon, Site, Span, walker
from passim.coverage.visibility import Visibility, find_visibility
from passim.search import positive_stretches
from passim.sky.limits import TERMINAL_LIMITS, TerminalLimit
from passim.sky.local_arcs import ZENITH
from passim.sky.outlines import outlines
from passim.sky.view import View
from passim.workspace.settings import TerminalSettings
from passim_apps.commands.gaps import gaps as gaps_command
from passim_apps.text.limits import LIMIT_WORDS

PAGE = Path(__file__).resolve().parent.parent / "DEVELOPERS.md"


def test_the_example_limit_works() -> None:
    code = re.search(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    assert code is not None
    names = {
        "dataclass": dataclass,
        "np": np,
        "ZENITH": ZENITH,
        "positive_stretches": positive_stretches,
        "TerminalLimit": TerminalLimit,
    }
    exec(code.group(1), names)
    kind = names["TERMINAL_LIMIT"]
    assert isinstance(kind, TerminalLimit)
    assert (kind.name, kind.numbers) == ("zenith", ("highest_deg",))
    limit = kind.of([80.0])

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
    # The picture of the sky shows it as the band that it keeps out, up to the zenith at every azimuth.
    _, band, _ = outlines(View(site, (limit,)))
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
