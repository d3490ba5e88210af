"""The Sky page in a browser: roof line or sky, the gap chosen, another horizon, the symptom matcher, as passim says."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest

from browsing import (
    AT,
    NARROW,
    PHONE,
    Server,
    a_page,
    choose,
    open_at,
    open_numbers,
    restartable,
    traces,
    wait_for_sentence,
)
from passim import Horizon, Site, Span
from passim.answers.sites import horizon_cost as skyline
from passim.answers.symptom import match as symptom
from passim.coverage import visibility
from passim.coverage.causes import Causes, causes_of
from passim.sky.survey import Obstacle, Sighting, Stretch, from_obstacles, from_sightings, from_stretches
from passim.workspace import Workspace
from passim_apps.text.symptom import found_sentence, setting_words
from passim_apps.text.units import duration, instant
from tests import scenario

pytestmark = pytest.mark.browser

NOW = datetime.fromisoformat(AT).astimezone(UTC)
# The station's clocks are an hour behind UTC in winter.
DAY = Span(datetime(2026, 11, 25, 1, tzinfo=UTC), datetime(2026, 11, 26, 1, tzinfo=UTC))
HEADER = "azimuth_deg,elevation_deg\n"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with restartable(tmp_path_factory.mktemp("served") / "school") as found:
        yield found


@pytest.fixture(scope="module")
def address(server: Server) -> str:
    return server.address


@lru_cache
def known(site: Site, horizon: Horizon | None = None) -> Causes:
    """Return what opens the gaps of the day as passim itself finds it, under another horizon where one is given."""
    view = scenario.view_of(site)
    if horizon is not None:
        view = replace(view, site=replace(site, horizon=horizon))
    found = visibility.find_visibility(scenario.plover(NOW.replace(hour=0, minute=0)), view, DAY)
    assert isinstance(found, visibility.Visibility)
    return causes_of(found)


def utc_times(times: list[str]) -> list[datetime]:
    return [datetime.fromisoformat(text).replace(tzinfo=UTC) for text in times]


def gap_bars(page: Any, name: str) -> list[datetime]:
    """Return when the gaps of one row of the picture of two horizons begin."""
    return utc_times(
        page.evaluate(
            """(name) => Array.from(document.querySelector("#trial-picture .js-plotly-plot")._fullData
                .find((trace) => trace.name === name).x)""",
            name,
        )
    )


def assert_gaps(page: Any, name: str, causes: Causes) -> None:
    """Hold the gaps of one row of that picture against passim's own, to the millisecond that the picture holds."""
    drawn = gap_bars(page, name)
    own = causes.coverage.gaps()["start"].to_list()
    assert len(drawn) == len(own) > 0
    assert max(abs(a - b) for a, b in zip(drawn, own, strict=True)) <= timedelta(milliseconds=1)


def open_sky(page: Any, address: str, query: str = "") -> None:
    open_at(page, f"{address}/sky{query}")
    wait_for_sentence(page, "roof line")
    open_parts(page)
    page.get_by_label("points of the skyline").check()
    page.get_by_label("elevation ° of point 1", exact=True).wait_for()
    page.evaluate("window.scrollTo(0, 0)")


def open_parts(page: Any) -> None:
    """Open the two parts that wait closed below the answer."""
    for words in ("Try another horizon", "What explains these freezes?"):
        page.locator(".trying > summary", has_text=words).click()
    assert page.locator(".trying[open]").count() == 2
    page.evaluate("window.scrollTo(0, 0)")


def trial(page: Any, text: str) -> str:
    """Wait until the answer about the horizon tried holds `text`, and return it whole."""
    sentence = page.locator("#trial-sentence", has_text=text)
    sentence.wait_for()
    return str(sentence.inner_text())


def hand_in(page: Any, name: str, text: str) -> None:
    page.locator("#horizon-file input[type=file]").set_input_files(
        {"name": name, "mimeType": "text/csv", "buffer": text.encode()}
    )


def plainly(words: str) -> str:
    return words.replace("\N{NO-BREAK SPACE}", " ")


def in_all(known_causes: Any) -> str:
    """Return what the gaps of a day are in all, from its table."""
    gaps = known_causes.table["duration_s"]
    out = f"{100.0 * gaps.sum() / 86_400.0:.1f} %"
    often = f"That is {len(gaps)} in 24 h, {len(gaps) / 24.0:.1f} an hour overall"
    return f"{often}, {out} of the time; the longest, {duration(gaps.max())}."


