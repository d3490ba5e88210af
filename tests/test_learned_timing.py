"""The timing errors of a fleet, learned from its snapshots, are those that were put into an invented history of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import passim
from passim.elements.feeds.snapshots import SnapshotStore, read_snapshot
from passim.forecast.event_scores import robust_sigma
from passim.forecast.hindcast import Snapshots, score_snapshots
from passim.forecast.hindcast_fit import fitted_model
from passim.forecast.learned_timing import (
    MOST_SATELLITES,
    LearnedTiming,
    chosen_pairs,
    inputs_of,
    learn_timing,
    pairs_to_score,
)
from passim.forecast.timing import BANDS, TimingModel, bands_of
from passim.orbits.propagation import Propagator
from passim_apps.text.timing import good_for
from tests.snapshots import Truth, keep_history

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY_S = 86_400.0
# Every 8 hours for 3 days, then daily: what is kept of a fortnight.
FORTNIGHT = (*(k / 3.0 for k in range(9)), *map(float, range(3, 15)))
FOUR_DAYS = (0.0, 1 / 3, 2 / 3, 1.0, 2.0, 3.0, 4.0)


def fleet_at(altitude_km: float, total: int = 120) -> passim.Fleet:
    return passim.walker(
        total=total, planes=12, phasing=5, inclination_deg=53.0, altitude_km=altitude_km, epoch=NOW, name="invented"
    )


def learned(
    folder: Path, truth: Truth, days: tuple[float, ...] = FORTNIGHT, altitude_km: float = 1400.0, total: int = 120
) -> LearnedTiming:
    store = SnapshotStore(folder)
    keep_history(store, fleet_at(altitude_km, total), days, truth, NOW)
    return learn_timing(list(store))


def late_by_drag_s(altitude_km: float, bstar: float) -> float:
    """Return what a drag term that is not there adds to the timing error, s/day**2, by SGP4 itself over a week."""
    (plain,) = fleet_at(altitude_km).select([0])
    days = 7.0
    positions = [
        np.array(Propagator.of(passim.Fleet([record])).models[0].sgp4_tsince(days * 1440.0)[1])
        for record in (plain, replace(plain, bstar=bstar))
    ]
    angle = np.arccos(np.dot(*positions) / np.prod([np.linalg.norm(each) for each in positions]))
    rate_rad_s = plain.mean_motion_rev_day * 2.0 * np.pi / DAY_S
    return float(angle / rate_rad_s / days**2)


def test_errors_that_grow_in_a_known_way_are_found_within_the_bounds_stated(tmp_path: Path) -> None:
    """Steady growth by an error of the mean motion high up, and growth with the square by one of the drag low down."""
    for name, truth, per_day2_s, altitude_km in (
        ("steady", Truth(0.02, 0.05), 0.0, 1400.0),
        ("square", Truth(0.05, 0.3, bstar=1e-4), late_by_drag_s(550.0, 1e-4), 550.0),
    ):
        found = learned(tmp_path / name, truth, altitude_km=altitude_km)
        assert found.model is not None, name
        assert (found.satellites, len(found.snapshots), found.days) == (120, 18, 14.0)
        assert found.pairs == 24
        assert 13.5 * DAY_S < found.oldest_s < 14.5 * DAY_S
        missed = 0
        for age in found.ages:
            expected_s = truth.sigma_s(age.age_s / DAY_S, per_day2_s)
            missed += not age.sigma_low_s < expected_s < age.sigma_high_s
            assert float(found.model.sigma_s(age.age_s)) == pytest.approx(expected_s, rel=0.15), (name, age)
            assert age.moved_share < 0.03
        assert len(found.ages) == 10
        # Bounds of 95 in 100: one of ten may miss.
        assert missed <= 1, name
        # Nothing moved, and nothing is shared beyond chance.
        assert float(found.model.manoeuvre_share(7.0 * DAY_S)) < 0.01
        assert float(found.model.shared_sigma_s(7.0 * DAY_S)) < 0.2 * float(found.model.sigma_s(7.0 * DAY_S))
        if name == "steady":
            # The usual model is many times too wide up there.
            assert float(TimingModel().sigma_s(7.0 * DAY_S)) > 15.0 * float(found.model.sigma_s(7.0 * DAY_S))


def test_those_that_moved_are_told_apart_from_the_spread_of_the_rest(tmp_path: Path) -> None:
    truth = Truth(0.05, 0.6, moved_share=0.08)
    found = learned(tmp_path, truth, altitude_km=550.0)
    assert found.model is not None
    for age in found.ages:
        expected_s = truth.sigma_s(age.age_s / DAY_S)
        assert float(found.model.sigma_s(age.age_s)) == pytest.approx(expected_s, rel=0.2), age
        # Forty times what others drift in a day is seen at once, except within hours of the epoch.
        if age.age_s > 0.5 * DAY_S and age.pairs > 1:
            assert age.moved_share == pytest.approx(0.08, abs=0.05), age
    week_s = 7.0 * DAY_S
    assert 0.05 < float(found.model.manoeuvre_share(week_s)) < 0.2
    # 24 s/day, of which the model takes 24 * 7 s / 0.6745 as the size of a normal error.
    assert float(found.model.tail_sigma_s(week_s)) == pytest.approx(24.0 * 7.0 / 0.6745, rel=0.25)


def test_an_error_that_all_share_is_told_by_the_ages_that_can_tell_it() -> None:
    """Sixty satellites, a spread of 0.5 s a day, and 0.1 s/day**2 that all share, from eight hours to two weeks."""
    import pandas as pd

    days = np.array([0.33, 0.67, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 13.0])
    sign = np.array([1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0, -1.0, 1.0])
    ages = pd.DataFrame(
        {
            # At eight hours a median is off by a few hundredths whatever is shared: 0.05 s would be 0.5 s/day**2.
            "shared_s": 0.1 * days**2 * sign + np.array([0.05, -0.05, *np.zeros(7)]),
            "sigma_s": 0.5 * days,
            "age_s": days * DAY_S,
            "age_low_days": days,
            "satellites": 60,
        }
    )
    satellites = pd.DataFrame({"age_s": [DAY_S] * 9, "late_s": 0.0, "shared_s": 0.0, "moved": False})
    fitted, _ = fitted_model(satellites, ages, TimingModel())
    assert fitted.shared_per_day2_s == pytest.approx(0.1, rel=0.05)
    assert fitted.per_day_s == pytest.approx(0.5, rel=0.01)


def test_too_little_is_not_learned_from(tmp_path: Path) -> None:
    truth = Truth(0.05, 0.6)
    days = tuple(k / 3.0 for k in range(8))
    short = learned(tmp_path / "short", truth, days)
    assert short.model is None
    assert short.pairs > 3
    assert short.days == pytest.approx(7 / 3, abs=1e-3)
    few = learned(tmp_path / "few", truth, total=12)
    assert (few.model, few.satellites) == (None, 12)
    assert few.days == 14.0
    once = learned(tmp_path / "once", truth, (0.0,))
    assert (once.model, once.ages, once.pairs, once.satellites, once.days) == (None, (), 0, 0, 0.0)
    assert learn_timing([]) == once


def test_the_same_elements_again_tell_nothing(tmp_path: Path) -> None:
    store = SnapshotStore(tmp_path)
    for day in range(8):
        at = NOW - timedelta(days=day)
        store.keep(fleet_at(550.0), source="invented", content_digest=f"{day}", fetched_at=at)
    found = learn_timing(list(store))
    assert (found.model, found.pairs, found.ages) == (None, 0, ())


def test_beyond_the_ages_measured_the_error_grows_as_the_usual_does(tmp_path: Path) -> None:
    truth = Truth(0.02, 0.05)
    found = learned(tmp_path, truth, FOUR_DAYS)
    assert found.model is not None
    assert found.oldest_s < 5.0 * DAY_S
    known_s, ahead_s = 3.0 * DAY_S, 10.0 * DAY_S
    assert float(found.model.sigma_s(known_s)) == pytest.approx(truth.sigma_s(3.0), rel=0.25)
    usual = TimingModel()
    times = float(usual.sigma_s(ahead_s) / usual.sigma_s(known_s))
    # The usual error grows by this, a straight line by 10 / 3.
    assert times == pytest.approx(5.7, abs=0.1)
    assert 4.0 < float(found.model.sigma_s(ahead_s) / found.model.sigma_s(known_s)) < 6.5


def test_which_snapshots_are_compared(tmp_path: Path) -> None:
    store = SnapshotStore(tmp_path)
    days = (*FORTNIGHT, *map(float, range(15, 100, 7)))
    keep_history(store, fleet_at(550.0, 12), days, Truth(0.0, 0.1), NOW)
    every = list(store)
    pairs = chosen_pairs(every)
    apart = [(newer.fetched_at - older.fetched_at).total_seconds() / DAY_S for older, newer in pairs]
    # Three of each length where there are so many, and none so old that the fleet may have been another.
    assert len(pairs) == len(set(pairs)) <= 27
    assert min(apart) < 0.4
    assert sum(0.9 < each < 1.1 for each in apart) == 3
    assert max(apart) < 18.0
    assert min(older.fetched_at for older, _ in pairs) > NOW - timedelta(days=61)
    # What is thinned away is missed only where it was compared, and whatever comes is looked at.
    assert inputs_of(pairs) == inputs_of(chosen_pairs(every[::-1]))
    assert inputs_of(pairs) == inputs_of(chosen_pairs(every[2:]))
    assert inputs_of(pairs) != inputs_of(chosen_pairs(every[:-1]))
    scored = pairs_to_score(every)
    assert [round((newer.fetched_at - older.fetched_at).total_seconds() / DAY_S) for older, newer in scored] == [
        1,
        3,
        7,
    ]
    assert {newer for _, newer in scored} == {every[-1]}
    assert pairs_to_score(every[-2:]) == pairs_to_score([]) == chosen_pairs([]) == []


def test_a_damaged_snapshot_is_passed_over(tmp_path: Path) -> None:
    whole = learned(tmp_path, Truth(0.02, 0.05), FOUR_DAYS)
    store = SnapshotStore(tmp_path)
    damaged = list(store)[1]
    damaged.path.write_bytes(damaged.path.read_bytes()[:-9])
    found = learn_timing(list(store))
    assert 0 < found.pairs < whole.pairs
    assert found.inputs == whole.inputs
    assert found.model is not None


def test_of_a_large_fleet_a_part_is_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert MOST_SATELLITES == 1000
    monkeypatch.setattr("passim.forecast.learned_timing.MOST_SATELLITES", 50)
    found = learned(tmp_path, Truth(0.02, 0.05), FOUR_DAYS)
    assert found.satellites == 50
    assert found.model is not None
    assert float(found.model.sigma_s(DAY_S)) == pytest.approx(Truth(0.02, 0.05).sigma_s(1.0), rel=0.35)


def test_what_is_learned_along_the_orbit_is_what_passes_at_a_site_show(tmp_path: Path) -> None:
    """The hindcast of one pair, whose passes are sought at a site, finds the same spread by another way."""
    store = SnapshotStore(tmp_path)
    keep_history(store, fleet_at(550.0), (0.0, 4.0), Truth(0.05, 0.6), NOW)
    older, newer = (read_snapshot(each, "") for each in store)
    view = passim.View(passim.Site("invented", 45.0, -28.0, 40.0, "Atlantic/Azores", passim.Horizon.flat(25.0)))
    by_passes = score_snapshots(Snapshots(older, newer, hours=24.0), view, step_s=60.0)
    (age,) = learn_timing(list(store)).ages
    late_s = by_passes.satellites["late_s"].dropna().to_numpy()
    assert robust_sigma(late_s) == pytest.approx(age.sigma_s, rel=0.1)


def test_bands_follow_what_was_learned() -> None:
    usual = TimingModel()
    worse = bands_of(replace(usual, at_epoch_s=0.1, per_day_s=2.0, per_day2_s=0.3))
    better = bands_of(replace(usual, at_epoch_s=0.02, per_day_s=0.05, per_day2_s=0.0, shared_per_day2_s=0.0))
    assert [band.up_to_s for band in bands_of(usual)] == [band.up_to_s for band in BANDS]
    assert all(one.up_to_s < other.up_to_s for one, other in zip(worse[:3], BANDS[:3], strict=True))
    # Satellites move whatever the spread of the rest, so that a small one makes no band longer; but it is told.
    assert [band.up_to_s for band in better] == [band.up_to_s for band in BANDS]
    assert [band.small for band in better] == [False, True, True, False, False]
    assert not any(band.small for band in (*worse, *bands_of(usual)))
    assert "off by seconds" in good_for(worse[2])
    assert good_for(better[2]) == "some satellites may have manoeuvred since, so only odds are shown"


def test_a_spread_by_the_median_is_known_as_well_as_is_stated() -> None:
    """The relative standard error of 1.17 / sqrt(n), by 4,000 draws of 60 normal values (Hampel 1974, recalled)."""
    draws = np.random.Generator(np.random.PCG64(3)).normal(0.0, 1.0, (4000, 60))
    spreads = np.array([robust_sigma(each) for each in draws])
    assert spreads.std() / spreads.mean() * np.sqrt(60.0) == pytest.approx(1.17, abs=0.05)
