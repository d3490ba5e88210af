"""From the bytes of one file to a fleet: what form it has is told by its content, never by its name."""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections.abc import Callable
from dataclasses import replace

from passim.elements.identifiers import SatelliteId
from passim.elements.lines import Words, text_lines
from passim.elements.omm_text import read_csv, read_json, read_kvn
from passim.elements.read_log import FETCH_AGAIN, ReadLog
from passim.elements.records import ElementSet, Fleet
from passim.elements.two_line import read_two_line
from passim.errors import ElementsError

# The public catalogue is about 30 MB as JSON. A fleet costs a few times the text of its file while it is read, and a
# command holds several copies of it: so far as this, and no farther.
LARGEST_BYTES = 128 * 2**20
MOST_SETS = 300_000
# A regular pattern of 3600 satellites packs 16 to 1 as CSV, 47 as JSON and 80 as XML (measured); real sets pack less.
_MOST_UNPACKED = 100
_SMALL_BYTES = 8 * 2**20
# KVN takes most lines a set, 25.
_MOST_LINES = 25 * MOST_SETS

_GZIP_MAGIC = b"\x1f\x8b"
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_OTHER_ARCHIVES = {b"PK\x03\x04": "a ZIP archive", b"BZh": "a bzip2 file", b"\xfd7zXZ": "an xz file"}
_WANTED = "two-line sets or OMM as JSON, CSV, XML or KVN"
_JSON_START = re.compile(r"\s*[{\[]")
_KVN_START = re.compile(r"(?:CCSDS_[A-Z]+_VERS|[A-Z][A-Z0-9_]{2,}) *=", re.ASCII)
_HTML_START = re.compile(
    r"(<\?xml[^>]*>\s*)?(<!--(?:(?!-->).)*-->\s*)*<(!doctype\s+html|html|head|body)\b", re.ASCII | re.DOTALL
)
_NOTHING_FOUND = re.compile(r"no (?:\w+ )?data (?:was |were )?found\b", re.ASCII | re.IGNORECASE)
_SET_START = re.compile(r"(?:^|[\r\n])[ \t]*[12] ", re.ASCII)


def parse_elements(
    data: bytes, source: str = "elements", *, lenient: bool | float = False, name: str = "fleet"
) -> Fleet:
    """Return the fleet in the bytes of one element file; gzip is unpacked. `source` names it in messages.

    Raises ElementsError that says where and what: at the first bad record, or where `lenient` is true only when no
    record is left; the records left out then stand in ``fleet.skipped``. A number between says how large a share of
    the records may be damaged, such as `TOLERATED_SHARE`.
    """
    log = ReadLog(source, lenient=lenient)
    records = _records(_unpacked(data, log), log)
    if len(records) > MOST_SETS:
        raise log.refuse_file(
            ElementsError(
                "number of element sets",
                got=Words(f"{len(records):,}"),
                wanted=f"at most {MOST_SETS:,}",
                try_next="splitting the file by fleet",
            )
        )
    if not records:
        if log.skipped:
            first = str(log.skipped[0]).removeprefix(f"{log.source}, ")
            got = Words(f"{len(log.skipped) + log.more} bad, the first {first}")
            raise log.refuse_file(ElementsError("no usable record", got=got, wanted="at least one element set"))
        raise log.refuse_file(ElementsError("no element sets", got=Words("none"), wanted=_WANTED, try_next=FETCH_AGAIN))
    log.judge(len(records))
    return Fleet(numbered(records), name, skipped=log.entries())


def numbered(records: list[ElementSet]) -> list[ElementSet]:
    """Return the sets, where one without a catalogue number has that of its designator if another set tells it.

    Two sets of one object must not count as two objects because one message left the number out.
    """
    if all(record.satellite_id.isdigit() for record in records):
        return records
    numbers: dict[str, set[SatelliteId]] = {}
    for record in records:
        if record.satellite_id.isdigit():
            numbers.setdefault(record.designator, set()).add(record.satellite_id)
    known = {designator: next(iter(found)) for designator, found in numbers.items() if len(found) == 1}
    return [
        replace(record, satellite_id=known.get(record.designator, record.satellite_id))
        if not record.satellite_id.isdigit()
        else record
        for record in records
    ]


def _records(data: bytes, log: ReadLog) -> list[ElementSet]:
    """Return the records of unpacked bytes, read in the form that their content shows."""
    if not data or data.isspace():
        raise log.refuse_file(
            ElementsError("empty file", got=Words(f"{len(data):,} bytes"), wanted=_WANTED, try_next=FETCH_AGAIN)
        )
    # XML says itself how it is encoded, so its reader takes the bytes.
    head = _text_of(data[:4096], strict=False).lstrip("\ufeff \t\r\n").lower()
    if head.startswith("<"):
        if _HTML_START.match(head):
            got = Words("an HTML page")
            raise log.refuse_file(ElementsError("file", got=got, wanted=_WANTED, try_next="the address of the data"))
        # XML is read by a parser that others need not load.
        from passim.elements.omm_xml import read_xml

        return read_xml(data.lstrip(), log)
    return _reader_of(text := _text(data, log), log)(text, log)


