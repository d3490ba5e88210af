"""``passim growth``: what a site has with every number of satellites, and what a goal takes."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import TYPE_CHECKING, Any

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
from ..command_line.parsing import check_out
from ..command_line.times import hours_of_day
from ..command_line.usage import WHOLE, WholeBetween
from ..text.limits import descriptions
from ..text.notes import Note, background, weighed, without
from ..text.query import health_sentence

if TYPE_CHECKING:
    from passim.answers.growth import curves as growing, goals as growth_goals, orders as growth_orders
    from passim.spans import DailyHours

    from ..text.query import QueryResult

_WORKSPACE_HOURS = "workspace"


_MORE = """\
A goal is one or more conditions with "and" between them: covered, gap_fraction, twofold (two satellites or more in
view), gap_count, gaps_per_hour, pauses_per_hour (gaps over 5 s), mean_gap_s or longest_gap_s; then <=, <, >= or >; then
a number, with % for shares and s or min for lengths. "in call hours" at its end limits it to these.

A plan is a CSV file with the columns date,planes,satellites,altitude_km,inclination_deg,days_to_serve and
losses_percent, one row a launch: launch day, planes, satellites in all, their shell, days until they serve, share that
never does. Its planes go into the widest gaps between today's. A scenario, not a forecast.

--pace makes such launches from the fleet: satellites on station whose designators are of last year or this one, shell
by shell, make the pace of whole planes for 24 months. --write-plan writes them as a plan to edit.

Columns: satellites, gap_fraction, gap_count, mean_gap_s, longest_gap_s; --quantiles adds median_gap_s and p90_gap_s.
For random orders each is the mean over the draws, with _p10 and _p90 beside it. The table shows some N; --all, CSV and
JSON hold every N.
"""


@click.command("growth", short_help="What each number of satellites gives, and how many a goal takes.", epilog=_MORE)
@fleet_options
@site_options
@span_options
@click.option(
    "--order",
    "order_text",
    metavar="launch|plane|random|FILE",
    help="In which order satellites are counted: as launched, plane by plane, at random (a model of failures only), or "
    "as a file lists them, one catalogue number a line. Default: launch; plane where the elements do not say.",
)
@click.option("--draws", type=WHOLE, metavar="N", help="Random orders to draw, with --order random. Default: 100.")
@click.option("--seed", type=WholeBetween(0), metavar="N", help="Seed of all draws. Default: 1.")
@click.option(
    "--goal",
    "goal_text",
    metavar="EXPR",
    help='What the site should have, such as "longest_gap_s <= 5" or "covered >= 99.9 % in call hours".',
)
@click.option(
    "--quantiles", is_flag=True, help="Add median and 90th percentile of the gaps, on a logarithmic grid of numbers."
)
@click.option("--plan", "plan_path", metavar="FILE.csv", help="Planned launches: show the curve by date instead.")
@click.option(
    "--pace",
    "at_pace",
    is_flag=True,
    help="The same without a plan: launches go on as they have of late, for 24 months.",
)
@click.option(
    "--write-plan", "written_plan", metavar="FILE.csv", help="With --pace: write its launches as a plan to edit."
)
@click.option(
    "--call-hours",
    "hours_text",
    is_flag=False,
    flag_value="workspace",
    metavar="[HH:MM-HH:MM[,Mon-Fri]]",
    help="Count call hours only, in the site's own time: those of the workspace, or the ones given.",
)
@between_option
@output_options
def growth(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    order_text: str | None,
    draws: int | None,
    seed: int | None,
    goal_text: str | None,
    quantiles: bool,
    plan_path: str | None,
    at_pace: bool,
    written_plan: str | None,
    hours_text: str | None,
    between_text: str | None,
    output_choice: OutputChoice,
) -> None:
    """Say exactly what a site would have with the first N satellites, for every N from 1 to all of them.

    --goal asks for the smallest N from which a condition stays met; --plan and --pace, for the dates of launches ahead.

    \b
    Example:
      passim growth --elements fleet.json --site 45.0,-28.0,40 --order plane --goal "longest_gap_s <= 5"
      passim growth --elements fleet.json --site 45.0,-28.0,40 --order random --draws 100 --quantiles
      passim growth --goal "gap_count <= 10 in call hours" --plan plan.csv
      passim growth --goal "covered >= 99 %" --pace
    """
    from passim.answers.growth import goals as growth_goals

    goal = growth_goals.parse_goal(goal_text) if goal_text is not None else None
    if plan_path is not None and at_pace:
        raise click.UsageError("--plan and --pace both say what is launched: give one of them.")
    if written_plan is not None and not at_pace:
        raise click.UsageError("--write-plan needs --pace.")
    by_date = plan_path is not None or at_pace
    if by_date and (order_text is not None or quantiles):
        option = "--pace" if at_pace else "--plan"
        raise click.UsageError(f"{option} has its own order, by date: leave out --order and --quantiles.")
    if draws is not None and order_text != "random":
        raise click.UsageError("--draws needs --order random.")
    between = hours_of_day(between_text, "--between")
    if between is not None and hours_text is not None:
        raise click.UsageError("--between and --call-hours both say which hours count: give one of them.")
    if between is not None and goal is not None and goal.in_call_hours:
        raise click.UsageError("--between and a goal in call hours both say which hours count: give one of them.")
    keeps = _Hours(
        hours_text if hours_text is not None or goal is None or not goal.in_call_hours else _WORKSPACE_HOURS,
        everything=hours_text is not None or between is not None,
        between=between,
    )
    if by_date:
        check_out(written_plan, "--write-plan")
        ahead = _Ahead(plan_path, written_plan, 1 if seed is None else seed)
        _answer_ahead(fleet_choice, site_choice, span_choice, output_choice, ahead, goal, keeps)
    else:
        wanted = _Order(order_text or "launch", 100 if draws is None else draws, 1 if seed is None else seed)
        _answer_orders(fleet_choice, site_choice, span_choice, output_choice, wanted, goal, keeps, quantiles)


@dataclasses.dataclass(frozen=True)
class _Hours:
    """Which hours count: none set apart, the goal's alone, or for everything."""

    text: str | None
    everything: bool
    between: DailyHours | None = None


