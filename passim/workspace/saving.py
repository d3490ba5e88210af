"""Changing a workspace file: comments kept, whole or not at all, and never over a file that cannot be read."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import tomlkit

from passim.elements.atomic import write_atomically
from passim.errors import WorkspaceError
from passim.workspace.checking import LARGEST_FILE_BYTES, read_settings

LOCK_NAME: Final = ".passim.lock"
_PATIENCE_S: Final = 10.0
_WAIT_S: Final = 0.02


def read_text(path: Path) -> str:
    """Return the text of a workspace file. Raises WorkspaceError."""
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise WorkspaceError(f"workspace file {path}", got=f"{size} bytes", wanted="at most 1 MB of text")
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        got = getattr(error, "strerror", None) or "text that is not UTF-8"
        raise WorkspaceError(f"workspace file {path}", got=got, wanted="a readable TOML file in UTF-8") from None


def edit(path: Path, change: Callable[[tomlkit.TOMLDocument], None]) -> str:
    """Change the file at `path` by what `change` does to its document, and return the new text.

    The file is read anew under a lock, so that of two programs that change it at once each keeps what the other did;
    comments and order stay. Raises WorkspaceError, and leaves the file as it was, where it is damaged already, where
    the change would damage it, or where it cannot be written.
    """
    with locked(path.parent):
        old = read_text(path)
        read_settings(old, path)
        document = tomlkit.parse(old)
        change(document)
        new = tomlkit.dumps(document)
        read_settings(new, path)
        # Somebody who edits by hand takes no lock: what was saved meanwhile is not written over.
        if read_text(path) != old:
            raise WorkspaceError(
                f"workspace file {path}", got="another change while this one was made", try_next="the same again"
            )
        _write(path, new)
    return new


def create_file(path: Path, text: str) -> None:
    """Write a new workspace file. Raises WorkspaceError where there is one already, damaged or not."""
    read_settings(text, path)
    with locked(path.parent):
        if os.path.lexists(path):
            raise WorkspaceError(
                "new workspace", got=str(path), wanted="a folder without a workspace", try_next="another folder"
            )
        _write(path, text)


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the workspace's lock, which the system lets go when the program ends, however it ends."""
    lock = folder / LOCK_NAME
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise WorkspaceError(
            f"folder {folder} cannot be written: {error.strerror}", try_next="a folder of your own"
        ) from None
    try:
        began_s = time.monotonic()
        while not _taken(handle):
            if time.monotonic() - began_s > _PATIENCE_S:
                raise WorkspaceError(
                    f"workspace in {folder}", got="another program that is changing it", try_next="again in a minute"
                )
            time.sleep(_WAIT_S)
        yield
    finally:
        os.close(handle)


if sys.platform == "win32":
    import msvcrt

    def _taken(handle: int) -> bool:
        """Try to take the lock."""
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _taken(handle: int) -> bool:
        """Try to take the lock."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def _write(path: Path, text: str) -> None:
    try:
        write_atomically(path, text.encode("utf-8"))
    except OSError as error:
        raise WorkspaceError(
            f"workspace file {path} cannot be written: {error.strerror}", try_next="a folder of your own"
        ) from None
