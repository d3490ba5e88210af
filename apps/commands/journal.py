"""``passim journal``: what the line did, outage by outage."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import click

from ..command_line.options import OutputChoice, at_option, output_options, workspace_option
from ..command_line.usage import Commands, WholeBetween

if TYPE_CHECKING:
    from passim import Span
    from passim.workspace import Workspace

    from ..text.answer import Answer


@click.group("journal", cls=Commands, invoke_without_command=True, short_help="What the line did: every outage.")
@workspace_option
@click.option(
    "--from", "from_text", metavar="TIME", help="Start, local time or with its offset. Default: a day before --to."
)
@click.option("--to", "to_text", metavar="TIME", help="End, in the same forms. Default: now.")
@click.option(
    "--losses",
    type=WholeBetween(1, 1000),
    default=3,
    show_default=True,
    help="How many lost packets in a row make an outage.",
)
@at_option
@output_options
@click.pass_context
def journal(
    context: click.Context,
    workspace_dir: str | None,
    from_text: str | None,
    to_text: str | None,
    losses: int,
    at_text: str | None,
    output_choice: OutputChoice,
) -> None:
    """List every outage that passim probe recorded: when, how long, and whether in the house, the line or far away.

    An outage begins with the first lost packet and ends with the next one answered. One that meets a time without
    measuring is cut there and marked: it is at least that long. CSV and JSON hold the columns start, end, duration_s,
    where (house, line or far), lost, cut_at_start and cut_at_end, with times in UTC and local columns beside them; JSON
    also holds what was not measured. The probe may be running meanwhile.

    \b
    Example:
      passim journal
      passim journal --from yesterday --to today --format csv
      passim journal check
    """
    if context.invoked_subcommand is not None:
        return
    from ..command_line.output import check_out, write

    check_out(output_choice.out)
    workspace = _workspace(workspace_dir)
    write(_outages(workspace, _span(workspace, from_text, to_text, at_text), losses), output_choice)


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

    from ..command_line.output import check_out, write
    from ..text.answer import Answer
    from ..text.line import FAULT_COLUMNS, fault_sentence

    check_out(output_choice.out)
    if workspace_dir is None and context.parent is not None:
        workspace_dir = context.parent.params["workspace_dir"]
    with Journal(_workspace(workspace_dir).journal_file) as opened:
        faults = opened.check()
    rows = pd.DataFrame({"fault": list(faults)}, dtype="str")
    write(Answer("journal check", fault_sentence(faults, str(opened.path)), rows, FAULT_COLUMNS), output_choice)
    if faults:
        context.exit(1)


def _workspace(workspace_dir: str | None) -> Workspace:
    from ..command_line.parsing import needed_workspace

    return needed_workspace(workspace_dir)


def _zone_name(workspace: Workspace) -> str:
    return workspace.site().timezone if workspace.site_names else "UTC"


def _span(workspace: Workspace, from_text: str | None, to_text: str | None, at_text: str | None) -> Span:
    """Return the span asked about: the last day unless told."""
    from passim import Span

    from ..command_line.parsing import now_of
    from ..command_line.times import aware_time

    def zone() -> str:
        return _zone_name(workspace)

    now = now_of(at_text, zone)
    end = now if to_text is None else aware_time(to_text, "--to", zone, now)
    return Span(end - timedelta(days=1) if from_text is None else aware_time(from_text, "--from", zone, now), end)


def _outages(workspace: Workspace, span: Span, losses: int) -> Answer:
    from passim import Journal

    from ..text.answer import Answer
    from ..text.line import by_place, hole_rows, outage_columns, outage_sentence, record_notes
    from ..text.units import LocalClock, instant

    clock = LocalClock(_zone_name(workspace), span)
    with Journal(workspace.journal_file) as opened:
        record, starts = opened.read(span, losses=losses), opened.starts(span)
        offsets = opened.clock_offsets(span)
    holes = [
        {"start": instant(start), "end": instant(end), "why": why} for start, end, why in hole_rows(record, starts)
    ]
    facts = {
        "span": {"start": instant(span.start), "end": instant(span.end)},
        "source": record.source,
        "period_s": record.period_s,
        "measured_s": round(record.measured_s, 6),
        "told_apart": record.told_apart,
        "targets": [
            {"name": each.target.name, "address": each.target.address, "method": each.target.method,
             "sent": len(each), "lost": int(each.lost.sum())}
            for each in record.probes
        ],
        "holes": holes,
    }  # fmt: skip
    sentence = "\n".join(filter(None, [outage_sentence(record, clock), by_place(record.outages)]))
    notes = record_notes(record, starts, offsets, clock)
    return Answer("journal", sentence, record.outages, outage_columns(clock), notes, facts, clock)
