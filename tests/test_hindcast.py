"""A hindcast finds the timing errors that were put into an invented pair of snapshots, and says what they cost."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

import passim
from passim.forecast.hindcast import FORECASTS, Hindcast, Snapshots, score_snapshots
from passim.forecast.hindcast_fit import by_age, fitted_model, pass_errors
from passim.forecast.timing import TimingModel
from passim.intervals import GroupedIntervals
from passim.sky.limits import Excluded
from passim.sky.view import View
from passim_apps.text.hindcast import hindcast_sentences
from snapshots import older_snapshot

EPOCH = datetime(2026, 11, 25, 12, tzinfo=UTC)
VIEW = View(passim.Site("invented", 45.0, -28.0, 40.0, "Atlantic/Azores", passim.Horizon.flat(25.0)))
NORMAL = NormalDist()
SHARED_S, SIGMA_S = 3.0, 8.0
MOVED = np.array([5, 17, 33, 50, 71, 88])


@pytest.fixture(scope="module")
def newer() -> passim.Fleet:
    return passim.walker(
        total=96, planes=12, phasing=5, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="invented"
    )


@pytest.fixture(scope="module")
def late_s() -> np.ndarray:
    """What is put in: an error that all share, one of each satellite's own, and six satellites that have moved."""
    generator = np.random.Generator(np.random.PCG64(4))
    late_s = SHARED_S + generator.normal(0.0, SIGMA_S, 96)
    late_s[MOVED] = [60.0, -75.0, 140.0, -90.0, 200.0, -55.0]
    return late_s


@pytest.fixture(scope="module")
def found(newer: passim.Fleet, late_s: np.ndarray) -> Hindcast:
    return score_snapshots(Snapshots(older_snapshot(newer, 18.0, late_s), newer), VIEW, allow_stale=True, step_s=5.0)


def test_each_satellite_comes_as_late_as_was_put_in(found: Hindcast, late_s: np.ndarray) -> None:
    # While a satellite is late the Earth turns on, at a fifteenth of its rate, so that its passes move by up to so much
    # more or less than it does itself.
    satellites = found.satellites
    assert len(satellites) == 96
    assert np.allclose(satellites["late_s"], late_s, rtol=0.08, atol=0.02)
    assert np.allclose(satellites["late_s"], 0.5 * (satellites["rise_late_s"] + satellites["set_late_s"]), atol=8.0)
    assert satellites["age_s"].to_numpy() == pytest.approx(18.0 * 86400.0)
    assert np.all(satellites["paired"] == satellites["passes"])


def test_spread_shared_error_and_those_that_moved_are_recovered(found: Hindcast, late_s: np.ndarray) -> None:
    (row,) = found.ages.to_dict("records")
    rest = np.delete(late_s, MOVED)
    assert row["sigma_s"] == pytest.approx(rest.std(), rel=0.25)
    assert row["sigma_s"] == pytest.approx(SIGMA_S, rel=0.25)
    assert row["shared_s"] == pytest.approx(np.median(rest), abs=0.5)
    assert np.flatnonzero(found.satellites["moved"]).tolist() == MOVED.tolist()
    assert (row["moved"], row["lost"], row["satellites"]) == (6, 0, 96)
    assert row["moved_share"] == 6 / 96


def test_the_fitted_model_has_that_spread_at_that_age(found: Hindcast) -> None:
    fitted, age_s = found.fitted, 18.0 * 86400.0
    assert float(fitted.sigma_s(age_s)) == pytest.approx(found.ages["sigma_s"].item(), rel=1e-9)
    assert fitted.at_epoch_s == found.model.at_epoch_s
    assert fitted.per_day_s / fitted.per_day2_s == pytest.approx(found.model.per_day_s / found.model.per_day2_s)
    assert float(fitted.manoeuvre_share(age_s)) == pytest.approx(6 / 96)
    # Half of those that moved were off by 82 s or less; a normal spread with that median is 82 * 1.4826.
    assert float(fitted.tail_sigma_s(age_s)) == pytest.approx(82.5 * 1.4826, rel=0.15)


