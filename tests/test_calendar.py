"""Calendar files: what is read, what is refused with its line, and what is written, read back by another reader.

The reader in `contents` is written here from RFC 5545, sections 3.1 (lines, folds) and 3.3.11 (escapes), and shares
nothing with the library that writes.
"""

from __future__ import annotations

import os
import random
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from passim.answers.calls.calendar_in import CalendarEvents, Event, _unfolded, parse_calendar, read_calendar
from passim.answers.calls.calendar_out import CalendarChanges, CallWindow, check_target, write_calendar
from passim.answers.calls.recurrence import FREQUENCIES, repeated
from passim.errors import InputError
from passim.spans import Span
from passim_apps.text.calendar import calendar_notes

ZONE = "Europe/Berlin"
WEEK = Span(datetime(2026, 3, 23, tzinfo=UTC), datetime(2026, 4, 6, tzinfo=UTC))


def calendar(*events: str) -> bytes:
    """A calendar file with events given as lines between BEGIN:VEVENT and END:VEVENT."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//invented//EN"]
    for number, event in enumerate(events):
        lines += ["BEGIN:VEVENT", f"UID:{number}@invented", "DTSTAMP:20260301T000000Z", *event.split("|"), "END:VEVENT"]
    return "\r\n".join([*lines, "END:VCALENDAR", ""]).encode()


def events(*given: str, span: Span = WEEK) -> tuple[Event, ...]:
    return parse_calendar(calendar(*given), span, ZONE).events


def starts(*given: str, span: Span = WEEK) -> list[str]:
    return [event.start.isoformat() for event in events(*given, span=span)]


def test_an_event_with_its_zone() -> None:
    (event,) = events(
        "SUMMARY:Geometry|DTSTART;TZID=Europe/Berlin:20260326T090000|DTEND;TZID=Europe/Berlin:20260326T094500"
    )
    assert event == Event(
        "0@invented", "Geometry", datetime(2026, 3, 26, 8, tzinfo=UTC), datetime(2026, 3, 26, 8, 45, tzinfo=UTC)
    )


def test_times_without_a_zone_are_local_and_times_in_utc_are_not() -> None:
    assert starts("DTSTART:20260326T090000|DURATION:PT1H") == ["2026-03-26T08:00:00+00:00"]
    assert starts("DTSTART:20260326T090000Z|DURATION:PT1H") == ["2026-03-26T09:00:00+00:00"]


def test_whole_days_are_local_days_of_23_hours_where_clocks_go_forward() -> None:
    """Clocks in Berlin go forward on 2026-03-29 at 02:00 (IANA data base)."""
    (event,) = events("DTSTART;VALUE=DATE:20260329|DTEND;VALUE=DATE:20260330")
    assert event.all_day
    assert event.start == datetime(2026, 3, 28, 23, tzinfo=UTC)
    assert event.end - event.start == timedelta(hours=23)
    (short,) = events("DTSTART;VALUE=DATE:20260330")
    assert short.end - short.start == timedelta(hours=24)


def test_what_begins_as_the_span_ends_or_ends_as_it_begins_is_not_in_it() -> None:
    """WEEK is from midnight of March 23 to midnight of April 6, UTC; neither lesson shares a second with it."""
    assert starts("DTSTART:20260406T000000Z|DURATION:PT1H", "DTSTART:20260322T230000Z|DURATION:PT1H") == []
    assert len(starts("DTSTART:20260405T235959Z|DURATION:PT1H", "DTSTART:20260322T230001Z|DURATION:PT1H")) == 2


def test_a_weekly_lesson_keeps_its_local_hour_over_the_change_of_the_clocks() -> None:
    rule = "DTSTART;TZID=Europe/Berlin:20260105T090000|DURATION:PT45M|RRULE:FREQ=WEEKLY;BYDAY=MO,WE"
    assert starts(rule) == [
        "2026-03-23T08:00:00+00:00",
        "2026-03-25T08:00:00+00:00",
        "2026-03-30T07:00:00+00:00",
        "2026-04-01T07:00:00+00:00",
    ]


def test_a_rule_ends_and_leaves_days_out_and_takes_others_in() -> None:
    rule = (
        "DTSTART;TZID=Europe/Berlin:20260323T090000|DURATION:PT45M|RRULE:FREQ=DAILY;UNTIL=20260327T080000Z"
        "|EXDATE;TZID=Europe/Berlin:20260324T090000,20260325T090000|RDATE;TZID=Europe/Berlin:20260404T100000"
    )
    assert starts(rule) == [
        "2026-03-23T08:00:00+00:00",
        "2026-03-26T08:00:00+00:00",
        "2026-03-27T08:00:00+00:00",
        "2026-04-04T08:00:00+00:00",
    ]
    assert len(starts("DTSTART:20260324T090000Z|DURATION:PT1H|RRULE:FREQ=DAILY;COUNT=3")) == 3
    assert len(starts("DTSTART:20200101T090000Z|DURATION:PT1H|RRULE:FREQ=DAILY;COUNT=1000000")) == 14


def test_one_lesson_of_a_series_is_moved_and_one_is_cancelled() -> None:
    moved = parse_calendar(
        calendar(
            "SUMMARY:Choir|DTSTART:20260323T090000Z|DURATION:PT1H|RRULE:FREQ=DAILY;COUNT=3",
            "SUMMARY:Choir, later|RECURRENCE-ID:20260324T090000Z|DTSTART:20260324T150000Z|DURATION:PT1H",
            "RECURRENCE-ID:20260325T090000Z|DTSTART:20260325T090000Z|DURATION:PT1H|STATUS:CANCELLED",
        ).replace(b"UID:1@", b"UID:0@").replace(b"UID:2@", b"UID:0@"),
        WEEK,
        ZONE,
    )  # fmt: skip
    assert [(e.title, e.start.hour) for e in moved.events] == [("Choir", 9), ("Choir, later", 15)]
    assert calendar_notes(moved) == ["calendar: 1 cancelled, left out."]


def test_what_is_cancelled_or_takes_no_time_is_told_of() -> None:
    read = parse_calendar(
        calendar(
            "DTSTART:20260326T090000Z|DURATION:PT1H|STATUS:CANCELLED",
            "DTSTART:20260326T090000Z|DURATION:PT1H|TRANSP:TRANSPARENT",
            "DTSTART:20260501T090000Z|DURATION:PT1H",
        ),
        WEEK,
        ZONE,
    )
    assert read.events == ()
    assert calendar_notes(read) == [
        "calendar: 1 cancelled, left out.",
        "calendar: 1 marked as taking no time, left out.",
    ]


def test_a_start_that_its_own_rule_would_not_give_counts_all_the_same() -> None:
    """RFC 5545, 3.8.5.3: DTSTART is the first instance. 2026-03-26 is a Thursday."""
    assert starts("DTSTART:20260326T090000Z|DURATION:PT1H|RRULE:FREQ=WEEKLY;BYDAY=MO") == [
        "2026-03-26T09:00:00+00:00",
        "2026-03-30T09:00:00+00:00",
    ]


def test_a_rule_that_cannot_be_followed_is_told_by_name_and_its_hours_are_busy() -> None:
    for part in ("BYMONTHDAY=35", "BYMONTH=0", "INTERVAL=0", "BYDAY=99MO", "COUNT=-1", "BYSETPOS=0", "BYEASTER=1"):
        given = calendar(f"SUMMARY:Choir|DTSTART:20260326T090000Z|DURATION:PT1H|RRULE:FREQ=MONTHLY;{part}")
        read = parse_calendar(given, WEEK, ZONE, "mine.ics")
        assert [e.start.day for e in read.events] == [26, 27, 28, 29, 30, 31, 1, 2, 3, 4, 5]
        (note,) = calendar_notes(read)
        assert note.startswith("mine.ics, line 10: the rule by which 'Choir' repeats cannot be followed")
        assert part.partition("=")[0] in note
        assert note.endswith("; 09:00 to 10:00 counts as busy on every day from 2026-03-26 on.")


def test_what_repeats_all_day_long_is_followed_and_named() -> None:
    """RFC 5545, 3.3.10, allows HOURLY, MINUTELY and SECONDLY: the rest of the calendar is read as ever."""
    other = "SUMMARY:Lesson|DTSTART:20260326T090000Z|DURATION:PT45M"
    hourly = "SUMMARY:Chime|DTSTART:20260320T080000Z|DURATION:PT5M|RRULE:FREQ=HOURLY;INTERVAL=6;UNTIL=20260324T120000Z"
    read = parse_calendar(calendar(hourly, other), WEEK, ZONE, "mine.ics")
    # By hand, every six hours from 20 March 08:00: at 02:00, 08:00, 14:00 and 20:00 of every day.
    chimes = [f"{e.start:%d %H:%M}" for e in read.events if e.title == "Chime"]
    assert chimes == ["23 02:00", "23 08:00", "23 14:00", "23 20:00", "24 02:00", "24 08:00"]
    assert [e.title for e in read.events if e.title != "Chime"] == ["Lesson"]
    assert calendar_notes(read) == [
        "mine.ics, line 10: 'Chime' repeats 6 times in the time looked at; each counts as busy."
    ]
    some = starts("DTSTART:20260326T090000Z|DURATION:PT1M|RRULE:FREQ=MINUTELY;INTERVAL=15;COUNT=3")
    assert some == [f"2026-03-26T09:{minute:02d}:00+00:00" for minute in (0, 15, 30)]


@pytest.mark.parametrize(
    "rule", ["FREQ=SECONDLY", "FREQ=MINUTELY", "FREQ=SECONDLY;COUNT=999999999", "FREQ=HOURLY;BYHOUR=25"]
)
def test_what_repeats_too_often_to_follow_is_busy_throughout(rule: str) -> None:
    other = "SUMMARY:Lesson|DTSTART:20260323T090000Z|DURATION:PT45M"
    tick = f"SUMMARY:Tick|DTSTART:20260326T090000Z|DURATION:PT1S|RRULE:{rule}"
    read = parse_calendar(calendar(other, tick), WEEK, ZONE, "mine.ics")
    lesson, busy = read.events
    assert (lesson.title, busy.title) == ("Lesson", "Tick")
    assert (busy.start, busy.end) == (datetime(2026, 3, 26, 9, tzinfo=UTC), WEEK.end)
    assert busy.guessed
    (note,) = calendar_notes(read)
    assert note.startswith("mine.ics, line 17: the rule by which 'Tick' repeats cannot be followed (")
    assert note.endswith("); all the time from 2026-03-26 09:00 on counts as busy.")


def test_a_rule_that_ends_leaves_the_time_after_it_free() -> None:
    (busy,) = events("DTSTART:20200101T000000Z|DURATION:PT1S|RRULE:FREQ=SECONDLY;UNTIL=20260324T120000Z")
    assert (busy.start, busy.end) == (WEEK.start, datetime(2026, 3, 24, 12, 0, 1, tzinfo=UTC))
    assert events("DTSTART:20200101T000000Z|DURATION:PT1S|RRULE:FREQ=SECONDLY;UNTIL=20260301T120000Z") == ()


def test_a_day_that_never_comes_is_not_looked_for_up_to_the_year_9999() -> None:
    """Counted in the years that dateutil goes through, which on any machine are what such a rule costs."""
    from dateutil import rrule

    seen: list[int] = []
    real = rrule._iterinfo.rebuild

    def counted(self: object, year: int, month: int) -> None:
        seen.append(year)
        real(self, year, month)

    for rule in (
        "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=MONTHLY;BYDAY=MO;BYSETPOS=9",
        "FREQ=DAILY;INTERVAL=7;BYDAY=MO;COUNT=9",
    ):
        seen.clear()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rrule._iterinfo, "rebuild", counted)
            assert starts(f"DTSTART:20260326T090000Z|DURATION:PT1H|RRULE:{rule}") == ["2026-03-26T09:00:00+00:00"]
        assert len(set(seen)) < 60


def test_rules_come_out_as_dateutil_alone_has_them() -> None:
    """Neither the periods left out nor the late years may change a day."""
    from dateutil.rrule import rrulestr

    draw = random.Random(0)
    for _ in range(100):
        # dateutil alone counts minutes and seconds for ever.
        frequency = draw.choice([name for name in FREQUENCIES if name not in ("MINUTELY", "SECONDLY")])
        parts = [f"FREQ={frequency}", f"INTERVAL={draw.choice([1, 1, 2, 3, 7])}"]
        options = (
            "BYMONTH=2,3,4", "BYMONTHDAY=1,29,-1", "BYDAY=MO,TH", "BYDAY=WE;BYSETPOS=1,-1", "COUNT=2000", "WKST=SU",
            "UNTIL=20260402T120000", "BYHOUR=9,15",
        )  # fmt: skip
        parts += draw.sample(options, draw.randint(0, 2))
        rule = ";".join(parts)
        if "COUNT" in rule and "UNTIL" in rule:  # not allowed together
            continue
        years = [2026] if frequency == "HOURLY" else [2004, 2016, 2022, 2026]
        begins = datetime(draw.choice(years), draw.randint(1, 12), draw.randint(1, 28), 9)
        first, last = datetime(2026, 3, 22), datetime(2026, 4, 7)
        expected = rrulestr(f"RRULE:{rule}", dtstart=begins).between(first, last, inc=True)
        assert repeated(rule, begins, UTC, first, last) == expected, (rule, begins)


def test_a_series_moved_from_one_day_on_is_moved_on_all_later_days() -> None:
    """RFC 5545, 3.2.13: RANGE=THISANDFUTURE."""
    given = (
        calendar(
            "DTSTART:20260323T090000Z|DURATION:PT1H|RRULE:FREQ=DAILY",
            "RECURRENCE-ID;RANGE=THISANDFUTURE:20260402T090000Z|DTSTART:20260402T150000Z|DURATION:PT2H",
            "RECURRENCE-ID:20260404T090000Z|DTSTART:20260404T200000Z|DURATION:PT1H",
        )
        .replace(b"UID:1@", b"UID:0@")
        .replace(b"UID:2@", b"UID:0@")
    )
    events = parse_calendar(given, WEEK, ZONE).events
    assert [(e.start.day, e.start.hour) for e in events][-5:] == [(1, 9), (2, 15), (3, 15), (4, 20), (5, 15)]
    assert events[-1].end - events[-1].start == timedelta(hours=2)


def test_a_period_lasts_as_long_as_it_says() -> None:
    (_, extra) = events("DTSTART:20260326T090000Z|DURATION:PT1H|RDATE;VALUE=PERIOD:20260327T090000Z/PT5H")
    assert extra.end - extra.start == timedelta(hours=5)


def test_busy_times_are_united() -> None:
    read = parse_calendar(
        calendar("DTSTART:20260326T090000Z|DURATION:PT1H", "DTSTART:20260326T093000Z|DURATION:PT1H"), WEEK, ZONE
    )
    start, end = read.busy_us()
    assert ((end - start) / 60e6).tolist() == [90.0]


def test_folds_are_undone_as_the_standard_shows() -> None:
    """The example of RFC 5545, section 3.1 (recalled): a line break and one space or tab are taken out, no more."""
    text = "DESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line.\r\n\r\nEND:VEVENT\r\n"
    unfolded = [(1, "DESCRIPTION:This is a long description that exists on a long line."), (5, "END:VEVENT")]
    assert list(_unfolded(text)) == unfolded
    assert list(_unfolded(text.replace("\n ", "\n\t"))) == unfolded


def test_folded_lines_and_a_zone_of_the_files_own() -> None:
    data = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VTIMEZONE\r\nTZID:Island\r\nBEGIN:STANDARD\r\n"
        b"DTSTART:19700101T000000\r\nTZOFFSETFROM:+0300\r\nTZOFFSETTO:+0300\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
        b"BEGIN:VEVENT\r\nUID:1\r\nSUMMARY:A long\r\n  name\r\nDTSTART;TZID=Island:20260326T090000\r\n"
        b"DURATION:PT1H\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    (event,) = parse_calendar(data, WEEK, ZONE).events
    assert (event.title, event.start) == ("A long name", datetime(2026, 3, 26, 6, tzinfo=UTC))


def test_what_cannot_be_understood_is_refused_with_its_line(subtests: pytest.Subtests) -> None:
    for data, message in [
        (b"hello\r\n", "line 1; got 'hello'; wanted NAME:VALUE"),
        (b"SUMMARY:x\r\n", "line 1; got 'SUMMARY:x'; wanted BEGIN:VCALENDAR first"),
        (b"", "line 1; got 'an empty file'; wanted BEGIN:VCALENDAR"),
        (b"BEGIN:VCALENDAR\r\n\xff\xfe\r\nEND:VCALENDAR\r\n", "line 2; got 'byte 0xff'; wanted text in UTF-8"),
        (b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nEND:VCALENDAR\r\n", "line 3; got 'END:VCALENDAR'; wanted END:VEVENT"),
        (b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n", "line 3; got 'the end of the file'; wanted END:VEVENT, open"),
        (calendar("SUMMARY:x"), "line 4; got 'an event without DTSTART'"),
        (calendar("SUMMARY:x|DTSTART:2026-03-26"), "line 8; got"),
        (calendar("SUMMARY:x", "DTSTART:2026-03-26"), "line 4; got"),
        (calendar("DTSTART:20260326T090000Z|DTEND:20260326T080000Z"), "line 8; got"),
        (calendar("DTSTART;TZID=Nowhere/Land:20260326T090000|DURATION:PT1H"), "line 7; got 'time zone Nowhere/Land'"),
        (calendar("DTSTART:20260326T090000Z|DURATION:PT1H|no colon here"), "line 9; got 'no colon here'"),
        (calendar("DTSTART:20260326T090000Z|DURATION:PT1H|RRULE:FREQ=OFTEN"), "line 9; got"),
        (calendar("DTSTART:20260326T090000Z|DTEND;VALUE=DATE:20260327"), "got"),
        (calendar("DTSTART:20260326T090000Z|DTSTART:20260327T090000Z"), "line 7; got 'DTSTART twice in one event'"),
        (calendar("DTSTART;TZID=a,b:20260326T090000|DURATION:PT1H"), "line 7; got"),
        (calendar("DTSTART;TZID=Europe:20260326T090000|DURATION:PT1H"), "line 7; got 'time zone Europe'"),
        (calendar(f"DTSTART;TZID={'x' * 5000}:20260326T090000|DURATION:PT1H"), "line 7; got 'time zone xxxx"),
        (calendar("DTSTART:20260326T090000Z|RDATE;TZID=No/Where:20260327T090000"), "line 8; got 'time zone No/Where'"),
        (calendar("DTSTART:20260326T090000Z|RDATE;VALUE=PERIOD:20260327T090000Z/"), "line 8; got"),
        (calendar("DTSTART:20260326T090000Z|RDATE:2026"), "line 8; got"),
        (calendar("DTSTART:00010101T000000|DURATION:PT1H"), "line 4; got 'a time outside the years 1 to 9999'"),
    ]:  # fmt: skip
        with subtests.test(data=data, message=message):
            with pytest.raises(InputError) as refused:
                parse_calendar(data, WEEK, ZONE, "mine.ics")
            text = str(refused.value)
            assert "\n" not in text
            assert text.startswith("calendar file mine.ics, line ")
            assert message in text


def test_a_pipe_is_no_calendar(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.ics")
    with pytest.raises(InputError, match="no regular file"):
        read_calendar(tmp_path / "pipe.ics", WEEK, ZONE)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="calendar file cannot be read: No such file"):
        read_calendar(tmp_path / "none.ics", WEEK, ZONE)


SOUND = calendar(
    "SUMMARY:x|DTSTART;TZID=Europe/Berlin:20260323T090000|DURATION:PT45M|RRULE:FREQ=WEEKLY;BYDAY=MO|EXDATE:20260330T070000Z",
    "DTSTART;VALUE=DATE:20260329|DTEND;VALUE=DATE:20260330",
)


@given(st.integers(0, len(SOUND) - 1), st.integers(0, 30), st.binary(max_size=6))
def test_damage_is_read_or_refused_and_nothing_else(place: int, length: int, put: bytes) -> None:
    damaged = SOUND[:place] + put + SOUND[place + length :]
    try:
        read = parse_calendar(damaged, WEEK, ZONE).events
    except InputError:
        read = ()
    assert all(e.start < WEEK.end and e.end >= WEEK.start for e in read)


# --- writing ----------------------------------------------------------------------------------------------------------

NOW = datetime(2026, 3, 23, 6, tzinfo=UTC)


def contents(path: Path) -> list[dict[str, str]]:
    """Read the events of a calendar file by hand."""
    data = path.read_bytes()
    assert data.endswith(b"\r\n")
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    assert b"\n" not in data.replace(b"\r\n", b"")
    found: list[dict[str, str]] = []
    for line in data.decode().replace("\r\n ", "").split("\r\n"):
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            found.append({})
        elif found and not line.startswith(("END", "BEGIN")) and line:
            unescaped = value.replace("\\\\", "\0").replace("\\n", "\n").replace("\\,", ",").replace("\\;", ";")
            found[-1][name] = unescaped.replace("\0", "\\")
    return found


def window(hour: int, text: str = "Expected: 0.3 pauses, 4 s; all\nfine", day: int = 24) -> CallWindow:
    start = datetime(2026, 3, day, hour, tzinfo=UTC)
    return CallWindow(start, start + timedelta(minutes=30), date(2026, 3, day), "Good time, lesson", text)


def test_what_is_written_is_read_back_by_another_reader(tmp_path: Path) -> None:
    target = tmp_path / "out.ics"
    assert write_calendar(target, [window(10), window(8)], "a question", NOW) == CalendarChanges(2, 0, 0, 0)
    first, second = contents(target)
    assert (first["DTSTART"], first["DTEND"], second["DTSTART"]) == (
        "20260324T080000Z",
        "20260324T083000Z",
        "20260324T100000Z",
    )
    assert first["DTSTAMP"] == "20260323T060000Z"
    assert first["DESCRIPTION"] == "Expected: 0.3 pauses, 4 s; all\nfine"
    assert first["SUMMARY"] == "Good time, lesson"
    assert (first["SEQUENCE"], first["TRANSP"], first["STATUS"]) == ("0", "TRANSPARENT", "TENTATIVE")
    assert first["UID"] != second["UID"]
    header = target.read_text(encoding="utf-8").split("BEGIN:VEVENT")[0]
    assert "PRODID:" in header
    assert "VERSION:2.0" in header


def test_writing_again_updates_and_does_not_duplicate(tmp_path: Path) -> None:
    target = tmp_path / "out.ics"
    write_calendar(target, [window(8), window(10)], "a question", NOW)
    before = contents(target)
    # The same again changes nothing but the stamp.
    assert write_calendar(target, [window(8), window(10)], "a question", NOW + timedelta(hours=1)) == CalendarChanges(
        0, 0, 2, 0
    )
    again = contents(target)
    assert [(e["UID"], e["SEQUENCE"]) for e in again] == [(e["UID"], "0") for e in before]
    assert again[0]["DTSTAMP"] == "20260323T070000Z"
    # New elements move one call: it keeps its UID, and its SEQUENCE rises.
    assert write_calendar(target, [window(8), window(11)], "a question", NOW) == CalendarChanges(0, 1, 1, 0)
    moved = contents(target)
    assert [e["UID"] for e in moved] == [e["UID"] for e in before]
    assert [(e["DTSTART"], e["SEQUENCE"]) for e in moved] == [("20260324T080000Z", "0"), ("20260324T110000Z", "1")]
    # A call that is suggested no longer is called off, once.
    assert write_calendar(target, [window(8)], "a question", NOW) == CalendarChanges(0, 0, 1, 1)
    assert write_calendar(target, [window(8)], "a question", NOW) == CalendarChanges(0, 0, 1, 0)
    assert [(e["STATUS"], e["SEQUENCE"]) for e in contents(target)] == [("TENTATIVE", "0"), ("CANCELLED", "2")]
    # Another question's calls stay beside it, until they are over.
    assert write_calendar(target, [window(9)], "another question", NOW) == CalendarChanges(1, 0, 0, 0)
    assert len(contents(target)) == 3
    later = NOW + timedelta(days=2)
    assert write_calendar(target, [window(8, day=28)], "a question", later) == CalendarChanges(1, 0, 0, 0)
    assert [e["DTSTART"] for e in contents(target)] == ["20260328T080000Z"]


def test_suggestions_are_not_busy_times(tmp_path: Path) -> None:
    target = tmp_path / "out.ics"
    write_calendar(target, [window(8)], "a question", NOW)
    assert read_calendar(target, WEEK, ZONE).events == ()


@pytest.mark.parametrize("text", ["hello", calendar("DTSTART:20260326T090000Z|DURATION:PT1H").decode()])
def test_a_file_that_passim_did_not_write_is_left_alone(text: str, tmp_path: Path) -> None:
    target = tmp_path / "mine.ics"
    target.write_text(text, encoding="utf-8", newline="")
    for attempt in (lambda: check_target(target), lambda: write_calendar(target, [window(8)], "a question", NOW)):
        with pytest.raises(InputError, match="wanted a new file, or one that passim wrote"):
            attempt()
    assert target.read_bytes().decode() == text


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="wanted the name of a file in a folder that exists"):
        check_target(tmp_path / "none" / "out.ics")


@pytest.mark.parametrize("name", ["out.txt", "out", "good.times"])
def test_a_name_that_no_calendar_takes_in(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"wanted a name that ends in \.ics.*; try .*\.ics"):
        check_target(tmp_path / name)
    check_target(tmp_path / "OUT.ICS")


def test_a_parameter_with_several_values_is_refused_with_its_line() -> None:
    """RFC 5545, 3.2.20: VALUE names one type."""
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\nBEGIN:VEVENT\r\nUID:0@invented\r\n"
        "DTSTART;VALUE=DATE,PERIOD:20260302\r\nSUMMARY:Lesson\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    with pytest.raises(InputError, match="calendar file fuzzed, line 6; got 'VALUE with more than one type'"):
        parse_calendar(text.encode(), Span.starting(datetime(2026, 3, 1, tzinfo=UTC), 48.0), "UTC", "fuzzed")


def test_a_parameter_given_twice_is_refused_with_its_line(subtests: pytest.Subtests) -> None:
    """RFC 5545, 3.8.2.4: VALUE and TZID "MUST NOT occur more than once"; what stands in quotes is no parameter."""
    span = Span.starting(datetime(2026, 3, 1, tzinfo=UTC), 48.0)

    def read(line: str) -> CalendarEvents:
        text = (
            "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\nBEGIN:VEVENT\r\nUID:0@invented\r\n"
            f"{line}\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
        )
        return parse_calendar(text.encode(), span, "UTC", "lessons.ics")

    for line, name in [
        ("DTSTART;TZID=Europe/Lisbon;TZID=Europe/Zurich:20260302T090000", "TZID"),
        ("DTSTART;VALUE=DATE-TIME;value=DATE:20260302", "VALUE"),
        ("DTSTART;TZID=Europe/Lisbon;VALUE=DATE-TIME;\r\n TZID=UTC:20260302T090000", "TZID"),
    ]:
        wanted = f"calendar file lessons.ics, line 6; got '{name} twice in one line'; wanted it once"
        with subtests.test(line=line), pytest.raises(InputError, match=wanted):
            read(line)
    for rest in (
        'SUMMARY;ALTREP="cid:one;TZID=1;TZID=2":Lesson',
        "SUMMARY;X-A=1;X-A=2:Lesson",
        "SUMMARY;LANGUAGE=en:Lesson;LANGUAGE=en",
    ):
        with subtests.test(rest=rest):
            assert [event.start.hour for event in read(f"DTSTART:20260302T090000Z\r\n{rest}").events] == [9]
