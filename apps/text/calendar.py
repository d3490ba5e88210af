"""Suggested calls as a calendar: the same events from the command line and from the dashboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .calls import event_text
from .units import counted

if TYPE_CHECKING:
    from passim.answers.calls import calendar_out
    from passim.answers.calls import plan as calls


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


def written_sentence(written: calendar_out.Written, path: str) -> str:
    """Return what was written: "Wrote 5 calls to x.ics: 3 new, 1 changed, 1 as before; 1 called off." """
    parts = {"new": written.new, "changed": written.changed, "as before": written.as_before}
    counts = ", ".join(f"{number} {words}" for words, number in parts.items() if number)
    off = f"; {written.called_off} called off" if written.called_off else ""
    return f"Wrote {counted(written.calls, 'call')} to {path}{': ' if counts else ''}{counts}{off}."


def calendar_question(plan: calls.CallPlan, site_name: str) -> str:
    """Return what stands for the question: the same asked again moves its events instead of adding others."""
    return f"{site_name}|{plan.kind.name}|{plan.minutes}"
