"""Calls and growth at the state: what the address asks for, what is handed out, and what is told."""

from __future__ import annotations

import base64
import gzip
import json
import random
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote_plus

import numpy as np
import pandas as pd
import pytest
from icalendar import Calendar

import commands
from asking import got, outcome, unhurried
from invented_calendars import ics
from passim import walker, write_elements
from passim.answers.calls import calendar_out, kinds as call_kinds, outlook as call_outlook
from passim.answers.growth import goals as growth_goals, launch_plan as growth_plan
from passim.errors import InputError
from passim.parallel.jobs import WorkerPool
from passim.workspace import create, plans
from passim.workspace.calendar_address import new_calendar_key, withdraw_calendar_key
from passim_apps.dashboard.address import Choices, changed, query_of, read_query
from passim_apps.dashboard.controls import options_of_controls
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.pages import growth
from passim_apps.dashboard.pages.calls import (
    page as calls,
    request as call_request,
    subscription,
    upload_places as calls_places,
    uploads,
)
from passim_apps.dashboard.security import Password
from passim_apps.dashboard.state import DashboardState, Pending
from passim_apps.dashboard.tasks import calls as call_work
from passim_apps.figures.theme import LIGHT
from passim_apps.text import calls as call_words
from passim_apps.text.columns import cells_of
from passim_apps.text.goals import goal_words
from passim_apps.text.units import duration
from patience import PATIENCE_S

AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)  # 07:30 at Marram
HOST = "127.0.0.1:8750"


@pytest.fixture(autouse=True)
def _unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    unhurried(monkeypatch)


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    """Workers take a second each to begin: the tests share them."""
    with WorkerPool(2) as opened:
        yield opened


@pytest.fixture
def state(tmp_path: Path, pool: WorkerPool) -> DashboardState:
    opened = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT, pool=pool)
    return opened


def answer(state: DashboardState, page: Any, query: str = "") -> Any:
    """Return what a page answers, waiting for work that is under way."""
    for _ in range(6):
        try:
            said = page.PAGE.answer(state.question(read_query(query)[0]), LIGHT)
        except Pending as still:
            still.job.done.wait(PATIENCE_S)
        else:
            if said.still is None:
                return said
            said.still.done.wait(PATIENCE_S)
    raise AssertionError("still working")


def test_calls_are_best_from_noon_on_in_the_scenario(state: DashboardState) -> None:
    """Mornings freeze, afternoons do not, and the page says so."""
    said = answer(state, calls, "?kind=lesson")
    assert said.sentence.startswith("Best start for a live video lesson of 30 min: 12:")
    assert "Every start from noon on is equally good" in said.second
    table = said.panels["starts"].table
    assert len(table.shown) == 5
    assert table.rows["rank"].tolist() == list(range(1, len(table.rows) + 1))
    assert table.rows["suggested"].sum() == 5
    (start, day), (frozen, _), (random, _) = said.figures
    assert said.sentence.startswith(f"Best start for a live video lesson of 30 min: {start} ")
    assert day.removeprefix("best start, ") in said.sentence
    # The best start is that calm, and a random one is told as below the picture.
    gain = said.panels["gain"].table.rows.set_index("starts_in")
    assert (frozen, random) == ("nothing", duration(gain["random_frozen_s"].iloc[0]))
    assert not gain.loc["from noon on", "worth_choosing"]
    assert gain.loc["before noon", "random_pauses"] > 1.0


