"""Orbit mean-elements messages as JSON, CSV and KVN text, one or many, in and out.

Each reader takes text and a `ReadLog` for bad records; each writer returns text. Floats are written with all their
digits, so that reading them back gives the same number. JSON carries any name; CSV and KVN refuse control
characters and line ends; KVN carries ASCII only, lines of at most 254 characters (CCSDS 502.0-B-3, 7.3).
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from passim.elements.lines import Words, is_plain, text_lines
from passim.elements.omm import UNITS, KeywordError, check_units, element_set_of, element_sets_of, message_of, object_of
from passim.elements.read_log import FETCH_AGAIN, Kind, ReadLog, Skipped
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
_LEAST_OBJECT = 100
_USUAL_OBJECT = 4096
_LONGEST_OBJECT = 65_536
# So much of an array is decoded at once where nothing is wrong with it.
_AT_ONCE = 65_536
# One in a hundred of as many sets as there may be.
_MOST_FAULTS = 3000
_BLANKS = re.compile(r"[ \t\n\r]*")
_OWN_NUMBER = re.compile(r'"NORAD_CAT_ID"\s*:\s*"?([0-9]{1,9})')
_OWN_NAME = re.compile(r'"OBJECT_NAME"\s*:\s*"([^"\\]{1,100})"')


class _Twice(dict[str, object]):
    """An object of a JSON file that gives one key twice; ``key`` says which."""

    key = ""


@dataclass(frozen=True, slots=True)
class _NoJson:
    """Text that begins at ``start`` and is no JSON: the fault stands at ``at``, or is told in ``words``."""

    start: int
    at: int
    words: str = ""


def read_json(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of a JSON object or an array of objects, in order.

    An object that gives one key twice is a bad record: it contradicts itself. Raises ElementsError when the text is
    no JSON. A lenient log loses only the record that is damaged, because a message is a flat object, so that the
    next brace begins the next; it notes an array that is never closed.
    """
    records: list[ElementSet] = []
    number = faults = 0
    for found in _messages(text, lenient=log.lenient):
        if isinstance(found, _NoJson):
            # Damage to the document as a whole is told before that of a record in it.
            if not log.lenient or (not number and text.find("{", found.start + 1) < 0):
                raise log.refuse_file(_json_damage(found, text))
            faults += 1
            if faults > _MOST_FAULTS:
                got = Words(f"more than {_MOST_FAULTS:,} faults")
                raise log.refuse_file(ElementsError("JSON", got=got, wanted="OMM records", try_next=FETCH_AGAIN))
            number += _pass_over(found, text, number, log)
            continue
        if len(found) > 1 and (sets := element_sets_of(found)) is not None:
            records += sets
            number += len(sets)
            continue
        for message in found:
            number += 1
            try:
                records.append(element_set_of(message) if type(message) is dict else _unusual_record(message))
            except ElementsError as error:
                log.refuse(f"record {number}", error, of=object_of(message) if isinstance(message, dict) else ("", ""))
    return records


def _unusual_record(message: object) -> ElementSet:
    """Raise ElementsError for a value that is no object of keywords, each given once."""
    if isinstance(message, _Twice):
        raise KeywordError(message.key, got=Words("the key twice"), wanted="each key once")
    got = Words(_JSON_KINDS.get(type(message), "no object"))
    raise ElementsError("record", got=got, wanted="a JSON object of OMM keywords")


def _messages(text: str, *, lenient: bool) -> Iterator[list[Any] | _NoJson]:
    """Yield the objects of a JSON array, or a single one, some at a time, and `_NoJson` for what is none.

    A whole document in Python's objects costs up to 27 times its text, so it is decoded in pieces. Where `lenient` is
    true reading goes on at the next brace after a fault, and objects may stand one after the other without an array.
    """
    decoder = json.JSONDecoder(object_pairs_hook=_object, parse_constant=float)
    at = _past_blanks(text, 0)
    if array := text.startswith("[", at):
        at = _past_blanks(text, at + 1)
    mark = "]" if text.startswith("]", at) and array else ""
    looked_at = at
    while True:
        if mark != "]":
            found: tuple[list[Any], int] | _NoJson | None = None
            if array and at >= looked_at:
                found = _decoded_at_once(text, at)
                # Where one is unusual, the whole piece is come to one by one.
                looked_at = at if found else at + _AT_ONCE
            if found is None:
                found = _decoded(decoder, text, at)
            if isinstance(found, _NoJson):
                yield found
                at = text.find("{", at + 1)
                if at < 0:
                    return
                continue
            messages, at = found
            at = _past_blanks(text, at)
            if array or lenient or at >= len(text):
                yield messages
            mark = text[at : at + 1]
        if array and mark == ",":
            at = _past_blanks(text, at + 1)
            continue
        if array and mark == "]":
            at = _past_blanks(text, at + 1)
        if at >= len(text) and (mark == "]" or not array):
            return
        if array or not lenient or mark != "{":
            yield _NoJson(at, at)
            at = text.find("{", at)
            if at < 0:
                return
        mark = ""


