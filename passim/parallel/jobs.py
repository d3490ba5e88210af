"""One job after another for a server with threads: progress while it runs, cancel, a deadline, replacement.

Workers are started afresh (spawn), never forked from a process with threads. Each is owned by one thread of the server,
which hands it one job after another. A worker that is killed from outside is replaced and its job tried once more; a
job that is cancelled or past its deadline takes its worker with it, because nothing else stops a computation for sure.
"""

from __future__ import annotations

import contextlib
import itertools
import multiprocessing
import queue
import threading
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any, Final

from passim.errors import InputError
from passim.parallel.executors import WorkLost
from passim.parallel.leash import fasten, interrupts_held, memory_met

_LOOK_S: Final = 0.05
_TRIES: Final = 2
_CALM_S: Final = 3.0
# A worker that has not begun by then hangs: on a machine with much to do it begins many seconds after it was started.
_BEGIN_WITHIN_S: Final = 600.0


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
    tries: int = 0
    number: int = field(default_factory=itertools.count(1).__next__)

    def finish(self, result: Any = None, error: Exception | None = None) -> None:
        """Close the job with its result or with the reason why there is none."""
        self.result, self.error = result, error
        if self.when_done is not None:
            self.when_done(self)
        self.done.set()


class WorkerPool:
    """A few worker processes and the queue before them. Call `close` at the end, or use it as a context."""

    def __init__(self, workers: int = 1) -> None:
        self._waiting: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._jobs: dict[Hashable, Job] = {}
        self._lock = threading.Lock()
        self._workers = [_Worker(self._waiting, self._forget) for _ in range(workers)]

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def worker_pids(self) -> list[int]:
        """The process numbers of the workers that run now."""
        return [worker.process.pid for worker in self._workers if worker.process is not None and worker.process.pid]

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
        self._waiting.put(job)
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
        for _ in self._workers:
            self._waiting.put(None)
        for worker in self._workers:
            worker.thread.join(5.0)

    def _forget(self, job: Job) -> None:
        with self._lock:
            if self._jobs.get(job.key) is job:
                del self._jobs[job.key]


class _Worker:
    """One thread and the worker process it owns."""

    def __init__(self, waiting: queue.SimpleQueue[Job | None], forget: Callable[[Job], None]) -> None:
        self._waiting, self._forget = waiting, forget
        self.process: SpawnProcess | None = None
        self._line: Connection | None = None
        self.thread = threading.Thread(target=self._serve, name="passim-worker", daemon=True)
        self.thread.start()

    def _serve(self) -> None:
        # A worker takes a second of a processor to start: as a rule it is ready before the first job comes, but it does
        # not hold up the first page.
        try:
            job = self._waiting.get(timeout=_CALM_S)
        except queue.Empty:
            self._open()
            job = self._waiting.get()
        while job is not None:
            result, error = self._run(job)
            # A result is in its place before the job is no longer known to be under way.
            job.finish(result, error)
            self._forget(job)
            job = self._waiting.get()
        self._drop()

    def _run(self, job: Job) -> tuple[Any, Exception | None]:
        while not job.cancelled.is_set():
            job.tries += 1
            try:
                return self._attempt(job)
            except (EOFError, OSError):
                self._drop()
                if job.tries >= _TRIES:
                    return None, WorkLost(
                        f"The work was lost: the process that did it ended {_TRIES} times before it was done. The "
                        "system ends processes where memory runs out: try fewer days or satellites, or the same again"
                    )
        return None, _stopped()

    def _attempt(self, job: Job) -> tuple[Any, Exception | None]:
        """Run the job in the worker. Raises EOFError or OSError where the worker is gone."""
        if self.process is None or not self.process.is_alive():
            self._drop()
            self._open()
        assert self._line is not None
        # The deadline is for the work: until it begins, a worker that was just started loads its libraries.
        until_s = time.monotonic() + _BEGIN_WITHIN_S
        self._line.send((job.function, job.arguments))
        while True:
            if job.cancelled.is_set():
                self._drop()
                return None, _stopped()
            if self._line.poll(_LOOK_S):
                word, value = self._line.recv()
                if word == "begun":
                    until_s = time.monotonic() + job.deadline_s
                elif word == "share":
                    job.share = value
                elif word == "done":
                    return value, None
                else:
                    return None, value
            # At each turn, for a worker that tells of its progress all the time never leaves the line idle.
            if time.monotonic() > until_s:
                self._drop()
                return None, InputError(
                    "this takes too long",
                    got=f"more than {job.deadline_s:g} s",
                    wanted="less",
                    try_next="a smaller file, fewer satellites or fewer days",
                )

    def _open(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._line, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs,), name="passim-worker", daemon=True)
        with interrupts_held():
            self.process.start()
        theirs.close()

    def _drop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.join(5.0)
        if self._line is not None:
            self._line.close()
        self.process = self._line = None


def _stopped() -> InputError:
    return InputError("the work was stopped before it was done", try_next="the same again")


def _work(line: Connection) -> None:
    """What a worker process does: one job after another until the server is gone."""
    fasten()

    def progress(share: float) -> None:
        line.send(("share", float(share)))

    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        while True:
            function, arguments = line.recv()
            line.send(("begun", None))
            try:
                with memory_met():
                    answer = ("done", function(*arguments, progress=progress))
            except Exception as error:
                answer = ("failed", error)
            line.send(answer)