@dataclasses.dataclass(frozen=True)
class _Order:
    """The order that the options ask for."""

    text: str
    draws: int
    seed: int

    def order(self, found: QueryResult) -> growth_orders.Order:
        """Return it over the satellites of a visibility. Raises InputError."""
        from passim.answers.growth import orders as growth_orders
        from passim.sky import in_view

        seen = found.visibility
        fleet, counted = seen.fleet, in_view.serving_satellites(seen.fleet, seen.view, seen.span)
        return growth_orders.named_order(self.text, fleet, found.span.middle, counted, draws=self.draws, seed=self.seed)


def _answer_orders(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    output_choice: OutputChoice,
    wanted: _Order,
    goal: growth_goals.Goal | None,
    keeps: _Hours,
    quantiles: bool,
) -> None:
    """Answer for every number of satellites."""
    from passim.answers.growth import curves as growing, goals as growth_goals

    from ..command_line.output import progress, write
    from ..command_line.query import find
    from ..text.answer import Answer
    from ..text.goals import measured_words
    from ..text.growth import BY_PACE, DRAWS, goal_sentence, growth_columns, growth_sentence, order_notes
    from ..text.service import before_handovers, handovers_on_top_note

    found = find(fleet_choice, site_choice, span_choice)
    windows, hours_words = _windows(keeps, site_choice, found.site.timezone, found.span)
    order = wanted.order(found)
    pauses, twofold = (goal.needs_pauses, goal.needs_twofold) if goal is not None else (False, False)
    with progress("Counting satellites") as advance:
        curves = growing.growth_curves(
            found.visibility,
            order,
            windows=windows if keeps.everything else None,
            quantiles=quantiles,
            pauses=pauses,
            twofold=twofold,
            progress=advance,
        )
    table = curves.table
    grid = set(growing.logarithmic_grid(len(table)).tolist())
    facts: dict[str, Any] = {
        **found.facts,
        "order": order.name if order.name != "file" else wanted.text,
        "draws": order.draws,
        "satellites": len(table),
    }
    if wanted.text == "random":
        facts["seed"] = wanted.seed
    if goal is None:
        sentence = growth_sentence(order, table, _length_words(found.length, keeps, keeps.everything))
    else:
        if goal.in_call_hours and not keeps.everything:
            over_draws = growing.growth_curves(found.visibility, order, windows=windows, pauses=pauses, twofold=twofold)
        else:
            over_draws = curves
        result = growth_goals.smallest(over_draws, goal)
        sentence = goal_sentence(order, result, measured_words(goal, over_draws.values, over_draws.counted_s))
        facts["goal"] = {"text": goal.text, "reached": result.reached}
        if result.reached:
            facts["goal"] |= {"satellites": result.middle, "low": result.low, "high": result.high}
            grid |= {result.low, result.middle, result.high}
    notes = [*weighed(order_notes(order)), *_definition(goal), *_hours_note(hours_words, keeps)]
    if goal is not None and not result.reached:
        notes.append(Note(f"From when on it is met: --pace says so {BY_PACE}, --plan FILE.csv by your own plan."))
    if order.draws > 1:
        notes.append(Note(f"{DRAWS}: the band that holds them, for the figure before it."))
    # People see some of the numbers; files and --all hold all of them.
    everything = output_choice.show_all or output_choice.format != "table"
    shown = table if everything else table[table["satellites"].isin(grid)]
    if not everything and len(shown) < len(table):
        notes.append(Note("Some of the numbers are shown: --all shows every one, --format csv or json writes them."))
    write(
        Answer(
            "growth",
            found.headed(before_handovers(sentence, found.visibility.view)),
            shown,
            growth_columns(list(table.columns)),
            (*handovers_on_top_note(found.visibility), *notes, *found.service_notes, *without(found.notes, "policy")),
            facts,
            None,
            len(table),
        ),
        output_choice,
    )


