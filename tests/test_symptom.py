"""From freezes back to what makes them: known settings are found again, random and too regular freezes are not the sky.

Trains are simulated with `find_visibility`, which has its own outside truth; what is tested here is the way back.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from passim import DailyHours, Horizon, Site, Span, walker
from passim.answers.symptom import match
from passim.answers.symptom.discriminate import (
    Traits,
    _busier_hour,
    longest_stretch,
    observations,
    traits_of,
)
from passim.answers.symptom.match import (
    EXPLAINED,
    NOT_THE_SKY,
    PARTLY,
    UNDECIDED,
    SymptomAnswer,
    _verdict,
    match_symptom,
)
from passim.answers.symptom.observations import FreezeRanges, FreezeRecord
from passim.answers.symptom.pieces import Pieces
from passim.answers.symptom.score import (
    Judgement,
    RangeJudge,
    RecordJudge,
    _percentile,
    hours_within,
    noticed,
    overlap,
    rate_by_hour,
)
from passim.answers.symptom.search import Trials, search_settings
from passim.answers.symptom.settings import GatewayPlace, Grid, Setting, joined
from passim.coverage import Service, serve
from passim.errors import InputError
from passim.intervals import GroupedIntervals, Intervals, complement, intersection_by_group, union, union_by_group
from passim.sky.limits import Cone, Gateway, GatewayLimit
from passim.sky.view import View
from passim_apps.text.symptom import (
    ELSEWHERE,
    compass_words,
    found_sentence,
    how_words,
    observation_sentence,
    observation_sentences,
    rate_words,
    rows,
    seen_words,
    setting_words,
    symptom_notes,
    when_words,
)
from tests import scenario

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
DAY = Span.starting(EPOCH, hours=24)
HALF_DAY = Span.starting(EPOCH, hours=12)
QUARTER_DAY = Span.starting(EPOCH, hours=6)
SITE = Site("invented", 45.0, -28.0, 0.0, "Atlantic/Azores", Horizon.flat(25.0))
REGULAR = walker(total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented")
PLOVER = scenario.plover(EPOCH)
# A small part of the default grid, so that a search takes a second or two.
SMALL = Grid(
    masks_deg=(30.0, 35.0, 40.0),
    gateway_distances_km=(400.0, 600.0, 800.0),
    gateway_bearings_deg=tuple(45.0 * k for k in range(8)),
    cone_half_angles_deg=(45.0, 50.0),
    cone_tilts_deg=(20.0,),
    cone_azimuths_deg=(0.0, 90.0, 180.0, 270.0),
    arcs_deg=(10.0,),
    slots_s=(),
    acquisitions_s=(),
)
# The same, and with clocks, each setting of which is served for itself.
CLOCKED = replace(SMALL, slots_s=(15.0,), slot_offsets_s=(0.0,), acquisitions_s=(5.0,))
SOUTH = Setting(gateway=GatewayPlace(600.0, 180.0))
NORTH_CONE = Setting(cone=Cone(0.0, 20.0, 50.0))
FIRS = Setting(mask_deg=35.0)


def train(fleet, setting: Setting, span: Span = DAY, site: Site = SITE) -> Intervals:
    """The noticeable freezes of a setting."""
    trials = Trials(fleet, View(site), span)
    trials.prepare([setting])
    return noticed(trials.freezes(setting), span)


def record_of(freezes: Intervals) -> FreezeRecord:
    return FreezeRecord(freezes.start, freezes.end)


def ranges_of(freezes: Intervals) -> FreezeRanges:
    """How a person would put it: the middle 80 % of intervals and lengths."""
    every_s, length_s = np.diff(freezes.start) / 1e6, (freezes.end - freezes.start) / 1e6
    low_every, high_every = np.percentile(every_s, [10, 90])
    low_length, high_length = np.percentile(length_s, [10, 90])
    return FreezeRanges((low_every, high_every), (low_length, high_length))


def random_record(seed: int, span: Span = DAY, per_hour: float = 8.0) -> FreezeRecord:
    """Freezes at random moments (a Poisson process), 2 s and longer, 20 s on average."""
    rng = np.random.default_rng(seed)
    count = round(per_hour * span.duration_s / 3600.0)
    start_s = np.sort(rng.uniform(0.0, span.duration_s - 200.0, count))
    length_s = 2.0 + rng.exponential(18.0, count)
    start_us = span.start_us + (start_s * 1e6).astype(np.int64)
    return FreezeRecord(start_us, start_us + (length_s * 1e6).astype(np.int64))


def same_way_deg(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


@pytest.fixture(scope="module")
def south_answer() -> SymptomAnswer:
    return match_symptom(REGULAR, SITE, HALF_DAY, record_of(train(REGULAR, SOUTH, HALF_DAY)), grid=CLOCKED)


# --- a known setting is found again ---------------------------------------------------------------------------------


def test_the_check_fleet_freezes_as_computed_outside() -> None:
    # Regular check fleet with a gateway 600 km due south, own step simulation of the design: 12.1 gaps an hour, mean
    # 20 s, longest 36 s.
    freezes = train(REGULAR, SOUTH)
    length_s = (freezes.end - freezes.start) / 1e6
    assert freezes.start.size / 24.0 == pytest.approx(12.1, abs=0.1)
    assert length_s.mean() == pytest.approx(20.0, abs=0.5)
    assert length_s.max() == pytest.approx(36.0, abs=0.5)


def test_a_record_names_the_gateway_that_made_it(south_answer: SymptomAnswer) -> None:
    best = south_answer.candidates[0]
    assert south_answer.verdict == EXPLAINED
    assert best.setting.kinds == ("gateway",)
    assert best.setting.gateway is not None
    assert best.setting.gateway.distance_km == pytest.approx(600.0, abs=50.0)
    assert same_way_deg(best.setting.gateway.bearing_deg, 180.0) <= 11.25
    assert best.fit > 0.95
    assert best.parts["explained"] > 0.97
    assert south_answer.gain is not None
    assert south_answer.chance_level is not None
    assert south_answer.gain > 1.5 * south_answer.chance_level
    assert best.traits.per_hour == pytest.approx(12.1, abs=0.2)
    assert best.traits.longest_s == pytest.approx(36.0, abs=1.0)


@pytest.mark.parametrize(
    ("fleet", "truth"), [(REGULAR, NORTH_CONE), (PLOVER, FIRS), (PLOVER, SOUTH)], ids=["cone", "mask", "demo gateway"]
)
def test_a_record_names_other_settings_that_made_it(fleet, truth: Setting) -> None:
    span = DAY if truth.gateway else QUARTER_DAY if truth.cone else HALF_DAY
    answer = match_symptom(fleet, SITE, span, record_of(train(fleet, truth, span)), grid=SMALL, top=3)
    best = answer.candidates[0]
    assert answer.verdict == EXPLAINED
    assert best.setting.kinds == truth.kinds
    assert best.fit > 0.9
    if truth.cone is not None and best.setting.cone is not None:
        assert same_way_deg(best.setting.cone.azimuth_deg, 0.0) <= 22.5
        assert best.setting.cone.tilt_deg == pytest.approx(20.0, abs=5.0)
        assert best.setting.cone.half_angle_deg == pytest.approx(50.0, abs=2.5)
    if truth.gateway is not None and best.setting.gateway is not None:
        assert same_way_deg(best.setting.gateway.bearing_deg, 180.0) <= 11.25
        # The demo's free afternoons (house figures, own step simulation).
        assert "none between 12:00 and 21:00" in rows(answer)["when"].iloc[0]
    if truth.mask_deg is not None:
        assert best.setting.mask_deg == pytest.approx(35.0, abs=1.25)


def test_a_record_finds_a_gateway_between_the_steps_of_the_grid() -> None:
    truth = Setting(gateway=GatewayPlace(655.0, 195.0))
    answer = match_symptom(PLOVER, SITE, HALF_DAY, record_of(train(PLOVER, truth, HALF_DAY)), grid=SMALL)
    place = answer.candidates[0].setting.gateway
    assert answer.verdict == EXPLAINED
    assert place is not None
    assert place.distance_km == pytest.approx(655.0, abs=50.0)
    assert same_way_deg(place.bearing_deg, 195.0) <= 11.25


def test_ranges_name_the_gateway_among_the_candidates() -> None:
    answer = match_symptom(REGULAR, SITE, QUARTER_DAY, ranges_of(train(REGULAR, SOUTH, QUARTER_DAY)), grid=SMALL)
    assert answer.verdict == EXPLAINED
    assert answer.chance_level is None
    places = [c.setting.gateway for c in answer.candidates if c.setting.kinds == ("gateway",)]
    assert any(same_way_deg(p.bearing_deg, 180.0) <= 22.5 and abs(p.distance_km - 600.0) <= 100.0 for p in places if p)
    assert all(c.fit >= answer.candidates[-1].rank for c in answer.candidates)


def test_ranges_name_the_cone_that_made_them() -> None:
    answer = match_symptom(REGULAR, SITE, QUARTER_DAY, ranges_of(train(REGULAR, NORTH_CONE, QUARTER_DAY)), grid=SMALL)
    cone = answer.candidates[0].setting.cone
    assert answer.verdict == EXPLAINED
    assert cone is not None
    assert same_way_deg(cone.azimuth_deg, 0.0) <= 45.0
    assert cone.half_angle_deg == pytest.approx(50.0, abs=5.0)


def test_a_record_names_the_clock_that_made_it() -> None:
    truth = joined(FIRS, Setting(slot_s=15.0, acquisition_s=5.0))
    freezes = train(PLOVER, truth, HALF_DAY)
    grid = replace(CLOCKED, gateway_distances_km=(), cone_half_angles_deg=(), arcs_deg=())
    answer = match_symptom(PLOVER, SITE, HALF_DAY, record_of(freezes), grid=grid)
    assert answer.candidates[0].setting == truth
    assert answer.candidates[0].fit > 0.99


# --- what is not the sky --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("fleet", "seed"), [(REGULAR, 0), (PLOVER, 1), (PLOVER, 4)])
def test_random_freezes_are_not_the_sky(fleet, seed: int) -> None:
    grid = replace(SMALL, cone_half_angles_deg=(50.0,))
    answer = match_symptom(fleet, SITE, HALF_DAY, random_record(seed, HALF_DAY), grid=grid)
    assert answer.verdict == NOT_THE_SKY
    assert answer.observations == ()
    assert found_sentence(answer).endswith(ELSEWHERE)


def test_freezes_to_the_beat_of_a_clock_are_not_the_sky() -> None:
    # A router that stalls every 300 s exactly: near the period of the trains, 95.65 min / 20 = 287 s, and not it.
    start_us = HALF_DAY.start_us + np.arange(100, 43_000, 300, dtype=np.int64) * 1_000_000
    answer = match_symptom(REGULAR, SITE, HALF_DAY, FreezeRecord(start_us, start_us + 10_000_000), grid=CLOCKED)
    assert answer.verdict == NOT_THE_SKY


def test_ranges_that_no_setting_gives_are_not_the_sky() -> None:
    answer = match_symptom(PLOVER, SITE, HALF_DAY, FreezeRanges((300.0, 301.0), (3.0, 3.1)), grid=SMALL)
    assert answer.verdict == NOT_THE_SKY
    assert "house network" in found_sentence(answer)


def test_a_wide_range_is_never_more_than_a_maybe() -> None:
    # What a person would say of random freezes: the middle 80 % of exponential intervals spans a factor of 22.
    hours = Span.starting(EPOCH, hours=3)
    answer = match_symptom(REGULAR, SITE, hours, FreezeRanges((30.0, 900.0), (3.0, 45.0)), grid=SMALL)
    assert answer.verdict in (PARTLY, NOT_THE_SKY)
    assert any("describes almost any train of freezes" in note.text for note in symptom_notes(answer))


def test_a_sky_that_is_half_the_story_is_told_as_half() -> None:
    made, noise = train(PLOVER, SOUTH), random_record(1, per_hour=4.0)
    both = FreezeRecord(np.concatenate([made.start, noise.start_us]), np.concatenate([made.end, noise.end_us]))
    answer = match_symptom(PLOVER, SITE, DAY, both, grid=SMALL)
    assert answer.verdict == PARTLY
    assert answer.candidates[0].setting.gateway is not None
    assert 0.2 < answer.candidates[0].parts["explained"] < 0.7


def test_an_hour_is_enough_where_the_setting_is_in_the_grid() -> None:
    hour = Span.starting(EPOCH, hours=1)
    answer = match_symptom(REGULAR, SITE, hour, record_of(train(REGULAR, SOUTH, hour)), grid=SMALL)
    assert answer.verdict == EXPLAINED
    assert answer.candidates[0].setting == SOUTH


def test_a_fit_that_shifts_in_time_reach_too_does_not_decide(south_answer: SymptomAnswer) -> None:
    fitting = south_answer.candidates
    assert _verdict(fitting, 9.0, 5.0) == EXPLAINED
    assert _verdict(fitting, 5.0, 5.0) == UNDECIDED
    assert _verdict((replace(fitting[0], fit=0.3),), 5.0, 5.0) == NOT_THE_SKY
    assert _verdict((replace(fitting[0], fit=0.3),), 9.0, 5.0) == PARTLY
    assert _verdict((), 9.0, 5.0) == NOT_THE_SKY
    assert "a longer record will decide" in found_sentence(replace(south_answer, verdict=UNDECIDED))


@pytest.mark.parametrize(
    ("fit", "by_ranges", "by_record", "not_proven"),
    [
        (1.0, EXPLAINED, EXPLAINED, UNDECIDED),
        (0.5, EXPLAINED, EXPLAINED, UNDECIDED),
        (0.499, PARTLY, PARTLY, NOT_THE_SKY),
        (0.3, PARTLY, PARTLY, NOT_THE_SKY),
        (0.299, NOT_THE_SKY, PARTLY, NOT_THE_SKY),
        (0.1, NOT_THE_SKY, PARTLY, NOT_THE_SKY),
        (0.099, NOT_THE_SKY, NOT_THE_SKY, NOT_THE_SKY),
    ],
)
def test_what_counts_as_a_fit(fit: float, by_ranges: str, by_record: str, not_proven: str) -> None:
    """The bounds as the module states them: 0.5 explains, 0.3 may; of a record 0.1 may, once it gains beyond chance."""
    candidates = (SimpleNamespace(fit=fit),)
    assert _verdict(candidates, None, None) == by_ranges  # type: ignore[arg-type]
    assert _verdict(candidates, 5.01, 5.0) == by_record  # type: ignore[arg-type]
    assert _verdict(candidates, 5.0, 5.0) == not_proven  # type: ignore[arg-type]


def test_the_gain_of_a_prediction_is_that_of_its_table_by_hand() -> None:
    """A thousand seconds: 30 s recorded in five freezes, 40 s predicted, 20 s in both.

    The four cells are 20, 10, 20 and 950 s, expected by chance 1.2, 28.8, 38.8 and 931.2 s. The sum of each cell times
    the log of cell over expected is 20 ln(16.667) + 10 ln(0.34722) + 20 ln(0.51546) + 950 ln(1.02019) = 51.43, in
    seconds; a freeze is 6 s on average. A prediction that meets less than chance does gains nothing.
    """
    span = Span.starting(EPOCH, 1.0)
    start_us = span.start_us + np.array([100, 700, 1300, 1900, 2500], dtype=np.int64) * 1_000_000
    judge = RecordJudge(FreezeRecord(start_us, start_us + 6_000_000), span)
    assert float(judge._gain(20.0, 40.0, 30.0, 1000.0)) == pytest.approx(51.425 / 6.0, abs=0.001)
    assert float(judge._gain(1.0, 40.0, 30.0, 1000.0)) == 0.0


def test_the_rate_of_an_hour_is_its_freezes_over_its_length() -> None:
    """Freezes at 0:10, 0:30 and 5:50 UTC; the hour that begins at 12 is seen for five minutes, and so has no rate."""
    span = Span.starting(EPOCH, 12.0 + 5.0 / 60.0)
    at_s = np.array([600, 1800, 5 * 3600 + 3000])
    start_us = span.start_us + at_s.astype(np.int64) * 1_000_000
    freezes = Intervals(start_us, start_us + 5_000_000)
    rates = rate_by_hour(freezes, span, "UTC")
    assert rates[:12].tolist() == [2.0, 0.0, 0.0, 0.0, 0.0, 1.0] + [0.0] * 6
    assert np.isnan(rates[12:]).all()
    # Half of the first hour comes again the day after, without a freeze.
    longer = rate_by_hour(freezes, Span.starting(EPOCH, 24.5), "UTC")
    assert longer[0] == pytest.approx(2.0 / 1.5)


def test_settings_point_the_same_way_up_to_the_bound_itself() -> None:
    """Bearings of the grid lie on whole steps of 22.5 deg, so that the bound is met exactly, over north too."""
    apart = match._SAME_DIRECTION_DEG
    for first in (90.0, 350.0):
        for further, same in ((0.0, True), (apart, True), (apart + 0.5, False)):
            bearings = first, (first + further) % 360.0
            gateways = [Setting(gateway=GatewayPlace(600.0, bearing)) for bearing in bearings]
            cones = [Setting(cone=Cone(bearing, 20.0, 50.0)) for bearing in bearings]
            assert match._same_sort(*gateways) == match._same_sort(*cones) == same
            assert not match._same_sort(gateways[0], cones[0])


def test_hours_that_differ_by_half_tell_candidates_apart_and_a_tenth_does_not() -> None:
    """By hand: 5 and 8 an hour from 14:00 on, and 5 and 5 all day else; (8 + 1) / (5 + 1) is 3 / 2 exactly."""
    steady = np.full(24, 5.0)
    for loud, hour in ((8.0, 14), (5.5, None)):
        by_hour = np.where(np.arange(24) == 14, loud, steady)
        one, other = (Traits(100, 5.0, 5.0, 2.0, 9.0, 0.01, hours, None) for hours in (by_hour, steady))
        assert _busier_hour((one, other)) == hour


def test_the_longest_run_of_hours_begins_after_the_hour_that_breaks_it() -> None:
    for hours, wanted in (
        ((1, 3, 4, 5, 6), (3, 4)), ((3,), (3, 1)), ((22, 23, 0, 1, 12), (22, 4)), ((2, 3, 8, 9), (2, 2)), ((), None),
    ):  # fmt: skip
        assert longest_stretch(np.isin(np.arange(24), hours)) == wanted


# --- order, honesty, sameness ---------------------------------------------------------------------------------------


def test_fewer_limits_come_first(south_answer: SymptomAnswer) -> None:
    ranks = [c.rank for c in south_answer.candidates]
    assert ranks == sorted(ranks, reverse=True)
    # Of settings that freeze at the same times the plain one ranks higher, by ranges and by record.
    freezes = train(REGULAR, SOUTH)
    for judge in (RangeJudge(ranges_of(freezes), DAY, "UTC"), RecordJudge(record_of(freezes), DAY)):
        one, two = judge.judge(freezes, 1, 2), judge.judge(freezes, 2, 3)
        assert one.fit == two.fit
        assert one.rank > two.rank
    # By ranges the first limit and the first number cost nothing, each further one what `score` says.
    ranges = RangeJudge(ranges_of(freezes), DAY, "UTC")
    judged = [ranges.judge(freezes, *counts) for counts in ((1, 0), (1, 1), (1, 2), (2, 3))]
    assert [each.rank / each.fit for each in judged] == pytest.approx([1.0, 1.0, 0.97, 0.97**2 * 0.86])
    # No candidate only adds a limit to a better one.
    sorts = [(set(c.setting.kinds), c.setting) for c in south_answer.candidates]
    first_kinds, first = sorts[0]
    for kinds, setting in sorts[1:]:
        if first_kinds < kinds and setting.gateway and first.gateway:
            assert same_way_deg(setting.gateway.bearing_deg, first.gateway.bearing_deg) > 45.0


def test_the_fit_falls_with_the_distance_from_the_truth() -> None:
    truth = record_of(train(PLOVER, FIRS))
    judge = RecordJudge(truth, DAY)
    masks = [35.0, 36.0, 38.0, 42.0]
    fits = [judge.judge(train(PLOVER, Setting(mask_deg=mask)), 1, 1).fit for mask in masks]
    assert fits == sorted(fits, reverse=True)
    assert fits[0] == pytest.approx(1.0)
    assert fits[-1] < 0.6


def test_hours_stated_as_quiet_count_against_freezes_then() -> None:
    freezes = train(PLOVER, SOUTH)
    stated = ranges_of(freezes)
    # The demo's loft with its gateway has none from 12:00 to 21:00 local (house figures, own step simulation).
    quiet = replace(stated, quiet=(DailyHours(12 * 60, 21 * 60),))
    wrong = replace(stated, quiet=(DailyHours(5 * 60, 11 * 60),))
    fits = [RangeJudge(s, DAY, SITE.timezone).judge(freezes, 1, 1).fit for s in (stated, quiet, wrong)]
    assert fits[0] == pytest.approx(fits[1])
    assert fits[2] < 0.2 * fits[0]
    nowhere = replace(stated, happens=(DailyHours(13 * 60, 20 * 60),))
    assert RangeJudge(nowhere, DAY, SITE.timezone).judge(freezes, 1, 1).fit == 0.0


def test_the_same_question_has_the_same_answer() -> None:
    hours = Span.starting(EPOCH, hours=2)
    seen = ranges_of(train(REGULAR, SOUTH, hours))
    told: list[float] = []
    # Every step of the search has something to try.
    grid = replace(SMALL, gateway_distances_km=(600.0,), cone_azimuths_deg=(0.0, 180.0), acquisitions_s=(2.0,))
    one = match_symptom(REGULAR, SITE, hours, seen, grid=grid, progress=told.append)
    two = match_symptom(REGULAR, SITE, hours, seen, grid=grid)
    assert [c.setting for c in one.candidates] == [c.setting for c in two.candidates]
    assert one.table.equals(two.table)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_limits_that_the_view_has_are_kept_and_not_searched() -> None:
    gateway = Gateway("invented", *GatewayPlace(600.0, 180.0).coordinates_deg(SITE))
    view = View(SITE, (GatewayLimit((gateway,)),))
    answer = match_symptom(REGULAR, view, QUARTER_DAY, record_of(train(REGULAR, SOUTH, QUARTER_DAY)), grid=SMALL)
    assert answer.candidates[0].setting == Setting()
    assert setting_words(answer.candidates[0].setting, SITE) == "the sky as it is set up, and nothing else"
    assert not any("gateway" in c.setting.kinds for c in answer.candidates)


def test_the_answer_says_what_would_tell_candidates_apart(south_answer: SymptomAnswer) -> None:
    assert len(south_answer.candidates) > 1
    told = observation_sentences(south_answer)
    assert told
    assert all(o.startswith("Candidate") and o.endswith(".") for o in told)
    assert any(o.startswith("Candidate 1 against ") or o.startswith("Candidates 1 and ") for o in told)
    assert any("in the order of how well they foretell the record" in note.text for note in symptom_notes(south_answer))
    assert any("stand in for another" in note.text for note in symptom_notes(south_answer))
    table = south_answer.table
    assert list(table["number"]) == list(range(1, len(table) + 1))
    assert table.loc[0, "gateway_latitude_deg"] == pytest.approx(39.604, abs=0.5)
    assert rows(south_answer).loc[0, "when"] == "in every hour of the span"
    assert {"gain", "explained_fraction", "false_alarm_fraction"} <= set(table.columns)


# --- small parts ----------------------------------------------------------------------------------------------------


def test_place_of_a_gateway() -> None:
    # 600 km along the meridian on a sphere of 6371 km are 5.396 deg (arithmetic).
    latitude_deg, longitude_deg = GatewayPlace(600.0, 180.0).coordinates_deg(SITE)
    assert latitude_deg == pytest.approx(39.604, abs=0.001)
    assert longitude_deg == pytest.approx(-28.0, abs=1e-9)
    # Due east the great circle bends towards the equator. By Napier's rules for a right angle at the site: the sine of
    # the latitude is cos(5.396) sin(45), the tangent of the longitude tan(5.396) / cos(45). 178 + 7.608 is in the west.
    latitude_deg, longitude_deg = GatewayPlace(600.0, 90.0).coordinates_deg(replace(SITE, longitude_deg=178.0))
    assert (latitude_deg, longitude_deg) == pytest.approx((44.746, 185.608 - 360.0), abs=0.001)
    # To the south-west, by the rules of cosines and of sines: sin(lat) = sin(45) cos(5.396) - sin(5.396) / 2, and the
    # sine of the longitude is -sin(45) sin(5.396) / cos(lat).
    latitude_deg, longitude_deg = GatewayPlace(600.0, 225.0).coordinates_deg(SITE)
    assert (latitude_deg, longitude_deg) == pytest.approx((41.068, -28.0 - 5.060), abs=0.001)


def test_the_grid_is_as_far_apart_as_its_steps() -> None:
    grid = Grid()
    for values, step in [
        (grid.masks_deg, 5.0), (grid.arcs_deg, 5.0), (grid.cone_half_angles_deg, 5.0), (grid.cone_tilts_deg, 10.0),
        (grid.cone_azimuths_deg, 45.0), (grid.gateway_distances_km, 100.0), (grid.gateway_bearings_deg, 22.5),
    ]:  # fmt: skip
        assert set(np.diff(values)) == {step}


def test_what_the_search_tries_where_nothing_fits_is_counted_by_hand() -> None:
    """Two masks, two gateways, two cones, one arc and one acquisition time; without a fit nothing is refined.

    None and one limit: 1 + 7 + 1. Two: gateway and mask 4, gateway and arc 2, mask and arc 2, cone and arc 2, gateway
    and cone 4. Three: gateway, mask and arc 4; cone, arc and mask 4; gateway, cone and mask 8; gateway, cone and arc 4.
    The acquisition with the ten simplest, of which one stands above: 9. Together 9 + 14 + 20 + 9.
    """
    none = np.empty(0, dtype=np.int64)
    trials = SimpleNamespace(
        prepare=lambda settings, progress: None,
        freezes_of_many=lambda settings: [Intervals(none, none) for _ in settings],
    )
    judge = SimpleNamespace(judge_each=lambda trains, sizes, leads: [Judgement(0.0, 0.0, 0.0) for _ in trains])
    grid = Grid((30.0, 40.0), (600.0,), (0.0, 180.0), 25.0, (50.0,), (20.0,), (0.0, 180.0), (10.0,), (), (), (2.0,))
    assert search_settings(trials, grid, judge, ()) == ([], 52)


def test_neighbours_of_a_setting_are_half_a_step_away_or_lack_a_limit() -> None:
    """Steps of the grid by hand: 5 deg of mask, arc and cone, 10 deg of tilt, 45 of azimuth; 100 km and 22.5 deg."""
    setting = Setting(35.0, Cone(90.0, 20.0, 50.0), GatewayPlace(600.0, 0.0), 10.0)
    found = list(Grid().neighbours(setting, 1))
    cones = [Cone(67.5, 20.0, 50.0), Cone(112.5, 20.0, 50.0), Cone(90.0, 20.0, 47.5), Cone(90.0, 20.0, 52.5),
             Cone(90.0, 15.0, 50.0), Cone(90.0, 25.0, 50.0)]  # fmt: skip
    places = [(550.0, 0.0), (650.0, 0.0), (600.0, 348.75), (600.0, 11.25)]
    wanted = [
        *(replace(setting, mask_deg=mask) for mask in (None, 32.5, 37.5)),
        *(replace(setting, arc_deg=arc) for arc in (None, 7.5, 12.5)),
        *(replace(setting, cone=cone) for cone in (None, *cones)),
        *(replace(setting, gateway=place) for place in (None, *(GatewayPlace(*numbers) for numbers in places))),
    ]
    assert len(found) == len(wanted)
    assert set(found) == set(wanted)
    # Eighths of a step, and at the ends of what can be: no cone beyond 90 deg or straight up, no gateway next door.
    narrow = Setting(cone=Cone(0.0, 90.0, 90.0), gateway=GatewayPlace(110.0, 0.0))
    assert {s.cone for s in Grid().neighbours(narrow, 3)} - {None, narrow.cone} == {
        Cone(354.375, 90.0, 90.0), Cone(5.625, 90.0, 90.0), Cone(0.0, 90.0, 89.375), Cone(0.0, 88.75, 90.0),
    }  # fmt: skip
    near = {s.gateway.distance_km for s in Grid().neighbours(replace(narrow, cone=None), 0) if s.gateway}
    assert near == {110.0, 210.0}
    assert {s.mask_deg for s in Grid().neighbours(Setting(mask_deg=75.0), 0)} == {70.0}
    assert {s.mask_deg for s in Grid().neighbours(Setting(mask_deg=5.0), 0)} == {10.0}
    assert {s.mask_deg for s in Grid().neighbours(Setting(mask_deg=3.0), 1)} == {0.5, 5.5}
    assert {s.arc_deg for s in Grid().neighbours(Setting(arc_deg=55.0), 0)} == {50.0, 60.0}
    assert {s.arc_deg for s in Grid().neighbours(Setting(arc_deg=5.0), 0)} == {10.0}


def test_an_assumption_holds_what_the_workspace_needs() -> None:
    setting = Setting(35.0, Cone(0.0, 20.0, 50.0), GatewayPlace(600.0, 180.0), 10.0, 15.0, 3.0, 5.0)
    seen = ranges_of(train(PLOVER, FIRS))
    grid = replace(SMALL, gateway_distances_km=(), cone_half_angles_deg=())
    found = match_symptom(PLOVER, SITE, DAY, seen, grid=grid)
    candidate = found.candidates[0]
    assert how_words(found, 1).startswith("searched for from freezes every ")
    kept = replace(candidate, setting=setting).as_assumption()
    assert kept["values"] == {
        "terminal.lowest_elevation_deg": 35.0,
        "terminal.cone": {"azimuth_deg": 0.0, "tilt_deg": 20.0, "half_angle_deg": 50.0},
        "terminal.arc_keep_out_deg": 10.0,
        "terminal.clock_period_s": 15.0,
        "terminal.clock_offset_s": 3.0,
        "terminal.acquisition_s": 5.0,
    }
    assert kept["gateway"].latitude_deg == pytest.approx(39.604, abs=0.001)


def test_numbers_are_told_no_finer_than_anybody_can_act_on() -> None:
    setting = Setting(28.125, Cone(0.0, 12.5, 47.5), arc_deg=11.25)
    assert setting_words(setting, SITE) == (
        "no service below 28° all round and an antenna that uses no more than 48° around where it points, tilted 12° "
        "to the north and a keep-out of 11° around the geostationary arc"
    )
    assert [rate_words(rate) for rate in (7.833, 11.6, 0.72)] == ["8", "12", "0.7"]


def test_words_for_directions_and_hours() -> None:
    assert compass_words(180.0) == "south"
    assert compass_words(191.0) == "south, 191°"
    assert compass_words(359.9) == "north"
    rates = np.full(24, 6.0)
    assert when_words(rates) == "all day"
    rates[12:21] = 0.0
    assert when_words(rates) == "none between 12:00 and 21:00, most from 00:00, 6 an hour"
    assert when_words(np.zeros(24)) == "never"
    rates[:] = 0.0
    rates[[23, 0, 1]] = 4.0
    assert when_words(rates) == "only between 23:00 and 02:00"
    assert longest_stretch(rates > 0.0) == (23, 3)
    assert longest_stretch(np.zeros(24, dtype=bool)) is None


def test_hours_of_day_go_by_the_local_clock_over_midnight_and_clock_changes() -> None:
    # On 2026-03-29 the Azores go from UTC-1 to UTC+0 at 00:00 local: 08:00 local is 09:00 UTC before, 08:00 UTC after.
    span = Span(datetime(2026, 3, 28, tzinfo=UTC), datetime(2026, 3, 30, tzinfo=UTC))
    found = hours_within((DailyHours(8 * 60, 9 * 60),), span, "Atlantic/Azores")
    assert ((found.start - span.start_us) / 3.6e9).tolist() == [9.0, 32.0]
    night = hours_within((DailyHours(22 * 60, 2 * 60),), Span.starting(EPOCH, hours=24), "UTC")
    assert ((night.end - night.start) / 3.6e9).tolist() == [2.0, 2.0]


# --- input that cannot be used --------------------------------------------------------------------------------------


def write(path: Path, *lines: str) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_records_are_read_in_both_forms(tmp_path: Path) -> None:
    first = [f"2026-03-01T0{hour}:00:00+01:00,2026-03-01T0{hour}:00:12+01:00" for hour in range(6)]
    second = [f"2026-02-28T23:00:00Z,x,{12}"] + [f"2026-03-01T0{hour}:00:00Z,x,12" for hour in range(5)]
    one = FreezeRecord.from_csv(write(tmp_path / "one.csv", "start,end", *reversed(first)))
    two = FreezeRecord.from_csv(write(tmp_path / "two.csv", "start,what,duration_s", *second))
    assert one.start_us.tolist() == two.start_us.tolist()
    assert one.end_us.tolist() == two.end_us.tolist()
    assert seen_words(one) == "a record of 6 freezes, 12 to 12 s long, in 5 h"


def test_bad_records_get_one_line(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for lines, words in [
        ([], "line 1; got 'nothing'"),
        (["from,to", "1,2"], "wanted the header start,end or start,duration_s"),
        (["start,end", "2026-03-01T00:00:00Z"], "line 2; got '2026-03-01T00:00:00Z'; wanted 2 cells, as in the header"),
        (["start,end", "2026-03-01T00:00:00,2026-03-01T00:00:05"], "a time with its offset"),
        (["start,end", "yesterday,2026-03-01T00:00:05Z"], "line 2; got 'yesterday'"),
        (["start,end", "2026-03-01T00:00:09Z,2026-03-01T00:00:05Z"], "wanted an end after its start"),
        (["start,duration_s", "2026-03-01T00:00:09Z,-3"], "wanted a length in seconds"),
        (["start,duration_s", "2026-03-01T00:00:09Z,nan"], "wanted a length in seconds"),
        (["start,duration_s", "2026-03-01T00:00:09Z,3"], "got '1 freeze'; wanted at least 5"),
        (["start,duration_s", *(f"2026-03-01T00:0{k}:00Z,3" for k in range(9))], "wanted at least 30 min"),
    ]:
        with subtests.test(lines=lines, words=words):
            with pytest.raises(InputError) as caught:
                FreezeRecord.from_csv(write(tmp_path / "record.csv", *lines))
            assert words in str(caught.value)
            assert "\n" not in str(caught.value)


def test_a_record_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        FreezeRecord.from_csv(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("every_s", "length_s", "words"),
    [
        ((300.0, 180.0), (5.0, 30.0), "time between freezes; got '300 to 180 s'"),
        ((180.0, 300.0), (0.0, 30.0), "length of the freezes"),
        ((180.0, float("nan")), (5.0, 30.0), "time between freezes"),
        ((5.0, 30.0), (180.0, 300.0), "freezes shorter than the time"),
    ],
)
def test_bad_ranges_get_one_line(every_s, length_s, words: str) -> None:
    with pytest.raises(InputError) as caught:
        FreezeRanges(every_s, length_s)
    assert words in str(caught.value)


def test_a_span_beside_the_record_and_an_empty_grid_are_refused() -> None:
    record = random_record(0)
    later = Span.starting(datetime(2026, 3, 5, tzinfo=UTC), hours=6)
    with pytest.raises(InputError, match="at least 5 in the span"):
        match_symptom(REGULAR, SITE, later, record, grid=SMALL)
    with pytest.raises(InputError, match="nothing to try"):
        Grid((), (), (), 25.0, (), (), (), (), (), (), ())
    with pytest.raises(InputError, match="number of candidates"):
        match_symptom(REGULAR, SITE, DAY, record, top=0)


@pytest.mark.parametrize(
    ("data", "told"),
    [(b'start,end\n"' + b"x" * 200_000, "field larger than"), (b"\xff\xfe\x00", "not UTF-8"), (b"", "got 'nothing'")],
)
def test_bytes_that_are_no_record_are_told_in_one_line(data: bytes, told: str) -> None:
    with pytest.raises(InputError, match=told) as refused:
        FreezeRecord.from_csv_bytes(data, "ours.csv")
    assert "record ours.csv" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_settings_are_served_by_the_policy_of_the_view() -> None:
    """What a setting says of clock and acquisition counts; what it does not say is as the view has it."""
    usual = Service("keep-then-highest", 15.0, 4.0, 2.0)
    assert Setting().service(usual) == usual
    assert Setting(slot_s=30.0).service(usual) == Service("keep-then-highest", 30.0, 0.0, 2.0)
    assert Setting(acquisition_s=5.0).service(usual) == Service("keep-then-highest", 15.0, 4.0, 5.0)
    span = Span.starting(EPOCH, hours=2)
    view = View(SITE, service=usual)
    trials = Trials(PLOVER, view, span)
    frozen = serve(trials.visibility.candidates(), span, usual, trials.visibility.look).frozen()
    assert trials.freezes(Setting()).start.tolist() == frozen.start.tolist()
    assert len(frozen.start) > 0


def test_the_same_times_are_only_told_of_the_same_times() -> None:
    """ "Nothing tells them apart" wants nearly all of the time in both, and as many freezes an hour."""
    start = HALF_DAY.start_us + np.arange(5, 700, 10, dtype=np.int64) * 60_000_000
    whole = Intervals(start, start + 20_000_000)

    def told(other: Intervals) -> str:
        traits = [traits_of(one, HALF_DAY, "UTC", lambda when: np.zeros(0)) for one in (whole, other)]
        return observation_sentence(observations([(whole, traits[0]), (other, traits[1])], HALF_DAY)[0], "UTC")

    same = "Candidates 1 and 2 freeze at the same times: nothing in this span tells them apart."
    assert told(Intervals(start, start + 19_500_000)) == same
    assert told(Intervals(start, start + 17_000_000)) != same
    # Two halves a second apart: 95 % of the time in both, and twice as many freezes.
    halves = Intervals(
        np.sort(np.append(start, start + 10_400_000)), np.sort(np.append(start + 9_800_000, start + 20_000_000))
    )
    assert overlap(whole, halves) >= 0.95
    assert told(halves) != same


def test_what_settings_leave_is_what_plain_interval_algebra_leaves(monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(5)

    def some(count: int, longest: int) -> GroupedIntervals:
        start = random.integers(0, 5_000, count)
        return union_by_group((random.integers(0, 12, count), start, start + random.integers(1, longest, count)))

    for _ in range(200):
        known, one, two = some(60, 900), some(80, 400), some(200, 90)
        left, other = Pieces.of_each([one, two], known)
        expected = intersection_by_group(known, one)
        for found, wanted in (
            (left.grouped(known), expected),
            ((left & other).grouped(known), intersection_by_group(expected, two)),
        ):
            assert all(np.array_equal(a, b) for a, b in zip(found, wanted, strict=True))
        wanted = complement((expected.start, expected.end), 100, 5_200)
        assert all(np.array_equal(a, b) for a, b in zip(left.gaps(100, 5_200), wanted, strict=True))
        trains = [np.sort(random.exponential(size=int(size))) for size in random.integers(2, 40, 3)]
        count = np.array([train.size for train in trains])
        for p in (10.0, 90.0):
            of_each = _percentile(np.concatenate(trains), p, np.cumsum(count) - count, count)
            assert of_each == pytest.approx([np.percentile(train, p) for train in trains])

    # And the whole search by it names the same candidates.
    grid = replace(SMALL, gateway_distances_km=(600.0,), arcs_deg=(10.0, 15.0))
    asked = PLOVER, View(SITE), QUARTER_DAY, FreezeRanges((180.0, 400.0), (5.0, 60.0))
    found = match_symptom(*asked, grid=grid, top=20)

    def plainly(trials: Trials, setting: Setting) -> Pieces:
        allowed = trials.known
        for part in setting.parts():
            allowed = intersection_by_group(allowed, trials._allowed[part].grouped(trials.known))
        return Pieces.of_each([allowed], trials.known)[0]

    def gaps(pieces: Pieces, low: int, high: int) -> Intervals:
        real = pieces.end > pieces.start
        return complement((pieces.start[real], pieces.end[real]), low, high)

    monkeypatch.setattr(Trials, "_pieces", plainly)
    monkeypatch.setattr(Pieces, "gaps", gaps)
    again = match_symptom(*asked, grid=grid, top=20)
    assert len(found.candidates) > 3
    assert found.tried == again.tried
    for one, two in zip(found.candidates, again.candidates, strict=True):
        assert (one.setting, one.fit) == (two.setting, two.fit)
        assert all(np.array_equal(a, b) for a, b in zip(one.freezes, two.freezes, strict=True))


def test_many_settings_are_judged_as_each_alone() -> None:
    """Trains without any freeze, with too few, and with freezes in hours stated and in hours stated as quiet."""
    random = np.random.default_rng(8)
    stated = FreezeRanges(
        (60.0, 900.0), (5.0, 45.0), (DailyHours.parse("02:00-20:00"),), (DailyHours.parse("21:00-23:00"),)
    )
    trains = []
    for count in (0, 1, 2, 3, 4, 60, 0, 120, 200, 400):
        start = DAY.start_us + np.sort(random.choice(86_400, count, replace=False)) * 1_000_000
        end = start + random.integers(200_000, 60_000_000, count)
        trains.append(union((start, end)))
    sizes = [(k % 3 + 1, k % 4 + 1) for k in range(len(trains))]
    judge = RangeJudge(stated, DAY, SITE.timezone)
    together = judge.judge_each(trains, sizes)
    alone = [judge.judge(train, *size) for train, size in zip(trains, sizes, strict=True)]
    assert [one.parts for one in together] == [pytest.approx(one.parts) for one in alone]
    assert [one.rank for one in together] == pytest.approx([one.rank for one in alone])
    assert sum(one.fit > 0.0 for one in together) >= 3
    assert sum(0.0 < one.parts["quiet"] < 1.0 for one in together) >= 3
