"""Orbit mean-elements messages as JSON, CSV and KVN text, one or many, in and out.

Each reader takes text and a `ReadLog` for bad records; each writer returns text. Floats are written with all their
digits, so that reading them back gives the same number. JSON carries any name; CSV and KVN refuse control
characters and line ends; KVN carries ASCII only, lines of at most 254 characters (CCSDS 502.0-B-3, recalled).
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from passim.elements.lines import Words, is_plain, text_lines
from passim.elements.omm import UNITS, KeywordError, check_units, element_set_of, message_of
from passim.elements.read_log import ReadLog
from passim.elements.records import ElementSet
from passim.errors import ElementsError

ORIGINATOR = "PASSIM"
VERSION = "3.0"

_LONGEST_KVN_LINE = 254
_LONGEST_CSV_LINE = 65_536
# The standard knows fewer than a hundred keywords.
_MOST_KVN_LINES = 1000
_KVN_LINE = re.compile(r"([A-Z][A-Z0-9_]*)\s*=\s*(.*)", re.ASCII | re.IGNORECASE)
_KVN_MARKS = {"META_START", "META_STOP", "DATA_START", "DATA_STOP"}


# ---------------------------------------------------------------------------------------------------- JSON

_JSON_KINDS: Mapping[type, str] = {
    list: "an array",
    str: "text",
    bool: "a truth value",
    int: "a number",
    float: "a number",
}


# A message is a flat object of some 500 characters.
_USUAL_OBJECT = 4096
_LONGEST_OBJECT = 65_536
_BLANKS = re.compile(r"[ \t\n\r]*")


class _Twice(dict[str, object]):
    """An object of a JSON file that gives one key twice; ``key`` says which."""

    key = ""


def read_json(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of a JSON object or an array of objects, in order.

    An object that gives one key twice is a bad record: it contradicts itself. Raises ElementsError when the text is
    no JSON; a lenient log keeps the whole records before the damage.
    """
    decoder = json.JSONDecoder(object_pairs_hook=_object, parse_constant=float)
    records: list[ElementSet] = []
    number = 0
    try:
        for number, message in enumerate(_messages(decoder, text, lenient=log.lenient), start=1):
            try:
                records.append(_record(message))
            except ElementsError as error:
                log.refuse(f"record {number}", error)
    except (ValueError, RecursionError) as error:
        damage = _json_damage(error, text)
        # Damage to the document as a whole is told before that of a record in it.
        if not log.lenient or not number:
            raise log.refuse_file(damage) from None
        log.refuse(f"after record {number}", damage)
    return records


def _messages(decoder: json.JSONDecoder, text: str, *, lenient: bool) -> Iterator[object]:
    """Yield the objects of a JSON array, or a single one, each as it is come to.

    A whole document in Python's objects costs up to 27 times its text. Raises JSONDecodeError, RecursionError and
    ValueError where it is none.
    """
    at = _past_blanks(text, 0)
    if text[at : at + 1] != "[":
        message, at = _decoded(decoder, text, at)
        more = _past_blanks(text, at)
        if more < len(text) and not lenient:
            raise json.JSONDecodeError("more text after the JSON document", text, more)
        yield message
        # Objects one after the other are no document, but what they say is plain.
        while text.startswith("{", more):
            message, at = _decoded(decoder, text, more)
            more = _past_blanks(text, at)
            yield message
    else:
        at = _past_blanks(text, at + 1)
        if text[at : at + 1] == "]":
            at += 1
        else:
            while True:
                message, at = _decoded(decoder, text, at)
                yield message
                at = _past_blanks(text, at)
                mark = text[at : at + 1]
                if mark not in (",", "]") or not mark:
                    raise json.JSONDecodeError("Expecting ',' delimiter", text, at)
                at = _past_blanks(text, at + 1) if mark == "," else at + 1
                if mark == "]":
                    break
    at = _past_blanks(text, at)
    if at < len(text):
        raise json.JSONDecodeError("more text after the JSON document", text, at)


