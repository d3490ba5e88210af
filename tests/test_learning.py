"""What a record teaches the odds: lines simulated with a known truth, and the floor against plain simulation."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import passim
from passim import Gateway, GatewayLimit, Horizon, InputError, Site, Span, View
from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.kinds import VIDEO, CallKind
from passim.coverage.visibility import find_visibility
from passim.errors import WorkspaceError
from passim.forecast.calibration import Calibration
from passim.forecast.floor import Floor
from passim.forecast.odds_events import Simulation
from passim.line import LearnedLine, compare_record, learn_line, past_forecast, replay_calls
from passim.line.learning import shrunk_rates
from passim.line.past import PastForecast
from passim.spans import DailyHours
from passim.workspace import LEARNED_NAME, Workspace, create, keep_learned, lesson_of, read_learned
from tests.simulated_line import recorded

START = datetime(2026, 3, 1, tzinfo=UTC)
WEEK = Span.starting(START, 7 * 24)
MARRAM = Site("Marram", 45.0, -28.0, 40.0, "UTC", Horizon.flat(25.0))
VIEW = View(MARRAM, (GatewayLimit((Gateway("South", 39.604, -28.0),)),))
EVENING = range(18, 21)


@pytest.fixture(scope="module")
def fleet() -> passim.Fleet:
    """A small check fleet, so that a week is soon searched: some 60 gaps a day, most of them long."""
    return passim.walker(
        total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=START, name="invented"
    )


@pytest.fixture(scope="module")
def forecast(fleet: passim.Fleet) -> PastForecast:
    return past_forecast(lambda _: fleet, VIEW, WEEK)


def truth(
    gaps: pd.DataFrame, seed: int, *, comes: float = 1.0, ends_late_s: float = 0.0, evening_rate: float = 0.0
) -> pd.DataFrame:
    """Gaps as a line has them: a share of them comes, each ends late, and in the evening freezes of 12 s on top."""
    rng = np.random.default_rng(seed)
    came = gaps.loc[rng.random(len(gaps)) < comes, ["start", "end"]].copy()
    came["end"] += pd.Timedelta(ends_late_s, unit="s")
    more = []
    for day in range(7):
        for hour in EVENING:
            for _ in range(rng.poisson(evening_rate)):
                start = pd.Timestamp(START) + pd.Timedelta(days=day, hours=hour, seconds=3600.0 * rng.random())
                more.append({"start": start, "end": start + pd.Timedelta(12.0, unit="s")})
    return pd.concat([came, pd.DataFrame(more, columns=["start", "end"])], ignore_index=True).sort_values("start")


def taught(forecast: PastForecast, line: pd.DataFrame, seed: int) -> LearnedLine:
    record = recorded(line, WEEK, seed=seed)
    return learn_line(forecast, record, compare_record(forecast.gaps, record, sigma_s=0.3, odds=forecast.odds))


@pytest.fixture(scope="module")
def learned(forecast: PastForecast) -> LearnedLine:
    return taught(forecast, truth(forecast.gaps, 3, comes=0.7, ends_late_s=1.5, evening_rate=4.0), 3)


def test_what_a_line_does_to_its_forecast_is_learned(forecast: PastForecast, learned: LearnedLine) -> None:
    """Seven gaps in ten come, end 1.5 s later; in the evening come four freezes an hour that no satellite explains."""
    found = learned.calibration
    share_error = np.sqrt(0.7 * 0.3 / len(forecast.gaps))
    assert found.came_share == pytest.approx(0.7, abs=3.0 * share_error)
    assert found.begins_late_s == pytest.approx(0.0, abs=0.15)
    assert found.ends_late_s == pytest.approx(1.5, abs=0.15)
    rates = np.array(found.floor.per_hour)
    # Seven evenings of three hours: 84 freezes, whose number scatters by 9.
    assert rates[list(EVENING)].mean() == pytest.approx(4.0, abs=3.0 * np.sqrt(84) / 21.0)
    assert np.delete(rates, list(EVENING)).max() < 0.5
    assert np.median(found.floor.lengths_s) == pytest.approx(12.0, abs=1.0)
    assert learned.days == 7
    assert learned.better
    assert 0.0 < learned.gain.low < learned.gain.value < learned.gain.high < 1.0
    assert learned.brier_learned == pytest.approx((1.0 - learned.gain.value) * learned.brier_plain)


def test_a_line_that_the_sky_does_not_explain_keeps_only_its_floor(forecast: PastForecast) -> None:
    rng = np.random.default_rng(5)
    start = pd.to_datetime(np.sort(rng.uniform(WEEK.start_us, WEEK.end_us, 400)) * 1000, utc=True)
    line = pd.DataFrame({"start": start, "end": start + pd.Timedelta(10.0, unit="s")})
    learned = taught(forecast, line, 5)
    assert learned.calibration.came_share < 0.1
    assert learned.calibration.floor.mean_per_hour == pytest.approx(400 / 168.0, rel=0.15)
    # Gaps that never come are told no more, which the days left out bear out.
    assert learned.better


def test_a_line_just_as_forecast_is_not_made_worse(forecast: PastForecast) -> None:
    learned = taught(forecast, truth(forecast.gaps, 7), 7)
    assert learned.calibration.came_share > 0.97
    assert learned.calibration.floor.mean_per_hour < 0.02
    assert learned.gain.value > -0.01


def test_no_days_no_lesson(forecast: PastForecast) -> None:
    short = Span.starting(START, 4 * 24)
    record = recorded(forecast.gaps, short, seed=1)
    compared = compare_record(forecast.gaps, record, short, sigma_s=0.3)
    with pytest.raises(InputError, match="a record to learn from; got '4 local days'; wanted 5 or more"):
        learn_line(forecast, record, compared)
    without = dataclasses.replace(forecast, parts=())
    with pytest.raises(InputError, match="too old for odds of moments"):
        learn_line(without, record, compared)


def test_the_floor_in_closed_form_is_what_many_drawn_days_show() -> None:
    """Outages drawn one by one at a rate by hour; of each window, those of which enough lies inside are counted."""
    rng = np.random.default_rng(11)
    per_hour = tuple(3.0 if 8 <= hour < 10 else 0.5 for hour in range(24))
    lengths = (2.0, 7.0, 7.0, 40.0)
    floor = Floor(per_hour, lengths, "UTC")
    day_us = round(START.timestamp() * 1e6)
    starts = day_us + np.array([6.0, 8.5, 9.75, 20.0]) * 3.6e9
    starts, ends = starts.astype(np.int64), (starts + 1.8e9).astype(np.int64)
    found = floor.within(starts, ends)
    days, least = 4000, 5.0
    number, out, none = np.zeros(4), np.zeros(4), np.zeros(4)
    for _ in range(days):
        begin = np.concatenate([
            day_us + (hour + rng.random(rng.poisson(rate))) * 3.6e9 for hour, rate in enumerate(per_hour)
        ])  # fmt: skip
        end = begin + rng.choice(lengths, begin.size) * 1e6
        inside = np.minimum(end[:, None], ends) - np.maximum(begin[:, None], starts)
        number += (inside >= least * 1e6).sum(axis=0)
        none += ~(inside >= least * 1e6).any(axis=0)
        out += np.maximum(inside, 0.0).sum(axis=0) / 1e6
    expected = found.count(least)
    assert number / days == pytest.approx(expected, abs=4.0 * np.sqrt(expected.max() / days))
    assert none / days == pytest.approx(np.exp(-expected), abs=4.0 * 0.5 / np.sqrt(days))
    # An outage that begins in the hour before counts at this hour's rate: its length is small beside an hour.
    assert out / days == pytest.approx(found.out_s, rel=0.08)


def test_windows_with_a_floor_are_those_of_futures_in_which_it_was_drawn() -> None:
    rng = np.random.default_rng(2)
    span = Span.starting(START, 2)
    runs, rate, lengths = 20_000, 6.0, np.array([3.0, 10.0, 45.0])
    # One gap of 8 s in half of the runs, in the middle of the window.
    gap_us = span.start_us + 3_600_000_000
    run = np.flatnonzero(rng.random(runs) < 0.5).astype(np.int64)
    gaps = Simulation(span, runs, run, np.full(run.size, gap_us), np.full(run.size, gap_us + 8_000_000))
    floor = Floor((rate,) * 24, tuple(lengths.tolist()), "UTC")
    start, length_s = np.array([span.start_us + 2_700_000_000]), 1800.0
    told = dataclasses.replace(gaps, floor=floor).windows(start, length_s, at_least_s=(0.5, 5.0, 30.0))
    plain = gaps.windows(start, length_s, at_least_s=(0.5, 5.0, 30.0))
    assert plain.worst_p50_s[0] <= 8.0

    worst = np.where(np.isin(np.arange(runs), run), 8.0, 0.0)
    count, out = np.zeros((runs, 3)), worst.copy()
    count += np.array([0.5, 5.0, 30.0]) <= worst[:, None]
    for each in range(runs):
        begin = rng.uniform(-60.0, length_s, rng.poisson(rate * (length_s + 60.0) / 3600.0))
        end = begin + rng.choice(lengths, begin.size)
        inside = np.minimum(end, length_s) - np.maximum(begin, 0.0)
        inside = inside[inside > 0.0]
        count[each] += (inside[:, None] >= [0.5, 5.0, 30.0]).sum(axis=0)
        out[each] += inside.sum()
        worst[each] = max(worst[each], inside.max(initial=0.0))
    assert told.expected_count[0] == pytest.approx(count.mean(axis=0), abs=0.05)
    assert told.chance[0] == pytest.approx((worst[:, None] >= [0.5, 5.0, 30.0]).mean(axis=0), abs=0.015)
    assert told.expected_frozen_s[0] == pytest.approx(out.mean(), rel=0.02)
    assert told.worst_p50_s[0] == pytest.approx(np.quantile(worst, 0.5), abs=0.3)
    assert told.worst_p90_s[0] == pytest.approx(np.quantile(worst, 0.9), abs=0.3)


def test_rates_by_hour_are_drawn_to_their_mean_as_far_as_chance_would_scatter_them() -> None:
    """Over many drawn records the shrunk rates lie nearer to the truth than those counted, by scipy's own draws."""
    hours = np.full(24, 7.0)
    alike = np.full(24, 0.5)
    uneven = stats.gamma(2.0, scale=0.25).rvs(24, random_state=4)
    for truth_per_hour in (alike, uneven):
        counted, shrunk = [], []
        for seed in range(200):
            counts = stats.poisson(truth_per_hour * hours).rvs(random_state=seed).astype(float)
            counted.append(np.mean((counts / hours - truth_per_hour) ** 2))
            shrunk.append(np.mean((shrunk_rates(counts, hours) - truth_per_hour) ** 2))
        assert np.mean(shrunk) < np.mean(counted)
    # A hundred times more in one hour than chance could make is left as it is; an hour not watched takes the mean.
    counts = np.array([0.0] * 23 + [70.0])
    assert shrunk_rates(counts, hours)[-1] == pytest.approx(10.0, rel=0.1)
    assert shrunk_rates(np.array([7.0, 0.0]), np.array([7.0, 0.0]))[1] == pytest.approx(1.0, rel=0.1)


