"""The search for the setting that foretells a record best: a coarse grid, then steps that halve, limit by limit.

The grid is that of the symptom's search, tried on the day with the most freezes among those that lead. The best of each
sort of setting then go on to all leading blocks, where their numbers move one by one, and two by two where they can
make up for each other, by steps that halve. The clock offset is no number of the search: for every prediction the
offset that suits it best follows exactly (`passim.line.clock_offset`).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Final

import numpy as np

from passim.answers.symptom.settings import GatewayPlace, Grid, Setting
from passim.arrays import Bools, Floats
from passim.intervals import Intervals
from passim.line.clock_offset import MOST_OFFSET_S, BestLag, best_lag
from passim.line.fitting.evidence import Counts, Evidence
from passim.line.fitting.retained import Retained
from passim.line.fitting.settings import NUMBERS, TOGETHER, LineSetting, Sector, moved
from passim.line.fitting.tracks import Tracks
from passim.line.phase import ClockPhase
from passim.sky.service import Service

Progress = Callable[[float], None]

# How far numbers move at first; each round halves it, down to the finest step that is told.
_FIRST_STEPS: Final = {
    "mask": 4.0, "gateway_distance": 100.0, "gateway_across": 100.0, "gateway_mask": 4.0, "cone_azimuth": 16.0,
    "cone_tilt": 8.0, "cone_half_angle": 4.0, "arc": 4.0, "sector_from": 16.0, "sector_to": 16.0, "sector_top": 16.0,
    "slot_offset": 4.0, "acquisition": 1.0,
}  # fmt: skip
_ROUNDS: Final = 6
_MOST_STEPS: Final = 12
# How near a recorded beginning must come to a satellite's going to count, halved as the steps do.
_WIDTHS_S: Final = (6.0, 4.0, 2.5, 1.5, 1.5)
# So many walks, each by draws of its own; moves of all numbers at once that are tried beside those of one or two, and
# how often in vain.
_WALKS: Final = 4
_DRAWS: Final = 24
_IDLE: Final = 2
# How many of each sort go on from the coarse grid. Gateways near and far, to either side, foretell much the same until
# their place is put right, and most of all under many satellites: more of them go on for the first two rounds.
_GO_ON: Final = 3
_GATEWAYS_GO_ON: Final = 12
_COARSE_S: Final = 86_400.0
_COARSE_MASKS: Final = (16.0, 21.0, 26.0, 31.0, 37.0, 44.0)
_FINE_MASKS: Final = tuple(np.arange(16.0, 62.0, 1.5).tolist())
_SECTOR_WIDTHS: Final = (40.0, 80.0, 120.0, 180.0)
_SECTOR_TOPS: Final = (40.0, 60.0, 85.0)
_ACQUISITIONS: Final = (1.0, 2.0, 4.0, 8.0)
# A further limit must gain so much on the leading blocks for each of its numbers, a freeze, to be tried further.
_WORTH: Final = 1.0
_MOST_LIMITS: Final = 4
# The freezes of the settings tried last are held, up to so many bytes.
_RETAINED_BYTES: Final = 24 * 2**20
# Times that keep to a clock by luck as well as seldom as this are taken to keep to one.
CLOCK_CHANCE: Final = 1e-3
# The mask of a gateway is held: its distance makes up for it (common practice for the value, no source).
_GATEWAY_MASK_DEG: Final = 25.0


@dataclass(frozen=True, eq=False)
class FittedSetting:
    """A setting tried: the offset that suits it, seconds, its seconds by block and its gain."""

    setting: LineSetting
    offset_s: float
    counts: Counts
    gain: float
    search: Search = field(repr=False)

    @property
    def freezes(self) -> Intervals:
        """Its freezes, seconds from the start of the span, found again where too many were tried since to hold them."""
        return self.search.freezes_of([self.setting])[0]


@dataclass(eq=False)
class Search:
    """Tries settings on a sky and a record; `leading` says whether only the blocks that lead count."""

    tracks: Tracks
    evidence: Evidence
    usual: Service
    leading: bool = True
    window_s: tuple[float, float] | None = None
    tried: dict[LineSetting, FittedSetting] = field(default_factory=dict)
    # Freezes over the window, which searches by other blocks of the same sky share; the latest ones alone.
    retained: Retained[LineSetting, Intervals] = field(
        default_factory=lambda: Retained(_RETAINED_BYTES, lambda each: each.start.nbytes + each.end.nbytes)
    )

    def over_all_blocks(self) -> Search:
        """Return a search of the same sky in which all blocks count."""
        return Search(self.tracks, self.evidence, self.usual, False, self.window_s, retained=self.retained)

    @property
    def _begun_leading(self) -> Floats:
        """When recorded freezes began in the blocks that count, seconds from the start of the span."""
        starts = self.evidence.starts_s
        block = np.searchsorted(self.evidence.edges_s, starts, side="right") - 1
        return np.asarray(starts[self._chosen[np.clip(block, 0, self.evidence.blocks - 1)]])

    @property
    def _window(self) -> tuple[float, float]:
        return self.window_s or (0.0, self.tracks.span.duration_s)

    @property
    def _chosen(self) -> Bools:
        """Which blocks count: those that lead, where only they do, and that lie in the window."""
        edges = self.evidence.edges_s
        inside = (edges[:-1] >= self._window[0] - 1.0) & (edges[1:] <= self._window[1] + 1.0)
        return inside & self.evidence.leading if self.leading else inside

    def try_all(self, settings: Iterable[LineSetting]) -> list[FittedSetting]:
        """Return the settings tried, in their order."""
        every = list(settings)
        fresh = [s for s in dict.fromkeys(every) if s not in self.tried]
        for setting, freezes in zip(fresh, self.freezes_of(fresh), strict=True):
            offset = self.evidence.best_offset_s(freezes, leading=self.leading)
            counts = self.evidence.counts(freezes, offset)
            self.tried[setting] = FittedSetting(setting, offset, counts, self.evidence.gain(counts, self._chosen), self)
        return [self.tried[s] for s in every]

    def freezes_of(self, settings: Sequence[LineSetting]) -> list[Intervals]:
        """Return the freezes of settings over the window, seconds from the start of the span."""
        known = {s: held for s in settings if (held := self.retained.get(s)) is not None}
        unknown = [s for s in settings if s not in known]
        for setting, found in zip(unknown, self.tracks.served_freezes(unknown, self.usual, self._window), strict=True):
            known[setting] = found
            self.retained.put(setting, found)
        return [known[s] for s in settings]

    def best_of(self, settings: Iterable[LineSetting], count: int) -> list[LineSetting]:
        """Return the best few of some settings, best first; of equals the one tried first."""
        found = self.try_all(settings)
        order = sorted(range(len(found)), key=lambda k: -round(found[k].gain, 6))
        return [found[k].setting for k in order[:count]]

    def refined(self, setting: LineSetting, first_round: int = 0, rounds: int = _ROUNDS) -> FittedSetting:
        """Return the best setting that steps of its numbers lead to, halved from round to round."""
        (best,) = self.try_all([setting])
        for number in range(first_round, rounds):
            for _ in range(_MOST_STEPS):
                (now,) = self.try_all(
                    [self.best_of([best.setting, *around(best.setting, 0.5**number, self.lowest)], 1)[0]]
                )
                if now.gain <= best.gain + 1e-9:
                    break
                best = now
        return best

    def by_beginnings(self, setting: LineSetting, clock: ClockPhase) -> LineSetting:
        """Return a setting with a clock put right by the beginnings of freezes alone, its clock by their ends.

        The clock hides when a freeze could have ended, so a higher mask, a gateway farther aside, an earlier clock and
        an offset of the record make up for each other: a ridge that no step of one or two numbers follows. But a freeze
        begins when the satellite that serves goes out of service, whatever the clock. So the sky is moved until as many
        recorded beginnings as can be lie where a satellite goes, for any one offset; the clock is then the one that the
        recorded ends keep to, less that offset.
        """
        begun = self._begun_leading
        origin = setting.without("slot").without("acquisition")
        known: dict[LineSetting, BestLag] = {}

        def fit(there: LineSetting, width_s: float) -> float:
            if there not in known:
                gone = np.unique(self.tracks.allowed(there)[2])
                first, second = ((at * 1e6, (at + width_s) * 1e6) for at in (gone, begun))
                known[there] = best_lag(first, second, MOST_OFFSET_S * 1e6)
            return known[there].overlap_us

        def walked(rng: np.random.Generator) -> LineSetting:
            sky = origin
            for number, width_s in enumerate(_WIDTHS_S, start=1):
                known.clear()
                steps, idle = _steps(sky, 0.5**number), 0
                while idle < _IDLE:
                    draws = rng.normal(0.0, 0.5, (_DRAWS, len(steps))) * list(steps.values())
                    drawn = [_moved_by(sky, dict(zip(steps, move, strict=True)), self.lowest) for move in draws]
                    near = [*around(sky, 0.5**number, self.lowest), *filter(None, drawn)]
                    there = max(near, key=lambda each: fit(each, width_s), default=sky)
                    better = fit(there, width_s) > fit(sky, width_s)
                    sky, idle = (there, 0) if better else (sky, idle + 1)
            return sky

        ends = [walked(np.random.default_rng([begun.size, attempt])) for attempt in range(_WALKS)]
        known.clear()
        sky = max(ends, key=lambda each: fit(each, _WIDTHS_S[-1]))
        offset_s = known[sky].lag_us / 1e6 - self.evidence.late_s
        timing = setting.sky
        phase = (clock.phase_s - offset_s - timing.acquisition_s) % clock.period_s
        return _timed(sky, replace(timing, slot_s=clock.period_s, slot_offset_s=round(phase, 3)))

    @property
    def lowest(self) -> float:
        """The lowest mask that can be told from a lower one."""
        return self.tracks.floor_deg


def around(setting: LineSetting, scale: float, lowest_mask_deg: float) -> list[LineSetting]:
    """Return the neighbours of a setting: each number moved by its first step times `scale`, but never finer than told.

    Of numbers that can make up for each other both are moved at once, too.
    """
    steps = _steps(setting, scale)
    moves = [((name, sign * step),) for name, step in steps.items() for sign in (1.0, -1.0)]
    pairs = [pair for pair in TOGETHER if pair[0] in steps and pair[1] in steps]
    signs = list(product((1.0, -1.0), repeat=2))
    both = [((a, x * steps[a]), (b, y * steps[b])) for a, b in pairs for x, y in signs]
    places = [_moved_by(setting, dict(move), lowest_mask_deg) for move in (*moves, *both)]
    return [there for there in places if there is not None and there != setting]


def _steps(setting: LineSetting, scale: float) -> dict[str, float]:
    """Return the first step of each number that a setting has times `scale`, but never finer than is told."""
    return {
        name: max(_FIRST_STEPS[name] * scale, finest)
        for name, (kind, finest) in NUMBERS.items()
        if kind in setting.kinds and name != "gateway_mask"
    }


def _moved_by(setting: LineSetting, by: Mapping[str, float], lowest_mask_deg: float) -> LineSetting | None:
    """Return a setting with several numbers moved, each by whole finest steps; None where that leads nowhere."""
    there: LineSetting | None = setting
    for name, far in by.items():
        finest = NUMBERS[name][1]
        there = there and moved(there, name, round(far / finest) * finest, lowest_mask_deg)
    return there


def search(
    tracks: Tracks,
    evidence: Evidence,
    usual: Service,
    clock: ClockPhase | None,
    taken: Collection[str],
    progress: Progress,
) -> tuple[list[FittedSetting], Search]:
    """Return the best setting of each sort that was worth trying, by the leading blocks alone, and what tried them.

    `clock` is what the ends of the recorded freezes keep to, None where they keep to none; `taken` are kinds of limits
    that are held and therefore not searched.
    """
    window = _busiest(evidence)
    whole = Search(tracks, evidence, usual)
    is_short = window == (0.0, tracks.span.duration_s)
    rough = whole if is_short else Search(tracks.part(*window), evidence, usual, window_s=window)
    timings = _timings(clock)
    best: dict[tuple[str, ...], FittedSetting] = {}

    def go_on(settings: Sequence[LineSetting]) -> FittedSetting | None:
        """Take the best of some settings to all leading blocks, and keep it where it is the best of its sort."""
        few = rough.best_of(settings, 40 * _GO_ON)
        if few and few[0].sky.gateway and not few[0].sky.is_timed:
            by_place: dict[GatewayPlace | None, LineSetting] = {}
            for setting in few:
                by_place.setdefault(setting.sky.gateway, setting)
            first = list(by_place.values())[:_GATEWAYS_GO_ON]
            few = rough.best_of([rough.refined(s, first_round=1, rounds=3).setting for s in first], len(first))
        starts = apart(few, _GO_ON)
        if not starts:
            return None
        starts = starts[:1] if starts[0].sky.is_timed else starts
        if clock and starts[0].sky.slot_s is not None:
            starts = [rough.by_beginnings(starts[0], clock), *starts]
        near = [rough.refined(s, first_round=1).setting for s in starts]
        found = whole.refined(whole.best_of(near, 1)[0], first_round=_ROUNDS if is_short else 3)
        kinds, sky = found.setting.kinds, found.setting.sky
        if sky.slot_s is None and 0.0 < sky.acquisition_s < 2.0 * evidence.late_s:
            return None  # shorter than the record can tell
        if kinds not in best or found.gain > best[kinds].gain:
            best[kinds] = found
        return found

    go_on([LineSetting(Setting(mask_deg=m)) for m in _FINE_MASKS if m >= tracks.floor_deg])
    progress(0.05)
    grid = Grid()
    masks = [LineSetting(Setting(mask_deg=m)) for m in _COARSE_MASKS if m >= tracks.floor_deg]
    if "gateway" not in taken:
        few = masks[1::2]
        places = rough.best_of([_with(mask, "gateway", g) for g in grid.gateways for mask in few], 60)
        again = dict.fromkeys(place.sky.gateway for place in places)
        go_on([_with(mask, "gateway", Setting(gateway=g)) for g in again for mask in masks])
    progress(0.35)
    if "cone" not in taken:
        go_on([LineSetting(s) for s in grid.cones])
    progress(0.45)
    # Then one more limit at a time on the best so far, as long as that is worth its while; a kind that once was not
    # is not tried again.
    idle = set(taken)
    # A gateway to one side stands in for a roof line to the other, and for a keep-out around the arc: these are tried
    # without it, too.
    alone = best.get(("mask",))
    if alone is not None:
        more = _additions(alone.setting, grid, timings)
        if "horizon" not in taken:
            go_on(_thinned(rough, "sector", more["sector"]))
        if "arc" not in taken:
            go_on(more["arc"])
    for turn in range(_MOST_LIMITS - 1):
        leader = max(best.values(), key=_merit)
        for kind, settings in _additions(leader.setting, grid, timings).items():
            if kind in idle:
                continue
            found = go_on(_thinned(rough, kind, settings))
            if found is None or _merit(found) <= _merit(leader):
                idle.add(kind)
        progress(0.45 + 0.5 * (turn + 1) / (_MOST_LIMITS - 1))
        if leader is max(best.values(), key=_merit):
            break
    return sorted(best.values(), key=lambda t: -t.gain), whole


def _merit(tried: FittedSetting) -> float:
    """Return the gain of a setting less what its numbers must be worth."""
    return tried.gain - _WORTH * tried.setting.parameters


def _additions(base: LineSetting, grid: Grid, timings: Sequence[Setting]) -> dict[str, list[LineSetting]]:
    """Return what may be added to a setting, by the kind it lacks: every value of a coarse grid.

    A setting with a clock costs far more to try, so there the grid is wider meshed.
    """
    kinds, timed = base.kinds, base.sky.is_timed
    found: dict[str, list[LineSetting]] = {}
    lower = [base] if timed else _lower_masks(base)
    if not timed and timings:
        found["timing"] = [_timed(b, t) for b in lower[:2] for t in timings]
    if "sector" not in kinds:
        begins = np.arange(0.0, 360.0, 30.0 if timed else 15.0).tolist()
        corners = product(
            begins, _SECTOR_WIDTHS[1::2] if timed else _SECTOR_WIDTHS, _SECTOR_TOPS[1:] if timed else _SECTOR_TOPS
        )
        sectors = [Sector(begin, (begin + width) % 360.0, top) for begin, width, top in corners]
        found["sector"] = [replace(b, sector=s) for b in lower for s in sectors if s.top_deg > (b.sky.mask_deg or 0.0)]
    if "gateway" not in kinds:
        found["gateway"] = [_with(b, "gateway", g) for g in grid.gateways[:: 3 if timed else 1] for b in lower]
    if "arc" not in kinds:
        found["arc"] = [_with(b, "arc", Setting(arc_deg=a)) for a in grid.arcs_deg for b in lower]
    if "cone" not in kinds and not timed:
        found["cone"] = [_with(base.without("mask"), "cone", c) for c in grid.cones]
    return found


def _thinned(rough: Search, kind: str, settings: list[LineSetting]) -> list[LineSetting]:
    """Return those of many sectors whose place is among the best with the first mask; all of any other kind."""
    if kind != "sector":
        return settings
    mask = settings[0].sky.mask_deg if settings else None
    places = {s.sector for s in rough.best_of([s for s in settings if s.sky.mask_deg == mask], 60)}
    return [s for s in settings if s.sector in places]


def _lower_masks(base: LineSetting) -> list[LineSetting]:
    """Return a setting and the same with lower masks: a mask stands in for what is not in the setting yet."""
    mask = base.sky.mask_deg
    if mask is None:
        return [base]
    lower = [m for m in _COARSE_MASKS if m < mask - 1.0][-2:]
    return [base, *(replace(base, sky=replace(base.sky, mask_deg=m)) for m in lower)]


def _timings(clock: ClockPhase | None) -> list[Setting]:
    """Return clocks and acquisition times to try: without a clock in the record, acquisition times alone."""
    alone = [Setting(acquisition_s=wait) for wait in _ACQUISITIONS]
    if clock is None:
        return alone
    # Freezes end at a moment of the clock and once the satellite is acquired, by the record's own clock.
    phases = np.mod(clock.phase_s + np.arange(0.0, clock.period_s, 1.0), clock.period_s).tolist()
    return [
        Setting(slot_s=clock.period_s, slot_offset_s=round(phase, 3), acquisition_s=wait)
        for phase in phases
        for wait in (0.0, _ACQUISITIONS[1])
    ] + alone


def _timed(base: LineSetting, timing: Setting) -> LineSetting:
    sky = replace(
        base.sky, slot_s=timing.slot_s, slot_offset_s=timing.slot_offset_s, acquisition_s=timing.acquisition_s
    )
    return replace(base, sky=sky)


def _with(base: LineSetting, kind: str, part: Setting) -> LineSetting:
    """Return a setting with one more limit of the sky."""
    if kind == "gateway":
        return replace(base, sky=replace(base.sky, gateway=part.gateway))
    if kind == "cone":
        return replace(base, sky=replace(base.sky, cone=part.cone))
    return replace(base, sky=replace(base.sky, arc_deg=part.arc_deg))


def apart(settings: Sequence[LineSetting], count: int) -> list[LineSetting]:
    """Return the first few settings that do not lie beside each other, so that a search starts in several places."""
    chosen: list[LineSetting] = []
    for setting in settings:
        if len(chosen) == count:
            break
        if not any(_close(setting, other) for other in chosen):
            chosen.append(setting)
    return chosen


def _close(a: LineSetting, b: LineSetting) -> bool:
    """Say whether two settings of one sort lie so near that one search finds both."""
    if a.kinds != b.kinds:
        return False
    near = True
    if a.sky.gateway and b.sky.gateway:
        near &= _turn(a.sky.gateway.bearing_deg, b.sky.gateway.bearing_deg) <= 23.0
        near &= abs(a.sky.gateway.distance_km - b.sky.gateway.distance_km) <= 210.0
    if a.sky.cone and b.sky.cone:
        near &= _turn(a.sky.cone.azimuth_deg, b.sky.cone.azimuth_deg) <= 46.0
    if a.sector and b.sector:
        near &= _turn(a.sector.middle_deg, b.sector.middle_deg) <= 25.0
    if a.sky.mask_deg is not None and b.sky.mask_deg is not None:
        near &= abs(a.sky.mask_deg - b.sky.mask_deg) <= 7.0
    return bool(near)


def _turn(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


def _busiest(evidence: Evidence) -> tuple[float, float]:
    """Return the stretch of at most a day in which the leading blocks have the most seconds frozen."""
    edges, length = evidence.edges_s, evidence.span.duration_s
    if length <= 1.5 * _COARSE_S:
        return 0.0, length
    begins = np.arange(0.0, length - 0.5 * _COARSE_S, _COARSE_S)
    frozen = np.where(evidence.leading, evidence.frozen_s, 0.0)
    day = np.minimum((0.5 * (edges[1:] + edges[:-1]) / _COARSE_S).astype(np.int64), begins.size - 1)
    first = float(begins[np.argmax(np.bincount(day, frozen, begins.size))])
    return first, min(first + _COARSE_S, length)


def with_gateway_mask(setting: LineSetting, mask_deg: float) -> LineSetting:
    """Return a setting whose gateway works above another mask."""
    place = setting.sky.gateway
    assert place is not None
    return replace(
        setting, sky=replace(setting.sky, gateway=GatewayPlace(place.distance_km, place.bearing_deg, mask_deg))
    )