def test_roof_line_or_sky(page: Any, address: str) -> None:
    open_sky(page, address)
    loft = known(scenario.MARRAM_LOFT)
    assert page.inner_text("#sentence").startswith("Your roof line is not the cause: ")
    assert plainly(page.inner_text("#second")) == (
        f"{in_all(loft)} "
        "All would close if the satellite did not have to see a gateway. A gateway is a ground station that "
        "the satellite must see as well. Nothing on your roof changes that: move calls to calm hours, or ask the "
        "provider. Calm hours are on the page Calls."
    )
    drawn, gaps = traces(page, "panorama"), loft.table
    assert drawn["missing"]["x"] == pytest.approx(gaps["missing_azimuth_deg"].to_list(), abs=0.006)
    assert drawn["missing"]["y"] == pytest.approx(gaps["missing_elevation_deg"].to_list(), abs=0.006)
    assert len(drawn["can serve"]["x"]) > 100
    # Where no part of the skyline costs anything there is nothing to draw under the sky.
    assert "sectors" not in drawn

    open_numbers(page)
    heads = page.locator("section", has=page.locator("[id*=panorama]")).locator("th")
    # What stopped the satellite is the cause itself in every row, and no gap is cut: neither takes up a column.
    assert heads.all_inner_texts() == ["Start", "End", "Length", "Opened by", "Missing satellite"]

    choose(page, "place", "Marram/yard")
    wait_for_sentence(page, "Your roof line plays a part: ")
    closed = known(scenario.MARRAM_YARD).seconds_by_cause().set_index("limit")["gaps_closed"]
    count = len(known(scenario.MARRAM_YARD).table)
    assert plainly(page.inner_text("#second")).startswith(
        f"{in_all(known(scenario.MARRAM_YARD))} "
        f"{closed['gateway']} of {count} would close if the satellite did not have to see a gateway, "
        f"{closed['horizon']} if the horizon were open down to 25° (1 of them by either) and "
    )
    assert "can injure and kill" in page.inner_text("#second")
    # Each gap counts once: those of one limit, of the other, of either, and of none.
    table = known(scenario.MARRAM_YARD).table
    assert closed["gateway"] + closed["horizon"] - 1 + (table["closed_by"] == "").sum() == count
    heads.filter(has_text="Stopped by").wait_for()
    sectors = skyline.sector_costs(known(scenario.MARRAM_YARD))["given_back_s_per_day"]
    assert traces(page, "panorama")["sectors"]["y"] == pytest.approx(sectors.to_list(), abs=0.001)
    assert sectors.max() > 100.0
    # Whatever speaks of a lower horizon stands beside what roofs can do.
    costs = page.locator("section", has=page.get_by_role("heading", name="What each part of the horizon costs"))
    assert "can injure and kill" in costs.inner_text()


def test_a_link_to_a_section_opens_it(page: Any, address: str) -> None:
    open_at(page, f"{address}/sky#symptom")
    in_sight = """() => {
        const at = document.getElementById("symptom").getBoundingClientRect();
        return document.querySelector("#symptom").closest("details").open && at.top >= 0 && at.bottom <= innerHeight;
    }"""
    page.wait_for_function(in_sight)
    # A page that a sentence names opens in place, with what is chosen, and without the section of the last one.
    page.locator("#second a.way", has_text="page Calls").click()
    wait_for_sentence(page, "start")
    assert page.evaluate("location.pathname + location.hash") == "/calls"
    # A link of the page itself opens its section too.
    open_at(page, f"{address}/sky")
    assert page.locator(".trying[open]").count() == 0
    page.locator("a.further", has_text="What explains these freezes?").click()
    page.wait_for_function(in_sight)


