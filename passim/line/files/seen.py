"""What somebody saw: an observer's notes ("08:14 froze 20 s"), and a calendar of bad calls.

A note is a line with a time and how long it froze, or from when to when. A line with a date alone sets the day of those
below; a date may also stand before the time. "08:00 call begins" and "08:45 call ends" say when somebody watched:
between an end and the next beginning nothing is known. Without any such line each day counts from its first note to its
last.

Of a calendar each event is a freeze where it is no longer than ten minutes. A longer one is a call that went badly, and
its title and description are read as notes of the freezes in it: the call is then when somebody watched.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, Literal

from passim.answers.calls.calendar_in import Event, parse_calendar
from passim.constants import LONGEST_SPAN_DAYS
from passim.errors import InputError, WayOut
from passim.line.files.reading import Answers, Reading, Remark, UnreadLine, WallClock, check_damage, refused_text
from passim.line.files.tables import outage_reading
from passim.spans import Span, microseconds, zone

_EXAMPLE: Final = "a time and how long it froze, such as 08:14 froze 20 s"
_UNITS_S: Final = {"s": 1.0, "m": 60.0, "h": 3600.0}
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
# An observer writes remarks that hold no time: half of a page of notes may be such.
_TOLERATED_SHARE: Final = 0.5
_LONGEST_FREEZE: Final = timedelta(minutes=10)
# Five years; each is searched anew, and a slip in a year must not cost minutes.
_MOST_STRETCHES: Final = 20
_LARGEST_CALENDAR_BYTES: Final = 20_000_000

_CLOCK: Final = r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}))?(?:\s*([ap])\.?m\b\.?)?"
_BEFORE: Final = re.compile(r"^[\s\-*\u2022>]*(?:at\s+|from\s+)?", re.IGNORECASE)
_TIMES = re.compile(rf"{_CLOCK}(?:\s*(?:-|\u2013|to|until|till)\s*{_CLOCK})?(?![\d:])", re.IGNORECASE)
_LENGTH = re.compile(
    r"(?<![\w.,:])(\d+(?:[.,]\d+)?)\s*(seconds?|secs?|s|minutes?|mins?|m|hours?|h)(?![\w])", re.IGNORECASE
)
_BEGINS = re.compile(r"\b(?:begins?|began|starts?|started|watching|joined)\b", re.IGNORECASE)
_ENDS = re.compile(r"\b(?:ends?|ended|stops?|stopped|over|left|hung up)\b", re.IGNORECASE)
_ISO_DAY = re.compile(r"(\d{4})-(\d{2})-(\d{2})")
_DAY = r"(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+"
_WORD_DAY = re.compile(
    rf"(?:{_DAY})?(\d{{1,2}})\.?\s+({'|'.join(_MONTHS)})[a-z]*\.?,?(?:\s+(\d{{4}}))?\b", re.IGNORECASE
)
_MONTH_FIRST = re.compile(
    rf"(?:{_DAY})?({'|'.join(_MONTHS)})[a-z]*\.?\s+(\d{{1,2}}),?(?:\s+(\d{{4}}))?\b", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class _Note:
    """A line that says something: when by the clock, and how long it froze; or that a watch begins or ends."""

    kind: Literal["freeze", "begins", "ends"]
    wall: datetime
    length_s: float = 0.0


def is_noted(lines: Sequence[str]) -> bool:
    """Whether any line is a note: a time and a length."""
    return any(_TIMES.search(line) and (_LENGTH.search(line) or _TIMES.search(line)[5]) for line in lines)  # type: ignore[index]


def read_notes(lines: Sequence[str], name: str, answers: Answers) -> Reading:
    """Return the record of an observer's notes. Raises InputError, naming the line."""
    where = f"notes {name}"
    clock = WallClock(answers, where)
    notes, left_out, silent = _parse(lines, where, _first_day(answers), 1)
    check_damage(where, len(notes), left_out, answers.strict, most_share=_TOLERATED_SHARE)
    found: list[dict[str, Any]] = []
    placed: list[tuple[float, _Note]] = []
    for line, note in notes:
        try:
            at_s = clock.of(note.wall)
        except ValueError as error:
            left_out.append(UnreadLine(line, note.wall.isoformat(sep=" "), str(error)))
            continue
        placed.append((at_s, note))
        if note.kind == "freeze":
            found.append(_row(at_s, note.length_s))
    if not found:
        raise InputError(where, got="no freeze", wanted=_EXAMPLE)
    watched, by_day = _watched(placed)
    remarks = [] if answers.offset_s else [Remark("clock taken as right")]
    if by_day:
        remarks.append(Remark("unwatched nights"))
    left_out.sort(key=lambda one: one.line)
    return outage_reading(found, name, "notes", answers, len(notes), silent, left_out, remarks, watched)


