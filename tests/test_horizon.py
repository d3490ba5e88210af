"""Horizons: flat masks, profiles, and the files that hold them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim import Horizon, Site, Span, walker
from passim.errors import SiteError
from passim.search import Stretches
from passim.sky import horizon_function
from passim.sky.fleet_search import FleetSearch
from passim.sky.horizon_function import HorizonFunction, _joined, _Pieces, _sector_curve

TREE = [(0.0, 10.0), (80.0, 10.0), (90.0, 40.0), (100.0, 10.0)]


def test_a_flat_mask_is_as_high_all_around() -> None:
    mask = Horizon.flat(25)
    assert mask.is_flat
    assert mask.lowest_deg == mask.highest_deg == 25.0
    assert mask.elevation_deg([0.0, 123.4, 359.9]).tolist() == [25.0, 25.0, 25.0]


def test_a_profile_is_straight_between_its_points() -> None:
    profile = Horizon.from_points(TREE)
    assert not profile.is_flat
    assert (profile.lowest_deg, profile.highest_deg) == (10.0, 40.0)
    assert profile.elevation_deg([80.0, 85.0, 90.0, 97.5, 100.0, 200.0]).tolist() == [
        10.0,
        25.0,
        40.0,
        17.5,
        10.0,
        10.0,
    ]


def test_a_profile_wraps_at_north() -> None:
    # Between 350 deg (20 high) and 10 deg (40 high) the skyline climbs a degree a degree.
    profile = Horizon.from_points([(10, 40), (100, 0), (350, 20)])
    assert profile.elevation_deg([350.0, 355.0, 0.0, 360.0, 5.0, 10.0]) == pytest.approx([20, 25, 30, 30, 35, 40])
    assert profile.elevation_deg(-5.0) == pytest.approx(25.0)
    assert profile.elevation_deg(725.0) == pytest.approx(35.0)


def test_a_last_point_at_360_closes_the_round() -> None:
    assert Horizon.from_points([*TREE, (360.0, 10.0)]) == Horizon.from_points(TREE)
    # Without a point at 0 the one at 360 stands there.
    assert Horizon.from_points([(90, 5), (360, 20)]) == Horizon((0.0, 90.0), (20.0, 5.0))


@given(st.lists(st.tuples(st.integers(0, 359), st.floats(0, 89)), min_size=2, max_size=12, unique_by=lambda p: p[0]))
def test_a_profile_goes_through_its_points_and_stays_between_lowest_and_highest(
    points: list[tuple[int, float]],
) -> None:
    profile = Horizon.from_points(sorted(points))
    for azimuth, elevation in points:
        assert profile.elevation_deg(azimuth) == pytest.approx(elevation, abs=1e-9)
        assert profile.elevation_deg(azimuth + 360.0) == pytest.approx(profile.elevation_deg(azimuth), abs=1e-9)
    around = profile.elevation_deg(np.arange(0.0, 360.0, 0.5))
    assert around.min() >= profile.lowest_deg - 1e-9
    assert around.max() <= profile.highest_deg + 1e-9


def test_what_is_wrong_is_said_in_one_line(subtests: pytest.Subtests) -> None:
    for make, message in [
        (lambda: Horizon.flat(91), "mask; got 91; wanted from 0 to below 90 deg above the horizontal"),
        (lambda: Horizon.flat(90.0), "mask; got 90.0; wanted from 0 to below 90 deg above the horizontal"),
        (lambda: Horizon.flat(-1.0), "mask; got -1.0; wanted from 0 to below 90 deg above the horizontal"),
        (lambda: Horizon.flat(float("nan")), "mask; got nan; wanted from 0 to below 90 deg above the horizontal"),
        (lambda: Horizon.flat("25"), "mask; got '25'; wanted from 0 to below 90 deg above the horizontal"),
        (
            lambda: Horizon.from_points([(0, 10)]),
            "horizon profile; got '1 point'; wanted at least two points of azimuth and elevation; "
            "try a plain mask in degrees for a flat horizon",
        ),
        (lambda: Horizon.from_points([]), "horizon profile; got '0 points'; wanted at least two points"),
        (
            lambda: Horizon.from_points([(0, 10), (90, 5), (80, 5)]),
            "azimuths of the horizon profile; got '80 after 90'; wanted ascending azimuths, each once; "
            "try sorting the rows by azimuth",
        ),
        (lambda: Horizon.from_points([(0, 10), (0, 20)]), "azimuths of the horizon profile; got '0 after 0'"),
        (
            lambda: Horizon.from_points([(0, 10), (180, 5), (360, 20)]),
            "horizon at north; got '10.0 deg at 0 and 20.0 deg at 360'; wanted one elevation",
        ),
        (
            lambda: Horizon.from_points([(0, 10), (90, 95)]),
            "elevation of a horizon point; got 95.0; wanted from 0 to below",
        ),
        (
            lambda: Horizon.from_points([(-10, 10), (90, 5)]),
            "azimuth of a horizon point; got [-10.0, 90.0]; wanted from 0",
        ),
        (
            lambda: Horizon.from_points([(0, 10), (361, 5)]),
            "azimuth of a horizon point; got [0.0, 361.0]; wanted from 0",
        ),
        (
            lambda: Horizon.from_points([("north", 10)]),
            "horizon profile; got [('north', 10)]; wanted points of two numbers",
        ),
        (lambda: Horizon((0.0, 90.0), (10.0,)), "horizon; got '2 azimuths'; wanted one elevation for each azimuth"),
        (lambda: Horizon((), ()), "horizon; got '0 azimuths'; wanted one elevation for each azimuth"),
        (
            lambda: Horizon((90.0, 0.0), (1.0, 2.0)),
            "azimuths of the horizon; got [90.0, 0.0]; wanted ascending, each once",
        ),
        (lambda: Horizon(("a",), (1.0,)), "horizon; got ('a',); wanted azimuths and elevations as numbers, in degrees"),
    ]:
        with subtests.test(make=make, message=message):
            with pytest.raises(SiteError) as caught:
                make()  # type: ignore[operator]
            assert str(caught.value).startswith(message)
            assert "\n" not in str(caught.value)


def test_a_file_gives_the_profile_of_its_points(tmp_path: Path) -> None:
    path = tmp_path / "yard.csv"
    rows = "".join(f"{azimuth:g},{elevation:g}\r\n" for azimuth, elevation in TREE)
    # A byte order mark, blanks, empty lines and CRLF are what spreadsheets leave.
    path.write_bytes(f"\ufeffazimuth_deg, elevation_deg\r\n\r\n{rows}\r\n".encode())
    assert Horizon.from_csv(path) == Horizon.from_csv(str(path)) == Horizon.from_points(TREE)


def test_what_is_wrong_with_a_file_is_said_with_its_place(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for content, message in [
        (b"", ", line 1; got 'nothing'; wanted the header azimuth_deg,elevation_deg"),
        (b"0,10\n90,20\n", ", line 1; got '0,10'; wanted the header azimuth_deg,elevation_deg"),
        (b"\n\nazimuth,elevation\n", ", line 3; got 'azimuth,elevation'; wanted the header azimuth_deg,elevation_deg"),
        (
            b"azimuth_deg,elevation_deg\n0,10\nninety,20\n",
            ", line 3; got 'ninety,20'; wanted two numbers: azimuth and elevation in degrees",
        ),
        (
            b"azimuth_deg,elevation_deg\n0,10,3\n",
            ", line 2; got '0,10,3'; wanted 2 cells, as in the header; try dec",
        ),
        (b"azimuth_deg,elevation_deg\n0;10\n", ", line 2; got '0;10'; wanted 2 cells, as in the header; try one comma"),
        (b'azimuth_deg,elevation_deg\n0,"10\n11"\n', ", line 2; got "),
        (b"azimuth_deg,elevation_deg\n0,10\n", ": horizon profile; got '1 point'; wanted at least two points"),
        (b"azimuth_deg,elevation_deg\n0,10\n90,20\n45,5\n", ": azimuths of the horizon profile; got '45 after 90'"),
        (b"azimuth_deg,elevation_deg\n0,10\n90,99\n", ": elevation of a horizon point; got 99.0"),
        (b"azimuth_deg,elevation_deg\n0,nan\n90,9\n", ", line 2; got '0,nan'; wanted two numbers"),
        (b"\xff\xfe\x00", "; got 'text that is not UTF-8'; wanted a readable CSV file"),
        (b"azimuth_deg,elevation_deg\n" + b"1" * 200_000, "; got 'field larger than field limit"),
        (b"x" * 1_000_001, "; got '1000001 bytes'; wanted at most 1 MB"),
    ]:
        with subtests.test(content=content, message=message):
            path = tmp_path / "yard.csv"
            path.write_bytes(content)
            with pytest.raises(SiteError) as caught:
                Horizon.from_csv(path)
            text = str(caught.value)
            assert "\n" not in text
            assert text.startswith("horizon file ")
            assert text.partition("yard.csv")[2].startswith(message)


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(
        SiteError, match=r"horizon file .*absent\.csv; got 'No such file or directory'; wanted a readable"
    ):
        Horizon.from_csv(tmp_path / "absent.csv")
    with pytest.raises(SiteError, match="got 'a folder'; wanted a readable"):
        Horizon.from_csv(tmp_path)
    with pytest.raises(SiteError, match=r"horizon file .*; got 'embedded null byte'; wanted a readable"):
        Horizon.from_csv("a\0b.csv")


def test_the_height_above_a_sloping_skyline_changes_as_it_says() -> None:
    """A satellite on a straight line, before a skyline of 10 deg in the north that climbs to 40 deg in the east.

    The rate that the search is given is that of small steps of the height itself.
    """
    begins, moves = np.array([[300.0], [400.0], [250.0]]), np.array([[7.0], [-3.0], [2.0]])
    arcs = SimpleNamespace(motion=lambda satellite, x: (begins + moves * x, moves + 0.0 * x))
    skyline = Horizon.from_points([(0.0, 10.0), (90.0, 40.0), (180.0, 20.0)])
    none = np.zeros(1, dtype=np.intp)
    curve = _sector_curve(arcs, skyline, none, np.array([36.87]))  # type: ignore[arg-type]
    heights = [curve(none, np.array([x]))[0][0] for x in (-1e-3, 0.0, 1e-3)]
    # At 36.870 deg, 500 km away, the line stands at 10 + 30 * 0.40967 = 22.290 deg: 250 cos - 500 sin = 41.67 km.
    assert heights[1] == pytest.approx(41.67, abs=0.01)
    assert curve(none, np.zeros(1))[1][0] == pytest.approx((heights[2] - heights[0]) / 2e-3, rel=1e-6)


def test_ends_at_the_lowest_skyline_keep_the_rate_of_their_crossing() -> None:
    """By hand, the skyline's lowest at 60 deg, whose cosine is 1/2: there a difference of sines changes half as fast.

    The first satellite comes and goes over the lowest skyline, in two pieces; the second goes behind something higher
    and comes back, and is still up when the search ends, where no edge was found and there is no rate.
    """
    nan, none = np.nan, np.empty(0, dtype=np.intp)
    found = Stretches(
        np.array([4, 7]), np.array([0.2, 0.1]), np.array([0.8, 1.0]), np.array([3.0, 5.0]), np.array([-2.0, nan]), none
    )
    pieces = _Pieces(
        np.array([0, 0, 1, 1]), np.array([0.2, 0.5, 0.1, 0.6]), np.array([0.5, 0.8, 0.4, 1.0]),
        np.array([nan, nan, nan, 9.0]), np.array([nan, nan, -8.0, nan]), none,
    )  # fmt: skip
    skyline = Horizon.from_points([(0.0, 60.0), (90.0, 70.0), (180.0, 60.0)])
    joined = _joined(pieces, found, skyline)
    assert joined.curve.tolist() == [4, 7, 7]
    assert (joined.left.tolist(), joined.right.tolist()) == ([0.2, 0.1, 0.6], [0.8, 0.4, 1.0])
    assert joined.rate_left == pytest.approx([6.0, 10.0, 9.0])
    assert joined.rate_right == pytest.approx([-4.0, -8.0, nan], nan_ok=True)


def test_pieces_that_their_ends_tell_of_hold_no_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    """Random skylines, walls and trees among them: looking into every piece finds no edge more, and none less."""
    random = np.random.default_rng(8)
    epoch = datetime(2026, 3, 1, tzinfo=UTC)
    fleet = walker(total=40, planes=5, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=epoch)
    search = FleetSearch(fleet, Span.starting(epoch, hours=8))
    usual, found = horizon_function._told_by_their_ends, 0
    opened = []

    def all_open(*asked):
        told = usual(*asked)
        opened.append((int(told.is_open.sum()), told.is_open.size))
        return told._replace(is_above=np.zeros_like(told.is_above), is_open=np.ones_like(told.is_open))

    for number in range(12):
        count = int(random.integers(2, 40))
        azimuths = np.sort(random.choice(3600, count, replace=False)) / 10.0
        elevations = random.uniform(0.0, 70.0, count) if number % 2 else np.where(random.random(count) < 0.3, 60.0, 8.0)
        skyline = HorizonFunction(Horizon(tuple(azimuths.tolist()), tuple(elevations.tolist())))
        site = Site("invented", float(random.uniform(-60.0, 60.0)), 10.0)
        pair = []
        for how in (usual, all_open):
            monkeypatch.setattr(horizon_function, "_told_by_their_ends", how)
            pair.append([part.edges(site, skyline) for part in search.parts])
        for one, other in zip(*pair, strict=True):
            assert np.array_equal(one.group, other.group)
            assert np.abs(one.start - other.start).max(initial=0) <= 1
            assert np.abs(one.end - other.end).max(initial=0) <= 1
            found += one.group.size
    assert found > 300
    # And they leave most pieces alone.
    left, every = np.sum(opened, axis=0)
    assert left < 0.6 * every
