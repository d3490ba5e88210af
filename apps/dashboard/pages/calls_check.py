"""Calls that others have set, on the Calls page: what awaits each, and the nearest start that is better."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from passim.answers import call_check
from passim.errors import InputError

from ...call_words import (
    CHECK_HEADINGS,
    check_cells,
    check_notes,
    check_rows,
    check_sentence,
    left_out_words,
)
from ...wording import LocalClock, printable
from .. import call_work
from ..answering import Help, Panel, Shown, Table
from ..desk import Question
from . import calls_held
from .calls_asked import Asked, seen_of

_CHECK_WITHIN_S: Final = 180.0
CHECK = Panel(
    "check",
    "How planned calls will go",
    Help(
        "Each call of the calendar handed in: whether it is a good start, the pauses and frozen seconds to expect, the "
        "chance that it ends, the single freezes foreseen, and the nearest start at which you would notice that it "
        "goes better.",
        "Two hundred futures for each call, as for the ranking. A better start lies within the hours for calls, meets "
        "no other appointment, and is better in two sets of futures.",
        "The calendar handed in, the passes at the site within every limit, and the timing model of passim.",
    ),
    picture=False,
)


@dataclass(frozen=True)
class Checked:
    """A check, with the name of its calendar and what the reader of the calendar left out."""

    check: call_check.CallCheck
    name: str
    notes: tuple[str, ...]


def checked_of(question: Question, asked: Asked) -> Checked | None:
    """Return the check that the address asks for, None where it asks for none. Raises StillWorking, InputError."""
    keys = calls_held.keys_of(question.choices, calls_held.CHECK)
    if not keys:
        return None
    held = calls_held.find(question.desk, keys[0])
    if held is None:
        raise calls_held.not_here(calls_held.CHECK)
    read = calls_held.appointments(question, held, asked.whole, calls_held.CHECK)
    events = read.from_now_on(asked.span)
    if len(events) > call_work.MOST_CHECKED:
        raise InputError(
            f"calls of {held.name} in these days",
            got=f"{len(events):,}",
            wanted=f"at most {call_work.MOST_CHECKED} on this page",
            try_next="fewer days ahead, or passim calls --check",
        )
    kind, model = asked.kind, question.workspace.timing_model
    key = (
        "check", question.view, question.fleet_key, asked.span, kind.name, kind.at_least_s, kind.buffer_s, asked.hours,
        asked.busy, events, model,
    )  # fmt: skip
    found: call_work.Checked = question.desk.work_out(
        key, call_work.check, seen_of(question, asked).visibility, asked.span, kind, events, asked.hours,
        question.site.timezone, asked.busy, model, deadline_s=_CHECK_WITHIN_S,
    )  # fmt: skip
    return Checked(found.check, held.name, read.notes)


def shown_of(question: Question, asked: Asked, clock: LocalClock) -> tuple[Shown | None, list[str]]:
    """Return what the panel shows, None where there is nothing to check, and the notes on it. Raises StillWorking."""
    try:
        checked = checked_of(question, asked)
    except InputError as error:
        # The ranking above does not hang on it.
        return Shown(None, f"{error}."), []
    if checked is None:
        return None, []
    check = checked.check
    table = Table(
        check_rows(check, clock),
        CHECK_HEADINGS,
        lambda row: check_cells(row, clock, row.freezes),
        clock,
        "No call of this calendar could be checked.",
    )
    sentence = check_sentence(check, checked.name, clock, left_out_words(checked.notes))
    # What counts as what is said of the ranking already.
    notes = [note for note in check_notes(check) if note != check.kind.describe()]
    return Shown(None, printable(sentence), table), [*map(printable, notes), *checked.notes]
