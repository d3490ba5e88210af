"""A forecast's odds made to fit a record of the line: what the line does to forecast gaps, and what it adds to them.

Three things are learned of a line (`passim.line.learning` does so). Not every forecast gap comes: a share of them does.
Those that come begin and end later than forecast, by how long the line takes to notice. And some outages come that no
satellite explains: a floor, with a rate for each hour of the local day, and the lengths that were recorded.

A gap forecast with the chance p then comes with c p, and where the floor has the chance q the two make
1 - (1 - c p)(1 - q), since the floor knows nothing of satellites. In forecast verification such a step is called
calibration, or the post-processing of a model's output (Wilks, "Statistical methods in the atmospheric sciences",
recalled).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from passim.arrays import Floats, Ints
from passim.errors import InputError
from passim.forecast.floor import Floor
from passim.forecast.odds import Odds
from passim.forecast.odds_events import Simulation
from passim.intervals import GroupedIntervals, GroupedSet
from passim.spans import Span


@dataclass(frozen=True)
class Calibration:
    """What a record has taught about a line.

    came_share      of the gaps forecast that the record could have seen, the share that came, 0 to 1
    begins_late_s   by how much those that come begin later than forecast, seconds, and `ends_late_s` end later
    floor           the outages that no satellite explains

    Raises InputError for numbers out of range.
    """

    came_share: float
    begins_late_s: float
    ends_late_s: float
    floor: Floor

    def __post_init__(self) -> None:
        if not 0.0 <= self.came_share <= 1.0:
            raise InputError("share of gaps that come", got=self.came_share, wanted="a number from 0 to 1")
        for late_s in (self.begins_late_s, self.ends_late_s):
            if not -60.0 <= late_s <= 60.0:
                raise InputError("how late gaps come", got=late_s, wanted="seconds from -60 to 60")

    def moved(self, joint: GroupedSet, searched: Span) -> GroupedIntervals:
        """Return intervals of service as the line has them: a gap that begins later lets service before it last longer.

        None reaches out of `searched`; those that end before they begin are left out.
        """
        group, start, end = (np.asarray(each, dtype=np.int64) for each in joint)
        # Service that lasts to an end of what was searched goes on there: only real edges move.
        later_start = np.where(start > searched.start_us, start + round(self.ends_late_s * 1e6), start)
        later_end = np.where(end < searched.end_us, end + round(self.begins_late_s * 1e6), end)
        later_start = np.maximum(later_start, searched.start_us)
        later_end = np.minimum(later_end, searched.end_us)
        left = later_end > later_start
        return GroupedIntervals(group[left], later_start[left], later_end[left])

    def thinned(self, plain: Simulation, seed: int) -> Simulation:
        """Return drawn futures whose intervals were `moved`, without the gaps that do not come, and with the floor.

        Whether a gap comes hangs on its run, its end and the seed alone, so that it is the same in every span.
        """
        comes = _uniform(seed, plain.run, plain.end_us) < self.came_share
        run, start_us, end_us = plain.run[comes], plain.start_us[comes], plain.end_us[comes]
        return Simulation(plain.span, plain.runs, run, start_us, end_us, self.floor)

    def odds(self, plain: Odds) -> Odds:
        """Return odds whose intervals were `moved`, with the share that comes and the floor counted in."""
        floor = self.floor.out_at(plain.moments_us)
        chance = 1.0 - (1.0 - self.came_share * plain.no_service) * (1.0 - floor)
        return Odds(plain.span, plain.edges_us.copy(), chance, plain.skipped_below)


def _uniform(seed: int, run: Ints, time_us: Ints) -> Floats:
    """Return a number from 0 to below 1 for each pair of run and time, the same for the same seed.

    The mixing function is splitmix64 (Steele, Lea & Flood, "Fast splittable pseudorandom number generators", 2014,
    recalled); its even spread is tested.
    """
    mixed = np.full(run.shape, seed, dtype=np.uint64)
    for part in (run, time_us):
        mixed = mixed + part.astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed = mixed ^ (mixed >> np.uint64(31))
    uniform: Floats = (mixed >> np.uint64(11)).astype(np.float64) / 2.0**53
    return uniform
