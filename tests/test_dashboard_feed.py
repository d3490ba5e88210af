"""The dashboard that updates by itself: only where it is switched on, only what is due, and once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from feed_server import feed_server, fresh_list, good, in_turn, set_feed, status
from passim.workspace import Workspace, create, update_in_dashboard
from passim_apps.dashboard.pages.feed import FeedRequest
from passim_apps.dashboard.state import DashboardState, Pending
from passim_apps.dashboard.updater import Updater
from patience import PATIENCE_S


@pytest.fixture
def school(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    create(tmp_path / "school", demo=True)
    return tmp_path / "school"


@pytest.fixture
def state(school: Path) -> Iterator[DashboardState]:
    opened = DashboardState(Workspace.load(school))
    yield opened
    opened.close()


def finished(updater: Updater) -> None:
    """Wait until the updates under way are over."""
    for job in updater._under_way.values():
        assert job.done.wait(PATIENCE_S)


def test_it_looks_where_it_is_switched_on_and_due_and_pages_take_it_up(school: Path, state: DashboardState) -> None:
    updater = Updater(state)
    with feed_server(in_turn(good(fresh_list(36)), good(fresh_list(30), '"two"'))) as server:
        set_feed(school, f'address = "{server.address}", minimum_interval_s = 0, every_s = 0.001')
        assert updater.look() == []
        update_in_dashboard(state.workspace, True)
        assert updater.look() == ["Plover"]
        finished(updater)
        now = datetime.now(UTC)
        key, fleet = state.fleet(state.workspace, None, now)
        assert len(fleet) == 36
        assert updater.look() == ["Plover"]
        finished(updater)
        # Of two snapshots within a second the later one is dated a second on.
        later, fleet = state.fleet(state.workspace, None, datetime.now(UTC) + timedelta(seconds=2))
        assert (len(fleet), later != key) == (30, True)
        set_feed(school, f'address = "{server.address}"')
        assert updater.look() == []
        assert server.count == 2


def test_a_rehearsal_asks_nobody(school: Path) -> None:
    with feed_server(good(fresh_list())) as server:
        set_feed(school, f'address = "{server.address}"')
        workspace = update_in_dashboard(Workspace.load(school), True)
        rehearsal = DashboardState(workspace, at=datetime(2026, 11, 25, 8, tzinfo=UTC))
        try:
            assert Updater(rehearsal).look() == []
        finally:
            rehearsal.close()
        assert server.count == 0


def test_what_fails_is_told_on_the_page_with_its_own_words(school: Path, state: DashboardState) -> None:
    with feed_server(in_turn(status("403 Forbidden"), good(fresh_list()))) as server:
        set_feed(school, f'address = "{server.address}"')
        asked = FeedRequest(state, None)
        with pytest.raises(Pending) as still:
            asked()
        assert still.value.job.done.wait(PATIENCE_S)
        told, stands = asked()
        assert told.startswith("Plover: the update failed. answer of 127.0.0.1; got '403 Forbidden'")
        assert "There are no elements yet." in told
        assert "The last request failed: answer of 127.0.0.1" in stands
        assert "It is due in 24 h." in stands
        # Nor does the dashboard ask by itself before the day is over.
        update_in_dashboard(state.workspace, True)
        assert Updater(state).look() == []
        assert server.count == 1


def test_a_folder_is_looked_into_now_and_then(school: Path, state: DashboardState) -> None:
    set_feed(school, 'folder = "incoming"')
    update_in_dashboard(state.workspace, True)
    (school / "incoming").mkdir()
    (school / "incoming" / "list.json").write_bytes(fresh_list())
    updater = Updater(state)
    assert updater.look() == ["Plover"]
    finished(updater)
    assert len(state.workspace.fleet()) == 36
    assert updater.look() == []
