"""A horizon as somebody types it, kept in the workspace, and what people are told of it: no browser."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from passim import Horizon, Span
from passim.coverage import visibility
from passim.coverage.causes import Causes, causes_of
from passim.errors import SiteError, WorkspaceError
from passim.sky.survey import Obstacle, Sighting, Stretch, from_obstacles, from_sightings, from_stretches
from passim.sky.view import View
from passim.workspace import Workspace, create
from passim.workspace.horizons import keep_horizon, would_keep
from passim_apps.dashboard.pages.sky import draft as sky_draft
from passim_apps.figures.horizon_change import AFTER, BEFORE, horizon_change
from passim_apps.figures.theme import DARK, LIGHT
from passim_apps.text.sky import change_sentence, gap_words, horizon_words
from passim_apps.text.units import LocalClock
from tests import scenario

SPAN = Span.starting(datetime(2026, 11, 25, 6, tzinfo=UTC), 3.0)
FIRS = Horizon.from_points([(0, 20), (90, 50), (180, 35), (300, 60)])


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return create(tmp_path / "school", demo=True)


def causes(horizon: Horizon) -> Causes:
    loft = scenario.view_of(scenario.MARRAM_LOFT)
    view = replace(loft, site=replace(loft.site, horizon=horizon))
    found = visibility.find_visibility(scenario.plover(SPAN.start.replace(hour=0)), view, SPAN)
    assert isinstance(found, visibility.Visibility)
    return causes_of(found)


def draft(**changes: Any) -> sky_draft.Draft:
    return {**sky_draft.start(scenario.view_of(scenario.MARRAM_LOFT)), "way": sky_draft.POINTS, **changes}


@pytest.mark.parametrize("horizon", [Horizon.flat(25.0), Horizon.flat(35.0), FIRS])
def test_an_untouched_draft_is_the_horizon_it_began_with(horizon: Horizon) -> None:
    found = sky_draft.survey_of(sky_draft.start(View(replace(scenario.MARRAM_LOFT, horizon=horizon)))).horizon
    for azimuth_deg in range(0, 360, 5):
        assert found.elevation_deg(azimuth_deg) == pytest.approx(horizon.elevation_deg(azimuth_deg), abs=1e-9)


def test_points_and_obstacles_are_those_of_the_survey() -> None:
    points = [["180", " 40,5 "], ["0", "30"], ["", ""], ["90", "-2"]]
    typed = sky_draft.survey_of(draft(points=points, declination="5"))
    sighted = from_sightings(
        [Sighting(0.0, 30.0), Sighting(90.0, -2.0), Sighting(180.0, 40.5)],
        declination_deg=5.0,
        base=Horizon.flat(25.0),
    )
    assert typed == sighted
    assert typed.below_horizontal == 1

    walls = draft(way="obstacles", obstacles=[["200", "6", "12", "9"]], mount="3", lowest="20")
    own = from_obstacles([Obstacle(200.0, 6.0, 12.0, 9.0)], 3.0, base=Horizon.flat(20.0))
    assert sky_draft.survey_of(walls) == own
    # Outside reckoning: a wall 6 m above the mount and 12 m off stands atan(6 / 12) = 26.565 deg high.
    assert own.horizon.elevation_deg(200.0) == pytest.approx(26.565, abs=0.001)


def test_what_cannot_be_used_is_named(subtests: pytest.Subtests) -> None:
    for changes, message in [
        ({"points": [["0", "x"], ["90", "3"]]}, "elevation of point 1; got 'x'; wanted a number; try 12.5"),
        ({"points": [["0", "nan"], ["90", "3"]]}, "elevation of point 1; got 'nan'; wanted a number; try 12.5"),
        (
            {"points": [["0", "3"], ["", ""], ["90", ""]]},
            "elevation of point 3; got 'nothing'; wanted a number; try 12.5",
        ),
        ({"points": [["0", "3"]]}, "sightings; got '1 point'; wanted at least two points of azimuth and elevation"),
        ({"points": [["0", "3"], ["0", "4"]]}, "azimuths of the sightings; got '0 after 0'"),
        ({"points": [["400", "3"], ["0", "4"]]}, "azimuth of a sighting; got 400.0; wanted from 0 to 360 deg"),
        ({"lowest": ""}, "least elevation of any direction; got 'nothing'"),
        ({"lowest": "95"}, "mask; got 95.0; wanted from 0 to below 90 deg"),
        ({"declination": "west"}, "compass declination; got 'west'"),
        ({"way": "obstacles"}, "obstacles; got 'none yet'; wanted bearing, width, distance and height"),
        ({"way": "obstacles", "obstacles": [["1", "2", "3", "4"]]}, "height of the mount; got 'nothing'"),
        ({"way": "obstacles", "obstacles": [["1", "2", "0", "4"]], "mount": "2"}, "distance of the obstacle at 1 deg"),
        ({"way": "file"}, "horizon file; got 'none yet'"),
        ({"way": "stretches", "stretches": [["1", "2", "x"]]}, "up to elevation ° of stretch 1; got 'x'; wanted a num"),
        ({"way": "stretches", "stretches": [["9", "9", "30"]]}, "the stretch from 9 to 9 deg; got '0 deg wide'"),
        ({"way": "stretches", "stretches": [["9", "400", "30"]]}, "end of a stretch; got '400 deg'"),
    ]:
        with subtests.test(changes=changes, message=message):
            with pytest.raises(SiteError) as caught:
                sky_draft.survey_of(draft(**changes))
            assert str(caught.value).startswith(message)
            assert "\n" not in str(caught.value)


RIDGE = from_stretches([Stretch(270.0, 315.0, 40.0), Stretch(350.0, 20.0, 30.0)], base=Horizon.flat(25.0)).horizon


def test_stretches_are_those_of_the_survey_and_come_back_as_they_were_kept(workspace: Workspace) -> None:
    rows = [["270", "315", "40"], ["", "", ""], ["350", "20", "30"]]
    typed = draft(way="stretches", stretches=rows)
    assert sky_draft.survey_of(typed).horizon == RIDGE
    # Over north and with upright ends, clear down to the lowest elevation everywhere else.
    heights = RIDGE.elevation_deg([269.9, 270.0, 300.0, 315.0, 315.1, 349.9, 350.0, 0.0, 20.0, 20.1])
    assert heights.tolist() == pytest.approx([25, 40, 40, 40, 25, 25, 30, 30, 30, 25])
    now, _, _ = keep_horizon(workspace, "Marram", "loft", sky_draft.survey_of(typed).horizon)
    again = sky_draft.start(now.view("Marram", "loft"))
    assert again["way"] == "stretches"
    assert [row for row in again["stretches"] if row[0]] == [rows[2], rows[0]] or again["stretches"] == [
        rows[0],
        rows[2],
    ]
    assert sky_draft.survey_of(again).horizon == RIDGE
    # What slopes is shown by its points; a draft from before there were stretches is one still.
    assert sky_draft.start(View(replace(scenario.MARRAM_LOFT, horizon=FIRS)))["way"] == "points"
    old = {key: value for key, value in draft().items() if key != "stretches"}
    assert sky_draft.sound(old) == draft()


def test_a_flat_site_can_say_so_and_the_lines_are_shown_before(workspace: Workspace) -> None:
    text = workspace.text.replace('name = "loft"\nmask_deg = 25.0', 'name = "loft"')
    workspace.file.write_text(text)
    workspace = Workspace.load(workspace.folder)
    assert workspace.site("Marram", "loft").horizon == Horizon.flat(25.0, assumed=True)
    clear = sky_draft.survey_of(draft(way="clear", lowest="20")).horizon
    lines = would_keep(workspace, "Marram", "loft", clear)
    assert workspace.text == text
    assert list(workspace.folder.glob("horizon-*")) == []
    now, name, earlier = keep_horizon(workspace, "Marram", "loft", clear)
    # Nobody had entered one before, so that there is none to keep.
    assert (name, earlier) == ("horizon-marram-loft.csv", None)
    assert now.changes_since(text) == lines == [f'+ horizon_file = "{name}"']
    horizon = now.site("Marram", "loft").horizon
    assert (horizon.is_flat, horizon.lowest_deg, horizon.assumed) == (True, 20.0, False)


def test_a_file_is_taken_whole_or_not_at_all() -> None:
    before = draft()
    given = sky_draft.with_file(before, "roof.csv", b"\xef\xbb\xbfazimuth_deg,elevation_deg\r\n0,30\r\n90,40\r\n")
    assert sky_draft.survey_of(given).horizon == Horizon.from_points([(0, 30), (90, 40)])
    assert before["file"] is None
    for data, words in (
        (b"azimuth_deg,elevation_deg\n0,30\n90,high\n", "horizon file roof.csv, line 3"),
        (b"az,el\n0,30\n", "horizon file roof.csv, line 1"),
        (b"", "horizon file roof.csv, line 1"),
        (b"\xff\xfe\x00", "horizon file roof.csv"),
        (b"x" * 1_000_001, "horizon file roof.csv; got '1000001 bytes'; wanted at most 1 MB"),
    ):
        with pytest.raises(SiteError) as caught:
            sky_draft.with_file(before, "roof.csv", data)
        assert str(caught.value).startswith(words)


def test_what_a_browser_kept_is_looked_at_before_it_is_used() -> None:
    given = draft()
    assert sky_draft.sound(given) == given
    for damaged in (
        None, [], {"way": "points"}, {**given, "way": "guess"}, {**given, "points": [["1"]]}, {**given, "points": 3},
        {**given, "file": {"name": "x"}}, {**given, "file": {"name": "x", "points": [["a", "b"]]}},
    ):  # fmt: skip
        assert sky_draft.sound(damaged) is None
    long = sky_draft.sound({**given, "points": [["1" * 500, "2"]] * 900})
    assert long is not None
    assert len(long["points"]) == sky_draft.MOST_ROWS
    assert len(long["points"][0][0]) == 40


def test_a_horizon_is_kept_beside_the_workspace_file(workspace: Workspace) -> None:
    before = workspace.file.read_text()
    now, name, earlier = keep_horizon(workspace, "marram", "LOFT", FIRS)
    assert (name, earlier) == ("horizon-marram-loft.csv", "horizon-before-marram-loft.csv")
    # There is a way back: the mask that the workspace file named before stands beside it as points.
    assert Horizon.from_csv(workspace.folder / earlier).elevation_deg([0.0, 123.0]).tolist() == [25.0, 25.0]
    assert now.site("Marram", "loft").horizon == FIRS == Workspace.load(workspace.folder).site("Marram").horizon
    assert now.site("Marram", "yard").horizon == Horizon.flat(35.0)
    # Nothing else of the file changes, remarks least of all.
    after = workspace.file.read_text()
    assert after == before.replace('name = "loft"\nmask_deg = 25.0', f'name = "loft"\nhorizon_file = "{name}"')
    # The next one takes the next number, so that the one before stays; so does a file of somebody else's.
    now, name, earlier = keep_horizon(now, "Marram", "loft", Horizon.flat(30.0))
    assert (name, earlier) == ("horizon-marram-loft-2.csv", "horizon-marram-loft.csv")
    assert now.site("Marram", "loft").horizon.is_flat
    assert Horizon.from_csv(workspace.folder / earlier) == FIRS
    (workspace.folder / "horizon-marram-yard.csv").write_text("mine")
    now, name, _ = keep_horizon(now, "Marram", "yard", FIRS)
    assert name == "horizon-marram-yard-2.csv"
    assert (workspace.folder / "horizon-marram-yard.csv").read_text() == "mine"
    assert now.site("Marram", "yard").horizon == FIRS


def test_a_horizon_that_was_assumed_is_assumed_no_longer(workspace: Workspace) -> None:
    assumed = workspace.assume({"sites.Marram.spots.loft.mask_deg": 40.0}, "a guess", date(2026, 11, 25))
    assert [one.setting for one in assumed.assumptions] == ["sites.Marram.spots.loft.mask_deg"]
    now, _, _ = keep_horizon(assumed, "Marram", "loft", FIRS)
    assert now.assumptions == ()


def test_a_horizon_is_not_kept_for_a_spot_that_is_not_there_nor_over_a_damaged_file(workspace: Workspace) -> None:
    with pytest.raises(WorkspaceError, match="mounting spot"):
        keep_horizon(workspace, "Marram", "cellar", FIRS)
    workspace.file.write_text("sites = [")
    with pytest.raises(WorkspaceError):
        keep_horizon(workspace, "Marram", "loft", FIRS)
    assert workspace.file.read_text() == "sites = ["
    assert list(workspace.folder.glob("horizon-*")) == []


def test_names_lead_nowhere_else(workspace: Workspace) -> None:
    text = workspace.file.read_text().replace('name = "loft"', 'name = "../../../tmp/loft"')
    workspace.file.write_text(text)
    _, name, _ = keep_horizon(Workspace.load(workspace.folder), "Marram", "../../../tmp/loft", FIRS)
    assert name == "horizon-marram-tmp-loft.csv"
    assert (workspace.folder / name).is_file()


def test_no_fault_before_anything_is_given() -> None:
    for way, told in (
        (sky_draft.STRETCHES, "Give the azimuths"),
        (sky_draft.OBSTACLES, "Fill in"),
        (sky_draft.FILE, "Upload"),
    ):
        assert sky_draft.waits_for(draft(way=way)).startswith(told)
    assert sky_draft.waits_for(draft()) == ""
    assert sky_draft.waits_for(draft(way=sky_draft.OBSTACLES, obstacles=[["180", "", "", ""]])) == ""


def test_the_words_of_a_change_are_passims_numbers() -> None:
    before, after = causes(Horizon.flat(25.0)).coverage, causes(FIRS).coverage
    told = change_sentence(before, after, "Wed 25 Nov")
    assert told.startswith(f"With this horizon {len(after.gaps())} gaps on Wed 25 Nov, ")
    assert f"; now {len(before.gaps())} gaps, " in told
    assert told.endswith(" more.")
    assert change_sentence(after, before, "Wed 25 Nov").endswith(" less.")
    assert change_sentence(before, before, "Wed 25 Nov").endswith(": the same as now.")
    assert horizon_words(FIRS) == "4 points, 20° to 60°"
    assert horizon_words(Horizon.flat(25.0)) == "25° all round"


def test_every_gap_has_its_words() -> None:
    why, clock = causes(FIRS), LocalClock("Atlantic/Azores", SPAN)
    for row, cause in zip(why.table.itertuples(index=False), why.each, strict=True):
        told = gap_words(row, cause, clock, why.visibility.view.floor_deg)
        assert told.startswith(clock.time(row.start))
        assert (row.closed_by, row.closed_by_pairs) == (
            ", ".join(cause.closed_by),
            ", ".join(" with ".join(pair) for pair in cause.closed_by_pairs),
        )
        if cause.closed_by:
            assert all(f"the {name}" in told for name in cause.closed_by)
            assert "It would close if" in told
        elif cause.closed_by_pairs:
            assert "both together" in told
        if row.missing_direction:
            assert f"number {row.missing_satellite_id}, stood {row.missing_direction}," in told


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_the_picture_of_two_horizons_holds_both(theme: Any) -> None:
    flat, firs = causes(Horizon.flat(25.0)).coverage, causes(FIRS).coverage
    figure = horizon_change((Horizon.flat(25.0), flat), (FIRS, firs), LocalClock("Atlantic/Azores", SPAN), theme)
    drawn = {trace.name: trace for trace in figure.data}
    for name, coverage in ((BEFORE, flat), (AFTER, firs)):
        assert list(drawn[name].width) == pytest.approx((1000.0 * coverage.gaps()["duration_s"]).to_list())
        assert drawn[name].marker.pattern.shape == "/"
    assert max(drawn["skyline with this"].y) == 60.0
    assert set(drawn["skyline now"].y) == {25.0}
