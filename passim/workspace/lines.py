"""Where in a TOML file a key stands, so that an error can say which line to look at.

The standard reader gives values without their places. This reads no values: it follows headers and keys, and steps
over strings and brackets that go on for several lines.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

Path = tuple[str | int, ...]

_BARE_OR_QUOTED: Final = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_KEYS: Final = rf"{_BARE_OR_QUOTED}(?:\s*\.\s*{_BARE_OR_QUOTED})*"
_HEADER: Final = re.compile(rf"\s*(\[\[?)\s*({_KEYS})\s*\]")
_KEY: Final = re.compile(rf"\s*({_KEYS})\s*=")
# A whole string, the start of one that goes on, a comment, or a bracket.
_TOKEN: Final = re.compile(r"""\"{3}|'{3}|"(?:[^"\\]|\\.)*"|'[^']*'|#.*|[\[\]{}]""")


class LineNumbers:
    """The line of each table and key of a TOML text, counted from 1.

    Tables in arrays are counted from 0, as in the data: ``("sites", 0, "latitude_deg")``.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {(): 1}
        self._tables: dict[Path, int] = {}
        arrays: dict[Path, int] = {}
        here: Path = ()
        depth, quote = 0, ""
        for number, line in enumerate(text.splitlines(), 1):
            inside = depth > 0 or quote != ""
            header = None if inside else _HEADER.match(line)
            key = None if inside or header else _KEY.match(line)
            if header:
                here = ()
                names = _split(header[2])
                for k, name in enumerate(names):
                    here = (*here, name)
                    if k == len(names) - 1 and header[1] == "[[":
                        arrays[here] = arrays.get(here, -1) + 1
                    # A table below an array belongs to the entry begun last.
                    if here in arrays:
                        here = (*here, arrays[here])
                self._lines.setdefault(here, number)
                self._tables.setdefault(here, number)
                continue
            if key:
                self._lines.setdefault((*here, *_split(key[1])), number)
            depth, quote = _carried(line[key.end() :] if key else line, depth, quote)

    def tables(self) -> dict[Path, int]:
        """Return the line of the header of each table that has one of its own."""
        return dict(self._tables)

    def of(self, path: Iterable[str | int]) -> int:
        """Return the line of `path`, or of the nearest thing above it that has one."""
        keys = tuple(path)
        while keys not in self._lines:
            keys = keys[:-1]
        return self._lines[keys]


def _split(keys: str) -> list[str]:
    """Return the parts of a dotted key without their quotes."""
    return [part[1:-1] if part[0] in "\"'" else part for part in re.findall(_BARE_OR_QUOTED, keys)]


def _carried(text: str, depth: int, quote: str) -> tuple[int, str]:
    """Return how many brackets and which long string are still open at the end of a line."""
    position = 0
    while True:
        if quote:
            end = text.find(quote, position)
            if end < 0:
                return depth, quote
            position, quote = end + 3, ""
        token = _TOKEN.search(text, position)
        if token is None:
            return depth, quote
        position = token.end()
        if token[0] in ('"""', "'''"):
            quote = token[0]
        elif token[0] in "[{":
            depth += 1
        elif token[0] in "]}":
            depth = max(0, depth - 1)
