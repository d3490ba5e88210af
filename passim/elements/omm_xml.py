"""Orbit mean-elements messages as NDM/XML (CCSDS 505.0-B): one <omm> as the root, or many inside <ndm>.

The reader streams, so that its memory does not grow with the nesting of a hostile file, and refuses document type
declarations, and with them every entity that could expand.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from datetime import datetime
from xml.sax import SAXException, SAXParseException
from xml.sax.handler import ContentHandler
from xml.sax.saxutils import escape
from xml.sax.xmlreader import AttributesImpl, Locator

import defusedxml.sax
from defusedxml import DefusedXmlException

from passim.elements.lines import Words
from passim.elements.omm import UNITS, KeywordError, check_units, element_set_of, message_of, object_of
from passim.elements.omm_text import ORIGINATOR, VERSION, check_text, written
from passim.elements.read_log import Kind, ReadLog
from passim.elements.records import ElementSet
from passim.errors import ElementsError

LARGEST_XML_BYTES = 128 * 2**20
# The standard knows fewer than a hundred keywords.
_MOST_KEYWORDS = 1000
# One in a hundred of as many messages as there may be.
_MOST_FAULTS = 3000

_OMM_START = re.compile(rb"<(?:[A-Za-z_][\w.-]*:)?omm[\s>]")

# A document in UTF-16 begins with its mark (XML 1.0, 4.3.3).
_UTF16_MARKS = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
_DECLARED = re.compile(
    r"""\A(<\?xml[^>]{0,200}?encoding\s*=\s*["'])UTF-16(?:[LB]E)?(?=["'])""", re.ASCII | re.IGNORECASE
)

_METADATA = ("OBJECT_NAME", "OBJECT_ID", "CENTER_NAME", "REF_FRAME", "TIME_SYSTEM", "MEAN_ELEMENT_THEORY")
_MEAN_ELEMENTS = (
    "EPOCH",
    "MEAN_MOTION",
    "ECCENTRICITY",
    "INCLINATION",
    "RA_OF_ASC_NODE",
    "ARG_OF_PERICENTER",
    "MEAN_ANOMALY",
)


def read_xml(data: bytes, log: ReadLog) -> list[ElementSet]:
    """Return the element sets of an XML document, in order; its own declaration says how it is encoded.

    Raises ElementsError for a document that is too large, no XML, no NDM, or has a document type declaration. A
    lenient log loses only the message that is damaged: reading goes on where the next <omm> begins.
    """
    if len(data) > LARGEST_XML_BYTES:
        got, wanted = Words(f"{len(data) / 2**20:.0f} MiB"), f"at most {LARGEST_XML_BYTES // 2**20} MiB of XML"
        raise log.refuse_file(ElementsError("size", got=got, wanted=wanted, try_next="the JSON or CSV form"))
    data = _in_utf8(data)
    messages = _Messages(log)
    starts = [found.start() for found in _OMM_START.finditer(data)] if log.lenient else []
    # What stands before the first message, its declaration and root among it, is put before the rest where reading
    # goes on: so the rest is a document too.
    head = data[: starts[0]] if starts else b""
    at = line = faults = 0
    source = _Rest(b"", data, 0)
    while True:
        try:
            defusedxml.sax.parse(source, messages, forbid_dtd=True)
        except DefusedXmlException:
            wanted = "XML without a document type declaration or entities"
            raise log.refuse_file(ElementsError("XML", got=Words("a declaration <!DOCTYPE"), wanted=wanted)) from None
        except (SAXException, ValueError, LookupError) as error:
            damage, at_line = _damage(error), messages.line_of(error)
            if not starts or (len(starts) == 1 and not messages.records):
                damage.what = f"XML at line {at_line}" if at_line else "XML"
                raise log.refuse_file(damage) from None
            faults += 1
            if faults > _MOST_FAULTS:
                damage.got, damage.wanted = Words(f"more than {_MOST_FAULTS:,} faults"), "OMM messages"
                raise log.refuse_file(damage) from None
            after = at + max(messages.begun, 1)
            # Where no other message follows, a document that is not closed is one that was cut.
            cut = after >= len(starts) and not data.rstrip().endswith((b"</ndm>", b":ndm>"))
            lost = int(messages.unfinished or not messages.begun)
            kind: Kind = "cut" if cut else "record" if lost else "text"
            log.refuse(f"line {at_line}", damage, of=messages.begun_object, kind=kind, records=lost)
            if after >= len(starts):
                break
            line += data.count(b"\n", starts[at] if faults > 1 else 0, starts[after])
            at = after
            messages.go_on(line - head.count(b"\n"))
            source = _Rest(head, data, starts[at])
        else:
            break
    return messages.records


def _in_utf8(data: bytes) -> bytes:
    """Return a document in UTF-16 as the same in UTF-8, where the messages of it can be found; others as they are.

    What is no letter in the one is none in the other: its place is told as that of any other damage.
    """
    encoding = next((encoding for mark, encoding in _UTF16_MARKS.items() if data.startswith(mark)), None)
    if encoding is None:
        return data
    text = data[: len(data) // 2 * 2].decode(encoding, "surrogatepass").lstrip("\ufeff \t\r\n")
    rest = b"\xff" if len(data) % 2 else b""
    return _DECLARED.sub(r"\1UTF-8", text, count=1).encode("utf-8", "surrogatepass") + rest


class _Rest(io.RawIOBase):
    """A stream of what stands at the head of a document, and then of the document from some byte on; nothing copied."""

    def __init__(self, head: bytes, data: bytes, start: int) -> None:
        self._pieces = [memoryview(head), memoryview(data)[start:]]

    def read(self, size: int = -1) -> bytes:
        while self._pieces and not self._pieces[0]:
            del self._pieces[0]
        if not self._pieces:
            return b""
        piece = self._pieces[0]
        size = len(piece) if size < 0 else size
        self._pieces[0] = piece[size:]
        return bytes(piece[:size])


def _damage(error: Exception) -> ElementsError:
    words = Words(error.getMessage() if isinstance(error, SAXException) else error)
    return ElementsError("XML", got=words, wanted="a whole XML document", try_next="fetching the file again")


def write_xml(records: Iterable[ElementSet], created: datetime) -> str:
    """Return an <ndm> document with one <omm> a set. Raises ElementsError for names that XML cannot carry."""
    parts = ['<?xml version="1.0" encoding="UTF-8"?>', "<ndm>"]
    header = (
        f"<header><CREATION_DATE>{created:%Y-%m-%dT%H:%M:%S}</CREATION_DATE>"
        f"<ORIGINATOR>{ORIGINATOR}</ORIGINATOR></header>"
    )
    for record in records:
        check_text(record, "XML")
        values = {key: written(key, value) for key, value in message_of(record).items()}
        tags = {key: f"<{key}>{escape(value)}</{key}>" for key, value in values.items() if value}
        metadata = "".join(tags.pop(key) for key in _METADATA)
        elements = "".join(tags.pop(key) for key in _MEAN_ELEMENTS)
        parts.append(f'<omm id="CCSDS_OMM_VERS" version="{VERSION}">\n{header}\n<body><segment>')
        parts.append(f"<metadata>{metadata}</metadata>\n<data>\n<meanElements>{elements}</meanElements>")
        parts.append(f"<tleParameters>{''.join(tags.values())}</tleParameters>\n</data>\n</segment></body>\n</omm>")
    return "\n".join([*parts, "</ndm>\n"])


class _Messages(ContentHandler):
    """Collects the leaves of each <omm> as keywords and turns them into records."""

    def __init__(self, log: ReadLog) -> None:
        super().__init__()
        self.records: list[ElementSet] = []
        self._log = log
        self._where = Locator()
        self._lines_before = 0
        self._depth = 0
        self._message: dict[str, object] | None = None
        self.begun = 0
        self._lines: dict[str, int] = {}
        self._fault: ElementsError | None = None
        self._leaf = False
        self._text: list[str] = []

    def go_on(self, lines_before: int) -> None:
        """Be ready for the rest of a document, whose first line has so many before it."""
        self._lines_before = lines_before
        self._depth = self.begun = 0
        self._message, self._leaf = None, False

    def line_of(self, error: Exception) -> int | None:
        """Return the line of the whole document that an error is at, None where it is not known."""
        if isinstance(error, SAXParseException):
            line = error.getLineNumber()
            return None if line is None else line + self._lines_before
        return self._line() or None if isinstance(error, SAXException) else None

    @property
    def unfinished(self) -> bool:
        """Whether a message has begun and not ended."""
        return self._message is not None

    @property
    def begun_object(self) -> tuple[str, str]:
        """The number and name in the message that has not ended, as far as they were come to."""
        return object_of(self._message or {})

    def setDocumentLocator(self, locator: Locator) -> None:  # the name that SAX calls
        self._where = locator

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # the name that SAX calls
        tag = name.rpartition(":")[2]
        self._depth += 1
        self._leaf, self._text = True, []
        if self._depth == 1 and tag not in ("ndm", "omm"):
            raise self._log.refuse_file(ElementsError("XML root", got=f"<{tag}>", wanted="<ndm> or <omm>"))
        if tag == "omm" and self._message is not None and self._log.lenient:
            raise SAXException("another <omm> before the end of this one")
        if tag == "omm" and self._depth <= 2:
            self._message, self._lines, self._fault = {}, {"": self._line()}, None
            self.begun += 1
        elif self._depth == 2 and self._message is None and tag not in ("COMMENT", "MESSAGE_ID"):
            self._log.refuse(f"line {self._line()}", ElementsError("message", got=f"<{tag}>", wanted="<omm>"))
        elif self._message is not None and tag in UNITS and "units" in attrs:
            self._note_fault(tag, attrs["units"])

    def characters(self, content: str) -> None:
        if self._message is not None and self._leaf:
            self._text.append(content)

    def endElement(self, name: str) -> None:  # the name that SAX calls
        tag = name.rpartition(":")[2]
        self._depth -= 1
        if self._message is None:
            return
        if self._depth <= 1 and tag == "omm":
            self._finish(self._message)
            self._message = None
        elif self._leaf and tag not in ("COMMENT", "USER_DEFINED"):
            if tag in self._message and self._fault is None:
                self._fault = KeywordError(tag, got=Words("the element twice"), wanted="each element once a message")
            if len(self._message) < _MOST_KEYWORDS:
                self._message[tag] = "".join(self._text).strip()
                self._lines[tag] = self._line()
        self._leaf = False

    def _finish(self, message: dict[str, object]) -> None:
        """Turn the collected keywords into a record, or tell the log why not."""
        try:
            if self._fault is not None:
                raise self._fault
            self.records.append(element_set_of(message))
        except ElementsError as error:
            keyword = error.keyword if isinstance(error, KeywordError) else ""
            place = f"line {self._lines.get(keyword, self._lines[''])}"
            self._log.refuse(place, error, of=object_of(message))

    def _note_fault(self, tag: str, units: str) -> None:
        try:
            check_units(tag, units)
        except KeywordError as error:
            self._fault = self._fault or error

    def _line(self) -> int:
        return int(self._where.getLineNumber() or 0) + self._lines_before
