"""What the line does and did, as people read it: the live line of the probe, outages, holes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from passim.line import JournalFault

from .columns import COUNT, DURATION, TEXT, Column, Format, day_column, of_row, time_column
from .notes import Note, background
from .units import LocalClock, capital, counted, cut_ends, duration

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import pandas as pd

    from passim.line import LineRecord, LiveOutage, Target, Watch

# Where a fault lies.
PLACES: Final = {"house": "in the house", "line": "in the line", "far": "at the far end"}
WHERE: Final = {"house": "house", "line": "line", "far": "far end"}
NOT_TOLD_APART: Final = (
    "Faults in the house and in the line are not told apart here: that takes your own router as the first target, and "
    "another beyond your line."
)
# What lies in a hole, by how the measuring that follows it began.
HOLES: Final = {
    "started": "the probe was not running",
    "asleep": "the machine was asleep",
    "paused": "the probe was stopped for a while",
    "clock set": "the clock was set",
}

# How often a line freezes about which people ask, for how long to record.
_OFTEN_S: Final = 300.0
# Holes up to this are not worth a word.
_SHORT_HOLE_S: Final = 1.5


def outage_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of outages."""
    return [
        day_column(clock),
        time_column(clock, "start", "Start", local=True),
        time_column(clock, "end", "End", priority=1),
        Column("duration_s", "Length", DURATION),
        Column("where", "Where", Format(lambda place: WHERE[place], numeric=False)),
        Column("lost", "Packets lost", COUNT, 2),
        Column("cut", "Cut", of_row(cut_ends), 3),
    ]


def enough_sentence() -> str:
    """Say how many freezes judge a forecast, and how long a line takes for them that freezes every few minutes."""
    from passim.line import statistics

    fewest = statistics.FEWEST_FREEZES
    takes_s = 600.0 * math.ceil(statistics.record_for_s(fewest, _OFTEN_S) / 600.0)
    return (
        f"The forecast is judged from {fewest} freezes on: a line that freezes once in {duration(_OFTEN_S)} has them "
        f"within {duration(takes_s)}, 19 times in 20."
    )


def how_long_sentences(*, judged: bool = True) -> str:
    """Say how long to record: until there are enough freezes, or until there would have been one.

    Of a fleet whose forecast is not `judged` by the record, nothing is said of how many freezes that takes.
    """
    still = f"If none comes in {duration(_still_s())}, it freezes less often than that (at 95 %)"
    if not judged:
        once = f"once in {duration(_OFTEN_S)} (at 95 %)"
        still = f"If the line does not freeze in {duration(_still_s())}, it freezes less often than {once}"
    record = f"{still}: record at the hours when calls freeze. A whole day also shows which hours those are."
    return f"{enough_sentence()} {record}" if judged else record


def no_freeze_sentence(measured_s: float, *, on_pages: bool = False) -> str:
    """Say what it means that a line has not frozen in so many seconds measured, and what to do then."""
    from passim.line import statistics

    if measured_s < _still_s():
        return (
            f"That is too short to tell: only after {duration(_still_s())} without a freeze can one say, at 95 %, that "
            f"a line does not freeze once in {duration(_OFTEN_S)}."
        )
    rarer_s = statistics.rarer_than_s(measured_s)
    whole_s = 60.0 if rarer_s < 3600.0 else 3600.0
    record = "leave the recording on" if on_pages else "let passim probe run"
    return (
        f"At hours like these it freezes less than once in {duration(whole_s * math.floor(rarer_s / whole_s))} (at "
        "95 %). If calls froze in that time, the line is not the cause: look at the house network, your own device and "
        f"the other end of the call. If none did, {record} at the hours when they do."
    )


def _still_s() -> float:
    """Return how long without a freeze says that a line does not freeze often, in whole minutes."""
    from passim.line import statistics

    return 60.0 * math.ceil(statistics.record_for_s(1, _OFTEN_S) / 60.0)


FAULT_COLUMNS: Final = (Column("fault", "Fault", TEXT),)


def record_notes(record: LineRecord, starts: pd.DataFrame, offsets: pd.DataFrame, clock: LocalClock) -> list[Note]:
    """Return what is to be known beside outages: where nothing was measured, what was not told apart, the clock."""
    notes = []
    left_s = record.span.duration_s - record.measured_s
    if left_s > _SHORT_HOLE_S and record.measured_s > 0.0:
        notes.append(Note(f"Not measured: {duration(left_s)}; {_why_holes(record, starts, clock)}."))
    if record.probes and not record.told_apart:
        notes.append(Note(NOT_TOLD_APART))
    if len(offsets):
        latest = offsets.iloc[-1]
        off = latest["offset_s"]
        words = "right within 1 ms" if abs(off) < 1e-3 else f"{abs(off):.3f} s {'slow' if off > 0 else 'fast'}"
        notes.append(
            Note(
                f"This machine's clock was {words} by {latest['server']} at {clock.when(latest['at'])}.",
                "reading" if abs(off) >= 0.5 else "background",
            )
        )
    notes.append(
        background(
            "An outage is three lost packets in a row or as many as --losses says (RFC 3357, loss periods), from the "
            "send of the first to that of the next one answered; an answer within 5 s counts, however late."
        )
    )
    return notes


