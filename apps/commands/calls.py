"""``passim calls``: when to call, how the calls of a calendar go, and the chosen times as a calendar file."""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..command_line.call_options import kind_option, minutes_option
from ..command_line.options import (
    FleetChoice,
    OutputChoice,
    SiteChoice,
    SpanChoice,
    days_span_options,
    fleet_options,
    output_options,
    site_options,
)
from ..command_line.usage import NUMBER, WHOLE
from ..text.calendar import calendar_notes, left_out_of_calendar
from ..text.calls import kind_sentence
from ..text.limits import descriptions
from ..text.notes import Note, background, led, weighed

if TYPE_CHECKING:
    from passim import Fleet, Span, TimingModel
    from passim.answers.calls import (
        calendar_in as calendar,
        changes as call_changes,
        check as call_check,
        kinds as call_kinds,
    )

    from ..command_line.call_options import Forecast
    from ..text.answer import Answer

DEFAULT_DAYS = 3.0
# Calls of a calendar farther away than this, either way, are not even named.
_CHECK_AROUND = timedelta(days=40)


_MORE = """\
Starts that are equally good are spread over the days. The gain over a random start stands beside them, and whether
nearly any start will do. Where none is good, the answer names the longest call that would do and the limit that costs
most; a calendar then gets no event. In a workspace, asking again with newer elements also says what has changed, for
every site with --all-sites.

Calls that --check leaves out are named with the reason: elements too old by then, another site by their LOCATION, over
already, or a repetition rule that cannot be followed. Calls more than 40 days away, either way, are not named. --hours
or --to may set the end instead of --days.
"""


@click.command("calls", short_help="When to call, and how calls set by others will go.", epilog=_MORE)
@fleet_options
@site_options
@days_span_options
@minutes_option
@kind_option
@click.option(
    "--days",
    type=NUMBER,
    metavar="N",
    help=f"Days to look ahead. Default: {DEFAULT_DAYS:g}; with --check, as far as the elements allow.",
)
@click.option(
    "--between", metavar="HH:MM-HH:MM", help="Local hours for calls. Default: the workspace's call hours, else all day."
)
@click.option(
    "--weekdays", metavar="DAYS", help="Days for calls: mon-fri, or mon,wed,sat. Default: the workspace's, else all."
)
@click.option(
    "--busy",
    "busy_files",
    multiple=True,
    metavar="FILE.ics",
    help="A calendar of times when you are busy. Repeat for more.",
)
@click.option(
    "--check", "check_file", metavar="FILE.ics", help="Check the calls of this calendar instead of suggesting starts."
)
@click.option(
    "--ics",
    "ics_file",
    metavar="OUT.ics",
    help="Write the suggested calls as a calendar, or update it. With --all-sites a folder, or a name such as "
    "calls-{site}.ics.",
)
@click.option(
    "--all-sites", is_flag=True, help="Every site of the workspace in one table, each in its own call hours and zone."
)
@click.option("--top", type=WHOLE, default=5, show_default=True, metavar="N", help="How many starts to suggest.")
@click.option("--seed", type=WHOLE, default=1, show_default=True, metavar="N", help="Seed of the simulated futures.")
@output_options
def calls(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    minutes: int,
    kind_name: str | None,
    days: float | None,
    between: str | None,
    weekdays: str | None,
    busy_files: tuple[str, ...],
    check_file: str | None,
    ics_file: str | None,
    all_sites: bool,
    top: int,
    seed: int,
    output_choice: OutputChoice,
) -> None:
    """Suggest when to call, or say how the calls of a calendar will go.

    Every minute of the hours for calls is ranked by how likely a call then is to drop (at most 5 %), to pause and to
    freeze. Where no start is good, the answer says so first, with the least bad one. --check looks at every call of a
    calendar instead, as far ahead as the elements allow.

    \b
    Example:
      passim calls --minutes 30 --days 3 --between 08:00-18:00 --weekdays mon-fri
      passim calls --kind voice --busy mine.ics --ics good-times.ics
      passim calls --check lessons.ics
      passim calls --all-sites --days 7 --ics calendars
    """
    from passim import Span
    from passim.answers.calls import calendar_in as calendar, calendar_out, hours as call_times

    from ..command_line.call_options import forecast, hours_of, kind_of
    from ..command_line.output import write

    # The cheap questions first: a slip in an hour should not wait for a file of thousands of sets.
    if check_file is not None and ics_file is not None:
        raise click.UsageError("--ics writes suggested calls, and --check suggests none: give one of them.")
    span = _span(span_choice, days)
    call_times.check_length(minutes, span)
    if all_sites:
        if check_file is not None:
            raise click.UsageError("--check is for the calls of one site: give --site, not --all-sites.")
        if site_choice.site_text is not None or site_choice.spot_name is not None:
            raise click.UsageError("--all-sites means every site of the workspace: leave out --site and --spot.")
        of_each = _OfEach(
            fleet_choice, site_choice, span_choice, span, minutes, kind_name, between, weekdays, busy_files, top, seed
        )
        write(_of_all_sites(of_each, ics_file), output_choice)
        return
    kind = kind_of(kind_name, site_choice)
    hours = hours_of(between, weekdays, site_choice)
    timezone = site_choice.site()[0].timezone
    if ics_file is not None:
        calendar_out.check_target(ics_file)
    given, loaded = None, None
    if check_file is not None:
        around = Span(span.start - _CHECK_AROUND, span.start + _CHECK_AROUND)
        given = calendar.read_calendar(check_file, around, timezone, suggested=True)
        if days is None and span_choice.hours is None and span_choice.to_text is None:
            loaded = fleet_choice.fleet(span.start)
            span = _to_the_last(span, given.events, loaded[0], fleet_choice.timing_model())
    busy = [calendar.read_calendar(name, span, timezone) for name in busy_files]
    read_notes = weighed(note for read in (*busy, given) if read is not None for note in calendar_notes(read))
    ahead = forecast(fleet_choice, site_choice, span, notes=read_notes, loaded=loaded)
    taken = [event for read in busy for event in read.events]

    request = _Request(ahead, kind, hours, minutes, seed, timezone)
    if given is not None:
        others = _other_sites(site_choice)
        answer, record = _checked(request, given, Path(str(check_file)).name, taken, others)
    else:
        answer, record = _planned(request, taken, top, ics_file, span_choice)
    what = f"check {Path(check_file).absolute()}" if check_file is not None else f"top {top}"
    # How far a check looks by itself hangs on the elements.
    what += "" if loaded is not None else f", {span.duration_s:g} s"
    question = _question(request, busy_files, what)
    write(_with_changes(answer, record, question, span_choice, site_choice, ahead), output_choice)


