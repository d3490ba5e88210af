"""Logs of ping: that of iputils (with ``-D`` a time before each line, and ``-O`` a line for each that is late), the one
of macOS and the BSDs, and the one of Windows.

The first two number their probes, so that what has no line of its own is found lost by its number. Windows writes one
line a probe, in order. A time before a line is that at which the answer came: the send lies its round trip before it.
Without times the record is counted from the start that the user gives, one probe each `every_s`; Windows waits for an
answer in vain for 4 s (read: Microsoft's "Using the ping command": "ping waits 4,000 milliseconds").

The lines of iputils are those that its source prints (read: ping/ping_common.c); those of macOS and Windows are as
their manuals and published transcripts show them.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from passim.arrays import Bools, Floats, Ints
from passim.errors import InputError, WayOut
from passim.intervals import difference, union
from passim.line.files.reading import (
    TOLERATED_SHARE,
    Answers,
    Kind,
    Reading,
    Remark,
    UnreadLine,
    check_damage,
    refused_text,
    sorted_probes,
    span_of,
    target_of,
    zone_of,
)
from passim.line.outages import find_outages
from passim.line.record import LineRecord
from passim.spans import microseconds

_STAMP: Final = r"(?:\[(?P<stamp>\d{9,10}\.\d{1,6})\] )?"
_REPLY = re.compile(
    _STAMP + r"\d+ bytes from (?P<address>\S+?)(?: \(\S+?\))?[:,] icmp_[rs]eq[= ](?P<seq>\d{1,5})\b.*?"
    r"(?:time[=<](?P<ms>\d+(?:\.\d+)?) ms\b.*)?"
)
_LATE = re.compile(_STAMP + r"no answer yet for icmp_seq=(?P<seq>\d{1,5})")
_ERROR = re.compile(_STAMP + r"From (?P<address>\S+)(?: \(\S+?\))?:? icmp_seq[= ](?P<seq>\d{1,5}) (?P<words>\S.*)")
_TIMEOUT = re.compile(r"Request timeout for icmp_seq (?P<seq>\d{1,5})")
_HEAD = re.compile(r"PING6?\b.* (?:bytes of data|data bytes|bytes).*|PING .*")
_FOOT = re.compile(r"(?P<sent>\d{1,9}) packets transmitted, \d+ (?:packets )?received.*")
_SILENT = re.compile(
    r"\s*|\^C.*|--- .* ping statistics ---|(?:rtt|round-trip) min/avg/max.*|, pipe \d+|ping6?: .*|"
    r"\d+ bytes from \S+?: (?:Destination|Time to live|Redirect|Source Quench|Communication).*|"
    r"Vr HL TOS .*|\s*[0-9a-f]\s+[0-9a-f]\s+[0-9a-f]{2}\s.*|\d+/\d+ packets, \d+% loss.*"
)

_WINDOWS_REPLY = re.compile(
    r"Reply from (?P<address>\S+?): (?:bytes=\d+ )?time(?P<sign>[=<])(?P<ms>\d+) ?ms(?: TTL=\d+)?\s*"
)
_WINDOWS_LOST = re.compile(
    r"(?P<waited>Request timed out\.)\s*|(?:Reply from \S+: )?(?:Destination (?:host|net|port|protocol) unreachable|"
    r"TTL expired in transit|General failure|Hardware error)\.?\s*|PING: transmit failed\..*|"
    r"(?:Reply from \S+: )TTL expired.*"
)
_WINDOWS_HEAD = re.compile(
    r"Pinging (?P<address>\S+)(?: \[(?P<number>\S+)\])? (?:from \S+ )?with \d+ bytes of data:\s*"
)
_WINDOWS_SILENT = re.compile(
    r"\s*|Ping statistics for .*|\s*Packets: Sent = .*|Approximate round trip times.*|\s*Minimum = .*|"
    r"Control-(?:C|Break)|\^C.*|Microsoft Windows.*|\(c\) .*|[A-Za-z]:\\[^>]*>.*|PS [A-Za-z]:\\[^>]*>.*"
)

_SEQUENCE: Final = 65_536
# A number that falls back by more than this begins a new run of ping; a late answer falls back by a few.
_LATE_BY: Final = 1_000
# A summary that counts more probes than this behind the last line is no count.
_MOST_AT_THE_END: Final = 1_000_000
_WINDOWS_WAIT_S: Final = 4.0
_EVERY_S: Final = 1.0
# No program waits so long for an answer: a line that tells of a longer round trip is damaged.
_LONGEST_TRIP_MS: Final = 3_600_000.0
# Longer than the period by so much, two probes were not sent one after the other: the machine slept, or ping stood.
_PAUSE_S: Final = 3.0


def is_numbered(lines: Sequence[str]) -> bool:
    """Whether lines are those of a ping that numbers its probes."""
    return any(_REPLY.fullmatch(line) or _LATE.fullmatch(line) or _TIMEOUT.fullmatch(line) for line in lines)


def is_windows(lines: Sequence[str]) -> bool:
    """Whether lines are those of Windows' ping."""
    return any(_WINDOWS_REPLY.fullmatch(line) or _WINDOWS_HEAD.fullmatch(line) for line in lines)


