"""What the line really did: the probe that asks it, the journal that keeps the answers, and what follows from them.

targets     what is asked: a name, an address, and how
record      Probes, LineRecord: what was measured over a span, and when nothing was
outages     loss periods (RFC 3357) and the outages they make: in the house, in the line, at the far end
journal/    the file that keeps it all: its layout, writing by the minute, reading, checking
probe/      asking the targets: methods, clocks, the loop
files/      records that people have already, read; a record as one file, CSV or Parquet
statistics  what a record says of the line; trains, whether freezes come in step
suitability what a line is good for, and what its availability hides
second_line which freezes a second line would have caught
comparing   forecast against record, and what luck would have done; past, what would have been forecast;
            past_calls, how calls went beside it; clock_offset, how far the record's clock is off
learning    what a record teaches the odds, and whether days that did not teach are forecast better for it
fitting/    the settings of sky and service that foretell a record; phase, whether times keep to a clock
directions  which directions a record shows to be clear or blocked

The probe runs for months beside whatever else a small machine does. What it needs, `targets`, `probe/` and the writing
half of `journal/`, therefore imports the standard library alone; `tests/test_probe.py` holds that. So the names of this
room are loaded when they are asked for.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from passim.line.comparing import LineComparison as LineComparison, compare_record as compare_record
    from passim.line.directions import HorizonEvidence as HorizonEvidence, horizon_evidence as horizon_evidence
    from passim.line.files.reading import Reading as Reading, Remark as Remark
    from passim.line.fitting.evidence import TooFewOutages as TooFewOutages
    from passim.line.fitting.fit import LineFit as LineFit, Rival as Rival, fit_line as fit_line
    from passim.line.journal.checking import JournalFault as JournalFault
    from passim.line.journal.file import Journal as Journal
    from passim.line.journal.schema import FILE_NAME as FILE_NAME, OWN_PROBE as OWN_PROBE
    from passim.line.journal.writing import JournalWriter as JournalWriter
    from passim.line.learning import LearnedLine as LearnedLine, learn_line as learn_line
    from passim.line.outages import LOSSES as LOSSES, find_outages as find_outages, loss_periods as loss_periods
    from passim.line.own_settings import MachinesHere as MachinesHere, machines_here as machines_here
    from passim.line.past import (
        PastForecast as PastForecast,
        fleets_over as fleets_over,
        past_forecast as past_forecast,
    )
    from passim.line.past_calls import (
        PastCalls as PastCalls,
        ReplayedCalls as ReplayedCalls,
        calls_as_they_went as calls_as_they_went,
        replay_calls as replay_calls,
    )
    from passim.line.probe.loop import Plan as Plan, Probe as Probe
    from passim.line.probe.watch import LiveOutage as LiveOutage, Watch as Watch
    from passim.line.record import OUTAGE_COLUMNS as OUTAGE_COLUMNS, LineRecord as LineRecord, Probes as Probes
    from passim.line.second_line import Rescue as Rescue, SecondLine as SecondLine
    from passim.line.statistics import LineStatistics as LineStatistics, line_statistics as line_statistics
    from passim.line.suitability import Activity as Activity, Availability as Availability, Suitability as Suitability
    from passim.line.targets import Target as Target, parse_targets as parse_targets

_WHERE = {
    name: module
    for module, names in {
        "comparing": ("LineComparison", "compare_record"),
        "directions": ("HorizonEvidence", "horizon_evidence"),
        "files.reading": ("Reading", "Remark"),
        "fitting.evidence": ("TooFewOutages",),
        "fitting.fit": ("LineFit", "Rival", "fit_line"),
        "journal.checking": ("JournalFault",),
        "journal.file": ("Journal",),
        "journal.schema": ("FILE_NAME", "OWN_PROBE"),
        "journal.writing": ("JournalWriter",),
        "learning": ("LearnedLine", "learn_line"),
        "outages": ("LOSSES", "find_outages", "loss_periods"),
        "own_settings": ("MachinesHere", "machines_here"),
        "past": ("PastForecast", "fleets_over", "past_forecast"),
        "past_calls": ("PastCalls", "ReplayedCalls", "calls_as_they_went", "replay_calls"),
        "probe.loop": ("Plan", "Probe"),
        "probe.watch": ("LiveOutage", "Watch"),
        "record": ("LineRecord", "OUTAGE_COLUMNS", "Probes"),
        "second_line": ("Rescue", "SecondLine"),
        "statistics": ("LineStatistics", "line_statistics"),
        "suitability": ("Activity", "Availability", "Suitability"),
        "targets": ("Target", "parse_targets"),
    }.items()
    for name in names
}
__all__ = sorted(_WHERE)


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"passim.line.{_WHERE[name]}"), name)
