"""Rules of repetition by the worked examples of RFC 5545 (section 3.8.5.3), and calendars by another library's reading.

The examples were read in reprints of that section (and of RFC 2445, whose section 4.8.5.4 it repeats); all begin in New
York, 2 September 1997 at 09:00 unless they say otherwise, and give local dates. They go through the calendar reader, so
that each becomes hours in UTC. icalendar, which writes our files, reads them here as a stranger would.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr
from icalendar import Calendar

from passim.answers.calls.calendar_in import parse_calendar
from passim.answers.calls.calendar_out import CallWindow, calendar_bytes
from passim.spans import Span

NEW_YORK = ZoneInfo("America/New_York")


def days(rule: str, begins: str, until: str) -> list[tuple[int, int]]:
    """The months and days, New York time, on which an event begins up to a day."""
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\nBEGIN:VEVENT\r\nUID:1@invented\r\n"
        f"DTSTAMP:19970101T000000Z\r\nDTSTART;TZID=America/New_York:{begins}\r\nDURATION:PT30M\r\nRRULE:{rule}\r\n"
        "END:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    last = datetime.fromisoformat(until).replace(tzinfo=UTC)
    found: list[tuple[int, int]] = []
    start = datetime.strptime(begins[:8], "%Y%m%d").replace(tzinfo=UTC)
    while start < last:
        end = min(start + timedelta(days=60), last)
        for event in parse_calendar(text.encode(), Span(start, end), "UTC").events:
            local = event.start.astimezone(NEW_YORK)
            assert (local.hour, local.minute) == (9, 0)
            if (local.month, local.day) not in found[-1:]:
                found.append((local.month, local.day))
        start = end
    return found


AUTUMN, YEAR = ("19970902T090000", "1998-01-01"), ("19970902T090000", "1998-09-01")


def of(month: int, *dates: int) -> list[tuple[int, int]]:
    return [(month, day) for day in dates]


def test_daily_for_ten_occurrences() -> None:
    assert days("FREQ=DAILY;COUNT=10", *AUTUMN) == of(9, *range(2, 12))


def test_daily_until_december_24() -> None:
    found = days("FREQ=DAILY;UNTIL=19971224T000000Z", *AUTUMN)
    assert found == of(9, *range(2, 31)) + of(10, *range(1, 32)) + of(11, *range(1, 31)) + of(12, *range(1, 24))


def test_every_ten_days_five_occurrences() -> None:
    assert days("FREQ=DAILY;INTERVAL=10;COUNT=5", *AUTUMN) == of(9, 2, 12, 22) + of(10, 2, 12)


def test_weekly_for_ten_occurrences_over_the_change_of_the_clocks() -> None:
    assert days("FREQ=WEEKLY;COUNT=10", *AUTUMN) == of(9, 2, 9, 16, 23, 30) + of(10, 7, 14, 21, 28) + of(11, 4)


def test_every_day_in_january_for_years() -> None:
    rule = "FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA"
    assert days(rule, "19980101T090000", "1998-03-01") == of(1, *range(1, 32))


@pytest.mark.parametrize(("week_starts", "expected"), [("MO", (5, 10, 19, 24)), ("SU", (5, 17, 19, 31))])
def test_the_day_on_which_a_week_starts_makes_a_difference(week_starts: str, expected: tuple[int, ...]) -> None:
    rule = f"FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST={week_starts}"
    assert days(rule, "19970805T090000", "1997-10-01") == of(8, *expected)


def test_a_date_that_is_none_is_passed_over() -> None:
    rule = "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"
    assert days(rule, "20070115T090000", "2007-06-01") == of(1, 15, 30) + of(2, 15) + of(3, 15, 30)


def test_rules_for_a_year_are_those_of_dateutil() -> None:
    begins = datetime(1997, 9, 2, 9)
    for rule in (
        "FREQ=MONTHLY;BYDAY=1FR", "FREQ=MONTHLY;INTERVAL=2;BYDAY=1SU,-1SU", "FREQ=MONTHLY;BYMONTHDAY=-3",
        "FREQ=WEEKLY;INTERVAL=2;WKST=SU;BYDAY=MO,WE,FR", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
        "FREQ=YEARLY;BYMONTH=6,7", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
    ):  # fmt: skip
        theirs = rrulestr(rule, dtstart=begins).between(begins, datetime(1998, 9, 1), inc=True)
        found = days(rule, *YEAR)
        # What begins by the clock of its own start counts too, whatever its rule says (3.8.5.3).
        assert found == sorted({(9, 2)} | {(when.month, when.day) for when in theirs}, key=lambda d: (d[0] < 9, d)), (
            rule
        )


def test_what_is_written_is_read_by_icalendar() -> None:
    start = datetime(2026, 3, 29, 0, 45, tzinfo=UTC)
    title = "Lesson; with comma, backslash \\ and ümlaut " + "long " * 30
    window = CallWindow(start, start + timedelta(minutes=30), date(2026, 3, 29), title.strip(), "two\nlines")
    data = calendar_bytes([window], "lesson", datetime(2026, 3, 1, tzinfo=UTC))
    (event,) = Calendar.from_ical(data).walk("VEVENT")
    assert (event.decoded("DTSTART"), event.decoded("DTEND")) == (window.start, window.end)
    assert str(event["SUMMARY"]) == window.title
    # RFC 5545, 3.1: lines end in CRLF and hold at most 75 octets.
    assert data.endswith(b"\r\n")
    assert max(len(line) for line in data.split(b"\r\n")) <= 75
