"""Suggested calls as a calendar: the same events from the command line and from the dashboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .calls import event_text

if TYPE_CHECKING:
    from passim.answers.calls import calendar_out
    from passim.answers.calls import plan as calls


def calendar_windows(plan: calls.CallPlan, site_name: str) -> list[calendar_out.CallWindow]:
    """Return the suggestions of a plan as events."""
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
        )
        for row in rows
    ]


def calendar_question(plan: calls.CallPlan, site_name: str) -> str:
    """Return what stands for the question: the same asked again moves its events instead of adding others."""
    return f"{site_name}|{plan.kind.name}|{plan.minutes}"
