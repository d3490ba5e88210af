"""What every reader of other people's records shares: what the user said of the file, and what came of reading it.

A line is used, says nothing of the line (a heading, a summary, a blank), or is left out and named with its number: no
line is lost in silence. Where what a file says of its times is not enough, the error says what is missing.
"""

from __future__ import annotations

import codecs
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from passim.arrays import Floats
from passim.errors import InputError, WayOut, shown
from passim.line.record import LineRecord, Position, Probes, Target, outage_table
from passim.spans import Span, microseconds, moment, wall_readings, zone

# As in element files: damage in up to so much of a file is let through and told.
TOLERATED_SHARE: Final = 0.01
# Of a short file that would be nothing at all: a last line cut off as the power went is no reason to refuse.
TOLERATED_LINES: Final = 3
LARGEST_FILE_BYTES: Final = 1_000_000_000


@dataclass(frozen=True)
class Answers:
    """What the user says of a file where it does not say so itself.

    zone        the clock that its times without an offset are those of, a name of the IANA data base
    columns     our name of a column -> the name it has in the file
    offset_s    how far its clock was behind the right time, seconds: this is added to every time
    start, end  when the record begins and ends, aware
    every_s     from one probe to the next, where the file has no times
    losses      so many lost in a row are an outage
    position    where the target of the probes stands: "house" for the user's own router
    name        what the target is called; empty for the address in the file
    strict      whether any damaged line is refused
    """

    zone: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    offset_s: float = 0.0
    start: datetime | None = None
    end: datetime | None = None
    every_s: float | None = None
    losses: int = 3
    position: Position = "far"
    name: str = ""
    strict: bool = False

    def __post_init__(self) -> None:
        if self.zone is not None:
            zone(self.zone)
        if not np.isfinite(self.offset_s) or abs(self.offset_s) > 100 * 365 * 86_400.0:
            raise InputError("offset of the clock", got=self.offset_s, wanted="a number of seconds", try_next="2.5")
        if self.every_s is not None and not 0.01 <= self.every_s <= 3600.0:
            raise InputError("time between probes", got=f"{self.every_s:g} s", wanted="0.01 s to an hour", try_next="1")
        if self.losses < 1:
            raise InputError("losses in a row", got=self.losses, wanted="1 or more", try_next="3")
        if self.start is not None and self.end is not None and self.end <= self.start:
            raise InputError("end of the record", got=self.end.isoformat(), wanted="an end after its start")


@dataclass(frozen=True, slots=True)
class UnreadLine:
    """A line of a file that could not be used: its number from 1, what it says, and what was wanted."""

    line: int
    text: str
    wanted: str


@dataclass(frozen=True, eq=False)
class Reading:
    """What came of reading a file.

    record      what it holds
    kind        what sort of file it was taken for
    used        lines that hold a probe, an outage or a remark on the watch
    silent      lines that say nothing of the line: headings, summaries, blanks
    left_out    lines that could not be used, in order
    remarks     codes of what was taken for granted, for the faces to word: see `Remark`
    """

    record: LineRecord
    kind: Kind
    used: int
    silent: int
    left_out: tuple[UnreadLine, ...] = ()
    remarks: tuple[Remark, ...] = ()

    def __repr__(self) -> str:
        outages = len(self.record.outages)
        return f"<Reading of {self.record.source}: {self.kind}, {outages:,} outages, {len(self.left_out):,} left out>"


Kind = Literal["ping", "ping of Windows", "probes", "outages", "journal", "notes", "calendar"]


@dataclass(frozen=True, slots=True)
class Remark:
    """Something taken for granted: a code, and the numbers that belong to it.

    clock taken as right        nobody has said how far the clock was off
    times counted               the file has no times: they are counted from its start, ``value`` seconds apart
    times stretched             counted times were stretched by the factor ``value`` to meet the end given
    timeouts counted            each time-out counts as ``value`` seconds
    losses from numbers         ``value`` probes were found lost because their number is missing
    unwatched nights            each day counts from its first remark to its last
    span of events              the record begins with its first outage and ends with its last
    """

    code: Literal[
        "clock taken as right",
        "times counted",
        "times stretched",
        "timeouts counted",
        "losses from numbers",
        "unwatched nights",
        "span of events",
    ]
    value: float = 0.0


