"""Answers kept in the workspace's folder, so that the next run can say what has changed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from passim.elements.atomic import write_atomically
from passim.errors import WorkspaceError
from passim.workspace.saving import locked

ANSWERS_NAME: Final = "last-calls.json"
# So many questions are remembered, the latest ones.
_MOST_QUESTIONS: Final = 50
_LARGEST_BYTES: Final = 5_000_000


def last_answer(folder: Path, question: str) -> dict[str, Any] | None:
    """Return the record kept last for `question`, None where there is none.

    Raises WorkspaceError where the file is there and cannot be read.
    """
    record = _read(folder / ANSWERS_NAME).get(question)
    return dict(record) if isinstance(record, dict) else None


def keep_answer(folder: Path, question: str, record: Mapping[str, Any]) -> None:
    """Keep a record of plain values for `question`, in the place of the one before; whole or not at all.

    A file that cannot be read is written anew. Raises WorkspaceError where it cannot be written.
    """
    file = folder / ANSWERS_NAME
    with locked(folder):
        try:
            answers = _read(file)
        except WorkspaceError:
            answers = {}
        answers.pop(question, None)
        answers[question] = dict(record)
        latest = dict(list(answers.items())[-_MOST_QUESTIONS:])
        try:
            write_atomically(file, (json.dumps(latest, indent=1, allow_nan=False) + "\n").encode("utf-8"))
        except OSError as error:
            what = f"{file} cannot be written: {error.strerror}"
            raise WorkspaceError(what, try_next="a folder of your own") from None


def _no_number(text: str) -> float:
    raise ValueError(text)


def _read(file: Path) -> dict[str, Any]:
    try:
        if not file.exists():
            return {}
        if file.stat().st_size > _LARGEST_BYTES:
            raise WorkspaceError(f"kept answers in {file}", got="over 5 MB", wanted="a file that passim wrote")
        # NaN and its like are no JSON, and could not be written again.
        answers = json.loads(file.read_bytes(), parse_constant=_no_number)
    except OSError as error:
        raise WorkspaceError(f"kept answers in {file}", got=error.strerror, wanted="a readable file") from None
    except (ValueError, RecursionError):
        raise WorkspaceError(f"kept answers in {file}", got="no JSON", wanted="a file that passim wrote") from None
    if not isinstance(answers, dict):
        raise WorkspaceError(f"kept answers in {file}", got="no object", wanted="a file that passim wrote")
    return answers
