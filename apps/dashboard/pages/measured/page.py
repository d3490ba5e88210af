"""Measured: what the line really did beside what was forecast, whose fault it was, and what the line is good for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from dash import Dash

from passim import Journal, Span
from passim.errors import InputError, PassimError
from passim.line import OWN_PROBE, HorizonEvidence, statistics as line_statistics
from passim.parallel import Job
from passim.spans import day_start
from passim.workspace import INVENTED_RECORD

from ....figures.directions import record_sky
from ....figures.measured import by_where, record_clock, record_day
from ....figures.theme import Theme
from ....text.directions import COLUMNS as DIRECTION_COLUMNS, caption as directions_caption
from ....text.journal import (
    CAUTION_OF_RECORD,
    NOTHING_MEASURED,
    WHERE_COLUMNS,
    day_columns,
    frozen_sentence,
    holes_sentence,
    still_sentence,
    where_sentence,
)
from ....text.line import PLACES, outage_columns
from ....text.measured import (
    COMPARING,
    JUST_BEGUN,
    NOTHING_TO_COMPARE,
    NOTHING_YET,
    advice_sentence,
    bar_words,
    clock_caption,
    day_caption,
    elsewhere_sentences,
    how_to_begin,
    lead_sentence,
    no_record_words,
    record_figures,
    too_few_sentence,
    unmatched_words,
    untold_words,
    uses_caption,
    while_recording,
)
from ....text.notes import Note, background
from ....text.reconcile import SCORE_COLUMNS, comparison_sentences
from ....text.suitability import COLUMNS as USES_COLUMNS, availability_sentence, suitability_notes
from ....text.units import capital
from ....text.ways_out import in_page_words
from ....text.workspace import no_record_of_it
from ...controls import day_words
from ...notes import blank, common_notes
from ...page_model import Answer, Control, Help, Page, Panel, PanelContent, Table
from ...state import DashboardState, PageRequest, Pending
from ...tasks import measured as work
from . import adding, fitting, recording, removing

_DAYS: Final = ("7", "14", "31")
_MOST_DAYS: Final = 92
# A record that ends within this of now is being written: it is asked for by the minute, and compared by the hour.
_LIVE: Final = timedelta(minutes=2)

_SOURCE: Final = "The journal of the workspace: what was recorded from this machine, or a record that was added."
DAYS = Panel(
    "days",
    "Record and forecast, by date and time of day",
    Help(
        "One row a day, local time from left to right. In the upper part each mark is a freeze that was recorded, at "
        "the end of the row how long the day was frozen; crossed where your own router did not answer. Below it stand "
        "the gaps that had been forecast. Where nothing was measured the paper is blank.",
        "Three probes lost in a row are a freeze, from the send of the first to that of the next one answered. The "
        "forecast of each day is what passim would have said from the elements at hand when it began.",
        f"{_SOURCE} The forecast: elements, site, spot and limits of the workspace.",
    ),
)
DAY = Panel(
    "day",
    "One day, minute by minute",
    Help(
        "Upwards, how many seconds of each minute were frozen; downwards, how many had been forecast to be. What "
        "stands above and below at once came as forecast.",
        "As in the picture of days. The table lists the freezes of the day; its file holds all.",
        _SOURCE,
    ),
    quiet=True,
)
WHERE = Panel(
    "where",
    "House, line or far end",
    Help(
        "How long each part of the way was out. In the house: your own router did not answer either. In the line: "
        "nothing beyond it did. At the far end: one host was silent while another answered.",
        "When all hosts asked are silent at once, your own router tells: if it answers, the freeze is of the line.",
        _SOURCE,
    ),
    quiet=True,
)
USES = Panel(
    "uses",
    "What the line is good for",
    Help(
        "For each activity, how sessions of it would have gone: undisturbed, with how many pauses, ended.",
        "A session is tried at every minute that was measured through. Good: at most one in twenty ends, and fewer "
        "than half a pause on average. Thresholds and their sources stand in the notes.",
        _SOURCE,
    ),
    picture=False,
    quiet=True,
)
MATCH = Panel(
    "match",
    "Forecast against record",
    Help(
        "How many of the gaps forecast came and how many freezes had been forecast, beside what luck would have hit, "
        "what yesterday would have said, and what the hours of the other days would have.",
        "Starts are matched one to one. By luck: the same forecast shifted by 2 to 45 minutes either way, 499 times.",
        f"{_SOURCE} The forecast: elements, site, spot and limits of the workspace.",
    ),
    picture=False,
    quiet=True,
)

DIRECTIONS = Panel(
    "directions",
    "What stands in the way, by the record",
    Help(
        "The sky unrolled: north, east, south, west and north again, elevation upwards. Hatched is what the record "
        "shows to be surely blocked, shaded what is surely clear, blank what it does not tell yet; the line is the "
        "roof line, where the record settles it.",
        "While the line held, one of the satellites in view served; while it was frozen, none did. Each direction is "
        "decided by two separate passes or more. Gateways and other limits count as they are set up. passim survey "
        "record makes a horizon file of it.",
        f"{_SOURCE} The satellites: elements, site and limits of the workspace.",
    ),
    quiet=True,
)


@dataclass(frozen=True)
class _Asked:
    """Which record is asked about: whose, its span, that of the forecast beside it, and the local days it meets."""

    source: str
    span: Span
    live: bool
    days: tuple[date, ...]

    @property
    def compared(self) -> Span:
        """What of it is set beside a forecast."""
        if not self.live or self.span.duration_s < 7200.0:
            return self.span
        return Span(self.span.start, self.span.end.replace(minute=0, second=0, microsecond=0))


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say what the line did."""
    if question.state.invented and not question.workspace.journal_file.exists():
        # The demonstration brings a record, which takes longer than its first page should wait.
        key = ("invented record", str(question.workspace.folder))
        question.state.work_out(key, work.invent, question.workspace.folder, question.now)
    asked, invented = asked_of(question), question.workspace.stands_in(question.choices.fleet)
    beside = no_record_of_it(on_pages=True) if invented else ""
    if asked is None:
        begun = question.state.recorder.running
        sentence, second = (
            (JUST_BEGUN, while_recording(judged=not invented)) if begun else (NOTHING_YET, _how_to_begin(question))
        )
        empty = PanelContent(blank(theme), no_record_words(invented=invented))
        return Answer(sentence, {DAYS.name: empty}, common_notes(question, question.days(1)), second, beside=beside)
    found, still = _measured(question, asked)
    if found is None:
        empty = PanelContent(blank(theme), NOTHING_MEASURED)
        return Answer(NOTHING_MEASURED, {DAYS.name: empty}, common_notes(question, asked.span), _how_to_begin(question))
    matched: work.RecordMatch | None = None
    sky: HorizonEvidence | work.Unmatched | None = None
    quiet = still_sentence(found.statistics, on_pages=True)
    second = f"{quiet} {COMPARING}".lstrip()
    try:
        answered = None if invented else _matched(question, asked, found)
    except Pending as working:
        still = working.job
    else:
        if answered is None:
            second = quiet or where_sentence(found.statistics)
        elif isinstance(answered, work.RecordMatch):
            matched = answered
            headline = comparison_sentences(matched.comparison, on_pages=True)[0]
            # What no freeze means is said in the place of how many it takes.
            told = (quiet, headline) if quiet else (headline, too_few_sentence(matched.comparison))
            second = " ".join(filter(None, told))
            try:
                sky = _directions(question, asked, matched)
            except Pending as working:
                still = still or working.job
        else:
            second = f"{quiet} {unmatched_words(in_page_words(answered.error))}".lstrip()
    # What matters most stands first: whether it came as forecast, once that is known.
    froze = frozen_sentence(found.statistics, question.clock(asked.span))
    lead = "" if matched is None else lead_sentence(matched.comparison)
    sentence, counts = (lead, froze) if lead and matched else (froze, "")
    if lead and matched:
        second = advice_sentence(matched.comparison, matched.verdict, question.view.floor_deg)
    own = None if matched is None else matched.comparison
    if matched and (line := other_line(question)) is not None:
        own = None
        sentence, second = elsewhere_sentences(matched.comparison, line, question.view.title)
        counts = froze
    panels = _panels(question, theme, asked, found, matched, sky, counts)
    if invented:
        panels[MATCH.name] = PanelContent(None, NOTHING_TO_COMPARE)
        panels[DIRECTIONS.name] = PanelContent(blank(theme), NOTHING_TO_COMPARE)
    return Answer(
        sentence,
        panels,
        (
            *(Note(words) for words in [holes_sentence(found.record, question.clock(asked.span))] if words),
            Note(availability_sentence(found.available)),
            *suitability_notes(found.uses),
            Note(CAUTION_OF_RECORD, "caution"),
            background(f"Record: {found.record.source}."),
            *common_notes(question, asked.span),
        ),
        second,
        still,
        figures=record_figures(found.statistics, own),
        beside=beside,
    )