@dataclass
class _Run:
    """One run of ping: what is known of its probes by their number, counted on past 65,535."""

    stamps: dict[int, float] = field(default_factory=dict)
    round_trip_s: dict[int, float] = field(default_factory=dict)
    lost: set[int] = field(default_factory=set)
    # The number after which a damaged line stands, once a line.
    damaged_after: list[int] = field(default_factory=list)
    sent: int | None = None
    last: int | None = None

    def place(self, seq: int) -> int | None:
        """Return the number of a probe counted on, or None where it cannot belong to this run."""
        if self.last is None:
            return seq
        counted = self.last - (self.last - seq) % _SEQUENCE
        # The nearer of the two: behind the last one, or ahead of it.
        if self.last - counted > _SEQUENCE // 2:
            counted += _SEQUENCE
        return None if counted < self.last - _LATE_BY or counted < 0 else counted

    @property
    def known(self) -> Ints:
        """The numbers that have a line, ascending."""
        return np.array(sorted({*self.round_trip_s, *self.lost}), dtype=np.int64)


def read_numbered(lines: Sequence[str], name: str, answers: Answers) -> Reading:
    """Return the record of a log whose probes are numbered. Raises InputError, naming the line."""
    runs, left_out, used, silent, address = _numbered_runs(lines)
    check_damage(f"log of ping {name}", used, left_out, answers.strict, most_share=TOLERATED_SHARE)
    stamped = any(run.stamps for run in runs)
    if not stamped:
        return _counted(runs, name, answers, used, silent, left_out, address)
    period_s = _period(runs)
    sent, round_trip, breaks, guessed = [], [], [], 0
    before: float | None = None
    for run in (run for run in runs if run.stamps):
        times, trips, pauses, missing = _timed(run, period_s)
        if not times.size:
            continue
        if before is not None and times[0] > before + period_s:
            pauses = np.concatenate([[[before + period_s, times[0]]], pauses])
        before = float(times.max())
        sent.append(times)
        round_trip.append(trips)
        breaks.append(pauses)
        guessed += missing
    remarks = [Remark("losses from numbers", guessed)] if guessed else []
    if not answers.offset_s:
        remarks.append(Remark("clock taken as right"))
    return _reading(
        np.concatenate(sent) + answers.offset_s, np.concatenate(round_trip),
        np.concatenate(breaks) + answers.offset_s, period_s, name, "ping", answers, used, silent, left_out,
        remarks, address,
    )  # fmt: skip


