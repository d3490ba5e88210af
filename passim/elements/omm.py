"""One mapping between the keywords of an orbit mean-elements message (CCSDS 502.0-B-3) and `ElementSet`.

JSON, CSV, XML and KVN spell the same keywords; whatever they have in common is decided here, once.

Conventions: MEAN_MOTION is revolutions a day, as SGP4 takes it (Kozai). The standard allows SEMI_MAJOR_AXIS in
kilometres instead; it is turned into a mean motion by Kepler's third law with SGP4's own mu (398600.8 km^3/s^2),
n = sqrt(mu / a^3), without Brouwer's correction: so it is read as the axis that belongs to the Kozai mean motion.
Where both are given MEAN_MOTION counts, and the two must agree within 1 %. BTERM and AGOM belong to SGP4-XP, another
theory, and are refused. Keywords that passim does not know are left alone.

NORAD_CAT_ID is optional (502.0-B-3, table 4-3): without it an object goes by its international designator, and one that
has neither is refused. Numbers are as the standard's section 7.5 has them, decimal with a sign or none and an exponent
after E or e, and beyond it with digits on one side of the point alone.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import repeat
from operator import itemgetter
from typing import Any, Final

from passim.constants import SECONDS_PER_DAY, SGP4_MU_KM3_S2
from passim.elements.epochs import FIRST_YEAR, LAST_YEAR, format_iso_epoch, parse_iso_epoch
from passim.elements.identifiers import LARGEST_NUMBER, SatelliteId
from passim.elements.lines import Words, printable
from passim.elements.read_log import label_of
from passim.elements.records import ElementSet, element_set, element_sets
from passim.errors import ElementsError

# What the message must say where it says anything: passim knows one theory, one frame, one time.
_FIXED: Final = {
    "CENTER_NAME": ("EARTH",),
    "REF_FRAME": ("TEME",),
    "TIME_SYSTEM": ("UTC",),
    "MEAN_ELEMENT_THEORY": ("SGP4", "SGP/SGP4"),
    # Public sets for SGP4 say 0, and some sources 2 (502.0-B-3, 4.2.4.7); 4 would be SGP4-XP.
    "EPHEMERIS_TYPE": ("0", "2"),
}

# The field of each number's keyword, and the units that may stand beside it (502.0-B-3, table 4-3).
NUMBER_FIELDS: Final = {
    "MEAN_MOTION": "mean_motion_rev_day",
    "ECCENTRICITY": "eccentricity",
    "INCLINATION": "inclination_deg",
    "RA_OF_ASC_NODE": "node_deg",
    "ARG_OF_PERICENTER": "perigee_deg",
    "MEAN_ANOMALY": "mean_anomaly_deg",
    "BSTAR": "bstar",
    "MEAN_MOTION_DOT": "mean_motion_dot",
    "MEAN_MOTION_DDOT": "mean_motion_ddot",
}
UNITS: Final = {
    "SEMI_MAJOR_AXIS": "km",
    "MEAN_MOTION": "rev/day",
    "INCLINATION": "deg",
    "RA_OF_ASC_NODE": "deg",
    "ARG_OF_PERICENTER": "deg",
    "MEAN_ANOMALY": "deg",
    "BSTAR": "1/ER",
    "MEAN_MOTION_DOT": "rev/day**2",
    "MEAN_MOTION_DDOT": "rev/day**3",
}
_LARGEST_COUNT: Final = 10**9
_OPTIONAL: Final = ("MEAN_MOTION_DOT", "MEAN_MOTION_DDOT")
_COUNTS: Final = {"ELEMENT_SET_NO": ("element_set_number", 999), "REV_AT_EPOCH": ("revolution_at_epoch", 0)}

# What `ElementSet` calls each keyword.
_FIELDS: Final = {
    "NORAD_CAT_ID": "satellite_id",
    "OBJECT_NAME": "name",
    "OBJECT_ID": "designator",
    "EPOCH": "epoch",
    "CLASSIFICATION_TYPE": "classification",
    "SEMI_MAJOR_AXIS": "mean_motion_rev_day",
    **NUMBER_FIELDS,
    **{keyword: field for keyword, (field, _) in _COUNTS.items()},
}
_NUMBERS_OF: Final = itemgetter(*NUMBER_FIELDS)
# What most messages say where they say anything.
_USUALLY: Final = {
    "REF_FRAME": frozenset(("TEME",)),
    "TIME_SYSTEM": frozenset(("UTC",)),
    "CENTER_NAME": frozenset(("EARTH",)),
    "MEAN_ELEMENT_THEORY": frozenset(("SGP4",)),
    "CLASSIFICATION_TYPE": frozenset(("U",)),
    "EPHEMERIS_TYPE": frozenset((0, 2)),
}
_EPOCH_MARKS: Final = ((4, "-"), (7, "-"), (10, "T"), (13, ":"), (16, ":"), (19, "."))
# Messages with one of these are looked at more closely than most need.
_RARE: Final = frozenset(("SEMI_MAJOR_AXIS", "BTERM", "AGOM"))
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)


class KeywordError(ElementsError):
    """One keyword of a message cannot be used; ``keyword`` says which."""

    def __init__(self, keyword: str, *, got: object = None, wanted: str = "", try_next: str = "", of: str = "") -> None:
        self.keyword = keyword
        what, field = f"{keyword} of {of}" if of else keyword, _FIELDS.get(keyword, keyword)
        super().__init__(what, field=field, got=got, wanted=wanted, try_next=try_next)


def element_set_of(message: Mapping[str, object]) -> ElementSet:
    """Return the element set of one message, given as its keywords with text or numbers as values.

    Empty text counts as absent. OBJECT_NAME and OBJECT_ID may be absent or null; numbers may be text. Raises
    ElementsError that names the keyword.
    """
    return _usual(message) or _any(message)


def element_sets_of(messages: Sequence[Mapping[str, object]]) -> list[ElementSet] | None:
    """Return the element sets of messages that are all alike and in order; None for those to be looked at one by one.

    It reads nothing that `element_set_of` would not read in the same way. Each check is made of a whole column, so that
    an object of a fleet costs a third of what it does by itself.
    """
    keywords = tuple(messages[0])
    if not _RARE.isdisjoint(keywords):
        return None
    count = len(messages)
    try:
        # Of as many keywords, and these among them, they are the same.
        if set(map(len, messages)) != {len(keywords)}:
            return None
        columns = dict(zip(keywords, zip(*map(itemgetter(*keywords), messages), strict=True), strict=True))
        for keyword, usual in _USUALLY.items():
            if keyword in columns and not usual.issuperset(columns[keyword]):
                return None
        ids, kinds = columns["NORAD_CAT_ID"], columns.get("EPHEMERIS_TYPE", (0,))
        # A truth value or a fraction may equal a whole number.
        if set(map(type, ids)) != {int} or set(map(type, kinds)) != {int}:
            return None
        if min(ids) < 0 or max(ids) > LARGEST_NUMBER:
            return None
        moments = _moments(columns["EPOCH"])
        numbers = [columns[keyword] for keyword in NUMBER_FIELDS]
        for at, column in enumerate(numbers):
            # 0 stands for 0.0 in many files.
            if int in map(type, column):
                numbers[at] = tuple(n + 0.0 if type(n) is int else n for n in column)
        counts = [columns.get(keyword, (missing,) * count) for keyword, (_, missing) in _COUNTS.items()]
        if moments is None or max(map(max, counts)) > _LARGEST_COUNT:
            return None
        names, designators = (columns.get(keyword, ("",) * count) for keyword in ("OBJECT_NAME", "OBJECT_ID"))
        return element_sets(
            list(map(str.__new__, repeat(SatelliteId), ids)), names, moments, numbers, designators, counts
        )
    except (KeyError, TypeError, ValueError, OverflowError):
        # What is wrong is told by those who look closely.
        return None


def _moments(epochs: Sequence[str]) -> list[datetime] | None:
    """Return the moments of epochs all spelled 2026-03-01T06:00:00.000000; None where one is not.

    Whatever Python makes of this spelling, it is the moment meant. Raises TypeError and ValueError where it makes none.
    """
    joined = "".join(epochs)
    if set(map(len, epochs)) != {26} or any(joined[at::26].strip(mark) for at, mark in _EPOCH_MARKS):
        return None
    if "24" in map(str.__add__, joined[11::26], joined[12::26]):
        return None
    moments = [datetime.fromisoformat(f"{epoch}+00:00") for epoch in epochs]
    return moments if min(moments).year >= FIRST_YEAR and max(moments).year <= LAST_YEAR else None


def object_of(message: Mapping[str, object]) -> tuple[str, str]:
    """Return the number or designator and the name that a damaged message gives its object; empty where it is none."""
    name = message.get("OBJECT_NAME")
    for keyword in ("NORAD_CAT_ID", "OBJECT_ID"):
        value = message.get(keyword)
        if isinstance(value, (str, int)) and not isinstance(value, bool):
            with contextlib.suppress(ElementsError):
                return str(SatelliteId(value)), name.strip() if isinstance(name, str) else ""
    return "", name.strip() if isinstance(name, str) else ""


def _usual(message: Mapping[str, object]) -> ElementSet | None:
    """Return the element set of a message in which all is as in most; None for one to be looked at more closely.

    It reads nothing that `_any` would not read in the same way, and is there for speed: a fleet is thousands of these.
    """
    get: Any = message.get
    try:
        numbers: Any = [n if type(n) is float else n + 0.0 if type(n) is int else None for n in _NUMBERS_OF(message)]
        epoch, number = message["EPOCH"], message["NORAD_CAT_ID"]
        kind, set_number, revolution = get("EPHEMERIS_TYPE", 0), get("ELEMENT_SET_NO", 999), get("REV_AT_EPOCH", 0)
        if not (
            type(number) is type(kind) is type(set_number) is type(revolution) is int
            and 0 <= number <= LARGEST_NUMBER
            and 0 <= set_number <= _LARGEST_COUNT
            and 0 <= revolution <= _LARGEST_COUNT
            and (kind == 0 or kind == 2)
            and get("REF_FRAME", "TEME") == "TEME"
            and get("TIME_SYSTEM", "UTC") == "UTC"
            and get("CENTER_NAME", "EARTH") == "EARTH"
            and get("MEAN_ELEMENT_THEORY", "SGP4") == "SGP4"
            and get("CLASSIFICATION_TYPE", "U") == "U"
            and _RARE.isdisjoint(message)
            # 2026-03-01T06:00:00.000000: whatever Python makes of this spelling, it is the moment meant.
            and type(epoch) is str
            and len(epoch) == 26
            and epoch[4:20:3] == "--T::."
            and epoch[11:13] != "24"
        ):
            return None
        moment = datetime.fromisoformat(epoch + "+00:00")
        if not FIRST_YEAR <= moment.year <= LAST_YEAR:
            return None
        name, designator = get("OBJECT_NAME"), get("OBJECT_ID")
        return element_set(
            str.__new__(SatelliteId, number),
            "" if name is None else name,
            moment,
            numbers,
            "" if designator is None else designator,
            (set_number, revolution),
        )
    except (KeyError, ValueError, OverflowError, ElementsError):
        # What is wrong is told by those who look closely.
        return None


def _any(message: Mapping[str, object]) -> ElementSet:
    """Return the element set of any message. Raises ElementsError."""
    satellite_id = _satellite_id(message)
    name = message.get("OBJECT_NAME")
    of = label_of(satellite_id, printable(name.strip()) if isinstance(name, str) else "")

    # A message for another theory, frame or time must not slip through as if it were SGP4's.
    for keyword, legal in _FIXED.items():
        value = message.get(keyword, "")
        if value == "" or value in legal:
            continue
        written = _as_written(value).strip().upper()
        # A whole number may have a sign and zeros in front.
        if (str(int(written)) if re.fullmatch(r"[+]?[0-9]{1,9}", written, re.ASCII) else written) not in legal:
            raise KeywordError(keyword, got=_as_written(value), wanted=" or ".join(legal), of=of)
    for keyword in ("BTERM", "AGOM"):
        if message.get(keyword, "") != "":
            got, wanted = _as_written(message[keyword]), "BSTAR (this keyword belongs to SGP4-XP)"
            raise KeywordError(keyword, got=got, wanted=wanted, of=of)

    epoch = _required(message, "EPOCH", of)
    if not isinstance(epoch, str):
        raise KeywordError("EPOCH", got=_as_written(epoch), wanted="ISO 8601 text in UTC", of=of)
    try:
        moment = parse_iso_epoch(epoch.strip())
    except ElementsError as error:
        raise KeywordError("EPOCH", got=error.got, wanted=error.wanted, try_next=error.try_next, of=of) from None

    numbers: dict[str, Any] = {"mean_motion_rev_day": _mean_motion(message, of)}
    for keyword, field in NUMBER_FIELDS.items():
        if keyword == "MEAN_MOTION" or (keyword in _OPTIONAL and message.get(keyword, "") == ""):
            continue
        numbers[field] = _number(_required(message, keyword, of), keyword, of)
    counts: dict[str, Any] = {
        field: _count(message.get(keyword, ""), keyword, of, missing) for keyword, (field, missing) in _COUNTS.items()
    }
    return ElementSet(
        satellite_id=satellite_id,
        name=_text(message, "OBJECT_NAME", of),
        designator=_text(message, "OBJECT_ID", of),
        classification=_text(message, "CLASSIFICATION_TYPE", of).strip() or "U",
        epoch=moment,
        **numbers,
        **counts,
    )


def message_of(record: ElementSet) -> dict[str, str | int | float]:
    """Return the keywords of the message that carries `record`, in the order of the standard.

    NORAD_CAT_ID is empty text where the object has no number.
    """
    number = record.satellite_id.number
    return {
        "OBJECT_NAME": record.name,
        # Without a number the designator is what tells objects apart.
        "OBJECT_ID": record.designator if number is not None else str(record.satellite_id),
        "CENTER_NAME": "EARTH",
        "REF_FRAME": "TEME",
        "TIME_SYSTEM": "UTC",
        "MEAN_ELEMENT_THEORY": "SGP4",
        "EPOCH": format_iso_epoch(record.epoch),
        "MEAN_MOTION": record.mean_motion_rev_day,
        "ECCENTRICITY": record.eccentricity,
        "INCLINATION": record.inclination_deg,
        "RA_OF_ASC_NODE": record.node_deg,
        "ARG_OF_PERICENTER": record.perigee_deg,
        "MEAN_ANOMALY": record.mean_anomaly_deg,
        "EPHEMERIS_TYPE": 0,
        "CLASSIFICATION_TYPE": record.classification,
        "NORAD_CAT_ID": "" if number is None else number,
        "ELEMENT_SET_NO": record.element_set_number,
        "REV_AT_EPOCH": record.revolution_at_epoch,
        "BSTAR": record.bstar,
        "MEAN_MOTION_DOT": record.mean_motion_dot,
        "MEAN_MOTION_DDOT": record.mean_motion_ddot,
    }


def check_units(keyword: str, units: str) -> None:
    """Raise KeywordError when a message gives `keyword` in other units than the standard's."""
    wanted = UNITS.get(keyword)
    if wanted is not None and units.strip().lower() != wanted.lower():
        raise KeywordError(keyword, got=f"[{units}]", wanted=f"[{wanted}]")


