"""Calls: when to begin a call of some length, ranked, with what choosing gains; and the chosen times for a calendar."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import flask
import pandas as pd
from dash import Dash, Input, Output, html

from passim import Span
from passim.answers import calendar_out, call_forecast, call_kinds, call_times
from passim.answers import calls as call_answers
from passim.answers import now as now_answer
from passim.errors import InputError

from ...call_calendar import calendar_question, calendar_windows
from ...call_options import weekdays_of
from ...call_words import HOUR_HEADINGS, PLAN_HEADINGS, hour_cells, plan_cells, plan_notes, plan_sentence
from ...figures.calls import call_days, call_hours_only
from ...figures.theme import Theme
from ...wording import LocalClock, counted, duration, share
from .. import planning
from ..address import query_of, read_query
from ..answering import Answer, Control, Help, Page, Panel, Shown, Table
from ..desk import Desk, Question, StillWorking
from ..telling import notes_of
from . import now as now_page

_DAYS: Final = ("3", "1", "5", "7")
_MOST_DAYS: Final = 14
_OWN: Final = "own"
_WEEKDAYS: Final = (
    ("mon-sun", "every day"), ("mon-fri", "Mon to Fri"), ("sat,sun", "Sat and Sun"), ("mon", "Mon"), ("tue", "Tue"),
    ("wed", "Wed"), ("thu", "Thu"), ("fri", "Fri"), ("sat", "Sat"), ("sun", "Sun"),
)  # fmt: skip
_A_TIME: Final = re.compile(r"(\d{1,2}):([0-5]\d)", re.ASCII)
# Starts before now are of no use to anybody; the list moves on in steps of this many minutes.
_STEP_MIN: Final = 5
_PATIENCE_S: Final = 120.0
ICS_PATH: Final = "/ics/calls.ics"

STARTS = Panel(
    "starts",
    "When to begin a call",
    Help(
        "One row a day, with the local time at which a call could begin from left to right. Flat and teal are good "
        "starts; where it is hatched, freezes are to be expected, and the height is how many seconds the call would be "
        "frozen. The blue blocks under the curve are the calls suggested, as long as they last.",
        "Two hundred futures are drawn in which satellites come early or late by what their elements' age allows, and "
        "a call is begun at every minute. Starts rank by the chance that the call ends, then by pauses, then by "
        "seconds frozen. Two hundred other futures say what stands here, so that luck in the draw does not count.",
        "The passes at the site within every limit, and the timing model of passim (its sources stand in "
        "passim.coverage.timing).",
    ),
)
GAIN = Panel(
    "gain",
    "What choosing gains",
    Help(
        "The best start beside a random one within the hours for calls, over all of them and for each half of the day.",
        "A random start is the mean over every minute allowed; between the two figures after it lie eight of ten "
        "starts. As good are starts that cannot be told from the best.",
        "The same two hundred futures as above.",
    ),
    picture=False,
)
HOURS = Panel(
    "hours",
    "By the hour of the day",
    Help(
        "What awaits a call that begins in each local hour, on average over the days asked about.",
        "Means over the starts in that hour.",
        "The same two hundred futures as above.",
    ),
    picture=False,
)


def answer(question: Question, theme: Theme) -> Answer:
    """Say when to call."""
    plan, span = plan_of(question)
    whole = question.days(_days(question))
    clock = question.clock(whole)
    first, *rest = plan_sentence(plan, clock).splitlines()
    if plan.statistics_only:
        shown = Shown(
            call_hours_only(plan, theme),
            "The elements are too old for single starts: means by the local hour are all that can be said.",
            Table(plan.by_hour, HOUR_HEADINGS, hour_cells, clock),
        )
    else:
        shown = Shown(
            call_days(plan, whole, clock, question.now, theme), _caption(plan, clock), _starts_table(plan, clock)
        )
    seen = question.seen(call_forecast.searched_span(whole))
    return Answer(
        first,
        {
            STARTS.name: shown,
            GAIN.name: Shown(None, _gain_caption(plan), _gain_table(plan)),
            HOURS.name: Shown(None, _hours_caption(plan), Table(plan.by_hour, HOUR_HEADINGS, hour_cells, clock)),
        },
        (*plan_notes(plan, call_forecast.RUNS), *notes_of(question, seen, span)),
        " ".join(rest),
    )


def plan_of(question: Question) -> tuple[call_answers.CallPlan, Span]:
    """Return the plan that the choices ask for, and the span it was made for. Raises StillWorking, InputError."""
    whole = question.days(_days(question))
    span = Span(_from_now_on(whole, question.now), whole.end)
    known = now_page.kinds(question)
    kind = call_kinds.call_kind(question.choices.other("kind", known[0].name), known)
    minutes, hours = now_page.minutes_of(question), hours_of(question)
    searched = call_forecast.searched_span(whole)
    seen = question.seen(searched)
    thresholds_s, model = (*kind.at_least_s, kind.buffer_s), question.workspace.timing_model
    found: planning.Planned = question.computed(
        ("calls", question.view, span, kind.name, thresholds_s, minutes, hours, model), span, planning.plan,
        seen.visibility, span, kind, minutes, hours, question.site.timezone, model,
    )  # fmt: skip
    return found.plan, span


def hours_of(question: Question) -> call_times.AllowedHours:
    """Return the hours and days for calls: those chosen, else the site's own, else all. Raises InputError."""
    usual = _usual(question)
    begins, ends, days = (question.choices.other(key, _OWN) for key in ("from", "until", "weekdays"))
    return call_times.AllowedHours(
        usual.from_minute if begins == _OWN else _minute("from", begins),
        usual.to_minute if ends == _OWN else _minute("until", ends),
        usual.weekdays if days == _OWN else weekdays_of(days, "days for calls"),
    )


