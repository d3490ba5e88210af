"""Work on as many cores as there are: on this machine, or on a cluster of several.

A job is a function, one thing that every worker needs (such as the fleet), and a list of chunks. The chunks are the
same however many workers there are, and results come back in their order, so an answer does not depend on who worked it
out. Only a bounded number of chunks is under way or waiting to be handed over. Workers get the common thing once.

On this machine the workers are processes. One that is killed costs the chunks it was at, which are done again; a chunk
that is lost `_MOST_TRIES` times is given up, because it is then the likely cause. On a cluster the scheduler does that.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import multiprocessing
import os
import pickle
import signal
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any, Final, Protocol, TypeVar

from passim.errors import InputError, PassimError

Chunk = TypeVar("Chunk")
Result = TypeVar("Result", covariant=True)
Common = TypeVar("Common", contravariant=True)
Progress = Callable[[float], None]

MOST_PROCESSES: Final = 256
_ADDRESS: Final = "tcp://HOST:8786"
_MOST_TRIES: Final = 3
# Chunks under way for each worker, and chunks done that may wait for an earlier one.
_AHEAD: Final = 2
_WAITING: Final = 4
_LOOK_EVERY_S: Final = 0.2
_CLUSTER_PATIENCE_S: Final = 5.0


class WorkLost(PassimError):
    """Workers were lost so often that the work was given up."""


class WorkStopped(PassimError):
    """The work was cancelled."""


class Task(Protocol[Common, Chunk, Result]):  # type: ignore[misc]  # a chunk only goes in
    """What is done with a chunk: a function of a module, so that other processes find it by name.

    It calls the last argument with the share done as often as it can, which raises `WorkStopped` once nobody waits for
    the result any more.
    """

    def __call__(self, common: Common, chunk: Chunk, tell: Progress, /) -> Result: ...


@dataclass(frozen=True, slots=True)
class Team:
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
            raise InputError("workers", got="a number and a cluster", wanted="one of them", try_next="the cluster alone")
        if self.cluster is not None and not self.cluster.strip():
            raise InputError("cluster", got=self.cluster, wanted="the address of a scheduler", try_next=_ADDRESS)

    @property
    def size(self) -> int:
        """How many processes work on this machine when there is enough to do."""
        return self.processes or _processors()


def spread(
    task: Task[Common, Chunk, Result],
    common: Common,
    chunks: Sequence[Chunk],
    *,
    team: Team | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> Iterator[Result]:
    """Yield the result of `task` for every one of `chunks`, in their order, worked out by `team`.

    `task`, `common`, chunks and results must be picklable. `progress` is called with the share of chunks done. Once
    `cancel` is set, or the caller stops asking, what is under way is stopped; then `WorkStopped` is raised. Without a
    team there are as many processes as this process has processors; a single chunk is worked out in this process.

    What the task raises is raised here. Raises InputError at once where a cluster does not answer, has no workers or
    cannot run passim: the work then never moves elsewhere in silence. Raises WorkLost where workers are lost again and
    again.
    """
    team = team or Team()
    if team.cluster is None and min(team.size, len(chunks)) <= 1:
        yield from _here(task, common, chunks, progress, cancel)
        return
    packed = pickle.dumps(common, protocol=5)
    crew: _Crew = _Cluster(team.cluster, packed) if team.cluster else _Pool(min(team.size, len(chunks)), packed)
    with crew:
        yield from _in_order(crew, task, chunks, progress, cancel)


def _here(
    task: Task[Common, Chunk, Result],
    common: Common,
    chunks: Sequence[Chunk],
    progress: Progress | None,
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
    crew: _Crew, task: Any, chunks: Sequence[Any], progress: Progress | None, cancel: threading.Event | None
) -> Iterator[Any]:
    """Hand out chunks and yield their results in order."""
    waiting: dict[Future[Any], int] = {}
    done: dict[int, Any] = {}
    tries = [0] * len(chunks)
    todo = list(range(len(chunks)))[::-1]  # the next one last
    following = 0
    while following < len(chunks):
        lost: list[int] = []
        while todo and len(waiting) < _AHEAD * crew.size and todo[-1] < following + _WAITING * crew.size:
            try:
                future = crew.submit(task, chunks[todo[-1]])
            except BrokenExecutor:
                lost.append(todo.pop())
                break
            waiting[future] = todo.pop()

        finished, _ = wait(waiting, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED)
        _check(cancel)
        crew.check()
        for future in finished:
            number = waiting.pop(future)
            try:
                done[number] = future.result()
            except BrokenExecutor:
                lost.append(number)
            except Exception as error:
                crew.explain(error)
                raise

        # One process killed breaks the whole pool: what was under way is begun again in a new one.
        if lost:
            lost += waiting.values()
            waiting.clear()
            for number in lost:
                tries[number] += 1
            if max(tries[number] for number in lost) >= _MOST_TRIES:
                raise WorkLost(
                    f"a worker process was lost {_MOST_TRIES} times over the same work and it was given up; the system "
                    f"kills processes when memory runs out, so try fewer workers"
                )
            crew.renew()
            todo = sorted(todo + lost, reverse=True)
        if progress:
            progress((following + len(done)) / len(chunks))
        while following in done:
            yield done.pop(following)
            following += 1


def _check(cancel: threading.Event | None) -> None:
    if cancel is not None and cancel.is_set():
        raise WorkStopped("the work was cancelled")


# --- who works --------------------------------------------------------------------------------------------------------


class _Crew:
    """Workers behind a `concurrent.futures.Executor`, who have the common thing already."""

    size: int

    def submit(self, task: Any, chunk: Any) -> Future[Any]:
        """Hand out a chunk."""
        raise NotImplementedError

    def check(self) -> None:
        """Raise an error if nobody is there any more."""

    def explain(self, error: Exception) -> None:
        """Raise an error that says more than `error`, if there is more to say."""

    def renew(self) -> None:
        """Put new workers in the place of lost ones."""

    def close(self) -> None:
        """Stop what is under way, and let the workers go."""

    def __enter__(self) -> _Crew:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


class _Pool(_Crew):
    """Processes of this machine, begun afresh: a copy of this process with its threads would not be safe."""

    def __init__(self, size: int, packed: bytes) -> None:
        self.size, self._packed = size, packed
        self._open()

    def _open(self) -> None:
        # Nothing is ever sent through the pipe. When this end closes, be it that this process dies, each worker sees
        # the end of it and stops; no lock is held, so that a worker killed at any moment leaves the others alone.
        context = multiprocessing.get_context("spawn")
        self._theirs, self._ours = context.Pipe(duplex=False)
        self._key = hashlib.sha256(self._packed).hexdigest()
        self._executor: Executor = ProcessPoolExecutor(
            self.size, context, initializer=_enter, initargs=(self._theirs, self._key, self._packed)
        )

    def submit(self, task: Any, chunk: Any) -> Future[Any]:
        return self._executor.submit(_work, task, self._key, None, chunk)

    def renew(self) -> None:
        self.close()
        self._open()

    def close(self) -> None:
        self._ours.close()
        self._executor.shutdown(wait=True, cancel_futures=True)
        self._theirs.close()


class _Cluster(_Crew):
    """The workers of a running dask.distributed scheduler."""

    def __init__(self, address: str, packed: bytes) -> None:
        try:
            import distributed
        except ImportError:
            raise InputError(
                "cluster",
                got=address,
                wanted="the package distributed, which is not installed here",
                try_next="pip install 'passim[cluster]'",
            ) from None
        self.address = address
        self._client: Any = None
        try:
            # Its own log repeats in many lines what is said here in one.
            with _hushed("distributed"):
                self._client = distributed.Client(  # type: ignore[no-untyped-call]
                    address, timeout=_CLUSTER_PATIENCE_S, set_as_default=False, heartbeat_interval=1000
                )
        except (OSError, ValueError, TypeError, TimeoutError) as error:
            raise InputError(
                f"cluster does not answer ({_one_line(error)})",
                got=address,
                wanted=f"the address of a running scheduler, {_ADDRESS}",
                try_next="dask scheduler on that machine, or leaving the cluster out",
            ) from None
        try:
            self._greet(packed)
        except BaseException:
            self.close()
            raise

    def _greet(self, packed: bytes) -> None:
        """See that there are workers and that they run this passim, and give them the common thing."""
        try:
            self._client.wait_for_workers(1, timeout=_CLUSTER_PATIENCE_S)
        except TimeoutError:
            raise InputError(
                "cluster",
                got=f"{self.address}, which has no worker",
                wanted="at least one",
                try_next=f"dask worker {self.address} on each machine",
            ) from None
        self.size = max(1, sum(self._client.nthreads().values()))
        self._executor: Executor = self._client.get_executor(pure=False)
        try:
            theirs = self._executor.submit(_version).result(timeout=60.0)
        except Exception as error:
            self.explain(error)
            raise WorkLost(f"the cluster at {self.address} does not run what it is given: {_one_line(error)}") from None
        if theirs != _version():
            raise InputError(
                "cluster",
                got=f"passim {theirs} on the workers of {self.address}",
                wanted=f"{_version()}, as here",
                try_next="the same release on every machine",
            )
        # As a task of its own, not as data put there: if the worker that holds it is lost, the scheduler makes it anew.
        self._key = hashlib.sha256(packed).hexdigest()
        self._packed = self._client.submit(_handed, packed, pure=False)

    def submit(self, task: Any, chunk: Any) -> Future[Any]:
        return self._executor.submit(_work, task, self._key, self._packed, chunk)

    def check(self) -> None:
        if self._client.status not in ("running", "connecting"):
            raise WorkLost(f"the cluster at {self.address} has gone away")

    def explain(self, error: Exception) -> None:
        if isinstance(error, ModuleNotFoundError) and str(error.name).partition(".")[0] == "passim":
            raise InputError(
                "cluster",
                got=f"workers without passim at {self.address}",
                wanted="passim installed on every machine of it",
            ) from None
        if type(error).__module__.partition(".")[0] == "distributed":
            raise WorkLost(f"the cluster at {self.address} gave the work up: {_one_line(error)}") from None

    def close(self) -> None:
        if self._client is not None:
            with _hushed("distributed"):
                self._client.close()


@contextlib.contextmanager
def _hushed(name: str) -> Iterator[None]:
    """Silence a library's log for a moment."""
    logger = logging.getLogger(name)
    before, logger.disabled = logger.disabled, True
    try:
        yield
    finally:
        logger.disabled = before


