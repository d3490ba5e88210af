"""What stands in a report, in the order in which it is read: sentences, pictures, tables. No HTML, no arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import pandas as pd

from passim.errors import InputError

from ..figures.calls import call_days
from ..figures.day_minutes import day_minutes
from ..figures.gap_clock import gap_clock
from ..figures.growth import GoalMark, OrderCurve, growth_curves
from ..figures.sky import MOST_PASSES, drawn_passes, panorama
from ..figures.theme import LIGHT
from ..text.calls import STARTS_HELP, kind_sentence, kind_words, plan_columns, plan_lines, plan_notes
from ..text.causes import (
    NEVER_ADD_UP,
    cause_gap_columns,
    cause_words,
    clear_sentence,
    given_back_sentence,
    limit_columns,
    limit_rows,
    sector_columns,
    sector_sentence,
)
from ..text.elements import STATUS_COLUMNS
from ..text.gaps import (
    DAYS_HELP,
    MINUTES_HELP,
    day_columns,
    days_caption,
    gap_sentence,
    hour_columns,
    hours_caption,
    not_listed_note,
)
from ..text.goals import measured_words
from ..text.growth import (
    CURVES_HELP,
    goal_sentence,
    growth_columns,
    growth_sentence,
    order_notes,
    order_words,
    stand_in_sentence,
)
from ..text.mounting import MOUNTING_CAUTIONS
from ..text.notes import beside, left_out
from ..text.query import CAUTION, QueryResult, health_sentence, search_notes, searched
from ..text.service import before_handovers, handovers_on_top_note, sky_alone_words
from ..text.sky import SKY_HELP, place_sentences
from ..text.timing import freshness_sentence
from ..text.units import LocalClock, capital, counted, lowered
from ..text.ways_out import in_command_words
from .parts import SOURCE, Picture, Section, Table, table_of

if TYPE_CHECKING:
    from passim.answers import report as reports
    from passim.spans import DailyHours

# Two printed pages hold so many rows; whoever needs every gap has the command for it.
MOST_GAP_ROWS: Final = 100
# More rows of starts than these fit on no page.
_MOST_CALL_DAYS: Final = 7.0
_SKY_PX: Final = 460
_ORDER_WORDS: Final = {"random": "at random, with the band of eight draws in ten"}


def headline(found: QueryResult, report: reports.SiteReport) -> str:
    """Return the sentence that answers the question: what freezes, and to what; before it what was lifted for it."""
    return "\n".join([*left_out(found.notes), cause_words(found, report.causes).headline])


def detail(found: QueryResult, report: reports.SiteReport) -> str:
    """Return what would close the gaps, and what can be done about them."""
    return " ".join(cause_words(found, report.causes).lines[1:])


def subtitle(found: QueryResult, report: reports.SiteReport) -> str:
    """Return what the report is about, and for when."""
    clock, span = found.clock, report.span
    return (
        f"{report.site.name}, from {clock.day(span.start)} {clock.time(span.start)[:5]} to {clock.day(span.end)} "
        f"{clock.time(span.end)[:5]} by the local clock ({clock.description}); written {report.at:%Y-%m-%d %H:%M} UTC."
    )


def sections(
    found: QueryResult,
    report: reports.SiteReport,
    hours: DailyHours,
    fleet_name: str,
    *elsewhere: Section,
    notes: Sequence[str] = (),
) -> tuple[Section, ...]:
    """Return the report, part by part; `elsewhere` are those on other places, `notes` what is taken for granted."""
    return (
        _place(report, fleet_name),
        _days(found, report, hours),
        _calls(found, report, hours),
        _causes(found, report),
        *elsewhere,
        _growth(found, report),
        Section("Assumptions", points=assumptions(report, notes)),
        _elements(report),
        Section("Cautions", points=CAUTIONS),
        *_every_gap(found, report),
    )


CAUTIONS: Final = (CAUTION.text, *MOUNTING_CAUTIONS)


def assumptions(report: reports.SiteReport, notes: Sequence[str]) -> tuple[str, ...]:
    """Return whole sentences on what is taken for granted."""
    view = report.visibility.view
    gateway = f"The line of the gateway in the picture of the sky holds for satellites {report.altitude_km:.0f} km up."
    sentences = [
        *notes,
        f"Nothing below {view.floor_deg:g}° above the horizontal is used, even where a limit is lifted.",
        "Elevations are geometric: no refraction, no light time.",
        *([gateway] if "gateway" in view.names else []),
        NEVER_ADD_UP,
        kind_sentence(report.kind),
        *(note for line in report.growth for note in order_notes(line.order)),
    ]
    return tuple(dict.fromkeys(sentences))


def pictures(every: Sequence[Section]) -> list[Picture]:
    """Return the pictures of all sections, in order."""
    return [block for section in every for block in section.blocks if isinstance(block, Picture)]


def _place(report: reports.SiteReport, fleet_name: str) -> Section:
    objects = counted(report.visibility.report.objects_searched, "satellite")
    view = report.visibility.view
    alone = sky_alone_words(view)
    sentences = (*place_sentences(view), f"{capital(fleet_name)}: {objects}.", *([alone] if alone else []))
    return Section("The place", sentences)


def _days(found: QueryResult, report: reports.SiteReport, hours: DailyHours) -> Section:
    clock, coverage = found.clock, report.coverage
    first = report.first_day
    gaps, timed = report.gaps, report.timed_gaps
    blocks: list[Picture | Table] = [
        Picture(
            "days",
            "Gaps by date and time of day",
            gap_clock(coverage, clock, report.at, LIGHT, hours if hours.length_min < 1440 else None),
            days_caption(report.days, clock),
            DAYS_HELP.of(SOURCE),
        ),
        table_of(
            "by-day",
            "Day by day",
            day_columns(clock, longest=True),
            report.days,
        ),
        Picture(
            "day",
            "The first day, minute by minute",
            day_minutes(first, LocalClock(clock.name, first.span), report.at, LIGHT),
            hours_caption(first, clock, day=False),
            MINUTES_HELP.of(SOURCE),
        ),
        table_of(
            "by-hour",
            "The first day, hour by hour",
            hour_columns(clock),
            first.by_local_hour(clock.name),
        ),
    ]
    # Where no single time may be told, the longest calm is none either.
    calm = freshness_sentence(report.first) if len(gaps) and not len(timed) else clear_sentence(found, report.causes)
    return Section("The days ahead", (gap_sentence(found, report.summary, gaps), calm), blocks)


def _every_gap(found: QueryResult, report: reports.SiteReport) -> tuple[Section, ...]:
    """Return the gaps one by one, last of all: a long list that few read; nothing where no single time may be told."""
    clock, gaps, timed = found.clock, report.gaps, report.timed_gaps
    if timed.empty:
        return ()
    shown = timed.head(MOST_GAP_ROWS)
    notes = []
    if len(shown) < len(timed):
        notes.append(f"The first {len(shown):,} of {len(timed):,}; passim causes --all lists every one.")
    if len(timed) < len(gaps):
        notes.append(not_listed_note(len(gaps) - len(timed)))
    table = table_of(
        "gaps",
        "From the first on",
        cause_gap_columns(clock),
        shown,
        " ".join(notes),
    )
    return (Section("The gaps, one by one", (), (table,)),)


def _calls(found: QueryResult, report: reports.SiteReport, hours: DailyHours) -> Section:
    which_calls = f"{capital(kind_words(report.kind))} of {report.minutes} min, {hours.words}."
    plan = report.plan
    if plan is None:
        why = [f"No start is ranked: {in_command_words(report.no_plan)}."] if report.no_plan is not None else []
        return Section("When to call", (which_calls, *why))
    clock = found.clock
    sentences = (which_calls, *plan_lines(plan, clock))
    if plan.statistics_only or plan.shown.empty:
        return Section("When to call", sentences)
    from passim.answers.calls import forecast as call_forecast

    table = table_of(
        "calls",
        "Good starts" if plan.none_good is None else "The least bad starts: none is good",
        plan_columns(clock),
        plan.shown,
        " ".join(beside(plan_notes(plan, call_forecast.RUNS))),
    )
    if report.span.duration_s > _MOST_CALL_DAYS * 86400.0:
        return Section("When to call", sentences, (table,))
    picture = Picture(
        "calls",
        "Starts of a call, day by day",
        call_days(plan, report.span, clock, report.at, LIGHT),
        "Where the curve is flat, a call that begins then is not frozen; the open boxes are the calls listed below."
        if plan.none_good is None
        else "The higher the curve, the longer a call that begins then is frozen; no start is good.",
        STARTS_HELP.of(SOURCE),
    )
    return Section("When to call", sentences, (picture, table))


def _causes(found: QueryResult, report: reports.SiteReport) -> Section:
    causes, track = report.causes, report.track
    _, passes = drawn_passes(track)
    drawn = "" if passes <= MOST_PASSES else f" Of {passes:,} passes {MOST_PASSES} are drawn, evenly through the day."
    gap_day = report.gaps[report.gaps["start"] < report.first_day.span.end]
    its_causes = causes.each[: len(gap_day)]
    picture = Picture(
        "sky",
        "The sky of the first day",
        panorama(track, report.outlines, report.sectors, LIGHT, missing=gap_day, causes=its_causes, height_px=_SKY_PX),
        _sky_caption(report, gap_day) + drawn,
        SKY_HELP.of(SOURCE),
    )
    by_limit = table_of(
        "limits",
        "Service regained by removing one limit",
        limit_columns(report.span.duration_s),
        limit_rows(report.visibility.view, causes.seconds_by_cause()),
    )
    blocks: list[Picture | Table] = [picture, by_limit]
    cost = report.sectors[report.sectors["given_back_s"] > 0.0]
    if len(cost):
        blocks.append(
            table_of(
                "sectors",
                "What the skyline costs by direction",
                sector_columns(report.span.duration_s),
                cost,
            )
        )
    sentences = (given_back_sentence(found, causes), sector_sentence(found, report.sectors)) if len(report.gaps) else ()
    return Section("Why service is lost", sentences or ("No gap, so nothing is lost.",), blocks)


def _sky_caption(report: reports.SiteReport, gaps: pd.DataFrame) -> str:
    marked = gaps[gaps["missing_direction"] != ""]
    if marked.empty:
        return "Where satellites pass on the first day, and where they can serve."
    directions = marked["missing_direction"].value_counts()
    first = directions.index[0]
    return (
        f"In the {counted(len(gaps), 'gap')} of the first day the missing satellite stood most often towards {first}, "
        f"{directions.iloc[0]} times, and between {marked['missing_elevation_deg'].min():.0f}° and "
        f"{marked['missing_elevation_deg'].max():.0f}° high."
    )


def _growth(found: QueryResult, report: reports.SiteReport) -> Section:
    from passim.answers.growth import curves as growing

    lines = report.growth
    if report.no_growth is not None:
        words = f"What other numbers of satellites give cannot be told: {in_command_words(report.no_growth)}."
        return Section("More satellites", (words,))
    no_order = [
        f"One order is left out: {in_command_words(each)}." if isinstance(each, InputError) else stand_in_sentence(each)
        for each in report.no_order
    ]
    if not lines:
        return Section("More satellites", no_order)
    main = lines[0]
    measured = measured_words(report.goal, main.curves.values, main.curves.counted_s)
    sentences = [
        *left_out(handovers_on_top_note(report.visibility)),
        before_handovers(growth_sentence(main.order, main.table, found.length), found.visibility.view),
        goal_sentence(main.order, main.goal, measured),
        *no_order,
    ]
    goal = GoalMark.of(report.goal, main.goal.middle if main.goal.reached else None, main.curves.counted_s)
    curves = [OrderCurve(_ORDER_WORDS.get(line.order.name, order_words(line.order)), line.table) for line in lines]
    picture = Picture(
        "growth",
        "Gaps against the number of satellites",
        growth_curves(curves, LIGHT, goal=goal),
        "Read from left to right as satellites are added, one line an order.",
        CURVES_HELP.of(SOURCE),
    )
    grid = main.table[main.table["satellites"].isin(growing.logarithmic_grid(len(main.table)))]
    title = f"Some of the numbers, {order_words(main.order)}"
    table = table_of(
        "growth",
        title,
        growth_columns(list(grid.columns)),
        grid,
        "passim growth --all lists every number.",
    )
    return Section("More satellites", sentences, (picture, table))


def _elements(report: reports.SiteReport) -> Section:
    counts = pd.DataFrame(report.health.counts.items(), columns=["status", "objects"])
    ends = [
        f"At the {end}, {lowered(freshness_sentence(fresh))}"
        for end, fresh in (("start", report.first), ("end", report.last))
    ]
    notes = search_notes(searched(report.visibility.report, report.span, report.model))
    table = table_of("objects", "Who is in the elements", STATUS_COLUMNS, counts)
    return Section("The elements", (*ends, health_sentence(report.health.summary), *beside(notes)), (table,))
