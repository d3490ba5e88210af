"""The search that passes, minutes and gaps share: from the options to the passes and what must be said about them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from .choices import FleetChoice, SiteChoice, SpanChoice
from .output import progress
from .wording import LocalClock, ages, counted, duration, instant, listed

if TYPE_CHECKING:
    import pandas as pd

    from passim import Fleet, Site, Span
    from passim.sky import view as views
    from passim.sky import visibility

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
    """What serves a site in a span, with what a command needs to tell of it.

    ``passes`` are the stretches in which a satellite is allowed by every limit of the view; ``visibility`` holds them
    limit by limit.
    """

    visibility: visibility.Visibility
    passes: pd.DataFrame
    clock: LocalClock
    notes: tuple[str, ...]
    facts: dict[str, Any]

    @property
    def site(self) -> Site:
        """The site."""
        return self.visibility.view.site

    @property
    def span(self) -> Span:
        """The span."""
        return self.visibility.span

    @property
    def only_mask(self) -> bool:
        """Whether nothing but the mask limits where a satellite may stand."""
        return not {"cone", "arc", "gateway"} & set(self.visibility.view.names)

    @property
    def in_reach(self) -> str:
        """What a satellite that may serve is, in words."""
        return "above the mask" if self.only_mask else "within every limit"

    @property
    def service_note(self) -> str:
        """What counts as service."""
        return f"Service is taken to be there while any satellite stands {self.in_reach}."

    @property
    def length(self) -> str:
        """How long the span is, in words."""
        return duration(self.span.duration_s)


def find(fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice) -> Found:
    """Read what the options name and find the passes. Raises InputError."""
    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    view, view_notes = site_choice.view()
    span = span_choice.span()
    fleet, fleet_notes = fleet_choice.fleet(span.start)
    return search(fleet, view, span, (*view_notes, *fleet_notes))


def search(fleet: Fleet, place: Site | views.View, span: Span, notes: tuple[str, ...] = ()) -> Found:
    """Find who of `fleet` serves a view, or a site under its horizon alone, and put what must be said round `notes`.

    Raises InputError.
    """
    from passim import Site
    from passim.elements import health
    from passim.sky import view, visibility

    seen_from = view.View(place) if isinstance(place, Site) else place
    with progress("Finding passes") as report:
        seen = visibility.find_visibility(fleet, seen_from, span, progress=report)
    assert isinstance(seen, visibility.Visibility)  # one view, one answer
    passes, site = seen.passes(), seen_from.site
    clock = LocalClock(site.timezone, span)
    search_report = seen.report
    told = (*search_notes(search_report, span), *seen.notes, *notes, f"Times: {clock.description}.", CAUTION)
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
        "limits": {limit.name: limit.describe() for limit in seen_from.all_limits},
    }
    if "serving" in seen_from.names:
        facts["health"] = health.assess(seen.fleet, span.middle).counts
    return Found(seen, passes, clock, told, facts)


def search_notes(report: Any, span: Span) -> list[str]:
    """Return what a person must know of a search: age of the elements, sets set aside, objects that had to stay out."""
    from passim.orbits import earth_orientation_ends

    oldest, newest = span.middle - report.epoch_oldest, span.middle - report.epoch_newest
    objects = counted(report.objects_searched, "object")
    notes = [f"Elements of {objects}, {ages(newest, oldest)} at the middle of the span."]
    if max(abs(oldest), abs(newest)) > _OLD:
        notes.append(_OLD_NOTE)
    ends = earth_orientation_ends()
    if span.end > ends:
        notes.append(
            f"The Earth's rotation is tabled to {ends:%Y-%m-%d} here and extrapolated past it: times may be off by "
            "some milliseconds; a newer skyfield brings a newer table."
        )
    if report.sets_set_aside:
        aside = counted(report.sets_set_aside, "set")
        notes.append(f"{aside} set aside: the same object has one nearer to the middle of the span.")
    if report.unusable:
        names = [f"{name or 'object'} ({number}): {reason}" for number, name, reason in report.unusable]
        notes.append(f"{counted(len(names), 'object')} cannot be used: {listed(names, between='; ')}.")
    if report.always_up:
        notes.append(f"{counted(len(report.always_up), 'object')} in view throughout: {listed(report.always_up)}.")
    return notes
