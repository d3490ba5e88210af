"""A fleet with a feed on the page Elements: nothing there, asked for, there; and the switch that has it done."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from browsing import AT, PATIENCE_MS, a_page, open_at, served, wait_for_sentence
from feed_server import FeedServer, feed_server, good
from passim import walker
from passim.elements.omm_text import write_json
from passim.workspace import Workspace, create

pytestmark = pytest.mark.browser


def list_of_the_day() -> bytes:
    epoch = datetime.fromisoformat(AT) - timedelta(hours=5)
    fleet = walker(total=36, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=epoch)
    return write_json(fleet).encode()


@pytest.fixture(scope="module")
def server() -> Iterator[FeedServer]:
    with feed_server(good(list_of_the_day())) as found:
        yield found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, server: FeedServer) -> Path:
    folder = tmp_path_factory.mktemp("served") / "school"
    create(folder, demo=True, at=datetime.fromisoformat(AT))
    file = folder / "passim.toml"
    feed = f'feed = {{ address = "{server.address}" }}'
    file.write_text(re.sub(r'(?m)^invented = "plover"$', feed, file.read_text()))
    return folder


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served(folder) as found:
        yield found


def test_a_feed_is_asked_from_the_page_and_its_list_taken_up(
    page: Any, address: str, server: FeedServer, folder: Path
) -> None:
    page.goto(f"{address}/elements")
    page.locator("#notice", has_text="try asking for fresh ones on the page Elements").wait_for(timeout=PATIENCE_MS)
    stands = page.locator("#feed-state")
    assert "nothing has come yet. It is due to be asked now." in stands.inner_text()
    assert server.count == 0

    page.get_by_role("button", name="Fetch new elements now").click()
    told = page.locator("#feed-messages")
    told.filter(has_text="fresh elements of 36 satellites came from").wait_for(timeout=PATIENCE_MS)
    wait_for_sentence(page, "36 satellites of Plover serve; their elements are 5")
    assert "those in use came" in stands.inner_text()
    # A picture that stood empty has its place now: what is under it is not covered.
    frame = page.locator(".picture-frame").first.bounding_box()
    drawn = page.locator(".picture-frame .main-svg").first.bounding_box()
    assert frame["y"] + frame["height"] >= drawn["y"] + drawn["height"] - 1.0

    page.get_by_role("button", name="Fetch new elements now").click()
    told.filter(has_text="is not due for another").wait_for(timeout=PATIENCE_MS)
    assert server.count == 1
    assert len(list((folder / "snapshots").rglob("*.npz"))) == 1


def test_the_switch_writes_what_it_says_and_takes_it_back(page: Any, address: str, folder: Path) -> None:
    before = (folder / "passim.toml").read_text()
    open_at(page, f"{address}/elements")
    switch = page.get_by_label("Update by itself while this dashboard runs")
    assert not switch.is_checked()
    switch.click()
    page.locator("#feed-messages", has_text="fetches new elements by itself").wait_for(timeout=PATIENCE_MS)
    assert Workspace.load(folder).settings.updates.in_dashboard
    assert (folder / "passim.toml").read_text().startswith(before.rstrip())
    switch.click()
    page.locator("#feed-messages", has_text="no longer fetches new elements by itself").wait_for(timeout=PATIENCE_MS)
    assert not Workspace.load(folder).settings.updates.in_dashboard


def test_a_phone_has_it_all(browser: Any, address: str) -> None:
    with a_page(browser, address, viewport={"width": 390, "height": 844}) as phone:
        open_at(phone, f"{address}/elements")
        phone.locator("#feed-ask").wait_for(timeout=PATIENCE_MS)
        assert phone.evaluate("() => document.documentElement.scrollWidth") <= 390
        assert phone.locator("#feed-ask").bounding_box()["height"] >= 40.0
