"""The panorama of the sky and the pictures of growth and of places: they show what passim returned, and no more."""

from __future__ import annotations

import copy
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from passim import Horizon, Site, Span
from passim.answers.growth import curves as growth, goals as growth_goals, orders as growth_orders
from passim.answers.sites.horizon_cost import sector_costs
from passim.coverage.causes import causes_of
from passim.coverage.sky_map import sky_track
from passim.coverage.sky_moment import sky_moment
from passim.coverage.visibility import Visibility, find_visibility, positions_km
from passim.errors import SpanError
from passim.sky import outlines
from passim.sky.limits import ArcKeepOut, Cone, GatewayLimit
from passim.sky.look_angles import look_angles
from passim.sky.view import View
from passim_apps.figures import growth as growth_figures, places, sky, sky_limits
from passim_apps.figures.keys import STROKES
from passim_apps.figures.sky_lines import as_line
from passim_apps.figures.theme import DARK, LIGHT
from passim_apps.text.units import instant
from tests import scenario

AT = datetime(2026, 11, 25, 7, tzinfo=UTC)
FIRS = Horizon.from_points([(0, 25), (60, 27), (100, 40), (200, 25), (280, 25), (285, 60), (330, 60), (334, 25)])
RADIUS_KM = 6928.135


def trace(figure: go.Figure, name: str) -> go.Scatter:
    (found,) = [each for each in figure.data if each.name == name]
    return found


def look(view: View, hours: float = 6.0) -> Visibility:
    return find_visibility(scenario.plover(AT.replace(hour=0)), view, Span.starting(AT, hours))


@pytest.fixture(scope="module")
def loft() -> Visibility:
    return look(scenario.view_of(scenario.MARRAM_LOFT))


@pytest.fixture(scope="module")
def firs() -> Visibility:
    site = replace(scenario.MARRAM_LOFT, horizon=FIRS)
    gateway = scenario.view_of(scenario.MARRAM_LOFT).limits
    return look(View(site, (Cone(0.0, 20.0, 50.0), ArcKeepOut(18.0), *gateway)), 3.0)


def picture(seen: Visibility, theme=LIGHT, **more) -> go.Figure:
    why = causes_of(seen)
    lines = outlines.outlines(seen.view, RADIUS_KM)
    return sky.panorama(sky_track(seen), lines, sector_costs(why), theme, missing=why.table, causes=why.each, **more)


# --- outlines ---------------------------------------------------------------------------------------------------------


def test_a_cone_straight_up_is_a_mask_all_round() -> None:
    line = outlines.cone_outline(Cone(0.0, 0.0, 50.0))
    assert np.nanmax(np.abs(line.elevation_deg - 40.0)) < 1e-9


def test_the_edge_of_a_tilted_cone_stands_at_its_half_angle() -> None:
    cone = Cone(70.0, 20.0, 50.0)
    line = outlines.cone_outline(cone)
    azimuth, height = np.radians(line.azimuth_deg), np.radians(line.elevation_deg)
    edge = np.stack([np.sin(azimuth) * np.cos(height), np.cos(azimuth) * np.cos(height), np.sin(height)])
    known = np.isfinite(edge).all(axis=0)
    assert known.sum() > 700
    np.testing.assert_allclose(np.degrees(np.arccos(cone.boresight @ edge[:, known])), 50.0, atol=1e-6)
    # The lowest point lies towards the tilt: 90 - 20 - 50.
    lowest = int(np.nanargmin(line.elevation_deg))
    assert line.elevation_deg[lowest] == pytest.approx(20.0, abs=0.01)
    assert line.azimuth_deg[lowest] == pytest.approx(70.0, abs=1.0)


def test_the_arc_stands_due_south_and_its_band_is_twice_the_angle_wide() -> None:
    # At latitude 45 the top of the arc stands 38.2 deg high (recomputed; see test_limits for the source).
    band, line = outlines.arc_outlines(Site("here", 45.0, -28.0), ArcKeepOut(18.0))
    assert band.azimuth_deg.tolist() == list(range(361))  # once around, degree by degree
    top = int(np.nanargmax(line.elevation_deg))
    assert line.elevation_deg[top] == pytest.approx(38.2, abs=0.1)
    assert line.azimuth_deg[top] == pytest.approx(180.0, abs=1e-6)
    assert band.low_deg is not None
    assert band.high_deg is not None
    south = int(np.flatnonzero(band.azimuth_deg == 180.0)[0])
    assert band.high_deg[south] == pytest.approx(38.2 + 18.0, abs=0.3)
    assert band.low_deg[south] == pytest.approx(38.2 - 18.0, abs=0.3)
    assert np.isnan(band.low_deg[band.azimuth_deg == 0.0]).all()


