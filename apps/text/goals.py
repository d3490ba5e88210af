"""Goals of growth in words: what is asked for, and what was measured of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from passim.answers.growth import goals as growth_goals

_NAMES: Final = {
    "covered": "covered",
    "gap_fraction": "time without service",
    "twofold": "time with two satellites or more in view",
    "gap_count": "gaps",
    "gaps_per_hour": "gaps an hour",
    "pauses_per_hour": "pauses (gaps over 5 s) an hour",
    "mean_gap_s": "mean gap",
    "longest_gap_s": "longest gap",
}
# The names beside a bound of one.
_ONE: Final = {
    "gap_count": "gap",
    "gaps_per_hour": "gap an hour",
    "pauses_per_hour": "pause (gap over 5 s) an hour",
}
_SHARES: Final = ("covered", "gap_fraction", "twofold")
NEXT_WORDS: Final = "the first not met, or no gap"
_AT: Final = {"<=": "at most", "<": "under", ">=": "at least", ">": "over"}


def goal_words(goal: growth_goals.Goal, *, reached: bool = False) -> str:
    """Return a goal in plain words, or what holds from the moment on when it is `reached`."""
    conditions = [_condition_words(each, reached=reached and place == 0) for place, each in enumerate(goal.conditions)]
    return " and ".join(conditions) + (" in call hours" if goal.in_call_hours else "")


def measured_words(goal: growth_goals.Goal, values: Mapping[str, Any], counted_s: float) -> str:
    """Return what the last column of `Curves.values` has of the goal's quantities: "longest gap 44 s"."""
    from passim.answers.growth import goals as growth_goals

    parts = []
    for name in dict.fromkeys(condition.quantity for condition in goal.conditions):
        amount = float(growth_goals.quantity(name, values, counted_s)[0, -1])
        bounds = [condition.bound for condition in goal.conditions if condition.quantity == name]
        parts.append(f"{_NAMES[name]} {_measured(name, amount, bounds) if math.isfinite(amount) else 'not known'}")
    return ", ".join(parts)


def _condition_words(condition: growth_goals.Condition, *, reached: bool) -> str:
    """Return one condition: "no gap over 5 s", "at least 99.9 % covered"; "99.9 % covered" once reached."""
    name, comparison, bound = condition.quantity, condition.comparison, condition.bound
    amount = _amount(name, bound)
    if name == "twofold" and comparison == ">=":
        if bound == 1.0:
            return "always two satellites in view"
        most = amount if reached else f"at least {amount} of the time"
        return f"two satellites in view {most}{' of the time' if reached else ''}"
    if name == "longest_gap_s" and comparison == "<=":
        return f"no gap over {amount}" if bound > 0 else "no gap"
    if name == "longest_gap_s" and comparison == "<":
        return f"no gap of {amount} or more"
    if name in ("mean_gap_s", "longest_gap_s"):
        return f"a {_NAMES[name]} of {_AT[comparison]} {amount}"
    if name == "gap_count" and comparison == "<=" and bound == 0:
        return "no gap"
    of_it = (_NAMES | _ONE if amount == "1" else _NAMES)[name]
    return f"{amount} {of_it}" if reached and comparison == ">=" else f"{_AT[comparison]} {amount} {of_it}"


def _measured(name: str, amount: float, bounds: Sequence[float]) -> str:
    """Return what was found in words: a share to a tenth of a per cent, finer only to keep it off the goal's bounds."""
    if name not in _SHARES:
        return _amount(name, amount)
    decimals = 1
    while decimals < 6 and any(b != amount and round(100.0 * (b - amount), decimals) == 0.0 for b in bounds):
        decimals += 1
    return f"{100.0 * amount:.{decimals}f} %"


def _amount(name: str, amount: float) -> str:
    """Return an amount of a quantity in words."""
    if name in _SHARES:
        return f"{100.0 * amount:.6g} %"
    return f"{amount:.3g} s" if name in ("mean_gap_s", "longest_gap_s") else f"{amount:.4g}"