def _satellite_id(message: Mapping[str, object]) -> SatelliteId:
    """Return the catalogue number of a message, else its designator. Raises KeywordError without either."""
    number = message.get("NORAD_CAT_ID")
    if number is None or (isinstance(number, str) and not number.strip()):
        designator = message.get("OBJECT_ID")
        if isinstance(designator, str) and not designator.strip().isdigit():
            with contextlib.suppress(ElementsError):
                return SatelliteId(designator)
        got = designator if isinstance(designator, str) and designator.strip() else Words("nothing")
        wanted = "a catalogue number, or in OBJECT_ID a designator such as 2026-001A"
        raise KeywordError("NORAD_CAT_ID", got=got, wanted=wanted, of="the record")
    try:
        # A minus would make a designator of it.
        if not isinstance(number, (str, int)) or isinstance(number, bool) or "-" in _as_written(number):
            raise ElementsError("catalogue number", got=_as_written(number), wanted="one to nine digits")
        return SatelliteId(number)
    except ElementsError as error:
        raise KeywordError("NORAD_CAT_ID", got=error.got, wanted=error.wanted) from None


def _required(message: Mapping[str, object], keyword: str, of: str) -> object:
    """Return the value of a keyword. Raises KeywordError when it is absent or empty."""
    value = message.get(keyword, "")
    if value == "" or (isinstance(value, str) and not value.strip()):
        raise KeywordError(keyword, got=Words("nothing"), wanted="a value", of=of)
    return value


