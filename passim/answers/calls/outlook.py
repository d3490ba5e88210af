"""What awaits a call, which outlook is good, how starts are ranked, and what to say where none is good.

One definition of a good start, and one ranking, serve every answer about calls: now, the suggested starts, the
calendar, the check of calls set by others, the report and the pages.

With gaps every few minutes no half hour is clean, so the chance of a clean call cannot rank. Starts are ranked by, one
after the other: (1) whether the chance of a freeze that ends the call is at most 5 %, (2) the expected number of
pauses, (3) the expected frozen seconds, (4) the 90th percentile of the worst freeze. Differences that drawn futures
cannot tell, a tenth of a pause or a second, count as none, so that the next question decides; of equals the earliest
comes first.

The best of thousands looks better than it is, because luck in the draw helped to choose it. So starts are ranked on one
set of futures and told of by another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from passim import intervals
from passim.answers.calls.forecast import ServiceForecast
from passim.answers.calls.hours import spread
from passim.answers.calls.kinds import CallKind
from passim.arrays import Bools, Floats, Ints
from passim.coverage.causes import causes_of
from passim.forecast.odds_events import Simulation
from passim.spans import utc_times

# A start is good where the call is dropped in at most one of twenty cases and most calls meet no pause: fewer than half
# a pause is expected (this project's own, no source).
MOST_CHANCE_OF_END: Final = 0.05
MOST_PAUSES: Final = 0.5
# What drawn futures can tell apart (this project's own, no source).
_PAUSE_STEP, _SECOND_STEP = 0.1, 1.0

COLUMNS: Final = (
    "start",
    "end",
    "chance_of_end",
    "expected_pauses",
    "expected_freezes",
    "expected_frozen_s",
    "worst_p50_s",
    "worst_p90_s",
    "age_s",
    "band",
)


def windows(
    forecast: ServiceForecast, futures: Simulation, kind: CallKind, start_us: Ints, minutes: float | Floats
) -> pd.DataFrame:
    """Return what awaits calls of `minutes` at `start_us`, in the order given, with the columns `COLUMNS`."""
    found = futures.windows(start_us, np.asarray(minutes) * 60.0, at_least_s=kind.at_least_s)
    fresh = forecast.freshness_at(start_us)
    return pd.DataFrame(
        {
            "start": utc_times(found.start_us),
            "end": utc_times(found.end_us),
            "chance_of_end": found.chance[:, 2],
            "expected_pauses": found.expected_count[:, 1],
            "expected_freezes": found.expected_count[:, 0],
            "expected_frozen_s": found.expected_frozen_s,
            "worst_p50_s": found.worst_p50_s,
            "worst_p90_s": found.worst_p90_s,
            "age_s": np.array([f.median_s for f in fresh], dtype=np.float64),
            "band": pd.Series([f.band.name for f in fresh], dtype=object),
        }
    )


def is_good(call: pd.Series | Mapping[str, Any]) -> bool:
    """Say whether an outlook is that of a good start: hardly ever dropped, and without a pause more often than not."""
    return bool(_good(call["chance_of_end"], call["expected_pauses"]))


def good_starts(calls: pd.DataFrame) -> Bools:
    """Say the same of each of many outlooks, shape (calls,)."""
    return np.asarray(_good(calls["chance_of_end"], calls["expected_pauses"]), dtype=np.bool_)


def _good(chance_of_end: Any, expected_pauses: Any) -> Any:
    return (chance_of_end <= MOST_CHANCE_OF_END) & (expected_pauses < MOST_PAUSES)


@dataclass(frozen=True, eq=False)
class Ranking:
    """Starts in order, best first.

    table   one row a start with the columns `COLUMNS`: the figures to tell, which are not those that it is ranked by
    tier    shape (starts,): those of the same number cannot be told apart
    """

    table: pd.DataFrame
    tier: Ints


def ranked_by(ranked_on: pd.DataFrame, table: pd.DataFrame) -> Ranking:
    """Rank the starts of `ranked_on`; `table` has the figures to tell of these and maybe of others."""
    order = rank(ranked_on)
    ordered = ranked_on.iloc[order]
    return Ranking(table.set_index("start").loc[ordered["start"]].reset_index()[list(COLUMNS)], _tiers(ordered))


def rank(table: pd.DataFrame) -> Ints:
    """Return the order of rows with the columns `COLUMNS`, best first; see the module for what decides."""
    order = np.lexsort((microseconds_of(table["start"]), *reversed(keys(table))))
    return np.asarray(order, dtype=np.int64)


def least_bad(ranking: Ranking, minutes: int) -> pd.Series:
    """Return the start to name where none is good; of equals one at a quarter of an hour, else the first."""
    start_us = microseconds_of(ranking.table["start"])
    (place,) = spread(start_us, ranking.tier, np.zeros_like(start_us), minutes, 1)
    return ranking.table.iloc[place]


def keys(table: pd.DataFrame) -> list[Floats]:
    """Return what decides between starts, in its order, less being better."""
    return [
        (table["chance_of_end"].to_numpy(dtype=np.float64) > MOST_CHANCE_OF_END).astype(np.float64),
        np.round(table["expected_pauses"].to_numpy(dtype=np.float64) / _PAUSE_STEP),
        np.round(table["expected_frozen_s"].to_numpy(dtype=np.float64) / _SECOND_STEP),
        np.round(table["worst_p90_s"].to_numpy(dtype=np.float64) / _SECOND_STEP),
    ]


@dataclass(frozen=True, eq=False)
class NoneGood:
    """What is said where no start is good.

    least_bad       the outlook of the start that ranks first all the same
    minutes         the longest call, whole minutes, that has a good start; 0 where not even one of a minute has
    shorter         the outlook of its first good start; None where there is none
    limit           the limit that, lifted alone, gives back most of the time out during such calls; empty where no
                    single limit gives any back, or where nothing is known of them
    given_back      the share of that time, 0 to 1
    out_s           the time out that is predicted inside the calls looked at, seconds; without any, what makes the
                    starts bad is the timing error alone, or what the record of the line adds
    by_record       whether that record adds freezes that no satellite explains
    """

    least_bad: pd.Series
    minutes: int
    shorter: pd.Series | None
    limit: str
    given_back: float
    out_s: float
    by_record: bool = False


def none_good(
    forecast: ServiceForecast,
    futures: Simulation,
    kind: CallKind,
    minutes: int,
    least_bad: pd.Series,
    starts_of: Callable[[int], Ints],
) -> NoneGood:
    """Return what is said of calls of `minutes` of which none has a good start.

    `starts_of` returns the starts, ascending, microseconds since 1970 UTC, that calls of so many minutes may have. A
    start that is good stays so for every shorter call, so that the longest good one is found by halving.
    """
    good, least, most = None, 0, minutes
    while most - least > 1:
        length = (least + most) // 2
        found = _first_good(forecast, futures, kind, starts_of(length), length)
        if found is None:
            most = length
        else:
            good, least = found, length
    limit, given_back, out_s = _costliest(forecast, starts_of(minutes), minutes)
    by_record = forecast.calibration is not None and forecast.calibration.floor.mean_per_hour > 0.0
    return NoneGood(least_bad, least, good, limit, given_back, out_s, by_record)


def clear_us(futures: Simulation, kind: CallKind, start_us: Ints, minutes: int) -> Ints:
    """Return how far each call keeps from the nearest freeze that any drawn future has, microseconds, shape (calls,).

    0 where such a freeze reaches into the call. Freezes too short to be noticed do not count.
    """
    length_us = futures.end_us - futures.start_us
    noticed = length_us >= kind.noticed_from_s * 1e6
    begins, ends = intervals.union((futures.start_us[noticed], futures.end_us[noticed]))
    never_us = np.iinfo(np.int64).max // 4
    begins, ends = np.append(begins, never_us), np.insert(ends, 0, -never_us)
    # The first freeze that ends after the start of the call, and the one before it.
    following = np.searchsorted(ends[1:], start_us, side="right")
    after_us = begins[following] - (start_us + minutes * 60_000_000)
    before_us = start_us - ends[following]
    return np.asarray(np.maximum(np.minimum(after_us, before_us), 0))


def _first_good(
    forecast: ServiceForecast, futures: Simulation, kind: CallKind, start_us: Ints, minutes: int
) -> pd.Series | None:
    if not start_us.size:
        return None
    table = windows(forecast, futures, kind, start_us, minutes)
    good = good_starts(table)
    return table.iloc[int(good.argmax())] if good.any() else None


def _costliest(forecast: ServiceForecast, start_us: Ints, minutes: int) -> tuple[str, float, float]:
    """Return the limit that costs most of the time in which a call may take place, its share, and the seconds out."""
    if forecast.seen is None or not start_us.size:
        return "", 0.0, 0.0
    calls = intervals.union((start_us, start_us + minutes * 60_000_000))
    causes = causes_of(forecast.seen, calls)
    out_us, given_us = int(causes.gap_us.sum()), causes.regained_us
    if not out_us or not given_us.max(initial=0):
        return "", 0.0, out_us / 1e6
    worst = int(given_us.argmax())
    return causes.limits[worst], float(given_us[worst] / out_us), out_us / 1e6


def _tiers(ranked: pd.DataFrame) -> Ints:
    """Return which rows of a table in its order cannot be told apart: equal numbers, shape (rows,)."""
    deciding = np.column_stack(keys(ranked))
    differs = np.any(np.diff(deciding, axis=0) != 0.0, axis=1)
    return np.concatenate([[0], np.cumsum(differs)])[: len(ranked)].astype(np.int64)


def microseconds_of(times: pd.Series) -> Ints:
    """Return aware UTC times as microseconds since 1970 UTC."""
    return np.asarray(times.dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64))
