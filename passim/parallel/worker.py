"""Worker processes: tied to their parent, handed one call after another, watched, replaced where they die, and ended.

Both kinds of work stand on this: the chunks of `map_chunks` and the jobs of a server. Workers are begun afresh
(spawn), for a copy of a process with threads is not safe. One thread owns each, because the system ends a
process that is tied to its parent with the very thread that began it. Parent and worker talk over a pipe of their own
and share no lock, so a worker may be killed at any moment and harms nobody else.
"""

from __future__ import annotations

import contextlib
import gc
import math
import multiprocessing
import pickle
import queue
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any, Final

from passim.errors import InputError, PassimError
from passim.parallel.memory import give_back
from passim.parallel.worker_limits import interrupts_held, naming_memory_limit, tie_to_parent

Tell = Callable[[float], None]

_LOOK_S: Final = 0.05
_END_WITHIN_S: Final = 5.0
_IDLE_S: Final = 0.1
# A worker that has not begun by then hangs: on a machine with much to do it begins many seconds after it was started.
_BEGIN_WITHIN_S: Final = 600.0


class WorkLost(PassimError):
    """Workers were lost so often that the work was given up."""


class WorkNotBegun(WorkLost):
    """Worker processes ended before they could begin: as a rule, the script that began them has no main guard."""

    def __init__(self) -> None:
        super().__init__(
            "worker processes ended before they could begin; each of them runs the script anew from its top, so put "
            'what asks for the work under a line `if __name__ == "__main__":`, or ask for one process only, '
            "WorkerConfig(processes=1)"
        )

    def __reduce__(self) -> tuple[type[WorkNotBegun], tuple[()]]:
        return WorkNotBegun, ()


class WorkStopped(InputError):
    """The work was stopped before it was done, as somebody wanted."""

    def __init__(self) -> None:
        super().__init__("the work was stopped before it was done", try_next="the same again")

    def __reduce__(self) -> tuple[type[WorkStopped], tuple[()]]:
        return WorkStopped, ()


@dataclass(frozen=True, slots=True)
class Limits:
    """What ends a call before its time.

    tries       how many workers may die over it before it is given up as the likely cause
    deadline_s  how long it may take from when a worker begins it
    kill        once set, the worker is killed: nothing else stops a computation for sure
    ask         once set, the work is asked to stop, and does so where it next tells how far it is
    """

    tries: int
    deadline_s: float = math.inf
    kill: threading.Event = field(default_factory=threading.Event)
    ask: threading.Event = field(default_factory=threading.Event)


class WorkerProcess:
    """One process at a time, begun when it is first needed and again after each death. Only its owner calls it."""

    def __init__(self, setup: Callable[..., Any] | None = None, *arguments: Any) -> None:
        self._setup, self._setup_arguments = setup, arguments
        self._process: SpawnProcess | None = None
        self._line: Connection | None = None

    def call(self, function: Callable[..., Any], *arguments: Any, limits: Limits, tell: Tell | None = None) -> Any:
        """Return ``function(*arguments, tell)`` as worked out in the process, where `tell` takes the share done.

        The function must be one that a fresh process can import. What it raises is raised here. Raises WorkLost where
        the process dies too often, WorkStopped once it is told to stop, InputError past the deadline.
        """
        for _ in range(limits.tries):
            if limits.kill.is_set() or limits.ask.is_set():
                raise WorkStopped
            try:
                self.open(limits)
                answer = self._ask(function, arguments, limits, tell)
            except _Died:
                self.drop()
            else:
                give_back()
                return answer
        raise WorkLost(
            f"the work was lost: the process that did it ended {limits.tries} times before it was done; the system "
            "ends processes where memory runs out, so try fewer satellites, days or workers, or the same again"
        )

    def open(self, limits: Limits) -> None:
        """See that there is a process, and that it is ready."""
        if self._process is not None and self._process.is_alive():
            return
        self.drop()
        context = multiprocessing.get_context("spawn")
        self._line, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), name="passim-worker", daemon=True)
        with interrupts_held():
            self._process.start()
        theirs.close()
        try:
            self._hear("ready", limits, None)
        except _Died:
            # Killed from outside it may be begun again; a script that cannot be run anew ends the same way each time.
            self._process.join(_END_WITHIN_S)
            if (self._process.exitcode or 0) > 0:
                self.drop()
                raise WorkNotBegun from None
            raise
        if self._setup is not None:
            self._ask(self._setup, self._setup_arguments, limits, None)

    def drop(self) -> None:
        """End the process, whatever it is at."""
        if self._process is not None:
            self._process.kill()
            self._process.join(_END_WITHIN_S)
        if self._line is not None:
            self._line.close()
        self._process = self._line = None

    def _ask(self, function: Callable[..., Any], arguments: tuple[Any, ...], limits: Limits, tell: Tell | None) -> Any:
        assert self._line is not None
        try:
            self._line.send((function, arguments))
        except OSError:
            raise _Died from None
        # The deadline is for the work: a worker may take its time over loading what the arguments need.
        self._hear("begun", limits, None)
        return self._hear("done", limits, tell, limits.deadline_s)

    def _hear(self, wanted: str, limits: Limits, tell: Tell | None, within_s: float = _BEGIN_WITHIN_S) -> Any:
        """Wait for a word of the worker and return what comes with it."""
        assert self._line is not None
        until_s = time.monotonic() + within_s
        asked = False
        while True:
            # At each turn, for a worker that tells of its progress all the time never leaves the line idle.
            if limits.kill.is_set() or (limits.ask.is_set() and wanted != "done"):
                self.drop()
                raise WorkStopped
            if time.monotonic() > until_s:
                self.drop()
                raise InputError(
                    "this takes too long",
                    got=f"more than {within_s:g} s",
                    wanted="less",
                    try_next="a smaller file, fewer satellites or fewer days",
                )
            try:
                if limits.ask.is_set() and not asked:
                    self._line.send(None)
                    asked = True
                if not self._line.poll(_LOOK_S):
                    continue
                word, value = self._line.recv()
            except (EOFError, OSError):
                raise _Died from None
            if word == wanted:
                return value
            if word == "failed":
                raise value
            if tell is not None:
                tell(value)


