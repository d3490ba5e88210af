"""How quick the dashboard is in a real browser, and whether it grows: not tests, and pytest does not collect them.

    .venv/bin/python -m tests.benchmarks.pages                 all of them, about ten minutes
    .venv/bin/python -m tests.benchmarks.pages --only inputs   one: opening, inputs, memory, large
    .venv/bin/python -m tests.benchmarks.pages --rounds 3      fewer rounds

What counts as answered: from the moment a list is changed until the page has been still for a while, with no request
under way; the stillness itself is not counted. A page that says that it is working has answered when it says so. The
invented scenario is served as `passim dashboard` serves it, its clock standing at a morning of its first day; the large
fleet is a designed one of 6,000 satellites in a workspace of the same sites.
"""

from __future__ import annotations

import argparse
import contextlib
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from passim.workspace import create, new_site

from ..browsing import AT, FLAGS
from .timing import machine

PAGES = {"Now": "/", "Clock": "/clock", "Calls": "/calls", "Growth": "/growth", "Sites": "/sites", "Sky": "/sky",
         "Elements": "/elements"}  # fmt: skip
LARGE = 6_000
INTERACTIONS = 500
CURVE_BY_LATITUDE = """[id*='"name":"latitude","part":"picture"'] .scatterlayer .trace"""

# Runs in the page before its own scripts: it counts requests under way and notes every change of the page.
WATCH = """
(() => {
  const seen = { open: 0, last: 0, working: 0, told: 0 };
  window.passimWatch = seen;
  const asked = window.fetch;
  window.fetch = (...given) => {
    seen.open += 1;
    return asked(...given).finally(() => { seen.open -= 1; seen.last = performance.now(); });
  };
  const watch = () => new MutationObserver((records) => {
    for (const record of records) {
      const where = record.target.nodeType === 1 ? record.target : record.target.parentElement;
      // What counts down goes on by itself, once a second.
      if (!where || where.closest("head, #live")) continue;
      // A mark that a picture may be measured anew, which nobody sees.
      if (record.attributeName === "class" && where.matches(".js-plotly-plot")) continue;
      seen.last = performance.now();
      const bar = document.getElementById("working");
      if (bar && !bar.hidden && !seen.working) seen.working = performance.now();
    }
    // When the first sentence is painted, by the clock of the machine: a driver that asks for it waits for scripts.
    const sentence = document.getElementById("sentence");
    if (!seen.told && sentence && sentence.textContent !== "…") {
      seen.told = -1;
      requestAnimationFrame(() => setTimeout(() => { seen.told = performance.timeOrigin + performance.now(); }));
    }
  }).observe(document, { childList: true, subtree: true, attributes: true, characterData: true });
  watch();
})();
"""
# Does something, then waits until the page has been still for `still` ms, and says when it last changed.
SETTLED = """
async ([still, key, value]) => {
  const seen = window.passimWatch;
  const began = performance.now();
  seen.last = began; seen.working = 0;
  if (key) {
    const list = document.querySelector(`select[id*='"name":"${key}"'], select#${key}`);
    list.value = value;
    list.dispatchEvent(new Event("change", { bubbles: true }));
  }
  for (;;) {
    await new Promise((resume) => setTimeout(resume, 20));
    if (seen.open === 0 && performance.now() - seen.last > still) break;
    if (performance.now() - began > 120000) throw new Error("never still");
  }
  return [seen.last - began, seen.working ? seen.working - began : null];
}
"""
STILL_MS = 250


@contextlib.contextmanager
def served(folder: Path) -> Iterator[tuple[str, int, float]]:
    """Give the address of a dashboard over a workspace, its process, and when it was started (perf_counter)."""
    command = [sys.executable, "-m", "passim_apps.command_line.main", "dashboard", "--no-browser", "--port", "0"]
    command += ["--workspace", str(folder), "--at", AT]
    began_s = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        line = server.stderr.readline()
        address = line.split("http://", 1)[1].split("/", 1)[0]
        try:
            yield f"http://{address}", server.pid, began_s
        finally:
            server.terminate()
            server.wait(20.0)


