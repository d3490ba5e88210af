"""What a record says: how often and when, in step or not, what it is good for, and what a second line would have done.

Bounds, percentiles and the period's test are held against general-purpose libraries: scipy, astropy, Python's own.
"""

from __future__ import annotations

import itertools
import math
import statistics as plain
from datetime import UTC, datetime, timedelta

import astropy.stats
import numpy as np
import pandas as pd
import pytest
import scipy.stats

from passim.answers.calls.kinds import VIDEO
from passim.coverage import Coverage
from passim.errors import InputError, SpanError
from passim.intervals import Intervals
from passim.line.record import LineRecord, Probes, outage_table
from passim.line.second_line import SecondLine, rescue_of_forecast, rescue_of_record
from passim.line.statistics import (
    line_statistics,
    poisson_bounds,
    rarer_than_s,
    record_for_s,
    wilson_bounds,
)
from passim.line.suitability import ACTIVITIES, availability, sessions, suitability
from passim.line.targets import Target
from passim.line.trains import find_train
from passim.spans import Span
from passim_apps.text.journal import frozen_sentence
from passim_apps.text.line import enough_sentence, how_long_sentences, no_freeze_sentence
from passim_apps.text.units import LocalClock

START = datetime(2026, 11, 25, tzinfo=UTC)
AT_S = START.timestamp()


def record(
    freezes: list[tuple[float, float]],
    hours: float = 24.0,
    holes: list[tuple[float, float]] | None = None,
    where: list[str] | None = None,
    probes: tuple[Probes, ...] = (),
) -> LineRecord:
    """A record of freezes, start and length in seconds from START."""
    start, length = np.array(freezes, dtype=np.float64).reshape(-1, 2).T
    none = np.zeros(len(start), dtype=bool)
    table = outage_table(
        AT_S + start, AT_S + start + length, where or ["line"] * len(start), none.astype(np.int64), none, none
    )  # fmt: skip
    gone = np.array(holes or [], dtype=np.float64).reshape(-1, 2) + AT_S
    return LineRecord(Span.starting(START, hours), probes, gone, table, "invented")


# --- how often, when, how long --------------------------------------------------------------------------------------


def test_freezes_are_counted_over_what_was_measured() -> None:
    # Five in the hour from 08:00 of which one in the house, one over the end of a hole, one of the far end alone.
    freezes = [(28_800.0 + 300.0 * k, 10.0 + k) for k in range(5)] + [(43_190.0, 30.0), (60_000.0, 50.0)]
    where = ["line", "house", "line", "line", "line", "line", "far"]
    found = line_statistics(record(freezes, holes=[(43_200.0, 46_800.0)], where=where))
    # What the house did is no freeze of the line, and tells nothing of it: 11 s less.
    assert (found.measured_s, found.hole_s, found.house_s, found.count) == (82_789.0, 3600.0, 11.0, 5)
    # What lies in the hole was not measured.
    assert found.out_s == 10 + 12 + 13 + 14 + 10
    assert found.per_hour.value == pytest.approx(5 / (82_789 / 3600))
    assert (found.lengths.whole, found.lengths.cut) == (4, 1)
    assert found.lengths.median_s == plain.median([10, 12, 13, 14])
    assert found.lengths.p90_s == pytest.approx(plain.quantiles([10, 12, 13, 14], n=10, method="inclusive")[-1])
    assert (found.lengths.longest_s, found.lengths.longest_cut) == (14.0, False)
    # From the first to the third the house was out in between: nobody knows what lies there.
    assert (found.spacing.count, found.spacing.median_s) == (3, 300.0)
    assert found.by_clock["begun"].tolist() == [0] * 8 + [4, 0, 0, 1] + [0] * 12
    assert found.by_clock["measured_s"].sum() == found.measured_s
    assert math.isnan(found.by_clock["per_hour"].iloc[12])
    assert found.by_day[["measured_s", "count", "whole"]].values.tolist() == [[82_789.0, 5, True]]
    assert found.by_where["outages"].tolist() == [1, 5, 1]
    assert found.by_hour.loc[found.by_hour["hour"] == 8, "out_s"].tolist() == [49.0]


