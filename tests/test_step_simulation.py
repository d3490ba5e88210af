"""The step simulation that tests cite, two hours of it beside passim: the same seconds served and unserved."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from passim import Coverage, Span
from passim.coverage.visibility import find_visibility
from passim.intervals import Steps, level_at
from passim.sky.view import View
from step_simulation import LOFT, SOUTH, YARD, gaps, plover, served
from tests import scenario

DAY = datetime(2026, 11, 25, tzinfo=UTC)
HOURS, STEP_S = 2.0, 5.0


def test_steps_of_the_yard_and_of_the_gateway_are_those_of_passim() -> None:
    ways = served(plover(), [[YARD], [LOFT, SOUTH]], HOURS, STEP_S)
    fleet, span = scenario.plover(DAY), Span.starting(DAY, HOURS)
    time_us = span.start_us + np.arange(0.0, HOURS * 3600.0, STEP_S).astype(np.int64) * 1_000_000
    views = (View(scenario.MARRAM_YARD), scenario.view_of(scenario.MARRAM_LOFT))
    for up, view in zip(ways, views, strict=True):
        joint = find_visibility(fleet, view, span).joint()
        coverage = Coverage.from_intervals(joint.start, joint.end, span)
        ours = level_at(Steps(coverage.edges_us, coverage.in_view), time_us) > 0
        # UT1 is left out there: an edge moves by some hundredths of a second, and a step lies so near one now and then.
        assert np.count_nonzero(ours != up) <= 2
    assert not ways.all()


def test_gaps_of_steps_by_hand() -> None:
    starts, lengths = gaps(np.array([False, True, False, False, True, True, False]), 2.0)
    assert (starts.tolist(), lengths.tolist()) == ([0, 2, 6], [2.0, 4.0, 2.0])
