"""What the record of the line adds to the odds of calls: how such calls went, and what was learned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .notes import Note, background
from .units import counted, duration, share

if TYPE_CHECKING:
    from passim.answers.calls import kinds as call_kinds
    from passim.line import LearnedLine, ReplayedCalls
    from passim.spans import DailyHours
    from passim.workspace import LineLesson

# With fewer calls than this a share says nothing.
_FEWEST_CALLS: Final = 10


def replayed_calls_sentence(calls: ReplayedCalls, days: int) -> str:
    """Return how many calls of days gone by would have gone as forecast; empty where too few could be judged."""
    if calls.judged < _FEWEST_CALLS:
        return ""
    right = f"{calls.as_forecast:,} of {calls.judged:,} such calls would have gone as forecast"
    return (
        f"By the record of your line, in the last {counted(days, 'day')} {right}; "
        f"always saying \u201c{calls.usual}\u201d would have been right for {calls.usual_count:,}."
    )


def calls_of_record(
    lesson: LineLesson, kind: call_kinds.CallKind, minutes: int, hours: DailyHours, timezone: str
) -> ReplayedCalls | None:
    """Return how such calls would have gone on the days learned from; None where nothing was learned."""
    from passim.line import replay_calls

    return None if lesson.learned is None else replay_calls(lesson.learned, kind, minutes, hours, timezone)


def lesson_notes(lesson: LineLesson, calls: ReplayedCalls | None) -> list[Note]:
    """Return what is told of the record with an answer about calls: nothing where nothing was learned."""
    if lesson.fault:
        return [Note(f"These odds do without the record of your line: {lesson.fault}.")]
    learned = lesson.learned
    if learned is None:
        return []
    words = "" if calls is None else replayed_calls_sentence(calls, learned.days)
    return [*([Note(words)] if words else []), background(learned_sentence(learned))]


def learned_sentence(learned: LearnedLine) -> str:
    """Return what the record teaches the odds, and what that gains."""
    days = counted(learned.days, "day")
    gain = f"{100.0 * learned.gain.value:.0f} %"
    low, high = (f"{100.0 * bound:.0f}" for bound in (learned.gain.low, learned.gain.high))
    if not learned.better:
        return (
            f"The record of {days} does not make these odds better (Brier score on days left out: {gain} better, "
            f"{low} to {high} %): they are those of the satellites alone."
        )
    return (
        f"These odds have learned from {days} of your line's record: {lesson_words(learned)}. On days left out their "
        f"Brier score is {gain} better than that of the satellites alone ({low} to {high} %)."
    )


def lesson_words(learned: LearnedLine) -> str:
    """Return what was learned: "93 % of the gaps forecast come, end 0.9 s later, and 0.2 other freezes an hour"."""
    found = learned.calibration
    late = [
        f"{verb} {abs(late_s):.1f} s {'later' if late_s > 0.0 else 'earlier'}"
        for verb, late_s in (("begin", found.begins_late_s), ("end", found.ends_late_s))
        if abs(late_s) >= 0.05
    ]
    comes = ", ".join([f"{share(found.came_share)} of the gaps forecast come", *late])
    floor = found.floor
    if not floor.lengths_s or not floor.mean_per_hour:
        return f"{comes}, and no freeze that no satellite explains"
    rate = f"{floor.mean_per_hour:.2g} an hour"
    typical = duration(float(sorted(floor.lengths_s)[len(floor.lengths_s) // 2]))
    busiest = max(range(24), key=lambda hour: floor.per_hour[hour])
    uneven = floor.per_hour[busiest] >= 1.5 * floor.mean_per_hour
    most = f", most of them from {busiest:02d}:00 to {(busiest + 1) % 24:02d}:00" if uneven else ""
    return f"{comes}; freezes that no satellite explains: {rate}, mostly about {typical}{most}"


def lesson_facts(lesson: LineLesson, calls: ReplayedCalls | None) -> dict[str, Any] | None:
    """Return what was learned, as JSON can hold it; None where nothing was."""
    learned = lesson.learned
    if learned is None:
        return None
    found = learned.calibration
    return {
        "days": learned.days,
        "used": learned.better,
        "gain": [round(each, 4) for each in learned.gain],
        "came_share": round(found.came_share, 4),
        "begins_late_s": round(found.begins_late_s, 3),
        "ends_late_s": round(found.ends_late_s, 3),
        "floor_per_hour": [round(each, 4) for each in found.floor.per_hour],
        "replay_calls": None if calls is None else {
            "judged": calls.judged,
            "as_forecast": calls.as_forecast,
            "usual": calls.usual,
            "usual_count": calls.usual_count,
        },
    }  # fmt: skip
