"""What altitude and mask alone decide, as people read it: the sentence, the quantities and their columns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from .columns import TEXT, Column, Format, number, of_row
from .notes import Note
from .units import duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers import geometry
    from passim.sky import closed_forms

RANDOM_PLACES_NOTE: Final = Note(
    "A regular pattern leaves far more or far less time uncovered than random places do: see passim gaps."
)


@dataclass(frozen=True)
class Quantity:
    """One line: its name, its value with the unit, the decimals people want, and what a flat Earth would give."""

    name: str
    value: float
    unit: str
    decimals: int
    flat_earth_value: float | None = None


def pass_quantities(found: closed_forms.PassGeometry) -> list[Quantity]:
    """Return what altitude and mask decide about a pass."""
    # A plane without an edge has no width.
    flat_km, flat_s = (v if math.isfinite(v) else None for v in (found.flat_footprint_km, found.flat_pass_s))
    return [
        Quantity("footprint on the ground, across", found.footprint_km, "km", 0, flat_km),
        Quantity("longest pass, straight overhead", found.longest_pass_s, "s", 0, flat_s),
        Quantity("distance to a satellite at the mask", found.edge_range_km, "km", 0),
        Quantity("angle at the Earth's centre, site to that satellite", found.central_angle_deg, "deg", 2),
        Quantity("orbital speed", found.speed_km_s, "km/s", 3),
        Quantity("orbital period", found.period_s, "s", 0),
        Quantity("one-way delay to a satellite overhead", found.overhead_delay_ms, "ms", 2),
        Quantity("one-way delay to a satellite at the mask", found.edge_delay_ms, "ms", 2),
    ]


def quantities_of(found: geometry.Geometry) -> list[Quantity]:
    """Return every quantity of a shell and a site, in the order in which they are told."""
    quantities = pass_quantities(found.passes)
    if found.highest_latitude_deg is not None:
        quantities.append(latitude_quantity(found.highest_latitude_deg))
    if found.share_in_view is not None:
        quantities.append(in_view_quantity(found.share_in_view))
    if found.satellites is not None and found.in_view_mean is not None and found.chance_none is not None:
        quantities += random_quantities(found.satellites, found.in_view_mean, found.chance_none)
    return quantities


def latitude_quantity(highest_deg: float) -> Quantity:
    """Return how far north or south of the equator a satellite is ever in view."""
    return Quantity("highest latitude with a satellite in view", highest_deg, "deg", 2)


def in_view_quantity(fraction: float) -> Quantity:
    """Return the share of time for which one satellite is in view."""
    return Quantity("share of time one satellite is in view", fraction, "of 1", 6)


def random_quantities(satellites: int, in_view: float, none: float) -> list[Quantity]:
    """Return what so many satellites placed at random give: how many are in view, and the share of time with none."""
    return [
        Quantity(f"satellites in view on average, of {satellites:,}", in_view, "", 2),
        Quantity("share of time with none, placed at random", none, "of 1", 4),
    ]


def quantity_rows(quantities: list[Quantity]) -> pd.DataFrame:
    """Return the quantities as a table for files."""
    import pandas as pd

    rows = [(one.name, one.value, one.unit, one.flat_earth_value) for one in quantities]
    return pd.DataFrame(rows, columns=["quantity", "value", "unit", "flat_earth_value"])


def quantity_columns(quantities: list[Quantity]) -> list[Column]:
    """Return the columns of the quantities, each with the decimals people want."""
    decimals = {one.name: one.decimals for one in quantities}

    def figure(key: str) -> Format:
        def words(row: Any) -> str:
            return Column(key, "", number(decimals[row.quantity])).cell(row)

        return of_row(words, numeric=True)

    return [
        Column("quantity", "Quantity", TEXT),
        Column("value", "Value", figure("value")),
        Column("unit", "Unit", TEXT),
        Column("flat_earth_value", "On a flat Earth", figure("flat_earth_value"), 1),
    ]


def geometry_sentence(
    found: closed_forms.PassGeometry, satellites: int | None = None, none: float | None = None
) -> str:
    """Return the sentence that says how wide a satellite sees and how long a pass lasts at most."""
    sentence = (
        f"At {found.altitude_km:g} km and {found.mask_deg:g}° a satellite sees {found.footprint_km:,.0f} km across, "
        f"and passes last {duration(found.longest_pass_s)} at most."
    )
    if satellites is None or none is None:
        return sentence
    return f"{sentence} Placed at random, {satellites:,} satellites would leave {share(none)} of the time without one."


def flat_note(found: closed_forms.PassGeometry) -> Note:
    """Return the note that says why the drawing on a flat Earth misleads."""
    if found.mask_deg == 0.0:
        return Note("The drawing on a flat Earth has no edge at a mask of 0° at all.")
    return Note(
        "The drawing on a flat Earth, twice the altitude over tan(mask), is "
        f"{found.flat_footprint_excess_percent:.0f} % too wide and its pass {found.flat_pass_excess_percent:.0f} % "
        "too long: the ground curves away under the satellite, which sinks below the mask sooner than over a plane."
    )
