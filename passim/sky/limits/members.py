"""Limits of the fleet: satellites that are in the catalogue but do not serve."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from passim.elements.health import assess
from passim.elements.identifiers import SatelliteId
from passim.elements.records import Fleet
from passim.errors import ElementsError, InputError
from passim.intervals import GroupedIntervals
from passim.sky.limits.base import Scene
from passim.spans import Span


@dataclass(frozen=True)
class ServingFilter:
    """Only satellites at a shell serve; where none stands out, all that have not decayed: `passim.elements.health`."""

    name: str = "serving"

    def describe(self) -> str:
        """Say what the filter does."""
        return "only satellites in their shell are taken to serve"

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return the intervals of the satellites that serve."""
        return scene.members(np.asarray(assess(scene.fleet, scene.span.middle).serving))

    def notes(self, fleet: Fleet, span: Span) -> tuple[str, ...]:
        """Return the counts behind the filter, in words."""
        return (assess(fleet, span.middle).sentence(),)


@dataclass(frozen=True)
class ServingShare:
    """Only `percent` of the satellites serve, drawn with `seed`: some of a public catalogue never do.

    The draw depends on the identifiers alone, so that a satellite keeps its lot when the fleet grows.
    Raises InputError.
    """

    percent: float
    seed: int = 0
    name: str = "share"

    def __post_init__(self) -> None:
        if not 0.0 < self.percent <= 100.0:
            raise InputError(
                "share of the fleet that serves",
                got=self.percent,
                wanted="more than 0, up to 100 percent",
                try_next="80, for four satellites in five",
            )

    def describe(self) -> str:
        """Say how much of the fleet serves."""
        return f"{self.percent:g} % of the satellites taken to serve (draw {self.seed})"

    def serving(self, fleet: Fleet) -> NDArray[np.bool_]:
        """Say of each satellite whether it serves, shape (satellites,)."""
        lots = [np.random.default_rng([self.seed, SatelliteId(i).seed]).random() for i in fleet.satellite_ids]
        return np.array(lots) < self.percent / 100.0

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return the intervals of the satellites that drew a serving lot."""
        return scene.members(self.serving(scene.fleet))


@dataclass(frozen=True)
class Excluded:
    """Satellites left out by number. Raises ElementsError for a number that is none."""

    satellite_ids: tuple[SatelliteId, ...]
    name: str = "excluded"

    @classmethod
    def of(cls, numbers: Iterable[str | int]) -> Excluded:
        """Return the limit that leaves out the given catalogue numbers."""
        return cls(tuple(SatelliteId(n) for n in numbers))

    def describe(self) -> str:
        """Say how many are left out."""
        return f"{len(self.satellite_ids):,} satellite{'s' if len(self.satellite_ids) != 1 else ''} left out by number"

    def allowed(self, scene: Scene) -> GroupedIntervals:
        """Return the intervals of all the others. Raises ElementsError for a number that is not in the fleet."""
        known = set(scene.fleet.satellite_ids)
        for number in self.satellite_ids:
            if number not in known:
                raise ElementsError(
                    "satellite to leave out", got=str(number), wanted=f"a number in {scene.fleet.words}"
                )
        out = set(self.satellite_ids)
        return scene.members(np.array([i not in out for i in scene.fleet.satellite_ids], dtype=bool))