def _mean_motion(message: Mapping[str, object], of: str) -> float:
    """Return the mean motion, revolutions a day, from MEAN_MOTION or SEMI_MAJOR_AXIS."""
    axis_text = message.get("SEMI_MAJOR_AXIS", "")
    if axis_text == "":
        return _number(_required(message, "MEAN_MOTION", of), "MEAN_MOTION", of)
    axis_km = _number(axis_text, "SEMI_MAJOR_AXIS", of)
    # The bounds keep the cube finite; SGP4 knows nothing outside them anyway.
    if not 1e3 < axis_km < 1e7:
        raise KeywordError("SEMI_MAJOR_AXIS", got=_as_written(axis_text), wanted="kilometres such as 6928.135", of=of)
    # 6928.135 km gives 15.0549 revolutions a day.
    from_axis = math.sqrt(SGP4_MU_KM3_S2 / axis_km**3) * SECONDS_PER_DAY / (2.0 * math.pi)
    if message.get("MEAN_MOTION", "") == "":
        return from_axis
    motion = _number(message["MEAN_MOTION"], "MEAN_MOTION", of)
    if abs(motion - from_axis) > 0.01 * from_axis:
        got, wanted = _as_written(axis_text), "an axis that agrees with MEAN_MOTION within 1 %"
        raise KeywordError("SEMI_MAJOR_AXIS", got=got, wanted=wanted, of=of)
    return motion


