"""Kinds of call with their thresholds, and when a call may begin by the clock on the wall."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from passim.answers.calls.hours import MINUTE_US, call_hours_within, spread, starts
from passim.answers.calls.kinds import CALL_KINDS, LESSON, THRESHOLDS, CallKind, call_kind
from passim.errors import InputError, SiteError, SpanError
from passim.spans import DailyHours, Span, microseconds

DAY = datetime(2026, 11, 25, tzinfo=UTC)
AZORES = "Atlantic/Azores"


# --- kinds ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", CALL_KINDS, ids=lambda kind: kind.name)
def test_every_threshold_says_where_it_comes_from(kind: CallKind) -> None:
    assert set(kind.sources) == set(THRESHOLDS)
    for source in kind.sources.values():
        marked = ("RFC", "common practice", "taken for granted", "by definition")
        assert any(word in source for word in marked)


def test_consent_ends_calls_after_thirty_seconds() -> None:
    """RFC 7675, section 5.1, as several open implementations quote it: consent expires after 30 s."""
    assert {kind.ends_from_s for kind in CALL_KINDS if "RFC 7675" in kind.sources["ends_from_s"]} == {30.0}
    assert LESSON.at_least_s == (0.5, 5.0, 30.0)


def test_a_kind_is_found_by_name_and_changed_with_its_source() -> None:
    assert call_kind(" Voice").name == "voice"
    with pytest.raises(
        InputError, match="kind of call; got 'chat'; wanted one of video, lesson, voice, screen, stream"
    ):
        call_kind("chat")
    patient = LESSON.changed("this workspace", pause_from_s=8.0)
    assert (patient.pause_from_s, patient.sources["pause_from_s"]) == (8.0, "this workspace")
    assert patient.sources["ends_from_s"] == LESSON.sources["ends_from_s"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"noticed_from_s": 0.0}, "noticed_from_s of the kind of call lesson; got 0.0; wanted a number of seconds"),
        ({"ends_from_s": float("nan")}, "ends_from_s of the kind of call lesson; got nan"),
        ({"buffer_s": -1.0}, "buffer_s of the kind of call lesson; got -1.0"),
        ({"pause_from_s": 40.0}, "wanted each at least as long as the one before"),
        ({"patience_s": 1.0}, "threshold of a call; got 'patience_s'"),
    ],
)
def test_thresholds_must_make_sense(change: dict[str, float], message: str) -> None:
    with pytest.raises(InputError) as refused:
        LESSON.changed("a test", **change)
    assert message in str(refused.value)


# --- allowed starts ---------------------------------------------------------------------------------------------------


def local(times_us: np.ndarray, zone: str) -> list[datetime]:
    return [datetime.fromtimestamp(t / 1e6, UTC).astimezone(ZoneInfo(zone)) for t in times_us.tolist()]


def test_starts_lie_on_whole_minutes_inside_the_hours_of_the_days() -> None:
    """2026-11-27 is a Friday."""
    span = Span.starting(datetime(2026, 11, 27, 16, 0, 30, tzinfo=UTC), 96)
    found = local(starts(span, 30, DailyHours(480, 1080, (0, 1, 2, 3, 4)), AZORES).allowed_us, AZORES)
    assert found[0] == datetime(2026, 11, 27, 15, 1, tzinfo=ZoneInfo(AZORES))
    assert all(t.second == 0 and t.weekday() < 5 and 8 <= t.hour < 18 for t in found)
    assert max(t.hour * 60 + t.minute for t in found) == 17 * 60 + 30
    assert {t.date().isoformat() for t in found} == {"2026-11-27", "2026-11-30", "2026-12-01"}


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        # Clocks in Berlin go forward on 2026-03-29 from 02:00 to 03:00, and back on 2026-10-25 from 03:00 to 02:00
        # (IANA data base). From 01:00 to 04:00 there are then 2 and 4 hours: 91 and 211 starts of 30 minutes.
        ("2026-03-28", 151),
        ("2026-03-29", 91),
        ("2026-10-25", 211),
    ],
)
def test_hours_are_those_of_the_clock_where_it_changes(day: str, expected: int) -> None:
    span = Span.starting(datetime.fromisoformat(f"{day}T00:00:00").replace(tzinfo=ZoneInfo("Europe/Berlin")), 22)
    found = starts(span, 30, DailyHours(60, 240), "Europe/Berlin").allowed_us
    assert found.size == expected
    # Every call is 30 minutes long and ends by 04:00 of that clock.
    ends = local(found + 30 * MINUTE_US, "Europe/Berlin")
    assert max(t.hour * 60 + t.minute for t in ends) == 240


def test_a_call_does_not_run_through_an_hour_that_comes_twice_and_is_not_allowed() -> None:
    """From 01:00 to 02:30 on 2026-10-25 in Berlin: 02:00 to 02:30 comes twice, and 02:30 to 03:00 lies between."""
    span = Span.starting(datetime(2026, 10, 24, 22, tzinfo=UTC), 12)
    found = starts(span, 30, DailyHours(60, 150), "Europe/Berlin").allowed_us
    utc = [t.astimezone(UTC) for t in local(found, "Europe/Berlin")]
    assert (utc[0], utc[60]) == (datetime(2026, 10, 24, 23, tzinfo=UTC), datetime(2026, 10, 25, 0, tzinfo=UTC))
    assert utc[61:] == [datetime(2026, 10, 25, 1, tzinfo=UTC)]


def test_busy_times_take_every_minute_they_touch() -> None:
    span = Span.starting(DAY, 2)
    busy = [
        (microseconds(DAY + timedelta(minutes=40, seconds=30)), microseconds(DAY + timedelta(minutes=50, seconds=1)))
    ]
    found = starts(span, 30, DailyHours(), "UTC", busy)
    minutes = ((found.free_us - span.start_us) // MINUTE_US).tolist()
    assert minutes == [*range(0, 11), *range(51, 91)]
    assert found.allowed_us.size == 91


def test_suggestions_do_not_overlap() -> None:
    order = np.array([100, 110, 70, 130, 129, 10]) * MINUTE_US
    one_day, distinct = np.zeros(6, dtype=np.int64), np.arange(6)
    assert spread(order, distinct, one_day, 30, 9) == [0, 2, 3, 5]
    assert spread(order, distinct, one_day, 30, 2) == [0, 2]


def test_equally_good_starts_are_spread_over_the_days() -> None:
    """Ten starts an hour apart on each of three days, by hand: the days take turns, and a better start comes first."""
    day, hour = np.repeat([1, 2, 3], 10), np.tile(np.arange(10), 3)
    order = (day * 1440 + hour * 60) * MINUTE_US
    alike = np.zeros(30, dtype=np.int64)
    assert spread(order, alike, day, 30, 5) == [0, 10, 20, 1, 11]
    # Four better ones on the first day are not given up for the sake of the others.
    assert spread(order, (np.arange(30) >= 4).astype(np.int64), day, 30, 6) == [0, 1, 2, 3, 10, 20]


def test_among_equals_the_clearest_comes_first_then_the_quarter_of_an_hour() -> None:
    """Six equal starts, by hand: from 15 min clear on all are the same, and of those 10:15 comes first."""
    order = np.array([600, 606, 612, 615, 624, 700]) * MINUTE_US
    clear = np.array([0, 7, 15, 16, 600, 5]) * MINUTE_US
    one_day, alike = np.zeros(6, dtype=np.int64), np.zeros(6, dtype=np.int64)
    assert spread(order, alike, one_day, 30, 2, clear) == [3, 5]
    # Without a quarter among them the first; a second short of a minute does not count as one.
    assert spread(order, alike, one_day, 5, 1, np.where(order == 615 * MINUTE_US, clear - MINUTE_US - 1, clear)) == [2]
    # A better start is not given up for a clearer one.
    assert spread(order, np.arange(6), one_day, 5, 1, clear) == [0]


@pytest.mark.parametrize(
    ("start", "hours", "words"),
    [
        # 2026-03-01 is a Sunday; Berlin is at UTC+1 then, from 29 March on at UTC+2 (IANA data base).
        ("2026-03-01T00:00+01:00", 24, "got 'none in Sun 1 Mar 00:00 to Mon 2 Mar 00:00: 1 Mar is a Sunday'"),
        ("2026-03-01T00:00+01:00", 24, "try a span from 2026-03-02T08:00+01:00"),
        ("2026-03-02T19:00+01:00", 3, "got 'none in Mon 2 Mar 19:00 to Mon 2 Mar 22:00'"),
        ("2026-03-02T19:00+01:00", 3, "try a span from 2026-03-03T08:00+01:00"),
        ("2026-03-27T18:00+01:00", 24, "try a span from 2026-03-30T08:00+02:00"),
    ],
)
def test_hours_that_are_not_in_the_span_say_when_they_open(start: str, hours: float, words: str) -> None:
    span = Span.starting(datetime.fromisoformat(start), hours)
    office = DailyHours(480, 1080, (0, 1, 2, 3, 4))
    with pytest.raises(SpanError, match="hours for calls") as caught:
        starts(span, 30, office, "Europe/Berlin")
    assert words in str(caught.value)
    with pytest.raises(SpanError) as caught:
        call_hours_within(span, office, "Europe/Berlin")
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("minutes", "hours", "message"),
    [
        (0, DailyHours(), "length of the call; got 0; wanted a whole number of minutes"),
        (181, DailyHours(), "length of the call; got '181 min'; wanted at most the 180 min of the span"),
        (30, DailyHours(0, 20), "got '30 min'; wanted at most the 20 min of the hours 00:00 to 00:20"),
        (30, DailyHours(600, 700), "got 'none in Wed 25 Nov 00:00 to Wed 25 Nov 03:00'; wanted room for a call"),
        (30, DailyHours(weekdays=(6,)), "hours for calls (all day, Sun)"),
    ],
)  # fmt: skip
def test_no_room_for_a_call(minutes: int, hours: DailyHours, message: str) -> None:
    with pytest.raises(SpanError) as refused:
        starts(Span.starting(DAY, 3), minutes, hours, "UTC")
    assert message in str(refused.value)


@pytest.mark.parametrize("given", [(480, 480), (1440, 480), (-1, 60), (0, 1441)])
def test_an_empty_window_of_hours(given: tuple[int, int]) -> None:
    with pytest.raises(InputError, match=r"hours of the day; got .*; wanted two different times of the day"):
        DailyHours(*given)


def test_unknown_days_and_zones() -> None:
    with pytest.raises(InputError, match="days of the week"):
        DailyHours(weekdays=())
    with pytest.raises(SiteError, match="time zone"):
        starts(Span.starting(DAY, 3), 30, DailyHours(), "Mars/Base")


def test_hours_over_midnight_belong_to_the_day_on_which_they_begin() -> None:
    """By hand, 24 November 2026 is a Tuesday: its night runs from 22:00 up to 04:00 on Wednesday."""
    nights = DailyHours(22 * 60, 4 * 60, (1,))
    assert nights.words == "22:00 to 04:00, Tue"
    assert (nights.length_min, nights.of_day()) == (360, ((0, 240), (1320, 1440)))
    span = Span(datetime(2026, 11, 23, tzinfo=UTC), datetime(2026, 11, 27, tzinfo=UTC))
    found = starts(span, 60, nights, "UTC").allowed_us
    first, last = datetime(2026, 11, 24, 22, tzinfo=UTC), datetime(2026, 11, 25, 3, tzinfo=UTC)
    assert found.tolist() == list(range(microseconds(first), microseconds(last) + 1, MINUTE_US))
    begins_us, ends_us = call_hours_within(span, nights, "UTC")
    assert begins_us.tolist() == [microseconds(first)]
    assert ends_us.tolist() == [microseconds(last) + 60 * MINUTE_US]
    with pytest.raises(SpanError, match="at most the 360 min of the hours 22:00 to 04:00"):
        starts(span, 361, nights, "UTC")
    assert DailyHours(22 * 60, 0).of_day() == ((1320, 1440),)
