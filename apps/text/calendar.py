"""Suggested calls as a calendar: the same events from the command line and from the dashboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .calls import event_text, kind_words, rule_words
from .units import counted

if TYPE_CHECKING:
    from passim.answers.calls import calendar_in, calendar_out, plan as calls


SUBSCRIPTION_WORDS: Final = (
    "A calendar program that has this address shows the same calls as the file, and asks for them again about once an "
    "hour, for as long as passim runs here. Whoever has it can read them, and nothing else: give it to nobody else. "
    "Withdrawn, or made anew, it answers nobody any more."
)


_MOST_RULES: Final = 20


def left_out_of_calendar(read: calendar_in.CalendarEvents) -> list[str]:
    """Return what the reader of a calendar left out, in a few words each: "2 cancelled"."""
    rules = [_odd_rule(rule) for rule in read.odd_rules[:_MOST_RULES]]
    return [*_uncounted(read), *rules, *_more_rules(read)]


def calendar_notes(read: calendar_in.CalendarEvents) -> list[str]:
    """Return a sentence on everything that the reader of a calendar left out or could not follow."""
    rules = [f"{read.name}, line {rule.line}: {_odd_rule(rule)}." for rule in read.odd_rules[:_MOST_RULES]]
    more = [f"{read.name}: {words}." for words in _more_rules(read)]
    return [*(f"{read.name}: {words}, left out." for words in _uncounted(read)), *rules, *more]


def _uncounted(read: calendar_in.CalendarEvents) -> list[str]:
    cancelled = [f"{read.cancelled} cancelled"] if read.cancelled else []
    return cancelled + ([f"{read.free} marked as taking no time"] if read.free else [])


def _more_rules(read: calendar_in.CalendarEvents) -> list[str]:
    more = len(read.odd_rules) - _MOST_RULES
    return [f"{more:,} more events with a rule that cannot be followed"] if more > 0 else []


def _odd_rule(rule: calendar_in.OddRule) -> str:
    """Say that a rule cannot be followed, why, and what counts instead; or how often its event repeats."""
    if rule.fault is None:
        return f"{rule.title!r} repeats {rule.times:,} times in the time looked at; each counts as busy"
    lost = f"the rule by which {rule.title!r} repeats cannot be followed ({rule_words(rule.fault)})"
    if rule.throughout:
        return f"{lost}; all the time from {rule.begins:%Y-%m-%d %H:%M} on counts as busy"
    hours = "all of it counts" if rule.all_day else f"{rule.begins:%H:%M} to {rule.ends:%H:%M} counts"
    return f"{lost}; {hours} as busy on every day from {rule.begins:%Y-%m-%d} on"


def calendar_name(site_name: str) -> str:
    """Return what a calendar of suggested calls is called."""
    return f"Good times for calls, {site_name}"


def address_sentence(key: str | None) -> str:
    """Return where the calendar of a workspace is asked for, or how an address is made."""
    if key is None:
        return "No calendar address holds; passim workspace calendar --new makes one."
    return f"Calendar address: /calendar/{key}.ics, at the dashboard's own, such as http://127.0.0.1:8750."


def left_out_of_subscription(busy: bool, day: bool) -> str:
    """Return what of a page's choices a calendar address does not carry; empty where it carries them all."""
    lost = [
        *(["your busy times, which this browser alone has"] if busy else []),
        *(["the day chosen: it always begins today"] if day else []),
    ]
    return f"It leaves out {' and '.join(lost)}." if lost else ""


def calendar_windows(plan: calls.CallPlan, site_name: str) -> list[calendar_out.CallWindow]:
    """Return the suggestions of a plan as events: good starts only, so none where none is good."""
    from passim.answers.calls import calendar_out
    from passim.spans import zone

    where = zone(plan.timezone)
    rows: list[Any] = list(plan.suggestions.itertuples(index=False))
    return [
        calendar_out.CallWindow(
            row.start.to_pydatetime(),
            row.end.to_pydatetime(),
            row.start.tz_convert(where).date(),
            f"Good time for {kind_words(plan.kind)} ({site_name})",
            event_text(row, plan.kind),
            site_name,
        )
        for row in rows
    ]


def written_sentence(written: calendar_out.CalendarChanges, path: str) -> str:
    """Return what was written: "Wrote 5 calls to x.ics: 3 new, 1 changed, 1 as before; 1 called off." """
    parts = {"new": written.new, "changed": written.changed, "as before": written.as_before}
    counts = ", ".join(f"{number} {words}" for words, number in parts.items() if number)
    off = f"; {written.called_off} called off" if written.called_off else ""
    return f"Wrote {counted(written.calls, 'call')} to {path}{': ' if counts else ''}{counts}{off}."


def calendar_question(plan: calls.CallPlan, site_name: str) -> str:
    """Return what stands for the question: the same asked again moves its events instead of adding others."""
    return f"{site_name}|{plan.kind.name}|{plan.minutes}"
