"""Grouping of a fleet into shells."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim.elements.patterns import walker
from passim.elements.records import Fleet
from passim.elements.shells import mean_altitude_km, modes, shells
from passim.elements.slots import doubles

EPOCH = datetime(2026, 11, 25, tzinfo=UTC)


def test_mean_altitude_undoes_the_mean_motion_of_a_designed_pattern() -> None:
    fleet = walker(total=1, planes=1, phasing=0, inclination_deg=53.0, altitude_km=1234.5, epoch=EPOCH)
    assert mean_altitude_km(fleet.column("mean_motion_rev_day")) == pytest.approx([1234.5], abs=1e-6)


def test_mean_altitude_of_one_turn_in_a_sidereal_day_is_that_of_the_geostationary_arc() -> None:
    # ITU-R S.1503-2 takes 42164.2 km for the radius of the arc; 1.00273790935 turns a day are one a sidereal day.
    assert float(mean_altitude_km(1.00273790935)) + 6378.135 == pytest.approx(42164.2, abs=0.3)


def test_objects_of_two_patterns_fall_into_two_shells_the_larger_first() -> None:
    low = walker(total=4, planes=2, phasing=0, inclination_deg=53.2, altitude_km=548.0, epoch=EPOCH)
    high = walker(
        total=6, planes=3, phasing=0, inclination_deg=87.9, altitude_km=1200.0, epoch=EPOCH, first_satellite_id=7
    )
    first, second = shells(low + high)
    assert (first.altitude_km, first.inclination_deg) == (pytest.approx(1200.0, abs=1e-6), 87.9)
    assert (second.altitude_km, second.inclination_deg) == (pytest.approx(548.0, abs=1e-6), 53.2)
    assert (first.objects, first.sets, second.objects, second.sets) == (6, 6, 4, 4)
    assert second.altitude_lowest_km == pytest.approx(548.0, abs=1e-6)
    assert second.inclination_highest_deg == 53.2


def test_a_shell_gathers_round_the_crowd_and_stragglers_do_not_move_it() -> None:
    # Nine at 550 km, one 4 km low, one 6 km low: the last is outside, the other does not pull the middle down.
    altitudes = np.array([550.0] * 9 + [546.0, 544.0])
    crowd, straggler = modes(altitudes, np.full(11, 53.0))
    assert (crowd.altitude_km, crowd.members.tolist()) == (550.0, list(range(10)))
    assert (straggler.altitude_km, straggler.members.tolist()) == (544.0, [10])


@given(
    st.lists(st.tuples(st.floats(500.0, 560.0), st.floats(52.0, 54.0)), min_size=1, max_size=60),
)
def test_each_object_belongs_to_exactly_one_shell(places: list[tuple[float, float]]) -> None:
    altitudes, inclinations = (np.array(column) for column in zip(*places, strict=True))
    found = modes(altitudes, inclinations)
    assert sorted(np.concatenate([mode.members for mode in found]).tolist()) == list(range(len(places)))
    sizes = [len(mode.members) for mode in found]
    assert sizes == sorted(sizes, reverse=True)
    for mode in found:
        assert np.abs(altitudes[mode.members] - mode.altitude_km).max() < 5.0
        assert np.abs(inclinations[mode.members] - mode.inclination_deg).max() < 0.15


def test_an_object_with_several_sets_counts_once_where_its_newest_puts_it() -> None:
    (record,) = walker(total=1, planes=1, phasing=0, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)
    raised = replace(record, mean_motion_rev_day=15.0, epoch=EPOCH + timedelta(days=9))
    (shell,) = shells(Fleet([raised, record]))
    assert (shell.objects, shell.sets) == (1, 2)
    assert shell.altitude_lowest_km == pytest.approx(float(mean_altitude_km(15.0)))


def test_no_fleet_has_no_shell() -> None:
    assert shells(Fleet([])) == []


def brute_modes(altitude_km: np.ndarray, inclination_deg: np.ndarray) -> list[tuple[float, float, list[int]]]:
    """The same crowds, each step with a look at every object."""
    cells = np.column_stack([np.floor(altitude_km / 5.0), np.floor(inclination_deg / 0.15)])
    crowd = np.array([(cells == cell).all(axis=1).sum() for cell in cells])
    free, found = np.ones(len(altitude_km), dtype=bool), []

    def near(place: tuple[float, float]) -> np.ndarray:
        return (np.abs(altitude_km - place[0]) < 5.0) & (np.abs(inclination_deg - place[1]) < 0.15) & free

    for seed in np.lexsort((inclination_deg, altitude_km, -crowd)):
        while free[seed]:
            centre = (float(altitude_km[seed]), float(inclination_deg[seed]))
            members = near(centre)
            for _ in range(12):
                moved = (float(np.median(altitude_km[members])), float(np.median(inclination_deg[members])))
                if moved == centre or not near(moved).any():
                    break
                centre, members = moved, near(moved)
            found.append((*centre, np.flatnonzero(members).tolist()))
            free &= ~members
    return sorted(found, key=lambda mode: (-len(mode[2]), mode[0], mode[1]))


def test_crowds_found_by_cells_are_those_found_by_looking_at_everybody() -> None:
    for seed in range(20):
        draw = np.random.default_rng(seed)
        count = int(draw.integers(1, 150))
        altitude_km = draw.choice([400.0, 550.0, 562.0], count) + draw.normal(0.0, draw.choice([0.5, 4.0, 20.0]), count)
        inclination_deg = np.abs(draw.choice([0.1, 53.0, 53.2], count) + draw.normal(0.0, 0.1, count))
        found = [(m.altitude_km, m.inclination_deg, m.members.tolist()) for m in modes(altitude_km, inclination_deg)]
        assert found == brute_modes(altitude_km, inclination_deg)


def test_a_crowd_in_one_plane_is_not_thinned_out_one_by_one() -> None:
    phase_deg = np.random.default_rng(1).uniform(0.0, 360.0, 100_000)
    assert not len(doubles(np.zeros(100_000), phase_deg)[0])
