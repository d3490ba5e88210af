"""What opens the gaps, all in all: roof line or not, which limits would close how many, and how often it is worst.

Numbers and names alone. Whoever words them decides what is worth a sentence.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum
from typing import Final

import pandas as pd

from passim.coverage.steps import Coverage

_DAY_S: Final = 86400.0
# A horizon that gives back less than this part of the time in gaps is not what opens them.
_NEXT_TO_NOTHING: Final = 0.01
# Parts of the day with at least so much of the busiest part's gaps an hour are as bad as it.
_AS_BUSY: Final = 0.7
_HOURS_A_PART: Final = 6


class RoofLine(Enum):
    """What part the roof line has in the gaps."""

    NOT_ENTERED = "not entered"
    NO_GAP = "no gap"
    THE_CAUSE = "the cause"
    ONE_OF_THE_CAUSES = "one of the causes"
    A_PART = "a part in it"
    NOT_THE_CAUSE = "not the cause"


@dataclass(frozen=True, slots=True)
class GapCause:
    """What opens one gap, by the names of limits.

    closed_by       the limits that close it, each lifted alone
    closed_by_pairs where there is none, the pairs that close it, both lifted
    out_of_sky      whether it stays open with every limit lifted: no satellite stands above the floor
    blocked_by      what stopped the missing satellite at the middle of the gap; empty where none stood above the floor
    """

    closed_by: tuple[str, ...]
    closed_by_pairs: tuple[tuple[str, str], ...]
    out_of_sky: bool
    blocked_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BusyParts:
    """The parts of the local day in which gaps come thickest.

    parts           the day, None where all days count together, and the quarter of it: 0 is the night, 3 the evening
    gaps_per_hour   how often gaps begin in them; ``mean_s`` how long they are on average
    """

    parts: tuple[tuple[date | None, int], ...]
    gaps_per_hour: float
    mean_s: float


@dataclass(frozen=True)
class Verdict:
    """What opens the gaps of a view, all in all.

    closed_alone    for each limit, how many gaps close with it alone lifted
    closed_together for each limit, how many of the gaps that no single limit closes do with it and another lifted
    several_ways    gaps that more than one limit closes, and that stand in ``closed_alone`` of each
    by_no_single    gaps that no single limit closes; ``only_by_pairs`` those among them that a pair closes, and
                    ``pairs`` the ones that close the most of these
    out_of_sky      gaps in which no satellite stands above the floor
    mean_s, longest_s, out_fraction, gaps_per_hour   over the whole time that counts
    longest_cut     whether the span cuts the longest gap at its start and at its end
    busiest         None without a gap
    """

    roof_line: RoofLine
    gap_count: int
    closed_alone: dict[str, int]
    closed_together: dict[str, int]
    several_ways: int
    by_no_single: int
    only_by_pairs: int
    pairs: tuple[tuple[str, str], ...]
    out_of_sky: int
    mean_s: float
    longest_s: float
    longest_cut: tuple[bool, bool]
    out_fraction: float
    gaps_per_hour: float
    busiest: BusyParts | None

    @property
    def leading(self) -> tuple[str, ...]:
        """The limits that alone close most gaps, several where they close as many; empty where none closes any."""
        most = max(self.closed_alone.values(), default=0)
        return tuple(name for name, count in self.closed_alone.items() if count == most > 0)


def verdict_of(
    limits: Sequence[str],
    causes: Sequence[GapCause],
    coverage: Coverage,
    timezone: str,
    horizon_share: float,
    *,
    horizon_assumed: bool = False,
) -> Verdict:
    """Return the verdict on gaps with a cause each, in the order of ``coverage.gaps()``.

    `horizon_share` is the part of the time in gaps that comes back with the horizon alone lifted. Of a horizon that is
    only assumed nothing is said but that.
    """
    alone = {name: sum(name in cause.closed_by for cause in causes) for name in limits}
    together = {name: sum(any(name in pair for pair in cause.closed_by_pairs) for cause in causes) for name in limits}
    by_pairs = Counter(cause.closed_by_pairs for cause in causes if cause.closed_by_pairs)
    gaps = coverage.gaps()
    longest = gaps.iloc[int(gaps["duration_s"].argmax())] if len(gaps) else None
    return Verdict(
        roof_line=(
            RoofLine.NOT_ENTERED if horizon_assumed else _roof_line(alone, together, horizon_share, len(causes))
        ),
        gap_count=len(causes),
        closed_alone=alone,
        closed_together=together,
        several_ways=sum(len(cause.closed_by) > 1 for cause in causes),
        by_no_single=sum(not cause.closed_by for cause in causes),
        only_by_pairs=by_pairs.total(),
        pairs=by_pairs.most_common(1)[0][0] if by_pairs else (),
        out_of_sky=sum(cause.out_of_sky for cause in causes),
        mean_s=float(gaps["duration_s"].mean()) if len(gaps) else 0.0,
        longest_s=0.0 if longest is None else float(longest["duration_s"]),
        longest_cut=(False, False) if longest is None else (bool(longest["cut_at_start"]), bool(longest["cut_at_end"])),
        out_fraction=1.0 - coverage.covered_fraction(),
        gaps_per_hour=coverage.gaps_per_hour(),
        busiest=_busiest(coverage, timezone) if len(gaps) else None,
    )


def _roof_line(alone: dict[str, int], together: dict[str, int], horizon_share: float, gaps: int) -> RoofLine:
    if not gaps:
        return RoofLine.NO_GAP
    most, horizon = max(alone.values()), alone["horizon"]
    if 0 < horizon == most:
        return RoofLine.THE_CAUSE if list(alone.values()).count(most) == 1 else RoofLine.ONE_OF_THE_CAUSES
    if horizon_share < _NEXT_TO_NOTHING and not together["horizon"]:
        return RoofLine.NOT_THE_CAUSE
    return RoofLine.A_PART


def _busiest(coverage: Coverage, timezone: str) -> BusyParts:
    """Return the quarters of the local day with the most gaps an hour, and those about as bad."""
    hours = coverage.by_local_hour(timezone)
    hours["part"] = hours["hour"] // _HOURS_A_PART
    # One day has its own parts; over several days all mornings count together.
    one_day = coverage.span.duration_s <= 1.5 * _DAY_S
    by = ["date", "part"] if one_day else ["part"]
    parts = hours.groupby(by, sort=False, as_index=False)[["span_s", "gap_s", "gaps_begun"]].sum()
    # A part of the day that the span hardly touches says nothing of how often.
    parts = parts[parts["span_s"] >= 0.5 * parts["span_s"].max()]
    rates = parts["gaps_begun"] / parts["span_s"]
    busy: pd.DataFrame = parts[rates >= _AS_BUSY * rates.max()]
    begun, out_s, span_s = (float(busy[column].sum()) for column in ("gaps_begun", "gap_s", "span_s"))
    days = busy["date"].tolist() if one_day else [None] * len(busy)
    return BusyParts(
        tuple(zip(days, busy["part"].astype(int).tolist(), strict=True)),
        3600.0 * begun / span_s,
        out_s / begun if begun else 0.0,
    )
