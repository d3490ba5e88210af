"""Suggested calls as a calendar: the same events from the command line and from the dashboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .calls import event_text
from .units import counted

if TYPE_CHECKING:
    from passim.answers.calls import calendar_out
    from passim.answers.calls import plan as calls


SUBSCRIPTION_WORDS: Final = (
    "A calendar program that has this address shows the same calls as the file, and asks for them again about once an "
    "hour, for as long as passim runs here. Whoever has it can read them, and nothing else: give it to nobody else. "
    "Withdrawn, or made anew, it answers nobody any more."
)


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
            f"Good time for {plan.kind.words} ({site_name})",
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
