"""``passim reconcile``: the forecast against what the line really did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ..command_line.call_options import kind_option
from ..command_line.options import fleet_options, output_options, site_options
from ..command_line.parsing import FleetChoice, OutputChoice, SiteChoice, found_workspace
from ..command_line.record_options import RecordChoice, record_file_option, record_options
from ..command_line.usage import NUMBER, OneOf

if TYPE_CHECKING:
    from passim.line import LearnedLine, LineComparison, LineRecord, PastForecast

_MORE = """\
Gaps and freezes are matched one to one by their starts. The clock of the record may be up to a minute off: where the
fit tells by how much, that is allowed for. Beside the forecast stand the same forecast shifted at random, the day
before, and the hours of the other days.

What the record teaches is kept in the workspace for the odds of calls and now, from five days of record on: which share
of the gaps comes, how late, and freezes that no satellite explains. It is used where days left out of the lesson were
forecast better with it.

CSV and JSON hold the columns event, forecast_start, forecast_end, recorded_start, recorded_end, start_late_s,
end_late_s and where; JSON also forecast, recorded, hits, misses, false_alarms, hits_by_luck, clock_offset_s,
offset_chance, tolerance_s, explained_s and evidence: strong, some or none.
"""


@click.command("reconcile", short_help="The forecast against what the line really did.", epilog=_MORE)
@fleet_options
@site_options
@record_file_option
@record_options
@click.option(
    "--tolerance",
    "tolerance_s",
    type=NUMBER,
    metavar="S",
    help="How far apart the starts of a gap and its freeze may lie, seconds. Default: by the errors of both.",
)
@click.option(
    "--list",
    "listing",
    type=OneOf(["events", "scores", "reliability"]),
    default="events",
    show_default=True,
    help="What the rows list: each gap and freeze, the forecast beside others, or how often which chance came.",
)
@click.option(
    "--calls",
    "calls_path",
    metavar="FILE.ics",
    help="Say how each past call of this calendar went beside its forecast; the rows list these calls.",
)
@kind_option
@output_options
def reconcile(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    record_path: str | None,
    tolerance_s: float | None,
    listing: str,
    calls_path: str | None,
    kind_name: str | None,
    record_choice: RecordChoice,
    output_choice: OutputChoice,
) -> None:
    """Say how many of the freezes recorded had been forecast, how near, and how many luck would have hit.

    The forecast is what passim would have said each day, from the elements at hand when that day began. With --calls
    each past call of a calendar is judged instead: undisturbed, with pauses or dropped, by forecast and by record.

    \b
    Example:
      passim reconcile
      passim reconcile --from yesterday --to today --list scores
      passim reconcile --workspace school --record freezes.csv --format json
      passim reconcile --from 2026-11-16 --calls lessons.ics
    """
    from passim.answers.calls import calendar_in as calendar
    from passim.forecast import timing
    from passim.line import calls_as_they_went, compare_record, past_forecast

    from ..command_line.call_options import kind_of
    from ..command_line.output import progress, write
    from ..text.learned import learned_sentence
    from ..text.notes import Note, background
    from ..text.query import CAUTION, health_sentence, times_note
    from ..text.reconcile import calls_answer, comparison_answer
    from ..text.timing import good_for
    from ..text.units import LocalClock

    view, view_notes = site_choice.view()
    zone = view.site.timezone
    record, read_notes = record_choice.record(fleet_choice.workspace_dir, record_path, zone)
    kind = kind_of(kind_name, site_choice)
    events = () if calls_path is None else calendar.read_calendar(calls_path, record.span, zone, suggested=True).events
    fleet_at, fleet_notes = fleet_choice.over_time(record.span.end)
    with progress("Forecasting the days recorded") as advance:
        forecast = past_forecast(
            fleet_at, view, record.span, model=fleet_choice.timing_model(), allow_stale=fleet_choice.allow_stale,
            progress=advance,
        )  # fmt: skip
    found = compare_record(
        forecast.gaps, record, sigma_s=forecast.sigma_s, within_s=tolerance_s, odds=forecast.odds, timezone=zone
    )
    learned = _learn(fleet_choice, record_choice, record_path, tolerance_s, (forecast, record, found))
    clock = LocalClock(zone, record.span)
    middle = max(forecast.freshness, key=lambda each: each.median_s)
    age = f"Forecast from elements of {forecast.objects:,} objects, at most {timing.age_words(middle.median_s)} away"
    notes = [
        *map(Note, map(health_sentence, forecast.health)),
        Note(f"{age}: {good_for(middle.band)}.", "reading" if middle.band.needs_odds else "background"),
        background(f"Record: {record.source}."),
        *([] if learned is None else [background(learned_sentence(learned))]),
        *read_notes,
        *view_notes,
        *fleet_notes,
        times_note(clock),
        CAUTION,
    ]
    invented = fleet_choice.stands_in()
    if calls_path is None:
        write(comparison_answer(found, forecast, clock, listing, notes, invented=invented), output_choice)
        return
    calls = calls_as_they_went(forecast.gaps, record, events, kind, clock_offset_s=found.clock_offset_s)
    write(calls_answer(calls, found, forecast, clock, notes, invented=invented), output_choice)


def _learn(
    fleet_choice: FleetChoice,
    choice: RecordChoice,
    record_path: str | None,
    tolerance_s: float | None,
    compared: tuple[PastForecast, LineRecord, LineComparison],
) -> LearnedLine | None:
    """Learn from the record of the line itself, and keep what calls and now use; None where another was asked about.

    Parts of the record, other tolerances, and what-ifs teach nothing; nor does a record of a few days.
    """
    from passim.errors import InputError
    from passim.line import learn_line
    from passim.workspace import is_the_line, keep_learned

    forecast, record, found = compared
    workspace = None if fleet_choice.elements else found_workspace(fleet_choice.workspace_dir)
    asked = (record_path, tolerance_s, choice.from_text, choice.to_text, choice.source)
    if workspace is None or any(each is not None for each in asked):
        return None
    if not is_the_line(workspace, fleet_choice.fleet_name, forecast.view):
        return None
    try:
        learned = learn_line(forecast, record, found, forecast.view.site.timezone)
    except InputError:
        # A record that is still too short, or elements too old for odds: reconcile itself has said so.
        return None
    keep_learned(workspace, forecast.view, learned)
    return learned
