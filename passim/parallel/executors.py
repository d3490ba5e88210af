"""The workers behind `passim.parallel.chunks`: processes of this machine, or those of a dask.distributed cluster.

Both get the thing that all chunks have in common only once, and give a `concurrent.futures.Future` for each chunk.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import logging
import pickle
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections import OrderedDict
from collections.abc import Iterator
from concurrent import futures
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from importlib.metadata import PackageNotFoundError, version
from types import TracebackType
from typing import Any, Final
from urllib.parse import urlsplit

from passim.errors import InputError
from passim.parallel.worker import Limits, Tell, WorkerProcess, Workers, WorkLost
from passim.parallel.worker_limits import naming_memory_limit

ADDRESS: Final = "tcp://HOST:8786"
# A process may also be killed for the memory that its neighbours take.
_MOST_TRIES: Final = 3
# For the answer of a scheduler that listens; one that does not is told at once.
CLUSTER_PATIENCE_S = 30.0
# How often a cluster is asked for its workers, and how long it may have none: new ones may be on their way.
_COUNT_EVERY_S: Final = 5.0
_LONGEST_WITHOUT_WORKERS_S: Final = 30.0
# Who writes traces of a lost connection on the terminal, where one sentence of passim's says it.
_LOUD_LOGGERS: Final = ("distributed", "tornado", "asyncio")


class Executor(ABC):
    """Workers who have the common thing already."""

    size: int

    @abstractmethod
    def submit(self, task: Any, chunk: Any) -> Future[Any]:
        """Hand out a chunk."""

    def check(self) -> None:
        """Raise an error if nobody is there any more; of processes on this machine each sees that itself."""
        return

    def explain(self, error: Exception) -> None:
        """Raise an error that says more than `error`, if there is more to say."""
        return

    @abstractmethod
    def close(self) -> None:
        """Stop what is under way, and let the workers go."""

    def __enter__(self) -> Executor:
        return self

    def abandon(self) -> None:
        """Let the workers go without waiting for what is under way: this process was told to end."""
        self.close()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if kind is not None and issubclass(kind, (KeyboardInterrupt, SystemExit)):
            self.abandon()
        else:
            self.close()


class Pool(Executor):
    """Processes of this machine."""

    def __init__(self, size: int, packed: bytes) -> None:
        self.size = size
        self._key = hashlib.sha256(packed).hexdigest()
        self._limits = Limits(_MOST_TRIES)
        self._workers = Workers(size, _receive, self._key, packed)

    def submit(self, task: Any, chunk: Any) -> Future[Any]:
        future: Future[Any] = Future()

        def work(process: WorkerProcess) -> None:
            try:
                future.set_result(process.call(_work, task, self._key, None, chunk, limits=self._limits))
            except Exception as error:
                future.set_exception(error)

        self._workers.hand(work)
        return future

    def abandon(self) -> None:
        # Whoever presses Ctrl-C is not kept waiting for a chunk that takes a minute, nor tempted to press it again.
        self._limits.kill.set()
        self.close()

    def close(self) -> None:
        self._limits.ask.set()
        self._workers.close()


class Cluster(Executor):
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
        self._counted_s = self._had_workers_s = time.monotonic()
        self._unhushed: list[tuple[logging.Logger, list[logging.Handler], bool]] = []
        try:
            # Its own log repeats in many lines what is said here in one.
            with _hushed():
                _knock(address)
                self._client = distributed.Client(  # type: ignore[no-untyped-call]
                    address, timeout=CLUSTER_PATIENCE_S, set_as_default=False, heartbeat_interval=1000
                )
        except (OSError, ValueError, TypeError, TimeoutError) as error:
            raise InputError(
                f"cluster does not answer ({_one_line(error)})",
                got=address,
                wanted=f"the address of a running scheduler, {ADDRESS}",
                try_next="dask scheduler on that machine, or leaving the cluster out",
            ) from None
        # From now on its threads may find the connection lost at any moment, and would say so in many lines.
        self._unhushed = _hush()
        try:
            self._greet(packed)
        except BaseException:
            self.close()
            raise

    def _greet(self, packed: bytes) -> None:
        """See that there are workers and that they run this passim, and give them the common thing."""
        try:
            self._client.wait_for_workers(1, timeout=CLUSTER_PATIENCE_S)
        except TimeoutError:
            raise InputError(
                "cluster",
                got=f"{self.address}, which has no worker",
                wanted="at least one",
                try_next=f"dask worker {self.address} on each machine",
            ) from None
        self.size = max(1, sum(self._client.nthreads().values()))
        self._executor: futures.Executor = self._client.get_executor(pure=False)
        try:
            theirs = self._executor.submit(_version).result(timeout=2 * CLUSTER_PATIENCE_S)
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
            raise self._gone()
        now_s = time.monotonic()
        if now_s - self._counted_s < _COUNT_EVERY_S:
            return
        self._counted_s = now_s
        try:
            with _hushed():
                workers = self._client.scheduler_info()["workers"]
        except (OSError, TimeoutError, RuntimeError, KeyError):
            raise self._gone() from None
        if workers:
            self._had_workers_s = now_s
        elif now_s - self._had_workers_s > _LONGEST_WITHOUT_WORKERS_S:
            raise WorkLost(
                f"the cluster at {self.address} has had no worker for {now_s - self._had_workers_s:.0f} s; "
                f"try dask worker {self.address} on each machine, and the same again"
            )

    def _gone(self) -> WorkLost:
        # The library goes on complaining until this process ends, so it stays silent.
        self._unhushed = []
        return WorkLost(f"the cluster at {self.address} has gone away")

    def explain(self, error: Exception) -> None:
        if isinstance(error, ModuleNotFoundError) and str(error.name).partition(".")[0] == "passim":
            raise InputError(
                "cluster",
                got=f"workers without passim at {self.address}",
                wanted="passim installed on every machine of it",
            ) from None
        # Nobody cancels here but a scheduler that is lost.
        if isinstance(error, CancelledError):
            raise self._gone() from None
        if type(error).__module__.partition(".")[0] == "distributed":
            raise WorkLost(f"the cluster at {self.address} gave the work up: {_one_line(error)}") from None

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
            _unhush(self._unhushed)


def _knock(address: str) -> None:
    """See that a scheduler answers at an address. The library itself tries on for long, and for ever where one is mute.

    Raises ValueError for what is no address, OSError where nothing listens or what listens is no scheduler.
    """
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    if parts.scheme not in ("tcp", "tls"):
        raise ValueError("only tcp:// and tls:// lead to other machines")
    if not parts.hostname or parts.port is None:
        raise ValueError("host and port are wanted")
    socket.create_connection((parts.hostname, parts.port), timeout=CLUSTER_PATIENCE_S).close()

    async def ask() -> None:
        import distributed

        async def identity() -> None:
            scheduler_at = distributed.rpc(address, timeout=CLUSTER_PATIENCE_S)  # type: ignore[no-untyped-call]
            async with scheduler_at as scheduler:
                await scheduler.identity()

        await asyncio.wait_for(identity(), CLUSTER_PATIENCE_S)

    # In a thread of its own, since the caller's may run a loop already.
    with ThreadPoolExecutor(1) as apart:
        apart.submit(asyncio.run, ask()).result()


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Silence the libraries' logs for a moment."""
    before = _hush()
    try:
        yield
    finally:
        _unhush(before)