@pytest.mark.parametrize(
    ("query", "minutes", "days"),
    [
        ("", (480, 1080), (0, 1, 2, 3, 4)),
        ("?from=09:30&until=12:00", (570, 720), (0, 1, 2, 3, 4)),
        ("?until=24:00&weekdays=sat,sun", (480, 1440), (5, 6)),
        ("?weekdays=mon-sun", (480, 1080), (0, 1, 2, 3, 4, 5, 6)),
    ],
)
def test_hours_and_days_come_from_the_address_or_the_site(
    state: DashboardState, query: str, minutes: tuple[int, int], days: tuple[int, ...]
) -> None:
    hours = call_request.hours_of(state.question(read_query(query)[0]))
    assert (hours.from_minute, hours.to_minute) == minutes
    assert hours.weekdays == days


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("?from=9h", "hours for calls, from"),
        ("?from=18:00", "hours of the day; got '18:00 to 18:00'"),
        ("?weekdays=feast", "days for calls"),
        ("?ahead=99", "days ahead"),
        ("?minutes=0", "length of the call"),
        ("?minutes=900", "length of the call"),
        ("?kind=opera", "kind of call"),
    ],
)
def test_what_cannot_be_asked_is_told_in_one_line(state: DashboardState, query: str, words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)) as told:
        answer(state, calls, query)
    assert "\n" not in str(told.value)
    assert "from" in options_of_controls(state.question(read_query(query)[0]), calls.PAGE)


@pytest.mark.parametrize(
    ("at", "query", "words"),
    [
        (AT, "?weekdays=sat,sun&ahead=1", "Sat and Sun, do not fall on them. Next: Sat 28 Nov, 08:00"),
        (datetime(2026, 11, 27, 18, 45, tzinfo=UTC), "", "Mon to Fri, are over. Next: Mon 30 Nov, 08:00"),
        (datetime(2026, 11, 26, 0, 50, tzinfo=UTC), "?ahead=1", "Mon to Fri, are over. Next: Thu 26 Nov, 08:00"),
    ],
)
def test_days_without_a_start_left_are_told_in_a_sentence(tmp_path: Path, at: datetime, query: str, words: str) -> None:
    state = DashboardState(create(tmp_path / "school", demo=True, at=at), at=at)
    said = answer(state, calls, query)
    assert said.sentence == (
        f"No start left on these days: the hours for calls, 08:00 to 18:00, {words}; choose more days."
    )
    assert said.panels["starts"].caption == "No start is left."
    dead, why = calls.calendar_button(state, query)
    assert "href" not in dead.to_plotly_json()["props"]
    assert dead.to_plotly_json()["props"]["aria-disabled"] == "true"
    assert why.children == " no start left on these days"
    state.close()


def test_the_button_follows_the_answer(state: DashboardState) -> None:
    (_, why) = calls.calendar_button(state, "?from=18:00")
    assert why.children == " no answer to this choice"
    (alive,) = calls.calendar_button(state, "?ahead=1")
    assert alive.href == "/ics/calls.ics?ahead=1"


def test_starts_that_have_passed_are_left_out(state: DashboardState) -> None:
    rows = answer(state, calls, "?from=00:00&until=24:00").panels["starts"].table.rows
    first = rows["start"].min()
    assert 0.0 <= (first - AT).total_seconds() <= 300.0
    # A later day is asked about from its midnight on.
    tomorrow = answer(state, calls, "?from=00:00&until=24:00&day=2026-11-26&weekdays=mon-sun&ahead=1")
    assert tomorrow.panels["starts"].table.rows["start"].min() == datetime(2026, 11, 26, 1, tzinfo=UTC)


def test_the_calendar_is_that_of_the_page_and_keeps_its_identifiers(state: DashboardState) -> None:
    client = make_app(state, hosts=[HOST]).server.test_client()
    first = got(client, "/ics/calls.ics?ahead=1", {"Host": HOST})
    assert first.status_code == 200
    assert first.mimetype == "text/calendar"
    assert first.headers["Content-Disposition"] == 'attachment; filename="passim-calls.ics"'
    events = Calendar.from_ical(first.data).walk("VEVENT")
    suggested = answer(state, calls, "?ahead=1").panels["starts"].table.shown
    assert [(e.start, e.end) for e in events] == sorted(zip(suggested["start"], suggested["end"], strict=True))
    again = got(client, "/ics/calls.ics?ahead=1", {"Host": HOST})
    assert [e["UID"] for e in Calendar.from_ical(again.data).walk("VEVENT")] == [e["UID"] for e in events]


def test_a_calendar_that_cannot_be_made_says_why(state: DashboardState) -> None:
    client = make_app(state, hosts=[HOST]).server.test_client()
    refused = got(client, "/ics/calls.ics?site=Nowhere", {"Host": HOST})
    assert refused.status_code == 400
    assert "wanted one of" in refused.text
    assert client.get("/ics/others.ics", headers={"Host": HOST}).status_code == 404


