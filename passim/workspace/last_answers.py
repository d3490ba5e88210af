"""Answers kept in the workspace's folder, so that the next run can say what has changed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from passim.errors import WorkspaceError
from passim.workspace.kept_files import KeptFile
from passim.workspace.saving import locked

ANSWERS_NAME: Final = "last-calls.json"
# So many questions are remembered, the latest ones.
_MOST_QUESTIONS: Final = 50
_FILE: Final[KeptFile[dict[str, Any]]] = KeptFile(what="kept answers", made=dict, version=None, largest_bytes=5_000_000)


def last_answer(folder: Path, question: str) -> dict[str, Any] | None:
    """Return the record kept last for `question`, None where there is none.

    Raises WorkspaceError where the file is there and cannot be read.
    """
    record = (_FILE.read(folder / ANSWERS_NAME) or {}).get(question)
    return dict(record) if isinstance(record, dict) else None


def keep_answer(folder: Path, question: str, record: Mapping[str, Any]) -> None:
    """Keep a record of plain values for `question`, in the place of the one before; whole or not at all.

    A file that cannot be read is written anew. Raises WorkspaceError where it cannot be written.
    """
    file = folder / ANSWERS_NAME
    with locked(folder):
        try:
            answers = _FILE.read(file) or {}
        except WorkspaceError:
            answers = {}
        answers.pop(question, None)
        answers[question] = dict(record)
        _FILE.write(file, dict(list(answers.items())[-_MOST_QUESTIONS:]))
