"""Growth: what the place would have with fewer satellites, one by one; what a goal takes; and a plan by date."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from passim import DailyHours, Span
from passim.answers.calls import hours as call_times
from passim.answers.growth import (
    ahead as growth_ahead,
    curves as growing,
    goals as growth_goals,
    launch_plan as growth_plan,
)
from passim.errors import InputError
from passim.workspace import plans

from ...figures.growth import TITLES, GoalMark, OrderCurve, growth_curves, plan_by_date
from ...figures.theme import Theme
from ...text.goals import NEXT_WORDS, goal_words, measured_words
from ...text.growth import (
    AHEAD_COLUMNS,
    CURVES_HELP,
    NEEDED_COLUMNS,
    PACE_WORDS,
    SAMPLE_PLAN,
    goal_sentence,
    growth_figures,
    growth_sentence,
    line_words,
    met_already_words,
    order_columns,
    order_notes,
    order_words,
    plan_caption,
    plan_goal_sentence,
    plan_notes,
    plan_sentence,
    sample_remarks,
    sure_sentence,
)
from ...text.notes import Note, left_out, weighed, without
from ...text.service import before_handovers, handovers_on_top_note
from ...text.units import capital, counted, duration, share
from ...text.ways_out import in_page_words
from ..address import changed, query_of, read_query
from ..notes import notes_of
from ..page_model import Answer, Control, Help, Page, Panel, PanelContent, Table
from ..parts import aria, part
from ..state import DashboardState, PageRequest
from ..tasks import growth as planning
from ..upload import Upload, bytes_of, fault_line

# Where nothing is chosen, the first of these is asked that all of today's satellites do not meet: a goal to look to.
NEXT: Final = "next"
LADDER: Final = ("covered >= 99 %", "covered >= 99.9 %", "longest_gap_s <= 5", "gap_count <= 0")
GOALS: Final = (
    "covered >= 99 %",
    "longest_gap_s <= 60", "longest_gap_s <= 30", "longest_gap_s <= 5", "gap_count <= 0", "twofold >= 100 %",
    "covered >= 95 %", "covered >= 99.9 %", "gaps_per_hour <= 1", "longest_gap_s <= 5 in call hours",
    "covered >= 99.9 % in call hours",
)  # fmt: skip
_SHORT: Final = {"launch": "as launched", "plane": "plane by plane", "random": "at random"}
_SECOND: Final = ("longest_gap_s", "mean_gap_s", "gap_count")
_LONGEST_GOAL: Final = 200
_READ_WITHIN_S: Final = 20.0
# What browsers still send, so that a file that is too large is named and not dropped in silence.
_LARGEST_TAKEN_BYTES: Final = 16 * 2**20
NO_PLAN: Final = "none"
# Launches go on as of late: what a workspace without a plan of its own is asked about.
PACE: Final = "pace"
ALL_DAY, CALL_HOURS = "day", "calls"

CURVE = Panel(
    "curve",
    "Gaps against the number of satellites",
    CURVES_HELP.of(
        "The element sets of the fleet chosen; launches by the year and number in the international designators, "
        "planes by their nodes."
    ),
)
NEEDED = Panel(
    "needed",
    "What the goal takes",
    Help(
        "The number of satellites from which the goal stays met, in each order.",
        "“From N on” means with N and with every larger number, in this order. For random orders it is the median "
        "draw, with the range that holds eight draws in ten.",
        "The curves above.",
    ),
    picture=False,
)
PLAN = Panel(
    "plan",
    "Launches ahead, by date",
    Help(
        "Time without service from each day on which launches bring satellites into service, and how many serve by "
        "then.",
        "New planes go into the widest gaps between today's, or make a pattern of their own; a plan may lose some "
        "satellites at random. Each date's fleet is put over the same day of sky. This is a scenario, not a forecast.",
        "A plan: a CSV file beside the workspace's own, with the columns "
        + ", ".join(growth_plan.PLAN_COLUMNS)
        + ". Without one: the satellites on station launched last year and this year, by the years in their "
        "international designators, shell by shell, as whole planes a month for two years.",
    ),
)


@dataclass(frozen=True)
class _Planned:
    """What a plan adds to the page: its panel, its table, with how many satellites it meets the goal, words and notes.

    The `headline` is for a goal that waits for the plan; `brings` says what the plan brings, and `by` what it goes by.
    """

    panels: dict[str, PanelContent] = field(default_factory=dict)
    table: pd.DataFrame | None = None
    meets: int | None = None
    headline: str = ""
    brings: str = ""
    by: str = ""
    notes: tuple[Note, ...] = ()


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say what the goal takes."""
    span, text = question.days(1), _goal_text(question)
    stated = growth_goals.parse_goal(text) if text else None
    of_call_hours = stated is not None and stated.in_call_hours
    in_call_hours = of_call_hours or question.choices.other("within", ALL_DAY) == CALL_HOURS
    hours = _call_hours(question, of_goal=of_call_hours) if in_call_hours else None
    windows = None if hours is None else call_times.call_hours_within(span, hours, question.site.timezone)
    seen, twofold = question.seen(span), stated is not None and stated.needs_twofold
    grown = question.computed(
        ("growth", question.view, span, hours, twofold), span, planning.grow, seen.visibility, windows, twofold
    )
    goal = stated or next_goal(grown.curves[0])
    found = [growth_goals.smallest(curves, goal) for curves in grown.curves]
    tables = [curves.table for curves in grown.curves]
    main, order = grown.curves[0], grown.curves[0].order
    day = question.clock(span).day(span.middle)
    time_counted = f"the call hours of {day}" if hours else f"the {duration(span.duration_s)} of {day}"
    mark = GoalMark.of(goal, found[0].middle if found[0].reached else None, main.counted_s)
    second = _second_measure(question, mark)
    measured = measured_words(goal, main.values, main.counted_s)
    names = [_SHORT.get(curves.order.name, order_words(curves.order)) for curves in grown.curves]
    plan = _plan(question, theme, span, found[0], windows, measured)
    # A goal that waits for the plan is marked where the plan meets it.
    mark = mark if mark.satellites is not None else replace(mark, satellites=plan.meets)
    drawn = growth_curves(
        [OrderCurve(name, table) for name, table in zip(names, tables, strict=True)], theme,
        measures=("gap_fraction", second), goal=mark, plan=plan.table, plan_words=plan.by,
    )  # fmt: skip
    # A goal that waits for the plan is answered by the plan first.
    waits = "" if found[0].reached else plan.headline
    notes = [
        *weighed(grown.missing),
        *weighed(note for curves in grown.curves for note in order_notes(curves.order)),
        *([Note(f"Only call hours count here: {hours.words} ({question.site.timezone}).")] if hours else []),
        *plan.notes,
        *without(notes_of(question, seen, span), "policy"),
    ]
    return Answer(
        before_handovers(waits or goal_sentence(order, found[0], measured, found[1:]), seen.visibility.view),
        {
            CURVE.name: PanelContent(drawn, _caption(tables[0], names), _curve_table(tables, names)),
            NEEDED.name: PanelContent(None, _needed_caption(goal), _needed_table(found, names)),
            **plan.panels,
        },
        notes,
        " ".join(
            [
                *left_out(handovers_on_top_note(seen.visibility)),
                before_handovers(plan.brings or growth_sentence(order, tables[0], time_counted), seen.visibility.view),
                *filter(None, [sure_sentence(names, found)]),
            ]
        ),
        figures=growth_figures(tables[0], mark.satellites),
    )


