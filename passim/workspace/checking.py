"""From the text of a workspace file to its settings: everything that is wrong is found at once, with its place."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from passim.errors import InputError, SiteError, WorkspaceError
from passim.spans import zone
from passim.workspace.lines import LineNumbers
from passim.workspace.settings import Section, SiteSettings, WorkspaceSettings

LARGEST_FILE_BYTES: Final = 1_000_000

Place = tuple[str | int, ...]
Fault = tuple[Place, str]
_Section = TypeVar("_Section", bound=Section)

_TOO_LONG: Final = "a number of thousands of digits"
_NAMED_LISTS: Final = ("sites", "gateways", "fleets")


def read_settings(text: str, path: Path) -> WorkspaceSettings:
    """Return the settings that `text` holds; `path` is its file, beside which it names others.

    Raises WorkspaceError with one line for each thing that is wrong: its line in the file, its key, what it got and
    what was wanted.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # of a number of thousands of digits Python says ValueError
        raise WorkspaceError(
            f"{path} cannot be read as TOML",
            problems=[_TOO_LONG if "integer string conversion" in str(error) else str(error)],
            try_next=_with_a_point(text, str(error)) or "mending that line, or an older copy of the file",
        ) from None
    settings, faults = None, list(_faults_between(data))
    try:
        settings = WorkspaceSettings.model_validate(data, context={"folder": path.parent})
    except ValidationError as error:
        faults += [_fault(dict(details)) for details in error.errors()]
    if faults or settings is None:
        lines = LineNumbers(text)
        placed = sorted({(lines.of(place), called(data, place), words) for place, words in faults})
        problems = [
            f"line {line}, {name}: {words}" if name else f"line {line}: {words}" for line, name, words in placed
        ]
        raise WorkspaceError(str(path), problems=problems)
    return settings


def settings_of(kind: type[_Section], data: Mapping[str, Any], what: str) -> _Section:
    """Return the settings of a section that stands in no file yet. Raises WorkspaceError with all that is wrong."""
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        faults = [_fault(dict(details)) for details in error.errors()]
        raise WorkspaceError(what, problems=[f"{called(data, place)}: {words}" for place, words in faults]) from None


def zone_at(latitude_deg: float, longitude_deg: float) -> str | None:
    """Return the time zone at a place, or None where none is known. Coordinates must be sound."""
    from tzfpy import get_tz  # the table of zones takes a while to load

    # tzfpy takes longitude first, from -180 to 180, and answers "" where it knows nothing.
    found = get_tz((longitude_deg + 180.0) % 360.0 - 180.0, latitude_deg)
    try:
        zone(found)
    except SiteError:
        return None
    return found


@dataclass(frozen=True, slots=True)
class ZoneMismatch:
    """A site whose zone contradicts its coordinates, which lie in another: up to so many hours apart."""

    site: str
    zone: str
    there: str
    apart_h: float


def zone_mismatch(site: SiteSettings, year: int) -> ZoneMismatch | None:
    """Return where the zone of a site contradicts its coordinates in `year`, else None.

    On land the clocks of both must agree in January and in July. At sea the zones of the table are nautical, bands of
    15 deg that nobody on an island lives by: there they may be an hour apart.
    """
    there = zone_at(site.latitude_deg, site.longitude_deg)
    if site.zone is None or there is None:
        return None
    apart_h = [
        abs(
            _offset_h(site.zone, datetime(year, month, 1, tzinfo=UTC))
            - _offset_h(there, datetime(year, month, 1, tzinfo=UTC))
        )
        for month in (1, 7)
    ]
    at_sea = there.startswith("Etc/")
    if (min(apart_h) <= 1.0) if at_sea else (max(apart_h) == 0.0):
        return None
    return ZoneMismatch(site.name, site.zone, there, max(apart_h))


def find_setting(data: Mapping[str, Any], setting: str) -> Place | None:
    """Return the place of a setting written with names, such as sites.Marram.spots.loft.mask_deg; None if not there."""
    here: Any = data
    place: Place = ()
    rest = setting
    while rest:
        if isinstance(here, Mapping):
            names = [name for name in here if rest == name or rest.startswith(f"{name}.")]
            chosen: str | int | None = max(names, key=len) if names else None
            word = chosen
        elif isinstance(here, list):
            entries = [
                (str(entry["name"]), k)
                for k, entry in enumerate(here)
                if isinstance(entry, Mapping) and "name" in entry
            ]
            named = [(name, k) for name, k in entries if rest == name or rest.startswith(f"{name}.")]
            word, chosen = max(named, key=lambda pair: len(pair[0])) if named else (None, None)
        else:
            return None
        if chosen is None or word is None:
            return None
        here, place, rest = here[chosen], (*place, chosen), rest[len(str(word)) + 1 :]
    return place


def called(data: object, place: Place) -> str:
    """Return a place as people read it: sites.Marram.spots.loft.mask_deg; unnamed entries count from 1."""
    words = []
    here: Any = data
    for key in place:
        try:
            here = here[key]
        except (KeyError, IndexError, TypeError):
            here = None
        name = here.get("name") if isinstance(key, int) and isinstance(here, Mapping) else None
        words.append(str(key) if isinstance(key, str) else name if isinstance(name, str) and name else str(key + 1))
    return ".".join(words)