def test_no_arc_is_drawn_where_it_never_rises() -> None:
    assert outlines.arc_outlines(Site("pole", 85.0, 0.0), ArcKeepOut(18.0)) == []


def test_the_line_of_the_gateway_parts_satellites_that_see_it_from_those_that_do_not() -> None:
    """Directions half a degree above the line see the gateway, half a degree below do not: by look angles alone."""
    view = scenario.view_of(scenario.MARRAM_LOFT)
    (limit,) = view.limits
    assert isinstance(limit, GatewayLimit)
    line = outlines.gateway_outline(view.site, limit, RADIUS_KM)
    gateway = limit.gateways[0].site
    for offset_deg, sees in ((0.5, True), (-0.5, False)):
        azimuth, height = np.radians(line.azimuth_deg), np.radians(line.elevation_deg + offset_deg)
        local = np.stack([np.sin(azimuth) * np.cos(height), np.cos(azimuth) * np.cos(height), np.sin(height)])
        # Along each direction until the distance from the Earth's centre is the one asked about, found by halving.
        low, high = np.zeros(local.shape[1]), np.full(local.shape[1], 4000.0)
        for _ in range(60):
            middle = (low + high) / 2.0
            position = view.site.position_km + (local * middle).T @ view.site.east_north_up
            too_far = np.linalg.norm(position, axis=1) > RADIUS_KM
            low, high = np.where(too_far, low, middle), np.where(too_far, middle, high)
        assert ((look_angles(gateway, position).elevation_deg >= 25.0) == sees).all()


def test_a_limit_of_the_fleet_has_no_place_in_the_sky(firs: Visibility) -> None:
    assert [o.limit for o in outlines.outlines(firs.view, RADIUS_KM)] == [
        "horizon", "cone", "arc", "arc", "gateway", "floor",
    ]  # fmt: skip
    assert "gateway" not in [o.limit for o in outlines.outlines(firs.view)]


# --- the sky at a moment ----------------------------------------------------------------------------------------------


def test_the_sky_of_a_moment_agrees_with_the_intervals_and_with_the_propagated_orbits(firs: Visibility) -> None:
    for minutes in (5, 47, 100):
        time = AT + pd.Timedelta(minutes=minutes).to_pytimedelta()
        table = sky_moment(firs, time)
        time_us = round(time.timestamp() * 1e6)
        for name, satellites in (("can serve", firs.joint()), ("above the floor", firs.base)):
            up = satellites.group[(satellites.start <= time_us) & (time_us < satellites.end)]
            ids = {str(firs.fleet.satellite_ids[satellite]) for satellite in up.tolist()}
            chosen = table[table["can_serve"]] if name == "can serve" else table
            assert set(chosen["satellite_id"]) == ids
        assert (table.loc[~table["can_serve"], "lost_to"] != "").all()
        satellite = np.array(
            [int(np.flatnonzero(firs.fleet.satellite_ids.astype(str) == i)[0]) for i in table["satellite_id"]]
        )
        seen = look_angles(firs.view.site, positions_km(firs.fleet, satellite, np.full(len(satellite), time_us)))
        np.testing.assert_allclose(table["elevation_deg"], seen.elevation_deg)
        assert table["elevation_deg"].is_monotonic_decreasing


def test_a_moment_outside_the_span_is_refused(firs: Visibility) -> None:
    with pytest.raises(SpanError, match=r"^time; got"):
        sky_moment(firs, AT.replace(hour=23))


# --- the panorama -----------------------------------------------------------------------------------------------------


def test_the_panorama_runs_from_north_round_to_north_and_up_to_the_zenith(loft: Visibility) -> None:
    figure = picture(loft)
    assert figure.layout.xaxis.range == (0, 360)
    assert figure.layout.xaxis.ticktext == ("N", "NE", "E", "SE", "S", "SW", "W", "NW", "N")
    assert figure.layout.yaxis.range == (0, 90)


