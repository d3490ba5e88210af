"""Loss periods of RFC 3357, "One-way Loss Pattern Sample Metrics", Koodli and Ravikanth, August 2002.

Its example (read in a draft of it): of sixteen packets numbered from 0, those marked x are lost,

    r r r x r r x x x r x r r x x x

and there are four loss periods, beginning at packets 3, 6, 10 and 13, of lengths 1, 3, 1 and 3. A packet received
holds its place in the row, [n, n+1); loss periods are what no received packet holds.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from passim.coverage import Coverage
from passim.intervals import complement
from passim.line import loss_periods
from passim.spans import Span

ROW = list("rrrxrrxxxrxrrxxx")
BEGINNINGS, LENGTHS = [3, 6, 10, 13], [1, 3, 1, 3]

received = np.array([n for n, mark in enumerate(ROW) if mark == "r"], dtype=np.int64)


def test_the_complement_of_what_was_received_is_the_loss_periods():
    start, end = complement((received, received + 1), 0, len(ROW))
    assert start.tolist() == BEGINNINGS
    assert (end - start).tolist() == LENGTHS


def test_the_gaps_of_one_packet_a_second_are_the_loss_periods():
    span = Span.starting(datetime(2026, 11, 25, tzinfo=UTC), hours=len(ROW) / 3600)
    sent_us = span.start_us + received * 1_000_000
    gaps = Coverage.from_intervals(sent_us, sent_us + 1_000_000, span).gaps()
    assert ((gaps["start"] - span.start).dt.total_seconds()).tolist() == BEGINNINGS
    assert gaps["duration_s"].tolist() == LENGTHS
    # The last one may go on past the sample: the RFC cannot tell either, and here it says so.
    assert gaps["cut_at_end"].tolist() == [False, False, False, True]


def test_the_loss_periods_of_a_record_are_those_of_the_example():
    first, length = loss_periods([mark == "x" for mark in ROW], losses=1)
    assert first.tolist() == BEGINNINGS
    assert length.tolist() == LENGTHS
    # As outages count, from three losses on.
    first, length = loss_periods([mark == "x" for mark in ROW])
    assert first.tolist() == [6, 13]
