"""What the Calls page is asked: the days, the kind and length of a call, the hours for calls, and what is taken."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from passim import Span
from passim.answers.calls import (
    calendar_in as calendar,
    forecast as call_forecast,
    hours as call_times,
    kinds as call_kinds,
    plan as call_answers,
)
from passim.errors import InputError, SpanError
from passim.spans import DailyHours, moment, parse_weekdays

from ....text.units import counted
from ...page_model import Control
from ...state import DRAWS_MS, PageRequest
from ...tasks import calls as call_work
from ...tasks.passes import PlaceVisibility
from .. import now as now_page
from . import uploads as uploads

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
# Every day of the week comes within these.
_NEXT_WITHIN: Final = timedelta(days=8)


@dataclass(frozen=True, eq=False)
class BusyCalendar:
    """A calendar of times at which no call can be: its name, its appointments from now on, what was left out."""

    name: str
    events: tuple[calendar.Event, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class CallRequest:
    """What is asked: ``whole`` are the days asked about, ``span`` what of them is still to come."""

    whole: Span
    span: Span
    kind: call_kinds.CallKind
    minutes: int
    hours: DailyHours
    taken: tuple[BusyCalendar, ...]

    @property
    def busy(self) -> tuple[calendar.Event, ...]:
        """All appointments that are kept free of calls."""
        return tuple(event for one in self.taken for event in one.events)


def request_of(question: PageRequest) -> CallRequest:
    """Return what the address asks. Raises InputError, Pending while a calendar is read."""
    whole = whole_days(question)
    known = now_page.kinds(question)
    kind = call_kinds.call_kind(question.choices.other("kind", known[0].name), known)
    span = Span(_from_now_on(whole, question.now), whole.end)
    taken = []
    for key in uploads.keys_of(question.choices, uploads.BUSY):
        upload = uploads.find(question.state, key)
        # A start in the middle of an appointment would be worse than no answer.
        if upload is None:
            raise uploads.not_here(uploads.BUSY)
        read = uploads.appointments(question, upload, whole, uploads.BUSY)
        taken.append(BusyCalendar(upload.name, read.from_now_on(span), read.notes))
    return CallRequest(whole, span, kind, now_page.minutes_of(question), hours_of(question), tuple(taken))


def seen_of(question: PageRequest, request: CallRequest) -> PlaceVisibility:
    """Return what is seen in the days asked about. Raises Pending, InputError."""
    return question.seen(call_forecast.searched_span(request.whole))


def plan_of(question: PageRequest, request: CallRequest) -> call_answers.CallPlan:
    """Return the plan that is asked for. Raises Pending, InputError."""
    kind, model, calibration = request.kind, question.fleet_timing.model, question.lesson.calibration
    thresholds_s = (*kind.at_least_s, kind.buffer_s)
    seen = seen_of(question, request)
    return question.computed(
        ("calls", question.view, request.span, kind.name, thresholds_s, request.minutes, request.hours, request.busy,
         model, calibration),
        request.span, call_work.plan, seen.visibility, request.span, kind, request.minutes, request.hours,
        question.site.timezone, request.busy, model, calibration,
        ms_per_satellite_day=DRAWS_MS,
    )  # fmt: skip


def no_start_words(question: PageRequest, request: CallRequest) -> str:
    """Return that the days asked about hold no start any more, and when the next is; empty where they hold one.

    Raises SpanError for a call that the hours never have room for.
    """

    def first_in(span: Span) -> datetime:
        starts = call_times.starts(span, request.minutes, request.hours, question.site.timezone)
        return moment(int(starts.allowed_us[0]))

    try:
        first_in(request.span)
    except SpanError:
        longer = Span(request.span.start, request.whole.end + _NEXT_WITHIN)
        following = first_in(longer)
    else:
        return ""
    try:
        first_in(request.whole)
    except SpanError:
        why = f"the hours for calls, {request.hours.words}, do not fall on them"
    else:
        why = f"the hours for calls, {request.hours.words}, are over"
    clock = question.clock(longer)
    return (
        f"No start left on these days: {why}. Next: {clock.day(following)}, {clock.time(following)[:5]}; "
        "choose more days."
    )


def whole_days(question: PageRequest) -> Span:
    """Return the days asked about. Raises InputError."""
    text = question.choices.other("ahead", _DAYS[0])
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= _MOST_DAYS):
        raise InputError("days ahead", got=text, wanted=f"a whole number from 1 to {_MOST_DAYS}", try_next=_DAYS[0])
    return question.days(int(text))


def hours_of(question: PageRequest) -> DailyHours:
    """Return the hours and days for calls: those chosen, else the site's own, else all. Raises InputError."""
    usual = _usual(question)
    begins, ends, days = (question.choices.other(key, _OWN) for key in ("from", "until", "weekdays"))
    return DailyHours(
        usual.from_minute if begins == _OWN else _minute("from", begins),
        usual.to_minute if ends == _OWN else _minute("until", ends),
        usual.weekdays if days == _OWN else parse_weekdays(days, "days for calls"),
    )


def _from_now_on(span: Span, now: datetime) -> datetime:
    """Return the start of the span, or the next step after now where now lies in it."""
    if not span.start <= now < span.end:
        return span.start
    step = timedelta(minutes=_STEP_MIN)
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    return min(epoch + -((epoch - now) // step) * step, span.end - timedelta(minutes=1))


def _usual(question: PageRequest) -> DailyHours:
    return question.workspace.call_hours(question.site_name) or DailyHours()


def _minute(what: str, text: str) -> int:
    found = _A_TIME.fullmatch(text)
    minute = int(found[1]) * 60 + int(found[2]) if found else -1
    if not 0 <= minute <= call_times.DAY_MINUTES:
        raise InputError(f"hours for calls, {what}", got=text, wanted="a time of the day, HH:MM", try_next="08:00")
    return minute


def _from_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    return [(_OWN, _own_words(question, "from")), *((f"{h:02d}:00", f"{h:02d}:00") for h in range(24))]


def _until_options(question: PageRequest) -> Sequence[tuple[str, str]]:
    return [(_OWN, _own_words(question, "until")), *((f"{h:02d}:00", f"{h:02d}:00") for h in range(1, 25))]


def _own_words(question: PageRequest, what: str) -> str:
    try:
        usual, own = _usual(question), question.workspace.call_hours(question.site_name) is not None
    except InputError:
        return "the site's own"
    minute = usual.from_minute if what == "from" else usual.to_minute
    words = {
        "from": f"{minute // 60:02d}:{minute % 60:02d}",
        "until": f"{minute // 60:02d}:{minute % 60:02d}",
        "weekdays": usual.day_words,
    }[what]
    return f"{words} (own)" if own else words


CONTROLS: Final = (
    now_page.MINUTES,
    now_page.KIND,
    Control("from", "From", _from_options),
    Control("until", "Until", _until_options),
    Control("weekdays", "Days of the week", lambda question: [(_OWN, _own_words(question, "weekdays")), *_WEEKDAYS]),
    Control("ahead", "Days ahead", lambda _: [(text, counted(int(text), "day")) for text in _DAYS]),
)
