"""Forecast against record: lines simulated with a known truth, overlaps by hand, scores by a plain recount."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

import passim
from passim import Gateway, GatewayLimit, Horizon, InputError, LineRecord, Site, Span, View, find_visibility
from passim.forecast.odds import odds_of_no_service
from passim.forecast.timing import TimingModel
from passim.line.clock_offset import best_lag, overlap_us
from passim.line.comparing import EVENT_COLUMNS, compare_record, interval_of, tolerance_s
from passim.line.record import outage_table
from tests.simulated_line import recorded

START = datetime(2026, 3, 1, tzinfo=UTC)
DAY = Span.starting(START, 24)
HOLE = (3000.0, 4000.0)
HOUSE = ((7000.0, 7100.0), (9000.0, 9130.0))


@pytest.fixture(scope="module")
def sky() -> passim.Visibility:
    """The regular check fleet over Marram's loft with one gateway 600 km south: 290 gaps a day."""
    fleet = passim.walker(
        total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=START, name="invented"
    )
    site = Site("Marram", 45.0, -28.0, 40.0, "UTC", Horizon.flat(25.0))
    return find_visibility(fleet, View(site, (GatewayLimit((Gateway("South", 39.604, -28.0),)),)), DAY)


@pytest.fixture(scope="module")
def gaps(sky: passim.Visibility) -> pd.DataFrame:
    return sky.coverage().gaps()


def table(rows: list[tuple[float, float, str]]) -> pd.DataFrame:
    """Outages from start and end, seconds after the start of the day, and where."""
    start_s, end_s = (np.array([row[k] for row in rows], dtype=float) + START.timestamp() for k in (0, 1))
    none = np.zeros(len(rows), dtype=bool)
    return outage_table(start_s, end_s, [row[2] for row in rows], none.astype("int64"), none, none)


def record_of(rows: list[tuple[float, float, str]], holes: list[tuple[float, float]] | None = None) -> LineRecord:
    walls = np.array(holes or [], dtype=float).reshape(-1, 2) + START.timestamp()
    return LineRecord(Span.starting(START, 1), (), walls, table(rows), "by hand", 1.0)


def test_a_line_that_freezes_as_forecast_is_told_with_its_clock(gaps: pd.DataFrame, subtests: pytest.Subtests) -> None:
    """2 % of packets lost at random, a hole, two faults in the house, and a clock that is off."""
    for offset_s in (0.0, 7.4, -22.0):
        with subtests.test(offset_s=offset_s):
            record = recorded(gaps, DAY, seed=3, offset_s=offset_s, loss=0.02, holes=[HOLE], house=HOUSE)
            found = compare_record(gaps, record, sigma_s=0.3)
            assert found.evidence == "strong"
            assert found.clock_offset_s == pytest.approx(offset_s, abs=0.1)
            assert found.chance <= 0.01
            assert found.hits >= 0.95 * found.forecast
            assert found.hits_by_luck < 5.0
            assert found.missed_by_place["house"] == 2
            # Three gaps begin in the hole, and one while the own router did not answer.
            assert 3 <= found.forecast_not_judged <= 6
            # A probe a second finds each edge up to a second late, by half of that in the mean.
            assert 0.3 < found.start_late_s < 0.7
            assert 0.3 < found.end_late_s < 0.7
            assert found.duration_ratio == pytest.approx(1.0, abs=0.02)


def test_notes_to_the_minute_are_matched_within_the_minute(gaps: pd.DataFrame) -> None:
    """Whoever notes "08:14 froze 20 s" rounds down: the start lies up to a minute later."""
    noted = gaps.iloc[5:150:5]
    start_s = np.array([start.timestamp() - START.timestamp() for start in noted["start"]]) // 60.0 * 60.0
    rows = [(start, start + 20.0, "line") for start in start_s.tolist()]
    record = LineRecord(DAY, (), np.zeros((0, 2)), table(rows), "notes", None)
    found = compare_record(gaps, record, sigma_s=0.3)
    assert found.tolerance_s == pytest.approx(2.0 * np.sqrt(0.3**2 + 1.0 / 6.0 + 3600.0 / 12.0))
    assert found.hits >= 0.95 * len(rows)
    # To the second, three in twenty would have been hit by luck; to the minute it is more, and that is told.
    assert found.hits_by_luck > 0.1 * len(rows)
    to_the_second = [(start + 0.25, end, where) for start, end, where in rows]
    finer = LineRecord(DAY, (), np.zeros((0, 2)), table(to_the_second), "notes", None)
    assert compare_record(gaps, finer, sigma_s=0.3).tolerance_s < 2.0