def test_the_cause_of_the_gap_chosen(page: Any, address: str) -> None:
    """Every cause there is in the yard, each in the words of the page and at its place in the picture."""
    gaps = known(scenario.MARRAM_YARD).table
    caption = page.locator("#panels .caption").first
    seen = set()
    for _, row in gaps.iterrows():
        if row["cause"] in seen:
            continue
        seen.add(row["cause"])
        open_at(page, f"{address}/sky?site=Marram&spot=yard&gap={instant(row['start'])}")
        local = (row["start"] - timedelta(hours=1)).round("s")
        caption.filter(has_text=f"{local:%H:%M:%S} to ").wait_for()
        assert f"opened by the {row['cause'].replace(' or ', ' or the ')}." in caption.inner_text()
        assert f"number {row['missing_satellite_id']}" in caption.inner_text()
        assert traces(page, "panorama")["chosen"]["x"] == pytest.approx([row["missing_azimuth_deg"]], abs=0.006)
    assert {"gateway", "horizon", "horizon with gateway"} <= seen

    # By the list, and on to the next gap with one thumb; the address follows.
    place = 40
    page.goto(f"{address}/sky?site=Marram&spot=yard&gap={instant(gaps['start'][place])}")
    caption.filter(has_text="opened by").wait_for()
    for next_place, act in (
        (place + 5, lambda: choose(page, "gap", instant(gaps["start"][place + 5]))),
        (place + 6, lambda: page.get_by_role("button", name="Later gap").click()),
        (place + 5, lambda: page.get_by_role("button", name="Earlier gap").click()),
    ):
        act()
        local = (gaps["start"][next_place] - timedelta(hours=1)).round("s")
        caption.filter(has_text=f"{local:%H:%M:%S} to ").wait_for()
        assert instant(gaps["start"][next_place]) in unquote(page.url)
    open_numbers(page)
    marked = page.locator("td", has_text="▶").all_inner_texts()
    assert marked == [f"▶ {(gaps['start'][place + 5] - timedelta(hours=1)).round('s'):%H:%M:%S}"]


def test_where_a_day_has_no_gap_none_is_offered(page: Any, address: str) -> None:
    steps = page.locator(".how, #gap-earlier, #gap-later")
    for place, offered in (("site=Skerry", 0), ("site=Marram&spot=yard", 3)):
        open_at(page, f"{address}/sky?{place}")
        wait_for_sentence(page, "roof line")
        page.wait_for_function(
            "wanted => [...document.querySelectorAll('.how, #gap-earlier, #gap-later')]"
            ".filter(each => each.checkVisibility()).length === wanted",
            arg=offered,
        )
        assert steps.count() == 3
        assert page.locator("#further-horizon").is_visible()


def test_a_touch_on_a_cross_chooses_its_gap(page: Any, address: str) -> None:
    open_sky(page, address, "?site=Marram&spot=yard")
    gaps = known(scenario.MARRAM_YARD).table.dropna(subset=["missing_azimuth_deg"]).reset_index(drop=True)
    # The cross that stands farthest from all others, so that a touch means it and no other.
    place = gaps[["missing_azimuth_deg", "missing_elevation_deg"]].to_numpy()
    apart = np.hypot(*(place[:, None] - place[None]).T)
    row = gaps.iloc[int(np.where(apart > 0.0, apart, np.inf).min(axis=0).argmax())]
    spot = page.locator("[id*=panorama] .js-plotly-plot").evaluate(
        """(picture, [azimuth, height]) => {
            const { xaxis, yaxis } = picture._fullLayout, frame = picture.getBoundingClientRect();
            return [frame.left + xaxis._offset + xaxis.l2p(azimuth), frame.top + yaxis._offset + yaxis.l2p(height)];
        }""",
        [row["missing_azimuth_deg"], row["missing_elevation_deg"]],
    )
    asked: list[str] = []
    page.on("request", lambda request: asked.append(unquote(request.post_data or "")))
    of_the_gap = f"gap={instant(row['start'])}"
    page.mouse.click(*spot)
    caption = page.locator("#panels .caption").first
    caption.filter(has_text=f"{(row['start'] - timedelta(hours=1)).round('s'):%H:%M:%S} to ").wait_for()
    assert unquote(page.url).endswith(f"/sky?site=Marram&spot=yard&{of_the_gap}")
    assert traces(page, "panorama")["chosen"]["x"] == pytest.approx([row["missing_azimuth_deg"]], abs=0.006)
    page.wait_for_load_state("networkidle")
    assert any(of_the_gap in text for text in asked)
    # The same cross again asks for nothing, nor does the picture by itself.
    asked.clear()
    page.mouse.click(*spot)
    # Nor is it spent: after another choice it counts again. What the click asked for would have come before that.
    choose(page, "gap", "")
    caption.filter(has_text="Now, ").wait_for()
    assert asked
    assert not any(of_the_gap in text for text in asked)
    page.mouse.click(*spot)
    caption.filter(has_text="opened by").wait_for()


