"""Why: the geometry behind every other page, for this site and this fleet, in four pictures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import pandas as pd

from passim import Span
from passim.answers import geometry as closed

from ...figures.theme import Theme
from ...figures.why import daily_shift, pass_lengths, service_plan, side_view
from ...text import geometry as geometry_words, why as words
from ...text.columns import Column
from ...text.notes import Note
from ..notes import common_notes
from ..page_model import Answer, Help, Page, Panel, PanelContent, Table
from ..state import PageRequest

_HANDBOOK: Final = (
    "Closed forms on a round Earth for a circular orbit: Larson and Wertz, Space Mission Analysis and Design, sections "
    "5.2 and 5.3, recalled and recomputed."
)
# Of the points of the curve so few are listed.
_EVERY: Final = 5
SIDE = Panel(
    "side",
    "From the side",
    Help(
        "The ground as an arc, the orbit above it dotted, all to scale. The lines of sight leave the site at the "
        "minimum elevation; over the thick part of the ground a satellite is in view. Dashed: the shortcut that draws "
        "the Earth flat, which makes it too wide.",
        _HANDBOOK,
        "Altitude and inclination of the fleet's largest shell; the lowest elevation that counts at this spot.",
    ),
)
AREA = Panel(
    "area",
    "From above: where a satellite must stand to serve",
    Help(
        "The thin circle is the ground over which a satellite stands high enough for the terminal; the thick line is "
        "what the roof line leaves of it. Within the dashed line a satellite sees the gateway. It serves over the "
        "ground that is filled.",
        "The elevation of the roof line in each direction gives how far away a satellite may stand there; shares are "
        "of the ground, by rings of equal area on a round Earth. Cones and other limits of the sky are left out.",
        "Site, horizon and gateways of the workspace; the altitude of the fleet's largest shell.",
    ),
)
PASSES = Panel(
    "passes",
    "How long a pass can be",
    Help(
        "How long a satellite stays in view by how far from the site its track runs over the ground.",
        _HANDBOOK,
        "The altitude of the fleet's largest shell; the lowest elevation that counts at this spot.",
    ),
)
SHIFT = Panel(
    "shift",
    "Why it comes earlier each day",
    Help(
        "When the same orbit comes over the site, each day against the first. The dotted line is what the stars alone "
        "would do.",
        "The site meets the orbit's plane again after one turn of the Earth against it. The plane itself turns because "
        "the Earth is flattened: J2's secular term (Kozai 1959, recalled).",
        "Altitude and inclination of the fleet's largest shell.",
    ),
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say what altitude, elevation and places on the ground decide."""
    altitude_km, inclination_deg = closed.usual_orbit(question.fleet)
    view, satellites = question.view, question.fleet.object_count
    latitude_deg = round(view.site.latitude_deg, 4)
    # The least that counts at this spot, where its horizon nowhere goes down to what the terminal can use.
    mask_deg = max(view.floor_deg, view.site.horizon.lowest_deg)
    found = closed.geometry(altitude_km, mask_deg, inclination_deg, latitude_deg, satellites)
    area, shift = closed.service_area(view, altitude_km), closed.daily_shift(altitude_km, inclination_deg)
    off_track_km, lengths_s = closed.pass_lengths_s(altitude_km, mask_deg)
    quantities = geometry_words.quantities_of(found)
    lengths = pd.DataFrame({"off_track_km": off_track_km, "duration_s": lengths_s})

    def table(rows: pd.DataFrame, columns: Sequence[Column]) -> Table:
        return Table(rows, columns, of_site=False)

    return Answer(
        words.why_sentence(found, shift, view.site.name),
        {
            SIDE.name: PanelContent(
                side_view(found.passes, theme),
                f"{geometry_words.geometry_sentence(found.passes)} {geometry_words.flat_note(found.passes).text}",
                table(geometry_words.quantity_rows(quantities), geometry_words.quantity_columns(quantities)),
            ),
            AREA.name: PanelContent(
                service_plan(area, view.site.name, theme),
                words.area_caption(area),
                table(words.area_rows(area), words.AREA_COLUMNS),
            ),
            PASSES.name: PanelContent(
                pass_lengths(off_track_km.tolist(), lengths_s.tolist(), theme),
                words.lengths_sentence(found),
                Table(
                    lengths,
                    words.LENGTH_COLUMNS,
                    shown=lengths.iloc[::_EVERY],
                    file_note=f"The file has all {len(lengths)} points of the curve.",
                    of_site=False,
                ),
            ),
            SHIFT.name: PanelContent(
                daily_shift(shift, theme),
                words.shift_sentence(shift),
                table(words.shift_rows(shift), words.SHIFT_COLUMNS),
            ),
        },
        (
            Note(f"The same numbers on the command line: {words.command_words(found)}."),
            geometry_words.RANDOM_PLACES_NOTE,
            *common_notes(question, Span.starting(question.now)),
        ),
        f"{words.SEE_SKY} {words.area_sentence(area)}",
    )


PAGE: Final = Page(
    path="/why",
    name="Why",
    asks="How do satellites come and go here?",
    panels=(SIDE, AREA, PASSES, SHIFT),
    answer=answer,
    uses=("place", "mask", "fleet"),
    looks_back=True,
)
