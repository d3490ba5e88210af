"""The search for settings: predicted freezes of many settings from one propagation, and the way through the grid.

One search of the sky serves every setting. Each limit of the grid is found once, exactly; a setting of several limits
is their intersection by satellite, and its freezes the time in which no satellite is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property, reduce
from itertools import product
from operator import and_

import numpy as np
from numpy.typing import NDArray

from passim.answers.symptom.pieces import Pieces
from passim.answers.symptom.score import Judge, Judgement
from passim.answers.symptom.served import ManySettings
from passim.answers.symptom.settings import Grid, Setting, joined
from passim.coverage.serving import serve
from passim.coverage.visibility import Visibility, find_visibility
from passim.elements.records import Fleet
from passim.intervals import GroupedIntervals, Intervals
from passim.sky.limits import Limit, Scene
from passim.sky.limits.base import LimitOfSky
from passim.sky.pass_intervals import SkyLimit
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]

# So many settings are tried before progress is told.
_A_BATCH = 400
# How many settings of each round go on to the next.
_BEAM = 40
# Steps of the grid are halved so many times in each round of refining.
_FINER = (1, 1, 2, 2, 3)
_REFINED = 6


@dataclass(frozen=True)
class _Trial:
    """A limit under another name, so that many of one kind fit in one view; it may well allow nothing at all."""

    name: str
    limit: Limit

    def sky_limits(self, site: Site) -> Iterable[tuple[SkyLimit, Site]]:
        return self.limit.sky_limits(site) if isinstance(self.limit, LimitOfSky) else ()

    def allowed(self, scene: Scene) -> GroupedIntervals:
        return self.limit.allowed(scene)


@dataclass(frozen=True)
class TriedSetting:
    """One setting tried: what it is, the freezes it gives, and how they were judged."""

    setting: Setting
    freezes: Intervals
    judgement: Judgement

    @cached_property
    def by_rank(self) -> tuple[float, int, int, float, str]:
        """What settings are sorted by: rank, and of equals fewer limits, numbers and freezes first."""
        return -round(self.judgement.rank, 9), *self._of_equals

    @cached_property
    def by_guide(self) -> tuple[float, int, int, float, str]:
        """The same by guide."""
        return -round(self.judgement.guide, 9), *self._of_equals

    @cached_property
    def _of_equals(self) -> tuple[int, int, float, str]:
        frozen_us = float((self.freezes.end - self.freezes.start).sum())
        return len(self.setting.kinds), self.setting.parameters, frozen_us, repr(self.setting)


class Trials:
    """Predicted freezes of settings on top of a view, over one span.

    Limits of the view count in every setting, and so does its service: policy, clock and acquisition. Raises what
    `find_visibility` raises.
    """

    def __init__(self, fleet: Fleet, view: View, span: Span) -> None:
        self.view, self.span, self._fleet = view, span, fleet
        self._allowed: dict[Setting, Pieces] = {}
        self.visibility = _visibility(fleet, view, span)
        self.known = self.visibility.candidates()
        (self._whole,) = Pieces.of_each([self.known], self.known)

    def prepare(self, settings: Iterable[Setting], progress: Progress | None = None) -> None:
        """Find the limits of `settings` that are not known yet."""
        missing = list(dict.fromkeys(part for s in settings for part in s.parts() if part not in self._allowed))
        # A batch at a time, so that progress is told and memory bounded.
        for first in range(0, len(missing), _BEAM):
            batch = missing[first : first + _BEAM]
            names = [f"trial {number}" for number in range(len(batch))]
            trials = tuple(_Trial(name, part.limit(self.view.site)) for name, part in zip(names, batch, strict=True))
            view = View(self.view.site, trials, self.view.floor_deg)
            found = _visibility(self._fleet, view, self.span)
            pieces = Pieces.of_each([found.allowed[name] for name in names], self.known)
            self._allowed.update(zip(batch, pieces, strict=True))
            if progress:
                progress((first + len(batch)) / len(missing))

    def allowed(self, setting: Setting) -> GroupedIntervals:
        """Return when which satellite can serve under a setting whose limits are prepared."""
        return self._pieces(setting).grouped(self.known)

    def loses_time(self, setting: Setting) -> bool:
        """Say whether time is lost at handovers under a setting."""
        return setting.service(self.view.service).loses_time

    def freezes(self, setting: Setting) -> Intervals:
        """Return when there is no service under a setting whose limits are prepared.

        When the span starts the terminal is on the satellite that it is on as it is set up, where that is allowed.
        """
        service = setting.service(self.view.service)
        if service.loses_time:
            in_use = self.visibility.in_use
            return serve(self.allowed(setting), self.span, service, self.visibility.look, in_use=in_use).frozen()
        return self._pieces(setting).gaps(self.span.start_us, self.span.end_us)

    def freezes_of_many(self, settings: list[Setting]) -> list[Intervals]:
        """Return the same of many settings at once, in their order.

        Where time is lost at handovers the satellite taken may be another where two stand equally high, and "highest"
        without a clock compares every 5 s: good enough to search by.
        """
        services = [setting.service(self.view.service) for setting in settings]
        losing = [number for number, service in enumerate(services) if service.loses_time]
        allowed = [self.allowed(settings[k]) for k in losing]
        served = self._many.freezes(allowed, [services[k] for k in losing], self.visibility.in_use) if losing else []
        known = dict(zip(losing, served, strict=True))
        start_us, end_us = self.span.start_us, self.span.end_us
        return [
            known[k] if k in known else self._pieces(setting).gaps(start_us, end_us)
            for k, setting in enumerate(settings)
        ]

    def _pieces(self, setting: Setting) -> Pieces:
        """Return what a setting whose limits are prepared leaves of the known stretches."""
        parts = [self._allowed[part] for part in setting.parts()]
        return reduce(and_, parts) if parts else self._whole

    @cached_property
    def _many(self) -> ManySettings:
        return ManySettings(self.known, self.span, self.visibility.look)

    def directions(self, when: Intervals) -> NDArray[np.float64]:
        """Return the azimuths, degrees, of satellites that stand in view but cannot serve in the middle of `when`."""
        middle = (when.start + when.end) // 2
        base = self.known
        number, row = np.nonzero((base.start[None, :] <= middle[:, None]) & (base.end[None, :] > middle[:, None]))
        looked = self.visibility.look(base.group[row].astype(np.intp), middle[number])
        return looked.azimuth_deg


def _visibility(fleet: Fleet, view: View, span: Span) -> Visibility:
    """Return the visibility of one view."""
    found = find_visibility(fleet, view, span, warn=False)
    assert isinstance(found, Visibility)  # one view, one answer
    return found


def judged(setting: Setting, freezes: Intervals, judge: Judge) -> TriedSetting:
    """Return a setting with its freezes and what the judge makes of them."""
    return TriedSetting(setting, freezes, judge.judge(freezes, len(setting.kinds), setting.parameters))


def search_settings(
    trials: Trials, grid: Grid, judge: Judge, taken: Iterable[str], progress: Progress | None = None
) -> tuple[list[TriedSetting], int]:
    """Try the grid and return the settings with some merit, best first, and how many were tried.

    `taken` are kinds of limits that the view has already and that are therefore not searched. The judge's guide leads;
    only the last round looks at all that the judge knows.
    """
    taken_kinds = set(taken)
    tell = progress or (lambda share: None)
    every: dict[Setting, TriedSetting] = {}

    def evaluate(settings: Iterable[Setting], begin: float, end: float, *, leads: bool = True) -> None:
        fresh = [s for s in dict.fromkeys(settings) if s not in every]
        trials.prepare(fresh, lambda share: tell(begin + 0.5 * (end - begin) * share))
        for first in range(0, len(fresh), _A_BATCH):
            batch = fresh[first : first + _A_BATCH]
            freezes = trials.freezes_of_many(batch)
            sizes = [(len(setting.kinds), setting.parameters) for setting in batch]
            judgements = judge.judge_each(freezes, sizes, leads=leads)
            every.update(zip(batch, map(TriedSetting, batch, freezes, judgements), strict=True))
            tell(begin + (end - begin) * (0.5 + 0.5 * first / len(fresh)))

    def best(count: int, chosen: Callable[[Setting], bool] = lambda setting: True) -> list[Setting]:
        """Return the settings with the best guide among those chosen."""
        having = [found for found in every.values() if chosen(found.setting)]
        # What tells equals apart is asked of few.
        guides = sorted((round(found.judgement.guide, 9) for found in having), reverse=True)[:count]
        leading = [found for found in having if round(found.judgement.guide, 9) >= guides[-1]]
        return [found.setting for found in in_order(leading, by_guide=True)[:count]]

    # None, one and two limits of the sky: everything.
    singles = grid.singles(taken_kinds)
    timings = [t for t in grid.timings if not taken_kinds.intersection(t.kinds)]
    by_kind = {kind: [s for s in singles if s.kinds == (kind,)] for kind in ("mask", "cone", "gateway", "arc")}
    evaluate([Setting(), *singles, *timings], 0.0, 0.35)
    pairs = [
        joined(a, b)
        for one, other in (("gateway", "mask"), ("gateway", "arc"), ("mask", "arc"), ("cone", "arc"))
        for a, b in product(by_kind[one], by_kind[other])
    ]
    evaluate(pairs, 0.35, 0.6)

    # A gateway and a cone, and three limits: from the best so far.
    few = _BEAM // 4
    evaluate(
        [
            *(joined(a, b) for a in best(few, lambda s: s.kinds == ("gateway",)) for b in by_kind["cone"]),
            *(joined(a, b) for a in best(few, lambda s: s.kinds == ("cone",)) for b in by_kind["gateway"]),
        ],
        0.6,
        0.7,
    )
    small = [*by_kind["mask"], *by_kind["arc"]]
    evaluate(
        [joined(a, b) for a in best(_BEAM, lambda s: len(s.kinds) == 2) for b in small if not {*a.kinds} & {*b.kinds}],
        0.7,
        0.75,
    )

    # Clocks and acquisition on the best skies.
    evaluate([joined(s, t) for s in best(few, lambda s: not s.is_timed) for t in timings], 0.75, 0.85)

    # Then half steps, quarters and eighths around the best of each sort, and once more around the best of all.
    for number, finer in enumerate(_FINER):
        begin = 0.85 + 0.15 * number / len(_FINER)
        leads = number < len(_FINER) - 1
        having = [found for found in every.values() if found.judgement.guide > 0.0 or not leads]
        leaders = _of_each_kind(in_order(having, by_guide=leads))
        around = [n for s in leaders for n in grid.neighbours(s, finer)]
        evaluate(around, begin, begin + 0.15 / len(_FINER), leads=leads)
    tell(1.0)
    fitting = [found for found in every.values() if found.judgement.rank > 0.0]
    return in_order(fitting), len(every)


def _of_each_kind(found: list[TriedSetting]) -> list[Setting]:
    """Return the first few settings, and the first of every other kind of setting, of some in order."""
    chosen = [one.setting for one in found[:_REFINED] if one.judgement.guide > 0.0]
    kinds = {setting.kinds for setting in chosen}
    for one in found:
        if len(chosen) >= 2 * _REFINED or one.judgement.guide <= 0.0:
            break
        if one.setting.kinds not in kinds:
            kinds.add(one.setting.kinds)
            chosen.append(one.setting)
    return chosen


def in_order(found: Iterable[TriedSetting], *, by_guide: bool = False) -> list[TriedSetting]:
    """Return settings best first, by rank or by guide; of equals first the one with fewer limits, numbers, freezes."""
    return sorted(found, key=lambda one: one.by_guide if by_guide else one.by_rank)
