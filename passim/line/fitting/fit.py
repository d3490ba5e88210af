"""A line that teaches its own forecast: the settings of sky and service that foretell a record best, and how sure.

`fit_line` searches on every second stretch of the record (whole days where there are four or more, blocks of ten
minutes to an hour else). Among the best of each sort of setting the plainest is chosen that foretells the stretches
held out as well as any, but for one standard error (the one-standard-error rule; Breiman, Friedman, Olshen and Stone,
"Classification and Regression Trees", 1984; recalled). It must then beat luck: the same prediction shifted at random
must hardly ever gain as much on what was held out. Only then is anything told; a line that the sky does not explain
gives no settings at all.

What was chosen is put right by all of the record, intervals come from a block bootstrap (`intervals`), and for each
setting it is said whether another sort of setting without it does as well: then the record does not tell them apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from passim.answers.symptom.discriminate import Observation, observations, traits_of
from passim.arrays import Floats
from passim.coverage.notebook import as_html
from passim.errors import InputError
from passim.intervals import Intervals
from passim.line.fitting.as_set_up import AsSetUp, as_set_up
from passim.line.fitting.evidence import Evidence, rates
from passim.line.fitting.intervals import HIGH_PERCENT, LOW_PERCENT, Drawn, draw_settings, offset_of, weights_of
from passim.line.fitting.search import CLOCK_CHANCE, FittedSetting, Search, search, with_gateway_mask
from passim.line.fitting.settings import LineSetting
from passim.line.fitting.tracks import FleetOrFleets, Tracks
from passim.line.phase import ClockPhase, clock_phase, find_clock
from passim.line.record import LineRecord
from passim.sky import ground
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.service import HANDOVER, Service
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span

Progress = Callable[[float], None]
Strength = Literal["strong", "some", "none"]

SHIFTS: Final = 499
DRAWS: Final = 200
# A prediction that shifted copies match more often than this is no evidence.
_CHANCE: Final = 0.01
# A gain on what was held out that says nothing, whatever luck does, in log-likelihood counted once a freeze.
# Ends that the sky alone brings together half as well as those recorded tell of no clock.
_SKYS_OWN: Final = 0.5
_LEAST_GAIN: Final = 3.0
# So much must a plainer setting lose on what was held out to count as worse, whatever its standard error.
_WORTH: Final = 2.0
# Evidence is strong where the sky explains at least this share of the frozen seconds beyond luck.
_STRONG_SHARE: Final = 0.3
_LEAST_SHIFT_S: Final = 120.0
# Two settings whose gains differ by less than so many standard errors are not told apart: one in twenty (normal).
_APART: Final = 1.645
# A record tells the place of a gateway no nearer than this (what the tests with known truth ask for).
_SAME_PLACE_KM: Final = 60.0
# A cone that leans less than this is a mask all round: two words for one thing.
_UPRIGHT_DEG: Final = 3.0
# Other masks of the gateway that its place is tried with.
_GATEWAY_MASKS: Final = (10.0, 15.0, 20.0, 30.0, 35.0)

# Columns of `LineFit.settings`, with their dtypes.
SETTING_COLUMNS: Final = {
    "setting": "str",
    "value": "float64",
    "low": "float64",
    "high": "float64",
    "as_set_up": "float64",
    "told_apart": "bool",
    "instead": "str",
}
# The limit that each number belongs to, and what the number turns around in, where it does.
_KIND_OF: Final = {
    "mask_deg": "mask", "gateway_latitude_deg": "gateway", "gateway_longitude_deg": "gateway",
    "gateway_distance_km": "gateway", "gateway_bearing_deg": "gateway", "gateway_mask_deg": "gateway",
    "cone_azimuth_deg": "cone", "cone_tilt_deg": "cone", "cone_half_angle_deg": "cone", "arc_keep_out_deg": "arc",
    "sector_from_deg": "sector", "sector_to_deg": "sector", "sector_top_deg": "sector",
    "assignment_period_s": "slot", "assignment_phase_s": "slot", "acquisition_s": "acquisition",
}  # fmt: skip
_CIRCLE: Final = {
    "gateway_longitude_deg": 360.0, "gateway_bearing_deg": 360.0, "cone_azimuth_deg": 360.0, "sector_from_deg": 360.0,
    "sector_to_deg": 360.0,
}  # fmt: skip
# Half a step of the walk that the bootstrap takes: an interval is never told finer.
_HALF_STEP: Final = {
    "mask_deg": 0.125, "gateway_latitude_deg": 0.03, "gateway_longitude_deg": 0.04, "gateway_distance_km": 3.125,
    "gateway_bearing_deg": 0.3, "cone_azimuth_deg": 0.5, "cone_tilt_deg": 0.25, "cone_half_angle_deg": 0.125,
    "arc_keep_out_deg": 0.125, "sector_from_deg": 0.5, "sector_to_deg": 0.5, "sector_top_deg": 0.5,
    "assignment_phase_s": 0.0625, "acquisition_s": 0.0625,
}  # fmt: skip
# By how much a number makes up for a second more or less at the edges of freezes, while a satellite goes 7.5 km (own
# estimate for orbits about 550 km up).
_FOR_A_SECOND: Final = {
    "mask_deg": 0.3, "gateway_latitude_deg": 0.07, "gateway_longitude_deg": 0.09, "gateway_distance_km": 7.5,
    "gateway_bearing_deg": 0.7,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Rival:
    """A setting of another sort that foretells the record about as well, or nearly.

    lacks           which limits of the chosen setting it does without
    behind          how much less it gains on what was held out, and `behind_error` the standard error of that
    apart           whether the record tells them apart
    observation     what to watch for to tell them apart: 1 is what was chosen, 2 the rival
    """

    setting: LineSetting
    site: Site
    lacks: tuple[str, ...]
    behind: float
    behind_error: float
    apart: bool
    observation: Observation | None


@dataclass(frozen=True, eq=False, repr=False)
class LineFit:
    """What `fit_line` found.

    evidence            "strong", "some" or "none": whether the sky explains the record; with "none" no setting is told
    setting             the setting chosen, of the sky and of the service
    settings            one row a number: setting (mask_deg, gateway_latitude_deg, ..., clock_offset_s, floor, missed),
                        value, low and high (between them lie nine in ten of the bootstrap's draws), as_set_up (what
                        the view has now, nan where nothing), told_apart, instead (what else would do as well:
                        "rival 1" and on, "other mask", "none" or "not searched")
    held_out_gain       log-likelihood gained on what was held out over one constant chance, counted once a freeze
    chance              how often the same prediction shifted at random gains as much there
    clock_offset_s      by how much the record's clock is ahead of the forecast's
    floor               chance that a second forecast good is frozen all the same: what the sky does not explain
    missed              chance that a second forecast frozen is not
    frozen_s, explained_s, explained_by_luck_s  seconds recorded frozen, and of them forecast, by the fit and by luck
    in_vain_s           seconds measured in which the fit forecasts a gap and the line held
    rivals              other sorts of setting, the nearest first
    assignment          how the ends of the recorded freezes lie on the circle of the clock that suits them best
    tried               how many settings were tried
    held                limits of the view that were held as they are
    freezes             when the fit forecasts no service, microseconds since 1970 UTC by the forecast's clock
    as_set_up           what the view foretells as it is, and whether that does as well; None where nothing is told
    floor_deg           the elevation below which the terminal of the view does not work
    """

    site: Site
    span: Span
    evidence: Strength
    setting: LineSetting
    settings: pd.DataFrame = field(repr=False)
    held_out_gain: float
    chance: float
    clock_offset_s: float
    floor: float
    missed: float
    frozen_s: float
    measured_s: float
    explained_s: float
    explained_by_luck_s: float
    in_vain_s: float
    outages: int
    rivals: tuple[Rival, ...]
    assignment: ClockPhase
    tried: int
    held: tuple[str, ...]
    freezes: Intervals = field(repr=False)
    as_set_up: AsSetUp | None
    floor_deg: float

    def __repr__(self) -> str:
        numbers = [f"{name} {value:.4g}" for name, value in _numbers(self.setting, self.site).items()]
        found = ", ".join(numbers) if self.evidence != "none" else "nothing"
        return f"<LineFit at {self.site.name}, {self.span}: {found}; evidence {self.evidence}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.settings)

    def gateway(self) -> Gateway | None:
        """Return the gateway found, called "fitted"; None where the fit has none."""
        place = self.setting.sky.gateway
        return None if place is None else replace(place.gateway(self.site), name="fitted")

    def as_assumption(self, view: View, site: str | None = None, skyline: str | None = None) -> dict[str, Any]:
        """Return what `passim.workspace.Workspace.assume` takes beside the day: values, how, and a gateway.

        `site` is the setting of the site in the file, where it stands there: with gateways set up, it takes the one
        found in their place, or none; one set up that stands where the fit has it, within what a fit tells, stays
        as it is named. A mask becomes the lowest elevation of the terminal. Where the horizon of `view` stands higher,
        or a sector is blocked, the horizon changes too, at `skyline`, the setting of the spot in the file, where given.
        What the fit does without is taken away, but for limits held and for a time to acquire, which a record tells
        only where it is long.
        """
        sky, cone, mask = self.setting.sky, self.setting.sky.cone, self.setting.sky.mask_deg
        as_cone = None
        if cone is not None:
            as_cone = {
                "azimuth_deg": cone.azimuth_deg, "tilt_deg": cone.tilt_deg, "half_angle_deg": cone.half_angle_deg,
            }  # fmt: skip
        values: dict[str, Any] = {
            "terminal.clock_period_s": sky.slot_s,
            "terminal.clock_offset_s": sky.slot_offset_s if sky.slot_s is not None else None,
        }
        if sky.acquisition_s:
            values["terminal.acquisition_s"] = sky.acquisition_s
        if mask is not None:
            values["terminal.lowest_elevation_deg"] = mask
        if "arc" not in self.held:
            values["terminal.arc_keep_out_deg"] = sky.arc_deg
        if "cone" not in self.held:
            values["terminal.cone"] = as_cone
        gateway, standing = self.gateway(), self._standing(view)
        stays = standing is not None and len(_gateways_of(view)) == 1
        if site is not None and "gateway" in view.names and "gateway" not in self.held and not stays:
            values[f"{site}.gateways"] = [each.name for each in (standing or gateway,) if each is not None]
        horizon = view.site.horizon
        if skyline is not None and self.setting.sector is not None:
            found = self.setting.sector.horizon(mask or view.floor_deg)
            points = [list(point) for point in zip(found.azimuths_deg, found.elevations_deg, strict=True)]
            values |= {f"{skyline}.mask_deg": None, f"{skyline}.horizon_file": None, f"{skyline}.horizon": points}
        elif skyline is not None and mask is not None and horizon.is_flat and horizon.lowest_deg > mask:
            values[f"{skyline}.mask_deg"] = mask
        return {"values": values, "gateway": None if standing is not None else gateway}

    def _standing(self, view: View) -> Gateway | None:
        """Return the gateway of `view` that stands where the fit has one; None where none does."""
        found = self.gateway()
        near = [] if found is None else [(ground.distance_km(found.site, g.site), g) for g in _gateways_of(view)]
        away_km, nearest = min(near, key=lambda pair: pair[0], default=(np.inf, None))
        return nearest if away_km <= _SAME_PLACE_KM else None


def fit_line(
    fleet: FleetOrFleets,
    view: View | Site,
    record: LineRecord,
    *,
    span: Span | None = None,
    hold: Sequence[str] = (),
    draws: int = DRAWS,
    seed: int = 1,
    progress: Progress | None = None,
) -> LineFit:
    """Return the settings with which the sky foretells `record` best at the site of `view`, and how sure they are.

    Searched are the lowest elevation, a gateway, an antenna cone, a keep-out around the arc, a blocked sector, a clock
    of assignment and an acquisition time, with the clock offset of the record, whatever the view has of them; limits of
    the fleet count as they are, and so do those named in `hold`. The terminal's policy is that of the view's service.
    `fleet` holds throughout, or says which elements were at hand at a moment: each day of the record is then judged by
    those of its beginning. `span` is the record's own unless given. `progress` is called with the share done. The same
    call gives the same answer.

    Raises InputError for fewer than 8 outages of the line in the span, for a name in `hold` that is no limit of the
    view, and what `find_visibility` raises.
    """
    if draws < 20:
        raise InputError("draws of the bootstrap", got=draws, wanted="20 or more", try_next=str(DRAWS))
    if HANDOVER in hold:
        raise InputError("limit to hold", got=HANDOVER, wanted="a limit of the sky", try_next="horizon or gateway")
    tell = progress or (lambda share: None)
    view = view if isinstance(view, View) else View(view)
    span = record.span if span is None else span
    evidence = Evidence.of(record, span)
    tracks = Tracks.of(fleet, view, span, hold)
    tell(0.05)
    ends_s = evidence.ends_s + span.start_us / 1e6 - evidence.late_s
    clock = find_clock(ends_s)
    usual = Service(view.service.policy)
    keeps_to = clock if clock.chance <= CLOCK_CHANCE else None
    sorts, leading = search(tracks, evidence, usual, keeps_to, hold, lambda share: tell(0.05 + 0.6 * share))
    chosen, sorts = _pruned(sorts, leading)
    gain = float(evidence.held_out_by_block(chosen.counts).sum())
    chance, luck_s = _luck(evidence, chosen, seed)
    whole = leading.over_all_blocks()
    best = whole.refined(chosen.setting, first_round=4)
    tell(0.75)
    offset_s = offset_of(evidence, best)
    counts = evidence.counts(best.freezes, offset_s)
    best = replace(best, offset_s=offset_s, counts=counts)
    _, missed, floor = rates(counts, evidence.frozen_s, evidence.measured_s)
    explained_s, frozen_s = float(counts.both_s.sum()), float(evidence.frozen_s.sum())
    strength: Strength = (
        "none" if gain < _LEAST_GAIN or chance > _CHANCE
        else "strong" if explained_s - luck_s >= _STRONG_SHARE * frozen_s
        else "some"
    )  # fmt: skip
    has_evidence = strength != "none"
    rivals = _rivals(chosen, sorts, evidence, tracks, view.site) if has_evidence else ()
    drawn = draw_settings(whole, best, weights_of(evidence, draws, seed)) if has_evidence else None
    tell(0.95)
    masks = _gateway_masks(chosen, evidence, leading) if has_evidence and chosen.setting.sky.gateway else None
    table = (
        _settings(best, drawn, rivals, masks, view, (missed, floor), 2.0 * evidence.late_s)
        if drawn is not None
        else pd.DataFrame(columns=list(SETTING_COLUMNS)).astype(SETTING_COLUMNS)
    )
    period = best.setting.sky.slot_s
    tell(1.0)
    return LineFit(
        site=view.site,
        span=span,
        evidence=strength,
        setting=best.setting,
        settings=table,
        held_out_gain=gain,
        chance=chance,
        clock_offset_s=offset_s if has_evidence else 0.0,
        floor=floor,
        missed=missed,
        frozen_s=frozen_s,
        measured_s=float(evidence.measured_s.sum()),
        explained_s=explained_s,
        explained_by_luck_s=luck_s,
        in_vain_s=float(counts.forecast_s.sum()) - explained_s,
        outages=int(evidence.starts_s.size),
        rivals=rivals,
        assignment=_beyond_the_sky(clock, best.freezes.end + span.start_us / 1e6)
        if period is None
        else clock_phase(ends_s, period, 1),
        tried=len(leading.tried),
        held=tuple(hold),
        freezes=_microseconds(best.freezes, span),
        as_set_up=as_set_up(fleet, view, evidence, gain) if has_evidence else None,
        floor_deg=view.floor_deg,
    )


def _plainest(sorts: Sequence[FittedSetting], evidence: Evidence) -> FittedSetting:
    """Return the setting with the fewest numbers that is no more than a standard error behind the best held out."""
    by_block = [evidence.held_out_by_block(tried.counts) for tried in sorts]
    leader = max(by_block, key=lambda each: float(each.sum()))
    close = [
        (tried.setting.parameters, -float(each.sum()), number)
        for number, (tried, each) in enumerate(zip(sorts, by_block, strict=True))
        if float((leader - each).sum()) <= max(_error(leader - each), _WORTH)
    ]
    return sorts[min(close)[2]]


def _pruned(sorts: Sequence[FittedSetting], leading: Search) -> tuple[FittedSetting, list[FittedSetting]]:
    """Return the plainest setting, each of its limits put to the test, and all sorts of settings known then.

    The search adds limits one at a time, so the first ones may have become idle: each is taken away in turn, and the
    rest put right again, as long as that gives a plainer setting.
    """
    best = {tried.setting.kinds: tried for tried in sorts}
    while True:
        chosen = _plainest(list(best.values()), leading.evidence)
        fresh = [chosen.setting.without(kind) for kind in chosen.setting.kinds]
        fresh = [setting for setting in fresh if setting.kinds and setting.kinds not in best]
        if not fresh:
            return chosen, sorted(best.values(), key=lambda tried: -tried.gain)
        for setting in fresh:
            best[setting.kinds] = leading.refined(setting, first_round=1)


def _error(by_block: Floats) -> float:
    """Return the standard error of a sum over blocks."""
    return float(np.std(by_block, ddof=1) * np.sqrt(by_block.size)) if by_block.size > 1 else np.inf


def _luck(evidence: Evidence, tried: FittedSetting, seed: int) -> tuple[float, float]:
    """Return how often shifted predictions gain as much on what was held out, and the seconds that they explain.

    Shifts go round the span: from two minutes either way to all of it.
    """
    length = evidence.span.duration_s
    rng = np.random.default_rng(seed)
    out, freezes = ~evidence.leading, tried.freezes
    real = evidence.gain(evidence.counts(freezes, tried.offset_s), out)
    gains, explained = [], []
    for by in rng.uniform(_LEAST_SHIFT_S, max(length - _LEAST_SHIFT_S, 2.0 * _LEAST_SHIFT_S), SHIFTS):
        start, end = freezes.start + by, freezes.end + by
        later = start >= length
        start, end = np.where(later, start - length, start), np.where(later, end - length, end)
        order = np.argsort(start, kind="stable")
        counts = evidence.counts(Intervals(start[order], end[order]), tried.offset_s)
        gains.append(evidence.gain(counts, out))
        explained.append(float(counts.both_s.sum()))
    return float((1 + np.sum(np.array(gains) >= real)) / (1 + SHIFTS)), float(np.mean(explained))


def _rivals(
    chosen: FittedSetting, sorts: Sequence[FittedSetting], evidence: Evidence, tracks: Tracks, site: Site
) -> tuple[Rival, ...]:
    """Return the settings that do without a limit of the chosen one, the nearest first."""
    mine = evidence.held_out_by_block(chosen.counts)
    kinds = chosen.setting.kinds
    found = []
    for tried in sorts:
        lacks = tuple(kind for kind in kinds if kind not in tried.setting.kinds)
        cone = tried.setting.sky.cone
        same_thing = cone is not None and cone.tilt_deg < _UPRIGHT_DEG and lacks == ("mask",)
        if tried is chosen or not lacks or same_thing:
            continue
        behind = mine - evidence.held_out_by_block(tried.counts)
        error = _error(behind)
        apart = bool(behind.sum() > max(_APART * error, 1.0))
        found.append(Rival(tried.setting, site, lacks, float(behind.sum()), error, apart, None))
    found.sort(key=lambda rival: rival.behind)
    span, zone_name = tracks.span, site.timezone
    pair = {t.setting: _microseconds(t.freezes, span) for t in (chosen, *sorts)}
    rivals = []
    for rival in found:
        freezes = [pair[chosen.setting], pair[rival.setting]]
        both = [(each, traits_of(each, span, zone_name, tracks.directions)) for each in freezes]
        rivals.append(replace(rival, observation=observations(both, span)[0]))
    return tuple(rivals)


@dataclass(frozen=True)
class _GatewayMasks:
    """Masks of the gateway that do as well as the one held, the settings with them, and whether any other does."""

    settings: tuple[LineSetting, ...]
    apart: bool


def _gateway_masks(chosen: FittedSetting, evidence: Evidence, leading: Search) -> _GatewayMasks | None:
    """Return what other masks of the gateway do as well, its place moved to suit; None where that is not tried."""
    if chosen.setting.sky.is_timed:
        return None
    mine = evidence.held_out_by_block(chosen.counts)
    as_good = [chosen.setting]
    for mask in _GATEWAY_MASKS:
        tried = leading.refined(with_gateway_mask(chosen.setting, mask), first_round=1)
        behind = mine - evidence.held_out_by_block(tried.counts)
        if behind.sum() <= max(_APART * _error(behind), 1.0):
            as_good.append(tried.setting)
    return _GatewayMasks(tuple(as_good), len(as_good) == 1)


def _beyond_the_sky(clock: ClockPhase, forecast_ends_s: Floats) -> ClockPhase:
    """Return how recorded ends keep to a clock, with a chance of 1 where the sky alone makes its ends do so too.

    Freezes of a regular fleet come in trains, whose ends keep to some circle without any clock of assignment.
    """
    own = clock_phase(forecast_ends_s, clock.period_s)
    return replace(clock, chance=1.0) if own.kept >= _SKYS_OWN * clock.kept else clock


def _settings(
    best: FittedSetting,
    drawn: Drawn,
    rivals: Sequence[Rival],
    masks: _GatewayMasks | None,
    view: View,
    chances: tuple[float, float],
    probe_s: float,
) -> pd.DataFrame:
    """Return the table of settings: see `LineFit.settings`. The record asked every `probe_s` seconds."""
    site = view.site
    values = _numbers(best.setting, site)
    every = [_numbers(setting, site) for setting in drawn.settings]
    now = _as_set_up(view)
    # A time to acquire shorter than the record can tell lengthens freezes as a place farther off does.
    untold_s = probe_s if 0.0 < best.setting.sky.acquisition_s < probe_s else 0.0
    rows = []
    for name, value in values.items():
        kind = _KIND_OF[name]
        turn = (best.setting.sky.slot_s or 1.0) if name == "assignment_phase_s" else _CIRCLE.get(name)
        draws = np.array([each.get(name, np.nan) for each in every])
        low, high = _bounds(draws, value, turn, _HALF_STEP.get(name, 0.0) + untold_s * _FOR_A_SECOND.get(name, 0.0))
        near = next((k for k, r in enumerate(rivals, 1) if kind in r.lacks and not r.apart), None)
        apart, instead = near is None, f"rival {near}" if near else ""
        if kind == "gateway" and masks is not None and not masks.apart:
            others = [_numbers(setting, site)[name] for setting in masks.settings]
            from_low, from_high = _range(np.array(others), value, turn)
            low, high = min(low, from_low), max(high, from_high)
            if name == "gateway_mask_deg":
                apart, instead = False, instead or "other mask"
        elif name == "acquisition_s" and value < probe_s:
            low, apart, instead = 0.0, False, "none"
        elif name == "gateway_mask_deg" and masks is None:
            low, high, apart, instead = np.nan, np.nan, False, "not searched"
        rows.append((name, value, low, high, now.get(name, np.nan), apart, instead))
    # Probes place edges by whole intervals, and the ends that a clock sets always in the same part of one.
    finest_s = (0.25 if best.setting.sky.slot_s is None else 0.5) * probe_s
    offset = _bounds(drawn.offset_s, best.offset_s, None, max(0.05, finest_s))
    rows.append(("clock_offset_s", best.offset_s, *offset, 0.0, True, ""))
    for name, value, draws in (("floor", chances[1], drawn.floor), ("missed", chances[0], drawn.missed)):
        rows.append((name, value, *_bounds(draws, value, None, 0.0), np.nan, True, ""))
    return pd.DataFrame(rows, columns=list(SETTING_COLUMNS)).astype(SETTING_COLUMNS)


def _numbers(setting: LineSetting, site: Site) -> dict[str, float]:
    """Return the numbers that a setting has, the assignment clock's under names of their own."""
    renamed = {"clock_period_s": "assignment_period_s", "clock_offset_s": "assignment_phase_s"}
    return {renamed.get(name, name): float(n) for name, n in setting.numbers(site).items() if n is not None}


