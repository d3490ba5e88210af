"""The search that passes, minutes and gaps share: from the options to the passes and what must be said about them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..text.answer import site_facts, span_facts
from ..text.limits import descriptions
from ..text.notes import Note
from ..text.query import CAUTION, QueryResult, search_notes, searched, serving_notes, times_note
from ..text.units import LocalClock, instant
from .output import progress
from .parsing import FleetChoice, SiteChoice, SpanChoice

if TYPE_CHECKING:
    from passim import Fleet, Site, Span, TimingModel
    from passim.sky import view as views
    from passim.spans import DailyHours


def find(
    fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice, hours: DailyHours | None = None
) -> QueryResult:
    """Read what the options name and find the passes; where given, only `hours` of the day count. Raises InputError."""
    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    view, view_notes = site_choice.view()
    span = span_choice.span()
    fleet, fleet_notes = fleet_choice.fresh_fleet(span)
    found = search(fleet, view, span, (*view_notes, *fleet_notes), model=fleet_choice.timing_model())
    if hours is None:
        return found
    facts = {**found.facts, "hours_of_day": hours.clock_words, "hours_s": 0.0}
    found = replace(found, hours=hours, facts=facts)
    facts["hours_s"] = found.coverage.counted_us / 1e6
    return found


def search(
    fleet: Fleet,
    place: Site | views.View,
    span: Span,
    notes: tuple[Note, ...] = (),
    *,
    model: TimingModel | None = None,
    tell_age: bool = True,
) -> QueryResult:
    """Find who of `fleet` serves a view, or a site under its horizon alone, and put what must be said round `notes`.

    `model` says how good times are by the age of the elements, the usual one unless given. Without `tell_age` the
    answer says itself how old the elements are. Raises InputError.
    """
    from passim import Site, TimingModel
    from passim.coverage import visibility
    from passim.sky import view

    seen_from = view.View(place) if isinstance(place, Site) else place
    with progress("Finding passes") as advance:
        seen = visibility.find_visibility(fleet, seen_from, span, progress=advance, warn=False)
    assert isinstance(seen, visibility.Visibility)  # one view, one answer
    passes, site = seen.passes(), seen_from.site
    clock = LocalClock(site.timezone, span)
    search_report = seen.report
    model = model or TimingModel()
    searched_then = searched(search_report, span, model)
    messages = (
        *search_notes(searched_then, tell_age=tell_age),
        *serving_notes(seen.health),
        *notes,
        times_note(clock),
        CAUTION,
    )
    facts = {
        "site": site_facts(site),
        "span": span_facts(span),
        "elements": {
            "objects": search_report.objects_searched,
            "epoch_oldest": instant(search_report.epoch_oldest),
            "epoch_newest": instant(search_report.epoch_newest),
            "band": searched_then.band.name,
        },
        "limits": descriptions(seen_from),
    }
    for summary in seen.health:
        facts["health"] = dict(summary.counts)
    return QueryResult(seen, passes, clock, messages, facts, model)
