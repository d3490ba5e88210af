"""What a line is good for, in words, and what one figure in per cent would say of it and hide."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from .columns import DURATION, SHARE, TEXT, Column, Format, number, of_row
from .notes import Note, background
from .units import counted, duration, in_a_row, share

if TYPE_CHECKING:
    from passim.line import Activity, Availability, Suitability

# What a table calls the activities; a sentence puts an article before it.
ACTIVITIES: Final = {
    "voice": "voice call",
    "video": "video call",
    "stream": "one-way stream",
    "transfer": "file transfer",
    "desktop": "remote desktop",
    "terminal": "terminal session",
}
_VERDICTS: Final = {"good": "good", "with pauses": "with pauses", "not good": "not good",
                    "too short a record": "record too short"}  # fmt: skip
COLUMNS: Final = (
    Column("activity", "For", Format(lambda name: ACTIVITIES[name], numeric=False)),
    Column("verdict", "Good?", Format(lambda verdict: _VERDICTS[verdict], numeric=False)),
    Column("session", "Session", of_row(lambda row: f"{row.minutes} min", numeric=True), 2),
    Column("undisturbed", "Undisturbed", SHARE),
    Column("pauses", "Pauses", number(1)),
    Column("frozen_s", "Frozen", DURATION, 1),
    Column("ended", "Ended", SHARE),
    Column("delay", "Delay", TEXT, 3),
)


def suitability_sentence(found: Suitability, available: Availability) -> str:
    """Return what the line is good for, and what it is not; then its availability, and what that hides."""
    return f"{uses_sentence(found)}\n{availability_sentence(available)}"


def is_long_enough(found: Suitability) -> bool:
    """Return whether a record says of anything whether the line is good for it."""
    return not (found.table["verdict"] == "too short a record").all()


def uses_sentence(found: Suitability) -> str:
    """Return what the line is good for, and what it is not."""
    table = found.table
    if not is_long_enough(found):
        return f"Too short a record to say: {duration(found.measured_s)} measured."
    parts = []
    for verdict, words in (("good", "good for {}"), ("with pauses", "usable with pauses for {}"),
                           ("not good", "not good for {}")):  # fmt: skip
        names = [f"a {ACTIVITIES[name]}" for name in table.loc[table["verdict"] == verdict, "activity"]]
        if names:
            parts.append(words.format(in_a_row(names)))
    return f"The line is {'; '.join(parts)}."


def availability_sentence(found: Availability) -> str:
    """Return what a figure in per cent would say, and why it hides short freezes."""
    if not found.count:
        return f"Available {share(found.share)} of the time measured."
    hidden = ""
    if found.hidden:
        rule = share(found.by_rule)
        rule_words = "" if rule == share(found.share) else f" ({rule})"
        hidden = (
            f" Transmission standards count from ten seconds on{rule_words}; that leaves "
            f"out {counted(found.hidden, 'freeze')} of {found.count:,}, each of which a call notices."
        )
    elif found.count > 1:
        hidden = f" All {found.count:,} freezes last ten seconds or more."
    return (
        f"Available {share(found.share)} of the time measured; one freeze of {duration(found.month_s)} a month "
        f"would give the same figure as {_freezes(found)}.{hidden}"
    )


def _freezes(found: Availability) -> str:
    count = round(found.month_s / 20.0)
    return counted(count, "freeze of 20 s", "freezes of 20 s")


def suitability_notes(found: Suitability) -> list[Note]:
    """Return the rule, and where each threshold comes from."""
    notes = [
        Note(
            "Good: at most one session in twenty ends, and fewer than half a pause on average. Sessions are tried at "
            "every minute that was measured through, calm hours and bad ones alike."
        )
    ]
    if math.isnan(found.one_way_ms):
        notes.append(Note("Delay is not known: the record has no round trips beyond the house."))
    else:
        notes.append(
            Note(f"Delay one way is taken as half the 95th percentile of round trips: {found.one_way_ms:,.0f} ms.")
        )
    return [*notes, *(background(source_sentence(each)) for each in found.activities)]


def source_sentence(activity: Activity) -> str:
    """Return the thresholds of an activity, each with its source."""
    kind = activity.kind
    parts = [
        f"noticed from {kind.noticed_from_s:g} s ({kind.sources['noticed_from_s']})",
        f"a pause from {kind.pause_from_s:g} s ({kind.sources['pause_from_s']})",
        f"over from {kind.ends_from_s:g} s ({kind.sources['ends_from_s']})",
    ]
    if kind.buffer_s:
        parts.insert(0, f"{kind.buffer_s:g} s in hand ({kind.sources['buffer_s']})")
    ease, most = activity.one_way_ms
    if not (math.isnan(ease) and math.isnan(most)):
        limits = [f"at ease to {ease:g} ms"] * (not math.isnan(ease)) + [f"usable to {most:g} ms"] * (
            not math.isnan(most)
        )
        parts.append(f"delay one way {', '.join(limits)} ({activity.delay_source})")
    return f"A {ACTIVITIES[kind.name]}: {'; '.join(parts)}."
