"""``passim symptom``: what explains the freezes, among settings of the sky."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from ..command_line.options import fleet_options, output_options, site_options, span_options
from ..command_line.parsing import FleetChoice, OutputChoice, SiteChoice, SpanChoice
from ..command_line.usage import WholeBetween

if TYPE_CHECKING:
    from passim import Span
    from passim.answers.symptom import match as room

_UNITS_S = {"s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0}
_NUMBER = r"(\d+(?:\.\d+)?)\s*(s|sec|min|m|h)?"
_RANGE = re.compile(rf"\s*{_NUMBER}(?:\s*-\s*{_NUMBER})?\s*")


@click.command("symptom", short_help="What explains the freezes: settings of the sky that would.")
@fleet_options
@site_options
@span_options
@click.option(
    "--every", "every_text", metavar="RANGE", help="Time from one freeze to the next, while it is bad: 3-5min."
)
@click.option("--length", "length_text", metavar="RANGE", help="How long a freeze lasts: 5-30s.")
@click.option(
    "--record",
    "record_path",
    metavar="FILE.csv",
    help="Freezes one by one, instead of --every and --length: columns start,end or start,duration_s, times with "
    "their offset. The span is that of the record unless given; time in it without a freeze counts as service.",
)
@click.option(
    "--hours-of-day",
    "happens_texts",
    multiple=True,
    metavar="HH:MM-HH:MM",
    help="Local hours in which it happens. Repeat for more.",
)
@click.option(
    "--quiet-hours",
    "quiet_texts",
    multiple=True,
    metavar="HH:MM-HH:MM",
    help="Local hours in which it does not happen. Repeat for more.",
)
@click.option(
    "--top", type=WholeBetween(1, 100), default=5, show_default=True, metavar="N", help="How many candidates to show."
)
@click.option(
    "--adopt",
    type=WholeBetween(1),
    metavar="N",
    help="Put candidate N into the workspace, marked as an assumption, and show what changes there; passim workspace "
    "undo takes it back.",
)
@output_options
def symptom(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    every_text: str | None,
    length_text: str | None,
    record_path: str | None,
    happens_texts: tuple[str, ...],
    quiet_texts: tuple[str, ...],
    top: int,
    adopt: int | None,
    output_choice: OutputChoice,
) -> None:
    """Find the settings that would explain your freezes, when you know neither the gateways nor the antenna's cone.

    Masks, antenna cones, distance and bearing of a gateway, a keep-out around the geostationary arc, a clock by which
    satellites are assigned and the time to acquire one are tried, alone and together, on top of the limits already
    given. The candidates come best first, with what to watch for to tell them apart. Where none fits, the sky is not
    the cause. CSV and JSON hold each candidate whole: mask, cone, gateway, arc, clock and acquisition as columns of
    numbers.

    \b
    Example:
      passim symptom --elements fleet.json --site 45.0,-28.0,40 --every 3-5min --length 5-30s
      passim symptom --elements fleet.json --site 45.0,-28.0,40 --every 5-10min --length 5-40s --hours-of-day 08-12
      passim symptom --elements fleet.json --site 45.0,-28.0,40 --record freezes.csv --top 3
      passim symptom --workspace school --without gateway --every 3-5min --length 5-30s --adopt 1
    """
    from passim.answers.symptom import match as room

    from ..command_line.output import echo_err, progress, write
    from ..command_line.parsing import found_workspace
    from ..text.answer import Answer, span_facts
    from ..text.limits import descriptions
    from ..text.notes import Note
    from ..text.query import CAUTION, headed, search_notes, searched, serving_notes, times_note
    from ..text.symptom import (
        COLUMNS,
        found_sentence,
        how_words,
        observation_sentences,
        rows,
        seen_words,
        symptom_notes,
    )
    from ..text.units import LocalClock

    # The cheap questions first.
    seen = _seen(every_text, length_text, record_path, happens_texts, quiet_texts)
    if adopt is not None and adopt > top:
        raise click.UsageError(f"--adopt {adopt} asks for more candidates than --top {top} shows.")
    workspace = found_workspace(site_choice.workspace_dir) if adopt is not None else None
    if adopt is not None and workspace is None:
        raise click.UsageError("--adopt needs a workspace to write it into: passim workspace new DIR makes one.")
    view, view_notes = site_choice.view()
    span = _span(span_choice, seen)
    fleet, fleet_notes = fleet_choice.fresh_fleet(span)

    with progress("Trying settings", lines=True) as advance:
        found = room.match_symptom(fleet, view, span, seen, top=top, progress=advance)
    clock = LocalClock(view.site.timezone, span)
    searched_then = searched(found.report, span, fleet_choice.timing_model())
    notes = symptom_notes(found)
    notes += serving_notes(found.health)
    of_the_fleet = {"horizon", *(limit.name for limit in view.fleet_limits)}
    unsearched = [words for name, words in descriptions(view).items() if name not in of_the_fleet]
    if unsearched:
        words = f"Kept as given, and not searched: {'; '.join(unsearched)}. --without LIMIT has it searched too."
        notes.append(Note(words))
    notes += [*search_notes(searched_then), *view_notes, *fleet_notes, times_note(clock), CAUTION]
    watch = observation_sentences(found)
    facts = {
        "verdict": found.verdict,
        "symptom": seen_words(seen),
        "site": {"name": view.site.name, "timezone": view.site.timezone},
        "span": span_facts(span),
        "settings_tried": found.tried,
        "gain_held_out": None if found.gain is None else round(found.gain, 3),
        "gain_by_chance": None if found.chance_level is None else round(found.chance_level, 3),
        "observations": watch,
    }
    looked = f"Looked at {clock.stretch(span)}."
    sentence = headed("\n".join([found_sentence(found), looked, *watch]), searched_then)
    write(Answer("symptom", sentence, rows(found), COLUMNS, notes, facts), output_choice)

    if adopt is not None and workspace is not None:
        _refuse_to_adopt(found, adopt)
        before = workspace.text
        site_name = None if "," in (site_choice.site_text or "") else site_choice.site_text or workspace.site_names[0]
        taken = found.candidates[adopt - 1].as_assumption()
        changed = workspace.assume(**taken, how=how_words(found, adopt), on=span_choice.now.date(), site_name=site_name)
        echo_err(f"Candidate {adopt} now stands in {workspace.file}, marked as an assumption:")
        echo_err(*(f"  {line}" for line in changed.changes_since(before)))


def seconds_range(option: str, text: str) -> tuple[float, float]:
    """Return lowest and highest, seconds, of "3-5min", "30s-2min" or "5min". Raises InputError."""
    from passim.errors import InputError

    match = _RANGE.fullmatch(text)
    low, low_unit, high, high_unit = match.groups() if match else (None, None, None, None)
    # "3-5min": the unit at the end counts for both.
    unit = high_unit or low_unit
    if low is None or unit is None or (high is not None and high_unit is None):
        raise InputError(
            option, got=text, wanted="a range with its unit, s, min or h", try_next="--every 3-5min --length 5-30s"
        )
    first = float(low) * _UNITS_S[low_unit or unit]
    last = first if high is None else float(high) * _UNITS_S[unit]
    if not 0.0 < first <= last:
        raise InputError(option, got=text, wanted="more than 0, from the lowest to the highest")
    return first, last


def _seen(
    every_text: str | None,
    length_text: str | None,
    record_path: str | None,
    happens_texts: tuple[str, ...],
    quiet_texts: tuple[str, ...],
) -> room.FreezeRanges | room.FreezeRecord:
    """Return what was seen. Raises InputError."""
    from passim.answers.symptom import match as room
    from passim.spans import DailyHours

    if record_path is not None:
        if every_text or length_text or happens_texts or quiet_texts:
            raise click.UsageError(
                "--record says it all: leave out --every, --length, --hours-of-day and --quiet-hours."
            )
        return room.FreezeRecord.from_csv(record_path)
    if every_text is None or length_text is None:
        raise click.UsageError(
            "what does it look like? Give --every and --length, such as --every 3-5min --length 5-30s, or --record "
            "FILE.csv."
        )
    return room.FreezeRanges(
        seconds_range("--every", every_text),
        seconds_range("--length", length_text),
        *(
            tuple(DailyHours.parse(text, option, f"{option} 08:00-12:00") for text in texts)
            for option, texts in (("--hours-of-day", happens_texts), ("--quiet-hours", quiet_texts))
        ),
    )


def _span(span_choice: SpanChoice, seen: room.FreezeRanges | room.FreezeRecord) -> Span:
    """Return the span asked for, or that of the record."""
    from passim.answers.symptom import match as room

    given = span_choice.from_text or span_choice.to_text or span_choice.hours is not None
    return seen.span if isinstance(seen, room.FreezeRecord) and not given else span_choice.span()


def _refuse_to_adopt(found: room.SymptomAnswer, adopt: int) -> None:
    """Raise InputError where there is no such candidate, or none that explains anything."""
    from passim.answers.symptom import match as room
    from passim.errors import InputError

    from ..text.symptom import is_weak

    if found.verdict == room.NOT_THE_SKY:
        raise InputError("--adopt", got=adopt, wanted="a candidate that explains the freezes: there is none")
    if adopt > len(found.candidates):
        raise InputError("--adopt", got=adopt, wanted=f"a candidate from 1 to {len(found.candidates):,}")
    one = found.candidates[adopt - 1]
    if is_weak(one):
        raise InputError(
            "--adopt", got=adopt, wanted=f"a candidate that explains the freezes: the fit of this one is {one.fit:.2f}"
        )
    if one.setting.kinds == ():
        raise InputError(
            "--adopt", got=adopt, wanted="a candidate with a limit of its own: this one is the sky as set up"
        )
