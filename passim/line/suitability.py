"""What a line is good for: each activity's thresholds with their sources, and how a session of it would have gone.

A session of a length is tried at every minute that was measured through, so the figures are counts of what happened,
not a model. An activity is judged by the same rule as a start for a call (`passim.answers.calls.outlook`): at most one
session in twenty ends, and fewer than half a pause on average.

Sources. [1] RFC 7675, section 5.1: consent to send expires 30 s after the last valid answer (its abstract was opened,
the number as open implementations quote it). [2] ITU-T G.114 (05/2003): one-way delay up to 150 ms hardly affects any
application, 400 ms is the limit for planning (quoted by others; the text was not opened). [3] ITU-T G.1010 (11/2001),
appendix I: conversational voice and videophone 150 ms preferred and 400 ms limit, Telnet 200 ms, bulk data 15 s
preferred and 60 s acceptable, one-way audio and video 10 s (recalled; the tables were not opened). [4] RFC 8216,
section 6.3.3: a player holds three segments (quoted by others). [5] ITU-T G.826 (12/2002): unavailable time begins with
ten consecutive severely errored seconds (quoted by makers of test sets; the text was not opened). [6] RFC 9293, 3.8.3:
a connection is closed after retransmitting for 100 s or more (recalled).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd

from passim.answers.calls.kinds import STREAM, VIDEO, VOICE, CallKind
from passim.answers.calls.outlook import MOST_CHANCE_OF_END, MOST_PAUSES
from passim.arrays import Floats, Ints
from passim.errors import InputError
from passim.intervals import Intervals, total_length
from passim.line.record import LineRecord
from passim.line.statistics import freezes_us, line_measured_us

Verdict = Literal["good", "with pauses", "not good", "too short a record"]

# Sessions are tried so often; a freeze of a second falls into the same share of them whatever the step.
_STEP_US: Final = 60_000_000
# Fewer starts than these say nothing of one session in twenty.
_FEWEST_STARTS: Final = 60
# One direction is taken to be half of a round trip; the two need not be alike.
_ONE_WAY: Final = 0.5
UNAVAILABLE_FROM_S: Final = 10.0
_G114: Final = "ITU-T G.114, as others quote it: 150 ms hardly affects anything, 400 ms is the limit for planning"
_G1010: Final = "ITU-T G.1010, appendix I (recalled)"
_PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Activity:
    """Something that a line is used for, and what of a freeze and of delay it bears.

    kind            thresholds of freezes, with their sources, as for calls; `noticed_from_s`, `pause_from_s` and
                    `ends_from_s` are counted after its buffer
    minutes         how long a session of it is taken to be
    one_way_ms      one-way delay up to which it is at ease, and beyond which it is not usable; nan for any
    delay_source    where these come from
    """

    kind: CallKind
    minutes: int
    one_way_ms: tuple[float, float] = (math.nan, math.nan)
    delay_source: str = ""

    @property
    def name(self) -> str:
        """One word for it."""
        return self.kind.name


_TRANSFER: Final = CallKind.sourced(
    "transfer",
    noticed=(15.0, f"{_G1010}: bulk data preferably within 15 s"),
    pause=(60.0, f"{_G1010}: bulk data acceptable within 60 s"),
    ends=(100.0, "RFC 9293, 3.8.3 (recalled): a connection may close after 100 s of retransmission"),
    buffer=(0.0, "none: what was sent is sent again"),
)
_DESKTOP: Final = CallKind.sourced(
    "desktop",
    noticed=(0.5, f"{_PRACTICE}: a pointer that lags half a second is felt"),
    pause=(3.0, f"{_PRACTICE}: work stops"),
    ends=(30.0, f"{_PRACTICE}: clients try to connect anew after some tens of seconds"),
    buffer=(0.0, "none: what is typed is to be seen at once"),
)
_TERMINAL: Final = CallKind.sourced(
    "terminal",
    noticed=(1.0, f"{_PRACTICE}: letters that take a second are noticed"),
    pause=(10.0, f"{_PRACTICE}: people wait for the prompt"),
    ends=(100.0, "RFC 9293, 3.8.3 (recalled): a connection may close after 100 s of retransmission"),
    buffer=(0.0, "none: what is typed is to be seen at once"),
)
ACTIVITIES: Final = (
    Activity(kind=VOICE, minutes=15, one_way_ms=(150.0, 400.0), delay_source=_G114),
    Activity(kind=VIDEO, minutes=45, one_way_ms=(150.0, 400.0), delay_source=f"{_G114}; {_G1010} alike"),
    Activity(kind=STREAM, minutes=90, one_way_ms=(math.nan, 10_000.0), delay_source=f"{_G1010}: 10 s"),
    Activity(kind=_TRANSFER, minutes=30),
    Activity(kind=_DESKTOP, minutes=60, one_way_ms=(150.0, 400.0), delay_source=f"{_PRACTICE}: as for talk"),
    Activity(kind=_TERMINAL, minutes=60, one_way_ms=(200.0, math.nan), delay_source=f"{_G1010}: Telnet 200 ms"),
)


@dataclass(frozen=True, slots=True)
class Sessions:
    """How sessions of one length would have gone, begun at every minute that was measured through.

    starts          how many were tried
    undisturbed     share of them without a freeze that is noticed
    pauses          how many pauses one has on average
    frozen_s        how long one is frozen on average, of freezes that are noticed
    ended           share of them that a freeze ends
    """

    starts: int
    undisturbed: float
    pauses: float
    frozen_s: float
    ended: float


@dataclass(frozen=True, eq=False)
class Suitability:
    """What a line is good for. Made by `suitability`.

    table           one row an activity: activity, minutes, starts, noticed_per_hour, pauses_per_hour,
                    ends_per_day, undisturbed, pauses, frozen_s, ended, delay ("at ease", "felt", "too long" or "not
                    known"), verdict
    one_way_ms      half the 95th percentile of the round trips to targets beyond the house; nan where none was measured
    measured_s      how much of the record tells of the line, seconds: measured, and the house not out
    """

    record: LineRecord
    activities: tuple[Activity, ...]
    table: pd.DataFrame
    one_way_ms: float
    measured_s: float

    def __repr__(self) -> str:
        rows = zip(self.table["activity"], self.table["verdict"], strict=True)
        return f"<Suitability: {', '.join(f'{name} {verdict}' for name, verdict in rows)}>"


@dataclass(frozen=True, slots=True)
class Availability:
    """What one figure in per cent says of a line, and what it hides.

    share           of the time measured that was not frozen
    by_rule         the same where only stretches of ten seconds or more count as unavailable, from their first second
    hidden          freezes that this rule leaves out, of `count`
    hidden_s        how long these are together
    month_s         what `share` allows to be frozen in 30 days
    """

    share: float
    by_rule: float
    count: int
    hidden: int
    hidden_s: float
    month_s: float


def suitability(record: LineRecord, activities: tuple[Activity, ...] = ACTIVITIES) -> Suitability:
    """Return what a record says the line is good for. Raises InputError where nothing was measured."""
    measured, freezes = line_measured_us(record), freezes_us(record)
    measured_s = float(total_length(measured)) / 1e6
    if not measured_s:
        raise InputError("record", got="nothing measured", wanted="some time in which the line was asked")
    one_way_ms = _one_way_ms(record)
    rows = []
    for each in activities:
        lengths_s = (np.asarray(freezes.end - freezes.start) / 1e6) - each.kind.buffer_s
        noticed, pauses, ends = ((lengths_s >= least).sum() for least in each.kind.at_least_s)
        found = sessions(freezes, measured, each.kind, each.minutes)
        delay = _delay(one_way_ms, each)
        rows.append(
            {
                "activity": each.name,
                "minutes": each.minutes,
                "starts": found.starts,
                "noticed_per_hour": noticed / (measured_s / 3600.0),
                "pauses_per_hour": pauses / (measured_s / 3600.0),
                "ends_per_day": ends / (measured_s / 86_400.0),
                "undisturbed": found.undisturbed,
                "pauses": found.pauses,
                "frozen_s": found.frozen_s,
                "ended": found.ended,
                "delay": delay,
                "verdict": _verdict(found, delay),
            }
        )
    return Suitability(record, activities, pd.DataFrame(rows), one_way_ms, measured_s)


def sessions(freezes: Intervals, measured: Intervals, kind: CallKind, minutes: float) -> Sessions:
    """Return how sessions of `minutes` would have gone; freezes and what was measured in microseconds since 1970 UTC.

    A freeze counts in a session with the part of it that lies there, less what the buffer of the kind bridges.
    """
    starts_us = session_starts(measured, minutes)
    if not starts_us.size:
        return Sessions(0, math.nan, math.nan, math.nan, math.nan)
    row, frozen_s = frozen_in_sessions(freezes, starts_us, minutes)
    frozen_s = frozen_s - kind.buffer_s
    noticed, pauses, ends = (frozen_s >= least for least in kind.at_least_s)
    count = starts_us.size
    disturbed, ended = np.unique(row[noticed]).size, np.unique(row[ends]).size
    return Sessions(
        int(count),
        1.0 - disturbed / count,
        float(pauses.sum()) / count,
        float(frozen_s[noticed].sum()) / count,
        ended / count,
    )


def session_starts(measured: Intervals, minutes: float) -> Ints:
    """Return every whole minute of UTC from which `minutes` were measured through, microseconds since 1970 UTC."""
    length_us = round(minutes * 60e6)
    parts = [
        np.arange(-(-start // _STEP_US) * _STEP_US, end - length_us + 1, _STEP_US, dtype=np.int64)
        for start, end in zip(np.asarray(measured.start).tolist(), np.asarray(measured.end).tolist(), strict=True)
    ]
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)


def frozen_in_sessions(freezes: Intervals, starts_us: Ints, minutes: float) -> tuple[Ints, Floats]:
    """Return each part of a freeze within a session: the session's row, and how long it is, seconds."""
    length_us = round(minutes * 60e6)
    start, end = np.asarray(freezes.start), np.asarray(freezes.end)
    first = np.searchsorted(end, starts_us, side="right")
    met = np.maximum(np.searchsorted(start, starts_us + length_us, side="left") - first, 0)
    row = np.repeat(np.arange(starts_us.size), met)
    which = np.arange(row.size) - np.repeat(np.cumsum(met) - met, met) + first[row]
    inside_us = np.minimum(end[which], starts_us[row] + length_us) - np.maximum(start[which], starts_us[row])
    return row, inside_us / 1e6


def availability(record: LineRecord) -> Availability:
    """Return what the line's availability would be said to be, and what that hides. Raises InputError for no time."""
    measured_s = float(total_length(line_measured_us(record))) / 1e6
    if not measured_s:
        raise InputError("record", got="nothing measured", wanted="some time in which the line was asked")
    freezes = freezes_us(record)
    lengths_s = np.asarray(freezes.end - freezes.start) / 1e6
    long = lengths_s >= UNAVAILABLE_FROM_S
    share = 1.0 - float(lengths_s.sum()) / measured_s
    return Availability(
        share,
        1.0 - float(lengths_s[long].sum()) / measured_s,
        int(lengths_s.size),
        int((~long).sum()),
        float(lengths_s[~long].sum()),
        (1.0 - share) * 30 * 86_400.0,
    )


def _one_way_ms(record: LineRecord) -> float:
    trips = [each.round_trip_s for each in record.probes if each.target.position != "house"]
    known = np.concatenate(trips) if trips else np.zeros(0)
    known = known[~np.isnan(known)]
    return float(np.percentile(known, 95.0)) * 1e3 * _ONE_WAY if known.size else math.nan


def _delay(one_way_ms: float, activity: Activity) -> str:
    ease, most = activity.one_way_ms
    if math.isnan(one_way_ms):
        return "not known"
    if one_way_ms > most:
        return "too long"
    return "felt" if one_way_ms > ease else "at ease"


def _verdict(found: Sessions, delay: str) -> Verdict:
    if found.starts < _FEWEST_STARTS:
        return "too short a record"
    if found.ended > MOST_CHANCE_OF_END or delay == "too long":
        return "not good"
    return "with pauses" if found.pauses >= MOST_PAUSES else "good"
