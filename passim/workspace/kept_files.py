"""Small JSON files that passim keeps beside passim.toml: written whole or not at all, read back whole or refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, NoReturn, TypeVar

from passim.elements.atomic import write_atomically
from passim.errors import InputError, WorkspaceError

Kept = TypeVar("Kept")


def write_kept(file: Path, data: bytes, what: str = "") -> None:
    """Put `data` into a file of the workspace, `what` in an error's words. Raises WorkspaceError."""
    try:
        write_atomically(file, data)
    except OSError as error:
        raise not_written(what or file, error) from None


def not_written(what: object, error: OSError) -> WorkspaceError:
    """Return what to raise where a file or folder of the workspace cannot be written."""
    return WorkspaceError(f"{what} cannot be written: {error.strerror}", try_next="a folder of your own")


@dataclass(frozen=True)
class KeptFile(Generic[Kept]):
    """One kind of such file.

    what            what errors call it
    made            what makes it out of the object in the file; for what passim never wrote it raises ValueError,
                    TypeError, KeyError, AttributeError, OverflowError or InputError
    version         of its layout; None for one that has none
    largest_bytes   what is larger, passim did not write
    try_next        what to do about one that cannot be read
    """

    what: str
    made: Callable[[dict[str, Any]], Kept]
    version: int | None
    largest_bytes: int
    try_next: str = ""

    def write(self, file: Path, content: dict[str, Any], indent: int | None = 1) -> None:
        """Write plain values, whole or not at all. Raises WorkspaceError."""
        head = {} if self.version is None else {"version": self.version}
        text = json.dumps({**head, **content}, indent=indent, allow_nan=False)
        write_kept(file, f"{text}\n".encode("ascii"))

    def read(self, file: Path) -> Kept | None:
        """Return what `file` holds, None where there is none. Raises WorkspaceError where it cannot be read."""
        try:
            with file.open("rb") as opened:
                data = opened.read(self.largest_bytes + 1)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            self._refuse(file, error.strerror or "an error of the disk")
        if len(data) > self.largest_bytes:
            self._refuse(file, "more than passim writes")
        try:
            # NaN and its like are no JSON, and could not be written again.
            given = json.loads(data, parse_constant=_no_number)
            if given.pop("version", None) == self.version:
                return self.made(given)
        except InputError as error:
            self._refuse(file, str(error))
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
            self._refuse(file, "other content than passim wrote")
        self._refuse(file, "what another release of passim wrote")

    def _refuse(self, file: Path, got: str) -> NoReturn:
        error = WorkspaceError(f"{self.what}, {file}", got=got, wanted="what passim wrote", try_next=self.try_next)
        raise error from None


def _no_number(text: str) -> float:
    raise ValueError(text)
