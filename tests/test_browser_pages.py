"""The dashboard in a real browser: every page, what it shows, how it is reached, and that it talks to nobody else."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from browsing import PATIENCE_MS, PHONE, a_page, choose, follow, open_at, served, settle, traces, with_few
from passim import Horizon, Span, walker, write_elements
from passim.coverage import Coverage
from passim.coverage.visibility import find_visibility
from passim.workspace import Workspace
from passim.workspace.invented_record import write_invented_record
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.pages import PAGES
from patience import wait_until

pytest.importorskip("playwright.sync_api", reason="playwright is part of the test extra")
from playwright.sync_api import Browser, Locator, Page, Route, expect

pytestmark = pytest.mark.browser

AT = "2026-11-25T08:05:00+00:00"
SAMPLES = Path(__file__).resolve().parent.parent / "tle_samples"
expect.set_options(timeout=PATIENCE_MS)
PATHS = [page.path for page in PAGES]
# The Sites page asks about hundreds of places, which takes a small fleet a fraction of the time.
ASKED = {path: f"{path}?fleet=few" if path == "/sites" else path for path in PATHS}


# --- a server and a browser -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = with_few(tmp_path_factory.mktemp("browser") / "school", AT)
    # A fleet whose elements are too old for anything, and one that takes long.
    large = walker(
        total=2000, planes=40, phasing=1, inclination_deg=53.0, altitude_km=550.0,
        epoch=datetime(2026, 11, 25, tzinfo=UTC), name="large",
    )  # fmt: skip
    write_elements(large, made / "large.json")
    with (made / "passim.toml").open("a", encoding="utf-8") as file:
        for name, elements in (("old", SAMPLES / "polar-star-66.tle"), ("large", "large.json")):
            file.write(f'\n[[fleets]]\nname = "{name}"\nelements = ["{elements}"]\n')
    write_invented_record(Workspace.load(made), datetime.fromisoformat(AT))
    return made


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served(folder, AT) as found:
        yield found


@pytest.fixture
def phone(browser: Browser, address: str) -> Iterator[Page]:
    with a_page(browser, address, **PHONE) as opened:
        yield opened


# --- asking a page ----------------------------------------------------------------------------------------------------


def picture(page: Page, name: str) -> Locator:
    return page.locator(f"""[id='{{"name":"{name}","part":"picture"}}'] .js-plotly-plot""")


def coverage_of(folder: Path, days: int = 7, query: str = "") -> Coverage:
    """Return what passim itself finds for the days of a page at Marram's clock, one hour behind UTC."""
    choices, faults = read_query(query)
    assert faults == ()
    workspace = Workspace.load(folder)
    day = choices.day or date(2026, 11, 25)
    span = Span.starting(datetime(day.year, day.month, day.day, 1, tzinfo=UTC), 24.0 * days)
    view = workspace.view(choices.site, choices.spot)
    if choices.mask_deg is not None:
        from dataclasses import replace

        view = replace(view, site=replace(view.site, horizon=Horizon.flat(choices.mask_deg)))
    found = find_visibility(workspace.fleet(choices.fleet, datetime.fromisoformat(AT)), view, span).joint()
    return Coverage.from_intervals(found.start, found.end, span)


def drawn_gaps_s(page: Page) -> list[float]:
    """Return the lengths of the gaps in the Clock's first picture, seconds, the pieces over midnight apart."""
    # Each goes up, across and down, and the pen is lifted: five places.
    x = traces(page, "days")["no service"]["x"]
    return [3600.0 * (right - left) for left, right in zip(x[::5], x[2::5], strict=True)]


# --- every page -------------------------------------------------------------------------------------------------------


def serious_faults(page: Page) -> list[tuple[str, str, str]]:
    """Return what axe finds on a page that is serious or worse: the rule, how bad, and the first element."""
    axe = pytest.importorskip("axe_playwright_python.base", reason="axe-playwright-python is part of the test extra")
    page.evaluate(axe.AXE_SCRIPT)
    # What passes is listed with one element a rule: on a page full of pictures the others take most of the time.
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert len(found["passes"]) > 10
    return [
        (v["id"], v["impact"], v["nodes"][0]["html"][:200])
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]