def test_lines_of_passes_are_those_of_the_track_by_state(firs: Visibility) -> None:
    figure = picture(firs)
    track, passes = sky.drawn_passes(sky_track(firs))
    assert passes > sky.MOST_PASSES
    drawn = track[track["can_serve"]]
    line = trace(figure, "can serve")
    # Each piece begins and ends where the track says; only between are points added near the zenith.
    assert np.isnan(np.array(line.x, dtype=float)).sum() >= drawn["piece"].nunique() - 1
    ends = drawn.groupby("piece")[["azimuth_deg", "elevation_deg"]].agg(["first", "last"]).round(2).to_numpy()
    points = {(round(float(a), 2), round(float(e), 2)) for a, e in zip(line.x, line.y, strict=True) if not np.isnan(a)}
    assert {(a, e) for row in ends for a, e in ((row[0], row[2]), (row[1], row[3]))} <= points
    # No satellite is drawn as serving where a limit stops it.
    assert min(e for _, e in points) >= 25.0
    strokes = {look[-1] for look in sky_limits.LOST.values()}
    assert len(strokes) == len(sky_limits.LOST) == len({STROKES[each] for each in strokes})
    for name in ("lost to the horizon", "lost to the cone", "lost to the gateway", "lost to several limits"):
        other = trace(figure, name)
        assert other.line.dash != line.line.dash
        assert other.line.color != line.line.color


def test_no_trace_holds_more_than_its_most_points(loft: Visibility) -> None:
    figure = picture(loft, passes=100_000)
    assert max(len(each.x) for each in figure.data) <= sky.MOST_POINTS
    few = picture(loft, passes=10)
    assert len(trace(few, "can serve").x) < len(trace(figure, "can serve").x) / 5


