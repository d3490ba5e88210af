"""The geometry behind the page Why: areas and shifts against other arithmetic, its rows against the command."""

from __future__ import annotations

import contextlib
import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from skyfield.api import wgs84

import commands
from passim import Horizon, Site, View, walker
from passim.answers import geometry as closed
from passim.errors import InputError
from passim.orbits.propagation import Propagator
from passim.sky.limits import Gateway, GatewayLimit
from passim.workspace import create
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.links import linked
from passim_apps.dashboard.pages.why import PAGE
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.figures.why import daily_shift, service_plan, side_view
from passim_apps.text.why import area_caption, area_sentence, shift_sentence

AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
SITE = Site("Marram", 45.0, -28.0, 40.0, "Atlantic/Azores", Horizon.flat(25.0))
SOUTH = Gateway("South", 39.6, -28.0, 50.0)


def test_a_flat_roof_line_leaves_the_smaller_cap_and_a_wall_half_of_the_rest() -> None:
    # A cap of angle a holds 1 - cos a of a sphere's radius squared times two pi: its area by hand.
    def cap(mask_deg: float) -> float:
        angle = math.acos(6378.137 / 6928.137 * math.cos(math.radians(mask_deg))) - math.radians(mask_deg)
        return 1.0 - math.cos(angle)

    high = View(Site("x", 45.0, -28.0, 0.0, "UTC", Horizon.flat(35.0)), lowest_elevation_deg=25.0)
    found = closed.service_area(high, 550.0)
    assert found.roof_share == pytest.approx(cap(35.0) / cap(25.0), abs=0.01)
    assert found.served_share == found.roof_share
    assert np.hypot(*found.reach).max() == pytest.approx(940.7, abs=0.5)
    wall = Horizon.from_points([(0.0, 89.9), (179.9, 89.9), (180.0, 0.0), (359.9, 0.0)])
    half = closed.service_area(View(Site("x", 45.0, -28.0, 0.0, "UTC", wall), lowest_elevation_deg=25.0), 550.0)
    assert half.roof_share == pytest.approx(0.5, abs=0.01)
    # The caption tells two lines where two are seen, and one where the roof line is the reach itself.
    assert "Thin line" in area_caption(found)
    assert "thick" in area_caption(half)
    alone = closed.service_area(View(Site("x", 45.0, -28.0, 0.0, "UTC", Horizon.flat(25.0))), 550.0)
    assert alone.roof_share > 0.9999
    assert area_caption(alone).startswith("Filled: where a satellite serves. Solid line: ")
    assert not {"thin", "thick"} & set(area_caption(alone).lower().replace(":", "").split())


def test_the_ground_that_a_gateway_leaves_is_that_of_random_points_by_another_library() -> None:
    """Satellites at random over the site: how many stand 25 degrees up at both places, by skyfield on the ellipsoid."""
    found = closed.service_area(View(SITE, (GatewayLimit((SOUTH,)),)), 550.0)
    rng = np.random.default_rng(1)
    angle = np.arccos(1.0 - rng.random(4000) * (1.0 - math.cos(math.radians(8.45))))
    azimuth = rng.random(4000) * 2.0 * np.pi
    own = math.radians(45.0)
    latitude = np.arcsin(math.sin(own) * np.cos(angle) + math.cos(own) * np.sin(angle) * np.cos(azimuth))
    turn = np.arctan2(np.sin(azimuth) * np.sin(angle) * math.cos(own), np.cos(angle) - math.sin(own) * np.sin(latitude))
    places = np.degrees(latitude), -28.0 + np.degrees(turn)
    above = wgs84.latlon(*places, elevation_m=np.full(4000, 550_000.0)).itrs_xyz.km

    def up(latitude_deg: float, longitude_deg: float) -> np.ndarray:
        ground = wgs84.latlon(latitude_deg, longitude_deg).itrs_xyz.km
        a, b = math.radians(latitude_deg), math.radians(longitude_deg)
        normal = np.array([math.cos(a) * math.cos(b), math.cos(a) * math.sin(b), math.sin(a)])
        line = above - ground[:, None]
        return np.degrees(np.arcsin(normal @ line / np.linalg.norm(line, axis=0)))

    mine = up(45.0, -28.0) >= 25.0
    both = mine & (up(39.6, -28.0) >= 25.0)
    assert found.served_share == pytest.approx(both.sum() / mine.sum(), abs=0.025)
    (east, north), _ = found.gateways["South"]
    assert (east, north) == pytest.approx((0.0, -600.0), abs=2.0)