def check_the_keyboard_reaches_everything(page: Page) -> None:
    # A page that renews itself by the minute may put something new in the place of what was marked: then once more.
    wanted, reached = walked_by_keyboard(page)
    if reached != wanted:
        wanted, reached = walked_by_keyboard(page)
    assert reached == wanted


def walked_by_keyboard(page: Page) -> tuple[set[str], set[str]]:
    """Return what can be reached, numbered, and what Tab did reach; whatever has the focus shows it."""
    wanted = page.evaluate(
        """() => [...document.querySelectorAll('a[href], select, button, summary, input:not([type=file])')]
            .filter(e => e.checkVisibility({visibilityProperty: true}) && !e.disabled && e.tabIndex >= 0)
            .filter(e => e.type !== "radio" || e.checked)  // the others of a group are reached by arrow
            .map((e, k) => { e.dataset.nth = k; return String(k); })"""
    )
    reached: set[str] = set()
    for _ in range(len(wanted) + 80):
        page.keyboard.press("Tab")
        # Both in one breath: between two questions a page that renews itself may take the focused element away.
        nth, outline = page.evaluate(
            """() => [document.activeElement.dataset.nth ?? null,
                      getComputedStyle(document.activeElement).outlineStyle]"""
        )
        if nth is not None and nth in reached:
            break
        if nth is not None:
            reached.add(nth)
            assert outline != "none"
    return set(wanted), reached


def check_the_first_screen(page: Page, height_px: int, most_screens: int) -> None:
    """Hold that sentence, main picture and the first choice are seen unscrolled, and how long the page is closed."""
    lowest = page.evaluate(
        """() => Object.fromEntries(["#sentence", ".lead .picture-frame", ".lead .choices.near .choice"].map(
            (what) => [what, document.querySelector(what)?.getBoundingClientRect().bottom + window.scrollY || 0]))"""
    )
    assert 0 < lowest["#sentence"] < lowest[".lead .picture-frame"]
    if height_px == 800:
        assert page.evaluate("document.querySelector('.head').getBoundingClientRect().height") < 90  # one row
    assert {what: px for what, px in lowest.items() if px > height_px} == {}
    assert page.evaluate("document.documentElement.scrollHeight") <= most_screens * height_px


def check_paper(page: Page) -> None:
    """Hold that a printed page names what was chosen, opens its tables and has no forms; then it is as before."""
    tables = page.locator("details.numbers")
    opened = page.locator("details.numbers[open]").count()
    assert not page.locator("#chosen").is_visible()
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 800, "height": 1100})  # about a sheet of A4
    expect(page.locator("details.numbers[open]")).to_have_count(tables.count())
    if page.locator("select.choice-list").count():
        assert page.locator("#chosen").inner_text().startswith("Marram, loft")
    forms = page.locator("select:visible, button:visible, input:visible, .drop:visible, .button:visible")
    assert forms.evaluate_all("every => every.map(e => e.outerHTML)") == []
    page.wait_for_function("() => document.documentElement.scrollWidth <= 800")
    # What is said of a picture stands under it, once the picture has taken the width of the sheet.
    page.wait_for_function(
        """() => [...document.querySelectorAll(".picture-frame")].every(frame => {
            const picture = frame.querySelector(".main-svg") || frame;
            return frame.clientHeight - picture.getBoundingClientRect().height > -2
                || getComputedStyle(frame).visibility === "hidden";
        })"""
    )
    page.emulate_media(media="screen")
    page.set_viewport_size({"width": 1280, "height": 800})
    expect(page.locator("details.numbers[open]")).to_have_count(opened)