def test_an_address_to_subscribe_to_gives_the_events_of_the_file_until_it_is_withdrawn(state: DashboardState) -> None:
    """RFC 5545 and RFC 7986: one UID an event, a name, when to ask again; no password, no session, nothing else."""
    told: list[str] = []
    app = make_app(state, hosts=[HOST], password=Password(told.append))
    client, folder = app.server.test_client(), state.workspace
    assert client.get("/calendar/guess.ics", headers={"Host": HOST}).status_code == 404  # there is none yet
    key = new_calendar_key(folder)
    assert (folder.folder / ".calendar-key").stat().st_mode & 0o077 == 0
    where = f"/calendar/{key}.ics"
    query, _ = hand_in(state, "busy", "?ahead=1&kind=lesson&day=2026-11-27", ("fair.ics", ics(FAIR)))
    carried = query_of(subscription.subscribed(read_query(query)[0]))
    assert carried == "?ahead=1&kind=lesson"
    answer = client.get(f"{where}{carried}", headers={"Host": HOST})
    assert (answer.status_code, answer.mimetype) == (200, "text/calendar")
    calendar = Calendar.from_ical(answer.data)
    bare = make_app(state, hosts=[HOST]).server.test_client()
    file = Calendar.from_ical(got(bare, f"/ics/calls.ics{carried}", {"Host": HOST}).data)

    def said(events: Any) -> list[tuple[Any, ...]]:
        return [(str(e["UID"]), e.start, e.end, str(e["SUMMARY"]), str(e["DESCRIPTION"])) for e in events]

    assert said(calendar.walk("VEVENT")) == said(file.walk("VEVENT"))
    again = Calendar.from_ical(client.get(f"{where}{carried}", headers={"Host": HOST}).data)
    uids = [str(e["UID"]) for e in again.walk("VEVENT")]
    assert uids == [row[0] for row in said(calendar.walk("VEVENT"))]
    assert len(set(uids)) == len(uids) > 0
    assert b"REFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n" in answer.data
    assert b"X-PUBLISHED-TTL:PT1H\r\n" in answer.data
    assert str(calendar["NAME"]) == "Good times for calls, Marram loft"
    # It can be read and no more, opens nothing else, and answers nobody once it is withdrawn.
    assert client.post(where, headers={"Host": HOST, "Origin": f"http://{HOST}"}).status_code == 404
    assert client.get("/csv/calls/starts.csv", headers={"Host": HOST}).status_code == 401
    assert client.get(where, headers={"Host": "elements.example"}).status_code == 403
    for wrong in (key[:-1], key[:-1] + "é", "", ".."):
        assert client.get(f"/calendar/{wrong}.ics", headers={"Host": HOST}).status_code == 404
    assert client.get(f"{where}?site=Nowhere", headers={"Host": HOST}).status_code == 503
    assert new_calendar_key(folder) != key
    assert client.get(where, headers={"Host": HOST}).status_code == 404
    assert withdraw_calendar_key(folder)
    assert not withdraw_calendar_key(folder)


def test_a_calendar_without_a_call_is_a_calendar_still() -> None:
    """RFC 5545, 3.6: at least one component."""
    empty = calendar_out.calendar_bytes([], "q", AT, calendar_out.Subscription("Good times", "http://x/calendar/k.ics"))
    found = Calendar.from_ical(empty)
    assert [part.name for part in found.subcomponents] == ["VTIMEZONE"]
    assert str(found["SOURCE"]) == "http://x/calendar/k.ics"


# --- calendars --------------------------------------------------------------------------------------------------------

FAIR = ("Fair", datetime(2026, 11, 25, 13, tzinfo=UTC), datetime(2026, 11, 25, 18, tzinfo=UTC))
CHOIR = ("Choir", datetime(2026, 11, 25, 16, tzinfo=UTC), datetime(2026, 11, 25, 16, 45, tzinfo=UTC))
GEOMETRY = ("Geometry", datetime(2026, 11, 25, 10, tzinfo=UTC), datetime(2026, 11, 25, 10, 45, tzinfo=UTC))