def calendar_link(question: Question) -> Any:
    """Return the button that hands out the suggested calls."""
    return html.P(
        html.A(
            "Add these calls to a calendar (.ics)",
            id="calls-ics",
            href=ICS_PATH + query_of(question.choices),
            className="button",
            download="passim-calls.ics",
        ),
        className="beside",
    )


def register(app: Dash, desk: Desk) -> None:
    """Serve the suggested calls as a calendar, and keep the button true to the address."""

    @app.callback(Output("calls-ics", "href"), Input("address", "search"), prevent_initial_call=True)
    def link(search: str | None) -> str:
        return ICS_PATH + query_of(read_query(search)[0])

    def calendar() -> flask.Response:
        choices, _ = read_query(flask.request.query_string.decode("utf-8", "replace"))
        try:
            question = desk.question(choices)
            plan = _waited_for(question)
            site_name = question.site.name
        except InputError as error:
            return flask.Response(f"{error}\n", 400, mimetype="text/plain")
        if plan.suggestions.empty:
            return flask.Response("No single start can be suggested.\n", 404, mimetype="text/plain")
        data = calendar_out.calendar_bytes(
            calendar_windows(plan, site_name), calendar_question(plan, site_name), question.now
        )
        found = flask.Response(data, mimetype="text/calendar")
        found.headers["Content-Disposition"] = 'attachment; filename="passim-calls.ics"'
        return found

    app.server.add_url_rule(ICS_PATH, "calls_ics", calendar)


def _waited_for(question: Question) -> call_answers.CallPlan:
    for _ in range(4):
        try:
            return plan_of(question)[0]
        except StillWorking as still:
            still.job.done.wait(_PATIENCE_S)
    raise InputError("calendar", got="still being computed", wanted="a little patience", try_next="the same again")


