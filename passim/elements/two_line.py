"""Two-line and three-line element sets: strict reading, and writing that rounds as the columns do.

The columns are those of the public format (Hoots & Roehrich, "Spacetrack Report No. 3", 1980; Vallado & Cefola,
"Two-line element sets - practice and use", IAC-12-A6.6.11, 2012; both recalled). The compiled SGP4 reader takes
garbage in silence, so every column, blank and checksum is checked here before a number is believed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, NamedTuple

from passim.elements.epochs import (
    FIRST_YEAR,
    LAST_TWO_LINE_YEAR,
    format_iso_epoch,
    format_two_line_epoch,
    parse_two_line_epoch,
    rounded_to_two_line_epoch,
)
from passim.elements.identifiers import LARGEST_TWO_LINE_NUMBER, SatelliteId
from passim.elements.lines import Words, is_plain, text_lines
from passim.elements.read_log import Kind, ReadLog
from passim.elements.records import ELEMENT_FIELDS, ElementSet, Fleet
from passim.errors import ElementsError

LINE_LENGTH = 69
LONGEST_NAME = 24

# A longer line is no name but a damaged element line or prose; names of public sets have 24 characters or a few more.
_LONGEST_NAME_LINE = 60
# A name that cannot be taken for anything else; others are written with "0 " in front.
_PLAIN_NAME = re.compile(r"[A-Za-z][A-Za-z0-9 ()/+.-]*")


class _Column(NamedTuple):
    """One field of a line: its first and last column counted from 1, and what may stand there."""

    first: int
    last: int
    name: str
    pattern: str
    wanted: str


def _padded(width: int) -> str:
    """Return the pattern of a whole number in `width` columns, blanks in front."""
    return "|".join(" " * blanks + rf"\d{{{width - blanks}}}" for blanks in range(width))


_ANGLE = r"(?:  \d| \d\d|\d\d\d)\.\d{4}"
_POWER = r"[ +-]\d{5}[+-]\d"
_DESIGNATOR = r"\d{5}(?:[A-Z]{3}|[A-Z]{2} |[A-Z]  |   )| {8}"

# Every pattern has the width of its columns. Columns that no field names hold a blank. The ephemeris type is 0 or
# blank in public sets; 2 says SGP4 outright.
_LINE_1 = (
    _Column(1, 1, "line number", "1", "1"),
    _Column(3, 7, "catalogue number", rf"[A-HJ-NP-Z]\d{{4}}|{_padded(5)}", "five digits or Alpha-5 such as A0000"),
    _Column(8, 8, "classification", "[A-Z ]", "U, C or S"),
    _Column(10, 17, "designator", _DESIGNATOR, "such as 26001A, or blank"),
    _Column(19, 32, "epoch", r"\d\d(?:  \d| \d\d|\d{3})\.\d{8}", "YYDDD.dddddddd such as 26060.25000000"),
    _Column(34, 43, "mean motion dot", r"[ +-]\.\d{8}", "a sign and eight decimals such as -.00000033"),
    _Column(45, 52, "mean motion ddot", _POWER, "an assumed decimal such as  12345-4"),
    _Column(54, 61, "drag term", _POWER, "an assumed decimal such as  65843-4"),
    _Column(63, 63, "ephemeris type", "[02 ]", "0, 2 or blank, which stand for SGP4"),
    _Column(65, 68, "element set number", _padded(4), "a number such as  999"),
    _Column(69, 69, "checksum", r"\d", "one digit"),
)
_LINE_2 = (
    _Column(1, 1, "line number", "2", "2"),
    _LINE_1[1],
    _Column(9, 16, "inclination", _ANGLE, "degrees such as  53.0000"),
    _Column(18, 25, "right ascension of the node", _ANGLE, "degrees such as 120.0000"),
    _Column(27, 33, "eccentricity", r"\d{7}", "seven digits such as 0001000"),
    _Column(35, 42, "argument of perigee", _ANGLE, "degrees such as  90.0000"),
    _Column(44, 51, "mean anomaly", _ANGLE, "degrees such as  10.0000"),
    _Column(53, 63, "mean motion", r"[ \d]\d\.\d{8}", "revolutions a day such as 15.05490650"),
    _Column(64, 68, "revolution number", _padded(5), "a number such as    15"),
    _LINE_1[-1],
)


def _whole_line(columns: tuple[_Column, ...]) -> re.Pattern[str]:
    """Return the pattern of a whole line: its fields as groups, blanks between them."""
    pattern, next_column = "", 1
    for column in columns:
        pattern += " " * (column.first - next_column) + f"({column.pattern})"
        next_column = column.last + 1
    return re.compile(pattern, re.ASCII)


# What `ElementSet` calls the columns; the others go by the format's own word.
_FIELDS = {
    "catalogue number": "satellite_id",
    "classification": "classification",
    "designator": "designator",
    "epoch": "epoch",
    "mean motion dot": "mean_motion_dot",
    "mean motion ddot": "mean_motion_ddot",
    "drag term": "bstar",
    "element set number": "element_set_number",
    "inclination": "inclination_deg",
    "right ascension of the node": "node_deg",
    "eccentricity": "eccentricity",
    "argument of perigee": "perigee_deg",
    "mean anomaly": "mean_anomaly_deg",
    "mean motion": "mean_motion_rev_day",
    "revolution number": "revolution_at_epoch",
}
_HALF = "half a set"

_WHOLE = {"1": _whole_line(_LINE_1), "2": _whole_line(_LINE_2)}
_COLUMNS = {"1": _LINE_1, "2": _LINE_2}

# The checksum counts digits at their value and minus signs as one, everything else as nothing.
_WEIGHTS = bytes(c - 48 if 48 <= c <= 57 else int(c == 45) for c in range(256))


def checksum(line: str) -> int:
    """Return the checksum of the first 68 columns of a line, 0 to 9."""
    return sum(line[:68].encode("ascii", "replace").translate(_WEIGHTS)) % 10


def parse_two_line(line_1: str, line_2: str, name: str = "") -> ElementSet:
    """Return the element set of two lines of 69 columns (blanks around them do no harm) and a name.

    Raises ElementsError when a column, a checksum or a range is wrong, or the lines belong to different objects.
    """
    return _second_line(line_2.strip(), _first_line(line_1.strip(), name))


def read_two_line(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of a text of two-line and three-line sets, in order.

    A name line, with or without a leading ``0 ``, is optional for each set. Blank lines, blanks around lines and
    lines that begin with # do no harm. Bad sets go to `log`, which raises or notes them.
    """
    records = []
    last = text.rstrip("\n\r \t").count("\n") + 1 if text[-1:] not in ("\n", "\r") else 0
    for name, (number_1, line_1), (number_2, line_2) in _sets(text, log):
        number = number_1
        try:
            first = _first_line(line_1, name)
            number = number_2
            records.append(_second_line(line_2, first))
        except ElementsError as error:
            # A last line that is too short and has no end is where the file was cut.
            cut = number_2 == last == number and len(line_2) < LINE_LENGTH
            log.refuse(f"line {number}", error, of=_object(line_1, line_2, name), kind="cut" if cut else "record")
    return records


