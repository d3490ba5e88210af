"""The Sites page at the state: what is there at once, what follows, and that every number is passim's own."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from asking import got
from browsing import with_few
from passim import Cone, Horizon, Span
from passim.answers.sites import compare as side_by_side, sweeps, world_bands
from passim.answers.sites.shares import suitable_step_s
from passim.coverage import visibility
from passim.errors import InputError
from passim.parallel import chunks as workers
from passim.spans import DailyHours
from passim.workspace import Workspace
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.controls import options_of_controls
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.pages.sites import page as sites
from passim_apps.dashboard.state import DashboardState
from passim_apps.dashboard.tasks import WORKERS, sites as sites_work
from passim_apps.figures.places import COVERED, SITES
from passim_apps.figures.theme import LIGHT
from passim_apps.text import sites as sites_words
from passim_apps.text.columns import cells_of
from passim_apps.text.units import difference, duration
from patience import PATIENCE_S

AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)  # 07:30 at Marram
DAY = Span.starting(datetime(2026, 11, 25, 1, tzinfo=UTC), 24.0)
HOST = "127.0.0.1:8750"
YARD = "?site=Marram&spot=yard"
# What is worked out place by place is soon there for a small fleet.
OF_FEW = f"{YARD}&fleet=few"


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DashboardState]:
    opened = DashboardState(
        Workspace.load(with_few(tmp_path_factory.mktemp("state") / "school", AT.isoformat())), at=AT
    )
    yield opened
    opened.close()


def asked(state: DashboardState, query: str) -> Any:
    return sites.PAGE.answer(state.question(read_query(query)[0]), LIGHT)


def whole(state: DashboardState, query: str) -> Any:
    """Return what the page answers when nothing is missing any more."""
    for _ in range(6):
        answer = asked(state, query)
        if answer.still is None:
            return answer
        assert answer.still.done.wait(PATIENCE_S)
    raise AssertionError("still working")


def trace(figure: Any, name: str) -> Any:
    (found,) = [each for each in figure.data if each.name == name]
    return found


# --- side by side -----------------------------------------------------------------------------------------------------


def test_the_comparison_is_there_at_once_and_the_rest_follows_once(state: DashboardState) -> None:
    first = asked(state, OF_FEW)
    assert (list(first.panels), first.still is None) == (["side"], False)
    assert "being worked out" in " ".join(note.text for note in first.notes)
    # Whoever asks again meanwhile is told of the same work.
    assert asked(state, OF_FEW).still is first.still
    last = whole(state, OF_FEW)
    assert list(last.panels) == ["side", "latitude", "world"]
    assert last.sentence == first.sentence
    assert "being worked out" not in " ".join(note.text for note in last.notes)


@pytest.mark.parametrize("mask_deg", [None, 32.0])
def test_places_are_compared_as_passim_compares_them(state: DashboardState, mask_deg: float | None) -> None:
    workspace = state.workspace
    places = [(site, spot) for site in workspace.site_names for spot in workspace.spot_names(site)]
    views = [workspace.view(*place) for place in places]
    if mask_deg is not None:
        views = [replace(view, site=replace(view.site, horizon=Horizon.flat(mask_deg))) for view in views]
    fleet = workspace.fleet(None, AT)
    hours = [DailyHours(480, 1080, (0, 1, 2, 3, 4))] * len(views)
    own = side_by_side.compare_sites(fleet, views, DAY, call_hours=hours).table
    own = own.assign(place=places, twofold=[s.joint() for s in visibility.find_visibilities(fleet, views, DAY)])

    table = asked(state, YARD + ("" if mask_deg is None else f"&mask={mask_deg:g}")).panels["side"].table
    ranked = list(zip(table.rows["covered_fraction"], table.rows["twofold_fraction"], strict=True))
    assert ranked == sorted(ranked, reverse=True)
    shown = dict(zip(zip(table.rows["site"], table.rows["spot"], strict=True), table.rows.itertuples(), strict=True))
    assert len(shown) == 4
    for row in own.itertuples():
        mine = shown[row.place]
        for name in ("covered_fraction", "gaps_per_hour", "gap_longest_s", "call_frozen_s", "best_limit_gives_back_s"):
            assert getattr(mine, name) == getattr(row, name), name
        # The share of the day with two or more, counted another way: by sorting comings and goings.
        changes = sorted([(t, 1) for t in row.twofold.start.tolist()] + [(t, -1) for t in row.twofold.end.tolist()])
        level, twofold_us, before = 0, 0, DAY.start_us
        for t, step in changes:
            twofold_us += (t - before) * (level >= 2)
            level, before = level + step, t
        assert mine.twofold_fraction == pytest.approx(twofold_us / (DAY.end_us - DAY.start_us), abs=1e-12)
    cells = cells_of(table.columns, table.shown).rows
    assert all(row[7].endswith(" of 10 h") for row in cells)


def test_the_sentence_compares_the_spots_of_the_site_and_then_the_best_other_site(state: DashboardState) -> None:
    answer = asked(state, YARD)
    table = answer.panels["side"].table
    out_s = {(row.site, row.spot): (1.0 - row.covered_fraction) * 86400.0 for row in table.rows.itertuples()}
    loft, yard = (duration(60.0 * round(out_s["Marram", spot] / 60.0)) for spot in ("loft", "yard"))
    assert answer.sentence == (
        f"At Marram the loft is better than the yard: {loft} instead of {yard} without service on Wed 25 Nov, today. "
        "Skerry, 780 km north, is never out."
    )
    assert asked(state, "?site=Marram&spot=loft").sentence == answer.sentence
    assert list(answer.figures) == [
        (yard, "without service at Marram yard"), ("none", "at the best, Skerry"), ("780 km", "north to Skerry"),
    ]  # fmt: skip
    # A site of one spot is compared with all places.
    assert asked(state, "?site=Lantern").sentence.startswith("Best served on Wed 25 Nov, today: Skerry, never")
    cells = {row[0]: row for row in cells_of(table.columns, table.shown).rows}
    assert [column.heading for column in table.columns[1:4]] == ["Away", "Covered", "Against your spot"]
    less = duration(out_s["Marram", "yard"] - out_s["Marram", "loft"])
    assert (cells["Marram loft"][1], cells["Marram loft"][3]) == ("", f"\N{MINUS SIGN}{less}")
    assert (cells["Marram yard"][1], cells["Marram yard"][3]) == ("", "yours")
    assert cells["Skerry"][1] == "780 km"
    assert cells["Lantern"][-2] == "no single limit"
    assert "No single limit”: there several limits act together" in answer.panels["side"].caption
    assert "In call hours Skerry is never frozen, Marram yard is frozen" in answer.second
    labels = answer.panels["side"].figure.layout.yaxis.ticktext
    assert [label for label in labels if label.startswith("<b>")] == ["<b>Marram yard</b>"]
    assert "the horizon, " in answer.panels["side"].caption
    assert any(note.text.startswith("Call hours, by each place's own clock: 08:00 to 18:00") for note in answer.notes)


# --- elsewhere --------------------------------------------------------------------------------------------------------


def test_latitudes_and_world_are_those_of_a_terminal_without_its_gateway(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sites_work, "usual_grid", lambda *_: sites_work.Grid(15.0, 30.0))
    answer = whole(state, YARD)
    fleet, view = state.workspace.fleet(None, AT), state.workspace.view("Marram", "yard")
    alone = workers.WorkerConfig(processes=1)
    swept = answer.panels["latitude"].table.rows
    # The sites' own latitudes are among them, and the yard's mask is 35 degrees.
    assert {45.0, 52.0, 58.5, 0.0, 90.0, -90.0} <= set(swept["latitude_deg"])
    few = [45.0, 58.5]
    # Satellites are counted once in 10 s: the shares are those of the exact search within what is said of them.
    around = int(swept["places"].iloc[0])
    own = sweeps.sweep_latitudes(fleet, view, few, DAY, longitudes=around, step_s=10.0, workers=alone)
    exact = sweeps.sweep_latitudes(fleet, view, few, DAY, longitudes=around, workers=alone)
    mine = swept[swept["latitude_deg"].isin(few)].reset_index(drop=True)
    pd.testing.assert_frame_equal(mine, own.table)
    away = (mine["covered_fraction"] - exact.table["covered_fraction"]).abs().max()
    assert 0.0 < away < 4.0 * own.share_error < 0.01
    for each in ("latitude", "world"):
        shown = answer.panels[each]
        assert shown.about.startswith("Satellites are counted once in every 10 s: the share covered is right to")
        assert "counted once" not in shown.caption, "it waits behind the question mark"
    assert "Under 35° all round" in answer.panels["latitude"].caption
    # Told for both hemispheres alike: a site's own latitude, looked at in one of them, makes no band.
    assert set(swept.loc[swept["covered_fraction"] == 1.0, "latitude_deg"]) == {-50.0, 50.0, 52.0}
    assert "covered all of 24 h at 50° N and S, by the latitudes" in answer.panels["latitude"].caption
    loft = whole(state, "?site=Marram&spot=loft&world=none").panels["latitude"]
    always = loft.table.rows.loc[loft.table.rows["covered_fraction"] == 1.0, "latitude_deg"]
    bounds = f"from {always[always > 0].min():g}° to {always[(always > 0) & (-always).isin(always)].max():g}° N and S"
    assert f"covered all of 24 h {bounds}" in loft.caption
    marked = {note.text for note in answer.panels["latitude"].figure.layout.annotations}
    assert {"Marram", "Skerry", "Lantern"} <= marked

    world = answer.panels["world"].table.rows
    assert len(world) == 144
    picked = world[world["longitude_deg"] == 15.0].iloc[::5]
    places = list(zip(picked["latitude_deg"], picked["longitude_deg"], strict=True))
    free = sweeps.travelling(view)
    own = sweeps.world_table(list(sweeps.ShareSweep(fleet, free, places, DAY, 10.0, workers=alone)))
    pd.testing.assert_frame_equal(picked.reset_index(drop=True), own)
    figure = answer.panels["world"].figure
    assert list(trace(figure, COVERED).customdata) == world["covered_fraction"].tolist()
    assert trace(figure, SITES).text[0] == "<b>Marram</b>"

    summary = sweeps.WorldSummary()
    for row in world.itertuples():
        summary.add(sweeps.Place(row.latitude_deg, row.longitude_deg, row))
    assert f"the mean is {100.0 * summary.covered_fraction:.1f} %" in answer.panels["world"].caption
    assert "Grid: 15° by 30°, 144 points" in answer.panels["world"].caption


def test_spots_of_one_lowest_height_share_the_work(state: DashboardState) -> None:
    loft, skerry = (state.question(read_query(query)[0]) for query in ("?site=Marram&spot=loft", "?site=Skerry"))
    assert loft.view != skerry.view
    assert sites_work.anywhere(loft.view) == sites_work.anywhere(skerry.view)
    assert "gateway" not in sites_work.anywhere(loft.view).names


def test_a_file_of_a_map_is_asked_for_again_until_it_has_every_point(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No thread of the server waits for the work: seven such requests held every one of them for minutes."""
    monkeypatch.setattr(sites_work, "usual_grid", lambda *_: sites_work.Grid(30.0, 60.0))
    monkeypatch.setattr(sites_work, "usual_latitudes", lambda count: sites_work.Latitudes(30.0, 2))
    client = make_app(state, hosts=[HOST]).server.test_client()
    path = f"/csv/sites/world.csv{OF_FEW}&day=2026-11-27"
    first = client.get(path, headers={"Host": HOST})
    assert first.status_code == 202
    assert "Still being computed" in first.text
    file = got(client, path, {"Host": HOST})
    rows = list(csv.DictReader(io.StringIO(file.text)))
    assert (file.status_code, len(rows)) == (200, 36)
    assert {float(row["latitude_deg"]) for row in rows} == {float(k) for k in range(-75, 90, 30)}