def test_another_horizon_changes_the_gaps_as_passim_says(page: Any, address: str) -> None:
    open_sky(page, address)
    assert page.locator("#trial-frame").is_hidden()
    page.get_by_label("elevation ° of point 5", exact=True).fill("70")
    told = trial(page, "With this horizon ")
    points = [Sighting(45.0 * k, 70.0 if k == 4 else 25.0) for k in range(8)]
    tried = from_sightings(points, base=Horizon.flat(25.0)).horizon
    after = known(scenario.MARRAM_LOFT, tried)
    assert f"With this horizon {len(after.gaps.start)} gaps" in told
    assert f"now {len(known(scenario.MARRAM_LOFT).gaps.start)} gaps" in told
    assert_gaps(page, "now", known(scenario.MARRAM_LOFT))
    assert_gaps(page, "with this", after)
    assert "can injure and kill" in page.locator(".trying", has=page.locator("#trial-picture")).inner_text()

    # What is no number is named in one line, and what was there stays.
    page.get_by_label("elevation ° of point 2", exact=True).fill("high")
    page.locator("#trial-fault", has_text="elevation of point 2; got 'high'; wanted a number").wait_for()
    assert page.inner_text("#trial-sentence") == told
    assert page.get_by_role("button", name="Keep for this spot").is_disabled()

    # A row fewer, and what was typed is there again after a reload.
    page.get_by_role("button", name="Remove point 2").click()
    page.locator("#trial-fault", has_text=re.compile("^$")).wait_for(state="attached")
    page.reload()
    open_parts(page)
    page.locator("#trial-sentence", has_text="With this horizon ").wait_for()
    heights = [page.get_by_label(f"elevation ° of point {k}", exact=True).input_value() for k in range(1, 8)]
    assert heights == ["25", "25", "25", "70", "25", "25", "25"]
    page.get_by_role("button", name="Start again").click()
    trial(page, "Give the azimuths between which something stands")


def test_obstacles_by_tape_measure(page: Any, address: str) -> None:
    open_sky(page, address)
    page.get_by_label("obstacles, by tape measure").check()
    trial(page, "Fill in the row of an obstacle")
    assert page.locator("#trial-fault").inner_text() == ""
    for what, value in (("bearing °", "180"), ("width m", "30"), ("distance m", "8"), ("height m", "16")):
        page.get_by_label(f"{what} of obstacle 1", exact=True).fill(value)
    page.get_by_label("Height of the mount, m").fill("2")
    told = trial(page, "With this horizon ")
    tried = from_obstacles([Obstacle(180.0, 30.0, 8.0, 16.0)], 2.0, base=Horizon.flat(25.0)).horizon
    after = known(scenario.MARRAM_LOFT, tried)
    assert f"With this horizon {len(after.gaps.start)} gaps" in told
    assert_gaps(page, "with this", after)


def test_a_bad_file_shows_its_line_and_the_old_state_stays(page: Any, address: str) -> None:
    open_sky(page, address)
    page.get_by_label("elevation ° of point 5", exact=True).fill("70")
    told = trial(page, "With this horizon ")
    hand_in(page, "roof.csv", f"{HEADER}0,30\n90,high\n")
    fault = page.locator("#horizon-file-fault", has_text="roof.csv")
    fault.wait_for()
    assert fault.inner_text() == (
        "horizon file roof.csv, line 3; got '90,high'; wanted two numbers: azimuth and elevation in degrees"
    )
    assert page.inner_text("#trial-sentence") == told
    assert page.get_by_label("elevation ° of point 5", exact=True).input_value() == "70"

    # The same name with sound content is taken, and a lowest height that is lower lets it count as it is.
    hand_in(page, "roof.csv", f"{HEADER}0,30\n90,40\n200,62.5\n")
    trial(page, "With this horizon ")
    page.get_by_text("roof.csv: 3 points.").wait_for()
    after = known(scenario.MARRAM_LOFT, Horizon.from_points([(0, 30), (90, 40), (200, 62.5)]))
    trial(page, f"With this horizon {len(after.gaps.start)} gaps")
    assert_gaps(page, "with this", after)
    assert page.inner_text("#horizon-file-fault") == ""