def test_scores_are_ordered_as_they_must_be(found: Hindcast) -> None:
    scores = found.scores.set_index("forecast")
    assert tuple(scores.index) == FORECASTS
    brier = scores["brier"]
    assert brier["odds, fitted"] < brier["odds"]
    assert brier["odds, fitted"] < brier["yes or no"] < brier["climatology"]
    assert scores.loc["climatology", "skill"] == 0.0
    added = scores["reliability"] - scores["resolution"] + scores["uncertainty"] + scores["within_bins"]
    assert np.allclose(added, brier, atol=1e-12)
    assert scores.loc["odds, fitted", "reliability"] < 0.2 * scores.loc["odds", "reliability"]
    # Two days say nothing of how skill varies from day to day.
    assert scores[["skill_low", "skill_high"]].isna().all(axis=None)


def test_the_pair_is_told_of(found: Hindcast) -> None:
    (pair,) = found.pairs
    assert pair.in_both == 96
    assert pair.freshness.band.name == "refuse"
    assert pair.newer_age_s == 0.0
    assert pair.out_forecast == pytest.approx(pair.out_came, abs=0.02)
    assert 0 < pair.gaps.hits <= min(pair.gaps.forecast_count, pair.gaps.came_count)
    text = " ".join(hindcast_sentences(found))
    assert "Elements of 96 objects, 18 days old at the middle of the span" in text
    assert "as after a manoeuvre: 6 (6 %)." in text
    assert "So few ages cannot tell the terms of the model apart" in text


def test_gaps_that_came_a_little_off_are_not_said_to_be_missing(newer: passim.Fleet) -> None:
    # Two days old, every satellite off by 6 s one way or the other: half again the tolerance of the stated model.
    late_s = 6.0 * np.where(np.arange(96) % 2, 1.0, -1.0)
    found = score_snapshots(Snapshots(older_snapshot(newer, 2.0, late_s), newer, hours=24.0), VIEW, step_s=60.0)
    (pair,) = found.pairs
    # Older and newer elements: 2 * sqrt(sigma(2 d)^2 + sigma(0)^2), the errors of both ends of the comparison.
    expected = 2.0 * np.hypot(*TimingModel().total_sigma_s([2 * 86400.0, pair.newer_age_s]))
    assert pair.gaps.tolerance_s == pytest.approx(expected, rel=1e-3)
    assert 2.5 < pair.gaps.tolerance_s < 4.0
    assert pair.gaps.hits < 0.2 * pair.gaps.forecast_count
    assert pair.further_off_s.size > 0.8 * pair.gaps.forecast_count
    assert pair.further_off_median_s == pytest.approx(6.0, abs=0.7)
    sentence = next(text for text in hindcast_sentences(found) if "gaps forecast" in text)
    left = pair.gaps.forecast_count - pair.gaps.hits - pair.further_off_s.size
    assert f"; {pair.further_off_s.size} came further off, " in sentence
    assert f"; {left} did not come. Of {pair.gaps.came_count} that came," in sentence


def test_what_luck_alone_would_match_is_told_where_it_matters(found: Hindcast) -> None:
    # At 18 days the tolerance is over a minute: even a forecast moved by some hours has a good part of them.
    (pair,) = found.pairs
    assert pair.gaps.tolerance_s > 60.0
    assert pair.by_chance > 0.2 * pair.gaps.hits
    assert pair.further_off_s.size == 0
    assert f"({pair.by_chance:.0f} would by luck)" in " ".join(hindcast_sentences(found))


def test_a_perfect_forecast_scores_so(newer: passim.Fleet) -> None:
    found = score_snapshots(Snapshots(older_snapshot(newer, 1.0, np.zeros(96)), newer, hours=24.0), VIEW, step_s=10.0)
    assert np.abs(found.satellites["late_s"]).max() < 0.02
    assert found.scores["brier"][0] < 1e-3
    assert found.pairs[0].gaps.hits == found.pairs[0].gaps.came_count > 10


