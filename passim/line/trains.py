"""Whether freezes come in step: the period of a train, how strict it is, and how often chance makes one as strict.

Satellites of one plane follow each other at even distances, so a hole between two planes passes again and again:
freezes repeat at about the orbital period divided by the satellites of a plane. Such a train lasts an hour or two. Its
period is the one at which starts within two hours share their phase best: the power |sum exp(2 pi i t / T)|^2 over
stretches of two hours, added up (the Rayleigh statistic of each: Mardia & Jupp, "Directional Statistics", 2000, 6.3,
recalled).

What chance makes of it is found from shuffled days: each freeze keeps its time of day and goes to another day, so that
good and bad hours stay and trains do not. Where fewer than three days were measured there is nothing to shuffle: then
each freeze is moved within its own hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from passim.arrays import Bools, Floats, Ints
from passim.intervals import Intervals

SHORTEST_S: Final = 60.0
LONGEST_S: Final = 3600.0
_BLOCK_S: Final = 7200.0
_BIN_S: Final = 4.0
# Zeros behind each stretch make the periods that are tried denser.
_PADDED: Final = 8192
_FEWEST_IN_BLOCK: Final = 3
_FEWEST_STARTS: Final = 8
_FEWEST_DAYS: Final = 3
_DAY_S: Final = 86_400.0
# A train of period T shares its phase at T/2, T/3 and so on too: the longest that is about as strict is the period.
_MOST_MULTIPLE: Final = 8
_ABOUT_AS_STRICT: Final = 0.6


@dataclass(frozen=True, slots=True)
class Train:
    """A train of freezes, or the nearest thing to one.

    period_s    from one freeze to the next, seconds
    strength    0 where phases are as at random, 1 where all freezes of two hours are exactly in step
    chance      how often a shuffled record has a train as clear as this one
    shuffled    "days" where freezes went to other days, "hours" where they were moved within their hour
    draws       how many shuffled records were tried
    starts      how many freezes lie in stretches with three or more, which alone can tell
    """

    period_s: float
    strength: float
    chance: float
    shuffled: Literal["days", "hours"]
    draws: int
    starts: int

    @property
    def is_train(self) -> bool:
        """Whether chance makes as clear a train in at most one record of twenty."""
        return self.chance <= 0.05


def find_train(start_s: Floats, measured_us: Intervals, *, draws: int = 200, seed: int = 1) -> Train | None:
    """Return the train in freezes that begin at `start_s`, shape (n,), seconds since 1970 UTC, ascending.

    `measured_us` is when the line was measured, microseconds since 1970 UTC. None where too few freezes lie near each
    other: fewer than eight, in stretches of two hours that hold three or more.
    """
    start_s = np.sort(np.asarray(start_s, dtype=np.float64))
    kept = start_s[_crowded(start_s)]
    if kept.size < _FEWEST_STARTS:
        return None
    generator = np.random.Generator(np.random.PCG64(seed))
    windows = Intervals(np.asarray(measured_us.start) / 1e6, np.asarray(measured_us.end) / 1e6)
    days = np.unique(start_s // _DAY_S).size
    shuffled: Literal["days", "hours"] = "days" if days >= _FEWEST_DAYS else "hours"
    move = _other_days if shuffled == "days" else _within_hours

    frequencies = np.arange(_PADDED // 2 + 1) / (_PADDED * _BIN_S)
    tried = np.flatnonzero((frequencies >= 1.0 / LONGEST_S) & (frequencies <= 1.0 / SHORTEST_S))
    power = _power(start_s)[tried]
    by_chance = np.stack([_power(np.sort(move(start_s, windows, generator)))[tried] for _ in range(draws)])
    # Bad hours alone make long periods strong: each period is compared with what shuffled records have at it.
    usual = by_chance.mean(axis=0) + 1e-9
    ratio = power / usual
    best = int(np.argmax(ratio))
    chance = (1 + int((np.max(by_chance / usual, axis=1) >= ratio[best]).sum())) / (1 + draws)
    best = _fundamental(power, tried, best)
    period_s = _refined(start_s, frequencies[tried[best]])
    return Train(period_s, _strength(start_s, period_s), chance, shuffled, draws, int(kept.size))


def _blocks(start_s: Floats) -> Ints:
    return (start_s // _BLOCK_S).astype(np.int64)


def _crowded(start_s: Floats) -> Bools:
    """Return which starts lie in a stretch that holds enough of them."""
    _, which, count = np.unique(_blocks(start_s), return_inverse=True, return_counts=True)
    return np.asarray(count[which] >= _FEWEST_IN_BLOCK)


def _power(start_s: Floats) -> Floats:
    """Return the power at every frequency, over the number of starts: 1 on average where phases are at random."""
    start_s = start_s[_crowded(start_s)]
    if not start_s.size:
        return np.zeros(_PADDED // 2 + 1)
    blocks, row = np.unique(_blocks(start_s), return_inverse=True)
    place = ((start_s - blocks[row] * _BLOCK_S) // _BIN_S).astype(np.int64)
    grid = np.zeros((blocks.size, _PADDED))
    np.add.at(grid, (row, place), 1.0)
    return np.asarray((np.abs(np.fft.rfft(grid, axis=1)) ** 2).sum(axis=0) / start_s.size)


def _fundamental(power: Floats, tried: Ints, best: int) -> int:
    """Return the place of the longest period that is a multiple of the best one's and about as strict."""
    chosen = best
    for multiple in range(2, _MOST_MULTIPLE + 1):
        centre = tried[best] / multiple
        near = np.flatnonzero(np.abs(tried - centre) <= 1.5)
        if near.size and power[near].max() >= _ABOUT_AS_STRICT * power[best]:
            chosen = int(near[np.argmax(power[near])])
    return chosen


