"""Memory that is free again goes back to the system."""

from __future__ import annotations

import contextlib
import ctypes
import sys
from typing import Final

# Of mallopt(3).
_M_ARENA_MAX: Final = -8


def give_back() -> None:
    """Give the memory that this process has freed back to the system, where its C library keeps it for later.

    The GNU library keeps what lies between blocks still in use (malloc_trim(3)); elsewhere nothing happens.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def keep_one_heap() -> None:
    """Let all threads of this process share one heap: what one of them frees is there for the next.

    The GNU library gives each of the first threads a heap of its own (mallopt(3), M_ARENA_MAX); elsewhere nothing
    happens. Call it before there are threads.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)
