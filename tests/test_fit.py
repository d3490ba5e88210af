"""What a record of the line teaches, on simulated lines whose truth is known."""

from __future__ import annotations

import gc
import json
import tracemalloc
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from commands import run as passim
from passim import ArcKeepOut, Cone, GatewayLimit, Horizon, InputError, Span, View, Workspace, find_visibility, fit_line
from passim.answers.symptom.discriminate import observations, traits_of
from passim.answers.symptom.settings import GatewayPlace, Setting
from passim.intervals import Intervals, complement, difference, total_length
from passim.line import LineFit, LineRecord
from passim.line.fitting.as_set_up import AsSetUp, as_set_up
from passim.line.fitting.evidence import Evidence
from passim.line.fitting.settings import LineSetting, Sector, moved
from passim.line.fitting.tracks import Tracks
from passim.line.phase import clock_phase, find_clock
from passim.sky.ground import MEAN_EARTH_RADIUS_KM
from passim.workspace.saving import differences
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.file_changes import taken_back
from passim_apps.dashboard.pages.measured import fitting
from passim_apps.dashboard.pages.measured.page import asked_of
from passim_apps.dashboard.state import DashboardState, Pending
from passim_apps.text.answer import plain_rows
from passim_apps.text.fit import OFFER, fit_lines, fit_sentences, names_apart, nothing_to_change
from passim_apps.text.symptom import observation_sentence
from passim_apps.text.units import share
from patience import PATIENCE_S
from tests.scenario import MARRAM_LOFT, NORTH, SOUTH, plover, view_of
from tests.simulated_line import recorded, school_with_another_gateway

EPOCH = datetime(2026, 3, 2, tzinfo=UTC)
MORNING = Span.starting(EPOCH, hours=8)
SHORT = Span.starting(EPOCH, hours=4)
FLEET = plover(EPOCH)
VIEW = view_of(MARRAM_LOFT)


def line(view: View, *, seed: int = 1, offset_s: float = 7.4, span: Span = MORNING) -> LineRecord:
    """Return the record of a line that follows a view: 2 % of packets lost, a hole, the house out twice."""
    gaps = find_visibility(FLEET, view, span).coverage().gaps()
    return recorded(
        gaps, span, seed=seed, offset_s=offset_s, loss=0.02, holes=[(7000.0, 8000.0)],
        house=[(12000.0, 12060.0), (15000.0, 15020.0)],
    )  # fmt: skip


@pytest.fixture(scope="module")
def behind_a_gateway() -> LineFit:
    """A mask of 31 and the gateway South; neither value stands on the grid of the search's first round."""
    truth = View(replace(MARRAM_LOFT, horizon=Horizon.flat(31.3)), VIEW.limits)
    return fit_line(FLEET, VIEW, line(truth), draws=60)


def value(fit: LineFit, setting: str) -> pd.Series:
    return fit.settings.set_index("setting").loc[setting]


def test_mask_gateway_and_clock_offset_come_back(behind_a_gateway: LineFit) -> None:
    fit = behind_a_gateway
    assert fit.evidence == "strong"
    assert set(fit.setting.kinds) == {"mask", "gateway"}
    mask, offset = value(fit, "mask_deg"), value(fit, "clock_offset_s")
    assert mask["value"] == pytest.approx(31.3, abs=1.0)
    assert mask["low"] <= 31.3 <= mask["high"]
    assert mask["as_set_up"] == 25.0
    assert bool(mask["told_apart"])
    assert offset["value"] == pytest.approx(7.4, abs=0.5)
    assert offset["low"] <= offset["value"] <= offset["high"]
    north = value(fit, "gateway_latitude_deg")["value"] - 39.6
    east = (value(fit, "gateway_longitude_deg")["value"] + 28.0) * np.cos(np.radians(39.6))
    assert np.radians(np.hypot(north, east)) * MEAN_EARTH_RADIUS_KM < 60.0
    # Nothing but packets lost at random freezes otherwise.
    assert fit.floor < 0.005
    assert fit.explained_s > 0.95 * fit.frozen_s > 5.0 * fit.explained_by_luck_s
    assert fit.held_out_gain > 20.0
    assert fit.chance <= 0.01
    assert fit.gateway() is not None
    assert "gateway_latitude_deg 39.6" in repr(fit)