def test_a_saved_horizon_survives_a_restart(page: Any, server: Server, address: str) -> None:
    folder = server.folder
    before = (folder / "passim.toml").read_text(encoding="utf-8")
    open_sky(page, address, "?mask=40")
    page.get_by_label("elevation ° of point 5", exact=True).fill("70")
    trial(page, "With this horizon ")
    page.get_by_role("button", name="Keep for this spot").click()
    # What changes is shown first.
    page.locator("#trial-offer", has_text='+ horizon_file = "horizon-marram-loft.csv"').wait_for()
    assert (folder / "passim.toml").read_text(encoding="utf-8") == before
    page.get_by_role("button", name="Write these lines").click()
    page.locator("#trial-saved", has_text="Kept: Marram, loft has this roof line").wait_for()
    assert "The one before stays in horizon-before-marram-loft.csv" in page.inner_text("#trial-saved")
    # The mask of the address goes, because it would hide what was saved.
    page.wait_for_url("**/sky")
    trial(page, "Nothing is kept")
    saved = Workspace.load(folder).site("Marram", "loft").horizon
    assert saved == Horizon.from_csv(folder / "horizon-marram-loft.csv")
    assert saved.elevation_deg(180.0) == 70.0
    assert Workspace.load(folder).site("Marram", "yard").horizon == Horizon.flat(35.0)

    gaps = known(scenario.MARRAM_LOFT, saved).table
    page.goto("about:blank")
    server.begin()
    open_sky(page, address)
    missing = gaps["missing_azimuth_deg"].dropna()
    assert traces(page, "panorama")["missing"]["x"] == pytest.approx(missing.to_list(), abs=0.006)
    heights = [float(row) for row in traces(page, "panorama")["horizon"]["y"]]
    assert max(heights) == 70.0
    # The other tests ask the same server.
    Workspace.load(folder).undo()
    assert (folder / "passim.toml").read_text(encoding="utf-8") == before


def test_a_roof_line_is_asked_for_before_it_is_judged(page: Any, server: Server, address: str) -> None:
    """A ridge is entered by one stretch, seen, shown as lines, written and taken back; a flat site says so."""
    file = server.folder / "passim.toml"
    entered = file.read_text(encoding="utf-8")
    open_spot = entered.replace('name = "loft"\nmask_deg = 25.0', 'name = "loft"')
    assert open_spot != entered
    file.write_text(open_spot, encoding="utf-8")
    try:
        open_at(page, f"{address}/sky")
        wait_for_sentence(page, "No roof line entered yet; with a clear view above 25° all round: ")
        # It stands open, called what it is, and the way to it stands under the sentence.
        assert page.locator("#title-horizon").inner_text() == "Enter your roof line"
        assert page.locator("#second a.way", has_text="Draw your roof line").get_attribute("href").endswith("#horizon")
        words = [f"{what} ° of stretch 1" for what in ("from azimuth", "to azimuth", "up to elevation")]
        ends = [page.get_by_label(label, exact=True) for label in words]
        ends[0].fill("270")
        trial(page, "Stretch 1 also needs: to azimuth °, up to elevation °.")
        ends[1].fill("315")
        ends[2].fill("95")
        page.locator("#trial-fault", has_text="elevation of the stretch from 270 to 315 deg; got '95 deg'").wait_for()
        ends[2].fill("40")
        told = trial(page, "With this horizon ")
        ridge = from_stretches([Stretch(270.0, 315.0, 40.0)], base=Horizon.flat(25.0)).horizon
        assert f"With this horizon {len(known(scenario.MARRAM_LOFT, ridge).gaps.start)} gaps" in told

        page.get_by_role("button", name="Keep for this spot").click()
        page.get_by_role("button", name="Write these lines").click()
        page.locator("#trial-saved", has_text="Kept: Marram, loft has this roof line").wait_for()
        page.locator("#title-horizon", has_text="Try another horizon").wait_for()
        wait_for_sentence(page, "our roof line")
        assert "No roof line" not in page.inner_text("#sentence")
        assert Workspace.load(server.folder).site("Marram", "loft").horizon == ridge
        assert [end.input_value() for end in ends] == ["270", "315", "40"]

        page.get_by_role("button", name="Take it back").click()
        page.locator("#trial-saved", has_text="Taken back").wait_for()
        wait_for_sentence(page, "No roof line entered yet")
        assert file.read_text(encoding="utf-8") == open_spot
        assert [end.input_value() for end in ends] == ["270", "315", "40"]

        page.get_by_label("clear all round").check()
        trial(page, "the same as now")
        page.get_by_role("button", name="Keep for this spot").click()
        page.get_by_role("button", name="Write these lines").click()
        wait_for_sentence(page, "Your roof line is not the cause: ")
        kept = Workspace.load(server.folder).site("Marram", "loft").horizon
        assert (kept.is_flat, kept.lowest_deg, kept.assumed) == (True, 25.0, False)
    finally:
        # The other tests ask the same server.
        file.write_text(entered, encoding="utf-8")


