"""What a worker does for the page Measured: read a record or its files, and say what would have been forecast."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from passim import Journal, Span, find_causes
from passim.coverage import Verdict
from passim.errors import InputError
from passim.forecast import timing
from passim.intervals import Intervals, union
from passim.line import (
    OWN_PROBE,
    Availability,
    HorizonEvidence,
    LineComparison,
    LineFit,
    LineRecord,
    LineStatistics,
    PastForecast,
    Suitability,
    compare_record,
    files,
    fit_line,
    fleets_over,
    horizon_evidence,
    learn_line,
    line_statistics,
    past_forecast,
    statistics as figures,
    suitability as uses,
)
from passim.sky import view as views
from passim.workspace import Workspace, invented_record, is_the_line, keep_learned

from ...text.journal import reading_notes

Progress = Callable[[float], None]
_KEPT_PROBES = 1
# What was compared a while ago still teaches; a choice of earlier days does not.
_NEAR_THE_END = timedelta(days=1)


@dataclass(frozen=True, eq=False)
class Measured:
    """What a record says; of its probes only the first of each target is kept, so that it is little to hand on."""

    statistics: LineStatistics
    uses: Suitability
    available: Availability
    house: Intervals

    @property
    def record(self) -> LineRecord:
        """The record, without most of its probes."""
        return self.statistics.record


@dataclass(frozen=True, eq=False)
class Unmatched:
    """Why a record can be set beside no forecast, or tells nothing of the sky."""

    error: InputError


@dataclass(frozen=True, eq=False)
class RecordMatch:
    """What would have been forecast over the days of a record, and how the record fits it.

    gaps        microseconds since 1970 UTC
    freshness   of the oldest elements used
    verdict     what opens the gaps forecast for the last day of it
    """

    comparison: LineComparison
    gaps: Intervals
    freshness: timing.Freshness
    verdict: Verdict


@dataclass(frozen=True, eq=False)
class RecordRead:
    """A record that somebody has already, and what was taken for granted as its files were read."""

    record: LineRecord
    notes: tuple[str, ...]


def read_record(
    given: Sequence[tuple[str, bytes]], answers: files.Answers, name: str, progress: Progress | None = None
) -> RecordRead:
    """Read the files of one record, as `passim.line.files.read_together` does. Raises InputError."""
    record, readings = files.read_together(given, answers, name)
    return RecordRead(record, tuple(note.text for note in reading_notes(*readings, on_pages=True)))


def measure(journal_file: Path, source: str, span: Span, timezone: str, progress: Progress | None = None) -> Measured:
    """Read the record of a source over `span`. Raises JournalError, SpanError where nothing of it was measured."""
    with Journal(journal_file) as journal:
        record = journal.read(span, source)
    statistics = line_statistics(record, timezone)
    suited = uses.suitability(record)
    lean = dataclasses.replace(record, probes=tuple(
        dataclasses.replace(each, sent_s=each.sent_s[:_KEPT_PROBES], round_trip_s=each.round_trip_s[:_KEPT_PROBES])
        for each in record.probes
    ))  # fmt: skip
    return Measured(
        dataclasses.replace(statistics, record=lean),
        dataclasses.replace(suited, record=lean),
        uses.availability(record),
        figures.outages_us(record, "house"),
    )


def directions(
    folder: Path,
    fleet_name: str,
    view: views.View,
    source: str,
    span: Span,
    clock_offset_s: float,
    progress: Progress | None = None,
) -> HorizonEvidence | Unmatched:
    """Return which directions the record of a source shows to be clear or blocked. Raises JournalError."""
    workspace = Workspace.load(folder)
    with Journal(workspace.journal_file) as journal:
        record = journal.read(span, source)
    try:
        return horizon_evidence(
            workspace.fleet_over_time(fleet_name), view, record, span=span, clock_offset_s=clock_offset_s
        )
    except InputError as error:
        # Such as too few freezes of the line itself.
        return Unmatched(error)


def fit(
    folder: Path,
    fleet_name: str,
    view: views.View,
    source: str,
    span: Span,
    progress: Progress | None = None,
) -> LineFit | Unmatched:
    """Return the settings that explain the record of a source. Raises JournalError."""
    workspace = Workspace.load(folder)
    with Journal(workspace.journal_file) as journal:
        record = journal.read(span, source)
    fleet_at = workspace.fleet_over_time(fleet_name)
    try:
        for part, fleet in fleets_over(fleet_at, record.span):
            age_s = timing.band_for(fleet, part.middle, allow_stale=True).median_s
            timing.refuse_stale(fleet, part.middle, age_s, at="the middle of the span")
        return fit_line(fleet_at, view, record, progress=progress)
    except InputError as error:
        # Such as too few freezes of the line itself, or elements too old for those days.
        return Unmatched(error)


def match(
    folder: Path,
    fleet_name: str,
    view: views.View,
    source: str,
    span: Span,
    model: timing.TimingModel,
    timezone: str,
    progress: Progress | None = None,
) -> RecordMatch | Unmatched:
    """Forecast the days of a record, each from the elements of its time, and compare. Raises JournalError."""
    workspace = Workspace.load(folder)
    with Journal(workspace.journal_file) as journal:
        record = journal.read(span, source)
    try:
        forecast = past_forecast(workspace.fleet_over_time(fleet_name), view, span, model=model, progress=progress)
        comparison = compare_record(
            forecast.gaps, record, sigma_s=forecast.sigma_s, odds=forecast.odds, timezone=timezone
        )
    except InputError as error:
        # Such as elements that are too old for those days: the record stands without.
        return Unmatched(error)
    _learn(workspace, fleet_name, source, (forecast, record, comparison))
    start, end = (forecast.gaps[each].to_numpy("datetime64[us]").astype(np.int64) for each in ("start", "end"))
    last_day = Span(max(span.start, span.end - timedelta(days=1)), span.end)
    why = find_causes(workspace.fleet_over_time(fleet_name)(last_day.start), view, last_day, warn=False)
    oldest = max(forecast.freshness, key=lambda each: each.median_s)
    return RecordMatch(comparison, union((start, end)), oldest, why.verdict())


def _learn(
    workspace: Workspace,
    fleet_name: str,
    source: str,
    compared: tuple[PastForecast, LineRecord, LineComparison],
) -> None:
    """Keep what a record teaches the odds of calls, where it is that of the line itself and goes up to its end."""
    forecast, record, comparison = compared
    if not is_the_line(workspace, fleet_name, forecast.view):
        return
    with Journal(workspace.journal_file) as journal:
        bounds = journal.bounds(source)
        if len(journal.sources) > 1 and source != OWN_PROBE:
            return
    if bounds is None or bounds[1] - record.span.end > _NEAR_THE_END:
        return
    try:
        learned = learn_line(forecast, record, comparison, forecast.view.site.timezone)
    except InputError:
        # A record of a few days, or elements too old for odds: the comparison itself says so.
        return
    keep_learned(workspace, forecast.view, learned)


def invent(folder: Path, at: datetime, progress: Progress | None = None) -> bool:
    """Write the invented record into the journal of the demonstration."""
    invented_record.write_invented_record(Workspace.load(folder), at)
    return True
