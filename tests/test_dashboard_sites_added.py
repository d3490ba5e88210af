"""A place of one's own beside the sites: what it is taken to have, and that its numbers are those of its view."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pymap3d.vincenty import vreckon

from browsing import with_few
from passim import Horizon, Site, Span
from passim.answers.sites.added import Gateways, Skyline, gateways_of, placed
from passim.answers.sites.compare import compare_sites
from passim.errors import SiteError
from passim.sky import ground, survey
from passim.workspace import Workspace, create
from passim.workspace.horizons import keep_horizon
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.pages.sites import page as sites
from passim_apps.dashboard.pages.sites.added import _read, added_place
from passim_apps.dashboard.pages.sites.tried import roof_line
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures import places
from passim_apps.figures.theme import LIGHT

AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)  # 07:30 at Marram
DAY = Span.starting(datetime(2026, 11, 25, 1, tzinfo=UTC), 24.0)


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DashboardState]:
    opened = DashboardState(
        Workspace.load(with_few(tmp_path_factory.mktemp("state") / "school", AT.isoformat())), at=AT
    )
    yield opened
    opened.close()


def side(state: DashboardState, query: str) -> tuple[Any, Any]:
    answer = sites.PAGE.answer(state.question(read_query(f"?site=Marram&spot=loft{query}")[0]), LIGHT)
    return answer, answer.panels["side"]


def test_where_a_way_over_the_ground_leads_is_where_it_came_from() -> None:
    """Back again by distance and bearing, and against Vincenty's ellipsoid in pymap3d to 0.6 % of the way."""
    for latitude, longitude in ((45.0, -28.0), (-33.9, 151.2), (0.0, 179.5), (84.0, 10.0)):
        here = Site("here", latitude, longitude)
        for bearing in (0.0, 63.0, 181.0, 299.0):
            for along_km in (1.0, 600.0, 1500.0):
                there = Site("there", *ground.reached(here, bearing, along_km))
                assert ground.distance_km(here, there) == pytest.approx(along_km, abs=1e-6)
                turned = (ground.bearing_deg(here, there) - bearing + 180.0) % 360.0 - 180.0
                assert turned == pytest.approx(0.0, abs=1e-6)
                north, east = vreckon(latitude, longitude, along_km * 1000.0, bearing)
                away_km = ground.distance_km(
                    there, Site("outside", float(north), (float(east) + 180.0) % 360.0 - 180.0)
                )
                assert away_km < 0.006 * along_km
    assert ground.reached(Site("marram", 45.0, -28.0), 0.0, 778.37) == pytest.approx((52.0, -28.0), abs=1e-3)


def test_gateways_stay_move_along_or_go(state: DashboardState) -> None:
    view = state.workspace.view("Marram", "loft")
    (south,) = gateways_of(view)
    kept = placed(view, "there", 52.0, -20.0, Gateways.KEPT)
    assert gateways_of(kept) == (south,)
    assert (kept.site.latitude_deg, kept.site.longitude_deg, kept.site.horizon) == (52.0, -20.0, Horizon.flat(25.0))
    (moved,) = gateways_of(placed(view, "there", 52.0, -20.0, Gateways.MOVED))
    assert (moved.latitude_deg, moved.longitude_deg) == pytest.approx((46.6, -20.0), abs=1e-9), "still due south"
    assert (moved.horizon, moved.height_m) == (south.horizon, south.height_m)
    dropped = placed(view, "there", 52.0, -20.0, Gateways.DROPPED)
    assert gateways_of(dropped) == ()
    assert set(view.names) - set(dropped.names) == {"gateway"}


