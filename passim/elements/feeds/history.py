"""What the snapshots of a fleet tell of its objects: who has manoeuvred, who is missing, and which launches arrived.

One element set says where an object is and how drag bends its orbit; a row of them says what was done to it. Between
two sets of one object the semi-major axis changes by drag, which the sets foretell (mean_motion_dot), by the scatter of
the fits, which is alike for all objects of a catalogue, and by its engines:

    da - (climb_0 + climb_1) / 2 * dt  >  threshold  =  max(0.1 km, 6 scatter) + half of what drag did

where the scatter is 1.48 times the median size of the left side over all pairs (robust, so that manoeuvres do not hide
themselves). An inclination that changes by more than max(0.01 deg, 6 scatter) tells a manoeuvre too. Sets that follow
each other are compared first; then each with one at least a day older, so that a burn in small pieces is not missed.

Numbers to check by (vis-viva: v^2 = mu (2/r - 1/a); Vallado, Fundamentals of Astrodynamics, ch. 6, recalled, recomputed
in tests): on a circle dv = v da / 2a, which at 550 km is 0.55 m/s a kilometre, and dv = v di is 1.3 m/s for 0.01 deg.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from passim.arrays import Bools, Floats, Indices, Ints
from passim.constants import SGP4_EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements.feeds.snapshots import Columns, Snapshot, SnapshotStore, read_columns, read_labels
from passim.elements.records import Fleet
from passim.elements.shells import climb_rate_km_day, mean_altitude_km
from passim.errors import ElementsError

Labels = Mapping[str, tuple[str, str]]

# How far back is looked, and what counts as of late.
LOOKED_BACK: Final = timedelta(days=30)
LATELY: Final = timedelta(days=7)

SMALLEST_RISE_KM: Final = 0.1
SMALLEST_TILT_DEG: Final = 0.01
_SCATTERS: Final = 6.0
_NORMAL: Final = 1.4826
_SHARE_OF_DRAG: Final = 0.5
_DAY_US: Final = 86_400_000_000
_NEVER_US: Final = -(2**62)
# A perigee below this lasts a day or two (common practice).
_NEAR_THE_END_KM: Final = 200.0

# A climb is told by two stretches of about a day each, both of which must show it.
_STRETCH: Final = timedelta(hours=18)
_LONGEST_STRETCH: Final = timedelta(days=3)
_SHORTEST_EPOCHS_DAYS: Final = 0.5
_LEAST_CLIMB_KM_DAY: Final = 0.1

_LAUNCH: Final = re.compile(r"[0-9]{4}-[0-9]{3}[A-Z]{0,3}", re.ASCII)
_ORIGIN: Final = datetime(1970, 1, 1, tzinfo=UTC)
_FIELDS: Final = ("mean_motion_rev_day", "eccentricity", "inclination_deg", "mean_motion_dot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manoeuvre:
    """A change of an orbit that neither drag nor the scatter of the fits explains.

    It happened between two epochs, ``after`` and ``before`` (aware, UTC). ``rise_km`` is what it did to the semi-major
    axis, ``tilt_deg`` to the inclination, and ``speed_m_s`` the least change of speed that does both.
    """

    satellite_id: str
    after: datetime
    before: datetime
    rise_km: float
    tilt_deg: float
    speed_m_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """An object of earlier snapshots that the newest no longer holds.

    ``last_held_at`` and ``gone_by`` are when the last snapshot that holds it and the next one were fetched. In the
    former its set, of ``epoch``, stood at ``altitude_km`` (of its semi-major axis) and climbed ``climb_km_day``.
    ``came_down`` where that orbit must have ended by now.
    """

    satellite_id: str
    name: str
    designator: str
    epoch: datetime
    last_held_at: datetime
    gone_by: datetime
    altitude_km: float
    climb_km_day: float
    came_down: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A launch of which the first object came between two snapshots, fetched at ``after`` and ``seen_at``.

    ``launch`` is the year and number of its international designators, "2026-901"; empty for objects without one.
    ``objects`` counts all of it that have been seen since.
    """

    launch: str
    after: datetime
    seen_at: datetime
    objects: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """What the snapshots of a fleet tell. Made by `read_history` and `find_history`.

    ``since`` and ``until`` are when the first and the last of ``snapshots`` were fetched, and ``damaged`` counts those
    that cannot be read. Manoeuvres and the missing stand latest first, arrivals earliest first. ``first_seen`` tells by
    identifier when the snapshot was fetched that first held an object, of those that the first one did not hold.
    ``more_pieces`` counts objects that came of launches seen before.
    """

    since: datetime
    until: datetime
    snapshots: int
    damaged: int = 0
    manoeuvres: tuple[Manoeuvre, ...] = ()
    missing: tuple[Missing, ...] = ()
    arrivals: tuple[Arrival, ...] = ()
    first_seen: Mapping[str, datetime] = field(default_factory=dict)
    more_pieces: int = 0

    def lately(self, moment: datetime) -> dict[str, Manoeuvre]:
        """Return the last manoeuvre of each object that made one in the seven days before `moment` (aware)."""
        found: dict[str, Manoeuvre] = {}
        for each in self.manoeuvres:
            if moment - LATELY <= each.before:
                found.setdefault(each.satellite_id, each)
        return found


