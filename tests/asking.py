"""Asking the dashboard again while a worker is at it, as its pages do."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import flask
import pytest
from flask.testing import FlaskClient

from callbacks import filling
from passim_apps.dashboard.pages import elements, growth
from passim_apps.dashboard.pages.calls import check, uploads
from passim_apps.dashboard.state import Pending
from patience import PATIENCE_S

Found = TypeVar("Found")


def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let files that are handed in be read however busy the machine is."""
    for module in (elements, growth, uploads):
        monkeypatch.setattr(module, "_READ_WITHIN_S", PATIENCE_S)
    monkeypatch.setattr(check, "_CHECK_WITHIN_S", PATIENCE_S)


def got(client: FlaskClient, path: str, headers: Mapping[str, str]) -> flask.Response:
    """Return the answer to GET, asking again as long as it says that it is being worked on."""
    deadline_s = time.monotonic() + PATIENCE_S
    while True:
        answer: flask.Response = client.get(path, headers=dict(headers))
        if answer.status_code != 202:
            return answer
        assert answer.headers["Retry-After"] == "1"
        assert time.monotonic() < deadline_s
        time.sleep(0.1)


def outcome(attempt: Callable[[], Found]) -> Found:
    """Return what `attempt` returns, trying again when the work is done that it waits for."""
    while True:
        try:
            return attempt()
        except Pending as still:
            job = still.job
        assert job.done.wait(PATIENCE_S)


def filled(
    client: FlaskClient, host: str, path: str, search: str = "", scheme: str = "light", ticks: int = 0
) -> dict[str, Any]:
    """Return what the callback that fills the page at `path` answers, asked as the browser asks it."""
    headers = {"Host": host, "Origin": f"http://{host}"}
    answer = client.post("/_dash-update-component", headers=headers, json=filling(path, search, scheme, ticks))
    assert answer.status_code == 200, answer.data
    found: dict[str, Any] = answer.get_json()["response"]
    return found
