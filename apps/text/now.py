"""Shall I call now, as people read it: one sentence that says yes or no, then what awaits the call and the next gap."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from .calls import (
    NO_FREEZE_S,
    frozen,
    hardly_freezes,
    kind_words,
    minute,
    none_good_sentences,
    outlook,
    pauses,
    plan_columns,
)
from .columns import TEXT, Column
from .service import BY_THE_SKY, frozen_anyway_words, other_causes_words
from .units import LocalClock, duration, share, unbroken

if TYPE_CHECKING:
    from datetime import datetime

    from passim.answers.calls import now as answers

NO_TIMES: Final = "Elements this old give odds, not the time of the next gap."


def headline(now: answers.Now, clock: LocalClock, out: str, *, call_told: bool = False) -> str:
    """Return whether it is a good moment, with a number and a time; before it `out`, how long service is still out.

    A face that says beside it whether to call, by `live_words`, has ``call_told``.
    """
    return f"{out} {_verdict(now, clock, call_told=call_told)}".lstrip()


def details(now: answers.Now, clock: LocalClock, calm_hours: str, *, gap_told: bool = False) -> list[str]:
    """Return what awaits a call, the next gap and what to do where no start is good, a sentence each.

    `calm_hours` is where a face tells the calmest hours; one that counts down to the next gap has ``gap_told``.
    """
    if not now.freshness.band.shows_odds:
        return [f"The next gap and the next good start cannot be told either; {calm_hours} tells the calmest hours."]
    none = [] if now.none_good is None else none_good_sentences(now.none_good, now.kind, clock)
    gap = [] if gap_told else [gap_line(now, clock)]
    return [f"A call now: {outlook(now.call)}.", *gap, *none]


def odds_line(now: answers.Now) -> list[str]:
    """Return the chance of no service in this minute; nothing where it is not told from the average."""
    return [f"Chance of no service this minute: {share(now.no_service)}."] if now.freshness.band.shows_odds else []


def out_words(now: answers.Now) -> str:
    """Return that service is out and for how long, where that may be told and is so."""
    if now.served or not now.freshness.band.shows_times:
        return ""
    gap = now.next_gap
    return out_for(gap.duration_s, at_least=gap.cut_at_end) if gap is not None and gap.under_way else out_for(None)


def out_for(seconds: float | None, *, at_least: bool = False) -> str:
    """Return that service is out, and for how many more seconds where that is known."""
    more = "" if seconds is None else f", for {'at least ' if at_least else ''}{duration(seconds)} more"
    return f"No service right now{more}."


def frozen_anyway(now: answers.Now, *, on_pages: bool = False) -> str:
    """Return, for beside the headline, what to do if calls freeze where the sky shows no cause ahead; else nothing."""
    return frozen_anyway_words(on_pages=on_pages) if _sky_is_clear(now) else ""


def other_causes(now: answers.Now, *, on_pages: bool = False) -> list[str]:
    """Return, for after the details, how causes are told that are not in the sky, where it shows none."""
    return [other_causes_words(on_pages=on_pages)] if _sky_is_clear(now) else []


def _sky_is_clear(now: answers.Now) -> bool:
    """Return whether no gap is ahead and a call now has no freeze to expect, so that none could come from the sky."""
    no_gap = now.freshness.band.shows_odds and now.served and now.next_gap is None
    return no_gap and now.call_is_wise and hardly_freezes(now.call)


def gap_line(now: answers.Now, clock: LocalClock) -> str:
    """Return when the gap under way ends, or the next one comes, where single times may be told."""
    if not now.freshness.band.shows_times:
        return NO_TIMES
    gap = now.next_gap
    if gap is None:
        outlasts = f" that outlasts the {now.kind.buffer_s:g} s in hand" if now.kind.buffer_s else ""
        return f"No gap in the next {_looked(now)}{outlasts}."
    length = ("at least " if gap.cut_at_end else "") + duration(gap.duration_s)
    # What is in hand plays on into the gap.
    of_it = f", {duration(gap.frozen_s)} of it frozen" if gap.frozen_s < gap.duration_s else ""
    if gap.under_way:
        return f"The gap lasts {length} more, until {clock.when(gap.end)}{of_it} (chance {share(gap.chance)})."
    return f"Next gap: {clock.when(gap.start)}, {length}{of_it} (chance {share(gap.chance)})."


def live_words(now: answers.Now) -> dict[str, str]:
    """Return the words that a page goes on telling, "{}" where it puts how long."""
    yes = f"Yes, {BY_THE_SKY}" if _sky_is_clear(now) else "Yes"
    return {
        "verdict": f"Call now? {yes if now.call_is_wise else 'No'}.",
        "out": "Call now? No. No service for {} more.",
        "ahead": "Next gap in {}",
        "calm": f"No gap in the next {_looked(now)}.",
        "serving": "Service",
        "not_serving": "No service",
    }


def live_gap_words(start: datetime, seconds: float, clock: LocalClock) -> str:
    """Return what stands behind how long it is to a gap: when it begins, and how long it lasts."""
    return f": {clock.time(start)}, {unbroken(duration(seconds))}."


def now_figures(now: answers.Now, gaps: int, clock: LocalClock) -> list[tuple[str, str]]:
    """Return three figures: what freezes in a call now, the `gaps` of the next hour, and when the next good start is.

    There are none where the elements are too old to tell one moment from another.
    """
    if not now.freshness.band.shows_odds:
        return []
    good, later = now.next_good, "is the next good start"
    if now.call_is_wise:
        start = "now"
    elif good is None:
        start, later = "none", f"good start in {_looked(now)}"
    else:
        start = clock.minute(good["start"])
        later += f", {clock.day(good['start'])}" if clock.day(good["start"]) != clock.day(now.at) else ""
    return [
        (frozen(now.call["expected_frozen_s"]), "frozen in a call now"),
        (f"{gaps:,}", "gap in the next hour" if gaps == 1 else "gaps in the next hour"),
        (start, later),
    ]


def now_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of a call now and at the next good start."""
    return [Column("what", "A call", TEXT), *plan_columns(clock)]


def _verdict(now: answers.Now, clock: LocalClock, *, call_told: bool) -> str:
    call = f"{kind_words(now.kind)} of {now.minutes} min"
    if not now.freshness.band.shows_odds:
        return "Whether this is a good moment cannot be told: the elements are too old for single moments."
    if now.call_is_wise:
        return f"A good moment for {call}{f', {BY_THE_SKY}' if _sky_is_clear(now) and not call_told else ''}."
    expected = f"{pauses(now.call['expected_pauses'])} expected"
    if now.none_good is not None:
        return f"No good start for {call} in the next {_looked(now)}: now {expected}."
    if now.next_good is None:
        return f"Not a good moment for {call}: {expected}, and no good start in the next {_looked(now)}."
    good = now.next_good["start"]
    # Where the good start has its own freezes, "better" alone would promise none.
    frozen_s = float(now.next_good["expected_frozen_s"])
    freezes = f" ({duration(frozen_s)} frozen)" if frozen_s >= NO_FREEZE_S else ""
    when = minute(good, clock, day=clock.day(good) != clock.day(now.at))
    return f"Not a good moment for {call}: {expected}. Better from {when}{freezes}."


def _looked(now: answers.Now) -> str:
    return duration((now.looked_until - now.at).total_seconds())
