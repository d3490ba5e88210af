"""Requests that cannot be answered: forged ones get 400 and one line, lost work a sentence, and no trace is written."""

from __future__ import annotations

import dataclasses
import logging
import os
import signal
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import flask
import pytest

from asking import filled
from callbacks import opening
from passim.parallel import WorkLost
from passim.workspace import create
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.pages import PAGES
from passim_apps.dashboard.shell import NO_ANSWER
from passim_apps.dashboard.state import DashboardState, Pending
from patience import PATIENCE_S

HOST = "127.0.0.1:8750"
AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
HEADERS = {"Host": HOST, "Origin": f"http://{HOST}"}


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DashboardState]:
    opened = DashboardState(create(tmp_path_factory.mktemp("faults") / "school", demo=True), at=AT)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def server(state: DashboardState) -> flask.Flask:
    made: flask.Flask = make_app(state, hosts=[HOST]).server
    return made


def forged() -> list[Any]:
    """Return bodies that no page sends."""
    good = opening("/clock", "")
    return [
        {}, [], 5, "text", {"output": 5}, {"output": "nothing.children"}, {"output": "opened.data"},
        *({key: value for key, value in good.items() if key != gone} for gone in good if gone != "changedPropIds"),
        good | {"outputs": "x"}, good | {"inputs": [5]}, good | {"inputs": []}, good | {"state": {"a": 1}},
        good | {"output": good["output"] + "x"}, good | {"output": ["opened"]},
        opening("/clock", 5), opening("/clock", ["?site=x"]), opening({"a": 1}, ""), opening("/clock", {"x": 1}),
    ]  # fmt: skip


def test_a_forged_callback_gets_400_and_one_line(server: flask.Flask, caplog: pytest.LogCaptureFixture) -> None:
    client = server.test_client()
    assert client.post("/_dash-update-component", json=opening("/clock", ""), headers=HEADERS).status_code == 200
    caplog.set_level(logging.INFO)
    for body in forged():
        caplog.clear()
        answer = client.post("/_dash-update-component", json=body, headers=HEADERS)
        assert answer.status_code == 400, body
        assert answer.text.count("\n") <= 1 or "<p>" in answer.text, body
        assert all(record.exc_info is None for record in caplog.records), body
        assert len(caplog.records) <= 1, body
    for raw in (b"", b"{", b"null", b"\xff\xfe", b"[" * 10_000):
        caplog.clear()
        answer = client.post("/_dash-update-component", data=raw, headers=HEADERS, content_type="application/json")
        assert answer.status_code == 400, raw[:20]
        assert all(record.exc_info is None for record in caplog.records), raw[:20]


def test_a_defect_elsewhere_is_one_line_for_the_asker_and_a_trace_for_us(
    state: DashboardState, caplog: pytest.LogCaptureFixture
) -> None:
    server = make_app(state, hosts=[HOST]).server
    server.view_functions["numbers"] = lambda **_: {}["gone"]
    answer = server.test_client().get("/csv/clock/days.csv", headers=HEADERS)
    assert answer.status_code == 500
    assert answer.text.startswith("This is a defect in passim: KeyError at test_dashboard_faults.py, line ")
    assert [bool(record.exc_info) for record in caplog.records] == [True]


def test_a_worker_that_is_killed_again_and_again_ends_as_a_sentence(state: DashboardState, tmp_path: Path) -> None:
    """The search behind a page is made one that kills its worker: the page says what happened and what to do."""
    with pytest.raises(Pending) as under_way:
        state.work_out(("lost",), kill_the_worker)
    assert under_way.value.job.done.wait(PATIENCE_S)
    with pytest.raises(
        WorkLost, match=r"^the work was lost: the process that did it ended 2 times .* or the same again$"
    ) as lost:
        state.work_out(("lost",), kill_the_worker)

    def ask(*_: Any) -> Any:
        raise lost.value

    pages = [dataclasses.replace(PAGES[0], answer=ask), *PAGES[1:]]
    client = make_app(state, hosts=[HOST], pages=pages).server.test_client()
    answer = client.get("/csv/now/hour.csv", headers=HEADERS)
    assert answer.status_code == 503
    assert answer.text.startswith("The work was lost")
    found = filled(client, HOST, "/")
    assert found["sentence"]["children"] == NO_ANSWER
    told = found["notice"]["children"][0]["props"]
    assert (told["className"], told["children"][:14]) == ("failed bare", "The work was l")


def kill_the_worker(*, progress: Any) -> None:
    os.kill(os.getpid(), signal.SIGKILL)
