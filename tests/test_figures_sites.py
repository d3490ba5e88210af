"""Pictures of places: the map of the world, its projection and its land, and the names of sites on both pictures."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from plotly.offline import get_plotlyjs_version

import passim_apps
from passim.answers.sites.sweeps import world_places
from passim_apps.figures import equal_earth, places
from passim_apps.figures.theme import CONFIG, DARK, LIGHT, Theme

TOPOJSON = Path(passim_apps.__file__).parent / "dashboard" / "assets" / "topojson"
STATIONS = [("Marram", 45.0, -28.0), ("Skerry", 52.0, -28.0), ("Lantern", 58.5, -28.0)]


def world(step_deg: float = 10.0) -> pd.DataFrame:
    """Return a table of the world: none beyond 60 degrees, all the time north of 40, less and less to the south."""
    table = pd.DataFrame(world_places(step_deg), columns=["latitude_deg", "longitude_deg"])
    latitude = table["latitude_deg"].to_numpy()
    share = np.where(latitude > 40.0, 1.0, 0.005 + 0.99 * (latitude + 90.0) / 180.0)
    return table.assign(covered_fraction=np.where(np.abs(latitude) > 60.0, 0.0, share))


def trace(figure: go.Figure, name: str) -> go.Scattergeo:
    (found,) = [each for each in figure.data if each.name == name]
    return found


def cells(figure: go.Figure) -> dict[int, list[list[list[float]]]]:
    """Return the outlines of the cells by their kind."""
    painted = [each for each in figure.data if each.name == "cells"]
    return {
        each.z[0]: [feature["geometry"]["coordinates"][0] for feature in each.geojson["features"]] for each in painted
    }


# --- the map ----------------------------------------------------------------------------------------------------------


def test_every_place_has_its_own_number_and_words() -> None:
    table = world()
    told = trace(places.world_map(table, LIGHT), places.COVERED)
    np.testing.assert_array_equal(told.customdata, table["covered_fraction"])
    np.testing.assert_array_equal(told.lat, table["latitude_deg"])
    np.testing.assert_array_equal(told.lon, table["longitude_deg"])
    assert told.text[0] == "85° N, 175° W: 0 %"
    assert told.text[-1] == "85° S, 175° E: 0 %"


def test_each_cell_is_painted_by_its_share_and_once() -> None:
    table = world()
    found = cells(places.world_map(table, LIGHT))
    # A cell's kind is 0 without any service, then 1 plus the first bound that its share stays below.
    wanted: dict[int, int] = {}
    for share in table["covered_fraction"]:
        kind = 0 if share == 0.0 else 1 + next(k for k, (_, most) in enumerate(places.SHARES) if share < most)
        wanted[kind] = wanted.get(kind, 0) + 1
    assert set(wanted) == set(found) >= {0, 2, 3, 6}
    for kind, outlines in found.items():
        # Positive where an outline runs clockwise; otherwise plotly paints everything but the cell.
        corners = [np.array(outline).T for outline in outlines]
        areas_deg2 = [float(0.5 * (y[:-1] * x[1:] - x[:-1] * y[1:]).sum()) for x, y in corners]
        assert min(areas_deg2) > 0.0
        assert sum(areas_deg2) == pytest.approx(100.0 * wanted[kind])


def test_places_without_service_are_told_by_shape_as_well() -> None:
    figure = places.world_map(world(), LIGHT)
    assert trace(figure, places.NEVER).marker.symbol == "square-x"
    assert trace(figure, places.SHARES[-1][0]).marker.symbol == "square"
    strokes = trace(figure, "strokes")
    latitude = np.array([value for value in strokes.lat if value is not None])
    assert len(latitude) > 500
    assert np.abs(latitude).min() >= 59.9
    # Where there is some service everywhere nothing is hatched, and the key does not speak of it.
    some = places.world_map(world().assign(covered_fraction=0.5), LIGHT)
    assert not [each for each in some.data if each.name in ("strokes", places.NEVER)]


def test_the_map_takes_its_land_from_its_own_server() -> None:
    figure = places.world_map(world(), LIGHT, sites=STATIONS)
    assert "http" not in figure.to_json()
    assert CONFIG["topojsonURL"] == "/assets/topojson/"
    # plotly asks for <scope>_<resolution>m.json.
    assert (figure.layout.geo2.scope or "world", figure.layout.geo2.resolution or 110) == ("world", 110)
    assert figure.layout.geo2.showcoastlines
    assert {each.geo for each in figure.data if each.type == "scattergeo"} == {"geo2"}


def test_sites_are_named_where_there_is_room_and_stay_text() -> None:
    shown = trace(places.world_map(world(), LIGHT, sites=STATIONS, chosen="Skerry"), places.SITES)
    assert list(shown.text) == ["<b>Skerry</b>", "Marram", "Lantern"]
    assert len(set(zip(shown.lat, shown.textposition, strict=True))) == 3
    crowd = [(f"Station {k}", 45.0 + 0.1 * k, -28.0) for k in range(12)]
    shown = trace(places.world_map(world(), LIGHT, sites=crowd, chosen="Station 7"), places.SITES)
    assert shown.text[0] == "<b>Station 7</b>"
    assert 1 < sum(text != "" for text in shown.text) < 12
    assert shown.hovertext[-1] == "Station 11"
    assert trace(places.world_map(world(), LIGHT, sites=[("<b>", 0.0, 0.0)]), places.SITES).text == ("&lt;b&gt;",)


def luminance(colour: str) -> float:
    """Return the relative luminance of "#RRGGBB" (WCAG 2.2, definition of relative luminance)."""
    parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda theme: theme.name)
def test_more_service_is_further_from_the_paper_and_land_is_seen_on_all_of_it(theme: Theme) -> None:
    """3 to 1 is what WCAG 2.2 (1.4.11, non-text contrast) asks of lines that must be seen."""
    light = [luminance(colour) for colour in places.shades(theme)]
    steps = np.diff([luminance(theme.paper), *light[1:]])
    assert (steps < 0.0).all() if theme is LIGHT else (steps > 0.0).all()
    ink = luminance(theme.ink)
    contrast = [(max(ink, each) + 0.05) / (min(ink, each) + 0.05) for each in light]
    assert min(contrast) >= 3.0


# --- the projection ---------------------------------------------------------------------------------------------------


def test_areas_are_true() -> None:
    """An equal-area map has dx/dlongitude times dy/dlatitude equal to the cosine of the latitude everywhere."""
    latitude = np.linspace(-89.0, 89.0, 357)
    x, _ = equal_earth.plane(latitude, np.degrees(1.0))
    _, above = equal_earth.plane(latitude + 0.001, 0.0)
    _, below = equal_earth.plane(latitude - 0.001, 0.0)
    np.testing.assert_allclose(x * (above - below) / np.radians(0.002), np.cos(np.radians(latitude)), rtol=1e-6)


def test_the_map_has_the_published_shape() -> None:
    """Width to height 2.05, poles 0.59 as long as the equator: Šavrič, Patterson and Jenny 2019 (recalled)."""
    east, _ = equal_earth.plane(0.0, 180.0)
    pole, north = equal_earth.plane(90.0, 180.0)
    assert 2.0 * east == pytest.approx(equal_earth.WIDEST, rel=1e-5)
    assert east / north == pytest.approx(2.05, abs=0.005)
    assert pole / east == pytest.approx(0.59, abs=0.005)


def test_strokes_keep_to_the_wanted_cells_and_run_at_45_degrees() -> None:
    wanted = np.zeros((18, 36), dtype=bool)
    wanted[15, 4:9] = True  # 60 to 70 N, 140 to 90 W
    latitudes, longitudes = equal_earth.strokes(wanted)
    pieces = np.split(np.arange(len(latitudes)), [k + 1 for k, each in enumerate(latitudes) if each is None])
    longest = 0.0
    for piece in pieces:
        points = [(latitudes[k], longitudes[k]) for k in piece if latitudes[k] is not None]
        if not points:
            continue
        latitude, longitude = np.array(points, dtype=np.float64).T
        assert latitude.min() >= 59.99
        assert latitude.max() <= 70.01
        assert longitude.min() >= -140.01
        assert longitude.max() <= -89.99
        x, y = equal_earth.plane(latitude, longitude)
        np.testing.assert_allclose(np.diff(x), np.diff(y), atol=4e-4)  # written to a hundredth of a degree
        longest = max(longest, float(latitude.max() - latitude.min()))
    assert longest > 9.0


# --- by latitude ------------------------------------------------------------------------------------------------------


def sweep(latitudes: np.ndarray) -> pd.DataFrame:
    covered = np.where(np.abs(latitudes) > 60.0, 0.0, 0.9)
    names = ("covered_fraction", "covered_fraction_min", "covered_fraction_max", "covered_if_random")
    return pd.DataFrame({"latitude_deg": latitudes} | dict.fromkeys(names, covered))


def test_names_of_sites_close_together_lie_on_no_line_of_another() -> None:
    table = sweep(np.arange(-90.0, 91.0, 5.0))
    stations = [(name, latitude) for name, latitude, _ in STATIONS]
    layout = places.by_latitude(table, LIGHT, sites=[*stations, ("Far", -45.0), ("Pole", -80.0)]).layout
    notes = {note.text: note for note in layout.annotations}
    feet = {line.x0: line.y0 for line in layout.shapes}
    # Names stand left of their own lines, below the feet of the lines over there.
    assert notes["Marram"].xanchor == notes["Skerry"].xanchor == "right"
    for name, latitude, _ in STATIONS:
        assert notes[name].y == feet[latitude]
        assert all(foot >= notes[name].y + 0.07 for other, foot in feet.items() if 0.0 < other < latitude)
    assert notes["Far"].y == notes["Lantern"].y
    # No room to the left of it.
    assert notes["Pole"].xanchor == "left"


def test_both_hemispheres_have_few_marks_and_two_hatched_ends() -> None:
    figure = places.by_latitude(sweep(np.arange(-90.0, 91.0, 5.0)), LIGHT)
    assert figure.layout.xaxis.ticktext == ("90° S", "60° S", "30° S", "0°", "30° N", "60° N", "90° N")
    (never,) = [each for each in figure.data if each.name == places.NEVER]
    assert (min(never.x), max(never.x)) == (-87.5, 87.5)
    assert min(abs(x) for x in never.x) == 67.5


# --- the land ---------------------------------------------------------------------------------------------------------


def test_the_outlines_of_the_land_are_those_their_page_tells_of() -> None:
    """What lies under assets/ is in the wheel: tests/test_packing.py."""
    data, told = (TOPOJSON / "world_110m.json").read_bytes(), (TOPOJSON / "README.md").read_text(encoding="utf-8")
    assert hashlib.sha256(data).hexdigest() in told
    assert f"plotly.js {get_plotlyjs_version()}" in told, "take the outlines of the release that is installed"
    assert re.search("United Nations.*Natural Earth", told, re.DOTALL)
    assert (TOPOJSON / "LICENSE").read_text(encoding="utf-8").startswith("MIT License")
    found = json.loads(data)
    assert found["type"] == "Topology"
    assert {"coastlines", "land"} <= set(found["objects"])
    (coasts,) = found["objects"]["coastlines"]["geometries"]
    assert len(coasts["arcs"]) > 50
