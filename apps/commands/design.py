"""``passim design``: element sets of an invented regular pattern."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from ..command_line.options import at_option
from ..command_line.parsing import check_out
from ..command_line.times import aware_time
from ..command_line.usage import NUMBER, WHOLE, WholeBetween

FIRST_TWO_LINE_NUMBER = 90001


@click.command("design", short_help="Make the element sets of an invented regular pattern.")
@click.option("--total", type=WHOLE, required=True, metavar="N", help="Number of satellites, a multiple of --planes.")
@click.option("--planes", type=WHOLE, required=True, metavar="N", help="Orbital planes, equally spaced.")
@click.option(
    "--phasing",
    type=NUMBER,
    required=True,
    metavar="F",
    help="Phase step between neighbouring planes, in units of 360 deg / total: whole, 0 to planes - 1.",
)
@click.option("--inclination", "inclination_deg", type=NUMBER, required=True, metavar="DEG", help="Inclination, deg.")
@click.option(
    "--altitude",
    "altitude_km",
    type=NUMBER,
    required=True,
    metavar="KM",
    help="Altitude above a radius of 6378.135 km.",
)
@click.option(
    "--epoch", "epoch_text", metavar="ISO", help="Epoch, with its offset from UTC. Default: 00:00 UTC of today."
)
@at_option
@click.option("--star", is_flag=True, help="Spread the planes over 180 deg instead of 360, as near-polar patterns do.")
@click.option(
    "--jitter",
    "jitter_deg",
    type=NUMBER,
    metavar="DEG",
    help="Move every satellite along its track by a normal draw of this standard deviation, degrees. Default: none.",
)
@click.option("--seed", default=1, show_default=True, metavar="N", type=WholeBetween(0), help="Seed of --jitter.")
@click.option("--name", default="Walker", show_default=True, help="Name of the fleet; its satellites are numbered.")
@click.option(
    "--first-number",
    type=WHOLE,
    metavar="N",
    help="Catalogue number of the first satellite. Default: 900000001; 90001 for .tle, which holds no larger.",
)
@click.option(
    "--out", required=True, metavar="FILE", help="File to write: .tle, .json, .csv, .xml or .kvn, and .gz after it."
)
def design(
    total: int,
    planes: int,
    phasing: float,
    inclination_deg: float,
    altitude_km: float,
    epoch_text: str | None,
    at_text: str | None,
    star: bool,
    jitter_deg: float | None,
    seed: int,
    name: str,
    first_number: int | None,
    out: str,
) -> None:
    """Write the element sets of a regular (Walker) pattern, to try what a fleet of that kind would do.

    The satellites are invented: circular orbits in planes spaced equally round the equator, each plane a launch of
    its own. A perfect pattern misleads, so vary --phasing, --epoch and --jitter before drawing a conclusion from one.

    \b
    Example:
      passim design --total 360 --planes 18 --phasing 7 --inclination 53 --altitude 550 --out fleet.json
      passim design --total 66 --planes 6 --phasing 3 --inclination 87.9 --altitude 780 --star --out polar.tle
    """
    from passim import walker
    from passim.elements import patterns

    from ..command_line.output import echo_err, write_element_file
    from ..text.units import counted, instant, printable

    check_out(out)
    if epoch_text:
        epoch = aware_time(epoch_text, "--epoch")
    else:
        now = aware_time(at_text, "--at") if at_text else datetime.now(UTC)
        epoch = now.replace(hour=0, minute=0, second=0, microsecond=0)
    two_line = out.lower().removesuffix(".gz").endswith(".tle")
    if first_number is None:
        first_number = FIRST_TWO_LINE_NUMBER if two_line else patterns.FIRST_INVENTED_ID

    fleet = walker(
        total=total,
        planes=planes,
        phasing=phasing,
        inclination_deg=inclination_deg,
        altitude_km=altitude_km,
        epoch=epoch,
        name=name,
        star=star,
        first_satellite_id=first_number,
    )
    if jitter_deg is not None:
        fleet = patterns.jittered(fleet, sigma_deg=jitter_deg, seed=seed)
    fleet = patterns.launched_by_plane(fleet, planes)
    rounded = write_element_file(fleet, out)

    pattern = f"{'star' if star else 'delta'} pattern {total}/{planes}/{phasing:g}"
    shaken = f", jitter {jitter_deg:g}° with seed {seed}" if jitter_deg is not None else ""
    click.echo(
        printable(
            f"Wrote {counted(len(fleet), 'invented satellite')} to {out}: {pattern}, {altitude_km:g} km, "
            f"{inclination_deg:g}°, epoch {instant(epoch)}{shaken}."
        )
    )
    if rounded:
        echo_err(rounded.strip())