def _reader_of(text: str, log: ReadLog) -> Callable[[str, ReadLog], list[ElementSet]]:
    """Return the reader for the form that `text` shows. Raises ElementsError when it shows none."""
    if _JSON_START.match(text):
        return read_json
    lines = (line.strip() for line in text_lines(text[:65536]))
    content = [line for line in lines if line and not line.startswith(("#", "COMMENT "))]
    top = content[0] if content else ""
    if _KVN_START.match(top):
        return read_kvn
    keywords = {cell.strip(' "') for cell in top.split(",")}
    if len(keywords & {"NORAD_CAT_ID", "EPOCH", "OBJECT_NAME", "MEAN_MOTION", "ECCENTRICITY"}) >= 2:
        return read_csv
    if _SET_START.search(text):
        return read_two_line
    # Providers answer a query that found nothing with a sentence, in place of a file.
    if _NOTHING_FOUND.match(top):
        raise log.refuse_file(
            ElementsError(
                "no element sets: the query matched nothing",
                got=top,
                wanted=_WANTED,
                try_next="checking its name or number",
            )
        )
    got = top or Words("comments only")
    raise log.refuse_file(ElementsError("no element sets", got=got, wanted=_WANTED, try_next=FETCH_AGAIN))


def _unpacked(data: bytes, log: ReadLog) -> bytes:
    """Return gzip content unpacked, other content as it is. Raises ElementsError for damage, size and archives."""
    for magic, words in _OTHER_ARCHIVES.items():
        if data.startswith(magic):
            raise log.refuse_file(ElementsError("file", got=Words(words), wanted=_WANTED, try_next="unpacking it"))
    if data.startswith(_GZIP_MAGIC):
        try:
            # No more is ever unpacked than would be read.
            most = min(LARGEST_BYTES, max(_SMALL_BYTES, _MOST_UNPACKED * len(data)))
            with gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
                unpacked = packed.read(most + 1)
            if most < len(unpacked) <= LARGEST_BYTES:
                raise log.refuse_file(
                    ElementsError(
                        "gzip",
                        got=Words(f"{len(data):,} bytes that unpack to more than {_MOST_UNPACKED} times as many"),
                        wanted=_WANTED,
                        try_next=FETCH_AGAIN,
                    )
                )
            data = unpacked
        except (OSError, EOFError, zlib.error) as error:
            damage = ElementsError("gzip", got=Words(error), wanted="a whole gzip file", try_next=FETCH_AGAIN)
            raise log.refuse_file(damage) from None
        if data.startswith(_GZIP_MAGIC):
            got = Words("gzip inside gzip")
            raise log.refuse_file(ElementsError("file", got=got, wanted=_WANTED, try_next="unpacking it once"))
    if len(data) > LARGEST_BYTES:
        wanted = f"at most {LARGEST_BYTES // 2**20} MiB"
        raise log.refuse_file(ElementsError("size", got=Words("more"), wanted=wanted, try_next="splitting the file"))
    return data


def _text(data: bytes, log: ReadLog) -> str:
    """Return the text of bytes: UTF-8, or UTF-16 with its mark.

    Other bytes stop a strict reading; a lenient one puts U+FFFD for each and says so. Raises ElementsError for those
    and for binary content.
    """
    try:
        text = _text_of(data, strict=True)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        if _looks_binary(data.decode("latin-1")):
            raise log.refuse_file(ElementsError("file", got=Words("binary data"), wanted=_WANTED)) from None
        got = Words(f"byte 0x{data[error.start]:02x}")
        what = "text, where each foreign byte became \N{REPLACEMENT CHARACTER}" if log.lenient else "text"
        foreign = ElementsError(what, got=got, wanted="UTF-8", try_next="saving it as UTF-8")
        log.refuse(f"line {line}", foreign, kind="text", records=0)
        text = _text_of(data, strict=False)
    if (lines := text.count("\n") + text.count("\r")) > _MOST_LINES:
        got, wanted = Words(f"{lines:,}"), f"at most {_MOST_LINES:,}"
        raise log.refuse_file(ElementsError("lines", got=got, wanted=wanted, try_next="splitting the file by fleet"))
    if _looks_binary(text):
        raise log.refuse_file(ElementsError("file", got=Words("binary data"), wanted=_WANTED))
    return text


def _text_of(data: bytes, *, strict: bool) -> str:
    """Decode bytes and drop the byte-order mark."""
    encoding = "utf-16" if data.startswith(_UTF16_MARKS) else "utf-8-sig"
    return data.decode(encoding, errors="strict" if strict else "replace")


def _looks_binary(text: str) -> bool:
    """Tell whether a text holds NUL, or more control characters near its start than a text does."""
    head = text[:4096]
    controls = sum(c < " " and c not in "\t\n\r\f\x1a" for c in head)
    return "\0" in text or controls > len(head) // 20 + 1