@pytest.mark.parametrize(
    ("query", "gateways", "words"),
    [
        ("&added=47.5,-28", Gateways.KEPT, "and the gateway South where it is"),
        ("&added=47.5,-28&gateway=moved", Gateways.MOVED, "the gateway South moved along with it"),
        ("&added=47.5,-28&gateway=dropped", Gateways.DROPPED, "the gateway South left out, so it may look better"),
        ("&added=47.5", Gateways.DROPPED, "a latitude alone does not say where gateways are, so they are left out"),
    ],
)
def test_the_place_added_is_compared_by_its_own_view(
    state: DashboardState, query: str, gateways: Gateways, words: str
) -> None:
    answer, shown = side(state, query)
    title = "latitude 47.5° N" if "," not in query else "47.5° N, 28° W"
    (row,) = [row for row in shown.table.rows.itertuples() if row.title == title]
    view = state.workspace.view("Marram", "loft")
    own = compare_sites(state.workspace.fleet(None, AT), [placed(view, title, 47.5, -28.0, gateways)], DAY).table
    assert row.covered_fraction == own["covered_fraction"].iloc[0]
    assert row.gap_count == own["gap_count"].iloc[0]
    assert words in shown.caption
    assert row.distance_km == pytest.approx(278.0, abs=1.0)
    assert len(shown.table.rows) == 5
    assert title in " ".join(str(each) for each in shown.figure.layout.yaxis.ticktext)
    assert answer.sentence.startswith("At Marram the loft is better than the yard")


def test_a_place_stands_under_open_sky_or_the_roof_line_of_the_spot_and_says_which(tmp_path: Path) -> None:
    ridge = Horizon.from_points([(0, 20), (260, 20), (270, 40), (315, 40), (325, 20)])
    workspace = Workspace.load(create(tmp_path / "school", demo=True, at=AT).folder)
    keep_horizon(workspace, "Marram", "loft", ridge)
    opened = DashboardState(Workspace.load(workspace.folder), at=AT)
    try:
        view = opened.workspace.view("Marram", "loft")
        for query, words, horizon in (
            ("", "open sky from 25°", Horizon.flat(20.0)),
            ("&skyline=same", "with the same roof line", ridge),
        ):
            _, shown = side(opened, f"&world=none&added=45.5,-28{query}")
            (row,) = [row for row in shown.table.rows.itertuples() if row.spot == ""]
            assert row.title == f"45.5° N, 28° W ({words})"
            skyline = Skyline.SAME if query else Skyline.OPEN
            seen = placed(view, row.title, 45.5, -28.0, Gateways.KEPT, skyline)
            assert seen.site.horizon == horizon
            own = compare_sites(opened.workspace.fleet(None, AT), [seen], DAY).table
            assert row.covered_fraction == own["covered_fraction"].iloc[0]
            assert ("what differs is both" in shown.caption, "the places alone differ" in shown.caption) == (
                not query, bool(query),
            )  # fmt: skip
    finally:
        opened.close()


def test_a_spot_is_tried_by_its_roof_line_beside_the_others(state: DashboardState) -> None:
    answer, shown = side(state, "&world=none&tried=25,+40+from+270+to+315")
    (row,) = [row for row in shown.table.rows.itertuples() if row.spot == "spot tried"]
    view = state.workspace.view("Marram", "loft")
    wall = survey.lowered(Horizon.flat(25.0), 270.0, 315.0, -15.0)
    seen = replace(view, site=replace(view.site, horizon=wall), label="tried")
    own = compare_sites(state.workspace.fleet(None, AT), [seen], DAY).table
    assert row.covered_fraction == own["covered_fraction"].iloc[0]
    assert (row.site, row.distance_km, len(shown.table.rows)) == ("Marram", 0.0, 5)
    assert "Marram spot tried: 25° all round, 40° from 270 to 315°; not kept in the workspace." in shown.caption
    assert answer.sentence.startswith("At Marram the loft is the best of 3 spots")
    # A mask that is chosen counts at every spot, and a roof line below what the terminal can use says so.
    _, masked = side(state, "&world=none&tried=25,+40+from+270+to+315&mask=30")
    assert "The mask chosen stands in its place, as at every spot." in masked.caption
    _, low = side(state, "&world=none&tried=10")
    assert "Marram spot tried: 10° all round" in low.caption
    # Beside a place that was added, both are compared.
    _, both = side(state, "&world=none&tried=30&added=47.5,-28")
    assert len(both.table.rows) == 6