def test_odds_and_futures_are_made_to_fit_alike(fleet: passim.Fleet) -> None:
    """The share of drawn futures without service is the odds in closed form, share that comes and floor counted in."""
    span = Span.starting(START + timedelta(hours=30), 2)
    seen = find_visibility(fleet, VIEW, searched_span(span))
    floor = Floor((3.0,) * 24, (12.0,), "UTC")
    fitted = Calibration(0.6, 0.5, 2.0, floor)
    plain, made = (ServiceForecast.of(seen, span, calibration=each) for each in (None, fitted))
    odds, futures = made.odds(span), made.futures(VIDEO, runs=400)
    edges_us = odds.edges_us
    drawn = 1.0 - (1.0 - futures.mean_out(edges_us)) * (1.0 - floor.out_at(odds.moments_us))
    assert np.abs(drawn - odds.no_service).mean() < 0.01
    assert (drawn @ np.diff(edges_us)) / 1e6 == pytest.approx(odds.expected_gap_s, rel=0.05)
    # A gap that ends later weighs more, one that does not come weighs nothing, and predicted times stay.
    assert plain.odds(span).expected_gap_s != pytest.approx(odds.expected_gap_s, rel=0.05)
    assert [each.tolist() for each in plain.gaps_us()] == [each.tolist() for each in made.gaps_us()]
    # The same gap comes or not in the same future, whatever span is asked about.
    part = Span(span.start, span.start + timedelta(hours=1))
    early = ServiceForecast.of(seen, part, calibration=fitted).futures(VIDEO, runs=400)
    whole = futures.end_us < part.end_us
    assert early.run[early.end_us < part.end_us].tolist() == futures.run[whole].tolist()


