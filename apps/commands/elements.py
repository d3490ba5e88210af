"""``passim elements``: what element files hold, and their conversion."""

from __future__ import annotations

import click

from ..command_line.options import (
    FleetChoice,
    OutputChoice,
    at_option,
    fleet_name_option,
    notes_option,
    quiet_option,
    strict_option,
    workspace_option,
)
from ..command_line.parsing import check_out, found_workspace, now_of, zone_of_site
from ..command_line.usage import OneOf

_MORE = """\
A shell gathers the objects within 5 km and 0.15 deg of where they stand densest. A note counts who is at a shell,
drifting, raising, lowering, stale or decayed at the moment of --at. CSV and JSON hold the columns altitude_km,
inclination_deg, objects, sets, the lowest and highest of both, and of shells that stand out who serves, the planes, the
slots of a full plane and how many are held. The snapshots that a feed keeps tell more: --list changes.
"""


@click.command("elements", short_help="What element files hold; convert them.", epilog=_MORE)
@click.argument("paths", nargs=-1, metavar="PATH...")
@workspace_option
@fleet_name_option
@strict_option
@click.option(
    "--salvage", is_flag=True, help="For --out: keep the whole records of a file, however many others are damaged."
)
@at_option
@click.option(
    "--list",
    "listing",
    type=OneOf(["shells", "objects", "changes"]),
    default="shells",
    show_default=True,
    help="What the table and its files hold: the shells; every object, with its status and what speaks for it; or who "
    "manoeuvred in the last seven days, who went missing and which launches arrived.",
)
@click.option(
    "--format",
    "format_name",
    type=OneOf(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How the listing is written on standard output.",
)
@click.option("--all", "show_all", is_flag=True, help="Show every row of a long table. Default: the first 40.")
@quiet_option
@notes_option
@click.option(
    "--out",
    metavar="FILE",
    help="Write the element sets themselves to FILE, in the format of its suffix: .tle, .json, .csv, .xml or .kvn, and "
    ".gz after it.",
)
def elements(
    paths: tuple[str, ...],
    workspace_dir: str | None,
    fleet_name: str | None,
    strict: bool,
    salvage: bool,
    at_text: str | None,
    listing: str,
    format_name: str,
    show_all: bool,
    quiet: bool,
    all_notes: bool,
    out: str | None,
) -> None:
    """Say what element files hold: how many sets and objects, how old, in which shells, who serves; and convert them.

    PATH is a file or a folder of element sets: two-line, or OMM as JSON, CSV, XML or KVN, plain or .gz; without one,
    the workspace's fleet is used.

    \b
    Example:
      passim elements fleet.json
      passim elements fleet.json --list objects --format csv
      passim elements downloads/ --salvage --out fleet.csv
    """
    from passim.elements import condition as conditions, shells
    from passim.spans import moment

    from ..command_line.output import echo_err, write, write_element_file
    from ..text.answer import Answer
    from ..text.elements import (
        SHELL_COLUMNS,
        change_columns,
        lately_sentences,
        object_columns,
        object_rows,
        shell_rows,
        shell_sentences,
        snapshot_facts,
    )
    from ..text.notes import Note, background
    from ..text.query import health_sentence
    from ..text.units import ages, counted, instant

    if strict and salvage:
        raise click.UsageError("--strict refuses damaged records and --salvage takes what is whole: give one of them.")
    check_out(out)
    choice = OutputChoice(format_name, None, show_all, quiet, all_notes)
    if not paths and found_workspace(workspace_dir) is None:
        raise click.UsageError(
            "which files? Give one PATH or more, files or folders of element sets, or --workspace DIR."
        )
    now = now_of(at_text, lambda: zone_of_site(None, None, workspace_dir))
    choice_of_fleet = FleetChoice(paths, strict, fleet_name, workspace_dir, salvage=salvage)
    fleet, notes = choice_of_fleet.fleet(now)
    condition = conditions.condition_of(fleet, now, choice_of_fleet.history(now))

    oldest = moment(int(fleet.epochs.min().astype("int64")))
    newest = moment(int(fleet.epochs.max().astype("int64")))
    found = shells.shells(fleet)
    what = f"{counted(len(fleet), 'set')} of {counted(fleet.object_count, 'object')} in {counted(len(found), 'shell')}"
    sentence = f"{what}, {ages(now - newest, now - oldest)}."
    lately = " ".join(lately_sentences(condition))
    notes = [
        background(f"Epochs from {instant(oldest)} to {instant(newest)}."),
        Note(" ".join([health_sentence(condition.health.summary), *shell_sentences(condition)])),
        Note(lately) if condition.history is not None or condition.manoeuvres else background(lately),
        *notes,
    ]
    rows, columns = shell_rows(found, condition), list(SHELL_COLUMNS)
    if listing == "objects":
        rows, columns = object_rows(condition), object_columns(now)
    elif listing == "changes":
        rows, columns = condition.changes, change_columns()

    facts = {
        "sets": len(fleet),
        "objects": fleet.object_count,
        "epoch_oldest": instant(oldest),
        "epoch_newest": instant(newest),
        "health": condition.health.counts,
        "condition": condition.counts,
        "snapshots": snapshot_facts(condition),
        "skipped": [str(entry) for entry in fleet.skipped],
        "damaged": fleet.damaged_count,
    }
    # The file comes first: where it cannot be written there is no listing that looks like success.
    if out is not None:
        rounded = write_element_file(fleet, out)
        echo_err(f"Wrote {counted(len(fleet), 'set')} to {out}.{rounded}")
    write(Answer("elements", sentence, rows, columns, notes, facts), choice)
