"""Changing a workspace file: comments kept, whole or not at all, and never over a file that cannot be read."""

from __future__ import annotations

import contextlib
import difflib
import hashlib
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import tomlkit

from passim.elements.locks import LockBusy, locked_file
from passim.errors import WorkspaceError
from passim.workspace.checking import LARGEST_FILE_BYTES, read_settings
from passim.workspace.kept_files import not_written, write_kept

LOCK_NAME: Final = ".passim.lock"
BEFORE_NAME: Final = ".passim.before"
_BEFORE_HEAD: Final = "# As it was before passim made the file of sha256 "
_PATIENCE_S: Final = 10.0


def read_text(path: Path) -> str:
    """Return the text of a workspace file. Raises WorkspaceError."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
            raise WorkspaceError(
                f"workspace file {path}", got="no regular file", wanted="a readable TOML file in UTF-8"
            )
        size = found.st_size
        if size > LARGEST_FILE_BYTES:
            raise WorkspaceError(f"workspace file {path}", got=f"{size} bytes", wanted="at most 1 MB of text")
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        got = getattr(error, "strerror", None) or "text that is not UTF-8"
        raise WorkspaceError(f"workspace file {path}", got=got, wanted="a readable TOML file in UTF-8") from None


def make_folder(folder: Path) -> None:
    """Make a folder for a workspace, where it is not there. Raises WorkspaceError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WorkspaceError(f"folder {folder} cannot be made: {error.strerror}", try_next="another folder") from None


def _text_of(path: Path, unwritten: str | None) -> str:
    """Return the text of a workspace file, or of one that is still `unwritten`. Raises WorkspaceError."""
    return read_text(path) if unwritten is None or os.path.lexists(path) else unwritten


def edit(path: Path, change: Callable[[tomlkit.TOMLDocument], None], unwritten: str | None = None) -> str:
    """Change the file at `path` by what `change` does to its document, and return the new text. Raises WorkspaceError.

    As `edit_text`; comments and order stay.
    """
    return edit_text(path, of_document(change), unwritten)


def preview(path: Path, change: Callable[[tomlkit.TOMLDocument], None]) -> list[str]:
    """Return the lines that `edit` would change, as `differences` has them, and write nothing. Raises as it."""
    return preview_text(path, of_document(change))


def of_document(change: Callable[[tomlkit.TOMLDocument], None]) -> Callable[[str], str]:
    """Return the change of a text that `change` makes to its document; comments and order stay."""

    def changed(old: str) -> str:
        document = tomlkit.parse(old)
        change(document)
        return tomlkit.dumps(document)

    return changed


def preview_text(path: Path, change: Callable[[str], str], unwritten: str | None = None) -> list[str]:
    """Return the lines that `edit_text` would change, as `differences` has them, and write nothing. Raises as it."""
    old = _text_of(path, unwritten)
    read_settings(old, path)
    new = change(old)
    read_settings(new, path)
    return differences(old, new)


def edit_text(path: Path, change: Callable[[str], str], unwritten: str | None = None) -> str:
    """Change the file at `path` to what `change` makes of its text, and return the new text.

    The file is read anew under a lock, so that of two programs that change it at once each keeps what the other did.
    The text before is kept beside it, so that `undo` can put it back. `unwritten` is the text to begin with where there
    is no file yet; its folder is then made too. Raises WorkspaceError, and leaves the file as it was, where it is
    damaged already, where the change would damage it, or where it cannot be written.
    """
    if unwritten is not None:
        make_folder(path.parent)
    with locked(path.parent):
        old = _text_of(path, unwritten)
        read_settings(old, path)
        new = change(old)
        read_settings(new, path)
        # Somebody who edits by hand takes no lock: what was saved meanwhile is not written over.
        if _text_of(path, unwritten) != old:
            raise WorkspaceError(
                f"workspace file {path}", got="another change while this one was made", try_next="the same again"
            )
        # The text before goes first: if the file is not written after all, its digest says that this is not its past.
        _write(path.parent / BEFORE_NAME, f"{_BEFORE_HEAD}{_digest(new)}\n{old}")
        _write(path, new)
    return new


def has_change(path: Path) -> bool:
    """Say whether passim has changed the file at `path`, so that there is something to undo."""
    return (path.parent / BEFORE_NAME).is_file()


def undo(path: Path) -> tuple[str, str]:
    """Put the file at `path` back as it was before the last change that passim made; return the text before and after.

    Undoing twice brings the change back. Raises WorkspaceError where there is nothing to undo, and where the file has
    been changed by hand since.
    """
    with locked(path.parent):
        current = read_text(path)
        before = path.parent / BEFORE_NAME
        head, _, old = (read_text(before) if before.is_file() else "").partition("\n")
        if not head.startswith(_BEFORE_HEAD):
            raise WorkspaceError(f"undo in {path.parent}", got="no change by passim", wanted="one to undo")
        if head.removeprefix(_BEFORE_HEAD) != _digest(current):
            raise WorkspaceError(
                f"workspace file {path}",
                got="changes by hand since passim changed it, which undo would lose",
                wanted="the file as passim left it",
                try_next=f"copying the lines you want back from {before}, the file as it was before passim's change",
            )
        read_settings(old, path)
        _write(before, f"{_BEFORE_HEAD}{_digest(old)}\n{current}")
        _write(path, old)
    return current, old


def differences(old: str, new: str) -> list[str]:
    """Return the lines that went, each after "- ", and those that came, each after "+ ", in the order of the file."""
    changed = difflib.unified_diff(old.splitlines(), new.splitlines(), lineterm="", n=0)
    return [f"{line[0]} {line[1:]}" for line in list(changed)[2:] if line[0] in "+-" and line[1:].strip()]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def create_file(path: Path, text: str) -> None:
    """Write a new workspace file. Raises WorkspaceError where there is one already, damaged or not."""
    read_settings(text, path)
    with locked(path.parent):
        if os.path.lexists(path):
            raise WorkspaceError(
                "new workspace", got=str(path), wanted="a folder without a workspace", try_next="another folder"
            )
        _write(path, text)


def _write(path: Path, text: str) -> None:
    write_kept(path, text.encode("utf-8"), f"workspace file {path}")


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the workspace's lock, which the system lets go when the program ends, however it ends."""
    held = contextlib.ExitStack()
    try:
        held.enter_context(locked_file(folder / LOCK_NAME, _PATIENCE_S))
    except LockBusy:
        raise WorkspaceError(
            f"workspace in {folder}", got="another program that is changing it", try_next="again in a minute"
        ) from None
    except OSError as error:
        raise not_written(f"folder {folder}", error) from None
    with held:
        yield
