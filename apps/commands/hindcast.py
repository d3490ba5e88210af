"""``passim hindcast``: how well older elements would have forecast what newer ones show."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import (
    allow_stale_option,
    fleet_name_option,
    output_options,
    site_options,
    strict_option,
)
from ..command_line.parsing import FleetChoice, OutputChoice, SiteChoice
from ..command_line.times import aware_time
from ..command_line.usage import NUMBER, OneOf

if TYPE_CHECKING:
    from passim import Fleet
    from passim.forecast import hindcast as scoring
    from passim.workspace import Timing, Workspace


_MORE = """\
Without files the newest snapshot is scored against those of one, three and seven days before; for a fleet without a
feed, its newest elements against older ones of the same satellites in the fleets of the workspace.

The passes of each satellite tell how early or late it came; their spread is the timing error at that age, and
satellites off by more than four times that are assumed to have manoeuvred. The odds of no service are scored with the
errors in force, for files the usual ones unless a workspace states its own, and with those fitted here, beside a plain
yes or no, climatology, and the day before shifted by the lag that fits best.

A Brier score is the mean squared difference of chance and outcome: 0 is perfect. Skill is the part of climatology's
score that a forecast removes: 1 is perfect, 0 no better. JSON also holds the fitted errors.
"""


@click.command("hindcast", short_help="How well older elements would have forecast newer ones.", epilog=_MORE)
@click.argument("paths", nargs=-1, metavar="[OLD NEW]...")
@fleet_name_option
@strict_option
@site_options
@click.option(
    "--from",
    "from_text",
    metavar="TIME",
    help="Start of what is scored, local time or with its offset. Default: half of it lies before NEW's epochs.",
)
@click.option("--hours", type=NUMBER, default=48.0, show_default=True, metavar="N", help="Hours to score.")
@click.option(
    "--step", "step_s", type=NUMBER, default=1.0, show_default=True, metavar="S", help="Seconds between moments scored."
)
@allow_stale_option
@click.option(
    "--list",
    "listing",
    type=OneOf(["scores", "ages", "satellites", "learned"]),
    default="scores",
    show_default=True,
    help="What the rows list: each kind of forecast, each age of elements, each satellite, or what was learned from "
    "all snapshots.",
)
@output_options
def hindcast(
    paths: tuple[str, ...],
    fleet_name: str | None,
    strict: bool,
    site_choice: SiteChoice,
    from_text: str | None,
    hours: float,
    step_s: float,
    allow_stale: bool,
    listing: str,
    output_choice: OutputChoice,
) -> None:
    """Say how well OLD elements would have forecast service, with NEW elements of the same fleet as the truth.

    Both are files or folders of element sets, days apart; give OLD NEW again for further pairs. Without them the
    snapshots that `passim update` has kept are scored, and the timing errors learned from them are told first.

    \b
    Example:
      passim hindcast
      passim hindcast monday.json friday.json --site 45.0,-28.0,40
      passim hindcast monday.json friday.json --site 45.0,-28.0,40 --gateway 39.6,-28.0 --list ages
      passim hindcast march.tle april.tle --site 45.0,-28.0,40 --allow-stale --format json --out hindcast.json
    """
    if len(paths) % 2:
        raise click.UsageError(_WHICH)
    if paths and (fleet_name is not None or listing == "learned"):
        what = "--list learned tells of snapshots" if fleet_name is None else "--fleet names a fleet of the workspace"
        raise click.UsageError(f"{what}, and OLD and NEW are files: give one of them.")
    from passim import Span
    from passim.forecast import hindcast as scoring

    from ..command_line.output import write
    from ..text.answer import Answer, plain_records
    from ..text.hindcast import (
        AGE_COLUMNS,
        LEARNED_COLUMNS,
        SATELLITE_COLUMNS,
        SCORE_COLUMNS,
        hindcast_sentences,
        learned_rows,
        pair_note,
    )
    from ..text.notes import Note, weighed, without
    from ..text.query import CAUTION
    from ..text.service import without_handovers_note
    from ..text.timing import timing_notes, timing_sentence
    from ..text.units import LocalClock

    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    view, notes = site_choice.view()
    span = Span.starting(aware_time(from_text, "--from", site_choice.zone), hours) if from_text else None
    if span is not None and len(paths) != 2:
        raise click.UsageError("--from says where one span begins: give it with one pair of snapshots.")
    fleet_notes: list[Note] = []
    pairs = []
    for older, newer in zip(paths[::2], paths[1::2], strict=True):
        read = [FleetChoice((path,), strict).fleet() for path in (older, newer)]
        fleet_notes += [note for _, messages in read for note in messages]
        pairs.append(scoring.Snapshots(read[0][0], read[1][0], span, hours))
    workspace = site_choice.workspace()
    model = None if workspace is None else workspace.timing_stated
    known: Timing | None = None
    first: list[str] = []
    if not paths:
        known, kept, compared = _kept(workspace, fleet_name)
        pairs = [scoring.Snapshots(older, newer, None, hours) for older, newer in kept]
        model, fleet = known.model, kept[0][0].name
        first = [timing_sentence(known, fleet), *compared]
        fleet_notes += timing_notes(known, fleet)[1:]
    found = scoring.score_snapshots(pairs, view, model=model, allow_stale=allow_stale, step_s=step_s)

    clock = LocalClock(view.site.timezone, found.pairs[0].span)
    rows, columns = {
        "ages": (found.ages, AGE_COLUMNS),
        "satellites": (found.satellites, SATELLITE_COLUMNS),
        "scores": (found.scores, SCORE_COLUMNS),
        "learned": (found.ages if known is None else learned_rows(known), LEARNED_COLUMNS),
    }[listing]
    facts: dict[str, Any] = {
        "pairs": [pair_facts(pair) for pair in found.pairs],
        "timing": {"stated": dataclasses.asdict(found.model), "fitted": dataclasses.asdict(found.fitted)},
        "scores": plain_records(found.scores),
    }
    if known is not None and known.learned is not None:
        facts["timing"] |= {"source": known.source, "learned": dataclasses.asdict(known.learned)}
    scored = weighed(pair_note(pair) for pair in found.pairs)
    messages = (*without_handovers_note(view), *scored, *without(notes, "policy"), *fleet_notes, CAUTION)
    write(
        Answer("hindcast", "\n".join([*first, *hindcast_sentences(found)]), rows, columns, messages, facts, clock),
        output_choice,
    )


_WHICH = (
    "which snapshots? Give OLD and NEW, two files or folders of element sets, or more pairs; or work in a workspace "
    "whose fleet has a feed, or that holds older elements of the same satellites as another fleet."
)


def _kept(
    workspace: Workspace | None, fleet_name: str | None
) -> tuple[Timing, list[tuple[Fleet, Fleet]], Sequence[str]]:
    """Return the timing errors of a fleet of the workspace, learned anew where due, and its snapshots to be scored.

    Of a fleet without a feed, older elements that the workspace holds, and what is said of them.
    """
    from passim.workspace import fleets_with_feeds, learn_fleet_timing, older_elements, snapshots_to_score

    from ..text.hindcast import compared_sentences

    if workspace is None or not workspace.fleet_names:
        raise click.UsageError(_WHICH)
    named = [] if fleet_name is None else [workspace.fleet_settings(fleet_name)]
    if all(fleet.feed is None for fleet in named or workspace.settings.fleets):
        held = older_elements(workspace, fleet_name)
        if held:
            fleet = held[0].newer.name
            return workspace.timing(fleet), [(each.older, each.newer) for each in held], compared_sentences(held)
        if not named:
            raise click.UsageError(_WHICH)
    fleet = fleets_with_feeds(workspace, fleet_name)[0]
    pairs = snapshots_to_score(workspace, fleet)
    return learn_fleet_timing(workspace, fleet), pairs, ()


def pair_facts(pair: scoring.PairScore) -> dict[str, Any]:
    """Return what JSON holds of one pair of snapshots."""
    from ..text.answer import plain_numbers, span_facts

    gaps = pair.gaps
    return {
        "span": span_facts(pair.span),
        "band": pair.freshness.band.name,
        "only_older": list(pair.only_older),
        "only_newer": list(pair.only_newer),
        **plain_numbers(
            {
                "older_age_s": pair.freshness.median_s,
                "newer_age_s": pair.newer_age_s,
                "objects": pair.in_both,
                "out_forecast": pair.out_forecast,
                "out_came": pair.out_came,
                "gaps_forecast": gaps.forecast_count,
                "gaps_came": gaps.came_count,
                "gap_hits": gaps.hits,
                "gap_hits_by_chance": pair.by_chance,
                "gaps_further_off": pair.further_off_s.size,
                "gaps_further_off_median_s": pair.further_off_median_s,
                "gap_tolerance_s": gaps.tolerance_s,
                "gap_hit_rate": gaps.hit_rate,
                "gap_false_alarm_ratio": gaps.false_alarm_ratio,
                "gap_bias": gaps.bias,
                "gap_median_late_s": gaps.median_late_s,
                "gap_spread_s": gaps.spread_s,
            }
        ),
    }
