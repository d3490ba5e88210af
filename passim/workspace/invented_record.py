"""Seven invented days of record for the invented scenario, so that its journal has something to say.

Made from what the scenario itself forecasts for the first spot of its first site, the loft of Marram with its gateway,
each local day from the elements of its own day, as `passim.line.past` would have it. Then comes what no
forecast knows: gaps that begin and end a little off, some that do not come, freezes that no satellite explains, two
faults in the house, one at the far end, single packets lost, and two times in which nobody measured. All of it is
drawn from the day it is made for, so that the same moment gives the same record.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from passim.arrays import Bools, Floats
from passim.coverage.visibility import find_visibility
from passim.line.journal.file import Journal
from passim.line.outages import find_outages
from passim.line.record import LineRecord, Probes
from passim.line.targets import Target
from passim.spans import Span, aware, day_start
from passim.workspace.folder import Workspace

INVENTED_RECORD: Final = "invented"
_DAYS: Final = 7
# Addresses that RFC 5737 keeps for documentation, and one that RFC 1918 keeps for houses.
_TARGETS: Final = (
    Target("router", "192.168.1.1:80", "tcp", "house"),
    Target("far", "198.51.100.7:443", "tcp", "far"),
    Target("resolver", "203.0.113.53:53/.", "dns", "far"),
)
# Round trips: the least, and the mean of what comes on top, seconds.
_TRIPS_S: Final = ((0.0006, 0.0006), (0.031, 0.008), (0.026, 0.009))
# Hours from the first local midnight, and how long, seconds.
_NOT_MEASURED: Final = ((2 * 24 + 23.1, 7.6 * 3600.0), (5 * 24 + 11.52, 260.0))
_HOUSE: Final = ((3 * 24 + 10.205, 95.0), (5 * 24 + 17.67, 1320.0))
_FAR: Final = ((4 * 24 + 14.33, 210.0),)
# A satellite comes into use and is lost a little off its moment; taking up the next one takes a while longer.
_OFF_S, _TAKEN_UP_S = 0.4, 1.2
# What part of the gaps does not come; how many freezes a day no satellite explains, and how long they are, seconds.
_NOT_COMING: Final = 0.07
_UNEXPLAINED_A_DAY, _UNEXPLAINED_S = 4.0, (4.0, 28.0)
_LOSS: Final = 4e-4


def invented_record(workspace: Workspace, at: datetime) -> LineRecord:
    """Return seven invented local days and what there is by `at` (aware) of the day under way, once a second.

    `workspace` is the invented scenario. Raises SpanError for times without a zone.
    """
    view = workspace.view()
    where = ZoneInfo(view.site.timezone)
    first_day = aware(at).astimezone(where).date() - timedelta(days=_DAYS)
    span = Span(day_start(first_day, view.site.timezone), aware(at))
    rng = np.random.default_rng(first_day.toordinal())
    start_s = span.start_us / 1e6
    line = np.concatenate([_came(_forecast(workspace, span), rng), _unexplained(span.duration_s, rng)])
    house, far, holes = (
        np.array([(3600.0 * hour, 3600.0 * hour + length_s) for hour, length_s in given])
        for given in (_HOUSE, _FAR, _NOT_MEASURED)
    )
    sent = np.arange(0.37, span.duration_s - 1.0, 1.0)
    sent = sent[~_within(sent, holes)]
    sent = sent + rng.uniform(0.0, 0.004, sent.size)
    house_out, line_out, far_out = (_within(sent, each) for each in (house, line, far))
    # What the way beyond the house takes changes with each satellite.
    turn = rng.gamma(3.0, 0.0012, int(span.duration_s / 15.0) + 2)[(sent / 15.0).astype(np.int64)]
    probes = []
    for k, (target, (least_s, more_s)) in enumerate(zip(_TARGETS, _TRIPS_S, strict=True)):
        lost = house_out | (rng.random(sent.size) < _LOSS)
        trip_s = least_s + rng.gamma(2.0, more_s / 2.0, sent.size)
        if k:
            lost |= line_out
            trip_s += turn
        if k == 1:
            lost |= far_out
        # Microseconds are what a journal keeps.
        sent_s, trip_s = np.round(start_s + sent + 0.001 * k, 6), np.round(trip_s, 6)
        probes.append(Probes(target, sent_s, np.where(lost, np.nan, trip_s)))
    holes_s = start_s + holes[holes[:, 1] < span.duration_s]
    outages = find_outages(probes, holes_s, span=span)
    return LineRecord(span, tuple(probes), holes_s, outages, INVENTED_RECORD, 1.0, where)


def write_invented_record(workspace: Workspace, at: datetime) -> None:
    """Add the invented record to the journal of a workspace, where it stands under the source "invented".

    A journal that has it already is left as it is. Raises JournalError, OSError where the journal cannot be written.
    """
    with Journal(workspace.journal_file) as journal:
        if workspace.journal_file.exists() and INVENTED_RECORD in journal.sources:
            return
        journal.add_record(invented_record(workspace, at))


def _forecast(workspace: Workspace, span: Span) -> Floats:
    """Return the gaps of each 24 h from the start of the span, by the elements of that moment: seconds from there."""
    view, fleet_at = workspace.view(), workspace.fleet_over_time()
    found, start = [], span.start
    while start < span.end:
        part = Span(start, min(start + timedelta(days=1), span.end))
        seen = find_visibility(fleet_at(start), view, part, warn=False)
        found.append(np.column_stack(seen.coverage().gap_intervals))
        start += timedelta(days=1)
    gaps: Floats = (np.concatenate(found) - span.start_us) / 1e6
    return gaps


def _came(gaps: Floats, rng: np.random.Generator) -> Floats:
    """Return the gaps that came, as they came."""
    came = gaps[rng.random(len(gaps)) >= _NOT_COMING]
    off_s = rng.normal(0.0, _OFF_S, came.shape)
    off_s[:, 1] += rng.exponential(_TAKEN_UP_S, len(came))
    return came + off_s


def _unexplained(length_s: float, rng: np.random.Generator) -> Floats:
    start = rng.uniform(0.0, length_s, rng.poisson(_UNEXPLAINED_A_DAY * length_s / 86400.0))
    return np.column_stack([start, start + rng.uniform(*_UNEXPLAINED_S, start.size)])


def _within(times_s: Floats, stretches: Floats) -> Bools:
    """Return which of the ascending times lie in one of the stretches, which may overlap."""
    marks = np.zeros(times_s.size + 1, dtype=np.int64)
    np.add.at(marks, np.searchsorted(times_s, stretches[:, 0]), 1)
    np.add.at(marks, np.searchsorted(times_s, stretches[:, 1]), -1)
    inside: Bools = np.cumsum(marks[:-1]) > 0
    return inside
