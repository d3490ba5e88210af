"""The Sites page in a browser: the comparison first, then latitudes and the map, with passim's own numbers and land."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from browsing import choose, open_numbers, served, traces, wait_for_sentence, with_few
from passim import Horizon, Span
from passim.answers.sites import sweeps
from passim.parallel import chunks as workers
from passim.workspace import Workspace

pytestmark = pytest.mark.browser

DAY = Span.starting(datetime(2026, 11, 25, 1, tzinfo=UTC), 24.0)
# Of the many points on both pictures a few are worked out again, and of a small fleet, which is soon done.
SOME_LATITUDES = [-50.0, 0.0, 45.0, 58.5]
SOME_PLACES = [(latitude, -175.0 + 10.0 * k) for latitude in (-35.0, 5.0, 55.0, 65.0) for k in range(36)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return with_few(tmp_path_factory.mktemp("served") / "school")


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served(folder) as found:
        yield found


def panel(page: Any, name: str) -> Any:
    return page.locator(f"section[aria-labelledby='title-sites-{name}']")


def expect_numbers(page: Any, folder: Path, mask_deg: float) -> None:
    """Both pictures hold what passim says under a flat mask."""
    workspace = Workspace.load(folder)
    view = workspace.view("Marram", "loft")
    view = replace(view, site=replace(view.site, horizon=Horizon.flat(mask_deg)))
    fleet, alone = workspace.fleet("few", DAY.start), workers.WorkerConfig(processes=1)

    # The map is refined while one looks: its numbers are whole once it no longer says how far it is.
    panel(page, "world").locator(".caption", has_text="Grid:").filter(has_not_text="So far").wait_for()
    drawn = traces(page, "latitude")["time with service"]
    shown = dict(zip(drawn["x"], drawn["y"], strict=True))
    own = sweeps.sweep_latitudes(fleet, view, SOME_LATITUDES, DAY, longitudes=4, step_s=10.0, workers=alone).table[
        "covered_fraction"
    ]
    assert [shown[each] for each in SOME_LATITUDES] == pytest.approx((100.0 * own).tolist())

    [cells] = page.evaluate(
        """() => [...document.querySelectorAll("[aria-labelledby='title-sites-world'] .js-plotly-plot")].map((plot) => {
            const trace = plot._fullData.find((each) => each.name === "time with service");
            return [trace.lat, trace.lon, trace.customdata].map((values) => Array.from(values));
        })"""
    )
    told = {(latitude, longitude): share for latitude, longitude, share in zip(*cells, strict=True)}
    assert len(told) == 648
    walk = sweeps.ShareSweep(fleet, sweeps.travelling(view), SOME_PLACES, DAY, 10.0, workers=alone)
    found = [place.figures.covered_fraction for place in walk]
    assert [told[place] for place in SOME_PLACES] == found
    assert 0.0 in found


def check_the_key_is_above_the_curve(page: Any) -> None:
    """Hold that the key of By latitude lies on nothing that is drawn, however the page was opened."""
    key = panel(page, "latitude").locator(".legend .bg").bounding_box()
    curve = panel(page, "latitude").locator(".cartesianlayer .gridlayer").first.bounding_box()
    assert key["y"] + key["height"] <= curve["y"] + 1.0


def test_the_comparison_comes_first_and_the_map_with_its_land_follows(page: Any, address: str, folder: Path) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    # The map of tests/test_browser_pages.py is the usual one, of four times as many points.
    page.goto(f"{address}/sites?fleet=few&mask=50&world=10")
    assert "at each of the 2" in wait_for_sentence(page, "At Marram every spot is equally good")
    open_numbers(page)
    assert panel(page, "side").locator("tbody tr").count() == 4

    panel(page, "world").locator(".layer.coastlines path").first.wait_for(state="attached")
    page.locator("#working").wait_for(state="hidden")
    # Every coast is one piece of one path; a request to another host fails in a_page.
    coasts = panel(page, "world").locator(".geo2 .layer.coastlines path")
    assert sum(path.get_attribute("d").count("M") for path in coasts.all()) > 50
    assert {url for url in asked if "topojson" in url} == {f"{address}/assets/topojson/world_110m.json"}
    assert panel(page, "world").locator(".choroplethlayer path").count() > 30
    assert "No latitude has service all through Wed 25 Nov" in panel(page, "world").locator(".caption").inner_text()
    expect_numbers(page, folder, 50.0)

    choose(page, "mask", "60")
    panel(page, "latitude").get_by_text("Under 60° all round").wait_for()
    panel(page, "world").get_by_text("Grid:").wait_for()
    expect_numbers(page, folder, 60.0)

    check_the_key_is_above_the_curve(page)

    # On a dark ground and on a phone, all three panels stand below one another and none is cut.
    page.emulate_media(color_scheme="dark")
    page.set_viewport_size({"width": 390, "height": 844})
    page.reload()
    panel(page, "world").locator(".layer.coastlines path").first.wait_for(state="attached")
    page.locator("#working").wait_for(state="hidden")
    # A picture is as wide as it comes until it is fitted into its place.
    page.wait_for_function("() => document.documentElement.scrollWidth === 390")
    check_the_key_is_above_the_curve(page)
    for name in ("side", "latitude", "world"):
        picture, told = (panel(page, name).locator(part).bounding_box() for part in (".main-svg >> nth=0", ".caption"))
        assert picture["y"] + picture["height"] <= told["y"] + 1.0, name
        assert picture["width"] > 330.0
    colour = panel(page, "world").locator(".js-plotly-plot").evaluate("plot => plot._fullLayout.paper_bgcolor")
    assert colour == "#14191D"


def test_a_place_is_typed_or_tapped_and_taken_away(page: Any, address: str) -> None:
    page.goto(f"{address}/sites?fleet=few&world=10")
    field = page.get_by_label("Another place")
    remove = page.get_by_role("button", name="Remove")
    panel(page, "latitude").locator(".of-answer", has_text="Satellites are counted once in every").wait_for(
        state="attached"
    )
    assert not panel(page, "latitude").locator(".of-answer").is_visible()
    panel(page, "latitude").locator(".help summary").click()
    panel(page, "latitude").locator(".of-answer").wait_for()
    assert remove.count() == 0, "nothing was added"
    add = page.get_by_role("button", name="Add")
    field.fill("attic")
    add.click()
    page.locator("#added-fault", has_text="wanted degrees").wait_for()
    field.fill("47.5")
    add.click()
    panel(page, "side").locator(".caption", has_text="a latitude alone does not say where gateways are").wait_for()
    assert "added=47.5" in page.url
    assert page.locator("#added-fault").inner_text() == ""

    # A way is told from the site chosen, and stands there as the coordinates that it leads to.
    field.fill("60 km sideways")
    add.click()
    page.locator("#added-fault", has_text="wanted a point of the compass").wait_for()
    field.fill("60 km south")
    add.click()
    panel(page, "side").locator(".caption", has_text="44.4604° N, 28° W has the terminal of Marram loft").wait_for()
    assert field.input_value() == "44.4604,-28"

    panel(page, "world").locator(".layer.coastlines path").first.wait_for(state="attached")
    page.locator("#working").wait_for(state="hidden")
    shown = panel(page, "world").locator(".js-plotly-plot")
    shown.scroll_into_view_if_needed()
    box = shown.bounding_box()
    # The middle of the map lies where the equator meets the first meridian.
    middle = (box["x"] + box["width"] / 2.0, box["y"] + box["height"] / 2.0)
    page.mouse.move(middle[0] - 3.0, middle[1] - 3.0)
    page.mouse.move(*middle)
    page.mouse.click(*middle)
    page.wait_for_url(lambda url: "added=" in url and "added=44.4604" not in url)
    page.wait_for_function("() => !document.getElementById('added-text').value.includes('44.4604')")
    latitude, longitude = (float(each) for each in field.input_value().split(","))
    assert abs(latitude) < 20.0
    assert abs(longitude) < 20.0

    remove.focus()
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: "added=" not in url)
    remove.wait_for(state="hidden")
    assert page.evaluate("document.activeElement.id") == "added-use"
    panel(page, "side").locator(".caption:not(:has-text('has the terminal of'))").wait_for()
    page.wait_for_function("() => document.getElementById('added-text').value === ''")


def test_another_spot_is_tried_on_the_page_then_added_on_setup_and_compared(page: Any, address: str) -> None:
    page.goto(f"{address}/sites?fleet=few&world=none")
    field = page.get_by_label("Another mounting spot here")
    compare = page.get_by_role("button", name="Compare")
    panel(page, "latitude").locator(".caption:not(:empty)").wait_for()
    field.fill("attic")
    compare.click()
    page.locator("#tried-fault", has_text="wanted degrees all round").wait_for()
    field.fill("25, 60 from 150 to 210")
    compare.click()
    caption = panel(page, "side").locator(".caption")
    caption.filter(has_text="Marram spot tried: 25° all round, 60° from 150 to 210°; not kept").wait_for()
    assert page.locator("#tried-fault").inner_text() == ""

    # To keep one there is a form of its own, and from what it says a way back.
    page.get_by_role("link", name="Add a mounting spot to keep").click()
    page.get_by_role("heading", name="Add a spot at Marram").wait_for()
    page.get_by_label("Name").fill("mast")
    page.locator("#setup-shown", has_text='+ name = "mast"').wait_for()
    page.get_by_role("button", name="Write this change").click()
    page.locator("#setup-told").get_by_role("link", name="page Sites").click()
    caption.filter(has_text="Marram spot tried").wait_for()
    open_numbers(page)
    assert panel(page, "side").locator("tbody tr").count() == 6
    assert "spot=mast" in page.url
    page.locator("#tried-remove").click()
    caption.filter(has_not_text="spot tried").wait_for()
    page.goto(f"{address}/setup")
    page.get_by_role("button", name="Undo the last change").click()
    page.locator("#setup-told", has_text="Taken back").wait_for()
