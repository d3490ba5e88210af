"""What the symptom matcher found, as people read it: one best setting or several as good, what a fit is, what to watch.

Candidates that fit about equally are never told as one answer.
"""

from __future__ import annotations

from typing import Any, Final

from passim.answers.symptom import match as room

from .columns import COUNT, TEXT, Column, Format, blank_at_zero, number, of_row
from .notes import Note, background
from .units import counted, duration

COLUMNS: Final = (
    Column("number", "No.", COUNT),
    Column("setting", "Setting", TEXT, below=True),
    Column("fit", "Fit", number(2)),
    Column("freezes_per_hour", "An hour", Format(room.rate_words)),
    Column(
        "length_mean_s", "Mean", of_row(lambda row: duration(row.length_mean_s) if row.freezes else "", numeric=True)
    ),
    Column("lengths", "From to", of_row(lambda row: lengths_words(row))),
    Column("when", "When", TEXT, below=True),
    Column("similar", "Others like it", blank_at_zero(COUNT), 1),
)
_MOST_NAMED: Final = 3
_CAN: Final = {room.EXPLAINED: "can explain", room.PARTLY: "may explain, at least in part,"}

ELSEWHERE: Final = (
    "Look elsewhere first: the house network (try a cable in place of the wireless), the line and its load, power and "
    "restarts of the terminal, and the far end of the call."
)
_CONFOUNDED: Final = (
    "A mask, a gateway and a cone take away much the same passes, so that one can stand in for another: take a "
    "candidate as an assumption until an observation has told it from the rest."
)
_RANGES_ARE_LOOSE: Final = (
    "Ranges are met by many settings, and by things that have nothing to do with the sky: a record of freezes "
    "(start,end) decides far better."
)
_TOO_WIDE: Final = (
    "A range from one value to more than ten times as much describes almost any train of freezes, random ones too: "
    "no more is said than that the sky could be behind it."
)
_IN_ORDER: Final = (
    "Candidates stand in the order of their fit less a little for every limit and number that was free to be chosen, "
    "so that a plain setting comes before a complicated one that fits hardly better."
)
_IN_ORDER_OF_RECORD: Final = (
    "Candidates stand in the order of how well they foretell the record second by second, less a little for every "
    "number that was free to be chosen; the fit is the share of frozen seconds in both of those in either."
)

FIT_OF_RANGES: Final = (
    "Fit: how well the freezes that a setting predicts match what you gave; 1 is perfect, 0 not at all, and from 0.5 "
    "on it is called an explanation."
)
FIT_OF_RECORD: Final = (
    "Fit: of the seconds frozen in the record or in the prediction, the share frozen in both; 1 is perfect, 0 none."
)


def fit_words(found: room.SymptomAnswer) -> str:
    """Return what the fits of an answer mean, in one line."""
    return FIT_OF_RECORD if isinstance(found.symptom, room.FreezeRecord) else FIT_OF_RANGES


def found_sentence(found: room.SymptomAnswer) -> str:
    """Return what was found; where several candidates fit about as well as the first, none of them is the answer."""
    seen = found.symptom.describe()
    if found.verdict == room.NOT_THE_SKY:
        return f"No: none of {found.tried:,} settings of the sky at {found.site.name} explains {seen}. {ELSEWHERE}"
    if found.verdict == room.UNDECIDED:
        start = f"The sky fits {seen}, but shifted in time it fits about as well: a longer record will decide."
    else:
        start = f"The sky {_CAN[found.verdict]} {seen}."
    best = found.candidates[0]
    # What comes first is plain rather than best: a setting with more limits may fit better and stand further down.
    equal = [(number, one) for number, one in enumerate(found.candidates, 1) if one.fit >= best.fit - room.ABOUT_EQUAL]
    if len(equal) > 1:
        better = any(one.fit > best.fit + room.ABOUT_EQUAL for _, one in equal)
        how = "fit, and none is the answer yet" if better else "fit about equally"
        named = [f"({number}) {one.describe()}" for number, one in equal[:_MOST_NAMED]]
        if len(equal) > _MOST_NAMED:
            named.append(f"{len(equal) - _MOST_NAMED:,} more in the table")
        return f"{start} Several settings {how}: {'; '.join(named)}."
    traits = best.traits
    rate = f"{room.rate_words(traits.per_hour)} freezes an hour while it is bad"
    when = found.table["when"].iloc[0]
    return (
        f"{start} The best of {found.tried:,} settings: {best.describe()}; it predicts {rate}, "
        f"{duration(traits.mean_s)} on average, {when}."
    )


def symptom_notes(found: room.SymptomAnswer) -> list[Note]:
    """Return what must be said beside the answer."""
    of_record = isinstance(found.symptom, room.FreezeRecord)
    notes = [Note(_CONFOUNDED)] if found.candidates and found.verdict != room.NOT_THE_SKY else []
    if len(found.candidates) > 1:
        notes.append(background(_IN_ORDER_OF_RECORD if of_record else _IN_ORDER))
    if isinstance(found.symptom, room.FreezeRanges):
        notes += [Note(_RANGES_ARE_LOOSE), *([Note(_TOO_WIDE)] if found.symptom.is_wide else [])]
    if found.outside:
        outside = counted(found.outside, "freeze")
        notes.append(Note(f"Outside the span, and so left out of the record: {outside}."))
    return notes


def lengths_words(row: Any) -> str:
    """Return the range of lengths of a candidate: "8.6 s to 4 min 55 s"; empty where it predicts no freeze."""
    return f"{duration(row.length_min_s)} to {duration(row.length_max_s)}" if row.freezes else ""
