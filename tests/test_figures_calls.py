"""Pictures of calls and growth: they show what passim returned, in the colours and strokes of the house."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from passim import DailyHours, Span
from passim.answers.calls import forecast as call_forecast, kinds as call_kinds, outlook as call_outlook, plan as calls
from passim.answers.growth import curves as growth, goals as growth_goals, orders as growth_orders
from passim.coverage import visibility
from passim_apps.figures.calls import call_days, call_hours_only
from passim_apps.figures.growth import GoalMark, OrderCurve, growth_curves, plan_by_date
from passim_apps.figures.theme import DARK, LIGHT, Theme
from passim_apps.text.units import LocalClock
from tests import scenario

BOTH = pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
MIDNIGHT = datetime(2026, 11, 25, 1, tzinfo=UTC)  # at Marram, an hour behind UTC
ZONE = "Atlantic/Azores"


def found(span: Span) -> visibility.Visibility:
    seen = visibility.find_visibility(
        scenario.plover(datetime(2026, 11, 25, tzinfo=UTC)), scenario.view_of(scenario.MARRAM_LOFT), span
    )
    assert isinstance(seen, visibility.Visibility)
    return seen


def trace(figure: go.Figure, name: str) -> object:
    [one] = [trace for trace in figure.data if trace.name == name]
    return one


def outline_hours(figure: go.Figure, name: str) -> float:
    """Return how many hours the outlines of that name are wide together."""
    x = [value for value in trace(figure, name).x if value is not None]  # type: ignore[attr-defined]
    # Each outline begins and ends at its first hour, and each step has a left and a right edge.
    ends = np.array([np.nan if value is None else value for value in trace(figure, name).x])  # type: ignore[attr-defined]
    pieces = np.split(ends, np.flatnonzero(np.isnan(ends)))
    assert x
    return float(sum(np.nanmax(piece) - np.nanmin(piece) for piece in pieces if np.isfinite(piece).any()))


@pytest.fixture(scope="module")
def whole() -> Span:
    return Span.starting(MIDNIGHT, 72.0)


@pytest.fixture(scope="module")
def plan(whole: Span) -> calls.CallPlan:
    forecast = call_forecast.ServiceForecast.of(found(call_forecast.searched_span(whole)), whole)
    hours = DailyHours(480, 1080, (2, 3))  # Wednesday and Thursday
    return calls.plan_of(forecast, call_kinds.LESSON, hours=hours, timezone=ZONE, most=5)


@BOTH
def test_every_start_stands_at_its_day_and_hour(plan: calls.CallPlan, whole: Span, theme: Theme) -> None:
    figure = call_days(plan, whole, LocalClock(ZONE, whole), MIDNIGHT.replace(hour=10), theme)
    by_time = plan.ranked.sort_values("start")
    hover = trace(figure, "seconds frozen")
    hour, minute, frozen_s = np.asarray(hover.customdata)[:, :3].T
    assert frozen_s.tolist() == by_time["expected_frozen_s"].astype(np.float32).tolist()
    local = by_time["start"].dt.tz_convert(plan.timezone)
    assert (60 * hour + minute).tolist() == (60 * local.dt.hour + local.dt.minute).tolist()
    local = by_time["start"].dt.tz_convert(ZONE)
    np.testing.assert_allclose(hover.x, local.dt.hour + (local.dt.minute + 0.5) / 60.0)

    # Good starts and the others share the starts among them, a minute each.
    good = call_outlook.good_starts(by_time)
    assert 0 < good.sum() < len(good)
    assert outline_hours(figure, "good start") == pytest.approx(good.sum() / 60.0)
    assert outline_hours(figure, "freezes expected") == pytest.approx((~good).sum() / 60.0)
    assert trace(figure, "good start").fillcolor == theme.service
    assert trace(figure, "freezes expected").fillpattern.shape == "/"
    assert trace(figure, "freezes expected").fillpattern.bgcolor == theme.out


@BOTH
def test_suggested_calls_lie_where_they_are_and_as_long_as_they_last(
    plan: calls.CallPlan, whole: Span, theme: Theme
) -> None:
    figure = call_days(plan, whole, LocalClock(ZONE, whole), MIDNIGHT.replace(hour=10), theme)
    blocks = trace(figure, "suggested")
    local = plan.suggestions["start"].dt.tz_convert(ZONE)
    assert list(blocks.base) == (local.dt.hour + local.dt.minute / 60.0).tolist()
    assert set(blocks.x) == {0.5}
    # As greys a call and a good start are one: the box of a call is open, its outline can be seen, and no box lies as
    # high as the strip of starts.
    assert (blocks.marker.color, blocks.marker.line.color) == (theme.paper, theme.chosen)
    assert blocks.marker.line.width >= 2.0
    strip, places = trace(figure, "good start"), np.asarray(blocks.y, dtype=float)
    floors = np.array([each for each in strip.y if each is not None and not np.isnan(each)])
    rows = np.round(places + 0.18)
    for place, row in zip(places, rows, strict=True):
        assert place + blocks.width / 2.0 < floors[np.abs(floors - row) < 0.5].min()
    key = next(note.text for note in figure.layout.annotations if "good start" in note.text)
    assert ("▬ good start" in key, "▭ suggested call" in key) == (True, True)
    best = f"best: {local.iloc[0]:%H:%M}"
    assert [note.text for note in figure.layout.annotations if note.text.startswith("best")] == [best]


def test_where_every_start_is_as_good_one_is_suggested_and_none_is_the_best(plan: calls.CallPlan, whole: Span) -> None:
    assert plan.gain is not None
    alike = replace(plan, gain=replace(plan.gain, share_as_good=1.0, share_worse=0.0))
    assert alike.gain is not None
    assert (plan.gain.all_alike, alike.gain.all_alike) == (False, True)
    figure = call_days(alike, whole, LocalClock(ZONE, whole), MIDNIGHT.replace(hour=10), LIGHT)
    named = [note.text for note in figure.layout.annotations if note.text.startswith(("best", "suggested"))]
    first = plan.suggestions["start"].dt.tz_convert(ZONE).iloc[0]
    assert named == [f"suggested: {first:%H:%M}"]


def test_days_without_calls_are_named_and_not_shaded(plan: calls.CallPlan, whole: Span) -> None:
    figure = call_days(plan, whole, LocalClock(ZONE, whole), MIDNIGHT.replace(hour=10), LIGHT)
    shaded = [shape for shape in figure.layout.shapes if shape.name == "call hours"]
    assert [(s.x0, s.x1) for s in shaded] == [(8.0, 18.0)] * 2
    names = [note.text for note in figure.layout.annotations if note.text.startswith("<b>")]
    assert [text[3:13] for text in names] == ["Wed 25 Nov", "Thu 26 Nov", "Fri 27 Nov"]
    assert "no call hours" in names[2]
    [line] = [shape for shape in figure.layout.shapes if shape.name == "now"]
    assert line.x0 == 9.0


def test_appointments_are_outlined_where_they_are_and_named_where_there_is_room(
    plan: calls.CallPlan, whole: Span
) -> None:
    noon = MIDNIGHT.replace(hour=13)  # 12:00 there
    busy = [
        (noon, noon + timedelta(hours=3), "Fair"),
        (noon + timedelta(hours=24), noon + timedelta(hours=24, minutes=20), "Choir"),
        (noon - timedelta(hours=9), noon - timedelta(hours=8), "Milking"),  # before the hours that are shown
    ]
    figure = call_days(plan, whole, LocalClock(ZONE, whole), noon, LIGHT, busy)
    outline = trace(figure, "busy")
    x, y = (np.asarray(side, dtype=float).reshape(-1, 5) for side in (outline.x, outline.y))
    np.testing.assert_allclose(x[:, [0, 2]], [[12.0, 15.0], [12.0, 12.0 + 1 / 3]])
    assert np.floor(-y[:, 0]).tolist() == [0, 1]
    assert [note.text for note in figure.layout.annotations if note.name == "busy"] == ["Fair"]
    assert [list(each) for each in trace(figure, "appointments").customdata][1] == ["Choir", "12:00 to 12:20"]


@pytest.mark.parametrize("minute", [5, 30, 300])
def test_the_word_now_lies_on_no_call(plan: calls.CallPlan, whole: Span, minute: int) -> None:
    """It is left of its line, where no call begins any more; where it has no room there the day's name says it."""
    now = MIDNIGHT.replace(hour=8) + timedelta(minutes=minute)  # from 07:00 on, where the picture begins
    figure = call_days(plan, whole, LocalClock(ZONE, whole), now, LIGHT)
    first_h, last_h = figure.layout.xaxis.range
    words = [note for note in figure.layout.annotations if note.text == "now"]
    [name] = [note.text for note in figure.layout.annotations if "Wed 25 Nov" in note.text]
    if minute < 60:
        assert (words, f">now 07:{minute:02d}<" in name) == ([], True)
    else:
        assert [(note.xanchor, note.x) for note in words] == [("right", 12.0)]
        assert 12.0 - first_h > 0.1 * (last_h - first_h)
        assert "now" not in name