def read_windows(lines: Sequence[str], name: str, answers: Answers) -> Reading:
    """Return the record of a log of Windows' ping. Raises InputError, naming the line."""
    _want_start(name, answers)
    every_s = answers.every_s or _EVERY_S
    trips: list[float] = []
    steps: list[float] = []
    known: list[bool] = []
    left_out, address, heads, timeouts, silent = [], "", 0, 0, 0
    for number, line in enumerate(lines, 1):
        if (reply := _WINDOWS_REPLY.fullmatch(line)) and float(reply["ms"]) <= _LONGEST_TRIP_MS:
            address = address or reply["address"]
            # "<1ms" is under a millisecond: half of it is as near as can be said.
            trips.append((float(reply["ms"]) - 0.5 * (reply["sign"] == "<")) / 1e3)
            steps.append(every_s)
            known.append(True)
        elif lost := _WINDOWS_LOST.fullmatch(line):
            waited = lost["waited"] is not None
            timeouts += waited
            trips.append(np.nan)
            steps.append(max(_WINDOWS_WAIT_S, every_s) if waited else every_s)
            known.append(True)
        elif head := _WINDOWS_HEAD.fullmatch(line):
            address, heads, silent = head["number"] or head["address"], heads + 1, silent + 1
            if heads > 1 and trips:
                raise _several(name, number)
        elif _WINDOWS_SILENT.fullmatch(line):
            silent += 1
        else:
            left_out.append(UnreadLine(number, refused_text(line), "a line of Windows' ping in English"))
            # It was a probe in all likelihood: the clock goes on, and what came of it is not known.
            trips.append(np.nan)
            steps.append(every_s)
            known.append(False)
    used = sum(known)
    check_damage(f"log of ping {name}", used, left_out, answers.strict, most_share=TOLERATED_SHARE)
    remarks = [Remark("times counted", every_s)]
    if timeouts:
        remarks.append(Remark("timeouts counted", max(_WINDOWS_WAIT_S, every_s)))
    at_s = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    return _from_start(at_s, np.array(trips), np.array(known), np.array(steps), name, "ping of Windows", answers, used,
                       silent, left_out, remarks, address)  # fmt: skip


def _numbered_runs(lines: Sequence[str]) -> tuple[list[_Run], list[UnreadLine], int, int, str]:
    """Return the runs of ping, the lines left out, how many are used and how many say nothing, and the address."""
    runs, run = [], _Run()
    left_out: list[UnreadLine] = []
    used = silent = 0
    address = ""

    def begin() -> _Run:
        if run.round_trip_s or run.lost:
            runs.append(run)
            return _Run()
        return run

    for number, line in enumerate(lines, 1):
        found = _REPLY.fullmatch(line) or _LATE.fullmatch(line) or _ERROR.fullmatch(line) or _TIMEOUT.fullmatch(line)
        if found is None:
            if foot := _FOOT.fullmatch(line):
                run.sent, silent = int(foot["sent"]), silent + 1
                run = begin()
            elif _HEAD.fullmatch(line):
                run, silent = begin(), silent + 1
            elif _SILENT.fullmatch(line):
                silent += 1
            else:
                left_out.append(UnreadLine(number, refused_text(line), "a line that ping prints"))
                run.damaged_after.append(-1 if run.last is None else run.last)
            continue
        parts = found.groupdict()
        if int(parts["seq"]) >= _SEQUENCE:
            left_out.append(UnreadLine(number, refused_text(line), f"a number below {_SEQUENCE:,}"))
            continue
        if float(parts.get("ms") or 0.0) > _LONGEST_TRIP_MS:
            left_out.append(UnreadLine(number, refused_text(line), "a round trip of at most an hour"))
            run.damaged_after.append(-1 if run.last is None else run.last)
            continue
        seq = run.place(int(parts["seq"]))
        if seq is None:
            run = begin()
            seq = int(parts["seq"])
        used += 1
        run.last = seq if run.last is None else max(run.last, seq)
        stamp = parts.get("stamp")
        if found.re is _REPLY:
            address = address or parts["address"]
            # A packet too short to carry its time of departure came back all the same: that it did is known.
            trip_s = float(parts["ms"]) / 1e3 if parts["ms"] else 0.0
            if seq not in run.round_trip_s:
                run.round_trip_s[seq] = trip_s
                run.lost.discard(seq)
                if stamp:
                    run.stamps[seq] = float(stamp) - trip_s
        elif seq not in run.round_trip_s:
            run.lost.add(seq)
            if stamp and found.re is _LATE:
                # Said as the next one leaves.
                run.stamps.setdefault(seq + 1, float(stamp))
    begin()
    return runs, left_out, used, silent, address


