"""The dashboard on the local network, from a real browser: the password, the phone's whole story, and logging out."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from browsing import PATIENCE_MS, PHONE, a_page, served_on_network, settle, wait_for_sentence

pytest.importorskip("playwright.sync_api", reason="playwright is part of the test extra")
from playwright.sync_api import Browser, Page, expect

pytestmark = pytest.mark.browser

expect.set_options(timeout=PATIENCE_MS)


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Callable[[], str]]]:
    with served_on_network(tmp_path_factory.mktemp("network") / "school") as found:
        yield found


def give(page: Page, password: str) -> None:
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Open").tap()


def test_a_phone_opens_the_dashboard_walks_through_it_and_logs_out(
    browser: Browser, network: tuple[str, Callable[[], str]]
) -> None:
    """The whole story: a link from elsewhere, a wrong password, the right one, pages, the end."""
    address, password = network
    # Who uses it has compared the fingerprint, and gone on past the warning.
    with a_page(browser, address, (403,), **PHONE, ignore_https_errors=True) as phone:
        phone.goto("/clock?days=3")
        expect(phone.get_by_role("heading")).to_have_text("Which password does passim show?")
        assert phone.evaluate("document.documentElement.scrollWidth") <= 390
        for target in (phone.get_by_label("Password"), phone.get_by_role("button")):
            box = target.bounding_box()
            assert box is not None
            assert box["height"] >= 44

        give(phone, "not-the-right-one")
        expect(phone.get_by_role("alert")).to_contain_text("not the password")
        phone.wait_for_timeout(1100)  # the next try may come after a second
        opened_with = password()
        give(phone, opened_with)
        phone.wait_for_url("**/clock?days=3")
        settle(phone)
        wait_for_sentence(phone, "gap")

        # The pages lead on without being asked again, and a page that is opened anew is still open.
        phone.locator(".menu summary").tap()
        phone.locator(".menu").get_by_role("link", name="Now").tap()
        wait_for_sentence(phone, "moment")
        phone.goto("/sky")
        settle(phone)
        phone.goto("/clock")
        settle(phone)

        # The session's cookie is never sent in the clear.
        assert phone.evaluate("isSecureContext")
        (cookie,) = phone.context.cookies()
        assert (cookie["name"], cookie["secure"], cookie["httpOnly"]) == ("__Host-passim_session", True, True)

        out = phone.get_by_role("button", name="Log out")
        out.scroll_into_view_if_needed()
        box = out.bounding_box()
        assert box is not None
        assert box["height"] >= 44
        out.tap()
        phone.wait_for_url("**/login")
        phone.goto("/clock")
        phone.wait_for_url("**/login?next=*")
        # The password of the first time opens nothing any more.
        assert password() != opened_with
        give(phone, opened_with)
        expect(phone.get_by_role("alert")).to_contain_text("not the password")


def test_on_this_machine_alone_there_is_nothing_to_log_out_of(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from browsing import open_at, served

    with served(tmp_path_factory.mktemp("alone") / "school") as address, a_page(browser, address) as page:
        open_at(page, "/")
        assert page.get_by_role("button", name="Log out").count() == 0
