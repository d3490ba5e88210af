"""Calls as they went: what had been forecast for each past call of a calendar, and what the record shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from passim.answers.calls.calendar_in import Event
from passim.answers.calls.check import NoCall, no_call
from passim.answers.calls.hours import check_length
from passim.answers.calls.kinds import CallKind
from passim.arrays import Floats, Ints
from passim.coverage.notebook import as_html
from passim.intervals import Intervals, IntervalSet, clip, intersection, total_length, union
from passim.line.comparing import microseconds_of
from passim.line.learning import LearnedLine
from passim.line.record import LineRecord
from passim.spans import DailyHours, microseconds

# How a call goes, by its longest freeze.
OUTCOMES: Final = ("undisturbed", "with pauses", "dropped")
# A call is judged where nearly all of it was measured: a hole of a few seconds hides no pause worth the name.
_MEASURED_SHARE: Final = 0.95

# The columns of `PastCalls.table`, with their dtypes.
COLUMNS: Final = {
    "title": "str",
    "start": "datetime64[us, UTC]",
    "end": "datetime64[us, UTC]",
    "forecast": "str",
    "forecast_freezes": "int64",
    "forecast_frozen_s": "float64",
    "forecast_longest_s": "float64",
    "came": "str",
    "freezes": "int64",
    "frozen_s": "float64",
    "longest_s": "float64",
    "as_forecast": "bool",
    "where": "str",
    "uid": "str",
}


@dataclass(frozen=True, eq=False, repr=False)
class PastCalls:
    """Calls that a record covers.

    table       one row a call: title, start, end (aware, UTC), then forecast ("undisturbed", "with pauses" or
                "dropped"), forecast_freezes, forecast_frozen_s and forecast_longest_s, the same of what came (came,
                freezes, frozen_s, longest_s), as_forecast (whether the two words are the same), where most of the
                frozen time was lost ("house", "line", "far", or empty), uid
    left_out    (event, reason) of those that were not judged
    """

    kind: CallKind
    table: pd.DataFrame = field(repr=False)
    left_out: tuple[tuple[Event, NoCall], ...]

    def __repr__(self) -> str:
        return f"<PastCalls: {self.went_as_forecast} of {len(self.table)} calls went as forecast ({self.kind.name})>"

    def _repr_html_(self) -> str:
        return as_html(self, self.table)

    @property
    def surprises(self) -> list[tuple[str, str, int]]:
        """What was forecast, what came instead, and for how many calls, the most first."""
        wrong = self.table[~self.table["as_forecast"]]
        counts: pd.Series[int] = wrong.groupby(["forecast", "came"]).size().sort_values(ascending=False)
        pairs = zip(counts.index.to_list(), counts.to_list(), strict=True)
        return [(str(pair[0]), str(pair[1]), int(count)) for pair, count in pairs]

    @property
    def went_as_forecast(self) -> int:
        """How many calls went as forecast."""
        return int(self.table["as_forecast"].sum())


def calls_as_they_went(
    gaps: pd.DataFrame, record: LineRecord, events: Sequence[Event], kind: CallKind, *, clock_offset_s: float = 0.0
) -> PastCalls:
    """Return how each call of a calendar went beside its forecast.

    `gaps` are those of the forecast, with columns start and end (aware); `clock_offset_s` is by how much the record's
    clock is ahead. A freeze counts from the length that is noticed in such a call, less what the call has in hand. A
    call goes as forecast where both come to the same: undisturbed, with pauses, or dropped. Outages at the far end
    alone count too, since a call ends there. Left out with a reason are events that are no calls, and those of which
    less than 95 % was measured.
    """
    offset_us = round(clock_offset_s * 1e6)
    forecast = microseconds_of(gaps["start"]), microseconds_of(gaps["end"])
    came = microseconds_of(record.outages["start"]) - offset_us, microseconds_of(record.outages["end"]) - offset_us
    holes = np.round(record.holes * 1e6).astype(np.int64) - offset_us
    rows, left_out = [], []
    for event in sorted(events, key=lambda each: (each.start, each.end, each.uid)):
        start_us, end_us = microseconds(event.start), microseconds(event.end)
        reason = no_call(event, event.start)
        if not reason and start_us + offset_us < record.span.start_us:
            reason = NoCall("before the record")
        if not reason and end_us + offset_us > record.span.end_us:
            reason = NoCall("beyond the record")
        if not reason:
            unseen_us = total_length(intersection((holes[:, 0], holes[:, 1]), ([start_us], [end_us])))
            if unseen_us > (1.0 - _MEASURED_SHARE) * (end_us - start_us):
                reason = NoCall("unmeasured")
        if reason:
            left_out.append((event, reason))
            continue
        predicted = _went(forecast, start_us, end_us, kind)
        real = _went(came, start_us, end_us, kind)
        rows.append(
            {
                "title": event.title, "start": event.start, "end": event.end,
                "forecast": predicted.outcome, "forecast_freezes": predicted.freezes,
                "forecast_frozen_s": predicted.frozen_s, "forecast_longest_s": predicted.longest_s,
                "came": real.outcome, "freezes": real.freezes, "frozen_s": real.frozen_s, "longest_s": real.longest_s,
                "as_forecast": predicted.outcome == real.outcome,
                "where": _most_in(record.outages["where"], came, start_us, end_us) if real.freezes else "",
                "uid": event.uid,
            }
        )  # fmt: skip
    return PastCalls(kind, pd.DataFrame(rows, columns=list(COLUMNS)).astype(COLUMNS), tuple(left_out))


@dataclass(frozen=True)
class ReplayedCalls:
    """How calls of one kind and length would have gone in days gone by, one after the other through the call hours.

    ``judged`` is how many lay in what was measured, ``as_forecast`` how many of them came to what was forecast:
    undisturbed, with pauses, or dropped. ``usual`` is the outcome that came most often, and ``usual_count`` how often:
    that many would have been right without any forecast.
    """

    kind: CallKind
    minutes: int
    judged: int
    as_forecast: int
    usual: str
    usual_count: int


def replay_calls(learned: LearnedLine, kind: CallKind, minutes: int, hours: DailyHours, timezone: str) -> ReplayedCalls:
    """Return how calls of `minutes` within `hours` of the clock in `timezone` would have gone on the days learned from.

    A call is judged where 95 % of it was measured. Raises SpanError for a length that is no whole number of minutes,
    SiteError for an unknown zone.
    """
    check_length(minutes, learned.span)
    length_us = minutes * 60_000_000
    predicted, came = [], []
    for low, high in zip(*hours.within(learned.span, timezone), strict=True):
        for start_us in range(int(low), int(high) - length_us + 1, length_us):
            end_us = start_us + length_us
            _, first, past = _meeting(learned.unseen, start_us, end_us)
            if int((past - first).sum()) > (1.0 - _MEASURED_SHARE) * length_us:
                continue
            predicted.append(_outcome(learned.forecast, start_us, end_us, kind))
            came.append(_outcome(learned.recorded, start_us, end_us, kind))
    counts = np.bincount(np.array(came, dtype=np.int64), minlength=len(OUTCOMES))
    right = int(np.sum(np.array(predicted, dtype=np.int64) == np.array(came, dtype=np.int64)))
    usual = int(counts.argmax())
    return ReplayedCalls(kind, minutes, len(came), right, OUTCOMES[usual], int(counts[usual]))


def _meeting(away: Intervals, start_us: int, end_us: int) -> tuple[slice, Ints, Ints]:
    """Return which of disjoint ascending intervals meet [start, end), and their bounds inside it."""
    first = int(np.searchsorted(away.end, start_us, side="right"))
    past = int(np.searchsorted(away.start, end_us, side="left"))
    rows = slice(first, max(first, past))
    return rows, np.maximum(away.start[rows], start_us), np.minimum(away.end[rows], end_us)


def _outcome(away: Intervals, start_us: int, end_us: int, kind: CallKind) -> int:
    """Return how a call goes while service is `away`, disjoint and ascending: a place in `OUTCOMES`."""
    _, low, high = _meeting(away, start_us, end_us)
    return _step(_freezes_s(low, high, kind), kind)


def _freezes_s(low: Ints, high: Ints, kind: CallKind) -> Floats:
    """Return how long those freezes last that are noticed, from the bounds of gaps inside a call."""
    lengths = np.maximum((high - low) / 1e6 - kind.buffer_s, 0.0)
    noticed: Floats = lengths[lengths >= kind.noticed_from_s]
    return noticed


def _step(freezes_s: Floats, kind: CallKind) -> int:
    longest_s = float(freezes_s.max(initial=0.0))
    return int(longest_s >= kind.pause_from_s) + int(longest_s >= kind.ends_from_s)


@dataclass(frozen=True)
class _Went:
    outcome: str
    freezes: int
    frozen_s: float
    longest_s: float


def _went(away: IntervalSet, start_us: int, end_us: int, kind: CallKind) -> _Went:
    """Return how a call goes from `start_us` to `end_us` while service is `away`."""
    _, low, high = clip(union(away), start_us, end_us)
    lengths = _freezes_s(low, high, kind)
    longest_s = float(lengths.max(initial=0.0))
    return _Went(OUTCOMES[_step(lengths, kind)], lengths.size, float(lengths.sum()), longest_s)


def _most_in(where: pd.Series, came: tuple[Ints, Ints], start_us: int, end_us: int) -> str:
    """Return the place that accounts for most of the time out between two moments."""
    row, low, high = clip(came, start_us, end_us)
    seconds = pd.Series(high - low).groupby(where.to_numpy()[row]).sum()
    return str(seconds.idxmax()) if len(seconds) else ""
