"""``passim gaps``: when a site has no satellite in view."""

from __future__ import annotations

import click

from ..command_line.options import (
    FleetChoice,
    OutputChoice,
    SiteChoice,
    SpanChoice,
    between_option,
    fleet_options,
    output_options,
    site_options,
    span_options,
)

_MORE = """\
CSV and JSON hold the columns start, end, duration_s, cut_at_start and cut_at_end, with times in UTC and local columns
beside them.
"""


@click.command("gaps", short_help="When no satellite is in view.", epilog=_MORE)
@fleet_options
@site_options
@span_options
@between_option
@output_options
def gaps(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    between_text: str | None,
    output_choice: OutputChoice,
) -> None:
    """List every gap: each stretch of time in which no satellite stands above the mask.

    A gap that the start or the end of the span cuts is marked: it is at least that long. With --between a gap that
    reaches out of those hours is cut there, and marked. JSON also holds a summary.

    \b
    Example:
      passim gaps --elements fleet.json --site 45.0,-28.0,40 --mask 35
      passim gaps --elements fleet.json --site 45.0,-28.0,40 --mask horizon.csv --hours 72 --out gaps.csv
      passim gaps --elements fleet.json --site 45.0,-28.0,40 --between 22:00-04:00 --hours 72
    """
    from ..command_line.output import write
    from ..command_line.query import find
    from ..command_line.times import hours_of_day
    from ..text.gaps import gap_answer

    found = find(fleet_choice, site_choice, span_choice, hours_of_day(between_text, "--between"))
    write(gap_answer("gaps", found, found.coverage), output_choice)
