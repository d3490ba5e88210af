"""What a terminal loses at handovers is one limit among the others, the same in every answer."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from passim import Fleet, Horizon, InputError, Site, Span
from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.kinds import VIDEO
from passim.answers.sites.compare import compare_sites
from passim.answers.sites.horizon_cost import what_if_horizon
from passim.answers.sites.mounting import compare_spots
from passim.coverage import POLICIES, Service, serve
from passim.coverage.causes import causes_of
from passim.coverage.visibility import Visibility, find_visibilities, find_visibility
from passim.elements.patterns import walker
from passim.forecast.odds_events import simulate
from passim.forecast.timing import TimingModel
from passim.intervals import Intervals, intersection
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.view import View
from passim_apps.text.limits import descriptions
from passim_apps.text.service import service_words

START = datetime(2026, 3, 1, tzinfo=UTC)
SPAN = Span.starting(START, hours=2)
PLACE = Site("Marram", 45.0, -28.0, 40.0, "Atlantic/Azores", Horizon.flat(25.0))
GATEWAY = GatewayLimit((Gateway("South", 39.604, -28.0, 0.0, Horizon.flat(25.0)),))
SLOW = Service("keep-then-highest", 15.0, 4.0, 2.0)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return walker(
        total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=START, name="invented"
    )


def seen(fleet: Fleet, view: View, span: Span = SPAN) -> Visibility:
    return find_visibility(fleet, view, span)


@pytest.mark.parametrize("policy", POLICIES)
def test_gaps_are_the_freezes_of_the_terminal(fleet: Fleet, policy: str) -> None:
    for clock_s, acquisition_s in ((15.0, 0.0), (None, 3.0), (15.0, 3.0)):
        service = Service(policy, clock_s, 0.0, acquisition_s)  # type: ignore[arg-type]
        found = seen(fleet, View(PLACE, (GATEWAY,), service=service))
        frozen = serve(found.candidates(), SPAN, service, found.look).frozen()
        gaps = found.coverage().gap_intervals
        assert gaps.start.tolist() == frozen.start.tolist()
        assert gaps.end.tolist() == frozen.end.tolist()
        sky = found.coverage(("handover",)).gap_intervals
        assert len(sky.start) < len(gaps.start)


def test_what_lifting_a_limit_regains_is_the_difference_of_two_answers(fleet: Fleet) -> None:
    """A roof line that costs minutes may not be called innocent because a wait for the clock ends in its gaps."""
    roof = replace(PLACE, horizon=Horizon.from_points([(20, 25), (40, 45), (140, 45), (160, 25)]))
    view = View(roof, (GATEWAY,), lowest_elevation_deg=25.0, service=SLOW)
    causes = causes_of(seen(fleet, view))
    table = causes.seconds_by_cause().set_index("limit")["given_back_s"]
    out_s = float(causes.gap_us.sum()) / 1e6
    for name in ("horizon", "gateway", "handover"):
        lifted = seen(fleet, view.without(name)).coverage().gap_intervals
        assert table[name] == pytest.approx(out_s - float((lifted.end - lifted.start).sum()) / 1e6, abs=0.01)
    assert table["horizon"] > 60.0


def test_a_terminal_that_loses_nothing_has_no_handovers_to_lift(fleet: Fleet) -> None:
    view = View(PLACE, (GATEWAY,), service=Service("highest"))
    found = seen(fleet, view)
    assert view.names == ("horizon", "gateway") == tuple(found.allowed)
    assert all(np.array_equal(a, b) for a, b in zip(found.joint(), found.candidates(), strict=True))
    with pytest.raises(InputError, match="limit to lift; got 'handover'"):
        view.without("handover")


def test_lifting_handovers_keeps_the_policy(fleet: Fleet) -> None:
    view = View(PLACE, (GATEWAY,), service=SLOW)
    assert view.names == ("horizon", "gateway", "handover")
    assert descriptions(view)["handover"] == service_words(SLOW)
    lifted = view.without("handover")
    assert lifted.service == Service("keep-then-highest")
    assert lifted.names == ("horizon", "gateway")


def test_handovers_are_a_cause_of_their_own(fleet: Fleet) -> None:
    open_sky = causes_of(seen(fleet, View(PLACE, service=SLOW)))
    table = open_sky.table
    assert len(table) > 20
    assert set(table["cause"]) == {"handover"}
    assert open_sky.seconds_by_cause().set_index("limit")["gaps_closed"]["handover"] == len(table)

    # A gap of the gateway that ends in a wait needs both; one without a wait the gateway alone.
    view = View(PLACE, (GATEWAY,), service=SLOW)
    both = causes_of(seen(fleet, view))
    causes = set(both.table["cause"])
    assert {"handover", "gateway with handover"} <= causes <= {"handover", "gateway", "gateway with handover"}
    alone = dict(zip(both.limits, both.single_us.sum(axis=1) / 1e6, strict=True))
    assert alone["gateway"] + alone["handover"] == pytest.approx(both.gap_us.sum() / 1e6, abs=1e-5)
    plain = seen(fleet, replace(view, service=Service())).coverage()
    assert alone["gateway"] == pytest.approx(plain.gaps()["duration_s"].sum(), abs=1e-5)


def test_sites_spots_and_another_horizon_count_them(fleet: Fleet) -> None:
    view = View(PLACE, (GATEWAY,), service=SLOW)
    found = seen(fleet, view)
    gaps = found.coverage().gaps()
    row = compare_sites(fleet, [view], SPAN).table.iloc[0]
    assert (row["gap_count"], row["gap_longest_s"]) == (len(gaps), gaps["duration_s"].max())
    spots = compare_spots(fleet, [("here", view), ("same", view)], SPAN).table
    assert spots["gap_count"].tolist() == [len(gaps)] * 2
    what_if = what_if_horizon(found, Horizon.flat(25.0))
    assert (what_if.gap_count_before, what_if.gap_count_after) == (len(gaps), len(gaps))
    higher = Horizon.flat(35.0)
    what_if = what_if_horizon(found, higher)
    anew = seen(fleet, replace(view, site=replace(PLACE, horizon=higher), lowest_elevation_deg=25.0)).coverage()
    assert what_if.gap_s_after == pytest.approx(anew.gaps()["duration_s"].sum(), abs=0.01)


@pytest.mark.parametrize("policy", POLICIES)
def test_futures_without_errors_freeze_as_predicted(fleet: Fleet, policy: str) -> None:
    """With no timing error every drawn future is the prediction; "highest" may choose otherwise at equal heights."""
    for clock_s, acquisition_s in ((15.0, 0.0), (None, 3.0), (15.0, 3.0)):
        service = Service(policy, clock_s, 0.0, acquisition_s)  # type: ignore[arg-type]
        found = seen(fleet, View(PLACE, (GATEWAY,), service=service), searched_span(SPAN))
        forecast = ServiceForecast.of(found, SPAN, TimingModel.steady(0.0))
        frozen = serve(found.candidates(), SPAN, service, found.look).frozen()
        start_us, end_us = forecast.gaps_us()
        assert (start_us.tolist(), end_us.tolist()) == (frozen.start.tolist(), frozen.end.tolist())
        drawn = simulate(
            found.candidates(), found.fleet.epochs.astype("datetime64[us]").astype(np.int64), SPAN,
            TimingModel.steady(0.0), runs=3, searched=found.span, service=service, look=found.look,
        )  # fmt: skip
        if policy != "highest":
            assert drawn.start_us.tolist() == frozen.start.tolist() * 3
            assert drawn.end_us.tolist() == frozen.end.tolist() * 3
        else:
            assert drawn.expected_gap_s == pytest.approx(float((frozen.end - frozen.start).sum()) / 1e6, rel=0.03)


def test_drawn_futures_are_those_of_a_terminal_served_one_by_one(fleet: Fleet) -> None:
    """One run, its satellites moved by hand by what was drawn, and served as any prediction is."""
    service = Service("keep-then-longest", 15.0, 3.0, 2.0)
    found = seen(fleet, View(PLACE, (GATEWAY,), service=service), searched_span(SPAN))
    epochs_us = found.fleet.epochs.astype("datetime64[us]").astype(np.int64)
    model = TimingModel.steady(4.0)
    drawn = simulate(
        found.candidates(),
        epochs_us,
        SPAN,
        model,
        runs=2,
        seed=5,
        searched=found.span,
        service=service,
        look=found.look,
    )
    own = np.random.default_rng(np.random.SeedSequence(5).spawn(3)[0])
    # Every satellite of the fleet has its draw, whether it occurs in the span or not.
    shift_us = 4e6 * own.standard_normal((2, epochs_us.size))[0]
    satellite, start, end = found.candidates()
    late = np.array([round(shift_us[k]) for k in satellite.tolist()])
    cut_start, cut_end = start <= found.span.start_us, end >= found.span.end_us
    moved = (satellite, np.where(cut_start, start, start + late), np.where(cut_end, end, end + late))
    frozen = serve(moved, SPAN, service, found.look).frozen()
    mine = drawn.run == 0
    assert len(frozen.start) == mine.sum() > 10
    assert np.abs(drawn.start_us[mine] - frozen.start).max() <= 2
    assert np.abs(drawn.end_us[mine] - frozen.end).max() <= 2


def test_odds_of_a_minute_count_the_futures(fleet: Fleet) -> None:
    view = View(PLACE, service=Service(acquisition_s=4.0))
    found = seen(fleet, view, searched_span(SPAN))
    forecast = ServiceForecast.of(found, SPAN, TimingModel.steady(0.0))
    first_us, last_us = (int(edges[1]) for edges in forecast.gaps_us())
    inside = Span.starting(datetime.fromtimestamp((first_us + last_us) / 2e6, UTC), hours=0.001 / 3600.0)
    assert forecast.odds(inside, step_s=0.001).no_service.tolist() == [1.0]


def _within_a_millisecond(one: Intervals, other: Intervals) -> bool:
    """Searches over different spans follow different arcs, which agree within a millisecond."""
    edges = [np.concatenate(pair) for pair in (one, other)]
    return edges[0].size == edges[1].size and bool(np.all(np.abs(edges[0] - edges[1]) < 1000))


def test_an_hour_asked_alone_has_the_freezes_of_the_day(fleet: Fleet) -> None:
    """Which satellite is in use follows from 00:00 UTC on, whatever the span: an open sky forgets nothing for hours."""
    day, hour = Span.starting(START, hours=12.5), Span.starting(START + timedelta(hours=11.3), hours=1)
    for limits in ((), (GATEWAY,)):
        views = [
            View(PLACE, limits, service=Service(policy, clock_s, offset_s, acquisition_s))
            for policy in POLICIES
            for clock_s, offset_s, acquisition_s in ((15.0, 4.0, 1.0), (None, 0.0, 3.0), (7.0, 0.0, 3.0))
        ]
        whole_day, alone = (find_visibilities(fleet, views, span) for span in (day, hour))
        for of_day, of_hour in zip(whole_day, alone, strict=True):
            found = of_day.coverage().gap_intervals
            expected = intersection(found, ([hour.start_us], [hour.end_us]))
            assert expected.start.size > 0
            assert _within_a_millisecond(of_hour.coverage().gap_intervals, expected), of_day.view.service
            # And so has a forecast, with the satellites that come late into its span.
            forecast = ServiceForecast.of(seen(fleet, of_hour.view, searched_span(hour)), hour)
            assert _within_a_millisecond(Intervals(*forecast.gaps_us()), expected)


@pytest.mark.parametrize("policy", POLICIES)
def test_days_asked_together_have_the_freezes_of_each(fleet: Fleet, policy: str) -> None:
    """Over midnight of UTC, with a clock whose moments leave it out."""
    service = Service(policy, 7.0, 3.0, 4.0)  # type: ignore[arg-type]
    midnight = START + timedelta(hours=24)
    view = View(PLACE, (GATEWAY,), service=service)
    both, later = Span(midnight - timedelta(hours=1), midnight + timedelta(hours=1)), Span.starting(midnight, hours=1)
    together = seen(fleet, view, both).coverage().gap_intervals
    alone = seen(fleet, view, later).coverage().gap_intervals
    assert seen(fleet, view, later).in_use is None
    assert _within_a_millisecond(alone, intersection(together, ([later.start_us], [later.end_us])))
    # Drawn futures, too, start afresh at midnight.
    found = seen(fleet, view, searched_span(both))
    forecast = ServiceForecast.of(found, both, TimingModel.steady(0.0))
    drawn = forecast.futures(VIDEO, runs=2)
    if policy != "highest":
        assert drawn.start_us.tolist() == forecast.gaps_us()[0].tolist() * 2
    assert drawn.expected_gap_s == pytest.approx(np.subtract(*forecast.gaps_us()[::-1]).sum() / 1e6, rel=0.03)
