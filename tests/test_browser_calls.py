"""The Calls page in a browser: find a time for a call, take it along as a calendar, and see passim's own numbers."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from icalendar import Calendar

from browsing import AT, browser_page, choose, served, traces, wait_for_sentence
from passim import Span
from passim.answers import call_forecast, call_kinds, call_times, calls, scenario
from passim.sky import visibility
from passim_apps.dashboard.planning import MOST_SUGGESTIONS

pytestmark = pytest.mark.browser

NOW = datetime.fromisoformat(AT).astimezone(UTC)
MIDNIGHT = datetime(2026, 11, 25, 1, tzinfo=UTC)  # the station's clocks are an hour behind UTC in winter


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(tmp_path_factory.mktemp("served") / "school") as found:
        yield found


@pytest.fixture
def page(address: str) -> Iterator[Any]:
    with browser_page(address) as found:
        yield found


def own_plan(site: Any, days: int, minutes: int = 30, first_minute: int = 480) -> calls.CallPlan:
    """Return the plan as asked of passim itself, from the step of the page after `NOW` on."""
    whole = Span(MIDNIGHT, MIDNIGHT + timedelta(days=days))
    fleet = scenario.plover(NOW.replace(hour=0, minute=0))
    seen = visibility.find_visibility(fleet, scenario.view_of(site), call_forecast.searched_span(whole))
    assert isinstance(seen, visibility.Visibility)
    # Starts before 08:00 are not allowed, so that the minute at which the page was opened does not matter.
    forecast = call_forecast.ServiceForecast.of(seen, Span(NOW + timedelta(minutes=5), whole.end))
    hours = call_times.AllowedHours(first_minute, 1080, (0, 1, 2, 3, 4))
    return calls.plan_calls(
        forecast, call_kinds.LESSON, minutes=minutes, hours=hours, timezone=site.timezone, most=MOST_SUGGESTIONS
    )


def frozen_s(page: Any) -> list[float]:
    """Return the seconds frozen that the picture holds, start by start in their order in time."""
    return [row[1] for row in traces(page, "starts")["seconds frozen"]["customdata"]]


def test_find_a_call_and_take_it_along(page: Any, address: str, tmp_path: Path) -> None:
    """The whole story: open, choose the site, read, choose a length, and read the calendar back."""
    page.goto(f"{address}/calls?kind=lesson")
    sentence = wait_for_sentence(page, "Best start for a live video lesson of 30 min")
    assert "on Wed 25 Nov, no freeze expected" in sentence
    assert "No start from noon on is better than another" in page.inner_text("#second")

    choose(page, "place", "Marram/yard")
    page.wait_for_url("**/calls?site=Marram&spot=yard&kind=lesson")
    choose(page, "minutes", "45")
    wait_for_sentence(page, "of 45 min")
    page.wait_for_url("**/calls?site=Marram&spot=yard&kind=lesson&minutes=45")
    rows = page.locator("section", has=page.get_by_role("heading", name="When to begin a call")).locator("tbody tr")
    first_cells = rows.first.locator("td").all_inner_texts()

    with page.expect_download() as download:
        page.get_by_role("link", name="Add these calls to a calendar").click()
    file = tmp_path / "calls.ics"
    download.value.save_as(file)
    assert download.value.suggested_filename == "passim-calls.ics"
    events = Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    plan = own_plan(scenario.MARRAM_YARD, 3, minutes=45)
    suggested = sorted((row.start, row.end) for row in plan.suggestions.itertuples(index=False))
    assert [(event.start, event.end) for event in events] == suggested
    assert all(str(event["SUMMARY"]) == "Good time for a live video lesson (Marram yard)" for event in events)
    best = plan.suggestions.iloc[0]["start"].tz_convert(scenario.MARRAM_YARD.timezone)
    assert first_cells[:2] == [f"{best:%a} {best.day} {best:%b}", f"{best:%H:%M}"]


def test_the_picture_holds_the_numbers_of_passim(page: Any, address: str) -> None:
    page.goto(f"{address}/calls?ahead=1&kind=lesson")
    wait_for_sentence(page, "Best start")
    plan = own_plan(scenario.MARRAM_LOFT, 1)
    by_time = plan.ranked.sort_values("start")
    np.testing.assert_allclose(frozen_s(page), by_time["expected_frozen_s"], atol=1e-6)
    blocks = traces(page, "starts")["suggested"]
    local = plan.suggestions["start"].dt.tz_convert(scenario.MARRAM_LOFT.timezone)
    np.testing.assert_allclose(blocks["base"], local.dt.hour + local.dt.minute / 60.0)
    assert blocks["x"] == [0.5] * len(plan.suggestions)

    # Another site, and the picture is that of the other site.
    choose(page, "place", "Marram/yard")
    page.wait_for_url("**/calls?site=Marram&spot=yard&ahead=1&kind=lesson")
    yard = own_plan(scenario.MARRAM_YARD, 1).ranked.sort_values("start")
    page.get_by_text(f"Worst to begin is {_worst_time(yard)}").wait_for()
    np.testing.assert_allclose(frozen_s(page), yard["expected_frozen_s"], atol=1e-6)
    assert not np.allclose(yard["expected_frozen_s"], by_time["expected_frozen_s"])


def _worst_time(by_time: Any) -> str:
    """Return the first of the worst starts as the page names it: the rank breaks ties by time."""
    worst = by_time.iloc[int(by_time["expected_frozen_s"].to_numpy().argmax())]["start"]
    return f"{worst.tz_convert(scenario.MARRAM_LOFT.timezone):%H:%M}"


def test_hours_that_leave_no_room_are_told_and_the_page_stays(page: Any, address: str) -> None:
    page.goto(f"{address}/calls")
    wait_for_sentence(page, "Best start")
    choose(page, "from", "20:00")
    notice = page.locator("#notice p")
    notice.wait_for()
    assert "hours for calls; got '20:00 to 18:00'" in notice.inner_text()
    assert "Best start" in page.inner_text("#sentence")
    choose(page, "until", "23:00")
    page.locator("#notice p").wait_for(state="detached")
    page.locator("#second, #sentence", has_text="20:00 to 23:00, Mon to Fri").first.wait_for()


def test_the_picture_fits_a_phone_and_the_button_a_thumb(address: str) -> None:
    with browser_page(address, 390, 844) as page:
        page.goto(f"{address}/calls")
        wait_for_sentence(page, "Best start")
        page.locator(".js-plotly-plot .fills path").first.wait_for(state="attached")
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        box = page.get_by_role("link", name="Add these calls to a calendar").bounding_box()
        assert box["height"] >= 44.0
        assert box["x"] >= 0.0
        assert box["x"] + box["width"] <= 390.0
