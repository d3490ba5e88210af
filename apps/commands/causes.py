"""``passim causes``: why a site loses service, which limit opens which gap."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import between_option, fleet_options, output_options, site_options, span_options
from ..command_line.parsing import FleetChoice, OutputChoice, SiteChoice, SpanChoice, check_out
from ..command_line.usage import NUMBER
from ..text.notes import Note, background

if TYPE_CHECKING:
    from passim.coverage import causes as cause_room

    from ..text.answer import Answer
    from ..text.query import QueryResult

_LOWER = re.compile(r"\s*([\d.]+)\s*-\s*([\d.]+)\s*:\s*([+-]?[\d.]+)\s*")


@click.command("causes", short_help="Why service is lost: which limit opens which gap.")
@fleet_options
@site_options
@span_options
@between_option
@click.option(
    "--limits", "by_limit", is_flag=True, help="List the limits and the service regained by removing each alone."
)
@click.option("--sectors", "by_sector", is_flag=True, help="List 10-degree sectors of the horizon and what each costs.")
@click.option(
    "--lower",
    "lowerings",
    multiple=True,
    metavar="FROM-TO:DEG",
    help="What a horizon DEG lower, clockwise from FROM to TO, would regain: 290-320:5. Repeat for more, each alone.",
)
@click.option(
    "--sky", "sky_path", metavar="FILE.csv", help="Write the tracks of all passes, and which limit cuts each where."
)
@click.option(
    "--sky-step",
    "sky_step_s",
    type=NUMBER,
    default=10.0,
    show_default=True,
    metavar="S",
    help="Step of --sky, seconds.",
)
@output_options
def causes(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    between_text: str | None,
    by_limit: bool,
    by_sector: bool,
    lowerings: tuple[str, ...],
    sky_path: str | None,
    sky_step_s: float,
    output_choice: OutputChoice,
) -> None:
    """Say what opens each gap: the horizon, the antenna, the gateway, or satellites that do not serve.

    A limit is a cause if, lifted alone, it leaves no moment of the gap without a satellite: "gateway or cone" means
    that either would do, "gateway with cone" that only both together would. Beside it stands where the missing
    satellite was at the middle of the gap. The service regained by different limits must not be added up.

    \b
    Example:
      passim causes --elements fleet.json --site 45.0,-28.0,40 --gateway 39.6,-28.0
      passim causes --elements fleet.json --site 45.0,-28.0,40 --mask horizon.csv --sectors
      passim causes --elements fleet.json --site 45.0,-28.0,40 --mask horizon.csv --lower 290-320:5 --sky sky.csv
    """
    import dataclasses

    from passim.answers.sites import horizon_cost as skyline
    from passim.coverage import causes as why, sky_map

    from ..command_line.output import write
    from ..command_line.query import find
    from ..command_line.times import hours_of_day
    from ..text.answer import Answer, plain_numbers, plain_records
    from ..text.causes import NEVER_ADD_UP, cause_gap_answer, cause_words, given_back_sentence, lowering_sentence

    if by_limit and by_sector:
        raise click.UsageError("--limits and --sectors both say what to list: give one of them.")
    check_out(sky_path)
    lowered = [lowering(text) for text in lowerings]
    found = find(fleet_choice, site_choice, span_choice, hours_of_day(between_text, "--between"))
    known = why.causes_of(found.visibility, found.within)

    # The words, and the same as numbers for JSON.
    what_ifs = [(*sector, skyline.what_if_lowered(found.visibility, *sector, found.within)) for sector in lowered]
    lines = cause_words(found, known).lines
    if len(known.gaps.start):
        lines.append(given_back_sentence(found, known))
    lines += [lowering_sentence(*each) for each in what_ifs]
    facts = {
        **found.facts,
        "summary": plain_numbers(known.coverage.summary()),
        "given_back": plain_records(known.seconds_by_cause()),
        "lowered": [
            plain_numbers(
                {
                    "from_deg": from_deg,
                    "to_deg": to_deg,
                    "by_deg": by_deg,
                    "given_back_s": what_if.given_back_s,
                    "given_back_s_per_day": what_if.given_back_s_per_day,
                    "gaps_before": what_if.gap_count_before,
                    "gaps_after": what_if.gap_count_after,
                }
            )
            for from_deg, to_deg, by_deg, what_if in what_ifs
        ],
    }
    floor_deg = found.visibility.view.floor_deg
    floor = background(f"Without the horizon, satellites count down to {floor_deg:g}°, the lowest the terminal uses.")
    notes = (*found.service_notes, Note(NEVER_ADD_UP), floor, *found.notes)
    if by_sector:
        answer = _sector_answer(found, known, lines, notes, facts)
    elif by_limit:
        answer = _limit_answer(found, known, lines, notes, facts)
    else:
        answer = cause_gap_answer("causes", found, known)
        answer = dataclasses.replace(answer, sentence=found.headed("\n".join(lines)), notes=notes, facts=facts)

    if sky_path is not None:
        track = sky_map.sky_track(found.visibility, sky_step_s)
        pieces = track["piece"].nunique()
        sky = Answer("causes", f"Sky map: {pieces:,} pieces of passes.", track, (), (), found.facts, found.clock)
        write(sky, OutputChoice("csv", sky_path, False))
    write(answer, output_choice)


def lowering(text: str) -> tuple[float, float, float]:
    """Return from_deg, to_deg and by_deg of "FROM-TO:DEG". Raises InputError."""
    from passim.errors import InputError

    try:
        match = _LOWER.fullmatch(text)
        from_deg, to_deg, by_deg = (float(part) for part in (match.groups() if match else ()))
    except ValueError:
        raise InputError(
            "--lower", got=text, wanted="FROM-TO:DEG, azimuths and degrees to lower by", try_next="--lower 290-320:5"
        ) from None
    return from_deg, to_deg, by_deg


def _limit_answer(
    found: QueryResult, known: cause_room.Causes, lines: list[str], notes: tuple[Note, ...], facts: dict[str, Any]
) -> Answer:
    """Return the answer that lists the limits and what each gives back."""
    from ..text.answer import Answer
    from ..text.causes import limit_columns, limit_rows

    columns, rows = limit_columns(found.span.duration_s), limit_rows(found.visibility.view, known.seconds_by_cause())
    return Answer("causes", found.headed("\n".join(lines)), rows, columns, notes, facts)


def _sector_answer(
    found: QueryResult, known: cause_room.Causes, lines: list[str], notes: tuple[Note, ...], facts: dict[str, Any]
) -> Answer:
    """Return the answer that lists sectors of the horizon and what each costs."""
    from passim.answers.sites import horizon_cost as skyline

    from ..text.answer import Answer
    from ..text.causes import sector_columns, sector_sentence

    sectors = skyline.sector_costs(known)
    sentence = found.headed("\n".join([*lines, sector_sentence(found, sectors)]))
    return Answer("causes", sentence, sectors, sector_columns(found.span.duration_s), notes, facts)