@dataclasses.dataclass(frozen=True)
class _Ahead:
    """Which launches are ahead: those of a plan file, or None for the pace of late; and where that goes as a plan."""

    plan_path: str | None
    written_plan: str | None
    seed: int


def _answer_ahead(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    span_choice: SpanChoice,
    output_choice: OutputChoice,
    wanted: _Ahead,
    goal: growth_goals.Goal | None,
    keeps: _Hours,
) -> None:
    """Answer by date, under a plan or at the pace of late."""
    from passim.answers.growth import ahead as growth_ahead, launch_plan as growth_plan

    from ..command_line.output import echo_err, progress, write, write_file
    from ..text.answer import Answer, site_facts, span_facts
    from ..text.goals import measured_words
    from ..text.growth import AHEAD_COLUMNS, ahead_sentence, plan_assumptions, plan_notes, sample_remarks
    from ..text.query import CAUTION, headed, search_notes, searched
    from ..text.service import before_handovers, sky_alone_note, without_handovers_note
    from ..text.units import counted as counted_words, duration, instant

    view, view_notes = site_choice.view()
    span, now = span_choice.span(), span_choice.now
    launches = None if wanted.plan_path is None else growth_plan.read_plan(wanted.plan_path, now)
    windows, hours_words = _windows(keeps, site_choice, view.site.timezone, span)
    fleet, fleet_notes = fleet_choice.fresh_fleet(span)
    counted = windows if keeps.everything or (goal and goal.in_call_hours) else None
    with progress("Finding passes") as advance:
        ahead = growth_ahead.growth_ahead(
            fleet,
            view,
            span,
            launches,
            now=now,
            windows=counted,
            pauses=goal is not None and goal.needs_pauses,
            twofold=goal is not None and goal.needs_twofold,
            seed=wanted.seed,
            progress=advance,
        )
    length = _length_words(duration(span.duration_s), keeps, counted is not None)
    looked = searched(ahead.visibility.report, span, fleet_choice.timing_model())
    measured = measured_words(goal, ahead.curves.values, ahead.curves.counted_s) if goal else ""
    notes = [
        *without_handovers_note(view),
        *sky_alone_note(view),
        Note(
            "A scenario, not a forecast: the planes are designed, and each date's fleet is put over the sky of "
            f"{span.start:%Y-%m-%d}, because nodes turn by degrees a day."
        ),
        *plan_notes(ahead),
        *_hours_note(hours_words, dataclasses.replace(keeps, everything=counted is not None)),
        *([background("The goal's date is the first from which it stays met.")] if goal else []),
        *search_notes(looked),
        *map(Note, map(health_sentence, ahead.health)),
        *without(view_notes, "policy"),
        *fleet_notes,
        CAUTION,
    ]
    facts: dict[str, Any] = {
        "site": site_facts(view.site),
        "span": span_facts(span),
        "limits": descriptions(view),
        "assumptions": plan_assumptions(ahead),
        "plan": [{**dataclasses.asdict(row), "date": row.date.isoformat()} for row in ahead.launches],
    }
    if ahead.pace is not None:
        facts["pace"] = {
            "since": ahead.pace.since.isoformat(),
            "until": ahead.pace.until.isoformat(),
            "on_station": ahead.pace.on_station,
            "shells": [dataclasses.asdict(shell) for shell in ahead.pace.shells],
        }
    if goal is not None:
        met: datetime | None = ahead.date_met(goal)
        facts["goal"] = {"text": goal.text, "reached": met is not None, "date": instant(met) if met else None}
    write(
        Answer(
            "growth",
            headed(before_handovers(ahead_sentence(ahead, goal, measured, length), ahead.visibility.view), looked),
            ahead.table,
            AHEAD_COLUMNS,
            notes,
            facts,
        ),
        output_choice,
    )
    if wanted.written_plan is not None and ahead.pace is not None:
        text = growth_plan.plan_csv(ahead.launches, sample_remarks(ahead.pace))
        write_file(wanted.written_plan, text, "--write-plan")
        echo_err(f"Wrote {counted_words(len(ahead.launches), 'launch', 'launches')} to {wanted.written_plan}.")


