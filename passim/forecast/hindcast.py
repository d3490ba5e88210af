"""How good would the forecast have been? Old elements forecast, newer ones tell what came.

Two snapshots of a fleet, days apart: for a span about the epochs of the newer, the older forecasts who serves when and
the odds of no service, and the newer is taken for the truth. Three things come out: how far satellites are off at that
age, the timing model that fits it, and the scores of the forecast against climatology and yesterday.

The newer elements are not the truth but close to it: their own error, some tenths of a second within a day of the
epoch, is counted as the forecast's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Bools, Floats, Indices, Ints
from passim.constants import SECONDS_PER_DAY
from passim.coverage import Coverage
from passim.coverage.notebook import as_html
from passim.coverage.visibility import Visibility, find_visibility
from passim.elements.records import Fleet
from passim.errors import ElementsError, InputError, WayOut
from passim.forecast.baselines import climatology, day_clock, shifted_yesterday
from passim.forecast.event_scores import EventScores, match_times, score_events
from passim.forecast.hindcast_fit import FitBasis, PassErrors, by_age, fitted_model, pass_errors
from passim.forecast.odds import odds_of_no_service
from passim.forecast.timing import BANDS, Freshness, TimingModel, age_words, band_for
from passim.forecast.verification import YesNo, brier_decomposition, brier_skill, yes_no
from passim.intervals import GroupedIntervals, IntervalSet, Steps, level_at
from passim.sky.service import HANDOVER
from passim.sky.view import View
from passim.spans import Span, moment

FORECASTS: Final = ("yes or no", "odds", "odds, fitted", "climatology", "yesterday")
STATED: Final = FORECASTS[1]
FITTED: Final = FORECASTS[2]
# How far passes are sought beyond the span, so that what comes late into it is known: past the reach of most errors.
_MARGIN: Final = timedelta(minutes=20)
# A gap that came further from its time than this is another gap: by luck one in ten lies as near, where they come every
# five minutes (own arithmetic: 2 * 15 s / 300 s).
_FAR_S: Final = 15.0
# Past this age the newer elements are no truth: their own errors are a second and more.
_OLDEST_TRUTH_S: Final = 3.0 * SECONDS_PER_DAY


@dataclass(frozen=True)
class Snapshots:
    """Two snapshots of one fleet, and the span to score in; unless given, `hours` about the median newer epoch."""

    older: Fleet
    newer: Fleet
    span: Span | None = None
    hours: float = 48.0


@dataclass(frozen=True, eq=False)
class PairScore:
    """What came of one pair of snapshots.

    span            what was scored
    freshness       age of the older elements at the middle of it, and the band that puts a forecast in
    newer_age_s     median distance of the newer epochs from the middle
    in_both         objects in both snapshots; only they are used
    only_older, only_newer      identifiers of objects in one alone
    out_forecast, out_came      share of the span without service, by the older and the newer elements
    gaps            forecast gaps against those that came, matched within ``gaps.tolerance_s``: twice the root of the
                    sum of the squared timing errors that the stated model gives the older and the newer elements
    further_off_s   shape (n,): how much later than forecast those gaps came that ``gaps`` leaves apart, though no more
                    than 15 s apart
    by_chance       gaps within the same tolerance, in the mean, when the forecast is moved by other hours and so is
                    worth nothing
    """

    span: Span
    freshness: Freshness
    newer_age_s: float
    in_both: int
    only_older: tuple[str, ...]
    only_newer: tuple[str, ...]
    out_forecast: float
    out_came: float
    gaps: EventScores
    further_off_s: Floats = field(repr=False)
    by_chance: float

    @property
    def further_off_median_s(self) -> float:
        """Median of how far off those in ``further_off_s`` were, either way; nan without any."""
        return float(np.median(np.abs(self.further_off_s))) if self.further_off_s.size else float("nan")


@dataclass(frozen=True, eq=False)
class Hindcast:
    """The answer: errors of satellites, the model that fits them, and scores.

    pairs           one `PairScore` a pair of snapshots, as given
    satellites      one row a satellite and pair: pair, satellite_id, name, age_s, passes, paired, late_s (how much
                    later its passes came than forecast; nan: lost), rise_late_s, set_late_s, shared_s, moved
    ages            one row a pair and group of ages; see `passim.forecast.hindcast_fit.by_age`
    scores          one row a kind of forecast, all pairs together: forecast, moments, brier, reliability, resolution,
                    uncertainty, within_bins; skill (over climatology, or over the base rate where there is one day
                    only) with skill_low and skill_high (95 %, days redrawn); hit_rate, false_alarm_ratio,
                    false_alarm_rate (yes is a chance of 0.5 or more)
    model           the timing model that was stated
    fitted          the one fitted to what came
    fit             what it was fitted to
    """

    pairs: tuple[PairScore, ...]
    satellites: pd.DataFrame
    ages: pd.DataFrame
    scores: pd.DataFrame
    model: TimingModel
    fitted: TimingModel
    fit: FitBasis

    def __repr__(self) -> str:
        brier = dict(zip(self.scores["forecast"], self.scores["brier"], strict=True))
        words = ", ".join(f"{name} {score:.3g}" for name, score in brier.items())
        return f"<Hindcast of {len(self.satellites):,} satellites, {self.pairs[0].span}: Brier score {words}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.scores)


def hindcast(
    older: Fleet,
    newer: Fleet,
    view: View,
    span: Span | None = None,
    *,
    hours: float = 48.0,
    model: TimingModel | None = None,
    allow_stale: bool = False,
    step_s: float = 1.0,
    seed: int = 0,
) -> Hindcast:
    """Return how well the `older` elements of a fleet forecast what the `newer` ones show, at a view.

    `span` is what is scored; unless given, `hours` about the median newer epoch. The other options and the errors are
    those of `score_snapshots`, which takes several pairs.
    """
    pair = Snapshots(older, newer, span, hours)
    return score_snapshots(pair, view, model=model, allow_stale=allow_stale, step_s=step_s, seed=seed)


def score_snapshots(
    pairs: Snapshots | Iterable[Snapshots],
    view: View,
    *,
    model: TimingModel | None = None,
    allow_stale: bool = False,
    step_s: float = 1.0,
    seed: int = 0,
) -> Hindcast:
    """Return how well older elements forecast what newer ones show, at one view, for one pair of snapshots or more.

    Moments `step_s` seconds apart are scored. `seed` draws the days of the bounds. Elements over 14 days old at the
    middle of the span are refused unless `allow_stale`. Raises ElementsError for that, for snapshots in the wrong
    order, for a newer one that is itself far from the span, and for fewer than five objects that can be compared;
    SiteError for the view.
    """
    model = model or TimingModel()
    given = [pairs] if isinstance(pairs, Snapshots) else list(pairs)
    if not given:
        raise InputError("pairs of snapshots", got="none", wanted="at least one", try_next="an older and a newer file")
    # Ages are checked before anything is searched, since a search takes long.
    compared = [_Pair.of(pair, model, allow_stale) for pair in given]
    for pair in compared:
        pair.search(view)

    satellites = pd.concat([pair.errors(number) for number, pair in enumerate(compared, 1)], ignore_index=True)
    ages, moved = by_age(satellites, model)
    if not np.isfinite(ages["sigma_s"]).any():
        raise ElementsError(
            "objects to compare",
            got=f"{int(satellites['late_s'].notna().sum())} with passes in both snapshots",
            wanted="at least five of one age",
            try_next="a longer span, a lower mask or larger files",
        )
    satellites["moved"] = moved
    satellites["shared_s"] = _shared_of(satellites, ages)
    fitted, fit = fitted_model(satellites, ages, model)

    timezone = view.site.timezone
    moments = [pair.moments(model, fitted, timezone, step_s) for pair in compared]
    scores = _scores(moments, seed)
    records = tuple(pair.score(model) for pair in compared)
    return Hindcast(records, satellites, ages, scores, model, fitted, fit)


class _Pair:
    """One pair of snapshots on its way to its scores; satellites of both are indices of the same objects."""

    def __init__(self, older: Fleet, newer: Fleet, span: Span, freshness: Freshness, only: Sequence[set[str]]) -> None:
        self.older, self.newer, self.span, self.freshness = older, newer, span, freshness
        self.only_older, self.only_newer = (tuple(sorted(ids)) for ids in only)
        self.searched = Span(span.start - _MARGIN, span.end + _MARGIN)
        self._forecast: Visibility
        self._truth: Visibility

    @classmethod
    def of(cls, given: Snapshots, model: TimingModel, allow_stale: bool) -> _Pair:
        """Bring two snapshots together: one set an object, the objects of both, in one order."""
        common = set(given.older.satellite_ids) & set(given.newer.satellite_ids)
        if not common:
            raise ElementsError(
                "snapshots of one fleet",
                got=f"{given.older.object_count} and {given.newer.object_count} objects, none in both",
                wanted="two files that hold the same objects days apart",
            )
        span = given.span or _span_about(given.newer.select(_rows_of(given.newer, common)), given.hours)
        older, _ = given.older.select(_rows_of(given.older, common)).nearest(span.middle)
        newer, _ = given.newer.select(_rows_of(given.newer, common)).nearest(span.middle)
        place = {number: index for index, number in enumerate(newer.satellite_ids)}
        older = older.select(np.argsort([place[number] for number in older.satellite_ids]))

        older_us, newer_us = _median_epoch_us(older), _median_epoch_us(newer)
        if older_us >= newer_us:
            raise ElementsError(
                "order of the snapshots",
                got=f"median epochs {moment(older_us):%Y-%m-%d %H:%M}Z and {moment(newer_us):%Y-%m-%d %H:%M}Z",
                wanted="the older first",
                try_next="exchanging the two",
            )
        freshness = band_for(older, span.middle, model, allow_stale=True)
        if freshness.band is BANDS[-1] and not allow_stale:
            raise ElementsError(
                f"older elements too old for {span.middle:%Y-%m-%d %H:%M}Z",
                got=f"a median age of {age_words(freshness.median_s)} at that time",
                wanted=f"at most {age_words(BANDS[-2].up_to_s)}, past which no forecast is made",
                try_next="snapshots fewer days apart",
                way_out=WayOut.ALLOW_STALE,
            )
        newer_age_s = float(np.median(_ages_s(newer, span)))
        if newer_age_s > _OLDEST_TRUTH_S:
            raise ElementsError(
                "newer elements, which are to tell what came",
                got=f"a median age of {age_words(newer_age_s)} at {span.middle:%Y-%m-%d %H:%M}Z",
                wanted=f"at most {age_words(_OLDEST_TRUTH_S)}",
                try_next=f"a span about {moment(newer_us):%Y-%m-%d %H:%M}Z",
            )
        only = [set(map(str, set(fleet.satellite_ids) - common)) for fleet in (given.older, given.newer)]
        return cls(older, newer, span, freshness, only)

    def search(self, view: View) -> None:
        """Find when who serves, by both snapshots."""
        self._forecast = find_visibility(self.older, view, self.searched, warn=False)
        self._truth = find_visibility(self.newer, view, self.searched, warn=False)

    def errors(self, number: int) -> pd.DataFrame:
        """Return how late the passes of each object came, one row each; none for objects without a pass.

        Where the view has a serving filter, only objects that serve by the newer elements have a row.
        """
        periods_s = SECONDS_PER_DAY / self.newer.column("mean_motion_rev_day")
        tolerance_s = float(periods_s.min()) / 4.0
        found: PassErrors = pass_errors(
            self._forecast.base, self._truth.base, self.searched, len(self.newer), tolerance_s
        )
        # Objects that do not serve may drift as they like; what they do says nothing of those that do.
        serving = self._truth.allowed.get("serving", self._truth.base)
        counted = found.passes > 0
        counted &= np.isin(np.arange(len(self.newer)), serving.group)
        table = pd.DataFrame(
            {
                "pair": number,
                "satellite_id": self.newer.satellite_ids.astype(str),
                "name": self.newer.names.astype(str),
                "age_s": _ages_s(self.older, self.span),
                **found._asdict(),
            }
        )
        return table[counted]

    def moments(self, stated: TimingModel, fitted: TimingModel, timezone: str, step_s: float) -> _Moments:
        """Return what was forecast and what came at each moment of the span."""
        joint, epochs_us = self._forecast.candidates(), self.older.epochs.astype("datetime64[us]").astype(np.int64)
        odds = [
            odds_of_no_service(joint, epochs_us, self.span, law, step_s=step_s, searched=self.searched, even=True)
            for law in (stated, fitted)
        ]
        time_us = odds[0].moments_us
        came = self._out_at(self._truth.candidates(), time_us)
        predicted = self._out_at(joint, time_us)
        clock = day_clock(time_us, timezone)
        usual = climatology(came, clock) if np.unique(clock.day).size > 1 else np.full(came.size, came.mean())
        yesterday = np.full(came.size, np.nan)
        if self.span.duration_s > SECONDS_PER_DAY + 3600.0 + step_s and SECONDS_PER_DAY % step_s == 0.0:
            yesterday = shifted_yesterday(came, step_s).forecast
        chances = (predicted.astype(np.float64), odds[0].no_service, odds[1].no_service, usual, yesterday)
        return _Moments(clock.day, came, dict(zip(FORECASTS, chances, strict=True)))

    def score(self, stated: TimingModel) -> PairScore:
        """Return what is told of the pair as a whole; gaps are matched within the errors that their ages earn."""
        forecast, came = (
            seen.coverage((HANDOVER,) if HANDOVER in seen.view.names else (), self.span)
            for seen in (self._forecast, self._truth)
        )
        # An edge is off by the errors of both its elements; two standard deviations hold nineteen in twenty.
        newer_age_s = float(np.median(_ages_s(self.newer, self.span)))
        errors_s = stated.total_sigma_s([self.freshness.median_s, newer_age_s])
        tolerance_s = 2.0 * math.hypot(*errors_s.tolist())
        gaps = score_events(forecast.gap_intervals, came.gap_intervals, tolerance_s)
        return PairScore(
            span=self.span,
            freshness=self.freshness,
            newer_age_s=newer_age_s,
            in_both=len(self.newer),
            only_older=self.only_older,
            only_newer=self.only_newer,
            out_forecast=1.0 - forecast.covered_fraction(),
            out_came=1.0 - came.covered_fraction(),
            gaps=gaps,
            further_off_s=_further_off(forecast.gap_intervals, came.gap_intervals, gaps),
            by_chance=_by_chance(forecast.gap_intervals, came.gap_intervals, tolerance_s, self.span),
        )

    def _out_at(self, joint: GroupedIntervals, time_us: Ints) -> Bools:
        """Return whether there is no service at each moment."""
        coverage = Coverage.from_intervals(joint.start, joint.end, self.span)
        return np.asarray(level_at(Steps(coverage.edges_us, coverage.in_view), time_us) == 0)


@dataclass(frozen=True)
class _Moments:
    """Local days, outcomes and chances by kind of forecast, shape (moments,) each."""

    day: Ints
    came: Bools
    chances: dict[str, Floats]


def _scores(moments: Sequence[_Moments], seed: int) -> pd.DataFrame:
    """Return the table of scores of all pairs together."""
    # The same date in two pairs is two days: what came then was forecast from different elements.
    day = np.concatenate([each.day + number * 1_000_000 for number, each in enumerate(moments)])
    came = np.concatenate([each.came for each in moments])
    usual = np.concatenate([each.chances["climatology"] for each in moments])
    rows = []
    for name in FORECASTS:
        chance = np.concatenate([each.chances[name] for each in moments])
        known = np.isfinite(chance)
        if not known.any():
            continue
        parts = brier_decomposition(chance[known], came[known])
        skill = brier_skill(chance[known], usual[known], came[known], day[known], seed=seed)
        counts: YesNo = yes_no(chance[known] >= 0.5, came[known])
        rows.append(
            {
                "forecast": name,
                "moments": parts.count,
                "brier": parts.score,
                "reliability": parts.reliability,
                "resolution": parts.resolution,
                "uncertainty": parts.uncertainty,
                "within_bins": parts.within_bins,
                "skill": skill.value,
                "skill_low": skill.low,
                "skill_high": skill.high,
                "hit_rate": counts.hit_rate,
                "false_alarm_ratio": counts.false_alarm_ratio,
                "false_alarm_rate": counts.false_alarm_rate,
            }
        )
    return pd.DataFrame(rows)


def _further_off(forecast_us: IntervalSet, came_us: IntervalSet, gaps: EventScores) -> Floats:
    """Return how much later than forecast those gaps came that `gaps` does not match, up to 15 s off, shape (n,)."""
    if gaps.tolerance_s >= _FAR_S:
        return np.zeros(0)
    forecast, came = (
        np.delete(np.asarray(bounds[0], dtype=np.int64), matched)
        for bounds, matched in ((forecast_us, gaps.matches.forecast), (came_us, gaps.matches.came))
    )
    row, other = match_times(forecast, came, _FAR_S)
    return np.asarray((came[other] - forecast[row]) / 1e6)


def _by_chance(forecast_us: IntervalSet, came_us: IntervalSet, tolerance_s: float, span: Span) -> float:
    """Return how many gaps a forecast has within the tolerance when moved round `span` by other hours, in the mean."""
    start = np.asarray(forecast_us[0], dtype=np.int64) - span.start_us
    came = np.asarray(came_us[0], dtype=np.int64) - span.start_us
    length_us = span.end_us - span.start_us
    moved = [(start + length_us * step // 24) % length_us for step in range(2, 23)]
    return float(np.mean([match_times(times, came, tolerance_s).came.size for times in moved]))


def _shared_of(satellites: pd.DataFrame, ages: pd.DataFrame) -> Floats:
    """Return for each satellite what those of its pair and age share, 0 where too few tell."""
    shared = np.zeros(len(satellites))
    age_days = satellites["age_s"].to_numpy() / SECONDS_PER_DAY
    for row in ages[np.isfinite(ages["shared_s"])].itertuples():
        mine = (satellites["pair"] == row.pair) & (age_days >= row.age_low_days) & (age_days < row.age_high_days)
        shared[mine.to_numpy()] = row.shared_s
    return shared


def _span_about(newer: Fleet, hours: float) -> Span:
    """Return the span of `hours` about the median epoch of a snapshot, to the whole minute."""
    middle = moment(_median_epoch_us(newer)).replace(second=0, microsecond=0)
    around = Span.starting(middle, hours)
    return Span.starting(middle - (around.end - around.start) / 2, hours)


def _rows_of(fleet: Fleet, numbers: set[object]) -> Indices:
    return np.flatnonzero([number in numbers for number in fleet.satellite_ids])


def _median_epoch_us(fleet: Fleet) -> int:
    return int(np.median(fleet.epochs.astype("datetime64[us]").astype(np.int64)))


def _ages_s(fleet: Fleet, span: Span) -> Floats:
    """Return how far the epoch of each set is from the middle of the span, seconds."""
    middle_us = (span.start_us + span.end_us) // 2
    return np.abs(fleet.epochs.astype("datetime64[us]").astype(np.int64) - middle_us) / 1e6
