"""Clock: when the gaps are, by date and local time of day, and one day minute by minute."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from passim import Coverage
from passim.errors import InputError
from passim.forecast import timing

from ...figures.day_minutes import day_minutes
from ...figures.gap_clock import gap_clock
from ...figures.theme import Theme
from ...text.causes import cause_gap_columns
from ...text.columns import without
from ...text.gaps import day_columns, days_caption, minute_columns
from ...text.units import LocalClock, counted, duration, share
from ..notes import notes_of
from ..page_model import Answer, Control, Help, Page, Panel, Shown, Table
from ..state import PageRequest
from ..tasks.passes import Seen

_DAYS: Final = ("7", "3", "14")
_MOST_DAYS: Final = 31
_NO_TIMES: Final = "the elements are too old by then to tell when."

_SOURCE = "The element sets of the fleet chosen, and the site, spot and limits of the workspace."
DAYS = Panel(
    "days",
    "Gaps by date and time of day",
    Help(
        "One row a day, local time from left to right. Each mark is a gap, as wide as it is long, never thinner than a "
        "hair; marks that lean over from row to row are the daily drift of the pattern. At the end of a row stands how "
        "long that day is out.",
        "All passes above the site's mask and within its limits are found, and a gap is where none of them lasts. "
        "Days are those of the site's clock.",
        _SOURCE,
    ),
    times=("picture",),
)
DAY = Panel(
    "day",
    "One day, minute by minute",
    Help(
        "Above, how many seconds of each minute are without service. The strip: the fewest satellites that can serve "
        "in each minute. Below, how much of each half hour has none, one alone (nothing to spare), two or more.",
        "The number in view changes when a satellite rises into or sets out of what the limits allow; each change is "
        "found to a millisecond. The table holds every minute: least, mean and most in view, and its seconds without "
        "service.",
        _SOURCE,
    ),
    times=("picture", "table"),
)
GAPS = Panel(
    "gaps",
    "The gaps of that day, and what opens each",
    Help(
        "Each gap with the limit that opens it, and where the satellite stood that was missing.",
        "A limit is named where lifting it alone would close the gap. The missing satellite is the highest one that "
        "lifting it would bring back at the middle of the gap.",
        _SOURCE,
    ),
    picture=False,
    times=("table",),
)


def answer(question: PageRequest, theme: Theme) -> Answer:
    """Say when the gaps are."""
    days = _days(question)
    span, day_span = question.days(days), question.days(1)
    seen, day_seen = question.seen(span), question.seen(day_span)
    clock, day_clock = question.clock(span), question.clock(day_span)
    hours = question.workspace.call_hours(question.site_name)
    by_day, minutes, gaps = (
        seen.coverage.by_local_day(clock.name),
        day_seen.coverage.minutes(clock.name),
        day_seen.causes.table,
    )
    fresh = question.freshness(day_span.middle)
    return Answer(
        _sentence(day_seen.coverage, day_clock, fresh),
        {
            "days": Shown(
                question.drawn(
                    ("clock days", question.view, span, question.minute, hours, theme),
                    lambda: gap_clock(seen.coverage, clock, question.minute, theme, hours),
                ),
                days_caption(by_day, clock),
                Table(
                    by_day.drop(columns="date").rename(columns={"day_local": "day"}), day_columns(clock), shown=by_day
                ),
            ),
            "day": Shown(
                question.drawn(
                    ("clock day", question.view, day_span, question.minute, theme),
                    lambda: day_minutes(day_seen.coverage, day_clock, question.minute, theme),
                ),
                _day_caption(day_seen.coverage, day_clock),
                Table(
                    minutes,
                    without(minute_columns(day_clock), "day"),
                    day_clock,
                ),
            ),
            "gaps": Shown(
                None,
                f"{counted(len(gaps), 'gap')} on {day_clock.day(day_span.start)}.",
                Table(
                    gaps,
                    without(cause_gap_columns(day_clock), "day"),
                    day_clock,
                    "No gap on this day.",
                ),
            ),
        },
        notes_of(question, seen, span),
        _over_days(seen, clock, days, fresh),
    )


def _days(question: PageRequest) -> int:
    text = question.choices.other("days", _DAYS[0])
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= _MOST_DAYS):
        raise InputError("number of days", got=text, wanted=f"a whole number from 1 to {_MOST_DAYS}", try_next=_DAYS[0])
    return int(text)


def _sentence(coverage: Coverage, clock: LocalClock, fresh: timing.Freshness) -> str:
    """Return what the day chosen brings; of elements that tell no single times any more, how much in all alone."""
    gaps, day = coverage.gaps(), clock.day(coverage.span.start)
    if gaps.empty:
        return f"{day}: no gap, all day."
    out_s = float(gaps["duration_s"].sum())
    start, end = coverage.longest_clear()
    if start == end:
        return f"{day}: no service, all day."
    if not fresh.band.shows_odds:
        return f"{day}: {counted(len(gaps), 'gap')} or so, {duration(out_s)} in all; {_NO_TIMES}"
    first, last = clock.time(start), clock.time(end)
    # Where every clear stretch is short, minutes alone would say "none from 12:25 to 12:25".
    calm = f"none from {first[:5]} to {last[:5]}" if first[:5] != last[:5] else f"none from {first} to {last}"
    if first == last:
        calm = "hardly a second without"
    return f"{day}: {counted(len(gaps), 'gap')}, {duration(out_s)} in all; {calm}."


def _over_days(seen: Seen, clock: LocalClock, days: int, fresh: timing.Freshness) -> str:
    gaps = seen.coverage.gaps()
    if gaps.empty:
        return f"No gap in the {days} days shown."
    longest = gaps.iloc[int(gaps["duration_s"].argmax())]
    out = share(1.0 - seen.coverage.summary()["covered_fraction"])
    if not fresh.band.shows_odds:
        return f"Over the {days} days shown service is out {out} of the time."
    return (
        f"Over the {days} days shown service is out {out} of the time; the longest gap, "
        f"{duration(longest['duration_s'])}, comes at {clock.when(longest['start'])}."
    )


def _day_caption(coverage: Coverage, clock: LocalClock) -> str:
    hours = coverage.by_local_hour(clock.name)
    worst = hours.iloc[int(hours["gap_s"].argmax())]
    if not worst["gap_s"]:
        return f"{clock.day(coverage.span.start)}: a satellite is in view throughout."
    calm = int((hours["gap_s"] == 0.0).sum())
    return (
        f"{clock.day(coverage.span.start)}: worst in the hour from {clock.time(worst['hour_local'])[:5]}, "
        f"{duration(worst['gap_s'])} out; {counted(calm, 'hour')} of the day without a gap."
    )


def _day_options(_: PageRequest) -> Sequence[tuple[str, str]]:
    return [(text, f"{text} days") for text in _DAYS]


PAGE: Final = Page(
    path="/clock",
    name="Clock",
    asks="When are the gaps?",
    panels=(DAYS, DAY, GAPS),
    answer=answer,
    controls=(Control("days", "Days in the picture", _day_options),),
)
