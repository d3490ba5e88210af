"""What a worker process lives by: it ends with its parent, and its memory has a limit.

On Linux the system itself kills a worker whose parent is gone (prctl, PR_SET_PDEATHSIG). Everywhere a thread waits for
the parent's end of a pipe to close, which happens however the parent ends. Neither asks anything of the work.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys
import threading
import warnings
from collections.abc import Iterator
from multiprocessing import parent_process
from multiprocessing.connection import wait
from typing import Any, Final

from passim.errors import PassimError
from passim.parallel.memory import keep_one_heap

# Seven times the 0.57 GB that 100 sites and 10,000 satellites take (tests/benchmarks/pass_finding), and no more.
MEMORY_LIMIT_BYTES: Final = 4 * 2**30
_PR_SET_PDEATHSIG: Final = 1


class MemoryLimitReached(PassimError):
    """A worker met its memory limit."""

    def __init__(self, limit_bytes: int = MEMORY_LIMIT_BYTES) -> None:
        self.limit_bytes = limit_bytes
        super().__init__(
            f"the work needs more memory than the {limit_bytes / 2**30:g} GiB that a worker process may take; "
            f"try fewer satellites, fewer places or a shorter span"
        )

    def __reduce__(self) -> tuple[type[MemoryLimitReached], tuple[int]]:
        return MemoryLimitReached, (self.limit_bytes,)


def tie_to_parent(limit_bytes: int = MEMORY_LIMIT_BYTES) -> None:
    """Tie this worker process to its parent and bound its memory. Call it first thing in the worker."""
    keep_one_heap()
    # An interrupt from the keyboard reaches all processes at once; the first of them sees to the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Of a number out of range numpy warns developers; whoever asks for that with -W has filters before this one.
    warnings.filterwarnings("ignore", category=RuntimeWarning, append=True)
    parent = parent_process()
    if parent is not None:
        if sys.platform == "linux":
            with contextlib.suppress(OSError, AttributeError):
                ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        threading.Thread(target=_end_with, args=(parent.sentinel,), name="passim-parent", daemon=True).start()
    _bound_memory(limit_bytes)


@contextlib.contextmanager
def naming_memory_limit() -> Iterator[None]:
    """Say of work that meets the limit which it is: raises MemoryLimitReached in the place of MemoryError."""
    try:
        yield
    except MemoryError:
        raise MemoryLimitReached from None


@contextlib.contextmanager
def interrupts_held() -> Iterator[None]:
    """Hold back an interrupt from the keyboard while workers are begun, or while locks are held that others wait for.

    Workers inherit it held back, so that one in their first second, before `tie_to_parent` ignores it, leaves no trace
    of theirs.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    # The system then hands an interrupt to any other thread that takes it, such as one of numpy's, and Python brings it
    # to the main one all the same: there it waits until all is begun.
    usual = signal.getsignal(signal.SIGINT)
    waits = threading.current_thread() is threading.main_thread() and usual not in (None, signal.SIG_IGN)
    met: list[int] = []
    if waits:
        signal.signal(signal.SIGINT, lambda number, _: met.append(number))
    try:
        yield
    finally:
        if waits:
            signal.signal(signal.SIGINT, usual)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if met:
            signal.raise_signal(signal.SIGINT)


def _end_with(sentinel: Any) -> None:
    """End this process when the other end of the parent's pipe closes."""
    wait([sentinel])
    os._exit(1)


def _bound_memory(limit_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # Windows has no such limit
        return
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    soft = limit_bytes if hard == resource.RLIM_INFINITY else min(limit_bytes, hard)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))
