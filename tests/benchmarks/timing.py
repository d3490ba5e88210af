"""How the benchmarks measure: jobs in turn, wall and CPU time, and the memory of a fresh process.

A ratio of two jobs timed in turn means the same on a slow machine and on a busy one; seconds do not. CPU time, that of
all threads, hardly feels the neighbours.
"""

from __future__ import annotations

import gc
import os
import platform
import resource
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from statistics import median


@dataclass(frozen=True)
class Rounds:
    """Wall and CPU seconds of one job, one entry a round."""

    wall_s: list[float]
    cpu_s: list[float]

    def over(self, other: Rounds, *, scale: float = 1.0) -> dict[str, float]:
        """Return the medians of `scale` times this job over the other, taken round by round, in wall and CPU time."""
        return {
            "wall": scale * median(a / b for a, b in zip(self.wall_s, other.wall_s, strict=True)),
            "cpu": scale * median(a / b for a, b in zip(self.cpu_s, other.cpu_s, strict=True)),
        }


def in_turn(jobs: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, Rounds]:
    """Run the jobs once to warm up, then `rounds` times in turn: A B A B ..."""
    for job in jobs.values():
        job()
    taken = {name: Rounds([], []) for name in jobs}
    for _ in range(rounds):
        for name, job in jobs.items():
            gc.collect()
            wall, cpu = time.perf_counter(), time.process_time()
            job()
            taken[name].cpu_s.append(time.process_time() - cpu)
            taken[name].wall_s.append(time.perf_counter() - wall)
    return taken


def peak_memory_mb() -> float:
    """Return the most memory this process has held, MB of 1e6 bytes.

    The figure starts with that of the process it was started from, so a small one must start it.
    """
    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Linux counts in KiB, macOS in bytes.
    return held / 1e6 if platform.system() == "Darwin" else held * 1024 / 1e6


def machine() -> str:
    """Say in a line on what and how busy a machine this runs."""
    processor = platform.processor() or platform.machine()
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        processor = next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), processor)
    except OSError:
        pass  # only Linux has the file: the architecture must do
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "pandas", "sgp4", "skyfield"))
    load = " ".join(f"{average:.1f}" for average in os.getloadavg())
    return f"{processor}, {os.cpu_count()} cores, load {load}; Python {platform.python_version()}, {packages}"
