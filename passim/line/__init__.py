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
    from passim.line.comparing import LineComparison, compare_record
    from passim.line.directions import HorizonEvidence, horizon_evidence
    from passim.line.files.reading import Reading, Remark
    from passim.line.fitting.fit import LineFit, Rival, fit_line
    from passim.line.journal.checking import JournalFault
    from passim.line.journal.file import Journal
    from passim.line.journal.schema import FILE_NAME, OWN_PROBE
    from passim.line.journal.writing import JournalWriter
    from passim.line.learning import LearnedLine, learn_line
    from passim.line.outages import LOSSES, find_outages, loss_periods
    from passim.line.past import PastForecast, fleets_over, past_forecast
    from passim.line.past_calls import PastCalls, ReplayedCalls, calls_as_they_went, replay_calls
    from passim.line.probe.loop import Plan, Probe
    from passim.line.probe.watch import LiveOutage, Watch
    from passim.line.record import OUTAGE_COLUMNS, LineRecord, Probes
    from passim.line.second_line import Rescue, SecondLine
    from passim.line.statistics import LineStatistics, line_statistics
    from passim.line.suitability import Activity, Availability, Suitability
    from passim.line.targets import Target, parse_targets

__all__ = [
    "FILE_NAME",
    "LOSSES",
    "OUTAGE_COLUMNS",
    "OWN_PROBE",
    "Activity",
    "Availability",
    "HorizonEvidence",
    "Journal",
    "JournalFault",
    "JournalWriter",
    "LearnedLine",
    "LineComparison",
    "LineFit",
    "LineRecord",
    "LineStatistics",
    "LiveOutage",
    "PastCalls",
    "PastForecast",
    "Plan",
    "Probe",
    "Probes",
    "Reading",
    "Remark",
    "ReplayedCalls",
    "Rescue",
    "Rival",
    "SecondLine",
    "Suitability",
    "Target",
    "Watch",
    "calls_as_they_went",
    "compare_record",
    "find_outages",
    "fit_line",
    "fleets_over",
    "horizon_evidence",
    "learn_line",
    "line_statistics",
    "loss_periods",
    "parse_targets",
    "past_forecast",
    "replay_calls",
]

_WHERE = {
    name: module
    for module, names in {
        "comparing": ("LineComparison", "compare_record"),
        "directions": ("HorizonEvidence", "horizon_evidence"),
        "files.reading": ("Reading", "Remark"),
        "fitting.fit": ("LineFit", "Rival", "fit_line"),
        "journal.checking": ("JournalFault",),
        "journal.file": ("Journal",),
        "journal.schema": ("FILE_NAME", "OWN_PROBE"),
        "journal.writing": ("JournalWriter",),
        "learning": ("LearnedLine", "learn_line"),
        "outages": ("LOSSES", "find_outages", "loss_periods"),
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


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"passim.line.{_WHERE[name]}"), name)
