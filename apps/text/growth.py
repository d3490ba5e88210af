"""Growth as people read it: the sentences and the thinned tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Final

from .answer import Help
from .columns import COUNT, DURATION_OR_NONE, SHARE, TEXT, Column, Format, of_row
from .goals import goal_words
from .notes import Note, background, weighed
from .units import capital, counted, duration, in_a_row, listed, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers.growth import (
        ahead as growth_ahead,
        goals as growth_goals,
        launch_plan,
        orders as growth_orders,
        pace as growth_pace,
    )

_ORDER_WORDS: Final = {
    "launch": "as launched",
    "plane": "plane by plane",
    "random": "with satellites missing at random (a model of failures only)",
    "plan": "under the plan",
}
# More launches than these are for the plan's own file, and more shells for nobody.
_MOST_LAUNCHES_TOLD = 6
# What launches ahead go by where there is no plan: in a list, within a sentence and beside a line; the file to edit.
PACE_WORDS: Final = "launches go on as of late"
BY_PACE: Final = "if launches go on as they have of late"
_BY_PACE_SHORT: Final = "if launches go on"
_SCENARIO: Final = "a scenario, not a forecast"
SAMPLE_PLAN: Final = "plan-as-of-late.csv"


# What stands behind the question mark of the curves, on the page and in the report.
CURVES_HELP: Final = Help(
    "Top: the share of the time without service if only the first so many of today's satellites were there, in each "
    "order, on a scale of ratios that shows its last tenth large. Bottom: the longest gap, or the measure chosen. The "
    "band holds eight random draws in ten. The dashed level is the goal, and the upright line the number of "
    "satellites from which on it stays met in the first order; diamonds are what launches ahead bring.",
    "The passes are found once, and one sweep over them gives every number of satellites exactly. Random orders are a "
    "model of failures only: no fleet is launched that way.",
)


def order_words(order: growth_orders.Order) -> str:
    """Return how an order counts satellites, to finish a sentence: "as launched"."""
    if order.name == "file":
        return f"in the order of {PurePath(order.listed_in).name}"
    return _ORDER_WORDS[order.name]


def stand_in_sentence(order: growth_orders.Order) -> str:
    """Return why planes stand in for the launches; empty where they do not."""
    if order.undated is None:
        return ""
    without, everyone = order.undated
    who = f"{without:,} of its {everyone:,} satellites" if without < everyone else "its satellites"
    return (
        f"The fleet does not say when {who} were launched (no international designator), so they are put in the order "
        "of their planes."
    )


def order_notes(order: growth_orders.Order) -> list[str]:
    """Return the sentences that belong beside every figure of an order."""
    if order.name == "launch":
        groups = counted(len(order.launches) + order.undesignated_groups, "launch group")
        named = f", {' to '.join(dict.fromkeys((order.launches[0], order.launches[-1])))}" if order.launches else ""
        rest = ", and last those without a designator" if order.undesignated_groups else ""
        sentences = (
            f"Order: as launched, {groups} from the oldest on{named}{rest}; satellites that have come down since are "
            "not in it, and each stands where it is today, not where it was then."
        )
        return [sentences, *_arrival_sentences(order)]
    if order.name == "plane":
        planes = f"Order: plane by plane, {counted(order.planes, 'plane')} found by their nodes, eastward."
        return [*filter(None, [stand_in_sentence(order)]), planes]
    if order.name == "random":
        draws = f"Order: at random, {counted(order.draws, 'draw')} of seed {order.seed}"
        return [f"{draws}: a model of failures only, since no fleet is launched so."]
    if order.name == "file":
        unlisted = f"; {order.unlisted:,} of the fleet are not in the list and never count" if order.unlisted else ""
        idle = f"; passed over as not serving: {order.not_serving:,} of the list" if order.not_serving else ""
        return [f"Order: {order.satellites:,} satellites as listed in {order.listed_in}{unlisted}{idle}."]
    return []


def _arrival_sentences(order: growth_orders.Order) -> list[str]:
    """Return since when the newest launch is in the elements, where snapshots saw it come."""
    if not order.arrivals:
        return []
    newest, since = order.arrivals[-1]
    more = ""
    if len(order.arrivals) > 1:
        more = f"{len(order.arrivals):,} launches came since its snapshots are kept, the last "
    return [f"Seen to arrive: {more}{newest}, in the elements since {since:%Y-%m-%d}."]


def growth_figures(table: pd.DataFrame, needed: int | None) -> list[tuple[str, str]]:
    """Return three figures: what today's satellites leave without service, and how many meet the goal, if any do."""
    today = table.iloc[-1]
    return [
        (share(float(today["gap_fraction"])), "without service today"),
        (duration(float(today["longest_gap_s"])), "the longest gap today"),
        ("none of these" if needed is None else f"{needed:,}", "satellites meet the goal"),
    ]


