"""How long a test waits for what it means: never a measure of speed, it only ends a run that hangs."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 300.0


def wait_until(holds: Callable[[], bool]) -> None:
    """Return once `holds` does; fail where it never comes to pass."""
    end_s = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end_s, "it did not come to pass"
        time.sleep(0.02)