def test_a_setup_that_does_as_well_is_left_alone_and_one_that_does_not_is_told(behind_a_gateway: LineFit) -> None:
    now = behind_a_gateway.as_set_up
    # The truth has a mask of 31.3, the view that was asked about 25: the same gateway, and fewer freezes.
    assert now is not None
    assert not now.does_as_well
    assert 0.0 < now.explained_s < 0.9 * behind_a_gateway.explained_s
    told = " ".join(fit_sentences(behind_a_gateway))
    assert "; --write puts what was found in its place." in told
    assert "A record cannot tell what ends service at 31°" in told
    assert "nothing needs changing" not in told
    # Asked about as it is, the view does as well as what is found.
    truth = View(replace(MARRAM_LOFT, horizon=Horizon.flat(31.3)), VIEW.limits, service=VIEW.service)
    evidence = Evidence.of(line(truth), MORNING)
    right = as_set_up(FLEET, truth, evidence, behind_a_gateway.held_out_gain)
    assert right.does_as_well
    assert right.explained_s > now.explained_s
    left_alone = fit_sentences(replace(behind_a_gateway, as_set_up=right))
    assert nothing_to_change(replace(behind_a_gateway, as_set_up=right))
    assert (
        f"Your setup foretells {share(right.explained_s / behind_a_gateway.frozen_s)} of it as it is: nothing"
        in (left_alone[1])
    )
    # Nobody's gateway: seen by no satellite together with the site.
    never = View(MARRAM_LOFT, (GatewayLimit((GatewayPlace(9000.0, 180.0).gateway(MARRAM_LOFT),)),))
    assert as_set_up(FLEET, never, evidence, 1.0) == AsSetUp(0.0, 0.0, 0.0, False)


def test_what_stands_where_it_was_found_keeps_its_name_and_no_time_to_acquire_is_taken_away(
    behind_a_gateway: LineFit,
) -> None:
    taken = behind_a_gateway.as_assumption(VIEW, "sites.Marram", "sites.Marram.spots.loft")
    assert taken["gateway"] is None
    assert "sites.Marram.gateways" not in taken["values"]
    assert "terminal.acquisition_s" not in taken["values"]
    assert taken["values"]["terminal.lowest_elevation_deg"] == pytest.approx(31.3, abs=0.5)
    # One of two is named, one elsewhere replaced by what was found.
    two = View(MARRAM_LOFT, (GatewayLimit((SOUTH, NORTH)),))
    named = behind_a_gateway.as_assumption(two, "sites.Marram")
    assert (named["gateway"], named["values"]["sites.Marram.gateways"]) == (None, ["South"])
    elsewhere = behind_a_gateway.as_assumption(View(MARRAM_LOFT, (GatewayLimit((NORTH,)),)), "sites.Marram")
    assert elsewhere["gateway"].name == "fitted"
    assert elsewhere["values"]["sites.Marram.gateways"] == ["fitted"]


def test_what_else_was_tried_is_told_with_what_would_tell_it_apart(behind_a_gateway: LineFit) -> None:
    rival = next(each for each in behind_a_gateway.rivals if each.setting.kinds == ("mask",))
    assert rival.apart
    assert rival.lacks == ("gateway",)
    assert rival.behind > rival.behind_error
    assert rival.observation is not None
    names = names_apart(behind_a_gateway.setting.kinds, rival.setting.kinds)
    told = observation_sentence(rival.observation, behind_a_gateway.site.timezone, names)
    assert told.startswith("The gateway against the lowest elevation alone: ")
    assert "andidate" not in told


