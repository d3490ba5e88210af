"""Spans, and the grids of local days, hours and minutes laid over them.

The changes of the clock named here are those of the IANA time zone data base (tzdata), which the zones come from.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from passim.errors import SiteError, SpanError
from passim.spans import Span, aware, local_days, local_hours, microseconds, minute_edges, moment, zone

HOUR_US = 3_600_000_000


def span_of(start: str, end: str) -> Span:
    """Return the span between two moments in ISO 8601."""
    return Span(datetime.fromisoformat(start), datetime.fromisoformat(end))


def hours_between(edges) -> list[float]:
    """Return the lengths between edges, in hours."""
    return (np.diff(edges) / HOUR_US).tolist()


def iso(edges) -> list[str]:
    """Return edges in ISO 8601, to the minute, UTC."""
    return [moment(edge).strftime("%Y-%m-%dT%H:%M") for edge in edges]


# --- spans ------------------------------------------------------------------------------------------------------------


def test_a_span_is_kept_in_utc():
    span = span_of("2026-11-25T08:00:00-01:00", "2026-11-25T12:30:00+01:00")
    assert span.start == datetime(2026, 11, 25, 9, tzinfo=UTC)
    assert span.start.tzinfo is UTC
    assert span.end == datetime(2026, 11, 25, 11, 30, tzinfo=UTC)
    assert span.duration_s == 9000.0
    assert span.end_us - span.start_us == 9_000_000_000
    assert span.middle == datetime(2026, 11, 25, 10, 15, tzinfo=UTC)


def test_starting_counts_hours():
    start = datetime(2026, 11, 25, tzinfo=UTC)
    assert Span.starting(start) == Span(start, start + timedelta(days=1))
    assert Span.starting(start, hours=0.5).duration_s == 1800.0
    assert Span.starting(start, hours=92 * 24).duration_s == 92 * 86400.0


def test_a_pandas_timestamp_becomes_a_plain_moment():
    start = pd.Timestamp("2026-11-25T08:00:00.123456789+01:00")
    span = Span(start, pd.Timestamp("2026-11-25T09:00:00Z"))
    assert type(span.start) is datetime
    assert span.start == datetime(2026, 11, 25, 7, 0, 0, 123456, tzinfo=UTC)


def test_a_span_cannot_be_changed():
    span = Span.starting(datetime(2026, 11, 25, tzinfo=UTC))
    with pytest.raises(AttributeError):
        span.start = span.end


START = datetime(2026, 11, 25, tzinfo=UTC)


def test_the_first_and_the_last_year_are_looked_at() -> None:
    """From 1957, the year of the first satellite, to 2200."""
    for year in (1957, 2200):
        day = datetime(year, 6, 1, tzinfo=UTC)
        assert Span.starting(day, hours=1).start == day
    for year in (1956, 2201):
        with pytest.raises(SpanError, match="a year from 1957 to 2200"):
            Span.starting(datetime(year, 6, 1, tzinfo=UTC), hours=1)


def test_a_wrong_span_says_so(subtests: pytest.Subtests) -> None:
    for make, message in [
        (
            lambda: Span(datetime(2026, 11, 25), START),
            "start of the span; got 2026-11-25 00:00:00; wanted a time with its offset from UTC, such as "
            "2026-11-25T08:00:00+01:00; try adding Z for UTC or the offset",
        ),
        (
            lambda: Span(START, datetime(2026, 11, 26)),
            "end of the span; got 2026-11-26 00:00:00; wanted a time with its offset from UTC, such as "
            "2026-11-25T08:00:00+01:00; try adding Z for UTC or the offset",
        ),
        (
            lambda: Span(START, "2026-11-26"),
            "end of the span; got '2026-11-26'; wanted a time with its offset from UTC, such as "
            "2026-11-25T08:00:00+01:00; try adding Z for UTC or the offset",
        ),
        (
            lambda: Span(START, pd.NaT),
            "end of the span; got NaT; wanted a time with its offset from UTC, such as "
            "2026-11-25T08:00:00+01:00; try adding Z for UTC or the offset",
        ),
        (
            lambda: Span(START, START),
            "span; got '2026-11-25T00:00:00+00:00 to 2026-11-25T00:00:00+00:00'; wanted an end after its start; "
            "try exchanging the two or a later end",
        ),
        (
            lambda: Span(START, START - timedelta(hours=1)),
            "span; got '2026-11-25T00:00:00+00:00 to 2026-11-24T23:00:00+00:00'; wanted an end after its start; "
            "try exchanging the two or a later end",
        ),
        (
            lambda: Span(START, START + timedelta(days=92, hours=12)),
            "span; got '92.5 days'; wanted at most 92 days; try asking for several shorter spans",
        ),
        (
            lambda: Span(datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14))), START),
            "start of the span; got 0001-01-01 00:00:00+14:00; wanted a year from 1957 to 2200; try another year",
        ),
        (
            lambda: Span(START, datetime(9999, 12, 31, 23, tzinfo=timezone(timedelta(hours=-5)))),
            "end of the span; got 9999-12-31 23:00:00-05:00; wanted a year from 1957 to 2200; try another year",
        ),
        (
            lambda: Span.starting(START, hours=0),
            "length of the span; got '0 hours'; wanted more than 0 and at most 2208 hours (92 days); try 24",
        ),
        (
            lambda: Span.starting(START, hours=float("nan")),
            "length of the span; got 'nan hours'; wanted more than 0 and at most 2208 hours (92 days); try 24",
        ),
        (
            lambda: Span.starting(START, hours=2209),
            "length of the span; got '2209 hours'; wanted more than 0 and at most 2208 hours (92 days); try 24",
        ),
        (lambda: Span.starting(START, hours="24"), "length of the span; got '24'; wanted a number of hours; try 24"),
        (
            lambda: Span.starting(datetime(2026, 11, 25)),
            "start of the span; got 2026-11-25 00:00:00; wanted a time with its offset from UTC, such as "
            "2026-11-25T08:00:00+01:00; try adding Z for UTC or the offset",
        ),
    ]:
        with subtests.test(make=make, message=message):
            with pytest.raises(SpanError) as caught:
                make()
            assert str(caught.value) == message


def test_the_error_calls_the_time_what_the_caller_calls_it():
    with pytest.raises(SpanError, match=r"^--at; got 2026-11-25 00:00:00; wanted a time with its offset"):
        aware(datetime(2026, 11, 25), "--at")


@given(st.datetimes(datetime(1957, 1, 1), datetime(2200, 12, 31), timezones=st.just(UTC)))
def test_microseconds_and_back(time):
    assert moment(microseconds(time)) == time


def test_microseconds_count_as_a_clock_without_leap_seconds():
    # POSIX.1-2017, 4.16: 31 December 2016 ended with a leap second that the count leaves out.
    midnight = datetime(2017, 1, 1, tzinfo=UTC)
    assert microseconds(midnight) == 1_483_228_800_000_000


# --- zones ------------------------------------------------------------------------------------------------------------


def test_a_known_zone():
    assert zone("Atlantic/Azores").key == "Atlantic/Azores"


@pytest.mark.parametrize(
    ("name", "got", "try_next"),
    [
        ("Atlantic/Azorez", "'Atlantic/Azorez'", "Atlantic/Azores"),
        ("Mars/Olympus", "'Mars/Olympus'", "UTC"),
        ("", "''", "UTC"),
        ("../../etc/passwd", "'../../etc/passwd'", "UTC"),
        ("Europe", "'Europe'", "UTC"),
        ("a\0\x1b[2J", r"'a\x00\x1b[2J'", "UTC"),
        (5, "5", "UTC"),
    ],
)
def test_an_unknown_zone_says_so_and_offers_the_nearest(name, got, try_next):
    with pytest.raises(SiteError) as caught:
        zone(name)
    assert str(caught.value).startswith(f"time zone; got {got}; wanted a name of the IANA data base such as ")
    assert caught.value.try_next == try_next


def test_a_zone_too_long_for_a_file_name():
    with pytest.raises(SiteError, match=r"^time zone; got 'x"):
        zone("x" * 5000)


# --- local days -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "start", "end", "hours"),
    [
        ("Europe/Lisbon", "2026-03-28T12:00Z", "2026-03-30T12:00Z", [24, 23, 24]),
        ("Europe/Lisbon", "2026-10-24T12:00Z", "2026-10-26T12:00Z", [24, 25, 24]),
        ("Atlantic/Azores", "2026-03-28T12:00Z", "2026-03-30T12:00Z", [24, 23, 24]),  # skips its midnight
        ("Atlantic/Azores", "2026-10-24T12:00Z", "2026-10-26T12:00Z", [24, 25, 24]),  # midnight strikes twice
        ("America/New_York", "2026-03-08T12:00Z", "2026-03-08T13:00Z", [23]),
        ("America/New_York", "2026-11-01T12:00Z", "2026-11-01T13:00Z", [25]),
        ("Australia/Lord_Howe", "2026-04-04T12:00Z", "2026-04-05T12:00Z", [24, 24.5]),
        ("Australia/Lord_Howe", "2026-10-03T12:00Z", "2026-10-04T12:00Z", [24, 23.5]),
        ("Asia/Kathmandu", "2026-11-25T12:00Z", "2026-11-26T12:00Z", [24, 24]),
    ],
)
def test_days_have_the_hours_they_have(place, start, end, hours):
    assert hours_between(local_days(span_of(start, end), place)) == hours


@pytest.mark.parametrize(
    ("place", "start", "first_moment"),
    [
        # From 00:00 straight to 01:00: the day starts at 01:00.
        ("America/Havana", "2026-03-08T12:00Z", "2026-03-08T05:00"),
        ("Asia/Beirut", "2026-03-29T12:00Z", "2026-03-28T22:00"),
        # From 01:00 back to 00:00: midnight strikes twice, and the day starts at the first stroke.
        ("America/Havana", "2026-11-01T12:00Z", "2026-11-01T04:00"),
        # From 00:00 back to 23:00 of the day before: that day has 25 hours, and this one its one midnight.
        ("America/Nuuk", "2026-10-25T12:00Z", "2026-10-25T02:00"),
        ("Asia/Kolkata", "2026-11-25T12:00Z", "2026-11-24T18:30"),
        ("Asia/Kathmandu", "2026-11-25T12:00Z", "2026-11-24T18:15"),
    ],
)
def test_a_day_starts_at_its_first_moment(place, start, first_moment):
    assert iso(local_days(Span.starting(datetime.fromisoformat(start), 1), place))[0] == first_moment


def test_a_date_that_a_zone_skips_has_no_entry():
    # Samoa crossed the date line: its 29 December 2011 was followed by 31 December.
    edges = local_days(span_of("2011-12-29T12:00Z", "2011-12-31T00:00Z"), "Pacific/Apia")
    assert iso(edges) == ["2011-12-29T10:00", "2011-12-30T10:00", "2011-12-31T10:00"]


def test_days_reach_past_both_ends_of_the_span():
    span = span_of("2026-11-25T03:00Z", "2026-11-25T04:00Z")
    assert iso(local_days(span, "Atlantic/Azores")) == ["2026-11-25T01:00", "2026-11-26T01:00"]


def test_a_span_of_one_whole_day_is_one_day():
    assert len(local_days(Span.starting(datetime(2026, 11, 25, tzinfo=UTC)), "UTC")) == 2


# --- local hours ------------------------------------------------------------------------------------------------------


def test_hours_of_a_zone_at_a_quarter():
    edges = local_hours(span_of("2026-11-25T00:00Z", "2026-11-25T02:00Z"), "Asia/Kathmandu")
    assert iso(edges) == ["2026-11-25T00:00", "2026-11-25T00:15", "2026-11-25T01:15", "2026-11-25T02:00"]


@pytest.mark.parametrize(
    ("place", "start", "end", "slices"),
    [
        ("Europe/Lisbon", "2026-03-29T00:00Z", "2026-03-29T23:00Z", [1.0] * 23),
        ("Europe/Lisbon", "2026-10-24T23:00Z", "2026-10-26T00:00Z", [1.0] * 25),
        # The clock goes back from 02:00 to 01:30, and forward from 02:00 to 02:30.
        ("Australia/Lord_Howe", "2026-04-04T13:00Z", "2026-04-04T16:30Z", [1.0, 1.0, 0.5, 1.0]),
        ("Australia/Lord_Howe", "2026-10-03T13:30Z", "2026-10-03T17:00Z", [1.0, 1.0, 0.5, 1.0]),
    ],
)
def test_hours_where_the_clock_changes(place, start, end, slices):
    assert hours_between(local_hours(span_of(start, end), place)) == slices


ZONES = ["UTC", "Atlantic/Azores", "Europe/Lisbon", "America/Havana", "Asia/Kathmandu", "Australia/Lord_Howe",
         "America/Nuuk", "Asia/Kolkata", "Africa/Cairo", "Pacific/Chatham"]  # fmt: skip

spans = st.builds(
    lambda start, seconds: Span(start, start + timedelta(seconds=seconds)),
    st.datetimes(datetime(2025, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC)),
    st.floats(1e-3, 12 * 86400.0),
)


@settings(max_examples=60, deadline=None)
@given(spans, st.sampled_from(ZONES))
def test_within_a_slice_the_local_hour_is_one(span, place):
    edges = local_hours(span, place)
    assert edges[0] == span.start_us
    assert edges[-1] == span.end_us
    where = zone(place)
    for left, right in pairwise(edges.tolist()):
        assert 0 < right - left <= HOUR_US
        first, last = moment(left).astimezone(where), moment(right - 1).astimezone(where)
        assert (first.date(), first.hour, first.utcoffset()) == (last.date(), last.hour, last.utcoffset())


@settings(max_examples=60, deadline=None)
@given(spans, st.sampled_from(ZONES))
def test_within_a_day_the_local_date_is_one(span, place):
    edges = local_days(span, place)
    assert edges[0] <= span.start_us < edges[1]
    assert edges[-2] < span.end_us <= edges[-1]
    where = zone(place)
    dates = [moment(edge).astimezone(where).date() for edge in edges]
    assert dates == sorted(set(dates))
    for (left, right), date in zip(pairwise(edges.tolist()), dates[:-1], strict=True):
        assert moment(left - 1).astimezone(where).date() < date
        assert moment(right - 1).astimezone(where).date() == date


# --- minutes ----------------------------------------------------------------------------------------------------------


def test_minutes_of_a_span_between_minutes():
    edges = minute_edges(span_of("2026-11-25T00:00:30Z", "2026-11-25T00:03:00.000001Z"))
    assert (np.diff(edges) / 1e6).tolist() == [30.0, 60.0, 60.0, 1e-6]


def test_minutes_of_a_span_inside_a_minute():
    span = span_of("2026-11-25T00:00:10Z", "2026-11-25T00:00:50Z")
    assert minute_edges(span).tolist() == [span.start_us, span.end_us]


def test_minutes_of_a_whole_day():
    edges = minute_edges(Span.starting(datetime(2026, 11, 25, tzinfo=UTC)))
    assert edges.dtype == np.int64
    assert np.diff(edges).tolist() == [60_000_000] * 1440