def test_a_line_seen_only_while_the_house_was_out_is_refused_and_a_freeze_beside_it_is_cut() -> None:
    with pytest.raises(SpanError, match="nothing measured while the house stood"):
        line_statistics(record([(0.0, 3600.0)], hours=1.0, where=["house"]))
    found = line_statistics(record([(100.0, 20.0), (120.0, 600.0)], hours=1.0, where=["line", "house"]))
    assert (found.count, found.lengths.cut, found.measured_s, found.house_s) == (1, 1, 3000.0, 600.0)
    assert availability(record([(120.0, 600.0)], hours=1.0, where=["house"])).share == 1.0
    told = suitability(record([(120.0, 600.0)], hours=4.0, where=["house"]))
    assert set(told.table["verdict"]) == {"good"}
    assert told.measured_s == 13_800.0


def test_hours_are_those_of_the_local_clock_and_no_measuring_is_refused() -> None:
    found = line_statistics(record([(28_800.0, 10.0)]), "Atlantic/Azores")
    assert found.by_clock.loc[found.by_clock["begun"] == 1, "hour"].tolist() == [7]
    assert found.train is None
    calm = line_statistics(record([]))
    assert (calm.count, calm.lengths.longest_start, calm.per_hour.low) == (0, None, 0.0)
    with pytest.raises(SpanError):
        line_statistics(record([], holes=[(0.0, 86_400.0)]))


def test_round_trips_by_minute() -> None:
    generator = np.random.default_rng(1)
    sent_s = AT_S + np.arange(600.0)
    trips = 0.04 + 0.01 * generator.random(600)
    trips[100:105] = np.nan
    probes = Probes(Target("far", "192.0.2.1:443"), sent_s, trips)
    found = line_statistics(record([], hours=1 / 6, probes=(probes,)))
    row = found.round_trips.iloc[0]
    known = trips[~np.isnan(trips)] * 1e3
    assert (row["sent"], row["lost"]) == (600, 5)
    assert row["p95_ms"] == pytest.approx(scipy.stats.scoreatpercentile(known, 95))
    assert row["jitter_ms"] == pytest.approx(plain.mean(abs(b - a) for a, b in itertools.pairwise(known)))
    minute = found.by_minute.iloc[1]
    mine = trips[60:120][~np.isnan(trips[60:120])] * 1e3
    assert (minute["minute"], minute["sent"], minute["lost"]) == (pd.Timestamp(START) + timedelta(minutes=1), 60, 5)
    assert minute["median_ms"] == pytest.approx(plain.median(mine))
    assert minute["jitter_ms"] == pytest.approx(np.abs(np.diff(mine)).mean())
    assert line_statistics(record([])).by_minute.empty


def test_a_record_of_the_house_alone_says_nothing_of_the_line() -> None:
    sent_s = AT_S + np.arange(600.0)
    house, far = (
        Probes(Target(name, "192.0.2.1:443", position=name), sent_s, 0.0 * sent_s) for name in ("house", "far")
    )
    alone, both = (record([], hours=1 / 6, probes=probes) for probes in ((house,), (house, far)))
    clock = LocalClock("UTC", alone.span)
    words = frozen_sentence(line_statistics(alone), clock)
    assert (
        words == "Only the house was asked, 10 min: of the line nothing is known until a host beyond it is asked too."
    )
    assert (
        frozen_sentence(line_statistics(both), clock)
        == "The line did not freeze in 10 min measured (an invented record)."
    )


