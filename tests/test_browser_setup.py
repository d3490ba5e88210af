"""The page Setup in a real browser: a change is shown, written, taken back; a part is added, renamed, removed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from browsing import AT, PATIENCE_MS, PHONE, a_page, open_at, served, with_few
from passim.workspace import Workspace

pytest.importorskip("playwright.sync_api", reason="playwright is part of the test extra")
from playwright.sync_api import Browser, Page, expect

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


def test_a_new_folder_comes_to_its_first_answer_through_the_pages(browser: Browser, tmp_path: Path) -> None:
    folder = tmp_path / "office"
    folder.mkdir()
    with served(folder, AT) as address, a_page(browser, address, **PHONE) as page:
        page.goto("/")
        expect(page.locator("#sentence")).to_have_text("This workspace names no site and no satellites yet.")
        expect(page.locator("#second")).to_contain_text("First your site, on the page Setup; then its satellites")
        expect(page.locator("#report")).to_be_hidden()
        page.locator("#second").get_by_role("link", name="page Setup").click()
        # Its form is open, and what to do next stands over it.
        for label, text in (("Name", "Office"), ("Latitude", "45"), ("Longitude", "-28")):
            page.get_by_label(label).first.fill(text)
        expect(page.locator("#setup-shown")).to_contain_text('+ name = "Office"')
        told, field = page.locator("#second").bounding_box(), page.get_by_label("Name").first.bounding_box()
        assert told is not None
        assert field is not None
        assert told["y"] < field["y"]
        assert list(folder.iterdir()) == []
        page.get_by_role("button", name="Write this change").click()
        expect(page.locator("#setup-told")).to_contain_text("Written.")
        expect(page.locator("#sentence")).to_have_text("This workspace names no satellites yet.")
        page.locator("#second").get_by_role("link", name="page Elements").click()
        page.get_by_role("button", name="Start with an invented fleet").click()
        expect(page.locator("#sentence")).to_contain_text("360 satellites of Plover (invented) serve")
        open_at(page, "/")
        expect(page.locator("#live")).not_to_be_empty()
        expect(page.locator("#report")).to_be_visible()
    assert Workspace.load(folder).site_names == ("Office",)
