"""One definition of a good start, and what every face says where none is good; by hand and on Marram."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import commands
from passim.answers.calls.calendar_out import write_calendar
from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.kinds import LESSON, VIDEO
from passim.answers.calls.now import now
from passim.answers.calls.outlook import good_starts, is_good
from passim.answers.calls.plan import plan_of
from passim.coverage.visibility import find_visibility
from passim.elements.records import Fleet
from passim.forecast.timing import TimingModel
from passim.intervals import GroupedIntervals
from passim.sky.limits import GatewayLimit
from passim.sky.view import View
from passim.spans import DailyHours, Span
from passim.workspace import create
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.pages import now as now_page
from passim_apps.dashboard.pages.calls import page as calls_page
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.text.calendar import calendar_windows
from passim_apps.text.calls import plan_sentences
from passim_apps.text.now import details, headline
from passim_apps.text.units import LocalClock
from report_outline import Outline
from tests import scenario

DAY = datetime(2026, 11, 25, tzinfo=UTC)


def with_gaps(begins_s: list[float], gap_s: float, hours: float = 3.0) -> ServiceForecast:
    """A forecast without timing error in which a gap of `gap_s` begins at each of `begins_s`, from the start."""
    span = Span.starting(DAY, hours)
    begins = np.array(begins_s, dtype=np.float64)
    start_s, end_s = np.append(-300.0, begins + gap_s), np.append(begins, hours * 3600.0 + 300.0)
    start, end = (span.start_us + np.round(s * 1e6).astype(np.int64) for s in (start_s, end_s))
    fleet = Fleet(scenario.plover(DAY).records[: len(start)], "invented")
    joint = GroupedIntervals(np.arange(len(start)), start, end)
    return ServiceForecast(span, fleet, joint, searched_span(span), TimingModel.steady(0.0))


def trains(every_s: float, gap_s: float, hours: float = 3.0) -> ServiceForecast:
    """The same with a gap every `every_s`, the first at the start."""
    return with_gaps(np.arange(0.0, hours * 3600.0 + 1.0, every_s).tolist(), gap_s, hours)


@pytest.mark.parametrize(
    ("chance", "pauses", "good"),
    [(0.05, 0.0, True), (0.0501, 0.0, False), (0.0, 0.4999, True), (0.0, 0.5, False), (0.05, 0.4999, True)],
)
def test_where_a_start_stops_being_good(chance: float, pauses: float, good: bool) -> None:
    """At most one call in twenty dropped, and fewer than half a pause: the bounds themselves."""
    call = pd.Series({"chance_of_end": chance, "expected_pauses": pauses})
    assert is_good(call) is good
    assert good_starts(call.to_frame().T).tolist() == [good]


def test_none_good_by_hand() -> None:
    """Gaps of 40 s every 5 min: every half hour is dropped; from minute 1 on 4 min are clear, and no start has 5."""
    known = trains(300.0, 40.0)
    plan = plan_of(known, VIDEO, minutes=30)
    assert plan.suggestions.empty
    assert not plan.least_bad.empty
    assert plan.shown is plan.least_bad
    none = plan.none_good
    assert none is not None
    assert none.minutes == 4
    assert none.shorter is not None
    assert none.shorter["start"].to_pydatetime() == DAY + timedelta(minutes=1)
    # What the elements are seen through is not known here, so no limit can be named.
    assert (none.limit, none.given_back) == ("", 0.0)
    said = now(known, VIDEO, minutes=30)
    assert said.next_good is None
    assert said.none_good is not None
    assert said.none_good.minutes == 4
    # Both say so first, and neither speaks of a best or a next good start.
    clock = LocalClock("UTC", known.span)
    for words in (
        "\n".join(plan_sentences(plan, clock)),
        "\n".join([headline(said, clock, ""), *details(said, clock, "")]),
    ):
        lines = words.splitlines()
        assert lines[0].startswith("No good start for a video call of 30 min in the ")
        assert "est start" not in words
        assert "ext good" not in words
        (least,) = [line for line in lines if line.startswith("Least bad: ")]
        assert "100 % chance that the call drops" in least
        assert "Calls of up to 4 min have a good start: first 00:01 on Wed 25 Nov, no freeze expected." in lines
    assert calendar_windows(plan, "Here") == []
    assert said.table["what"].tolist() in (["now"], ["now", "least bad start"])


def test_not_even_a_minute_is_good() -> None:
    """A gap of 40 s in every minute: by hand no call of whole minutes is clear of it."""
    plan = plan_of(trains(60.0, 40.0), VIDEO, minutes=30)
    assert plan.none_good is not None
    assert (plan.none_good.minutes, plan.none_good.shorter) == (0, None)
    words = "\n".join(plan_sentences(plan, LocalClock("UTC", plan.span)))
    assert "No shorter call would do: not even one of a minute has a good start for a video call." in words


def test_only_good_starts_are_suggested_and_the_calendar_holds_no_other() -> None:
    """Gaps of 40 s every 5 min but from minute 60 to 150: by hand, calls of 29 min fit there from 61, 90 and 119."""
    begins = [60.0 * m for m in range(0, 181, 5) if not 60 < m < 150]
    plan = plan_of(with_gaps(begins, 40.0), VIDEO, minutes=29, most=5)
    assert plan.suggestions["start"].tolist() == [pd.Timestamp(DAY + timedelta(minutes=m)) for m in (61, 90, 119)]
    assert good_starts(plan.suggestions).all()
    assert plan.none_good is None
    assert len(calendar_windows(plan, "Here")) == 3


@pytest.fixture(scope="module")
def morning() -> ServiceForecast:
    """Marram's loft with its gateway from 09:00 to 12:00 UTC, when its gateway opens a gap every ten minutes or so."""
    gateway = scenario.SOUTH
    view = View(scenario.MARRAM_LOFT, (GatewayLimit((gateway,)),))
    span = Span.starting(DAY + timedelta(hours=9), 3)
    return ServiceForecast.of(find_visibility(scenario.plover(DAY), view, searched_span(span)), span)


