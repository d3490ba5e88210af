"""``passim workspace``: the folder a user works in: made, shown, checked."""

from __future__ import annotations

import shlex
import sys
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import (
    DEFAULT_MASK_DEG,
    OutputChoice,
    at_option,
    output_options,
    workspace_option,
)
from ..text.units import HEIGHT_ABOVE_ELLIPSOID, HOW_TO_GET_A_HEIGHT

if TYPE_CHECKING:
    from passim.workspace import Workspace


@click.group("workspace", short_help="The folder you work in: sites, terminal, gateways, fleets.")
def workspace() -> None:
    """Make, show and check a workspace: a folder with the file passim.toml.

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
@click.option("--height", metavar="M", help=f"Its {HEIGHT_ABOVE_ELLIPSOID}, m: {HOW_TO_GET_A_HEIGHT}. Default: 0.")
@click.option(
    "--zone", metavar="NAME", help="Its time zone. Default: the one at the coordinates, whenever it is asked."
)
@click.option(
    "--mask",
    metavar="DEG|FILE.csv",
    help=f"Its roof line: degrees all round, or a horizon file, which is copied into DIR. "
    f"Default: {DEFAULT_MASK_DEG:g}.",
)
@click.option("--spot", metavar="NAME", help="What to call the mounting spot. Default: roof.")
@click.option("--gateway", multiple=True, metavar="LAT,LON[,MASK]", help="A gateway that counts. Repeat for more.")
@click.option(
    "--elements",
    multiple=True,
    metavar="PATH",
    help="A file or folder of element sets for the fleet; it stays where it is. Repeat for more.",
)
@click.option("--call-hours", metavar="HH:MM-HH:MM", help="When calls are held, in the site's own time: 09:00-17:00.")
@click.option("--weekdays", metavar="DAYS", help="On which days: mon-fri, or mon,wed,sat. Default: mon-fri.")
@at_option
def new(directory: str, demo_wanted: bool, at_text: str | None, **options: str | tuple[str, ...] | None) -> None:
    """Write a new workspace into DIR, with a plain word beside each setting.

    On a terminal it asks for what no option gives, and checks each answer at once. Paths are taken from the current
    folder. A folder that holds a workspace already is left as it is, even where its file is damaged.

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
    from passim.answers import scenario
    from passim.errors import InputError
    from passim.workspace import NewGateway, check_folder, create

    from ..command_line.new_workspace import Answers, new_site, read_answers
    from ..command_line.output import tell
    from ..command_line.parsing import now_of

    if demo_wanted:
        _made(create(directory, demo=True, at=now_of(at_text, lambda: scenario.MARRAM_LOFT.timezone)))
        return
    # Before the first question: nobody should answer them all for a folder that cannot be used.
    check_folder(directory)
    answers = Answers()
    try:
        read_answers(given, answers, ask=on_terminal())
        gateways = [
            NewGateway(
                name=f"number {number}",
                latitude_deg=place.latitude_deg,
                longitude_deg=place.longitude_deg,
                mask_deg=place.horizon.lowest_deg,
            )
            for number, place in enumerate(answers.values.get("--gateway", ()), 1)
        ]
        elements = [path for paths in answers.values.get("--elements", ()) for path in paths]
        made = create(directory, site=new_site(answers), gateways=gateways, elements=elements)
    except (InputError, click.Abort):
        if answers.asked:
            tell("", f"Nothing was written. To go on from what you typed: {answers.command(directory)}")
        raise
    _made(made)


@workspace.command("show", short_help="What a workspace says, site by site and spot by spot.")
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
    import pandas as pd

    from ..command_line.output import Answer, check_out, write
    from ..text.units import counted

    check_out(output_choice.out)
    opened = _opened(workspace_dir)
    columns = ["site", "spot", "latitude_deg", "longitude_deg", "height_m", "timezone", "horizon", "limits"]
    lines, lower = [], []
    for name in opened.site_names:
        for spot in opened.spot_names(name):
            view = opened.view(name, spot)
            horizon, *others = view.descriptions.values()
            place = view.site
            where = (place.latitude_deg, place.longitude_deg, place.height_m, place.timezone)
            lines.append((name, spot, *where, horizon, "; ".join(others)))
            if view.floor_note is not None:
                lower.append(f"{name} {spot}")
    rows = pd.DataFrame(lines, columns=columns)

    def cells(row: Any) -> list[str]:
        return [
            row.site,
            row.spot,
            f"{row.latitude_deg:g}",
            f"{row.longitude_deg:g}",
            f"{row.height_m:g}",
            row.timezone,
            row.horizon,
            row.limits,
        ]

    fleets = ", ".join(opened.fleet_names)
    what = f"{counted(len(opened.site_names), 'site')} and {counted(len(opened.fleet_names), 'fleet')}"
    sentence = f"{opened.settings.name or opened.folder}: {what}{f' ({fleets})' if fleets else ''}, in {opened.file}."
    notes = [f"Terminal: {opened.service.describe()}."]
    if lower:
        floor = f"The terminal works from {opened.settings.terminal.lowest_elevation_deg:g}° up"
        notes.append(f"{floor}: the horizon counts only where it is higher. It is lower at {', '.join(lower)}.")
    notes += [f"Assumed since {a.since}, not measured: {a.setting}; {a.how}." for a in opened.assumptions]
    headings = ("Site", "Spot", ">Latitude °", ">Longitude °", ">Height m", "Zone", "Horizon", "Other limits")
    facts = {
        "workspace": str(opened.folder),
        "name": opened.settings.name,
        "fleets": list(opened.fleet_names),
        "assumptions": [{"setting": a.setting, "since": str(a.since), "how": a.how} for a in opened.assumptions],
    }
    write(Answer("workspace show", sentence, rows, headings, cells, (*notes, *opened.notes), facts), output_choice)


@workspace.command("check", short_help="Whether a workspace is sound, and where it is not.")
@workspace_option
def check(workspace_dir: str | None) -> None:
    """Read everything a workspace names, horizon and element files too, and say all that is wrong, each with its line.

    Exit status 0 says that it is sound; notes may still point at what looks odd.

    \b
    Example:
      passim workspace check
      passim workspace check --workspace demo
    """
    from ..command_line.output import tell
    from ..text.units import counted

    opened = _opened(workspace_dir)
    objects = [f"{name}: {counted(opened.fleet(name).object_count, 'object')}" for name in opened.fleet_names]
    for name in opened.site_names:
        for spot in opened.spot_names(name):
            opened.view(name, spot)
    click.echo(
        f"{opened.file} is sound: {counted(len(opened.site_names), 'site')}; {'; '.join(objects) or 'no fleet'}."
    )
    tell(*opened.notes)


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


def _made(opened: Workspace) -> None:
    """Say what was written and what can be asked next."""
    from ..command_line.output import tell

    click.echo(f"Wrote {opened.file}: {', '.join(opened.site_names)}.")
    tell(*opened.notes)
    if not opened.fleet_names:
        tell(f"It names no satellites yet: put a [[fleets]] section into {opened.file}.")
    else:
        tell(f"Next: {shlex.join(['passim', 'gaps', '--workspace', str(opened.folder)])}")
