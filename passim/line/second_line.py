"""Would a second line have helped? Which freezes it would have caught, which calls it would have saved, at what cost.

A second line stands in only once it has been switched to: of a freeze of 19 s, a switch-over of 20 s rescues nothing,
and of one of 60 s it rescues 40 s. It catches what the line does, not what the house does: a router that hangs takes
both with it. A line that is out itself at that moment catches nothing, which counts for a second terminal under the
same sky or a second fleet, whose own gaps come from the forecast.

A call is saved if it would have been dropped, or would have paused, without the second line and is not with it. Calls
are tried at every minute that was measured (`passim.line.suitability.sessions`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd

from passim.answers.calls.kinds import VIDEO, CallKind
from passim.arrays import Ints
from passim.coverage.steps import Coverage
from passim.errors import InputError
from passim.intervals import Intervals, difference, union
from passim.line.record import LineRecord
from passim.line.statistics import measured_us, outages_us
from passim.line.suitability import frozen_in_sessions, session_starts
from passim.spans import Span, utc_times

Basis = Literal["record", "forecast"]

_LONGEST_SWITCH_S: Final = 3600.0
_MONTH_DAYS: Final = 30.0
_NONE: Final = Intervals(np.zeros(0, np.int64), np.zeros(0, np.int64))


@dataclass(frozen=True, kw_only=True)
class SecondLine:
    """A line to fall back on.

    name            what it is called
    switch_over_s   from the beginning of a freeze until the second line carries the traffic
    monthly_cost    what it costs a month, in any currency
    out_us          when it is out itself, microseconds since 1970 UTC; none for a line that is always there

    Raises InputError.
    """

    name: str
    switch_over_s: float
    monthly_cost: float | None = None
    out_us: Intervals = _NONE

    def __post_init__(self) -> None:
        if not 0.0 <= self.switch_over_s <= _LONGEST_SWITCH_S:
            raise InputError(
                "switch-over time", got=f"{self.switch_over_s:g} s", wanted="0 s to an hour", try_next="20 s"
            )
        if self.monthly_cost is not None and not (math.isfinite(self.monthly_cost) and self.monthly_cost >= 0.0):
            raise InputError("monthly cost", got=self.monthly_cost, wanted="a number of 0 or more", try_next="15")


@dataclass(frozen=True, eq=False)
class Rescue:
    """What a second line would have done. Made by `rescue`.

    second          the line
    basis           "record" or "forecast"
    freezes         one row a freeze: start, end, duration_s, where, rescued_s, left_s (what stays frozen), caught
                    (whether anything was rescued)
    kind, minutes   the calls that were tried
    starts          how many of them
    spoilt, spoilt_left
                    share of the calls that paused or were dropped: without the second line, and with it
    dropped, dropped_left
                    share of the calls that were dropped: without it, and with it
    calls_a_month   how many calls are held a month
    """

    second: SecondLine
    basis: Basis
    span: Span
    measured_s: float
    freezes: pd.DataFrame
    kind: CallKind
    minutes: float
    starts: int
    spoilt: float
    spoilt_left: float
    dropped: float
    dropped_left: float
    calls_a_month: float

    def __repr__(self) -> str:
        return f"<Rescue by {self.second.name}: {self.caught:,} of {len(self.freezes):,} freezes>"

    @property
    def caught(self) -> int:
        """How many freezes it shortens."""
        return int(self.freezes["caught"].sum())

    @property
    def rescued_s(self) -> float:
        """How much frozen time it takes away, seconds."""
        return float(self.freezes["rescued_s"].sum())

    @property
    def saved_a_month(self) -> float:
        """Calls a month that it saves from pauses and from being dropped."""
        return (self.spoilt - self.spoilt_left) * self.calls_a_month

    @property
    def cost_per_call(self) -> float | None:
        """What each saved call costs; None where none is saved or no cost is known."""
        if self.second.monthly_cost is None or not self.saved_a_month > 0.0:
            return None
        return self.second.monthly_cost / self.saved_a_month

    @property
    def cost_per_hour(self) -> float | None:
        """What each hour of frozen time that it takes away costs; None where there is none or no cost is known."""
        hours = self.rescued_s / 3600.0 * _MONTH_DAYS * 86_400.0 / self.measured_s
        return None if self.second.monthly_cost is None or not hours > 0.0 else self.second.monthly_cost / hours


def rescue_of_record(
    record: LineRecord,
    second: SecondLine,
    *,
    kind: CallKind = VIDEO,
    minutes: float = 45.0,
    calls_a_month: float = 40.0,
) -> Rescue:
    """Return what a second line would have done to the freezes of a record. Raises InputError."""
    house, line = outages_us(record, "house"), outages_us(record, "line")
    # What the house did meanwhile is the house's.
    line = difference(line, house)
    calls = (kind, minutes, calls_a_month)
    return _rescue(line, house, measured_us(record), record.span, second, "record", *calls)


def rescue_of_forecast(
    coverage: Coverage,
    second: SecondLine,
    *,
    kind: CallKind = VIDEO,
    minutes: float = 45.0,
    calls_a_month: float = 40.0,
) -> Rescue:
    """Return what a second line would do to the gaps of a forecast. Raises InputError."""
    span = coverage.span
    assert coverage.windows is not None  # set when it was made
    measured = Intervals(*coverage.windows)
    calls = (kind, minutes, calls_a_month)
    return _rescue(coverage.gap_intervals, _NONE, measured, span, second, "forecast", *calls)


def _rescue(
    line: Intervals,
    house: Intervals,
    measured: Intervals,
    span: Span,
    second: SecondLine,
    basis: Basis,
    kind: CallKind,
    minutes: float,
    calls_a_month: float,
) -> Rescue:
    """Return what a second line does to freezes of the line, and does not do to those of the house."""
    if not 1.0 <= minutes <= 1440.0:
        raise InputError("length of a call", got=f"{minutes:g} min", wanted="1 min to a day", try_next="45 min")
    if not 0.0 < calls_a_month <= 10_000.0:
        raise InputError("calls a month", got=f"{calls_a_month:g}", wanted="more than 0, up to 10,000", try_next="40")
    switch_us = round(second.switch_over_s * 1e6)
    late = np.asarray(line.end - line.start) > switch_us
    carried = difference((np.asarray(line.start)[late] + switch_us, np.asarray(line.end)[late]), second.out_us)
    rescued_us = np.zeros(len(line.start), dtype=np.int64)
    for k, (start, end) in enumerate(zip(*line, strict=True)):
        low = int(np.searchsorted(carried.end, start, side="right"))
        high = int(np.searchsorted(carried.start, end, side="left"))
        rescued_us[k] = int((carried.end[low:high] - carried.start[low:high]).sum())
    freezes = pd.concat(
        [_table(line, "line", rescued_us), _table(house, "house", np.zeros(len(house.start), np.int64))]
    )
    freezes = freezes.sort_values("start", kind="stable").reset_index(drop=True)

    starts_us = session_starts(measured, minutes)
    before = union(line, house)
    after = difference(before, carried)
    spoilt, dropped = _spoilt(before, starts_us, kind, minutes)
    spoilt_left, dropped_left = _spoilt(after, starts_us, kind, minutes)
    measured_s = float((np.asarray(measured.end) - np.asarray(measured.start)).sum()) / 1e6
    return Rescue(
        second, basis, span, measured_s, freezes, kind, minutes, int(starts_us.size), spoilt, spoilt_left, dropped,
        dropped_left, calls_a_month,
    )  # fmt: skip


def _spoilt(freezes: Intervals, starts_us: Ints, kind: CallKind, minutes: float) -> tuple[float, float]:
    """Return the shares of calls that pause or are dropped, and that are dropped; nan without a call."""
    if not starts_us.size:
        return math.nan, math.nan
    row, frozen_s = frozen_in_sessions(freezes, starts_us, minutes)
    frozen_s = frozen_s - kind.buffer_s
    return tuple(  # type: ignore[return-value]
        np.unique(row[frozen_s >= least]).size / starts_us.size for least in (kind.pause_from_s, kind.ends_from_s)
    )


def _table(parts: Intervals, where: str, rescued_us: Ints) -> pd.DataFrame:
    start, end = np.asarray(parts.start), np.asarray(parts.end)
    return pd.DataFrame(
        {
            "start": utc_times(start),
            "end": utc_times(end),
            "duration_s": (end - start) / 1e6,
            "where": pd.Series([where] * len(start), dtype="str"),
            "rescued_s": rescued_us / 1e6,
            "left_s": (end - start - rescued_us) / 1e6,
            "caught": rescued_us > 0,
        }
    )
