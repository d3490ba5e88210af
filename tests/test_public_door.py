"""The five questions asked from Python alone: the README's example against the command line, and what answers show."""

from __future__ import annotations

import inspect
import json
import re
import warnings
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import commands
import passim
from passim.workspace import create

ROOT = Path(__file__).resolve().parent.parent
QUESTIONS = (
    passim.find_causes, passim.find_growth, passim.find_visibilities, passim.find_visibility, passim.match_symptom,
    passim.odds, passim.plan_calls, passim.compare_sites, passim.find_passes,
)  # fmt: skip


@pytest.fixture(scope="module")
def asked() -> dict[str, Any]:
    """What the README's example leaves, with every warning an error."""
    (example,) = re.findall(r"## In Python\n.*?```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    names: dict[str, Any] = {"print": lambda *_, **__: None}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        exec(example.replace("tle_samples", str(ROOT / "tle_samples")), names)
    return names


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., dict[str, Any]]:
    """What the command line tells of the invented school's first site on that day, as JSON."""
    folder = str(create(tmp_path_factory.mktemp("school") / "school", demo=True).folder)

    def ask(*words: str) -> dict[str, Any]:
        options = ["--workspace", folder, "--at", "2026-03-01T00:00Z", "--format", "json"]
        result = commands.finished(commands.run(*words, *options))
        return dict(json.loads(result.stdout))

    return ask


def test_every_question_is_asked_of_a_fleet_a_view_and_a_span() -> None:
    for question in QUESTIONS:
        given = [p for p in inspect.signature(question).parameters.values() if p.kind is p.POSITIONAL_OR_KEYWORD]
        names = [p.name for p in given]
        assert names[:1] + names[2:3] == ["fleet", "span"], question
        assert names[1] in ("view", "views", "site"), question
        assert names[3:] == (["symptom"] if question is passim.match_symptom else []), question
        assert all(p.default is p.empty for p in given), question
    # Two fleets come first where one is the truth about the other; the span follows from their epochs unless given.
    assert list(inspect.signature(passim.hindcast).parameters)[:4] == ["older", "newer", "view", "span"]


def test_whose_fault_it_is_agrees_with_the_command(asked: dict[str, Any], told: Callable[..., dict[str, Any]]) -> None:
    causes, there = asked["causes"], told("causes", "--hours", "24")
    assert there["summary"]["gap_count"] == len(causes.table) == len(causes.coverage.gaps()) > 50
    assert [row["cause"] for row in there["rows"]] == causes.table["cause"].tolist()
    regained = {row["limit"]: row["given_back_s"] for row in there["given_back"]}
    expected = causes.seconds_by_cause().set_index("limit")["given_back_s"].to_dict()
    assert regained == pytest.approx(expected, abs=0.01)


def test_the_best_starts_agree_with_the_command(asked: dict[str, Any], told: Callable[..., dict[str, Any]]) -> None:
    there = told("calls", "--days", "1", "--minutes", "30", "--kind", "lesson", "--weekdays", "mon-sun")
    span = passim.Span(*(datetime.fromisoformat(there["span"][end]) for end in ("start", "end")))
    hours = asked["plan"].hours
    plan = passim.plan_calls(asked["fleet"], asked["loft"], span, kind="lesson", minutes=30, hours=hours)
    assert [pd.Timestamp(row["start"]) for row in there["rows"]] == plan.suggestions["start"].tolist()
    assert len(plan.suggestions) == len(asked["plan"].suggestions) == 5


def test_other_places_agree_with_what_is_asked_of_each_alone(asked: dict[str, Any]) -> None:
    table = asked["sites"].table.set_index("site")
    assert table.index.tolist() == ["Marram loft", "Marram yard", "Skerry"]
    assert table.loc["Marram loft", "covered_fraction"] == asked["causes"].coverage.covered_fraction()
    assert table.loc["Marram yard", "covered_fraction"] < table.loc["Marram loft", "covered_fraction"]


def test_growth_agrees_with_the_command(asked: dict[str, Any], told: Callable[..., dict[str, Any]]) -> None:
    growth, there = asked["growth"], told("growth", "--hours", "24", "--goal", "covered >= 98 %")
    assert len(growth.table) == len(there["rows"]) == 360
    assert growth.table["gap_fraction"].iloc[-1] == pytest.approx(there["rows"][-1]["gap_fraction"], abs=1e-6)
    assert growth.smallest.middle == there["goal"]["satellites"]


def test_the_older_elements_would_have_said_it(asked: dict[str, Any]) -> None:
    scores = asked["hindcast"].scores.set_index("forecast")
    assert scores.loc["odds", "brier"] < scores.loc["yes or no", "brier"] < 0.02
    assert asked["hindcast"].pairs[0].in_both == 360


def test_answers_say_in_one_line_what_they_are(asked: dict[str, Any]) -> None:
    out = f"{100 * (1 - asked['causes'].coverage.covered_fraction()):.3g} % out, {len(asked['causes'].table)} gaps"
    seen = asked["causes"].visibility
    expected = [
        (asked["causes"].coverage, f"<Coverage of 2026-03-01 00:00Z, 24 h: {out}>"),
        (seen, f"satellites, from Marram loft, 2026-03-01 00:00Z, 24 h: {out}>"),
        (asked["causes"], f"<Causes at Marram loft, 2026-03-01 00:00Z, 24 h: {out}; closed by lifting one limit: "),
        (asked["growth"], "<Growth to 360 satellites by launch, with all of them "),
        (asked["sites"], "<SiteComparison: Marram loft "),
        (asked["plan"], "30 min, 2026-03-01 00:00Z, 24 h: best start 2026-03-01 "),
        (asked["hindcast"], "<Hindcast of 360 satellites, "),
    ]
    for answer, words in expected:
        assert words in repr(answer)
        assert "\n" not in repr(answer)


def test_a_notebook_shows_the_table_and_no_text_gets_out_of_it(asked: dict[str, Any]) -> None:
    for name in ("causes", "plan", "sites", "growth", "hindcast"):
        assert asked[name]._repr_html_().count("<table") == 1, name
    assert asked["causes"].coverage._repr_html_().count("<tr") < 20
    site = passim.Site("<script>alert(1)</script>", 45.0, -28.0, horizon=passim.Horizon.flat(60.0))
    few = passim.walker(
        total=4, planes=2, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=datetime(2026, 3, 1, tzinfo=UTC),
        name="<b>invented</b>",
    )  # fmt: skip
    span = passim.Span.starting(datetime(2026, 3, 1, tzinfo=UTC), hours=12)
    seen = passim.find_visibility(few, passim.View(site), span)
    shown = seen._repr_html_() + passim.compare_sites(few, [passim.View(site)], span)._repr_html_()
    assert re.search("<script|<b>", shown) is None
    assert "&lt;script&gt;" in shown
