"""``passim report``: one file that opens with no network and holds passim's own numbers; pictures; what is refused."""

from __future__ import annotations

import importlib.util
import json
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from plotly.offline import get_plotlyjs

import commands
from passim.answers.sites import elsewhere as report_elsewhere
from passim.coverage.causes import causes_of
from passim.coverage.visibility import find_visibility
from passim.parallel import chunks as workers
from passim.spans import Span
from passim.workspace import Workspace
from passim_apps.command_line.main import main
from passim_apps.report.page import page
from passim_apps.report.parts import Section, Table
from passim_apps.report.sections import MOST_GAP_ROWS
from passim_apps.text.columns import TEXT, Cells, Column
from passim_apps.text.units import duration, share
from report_outline import Outline, itertext, numbers

AT = "2026-11-25T07:00Z"
PICTURES = ("days", "day", "calls", "sky", "latitudes", "world", "growth")


def run(*arguments: str) -> Result:
    return commands.run("report", *arguments)


def refused(*arguments: str) -> str:
    """Run what must be refused, and return the one line it leaves."""
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    return line


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = str(tmp_path_factory.mktemp("school") / "school")
    commands.finished(commands.run("workspace", "new", folder, "--demo"))
    return folder


@pytest.fixture(scope="module")
def report_file(school: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    result = run(
        "--workspace", school, "--at", AT, "--days", "1.5", "--world", "30", "--workers", "1", "--out", str(path)
    )
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert result.stderr.splitlines()[-1] == f"Wrote the report to {path}."
    return path


@pytest.fixture(scope="module")
def html(report_file: Path) -> str:
    return report_file.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def outline(html: str) -> Outline:
    return Outline(html)


def test_the_file_refers_to_nothing_outside_itself(html: str, outline: Outline) -> None:
    assert outline.loads == []
    own = html.replace(get_plotlyjs().replace("</script", "<\\/script"), "")
    assert len(own) < len(html) / 3
    assert re.findall(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]{2,}", own) == []
    assert "default-src 'none'" in own


def test_the_library_stands_in_it_once_and_its_sharing_button_is_gone(html: str) -> None:
    assert html.count(get_plotlyjs()[:2000].replace("</script", "<\\/script")) == 1
    config = re.search(r'<script type="application/json" id="config">(.*?)</script>', html)
    assert config is not None
    assert '"modeBarButtons":[["toImage"]]' in config[1]
    assert "sendChartToCloud" in config[1]


def test_numbers_in_the_tables_are_passims_own(school: str, outline: Outline) -> None:
    workspace = Workspace.load(school)
    span = Span.starting(datetime.fromisoformat(AT), hours=36)
    why = causes_of(find_visibility(workspace.fleet(at=span.start), workspace.view(), span))
    days = why.coverage.by_local_day("Atlantic/Azores")
    rows = outline.tables["table-by-day"]
    assert [row[1] for row in rows] == [duration(s) for s in days["gap_s"]]
    assert [row[2] for row in rows] == [share(f) for f in days["gap_s"] / days["span_s"]]
    assert [row[3] for row in rows] == [str(n) for n in days["gap_count"]]
    gaps = why.table
    assert [row[3] for row in outline.tables["table-gaps"]] == [duration(s) for s in gaps["duration_s"]][:MOST_GAP_ROWS]
    assert [row[4] for row in outline.tables["table-gaps"]] == gaps["cause"].tolist()[:MOST_GAP_ROWS]
    limits = why.seconds_by_cause()
    assert [row[0] for row in outline.tables["table-limits"]] == limits["limit"].tolist()
    assert [row[4] for row in outline.tables["table-limits"]] == [str(n) for n in limits["gaps_closed"]]
    growth = outline.tables["table-growth"]
    assert (growth[-1][0], growth[-1][2]) == ("360", str(len(gaps)))


def test_numbers_in_the_pictures_are_passims_own(school: str, outline: Outline) -> None:
    workspace = Workspace.load(school)
    span = Span.starting(datetime.fromisoformat(AT), hours=36)
    why = causes_of(find_visibility(workspace.fleet(at=span.start), workspace.view(), span))
    assert list(outline.pictures) == [f"picture-{name}" for name in PICTURES]
    drawn = {name: json.loads(held)["data"] for name, held in outline.pictures.items()}
    gaps = why.table
    out = next(t for t in drawn["picture-days"] if t["name"] == "no service")
    # Each region goes up, across and down, and the pen is lifted: five places.
    across = numbers(out["x"]).reshape(-1, 5)
    assert (across[:, 2] - across[:, 0]).sum() == pytest.approx(gaps["duration_s"].sum() / 3600.0)
    first_day = gaps[gaps["start"] < span.start + timedelta(hours=24)]
    missing = next(t for t in drawn["picture-sky"] if t["name"] == "missing")
    np.testing.assert_allclose(numbers(missing["x"]), first_day["missing_azimuth_deg"], atol=0.006)
    launched = next(t for t in drawn["picture-growth"] if t["name"] == "as launched")
    assert numbers(launched["y"])[-1] == pytest.approx(100.0 * (1.0 - why.coverage.covered_fraction()), abs=1e-3)
    assert len(numbers(launched["y"])) == 360


def test_other_places_are_passims_own_and_said_to_be_coarse(school: str, html: str, outline: Outline) -> None:
    workspace = Workspace.load(school)
    span = Span.starting(datetime.fromisoformat(AT), hours=24)
    view = workspace.view()
    seen = report_elsewhere.look_elsewhere(
        workspace.fleet(at=span.start), view, span, step_deg=30.0, workers=workers.WorkerConfig(processes=1)
    )
    assert [row[1] for row in outline.tables["table-latitudes"]] == [
        share(f) for f in seen.latitudes.table["covered_fraction"]
    ]
    drawn = {trace["name"]: trace for trace in json.loads(outline.pictures["picture-world"])["data"]}
    assert seen.world is not None
    np.testing.assert_array_equal(numbers(drawn["time with service"]["customdata"]), seen.world["covered_fraction"])
    assert {site.strip("<b>/") for site in drawn["sites"]["hovertext"]} == {"Marram", "Skerry", "Lantern"}
    said = " ".join(itertext(outline))
    assert "At 72 points 30° apart, weighted by area, the Earth is covered" in said
    assert "One cell is 30° wide: a coarse look at the first day, under an open sky and without gateways." in said
    assert (
        "Under an open sky down to 25°, and with no gateway to see, places as far from the equator as Marram loft"
        in said
    )
    assert html.count("window.PlotlyGeoAssets = {") == 1


def test_the_page_says_what_a_reader_must_know(html: str, outline: Outline) -> None:
    assert '<html lang="en">' in html
    (headline,) = outline.texts["h1"]
    assert headline.startswith("Your roof line is not the cause: ")
    assert outline.texts["p"][0].startswith("That is ")
    assert " All would close if the satellite did not have to see a gateway. " in outline.texts["p"][0]
    titles = outline.texts["h2"]
    assert titles == [
        "The place", "The days ahead", "When to call", "Why service is lost", "Your other sites and spots",
        "Another site", "More satellites", "Assumptions", "The elements", "Cautions", "The gaps, one by one",
    ]  # fmt: skip
    every = " ".join(itertext(outline))
    for words in (
        "invented",
        "not a promise of service",
        "power lines",
        "Elements of 360 objects",
        "in the shell at 550 km",
    ):
        assert words in every


def test_numbers_stay_on_one_line_with_their_units(html: str) -> None:
    read = re.sub(r"(?s)<(script|style)\b.*?</\1>", "", html)
    assert len(re.findall(r"\d\xa0(?:s|min|h|km|%)", read)) > 50
    assert re.findall(r"\d (?:s|min|h|d|km|MB)\b|\d %", read) == []


def test_a_report_to_be_sent_does_not_tell_where_the_workspace_lies(school: str, html: str) -> None:
    assert school not in html
    assert "from the workspace" in html


def test_the_timing_error_of_the_workspace_counts(school: str, tmp_path: Path) -> None:
    """As it does for ``passim calls``: with elements that err by minutes no start is as sure as with good ones."""
    given = (Path(school) / "passim.toml").read_text(encoding="utf-8")
    wide = given.replace("# [timing]", "[timing]").replace("# per_day_s = 0.7", "per_day_s = 40.0")
    (tmp_path / "passim.toml").write_text(wide, encoding="utf-8")
    out = tmp_path / "out.html"
    asked = ["--workspace", str(tmp_path), "--at", AT, "--days", "1"]
    result = run(*asked, "--no-world", "--workers", "1", "--out", str(out))
    assert result.exit_code == 0, result.output
    listed = commands.run("calls", *asked, "--format", "json")
    assert listed.exit_code == 0, listed.output
    answer = json.loads(listed.stdout)["answer"]
    assert answer in " ".join(Outline(out.read_text(encoding="utf-8")).texts["p"])
    tight = CliRunner().invoke(main, ["calls", "--workspace", school, *asked[2:], "--format", "json"])
    assert json.loads(tight.stdout)["answer"] != answer


def test_each_picture_has_words_and_a_table_beside_it(html: str, outline: Outline) -> None:
    for name in PICTURES:
        assert f'id="caption-{name}"' in html
        assert re.search(rf'id="picture-{name}" role="img" aria-label="[^"]{{20,}}"', html)
    assert all(
        len(rows) and all(len(row) == len(outline.heads[name]) for row in rows) for name, rows in outline.tables.items()
    )


def test_every_text_is_escaped() -> None:
    evil = "</script><script>alert(1)</script>\"'&\x1b"
    table = Table("t", evil, Cells([Column("t", evil, TEXT)], [[evil]]), evil)
    made = page(evil, evil, evil, evil, [Section(evil, (evil,), (table,), (evil,))])
    own = made.replace(get_plotlyjs().replace("</script", "<\\/script"), "")
    assert "alert(1)" in own
    assert "<script>alert" not in own
    assert "\x1b" not in own
    assert own.count("&lt;/script&gt;&lt;script&gt;alert(1)&lt;/script&gt;&#34;&#39;&amp;\\x1b") == 11


@pytest.fixture(scope="module")
def hostile(school: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A report without the world, from a workspace whose site has a name that would be a tag."""
    folder = tmp_path_factory.mktemp("hostile")
    given = (Path(school) / "passim.toml").read_text(encoding="utf-8")
    renamed = given.replace('"Marram"', '"<img src=x onerror=alert(1)>"')
    (folder / "passim.toml").write_text(renamed, encoding="utf-8")
    out = folder / "out.html"
    result = run("--workspace", str(folder), "--at", AT, "--days", "0.2", "--no-world", "--out", str(out))
    assert result.exit_code == 0, result.output
    return out.read_text(encoding="utf-8")


def test_a_name_in_the_workspace_cannot_inject(hostile: str) -> None:
    made = Outline(hostile)
    assert made.loads == []
    assert any("<img src=x" in words for words in made.texts["p"])
    marks = [note["text"] for note in json.loads(made.pictures["picture-latitudes"])["layout"]["annotations"]]
    assert any(mark.startswith("&lt;img") for mark in marks)


def test_without_the_world_the_outlines_of_the_land_are_left_out(hostile: str) -> None:
    assert "window.PlotlyGeoAssets = {" not in hostile
    assert "picture-world" not in Outline(hostile).pictures
    assert "table-latitudes" in Outline(hostile).tables


def test_old_elements_still_make_a_report(school: str, tmp_path: Path) -> None:
    elements, out = tmp_path / "old.json", tmp_path / "old.html"
    design = ["design", "--total", "40", "--planes", "4", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
    made = commands.run(*design, "--epoch", "2026-11-01T00:00Z", "--out", str(elements))
    assert made.exit_code == 0, made.output
    place = ["--elements", str(elements), "--site", "45.0,-28.0", "--zone", "UTC"]
    asked = [*place, "--at", AT, "--days", "0.25", "--no-world", "--out", str(out)]
    assert "elements are 24.4 days old" in refused(*asked)
    result = run(*asked, "--allow-stale")
    assert result.exit_code == 0, result.output
    words = " ".join(itertext(Outline(out.read_text(encoding="utf-8"))))
    assert "No start is ranked: elements are 24.3 days old" in words
    headline = Outline(out.read_text(encoding="utf-8")).texts["h1"]
    assert headline[0].startswith("Elements 24.4 days old: totals are reliable, exact times are not.")
    assert len(headline) == 2
    assert "\\x0a" not in " ".join(headline)
    assert "table-gaps" not in Outline(out.read_text(encoding="utf-8")).tables


def test_what_cannot_be_used_is_refused_in_one_line(
    school: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, subtests: pytest.Subtests
) -> None:
    for arguments, words in [
        ([], "where to? Give --out report.html, or --pictures DIR"),
        (["--out", "no-such-folder/r.html"], "--out"),
        (["--out", "r.html", "--days", "20"], "wanted at most 14 days"),
        (["--out", "r.html", "--days", "2", "--hours", "3"], "give one of them"),
        (["--out", "r.html", "--goal", "longest"], "goal"),
        (["--out", "r.html", "--goal", "pauses_per_hour <= 2"], "goal of a report"),
        (["--out", "r.html", "--minutes", "0"], "minutes"),
        (["--out", "r.html", "--between", "25:00-08:00"], "--between"),
        (["--out", "r.html", "--world", "7"], "step of the world's grid"),
        (["--out", "r.html", "--world", "30", "--no-world"], "give one of them"),
        (["--out", "r.html", "--workers", "0"], "number of workers"),
    ]:
        with subtests.test(arguments=arguments, words=words):
            monkeypatch.chdir(tmp_path)
            assert words in refused("--workspace", school, "--at", AT, *arguments)
            assert list(tmp_path.iterdir()) == []


# --- pictures ---------------------------------------------------------------------------------------------------------


def test_without_the_extra_pictures_are_refused_in_one_line(
    school: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "kaleido" else real(name, *a))
    line = refused("--workspace", school, "--at", AT, "--pictures", str(tmp_path))
    assert "kaleido is not installed" in line
    assert "passim[pictures]" in line


@pytest.mark.browser
def test_pictures_are_written_as_files(school: str, tmp_path: Path) -> None:
    if importlib.util.find_spec("kaleido") is None:
        pytest.skip("kaleido, the extra 'pictures', is not installed")
    given = ["--days", "0.5", "--world", "30", "--workers", "1", "--pictures", str(tmp_path)]
    result = run("--workspace", school, "--at", AT, *given)
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(f"{name}.svg" for name in PICTURES)
    for path in tmp_path.iterdir():
        svg = path.read_text(encoding="utf-8")
        assert svg.startswith("<svg")
        assert "http" not in svg.replace("http://www.w3.org/", "")
    # The coasts are there though nobody was asked for them.
    assert len(coasts((tmp_path / "world.svg").read_text(encoding="utf-8"))) > 20_000


def coasts(svg: str) -> str:
    """Return the outlines of the land in a map."""
    return max(re.findall(r' d="([^"]+)"', svg.partition("coastlines")[2]), key=len)


# --- in a browser -----------------------------------------------------------------------------------------------------


def opened(browser: Any, path: Path, width: int, **more: Any) -> tuple[Any, list[str]]:
    """Open the report with every request but the file itself cut off; return the page and what went wrong."""
    faults: list[str] = []
    shown = browser.running.new_page(viewport={"width": width, "height": 900}, **more)

    def gate(route: Any) -> None:
        if route.request.url.startswith(("file:", "data:", "blob:")):
            route.continue_()
        else:
            faults.append(f"request to {route.request.url}")
            route.abort()

    shown.route("**/*", gate)
    shown.on("pageerror", lambda error: faults.append(str(error)))
    shown.on("console", lambda said: faults.append(said.text) if said.type in ("error", "warning") else None)
    shown.goto(path.as_uri())
    return shown, faults


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1200])
def test_the_report_opens_with_no_network(browser: Any, report_file: Path, width: int) -> None:
    shown, faults = opened(browser, report_file, width)
    shown.wait_for_function(f"document.querySelectorAll('.picture .modebar-container').length >= {len(PICTURES)}")
    for name in PICTURES:
        box = shown.locator(f"#picture-{name} .main-svg").first.bounding_box()
        assert box["width"] > 300
        assert (
            shown.locator(f"#picture-{name} .trace, #picture-{name} .bars, #picture-{name} .choroplethlayer").count()
            > 0
        )
    # The coasts came with the file.
    assert len(shown.locator("#picture-world .coastlines path").first.get_attribute("d")) > 20_000
    # What is drawn as one path still says what stands where: here 8:00 to 8:30, the middle of the fifth half hour.
    place = shown.evaluate(
        """() => { const {_fullLayout: all} = document.getElementById("picture-day"), {xaxis, yaxis} = all;
        return [xaxis._offset + xaxis._length * 4.5 / 48, yaxis._offset + yaxis._length / 2]; }"""
    )
    shown.locator("#picture-day").hover(position={"x": place[0], "y": place[1]})
    told = shown.locator("#picture-day .hoverlayer text").first
    assert told.text_content().startswith("08:00 to 08:30, ")
    # Nothing reaches past the right edge of the window.
    assert shown.evaluate("document.documentElement.scrollWidth") <= width
    shown.locator("#picture-sky").hover()
    assert shown.locator("[data-title*='loud'], [data-title*='hare'], [data-title*='Edit']").count() == 0
    assert faults == []
    shown.close()


@pytest.mark.browser
def test_it_prints_on_paper(browser: Any, report_file: Path, tmp_path: Path) -> None:
    shown, faults = opened(browser, report_file, 1000)
    shown.wait_for_function(f"document.querySelectorAll('.picture .modebar-container').length >= {len(PICTURES)}")
    # A hatch for each gap made a print of megabytes: there is one a picture, or two.
    assert shown.locator("pattern").count() <= 2 * len(PICTURES)
    assert shown.locator("#picture-days *").count() < 400
    shown.pdf(path=str(tmp_path / "report.pdf"), format="A4")
    data = (tmp_path / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    assert len(data) < 2_000_000
    assert 4 <= len(re.findall(rb"/Type\s*/Page\b", data)) <= 12
    # What prints is no wider than the paper between margins of 15 mm: 680 px on A4, 702 px on Letter (96 px an inch).
    shown.emulate_media(media="print")
    for width in (680, 702):
        shown.set_viewport_size({"width": width, "height": 900})
        widest = "Math.max(...[...document.querySelectorAll('table, p, h1, figure')].map(e => e.offsetWidth))"
        assert shown.evaluate(widest) <= width
        # Paper that is too narrow for one part makes all of it small.
        assert shown.evaluate("document.documentElement.scrollWidth") <= width
    assert shown.locator("details").first.is_hidden()
    assert faults == []
    shown.close()


@pytest.mark.browser
def test_without_scripts_words_and_tables_still_stand(browser: Any, report_file: Path) -> None:
    shown, _ = opened(browser, report_file, 800, java_script_enabled=False)
    assert shown.locator("#table-by-day tbody tr").count() == 2
    assert shown.locator("#caption-sky").inner_text().startswith("In the ")
    shown.close()
