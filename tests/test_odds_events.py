"""Drawn gaps: the draws themselves, and what is counted in windows against counting by hand."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import NDArray
from scipy.stats import norm

from passim.errors import InputError, SpanError
from passim.forecast.odds_events import Simulation, simulate
from passim.forecast.timing import TimingModel
from passim.forecast.windows import WindowOdds
from passim.intervals import GroupedIntervals
from passim.spans import Span

START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
SPAN = Span.starting(START, 1)
AROUND = Span.starting(datetime(2026, 11, 25, 7, 30, tzinfo=UTC), 2)
EPOCHS_US = np.full(80, SPAN.start_us - 86_400_000_000, dtype=np.int64)


def simulation(*runs: list[tuple[float, float]]) -> Simulation:
    """Gaps (start, end) in seconds after START, run by run."""
    run = np.repeat(np.arange(len(runs)), [len(gaps) for gaps in runs])
    flat = np.array([gap for gaps in runs for gap in gaps]).reshape(-1, 2)
    edges_us = np.round(flat * 1e6).astype(np.int64) + SPAN.start_us
    return Simulation(SPAN, len(runs), run, edges_us[:, 0].copy(), edges_us[:, 1].copy())


def after(*seconds: float) -> NDArray[np.int64]:
    return np.round(np.array(seconds) * 1e6).astype(np.int64) + SPAN.start_us


def by_hand(drawn: Simulation, odds: WindowOdds) -> dict[str, NDArray[np.float64]]:
    """The same figures, window by window and gap by gap."""
    rows = []
    for opens, closes in zip(odds.start_us, odds.end_us, strict=True):
        parts: list[list[float]] = [[] for _ in range(drawn.runs)]
        for run, start, end in zip(drawn.run, drawn.start_us, drawn.end_us, strict=True):
            inside_s = (min(end, closes) - max(start, opens)) / 1e6
            if inside_s > 0:
                parts[run].append(inside_s)
        worst = [max(part, default=0.0) for part in parts]
        counts = [[sum(s >= least for s in part) for part in parts] for least in odds.at_least_s]
        rows.append(
            (
                [np.mean([w >= least for w in worst]) for least in odds.at_least_s],
                [np.mean(count) for count in counts],
                np.mean([sum(part) for part in parts]),
                np.percentile(worst, 50),
                np.percentile(worst, 90),
            )
        )
    names = ("chance", "expected_count", "expected_frozen_s", "worst_p50_s", "worst_p90_s")
    return dict(zip(names, (np.array(column) for column in zip(*rows, strict=True)), strict=True))


def test_windows_by_hand() -> None:
    # Run 0: one gap of 10 s at 100. Run 1: 4 s at 95 and 40 s at 125. Run 2: none.
    drawn = simulation([(100.0, 110.0)], [(95.0, 99.0), (125.0, 165.0)], [])
    odds = drawn.windows(after(90.0, 105.0, 200.0), [50.0, 30.0, 60.0], at_least_s=(5.0, 30.0))
    # From 90 to 140: 10 s; 4 and 15 s. From 105 to 135: 5 s; 10 s. From 200 on: nothing.
    assert odds.expected_frozen_s == pytest.approx([29.0 / 3, 15.0 / 3, 0.0])
    assert odds.chance.tolist() == pytest.approx(np.array([[2 / 3, 0.0], [2 / 3, 0.0], [0.0, 0.0]]))
    assert odds.expected_count == pytest.approx(np.array([[2 / 3, 0.0], [2 / 3, 0.0], [0.0, 0.0]]))
    assert odds.worst_p50_s.tolist() == [10.0, 5.0, 0.0]
    assert odds.worst_p90_s == pytest.approx([14.0, 9.0, 0.0])
    table = odds.table("Atlantic/Azores")
    assert table["chance_5_s"].tolist() == odds.chance[:, 0].tolist()
    assert table["start_local"].iloc[0].hour == 7
    assert {"start", "end", "count_30_s", "expected_frozen_s", "worst_p50_s", "worst_p90_s"} <= set(table.columns)


GAPS = st.lists(st.integers(0, 3599), max_size=24, unique=True).map(sorted)


@given(runs=st.lists(GAPS, min_size=1, max_size=5), starts=st.lists(st.integers(0, 3000), min_size=1, max_size=6))
def test_windows_as_counted_one_by_one(runs: list[list[int]], starts: list[int]) -> None:
    edges = [[(float(a), float(b)) for a, b in zip(run[::2], run[1::2], strict=False)] for run in runs]
    drawn = simulation(*edges)
    odds = drawn.windows(after(*starts), 600.0, at_least_s=(1.0, 30.0, 200.0))
    for name, expected in by_hand(drawn, odds).items():
        assert getattr(odds, name) == pytest.approx(expected), name


def test_windows_of_drawn_gaps_as_counted_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = simulate(scene(150), EPOCHS_US, SPAN, TimingModel.steady(6.0), runs=12, searched=AROUND)
    assert drawn.run.size > 100
    starts = np.arange(SPAN.start_us, SPAN.end_us - 900_000_000 + 1, 60_000_000)
    monkeypatch.setattr("passim.forecast.windows._PAIRS_A_BLOCK", 100)
    odds = drawn.windows(starts, 900.0)
    for name, expected in by_hand(drawn, odds).items():
        assert getattr(odds, name) == pytest.approx(expected), name


def scene(passes: int) -> GroupedIntervals:
    """An invented hour: passes of 60 to 110 s at random, from half an hour before to half an hour after."""
    rng = np.random.default_rng(9)
    start_s = rng.uniform(-1500.0, 5200.0, passes)
    end_s = start_s + rng.uniform(60, 110, passes)
    return GroupedIntervals(rng.integers(0, 80, passes), after(*start_s), after(*end_s))


def test_the_chance_of_a_long_gap_against_the_normal_law() -> None:
    # One set at 1000 s and one rise at 1004 s, each off by 3 s on its own: the gap is 4 s more or less sqrt(18) s.
    joint = GroupedIntervals(np.array([0, 1]), after(-1800.0, 1004.0), after(1000.0, 5400.0))
    runs = 20_000
    drawn = simulate(joint, EPOCHS_US, SPAN, TimingModel.steady(3.0), runs=runs, seed=4, searched=AROUND)
    odds = drawn.windows(after(900.0), 200.0, at_least_s=(0.000001, 5.0, 10.0))
    for place, least_s in enumerate((0.0, 5.0, 10.0)):
        chance = norm.sf((least_s - 4.0) / 18**0.5)
        assert abs(odds.chance[0, place] - chance) < 4.5 * (chance * (1 - chance) / runs) ** 0.5
    assert odds.expected_count == pytest.approx(odds.chance)
    # The mean of a normal variable cut at 0: m Phi(m/s) + s phi(m/s).
    mean_s = 4.0 * norm.cdf(4.0 / 18**0.5) + 18**0.5 * norm.pdf(4.0 / 18**0.5)
    assert odds.expected_frozen_s[0] == pytest.approx(mean_s, abs=4.5 * 4.2 / runs**0.5)


def test_passes_of_one_satellite_move_together_all_day() -> None:
    # Satellite 0 covers all but 10 s every 10 minutes, by itself: every break starts as late as the first one.
    starts = np.arange(-1800.0, 5400.0, 600.0)
    joint = GroupedIntervals(np.zeros(starts.size, np.int64), after(*(starts + 5.0)), after(*(starts + 595.0)))
    drawn = simulate(joint, EPOCHS_US, SPAN, TimingModel.steady(20.0), runs=50, searched=AROUND)
    within = (drawn.start_us > SPAN.start_us) & (drawn.end_us < SPAN.end_us)
    late_us = (drawn.start_us - SPAN.start_us + 300_000_000) % 600_000_000
    by_run = [late_us[within & (drawn.run == run)] for run in range(50)]
    assert all(np.ptp(late) <= 1 for late in by_run)
    assert np.std([late[0] for late in by_run]) / 1e6 == pytest.approx(20.0, rel=0.4)


def test_a_manoeuvre_once_made_stays_made() -> None:
    # The satellite that has manoeuvred at an age has so at every later one: shifts grow by the law's own factor.
    model = TimingModel(
        at_epoch_s=1e-3, per_day_s=0.0, per_day2_s=0.0, shared_per_day2_s=0.0, manoeuvre_per_day_s=20.0,
        manoeuvre_shares=((23.0, 0.2), (26.0, 0.5)),
    )  # fmt: skip
    joint = GroupedIntervals(np.zeros(3, np.int64), after(-1700.0, 560.0, 2660.0), after(500.0, 2600.0, 5300.0))
    drawn = simulate(joint, EPOCHS_US, SPAN, model, runs=400, searched=AROUND)
    assert np.array_equal(drawn.run, np.repeat(np.arange(400), 2))
    moved = np.abs((drawn.start_us - np.tile(after(500.0, 2600.0), 400)).reshape(400, 2)) > 50_000
    assert 0.2 < moved[:, 0].mean() < moved[:, 1].mean() + 1e-9 < 0.5
    assert not np.any(moved[:, 0] & ~moved[:, 1])


def test_seeds_repeat_and_differ() -> None:
    one, same, other = (simulate(scene(150), EPOCHS_US, SPAN, runs=20, seed=seed) for seed in (1, 1, 2))
    assert np.array_equal(one.start_us, same.start_us)
    assert one.start_us.tolist() != other.start_us.tolist()


def test_gaps_are_sorted_apart_and_inside_the_span() -> None:
    drawn = simulate(scene(150), EPOCHS_US, SPAN, TimingModel.steady(12.0), runs=30)
    assert np.all(drawn.end_us > drawn.start_us)
    assert drawn.start_us.min() >= SPAN.start_us
    assert drawn.end_us.max() <= SPAN.end_us
    follows = drawn.run[1:] == drawn.run[:-1]
    assert np.all(np.diff(drawn.run) >= 0)
    assert np.all(drawn.start_us[1:][follows] > drawn.end_us[:-1][follows])
    assert not drawn.start_us.flags.writeable


def test_no_windows_and_no_gaps() -> None:
    drawn = simulation([], [])
    assert drawn.windows(np.zeros(0, np.int64), 60.0).chance.shape == (0, 3)
    calm = drawn.windows(after(0.0, 60.0), 60.0)
    assert calm.expected_frozen_s.tolist() == [0.0, 0.0]
    assert not calm.chance.any()


def test_wrong_input_is_told_in_one_line() -> None:
    drawn = simulation([(100.0, 110.0)])
    with pytest.raises(SpanError, match="1 of 2 that reach out of it, the first 1800 s long"):
        drawn.windows(after(0.0, 3000.0), 1800.0)
    with pytest.raises(SpanError, match="length of a window"):
        drawn.windows(after(0.0), 0.0)
    with pytest.raises(InputError, match="lengths of gaps"):
        drawn.windows(after(0.0), 60.0, at_least_s=(0.0,))
    with pytest.raises(InputError, match="starts of windows"):
        drawn.windows([1.5], 60.0)
    for runs in (0, 2.5, True, 10**9):
        with pytest.raises(InputError, match="runs"):
            simulate(scene(5), EPOCHS_US, SPAN, runs=runs)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="seed"):
        simulate(scene(5), EPOCHS_US, SPAN, seed=-1)


def test_the_mean_of_a_step_counts_gaps_that_no_middle_of_a_step_meets() -> None:
    """Two runs, gaps of 0.2 s after 10.6 s, of 3 s after 58.5 s in one: by hand 0.1, 0 and 1.5 s of those steps."""
    drawn = simulation([(10.6, 10.8), (58.5, 61.5)], [])
    assert drawn.mean_out(after(10.0, 11.0, 12.0, 58.0, 62.0)).tolist() == pytest.approx([0.1, 0.0, 0.0, 0.375])
    assert drawn.mean_out(after(59.0, 60.0, 61.0)).tolist() == pytest.approx([0.5, 0.5])
