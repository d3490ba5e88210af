"""What counts as service, and what an answer has to leave out of it, in words: said the same on every face."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Final

from .notes import Note
from .pages import SYMPTOM, SYMPTOM_BELOW
from .units import listed, lowered, share

if TYPE_CHECKING:
    from passim import Service
    from passim.coverage import visibility
    from passim.sky import view as views

_POLICY_WORDS: Final = {
    "keep-then-highest": "a satellite is kept until it is lost, then the highest is taken",
    "keep-then-longest": "a satellite is kept until it is lost, then the one that stays longest is taken",
    "highest": "always the highest satellite is taken",
}
# What an answer says first that leaves handovers out.
_LEFT_OUT: Final = "Time lost at handovers is left out here"
# How far a yes goes that rests on the sky alone.
BY_THE_SKY: Final = "as far as the sky goes"
# What no gateway means for gaps.
_MORE_BY_GATEWAY: Final = (
    "where satellites must see a gateway, a ground station that passes their traffic on, expect more gaps"
)


def assumed_words(view: views.View, in_reach: str = "within every limit", limits: str = "") -> str:
    """Return the sentence that says what counts as service at a view, and names the `limits` where they are given."""
    less = f", less what handovers cost: {service_words(view.service)}" if view.service.loses_time else ""
    named = f": {limits}" if limits else ""
    return f"Assumes service whenever a satellite is {in_reach}{less}{named}."


def service_words(service: Service) -> str:
    """Return a part of a sentence that says how a terminal is given its satellites."""
    words = _POLICY_WORDS[service.policy]
    if service.clock_period_s is not None:
        words += f", at fixed moments every {service.clock_period_s:g} s"
        words += f" (offset {service.clock_offset_s:g} s)" if service.clock_offset_s else ""
    return words + (f", and each takes {service.acquisition_s:g} s to acquire" if service.acquisition_s else "")


def floor_note(view: views.View) -> tuple[Note, ...]:
    """Return what to tell where the terminal itself stops above the lowest point of the horizon, else nothing."""
    if not view.stops_above_horizon:
        return ()
    return (Note(f"The terminal works from {view.floor_deg:g}° up: the horizon counts only where it is higher."),)


def sky_alone_words(*every: views.View) -> str:
    """Return that no gateway counts, where it is so at any of the views that an answer is about; else nothing."""
    alone = [view.title for view in every if view.gateway_unknown]
    if not alone:
        return ""
    where = "here" if len(alone) == len(every) else f"at {listed(alone, 3)}"
    return f"No gateway counts {where}, so this is the sky alone: {_MORE_BY_GATEWAY}."


def gateway_note(limits: Mapping[str, str]) -> tuple[Note, ...]:
    """Return which gateway counts at a place and how far it is, from what its limits are; none where none counts."""
    return (Note(f"Here {limits['gateway']}.", about="gateway"),) if "gateway" in limits else ()


def sky_alone_note(*every: views.View) -> tuple[Note, ...]:
    """Return the note that no gateway counts at some of the views; none where it is not so."""
    words = sky_alone_words(*every)
    return (Note(words, about="gateway"),) if words else ()


def frozen_anyway_words(*, on_pages: bool = False) -> str:
    """Return what to do if calls freeze where the sky shows no cause; ``on_pages`` in the words of pages."""
    record = "on the page Measured" if on_pages else "with passim probe"
    return (
        "If calls freeze all the same, look at your house network first (try a cable in place of the wireless), then "
        f"record the line {record}."
    )


def other_causes_words(*, on_pages: bool = False, on_sky: bool = False) -> str:
    """Return how causes are told that passim does not know of; ``on_sky`` in the words of the page Sky itself."""
    journal = "A record" if on_pages or on_sky else "In a record, passim journal"
    symptom = SYMPTOM_BELOW if on_sky else SYMPTOM if on_pages else "passim symptom"
    return (
        f"{journal} tells the house, the line and the far end apart; {symptom} looks for limits that are not set up "
        "here."
    )


def lifted_note(names: Collection[str]) -> Note:
    """Return the note on limits that were taken away by name."""
    return Note(f"Lifted: {', '.join(dict.fromkeys(names))}.", "left out")


def everywhere_notes(view: views.View) -> tuple[Note, ...]:
    """Return the notes on what an answer for all places leaves out: gateways, which belong to one, and handovers."""
    return (*without_handovers_note(view), Note("Gateways belong to one place and are left out.", "left out"))


def without_handovers_note(view: views.View) -> tuple[Note, ...]:
    """Return the note of an answer that leaves handovers out; none where they lose no time."""
    return (Note(f"{_LEFT_OUT}.", "left out"),) if view.service.loses_time else ()


def policy_note(view: views.View, *, guessed: bool) -> tuple[Note, ...]:
    """Return the note of an answer in which handovers count whose policy nobody stated; none for others.

    Whoever leaves handovers out drops it by what it is about.
    """
    if not guessed or not view.service.loses_time:
        return ()
    words = _POLICY_WORDS[view.service.policy]
    return (
        Note(
            f"Time lost at handovers counts here, and how satellites are chosen is passim's own guess: {words}. set "
            "policy in the workspace file to state another.",
            about="policy",
        ),
    )


def before_handovers(sentence: str, view: views.View) -> str:
    """Return the sentence of an answer that leaves handovers out, which it then says first."""
    if not view.service.loses_time:
        return sentence
    return f"Before what handovers cost: {lowered(sentence)}"


def handovers_on_top_note(seen: visibility.Visibility) -> tuple[Note, ...]:
    """Return the same, with what handovers cost with all the satellites there are; none where they lose no time."""
    from passim.sky import service

    if not seen.view.service.loses_time:
        return ()
    lost = seen.coverage((service.HANDOVER,)).covered_fraction() - seen.coverage().covered_fraction()
    return (
        Note(
            f"{_LEFT_OUT}: with all the satellites, another {share(lost)} of the time.",
            "left out",
        ),
    )
