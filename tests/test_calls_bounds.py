"""The thresholds of calls at the very value: each case worked out by hand, one step on either side."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.hours import MINUTE_US
from passim.answers.calls.kinds import STREAM, VIDEO
from passim.answers.calls.now import now
from passim.answers.calls.outlook import windows
from passim.answers.calls.plan import Gain, MeanAndRange, better, gain_of, plan_of
from passim.coverage import Coverage
from passim.elements.records import Fleet
from passim.forecast.timing import TimingModel, band_of
from passim.intervals import GroupedIntervals
from passim.spans import Span
from passim_apps.text.calls import gain_verdict
from passim_apps.text.gaps import day_sentence
from passim_apps.text.now import gap_line
from passim_apps.text.units import LocalClock
from tests import scenario

DAY = datetime(2026, 11, 25, tzinfo=UTC)


def one_gap(begins_s: float, gap_s: float, hours: float = 3.0) -> ServiceForecast:
    """A forecast without timing error with one gap, in seconds from the start."""
    span = Span.starting(DAY, hours)
    fleet = Fleet(scenario.plover(DAY).records[:2], "invented")
    start_s, end_s = [-300.0, begins_s + gap_s], [begins_s, hours * 3600.0 + 300.0]
    start, end = (np.array([span.start_us + round(s * 1e6) for s in column]) for column in (start_s, end_s))
    joint = GroupedIntervals(np.arange(2), start, end)
    return ServiceForecast(span, fleet, joint, searched_span(span), TimingModel.steady(0.0))


@pytest.mark.parametrize(
    ("gap_s", "freezes", "pauses", "ended"),
    [
        (0.499999, 0.0, 0.0, 0.0),
        (0.5, 1.0, 0.0, 0.0),
        (4.999999, 1.0, 0.0, 0.0),
        (5.0, 1.0, 1.0, 0.0),
        (29.999999, 1.0, 1.0, 0.0),
        (30.0, 1.0, 1.0, 1.0),
    ],
)
def test_a_gap_exactly_as_long_as_a_limit(gap_s: float, freezes: float, pauses: float, ended: float) -> None:
    """Noticed from 0.5 s, a pause from 5 s, the end from 30 s: the limit itself counts, a microsecond less does not."""
    known = one_gap(600.0, gap_s)
    at = np.array([known.span.start_us])
    row = windows(known, known.futures(VIDEO, runs=2), VIDEO, at, 30).iloc[0]
    assert (row["expected_freezes"], row["expected_pauses"], row["chance_of_end"]) == (freezes, pauses, ended)
    # Now announces what is noticed, wise or not: a freeze that is no pause is no reason to wait.
    said = now(known, VIDEO)
    assert (said.next_gap is not None) == (freezes == 1.0)
    assert said.call_is_wise == (pauses == 0.0)
    assert ("Next gap: 00:10:00" in gap_line(said, LocalClock("UTC", known.span))) == (freezes == 1.0)


@pytest.mark.parametrize(("gap_s", "frozen_s"), [(18.499999, None), (18.5, 0.5), (37.0, 19.0)])
def test_a_gap_that_a_stream_plays_through_is_not_announced(gap_s: float, frozen_s: float | None) -> None:
    """With 18 s in hand a freeze of half a second, the first that is noticed, takes a gap of 18.5 s."""
    known = one_gap(600.0, gap_s)
    said = now(known, STREAM)
    words = gap_line(said, LocalClock("UTC", known.span))
    if frozen_s is None:
        assert said.next_gap is None
        assert words == "No gap in the next 3 h that outlasts the 18 s in hand."
        return
    assert said.next_gap is not None
    assert said.next_gap.frozen_s == pytest.approx(frozen_s)
    assert (said.next_gap.start, said.next_gap.duration_s) == (DAY + timedelta(minutes=10), gap_s)
    assert "Next gap: 00:10:00, " in words
    assert " of it frozen (chance 100 %)" in words
    # The same gap in front of a call is announced without a word of what is in hand.
    assert "of it frozen" not in gap_line(now(known, VIDEO), LocalClock("UTC", known.span))


def test_what_makes_choosing_worthwhile_by_pauses() -> None:
    """Against 1.0 pauses and 50 s: half a pause less is noticed however long the freezes are, 0.49 is not."""
    rows = [(0.0, 0.5, 50.0), (0.0, 0.5, 90.0), (0.0, 0.51, 50.0), (0.0, 0.51, 41.0)]
    table = pd.DataFrame(rows, columns=["chance_of_end", "expected_pauses", "expected_frozen_s"])
    than = {"chance_of_end": 0.0, "expected_pauses": 1.0, "expected_frozen_s": 50.0}
    assert better(table, than).tolist() == [True, True, False, False]


def test_what_makes_choosing_worthwhile_by_seconds() -> None:
    """With less than half a pause between them, ten frozen seconds are noticed and 9.999 are not; a call that holds
    always is against one that is likely to be dropped."""
    rows = [(0.0, 0.6, 40.0), (0.0, 0.6, 40.001), (0.0, 1.4, 40.0), (0.0, 1.5, 0.0), (0.05, 9.0, 99.0)]
    rows.append((0.0501, 0.0, 0.0))
    table = pd.DataFrame(rows, columns=["chance_of_end", "expected_pauses", "expected_frozen_s"])
    than = {"chance_of_end": 0.0, "expected_pauses": 1.0, "expected_frozen_s": 50.0}
    assert better(table, than).tolist() == [True, False, True, False, False, False]
    lost = {"chance_of_end": 0.0501, "expected_pauses": 0.0, "expected_frozen_s": 0.0}
    assert better(table, lost).tolist() == [True, True, True, True, True, False]


def test_noon_itself_belongs_to_the_afternoon() -> None:
    """Starts of 30 min from 11:00 to 13:00 and a zone an hour behind UTC: 60 before noon there, 61 from noon on."""
    span = Span(DAY + timedelta(hours=12), DAY + timedelta(hours=14, minutes=30))
    known = one_gap(20 * 3600.0, 10.0, 24.0)
    part = ServiceForecast(span, known.fleet, known.joint, searched_span(span), known.model)
    plan = plan_of(part, VIDEO, timezone="Atlantic/Azores")
    assert plan.before_noon is not None
    assert plan.from_noon is not None
    assert (plan.before_noon.starts, plan.from_noon.starts) == (60, 61)


def test_the_tenth_and_the_ninetieth_percentile_of_a_spread() -> None:
    """Of 0, 1, ... 10 they are 1 and 9; between two values the line is straight: of 0 and 10 they are 1 and 9."""
    assert MeanAndRange.of(np.arange(11.0)) == MeanAndRange(5.0, 1.0, 9.0)
    assert MeanAndRange.of(np.array([0.0, 10.0])) == MeanAndRange(5.0, 1.0, 9.0)
    assert MeanAndRange.of(np.array([3.0])) == MeanAndRange(3.0, 3.0, 3.0)


def gain(as_good: float, worse: float, worth: bool = False) -> Gain:
    flat = MeanAndRange(0.0, 0.0, 0.0)
    return Gain(100, 0.0, 0.0, 0.0, flat, flat, flat, as_good, worth, worse)


@pytest.mark.parametrize(
    ("as_good", "worse", "worth", "verdict"),
    [
        (0.95, 0.0, False, "all starts are alike"),
        (0.9499, 0.0, False, "nearly any will do"),
        (0.95, 0.01, False, "nearly any will do"),
        (0.5, 0.4, False, "nearly any will do"),
        (0.4999, 0.4, False, "little to gain"),
        (0.5, 0.4, True, "worth choosing"),
    ],
)
def test_the_verdict_on_choosing(as_good: float, worse: float, worth: bool, verdict: str) -> None:
    """All alike from 95 % as good on where none is noticeably worse; nearly any will do from half on."""
    assert gain_verdict(gain(as_good, worse, worth)) == verdict


@pytest.mark.parametrize(("starts", "told"), [(9, False), (10, True)])
def test_the_fewest_starts_of_a_part_of_the_day(starts: int, told: bool) -> None:
    """A half of the day with nine starts is no choice; with ten it is."""
    known = one_gap(3 * 3600.0, 10.0, 24.0)
    at = known.span.start_us + MINUTE_US * np.arange(starts)
    table = windows(known, known.futures(VIDEO, runs=2), VIDEO, at, 30)
    assert (gain_of(table, table, 10) is not None) == told
    # The plan keeps to the same: by its clock nine or ten starts lie before noon.
    begins = DAY + timedelta(hours=12) - timedelta(minutes=starts)
    span = Span(begins, begins + timedelta(hours=2))
    part = ServiceForecast(span, known.fleet, known.joint, searched_span(span), known.model)
    assert (plan_of(part, VIDEO).before_noon is not None) == told


def test_clear_stretches_too_short_for_a_call_are_told_by_their_length() -> None:
    """Out all hour but for 18 s and for 20 s."""
    span = Span.starting(DAY, 1)
    start, end = (np.array(column) * 1_000_000 + span.start_us for column in ([600, 1530], [618, 1550]))
    coverage = Coverage.from_intervals(start.astype(np.int64), end.astype(np.int64), span)
    words = day_sentence(coverage, LocalClock("UTC", span), band_of(0.0))
    assert words.endswith("; never more than 20 s without one.")
