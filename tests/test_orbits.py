"""Earth rotation, SGP4 behind its one door, and how close the arcs keep to it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.typing import NDArray
from skyfield.api import load
from skyfield.sgp4lib import theta_GMST1982

from passim import ElementSet, Fleet, read_elements, walker
from passim.constants import EARTH_RADIUS_KM, EARTH_RATE_RAD_S
from passim.elements import SatelliteId
from passim.orbits.arcs import SEGMENT_S, NodeGrid, Segments, segment_length_s
from passim.orbits.frames import earth_angle_rad, earth_fixed, earth_fixed_acceleration, julian_date, ut1_minus_utc_s
from passim.orbits.propagation import Propagator, trouble, usable
from passim.spans import microseconds

Floats = NDArray[np.float64]

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
DAY_US = 86_400_000_000
TIMESCALE = load.timescale(builtin=True)


def element_set(number: int = 1, **values: float) -> ElementSet:
    usual = {
        "mean_motion_rev_day": 15.05,
        "eccentricity": 1e-4,
        "inclination_deg": 53.0,
        "node_deg": 10.0,
        "perigee_deg": 40.0,
        "mean_anomaly_deg": 5.0,
        "bstar": 1e-5,
    }
    return ElementSet(
        satellite_id=SatelliteId(900000000 + number), name=f"invented {number}", epoch=EPOCH, **{**usual, **values}
    )


def fleet_around(count: int, **values: float) -> Fleet:
    """Return a fleet with its nodes, perigees and anomalies spread by the golden angle, where `values` gives none."""
    golden = 137.50776405
    spread = {"node_deg": golden, "perigee_deg": 1.7 * golden, "mean_anomaly_deg": 2.9 * golden}
    return Fleet(
        element_set(k + 1, **{**{field: k * step % 360.0 for field, step in spread.items()}, **values})
        for k in range(count)
    )


# Frames


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2016, 12, 30, 18, 30, tzinfo=UTC),
        # The last day with a leap second so far ended with 2016: UT1-UTC jumps by a second at midnight.
        datetime(2016, 12, 31, 23, 59, 59, 900_000, tzinfo=UTC),
        datetime(2017, 1, 1, 0, 0, 0, tzinfo=UTC),
        datetime(2017, 1, 1, 12, 0, 0, 1, tzinfo=UTC),
        datetime(1980, 1, 6, 3, 4, 5, tzinfo=UTC),
        datetime(2026, 3, 1, 6, 30, tzinfo=UTC),
        datetime(2026, 11, 25, 8, 0, 0, 123_456, tzinfo=UTC),
        datetime(2045, 7, 1, 21, 0, tzinfo=UTC),
        datetime(2190, 7, 1, 21, 0, tzinfo=UTC),
    ],
)
def test_sidereal_time_is_that_of_skyfield(moment: datetime) -> None:
    # skyfield's own sidereal time of 1982, from its own UT1 of the same moment.
    when = TIMESCALE.from_datetime(moment)
    theta, rate = theta_GMST1982(when.whole, when.ut1_fraction)
    angle = float(earth_angle_rad(np.array([microseconds(moment)]))[0])
    off = (angle - theta + np.pi) % (2.0 * np.pi) - np.pi
    # Ten nanoradians are 6 cm on the equator, or 0.14 ms of turning.
    assert abs(off) < 1e-8
    assert rate / 86400.0 == pytest.approx(EARTH_RATE_RAD_S, rel=1e-8)


def test_sidereal_time_at_noon_of_the_year_2000() -> None:
    # 280.4606 deg at 2000-01-01 12:00 UT1 (AIAA 2006-6753, appendix C: 67310.54841 s of time).
    noon = microseconds(datetime(2000, 1, 1, 12, tzinfo=UTC))
    ut1 = noon - round(float(ut1_minus_utc_s(np.array([noon]))[0]) * 1e6)
    assert np.degrees(earth_angle_rad(np.array([ut1]))[0]) == pytest.approx(67310.54841 / 240.0, abs=1e-7)


def test_ut1_is_that_of_skyfield_and_jumps_with_the_leap_second_only() -> None:
    first = microseconds(datetime(2016, 12, 30, tzinfo=UTC))
    time_us = first + np.arange(0, 4 * 48 + 1) * (DAY_US // 48)
    ours = ut1_minus_utc_s(time_us)
    theirs = TIMESCALE.from_datetimes([datetime.fromtimestamp(int(t) / 1e6, UTC) for t in time_us]).dut1
    assert ours == pytest.approx(theirs, abs=1e-4)
    jumps = np.flatnonzero(np.abs(np.diff(ours)) > 0.1)
    assert time_us[jumps + 1].tolist() == [microseconds(datetime(2017, 1, 1, tzinfo=UTC))]
    # From -0.408 s to +0.592 s (IERS Bulletin C 52 announced the second; the value is skyfield's own table).
    assert np.diff(ours)[jumps[0]] == pytest.approx(1.0, abs=1e-3)


def test_the_angle_is_good_in_any_shape_and_to_the_microsecond() -> None:
    start = microseconds(EPOCH)
    time_us = start + np.arange(6).reshape(2, 3) * 1_000_000
    angle = earth_angle_rad(time_us)
    assert angle.shape == (2, 3)
    assert np.all((angle >= 0.0) & (angle < 2.0 * np.pi))
    assert np.diff(angle.ravel()) == pytest.approx(EARTH_RATE_RAD_S, rel=1e-6)


def test_julian_date_keeps_midnight_and_the_fraction_apart() -> None:
    moments = [datetime(1970, 1, 1, 6, tzinfo=UTC), datetime(2000, 1, 1, 12, tzinfo=UTC)]
    moments += [datetime(2026, 3, 1, 0, 0, 0, 1, tzinfo=UTC), datetime(1969, 12, 31, 18, tzinfo=UTC)]
    day, fraction = julian_date(np.array([microseconds(m) for m in moments]))
    assert day.tolist() == [2440587.5, 2451544.5, 2461100.5, 2440586.5]
    # A microsecond after midnight is not lost, as it would be in one number.
    assert fraction.tolist() == [0.25, 0.5, 1.0 / DAY_US, 0.75]


def test_earth_fixed_velocity_is_the_rate_of_earth_fixed_position() -> None:
    model = Propagator(Fleet([element_set(eccentricity=0.0)]))
    start = microseconds(EPOCH)
    time_us = start + np.array([-1_000_000, 0, 1_000_000]) + 600_000_000
    error, position, velocity = model.at(0, *julian_date(time_us))
    assert not error.any()
    fixed, fixed_velocity = earth_fixed(position, velocity, earth_angle_rad(time_us))
    # SGP4's own velocity is the rate of its position to a few metres a second at best.
    assert (fixed[2] - fixed[0]) / 2.0 == pytest.approx(fixed_velocity[1], abs=0.01)
    acceleration = earth_fixed_acceleration(fixed, fixed_velocity)[1]
    assert fixed[2] - 2.0 * fixed[1] + fixed[0] == pytest.approx(acceleration, abs=2e-5)
    # The turn changes no length.
    assert np.linalg.norm(fixed, axis=1) == pytest.approx(np.linalg.norm(position, axis=1), rel=1e-15)


def test_a_point_at_rest_above_the_equator_feels_gravity_and_the_centrifugal_force() -> None:
    # At the geostationary radius the two cancel: 42164.17 km with J2 (common practice; own arithmetic).
    rest = earth_fixed_acceleration(np.array([[42164.66, 0.0, 0.0]]), np.zeros((1, 3)))
    assert np.linalg.norm(rest) == pytest.approx(0.0, abs=1e-8)


# Propagation


def test_a_fleet_keeps_its_propagator() -> None:
    fleet = fleet_around(3)
    assert Propagator.of(fleet) is Propagator.of(fleet)
    assert Propagator.of(fleet) is not Propagator.of(fleet.select([0, 1, 2]))
    assert len(Propagator.of(fleet)) == 3


def test_a_selection_shares_the_models() -> None:
    whole = Propagator(fleet_around(4))
    some = whole.select(np.array([2, 0]))
    assert some.models == [whole.models[2], whole.models[0]]
    assert some.fleet.satellite_ids.tolist() == ["900000003", "900000001"]


def test_sweep_and_single_calls_agree() -> None:
    propagator = Propagator(fleet_around(5))
    day, fraction = julian_date(microseconds(EPOCH) + np.arange(7) * 1_000_000_000)
    for satellites in (np.arange(5), np.array([3, 1])):
        position, velocity, error = propagator.sweep(satellites, day, fraction)
        assert position.shape == velocity.shape == (len(satellites), 7, 3)
        assert error.shape == (len(satellites), 7)
        for row, satellite in enumerate(satellites.tolist()):
            single_error, single_position, single_velocity = propagator.at(satellite, day, fraction)
            assert single_error.tolist() == error[row].tolist()
            assert single_position.tolist() == position[row].tolist()
            assert single_velocity.tolist() == velocity[row].tolist()


def test_numbers_of_the_orbits() -> None:
    propagator = Propagator(Fleet([element_set(mean_motion_rev_day=15.0, eccentricity=0.01)]))
    assert propagator.mean_motion_rad_s[0] == pytest.approx(2.0 * np.pi / 5760.0)
    assert propagator.eccentricity.tolist() == [0.01]
    # Kepler's third law with 398600.8: 96 minutes at 6945.0 km (own arithmetic).
    assert propagator.semi_major_axis_km[0] == pytest.approx((398600.8 * (5760.0 / (2.0 * np.pi)) ** 2) ** (1 / 3))
    # J2 turns the node west of a prograde orbit by some 4.6 deg a day here (common practice: -9.96 (Re/a)^3.5 cos i).
    node_deg_day = np.degrees(propagator.node_rate_rad_s[0]) * 86400.0
    assert node_deg_day == pytest.approx(-9.96 * (6378.137 / 6945.0) ** 3.5 * np.cos(np.radians(53.0)), rel=0.01)
    assert propagator.argument_of_latitude_rate_rad_s[0] == pytest.approx(propagator.mean_motion_rad_s[0], rel=1e-3)


def test_large_catalogue_numbers_are_propagated() -> None:
    # The package sgp4 refuses numbers past 339999; they are not handed to it.
    assert len(Propagator(Fleet([element_set(99999999)]))) == 1


def test_epochs_are_kept_to_the_microsecond() -> None:
    # 1 microsecond is 7.6 mm of the path; an epoch rounded to 8 decimals of a day would be off by up to 3.3 m.
    later = EPOCH.replace(hour=11, minute=13, second=17, microsecond=123_457)
    record = element_set(eccentricity=0.0, bstar=0.0)
    shifted = ElementSet(
        **{f: getattr(record, f) for f in ElementSet.__dataclass_fields__ if f != "epoch"}, epoch=later
    )
    models = Propagator(Fleet([record, shifted]))
    positions = []
    for index, epoch in enumerate((EPOCH, later)):
        error, position, _ = models.at(index, *julian_date(np.array([microseconds(epoch) + 600_000_000])))
        assert not error.any()
        positions.append(position[0])
    assert np.linalg.norm(positions[1] - positions[0]) < 1e-6


def test_usable_states_are_in_orbit() -> None:
    position = np.array(
        [
            [7000.0, 0.0, 0.0],
            [EARTH_RADIUS_KM + 79.9, 0.0, 0.0],
            [EARTH_RADIUS_KM + 80.1, 0.0, 0.0],
            [np.nan, 0.0, 0.0],
            [1.1e6, 0.0, 0.0],
            [7000.0, 0.0, 0.0],
        ]
    )
    error = np.array([0, 0, 0, 0, 0, 6], dtype=np.uint8)
    assert usable(position, error).tolist() == [True, False, True, False, False, False]
    assert usable(position.reshape(2, 3, 3), error.reshape(2, 3)).shape == (2, 3)


@pytest.mark.parametrize(
    ("position", "error", "words"),
    [
        ([7000.0, 0.0, 0.0], 1, "SGP4 error 1: mean eccentricity is outside the range 0.0 to 1.0"),
        ([7000.0, 0.0, 0.0], 6, "SGP4 error 6: mrt is less than 1.0 which indicates the satellite has decayed"),
        ([7000.0, 0.0, 0.0], 9, "SGP4 error 9: unknown"),
        ([np.nan, 0.0, 0.0], 0, "SGP4 gave a position that is not a number"),
        (
            [EARTH_RADIUS_KM + 50.0, 0.0, 0.0],
            0,
            "SGP4 put it at an altitude of 50 km, so it has decayed or its elements are damaged",
        ),
    ],
)
def test_trouble_is_told_in_words(position: list[float], error: int, words: str) -> None:
    assert trouble(np.array(position), error) == words


# Arcs


def positions_on(arcs: Segments, x: float) -> Floats:
    """Return Earth-fixed positions, shape (segments, 3), from the coefficients, power by power."""
    return np.einsum("k,kcn->nc", x ** np.arange(6), arcs.coefficients_km)


def worst_error_m(grid: NodeGrid, arcs: Segments) -> float:
    """Return the largest distance between arcs and SGP4 itself at places between the nodes."""
    worst = 0.0
    for x in (0.05, 0.25, 0.4, 0.5, 0.6, 0.75, 0.95):
        time_s = arcs.time_s(np.arange(len(arcs)), np.full(len(arcs), x))
        off_km = positions_on(arcs, x) - grid.positions_km(arcs.satellite, time_s)
        worst = max(worst, float(np.linalg.norm(off_km, axis=1).max()) * 1e3)
    return worst


def everything(grid: NodeGrid) -> Segments:
    count = grid.segments_per_satellite
    return grid.segments(
        np.repeat(np.arange(len(grid.propagator)), count), np.tile(np.arange(count), len(grid.propagator))
    )


# Kind of orbit: its numbers, and how far an arc may stray from SGP4, in metres. Measured for this project.
KINDS = {
    "550 km, nearly circular": ({}, 2.0),
    "550 km, polar, nearly circular": ({"inclination_deg": 90.0}, 2.0),
    "550 km, equatorial": ({"inclination_deg": 0.0}, 0.5),
    "550 km, e 0.005": ({"eccentricity": 0.005}, 0.5),
    "300 km, nearly circular": ({"mean_motion_rev_day": 15.9, "eccentricity": 0.001}, 2.0),
    "200 km, about to decay": ({"mean_motion_rev_day": 16.3, "eccentricity": 0.001, "bstar": 3e-4}, 0.6),
    "1414 km": ({"mean_motion_rev_day": 12.6, "eccentricity": 0.005}, 0.2),
    "sun-synchronous": ({"mean_motion_rev_day": 14.6, "eccentricity": 0.001, "inclination_deg": 97.8}, 1.5),
    "e 0.03": ({"mean_motion_rev_day": 14.0, "eccentricity": 0.03}, 0.5),
    "e 0.09": ({"mean_motion_rev_day": 13.0, "eccentricity": 0.09}, 0.1),
    "e 0.15": ({"mean_motion_rev_day": 12.0, "eccentricity": 0.15}, 0.1),
    "e 0.5": ({"mean_motion_rev_day": 4.5, "eccentricity": 0.5}, 0.1),
    # A little over the 225 minutes from which SGP4 counts as deep space.
    "227 minutes, nearly circular": ({"mean_motion_rev_day": 1440.0 / 227.0, "eccentricity": 2e-4}, 0.05),
    "highly elliptical, e 0.7": (
        {"mean_motion_rev_day": 2.0057, "eccentricity": 0.7, "inclination_deg": 63.4, "perigee_deg": 270.0},
        0.1,
    ),
    "navigation": ({"mean_motion_rev_day": 2.0057, "eccentricity": 0.01, "inclination_deg": 55.0}, 0.05),
    "geostationary": ({"mean_motion_rev_day": 1.00273, "eccentricity": 2e-4, "inclination_deg": 0.05}, 0.05),
    "geosynchronous, tilted": ({"mean_motion_rev_day": 1.00273, "eccentricity": 0.2, "inclination_deg": 60.0}, 0.05),
}


@pytest.mark.parametrize("kind", KINDS)
def test_arcs_keep_to_sgp4(kind: str) -> None:
    values, limit_m = KINDS[kind]
    propagator = Propagator(fleet_around(8, **values))
    length_s = float(segment_length_s(propagator)[0])
    grid = NodeGrid(propagator, microseconds(EPOCH) + 3_600_000_000, 86400.0 / 4.0, length_s)
    arcs = everything(grid)
    assert len(arcs) == 8 * grid.segments_per_satellite
    assert worst_error_m(grid, arcs) < limit_m
    # At its nodes an arc is SGP4 itself.
    ends = grid.positions_km(arcs.satellite, arcs.start_s)
    assert positions_on(arcs, 0.0) == pytest.approx(ends, abs=1e-7)


def test_arcs_join_smoothly() -> None:
    grid = NodeGrid(Propagator(fleet_around(1)), microseconds(EPOCH), 6000.0)
    c = everything(grid).coefficients_km
    k = np.arange(6.0)
    for factor in (np.ones(6), k, k * (k - 1.0)):
        # Position, velocity and acceleration at the end of one are those at the start of the next, times a factor.
        at_end = np.einsum("k,kcn->cn", factor, c)[:, :-1]
        at_start = c[int(np.flatnonzero(factor)[0])][:, 1:] * factor[np.flatnonzero(factor)[0]]
        assert at_end == pytest.approx(at_start, rel=1e-9, abs=1e-7)


def test_segments_are_300_s_long_unless_the_orbit_bends_faster_at_perigee() -> None:
    fleet = Fleet(
        [
            element_set(1),
            element_set(2, mean_motion_rev_day=13.0, eccentricity=0.09),
            element_set(3, mean_motion_rev_day=6.0, eccentricity=0.5),
            element_set(4, mean_motion_rev_day=2.0057, eccentricity=0.7),
            element_set(5, mean_motion_rev_day=1.0027),
            # No orbit gets more than five halvings: 9.375 s.
            element_set(6, mean_motion_rev_day=15.0, eccentricity=0.9),
        ]
    )
    lengths = segment_length_s(Propagator(fleet)).tolist()
    assert lengths == [300.0, 150.0, 75.0, 75.0, 300.0, 9.375]
    assert SEGMENT_S == 300.0


def test_refined_arcs_are_within_2_cm_of_sgp4_whatever_the_orbit() -> None:
    random = np.random.default_rng(11)
    kinds = [values for values, _ in KINDS.values()]
    # As long as a segment may be for how fast the orbit turns at its perigee, where 2 cm is nearest.
    kinds += [{"mean_motion_rev_day": 16.4, "eccentricity": 1e-4}, {"mean_motion_rev_day": 14.3, "eccentricity": 0.045}]
    for values in kinds:
        propagator = Propagator(fleet_around(6, **values))
        length_s = float(segment_length_s(propagator)[0])
        grid = NodeGrid(propagator, microseconds(EPOCH), 20_000.0, length_s)
        arcs = everything(grid)
        arcs = arcs.select(random.permutation(len(arcs)))
        refined = grid.refined(arcs)
        for column in ("satellite", "number", "start_s", "length_s"):
            assert getattr(refined, column).tolist() == getattr(arcs, column).tolist()
        assert worst_error_m(grid, refined) < 0.02
        # At its nodes, and so where it joins its neighbours, it is what it was.
        for x in (0.0, 1.0):
            assert positions_on(refined, x) == pytest.approx(positions_on(arcs, x), abs=1e-8)


def test_segments_come_in_the_order_asked_for_and_are_computed_once() -> None:
    propagator = Propagator(fleet_around(3))
    grid = NodeGrid(propagator, microseconds(EPOCH), 10_000.0)
    satellite, number = np.array([2, 0, 2, 1]), np.array([5, 1, 4, 33])
    arcs = grid.segments(satellite, number)
    assert arcs.satellite.tolist() == satellite.tolist()
    assert arcs.number.tolist() == number.tolist()
    assert arcs.start_s.tolist() == (number * 300.0).tolist()
    again = grid.segments(satellite[::-1], number[::-1])
    assert again.coefficients_km[:, :, ::-1].tolist() == arcs.coefficients_km.tolist()
    # Whatever way the nodes were filled, one at a time or all in a sweep, they are the same.
    whole = everything(NodeGrid(propagator, microseconds(EPOCH), 10_000.0))
    same = satellite * grid.segments_per_satellite + number
    assert whole.select(same).coefficients_km == pytest.approx(arcs.coefficients_km, rel=1e-13, abs=1e-9)


def test_a_grid_overhangs_its_end_by_less_than_a_segment() -> None:
    propagator = Propagator(fleet_around(1))
    for duration_s, segments in ((1.0, 1), (300.0, 1), (300.001, 2), (86_400.0, 288)):
        assert NodeGrid(propagator, microseconds(EPOCH), duration_s).segments_per_satellite == segments


def test_arcs_seen_from_a_place_are_the_same_arcs() -> None:
    arcs = everything(NodeGrid(Propagator(fleet_around(2)), microseconds(EPOCH), 3_000.0))
    origin, turn = np.array([6378.0, 10.0, -20.0]), np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    seen = arcs.seen_from(origin, turn)
    for x in (0.0, 0.3, 1.0):
        assert positions_on(seen, x) == pytest.approx((positions_on(arcs, x) - origin) @ turn.T, abs=1e-9)


def test_trouble_is_recorded_with_its_first_time() -> None:
    # What becomes of each of these invented sets is written in tle_samples/README.md.
    fleet = read_elements("tle_samples/decayed.tle")
    grid = NodeGrid(Propagator.of(fleet), microseconds(EPOCH), 86_400.0)
    arcs = everything(grid)
    assert sorted(grid.trouble) == [0, 1, 2]
    assert grid.trouble[0][0] == 0.0
    assert grid.trouble[0][1].startswith("SGP4 error 6")
    for satellite, hours, minutes in ((1, 2, 25), (2, 10, 15)):
        time_s, words = grid.trouble[satellite]
        assert time_s == timedelta(hours=hours, minutes=minutes).total_seconds()
        assert words.endswith("km, so it has decayed or its elements are damaged")
        # Up to the last good node there are arcs, and none that begins or ends at the first bad one.
        start_s = arcs.start_s[arcs.satellite == satellite]
        assert start_s[start_s < time_s].tolist() == list(range(0, int(time_s) - 300, 300))
        assert time_s not in start_s
    assert 0 not in arcs.satellite
    assert np.count_nonzero(arcs.satellite == 3) == 288
    assert grid.followed().tolist() == [1, 2, 3]


def test_possibly_above_loses_no_segment_that_comes_above() -> None:
    fleet = walker(total=12, planes=3, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")
    grid = NodeGrid(Propagator.of(fleet), microseconds(EPOCH), 43_200.0)
    origin, axis = np.array([4517.6, 0.0, 4487.3]), np.array([1.0, 0.0, 1.0]) / np.sqrt(2.0)
    sine = np.sin(np.radians(20.0))
    satellite, number = grid.possibly_above(np.arange(12), origin, axis, float(sine))
    kept = set(zip(satellite.tolist(), number.tolist(), strict=True))
    arcs = everything(grid)
    above = set()
    for x in np.linspace(0.0, 1.0, 31):
        offset = positions_on(arcs, float(x)) - origin
        up = np.flatnonzero(offset @ axis > sine * np.linalg.norm(offset, axis=1))
        above |= set(zip(arcs.satellite[up].tolist(), arcs.number[up].tolist(), strict=True))
    assert above
    assert above <= kept
    assert len(kept) < len(arcs) / 3
