"""Writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
from pathlib import Path


def write_atomically(path: str | os.PathLike[str], data: bytes) -> None:
    """Put `data` into the file at `path`: whoever opens it finds the old content or the new, never half of it.

    The bytes go to a new file in the same folder, onto the disk, and then into the old one's place. The file keeps
    the permissions it had; a new one gets those of any new file. A link stays a link. Raises OSError.
    """
    target = Path(os.path.realpath(path))
    if target.is_dir():
        raise IsADirectoryError(errno.EISDIR, "a folder", str(target))
    handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=".part", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        # mkstemp makes files that only their owner may read.
        os.chmod(temporary, _permissions(target))
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise


def _permissions(target: Path) -> int:
    """Return the permissions that the finished file should have."""
    try:
        return stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        # The mask can only be read by setting it.
        mask = os.umask(0o022)
        os.umask(mask)
        return 0o666 & ~mask
