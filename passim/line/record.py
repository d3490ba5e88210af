"""What was measured of a line over a span: probes, when nothing was measured, and the outages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats, Ints
from passim.intervals import total_length, union
from passim.line.targets import Method, Position, Target
from passim.spans import Span

__all__ = ["OUTAGE_COLUMNS", "LineRecord", "Method", "Position", "Probes", "Target", "no_outages", "outage_table"]

# The columns of outages, in this order, with their dtypes.
OUTAGE_COLUMNS: Final = {
    "start": "datetime64[ns, UTC]",
    "end": "datetime64[ns, UTC]",
    "duration_s": "float64",
    "where": "str",
    "lost": "int64",
    "cut_at_start": "bool",
    "cut_at_end": "bool",
}


@dataclass(frozen=True, eq=False)
class Probes:
    """The probes of one target, in the order of their sends.

    ``sent_s``, shape (n,): when each was sent, seconds since 1970 UTC; ``round_trip_s``, shape (n,): how long its
    answer took, seconds, NaN where none came. Raises ValueError where the two do not fit or the sends do not ascend.
    """

    target: Target
    sent_s: Floats
    round_trip_s: Floats

    def __post_init__(self) -> None:
        if self.sent_s.ndim != 1 or self.sent_s.shape != self.round_trip_s.shape:
            raise ValueError(f"one round trip for each send: got {self.sent_s.shape} and {self.round_trip_s.shape}")
        if not np.all(self.sent_s[1:] >= self.sent_s[:-1]):
            raise ValueError("sends in ascending order: got some that are not")

    def __len__(self) -> int:
        return len(self.sent_s)

    def __repr__(self) -> str:
        return f"<Probes of {self.target.name}: {len(self):,}, {int(self.lost.sum()):,} lost>"

    @property
    def lost(self) -> Bools:
        """Which had no answer, shape (n,)."""
        return np.isnan(self.round_trip_s)


@dataclass(frozen=True, eq=False)
class LineRecord:
    """What is known of a line over ``span``.

    ``probes`` holds those of each target, the nearest first; none where only outages were recorded. ``holes``, shape
    (n, 2), are the times in which nothing was measured (machine asleep, probe stopped, clock set), seconds since 1970
    UTC, disjoint and ascending. ``outages`` has `OUTAGE_COLUMNS`: start and end (aware, UTC), duration_s, where
    ("house", "line" or "far"), lost (packets lost to the target that lost most, 0 where not known), cut_at_start and
    cut_at_end (the outage met a hole or an end of the record there, so it is at least that long). ``source`` says who
    recorded it, ``period_s`` how often was asked (None where that is not known or changed), ``zone`` the local clock
    of whoever recorded it, where known.
    """

    span: Span
    probes: tuple[Probes, ...]
    holes: Floats
    outages: pd.DataFrame
    source: str
    period_s: float | None = None
    zone: ZoneInfo | None = None

    def __post_init__(self) -> None:
        if self.holes.ndim != 2 or self.holes.shape[1] != 2:
            raise ValueError(f"holes as start and end: got shape {self.holes.shape}, wanted (n, 2)")
        if not np.all(self.holes[:, 0] < self.holes[:, 1]) or not np.all(self.holes[1:, 0] >= self.holes[:-1, 1]):
            raise ValueError("holes disjoint and ascending: got some that are not")
        if list(self.outages.columns) != list(OUTAGE_COLUMNS):
            raise ValueError(f"outages with the columns {', '.join(OUTAGE_COLUMNS)}: got {list(self.outages.columns)}")

    def __repr__(self) -> str:
        return f"<LineRecord of {self.span}, {self.source}: {len(self.outages):,} outages in {self.measured_s:,.0f} s>"

    @property
    def measured_s(self) -> float:
        """How much of the span was measured, seconds: the span less its holes."""
        start, end = self.span.start_us / 1e6, self.span.end_us / 1e6
        clipped = np.clip(self.holes, start, end)
        return self.span.duration_s - float(total_length(union((clipped[:, 0], clipped[:, 1]))))

    @property
    def told_apart(self) -> bool:
        """Whether a fault in the house could be told from one in the line: only where a target stood in the house."""
        return len(self.probes) > 1 and any(probes.target.position == "house" for probes in self.probes)

    @property
    def house_alone(self) -> bool:
        """Whether nobody beyond the house was asked: then nothing is known of the line."""
        return bool(self.probes) and all(probes.target.position == "house" for probes in self.probes)


def outage_table(
    start_s: Floats,
    end_s: Floats,
    where: list[str],
    lost: Ints,
    cut_at_start: Bools,
    cut_at_end: Bools,
) -> pd.DataFrame:
    """Return the table of outages from start and end, seconds since 1970 UTC, to the microsecond; all of shape (n,)."""
    start_us, end_us = (np.round(np.asarray(each) * 1e6).astype("int64") for each in (start_s, end_s))
    return pd.DataFrame(
        {
            "start": pd.to_datetime(start_us * 1000, utc=True),
            "end": pd.to_datetime(end_us * 1000, utc=True),
            "duration_s": (end_us - start_us) / 1e6,
            "where": where,
            "lost": lost,
            "cut_at_start": cut_at_start,
            "cut_at_end": cut_at_end,
        }
    ).astype(OUTAGE_COLUMNS)


def no_outages() -> pd.DataFrame:
    """Return a table of outages without any."""
    none = np.zeros(0)
    return outage_table(none, none, [], none.astype("int64"), none.astype(bool), none.astype(bool))
