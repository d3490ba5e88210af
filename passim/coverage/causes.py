"""Why a site loses service: which limit opens which gap, and where the satellite stood that was missing.

A limit closes a gap if, lifted alone, it leaves no moment of the gap without a satellite. Where no single limit does, a
pair may. Effects are more than additive: a gap that a gateway and a cone open together comes back under neither alone,
and one that either would close counts under both. So the seconds of several limits must never be added up.

Where a terminal loses time at handovers, "handover" stands among the limits: it stops every satellite while one is
allowed and yet none serves. A gap of the sky that ends in a wait is then closed by its limit with handover, and one in
which a satellite is allowed throughout by handover alone. What closes a gap is asked with the handovers where they are,
since with others to choose from they would only move to other moments. What lifting a limit regains over the span is
asked with the handovers followed anew, so that it is the difference between two answers and not a part of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Bools, Ints
from passim.coverage.blocked import BlockedIntervals, bit_count, blocked_within, names_of
from passim.coverage.notebook import as_html
from passim.coverage.steps import Coverage
from passim.coverage.verdict import GapCause, Verdict, verdict_of
from passim.coverage.visibility import Visibility, find_visibility
from passim.elements.records import Fleet
from passim.intervals import Intervals, IntervalSet
from passim.sky.fleet_search import Progress
from passim.sky.service import HANDOVER
from passim.sky.view import View
from passim.spans import DailyHours, Span

# What stands as the cause where no limit and no pair closes a gap: no satellite is up, or more limits must be lifted.
OUT_OF_SKY: Final = "no satellite"
THREE_OR_MORE: Final = "three or more"

COMPASS: Final = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Causes:
    """The gaps of a view with nothing lifted, and what would close each. Made by `find_causes`.

    coverage      how many satellites can serve when
    stopped       the pieces of passes above the floor inside the gaps, and which limits stop each
    single_us     shape (limits, gaps): microseconds of each gap in which a satellite could serve with that limit lifted
    pairs         pairs of limits that close a gap that no single one does, each with the gaps, shape (gaps,)
    all_lifted_us shape (gaps,): the same with every limit lifted, the floor alone left
    regained_us   shape (limits,): microseconds out less those out with that limit lifted and the handovers followed
                  anew, negative where they move for the worse; without such losses the sum of ``single_us``
    """

    visibility: Visibility
    coverage: Coverage
    stopped: BlockedIntervals
    single_us: Ints
    pairs: dict[tuple[str, str], Bools]
    all_lifted_us: Ints
    regained_us: Ints

    def __repr__(self) -> str:
        closed = [f"{name} {count:,}" for name, count in zip(self.limits, self.closed_by.sum(axis=1), strict=True)]
        where = f"{self.visibility.view.title}, {self.visibility.span}"
        return f"<Causes at {where}: {self.coverage.headline}; closed by lifting one limit: {', '.join(closed)}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.seconds_by_cause())

    @property
    def limits(self) -> tuple[str, ...]:
        """The names of the limits, in the order of the rows of ``single_us``."""
        return tuple(self.visibility.allowed)

    @property
    def gaps(self) -> Intervals:
        """The gaps, microseconds since 1970 UTC, shape (gaps,) each."""
        return self.coverage.gap_intervals

    @cached_property
    def gap_us(self) -> Ints:
        """How long each gap is inside the span, microseconds, shape (gaps,)."""
        return np.asarray(self.gaps.end - self.gaps.start)

    @cached_property
    def closed_by(self) -> Bools:
        """Which limit, lifted alone, closes which gap, shape (limits, gaps)."""
        return np.asarray(self.single_us == self.gap_us)

    @property
    def table(self) -> pd.DataFrame:
        """One row a gap, in order: when, how long, which limit, and where the satellite stood that was missing.

        start, end, duration_s, cut_at_start, cut_at_end    as `Coverage.gaps` gives them
        cause                   "gateway"; "gateway or cone", either of which would close it; "gateway with cone", which
                                only both together would; `THREE_OR_MORE`; or `OUT_OF_SKY`, where lifting everything
                                does not close it, because no satellite stands above the floor
        closed_by               the limits that close it alone, as text: "gateway, cone", or empty
        closed_by_pairs         the pairs, where no single limit does: "gateway with cone", or empty
        given_back_<limit>_s    seconds of it that come back with that limit alone lifted. Never to be added up
        missing_azimuth_deg, missing_elevation_deg, missing_direction, missing_satellite_id, blocked_by
                                where the missing satellite stood at the middle of the gap, by angles and compass word,
                                and the limits that stopped it. Of the satellites that lifting the cause would bring
                                back then, it is the highest; where nothing closes the gap, the highest of those that
                                the fewest limits stop. No angles and an empty text if none stood above the floor
        """
        table = self.coverage.gaps()
        pairs = [[" with ".join(pair) for pair in each.closed_by_pairs] for each in self.each]
        table["cause"] = [self._cause(each, words) for each, words in zip(self.each, pairs, strict=True)]
        table["closed_by"] = [", ".join(each.closed_by) for each in self.each]
        table["closed_by_pairs"] = [", ".join(words) for words in pairs]
        for name, given_us in zip(self.limits, self.single_us, strict=True):
            table[f"given_back_{name}_s"] = given_us / 1e6
        missing = self._missing.drop(columns="blocked_by_limits")
        blocked = [" with ".join(each.blocked_by) for each in self.each]
        return table.join(missing.assign(blocked_by=pd.array(blocked, dtype="str")))

    @cached_property
    def each(self) -> tuple[GapCause, ...]:
        """What opens each gap, in order: the same as `table`, as names and not as text."""
        by_pair = self._by_pair.T.tolist()
        rows = zip(
            self.closed_by.T.tolist(),
            by_pair,
            (self.all_lifted_us < self.gap_us).tolist(),
            self._missing["blocked_by_limits"].tolist(),
            strict=True,
        )
        return tuple(
            GapCause(
                tuple(name for name, closes in zip(self.limits, single, strict=True) if closes),
                tuple(pair for pair, closes in zip(self.pairs, paired, strict=True) if closes),
                out_of_sky,
                names_of(bits, self.limits),
            )
            for single, paired, out_of_sky, bits in rows
        )

    def verdict(self) -> Verdict:
        """Return what opens the gaps all in all: roof line or not, what closes how many, how often it is worst."""
        given_us = dict(zip(self.limits, self.regained_us.tolist(), strict=True))
        out_us = int(self.gap_us.sum())
        share = given_us["horizon"] / out_us if out_us else 0.0
        site = self.visibility.view.site
        return verdict_of(
            self.limits, self.each, self.coverage, site.timezone, share, horizon_assumed=site.horizon.assumed
        )

    def seconds_by_cause(self) -> pd.DataFrame:
        """Return one row a limit: what lifting it alone, all others kept, would give back.

        Columns: limit; gaps_closed (whole gaps gone); gaps_shortened (gaps of which a part comes back, or
        a hole in the middle); given_back_s over the span, from ``regained_us``; given_back_s_per_day, the same
        for 24 h; gap_share, of all the seconds in gaps, at most 1.

        There is no row of totals, because there is no total: a gap that either of two limits would close counts under
        both, and one that only the two together close counts under neither.
        """
        out_us = int(self.gap_us.sum())
        given_us = self.regained_us
        days = self.visibility.span.duration_s / 86400.0
        return pd.DataFrame(
            {
                "limit": pd.array(self.limits, dtype="str"),
                "gaps_closed": self.closed_by.sum(axis=1),
                "gaps_shortened": ((self.single_us > 0) & ~self.closed_by).sum(axis=1),
                "given_back_s": given_us / 1e6,
                "given_back_s_per_day": given_us / 1e6 / days,
                "gap_share": given_us / out_us if out_us else np.zeros(len(self.limits)),
            }
        )

    def _cause(self, each: GapCause, pairs: list[str]) -> str:
        if each.closed_by or pairs:
            return " or ".join(each.closed_by or pairs)
        return OUT_OF_SKY if each.out_of_sky else THREE_OR_MORE

    @property
    def _by_pair(self) -> Bools:
        """Which pair closes which gap, shape (pairs, gaps)."""
        return np.array(list(self.pairs.values()), dtype=bool).reshape(len(self.pairs), len(self.gaps.start))

    @cached_property
    def _missing(self) -> pd.DataFrame:
        """The columns that tell which satellite was missing at the middle of each gap, and what stopped it, as bits."""
        start, end = self.gaps
        count = len(start)
        middle = (start + end) // 2

        # The pieces that hold the middle of their gap, and in how good a class of candidates each is.
        gap_of = np.searchsorted(start, self.stopped.start, side="right") - 1
        there = (self.stopped.start <= middle[gap_of]) & (middle[gap_of] < self.stopped.end)
        piece = np.flatnonzero(there)
        gap, limits, satellite = gap_of[piece], self.stopped.limits[piece], self.stopped.satellite[piece]
        brings_back = np.zeros(len(piece), dtype=bool)
        for number in range(len(self.limits)):
            brings_back |= self.closed_by[number, gap] & (limits == 1 << number)
        for pair, closed in zip(self.pairs, self._by_pair, strict=True):
            both = sum(1 << self.limits.index(name) for name in pair)
            brings_back |= closed[gap] & ((limits & ~both) == 0)
        rank = np.where(brings_back, 0, bit_count(limits))

        # Only the best class of each gap is looked at; the highest of it is the one that was missing.
        best = np.full(count, len(self.limits) + 1)
        np.minimum.at(best, gap, rank)
        retained = np.flatnonzero(rank == best[gap])
        gap, limits, satellite = gap[retained], limits[retained], satellite[retained]
        look = self.visibility.look(satellite.astype(np.intp), middle[gap])
        order = np.lexsort((satellite, -look.elevation_deg, gap))
        first = order[np.append(True, np.diff(gap[order]) > 0)[: len(order)]]
        azimuth_deg, elevation_deg = np.full(count, np.nan), np.full(count, np.nan)
        azimuth_deg[gap[first]] = look.azimuth_deg[first]
        elevation_deg[gap[first]] = look.elevation_deg[first]
        directions, satellites = np.full(count, "", dtype=object), np.full(count, "", dtype=object)
        blocked = np.zeros(count, dtype=np.int64)
        directions[gap[first]] = [compass(a) for a in look.azimuth_deg[first].tolist()]
        satellites[gap[first]] = [str(i) for i in self.visibility.fleet.satellite_ids[satellite[first]]]
        blocked[gap[first]] = limits[first]
        return pd.DataFrame(
            {
                "missing_azimuth_deg": azimuth_deg,
                "missing_elevation_deg": elevation_deg,
                "missing_direction": pd.array(directions, dtype="str"),
                "missing_satellite_id": pd.array(satellites, dtype="str"),
                "blocked_by_limits": blocked,
            }
        )


def find_causes(
    fleet: Fleet,
    view: View,
    span: Span,
    *,
    hours: DailyHours | None = None,
    progress: Progress | None = None,
    warn: bool = True,
) -> Causes:
    """Return what opens each gap of a view within `span`, and what each limit lifted alone would give back.

    With `hours` these of each day count alone, by the clock of the site, and a gap that reaches out of them is cut
    there. Raises SpanError where the span meets none of them, and warns and raises as `find_visibility` does.
    """
    seen = find_visibility(fleet, view, span, progress=progress, warn=warn)
    return causes_of(seen, hours.inside(span, view.site.timezone) if hours else None)


def causes_of(visibility: Visibility, within: IntervalSet | None = None) -> Causes:
    """Return what opens each gap of a view: interval algebra on what `find_visibility` kept, no new search.

    `within`, start and end in microseconds since 1970 UTC, are the parts of the span that count; default all of it.
    """
    coverage = visibility.coverage()
    if within is not None:
        coverage = coverage.within(within)
    gaps = coverage.gap_intervals
    stopped = blocked_within(visibility, gaps)
    names = tuple(visibility.allowed)
    gap_us = gaps.end - gaps.start

    single_us = np.zeros((len(names), len(gap_us)), dtype=np.int64)
    for number in range(len(names)):
        single_us[number] = _open_us(stopped, 1 << number, gaps)
    left = ~(single_us == gap_us).any(axis=0)

    # Pairs are asked only about gaps that no single limit closes.
    pairs = {}
    for a, b in combinations(range(len(names)), 2):
        if left.any():
            closed = left & (_open_us(stopped, 1 << a | 1 << b, gaps) == gap_us)
            if closed.any():
                pairs[names[a], names[b]] = closed
    regained_us = single_us.sum(axis=1)
    if HANDOVER in names:
        for number, name in enumerate(names):
            lifted = visibility.coverage((name,))
            still = (lifted if within is None else lifted.within(within)).gap_intervals
            regained_us[number] = int(gap_us.sum()) - int((still.end - still.start).sum())
    all_lifted_us = _open_us(stopped, (1 << len(names)) - 1, gaps)
    return Causes(visibility, coverage, stopped, single_us, pairs, all_lifted_us, regained_us)


def seconds_by_cause(visibility: Visibility) -> pd.DataFrame:
    """Return `Causes.seconds_by_cause` of a view: what each limit lifted alone gives back. Never to be added up."""
    return causes_of(visibility).seconds_by_cause()


def compass(azimuth_deg: float) -> str:
    """Return the nearest of the sixteen points of the compass: "N" for 350 deg, "NNE" for 20."""
    return COMPASS[round(azimuth_deg / 22.5) % 16]


def _open_us(stopped: BlockedIntervals, lifted: int, gaps: Intervals) -> Ints:
    """Return the microseconds of each gap in which one satellite or more can serve with `lifted` limits gone."""
    start, end = stopped.open_without(lifted)
    total = np.zeros(len(gaps.start), dtype=np.int64)
    np.add.at(total, np.searchsorted(gaps.start, start, side="right") - 1, end - start)
    return total