def _unhush(before: list[tuple[logging.Logger, list[logging.Handler], bool]]) -> None:
    for logger, handlers, propagate in before:
        logger.handlers, logger.propagate = handlers, propagate


def _hush() -> list[tuple[logging.Logger, list[logging.Handler], bool]]:
    """Silence the libraries\' logs, whatever handlers they have; return what undoes it."""
    before = []
    # Some below the first have handlers of their own.
    names = [name for name in logging.root.manager.loggerDict if name.partition(".")[0] in _LOUD_LOGGERS]
    for name in {*_LOUD_LOGGERS, *names}:
        logger = logging.getLogger(name)
        before.append((logger, logger.handlers, logger.propagate))
        logger.handlers, logger.propagate = [logging.NullHandler()], False
    return before


def _one_line(error: BaseException) -> str:
    """Return what an error says, in one line of bounded length."""
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 120 else text[:119] + "…"


# --- in the worker ----------------------------------------------------------------------------------------------------

# The common things this worker was given, by digest; the oldest goes when a third comes.
_common_things: OrderedDict[str, Any] = OrderedDict()
_keeping = threading.Lock()


def _receive(key: str, packed: bytes, tell: Tell) -> None:
    """Take the common thing, once for each process of this machine."""
    _common(key, packed)


def _work(task: Any, key: str, packed: bytes | None, chunk: Any, tell: Tell = lambda _: None) -> Any:
    """Do one chunk; on a cluster nobody is told how far it is, nor can it be stopped."""
    tell(0.0)
    with naming_memory_limit():
        return task(_common(key, packed), chunk, tell)


def _common(key: str, packed: bytes | None) -> Any:
    """Return the common thing of that digest."""
    with _keeping:
        if key not in _common_things:
            assert packed is not None  # a process gets it when it begins, a cluster with every chunk
            _common_things[key] = pickle.loads(packed)
            while len(_common_things) > 2:
                _common_things.popitem(last=False)
        return _common_things[key]


def _handed(packed: bytes) -> bytes:
    return packed


def _version() -> str:
    try:
        return version("passim")
    except PackageNotFoundError:  # run from a tree that is not installed
        return "unknown"
