"""Calls: when to begin a call of some length, ranked, with what choosing gains; and the chosen times for a calendar."""

from __future__ import annotations

from typing import Any, Final

import flask
import pandas as pd
from dash import Dash, Input, Output, State, html, no_update

from passim.answers.calls import calendar_out, forecast as call_forecast, outlook as call_outlook, plan as call_answers
from passim.errors import InputError
from passim.parallel import Job

from ....figures.calls import call_days, call_hours_only
from ....figures.theme import Theme
from ....text.calendar import calendar_question, calendar_windows
from ....text.calls import (
    GAIN_COLUMNS,
    HOUR_COLUMNS,
    STARTS_HELP,
    busy_words,
    frozen_anyway,
    gain_sentence,
    gain_verdict,
    other_causes,
    plan_columns,
    plan_figures,
    plan_notes,
    plan_sentences,
)
from ....text.learned import calls_of_record, lesson_notes, replayed_calls_sentence
from ....text.notes import Note, weighed
from ....text.units import LocalClock, counted, duration, share
from ....text.ways_out import in_page_words
from ....text.workspace import INVENTED_TIMES
from ...address import query_of, read_query
from ...notes import blank, notes_of, refuse_old
from ...page_model import Answer, Help, Page, Panel, PanelContent, Table
from ...parts import aria, not_yet
from ...state import DashboardState, PageRequest, Pending
from . import (
    check as calls_check,
    request as call_request,
    subscription,
    upload_places as calls_places,
    uploads as uploads,
)

ICS_PATH: Final = "/ics/calls.ics"
_NO_START: Final = "No start is left."
_NOTHING_TO_GAIN: Final = "Nothing is suggested, so there is nothing to gain."

