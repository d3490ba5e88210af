"""``passim report``: everything that is known of a place now, as one file to read, print and send."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import click

from ..command_line.call_options import kind_option, minutes_option
from ..command_line.options import FleetChoice, SiteChoice, SpanChoice, days_span_options, fleet_options, site_options
from ..command_line.parsing import check_out
from ..command_line.record_options import RecordChoice, source_option, zone_name
from ..command_line.usage import NUMBER, OneOf
from ..command_line.worker_options import WorkerChoice, workers_options

if TYPE_CHECKING:
    from passim import Site
    from passim.line import LineComparison, LineRecord
    from passim.sky import view as views

    from ..command_line.parsing import Spotted

DEFAULT_DAYS = 3.0
# Past a freeze of 30 s a call ends: see `passim.answers.calls.kinds`.
DEFAULT_GOAL = "longest_gap_s <= 30"


_MORE = """\
It holds the site in sentences, the gaps of the days ahead, good starts for calls, why and in which direction service is
lost, what your other sites and spots have, what other latitudes and the rest of the world would have, what every number
of satellites would give, the assumptions, how old the elements are, and the cautions. The map of the world is a coarse
look at the first day.

With --evidence: dated outages, the share of house, line and far end, the share that the orbits of the satellites
explain against luck, how it was measured, what that cannot tell, and the raw record as a file inside the page, or
beside it where it is large.
"""


@click.command("report", short_help="One file to read, print and send: gaps, causes, calls, growth.", epilog=_MORE)
@fleet_options
@site_options
@days_span_options
@click.option("--days", type=NUMBER, metavar="N", help=f"Days to look ahead, at most 14. Default: {DEFAULT_DAYS:g}.")
@minutes_option
@kind_option
@click.option(
    "--between", metavar="HH:MM-HH:MM", help="Local hours for calls. Default: the workspace's call hours, else all day."
)
@click.option(
    "--weekdays", metavar="DAYS", help="Days for calls: mon-fri, or mon,wed,sat. Default: the workspace's, else all."
)
@click.option(
    "--goal",
    "goal_text",
    metavar="EXPR",
    default=DEFAULT_GOAL,
    show_default=True,
    help="The goal that more satellites should meet.",
)
@click.option(
    "--world",
    "world_deg",
    type=NUMBER,
    metavar="STEP",
    help="Degrees between the places of the map of the world. Default: 10, up to 30 for large fleets.",
)
@click.option("--no-world", is_flag=True, help="Leave out the map of the world.")
@click.option("--out", metavar="FILE.html", help="Write the report to FILE: one file, which opens without a network.")
@click.option("--pictures", "pictures_dir", metavar="DIR", help="Write its pictures into DIR (needs passim[pictures]).")
@click.option(
    "--picture-format",
    type=OneOf(["svg", "png"]),
    default="svg",
    show_default=True,
    help="Format of the pictures.",
)
@click.option(
    "--evidence",
    is_flag=True,
    help="Instead: what passim probe, or a record that was added, says the line did, to send to a provider. --from, "
    "--to, --source and --at say which record; nothing is forecast.",
)
@source_option
@workers_options
def report(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    days: float | None,
    minutes: int,
    kind_name: str | None,
    between: str | None,
    weekdays: str | None,
    goal_text: str,
    world_deg: float | None,
    no_world: bool,
    out: str | None,
    pictures_dir: str | None,
    picture_format: str,
    evidence: bool,
    source: str | None,
    workers: int | None,
    cluster: str | None,
) -> None:
    """Write what is known of a place into one HTML file that needs no network, to read, print and send.

    With --evidence it holds what the line did instead, dated and with the raw record. It prints on A4 and on Letter.

    \b
    Example:
      passim report --out report.html --days 5
      passim report --elements fleet.json --site 45.0,-28.0,40 --gateway 39.6,-28.0 --out report.html
      passim report --world 5 --workers 4 --out report.html
      passim report --pictures pictures --picture-format png
      passim report --evidence --out evidence.html --from 2026-11-01 --to 2026-12-01
    """
    if evidence:
        _evidence(fleet_choice, site_choice, span_choice, source, out)
        return
    if source is not None:
        raise click.UsageError("--source says whose record: it goes with --evidence.")
    from passim.answers import report as reports
    from passim.answers.calls import forecast as call_forecast, hours as call_times
    from passim.answers.growth import goals as growth_goals
    from passim.answers.sites import compare as side_by_side, elsewhere as other_places, sweeps
    from passim.coverage import visibility

    from ..command_line.call_options import hours_of, kind_of, lesson_for
    from ..command_line.output import echo_err, progress, write_file
    from ..command_line.query import search
    from ..figures.files import check_pictures, write_pictures
    from ..report.elsewhere import beside_section, elsewhere_section
    from ..report.page import page
    from ..report.sections import detail, headline, pictures, sections, subtitle
    from ..text.learned import calls_of_record, lesson_notes
    from ..text.notes import without

    # The cheap questions first: a slip in an hour should not wait for a file of thousands of sets.
    if out is None and pictures_dir is None:
        raise click.UsageError("where to? Give --out report.html, or --pictures DIR.")
    check_out(out)
    if pictures_dir is not None:
        check_pictures(pictures_dir)
    if days is not None and (span_choice.hours is not None or span_choice.to_text is not None):
        raise click.UsageError("--days, --hours and --to all say where the span ends: give one of them.")
    if no_world and world_deg is not None:
        raise click.UsageError("--world and --no-world: give one of them.")
    if world_deg is not None:
        sweeps.world_places(world_deg)
    worker_config = WorkerChoice(workers, cluster).config()
    if span_choice.hours is None and span_choice.to_text is None:
        span_choice = dataclasses.replace(span_choice, hours=24.0 * (DEFAULT_DAYS if days is None else days))
    span = span_choice.span()
    reports.check_length(span)
    call_times.check_length(minutes, span)
    goal = growth_goals.parse_goal(goal_text)
    kind, hours = kind_of(kind_name, site_choice), hours_of(between, weekdays, site_choice)
    view, view_notes = site_choice.view()
    fleet, fleet_notes = fleet_choice.fresh_fleet(span)

    model = fleet_choice.timing_model()
    found = search(fleet, view, span, (*view_notes, *fleet_notes), model=model)
    lesson = lesson_for(fleet_choice, site_choice, view, span.start)
    of_record = lesson_notes(lesson, calls_of_record(lesson, kind, minutes, hours, view.site.timezone))
    # Calls need to know of satellites that come late into the span.
    with progress("Finding passes around it") as tell_share:
        wider = visibility.find_visibility(
            fleet, view, call_forecast.searched_span(span), progress=tell_share, warn=False
        )
    assert isinstance(wider, visibility.Visibility)  # one view, one answer
    with progress("Counting satellites") as tell_share:
        made = reports.make_report(
            found.visibility,
            wider,
            at=span_choice.now,
            kind=kind,
            minutes=minutes,
            hours=hours,
            goal=goal,
            model=model,
            calibration=lesson.calibration,
            progress=tell_share,
        )
    if not no_world and world_deg is None:
        world_deg = other_places.step_for(len(found.visibility.fleet), view)
    with progress("Looking at other places") as tell_share:
        elsewhere = other_places.look_elsewhere(
            found.visibility.fleet,
            view,
            made.first_day.span,
            step_deg=world_deg,
            workers=worker_config,
            progress=tell_share,
        )
    others = [elsewhere_section(made, elsewhere, _sites(site_choice, made.site))]
    beside = _beside(site_choice, view)
    if 1 < len(beside) <= side_by_side.MOST_VIEWS:
        with progress("Comparing your sites") as tell_share:
            compared = side_by_side.compare_sites(
                fleet,
                [seen for seen, _ in beside],
                span,
                call_hours=[hours for _, hours in beside],
                progress=tell_share,
            )
        others.insert(0, beside_section(compared, found.length))
    # That no gateway counts is said of the place itself.
    service_notes = without(found.service_notes, "gateway")
    printed_notes = [note.to_send or note.text for note in (*service_notes, *view_notes, *fleet_notes, *of_record)]
    parts = sections(found, made, hours, fleet.words, *others, notes=printed_notes)
    if out is not None:
        title = f"{made.site.name}: when service is lost, and to what"
        first = found.headed(headline(found, made))
        write_file(out, page(title, first, detail(found, made), subtitle(found, made), parts))
        echo_err(f"Wrote the report to {out}.")
    if pictures_dir is not None:
        figures = [(picture.name, picture.figure) for picture in pictures(parts)]
        for path in write_pictures(figures, pictures_dir, picture_format):
            echo_err(f"Wrote {path}.")


def _evidence(
    fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice, source: str | None, out: str | None
) -> None:
    """Write the evidence of a record of the line. Raises InputError."""
    from pathlib import Path

    from passim import Journal
    from passim.elements import atomic
    from passim.errors import InputError
    from passim.line import line_statistics, suitability as room

    from ..command_line.output import echo_err, write_file
    from ..command_line.parsing import needed_workspace
    from ..report.evidence import evidence
    from ..text.units import LocalClock

    if out is None:
        raise click.UsageError("where to? Give --out evidence.html.")
    check_out(out)
    workspace = needed_workspace(span_choice.workspace_dir)
    choice = RecordChoice(span_choice.from_text, span_choice.to_text, source, at_text=span_choice.at_text)
    with Journal(workspace.journal_file) as opened:
        name = choice.source_in(opened)
        record = opened.read(choice.span(opened, name, workspace), name)
    clock = LocalClock(zone_name(workspace), record.span)
    site = workspace.site_names[0] if workspace.site_names else ""
    found = line_statistics(record, clock.name)
    target = Path(out)
    made = evidence(
        found, room.availability(record), site=site, clock=clock, written=span_choice.now, name=target.stem,
        against=_against(fleet_choice, site_choice, record),
    )  # fmt: skip
    if made.beside is not None:
        file, data = made.beside
        try:
            atomic.write_atomically(target.parent / file, data)
        except OSError as error:
            raise InputError(
                f"{file} cannot be written: {error.strerror}", got=out, try_next="another folder"
            ) from None
        echo_err(f"Wrote the raw record to {target.parent / file}.")
    write_file(out, made.page)
    echo_err(f"Wrote the evidence to {out}.")


def _against(fleet_choice: FleetChoice, site_choice: SiteChoice, record: LineRecord) -> LineComparison | str:
    """Return how a record fits its forecast, as ``passim reconcile`` has it; a sentence on why not where it cannot."""
    from passim.errors import ElementsError, InputError
    from passim.line import compare_record, past_forecast

    from ..command_line.output import progress
    from ..text.evidence import NOTHING_TO_FORECAST_BY, against_nothing

    workspace = site_choice.workspace()
    if site_choice.site_text is None and (workspace is None or not workspace.site_names):
        return NOTHING_TO_FORECAST_BY
    if not fleet_choice.elements and (workspace is None or not workspace.settings.fleets):
        return NOTHING_TO_FORECAST_BY
    view, _ = site_choice.view()
    fleet_at, _ = fleet_choice.over_time(record.span.end)
    with progress("Forecasting the days recorded") as advance:
        try:
            forecast = past_forecast(
                fleet_at, view, record.span, model=fleet_choice.timing_model(), allow_stale=fleet_choice.allow_stale,
                progress=advance,
            )  # fmt: skip
        except ElementsError as error:
            # The record stands without a forecast, such as of days that no elements were kept of.
            return against_nothing(str(error))
    try:
        return compare_record(
            forecast.gaps, record, sigma_s=forecast.sigma_s, odds=forecast.odds, timezone=view.site.timezone
        )
    except InputError as error:
        return against_nothing(str(error))


def _beside(site_choice: SiteChoice, own: views.View) -> list[Spotted]:
    """Return the view of the report, where it is none of the workspace's, and all of these, with their call hours."""
    workspace = site_choice.workspace()
    if workspace is None:
        return []
    found, _ = site_choice.each_spot(workspace.site_names)
    return found if any(own == seen for seen, _ in found) else [(own, None), *found]


def _sites(site_choice: SiteChoice, own: Site) -> list[tuple[str, float, float]]:
    """Return name, latitude and longitude of the site and, from a workspace, of the others: what a map marks."""
    workspace = site_choice.workspace()
    sites = [] if workspace is None else workspace.settings.sites
    found = [(site.name, site.latitude_deg, site.longitude_deg) for site in sites]
    if not any(where == [own.latitude_deg, own.longitude_deg] for _, *where in found):
        found.insert(0, (own.name, own.latitude_deg, own.longitude_deg))
    return found