def read_history(store: SnapshotStore, at: datetime | None = None) -> History | None:
    """Return what the snapshots of the thirty days up to the newest one by `at` (aware) tell; None without any.

    A damaged one is passed over and counted.
    """
    newest = store.newest(at)
    if newest is None:
        return None
    wanted = [each for each in store if newest.fetched_at - LOOKED_BACK <= each.fetched_at <= newest.fetched_at]
    columns: list[Columns] = []
    of: dict[datetime, Snapshot] = {}
    for snapshot in wanted:
        try:
            columns.append(read_columns(snapshot, _FIELDS))
        except ElementsError:
            continue
        of[snapshot.fetched_at] = snapshot

    def labels(fetched_at: datetime) -> Labels:
        return read_labels(of[fetched_at])

    return find_history(columns, labels, damaged=len(wanted) - len(columns)) if columns else None


def find_history(
    columns: Sequence[Columns], labels: Callable[[datetime], Labels] = lambda _: {}, *, damaged: int = 0
) -> History:
    """Return what `columns`, one for each snapshot, the oldest first, tell.

    `labels` returns names and designators by identifier of the snapshot fetched at a moment; it is asked only for the
    newest one and for those in which objects were held for the last time.
    """
    index_of: dict[str, int] = {}
    rows = [_indices(each, index_of) for each in columns]
    first, last = _held(rows, len(index_of))
    known = functools.cache(labels)
    numbers = list(index_of)
    label_of = {k: known(columns[last[k]].fetched_at).get(numbers[k], ("", "")) for k in range(len(numbers))}

    newest = len(columns) - 1
    gone = np.flatnonzero(last < newest).tolist()
    missing = [_missing(numbers[k], label_of[k], columns, rows, int(last[k]), k) for k in gone]
    arrivals, more_pieces = _arrivals(first, label_of, [each.fetched_at for each in columns])
    pairs = _pairs(columns, rows, len(numbers))
    return History(
        since=columns[0].fetched_at,
        until=columns[-1].fetched_at,
        snapshots=len(columns),
        damaged=damaged,
        manoeuvres=tuple(_manoeuvres(pairs, numbers)),
        missing=tuple(sorted(missing, key=lambda each: each.last_held_at, reverse=True)),
        arrivals=arrivals,
        first_seen={numbers[k]: columns[first[k]].fetched_at for k in np.flatnonzero(first > 0).tolist()},
        more_pieces=more_pieces,
    )


def manoeuvres_of(fleet: Fleet) -> tuple[Manoeuvre, ...]:
    """Return the manoeuvres that a fleet with several sets an object tells by itself, latest first."""
    if fleet.object_count == len(fleet):
        return ()
    # The k-th sets of all objects stand in for a snapshot.
    order = np.argsort(fleet.epochs, kind="stable")
    turn: dict[str, int] = {}
    ranks = np.zeros(len(fleet), dtype=np.intp)
    for index in order.tolist():
        number = str(fleet[index].satellite_id)
        ranks[index] = turn[number] = turn.get(number, -1) + 1
    numbers = {name: fleet.column(name) for name in _FIELDS}
    ids, epoch_us = np.array([str(each) for each in fleet.satellite_ids]), fleet.epochs.astype(np.int64)
    columns = [
        Columns(
            fetched_at=datetime.min.replace(tzinfo=UTC),
            satellite_ids=ids[ranks == rank],
            epoch_us=epoch_us[ranks == rank],
            numbers={name: column[ranks == rank] for name, column in numbers.items()},
        )
        for rank in range(int(ranks.max()) + 1)
    ]
    index_of: dict[str, int] = {}
    rows = [_indices(each, index_of) for each in columns]
    return tuple(_manoeuvres(_pairs(columns, rows, len(index_of)), list(index_of)))


