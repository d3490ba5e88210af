"""Coverage: a step function over a span, its gaps, minutes, hours and days, and the laws they keep."""

from __future__ import annotations

import json
import pickle
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from passim.coverage import Coverage
from passim.errors import InputError, SiteError
from passim.intervals import level_at
from passim.spans import Span, microseconds

SPAN = Span.starting(datetime(2026, 11, 25, 8, tzinfo=UTC), hours=1)
SUMMARY_KEYS = ["span_s", "covered_fraction", "gap_count", "gap_mean_s", "gap_median_s", "gap_p90_s", "gap_longest_s",
                "time_average_gap_s", "mean_response_s", "in_view_min", "in_view_mean", "in_view_max",
                "twofold_fraction"]  # fmt: skip
GAP_COLUMNS = ["start", "end", "duration_s", "cut_at_start", "cut_at_end"]
MINUTE_COLUMNS = ["minute", "minute_local", "satellites_min", "satellites_mean", "satellites_max", "gap_s"]


def passes_between(*seconds: tuple[float, float], span: Span = SPAN) -> pd.DataFrame:
    """Return a table of passes from pairs of seconds since the start of the span."""
    starts = [span.start + timedelta(seconds=rise) for rise, _ in seconds]
    ends = [span.start + timedelta(seconds=end) for _, end in seconds]
    return pd.DataFrame(
        {
            "satellite_id": [str(900000001 + n) for n in range(len(seconds))],
            "rise": pd.Series(starts, dtype="datetime64[us, UTC]"),
            "set": pd.Series(ends, dtype="datetime64[us, UTC]"),
        }
    )


def coverage_of(*seconds: tuple[float, float], span: Span = SPAN) -> Coverage:
    """Return the coverage of `span` by passes between pairs of seconds since its start."""
    return Coverage.from_passes(passes_between(*seconds, span=span), span)


# Out from 0 to 100 (cut), 600 to 640, 1000 to 1020 and 3500 on (cut); two in view from 300 to 500.
FIVE = coverage_of((100, 500), (300, 600), (640, 1000), (1020, 3000), (3000, 3500))


# --- the step function ------------------------------------------------------------------------------------------------


def test_edges_and_counts():
    assert ((FIVE.edges_us - SPAN.start_us) / 1e6).tolist() == [0, 100, 300, 500, 600, 640, 1000, 1020, 3500, 3600]
    assert FIVE.in_view.tolist() == [0, 1, 2, 1, 0, 1, 0, 1, 0]
    assert FIVE.edges_us.dtype == FIVE.in_view.dtype == np.int64


def test_no_pass_at_all_is_one_step_of_none():
    nothing = coverage_of()
    assert (nothing.edges_us.tolist(), nothing.in_view.tolist()) == ([SPAN.start_us, SPAN.end_us], [0])


def test_steps_count_a_rise_and_not_a_set():
    def at(seconds: float) -> int:
        return int(level_at(FIVE.steps, [microseconds(SPAN.start + timedelta(seconds=seconds))])[0])

    assert [at(0), at(99.999999), at(100), at(300), at(499.999999), at(500), at(600), at(3599.999999)] == [
        0, 0, 1, 2, 2, 1, 0, 0,
    ]  # fmt: skip


def test_the_order_of_passes_does_not_matter():
    passes = passes_between((100, 500), (300, 600), (640, 1000))
    turned = Coverage.from_passes(passes.iloc[::-1], SPAN)
    assert turned.gaps().equals(Coverage.from_passes(passes, SPAN).gaps())


def test_times_in_another_zone_or_unit_are_the_same_moments():
    passes = passes_between((100, 500))
    passes["rise"] = passes["rise"].dt.tz_convert("Asia/Kathmandu")
    passes["set"] = passes["set"].dt.as_unit("ns")
    assert np.array_equal(Coverage.from_passes(passes, SPAN).edges_us, coverage_of((100, 500)).edges_us)


def test_coverage_is_frozen():
    with pytest.raises(ValueError, match="read-only"):
        FIVE.in_view[0] = 7
    with pytest.raises(ValueError, match="read-only"):
        FIVE.edges_us[0] = 7
    with pytest.raises(AttributeError):
        FIVE.span = SPAN