def _decoded(decoder: json.JSONDecoder, text: str, at: int) -> tuple[object, int]:
    """Return the value that begins at `at`, and where it ends. No more than the longest record is looked at."""
    for longest in (_USUAL_OBJECT, _LONGEST_OBJECT):
        piece = text[at : at + longest]
        try:
            message, end = decoder.raw_decode(piece)
        except json.JSONDecodeError as error:
            if at + longest >= len(text) or longest == _LONGEST_OBJECT:
                raise json.JSONDecodeError(error.msg, text, at + error.pos) from None
        else:
            return message, at + end
    raise AssertionError("unreachable")


def _past_blanks(text: str, at: int) -> int:
    match = _BLANKS.match(text, at)
    return match.end() if match else at


def _record(message: object) -> ElementSet:
    if not isinstance(message, dict):
        got = Words(_JSON_KINDS.get(type(message), "no object"))
        raise ElementsError("record", got=got, wanted="a JSON object of OMM keywords")
    if isinstance(message, _Twice):
        raise KeywordError(message.key, got=Words("the key twice"), wanted="each key once")
    return element_set_of(message)


def write_json(records: Iterable[ElementSet]) -> str:
    """Return a JSON array with one object a line."""
    rows = (json.dumps(message_of(record), ensure_ascii=False, allow_nan=False) for record in records)
    return "[\n" + ",\n".join(rows) + "\n]\n"


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    twice = _Twice(found)
    seen: set[str] = set()
    for key, _ in pairs:
        if key in seen:
            twice.key = key
            break
        seen.add(key)
    return twice


def _json_damage(error: Exception, text: str) -> ElementsError:
    """Return what is wrong with a text that is no JSON."""
    if isinstance(error, json.JSONDecodeError):
        where = f"JSON at line {error.lineno}, column {error.colno}"
        got = text[error.pos : error.pos + 40] or Words("the end of the file")
        return ElementsError(where, got=got, wanted="a whole JSON document", try_next="fetching the file again")
    return ElementsError("JSON", got=Words("a document nested too deeply or with endless digits"), wanted="OMM records")


# ---------------------------------------------------------------------------------------------------- CSV


