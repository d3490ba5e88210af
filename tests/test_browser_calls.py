"""The Calls page in a browser: find a time for a call, take it along as a calendar, and see passim's own numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from icalendar import Calendar

from browsing import AT, NARROW, Server, a_page, choose, open_numbers, restartable, traces, wait_for_sentence
from invented_calendars import ics
from passim import DailyHours, Span
from passim.answers.calls import (
    calendar_in as calendar,
    check as call_check,
    forecast as call_forecast,
    kinds as call_kinds,
    plan as calls,
)
from passim.coverage import visibility
from passim_apps.dashboard.tasks.calls import MOST_SUGGESTIONS
from passim_apps.text.calls import check_columns, check_rows, check_sentence
from passim_apps.text.columns import cells_of
from passim_apps.text.units import LocalClock
from tests import scenario

pytestmark = pytest.mark.browser

NOW = datetime.fromisoformat(AT).astimezone(UTC)
HOURS = DailyHours(480, 1080, (0, 1, 2, 3, 4))
MIDNIGHT = datetime(2026, 11, 25, 1, tzinfo=UTC)  # the station's clocks are an hour behind UTC in winter


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with restartable(tmp_path_factory.mktemp("served") / "school") as found:
        yield found


@pytest.fixture(scope="module")
def address(server: Server) -> str:
    return server.address


@lru_cache
def own_forecast(site: Any, days: int) -> call_forecast.ServiceForecast:
    """Return the forecast of passim itself, from the step of the page after `NOW` on."""
    whole = Span(MIDNIGHT, MIDNIGHT + timedelta(days=days))
    fleet = scenario.plover(NOW.replace(hour=0, minute=0))
    seen = visibility.find_visibility(fleet, scenario.view_of(site), call_forecast.searched_span(whole))
    assert isinstance(seen, visibility.Visibility)
    # Starts before 08:00 are not allowed, so that the minute at which the page was opened does not matter.
    return call_forecast.ServiceForecast.of(seen, Span(NOW + timedelta(minutes=5), whole.end))


def own_plan(site: Any, days: int, minutes: int = 30, busy_us: Any = None) -> calls.CallPlan:
    """Return the plan as asked of passim itself."""
    return calls.plan_of(
        own_forecast(site, days), call_kinds.LESSON, minutes=minutes, hours=HOURS, timezone=site.timezone,
        busy_us=busy_us, most=MOST_SUGGESTIONS,
    )  # fmt: skip


def frozen_s(page: Any) -> list[float]:
    """Return the seconds frozen that the picture holds, start by start in their order in time."""
    return [row[2] for row in traces(page, "starts")["seconds frozen"]["customdata"]]


def test_find_a_call_and_take_it_along(page: Any, address: str, tmp_path: Path) -> None:
    """The whole story: open, choose the site, read, choose a length, and read the calendar back."""
    page.goto(f"{address}/calls?kind=lesson")
    sentence = wait_for_sentence(page, "Best start for a live video lesson of 30 min")
    assert "on Wed 25 Nov, no freeze expected" in sentence
    assert "Every start from noon on is equally good" in page.inner_text("#second")

    choose(page, "place", "Marram/yard")
    page.wait_for_url("**/calls?site=Marram&spot=yard&kind=lesson")
    choose(page, "minutes", "45")
    wait_for_sentence(page, "of 45 min")
    page.wait_for_url("**/calls?site=Marram&spot=yard&kind=lesson&minutes=45")
    rows = page.locator("section", has=page.get_by_role("heading", name="When to begin a call")).locator("tbody tr")
    open_numbers(page)
    first_cells = rows.first.locator("td").all_inner_texts()

    page.locator("#calls-ics[href*='minutes=45']").wait_for()
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
    np.testing.assert_allclose(frozen_s(page), by_time["expected_frozen_s"], rtol=1e-6, atol=1e-4)
    blocks = traces(page, "starts")["suggested"]
    local = plan.suggestions["start"].dt.tz_convert(scenario.MARRAM_LOFT.timezone)
    np.testing.assert_allclose(blocks["base"], local.dt.hour + local.dt.minute / 60.0)
    assert blocks["x"] == [0.5] * len(plan.suggestions)

    # Another site, and the picture is that of the other site.
    choose(page, "place", "Marram/yard")
    page.wait_for_url("**/calls?site=Marram&spot=yard&ahead=1&kind=lesson")
    yard = own_plan(scenario.MARRAM_YARD, 1).ranked.sort_values("start")
    page.get_by_text(f"Worst start: {_worst_time(yard)}").wait_for()
    np.testing.assert_allclose(frozen_s(page), yard["expected_frozen_s"], rtol=1e-6, atol=1e-4)
    assert not np.allclose(yard["expected_frozen_s"], by_time["expected_frozen_s"])


def _worst_time(by_time: Any) -> str:
    """Return the first of the worst starts as the page names it: the rank breaks ties by time."""
    worst = by_time.iloc[int(by_time["expected_frozen_s"].to_numpy().argmax())]["start"]
    return f"{worst.tz_convert(scenario.MARRAM_LOFT.timezone):%H:%M}"


def test_hours_that_leave_no_room_are_told_and_the_page_stays(page: Any, address: str) -> None:
    page.goto(f"{address}/calls")
    wait_for_sentence(page, "Best start")
    choose(page, "from", "18:00")
    notice = page.locator("#notice p")
    notice.wait_for()
    assert "hours of the day; got '18:00 to 18:00'" in notice.inner_text()
    assert "Best start" in page.inner_text("#sentence")
    dead = page.get_by_role("link", name="Add these calls to a calendar", disabled=True)
    dead.wait_for()
    assert dead.get_attribute("href") is None
    assert "no answer to this choice" in page.inner_text("#calls-take")
    choose(page, "until", "23:00")
    page.locator("#notice p").wait_for(state="detached")
    page.locator("#second, #sentence", has_text="18:00 to 23:00, Mon to Fri").first.wait_for()
    page.locator("#calls-ics[href*='until=23']").wait_for()

    # Hours may go over midnight.
    choose(page, "until", "02:00")
    page.locator("#second, #sentence", has_text="18:00 to 02:00, Mon to Fri").first.wait_for()


def test_the_picture_fits_a_phone_and_the_button_a_thumb(browser: Any, address: str) -> None:
    with a_page(browser, address, **NARROW) as page:
        page.goto(f"{address}/calls")
        wait_for_sentence(page, "Best start")
        page.locator(".js-plotly-plot .fills path").first.wait_for(state="attached")
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        box = page.get_by_role("link", name="Add these calls to a calendar").bounding_box()
        assert box["height"] >= 44.0
        assert box["x"] >= 0.0
        assert box["x"] + box["width"] <= 390.0


def test_calendars_shape_the_page_and_outlive_a_restart(
    browser: Any, page: Any, server: Server, address: str, tmp_path: Path
) -> None:
    """Hand in busy times and planned calls, hand in nonsense, reload, restart, look from elsewhere, remove."""
    fair = ("Fair", MIDNIGHT + timedelta(hours=11, minutes=30), MIDNIGHT + timedelta(hours=15))
    geometry = ("Geometry", MIDNIGHT + timedelta(hours=9), MIDNIGHT + timedelta(hours=9, minutes=45))
    choir = ("Choir", MIDNIGHT + timedelta(hours=15), MIDNIGHT + timedelta(hours=15, minutes=45))
    files = {"fair.ics": ics(fair), "lessons.ics": ics(geometry, choir), "bad.ics": b"BEGIN:VCALENDAR\r\nhello\r\n"}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    forecast = own_forecast(scenario.MARRAM_LOFT, 1)
    busy = [calendar.Event("0-Fair@invented", *fair)]
    plan = own_plan(scenario.MARRAM_LOFT, 1, busy_us=calendar.busy_us(busy))
    planned = [calendar.Event(f"{n}-{e[0]}@invented", *e) for n, e in enumerate((geometry, choir))]
    check = call_check.check_calls(
        forecast, call_kinds.LESSON, planned, hours=HOURS, timezone=scenario.MARRAM_LOFT.timezone, busy=busy
    )
    clock = LocalClock(scenario.MARRAM_LOFT.timezone, forecast.span)
    rows = cells_of(check_columns(clock), check_rows(check, clock)).rows

    def as_passim_has_it(page: Any) -> None:
        """Wait until the page holds the ranking and the check of passim itself."""
        page.locator("#second", has_text="Kept free of calls: 1 appointment of fair.ics.").wait_for()
        page.get_by_text(plain(check_sentence(check, "lessons.ics", clock))).wait_for()
        by_time = plan.ranked.sort_values("start")
        np.testing.assert_allclose(frozen_s(page), by_time["expected_frozen_s"], rtol=1e-6, atol=1e-4)
        section = page.locator("section", has=page.get_by_role("heading", name="How your planned calls will go"))
        if not section.locator("details.numbers[open]").count():
            section.get_by_text("How your planned calls will go: the numbers").click()
        section.locator("tbody tr").nth(len(rows) - 1).wait_for()
        assert [line.locator("td").all_inner_texts() for line in section.locator("tbody tr").all()] == rows
        assert page.inner_text("#notice") == ""

    page.goto(f"{address}/calls?ahead=1&kind=lesson")
    wait_for_sentence(page, "Best start")
    everything = frozen_s(page)
    page.locator("#busy-file input").set_input_files(tmp_path / "fair.ics")
    page.locator("#second", has_text="Kept free").wait_for()
    assert len(frozen_s(page)) < len(everything)
    page.locator("#check-file input").set_input_files(tmp_path / "lessons.ics")
    as_passim_has_it(page)

    # What cannot be read is told in one line, and what was there stays.
    before, sentence = page.url, page.inner_text("#sentence")
    page.locator("#busy-file input").set_input_files(tmp_path / "bad.ics")
    page.locator("#busy-messages .fault", has_text="calendar file bad.ics, line 2; got 'hello'").wait_for()
    assert "\n" not in page.inner_text("#busy-messages")
    assert (page.url, page.inner_text("#sentence")) == (before, sentence)
    page.reload()
    as_passim_has_it(page)

    # Another browser sees nothing of them under the same address.
    other = browser.running.new_page()
    other.goto(before)
    other.locator("#busy-messages", has_text="of this address").wait_for()
    other.wait_for_function("() => !location.search.includes('busy=')")
    other.locator("#notice p").wait_for(state="detached")
    assert "fair.ics" not in other.inner_text("main")
    other.close()

    # A new server knows nothing until the browser hands it in again.
    page.goto("about:blank")
    server.begin()
    page.goto(before)
    as_passim_has_it(page)
    page.get_by_role("button", name="Remove fair.ics").click()
    page.locator("#second", has_text="Kept free").wait_for(state="detached")
    assert frozen_s(page) == everything
    assert "fair.ics" not in page.inner_text("main")
    assert "busy=" not in page.url


def plain(text: str) -> re.Pattern[str]:
    """Return what matches a text whose numbers may stand on one line with their units."""
    return re.compile(re.escape(text).replace(r"\ ", r"\s"))


def test_a_calendar_address_is_made_answers_and_is_withdrawn(browser: Any, address: str) -> None:
    with a_page(browser, address, **NARROW) as page:
        page.goto("/calls?kind=lesson&ahead=1")
        wait_for_sentence(page, "Best start")
        page.get_by_text("Subscribe from your calendar").click()
        page.get_by_role("button", name="Make an address").click()
        shown = page.locator("#calls-address-text")
        shown.wait_for()
        where = shown.inner_text()
        assert re.fullmatch(rf"{re.escape(address)}/calendar/[\w-]{{43}}\.ics\?ahead=1&kind=lesson", where)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        # It follows the choices.
        choose(page, "minutes", "45")
        page.locator("#calls-address-text", has_text="minutes=45").wait_for()
        answer = page.request.get(where)
        assert (answer.status, b"BEGIN:VEVENT" in answer.body()) == (200, True)
        page.get_by_role("button", name="Withdraw it").click()
        shown.wait_for(state="detached")
        assert page.request.get(where).status == 404