def test_what_it_was_made_from_stays_writable_and_apart():
    edges = np.array([SPAN.start_us, SPAN.end_us])
    coverage = Coverage(SPAN, edges, np.array([3]))
    edges[0] = 0
    assert coverage.edges_us[0] == SPAN.start_us


def test_a_copy_in_another_process_is_the_same_and_as_frozen():
    copy = pickle.loads(pickle.dumps(FIVE))
    assert np.array_equal(copy.edges_us, FIVE.edges_us)
    assert np.array_equal(copy.in_view, FIVE.in_view)
    assert not copy.edges_us.flags.writeable


def test_it_shows_itself_in_one_line():
    assert repr(FIVE) == "<Coverage of 2026-11-25 08:00Z, 1 h: 7.22 % out, 4 gaps>"


# --- gaps -------------------------------------------------------------------------------------------------------------


def test_gaps_with_those_cut_by_the_span_flagged():
    gaps = FIVE.gaps()
    assert list(gaps.columns) == GAP_COLUMNS
    assert gaps["duration_s"].tolist() == [100.0, 40.0, 20.0, 100.0]
    assert gaps["cut_at_start"].tolist() == [True, False, False, False]
    assert gaps["cut_at_end"].tolist() == [False, False, False, True]
    assert str(gaps["start"].dtype) == str(gaps["end"].dtype) == "datetime64[us, UTC]"
    assert gaps["start"][1] == pd.Timestamp("2026-11-25T08:10:00Z")
    assert gaps["end"][1] == pd.Timestamp("2026-11-25T08:10:40Z")


def test_a_pass_that_sets_as_the_next_rises_leaves_no_gap():
    assert coverage_of((0, 1800), (1800, 3600)).gaps().empty


def test_a_gap_of_one_microsecond_is_a_gap():
    gaps = coverage_of((0, 1800), (1800.000001, 3600)).gaps()
    assert gaps["duration_s"].tolist() == [1e-6]


def test_passes_that_reach_past_the_span_are_cut():
    coverage = coverage_of((-500, 100), (3500, 4000), (-900, -10), (5000, 6000))
    assert coverage.gaps()["duration_s"].tolist() == [3400.0]
    assert coverage.summary()["in_view_max"] == 1


@pytest.mark.parametrize("passes", [passes_between(), pd.DataFrame({"rise": [], "set": []})])
def test_no_pass_is_one_gap_cut_at_both_ends(passes):
    coverage = Coverage.from_passes(passes, SPAN)
    gaps = coverage.gaps()
    assert gaps["duration_s"].tolist() == [3600.0]
    assert gaps[["cut_at_start", "cut_at_end"]].to_numpy().tolist() == [[True, True]]
    assert coverage.covered_fraction() == 0.0
    assert coverage.minutes()["gap_s"].tolist() == [60.0] * 60


def test_always_covered_has_no_gap():
    coverage = coverage_of((0, 3600))
    gaps = coverage.gaps()
    assert gaps.empty
    assert list(gaps.columns) == GAP_COLUMNS
    assert str(gaps["start"].dtype) == "datetime64[us, UTC]"
    assert coverage.covered_fraction() == 1.0
    assert coverage.gaps_per_hour() == 0.0


def test_gaps_per_hour_counts_beginnings():
    # Four gaps, of which the first was there before the hour began.
    assert FIVE.gaps_per_hour() == 3.0


# --- figures ----------------------------------------------------------------------------------------------------------


def test_summary_of_a_row_worked_by_hand():
    summary = FIVE.summary()
    assert list(summary) == SUMMARY_KEYS
    assert summary == {
        "span_s": 3600.0,
        "covered_fraction": 3340 / 3600,
        "gap_count": 4,
        "gap_mean_s": 65.0,  # of all: 100 and 100, which the span cuts, 40 and 20
        "gap_median_s": 30.0,
        "gap_p90_s": 38.0,  # 20 + 0.9 * (40 - 20)
        "gap_longest_s": 100.0,
        "time_average_gap_s": (2 * 100**2 + 40**2 + 20**2) / 3600,
        "mean_response_s": (2 * 100**2 + 40**2 + 20**2) / 7200,
        "in_view_min": 0,
        "in_view_mean": (3340 + 200) / 3600,
        "in_view_max": 2,
        "twofold_fraction": 200 / 3600,
    }
    assert all(type(value) in (int, float) for value in summary.values())


