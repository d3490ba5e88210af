"""How far off times may be: what elements of an age are good for, and whose timing errors an answer goes by.

The errors are the fleet's own, learned from snapshots, those that the workspace states, or the usual ones.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from .notes import Note, background
from .units import counted

if TYPE_CHECKING:
    from passim.forecast import Band, Freshness, LearnedTiming
    from passim.workspace import Timing

_DAY_S: Final = 86_400.0
# What elements are good for in each band of `passim.forecast.timing`, which holds the sources.
_GOOD_FOR: Final = {
    "normal": "predicted times are good to about a second",
    "odds beside times": "short gaps may come and go, so odds stand beside the times",
    "odds only": "single times are off by seconds, so only odds are shown",
    "statistics only": "single gaps are no longer predictable, only how long service is out in all",
    "refuse": "satellites may be anywhere along their tracks by then",
}
# The same where a timing model gives much smaller errors than usual at that age.
_GOOD_FOR_IF_SMALL: Final = {
    "odds beside times": "some satellites may have manoeuvred since, so odds stand beside the times",
    "odds only": "some satellites may have manoeuvred since, so only odds are shown",
}


def good_for(band: Band) -> str:
    """Return what elements in a band are good for, a part of a sentence that follows their age."""
    return _GOOD_FOR_IF_SMALL[band.name] if band.small else _GOOD_FOR[band.name]


def freshness_sentence(fresh: Freshness) -> str:
    """Say how old elements are, how far off times by them may be, and what they are good for."""
    from passim.forecast import timing

    median, oldest = timing.age_words(fresh.median_s), timing.age_words(fresh.oldest_s)
    error = f"{float(f'{fresh.sigma_s:.2g}'):,g}"
    stale = "" if oldest == median else f" (oldest {oldest})"
    return f"Elements are {median} old by then{stale}, timing error {error} s: {good_for(fresh.band)}."


def timing_sentence(timing: Timing, fleet: str) -> str:
    """Say whose timing errors are in force for a fleet with a feed, and what stands behind them."""
    learned = timing.learned
    if timing.source == "stated":
        before = "" if learned is None or learned.model is None else f", which come before those learned from {fleet}"
        return f"Timing errors: those that the workspace states under [timing]{before}."
    if timing.source == "learned" and learned is not None:
        return (
            f"Timing errors: {fleet}'s own, learned from {_days(learned.days)} of its snapshots "
            f"({counted(learned.satellites, 'satellite')}, {counted(learned.pairs, 'pair')}): {_errors(timing)}."
        )
    return f"Timing errors: the usual ones. {_not_enough(learned, fleet)}"


def timing_notes(timing: Timing, fleet: str) -> tuple[Note, ...]:
    """Return what is said beside an answer of whose timing errors it goes by."""
    notes = [background(timing_sentence(timing, fleet))]
    if timing.fault:
        words = f"What was learned of the timing errors of {fleet} is not used"
        # The fault names a file of this machine, which is nothing to send.
        notes.append(Note(f"{words}: {timing.fault}.", to_send=f"{words}: it cannot be read."))
    return tuple(notes)


def _errors(timing: Timing) -> str:
    """Return the error at a day and a week, or at the greatest age measured, and how far that reaches."""
    assert timing.learned is not None
    measured_days = timing.learned.oldest_s / _DAY_S
    parts = [
        f"{float(timing.model.total_sigma_s(days * _DAY_S)):.2g} s at {_days(days)}"
        for days in (1.0, 7.0)
        if days <= measured_days
    ]
    reach = f"measured up to {_days(measured_days)} of age"
    return f"{', '.join(parts)}; {reach}" if parts else reach


def _not_enough(learned: LearnedTiming | None, fleet: str) -> str:
    """Say why a fleet's own errors are not known yet."""
    from passim.forecast import learned_timing as learning

    wanted = _days(learning.FEWEST_DAYS)
    if learned is None or not learned.pairs:
        return f"Those of {fleet} itself are learned from the snapshots of a feed, once they span {wanted}."
    if learned.days < learning.FEWEST_DAYS:
        so_far = f"so far it is {_days(learned.days)}, not enough yet"
        return f"Those of {fleet} itself are learned once its snapshots span {wanted}; {so_far}."
    return (
        f"The snapshots of {fleet} are not enough yet to learn its own: that takes {learning.FEWEST_SATELLITES} "
        f"satellites compared at each of {learning.FEWEST_AGES} ages."
    )


def _days(days: float) -> str:
    number = f"{days:.0f}" if days >= 9.95 else f"{round(days, 1):g}"
    return f"{number} day{'' if number == '1' else 's'}"