def _to_the_last(span: Span, events: Sequence[calendar.Event], fleet: Fleet, model: TimingModel) -> Span:
    """Return the span up to the last of `events` that elements as old as those of `fleet` tell anything of."""
    from passim import Span
    from passim.answers.calls import check as call_check

    horizon = call_check.horizon_of(fleet, span.start, model)
    ends = [e.end for e in events if span.start <= e.start <= horizon and not e.all_day and e.guessed is None]
    return Span(span.start, max([span.end, *(end for end in ends if end - span.end < _CHECK_AROUND)]))


def _other_sites(site_choice: SiteChoice) -> list[str]:
    """Return the names of the sites of the workspace but for that of the question."""
    workspace = site_choice.workspace()
    return [] if workspace is None else list(workspace.other_site_names(site_choice.site_text))


def _question(request: _Request, busy_files: Sequence[str], what: str) -> str:
    """Return all that an answer hangs on but the elements and the day: the same is asked again the next morning.

    Only answers to the same question can be compared.
    """
    view, kind = request.ahead.found.visibility.view, request.kind
    site = view.site
    limits = [f"{name}: {words}" for name, words in descriptions(view).items()]
    # A skyline is told of by its lowest and highest point alone.
    fine = repr((list(site.horizon.azimuths_deg), list(site.horizon.elevations_deg), view.floor_deg))
    return " | ".join(
        [
            f"{site.name} {site.latitude_deg:g},{site.longitude_deg:g},{site.height_m:g}",
            *limits,
            f"{kind.name} {kind.at_least_s} {kind.buffer_s:g}",
            f"{request.minutes} min",
            request.hours.words,
            what,
            *(["learned from the record"] if request.ahead.service.calibration is not None else []),
            *(f"busy {Path(name).absolute()}" for name in busy_files),
            hashlib.sha256(fine.encode()).hexdigest()[:16],
        ]
    )


@dataclasses.dataclass(frozen=True)
class _Request:
    ahead: Forecast
    kind: call_kinds.CallKind
    hours: Any
    minutes: int
    seed: int
    timezone: str