def test_summary_without_a_gap_is_zeros():
    summary = coverage_of((0, 3600)).summary()
    lengths = [key for key in SUMMARY_KEYS if key.startswith("gap_") or key.endswith(("gap_s", "response_s"))]
    assert len(lengths) == 7
    assert {key: summary[key] for key in lengths} == dict.fromkeys(lengths, 0)


def test_summary_with_cut_gaps_only_says_that_no_whole_one_was_seen():
    summary = coverage_of((1000, 2000)).summary()
    assert summary["gap_count"] == 2
    assert summary["gap_longest_s"] == 1600.0
    assert (summary["gap_median_s"], summary["gap_p90_s"]) == (None, None)
    assert summary["gap_mean_s"] == 1300.0  # 1000 and 1600, as far as they are seen


@pytest.mark.parametrize("passes", [[], [(0, 3600)], [(1000, 2000)], [(100, 500), (600, 3600)]])
def test_summary_is_fit_for_json(passes):
    summary = coverage_of(*passes).summary()
    assert json.loads(json.dumps(summary, allow_nan=False)) == summary


def test_a_regular_train_of_gaps():
    # Own arithmetic on the ring of 20 over the equator (550 km, 25 degrees): gaps of 18.7591 s every 307.4259 s. Over
    # whole periods the time-average gap is g^2/P and the mean wait half of it.
    gap, every, number = 18.7591, 307.4259, 100
    span = Span.starting(SPAN.start, hours=number * every / 3600)
    coverage = coverage_of(*[(n * every, (n + 1) * every - gap) for n in range(number)], span=span)
    summary = coverage.summary()
    assert summary["covered_fraction"] == pytest.approx(0.938980, abs=5e-7)
    assert summary["gap_count"] == number
    assert summary["gap_mean_s"] == pytest.approx(gap, abs=1e-6)
    assert summary["gap_p90_s"] == pytest.approx(gap, abs=2e-6)
    assert summary["time_average_gap_s"] == pytest.approx(gap**2 / every, abs=1e-6)
    assert summary["mean_response_s"] == pytest.approx(gap**2 / every / 2, abs=1e-6)


def test_mean_response_is_the_mean_wait_from_a_random_moment():
    # Brute force: the wait for the next satellite from the middle of every tenth of a second, all gaps whole.
    coverage = coverage_of((0, 500), (530, 1000), (1120, 3600))
    gaps = coverage.gap_intervals
    at = SPAN.start_us + np.arange(50_000, 3_600_000_000, 100_000)
    wait_us = sum(np.where((start <= at) & (at < end), end - at, 0) for start, end in zip(*gaps, strict=True))
    assert coverage.summary()["mean_response_s"] == pytest.approx(wait_us.mean() / 1e6, abs=1e-3)


def test_manifold_cover():
    coverage = coverage_of((0, 900), (0, 1800), (0, 2700))
    assert [coverage.covered_fraction(k) for k in range(5)] == [1.0, 0.75, 0.5, 0.25, 0.0]


# --- minutes ----------------------------------------------------------------------------------------------------------


def test_minutes_of_whole_minutes():
    minutes = coverage_of((0, 90), (30, 60), (150, 3600)).minutes("Asia/Kathmandu")
    assert list(minutes.columns) == MINUTE_COLUMNS
    assert len(minutes) == 60
    assert minutes["satellites_min"].tolist()[:4] == [1, 0, 0, 1]
    assert minutes["satellites_mean"].tolist()[:4] == [1.5, 0.5, 0.5, 1.0]
    assert minutes["satellites_max"].tolist()[:4] == [2, 1, 1, 1]
    assert minutes["gap_s"].tolist()[:4] == [0.0, 30.0, 30.0, 0.0]
    assert str(minutes["minute"].dtype) == "datetime64[us, UTC]"
    assert str(minutes["minute_local"].dtype) == "datetime64[us, Asia/Kathmandu]"
    assert minutes["minute_local"][0].isoformat() == "2026-11-25T13:45:00+05:45"