def _gateways_of(view: View) -> Sequence[Gateway]:
    return next((limit.gateways for limit in view.limits if isinstance(limit, GatewayLimit)), ())


def _as_set_up(view: View) -> dict[str, float]:
    """Return the numbers that a view has now, as far as it has one of each."""
    now: dict[str, float] = {"mask_deg": max(view.floor_deg, view.site.horizon.lowest_deg)}
    for limit in view.limits:
        if limit.name == "cone":
            now |= {f"cone_{n}": float(getattr(limit, n)) for n in ("azimuth_deg", "tilt_deg", "half_angle_deg")}
        elif limit.name == "arc":
            now["arc_keep_out_deg"] = float(limit.angle_deg)  # type: ignore[attr-defined]
        elif isinstance(limit, GatewayLimit) and len(limit.gateways) == 1:
            gateway = limit.gateways[0]
            now |= {
                "gateway_latitude_deg": gateway.latitude_deg,
                "gateway_longitude_deg": gateway.longitude_deg,
                "gateway_mask_deg": gateway.horizon.lowest_deg,
            }
    if view.service.clock_period_s is not None:
        now |= {
            "assignment_period_s": view.service.clock_period_s,
            "assignment_phase_s": view.service.clock_offset_s % view.service.clock_period_s,
        }
    if view.service.acquisition_s:
        now["acquisition_s"] = view.service.acquisition_s
    return now


def _bounds(draws: Floats, value: float, turn: float | None, half_step: float) -> tuple[float, float]:
    """Return where nine in ten draws lie, no narrower than a step either way; angles by the short way round."""
    known = draws[~np.isnan(draws)]
    if not known.size:
        return np.nan, np.nan
    away = known - value if turn is None else (known - value + 0.5 * turn) % turn - 0.5 * turn
    low, high = np.percentile(away, [LOW_PERCENT, HIGH_PERCENT])
    return value + min(float(low), 0.0) - half_step, value + max(float(high), 0.0) + half_step


def _range(values: Floats, value: float, turn: float | None) -> tuple[float, float]:
    away = values - value if turn is None else (values - value + 0.5 * turn) % turn - 0.5 * turn
    return value + float(away.min()), value + float(away.max())


def _microseconds(freezes: Intervals, span: Span) -> Intervals:
    """Return freezes as microseconds since 1970 UTC."""
    return Intervals(*(np.round(edge * 1e6).astype(np.int64) + span.start_us for edge in freezes))