def sent(data: bytes) -> str:
    """Return a file as a browser sends it."""
    return f"data:text/calendar;base64,{base64.b64encode(data).decode()}"


def hand_in(
    state: DashboardState, place: str, query: str, *files: tuple[str, bytes], kept: Any = None
) -> tuple[str, Any]:
    """Hand calendars in on the page of a query, and return the query then and what the browser keeps."""
    choices = read_query(query)[0]
    given = [(name, sent(data)) for name, data in files]
    keys, kept = outcome(lambda: calls_places.take(state.question(choices), place, given, kept))
    return query_of(changed(choices, {place: ".".join(keys)})), kept


def test_busy_calendars_shape_the_ranking(state: DashboardState) -> None:
    files = [("fair.ics", ics(FAIR)), ("choir.ics", ics(CHOIR, GEOMETRY))]
    query, _ = hand_in(state, "busy", "?ahead=1&kind=lesson", *files)
    said = answer(state, calls, query)
    assert said.second.startswith(
        "Kept free of calls: 1 appointment of fair.ics and 2 appointments of choir.ics. Looked at Wed 25 Nov,"
    )
    rows = said.panels["starts"].table.rows
    for _, start, end in (FAIR, CHOIR, GEOMETRY):
        assert not ((rows["start"] < end) & (rows["end"] > start)).any()
    assert len(rows) < len(answer(state, calls, "?ahead=1&kind=lesson").panels["starts"].table.rows)
    # Every number of starts on the page is that of the free ones.
    assert said.panels["gain"].table.rows["starts"].tolist()[0] == len(rows)
    assert said.panels["hours"].table.rows["starts"].sum() == len(rows)

    # A new file of the same name takes the place of the one before it; a whole day taken leaves no start.
    day = ("Camp", datetime(2026, 11, 25, 1, tzinfo=UTC), datetime(2026, 11, 26, 1, tzinfo=UTC))
    query, _ = hand_in(state, "busy", query, ("fair.ics", ics(day)))
    full = answer(state, calls, query)
    assert full.sentence == (
        "No start is free: each one clashes with a busy time. Looked at Wed 25 Nov, 08:00 to 18:00, Mon to Fri."
    )
    assert full.second == "Kept free of calls: 2 appointments of choir.ics and 1 appointment of fair.ics."
    assert full.panels["hours"].table.rows.empty
    assert any("busy from now on" in note.text for note in full.panels["starts"].figure.layout.annotations)


def test_planned_calls_are_checked_as_the_command_checks_them(state: DashboardState) -> None:
    query, kept = hand_in(state, "busy", "?ahead=1&kind=lesson", ("fair.ics", ics(FAIR)))
    query, _ = hand_in(state, "check", query, ("lessons.ics", ics(GEOMETRY, CHOIR)), kept=kept)
    pending = calls.PAGE.answer(state.question(read_query(query)[0]), LIGHT)
    assert pending.still is not None, "the ranking does not wait for the check"
    assert pending.sentence.startswith("Best start")
    pending.still.done.wait(PATIENCE_S)
    shown = answer(state, calls, query).panels["check"]
    assert shown.caption.startswith("2 calls of lessons.ics: 1 with a good start; the worst, Geometry at 09:00")
    cells = cells_of(shown.table.columns, shown.table.rows).rows
    verdicts = {row[4]: row[2] for row in cells}
    assert verdicts == {"Geometry": "may end", "Choir": "good start"}
    # The fair is not a better time for anything.
    better = shown.table.rows["better_start"].dropna()
    assert len(better) == 1
    assert not better.between(FAIR[1], FAIR[2], inclusive="left").any()


def test_planned_calls_that_are_not_checked_are_named(state: DashboardState) -> None:
    over = ("Latin", datetime(2026, 11, 25, 7, tzinfo=UTC), datetime(2026, 11, 25, 7, 30, tzinfo=UTC))
    later = ("Art", datetime(2026, 11, 30, 10, tzinfo=UTC), datetime(2026, 11, 30, 10, 30, tzinfo=UTC))
    query, _ = hand_in(state, "check", "?ahead=1&kind=lesson", ("lessons.ics", ics(CHOIR, over, later)))
    said = answer(state, calls, query)
    assert said.panels["check"].caption == (
        "1 call of lessons.ics (2 not checked): 1 with a good start. Not checked, because it is already over: Latin. "
        "Not checked, because it comes after the days asked about: Art."
    )
    assert not any("Not checked" in note.text for note in said.notes)


