"""``passim passes``: every pass over a site."""

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
CSV and JSON hold the columns satellite_id, name, rise, peak, set, duration_s, peak_elevation_deg, rise_azimuth_deg,
peak_azimuth_deg, set_azimuth_deg, cut_at_start and cut_at_end, with times in UTC and local columns beside them.
"""


@click.command("passes", short_help="Every pass of every satellite over a site.", epilog=_MORE)
@fleet_options
@site_options
@span_options
@between_option
@output_options
def passes(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    between_text: str | None,
    output_choice: OutputChoice,
) -> None:
    """List every pass: when a satellite rises above the mask, stands highest, and sets.

    A pass that the start or the end of the span cuts is marked, and only the part inside is listed; one that reaches
    into the hours of --between is listed whole. Azimuths are degrees from true north, clockwise.

    \b
    Example:
      passim passes --elements fleet.json --site 45.0,-28.0,40 --hours 6
      passim passes --elements fleet.json --site 45.0,-28.0,40 --mask horizon.csv --format csv --out passes.csv
    """
    from passim.sky import passes_within

    from ..command_line.output import write
    from ..command_line.query import find
    from ..command_line.times import hours_of_day
    from ..text.passes import pass_answer

    found = find(fleet_choice, site_choice, span_choice, hours_of_day(between_text, "--between"))
    table = found.passes if found.within is None else passes_within(found.passes, found.within)
    write(pass_answer(found, table), output_choice)