def recent_climbs(store: SnapshotStore, newest: Snapshot) -> dict[str, float]:
    """Return how fast objects climb (sink, where negative) up to the newest snapshot, km a day, by identifier.

    Two stretches of about a day each must agree, and the slower of the two counts: what jumped once holds its orbit
    again. Objects under 0.1 km a day are left out, and so are snapshots that cannot be read.
    """
    chosen: list[Columns] = []
    before = newest.fetched_at
    for snapshot in reversed([each for each in store if each.fetched_at <= newest.fetched_at]):
        if snapshot != newest and not _STRETCH <= before - snapshot.fetched_at <= _LONGEST_STRETCH:
            continue
        try:
            chosen.append(read_columns(snapshot, _FIELDS[:1]))
        except ElementsError:
            continue
        before = snapshot.fetched_at
        if len(chosen) == 3:
            break
    if len(chosen) < 3:
        return {}
    index_of: dict[str, int] = {}
    rows = [_indices(each, index_of) for each in chosen]
    altitude_km, epoch_us = np.full((3, len(index_of)), np.nan), np.zeros((3, len(index_of)), dtype=np.int64)
    for k, (each, row) in enumerate(zip(chosen, rows, strict=True)):
        altitude_km[k, row], epoch_us[k, row] = mean_altitude_km(each.numbers[_FIELDS[0]]), each.epoch_us
    days = -np.diff(epoch_us, axis=0) / _DAY_US
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = np.where(days >= _SHORTEST_EPOCHS_DAYS, -np.diff(altitude_km, axis=0) / days, np.nan)
    slower = np.where(np.abs(rates[0]) < np.abs(rates[1]), rates[0], rates[1])
    steady = (rates[0] * rates[1] > 0.0) & (np.abs(slower) >= _LEAST_CLIMB_KM_DAY)
    numbers = list(index_of)
    return {numbers[k]: float(slower[k]) for k in np.flatnonzero(steady).tolist()}


def _indices(columns: Columns, index_of: dict[str, int]) -> Indices:
    """Return the index of each set's object, giving new ones the next, shape (sets,)."""
    return np.array([index_of.setdefault(each, len(index_of)) for each in columns.satellite_ids.tolist()], np.intp)


def _held(rows: Sequence[Indices], objects: int) -> tuple[Indices, Indices]:
    """Return the numbers of the first and the last snapshot that hold each object, shape (objects,)."""
    first, last = np.full(objects, len(rows), dtype=np.intp), np.full(objects, -1, dtype=np.intp)
    for k, row in enumerate(rows):
        first[row] = np.minimum(first[row], k)
        last[row] = k
    return first, last


def _missing(
    number: str, label: tuple[str, str], columns: Sequence[Columns], rows: Sequence[Indices], last: int, index: int
) -> Missing:
    """Return what is known of an object that the snapshot number `last` held for the last time."""
    newest_set = columns[last]
    at = int(np.flatnonzero(rows[last] == index)[-1])
    rate_rev_day, eccentricity = (float(newest_set.numbers[name][at]) for name in _FIELDS[:2])
    altitude_km = float(mean_altitude_km(rate_rev_day))
    radius_km = SGP4_EARTH_RADIUS_KM + altitude_km
    climb_km_day = float(climb_rate_km_day(radius_km, rate_rev_day, newest_set.numbers["mean_motion_dot"][at]))
    perigee_km = radius_km * (1.0 - eccentricity) - SGP4_EARTH_RADIUS_KM
    days = (columns[-1].fetched_at - _moment(newest_set.epoch_us[at])).total_seconds() / 86400.0
    # Drag only grows on the way down: a straight line to today gives the benefit of doubt.
    sunk_km = perigee_km + min(climb_km_day, 0.0) * max(days, 0.0)
    return Missing(
        satellite_id=number,
        name=label[0],
        designator=label[1],
        epoch=_moment(newest_set.epoch_us[at]),
        last_held_at=newest_set.fetched_at,
        gone_by=columns[last + 1].fetched_at,
        altitude_km=altitude_km,
        climb_km_day=climb_km_day,
        came_down=sunk_km < _NEAR_THE_END_KM,
    )


