"""A dashboard over the invented scenario, served by the installed wheel, and a headless browser before it."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from passim import walker, write_elements
from passim.workspace import Workspace, create
from tests.patience import PATIENCE_S

AT = "2026-11-25T07:30-01:00"
PATIENCE_MS = 1000.0 * PATIENCE_S
# What a page is opened on: `NARROW` is as narrow as a phone, `PHONE` behaves like one too.
DESK: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}
NARROW: dict[str, Any] = {"viewport": {"width": 390, "height": 844}}
PHONE: dict[str, Any] = {**NARROW, "has_touch": True, "is_mobile": True}
# Beside each page the browser would begin a process for the next one, and draw what drops from its address line.
_BROWSERS_OWN = (
    "SpareRendererForSitePerProcess", "PreloadTopChromeWebUI", "WebUIOmniboxPopup", "WebUIOmniboxAimPopup",
    "WebUIOmniboxFullPopup",
)  # fmt: skip
# The driver switches these off; a second list takes the place of its own.
_DRIVERS_OWN = (
    "AvoidUnnecessaryBeforeUnloadCheckSync", "DestroyProfileOnBrowserClose", "HttpsUpgrades", "PaintHolding",
    "HttpsFirstBalancedModeAutoEnable", "MediaRouter", "ThirdPartyStoragePartitioning", "OptimizationHints",
    "NetworkTimeServiceQuerying", "AimEnabled", "PreconnectToSearch",
)  # fmt: skip
# A page lives for seconds: its code is not worth making faster, nor its memory sweeping often.
_SHORT_LIVED = "--js-flags=--no-maglev --no-opt --min-semi-space-size=32 --max-semi-space-size=64"
# Without these the browser looks up its maker's hosts by itself.
FLAGS = [
    _SHORT_LIVED,
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", f"--disable-features={','.join(_BROWSERS_OWN + _DRIVERS_OWN)}",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
]  # fmt: skip
# Pages that are kept for the next test, each a process: a desk's, a phone's, and one of another server.
_MOST_KEPT = 3


def with_few(folder: Path, at: str = AT) -> Path:
    """Make an invented workspace with a second fleet, "few": what is worked out place by place is soon there for it."""
    made = create(folder, demo=True, at=datetime.fromisoformat(at)).folder
    few = walker(
        total=36, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=datetime.fromisoformat(at),
        name="few",
    )  # fmt: skip
    write_elements(few, made / "few.json")
    with (made / "passim.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[fleets]]\nname = "few"\nelements = ["few.json"]\n')
    assert Workspace.load(made).fleet_names == ("Plover", "few")
    return made


@contextlib.contextmanager
def served(folder: Path, at: str | None = AT) -> Iterator[str]:
    """Give the address of a dashboard over an invented workspace made in `folder`, its clock starting at `at`.

    With None it goes by the real clock, over a workspace that is there.
    """
    with _started(folder, at) as (first, _):
        found = re.search(r"http://127\.0\.0\.1:\d+", first)
        assert found is not None, first
        yield found[0]


@dataclass
class Server:
    """A dashboard over an invented workspace, which can be begun anew at the address that it has."""

    folder: Path
    address: str = ""
    running: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def begin(self) -> None:
        """Begin the server, or end it and begin it again: the browser keeps its things by address."""
        self.running.close()
        address = self.running.enter_context(served(self.folder))
        assert self.address in ("", address)
        self.address = address


@contextlib.contextmanager
def restartable(folder: Path) -> Iterator[Server]:
    """Give a dashboard over an invented workspace made in `folder`, that can be begun anew."""
    server = Server(folder)
    with server.running:
        server.begin()
        yield server


@contextlib.contextmanager
def served_on_network(folder: Path, at: str = AT) -> Iterator[tuple[str, Callable[[], str]]]:
    """Give the same with --lan, by its loopback address, and what returns the password that holds now."""
    with _started(folder, at, "--lan") as (first, told):
        told.insert(0, first)
        deadline_s = time.monotonic() + PATIENCE_MS / 1000.0
        while not (found := re.search(r"dashboard: https://\S+:(\d+)/", "".join(told))):
            assert time.monotonic() < deadline_s, told
            time.sleep(0.05)
        yield f"https://127.0.0.1:{found[1]}", lambda: re.findall(r"One-time password: (\S+)", "".join(told))[-1]


def _a_port() -> int:
    """Return a free port, the same one for servers that run one after the other.

    What the browser has compiled for one of them is then there for the next, whose scripts have the same address. Each
    process of the tests looks in a place of its own, below the ports that systems give out by themselves.
    """
    first = 10_000 + 8 * (os.getpid() % 2_500)
    for port in range(first, first + 8):
        with socket.socket() as tried, contextlib.suppress(OSError):
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(("", port))
            return port
    return 0


@contextlib.contextmanager
def _started(folder: Path, at: str | None, *more: str) -> Iterator[tuple[str, list[str]]]:
    """Give the first line that a dashboard tells, and a list to which each further one is added."""
    import wheels  # next to this file, where pytest finds it

    if at is not None and not folder.exists():
        create(folder, demo=True, at=datetime.fromisoformat(at))
    command = [sys.executable, "-m", "passim_apps.command_line.main", "dashboard", "--no-browser"]
    command += ["--port", str(_a_port()), "--workspace", str(folder.resolve())]
    command += [*([] if at is None else ["--at", at]), *more]
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=wheels.installed_environment(),
        cwd=folder,
    ) as server:  # fmt: skip
        assert server.stderr is not None
        first = server.stderr.readline()
        # The rest of what it says is read, so that it never waits for a reader.
        told: list[str] = []
        rest = threading.Thread(target=told.extend, args=(server.stderr,), daemon=True)
        rest.start()
        try:
            yield first, told
        finally:
            server.terminate()
            server.wait(PATIENCE_S)
            rest.join(PATIENCE_S)


@dataclass
class Browser:
    """A running browser, and the pages that it keeps open for the next test of the same address and kind."""

    running: Any
    kept: dict[tuple[str, str], Any] = field(default_factory=dict)

    def taken(self, address: str, settings: Mapping[str, Any]) -> Any:
        """Return a page that nobody uses, and let it be taken by nobody else until it is `put_back`."""
        page = self.kept.pop((address, _kind(settings)), None)
        if page is None:
            page = self.running.new_context(base_url=address, accept_downloads=True, **settings).new_page()
            page.set_default_timeout(PATIENCE_MS)
        page.set_viewport_size(settings["viewport"])
        page.emulate_media(media="null", color_scheme=settings.get("color_scheme", "light"))
        return page

    def put_back(self, page: Any, address: str, settings: Mapping[str, Any]) -> None:
        """Keep a page for the next test as if it were new: nothing stored, nothing changed about it.

        A page of files on the disk has no server to go back to, and is closed.
        """
        if not address.startswith("http"):
            page.context.close()
            return
        page.unroute_all()
        # A file of the same server: what has been compiled for it stays, and nothing on it asks for anything.
        page.goto(f"{address}/assets/passim.css")
        page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
        page.context.clear_cookies()
        page.mouse.move(0.0, 0.0)
        self.kept[address, _kind(settings)] = page
        if len(self.kept) > _MOST_KEPT:
            self.kept.pop(next(iter(self.kept))).context.close()


def _kind(settings: Mapping[str, Any]) -> str:
    """Return what of its settings stays with a page: its size and its colours can be changed."""
    return repr({key: value for key, value in settings.items() if key not in ("viewport", "color_scheme")})


@contextlib.contextmanager
def a_browser() -> Iterator[Browser]:
    """Give Debian's browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        try:
            yield Browser(running)
        finally:
            running.close()


