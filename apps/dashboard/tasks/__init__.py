"""Work behind the pages that takes longer than a breath, for a worker process."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Final

from passim.parallel import WorkerPool, keep_one_heap

# Two, so that a map of the world under way does not hold up the next page.
WORKERS: Final = min(2, os.cpu_count() or 1)


def early_workers() -> WorkerPool:
    """Return the pool of a server that is still to load its pages: meanwhile its first worker gets ready."""
    keep_one_heap()
    return WorkerPool(WORKERS, _load, at_once=True)


def _load(_: Callable[[float], None]) -> None:
    """Load what the first page asks of a worker."""
    from . import now, passes  # noqa: F401