def _from_now_on(span: Span, now: datetime) -> datetime:
    """Return the start of the span, or the next step after now where now lies in it."""
    if not span.start <= now < span.end:
        return span.start
    step = timedelta(minutes=_STEP_MIN)
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    return min(epoch + -((epoch - now) // step) * step, span.end - timedelta(minutes=1))


def _usual(question: Question) -> call_times.AllowedHours:
    kept = question.workspace.call_hours(question.site_name)
    if kept is None:
        return call_times.AllowedHours()
    begins, ends = (t.hour * 60 + t.minute for t in (kept.start, kept.end))
    return call_times.AllowedHours(begins, ends, kept.weekdays)


def _minute(what: str, text: str) -> int:
    found = _A_TIME.fullmatch(text)
    minute = int(found[1]) * 60 + int(found[2]) if found else -1
    if not 0 <= minute <= call_times.DAY_MINUTES:
        raise InputError(f"hours for calls, {what}", got=text, wanted="a time of the day, HH:MM", try_next="08:00")
    return minute


def _days(question: Question) -> int:
    text = question.choices.other("ahead", _DAYS[0])
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= _MOST_DAYS):
        raise InputError("days ahead", got=text, wanted=f"a whole number from 1 to {_MOST_DAYS}", try_next=_DAYS[0])
    return int(text)


def _caption(plan: call_answers.CallPlan, clock: LocalClock) -> str:
    if plan.ranked.empty:
        return "No start is left."
    worst = plan.ranked.iloc[int(plan.ranked["expected_frozen_s"].to_numpy().argmax())]
    good = int(now_answer.good_starts(plan.ranked).sum())
    calm = f"{share(good / len(plan.ranked))} of {counted(len(plan.ranked), 'start')} are good"
    if worst["expected_frozen_s"] < 0.5:
        return f"{calm}; hardly a freeze to expect from any of them. Shaded: the hours for calls."
    return (
        f"{calm}: flat and teal. Worst to begin is {clock.time(worst['start'])[:5]} on {clock.day(worst['start'])}, "
        f"with {duration(worst['expected_frozen_s'])} frozen. Shaded: the hours for calls, {plan.hours.words}."
    )


def _starts_table(plan: call_answers.CallPlan, clock: LocalClock) -> Table:
    chosen = plan.ranked["start"].isin(plan.suggestions["start"])
    ranks, good = range(1, len(plan.ranked) + 1), now_answer.good_starts(plan.ranked)
    return Table(
        plan.ranked.assign(rank=ranks, suggested=chosen.to_numpy(), good=good),
        PLAN_HEADINGS,
        lambda row: plan_cells(row, clock),
        clock,
        "No start is free.",
        plan.suggestions,
        f"The best starts that do not overlap. All {len(plan.ranked):,}, best first, are in the file.",
    )


def _hours_caption(plan: call_answers.CallPlan) -> str:
    frozen_s = plan.by_hour["expected_frozen_s"].to_numpy()
    calm, worst = plan.by_hour.iloc[int(frozen_s.argmin())], plan.by_hour.iloc[int(frozen_s.argmax())]
    if frozen_s.max() < 0.5:
        return "Every hour is calm."
    return (
        f"Worst on average: starts from {int(worst['hour']):02d}:00 on, {duration(worst['expected_frozen_s'])} frozen; "
        f"calmest from {int(calm['hour']):02d}:00 on, {duration(calm['expected_frozen_s'])}."
    )


def _gain_caption(plan: call_answers.CallPlan) -> str:
    if plan.gain is None:
        return "Nothing is suggested, so there is nothing to gain."
    if not plan.gain.worth_choosing:
        return "Not enough that anybody would notice."
    return f"{share(plan.gain.share_as_good)} of all starts are as good as the best."


def _gain_table(plan: call_answers.CallPlan) -> Table:
    parts = {f"{plan.hours.words}": plan.gain, "before noon": plan.before_noon, "from noon on": plan.from_noon}
    rows = pd.DataFrame([_gain_row(name, gain) for name, gain in parts.items() if gain is not None])

    def cells(row: Any) -> list[str]:
        low, high = duration(row.random_frozen_low_s), duration(row.random_frozen_high_s)
        return [
            row.starts_in,
            f"{row.starts:,}",
            f"{row.best_pauses:.1f}",
            f"{row.random_pauses:.1f}",
            duration(row.best_frozen_s),
            duration(row.random_frozen_s),
            low if low == high else f"{low} to {high}",
            share(row.share_as_good),
            "yes" if row.worth_choosing else "no",
        ]

    headings = (
        "Starts", ">Number", ">Pauses, best", ">Random", ">Frozen, best", ">Random", ">8 of 10", ">As good",
        "Worth choosing",
    )  # fmt: skip
    return Table(rows, headings, cells, empty="Single starts cannot be told apart, or none is free.")


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
    }


def _ahead_options(_: Question) -> Sequence[tuple[str, str]]:
    return [(text, counted(int(text), "day")) for text in _DAYS]


def _from_options(question: Question) -> Sequence[tuple[str, str]]:
    return [(_OWN, _own_words(question, "from")), *((f"{h:02d}:00", f"{h:02d}:00") for h in range(24))]


def _until_options(question: Question) -> Sequence[tuple[str, str]]:
    return [(_OWN, _own_words(question, "until")), *((f"{h:02d}:00", f"{h:02d}:00") for h in range(1, 25))]


def _weekday_options(question: Question) -> Sequence[tuple[str, str]]:
    return [(_OWN, _own_words(question, "weekdays")), *_WEEKDAYS]


def _own_words(question: Question, what: str) -> str:
    try:
        usual, kept = _usual(question), question.workspace.call_hours(question.site_name) is not None
    except InputError:
        return "as the site keeps"
    minute = usual.from_minute if what == "from" else usual.to_minute
    words = {
        "from": f"{minute // 60:02d}:{minute % 60:02d}",
        "until": f"{minute // 60:02d}:{minute % 60:02d}",
        "weekdays": replace(usual, from_minute=0, to_minute=call_times.DAY_MINUTES).words.removeprefix("all day, "),
    }[what]
    return f"{words}, as the site keeps" if kept else words


PAGE: Final = Page(
    path="/calls",
    name="Calls",
    asks="When can I call?",
    panels=(STARTS, GAIN, HOURS),
    answer=answer,
    controls=(
        now_page.MINUTES,
        now_page.KIND,
        Control("from", "From", _from_options),
        Control("until", "Until", _until_options),
        Control("weekdays", "Days of the week", _weekday_options),
        Control("ahead", "Days ahead", _ahead_options),
    ),
    extra=calendar_link,
    register=register,
)
