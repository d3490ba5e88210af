"""What was found at a site, and what every answer says of the search: the age of the elements, the zone, the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .notes import Note, Weight, background
from .service import assumed_words, sky_alone_note
from .timing import good_for
from .units import TOTALS_ONLY, LocalClock, age, ages, counted, duration, listed

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from passim import Coverage, SearchReport, Site, Span
    from passim.coverage import visibility
    from passim.elements import health
    from passim.forecast import Band, Freshness, TimingModel
    from passim.intervals import Intervals
    from passim.spans import DailyHours

PLANNING_HELP = "Planning help from orbital elements and a simplified terminal, not a promise of service"
CAUTION = Note(f"{PLANNING_HELP}; not for emergency calls, navigation or safety of life.", "caution")
# What lists of predicted times are worth in each band of `passim.forecast.timing`, which holds the sources.
_WORTH = {
    "odds beside times": "single times may be a second or more off, and short gaps may come and go",
    "odds only": "single passes and gaps are seconds off, so trust only shares and counts; calls and now give the odds",
    "statistics only": "single passes and gaps are no longer predictable, but shares and counts still hold",
}
# The same where a timing model gives much smaller errors than usual at that age.
_WORTH_IF_SMALL = {
    "odds beside times": "a satellite that has manoeuvred since may be off, and short gaps may come and go",
    "odds only": "some satellites may have manoeuvred since, so trust shares and counts; calls and now tell the odds",
}

# What a stranger may not know by the word of `passim.elements.health`.
_STATUS_WORDS = {"at shell": "on station"}


@dataclass(frozen=True)
class QueryResult:
    """What serves a site in a span, with what a command needs to tell of it.

    ``passes`` are the stretches in which a satellite is allowed by every limit of the view; ``visibility`` holds them
    limit by limit. ``model`` says how good times are by the age of the elements.
    """

    visibility: visibility.Visibility
    passes: pd.DataFrame
    clock: LocalClock
    notes: tuple[Note, ...]
    facts: dict[str, Any]
    model: TimingModel
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
        return not self.visibility.view.varying_limits

    @property
    def in_reach(self) -> str:
        """What a satellite that may serve is, in words."""
        return "above the mask" if self.only_mask else "within every limit"

    @property
    def service_notes(self) -> tuple[Note, ...]:
        """What counts as service, background unless handovers take something from it; and where no gateway counts."""
        view = self.visibility.view
        weight: Weight = "reading" if view.service.loses_time else "background"
        return (*sky_alone_note(view), Note(assumed_words(view, self.in_reach), weight))

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
        return headed(sentence, searched(self.visibility.report, self.span, self.model))


@dataclass(frozen=True)
class Searched:
    """What was searched when, with how old the elements are at the middle of the span by their median epoch.

    ``away_s`` is that age, below 0 where they are newer than the span; ``fresh`` what they are good for.
    """

    report: SearchReport
    span: Span
    away_s: float
    fresh: Freshness

    @property
    def band(self) -> Band:
        """What the elements are good for."""
        return self.fresh.band


def searched(report: SearchReport, span: Span, model: TimingModel) -> Searched:
    """Return how old the elements of a search are, and what they are good for by a timing model."""
    from passim.forecast import freshness_of

    away_s = (span.middle - report.epoch_median).total_seconds()
    ends_s = [abs((span.middle - epoch).total_seconds()) for epoch in (report.epoch_oldest, report.epoch_newest)]
    return Searched(report, span, away_s, freshness_of(abs(away_s), max(ends_s), model))


def headed(sentence: str, found: Searched) -> str:
    """Return an answer's sentence, after a line of warning where no single time can be told any more."""
    if found.band.lists_times:
        return sentence
    side = "old" if found.away_s >= 0.0 else "newer than the span"
    return f"{stale_line(found.away_s, side)}\n{sentence}"


def stale_line(age_s: float, side: str = "old") -> str:
    """Return the line that warns of elements too old for single times."""
    from passim.forecast import timing

    return f"Elements {timing.age_words(age_s)} {side}: {TOTALS_ONLY}."


