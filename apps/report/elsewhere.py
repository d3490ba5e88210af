"""The parts of a report that say whether another place would be better: the user's own, each latitude, the world."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from ..figures.places import by_latitude, world_map
from ..figures.theme import LIGHT
from ..text.answer import Help
from ..text.columns import without
from ..text.notes import left_out
from ..text.service import everywhere_notes
from ..text.sites import (
    LATITUDE_COLUMNS,
    SITE_COLUMNS,
    call_hours_sentence,
    degrees,
    latitude_sentence,
    shares_words,
    site_sentence,
    world_sentence,
)
from ..text.units import duration, share
from .parts import Picture, Section, Table, table_of

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers import report as reports
    from passim.answers.sites import compare as side_by_side, elsewhere as other_places

# Name, latitude and longitude of a site in degrees.
Spot = tuple[str, float, float]

# The spread over longitudes and the closed form are for those who look closer.
_CLOSER: Final = ("covered_fraction_min", "covered_fraction_max", "in_view_closed_form", "covered_if_random")
_MAP_PX: Final = 380
_SOURCE: Final = "The element sets of the fleet, and the terminal named in this report."
_OUTLINES: Final = "Coasts: Natural Earth and the United Nations, as plotly.js brings them."


def beside_section(found: side_by_side.SiteComparison, length: str) -> Section:
    """Return the sites and spots of the workspace side by side: what ``passim sites`` says of the same span."""
    table = table_of("sites", "Sites and spots side by side", SITE_COLUMNS, found.table)
    return Section(
        "Your other sites and spots",
        [*filter(None, (site_sentence(found, length), call_hours_sentence(found)))],
        (table,),
    )


def elsewhere_section(report: reports.SiteReport, elsewhere: other_places.Elsewhere, sites: Sequence[Spot]) -> Section:
    """Return what other places would have; `sites` are marked, the one of the report among them."""
    blocks: list[Picture | Table] = [_latitude_picture(elsewhere, sites)]
    sentences = [
        *left_out(everywhere_notes(elsewhere.view)),
        _here_sentence(report, elsewhere),
        latitude_sentence(elsewhere.latitudes, _length(elsewhere)),
    ]
    world = elsewhere.world
    if world is not None and elsewhere.surface is not None and elsewhere.step_deg is not None:
        sentences.append(world_sentence(elsewhere.surface, elsewhere.step_deg, _length(elsewhere)))
        blocks.append(_map(report, world, elsewhere, sites))
    if elsewhere.step_s is not None:
        sentences.append(
            f"At these other places satellites are {shares_words(elsewhere.step_s, elsewhere.share_error)}"
        )
    blocks.append(_latitude_table(elsewhere))
    return Section("Another site", sentences, blocks)


def _length(elsewhere: other_places.Elsewhere) -> str:
    return f"the first {duration(elsewhere.span.duration_s)}"


def _here_sentence(report: reports.SiteReport, elsewhere: other_places.Elsewhere) -> str:
    here = elsewhere.here
    handovers = ", handovers too," if elsewhere.view.service.loses_time else ""
    return (
        f"Under an open sky down to {elsewhere.view.floor_deg:g}°, and with no gateway to see, places as far from the "
        f"equator as {report.site.name} ({degrees(here.latitude_deg)}) would have service "
        f"{share(here.covered_fraction)} of {_length(elsewhere)}; with its own skyline and limits{handovers} it has "
        f"{share(report.first_day.covered_fraction())}."
    )


def _latitude_picture(elsewhere: other_places.Elsewhere, sites: Sequence[Spot]) -> Picture:
    table = elsewhere.latitudes.table
    return Picture(
        "latitudes",
        "Service by latitude",
        by_latitude(table, LIGHT, sites=[(name, latitude_deg) for name, latitude_deg, _ in sites], height_px=340),
        "Farther up is better: the share of the time with service under an open sky, at places all round the Earth.",
        Help(
            f"What the terminal would have at each latitude of this hemisphere, down to {elsewhere.view.floor_deg:g}° "
            "above the horizontal and without gateways; the band goes from the worst place around the Earth to the "
            "best. The dotted line is what as many satellites would give if they stood at random. Upright lines are "
            "sites.",
            f"{_how(elsewhere)} at {int(table['places'].iloc[0])} places of each latitude, over the first day. The "
            "dotted line comes from the shares of their orbits that satellites spend in view.",
            _SOURCE,
        ),
    )


def _latitude_table(elsewhere: other_places.Elsewhere) -> Table:
    return table_of(
        "latitudes",
        "Latitude by latitude",
        without(LATITUDE_COLUMNS, *_CLOSER),
        elsewhere.latitudes.table,
        "passim sites --latitudes looks closer, and in both hemispheres.",
    )


def _how(elsewhere: other_places.Elsewhere) -> str:
    """Say how the figures of other places are found."""
    if elsewhere.step_s is None:
        return "All passes are found"
    return f"Satellites are counted once in every {elsewhere.step_s:g} s"


def _map(
    report: reports.SiteReport, world: pd.DataFrame, elsewhere: other_places.Elsewhere, sites: Sequence[Spot]
) -> Picture:
    step_deg = elsewhere.step_deg
    own = [report.site.latitude_deg, report.site.longitude_deg]
    here = next((name for name, *where in sites if where == own), None)
    return Picture(
        "world",
        "Service over the world",
        world_map(world, LIGHT, sites=sites, chosen=here, height_px=_MAP_PX),
        f"Darker is better, hatched never has service. One cell is {step_deg:g}° wide: a coarse look at the first day, "
        "under an open sky and without gateways.",
        Help(
            f"The share of the time with service at the middle of each cell of {step_deg:g}°, areas true to size. What "
            "a skyline takes away there, and where gateways stand, is not in it.",
            f"{_how(elsewhere)} at the middle of every cell, over the first day; passim sites --world looks closer.",
            f"{_SOURCE} {_OUTLINES}",
        ),
    )