@pytest.mark.parametrize(
    ("longest_s", "words"), [(0.0, "no freeze."), (0.04, "no freeze."), (28.0, "no freeze longer than 28 s.")]
)
def test_a_calendar_says_no_freeze_where_there_is_none(longest_s: float, words: str) -> None:
    row = pd.Series({
        "expected_freezes": 0.0, "expected_pauses": 0.0, "expected_frozen_s": 0.0, "chance_of_end": 0.0,
        "worst_p90_s": longest_s,
    })  # fmt: skip
    assert f"9 of 10 such calls meet {words}\n" in call_words.event_text(row, call_kinds.LESSON)


def test_verdicts_are_those_of_good_starts() -> None:
    table = pd.DataFrame({"chance_of_end": [0.0, 0.05, 0.05, 0.051], "expected_pauses": [0.49, 0.0, 0.5, 0.0]})
    said = [call_words.verdict(row) for row in table.itertuples(index=False)]
    assert said == ["good start", "good start", "pauses", "may end"]
    assert [words == "good start" for words in said] == call_outlook.good_starts(table).tolist()


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ([("bad.ics", b"BEGIN:VCALENDAR\r\nhello\r\n")], "calendar file bad.ics, line 2; got 'hello'"),
        ([("large.ics", b" " * (2**21 + 1))], "calendar file large.ics; got '2,049 KB'; wanted at most 2,048 KB"),
        ([(f"{k}.ics", b"") for k in range(5)], "busy calendars; got 5; wanted at most 4"),
        ([("noise.ics", random.Random(1).randbytes(2**21 - 1))], "calendars together; got 'more than a browser keeps'"),
    ],
)
def test_a_calendar_that_cannot_be_used_changes_nothing(
    state: DashboardState, files: list[tuple[str, bytes]], words: str
) -> None:
    query, kept = hand_in(state, "busy", "?ahead=1", ("fair.ics", ics(FAIR)))
    with pytest.raises(InputError, match=re.escape(words)) as told:
        hand_in(state, "busy", "?ahead=1", *[(name, data + bytes([k])) for k, (name, data) in enumerate(files)])
    assert "\n" not in str(told.value)
    assert "1 appointment of fair.ics" in answer(state, calls, query).second
    assert [entry["name"] for entry in kept] == ["fair.ics"]


def test_a_calendar_with_too_much_in_it_is_refused(state: DashboardState) -> None:
    daily = ics(*[(f"Watch {k}", FAIR[1], FAIR[2]) for k in range(call_work.MOST_APPOINTMENTS + 1)])
    with pytest.raises(InputError, match=r"got '2,001 appointments on these days'; wanted at most 2,000"):
        hand_in(state, "busy", "?ahead=1", ("watches.ics", daily))
    many = ics(*[(f"Call {k}", *GEOMETRY[1:]) for k in range(call_work.MOST_CHECKED + 1)])
    query, _ = hand_in(state, "check", "?ahead=1", ("calls.ics", many))
    assert "calls in calls.ics on these days; got '61'; wanted at most 60" in (
        answer(state, calls, query).panels["check"].caption
    )


def test_what_the_browser_keeps_comes_back_whole_or_not_at_all(state: DashboardState) -> None:
    held = uploads.UploadedCalendar("fair.ics", ics(FAIR))
    packed = held.packed()
    assert uploads.unpacked(packed) == held
    for damaged in (
        {**packed, "name": "other.ics"},
        {**packed, "text": packed["text"][:-8]},
        {**packed, "text": base64.b64encode(gzip.compress(bytes(2**22))).decode()},
        {**packed, "text": 3},
        None,
    ):
        assert uploads.unpacked(damaged) is None
    # What the address names is never dropped for want of room.
    old = [{"key": f"k{k}", "name": "x", "text": "x" * 900_000} for k in range(3)]
    assert [e["key"] for e in uploads.retained_with(old, [held], ["k0", held.key])] == ["k0", "k2", held.key]


