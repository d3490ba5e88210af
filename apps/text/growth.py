"""Growth as people read it: the sentences, the thinned tables, and call hours from an option's text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..command_line.call_options import minutes_between, weekdays_of
from ..command_line.parsing import SiteChoice, found_workspace
from .notes import Note, background, weighed
from .units import counted, duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers.calls import hours as call_times
    from passim.answers.growth import ahead as growth_ahead
    from passim.answers.growth import goals as growth_goals
    from passim.answers.growth import orders as growth_orders

WORKSPACE_HOURS = "workspace"
# More launches than these are for the plan's own file.
_MOST_LAUNCHES_TOLD = 6

AHEAD_HEADINGS = (">Serving from", ">Satellites", ">Planned", ">Without service", ">Gaps", ">Mean gap", ">Longest gap")


def call_hours(text: str, site_choice: SiteChoice) -> call_times.AllowedHours:
    """Return the call hours of the option: the site's own in the workspace, or HH:MM-HH:MM[,Mon-Fri].

    Raises InputError.
    """
    from passim.answers.calls import hours as call_times
    from passim.errors import InputError

    if text != WORKSPACE_HOURS:
        times, _, days = text.partition(",")
        minutes = minutes_between(times, "--call-hours")
        return call_times.AllowedHours(*minutes, weekdays_of(days or "mon-sun", "--call-hours"))
    workspace = found_workspace(site_choice.workspace_dir)
    named = workspace is not None and (site_choice.site_text is None or "," not in site_choice.site_text)
    kept = workspace.call_hours(site_choice.site_text) if workspace is not None and named else None
    if kept is None:
        raise InputError(
            "call hours",
            got="none for this site" if workspace is None or not named else "none in the workspace for this site",
            wanted="hours of the day, and days",
            try_next="--call-hours 08:00-18:00,Mon-Fri",
        )
    return kept.allowed


def goal_sentence(order: growth_orders.Order, found: growth_goals.Smallest, told: str) -> str:
    """Return the sentence that says what a goal takes: "Goal met from 342 satellites on, as launched (...); ..."."""
    today = f"{found.everyone:,}"
    words = found.goal.words()
    if not found.reached:
        return f"Goal not met with this fleet's orbits ({words}); with all {today} satellites: {told}."
    number = f"{found.middle:,}"
    if order.draws > 1:
        number = f"about {number}"
    sentence = f"Goal met from {number} satellites on, {order.words}"
    if order.draws > 1:
        sentence += f", {found.low:,} to {found.high:,} in eight draws of ten"
    return f"{sentence} ({words}); today you have {today}."


def growth_sentence(order: growth_orders.Order, table: pd.DataFrame, length: str) -> str:
    """Return the sentence that says what all satellites give, and half of them."""
    everyone = len(table)
    last = table.iloc[-1]
    sentence = f"With all {everyone:,} satellites {_out(last)} in {length}"
    if everyone < 2:
        return sentence + "."
    half = table.iloc[everyone // 2 - 1]
    mean = ", on average over the draws" if order.draws > 1 else ""
    return f"{sentence}; with the first {everyone // 2:,}, {order.words}, {_out(half)}{mean}."


def ahead_sentence(ahead: growth_ahead.Ahead, goal: growth_goals.Goal | None, told: str, length: str) -> str:
    """Return the sentence that says what a plan brings and when; `plan_notes` says what it takes for granted."""
    given = "by this plan, a scenario and no forecast"
    first, last = ahead.table.iloc[0], ahead.table.iloc[-1]
    today = f"{int(first['satellites']):,}"
    if goal is None:
        return (
            f"{given[0].upper()}{given[1:]}, {_out(last)} in {length} from {last['date']:%Y-%m-%d} on with "
            f"{int(last['satellites']):,} satellites; today, with {today}, {_out(first)}."
        )
    met = ahead.date_met(goal)
    words = goal.words()
    if met is None:
        return f"Goal not met ({words}) {given}; with all {int(last['satellites']):,} satellites: {told}."
    if met == first["date"]:
        return f"Goal met already today, with {today} satellites ({words}), and it stays so {given}."
    return f"Goal met from {met:%Y-%m-%d} on ({words}), {given}: {_serving(ahead, met)} satellites then, {today} today."


def plan_notes(ahead: growth_ahead.Ahead) -> list[Note]:
    """Return what a plan takes for granted: each launch, how its planes are fitted in, and today's satellites."""
    launches = [f"Launch: {launch.words()}, {how}." for launch, how in zip(ahead.launches, ahead.how, strict=True)]
    if len(launches) > _MOST_LAUNCHES_TOLD:
        more = len(launches) - _MOST_LAUNCHES_TOLD
        launches = [
            *launches[:_MOST_LAUNCHES_TOLD],
            f"And {counted(more, 'more launch', 'more launches')}: see the plan.",
        ]
    today = int(ahead.table["satellites"].iloc[0])
    stay = f"Today's {counted(today, 'satellite')} {'is' if today == 1 else 'are'} taken to stay as they are."
    return [*weighed(launches), background(stay)]