def status_words(status: str) -> str:
    """Return a status of `passim.elements.health` in the words of people; files have the status itself."""
    return _STATUS_WORDS.get(status, status)


def health_sentence(summary: health.HealthSummary) -> str:
    """Say in plain words who serves: every count that is not nil, and the shells they were judged by."""
    counts = dict(summary.counts)
    total = f"{counted(counts.pop('catalogued'), 'object')} catalogued"
    words = ", ".join(f"{count:,} {status_words(status)}" for status, count in counts.items() if count)
    to = summary.ages_count_to
    ages = "" if to is None else f"; the time asked about is far from the elements, so ages count to {to:%Y-%m-%d}"
    spares, twice = summary.sharing_a_slot, summary.listed_twice
    but = f", but for {spares:,}, which share{'s' if spares == 1 else ''} a slot with another" if spares else ""
    if twice:
        but += f"{', and for' if spares else ', but for'} {twice:,} listed twice"
    if not summary.shells:
        if not summary.serving:
            return f"{total}: {words}; none is taken to serve{ages}."
        who = "every other object" if counts["decayed"] else "every object"
        return f"{total}: {words}; no shell stands out, so {who} is taken to serve{but}{ages}."
    where = " and ".join(f"{s.altitude_km:,.0f} km, {s.inclination_deg:.1f}°" for s in summary.shells)
    shell = "shell at" if len(summary.shells) == 1 else "shells at"
    return f"{total}: {words}; those on station in the {shell} {where} are taken to serve{but}{ages}."


def serving_notes(summaries: Iterable[health.HealthSummary]) -> tuple[Note, ...]:
    """Return which satellites are taken to serve: worth a line only where somebody is left out."""
    return tuple(
        Note(
            health_sentence(each),
            "background" if each.shells and each.serving == dict(each.counts)["catalogued"] else "reading",
        )
        for each in summaries
    )


def times_note(clock: LocalClock) -> Note:
    """Return in which zone times are told: background, because columns carry the offset, unless the clocks change."""
    return Note(f"Times: {clock.description}.", "reading" if clock.changes else "background")


def search_notes(found: Searched, *, tell_age: bool = True) -> list[Note]:
    """Return what to know of a search: age of the elements, sets set aside, objects that had to stay out."""
    from passim.orbits import earth_orientation_ends

    report, span = found.report, found.span
    notes: list[Note] = []
    if tell_age:
        oldest, newest = span.middle - report.epoch_oldest, span.middle - report.epoch_newest
        objects, band = counted(report.objects_searched, "object"), found.band
        words = (_WORTH_IF_SMALL if band.small else _WORTH).get(band.name) or good_for(band)
        typical = span.middle - report.epoch_median
        # The band is that of the median, which a few stale sets leave far behind the oldest.
        most = "" if age(typical) == age(oldest) else f", most {age(typical)}"
        sentence = f"Elements of {objects}, {ages(newest, oldest)} at the middle of the span{most}: {words}"
        notes.append(Note(f"{sentence}."))
    ends = earth_orientation_ends()
    if span.end > ends:
        words = (
            f"The Earth's rotation is tabulated to {ends:%Y-%m-%d} here and extrapolated after that: times may be off "
            "by some milliseconds; a newer skyfield brings a newer table."
        )
        notes.append(background(words))
    if report.sets_set_aside:
        aside = counted(report.sets_set_aside, "set")
        notes.append(background(f"{aside} left out: the same object has one nearer the middle of the span."))
    if report.unusable:
        names = [f"{name or 'object'} ({number}): {reason}" for number, name, reason in report.unusable]
        notes.append(Note(f"{counted(len(names), 'object')} cannot be used: {listed(names, between='; ')}."))
    if report.always_up:
        always = f"{counted(len(report.always_up), 'object')} in view throughout: {listed(report.always_up)}."
        notes.append(background(always))
    return notes