@contextlib.contextmanager
def a_browser() -> Iterator[Any]:
    """Give a browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield browser
        browser.close()


def a_page(browser: Any, width_px: int = 1280) -> Any:
    """Return a page that is watched."""
    page = browser.new_context(viewport={"width": width_px, "height": 900}).new_page()
    page.set_default_timeout(120_000)
    page.add_init_script(WATCH)
    return page


def readable(page: Any) -> None:
    """Wait until a page has its sentence, its first picture, and what comes with both."""
    page.locator("#sentence:not(:text-is('…'))").wait_for()
    page.locator("#notes li").first.wait_for(state="attached")
    page.locator(".picture-frame .main-svg").first.wait_for()


def settled(page: Any, key: str = "", value: str = "") -> tuple[float, float | None]:
    """Change a list, or nothing, and return the ms until the page was still and until it said it was working."""
    found = page.evaluate(SETTLED, [STILL_MS, key, value])
    return float(found[0]), found[1]


def lists(page: Any) -> dict[str, list[str]]:
    """Return the lists of a page and the values they offer."""
    found: dict[str, list[str]] = page.evaluate(
        """() => Object.fromEntries([...document.querySelectorAll("select.choice-list")].map((list) => [
            list.id.startsWith("{") ? JSON.parse(list.id).name : list.id,
            [...list.options].map((option) => option.value)]))"""
    )
    return found


def large_workspace(folder: Path) -> Path:
    """Make a workspace of one site and a designed fleet of 6,000."""
    import passim

    fleet = passim.walker(
        total=LARGE, planes=60, phasing=1, inclination_deg=53.0, altitude_km=550.0,
        epoch=datetime.fromisoformat(AT), name="INVENTED",
    )  # fmt: skip
    passim.write_elements(fleet, folder / "large.json")
    site = new_site(name="Invented", latitude_deg=45.0, longitude_deg=-28.0)
    return create(folder / "office", site=site, elements=[str(folder / "large.json")]).folder


def opening(rounds: int) -> None:
    """From the start of the server until its first page is readable, and from a click until each later one is."""
    firsts: list[float] = []
    sentences: list[float] = []
    later: dict[str, list[float]] = {name: [] for name in PAGES}
    with a_browser() as browser, tempfile.TemporaryDirectory() as folder:
        made = create(Path(folder) / "school", demo=True).folder
        for _ in range(rounds):
            with served(made) as (address, _, began_s):
                page = a_page(browser)
                page.goto(address)
                readable(page)
                firsts.append(time.perf_counter() - began_s)
                since_s = time.time() - firsts[-1]
                sentences.append(page.evaluate("window.passimWatch.told") / 1000.0 - since_s)
                for name in [*list(PAGES)[1:], "Now"]:
                    settled(page)
                    clicked_s = time.perf_counter()
                    page.locator(".link-row").get_by_text(name, exact=True).click()
                    page.locator(f"#title-{name.lower()}-{FIRST[name]}").wait_for()
                    readable(page)
                    later[name].append(time.perf_counter() - clicked_s)
                page.context.close()
    for what, seconds in (("sentence and numbers", sentences), ("and picture", firsts)):
        print(
            f"  first page, {what}, from the server's start: median {median(seconds):.2f} s, worst {max(seconds):.2f}"
        )
    for name, seconds in later.items():
        print(f"  {name}: median {median(seconds):.2f} s, worst {max(seconds):.2f} s after the click")


FIRST = {"Now": "hour", "Clock": "days", "Calls": "starts", "Growth": "curve", "Sites": "side", "Sky": "panorama",
         "Elements": "ages"}  # fmt: skip


def inputs(rounds: int) -> None:
    """Every list of every page, changed to each of its first values and back, once what it needs is known."""
    everything: list[float] = []
    with a_browser() as browser, tempfile.TemporaryDirectory() as made_in:
        made = create(Path(made_in) / "school", demo=True).folder
        with served(made) as (address, _, _):
            for name, path in PAGES.items():
                page = a_page(browser)
                page.goto(f"{address}{path}")
                readable(page)
                settled(page)
                for key, values in lists(page).items():
                    tried = (values[1:4] + values[:1]) if len(values) > 1 else []
                    taken, worked = [], 0
                    for _ in range(rounds):
                        for value in tried:
                            ms, working = settled(page, key, value)
                            worked += working is not None
                            taken.append(min(ms, working) if working is not None else ms)
                            page.locator("#working").wait_for(state="hidden")
                            settled(page)
                    # The first round finds what the later ones need.
                    later = taken[len(tried) :]
                    everything += later
                    if later:
                        said = f", {worked} said they were working" if worked else ""
                        print(f"  {name:9s}{key:10s} first {max(taken[: len(tried)]):5.0f} ms; then median "
                              f"{median(later):5.0f}, p95 {np.percentile(later, 95):5.0f}{said}")  # fmt: skip
                page.context.close()
    print(f"all {len(everything)} changes: median {median(everything):.0f} ms, p95 {np.percentile(everything, 95):.0f}")


def memory(_: int) -> None:
    """The memory of server and browser over 500 interactions."""
    with a_browser() as browser, tempfile.TemporaryDirectory() as folder:
        made = create(Path(folder) / "school", demo=True).folder
        with served(made) as (address, pid, _):
            page = a_page(browser)
            devtools = page.context.new_cdp_session(page)
            page.goto(address)
            readable(page)
            names = list(PAGES)
            done = 0
            for lap in range(INTERACTIONS):
                page.locator(".link-row").get_by_text(names[lap % len(names)], exact=True).click()
                settled(page)
                done += 1
                for key, values in lists(page).items():
                    if len(values) > 1:
                        # The same two values in turn, so that what is kept on purpose is kept after the first laps.
                        settled(page, key, values[(lap // len(names)) % 2])
                        page.locator("#working").wait_for(state="hidden")
                        done += 1
                        if done % 50 == 0:
                            print(f"  {done:4d} interactions: {held(devtools, page, pid)}", flush=True)
                if done >= INTERACTIONS:
                    break


def held(devtools: Any, page: Any, pid: int) -> str:
    """Return what server and page hold, garbage collected."""
    devtools.send("HeapProfiler.collectGarbage")
    figures = {m["name"]: m["value"] for m in devtools.send("Performance.getMetrics")["metrics"]} if (
        devtools.send("Performance.enable") is not None
    ) else {}  # fmt: skip
    nodes = figures.get("Nodes", 0)
    server_mb = resident_mb(pid)
    return f"server {server_mb:.0f} MB, page {figures.get('JSHeapUsedSize', 0) / 1e6:.1f} MB, {nodes:.0f} nodes"


def large(_: int) -> None:
    """6,000 satellites over seven days: when the page says something, when the answer is there, and what it holds."""
    with a_browser() as browser, tempfile.TemporaryDirectory() as folder:
        made = large_workspace(Path(folder))
        with served(made) as (address, pid, _):
            for name, path in PAGES.items():
                page = a_page(browser)
                page.set_default_timeout(600_000)
                page.goto(f"{address}{path}")
                began_s = time.perf_counter()
                page.locator("#notes li").first.wait_for(state="attached")
                told = f"  {name:9s}sentence {time.perf_counter() - began_s:5.1f} s after the page opened"
                if name == "Sites":
                    page.locator(CURVE_BY_LATITUDE).first.wait_for(state="attached")
                    told += f", curve by latitude {time.perf_counter() - began_s:5.1f} s"
                page.locator("#working").wait_for(state="hidden")
                told += f", all {time.perf_counter() - began_s:5.1f} s"
                settled(page)
                offered = lists(page)
                for key, value in (("mask", "30"), ("mask", "own"), ("mask", "30")):
                    if key in offered:
                        ms, working = settled(page, key, value)
                        told += f"; {key} {value}: " + (
                            f"{ms:.0f} ms" if working is None else f"said working at {working:.0f} ms"
                        )
                        page.locator("#working").wait_for(state="hidden")
                        settled(page)
                print(f"{told}; server and worker {resident_mb(pid):.0f} MB", flush=True)
                page.context.close()


def resident_mb(pid: int) -> float:
    """Return the memory of a process and its children: what they share counts once (proc(5), proportional set size)."""
    import psutil

    process = psutil.Process(pid)
    return sum(p.memory_full_info().pss for p in [process, *process.children(recursive=True)]) / 1e6


BENCHMARKS: dict[str, Callable[[int], None]] = {"opening": opening, "inputs": inputs, "memory": memory, "large": large}


def main() -> None:
    """Run them."""
    parser = argparse.ArgumentParser(description="How quick the dashboard is in a real browser.")
    parser.add_argument("--only", choices=sorted(BENCHMARKS))
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    print(machine())
    for name, run in BENCHMARKS.items():
        if given.only in (None, name):
            print(f"\n{name}: {(run.__doc__ or '').splitlines()[0]}")
            run(given.rounds)


if __name__ == "__main__":
    main()