def goal_sentence(
    order: growth_orders.Order,
    found: growth_goals.Smallest,
    measured: str,
    others: Sequence[growth_goals.Smallest] = (),
) -> str:
    """Return the sentence that says what a goal takes: "Goal met from 342 satellites on, as launched (...); ...".

    `others` are what it takes in other orders: where today's satellites are no more than these tell apart, it says so.
    """
    today = f"{found.everyone:,}"
    words = goal_words(found.goal)
    if not found.reached:
        return f"Goal not met with this fleet's orbits ({words}); with all {today} satellites: {measured}."
    number = f"{found.middle:,}"
    if order.draws > 1:
        number = f"about {number}"
    sentence = f"Goal met from {number} satellites on, {order_words(order)}"
    if order.draws > 1:
        sentence += f", {found.low:,} to {found.high:,} in eight draws of ten"
    spare = found.everyone - found.middle
    if spare <= _may_be_off(found, others):
        return f"{sentence} ({words}); today you have {today}, which is just enough and no more."
    return f"{sentence} ({words}); today you have {today}, {f'{spare:,}' if spare else 'none'} to spare."


def _may_be_off(found: growth_goals.Smallest, others: Sequence[growth_goals.Smallest]) -> int:
    """Return by how much at most the number of one order differs from those of others; -1 where there are none."""
    return max((abs(number - found.middle) for one in others for number in (one.low, one.high)), default=-1)


def sure_sentence(names: Sequence[str], found: Sequence[growth_goals.Smallest]) -> str:
    """Say how far the number that the first order takes may be off, by what the others, of these `names`, take.

    Empty where the goal is not met, or there is one order alone.
    """
    first, *others = found
    if not first.reached or not others:
        return ""
    takes = []
    for name, one in zip(names[1:], others, strict=True):
        drawn = f"{one.low:,} to {one.high:,} in eight draws of ten" if one.low != one.high else f"{one.middle:,}"
        takes.append(f"{drawn} {name}")
    off = _may_be_off(first, others)
    if not off and first.middle == first.everyone:
        return (
            f"In every order it takes all of today's {first.everyone:,}: there is none to lose, so do not count on it."
        )
    if not off:
        return f"It takes as many in every order: {in_a_row(takes)}."
    spare = first.everyone - first.middle
    enough = "more than that to spare" if spare > off else "no more than that to spare, so do not count on it"
    return (
        f"Which satellites they are matters: it takes {in_a_row(takes)}. So take the number as good to about "
        f"{off:,}; today you have {enough}."
    )


