"""Calls and growth at the desk: what the address asks for, what is handed out, and what is told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from icalendar import Calendar

from passim.answers import growth_plan
from passim.errors import InputError
from passim.workspace import create, plans
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.choosing import offers
from passim_apps.dashboard.desk import Desk, StillWorking
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.pages import calls, growth
from passim_apps.figures.theme import LIGHT

AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)  # 07:30 at Marram
HOST = "127.0.0.1:8750"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    opened = Desk(create(tmp_path / "school", demo=True), at=AT)
    yield opened
    opened.close()


def answer(desk: Desk, page: Any, query: str = "") -> Any:
    """Return what a page answers, waiting for work that is under way."""
    for _ in range(4):
        try:
            return page.PAGE.answer(desk.question(read_query(query)[0]), LIGHT)
        except StillWorking as still:
            still.job.done.wait(60.0)
    raise AssertionError("still working")


def test_calls_are_best_from_noon_on_in_the_scenario(desk: Desk) -> None:
    """Mornings freeze, afternoons do not, and the page says so."""
    said = answer(desk, calls, "?kind=lesson")
    assert said.sentence.startswith("Best start for a live video lesson of 30 min: 11:")
    assert "No start from noon on is better than another" in said.second
    table = said.panels["starts"].table
    assert len(table.shown) == 5
    assert table.rows["rank"].tolist() == list(range(1, len(table.rows) + 1))
    assert table.rows["suggested"].sum() == 5
    gain = said.panels["gain"].table.rows.set_index("starts_in")
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
    desk: Desk, query: str, minutes: tuple[int, int], days: tuple[int, ...]
) -> None:
    hours = calls.hours_of(desk.question(read_query(query)[0]))
    assert (hours.from_minute, hours.to_minute) == minutes
    assert hours.weekdays == days


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("?from=9h", "hours for calls, from"),
        ("?from=20:00", "hours for calls; got '20:00 to 18:00'"),
        ("?weekdays=feast", "days for calls"),
        ("?ahead=99", "days ahead"),
        ("?minutes=0", "length of the call"),
        ("?minutes=900", "length of the call"),
        ("?kind=opera", "kind of call"),
        ("?weekdays=sat,sun&ahead=1", "hours for calls (08:00 to 18:00, Sat and Sun)"),
    ],
)
def test_what_cannot_be_asked_is_told_in_one_line(desk: Desk, query: str, words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)) as told:
        answer(desk, calls, query)
    assert "\n" not in str(told.value)
    assert "from" in offers(desk.question(read_query(query)[0]), calls.PAGE)


def test_starts_that_have_passed_are_left_out(desk: Desk) -> None:
    rows = answer(desk, calls, "?from=00:00&until=24:00").panels["starts"].table.rows
    first = rows["start"].min()
    assert 0.0 <= (first - AT).total_seconds() <= 300.0
    # A later day is asked about from its midnight on.
    tomorrow = answer(desk, calls, "?from=00:00&until=24:00&day=2026-11-26&weekdays=mon-sun&ahead=1")
    assert tomorrow.panels["starts"].table.rows["start"].min() == datetime(2026, 11, 26, 1, tzinfo=UTC)


def test_the_calendar_is_that_of_the_page_and_keeps_its_identifiers(desk: Desk) -> None:
    client = make_app(desk, hosts=[HOST]).server.test_client()
    first = client.get("/ics/calls.ics?ahead=1", headers={"Host": HOST})
    assert first.status_code == 200
    assert first.mimetype == "text/calendar"
    assert first.headers["Content-Disposition"] == 'attachment; filename="passim-calls.ics"'
    events = Calendar.from_ical(first.data).walk("VEVENT")
    suggested = answer(desk, calls, "?ahead=1").panels["starts"].table.shown
    assert [(e.start, e.end) for e in events] == sorted(zip(suggested["start"], suggested["end"], strict=True))
    again = client.get("/ics/calls.ics?ahead=1", headers={"Host": HOST})
    assert [e["UID"] for e in Calendar.from_ical(again.data).walk("VEVENT")] == [e["UID"] for e in events]


def test_a_calendar_that_cannot_be_made_says_why(desk: Desk) -> None:
    client = make_app(desk, hosts=[HOST]).server.test_client()
    refused = client.get("/ics/calls.ics?site=Nowhere", headers={"Host": HOST})
    assert refused.status_code == 400
    assert "wanted one of" in refused.text
    assert client.get("/ics/others.ics", headers={"Host": HOST}).status_code == 404


# --- growth -----------------------------------------------------------------------------------------------------------


def test_growth_lists_every_number_of_every_order(desk: Desk) -> None:
    said = answer(desk, growth)
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
    assert "plan" not in said.panels


def test_a_goal_in_call_hours_keeps_to_them(desk: Desk) -> None:
    day = answer(desk, growth, "?goal=longest_gap_s+<=+30")
    hours = answer(desk, growth, "?goal=longest_gap_s+<=+30+in+call+hours")
    assert any(note.startswith("Only call hours count here: 08:00 to 18:00") for note in hours.notes)
    both = [said.panels["curve"].table.rows["gap_fraction"].iloc[359] for said in (day, hours)]
    assert both[0] != both[1]
    with pytest.raises(InputError, match="hours"):
        answer(desk, growth, "?day=2026-11-28&within=calls")  # a Saturday


@pytest.mark.parametrize("query", ["?goal=best", "?goal=covered+>=+95+percent", "?plan=../passim.toml", "?plan=x.csv"])
def test_what_growth_cannot_be_asked_is_told(desk: Desk, query: str) -> None:
    with pytest.raises(InputError, match=r"goal|plan"):
        answer(desk, growth, query)


def test_plans_are_known_by_their_columns(desk: Desk, tmp_path: Path) -> None:
    folder = desk.workspace.folder
    assert plans.plan_files(desk.workspace) == {}
    header = ",".join(growth_plan.PLAN_COLUMNS)
    (folder / "plan.csv").write_text(f"# Invented.\n{header}\n2027-01-15,4,80,550,53,60,0\n")
    (folder / "roof.csv").write_text("azimuth_deg,elevation_deg\n0,10\n")
    (folder / "noise.csv").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "elsewhere.csv").write_text(f"{header}\n")
    (folder / "linked.csv").symlink_to(tmp_path / "elsewhere.csv")
    assert list(plans.plan_files(desk.workspace)) == ["plan.csv"]
    said = answer(desk, growth)
    rows = said.panels["plan"].table.rows
    assert rows["satellites"].tolist() == [360, 440]
    assert rows["gap_fraction"].is_monotonic_decreasing
    assert "plan" not in answer(desk, growth, "?plan=none").panels