def format_two_line(record: ElementSet) -> str:
    """Return the set as two lines, or three where it has a name, each with its line end, rounded as `rounded_set` says.

    Raises ElementsError for what two lines cannot carry at all.
    """
    record = rounded_set(record)
    columns = _columns_of(record)
    number = record.satellite_id.five_columns()
    line_1 = (
        f"1 {number}{record.classification} {_designator_columns(record.designator)} "
        f"{format_two_line_epoch(record.epoch)} "
        f"{columns['mean_motion_dot']} {columns['mean_motion_ddot']} {columns['bstar']} 0 "
        f"{record.element_set_number:4d}"
    )
    line_2 = (
        f"2 {number} {columns['inclination_deg']} {columns['node_deg']} {columns['eccentricity']} "
        f"{columns['perigee_deg']} {columns['mean_anomaly_deg']} {columns['mean_motion_rev_day']}"
        f"{record.revolution_at_epoch:5d}"
    )
    return f"{_name_line(record.name)}{line_1}{checksum(line_1)}\n{line_2}{checksum(line_2)}\n"


def rounded_set(record: ElementSet) -> ElementSet:
    """Return the set as two lines carry it.

    Every number is rounded to its columns, and where it would round up to more than they hold, down to the most they
    do. The two counters keep their last digits, as they do in public sets. A name is cut to 24 characters, and what
    would end its line becomes a blank; a designator that is none of the format's own is left out.

    Raises ElementsError for what two lines cannot carry at all: a catalogue number over 339999, an object without
    one, and an epoch outside 1957 to 2056.
    """
    number = record.satellite_id.number
    if number is None or number > LARGEST_TWO_LINE_NUMBER:
        what = "a catalogue number of at most" if number is None else "at most"
        raise _does_not_fit(record, "satellite_id", str(record.satellite_id), f"{what} {LARGEST_TWO_LINE_NUMBER}")
    epoch = rounded_to_two_line_epoch(record.epoch)
    if not FIRST_YEAR <= epoch.year <= LAST_TWO_LINE_YEAR:
        wanted = f"a year from {FIRST_YEAR} to {LAST_TWO_LINE_YEAR}"
        raise _does_not_fit(record, "epoch", format_iso_epoch(epoch), wanted)
    numbers: dict[str, Any] = {field: _READ[field](text) for field, text in _columns_of(record).items()}
    return replace(
        record,
        name=record.name if is_plain(record.name) and len(record.name) <= LONGEST_NAME else _short_name(record.name),
        designator=record.designator if _designator_columns(record.designator).strip() else "",
        epoch=epoch,
        element_set_number=record.element_set_number % 10**4,
        revolution_at_epoch=record.revolution_at_epoch % 10**5,
        **numbers,
    )


