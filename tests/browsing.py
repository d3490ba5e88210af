"""A dashboard over the invented scenario, served as `passim dashboard` serves it, and a headless browser before it."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from passim.workspace import create

AT = "2026-11-25T07:30-01:00"
_READY_MS = 20_000
# Without these the browser looks up its maker's hosts by itself.
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@contextlib.contextmanager
def served(folder: Path, at: str = AT) -> Iterator[str]:
    """Give the address of a dashboard over an invented workspace made in `folder`, its clock starting at `at`."""
    if not folder.exists():
        create(folder, demo=True)
    command = [sys.executable, "-m", "passim_apps.command_line", "dashboard", "--no-browser", "--port", "0"]
    command += ["--workspace", str(folder), "--at", at]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        first = server.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+", first)
        assert found is not None, first
        # The rest of what it says is read, so that it never waits for a reader.
        rest = threading.Thread(target=server.stderr.read, daemon=True)
        rest.start()
        try:
            yield found[0]
        finally:
            server.terminate()
            server.wait(20.0)
            rest.join(5.0)


@contextlib.contextmanager
def browser_page(address: str, width_px: int = 1280, height_px: int = 900) -> Iterator[Any]:
    """Give a page of a browser that reaches `address` alone; a request elsewhere or a fault on the page fails."""
    from playwright.sync_api import sync_playwright

    faults: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        context = browser.new_context(viewport={"width": width_px, "height": height_px}, accept_downloads=True)

        def own_only(route: Any) -> None:
            url = route.request.url
            if url.startswith((f"{address}/", "data:", "blob:")):
                route.continue_()
            else:
                faults.append(f"a request to {url}")
                route.abort()

        context.route("**/*", own_only)
        page = context.new_page()
        page.set_default_timeout(_READY_MS)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("response", lambda r: faults.append(f"{r.status} for {r.url}") if r.status >= 400 else None)
        page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
        try:
            yield page
        finally:
            browser.close()
    assert faults == []


def wait_for_sentence(page: Any, text: str) -> str:
    """Wait until the page's sentence holds `text`, and return it whole, its fixed spaces as plain ones."""
    sentence = page.locator("#sentence", has_text=text)
    sentence.wait_for()
    return str(sentence.inner_text()).replace("\N{NO-BREAK SPACE}", " ")


def choose(page: Any, key: str, value: str) -> None:
    """Choose a value of the control of that key."""
    page.locator(f"""[id='{{"name":"{key}","part":"choice"}}']""").select_option(value)


def traces(page: Any, panel: str) -> dict[str, dict[str, Any]]:
    """Return the traces of a panel's picture as the browser holds them, by name, with arrays as lists."""
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
