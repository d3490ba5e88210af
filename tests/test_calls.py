"""When to call: what awaits a call, the order of starts, what choosing gains, calls set by others.

The afternoon of the invented scenario has no gap from 12:00 to 21:00 local time, its morning has 4 to 10 gaps an hour:
figures of tests/step_simulation.py, which takes nothing of passim, or in keeping with it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from passim.answers.calls.calendar_in import Event
from passim.answers.calls.changes import changes, check_record, plan_record, record_to_keep
from passim.answers.calls.check import check_calls, horizon_of
from passim.answers.calls.forecast import MARGIN, ServiceForecast, searched_span
from passim.answers.calls.hours import MINUTE_US
from passim.answers.calls.kinds import LESSON, STREAM
from passim.answers.calls.outlook import COLUMNS, rank, windows
from passim.answers.calls.plan import CallPlan, plan_of
from passim.answers.calls.recurrence import RuleFault
from passim.coverage.visibility import find_visibility
from passim.elements.records import Fleet
from passim.errors import ElementsError, InputError
from passim.forecast.timing import TimingModel
from passim.intervals import GroupedIntervals, Intervals
from passim.sky.limits import GatewayLimit
from passim.sky.view import View
from passim.spans import DailyHours, Span, microseconds
from passim_apps.text.calls import plan_sentences, reason_words
from passim_apps.text.units import LocalClock
from tests import scenario

DAY = datetime(2026, 11, 25, tzinfo=UTC)
AZORES = "Atlantic/Azores"
SOUTH = scenario.SOUTH
VIEW = View(
    scenario.MARRAM_LOFT,
    (GatewayLimit((SOUTH,)),),
)


def forecast_of(epoch: datetime, span: Span, **options: bool) -> ServiceForecast:
    seen = find_visibility(scenario.plover(epoch), VIEW, searched_span(span), warn=False)
    return ServiceForecast.of(seen, span, **options)


@pytest.fixture(scope="module")
def marram() -> ServiceForecast:
    """Marram's loft from 09:00 UTC of the scenario's day on, for two days."""
    return forecast_of(DAY, Span.starting(DAY + timedelta(hours=9), 48))


def one_satellite(
    cover_s: list[tuple[float, float]], hours: float = 3.0, model: TimingModel | None = None
) -> ServiceForecast:
    """A forecast in which one satellite each serves in stretches given in seconds from the start, without error."""
    span = Span.starting(DAY, hours)
    around = searched_span(span)
    fleet = Fleet(scenario.plover(DAY).records[: len(cover_s)], "invented")
    start, end = (np.array([span.start_us + round(s * 1e6) for s in column]) for column in zip(*cover_s, strict=True))
    joint = GroupedIntervals(np.arange(len(cover_s)), start, end)
    return ServiceForecast(span, fleet, joint, around, model or TimingModel.steady(0.0))


# --- what awaits a call -----------------------------------------------------------------------------------------------


def test_ages_are_those_of_the_start_and_not_of_its_hour(marram: ServiceForecast) -> None:
    times = [marram.span.start + timedelta(minutes=minutes) for minutes in (0, 7, 59, 60, 125)]
    found = marram.freshness_at(np.array([microseconds(each) for each in times]))
    for when, fresh in zip(times, found, strict=True):
        exact = marram.freshness(when)
        assert (fresh.band, fresh.median_s) == (exact.band, pytest.approx(exact.median_s, abs=1e-3))
        assert (fresh.oldest_s, fresh.sigma_s) == pytest.approx((exact.oldest_s, exact.sigma_s), rel=1e-6)


def test_a_plan_tells_how_fresh_the_elements_are_at_its_first_and_last_start(marram: ServiceForecast) -> None:
    """From 8:00 to 18:00 on the Azores, 09:00 to 19:00 UTC: an hour may start from 09:00 to 18:00 the day after."""
    found = plan_of(marram, LESSON, minutes=60, hours=DailyHours(480, 1080), timezone=AZORES)
    for fresh, when in ((found.first, DAY + timedelta(hours=9)), (found.last, DAY + timedelta(hours=24 + 18))):
        assert fresh.median_s == pytest.approx(marram.freshness(when).median_s, abs=1.0)


def test_figures_of_gaps_made_by_hand() -> None:
    """Gaps of 4, 20 and 40 s at 10, 20 and 30 minutes: by hand, a call from 5 to 35 minutes meets all three."""
    ends = (600.0, 604.0), (1200.0, 1220.0), (1800.0, 1840.0)
    cover = [(-300.0, 600.0), (604.0, 1200.0), (1220.0, 1800.0), (1840.0, 11100.0)]
    known = one_satellite(cover)
    assert [((a - known.span.start_us) / 1e6, (b - known.span.start_us) / 1e6)
            for a, b in zip(*(x.tolist() for x in known.gaps_us()), strict=True)] == list(ends)  # fmt: skip
    at = np.array([known.span.start_us + minute * MINUTE_US for minute in (5, 32)])
    table = windows(known, known.futures(LESSON, runs=3), LESSON, at, 30)
    assert list(table.columns) == list(COLUMNS)
    first, second = table.iloc[0], table.iloc[1]
    assert (first["expected_freezes"], first["expected_pauses"], first["chance_of_end"]) == (3.0, 2.0, 1.0)
    assert (first["expected_frozen_s"], first["worst_p50_s"], first["worst_p90_s"]) == pytest.approx((64.0, 40.0, 40.0))
    assert (second["expected_freezes"], second["expected_frozen_s"], second["chance_of_end"]) == (0.0, 0.0, 0.0)


def test_a_buffer_plays_on() -> None:
    """With 18 s in hand a gap of 4 s goes unseen, one of 20 s freezes for 2 s and one of 40 s for 22 s (by hand)."""
    known = one_satellite([(-300.0, 600.0), (604.0, 1200.0), (1220.0, 1800.0), (1840.0, 11100.0)])
    at = np.array([known.span.start_us + minute * MINUTE_US for minute in (5, 30)])
    table = windows(known, known.futures(STREAM, runs=2), STREAM, at, 30)
    assert table["expected_freezes"].tolist() == [2.0, 1.0]
    assert table["expected_pauses"].tolist() == [1.0, 1.0]
    assert table["expected_frozen_s"].tolist() == pytest.approx([24.0, 22.0])
    assert table["chance_of_end"].tolist() == [0.0, 0.0]
    # A gap that began before the span has used up what was in hand.
    began = one_satellite([(-300.0, -10.0), (20.0, 11100.0)])
    (start,), (end,) = began.gaps_us(18.0)
    assert ((start - began.span.start_us) / 1e6, (end - began.span.start_us) / 1e6) == (8.0, 20.0)


def row(end: float, pauses: float, frozen_s: float, worst_s: float, minute: int) -> dict[str, object]:
    start = pd.Timestamp(DAY + timedelta(minutes=minute)).as_unit("us")
    return {"chance_of_end": end, "expected_pauses": pauses, "expected_frozen_s": frozen_s, "worst_p90_s": worst_s,
            "start": start}  # fmt: skip


def test_the_order_of_starts() -> None:
    """One row for each step of the objective, in the order in which they must come out."""
    ordered = [
        row(0.05, 1.0, 9.0, 3.0, 9),
        row(0.00, 1.02, 9.3, 3.0, 10),  # of equals the earlier: chances and hundredths of pauses do not decide
        row(0.00, 1.0, 9.0, 8.0, 2),
        row(0.00, 1.0, 20.0, 2.0, 1),
        row(0.00, 1.5, 2.0, 2.0, 0),
        row(0.06, 0.0, 1.0, 1.0, 3),
    ]
    for shuffle in ([5, 4, 3, 2, 1, 0], [2, 0, 4, 1, 5, 3]):
        table = pd.DataFrame([ordered[k] for k in shuffle])
        assert [shuffle[k] for k in rank(table)] == [0, 1, 2, 3, 4, 5]


# --- the plan ---------------------------------------------------------------------------------------------------------


def plan(marram: ServiceForecast, from_hour: int, to_hour: int, **options: object) -> CallPlan:
    hours = DailyHours(from_hour * 60, to_hour * 60, (0, 1, 2, 3, 4))
    return plan_of(marram, LESSON, hours=hours, timezone=AZORES, **options)  # type: ignore[arg-type]


def test_afternoons_come_before_mornings(marram: ServiceForecast) -> None:
    found = plan(marram, 8, 18)
    hour = found.ranked["start"].dt.tz_convert(ZoneInfo(AZORES)).dt.hour
    pauses = found.ranked["expected_pauses"]
    assert pauses[hour >= 12].max() < 0.05
    assert 1.0 < pauses[hour < 12].mean() < 4.0
    # Nearly all of the afternoon stands before nearly all of the morning.
    place = pd.Series(range(len(hour)))
    assert place[hour < 11].median() > place[hour >= 12].max()
    assert (found.suggestions["start"].dt.tz_convert(ZoneInfo(AZORES)).dt.hour >= 11).all()
    assert found.gain is not None
    assert found.gain.worth_choosing
    assert found.gain.pauses.mean - found.gain.best_pauses > 0.5
    assert found.gain.frozen_s.low <= found.gain.frozen_s.mean <= found.gain.frozen_s.high
    assert 0.4 < found.gain.share_as_good < 0.9
    assert 0.0 < found.gain.share_worse <= 1.0 - found.gain.share_as_good
    assert not found.gain.all_alike
    assert found.from_noon is not None
    assert not found.from_noon.worth_choosing
    assert found.from_noon.all_alike
    assert found.by_hour.set_index("hour")["expected_frozen_s"].loc[8] > 20.0


def test_no_start_of_an_even_afternoon_is_better(marram: ServiceForecast) -> None:
    found = plan(marram, 13, 18)
    assert found.gain is not None
    assert not found.gain.worth_choosing
    assert found.gain.share_as_good == 1.0
    assert found.gain.all_alike
    assert found.before_noon is None


def test_nearly_any_start_is_not_none_is_better() -> None:
    """One gap of 40 s at minute 150: by hand 5 of the 176 starts of a call of 5 min meet it, those of 146 to 150."""
    known = one_satellite([(-300.0, 9000.0), (9040.0, 11100.0)], hours=3.0)
    found = plan_of(known, LESSON, minutes=5)
    assert found.gain is not None
    assert found.gain.share_as_good == pytest.approx(171 / 176)
    assert found.gain.share_worse == pytest.approx(5 / 176)
    assert not found.gain.worth_choosing
    assert not found.gain.all_alike
    words = plan_sentences(found, LocalClock("UTC", known.span))
    assert words == [
        "Nearly any start will do: 97.2 % are as good as the best; a random one meets 1.1 s frozen.",
        "The first of the best: 00:00 on Wed 25 Nov, no freeze expected.",
        "Looked at Wed 25 Nov, all day, every day.",
    ]
    # What a check would call better is never said to be no better by the ranking.
    (checked,) = check_calls(
        known, LESSON, [Event("a", "a", DAY + timedelta(minutes=145), DAY + timedelta(minutes=155))]
    ).calls
    assert checked.nearest_better is not None


def test_equally_good_starts_are_suggested_on_every_day() -> None:
    covered = one_satellite([(-300.0, 72 * 3600.0 + 300.0)], hours=72.0)
    found = plan_of(covered, LESSON, hours=DailyHours(480, 1080), most=6)
    assert found.suggestions["start"].dt.day.value_counts().to_dict() == {25: 2, 26: 2, 27: 2}
    assert found.span == covered.span


def test_suggestions_keep_clear_of_the_cliff() -> None:
    """Out until 60:18 and from 170:00 on, by hand: of the equal starts from 61 to 140, those with 15 min clear on both
    sides are 76 to 125, and of those the first quarters of an hour are 90 and 120."""
    known = one_satellite([(3618.0, 10200.0)])
    found = plan_of(known, LESSON, most=2)
    at = [round((when - DAY).total_seconds() / 60) for when in found.suggestions["start"].dt.to_pydatetime()]
    assert at == [90, 120]
    # A freeze that only one drawn future has is one to keep clear of: errors of 7 s make the cliff half a minute wide.
    uncertain = one_satellite([(3618.0, 10200.0)], model=TimingModel.steady(7.0))
    blurred = plan_of(uncertain, LESSON, most=1).suggestions["start"].iloc[0]
    assert 76 < round((blurred - DAY).total_seconds() / 60) < 125


def test_suggestions_are_apart_free_and_allowed(marram: ServiceForecast) -> None:
    noon = DAY + timedelta(hours=13)
    busy = Intervals(np.array([microseconds(noon)]), np.array([microseconds(noon + timedelta(hours=3))]))
    found = plan(marram, 8, 18, most=9, busy_us=busy)
    assert len(found.suggestions) == 9
    start = found.suggestions["start"].sort_values()
    assert start.diff().min() >= pd.Timedelta(minutes=30)
    assert not ((found.ranked["start"] < noon + timedelta(hours=3)) & (found.ranked["end"] > noon)).any()
    assert len(found.ranked) < found.allowed_count
    assert len(plan(marram, 8, 18, most=1).suggestions) == 1
    # What choosing gains is counted among the free starts alone, as numpy has it.
    assert found.gain is not None
    assert found.gain.starts == found.by_hour["starts"].sum() == len(found.ranked)
    assert found.gain.pauses.mean == pytest.approx(np.mean(found.ranked["expected_pauses"].to_numpy()))
    assert found.gain.best_pauses == found.ranked["expected_pauses"].iloc[0]


def test_the_same_question_has_the_same_answer_and_figures_are_not_those_that_chose(marram: ServiceForecast) -> None:
    one, same, other = plan(marram, 8, 11), plan(marram, 8, 11), plan(marram, 8, 11, seed=7)
    pd.testing.assert_frame_equal(one.ranked, same.ranked)
    assert not one.ranked["expected_frozen_s"].equals(other.ranked["expected_frozen_s"])
    # The futures that chose flatter the best of many equals; those that tell do not.
    chosen_by = windows(marram, marram.futures(LESSON, seed=1), LESSON, _us(one.ranked["start"].iloc[:1]), 30)
    assert not chosen_by["expected_frozen_s"].equals(one.ranked["expected_frozen_s"].iloc[:1])


def _us(times: pd.Series) -> np.ndarray:
    return np.array([microseconds(t.to_pydatetime()) for t in times])


def test_when_every_start_is_taken(marram: ServiceForecast) -> None:
    span = marram.span
    found = plan(marram, 8, 18, busy_us=Intervals(np.array([span.start_us]), np.array([span.end_us])))
    assert found.gain is None
    assert found.suggestions.empty
    assert not found.statistics_only
    assert len(found.by_hour) == 10


@pytest.mark.parametrize("most", [0, 101, True, 2.5])
def test_a_number_of_suggestions(marram: ServiceForecast, most: object) -> None:
    with pytest.raises(InputError, match="number of suggestions"):
        plan(marram, 8, 18, most=most)


def test_old_elements_leave_the_hours_only() -> None:
    span = Span.starting(DAY + timedelta(days=9, hours=9), 12)
    found = plan_of(forecast_of(DAY, span), LESSON, timezone=AZORES)
    assert found.statistics_only
    assert found.first.band.name == "statistics only"
    assert found.suggestions.empty
    assert found.gain is None
    assert found.by_hour["starts"].sum() == found.allowed_count == 691


def test_too_old_elements_are_refused_unless_told() -> None:
    span = Span.starting(DAY + timedelta(days=15), 6)
    with pytest.raises(ElementsError, match=r"elements .*15 days.*; wanted at most 14 days; try newer elements"):
        forecast_of(DAY, span)
    found = plan_of(forecast_of(DAY, span, allow_stale=True), LESSON, timezone=AZORES)
    assert found.statistics_only
    # The first day may do where the last does not: the whole span counts.
    with pytest.raises(ElementsError, match="15 days"):
        forecast_of(DAY, Span(DAY + timedelta(days=13), DAY + timedelta(days=15)))


def test_a_forecast_needs_its_margin(marram: ServiceForecast) -> None:
    assert marram.searched.end - marram.span.end >= MARGIN
    assert marram.span.start - marram.searched.start >= MARGIN
    seen = find_visibility(scenario.plover(DAY), VIEW, Span.starting(DAY, 2))
    with pytest.raises(InputError, match="span of the calls"):
        ServiceForecast.of(seen, Span.starting(DAY, 3))


# --- calls that others have set ---------------------------------------------------------------------------------------


def call(title: str, hour: float, minutes: int = 45, day: int = 0, **options: bool) -> Event:
    start = DAY + timedelta(days=day, hours=hour)
    return Event(f"{title}@invented", title, start, start + timedelta(minutes=minutes), **options)


def test_calls_are_checked_and_better_starts_found(marram: ServiceForecast) -> None:
    events = [call("Choir", 16.0), call("Geometry", 10.5)]
    hours = DailyHours(480, 1080)
    check = check_calls(marram, LESSON, events, hours=hours, timezone=AZORES)
    geometry, choir = check.calls
    assert (geometry.event.title, choir.event.title) == ("Geometry", "Choir")
    assert check.left_out == ()
    # The single times are those of the predicted gaps, and agree with what is expected at this age.
    assert geometry.shows_times
    assert len(geometry.freezes) == pytest.approx(geometry.outlook["expected_freezes"], abs=0.5)
    total_s = sum(freeze.duration_s for freeze in geometry.freezes)
    assert total_s == pytest.approx(geometry.outlook["expected_frozen_s"], rel=0.2)
    assert all(geometry.event.start <= freeze.start < geometry.event.end for freeze in geometry.freezes)
    better = geometry.nearest_better
    assert better is not None
    assert better["expected_pauses"] <= geometry.outlook["expected_pauses"] - 0.4 or better["chance_of_end"] <= 0.05
    assert better["end"] - better["start"] == pd.Timedelta(minutes=45)
    # Choir has nothing to gain.
    assert choir.freezes == ()
    assert choir.nearest_better is None
    table = check.table
    assert table["better_start"].isna().tolist() == [False, True]
    assert table["title"].tolist() == ["Geometry", "Choir"]


def test_what_is_no_call_is_left_out_with_a_reason(marram: ServiceForecast) -> None:
    events = [
        call("Fair", 0.0, 24 * 60, day=1, all_day=True),
        call("Early", 8.9),
        call("Late", 8.5, day=2),
        call("Camp", 10.0, 13 * 60),
        call("Bell", 12.0, 0),
    ]
    check = check_calls(marram, LESSON, events, timezone=AZORES)
    assert check.calls == ()
    assert check.table.empty
    assert {event.title: reason_words(reason) for event, reason in check.left_out} == {
        "Early": "it has begun already",
        "Camp": "it lasts over 12 h",
        "Fair": "it lasts whole days",
        "Late": "it comes after the days asked about",
        "Bell": "it has no length",
    }


def test_calls_at_other_sites_over_already_or_by_a_rule_nobody_follows_are_named(marram: ServiceForecast) -> None:
    places = {
        "A": "Skerry",
        "B": "skerry, the hall",
        "C": "Skerry roof",
        "D": "Skerryvore",
        "E": "",
        "F": "Marram loft",
    }
    events = [replace(call(title, 10.0), place=place) for title, place in places.items()]
    events += [call("Dawn", 8.0), replace(call("Odd", 12.0), guessed=RuleFault("BYMONTH=13", "1 to 12"))]
    check = check_calls(marram, LESSON, events, timezone=AZORES, other_sites=("Skerry", "Lantern"))
    assert [one.event.title for one in check.calls] == ["D", "E", "F"]
    assert {event.title: reason_words(reason) for event, reason in check.left_out} == {
        **dict.fromkeys("ABC", "it is at another site, Skerry"),
        "Dawn": "it is already over",
        "Odd": "the rule by which it repeats cannot be followed (BYMONTH=13 in place of 1 to 12)",
    }


def test_how_far_elements_tell_single_calls() -> None:
    """Elements of midnight are 9 h old at 09:00, and odds are told up to 7 days: 6 days and 15 h ahead (by hand)."""
    fleet, at = scenario.plover(DAY), DAY + timedelta(hours=9)
    assert horizon_of(fleet, at) == DAY + timedelta(days=7)
    assert horizon_of(fleet, at + timedelta(days=9)) == at + timedelta(days=9)


def test_the_nearest_better_start_keeps_clear_of_other_events(marram: ServiceForecast) -> None:
    geometry = call("Geometry", 10.5)
    (free,) = check_calls(marram, LESSON, [geometry], timezone=AZORES).calls
    assert free.nearest_better is not None
    when = free.nearest_better["start"].to_pydatetime()
    block = Event("block", "Block", when, when + timedelta(minutes=5))
    (kept,) = check_calls(marram, LESSON, [geometry], timezone=AZORES, busy=[block]).calls
    assert kept.nearest_better is not None
    moved = kept.nearest_better
    assert moved["start"] >= block.end or moved["end"] <= block.start
    # Hours that hold no call of this length hold no better start.
    (none,) = check_calls(marram, LESSON, [geometry], hours=DailyHours(0, 20), timezone=AZORES).calls
    assert none.nearest_better is None


def test_of_calm_starts_the_nearest_is_offered_be_it_before_or_after() -> None:
    """Freezes of 10 s at 14:01, 14:06, 14:11 and 14:16: by hand, half an hour is calm until 13:31 and from 14:17."""
    gaps_s = [14 * 3600.0 + 60.0 + 300.0 * k for k in range(4)]
    edges = [-300.0, *(edge for gap in gaps_s for edge in (gap, gap + 10.0)), 24 * 3600.0 + 300.0]
    known = one_satellite(list(zip(edges[::2], edges[1::2], strict=True)), hours=24.0)
    for minute, offered in ((0, (14, 17)), (2, (14, 17)), (-15, (13, 31))):
        event = call("Geometry", 14.0 + minute / 60.0, 30)
        (checked,) = check_calls(known, LESSON, [event], hours=DailyHours(600, 1080)).calls
        assert checked.nearest_better is not None
        at = checked.nearest_better["start"].tz_convert("UTC")
        assert (at.hour, at.minute) == offered


def test_a_good_start_of_the_same_day_comes_before_a_nearer_one_that_is_a_little_better() -> None:
    """Freezes of 10 s at 10:01, 10:06, 10:11, 10:16 and 10:40: by hand the first calm half hour begins at 10:41."""
    gaps_s = [36060.0 + 300.0 * k for k in range(4)] + [38400.0]
    edges = [-300.0, *(edge for gap in gaps_s for edge in (gap, gap + 10.0)), 24 * 3600.0 + 300.0]
    known = one_satellite(list(zip(edges[::2], edges[1::2], strict=True)), hours=24.0)
    hours = DailyHours(600, 1080)
    (checked,) = check_calls(known, LESSON, [call("Geometry", 10.0, 30)], hours=hours).calls
    assert checked.outlook["expected_pauses"] == pytest.approx(4.0, abs=0.2)
    assert checked.nearest_better is not None
    # From 10:02 it would be one pause less, and that is noticed as well.
    at = checked.nearest_better["start"].tz_convert("UTC")
    assert (at.hour, at.minute) == (10, 41)


def test_old_elements_hide_single_times_and_then_single_calls() -> None:
    for days, shows in ((5, [False]), (9, [])):
        span = Span.starting(DAY + timedelta(days=days, hours=9), 6)
        check = check_calls(forecast_of(DAY, span), LESSON, [call("Geometry", 10.5, day=days)], timezone=AZORES)
        assert [c.shows_times for c in check.calls] == shows
        assert all(c.freezes == () for c in check.calls)
    ((_, reason),) = check.left_out
    assert reason_words(reason) == "elements are over 7 days old by then, too old to tell single calls"


# --- what new elements changed ----------------------------------------------------------------------------------------


def test_changes_between_two_answers(marram: ServiceForecast) -> None:
    events = [call("Geometry", 10.5), call("Choir", 16.0), call("Latin", 12.0)]
    before = check_record(check_calls(marram, LESSON, events, timezone=AZORES))
    assert changes(before, before, DAY) == []
    open_sky = replace(marram, joint=GroupedIntervals(*(
        np.array([value]) for value in (0, marram.searched.start_us, marram.searched.end_us)
    )))  # fmt: skip
    after = check_record(check_calls(open_sky, LESSON, [*events[:2], call("Art", 14.0)], timezone=AZORES))
    found = changes(before, after, DAY)
    assert [(c.what, c.title) for c in found] == [("better", "Geometry"), ("gone", "Latin"), ("new", "Art")]
    assert found[0].before is not None
    assert found[0].before["expected_pauses"] > 1.0
    assert found[0].after == {"chance_of_end": 0.0, "expected_pauses": 0.0, "expected_frozen_s": 0.0}
    assert [c.what for c in changes(after, before, DAY)] == ["worse", "new", "gone"]
    # What is over is no news.
    assert changes(before, after, DAY + timedelta(days=1)) == []


def test_changes_come_by_start_and_calls_of_one_start_by_name() -> None:
    """A different order of the two records, and of names and starts, changes nothing."""

    def kept(uid: str, hour: int, pauses: float) -> dict[str, object]:
        start = (DAY + timedelta(hours=hour)).isoformat()
        return {"uid": uid, "title": uid, "start": start, "chance_of_end": 0.0, "expected_pauses": pauses,
                "expected_frozen_s": 0.0}  # fmt: skip

    places = [(uid, hour) for hour in (12, 9) for uid in "dbace"]
    before, after = ([kept(uid, hour, pauses) for uid, hour in places] for pauses in (0.0, 3.0))
    for calls in (after, after[::-1]):
        found = changes({"calls": before}, {"calls": calls}, DAY)
        assert [(c.start.hour, c.title) for c in found] == [(h, uid) for h in (9, 12) for uid in "abcde"]
        assert {c.what for c in found} == {"worse"}


def test_the_next_day_only_what_both_answers_looked_at_is_compared(marram: ServiceForecast) -> None:
    """By hand: three calls, of which one is over, one fell out of the days looked at, and one got worse; a new one."""

    def kept(start: datetime, pauses: float) -> dict[str, object]:
        return {"uid": "", "title": "suggested call", "start": start.isoformat(), "chance_of_end": 0.0,
                "expected_pauses": pauses, "expected_frozen_s": 0.0}  # fmt: skip

    hour = [DAY + timedelta(hours=h) for h in (10, 30, 34, 40, 80)]
    before = record_to_keep(
        {"calls": [kept(hour[0], 0.0), kept(hour[1], 0.0), kept(hour[2], 0.0)]}, Span(DAY, hour[3]), ""
    )
    later = Span(DAY + timedelta(hours=24), DAY + timedelta(hours=96))
    after = {"calls": [kept(hour[4], 0.0)], "others": [kept(hour[1], 0.0), kept(hour[2], 2.0), kept(hour[4], 0.0)]}
    found = changes(before, after, later.start, later)
    # The start at 30 h is as good as it was, though another is suggested now; that at 80 h was not looked at before.
    assert [(c.what, c.start) for c in found] == [("worse", hour[2])]
    gone = changes(before, {**after, "others": after["others"][1:]}, later.start, later)
    assert [(c.what, c.start) for c in gone] == [("gone", hour[1]), ("worse", hour[2])]


def test_a_start_suggested_only_now_is_news_where_it_is_better_than_all_before() -> None:
    """By hand: with 3 pauses at one old start and none at the other, one without pauses is no news, and one that is
    without them while both have some is."""

    def kept(hour: int, pauses: float) -> dict[str, object]:
        return {"uid": "", "title": "suggested call", "start": (DAY + timedelta(hours=hour)).isoformat(),
                "chance_of_end": 0.0, "expected_pauses": pauses, "expected_frozen_s": 0.0}  # fmt: skip

    before = {"calls": [kept(10, 3.0), kept(12, 3.0)]}
    for second, news in ((0.0, []), (3.0, [("new", 15)])):
        others = [kept(10, 3.0), kept(12, second), kept(15, 0.0)]
        found = changes(before, {"calls": [others[2]], "others": others}, DAY)
        assert [(c.what, c.start.hour) for c in found if c.what == "new"] == news
    assert found[0].before is None
    assert found[0].after == {"chance_of_end": 0.0, "expected_pauses": 0.0, "expected_frozen_s": 0.0}


def test_a_plan_is_kept_too(marram: ServiceForecast) -> None:
    record = plan_record(plan(marram, 8, 18, most=2))
    assert len(record["calls"]) == 2
    assert changes({"calls": []}, record, DAY)[0].what == "new"
