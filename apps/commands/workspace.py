"""``passim workspace``: the folder a user works in: made, shown, checked."""

from __future__ import annotations

import shlex
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from ..command_line.options import (
    DEFAULT_MASK_DEG,
    OutputChoice,
    at_option,
    output_options,
    workspace_option,
)
from ..command_line.usage import Commands
from ..text.notes import Note, background, weighed
from ..text.service import service_words
from ..text.setup import workspace_sentences
from ..text.units import HEIGHT_ABOVE_ELLIPSOID, HOW_TO_GET_A_HEIGHT

if TYPE_CHECKING:
    from passim.workspace import Workspace


_height_option = click.option(
    "--height", metavar="M", help=f"Its {HEIGHT_ABOVE_ELLIPSOID}, m: {HOW_TO_GET_A_HEIGHT}. Default: 0."
)
_zone_option = click.option("--zone", metavar="NAME", help="Its time zone. Default: the one at the coordinates.")
_mask_option = click.option(
    "--mask",
    metavar="DEG|FILE.csv",
    help="Its roof line: degrees down to which it is clear all round, or a horizon file, which is copied into the "
    f"workspace. Default: entered later; until then {DEFAULT_MASK_DEG:g} all round stands in for it.",
)
_spot_option = click.option("--spot", metavar="NAME", help="What to call the mounting spot. Default: roof.")
_call_hours_option = click.option(
    "--call-hours", metavar="HH:MM-HH:MM", help="When calls are held, in the site's own time: 09:00-17:00."
)
_weekdays_option = click.option(
    "--weekdays", metavar="DAYS", help="On which days: mon-fri, or mon,wed,sat. Default: mon-fri."
)


@click.group("workspace", cls=Commands, short_help="The folder you work in: sites, terminal, gateways, fleets.")
def workspace() -> None:
    """Make, show, change and check a workspace: a folder with the file passim.toml.

    The file says where your sites are and what they see of the sky, what the terminal can do, which gateways count, and
    which satellites. Every command finds the workspace of the current folder, else that of your data folder;
    --workspace DIR names another.

    \b
    Example:
      passim workspace new demo --demo
      passim workspace show --workspace demo
    """


@workspace.command("new", short_help="Write a new workspace: your own, or the invented scenario.")
@click.argument("directory", metavar="DIR")
@click.option("--demo", "demo_wanted", is_flag=True, help="The invented scenario instead of a site of your own.")
@click.option("--name", metavar="NAME", help="What to call the site.")
@click.option("--latitude", metavar="DEG", help="Its latitude, degrees, north positive.")
@click.option("--longitude", metavar="DEG", help="Its longitude, degrees, east positive.")
@_height_option
@_zone_option
@_mask_option
@_spot_option
@click.option(
    "--gateway", multiple=True, metavar="LAT,LON[,MASK]", help="A gateway that the terminal may use. Repeat for more."
)
@click.option(
    "--elements",
    multiple=True,
    metavar="PATH",
    help="A file or folder of element sets for the fleet; it stays where it is. Repeat for more.",
)
@_call_hours_option
@_weekdays_option
@at_option
def new(directory: str, demo_wanted: bool, at_text: str | None, **options: str | tuple[str, ...] | None) -> None:
    """Write a new workspace into DIR, with each setting explained in plain words.

    On a terminal it asks for whatever the options leave out, and checks each answer at once. Paths are taken from the
    current folder. A folder that holds a workspace already is left as it is, even where its file is damaged.

    \b
    Example:
      passim workspace new demo --demo
      passim workspace new school --name Marram --latitude 45.0 --longitude -28.0 --height 40 --mask 25
      passim workspace new school --name Marram --latitude 45.0 --longitude -28.0 --mask roof.csv \\
        --elements fleet.json --gateway 39.6,-28.0 --call-hours 09:00-17:00 --weekdays mon-fri
    """
    given = {
        f"--{name.replace('_', '-')}": value if isinstance(value, tuple) else (value,)
        for name, value in options.items()
        if value is not None and value != ()
    }
    if demo_wanted and given:
        raise click.UsageError(f"--demo writes the invented scenario: leave out {', '.join(given)}.")
    from passim.errors import InputError
    from passim.workspace import Workspace, check_folder, create

    from ..command_line.new_workspace import Answers, read_answers, site_of
    from ..command_line.output import echo_err
    from ..command_line.parsing import now_of

    if demo_wanted:
        from passim.workspace import invented_record

        now = now_of(at_text, lambda: Workspace.demo().site().timezone)
        made = create(directory, demo=True, at=now)
        invented_record.write_invented_record(made, now)
        _made(made)
        return
    # Before the first question: nobody should answer them all for a folder that cannot be used.
    check_folder(directory)
    answers = Answers()
    try:
        read_answers(given, answers, ask=on_terminal())
        gateways = [
            replace(place, name=f"number {number}")
            for number, place in enumerate(answers.values.get("--gateway", ()), 1)
        ]
        elements = [path for paths in answers.values.get("--elements", ()) for path in paths]
        made = create(directory, site=site_of(answers), gateways=gateways, elements=elements)
    except (InputError, click.Abort):
        if answers.typed:
            echo_err("", f"Nothing was written. To carry on from what you typed: {answers.command(directory)}")
        raise
    _made(made)