def test_a_roof_line_is_read_as_people_write_it() -> None:
    ridge = survey.lowered(Horizon.flat(25.0), 270.0, 315.0, -15.0)
    for text in ("25, 40 from 270 to 315", "25°; 40° from 270° to 315°", " 25 ,up to 40 from 270-315"):
        assert roof_line(text) == ridge, text
    assert roof_line("12.5") == Horizon.flat(12.5)
    both = roof_line("20, 30 from 350 to 10, 45 from 90 to 100")
    assert both.elevation_deg([0.0, 95.0, 180.0, 355.0, 12.0]).tolist() == [30.0, 45.0, 20.0, 30.0, 20.0]
    for text, wanted in (
        ("high", "wanted degrees all round"), ("25, tree", "got 'tree'"),
        ("25, 20 from 270 to 315", "more than the 25°"), ("25, 95 from 270 to 315", "below 90°"),
        ("95", "from 0 to below 90"), ("25, 40 from 270 to 415", "from 0 to 360"),
        ("25,", "got 'nothing'"),
    ):  # fmt: skip
        with pytest.raises(SiteError, match=wanted):
            roof_line(text)


def test_what_cannot_be_added_is_said_and_the_rest_is_compared(state: DashboardState) -> None:
    for query, words in (
        ("&added=attic", "place; got 'attic'; wanted degrees"),
        ("&added=95,-28", "latitude of 95° N, 28° W; got 95.0"),
        ("&added=47,-28&gateway=lost", "gateway of the place added; got 'lost'; wanted one of kept, moved, dropped"),
        ("&added=-45,150", "45° S, 150° E is left out"),
        ("&added=47,-28&skyline=none", "roof line of the place added; got 'none'; wanted one of open, same"),
        ("&tried=attic", "roof line of the spot; got 'attic'; wanted degrees all round"),
    ):
        answer, shown = side(state, query)
        assert any(words in note.text for note in answer.notes), (query, [note.text for note in answer.notes])
        assert len(shown.table.rows) == 4


def test_places_are_read_as_people_write_them() -> None:
    for text, wanted in (
        ("47.5", (47.5, None)), ("-33.9, 151.2", (-33.9, 151.2)), ("47.5 N, 28 W", (47.5, -28.0)),
        ("47.5° S 28° E", (-47.5, 28.0)), (" 0;0 ", (0.0, 0.0)), ("−5, −6", (-5.0, -6.0)),
        # 60 km are 0.5396 degrees of a meridian, and told to 11 m.
        ("60 km S", (44.4604, -28.0)), ("60 km north", (45.5396, -28.0)),
    ):  # fmt: skip
        assert _read(text, Site("here", 45.0, -28.0)) == wanted, text


def test_a_way_leads_from_the_site_chosen(state: DashboardState) -> None:
    for site, latitude in (("Marram", "44.4604"), ("Skerry", "51.4604")):
        question = state.question(read_query(f"?site={site}&fleet=few&world=none&added=60 km S")[0])
        added = added_place(question, question.view)
        assert added is not None
        assert added.title == f"{latitude}° N, 28° W"
        assert ground.distance_km(question.view.site, added.view.site) == pytest.approx(60.0, abs=0.01)


def test_the_map_marks_the_gateways_and_the_place_added() -> None:
    import pandas as pd

    grid = [(float(lat), float(lon), 0.5) for lat in range(-60, 90, 60) for lon in range(-120, 180, 120)]
    table = pd.DataFrame(grid, columns=["latitude_deg", "longitude_deg", "covered_fraction"])
    figure = places.world_map(table, LIGHT, sites=[("Marram", 45.0, -28.0)], gateways=[("South", 39.6, -28.0)])
    (marks,) = [trace for trace in figure.data if trace.name == places.GATEWAYS]
    assert (list(marks.lat), list(marks.lon), marks.showlegend) == ([39.6], [-28.0], True)
    (dots,) = [trace for trace in figure.data if trace.name == places.SITES]
    assert marks.marker.symbol != dots.marker.symbol, "told apart without colour"
    assert not [trace for trace in places.world_map(table, LIGHT).data if trace.name == places.GATEWAYS]
