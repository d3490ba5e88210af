"""``passim fit``: the settings that a record of the line teaches."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ..command_line.options import fleet_options, output_options, site_options
from ..command_line.parsing import FleetChoice, OutputChoice, SiteChoice
from ..command_line.record_options import RecordChoice, record_file_option, record_options

if TYPE_CHECKING:
    from passim import Workspace


_MORE = """\
Searched are the lowest elevation, a gateway, an antenna cone, a keep-out around the geostationary arc, a blocked sector
of the horizon, a clock by which satellites are assigned, the time to acquire one, and the clock of the record, whatever
the workspace says of them.

CSV and JSON hold the columns setting, value, low, high, as_set_up, told_apart and instead; JSON also evidence (strong,
some or none), held_out_gain, chance, clock_offset_s, floor, missed and the other settings tried.
"""


@click.command("fit", short_help="What the record of the line teaches: mask, gateway, sector, clock.", epilog=_MORE)
@fleet_options
@site_options
@record_file_option
@record_options
@click.option(
    "--hold",
    "held",
    multiple=True,
    metavar="LIMIT",
    help="A limit to take as it is set up, and not to search: horizon, gateway, cone or arc. Repeat for more.",
)
@click.option(
    "--write",
    "writes",
    is_flag=True,
    help="Show what changes in the workspace, then put what was found there, marked as an assumption; passim workspace "
    "undo takes it back. Where your setup foretells the record as well, nothing is written.",
)
@output_options
def fit(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    record_path: str | None,
    record_choice: RecordChoice,
    held: tuple[str, ...],
    writes: bool,
    output_choice: OutputChoice,
) -> None:
    """Find the settings with which the forecast comes nearest to what the line did, and say how sure they are.

    Every second day or hour of the record is searched; what is found must foretell the others better than luck. Where
    two causes look alike, the answer says so, and what would tell them apart.

    \b
    Example:
      passim fit
      passim fit --from 2026-11-20 --to 2026-11-27 --write
      passim fit --workspace school --record freezes.csv --hold horizon --format json
    """
    from passim import fit_line
    from passim.line import fleets_over
    from passim.workspace import changing

    from ..command_line.output import echo_err, progress, write
    from ..command_line.parsing import found_workspace, now_of
    from ..text.fit import (
        NOT_WRITTEN,
        STOPPED,
        TRYING,
        WRITTEN,
        changing_lines,
        fit_answer,
        how_words,
        nothing_to_change,
    )
    from ..text.notes import background
    from ..text.query import CAUTION
    from ..text.units import LocalClock

    workspace = found_workspace(site_choice.workspace_dir) if writes else None
    if writes and workspace is None:
        raise click.UsageError("--write needs a workspace to write into: passim workspace new DIR makes one.")
    view, view_notes = site_choice.view()
    zone = view.site.timezone
    record, read_notes = record_choice.record(fleet_choice.workspace_dir, record_path, zone)
    fleet_at, fleet_notes = fleet_choice.over_time(record.span.end)
    for part, fleet in fleets_over(fleet_at, record.span):
        fleet_choice.check_age(fleet, part.middle)
    try:
        with progress(TRYING, lines=True) as advance:
            found = fit_line(fleet_at, view, record, hold=held, progress=advance)
    except KeyboardInterrupt:
        echo_err(STOPPED)
        raise click.Abort from None
    notes = [background(f"Record: {record.source}."), *read_notes, *view_notes, *fleet_notes, CAUTION]
    write(fit_answer(found, LocalClock(zone, record.span), notes), output_choice)
    if workspace is not None and nothing_to_change(found):
        echo_err(NOT_WRITTEN)
    elif workspace is not None:
        today = now_of(record_choice.at_text, lambda: zone).date()
        change = changing.taken_from(found, workspace, view, _place(workspace, site_choice), how_words(found), today)
        lines = changing.shown(workspace, change)
        echo_err(*changing_lines(lines, str(workspace.file)))
        changing.write(workspace, change, lines)
        echo_err(WRITTEN)


def _place(workspace: Workspace, site_choice: SiteChoice) -> tuple[str, str] | None:
    """Return the site and mounting spot of the file that are asked about; None at coordinates."""
    if "," in (site_choice.site_text or ""):
        return None
    site = workspace.site_settings(site_choice.site_text)
    return site.name, workspace.spot_settings(site.name, site_choice.spot_name).name
