"""Outages out of probes: loss periods, where the fault lies, edges, holes."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from passim.line.outages import find_outages, loss_periods
from passim.line.record import OUTAGE_COLUMNS, LineRecord, Probes, no_outages
from passim.line.targets import Target
from passim.spans import Span

T0 = 1_000_000_000.0
ROUTER, ONE, TWO = Target("router", "192.0.2.1:80", "tcp", "house"), Target("one", "a:1"), Target("two", "b:1")


def probes(target: Target, marks: str, shift_s: float = 0.0, every_s: float = 1.0) -> Probes:
    """A probe a mark: r answered, x lost, blank not sent."""
    sent = [T0 + shift_s + every_s * k for k, mark in enumerate(marks) if mark != " "]
    round_trip = [0.04 if mark == "r" else np.nan for mark in marks if mark != " "]
    return Probes(target, np.array(sent), np.array(round_trip))


def rows(*given: Probes, holes=(), **options) -> list[tuple]:
    found = find_outages(given, [(T0 + a, T0 + b) for a, b in holes], **options)
    start = (found["start"] - datetime.fromtimestamp(T0, UTC)).dt.total_seconds()
    return list(zip(start.round(6), found["duration_s"], found["where"], found["lost"], strict=True))


def test_three_losses_in_a_row_are_an_outage_from_the_first_lost_send_to_the_next_answered_one():
    assert rows(probes(ONE, "rrrxrrxxxrxrrxxxrr")) == [(6, 3, "line", 3), (13, 3, "line", 3)]
    assert rows(probes(ONE, "rrrxrrxxxrxrr"), losses=1) == [(3, 1, "line", 1), (6, 3, "line", 3), (10, 1, "line", 1)]
    assert rows(probes(ONE, "rrxxrr")) == []
    assert list(find_outages([probes(ONE, "rr")]).columns) == list(OUTAGE_COLUMNS)
    assert find_outages([probes(ONE, "rr")]).dtypes.equals(no_outages().dtypes)
    assert find_outages([probes(ONE, "xxx")]).dtypes.equals(no_outages().dtypes)
    assert loss_periods([], 1)[0].size == 0


def test_house_line_and_far_end_are_told_apart():
    assert rows(probes(ROUTER, "rrrrrrrrr"), probes(ONE, "rrxxxxrrr"), probes(TWO, "rrxxxxrrr")) == [(2, 4, "line", 4)]
    assert rows(probes(ROUTER, "rrxxxxrrr"), probes(ONE, "rrxxxxrrr"), probes(TWO, "rrxxxxrrr")) == [(2, 4, "house", 4)]
    assert rows(probes(ROUTER, "rrrrrrrrr"), probes(ONE, "rrrrrrrrr"), probes(TWO, "rrxxxxrrr")) == [(2, 4, "far", 4)]
    # A router that is silent while packets pass it is no outage.
    assert rows(probes(ROUTER, "rxxxxxxxr"), probes(ONE, "rrrrrrrrr"), probes(TWO, "rrrrrrrrr")) == []
    # One target that is out all day hides no outage of the line.
    assert rows(probes(ROUTER, "r" * 20), probes(ONE, "x" * 20), probes(TWO, "r" * 9 + "xxxx" + "r" * 7)) == [
        (0, 9, "far", 9), (9, 4, "line", 4), (13, 7, "far", 7),
    ]  # fmt: skip
    # With the router and one more there is a line and a house, and no far end.
    assert rows(probes(ROUTER, "rrrrrrr"), probes(ONE, "rxxxxrr")) == [(1, 4, "line", 4)]
    assert rows(probes(ROUTER, "rrxxxrr"), probes(ONE, "rxxxxrr")) == [(1, 4, "house", 4)]
    assert rows(probes(ROUTER, "rxxxxrr")) == [(1, 4, "line", 4)]


def test_the_same_fault_seen_a_probe_later_by_one_target_is_one_outage():
    seen = rows(probes(ROUTER, "rrrrrrrrr"), probes(ONE, "rrxxxxrrr", 0.01), probes(TWO, "rrrxxxxrr", 0.02))
    assert seen == [(2.01, 5.01, "line", 4)]


def test_a_hole_cuts_an_outage_and_none_runs_through_it():
    given = probes(ONE, "rrxxxx      xxxxrr")
    found = find_outages([given], [(T0 + 6, T0 + 12)])
    assert found["duration_s"].tolist() == [4, 4]
    assert found["cut_at_start"].tolist() == [False, True]
    assert found["cut_at_end"].tolist() == [True, False]
    # Two losses on either side of a hole are no three in a row.
    assert rows(probes(ONE, "rrxx    xxrr"), holes=[(4, 8)]) == []
    # A hole that begins before the next send is due ends it there.
    assert rows(probes(ONE, "rrxxxx   rr"), holes=[(5.5, 9)]) == [(2, 3.5, "line", 4)]


def test_the_ends_of_the_record_cut_too():
    found = find_outages([probes(ONE, "xxxrrrxxx")])
    assert found["cut_at_start"].tolist() == [True, False]
    assert found["cut_at_end"].tolist() == [False, True]
    assert found["duration_s"].tolist() == [3, 3]
    span = Span(datetime.fromtimestamp(T0, UTC), datetime.fromtimestamp(T0 + 8.25, UTC))
    assert rows(probes(ONE, "xxxrrrxxx"), span=span)[1][1] == pytest.approx(2.25)


def test_a_record_measures_its_span_less_its_holes():
    span = Span(datetime.fromtimestamp(T0, UTC), datetime.fromtimestamp(T0 + 100, UTC))
    holes = np.array([[T0 - 5, T0 + 10], [T0 + 90, T0 + 95.5]])
    record = LineRecord(span, (probes(ROUTER, "rr"), probes(ONE, "rr")), holes, no_outages(), "invented")
    assert record.measured_s == pytest.approx(84.5)
    assert record.told_apart
    assert not LineRecord(span, (probes(ONE, "rr"),), holes, no_outages(), "invented").told_apart
    with pytest.raises(ValueError, match="disjoint"):
        LineRecord(span, (), holes[::-1].copy(), no_outages(), "invented")
    with pytest.raises(ValueError, match="ascend"):
        Probes(ONE, np.array([2.0, 1.0]), np.array([0.1, 0.1]))