def _arrivals(
    first: Indices, label_of: Mapping[int, tuple[str, str]], fetched: Sequence[datetime]
) -> tuple[tuple[Arrival, ...], int]:
    """Return the launches that came after the first snapshot, and how many new objects are of launches before."""
    groups: dict[str, list[int]] = {}
    for index, (_, designator) in label_of.items():
        launch = launch_of(designator)
        # Objects without a designator that came together are taken for one launch; those from before say nothing.
        key = launch or (f"?{first[index]}" if first[index] > 0 else "")
        if key:
            groups.setdefault(key, []).append(int(first[index]))
    arrivals, more_pieces = [], 0
    for key, seen in groups.items():
        came = min(seen)
        if came == 0:
            more_pieces += sum(k > 0 for k in seen)
            continue
        launch = "" if key.startswith("?") else key
        arrivals.append(Arrival(launch=launch, after=fetched[came - 1], seen_at=fetched[came], objects=len(seen)))
    return tuple(sorted(arrivals, key=lambda each: (each.seen_at, each.launch))), more_pieces


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Pairs of sets of one object: its index, both epochs, and how altitude and inclination changed, shape (pairs,).

    ``rise_km`` is without what drag did, ``drag_km``; ``radius_km`` that of the later set.
    """

    index: Indices
    before_us: Ints
    after_us: Ints
    rise_km: Floats
    tilt_deg: Floats
    drag_km: Floats
    radius_km: Floats

    @classmethod
    def joined(cls, parts: Sequence[_Pairs]) -> _Pairs:
        """Return all the pairs of several."""
        names = [each.name for each in fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def __getitem__(self, rows: Bools) -> _Pairs:
        return _Pairs(*(getattr(self, each.name)[rows] for each in fields(self)))


class _LastSets:
    """The last set of each object, as far as the snapshots were gone through."""

    def __init__(self, objects: int) -> None:
        self.epoch_us = np.full(objects, _NEVER_US)
        self.radius_km, self.climb_km_day, self.inclination_deg = (np.zeros(objects) for _ in range(3))

    def pairs(self, row: Indices, epoch_us: Ints, radius: Floats, climb: Floats, tilt: Floats) -> _Pairs:
        """Return the pairs that new sets make with these."""
        days = (epoch_us - self.epoch_us[row]) / _DAY_US
        drag_km = (self.climb_km_day[row] + climb) / 2.0 * days
        rise_km = radius - self.radius_km[row] - drag_km
        return _Pairs(row, self.epoch_us[row], epoch_us, rise_km, tilt - self.inclination_deg[row], drag_km, radius)

    def put(self, row: Indices, epoch_us: Ints, radius: Floats, climb: Floats, tilt: Floats) -> None:
        """Let sets be the last ones."""
        self.epoch_us[row], self.radius_km[row] = epoch_us, radius
        self.climb_km_day[row], self.inclination_deg[row] = climb, tilt


def _pairs(columns: Sequence[Columns], rows: Sequence[Indices], objects: int) -> tuple[_Pairs, _Pairs]:
    """Return the pairs of sets that follow each other, and those with a set that is at least a day older."""
    last, day = _LastSets(objects), _LastSets(objects)
    following, daily = [], []
    for each, row in zip(columns, rows, strict=True):
        radius_km = SGP4_EARTH_RADIUS_KM + mean_altitude_km(each.numbers["mean_motion_rev_day"])
        climb = climb_rate_km_day(radius_km, each.numbers["mean_motion_rev_day"], each.numbers["mean_motion_dot"])
        values = (row, each.epoch_us, radius_km, climb, each.numbers["inclination_deg"])
        # Of several sets of one object in a snapshot the last one counts.
        newest = np.full(objects, _NEVER_US)
        np.maximum.at(newest, row, each.epoch_us)
        lone = each.epoch_us == newest[row]
        known = last.epoch_us[row] > _NEVER_US
        fresh = lone & known & (each.epoch_us > last.epoch_us[row])
        chosen = tuple(value[fresh] for value in values)
        following.append(last.pairs(*chosen))
        aged = fresh & (each.epoch_us - day.epoch_us[row] >= _DAY_US)
        old = tuple(value[aged] for value in values)
        daily.append(day.pairs(*old))
        day.put(*old)
        last.put(*chosen)
        begun = tuple(value[lone & ~known] for value in values)
        last.put(*begun)
        day.put(*begun)
    return _Pairs.joined(following), _Pairs.joined(daily)


def _manoeuvres(pairs: tuple[_Pairs, _Pairs], numbers: Sequence[str]) -> list[Manoeuvre]:
    """Return the manoeuvres that pairs of sets tell, the latest first; those that touch are one."""
    following, daily = (_unexplained(each) for each in pairs)
    spans: dict[int, list[_Span]] = {}
    for index, *values in zip(*(getattr(following, each.name).tolist() for each in fields(_Pairs)), strict=True):
        spans.setdefault(index, []).append(_Span.of(values))
    # A day tells only what no pair within it told.
    for index, *values in zip(*(getattr(daily, each.name).tolist() for each in fields(_Pairs)), strict=True):
        of_day, known = _Span.of(values), spans.setdefault(index, [])
        if not any(each.after_us < of_day.before_us and each.before_us > of_day.after_us for each in known):
            known.append(of_day)
    found = []
    for index, each in spans.items():
        each.sort(key=lambda span: span.after_us)
        joined = each[:1]
        for span in each[1:]:
            if span.after_us <= joined[-1].before_us:
                joined[-1] = joined[-1].with_next(span)
            else:
                joined.append(span)
        found += [span.manoeuvre(numbers[index]) for span in joined]
    return sorted(found, key=lambda each: (each.before, each.satellite_id), reverse=True)


def _unexplained(pairs: _Pairs) -> _Pairs:
    """Return the pairs that drag and the scatter of the fits do not explain."""
    if not len(pairs.index):
        return pairs
    least_km = max(SMALLEST_RISE_KM, _SCATTERS * _NORMAL * float(np.median(np.abs(pairs.rise_km))))
    least_deg = max(SMALLEST_TILT_DEG, _SCATTERS * _NORMAL * float(np.median(np.abs(pairs.tilt_deg))))
    risen = np.abs(pairs.rise_km) > least_km + _SHARE_OF_DRAG * np.abs(pairs.drag_km)
    return pairs[risen | (np.abs(pairs.tilt_deg) > least_deg)]


@dataclass(frozen=True, slots=True)
class _Span:
    """A change between two epochs."""

    after_us: int
    before_us: int
    rise_km: float
    tilt_deg: float
    radius_km: float

    @classmethod
    def of(cls, values: Sequence[float]) -> _Span:
        """Return that of one of `_Pairs`, without its index."""
        first_us, second_us, rise_km, tilt_deg, _, radius_km = values
        return cls(int(first_us), int(second_us), rise_km, tilt_deg, radius_km)

    def with_next(self, other: _Span) -> _Span:
        """Return this change and the one that follows it as one."""
        rise_km, tilt_deg = self.rise_km + other.rise_km, self.tilt_deg + other.tilt_deg
        return _Span(self.after_us, max(self.before_us, other.before_us), rise_km, tilt_deg, other.radius_km)

    def manoeuvre(self, number: str) -> Manoeuvre:
        """Return it as a manoeuvre of an object."""
        return Manoeuvre(
            satellite_id=number,
            after=_moment(self.after_us),
            before=_moment(self.before_us),
            rise_km=self.rise_km,
            tilt_deg=self.tilt_deg,
            speed_m_s=change_of_speed_m_s(self.radius_km, self.rise_km, self.tilt_deg),
        )


def change_of_speed_m_s(radius_km: float, rise_km: float, tilt_deg: float) -> float:
    """Return the least change of speed, m/s, that raises a circular orbit of `radius_km` and tilts it.

    dv = v da / 2a along the track and v di across it, in one burn: 0.55 m/s a kilometre at 550 km.
    """
    speed_m_s = 1000.0 * math.sqrt(SGP4_MU_KM3_S2 / radius_km)
    return speed_m_s * math.hypot(rise_km / (2.0 * radius_km), math.radians(tilt_deg))


def launch_of(designator: str) -> str:
    """Return the year and number of the launch in an international designator, "2026-901"; empty without one."""
    return designator[:8] if _LAUNCH.fullmatch(designator) else ""


def _moment(us: int) -> datetime:
    return _ORIGIN + timedelta(microseconds=int(us))
