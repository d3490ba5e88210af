"""``passim demo``: the invented scenario, end to end, with no network."""

from __future__ import annotations

import shlex

import click

from ..command_line.options import OutputChoice, at_option, output_options
from ..text.notes import Note, background

NEXT_GAPS = 10
_ROOF_NOTE = Note(
    "Before anyone moves an antenna: work on roofs and masts can injure and kill; keep off wet or steep roofs and "
    "clear of power lines, use fall protection, and leave earthing, ballast and wind load to licensed trades.",
    "caution",
)


@click.command("demo", short_help="An invented site from start to finish, with no network.")
@at_option
@click.option("--keep", metavar="DIR", help="Also write the invented school as a workspace into DIR, to continue from.")
@output_options
def demo(at_text: str | None, keep: str | None, output_choice: OutputChoice) -> None:
    """Show what passim answers, with an invented school, station and fleet, and no network.

    The station Marram of the Hythe Field School stands on an invented island; its antenna is in the loft, under an open
    sky, and its satellites hand traffic down to the gateway South. The demo says when its lessons will freeze in the
    next 24 hours and why, and what moving the antenna to the yard would do, then lists the next ten gaps (--all lists
    every one). All of it is invented.

    \b
    Example:
      passim demo
      passim demo --at 2026-11-25T06:30Z --all
      passim demo --keep school
    """
    import dataclasses

    from passim import Span
    from passim.coverage import causes
    from passim.workspace import Workspace, create, invented_record

    from ..command_line.output import echo_err, write
    from ..command_line.parsing import now_of
    from ..command_line.query import search
    from ..text.causes import NEVER_ADD_UP, cause_gap_answer, cause_words, clear_sentence, given_back_sentence
    from ..text.gaps import gap_sentence
    from ..text.units import lowered, share

    school = Workspace.demo()
    now = now_of(at_text, lambda: school.site().timezone)
    if keep is not None:
        invented_record.write_invented_record(create(keep, demo=True, at=now), now)
        echo_err(f"Wrote {keep}. Next: {shlex.join(['passim', 'causes', '--workspace', keep])}")
    fleet = school.fleet(at=now)
    span = Span.starting(now)

    # The loft is what the school has; the yard is what it could have instead. All of its fleet serves.
    loft, yard = (search(fleet, school.view("Marram", spot).without("serving"), span) for spot in ("loft", "yard"))
    known, known_yard = causes.causes_of(loft.visibility), causes.causes_of(yard.visibility)

    summary = known.coverage.summary()
    yard_words = gap_sentence(yard, known_yard.coverage.summary(), known_yard.coverage.gaps())
    sentences = [
        f"{school.settings.name}, {loft.site.name}: service for {share(summary['covered_fraction'])} of the next 24 h.",
        *cause_words(loft, known).lines,
        clear_sentence(loft, known),
        given_back_sentence(loft, known),
        f"In the yard, behind firs up to {yard.site.horizon.highest_deg:g}°: {lowered(yard_words)}",
    ]
    answer = cause_gap_answer("demo", loft, known, longest_table=NEXT_GAPS)
    invented = f"Everything here is invented: the school, the station and the fleet {fleet.name}."
    answer = dataclasses.replace(
        answer,
        sentence="\n".join(sentences),
        notes=(Note(invented), *loft.service_notes, background(NEVER_ADD_UP), *loft.notes, _ROOF_NOTE),
    )
    write(answer, output_choice)
