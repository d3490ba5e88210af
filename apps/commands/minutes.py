"""``passim minutes``: how many satellites are in view, minute by minute."""

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
CSV and JSON hold the columns minute, minute_local, satellites_min, satellites_mean, satellites_max and gap_s.
"""


@click.command("minutes", short_help="Satellites in view, minute by minute.", epilog=_MORE)
@fleet_options
@site_options
@span_options
@between_option
@output_options
def minutes(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    between_text: str | None,
    output_choice: OutputChoice,
) -> None:
    """Count the satellites in view minute by minute, and the seconds of each minute with none.

    The counts are the fewest, the mean over time, and the most in that minute. JSON also holds a summary.

    \b
    Example:
      passim minutes --elements fleet.json --site 45.0,-28.0,40 --hours 1 --all
      passim minutes --elements fleet.json --site 45.0,-28.0,40 --out minutes.csv
    """
    from ..command_line.output import write
    from ..command_line.query import find
    from ..command_line.times import hours_of_day
    from ..text.minutes import minute_answer

    found = find(fleet_choice, site_choice, span_choice, hours_of_day(between_text, "--between"))
    write(minute_answer(found), output_choice)
