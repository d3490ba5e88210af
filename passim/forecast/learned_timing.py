"""The timing errors of one fleet, learned from the snapshots that were kept of it.

Two snapshots some time apart tell how far off the older one was: each satellite is carried forward by SGP4 from its
older elements to the epoch of its newer ones, and stands there ahead of where the newer ones have it, or behind. That
angle along the orbit, divided by the rate at which the satellite goes round, is how late it came. No site is needed and
no pass is sought, so that dozens of pairs cost a second or two, and what comes out holds for every place. The published
errors that `passim.forecast.timing` follows were measured in the same way.

The errors of all pairs, sorted by age, are fitted as those of a hindcast are (`passim.forecast.hindcast_fit`): spread
about the median of each pair, what all share, and those that moved apart. What is learned from ages of under a week
says little of those beyond: there the error is let grow as much more as that of the usual model does.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from passim.arrays import Floats, Ints
from passim.constants import SECONDS_PER_DAY
from passim.elements import health
from passim.elements.feeds.snapshots import Columns, Snapshot, read_columns, read_snapshot
from passim.elements.identifiers import SatelliteId
from passim.elements.records import ElementSet, Fleet
from passim.errors import ElementsError
from passim.forecast.hindcast_fit import AGE_EDGES_DAYS, by_age, fitted_model
from passim.forecast.timing import OLDEST_S, TimingModel
from passim.orbits.propagation import Propagator, usable
from passim.spans import moment

# Changes when the same snapshots would give another answer, so that what is kept is worked out anew.
METHOD: Final = 1
# So far back snapshots are looked at: fleets change, and so does the Sun's activity, which drives the drag.
LOOKED_AT: Final = timedelta(days=60)
# Lengths in days by which the snapshots of a pair are apart, each give or take a third, and how many pairs of each.
_APART_DAYS: Final = (0.33, 0.67, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 13.5)
SCORED_DAYS: Final = (1.0, 3.0, 7.0)
_PAIRS_OF_A_LENGTH: Final = 3
_NEAR: Final = (0.75, 1.3)
# A thousand satellites tell a spread to 4 % (1.17 / sqrt(1000)); more cost time and tell the same.
MOST_SATELLITES: Final = 1000
# Sets less than an hour apart are often one fit told twice.
_LEAST_AGE_S: Final = 3600.0
# Past a quarter of a revolution, or out of its plane by this, a satellite is not late but elsewhere.
_FARTHEST_RAD: Final = math.pi / 2.0
_OUT_OF_PLANE: Final = math.sin(math.radians(5.0))
# What is needed before a fleet's own errors are used: ages that tell the terms of the model apart, and a spread known
# to a quarter (1.17 / sqrt(20)).
FEWEST_DAYS: Final = 3.0
FEWEST_SATELLITES: Final = 20
FEWEST_AGES: Final = 3
# The relative standard error of a spread found by the median distance from the median is 1.17 / sqrt(n) for normal
# values: its efficiency is 0.37 (Hampel 1974, recalled; found again by simulation in the tests).
_RELATIVE_ERROR: Final = 1.17
# From ages below this the growth of the drag's part cannot be told.
_TELLS_DRAG_S: Final = 7.0 * SECONDS_PER_DAY


@dataclass(frozen=True, kw_only=True)
class LearnedAge:
    """What was found at about one age.

    ``age_s`` the age; ``pairs`` of snapshots and ``satellites``, different ones, that told it; ``sigma_s`` their own
    timing error, with the bounds within which the true one lies in 95 of 100 cases; ``moved_share`` the share of those
    further off than four times that, or lost.
    """

    age_s: float
    pairs: int
    satellites: int
    sigma_s: float
    sigma_low_s: float
    sigma_high_s: float
    moved_share: float


@dataclass(frozen=True, kw_only=True)
class LearnedTiming:
    """The timing errors of one fleet by its own snapshots.

    ``model`` is what fits them, None where they are not enough yet; ``ages`` what was found, youngest first. ``days``
    lie between the first and the last of the ``snapshots``, by their names, that were compared in so many ``pairs``;
    ``satellites`` is how many different ones told. ``inputs`` stands for the snapshots chosen, see `inputs_of`.
    """

    model: TimingModel | None
    ages: tuple[LearnedAge, ...]
    days: float
    snapshots: tuple[str, ...]
    pairs: int
    satellites: int
    inputs: str

    @property
    def oldest_s(self) -> float:
        """The greatest age that was measured, s; nil where none was."""
        return max((each.age_s for each in self.ages), default=0.0)


class _Loaded(NamedTuple):
    """The satellites of a snapshot that are looked at: where each stands at its own epoch, by its identifier."""

    place: dict[str, int]
    propagator: Propagator
    epoch_us: Ints
    position_km: Floats
    velocity_km_s: Floats


def chosen_pairs(snapshots: Sequence[Snapshot]) -> list[tuple[Snapshot, Snapshot]]:
    """Return which snapshots, older and newer, are compared, by when they were fetched: the newest of each length.

    Pairs of one length end at least half of it apart, so that they tell of different days.
    """
    every = sorted(snapshots, key=lambda each: each.fetched_at)
    if every:
        every = [each for each in every if each.fetched_at >= every[-1].fetched_at - LOOKED_AT]
    days = np.array([(each.fetched_at - every[0].fetched_at).total_seconds() / SECONDS_PER_DAY for each in every])
    chosen = []
    for apart in _APART_DAYS:
        found, last = 0, math.inf
        for newer in reversed(range(len(every))):
            if found == _PAIRS_OF_A_LENGTH or last - days[newer] < 0.5 * apart:
                continue
            older = int(np.argmin(np.abs(days[newer] - days - apart)))
            if _NEAR[0] * apart <= days[newer] - days[older] <= _NEAR[1] * apart:
                chosen.append((every[older], every[newer]))
                found, last = found + 1, days[newer]
    return list(dict.fromkeys(chosen))


def pairs_to_score(snapshots: Sequence[Snapshot]) -> list[tuple[Snapshot, Snapshot]]:
    """Return the newest snapshot paired with those about a day, three and seven older, for a hindcast at a site."""
    every = sorted(snapshots, key=lambda each: each.fetched_at)
    found = []
    for apart in SCORED_DAYS if every else ():
        wanted = every[-1].fetched_at - timedelta(days=apart)
        off = [abs(each.fetched_at - wanted) for each in every]
        older = every[off.index(min(off))]
        days = (every[-1].fetched_at - older.fetched_at).total_seconds() / SECONDS_PER_DAY
        if _NEAR[0] * apart <= days <= _NEAR[1] * apart:
            found.append((older, every[-1]))
    return list(dict.fromkeys(found))


def inputs_of(pairs: Iterable[tuple[Snapshot, Snapshot]]) -> str:
    """Return a digest of the snapshots compared, whose names hold those of their bytes, and of how it is done."""
    names = [f"{older.path.name} {newer.path.name}" for older, newer in pairs]
    return hashlib.sha256("\n".join([str(METHOD), *names]).encode("ascii")).hexdigest()


def learn_timing(snapshots: Sequence[Snapshot]) -> LearnedTiming:
    """Return the timing errors that the snapshots of a fleet tell. Those that are damaged are passed over."""
    pairs = chosen_pairs(snapshots)
    loaded: dict[Snapshot, _Loaded | None] = {}
    wanted: set[str] = set()
    tables, used = [], set()
    # The newest comes first: it says who serves.
    for snapshot in sorted({each for pair in pairs for each in pair}, key=lambda each: each.fetched_at, reverse=True):
        loaded[snapshot] = _load(snapshot, wanted)
    for number, pair in enumerate(pairs):
        older, newer = (loaded[each] for each in pair)
        if older is None or newer is None:
            continue
        table = errors_between(older, newer)
        if len(table):
            tables.append(table.assign(pair=number))
            used |= set(pair)
    times = sorted(each.fetched_at for each in used)
    days = (times[-1] - times[0]).total_seconds() / SECONDS_PER_DAY if times else 0.0
    satellites = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame({"satellite_id": []})
    model, ages = _fitted(satellites, days) if tables else (None, ())
    return LearnedTiming(
        model=model,
        ages=ages,
        days=days,
        snapshots=tuple(each.path.name for each in sorted(used, key=lambda each: each.path.name)),
        pairs=len(tables),
        satellites=satellites["satellite_id"].nunique(),
        inputs=inputs_of(pairs),
    )


def _load(snapshot: Snapshot, wanted: set[str]) -> _Loaded | None:
    """Return the satellites of a snapshot that are `wanted`, None where it is damaged.

    The first that is read fills `wanted`: those that serve by it, evenly thinned where there are very many.
    """
    try:
        if not wanted:
            every, _ = read_snapshot(snapshot, "").nearest(snapshot.fetched_at)
            wanted |= _serving(every, snapshot.fetched_at)
        fleet, _ = _sets_of(read_columns(snapshot), wanted).nearest(snapshot.fetched_at)
    except ElementsError:
        return None  # told by whoever reads it to answer from it
    propagator = Propagator.of(fleet)
    states = [model.sgp4_tsince(0.0) for model in propagator.models]
    error = np.array([state[0] for state in states], dtype=np.uint8)
    position, velocity = (np.array([state[k] for state in states]).reshape(-1, 3) for k in (1, 2))
    good = usable(position, error) if len(states) else np.zeros(0, dtype=bool)
    return _Loaded(
        {str(number): row for row, number in enumerate(fleet.satellite_ids) if good[row]},
        propagator,
        fleet.epochs.astype("datetime64[us]").astype(np.int64),
        position,
        velocity,
    )


def _sets_of(columns: Columns, wanted: set[str]) -> Fleet:
    """Return the element sets of some objects, without their names: records of all would cost most of the time."""
    records = []
    for row in np.flatnonzero([number in wanted for number in columns.satellite_ids.tolist()]).tolist():
        numbers: dict[str, Any] = {field: float(values[row]) for field, values in columns.numbers.items()}
        number, epoch = SatelliteId(str(columns.satellite_ids[row])), moment(int(columns.epoch_us[row]))
        records.append(ElementSet(satellite_id=number, name="", epoch=epoch, **numbers))
    return Fleet(records)


def _serving(fleet: Fleet, at: datetime) -> set[str]:
    """Return who of a fleet serves, at most `MOST_SATELLITES`."""
    if not len(fleet):
        return set()
    found = health.assess(fleet, at)
    serving = sorted(str(number) for number in found.satellite_ids[found.serving])
    chosen = np.unique(np.linspace(0, len(serving) - 1, min(len(serving), MOST_SATELLITES)).round().astype(int))
    return {serving[place] for place in chosen} if serving else set()


def errors_between(older: _Loaded, newer: _Loaded) -> pd.DataFrame:
    """Return how late each satellite stood at its newer epoch against its older elements: satellite_id, age_s, late_s.

    Without those that have no newer elements; nan for those that are no longer where they could be late.
    """
    common = sorted(set(older.place) & set(newer.place))
    old = np.array([older.place[number] for number in common], dtype=np.intp)
    new = np.array([newer.place[number] for number in common], dtype=np.intp)
    age_s = (newer.epoch_us[new] - older.epoch_us[old]) / 1e6
    old_enough = age_s >= _LEAST_AGE_S
    old, new, age_s = old[old_enough], new[old_enough], age_s[old_enough]
    models = older.propagator.models
    states = [models[row].sgp4_tsince(age / 60.0) for row, age in zip(old, age_s.tolist(), strict=True)]
    forecast = np.array([state[1] for state in states]).reshape(-1, 3)
    good = usable(forecast, np.array([state[0] for state in states], dtype=np.uint8)) if states else old_enough[:0]

    # Where the forecast stands, in the frame of the satellite as it came: outward, along its path, across it.
    position, velocity = newer.position_km[new], newer.velocity_km_s[new]
    radius = np.linalg.norm(position, axis=1)
    turning = np.cross(position, velocity)
    rate_rad_s = np.linalg.norm(turning, axis=1) / radius**2
    outward, across = position / radius[:, None], turning / np.linalg.norm(turning, axis=1)[:, None]
    along = np.cross(across, outward)
    out, ahead, aside = (np.einsum("ij,ij->i", forecast, axis) for axis in (outward, along, across))
    angle = np.arctan2(ahead, out)
    good &= (np.abs(angle) < _FARTHEST_RAD) & (np.abs(aside) < _OUT_OF_PLANE * np.linalg.norm(forecast, axis=1))
    return pd.DataFrame(
        {
            "satellite_id": np.array(common, dtype=object)[old_enough],
            "age_s": age_s,
            "late_s": np.where(good, angle / rate_rad_s, np.nan),
        }
    )


def _fitted(satellites: pd.DataFrame, days: float) -> tuple[TimingModel | None, tuple[LearnedAge, ...]]:
    """Return the model that fits errors of all pairs, None where they are too few, and what was found by age."""
    usual = TimingModel()
    # Beyond the age at which nothing is forecast, nothing needs to be known.
    satellites = satellites[satellites["age_s"] <= OLDEST_S * _NEAR[1]].reset_index(drop=True)
    if satellites.empty:
        return None, ()
    rows, moved = by_age(satellites, usual)
    edges = np.array(AGE_EDGES_DAYS)
    group = edges[np.searchsorted(edges, satellites["age_s"] / SECONDS_PER_DAY, side="right") - 1]
    known = rows[np.isfinite(rows["sigma_s"])]
    shared = {(row.pair, row.age_low_days): row.shared_s for row in known.itertuples()}
    shared_s = [shared.get(key, 0.0) for key in zip(satellites["pair"], group.tolist(), strict=True)]
    satellites = satellites.assign(moved=moved, group=group, shared_s=shared_s)
    ages = tuple(_age(found, satellites) for _, found in known.groupby("age_low_days"))
    enough = [each for each in ages if each.satellites >= FEWEST_SATELLITES]
    if days < FEWEST_DAYS or len(enough) < FEWEST_AGES:
        return None, ages
    model, _ = fitted_model(satellites, rows, usual)
    return _carried_on(model, max(each.age_s for each in enough)), ages


def _age(found: pd.DataFrame, satellites: pd.DataFrame) -> LearnedAge:
    """Return what the rows of one age, one a pair, say together."""
    weight = found["satellites"].to_numpy(dtype=np.float64)
    sigma_s = math.sqrt(np.average(found["sigma_s"].to_numpy() ** 2, weights=weight))
    mine = satellites[(satellites["group"] == found["age_low_days"].iloc[0]) & satellites["pair"].isin(found["pair"])]
    # The errors of one satellite in several pairs are akin, so that each counts once.
    number = int(mine["satellite_id"].nunique())
    factor = math.exp(1.96 * _RELATIVE_ERROR / math.sqrt(number))
    return LearnedAge(
        age_s=float(np.average(found["age_s"].to_numpy(), weights=weight)),
        pairs=len(found),
        satellites=number,
        sigma_s=sigma_s,
        sigma_low_s=sigma_s / factor,
        sigma_high_s=sigma_s * factor,
        moved_share=float(mine["moved"].mean()),
    )


def _carried_on(model: TimingModel, measured_s: float) -> TimingModel:
    """Return a model that beyond the ages measured grows at least as much faster than a straight line as the usual."""
    if measured_s >= _TELLS_DRAG_S:
        return model
    usual = TimingModel()
    scale = float(model.sigma_s(measured_s) / usual.sigma_s(measured_s))
    return replace(
        model,
        per_day2_s=max(model.per_day2_s, usual.per_day2_s * scale),
        shared_per_day2_s=max(model.shared_per_day2_s, usual.shared_per_day2_s * scale),
    )
