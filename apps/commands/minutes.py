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


@click.command("minutes", short_help="Satellites in view, minute by minute.")
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

    The counts are the fewest, the mean over time, and the most in that minute. CSV and JSON hold the columns minute,
    minute_local, satellites_min, satellites_mean, satellites_max and gap_s; JSON also holds a summary.

    \b
    Example:
      passim minutes --elements fleet.json --site 45.0,-28.0,40 --hours 1 --all
      passim minutes --elements fleet.json --site 45.0,-28.0,40 --out minutes.csv
    """
    from ..command_line.output import check_out, write
    from ..command_line.query import find
    from ..command_line.times import hours_of_day
    from ..text.answer import Answer, plain_numbers
    from ..text.gaps import minute_columns
    from ..text.units import duration

    check_out(output_choice.out)
    found = find(fleet_choice, site_choice, span_choice, hours_of_day(between_text, "--between"))
    coverage = found.coverage
    table, summary, clock = coverage.minutes(found.site.timezone), coverage.summary(), found.clock

    broken = table[table["gap_s"] > 0.0]
    fewest, most = summary["in_view_min"], summary["in_view_max"]
    in_view = f"{fewest} to {most} satellites in view, {summary['in_view_mean']:.1f} on average"
    if broken.empty:
        sentence = f"{in_view}, in {found.length}; no minute has a gap."
    else:
        worst = broken.iloc[int(broken["gap_s"].argmax())]
        sentence = (
            f"{in_view}, in {found.length}; minutes with a gap: {len(broken):,} of {len(table):,}; the worst, "
            f"from {clock.when(worst['minute'])}, loses {duration(worst['gap_s'])}."
        )

    facts = {**found.facts, "summary": plain_numbers(summary)}
    notes = (found.service_note, *found.notes)
    write(Answer("minutes", found.headed(sentence), table, minute_columns(clock), notes, facts, clock), output_choice)