def _decoded_at_once(text: str, at: int) -> tuple[list[Any], int] | None:
    """Return the objects of an array from `at` on, as many as fit, and where the last ends; None where one is unusual.

    Unusual is what is no JSON, no object, not flat, has a colon anywhere but in its epoch, or gives a key twice.
    """
    end = text.rfind("}", at, at + _AT_ONCE) + 1
    piece = text[at:end]
    # Its nine required keywords alone take more: what is smaller is no message, and thousands of such take much memory.
    if piece.count("{") * _LEAST_OBJECT > len(piece):
        return None
    try:
        messages = json.loads(f"[{piece}]")
        # Every key has a colon behind it; of one that stands twice in an object only the last is left.
        colons = sum(map(len, messages)) + sum([message["EPOCH"].count(":") for message in messages])
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    return (messages, end) if messages and piece.count(":") == colons else None


def _decoded(decoder: json.JSONDecoder, text: str, at: int) -> tuple[list[Any], int] | _NoJson:
    """Return the value that begins at `at`, and where it ends. No more than the longest record is looked at."""
    for longest in (_USUAL_OBJECT, _LONGEST_OBJECT):
        try:
            message, end = decoder.raw_decode(text[at : at + longest])
        except json.JSONDecodeError as error:
            if at + longest >= len(text) or longest == _LONGEST_OBJECT:
                return _NoJson(at, at + error.pos)
        except (ValueError, RecursionError):
            return _NoJson(at, at, "a document nested too deeply or with endless digits")
        else:
            return [message], at + end
    raise AssertionError("unreachable")


def _pass_over(damage: _NoJson, text: str, number: int, log: ReadLog) -> int:
    """Tell the log of damage after the record of this number, and return how many records are lost by it."""
    begins = damage.start + (damage.at > damage.start or bool(damage.words))
    after = text.find("{", begins)
    piece = text[damage.start : after if after >= 0 else len(text)]
    lost = int('"' in piece or "{" in piece)
    # Where no other object follows, a document that is not closed is one that was cut.
    kind: Kind = "cut" if after < 0 and not text.rstrip().endswith("]") else "record" if lost else "text"
    if log.full:
        log.note(Skipped(kind=kind, file=log.source, what="", records=lost))
        return lost
    known = [found[1] if (found := own.search(piece)) else "" for own in (_OWN_NUMBER, _OWN_NAME)]
    place = f"record {number + 1}" if kind == "record" else f"after record {number}"
    log.refuse(place, _json_damage(damage, text), of=(known[0], known[1]), kind=kind, records=lost)
    return lost


def _past_blanks(text: str, at: int) -> int:
    match = _BLANKS.match(text, at)
    return match.end() if match else at


def write_json(records: Iterable[ElementSet]) -> str:
    """Return a JSON array with one object a line."""
    messages = map(message_of, records)
    # A number is a number or is not there.
    flat = ({key: value for key, value in m.items() if value != "" or key != "NORAD_CAT_ID"} for m in messages)
    rows = (json.dumps(message, ensure_ascii=False, allow_nan=False) for message in flat)
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


def _json_damage(damage: _NoJson, text: str) -> ElementsError:
    """Return what is wrong with a text that is no JSON."""
    if damage.words:
        return ElementsError("JSON", got=Words(damage.words), wanted="OMM records")
    line, start = text.count("\n", 0, damage.at) + 1, text.rfind("\n", 0, damage.at)
    got = text[damage.at : damage.at + 40] or Words("the end of the file")
    where = f"JSON at line {line}, column {damage.at - start}"
    return ElementsError(where, got=got, wanted="a whole JSON document", try_next=FETCH_AGAIN)


# ---------------------------------------------------------------------------------------------------- CSV


