"""What every page must say: who was looked at, how old the elements are, what is assumed, which zone; and errors."""

from __future__ import annotations

import re
from datetime import datetime

from passim import Span
from passim.errors import ElementsError, InputError
from passim.forecast import timing

from ..command_line.query import search_notes
from ..text.service import assumed_words
from ..text.units import listed
from .page_model import Page
from .state import PageRequest
from .tasks.passes import Seen

# What only the command line offers: an option, one of its commands.
_OF_COMMANDS = re.compile(r"(^|\s|\()--[a-z]|\bpassim [a-z]")


def in_words(error: InputError) -> str:
    """Return an error as a page shows it: without a next step that is one of the command line."""
    wanted, try_next = ("" if _OF_COMMANDS.search(text) else text for text in (error.wanted, error.try_next))
    return str(InputError(error.what, got=error.got, wanted=wanted, try_next=try_next))


def refuse_old(question: PageRequest, page: Page) -> None:
    """Raise ElementsError where elements are too old for anything a page would say, as the command line does."""
    if page.loads or question.workspace.missing:
        return
    moment = _moment(question, page)
    fresh = timing.band_for(question.fleet, moment, allow_stale=True)
    if fresh.median_s > timing.OLDEST_S:
        raise ElementsError(
            f"elements are {timing.age_words(fresh.median_s)} old by then",
            wanted=f"at most {timing.age_words(timing.OLDEST_S)}: {fresh.band.words}",
            try_next="newer ones, loaded on the page Elements, or an earlier day",
        )


def age_warning(question: PageRequest, page: Page) -> str:
    """Return the line that stands over a page where elements are too old for single times; empty where they are not."""
    fresh = timing.band_for(question.fleet, _moment(question, page), allow_stale=True)
    if fresh.band.shows_odds:
        return ""
    age = timing.age_words(fresh.median_s)
    if fresh.median_s > timing.OLDEST_S:
        return f"Elements {age} old: too old for a forecast. Load newer ones here."
    return f"Elements {age} old by then: trust how long service is out in all, not the times of single gaps."


def _moment(question: PageRequest, page: Page) -> datetime:
    return question.days(1).middle if "day" in page.uses else question.now


def notes_of(question: PageRequest, seen: Seen, span: Span, *, tell_age: bool = True) -> tuple[str, ...]:
    """Return the notes of a page that looked at one place over `span`; without `tell_age` it says that itself."""
    view = seen.visibility.view
    limits = "; ".join(view.descriptions.values())
    return (
        *search_notes(seen.visibility.report, span, tell_age=tell_age),
        f"{assumed_words(view)[:-1]}: {limits}.",
        *seen.visibility.notes,
        *common_notes(question, span),
    )


def common_notes(question: PageRequest, span: Span) -> tuple[str, ...]:
    """Return the notes that hold whatever was looked at."""
    workspace = question.workspace
    notes = [f"Times: {question.clock(span).description}."]
    if question.choices.mask_deg is not None:
        mask_deg, floor_deg = question.choices.mask_deg, question.view.lowest_elevation_deg or 0.0
        counts = f", but counts as {floor_deg:g}°: the terminal works from there up" if mask_deg < floor_deg else ""
        notes.append(f"The mask of {mask_deg:g}° stands in for the spot's own horizon{counts}.")
    elif workspace.horizon_unknown(question.site_name, question.spot):
        notes.append("The workspace says nothing of the horizon there: 25° all round is taken for granted.")
    assumed = [f"{a.setting} ({a.how})" for a in workspace.assumptions]
    if assumed:
        notes.append(f"Assumed, not measured: {listed(assumed, 5, '; ')}.")
    notes += workspace.notes
    notes += [
        f"{len(question.fleet.skipped)} records skipped: {listed(question.fleet.skipped, between=' | ')}."
    ] * bool(question.fleet.skipped)
    if question.state.invented:
        notes.append("Everything here is invented: the school, its sites and the fleet.")
    chosen = question.choices.fleet or next(iter(workspace.fleet_names), "")
    if any(f.invented and f.name.casefold() == chosen.casefold() for f in workspace.settings.fleets):
        notes.append(
            "The invented fleet is made anew each day, so that every day of it is like today: what it says of tomorrow "
            "does not come true."
        )
    if question.state.rehearsal:
        notes.append("A rehearsal: the clock of this dashboard was set, and goes on from there.")
    return tuple(notes)
