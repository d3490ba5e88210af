"""How older elements did, on the Elements page: the sentence and the picture against the hindcast itself, or a reason.

The snapshots are invented, with errors of their own.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from asking import outcome, unhurried
from feed_server import set_feed
from passim import read_elements
from passim.forecast.hindcast import Snapshots, score_snapshots
from passim.workspace import Workspace, adding, create, snapshots_to_score
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.pages import elements
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.hindcast import GapCounts, forecast_gaps
from passim_apps.figures.theme import DARK, LIGHT
from passim_apps.text.hindcast import INVENTED_TODAY, NO_FEED, ONE_SNAPSHOT
from snapshots import Truth, keep_history

SAMPLES = Path(__file__).parents[1] / "tle_samples"
AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    unhurried(monkeypatch)


@pytest.fixture
def school(tmp_path: Path) -> Workspace:
    return create(tmp_path / "school", demo=True, at=AT)


def shown(folder: Path, query: str = "?site=marram&spot=yard") -> Any:
    """Return what the panel shows once all is worked out."""

    def ask() -> Any:
        answer = elements.PAGE.answer(state.question(read_query(query)[0]), LIGHT)
        if answer.still is not None:
            # What the elements themselves tell is there meanwhile.
            assert {"status", "ages", "errors"} <= set(answer.panels)
            answer.still.done.wait()
            return ask()
        return answer.panels["quality"]

    state = DashboardState(Workspace.load(folder), at=AT)
    try:
        return outcome(ask)
    finally:
        state.close()


@pytest.fixture
def kept(school: Workspace) -> Workspace:
    """A workspace whose fleet has three snapshots, days apart."""
    true = school.fleet()
    true = true.select(range(0, len(true), 2))
    set_feed(school.folder, 'folder = "incoming"')
    workspace = Workspace.load(school.folder)
    keep_history(workspace.snapshots(), true, (0.0, 1.0, 3.0), Truth(0.2, 1.0), AT)
    return workspace


def test_a_fleet_without_two_snapshots_has_a_reason_and_no_picture(school: Workspace) -> None:
    found = shown(school.folder)
    assert (found.caption, found.table) == (INVENTED_TODAY, None)
    assert all(len(trace.x) == 0 for trace in found.figure.data)
    true = school.fleet()
    set_feed(school.folder, 'folder = "incoming"')
    store = Workspace.load(school.folder).snapshots()
    keep_history(store, true, (0.0,), Truth(0.2, 1.0), AT)
    assert shown(school.folder).caption == ONE_SNAPSHOT
    # Two that came within hours of each other tell nothing of days.
    keep_history(store, true, (0.1,), Truth(0.2, 1.0), AT)
    assert "wanted two that came about a day apart" in shown(school.folder).caption


def test_the_page_tells_what_the_hindcast_finds(kept: Workspace) -> None:
    found = shown(kept.folder)
    pairs = [Snapshots(older, newer) for older, newer in snapshots_to_score(kept)]
    scored = score_snapshots(pairs, kept.view("marram", "yard"), model=kept.timing().model)
    one, three = sorted(scored.pairs, key=lambda pair: pair.freshness.median_s)
    assert one.gaps.forecast_count > 20
    for row, pair in zip(found.table.rows.to_dict("records"), (one, three), strict=True):
        off = pair.further_off_s.size
        assert (row["forecast"], row["as_forecast"], row["further_off"]) == (
            pair.gaps.forecast_count, pair.gaps.hits, off,
        )  # fmt: skip
        # Every gap forecast is one of three, and every gap that came is forecast or not.
        assert row["as_forecast"] + row["further_off"] + row["not_come"] == row["forecast"]
        assert row["as_forecast"] + row["further_off"] + row["unforeseen"] == pair.gaps.came_count
    assert f"forecast {one.gaps.forecast_count} gaps at Marram" in found.caption
    assert f": {one.gaps.hits} began within {one.gaps.tolerance_s:.2g} s of their time" in found.caption
    bars = {trace.name: list(trace.x) for trace in found.figure.data}
    assert bars["as forecast"] == [one.gaps.hits, three.gaps.hits]
    assert bars["not forecast"] == [-row["unforeseen"] for row in found.table.rows.to_dict("records")]


def test_an_older_list_beside_the_fleet_is_what_it_is_held_against(school: Workspace) -> None:
    new, old = ((name, (SAMPLES / name).read_bytes()) for name in ("plover.json.gz", "plover-two-days-older.json.gz"))
    adding.add_fleet(school, [new], "new")
    assert shown(school.folder, "?site=marram&spot=yard&fleet=new").caption == NO_FEED
    adding.add_fleet(Workspace.load(school.folder), [old], "old")
    adding.add_fleet(Workspace.load(school.folder), [old, new], "both")
    scored = score_snapshots(
        Snapshots(read_elements(SAMPLES / old[0]), read_elements(SAMPLES / new[0])), school.view("marram", "yard")
    )
    (pair,) = scored.pairs
    # Whichever of them is chosen, and where one holds both.
    for fleet, words in (
        ("new", "Compared: elements of new with older ones of old."),
        ("old", "Compared: elements of new with older ones of old."),
        ("both", "Compared: the newest elements of each satellite in both with older ones that it holds as well."),
    ):
        found = shown(school.folder, f"?site=marram&spot=yard&fleet={fleet}")
        (row,) = found.table.rows.to_dict("records")
        assert (row["forecast"], row["as_forecast"]) == (pair.gaps.forecast_count, pair.gaps.hits)
        assert found.caption.endswith(words)


def test_each_kind_is_told_apart_without_its_colour() -> None:
    pairs = [GapCounts("a day old", 60, 10, 5, 4), GapCounts("3.0 days old", 30, 20, 25, 24)]
    for theme in (LIGHT, DARK):
        figure = forecast_gaps(pairs, theme)
        looks = {trace.name: (trace.marker.pattern.shape, trace.marker.color) for trace in figure.data}
        assert len(set(looks.values())) == 4
        assert theme.out not in str(looks), "that is the colour of no service"
        words = [annotation.text for annotation in figure.layout.annotations]
        assert "60 as forecast" in words
        assert "30 as forecast" in words
