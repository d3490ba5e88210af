"""What is chosen on a page, as the query of its address, so that the page can be bookmarked and sent.

    ?site=Marram&spot=yard&day=2026-11-25&mask=30&fleet=Plover&days=7

What is not in the query is as the workspace has it: its first site and spot, today, the spot's own horizon, its first
fleet. Keys that only one page knows are kept for it in ``more``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final
from urllib.parse import parse_qsl, quote, unquote, urlencode

from passim.errors import InputError

KEYS: Final = ("site", "spot", "day", "mask", "fleet")
_LONGEST_QUERY: Final = 2000
_LONGEST_VALUE: Final = 200
_MOST_KEYS: Final = 30
_A_KEY: Final = re.compile(r"[a-z][a-z0-9_]{0,23}")


@dataclass(frozen=True, slots=True)
class Choices:
    """What is chosen; None stands for what the workspace says. ``mask_deg`` is a flat horizon of so many degrees."""

    site: str | None = None
    spot: str | None = None
    day: date | None = None
    mask_deg: float | None = None
    fleet: str | None = None
    more: tuple[tuple[str, str], ...] = ()

    def other(self, key: str, default: str = "") -> str:
        """Return a choice that only one page knows, as text."""
        return dict(self.more).get(key, default)


def read_query(query: str | None) -> tuple[Choices, tuple[str, ...]]:
    """Return the choices in the query of an address, and one sentence for each part of it that cannot be used."""
    text = (query or "").lstrip("?")
    if len(text) > _LONGEST_QUERY:
        return Choices(), (_left_out("address", f"{len(text)} characters", f"at most {_LONGEST_QUERY}"),)
    faults: list[str] = []
    known: dict[str, str] = {}
    more: dict[str, str] = {}
    try:
        pairs = parse_qsl(text, keep_blank_values=False, max_num_fields=_MOST_KEYS)
    except ValueError:
        return Choices(), (_left_out("address", "too many parts", f"at most {_MOST_KEYS}"),)
    for key, value in pairs:
        if not _A_KEY.fullmatch(key) or len(value) > _LONGEST_VALUE:
            faults.append(_left_out("part of the address", f"{key}={value}", "a short key and value"))
        elif key in KEYS:
            known[key] = value
        else:
            more[key] = value
    return (
        Choices(
            site=known.get("site"),
            spot=known.get("spot"),
            day=_day(known.get("day"), faults),
            mask_deg=_mask_deg(known.get("mask"), faults),
            fleet=known.get("fleet"),
            more=tuple(sorted(more.items())),
        ),
        tuple(faults),
    )


def query_of(choices: Choices) -> str:
    """Return the query that stands for choices: empty, or beginning with "?". `read_query` gives them back."""
    given = {
        "site": choices.site,
        "spot": choices.spot,
        "day": choices.day.isoformat() if choices.day else None,
        "mask": None if choices.mask_deg is None else f"{choices.mask_deg:g}",
        "fleet": choices.fleet,
        **dict(choices.more),
    }
    text = urlencode([(key, value) for key, value in given.items() if value])
    return f"?{text}" if text else ""


def place_value(site: str, spot: str) -> str:
    """Return a site and its spot as the one value that a control offers; `changed` takes it. Names may hold a "/"."""
    return f"{quote(site, safe='')}/{quote(spot, safe='')}"


def changed(choices: Choices, values: Mapping[str, str | None]) -> Choices:
    """Return the choices with some values replaced, each as the text that stands in the query; None takes it away.

    The key "place" stands for a site and its spot at once, as `place_value` writes them: "Marram/yard".
    """
    given = dict(values)
    if "place" in given:
        place = given.pop("place")
        site, _, spot = (unquote(part) for part in (place or "").partition("/"))
        given |= {"site": site or None, "spot": spot or None}
    plain = {**dict(parse_qsl(query_of(choices).lstrip("?"))), **given}
    found, _ = read_query(urlencode([(key, value) for key, value in plain.items() if value]))
    return found


def _day(text: str | None, faults: list[str]) -> date | None:
    if text is None:
        return None
    try:
        found = date.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or not 1958 <= found.year <= 2199:
        faults.append(_left_out("day", text, "a date such as 2026-11-25"))
        return None
    return found


def _mask_deg(text: str | None, faults: list[str]) -> float | None:
    if text is None:
        return None
    try:
        mask_deg = float(text)
    except ValueError:
        mask_deg = math.nan
    if not 0.0 <= mask_deg < 90.0:
        faults.append(_left_out("mask", text, "degrees from 0 to below 90"))
        return None
    return mask_deg


def _left_out(what: str, got: str, wanted: str) -> str:
    """Return one sentence on a part of the address that was left out."""
    return f"{InputError(what, got=got, wanted=wanted)}; the page goes on without it."
