"""What Python is warned of, and the same file's answers from Python and the command line."""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import commands
import passim
from tests import scenario

START = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = passim.Span.starting(START, hours=3)
SITE = passim.Site("Marram", 45.0, -28.0, 40.0, "UTC", passim.Horizon.flat(35.0))


@pytest.fixture(scope="module")
def designed() -> passim.Fleet:
    return passim.walker(
        total=120, planes=10, phasing=3, inclination_deg=53.0, altitude_km=550.0, epoch=START, name="invented"
    )


@pytest.fixture(scope="module")
def mixed(designed: passim.Fleet) -> passim.Fleet:
    """Every sixth satellite 15 km low, as spares wait."""
    lower = [replace(r, mean_motion_rev_day=r.mean_motion_rev_day * 1.00325) for r in designed.records[::6]]
    return passim.Fleet([*(r for k, r in enumerate(designed.records) if k % 6), *lower], "mixed")


def test_designed_fleets_are_not_doubted(designed: passim.Fleet) -> None:
    star = passim.walker(
        total=66, planes=6, phasing=2, inclination_deg=86.4, altitude_km=780.0, epoch=START, star=True, name="star"
    )
    few = passim.walker(
        total=7, planes=7, phasing=5, inclination_deg=55.7, altitude_km=12_000.0, epoch=START, name="few"
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for fleet in (designed, star, few, scenario.plover(START)):
            passim.find_passes(fleet, SITE, SPAN)
            passim.find_visibility(fleet, passim.View.usual(SITE), SPAN)


def test_satellites_that_hardly_serve_are_told_where_they_are_counted(mixed: passim.Fleet) -> None:
    with pytest.warns(
        passim.NotServingWarning, match=r"^20 of 120 satellites hardly serve .*100 at shell, 20 drift"
    ) as told:
        passim.find_passes(mixed, SITE, SPAN)
    assert told[0].filename == __file__
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        passim.find_visibility(mixed, passim.View.usual(SITE), SPAN)


def test_old_elements_are_told(designed: passim.Fleet) -> None:
    late = passim.Span.starting(START + timedelta(days=20), hours=1)
    with pytest.warns(passim.StaleElementsWarning, match="^the elements are 20 days away") as told:
        passim.find_passes(designed, SITE, late)
    assert told[0].filename == __file__
    with pytest.warns(passim.StaleElementsWarning) as told:
        passim.find_visibility(designed, passim.View.usual(SITE), late)
    assert told[0].filename == __file__
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        passim.find_passes(designed, SITE, passim.Span.starting(START + timedelta(days=13), hours=1))


def gaps(path: Path, *options: str) -> int:
    """The gaps that the command line finds; under pytest every warning would be an error in it."""
    arguments = ["gaps", "--elements", str(path), "--site", "45.0,-28.0,40", "--zone", "UTC", "--mask", "35"]
    span = ["--from", START.isoformat(), "--hours", "3"] if "--from" not in options else []
    result = commands.run(*arguments, *span, *options, "--format", "json")
    assert result.exit_code == 0, result.stderr
    assert "Warning" not in result.stderr
    return int(json.loads(result.stdout)["summary"]["gap_count"])


def test_python_and_the_command_line_agree_or_python_warns(mixed: passim.Fleet, tmp_path: Path) -> None:
    path = tmp_path / "mixed.json"
    passim.write_elements(mixed, path)
    fleet = passim.read_elements(path)
    with pytest.warns(passim.NotServingWarning):
        all_of_them = passim.Coverage.from_passes(passim.find_passes(fleet, SITE, SPAN), SPAN)
    serving = passim.find_visibility(fleet, passim.View.usual(SITE), SPAN).coverage()
    assert len(serving.gaps()) == gaps(path)
    assert len(all_of_them.gaps()) == gaps(path, "--without", "serving")
    assert serving.covered_fraction() < all_of_them.covered_fraction()
    # In words, and not as warnings, the command line says so too.
    assert gaps(path, "--from", "2026-04-01T00:00Z", "--hours", "1", "--allow-stale") >= 0
