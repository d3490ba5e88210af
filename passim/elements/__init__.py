"""Element sets: what a satellite's orbit is, read from files, made by rule, and written back.

identifiers   catalogue numbers of five to nine digits, and Alpha-5
records       ElementSet, frozen; Fleet, an ordered collection of them
epochs        ISO and two-line epochs, exact to the microsecond
lines         lines of text, and what they can carry
read_log      what becomes of a bad record: strict stops, lenient skips and says so, up to a share
two_line      two-line and three-line sets
omm           one mapping between the keywords of CCSDS 502.0-B-3 and ElementSet
omm_text      ... as JSON, CSV and KVN
omm_xml       ... as NDM/XML
formats       bytes of any of these, or gzip, to a fleet
atomic        writing a file whole or not at all
files         read_elements and write_elements
patterns      designed patterns
shells        the shells a fleet consists of
slots         the planes of a shell, and who shares a slot
health        who is at the shell, who drifts, climbs or sinks, who is stale, who has decayed
condition     ... object by object, with the figures behind it and what snapshots tell
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from passim.elements.files import read_elements as read_elements, write_elements as write_elements
    from passim.elements.formats import parse_elements as parse_elements
    from passim.elements.identifiers import SatelliteId as SatelliteId
    from passim.elements.patterns import walker as walker
    from passim.elements.read_log import TOLERATED_SHARE as TOLERATED_SHARE, Skipped as Skipped
    from passim.elements.records import ElementSet as ElementSet, Fleet as Fleet
    from passim.elements.two_line import (
        format_two_line as format_two_line,
        parse_two_line as parse_two_line,
        rounded_to_two_line as rounded_to_two_line,
    )

# Loaded when they are asked for: locks and whole files are of use without any satellite.
_WHERE = {
    name: module
    for module, names in {
        "passim.elements.files": ("read_elements", "write_elements"),
        "passim.elements.formats": ("parse_elements",),
        "passim.elements.identifiers": ("SatelliteId",),
        "passim.elements.patterns": ("walker",),
        "passim.elements.read_log": ("Skipped", "TOLERATED_SHARE"),
        "passim.elements.records": ("ElementSet", "Fleet"),
        "passim.elements.two_line": ("format_two_line", "parse_two_line", "rounded_to_two_line"),
    }.items()
    for name in names
}
__all__ = sorted(_WHERE)


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_WHERE[name]), name)
