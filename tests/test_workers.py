"""Work shared out: the same results for any number of workers, killed ones made good, cancel, and a cluster.

The tasks stand in this module because other processes find them by name.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from passim.errors import InputError
from passim.parallel import chunks as workers, executors
from passim.parallel.chunks import WorkerConfig, map_chunks
from passim.parallel.worker import WorkLost, WorkStopped
from patience import PATIENCE_S, wait_until

Tell = Callable[[float], None]


def scaled(common: int, chunk: int, tell: Tell) -> tuple[int, int]:
    """Do something that depends on both, late ones first: chunk 0 takes longest."""
    tell(0.0)
    time.sleep(0.05 if chunk == 0 else 0.0)
    return chunk, common * chunk


def killed_once(common: str, chunk: int, tell: Tell) -> int:
    """Kill this very process at chunk 3, the first time."""
    mark = Path(common)
    if chunk == 3 and not mark.exists():
        mark.write_text("killed")
        os.kill(os.getpid(), signal.SIGKILL)
    return chunk * chunk


def killed_always(common: str, chunk: int, tell: Tell) -> int:
    if chunk == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return chunk


def endless(common: str, chunk: int, tell: Tell) -> int:
    """Go on until nobody waits, and leave a mark at the beginning and where it is stopped."""
    Path(common, f"began-{chunk}").touch()
    end_s = time.monotonic() + 2 * PATIENCE_S
    try:
        while time.monotonic() < end_s:
            tell(0.5)
            time.sleep(0.01)
    except WorkStopped:
        Path(common, f"stopped-{chunk}").touch()
        raise
    return chunk


def refused(common: int, chunk: int, tell: Tell) -> int:
    if chunk == 2:
        raise InputError("chunk", got=chunk, wanted="another")
    return chunk


def identity_of_worker(common: str, chunk: int, tell: Tell) -> int:
    """Return who works, once two do: `common` is a folder in which each leaves its number, or empty for no waiting."""
    if common:
        Path(common, str(os.getpid())).touch()
        wait_until(lambda: len(os.listdir(common)) >= 2)
    return os.getpid()


# --- processes of this machine ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("processes", [1, 2, 3])
def test_results_come_in_order_whoever_worked_them_out(processes: int) -> None:
    told: list[float] = []
    found = list(map_chunks(scaled, 7, range(9), workers=WorkerConfig(processes), progress=told.append))
    assert found == [(chunk, 7 * chunk) for chunk in range(9)]
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_two_processes_are_two_and_neither_is_this_one(tmp_path: Path) -> None:
    assert set(map_chunks(identity_of_worker, "", range(3), workers=WorkerConfig(1))) == {os.getpid()}
    theirs = set(map_chunks(identity_of_worker, str(tmp_path), range(4), workers=WorkerConfig(2)))
    assert len(theirs) == 2
    assert os.getpid() not in theirs


def test_nothing_to_do_is_done_at_once() -> None:
    assert list(map_chunks(scaled, 7, [], workers=WorkerConfig(2))) == []
    assert list(map_chunks(identity_of_worker, "", [0], workers=WorkerConfig(2))) == [os.getpid()]
    assert list(map_chunks(identity_of_worker, "", [0])) == [os.getpid()]


def test_a_killed_worker_costs_time_not_the_result(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    found = list(map_chunks(killed_once, str(mark), range(12), workers=WorkerConfig(2)))
    assert mark.exists()
    assert found == [chunk * chunk for chunk in range(12)]


def test_a_chunk_that_kills_every_worker_is_given_up() -> None:
    with pytest.raises(
        WorkLost,
        match=r"process that did it ended 3 times before .*try fewer satellites, days or workers",
    ):
        list(map_chunks(killed_always, "", range(4), workers=WorkerConfig(2)))


SCRIPT = """\
from passim.parallel.chunks import WorkerConfig, map_chunks

def twice(common, chunk, tell):
    return 2 * chunk

{guard}
    print(list(map_chunks(twice, None, range(4), workers=WorkerConfig(2))))