def test_unrelated_lines_are_no_evidence(gaps: pd.DataFrame) -> None:
    """As many freezes as the forecast has, at random and in a train that is nearly as long as the fleet's."""
    told = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        start_s = rng.uniform(0.0, 86_000.0, 280)
        if seed % 2:
            train = np.arange(0.0, 86_000.0, 287.0 + rng.uniform(-3.0, 3.0))
            start_s = train + rng.normal(0.0, 8.0, train.size) + rng.uniform(10.0, 280.0)
        start_s = np.sort(start_s[start_s < 86_300.0])
        freezes = table(
            [(at, at + length, "line") for at, length in zip(start_s, rng.uniform(5, 35, start_s.size), strict=True)]
        )
        told.append(compare_record(gaps, recorded(freezes, DAY, seed=seed, loss=0.02), sigma_s=0.3, shifts=99).evidence)
    assert told == ["none"] * 6


def test_a_record_without_the_forecasts_freezes_gives_nothing_back(gaps: pd.DataFrame) -> None:
    found = compare_record(gaps, recorded(gaps.iloc[:0], DAY, seed=1, loss=0.02))
    assert (found.hits, found.evidence) == (0, "none")
    assert found.false_alarms == found.forecast == len(gaps)
    assert found.clock_offset_s == 0.0


def test_events_are_judged_by_hand() -> None:
    gaps = table(
        [(100, 120, "line"), (400, 420, "line"), (700, 720, "line"), (1000, 1020, "line"), (1300, 1310, "line")]
    )
    rows = [(101, 121, "line"), (402, 425, "line"), (990, 1100, "house"), (1500, 1503, "line"), (1600, 1604, "far")]
    found = compare_record(gaps[["start", "end"]], record_of(rows, [(690, 710)]), sigma_s=1.0, shifts=99)
    # The gap at 700 begins in the hole, that at 1000 while the house was down.
    assert (found.forecast, found.forecast_not_judged) == (3, 2)
    assert (found.recorded, found.hits, found.misses, found.false_alarms) == (5, 2, 3, 1)
    assert list(found.events) == list(EVENT_COLUMNS)
    assert found.events["event"].tolist() == ["hit", "hit", "miss", "false alarm", "miss", "miss"]
    assert found.events["where"].tolist() == ["line", "line", "house", "", "line", "far"]
    assert found.events["start_late_s"].tolist()[:2] == pytest.approx([1.0, 2.0])
    assert found.events["end_late_s"].tolist()[:2] == pytest.approx([1.0, 5.0])
    assert found.missed_by_place == {"house": 1, "line": 1, "far": 1}
    assert found.recorded_s == 20 + 23 + 110 + 3 + 4
    # 19 s of the first overlap their gap and 18 s of the second; the fifth has nothing to overlap.
    assert found.explained_s == 19 + 18
    assert found.measured_s == 3600 - 20 - 110


def test_the_lag_of_the_longest_overlap_is_exact(subtests: pytest.Subtests) -> None:
    """Worked out by hand; the second also by trying every lag of a grid."""
    for first, second, lag_us, longest_us in (
        (([0], [10]), ([4], [14]), 4.0, 10.0),
        (([0], [10]), ([4], [10]), 2.0, 6.0),  # Fits from lag 0 to 4: the middle.
        (([0, 50], [10, 60]), ([3, 53], [13, 63]), 3.0, 20.0),
        (([0], [10]), ([500], [510]), 0.0, 0.0),
    ):
        with subtests.test(first=first, second=second):
            assert best_lag(first, second, 60.0) == pytest.approx((lag_us, longest_us))
    rng = np.random.default_rng(5)
    starts = np.cumsum(rng.integers(20, 400, 60))
    first = (starts, starts + rng.integers(3, 30, 60))
    moved = starts + 17 + rng.integers(-2, 3, 60)
    second = (moved, moved + rng.integers(3, 30, 60))
    best = best_lag(first, second, 60.0)
    tried = [overlap_us(first, second, lag) for lag in np.arange(-60.0, 60.01, 0.25)]
    assert best.overlap_us == pytest.approx(max(tried))
    assert overlap_us(first, second, best.lag_us) == pytest.approx(best.overlap_us)