def text_of(data: bytes) -> str:
    """Return the text of a file that some program has written: UTF-8, or UTF-16 as Windows' shells redirect it."""
    for mark, encoding in ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if data.startswith(mark):
            return data[len(mark) :].decode(encoding, errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # What matters is ASCII; a name in some old code page must not cost the record.
        return data.decode("latin-1")


def lines_of(text: str) -> list[str]:
    """Return the lines of a text, whichever way they end; the last may lack its end."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return lines[:-1] if lines and not lines[-1] else lines


class WallClock:
    """Turns times as a file has them into seconds since 1970 UTC; times without an offset are those of one zone."""

    def __init__(self, answers: Answers, where: str) -> None:
        self._zone, self._offset_s, self._where = answers.zone, answers.offset_s, where
        self._last_s = -np.inf

    def seconds(self, text: str) -> float:
        """Return the moment that `text` names, ISO 8601 or seconds since 1970. Raises ValueError where it is neither.

        Raises InputError where it has no offset and nobody has said the zone.
        """
        try:
            stamp = float(text)
        except ValueError:
            return self.of(datetime.fromisoformat(text))
        # Seconds since 1970, from 2001 on; or milliseconds, as spreadsheets of programs have them.
        if 1e9 <= stamp < 1e10:
            return stamp + self._offset_s
        if 1e12 <= stamp < 1e13:
            return stamp / 1e3 + self._offset_s
        raise ValueError("a time")

    def of(self, wall: datetime) -> float:
        """Return the moment of a time, with its offset or by the clock of the zone. Raises InputError, ValueError."""
        if wall.tzinfo is None:
            if self._zone is None:
                raise asks_for_zone(self._where, wall.isoformat(sep=" "))
            readings = wall_readings(wall, self._zone)
            # Of an hour that comes twice the rows go on in order: what would step back is its second time.
            found = [microseconds(reading) / 1e6 for reading in readings]
            if len(found) == 2 and found[1] - found[0] and not (readings[0].replace(tzinfo=None) == wall):
                raise ValueError(f"a time that the clocks of {self._zone} show: they go forward over this one")
            stamp = next((s for s in found if s + self._offset_s >= self._last_s), found[-1])
        else:
            stamp = microseconds(wall.astimezone(UTC)) / 1e6
        stamp += self._offset_s
        self._last_s = stamp
        return stamp


def asks_for_zone(where: str, got: str) -> InputError:
    """Return the error for a time without an offset from UTC, of which nobody has said the zone."""
    return InputError(
        where,
        got=got,
        wanted="a time with its offset from UTC, or the zone of the clock that it is read from",
        way_out=WayOut.RECORD_ZONE,
    )


def check_damage(what: str, used: int, left_out: Sequence[UnreadLine], strict: bool, *, most_share: float) -> None:
    """Refuse a file of which too much is damaged, naming the first line that is. Raises InputError."""
    allowed = 0 if strict else max(TOLERATED_LINES, int(most_share * (used + len(left_out))))
    if used and len(left_out) <= allowed:
        return
    if not left_out:
        raise InputError(what, got="no line of a record", wanted="a record of a line: probes, outages or remarks")
    first = left_out[0]
    count = f"{len(left_out):,} of {used + len(left_out):,} lines" if len(left_out) > 1 else "a line"
    raise InputError(
        f"{what}, line {first.line}",
        got=first.text,
        wanted=f"{first.wanted}; {count} cannot be used" if not strict or len(left_out) > 1 else first.wanted,
        try_next="mending the file, or taking these lines out of it",
    )


def span_of(answers: Answers, first_s: float, last_s: float) -> Span:
    """Return the span of a record that runs from `first_s` to `last_s`, or as the user says. Raises SpanError."""
    first, last = moment(int(np.floor(first_s * 1e6))), moment(int(np.ceil(last_s * 1e6)))
    start = first if answers.start is None else min(answers.start, first)
    end = last if answers.end is None else max(answers.end, last)
    return Span(start, end)


def outages_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows with start_s, end_s and perhaps where, lost, cut_at_start and cut_at_end as a table of outages."""
    return outage_table(
        rows["start_s"].to_numpy(np.float64),
        rows["end_s"].to_numpy(np.float64),
        where=list(rows["where"]),
        lost=rows["lost"].to_numpy(np.int64),
        cut_at_start=rows["cut_at_start"].to_numpy(bool),
        cut_at_end=rows["cut_at_end"].to_numpy(bool),
    )


def zone_of(answers: Answers) -> ZoneInfo | None:
    """Return the zone the user has named."""
    return None if answers.zone is None else zone(answers.zone)


def target_of(answers: Answers, address: str, method: Literal["tcp", "icmp", "dns"]) -> Target:
    """Return the target of a file's probes."""
    address = address or "unknown"
    return Target(answers.name or address, address, method, answers.position)


def sorted_probes(target: Target, sent_s: Floats, round_trip_s: Floats) -> Probes:
    """Return probes in the order in which they were sent, each moment once, answered before lost."""
    order = np.lexsort((np.isnan(round_trip_s), sent_s))
    sent_s, round_trip_s = sent_s[order], round_trip_s[order]
    fresh = np.append(True, np.diff(sent_s) > 0.0)[: sent_s.size]
    return Probes(target, sent_s[fresh], round_trip_s[fresh])


def refused_text(text: str) -> str:
    """Return a line as a message shows it."""
    return shown(text.strip(), 60).strip("'")
