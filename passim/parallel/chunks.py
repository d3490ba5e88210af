"""Work on as many cores as there are: on this machine, or on a cluster of several.

A job is a function, one thing that every worker needs (such as the fleet), and a list of chunks. The chunks are the
same however many workers there are, and results come back in their order, so an answer does not depend on who worked it
out. Only a bounded number of chunks is under way or waiting to be handed over. Workers get the common thing once.

On this machine the workers are processes. One that is killed costs the chunk it was at, which is done again; a chunk
that is lost three times is given up, because it is then the likely cause. On a cluster the scheduler does that.
"""

from __future__ import annotations

import os
import pickle
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar

from passim.errors import InputError
from passim.parallel.executors import ADDRESS, Cluster, Executor, Pool
from passim.parallel.worker import Tell, WorkStopped
from passim.parallel.worker_limits import interrupts_held

__all__ = ["Task", "WorkerConfig", "map_chunks"]

Chunk = TypeVar("Chunk")
Result = TypeVar("Result", covariant=True)
Common = TypeVar("Common", contravariant=True)

MOST_PROCESSES: Final = 256
# Chunks under way for each worker, and chunks done that may wait for an earlier one.
_AHEAD: Final = 2
_WAITING: Final = 4
_LOOK_EVERY_S: Final = 0.2


class Task(Protocol[Common, Chunk, Result]):  # type: ignore[misc]  # a chunk only goes in
    """What is done with a chunk: a function of a module, so that other processes find it by name.

    It calls the last argument with the share done as often as it can, which raises `WorkStopped` once nobody waits for
    the result any more.
    """

    def __call__(self, common: Common, chunk: Chunk, tell: Tell, /) -> Result: ...


@dataclass(frozen=True, slots=True)
class WorkerConfig:
    """Who does the work: so many processes of this machine, or a cluster.

    processes   how many; None for as many as there are processors for this process. 1 works in this process itself
    cluster     the address of a running dask.distributed scheduler, such as tcp://127.0.0.1:8786. Needs passim[cluster]

    Raises InputError.
    """

    processes: int | None = None
    cluster: str | None = None

    def __post_init__(self) -> None:
        count = self.processes
        if count is not None and (
            isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_PROCESSES
        ):
            raise InputError("number of workers", got=count, wanted=f"a whole number from 1 to {MOST_PROCESSES}")
        if self.cluster is not None and count is not None:
            raise InputError(
                "workers", got="a number and a cluster", wanted="one of them", try_next="the cluster alone"
            )
        if self.cluster is not None and not self.cluster.strip():
            raise InputError("cluster", got=self.cluster, wanted="the address of a scheduler", try_next=ADDRESS)

    @property
    def size(self) -> int:
        """How many processes work on this machine when there is enough to do."""
        return self.processes or _processors()


def map_chunks(
    task: Task[Common, Chunk, Result],
    common: Common,
    chunks: Sequence[Chunk],
    *,
    workers: WorkerConfig | None = None,
    progress: Tell | None = None,
    cancel: threading.Event | None = None,
) -> Iterator[Result]:
    """Yield the result of `task` for every one of `chunks`, in their order, worked out by `workers`.

    `task`, `common`, chunks and results must be picklable. `progress` is called with the share of chunks done. Once
    `cancel` is set, or the caller stops asking, what is under way is stopped; then `WorkStopped` is raised. Without
    `workers` there are as many processes as this process has processors; a single chunk is worked out in this process.

    What the task raises is raised here. Raises InputError at once where a cluster does not answer, has no workers or
    cannot run passim: the work then never moves elsewhere in silence. Raises WorkLost where workers are lost again and
    again, and WorkNotBegun where a script without a main guard asks for several processes.
    """
    workers = workers or WorkerConfig()
    if workers.cluster is None and min(workers.size, len(chunks)) <= 1:
        yield from _here(task, common, chunks, progress, cancel)
        return
    packed = pickle.dumps(common, protocol=5)
    executor: Executor = (
        Cluster(workers.cluster, packed) if workers.cluster else Pool(min(workers.size, len(chunks)), packed)
    )
    with executor:
        yield from _in_order(executor, task, chunks, progress, cancel)


def _here(
    task: Task[Common, Chunk, Result],
    common: Common,
    chunks: Sequence[Chunk],
    progress: Tell | None,
    cancel: threading.Event | None,
) -> Iterator[Result]:
    """Work in this process, one chunk after the other."""
    for number, chunk in enumerate(chunks):

        def tell(done: float, number: int = number) -> None:
            _check(cancel)
            if progress:
                progress((number + done) / len(chunks))

        tell(0.0)
        yield task(common, chunk, tell)
    if progress and chunks:
        progress(1.0)


def _in_order(
    executor: Executor, task: Any, chunks: Sequence[Any], progress: Tell | None, cancel: threading.Event | None
) -> Iterator[Any]:
    """Hand out chunks and yield their results in order."""
    waiting: dict[Future[Any], int] = {}
    done: dict[int, Any] = {}
    handed = following = 0
    while following < len(chunks):
        most = min(len(chunks), following + _WAITING * executor.size)
        while handed < most and len(waiting) < _AHEAD * executor.size:
            waiting[executor.submit(task, chunks[handed])] = handed
            handed += 1

        # An interrupt in the midst of its locks would leave one of them held, and the workers waiting for it for ever.
        with interrupts_held():
            finished, _ = wait(waiting, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED)
        _check(cancel)
        executor.check()
        for future in finished:
            try:
                done[waiting.pop(future)] = future.result()
            except Exception as error:
                executor.explain(error)
                raise
        if progress:
            progress((following + len(done)) / len(chunks))
        while following in done:
            yield done.pop(following)
            following += 1


def _check(cancel: threading.Event | None) -> None:
    if cancel is not None and cancel.is_set():
        raise WorkStopped


def _processors() -> int:
    """Return how many processors this process may use."""
    try:
        count = len(os.sched_getaffinity(0))
    except AttributeError:  # only Linux tells
        count = os.cpu_count() or 1
    return min(count, MOST_PROCESSES)