def _goal_text(question: PageRequest) -> str:
    """Return the goal that is chosen or written; empty for the next one that is not met."""
    text = question.choices.other("goal", NEXT)
    return "" if text == NEXT else text


def next_goal(curves: growing.Curves) -> growth_goals.Goal:
    """Return the first goal of the ladder that all of today's satellites do not meet; the last where they meet all."""
    goals = [growth_goals.parse_goal(text) for text in LADDER]
    return next((goal for goal in goals if not growth_goals.smallest(curves, goal).reached), goals[-1])


def _call_hours(question: PageRequest, *, of_goal: bool) -> DailyHours:
    hours = question.workspace.call_hours(question.site_name)
    if hours is None:
        raise InputError(
            "call hours", got=f"none for {question.site_name}", wanted="call_hours of the site in the workspace",
            try_next="a goal for the whole day" if of_goal else "the whole day",
        )  # fmt: skip
    return hours


def _second_measure(question: PageRequest, mark: GoalMark) -> str:
    chosen = question.choices.other("measure", "")
    if chosen in _SECOND:
        return chosen
    return mark.measure if mark.measure in _SECOND else _SECOND[0]


def _caption(table: pd.DataFrame, names: Sequence[str]) -> str:
    everyone = len(table)
    never = table["satellites"][table["gap_fraction"] <= 0.0]
    ends = (
        f"it reaches zero with {int(never.iloc[0]):,}" if len(never)
        else f"with all {everyone:,} it is {share(float(table['gap_fraction'].iloc[-1]))}"
    )  # fmt: skip
    return (
        f"Time without service falls as satellites are added; {names[0]}, {ends}. The pale band holds eight random "
        "draws in ten."
    )


