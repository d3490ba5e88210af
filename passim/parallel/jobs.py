"""One job after another for a server with threads: progress while it runs, cancel, a deadline, replacement.

A worker that is killed from outside is replaced and its job tried once more; a job that is cancelled or past its
deadline takes its worker with it (`worker`).
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, Final

from passim.parallel.worker import Limits, Tell, WorkerProcess, Workers

_TRIES: Final = 2
# A worker takes a second of a processor to start: as a rule it is ready before the first job comes, but more than one
# would hold up the first page.
_READY_AFTER_S: Final = 3.0


@dataclass(eq=False)
class Job:
    """One piece of work: a function of a module, its arguments, and how far it is.

    ``share`` runs from 0 to 1. When ``done`` is set, ``error`` is None and ``result`` holds what the function returned,
    or ``error`` says why there is none. ``deadline_s`` is how long it may take from when a worker begins it.
    """

    key: Hashable
    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    deadline_s: float
    when_done: Callable[[Job], None] | None = None
    share: float = 0.0
    result: Any = None
    error: Exception | None = None
    done: threading.Event = field(default_factory=threading.Event)
    cancelled: threading.Event = field(default_factory=threading.Event)
    number: int = field(default_factory=itertools.count(1).__next__)

    def run(self, process: WorkerProcess) -> None:
        """Do the job in a worker."""
        limits = Limits(_TRIES, self.deadline_s, kill=self.cancelled)
        try:
            result = process.call(_run, self.function, self.arguments, limits=limits, tell=self._advance)
        except Exception as error:
            self.finish(error=error)
        else:
            self.finish(result)

    def finish(self, result: Any = None, error: Exception | None = None) -> None:
        """Close the job with its result or with the reason why there is none."""
        self.result, self.error = result, error
        if self.when_done is not None:
            self.when_done(self)
        self.done.set()

    def _advance(self, share: float) -> None:
        self.share = share


class WorkerPool:
    """A few worker processes and the queue before them. Call `close` at the end, or use it as a context.

    `setup` is called as ``setup(tell)`` in each process before its first job; the first process begins `at_once`.
    """

    def __init__(self, workers: int = 1, setup: Callable[[Tell], None] | None = None, *, at_once: bool = False) -> None:
        self._jobs: dict[Hashable, Job] = {}
        self._lock = threading.Lock()
        self._workers = Workers(workers, setup, ready_after_s=_READY_AFTER_S, at_once=at_once)

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def submit(
        self,
        key: Hashable,
        function: Callable[..., Any],
        *arguments: Any,
        deadline_s: float = 600.0,
        when_done: Callable[[Job], None] | None = None,
    ) -> Job:
        """Queue ``function(*arguments, progress=...)``, or return the job of that `key` that is under way already.

        The function must be one that a fresh process can import; `progress` takes the share done.
        """
        with self._lock:
            known = self._jobs.get(key)
            if known is not None:
                return known
            job = Job(key, function, arguments, deadline_s, when_done)
            self._jobs[key] = job

        def work(process: WorkerProcess) -> None:
            job.run(process)
            # A result is in its place before the job is no longer known to be under way.
            self._forget(job)

        self._workers.hand(work)
        return job

    def under_way(self, key: Hashable) -> Job | None:
        """Return the job of that key while it waits or runs."""
        with self._lock:
            return self._jobs.get(key)

    def numbered(self, number: int) -> Job | None:
        """Return the job of that number while it waits or runs."""
        with self._lock:
            return next((job for job in self._jobs.values() if job.number == number), None)

    def cancel(self, number: int) -> bool:
        """Stop the job of that number; say whether it was under way."""
        with self._lock:
            jobs = [job for job in self._jobs.values() if job.number == number]
        for job in jobs:
            job.cancelled.set()
        return bool(jobs)

    def close(self) -> None:
        """Stop everything."""
        with self._lock:
            jobs = list(self._jobs.values())
        for job in jobs:
            job.cancelled.set()
        self._workers.close()

    def _forget(self, job: Job) -> None:
        with self._lock:
            if self._jobs.get(job.key) is job:
                del self._jobs[job.key]


def _run(function: Callable[..., Any], arguments: tuple[Any, ...], tell: Tell) -> Any:
    """Do a job in the worker."""
    return function(*arguments, progress=tell)