def read_csv(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of a CSV text whose first row names the keywords. Raises ElementsError."""
    rows = csv.reader(_csv_lines(text), strict=True)
    records: list[ElementSet] = []
    header: list[str] = []
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if not header:
                header = [cell.strip() for cell in row]
                _check_header(header, log)
                continue
            try:
                if len(row) != len(header):
                    raise ElementsError("row", got=Words(f"{len(row)} cells"), wanted=f"{len(header)} as in the header")
                records.append(element_set_of(dict(zip(header, row, strict=True))))
            except ElementsError as error:
                log.refuse(f"line {rows.line_num}", error)
    except csv.Error as error:
        # The reader has lost its place: the rows before the damage stand, the rest cannot be told apart.
        log.refuse(f"line {rows.line_num}", ElementsError("CSV", got=Words(error), wanted="closed quotes and commas"))
    return records


def _csv_lines(text: str) -> Iterator[str]:
    """Yield the lines of a text with their ends, one after the other. Raises csv.Error for one that is too long."""
    at = 0
    while at < len(text):
        end = text.find("\n", at) + 1 or len(text)
        if end - at > _LONGEST_CSV_LINE:
            raise csv.Error(f"a line of more than {_LONGEST_CSV_LINE} characters")
        yield text[at:end]
        at = end


def write_csv(records: Iterable[ElementSet]) -> str:
    """Return a CSV text with a header row. Raises ElementsError for names with control characters or line ends."""
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\n")
    for index, record in enumerate(records):
        message = message_of(record)
        if index == 0:
            rows.writerow(message)
        check_text(record, "CSV")
        rows.writerow(repr(value) if isinstance(value, float) else value for value in message.values())
    return out.getvalue()


def _check_header(header: list[str], log: ReadLog) -> None:
    """Raise ElementsError when a column has no or another's name, or a required one is missing."""
    twice = next((cell for cell, times in Counter(header).items() if times > 1), None)
    missing = next((keyword for keyword in ("NORAD_CAT_ID", "EPOCH") if keyword not in header), None)
    if twice is not None:
        raise log.refuse_file(ElementsError("CSV header", got=Words(f"{twice} twice"), wanted="each column once"))
    if missing is not None:
        raise log.refuse_file(ElementsError("CSV header", got=", ".join(header), wanted=f"a column {missing}"))


# ---------------------------------------------------------------------------------------------------- KVN


def read_kvn(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of one KVN message or of many, one after the other. Raises ElementsError."""
    records: list[ElementSet] = []
    for started, lines in _kvn_messages(text, log):
        place = started
        numbers = {}
        message: dict[str, object] = {}
        try:
            for place, line in lines:
                match = _KVN_LINE.fullmatch(line)
                if match is None:
                    raise ElementsError("KVN line", got=line, wanted="KEYWORD = value")
                keyword, value = match[1], match[2]
                if keyword in message:
                    raise KeywordError(keyword, got=Words("the keyword twice"), wanted="each keyword once a message")
                if keyword in UNITS and value.endswith("]"):
                    value, _, units = value[:-1].rpartition("[")
                    check_units(keyword, units)
                message[keyword], numbers[keyword] = value, place
            place = started
            records.append(element_set_of(message))
        except ElementsError as error:
            if isinstance(error, KeywordError):
                place = numbers.get(error.keyword, place)
            log.refuse(f"line {place}", error)
    return records


def write_kvn(records: Iterable[ElementSet], created: datetime) -> str:
    """Return one KVN message a set. Raises ElementsError for names that KVN cannot carry."""
    parts = []
    for record in records:
        check_text(record, "KVN", longest=_LONGEST_KVN_LINE - len("OBJECT_NAME = "))
        parts.append(f"CCSDS_OMM_VERS = {VERSION}")
        parts.append(f"CREATION_DATE = {created:%Y-%m-%dT%H:%M:%S}")
        parts.append(f"ORIGINATOR = {ORIGINATOR}\n")
        parts += [f"{key} = {written(key, value)}" for key, value in message_of(record).items()]
        parts.append("")
    return "\n".join(parts)


def _kvn_messages(text: str, log: ReadLog) -> Iterable[tuple[int, list[tuple[int, str]]]]:
    """Yield the line number where each message starts, and its numbered lines without comments and blanks."""
    started, lines = 0, list[tuple[int, str]]()
    for number, raw in enumerate(text_lines(text), start=1):
        line = raw.strip()
        if not line or line == "COMMENT" or line.startswith("COMMENT ") or line in _KVN_MARKS:
            continue
        if line.startswith("CCSDS_"):
            if started:
                yield started, lines
            started, lines = number, []
            if re.fullmatch(r"CCSDS_OMM_VERS\s*=\s*[123]\.\d", line, re.ASCII) is None:
                wanted = "CCSDS_OMM_VERS = 2.0 or 3.0"
                log.refuse(f"line {number}", ElementsError("message", got=line, wanted=wanted))
                # In a lenient reading the lines of this message belong to nobody.
                started = 0
        elif started:
            if len(lines) < _MOST_KVN_LINES:
                lines.append((number, line))
        elif not log.skipped:
            wanted = "CCSDS_OMM_VERS = 3.0 before the first keyword"
            log.refuse(f"line {number}", ElementsError("message", got=line, wanted=wanted))
    if started:
        yield started, lines


# ---------------------------------------------------------------------------------------------------- text out


def written(keyword: str, value: str | int | float) -> str:
    """Return a value as KVN and XML print it: floats with all their digits, UNKNOWN for no name or designator."""
    if value == "" and keyword in ("OBJECT_NAME", "OBJECT_ID"):
        return "UNKNOWN"
    return repr(value) if isinstance(value, float) else str(value)


def check_text(record: ElementSet, form: str, *, longest: int | None = None) -> None:
    """Raise ElementsError when a text format cannot carry the name or designator of `record` exactly.

    `longest` bounds their length and, where given, asks for ASCII.
    """
    for field in ("name", "designator"):
        text = getattr(record, field)
        what = f"{field} of {record.label} does not fit {form}"
        if not is_plain(text):
            raise ElementsError(what, got=text, wanted="no line ends or control characters", try_next="writing .json")
        if longest is not None and not (text.isascii() and len(text) <= longest):
            wanted = f"at most {longest} ASCII characters"
            raise ElementsError(what, got=text, wanted=wanted, try_next="writing .json")
