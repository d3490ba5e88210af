"""``passim survey``: a horizon profile from sightings or obstacles, and what a better mounting would bring."""

from __future__ import annotations

import dataclasses
import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from ..command_line.options import (
    fleet_options,
    output_options,
    place_options,
    site_options,
    span_options,
    workspace_option,
)
from ..command_line.parsing import (
    DEFAULT_MASK_DEG,
    FleetChoice,
    OutputChoice,
    SiteChoice,
    SpanChoice,
    check_out,
    found_workspace,
    mask,
)
from ..command_line.record_options import RecordChoice, record_file_option, record_options
from ..command_line.usage import NUMBER, Commands, OneOf

if TYPE_CHECKING:
    from passim import Horizon
    from passim.sky import survey as profiles, view as views
    from passim.workspace import Workspace

    from ..text.mounting import Basis

_declination_option = click.option(
    "--declination",
    "declination_deg",
    type=NUMBER,
    default=0.0,
    show_default=True,
    metavar="DEG",
    help="Magnetic declination of the place, east positive: true bearing = compass bearing + declination.",
)
_base_option = click.option(
    "--base",
    "base_text",
    metavar="DEG|FILE.csv",
    default=f"{DEFAULT_MASK_DEG:g}",
    show_default=True,
    help=(
        "Minimum elevation, all round: the lowest at which the terminal works, or a horizon file. 0 "
        "gives the bare skyline."
    ),
)
_horizon_out_option = click.option("--out", metavar="FILE.csv", help="Horizon file to write.")
_keep_as_option = click.option(
    "--keep-as",
    metavar="SITE/SPOT",
    help=(
        "Keep it in the workspace as the horizon of this mounting spot, a new one if need be; passim "
        "workspace undo takes it back."
    ),
)
_obstacles_option = click.option(
    "--file",
    "obstacles_path",
    required=True,
    metavar="CSV",
    help="Obstacles, one a line: bearing_deg,width_m,distance_m,height_m[,name].",
)