def _refined(start_s: Floats, frequency: float) -> float:
    """Return the period, seconds, at which the power is highest between the frequencies next to one."""
    step = 1.0 / (_PADDED * _BIN_S)
    fine = np.linspace(frequency - step, frequency + step, 81)
    start_s = start_s[_crowded(start_s)]
    power = np.zeros(fine.size)
    for block in np.unique(_blocks(start_s)).tolist():
        mine = start_s[_blocks(start_s) == block] - block * _BLOCK_S
        power += np.abs(np.exp(2j * np.pi * np.outer(fine, mine)).sum(axis=1)) ** 2
    return float(1.0 / fine[int(np.argmax(power))])


def _strength(start_s: Floats, period_s: float) -> float:
    """Return how strict a train of this period is: 0 as at random, 1 exactly in step."""
    start_s = start_s[_crowded(start_s)]
    got = most = 0.0
    for block in np.unique(_blocks(start_s)).tolist():
        mine = start_s[_blocks(start_s) == block] - block * _BLOCK_S
        got += abs(np.exp(2j * np.pi * mine / period_s).sum()) ** 2 - mine.size
        most += mine.size**2 - mine.size
    return float(np.clip(got / most, 0.0, 1.0)) if most else 0.0


def _other_days(start_s: Floats, windows: Intervals, generator: np.random.Generator) -> Floats:
    """Return starts moved to other days at the same time of day, where that was measured; what finds none stays."""
    days = np.unique(start_s // _DAY_S)
    moved = start_s.copy()
    waiting = np.arange(start_s.size)
    for _ in range(6):
        drawn = days[generator.integers(0, days.size, waiting.size)] * _DAY_S + start_s[waiting] % _DAY_S
        there = _within(drawn, windows)
        moved[waiting[there]] = drawn[there]
        waiting = waiting[~there]
    return moved


def _within_hours(start_s: Floats, windows: Intervals, generator: np.random.Generator) -> Floats:
    """Return starts moved within their own hour, where that was measured; what finds no place stays."""
    moved = start_s.copy()
    waiting = np.arange(start_s.size)
    for _ in range(6):
        drawn = start_s[waiting] // 3600.0 * 3600.0 + generator.random(waiting.size) * 3600.0
        there = _within(drawn, windows)
        moved[waiting[there]] = drawn[there]
        waiting = waiting[~there]
    return moved


def _within(at_s: Floats, windows: Intervals) -> Bools:
    k = np.searchsorted(windows.start, at_s, side="right") - 1
    return np.asarray((k >= 0) & (at_s < np.asarray(windows.end)[np.maximum(k, 0)]))