def test_a_calendar_is_shown_to_the_browser_that_handed_it_in_alone(state: DashboardState) -> None:
    held = uploads.UploadedCalendar("fair.ics", ics(FAIR))
    mine = "0123456789abcdef" * 2
    uploads.keep(state, mine, held)
    client = make_app(state, hosts=[HOST]).server.test_client(use_cookies=False)
    path = f"/ics/calls.ics?ahead=1&kind=lesson&busy={held.key}"
    for cookie in ("", "f" * 32, "no browser"):
        headers = {"Host": HOST, "Cookie": f"passim_browser={cookie}"}
        refused = got(client, path, headers)
        assert refused.status_code == 400
        assert refused.text.startswith("busy calendar of this address is not here; wanted the browser")
        assert got(client, path.replace("/ics/calls.ics", "/csv/calls/starts.csv"), headers).status_code == 400
    given = got(client, path, {"Host": HOST, "Cookie": f"passim_browser={mine}"})
    assert given.status_code == 200, given.text
    events = Calendar.from_ical(given.data).walk("VEVENT")
    assert len(events) == 5
    assert all(event.end <= FAIR[1] or event.start >= FAIR[2] for event in events)


# --- growth -----------------------------------------------------------------------------------------------------------


def test_the_goal_asked_unless_chosen_is_the_next_that_is_not_met() -> None:
    """Whoever has 99 % of the day asks what comes next, and not whether it is met."""

    def curves(out_s: float, longest_s: float) -> Any:
        values = {"gap_fraction": np.array([[1.0, out_s / 86400.0]]), "gap_count": np.array([[1, int(out_s > 0.0)]])}
        values["longest_gap_s"] = np.array([[86400.0, longest_s]])
        return SimpleNamespace(values=values, counted_s=86400.0)

    for out_s, longest_s, wanted in (
        (1000.0, 40.0, 0),
        (200.0, 40.0, 1),
        (50.0, 40.0, 2),
        (3.0, 3.0, 3),
        (0.0, 0.0, 3),
    ):
        goal = growth.next_goal(curves(out_s, longest_s))
        assert goal == growth_goals.parse_goal(growth.LADDER[wanted]), out_s


def test_growth_lists_every_number_of_every_order(state: DashboardState) -> None:
    said = answer(state, growth, "?goal=covered+>=+95+%25")
    needed = said.panels["needed"].table.rows.set_index("order")["satellites"]
    assert 300 < needed["as launched"] < 360
    assert f"from {needed['as launched']:.0f} satellites on, as launched" in said.sentence
    table = said.panels["curve"].table
    assert table.rows.groupby("order")["satellites"].apply(list).map(len).to_dict() == {
        "as launched": 360, "at random": 360, "plane by plane": 360,
    }  # fmt: skip
    assert len(table.shown) < 60
    assert table.shown["satellites"].iloc[0] == 360
    last = table.rows[table.rows["satellites"] == 360]
    assert last["gap_fraction"].tolist() == pytest.approx([last["gap_fraction"].iloc[0]] * 3)
    assert "plan" not in answer(state, growth, "?plan=none").panels


def test_the_plan_of_the_demonstration_says_when_it_gets_better(state: DashboardState) -> None:
    said = answer(state, growth)
    by_date = said.panels["plan"].table.rows
    assert by_date["satellites"].tolist() == [360, 438, 516, 732]
    assert by_date["gap_fraction"].is_monotonic_decreasing
    day = by_date["date"].iloc[-1]
    assert f"from {day.day} {day:%b %Y} on, with 732 satellites; today, with 360, service is out 1.8 %" in said.second
    # What the page answers where nothing is chosen, and its panel says no other.
    on = f"from {day.day} {day:%b %Y} on"
    assert said.sentence == f"99 % covered {on}, by the plan, with 732 satellites; not with today's 360."
    caption = said.panels["plan"].caption
    assert caption.startswith(
        f"Goal met {on}, with 732 satellites (at least 99 % covered). A scenario, not a forecast: 3 "
    )
    assert "widest gaps" not in caption
    assert any(note.text.startswith("Launch: 8 planes of 10") for note in said.notes)


