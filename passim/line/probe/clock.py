"""Time of day that nobody sets: UTC by the clock of the machine's running, and what has happened to either.

A send is stamped by a clock that only ever runs on, tied to UTC when a run of measuring begins. Both follow the
corrections that a time server makes to their rate. What breaks the tie is told: a clock that was set, a machine that
slept.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

# A clock that is off by more than this against the running of the machine was set.
STEP_US: Final = 100_000
# A machine that was away for longer than this was asleep.
_ASLEEP_NS: Final = 200_000_000


def _running_ns() -> int:
    """Return for how long the machine has been running, its sleep included where the system tells (Linux)."""
    number = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if number is None else time.clock_gettime_ns(number)


@dataclass(frozen=True, slots=True)
class Clocks:
    """The clocks of a machine, nanoseconds: time of day; since it was started; the same without its sleep.

    Where a system does not tell the last two apart, a sleep shows as a clock that was set forward.
    """

    time_of_day_ns: Callable[[], int] = time.time_ns
    running_ns: Callable[[], int] = _running_ns
    awake_ns: Callable[[], int] = time.monotonic_ns


class SteadyClock:
    """UTC from the running of the machine, as `tie` found them to stand to each other."""

    def __init__(self, clocks: Clocks | None = None) -> None:
        self._clocks = clocks or Clocks()
        self.running_ns = self._clocks.running_ns
        self.tie()

    def tie(self) -> None:
        """Take the time of day as it is now."""
        self._utc_less_running_ns = self._offset_ns()
        self._slept_ns = self._sleep_ns()

    def utc_us(self, running_ns: int) -> int:
        """Return the moment, microseconds since 1970 UTC, at which the machine had run for `running_ns`."""
        return (running_ns + self._utc_less_running_ns) // 1000

    def slept(self) -> bool:
        """Say whether the machine has slept since `tie`."""
        return self._sleep_ns() - self._slept_ns > _ASLEEP_NS

    def step_us(self) -> int:
        """Return by how much the time of day was set since `tie`, microseconds; 0 where it was not."""
        step_us = (self._offset_ns() - self._utc_less_running_ns) // 1000
        return step_us if abs(step_us) > STEP_US else 0

    def _sleep_ns(self) -> int:
        # The awake clock is read first: whatever comes between the two only makes the sleep look shorter than it was.
        awake_ns = self._clocks.awake_ns()
        return self.running_ns() - awake_ns

    def _offset_ns(self) -> int:
        """Return time of day less running, by the closest of three readings of one between two of the other."""
        best = None
        for _ in range(3):
            before_ns = self.running_ns()
            now_ns = self._clocks.time_of_day_ns()
            apart_ns = self.running_ns() - before_ns
            if best is None or apart_ns < best[0]:
                best = (apart_ns, now_ns - before_ns - apart_ns // 2)
        assert best is not None
        return best[1]