def _how_to_begin(question: PageRequest) -> str:
    named = bool(question.workspace.line.targets)
    return how_to_begin(
        named=named,
        rehearsal=question.state.rehearsal,
        offered=not named and bool(recording.offered_here()),
        judged=not question.workspace.stands_in(question.choices.fleet),
    )


def other_line(question: PageRequest) -> str | None:
    """Return the place whose line the record is taken to be of, where another one is asked about; else None."""
    workspace = question.workspace
    here = question.view.site.latitude_deg, question.view.site.longitude_deg, question.view.title
    line = workspace.view()
    return None if here == (line.site.latitude_deg, line.site.longitude_deg, line.title) else line.title


def _panels(
    question: PageRequest,
    theme: Theme,
    asked: _Asked,
    found: work.Measured,
    matched: work.RecordMatch | None,
    sky: HorizonEvidence | work.Unmatched | None,
    counts: str,
) -> dict[str, PanelContent]:
    statistics, record = found.statistics, found.record
    clock = question.clock(asked.span)
    hours = question.workspace.call_hours(question.site_name)
    forecast = None if matched is None else matched.gaps
    day = _day(question, asked)
    of_day = Span(day_start(day, clock.name), day_start(day + timedelta(days=1), clock.name))
    day_clock = question.clock(of_day)
    began = record.outages["start"]
    freezes = record.outages[(began >= of_day.start) & (began < of_day.end)].reset_index(drop=True)
    measured_start, measured_end = line_statistics.measured_us(record)
    begins = None if forecast is None else forecast.start
    forecast_count = None if begins is None else sum(
        int(((begins >= max(low, of_day.start_us)) & (begins < min(high, of_day.end_us))).sum())
        for low, high in zip(measured_start.tolist(), measured_end.tolist(), strict=True)
    )  # fmt: skip
    where, compared = statistics.by_where, None if matched is None else matched.comparison
    key = ("measured", asked, question.minute, theme, question.view, matched is None)
    panels = {
        DAYS.name: PanelContent(
            question.drawn(
                (*key, "days", hours),
                lambda: record_clock(statistics.coverage, found.house, forecast, clock, question.minute, theme, hours),
            ),
            f"{counts} {clock_caption(statistics, compared, question.now)}".lstrip(),
            Table(statistics.by_day.drop(columns="date"), day_columns(clock), shown=statistics.by_day, of_site=False),
        ),
        DAY.name: PanelContent(
            question.drawn(
                (*key, "day", day),
                lambda: record_day(
                    statistics.coverage, found.house, forecast, of_day, day_clock, question.minute, theme
                ),
            ),
            day_caption(statistics, day, Counter(freezes["where"].tolist()), forecast_count),
            Table(freezes, outage_columns(day_clock)[1:], day_clock, "No freeze on this day.", of_site=False),
        ),
        WHERE.name: PanelContent(
            by_where(
                [capital(PLACES[name]) for name in where["where"]],
                where["out_s"].tolist(),
                [bar_words(*pair) for pair in zip(where["outages"].tolist(), where["out_s"].tolist(), strict=True)],
                theme,
            ),
            where_sentence(statistics) or "No freeze.",
            Table(where, WHERE_COLUMNS, of_site=False),
        ),
        USES.name: PanelContent(
            None,
            uses_caption(found.uses),
            Table(found.uses.table, USES_COLUMNS, of_site=False),
        ),
    }
    if matched is not None:
        panels[MATCH.name] = PanelContent(
            None,
            " ".join(comparison_sentences(matched.comparison, on_pages=True)),
            Table(matched.comparison.scores, SCORE_COLUMNS, of_site=False),
        )
    if isinstance(sky, work.Unmatched):
        panels[DIRECTIONS.name] = PanelContent(blank(theme), untold_words(in_page_words(sky.error)))
    elif sky is not None:
        panels[DIRECTIONS.name] = PanelContent(
            question.drawn(
                (*key, "directions", matched is None or matched.comparison.clock_offset_s),
                lambda: record_sky(sky, theme),
            ),
            directions_caption(sky),
            Table(sky.sectors, DIRECTION_COLUMNS, of_site=False),
        )
    return panels