def test_the_limit_that_costs_most_is_named(morning: ServiceForecast) -> None:
    """Every gap of Marram's mornings closes where the gateway is not needed (house figures, own step simulation)."""
    plan = plan_of(morning, LESSON, minutes=90)
    none = plan.none_good
    assert none is not None
    assert none.limit == "gateway"
    assert none.given_back == pytest.approx(1.0)
    assert 1 <= none.minutes < 90
    # The longest good call is one: a minute more has no good start, and one of that length has.
    assert plan_of(morning, LESSON, minutes=none.minutes).none_good is None
    assert plan_of(morning, LESSON, minutes=none.minutes + 1).none_good is not None
    words = "\n".join(plan_sentences(plan, LocalClock("Atlantic/Azores", plan.span)))
    assert "What would have to change: the gateway limit costs most; removing it alone would regain 100 %" in words


def test_a_calendar_calls_off_what_is_good_no_longer(tmp_path: Path) -> None:
    target = tmp_path / "calls.ics"
    good = plan_of(trains(3600.0, 1.0), VIDEO, minutes=30, most=2)
    write_calendar(target, calendar_windows(good, "Here"), "q", DAY)
    assert target.read_text().count("STATUS:TENTATIVE") == 2
    bad = plan_of(trains(300.0, 40.0), VIDEO, minutes=30, most=2)
    write_calendar(target, calendar_windows(bad, "Here"), "q", DAY)
    text = target.read_text()
    assert text.count("STATUS:CANCELLED") == 2
    assert "STATUS:TENTATIVE" not in text


# --- the faces: lessons of five hours in the morning of the invented school, which are all frozen ---------------------

BAD = ["--minutes", "200", "--between", "08:00-11:50", "--days", "1"]


def test_the_command_says_so_first_and_writes_no_event(tmp_path: Path) -> None:
    create(tmp_path / "school", demo=True)
    given = ["calls", "--workspace", str(tmp_path / "school"), "--at", "2026-11-25T08:00:00Z", *BAD]
    target = tmp_path / "good.ics"
    result = commands.run(*given, "--ics", str(target))
    assert result.exit_code == 0, result.stderr
    lines = result.stdout.splitlines()
    assert lines[0].startswith("No good start for a live video lesson of 200 min in the time searched: ")
    assert lines[1].startswith("Least bad: ")
    assert lines[2].startswith("Calls of up to ")
    assert lines[3].startswith("What would have to change: the gateway limit costs most; ")
    assert "Best start" not in result.stdout
    assert f"No start is good, so {target} was not written." in result.stdout
    assert not target.exists()
    told = json.loads(commands.run(*given, "--format", "json").stdout)
    assert told["none_good"]["costliest_limit"] == "gateway"
    assert told["none_good"]["longest_good_minutes"] < 200
    assert told["rows"][0]["start"] == told["none_good"]["least_bad_start"]


def test_the_pages_say_so_first(tmp_path: Path) -> None:
    state = DashboardState(create(tmp_path / "school", demo=True), at=DAY + timedelta(hours=8, minutes=30))
    try:
        chosen = Choices(
            more=(("minutes", "200"), ("from", "08:00"), ("until", "11:50"), ("ahead", "1")), day=DAY.date()
        )
        question = state.question(chosen)
        answer = calls_page.PAGE.answer(question, LIGHT)
        assert answer.sentence.startswith("No good start for a live video lesson of 200 min in the time searched: ")
        assert "Least bad: " in answer.second
        assert "the gateway limit costs most" in answer.second
        assert answer.panels["starts"].caption.startswith("No start is good. Worst start: ")
        none_at_all = now(trains(300.0, 40.0), LESSON)
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(now_page, "_found", lambda *_: (none_at_all, None))
            said = now_page.PAGE.answer(state.question(Choices()), LIGHT)
        assert said.sentence.startswith("No good start for a live video lesson of 30 min in the next 3 h: now ")
        assert "Calls of up to 4 min have a good start: first 00:01" in said.second.replace("23:01", "00:01")
    finally:
        state.close()


def test_the_report_says_so_first(tmp_path: Path) -> None:
    create(tmp_path / "school", demo=True)
    target = tmp_path / "report.html"
    given = ["--workspace", str(tmp_path / "school"), "--at", "2026-11-25T08:00:00Z", *BAD, "--no-world"]
    result = commands.run("report", *given, "--workers", "1", "--out", str(target))
    assert result.exit_code == 0, result.stderr
    html = target.read_text(encoding="utf-8")
    told = "\n".join(Outline(html).texts["p"])
    wanted = (
        "No good start for a live video lesson of 200 min in the time searched: ", "Least bad: ", "Calls of up to ",
        "What would have to change: the gateway limit costs most; ",
    )  # fmt: skip
    places = [told.index(words) for words in wanted]
    assert places == sorted(places)
    assert "Best start" not in told
    assert "The least bad starts: none is good" in html


def test_hours_are_kept_for_the_shorter_call() -> None:
    """Good half hours lie outside the hours asked about: within them, by hand, 4 min are the longest."""
    plan = plan_of(trains(300.0, 40.0), VIDEO, minutes=30, hours=DailyHours(60, 120))
    assert plan.none_good is not None
    assert plan.none_good.minutes == 4
    assert plan.none_good.shorter is not None
    assert plan.none_good.shorter["start"].to_pydatetime() == DAY + timedelta(minutes=61)
