"""The sky over a site, sampled once: from it follow the freezes of any setting in some milliseconds.

One search finds the passes above a low floor; along each pass the satellite's place is kept every ten seconds. Every
limit is a smooth number along a pass, positive where it allows the satellite, so an edge lies where a parabola through
the neighbouring samples is zero: mostly within 0.05 s of the exact search (`tests/test_fit.py`), far below what a
record by the second can tell. A setting costs some passes over plain arrays; nothing is propagated again. Places are
held in single precision, some 0.2 m, which moves an edge by a fraction of a millisecond (a few where a pass only grazes
a limit); a setting that lets in nothing below an elevation is tried on the samples above it alone; and of the edges,
those alone are found that bound what no other satellite covers.

Seven days of 6,000 satellites are eight million samples, so a byte a sample counts. Places alone are held for good; the
times of samples follow from their passes, and what else there is to know of each (its elevation, what a limit says of
it) is worked out some thousand samples at a time and held as long as there is room.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property, reduce
from itertools import pairwise
from operator import add
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from passim.answers.symptom.served import ManySettings
from passim.arrays import Bools, Floats, Ints
from passim.coverage.visibility import Visibility, find_visibility, positions_km
from passim.elements.records import Fleet
from passim.intervals import GroupedIntervals, Intervals, complement, difference, union
from passim.line.fitting.retained import Retained
from passim.line.fitting.settings import LineSetting, Sector
from passim.line.past import fleets_over
from passim.sky.horizon import Horizon
from passim.sky.limits import ArcKeepOut, Cone, FleetLimit, GatewayLimit, HorizonLimit
from passim.sky.limits.geostationary_arc import arc_of
from passim.sky.look_angles import look_angles
from passim.sky.service import INSTANT, Service
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span, moment

Singles = NDArray[np.float32]
Part = HorizonLimit | Cone | GatewayLimit | ArcKeepOut | Sector
# One number of each sample that is held as long as there is room: of whose samples, and what it is.
Known = tuple[object, Literal["sine", "azimuth", "arc"] | tuple[float, ...] | Sector]

# Elements that hold throughout, or what says which were at hand at a moment.
FleetOrFleets = Fleet | Callable[[datetime], Fleet]

STEP_S: Final = 10.0
# Satellites lower than this are not looked at: nothing on a roof works there (common practice, no source).
FLOOR_DEG: Final = 15.0
# Samples above these elevations are set apart, each once a setting first needs no other.
_LEVELS_DEG: Final = (24.0, 34.0, 44.0)
# What is known of samples is held for the next setting: up to so many bytes, or so many numbers of every sample.
_RETAINED_BYTES: Final = 96 * 2**20
_RETAINED_NUMBERS: Final = 3
_AT_ONCE: Final = 2**16
_DAY_US: Final = 86_400_000_000


class Clearance(NamedTuple):
    """What a limit says of each sample: it lets the satellite in where its number, shape (n,), exceeds the least."""

    number: Singles
    least: Singles

    def inside(self) -> Bools:
        """Return which samples it lets in, shape (n,)."""
        return np.asarray(self.number > self.least)

    def at(self, sample: Ints) -> Singles:
        """Return how far some samples are on the allowed side, positive inside, shape (k,)."""
        return np.asarray(self.number[sample] - self.least)


@dataclass(frozen=True, eq=False)
class Tracks:
    """Where satellites stand along their passes above `floor_deg`, every ten seconds or a little less.

    Rows are passes, or as much of them as follows one another above a higher elevation: satellite, shape (rows,), the
    index in ``fleet``; first, the sample it begins with. Samples, shape (n,), lie one row behind the other. Sample k of
    a row is that of ``start_s`` plus ``step_s`` times ``number`` + k - ``first``, seconds from the start of ``span``;
    its place is place_km[:, k], shape (3, n), east, north and up of the site, in single precision.
    """

    site: Site
    span: Span
    fleet: Fleet
    floor_deg: float
    satellite: Ints
    first: Ints
    number: Ints
    start_s: Floats
    step_s: Floats
    place_km: Singles
    _known: Retained[Known, Singles] = field(repr=False)
    # What is held of these samples goes by this: by the samples themselves, it would keep them for ever.
    _mark: object = field(default_factory=object, repr=False)
    _above: dict[float, Tracks] = field(default_factory=dict, repr=False)
    _served: dict[int, ManySettings] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, fleet: FleetOrFleets, view: View, span: Span, hold: Sequence[str] = ()) -> Tracks:
        """Sample the sky of a view: its limits of the fleet hold, and those named in `hold`; all others are left aside.

        Where `fleet` says which elements were at hand at a moment, each part of the span has those of its beginning.
        Raises InputError for a name in `hold` that is no limit of the view, and what `find_visibility` raises.
        """
        if callable(fleet):
            return cls._joined([cls.of(each, view, part, hold) for part, each in fleets_over(fleet, span)], span)
        view.known(hold, "limit to hold")
        floor = min(FLOOR_DEG, view.floor_deg)
        site = view.site if "horizon" in hold else replace(view.site, horizon=Horizon.flat(floor))
        limits = tuple(each for each in view.limits if each.name in hold or isinstance(each, FleetLimit))
        seen = find_visibility(fleet, View(site, limits, floor), span, warn=False)
        assert isinstance(seen, Visibility)  # one view, one answer
        group, start_us, end_us = seen.joint()
        start_s, end_s = ((edge - span.start_us) / 1e6 for edge in (start_us, end_us))
        steps = np.maximum(np.ceil((end_s - start_s) / STEP_S).astype(np.int64), 2)
        past = np.cumsum(steps + 1)
        place = np.empty((3, past[-1] if past.size else 0), np.float32)
        made = cls(
            view.site, span, seen.fleet, floor, group, past - (steps + 1), np.zeros_like(past), start_s,
            (end_s - start_s) / steps, place, _room_for(place.shape[1]),
        )  # fmt: skip
        axes, origin = site.east_north_up, site.position_km
        for some in made._pieces():
            sample = np.arange(some.start, some.stop)
            time_us = np.round(made.time_s(sample) * 1e6).astype(np.int64) + span.start_us
            there = positions_km(seen.fleet, group[made._row(sample)].astype(np.intp), time_us)
            place[:, some] = axes @ (there - origin).T
        return made

    @classmethod
    def _joined(cls, parts: Sequence[Tracks], span: Span) -> Tracks:
        """Return parts that follow one another as one; an object of two parts counts as two satellites."""
        first = parts[0]
        if len(parts) == 1:
            return first
        begins_s = [(part.span.start_us - span.start_us) / 1e6 for part in parts]
        objects = np.cumsum([0, *(len(part.fleet) for part in parts[:-1])])
        samples = np.cumsum([0, *(part.samples for part in parts)])
        return cls(
            first.site,
            span,
            reduce(add, (part.fleet for part in parts)),
            first.floor_deg,
            np.concatenate([part.satellite + before for part, before in zip(parts, objects, strict=True)]),
            np.concatenate([part.first + before for part, before in zip(parts, samples[:-1], strict=True)]),
            np.concatenate([part.number for part in parts]),
            np.concatenate([part.start_s + begin_s for part, begin_s in zip(parts, begins_s, strict=True)]),
            np.concatenate([part.step_s for part in parts]),
            np.concatenate([part.place_km for part in parts], axis=1),
            _room_for(int(samples[-1])),
        )

    @property
    def samples(self) -> int:
        """How many samples there are."""
        return int(self.place_km.shape[1])

    def time_s(self, sample: Ints) -> Floats:
        """Return the times of some samples, seconds from the start of the span, shape (k,)."""
        row = self._row(sample)
        return self.start_s[row] + self.step_s[row] * (self.number[row] + (sample - self.first[row]))

    def part(self, start_s: float, end_s: float) -> Tracks:
        """Return the samples of the passes that reach into a stretch of the span, seconds from its start."""
        first, last = self._bounds
        chosen = (self.time_s(last) > start_s) & (self.time_s(first) < end_s)
        return self._only(np.repeat(chosen, last - first + 1))

    def above(self, elevation_deg: float) -> Tracks:
        """Return as few of the samples as hold all above an elevation, degrees, and two neighbours on either side.

        A setting that lets in nothing below it has the same edges on them: at each lies a sample let in beside one that
        is not, and the bend of what is between them follows from their other neighbours.
        """
        level = max((each for each in _LEVELS_DEG if self.floor_deg < each <= elevation_deg), default=None)
        if level is None:
            return self
        if level not in self._above:
            lower = max((each for each in self._above if each < level), default=None)
            among = self if lower is None else self._above[lower]
            wanted = among._sine > np.sin(np.radians(level))
            same = ~among._begins[1:-1]
            for _ in range(2):
                later, sooner = wanted[:-1] & same, wanted[1:] & same
                wanted[1:] |= later
                wanted[:-1] |= sooner
            self._above[level] = replace(among._only(wanted), floor_deg=level)
        return self._above[level]

    def _only(self, samples: Bools) -> Tracks:
        """Return some of the samples, and the rows that they are of: two where others lay between."""
        begins, ends = self._stretches(samples)
        row, count = self._row(begins), ends - begins + 1
        place = np.empty((3, int(count.sum())), np.float32)
        filled = 0
        for some in self._pieces():
            found = self.place_km[:, some][:, samples[some]]
            place[:, filled : filled + found.shape[1]] = found
            filled += found.shape[1]
        return Tracks(
            self.site, self.span, self.fleet, self.floor_deg, self.satellite[row], np.cumsum(count) - count,
            self.number[row] + (begins - self.first[row]), self.start_s[row], self.step_s[row],
            place, self._known,
        )  # fmt: skip

    def allowed(self, setting: LineSetting) -> tuple[Ints, Floats, Floats]:
        """Return when satellites are allowed by the sky of a setting: who, starts and ends, seconds from the start.

        Where one limit lets a satellite in and another shuts it out within the same ten seconds, the moment between
        counts as shut out.
        """
        among = self.above(_lowest_deg(setting))
        return among._allowed(setting)

    def _allowed(self, setting: LineSetting) -> tuple[Ints, Floats, Floats]:
        values = self._clearances(setting)
        begins, ends = self._runs(values)
        start_s = self._edges(values, begins, np.arange(begins.size), -1)
        end_s = self._edges(values, ends, np.arange(ends.size), 1)
        return self.satellite[self._row(begins)], start_s, end_s

    def freezes(self, setting: LineSetting, window_s: tuple[float, float]) -> Intervals:
        """Return when the sky of a setting allows no satellite within a stretch of the span, seconds from its start.

        What is lost at handovers is left aside: `served_freezes` has it.
        """
        among = self.above(_lowest_deg(setting))
        values = among._clearances(setting)
        begins, ends = among._runs(values)
        start_s, end_s = among.time_s(begins), among.time_s(ends)
        # From sample to sample first: the exact edge matters to those alone that bound what no other covers.
        open_s = complement((start_s, end_s), *window_s)
        opening = _touching(open_s, start_s - STEP_S, start_s)
        closing = _touching(open_s, end_s, end_s + STEP_S)
        return difference(
            difference(open_s, (among._edges(values, begins, opening, -1), start_s[opening])),
            (end_s[closing], among._edges(values, ends, closing, 1)),
        )

    def _clearances(self, setting: LineSetting) -> list[Clearance]:
        """Return what each limit of a setting says of each sample."""
        parts: list[Part] = [part.limit(self.site) for part in setting.sky.sky.parts()]  # type: ignore[misc]
        return [self._clearance(part) for part in (*parts, *((setting.sector,) if setting.sector else ()))]

    def _runs(self, values: Sequence[Clearance]) -> tuple[Ints, Ints]:
        """Return the first and the last of samples of a row that follow one another and are all let in."""
        if not values:
            return self._bounds
        up = values[0].inside()
        for value in values[1:]:
            up &= value.inside()
        return self._stretches(up)

    def _stretches(self, samples: Bools) -> tuple[Ints, Ints]:
        """Return the first and the last of some samples of a row that follow one another."""
        begins, ends = samples.copy(), samples.copy()
        begins[1:] &= ~samples[:-1] | self._begins[1:-1]
        ends[:-1] &= ~samples[1:] | self._begins[1:-1]
        return np.flatnonzero(begins), np.flatnonzero(ends)

    def _edges(self, values: Sequence[Clearance], sample: Ints, chosen: Ints, side: int) -> Floats:
        """Return where runs that begin (`side` -1) or end (1) with a sample really do, seconds from the start.

        `chosen` says of which: places in `sample`. A run that reaches the bound of its pass ends there.
        """
        k = sample[chosen]
        edge_s = self.time_s(k)
        inner = np.flatnonzero(~self._begins[k if side < 0 else k + 1])
        if values and inner.size:
            k = k[inner]
            share = np.max([_crossing(value, k + side, k, self._begins) for value in values], axis=0)
            outside_s = self.time_s(k + side)
            edge_s[inner] = outside_s + share * (edge_s[inner] - outside_s)
        return edge_s

    def served_freezes(
        self, settings: Sequence[LineSetting], usual: Service, window_s: tuple[float, float]
    ) -> list[Intervals]:
        """Return when there is no service with each of `settings`, what is lost at handovers among it.

        The policy is that of `usual`. Each day is served by itself, since terminals choose afresh at 00:00 UTC; in a
        stretch that begins later in the day they choose at its start.
        """
        timed = [s for s in settings if s.sky.is_timed]
        if not timed:
            return [self.freezes(s, window_s) for s in settings]
        services = [s.sky.service(Service(usual.policy)) for s in timed]
        skies = [self.allowed(s) for s in timed]
        found: list[list[Intervals]] = [[] for _ in timed]
        low_us, high_us = (self.span.start_us + round(edge * 1e6) for edge in window_s)
        midnights = np.arange(low_us - low_us % _DAY_US + _DAY_US, high_us, _DAY_US)
        bounds = np.unique(np.concatenate([[low_us], midnights, [high_us]])).tolist()
        for begin_us, end_us in pairwise(bounds):
            many = self._many(begin_us, end_us)
            within = [self._grouped(sky, begin_us, end_us) for sky in skies]
            for place, freezes in enumerate(many.freezes(within, services)):
                found[place].append(freezes)
        served = iter(
            union(*[((f.start - self.span.start_us) / 1e6, (f.end - self.span.start_us) / 1e6) for f in pieces])
            for pieces in found
        )
        return [next(served) if s.sky.is_timed else self.freezes(s, window_s) for s in settings]

    def directions(self, when: Intervals) -> Floats:
        """Return the azimuths, degrees, of satellites above the floor in the middle of each of `when`.

        `when` is in microseconds since 1970 UTC.
        """
        _, azimuth, _ = self.at(((when.start + when.end) / 2.0 - self.span.start_us) / 1e6)
        return azimuth

    def at(self, times_s: Floats) -> tuple[Ints, Floats, Floats]:
        """Return who stands above the floor at times: place in `times_s`, azimuth and elevation, degrees, by sample."""
        first, last = self._bounds
        order = np.argsort(times_s, kind="stable")
        first_s, last_s = self.time_s(first), self.time_s(last)
        low = np.searchsorted(times_s[order], first_s, side="left")
        high = np.searchsorted(times_s[order], last_s, side="left")
        count = np.maximum(high - low, 0)
        row = np.repeat(np.arange(count.size), count)
        place = order[np.arange(row.size) - np.repeat(np.cumsum(count) - count, count) + low[row]]
        share = (times_s[place] - first_s[row]) / (last_s[row] - first_s[row])
        along = np.clip(share * (last[row] - first[row]), 0.0, (last[row] - first[row]) - 1e-9)
        k = np.floor(along).astype(np.int64)
        x, k = along - k, k + first[row]
        east, north, up = self.place_km[:, k] * (1.0 - x) + self.place_km[:, k + 1] * x
        return place, np.degrees(np.arctan2(east, north)) % 360.0, np.degrees(np.arctan2(up, np.hypot(east, north)))

    @property
    def _bounds(self) -> tuple[Ints, Ints]:
        """The first and last sample of each row."""
        return self.first, np.append(self.first[1:], self.samples)[: self.first.size] - 1

    @cached_property
    def _begins(self) -> Bools:
        """Whether a row begins with a sample, shape (n + 1,); the last entry, behind all samples, says so too."""
        begins = np.zeros(self.samples + 1, dtype=bool)
        begins[self.first] = begins[-1] = True
        return begins

    def _row(self, sample: Ints) -> Ints:
        """Return the rows of some samples."""
        return np.searchsorted(self.first, sample, side="right") - 1

    def _pieces(self) -> Iterator[slice]:
        """Yield all samples some at a time, so that what is worked out on the way stays small."""
        for first in range(0, self.samples, _AT_ONCE):
            yield slice(first, min(first + _AT_ONCE, self.samples))

    def _of_each(self, what: Known, find: Callable[[slice], NDArray[np.floating]]) -> Singles:
        """Return one number of each sample, as last held or found again some samples at a time, shape (n,)."""
        held = self._known.get(what)
        if held is None:
            self._known.make_room(self.samples * np.dtype(np.float32).itemsize)
            held = np.empty(self.samples, np.float32)
            for some in self._pieces():
                held[some] = find(some)
            self._known.put(what, held)
        return held

    def _range_km(self, some: slice) -> Singles:
        place = self.place_km[:, some]
        return np.asarray(np.sqrt(np.einsum("in,in->n", place, place)))

    @property
    def _sine(self) -> Singles:
        """The sine of the elevation of each sample."""
        return self._of_each((self._mark, "sine"), lambda some: self.place_km[2, some] / self._range_km(some))

    @property
    def _azimuth_deg(self) -> Singles:
        """Degrees from true north."""
        return self._of_each(
            (self._mark, "azimuth"),
            lambda some: np.degrees(np.arctan2(self.place_km[0, some], self.place_km[1, some])) % 360.0,
        )

    @property
    def _arc_angle_rad(self) -> Singles:
        """The angle of each sample to the visible geostationary arc, which must be in the sky."""
        arc = arc_of(self.site)
        return self._of_each(
            (self._mark, "arc"),
            lambda some: arc.angle_rad(self.place_km[:, some].astype(np.float64) / self._range_km(some))[0],
        )

    def _clearance(self, part: Part) -> Clearance:
        """Return how far each sample is on the allowed side of a limit."""
        if isinstance(part, HorizonLimit):
            return Clearance(self._sine, _single(np.sin(np.radians(part.horizon.highest_deg))))
        if isinstance(part, Cone):
            boresight = part.boresight
            found = self._of_each((self._mark, tuple(boresight.tolist())), lambda some: self._along(boresight, some))
            return Clearance(found, _single(np.cos(np.radians(part.half_angle_deg))))
        if isinstance(part, ArcKeepOut):
            # An arc that is not in the sky keeps nothing out.
            seen = arc_of(self.site).visible
            angle = _single(np.radians(part.angle_deg))
            return Clearance(self._arc_angle_rad, angle) if seen else Clearance(self._sine, _single(-2.0))
        if isinstance(part, Sector):
            found = self._of_each((self._mark, part), lambda some: self._beside(part, some))
            return Clearance(found, _single(0.0))
        gateway = part.gateways[0]
        where = (gateway.latitude_deg, gateway.longitude_deg)
        found = self._of_each((self._mark, where), lambda some: self._sine_at(gateway.site, some))
        return Clearance(found, _single(np.sin(np.radians(gateway.horizon.highest_deg))))

    def _along(self, boresight: Floats, some: slice) -> Singles:
        """Return the cosines of the angles from a boresight."""
        return np.asarray(_single(boresight) @ self.place_km[:, some] / self._range_km(some))

    def _beside(self, sector: Sector, some: slice) -> Singles:
        """Return how far samples are above a sector or to its side, degrees."""
        turned = (self._azimuth_deg[some] - sector.middle_deg + 180.0) % 360.0
        above = np.degrees(np.arcsin(self._sine[some])) - sector.top_deg
        return np.asarray(np.maximum(above, np.abs(turned - 180.0) - sector.width_deg / 2.0))

    def _sine_at(self, there: Site, some: slice) -> Singles:
        """Return the sines of the elevations at another place."""
        place, axes = self.place_km[:, some], self.site.east_north_up
        offset = axes @ (there.position_km - self.site.position_km)
        up = axes @ there.east_north_up[2]
        # |p - g|^2 and up . (p - g) without a second copy of the places.
        range_km = self._range_km(some)
        squared = range_km * range_km - _single(2.0 * offset) @ place
        squared += _single(offset @ offset)
        found = _single(up) @ place
        found -= _single(up @ offset)
        found /= np.sqrt(squared, out=squared)
        return np.asarray(found)

    def _many(self, begin_us: int, end_us: int) -> ManySettings:
        """Return who serves many settings within a stretch, kept for the next time."""
        if begin_us not in self._served:
            first, last = self._bounds
            known = self._grouped((self.satellite, self.time_s(first), self.time_s(last)), begin_us, end_us)
            seen = View(replace(self.site, horizon=Horizon.flat(self.floor_deg)), service=INSTANT)
            self._served[begin_us] = ManySettings(
                known,
                Span(moment(begin_us), moment(end_us)),
                lambda satellite, time_us: look_angles(
                    seen.site, positions_km(self.fleet, satellite.astype(np.intp), time_us)
                ),
            )
        return self._served[begin_us]

    def _grouped(self, sky: tuple[Ints, Floats, Floats], begin_us: int, end_us: int) -> GroupedIntervals:
        """Return intervals by satellite, whole microseconds since 1970, sorted, without what lies outside a stretch."""
        satellite, start_s, end_s = sky
        start_us, end_us_ = (np.round(edge * 1e6).astype(np.int64) + self.span.start_us for edge in (start_s, end_s))
        inside = np.flatnonzero((end_us_ > begin_us) & (start_us < end_us) & (end_us_ > start_us))
        inside = inside[np.lexsort((start_us[inside], satellite[inside]))]
        return GroupedIntervals(
            satellite[inside].astype(np.int64),
            np.maximum(start_us[inside], begin_us),
            np.minimum(end_us_[inside], end_us),
        )


def _touching(open_s: Intervals, start_s: Floats, end_s: Floats) -> Ints:
    """Return which of the intervals from `start_s` to `end_s` reach into any of `open_s`, apart and ascending."""
    if not open_s.start.size:
        return np.zeros(0, dtype=np.int64)
    after = np.minimum(np.searchsorted(open_s.end, start_s, side="right"), open_s.end.size - 1)
    return np.flatnonzero((open_s.end[after] > start_s) & (open_s.start[after] < end_s))


def _lowest_deg(setting: LineSetting) -> float:
    """Return the elevation, degrees, below which a setting lets in nothing."""
    cone = setting.sky.cone
    below = 90.0 - cone.tilt_deg - cone.half_angle_deg if cone is not None else 0.0
    return max(below, setting.sky.mask_deg or 0.0)


def _room_for(samples: int) -> Retained[Known, Singles]:
    """Return what holds the numbers of so many samples, and of fewer of them."""
    most_bytes = max(_RETAINED_BYTES, _RETAINED_NUMBERS * samples * np.dtype(np.float32).itemsize)
    return Retained(most_bytes, lambda each: each.nbytes)


def _single(value: Floats | np.floating | float) -> Singles:
    """Return numbers in single precision, so that what is computed with them is."""
    return np.asarray(value, dtype=np.float32)


def _crossing(value: Clearance, outside: Ints, inside: Ints, begins: Bools) -> Floats:
    """Return how far from sample `outside` towards its neighbour `inside` a value becomes positive, as a share, (k,).

    0 where it is positive at both. Between the two the value is a parabola whose bend is the mean of those about
    them. `begins` says of each sample whether a row begins with it.
    """
    share = np.zeros(outside.size)
    # Most limits allow both samples.
    some = np.flatnonzero(value.at(outside) <= 0.0)
    if some.size:
        share[some] = _root(value, outside[some], inside[some], begins)
    return share


def _root(value: Clearance, outside: Ints, inside: Ints, begins: Bools) -> Floats:
    """Return the share of `_crossing` where the value is not positive at `outside` and positive at `inside`."""
    low, high = value.at(outside).astype(np.float64), value.at(inside).astype(np.float64)
    step = inside - outside
    bend = np.zeros(low.size)
    weight = np.zeros(low.size)
    last = value.number.size - 1
    for middle in (outside, inside):
        left, right = middle - step, middle + step
        there = (left >= 0) & (left <= last) & (right >= 0) & (right <= last)
        left, right = np.clip(left, 0, last), np.clip(right, 0, last)
        there &= ~(begins[np.maximum(left, middle)] | begins[np.maximum(right, middle)])
        bend += np.where(there, value.at(left) - 2.0 * value.at(middle) + value.at(right), 0.0)
        weight += there
    bend /= np.maximum(weight, 1.0)
    rise = np.maximum(high - low, 1e-12)
    share = np.clip(-low / rise, 0.0, 1.0)
    # Newton on low + s rise - s (1 - s) bend / 2.
    for _ in range(2):
        height = low + share * rise - 0.5 * share * (1.0 - share) * bend
        slope = rise - 0.5 * (1.0 - 2.0 * share) * bend
        share = np.clip(share - height / np.where(slope > 0.1 * rise, slope, rise), 0.0, 1.0)
    return np.asarray(share)
