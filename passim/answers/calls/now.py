"""Now: is service expected this minute, when is the next gap, is a call wise, and when is the next good start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from passim.answers.calls.forecast import RUNS, ServiceForecast
from passim.answers.calls.hours import MINUTE_US, check_length
from passim.answers.calls.kinds import CallKind
from passim.answers.calls.outlook import (
    NoneGood,
    good_starts,
    is_good,
    least_bad,
    none_good,
    ranked_by,
    windows,
)
from passim.arrays import Ints
from passim.forecast.timing import Freshness
from passim.spans import Span, microseconds, moment


@dataclass(frozen=True)
class NextGap:
    """The next predicted gap: aware times, its length in seconds, whether it has begun, and how sure it is.

    ``frozen_s`` is what is left of it once the kind of call has played what it has in hand. ``chance`` is the chance of
    no service half-way through it. A gap under way began at ``start`` or before; one that goes on past what was looked
    at is ``cut_at_end``.
    """

    start: datetime
    end: datetime
    duration_s: float
    frozen_s: float
    under_way: bool
    cut_at_end: bool
    chance: float


@dataclass(frozen=True, eq=False)
class Now:
    """What can be said at a moment.

    served          whether service is predicted at ``at``
    no_service      the chance of no service at a random moment of the minute from ``at`` on
    next_gap        the next gap that freezes the call for long enough to be noticed, by ``looked_until``; None where
                    there is none, or where the band hides single times
    call            what awaits a call that begins now: a row with the columns of `passim.answers.calls.outlook.COLUMNS`
    call_is_wise    whether a call that begins now is good, as `passim.answers.calls.outlook` has it; False where the
                    elements are too old to tell one moment from another
    next_good       what awaits a call at the next minute that is a good start; None where there is none by
                    ``looked_until``, or where single moments cannot be told
    none_good       what to say where no start by ``looked_until`` is good; else None
    """

    at: datetime
    kind: CallKind
    minutes: int
    freshness: Freshness
    served: bool
    no_service: float
    next_gap: NextGap | None
    call: pd.Series
    call_is_wise: bool
    next_good: pd.Series | None
    none_good: NoneGood | None
    looked_until: datetime

    @property
    def table(self) -> pd.DataFrame:
        """The call now as a row, and the next good start where it is another; what first, then an outlook's columns.

        Where no start is good, the least bad takes its place.
        """
        rows = {"now": self.call}
        if self.none_good is not None and self.none_good.least_bad["start"] != self.call["start"]:
            rows["least bad start"] = self.none_good.least_bad
        if self.next_good is not None and not self.call_is_wise:
            rows["next good start"] = self.next_good
        table = pd.DataFrame(list(rows.values())).reset_index(drop=True)
        for name in ("start", "end"):
            table[name] = pd.to_datetime(table[name], utc=True).astype("datetime64[us, UTC]")
        table.insert(0, "what", list(rows))
        return table


def now(forecast: ServiceForecast, kind: CallKind, *, minutes: int = 30, runs: int = RUNS, seed: int = 1) -> Now:
    """Return what can be said at the start of ``forecast.span``, looking as far as its end.

    Raises SpanError for a call longer than the span.
    """
    span = forecast.span
    check_length(minutes, span)
    fresh = forecast.freshness(span.start)

    # The next gap by prediction, and how sure it is. One that what is in hand bridges is none for this call.
    start_us, end_us = forecast.gaps_us()
    freeze_us, freeze_end_us = forecast.gaps_us(kind.buffer_s)
    noticed = np.flatnonzero(freeze_end_us - freeze_us >= kind.noticed_from_s * 1e6)
    served = not bool(np.any((start_us <= span.start_us) & (end_us > span.start_us)))
    this_minute = Span(span.start, min(span.start + timedelta(minutes=1), span.end))
    odds = forecast.odds(this_minute, runs=runs, seed=seed)
    gap = None
    if noticed.size and fresh.band.shows_times:
        frozen_from, last = int(freeze_us[noticed[0]]), int(freeze_end_us[noticed[0]])
        first = int(start_us[np.searchsorted(end_us, last, side="left")])
        middle = Span(moment((first + last) // 2), moment((first + last) // 2 + 1_000))
        sure = forecast.odds(middle, step_s=0.001, runs=runs, seed=seed)
        gap = NextGap(
            moment(first),
            moment(last),
            (last - first) / 1e6,
            (last - frozen_from) / 1e6,
            first <= span.start_us,
            last >= span.end_us,
            float(sure.no_service[0]),
        )

    # A call that begins now, and at each minute from here on.
    futures = forecast.futures(kind, runs=runs, seed=seed)
    call = windows(forecast, futures, kind, np.array([span.start_us]), minutes).iloc[0]

    def starts_of(length: int) -> Ints:
        first_us = -(-microseconds(span.start) // MINUTE_US) * MINUTE_US
        minute_us = np.arange(first_us, span.end_us - length * MINUTE_US + 1, MINUTE_US, dtype=np.int64)
        # Past the last moment of which the odds can be told, no start is good.
        shown = [freshness.band.shows_odds for freshness in forecast.freshness_at(minute_us)]
        return np.asarray(minute_us[np.array(shown, dtype=bool)])

    minute_us = starts_of(minutes)
    good, nothing = None, None
    if fresh.band.shows_odds and minute_us.size:
        later = windows(forecast, futures, kind, minute_us, minutes)
        is_so = good_starts(later)
        if is_so.any():
            good = later.iloc[int(is_so.argmax())]
        else:
            # Ranked by other futures than they are told by, as everywhere.
            choose_by = forecast.futures(kind, runs=runs, seed=seed + 1)
            ranking = ranked_by(windows(forecast, choose_by, kind, minute_us, minutes), later)
            nothing = none_good(forecast, futures, kind, minutes, least_bad(ranking, minutes), starts_of)
    expected_share = float(odds.expected_gap_s / this_minute.duration_s)
    wise = fresh.band.shows_odds and is_good(call)
    return Now(span.start, kind, minutes, fresh, served, expected_share, gap, call, wise, good, nothing, span.end)