def test_calls_like_these_are_counted_by_hand() -> None:
    """Two hours, calls of 30 min: forecast a pause in the first, came one in the first and the third."""
    at = round(START.timestamp() * 1e6)
    second = 1_000_000

    def out(*bounds: tuple[int, int]) -> passim.intervals.Intervals:
        return passim.intervals.Intervals(*(at + second * np.array(bounds, dtype=np.int64).reshape(-1, 2).T))

    learned = LearnedLine(
        span=Span.starting(START, 24), days=5, calibration=Calibration(1.0, 0.0, 0.0, Floor((0.0,) * 24, (), "UTC")),
        brier_plain=0.1, brier_learned=0.1, gain=passim.forecast.verification.Bounds(0.0, -0.1, 0.1),
        forecast=out((600, 610)), recorded=out((602, 612), (4000, 4040)), unseen=out((5400, 5700)),
    )  # fmt: skip
    found = replay_calls(learned, VIDEO, 30, DailyHours(0, 120), "UTC")
    # The fourth was measured for 25 of its 30 minutes: it is not judged.
    assert (found.judged, found.as_forecast) == (3, 2)
    assert (found.usual, found.usual_count) == ("undisturbed", 1)
    with pytest.raises(InputError):
        replay_calls(learned, VIDEO, 0, DailyHours(), "UTC")
    buffered: CallKind = VIDEO.changed("the test", buffer_s=15.0)
    assert replay_calls(learned, buffered, 30, DailyHours(0, 120), "UTC").as_forecast == 2


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    at = datetime.fromisoformat("2026-11-25T08:00-01:00")
    return Workspace.load(create(tmp_path_factory.mktemp("made") / "school", demo=True, at=at).folder)


