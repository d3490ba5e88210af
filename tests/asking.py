"""Asking the dashboard again while a worker is at it, as its pages do."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import flask
from flask.testing import FlaskClient

from passim_apps.dashboard.state import Pending
from patience import PATIENCE_S

Found = TypeVar("Found")


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
    names = ["sentence.children", "second.children", "notes.children", "notice.children", "working.hidden"]
    names += ["progress.value", "poll.disabled", "job.data"]
    outputs: list[Any] = [dict(zip(("id", "property"), name.split("."), strict=True)) for name in names]
    outputs += [[], [], [{"id": {"name": "list", "part": "csv"}, "property": "href"}]]
    parts = [("picture", "figure"), ("caption", "children"), ("csv", "href")]
    names += [f'{{"name":["ALL"],"part":"{part}"}}.{word}' for part, word in parts]
    names += ["tables.data", "offers.data"]
    outputs += [{"id": "tables", "property": "data"}, {"id": "offers", "property": "data"}]
    given = [
        ("shown.data", path), ("address.search", search), ("scheme.data", scheme), ("tick.n_intervals", ticks),
        ("worked.data", None), ("again.data", None), ("changed.data", None),
    ]  # fmt: skip
    inputs = [dict(zip(("id", "property", "value"), (*name.split("."), value), strict=True)) for name, value in given]
    body = {
        "output": f"..{'...'.join(names)}..",
        "outputs": outputs,
        "inputs": inputs,
        "state": [{"id": "sentence", "property": "children", "value": "…"}],
        "changedPropIds": ["shown.data"],
    }
    headers = {"Host": host, "Origin": f"http://{host}"}
    answer = client.post("/_dash-update-component", headers=headers, json=body)
    assert answer.status_code == 200, answer.data
    found: dict[str, Any] = answer.get_json()["response"]
    return found
