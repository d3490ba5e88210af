"""Calls that others have set: what awaits each of them, and the nearest start at which it would go better."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd

from passim.answers.calls.calendar_in import Event
from passim.answers.calls.forecast import RUNS, ServiceForecast
from passim.answers.calls.hours import MINUTE_US, starts
from passim.answers.calls.kinds import CallKind
from passim.answers.calls.outlook import COLUMNS, MOST_CHANCE_OF_END, good_starts, windows
from passim.answers.calls.plan import better
from passim.answers.calls.recurrence import RuleFault
from passim.arrays import Ints
from passim.elements.records import Fleet
from passim.errors import SpanError
from passim.forecast.odds_events import Simulation
from passim.forecast.timing import TimingModel, band_for, bands_of
from passim.spans import DailyHours, microseconds, moment, zone

# Whoever calls for longer than this is not in a call but in a day.
_LONGEST_CALL_S: Final = 12 * 3600.0


@dataclass(frozen=True)
class Freeze:
    """A predicted freeze inside a call."""

    start: datetime
    duration_s: float


@dataclass(frozen=True, eq=False)
class CheckedCall:
    """One call of a calendar.

    outlook         what awaits it: a row with the columns of `passim.answers.calls.outlook.COLUMNS`
    freezes         predicted single freezes of a length that is noticed; empty where the band hides single times
    nearest_better  the outlook of the nearest start, of those allowed, at which a person would notice that the call
                    goes better, in the order of preference of `check_calls`; None where there is none
    """

    event: Event
    outlook: pd.Series
    shows_times: bool
    freezes: tuple[Freeze, ...]
    nearest_better: pd.Series | None


@dataclass(frozen=True, slots=True)
class NoCall:
    """Why an event of a calendar is not judged: a code, and what goes with it.

    "whole days", "no length", "too long", "over", "begun", "after the days"
    "rule"          the rule by which it repeats cannot be followed: ``fault``
    "elsewhere"     it is at another ``site``
    "too old"       elements are over ``age_s`` old by then; below 0: too uncertain at any age
    "before the record", "beyond the record", "unmeasured"    of a call gone by, beside a record of the line
    """

    why: str
    fault: RuleFault | None = None
    site: str = ""
    age_s: float = 0.0


@dataclass(frozen=True)
class CallCheck:
    """All calls of a calendar within the span, in order, and (event, reason) for those that could not be checked."""

    kind: CallKind
    calls: tuple[CheckedCall, ...]
    left_out: tuple[tuple[Event, NoCall], ...]

    @property
    def table(self) -> pd.DataFrame:
        """One row a call: title, uid, the columns of an outlook, freezes (text) and the nearest better start.

        better_start is NaT, and what awaits the call there is missing, where no start is better.
        """
        others = [c.nearest_better for c in self.calls]
        rows = pd.DataFrame([c.outlook for c in self.calls], columns=list(COLUMNS)).reset_index(drop=True)
        for name in ("start", "end"):
            rows[name] = pd.to_datetime(rows[name], utc=True).astype("datetime64[us, UTC]")
        rows.insert(0, "title", pd.Series([c.event.title for c in self.calls], dtype=object))
        better_start = pd.Series([pd.NaT if b is None else b["start"] for b in others], dtype=object)
        rows["better_start"] = pd.to_datetime(better_start, utc=True).astype("datetime64[us, UTC]")
        for name in ("chance_of_end", "expected_pauses", "expected_frozen_s"):
            rows[f"better_{name}"] = pd.Series([np.nan if b is None else b[name] for b in others], dtype=np.float64)
        rows["uid"] = pd.Series([c.event.uid for c in self.calls], dtype=object)
        return rows


def check_calls(
    forecast: ServiceForecast,
    kind: CallKind,
    events: Sequence[Event],
    *,
    hours: DailyHours | None = None,
    timezone: str = "UTC",
    busy: Sequence[Event] = (),
    other_sites: Sequence[str] = (),
    runs: int = RUNS,
    seed: int = 1,
) -> CallCheck:
    """Check each event that lies within ``forecast.span``, and look for a better start within `hours` of that clock.

    A better start meets neither the other events nor `busy`, and a person would notice that the call goes better. The
    nearest good start of the same local day comes first (`outlook.good_starts`: hardly ever lost, and most
    calls without a pause), then the nearest of any day at which the call is hardly ever lost, then the nearest.

    Left out with a reason are events of whole days, those at one of `other_sites` by their LOCATION, those whose rule
    of repetition cannot be followed, those by which elements are too old to tell single calls, those that are over, and
    those that last over half a day or reach out of the span. Raises SiteError for an unknown zone.
    """
    span, hours = forecast.span, hours or DailyHours()
    checked, left_out = [], []
    # Starts are compared by two sets of futures, so that luck in one finds no better start; whether one is good is told
    # by the first alone, as everywhere.
    futures = (forecast.futures(kind, runs=runs, seed=seed), forecast.futures(kind, runs=runs, seed=seed + 1))
    gaps = forecast.gaps_us(kind.buffer_s)
    limit_s = _oldest_for_single_calls_s(forecast.model)
    # What awaits each start of calls of one length, whoever else is busy: appointments are often of the same length.
    judged: dict[int, list[pd.DataFrame] | None] = {}
    for event in sorted(events, key=lambda e: (e.start, e.end, e.uid)):
        fresh = forecast.freshness(event.start)
        reason = no_call(event, span.start) or _elsewhere(event, other_sites)
        if not reason and not fresh.band.shows_odds:
            reason = NoCall("too old", age_s=limit_s)
        if not reason and event.end > span.end:
            reason = NoCall("after the days")
        if reason:
            left_out.append((event, reason))
            continue
        start_us, end_us = microseconds(event.start), microseconds(event.end)
        minutes = (end_us - start_us) / MINUTE_US
        outlook = windows(forecast, futures[0], kind, np.array([start_us]), minutes).iloc[0]
        band = fresh.band
        taken = [e for e in (*events, *busy) if (e.uid, e.start) != (event.uid, event.start)]
        length_us = end_us - start_us
        if length_us not in judged:
            judged[length_us] = _judge(forecast, futures, kind, length_us, hours, timezone)
        other = _nearest_better(forecast, judged[length_us], event, outlook, hours, timezone, taken)
        freezes = _inside(gaps, start_us, end_us, kind.noticed_from_s) if band.shows_times else ()
        checked.append(CheckedCall(event, outlook, band.shows_times, freezes, other))
    return CallCheck(kind, tuple(checked), tuple(left_out))


def _judge(
    forecast: ServiceForecast,
    futures: tuple[Simulation, Simulation],
    kind: CallKind,
    length_us: int,
    hours: DailyHours,
    timezone: str,
) -> list[pd.DataFrame] | None:
    """Return what awaits each allowed start of such calls, in each set of futures; None where no start is allowed."""
    try:
        allowed_us = starts(forecast.span, -(-length_us // MINUTE_US), hours, timezone).allowed_us
    except SpanError:
        return None  # the hours hold no call of this length: then none of them is better
    return [windows(forecast, draw, kind, allowed_us, length_us / MINUTE_US) for draw in futures]


def _nearest_better(
    forecast: ServiceForecast,
    judged: list[pd.DataFrame] | None,
    event: Event,
    outlook: pd.Series,
    hours: DailyHours,
    timezone: str,
    taken: Sequence[Event],
) -> pd.Series | None:
    """Return the outlook of the nearest free start that is better in every set of futures, told by the first."""
    if judged is None:
        return None
    start_us = microseconds(event.start)
    minutes = -(-(microseconds(event.end) - start_us) // MINUTE_US)
    busy = [(microseconds(e.start), microseconds(e.end)) for e in taken]
    found = starts(forecast.span, minutes, hours, timezone, busy)
    free = np.searchsorted(found.allowed_us, found.free_us)
    nearest = free[np.argsort(np.abs(found.free_us - start_us), kind="stable")]
    good = np.logical_and.reduce([better(table, outlook) for table in judged])
    # A start that is good is worth going further for than one that is a little less bad, but not to another day; one at
    # which the call holds is worth that too.
    day = pd.DatetimeIndex(judged[0]["start"]).tz_convert(zone(timezone)).date
    same_day = np.asarray(day == event.start.astimezone(zone(timezone)).date())
    calm = good & same_day & good_starts(judged[0])
    holds = good & (judged[0]["chance_of_end"] <= MOST_CHANCE_OF_END).to_numpy()
    for wanted in (calm[nearest], holds[nearest], good[nearest]):
        if wanted.any():
            found_row: pd.Series = judged[0].iloc[nearest[int(wanted.argmax())]]
            return found_row
    return None


def no_call(event: Event, start: datetime) -> NoCall | None:
    """Return why an event cannot be checked, None where it can."""
    if event.all_day:
        return NoCall("whole days")
    if event.end <= event.start:
        return NoCall("no length")
    if (event.end - event.start).total_seconds() > _LONGEST_CALL_S:
        return NoCall("too long")
    if event.guessed is not None:
        return NoCall("rule", event.guessed)
    if event.end <= start:
        return NoCall("over")
    if event.start < start:
        return NoCall("begun")
    return None


def _elsewhere(event: Event, other_sites: Sequence[str]) -> NoCall | None:
    """Return that an event takes place at another site by its LOCATION, None where it does not say so."""
    place = event.place.casefold()
    # "Skerry", "Skerry, island of the invented" and "Skerry roof", a mounting spot, are all at Skerry.
    names = {name.casefold(): name for name in other_sites}
    found = [name for key, name in names.items() if place == key or place.startswith((f"{key},", f"{key} "))]
    return NoCall("elsewhere", site=found[0]) if found else None


def horizon_of(fleet: Fleet, start: datetime, model: TimingModel | None = None) -> datetime:
    """Return until when, from `start` on, elements of `fleet` are young enough by a model to tell single calls."""
    fresh = band_for(fleet, start, model, allow_stale=True)
    left_s = _oldest_for_single_calls_s(model or TimingModel()) - fresh.median_s
    return start + timedelta(seconds=math.floor(left_s)) if left_s > 0.0 else start


def _oldest_for_single_calls_s(model: TimingModel) -> float:
    """Return the greatest age of elements, s, at which single calls can be told by a model."""
    return max(band.up_to_s for band in bands_of(model) if band.shows_odds)


def _inside(gaps: tuple[Ints, Ints], start_us: int, end_us: int, at_least_s: float) -> tuple[Freeze, ...]:
    """Return the parts of gaps inside a call that are long enough to be noticed."""
    low, high = np.maximum(gaps[0], start_us), np.minimum(gaps[1], end_us)
    seen = (high - low) >= at_least_s * 1e6
    return tuple(Freeze(moment(a), (b - a) / 1e6) for a, b in zip(low[seen].tolist(), high[seen].tolist(), strict=True))