class Workers:
    """A few worker processes, each owned by a thread, and the queue before them. Call `close` at the end.

    `setup` with its arguments is called in each process before its first call. Where nothing is handed over for
    `ready_after_s`, processes are begun all the same; the first does not wait for that where it is begun `at_once`.
    """

    def __init__(
        self,
        count: int,
        setup: Callable[..., Any] | None = None,
        *arguments: Any,
        ready_after_s: float | None = None,
        at_once: bool = False,
    ) -> None:
        if _is_beginning():
            raise WorkNotBegun
        self._waiting: queue.SimpleQueue[Callable[[WorkerProcess], None] | None] = queue.SimpleQueue()
        self._processes = [WorkerProcess(setup, *arguments) for _ in range(count)]
        self._ended = threading.Event()
        # The first work goes to the process that was begun for it.
        self._first_busy = threading.Event()
        self._threads = [
            threading.Thread(
                target=self._own,
                args=(process, ready_after_s, at_once and not k, at_once and k > 0),
                name="passim-worker",
                daemon=True,
            )
            for k, process in enumerate(self._processes)
        ]
        with interrupts_held():
            for thread in self._threads:
                thread.start()

    def hand(self, work: Callable[[WorkerProcess], None]) -> None:
        """Queue what the owner of a process does with it; it must raise nothing."""
        self._waiting.put(work)

    def close(self) -> None:
        """End the processes, once all that waits is done with: whoever closes has set the events that stop it."""
        self._ended.set()
        self._first_busy.set()
        for _ in self._threads:
            self._waiting.put(None)
        for thread in self._threads:
            thread.join()

    def _own(self, process: WorkerProcess, ready_after_s: float | None, at_once: bool, later: bool) -> None:
        if later:
            self._first_busy.wait(ready_after_s)
        try:
            work = self._waiting.get(timeout=0.0 if at_once else ready_after_s)
        except queue.Empty:
            # Whoever hands over work learns why there is no worker, where there is none.
            with contextlib.suppress(_Died, PassimError):
                process.open(Limits(1, kill=self._ended))
            work = self._waiting.get()
        self._first_busy.set()
        while work is not None:
            work(process)
            work = self._waiting.get()
        process.drop()


class _Died(Exception):
    """The process is gone."""


def _is_beginning() -> bool:
    """Whether this is a worker process that still runs the script of its parent anew, and may begin no other."""
    return bool(getattr(multiprocessing.current_process(), "_inheriting", False))


# --- in the worker ----------------------------------------------------------------------------------------------------


def _serve(line: Connection) -> None:
    """What a worker process does: one call after another until nobody is there to answer."""
    tie_to_parent()

    def tell(share: float) -> None:
        # Nothing comes while a call is under way but the wish to stop it, or the end of the line.
        if line.poll():
            raise WorkStopped
        line.send(("share", float(share)))

    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        line.send(("ready", None))
        while _answered(line, tell):
            # Whoever has the next call ready does not wait for the sweeping.
            if not line.poll(_IDLE_S):
                gc.collect()
                give_back()


def _answered(line: Connection, tell: Tell) -> bool:
    """Take one call and answer it; return False where it is the last."""
    packed = line.recv_bytes()
    try:
        call = pickle.loads(packed)
        if call is None:
            return False
        line.send(("begun", None))
        function, arguments = call
        with naming_memory_limit():
            answer = ("done", function(*arguments, tell))
        line.send(answer)
    except Exception as error:
        if not isinstance(error, PassimError):
            error.add_note("In the worker process:\n" + traceback.format_exc())
        try:
            line.send(("failed", error))
        except OSError:
            raise
        except Exception:  # an error that does not travel
            line.send(("failed", RuntimeError(f"{type(error).__name__}: {error}")))
    return True