def test_no_map_is_drawn_where_none_is_wanted(state: DashboardState) -> None:
    answer = whole(state, f"{OF_FEW}&world=none")
    assert list(answer.panels) == ["side", "latitude"]
    with pytest.raises(InputError, match=r"map of the world; got '7'; wanted one of usual, 10, 5, 2\.5, none"):
        asked(state, f"{YARD}&world=7")


def test_the_curve_marks_the_place_added_beside_the_sites(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sites_work, "usual_latitudes", lambda count: sites_work.Latitudes(45.0, 1, parts=2))
    shown = [whole(state, f"{OF_FEW}&world=none{more}").panels["latitude"] for more in ("", "&added=-33.9,151.2")]
    before, after = ({note.text: (note.x, note.y) for note in panel.figure.layout.annotations} for panel in shown)
    assert set(after) - set(before) == {"33.9° S"}
    assert after["33.9° S"][0] == -33.9
    assert len(shown[1].figure.layout.shapes) == len(shown[0].figure.layout.shapes) + 1
    # Nothing was worked out anew, and one at the latitude of a site stands above its name.
    assert shown[0].table.rows.equals(shown[1].table.rows)
    same = whole(state, f"{OF_FEW}&world=none&added=45,-28").panels["latitude"].figure.layout.annotations
    at = {note.text: note.y for note in same if note.x == 45.0}
    assert len(at) == len(set(at.values())) == 2