@click.group(
    "survey",
    cls=Commands,
    short_help="A horizon from the spot itself, and what a better mount brings.",
    invoke_without_command=True,
)
@click.pass_context
def survey(ctx: click.Context) -> None:
    """Make a horizon profile from what can be seen or measured, or from a record, and compare mounting spots and masts.

    Go up with the sheet, write down a few points of the skyline, turn them into a horizon file, and give that file to
    any command as --mask.

    \b
    Example:
      passim survey sheet --out sheet.html
      passim survey stretches --stretches 270:315:40 --out horizon.csv
      passim survey spots --compare yard=horizon.csv --compare loft=25 --elements fleet.json --site 45.0,-28.0,40
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


@survey.command("sighted", short_help="A horizon file from sighted points.")
@click.option("--points", "points_text", metavar="AZ:EL,...", help="Azimuth and elevation of each point, clockwise.")
@click.option("--file", "path", metavar="CSV", help="The same from a file with the columns azimuth_deg,elevation_deg.")
@_declination_option
@_base_option
@_horizon_out_option
@_keep_as_option
@workspace_option
def sighted(
    points_text: str | None,
    path: str | None,
    declination_deg: float,
    base_text: str,
    out: str | None,
    keep_as: str | None,
    workspace_dir: str | None,
) -> None:
    """Write the horizon through a few sighted points, joined by straight lines.

    Give the points in clockwise order; the round may begin anywhere. Where something begins or ends, give a point on
    either side of its end, or use passim survey stretches: the last example is a ridge 30 deg high from 200 to 260 deg,
    with a free sky down to 15 deg beside it.

    \b
    Example:
      passim survey sighted --points 0:12,90:38,180:10,270:15 --declination -4.5 --out horizon.csv
      passim survey sighted --file sightings.csv --base 0 --out skyline.csv
      passim survey sighted --points 0:12,90:38,180:10,270:15 --keep-as Marram/mast
      passim survey sighted --points 199:15,200:30,260:30,261:15 --base 15 --out ridge.csv
    """
    from passim.sky import survey as profiles, survey_files

    if (points_text is None) == (path is None):
        raise click.UsageError("which points? Give either --points AZ:EL,AZ:EL,... or --file CSV.")
    check_out(out)
    workspace = _workspace_to_keep_in(out, keep_as, workspace_dir)
    base, _ = mask(base_text)
    sightings = survey_files.read_sightings(path) if path is not None else _points(points_text or "")
    found = profiles.from_sightings(sightings, declination_deg=declination_deg, base=base)
    _write_horizon(found, out, keep_as, workspace)


@survey.command("stretches", short_help="A horizon file from stretches: from where to where, how high.")
@click.option(
    "--stretches",
    "stretches_text",
    metavar="FROM:TO:EL,...",
    help="From which azimuth to which, clockwise, and up to which elevation, degrees. Default: clear all round.",
)
@_declination_option
@_base_option
@_horizon_out_option
@_keep_as_option
@workspace_option
def stretches(
    stretches_text: str | None,
    declination_deg: float,
    base_text: str,
    out: str | None,
    keep_as: str | None,
    workspace_dir: str | None,
) -> None:
    """Write the horizon of ridges and walls: each as high from one azimuth to another, with upright ends.

    From 350 to 20 a stretch goes over north. Where several stand one behind the other the highest counts. Without any
    the view is clear all round down to --base, which answers for a flat site.

    \b
    Example:
      passim survey stretches --stretches 270:315:40 --out ridge.csv
      passim survey stretches --stretches 350:20:30,90:140:45 --declination -4.5 --keep-as Marram/mast
      passim survey stretches --base 25 --keep-as Marram/mast
    """
    from passim.sky import survey as profiles

    check_out(out)
    workspace = _workspace_to_keep_in(out, keep_as, workspace_dir)
    base, _ = mask(base_text)
    given = [] if stretches_text is None else _stretches(stretches_text)
    found = profiles.from_stretches(given, declination_deg=declination_deg, base=base)
    _write_horizon(found, out, keep_as, workspace)


@survey.command("obstacles", short_help="A horizon file from measured obstacles.")
@_obstacles_option
@click.option(
    "--mount-height", "mount_height_m", type=NUMBER, required=True, metavar="M", help="Height of the mount, metres."
)
@_declination_option
@_base_option
@_horizon_out_option
@_keep_as_option
@workspace_option
def obstacles(
    obstacles_path: str,
    mount_height_m: float,
    declination_deg: float,
    base_text: str,
    out: str | None,
    keep_as: str | None,
    workspace_dir: str | None,
) -> None:
    """Write the horizon that obstacles make, seen from a mount of some height.

    Each obstacle counts as an upright wall with a level top that faces the mount. Its height and the mount's are
    measured from the same ground.

    \b
    Example:
      passim survey obstacles --file obstacles.csv --mount-height 4 --declination -4.5 --out horizon.csv
    """
    from passim.sky import survey as profiles, survey_files

    check_out(out)
    workspace = _workspace_to_keep_in(out, keep_as, workspace_dir)
    base, _ = mask(base_text)
    walls = survey_files.read_obstacles(obstacles_path)
    found = profiles.from_obstacles(walls, mount_height_m, declination_deg=declination_deg, base=base)
    _write_horizon(found, out, keep_as, workspace)


@survey.command("mast", short_help="What each extra metre of mast gains.")
@_obstacles_option
@click.option(
    "--from-height", "lowest_m", type=NUMBER, default=2.0, show_default=True, metavar="M", help="Lowest mount, metres."
)
@click.option(
    "--to-height", "highest_m", type=NUMBER, default=8.0, show_default=True, metavar="M", help="Highest mount, metres."
)
@click.option(
    "--step", "step_m", type=NUMBER, default=1.0, show_default=True, metavar="M", help="Metres between mounts."
)
@_declination_option
@fleet_options
@site_options
@span_options
@output_options
def mast(
    obstacles_path: str,
    lowest_m: float,
    highest_m: float,
    step_m: float,
    declination_deg: float,
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    output_choice: OutputChoice,
) -> None:
    """Compare mount heights amid obstacles: how many seconds without service a day each height leaves.

    --mask is what lies behind the obstacles: the elevation below which the terminal does not work, or a horizon file.
    Heights are measured from the same ground as the obstacles.

    \b
    Example:
      passim survey mast --file obstacles.csv --from-height 2 --to-height 8 --elements fleet.json --site 45.0,-28.0
    """
    from passim.answers.sites import mounting
    from passim.sky import survey_files

    from ..command_line.output import progress, write
    from ..text import mounting as mounting_words

    heights_m = mounting.mast_heights(lowest_m, highest_m, step_m)
    walls = survey_files.read_obstacles(obstacles_path)
    start = _basis(fleet_choice, site_choice, span_choice)
    with progress("Comparing heights") as report:
        result = mounting.compare_masts(
            start.fleet,
            start.view,
            walls,
            heights_m,
            start.span,
            declination_deg=declination_deg,
            progress=report,
        )
    write(mounting_words.mast_answer(result, start), output_choice)


@survey.command("spots", short_help="Which mounting spot loses least service.")
@click.option(
    "--compare",
    "spot_texts",
    multiple=True,
    metavar="NAME=DEG|NAME=FILE.csv",
    help="A spot and its horizon, in degrees all round or as a horizon file. Repeat; the others are compared with "
    "the first.",
)
@fleet_options
@place_options
@span_options
@output_options
def spots(
    spot_texts: tuple[str, ...],
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    output_choice: OutputChoice,
) -> None:
    """Compare mounting spots of one site by their horizons: loft against yard, in seconds without service a day.

    In a workspace these are the spots of the site, that of --spot first, and any given by --compare.

    \b
    Example:
      passim survey spots --compare yard=yard.csv --compare loft=25 --elements fleet.json --site 45.0,-28.0,40
    """
    from passim.answers.sites import mounting

    from ..command_line.output import progress, write
    from ..text import mounting as mounting_words

    horizons = [_spot(text) for text in spot_texts]
    start = _basis(fleet_choice, site_choice, span_choice, own_horizon=False)
    named = _spots_to_compare(horizons, site_choice, start)
    with progress("Comparing spots") as report:
        result = mounting.compare_spots(start.fleet, named, start.span, progress=report)
    write(mounting_words.spots_answer(result, start), output_choice)


@survey.command("portable", short_help="A new place whose horizon is unknown: a range.")
@click.option(
    "--open",
    "open_deg",
    type=NUMBER,
    default=25.0,
    show_default=True,
    metavar="DEG",
    help="The best horizon to expect, degrees all round.",
)
@click.option(
    "--bad",
    "bad_deg",
    type=NUMBER,
    default=45.0,
    show_default=True,
    metavar="DEG",
    help="The worst horizon to expect, degrees all round.",
)
@fleet_options
@place_options
@span_options
@output_options
def portable(
    open_deg: float,
    bad_deg: float,
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    output_choice: OutputChoice,
) -> None:
    """Say what to expect of a place before anyone has seen its horizon: a range between an open and a bad one.

    A terminal that travels takes only itself along, so give the new place as --site, and --gateway where satellites
    need one.

    \b
    Example:
      passim survey portable --site 52.0,-28.0,15 --open 25 --bad 45 --elements fleet.json
    """
    from passim.answers.sites import mounting

    from ..command_line.output import progress, write
    from ..text import mounting as mounting_words

    if site_choice.site_text is None:
        raise click.UsageError("where is it now? Give --site LAT,LON[,HEIGHT_M].")
    start = _basis(fleet_choice, site_choice, span_choice, own_horizon=False)
    with progress("Comparing horizons") as report:
        result = mounting.horizon_range(
            start.fleet, start.view, start.span, open_deg=open_deg, bad_deg=bad_deg, progress=report
        )
    write(mounting_words.portable_answer(result, start), output_choice)


@survey.command("record", short_help="A roof line from what the line did: no climb.")
@fleet_options
@site_options
@record_file_option
@record_options
@click.option(
    "--clock-ahead",
    "clock_ahead_s",
    type=NUMBER,
    default=0.0,
    show_default=True,
    metavar="SECONDS",
    help="How far the record's clock is ahead, as passim reconcile and passim fit tell it, up to 60; behind, where "
    "negative.",
)
@click.option("--horizon-out", metavar="FILE.csv", help="Horizon file to write the roof line that fits to.")
@_keep_as_option
@output_options
def record(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    record_path: str | None,
    record_choice: RecordChoice,
    clock_ahead_s: float,
    horizon_out: str | None,
    keep_as: str | None,
    output_choice: OutputChoice,
) -> None:
    """Say which directions the record of the line shows to be clear or blocked, and which are not known yet.

    While the line held, one of the satellites in view served; while it was frozen, none did. Over some days that tells
    of each direction whether something stands in it. The other limits of the workspace, such as its gateways, count as
    they are set up; --without takes one away.

    CSV and JSON hold a row a sector: azimuth_from_deg, azimuth_to_deg, blocked_below_deg, clear_above_deg, not_known,
    horizon_deg and days_to_settle; JSON also every direction with its verdict.

    \b
    Example:
      passim survey record
      passim survey record --record freezes.csv --clock-ahead 7.4 --horizon-out roof.csv
      passim survey record --from 2026-11-20 --keep-as Marram/loft
    """
    from passim.line import fleets_over, horizon_evidence
    from passim.sky import survey_files
    from passim.workspace import keep_horizon_as

    from ..command_line.output import echo_err, progress, write
    from ..text.directions import evidence_answer
    from ..text.fit import changing_lines
    from ..text.notes import background
    from ..text.query import CAUTION
    from ..text.setup import workspace_sentences
    from ..text.units import LocalClock

    check_out(horizon_out)
    workspace = None if keep_as is None else _workspace_to_keep_in(None, keep_as, site_choice.workspace_dir)
    view, view_notes = site_choice.view()
    zone = view.site.timezone
    line, read_notes = record_choice.record(fleet_choice.workspace_dir, record_path, zone)
    fleet_at, fleet_notes = fleet_choice.over_time(line.span.end)
    for part, fleet in fleets_over(fleet_at, line.span):
        fleet_choice.check_age(fleet, part.middle)
    with progress("Looking at the sky recorded"):
        found = horizon_evidence(fleet_at, view, line, clock_offset_s=clock_ahead_s)
    notes = [background(f"Record: {line.source}."), *read_notes, *view_notes, *fleet_notes, CAUTION]
    write(evidence_answer(found, LocalClock(zone, line.span), notes), output_choice)
    if horizon_out is not None:
        survey_files.write_horizon(found.horizon, horizon_out)
        echo_err(f"Wrote the roof line to {horizon_out}. Use it with --mask {shlex.quote(horizon_out)}.")
    if workspace is not None and keep_as is not None:
        changed = keep_horizon_as(workspace, keep_as, found.horizon)
        echo_err(
            *changing_lines(changed.changes_since(workspace.text), str(changed.file)), *workspace_sentences(changed)
        )


@survey.command("sheet", short_help="A sheet to print and fill in on the spot.")
@click.option(
    "--bearings", type=OneOf(["12", "24", "36", "72"]), default="24", show_default=True, help="How many bearings."
)
@click.option("--place", default="", metavar="TEXT", help="The place to write at the top. Default: a blank.")
@click.option(
    "--declination",
    "declination_deg",
    type=NUMBER,
    metavar="DEG",
    help="Magnetic declination, east positive, to print true bearings too. Default: a blank.",
)
@click.option("--out", required=True, metavar="FILE", help="File to write: .html for a page, .txt for plain text.")
def sheet(bearings: str, place: str, declination_deg: float | None, out: str) -> None:
    """Write a sheet to print: bearings with blanks for their elevations, how to sight them, and the cautions.

    \b
    Example:
      passim survey sheet --out sheet.html --bearings 36 --place "Marram loft" --declination -4.5
    """
    from passim.errors import InputError
    from passim.sky import survey as profiles

    from ..command_line.output import echo_err, write_file
    from ..report.sighting_sheet import Sheet, as_page, as_text
    from ..text.mounting import MOUNTING_CAUTIONS

    check_out(out)
    makers = {"html": as_page, "htm": as_page, "txt": as_text}
    make = makers.get(out.lower().rpartition(".")[2])
    if make is None:
        raise InputError("--out", got=out, wanted="a name that ends in .html or .txt")
    if declination_deg is not None:
        profiles.check_declination(declination_deg)
    write_file(out, make(Sheet(place, int(bearings), declination_deg, MOUNTING_CAUTIONS)))
    echo_err(f"Wrote a sighting sheet of {bearings} bearings to {out}.")


def _points(text: str) -> list[profiles.Sighting]:
    """Return the sightings of "AZ:EL,AZ:EL,...". Raises SiteError."""
    from passim.errors import SiteError
    from passim.sky import survey as profiles

    sightings = []
    for part in text.split(","):
        try:
            azimuth_deg, elevation_deg = (float(number) for number in part.split(":"))
        except ValueError:
            raise SiteError(
                "--points",
                got=part,
                wanted="AZ:EL in degrees, with commas between points",
                try_next="0:12,90:38,180:10",
            ) from None
        sightings.append(profiles.Sighting(azimuth_deg, elevation_deg))
    return sightings


def _stretches(text: str) -> list[profiles.Stretch]:
    """Return the stretches of "FROM:TO:EL,FROM:TO:EL,...". Raises SiteError."""
    from passim.errors import SiteError
    from passim.sky import survey as profiles

    found = []
    for part in text.split(","):
        try:
            from_deg, to_deg, elevation_deg = (float(number) for number in part.split(":"))
        except ValueError:
            raise SiteError(
                "--stretches",
                got=part,
                wanted="FROM:TO:EL in degrees, with commas between stretches",
                try_next="270:315:40,350:20:30",
            ) from None
        found.append(profiles.Stretch(from_deg, to_deg, elevation_deg))
    return found


def _spot(text: str) -> tuple[str, Horizon]:
    """Return the name and the horizon of "NAME=DEG" or "NAME=FILE.csv". Raises SiteError."""
    from passim.errors import SiteError

    name, sign, horizon_text = text.partition("=")
    if not sign or not name.strip() or not horizon_text.strip():
        raise SiteError("--compare", got=text, wanted="NAME=DEG or NAME=FILE.csv", try_next="--compare loft=25")
    horizon, _ = mask(horizon_text.strip())
    return name.strip(), horizon


def _workspace_to_keep_in(out: str | None, keep_as: str | None, workspace_dir: str | None) -> Workspace | None:
    """Return the workspace of --keep-as, which names one of its sites; None without. Raises UsageError, InputError."""
    from passim.workspace import site_and_spot

    if keep_as is None:
        if out is None:
            raise click.UsageError("where to? Give --out FILE.csv, or --keep-as SITE/SPOT, or both.")
        return None
    workspace = found_workspace(workspace_dir)
    if workspace is None:
        raise click.UsageError("--keep-as needs a workspace to keep it in: passim workspace new DIR makes one.")
    # A slip in a name should not cost the points.
    site_and_spot(workspace, keep_as)
    return workspace


def _write_horizon(result: profiles.Survey, out: str | None, keep_as: str | None, workspace: Workspace | None) -> None:
    """Write the horizon file, or keep the horizon in the workspace, or both, and say what it holds."""
    from passim.sky import survey_files
    from passim.workspace import keep_horizon_as

    from ..command_line.output import echo_err
    from ..text.mounting import MOUNTING_CAUTIONS, horizon_sentence, survey_sentences
    from ..text.units import printable
    from .workspace import show_changes

    horizon, where = result.horizon, out or str(keep_as)
    if out is not None:
        survey_files.write_horizon(horizon, out)
    click.echo(printable(horizon_sentence(horizon.azimuths_deg, horizon.elevations_deg, where)))
    if workspace is not None and keep_as is not None:
        before = workspace.text
        show_changes(keep_horizon_as(workspace, keep_as, horizon), before)
    use = [] if out is None else [f"Use it with --mask {shlex.quote(out)}."]
    echo_err(*survey_sentences(result, how_to_keep="--base 0 keeps them"), *use, *MOUNTING_CAUTIONS)


def _basis(
    fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice, *, own_horizon: bool = True
) -> Basis:
    """Read what the options name; without `own_horizon` the site's is replaced later, and so not told.

    Raises InputError, and UsageError where an option speaks of the horizon that is not used.
    """
    if not own_horizon and "horizon" in site_choice.without:
        raise click.UsageError("the horizons are what is compared: --without horizon has no place here.")
    from ..text.mounting import Basis
    from ..text.notes import background, without

    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    seen, site_notes = site_choice.view()
    span = span_choice.span()
    fleet, fleet_notes = fleet_choice.fresh_fleet(span)
    notes = site_notes if own_horizon else without(site_notes, "horizon")
    # The horizons to come may be lower than the terminal works, even where the site's own is not.
    if not own_horizon and seen.lowest_elevation_deg is not None and not seen.stops_above_horizon:
        notes = [*notes, background(f"The terminal works from {seen.floor_deg:g}° up.")]
    return Basis(fleet, seen, span, (*notes, *fleet_notes), fleet_choice.timing_model())


def _spots_to_compare(
    given: Sequence[tuple[str, Horizon]], site_choice: SiteChoice, start: Basis
) -> list[tuple[str, views.View]]:
    """Return named views: the spots of the workspace's site, the one of --spot first, and those given beside them.

    Raises UsageError for fewer than two.
    """
    from passim.answers.sites import mounting

    named = []
    workspace = None if _is_place(site_choice.site_text) else found_workspace(site_choice.workspace_dir)
    if workspace is not None:
        names = sorted(
            workspace.spot_names(site_choice.site_text),
            key=lambda name: name.casefold() != (site_choice.spot_name or "").strip().casefold(),
        )
        for name in names:
            seen, _ = dataclasses.replace(site_choice, spot_name=name).view()
            named.append((name, seen))
    named += [(name, mounting.with_horizon(start.view, horizon)) for name, horizon in given]
    if len(named) < 2:
        raise click.UsageError("which spots? Give at least two, as --compare loft=25 --compare yard=yard.csv.")
    return named


def _is_place(site_text: str | None) -> bool:
    """Say whether --site gives coordinates rather than the name of a workspace's site."""
    return site_text is not None and "," in site_text