@contextlib.contextmanager
def a_page(
    browser: Browser, address: str, refusals: Collection[int] = (), excused: Collection[str] = (), **settings: Any
) -> Iterator[Any]:
    """Give a page that is to reach `address` alone; a request elsewhere, an error or a fault on the page fails.

    `refusals` are the statuses of answers that are part of what is tried, `excused` words of such faults.
    """
    faults: list[str] = []
    own = (f"{address}/", "data:", "blob:", "about:")
    settings = {**DESK, **settings}
    page = browser.taken(address, settings)
    refused = tuple(f"status of {status} " for status in refusals)

    def judge_request(request: Any) -> None:
        if not request.url.startswith(own):
            faults.append(f"asked {request.url}")

    def judge_error(error: Any) -> None:
        faults.append(f"raised {error}")

    def judge_answer(response: Any) -> None:
        if response.status >= 400 and response.status not in refusals:
            faults.append(f"{response.status} for {response.url}")

    def judge_words(said: Any) -> None:
        # Where a page is kept it finds no icon, which may be told a moment too late.
        of_the_icon = said.location["url"] == f"{address}/favicon.ico"
        if said.type == "error" and not of_the_icon and not any(words in said.text for words in refused):
            faults.append(f"wrote {said.text}")

    judges = {"request": judge_request, "pageerror": judge_error, "response": judge_answer, "console": judge_words}
    for event, judge in judges.items():
        page.on(event, judge)
    try:
        yield page
    except BaseException:
        page.context.close()
        raise
    for event, judge in judges.items():
        page.remove_listener(event, judge)
    unexpected = [fault for fault in faults if not any(words in fault for words in excused)]
    assert unexpected == [], unexpected
    browser.put_back(page, address, settings)


