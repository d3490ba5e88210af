"""What an answer leaves out of service is said first, on every face; and a guess that counts is said to be one."""

from __future__ import annotations

import functools
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

import commands
from asking import outcome
from passim import walker, write_elements
from passim.workspace import Workspace
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.notes import answered
from passim_apps.dashboard.pages import PAGES, growth as growth_page, now as now_page
from passim_apps.dashboard.pages.sites import page as sites_page
from passim_apps.dashboard.state import DashboardState
from passim_apps.dashboard.tasks import sites as sites_work
from passim_apps.figures.theme import LIGHT
from passim_apps.text.service import sky_alone_words
from patience import PATIENCE_S
from report_outline import Outline

AT = datetime(2026, 3, 2, 6, tzinfo=UTC)
ALONE = "No gateway counts here, so this is the sky alone"
LEFT_OUT, GUESS = "Time lost at handovers is left out here", "how satellites are chosen is passim's own guess"
SETTINGS = """
name = "invented"
[terminal]
clock_period_s = 15.0
[[gateways]]
name = "South"
latitude_deg = 39.6
longitude_deg = 9.0
[[sites]]
name = "Office"
latitude_deg = 45.0
longitude_deg = 9.0
zone = "UTC"
call_hours = { start = 06:00:00, end = 07:00:00, days = ["Mon"] }
spots = [{ name = "roof", mask_deg = 25.0 }, { name = "eaves", mask_deg = 35.0 }]
[[sites]]
name = "Barn"
latitude_deg = 50.0
longitude_deg = 9.0
zone = "UTC"
spots = [{ name = "gable", mask_deg = 30.0 }]
[[fleets]]
name = "few"
elements = ["few.json"]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("invented")
    for name, day in (("few", 1), ("later", 2)):
        epoch = datetime(2026, 3, day, tzinfo=UTC)
        fleet = walker(total=60, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=epoch)
        write_elements(fleet, made / f"{name}.json")
    (made / "passim.toml").write_text(SETTINGS, encoding="utf-8")
    return made


def said(folder: Path, *arguments: str) -> str:
    return commands.finished(commands.run(*arguments, "--workspace", str(folder))).stdout


def test_commands_say_first_that_handovers_are_left_out(folder: Path) -> None:
    pair, span = (str(folder / "few.json"), str(folder / "later.json")), ("--from", "2026-03-02T06:00Z", "--hours", "1")
    for asked in (
        ("hindcast", *pair, *span),
        ("growth", *span),
        ("sites", "--latitudes", "40:50:10", "--longitudes", "2", *span),
        ("sites", "--world", "60", *span),
        ("sites", "--fleets", "--site", "Office", *span),
    ):
        answer = said(folder, *asked)
        assert answer.startswith(LEFT_OUT), answer
        assert GUESS not in answer
        # Nothing is left out where nothing is lost.
        assert LEFT_OUT not in said(folder, *asked, "--without", "handover")


def test_a_guessed_policy_is_named_where_handovers_count(folder: Path, tmp_path: Path) -> None:
    span = ("--from", "2026-03-02T06:00Z", "--hours", "1")
    for command in ("gaps", "causes", "sites"):
        assert said(folder, command, *span).count(GUESS) == 1
        assert GUESS not in said(folder, command, *span, "--policy", "keep-then-highest")
        assert GUESS not in said(folder, command, *span, "--without", "handover")
    (tmp_path / "few.json").write_bytes((folder / "few.json").read_bytes())
    stated = SETTINGS.replace("[terminal]\n", '[terminal]\npolicy = "keep-then-highest"\n')
    (tmp_path / "passim.toml").write_text(stated, encoding="utf-8")
    assert GUESS not in said(tmp_path, "gaps", *span)


def test_pages_say_it_first_too(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What is said hangs on no number of places.
    monkeypatch.setattr(sites_work, "usual_latitudes", lambda _: sites_work.Latitudes(30.0, 1))
    monkeypatch.setattr(sites_work, "usual_grid", lambda *_: sites_work.Grid(60.0, 90.0))
    state = DashboardState(Workspace.load(folder), at=AT)
    try:
        question = state.question(Choices())
        grown = growth_page.PAGE.answer(question, LIGHT)
        assert grown.sentence.startswith("Before what handovers cost: ")
        assert grown.second.startswith(LEFT_OUT)
        assert not any(GUESS in note.text for note in grown.notes)
        places = sites_page.PAGE.answer(question, LIGHT)
        while places.still is not None:
            assert places.still.done.wait(PATIENCE_S)
            places = sites_page.PAGE.answer(question, LIGHT)
        for name in ("latitude", "world"):
            assert places.panels[name].caption.startswith(LEFT_OUT)
        assert LEFT_OUT not in places.sentence
        assert sum(GUESS in note.text for note in places.notes) == 1
        assert sum(GUESS in note.text for note in outcome(lambda: now_page.PAGE.answer(question, LIGHT)).notes) == 1
    finally:
        state.close()


@pytest.fixture(scope="module")
def alone(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same workspace without its gateway."""
    made = tmp_path_factory.mktemp("alone")
    (made / "few.json").write_bytes((folder / "few.json").read_bytes())
    gateway = SETTINGS[SETTINGS.index("[[gateways]]") : SETTINGS.index("[[sites]]")]
    (made / "passim.toml").write_text(SETTINGS.replace(gateway, ""), encoding="utf-8")
    return made