_SOURCE: Final = (
    "The passes at the site within every limit, and the timing model of passim (its sources are named in "
    "passim.forecast.timing)."
)
STARTS = Panel(
    "starts",
    "When to begin a call",
    STARTS_HELP.of(_SOURCE),
)
GAIN = Panel(
    "gain",
    "What choosing gains",
    Help(
        "The best start compared with a random one in the hours for calls: over the whole day and for each half of it.",
        "A random start is the mean over every free minute; eight starts in ten lie between the two figures after it. "
        "“As good” counts the starts that are no different from the best.",
        "The same two hundred futures as above.",
    ),
    picture=False,
)
HOURS = Panel(
    "hours",
    "By the hour of the day",
    Help(
        "What to expect of a call that starts in each local hour, on average over the free starts on these days.",
        "The mean over all starts in that hour.",
        "The same two hundred futures as above.",
    ),
    picture=False,
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say when to call."""
    request = call_request.request_of(question)
    clock = question.clock(request.whole)
    none_left = call_request.no_start_words(question, request)
    if none_left:
        return _without_start(question, request, none_left, clock, theme)
    plan, seen = call_request.plan_of(question, request), call_request.seen_of(question, request)
    first, *rest = plan_sentences(plan, clock)
    lesson = question.lesson
    calls = calls_of_record(lesson, request.kind, request.minutes, request.hours, question.site.timezone)
    if calls is not None and lesson.learned is not None:
        rest.append(replayed_calls_sentence(calls, lesson.learned.days))
    rest += other_causes(plan, on_pages=True)
    if plan.statistics_only:
        shown = PanelContent(
            call_hours_only(plan, theme),
            "The elements are too old to rank single starts: averages by local hour are all they give.",
            Table(plan.by_hour, HOUR_COLUMNS, clock),
        )
    else:
        shown = PanelContent(
            call_days(
                plan, request.whole, clock, question.now, theme, [(e.start, e.end, e.title) for e in request.busy]
            ),
            _caption(plan, clock, request),
            _starts_table(plan, clock),
        )
    panels = {
        STARTS.name: shown,
        GAIN.name: PanelContent(None, gain_sentence(plan) or _NOTHING_TO_GAIN, _gain_table(plan)),
        HOURS.name: _hours_shown(plan, clock),
    }
    checked, check_notes, still = _checked(question, request, clock)
    panels |= checked
    busy = busy_words([(one.name, len(one.events)) for one in request.taken])
    return Answer(
        first,
        panels,
        (
            *plan_notes(plan, call_forecast.RUNS),
            *lesson_notes(lesson, None),
            *weighed(note for one in request.taken for note in one.notes),
            *check_notes,
            *notes_of(question, seen, request.span, tell_age=False),
        ),
        " ".join([busy, *rest]).strip(),
        still,
        figures=plan_figures(plan, clock),
        beside=" ".join(frozen_anyway(plan, on_pages=True)),
    )


def _checked(
    question: PageRequest, request: call_request.CallRequest, clock: LocalClock
) -> tuple[dict[str, PanelContent], list[Note], Job | None]:
    """Return the panel of planned calls by its name, where there is one, its notes, and the work that it waits for."""
    # A check of many calls takes longer than the ranking, which does not wait for it.
    try:
        check, notes = calls_check.shown_of(question, request, clock)
    except Pending as working:
        return {}, [], working.job
    return {} if check is None else {calls_check.CHECK.name: check}, notes, None


def _without_start(
    question: PageRequest, request: call_request.CallRequest, words: str, clock: LocalClock, theme: Theme
) -> Answer:
    """Return the answer for days in which no call can begin any more; planned calls are checked all the same."""
    checked, notes, still = _checked(question, request, clock)
    # Without a picture of its own the place would keep that of the answer before.
    empty = PanelContent(blank(theme), _NO_START)
    return Answer(words, {STARTS.name: empty, **checked}, notes, still=still)


def beside(question: PageRequest) -> Any:
    """Return what stands beside the picture: busy times, and the calls to take along as a file or an address.

    Without an answer the button hands out nothing.
    """
    return html.Div(
        [
            calls_places.busy_place(),
            html.P(_button("", "once the answer is ready"), id="calls-take", className="beside"),
            subscription.place(question),
        ]
    )


def calendar_button(state: DashboardState, search: str | None) -> list[Any]:
    """Return the button for an address; where there are no calls to take along it is disabled, with a word why."""
    choices, _ = read_query(search)
    offer = _button(query_of(choices), _why_not(state, search))
    return (
        [*offer, html.Span(f" {INVENTED_TIMES}")] if subscription.times_are_invented(state.question(choices)) else offer
    )


def _button(query: str, why_not: str) -> list[Any]:
    words = "Add these calls to a calendar (.ics)"
    if not why_not:
        where = ICS_PATH + query
        return [html.A(words, id="calls-ics", href=where, className="button", download="passim-calls.ics")]
    dead = html.A(
        words, id="calls-ics", className="button", role="link", style={"opacity": 0.55, "cursor": "default"},
        **aria(disabled="true"),
    )  # fmt: skip
    return [dead, html.Span(f" {why_not}", className="quiet")]


def _why_not(state: DashboardState, search: str | None) -> str:
    """Return why there are no calls to take along, empty where there are."""
    question = state.question(read_query(search)[0])
    try:
        refuse_old(question, PAGE)
        request = call_request.request_of(question)
        if call_request.no_start_words(question, request):
            return "no start left on these days"
        plan = call_request.plan_of(question, request)
    except Pending:
        return "once the answer is ready"
    except InputError:
        return "no answer to this choice"
    if plan.none_good is not None:
        return "no start is good"
    return "no single start is suggested" if plan.suggestions.empty else ""


def register(app: Dash, state: DashboardState) -> None:
    """Serve the suggested calls as a calendar, and keep the button true to the answer."""

    # The line of faults is written with every answer, so that the button follows the answer.
    @app.callback(
        Output("calls-take", "children"),
        Input("notice", "children"),
        State("address", "search"),
        State("shown", "data"),
        prevent_initial_call=True,
    )
    def link(_: Any, search: str | None, path: str | None) -> Any:
        if path != PAGE.path:
            return no_update
        return calendar_button(state, search)

    def calendar() -> flask.Response:
        choices, _ = read_query(flask.request.query_string.decode("utf-8", "replace"))
        try:
            question = state.question(choices)
            refuse_old(question, PAGE)
            plan = call_request.plan_of(question, call_request.request_of(question))
            site_name = question.site.name
        except Pending as still:
            return not_yet(still.job)
        except InputError as error:
            return flask.Response(f"{in_page_words(error)}\n", 400, mimetype="text/plain")
        if plan.suggestions.empty:
            why = "No single start can be suggested" if plan.none_good is None else "No start is good"
            return flask.Response(f"{why}.\n", 404, mimetype="text/plain")
        data = calendar_out.calendar_bytes(
            calendar_windows(plan, site_name), calendar_question(plan, site_name), question.now
        )
        found = flask.Response(data, mimetype="text/calendar")
        found.headers["Content-Disposition"] = 'attachment; filename="passim-calls.ics"'
        return found

    app.server.add_url_rule(ICS_PATH, "calls_ics", calendar)
    calls_places.register(app, state)
    subscription.register(app, state)


def _caption(plan: call_answers.CallPlan, clock: LocalClock, request: call_request.CallRequest) -> str:
    if plan.ranked.empty:
        return _NO_START
    worst = plan.ranked.iloc[int(plan.ranked["expected_frozen_s"].to_numpy().argmax())]
    good = int(call_outlook.good_starts(plan.ranked).sum())
    calm = f"{share(good / len(plan.ranked))} of {counted(len(plan.ranked), 'start')} are good"
    solid = ": flat and solid" if good else ""
    if not good:
        calm = "No start is good"
    blank = " Dotted: your appointments." if request.busy else ""
    if worst["expected_frozen_s"] < 0.5:
        return f"{calm}; no freeze expected. Shaded: the hours for calls.{blank}"
    return (
        f"{calm}{solid}. Worst start: {clock.time(worst['start'])[:5]} on {clock.day(worst['start'])}, "
        f"with {duration(worst['expected_frozen_s'])} frozen. Shaded: the hours for calls, {plan.hours.words}.{blank}"
    )


def _starts_table(plan: call_answers.CallPlan, clock: LocalClock) -> Table:
    chosen = plan.ranked["start"].isin(plan.suggestions["start"])
    best = "best" if plan.none_good is None else "least bad"
    ranks, good = range(1, len(plan.ranked) + 1), call_outlook.good_starts(plan.ranked)
    return Table(
        plan.ranked.assign(rank=ranks, suggested=chosen.to_numpy(), good=good),
        plan_columns(clock),
        clock,
        "No start is free of appointments.",
        plan.shown,
        f"The {best} starts that do not overlap. All {len(plan.ranked):,}, best first, are in the file.",
    )


def _hours_shown(plan: call_answers.CallPlan, clock: LocalClock) -> PanelContent:
    if plan.ranked.empty and not plan.statistics_only:
        # What the plan has by the hour is then of starts that are taken.
        return PanelContent(
            None, "No start is free of appointments.", Table(plan.by_hour.iloc[:0], HOUR_COLUMNS, clock)
        )
    return PanelContent(None, _hours_caption(plan), Table(plan.by_hour, HOUR_COLUMNS, clock))


def _hours_caption(plan: call_answers.CallPlan) -> str:
    frozen_s = plan.by_hour["expected_frozen_s"].to_numpy()
    calm, worst = plan.by_hour.iloc[int(frozen_s.argmin())], plan.by_hour.iloc[int(frozen_s.argmax())]
    if frozen_s.max() < 0.5:
        return "Every hour is calm."
    return (
        f"Worst on average: starts from {int(worst['hour']):02d}:00, {duration(worst['expected_frozen_s'])} frozen; "
        f"calmest from {int(calm['hour']):02d}:00, {duration(calm['expected_frozen_s'])}."
    )


def _gain_table(plan: call_answers.CallPlan) -> Table:
    parts = {f"{plan.hours.words}": plan.gain, "before noon": plan.before_noon, "from noon on": plan.from_noon}
    rows = pd.DataFrame([_gain_row(name, gain) for name, gain in parts.items() if gain is not None])
    return Table(rows, GAIN_COLUMNS, empty="The elements are too old to compare single starts, or none is free.")


def _gain_row(name: str, gain: call_answers.Gain) -> dict[str, Any]:
    return {
        "starts_in": name,
        "starts": gain.starts,
        "best_pauses": gain.best_pauses,
        "random_pauses": gain.pauses.mean,
        "best_frozen_s": gain.best_frozen_s,
        "random_frozen_s": gain.frozen_s.mean,
        "random_frozen_low_s": gain.frozen_s.low,
        "random_frozen_high_s": gain.frozen_s.high,
        "best_chance_of_end": gain.best_chance_of_end,
        "random_chance_of_end": gain.chance_of_end.mean,
        "share_as_good": gain.share_as_good,
        "worth_choosing": gain.worth_choosing,
        "verdict": gain_verdict(gain),
    }


PAGE: Final = Page(
    path="/calls",
    name="Calls",
    asks="When can I take a call?",
    panels=(STARTS, calls_check.CHECK, GAIN, HOURS),
    answer=answer,
    controls=call_request.CONTROLS,
    extra=beside,
    below=calls_places.block,
    register=register,
    private=(uploads.BUSY, uploads.CHECK),
)
