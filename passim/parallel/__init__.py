"""Work in other processes: on as many cores or machines as there are, or beside a server with threads.

worker_limits  what every worker process lives by: it ends with its parent, and its memory has a limit
worker      begins worker processes, hands them calls, watches them, replaces those that die, ends them
executors   the processes of this machine, or the workers of a cluster
chunks      one piece of work handed out in chunks, results in order
memory      what a process has freed goes back to the system
jobs        one job after another, each with its progress, its deadline and a way to stop it
"""

from __future__ import annotations

from passim.parallel.jobs import Job, WorkerPool
from passim.parallel.memory import keep_one_heap
from passim.parallel.worker import WorkLost, WorkStopped

__all__ = ["Job", "WorkLost", "WorkStopped", "WorkerPool", "keep_one_heap"]