@pytest.mark.parametrize("path", PATHS)
def test_a_page_has_its_picture_no_serious_fault_of_axe_and_all_by_keyboard(page: Page, path: str) -> None:
    open_at(page, ASKED[path])
    assert page.locator("#notice").inner_text() == ""
    assert page.locator("h1").count() == 1
    assert page.locator("html").get_attribute("lang") == "en"
    frame = page.locator(".picture-frame").first
    box = frame.bounding_box()
    assert box is not None
    assert box["width"] > 600
    assert box["height"] > 150
    marks = frame.locator(
        ".main-svg .point path, .main-svg .js-line, .main-svg .choroplethlayer path, .main-svg .js-fill"
    )
    # The picture is drawn a moment after the sentence is there.
    marks.first.wait_for(state="attached")
    first = page.locator(".panel .caption").first
    assert len(first.inner_text()) > 20
    assert page.locator("#notes li").count() >= 2
    assert "passim" in page.title()
    assert serious_faults(page) == []
    page.set_viewport_size({"width": 1280, "height": 800})
    check_the_first_screen(page, 800, 3)
    check_paper(page)
    check_the_keyboard_reaches_everything(page)


def test_a_phone_in_the_dark_needs_no_sideways_scrolling(
    browser: Browser, address: str, subtests: pytest.Subtests
) -> None:
    with a_page(browser, address, color_scheme="dark", **PHONE) as phone:
        open_at(phone, "/")
        # The links carry on what was chosen: the page that asks for a fleet comes last, its map coarse.
        for each in sorted(PAGES, key=lambda each: ASKED[each.path] != each.path):
            with subtests.test(page=each.path):
                if ASKED[each.path] != each.path:
                    open_at(phone, f"{ASKED[each.path]}&world=10")
                elif each.path != "/":
                    follow(phone, each.name, each.path)
                    settle(phone)
                check_a_phone(phone)
                check_its_head(phone, each.name)


def check_a_phone(phone: Page) -> None:
    # A picture is as wide as it comes until it is fitted into its place.
    phone.wait_for_function("() => document.documentElement.scrollWidth <= 390")
    phone.locator(".lead .picture-frame .main-svg").first.wait_for()
    check_the_first_screen(phone, 844, 6)
    targets = phone.locator("button:visible, select:visible, summary:visible, a.button:visible").evaluate_all(
        "every => every.map(e => [e.innerText, e.getBoundingClientRect().height])"
    )
    assert len(targets) > 0
    assert [target for target in targets if target[1] < 44] == []
    assert serious_faults(phone) == []
    # Of a table whole columns are seen, and the first of them stays where others are moved to.
    cut = phone.locator(".table-frame:visible").evaluate_all(
        """every => every.flatMap(frame => {
            const edge = frame.getBoundingClientRect().right, heads = [...frame.querySelectorAll("th")];
            if (frame.scrollWidth > frame.clientWidth + 1) {
                const first = heads[0].getBoundingClientRect().left;
                frame.scrollLeft = 60;
                if (Math.abs(heads[0].getBoundingClientRect().left - first) > 1) return ["moves", heads[0].innerText];
                frame.scrollLeft = 0;
            }
            return heads.filter(head => {
                const box = head.getBoundingClientRect();
                return box.left < edge - 1 && box.right > edge + 1;
            }).map(head => head.innerText);
        })"""
    )
    assert cut == []


def check_its_head(phone: Page, name: str) -> None:
    button = phone.locator(".menu summary")
    expect(button).to_have_text(f"Menu: {name}")
    assert phone.locator(".wordmark").evaluate("name => name.getClientRects().length") == 1
    assert phone.locator(".wordmark").bounding_box()["height"] < 30.0  # type: ignore[index]
    for opened in (False, True):
        assert phone.locator(".menu li:visible").count() == (len(PAGES) if opened else 0)
        overlaps = phone.locator(
            ".wordmark, .menu summary, .head .invented, .menu li > *:visible, .head select:visible"
        ).evaluate_all(
            """every => {
                const boxes = every.map(e => [e.innerText.slice(0, 40), e.getBoundingClientRect()]);
                const drawn = boxes.filter(([_, box]) => box.width > 1 && box.height > 1);
                return drawn.flatMap(([words, a], k) => drawn.slice(k + 1).filter(([_, b]) =>
                    Math.min(a.right, b.right) - Math.max(a.left, b.left) > 0.5
                    && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 0.5
                ).map(([others]) => [words, others]));
            }"""
        )
        assert overlaps == []
        button.click()
    assert phone.locator(".menu li:visible").count() == 0