def plan_goal_sentence(ahead: growth_ahead.Ahead, goal: growth_goals.Goal, told: str, told_today: str) -> str:
    """Return the sentence that says when a plan meets a goal that today's satellites do not, or that it never does.

    `told` is what the plan's last day has of the goal's quantities, `told_today` what today has. Empty where the goal
    is met today.
    """
    first, last, met = ahead.table.iloc[0], ahead.table.iloc[-1], ahead.date_met(goal)
    words, today = goal.words(), f"{int(first['satellites']):,}"
    if met is None:
        return (
            f"Goal not met, even by the plan ({words}): {told} from {_day(last['date'])} on, with "
            f"{int(last['satellites']):,} satellites; {told_today} with today's {today}."
        )
    if met == first["date"]:
        return ""
    short = words.removeprefix("at least ")
    return (
        f"{short[:1].upper()}{short[1:]} from {_day(met)} on, by the plan, with {_serving(ahead, met)} satellites; not "
        f"with today's {today}."
    )


def plan_caption(ahead: growth_ahead.Ahead, goal: growth_goals.Goal, told: str) -> str:
    """Return whether and when a plan meets a goal, in one sentence, and in a shorter one what it takes for granted."""
    first, last, met = ahead.table.iloc[0], ahead.table.iloc[-1], ahead.date_met(goal)
    words = goal.words()
    if met is None:
        end = f"with all {int(last['satellites']):,} satellites from {_day(last['date'])} on: {told}"
        sentence = f"Goal not met by the plan ({words}); {end}."
    elif met == first["date"]:
        sentence = f"Goal met already today, and by the plan it stays so ({words})."
    else:
        sentence = f"Goal met from {_day(met)} on, with {_serving(ahead, met)} satellites ({words})."
    return (
        f"{sentence} A scenario, no forecast: {counted(len(ahead.launches), 'launch', 'launches')} as planned, today's "
        f"{int(first['satellites']):,} satellites staying as they are."
    )


def plan_sentence(ahead: growth_ahead.Ahead) -> str:
    """Return in one line what a plan brings: how long service is out today, and from its last day on."""
    first, last = ahead.table.iloc[0], ahead.table.iloc[-1]
    return (
        f"By the plan, {_out(last)} from {_day(last['date'])} on, with {int(last['satellites']):,} satellites; today, "
        f"with {int(first['satellites']):,}, {_out(first)}."
    )


def headings(columns: Sequence[str]) -> list[str]:
    """Return the headings of a table of growth with these columns."""
    names = {
        "satellites": "Satellites",
        "gap_fraction": "Without service",
        "gap_count": "Gaps",
        "mean_gap_s": "Mean gap",
        "longest_gap_s": "Longest gap",
        "median_gap_s": "Median gap",
        "p90_gap_s": "90 % under",
    }
    return [f">{names[name]}" for name in _shown(columns)]


def cells(row: Any) -> list[str]:
    """Return the cells of one number of satellites; where there are draws, the band stands in brackets."""
    numbers = row._asdict()
    return [_cell(name, numbers) for name in _shown(list(numbers))]


def ahead_cells(row: Any) -> list[str]:
    """Return the cells of one day of a plan."""
    numbers = row._asdict()
    return [
        f"{row.date:%Y-%m-%d}",
        f"{row.satellites:,}",
        f"{row.planned:,}",
        *(_cell(name, numbers) for name in ("gap_fraction", "gap_count", "mean_gap_s", "longest_gap_s")),
    ]


def _shown(columns: Sequence[str]) -> list[str]:
    return [name for name in columns if name == "p90_gap_s" or not name.endswith(("_p10", "_p90"))]


def _cell(name: str, numbers: dict[str, Any]) -> str:
    value = _text(name, numbers[name])
    if f"{name}_p10" not in numbers or not value:
        return value
    return f"{value} ({_text(name, numbers[f'{name}_p10'])} - {_text(name, numbers[f'{name}_p90'])})"


def _text(name: str, value: Any) -> str:
    if value != value:  # not a number: every gap is cut, or the number is off the grid
        return ""
    if name == "gap_fraction":
        return share(float(value))
    if name.endswith("_s"):
        return duration(float(value)) if value else "none"
    return f"{value:,.4g}" if isinstance(value, float) else f"{value:,}"


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