def rounded_to_two_line(fleet: Fleet) -> Fleet:
    """Return the fleet as two-line sets carry it; see `rounded_set`, also for what raises ElementsError.

    Rounding moves a satellite of a low orbit by at most 6 m an angle (half of 1e-4 deg), 0.5 m by its eccentricity,
    3 m by its epoch, and 0.2 m a day by its mean motion.
    """
    return fleet.holding(rounded_set(record) for record in fleet.records)


def rounded_fields(fleet: Fleet, rounded: Fleet) -> dict[str, int]:
    """Return in how many sets each field of `fleet` differs from that of `rounded`, which has the same sets."""
    pairs = [(a, b) for a, b in zip(fleet.records, rounded.records, strict=True) if a != b]
    counts = {field: sum(getattr(a, field) != getattr(b, field) for a, b in pairs) for field in ELEMENT_FIELDS}
    return {field: count for field, count in counts.items() if count}


# ---------------------------------------------------------------------------------------------------- reading


def _sets(text: str, log: ReadLog) -> Iterator[tuple[str, tuple[int, str], tuple[int, str]]]:
    """Yield name, numbered line 1 and numbered line 2 of each set; tell `log` of lines that belong to none."""
    name: tuple[int, str] | None = None
    first: tuple[int, str] | None = None
    # Lines that stand together and belong to no set: halves of sets, and texts. A damaged set leaves up to three.
    halves = texts = 0

    def alone(line: tuple[int, str], what: str, wanted: str, kind: Kind = "record") -> None:
        nonlocal halves, texts
        before = max(halves, -(-(halves + texts) // 3))
        halves, texts = halves + (what == _HALF), texts + (what != _HALF)
        records = max(halves, -(-(halves + texts) // 3)) - before
        known = _object(line[1], "", name[1] if name and line is not name else "") if what == _HALF else ("", "")
        error = ElementsError(what, got=line[1], wanted=wanted)
        log.refuse(f"line {line[0]}", error, of=known, kind=kind, records=records)

    for number, raw in enumerate(text_lines(text), start=1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        if line.startswith("1 "):
            if first is not None:
                alone(first, _HALF, "its line 2 next")
                name = None
            first = number, line
        elif line.startswith("2 "):
            if first is not None:
                halves = texts = 0
                yield (name[1] if name else ""), first, (number, line)
            else:
                alone((number, line), _HALF, "its line 1 before it")
            name = first = None
        else:
            if first is not None:
                alone(first, _HALF, "its line 2 next")
            elif name is not None:
                alone(name, "text outside a set", "lines 1 and 2 of a set after its name")
            first, name = None, (number, line[2:].strip() if line.startswith("0 ") else "" if line == "0" else line)
            if len(line) > _LONGEST_NAME_LINE or not is_plain(line):
                alone((number, line), "text outside a set", "a name, or lines that begin with 1 and 2")
                name = None
    if first is not None:
        alone(first, _HALF, "its line 2 before the file ends", "cut")
    elif name is not None:
        alone(name, "text outside a set", "lines 1 and 2 of a set after its name", "cut")


def _fields(line: str, which: str) -> tuple[str, ...]:
    """Return the fields of line "1" or "2" as text. Raises ElementsError that names the first wrong one."""
    match = _WHOLE[which].fullmatch(line)
    if match is None:
        raise _first_fault(line, which)
    if int(line[-1]) != (computed := checksum(line)):
        raise ElementsError(f"checksum of line {which}", field="checksum", got=line[-1], wanted=str(computed))
    return match.groups()


def _first_fault(line: str, which: str) -> ElementsError:
    """Return what is wrong with a line that does not match its columns."""
    if len(line) != LINE_LENGTH:
        got = Words(f"{len(line)} columns")
        return ElementsError(f"length of line {which}", field="length", got=got, wanted=str(LINE_LENGTH))
    columns = _COLUMNS[which]
    for column in columns:
        text = line[column.first - 1 : column.last]
        if column.name == "ephemeris type" and text.isdigit() and text not in "02":
            wanted = "a set for SGP4 (0, 2 or blank)"
            return ElementsError(f"ephemeris type of {line[2:7]}", field="ephemeris type", got=text, wanted=wanted)
        if re.fullmatch(column.pattern, text, re.ASCII) is None:
            where = f"column {column.first}" + (f" to {column.last}" if column.last > column.first else "")
            field = _FIELDS.get(column.name, column.name)
            what = f"{column.name} ({where} of line {which})"
            return ElementsError(what, field=field, got=text, wanted=column.wanted)
    named = {n for column in columns for n in range(column.first, column.last + 1)}
    stray = next(n for n in range(1, LINE_LENGTH + 1) if n not in named and line[n - 1] != " ")
    return ElementsError(f"column {stray} of line {which}", got=line[stray - 1], wanted="a blank between fields")


def _object(line_1: str, line_2: str, name: str) -> tuple[str, str]:
    """Return the number and name of the object that two lines seem to belong to, damaged as they may be."""
    for line in (line_1, line_2):
        # One that has lost or gained a character may have it anywhere.
        if re.fullmatch(r" *[0-9]+|[A-HJ-NP-Z][0-9]{4}", line[2:7], re.ASCII) and re.match(r".{7}[A-Z ]", line):
            return str(SatelliteId(line[2:7].lstrip())), name
    return "", name


def _first_line(line: str, name: str) -> dict[str, Any]:
    """Return what line 1 says, by the field names of `ElementSet`."""
    _, number, classification, designator, epoch, dot, ddot, bstar, _, set_number, _ = _fields(line, "1")
    return {
        "satellite_id": SatelliteId(number.lstrip()),
        "name": name,
        "classification": "U" if classification == " " else classification,
        "designator": _designator(designator),
        "epoch": parse_two_line_epoch(epoch),
        "mean_motion_dot": float(dot),
        "mean_motion_ddot": _power(ddot),
        "bstar": _power(bstar),
        "element_set_number": int(set_number),
    }


def _second_line(line: str, first: dict[str, Any]) -> ElementSet:
    """Return the element set of line 2 and of what line 1 said."""
    _, number, inclination, node, eccentricity, perigee, anomaly, motion, revolution, _ = _fields(line, "2")
    if SatelliteId(number.lstrip()) != first["satellite_id"]:
        wanted = f"{first['satellite_id']} as on line 1"
        raise ElementsError("catalogue number of line 2", field="satellite_id", got=number, wanted=wanted)
    return ElementSet(
        inclination_deg=float(inclination),
        node_deg=float(node),
        eccentricity=float("." + eccentricity),
        perigee_deg=float(perigee),
        mean_anomaly_deg=float(anomaly),
        mean_motion_rev_day=float(motion),
        revolution_at_epoch=int(revolution),
        **first,
    )


def _power(text: str) -> float:
    """Return the number of eight columns with assumed decimal point and power of ten: `` 65843-4`` is 0.65843e-4."""
    return float(f"{text[0]}.{text[1:6]}e{text[6:]}")


def _designator(text: str) -> str:
    """Return ``98067A  `` as ``1998-067A``, and blanks as nothing."""
    if text.isspace():
        return ""
    year = int(text[:2]) + (1900 if int(text[:2]) >= FIRST_YEAR % 100 else 2000)
    return f"{year}-{text[2:].rstrip()}"


# ---------------------------------------------------------------------------------------------------- writing

# How the columns of each number are read back.
_READ: dict[str, Callable[[str], float]] = {
    "inclination_deg": float,
    "node_deg": float,
    "perigee_deg": float,
    "mean_anomaly_deg": float,
    "mean_motion_rev_day": float,
    "eccentricity": lambda text: float("." + text),
    "mean_motion_dot": float,
    "mean_motion_ddot": _power,
    "bstar": _power,
}


def _columns_of(record: ElementSet) -> dict[str, str]:
    """Return the columns nearest to each number, by field."""
    angles = ("inclination_deg", "node_deg", "perigee_deg", "mean_anomaly_deg")
    columns = {field: f"{getattr(record, field):8.4f}" for field in angles}
    columns["mean_motion_rev_day"] = f"{record.mean_motion_rev_day:11.8f}"
    # An eccentricity below 1 must not round up to 1, nor a rate to more than its columns hold.
    columns["eccentricity"] = f"{min(record.eccentricity, 0.9999999):.7f}"[2:]
    dot = f"{min(abs(record.mean_motion_dot), 0.99999999):.8f}"
    columns["mean_motion_dot"] = ("-" if record.mean_motion_dot < 0 else " ") + dot[1:]
    columns["mean_motion_ddot"] = _power_columns(record.mean_motion_ddot)
    columns["bstar"] = _power_columns(record.bstar)
    return columns


def _power_columns(number: float) -> str:
    """Return a number as sign, five digits after an assumed point, and power of ten from -9 to +9.

    No field of an element set has a number that is too large for them.
    """
    value = Decimal(repr(number))
    if not value:
        return " 00000+0"
    power = max(value.adjusted() + 1, -9)
    digits = int(abs(value).scaleb(5 - power).quantize(Decimal(1), rounding=ROUND_HALF_EVEN))
    if digits == 100000:
        digits, power = 10000, power + 1
    return f"{'-' if value < 0 else ' '}{digits:05d}{power:+d}"


def _short_name(name: str) -> str:
    """Return a name that fits its line: what would end the line becomes a blank, and 24 characters are kept."""
    return "".join(c if is_plain(c) else " " for c in name).strip()[:LONGEST_NAME]


def _name_line(name: str) -> str:
    """Return the name line, empty where there is no name; with ``0 `` in front where it could be taken for another."""
    if not name:
        return ""
    return f"{'' if _PLAIN_NAME.fullmatch(name) else '0 '}{name}\n"


def _designator_columns(designator: str) -> str:
    """Return a designator as ``98067A  ``; blanks where there is none, or the columns cannot carry it."""
    match = re.fullmatch(r"(\d{4})-(\d{3}[A-Z]{0,3})", designator, re.ASCII)
    if match is None or not FIRST_YEAR <= int(match[1]) <= LAST_TWO_LINE_YEAR:
        return " " * 8
    return f"{match[1][2:]}{match[2]}".ljust(8)


def _does_not_fit(record: ElementSet, field: str, value: object, wanted: str) -> ElementsError:
    """Return the error of a value that two lines cannot carry at all."""
    return ElementsError(
        f"{field} of {record.label} does not fit a two-line set",
        field=field,
        got=value,
        wanted=wanted,
        try_next="writing .json, .csv, .xml or .kvn",
    )