def test_old_elements_show_hours_alone(plan: calls.CallPlan) -> None:
    bars = trace(call_hours_only(plan, LIGHT), "seconds frozen")
    assert list(bars.y) == plan.by_hour["expected_frozen_s"].tolist()
    assert list(bars.customdata) == plan.by_hour["hour"].tolist()


# --- growth -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def curves() -> list[growth.Curves]:
    seen = found(Span.starting(MIDNIGHT, 24.0))
    orders = [growth_orders.launch_order(seen.fleet), growth_orders.random_orders(seen.fleet, draws=10)]
    return [growth.growth_curves(seen, order) for order in orders]


@BOTH
def test_every_number_of_satellites_is_drawn(curves: list[growth.Curves], theme: Theme) -> None:
    named = [OrderCurve(name, one.table) for name, one in zip(("as launched", "at random"), curves, strict=True)]
    goal = growth_goals.parse_goal("covered >= 95 %")
    needed = growth_goals.smallest(curves[0], goal).middle
    figure = growth_curves(named, theme, goal=GoalMark.of(goal, needed, curves[0].counted_s))
    out, longest = [one for one in figure.data if one.name == "as launched"]
    np.testing.assert_allclose(out.y, 100.0 * curves[0].values["gap_fraction"][0], atol=1e-4)
    assert list(longest.customdata) == curves[0].values["longest_gap_s"][0].tolist()
    assert len(out.x) == 360

    # The band of the random order goes round its line.
    low, high, middle = [one for one in figure.data if one.name.startswith("at random")][:3]
    assert np.all(np.asarray(low.y) <= np.asarray(middle.y) + 1e-3)
    assert np.all(np.asarray(middle.y) <= np.asarray(high.y) + 1e-3)
    [line] = [shape for shape in figure.layout.shapes if shape.name == "goal met"]
    assert line.x0 == needed
    [bound] = [shape for shape in figure.layout.shapes if shape.name == "goal"]
    assert bound.y0 == pytest.approx(5.0)
    # The last tenth of the time without service is most of the picture's height, and today is marked.
    low, high = figure.layout.yaxis.range
    assert (1.0 - low) / (high - low) > 0.45
    [today] = [shape for shape in figure.layout.shapes if shape.name == "today"]
    assert today.x0 == figure.layout.meta["satellites"] == 360