def _measured(question: PageRequest, asked: _Asked) -> tuple[work.Measured | None, Job | None]:
    """Return what the record says, and the work on it while what was said a minute ago stands; None for no time.

    Raises Pending where nothing was said before, JournalError.
    """
    folder, zone = question.workspace.journal_file, question.site.timezone

    def key_of(span: Span) -> Hashable:
        return ("record", str(folder), asked.source, span, zone, None if asked.live else _stamp(question, asked))

    try:
        return question.state.work_out(
            key_of(asked.span), work.measure, folder, asked.source, asked.span, zone
        ), None  # fmt: skip
    except Pending as working:
        end, found = asked.span.end - timedelta(minutes=1), None
        if asked.live and end > asked.span.start:
            found = question.state.retained(key_of(Span(asked.span.start, end)))
        if found is None:
            raise
        return found, working.job


def _matched(question: PageRequest, asked: _Asked, found: work.Measured) -> work.RecordMatch | work.Unmatched:
    """Return the forecast of the record's days beside it. Raises Pending."""
    workspace, model, zone = question.workspace, question.fleet_timing.model, question.site.timezone
    fleet_name = workspace.fleet_settings(question.choices.fleet).name
    span = asked.compared
    stamp = None if asked.live else _stamp(question, asked)
    key = ("matched", str(workspace.folder), asked.source, span, question.view, question.fleet_key, model, zone, stamp)
    return question.state.work_out(
        key, work.match, workspace.folder, fleet_name, question.view, asked.source, span, model, zone
    )