def growth_sentence(order: growth_orders.Order, table: pd.DataFrame, length: str) -> str:
    """Return the sentence that says what all satellites give, and half of them."""
    everyone = len(table)
    last = table.iloc[-1]
    sentence = f"With all {everyone:,} satellites {_out(last)} in {length}"
    if everyone < 2:
        return sentence + "."
    half = table.iloc[everyone // 2 - 1]
    mean = ", on average over the draws" if order.draws > 1 else ""
    return f"{sentence}; with the first {everyone // 2:,}, {order_words(order)}, {_out(half)}{mean}."


def ahead_sentence(ahead: growth_ahead.Ahead, goal: growth_goals.Goal | None, measured: str, length: str) -> str:
    """Return the sentence that says what a plan brings and when; `plan_notes` says what it takes for granted."""
    given = f"{by_words(ahead) if ahead.pace else 'by this plan'}, {_SCENARIO}"
    first, last = ahead.table.iloc[0], ahead.table.iloc[-1]
    today = f"{int(first['satellites']):,}"
    if goal is None:
        return (
            f"{capital(given)}, {_out(last)} in {length} from {last['date']:%Y-%m-%d} on with "
            f"{int(last['satellites']):,} satellites; today, with {today}, {_out(first)}."
        )
    met = ahead.date_met(goal)
    words = goal_words(goal)
    if met is None:
        end = f"from {last['date']:%Y-%m-%d} on, with all {int(last['satellites']):,} satellites: {measured}"
        return f"Goal not met ({words}) {given}; {end}."
    if met == first["date"]:
        return f"Goal met already today, with {today} satellites ({words}), and it stays so {given}."
    return f"Goal met from {met:%Y-%m-%d} on ({words}), {given}: {_serving(ahead, met)} satellites then, {today} today."


def by_words(ahead: growth_ahead.Ahead) -> str:
    """Return what launches ahead go by, within a sentence: "by the plan"."""
    return "by the plan" if ahead.pace is None else BY_PACE


def line_words(ahead: growth_ahead.Ahead) -> str:
    """Return what names the line of launches ahead in a picture."""
    return "by the plan" if ahead.pace is None else _BY_PACE_SHORT


def plan_assumptions(ahead: growth_ahead.Ahead) -> str:
    """Return what a plan takes for granted, as part of a sentence."""
    today = f"today's {int(ahead.table['satellites'].iloc[0]):,} satellites staying as they are"
    if ahead.pace is not None:
        return f"launches as of late, {_pace_words(ahead.pace)}; {today}"
    rows = _launches(ahead)
    shown = rows if len(rows) <= 3 else [*rows[:2], f"and {len(rows) - 2:,} more launches"]
    return f"{'; '.join(shown)}; {today}"


def _launches(ahead: growth_ahead.Ahead) -> list[str]:
    """Return each launch of a plan with how its planes are fitted in."""
    return [
        f"{_launch_words(launch)}, {fitted_words(fitted)}"
        for launch, fitted in zip(ahead.launches, ahead.fitted, strict=True)
    ]


def _launch_words(launch: launch_plan.PlannedLaunch) -> str:
    planes = f"{counted(launch.planes, 'plane')} of {launch.satellites // launch.planes:,}"
    words = f"{planes} at {launch.altitude_km:g} km and {launch.inclination_deg:g}° launched {launch.date.isoformat()}"
    return f"{words}, serving after {launch.days_to_serve:g} days, {launch.losses_percent:g} % lost"


def fitted_words(fitted: launch_plan.Fitted) -> str:
    """Return how new planes are fitted into a shell."""
    if not fitted.beside_planes:
        return "evenly spaced in a shell of their own"
    phasing = "keeping their phasing" if fitted.keeps_phasing else "whose phases follow no one pattern"
    return f"in the widest gaps between the {fitted.beside_planes:,} planes there, {phasing}"


def _pace_words(pace: growth_pace.Pace) -> str:
    """Return the pace, and in which planes of which shells: "15.8 satellites a month, in planes of 20 at ..."."""
    shells = [
        f"planes of {shell.slots:,} at {shell.altitude_km:.0f} km and {shell.inclination_deg:.4g}°"
        + (f" ({shell.a_month:.3g} a month)" if len(pace.shells) > 1 else "")
        for shell in pace.shells
    ]
    return f"{pace.a_month:.3g} satellites a month, in {listed(shells, _MOST_LAUNCHES_TOLD)}"


def _pace_notes(ahead: growth_ahead.Ahead, pace: growth_pace.Pace) -> list[Note]:
    """Return what launches of late are taken to be, and what that leaves out."""
    fitted: dict[str, str] = {}
    for row, first in zip(ahead.launches, ahead.fitted, strict=True):
        fitted.setdefault(f"at {row.altitude_km:.0f} km and {row.inclination_deg:.4g}°", fitted_words(first))
    return [
        Note(
            f"Of the {counted(pace.on_station, 'satellite')} on station {pace.launched:,} were launched since "
            f"{_day(pace.since)}: {_pace_words(pace)}, each plane serving from the first of a month on."
        ),
        background(
            "Of late: the last full year and the part of this one, because international designators tell the year of "
            "a launch and no day. Satellites that still climb are not in the pace, and those that replaced others are."
        ),
        background(f"New planes: {'; '.join(f'{where} {words}' for where, words in fitted.items())}."),
    ]


def sample_remarks(pace: growth_pace.Pace) -> tuple[str, ...]:
    """Return what stands above the rows of a plan made from the pace of late."""
    return (
        f"Launches as of late, {_SCENARIO}: {pace.launched:,} of {pace.on_station:,} satellites on station were",
        f"launched from {pace.since} to {pace.until}, {pace.a_month:.3g} a month. Edit the rows, one a launch:",
        "its day; planes; satellites in all, the same number for each plane; altitude and inclination of their shell;",
        "days from the launch until they serve; the share of them, per cent, that never does.",
    )


def plan_notes(ahead: growth_ahead.Ahead) -> list[Note]:
    """Return what a plan takes for granted: each launch, how its planes are fitted in, and today's satellites."""
    today = int(ahead.table["satellites"].iloc[0])
    stay = background(
        f"Today's {counted(today, 'satellite')} {'is' if today == 1 else 'are'} assumed to stay as they are."
    )
    if ahead.pace is not None:
        return [*_pace_notes(ahead, ahead.pace), stay]
    launches = [f"Launch: {each}." for each in _launches(ahead)]
    if len(launches) > _MOST_LAUNCHES_TOLD:
        more = len(launches) - _MOST_LAUNCHES_TOLD
        launches = [
            *launches[:_MOST_LAUNCHES_TOLD],
            f"And {counted(more, 'more launch', 'more launches')}: see the plan.",
        ]
    return [*weighed(launches), stay]


def plan_goal_sentence(ahead: growth_ahead.Ahead, goal: growth_goals.Goal, measured: str, measured_today: str) -> str:
    """Return the sentence that says when a plan meets a goal that today's satellites do not, or that it never does.

    `told` is what the plan's last day has of the goal's quantities, `told_today` what today has. Empty where the goal
    is met today.
    """
    first, last, met = ahead.table.iloc[0], ahead.table.iloc[-1], ahead.date_met(goal)
    words, today = goal_words(goal), f"{int(first['satellites']):,}"
    if met is None:
        return (
            f"Goal not met ({words}), even {by_words(ahead)}: {measured} from {_day(last['date'])} on, with "
            f"{int(last['satellites']):,} satellites; {measured_today} with today's {today}."
        )
    if met == first["date"]:
        return ""
    short = goal_words(goal, reached=True)
    return (
        f"{capital(short)} from {_day(met)} on, {by_words(ahead)}, with {_serving(ahead, met)} satellites; not "
        f"with today's {today}."
    )


def plan_caption(ahead: growth_ahead.Ahead, goal: growth_goals.Goal, measured: str) -> str:
    """Return whether and when a plan meets a goal, in one sentence, and in a shorter one what it takes for granted."""
    first, last, met = ahead.table.iloc[0], ahead.table.iloc[-1], ahead.date_met(goal)
    words = goal_words(goal)
    if met is None:
        end = f"with all {int(last['satellites']):,} satellites from {_day(last['date'])} on: {measured}"
        sentence = f"Goal not met ({words}) {by_words(ahead)}; {end}."
    elif met == first["date"]:
        sentence = f"Goal met already today, and {by_words(ahead)} it stays so ({words})."
    else:
        sentence = f"Goal met from {_day(met)} on, with {_serving(ahead, met)} satellites ({words})."
    given = counted(len(ahead.launches), "launch", "launches") + " as planned"
    if ahead.pace is not None:
        given = f"{ahead.pace.a_month:.3g} satellites a month as of late, in whole planes"
    stay = f"today's {int(first['satellites']):,} satellites staying as they are"
    return f"{sentence} {capital(_SCENARIO)}: {given}, {stay}."


def met_already_words(found: growth_goals.Smallest) -> str:
    """Return why no launch ahead is looked at where today's satellites meet the goal."""
    words = goal_words(found.goal)
    return f"Today's {found.everyone:,} satellites meet the goal already ({words}): it waits for no launch."


def plan_sentence(ahead: growth_ahead.Ahead) -> str:
    """Return in one line what a plan brings: how long service is out today, and from its last day on."""
    first, last = ahead.table.iloc[0], ahead.table.iloc[-1]
    by = "by the plan" if ahead.pace is None else "at this pace"
    if not first["gap_fraction"] and not last["gap_fraction"]:
        today = f"{int(first['satellites']):,} satellites"
        then = f"{by} that is so on {_day(last['date'])} too"
        return f"With today's {today} service is never out, and {then}."
    return (
        f"{capital(by)}, {_out(last)} from {_day(last['date'])} on, with "
        f"{int(last['satellites']):,} satellites; today, with {int(first['satellites']):,}, {_out(first)}."
    )


def _amount(value: Any) -> str:
    return f"{value:,.4g}" if isinstance(value, float) else f"{value:,}"


# The band that holds eight draws of ten.
DRAWS: Final = "8 draws of 10"
# What every number of satellites gives.
_FIGURES: Final = (
    Column("satellites", "Satellites", COUNT),
    Column("gap_fraction", "Without service", SHARE),
    Column("gap_count", "Gaps", Format(_amount), 1),
    Column("mean_gap_s", "Mean gap", DURATION_OR_NONE, 2),
    Column("longest_gap_s", "Longest gap", DURATION_OR_NONE),
    Column("median_gap_s", "Median gap", DURATION_OR_NONE, 3),
    Column("p90_gap_s", "90 % under", DURATION_OR_NONE, 4),
)
_SATELLITES, _OUT, _GAPS, _MEAN, _LONGEST = _FIGURES[:5]
AHEAD_COLUMNS: Final = (
    Column("date", "Serving from", Format(lambda day: f"{day:%Y-%m-%d}")),
    _SATELLITES,
    Column("planned", "Planned", COUNT, 3),
    _OUT,
    _GAPS,
    _MEAN,
    _LONGEST,
)
NEEDED_COLUMNS: Final = (
    Column("order", "Order", TEXT),
    Column("satellites", "Satellites needed", of_row(lambda row: _needed(row), numeric=True)),
    Column("band", DRAWS, of_row(lambda row: _needed_band(row), numeric=True)),
    Column("today", "Serving today", COUNT),
)


def growth_columns(names: Sequence[str]) -> list[Column]:
    """Return the columns of a table of growth with these `names`; where there are draws, each with its band."""
    columns = []
    for column in _FIGURES:
        if column.key in names:
            columns.append(column)
        if f"{column.key}_p10" in names:
            columns.append(_band(column))
    return columns


def order_columns(names: Sequence[str]) -> list[Column]:
    """Return the columns of several orders side by side: the k-th has out_k and longest_k."""
    columns = [_SATELLITES]
    for k, name in enumerate(names):
        columns += [replace(_OUT, key=f"out_{k}", heading=f"Out, {name}"), replace(_LONGEST, key=f"longest_{k}")]
    return columns


def _band(column: Column) -> Column:
    """Return the column of the band that holds eight draws of ten of a figure."""

    def words(row: Any) -> str:
        low, high = (replace(column, key=f"{column.key}_{end}").cell(row) for end in ("p10", "p90"))
        return low if low == high else f"{low} to {high}"

    return Column(f"{column.key}_band", DRAWS, of_row(words, numeric=True), 5 + column.priority)


def _needed(row: Any) -> str:
    return f"{row.satellites:,.0f}" if row.reached else "not with these orbits"


def _needed_band(row: Any) -> str:
    return "" if not row.reached or row.low == row.high else f"{row.low:,.0f} to {row.high:,.0f}"


def _day(day: Any) -> str:
    return f"{day.day} {day:%b %Y}"


def _serving(ahead: growth_ahead.Ahead, day: Any) -> str:
    """Return how many satellites serve from a day of the plan on."""
    return f"{int(ahead.table.set_index('date')['satellites'][day]):,}"


def _out(row: Any) -> str:
    if not row["gap_fraction"]:
        return "service is never out"
    return (
        f"service is out {share(float(row['gap_fraction']))} of the time, at longest {duration(row['longest_gap_s'])}"
    )
