"""Clock: when the gaps are, by date and local time of day, and one day minute by minute."""

from __future__ import annotations

from typing import Final

from passim.errors import InputError

from ...figures.day_minutes import day_minutes
from ...figures.gap_clock import gap_clock
from ...figures.theme import Theme
from ...text.causes import cause_gap_columns
from ...text.columns import without
from ...text.gaps import (
    DAYS_HELP,
    MINUTES_HELP,
    day_columns,
    day_figures,
    day_sentence,
    days_caption,
    days_sentence,
    hour_columns,
    hours_caption,
)
from ...text.units import counted
from ..notes import notes_of
from ..page_model import Answer, Control, Help, Page, Panel, PanelContent, Table
from ..state import PageRequest

_DAYS: Final = ("7", "3", "14")
_MOST_DAYS: Final = 31
# Whoever prints a day wants it whole, and one in which service comes and goes all the time is no list to read.
_MOST_GAPS: Final = 300

_SOURCE = "The element sets of the fleet chosen, and the site, spot and limits of the workspace."
DAYS = Panel(
    "days",
    "Gaps by date and time of day",
    DAYS_HELP.of(_SOURCE),
    times=("picture",),
)
DAY = Panel(
    "day",
    "One day, minute by minute",
    MINUTES_HELP.of(
        _SOURCE,
        "The table sums up each hour; its file has every minute: fewest, mean and most in view, and its seconds "
        "without service.",
    ),
    times=("picture", "table"),
)
GAPS = Panel(
    "gaps",
    "The gaps of that day, and what causes each",
    Help(
        "Each gap with the limit that causes it, and where the missing satellite stood.",
        "A limit is named where removing it alone would close the gap. The missing satellite is the highest one that "
        "removing it would bring back at the middle of the gap.",
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
    band = question.freshness(day_span.middle).band
    return Answer(
        day_sentence(day_seen.coverage, day_clock, band),
        {
            "days": PanelContent(
                question.drawn(
                    ("clock days", question.view, span, question.minute, hours, theme),
                    lambda: gap_clock(seen.coverage, clock, question.minute, theme, hours, by_half_hour=theme.narrow),
                ),
                days_caption(by_day, clock, by_half_hour=theme.narrow),
                Table(
                    by_day.drop(columns="date").rename(columns={"day_local": "day"}), day_columns(clock), shown=by_day
                ),
            ),
            "day": PanelContent(
                question.drawn(
                    ("clock day", question.view, day_span, question.minute, theme),
                    lambda: day_minutes(day_seen.coverage, day_clock, question.minute, theme),
                ),
                hours_caption(day_seen.coverage, day_clock),
                Table(
                    minutes,
                    hour_columns(day_clock),
                    day_clock,
                    shown=day_seen.coverage.by_local_hour(clock.name),
                    file_note="The file has every minute.",
                ),
            ),
            "gaps": PanelContent(
                None,
                f"{counted(len(gaps), 'gap')} on {day_clock.day(day_span.start)}.",
                Table(
                    gaps,
                    without(cause_gap_columns(day_clock), "day"),
                    day_clock,
                    "No gap on this day.",
                    most_rows=_MOST_GAPS,
                ),
            ),
        },
        notes_of(question, seen, span),
        days_sentence(seen.coverage, clock, days, band),
        figures=day_figures(day_seen.coverage),
    )


def _days(question: PageRequest) -> int:
    text = question.choices.other("days", _DAYS[0])
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= _MOST_DAYS):
        raise InputError("number of days", got=text, wanted=f"a whole number from 1 to {_MOST_DAYS}", try_next=_DAYS[0])
    return int(text)


PAGE: Final = Page(
    path="/clock",
    name="Clock",
    asks="At what time of day are the gaps?",
    panels=(DAYS, DAY, GAPS),
    answer=answer,
    controls=(Control("days", "Days in the picture", lambda _: [(text, f"{text} days") for text in _DAYS]),),
)