def _curve_table(tables: Sequence[pd.DataFrame], names: Sequence[str]) -> Table:
    """Return every number of every order for the file, and a few numbers side by side for people."""
    rows = pd.concat([table.assign(order=name) for table, name in zip(tables, names, strict=True)], ignore_index=True)
    rows.insert(0, "order", rows.pop("order"))
    # Few numbers where little happens, and every twentieth of the fleet, which is where goals are met.
    everyone = len(tables[0])
    twentieths = np.unique(np.linspace(everyone / 20.0, everyone, 20).round().astype(np.int64))
    grid = np.union1d(growing.logarithmic_grid(everyone), twentieths[twentieths > 0])
    shown = pd.DataFrame({"satellites": grid})
    for k, table in enumerate(tables):
        few = table.iloc[grid - 1].reset_index(drop=True)
        shown[f"out_{k}"], shown[f"longest_{k}"] = few["gap_fraction"], few["longest_gap_s"]
    shown = shown.iloc[::-1].reset_index(drop=True)
    note = f"Every number from 1 to {len(tables[0]):,} is in the file."
    return Table(rows, order_columns(names), shown=shown, file_note=note)


def _needed_caption(goal: growth_goals.Goal) -> str:
    words = goal_words(goal)
    return f"The goal: {words}. A different pattern of satellites may need more or fewer."


def _needed_table(found: Sequence[growth_goals.Smallest], names: Sequence[str]) -> Table:
    rows = pd.DataFrame(
        [
            {
                "order": name,
                "reached": one.reached,
                "satellites": one.middle if one.reached else None,
                "low": one.low if one.reached else None,
                "high": one.high if one.reached else None,
                "today": one.everyone,
            }
            for name, one in zip(names, found, strict=True)
        ]
    )
    return Table(rows, NEEDED_COLUMNS)


def _plan(
    question: PageRequest,
    theme: Theme,
    span: Span,
    today: growth_goals.Smallest,
    windows: growing.Windows | None,
    measured_today: str,
) -> _Planned:
    """Return what the launches that are chosen add to what the goal takes of `today`; nothing without launches.

    Launches as of late are looked at only where the goal waits for them.
    """
    files = plans.plan_files(question.workspace)
    name = question.choices.other("plan", next(iter(files), PACE))
    if name == NO_PLAN:
        return _Planned()
    if name not in (PACE, *files):
        raise InputError("plan", got=name, wanted=f"one of {', '.join([*files, PACE, NO_PLAN])}")
    if name == PACE and today.reached:
        return _Planned({PLAN.name: PanelContent(None, met_already_words(today))})
    try:
        return _ahead(question, theme, span, today.goal, windows, measured_today, files.get(name))
    except InputError as error:
        # A plan grows old: its launches come to fly; and not every fleet tells of its own. The rest of the page holds.
        return _Planned({PLAN.name: PanelContent(None, f"{capital(in_page_words(error))}.")})


