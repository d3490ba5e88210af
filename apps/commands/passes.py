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


@click.command("passes", short_help="Every pass of every satellite over a site.")
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

    A pass that the start or the end of the span cuts is listed with the part inside, and marked; one that reaches into
    the hours of --between is listed whole. Azimuths are degrees
    from true north, clockwise. CSV and JSON hold the columns satellite_id, name, rise, peak, set, duration_s,
    peak_elevation_deg, rise_azimuth_deg, peak_azimuth_deg, set_azimuth_deg, cut_at_start and cut_at_end, with times
    in UTC and local columns beside them.

    \b
    Example:
      passim passes --elements fleet.json --site 45.0,-28.0,40 --hours 6
      passim passes --elements fleet.json --site 45.0,-28.0,40 --mask horizon.csv --format csv --out passes.csv
    """
    from passim.sky import passes_within

    from ..command_line.output import check_out, write
    from ..command_line.query import find
    from ..command_line.times import hours_of_day
    from ..text.answer import Answer
    from ..text.columns import DURATION, TEXT, Column, day_column, number, of_row, time_column
    from ..text.units import counted, cut_ends

    check_out(output_choice.out)
    found = find(fleet_choice, site_choice, span_choice, hours_of_day(between_text, "--between"))
    table, clock = found.passes if found.within is None else passes_within(found.passes, found.within), found.clock

    if table.empty:
        sentence = f"No pass in {found.length}: no satellite comes {found.in_reach}."
    else:
        highest = table.iloc[int(table["peak_elevation_deg"].argmax())]
        sentence = (
            f"{counted(len(table), 'pass', 'passes')} of {counted(table['satellite_id'].nunique(), 'satellite')} in "
            f"{found.length}; the highest, {highest['peak_elevation_deg']:.1f}° above the horizon, at "
            f"{clock.when(highest['peak'])} ({highest['name'] or highest['satellite_id']})."
        )

    columns = [
        day_column(clock, "rise"),
        time_column(clock, "rise", "Rise", local=True),
        time_column(clock, "peak", "Peak", priority=2),
        time_column(clock, "set", "Set"),
        Column("duration_s", "Length", DURATION),
        Column("peak_elevation_deg", "Elevation °", number(1)),
        Column("rise_azimuth_deg", "From °", number(0), 3),
        Column("set_azimuth_deg", "To °", number(0), 3),
        Column("satellite_id", "Number", TEXT, 4),
        Column("name", "Name", TEXT),
        Column("cut", "Cut", of_row(cut_ends), 1),
    ]
    sentence = found.headed(sentence)
    write(Answer("passes", sentence, table, columns, found.notes, found.facts, clock), output_choice)
