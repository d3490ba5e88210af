"""A file that one program at a time holds: the system lets go of it when the program ends, however it ends."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

_WAIT_S: Final = 0.02


class LockBusy(Exception):
    """Somebody else has held the lock for as long as one was willing to wait."""


@contextlib.contextmanager
def locked_file(path: Path, patience_s: float) -> Iterator[None]:
    """Hold the lock of the file at `path`, which is made where there is none.

    Raises LockBusy where another program holds it for longer than `patience_s`, OSError where it cannot be made.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        began_s = time.monotonic()
        while not _taken(handle):
            if time.monotonic() - began_s > patience_s:
                raise LockBusy
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