def test_a_mask_and_an_upright_cone_look_alike_and_that_is_said(behind_a_gateway: LineFit) -> None:
    """No satellite below 31 degrees, or none farther than 59 from the zenith: these are the same satellites."""
    upright = View(MARRAM_LOFT, (*VIEW.limits, Cone(0.0, 0.0, 58.7)))
    masked = View(replace(MARRAM_LOFT, horizon=Horizon.flat(31.3)), VIEW.limits)
    one, other = (find_visibility(FLEET, view, SHORT).coverage().gaps() for view in (upright, masked))
    pd.testing.assert_frame_equal(one[["start", "end"]], other[["start", "end"]])
    told = " ".join(fit_sentences(behind_a_gateway))
    assert "A record cannot tell what ends service at 31°: a roof line as high all round" in told
    assert "an antenna cone of 59° that points straight up" in told
    # Of what is as it was set up there is nothing to look for.
    same = behind_a_gateway.settings.assign(as_set_up=behind_a_gateway.settings["value"])
    assert "cannot tell" not in " ".join(fit_sentences(replace(behind_a_gateway, settings=same)))


def test_a_keep_out_around_the_arc_is_not_taken_for_a_gateway_on_its_other_side() -> None:
    truth = View(replace(MARRAM_LOFT, horizon=Horizon.flat(31.3)), (ArcKeepOut(18.6),))
    found = fit_line(FLEET, View(MARRAM_LOFT), line(truth, span=SHORT), draws=20)
    assert found.setting.kinds == ("mask", "arc")
    assert found.setting.sky.arc_deg == pytest.approx(18.6, abs=1.0)


def test_causes_are_called_by_name_where_two_settings_are_set_against_each_other() -> None:
    mask, place = LineSetting(Setting(mask_deg=31.0)), GatewayPlace(600.0, 180.0)
    gateway = LineSetting(Setting(mask_deg=25.0, gateway=place))
    cone = LineSetting(Setting(mask_deg=25.0, cone=Cone(40.0, 20.0, 45.0), slot_s=15.0))
    assert names_apart(gateway.kinds, mask.kinds) == ("the gateway", "the lowest elevation alone")
    assert names_apart(gateway.kinds, cone.kinds) == ("the gateway", "the antenna cone and the assignment clock")
    assert names_apart(("mask",), ("sector",)) == ("the lowest elevation", "the blocked side")
    assert names_apart(mask.kinds, ()) == ("the lowest elevation", "a clear sky")
    hour = np.int64(3_600_000_000)
    start = MORNING.start_us + np.arange(2, 26, dtype=np.int64) * hour // 12
    whole, none = Intervals(start, start + 20_000_000), Intervals(start[:0], start[:0])
    traits = [traits_of(each, MORNING, "UTC", lambda _: np.zeros(0)) for each in (whole, none)]
    names = ("the antenna cone and the assignment clock", "the gateway")
    (seen,) = observations(list(zip((whole, none), traits, strict=True)), MORNING)
    assert observation_sentence(seen, "UTC", names) == (
        "The antenna cone and the assignment clock against the gateway: between 00:00 and 03:00 the gateway "
        "predicts none, the antenna cone and the assignment clock about 8 an hour; on Mon 2 Mar at 00:10:00 the "
        "antenna cone and the assignment clock predict a freeze of 20 s, the gateway none."
    )


def test_a_line_unrelated_to_the_sky_teaches_nothing() -> None:
    rng = np.random.default_rng(3)
    start = np.sort(rng.uniform(0.0, MORNING.duration_s - 60.0, 40))
    gaps = pd.DataFrame(
        {"start": MORNING.start + pd.to_timedelta(start, unit="s"),
         "end": MORNING.start + pd.to_timedelta(start + rng.uniform(5.0, 40.0, 40), unit="s")}
    )  # fmt: skip
    fit = fit_line(FLEET, VIEW, recorded(gaps, MORNING, seed=3))
    assert fit.evidence == "none"
    assert fit.settings.empty
    assert fit.rivals == ()
    assert fit.clock_offset_s == 0.0
    assert "nothing" in repr(fit)


