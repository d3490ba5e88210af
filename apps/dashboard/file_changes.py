"""Changes of the workspace file as pages show them: the lines that go and come, and the button that takes them back."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from dash import html

from passim.errors import InputError
from passim.workspace import Workspace

from ..text.units import printable

TAKEN_BACK = "Taken back: the workspace is as it was before."


def lines_block(lines: Sequence[str]) -> Any:
    """Return the lines of a change, each after "- " or "+ "."""
    return html.Pre("\n".join(map(printable, lines)), className="file-lines")


def take_back_button(page: str, workspace: Workspace, **place: Any) -> Any:
    """Return the button that takes the last change back; its id is {page: "take-back", "of": digest of the file}.

    ``place`` goes into the id as well, where a page has several places for such buttons.
    """
    of = {page: "take-back", "of": _digest(workspace.text), **place}
    return html.Button("Take it back", id=of, className="button", n_clicks=0)


def taken_back(workspace: Workspace, of: str) -> Any:
    """Undo the change that made the workspace file that of the digest `of`; return what changed. Raises InputError."""
    if _digest(workspace.text) != of:
        raise InputError(
            "workspace file",
            got="later changes, which an undo would lose",
            wanted="the file as it was left",
            try_next="changing the lines you want by hand",
        )
    _, lines = workspace.undo()
    return [html.P(TAKEN_BACK, className="done"), lines_block(lines)]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
