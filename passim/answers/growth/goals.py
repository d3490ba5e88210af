"""Goals: what a place should have, as a small expression, and the smallest number of satellites that brings it.

    goal       = condition { "and" condition } [ "in call hours" ]
    condition  = quantity comparison number [ unit ]
    comparison = "<=" | "<" | ">=" | ">"

    quantity           unit         what it is
    covered            % or none    share of the time with service; without a unit a share of one
    gap_fraction       % or none    share of the time without service
    twofold            % or none    share of the time with two satellites or more in view
    gap_count                       gaps in the time asked about
    gaps_per_hour                   gaps an hour, on average
    pauses_per_hour                 gaps over 5 s an hour, on average: at most one a 30-minute call is <= 2
    mean_gap_s         s or min     mean gap
    longest_gap_s      s or min     longest gap

Examples: "longest_gap_s <= 5", "covered >= 99.9 %", "gap_count <= 10 and longest_gap_s < 30 in call hours".
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

import numpy as np

from passim.answers.growth.curves import Curves
from passim.arrays import Bools, Floats, Ints
from passim.errors import InputError

_UNITS: Final[dict[str, dict[str, float]]] = {
    "covered": {"": 1.0, "%": 0.01},
    "gap_fraction": {"": 1.0, "%": 0.01},
    "twofold": {"": 1.0, "%": 0.01},
    "gap_count": {"": 1.0},
    "gaps_per_hour": {"": 1.0},
    "pauses_per_hour": {"": 1.0},
    "mean_gap_s": {"": 1.0, "s": 1.0, "min": 60.0},
    "longest_gap_s": {"": 1.0, "s": 1.0, "min": 60.0},
}
QUANTITIES: Final = tuple(_UNITS)
SHARES: Final = ("covered", "gap_fraction", "twofold")
EXAMPLE: Final = 'longest_gap_s <= 5 or "covered >= 99.9 %"'
_COMPARISONS: Final = {"<=": np.less_equal, "<": np.less, ">=": np.greater_equal, ">": np.greater}
_CONDITION = re.compile(r"([A-Za-z_][A-Za-z_0-9]*)\s*(<=|>=|<|>|==|=|!=)\s*(\S+(?: \S+)?)", re.ASCII)
_AMOUNT = re.compile(r"([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(%|[A-Za-z]*)", re.ASCII)
_HOURS = re.compile(r"\s+in\s+call\s+hours$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison; ``bound`` is a share of one, a count or seconds. ``text`` is as it was written."""

    quantity: str
    comparison: str
    bound: float
    text: str


@dataclass(frozen=True, slots=True)
class Goal:
    """Conditions that must all hold, over the whole time or in call hours only."""

    conditions: tuple[Condition, ...]
    in_call_hours: bool
    text: str

    @property
    def needs_pauses(self) -> bool:
        """Whether the curves must carry pause_count."""
        return any(condition.quantity == "pauses_per_hour" for condition in self.conditions)

    @property
    def needs_twofold(self) -> bool:
        """Whether the curves must carry twofold_fraction."""
        return any(condition.quantity == "twofold" for condition in self.conditions)

    def met(self, values: Mapping[str, Floats], counted_s: float) -> Bools:
        """Say where the goal holds, in the shape of `values`, which are named and shaped as those of `Curves`."""
        holds = np.ones(values["gap_fraction"].shape, dtype=bool)
        for condition in self.conditions:
            measured = quantity(condition.quantity, values, counted_s)
            # Shares and rates come from a division: let its last digits not decide.
            if condition.quantity not in ("gap_count", "mean_gap_s", "longest_gap_s"):
                measured = np.round(measured, 12)
            holds &= _COMPARISONS[condition.comparison](measured, condition.bound)
        return holds


@dataclass(frozen=True, slots=True, eq=False)
class Smallest:
    """The smallest number of satellites from which on a goal stays met, in every draw.

    "Stays met": with that many and with every larger number, in this order; a gap count may well rise on the way.
    ``by_draw``, shape (draws,), is empty where the goal is not met even with all satellites. ``middle`` is the one
    number of a single order, or the median draw; ``low`` and ``high`` hold eight draws of ten.
    """

    goal: Goal
    everyone: int
    by_draw: Ints

    @property
    def reached(self) -> bool:
        """Whether the goal is met with all satellites."""
        return len(self.by_draw) > 0

    @property
    def middle(self) -> int:
        """The number itself, or the median over draws."""
        return int(np.percentile(self.by_draw, 50.0, method="higher"))

    @property
    def low(self) -> int:
        """The 10th percentile over draws."""
        return int(np.percentile(self.by_draw, 10.0, method="lower"))

    @property
    def high(self) -> int:
        """The 90th percentile over draws."""
        return int(np.percentile(self.by_draw, 90.0, method="higher"))


