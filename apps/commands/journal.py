"""``passim journal``: what the line did and is good for, whether a second one would help; records from elsewhere."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ..command_line.call_options import kind_option
from ..command_line.options import (
    FleetChoice,
    OutputChoice,
    SiteChoice,
    fleet_options,
    output_options,
    site_options,
    workspace_option,
)
from ..command_line.parsing import check_out
from ..command_line.record_options import RecordChoice, losses_option, record_options, zone_name
from ..command_line.usage import NUMBER, Commands, OneOf

if TYPE_CHECKING:
    from passim import Coverage
    from passim.line import LineRecord, second_line as second_lines
    from passim.workspace import Workspace

    from ..text.answer import Answer


ROWS: Final = ("outage", "day", "hour", "clock", "where", "target", "minute")


_MORE = """\
An outage begins with the first lost packet and ends with the next one answered. One that meets a time without measuring
is cut there and marked: it is at least that long. While the house was out nothing is said of the line. Whether freezes
come in step is judged beside records whose days were shuffled.

CSV and JSON hold the columns start, end, duration_s, where (house, line or far), lost, cut_at_start and cut_at_end,
with times in UTC and local columns beside them; JSON also holds all figures and what was not measured.
"""


@click.group(
    "journal", cls=Commands, invoke_without_command=True, short_help="What the line did: every outage.", epilog=_MORE
)
@workspace_option
@record_options
@click.option(
    "--by",
    type=OneOf(ROWS),
    default="outage",
    show_default=True,
    help="What a row is: an outage, a local day or hour, an hour of the clock over all days (clock), a part of the way "
    "(where), a target with its round trips, or a minute of them.",
)
@output_options
@click.pass_context
def journal(
    context: click.Context,
    workspace_dir: str | None,
    record_choice: RecordChoice,
    by: str,
    output_choice: OutputChoice,
) -> None:
    """Say what the line did: how often it froze and when, how long, in step or not, and through whose fault.

    Freezes are outages of the line, each with bounds of 95 % on how often; what the house did is told apart. The probe
    may be running meanwhile.

    \b
    Example:
      passim journal
      passim journal --from yesterday --to today --format csv
      passim journal --by clock
      passim journal add ping.log
      passim journal check
    """
    if context.invoked_subcommand is not None:
        return
    from ..command_line.output import write

    write(_answer(_workspace(workspace_dir), record_choice, by), output_choice)


@journal.command("check", short_help="Whether the journal's file is whole.")
@workspace_option
@output_options
@click.pass_context
def check(context: click.Context, workspace_dir: str | None, output_choice: OutputChoice) -> None:
    """Read the whole journal and say what is damaged. The status is 1 where something is.

    What is whole in a damaged journal can still be read. To begin a new one, move the file away.

    \b
    Example:
      passim journal check
    """
    import pandas as pd

    from passim import Journal

    from ..command_line.output import write
    from ..text.answer import Answer
    from ..text.line import FAULT_COLUMNS, fault_sentence, fault_words

    with Journal(_workspace(_dir(context, workspace_dir)).journal_file) as opened:
        faults = opened.check()
    rows = pd.DataFrame({"fault": list(map(fault_words, faults))}, dtype="str")
    write(Answer("journal check", fault_sentence(faults, str(opened.path)), rows, FAULT_COLUMNS), output_choice)
    if faults:
        context.exit(1)


@journal.command("add", short_help="Add records that you have already: logs of ping, CSV, notes, a calendar.")
@click.argument("paths", nargs=-1, metavar="FILE...")
@workspace_option
@click.option(
    "--zone", "zone_given", metavar="NAME", help="Zone of the clock that stamped it, if its times do not say."
)
@click.option(
    "--columns",
    "columns_text",
    metavar="OURS=THEIRS,...",
    help="Which columns of a CSV file are which: time and round_trip_ms, round_trip_s or answered for probes; start "
    "and end or duration_s, where, lost for outages. Those that go by these names need not be named.",
)
@click.option(
    "--offset", "offset_s", type=NUMBER, default=0.0, metavar="S", help="How far its clock was behind, seconds."
)
@click.option(
    "--start", "start_text", metavar="TIME", help="When it begins, for a log without times or notes without a date."
)
@click.option("--end", "end_text", metavar="TIME", help="When it ends, where the file does not say.")
@click.option(
    "--every", "every_text", metavar="LENGTH", help="From one probe to the next in a log without times. Default: 1s."
)
@click.option("--name", metavar="NAME", help="What to call it in the journal. Default: the name of the file.")
@losses_option
@click.option("--replace", is_flag=True, help="Take the place of a record of the same name.")
@click.option("--dry-run", is_flag=True, help="Say what is in the file, and add nothing.")
@click.option(
    "--strict", is_flag=True, help="Refuse a file with a damaged line. Default: up to 1 in 100 is left out and named."
)
@output_options
@click.pass_context
def add(
    context: click.Context,
    paths: tuple[str, ...],
    workspace_dir: str | None,
    zone_given: str | None,
    columns_text: str | None,
    offset_s: float,
    start_text: str | None,
    end_text: str | None,
    every_text: str | None,
    name: str | None,
    losses: int,
    replace: bool,
    dry_run: bool,
    strict: bool,
    output_choice: OutputChoice,
) -> None:
    """Add a record that was made without passim: each kind is told by what is in the file.

    \b
      a log of ping       of iputils (best with -D), of macOS and of Windows, in English
      CSV                 a probe a row (time, round_trip_ms), or an outage a row (start, duration_s or end)
      notes               a line each: 08:14 froze 20 s; 08:20:10-08:20:35 no picture; a date on a line of its own
      a calendar          an event of at most 10 min is a freeze; of a longer one the description is read as notes
      a record of passim  as passim journal export wrote it, CSV or Parquet

    What a file does not say is asked for in one line, which names the option that answers it. Several logs that were
    kept at the same time are one record, the nearest target first, so that house and line are told apart. A damaged
    line is left out and named with its number.

    \b
    Example:
      passim journal add ping.log
      passim journal add router.log far.log --name upstairs
      passim journal add mac.log --start '2026-11-25 08:00'
      passim journal add seen.csv --zone Atlantic/Azores --columns 'time=Date,round_trip_ms=Latency'
    """
    from passim import Journal
    from passim.line import files

    from ..command_line.lengths import length_s
    from ..command_line.output import write
    from ..command_line.parsing import now_of
    from ..command_line.times import aware_time
    from ..text.answer import Answer
    from ..text.journal import added_sentence, reading_notes
    from ..text.line import outage_columns
    from ..text.units import LocalClock

    if not paths:
        raise click.UsageError("which record? Give the file of one: passim journal add ping.log.")
    workspace = _workspace(_dir(context, workspace_dir))
    usual_zone = zone_name(workspace)

    def zone() -> str:
        return zone_given or usual_zone

    now = now_of(None, zone)
    answers = files.Answers(
        zone=zone_given,
        columns=_columns(columns_text),
        offset_s=offset_s,
        start=None if start_text is None else aware_time(start_text, "--start", zone, now),
        end=None if end_text is None else aware_time(end_text, "--end", zone, now),
        every_s=None if every_text is None else length_s(every_text, "--every", "0.01s", "1h", "1s"),
        losses=losses,
        strict=strict,
    )
    record, readings = files.read_together(paths, answers, name or "")
    clock = LocalClock(usual_zone, record.span)
    notes = reading_notes(*readings)
    if not dry_run:
        with Journal(workspace.journal_file) as opened:
            opened.add_record(record, replace=replace)
    sentence = added_sentence(record, clock, added=not dry_run)
    write(Answer("journal add", sentence, record.outages, outage_columns(clock), notes, {}, clock), output_choice)


@journal.command("export", short_help="Write a record as one file, CSV or Parquet, that gives it back.")
@workspace_option
@record_options
@click.option("--out", metavar="FILE", help="FILE.csv, or FILE.parquet (needs passim[parquet]).")
@click.option("--without-probes", is_flag=True, help="Leave the single probes out: outages and holes alone.")
@click.pass_context
def export(
    context: click.Context,
    workspace_dir: str | None,
    record_choice: RecordChoice,
    out: str | None,
    without_probes: bool,
) -> None:
    """Write a record with its probes, outages and holes into one file; passim journal add reads it back.

    One row is the record (its span and source), a hole, an outage or a probe; times are UTC to the microsecond.

    \b
    Example:
      passim journal export --out november.csv --from 2026-11-01 --to 2026-12-01
      passim journal export --out november.parquet --source ping.log
    """
    from passim.errors import InputError
    from passim.line import files

    from ..command_line.output import echo_err
    from ..text.units import counted

    if out is None:
        raise click.UsageError("where to? Give --out record.csv, or --out record.parquet.")
    check_out(out)
    if Path(out).suffix.lower() in (".parquet", ".pq"):
        files.check_parquet(out)
    record = _record(_workspace(_dir(context, workspace_dir)), record_choice)
    try:
        rows = files.write_record(record, out, probes=not without_probes)
    except OSError as error:
        raise InputError(f"--out cannot be written: {error.strerror}", got=out, try_next="another folder") from None
    echo_err(f"Wrote {counted(rows, 'row')} to {out}.")


@journal.command("uses", short_help="What the line is good for, and what one figure in per cent hides.")
@workspace_option
@record_options
@output_options
@click.pass_context
def uses(
    context: click.Context,
    workspace_dir: str | None,
    record_choice: RecordChoice,
    output_choice: OutputChoice,
) -> None:
    """Say what the line was good for: voice, video, a stream, file transfer, a remote desktop, a terminal session.

    A session of each is tried at every minute that was measured: how often it would have paused, been frozen, or ended.
    The thresholds of each, with their sources, are told with --notes. Below it stands the availability as one figure,
    and which freezes that figure hides.

    \b
    Example:
      passim journal uses
      passim journal uses --from '2026-11-20 08:00' --to '2026-11-27 08:00' --notes
    """
    from passim.line import suitability as room

    from ..command_line.output import write
    from ..text.answer import Answer
    from ..text.journal import CAUTION_OF_RECORD, holes_sentence, record_facts
    from ..text.notes import Note
    from ..text.suitability import COLUMNS, suitability_notes, suitability_sentence

    workspace = _workspace(_dir(context, workspace_dir))
    record = _record(workspace, record_choice)
    found, available = room.suitability(record), room.availability(record)
    sentence = "\n".join(filter(None, [suitability_sentence(found, available), holes_sentence(record)]))
    notes = [*suitability_notes(found), Note(CAUTION_OF_RECORD, "caution")]
    facts = {**record_facts(found), "availability": dataclasses.asdict(available)}
    write(Answer("journal uses", sentence, found.table, COLUMNS, notes, facts), output_choice)


@journal.command("backup", short_help="Whether a second line would have helped, and what that costs.")
@fleet_options
@site_options
@click.option(
    "--switch-over",
    "switch_text",
    metavar="LENGTH",
    help="From the start of a freeze until the second line carries: 20s.",
)
@click.option("--cost", "monthly_cost", type=NUMBER, metavar="AMOUNT", help="What it costs a month, in your currency.")
@click.option("--call", "call_text", default="45min", show_default=True, metavar="LENGTH", help="How long a call is.")
@click.option(
    "--calls",
    "calls_a_month",
    type=NUMBER,
    default=40.0,
    show_default=True,
    metavar="N",
    help="How many calls a month.",
)
@kind_option
@click.option(
    "--second-spot",
    "spots",
    multiple=True,
    metavar="NAME",
    help="A second terminal at this spot of the site, by forecast.",
)
@click.option(
    "--second-fleet", "fleets", multiple=True, metavar="NAME", help="A terminal of this other fleet of the workspace."
)
@click.option(
    "--forecast-hours", type=NUMBER, default=72.0, show_default=True, metavar="N", help="How far the forecast looks."
)
@record_options
@output_options
def backup(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    switch_text: str | None,
    monthly_cost: float | None,
    call_text: str,
    calls_a_month: float,
    kind_name: str | None,
    spots: tuple[str, ...],
    fleets: tuple[str, ...],
    forecast_hours: float,
    record_choice: RecordChoice,
    output_choice: OutputChoice,
) -> None:
    """Say which freezes a second line would have caught, which calls it would have saved, and what each costs.

    It stands in only once it has been switched to: a switch-over of 20 s rescues no freeze of 19 s. It catches what the
    line does, not what the house does. A call counts as spoilt if it pauses or is dropped; calls are tried at every
    minute. The record tells of a backup that is always there. The forecast, where there is a fleet, tells of the same
    backup, of a second terminal at another spot and of another fleet, which are out at times themselves.

    \b
    Example:
      passim journal backup --switch-over 20s --cost 15 --call 45min
      passim journal backup --switch-over 5s --cost 60 --second-spot yard --calls 80
    """
    from passim.errors import InputError, JournalError
    from passim.line import second_line as room

    from ..command_line.call_options import kind_of
    from ..command_line.lengths import length_s
    from ..command_line.output import write
    from ..text.answer import Answer
    from ..text.journal import CAUTION_OF_RECORD
    from ..text.notes import Note
    from ..text.second_line import COLUMNS, rescue_rows, rescue_sentence
    from ..text.ways_out import in_command_words

    if switch_text is None:
        raise click.UsageError("how soon? Give --switch-over, such as --switch-over 20s.")
    switch_s = length_s(switch_text, "--switch-over", "0s", "1h", "20s")
    minutes = length_s(call_text, "--call", "1min", "24h", "45min") / 60.0
    kind = kind_of(kind_name, site_choice)
    always = room.SecondLine(name="backup", switch_over_s=switch_s, monthly_cost=monthly_cost)
    calls: dict[str, Any] = {"kind": kind, "minutes": minutes, "calls_a_month": calls_a_month}
    workspace = _workspace(site_choice.workspace_dir)
    found, notes = [], []
    try:
        found.append(room.rescue_of_record(_record(workspace, record_choice), always, **calls))
    except JournalError as error:
        # Without a record the forecast still tells; that there is none is told.
        notes.append(Note(f"No record: {in_command_words(error)}."))
    forecasts = _second_lines(fleet_choice, site_choice, record_choice, always, spots, fleets, forecast_hours)
    found += [room.rescue_of_forecast(coverage, second, **calls) for coverage, second in forecasts]
    if not found:
        raise InputError("record", got="none, and no fleet to forecast from", wanted="a journal, or a fleet and a site")
    notes.append(Note(CAUTION_OF_RECORD, "caution"))
    sentence = "\n".join(rescue_sentence(each) for each in found)
    write(Answer("journal backup", sentence, rescue_rows(found), COLUMNS, notes), output_choice)


def _workspace(workspace_dir: str | None) -> Workspace:
    from ..command_line.parsing import needed_workspace

    return needed_workspace(workspace_dir)


def _dir(context: click.Context, workspace_dir: str | None) -> str | None:
    """Return the workspace named behind the command, or before it."""
    if workspace_dir is None and context.parent is not None:
        given: str | None = context.parent.params["workspace_dir"]
        return given
    return workspace_dir


def _record(workspace: Workspace, choice: RecordChoice) -> LineRecord:
    """Return the record that is asked about. Raises InputError."""
    from passim import Journal

    with Journal(workspace.journal_file) as opened:
        source = choice.source_in(opened)
        return opened.read(choice.span(opened, source, workspace), source, choice.losses)


def _columns(text: str | None) -> dict[str, str]:
    """Return our names of columns with those in a file, of "time=Date,round_trip_ms=Latency". Raises InputError."""
    from passim.errors import InputError

    pairs = [part.partition("=") for part in (text or "").split(",") if part.strip()]
    if any(not equals or not theirs.strip() for _, equals, theirs in pairs):
        wanted = "OURS=THEIRS,..., such as time=Date,round_trip_ms=Latency"
        raise InputError("--columns", got=text, wanted=wanted)
    return {ours.strip(): theirs.strip() for ours, _, theirs in pairs}


def _answer(workspace: Workspace, choice: RecordChoice, by: str) -> Answer:
    from passim import Journal
    from passim.errors import SpanError
    from passim.line import line_statistics

    from ..text import journal as words
    from ..text.answer import Answer, span_facts
    from ..text.line import hole_rows, outage_columns, record_notes
    from ..text.notes import Note
    from ..text.units import LocalClock, instant

    with Journal(workspace.journal_file) as opened:
        source = choice.source_in(opened)
        span = choice.span(opened, source, workspace)
        record, starts = opened.read(span, source, choice.losses), opened.starts(span)
        offsets = opened.clock_offsets(span)
    clock = LocalClock(zone_name(workspace), span)
    facts: dict[str, Any] = {
        "span": span_facts(span),
        "source": record.source,
        "period_s": record.period_s,
        "measured_s": round(record.measured_s, 6),
        "told_apart": record.told_apart,
        "targets": [
            {"name": each.target.name, "address": each.target.address, "method": each.target.method,
             "sent": len(each), "lost": int(each.lost.sum())}
            for each in record.probes
        ],
        "holes": [
            {"start": instant(start), "end": instant(end), "why": why} for start, end, why in hole_rows(record, starts)
        ],
    }  # fmt: skip
    notes = [*record_notes(record, starts, offsets, clock), Note(words.CAUTION_OF_RECORD, "caution")]
    if record.measured_s <= 0.0:
        nothing = words.NOTHING_MEASURED
        return Answer("journal", nothing, record.outages, outage_columns(clock), notes, facts, clock)
    try:
        found = line_statistics(record, clock.name)
    except SpanError:
        facts["measured_s"] = 0.0
        return Answer("journal", words.ONLY_HOUSE, record.outages, outage_columns(clock), notes, facts, clock)
    columns = {
        "outage": outage_columns(clock),
        "day": words.day_columns(clock),
        "hour": words.hour_columns(clock),
        "clock": words.CLOCK_COLUMNS,
        "where": words.WHERE_COLUMNS,
        "target": words.TARGET_COLUMNS,
        "minute": words.minute_columns(clock),
    }[by]
    rows = record.outages if by == "outage" else found.rows_by(by)
    facts |= words.facts_of(found)
    return Answer("journal", words.journal_sentence(found, clock), rows, columns, notes, facts, clock)


def _second_lines(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    choice: RecordChoice,
    always: second_lines.SecondLine,
    spots: tuple[str, ...],
    fleets: tuple[str, ...],
    hours: float,
) -> list[tuple[Coverage, second_lines.SecondLine]]:
    """Return the forecast of the line with each second line: the backup, terminals elsewhere, other fleets.

    None where there is no fleet to forecast from and none was asked for. Raises InputError.
    """
    from passim import Span

    from ..command_line.parsing import now_of
    from ..command_line.query import search

    workspace = site_choice.workspace()
    none = workspace is None or not (workspace.site_names and workspace.settings.fleets)
    if none and not (fleet_choice.elements or spots or fleets):
        return []
    span = Span.starting(now_of(choice.at_text, site_choice.zone), hours)

    def coverage(fleet_of: FleetChoice, place: SiteChoice) -> Coverage:
        view, _ = place.view()
        fleet, _ = fleet_of.fresh_fleet(span)
        return search(fleet, view, span, model=fleet_of.timing_model()).coverage

    own = coverage(fleet_choice, site_choice)
    found = [(own, always)]
    elsewhere = [
        (f"a terminal at {spot}", fleet_choice, dataclasses.replace(site_choice, spot_name=spot)) for spot in spots
    ]
    elsewhere += [
        (f"the fleet {name}", dataclasses.replace(fleet_choice, fleet_name=name), site_choice) for name in fleets
    ]
    for name, fleet_of, place in elsewhere:
        out = coverage(fleet_of, place).gap_intervals
        found.append((own, dataclasses.replace(always, name=name, out_us=out)))
    return found
