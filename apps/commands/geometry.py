"""``passim geometry``: what altitude and mask alone decide."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import DEFAULT_MASK_DEG, OutputChoice, output_options
from ..command_line.usage import NUMBER, WHOLE
from ..text.notes import Note

if TYPE_CHECKING:
    from ..text.columns import Format


@click.command("geometry", short_help="What altitude and mask alone decide, in closed form.")
@click.option("--altitude", "altitude_km", type=NUMBER, required=True, metavar="KM", help="Altitude of the orbit, km.")
@click.option(
    "--mask",
    "mask_deg",
    type=NUMBER,
    default=DEFAULT_MASK_DEG,
    show_default=True,
    metavar="DEG",
    help="Elevation from which a satellite is in view, degrees.",
)
@click.option("--inclination", "inclination_deg", type=NUMBER, metavar="DEG", help="Adds the highest latitude reached.")
@click.option(
    "--latitude",
    "latitude_deg",
    type=NUMBER,
    metavar="DEG",
    help="With --inclination: adds the share of time for which one satellite is in view from this latitude.",
)
@click.option(
    "--satellites",
    type=WHOLE,
    metavar="N",
    help="With --latitude: adds how many of N are in view on average, and the chance of none at random places.",
)
@output_options
def geometry(
    altitude_km: float,
    mask_deg: float,
    inclination_deg: float | None,
    latitude_deg: float | None,
    satellites: int | None,
    output_choice: OutputChoice,
) -> None:
    """Say how wide a satellite sees, how far away it is at the mask, and how long a pass lasts at most.

    Closed forms on a spherical Earth for a circular orbit, the Earth not turning; two of them also with the answer that
    a drawing on a flat Earth gives. No element sets are needed. CSV and JSON hold the columns quantity, value, unit
    and flat_earth_value.

    \b
    Example:
      passim geometry --altitude 550 --mask 25
      passim geometry --altitude 550 --mask 25 --inclination 53 --latitude 45 --satellites 360
    """
    if latitude_deg is not None and inclination_deg is None:
        raise click.UsageError("--latitude needs --inclination.")
    if satellites is not None and latitude_deg is None:
        raise click.UsageError("--satellites needs --latitude and --inclination.")
    import pandas as pd

    from passim.sky import closed_forms

    from ..command_line.output import check_out, write
    from ..text.answer import Answer
    from ..text.columns import TEXT, Column, number, of_row
    from ..text.units import duration, share

    check_out(output_choice.out)
    closed = closed_forms.pass_geometry(altitude_km, mask_deg)

    # Quantity, value, unit, the flat drawing's value, and how many decimals a person wants to see.
    lines: list[tuple[str, float, str, float | None, int]] = [
        ("footprint on the ground, across", closed.footprint_km, "km", _finite(closed.flat_footprint_km), 0),
        ("longest pass, straight overhead", closed.longest_pass_s, "s", _finite(closed.flat_pass_s), 0),
        ("distance to a satellite at the mask", closed.edge_range_km, "km", None, 0),
        ("angle at the Earth's centre, site to that satellite", closed.central_angle_deg, "deg", None, 2),
        ("orbital speed", closed.speed_km_s, "km/s", None, 3),
        ("orbital period", closed.period_s, "s", None, 0),
        ("one-way delay to a satellite overhead", closed.overhead_delay_ms, "ms", None, 2),
        ("one-way delay to a satellite at the mask", closed.edge_delay_ms, "ms", None, 2),
    ]
    notes = [Note(_flat_note(closed))]
    if inclination_deg is not None:
        highest_deg = closed_forms.highest_latitude_in_view_deg(altitude_km, mask_deg, inclination_deg)
        lines.append(("highest latitude with a satellite in view", highest_deg, "deg", None, 2))
    if latitude_deg is not None and inclination_deg is not None:
        in_view = closed_forms.share_in_view(altitude_km, mask_deg, inclination_deg, latitude_deg)
        lines.append(("share of time one satellite is in view", in_view, "of 1", None, 6))
        if satellites is not None:
            none = closed_forms.chance_none_in_view(satellites, in_view)
            lines.append((f"satellites in view on average, of {satellites:,}", satellites * in_view, "", None, 2))
            lines.append(("share of time with none, placed at random", none, "of 1", None, 4))
            notes.append(
                Note(
                    "A regular pattern leaves far more or far less time uncovered than random places "
                    "do: see passim gaps."
                )
            )

    decimals = {line[0]: line[4] for line in lines}
    rows = pd.DataFrame([line[:4] for line in lines], columns=["quantity", "value", "unit", "flat_earth_value"])
    sentence = (
        f"At {altitude_km:g} km and {mask_deg:g}° a satellite sees {closed.footprint_km:,.0f} km across, and passes "
        f"last {duration(closed.longest_pass_s)} at most."
    )
    if satellites is not None:
        sentence += f" Placed at random, {satellites:,} satellites would leave {share(none)} of the time without one."

    def figure(key: str) -> Format:
        def words(row: Any) -> str:
            return Column(key, "", number(decimals[row.quantity])).cell(row)

        return of_row(words, numeric=True)

    columns = (
        Column("quantity", "Quantity", TEXT),
        Column("value", "Value", figure("value")),
        Column("unit", "Unit", TEXT),
        Column("flat_earth_value", "On a flat Earth", figure("flat_earth_value"), 1),
    )
    facts = {"altitude_km": altitude_km, "mask_deg": mask_deg}
    write(Answer("geometry", sentence, rows, columns, notes, facts), output_choice)


def _finite(value: float) -> float | None:
    """Return `value`, or None for the infinite width of a plane without an edge."""
    return value if math.isfinite(value) else None


def _flat_note(closed: Any) -> str:
    """Say why the drawing on a flat Earth misleads."""
    if closed.mask_deg == 0.0:
        return "The drawing on a flat Earth, 2 h tan(90° - mask), has no edge at a mask of 0° at all."
    return (
        f"The drawing on a flat Earth, 2 h tan(90° - mask), is {closed.flat_footprint_excess_percent:.0f} % too wide "
        f"and its pass {closed.flat_pass_excess_percent:.0f} % too long: the ground curves away under the satellite, "
        f"which sinks below the mask sooner than over a plane."
    )
