"""Workers and the processes they belong to: they end with them, leave no trace, and say when memory runs out."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import click
import psutil
import pytest

from passim.parallel import WorkerPool
from passim.parallel.chunks import WorkerConfig, map_chunks
from passim.parallel.worker import Tell
from passim.parallel.worker_limits import MemoryLimitReached, interrupts_held, tie_to_parent
from passim_apps.command_line.main import OneLineErrors
from patience import PATIENCE_S, wait_until

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")


def nap(_: None, chunk: int, tell: Tell) -> int:
    """A chunk that never looks up."""
    # In one piece: what two workers print into one pipe may come in between.
    os.write(1, f"at {chunk}\n".encode())
    time.sleep(1000.0)
    return chunk


def hog(_: None, chunk: int, tell: Tell) -> int:
    raise MemoryError


def littering(*, progress: Tell) -> tuple[int, int]:
    """Take 100 MB in blocks too small to be given back one by one, in a ring that only a sweep finds; tell the most."""
    blocks: list[Any] = [bytearray(10_000) for _ in range(10_000)]
    blocks.append(blocks)
    # The last block stays, and holds all before it where a heap gives back only its end.
    _STAYS.append(bytearray(10_000))
    return os.getpid(), psutil.Process().memory_info().rss


_STAYS: list[bytearray] = []


class Napping(OneLineErrors):
    """The command line of passim with one command, whose two workers never look up."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command:
        return click.Command(cmd_name, callback=nap_twice)


def begun(*arguments: str) -> subprocess.Popen[str]:
    """Begin a process with two workers, both at work: a script, or with the argument "nap" a command."""
    process = subprocess.Popen(
        [sys.executable, __file__, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert {process.stdout.readline(), process.stdout.readline()} == {"at 1\n", "at 2\n"}
    return process


@pytest.mark.skipif(sys.platform != "linux", reason="malloc_trim is of the GNU library")
def test_a_worker_that_waits_has_given_back_what_its_work_took() -> None:
    with WorkerPool() as pool:
        job = pool.submit("litter", littering)
        assert job.done.wait(PATIENCE_S)
        pid, most_bytes = job.result
        wait_until(lambda: psutil.Process(pid).memory_info().rss < most_bytes - 60e6)


def test_workers_end_with_the_script_they_work_for() -> None:
    """A script of one's own minds no signal: it is gone at once, as if it had been killed."""
    process = begun()
    children = psutil.Process(process.pid).children(recursive=True)
    assert len(children) >= 2
    os.kill(process.pid, signal.SIGHUP)
    process.communicate(timeout=PATIENCE_S)
    _, alive = psutil.wait_procs(children, timeout=PATIENCE_S)
    assert alive == []


def test_an_interrupt_while_workers_are_begun_leaves_no_trace_of_theirs() -> None:
    process = subprocess.Popen(
        [sys.executable, __file__], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    own = psutil.Process(process.pid)
    until_s = time.monotonic() + PATIENCE_S
    while not own.children() and time.monotonic() < until_s:
        time.sleep(0.01)
    # As a terminal does: to everybody of the session.
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=PATIENCE_S)
    assert "SpawnProcess" not in told
    assert "spawn_main" not in told


def test_a_second_interrupt_finds_a_command_that_is_ending_already() -> None:
    """The first does not wait for a chunk that never looks up; impatient fingers leave no trace."""
    process = begun("nap")
    children = psutil.Process(process.pid).children(recursive=True)
    for _ in range(3):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGINT)
        time.sleep(0.05)
    _, told = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert told.strip() == ""
    _, alive = psutil.wait_procs(children, timeout=PATIENCE_S)
    assert alive == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_command_that_is_ended_from_outside_leaves_no_worker_and_no_word_of_its_tidying(number: int) -> None:
    """Python keeps a process that frees the semaphores of killed ones, and told so on the terminal."""
    process = begun("nap")
    children = psutil.Process(process.pid).children(recursive=True)
    assert len(children) >= 2
    os.kill(process.pid, number)
    # The end of what is told is there once nobody holds the other end of the pipe, that process included.
    _, told = process.communicate(timeout=PATIENCE_S)
    assert told == ""
    assert process.returncode == {signal.SIGTERM: 128 + number, signal.SIGKILL: -number}[signal.Signals(number)]
    _, alive = psutil.wait_procs(children, timeout=PATIENCE_S)
    assert alive == []


def test_a_scheduler_that_is_killed_is_told_in_one_line() -> None:
    """Its library used to write 36 lines of traces over the terminal."""
    pytest.importorskip("distributed", reason="the extra passim[cluster] is not installed")
    pipes: Any = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen([sys.executable, __file__, "cluster"], **pipes) as cluster:
        assert cluster.stdout is not None
        address = cluster.stdout.readline().strip()
        with subprocess.Popen([sys.executable, __file__, "nap", address], **pipes) as process:
            # Either chunk may be the first; whatever it is, nobody is left napping.
            first = cluster.stdout.readline()
            cluster.kill()
            _, told = process.communicate(timeout=PATIENCE_S)
    assert first in ("at 1\n", "at 2\n")
    assert told == f"passim: the cluster at {address} has gone away\n"
    assert process.returncode == 1


def limited(line: Connection) -> None:
    tie_to_parent(2**29)
    try:
        bytearray(2**30)
    except MemoryError:
        line.send("met")
    else:
        line.send("not met")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not count what a process maps")
def test_a_worker_may_take_no_more_than_its_limit() -> None:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=limited, args=(theirs,))
    process.start()
    assert ours.poll(PATIENCE_S)
    assert ours.recv() == "met"
    process.join(PATIENCE_S)


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="threads with signals of their own, as POSIX has")
def test_an_interrupt_waits_until_workers_are_begun_whichever_thread_gets_it() -> None:
    over, usual = threading.Event(), signal.signal(signal.SIGINT, signal.default_int_handler)
    # numpy has threads like this one, which block no signal.
    other = threading.Thread(target=over.wait)
    other.start()
    begun: list[str] = []

    def begin() -> None:
        with interrupts_held():
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.1)
            begun.append("all of it")

    try:
        with pytest.raises(KeyboardInterrupt):
            begin()
        assert begun == ["all of it"]
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        over.set()
        other.join()
        signal.signal(signal.SIGINT, usual)


def test_a_limit_that_is_met_is_told_in_words() -> None:
    with pytest.raises(MemoryLimitReached, match="more memory than the 4 GiB that a worker process may take; try"):
        list(map_chunks(hog, None, [1, 2], workers=WorkerConfig(2)))


def nap_twice() -> None:
    # By the name under which the workers find it.
    sys.path.insert(0, str(Path(__file__).parent))
    import test_worker_limits

    workers = WorkerConfig(cluster=sys.argv[2]) if sys.argv[2:] else WorkerConfig(2)
    list(map_chunks(test_worker_limits.nap, None, [1, 2], workers=workers))


def serve_cluster() -> None:
    """Be a scheduler with a worker, and say where."""
    from distributed import LocalCluster

    sys.path.insert(0, str(Path(__file__).parent))
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0", protocol="tcp://"
    ) as cluster:
        print(cluster.scheduler_address, flush=True)
        time.sleep(1000.0)


if __name__ == "__main__":
    # Tests in a shell's background ignore interrupts, those under nohup hang-ups, and so does all that they start.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    if sys.argv[1:] == ["cluster"]:
        serve_cluster()
    elif sys.argv[1:2] == ["nap"]:
        Napping("passim").main(["nap"])
    nap_twice()
