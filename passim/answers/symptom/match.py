"""What could be behind the freezes: from what somebody saw to the settings of the sky that would produce it.

Most users know no gateway and no antenna cone; they know "it freezes every five minutes for half a minute". Given a
fleet, a view and a span, `match_symptom` tries the settings of a `Grid`, ranks them by how well the freezes that they
predict fit, and says when no setting of the sky explains what was seen. `symptom_score` says how a fit is reckoned.

What was seen does not name its cause: a gateway far away and a high mask take away much the same passes. So the answer
names several candidates, and what to watch for to tell them apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from passim.answers.symptom.discriminate import Observation, Traits, observations, traits_of
from passim.answers.symptom.observations import FEWEST_FREEZES, FreezeRanges, FreezeRecord
from passim.answers.symptom.score import GOOD_FIT, LEAST_FIT_OF_RECORD, POSSIBLE_FIT, RangeJudge, RecordJudge
from passim.answers.symptom.search import Trials, TriedSetting, judged, search_settings
from passim.answers.symptom.settings import Grid, Setting
from passim.coverage.notebook import as_html
from passim.elements.health import HealthSummary
from passim.elements.records import Fleet
from passim.errors import InputError
from passim.intervals import Intervals
from passim.sky.search_report import SearchReport
from passim.sky.service import HANDOVER
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span

__all__ = [
    "EXPLAINED",
    "NOT_THE_SKY",
    "PARTLY",
    "UNDECIDED",
    "Candidate",
    "FreezeRanges",
    "FreezeRecord",
    "Grid",
    "Setting",
    "SymptomAnswer",
    "match_symptom",
]

Progress = Callable[[float], None]

EXPLAINED: Final = "explained"
PARTLY: Final = "partly explained"
UNDECIDED: Final = "undecided"
NOT_THE_SKY: Final = "not the sky"

# Fits closer than this are no ground to prefer one setting to another (this project's own, no source).
ABOUT_EQUAL: Final = 0.05

# Settings of the same kinds whose gateways or cones point within this are shown as one candidate.
_SAME_DIRECTION_DEG = 45.0
_MOST_TO_GROUP = 600


@dataclass(frozen=True, eq=False)
class Candidate:
    """One setting that could be behind the freezes.

    freezes     when it predicts no service, microseconds since 1970 UTC
    fit         0 to 1: of ranges the fit as `symptom_score` defines it, of a record the seconds frozen in both over
                those frozen in either
    parts       what the judgement is made of
    traits      figures of the predicted freezes
    similar     how many other settings of the same kinds, pointing the same way, were tried and fit nearly as well
    """

    setting: Setting
    site: Site
    freezes: Intervals
    fit: float
    rank: float
    parts: dict[str, float]
    traits: Traits
    similar: int

    def as_assumption(self) -> dict[str, Any]:
        """Return values and a gateway, as `passim.workspace.Workspace.assume` takes them beside the day and the way.

        A mask becomes the lowest elevation of the terminal, so that the horizon of the spot stays as it was found.
        """
        setting = self.setting
        values: dict[str, Any] = {}
        if setting.mask_deg is not None:
            values["terminal.lowest_elevation_deg"] = setting.mask_deg
        if setting.cone is not None:
            cone = setting.cone
            values["terminal.cone"] = {
                "azimuth_deg": cone.azimuth_deg,
                "tilt_deg": cone.tilt_deg,
                "half_angle_deg": cone.half_angle_deg,
            }
        if setting.arc_deg is not None:
            values["terminal.arc_keep_out_deg"] = setting.arc_deg
        if setting.slot_s is not None:
            values["terminal.clock_period_s"] = setting.slot_s
            values["terminal.clock_offset_s"] = setting.slot_offset_s
        if setting.acquisition_s:
            values["terminal.acquisition_s"] = setting.acquisition_s
        return {
            "values": values,
            "gateway": setting.gateway.gateway(self.site) if setting.gateway else None,
        }


# The columns of the table before the numbers of the settings, and those behind by the part of a score that they are.
_BEFORE_NUMBERS = (
    "number", "fit", "limits", "freezes_per_hour", "freezes", "length_mean_s", "length_min_s", "length_max_s",
    "frozen_fraction", "similar",
)  # fmt: skip
_OF_RECORD = {"gain": "gain", "explained_fraction": "explained", "false_alarm_fraction": "false_alarms"}


@dataclass(frozen=True, eq=False)
class SymptomAnswer:
    """What `match_symptom` found.

    verdict         `EXPLAINED`, `PARTLY`, `UNDECIDED` (it fits, and so it does when shifted) or `NOT_THE_SKY`
    candidates      best first; where it is not the sky, what came nearest
    observations    what would tell the candidates apart
    outside         of a record: how many of its freezes lie outside the span and were left out
    tried           how many settings were tried
    gain            of a record: what the setting that leads gains on the hours held out; None for ranges
    chance_level    of a record: what the same setting reaches there at 1 % of the shifts in time; None for ranges
    health          which satellites are taken to serve
    """

    symptom: FreezeRanges | FreezeRecord
    site: Site
    span: Span
    verdict: str
    candidates: tuple[Candidate, ...]
    observations: tuple[Observation, ...]
    outside: int
    tried: int
    gain: float | None
    chance_level: float | None
    report: SearchReport
    health: tuple[HealthSummary, ...] = ()

    def __repr__(self) -> str:
        count = len(self.candidates)
        words = f"{self.verdict}, {count} candidate{'' if count == 1 else 's'} of {self.tried:,} settings tried"
        return f"<SymptomAnswer at {self.site.name}, {self.span}: {words}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.table)

    @property
    def table(self) -> pd.DataFrame:
        """One row a candidate, best first; none where no setting predicts any freeze of a record.

        Columns: number, fit, limits (how many), freezes_per_hour (over the hours that have any),
        freezes, length_mean_s, length_min_s, length_max_s, frozen_fraction, similar; the numbers of
        the setting itself, as `Setting.numbers` calls them (missing where it has no such limit); for a record gain,
        explained_fraction and false_alarm_fraction.
        """
        rows = []
        for number, candidate in enumerate(self.candidates, 1):
            traits = candidate.traits
            numbers = candidate.setting.numbers(self.site)
            row = {
                "number": number,
                "fit": candidate.fit,
                "limits": len(candidate.setting.kinds),
                "freezes_per_hour": traits.per_hour,
                "freezes": traits.count,
                "length_mean_s": traits.mean_s,
                "length_min_s": traits.shortest_s,
                "length_max_s": traits.longest_s,
                "frozen_fraction": traits.frozen_fraction,
                "similar": candidate.similar,
                **{name: np.nan if number is None else number for name, number in numbers.items()},
            }
            if isinstance(self.symptom, FreezeRecord):
                row |= {column: candidate.parts[part] for column, part in _OF_RECORD.items()}
            rows.append(row)
        of_record = _OF_RECORD if isinstance(self.symptom, FreezeRecord) else ()
        columns = [*_BEFORE_NUMBERS, *Setting().numbers(self.site), *of_record]
        return pd.DataFrame(rows, columns=columns)


def match_symptom(
    fleet: Fleet,
    view: View | Site,
    span: Span,
    symptom: FreezeRanges | FreezeRecord,
    *,
    grid: Grid | None = None,
    top: int = 5,
    progress: Progress | None = None,
) -> SymptomAnswer:
    """Return the settings that would produce `symptom` at `view` with `fleet` over `span`, best first.

    Limits that the view has already count in every setting and are not searched; masks are tried on top of its horizon.
    With a record, `span` is the time that was watched: time in it without a freeze in the record counts as good.
    The terminal chooses its satellites by the policy of the view's service, whose clock and acquisition time count too.
    Where the sky as it is set up fits about as well as the best, it comes first. `progress` is called with the share
    done. The same call gives the same answer.

    A record counts as explained when the setting that fits every second hour of it best also gains more on the other
    hours than at 99 % of all shifts in time, and the fit is 0.5 or more; with less it is explained in part.

    Raises InputError for a record with fewer than five freezes in the span, and what `find_visibility` raises.
    """
    if not 1 <= top <= 100:
        raise InputError("number of candidates", got=top, wanted="from 1 to 100")
    view = view if isinstance(view, View) else View(view)
    grid = grid or Grid()
    judge = _judge(symptom, span, view.site.timezone)
    trials = Trials(fleet, view, span)
    taken = {name for name in view.names if name not in ("horizon", HANDOVER)}
    taken |= {"slot"} if view.service.clock_period_s is not None else set()
    taken |= {"acquisition"} if view.service.acquisition_s else set()
    found, tried = search_settings(trials, grid, judge, taken, progress)

    # One candidate for each sort of setting, and no limits that change nothing.
    # The search reads heights off curves; what is shown is served exactly, as every other answer is.
    def exactly(one: TriedSetting) -> TriedSetting:
        return judged(one.setting, trials.freezes(one.setting), judge) if trials.loses_time(one.setting) else one

    leaders = _as_set_up_first(_leaders(found, top), found, top)
    leaders = [(exactly(one), similar) for one, similar in leaders]
    candidates = tuple(_candidate(leader, similar, trials) for leader, similar in leaders)
    gain, chance_level = judge.proof() if isinstance(judge, RecordJudge) else (None, None)
    verdict = _verdict(candidates, gain, chance_level)
    if isinstance(symptom, FreezeRanges) and symptom.is_wide and verdict == EXPLAINED:
        verdict = PARTLY
    outside = (
        len(symptom) - judge.freezes if isinstance(judge, RecordJudge) and isinstance(symptom, FreezeRecord) else 0
    )
    apart = observations([(c.freezes, c.traits) for c in candidates], span)
    return SymptomAnswer(
        symptom,
        view.site,
        span,
        verdict,
        candidates,
        tuple(apart) if verdict != NOT_THE_SKY else (),
        outside,
        tried,
        gain,
        chance_level,
        trials.visibility.report,
        trials.visibility.health,
    )


def _judge(symptom: FreezeRanges | FreezeRecord, span: Span, timezone: str) -> RangeJudge | RecordJudge:
    """Return who judges predictions. Raises InputError where the span holds too little of a record."""
    if isinstance(symptom, FreezeRanges):
        return RangeJudge(symptom, span, timezone)
    judge = RecordJudge(symptom, span)
    if judge.freezes < FEWEST_FREEZES:
        raise InputError(
            "record of freezes",
            got=f"{judge.freezes} of its {len(symptom)} freezes in {span.start.isoformat()} to {span.end.isoformat()}",
            wanted=f"at least {FEWEST_FREEZES} in the span",
            try_next="a span that covers the record",
        )
    return judge


def _verdict(candidates: tuple[Candidate, ...], gain: float | None, chance_level: float | None) -> str:
    """Return what the best candidate amounts to; of a record, with its gain on what was held out."""
    fit = candidates[0].fit if candidates else 0.0
    if gain is None or chance_level is None:
        return EXPLAINED if fit >= GOOD_FIT else PARTLY if fit >= POSSIBLE_FIT else NOT_THE_SKY
    if gain <= chance_level:
        return UNDECIDED if fit >= GOOD_FIT else NOT_THE_SKY
    return EXPLAINED if fit >= GOOD_FIT else PARTLY if fit >= LEAST_FIT_OF_RECORD else NOT_THE_SKY


def _leaders(found: list[TriedSetting], top: int) -> list[tuple[TriedSetting, int]]:
    """Return the best setting of each sort, at most `top`, each with how many of its sort fit nearly as well."""
    leaders: list[TriedSetting] = []
    similar: list[int] = []
    for one in found[:_MOST_TO_GROUP]:
        place = next((n for n, leader in enumerate(leaders) if _same_sort(leader.setting, one.setting)), None)
        if place is not None:
            similar[place] += one.judgement.rank >= 0.8 * leaders[place].judgement.rank
            continue
        idle = any(_holds(one.setting, leader.setting) for leader in leaders)
        if not idle and len(leaders) < top:
            leaders.append(one)
            similar.append(0)
    return list(zip(leaders, similar, strict=True))


def _as_set_up_first(
    leaders: list[tuple[TriedSetting, int]], found: list[TriedSetting], top: int
) -> list[tuple[TriedSetting, int]]:
    """Put the sky as it is set up before all others where it fits about as well: nothing need be assumed then."""
    plain = next((one for one in found if not one.setting.kinds), None)
    if plain is None or plain.judgement.fit < leaders[0][0].judgement.fit - ABOUT_EQUAL:
        return leaders
    others = [(one, similar) for one, similar in leaders if one.setting.kinds]
    return [(plain, 0), *others][:top]


def _same_sort(a: Setting, b: Setting) -> bool:
    """Say whether two settings have the same kinds of limits, pointing the same way."""
    return a.kinds == b.kinds and _same_way(a, b)


def _holds(a: Setting, b: Setting) -> bool:
    """Say whether `a` is a setting of the sort of `b` with more limits; ranked below `b`, those are for nothing."""
    return set(b.kinds) < set(a.kinds) and _same_way(a, b)


def _same_way(a: Setting, b: Setting) -> bool:
    """Say whether gateways and cones, where both settings have them, point the same way."""
    pairs = []
    if a.gateway and b.gateway:
        pairs.append((a.gateway.bearing_deg, b.gateway.bearing_deg))
    if a.cone and b.cone:
        pairs.append((a.cone.azimuth_deg, b.cone.azimuth_deg))
    return all(abs((one - other + 180.0) % 360.0 - 180.0) <= _SAME_DIRECTION_DEG for one, other in pairs)


def _candidate(found: TriedSetting, similar: int, trials: Trials) -> Candidate:
    """Return a setting with what is shown of it."""
    site = trials.view.site
    return Candidate(
        found.setting,
        site,
        found.freezes,
        found.judgement.fit,
        found.judgement.rank,
        found.judgement.parts,
        traits_of(found.freezes, trials.span, site.timezone, trials.directions),
        similar,
    )