def test_what_was_learned_is_kept_for_this_view_alone(learned: LearnedLine, school: Workspace) -> None:
    view = school.view()
    assert read_learned(school, None, view) is None
    keep_learned(school, view, learned)
    assert (school.folder / LEARNED_NAME).stat().st_size < 300_000
    again = read_learned(school, None, view)
    assert again is not None
    assert again.calibration == learned.calibration
    assert (again.gain, again.days, again.span) == (learned.gain, learned.days, learned.span)
    for name in ("forecast", "recorded", "unseen"):
        assert [each.tolist() for each in getattr(again, name)] == [each.tolist() for each in getattr(learned, name)]

    # Another roof line, a limit lifted, another fleet: what was learned does not hold there.
    site = dataclasses.replace(view.site, horizon=Horizon.flat(40.0))
    assert read_learned(school, None, dataclasses.replace(view, site=site)) is None
    assert read_learned(school, None, view.without("gateway")) is None
    soon, late = WEEK.end + timedelta(days=29), WEEK.end + timedelta(days=31)
    assert lesson_of(school, None, view, soon).calibration == learned.calibration
    assert lesson_of(school, None, view, late).learned is None


def test_a_damaged_lesson_is_told_and_done_without(learned: LearnedLine, school: Workspace) -> None:
    view, file = school.view(), school.folder / LEARNED_NAME
    keep_learned(school, view, learned)
    sound = json.loads(file.read_text())
    for change in (
        {"came_share": 7.0}, {"forecast": [[3, 2], [2, 3]]}, {"recorded": "x"}, {"gain": [0.1]}, {"floor": {}},
        {"span_us": [5, 1]}, {"version": 99}, {"days": "seven"}, {"unseen": [[1e30], [2]]},
    ):  # fmt: skip
        file.write_text(json.dumps({**sound, **change}))
        with pytest.raises(WorkspaceError, match="what was learned of the line"):
            read_learned(school, None, view)
        lesson = lesson_of(school, None, view, WEEK.end)
        assert lesson.calibration is None
        assert LEARNED_NAME in lesson.fault
    file.write_bytes(b"\xff{")
    assert lesson_of(school, None, view, WEEK.end).fault
    file.unlink()
    assert lesson_of(school, None, view, WEEK.end).fault == ""


def test_numbers_out_of_range_are_refused() -> None:
    floor = Floor((0.0,) * 24, (), "UTC")
    for wrong in (
        lambda: Calibration(1.2, 0.0, 0.0, floor),
        lambda: Calibration(0.5, float("nan"), 0.0, floor),
        lambda: Floor((1.0,) * 23, (5.0,), "UTC"),
        lambda: Floor((1.0,) * 24, (), "UTC"),
        lambda: Floor((-1.0,) * 24, (5.0,), "UTC"),
        lambda: Floor((0.0,) * 24, (), "Nowhere/Land"),
    ):
        with pytest.raises(InputError):
            wrong()