def _span(choice: SpanChoice, days: float | None) -> Span:
    """Return the span of --days, or of --to or --hours."""
    if days is not None and (choice.hours is not None or choice.to_text is not None):
        raise click.UsageError("--days, --hours and --to all say where the span ends: give one of them.")
    if choice.hours is None and choice.to_text is None:
        choice = dataclasses.replace(choice, hours=24.0 * (DEFAULT_DAYS if days is None else days))
    return choice.span()


def _planned(
    request: _Request, taken: list[calendar.Event], top: int, ics_file: str | None, span_choice: SpanChoice
) -> tuple[Answer, dict[str, Any]]:
    """Return the answer with suggested starts, and its record."""
    from passim.answers.calls import (
        calendar_in as calendar,
        changes as call_changes,
        forecast as call_forecast,
        plan as answers,
    )

    from ..command_line.call_options import kind_facts
    from ..text import calls as call_words
    from ..text.answer import Answer

    clock = request.ahead.clock
    plan = answers.plan_of(
        request.ahead.service,
        request.kind,
        minutes=request.minutes,
        hours=request.hours,
        timezone=request.timezone,
        busy_us=calendar.busy_us(taken),
        most=top,
        seed=request.seed,
    )
    record_notes, learned = request.ahead.of_record(request.kind, request.minutes, request.hours)
    notes = [*call_words.plan_notes(plan, call_forecast.RUNS), *record_notes]
    if ics_file is not None:
        notes.append(_write_ics(request, plan, ics_file, span_choice))
    facts = {
        **request.ahead.facts,
        "kind": kind_facts(request.kind),
        "minutes": request.minutes,
        "hours": request.hours.words,
        "band": plan.last.band.name,
        "none_good": call_words.none_good_facts(plan.none_good),
        "learned": learned,
        **call_words.gain_facts(plan),
    }
    answer = Answer(
        "calls",
        "\n".join(call_words.plan_lines(plan, clock)),
        plan.by_hour if plan.statistics_only else plan.shown,
        call_words.HOUR_COLUMNS if plan.statistics_only else call_words.plan_columns(clock),
        (*notes, *request.ahead.found.service_notes, *request.ahead.found.notes),
        facts,
        clock,
    )
    return answer, call_changes.plan_record(plan)


def _write_ics(request: _Request, plan: Any, ics_file: str, span_choice: SpanChoice) -> Note:
    """Write the suggestions as a calendar and return the note on it."""
    from passim.answers.calls import calendar_out

    from ..text.calendar import calendar_question, calendar_windows, written_sentence

    if plan.statistics_only:
        return Note(f"Nothing was written to {ics_file}: no single start can be ranked.")
    # What an earlier answer put into the file is called off where none is good any more.
    if plan.none_good is not None and not Path(ics_file).exists():
        return Note(f"No start is good, so {ics_file} was not written.")
    site = request.ahead.found.site.name
    windows, question = calendar_windows(plan, site), calendar_question(plan, site)
    written = calendar_out.write_calendar(ics_file, windows, question, span_choice.now)
    return Note(written_sentence(written, ics_file))


def _checked(
    request: _Request,
    given: calendar.CalendarEvents,
    name: str,
    taken: list[calendar.Event],
    other_sites: Sequence[str],
) -> tuple[Answer, dict[str, Any]]:
    """Return the answer on the calls of a calendar, and its record."""
    from passim.answers.calls import changes as call_changes, check as call_check

    from ..command_line.call_options import kind_facts
    from ..text import calls as call_words
    from ..text.answer import Answer

    clock = request.ahead.clock
    check = call_check.check_calls(
        request.ahead.service,
        request.kind,
        given.events,
        hours=request.hours,
        timezone=request.timezone,
        busy=taken,
        other_sites=other_sites,
        seed=request.seed,
    )
    rows = call_words.check_rows(check, clock)
    answer = Answer(
        "calls",
        call_words.check_sentence(check, name, clock, left_out_of_calendar(given)),
        rows,
        call_words.check_columns(clock),
        (
            *call_words.check_notes(check),
            *weighed(call_words.left_out_sentences(check)),
            _ages(check, request.ahead),
            *request.ahead.found.service_notes,
            *request.ahead.found.notes,
        ),
        {**request.ahead.facts, "kind": kind_facts(request.kind), "hours": request.hours.words},
        clock,
    )
    return answer, call_changes.check_record(check)


