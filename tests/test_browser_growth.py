"""The Growth page in a browser: every number as passim counts it, the goal, and a plan by date."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from browsing import AT, NARROW, a_page, choose, open_numbers, served, traces, wait_for_sentence
from passim import Span
from passim.answers.growth import (
    curves as growth,
    goals as growth_goals,
    launch_plan as growth_plan,
    orders as growth_orders,
)
from passim.coverage import visibility
from passim.workspace import create
from passim_apps.text.goals import goal_words
from tests import scenario

pytestmark = pytest.mark.browser

# Marram's Wednesday; its clocks are an hour behind UTC in winter.
DAY = Span.starting(datetime(2026, 11, 25, 1, tzinfo=UTC), 24.0)
# Invented: the second halves of the planes that have every second slot only.
PLAN = f"""# Invented.
{",".join(growth_plan.PLAN_COLUMNS)}
2027-01-15,4,80,550,53,60,0
2027-04-15,4,80,550,53,60,2
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("served") / "school"
    create(folder, demo=True, at=datetime.fromisoformat(AT))
    (folder / "plan.csv").write_text(PLAN)
    (folder / "other.csv").write_text("azimuth_deg,elevation_deg\n0,10\n")
    with served(folder) as found:
        yield found


def own_curves(site: Any) -> growth.Curves:
    """Return the curve as launched, as asked of passim itself."""
    seen = visibility.find_visibility(scenario.plover(datetime(2026, 11, 25, tzinfo=UTC)), scenario.view_of(site), DAY)
    assert isinstance(seen, visibility.Visibility)
    return growth.growth_curves(seen, growth_orders.launch_order(seen.fleet))


def drawn_as_launched(page: Any) -> list[list[float]]:
    """Return what the picture holds of the first order, measure by measure, number by number."""
    found: list[list[float]] = page.evaluate(
        """() => document.querySelector(`[id*='"name":"curve"'] .js-plotly-plot`)._fullData
            .filter((trace) => trace.name === "as launched").map((trace) => Array.from(trace.customdata))"""
    )
    return found


def test_the_picture_holds_every_number_of_passim(page: Any, address: str) -> None:
    page.goto(f"{address}/growth")
    # More than today's satellites have, so that the page speaks of the plan first.
    headline = wait_for_sentence(page, "today's 360")
    assert headline == "99 % covered from 14 Jun 2027 on, by the plan, with 518 satellites; not with today's 360."
    own = own_curves(scenario.MARRAM_LOFT)
    drawn = drawn_as_launched(page)
    np.testing.assert_allclose(drawn[0], own.values["gap_fraction"][0])
    np.testing.assert_allclose(drawn[1], own.values["longest_gap_s"][0])
    assert len(drawn[0]) == 360

    # Every number is read by keyboard.
    slider = page.locator("#growth-number")
    slider.focus()
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
    share = f"{100.0 * own.values['gap_fraction'][0, 356]:.2f}"
    told = page.locator("#growth-told", has_text=f"357 satellites: as launched {share}\N{NO-BREAK SPACE}% out, gap")
    told.wait_for()
    assert "; at random " in told.inner_text()

    # Another site, and the picture is that of the other site.
    choose(page, "place", "Marram/yard")
    yard = own_curves(scenario.MARRAM_YARD)
    last = f"{100.0 * yard.values['gap_fraction'][0, -1]:.1f}"
    page.locator(".caption", has_text=f"with all 360 it is {last}").wait_for()
    drawn = drawn_as_launched(page)
    np.testing.assert_allclose(drawn[0], yard.values["gap_fraction"][0])


def test_a_goal_is_chosen_or_written_and_answered(page: Any, address: str) -> None:
    page.goto(f"{address}/growth")
    open_numbers(page)
    own = own_curves(scenario.MARRAM_LOFT)
    for text, act in (
        ("covered >= 95 %", lambda: choose(page, "goal", "covered >= 95 %")),
        ("longest_gap_s <= 60", lambda: choose(page, "goal", "longest_gap_s <= 60")),
        ("gap_fraction <= 0.10", lambda: write_goal(page, "gap_fraction <= 0.10")),
    ):
        act()
        goal = growth_goals.parse_goal(text)
        needed = growth_goals.smallest(own, goal).middle
        page.locator("tbody tr", has_text="as launched").filter(has_text=f"{needed}").wait_for()
        assert goal_words(goal).lower() in wait_for_sentence(page, f"from {needed} satellites on, as launched").lower()
    page.get_by_role("button", name="Use this goal").wait_for()

    # A slip is told in one line, and what was answered stays.
    write_goal(page, "covered >= 95 percent")
    page.locator("#notice p", has_text="unit of the goal for covered").wait_for()
    assert "as launched" in page.inner_text("#sentence")


def write_goal(page: Any, text: str) -> None:
    field = page.locator("#goal-text")
    if not field.is_visible():
        page.get_by_text("Write a goal of your own").click()
    field.fill(text)
    page.get_by_role("button", name="Use this goal").click()


