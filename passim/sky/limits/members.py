"""Limits of the fleet: satellites that are in the catalogue but do not serve."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from passim.elements.health import HealthSummary, assess
from passim.elements.identifiers import SatelliteId
from passim.elements.records import Fleet
from passim.errors import ElementsError, InputError
from passim.sky.limits.base import FleetLimit
from passim.spans import Span


@dataclass(frozen=True)
class ServingFilter(FleetLimit):
    """Only satellites at a shell serve; where none stands out, all that have not decayed: `passim.elements.health`."""

    name: str = "serving"

    def serving(self, fleet: Fleet, span: Span) -> NDArray[np.bool_]:
        """Say of each satellite whether it serves at the middle of the span, shape (satellites,)."""
        return np.asarray(assess(fleet, span.middle).serving)

    def health(self, fleet: Fleet, span: Span) -> HealthSummary:
        """Return the counts behind the filter."""
        return assess(fleet, span.middle).summary


@dataclass(frozen=True)
class ServingShare(FleetLimit):
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

    def serving(self, fleet: Fleet, span: Span) -> NDArray[np.bool_]:
        """Say of each satellite whether it drew a serving lot, shape (satellites,)."""
        lots = [np.random.default_rng([self.seed, SatelliteId(i).seed]).random() for i in fleet.satellite_ids]
        return np.array(lots) < self.percent / 100.0


@dataclass(frozen=True)
class Excluded(FleetLimit):
    """Satellites left out by number. Raises ElementsError for a number that is none."""

    satellite_ids: tuple[SatelliteId, ...]
    name: str = "excluded"

    @classmethod
    def of(cls, numbers: Iterable[str | int]) -> Excluded:
        """Return the limit that leaves out the given catalogue numbers."""
        return cls(tuple(SatelliteId(n) for n in numbers))

    def serving(self, fleet: Fleet, span: Span) -> NDArray[np.bool_]:
        """Say of each satellite whether it is not left out. Raises ElementsError for a number not in the fleet."""
        known = set(fleet.satellite_ids)
        for number in self.satellite_ids:
            if number not in known:
                raise ElementsError("satellite to leave out", got=str(number), wanted=f"a number in {fleet.words}")
        out = set(self.satellite_ids)
        return np.array([number not in out for number in fleet.satellite_ids], dtype=bool)
