"""``passim geometry``: what altitude and mask alone decide."""

from __future__ import annotations

import click

from ..command_line.options import DEFAULT_MASK_DEG, OutputChoice, output_options
from ..command_line.usage import NUMBER, WHOLE

_MORE = """\
CSV and JSON hold the columns quantity, value, unit and flat_earth_value.
"""


@click.command("geometry", short_help="What altitude and mask alone decide, in closed form.", epilog=_MORE)
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
    a drawing on a flat Earth gives. No element sets are needed.

    \b
    Example:
      passim geometry --altitude 550 --mask 25
      passim geometry --altitude 550 --mask 25 --inclination 53 --latitude 45 --satellites 360
    """
    if latitude_deg is not None and inclination_deg is None:
        raise click.UsageError("--latitude needs --inclination.")
    if satellites is not None and latitude_deg is None:
        raise click.UsageError("--satellites needs --latitude and --inclination.")
    from passim.answers import geometry as closed

    from ..command_line.output import write
    from ..text import geometry as words
    from ..text.answer import Answer

    found = closed.geometry(altitude_km, mask_deg, inclination_deg, latitude_deg, satellites)
    quantities, notes = words.quantities_of(found), [words.flat_note(found.passes)]
    if found.chance_none is not None:
        notes.append(words.RANDOM_PLACES_NOTE)
    sentence = words.geometry_sentence(found.passes, satellites, found.chance_none)
    rows, columns = words.quantity_rows(quantities), words.quantity_columns(quantities)
    facts = {"altitude_km": altitude_km, "mask_deg": mask_deg}
    write(Answer("geometry", sentence, rows, columns, notes, facts), output_choice)