def _windows(keeps: _Hours, site_choice: SiteChoice, timezone: str, span: Any) -> tuple[growing.Windows | None, str]:
    """Return the call hours inside the span and their words; None where no hours are set apart. Raises InputError."""
    if keeps.between is not None:
        return keeps.between.inside(span, timezone), f"{keeps.between.clock_words} ({timezone})"
    if keeps.text is None:
        return None, ""
    from passim.answers.calls import hours as call_times

    hours = _call_hours(keeps.text, site_choice)
    return call_times.call_hours_within(span, hours, timezone), f"{hours.words} ({timezone})"


def _call_hours(text: str, site_choice: SiteChoice) -> DailyHours:
    """Return the call hours of the option: the site's own in the workspace, or HH:MM-HH:MM[,Mon-Fri].

    Raises InputError.
    """
    from passim.errors import InputError
    from passim.spans import DailyHours

    from ..command_line.parsing import found_workspace

    if text != _WORKSPACE_HOURS:
        return DailyHours.parse(text, "--call-hours", "--call-hours 08:00-18:00,Mon-Fri")
    workspace = found_workspace(site_choice.workspace_dir)
    named = workspace is not None and (site_choice.site_text is None or "," not in site_choice.site_text)
    call_hours = workspace.call_hours(site_choice.site_text) if workspace is not None and named else None
    if call_hours is None:
        raise InputError(
            "call hours",
            got="none for this site" if workspace is None or not named else "none in the workspace for this site",
            wanted="hours of the day, and days",
            try_next="--call-hours 08:00-18:00,Mon-Fri",
        )
    return call_hours


def _length_words(length: str, keeps: _Hours, everything: bool) -> str:
    """Say which time is asked about."""
    if not everything:
        return length
    if keeps.between is None:
        return f"the call hours of {length}"
    return f"the hours {keeps.between.clock_words} of {length}"


def _definition(goal: growth_goals.Goal | None) -> tuple[Note, ...]:
    """Return what "from N satellites on" means."""
    words = "From N satellites on: the first N from which the goal stays met, in this order."
    return (background(words),) if goal else ()


def _hours_note(hours_words: str, keeps: _Hours) -> tuple[Note, ...]:
    """Return which hours count as call hours, and for what."""
    if not hours_words:
        return ()
    if keeps.between is not None:
        return (Note(f"Hours that count: {hours_words}."),)
    return (Note(f"Call hours{'' if keeps.everything else ', for the goal alone'}: {hours_words}."),)