def _ahead(
    question: PageRequest,
    theme: Theme,
    span: Span,
    goal: growth_goals.Goal,
    windows: growing.Windows | None,
    measured_today: str,
    path: Path | None,
) -> _Planned:
    launches = None if path is None else growth_plan.parse_plan(path.read_bytes(), path.name, question.now)
    first = question.now.replace(hour=0, minute=0, second=0)
    ahead = question.computed(
        ("plan", question.view, span, launches, first, windows is None, goal.needs_twofold), span,
        planning.grow_ahead, question.fleet, question.view, span, launches, first, windows, goal.needs_twofold,
    )  # fmt: skip
    measured = measured_words(goal, ahead.curves.values, ahead.curves.counted_s)
    met = ahead.date_met(goal)
    shown = PanelContent(
        plan_by_date(ahead.table, theme, met=None if met is None else pd.Timestamp(met)),
        plan_caption(ahead, goal, measured),
        Table(ahead.table, AHEAD_COLUMNS),
    )
    return _Planned(
        {PLAN.name: shown},
        ahead.table,
        None if met is None else int(ahead.table["satellites"][ahead.table["date"] == pd.Timestamp(met)].iloc[0]),
        plan_goal_sentence(ahead, goal, measured, measured_today),
        plan_sentence(ahead),
        line_words(ahead),
        tuple(plan_notes(ahead)),
    )


def beside(question: PageRequest) -> Any:
    """Return what stands beside the picture: every number of satellites by keyboard, and a goal of one's own."""
    return html.Div([_number(), _own_goal(question)])


def _number() -> Any:
    """Return the slider that reads the curves at one number of satellites; the browser does it by itself."""
    return html.Div(
        [
            html.Label("Read at so many satellites", htmlFor="growth-number", className="choice-label"),
            dcc.Input(id="growth-number", type="range", min=1, max=1, step=1, value=1, className="slider"),
            html.Output(id="growth-told", **aria(live="polite")),
        ],
        className="choice",
    )


def _own_goal(question: PageRequest) -> Any:
    """Return the place where a goal of one's own is written."""
    return html.Details(
        [
            html.Summary("Write a goal of your own"),
            html.Div(
                [
                    html.Label("Goal", htmlFor="goal-text"),
                    dcc.Input(
                        id="goal-text",
                        type="text",
                        value=_goal_text(question),
                        maxLength=_LONGEST_GOAL,
                        autoComplete="off",
                        className="field",
                    ),
                    html.Button("Use this goal", id="goal-use", className="button", n_clicks=0),
                ],
                className="beside",
            ),
            html.P(
                f"A quantity ({', '.join(growth_goals.QUANTITIES)}), then <=, <, >= or >, then a number with % or s; "
                f"several with “and” between them, and “in call hours” at the end. For example {growth_goals.EXAMPLE}.",
                className="quiet",
            ),
        ],
        className="numbers",
    )


PLAN_FILE: Final = Upload("plan", "Choose a plan, or drop it here", _LARGEST_TAKEN_BYTES)


def plan_place(question: PageRequest) -> Sequence[Any]:
    """Return the place where a plan of launches is handed in."""
    stays = "lost when this demonstration ends" if question.state.invented else "kept in the workspace"
    return [
        html.Section(
            [
                html.H2("Upload a launch plan", id="plan-title"),
                html.Div(
                    [
                        PLAN_FILE.drop(),
                        html.Button("Download a plan to edit", id="plan-sample", className="button", n_clicks=0),
                    ],
                    className="beside",
                ),
                *PLAN_FILE.messages(),
                dcc.Download(id="plan-sample-file"),
                html.Div(id="plan-sample-fault", role="alert"),
                html.P(
                    f"A CSV file, one row a launch, with the header {','.join(growth_plan.PLAN_COLUMNS)}; "
                    "satellites in all its planes, losses that never serve. At most "
                    f"{growth_plan.LARGEST_PLAN_BYTES // 1000:,} kB; {stays}. In the one to edit launches go on as "
                    "they have of late.",
                    className="quiet",
                ),
            ],
            className="load",
            **aria(labelledby="plan-title"),
        )
    ]