def _with_a_point(text: str, fault: str) -> str:
    """Return the number of the line that a reader's fault names with a point for its decimal comma, "" if it has none.

    A comma never stands between digits outside brackets and strings, so that 47,2 is a decimal comma.
    """
    place = re.search(r"at line (\d+)", fault)
    lines = text.splitlines()
    if place is None or not 1 <= int(place[1]) <= len(lines):
        return ""
    number = re.fullmatch(r"[^\[{\"'#]*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?", lines[int(place[1]) - 1])
    return f"a decimal point: {number[1]}.{number[2]}" if number else ""


def _fault(details: dict[str, Any]) -> Fault:
    """Return one error of the models in this house's words."""
    place = tuple(details["loc"])
    kind, got, context = details["type"], details["input"], details.get("ctx", {})
    if kind == "value_error":
        return place, str(context["error"])
    if kind == "missing":
        return place[:-1], str(InputError(f"{place[-1]} is missing"))
    if kind == "extra_forbidden":
        known = _keys_at(place[:-1])
        near = difflib.get_close_matches(str(place[-1]), known, n=1)
        wanted = "" if near else f"one of {', '.join(known)}"
        return place, str(InputError("unknown key", wanted=wanted, try_next=near[0] if near else ""))
    # The library's sentences read "Input should be ..."; what stands behind is what was wanted.
    wanted = details["msg"].removeprefix("Input should be ")
    return place, str(InputError("value", got=got, wanted=wanted[:1].lower() + wanted[1:]))


def _keys_at(place: Place) -> list[str]:
    """Return the keys that a section may hold."""
    model: type[BaseModel] = WorkspaceSettings
    for key in place:
        if isinstance(key, str):
            inner = _models_in(model.model_fields[key].annotation)
            model = next(inner)
    return list(model.model_fields)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models that a type names, however deep."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _faults_between(data: dict[str, Any]) -> Iterator[Fault]:
    """Yield what sections say against each other: one name twice, gateways and settings that are not in the file."""
    for key in _NAMED_LISTS:
        yield from _names_twice(data.get(key), (key,))
    calls = data.get("calls")
    yield from _names_twice(calls.get("kinds") if isinstance(calls, dict) else None, ("calls", "kinds"))
    names = [gateway.get("name") for gateway in _tables(data.get("gateways"))]
    gateways = {name for name in names if isinstance(name, str)}
    for k, site in enumerate(_tables(data.get("sites"))):
        yield from _names_twice(site.get("spots"), ("sites", k, "spots"))
        wanted = site.get("gateways")
        for name in wanted if isinstance(wanted, list) else []:
            if isinstance(name, str) and name not in gateways:
                known = ", ".join(sorted(str(g) for g in gateways)) or "a [[gateways]] section"
                yield (
                    ("sites", k, "gateways"),
                    str(InputError("gateway", got=name, wanted=f"one of this file: {known}")),
                )
    yield from _kept_twice(data.get("fleets"))
    for k, assumption in enumerate(_tables(data.get("assumptions"))):
        setting = assumption.get("setting")
        if isinstance(setting, str) and setting and find_setting(data, setting) is None:
            yield (
                ("assumptions", k, "setting"),
                str(InputError("assumed setting", got=setting, wanted="a setting that stands in this file")),
            )


def _tables(value: object) -> list[dict[str, Any]]:
    """Return the tables of a list, an empty one for whatever else stands there: the models tell of it."""
    return [entry if isinstance(entry, dict) else {} for entry in value] if isinstance(value, list) else []


def _names_twice(value: object, place: Place) -> Iterator[Fault]:
    """Yield a fault for each entry whose name an earlier one has; case does not tell two names apart."""
    seen: set[str] = set()
    for k, entry in enumerate(_tables(value)):
        name = entry.get("name")
        if not isinstance(name, str):
            continue
        if name.casefold() in seen:
            kind = str(place[-1]).removesuffix("s")
            yield (*place, k, "name"), str(InputError(f"second {kind} of one name", got=name, wanted="each name once"))
        seen.add(name.casefold())


def _kept_twice(fleets: object) -> Iterator[Fault]:
    """Yield a fault for each fleet with a feed whose snapshots would come into the folder of an earlier one."""
    seen: set[str] = set()
    for k, fleet in enumerate(_tables(fleets)):
        feed, name = fleet.get("feed"), fleet.get("name")
        if not isinstance(feed, dict) or not isinstance(name, str):
            continue
        kept = str(feed.get("kept_under", name))
        if kept.casefold() in seen and "kept_under" not in feed:
            wanted = f"another name: a fleet that was called so keeps its snapshots under {kept}"
            yield ("fleets", k, "name"), str(InputError("fleet with a feed", got=name, wanted=wanted))
        elif kept.casefold() in seen:
            wanted = "a name that is no other fleet's"
            yield ("fleets", k, "feed", "kept_under"), str(InputError("kept_under", got=kept, wanted=wanted))
        seen.add(kept.casefold())


def _offset_h(name: str, moment: datetime) -> float:
    offset = moment.astimezone(zone(name)).utcoffset()
    assert offset is not None  # an aware time has one
    return offset.total_seconds() / 3600.0
