"""What choosing gains among the starts that are free: where times are taken, a random start is a free one too."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from passim.answers.calls import CallPlan, gain_of
from passim.spans import zone

# A part of the day with fewer starts than this is no choice, as for a plan.
_FEWEST_STARTS: Final = 10
_NOON: Final = 12


def among_free(plan: CallPlan) -> CallPlan:
    """Return the plan with its gains, and its means by the local hour, over the ranked starts alone.

    `plan_calls` has them over all starts that the hours allow, taken or not. A plan without a ranked start, of which
    those means are all that can be said, stays as it is.
    """
    ranked = plan.ranked
    if ranked.empty:
        return plan
    hour = ranked["start"].dt.tz_convert(zone(plan.timezone)).dt.hour.rename("hour")
    morning, later = ranked[hour < _NOON], ranked[hour >= _NOON]
    grouped = ranked.groupby(hour)
    by_hour = grouped[[name for name in plan.by_hour.columns if name not in ("hour", "starts")]].mean()
    by_hour.insert(0, "starts", grouped.size())
    return replace(
        plan,
        gain=gain_of(ranked, ranked),
        before_noon=gain_of(morning, morning, _FEWEST_STARTS),
        from_noon=gain_of(later, later, _FEWEST_STARTS),
        by_hour=by_hour.reset_index(),
    )
