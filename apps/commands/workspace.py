"""``passim workspace``: the folder a user works in: made, shown, checked."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from ..options import DEFAULT_MASK_DEG, OutputChoice, output_options, workspace_option

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
@click.option("--latitude", "latitude_deg", type=float, metavar="DEG", help="Its latitude, degrees, north positive.")
@click.option("--longitude", "longitude_deg", type=float, metavar="DEG", help="Its longitude, degrees, east positive.")
@click.option("--height", "height_m", type=float, metavar="M", help="Its height above the ellipsoid, m. Default: 0.")
@click.option(
    "--zone", metavar="NAME", help="Its time zone. Default: the one at the coordinates, whenever it is asked."
)
@click.option(
    "--mask",
    "mask_text",
    metavar="DEG|FILE.csv",
    help=f"Its horizon: degrees all round, or a horizon file, named from DIR. Default: {DEFAULT_MASK_DEG:g}.",
)
@click.option("--spot", metavar="NAME", help="What to call the mounting spot. Default: roof.")
@click.option(
    "--gateway", "gateways", multiple=True, metavar="LAT,LON[,MASK]", help="A gateway that counts. Repeat for more."
)
@click.option(
    "--elements", multiple=True, metavar="PATH", help="Element files or folders, named from DIR. Repeat for more."
)
def new(
    directory: str,
    demo_wanted: bool,
    name: str | None,
    latitude_deg: float | None,
    longitude_deg: float | None,
    height_m: float | None,
    zone: str | None,
    mask_text: str | None,
    spot: str | None,
    gateways: tuple[str, ...],
    elements: tuple[str, ...],
) -> None:
    """Write a new workspace into DIR, with a plain word beside each setting.

    On a terminal it asks for what no option gives. A folder that holds a workspace already is left as it is, even where
    its file is damaged.

    \b
    Example:
      passim workspace new demo --demo
      passim workspace new school --name Marram --latitude 45.0 --longitude -28.0 --height 40 --mask 25
    """
    own = {
        "--name": name, "--latitude": latitude_deg, "--longitude": longitude_deg, "--height": height_m, "--zone": zone,
        "--mask": mask_text, "--spot": spot, "--gateway": gateways or None, "--elements": elements or None,
    }  # fmt: skip
    given = [option for option, value in own.items() if value is not None]
    if demo_wanted and given:
        raise click.UsageError(f"--demo writes the invented scenario: leave out {', '.join(given)}.")
    from passim.workspace import NewGateway, NewSite, create

    from ..choices import gateway

    if demo_wanted:
        _made(create(directory, demo=True))
        return
    required = ("--name", "--latitude", "--longitude")
    if not on_terminal():
        missing = [option for option in required if own[option] is None]
        if missing:
            raise click.UsageError(
                f"a site needs {' and '.join(missing)}; --demo writes the invented scenario instead."
            )
    else:
        asking = any(own[option] is None for option in required)
        name = name or click.prompt("Name of the site", err=True)
        latitude_deg = _asked(latitude_deg, "Latitude, degrees, north positive", None, float)
        longitude_deg = _asked(longitude_deg, "Longitude, degrees, east positive", None, float)
        # Whoever has given the place by options is not asked about what has a default.
        if asking:
            height_m = _asked(height_m, "Height above the ellipsoid, m", 0.0, float)
            zone = _asked(zone, "Time zone (empty: the one at the coordinates)", "", str) or None
            mask_text = _asked(mask_text, "Height of the roof line, degrees, or a horizon file", "25", str)
    # Asked for or refused by now.
    assert name is not None
    assert latitude_deg is not None
    assert longitude_deg is not None

    mask_deg, horizon_file = DEFAULT_MASK_DEG, None
    if mask_text is not None:
        try:
            mask_deg = float(mask_text)
        except ValueError:
            horizon_file = mask_text
    site = NewSite(
        name=name,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        height_m=height_m or 0.0,
        zone=zone,
        mask_deg=mask_deg,
        horizon_file=horizon_file,
        spot=spot or "roof",
    )
    where = []
    for number, text in enumerate(gateways, 1):
        place = gateway(text)
        where.append(
            NewGateway(
                name=f"number {number}",
                latitude_deg=place.latitude_deg,
                longitude_deg=place.longitude_deg,
                mask_deg=place.horizon.lowest_deg,
            )
        )
    _made(create(directory, site=site, gateways=where, elements=elements))


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

    from ..output import Answer, check_out, write
    from ..wording import counted

    check_out(output_choice.out)
    opened = _opened(workspace_dir)
    columns = ["site", "spot", "latitude_deg", "longitude_deg", "height_m", "timezone", "horizon", "limits"]
    lines = []
    for name in opened.site_names:
        for spot in opened.spot_names(name):
            view = opened.view(name, spot)
            horizon, *others = (limit.describe() for limit in view.all_limits)
            place = view.site
            where = (place.latitude_deg, place.longitude_deg, place.height_m, place.timezone)
            lines.append((name, spot, *where, horizon, "; ".join(others)))
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
    from ..output import tell
    from ..wording import counted

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
    from ..choices import found_workspace

    opened = found_workspace(workspace_dir)
    if opened is None:
        raise click.UsageError("no workspace here: give --workspace DIR, or make one with passim workspace new DIR.")
    return opened


def _made(opened: Workspace) -> None:
    """Say what was written and what can be asked next."""
    from ..output import tell

    click.echo(f"Wrote {opened.file}: {', '.join(opened.site_names)}.")
    tell(*opened.notes)
    if not opened.fleet_names:
        tell(f"It names no satellites yet: put a [[fleets]] section into {opened.file}.")
    else:
        tell(f"Next: passim gaps --workspace {opened.folder}")


def _asked(given: Any, question: str, default: Any, kind: type) -> Any:
    """Return what was given, or what the person at the terminal answers."""
    return given if given is not None else click.prompt(question, default=default, type=kind, err=True)
