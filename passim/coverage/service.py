"""How a terminal is given its satellites: what it chooses, when it may, and how long it takes to get going."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np

from passim.coverage.handover_policy import SECOND_US, Clock
from passim.errors import InputError

Policy = Literal["keep-then-highest", "keep-then-longest", "highest"]
POLICIES: Final[tuple[Policy, ...]] = get_args(Policy)

_POLICY_WORDS: Final[dict[Policy, str]] = {
    "keep-then-highest": "a satellite is kept until it is lost, then the highest is taken",
    "keep-then-longest": "a satellite is kept until it is lost, then the one that stays longest is taken",
    "highest": "always the highest satellite is taken",
}

_LONGEST_PERIOD_S = 3600.0
_LONGEST_ACQUISITION_S = 600.0


@dataclass(frozen=True, slots=True)
class Service:
    """How a terminal is given its satellites.

    policy              what is chosen at a choice, one of `POLICIES`; of equals the satellite of the smallest index
    clock_period_s      with a clock, choices happen only at clock_offset_s + k * clock_period_s, counted from
                        1970-01-01T00:00:00 UTC without leap seconds; for a period that divides the day that is from
                        every midnight of UTC. None for no clock. From 1 to 3600 s
    acquisition_s       how long service is away whenever a satellite is taken. From 0 to 600 s

    With a clock a satellite lost before a moment of the clock stays lost until then; at that moment the policies that
    keep a satellite keep the one in use if it is still allowed. Raises InputError.
    """

    policy: Policy = "keep-then-highest"
    clock_period_s: float | None = None
    clock_offset_s: float = 0.0
    acquisition_s: float = 0.0

    def __post_init__(self) -> None:
        if self.policy not in POLICIES:
            raise InputError("policy of service", got=self.policy, wanted=f"one of {', '.join(POLICIES)}")
        if self.clock_period_s is not None:
            _within("period of the clock", self.clock_period_s, 1.0, _LONGEST_PERIOD_S, "15")
        _within("offset of the clock", self.clock_offset_s, -86_400.0, 86_400.0, "0")
        if self.clock_period_s is None and self.clock_offset_s:
            raise InputError(
                "offset of the clock", got=self.clock_offset_s, wanted="a period of the clock too", try_next="15 s"
            )
        _within("acquisition time", self.acquisition_s, 0.0, _LONGEST_ACQUISITION_S, "0")

    def describe(self) -> str:
        """Say in one plain sentence part how satellites are given."""
        words = _POLICY_WORDS[self.policy]
        if self.clock_period_s is not None:
            words += f", at fixed moments every {self.clock_period_s:g} s"
            words += f" (offset {self.clock_offset_s:g} s)" if self.clock_offset_s else ""
        return words + (f", and each takes {self.acquisition_s:g} s to acquire" if self.acquisition_s else "")

    @property
    def clock(self) -> Clock | None:
        """The clock in whole microseconds."""
        if self.clock_period_s is None:
            return None
        return Clock(round(self.clock_period_s * SECOND_US), round(self.clock_offset_s * SECOND_US))


def _within(what: str, value: object, low: float, high: float, try_next: str) -> None:
    """Raise InputError unless `value` is a number of seconds from `low` to `high`."""
    number = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
    if not number or not low <= float(value) <= high or not math.isfinite(float(value)):  # type: ignore[arg-type]
        raise InputError(what, got=value, wanted=f"a number of seconds from {low:g} to {high:g}", try_next=try_next)
