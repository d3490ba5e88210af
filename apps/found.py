"""The search that passes, minutes and gaps share: from the options to the passes and what must be said about them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from .options import FleetChoice, SiteChoice, SpanChoice
from .output import progress
from .wording import LocalClock, ages, counted, duration, instant, listed

if TYPE_CHECKING:
    import pandas as pd

    from passim import Fleet, Site, Span

CAUTION = (
    "Planning help from orbital elements and a simplified terminal, not a promise of service; not for emergency calls, "
    "navigation or safety of life."
)
# Past this age an along-track error of kilometres moves single passes by seconds (Jankovic 2026, arXiv:2605.19850,
# draft tables: 6 to 20 km after three days), while shares and counts hardly change.
_OLD = timedelta(days=3)
_OLD_NOTE = (
    "Elements this far from the span place single passes and gaps seconds off, and more with age: trust the shares and "
    "counts, not the single times."
)


@dataclass(frozen=True)
class Found:
    """The passes of a fleet over a site in a span, with what a command needs to tell them."""

    site: Site
    span: Span
    passes: pd.DataFrame
    clock: LocalClock
    notes: tuple[str, ...]
    facts: dict[str, Any]

    @property
    def length(self) -> str:
        """How long the span is, in words."""
        return duration(self.span.duration_s)


def find(fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice) -> Found:
    """Read what the options name and find the passes. Raises InputError."""
    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    site, site_notes = site_choice.site()
    span = span_choice.span()
    fleet, fleet_notes = fleet_choice.fleet()
    return search(fleet, site, span, (*site_notes, *fleet_notes))


def search(fleet: Fleet, site: Site, span: Span, notes: tuple[str, ...] = ()) -> Found:
    """Find the passes of `fleet` over `site`, and put what must be said about the search behind `notes`."""
    from passim import find_passes
    from passim.errors import EmptyFleetError

    with progress("Finding passes") as report:
        passes = find_passes(fleet, site, span, progress=report)
    clock = LocalClock(site.timezone, span)
    search_report = passes.attrs["report"]
    # Without this a fleet that cannot be propagated at all would read as a sky without satellites.
    if passes.empty and len(search_report.unusable) == search_report.objects_searched:
        number, name, reason = search_report.unusable[0]
        objects = counted(search_report.objects_searched, "object")
        raise EmptyFleetError(
            "no satellite can be propagated to this span",
            got=f"{objects}, the first {name or 'object'} ({number}): {reason}",
            wanted="elements of objects in orbit",
            try_next="newer element sets",
        )
    told = (*search_notes(search_report, span), *notes, f"Times: {clock.description}.", CAUTION)
    facts = {
        "site": {
            "name": site.name,
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
            "height_m": site.height_m,
            "timezone": site.timezone,
        },
        "span": {"start": instant(span.start), "end": instant(span.end)},
        "elements": {
            "objects": search_report.objects_searched,
            "epoch_oldest": instant(search_report.epoch_oldest),
            "epoch_newest": instant(search_report.epoch_newest),
        },
    }
    return Found(site, span, passes, clock, told, facts)


def search_notes(report: Any, span: Span) -> list[str]:
    """Return what a person must know of a search: age of the elements, sets set aside, objects that had to stay out."""
    oldest, newest = span.middle - report.epoch_oldest, span.middle - report.epoch_newest
    objects = counted(report.objects_searched, "object")
    notes = [f"Elements of {objects}, {ages(newest, oldest)} at the middle of the span."]
    if max(abs(oldest), abs(newest)) > _OLD:
        notes.append(_OLD_NOTE)
    if report.sets_set_aside:
        aside = counted(report.sets_set_aside, "set")
        notes.append(f"{aside} set aside: the same object has one nearer to the middle of the span.")
    if report.unusable:
        names = [f"{name or 'object'} ({number}): {reason}" for number, name, reason in report.unusable]
        notes.append(f"{counted(len(names), 'object')} cannot be used: {listed(names, between='; ')}.")
    if report.always_up:
        notes.append(f"{counted(len(report.always_up), 'object')} in view throughout: {listed(report.always_up)}.")
    return notes
