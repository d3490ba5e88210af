"""The one search behind every answer: a fleet over a span, part by part, for any number of sites or views.

The span is cut into parts that fit in memory, and one propagation of a part serves every place: `FleetSearch.each`
walks the parts, lets its caller look at each place, and lets go of the nodes. Passes, visibility limit by limit and the
counts of many places are three things to look for in the same walk.

Who asks about one view after another, with another mask, gateway or cone each time, asks `SEARCHES`: it keeps the nodes
and what stood above the floor of the last few places, so that only what changed is searched again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from passim.elements.records import Fleet
from passim.errors import EmptyFleetError
from passim.intervals import GroupedIntervals
from passim.orbits.arcs import NodeGrid, segment_length_s
from passim.orbits.propagation import Propagator
from passim.sky.cull import CoarseOrbits, coarse_orbits
from passim.sky.horizon import Horizon
from passim.sky.horizon_function import HorizonFunction
from passim.sky.many_sites import intervals_at
from passim.sky.pass_intervals import PassIntervals, SkyLimit, edges_of, intervals_of
from passim.sky.search_report import SearchReport, report_of
from passim.sky.site import Site
from passim.spans import Span, moment

Index = NDArray[np.intp]
Progress = Callable[[float], None]
Place = TypeVar("Place")
Find = TypeVar("Find")

# How many node states are held together: this bounds the memory, whatever the fleet and the span.
_MOST_STATES = 3_000_000

# How much of searches is kept for the next question, bytes in each process: 10,000 satellites over 24 hours take 40 MB.
MOST_RETAINED: Final = 96_000_000
# So many places under flat masks are looked at together over a day, and more over less, which bounds what is held at
# once; fewer are not worth it.
_MOST_TOGETHER_A_DAY: Final = 128
_MOST_TOGETHER: Final = 2_048
FEWEST_TOGETHER: Final = 10
# How much of the work on places is done once they have been looked at together: for telling the progress.
_SHARE_TOGETHER: Final = 0.8

# At so many places what stood above the floor is kept with the nodes.
_MOST_BASES = 4


class FlatSky(NamedTuple):
    """A place and a flat mask, by which it may be looked at together with others."""

    site: Site
    mask_deg: float


class Part:
    """A stretch of the span for satellites whose segments are equally long; ``members`` are their indices."""

    def __init__(self, search: FleetSearch, members: Index, start_s: float, end_s: float, segment_s: float) -> None:
        self.members, self.start_s, self.end_s, self.segment_s = members, start_s, end_s, segment_s
        self.most_together = min(_MOST_TOGETHER, int(_MOST_TOGETHER_A_DAY * 86_400.0 / (end_s - start_s)))
        self._search = search
        self._nodes: tuple[NodeGrid, CoarseOrbits] | None = None
        self._bases: dict[tuple[bytes, float], PassIntervals] = {}
        self._together: dict[tuple[bytes, float], PassIntervals] = {}

    @property
    def grid(self) -> NodeGrid:
        """The node grid of the members, made at first use; its own satellite numbers are places in ``members``."""
        return self.prepared()[0]

    def look_together(
        self, places: Sequence[FlatSky], *, edges_alone: bool = False, progress: Progress | None = None
    ) -> None:
        """Look at places under flat masks all at once, for those who ask `passes`, `base` or `edges` about them next.

        What is found is kept until the next such call, or `forget`. With `edges_alone` only `edges` may ask.
        """
        self._together.clear()
        wanted = {(_key(site), mask_deg): (site, mask_deg) for site, mask_deg in places}
        for known in self._bases:
            wanted.pop(known, None)
        if len(wanted) < FEWEST_TOGETHER:
            return
        sites, masks_deg = zip(*wanted.values(), strict=True)
        found = intervals_at(*self.prepared(), sites, masks_deg, edges_alone=edges_alone, progress=progress)
        self._together.update(zip(wanted, found, strict=True))

    def passes(self, site: Site, limit: SkyLimit) -> PassIntervals:
        """Return the intervals, with peaks and azimuths, on the allowed side of `limit` at `site`.

        Satellites are indices of the whole fleet, times seconds since the start of the span.
        """
        found = self._found_together(site, limit) or intervals_of(*self.prepared(), site, limit)
        return replace(
            found,
            satellite=self.members[found.satellite],
            start_s=found.start_s + self.start_s,
            end_s=found.end_s + self.start_s,
            peak_s=found.peak_s + self.start_s,
        )

    def base(self, site: Site, floor_deg: float) -> PassIntervals:
        """Return `passes` above a flat floor; those of the last few places are kept as long as the nodes are."""
        key = _key(site), floor_deg
        found = self._bases.pop(key, None)
        if found is None:
            found = self.passes(site, HorizonFunction(Horizon.flat(floor_deg)))
        self._bases[key] = found
        if len(self._bases) > _MOST_BASES:
            del self._bases[next(iter(self._bases))]
        return found

    def edges(self, site: Site, limit: SkyLimit) -> GroupedIntervals:
        """Return when `passes` would find satellites, and no more: by satellite index, microseconds since 1970 UTC."""
        found = self._found_together(site, limit)
        if found is None:
            satellite, start_s, end_s = edges_of(*self.prepared(), site, limit)
        else:
            satellite, start_s, end_s = found.satellite, found.start_s, found.end_s
        start_us = self._search.time_us(start_s + self.start_s)
        end_us = self._search.time_us(end_s + self.start_s)
        some = end_us > start_us
        return GroupedIntervals(self.members[satellite[some]].astype(np.int64), start_us[some], end_us[some])

    @property
    def size_bytes(self) -> int:
        """About how much memory the nodes take, and what is kept with them."""
        if self._nodes is None:
            return 0
        grid, coarse = self._nodes
        bases = (array for found in self._bases.values() for array in vars(found).values())
        return grid.size_bytes + coarse.size_bytes + sum(int(array.nbytes) for array in bases)

    def file(self) -> None:
        """File which satellites gave a usable state and what was wrong with others."""
        if self._nodes is not None:
            grid, coarse = self._nodes
            self._search.note_usable(self.members[coarse.satellite])
            self._search.note_usable(self.members[grid.followed()])
            for index, (time_s, reason) in grid.trouble.items():
                self._search.note_trouble(int(self.members[index]), self.start_s + time_s, reason)

    def forget(self) -> None:
        """Let go of the nodes, and of what is kept with them."""
        self._nodes = None
        self._bases.clear()
        self._together.clear()

    def _found_together(self, site: Site, limit: SkyLimit) -> PassIntervals | None:
        """Return what `look_together` found of a place, if it looked at that."""
        if not self._together or not isinstance(limit, HorizonFunction) or not limit.horizon.is_flat:
            return None
        return self._together.get((_key(site), limit.horizon.lowest_deg))

    def prepared(self) -> tuple[NodeGrid, CoarseOrbits]:
        """Return the node grid and the coarse orbits of the cull, made at first use."""
        if self._nodes is None:
            propagator = self._search.propagator_of(self.segment_s)
            start_us = self._search.span.start_us + round(self.start_s * 1e6)
            duration_s = self.end_s - self.start_s
            grid = NodeGrid(propagator, start_us, duration_s, self.segment_s)
            self._nodes = grid, coarse_orbits(propagator, start_us, duration_s)
        return self._nodes


class FleetSearch:
    """The search of one fleet over one span: ``fleet`` has one set an object, that nearest the middle of the span.

    Raises EmptyFleetError if no satellite is left to propagate.
    """

    def __init__(self, fleet: Fleet, span: Span) -> None:
        self.span = span
        self.fleet, self.set_aside = fleet.nearest(span.middle)
        if not len(self.fleet):
            raise EmptyFleetError("fleet", got="no element set", wanted="at least one", try_next="another element file")
        propagator = Propagator.of(self.fleet)
        length_s = segment_length_s(propagator)
        self._members = {float(length): np.flatnonzero(length_s == length) for length in np.unique(length_s)}
        whole = len(self._members) == 1
        self._propagators = {
            length: propagator if whole else propagator.select(members) for length, members in self._members.items()
        }
        self.retains = False
        self._trouble: dict[int, tuple[float, str]] = {}
        self._usable = np.zeros(len(self.fleet), dtype=bool)
        self.parts = list(self._cut())

    def each(
        self,
        places: Sequence[Place],
        look: Callable[[Part, Place], Find],
        progress: Progress | None = None,
        *,
        sky: Callable[[Place], FlatSky | None] | None = None,
        edges_alone: bool = False,
    ) -> list[list[Find]]:
        """Return what `look` finds in every part for each of `places`: a list a place, in the order of the parts.

        The places share the nodes of a part, which are let go of before the next one, unless the search retains them
        and there is room. `progress` is called with the share done. `sky` says which flat sky `look` asks the part for
        first, if it does: those of several places are found together, as many at once as bound the memory;
        `edges_alone` as for `Part.look_together`.
        """
        finds: list[list[Find]] = [[] for _ in places]
        for done, part in enumerate(self.parts):

            def tell(share: float, done: int = done) -> None:
                if progress:
                    progress((done + share) / len(self.parts))

            for first in range(0, len(places), part.most_together):
                some = places[first : first + part.most_together]
                begins, length = first / len(places), len(some) / len(places)
                skies = [flat for place in some if (flat := sky(place)) is not None] if sky else []
                ahead = _SHARE_TOGETHER * length if len(skies) >= FEWEST_TOGETHER else 0.0
                if ahead:

                    def tell_together(share: float, begins: float = begins, ahead: float = ahead) -> None:
                        tell(begins + ahead * share)

                    part.look_together(skies, edges_alone=edges_alone, progress=tell_together)
                for number, place in enumerate(some):
                    finds[first + number].append(look(part, place))
                    tell(begins + ahead + (length - ahead) * (number + 1) / len(some))
            part.file()
            if not self.retains or self.size_bytes > MOST_RETAINED:
                part.forget()
        return finds

    @property
    def size_bytes(self) -> int:
        """About how much memory the nodes of all parts take."""
        return sum(part.size_bytes for part in self.parts)

    @property
    def had_trouble(self) -> bool:
        """Whether some satellite gave an unusable state."""
        return bool(self._trouble)

    def of_fleet(self, fleet: Fleet, set_aside: int) -> bool:
        """Take `fleet` for that of the search where its element sets are the same, and say whether they are."""
        if fleet is not self.fleet:
            if len(fleet) != len(self.fleet) or fleet != self.fleet:
                return False
            Propagator.share(self.fleet, fleet)
        self.fleet, self.set_aside = fleet, set_aside
        return True

    def time_us(self, since_start_s: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return seconds since the start of the span as microseconds since 1970 UTC, in their shape."""
        return np.round(since_start_s * 1e6).astype(np.int64) + self.span.start_us

    def propagator_of(self, segment_s: float) -> Propagator:
        """Return the propagator of the satellites whose segments are `segment_s` long."""
        return self._propagators[segment_s]

    def note_trouble(self, satellite: int, time_s: float, reason: str) -> None:
        """File the first unusable state of a satellite."""
        if satellite not in self._trouble or time_s < self._trouble[satellite][0]:
            self._trouble[satellite] = (time_s, reason)

    def note_usable(self, satellites: Index) -> None:
        """File which satellites gave a usable state at all."""
        self._usable[satellites] = True

    @property
    def empty(self) -> EmptyFleetError | None:
        """Why nothing can be said, where no satellite gave a usable state."""
        if not self._trouble or self._usable.any():
            return None
        index, (_, reason) = min(self._trouble.items())
        return EmptyFleetError(
            f"no satellite left of {len(self.fleet):,}: {self.fleet[index].label}: {reason}",
            wanted="at least one that SGP4 can follow in the span",
            try_next="newer elements or an earlier span",
        )

    @property
    def unusable(self) -> tuple[tuple[str, str, str], ...]:
        """Identifier and name of each satellite that gave an unusable state, and what was wrong since when."""
        return tuple((self.fleet[index].satellite_id, self.fleet[index].name, why) for index, why in self._reasons)

    @property
    def _reasons(self) -> list[tuple[int, str]]:
        return [
            (index, f"{reason}, from {moment(self.span.start_us + round(time_s * 1e6)):%Y-%m-%d %H:%M}Z on")
            for index, (time_s, reason) in sorted(self._trouble.items())
        ]

    def report(self, found: PassIntervals | None = None) -> SearchReport:
        """Return the report on this search; who was never up and who always follows from what was `found` at a site.

        Raises EmptyFleetError when no satellite gave a usable state: no passes would then say nothing about the sky.
        """
        if self.empty is not None:
            raise self.empty
        seen = always = np.empty(0, dtype=np.intp)
        if found is not None:
            left_s = self.span.duration_s - found.end_s
            throughout = (np.round(found.start_s * 1e6) <= 0) & (np.round(left_s * 1e6) <= 0)
            seen, always = found.satellite, np.unique(found.satellite[throughout])
        return report_of(
            self.fleet,
            set_aside=self.set_aside,
            seen=seen,
            always=always,
            unusable=self._reasons,
        )

    def _cut(self) -> Iterator[Part]:
        duration_s = self.span.duration_s
        for segment_s, members in self._members.items():
            # Whole days if memory allows, else whole hours; always whole segments, so that parts join at nodes.
            states_per_second = len(members) / segment_s
            hours = int(np.clip(_MOST_STATES / states_per_second / 3600.0, 1.0, 24.0))
            edges = np.append(np.arange(0.0, duration_s, hours * 3600.0), duration_s)
            for start_s, end_s in pairwise(edges.tolist()):
                yield Part(self, members, start_s, end_s, segment_s)