def test_the_headline_and_the_plan_agree_on_every_goal(state: DashboardState) -> None:
    """Met today, waited for and never met: by the numbers of the table by date."""
    for text in growth.GOALS:
        said = answer(state, growth, f"?goal={quote_plus(text)}")
        met = said.panels["needed"].table.rows["reached"].all()
        caption = said.panels["plan"].caption
        if met:
            assert said.sentence.startswith("Goal met from ")
            assert caption.startswith("Goal met already today")
        elif said.sentence.startswith("Goal not met"):
            assert re.match(r"Goal not met \([^)]+\), even by the plan: ", said.sentence)
            assert re.match(r"Goal not met \([^)]+\) by the plan; with all 732 ", caption)
        else:
            assert ", by the plan, with 732 satellites; not with today's 360." in said.sentence
            assert caption.startswith("Goal met from ")
        if text == "gap_count <= 0":
            assert said.panels["plan"].table.rows["gap_count"].iloc[-1] > 0
            day = said.panels["plan"].table.rows["date"].iloc[-1]
            on = f" from {day.day} {day:%b %Y} on"
            assert f"{on}, with 732 satellites; gaps 79 with today's 360." in said.sentence
    alone = answer(state, growth, "?plan=none").sentence
    assert alone.startswith("Goal not met with this fleet's orbits (at least 99 % covered); with all 360 satellites: ")


def test_goals_of_one_are_said_in_the_singular(state: DashboardState) -> None:
    words = [words for control in growth.PAGE.controls[:1] for _, words in control.options(state.question(Choices()))]
    assert words[:2] == ["the first not met, or no gap", "at least 99 % covered"]
    assert "at most 1 gap an hour" in words
    assert "at least 95 % covered" in words
    for text, said in (
        ("gap_count <= 1", "at most 1 gap"),
        ("pauses_per_hour < 1", "under 1 pause (gap over 5 s) an hour"),
        ("gap_count <= 2", "at most 2 gaps"),
        ("gaps_per_hour <= 1.5", "at most 1.5 gaps an hour"),
    ):
        assert goal_words(growth_goals.parse_goal(text)) == said


def test_a_plan_whose_launches_fly_already_leaves_the_rest_of_the_page(state: DashboardState) -> None:
    (state.workspace.folder / "plan.csv").write_text(plans.demo_plan(date(2020, 1, 1)))
    said = answer(state, growth)
    assert said.sentence.startswith("Goal not met with this fleet's orbits (at least 99 % covered); ")
    assert said.panels["plan"].figure is None
    assert said.panels["plan"].caption.startswith("Plan plan.csv, line 3: a launch that would serve already; ")


def test_without_a_plan_launches_go_on_as_of_late(state: DashboardState) -> None:
    """All 360 of last year: 360 in 693 days, planes of 20; the page, the plan handed out and the command agree."""
    folder = state.workspace.folder
    (folder / "plan.csv").unlink()
    said = answer(state, growth)
    rows = said.panels["plan"].table.rows
    assert rows["satellites"].tolist() == list(range(360, 740, 20))
    met = rows[rows["gap_fraction"] <= 0.01].iloc[0]
    on = f"from {met['date'].day} {met['date']:%b %Y} on, if launches go on as they have of late"
    assert said.sentence == f"99 % covered {on}, with {met['satellites']} satellites; not with today's 360."
    caption = said.panels["plan"].caption
    assert ": 15.8 satellites a month as of late, in whole planes, today's 360 satellites staying " in caption
    assert any(note.text.startswith("Of the 360 satellites on station 360 were launched") for note in said.notes)
    never = answer(state, growth, "?goal=gap_count+<=+0").sentence
    assert never.startswith("Goal not met (no gap), even if launches go on as they have of late: gaps ")

    # Handed out, and handed in again as a plan of one's own.
    text = growth.sample_plan(state.question(Choices()))
    (folder / "ours.csv").write_text(text)
    again = answer(state, growth)
    assert ", by the plan, with " in again.sentence
    assert again.panels["plan"].table.rows.equals(rows)

    day = ["--at", AT.isoformat(), "--from", "2026-11-25T01:00:00Z", "--hours", "24"]
    asked = ["growth", "--workspace", str(folder), *day, "--goal", "covered >= 99 %", "--pace", "--format", "json"]
    told = json.loads(commands.finished(commands.run(*asked)).stdout)
    assert told["goal"]["date"] == f"{met['date']:%Y-%m-%d}T00:00:00.000Z"
    assert [row["satellites"] for row in told["rows"]] == rows["satellites"].tolist()


