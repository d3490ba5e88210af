"""Two-line and three-line element sets: strict reading, exact writing.

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
    format_two_line_epoch,
    parse_two_line_epoch,
    rounded_to_two_line_epoch,
)
from passim.elements.identifiers import LARGEST_TWO_LINE_NUMBER, SatelliteId
from passim.elements.lines import Words, is_plain, text_lines
from passim.elements.read_log import ReadLog
from passim.elements.records import ElementSet, Fleet
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
    for name, (number_1, line_1), (number_2, line_2) in _sets(text, log):
        number = number_1
        try:
            first = _first_line(line_1, name)
            number = number_2
            records.append(_second_line(line_2, first))
        except ElementsError as error:
            log.refuse(f"line {number}", error)
    return records


def format_two_line(record: ElementSet) -> str:
    """Return the set as two lines, or three where it has a name, each with its line end.

    Raises ElementsError when the columns cannot carry a value exactly.
    """
    columns = _columns_of(record)
    for field, text in columns.items():
        value = getattr(record, field)
        if _READ[field](text) != value:
            raise _does_not_fit(record, field, value, f"what the columns {text.strip()!r} say")
    line_1 = (
        f"1 {_number_columns(record)}{record.classification} {_designator_columns(record)} {_epoch_columns(record)} "
        f"{columns['mean_motion_dot']} {columns['mean_motion_ddot']} {columns['bstar']} 0 "
        f"{_count_columns(record, 'element_set_number', 4)}"
    )
    line_2 = (
        f"2 {_number_columns(record)} {columns['inclination_deg']} {columns['node_deg']} {columns['eccentricity']} "
        f"{columns['perigee_deg']} {columns['mean_anomaly_deg']} {columns['mean_motion_rev_day']}"
        f"{_count_columns(record, 'revolution_at_epoch', 5)}"
    )
    return f"{_name_line(record)}{line_1}{checksum(line_1)}\n{line_2}{checksum(line_2)}\n"


def rounded_set(record: ElementSet) -> ElementSet:
    """Return the set with every number rounded to its columns and its name cut to 24 characters.

    The two counters keep their last digits, as they do in public sets. Raises ElementsError when a drag term is too
    large for its columns or a mean motion rounds to nothing.
    """
    numbers: dict[str, Any] = {field: _READ[field](text) for field, text in _columns_of(record).items()}
    return replace(
        record,
        name=record.name[:LONGEST_NAME],
        epoch=rounded_to_two_line_epoch(record.epoch),
        element_set_number=record.element_set_number % 10**4,
        revolution_at_epoch=record.revolution_at_epoch % 10**5,
        **numbers,
    )


def rounded_to_two_line(fleet: Fleet) -> Fleet:
    """Return the fleet with every number rounded to the columns of a two-line set, and names cut to 24 characters.

    The result can be written as .tle unless a catalogue number, a designator or a huge drag term cannot be.
    Rounding moves a satellite of a low orbit by at most 6 m an angle (half of 1e-4 deg), 0.5 m by its eccentricity,
    3 m by its epoch, and 0.2 m a day by its mean motion.
    Raises ElementsError when a number does not survive it, such as a mean motion that rounds to none.
    """
    return Fleet([rounded_set(record) for record in fleet.records], fleet.name, skipped=fleet.skipped)


# ---------------------------------------------------------------------------------------------------- reading


def _sets(text: str, log: ReadLog) -> Iterator[tuple[str, tuple[int, str], tuple[int, str]]]:
    """Yield name, numbered line 1 and numbered line 2 of each set; tell `log` of lines that belong to none."""
    name: tuple[int, str] | None = None
    first: tuple[int, str] | None = None

    def alone(line: tuple[int, str], what: str, wanted: str) -> None:
        log.refuse(f"line {line[0]}", ElementsError(what, got=line[1], wanted=wanted))

    for number, raw in enumerate(text_lines(text), start=1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        if line.startswith("1 "):
            if first is not None:
                alone(first, "half a set", "its line 2 next")
                name = None
            first = number, line
        elif line.startswith("2 "):
            if first is not None:
                yield (name[1] if name else ""), first, (number, line)
            else:
                alone((number, line), "half a set", "its line 1 before it")
            name = first = None
        else:
            if first is not None:
                alone(first, "half a set", "its line 2 next")
            elif name is not None:
                alone(name, "text outside a set", "lines 1 and 2 of a set after its name")
            first, name = None, (number, line[2:].strip() if line.startswith("0 ") else "" if line == "0" else line)
            if len(line) > _LONGEST_NAME_LINE or not is_plain(line):
                alone((number, line), "text outside a set", "a name, or lines that begin with 1 and 2")
                name = None
    if first is not None:
        alone(first, "half a set", "its line 2 before the file ends")
    elif name is not None:
        alone(name, "text outside a set", "lines 1 and 2 of a set after its name")


def _fields(line: str, which: str) -> tuple[str, ...]:
    """Return the fields of line "1" or "2" as text. Raises ElementsError that names the first wrong one."""
    match = _WHOLE[which].fullmatch(line)
    if match is None:
        raise _first_fault(line, which)
    if int(line[-1]) != (computed := checksum(line)):
        raise ElementsError(f"checksum of line {which}", got=line[-1], wanted=str(computed))
    return match.groups()


def _first_fault(line: str, which: str) -> ElementsError:
    """Return what is wrong with a line that does not match its columns."""
    if len(line) != LINE_LENGTH:
        return ElementsError(f"length of line {which}", got=Words(f"{len(line)} columns"), wanted=str(LINE_LENGTH))
    columns = _COLUMNS[which]
    for column in columns:
        text = line[column.first - 1 : column.last]
        if column.name == "ephemeris type" and text.isdigit() and text not in "02":
            return ElementsError(f"ephemeris type of {line[2:7]}", got=text, wanted="a set for SGP4 (0, 2 or blank)")
        if re.fullmatch(column.pattern, text, re.ASCII) is None:
            where = f"column {column.first}" + (f" to {column.last}" if column.last > column.first else "")
            return ElementsError(f"{column.name} ({where} of line {which})", got=text, wanted=column.wanted)
    named = {n for column in columns for n in range(column.first, column.last + 1)}
    stray = next(n for n in range(1, LINE_LENGTH + 1) if n not in named and line[n - 1] != " ")
    return ElementsError(f"column {stray} of line {which}", got=line[stray - 1], wanted="a blank between fields")


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
        raise ElementsError("catalogue number of line 2", got=number, wanted=wanted)
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
    """Return the columns nearest to each number, by field. Raises ElementsError when a number is too large."""
    angles = ("inclination_deg", "node_deg", "perigee_deg", "mean_anomaly_deg")
    columns = {field: f"{getattr(record, field):8.4f}" for field in angles}
    columns["mean_motion_rev_day"] = f"{record.mean_motion_rev_day:11.8f}"
    # An eccentricity below 1 must not round up to 1.
    columns["eccentricity"] = f"{min(record.eccentricity, 0.9999999):.7f}"[2:]
    dot = f"{abs(record.mean_motion_dot):.8f}"
    if not dot.startswith("0."):
        raise _does_not_fit(record, "mean_motion_dot", record.mean_motion_dot, "less than 1")
    columns["mean_motion_dot"] = ("-" if record.mean_motion_dot < 0 else " ") + dot[1:]
    columns["mean_motion_ddot"] = _power_columns(record, "mean_motion_ddot")
    columns["bstar"] = _power_columns(record, "bstar")
    return columns


def _power_columns(record: ElementSet, field: str) -> str:
    """Return a number as sign, five digits after an assumed point, and power of ten from -9 to +9."""
    value = Decimal(repr(getattr(record, field)))
    if not value:
        return " 00000+0"
    power = max(value.adjusted() + 1, -9)
    digits = int(abs(value).scaleb(5 - power).quantize(Decimal(1), rounding=ROUND_HALF_EVEN))
    if digits == 100000:
        digits, power = 10000, power + 1
    if power > 9:
        raise _does_not_fit(record, field, value, "less than 1e9")
    return f"{'-' if value < 0 else ' '}{digits:05d}{power:+d}"


def _name_line(record: ElementSet) -> str:
    """Return the name line, empty where there is no name; with ``0 `` in front where it could be taken for another."""
    if not record.name:
        return ""
    if len(record.name) > LONGEST_NAME:
        raise _does_not_fit(record, "name", record.name, f"at most {LONGEST_NAME} characters")
    if not is_plain(record.name):
        raise _does_not_fit(record, "name", record.name, "no line ends or control characters", rounding_helps=False)
    return f"{'' if _PLAIN_NAME.fullmatch(record.name) else '0 '}{record.name}\n"


def _number_columns(record: ElementSet) -> str:
    if record.satellite_id.number > LARGEST_TWO_LINE_NUMBER:
        wanted = f"at most {LARGEST_TWO_LINE_NUMBER}"
        raise _does_not_fit(record, "satellite_id", str(record.satellite_id), wanted, rounding_helps=False)
    return record.satellite_id.five_columns()


def _designator_columns(record: ElementSet) -> str:
    if not record.designator:
        return " " * 8
    match = re.fullmatch(r"(\d{4})-(\d{3}[A-Z]{0,3})", record.designator, re.ASCII)
    if match is None or not FIRST_YEAR <= int(match[1]) <= LAST_TWO_LINE_YEAR:
        wanted = f"YYYY-NNNPPP of {FIRST_YEAR} to {LAST_TWO_LINE_YEAR}, or none"
        raise _does_not_fit(record, "designator", record.designator, wanted, rounding_helps=False)
    return f"{match[1][2:]}{match[2]}".ljust(8)


def _epoch_columns(record: ElementSet) -> str:
    try:
        return format_two_line_epoch(record.epoch)
    except ElementsError as error:
        raise _does_not_fit(record, "epoch", error.got, error.wanted) from None


def _count_columns(record: ElementSet, field: str, width: int) -> str:
    value = getattr(record, field)
    if value >= 10**width:
        raise _does_not_fit(record, field, value, f"at most {width} digits")
    return f"{value:{width}d}"


def _does_not_fit(
    record: ElementSet, field: str, value: object, wanted: str, *, rounding_helps: bool = True
) -> ElementsError:
    """Return the error of a value that two-line columns cannot carry exactly."""
    return ElementsError(
        f"{field} of {record.label} does not fit a two-line set",
        got=value,
        wanted=wanted,
        try_next="writing .json" + (", or rounded_to_two_line(fleet)" if rounding_helps else ""),
    )