@workspace.group("add", cls=Commands, short_help="Add a site, a mounting spot or a gateway.")
def add() -> None:
    """Add a site, a mounting spot or a gateway to a workspace; every comment in its file stays where it is.

    What changes is shown, and passim workspace undo takes it back.

    \b
    Example:
      passim workspace add spot Marram --name mast --mask 20
    """


@add.command("site", short_help="A site with its one mounting spot.")
@workspace_option
@click.option("--name", metavar="NAME", required=True, help="What to call the site.")
@click.option("--latitude", metavar="DEG", required=True, help="Its latitude, degrees, north positive.")
@click.option("--longitude", metavar="DEG", required=True, help="Its longitude, degrees, east positive.")
@_height_option
@_zone_option
@_mask_option
@_spot_option
@_call_hours_option
@_weekdays_option
def add_site(workspace_dir: str | None, **options: str | None) -> None:
    """Add a site after the existing ones. Every gateway of the file counts for it.

    \b
    Example:
      passim workspace add site --name Lantern --latitude 58.5 --longitude -28.0 --height 60 --mask 25
    """
    from passim.workspace import add_site as added

    from ..command_line.new_workspace import Answers, read_answers, site_of

    given = {f"--{name.replace('_', '-')}": (value,) for name, value in options.items() if value is not None}
    opened, answers = _opened(workspace_dir), Answers()
    read_answers(given, answers, ask=False)
    before = opened.text
    show_changes(added(opened, site_of(answers)), before)


@add.command("spot", short_help="A mounting spot of a site.")
@click.argument("site_name", metavar="SITE")
@workspace_option
@click.option("--name", metavar="NAME", required=True, help="What to call the mounting spot.")
@_mask_option
def add_spot(site_name: str, workspace_dir: str | None, name: str, mask: str | None) -> None:
    """Add a mounting spot to SITE, after the existing ones.

    \b
    Example:
      passim workspace add spot Marram --name mast --mask mast.csv
    """
    from passim.workspace import add_spot as added, check_name

    from ..command_line.parsing import mask as horizon_of

    opened = _opened(workspace_dir)
    check_name(name, "name of the mounting spot")
    horizon = None if mask is None else horizon_of(mask)[0]
    before = opened.text
    if horizon is None:
        changed = added(opened, site_name, name)
    elif horizon.is_flat:
        changed = added(opened, site_name, name, mask_deg=horizon.lowest_deg)
    else:
        changed = added(opened, site_name, name, horizon=horizon)
    show_changes(changed, before)


@add.command("gateway", short_help="A gateway.")
@click.argument("place", metavar="LAT,LON[,MASK]")
@workspace_option
@click.option("--name", metavar="NAME", required=True, help="What to call the gateway.")
@_height_option
@click.option(
    "--for",
    "for_sites",
    multiple=True,
    metavar="SITE",
    help=(
        "A site that lists its own gateways and is to use this one too. Repeat for more. Sites that list none use all."
    ),
)
def add_gateway(
    place: str, workspace_dir: str | None, name: str, height: str | None, for_sites: tuple[str, ...]
) -> None:
    """Add a gateway: latitude and longitude in degrees, north and east positive, and the mask above which it works.

    \b
    Example:
      passim workspace add gateway --name West --for Marram -- 45.0,-33.5
    """
    from passim.workspace import add_gateway as added, check_name

    from ..command_line.parsing import gateway, number

    opened = _opened(workspace_dir)
    check_name(name, "name of the gateway")
    height_m = 0.0 if height is None else number(height, "--height", "metres", "40")
    new = replace(gateway(place), name=name, height_m=height_m)
    before = opened.text
    changed = added(opened, new, for_sites)
    show_changes(changed, before)
    left_out = [site for site in changed.site_names if name not in [g.name for g in changed.gateways(site)]]
    if left_out:
        from ..command_line.output import echo_err

        echo_err(f"It is not used by {', '.join(left_out)}, which list their gateways: --for SITE adds it there.")


@workspace.command("undo", short_help="Take back the last change that passim made.")
@workspace_option
def undo(workspace_dir: str | None) -> None:
    """Put passim.toml back as it was before passim last changed it; once more brings the change back.

    It is refused where the file has been changed by hand since.

    \b
    Example:
      passim workspace undo
    """
    opened = _opened(workspace_dir)
    before = opened.text
    undone, _ = opened.undo()
    show_changes(undone, before)