def take_plan(state: DashboardState, file_name: str, contents: str) -> tuple[str, str]:
    """Keep a plan that a browser handed in; return the name of its file and what to say.

    Raises Pending while a worker reads it, InputError.
    """
    data, now = bytes_of(file_name, contents, growth_plan.LARGEST_PLAN_BYTES), state.now()
    key = ("plan read", file_name, hashlib.sha256(data).digest(), now.date())
    launches = state.work_out(key, planning.read_plan, data, file_name, now, deadline_s=_READ_WITHIN_S)
    name = plans.keep_plan(state.workspace, file_name, data)
    satellites = sum(launch.satellites for launch in launches)
    return name, f"Kept as {name}: {counted(len(launches), 'launch', 'launches')}, {satellites:,} satellites."


def sample_plan(question: PageRequest) -> str:
    """Return the text of a plan file in which launches go on as of late. Raises InputError."""
    pace = growth_ahead.pace_at(question.fleet, question.view, question.days(1), question.now)
    return growth_plan.plan_csv(pace.launches, sample_remarks(pace))


def register(app: Dash, state: DashboardState) -> None:
    """Put a goal of one's own into the address, where the page finds it, and show it; take plans, and hand one out."""

    @app.callback(
        Output("plan-sample-file", "data"),
        Output("plan-sample-fault", "children"),
        Input("plan-sample", "n_clicks"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def hand_out(clicks: int | None, search: str | None) -> Any:
        if not clicks:
            return no_update, no_update
        try:
            text = sample_plan(state.question(read_query(search)[0]))
        except InputError as error:
            return no_update, fault_line(error)
        return {"content": text, "filename": SAMPLE_PLAN}, []

    def done(taken: tuple[str, str], search: str | None) -> tuple[Any, str, str]:
        name, message = taken
        usual = next(iter(plans.plan_files(state.workspace)), PACE)
        query = query_of(changed(read_query(search)[0], {"plan": None if name == usual else name}))
        return html.P(message), query, state.now().isoformat()

    PLAN_FILE.register(
        app,
        lambda files, _: take_plan(state, *files[0]),
        done,
        [Output("address", "search", allow_duplicate=True), Output("changed", "data", allow_duplicate=True)],
        [State("address", "search")],
    )

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("goal-use", "n_clicks"),
        Input("goal-text", "n_submit"),
        State("goal-text", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def use(clicks: int | None, submits: int | None, text: str | None, search: str | None) -> Any:
        if not (clicks or submits) or not (text or "").strip():
            return no_update
        choices, _ = read_query(search)
        wanted = " ".join(str(text).split())[:_LONGEST_GOAL]
        return query_of(changed(choices, {"goal": wanted}))

    in_browser: Any = app.clientside_callback  # untyped in dash
    in_browser(
        ClientsideFunction("passim", "growthEnds"),
        Output("growth-number", "max"),
        Output("growth-number", "value"),
        Input(part("picture", CURVE.name), "figure"),
        prevent_initial_call=True,
    )
    in_browser(
        ClientsideFunction("passim", "growthAt"),
        Output("growth-told", "children"),
        Input("growth-number", "value"),
        prevent_initial_call=True,
    )

    @app.callback(Output("goal-text", "value"), Input("address", "search"), prevent_initial_call=True)
    def follow(search: str | None) -> str:
        text = read_query(search)[0].other("goal", NEXT)
        return "" if text == NEXT else text


def _goal_options(_: PageRequest) -> Sequence[tuple[str, str]]:
    return [(NEXT, NEXT_WORDS), *((text, goal_words(growth_goals.parse_goal(text))) for text in GOALS)]


def _measure_options(_: PageRequest) -> Sequence[tuple[str, str]]:
    return [("goal", "what the goal is about"), *((name, TITLES[name]) for name in _SECOND)]


def _plan_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    names = list(plans.plan_files(question.workspace))
    return [*((name, name) for name in names), (PACE, PACE_WORDS), (NO_PLAN, "no launches")]


PAGE: Final = Page(
    path="/growth",
    name="Growth",
    asks="Does it get better with more satellites, and when?",
    panels=(CURVE, NEEDED, PLAN),
    answer=answer,
    controls=(
        Control("goal", "Goal", _goal_options),
        Control("within", "Hours that count", lambda _: [(ALL_DAY, "the whole day"), (CALL_HOURS, "call hours only")]),
        Control("measure", "Second picture", _measure_options),
        Control("plan", "Plan of launches", _plan_options),
    ),
    extra=beside,
    below=plan_place,
    register=register,
)