def smallest(curves: Curves, goal: Goal) -> Smallest:
    """Return the smallest number of satellites from which on `goal` stays met.

    The curves must be those of call hours where the goal says so, and hold pause_count and twofold_fraction where it
    needs them.
    """
    met = goal.met(curves.values, curves.counted_s)
    # With all satellites every draw is the same fleet, so that all draws reach the goal or none does.
    if not met[:, -1].all():
        return Smallest(goal, met.shape[1], np.zeros(0, dtype=np.int64))
    return Smallest(goal, met.shape[1], first_that_stays(met) + 1)


def first_that_stays(met: Bools) -> Ints:
    """Return for each row of `met`, shape (rows, n), the first place from which on it holds; n where the last fails."""
    failed = ~met[:, ::-1]
    from_the_end = np.where(failed.any(axis=1), failed.argmax(axis=1), met.shape[1])
    return np.asarray(met.shape[1] - from_the_end, dtype=np.int64)


def quantity(name: str, values: Mapping[str, Floats], counted_s: float) -> Floats:
    """Return a quantity of `QUANTITIES` from the curves' values, in their shape."""
    if name == "covered":
        return 1.0 - values["gap_fraction"]
    if name == "twofold":
        return values["twofold_fraction"]
    if name == "gaps_per_hour":
        return values["gap_count"] / (counted_s / 3600.0)
    if name == "pauses_per_hour":
        return values["pause_count"] / (counted_s / 3600.0)
    return values[name]


def parse_goal(text: str) -> Goal:
    """Return the goal that an expression says. Raises InputError, in one line, for anything that is none."""
    body = " ".join(text.split())
    in_call_hours = _HOURS.search(f" {body}") is not None
    body = _HOURS.sub("", f" {body}").strip()
    if not body:
        raise InputError("goal", got=text, wanted="a quantity, a comparison and a number", try_next=EXAMPLE)
    conditions = tuple(_condition(part.strip(), text) for part in re.split(r"\band\b", body, flags=re.IGNORECASE))
    return Goal(conditions, in_call_hours, text.strip())


def _condition(part: str, whole: str) -> Condition:
    found = _CONDITION.fullmatch(part)
    if found is None:
        raise InputError("goal", got=part or whole, wanted="a quantity, a comparison and a number", try_next=EXAMPLE)
    name, comparison, amount_text = found.groups()
    if name not in _UNITS:
        near = get_close_matches(name, QUANTITIES, n=1)
        wanted = f"one of {', '.join(QUANTITIES)}"
        raise InputError("quantity of the goal", got=name, wanted=wanted, try_next=near[0] if near else "")
    if comparison not in _COMPARISONS:
        raise InputError("comparison of the goal", got=comparison, wanted="<=, <, >= or >", try_next=EXAMPLE)
    split = _AMOUNT.fullmatch(amount_text)
    number, unit = split.groups() if split else (amount_text, "")
    try:
        amount = float(number)
    except ValueError:
        amount = float("nan")
    if not 0.0 <= amount < float("inf"):
        raise InputError(f"number of the goal for {name}", got=number, wanted="a number of 0 or more", try_next=EXAMPLE)
    if unit not in _UNITS[name]:
        known = " or ".join(each or "no unit" for each in _UNITS[name])
        raise InputError(f"unit of the goal for {name}", got=unit, wanted=known)
    # Rounded, so that 99.9 % is the same number as 0.999.
    bound = round(amount * _UNITS[name][unit], 12)
    if name in SHARES and bound > 1.0:
        raise InputError(
            f"number of the goal for {name}",
            got=f"{number} {unit}".strip(),
            wanted="0 to 100 %" if unit else "a share from 0 to 1",
            try_next=f"{amount:g} %" if not unit and amount <= 100.0 else "99 %",
        )
    return Condition(name, comparison, bound, part)
