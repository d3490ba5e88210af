"""What every page must say: who was looked at, how old the elements are, what is assumed, which zone; and errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

import plotly.graph_objects as go
from dash import html

from passim import Span
from passim.forecast import timing
from passim.workspace import adding, where_from

from ..figures.theme import Theme, apply_theme
from ..text.elements import too_old_line
from ..text.feeds import origin_words
from ..text.gaps import TOO_OLD_TO_TELL_WHEN
from ..text.limits import descriptions
from ..text.notes import Note, background, shown, weighed
from ..text.query import health_sentence, search_notes, searched, stale_line, times_note
from ..text.service import assumed_words, floor_note, gateway_note, policy_note, sky_alone_words
from ..text.setup import workspace_sentences
from ..text.skipped import skipped_notes
from ..text.timing import timing_notes
from ..text.units import counted, listed
from ..text.workspace import STANDS_IN, STARTS_ANEW, taken_for_granted
from .links import linked
from .page_model import Answer, Page, Panel, PanelContent
from .state import PageRequest
from .tasks.passes import PlaceVisibility

_BLANK_PX: Final = 40


def refuse_old(question: PageRequest, page: Page) -> None:
    """Raise ElementsError where elements are too old for anything a page would say, as the command line does."""
    if page.loads or page.looks_back or question.workspace.missing:
        return
    moment = _moment(question, page)
    median_s = question.freshness(moment).median_s
    # Where elements are too old today, no day that a page offers is nearer to them.
    days_off = "day" in page.uses and question.freshness(question.now).median_s <= timing.OLDEST_S
    timing.refuse_stale(question.fleet, moment, median_s, instead="another day" if days_off else "")


def hides_times(question: PageRequest, page: Page) -> bool:
    """Say whether elements are too old for single times of the day chosen; shares and counts still stand."""
    return not question.freshness(_moment(question, page)).band.lists_times


def answered(question: PageRequest, page: Page, theme: Theme) -> Answer:
    """Return what a page answers, without single times where elements are too old for them. Raises Pending, InputError.

    Raises ElementsError, as the command line does, where they are too old for anything.
    """
    refuse_old(question, page)
    found = page.answer(question, theme)
    if hangs_on := _hangs_on(question, page):
        # Whoever reads one sentence must know that it hangs on a guess.
        found = replace(found, second=f"{hangs_on} {found.second}".rstrip())
    if not page.loads and question.workspace.stands_in(question.choices.fleet):
        found = _of_invented(found, page)
    if page.loads or page.looks_back or question.workspace.missing or not hides_times(question, page):
        return found
    panels = {name: _without_times(page.panel(name), shown, theme) for name, shown in found.panels.items()}
    return replace(found, panels=panels)


def _of_invented(answer: Answer, page: Page) -> Answer:
    """Return an answer that says that its satellites are invented, before any advice that stands beside its sentence.

    A page that looks back says beside its sentence what that means for a record.
    """
    if not answer.beside:
        return replace(answer, second=f"{STANDS_IN} {answer.second}".rstrip())
    return answer if page.looks_back else replace(answer, beside=f"{STANDS_IN} {answer.beside}")


def _hangs_on(question: PageRequest, page: Page) -> str:
    """Return what an answer about the sky hangs on: what nobody measured, no gateway."""
    workspace = question.workspace
    if page.loads or workspace.missing:
        return ""
    words: list[str] = []
    if not page.looks_back:
        views = (question.view,) if page.views is None else page.views(question)
        words += [taken_for_granted(workspace.assumptions), sky_alone_words(*views)]
    return " ".join(filter(None, words))


def _without_times(panel: Panel | None, shown: PanelContent, theme: Theme) -> PanelContent:
    if panel is None or not panel.times:
        return shown
    figure, table = shown.figure, shown.table
    if figure is not None and "picture" in panel.times:
        # Without one of its own the place would keep the picture of the answer before.
        figure = blank(theme)
    if table is not None and "table" in panel.times:
        table = replace(table, rows=table.rows.iloc[:0], shown=None, file_note="", empty=TOO_OLD_TO_TELL_WHEN)
    # What is said of a picture that stays holds as well.
    caption = shown.caption if panel.picture and "picture" not in panel.times else TOO_OLD_TO_TELL_WHEN
    return PanelContent(figure, caption, table)


def blank(theme: Theme) -> go.Figure:
    """Return an empty picture, a line high."""
    figure = apply_theme(go.Figure(), theme, _BLANK_PX)
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    return figure


def age_warning(question: PageRequest, page: Page) -> str:
    """Return the line that stands over a page where elements are too old for single times; empty where they are not."""
    if page.looks_back:
        return ""
    fresh = question.freshness(_moment(question, page))
    if fresh.band.lists_times:
        return ""
    if fresh.median_s > timing.OLDEST_S:
        return too_old_line(fresh.median_s, invented=adding.invented_fleet(question.workspace))
    return stale_line(fresh.median_s, "old by then")


def _moment(question: PageRequest, page: Page) -> datetime:
    return question.days(1).middle if "day" in page.uses else question.now


def notes_of(question: PageRequest, seen: PlaceVisibility, span: Span, *, tell_age: bool = True) -> tuple[Note, ...]:
    """Return the notes of a page that looked at one place over `span`; without `tell_age` it says that itself."""
    view = seen.visibility.view
    described = descriptions(view)
    limits = "; ".join(described.values())
    return (
        *search_notes(searched(seen.visibility.report, span, question.fleet_timing.model), tell_age=tell_age),
        Note(assumed_words(view, limits=limits), "reading" if view.service.loses_time else "background"),
        *gateway_note(described),
        *policy_note(view, guessed=question.workspace.policy_guessed),
        *map(background, map(health_sentence, seen.visibility.health)),
        *common_notes(question, span),
        *([] if seen.coverage.gaps().empty else _starts_anew(question)),
    )


def _starts_anew(question: PageRequest) -> list[Note]:
    """Return how the gaps of an invented fleet move from day to day, where the fleet chosen is one."""
    fleets = question.workspace.settings.fleets
    chosen = question.choices.fleet or next(iter(question.workspace.fleet_names), "")
    invented = any(fleet.invented and fleet.name.casefold() == chosen.casefold() for fleet in fleets)
    return [Note(STARTS_ANEW)] if invented else []


def common_notes(question: PageRequest, span: Span) -> tuple[Note, ...]:
    """Return the notes that hold whatever was looked at."""
    workspace = question.workspace
    notes = [times_note(question.clock(span))]
    if question.choices.mask_deg is not None:
        mask_deg, floor_deg = question.choices.mask_deg, question.view.lowest_elevation_deg or 0.0
        counts = f", but counts as {floor_deg:g}°: the terminal works from there up" if mask_deg < floor_deg else ""
        notes.append(Note(f"The mask of {mask_deg:g}° replaces the horizon of every spot{counts}."))
    elif workspace.horizon_unknown(question.site_name, question.spot):
        notes.append(Note("The workspace gives no horizon there: 25° all round is assumed."))
    else:
        notes += floor_note(question.view)
    assumed = [f"{a.setting} ({a.how})" for a in workspace.assumptions]
    if assumed:
        notes.append(Note(f"Assumed, not measured: {listed(assumed, 5, '; ')}."))
    notes += weighed(workspace_sentences(workspace))
    notes += skipped_notes(question.fleet)
    origin = where_from(workspace, question.choices.fleet, question.now) if workspace.fleet_names else None
    if origin is not None:
        notes.append(background(f"Fleet: {question.fleet.name}, from {origin_words(origin)}."))
        notes += timing_notes(question.fleet_timing, question.fleet.name)
    if question.state.invented:
        notes.append(Note("Everything here is invented: the school, its sites and the fleet."))
    if question.state.rehearsal:
        notes.append(Note("A rehearsal: this dashboard's clock was set to another time and runs on from there."))
    return tuple(notes)


def notes_list(notes: Sequence[Note], query: str = "") -> list[Any]:
    """Return the notes at the end of a page: what changes how it is read, and the rest behind a row to open.

    The pages that they name are links, with the `query` of the address.
    """
    first, _ = shown(notes)
    every, _ = shown(notes, every=True)
    more = [text for text in every if text not in first]
    parts: list[Any] = [html.Ul([html.Li(linked(text, query)) for text in first])] if first else []
    if more:
        words = f"{counted(len(more), 'more note')}: where this comes from"
        parts.append(html.Details([html.Summary(words), html.Ul([html.Li(linked(text, query)) for text in more])]))
    return parts