def test_freezes_off_the_samples_are_those_of_the_exact_search() -> None:
    span = Span.starting(EPOCH, hours=12)
    tracks = Tracks.of(FLEET, VIEW, span)
    place = GatewayPlace(600.0, 180.0)
    for setting, within_s in (
        (LineSetting(Setting(mask_deg=31.0, gateway=place)), 1.0),
        (LineSetting(Setting(mask_deg=20.0, cone=Cone(40.0, 20.0, 45.0))), 2.0),
        (LineSetting(Setting(mask_deg=31.0), Sector(100.0, 190.0, 60.0)), 8.0),
    ):
        freezes = tracks.freezes(setting, (0.0, span.duration_s))
        low = replace(MARRAM_LOFT, horizon=Horizon.flat(tracks.floor_deg))
        gaps = find_visibility(FLEET, View(low, setting.limits(MARRAM_LOFT)), span).coverage().gaps()
        exact = Intervals(*(_seconds(gaps[edge], span) for edge in ("start", "end")))
        assert exact.start.size > 10
        apart = total_length(difference(exact, freezes)) + total_length(difference(freezes, exact))
        assert apart < within_s, setting
        # Edges looked for only where they bound a freeze, on the samples above the lowest elevation alone: the same as
        # every edge of every pass.
        _, start_s, end_s = tracks.allowed(setting)
        every = complement((start_s, end_s), 0.0, span.duration_s)
        assert np.allclose(every.start, freezes.start, atol=1e-9)
        assert np.allclose(every.end, freezes.end, atol=1e-9)
        _, low_start_s, low_end_s = tracks._allowed(setting)
        assert np.allclose(np.sort(low_start_s), np.sort(start_s), atol=0.01)
        assert np.allclose(np.sort(low_end_s), np.sort(end_s), atol=0.01)


