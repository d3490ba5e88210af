"""Growth: every N of every order against the plain way, the orders themselves, and the bands over draws."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim import Coverage, Fleet, InputError, Site, Span, walker
from passim.answers.calls.hours import call_hours_within
from passim.answers.growth import orders
from passim.answers.growth.curves import (
    COLUMNS,
    QUANTILE_COLUMNS,
    curves_of,
    gaps_longer_than,
    growth,
    growth_curves,
    logarithmic_grid,
    over_draws,
)
from passim.answers.growth.orders import (
    Order,
    launch_or_plane_order,
    launch_order,
    listed_order,
    plane_order,
    random_orders,
)
from passim.coverage.ranks import RankSweep
from passim.coverage.visibility import Visibility, find_visibility
from passim.elements.patterns import jittered, launched_by_plane
from passim.intervals import GroupedIntervals
from passim.sky.in_view import serving_satellites
from passim.sky.limits import Excluded, Gateway, GatewayLimit, ServingShare
from passim.sky.view import View
from passim.spans import DailyHours
from passim_apps.text.growth import order_notes, order_words
from tests import scenario

START = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(START, hours=6)
SITE = Site("here", 45.0, -28.0)
SECOND = 1_000_000


@pytest.fixture(scope="module")
def seen() -> Visibility:
    """Ninety invented satellites, out of step, over a site that needs a gateway: gaps outlast the last of them."""
    fleet = walker(total=90, planes=9, phasing=2, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    fleet = jittered(fleet, sigma_deg=8.0, seed=1)
    gateway = Gateway("South", 39.6, -28.0, 50.0, SITE.horizon)
    return find_visibility(fleet, View(SITE, (GatewayLimit((gateway,)),)), SPAN)


@pytest.fixture(scope="module")
def plover() -> Fleet:
    return scenario.plover(START)


# --- the curve --------------------------------------------------------------------------------------------------------


def test_every_n_is_the_plain_coverage_of_the_first_n_under_every_limit(seen: Visibility) -> None:
    order = random_orders(seen.fleet, draws=1, seed=5)
    table = growth(seen, order, quantiles=True)
    assert list(table.columns) == ["satellites", *COLUMNS, *QUANTILE_COLUMNS]
    assert table["satellites"].tolist() == list(range(1, 91))
    joint, grid = seen.joint(), set(logarithmic_grid(90).tolist())
    for row in table.itertuples(index=False):
        chosen = order.ranks[0][joint.group] < row.satellites
        plain = Coverage.from_intervals(joint.start[chosen], joint.end[chosen], SPAN).summary()
        assert row.gap_fraction == pytest.approx(1.0 - plain["covered_fraction"], abs=1e-12)
        assert row.gap_count == plain["gap_count"]
        assert row.longest_gap_s == pytest.approx(plain["gap_longest_s"], abs=1e-9)
        assert row.mean_gap_s == pytest.approx(plain["gap_mean_s"])
        if row.satellites in grid:
            assert row.median_gap_s == pytest.approx(plain["gap_median_s"] or np.nan, nan_ok=True)
            assert row.p90_gap_s == pytest.approx(plain["gap_p90_s"] or np.nan, nan_ok=True)
        else:
            assert np.isnan(row.median_gap_s)
            assert np.isnan(row.p90_gap_s)
    # The case is no empty one: gaps from the first satellite to the last.
    assert table["gap_count"].min() > 0


def test_inside_call_hours_only_their_own_time_counts(seen: Visibility) -> None:
    windows = np.array([[600, 4200], [9000, 9300], [20000, 30000]]).T * SECOND + SPAN.start_us
    table = growth(seen, order := plane_order(seen.fleet, START), windows=(windows[0], windows[1]))
    inside_s = 3600 + 300 + (21600 - 20000)
    joint = seen.joint()
    for n in (1, 17, 60, 90):
        chosen = order.ranks[0][joint.group] < n
        gaps = Coverage.from_intervals(joint.start[chosen], joint.end[chosen], SPAN).gaps()
        cut_s = []
        for gap in gaps.itertuples():
            start, end = gap.start.value // 1000, gap.end.value // 1000
            lengths = np.minimum(windows[1], end) - np.maximum(windows[0], start)
            cut_s += (lengths[lengths > 0] / 1e6).tolist()
        row = table.iloc[n - 1]
        assert row["gap_count"] == len(cut_s)
        assert row["gap_fraction"] == pytest.approx(sum(cut_s) / inside_s, abs=1e-9)
        assert row["longest_gap_s"] == pytest.approx(max(cut_s), abs=1e-9)
    with pytest.raises(InputError, match="hours asked about"):
        growth(seen, order, windows=(np.array([SPAN.end_us]), np.array([SPAN.end_us + SECOND])))


@pytest.mark.parametrize("seed", [1, 2])
def test_satellites_added_to_the_same_set_never_make_it_worse(seen: Visibility, seed: int) -> None:
    table = growth(seen, random_orders(seen.fleet, draws=1, seed=seed))
    assert (np.diff(table["gap_fraction"]) <= 0.0).all()
    assert (np.diff(table["longest_gap_s"]) <= 0.0).all()
    # The count of gaps does rise on the way: a satellite may split a gap.
    assert (np.diff(table["gap_count"]) > 0).any()


ROWS = st.lists(st.tuples(st.integers(0, 7), st.integers(-8, 62), st.integers(0, 25)), max_size=30)


@given(ROWS, st.permutations(range(8)), st.integers(0, 30))
def test_gaps_longer_than_some_length(rows: list[tuple[int, int, int]], order: list[int], over_s: int) -> None:
    span = Span(START, START + timedelta(seconds=60))
    satellite, start, length = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    some = GroupedIntervals(satellite, span.start_us + start * SECOND, span.start_us + (start + length) * SECOND)
    cover = RankSweep(some, span).cover(np.array(order))
    count = gaps_longer_than(cover, over_s * SECOND)
    assert [int((np.diff(cover.gaps_us(n)) > over_s * SECOND).sum()) for n in range(9)] == count.tolist()
    # Outside windows nothing is a gap.
    inside = cover.clipped(np.array([span.start_us + 10 * SECOND]), np.array([span.start_us + 40 * SECOND]))
    count = gaps_longer_than(inside, over_s * SECOND)
    assert [int((np.diff(inside.gaps_us(n)) > over_s * SECOND).sum()) for n in range(9)] == count.tolist()


def test_pauses_are_counted_where_asked_for(seen: Visibility) -> None:
    order = random_orders(seen.fleet, draws=20)
    assert "pause_count" not in growth_curves(seen, order).values
    values = growth_curves(seen, order, pauses=True).values
    assert (values["pause_count"] <= values["gap_count"]).all()
    assert (values["pause_count"] < values["gap_count"]).any()


@given(ROWS, st.permutations(range(8)), st.integers(0, 7))
def test_when_the_first_n_give_two_at_once_by_counting_each_second(
    rows: list[tuple[int, int, int]], order: list[int], left_out: int
) -> None:
    span = Span(START, START + timedelta(seconds=60))
    # The intervals of one satellite are apart, as those of a visibility are.
    seconds = np.zeros((8, 60), dtype=bool)
    for number, start, length in rows:
        seconds[number, max(start, 0) : max(start + length, 0)] = True
    edges = np.diff(np.pad(seconds, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    (satellite, start), (_, end) = np.nonzero(edges == 1), np.nonzero(edges == -1)
    some = GroupedIntervals(satellite, span.start_us + start * SECOND, span.start_us + end * SECOND)
    ranks = np.array(order)
    ranks[left_out] = -1
    ranks[ranks > order[left_out]] -= 1
    cover = RankSweep(some, span).cover(ranks, twice=True)
    for n in range(8):
        both = seconds[(ranks >= 0) & (ranks < n)].sum(axis=0) >= 2
        assert cover.gap_us[n] == (~both).sum() * SECOND, n


def test_two_in_view_is_the_share_that_coverage_has_of_the_first_n(seen: Visibility) -> None:
    order = random_orders(seen.fleet, draws=1, seed=5)
    assert "twofold_fraction" not in growth_curves(seen, order).values
    found = growth_curves(seen, order, twofold=True).values["twofold_fraction"][0]
    joint = seen.joint()
    for n in (1, 2, 30, 60, 90):
        chosen = order.ranks[0][joint.group] < n
        plain = Coverage.from_intervals(joint.start[chosen], joint.end[chosen], SPAN).summary()
        assert found[n - 1] == pytest.approx(plain["twofold_fraction"], abs=1e-12)
    assert 0.0 < found[89] < 1.0


# --- draws ------------------------------------------------------------------------------------------------------------


def test_draws_have_their_mean_and_band(seen: Visibility) -> None:
    orders = random_orders(seen.fleet, draws=7, seed=3)
    told: list[float] = []
    table = growth(seen, orders, quantiles=True, progress=told.append)
    assert told[-1] == 1.0
    single = [growth(seen, Order("one", orders.ranks[k : k + 1]), quantiles=True) for k in range(7)]
    for name in (*COLUMNS, *QUANTILE_COLUMNS):
        draws = np.array([each[name].to_numpy(dtype=float) for each in single])
        known = ~np.isnan(draws).any(axis=0)
        assert known.any()
        if name != "mean_gap_s":
            assert table[name][known].to_numpy() == pytest.approx(draws[:, known].mean(axis=0))
        for q in (10, 90):
            expected = np.percentile(draws[:, known], q, axis=0)
            assert table[f"{name}_p{q}"][known].to_numpy() == pytest.approx(expected)


def test_the_mean_gap_of_every_row_multiplies_to_its_time_out(seen: Visibility) -> None:
    for order in (plane_order(seen.fleet, SPAN.middle), random_orders(seen.fleet, draws=7, seed=3)):
        table = growth_curves(seen, order).table
        assert (table["gap_fraction"] > 0.5).any()  # most of it in gaps that the span cuts
        out_s = table["gap_fraction"] * SPAN.duration_s
        assert (table["mean_gap_s"] * table["gap_count"]).to_numpy() == pytest.approx(out_s.to_numpy())


def test_what_a_draw_does_not_know_has_no_say() -> None:
    values = np.array([[np.nan, 4.0, np.nan], [2.0, 2.0, np.nan], [np.nan, 6.0, np.nan]])
    mean, low, high = over_draws(values)
    assert mean == pytest.approx([2.0, 4.0, np.nan], nan_ok=True)
    assert low == pytest.approx([2.0, 2.4, np.nan], nan_ok=True)
    assert high == pytest.approx([2.0, 5.6, np.nan], nan_ok=True)


def test_too_many_draws_are_refused_before_they_are_made(seen: Visibility) -> None:
    ranks = np.broadcast_to(np.arange(20_000, dtype=np.int32), (1000, 20_000))
    with pytest.raises(InputError, match="at most 750 draws"):
        curves_of(RankSweep(seen.joint(), SPAN), Order("random", ranks))


@pytest.mark.parametrize("everyone", [1, 2, 7, 360, 10_000])
def test_the_grid_runs_from_one_to_all(everyone: int) -> None:
    grid = logarithmic_grid(everyone)
    assert (grid[0], grid[-1]) == (1, everyone)
    assert (np.diff(grid) > 0).all()
    assert len(grid) <= 34


# --- orders -----------------------------------------------------------------------------------------------------------


def test_launch_groups_come_oldest_first_and_pieces_in_turn() -> None:
    pieces = ["2026-003B", "2025-012AA", "2025-012Z", "2025-002C", "2026-003A", "1999-150A"]
    fleet = walker(total=6, planes=2, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    fleet = Fleet([replace(r, designator=d) for r, d in zip(fleet, pieces, strict=True)])
    order = launch_order(fleet)
    assert [pieces[k] for k in np.argsort(order.ranks[0])] == [
        "1999-150A", "2025-002C", "2025-012Z", "2025-012AA", "2026-003A", "2026-003B",
    ]  # fmt: skip
    assert "4 launch groups from the oldest on, 1999-150 to 2026-003;" in order_notes(order)[0]


def test_a_launch_order_without_designators_says_what_to_use() -> None:
    fleet = walker(total=6, planes=2, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    with pytest.raises(InputError, match=r"6 of 6 without, .* designator .* try the order plane or random, or a file"):
        launch_order(fleet)
    # A satellite that does not count needs none.
    some = Fleet([replace(r, designator="2026-001A" if k else "") for k, r in enumerate(fleet)])
    assert launch_order(some, np.arange(6) > 0).ranks[0].tolist() == [-1, 0, 1, 2, 3, 4]


def test_planes_are_found_and_kept_together(plover: Fleet) -> None:
    shuffled = plover.select(np.random.default_rng(4).permutation(len(plover)))
    # Elements of different days: the nodes of one plane then stand degrees apart until they are brought together.
    order = plane_order(shuffled, START + timedelta(days=3))
    planes = [shuffled[k].name.split()[1].split("-")[0] for k in np.argsort(order.ranks[0])]
    met = list(dict.fromkeys(planes))
    assert planes == [plane for plane in met for _ in range(planes.count(plane))]
    assert len(met) == 22
    assert "22 planes" in order_notes(order)[0]
    # Eastward: each plane is the next of the pattern.
    numbers = np.array([int(plane) for plane in met])
    assert set(np.diff(numbers) % 22) == {1}


def test_the_plane_order_begins_behind_the_widest_gap_and_shell_by_shell() -> None:
    high = walker(total=8, planes=8, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START, node0_deg=3.0)
    low = walker(
        total=4, planes=2, phasing=1, inclination_deg=70.0, altitude_km=600.0, epoch=START, first_satellite_id=1
    )
    fleet = Fleet([*low.records, *(r for k, r in enumerate(high) if k not in (3, 4))])
    order = np.argsort(plane_order(fleet, START).ranks[0])
    nodes = [round(fleet[k].node_deg) for k in order]
    assert nodes[:6] == [228, 273, 318, 3, 48, 93]
    assert sorted(order[6:]) == [0, 1, 2, 3]


def test_close_planes_are_told_apart() -> None:
    fleet = walker(total=720, planes=240, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    assert "240 planes" in order_notes(plane_order(fleet, START))[0]


def test_draws_are_repeatable_and_do_not_depend_on_their_number(plover: Fleet) -> None:
    many, few = random_orders(plover, draws=9, seed=2), random_orders(plover, draws=3, seed=2)
    assert (many.ranks[:3] == few.ranks).all()
    assert (np.sort(many.ranks, axis=1) == np.arange(360)).all()
    assert (many.ranks[0] != many.ranks[1]).any()
    assert (random_orders(plover, draws=1, seed=3).ranks[0] != many.ranks[0]).any()
    assert "a model of failures only" in order_words(many)
    for draws in (0, 1001):
        with pytest.raises(InputError, match="from 1 to 1,000"):
            random_orders(plover, draws=draws)


def test_a_listed_order(tmp_path, plover: Fleet) -> None:
    path = tmp_path / "order.txt"
    path.write_text("# the last first\n900000360\n\n900000001  # and the first\n900000002\n", encoding="utf-8")
    counted = np.ones(360, dtype=bool)
    counted[1] = False
    order = listed_order(plover, path, counted)
    assert (order.ranks[0, 359], order.ranks[0, 0], order.satellites) == (0, 1, 2)
    assert (np.delete(order.ranks[0], [0, 359]) == -1).all()
    assert order_words(order) == "in the order of order.txt"
    assert "357 of the fleet are not in the list" in order_notes(order)[0]
    assert "passed over as not serving: 1 of the list" in order_notes(order)[0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("900000001\n12\n", r"line 2; got '12'; wanted a satellite of the fleet"),
        ("900000001\n\n900000001\n", r"line 3; got '900000001, as in line 1'; wanted each number once"),
        ("# one\nPlover 1\n", r"line 2; got 'Plover 1'; wanted one catalogue number a line"),
        ("# nothing\n", "no satellite that serves"),
    ],
)
def test_a_list_that_cannot_be_used_gets_one_line(tmp_path, plover: Fleet, text: str, message: str) -> None:
    path = tmp_path / "order.txt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message) as error:
        listed_order(plover, path)
    assert len(str(error.value).splitlines()) == 1


def test_a_list_of_the_largest_size_is_read_and_one_byte_more_is_not(tmp_path, plover, monkeypatch) -> None:
    path = tmp_path / "order.txt"
    path.write_text("900000002\n900000001\n", encoding="utf-8")
    for largest in (20, 19):
        monkeypatch.setattr(orders, "_LARGEST_LIST_BYTES", largest)
        if largest == 20:
            assert listed_order(plover, path).ranks[0, :2].tolist() == [1, 0]
        else:
            with pytest.raises(InputError, match="the file is too large"):
                listed_order(plover, path)


def test_a_list_that_is_no_text_file(tmp_path, plover: Fleet) -> None:
    for path in (tmp_path, tmp_path / "missing"):
        with pytest.raises(InputError, match=r"order of the satellites: .*launch, plane, random, or a text file"):
            listed_order(plover, path)
    (tmp_path / "bytes").write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(InputError, match="the file is no text"):
        listed_order(plover, tmp_path / "bytes")


def test_only_satellites_that_serve_are_counted(plover: Fleet) -> None:
    view = View(SITE, (ServingShare(50.0, 1), Excluded.of([plover[0].satellite_id])))
    seen = find_visibility(plover, view, Span.starting(START, hours=3))
    counted = serving_satellites(seen.fleet, view, seen.span)
    assert not counted[0]
    assert 140 < counted.sum() < 220
    assert set(np.flatnonzero(counted)) >= set(seen.joint().group.tolist())
    order = plane_order(seen.fleet, START, counted)
    assert (order.satellites, len(growth(seen, order))) == (counted.sum(), counted.sum())
    with pytest.raises(InputError, match="satellites to put in an order"):
        launch_order(plover, np.zeros(360, dtype=bool))


# --- call hours -------------------------------------------------------------------------------------------------------


def test_call_hours_follow_the_clock_on_the_wall() -> None:
    # 28 March 2026 is a Saturday; on Sunday clocks in Lisbon go from 01:00 to 02:00 (IANA data base).
    span = Span(datetime(2026, 3, 28, tzinfo=UTC), datetime(2026, 3, 31, tzinfo=UTC))
    start, end = call_hours_within(span, DailyHours(480, 1080, (5, 6, 0)), "Europe/Lisbon")
    hours = [[(int(t) - span.start_us) / 3600e6 for t in pair] for pair in zip(start, end, strict=True)]
    assert hours == [[8, 18], [31, 41], [55, 65]]
    with pytest.raises(InputError, match="none in Sat 28 Mar 00:00 to Tue 31 Mar 00:00"):
        call_hours_within(span, DailyHours(480, 1080, (2,)), "UTC")


def test_who_has_no_designator_yet_and_was_seen_to_come_is_the_newest() -> None:
    six = walker(total=6, planes=3, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=START)
    fleet, days = launched_by_plane(six, 3), {0: 9, 1: 8, 4: 7, 5: 7}
    came = {str(fleet[k].satellite_id): datetime(2026, 3, day, tzinfo=UTC) for k, day in days.items()}
    bare = [replace(fleet[0], designator=""), replace(fleet[1], designator=""), *fleet.records[2:]]
    told = Fleet(bare, first_seen=came)
    for order in (launch_order(told), launch_or_plane_order(told, datetime(2026, 3, 1, tzinfo=UTC))):
        assert order.name == "launch"
        # The launches 902 and 903 first, then by the day they came: number 1 on the 8th and number 0 on the 9th.
        assert order.ranks.tolist() == [[5, 4, 0, 1, 2, 3]]
        assert order_notes(order)[0].startswith(
            "Order: as launched, 4 launch groups from the oldest on, 2026-902 to 2026-903, and last those without a "
            "designator; satellites that have come down since"
        )
        assert order_notes(order)[1] == "Seen to arrive: 2026-903, in the elements since 2026-03-07."
    # Of whom nobody knows either, the planes have to do.
    assert launch_or_plane_order(Fleet(bare), datetime(2026, 3, 1, tzinfo=UTC)).name == "plane"