def ranks(page: Any) -> list[list[str]]:
    """Return number, setting and fit of the settings ranked on the page, without the rows of what was kept."""
    shown: list[list[str]] = page.locator("#symptom-answer .ranks tbody tr:not(.kept-row)").evaluate_all(
        "rows => rows.map(row => [...row.cells].slice(0, 3).map(cell => cell.innerText))"
    )
    return shown


def ranks_of(found: symptom.SymptomAnswer) -> list[list[str]]:
    """Return the same of the settings that passim itself found."""
    rows = zip(found.table.itertuples(), found.candidates, strict=True)
    return [[str(row.number), setting_words(one.setting, found.site), f"{row.fit:.2f}"] for row, one in rows]


def test_the_symptom_matcher(page: Any, server: Server, address: str) -> None:
    """What fits best is what passim finds; a candidate that is kept stands in the workspace, marked."""
    workspace = Workspace.load(server.folder)
    seen = symptom.FreezeRanges((480.0, 900.0), (10.0, 45.0))
    fleet = workspace.fleet(None, NOW)
    with ThreadPoolExecutor(1) as pool:
        searched = pool.submit(symptom.match_symptom, fleet, workspace.view("Marram", "loft"), DAY, seen, top=5)
        open_sky(page, address)
        page.locator("#symptom-every-low").fill("soon")
        page.get_by_role("button", name="Search").click()
        page.locator("#symptom-fault", has_text="from one freeze to the next; got 'soon'; wanted a number").wait_for()

        # A change of the question takes away what answered the one before.
        page.locator("#symptom-every-low").fill("8")
        page.locator("#symptom-saved", has_text="The question has changed").wait_for()
        assert page.locator("#symptom-fault").inner_text() == ""

        for name, value in (("every-low", "8"), ("every-high", "15"), ("length-low", "10"), ("length-high", "45")):
            page.locator(f"#symptom-{name}").fill(value)
        page.get_by_role("button", name="Search").click()
        page.locator("#symptom-working").wait_for()
        page.locator("#symptom-answer .ranks").wait_for()
        assert page.locator("#symptom-working").is_hidden()
        found = searched.result()
        assert page.locator("#symptom-answer .answer").inner_text() == found_sentence(found)
        assert ranks(page) == ranks_of(found)
        # The sky as it is set up comes first where it fits as well; what asks for more goes by how well it fits.
        fits = [candidate.rank for candidate in found.candidates if candidate.setting.kinds]
        assert np.all(np.diff(fits) <= 0.0)

        buttons = page.get_by_role("button", name="Keep candidate")
        keepable = [
            k for k, c in enumerate(found.candidates, 1) if c.setting.kinds and found.verdict != symptom.NOT_THE_SKY
        ]
        assert buttons.count() == len(keepable) > 0
        file = server.folder / "passim.toml"
        before = file.read_text(encoding="utf-8")

        # What came of a click stands in the next row, where whoever clicked looks.
        kept = page.locator(".ranks tr:not(.kept-row)", has=buttons.first).locator("+ tr .kept")

        def keep() -> None:
            buttons.first.click()
            kept.filter(has_text=f"Keeping candidate {keepable[0]} changes these lines").wait_for()
            in_sight = """(kept) => {
                const at = kept.getBoundingClientRect();
                return kept.contains(document.elementFromPoint(at.x + 30, at.y + 30));
            }"""
            page.wait_for_function(in_sight, arg=kept.element_handle())
            page.get_by_role("button", name="Write these lines").click()
            kept.filter(has_text=f"Candidate {keepable[0]} is now in the workspace").wait_for()
            page.locator("#notes", has_text="Assumed, not measured").wait_for()

        for _ in range(2):
            keep()
            assumed = Workspace.load(server.folder).assumptions
            assert assumed
            assert all("searched for from freezes every 8 to 15 min" in one.how for one in assumed)
            page.get_by_role("button", name="Take it back").click()
            kept.filter(has_text="Taken back: the workspace is as it was before.").wait_for()
            assert file.read_text(encoding="utf-8") == before


