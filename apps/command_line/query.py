"""The search that passes, minutes and gaps share: from the options to the passes and what must be said about them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from ..text.notes import Note, background, weighed
from ..text.service import assumed_words
from ..text.units import TOTALS_ONLY, LocalClock, age, ages, counted, duration, instant, listed
from .output import progress
from .parsing import FleetChoice, SiteChoice, SpanChoice

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    import pandas as pd

    from passim import Coverage, Fleet, SearchReport, Site, Span
    from passim.coverage import visibility
    from passim.elements import health
    from passim.forecast import Band
    from passim.intervals import Intervals
    from passim.sky import view as views
    from passim.spans import DailyHours

CAUTION = Note(
    "Planning help from orbital elements and a simplified terminal, not a promise of service; not for emergency calls, "
    "navigation or safety of life.",
    "caution",
)
# What lists of predicted times are worth in each band of `passim.forecast.timing`, which holds the sources.
_WORTH = {
    "odds beside times": "single times may be a second or more off, and short gaps may come and go",
    "odds only": "single passes and gaps are seconds off, so trust the shares and counts; calls and now tell the odds",
    "statistics only": "single passes and gaps cannot be told any more, while shares and counts still can",
}


@dataclass(frozen=True)
class QueryResult:
    """What serves a site in a span, with what a command needs to tell of it.

    ``passes`` are the stretches in which a satellite is allowed by every limit of the view; ``visibility`` holds them
    limit by limit.
    """

    visibility: visibility.Visibility
    passes: pd.DataFrame
    clock: LocalClock
    notes: tuple[Note, ...]
    facts: dict[str, Any]
    hours: DailyHours | None = None

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
    def service_note(self) -> Note:
        """What counts as service; background unless handovers take something from it."""
        view = self.visibility.view
        return Note(assumed_words(view, self.in_reach), "reading" if view.service.loses_time else "background")

    @property
    def within(self) -> Intervals | None:
        """The parts of the span in the hours asked about, microseconds since 1970 UTC; None where all of it counts."""
        from passim.intervals import Intervals

        return None if self.hours is None else Intervals(*self.hours.within(self.span, self.site.timezone))

    @property
    def coverage(self) -> Coverage:
        """How many satellites are in view, in the hours asked about. Raises SpanError where the span meets none."""

        whole = self.visibility.coverage()
        return whole if self.within is None else whole.within(self.within)

    @property
    def length(self) -> str:
        """How long the span is, in words, or the hours asked about."""
        if self.hours is None:
            return duration(self.span.duration_s)
        return f"{duration(self.coverage.counted_us / 1e6)} ({self.hours.clock_words})"

    def headed(self, sentence: str) -> str:
        """Return an answer's sentence, with a warning in the line before it where the elements are old."""
        return headed(sentence, self.visibility.report, self.span)


def find(
    fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice, hours: DailyHours | None = None
) -> QueryResult:
    """Read what the options name and find the passes; where given, only `hours` of the day count. Raises InputError."""
    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    view, view_notes = site_choice.view()
    span = span_choice.span()
    fleet, fleet_notes = fleet_choice.fleet(span.start)
    check_age(fleet, span.middle, allow_stale=fleet_choice.allow_stale)
    found = search(fleet, view, span, (*view_notes, *fleet_notes))
    if hours is None:
        return found
    facts = {**found.facts, "hours_of_day": hours.clock_words, "hours_s": 0.0}
    found = replace(found, hours=hours, facts=facts)
    facts["hours_s"] = found.coverage.counted_us / 1e6
    return found


def search(
    fleet: Fleet, place: Site | views.View, span: Span, notes: tuple[Note, ...] = (), *, tell_age: bool = True
) -> QueryResult:
    """Find who of `fleet` serves a view, or a site under its horizon alone, and put what must be said round `notes`.

    Without `tell_age` the answer says itself how old the elements are. Raises InputError.
    """
    from passim import Site
    from passim.coverage import visibility
    from passim.elements import health
    from passim.sky import view

    seen_from = view.View(place) if isinstance(place, Site) else place
    with progress("Finding passes") as advance:
        seen = visibility.find_visibility(fleet, seen_from, span, progress=advance, warn=False)
    assert isinstance(seen, visibility.Visibility)  # one view, one answer
    passes, site = seen.passes(), seen_from.site
    clock = LocalClock(site.timezone, span)
    search_report = seen.report
    condition = health.assess(seen.fleet, span.middle) if "serving" in seen_from.names else None
    messages = (
        *search_notes(search_report, span, tell_age=tell_age),
        *fleet_notes(seen.notes, condition),
        *notes,
        times_note(clock),
        CAUTION,
    )
    facts = {
        "site": site_facts(site),
        "span": {"start": instant(span.start), "end": instant(span.end)},
        "elements": {
            "objects": search_report.objects_searched,
            "epoch_oldest": instant(search_report.epoch_oldest),
            "epoch_newest": instant(search_report.epoch_newest),
            "band": band_at(search_report, span).name,
        },
        "limits": seen_from.descriptions,
    }
    if condition is not None:
        facts["health"] = condition.counts
    return QueryResult(seen, passes, clock, messages, facts)