def test_bounds_of_a_count_are_scipys_chi_squares() -> None:
    for count in (0, 1, 7, 80, 2000):
        low = 0.0 if count == 0 else scipy.stats.chi2.ppf(0.025, 2 * count) / 2
        assert poisson_bounds(count) == pytest.approx((low, scipy.stats.chi2.ppf(0.975, 2 * count + 2) / 2), rel=1e-9)


def test_how_long_to_record_is_the_law_of_random_events() -> None:
    for freezes in (1, 8, 40):
        takes_s = record_for_s(freezes, 300.0)
        assert takes_s == pytest.approx(300.0 * scipy.stats.chi2.ppf(0.95, 2 * freezes) / 2, rel=1e-9)
        # One line in 20 has not frozen so often by then.
        assert scipy.stats.poisson.cdf(freezes - 1, takes_s / 300.0) == pytest.approx(0.05, rel=1e-6)
    # The rule of three: none in n, so at 95 % no more than 3 in n; the exact figure is -ln 0.05 (by hand, 2.9957).
    assert record_for_s(1, 1.0) == pytest.approx(2.9957, abs=1e-4)
    assert rarer_than_s(3600.0) == pytest.approx(3600.0 / 2.9957, rel=1e-4)
    assert rarer_than_s(record_for_s(1, 300.0)) == pytest.approx(300.0)


def test_how_long_to_record_and_what_no_freeze_means_in_words() -> None:
    # By hand: 13.15 times 5 min is 66 min, told in whole tens; 2.996 times 5 min is just under 15.
    assert "from 8 freezes on: a line that freezes once in 5 min has them within 1 h 10 min" in enough_sentence()
    assert " If none comes in 15 min, it freezes less often than that (at 95 %)" in how_long_sentences()
    assert "judged" not in how_long_sentences(judged=False)
    assert "only after 15 min without a freeze" in no_freeze_sentence(899.0)
    assert "freezes less than once in 5 min (at 95 %)" in no_freeze_sentence(900.0)
    assert "less than once in 20 min (at 95 %)" in no_freeze_sentence(3600.0)
    assert "less than once in 8 h (at 95 %)" in no_freeze_sentence(86_400.0)


def test_bounds_of_a_share_are_scipys() -> None:
    for part, whole in ((0, 9), (3, 10), (81, 81), (400, 1000)):
        known = scipy.stats.binomtest(part, whole).proportion_ci(method="wilson")
        assert wilson_bounds(part, whole) == pytest.approx((known.low, known.high), abs=1e-12)
    assert all(map(math.isnan, wilson_bounds(0, 0)))


# --- trains ---------------------------------------------------------------------------------------------------------


