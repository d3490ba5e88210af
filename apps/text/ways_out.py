"""What each face calls the ways out of an error that go by another name on every face."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from passim.errors import InputError, WayOut

from .units import capital, counted

if TYPE_CHECKING:
    from passim.errors import PassimError

COMMAND = {
    WayOut.ALLOW_STALE: "--allow-stale for an answer all the same",
    WayOut.LATER_START: "--from {start}",
    WayOut.LENIENT: "leaving --strict (or strict = true of the workspace) out, to skip bad records",
    WayOut.SALVAGE: "passim elements PATH --salvage --out FILE, which writes what is whole to a file",
    WayOut.RECORD_RANGES: "--every and --length",
    WayOut.GROWTH_ALONE: "passim growth",
    WayOut.ACCEPT_FEWER: "--accept-fewer to take it all the same",
    WayOut.UPDATE: "passim update",
    WayOut.PROBE: "passim probe, which begins one",
    WayOut.CHECK_JOURNAL: "passim journal check, which says what is damaged",
    WayOut.RECORD_ZONE: "--zone NAME, the zone of whoever wrote it, such as --zone Atlantic/Azores or --zone UTC",
    WayOut.RECORD_START: "--start TIME, the moment of its first line, such as --start '2026-11-25 08:00'",
    WayOut.RECORD_END: "--end TIME, the moment up to which it was kept, such as --end '2026-11-25 18:00'",
    WayOut.RECORD_COLUMNS: "--columns OURS=THEIRS,..., such as --columns 'time=Date,round_trip_ms=Latency'",
    WayOut.RECORD_NAME: "--name for another name, or --replace",
}
# Where a page has no such thing it names the command that has.
PAGE = {
    WayOut.ALLOW_STALE: "the page Elements, which takes other files and offers an invented fleet",
    WayOut.LATER_START: "days that reach {day}",
    WayOut.LENIENT: "taking strict out of the workspace's file, to skip bad records",
    WayOut.SALVAGE: "another file of the same satellites",
    WayOut.RECORD_RANGES: "the ranges in place of a record",
    WayOut.GROWTH_ALONE: "the page Growth",
    WayOut.ACCEPT_FEWER: "loading it on the page Elements, which takes it all the same",
    WayOut.UPDATE: "asking for fresh ones on the page Elements",
    WayOut.PROBE: "recording on the page Measured, which begins one",
    WayOut.CHECK_JOURNAL: "passim journal check on a command line, which says what is damaged",
    WayOut.RECORD_ZONE: "saying below by which clock it was written",
    WayOut.RECORD_START: "saying below when it begins",
    WayOut.RECORD_END: "saying below when it ends",
    WayOut.RECORD_COLUMNS: "saying below which of its columns is which",
    WayOut.RECORD_NAME: "another name below, or replacing the one that is there",
}


def in_command_words(error: PassimError) -> str:
    """Return an error as one line, with the way out as the command line has it."""
    return _line(error, COMMAND)


def in_page_words(error: PassimError) -> str:
    """Return an error as one line, with the way out as the pages have it."""
    from passim.line import TooFewOutages  # what it needs takes a while to load

    if isinstance(error, TooFewOutages):
        had = counted(int(str(error.got)), "freeze")
        return f"the record holds {had} of the line so far, and it takes {error.wanted_outages} to learn from"
    return _line(error, PAGE)


def in_a_sentence(error: PassimError) -> str:
    """Return an error that nobody's input is to blame for, as a page says it."""
    return f"{capital(str(error))}."


def _line(error: PassimError, words: dict[WayOut, str]) -> str:
    def name(way_out: WayOut, start: datetime | None) -> str:
        if start is None:
            return words[way_out]
        day = f"{start:%a} {start.day} {start:%b}, {start:%H:%M}"
        return words[way_out].format(start=start.isoformat(timespec="minutes"), day=day)

    return error.line(name) if isinstance(error, InputError) else str(error)
