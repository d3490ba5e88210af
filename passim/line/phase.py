"""Whether times keep to a clock: seconds modulo a period, tested against chance.

Times that have nothing to do with a period fall evenly round its circle. The length of the mean of their unit vectors
tells how far they do not: the Rayleigh test (Mardia and Jupp, "Directional Statistics", 2000, section 6.3.1; recalled).
A clock of 15 s also makes the circle of 5 s uneven, since it keeps to that as well; one of 30 s is even, as both of its
halves are met. So of the periods that stand out the longest counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

# Whole seconds: probes sent each second make shorter circles uneven by themselves.
PERIODS_S: Final = tuple(float(period) for period in range(5, 61))
# Of the periods that stand out those count whose times keep together nearly as well as those of the best.
_NEARLY: Final = 0.8


@dataclass(frozen=True, slots=True)
class ClockPhase:
    """How times lie on the circle of a period.

    period_s, count     the period, and how many times there were
    phase_s             their mean moment after whole periods since 1970 UTC, from 0 to below the period
    kept                how well they keep together: 1 all at one moment, near 0 evenly spread
    chance              how likely evenly spread times keep together as well, allowing for all the periods tried
    """

    period_s: float
    count: int
    phase_s: float
    kept: float
    chance: float


def clock_phase(times_s: ArrayLike, period_s: float, tried: int = 1) -> ClockPhase:
    """Return how `times_s`, seconds since 1970 UTC, shape (n,), lie on the circle of one period of so many tried.

    The chance is that of the Rayleigh test with the second term of its series (Mardia and Jupp, equation 6.3.6;
    recalled), times `tried` (Bonferroni), never above 1.
    """
    times = np.asarray(times_s, dtype=np.float64)
    if not times.size:
        return ClockPhase(period_s, 0, 0.0, 0.0, 1.0)
    mean = np.exp(2j * np.pi * np.mod(times, period_s) / period_s).mean()
    n, squared = times.size, float(abs(mean)) ** 2
    z = n * squared
    chance = float(np.exp(-z) * (1.0 + (2.0 * z - z * z) / (4.0 * n)))
    phase = float(np.angle(mean) / (2.0 * np.pi) * period_s) % period_s
    return ClockPhase(period_s, n, phase, squared**0.5, min(1.0, max(chance, 0.0) * tried))


def find_clock(times_s: ArrayLike, periods_s: Iterable[float] = PERIODS_S) -> ClockPhase:
    """Return the period whose clock the times keep to: of those that stand out the longest that does so nearly best."""
    periods = tuple(periods_s)
    found = [clock_phase(times_s, period, len(periods)) for period in periods]
    best = min(found, key=lambda each: (each.chance, -each.kept))
    as_good = [each for each in found if each.kept >= _NEARLY * best.kept and each.chance <= max(best.chance, 1e-6)]
    return max(as_good, key=lambda each: each.period_s) if as_good else best
