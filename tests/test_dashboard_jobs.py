"""Worker processes of the dashboard: results, progress, cancel, a deadline, and a killed worker replaced."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from passim.errors import InputError
from passim.parallel import WorkerPool, WorkLost
from patience import PATIENCE_S, wait_until

Progress = Callable[[float], None]


def twice(number: int, *, progress: Progress) -> int:
    progress(0.5)
    return 2 * number


def refuse(*, progress: Progress) -> None:
    raise InputError("number", got=3, wanted="an even one")


def wait_long(*, progress: Progress) -> str:
    progress(0.25)
    time.sleep(2 * PATIENCE_S)
    return "too late"


def tell_all_the_time(*, progress: Progress) -> str:
    end_s = time.monotonic() + 2 * PATIENCE_S
    while time.monotonic() < end_s:
        progress(0.5)
        time.sleep(0.005)
    return "too late"


_ready = threading.Event()


def get_ready(_: Progress) -> None:
    _ready.set()


def who_is_ready(*, progress: Progress) -> tuple[int, bool]:
    return os.getpid(), _ready.is_set()


class Late:
    """An argument that takes a worker more than a second to load, as its libraries do when it was just started."""

    def __reduce__(self) -> tuple[object, ...]:
        return time.sleep, (1.5,)


def at_once(_: None, *, progress: Progress) -> str:
    return "in time"


def die_once(flag: str, *, progress: Progress) -> str:
    if not os.path.exists(flag):
        open(flag, "w").close()
        os.kill(os.getpid(), signal.SIGKILL)
    return "after all"


def die_always(*, progress: Progress) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.fixture
def pool() -> Iterator[WorkerPool]:
    with WorkerPool() as opened:
        yield opened


def children() -> list[int | None]:
    """Return the process numbers of the workers that run now."""
    return [each.pid for each in multiprocessing.active_children() if each.name == "passim-worker"]


def test_a_job_gives_its_result_once_for_all_who_ask(pool: WorkerPool) -> None:
    told: list[int] = []
    job = pool.submit("a", twice, 21, when_done=lambda done: told.append(done.result))
    assert pool.submit("a", twice, 21) is job or job.done.is_set()
    assert job.done.wait(PATIENCE_S)
    assert (job.result, job.error, job.share) == (42, None, 0.5)
    assert told == [42]
    wait_until(lambda: pool.under_way("a") is None)


def test_a_worker_begun_at_once_is_ready_and_gets_the_first_job() -> None:
    with WorkerPool(2, get_ready, at_once=True) as pool:
        wait_until(lambda: len(children()) == 1)
        [first] = children()
        job = pool.submit("a", who_is_ready)
        assert job.done.wait(PATIENCE_S)
        assert job.result == (first, True)
        # While one is at work the other takes what comes.
        busy = pool.submit("b", wait_long)
        wait_until(lambda: busy.share == 0.25)
        other = pool.submit("c", who_is_ready)
        assert other.done.wait(PATIENCE_S)
        assert not busy.done.is_set()
        assert other.result[1]


def test_what_the_work_raises_comes_back(pool: WorkerPool) -> None:
    job = pool.submit("b", refuse)
    assert job.done.wait(PATIENCE_S)
    assert str(job.error) == "number; got 3; wanted an even one"
    assert isinstance(job.error, InputError)


def test_a_job_can_be_cancelled_and_its_worker_is_replaced(pool: WorkerPool) -> None:
    job = pool.submit("c", wait_long)
    wait_until(lambda: job.share == 0.25)
    [before] = children()
    assert pool.cancel(job.number)
    assert job.done.wait(PATIENCE_S)
    assert "stopped" in str(job.error)
    assert not pool.cancel(job.number) or job.cancelled.is_set()
    after = pool.submit("d", twice, 1)
    assert after.done.wait(PATIENCE_S)
    assert after.result == 2
    assert children() != [before]


def test_a_job_past_its_deadline_is_ended(pool: WorkerPool) -> None:
    job = pool.submit("e", wait_long, deadline_s=0.3)
    assert job.done.wait(PATIENCE_S)
    assert "too long" in str(job.error)


def test_the_deadline_begins_with_the_work_and_not_while_its_worker_gets_ready(pool: WorkerPool) -> None:
    job = pool.submit("late", at_once, Late(), deadline_s=1.4)
    assert job.done.wait(PATIENCE_S)
    assert (job.result, job.error) == ("in time", None)


@pytest.mark.parametrize(("deadline_s", "told"), [(600.0, "stopped"), (1.0, "takes too long")])
def test_work_that_tells_of_itself_all_the_time_is_ended_too(pool: WorkerPool, deadline_s: float, told: str) -> None:
    job = pool.submit("a", tell_all_the_time, deadline_s=deadline_s)
    if deadline_s > PATIENCE_S:
        wait_until(lambda: job.share == 0.5)
        pool.cancel(job.number)
    assert job.done.wait(PATIENCE_S)
    assert isinstance(job.error, InputError)
    assert told in str(job.error)


def test_a_killed_worker_is_replaced_and_its_job_tried_again(pool: WorkerPool, tmp_path: os.PathLike[str]) -> None:
    job = pool.submit("f", die_once, os.path.join(tmp_path, "flag"))
    assert job.done.wait(PATIENCE_S)
    assert (job.result, job.error) == ("after all", None)


def test_a_job_that_kills_every_worker_is_given_up_and_the_next_one_runs(pool: WorkerPool) -> None:
    job = pool.submit("g", die_always)
    assert job.done.wait(PATIENCE_S)
    assert isinstance(job.error, WorkLost)
    after = pool.submit("h", twice, 4)
    assert after.done.wait(PATIENCE_S)
    assert after.result == 8


def test_closing_leaves_no_worker_and_no_thread_behind() -> None:
    opened = WorkerPool(2)
    job = opened.submit("i", wait_long)
    wait_until(lambda: job.share == 0.25)
    opened.close()
    assert job.done.is_set()
    assert children() == []
    assert not [thread for thread in threading.enumerate() if thread.name == "passim-worker" and thread.is_alive()]
