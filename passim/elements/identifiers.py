"""Catalogue numbers of five to nine digits, Alpha-5, and the international designator of an object without a number.

Five-digit numbers ran out in July 2026, and numbers of up to nine digits occur. passim keeps a number as text in
plain digits; the propagator never sees it. A message may leave the number out (CCSDS 502.0-B-3 makes NORAD_CAT_ID
optional): its object then goes by its international designator, which no number can be taken for.
"""

from __future__ import annotations

import re

from passim.errors import ElementsError

# Alpha-5 writes the first two digits of a six-digit number as one capital letter, without I and O:
# A0000 is 100000 and Z9999 is 339999 (the catalogue's own rule for two-line sets).
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
LARGEST_TWO_LINE_NUMBER = 339999
LARGEST_NUMBER = 999_999_999
# Year and number of the launch, and the piece of it.
_DESIGNATOR = re.compile(r"(?:19|20)[0-9]{2}-[0-9]{3}[A-Z]{1,3}", re.ASCII)


class SatelliteId(str):
    """What an object is known by: its catalogue number as plain digits, no leading zeros, at most nine.

    An object without a number has its international designator instead, as ``YYYY-NNNPPP``.

    ``SatelliteId("00005") == "5"``; ``SatelliteId("A0000") == "100000"``; ``SatelliteId("+25544") == "25544"`` (an
    integer of CCSDS 502.0-B-3, 7.5.4, may have a sign); ``SatelliteId("2026-001A") == "2026-001A"``. Raises
    ElementsError for anything else.
    """

    __slots__ = ()

    def __new__(cls, value: str | int) -> SatelliteId:
        if type(value) is int and 0 <= value <= LARGEST_NUMBER:
            return super().__new__(cls, value)
        if isinstance(value, SatelliteId):
            return value
        # Python refuses to spell out whole numbers of thousands of digits: those are shown in words.
        try:
            text = str(value).strip()
        except ValueError:
            text = "a number of thousands of digits"
        if re.fullmatch(r"[+]?[0-9]{1,9}", text, re.ASCII):
            return super().__new__(cls, str(int(text)))
        if re.fullmatch(r"[A-HJ-NP-Z][0-9]{4}", text, re.ASCII):
            return super().__new__(cls, str((_LETTERS.index(text[0]) + 10) * 10000 + int(text[1:])))
        if _DESIGNATOR.fullmatch(text):
            return super().__new__(cls, text)
        raise ElementsError(
            "catalogue number",
            field="satellite_id",
            got=text,
            wanted="one to nine digits, or a capital letter other than I and O with four digits (Alpha-5), or an "
            "international designator such as 2026-001A",
        )

    @property
    def number(self) -> int | None:
        """The catalogue number; None where the object has none."""
        return int(self) if self.isdigit() else None

    @property
    def order(self) -> tuple[int, str]:
        """What objects are sorted by: their numbers, then those without one by designator."""
        number = self.number
        return (LARGEST_NUMBER + 1, str(self)) if number is None else (number, "")

    @property
    def seed(self) -> int:
        """A whole number of 0 or more that belongs to this object alone, such as for its own draw of lots."""
        number = self.number
        return int.from_bytes(self.encode(), "big") if number is None else number

    def five_columns(self) -> str:
        """Return the five characters of a two-line set: digits, or Alpha-5.

        Raises ElementsError past 339999, and for an object without a number.
        """
        number = self.number
        if number is None or number > LARGEST_TWO_LINE_NUMBER:
            raise ElementsError(
                "catalogue number for a two-line set",
                field="satellite_id",
                got=str(self),
                wanted=f"at most {LARGEST_TWO_LINE_NUMBER}",
                try_next="writing .json, .csv, .xml or .kvn instead",
            )
        if number <= 99999:
            return f"{number:05d}"
        return f"{_LETTERS[number // 10000 - 10]}{number % 10000:04d}"
