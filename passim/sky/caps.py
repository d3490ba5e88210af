"""Many caps of the sky at once: flat masks, antenna cones and gateways' masks, looked for side by side.

A cap is what lies within an angle of a direction: seen from a place, a satellite is inside where its offset along the
cap's axis exceeds the sine times its distance. That is one formula for a mask, a cone and a mask at another place, so
that hundreds of them are one search over their arcs, laid end to end in Earth-fixed axes: for a small fleet a search by
itself costs more in calls than in numbers. Refined arcs, which several caps need, are made once for all.

What is found is what `allowed_within` finds for each, to the last digits of a double.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from passim.orbits.arcs import NodeGrid, Segments
from passim.search import Stretches, positive_stretches
from passim.sky.local_arcs import Cap, LocalArcs
from passim.sky.pass_intervals import found_in, segments_around
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Segments looked at together, over all caps: 4 MB of arcs.
_MOST_AT_ONCE = 30_000


def allowed_in_caps(
    grid: NodeGrid, caps: Sequence[tuple[Site, Cap]], satellite: Index, start_s: Floats, end_s: Floats
) -> tuple[Index, Index, Floats, Floats]:
    """Return when satellites are inside each of `caps`, looking only around given intervals, as `allowed_within` does.

    Returns the number of the cap, the satellite, start_s and end_s, (n,) each, sorted by cap, satellite and start.
    """
    chosen, number = segments_around(grid, satellite, start_s, end_s)
    segments = grid.segments_seen(chosen, number, np.zeros(3), np.eye(3))
    at_once = max(1, _MOST_AT_ONCE // max(len(segments), 1))
    found = []
    for first in range(0, len(caps), at_once):
        looking = _SideBySide.of(grid, caps[first : first + at_once])
        whose, starts, ends = found_in(looking, looking.arcs(segments))
        cap, which = np.divmod(whose, len(grid.propagator))
        found.append((cap + first, which, starts, ends))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))  # type: ignore[return-value]


@dataclass(frozen=True)
class _SideBySide:
    """Caps that look at once: satellite s of cap k has the number k * satellites of the grid + s.

    Places and axes are Earth-fixed, shape (3, caps), and so are the arcs, but for their origin.
    """

    grid: NodeGrid
    origin_km: Floats
    axis: Floats
    sine: Floats
    is_cap: bool = True

    @classmethod
    def of(cls, grid: NodeGrid, caps: Sequence[tuple[Site, Cap]]) -> _SideBySide:
        """Return some caps, each with the place that it is seen from."""
        origin_km = np.stack([site.position_km for site, _ in caps], axis=1)
        axis = np.stack([cap.axis @ site.east_north_up for site, cap in caps], axis=1)
        return cls(grid, origin_km, axis, np.array([cap.sine for _, cap in caps]))

    def arcs(self, segments: Segments) -> LocalArcs:
        """Return Earth-fixed `segments` as every cap has them, cap after cap."""
        caps, count = self.sine.size, len(segments)
        return self._from_their_places(
            Segments(
                np.tile(segments.satellite, caps) + np.repeat(np.arange(caps) * len(self.grid.propagator), count),
                np.tile(segments.number, caps),
                np.tile(segments.start_s, caps),
                np.tile(segments.length_s, caps),
                np.tile(segments.coefficients_km, (1, 1, caps)),
            )
        )

    def above(self, arcs: LocalArcs, segment: Index, left: Floats, right: Floats, margin_km: float) -> Stretches:
        """Return where the arcs are inside their caps."""
        cap = arcs.segments.satellite // len(self.grid.propagator)

        def curve(which: Index, x: Floats) -> tuple[Floats, Floats]:
            position, rate = arcs.motion(which, x)
            here = cap[which]
            axis, sine = self.axis[:, here], self.sine[here]
            range_km = np.sqrt(np.einsum("in,in->n", position, position))
            range_rate = np.einsum("in,in->n", position, rate) / range_km
            along, along_rate = np.einsum("in,in->n", axis, position), np.einsum("in,in->n", axis, rate)
            return along - sine * range_km, along_rate - sine * range_rate

        return positive_stretches(curve, segment, left, right, margin=margin_km)

    def refined(self, segments: Segments) -> LocalArcs:
        """Return the refined arcs of segments; what several caps want is made once."""
        cap, satellite = np.divmod(segments.satellite, len(self.grid.propagator))
        pair, refined = self.grid.refined_once(satellite, segments.number)
        whose = cap[pair] * len(self.grid.propagator) + refined.satellite
        return self._from_their_places(replace(refined, satellite=whose))

    def height_km(self, satellite: Index, time_s: Floats) -> Floats:
        """Return how far satellites are inside their caps at times, km at the satellite, shape (n,)."""
        cap, which = np.divmod(satellite, len(self.grid.propagator))
        offset_km = self.grid.positions_km(which, time_s).T - self.origin_km[:, cap]
        along = np.einsum("in,in->n", self.axis[:, cap], offset_km)
        return np.asarray(along - self.sine[cap] * np.linalg.norm(offset_km, axis=0))

    def _from_their_places(self, segments: Segments) -> LocalArcs:
        """Shift the origin of arcs, whose memory is their own, to the places that they are seen from."""
        segments.coefficients_km[0] -= self.origin_km[:, segments.satellite // len(self.grid.propagator)]
        return LocalArcs(segments)
