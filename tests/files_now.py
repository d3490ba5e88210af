"""Files written now, also where the clock of the tests (`python -m tests.dates`) is not that of the disk."""

from __future__ import annotations

import os
import time
from pathlib import Path


def write_now(path: Path, data: bytes | str) -> None:
    """Write a file whose time of writing is now by the clock that Python tells."""
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    os.utime(path, (time.time(),) * 2)
