"""``passim demo``: the invented scenario, end to end, with no file and no network."""

from __future__ import annotations

import click

from ..options import OutputChoice, at_option, aware_time, output_options

NEXT_GAPS = 10
_ROOF_NOTE = (
    "Before anyone moves an antenna: work on roofs and masts can injure and kill; keep off wet or steep roofs and "
    "clear of power lines, use fall protection, and leave earthing, ballast and wind load to licensed trades."
)


@click.command("demo", short_help="An invented site, end to end, with no network.")
@at_option
@output_options
def demo(at_text: str | None, output_choice: OutputChoice) -> None:
    """Show what passim answers, with an invented school, station and fleet, and no network.

    The station Marram of the Hythe Field School stands on an invented island; its antenna is in the yard, in a ring
    of firs that hides the sky below 35 deg. The demo forecasts the gaps of the next 24 hours there and under the open
    sky of the loft, and lists the next ten gaps (--all lists every one). All of it is invented.

    \b
    Example:
      passim demo
      passim demo --at 2026-11-25T00:00Z --all
    """
    import dataclasses
    from datetime import UTC, datetime

    from passim import Coverage, Span
    from passim.answers import scenario

    from ..found import search
    from ..gap_table import gap_answer, gap_sentence
    from ..output import check_out, write
    from ..wording import duration, share

    check_out(output_choice.out)
    now = aware_time(at_text, "--at") if at_text else datetime.now(UTC).replace(microsecond=0)
    fleet = scenario.plover(now.replace(hour=0, minute=0, second=0, microsecond=0))
    span = Span.starting(now)

    # The yard is what the school has; the loft is what it could have.
    invented = f"Everything here is invented: the school, the station and the fleet {scenario.FLEET_NAME}."
    yard_mask_deg = scenario.MARRAM_YARD.horizon.highest_deg
    yard = search(fleet, scenario.MARRAM_YARD, span, (f"Mask: {yard_mask_deg:g}° above the horizon all round.",))
    loft = search(fleet, scenario.MARRAM_LOFT, span)
    yard_coverage = Coverage.from_passes(yard.passes, span)
    loft_coverage = Coverage.from_passes(loft.passes, span)

    answer = gap_answer("demo", yard, yard_coverage, longest_table=NEXT_GAPS)
    covered = yard_coverage.summary()["covered_fraction"]
    station = f"{scenario.SCHOOL_NAME}, {scenario.MARRAM_YARD.name}"
    sentences = [f"{station}: a satellite is in view for {share(covered)} of the next 24 h.", answer.sentence]
    if len(answer.rows):
        first = answer.rows.iloc[0]
        begins, lasts = yard.clock.when(first["start"]), duration(first["duration_s"])
        sentences.append(f"The next gap begins at {begins} and lasts {lasts}.")
    loft_words = gap_sentence(loft, loft_coverage.summary(), loft_coverage.gaps())
    loft_mask = f"the sky open above {scenario.MARRAM_LOFT.horizon.highest_deg:g}°"
    sentences.append(f"From the loft, with {loft_mask}: {loft_words[0].lower()}{loft_words[1:]}")
    answer = dataclasses.replace(answer, sentence="\n".join(sentences), notes=(invented, *answer.notes, _ROOF_NOTE))
    write(answer, output_choice)