def test_three_ages_tell_the_terms_apart(newer: passim.Fleet) -> None:
    model, generator = TimingModel(), np.random.Generator(np.random.PCG64(8))
    pairs = []
    for days in (0.6, 1.5, 4.0, 8.0):
        # Ninety-six evenly spread normal values have that spread exactly, whatever their order.
        steps = np.array([NORMAL.inv_cdf((k + 0.5) / 96) for k in range(96)])
        late_s = float(model.sigma_s(days * 86400.0)) * generator.permutation(steps)
        pairs.append(Snapshots(older_snapshot(newer, days, late_s), newer, hours=24.0))
    found = score_snapshots(pairs, VIEW, step_s=60.0)
    assert len(found.ages) == 4
    assert "Timing errors at 4 ages give" in " ".join(hindcast_sentences(found))
    for days in (0.6, 1.5, 4.0, 8.0):
        assert float(found.fitted.sigma_s(days * 86400.0)) == pytest.approx(
            float(model.sigma_s(days * 86400.0)), rel=0.12
        )
    assert len(found.pairs) == 4
    assert "Pair 4: elements of 96 objects" in " ".join(hindcast_sentences(found))


def test_objects_in_one_snapshot_alone_and_other_orders_do_no_harm(newer: passim.Fleet, late_s: np.ndarray) -> None:
    older = older_snapshot(newer, 2.0, late_s)
    shuffled = older.select(np.random.Generator(np.random.PCG64(1)).permutation(96)[:60])
    found = score_snapshots(Snapshots(shuffled, newer.select(range(90)), hours=24.0), VIEW, step_s=60.0)
    (pair,) = found.pairs
    kept = set(shuffled.satellite_ids)
    assert pair.in_both == len(kept & set(newer.satellite_ids[:90]))
    assert set(pair.only_older) == kept & set(newer.satellite_ids[90:])
    assert len(pair.only_newer) == 90 - pair.in_both
    number = {text: index for index, text in enumerate(newer.satellite_ids)}
    expected = late_s[[number[text] for text in found.satellites["satellite_id"]]]
    assert np.allclose(found.satellites["late_s"], expected, rtol=0.08, atol=0.02)


def test_objects_that_do_not_serve_are_not_counted(newer: passim.Fleet, late_s: np.ndarray) -> None:
    # Stands in for the serving filter: what counts is the limit's name.
    view = replace(VIEW, limits=(replace(Excluded.of(newer.satellite_ids[:20]), name="serving"),))
    found = score_snapshots(Snapshots(older_snapshot(newer, 2.0, late_s), newer, hours=24.0), view, step_s=60.0)
    assert set(found.satellites["satellite_id"]) == set(newer.satellite_ids[20:])


def test_a_satellite_that_cannot_be_followed_is_lost() -> None:
    span = passim.Span.starting(EPOCH, hours=24)
    at = np.array([2, 8, 14, 20], dtype=np.int64) * 3_600_000_000 + span.start_us
    satellite = np.repeat([0, 1, 2], 4)
    came = GroupedIntervals(satellite, np.tile(at, 3), np.tile(at, 3) + 240_000_000)
    off_s = np.array([10, 10, 10, 10, 3000, 10, 4000, 9000, 0, 400, 800, 1200])
    off_us = off_s * 1_000_000
    forecast = GroupedIntervals(satellite, came.start - off_us, came.end - off_us)
    found = pass_errors(forecast, came, span, 4, 1400.0)
    assert found.passes.tolist() == [4, 4, 4, 0]
    assert found.paired.tolist() == [4, 1, 4, 0]
    # The second has one partner of four, the passes of the third disagree by 20 min, the fourth has none.
    assert found.late_s == pytest.approx([10.0, np.nan, np.nan, np.nan], nan_ok=True)