def test_the_axis_goes_on_through_the_plan_and_never_out_is_its_lowest_line(curves: list[growth.Curves]) -> None:
    plan = pd.DataFrame(
        {"satellites": [360, 520, 700], "gap_fraction": [0.018, 0.004, 0.0], "longest_gap_s": [44.0, 20.0, 0.0]}
    )
    figure = growth_curves([OrderCurve("as launched", curves[0].table)], LIGHT, plan=plan)
    out, longest = [one for one in figure.data if one.name == "by the plan"]
    assert list(out.x) == list(longest.x) == [360, 520, 700]
    np.testing.assert_allclose(out.y[:2], [1.8, 0.4])
    axis = figure.layout.yaxis
    assert axis.ticktext[0] == "none"
    assert out.y[2] == axis.tickvals[0] < 0.1 < out.y[1]
    assert 10.0 ** axis.range[0] < out.y[2]
    assert figure.layout.xaxis.range[1] > 700


@pytest.mark.parametrize(
    ("text", "measure", "bound"),
    [
        ("covered >= 99 %", "gap_fraction", 0.01),
        ("gaps_per_hour <= 2", "gap_count", 48.0),
        ("longest_gap_s < 1 min", "longest_gap_s", 60.0),
        ("pauses_per_hour <= 2 and mean_gap_s <= 5", "mean_gap_s", 5.0),
        ("pauses_per_hour <= 2", None, None),
    ],
)
def test_a_goal_is_marked_on_the_measure_that_it_binds(text: str, measure: str | None, bound: float | None) -> None:
    mark = GoalMark.of(growth_goals.parse_goal(text), None, 86_400.0)
    assert mark.measure == measure
    assert mark.bound == (None if bound is None else pytest.approx(bound))


def test_a_plan_is_drawn_by_date_and_its_last_state_lasts() -> None:
    table = pd.DataFrame(
        {
            "date": pd.to_datetime(["2026-11-25", "2027-03-16"], utc=True),
            "satellites": [360, 440],
            "gap_fraction": [0.018, 0.009],
        }
    )
    figure = plan_by_date(table, LIGHT, met=pd.Timestamp("2027-03-16", tz="UTC"))
    out = trace(figure, "time without service")
    assert list(out.x) == ["2026-11-25", "2027-03-16", "2027-03-27"]
    assert list(out.y) == pytest.approx([1.8, 0.9, 0.9])
    assert list(trace(figure, "satellites").y) == [360, 440, 440]
    [line] = figure.layout.shapes
    assert line.x0 == "2027-03-16"