def starts(generator: np.random.Generator, days: int, period_s: float, jitter_s: float | None) -> np.ndarray:
    """Starts of freezes in three bad hours of each day: in step, each hour by a phase of its own, or at random."""
    found = []
    for day in range(days):
        for hour in (8, 9, 20):
            count = int(3600 // period_s)
            at = generator.random() * period_s + np.arange(count) * period_s
            if jitter_s is None:
                at = np.sort(generator.random(count) * 3600.0)
            else:
                at = at + generator.normal(0.0, jitter_s, count)
            found.append(AT_S + day * 86_400.0 + hour * 3600.0 + at)
    return np.concatenate(found)


def measured(days: int) -> Intervals:
    return Intervals(*(np.array([round((AT_S + s) * 1e6)]) for s in (0.0, days * 86_400.0)))


def test_a_train_is_found_with_its_period_and_chance_makes_none() -> None:
    for days, shuffled in ((5, "days"), (1, "hours")):
        train = find_train(starts(np.random.default_rng(2), days, 287.0, 4.0), measured(days), draws=60)
        assert train is not None
        assert (train.shuffled, train.is_train) == (shuffled, True)
        assert train.period_s == pytest.approx(287.0, abs=6.0)
        assert train.chance == pytest.approx(1 / 61)
        assert train.strength > 0.5
    chances = []
    for seed in range(12):
        train = find_train(starts(np.random.default_rng(seed), 5, 287.0, None), measured(5), draws=40, seed=seed)
        assert train is not None
        chances.append(train.chance)
        assert train.strength < 0.2
    # By chance one of twenty is as clear as one of twenty: of twelve, four would come once in 400 times.
    assert sum(chance <= 0.05 for chance in chances) <= 3
    assert find_train(starts(np.random.default_rng(1), 1, 900.0, 1.0)[:6], measured(1)) is None


def test_the_strength_of_a_train_is_astropys_length_of_the_mean_direction() -> None:
    # Freezes of one stretch of two hours: the square of the mean resultant length, less what chance gives.
    at = AT_S + 7200.0 * 4 + np.sort(np.random.default_rng(5).random(3)[:, None] * 20 + 600.0 * np.arange(4)).ravel()
    train = find_train(at, measured(1), draws=40)
    assert train is not None
    angles = 2 * np.pi * at / train.period_s
    length = np.hypot(*(astropy.stats.circmoment(angles, p=1.0)[1] * each for each in (1.0, 0.0)))
    n = at.size
    assert train.strength == pytest.approx((n * n * length**2 - n) / (n * n - n), abs=1e-6)
    # Its own test of uniform directions finds these phases no accident either.
    assert astropy.stats.rayleightest(angles) < 0.01


# --- what it is good for ----------------------------------------------------------------------------------------------


def test_sessions_are_counted_as_they_would_have_gone() -> None:
    # One freeze of 40 s at the middle of an hour: sessions of ten minutes meet it where they begin from 20 to 30.
    found = sessions(*intervals(record([(1800.0, 40.0)], hours=1.0)), VIDEO, 10)
    assert found.starts == 51
    # Begun at 00:20 it is over as it begins; from 00:21 to 00:29 whole, and at 00:30 whole too.
    assert found.ended == pytest.approx(10 / 51)
    assert found.undisturbed == pytest.approx(41 / 51)
    assert found.frozen_s == pytest.approx(10 * 40 / 51)
    assert sessions(*intervals(record([], hours=0.1)), VIDEO, 10).starts == 0


def intervals(one: LineRecord) -> tuple[Intervals, Intervals]:
    from passim.line.statistics import freezes_us, measured_us

    return freezes_us(one), measured_us(one)


def test_what_a_line_is_good_for() -> None:
    # A freeze of 12 s every five minutes, all day: talk pauses, a stream with 18 s in hand does not notice.
    probes = Probes(Target("far", "192.0.2.1:443"), AT_S + np.arange(100.0), np.full(100, 0.08))
    found = suitability(record([(300.0 * k + 60.0, 12.0) for k in range(288)], probes=(probes,)))
    verdicts = dict(zip(found.table["activity"], found.table["verdict"], strict=True))
    assert verdicts == {"voice": "with pauses", "video": "with pauses", "stream": "good", "transfer": "good",
                        "desktop": "with pauses", "terminal": "with pauses"}  # fmt: skip
    assert found.one_way_ms == pytest.approx(40.0)
    assert found.table["pauses_per_hour"].iloc[1] == pytest.approx(12.0)
    long = suitability(record([(3600.0 * k, 45.0) for k in range(24)]))
    assert long.table["verdict"].tolist()[:2] == ["not good", "not good"]
    assert long.table["delay"].tolist() == ["not known"] * 6
    assert set(suitability(record([], hours=0.5)).table["verdict"]) == {"too short a record"}
    slow = Probes(Target("far", "192.0.2.1:443"), AT_S + np.arange(100.0), np.full(100, 0.9))
    assert suitability(record([], probes=(slow,))).table["delay"].tolist() == [
        "too long", "too long", "at ease", "at ease", "too long", "felt",
    ]  # fmt: skip
    assert all(each.kind.sources for each in ACTIVITIES)


def test_one_figure_in_per_cent_hides_short_freezes() -> None:
    found = availability(record([(300.0 * k, 9.0) for k in range(200)] + [(80_000.0, 60.0)]))
    assert found.share == pytest.approx(1 - 1860 / 86_400)
    assert found.by_rule == pytest.approx(1 - 60 / 86_400)
    assert (found.count, found.hidden, found.hidden_s) == (201, 200, 1800.0)
    assert found.month_s == pytest.approx(1860 * 30)
    with pytest.raises(InputError):
        availability(record([], holes=[(0.0, 86_400.0)]))


# --- a second line --------------------------------------------------------------------------------------------------


def test_a_switch_over_of_twenty_seconds_rescues_no_freeze_of_nineteen() -> None:
    freezes = [(3600.0 * k, 19.0) for k in range(1, 20)]
    found = rescue_of_record(record(freezes), SecondLine(name="backup", switch_over_s=20.0, monthly_cost=15.0))
    assert (found.caught, found.rescued_s, found.cost_per_call) == (0, 0.0, None)
    assert found.spoilt == found.spoilt_left > 0.0
    at_once = rescue_of_record(record(freezes), SecondLine(name="backup", switch_over_s=0.0, monthly_cost=15.0))
    assert (at_once.caught, at_once.rescued_s, at_once.spoilt_left) == (19, 19.0 * 19, 0.0)
    assert at_once.saved_a_month == pytest.approx(40 * at_once.spoilt)
    assert at_once.cost_per_call == pytest.approx(15.0 / (40 * at_once.spoilt))
    assert at_once.cost_per_hour == pytest.approx(15.0 / (361 / 3600 * 30))


def test_a_second_line_catches_the_line_and_not_the_house() -> None:
    freezes, where = [(1000.0, 60.0), (5000.0, 60.0), (9000.0, 60.0)], ["line", "house", "far"]
    found = rescue_of_record(record(freezes, where=where), SecondLine(name="backup", switch_over_s=4.0), minutes=10)
    table = found.freezes
    assert table["where"].tolist() == ["line", "house"]
    assert (table["rescued_s"].tolist(), table["left_s"].tolist()) == ([56.0, 0.0], [4.0, 60.0])
    # With it the first freeze is 4 s: no pause, and no call is dropped by it.
    assert found.dropped_left == pytest.approx(found.dropped / 2)
    assert (found.cost_per_call, found.cost_per_hour) == (None, None)


def test_a_second_fleet_is_out_at_times_itself() -> None:
    span = Span.starting(START, 2.0)

    def out(*gaps: tuple[float, float]) -> Coverage:
        edges = np.array([0.0, *(edge for gap in gaps for edge in gap), 7200.0])
        us = np.round((AT_S + edges) * 1e6).astype(np.int64)
        return Coverage.from_intervals(us[::2], us[1::2], span)

    own, other = out((600.0, 640.0), (3000.0, 3030.0)), out((620.0, 700.0))
    second = SecondLine(name="second fleet", switch_over_s=5.0, out_us=other.gap_intervals)
    found = rescue_of_forecast(own, second, minutes=15)
    assert found.freezes["rescued_s"].tolist() == [15.0, 25.0]
    assert (found.basis, found.measured_s) == ("forecast", 7200.0)


def test_what_no_second_line_can_be_is_refused() -> None:
    for given, words in (
        ({"switch_over_s": -1.0}, "switch-over time"),
        ({"switch_over_s": 1.0, "monthly_cost": -1.0}, "cost"),
    ):
        with pytest.raises(InputError, match=words):
            SecondLine(name="x", **given)
    for given, words in (({"minutes": 0.0}, "length of a call"), ({"calls_a_month": 0.0}, "calls a month")):
        with pytest.raises(InputError, match=words):
            rescue_of_record(record([]), SecondLine(name="x", switch_over_s=1.0), **given)  # type: ignore[arg-type]
