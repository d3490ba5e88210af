"""Lines of text: how passim splits them, and which text a line or a terminal can carry."""

from __future__ import annotations

from collections.abc import Iterator

_LONGEST_SHOWN = 160


class Words(str):
    """Our words about the input, shown in a message without the quotes that set off the input's own text."""

    __slots__ = ()
    __repr__ = str.__str__


def text_lines(text: str) -> Iterator[str]:
    """Yield the lines of `text`, split at LF, CRLF and CR only: other separators may stand inside a name.

    One after the other, because a list of them costs many times the text.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    at = 0
    while (end := text.find("\n", at)) >= 0:
        yield text[at:end]
        at = end + 1
    yield text[at:]


def printable(text: str) -> str:
    """Return `text` as one line that is safe on a terminal, shortened at the front if it is long."""
    if not text.isprintable():
        text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return text if len(text) <= _LONGEST_SHOWN else "…" + text[1 - _LONGEST_SHOWN :]


def is_plain(text: str) -> bool:
    """Tell whether `text` is free of control characters and line ends, which most formats cannot carry."""
    # Ordinary names take the quick way. The others must hold no C0 or C1 control, no line or paragraph separator,
    # and none of the code points that an XML document may not hold.
    if text.isprintable():
        return True
    return not any(c < " " or "\x7f" <= c <= "\x9f" or c in "\u2028\u2029\ufffe\uffff" for c in text)
