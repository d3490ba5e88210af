"""Now: service this minute, the next gap, whether to call, and the next good start; by hand and on Marram."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from asking import outcome
from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.kinds import LESSON
from passim.answers.calls.now import now
from passim.coverage.visibility import find_visibility
from passim.elements.records import Fleet
from passim.errors import SpanError
from passim.forecast.odds import odds_of_no_service
from passim.forecast.timing import TimingModel
from passim.intervals import GroupedIntervals
from passim.sky.limits import GatewayLimit
from passim.sky.view import View
from passim.spans import Span
from passim.workspace import create
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.pages import now as now_page
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.text import now as words
from passim_apps.text.units import LocalClock
from patience import PATIENCE_S
from tests import scenario

DAY = datetime(2026, 11, 25, tzinfo=UTC)


def by_hand(
    cover_s: list[tuple[float, float]], model: TimingModel | None = None, days_on: float = 0.0
) -> ServiceForecast:
    """A forecast of three hours in which one satellite each serves in stretches given in seconds from the start."""
    span = Span.starting(DAY + timedelta(days=days_on), 3)
    fleet = Fleet(scenario.plover(DAY).records[: len(cover_s)], "invented")
    start, end = (np.array([span.start_us + round(s * 1e6) for s in column]) for column in zip(*cover_s, strict=True))
    joint = GroupedIntervals(np.arange(len(cover_s)), start, end)
    return ServiceForecast(span, fleet, joint, searched_span(span), model or TimingModel.steady(0.0))


def test_a_gap_ahead() -> None:
    """Served until minute 20, then a gap of 40 s: a call now is lost in it; from minute 21 on all is well (by hand)."""
    said = now(by_hand([(-300.0, 1200.0), (1240.0, 11100.0)]), LESSON)
    assert said.served
    assert said.no_service < 1e-9
    gap = said.next_gap
    assert gap is not None
    assert (gap.start, gap.duration_s, gap.under_way, gap.cut_at_end, gap.chance) == (
        DAY + timedelta(seconds=1200), 40.0, False, False, 1.0,
    )  # fmt: skip
    assert not said.call_is_wise
    assert said.call["chance_of_end"] == 1.0
    # From minute 20 the gap is under way and the whole of it is met; from 21 none is.
    assert said.next_good is not None
    assert said.next_good["start"].to_pydatetime() == DAY + timedelta(minutes=21)
    assert said.table["what"].tolist() == ["now", "next good start"]


def test_a_gap_under_way() -> None:
    said = now(by_hand([(-300.0, -20.0), (30.0, 11100.0)]), LESSON)
    assert not said.served
    assert said.no_service == pytest.approx(0.5)
    gap = said.next_gap
    assert gap is not None
    assert (gap.under_way, gap.end, gap.duration_s) == (True, DAY + timedelta(seconds=30), 30.0)
    assert said.next_good is not None
    assert said.next_good["start"].to_pydatetime() == DAY + timedelta(minutes=1)


def test_no_gap_at_all_and_none_but_gap() -> None:
    calm = now(by_hand([(-300.0, 11100.0)]), LESSON)
    assert calm.next_gap is None
    assert calm.call_is_wise
    assert calm.next_good is not None
    assert calm.next_good["start"].to_pydatetime() == DAY
    # A call that is wise now needs no second row for a start that is the same.
    assert calm.table["what"].tolist() == ["now"]
    lost = now(by_hand([(-300.0, -20.0)]), LESSON)
    assert lost.next_gap is not None
    assert lost.next_gap.cut_at_end
    assert lost.next_good is None
    assert lost.table["what"].tolist() == ["now"]


def test_a_yes_that_rests_on_the_sky_alone_says_so_and_what_to_do_if_calls_freeze() -> None:
    clock = LocalClock("UTC", Span.starting(DAY, 3))
    calm = now(by_hand([(-300.0, 11100.0)]), LESSON)
    assert words.headline(calm, clock, "") == "A good moment for a live video lesson of 30 min, as far as the sky goes."
    assert words.live_words(calm)["verdict"] == "Call now? Yes, as far as the sky goes."
    assert words.headline(calm, clock, "", call_told=True) == "A good moment for a live video lesson of 30 min."
    assert words.frozen_anyway(calm, on_pages=True).endswith(", then record the line on the page Measured.")
    assert len(words.other_causes(calm)) == 1
    # A gap that is ahead, or that elements too old for times leave in doubt, may be what freezes.
    ahead = now(by_hand([(-300.0, 6000.0), (6040.0, 11100.0)]), LESSON)
    assert ahead.call_is_wise
    doubtful = now(by_hand([(-300.0, 1200.0), (1240.0, 11100.0)], days_on=5), LESSON)
    lost = now(by_hand([(-300.0, -20.0)]), LESSON)
    for said in (ahead, doubtful, lost):
        assert "as far as the sky goes" not in words.headline(said, clock, "") + words.live_words(said)["verdict"]
        assert words.frozen_anyway(said) == ""
        assert words.other_causes(said) == []


def test_gaps_too_short_to_be_noticed_are_passed_over() -> None:
    said = now(by_hand([(-300.0, 600.0), (600.2, 1200.0), (1210.0, 11100.0)]), LESSON)
    assert said.next_gap is not None
    assert said.next_gap.start == DAY + timedelta(seconds=1200)


def test_the_chance_of_the_next_gap_is_that_of_the_closed_form() -> None:
    """With 2 s of error at each edge a gap of 6 s is there at its middle with Phi(1.5)**2 = 0.871 (closed form)."""
    said = now(by_hand([(-300.0, 1200.0), (1206.0, 11100.0)], TimingModel.steady(2.0)), LESSON)
    assert said.next_gap is not None
    assert said.next_gap.chance == pytest.approx(0.9331928**2, abs=2e-4)


def test_old_elements_hide_the_next_gap() -> None:
    said = now(by_hand([(-300.0, 1200.0), (1240.0, 11100.0)], days_on=5), LESSON)
    assert said.freshness.band.name == "odds only"
    assert said.next_gap is None
    assert said.next_good is not None
    said = now(by_hand([(-300.0, 1200.0), (1240.0, 11100.0)], days_on=9), LESSON)
    assert said.freshness.band.name == "statistics only"
    assert said.next_good is None
    calm = now(by_hand([(-300.0, 11100.0)], days_on=9), LESSON)
    assert not calm.call_is_wise


def test_a_call_longer_than_the_span() -> None:
    with pytest.raises(SpanError, match=r"length of the call; got '181 min'; wanted at most the 180 min"):
        now(by_hand([(-300.0, 11100.0)]), LESSON, minutes=181)


def test_the_morning_and_the_afternoon_of_marram() -> None:
    """No gap from 12:00 to 21:00 local, UTC-1: tests/step_simulation.py, which takes nothing of passim."""
    gateway = scenario.SOUTH
    view = View(scenario.MARRAM_LOFT, (GatewayLimit((gateway,)),))
    whole = Span.starting(DAY + timedelta(hours=9), 16)
    seen = find_visibility(scenario.plover(DAY), view, searched_span(whole))
    morning = now(ServiceForecast.of(seen, whole), LESSON)
    assert not morning.call_is_wise
    assert morning.call["expected_pauses"] > 1.0
    assert morning.next_gap is not None
    assert morning.next_gap.duration_s < 45.0
    assert morning.next_gap.start < DAY + timedelta(hours=9, minutes=30)
    afternoon = now(ServiceForecast.of(seen, Span(DAY + timedelta(hours=14), whole.end)), LESSON)
    assert afternoon.call_is_wise
    assert afternoon.served
    assert afternoon.next_gap is not None
    assert afternoon.next_gap.start >= DAY + timedelta(hours=21, minutes=55)
    # The odds of this minute are those of the closed form.
    minute = Span.starting(afternoon.at, 1 / 60)
    epochs_us = seen.fleet.epochs.astype("datetime64[us]").astype(np.int64)
    closed = odds_of_no_service(seen.joint(), epochs_us, minute, searched=seen.span)
    assert afternoon.no_service == pytest.approx(closed.expected_gap_s / 60.0)


# --- the page ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def state(tmp_path: Path) -> Iterator[DashboardState]:
    opened = DashboardState(create(tmp_path / "school", demo=True), at=DAY + timedelta(hours=8, minutes=30))
    yield opened
    opened.close()


def told(state: DashboardState, at: datetime) -> Any:
    """Return what the page says at a moment."""
    question = dataclasses.replace(state.question(Choices()), now=at)
    found = outcome(lambda: now_page.PAGE.answer(question, LIGHT))
    if found.still is not None:  # the minute before stands until then
        assert found.still.done.wait(PATIENCE_S)
        found = now_page.PAGE.answer(question, LIGHT)
    return found


def test_the_page_says_first_that_service_is_out_and_for_how_long(state: DashboardState) -> None:
    """Before, in and after the first gap of the hour, by the table of gaps on the page itself."""
    gaps = told(state, DAY + timedelta(hours=8, minutes=30)).panels["hour"].table.rows
    start, end = (gaps[name].iloc[0].to_pydatetime() for name in ("start", "end"))
    assert told(state, start - timedelta(seconds=1)).sentence.startswith("Not a good moment")
    within = told(state, end - timedelta(seconds=12))
    assert within.sentence.startswith("Not a good moment for ")
    # What the browser counts down from is the same gap, by the clock of the dashboard.
    live = within.live
    assert live.now_ms == 1000.0 * (end - timedelta(seconds=12)).timestamp()
    begun = [gap for gap in live.gaps_ms if gap[0] <= live.now_ms < gap[1]]
    assert begun == [(1000.0 * start.timestamp(), 1000.0 * end.timestamp())]
    assert live.verdict == "Call now? No."
    assert live.out == "Call now? No. No service for {} more."
    # That is told once: the browser counts down to it.
    assert "gap" not in within.second
    after = told(state, end + timedelta(seconds=1))
    assert after.sentence.startswith("Not a good moment")
    # The gap that has passed within the minute is not counted down to any more; times are those of the place.
    following = gaps["start"].iloc[1] - pd.Timedelta(hours=1) + pd.Timedelta(milliseconds=500)
    coming = next(k for k, gap in enumerate(after.live.gaps_ms) if gap[1] > after.live.now_ms)
    assert after.live.gap_words[coming].startswith(f": {following:%H:%M:%S}, ")
    assert "gap" not in after.second


def test_the_page_says_what_a_better_start_still_has_frozen(state: DashboardState) -> None:
    said = told(state, DAY + timedelta(hours=8, minutes=30))
    better = said.panels["ahead"].table.rows.set_index("what").loc["next good start"]
    assert better["expected_frozen_s"] > 0.5
    assert said.sentence.endswith(f"Better from 07:33 ({better['expected_frozen_s']:.1f} s frozen).")
    assert said.panels["hour"].caption.endswith(" Dotted: one satellite only, no backup.")
    # In the lost hour of a call by hand nothing is frozen from minute 21 on, and nothing is said.
    by_minute = now(by_hand([(-300.0, 1200.0), (1240.0, 11100.0)]), LESSON)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(now_page, "_found", lambda *_: (by_minute, None))
        assert told(state, DAY + timedelta(minutes=1)).sentence.endswith("Better from 23:21.")


def test_the_page_names_no_command_where_elements_are_old(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = now(by_hand([(-300.0, 1200.0), (1240.0, 11100.0)], days_on=9), LESSON)
    monkeypatch.setattr(now_page, "_found", lambda *_: (old, None))
    said = told(state, DAY + timedelta(hours=8, minutes=33))
    assert said.sentence.startswith("Whether this is a good moment cannot be told")
    assert "passim" not in said.second
    assert "the page Calls" in said.second
