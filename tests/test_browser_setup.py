"""The page Setup in a real browser: a change is shown, written, taken back; a part is added, renamed, removed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from browsing import AT, PATIENCE_MS, PHONE, a_page, open_at, served, with_few
from passim.workspace import Workspace, create

pytest.importorskip("playwright.sync_api", reason="playwright is part of the test extra")
from playwright.sync_api import Browser, Page, Route, expect

pytestmark = pytest.mark.browser
expect.set_options(timeout=PATIENCE_MS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return with_few(tmp_path_factory.mktemp("setup") / "school", AT)


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served(folder, AT) as found:
        yield found


def test_a_change_is_shown_before_it_is_written_and_can_be_taken_back(page: Page, folder: Path) -> None:
    before = (folder / "passim.toml").read_text(encoding="utf-8")
    open_at(page, "/setup")
    page.get_by_role("link", name="Marram, loft").click()
    shown, write = page.locator("#setup-shown"), page.get_by_role("button", name="Write this change")
    expect(write).to_be_disabled()
    field = page.get_by_label("Minimum elevation all round")
    field.fill("high")
    expect(shown).to_contain_text("wanted a number")
    expect(write).to_be_disabled()
    field.fill("27.5")
    expect(shown).to_contain_text("+ mask_deg = 27.5")
    expect(shown).to_contain_text("- mask_deg = 25.0")
    assert (folder / "passim.toml").read_text(encoding="utf-8") == before
    write.click()
    expect(page.locator("#setup-told")).to_contain_text("Written.")
    assert Workspace.load(folder).site("Marram", "loft").horizon.lowest_deg == 27.5
    page.get_by_role("button", name="Undo the last change").click()
    expect(page.locator("#setup-told")).to_contain_text("Taken back")
    assert (folder / "passim.toml").read_text(encoding="utf-8") == before


# Types what it is given, key after key, one of them as soon as the last one's effects are on their way.
TYPED_QUICKLY = """
async (text) => {
    let moved = 0;
    const own = HTMLInputElement.prototype.setSelectionRange;
    HTMLInputElement.prototype.setSelectionRange = function (...ends) { moved += 1; return own.apply(this, ends); };
    for (const key of text) {
        document.execCommand('insertText', false, key);
        await new Promise((done) => setTimeout(done, 20));
    }
    await new Promise((done) => setTimeout(done, 600));
    HTMLInputElement.prototype.setSelectionRange = own;
    return [document.activeElement.value, moved];
}
"""


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/setup?edit=new-site", ".setup-field input"),
        ("/sites", "#added-text"),
        ("/growth", "#goal-text"),
        ("/sky", ".symptom-fields input"),
    ],
)
def test_nothing_but_the_keys_moves_the_place_where_somebody_types(page: Page, path: str, field: str) -> None:
    # A field that puts the caret back a moment later makes 405 of 450 where keys come quickly.
    open_at(page, path)
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    typed = page.locator(field).first
    typed.fill("")
    typed.focus()
    assert page.evaluate(TYPED_QUICKLY, "450") == ["450", 0]


def test_what_is_written_is_what_stands_in_the_fields(page: Page, folder: Path) -> None:
    before = (folder / "passim.toml").read_text(encoding="utf-8")
    open_at(page, "/setup")
    page.get_by_role("link", name="Marram, loft").click()
    field, told = page.get_by_label("Minimum elevation all round"), page.locator("#setup-told")
    field.fill("3")
    expect(page.locator("#setup-shown")).to_contain_text("+ mask_deg = 3.0")
    held = []

    def hold(route: Route) -> None:
        if "setup-shown.children" in (route.request.post_data or ""):
            held.append(route)
        else:
            route.continue_()

    page.route("**/_dash-update-component*", hold)
    field.fill("35")
    page.get_by_role("button", name="Write this change").click()
    expect(told).to_contain_text("The fields have changed since these lines were shown")
    assert (folder / "passim.toml").read_text(encoding="utf-8") == before
    assert held
    page.unroute("**/_dash-update-component*")
    expect(page.locator("#setup-shown")).to_contain_text("+ mask_deg = 35.0")
    page.get_by_role("button", name="Write this change").click()
    expect(told).to_contain_text("Written.")
    assert Workspace.load(folder).site("Marram", "loft").horizon.lowest_deg == 35.0
    page.get_by_role("button", name="Undo the last change").click()
    expect(told).to_contain_text("Taken back")


def test_one_form_begins_a_workspace(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "office"
    folder.mkdir()
    with served(folder, AT) as address, a_page(browser, address) as page:
        page.goto("/setup")
        texts = (
            ("Name", "Office"), ("Latitude", "45"), ("Longitude", "-28"), ("Latitude of the gateway", "39.6"),
            ("Longitude of the gateway", "-28"), ("It stands from azimuth", "270"), ("to azimuth", "315"),
            ("up to elevation", "40"),
        )  # fmt: skip
        for label, text in texts:
            page.get_by_label(label).first.fill(text)
        shown = page.locator("#setup-shown")
        expect(shown).to_contain_text('+ name = "39.6 N 28 W"')
        expect(shown).to_contain_text('+ invented = "plover"')
        page.get_by_role("button", name="Write this change").click()
        expect(page.locator(".lead .caption")).to_contain_text("39.6 N 28 W counts for Office, 600 km away.")
        assert Workspace.load(folder).site("Office", "roof").horizon.highest_deg == 40.0
        page.get_by_role("button", name="Undo the last change").click()
        expect(page.locator("#sentence")).to_have_text("This workspace names no site and no satellites yet.")


def test_a_phone_adds_a_site_and_renames_and_removes_a_fleet(browser: Browser, address: str, folder: Path) -> None:
    with a_page(browser, address, **PHONE) as page:
        open_at(page, "/setup")
        page.get_by_role("link", name="Add a site").click()
        for label, text in (("Name", "Isle"), ("Latitude", "50,5"), ("Longitude", "-30")):
            page.get_by_label(label).first.fill(text)
        expect(page.locator("#setup-shown")).to_contain_text("+ latitude_deg = 50.5")
        write = page.get_by_role("button", name="Write this change")
        write.click()
        expect(page.locator("#sentence")).to_contain_text("4 sites")
        page.get_by_role("link", name="few").click()
        page.get_by_label("Name").fill("a few")
        expect(page.locator("#setup-shown")).to_contain_text('+ name = "a few"')
        write.click()
        page.get_by_role("link", name="a few").click()
        page.get_by_role("button", name="Remove…").click()
        expect(page.locator("#setup-shown")).to_contain_text("element files and horizon files stay")
        page.get_by_role("button", name="Remove it").click()
        expect(page.locator("#sentence")).to_contain_text("1 fleet (Plover)")
        wide = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        assert page.evaluate(wide)
    made = Workspace.load(folder)
    assert (made.site_names[-1], made.fleet_names) == ("Isle", ("Plover",))
    assert (folder / "few.json").exists()


# What is chosen, and whether its words have room in front of the mark that opens the list.
CHOSEN_FITS = """
() => [...document.querySelectorAll('.head .choice-list')].filter((list) => list.offsetParent).map((list) => {
    const style = getComputedStyle(list), words = list.selectedOptions[0].textContent;
    const pen = document.createElement('canvas').getContext('2d');
    pen.font = style.font;
    const room = list.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight) - 16;
    return [words, pen.measureText(words).width <= room];
})
"""


def test_a_fleet_begins_with_a_feed_and_its_long_name_is_cut_off_nowhere(
    browser: Browser, address: str, folder: Path
) -> None:
    name = "Whimbrel of 2030 and its later half"
    before = (folder / "passim.toml").read_text(encoding="utf-8")
    with a_page(browser, address, color_scheme="dark") as page:
        open_at(page, "/clock")
        short = [fits for _, fits in page.evaluate(CHOSEN_FITS)]
        assert len(short) >= 2
        assert all(short), "beside the pages"
        open_at(page, "/setup")
        page.get_by_role("link", name="Add a fleet with a feed").click()
        expect(page.get_by_role("link", name="Add a fleet (upload)")).to_have_attribute("href", "/elements")
        page.get_by_label("Name").fill(name)
        expect(page.locator("#setup-shown")).to_contain_text("wanted an address or a folder")
        page.get_by_label("Address of a feed").fill("https://example.org/elements.json")
        expect(page.locator("#setup-shown")).to_contain_text(
            '+ feed = { address = "https://example.org/elements.json" }'
        )
        assert (folder / "passim.toml").read_text(encoding="utf-8") == before
        page.get_by_role("button", name="Write this change").click()
        expect(page.locator("#setup-told")).to_contain_text("Its satellites come with its first list")
        page.locator("#setup-told").get_by_role("link", name="page Elements").click()
        expect(page.locator("#feed-state")).to_contain_text(f"The elements of {name} come from example.org")
        # The list of fleets is as wide as its longest name.
        for width, height in ((1280, 900), (800, 900), (390, 844)):
            page.set_viewport_size({"width": width, "height": height})
            open_at(page, "/clock?fleet=Plover")
            shown = page.evaluate(CHOSEN_FITS)
            assert [fits for _, fits in shown] == [True] * 3, (width, shown)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.goto(f"/clock?fleet={name}")
        expect(page.locator("#notice")).to_contain_text("a feed that has brought nothing yet")
        page.wait_for_function("() => document.querySelectorAll('.head .choice-list')[2]?.value.startsWith('Whimbrel')")
        shown = page.evaluate(CHOSEN_FITS)
        assert [fits for _, fits in shown] == [True] * 3, shown
        # Setup answers all the same.
        page.goto(f"/setup?fleet={name}")
        expect(page.locator("#sentence")).to_contain_text(name)
        page.get_by_role("button", name="Undo the last change").click()
        expect(page.locator("#setup-told")).to_contain_text("Taken back")
    assert (folder / "passim.toml").read_text(encoding="utf-8") == before


def test_a_new_folder_comes_to_its_first_answer_through_the_pages(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "office"
    folder.mkdir()
    with served(folder, AT) as address, a_page(browser, address, **PHONE) as page:
        page.goto("/")
        expect(page.locator("#sentence")).to_have_text("This workspace names no site and no satellites yet.")
        expect(page.locator("#second")).to_contain_text("Begin on the page Setup: your site, a gateway of its service")
        expect(page.locator("#report")).to_be_hidden()
        page.locator("#second").get_by_role("link", name="page Setup").click()
        # Its form is open, and what to do next stands over it.
        for label, text in (("Name", "Office"), ("Latitude", "45"), ("Longitude", "-28")):
            page.get_by_label(label).first.fill(text)
        page.get_by_text("real ones, next").click()
        expect(page.locator("#setup-shown")).to_contain_text('+ name = "Office"')
        expect(page.locator("#setup-shown")).not_to_contain_text("Plover")
        told, field = page.locator("#second").bounding_box(), page.get_by_label("Name").first.bounding_box()
        assert told is not None
        assert field is not None
        assert told["y"] < field["y"]
        assert list(folder.iterdir()) == []
        # What was never changed has nothing to be taken back.
        undo = page.get_by_role("button", name="Undo the last change")
        expect(undo).to_be_disabled()
        page.get_by_role("button", name="Write this change").click()
        expect(undo).to_be_enabled()
        expect(page.locator("#setup-told")).to_contain_text("Written.")
        expect(page.locator("#sentence")).to_have_text("This workspace names no satellites yet.")
        page.locator("#second").get_by_role("link", name="page Elements").click()
        page.get_by_role("button", name="Start with an invented fleet").click()
        expect(page.locator("#sentence")).to_contain_text("360 satellites of Plover (invented) serve")
        open_at(page, "/")
        expect(page.locator("#live")).not_to_be_empty()
        expect(page.locator("#report")).to_be_visible()
        expect(page.locator("#second")).to_contain_text("No gateway counts here")
        # Nobody has said yet what stands in the way.
        open_at(page, "/setup")
        expect(page.locator("#second")).to_contain_text("Next, what stands in the way of the sky here")
        expect(page.locator("#second").get_by_role("link", name="page Sky")).to_have_attribute("href", "/sky")
        # A gateway is told to count, and how far it is, at once and on the pages that go by it.
        open_at(page, "/setup?edit=new-gateway")
        for label, text in (("Name", "South"), ("Latitude", "39.6"), ("Longitude", "-28")):
            page.get_by_label(label).first.fill(text)
        expect(page.locator("#setup-shown")).to_contain_text("+ longitude_deg = -28")
        page.get_by_role("button", name="Write this change").click()
        expect(page.locator("#setup-told")).to_contain_text("South counts for Office, 600 km away.")
        expect(page.locator(".lead .caption")).to_contain_text("South counts for Office, 600 km away.")
        open_at(page, "/clock")
        expect(page.locator("#notes")).to_contain_text("a satellite must also see the gateway South, 600 km away")
        expect(page.locator("#second")).not_to_contain_text("No gateway counts here")
    assert Workspace.load(folder).site_names == ("Office",)


def test_a_demonstration_says_so_in_the_head_of_every_page_and_on_paper(browser: Browser, tmp_path: Path) -> None:
    made = create(tmp_path / "demo", demo=True, at=datetime.fromisoformat(AT)).folder
    words, inside = (
        "Invented demonstration",
        """() => {
        const its = document.querySelector('.invented').getBoundingClientRect(), found = [];
        for (const other of document.querySelectorAll('.head :is(.wordmark, a, summary, select, .choice-label)')) {
            const box = other.getBoundingClientRect(), hidden = box.width < 2 || box.height < 2;
            if (!hidden && box.left < its.right && its.left < box.right && box.top < its.bottom && its.top < box.bottom)
                found.push(other.textContent);
        }
        const head = document.querySelector('.head').getBoundingClientRect();
        return found.length || its.top < 0 || its.bottom > head.bottom || its.right > head.right ? found : null;
    }""",
    )
    with served(made) as address:
        for settings in (PHONE, {}, {"viewport": {"width": 900, "height": 800}}):
            with a_page(browser, address, **settings) as page:
                for path, place in (("/", "Marram, loft"), ("/calls", "Marram, loft"), ("/setup", "All sites")):
                    open_at(page, path)
                    expect(page.locator(".invented")).to_be_visible()
                    expect(page.locator(".invented")).to_have_text(words)
                    assert page.evaluate(inside) is None, (path, settings)
                    page.emulate_media(media="print")
                    told = page.locator("#chosen").inner_text().split(" · ")
                    assert (told[0], told[-1]) == (place, words)
                    page.emulate_media(media="screen")
