"""A horizon from sightings and from obstacles: hand geometry, envelopes, files, and what is refused.

Outside truth is plane trigonometry, worked by hand beside each check; no other source is needed for it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from math import atan, cos, degrees, radians
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim.coverage.visibility import find_visibility
from passim.elements.patterns import walker
from passim.errors import SiteError
from passim.sky.envelope import SIDE_DEG
from passim.sky.horizon import Horizon
from passim.sky.site import Site
from passim.sky.survey import Obstacle, Sighting, from_obstacles, from_sightings, highest, lowered
from passim.sky.survey_files import read_obstacles, read_sightings, write_horizon
from passim.sky.view import View
from passim.spans import Span
from passim_apps.text.mounting import survey_sentences

TREE = Obstacle(90.0, 8.0, 20.0, 10.0, "fir")


# --- obstacles by hand ------------------------------------------------------------------------------------------------


def test_a_tree_stands_as_high_and_as_wide_as_trigonometry_says() -> None:
    # (10 - 2) / 20 = 0.4, arctangent 21.8014 deg; 4 / 20 = 0.2, arctangent 11.3099 deg.
    assert TREE.elevation_deg(2.0) == pytest.approx(21.8014, abs=1e-4)
    assert TREE.half_width_deg == pytest.approx(11.3099, abs=1e-4)
    horizon = from_obstacles([TREE], 2.0).horizon
    assert horizon.elevation_deg([90.0]) == pytest.approx(21.8014, abs=1e-4)
    # At its end the tree is sqrt(20^2 + 4^2) = 20.396 m off: 8 / 20.396, arctangent 21.4172 deg.
    assert horizon.elevation_deg([90.0 - 11.309, 90.0 + 11.309]) == pytest.approx(21.4172, abs=0.03)
    # Beside it the horizon is open, from one side's width on.
    assert horizon.elevation_deg([90.0 - 11.31 - SIDE_DEG, 90.0 + 11.31 + SIDE_DEG, 270.0]) == pytest.approx(0.0)


def test_the_top_of_a_long_wall_falls_away_to_its_ends() -> None:
    # 200 m wide and 10 m off, 8 m above the mount: it reaches to 84.29 deg either side, and its top line falls from
    # 38.66 deg in the middle as the arctangent of 0.8 cos(angle from the middle).
    horizon = from_obstacles([Obstacle(0.0, 200.0, 10.0, 10.0)], 2.0).horizon
    offsets = np.linspace(-84.28, 84.28, 2001)
    exact = np.degrees(np.arctan(0.8 * np.cos(np.radians(offsets))))
    assert np.abs(horizon.elevation_deg(offsets) - exact).max() < 0.05
    assert horizon.highest_deg == pytest.approx(38.6598, abs=1e-4)
    # The nearer the truth the more points: still few enough to edit by hand.
    assert len(horizon.azimuths_deg) < 60


@given(width_m=st.floats(0.1, 1000.0), distance_m=st.floats(0.5, 1000.0), above_m=st.floats(0.1, 100.0))
def test_straight_pieces_stay_near_any_top_line(width_m: float, distance_m: float, above_m: float) -> None:
    wall = Obstacle(180.0, width_m, distance_m, above_m)
    horizon = from_obstacles([wall], 0.0).horizon
    offsets = np.linspace(-1.0, 1.0, 501) * wall.half_width_deg * 0.999
    exact = np.degrees(np.arctan(above_m / distance_m * np.cos(np.radians(offsets))))
    assert np.abs(horizon.elevation_deg(180.0 + offsets) - exact).max() < 0.05


def test_an_obstacle_across_north_is_whole() -> None:
    horizon = from_obstacles([Obstacle(358.0, 8.0, 20.0, 10.0)], 2.0).horizon
    # It reaches from 346.69 to 9.31 deg.
    inside = horizon.elevation_deg([347.0, 355.0, 359.99, 0.0, 5.0, 9.0])
    assert inside.min() > 21.4
    assert horizon.elevation_deg([346.6, 9.4]) == pytest.approx(0.0)


def test_of_two_that_overlap_the_higher_shows() -> None:
    near, far = Obstacle(90.0, 4.0, 10.0, 4.0, "shed"), Obstacle(95.0, 40.0, 100.0, 52.0, "mast hall")
    horizon = from_obstacles([near, far], 2.0).horizon
    # The shed: 2/10, 11.31 deg high, 78.7 to 101.3 deg. The hall: 50/100, 26.57 deg high, 83.7 to 106.3 deg.
    assert horizon.elevation_deg([80.0])[()] == pytest.approx(degrees(atan(0.2 * cos(radians(10.0)))), abs=0.03)
    assert horizon.elevation_deg([95.0])[()] == pytest.approx(26.565, abs=0.03)
    assert horizon.elevation_deg([104.0])[()] == pytest.approx(degrees(atan(0.5 * cos(radians(9.0)))), abs=0.03)


def test_two_slopes_that_cross_meet_in_one_point() -> None:
    # Two skylines of straight lines, 0 to 20 over 0 to 180 deg and 20 down to 0 there: they cross at 90 deg, 10 high.
    up = Horizon.from_points([(0.0, 0.0), (180.0, 20.0)])
    down = Horizon.from_points([(0.0, 20.0), (180.0, 0.0)])
    both = highest(up, down)
    assert both == Horizon.from_points([(0.0, 20.0), (90.0, 10.0), (180.0, 20.0), (270.0, 10.0)])


def test_the_highest_of_one_horizon_is_itself() -> None:
    profile = Horizon.from_points([(5.0, 12.0), (80.0, 30.0), (200.0, 4.0)])
    assert highest(profile) == profile
    assert highest(Horizon.flat(25.0), Horizon.flat(10.0)) == Horizon.flat(25.0)


obstacles = st.builds(
    Obstacle,
    bearing_deg=st.floats(0.0, 360.0),
    width_m=st.floats(0.5, 200.0),
    distance_m=st.floats(2.0, 200.0),
    height_m=st.floats(0.0, 80.0),
)


@given(st.lists(obstacles, max_size=6), st.floats(0.0, 30.0), st.floats(0.0, 10.0))
def test_the_envelope_stands_over_every_obstacle_and_no_higher_than_the_highest(
    walls: list[Obstacle], base_deg: float, mount_m: float
) -> None:
    horizon = from_obstacles(walls, mount_m, base=Horizon.flat(base_deg)).horizon
    azimuths = np.linspace(0.0, 360.0, 1440, endpoint=False) + 0.0625
    expected = np.full(azimuths.shape, base_deg)
    near_an_end = np.zeros(azimuths.shape, bool)
    for wall in walls:
        offset = (azimuths - wall.bearing_deg + 180.0) % 360.0 - 180.0
        top = np.degrees(np.arctan((wall.height_m - mount_m) / wall.distance_m * np.cos(np.radians(offset))))
        expected = np.where(np.abs(offset) <= wall.half_width_deg, np.maximum(expected, top), expected)
        near_an_end |= np.abs(np.abs(offset) - wall.half_width_deg) < SIDE_DEG + 0.003
    got = horizon.elevation_deg(azimuths)
    assert (got > expected - 0.05).all()
    assert (got < expected + 0.05)[~near_an_end].all()


@given(obstacles, st.floats(0.0, 60.0))
def test_one_more_metre_lowers_every_obstacle(wall: Obstacle, mount_m: float) -> None:
    assert wall.elevation_deg(mount_m + 1.0) < wall.elevation_deg(mount_m)
    lower, higher = (from_obstacles([wall], height_m).horizon for height_m in (mount_m, mount_m + 1.0))
    everywhere = np.linspace(0.0, 359.0, 360)
    assert (higher.elevation_deg(everywhere) <= lower.elevation_deg(everywhere) + 0.05).all()


def test_what_the_mount_looks_over_is_left_out_with_a_note() -> None:
    survey = from_obstacles([TREE, Obstacle(200.0, 5.0, 30.0, 3.0, "hedge")], 3.0, base=Horizon.flat(5.0))
    assert survey_sentences(survey) == ["No higher than the mount at 3 m, and so left out: hedge."]
    assert survey.horizon.elevation_deg([200.0]) == pytest.approx(5.0)
    assert from_obstacles([TREE], 12.0).horizon == Horizon.flat(0.0)


def test_a_thin_pole_does_not_vanish() -> None:
    # 5 cm at 500 m is 0.006 deg wide: it counts as 0.02.
    horizon = from_obstacles([Obstacle(33.3, 0.05, 500.0, 60.0)], 0.0).horizon
    assert horizon.highest_deg == pytest.approx(degrees(atan(0.12)), abs=1e-4)


def test_satellites_go_behind_obstacles_as_a_scan_by_the_second_says() -> None:
    # Upright sides, a slit between two poles, north inside a wall: the exact search must not lose any of it.
    walls = [
        Obstacle(358.0, 8.0, 10.0, 20.0),
        Obstacle(60.0, 1.0, 10.0, 30.0),
        Obstacle(120.0, 200.0, 15.0, 14.0),
        Obstacle(250.0, 0.3, 10.0, 40.0),
        Obstacle(252.0, 0.3, 10.0, 40.0),
    ]
    horizon = from_obstacles(walls, 2.0, base=Horizon.flat(5.0)).horizon
    start = datetime(2026, 11, 25, tzinfo=UTC)
    fleet = walker(
        total=60, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=start, name="Walker invented"
    )
    span = Span.starting(start, hours=2)
    visibility = find_visibility(fleet, View(Site("Field", 45.0, -28.0, 40.0, horizon=horizon)), span)
    satellites, rise_us, set_us = visibility.joint()
    time_us = span.start_us + np.arange(7200, dtype=np.int64) * 1_000_000
    seen = 0
    for number in range(len(fleet)):
        look = visibility.look(np.full(time_us.shape, number), time_us)
        up = look.elevation_deg > horizon.elevation_deg(look.azimuth_deg)
        found = np.zeros(up.shape, bool)
        for start_us, end_us in zip(rise_us[satellites == number], set_us[satellites == number], strict=True):
            found |= (time_us >= start_us) & (time_us < end_us)
        assert (found == up).all()
        seen += int(up.sum())
    assert seen > 5000


# --- sightings --------------------------------------------------------------------------------------------------------


def points(*pairs: tuple[float, float]) -> list[Sighting]:
    return [Sighting(azimuth_deg, elevation_deg) for azimuth_deg, elevation_deg in pairs]


def test_declination_is_added_east_positive() -> None:
    # Where the needle points 5 deg east of true north, what it calls 90 lies at true 95; 5 deg west, at true 85.
    sighted = points((90.0, 30.0), (180.0, 10.0), (270.0, 10.0), (355.0, 12.0))
    assert from_sightings(sighted, declination_deg=5.0).horizon.azimuths_deg == (0.0, 95.0, 185.0, 275.0)
    assert from_sightings(sighted, declination_deg=-5.0).horizon.azimuths_deg == (85.0, 175.0, 265.0, 350.0)
    assert from_obstacles([TREE], 2.0, declination_deg=-12.5).horizon.elevation_deg([77.5]) == pytest.approx(
        21.8014, abs=1e-4
    )


def test_a_round_may_start_anywhere_and_pass_north_once() -> None:
    sighted = points((200.0, 8.0), (300.0, 20.0), (20.0, 5.0), (100.0, 9.0))
    assert from_sightings(sighted).horizon == Horizon((20.0, 100.0, 200.0, 300.0), (5.0, 9.0, 8.0, 20.0))


def test_a_wide_step_and_a_point_below_the_horizontal_are_told() -> None:
    survey = from_sightings(points((0.0, 10.0), (40.0, -2.0), (200.0, 8.0), (320.0, 9.0)), declination_deg=10.0)
    assert survey_sentences(survey) == [
        "1 of 4 points lie below the horizontal and count as 0 deg.",
        "No point was sighted from 50 to 210 deg, 210 to 330 deg; a straight line stands in for what is there.",
    ]
    assert survey.horizon.elevation_deg([50.0]) == pytest.approx(0.0)


def test_a_base_lifts_what_lies_below_it() -> None:
    survey = from_sightings(points((0.0, 10.0), (90.0, 40.0), (180.0, 10.0), (270.0, 10.0)), base=Horizon.flat(25.0))
    # The slope from 10 to 40 deg over 90 deg passes 25 half way.
    assert survey.horizon == Horizon((45.0, 90.0, 135.0), (25.0, 40.0, 25.0))
    assert survey_sentences(survey)[-1] == "3 points below 25° were raised to 25°."


def test_points_below_the_base_are_counted_where_they_stand() -> None:
    sighted = points((0.0, 20.0), (40.0, 25.0), (80.0, 24.0), (120.0, 30.0))
    (*_, note) = survey_sentences(from_sightings(sighted, base=Horizon.flat(25.0)), "so they stay")
    assert note == "2 points below 25° were raised to 25° (so they stay)."
    # Magnetic 0 and 80 deg are true 40 and 120 deg, where this base stands 22 and 20 deg high: one point is lower.
    base = Horizon.from_points([(0.0, 10.0), (40.0, 22.0), (80.0, 10.0), (120.0, 20.0), (160.0, 10.0)])
    (*_, note) = survey_sentences(from_sightings(sighted, declination_deg=40.0, base=base))
    assert note == "1 point below the base there was raised to it."
    assert from_sightings(sighted).raised == 0
    assert from_sightings(sighted, base=Horizon.flat(20.0)).raised == 0


def test_an_obstacle_below_the_base_costs_nothing_and_is_told() -> None:
    # 8 m over the mount, 21.28 m off: its top is atan(8 / 21.28) = 20.6 deg high.
    house, barn = Obstacle(90.0, 10.0, 21.28, 10.0, "house"), Obstacle(200.0, 10.0, 10.0, 12.0, "barn")
    survey = from_obstacles([house, barn], 2.0, base=Horizon.flat(25.0))
    assert survey_sentences(survey) == [
        "The top of the house stands 20.6° high, below the 25° at which the terminal begins: it costs nothing.",
    ]
    assert survey.horizon == from_obstacles([barn], 2.0, base=Horizon.flat(25.0)).horizon
    assert from_obstacles([house, barn], 2.0, base=Horizon.flat(20.0)).hidden == ()
    assert from_obstacles([house, barn], 2.0).hidden == ()
    hill = Horizon.from_points([(0.0, 5.0), (60.0, 30.0), (120.0, 30.0), (180.0, 5.0)])
    (note,) = survey_sentences(from_obstacles([house, barn], 2.0, base=hill))
    assert "The top of the house stands 20.6° high, below the base there" in note


# --- what if ----------------------------------------------------------------------------------------------------------


def test_a_row_of_trees_is_cut_by_five_degrees() -> None:
    firs = Horizon.from_points([(280.0, 25.0), (290.0, 40.0), (320.0, 40.0), (330.0, 25.0)])
    cut = lowered(firs, 290.0, 320.0, 5.0)
    assert cut.elevation_deg([280.0, 289.0, 300.0, 310.0, 321.0, 100.0]) == pytest.approx(
        [25.0, 38.5, 35.0, 35.0, 38.5, 25.0], abs=1e-6
    )
    assert lowered(firs, 290.0, 320.0, -5.0).elevation_deg([305.0]) == pytest.approx(45.0)


def test_a_low_sector_is_raised_however_high_the_skyline_stands_elsewhere() -> None:
    tower = Horizon.from_points([(0.0, 80.0), (10.0, 80.0), (20.0, 10.0), (350.0, 10.0)])
    raised = lowered(tower, 100.0, 200.0, -30.0)
    assert raised.elevation_deg([150.0, 5.0, 250.0]) == pytest.approx([40.0, 80.0, 10.0])
    with pytest.raises(SiteError, match=r"'-30 deg, where it stands up to 80 deg high'; .* below 90 deg; try"):
        lowered(tower, 0.0, 10.0, -30.0)


def test_a_sector_across_north_the_whole_circle_and_the_ground() -> None:
    cut = lowered(Horizon.flat(30.0), 350.0, 10.0, 10.0)
    assert cut.elevation_deg([340.0, 355.0, 0.0, 5.0, 20.0]) == pytest.approx([30.0, 20.0, 20.0, 20.0, 30.0])
    assert lowered(Horizon.flat(30.0), 0.0, 360.0, 10.0) == Horizon.flat(20.0)
    assert lowered(Horizon.flat(4.0), 0.0, 360.0, 10.0) == Horizon.flat(0.0)


@given(
    st.lists(st.tuples(st.integers(0, 359), st.floats(0.0, 60.0)), min_size=2, max_size=12, unique_by=lambda p: p[0]),
    st.floats(0.0, 360.0),
    st.floats(1.0, 359.0),
    st.floats(0.0, 20.0),
)
def test_lowering_never_raises_and_never_cuts_deeper_than_asked(
    profile: list[tuple[int, float]], from_deg: float, width_deg: float, by_deg: float
) -> None:
    before = Horizon.from_points(sorted(profile))
    after = lowered(before, from_deg, (from_deg + width_deg) % 360.0, by_deg)
    everywhere = np.linspace(0.0, 359.5, 720)
    was, now = before.elevation_deg(everywhere), after.elevation_deg(everywhere)
    assert (now <= was + 1e-4).all()
    # A steep skyline moves by what the width of a side is worth.
    steepest = np.abs(np.diff(before.elevation_deg(np.linspace(0.0, 361.0, 3611)))).max() * 10.0 * 2.0 * SIDE_DEG
    assert (now >= np.maximum(was - by_deg, 0.0) - steepest - 1e-4).all()
    outside = (everywhere - from_deg) % 360.0 > width_deg + 0.02
    assert now[outside] == pytest.approx(was[outside], abs=steepest + 1e-4)


# --- files ------------------------------------------------------------------------------------------------------------


@given(horizon=st.lists(obstacles, max_size=4).map(lambda walls: from_obstacles(walls, 1.0).horizon))
def test_a_written_horizon_reads_back_the_same(horizon: Horizon, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("survey") / "horizon.csv"
    write_horizon(horizon, path)
    back = Horizon.from_csv(path)
    if horizon.is_flat:
        assert (back.lowest_deg, back.highest_deg) == (horizon.lowest_deg, horizon.highest_deg)
    else:
        assert back == horizon


def test_files_of_obstacles_and_sightings_are_read(tmp_path: Path) -> None:
    walls = tmp_path / "obstacles.csv"
    walls.write_text("\ufeffbearing_deg, width_m,distance_m,height_m,name\n\n90,8,20,10,fir\n10,4,9.5,6,\n", "utf-8")
    assert read_obstacles(walls) == [TREE, Obstacle(10.0, 4.0, 9.5, 6.0)]
    sighted = tmp_path / "sightings.csv"
    sighted.write_text("azimuth_deg,elevation_deg\n200,8\n20,5\n", "utf-8")
    assert read_sightings(sighted) == points((200.0, 8.0), (20.0, 5.0))


# --- what is refused --------------------------------------------------------------------------------------------------


def test_a_bad_row_of_obstacles_is_named(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for rows, message in [
        ("90,8,-20,10", "line 2: distance of the obstacle at 90 deg; got '-20 m'; wanted over 0"),
        ("90,8,0,10", "distance of the obstacle at 90 deg; got '0 m'"),
        ("90,-8,20,10", "width of the obstacle at 90 deg; got '-8 m'"),
        ("90,8,20,nan", "line 2; got '90,8,20,nan'; wanted numbers"),
        ("400,8,20,10", "line 2: bearing of an obstacle; got 400.0; wanted from 0 to 360 deg"),
        ("90,8,20", "line 2; got '90,8,20'; wanted 4 cells, as in the header"),
        ("90,8,20,tall", "line 2; got '90,8,20,tall'; wanted numbers"),
        ("", "got 'no row'; wanted at least one obstacle"),
    ]:
        with subtests.test(rows=rows, message=message):
            path = tmp_path / "obstacles.csv"
            path.write_text(f"bearing_deg,width_m,distance_m,height_m\n{rows}\n", "utf-8")
            with pytest.raises(SiteError) as refused:
                read_obstacles(path)
            assert message in str(refused.value)
            assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"bearing,width\n1,2\n", "line 1; got 'bearing,width'; wanted the header bearing_deg,width_m"),
        (b"", "line 1; got 'nothing'"),
        (b"\xff\xfe\x00", "got 'text that is not UTF-8'"),
        (b"x" * 1_000_001, "got '1000001 bytes'; wanted at most 1 MB"),
    ],
)
def test_a_file_that_is_no_table_of_obstacles_is_refused(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "obstacles.csv"
    path.write_bytes(content)
    with pytest.raises(SiteError) as refused:
        read_obstacles(path)
    assert message in str(refused.value)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="got 'No such file or directory'"):
        read_sightings(tmp_path / "none.csv")
    with pytest.raises(SiteError, match="horizon file cannot be written: No such file"):
        write_horizon(Horizon.flat(25.0), tmp_path / "none" / "horizon.csv")


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ([(90.0, 10.0)], "sightings; got '1 point'; wanted at least two"),
        ([], "got '0 points'"),
        ([(10.0, 1.0), (30.0, 1.0), (20.0, 1.0), (40.0, 1.0)], "got '20 after 30'; wanted clockwise order"),
        ([(10.0, 1.0), (90.0, 2.0), (90.0, 3.0)], "got '90 after 90'; wanted clockwise order, each azimuth once"),
        ([(10.0, 1.0), (90.0, 2.0), (10.0, 3.0)], "got '10 after 90'"),
        ([(0.0, 1.0), (90.0, 2.0), (360.0, 3.0)], "sightings at north; got '1 deg at 0 and 3 deg at 360'"),
    ],
)
def test_sightings_that_make_no_profile_are_refused(pairs: list[tuple[float, float]], message: str) -> None:
    with pytest.raises(SiteError) as refused:
        from_sightings(points(*pairs))
    assert message in str(refused.value)


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(-1.0, 10.0), (361.0, 10.0), (10.0, 90.0), (10.0, -31.0)])
def test_a_sighting_off_the_sky_is_refused(azimuth_deg: float, elevation_deg: float) -> None:
    with pytest.raises(SiteError, match=r"of (a|the) sighting"):
        Sighting(azimuth_deg, elevation_deg)


def test_other_numbers_that_cannot_be_are_refused() -> None:
    with pytest.raises(SiteError, match="magnetic declination; got 200"):
        from_sightings(points((0.0, 1.0), (90.0, 2.0)), declination_deg=200.0)
    with pytest.raises(SiteError, match="magnetic declination; got nan"):
        from_obstacles([TREE], 2.0, declination_deg=float("nan"))
    with pytest.raises(SiteError, match="mount height; got '-1 m'"):
        from_obstacles([TREE], -1.0)
    with pytest.raises(SiteError, match="at most 500"):
        from_obstacles([TREE] * 501, 1.0)
    with pytest.raises(SiteError, match="sector of the horizon; got 'from 40 to 40 deg'"):
        lowered(Horizon.flat(20.0), 40.0, 40.0, 5.0)
    for from_deg, to_deg, got in ((360.5, 20.0, 360.5), (20.0, 360.5, 360.5), (-0.5, 20.0, -0.5)):
        with pytest.raises(SiteError, match=f"sector of the horizon; got '{got} deg'; wanted azimuths from 0 to 360"):
            lowered(Horizon.flat(20.0), from_deg, to_deg, 5.0)
    with pytest.raises(SiteError, match="stays below 90"):
        lowered(Horizon.flat(50.0), 0.0, 360.0, -40.0)