"""


def test_a_script_without_a_main_guard_is_told_so(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    found = {}
    for guard in ("if True:", 'if __name__ == "__main__":'):
        script.write_text(SCRIPT.format(guard=guard))
        found[guard] = subprocess.run(
            [sys.executable, str(script)], capture_output=True, text=True, timeout=PATIENCE_S, check=False
        )
    bare, guarded = found.values()
    assert bare.returncode == 1
    said = bare.stderr.splitlines()[-1]
    assert "WorkNotBegun: worker processes ended before they could begin" in said
    assert 'if __name__ == "__main__":' in said
    assert "memory" not in bare.stderr
    assert (guarded.returncode, guarded.stdout) == (0, "[0, 2, 4, 6]\n")


def test_what_the_task_raises_is_raised_here() -> None:
    for processes in (1, 2):
        with pytest.raises(InputError, match="chunk; got 2; wanted another"):
            list(map_chunks(refused, 0, range(4), workers=WorkerConfig(processes)))


def test_a_result_that_cannot_travel_is_an_error_of_the_work_and_no_lost_worker() -> None:
    """It used to end the worker, and was told as a want of memory."""
    with pytest.raises(Exception, match="lambda") as raised:
        list(map_chunks(untransportable, None, range(2), workers=WorkerConfig(2)))
    assert not isinstance(raised.value, WorkLost)
    assert any("In the worker process" in note for note in raised.value.__notes__)


def untransportable(_: None, chunk: int, tell: Tell) -> Any:
    return lambda: chunk


def test_cancel_stops_what_is_under_way(tmp_path: Path) -> None:
    cancel = threading.Event()
    caller = threading.Thread(target=lambda: (wait_until((tmp_path / "began-0").exists), cancel.set()))
    caller.start()
    with pytest.raises(WorkStopped):
        list(map_chunks(endless, str(tmp_path), range(4), workers=WorkerConfig(2), cancel=cancel))
    caller.join()
    assert (tmp_path / "stopped-0").exists()


def test_cancel_stops_work_in_this_process(tmp_path: Path) -> None:
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(WorkStopped):
        list(map_chunks(scaled, 7, range(4), workers=WorkerConfig(1), cancel=cancel))


def test_a_caller_that_stops_asking_stops_the_work(tmp_path: Path) -> None:
    found = map_chunks(first_then_endless, str(tmp_path), range(4), workers=WorkerConfig(2))
    assert next(found) == 0
    wait_until((tmp_path / "began-1").exists)
    found.close()  # type: ignore[attr-defined]
    assert (tmp_path / "stopped-1").exists()


def first_then_endless(common: str, chunk: int, tell: Tell) -> int:
    return 0 if chunk == 0 else endless(common, chunk, tell)


def test_only_a_bounded_number_of_chunks_is_handed_out() -> None:
    """A first chunk that takes long must not let the results of all others pile up."""
    handed: list[int] = []

    class Counting(workers.Pool):
        def submit(self, task: Any, chunk: Any) -> Any:
            handed.append(chunk)
            return super().submit(task, chunk)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workers, "Pool", Counting)
        found = map_chunks(slow_first, 1.0, range(100), workers=WorkerConfig(2))
        assert next(found) == 0
        assert 2 <= max(handed) <= 2 * 4
        found.close()  # type: ignore[attr-defined]


def slow_first(common: float, chunk: int, tell: Tell) -> int:
    time.sleep(common if chunk == 0 else 0.0)
    return chunk


@pytest.mark.parametrize("count", [0, -1, 257, 1.5, True])
def test_a_number_of_workers_that_is_none_is_refused(count: Any) -> None:
    with pytest.raises(InputError, match=r"number of workers; got .*; wanted a whole number from 1 to 256"):
        WorkerConfig(count)


def test_a_number_and_a_cluster_exclude_each_other() -> None:
    with pytest.raises(InputError, match="wanted one of them"):
        WorkerConfig(2, "tcp://127.0.0.1:8786")


def test_the_usual_team_is_as_large_as_the_machine() -> None:
    assert WorkerConfig().size == len(os.sched_getaffinity(0))


# --- a cluster --------------------------------------------------------------------------------------------------------


def test_without_the_extra_it_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"not installed here; try pip install 'passim\[cluster\]'"):
        list(map_chunks(scaled, 1, range(2), workers=WorkerConfig(cluster="tcp://127.0.0.1:8786")))


@pytest.fixture(scope="module")
def distributed() -> Any:
    return pytest.importorskip("distributed", reason="the extra passim[cluster] is not installed")


def _nobodys_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
    return port


def test_a_cluster_that_does_not_answer_is_told_at_once(distributed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The patience is for a cluster that is slow: where nobody listens it is not spent."""
    monkeypatch.setattr(executors, "CLUSTER_PATIENCE_S", PATIENCE_S)
    begun_s = time.monotonic()
    for address in (f"tcp://127.0.0.1:{_nobodys_port()}", "nowhere", "http://127.0.0.1:80", "127.0.0.1:99999"):
        with pytest.raises(InputError, match=r"cluster does not answer .*try dask scheduler on that machine") as told:
            list(map_chunks(scaled, 1, range(2), workers=WorkerConfig(cluster=address)))
        assert "\n" not in str(told.value)
    assert time.monotonic() - begun_s < PATIENCE_S


