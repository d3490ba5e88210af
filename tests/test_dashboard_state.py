"""The state: what is kept within its bound, what a question finds, and a workspace that changes under it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
import pytest

import passim
from passim.answers import scenario
from passim.errors import InputError, WorkspaceError
from passim.workspace import create
from passim_apps.dashboard.address import Choices, read_query
from passim_apps.dashboard.controls import offers
from passim_apps.dashboard.pages import PAGES, clock, now
from passim_apps.dashboard.pages.sites import page as sites
from passim_apps.dashboard.state import ByteLimitedCache, DashboardState, Pending
from passim_apps.figures.theme import LIGHT
from patience import PATIENCE_S

AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)


@pytest.fixture
def state(tmp_path: Path) -> Iterator[DashboardState]:
    opened = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    yield opened
    opened.close()


def test_what_is_kept_stays_within_its_bound() -> None:
    kept = ByteLimitedCache(100)
    for k in range(50):
        kept.put(k, f"value {k}", 30)
        assert kept.held_bytes <= 100
    assert [kept.get(k) for k in (46, 47, 49)] == [None, "value 47", "value 49"]
    kept.get(47)  # used again, so 48 goes first
    kept.put(50, "value 50", 30)
    assert (kept.get(47), kept.get(48)) == ("value 47", None)
    kept.put(47, "anew", 30)
    assert (kept.get(47), kept.held_bytes) == ("anew", 90)
    kept.put("huge", "alone", 1000)
    assert (kept.get("huge"), kept.get(47)) == ("alone", None)


def test_a_rehearsal_begins_at_its_time_and_goes_on(state: DashboardState) -> None:
    assert 0.0 <= (state.now() - AT).total_seconds() < 30.0
    assert state.question(Choices()).today == date(2026, 11, 25)


def test_a_question_finds_what_passim_finds(state: DashboardState) -> None:
    """The invented scenario at Marram's loft, asked at the state and asked of passim itself."""
    question = state.question(Choices())
    span = question.days(1)
    assert (span.start, span.end) == (datetime(2026, 11, 25, 1, tzinfo=UTC), datetime(2026, 11, 26, 1, tzinfo=UTC))
    fleet = scenario.plover(datetime(2026, 11, 25, tzinfo=UTC))
    passes = passim.find_passes(fleet, scenario.MARRAM_LOFT, span)
    sky_alone = dataclasses.replace(question.view, limits=())
    seen = question.seen(span, sky_alone)
    pd.testing.assert_frame_equal(seen.coverage.gaps(), passim.Coverage.from_passes(passes, span).gaps())
    assert question.seen(span, sky_alone) is seen
    assert len(question.seen(span).coverage.gaps()) > 0


def test_choices_change_what_is_seen(state: DashboardState) -> None:
    out = {}
    for query in ("", "?spot=yard", "?mask=45", "?site=Skerry", "?day=2026-11-26"):
        question = state.question(read_query(query)[0])
        out[query] = question.seen(question.days(1)).coverage.summary()["covered_fraction"]
    assert len(set(out.values())) == 5
    assert out["?mask=45"] < out["?spot=yard"] < out[""] < out["?site=Skerry"]


@pytest.mark.parametrize("query", ["?site=Nowhere", "?site=Marram&spot=cellar", "?fleet=Gulls"])
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_unknown_names_are_told_and_the_controls_still_offer_the_known(
    state: DashboardState, query: str, page: object
) -> None:
    question = state.question(read_query(query)[0])
    with pytest.raises(WorkspaceError, match="wanted one of"):
        page.answer(question, LIGHT)  # type: ignore[attr-defined]
    assert offers(question, page)["place"].value == "Marram/loft"  # type: ignore[arg-type]


def test_long_work_is_done_elsewhere_and_then_there(state: DashboardState) -> None:
    question = state.question(read_query("?days=14")[0])
    with pytest.raises(Pending) as under_way:
        clock.PAGE.answer(question, LIGHT)
    assert under_way.value.job.done.wait(PATIENCE_S)
    answer = clock.PAGE.answer(question, LIGHT)
    table = answer.panels["days"].table
    assert table is not None
    assert len(table.rows) == 14


def test_stopped_work_is_told_once(state: DashboardState) -> None:
    question = state.question(read_query("?days=14")[0])
    with pytest.raises(Pending) as under_way:
        clock.PAGE.answer(question, LIGHT)
    state.pool.cancel(under_way.value.job.number)
    assert under_way.value.job.done.wait(PATIENCE_S)
    with pytest.raises(InputError, match="stopped"):
        clock.PAGE.answer(question, LIGHT)
    with pytest.raises(Pending):
        clock.PAGE.answer(question, LIGHT)


@pytest.mark.parametrize("query", ["?days=0", "?days=99", "?days=x"])
def test_a_number_of_days_out_of_range_is_told(state: DashboardState, query: str) -> None:
    with pytest.raises(InputError, match="number of days"):
        clock.PAGE.answer(state.question(read_query(query)[0]), LIGHT)


def test_now_says_yes_in_the_afternoon_and_no_in_the_morning(state: DashboardState) -> None:
    """The scenario's lesson: mornings freeze, afternoons do not."""
    morning = now.PAGE.answer(state.question(Choices()), LIGHT)
    assert morning.sentence.startswith("Not a good moment for a live video lesson of 30 min")
    afternoon = dataclasses.replace(state.question(Choices()), now=datetime(2026, 11, 25, 14, 5, tzinfo=UTC))
    assert now.PAGE.answer(afternoon, LIGHT).sentence == "A good moment for a live video lesson of 30 min."


def test_sites_are_ordered_by_their_service(state: DashboardState) -> None:
    answer = sites.PAGE.answer(state.question(Choices(site="Marram", spot="yard")), LIGHT)
    table = answer.panels["side"].table
    assert table is not None
    assert table.rows["covered_fraction"].is_monotonic_decreasing
    assert list(table.rows["site"])[:1] == ["Skerry"]
    assert answer.sentence.startswith("At Marram the loft is better than the yard: 26 min instead of 2 h 24 min ")


def test_a_damaged_workspace_is_told_and_the_old_one_stays(state: DashboardState) -> None:
    file = state.workspace.file
    sound = file.read_text(encoding="utf-8")
    file.write_text(sound + "\n[[sites]\n", encoding="utf-8")
    assert state.workspace.site_names == ("Marram", "Skerry", "Lantern")
    assert "What was read before still stands" in state.workspace_fault
    file.write_text(sound.replace('name = "Skerry"', 'name = "Reef"'), encoding="utf-8")
    assert state.workspace.site_names == ("Marram", "Reef", "Lantern")
    assert state.workspace_fault == ""