def test_the_tolerance_follows_from_both_errors() -> None:
    """2 sqrt(sigma^2 + d^2/6 + slot^2/12), by hand; never finer than the record."""
    assert tolerance_s(3.0, 1.0) == pytest.approx(2.0 * (9.0 + 1.0 / 6.0) ** 0.5)
    assert tolerance_s(0.0, 1.0, 15.0) == pytest.approx(2.0 * (1.0 / 6.0 + 225.0 / 12.0) ** 0.5)
    assert tolerance_s(0.01, 10.0) == 10.0


def test_the_interval_between_probes_shows_in_the_lengths() -> None:
    rng = np.random.default_rng(2)
    start_s = np.arange(40) * 80.0 + rng.uniform(0.0, 1.0, 40)
    for lengths_s, interval_s in (
        (rng.integers(3, 30, 40) * 1.0, 1.0),
        (rng.integers(6, 60, 40) * 0.5 + 0.002, 0.5),
        (rng.uniform(3.0, 30.0, 40), None),
    ):
        rows = [(at, at + length, "line") for at, length in zip(start_s, lengths_s, strict=True)]
        assert interval_of(table(rows)) == interval_s
    assert interval_of(table([(1.0, 4.0, "line")])) is None


def test_odds_are_scored_second_by_second(sky: passim.Visibility, gaps: pd.DataFrame) -> None:
    """Brier scores against a plain recount in numpy."""
    model = TimingModel()
    epochs_us = sky.fleet.epochs.astype("datetime64[us]").astype(np.int64)
    odds = odds_of_no_service(sky.joint(), epochs_us, DAY, model, even=True)
    record = recorded(gaps, DAY, seed=9)
    found = compare_record(gaps, record, sigma_s=0.3, odds=odds, shifts=19)
    came = np.zeros(odds.no_service.size)
    for row in record.outages.itertuples():
        moments = pd.DatetimeIndex(odds.moments_us.astype("datetime64[us]"), tz="UTC")
        came[(moments >= row.start) & (moments < row.end)] = 1.0
    assert found.brier["odds"] == pytest.approx(np.mean((odds.no_service - came) ** 2), rel=1e-9)
    assert found.reliability is not None
    assert found.reliability["count"].sum() == odds.no_service.size
    assert found.brier["odds"] < 0.5 * came.mean() * (1.0 - came.mean())


def test_yesterday_and_the_hours_stand_beside_it(sky: passim.Visibility) -> None:
    span = Span.starting(START, 72)
    gaps = find_visibility(sky.fleet, sky.view, span).coverage().gaps()
    found = compare_record(gaps, recorded(gaps, span, seed=4, loss=0.02), sigma_s=0.3, shifts=99)
    scores = found.scores.set_index("forecast")
    assert list(scores.index) == ["passim", "by luck", "yesterday", "hours of day"]
    assert scores.loc["passim", "hits"] > scores.loc["yesterday", "hits"] > 10 * scores.loc["hours of day", "hits"]
    # Hours of day draws as many as there are, and hits as often as any random start: 2 * 1 s every 287 s or so.
    assert scores.loc["hours of day", "events"] == pytest.approx(found.recorded, rel=0.1)
    assert scores.loc["hours of day", "hits"] == pytest.approx(found.recorded * 2.0 / 297.0, rel=0.8)


def test_what_cannot_be_compared_is_refused(gaps: pd.DataFrame) -> None:
    record = record_of([(100, 120, "line")])
    later = Span.starting(START + timedelta(days=3), 1)
    with pytest.raises(InputError, match="time recorded"):
        compare_record(gaps, record, later)
    with pytest.raises(InputError, match="nothing measured"):
        compare_record(gaps, record_of([], [(-10.0, 4000.0)]))
    with pytest.raises(InputError, match="tolerance"):
        compare_record(gaps, record, within_s=90.0)
    with pytest.raises(InputError, match="shifts"):
        compare_record(gaps, record, shifts=3)