def read_bad_calls(data: bytes, name: str, answers: Answers) -> Reading:
    """Return the record of a calendar of bad calls. Raises InputError, naming the line."""
    where = f"calendar {name}"
    if len(data) > _LARGEST_CALENDAR_BYTES:
        most = _LARGEST_CALENDAR_BYTES // 1_000_000
        raise InputError(where, got=f"{len(data):,} bytes", wanted=f"at most {most} MB")
    text = re.sub(r"\r?\n[ \t]", "", data.decode("utf-8-sig", errors="replace"))
    floating = re.search(r"^DTSTART(?:;VALUE=DATE-TIME)?:(\d{8}T\d{6})\s*$", text, re.MULTILINE)
    if floating and answers.zone is None:
        raise InputError(
            where, got=f"DTSTART:{floating[1]}", wanted="a start with its zone", way_out=WayOut.RECORD_ZONE
        )
    events = _events(data, text, name, where, answers)
    found: list[dict[str, Any]] = []
    left_out: list[UnreadLine] = []
    watched: list[tuple[float, float]] = []
    for event in events:
        start_s = microseconds(event.start) / 1e6 + answers.offset_s
        length_s = (event.end - event.start).total_seconds()
        if event.all_day or length_s <= 0.0:
            left_out.append(UnreadLine(event.line, event.title, "an event with a start and an end by the clock"))
        elif event.end - event.start <= _LONGEST_FREEZE:
            found.append(_row(start_s, length_s))
        else:
            freezes = _freezes_in(event, where, answers)
            if freezes:
                found += freezes
                watched.append((start_s, start_s + length_s))
            else:
                minutes = f"{event.title}, {length_s / 60.0:.0f} min"
                wanted = "an event of at most 10 min for each freeze, or 08:14 froze 20 s in its description"
                left_out.append(UnreadLine(event.line, minutes, wanted))
    check_damage(where, len(events) - len(left_out), left_out, answers.strict, most_share=_TOLERATED_SHARE)
    remarks = () if answers.offset_s else (Remark("clock taken as right"),)
    # Between two calls nobody has said that the line was good; where freezes alone were noted, it was.
    whole = () if answers.start is not None and answers.end is not None else watched
    return outage_reading(found, name, "calendar", answers, len(events) - len(left_out), 0, left_out, remarks, whole)


def _row(start_s: float, length_s: float) -> dict[str, Any]:
    # Whoever sees a freeze does not see where it comes from.
    return {"start_s": start_s, "end_s": start_s + length_s, "where": "line", "lost": 0}