def test_passes_are_drawn_whole_and_evenly_through_the_day(loft: Visibility) -> None:
    track = sky_track(loft)
    drawn, passes = sky.drawn_passes(track, 40)
    assert passes > 200
    kept, every = (
        drawn.groupby("piece")["time"].agg(["first", "last"]),
        track.groupby("piece")["time"].agg(["first", "last"]),
    )
    assert kept.equals(every.loc[kept.index])
    length = (AT.replace(hour=13) - AT) / 4
    quarters = ((kept["first"] - pd.Timestamp(AT)) // length).value_counts()
    assert len(quarters) == 4
    assert quarters.min() > 8


def test_a_track_of_nothing_makes_an_empty_sky(loft: Visibility) -> None:
    track = sky_track(loft).iloc[:0]
    figure = sky.panorama(track, outlines.outlines(loft.view), sector_costs(loft), LIGHT)
    assert not any(str(each.name).startswith(("can serve", "lost")) for each in figure.data)


@pytest.mark.parametrize("cost_s", [0.0, 0.00017, 0.0004, 0.049, 0.05, 3.0])
def test_every_axis_that_is_drawn_on_is_there_whatever_the_horizon_costs(loft: Visibility, cost_s: float) -> None:
    sectors = sector_costs(loft).assign(given_back_s_per_day=0.0)
    sectors.loc[3, "given_back_s_per_day"] = cost_s
    figure = sky.panorama(sky_track(loft), outlines.outlines(loft.view), sectors, LIGHT)
    layout = figure.to_plotly_json()["layout"]
    used = {each.yaxis or "y" for each in figure.data}
    assert used == ({"y", "y2"} if cost_s >= 0.05 else {"y"})
    assert ("yaxis2" in layout) == ("y2" in used)
    assert layout["xaxis"]["anchor"] in used
    if "y2" in used:
        assert layout["yaxis2"]["range"][1] > cost_s


def test_marks_stand_where_the_missing_satellites_stood(loft: Visibility) -> None:
    table = causes_of(loft).table
    figure = picture(loft, chosen=3)
    marks = trace(figure, "missing")
    np.testing.assert_allclose(marks.x, table["missing_azimuth_deg"], atol=0.006)
    np.testing.assert_allclose(marks.y, table["missing_elevation_deg"], atol=0.006)
    chosen = trace(figure, "chosen")
    assert chosen.x[0] == pytest.approx(table["missing_azimuth_deg"].iloc[3], abs=0.006)


def test_satellites_that_stand_there_are_marked_by_what_they_can(firs: Visibility) -> None:
    standing = sky_moment(firs, AT.replace(minute=40))
    figure = picture(firs, standing=standing)
    can, cannot = trace(figure, "standing, can serve"), trace(figure, "standing")
    assert len(can.x) == standing["can_serve"].sum() > 0
    assert len(cannot.x) == (~standing["can_serve"]).sum() > 0
    assert can.marker.symbol != cannot.marker.symbol


def test_bars_are_the_sector_costs(firs: Visibility) -> None:
    costs = sector_costs(firs)
    bars = trace(picture(firs, DARK), "sectors")
    np.testing.assert_allclose(bars.y, costs["given_back_s_per_day"], atol=0.001)
    assert max(bars.y) > 100.0
    assert list(bars.x) == [5.0 + 10.0 * k for k in range(36)]
    assert bars.marker.pattern.shape == "/"


def notes(figure: go.Figure) -> str:
    return " | ".join(note.text for note in figure.layout.annotations)


def test_each_limit_says_how_many_gaps_it_causes(loft: Visibility, firs: Visibility) -> None:
    gaps = causes_of(loft).table
    assert f"no gateway in view here:<br><b>causes all {len(gaps)} gaps</b>" in notes(picture(loft))
    assert "horizon, your roof line:<br><b>causes no gap</b>" in notes(picture(loft))
    # Where no part of the skyline costs anything there is nothing to draw under the sky.
    assert "sectors" not in [each.name for each in picture(loft).data]
    why = causes_of(firs)
    for _, row in why.seconds_by_cause().iterrows():
        if row["limit"] in ("horizon", "gateway"):
            assert 0 < row["gaps_closed"] < len(why.table)
            assert f"<b>causes {row['gaps_closed']} of {len(why.table)} gaps</b>" in notes(picture(firs))


def covered(figure: go.Figure, standing) -> int:
    """Return how many satellites words hide on a page where the sky is 720 pixels wide: 6.5 a letter, 17 a line."""
    low, high = figure.layout.yaxis.domain
    sky_px = (high - low) * (figure.layout.height - figure.layout.margin.t - figure.layout.margin.b)
    x, y = standing["azimuth_deg"].to_numpy() * 2.0, standing["elevation_deg"].to_numpy() / 90.0 * sky_px
    hidden = 0
    for note in figure.layout.annotations:
        if note.xref == "paper":
            continue
        lines = note.text.replace("<b>", "").replace("</b>", "").split("<br>")
        wide, tall = 6.5 * max(map(len, lines)), 17.0 * len(lines)
        left = note.x * 2.0 - {"left": 0.0, "center": 0.5, "right": 1.0}[note.xanchor] * wide
        foot = note.y / 90.0 * sky_px + (note.yshift or 0.0) - (tall if note.yanchor == "top" else 0.0)
        hidden += int(((x > left) & (x < left + wide) & (y > foot) & (y < foot + tall)).sum())
    return hidden


def test_words_cover_no_satellite(loft: Visibility, firs: Visibility) -> None:
    before = after = 0
    for seen in (loft, firs):
        day, why = picture(seen), causes_of(seen)
        parts = sky_track(seen), outlines.outlines(seen.view, RADIUS_KM), sector_costs(why)
        plain = sky.sky_of_day(*parts, LIGHT, missing=why.table, causes=why.each)
        for minute in range(0, 175, 5):
            standing = sky_moment(seen, AT + timedelta(minutes=minute))
            figure = sky.with_moment(plain, LIGHT, standing=standing)
            before, after = before + covered(day, standing), after + covered(figure, standing)
            # Nothing is left out, and every word stands in the picture.
            assert sorted(note.text for note in figure.layout.annotations) == sorted(
                note.text for note in day.layout.annotations
            )
            assert all(0.0 <= note.x <= 360.0 for note in figure.layout.annotations)
    assert before > 10
    assert after == 0


def test_the_picture_of_a_day_serves_every_gap_and_stays_as_it_is(loft: Visibility) -> None:
    why, costs = causes_of(loft), sector_costs(loft)
    table, lines = why.table, outlines.outlines(loft.view, RADIUS_KM)
    day = sky.sky_of_day(sky_track(loft), lines, costs, LIGHT, missing=table, causes=why.each)
    kept = copy.deepcopy(day)
    standing = sky_moment(loft, AT.replace(minute=40))
    for place in (3, 4):
        figure = sky.with_moment(day, LIGHT, standing=standing, chosen=table.iloc[place])
        whole = picture(loft, standing=standing, chosen=place)
        assert figure.to_json() == whole.to_json()
        assert trace(figure, "missing").customdata[place] == instant(table["start"][place])
    assert str(day) == str(kept)
    assert "chosen" not in [each.name for each in sky.with_moment(day, LIGHT).data]


def test_a_line_through_north_reaches_both_edges() -> None:
    track = pd.DataFrame({"azimuth_deg": [350.0, 358.0, 4.0, 12.0], "elevation_deg": [40.0, 41.0, 42.5, 43.0]})
    track["time"] = pd.date_range(AT, periods=4, freq="20s")
    azimuth, height = as_line(track.assign(piece=0))
    at = int(np.flatnonzero(np.isnan(azimuth))[0])
    assert (azimuth[at - 1], azimuth[at + 1]) == (360.0, 0.0)
    # A third of the way from 358 to 4 degrees.
    assert height[at - 1] == height[at + 1] == pytest.approx(41.5, abs=0.05)


def test_a_high_pass_is_a_smooth_curve_where_it_was(loft: Visibility) -> None:
    """Of a sample every 40 s the curve shows no corner, and keeps to where the satellite was each second."""
    every = sky_track(loft, 1.0)
    tops = every.groupby("piece")["elevation_deg"].max()
    whole = every[every["piece"] == tops[tops < 75.0].idxmax()]
    assert whole["elevation_deg"].max() > 65.0
    nth = np.arange(len(whole))
    azimuth, height = as_line(whole[(nth % 40 == 0) | (nth == nth[-1])])
    # In pixels of a desk: two a degree of azimuth, four of elevation.
    x, y = 2.0 * np.unwrap(azimuth[np.isfinite(azimuth)], period=360.0), 4.0 * height[np.isfinite(height)]
    away = np.hypot(
        (2.0 * whole["azimuth_deg"].to_numpy() - x[:, None] + 360.0) % 720.0 - 360.0,
        4.0 * whole["elevation_deg"].to_numpy() - y[:, None],
    )
    assert away.min(axis=1).max() < 3.0
    moved = np.hypot(np.diff(x), np.diff(y)) > 1.0
    way = np.degrees(np.unwrap(np.arctan2(np.diff(y), np.diff(x))[moved]))
    assert np.abs(np.diff(way)).max() < 15.0


def test_a_name_from_a_file_is_shown_and_not_read(firs: Visibility) -> None:
    standing = sky_moment(firs, AT.replace(minute=40))
    standing["name"] = "<a href='x'>&"
    shown = str(trace(picture(firs, standing=standing), "standing, can serve").customdata)
    assert "&lt;a href" in shown
    assert "<a" not in shown


# --- growth -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def curves(loft: Visibility) -> dict[str, growth.Curves]:
    orders = {
        "as launched": growth_orders.launch_order(loft.fleet),
        "at random": growth_orders.random_orders(loft.fleet, draws=5),
    }
    return {words: growth.growth_curves(loft, order) for words, order in orders.items()}


def test_growth_shows_every_number_and_the_band_of_draws(curves: dict[str, growth.Curves]) -> None:
    lines = [growth_figures.OrderCurve(words, each.table) for words, each in curves.items()]
    figure = growth_figures.growth_curves(lines, LIGHT)
    table = lines[0].table
    out, longest = (each for each in figure.data if each.name == "as launched")
    assert list(out.x) == list(range(1, 361))
    np.testing.assert_allclose(out.y, 100.0 * table["gap_fraction"], atol=1e-4)
    np.testing.assert_allclose(longest.customdata, table["longest_gap_s"])
    low, high = (next(each for each in figure.data if each.name == f"at random, {p}") for p in ("p10", "p90"))
    np.testing.assert_allclose(low.y, 100.0 * lines[1].table["gap_fraction_p10"], atol=1e-4)
    assert high.fill == "tonexty"
    assert longest.line.dash != next(each for each in figure.data if each.name == "at random").line.dash


def test_no_gap_at_all_stands_on_the_lowest_line_of_a_scale_of_lengths() -> None:
    table = pd.DataFrame(
        {"satellites": [1, 2, 3], "gap_fraction": [0.5, 0.1, 0.0], "longest_gap_s": [900.0, 30.0, 0.0]}
    )
    figure = growth_figures.growth_curves(
        [growth_figures.OrderCurve("as listed", table)], LIGHT, measures=("longest_gap_s",)
    )
    (line,) = figure.data
    axis = figure.layout.yaxis
    assert line.y[2] == axis.tickvals[0]
    assert axis.ticktext[0] == "none"
    assert line.customdata[2] == 0.0


def test_the_goal_is_drawn_at_its_bound_and_at_the_number_that_meets_it(curves: dict[str, growth.Curves]) -> None:
    launched = curves["as launched"]
    goal = growth_goals.parse_goal("covered >= 90 %")
    met = growth_goals.smallest(launched, goal)
    assert met.reached
    mark = growth_figures.GoalMark.of(goal, met.middle, launched.counted_s)
    figure = growth_figures.growth_curves([growth_figures.OrderCurve("as launched", launched.table)], LIGHT, goal=mark)
    shapes = {shape.name: shape for shape in figure.layout.shapes}
    assert shapes["goal"].y0 == pytest.approx(10.0)
    assert shapes["goal met"].x0 == met.middle
    assert any(f"from {met.middle} on" in note.text for note in figure.layout.annotations)
    # The curve itself says so: out for more than a tenth with one fewer, and for no more from there on.
    fraction = launched.values["gap_fraction"][0]
    assert fraction[met.middle - 2] > 0.1 >= fraction[met.middle - 1 :].max()


def test_a_plan_is_drawn_by_date() -> None:
    table = pd.DataFrame(
        {
            "date": pd.to_datetime(["2026-11-25", "2027-02-01"], utc=True),
            "satellites": [360, 440],
            "planned": [0, 80],
            "gap_fraction": [0.018, 0.002],
        }
    )
    figure = growth_figures.plan_by_date(table, LIGHT, met=pd.Timestamp("2027-02-01", tz="UTC"))
    assert list(trace(figure, "satellites").y)[:2] == [360, 440]
    np.testing.assert_allclose(trace(figure, "time without service").y[:2], [1.8, 0.2])
    assert any("goal met" in str(note.text) for note in figure.layout.annotations)


# --- places -----------------------------------------------------------------------------------------------------------


def sweep_table() -> pd.DataFrame:
    covered = np.array([0.9, 1.0, 0.5, 0.0, 0.0])
    return pd.DataFrame(
        {
            "latitude_deg": [0.0, 15.0, 30.0, 45.0, 60.0],
            "covered_fraction": covered,
            "covered_fraction_min": covered * 0.9,
            "covered_fraction_max": np.minimum(covered * 1.1, 1.0),
            "covered_if_random": covered * 0.8,
        }
    )


def test_the_curve_by_latitude_holds_mean_spread_and_closed_form() -> None:
    figure = places.by_latitude(sweep_table(), LIGHT, sites=[("Marram", 45.0), ("beyond", 75.0)])
    np.testing.assert_allclose(trace(figure, places.COVERED).y, [90.0, 100.0, 50.0, 0.0, 0.0])
    np.testing.assert_allclose(trace(figure, places.RANDOM).y, [72.0, 80.0, 40.0, 0.0, 0.0])
    low, high = [each for each in figure.data if each.name == places.SPREAD]
    np.testing.assert_allclose(low.y, [81.0, 90.0, 45.0, 0.0, 0.0])
    assert high.fill == "tonexty"
    texts = [note.text for note in figure.layout.annotations]
    assert "Marram" in texts
    assert "beyond" not in texts


def test_latitudes_without_any_service_are_hatched() -> None:
    never = trace(places.by_latitude(sweep_table(), LIGHT), places.NEVER)
    assert (list(never.x), list(never.width)) == ([52.5], [15.0])
    assert never.marker.pattern.shape == "/"


@pytest.mark.parametrize(("latitude_deg", "words"), [(45.0, "45° N"), (-30.0, "30° S"), (0.0, "0°")])
def test_latitudes_as_people_write_them(latitude_deg: float, words: str) -> None:
    assert places.latitude_words(latitude_deg) == words