def test_first_and_last_minutes_tell_of_their_part_only():
    span = Span(datetime(2026, 11, 25, 8, 0, 30, tzinfo=UTC), datetime(2026, 11, 25, 8, 2, 15, tzinfo=UTC))
    minutes = coverage_of((0, 15), (90, 105), span=span).minutes()
    assert [str(minute) for minute in minutes["minute"].dt.time] == ["08:00:00", "08:01:00", "08:02:00"]
    assert minutes["satellites_mean"].tolist() == [0.5, 0.0, 1.0]
    assert minutes["gap_s"].tolist() == [15.0, 60.0, 0.0]


def test_minutes_of_the_longest_span():
    span = Span.starting(SPAN.start, hours=92 * 24)
    minutes = coverage_of((1e6, 2e6), span=span).minutes("Atlantic/Azores")
    assert len(minutes) == 92 * 1440
    assert minutes["gap_s"].sum() == 92 * 86400 - 1e6


# --- local hours and days ---------------------------------------------------------------------------------------------


def test_hours_of_the_local_clock():
    hours = FIVE.by_local_hour("Asia/Kolkata")
    assert list(hours.columns) == ["hour_local", "date", "hour", "span_s", "gap_s", "gaps_begun"]
    assert [time.isoformat() for time in hours["hour_local"]] == [
        "2026-11-25T13:30:00+05:30",
        "2026-11-25T14:00:00+05:30",
    ]
    assert hours["date"].tolist() == [date(2026, 11, 25)] * 2
    assert hours["hour"].tolist() == [13, 14]
    assert hours["span_s"].tolist() == [1800.0, 1800.0]
    assert hours["gap_s"].tolist() == [160.0, 100.0]
    assert hours["gaps_begun"].tolist() == [2, 1]


@pytest.mark.parametrize(
    ("place", "start", "length_h", "hours"),
    [
        ("Europe/Lisbon", "2026-03-29T00:00Z", 23, [0, *range(2, 24)]),
        ("Europe/Lisbon", "2026-10-24T23:00Z", 25, [0, 1, *range(1, 24)]),
        ("Atlantic/Azores", "2026-03-29T01:00Z", 23, list(range(1, 24))),
        ("Atlantic/Azores", "2026-10-25T00:00Z", 25, [0, *range(24)]),
        ("Australia/Lord_Howe", "2026-04-04T13:00Z", 24.5, [0, 1, 1, *range(2, 24)]),
        ("Australia/Lord_Howe", "2026-10-03T13:30Z", 23.5, list(range(24))),
    ],
)
def test_days_on_which_the_clock_changes(place, start, length_h, hours):
    span = Span.starting(datetime.fromisoformat(start), hours=length_h)
    coverage = Coverage.from_intervals([], [], span)
    by_hour, by_day = coverage.by_local_hour(place), coverage.by_local_day(place)
    assert by_hour["hour"].tolist() == hours
    assert by_hour["hour_local"].is_unique
    assert by_hour["span_s"].sum() == by_hour["gap_s"].sum() == length_h * 3600
    assert by_day["span_s"].tolist() == by_day["gap_s"].tolist() == [length_h * 3600]


def test_days_held_in_part():
    span = Span(datetime(2026, 11, 25, 20, tzinfo=UTC), datetime(2026, 11, 27, 4, tzinfo=UTC))
    days = coverage_of((0, 3600), (7200, 40000), span=span).by_local_day("Atlantic/Azores")
    assert list(days.columns) == ["day_local", "date", "span_s", "gap_s", "gaps_begun", "gap_count", "whole"]
    assert [time.isoformat() for time in days["day_local"]] == [
        "2026-11-25T19:00:00-01:00",
        "2026-11-26T00:00:00-01:00",
        "2026-11-27T00:00:00-01:00",
    ]
    assert days["span_s"].tolist() == [5 * 3600.0, 86400.0, 3 * 3600.0]
    assert days["gap_s"].tolist() == [3600.0, 18000.0 + 86400 - 40000.0, 3 * 3600.0]
    assert days["gaps_begun"].tolist() == [1, 1, 0]
    # The last gap goes on over midnight to the end of the span: it is one of the third day too.
    assert days["gap_count"].tolist() == [1, 1, 1]
    assert days["whole"].tolist() == [False, True, False]


