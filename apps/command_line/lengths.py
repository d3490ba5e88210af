"""Lengths of time as people type them: 8h, 30min, 0.2s."""

from __future__ import annotations

import re
from typing import Final

_UNITS_S: Final = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
_LENGTH: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)", re.ASCII)
_BARE: Final = re.compile(r"\d+(?:\.\d+)?", re.ASCII)


def length_s(text: str, option: str, shortest: str, longest: str, example: str) -> float:
    """Return the seconds of a length such as 8h, from `shortest` to `longest`. Raises InputError."""
    from passim.errors import InputError

    seconds = _seconds(text)
    if seconds is None or not (_seconds(shortest) or 0.0) <= seconds <= (_seconds(longest) or 0.0):
        # A bare number could be seconds or minutes: which, its user says.
        unit = " with its unit" if _BARE.fullmatch(text.strip()) else ""
        wanted = f"a length{unit} from {shortest} to {longest}"
        raise InputError(option, got=text, wanted=wanted, try_next=f"{option} {example}")
    return seconds


def _seconds(text: str) -> float | None:
    found = _LENGTH.fullmatch(text.strip())
    return float(found[1]) * _UNITS_S[found[2]] if found else None