def read_csv(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of a CSV text whose first row names the keywords, a line a row. Raises ElementsError.

    A last row without a line end is noted: where it has all its cells the last may still be cut.
    """
    records: list[ElementSet] = []
    header: list[str] = []
    lines = _line_count(text)
    doubtful = checked = False
    for number, line in enumerate(text_lines(text), start=1):
        if not line.strip(", \t"):
            continue
        message: dict[str, object] = {}
        if header and not checked:
            checked = True
            _check_header(header, log)
        try:
            cells = _cells(line)
            if not header:
                header = [cell.strip() for cell in cells]
                continue
            message = dict(zip(header, cells, strict=False))
            if len(cells) != len(header):
                raise ElementsError("row", got=Words(f"{len(cells)} cells"), wanted=f"{len(header)} as in the header")
            records.append(element_set_of(message))
        except ElementsError as error:
            # After the last line end stands the last line.
            cut = number == lines and len(message) < len(header)
            log.refuse(f"line {number}", error, of=object_of(message), kind="cut" if cut else "record")
            doubtful = False
        else:
            doubtful = number == lines
    if header and not checked:
        _check_header(header, log)
    if doubtful:
        log.doubt_end(f"line {number}", cells[-1], "a line end after the last row", object_of(message))
    return records


def _line_count(text: str) -> int:
    """Return how many lines a text has, counting what stands after the last line end."""
    return text.count("\n") + text.count("\r") - text.count("\r\n") + 1


def _cells(line: str) -> list[str]:
    """Return the cells of one row. Raises ElementsError for one that is too long or has a quote never closed."""
    if len(line) > _LONGEST_CSV_LINE:
        got = Words(f"a line of more than {_LONGEST_CSV_LINE} characters")
        raise ElementsError("CSV", got=got, wanted="closed quotes and commas")
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error as error:
        raise ElementsError("CSV", got=Words(error), wanted="closed quotes and commas") from None


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
    if twice is not None:
        raise log.refuse_file(ElementsError("CSV header", got=Words(f"{twice} twice"), wanted="each column once"))
    for either in (("NORAD_CAT_ID", "OBJECT_ID"), ("EPOCH",)):
        if not any(keyword in header for keyword in either):
            wanted = f"a column {' or '.join(either)}"
            raise log.refuse_file(ElementsError("CSV header", got=", ".join(header), wanted=wanted))


# ---------------------------------------------------------------------------------------------------- KVN


def read_kvn(text: str, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of one KVN message or of many, one after the other. Raises ElementsError."""
    records: list[ElementSet] = []
    usual: set[str] = set()
    last = _line_count(text) if text[-1:] not in ("\n", "\r") else 0
    begins = text.count("\n", 0, max(text.rfind("CCSDS_OMM_VERS"), 0)) + 1
    for started, lines in _kvn_messages(text, log):
        place = started
        numbers: dict[str, int] = {}
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
            # The last message of a file that ends within a line, or short of what the others have, was cut.
            cut = started == begins and (any(line == last for line, _ in lines[-1:]) or message.keys() < usual)
            found = [match for _, line in lines if (match := _KVN_LINE.fullmatch(line))]
            of = object_of({match[1]: match[2] for match in found})
            log.refuse(f"line {place}", error, of=of, kind="cut" if cut else "record")
        else:
            if started == begins and lines and (lines[-1][0] == last or message.keys() < usual):
                wanted = "a line end after it" if lines[-1][0] == last else "the keywords of the message before it too"
                log.doubt_end(f"line {lines[-1][0]}", lines[-1][1], wanted, object_of(message))
        usual = set(message)
    return records


def write_kvn(records: Iterable[ElementSet], created: datetime) -> str:
    """Return one KVN message a set. Raises ElementsError for names that KVN cannot carry.

    KVN has no empty value: an object without a name is called UNKNOWN, and a keyword that is optional is left out.
    """
    parts = []
    for record in records:
        check_text(record, "KVN", longest=_LONGEST_KVN_LINE - len("OBJECT_NAME = "))
        parts.append(f"CCSDS_OMM_VERS = {VERSION}")
        parts.append(f"CREATION_DATE = {created:%Y-%m-%dT%H:%M:%S}")
        parts.append(f"ORIGINATOR = {ORIGINATOR}\n")
        values = ((key, written(key, value)) for key, value in message_of(record).items())
        parts += [f"{key} = {value}" for key, value in values if value]
        parts.append("")
    return "\n".join(parts)


def _kvn_messages(text: str, log: ReadLog) -> Iterator[tuple[int, list[tuple[int, str]]]]:
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
    """Return a value as KVN and XML print it: floats with all their digits, UNKNOWN for no name or designator.

    A mantissa has its point (502.0-B-3, 7.5.7). The 16 digits that the standard allows do not tell every number of
    double precision apart: where one takes 17 it is given all of them, and read back equal.
    """
    if value == "" and keyword in ("OBJECT_NAME", "OBJECT_ID"):
        return "UNKNOWN"
    if not isinstance(value, float):
        return str(value)
    mantissa, mark, exponent = repr(value).partition("e")
    return f"{mantissa}.0{mark}{exponent}" if mark and "." not in mantissa else repr(value)


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
