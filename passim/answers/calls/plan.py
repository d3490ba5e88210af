"""When to call: every minute at which a call may begin, ranked by what awaits it, and what choosing gains.

Only good starts are suggested: `passim.answers.calls.outlook` says what is good, and ranks them. Among equals those on
the day with the fewest so far come first, then those that keep farthest, up to a quarter of an hour, from any freeze
that a timing error could bring in, so that a call may begin a little late; then those at a quarter of an hour by the
clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import pandas as pd

from passim.answers.calls.forecast import RUNS, ServiceForecast
from passim.answers.calls.hours import spread, starts
from passim.answers.calls.kinds import VIDEO, CallKind, call_kind
from passim.answers.calls.outlook import (
    MOST_CHANCE_OF_END,
    NoneGood,
    clear_us,
    good_starts,
    keys,
    least_bad,
    microseconds_of,
    none_good,
    rank,
    ranked_by,
    windows,
)
from passim.arrays import Bools, Floats, Ints
from passim.coverage.notebook import as_html
from passim.elements.records import Fleet
from passim.errors import InputError
from passim.forecast.calibration import Calibration
from passim.forecast.timing import Freshness, TimingModel
from passim.intervals import Intervals
from passim.sky.fleet_search import Progress
from passim.sky.view import View
from passim.spans import DailyHours, Span, aware, microseconds, zone

# What a person would notice (this project's own, no source).
_WORTH_PAUSES, _WORTH_FROZEN_S = 0.5, 10.0
# From this share of starts as good as the best on, none is said to be better.
_NEARLY_ALL: Final = 0.95
# A part of the day with fewer starts than this is no choice.
_FEWEST_STARTS: Final = 10
_MOST_SUGGESTIONS: Final = 100

_FIGURES: Final = ("chance_of_end", "expected_pauses", "expected_frozen_s")


@dataclass(frozen=True)
class MeanAndRange:
    """A figure over all starts that the hours allow: its mean, and between what eight of ten lie."""

    mean: float
    low: float
    high: float

    @classmethod
    def of(cls, values: Floats) -> MeanAndRange:
        """Return the spread of values, at least one."""
        low, high = np.quantile(values, (0.1, 0.9))
        return cls(float(values.mean()), float(low), float(high))


@dataclass(frozen=True)
class Gain:
    """What choosing the best start saves against a random one within the same hours.

    best_pauses, best_frozen_s, best_chance_of_end      of the best start
    pauses, frozen_s, chance_of_end                     of a random one
    share_as_good                                       the share of starts that cannot be told from the best
    worth_choosing                                      whether a person would notice: half a pause, ten frozen seconds,
                                                        or a call that is likely to be lost against one that is not
    share_worse                                         the share of starts at which a person would notice that the best
                                                        one goes better
    """

    starts: int
    best_pauses: float
    best_frozen_s: float
    best_chance_of_end: float
    pauses: MeanAndRange
    frozen_s: MeanAndRange
    chance_of_end: MeanAndRange
    share_as_good: float
    worth_choosing: bool
    share_worse: float

    @property
    def all_alike(self) -> bool:
        """Whether no start is better than another: (nearly) all cannot be told apart, and none is noticeably worse."""
        return self.share_as_good >= _NEARLY_ALL and self.share_worse == 0.0


@dataclass(frozen=True, eq=False)
class CallPlan:
    """Suggested starts, and everything that they were chosen from.

    ranked          one row a free start, best first; columns `COLUMNS`; start and end are datetime64[us, UTC], chances
                    from 0 to 1, lengths in seconds, age_s that of the elements at the start
    suggestions     the best of the good ones that do not overlap; equally good ones are spread over the days. Empty
                    where none is good
    least_bad       where none is good, the same of those that are not; else empty
    none_good       where none is good, what to say of that; else None
    gain            over a random start; None where no start is free
    before_noon, from_noon
                    the same gain for starts in these halves of the local day; None where there are too few
    by_hour         one row a local hour: hour, starts, and means of the figures over the starts in it
    allowed_count   how many starts the hours allow, and `rankable_count` for how many of them odds can be told
    first, last     how fresh the elements are at the first and at the last start allowed
    span            what was looked at
    """

    kind: CallKind
    minutes: int
    hours: DailyHours
    timezone: str
    ranked: pd.DataFrame
    suggestions: pd.DataFrame
    least_bad: pd.DataFrame
    none_good: NoneGood | None
    gain: Gain | None
    before_noon: Gain | None
    from_noon: Gain | None
    by_hour: pd.DataFrame
    allowed_count: int
    rankable_count: int
    first: Freshness
    last: Freshness
    span: Span

    def __repr__(self) -> str:
        words = "no start that can be ranked"
        if not self.shown.empty:
            best = "best start" if self.none_good is None else "no good start, the least bad"
            at = self.shown["start"].iloc[0].tz_convert(self.timezone)
            words = f"{best} {at:%Y-%m-%d %H:%M} ({self.timezone}), {len(self.ranked):,} starts ranked"
        return f"<CallPlan for {self.kind.name} of {self.minutes} min, {self.span}: {words}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.shown)

    @property
    def shown(self) -> pd.DataFrame:
        """The starts to show: those suggested, or the least bad where none is good."""
        return self.suggestions if self.none_good is None else self.least_bad

    @property
    def statistics_only(self) -> bool:
        """True where the elements are too old for single starts: `by_hour` is then all that can be said."""
        return self.rankable_count == 0


def plan_calls(
    fleet: Fleet,
    view: View,
    span: Span,
    *,
    kind: CallKind | str = VIDEO,
    minutes: int = 30,
    hours: DailyHours | None = None,
    busy: Iterable[tuple[datetime, datetime]] = (),
    most: int = 5,
    model: TimingModel | None = None,
    runs: int = RUNS,
    seed: int = 1,
    allow_stale: bool = False,
    calibration: Calibration | None = None,
    progress: Progress | None = None,
    warn: bool = True,
) -> CallPlan:
    """Rank every minute of `span` at which a call of `minutes` may begin at a view, and suggest up to `most` of them.

    `kind` is a kind of call or the name of one of passim's own: video, lesson, voice, screen or stream. `hours` are
    those of the site's clock, all day unless given; starts whose call meets one of `busy`, pairs of aware times, are
    left out. `model`, `runs`, `seed`, `allow_stale`, `calibration`, warnings and errors are those of `passim.odds`;
    raises SpanError for a call longer than the span or the hours, InputError for other numbers.
    """
    forecast = ServiceForecast.find(
        fleet, view, span, model=model, allow_stale=allow_stale, calibration=calibration, progress=progress, warn=warn
    )
    taken = np.array([[microseconds(aware(at, "busy time")) for at in ends] for ends in busy], dtype=np.int64)
    return plan_of(
        forecast,
        call_kind(kind) if isinstance(kind, str) else kind,
        minutes=minutes,
        hours=hours,
        timezone=view.site.timezone,
        busy_us=Intervals(*taken.reshape(-1, 2).T),
        most=most,
        runs=runs,
        seed=seed,
    )


def plan_of(
    forecast: ServiceForecast,
    kind: CallKind,
    *,
    minutes: int = 30,
    hours: DailyHours | None = None,
    timezone: str = "UTC",
    busy_us: Intervals | None = None,
    most: int = 5,
    runs: int = RUNS,
    seed: int = 1,
) -> CallPlan:
    """Rank every minute at which a call of `minutes` may begin within ``forecast.span``, and suggest up to `most`.

    `hours` are those of the clock in `timezone`, all day unless given; starts whose call meets a time of `busy_us` are
    left out. Starts at which the elements are only good for statistics are not ranked. Raises SpanError for a call that
    is longer than the span or the hours, InputError for other numbers, SiteError for an unknown zone.
    """
    if isinstance(most, bool) or not isinstance(most, (int, np.integer)) or not 1 <= most <= _MOST_SUGGESTIONS:
        raise InputError("number of suggestions", got=most, wanted=f"a whole number from 1 to {_MOST_SUGGESTIONS}")
    hours = hours or DailyHours()
    taken = [] if busy_us is None else list(zip(busy_us[0].tolist(), busy_us[1].tolist(), strict=True))
    found = starts(forecast.span, minutes, hours, timezone, taken)
    first, last = forecast.freshness_at(found.allowed_us[[0, -1]])

    # One set of futures to tell by, the one that every answer about calls tells by, and another to choose by.
    tell_by, choose_by = (forecast.futures(kind, runs=runs, seed=number) for number in (seed, seed + 1))
    allowed = windows(forecast, tell_by, kind, found.allowed_us, minutes)
    ranked_on = windows(forecast, choose_by, kind, found.free_us, minutes)
    with_odds = ranked_on["band"].isin(_bands_with_odds(ranked_on, forecast)).to_numpy()
    ranking = ranked_by(ranked_on[with_odds], allowed)
    shown, shown_us = ranking.table, microseconds_of(ranking.table["start"])

    # Where many are equally good, those of one day alone would leave nobody a choice of days.
    is_good = good_starts(shown)
    none = not is_good.any()
    rows = np.flatnonzero(is_good | none)
    # A freeze reaches into every call that is not good, so that none of them is clear of it.
    clear = (
        None if none else np.minimum.reduce([clear_us(f, kind, shown_us, minutes)[rows] for f in (choose_by, tell_by)])
    )
    day = shown["start"].dt.tz_convert(zone(timezone)).dt.day_of_year.to_numpy(dtype=np.int64)
    chosen = spread(shown_us[rows], ranking.tier[rows], day[rows], minutes, most, clear)
    listed = shown.iloc[rows[chosen]].reset_index(drop=True)
    nothing = None
    if not none:
        # What was chosen is put in order by the figures that are told.
        listed = listed.iloc[rank(listed)].reset_index(drop=True)
    elif not listed.empty:
        last_us = int(shown_us.max())

        def starts_of(length: int) -> Ints:
            # A shorter call has more starts; past the last that can be ranked the elements are too old for them.
            free_us = starts(forecast.span, length, hours, timezone, taken).free_us
            return free_us if len(shown) == found.free_us.size else free_us[free_us <= last_us]

        nothing = none_good(forecast, tell_by, kind, minutes, least_bad(ranking, minutes), starts_of)
    rankable = allowed[allowed["band"].isin(_bands_with_odds(allowed, forecast))]
    noon = shown["start"].dt.tz_convert(zone(timezone)).dt.hour >= 12
    return CallPlan(
        kind,
        minutes,
        hours,
        timezone,
        shown,
        listed.iloc[:0] if none else listed,
        listed if none else listed.iloc[:0],
        nothing,
        # Where times are taken, a random start is a free one too.
        gain_of(shown, shown),
        gain_of(shown[~noon], shown[~noon], _FEWEST_STARTS),
        gain_of(shown[noon], shown[noon], _FEWEST_STARTS),
        _by_hour(allowed if shown.empty else shown, timezone),
        int(found.allowed_us.size),
        len(rankable),
        first,
        last,
        forecast.span,
    )


def better(calls: pd.DataFrame, than: Mapping[str, float] | pd.Series) -> Bools:
    """Say of which `calls` a person would notice that they go better than one other, shape (calls,).

    Both have chance_of_end, expected_pauses and expected_frozen_s.
    """
    end, pauses, frozen_s = (calls[name].to_numpy(dtype=np.float64) for name in _FIGURES)
    return _worth(end, pauses, frozen_s, *(float(than[name]) for name in _FIGURES))


def gain_of(ranked: pd.DataFrame, allowed: pd.DataFrame, fewest: int = 1) -> Gain | None:
    """Return what the first of `ranked` saves against a random one of `allowed`; None where there are too few."""
    if ranked.empty or len(allowed) < fewest:
        return None
    best = ranked.iloc[:1]
    end, pauses, frozen = (MeanAndRange.of(allowed[name].to_numpy(dtype=np.float64)) for name in _FIGURES)
    random = dict(zip(_FIGURES, (end.mean, pauses.mean, frozen.mean), strict=True))
    as_good = np.ones(len(allowed), dtype=bool)
    for key, of_first in zip(keys(allowed), keys(best), strict=True):
        as_good &= key <= of_first[0]
    best_figures = tuple(best[name].to_numpy(dtype=np.float64) for name in _FIGURES)
    best_end, best_pauses, best_frozen_s = (float(figure[0]) for figure in best_figures)
    return Gain(
        len(allowed),
        best_pauses,
        best_frozen_s,
        best_end,
        pauses,
        frozen,
        end,
        float(as_good.mean()),
        bool(better(best, random)[0]),
        float(_worth(*best_figures, *(allowed[name].to_numpy(dtype=np.float64) for name in _FIGURES)).mean()),
    )


def _worth(
    end: Floats,
    pauses: Floats,
    frozen_s: Floats,
    than_end: Floats | float,
    than_pauses: Floats | float,
    than_frozen_s: Floats | float,
) -> Bools:
    """Say of which calls chance of an end, pauses and frozen seconds are noticeably better than those of another."""
    lost, other_lost = end > MOST_CHANCE_OF_END, than_end > MOST_CHANCE_OF_END
    fewer = than_pauses - pauses
    by_pauses = np.where(np.abs(fewer) >= _WORTH_PAUSES, fewer > 0.0, than_frozen_s - frozen_s >= _WORTH_FROZEN_S)
    return np.asarray(np.where(lost != other_lost, ~lost, by_pauses))


def _bands_with_odds(table: pd.DataFrame, forecast: ServiceForecast) -> list[str]:
    """Return the names of the bands in which single starts can be told apart."""
    fresh = forecast.freshness_at(microseconds_of(table["start"]))
    return sorted({f.band.name for f in fresh if f.band.shows_odds})


def _by_hour(allowed: pd.DataFrame, timezone: str) -> pd.DataFrame:
    """Return means over the starts of each local hour: what still holds when single moments do not."""
    hour = allowed["start"].dt.tz_convert(zone(timezone)).dt.hour.rename("hour")
    grouped = allowed.groupby(hour)
    table = grouped[["chance_of_end", "expected_pauses", "expected_freezes", "expected_frozen_s", "worst_p90_s"]].mean()
    table.insert(0, "starts", grouped.size())
    return table.reset_index()