def _events(data: bytes, text: str, name: str, where: str, answers: Answers) -> list[Event]:
    """Return the events of a calendar, each once, in order. Raises InputError."""
    days = sorted({day for day in map(_compact_day, re.findall(r"^DTSTART[^:\n]*:(\d{8})", text, re.MULTILINE)) if day})
    if not days:
        raise InputError(where, got="no event", wanted="an event for each bad call or freeze")
    odd = next((day for day in days if not 1957 < day.year < 2200), None)
    if odd is not None:
        raise InputError(where, got=f"an event of {odd}", wanted="a year from 1958 to 2199")
    repeats = re.search(r"^(?:RRULE|RDATE)\b", text, re.MULTILINE)
    if repeats and answers.end is None:
        raise InputError(where, got="an event that repeats", wanted="the end of the record", way_out=WayOut.RECORD_END)
    # The calendar is searched where events begin, in stretches no longer than a span may be.
    if repeats and answers.end is not None:
        last = max(answers.end.date(), days[-1])
        days = [days[0] + timedelta(days=k) for k in range(min((last - days[0]).days, 366 * 10) + 1)]
    stretches = list(_stretches(days))
    if len(stretches) > _MOST_STRETCHES:
        raise InputError(
            where, got=f"events from {days[0]} to {days[-1]}", wanted="those of a few years",
            try_next="a calendar for each year",
        )  # fmt: skip
    found: dict[tuple[str, datetime], Event] = {}
    for first, last in stretches:
        start = datetime.combine(first, time(), UTC) - timedelta(days=1)
        span = Span(start, datetime.combine(last, time(), UTC) + timedelta(days=2))
        for event in parse_calendar(data, span, answers.zone or "UTC", name, suggested=True).events:
            found.setdefault((event.uid, event.start), event)
    return sorted(found.values(), key=lambda event: event.start)


def _compact_day(text: str) -> date | None:
    try:
        return date(int(text[:4]), int(text[4:6]), int(text[6:]))
    except ValueError:
        return None  # the calendar's own reader names the line


def _stretches(days: Sequence[date]) -> Iterator[tuple[date, date]]:
    """Yield first and last of stretches that hold the days, each short enough to be searched at once."""
    most = timedelta(days=LONGEST_SPAN_DAYS - 4)
    first = last = days[0]
    for day in days[1:]:
        if day - first > most:
            yield first, last
            first = day
        last = day
    yield first, last


def _freezes_in(event: Event, where: str, answers: Answers) -> list[dict[str, Any]]:
    """Return the freezes that title and description of a call tell of. Raises InputError without a zone."""
    lines = [event.title, *event.description.splitlines()]
    if not any(_TIMES.search(line) and _LENGTH.search(line) for line in lines):
        return []
    if answers.zone is None:
        raise InputError(
            f"{where}, line {event.line}", got=event.title, wanted="the zone of the times in its text",
            way_out=WayOut.RECORD_ZONE,
        )  # fmt: skip
    begins = event.start.astimezone(zone(answers.zone))
    notes, _, _ = _parse(lines, where, begins.date(), event.line)
    clock = WallClock(answers, where)
    found = []
    for _, note in notes:
        # A call over midnight goes on by tomorrow's date.
        wall = note.wall + timedelta(days=note.wall < begins.replace(tzinfo=None) - timedelta(hours=12))
        if note.kind == "freeze":
            found.append(_row(clock.of(wall), note.length_s))
    return found


def _first_day(answers: Answers) -> date | None:
    if answers.start is None:
        return None
    return answers.start.astimezone(zone(answers.zone)).date() if answers.zone else answers.start.date()


def _parse(
    lines: Sequence[str], where: str, day: date | None, first_line: int
) -> tuple[list[tuple[int, _Note]], list[UnreadLine], int]:
    """Return the notes with their lines, the lines left out, and how many lines say nothing. Raises InputError."""
    notes: list[tuple[int, _Note]] = []
    left_out: list[UnreadLine] = []
    silent = 0
    before: datetime | None = None
    for number, line in enumerate(lines, first_line):
        text = _BEFORE.sub("", line, count=1).strip()
        if not text or text.startswith("#"):
            silent += 1
            continue
        try:
            stated, rest = _dated(text, day)
        except ValueError as error:
            left_out.append(UnreadLine(number, refused_text(line), str(error)))
            continue
        if stated is not None:
            day, before = stated, None
            if not rest.strip(" :,-"):
                silent += 1
                continue
        found = _TIMES.search(rest)
        if found is None:
            left_out.append(UnreadLine(number, refused_text(line), _EXAMPLE))
            continue
        if day is None:
            raise InputError(
                f"{where}, line {number}", got=line.strip(), wanted="a date, here or in a line above",
                way_out=WayOut.RECORD_START,
            )  # fmt: skip
        try:
            note = _note(found, rest, day)
        except ValueError as error:
            left_out.append(UnreadLine(number, refused_text(line), str(error)))
            continue
        # Twelve hours back without a new date: midnight has passed.
        if before is not None and note.wall < before - timedelta(hours=12):
            day += timedelta(days=1)
            note = _Note(note.kind, note.wall + timedelta(days=1), note.length_s)
        before = note.wall
        notes.append((number, note))
    return notes, left_out, silent