def test_work_that_is_stopped_keeps_what_there_is_and_goes_on_when_asked_again(state: DashboardState) -> None:
    first = asked(state, f"{OF_FEW}&mask=12")
    state.pool.cancel(first.still.number)
    assert first.still.done.wait(PATIENCE_S)
    stopped = asked(state, f"{OF_FEW}&mask=12")
    assert (list(stopped.panels), stopped.still, stopped.sentence) == (["side"], None, first.sentence)
    assert sites_words.STOPPED_EARLY in {note.text for note in stopped.notes}
    assert list(whole(state, f"{OF_FEW}&mask=12").panels) == ["side", "latitude", "world"]


def test_the_map_is_refined_while_one_looks_and_stop_keeps_the_coarse_one(
    state: DashboardState, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sites_work, "usual_grid", lambda *_: sites_work.Grid(10.0, 60.0))
    client = make_app(state, hosts=[HOST]).server.test_client()
    # Stop may come too late, a worker being quick: then another mask is asked for, until it comes in time.
    for mask_deg in range(13, 25):
        query = f"{OF_FEW}&mask={mask_deg}"
        for _ in range(4):
            answer = asked(state, query)
            if "world" in answer.panels:
                break
            assert answer.still.done.wait(PATIENCE_S)
        # Eight of eighteen latitudes are there, each for those about it; the rest is being worked out.
        assert "So far 8 of 18 latitudes; each cell shows the nearest one" in answer.panels["world"].caption
        assert "an edge on the map may be 10° off" in answer.panels["world"].caption
        assert "The map of the world is being refined." in {note.text for note in answer.notes}
        assert len(trace(answer.panels["world"].figure, COVERED).customdata) == 18 * 6
        assert answer.panels["world"].table is None
        state.pool.cancel(answer.still.number)
        assert answer.still.done.wait(PATIENCE_S)
        if answer.still.error is not None:
            break
    assert answer.still.error is not None
    stopped = asked(state, query)
    assert stopped.still is None
    assert len(stopped.panels["world"].table.rows) == 8 * 6
    finer = whole(state, query).panels["world"]
    assert len(finer.table.rows) == 18 * 6
    assert "So far" not in finer.caption
    # No latitude is looked at again: what was there stands in the whole.
    kept = stopped.panels["world"].table.rows
    rows = finer.table.rows[finer.table.rows["latitude_deg"].isin(kept["latitude_deg"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(rows, kept)
    assert got(client, f"/csv/sites/world.csv{query}", {"Host": HOST}).text.count("\n") == 109


def test_the_grid_is_on_the_list_and_a_terminal_with_a_cone_takes_a_coarse_one(state: DashboardState) -> None:
    offer = options_of_controls(state.question(read_query("")[0]), sites.PAGE)["world"]
    assert offer.options[0] == ("usual", "5° by 5°, 2,592 points")
    assert [value for value, _ in offer.options] == ["usual", "10", "2.5", "none"]
    assert "takes longer" not in offer.options[1][1]
    few, many = sites_work.usual_grid(360, None), sites_work.usual_grid(10_000, None)
    assert len(many.places_deg()) < len(few.places_deg()) / 2
    assert sites_work.usual_grid(10_000, 20.0) == sites_work.SQUARE["5"]
    assert sites_work.SQUARE["10"].places_deg() == sweeps.world_places(10.0)
    fine, coarse = (sites_work.usual_latitudes(count) for count in (360, 10_000))
    assert len(coarse.list_deg()) * coarse.longitudes < len(fine.list_deg()) * fine.longitudes / 2
    # A large fleet's are shared out among the workers, each latitude once.
    assert len(fine.shares_deg(fine.list_deg())) == 1
    shares = coarse.shares_deg(coarse.list_deg())
    assert len(shares) == WORKERS
    assert sorted(latitude for share in shares for latitude in share) == coarse.list_deg()
    # Equal steps, so that means over the surface hold.
    assert few.places_deg()[0] == (87.0, -165.0)
    assert len(set(few.places_deg())) == 30 * 12
    # A cone shuts directions, which a count above an elevation cannot know.
    plain = state.question(read_query("")[0]).view
    assert suitable_step_s(sites_work.anywhere(plain), 360) == 10.0
    assert suitable_step_s(sites_work.anywhere(plain), 10_000) == 20.0
    assert suitable_step_s(replace(sites_work.anywhere(plain), limits=(Cone(0.0, 0.0, 50.0),)), 360) is None


# --- words ------------------------------------------------------------------------------------------------------------


def place(title: str, covered: float, gaps: int = 3, longest_s: float = 30.0, in_view: float = 4.0) -> Any:
    return SimpleNamespace(
        title=title, covered_fraction=covered, gap_count=gaps, gap_longest_s=longest_s, in_view_mean=in_view
    )


@pytest.mark.parametrize(
    ("rows", "here", "sentence"),
    [
        ([place("Reef", 1.0, 0)], 0, "Reef is never without service on Mon; there is no other site to compare."),
        (
            [place("Reef", 1.0, 0), place("Bay", 1.0, 0)],
            1,
            "Every place is served equally well on Mon: each of the 2 is never without service.",
        ),
        (
            [place("Reef", 1.0, 0), place("Bay", 1.0, 0, in_view=6.23)],
            1,
            "Every place is served equally well on Mon: each of the 2 is never without service, Bay with most "
            "satellites in view, 6.2 on average.",
        ),
        (
            [place("Reef", 1.0, 0), place("Bay", 0.9, 1)],
            0,
            "Best served on Mon: Reef, your choice, never without service; Bay is next, out 10.0 % of the time (1 gap, "
            "the longest 30 s).",
        ),
        (
            [place("Reef", 1.0, 0), place("Bay", 1.0, 0), place("Cape", 0.5)],
            1,
            "Best served on Mon: Reef and Bay (yours is Bay), never without service; Cape is next, out 50.0 % of the "
            "time (3 gaps, the longest 30 s).",
        ),
    ],
)
def test_the_best_is_told_however_many_share_it(rows: list[Any], here: int, sentence: str) -> None:
    assert sites_words.best_sentence(rows, here, "Mon") == sentence


def spot(site: str, name: str, out_s: float, distance_km: float = 0.0) -> Any:
    title = f"{site} {name}" if distance_km == 0.0 else site
    return SimpleNamespace(
        site=site, spot=name, title=title, out_s=out_s, distance_km=distance_km, direction="east", gap_count=1
    )


@pytest.mark.parametrize(
    ("rows", "here", "sentence"),
    [
        (
            [
                spot("Bay", "roof", 0.0),
                spot("Bay", "mast", 60.0),
                spot("Bay", "hut", 300.0),
                spot("Cape", "", 300.0, 9),
            ],
            2,
            "At Bay the roof is the best of 3 spots: none instead of 5 min at the hut without service on Mon. No other "
            "site has less; Cape, 9.0 km east, has 5 min.",
        ),
        (
            [spot("Bay", "roof", 60.0), spot("Bay", "mast", 60.0)],
            1,
            "At Bay every spot is equally good on Mon, no difference worth moving for: 1 min without service at each "
            "of the 2.",
        ),
        (
            [spot("Bay", "roof", 0.0), spot("Bay", "mast", 0.0), spot("Bay", "hut", 90.0)],
            0,
            "At Bay the roof and the mast are equally good and better than the hut: none instead of 1 min 30 s without "
            "service on Mon.",
        ),
        (
            [spot("Bay", "roof", 1799.0), spot("Bay", "mast", 1801.0)],
            1,
            "At Bay every spot is equally good on Mon, no difference worth moving for: 30 min without service at each "
            "of the 2.",
        ),
        (
            [
                spot("Cape", "", 0.0, 1234.0),
                spot("Reef", "", 0.0, 52.0),
                spot("Bay", "a", 60.0),
                spot("Bay", "b", 90.0),
            ],
            3,
            "At Bay the a is better than the b: 1 min instead of 1 min 30 s without service on Mon. Reef, 52 km east, "
            "is never out.",
        ),
    ],
)
def test_spots_come_first_then_the_nearest_of_the_best_sites(rows: list[Any], here: int, sentence: str) -> None:
    assert sites_words.headline(rows, here, "Mon") == sentence


def test_places_that_tie_are_said_to_tie_and_ranked_by_what_stands_between_them_and_a_gap() -> None:
    """Of two that are never out the first on the list was told as the best, though the other had more in view."""
    rows = [
        SimpleNamespace(**vars(spot("Bay", name, 0.0)), covered_fraction=1.0, twofold_fraction=spare)
        for name, spare in (("mast", 0.991), ("roof", 0.978))
    ]
    assert sites_words.order_sentence(rows, "Mon") == (
        "How much of Mon is without service, least on top. Bay mast and Bay roof tie: of these the one with two or "
        "more satellites in view longest comes first, 99.1 % of the time; Bay roof has 97.8 %."
    )
    for here in (0, 1):
        assert sites_words.side_figures(rows, here) == [
            ("none", f"without service at {rows[here].title}"), ("all 2", "places are as good"), ("none", "has less"),
        ]  # fmt: skip
    assert sites_words.side_figures(rows[:1], 0) == [("none", "without service at Bay mast")]
    rows[1].twofold_fraction = 0.991
    assert sites_words.order_sentence(rows, "Mon").endswith("least on top. Bay mast and Bay roof tie.")
    rows[1].covered_fraction = 0.9
    assert sites_words.order_sentence(rows, "Mon").endswith("least on top.")


def test_differences_are_told_with_their_sign() -> None:
    assert [difference(each) for each in (-7140.0, 0.0, 30.0)] == [
        "\N{MINUS SIGN}1 h 59 min", "the same", "+30 s",
    ]  # fmt: skip


def rows_of(covered: dict[float, float]) -> tuple[world_bands.WorldBands, sweeps.WorldSummary]:
    table = pd.DataFrame(sweeps.world_places(30.0), columns=["latitude_deg", "longitude_deg"])
    share = table["latitude_deg"].map(covered)
    table = table.assign(covered_fraction=share, gaps_per_hour=0.0, gap_longest_s=0.0, in_view_mean=1.0)
    table["gap_count"] = (share < 1.0).astype(int)
    summary = sweeps.WorldSummary()
    for row in table.itertuples():
        summary.add(sweeps.Place(row.latitude_deg, row.longitude_deg, row))
    return world_bands.world_bands(table), summary


NORTH_TO_SOUTH = (75.0, 45.0, 15.0, -15.0, -45.0, -75.0)


@pytest.mark.parametrize(
    ("covered", "words"),
    [
        ((0, 1, 0.9, 0.9, 1, 0), "Service all through Mon at 45° N and S; none at all from 75° N and S on."),
        ((0, 0, 1, 1, 0.5, 0.5), "Service all through Mon from 15° S to 15° N; none at all from 45° N on."),
        ((0.5, 1, 1, 0.5, 1, 0.5), "Service all through Mon from 15° to 45° N and at 45° S; some at every latitude."),
        ((0.2, 0.5, 0, 0, 0.4, 0.2), "No latitude has service all through Mon; the best, 45° N, has 50.0 %; none at "
         "all from 15° S to 15° N."),
        ((1, 1, 1, 1, 1, 1), "Service all through Mon at every point of the Earth."),
        ((0, 0, 0, 0, 0, 0), "No point of the Earth has any service on Mon."),
    ],
)  # fmt: skip
def test_bands_of_latitude_are_told_in_words(covered: tuple[float, ...], words: str) -> None:
    bands, summary = rows_of(dict(zip(NORTH_TO_SOUTH, (float(each) for each in covered), strict=True)))
    assert sites_words.world_caption(bands, summary, "30°", "Mon", 15.0).startswith(words)
