"""Catalogue numbers of five to nine digits, and Alpha-5.

Five-digit numbers ran out in July 2026, and numbers of up to nine digits occur. passim keeps a number as text in
plain digits; the propagator never sees it.
"""

from __future__ import annotations

import re

from passim.errors import ElementsError

# Alpha-5 writes the first two digits of a six-digit number as one capital letter, without I and O:
# A0000 is 100000 and Z9999 is 339999 (the catalogue's own rule for two-line sets).
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
LARGEST_TWO_LINE_NUMBER = 339999


class SatelliteId(str):
    """A catalogue number as text: plain digits, no leading zeros, at most nine.

    ``SatelliteId("00005") == "5"``; ``SatelliteId("A0000") == "100000"``. Raises ElementsError for anything else.
    """

    __slots__ = ()

    def __new__(cls, value: str | int) -> SatelliteId:
        if isinstance(value, SatelliteId):
            return value
        # Python refuses to spell out whole numbers of thousands of digits: those are shown in words.
        try:
            text = str(value).strip()
        except ValueError:
            text = "a number of thousands of digits"
        if re.fullmatch(r"[0-9]{1,9}", text, re.ASCII):
            return super().__new__(cls, str(int(text)))
        if re.fullmatch(r"[A-HJ-NP-Z][0-9]{4}", text, re.ASCII):
            return super().__new__(cls, str((_LETTERS.index(text[0]) + 10) * 10000 + int(text[1:])))
        raise ElementsError(
            "catalogue number",
            got=text,
            wanted="one to nine digits, or a capital letter other than I and O with four digits (Alpha-5)",
        )

    @property
    def number(self) -> int:
        """The number itself."""
        return int(self)

    def five_columns(self) -> str:
        """Return the five characters of a two-line set: digits, or Alpha-5. Raises ElementsError past 339999."""
        if self.number <= 99999:
            return f"{self.number:05d}"
        if self.number <= LARGEST_TWO_LINE_NUMBER:
            return f"{_LETTERS[self.number // 10000 - 10]}{self.number % 10000:04d}"
        raise ElementsError(
            "catalogue number for a two-line set",
            got=str(self),
            wanted=f"at most {LARGEST_TWO_LINE_NUMBER}",
            try_next="writing .json, .csv, .xml or .kvn instead",
        )