def _dated(text: str, day: date | None) -> tuple[date | None, str]:
    """Return the date that stands first in a line, None where none does, and what follows. Raises ValueError."""
    if iso := _ISO_DAY.match(text):
        year, month, number = map(int, iso.groups())
        rest = text[iso.end() :].removeprefix("T")
    elif word := _WORD_DAY.match(text):
        number, month = int(word[1]), _MONTHS.index(word[2].lower()) + 1
        year, rest = int(word[3] or 0), text[word.end() :]
    elif word := _MONTH_FIRST.match(text):
        number, month = int(word[2]), _MONTHS.index(word[1].lower()) + 1
        year, rest = int(word[3] or 0), text[word.end() :]
    else:
        return None, text
    year = year or (day.year if day else 0)
    if not year:
        raise ValueError("a date with its year, such as 2026-11-25")
    try:
        return date(year, month, number), rest
    except ValueError:
        raise ValueError("a date of the calendar") from None


def _note(found: re.Match[str], text: str, day: date) -> _Note:
    """Return what a line says. Raises ValueError with what was wanted."""
    hour, minute, second, half, *until = found.groups()
    wall = datetime.combine(day, _time(hour, minute, second, half or (until[3] if until[0] else None)))
    rest = text[: found.start()] + " " + text[found.end() :]
    lengths_s = [float(n.replace(",", ".")) * _UNITS_S[unit[0].lower()] for n, unit in _LENGTH.findall(rest)]
    if until[0] is not None:
        end = datetime.combine(day, _time(*until))
        length_s = (end - wall).total_seconds() % 86_400.0
    elif lengths_s:
        length_s = sum(lengths_s[:2]) if len(lengths_s) > 1 and lengths_s[1] < lengths_s[0] else lengths_s[0]
    elif _BEGINS.search(rest):
        return _Note("begins", wall)
    elif _ENDS.search(rest):
        return _Note("ends", wall)
    else:
        raise ValueError(_EXAMPLE)
    if not 0.0 < length_s <= 86_400.0:
        raise ValueError("a length of more than 0 and up to a day")
    return _Note("freeze", wall, length_s)


def _time(hour: str, minute: str, second: str | None, half: str | None) -> time:
    number = int(hour)
    if half:
        if not 1 <= number <= 12:
            raise ValueError("a time of the day")
        number = number % 12 + 12 * (half.lower() == "p")
    try:
        return time(number, int(minute), int(second or 0))
    except ValueError:
        raise ValueError("a time of the day") from None


def _watched(placed: Sequence[tuple[float, _Note]]) -> tuple[list[tuple[float, float]], bool]:
    """Return the stretches in which somebody watched, and whether they are days from their first note to their last."""
    stretches: list[tuple[float, float]] = []
    if any(note.kind != "freeze" for _, note in placed):
        begun: float | None = None
        last = 0.0
        for at_s, note in sorted(placed, key=lambda one: one[0]):
            if note.kind == "begins":
                if begun is not None:  # never ended: it is known as far as its last note
                    stretches.append((begun, last))
                begun = at_s
            elif note.kind == "ends" and begun is not None:
                stretches.append((begun, at_s))
                begun = None
            last = at_s + note.length_s
        if begun is not None:
            stretches.append((begun, last))
        return [(start, end) for start, end in stretches if end > start], False
    days: dict[date, tuple[float, float]] = {}
    for at_s, note in placed:
        first, last = days.get(note.wall.date(), (at_s, at_s))
        days[note.wall.date()] = (min(first, at_s), max(last, at_s + note.length_s))
    return list(days.values()), len(days) > 1