def _ages(check: call_check.CallCheck, ahead: Forecast) -> Note:
    """Return how old the elements are by the last call, or by the end of the span, and what that means."""
    from ..text.calls import ages_sentence

    first = ahead.service.freshness(ahead.service.span.start)
    if not check.calls:
        last, when = ahead.service.freshness(ahead.service.span.end), "at the end of the last day"
    else:
        last, when = ahead.service.freshness(check.calls[-1].event.start), "at the last call"
    return Note(ages_sentence(first, last, "at the start", when))


def _with_changes(
    answer: Answer,
    record: dict[str, Any],
    question: str,
    span_choice: SpanChoice,
    site_choice: SiteChoice,
    ahead: Forecast,
) -> Answer:
    """Return the answer with what newer elements changed since the last one, and keep this one for the next."""
    from ..text.calls import change_lines

    found, notes = _changes(record, question, span_choice, site_choice, ahead)
    answer = dataclasses.replace(answer, notes=(*answer.notes, *notes))
    if found is None:
        return answer
    return dataclasses.replace(
        answer,
        sentence="\n".join([answer.sentence, *change_lines(found, ahead.clock)]),
        facts={**answer.facts, "changes": _change_facts(found)},
    )


def _changes(
    record: dict[str, Any], question: str, span_choice: SpanChoice, site_choice: SiteChoice, ahead: Forecast
) -> tuple[list[call_changes.Change] | None, list[Note]]:
    """Return what newer elements changed since the answer kept last, and keep this one in its place.

    Only the same question, asked with other and newer elements, has an answer to compare with: None without. The notes
    say where nothing could be compared or kept.
    """
    from passim.answers.calls import changes as call_changes
    from passim.errors import WorkspaceError
    from passim.workspace import keep_answer, last_answer

    from ..text.units import instant

    workspace = site_choice.workspace()
    if workspace is None:
        return None, [background("Nothing was kept for comparison: that needs a workspace.")]
    notes: list[Note] = []
    epoch = instant(ahead.found.visibility.report.epoch_newest)
    found: list[call_changes.Change] | None = None
    try:
        before = last_answer(workspace.folder, question)
        if before is not None and str(before["epoch_newest"]) < epoch:
            found = call_changes.changes(before, record, span_choice.now, ahead.service.span)
    except (WorkspaceError, KeyError, TypeError, ValueError) as error:
        notes.append(Note(f"The last answer cannot be compared with this one, which takes its place: {error}."))
    try:
        keep_answer(workspace.folder, question, call_changes.record_to_keep(record, ahead.service.span, epoch))
    except WorkspaceError as error:
        notes.append(Note(f"This answer could not be kept for comparison: {error}."))
    return found, notes


def _change_facts(found: Sequence[call_changes.Change]) -> list[dict[str, Any]]:
    """Return changes as JSON can hold them."""
    return [{**dataclasses.asdict(change), "start": change.start.isoformat()} for change in found]


@dataclasses.dataclass(frozen=True)
class _OfEach:
    """What is asked of every site of a workspace."""

    fleet_choice: FleetChoice
    site_choice: SiteChoice
    span_choice: SpanChoice
    span: Span
    minutes: int
    kind_name: str | None
    between: str | None
    weekdays: str | None
    busy_files: tuple[str, ...]
    top: int
    seed: int

    def of(self, name: str) -> tuple[_Request, Any]:
        """Return what is asked of the site called `name`, and its plan. Raises InputError."""
        from passim.answers.calls import calendar_in as calendar, plan as answers

        from ..command_line.call_options import forecast, hours_of, kind_of

        choice = dataclasses.replace(self.site_choice, site_text=name)
        kind, hours = kind_of(self.kind_name, choice), hours_of(self.between, self.weekdays, choice)
        timezone = choice.site()[0].timezone
        busy = [calendar.read_calendar(file, self.span, timezone) for file in self.busy_files]
        ahead = forecast(
            self.fleet_choice, choice, self.span, notes=weighed(n for read in busy for n in calendar_notes(read))
        )
        plan = answers.plan_of(
            ahead.service,
            kind,
            minutes=self.minutes,
            hours=hours,
            timezone=timezone,
            busy_us=calendar.busy_us([event for read in busy for event in read.events]),
            most=self.top,
            seed=self.seed,
        )
        return _Request(ahead, kind, hours, self.minutes, self.seed, timezone), plan


