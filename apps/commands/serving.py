"""``passim serving``: which satellite serves when, the handovers between them, and when service freezes."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import click

from ..command_line.options import (
    FleetChoice,
    OutputChoice,
    SiteChoice,
    SpanChoice,
    fleet_options,
    output_options,
    site_options,
    span_options,
)
from ..command_line.usage import NUMBER, OneOf
from ..text.service import service_words

if TYPE_CHECKING:
    import pandas as pd


@click.command("serving", short_help="Which satellite serves when; handovers and freezes.")
@fleet_options
@site_options
@span_options
@click.option(
    "--list",
    "listing",
    type=OneOf(["satellites", "handovers", "freezes", "path"]),
    default="satellites",
    show_default=True,
    help="What the rows list: each satellite in its turn, each handover, each freeze, or the link step by step.",
)
@click.option(
    "--step", "step_s", type=NUMBER, default=10.0, show_default=True, metavar="S", help="Step of --list path, seconds."
)
@output_options
def serving(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    listing: str,
    step_s: float,
    output_choice: OutputChoice,
) -> None:
    """Say which satellite serves when, and when service freezes.

    A terminal uses one satellite at a time. Service freezes while none is in view, while the terminal waits for the
    next moment at which satellites are assigned (--clock), and while it acquires the next one (--acquisition). A freeze
    that the start or the end of the span cuts is marked: it is at least that long. Delays are those of light from the
    terminal to the satellite, one way.

    \b
    Example:
      passim serving --elements fleet.json --site 45.0,-28.0,40 --hours 2
      passim serving --elements fleet.json --site 45.0,-28.0,40 --clock 15 --acquisition 0.5 --list freezes
      passim serving --elements fleet.json --site 45.0,-28.0,40 --hours 1 --list path --step 1 --out path.csv
    """
    from passim.coverage import serve

    from ..command_line.output import write
    from ..command_line.query import find
    from ..text.answer import Answer, plain_numbers
    from ..text.notes import Note
    from ..text.service import sky_alone_note
    from ..text.serving import freeze_columns, handover_columns, path_columns, serving_sentence, turn_columns

    found = find(fleet_choice, site_choice, span_choice)
    seen = found.visibility
    service = seen.view.service
    timeline = serve(seen.candidates(), found.span, service, seen.look, fleet=seen.fleet, in_use=seen.in_use_at_start())

    clock = found.clock
    if listing == "path":
        rows, columns = timeline.along(step_s), path_columns(clock)
    elif listing == "handovers":
        rows, columns = timeline.handovers, handover_columns(clock)
    elif listing == "freezes":
        rows, columns = timeline.freezes, freeze_columns(clock)
    else:
        rows, columns = timeline.intervals, turn_columns(clock)
    write(
        Answer(
            "serving",
            found.headed(serving_sentence(timeline, found.length, found.clock, found.in_reach)),
            without_indices(rows),
            columns,
            (*sky_alone_note(seen.view), Note(f"Service: {service_words(service)}."), *found.notes),
            {**found.facts, "service": dataclasses.asdict(service), "summary": plain_numbers(timeline.summary())},
            found.clock,
        ),
        output_choice,
    )


def without_indices(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows without the columns that count satellites by their place in the fleet: identifiers tell more."""
    return rows.drop(columns=[name for name in ("satellite", "from", "to") if name in rows.columns])