def _directions(question: PageRequest, asked: _Asked, matched: work.RecordMatch) -> HorizonEvidence | work.Unmatched:
    """Return what the record says of each direction. Raises Pending."""
    workspace, offset_s = question.workspace, matched.comparison.clock_offset_s
    fleet_name, span = workspace.fleet_settings(question.choices.fleet).name, asked.compared
    stamp = None if asked.live else _stamp(question, asked)
    key = ("directions", str(workspace.folder), asked.source, span, question.view, question.fleet_key, offset_s, stamp)
    return question.state.work_out(
        key, work.directions, workspace.folder, fleet_name, question.view, asked.source, span, offset_s
    )


def _stamp(question: PageRequest, asked: _Asked) -> Hashable:
    """Return what changes when somebody adds a record, takes one away or puts another in its place.

    Beside a probe that writes, what was added last may not have reached the file itself.
    """
    try:
        found = question.workspace.journal_file.stat()
    except OSError:
        return None
    with Journal(question.workspace.journal_file) as journal:
        return (found.st_mtime_ns, found.st_size, journal.added(asked.source))


def _sources(question: PageRequest) -> dict[str, tuple[datetime, datetime]]:
    """Return the records of the journal that hold something by now, with their ends: passim's own first, invented last.

    What is being written counts up to the last whole minute. Raises JournalError.
    """
    if not question.workspace.journal_file.exists():
        return {}
    with Journal(question.workspace.journal_file) as journal:
        names = sorted(journal.sources, key=lambda name: (name != OWN_PROBE, name == INVENTED_RECORD))
        bounds = {name: journal.bounds(name) for name in names}
    found = {}
    for name, ends in bounds.items():
        if ends is None:
            continue
        first, last = ends[0], min(ends[1], question.now)
        if _is_live(name, last, question.now):
            # Whole minutes alone, so that all who ask within one are told the same.
            last = last.replace(second=0, microsecond=0)
        if first < last:
            found[name] = (first, last)
    return found