def _of_all_sites(each: _OfEach, ics: str | None) -> Answer:
    """Return the suggested starts of every site of the workspace in one table. Raises InputError."""
    import pandas as pd

    from passim.answers.calls import changes as call_changes
    from passim.errors import SpanError

    from ..command_line.parsing import found_workspace
    from ..text import calls as call_words
    from ..text.answer import Answer, span_facts
    from ..text.ways_out import in_command_words

    workspace = found_workspace(each.site_choice.workspace_dir)
    if workspace is None:
        raise click.UsageError("--all-sites needs a workspace: work in one, or give --workspace DIR.")
    files = {} if ics is None else _calendar_files(ics, list(workspace.site_names))
    lines, messages, tables, facts, clocks = [], [], [], [], {}
    frozen_anyway: list[str] = []
    for name in workspace.site_names:
        try:
            request, plan = each.of(name)
        except SpanError as error:
            lines.append(f"{name}: no start: {in_command_words(error)}.")
            continue
        clock = clocks[name] = request.ahead.clock
        lines.append(f"{name}: {call_words.plan_sentences(plan, clock)[0]}")
        frozen_anyway = frozen_anyway or call_words.frozen_anyway(plan)
        question = _question(request, each.busy_files, f"top {each.top}, {each.span.duration_s:g} s")
        choice = dataclasses.replace(each.site_choice, site_text=name)
        found, comparison_notes = _changes(
            call_changes.plan_record(plan), question, each.span_choice, choice, request.ahead
        )
        if found is not None:
            lines += [f"{name}: {line}" for line in call_words.change_lines(found, clock)]
        notes = [
            *comparison_notes,
            Note(kind_sentence(request.kind)),
            background(call_words.good_note()),
            *request.ahead.found.notes,
        ]
        if files:
            notes.append(_write_ics(request, plan, str(files[name]), each.span_choice))
        messages.append((name, notes))
        table = plan.shown.copy()
        for column in ("start", "end"):
            local = [when.tz_convert(request.timezone).isoformat(timespec="milliseconds") for when in table[column]]
            table.insert(table.columns.get_loc(column) + 1, f"{column}_local", pd.Series(local, dtype=object))
        table.insert(0, "site", name)
        table["good_start"] = plan.none_good is None
        tables.append(table)
        facts.append(
            {"site": name, "timezone": request.timezone, "hours": request.hours.words,
             "none_good": call_words.none_good_facts(plan.none_good),
             **({} if found is None else {"changes": _change_facts(found)})}
        )  # fmt: skip
    if not tables:
        raise SpanError("hours for calls", got="no start at any site", wanted="room for one", try_next="more days")
    # What holds at every site is said once.
    common = [note for note in messages[0][1] if all(note in notes for _, notes in messages)]
    own = [note for name, notes in messages for note in led((n for n in notes if n not in common), name)]
    return Answer(
        "calls",
        "\n".join([*lines, *frozen_anyway]),
        pd.concat(tables, ignore_index=True),
        call_words.site_plan_columns(clocks),
        (*common, *own),
        {"minutes": each.minutes, "span": span_facts(each.span),
         "sites": facts},
    )  # fmt: skip


def _calendar_files(given: str, names: list[str]) -> dict[str, Path]:
    """Return the calendar file of each site, in a folder or by a name with {site}. Raises InputError."""
    from passim.answers.calls import calendar_out
    from passim.errors import InputError

    folder = Path(given)
    # A name like that of a calendar is no folder for several.
    new = not folder.exists() and folder.absolute().parent.is_dir() and folder.suffix.lower() != ".ics"
    if "{site}" not in given and not (new or folder.is_dir()):
        raise InputError(
            "--ics with --all-sites", got=given,
            wanted="a folder, or a new one in a folder that exists, or a name with {site}",
            try_next="calls-{site}.ics",
        )  # fmt: skip
    pattern = given if "{site}" in given else str(Path(given) / "{site}.ics")
    files = {name: Path(pattern.replace("{site}", re.sub(r"[^\w-]+", "-", name).strip("-"))) for name in names}
    if len(set(files.values())) < len(files):
        raise InputError(
            "--ics with --all-sites", got=given, wanted="names of sites that differ in more than punctuation"
        )
    if "{site}" not in given and new:
        try:
            folder.mkdir()
        except OSError as error:
            got = f"{given}: {error.strerror}"
            raise InputError("--ics with --all-sites", got=got, wanted="a folder that can be made") from None
    for file in files.values():
        calendar_out.check_target(file)
    return files