def _period(runs: Sequence[_Run]) -> float:
    """Return the time from one probe to the next, the median over neighbours, seconds."""
    steps = [
        (run.stamps[b] - run.stamps[a]) / (b - a)
        for run in runs
        for a, b in itertools.pairwise(sorted(run.stamps))
        if run.stamps[b] > run.stamps[a]
    ]
    return float(np.median(steps)) if steps else _EVERY_S


def _damaged(run: _Run, seqs: Ints, has_line: Bools) -> Bools:
    """Return which numbers without a line may be those of damaged lines: a line's, the first that is missing behind it.

    Of these it is not known whether they were lost.
    """
    maybe = np.zeros(seqs.size, dtype=bool)
    for after in run.damaged_after:
        next_known = np.flatnonzero((seqs > after) & has_line)
        until = int(next_known[0]) if next_known.size else seqs.size
        missing = np.flatnonzero((seqs > after) & ~has_line & ~maybe)
        if missing.size and missing[0] < until:
            maybe[missing[0]] = True
    return maybe


def _timed(run: _Run, period_s: float) -> tuple[Floats, Floats, Floats, int]:
    """Return when each probe of a run left, its round trip (NaN where lost), pauses, and how many were found missing.

    Of numbers without a line it is known that they were lost, but for those that damaged lines may have held, and those
    in a pause of which nobody can say when they left.
    """
    first, last = int(run.known.min()), int(run.known.max())
    if run.sent is not None and run.sent - last <= _MOST_AT_THE_END:
        # The summary says how many were sent: iputils counts from 1.
        last = max(last, run.sent)
    anchors = np.array(sorted(run.stamps), dtype=np.int64)
    stamps = np.array([run.stamps[seq] for seq in anchors.tolist()])
    seqs = np.arange(first, last + 1, dtype=np.int64)
    at_s = np.interp(seqs, anchors, stamps)
    at_s = np.where(seqs < anchors[0], stamps[0] + (seqs - anchors[0]) * period_s, at_s)
    at_s = np.where(seqs > anchors[-1], stamps[-1] + (seqs - anchors[-1]) * period_s, at_s)

    drop = np.zeros(seqs.size, dtype=bool)
    pauses = []
    late_s = np.diff(stamps) - np.diff(anchors) * period_s
    for k in np.flatnonzero(late_s > max(_PAUSE_S, 2.0 * period_s)).tolist():
        drop |= (seqs > anchors[k]) & (seqs < anchors[k + 1])
        pauses.append([stamps[k] + period_s, stamps[k + 1]])
    has_line = np.isin(seqs, run.known)
    drop |= _damaged(run, seqs, has_line)
    seqs, at_s, has_line = seqs[~drop], at_s[~drop], has_line[~drop]
    trips = np.array([run.round_trip_s.get(seq, np.nan) for seq in seqs.tolist()])
    return at_s, trips, np.array(pauses, dtype=np.float64).reshape(-1, 2), int((~has_line).sum())


