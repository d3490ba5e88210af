"""What the symptom matcher found, as people read it: one best setting or several as good, what a fit is, what to watch.

Candidates that fit about equally are never told as one answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from passim.answers.symptom import discriminate, match as room, score
from passim.forecast import timing
from passim.sky import ground
from passim.spans import moment, zone

from .columns import COUNT, TEXT, Column, Format, blank_at_zero, number, of_row
from .notes import Note, background
from .units import capital, counted, duration

if TYPE_CHECKING:
    import pandas as pd

    from passim import Site
    from passim.arrays import Floats

COLUMNS: Final = (
    Column("number", "No.", COUNT),
    Column("setting", "Setting", TEXT, below=True),
    Column("fit", "Fit", number(2)),
    Column("freezes_per_hour", "An hour", Format(lambda rate: rate_words(rate))),
    Column(
        "length_mean_s", "Mean", of_row(lambda row: duration(row.length_mean_s) if row.freezes else "", numeric=True)
    ),
    Column("lengths", "From to", of_row(lambda row: lengths_words(row))),
    Column("when", "When", TEXT, below=True),
    Column("similar", "Others like it", blank_at_zero(COUNT), 1),
)
_MOST_NAMED: Final = 3
_CAN: Final = {room.EXPLAINED: "can explain", room.PARTLY: "may have a part in"}
_COULD: Final = {room.EXPLAINED: "could explain", room.PARTLY: "could have a part in"}
WEAK: Final = f"no explanation: fit under {score.GOOD_FIT:g}"

ELSEWHERE: Final = (
    "What is left is the house network and the line. Look there first: try a cable in place of the wireless, then the "
    "line and its load, power and restarts of the terminal, and the far end of the call."
)
_RECORD_TELLS: Final = "A record on the page Measured tells the house, the line and the far end apart."
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


def found_sentence(found: room.SymptomAnswer, *, on_pages: bool = False) -> str:
    """Return what was found; where several candidates fit about as well as the first, none of them is the answer.

    Where no setting explains what was seen, that comes first, and then where to look; ``on_pages`` in the words of
    pages.
    """
    seen = seen_words(found.symptom)
    if not explains(found):
        start = f"No: none of {found.tried:,} settings of the sky at {found.site.name} explains {seen}"
        near = max(found.candidates, key=lambda one: one.fit, default=None)
        if found.verdict != room.NOT_THE_SKY and near is not None:
            nearest = f"the nearest, at {near.fit:.2f}, is {setting_words(near.setting, found.site)}"
            start += f": a fit of {score.GOOD_FIT:g} would, and {nearest}"
        return f"{start}. {ELSEWHERE}{f' {_RECORD_TELLS}' if on_pages else ''}"
    if found.verdict == room.UNDECIDED:
        start = f"The sky fits {seen}, but shifted in time it fits about as well: a longer record will decide."
    elif found.candidates[0].setting.kinds:
        start = f"A limit that is not set up here {_COULD[found.verdict]} {seen}."
    else:
        start = f"The sky as it is set up {_CAN[found.verdict]} {seen}."
    best = found.candidates[0]
    # What comes first is plain rather than best: a setting with more limits may fit better and stand further down.
    equal = [(number, one) for number, one in enumerate(found.candidates, 1) if one.fit >= best.fit - room.ABOUT_EQUAL]
    if len(equal) > 1:
        better = any(one.fit > best.fit + room.ABOUT_EQUAL for _, one in equal)
        how = "fit, and none is the answer yet" if better else "fit about equally"
        named = [f"({number}) {setting_words(one.setting, found.site)}" for number, one in equal[:_MOST_NAMED]]
        if len(equal) > _MOST_NAMED:
            named.append(f"{len(equal) - _MOST_NAMED:,} more in the table")
        return f"{start} Several settings {how}: {'; '.join(named)}."
    traits = best.traits
    rate = f"{rate_words(traits.per_hour)} freezes an hour while it is bad"
    return (
        f"{start} The best of {found.tried:,} settings: {setting_words(best.setting, found.site)}; it predicts {rate}, "
        f"{duration(traits.mean_s)} on average, {when_words(traits.by_hour)}."
    )


def is_weak(candidate: room.Candidate) -> bool:
    """Say whether a candidate fits too badly to be called an explanation."""
    return bool(candidate.fit < score.GOOD_FIT)


def explains(found: room.SymptomAnswer) -> bool:
    """Say whether any candidate fits well enough to be called an explanation."""
    return found.verdict != room.NOT_THE_SKY and not all(map(is_weak, found.candidates))


def symptom_notes(found: room.SymptomAnswer) -> list[Note]:
    """Return what must be said beside the answer."""
    of_record = isinstance(found.symptom, room.FreezeRecord)
    notes = [Note(_CONFOUNDED)] if explains(found) else []
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


def rows(found: room.SymptomAnswer) -> pd.DataFrame:
    """Return the table of candidates with what each is, and when in the day it freezes, in words."""
    table = found.table
    table.insert(1, "setting", [setting_words(one.setting, found.site) for one in found.candidates])
    table.insert(list(table).index("similar"), "when", [when_words(c.traits.by_hour) for c in found.candidates])
    return table


def how_words(found: room.SymptomAnswer, number: int) -> str:
    """Return how a candidate was found, to be kept beside what it assumes."""
    return f"searched for from {seen_words(found.symptom)}; fit {found.candidates[number - 1].fit:.2f}"


# --------------------------------------------------------------------------- what was seen, and what could be behind it


def seen_words(seen: room.FreezeRanges | room.FreezeRecord) -> str:
    """Return what somebody saw: "freezes every 3 to 5 min, 5 to 30 s long", or what a record holds."""
    if isinstance(seen, room.FreezeRanges):
        return f"freezes every {_range_words(seen.every_s)}, {_range_words(seen.length_s)} long"
    return f"a record of {record_words(seen)}"


def record_words(record: room.FreezeRecord) -> str:
    """Return what a record of freezes holds: "23 freezes, 5 to 40 s long, in 10 h"."""
    length_s = (record.end_us - record.start_us) / 1e6
    length = timing.age_words(record.span.duration_s)
    return f"{counted(len(record), 'freeze')}, {length_s.min():.3g} to {length_s.max():.3g} s long, in {length}"


def _range_words(given: tuple[float, float]) -> str:
    """Return "3 to 5 min" or "5 to 30 s", and one number where both are the same."""
    low, high = given
    scale, unit = (60.0, "min") if low >= 60.0 else (1.0, "s")
    return f"{low / scale:.3g} {unit}" if low == high else f"{low / scale:.3g} to {high / scale:.3g} {unit}"


def setting_words(setting: room.Setting, site: Site) -> str:
    """Return what a setting of the sky and the service is."""
    words = []
    if (place := setting.gateway) is not None:
        latitude_deg, longitude_deg = place.coordinates_deg(site)
        where = f"{place.distance_km:.0f} km to the {compass_words(place.bearing_deg)}"
        words.append(f"a gateway {where} (near {latitude_deg:.1f}, {longitude_deg:.1f})")
    if setting.mask_deg is not None:
        words.append(f"no service below {setting.mask_deg:.0f}° all round")
    if (cone := setting.cone) is not None:
        tilted = f"tilted {cone.tilt_deg:.0f}° to the {compass_words(cone.azimuth_deg)}"
        words.append(f"an antenna that uses no more than {cone.half_angle_deg:.0f}° around where it points, {tilted}")
    if setting.arc_deg is not None:
        words.append(f"a keep-out of {setting.arc_deg:.0f}° around the geostationary arc")
    if setting.slot_s is not None:
        words.append(f"satellites handed out every {setting.slot_s:g} s")
    if setting.acquisition_s:
        words.append(f"{setting.acquisition_s:g} s to acquire each satellite")
    return " and ".join(words) or "the sky as it is set up, and nothing else"


def compass_words(bearing_deg: float) -> str:
    """Return a direction as the nearest of eight points of the compass, with the degrees where it lies between."""
    word = ground.compass_word(bearing_deg)
    exact = abs((bearing_deg + 22.5) % 45.0 - 22.5) < 0.5
    return word if exact else f"{word}, {bearing_deg:.0f}°"


# -------------------------------------------------------------------------------------- when, how often, what to watch


def rate_words(per_hour: float) -> str:
    """Return "8" or "0.7": freezes an hour to what a person can tell apart."""
    return f"{per_hour:.1f}" if per_hour < 0.95 else f"{per_hour:,.0f}"


def _hours(first: int, hours: int) -> str:
    return f"between {first:02d}:00 and {(first + hours) % 24:02d}:00"


def when_words(by_hour: Floats) -> str:
    """Say when in the local day freezes come: "all day", "none between 12:00 and 21:00", "only between ..."."""
    known = ~np.isnan(by_hour)
    rates = np.nan_to_num(by_hour)
    if not rates.any():
        return "never"
    busiest = int(np.argmax(rates))
    most = f"most from {busiest:02d}:00, {rate_words(rates[busiest])} an hour"
    free = discriminate.longest_stretch(known & (rates == 0.0))
    if free is None:
        even = rates[known].min() >= 0.5 * rates[known].max()
        whole = "all day" if known.all() else "in every hour of the span"
        return whole if even else f"{whole}, {most}"
    busy = discriminate.longest_stretch(rates > 0.0)
    if free[1] > 12 and busy is not None and busy[1] + free[1] == 24:
        return f"only {_hours(*busy)}"
    return f"none {_hours(*free)}, {most}"


def observation_sentence(seen: discriminate.Observation, timezone: str, names: tuple[str, str] | None = None) -> str:
    """Say what a person could watch for to tell two predictions apart: candidates by their numbers, or by `names`."""
    a, b = (f"candidate {number}" for number in seen.numbers) if names is None else names
    both = f"Candidates {seen.numbers[0]} and {seen.numbers[1]}" if names is None else f"{capital(a)} and {b}"
    if seen.same:
        return f"{both} freeze at the same times: nothing in this span tells them apart."
    words = _signs(seen, a, b)
    if seen.moment_us is not None:
        one, start_us, end_us = seen.moment_us
        local = moment(start_us).astimezone(zone(timezone))
        freeze = f"{_predicts((a, b)[one])} a freeze of {duration((end_us - start_us) / 1e6)}"
        when = f"on {local:%a} {local.day} {local:%b} at {local:%H:%M:%S}"
        words.append(f"{when} {freeze}, {(a, b)[1 - one]} none")
    if not words:
        return f"{both} differ by seconds only: a record of freezes over some hours tells them apart."
    return f"{capital(a)} against {b if names else seen.numbers[1]}: {'; '.join(words)}."


APART: Final = "What would tell them apart"


def observation_sentences(found: room.SymptomAnswer) -> list[str]:
    """Say what a person could watch for to tell the candidates apart, pair by pair."""
    seen = found.observations if explains(found) else ()
    return [observation_sentence(each, found.site.timezone) for each in seen]


def _predicts(name: str) -> str:
    """Return a name with its verb."""
    return f"{name} {'predict' if ' and ' in name else 'predicts'}"


def _signs(seen: discriminate.Observation, a: str, b: str) -> list[str]:
    """Return how often, how long and where, as far as two predictions, called `a` and `b`, differ in them."""
    of_a, of_b = seen.traits
    words = []
    if seen.quiet_hours is not None:
        quiet, first, hours = seen.quiet_hours
        busy = np.nan_to_num(seen.traits[1 - quiet].by_hour)[[(first + k) % 24 for k in range(hours)]].mean()
        rates = f"{_predicts((a, b)[quiet])} none, {(a, b)[1 - quiet]} about"
        words.append(f"{_hours(first, hours)} {rates} {rate_words(busy)} an hour")
    if seen.hour is not None or seen.rates:
        when = "" if seen.hour is None else f"from {seen.hour:02d}:00 to {(seen.hour + 1) % 24:02d}:00 "
        each = [of.per_hour if seen.hour is None else float(np.nan_to_num(of.by_hour)[seen.hour]) for of in seen.traits]
        rates = f"{rate_words(each[0])} freezes an hour, {b} {rate_words(each[1])}"
        words.append(f"{when}{_predicts(a)} {rates}")
    if seen.lengths:
        of_one, of_other = (f"{duration(of.mean_s)}{{}} (longest {duration(of.longest_s)})" for of in seen.traits)
        ours, theirs = of_one.format(" on average"), of_other.format("")
        words.append(f"freezes of {a} last {ours}, those of {b} {theirs}")
    if seen.directions:
        here, there = map(_where, (of_a.direction_deg, of_b.direction_deg))
        during = f"during the freezes of {a} the satellites in view stand {here}"
        words.append(f"{during}, during those of {b} they stand {there}")
    return words


def _where(direction_deg: float | None) -> str:
    """Return where satellites mostly stand, in words."""
    if direction_deg is None:
        return "in all directions"
    return f"to the {ground.compass_word(direction_deg)}"