def hole_rows(record: LineRecord, starts: pd.DataFrame) -> list[tuple[datetime, datetime, str]]:
    """Return the holes of a record: start, end, and why."""
    whys: list[tuple[float, str]] = [
        (at.timestamp(), str(why)) for at, why in zip(starts["at"], starts["why"], strict=True)
    ]
    rows = []
    for start_s, end_s in record.holes.tolist():
        why = next((words for at_s, words in whys if abs(at_s - end_s) < 1e-3), "started")
        rows.append((_moment(start_s), _moment(end_s), HOLES[why]))
    return rows


def _why_holes(record: LineRecord, starts: pd.DataFrame, clock: LocalClock) -> str:
    """Return the longest holes in words."""
    # What the probe has sent within the last second is not in the journal yet.
    rows = [row for row in hole_rows(record, starts) if row[1] - row[0] > timedelta(seconds=_SHORT_HOLE_S)]
    rows.sort(key=lambda row: row[0] - row[1])
    words = [
        f"{why} for {duration((end - start).total_seconds())} from {clock.when(start)}" for start, end, why in rows[:3]
    ]
    more = len(rows) - len(words)
    return "; ".join(words) + (f"; and {counted(more, 'more such time', 'more such times')}" if more else "")


def _moment(time_s: float) -> datetime:
    return datetime.fromtimestamp(0, UTC) + timedelta(seconds=time_s)


# --- while the probe runs; nothing heavy may be loaded for it ---------------------------------------------------------


def live_line(watch: Watch, now_us: int, zone: ZoneInfo) -> str:
    """Return the line that a terminal shows while the probe runs: does it answer, the last outage, the hour."""
    last = watch.last
    parts = [
        _state_words(watch, now_us, zone),
        f"last outage {_clock_words(last.start_us, zone)}, {_length_words(last)}" if last else "no outage yet",
        f"{watch.in_last_hour(now_us):,} in the last hour",
    ]
    return f"{_clock_words(now_us, zone)}  {' · '.join(parts)}"


def outage_line(outage: LiveOutage, zone: ZoneInfo) -> str:
    """Say of an outage that has ended when it was and how long."""
    return f"{_clock_words(outage.start_us, zone)}  outage, {_length_words(outage)}"


def break_line(why: str, now_us: int, zone: ZoneInfo) -> str:
    """Say that a hole has ended."""
    return f"{_clock_words(now_us, zone)}  measuring again: {HOLES[why]}"


def start_lines(targets: Sequence[Target], every_s: float, file: str) -> list[str]:
    """Say what is asked, how often, and where it is kept."""
    words = ", ".join(f"{target.name} ({target.method} {target.address})" for target in targets)
    return [f"Asking every {every_s:g} s: {words}.", f"Kept in {file}. Ctrl-C stops it."]


def _state_words(watch: Watch, now_us: int, zone: ZoneInfo) -> str:
    if watch.under_way is not None:
        since_s = (now_us - watch.under_way.start_us) / 1e6
        where = PLACES[watch.under_way.where]
        return f"no answer since {_clock_words(watch.under_way.start_us, zone)}, {duration(since_s)}, {where}"
    trips = [trip for trip in watch.latest_us if trip is not None and trip >= 0]
    if not trips:
        return "no answer yet"
    # The farthest of those that answer says most about the line.
    return f"answering, {max(trips) / 1000:.0f} ms"


def _length_words(outage: LiveOutage) -> str:
    length_s = ((outage.end_us or outage.start_us) - outage.start_us) / 1e6
    return f"{duration(length_s)} {PLACES[outage.where]}"


def _clock_words(time_us: int, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(time_us // 1_000_000, UTC).astimezone(zone).strftime("%H:%M:%S")


def fault_words(fault: JournalFault) -> str:
    """Return one thing that is wrong with a journal."""
    minute = f"minute {fault.minute} (row {fault.row})"
    counted_as = f"{fault.sent} and {fault.lost} lost"
    return {
        "file": f"the file is damaged: {fault.detail}",
        "error": fault.detail,
        "minutes": "not all of its minutes can be read",
        "checksum": f"{minute} does not fit its checksum",
        "counts": f"{minute} holds other probes than it counts, {counted_as}",
        "order": f"{minute} is out of order",
    }[fault.what]


def fault_sentence(faults: Sequence[JournalFault], rows: Any) -> str:
    """Say whether a journal is whole; `rows` are what it holds, by source."""
    if not faults:
        return f"The journal is whole: {rows}."
    return f"{capital(counted(len(faults), 'fault'))} in the journal; what is whole can still be read."