def test_something_mute_at_the_port_is_no_cluster(distributed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """It accepts and says nothing, for which the library itself would wait for ever."""
    monkeypatch.setattr(executors, "CLUSTER_PATIENCE_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        with pytest.raises(InputError, match="cluster does not answer"):
            list(map_chunks(scaled, 1, range(2), workers=WorkerConfig(cluster=address)))


@pytest.fixture(scope="module")
def cluster(distributed: Any) -> Iterator[str]:
    """A scheduler and two workers on loopback, as `dask scheduler` and `dask worker` start them."""
    import dask

    # On a busy machine a worker takes long to begin and to answer; a connection that a killed one has left half open
    # is given up after as long.
    patience = "60s"
    settings = {
        "distributed.worker.daemon": True,
        "distributed.admin.tick.limit": "1h",
        "distributed.comm.timeouts.connect": patience,
        "distributed.comm.timeouts.tcp": patience,
        "distributed.deploy.lost-worker-timeout": patience,
        "distributed.scheduler.worker-ttl": None,
    }
    with (
        dask.config.set(settings),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=":0", protocol="tcp://"
        ) as running,
    ):
        yield running.scheduler_address


# The library leaves sockets and loops for the collector to close, in the servers that run in this test's own process.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
class TestCluster:
    def test_results_are_those_of_this_machine(self, cluster: str, tmp_path: Path) -> None:
        found = list(map_chunks(scaled, 7, range(9), workers=WorkerConfig(cluster=cluster)))
        assert found == [(chunk, 7 * chunk) for chunk in range(9)]
        theirs = set(map_chunks(identity_of_worker, str(tmp_path), range(4), workers=WorkerConfig(cluster=cluster)))
        assert len(theirs) == 2
        assert os.getpid() not in theirs

    def test_a_killed_worker_costs_time_not_the_result(self, cluster: str, tmp_path: Path) -> None:
        mark = tmp_path / "mark"
        found = list(map_chunks(killed_once, str(mark), range(12), workers=WorkerConfig(cluster=cluster)))
        assert mark.exists()
        assert found == [chunk * chunk for chunk in range(12)]

    def test_what_the_task_raises_is_raised_here(self, cluster: str) -> None:
        with pytest.raises(InputError, match="chunk; got 2; wanted another"):
            list(map_chunks(refused, 0, range(4), workers=WorkerConfig(cluster=cluster)))

    def test_cancel(self, cluster: str) -> None:
        cancel = threading.Event()
        cancel.set()
        with pytest.raises(WorkStopped):
            list(map_chunks(scaled, 7, range(4), workers=WorkerConfig(cluster=cluster), cancel=cancel))

    def test_another_release_on_the_workers_is_refused(self, cluster: str, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("passim.parallel.executors.version", lambda package: "0.0.0")
        with pytest.raises(InputError, match=r"wanted 0.0.0, as here"):
            list(map_chunks(scaled, 7, range(4), workers=WorkerConfig(cluster=cluster)))


def test_a_cluster_that_has_lost_its_last_worker_says_so_within_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    from passim.parallel import executors

    class Client:
        """A client of a scheduler that runs, and has no worker any more."""

        status = "running"

        def scheduler_info(self) -> dict[str, Any]:
            return {"workers": {}}

    now_s = [1000.0]
    monkeypatch.setattr(executors.time, "monotonic", lambda: now_s[0])
    cluster = executors.Cluster.__new__(executors.Cluster)
    cluster.address, cluster._client = "tcp://scheduler:8786", Client()
    cluster._counted_s = cluster._had_workers_s = now_s[0]
    told = ""
    while now_s[0] < 1060.0 and not told:
        now_s[0] += 1.0
        try:
            cluster.check()
        except WorkLost as error:
            told = str(error)
    assert told.startswith("the cluster at tcp://scheduler:8786 has had no worker for 3")
    assert told.endswith("try dask worker tcp://scheduler:8786 on each machine, and the same again")
