"""What is said of element files that were damaged, cut short or not read, and of what a two-line file rounds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from .notes import Note
from .units import counted, listed

if TYPE_CHECKING:
    from passim import Fleet
    from passim.elements import Skipped

_MOST_NAMED = 3
# What people call the fields of an element set.
_FIELD_WORDS = {
    "mean_motion_rev_day": "mean motion",
    "inclination_deg": "inclination",
    "node_deg": "node",
    "perigee_deg": "argument of perigee",
    "mean_anomaly_deg": "mean anomaly",
    "bstar": "drag term",
    "mean_motion_dot": "first derivative of the mean motion",
    "mean_motion_ddot": "second derivative of the mean motion",
    "element_set_number": "number of the set",
    "revolution_at_epoch": "revolution number",
}


def skipped_notes(fleet: Fleet) -> list[Note]:
    """Return what the user must know about the files of a fleet.

    A file that was cut short stands before the answer, because nobody can say how many satellites are missing; damaged
    records come first among the notes.
    """
    notes = []
    for cut in [entry for entry in fleet.skipped if entry.kind == "cut"]:
        where = f" {cut.place}" if cut.place else ""
        notes.append(
            Note(
                f"{cut.file} ends before it is complete ({_fault(cut)}{' at' if where else ''}{where}): the satellites "
                "that came after are missing, and nobody can say how many. Fetch the file again.",
                "left out",
                "damage",
            )
        )
    damaged = [entry for entry in fleet.skipped if entry.records and entry.kind != "cut"]
    if count := sum(entry.records for entry in damaged):
        total = count + len(fleet)
        words = listed([str(entry) for entry in damaged], _MOST_NAMED, " | ")
        notes.append(Note(f"{count:,} of {total:,} records damaged and left out: {words}.", "caution", "damage"))
    for words, kinds in (
        ("The file may end too soon", ("open end",)),
        ("Text passed over", ("text", "record", "more")),
        ("Not read", ("file",)),
    ):
        names = [str(entry) for entry in fleet.skipped if entry.kind in kinds and not entry.records]
        if names:
            notes.append(Note(f"{words}: {listed(names, _MOST_NAMED, ' | ')}.", about="damage"))
    return notes


def left_out_words(skipped: list[Skipped]) -> str:
    """Say in one sentence what was left out of files that were handed in; empty where nothing was."""
    names = [str(entry) for entry in skipped]
    count = sum(entry.records for entry in skipped)
    if not names:
        return ""
    named = listed(names, _MOST_NAMED, " | ")
    return f" {counted(count, 'damaged record')} left out: {named}." if count else f" Doubtful: {named}."


def rounded_words(fields: Mapping[str, int], sets: int) -> str:
    """Say which fields a two-line file rounded, and in how many of its sets."""
    names = [f"{_FIELD_WORDS.get(field, field)}{'' if n == sets else f' ({n:,})'}" for field, n in fields.items()]
    return (
        f"Two-line sets hold fewer digits: rounded were {listed(names, len(names))}. The other formats keep them whole."
    )


def _fault(entry: Skipped) -> str:
    return f"{entry.what} of {entry.label}" if entry.label and entry.label not in entry.what else entry.what
