"""How a terminal is given its satellites: what it chooses, when it may, and how long it takes to get going.

A terminal uses one satellite at a time. With a clock it waits for the next moment at which satellites are given, and
whenever it takes one it may need some seconds to acquire it. What goes by in both is lost, though the sky would serve:
`lost_at_handovers` says when, and every answer takes it from here.

Which satellite is in use depends on the one before. Two terminals that began at different moments soon use the same one
where the sky has gaps or its satellites differ: within 500 s at the demo's site behind its gateway, whatever the
policy. Under an open and regular sky they may go on side by side for hours (measured at 45 N: 77 min with 72 planes of
22, and to the end of the day where the satellite that stays longest is taken). So that a moment has one answer,
whatever span it is asked about in, the terminal is taken to choose afresh at 00:00 UTC of every day, at once and
without acquisition, and what it does at the start of a span follows from midnight on: `InUse` says what that is. What
remains: a real terminal began at some other moment, so under such a sky its handovers may fall elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np

from passim.errors import InputError
from passim.intervals import GroupedIntervals, GroupedSet, Intervals, complement, difference, union, union_by_group
from passim.sky.handover_policy import (
    MIDNIGHTS,
    NOTHING,
    SECOND_US,
    Assignments,
    Clock,
    Look,
    Whole,
    always_highest,
    keep_until_lost,
)
from passim.spans import Span, moment

Policy = Literal["keep-then-highest", "keep-then-longest", "highest"]
POLICIES: Final[tuple[Policy, ...]] = get_args(Policy)

# The name by which users lift what is lost at handovers, as they lift a limit.
HANDOVER: Final = "handover"

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
    keep a satellite keep the one in use if it is still allowed. At 00:00 UTC every policy chooses afresh: the module
    says why. Raises InputError.
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

    @property
    def loses_time(self) -> bool:
        """Whether anything is lost at handovers: it waits for a clock or takes time to acquire."""
        return self.clock_period_s is not None or self.acquisition_s > 0.0

    def without_losses(self) -> Service:
        """Return the same policy without clock and acquisition: whatever is allowed serves at once."""
        return Service(self.policy)

    @property
    def clock(self) -> Clock | None:
        """The clock in whole microseconds."""
        if self.clock_period_s is None:
            return None
        return Clock(round(self.clock_period_s * SECOND_US), round(self.clock_offset_s * SECOND_US))


def rows_within(allowed: GroupedSet, span: Span) -> GroupedIntervals:
    """Return `allowed` merged by satellite, sorted by start, without what lies outside the span.

    Ends past the span stay as they are: the policy that looks for the longest stay wants to know them. Raises
    ValueError for arrays that do not fit together and intervals that end before they start.
    """
    satellite, start, end = union_by_group(allowed)
    inside = np.flatnonzero((end > span.start_us) & (start < span.end_us))
    order = inside[np.lexsort((satellite[inside], start[inside]))]
    return GroupedIntervals(satellite[order], start[order].astype(np.int64), end[order].astype(np.int64))


@dataclass(frozen=True, slots=True)
class InUse:
    """What a terminal is doing at a moment: the satellite in use (its index), None while there is none.

    since_us    when that satellite was taken, microseconds since 1970 UTC
    """

    satellite: int | None = None
    since_us: int = 0


def assignments_within(
    rows: GroupedIntervals, span: Span, service: Service, look: Look, in_use: InUse | None = None
) -> Assignments:
    """Return which of `rows`, as `rows_within` gives them, is in use when within the span, acquisition included.

    `in_use` is what the terminal is doing at the start of the span; unless given, it chooses there whatever the clock.
    """
    first = None
    if in_use is not None:
        in_service = (rows.group == in_use.satellite) & (rows.start <= span.start_us) & (rows.end > span.start_us)
        first = int(np.argmax(in_service)) if in_service.any() else NOTHING
    ends = span.start_us, span.end_us
    if service.policy == "highest":
        return always_highest(rows, *ends, service.clock, look, first)
    by_height = look if service.policy == "keep-then-highest" else None
    return keep_until_lost(rows, *ends, service.clock, by_height, first)


def taken_us(rows: GroupedIntervals, assignments: Assignments, span: Span, in_use: InUse | None = None) -> Whole:
    """Return when the satellite of each assignment was taken: its start, or before the span what `in_use` says."""
    taken = assignments.start_us.copy()
    if taken.size and taken[0] == span.start_us and in_use is not None:
        in_service = in_use.satellite == rows.group[assignments.row[0]]
        taken[0] = in_use.since_us if in_service else taken[0]
    return taken


def served_from_us(
    rows: GroupedIntervals, assignments: Assignments, span: Span, service: Service, in_use: InUse | None = None
) -> Whole:
    """Return when service comes in each assignment, at its end where it is lost before it was acquired, shape (n,).

    What is chosen at 00:00 UTC needs no acquisition, and whatever is in use then has it behind it. Where `in_use` is
    not given, nor does what is chosen at the start of the span: service was there before the span began.
    """
    taken = taken_us(rows, assignments, span, in_use)
    midnight = taken + -taken % MIDNIGHTS.period_us
    served = np.minimum(taken + round(service.acquisition_s * SECOND_US), midnight)
    if in_use is None:
        served = np.where(taken == span.start_us, taken, served)
    return np.asarray(np.clip(served, assignments.start_us, assignments.end_us))


def in_use_at(
    rows: GroupedIntervals, assignments: Assignments, span: Span, moment_us: int, in_use: InUse | None = None
) -> InUse:
    """Return what the terminal is doing at a moment of the span, or at its end, as far as that follows from before."""
    assignment = int(np.searchsorted(assignments.start_us, moment_us, side="right")) - 1
    if assignment < 0 or rows.end[assignments.row[assignment]] <= moment_us:
        return InUse()
    left_us = int(assignments.end_us[assignment])
    if left_us < moment_us or left_us == moment_us < span.end_us:
        return InUse()
    taken = taken_us(rows, assignments, span, in_use)
    return InUse(int(rows.group[assignments.row[assignment]]), int(taken[assignment]))


def warmed_up(span: Span, service: Service) -> Span | None:
    """Return the stretch before a span from which follows what the terminal does at its start; None for none.

    It begins at 00:00 UTC, since when each choice depends on the one before. "highest" forgets sooner: all that counts
    is the last comparison, and what is being acquired.
    """
    since_us = span.start_us - span.start_us % MIDNIGHTS.period_us
    if service.policy == "highest":
        period_s = service.clock_period_s or 1.0
        since_us = max(since_us, span.start_us - round((2.0 * period_s + service.acquisition_s + 1.0) * SECOND_US))
    return Span(moment(since_us), span.start) if since_us < span.start_us else None


def lost_at_handovers(
    allowed: GroupedSet, span: Span, service: Service, look: Look, in_use: InUse | None = None
) -> Intervals:
    """Return when some satellite is allowed and yet none serves: it waits for the clock, or acquires.

    Sorted and apart, microseconds since 1970 UTC. The arguments are those of `passim.coverage.serve`.
    """
    rows = rows_within(allowed, span)
    if not service.loses_time:
        return Intervals(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))
    assignments = assignments_within(rows, span, service, look, in_use)
    served = union((served_from_us(rows, assignments, span, service, in_use), assignments.end_us))
    gaps = complement((rows.start, rows.end), span.start_us, span.end_us)
    return difference(complement(served, span.start_us, span.end_us), gaps)


def _within(what: str, value: object, low: float, high: float, try_next: str) -> None:
    """Raise InputError unless `value` is a number of seconds from `low` to `high`."""
    number = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
    if not number or not low <= float(value) <= high or not math.isfinite(float(value)):  # type: ignore[arg-type]
        raise InputError(what, got=value, wanted=f"a number of seconds from {low:g} to {high:g}", try_next=try_next)


# Whatever is allowed serves at once: the service of a view that says nothing of handovers.
INSTANT: Final = Service()