def test_what_is_not_known_of_elements_takes_no_room_until_it_is(page: Page) -> None:
    open_at(page, "/elements")
    lately = page.locator("section[aria-labelledby='title-elements-lately']")
    expect(lately.locator(".caption")).to_contain_text("is not known")
    expect(lately.locator("details.numbers[open]")).to_have_count(0)
    lately.locator(".numbers summary").click()
    expect(lately.locator(".table-frame")).to_have_text("Nothing is known.")
    frame = page.locator("section[aria-labelledby='title-elements-quality'] .picture-frame")
    expect(frame).to_be_hidden()
    # Bars of another picture in its place: they come with their height.
    page.evaluate(
        """() => {
            const bars = document.querySelector(`[id='{"name":"status","part":"picture"}'] .js-plotly-plot`);
            const figure = { data: bars.data, layout: { ...bars.layout, height: 140 } };
            window.dash_clientside.set_props({ name: "quality", part: "picture" }, { figure });
        }"""
    )
    frame.locator(".barlayer .trace").first.wait_for()
    box = frame.bounding_box()
    assert box is not None
    assert box["height"] >= 140


def test_what_is_printed_is_not_cut_off_where_tables_opened_for_it(page: Page) -> None:
    """A browser counts the sheets before it lays them out: what opens for the paper must be open by then."""

    def sheets() -> int:
        return len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4")))

    open_at(page, "/elements")
    first = sheets()
    assert page.locator("details.numbers[open]").count() < page.locator("details.numbers").count()
    page.evaluate("for (const each of document.querySelectorAll('details.numbers')) each.open = true")
    assert first == sheets() >= 2


def test_dark_pages_are_drawn_dark(browser: Browser, address: str) -> None:
    with a_page(browser, address, color_scheme="dark") as page:
        open_at(page, "/clock")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 25, 29)"
        assert picture(page, "days").evaluate("e => e._fullLayout.paper_bgcolor") == "#14191D"
        # Paper is white: the words are those of light pages, and what was drawn dark is turned.
        page.emulate_media(media="print", color_scheme="dark")
        page.set_viewport_size(
            {"width": 718, "height": 1000}
        )  # A4 within its margins, narrower than some phones' pages
        expect(page.locator("#sentence")).to_have_css("color", "rgb(30, 42, 50)")
        expect(picture(page, "days")).to_have_css("filter", "invert(1) hue-rotate(180deg)")
        # Sentence, what is said beside it, picture: in this order, as on a desk.
        tops = [
            page.locator(each).first.evaluate("e => e.getBoundingClientRect().top")
            for each in ("#sentence", "#second", ".lead .panel-title", ".picture-frame")
        ]
        assert tops == sorted(tops)
        page.emulate_media(media="screen", color_scheme="dark")
        page.emulate_media(color_scheme="light")
        expect(page.locator(".picture-frame .main-svg").first).to_have_css("background-color", "rgb(250, 248, 243)")


# --- what the pictures say --------------------------------------------------------------------------------------------