def test_a_plan_beside_the_workspace_is_shown_by_date(page: Any, address: str) -> None:
    page.goto(f"{address}/growth?goal=covered+%3E%3D+99+%25")
    page.locator(".numbers summary", has_text="Launches ahead, by date: the numbers").click()
    page.locator("tbody td", has_text="not with these orbits").first.wait_for()
    picture = traces(page, "plan")
    assert picture["satellites"]["x"][:3] == ["2026-11-25", "2027-03-16", "2027-06-14"]
    assert picture["satellites"]["y"][:3] == [360, 440, 518]
    out = picture["time without service"]["y"]
    assert out[0] > out[1] > out[2] > 0.0
    # In the first picture the axis goes on to it, and the goal is marked where the plan meets it.
    goal = page.locator('[id*=\'"name":"curve"\'] .annotation', has_text="at least 99 % covered: from 518 on")
    goal.wait_for()
    assert page.locator('[id=\'{"name":"plan","part":"choice"}\'] option').all_inner_texts() == [
        "plan.csv", "launches go on as of late", "no launches"
    ]  # fmt: skip

    choose(page, "plan", "none")
    page.get_by_role("heading", name="Launches ahead, by date").wait_for(state="hidden")

    # Launches as of late have a picture where the goal waits for them; where it is met already, a sentence.
    choose(page, "plan", "pace")
    assert "if launches go on as they have of late" in wait_for_sentence(page, "of late")
    picture = page.locator('[id*=\'"name":"plan"\'] .scatterlayer .trace').first
    picture.wait_for()
    choose(page, "goal", "covered >= 95 %")
    page.locator(".caption", has_text="meet the goal already").wait_for()
    picture.wait_for(state="hidden")


def test_a_plan_to_edit_is_handed_out(page: Any, address: str) -> None:
    page.goto(f"{address}/growth")
    wait_for_sentence(page, "today's 360")
    with page.expect_download() as coming:
        page.get_by_role("button", name="Download a plan to edit").click()
    assert coming.value.suggested_filename == "plan-as-of-late.csv"
    launches = growth_plan.read_plan(coming.value.path(), datetime.fromisoformat(AT))
    assert sum(launch.satellites for launch in launches) == 360


def test_the_picture_fits_a_phone(browser: Any, address: str) -> None:
    with a_page(browser, address, **NARROW) as page:
        page.goto(f"{address}/growth")
        wait_for_sentence(page, "today's 360")
        page.locator(".js-plotly-plot .scatterlayer path").first.wait_for(state="attached")
        assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_an_old_answer_is_greyed_at_once_and_a_page_without_an_answer_says_so(browser: Any, address: str) -> None:
    # The first two by the browser; then what dash writes where no answer comes, and where one is not what it wanted.
    excused = ("net::ERR_FAILED", "status of 400", "the server did not respond", "body stream already read")
    with a_page(browser, address, (400,), excused) as page:
        try_without_answers(page, address)


def try_without_answers(page: Any, address: str) -> None:
    page.goto(f"{address}/clock")
    wait_for_sentence(page, "gaps")
    held: list[Any] = []
    page.route("**/_dash-update-component*", lambda route: held.append(route))
    page.locator(".link-row").get_by_role("link", name="Elements", exact=True).click()
    # No answer has come, and what stands there is not that of the page named: neither in sight nor for screen readers.
    page.wait_for_function("() => document.getElementById('page').matches('.asked.elsewhere')")
    assert page.locator("#sentence").evaluate("(it) => getComputedStyle(it).visibility") == "hidden"

    # What was held goes on its way with it.
    page.unroute("**/_dash-update-component*")
    wait_for_sentence(page, "satellites of Plover")
    page.wait_for_function("() => !document.getElementById('page').matches('.asked, .elsewhere')")

    # A server that is gone, or that cannot use what it is asked: dash itself says nothing.
    page.route("**/_dash-update-component*", lambda route: route.abort())
    page.locator(".link-row").get_by_role("link", name="Clock", exact=True).click()
    gone = page.locator("#notice", has_text="passim does not answer. Is it still running? To start it again: passim ")
    gone.wait_for()
    assert " dashboard --no-browser --port " in gone.inner_text()
    assert "what you typed stays in it. What you saved is in the workspace." in gone.inner_text()
    page.unroute("**/_dash-update-component*")
    refused = {"status": 400, "content_type": "text/plain", "body": "This request cannot be used. Reload the page.\n"}
    page.route("**/_dash-update-component*", lambda route: route.fulfill(**refused))
    page.locator(".link-row").get_by_role("link", name="Growth", exact=True).click()
    page.locator("#notice", has_text="This request cannot be used. Reload the page.").wait_for()
    page.unroute("**/_dash-update-component*")
    page.locator(".link-row").get_by_role("link", name="Clock", exact=True).click()
    wait_for_sentence(page, "gaps")
    assert page.locator("#notice").text_content() == ""