def test_too_few_satellites_of_an_age_have_no_spread() -> None:
    table = pd.DataFrame({"pair": 1, "age_s": [9e4] * 4 + [9e5] * 6, "late_s": [1.0, 2.0, 3.0, np.nan, *range(6)]})
    ages, moved = by_age(table, TimingModel())
    assert ages["satellites"].tolist() == [4, 6]
    assert ages["lost"].tolist() == [1, 0]
    assert np.isnan(ages["sigma_s"][0])
    assert ages["sigma_s"][1] == pytest.approx(1.4826 * 1.5)
    assert moved.tolist() == [False] * 3 + [True] + [False] * 6


def test_a_model_without_manoeuvres_takes_the_share_of_those_that_moved_from_the_usual_one() -> None:
    """By hand: at 24 h the usual model expects 12 in 100 to have moved; 24 in 100 did, so all its shares double."""
    satellites = pd.DataFrame(
        {"age_s": 86400.0, "moved": [True] * 24 + [False] * 76, "late_s": np.nan, "shared_s": 0.0}
    )
    ages = pd.DataFrame(
        {"age_low_days": [0.5], "age_s": [86400.0], "sigma_s": [0.7], "shared_s": [0.03], "satellites": [76]}
    )
    fitted, _ = fitted_model(satellites, ages, TimingModel(manoeuvre_shares=()))
    assert [share for _, share in fitted.manoeuvre_shares] == pytest.approx([0.18, 0.24, 0.44, 0.70])


def test_the_oldest_ages_have_no_upper_end() -> None:
    """91 and 93 days: the last edge that the module states is 92."""
    table = pd.DataFrame({"pair": 1, "age_s": [91 * 86400.0, 93 * 86400.0], "late_s": [1.0, 2.0]})
    ages, _ = by_age(table, TimingModel())
    assert ages[["age_low_days", "age_high_days"]].to_numpy().tolist() == [[46.0, 92.0], [92.0, np.inf]]


@pytest.mark.parametrize(
    ("days", "change", "words"),
    [
        (18.0, {}, r"older elements too old .*a median age of 18 days.*at most 14 days.*allow_stale=True"),
        (-2.0, {}, r"order of the snapshots; .*wanted the older first; try exchanging the two"),
        (2.0, {"span": passim.Span.starting(datetime(2026, 11, 30, tzinfo=UTC))}, r"newer elements, .*5 days at"),
        (2.0, {"hours": 0.0}, r"length of the span; got '0.0 hours'"),
    ],
)
def test_pairs_that_cannot_be_scored_are_refused(
    days: float, change: dict[str, object], words: str, newer: passim.Fleet
) -> None:
    pair = Snapshots(older_snapshot(newer, days, np.zeros(96)), newer, **change)
    with pytest.raises(passim.InputError, match=words):
        score_snapshots(pair, VIEW)


def test_other_fleets_and_too_few_objects_are_refused(newer: passim.Fleet) -> None:
    other = passim.walker(
        total=4, planes=2, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, first_satellite_id=7
    )
    with pytest.raises(passim.ElementsError, match="96 and 4 objects, none in both"):
        score_snapshots(Snapshots(newer, other), VIEW)
    few = newer.select(range(3))
    with pytest.raises(passim.ElementsError, match="objects to compare; got '3 with passes in both snapshots'"):
        score_snapshots(Snapshots(older_snapshot(few, 1.0, np.zeros(3)), few), VIEW, step_s=60.0)
    with pytest.raises(passim.InputError, match="pairs of snapshots; got 'none'"):
        score_snapshots([], VIEW)


def test_a_sky_that_never_changes_says_so(newer: passim.Fleet) -> None:
    high = replace(VIEW, site=replace(VIEW.site, horizon=passim.Horizon.flat(89.9)), lowest_elevation_deg=25.0)
    older = older_snapshot(newer, 1.0, np.zeros(96))
    found = score_snapshots(Snapshots(older, newer, passim.Span.starting(EPOCH, hours=1.0)), high, step_s=10.0)
    assert "Service never changed in the span" in hindcast_sentences(found)[-1]
    assert found.scores["skill"].isna().all()