def test_what_is_held_of_the_sky_is_bounded_and_no_answer_depends_on_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte a sample is 8 MB with 6,000 satellites and seven days."""
    span = Span.starting(EPOCH, hours=12)
    place = GatewayPlace(600.0, 180.0)
    settings = [
        LineSetting(sky, sector)
        for mask in (20.0, 30.0, 40.0, 50.0)
        for sky, sector in (
            (Setting(mask_deg=mask, gateway=place), None),
            (Setting(mask_deg=mask, cone=Cone(40.0, 20.0, 45.0)), None),
            (Setting(mask_deg=mask), Sector(100.0, 190.0, 60.0)),
            (Setting(mask_deg=mask, arc_deg=18.0), None),
        )
    ]

    def tried() -> tuple[Tracks, list[Intervals]]:
        tracks = Tracks.of(FLEET, VIEW, span)
        return tracks, [tracks.freezes(setting, (0.0, span.duration_s)) for setting in settings]

    _, roomy = tried()
    monkeypatch.setattr("passim.line.fitting.tracks._RETAINED_BYTES", 0)
    tracemalloc.start()
    try:
        tracks, tight = tried()
        gc.collect()
        held = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert held < 70 * tracks.place_km.shape[1]
    for one, other in zip(roomy, tight, strict=True):
        assert np.array_equal(one.start, other.start)
        assert np.array_equal(one.end, other.end)


def test_seconds_are_counted_by_block_and_the_likelihood_is_that_of_bernoulli() -> None:
    span = Span.starting(EPOCH, hours=8)
    starts = np.arange(300.0, 28_000.0, 1500.0)
    gaps = pd.DataFrame(
        {"start": span.start + pd.to_timedelta(starts, unit="s"),
         "end": span.start + pd.to_timedelta(starts + 30.0, unit="s")}
    )  # fmt: skip
    evidence = Evidence.of(recorded(gaps, span, seed=1, holes=[(5000.0, 5600.0)]), span)
    freezes = Intervals(starts - 10.0, starts + 20.0)
    counts = evidence.counts(freezes, 0.0)
    # Second by second, in tenths.
    at = np.arange(0.05, span.duration_s, 0.1)

    def holds(intervals: Intervals) -> np.ndarray:
        k = np.searchsorted(intervals.start, at, side="right") - 1
        return (k >= 0) & (at < intervals.end[np.maximum(k, 0)])

    forecast = holds(evidence.seen(freezes, 0.0)) & holds(evidence.measured)
    frozen = holds(evidence.frozen)
    block = np.searchsorted(evidence.edges_s, at, side="right") - 1
    assert np.allclose(counts.forecast_s, 0.1 * np.bincount(block, forecast, evidence.blocks), atol=0.25)
    assert np.allclose(counts.both_s, 0.1 * np.bincount(block, forecast & frozen, evidence.blocks), atol=0.25)
    known = holds(evidence.measured)
    f, y = forecast[known], frozen[known]
    chance = np.where(f, y[f].mean(), y[~f].mean())
    gain = np.log(np.where(y, chance, 1 - chance)).sum() - np.log(np.where(y, y.mean(), 1 - y.mean())).sum()
    assert evidence.gain(counts) == pytest.approx(0.1 * gain / evidence.a_freeze_s, rel=0.01)
    # A forecast moved by the offset that suits it best loses nothing.
    assert evidence.best_offset_s(freezes, leading=False) == pytest.approx(10.0, abs=0.6)


def test_times_that_keep_to_a_clock_are_told_from_those_that_do_not() -> None:
    rng = np.random.default_rng(1)
    even = rng.uniform(0.0, 86_400.0, 200)
    assert find_clock(even).chance > 0.01
    kept = np.round(even / 15.0) * 15.0 + 4.0 + rng.normal(0.0, 0.5, 200)
    found = find_clock(kept)
    assert found.period_s == 15.0
    assert found.phase_s == pytest.approx(4.0, abs=0.2)
    assert found.chance < 1e-6
    assert clock_phase(kept, 30.0).chance > 1e-3
    assert clock_phase([], 15.0).chance == 1.0


def test_trains_of_the_sky_are_no_clock_and_no_time_below_the_probes_is_told(behind_a_gateway: LineFit) -> None:
    """The line was made without a clock and without any time to acquire."""
    assert behind_a_gateway.assignment.chance > 1e-3
    acquired = behind_a_gateway.settings[behind_a_gateway.settings["setting"] == "acquisition_s"]
    assert not acquired["told_apart"].any()


def test_numbers_move_within_bounds() -> None:
    setting = LineSetting(Setting(mask_deg=25.0, gateway=GatewayPlace(600.0, 350.0)), Sector(350.0, 20.0, 40.0))
    assert moved(setting, "mask", -12.0, 15.0) is None
    assert moved(setting, "cone_tilt", 1.0, 15.0) is None
    across = moved(setting, "gateway_across", 200.0, 15.0)
    assert across is not None
    assert across.sky.gateway is not None
    assert across.sky.gateway.bearing_deg == pytest.approx((350.0 + np.degrees(200.0 / 600.0)) % 360.0, abs=1e-3)
    turned = moved(setting, "sector_from", 20.0, 15.0)
    assert turned is not None
    assert turned.sector == Sector(10.0, 20.0, 40.0)
    assert moved(setting, "sector_from", 28.0, 15.0) is None
    assert Sector(350.0, 20.0, 40.0).horizon(25.0).elevation_deg([0.0, 180.0, 21.0]).tolist() == [40.0, 25.0, 25.0]


def test_too_little_to_learn_from_and_limits_that_are_none_are_refused() -> None:
    quiet = recorded(pd.DataFrame({"start": [], "end": []}), MORNING, seed=1)
    with pytest.raises(InputError, match="outages of the line to learn from"):
        fit_line(FLEET, VIEW, quiet)
    record = line(VIEW)
    with pytest.raises(InputError, match="limit to hold; got 'roof'"):
        fit_line(FLEET, VIEW, record, hold=("roof",))
    with pytest.raises(InputError, match="limit to hold"):
        fit_line(FLEET, VIEW, record, hold=("handover",))


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented workspace with a record of its own night in a file, the gateway's truth not where it is set up."""
    return school_with_another_gateway(tmp_path_factory.mktemp("made") / "school", SHORT)


@pytest.fixture(scope="module")
def by_command(school: Path) -> tuple[dict[str, Any], str, str]:
    """What `passim fit --write` finds in the journal, what it tells, and the file that it leaves, which is put back."""
    found = passim("fit", "--workspace", str(school), "--at", SHORT.end.isoformat(), "--write", "--format", "json")
    assert found.exit_code == 0, found.stderr
    file = Workspace.load(school).text
    Workspace.load(school).undo()
    return json.loads(found.stdout), found.stderr, file