def settle(page: Any) -> None:
    """Wait until the page has its answer and its first picture."""
    page.locator("#sentence:not(:text-is('…'))").wait_for()
    _wait_for_answer(page)
    page.locator("#working").wait_for(state="hidden")
    page.locator(".picture-frame .main-svg").first.wait_for()


def _wait_for_answer(page: Any) -> None:
    """Wait for what comes with an answer besides its sentence, which a first page has before."""
    page.locator("#notes li, #notice p").first.wait_for(state="attached")


def open_at(page: Any, where: str) -> None:
    """Open an address of the dashboard and wait for what it shows."""
    page.goto(where)
    settle(page)


def follow(page: Any, name: str, path: str, words: str = "") -> None:
    """Follow the link to another page, which needs no load, until its answer is there and holds `words`."""
    before = page.locator("#sentence").text_content()
    answers: list[Any] = []

    def hear(answer: Any) -> None:
        answers.append(answer)

    page.on("response", hear)
    link = {"name": name, "exact": True}
    if page.locator(".link-row").is_visible():
        page.locator(".link-row").get_by_role("link", **link).click()
    else:
        page.locator(".menu summary").click()
        page.locator(".menu").get_by_role("link", **link).click()
    end_s = time.monotonic() + PATIENCE_S
    while not (said := [each for each in (_said(answer, path, words) for answer in answers) if each]):
        assert time.monotonic() < end_s, f"{path} did not say {words!r}"
        page.wait_for_timeout(100)
    page.remove_listener("response", hear)
    if said[-1] != before:
        page.wait_for_function("(before) => document.querySelector('#sentence').textContent !== before", arg=before)


def _said(response: Any, path: str, words: str) -> str:
    """Return the sentence that the dashboard gives the page of that path; "" where it has none yet, or not `words`."""
    asked = response.request.post_data_json if response.request.method == "POST" else None
    if not asked or not asked["output"].startswith("..sentence.") or asked["inputs"][0].get("value") != path:
        return ""
    sentence = response.json()["response"].get("sentence", {}).get("children", "")
    return str(sentence) if sentence != "…" and words in response.text() else ""


def open_numbers(page: Any) -> None:
    """Open the table of the page's main picture, which waits closed until it is wanted."""
    page.locator(".lead > .row > details.numbers:not([open]) > summary").click()
    page.locator(".lead > .row > details.numbers[open] table").wait_for()


def wait_for_sentence(page: Any, text: str) -> str:
    """Wait until the page's sentence holds `text`, and return it whole, its fixed spaces as plain ones."""
    sentence = page.locator("#sentence", has_text=text)
    sentence.wait_for()
    _wait_for_answer(page)
    return str(sentence.inner_text()).replace("\N{NO-BREAK SPACE}", " ")


def choose(page: Any, key: str, value: str) -> None:
    """Choose a value of the control of that key."""
    page.locator(f"""[id='{{"name":"{key}","part":"choice"}}']""").select_option(value)


def traces(page: Any, panel: str) -> dict[str, dict[str, Any]]:
    """Return the traces of a panel's picture as the browser holds them, by name, with arrays as lists."""
    page.locator(f'[id*=\'"name":"{panel}"\'][id*=\'"part":"picture"\'] .main-svg').first.wait_for(state="attached")
    found: list[dict[str, Any]] = page.evaluate(
        """(panel) => {
            const frame = document.querySelector(`[id*='"name":"${panel}"'][id*='"part":"picture"'] .js-plotly-plot`);
            const plain = (values) => (values && values.length !== undefined ? Array.from(values) : values);
            return frame._fullData.map((trace) => ({
                name: trace.name, x: plain(trace.x), y: plain(trace.y), base: plain(trace.base),
                customdata: plain(trace.customdata), visible: trace.visible,
            }));
        }""",
        panel,
    )
    return {trace["name"]: trace for trace in found}