def test_a_record_of_freezes_says_more_than_ranges(page: Any, address: str) -> None:
    """A record is taken, kept, searched as passim searches it, and taken away; a bad one leaves what was there."""

    def hand_in_record(text: str) -> None:
        page.locator("#record-file input[type=file]").set_input_files(
            {"name": "freezes.csv", "mimeType": "text/csv", "buffer": text.encode()}
        )

    gaps = known(scenario.MARRAM_LOFT).coverage.gaps()
    # Two busy hours of what the loft's own gateway does.
    busy = gaps[(gaps["start"] >= NOW.replace(hour=7, minute=0)) & (gaps["start"] < NOW.replace(hour=9, minute=0))]
    lines = ["start,end", *(f"{instant(row.start)},{instant(row.end)}" for row in busy.itertuples())]
    open_sky(page, address)
    hand_in_record("\n".join([*lines, "soon,later"]))
    fault = page.locator("#record-messages", has_text="freezes.csv")
    fault.wait_for()
    assert fault.inner_text() == (
        f"record freezes.csv, line {len(lines) + 1}; got 'soon'; wanted a time with its offset, such as "
        "2026-11-25T08:00:00Z"
    )
    assert page.locator("#symptom-every-low").is_visible()

    hand_in_record("\n".join(lines))
    page.locator("#symptom-record-words", has_text=f"freezes.csv: {len(busy)} freezes").wait_for()
    assert fault.count() == 0
    hand_in_record("start,end\n")
    page.locator("#record-messages", has_text="got '0 freezes'").wait_for()
    page.reload()
    open_parts(page)
    page.locator("#symptom-record-words", has_text=f"freezes.csv: {len(busy)} freezes").wait_for()
    assert page.locator("#symptom-every-low").is_hidden()

    times = (
        np.array([round(t.timestamp() * 1e3) * 1000 for t in busy[end].dt.round("ms")]) for end in ("start", "end")
    )
    record, fleet = symptom.FreezeRecord(*times), scenario.plover(NOW.replace(hour=0, minute=0))
    with ThreadPoolExecutor(1) as pool:
        view = scenario.view_of(scenario.MARRAM_LOFT)
        searched = pool.submit(symptom.match_symptom, fleet, view, record.span, record)
        page.get_by_role("button", name="Search").click()
        page.locator("#symptom-answer .ranks").wait_for()
        found = searched.result()
    assert page.locator("#symptom-answer .answer").inner_text() == found_sentence(found)
    assert ranks(page) == ranks_of(found)

    page.get_by_role("button", name="Remove the record").click()
    page.locator("#symptom-every-low").wait_for()
    page.locator("#symptom-answer .ranks").wait_for(state="detached")
    assert page.evaluate("localStorage.getItem('symptom-record')") in (None, "null")


def test_a_search_can_be_stopped(page: Any, address: str) -> None:
    open_sky(page, address)
    page.get_by_label("no gateway, cone or geostationary arc known").check()
    page.get_by_role("button", name="Search").click()
    page.locator("#symptom-working").wait_for()
    page.locator("#symptom-stop").click()
    page.locator("#symptom-fault", has_text="the work was stopped before it was done").wait_for()
    assert page.locator("#symptom-working").is_hidden()


def test_a_phone_on_a_roof(browser: Any, address: str) -> None:
    with a_page(browser, address, **NARROW) as page:
        open_sky(page, address)
        page.get_by_label("elevation ° of point 1", exact=True).fill("70")
        trial(page, "With this horizon ")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        # The answer stays in sight beside the height that changes it.
        assert page.locator("#trial-sentence").evaluate("e => e.getBoundingClientRect().bottom <= innerHeight")
        targets = page.locator("main button, main .field, main select, main .ways label, main .further, main summary")
        sizes = targets.evaluate_all(
            """every => every.filter(e => e.offsetParent && !e.closest(".js-plotly-plot"))
                .map(e => [e.textContent || e.id, e.getBoundingClientRect().height])"""
        )
        assert len(sizes) > 25
        assert [size for size in sizes if size[1] < 44.0] == []


# What a phone tells, held flat or upright (W3C DeviceOrientation Event).
_HELD = """([alpha, beta]) => window.dispatchEvent(new DeviceOrientationEvent(
    "deviceorientationabsolute", {alpha, beta, gamma: 0, absolute: true}))"""