def test_the_command_tells_and_writes_what_was_found(
    school: Path, by_command: tuple[dict[str, Any], str, str], tmp_path: Path
) -> None:
    answer, told, file = by_command
    assert answer["evidence"] == "strong"
    assert answer["held_out_gain"] > 10.0
    assert answer["clock_offset_s"] == pytest.approx(-3.0, abs=0.5)
    rows = {row["setting"]: row for row in answer["rows"]}
    assert rows["gateway_distance_km"]["value"] == pytest.approx(700.0, abs=60.0)
    assert {"value", "low", "high", "told_apart"} <= set(rows["mask_deg"])
    # What changes is shown before it is written.
    changes, written = told.index("Changes in "), told.index("Written. passim workspace undo")
    assert changes < told.index('"fitted"') < written
    (tmp_path / "passim.toml").write_text(file, encoding="utf-8")
    (gateway,) = Workspace.load(tmp_path).gateways("Marram")
    assert gateway.name == "fitted"
    assert gateway.latitude_deg == pytest.approx(rows["gateway_latitude_deg"]["value"], abs=0.01)
    assert [each.name for each in Workspace.load(school).gateways("Marram")] == ["South"]


def test_the_page_finds_what_the_command_finds_and_writes_the_same_lines(
    school: Path, by_command: tuple[dict[str, Any], str, str]
) -> None:
    answer, told, file = by_command
    state = DashboardState(Workspace.load(school), at=SHORT.end)
    try:
        question = state.question(Choices())
        asked = asked_of(question)
        assert asked is not None
        times = [asked.compared.start.isoformat(), asked.compared.end.isoformat()]
        request = {"source": asked.source, "times": times}
        with pytest.raises(Pending) as still:
            fitting.found_for(question, request)
        assert still.value.job.done.wait(PATIENCE_S)
        found = fitting.found_for(question, request)
        shown = str(fitting.answer_of(question, found, asked.source))
        assert " ".join(fit_lines(found, question.clock(found.span))) == answer["answer"]
        assert all(line in shown for line in fit_lines(found, question.clock(found.span), on_pages=True))
        assert OFFER in shown
        # Whoever asks about another place than that of the record is offered nothing to write.
        yard = str(fitting.answer_of(state.question(Choices(spot="yard")), found, asked.source))
        assert OFFER not in yard
        assert "no reason to change anything at " in yard
        assert plain_rows(found.settings, None)[1] == [list(row.values()) for row in answer["rows"]]
        lines = fitting.would_change(question, found)
        assert all(f"  {line}" in told for line in lines)
        before = state.workspace.text
        assert lines == differences(before, file)
        assert fitting.offered([]).children == "Nothing changes: the workspace says all of this already."
        done = fitting.written(question, found, lines)
        assert Workspace.load(school).text == file
        # The same lines again would be others than those agreed to.
        with pytest.raises(InputError, match="another change since this one was shown"):
            fitting.written(question, found, lines)
        taken_back(Workspace.load(school), done[-1].id["of"])
        assert Workspace.load(school).text == before
    finally:
        state.close()


def test_a_search_that_is_stopped_says_so_in_one_line(school: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("passim.line.fitting.fit.fit_line", interrupted)
    monkeypatch.setattr("passim.fit_line", interrupted)
    stopped = passim("fit", "--workspace", str(school), "--at", SHORT.end.isoformat())
    assert (stopped.exit_code, stopped.stdout) == (130, "")
    assert stopped.stderr.splitlines() == ["Stopped before anything was found; nothing was written."]


def test_the_command_refuses_to_write_what_is_not_there(school: Path) -> None:
    nowhere = passim("fit", "--elements", "x.json", "--site", "45,-28", "--record", "x.csv", "--write")
    assert nowhere.exit_code == 2
    assert "--write needs a workspace" in nowhere.stderr


def _seconds(times: pd.Series, span: Span) -> np.ndarray:
    return np.asarray((pd.DatetimeIndex(times).as_unit("us").asi8 - span.start_us) / 1e6)
