"""What a report gathers: the same numbers as the answers to the single questions, and reasons where there are none."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from passim import Cone, Coverage, Fleet, Horizon, Span
from passim.answers import report as reports
from passim.answers.calls import forecast as call_forecast, kinds as call_kinds, plan as calls
from passim.answers.growth import curves as growth, goals as growth_goals, orders as growth_orders
from passim.answers.sites import elsewhere as report_elsewhere
from passim.answers.sites.horizon_cost import sector_costs
from passim.coverage import redundancy
from passim.coverage.causes import causes_of
from passim.coverage.visibility import find_visibilities, find_visibility
from passim.errors import InputError, SpanError, WayOut
from passim.parallel import chunks as workers
from passim.sky.view import View
from passim.spans import DailyHours, zone
from passim_apps.report.sections import CAUTIONS, assumptions
from passim_apps.text.growth import stand_in_sentence
from passim_apps.text.sky import place_sentences
from tests import scenario

AT = datetime(2026, 11, 25, 7, tzinfo=UTC)
SCHOOL_HOURS = DailyHours(480, 1080, (0, 1, 2, 3, 4))
GOAL = growth_goals.parse_goal("covered >= 90 %")


def made(
    span: Span,
    view: View | None = None,
    fleet: Fleet | None = None,
    hours: DailyHours = SCHOOL_HOURS,
    goal: growth_goals.Goal = GOAL,
) -> reports.Report:
    """Return a report with few draws: every number must hold for any."""
    view = view or scenario.view_of(scenario.MARRAM_LOFT)
    fleet = fleet or scenario.plover(AT.replace(hour=0))
    return reports.make_report(
        find_visibility(fleet, view, span, warn=False),
        find_visibility(fleet, view, call_forecast.searched_span(span), warn=False),
        at=AT,
        kind=call_kinds.LESSON,
        minutes=30,
        hours=hours,
        goal=goal,
        draws=3,
        runs=20,
    )


@pytest.fixture(scope="module")
def loft() -> reports.Report:
    return made(Span.starting(AT, hours=36))


def test_gaps_causes_and_sectors_are_those_of_their_own_answers(loft: reports.Report) -> None:
    seen = loft.visibility
    joint = seen.joint()
    coverage = Coverage.from_intervals(joint.start, joint.end, seen.span)
    assert loft.summary == coverage.summary()
    assert loft.summary["gap_count"] > 50
    pd.testing.assert_frame_equal(loft.gaps, causes_of(seen).table)
    pd.testing.assert_frame_equal(loft.sectors, sector_costs(seen))


def test_the_days_add_up_to_the_span(loft: reports.Report) -> None:
    days = loft.days
    assert [str(date) for date in days["date"]] == ["2026-11-25", "2026-11-26"]
    assert days["span_s"].sum() == pytest.approx(36 * 3600.0)
    assert days["gap_s"].sum() == pytest.approx(loft.gaps["duration_s"].sum())
    np.testing.assert_allclose(days["covered_fraction"], 1.0 - days["gap_s"] / days["span_s"])
    # The longest of each day, found again from the gaps by their local date; none goes over midnight here.
    local = loft.gaps["start"].dt.tz_convert(zone("Atlantic/Azores")).dt.date
    ends = loft.gaps["end"].dt.tz_convert(zone("Atlantic/Azores")).dt.date
    assert (local == ends).all()
    np.testing.assert_allclose(days["longest_gap_s"], loft.gaps.groupby(local)["duration_s"].max())


def test_a_gap_over_midnight_is_parted_between_its_days() -> None:
    # From 00:59:50 UTC on nothing is above a mask of 89 deg for a while, so one gap lies over local midnight (UTC-1).
    high = View(replace(scenario.MARRAM_LOFT, horizon=Horizon.flat(89.0)), lowest_elevation_deg=89.0)
    report = made(Span(AT.replace(hour=0), AT.replace(hour=2)), high)
    midnight = pd.Timestamp("2026-11-25T01:00Z")
    over = report.gaps[(report.gaps["start"] < midnight) & (report.gaps["end"] > midnight)]
    assert len(over) == 1
    assert report.days["longest_gap_s"].max() <= 3600.0
    assert report.days["gap_s"].sum() == pytest.approx(report.gaps["duration_s"].sum())


def test_the_first_day_is_24_hours_and_its_sky_too(loft: reports.Report) -> None:
    assert loft.first_day.span == Span.starting(AT, hours=24)
    begins = loft.track.groupby("piece")["time"].first()
    assert begins.max() < pd.Timestamp(AT + timedelta(hours=24))
    assert begins.max() > pd.Timestamp(AT + timedelta(hours=23))
    assert {outline.limit for outline in loft.outlines} == {"horizon", "gateway", "floor"}


def test_calls_are_those_of_their_own_answer(loft: reports.Report) -> None:
    wider = find_visibility(loft.visibility.fleet, loft.visibility.view, call_forecast.searched_span(loft.span))
    forecast = call_forecast.ServiceForecast.of(wider, loft.span)
    plan = calls.plan_of(
        forecast, call_kinds.LESSON, minutes=30, hours=SCHOOL_HOURS, timezone="Atlantic/Azores", runs=20, seed=1
    )
    assert loft.plan is not None
    pd.testing.assert_frame_equal(loft.plan.suggestions, plan.suggestions)
    assert loft.no_plan is None


def test_growth_is_that_of_its_own_answer_in_three_orders(loft: reports.Report) -> None:
    assert [line.order.name for line in loft.growth] == ["launch", "plane", "random"]
    seen = loft.visibility
    alone = growth.growth(seen, growth_orders.launch_order(seen.fleet))
    pd.testing.assert_frame_equal(loft.growth[0].table, alone)
    assert loft.growth[2].order.draws == 3
    # With all satellites every order has what the place has today.
    for line in loft.growth:
        assert line.table["gap_fraction"].iloc[-1] == pytest.approx(1.0 - loft.summary["covered_fraction"])
        assert line.goal.reached
        met = line.table.loc[line.table["satellites"] >= line.goal.high, "gap_fraction"]
        assert met.max() <= 0.1


def test_planes_stand_in_for_launches_that_nobody_knows() -> None:
    bare = Fleet([replace(each, designator="") for each in scenario.plover(AT.replace(hour=0))], "no designators")
    report = made(Span.starting(AT, hours=3), fleet=bare)
    assert [line.order.name for line in report.growth] == ["plane", "random"]
    (reason,) = report.no_order
    assert isinstance(reason, growth_orders.Order)
    assert stand_in_sentence(reason).startswith("The fleet does not say when its satellites were launched")


def test_the_site_is_told_in_sentences(loft: reports.Report) -> None:
    where, skyline, others = place_sentences(loft.visibility.view)
    assert where == (
        "Marram loft stands at 45.0000° N, 28.0000° W, 40 m above the ellipsoid; its clocks are those of "
        "Atlantic/Azores."
    )
    assert skyline == "Its skyline is taken to stand 25° high all round."
    assert "South" in others


def test_a_skyline_by_direction_is_told_by_its_highest_point() -> None:
    firs = replace(scenario.MARRAM_LOFT, horizon=Horizon.from_points([(0, 25), (300, 60), (334, 25)]))
    report = made(Span.starting(AT, hours=3), View(firs))
    assert place_sentences(report.visibility.view)[1:] == (
        "Its skyline stands from 25° to 60° high, highest at 300° from north.",
        "Nothing else limits its service here.",
    )


def test_assumptions_and_cautions_are_whole_sentences(loft: reports.Report) -> None:
    told = assumptions(loft, ["A sentence that was told."])
    assert told[0] == "A sentence that was told."
    assert all(sentence.endswith(".") for sentence in (*told, *CAUTIONS))
    together = " ".join(told)
    assert "must not be added up" in together
    assert "550 km up" in together
    assert "a model of failures only" in together
    cautions = " ".join(CAUTIONS)
    for words in ("not a promise", "emergency calls", "power lines", "licensed trades"):
        assert words in cautions


def test_fresh_elements_show_every_time(loft: reports.Report) -> None:
    assert (loft.first.band.name, loft.last.band.name) == ("normal", "odds beside times")
    assert loft.timed_gaps is loft.gaps


def test_gaps_past_the_age_for_single_times_are_not_timed() -> None:
    # Elements of midnight are 168 h old at midnight seven days later: there the lists of single times end on each face.
    report = made(Span.starting(AT + timedelta(days=6, hours=12), hours=10))
    timed, edge = report.timed_gaps, pd.Timestamp(AT.replace(hour=0) + timedelta(days=7))
    assert 0 < len(timed) < len(report.gaps)
    assert timed["start"].max() <= edge + pd.Timedelta(hours=1)
    assert report.gaps["start"].max() > edge + pd.Timedelta(hours=3)
    # From three days old on the pages and passim gaps list every gap, and so does the report.
    older = made(Span.starting(AT + timedelta(days=2, hours=12), hours=10))
    assert older.last.band.name == "odds only"
    assert len(older.timed_gaps) == len(older.gaps) > 0


def test_elements_past_every_band_rank_no_start_and_say_why() -> None:
    report = made(Span.starting(AT + timedelta(days=20), hours=2))
    assert report.plan is None
    assert "20.3 days old" in str(report.no_plan)
    assert len(report.timed_gaps) == 0


def test_hours_that_hold_no_call_are_told() -> None:
    # The 28th is a Saturday.
    report = made(Span(datetime(2026, 11, 28, 9, tzinfo=UTC), datetime(2026, 11, 28, 12, tzinfo=UTC)))
    assert report.plan is None
    assert report.no_plan is not None
    assert report.no_plan.what.startswith("hours for calls")
    # A day that has none, told with the next that has.
    assert report.no_plan.way_out is WayOut.LATER_START
    assert report.no_plan.start == datetime(2026, 11, 30, 9, tzinfo=UTC)


def test_a_place_without_any_pass_still_makes_a_report() -> None:
    pole = View(replace(scenario.MARRAM_LOFT, latitude_deg=85.0))
    report = made(Span.starting(AT, hours=3), pole)
    assert report.summary["covered_fraction"] == 0.0
    assert report.track.empty
    assert [line.goal.reached for line in report.growth] == [False, False, False]
    assert report.days["longest_gap_s"].tolist() == [3 * 3600.0]


def test_too_long_a_span_is_refused() -> None:
    with pytest.raises(SpanError, match=r"span of a report; got '14\.1 days'; wanted at most 14 days"):
        reports.check_length(Span.starting(AT, hours=338))


@pytest.mark.parametrize("text", ["longest_gap_s <= 5 in call hours", "pauses_per_hour <= 2"])
def test_a_goal_that_the_curves_do_not_hold_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="goal of a report"):
        made(Span.starting(AT, hours=1), goal=growth_goals.parse_goal(text))


# --- other places -----------------------------------------------------------------------------------------------------

ONE = workers.WorkerConfig(processes=1)


def test_other_places_stand_under_an_open_sky_and_see_no_gateway() -> None:
    firs = replace(scenario.MARRAM_LOFT, horizon=Horizon.from_points([(0, 25), (300, 60), (334, 25)]))
    view = replace(scenario.view_of(scenario.MARRAM_LOFT), site=firs)
    span = Span.starting(AT, hours=2)
    fleet = scenario.plover(AT.replace(hour=0))
    told: list[float] = []
    seen = report_elsewhere.look_elsewhere(fleet, view, span, step_deg=90.0, workers=ONE, progress=told.append)
    assert "gateway" not in seen.view.names
    assert seen.view.site.horizon == Horizon.flat(25.0)
    assert seen.here["latitude_deg"] == 45.0
    # The row of this latitude is what the view itself has at those places, without its gateway and its firs.
    there = [replace(firs, longitude_deg=-180.0 + 60.0 * (k + 0.5), height_m=0.0) for k in range(6)]
    views = [replace(view, site=each).without("gateway", "horizon") for each in there]
    found = find_visibilities(fleet, views, span)
    joint = [each.joint() for each in found]
    covered = [Coverage.from_intervals(each.start, each.end, span).covered_fraction() for each in joint]
    # Counted moment by moment, within what is stated of the worst place.
    assert 0.0 < seen.share_error < 0.01
    assert (seen.step_s, seen.latitudes.share_error <= seen.share_error) == (10.0, True)
    assert seen.here["covered_fraction"] == pytest.approx(np.mean(covered), abs=4.0 * seen.share_error)
    assert seen.latitudes.table["latitude_deg"].tolist() == [*range(0, 81, 5)]
    assert seen.world is not None
    assert len(seen.world) == 8
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_place_in_the_south_is_compared_with_the_south() -> None:
    view = View(replace(scenario.MARRAM_LOFT, latitude_deg=-83.0))
    seen = report_elsewhere.look_elsewhere(
        scenario.plover(AT.replace(hour=0)), view, Span.starting(AT, hours=1), step_deg=None, workers=ONE
    )
    assert seen.latitudes.table["latitude_deg"].tolist() == [-90, -85, -83, *range(-80, 1, 5)]
    assert seen.here["latitude_deg"] == -83.0
    assert (seen.world, seen.surface) == (None, None)


@pytest.mark.parametrize(
    ("satellites", "step_deg"), [(1, 10.0), (360, 10.0), (1500, 15.0), (3000, 20.0), (9_000, 30.0)]
)
def test_large_fleets_get_a_coarser_map(satellites: int, step_deg: float) -> None:
    """Where every pass has to be found, under a cone; counted moment by moment it costs little."""
    plain = View(scenario.MARRAM_LOFT)
    assert report_elsewhere.step_for(satellites, replace(plain, limits=(Cone(0.0, 0.0, 50.0),))) == step_deg
    assert report_elsewhere.step_for(satellites, plain) == 10.0


def test_a_cone_has_every_pass_found() -> None:
    view = View(scenario.MARRAM_LOFT, (Cone(0.0, 0.0, 50.0),))
    fleet, span = scenario.plover(AT.replace(hour=0)), Span.starting(AT, hours=0.5)
    seen = report_elsewhere.look_elsewhere(fleet, view, span, step_deg=None, workers=ONE)
    assert (seen.step_s, seen.share_error) == (None, 0.0)


# --- a day by half hours ----------------------------------------------------------------------------------------------


def test_half_hours_add_up_and_hold_the_gaps() -> None:
    span = Span(AT + timedelta(minutes=10), AT + timedelta(hours=3, minutes=5))
    at_min = [(0, 40), (41, 100), (30, 60), (110, 200)]
    edges = [[int((AT + timedelta(minutes=m)).timestamp()) * 1_000_000 for m in pair] for pair in at_min]
    coverage = Coverage.from_intervals([a for a, _ in edges], [b for _, b in edges], span)
    table = redundancy.redundancy_by_half_hour(coverage)
    np.testing.assert_allclose(table[["none", "one", "more"]].sum(axis=1), 1.0, rtol=1e-12)
    # From 7:10 to 10:05: a first of 20 minutes, five whole ones, a last of 5.
    minutes = (table["end"] - table["start"]).dt.total_seconds() / 60.0
    assert minutes.tolist() == [20.0, 30.0, 30.0, 30.0, 30.0, 30.0, 5.0]
    assert (table["none"] * minutes).round(9).tolist() == [0.0, 0.0, 0.0, 10.0, 0.0, 0.0, 0.0]
    assert (table["one"] * minutes).round(9).tolist() == [20.0, 1.0, 30.0, 20.0, 30.0, 30.0, 5.0]
    assert (table["more"] * minutes).round(9).tolist() == [0.0, 29.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    assert (table["satellites_mean"] * minutes).round(9).tolist() == [20.0, 59.0, 30.0, 20.0, 30.0, 30.0, 5.0]
    empty = Coverage.from_intervals([], [], span)
    assert (redundancy.redundancy_by_half_hour(empty)["none"] == 1.0).all()
