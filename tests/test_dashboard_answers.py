"""Whole answers kept ready: the same question is answered once, and nobody gets an answer that is not true for them."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import flask
import pandas as pd
import pytest
from flask.testing import FlaskClient

from asking import filled
from callbacks import opening
from passim.parallel.jobs import Job, WorkerPool
from passim.workspace import create
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.page_model import Answer, Help, Page, Panel, PanelContent, Table
from passim_apps.dashboard.pages import clock
from passim_apps.dashboard.pages.sky import page as sky
from passim_apps.dashboard.parts import MOST_ROWS
from passim_apps.dashboard.shell import NOT_YET
from passim_apps.dashboard.state import DashboardState, Pending
from passim_apps.figures.theme import LIGHT
from passim_apps.text.columns import COUNT, TEXT, Column

HOST = "127.0.0.1:8750"
AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
PANEL = Panel("list", "A list", Help("It", "so", "from here"), picture=False)


class Asked:
    """A page that counts how often it is worked out, and says what it was asked."""

    def __init__(self) -> None:
        self.times = 0
        self.job: Job | None = None
        self.page = Page("/asked", "Asked", "What?", (PANEL,), self.answer, private=("own",))

    def answer(self, question: Any, theme: Any) -> Answer:
        self.times += 1
        if self.job is not None:
            raise Pending(self.job)
        rows = pd.DataFrame({"number": range(400), "site": [question.site_name] * 400})
        table = Table(rows, [Column("number", "Number", COUNT), Column("site", "Site", TEXT)], of_site=False)
        return Answer(f"Asked {self.times} times.", {"list": PanelContent(None, "", table)})


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    """Workers take a second each to begin: the tests share them."""
    with WorkerPool(2) as opened:
        yield opened


@pytest.fixture
def state(tmp_path: Path, pool: WorkerPool, monkeypatch: pytest.MonkeyPatch) -> DashboardState:
    opened = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT, pool=pool)
    monkeypatch.setattr(opened, "now", lambda: AT)
    return opened


def a_client(state: DashboardState, asked: Asked) -> FlaskClient:
    server: flask.Flask = make_app(state, hosts=[HOST], pages=[asked.page]).server
    return server.test_client()


def ask(client: FlaskClient, path: str, **headers: str) -> flask.Response:
    given = {"Host": HOST, **{key.replace("_", "-"): value for key, value in headers.items()}}
    answer: flask.Response = client.get(path, headers=given)
    answer.get_data()
    answer.close()
    return answer


def refreshed(client: FlaskClient, search: str = "", scheme: str = "light", ticks: int = 0) -> Any:
    return filled(client, HOST, "/asked", search, scheme, ticks)["sentence"]["children"]


def test_the_same_question_is_answered_once_while_it_is_true(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = Asked()
    client = a_client(state, asked)
    first = ask(client, "/csv/asked/list.csv")
    assert (first.status_code, asked.times) == (200, 1)
    assert ask(client, "/csv/asked/list.csv").data == first.data
    assert asked.times == 1
    for path, times in (("?site=Skerry", 2), ("?site=Skerry", 2), ("?site=Lantern&day=2026-11-26", 3)):
        answer = ask(client, f"/csv/asked/list.csv{path}")
        assert answer.data.splitlines()[1].decode().endswith(path[6:].partition("&")[0])
        assert asked.times == times
    # A new plan in the folder, new elements, new settings, another minute.
    folder = state.workspace.folder
    changes = [
        lambda: (folder / "more.csv").write_text("x"),
        lambda: monkeypatch.setattr(state, "now", lambda: AT + timedelta(minutes=1)),
        lambda: (folder / "passim.toml").write_text((folder / "passim.toml").read_text() + "\n"),
    ]
    for times, change in enumerate(changes, 4):
        change()
        ask(client, "/csv/asked/list.csv")
        ask(client, "/csv/asked/list.csv")
        assert asked.times == times


def test_a_page_is_worked_out_once_for_all_phones_of_a_minute(state: DashboardState) -> None:
    asked = Asked()
    client = a_client(state, asked)
    assert refreshed(client) == "Asked 1 times."
    assert refreshed(client, ticks=7) == "Asked 1 times."
    assert refreshed(client, scheme="dark") == "Asked 2 times."
    assert refreshed(client, search="?site=Skerry") == "Asked 3 times."
    assert refreshed(client) == "Asked 1 times."


def test_what_moves_with_the_clock_is_true_for_a_second(state: DashboardState, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Asked()
    object.__setattr__(asked.page, "tick_s", 10.0)
    client = a_client(state, asked)
    assert [refreshed(client), refreshed(client)] == ["Asked 1 times."] * 2
    monkeypatch.setattr(state, "now", lambda: AT + timedelta(seconds=1))
    assert refreshed(client) == "Asked 2 times."


def test_an_answer_for_one_browser_or_half_of_one_is_nobody_elses(state: DashboardState) -> None:
    asked = Asked()
    client = a_client(state, asked)
    for _ in range(2):
        ask(client, "/csv/asked/list.csv?own=0123")
    assert asked.times == 2
    asked.job = Job("read", len, (), 60.0)
    for _ in range(2):
        assert ask(client, "/csv/asked/list.csv").status_code == 202
        assert refreshed(client) == "…"
    assert asked.times == 6
    asked.job = None
    assert ask(client, "/csv/asked/list.csv").status_code == 200


def test_answers_are_packed_for_those_who_take_it(state: DashboardState) -> None:
    client = a_client(state, Asked())
    for path in ("/csv/asked/list.csv", "/_dash-layout", "/assets/passim.js"):
        plain, packed = ask(client, path), ask(client, path, Accept_Encoding="gzip, deflate")
        assert "Content-Encoding" not in plain.headers
        assert packed.headers["Content-Encoding"] == "gzip"
        assert plain.headers["Vary"] == packed.headers["Vary"] == "Accept-Encoding"
        assert gzip.decompress(packed.data) == plain.data
        assert len(packed.data) < len(plain.data) / 2
        assert plain.mimetype == packed.mimetype
    assert json.loads(ask(client, "/_dash-layout").data)


def test_what_a_browser_has_it_need_not_load_again(state: DashboardState) -> None:
    client = a_client(state, Asked())
    page = ask(client, "/asked").get_data(as_text=True)
    named = next(part for part in page.split('"') if part.startswith("/assets/passim.js?m="))
    assert ask(client, named).headers["Cache-Control"] == "private, max-age=31536000, immutable"
    plain = ask(client, "/assets/passim.js")
    assert plain.headers["Cache-Control"] == "no-cache"
    again = ask(client, "/assets/passim.js", If_None_Match=plain.headers["ETag"])
    assert (again.status_code, again.data) == (304, b"")
    assert ask(client, "/csv/asked/list.csv").headers["Cache-Control"] == "no-store"


def test_the_first_page_opens_with_its_sentence_where_that_is_known(state: DashboardState) -> None:
    """It does not wait for what draws the pictures; another page keeps what stands there until its answer comes."""
    client = make_app(state, hosts=[HOST]).server.test_client()
    known = filled(client, HOST, "/elements")["sentence"]["children"]

    def opened(told: str) -> dict[str, Any]:
        headers = {"Host": HOST, "Origin": f"http://{HOST}"}
        answer = client.post("/_dash-update-component", json=opening("/elements", "", told), headers=headers)
        response: dict[str, Any] = answer.json["response"]
        assert response["opened"]["data"]["path"] == "/elements"
        return response

    assert opened(NOT_YET)["sentence"]["children"] == known
    assert "sentence" not in opened("Something else.")


def test_every_table_of_clock_is_drawn_from_what_it_is_given(state: DashboardState) -> None:
    """The columns of a table and the rows of the page meet only when the page is filled."""
    client = make_app(state, hosts=[HOST]).server.test_client()
    tables = filled(client, HOST, "/clock", "?days=1")["tables"]["data"]
    assert set(tables) == {"days", "day", "gaps"}
    assert all(len(table["rows"]) > 0 for table in tables.values())
    # The gaps of a day are given and printed to the last.
    gaps = state.question(read_query("?days=1")[0])
    count = len(gaps.seen(gaps.days(1)).coverage.gaps())
    assert count > MOST_ROWS
    assert len(tables["gaps"]["rows"]) == tables["gaps"]["printed"] == count


def test_clock_and_sky_have_the_same_figures_of_a_day(state: DashboardState) -> None:
    question = state.question(read_query("?site=Marram&spot=yard&days=1")[0])
    by_clock, by_sky = (page.answer(question, LIGHT).figures for page in (clock.PAGE, sky.PAGE))
    assert list(by_clock) == list(by_sky)
    assert by_clock[1] == (str(len(question.seen(question.days(1)).coverage.gaps())), "gaps")