def _is_live(source: str, last: datetime, now: datetime) -> bool:
    """Return whether a record that ends at `last` is being written now."""
    return source == OWN_PROBE and now - last < _LIVE


def asked_of(question: PageRequest) -> _Asked | None:
    """Return which record is chosen and over which days; None where there is none. Raises InputError."""
    sources = _sources(question)
    if not sources:
        return None
    source = question.choices.other("record", next(iter(sources)))
    if source not in sources:
        raise InputError("record", got=source, wanted=f"one of {', '.join(sources)}", try_next=next(iter(sources)))
    first, last = sources[source]
    live = _is_live(source, last, question.now)
    where = ZoneInfo(question.site.timezone)
    last_day = (last - timedelta(microseconds=1)).astimezone(where).date()
    first = max(first, day_start(last_day - timedelta(days=_days(question)), question.site.timezone))
    first_day = first.astimezone(where).date()
    days = tuple(last_day - timedelta(days=k) for k in range((last_day - first_day).days + 1))
    return _Asked(source, Span(first, last), live, days)


def _days(question: PageRequest) -> int:
    text = question.choices.other("days", _DAYS[0])
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= _MOST_DAYS):
        raise InputError("number of days", got=text, wanted=f"a whole number from 1 to {_MOST_DAYS}", try_next=_DAYS[0])
    return int(text)


def _day(question: PageRequest, asked: _Asked) -> date:
    """Return the day of the picture of one; the last of the record unless chosen."""
    text = question.choices.other("of", "")
    if not text:
        return asked.days[0]
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError("day", got=text, wanted="a date", try_next=asked.days[0].isoformat()) from None


def _record_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    try:
        names = list(_sources(question))
    except PassimError:  # told in the place of the answer
        names = []
    words = {OWN_PROBE: "passim's own probe"}
    return [(name, words.get(name, name)) for name in names] or [("", "none yet")]


def _day_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    try:
        asked = asked_of(question)
    except PassimError:  # told in the place of the answer
        asked = None
    if asked is None:
        return [("", "none yet")]
    return [("" if not k else day.isoformat(), day_words(day, question.today)) for k, day in enumerate(asked.days)]


def _register(app: Dash, state: DashboardState) -> None:
    recording.register(app, state)
    adding.register(app, state)
    removing.register(app, state)
    fitting.register(app, state)


PAGE: Final = Page(
    path="/measured",
    name="Measured",
    asks="Is the forecast right for my line?",
    panels=(DAYS, MATCH, WHERE, USES, DIRECTIONS, DAY),
    answer=answer,
    controls=(
        Control("record", "Record", _record_options),
        Control("days", "Days in the picture", lambda _: [(text, f"the last {text} days") for text in _DAYS]),
        Control("of", "Day minute by minute", _day_options),
    ),
    uses=("place", "mask", "fleet"),
    tick_s=30.0,
    extra=recording.section,
    below=lambda question: [*adding.section(question), *removing.section(question), *fitting.section(question)],
    register=_register,
    looks_back=True,
)
