"""What is kept of one search for the next: the same answer as from nothing, within a bound, and never by accident."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

import passim
from element_sets import EPOCH
from passim import ArcKeepOut, Cone, Fleet, Gateway, Horizon, View
from passim.coverage import visibility
from passim.orbits.arcs import NodeGrid
from passim.sky.fleet_search import SEARCHES, FleetSearch, RetainedSearches
from passim.sky.limits import GatewayLimit
from scenario import MARRAM_LOFT, SOUTH, plover

SPAN = passim.Span.starting(EPOCH, hours=6)
SITE = MARRAM_LOFT


def under(horizon: Horizon, *limits: object) -> View:
    return View(replace(SITE, horizon=horizon), tuple(limits))


CHANGES = [
    under(Horizon.flat(25.0)),
    under(Horizon.flat(33.0)),
    under(Horizon.flat(15.0)),
    under(Horizon((0.0, 90.0, 180.0, 270.0), (25.0, 40.0, 27.0, 35.0))),
    under(Horizon.flat(25.0), Cone(0.0, 20.0, 50.0)),
    under(Horizon.flat(25.0), GatewayLimit((SOUTH,))),
    under(Horizon.flat(30.0), GatewayLimit((Gateway("other", 49.0, -28.0),)), ArcKeepOut(18.0)),
    View(replace(SITE, latitude_deg=52.0)),
    under(Horizon.flat(25.0)),
]


@pytest.fixture(autouse=True)
def nothing_retained():
    SEARCHES.clear()
    yield
    SEARCHES.clear()


def answer(fleet: Fleet, view: View) -> list[tuple[np.ndarray, ...]]:
    found = visibility.find_visibility(fleet, view, SPAN)
    return [tuple(found.base), *(tuple(found.allowed[name]) for name in view.names), tuple(found.candidates())]


def same(one: list[tuple[np.ndarray, ...]], other: list[tuple[np.ndarray, ...]]) -> bool:
    return all(np.array_equal(a, b) for x, y in zip(one, other, strict=True) for a, b in zip(x, y, strict=True))


def test_each_changed_limit_is_answered_as_if_nothing_had_been_kept() -> None:
    fleet = plover(EPOCH)
    one_after_the_other = [answer(fleet, view) for view in CHANGES]
    for view, kept in zip(CHANGES, one_after_the_other, strict=True):
        SEARCHES.clear()
        assert same(kept, answer(fleet, view)), view


def test_a_changed_mask_runs_sgp4_at_no_node_again(monkeypatch) -> None:
    fleet, runs = plover(EPOCH), []
    run = NodeGrid._run
    monkeypatch.setattr(NodeGrid, "_run", lambda self, owner, *rest: (runs.append(len(owner)), run(self, owner, *rest)))
    answer(fleet, under(Horizon.flat(25.0)))
    before = sum(runs)
    answer(fleet, under(Horizon.flat(31.0), Cone(0.0, 20.0, 50.0)))
    assert before > 1000
    assert sum(runs) == before


def test_a_copy_of_the_fleet_is_known_and_another_fleet_or_span_is_not() -> None:
    fleet = plover(EPOCH)
    kept = SEARCHES.take(fleet, SPAN)
    SEARCHES.give_back(kept)
    copy = Fleet(fleet.records, "a copy")
    assert SEARCHES.take(copy, SPAN) is kept
    assert kept.fleet is copy
    SEARCHES.give_back(kept)
    assert SEARCHES.take(fleet.select(range(len(fleet) - 1)), SPAN) is not kept
    assert SEARCHES.take(fleet, passim.Span(SPAN.start, SPAN.end - timedelta(seconds=1))) is not kept
    moved = Fleet([replace(fleet[0], bstar=1e-4), *fleet.records[1:]])
    assert SEARCHES.take(moved, SPAN) is not kept


def test_a_search_in_use_is_nobody_elses() -> None:
    fleet = plover(EPOCH)
    SEARCHES.give_back(SEARCHES.take(fleet, SPAN))
    assert SEARCHES.take(fleet, SPAN) is not SEARCHES.take(fleet, SPAN)


def test_what_is_kept_stays_within_its_bound_and_the_oldest_goes_first() -> None:
    fleet = plover(EPOCH)
    sizes = []
    few = RetainedSearches(most_bytes=0)
    for hours in (1, 2, 3):
        search = FleetSearch(fleet, passim.Span.starting(EPOCH, hours=hours))
        search.retains = True
        visibility._found(search, [View(SITE)], None)
        sizes.append(search.size_bytes)
        few.most_bytes = sum(sizes[-2:])
        few.give_back(search)
    assert min(sizes) > 10_000
    assert [search.span.duration_s / 3600.0 for search in few._kept] == [3.0, 2.0]


def test_nothing_is_kept_where_a_satellite_gave_no_usable_state() -> None:
    fleet = plover(EPOCH)
    decayed = replace(fleet[0], satellite_id="990000001", mean_motion_rev_day=16.9, bstar=0.5)
    search = SEARCHES.take(Fleet([*fleet.records, decayed]), SPAN)
    visibility._found(search, [View(SITE)], None)
    assert search.had_trouble
    SEARCHES.give_back(search)
    assert not SEARCHES._kept
