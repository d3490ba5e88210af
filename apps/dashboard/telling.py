"""What every page must say at its end: who was looked at, how old the elements are, what is assumed, which zone."""

from __future__ import annotations

from passim import Span

from ..found import search_notes
from ..wording import listed
from .desk import Question
from .work import Seen


def notes_of(question: Question, seen: Seen, span: Span) -> tuple[str, ...]:
    """Return the notes of a page that looked at one place over `span`."""
    view = seen.visibility.view
    limits = "; ".join(limit.describe() for limit in view.all_limits)
    return (
        *search_notes(seen.visibility.report, span),
        f"Service is taken to be there while any satellite is within every limit: {limits}.",
        *seen.visibility.notes,
        *common_notes(question, span),
    )


def common_notes(question: Question, span: Span) -> tuple[str, ...]:
    """Return the notes that hold whatever was looked at."""
    workspace = question.workspace
    notes = [f"Times: {question.clock(span).description}."]
    if question.choices.mask_deg is not None:
        notes.append(f"The mask of {question.choices.mask_deg:g}° stands in for the spot's own horizon.")
    elif workspace.horizon_unknown(question.site_name, question.spot):
        notes.append("The workspace says nothing of the horizon there: 25° all round is taken for granted.")
    assumed = [f"{a.setting} ({a.how})" for a in workspace.assumptions]
    if assumed:
        notes.append(f"Assumed, not measured: {listed(assumed, 5, '; ')}.")
    notes += workspace.notes
    notes += [
        f"{len(question.fleet.skipped)} records skipped: {listed(question.fleet.skipped, between=' | ')}."
    ] * bool(question.fleet.skipped)
    if question.desk.invented:
        notes.append("Everything here is invented: the school, its sites and the fleet.")
    if question.desk.rehearsal:
        notes.append("A rehearsal: the clock of this dashboard was set with --at.")
    return tuple(notes)