def _key(site: Site) -> bytes:
    """Return what tells places apart: where they are, and their axes."""
    return site.position_km.tobytes() + site.east_north_up.tobytes()


class RetainedSearches:
    """The searches of the last questions, for the next: the same fleet and span under other limits, or elsewhere.

    At most `most_bytes` are kept, the oldest search let go of first. A search is taken out while it is in use, so that
    two threads never share one. Where a satellite gave an unusable state nothing is kept, because which of them are
    met depends on where somebody looked, and an answer must not depend on the question before.
    """

    def __init__(self, most_bytes: int = MOST_RETAINED) -> None:
        self.most_bytes = most_bytes
        self._kept: list[FleetSearch] = []
        self._lock = threading.Lock()

    def take(self, fleet: Fleet, span: Span) -> FleetSearch:
        """Return a search of `fleet` over `span`, one that was kept if there is one. Raises what `FleetSearch` does."""
        chosen, set_aside = fleet.nearest(span.middle)
        with self._lock:
            for number, search in enumerate(self._kept):
                same_span = (search.span.start_us, search.span.end_us) == (span.start_us, span.end_us)
                if same_span and search.of_fleet(chosen, set_aside):
                    search.span = span
                    return self._kept.pop(number)
        search = FleetSearch(fleet, span)
        search.retains = True
        return search

    def give_back(self, search: FleetSearch) -> None:
        """Keep a search for the next question, as far as there is room."""
        if search.had_trouble:
            return
        with self._lock:
            self._kept.insert(0, search)
            while self._kept and sum(each.size_bytes for each in self._kept) > self.most_bytes:
                self._kept.pop()

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._kept.clear()


SEARCHES: Final = RetainedSearches()