def test_every_command_says_where_no_gateway_counts(folder: Path, alone: Path) -> None:
    span, at = ("--from", "2026-03-02T06:00Z", "--hours", "1"), ("--at", "2026-03-02T06:00Z")
    for asked in (
        *((command, *span) for command in ("gaps", "minutes", "causes", "growth", "sites", "serving")),
        ("now", *at, "--minutes", "5"),
        ("calls", *at, "--days", "0.2", "--between", "06:00-07:00"),
    ):
        assert said(alone, *asked).count(ALONE) == 1, asked
        assert "sky alone" not in said(folder, *asked), asked
        # Whoever takes the gateway away knows that none counts.
        assert "sky alone" not in said(folder, *asked, "--without", "gateway"), asked


def test_every_page_about_the_sky_says_where_no_gateway_counts(
    alone: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sites_work, "usual_latitudes", lambda _: sites_work.Latitudes(30.0, 1))
    for made, times in ((alone, 1), (folder, 0)):
        state = DashboardState(Workspace.load(made), at=AT)
        try:
            question = state.question(Choices(more=(("world", "none"), ("days", "1"), ("minutes", "10"))))
            for page in PAGES:
                if not (page.loads or page.looks_back):
                    found = outcome(functools.partial(answered, question, page, LIGHT))
                    assert found.second.count(ALONE) == times, page.path
        finally:
            state.close()


def test_satellites_that_relay_need_no_gateway(alone: Path, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "few.json").write_bytes((folder / "few.json").read_bytes())
    (tmp_path / "passim.toml").write_text(f"relay_between_satellites = true\n{SETTINGS}", encoding="utf-8")
    assert "sky alone" not in said(tmp_path, "gaps", "--from", "2026-03-02T06:00Z", "--hours", "1")
    known, unknown = (Workspace.load(made).view("Office", "roof") for made in (folder, alone))
    assert sky_alone_words(known) == ""
    # Of several places, those are named that no gateway counts for.
    assert sky_alone_words(known, unknown).startswith("No gateway counts at Office roof, so this is the sky alone: ")


def test_the_report_says_it_first_and_compares_the_users_own_places(folder: Path, tmp_path: Path) -> None:
    span = ("--from", "2026-03-02T06:00Z", "--hours", "6")
    out = tmp_path / "report.html"
    said(folder, "report", *span, "--no-world", "--workers", "1", "--out", str(out))
    read = Outline(out.read_text(encoding="utf-8"))
    told = read.texts["p"]
    assert sum(words.startswith(LEFT_OUT) for words in told) == 2
    at = next(k for k, words in enumerate(told) if words.startswith("Under an open sky down to "))
    assert told[at - 2 : at] == [f"{LEFT_OUT}.", "Gateways belong to one place and are left out."]
    assert sum(GUESS in words for words in [*told, *read.texts["li"]]) == 1

    # The same columns, numbers and sentence as the command gives for the span.
    answer = json.loads(said(folder, "sites", *span, "--format", "json"))
    assert [row["site"] for row in answer["rows"]] == ["Office roof", "Office eaves", "Barn"]
    table = said(folder, "sites", *span).splitlines()
    cells = [
        [cell for cell in line.strip().split("  ") if cell] for line in table if line.startswith((" Office", " Barn"))
    ]
    written = [[cell for cell in row if cell] for row in read.tables["table-sites"]]
    assert written == [[cell.strip() for cell in row] for row in cells]
    assert answer["answer"] in " ".join(told)