def _number(value: object, keyword: str, of: str) -> float:
    """Return a finite number from a number or its text. Raises KeywordError."""
    plain = value.strip() if isinstance(value, str) else value
    if type(plain) is float or type(plain) is int or (isinstance(plain, str) and _NUMBER.fullmatch(plain)):
        try:
            number = float(plain)
        except OverflowError:
            number = math.inf
        if math.isfinite(number):
            return number
    raise KeywordError(keyword, got=_as_written(value), wanted="a finite number", of=of)


def _count(value: object, keyword: str, of: str, missing: int) -> int:
    """Return a whole number of 0 or more; `missing` where there is none. Raises KeywordError."""
    if value == "":
        return missing
    number = _number(value, keyword, of)
    if number < 0 or number > _LARGEST_COUNT or number != int(number):
        raise KeywordError(keyword, got=_as_written(value), wanted="a whole number from 0 to 1000000000", of=of)
    return int(number)


def _text(message: Mapping[str, object], keyword: str, of: str) -> str:
    """Return the text of a keyword that may be absent or null. Raises KeywordError for numbers and the rest."""
    value = message.get(keyword)
    if value is None:
        return ""
    if not isinstance(value, str):
        raise KeywordError(keyword, got=_as_written(value), wanted="text", of=of)
    return value


def _as_written(value: object) -> str:
    """Return a value as the file spells it, for people."""
    if value is None or isinstance(value, bool):
        return Words({None: "null", True: "true", False: "false"}[value])
    if isinstance(value, int) and abs(value) > 10**30:
        return Words("a number of more than thirty digits")
    return value if isinstance(value, str) else Words(value)
