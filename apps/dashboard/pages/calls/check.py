"""Calls that others have set, on the Calls page: what awaits each, and the nearest start that is better."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from passim import Span
from passim.answers.calls import check as call_check
from passim.errors import InputError

from ....text.calls import (
    check_columns,
    check_notes,
    check_rows,
    check_sentence,
    left_out_sentences,
)
from ....text.notes import Note, weighed
from ....text.units import LocalClock, printable
from ....text.ways_out import in_page_words
from ...page_model import Help, Panel, PanelContent, Table
from ...state import PageRequest
from ...tasks import calls as call_work
from . import uploads as uploads
from .request import CallRequest, seen_of

_CHECK_WITHIN_S: Final = 180.0
# Calls that come this soon after the days asked about are named as not checked.
_NAMED_WITHIN: Final = timedelta(days=14)
_OVER, _LATER = call_check.NoCall("over"), call_check.NoCall("after the days")
CHECK = Panel(
    "check",
    "How your planned calls will go",
    Help(
        "Each call in the uploaded calendar: whether it starts at a good time, the pauses and frozen seconds "
        "expected, the chance that it drops, each freeze predicted, and the nearest start that would be noticeably "
        "better.",
        "Two hundred futures for each call, as for the ranking. A better start lies within the hours for calls, "
        "clashes with no other appointment, and is better in two sets of futures.",
        "The uploaded calendar, the passes at the site within every limit, and the timing model of passim.",
    ),
    picture=False,
)


@dataclass(frozen=True)
class Checked:
    """A check, with the name of its calendar and what the reader of the calendar left out."""

    check: call_check.CallCheck
    name: str
    notes: tuple[str, ...]
    left_out: tuple[str, ...]


def checked_of(question: PageRequest, request: CallRequest) -> Checked | None:
    """Return the check that the address asks for, None where it asks for none. Raises Pending, InputError."""
    keys = uploads.keys_of(question.choices, uploads.CHECK)
    if not keys:
        return None
    upload = uploads.find(question.state, keys[0])
    if upload is None:
        raise uploads.not_here(uploads.CHECK)
    reach = Span(request.whole.start, request.whole.end + _NAMED_WITHIN)
    read = uploads.appointments(question, upload, reach, uploads.CHECK)
    to_come = read.from_now_on(request.span)
    events = tuple(event for event in to_come if event.start < request.whole.end)
    left_out = [(event, _OVER) for event in read.events if event not in to_come]
    left_out += [(event, _LATER) for event in to_come if event.start >= request.whole.end]
    if len(events) > call_work.MOST_CHECKED:
        raise InputError(
            f"calls in {upload.name} on these days",
            got=f"{len(events):,}",
            wanted=f"at most {call_work.MOST_CHECKED} on this page",
            try_next="fewer days ahead",
        )
    kind, model, calibration = request.kind, question.fleet_timing.model, question.lesson.calibration
    other_sites = question.workspace.other_site_names(question.site_name)
    key = (
        "check", question.view, question.fleet_key, request.span, kind.name, kind.at_least_s, kind.buffer_s,
        request.hours, request.busy, events, other_sites, model, calibration,
    )  # fmt: skip
    found = question.state.work_out(
        key, call_work.check, seen_of(question, request).visibility, request.span, kind, events, request.hours,
        question.site.timezone, request.busy, other_sites, model, calibration, deadline_s=_CHECK_WITHIN_S,
    )  # fmt: skip
    check = replace(found, left_out=(*found.left_out, *left_out))
    return Checked(check, upload.name, read.notes, read.left_out)


def shown_of(question: PageRequest, request: CallRequest, clock: LocalClock) -> tuple[PanelContent | None, list[Note]]:
    """Return what the panel shows, None where there is nothing to check, and the notes on it. Raises Pending."""
    try:
        checked = checked_of(question, request)
    except InputError as error:
        # The ranking above does not hang on it.
        return PanelContent(None, f"{in_page_words(error)}."), []
    if checked is None:
        return None, []
    check = checked.check
    table = Table(
        check_rows(check, clock),
        check_columns(clock),
        clock,
        "None of the calls in this calendar could be checked.",
    )
    sentence = check_sentence(check, checked.name, clock, checked.left_out)
    # Nobody looks for a call that is missing from the table in the notes at the end of the page.
    sentence = " ".join([sentence, *left_out_sentences(check)])
    return PanelContent(None, printable(sentence), table), [*check_notes(check), *weighed(checked.notes)]