def test_a_goal_that_is_met_waits_for_no_launch(state: DashboardState, monkeypatch: pytest.MonkeyPatch) -> None:
    (state.workspace.folder / "plan.csv").unlink()
    monkeypatch.setattr(growth.planning, "grow_ahead", lambda *_: pytest.fail("nothing is to be looked at"))
    said = answer(state, growth, "?goal=covered+>=+95+%25")
    assert said.panels["plan"].figure is None
    assert said.panels["plan"].caption == (
        "Today's 360 satellites meet the goal already (at least 95 % covered): it waits for no launch."
    )
    assert said.sentence.startswith("Goal met from ")


def test_a_fleet_that_does_not_tell_its_launches_has_no_pace(state: DashboardState) -> None:
    folder = state.workspace.folder
    (folder / "plan.csv").unlink()
    few = walker(total=36, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=state.now())
    write_elements(few, folder / "few.json")
    with (folder / "passim.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[fleets]]\nname = "few"\nelements = ["few.json"]\n')
    said = answer(state, growth, "?fleet=few")
    assert said.sentence.startswith("Goal not met with this fleet's orbits")
    assert said.panels["plan"].caption.startswith("Pace of launches; got '36 of 36 satellites without a year of launch")
    with pytest.raises(InputError, match="international designator"):
        growth.sample_plan(state.question(read_query("?fleet=few")[0]))


def test_a_goal_in_call_hours_keeps_to_them(state: DashboardState) -> None:
    day = answer(state, growth, "?goal=longest_gap_s+<=+30")
    hours = answer(state, growth, "?goal=longest_gap_s+<=+30+in+call+hours")
    assert any(note.text.startswith("Only call hours count here: 08:00 to 18:00") for note in hours.notes)
    both = [said.panels["curve"].table.rows["gap_fraction"].iloc[359] for said in (day, hours)]
    assert both[0] != both[1]
    with pytest.raises(InputError, match="hours"):
        answer(state, growth, "?day=2026-11-28&within=calls")  # a Saturday


@pytest.mark.parametrize("query", ["?goal=best", "?goal=covered+>=+95+percent", "?plan=../passim.toml", "?plan=x.csv"])
def test_what_growth_cannot_be_asked_is_told(state: DashboardState, query: str) -> None:
    with pytest.raises(InputError, match=r"goal|plan"):
        answer(state, growth, query)


def test_plans_are_known_by_their_columns(state: DashboardState, tmp_path: Path) -> None:
    folder = state.workspace.folder
    assert list(plans.plan_files(state.workspace)) == ["plan.csv"]
    (folder / "plan.csv").unlink()
    assert plans.plan_files(state.workspace) == {}
    header = ",".join(growth_plan.PLAN_COLUMNS)
    (folder / "plan.csv").write_text(f"# Invented.\n{header}\n2027-01-15,4,80,550,53,60,0\n")
    (folder / "roof.csv").write_text("azimuth_deg,elevation_deg\n0,10\n")
    (folder / "noise.csv").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "elsewhere.csv").write_text(f"{header}\n")
    (folder / "linked.csv").symlink_to(tmp_path / "elsewhere.csv")
    assert list(plans.plan_files(state.workspace)) == ["plan.csv"]
    said = answer(state, growth)
    rows = said.panels["plan"].table.rows
    assert rows["satellites"].tolist() == [360, 440]
    assert rows["gap_fraction"].is_monotonic_decreasing
    assert "plan" not in answer(state, growth, "?plan=none").panels