def _one_line(error: BaseException) -> str:
    """Return what an error says, in one line of bounded length."""
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 120 else text[:119] + "…"


def _processors() -> int:
    """Return how many processors this process may use."""
    try:
        count = len(os.sched_getaffinity(0))
    except AttributeError:  # only Linux tells
        count = os.cpu_count() or 1
    return min(count, MOST_PROCESSES)


# --- in the worker ----------------------------------------------------------------------------------------------------

# The common things this worker was given, by digest; the oldest goes when a third comes.
_kept: OrderedDict[str, Any] = OrderedDict()
_keeping = threading.Lock()
_line: Connection | None = None


def _enter(line: Connection, key: str, packed: bytes) -> None:
    """Begin a worker process."""
    global _line
    # An interrupt from the keyboard reaches all processes at once; the first of them sees to the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _line = line
    _keep(key, packed)


def _work(task: Any, key: str, packed: bytes | None, chunk: Any) -> Any:
    """Do one chunk."""
    return task(_keep(key, packed), chunk, _tell)


def _keep(key: str, packed: bytes | None) -> Any:
    with _keeping:
        if key not in _kept:
            assert packed is not None  # a process gets it when it begins, a cluster with every chunk
            _kept[key] = pickle.loads(packed)
            while len(_kept) > 2:
                _kept.popitem(last=False)
        return _kept[key]


def _tell(done: float) -> None:
    """Stop where nobody waits for the result any more."""
    if _line is not None and _line.poll():
        raise WorkStopped("the work was cancelled")


def _handed(packed: bytes) -> bytes:
    return packed


def _version() -> str:
    try:
        return version("passim")
    except PackageNotFoundError:  # run from a tree that is not installed
        return "unknown"