# --- laws -------------------------------------------------------------------------------------------------------------

ZONES = ["UTC", "Atlantic/Azores", "Europe/Lisbon", "America/Havana", "Asia/Kathmandu", "Australia/Lord_Howe"]
_places_us = st.integers(-(3 * 10**9), 2 * 86400 * 10**6)


@st.composite
def coverages(draw):
    """Draw a span of up to two days, around a change of the clock as like as not, and passes over it."""
    start = draw(st.sampled_from([datetime(2026, 3, 28), datetime(2026, 10, 24), datetime(2026, 4, 4)]))
    start = start.replace(tzinfo=UTC) + timedelta(microseconds=draw(st.integers(0, 86400 * 10**6)))
    span = Span(start, start + timedelta(microseconds=draw(st.integers(1, 2 * 86400 * 10**6))))
    pairs = [sorted(pair) for pair in draw(st.lists(st.tuples(_places_us, _places_us), max_size=12))]
    start_us, end_us = (np.array([pair[which] for pair in pairs], dtype=np.int64) + span.start_us for which in (0, 1))
    return Coverage.from_intervals(start_us, end_us, span), start_us, end_us


@settings(deadline=None)
@given(coverages(), st.sampled_from(ZONES))
def test_laws(drawn, place):
    coverage, start_us, end_us = drawn
    span = coverage.span
    length_us = span.end_us - span.start_us
    gaps, summary = coverage.gaps(), coverage.summary()

    # Covered and gaps make up the span, to the microsecond.
    gap_us = int((coverage.gap_intervals.end - coverage.gap_intervals.start).sum())
    slices_us = np.diff(coverage.edges_us)
    assert int(slices_us[coverage.in_view > 0].sum()) + gap_us == length_us
    assert coverage.covered_fraction() == (length_us - gap_us) / length_us

    # Gaps are apart, and at their edges a satellite sets or rises unless the span cuts them.
    assert np.all(coverage.gap_intervals.start[1:] > coverage.gap_intervals.end[:-1])
    for row in gaps.itertuples():
        assert row.cut_at_start or (end_us == round(row.start.timestamp() * 1e6)).any()
        assert row.cut_at_end or (start_us == round(row.end.timestamp() * 1e6)).any()

    # Minutes, hours and days add up to the gaps, and their hours to the span, to the microsecond.
    minutes, hours, days = coverage.minutes(place), coverage.by_local_hour(place), coverage.by_local_day(place)
    for table in (minutes, hours, days):
        assert int((table["gap_s"] * 1e6).round().astype("int64").sum()) == gap_us
    for table in (hours, days):
        assert int((table["span_s"] * 1e6).round().astype("int64").sum()) == length_us
        assert table["gaps_begun"].sum() == (~gaps["cut_at_start"]).sum()

    # The time in view of all passes is the integral of the count.
    seen_us = (np.minimum(end_us, span.end_us) - np.maximum(start_us, span.start_us)).clip(min=0).sum()
    assert summary["in_view_mean"] == pytest.approx(seen_us / length_us)
    assert summary["gap_count"] == len(gaps)
    assert summary["in_view_min"] <= summary["in_view_mean"] <= summary["in_view_max"]
    assert summary["twofold_fraction"] <= summary["covered_fraction"]
    assert np.all(minutes["satellites_min"] <= minutes["satellites_mean"] + 1e-12)
    assert np.all(minutes["satellites_mean"] <= minutes["satellites_max"] + 1e-12)
    assert (minutes["gap_s"] > 0).equals(minutes["satellites_min"] == 0)

    # At any moment the count is that of the passes that hold it.
    for time_us in (span.start_us, (span.start_us + span.end_us) // 2, span.end_us - 1):
        assert level_at(coverage.steps, [time_us])[0] == ((start_us <= time_us) & (time_us < end_us)).sum()


@settings(deadline=None)
@given(coverages())
def test_one_satellite_more_never_costs_cover(drawn):
    coverage, start_us, end_us = drawn
    fewer = Coverage.from_intervals(start_us[1:], end_us[1:], coverage.span)
    for k in (1, 2):
        assert fewer.covered_fraction(k) <= coverage.covered_fraction(k)


# --- errors -----------------------------------------------------------------------------------------------------------


def with_site(*names: str) -> pd.DataFrame:
    """Return passes over sites of these names."""
    passes = passes_between(*[(100 * n, 100 * n + 50) for n in range(len(names))])
    passes.insert(0, "site", list(names))
    return passes


def test_a_site_column_with_one_site_is_fine():
    assert Coverage.from_passes(with_site("Marram", "Marram"), SPAN).summary()["in_view_max"] == 1


def with_column(**columns) -> pd.DataFrame:
    """Return two passes with columns replaced."""
    return passes_between((0, 100), (200, 300)).assign(**columns)


def test_wrong_input_says_so(subtests: pytest.Subtests) -> None:
    for make, message in [
        (
            lambda: Coverage.from_passes(with_site("Marram", "Skerry", "Marram"), SPAN),
            "table of passes; got '2 sites (Marram, Skerry)'; wanted the passes of one site; "
            "try passes[passes['site'] == 'Marram']",
        ),
        (
            lambda: Coverage.from_passes(passes_between().drop(columns="set"), SPAN),
            "table of passes; got 'columns satellite_id, rise'; wanted the columns rise and set; "
            "try the table that find_passes returns",
        ),
        (
            lambda: Coverage.from_passes(with_column(rise=[SPAN.start.replace(tzinfo=None)] * 2), SPAN),
            "column rise of the passes; got 'dtype datetime64[us]'; wanted aware times, datetime64[us, UTC]; "
            "try pandas.to_datetime(..., utc=True)",
        ),
        (
            lambda: Coverage.from_passes(with_column(set=pd.to_datetime(["2026-11-25T08:10Z", None], utc=True)), SPAN),
            "column set of the passes; got '1 rows without a time'; wanted a time in every row; "
            "try dropping or mending those rows",
        ),
        (
            lambda: Coverage.from_intervals([0, 5], [1, 4], SPAN),
            "visible intervals; got 'an interval ends before it starts: got [5, 4) in row 1, wanted start <= end'; "
            "wanted starts with an end at or after each",
        ),
        (
            lambda: Coverage.from_intervals([0.5], [1.0], SPAN),
            "visible intervals; got 'values of dtype float64 and float64'; wanted whole microseconds since 1970 UTC",
        ),
        (
            lambda: Coverage(SPAN, np.array([0, 1]), np.array([1])),
            "coverage; got '1 slices'; wanted ascending edges from the start to the end of the span, and counts that "
            "change at each; try Coverage.from_intervals",
        ),
        (
            lambda: Coverage(SPAN, np.array([0, 1]), np.array([1, 2])),
            "coverage; got 'edges of int64 (2,) and counts of int64 (2,)'; wanted whole numbers, with one edge more "
            "than slices; try Coverage.from_intervals",
        ),
    ]:
        with subtests.test(make=make, message=message):
            with pytest.raises(InputError) as caught:
                make()
            assert str(caught.value) == message


@pytest.mark.parametrize("table", ["minutes", "by_local_hour", "by_local_day"])
def test_an_unknown_zone_says_so(table):
    with pytest.raises(SiteError, match=r"^time zone; got 'Atlantic/Nowhere'; wanted a name of the IANA data base"):
        getattr(FIVE, table)("Atlantic/Nowhere")


def test_few_slices_are_its_own_and_many_become_equal_ones_of_the_fewest():
    span = Span(datetime(2026, 11, 25, tzinfo=UTC), datetime(2026, 11, 25, 1, tzinfo=UTC))
    start = [span.start_us + 1_000_000 * k for k in (0, 0, 600, 601, 1200)]
    end = [us + 1_000_000 * length for us, length in zip(start, (3600, 590, 1, 599, 2400), strict=True)]
    coverage = Coverage.from_intervals(start, end, span)
    assert coverage.at_most(len(coverage.in_view)) == coverage.steps
    coarse = coverage.at_most(2)
    assert np.diff(coarse.edges).tolist() == [1_800_000_000] * 2
    assert coarse.level.tolist() == [int(coverage.in_view[:-1].min()), 2]
    with pytest.raises(ValueError, match="slices"):
        coverage.at_most(0)