def test_the_clock_draws_what_passim_finds_and_follows_every_choice(page: Page, folder: Path) -> None:
    open_at(page, "/clock?days=3")
    query = "?days=3"
    figures = page.locator(".key-figures dd").all_inner_texts()
    assert figures[1] == str(len(coverage_of(folder, 1).gaps()))
    assert figures[0].replace("\N{NO-BREAK SPACE}", " ") in page.locator("#sentence").inner_text().replace(
        "\N{NO-BREAK SPACE}", " "
    )
    for key, value, expected in (
        ("", "", "?days=3"),
        ("place", "Marram/yard", "?site=Marram&spot=yard&days=3"),
        ("mask", "40", "?site=Marram&spot=yard&mask=40&days=3"),
        ("day", "2026-11-27", "?site=Marram&spot=yard&day=2026-11-27&mask=40&days=3"),
    ):
        if key:
            sentence = page.locator("#sentence").inner_text()
            choose(page, key, value)
            expect(page.locator("#sentence")).not_to_have_text(sentence)
            settle(page)
            query = page.evaluate("location.search")
        assert query == expected
        coverage = coverage_of(folder, 3, query)
        assert sum(drawn_gaps_s(page)) == pytest.approx(coverage.gaps()["duration_s"].sum(), abs=1e-3)
        minutes = coverage_of(folder, 1, query).minutes("Atlantic/Azores")
        day = traces(page, "day")
        # The upper edge of the lowest of the three areas, each half hour from its start to its end.
        outline = day["none in view"]["y"]
        out_s = minutes["gap_s"].to_numpy().reshape(48, 30).sum(axis=1)
        assert outline[: len(outline) // 2 : 2] == pytest.approx((out_s / 18.0).tolist())
        assert day["seconds without service"]["y"] == pytest.approx([s for s in minutes["gap_s"] if s > 0])


def test_now_draws_the_hour_and_moves(page: Page, folder: Path) -> None:
    open_at(page, "/")
    gaps = traces(page, "hour")["no service"]["x"]
    span = picture(page, "hour").evaluate("e => e._fullLayout.xaxis.range")
    coverage = coverage_of(folder, 1)
    first, last = (datetime.fromisoformat(text.replace(" ", "T")).replace(tzinfo=UTC) for text in span)
    inside = [t for t in coverage.gaps()["start"] if first <= t < last]
    assert len(gaps) == len(inside) > 0
    line = "e => e._fullLayout.shapes.filter(s => s.name === 'now').map(s => s.x0)[0]"
    before = picture(page, "hour").evaluate(line)
    wait_until(lambda: picture(page, "hour").evaluate(line) > before)
    # It counts down by itself: whether to call in one word, and the state of service in the title of the tab.
    told = page.locator("#live")
    expect(told).to_have_text(re.compile(r"^Call now\? No\. Next gap in [\d\xa0ms in]+: 07:\d\d:\d\d, 18\xa0s\.$"))
    # Once is enough.
    assert "gap" not in page.locator("#second").inner_text()
    expect(page).to_have_title(re.compile("^(Service|No service) – Now – passim$"))
    first_words = told.inner_text()
    page.route("**/_dash-update-component*", lambda route: route.fulfill(status=204))
    expect(told).not_to_have_text(first_words)
    page.unroute("**/_dash-update-component*")
    page.locator(".link-row a", has_text="Clock").click()
    expect(page).to_have_title("Clock – passim")
    expect(told).to_be_empty()


def test_sites_are_compared_as_passim_compares_them(page: Page, folder: Path) -> None:
    open_at(page, ASKED["/sites"])
    drawn = traces(page, "side")["time without service"]["x"]
    out = sorted(
        100.0 * (1.0 - coverage_of(folder, 1, f"?fleet=few&site={site}&spot={spot}").covered_fraction())
        for site in ("Marram", "Skerry", "Lantern")
        for spot in Workspace.load(folder).spot_names(site)
    )
    assert drawn == pytest.approx(out, abs=1e-6)


def test_the_file_of_numbers_holds_what_the_table_shows(page: Page, folder: Path) -> None:
    open_at(page, "/clock?days=3&site=Marram&spot=yard")
    section = page.locator("section", has=page.locator("h2", has_text="The gaps of that day"))
    with page.expect_download() as started:
        section.get_by_role("link", name="Download as CSV").click()
    text = Path(started.value.path()).read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    gaps = coverage_of(folder, 1, "?site=Marram&spot=yard").gaps()
    assert [float(row["duration_s"]) for row in rows] == pytest.approx(gaps["duration_s"].tolist())
    assert rows[0]["start"].endswith("Z")
    assert rows[0]["start_local"].endswith("-01:00")
    assert section.locator("tbody tr").count() == len(rows)


# --- addresses --------------------------------------------------------------------------------------------------------


def test_what_a_page_takes_without_being_told_goes_unsaid(page: Page) -> None:
    open_at(page, "/clock?site=Marram&spot=yard&mask=40")
    for key, value, query in (
        ("days", "14", "?site=Marram&spot=yard&mask=40&days=14"),
        ("days", "7", "?site=Marram&spot=yard&mask=40"),
        ("mask", "own", "?site=Marram&spot=yard"),
        ("place", "Marram/loft", ""),
    ):
        choose(page, key, value)
        page.wait_for_url(f"**/clock{query}")
    # Two picks before the address has followed the first: both count.
    page.evaluate(
        """() => {
            for (const [key, value] of [["mask", "30"], ["days", "3"]]) {
                const list = document.querySelector(`select[id*='"name":"${key}"']`);
                list.value = value;
                list.dispatchEvent(new Event("change", { bubbles: true }));
            }
        }"""
    )
    page.wait_for_url("**/clock?mask=30&days=3")
    settle(page)
    assert page.locator("h1").inner_text() != ""


def test_choices_go_with_the_reader_and_back(page: Page) -> None:
    open_at(page, "/")
    choose(page, "place", "Skerry/roof")
    page.wait_for_url("**/?site=Skerry&spot=roof")
    page.locator(".link-row").get_by_text("Clock").click()
    page.wait_for_url("**/clock?site=Skerry&spot=roof")
    settle(page)
    page.go_back()
    settle(page)
    page.go_back()
    expect(page.locator("select").first).to_have_value("Marram/loft")
    assert page.evaluate("location.pathname + location.search") == "/"


def test_the_first_page_leads_to_the_others_by_what_they_answer(page: Page) -> None:
    open_at(page, "/")
    choose(page, "place", "Skerry/roof")
    page.wait_for_url("**/?site=Skerry&spot=roof")
    asked = page.locator(".questions a")
    assert asked.all_inner_texts() == [each.asks for each in PAGES[1:]]
    asked.get_by_text("Is it my roof line or the sky?").click()
    page.wait_for_url("**/sky?site=Skerry&spot=roof")


def test_what_an_address_names_in_vain_is_left_out_told_and_not_carried_on(page: Page) -> None:
    """A link from another workspace, or an old one, is no dead end: the page answers, and no link takes it along."""
    left_out = page.locator("#left-out")
    for query, told, stays in (
        ("?site=Nowhere&spot=roof&days=3", "wanted one of Marram", "?days=3"),
        ("?site=Skerry&fleet=Gulls", "wanted one of Plover", "?site=Skerry"),
        ("?mask=steep", "wanted degrees", ""),
        ("?day=soon", "wanted a date", ""),
    ):
        open_at(page, f"/clock{query}")
        expect(left_out).to_contain_text(told)
        expect(left_out).to_contain_text("goes on without it")
        page.wait_for_function("(stays) => location.search === stays", arg=stays)
        assert page.locator("#notice").inner_text() == ""
        assert "gap" in page.locator("#sentence").inner_text()
        links = page.locator("a.page-link").evaluate_all("(all) => all.map((link) => link.search)")
        assert set(links) == {stays}
    # It is told until something else is chosen.
    choose(page, "mask", "40")
    expect(left_out).to_have_text("")


def test_a_workspace_without_sites_or_satellites_says_what_to_do_next(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    (folder / "passim.toml").write_text('name = "Invented"\n')
    with served(folder, AT) as address, a_page(browser, address) as page:
        page.goto("/")
        for each in (*PAGES[1:], PAGES[0]):
            follow(page, each.name, each.path, "This workspace names no site and no satellites yet.")
            expect(page.locator("#sentence")).to_have_text("This workspace names no site and no satellites yet.")
            expect(page.locator("#notes")).to_contain_text("passim.toml, with any text editor: a section [[sites]]")
            assert str(folder) not in page.locator("#notes").inner_text(), "a file's name is enough"
            where = "here" if each.name == "Setup" else "on the page Setup"
            expect(page.locator("#second")).to_contain_text(f"Begin {where}: your site, a gateway")
        page.goto("/elements")
        expect(page.locator("#load-file")).to_be_visible()
        page.locator(".drop input[type=file]").set_input_files(SAMPLES / "polar-star-66.tle")
        expect(page.locator("#load-messages")).to_contain_text("Loaded as polar-star-66: 66 objects in 1 file")
        expect(page.locator("#sentence")).to_have_text("This workspace names no site yet.")
    assert Workspace.load(folder).fleet_names == ("polar-star-66",)


def test_a_report_is_made_from_any_page(page: Page) -> None:
    open_at(page, "/clock?fleet=few&days=3")
    page.get_by_role("button", name="Make a report to print or send").click()
    page.locator("#report-told progress, #report-link").first.wait_for()
    page.locator("#report-link").wait_for()
    with page.expect_download() as started:
        page.locator("#report-link").click()
    assert started.value.suggested_filename == "passim-report.html"
    assert "Marram loft: when service is lost" in Path(started.value.path()).read_text(encoding="utf-8")


def test_an_answer_to_an_earlier_choice_is_greyed_under_why_there_is_none(page: Page) -> None:
    open_at(page, "/growth?day=2026-11-28")  # a Saturday
    sentence = page.locator("#sentence").inner_text()
    choose(page, "within", "calls")
    notice = page.locator("#notice .failed")
    expect(notice).to_contain_text("hours")
    assert page.locator("#sentence").inner_text() == sentence
    expect(page.locator("#sentence")).to_have_css("opacity", "0.35")
    # In sight however far down one is.
    page.evaluate("window.scrollTo(0, 1500)")
    expect(notice).to_be_in_viewport()
    choose(page, "within", "day")
    expect(notice).to_have_count(0)
    expect(page.locator("#sentence")).to_have_css("opacity", "1")


def test_the_first_sentence_does_not_wait_for_what_draws_pictures(browser: Browser, address: str) -> None:
    """Whoever opens the pages anew reads at once what passim knows; one part of them comes much later than the rest."""
    with a_page(browser, address) as page:
        open_at(page, "/clock?fleet=few")  # known from now on
        sentence = page.locator("#sentence").inner_text()
    with a_page(browser, address) as page:
        held: list[Route] = []
        page.route("**/plotly.min.js", lambda route: held.append(route))
        page.goto("/clock?fleet=few")
        expect(page.locator("#sentence")).to_have_text(sentence)
        expect(page.locator(".picture-frame .main-svg")).to_have_count(0)
        for each in held:
            each.continue_()
        page.unroute("**/plotly.min.js")
        page.locator(".picture-frame .main-svg").first.wait_for()


def test_a_page_that_never_had_an_answer_shows_no_empty_picture(page: Page) -> None:
    page.goto("/growth?day=2026-11-28&within=calls")
    expect(page.locator("#notice .failed")).to_contain_text("hours")
    expect(page.locator("#sentence")).to_have_text("No answer to this choice.")
    expect(page.locator(".picture-frame").first).to_be_hidden()
    choose(page, "within", "day")
    settle(page)
    expect(page.locator(".picture-frame").first).to_be_visible()


def test_elements_too_old_for_anything_are_the_reason_why_there_is_no_answer(page: Page) -> None:
    page.goto("/?fleet=old")
    for each in (*PAGES[1:], PAGES[0]):
        if each.path == "/elements":
            follow(page, each.name, each.path, "too old for a forecast")
            settle(page)
            expect(page.locator("#notice")).to_contain_text("too old for a forecast. Load newer ones here")
            continue
        if each.path in ("/measured", "/why", "/setup"):
            # What the line did, what geometry decides and what the workspace says hold whatever the elements are.
            follow(page, each.name, each.path)
            expect(page.locator("#sentence")).not_to_have_text("…")
            expect(page.locator("#sentence")).not_to_have_text("No answer to this choice.")
            expect(page.locator("#notice")).not_to_contain_text("wanted at most 14 days")
            continue
        follow(page, each.name, each.path, "wanted at most 14 days")
        expect(page.locator("#notice .failed")).to_contain_text("wanted at most 14 days")
        way_out = "the page Elements, which takes other files and offers an invented fleet"
        expect(page.locator("#notice .failed")).to_contain_text(way_out)
        expect(page.locator("#sentence")).to_have_text("No answer to this choice.")


def test_long_work_can_be_stopped_and_begun_again(page: Page) -> None:
    # A month of two thousand satellites takes long enough on any machine to press Stop in time.
    page.goto("/clock?fleet=large&days=31")
    page.locator("#stop").click()
    expect(page.locator("#notice")).to_contain_text("stopped before it was done")
    page.goto("/clock?fleet=large&days=3")
    settle(page)
    assert page.locator("#notice").inner_text() == ""


# --- loading files ----------------------------------------------------------------------------------------------------


def test_a_bad_file_shows_its_line_and_a_good_one_becomes_a_fleet(page: Page, folder: Path, tmp_path: Path) -> None:
    names = Workspace.load(folder).fleet_names
    open_at(page, "/elements")
    sentence = page.locator("#sentence").inner_text()
    field = page.locator(".drop input[type=file]")
    bad = sorted(p for p in (SAMPLES / "bad").iterdir() if p.name[0] != "R" and p.suffix == ".tle")[0]
    field.set_input_files(bad)
    expect(page.locator("#load-messages .fault")).to_be_visible()
    assert page.locator("#load-messages").inner_text().count("\n") == 0
    assert page.locator("#sentence").inner_text() == sentence
    assert Workspace.load(folder).fleet_names == names
    # A file past the limit is not sent: it is told at once.
    with (tmp_path / "huge.json").open("wb") as file:
        file.truncate(33 * 2**20)
    field.set_input_files(tmp_path / "huge.json")
    expect(page.locator(".too-large")).to_have_text("file huge.json; got 33 MB; wanted at most 32 MB")
    assert Workspace.load(folder).fleet_names == names
    polar_66 = walker(
        total=66, planes=6, phasing=2, inclination_deg=86.4, altitude_km=780.0, star=True,
        epoch=datetime.fromisoformat(AT), name="polar",
    )  # fmt: skip
    write_elements(polar_66, tmp_path / "polar-star-66.json")
    field.set_input_files(tmp_path / "polar-star-66.json")
    expect(page.locator("#load-messages")).to_contain_text("Loaded as polar-star-66: 66 objects in 1 file")
    expect(page.locator(".too-large")).to_have_text("")
    page.wait_for_url("**/elements?fleet=polar-star-66")
    expect(page.locator("#sentence")).to_contain_text("polar-star-66")
    assert Workspace.load(folder).fleet_names == (*names, "polar-star-66")
    assert page.locator("select").filter(has_text="polar-star-66").count() == 1
    # Another fleet, and the pictures are those of the other fleet.
    open_at(page, "/clock?days=3")
    plover, before = sum(drawn_gaps_s(page)), page.locator("#sentence").inner_text()
    choose(page, "fleet", "polar-star-66")
    page.wait_for_url("**/clock?fleet=polar-star-66&days=3")
    expect(page.locator("#sentence")).not_to_have_text(before)
    settle(page)
    polar = coverage_of(folder, 3, "?fleet=polar-star-66&days=3").gaps()["duration_s"].sum()
    expect(page.locator("#second")).to_contain_text("Over the 3 days")
    assert sum(drawn_gaps_s(page)) == pytest.approx(polar, abs=1e-2)
    assert polar != pytest.approx(plover, rel=0.1)


# --- the keyboard -----------------------------------------------------------------------------------------------------


def test_a_site_is_chosen_and_a_page_opened_by_keyboard_alone(page: Page) -> None:
    open_at(page, "/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.tagName") == "SELECT":
            break
    page.keyboard.press("ArrowDown")
    page.wait_for_url("**/?site=Marram&spot=yard")
    settle(page)
    page.evaluate("document.activeElement.blur()")
    link = page.locator(".link-row a", has_text="Clock")
    link.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/clock?site=Marram&spot=yard")
    page.locator("#title-clock-days").wait_for()
    settle(page)
    mark = page.locator(".help summary").first
    mark.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".help dd").first).to_be_visible()