def _counted(
    runs: Sequence[_Run], name: str, answers: Answers, used: int, silent: int, left_out: list[UnreadLine], address: str
) -> Reading:
    """Return the record of a log without times: counted from its start, by the numbers of the probes."""
    _want_start(name, answers)
    if len(runs) > 1:
        raise _several(name, 0)
    (run,) = runs
    every_s = answers.every_s or _EVERY_S
    first, last = int(run.known.min()), int(run.known.max())
    if run.sent is not None and run.sent - last <= _MOST_AT_THE_END:
        last = max(last, run.sent - 1 + min(first, 1))
    seqs = np.arange(min(first, 1), last + 1, dtype=np.int64)
    has_line = np.isin(seqs, run.known)
    trips = np.array([run.round_trip_s.get(seq, np.nan) for seq in seqs.tolist()])
    known = ~_damaged(run, seqs, has_line)
    remarks = [Remark("times counted", every_s)]
    if guessed := int((~has_line & known).sum()):
        remarks.append(Remark("losses from numbers", guessed))
    steps = np.full(seqs.size, every_s)
    return _from_start(
        (seqs - seqs[0]) * every_s, trips, known, steps, name, "ping", answers, used, silent, left_out, remarks, address
    )


def _from_start(
    at_s: Floats,
    trips: Floats,
    known: Bools,
    steps: Floats,
    name: str,
    kind: Kind,
    answers: Answers,
    used: int,
    silent: int,
    left_out: list[UnreadLine],
    remarks: list[Remark],
    address: str,
) -> Reading:
    """Return the record of probes at `at_s` seconds from the start given, stretched to meet the end where it is."""
    assert answers.start is not None  # asked for before
    start_s = microseconds(answers.start) / 1e6
    length_s = float(at_s[-1] + steps[-1])
    if answers.end is not None:
        stretch = (microseconds(answers.end) / 1e6 - start_s) / length_s
        if not 0.5 <= stretch <= 2.0:
            raise InputError(
                f"log of ping {name}",
                got=f"an end {length_s * stretch:,.0f} s after its start",
                wanted=f"about {length_s:,.0f} s: so long its {at_s.size:,} probes take",
                try_next="the time from one probe to the next, if it is not a second",
            )
        at_s, steps = at_s * stretch, steps * stretch
        remarks.append(Remark("times stretched", stretch))
    sent_s = start_s + at_s + answers.offset_s
    if not answers.offset_s:
        remarks.append(Remark("clock taken as right"))
    return _reading(sent_s[known], trips[known], np.zeros((0, 2)), float(np.median(steps)), name, kind, answers, used,
                    silent, left_out, remarks, address, end_s=float(sent_s[-1] + steps[-1]))  # fmt: skip


def _reading(
    sent_s: Floats,
    round_trip_s: Floats,
    holes: Floats,
    period_s: float,
    name: str,
    kind: Kind,
    answers: Answers,
    used: int,
    silent: int,
    left_out: list[UnreadLine],
    remarks: Sequence[Remark],
    address: str,
    end_s: float | None = None,
) -> Reading:
    probes = sorted_probes(target_of(answers, address, "icmp"), sent_s, round_trip_s)
    last_s = float(probes.sent_s[-1]) + period_s if end_s is None else end_s
    bounds = Answers() if kind != "ping" or end_s is not None else answers
    span = span_of(bounds, float(probes.sent_s[0]), last_s)
    pauses = union((holes[:, 0], holes[:, 1]))
    if pauses.start.size < len(holes):
        # A clock that was set back lets the pauses of two runs overlap: what either of them measured is none.
        measured = union((probes.sent_s, probes.sent_s + period_s))
        holes = np.column_stack(difference(pauses, measured))
    outages = find_outages((probes,), holes, losses=answers.losses)
    record = LineRecord(span, (probes,), holes, outages, name, period_s, zone_of(answers))
    return Reading(record, kind, used, silent, tuple(left_out), tuple(remarks))


def _want_start(name: str, answers: Answers) -> None:
    if answers.start is None:
        raise InputError(
            f"log of ping {name}",
            got="lines without a time",
            wanted="the moment at which it was begun",
            way_out=WayOut.RECORD_START,
        )


def _several(name: str, line: int) -> InputError:
    return InputError(
        f"log of ping {name}" + (f", line {line}" if line else ""),
        got="a second run of ping, without a time",
        wanted="one run a file: nothing says when the second began",
        try_next="a file for each run",
    )
