"""What a browser sends to open a page of the dashboard, and to have it filled: the two callbacks of the shell."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

_FILLED = (
    "sentence.children", "second.children", "notes.children", "notice.children", "working.hidden", "progress.value",
    "poll.disabled", "job.data",
)  # fmt: skip
_PARTS = (("picture", "figure"), ("caption", "children"), ("csv", "href"))
_LAST = ("tables.data", "offers.data")
# Dash names an output that others fill too by the inputs of its callback.
_FIRST_WORDS = f"sentence.children@{hashlib.sha256(b'address.pathname.begun.data').hexdigest()}"


def _split(name: str) -> dict[str, str]:
    return dict(zip(("id", "property"), name.split("."), strict=True))


def opening(path: Any, search: Any = "", told: str = "") -> dict[str, Any]:
    """Return the body of the request by which a page is opened that says what it `told` before."""
    names = ("opened.data", "choices.children", "tick.interval", "tick.disabled", _FIRST_WORDS)
    return {
        "output": f"..{'...'.join(names)}..",
        "outputs": [_split(name) for name in names],
        "inputs": [{"id": "address", "property": "pathname", "value": path}, {"id": "begun", "property": "data"}],
        "state": [
            {"id": "address", "property": "search", "value": search},
            {"id": "sentence", "property": "children", "value": told},
        ],
        "changedPropIds": ["address.pathname"],
    }


def filling(
    path: str,
    search: str = "",
    scheme: str = "light",
    ticks: int = 0,
    panels: Mapping[str, Sequence[str]] | None = None,
) -> dict[str, Any]:
    """Return the body of the request for the answer of a page.

    `panels` are the names of those whose "picture", "caption" and "csv" it is to fill.
    """
    wanted = {"csv": ("list",)} if panels is None else panels
    outputs: list[Any] = [_split(name) for name in _FILLED]
    for part, word in _PARTS:
        outputs.append([{"id": {"name": name, "part": part}, "property": word} for name in wanted.get(part, ())])
    outputs += [_split(name) for name in _LAST]
    every = [f'{{"name":["ALL"],"part":"{part}"}}.{word}' for part, word in _PARTS]
    given = {
        "shown.data": path, "address.search": search, "scheme.data": scheme, "tick.n_intervals": ticks,
        "worked.data": None, "again.data": None, "changed.data": None,
    }  # fmt: skip
    return {
        "output": f"..{'...'.join([*_FILLED, *every, *_LAST])}..",
        "outputs": outputs,
        "inputs": [{**_split(name), "value": value} for name, value in given.items()],
        "state": [{"id": "sentence", "property": "children", "value": "…"}],
        "changedPropIds": ["shown.data"],
    }