@workspace.command("calendar", short_help="The address by which a calendar program reads the suggested calls.")
@click.option("--new", "new_wanted", is_flag=True, help="Make an address; one made before does not hold any more.")
@click.option("--withdraw", is_flag=True, help="Withdraw the address: it answers nobody any more.")
@workspace_option
def calendar(new_wanted: bool, withdraw: bool, workspace_dir: str | None) -> None:
    """Show the address to subscribe to, make one, or withdraw it.

    The dashboard answers there, while it runs, with the calls that `passim calls --ics` suggests, without a password.
    Behind a question mark stand the choices of the page Calls, which shows the whole address: site, spot, kind, length,
    hours.

    
    Example:
      passim workspace calendar --new
      passim workspace calendar --withdraw
    """
    from passim.workspace import calendar_address

    from ..text.calendar import address_sentence

    opened = _opened(workspace_dir)
    if new_wanted and withdraw:
        raise click.UsageError("--new makes an address, and --withdraw takes it away: give one of them.")
    if withdraw:
        click.echo("Withdrawn." if calendar_address.withdraw_calendar_key(opened) else "There was no calendar address.")
        return
    key = calendar_address.new_calendar_key(opened) if new_wanted else calendar_address.calendar_key(opened)
    click.echo(address_sentence(key))


@workspace.command("show", short_help="What is in a workspace, site by site and spot by spot.")
@workspace_option
@output_options
def show(workspace_dir: str | None, output_choice: OutputChoice) -> None:
    """Show the sites of a workspace with their mounting spots and limits, and the fleets and assumptions.

    CSV and JSON hold the columns site, spot, latitude_deg, longitude_deg, height_m, timezone, horizon and limits.

    \b
    Example:
      passim workspace show
      passim workspace show --workspace demo --format json
    """
    from ..command_line.output import write
    from ..text.answer import Answer
    from ..text.setup import PLACE_COLUMNS, lower_than_terminal, place_rows
    from ..text.units import counted

    opened = _opened(workspace_dir)
    fleets = ", ".join(opened.fleet_names)
    what = f"{counted(len(opened.site_names), 'site')} and {counted(len(opened.fleet_names), 'fleet')}"
    sentence = f"{opened.settings.name or opened.folder}: {what}{f' ({fleets})' if fleets else ''}, in {opened.file}."
    notes = [background(f"Terminal: {service_words(opened.service)}.")]
    if lower := lower_than_terminal(opened):
        notes.append(Note(lower))
    notes += weighed(f"Assumed since {a.since}, not measured: {a.setting}; {a.how}." for a in opened.assumptions)
    facts = {
        "workspace": str(opened.folder),
        "name": opened.settings.name,
        "fleets": list(opened.fleet_names),
        "assumptions": [{"setting": a.setting, "since": str(a.since), "how": a.how} for a in opened.assumptions],
    }
    write(
        Answer(
            "workspace show",
            sentence,
            place_rows(opened),
            PLACE_COLUMNS,
            (*notes, *weighed(workspace_sentences(opened))),
            facts,
        ),
        output_choice,
    )


@workspace.command("check", short_help="Check a workspace, and say what is wrong with it.")
@workspace_option
def check(workspace_dir: str | None) -> None:
    """Read everything a workspace names, horizon and element files too, and list what is wrong, each with its line.

    Exit status 0 means that it is sound; notes may still point out what looks odd, or what is missing before anything
    can be computed.

    \b
    Example:
      passim workspace check
      passim workspace check --workspace demo
    """
    from ..command_line.output import echo_err
    from ..text.units import counted
    from ..text.workspace import lacking_sentence, next_steps

    opened = _opened(workspace_dir)
    objects = [f"{name}: {counted(opened.fleet(name).object_count, 'object')}" for name in opened.fleet_names]
    for name in opened.site_names:
        for spot in opened.spot_names(name):
            opened.view(name, spot)
    click.echo(
        f"{opened.file} is sound: {counted(len(opened.site_names), 'site')}; {'; '.join(objects) or 'no fleet'}."
    )
    if opened.missing:
        echo_err(lacking_sentence(opened.missing), *next_steps(opened.missing, opened.file, on_pages=False))
    echo_err(*workspace_sentences(opened))


def on_terminal() -> bool:
    """Whether a person can be asked."""
    return sys.stdin.isatty()


def _opened(workspace_dir: str | None) -> Workspace:
    """Return the workspace asked for. Raises WorkspaceError, or UsageError where there is none."""
    from ..command_line.parsing import found_workspace

    opened = found_workspace(workspace_dir)
    if opened is None:
        raise click.UsageError("no workspace here: give --workspace DIR, or make one with passim workspace new DIR.")
    return opened


def show_changes(changed: Workspace, before: str) -> None:
    """Show the lines of the file that went and came since it was the text `before`, and what else is to be told."""
    from ..command_line.output import echo_err
    from ..text.units import printable

    click.echo(f"Changed {changed.file}:")
    for line in changed.changes_since(before) or ["nothing"]:
        click.echo(f"  {printable(line)}")
    echo_err(*workspace_sentences(changed))


def _made(opened: Workspace) -> None:
    """Say what was written and what can be asked next."""
    from ..command_line.output import echo_err

    click.echo(f"Wrote {opened.file}: {', '.join(opened.site_names)}.")
    echo_err(*workspace_sentences(opened))
    if not opened.fleet_names:
        echo_err(f"It names no satellites yet: put a [[fleets]] section into {opened.file}.")
    else:
        echo_err(f"Next: {shlex.join(['passim', 'gaps', '--workspace', str(opened.folder)])}")