_TOLD = "([kind, values]) => window.dispatchEvent(Object.assign(new Event(kind), values))"
_GRAPH = "#panels .lead .js-plotly-plot"
_MIDDLE = "graph => (graph._fullLayout.xaxis.range[0] + graph._fullLayout.xaxis.range[1]) / 2"


def test_the_sky_turns_with_the_compass_of_the_phone(browser: Any, address: str) -> None:
    is_middle = f"azimuth => Math.abs(({_MIDDLE})(document.querySelector('{_GRAPH}')) - azimuth) < 1e-6"
    with a_page(browser, address, **NARROW) as page:
        open_at(page, "/sky")
        turn, graph = page.locator("#sky-turn"), page.locator(_GRAPH)
        assert graph.evaluate(_MIDDLE) == 180
        before, height = graph.evaluate("graph => [graph.data.length, graph.clientHeight]")
        # Nothing has been heard of a compass, and an angle that counts from anywhere is none.
        assert turn.is_hidden()
        page.evaluate(_TOLD, ["deviceorientation", {"alpha": 10, "beta": 0, "gamma": 0}])
        assert turn.is_hidden()
        page.evaluate(_HELD, [0, 0])
        turn.click()
        assert turn.inner_text() == "Stop turning"
        # Alpha counts against the clock; a phone held up before one's face shows what is behind it.
        for alpha, beta, name, azimuth in (
            (270, 0, "E", 90),
            (180, 90, "S", 180),
            (0, 45, "N", 0),
            (45, 80, "NW", 315),
        ):
            page.wait_for_timeout(250)
            page.evaluate(_HELD, [alpha, beta])
            page.wait_for_function(is_middle, arg=azimuth)
            assert f"Ahead: {name}, {azimuth}°" in page.locator("#sky-facing").inner_text()
        # The sky goes on past north, in a picture as high as before.
        assert graph.evaluate("graph => [graph.data.length, graph.clientHeight]") == [3 * before, height]
        assert {"W", "N", "SW"} < set(graph.locator(".xtick text").all_text_contents())
        # What the server draws meanwhile is turned with the next reading.
        choose(page, "mask", "40")
        page.wait_for_function(is_middle, arg=180)
        before = graph.evaluate("graph => graph.data.length")
        page.evaluate(_HELD, [45, 80])
        page.wait_for_function(is_middle, arg=315)
        turn.click()
        page.wait_for_function(is_middle, arg=180)
        assert turn.inner_text() == "Turn with the phone"
        assert graph.evaluate("graph => [graph.data.length, graph.clientHeight]") == [before, height]
        page.evaluate(_HELD, [270, 0])
        assert graph.evaluate(_MIDDLE) == 180


def test_a_browser_that_asks_before_it_tells_of_the_compass_and_one_without(browser: Any, address: str) -> None:
    # Each with settings of its own, so that no other test is given its page.
    with a_page(browser, address, **PHONE, device_scale_factor=2) as page:
        page.add_init_script(
            "window.said = 'denied'; DeviceOrientationEvent.requestPermission = async () => window.said;"
        )
        open_at(page, "/sky")
        told = page.locator("#sky-facing")
        page.locator("#sky-turn").click()
        told.filter(has_text="was not allowed").wait_for()
        page.evaluate("window.said = 'granted'")
        # The browser of the tests has no compass, and may say so: a reading comes first.
        page.evaluate(_TOLD, ["deviceorientation", {"webkitCompassHeading": 10}])
        page.locator("#sky-turn").click()
        page.locator("#sky-turn[aria-pressed=true]").wait_for()
        page.evaluate(_TOLD, ["deviceorientation", {"alpha": 5, "webkitCompassHeading": 225}])
        told.filter(has_text="Ahead: SW, 225°").wait_for()
    with a_page(browser, address, **PHONE, device_scale_factor=2) as page:
        open_at(page, "/sky")
        page.evaluate("window.said = 'granted'")
        page.locator("#sky-turn").click()
        page.evaluate(_TOLD, ["deviceorientation", {"alpha": None, "beta": None, "gamma": None}])
        told.filter(has_text="no compass").wait_for()
        assert page.locator("#sky-turn").is_hidden()
    with a_page(browser, address, **PHONE, device_scale_factor=3) as page:
        page.add_init_script("delete window.DeviceOrientationEvent;")
        open_at(page, "/sky")
        page.evaluate(_TOLD, ["deviceorientationabsolute", {"alpha": 0, "beta": 0, "gamma": 0, "absolute": True}])
        assert page.locator("#sky-turn").is_hidden()