def site_facts(site: Site) -> dict[str, Any]:
    """Return what JSON holds of the one site of an answer; CSV names it in each row."""
    return {
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "height_m": site.height_m,
        "timezone": site.timezone,
    }


def check_age(
    fleet: Fleet, when: datetime, *, allow_stale: bool, at: str = "the middle of the span", instead: str = ""
) -> None:
    """Refuse elements over 14 days away from `when`, the moment that `at` names, unless `allow_stale`.

    `instead` is what to try beside newer elements. Raises ElementsError, EmptyFleetError.
    """
    from passim.errors import ElementsError, WayOut
    from passim.forecast import timing

    fresh = timing.band_for(fleet, when, allow_stale=True)
    if allow_stale or fresh.median_s <= timing.OLDEST_S:
        return
    all_before = max(record.epoch for record in fleet.records) <= when
    raise ElementsError(
        f"elements are {timing.age_words(fresh.median_s)} {'old at' if all_before else 'away from'} {at} "
        f"({when:%Y-%m-%d %H:%M} UTC)",
        wanted=f"at most {timing.age_words(timing.OLDEST_S)}",
        try_next=f"newer elements, {instead or 'another time'}",
        way_out=WayOut.ALLOW_STALE,
    )


def band_at(report: SearchReport, span: Span) -> Band:
    """Return what the elements of a search are good for at the middle of its span, by their median age."""
    from passim.forecast import timing

    return timing.band_of((span.middle - report.epoch_median).total_seconds())


def headed(sentence: str, report: SearchReport, span: Span) -> str:
    """Return an answer's sentence, after a line of warning where no single time can be told any more."""
    from passim.forecast import timing

    if band_at(report, span).shows_odds:
        return sentence
    away = span.middle - report.epoch_median
    side = "old" if away >= timedelta(0) else "newer than the span"
    return f"Elements {timing.age_words(away.total_seconds())} {side}: {TOTALS_ONLY}.\n{sentence}"


def fleet_notes(texts: Sequence[str], condition: health.Health | None) -> tuple[Note, ...]:
    """Return which satellites are taken to serve: worth a line only where somebody is left out."""
    all_serve = condition is not None and condition.clear and bool(condition.serving.all())
    return weighed(texts, "background" if all_serve else "reading")


def times_note(clock: LocalClock) -> Note:
    """Return in which zone times are told: background, because columns carry the offset, unless the clocks change."""
    return Note(f"Times: {clock.description}.", "reading" if clock.changes else "background")


def search_notes(report: SearchReport, span: Span, *, tell_age: bool = True) -> list[Note]:
    """Return what to know of a search: age of the elements, sets set aside, objects that had to stay out."""
    from passim.orbits import earth_orientation_ends

    notes: list[Note] = []
    if tell_age:
        oldest, newest = span.middle - report.epoch_oldest, span.middle - report.epoch_newest
        objects, band = counted(report.objects_searched, "object"), band_at(report, span)
        words = _WORTH.get(band.name, band.words)
        typical = span.middle - report.epoch_median
        # The band is that of the median, which a few stale sets leave far behind the oldest.
        most = "" if age(typical) == age(oldest) else f", most {age(typical)}"
        sentence = f"Elements of {objects}, {ages(newest, oldest)} at the middle of the span{most}: {words}"
        notes.append(Note(f"{sentence} (band: {band.name})."))
    ends = earth_orientation_ends()
    if span.end > ends:
        words = (
            f"The Earth's rotation is tabled to {ends:%Y-%m-%d} here and extrapolated past it: times may be off by "
            "some milliseconds; a newer skyfield brings a newer table."
        )
        notes.append(background(words))
    if report.sets_set_aside:
        aside = counted(report.sets_set_aside, "set")
        notes.append(background(f"{aside} set aside: the same object has one nearer to the middle of the span."))
    if report.unusable:
        names = [f"{name or 'object'} ({number}): {reason}" for number, name, reason in report.unusable]
        notes.append(Note(f"{counted(len(names), 'object')} cannot be used: {listed(names, between='; ')}."))
    if report.always_up:
        always = f"{counted(len(report.always_up), 'object')} in view throughout: {listed(report.always_up)}."
        notes.append(background(always))
    return notes