def test_the_daily_shift_is_that_of_sgp4s_own_planes() -> None:
    for altitude_km, inclination_deg in ((550.0, 53.0), (1150.0, 70.0), (560.0, 97.6)):
        found = closed.daily_shift(altitude_km, inclination_deg)
        fleet = walker(total=1, planes=1, phasing=0, inclination_deg=inclination_deg, altitude_km=altitude_km, epoch=AT)
        node_deg_day = math.degrees(float(Propagator.of(fleet).node_rate_rad_s[0])) * 86_400.0
        assert found.node_deg_day == pytest.approx(node_deg_day, rel=0.005)
        # A turn against the plane, from the Earth's 360.9856 degrees a day.
        day_s = 360.0 / (360.98564737 - node_deg_day) * 86_400.0
        assert found.total_s == pytest.approx(86_400.0 - day_s, abs=6.0)
    # An orbit that keeps to the Sun comes at the same time.
    assert abs(closed.daily_shift(560.0, 97.6).total_s) < 10.0
    assert "the same time each day" in shift_sentence(closed.daily_shift(560.0, 97.6))
    with pytest.raises(InputError):
        closed.daily_shift(550.0, 181.0)


def test_pictures_show_the_numbers() -> None:
    found = closed.geometry(550.0, 25.0)
    side = {trace.name: trace for trace in side_view(found.passes, LIGHT).data}
    assert max(side["flat drawing"].x) * 2.0 == pytest.approx(found.passes.flat_footprint_km)
    assert max(side["line of sight"].y) < 550.0
    # Drawn point by point: thinned by the browser, so flat an arc shows corners.
    assert all(
        side[name].line.simplify is False and len(side[name].x) > 100 for name in ("ground", "orbit", "footprint")
    )
    # Where a plane has no edge there is no flat drawing.
    assert "flat drawing" not in {each.name for each in side_view(closed.geometry(550.0, 0.0).passes, LIGHT).data}
    plan = service_plan(closed.service_area(View(SITE, (GatewayLimit((SOUTH,)),)), 550.0), "Marram", LIGHT)
    # Its circles are round, and stay as large on a sheet as they were on the screen.
    assert plan.layout.yaxis.scaleanchor == "x"
    # On a square picture more numbers with their unit would run together.
    assert plan.layout.xaxis.nticks <= 3
    assert plan.layout.xaxis.constrain == plan.layout.yaxis.constrain == "domain"
    assert all(trace.line.simplify is False for trace in plan.data if trace.name in ("reach", "roof line", "gateway"))
    names = {trace.name for trace in plan.data}
    assert {"reach", "roof line", "served", "gateway", "gateway South", "site"} <= names
    shift = daily_shift(closed.daily_shift(550.0, 53.0), LIGHT)
    assert shift.data[1].x[1] == pytest.approx(21.57, abs=0.01)
    alone = closed.service_area(View(SITE), 550.0)
    assert area_sentence(alone).endswith("takes nothing; no gateway counts here.")
    off_km, lengths_s = closed.pass_lengths_s(550.0, 25.0)
    assert (lengths_s[0], lengths_s[-1]) == pytest.approx((269.44, 0.0), abs=0.01)
    assert np.interp(math.radians(6.0) * 6378.137, off_km, lengths_s) == pytest.approx(190.09, abs=0.3)


def test_the_page_has_row_for_row_the_numbers_of_the_command(tmp_path: Path) -> None:
    with contextlib.closing(DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)) as state:
        # The name of the page would promise it here.
        second = PAGE.answer(state.question(read_query("")[0]), LIGHT).second
        assert second.startswith("Why calls freeze at this spot, gap by gap, is told on the page Sky;")
        assert [each.href for each in linked(second) if not isinstance(each, str)] == ["/sky"]
        for query, mask in (("", "25"), ("?site=Marram&spot=yard", "35"), ("?mask=40", "40")):
            found = PAGE.answer(state.question(read_query(query)[0]), LIGHT)
            command = next(note.text for note in found.notes if "passim geometry" in note.text)
            told = command.partition("passim ")[2].rstrip(".").split()
            assert told[told.index("--mask") + 1] == mask
            said = commands.run(*told, "--format", "json")
            assert said.exit_code == 0, said.output
            table = found.panels["side"].table
            assert table is not None
            rows = json.loads(said.output)["rows"]
            assert [row["quantity"] for row in rows] == table.rows["quantity"].tolist()
            assert [row["value"] for row in rows] == pytest.approx(table.rows["value"].tolist(), abs=5e-7)
            assert len(rows) == 12
