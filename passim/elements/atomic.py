"""Writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
import time
from pathlib import Path
from typing import Final

# A name that no other program gives its files.
_SUFFIX: Final = ".passim.part"
# A write lasts for seconds; what nobody has touched for ten minutes is nobody's any more.
_ABANDONED_AFTER_S: Final = 600.0


def write_atomically(path: str | os.PathLike[str], data: bytes, *, private: bool = False) -> None:
    """Put `data` into the file at `path`: whoever opens it finds the old content or the new, never half of it.

    The bytes go to a new file in the same folder, onto the disk, and then into the old one's place. The file keeps
    the permissions it had; a new one gets those of any new file. With `private` nobody but its owner may read or write
    it, from its first byte on. A link stays a link. Raises OSError.
    """
    target = Path(os.path.realpath(path))
    if target.is_dir():
        raise IsADirectoryError(errno.EISDIR, "a folder", str(target))
    _sweep(target.parent)
    handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=_SUFFIX, dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        # mkstemp makes files that only their owner may read.
        if not private:
            os.chmod(temporary, _permissions(target))
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise


def _sweep(folder: Path) -> None:
    """Remove what programs that were killed while they wrote into this folder have left there."""
    oldest_s = time.time() - _ABANDONED_AFTER_S
    for part in folder.glob(f".*{_SUFFIX}"):
        with contextlib.suppress(OSError):
            if part.stat().st_mtime < oldest_s:
                part.unlink()


def _permissions(target: Path) -> int:
    """Return the permissions that the finished file should have."""
    try:
        return stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        # The mask can only be read by setting it.
        mask = os.umask(0o022)
        os.umask(mask)
        return 0o666 & ~mask
