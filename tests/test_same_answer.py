"""The same question has the same answer on every face: command line, Python, the pages and the report.

A few workspaces, drawn at random but always the same ones, each asked for its gaps, their causes, the frozen seconds
and the verdict. What one face leaves out and another counts is a defect of the whole.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import commands
from passim import Span, walker, write_elements
from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.kinds import VIDEO
from passim.answers.growth.goals import parse_goal
from passim.answers.report import make_report
from passim.answers.sites.compare import compare_sites
from passim.coverage import serve
from passim.coverage.causes import causes_of
from passim.coverage.visibility import find_visibility
from passim.spans import DailyHours
from passim.workspace import Workspace
from passim_apps.dashboard import notes
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.pages import clock as clock_page, elements as elements_page
from passim_apps.dashboard.pages.sites import page as sites
from passim_apps.dashboard.pages.sky.day import sky_shown
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.report.page import page
from passim_apps.report.parts import Section
from passim_apps.report.sections import MOST_GAP_ROWS, detail, headline, sections
from passim_apps.text.causes import cause_words
from passim_apps.text.query import QueryResult
from passim_apps.text.units import LocalClock, duration
from report_outline import Outline

DAY = datetime(2026, 3, 1, tzinfo=UTC)
WORKSPACES = 12
THINGS = ("gateway", "cone", "arc", "clock", "acquisition", "skyline", "share")
# Local days are those of UTC at the sites below, so that a page's day is a span that every face can be asked for.
SPAN = Span.starting(DAY, hours=24)
POLICIES_DRAWN = ["keep-then-highest", "keep-then-longest", "highest"]
TOML = """
name = "drawn at random, invented"
{terminal}
{serving}
{gateways}
[[sites]]
name = "Mill"
latitude_deg = {latitude:.4f}
longitude_deg = {longitude:.4f}
height_m = 30.0
zone = "UTC"
[[sites.spots]]
name = "roof"
{horizon}
[[fleets]]
name = "few"
elements = ["few.json"]
"""


def drawn(seed: int, folder: Path) -> Path:
    """Write the workspace of a seed: a small fleet, and one or two of the things that may limit service."""
    chance = random.Random(seed)
    folder.mkdir()
    planes = chance.choice([5, 6, 7])
    fleet = walker(
        total=planes * 10, planes=planes, phasing=chance.randrange(planes), inclination_deg=53.0, altitude_km=550.0,
        epoch=DAY, name="few",
    )  # fmt: skip
    write_elements(fleet, folder / "few.json")
    latitude, longitude = chance.uniform(40.0, 52.0), chance.uniform(-30.0, 10.0)
    terminal = ["[terminal]"]
    # Each thing is there alone in one of the workspaces, so that none is drowned by the rest; the others have pairs.
    alone = seed < len(THINGS)
    pair = {seed % len(THINGS), (3 * seed + 2) % len(THINGS)}
    has = {name: number == seed if alone else number in pair for number, name in enumerate(THINGS)}
    if has["clock"]:
        terminal += [
            f"clock_period_s = {chance.choice([10.0, 15.0, 30.0])}",
            f"clock_offset_s = {chance.choice([0.0, 3.5])}",
        ]
    if has["acquisition"]:
        terminal.append(f"acquisition_s = {chance.choice([0.8, 3.0, 9.0])}")
    if has["arc"]:
        terminal.append(f"arc_keep_out_deg = {chance.choice([8.0, 18.0])}")
    terminal.append(f'policy = "{POLICIES_DRAWN[seed % 3]}"')
    if has["cone"]:
        terminal += [
            "[terminal.cone]",
            f"azimuth_deg = {chance.choice([0.0, 90.0])}",
            "tilt_deg = 20.0",
            "half_angle_deg = 55.0",
        ]
    gateways = ""
    if has["gateway"]:
        gateways = (
            f'[[gateways]]\nname = "South"\nlatitude_deg = {latitude - 6.0:.4f}\nlongitude_deg = {longitude:.4f}\n'
        )
    serving = "[serving]\nshare_percent = 80.0\nseed = 3" if has["share"] else ""
    horizon = (
        "horizon = [[0.0, 20.0], [120.0, 45.0], [180.0, 25.0], [300.0, 38.0]]" if has["skyline"] else "mask_deg = 25.0"
    )
    (folder / "passim.toml").write_text(
        TOML.format(
            terminal="\n".join(terminal), serving=serving, gateways=gateways, latitude=latitude, longitude=longitude,
            horizon=horizon,
        )
    )  # fmt: skip
    return folder


def said(folder: Path, *arguments: str) -> dict[str, Any]:
    """What a command says, as JSON."""
    span = ["--from", DAY.isoformat(), "--hours", "24"] if arguments[0] != "now" else ["--at", DAY.isoformat()]
    result = commands.run(*arguments, "--workspace", str(folder), *span, "--format", "json")
    assert result.exit_code == 0, result.stderr
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def times(rows: list[dict[str, Any]]) -> list[tuple[str, str]]:
    return [(row["start"], row["end"]) for row in rows]


def stamped(table: pd.DataFrame) -> list[tuple[str, str]]:
    """Start and end of each row as JSON has them."""
    words = [table[name].dt.round("ms").dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z" for name in ("start", "end")]
    return list(zip(*words, strict=True))


@contextmanager
def dashboard(folder: Path) -> Iterator[DashboardState]:
    state = DashboardState(Workspace.load(folder), at=DAY)
    yield state
    state.close()


@pytest.mark.parametrize("seed", range(WORKSPACES))
def test_every_face_gives_the_same_answer(seed: int, tmp_path: Path) -> None:
    folder = drawn(seed, tmp_path / "drawn")

    # Python.
    workspace = Workspace.load(folder)
    view = workspace.view("Mill")
    seen = find_visibility(workspace.fleet(), view, SPAN)
    coverage, causes = seen.coverage(), causes_of(seen)
    gaps, frozen_s = coverage.gaps(), coverage.gaps()["duration_s"].sum()
    assert len(gaps) > 0
    frozen = serve(seen.candidates(), SPAN, view.service, seen.look).frozen()
    assert coverage.gap_intervals.start.tolist() == frozen.start.tolist()
    assert coverage.gap_intervals.end.tolist() == frozen.end.tolist()

    # The command line: five commands that speak of gaps, and one that speaks of freezes.
    listed, explained = said(folder, "gaps"), said(folder, "causes")
    freezes, places = said(folder, "serving", "--list", "freezes"), said(folder, "sites")
    minutes, soon = said(folder, "minutes"), said(folder, "now")
    assert times(listed["rows"]) == times(explained["rows"]) == times(freezes["rows"]) == stamped(gaps)
    assert [row["cause"] for row in explained["rows"]] == causes.table["cause"].tolist()
    for summary in (listed["summary"], explained["summary"], minutes["summary"]):
        assert summary["gap_count"] == len(gaps)
        assert (1.0 - summary["covered_fraction"]) * 86_400.0 == pytest.approx(frozen_s, abs=0.1)
    assert freezes["summary"]["frozen_s"] == pytest.approx(frozen_s, abs=1e-3)
    assert sum(row["gap_s"] for row in minutes["rows"]) == pytest.approx(frozen_s, abs=0.1)
    (place,) = places["rows"]
    assert (place["gap_count"], place["gap_longest_s"]) == (
        len(gaps),
        pytest.approx(gaps["duration_s"].max(), abs=1e-3),
    )
    assert compare_sites(workspace.fleet(), [view], SPAN).table["gap_count"].tolist() == [len(gaps)]

    # The verdict, in the words of all faces, and the next gap.
    found = QueryResult(seen, seen.passes(), LocalClock("UTC", SPAN), (), {}, workspace.timing().model)
    assert explained["answer"].startswith(" ".join(cause_words(found, causes).lines))
    noticed = gaps[gaps["duration_s"] >= VIDEO.noticed_from_s].iloc[0]
    off_s = (pd.Timestamp(soon["next_gap"]["start"]) - noticed["start"]).total_seconds()
    assert abs(off_s) <= 0.001
    assert soon["next_gap"]["duration_s"] == pytest.approx(noticed["duration_s"], abs=0.002)

    # The pages: the day, the sky with its verdict, and the sites.
    with dashboard(folder) as state:
        question = state.question(Choices())
        assert question.days(1) == SPAN
        shown = question.seen(SPAN)
        pd.testing.assert_frame_equal(shown.coverage.gaps(), gaps)
        pd.testing.assert_frame_equal(shown.causes.table, causes.table)
        assert sky_shown(question).words.sentence == cause_words(found, causes).headline
        places, *_ = sites._places(question)
        side = sites._side_table(question, places, sites._compared(question, places, SPAN), SPAN)
        assert (side["gap_count"].tolist(), side["gap_longest_s"].tolist()) == ([len(gaps)], [gaps["duration_s"].max()])
        half = Span(DAY, DAY + timedelta(hours=12))
        assert question.coverage(half, SPAN).gaps()["end"].max() <= half.end

    # Calls: what is predicted from a little more than the span, with the same freezes in it.
    wider = find_visibility(workspace.fleet(), view, searched_span(SPAN))
    forecast = ServiceForecast.of(wider, SPAN)
    start_us, end_us = forecast.gaps_us()
    # A search over another span follows other arcs, which are the same to a millisecond.
    assert abs(start_us - frozen.start).max() < 1000
    assert abs(end_us - frozen.end).max() < 1000

    # The report.
    report = make_report(
        seen, wider, at=DAY, kind=VIDEO, minutes=30, hours=DailyHours(), goal=parse_goal("covered >= 90 %"), draws=1,
        runs=2,
    )  # fmt: skip
    pd.testing.assert_frame_equal(report.gaps, causes.table)
    assert report.summary == coverage.summary()
    assert report.days["gap_s"].sum() == pytest.approx(frozen_s)

    # And what is read of it: its headline, and every gap.
    parts = sections(found, report, DailyHours(), "invented fleet", Section("Another site"))
    read = Outline(page("invented", headline(found, report), detail(found, report), "", parts))
    assert explained["answer"].startswith(read.texts["h1"][0])
    clock = LocalClock("UTC", SPAN)
    written = [row[1:4] for row in read.tables["table-gaps"]]
    every = [[clock.time(gap.start), clock.time(gap.end), duration(gap.duration_s)] for gap in gaps.itertuples()]
    assert written == every[: len(written)]
    assert len(written) == min(len(gaps), MOST_GAP_ROWS)


def test_every_face_says_how_good_times_are_by_the_timing_model_of_the_workspace(tmp_path: Path) -> None:
    """Elements of the same day, 12 h old at the middle of the span: at 40 s a day that is 20 s."""
    folder = drawn(0, tmp_path / "drawn")
    settings = folder / "passim.toml"
    settings.write_text(f"{settings.read_text()}\n[timing]\nper_day_s = 40.0\n")
    totals_only = "single passes and gaps are no longer predictable, but shares and counts still hold"
    for command in ("gaps", "passes", "minutes", "causes", "sites"):
        answer = said(folder, command)
        assert answer["answer"].startswith("Elements 12 h old: totals are reliable, exact times are not."), command
        assert any(totals_only in note for note in answer["notes"]), command
        assert answer.get("elements", {"band": "statistics only"})["band"] == "statistics only"

    with dashboard(folder) as state:
        question = state.question(Choices())
        assert question.freshness(SPAN.middle).band.name == "statistics only"
        assert notes.hides_times(question, clock_page.PAGE)
        assert notes.age_warning(question, clock_page.PAGE).startswith("Elements 12 h old by then: totals are")
        assert not sky_shown(question).words.starts
        assert "up to 26 min, times and odds;" in elements_page.PAGE.answer(question, LIGHT).panels["ages"].caption
