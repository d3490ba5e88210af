"""What can be changed of a workspace, and its fields: from settings to the text of fields, and back to a change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from types import SimpleNamespace
from typing import Any, Final
from urllib.parse import quote, unquote

from passim import Horizon
from passim.errors import InputError, WorkspaceError
from passim.line import parse_targets
from passim.sky import survey
from passim.spans import DailyHours
from passim.workspace import SiteSettings, Workspace, adding, changing, check_name, settings

from ....text.setup import (
    FIELDS,
    FIRST_FLEET,
    FIRST_GATEWAY,
    FIRST_RIDGE,
    GATEWAY_LATITUDE,
    GATEWAY_LONGITUDE,
    INVENTED_FLEET,
    KEEPS_HORIZON,
    KINDS,
    NEW_FIELDS,
    SATELLITES,
    SITE_BESIDES,
    Field,
    called_by_place,
)

_CONE: Final = "cone."
_FEED: Final = "feed."
_KINDS: Final[tuple[changing.Kind, ...]] = ("site", "spot", "gateway", "fleet", "terminal", "target")
_USUAL_MASK_DEG: Final = 25.0
_LONGEST: Final = 200
_LONGEST_FEED: Final = 2000


@dataclass(frozen=True, slots=True)
class EditedPart:
    """A part of the workspace, or a new one of its kind."""

    part: changing.Part
    new: bool = False

    @property
    def value(self) -> str:
        """The item as it stands in the address."""
        part = self.part
        words = "/".join(quote(text, safe="") for text in (part.site, part.name) if text)
        return f"{'new-' if self.new else ''}{part.kind}{f':{words}' if words else ''}"

    @classmethod
    def read(cls, text: str) -> EditedPart | None:
        """Return the item that stands in an address, or None for anything else."""
        kind, _, words = text.removeprefix("new-").partition(":")
        names = [unquote(word) for word in words.split("/") if word]
        new = text.startswith("new-")
        known = next((each for each in _KINDS if each == kind), None)
        named = {"terminal": 0, "spot": 1 if new else 2}.get(kind, 0 if new else 1)
        if known is None or len(names) != named or (new and known not in NEW_FIELDS):
            return None
        if known == "spot":
            return cls(changing.Part(known, "" if new else names[1], names[0]), new)
        return cls(changing.Part(known, names[0] if names else ""), new)


def items(workspace: Workspace) -> dict[changing.Kind, list[EditedPart]]:
    """Return what there is to change, by kind, and what can be added."""
    held = workspace.settings
    return {
        "site": [
            *(EditedPart(changing.Part("site", site.name)) for site in held.sites),
            EditedPart(changing.Part("site"), new=True),
        ],
        "spot": [
            each
            for site in held.sites
            for each in (
                *(EditedPart(changing.Part("spot", spot.name, site.name)) for spot in site.spots),
                EditedPart(changing.Part("spot", "", site.name), new=True),
            )
        ],
        "gateway": [
            *(EditedPart(changing.Part("gateway", each.name)) for each in held.gateways),
            EditedPart(changing.Part("gateway"), new=True),
        ],
        "fleet": [
            *(EditedPart(changing.Part("fleet", fleet.name)) for fleet in held.fleets),
            EditedPart(changing.Part("fleet"), new=True),
        ],
        "terminal": [EditedPart(changing.Part("terminal"))],
        "target": [
            *(EditedPart(changing.Part("target", each.name)) for each in parse_targets(held.line.targets)),
            EditedPart(changing.Part("target"), new=True),
        ],
    }


def fields_of(workspace: Workspace, item: EditedPart) -> list[tuple[Field, str]]:
    """Return the fields of an item, each with the text it holds now. Raises WorkspaceError where it is not there."""
    if item.new:
        last = str(len(workspace.line.targets) + 1)
        usual = {"spot": "roof", "height_m": "0", "method": "tcp", "place": last, SATELLITES: INVENTED_FLEET}
        if item.part.kind == "gateway":
            usual["mask_deg"] = "25"
        beside = {"site": _beside_site(workspace), "spot": FIRST_RIDGE}.get(item.part.kind, ())
        fields = [*NEW_FIELDS[item.part.kind], *beside]
        return [(field, usual.get(field.key, "")) for field in fields]
    entry = _settings(workspace, item.part)
    found = []
    for field in FIELDS[item.part.kind]:
        if field.key == "mask_deg" and (entry.horizon_file is not None or entry.horizon is not None):
            field = Field(field.key, field.label, KEEPS_HORIZON)
        found.append((field, _text(entry, field.key)))
    return found


def _beside_site(workspace: Workspace) -> list[Field]:
    """Return what is asked beside a new site: a gateway and satellites, where there are none yet; and what may wait."""
    held = workspace.settings
    last = [field for field in SITE_BESIDES if field.key != "gateways" or held.gateways]
    return [*FIRST_RIDGE, *([] if held.gateways else FIRST_GATEWAY), *([] if held.fleets else [FIRST_FLEET]), *last]


def change_of(workspace: Workspace, item: EditedPart, typed: Mapping[str, str]) -> changing.Change | None:
    """Return the change that what is typed into the fields makes; None where it makes none. Raises WorkspaceError."""
    fields = dict((field.key, (field, text)) for field, text in fields_of(workspace, item))
    texts = {
        key: typed.get(key, text).strip()[: _LONGEST_FEED if key.startswith(_FEED) else _LONGEST]
        for key, (_, text) in fields.items()
    }
    changed = {key for key, text in texts.items() if text != fields[key][1] or item.new}
    if any(key.startswith(_CONE) for key in changed):
        changed |= {key for key in texts if key.startswith(_CONE)}
    if item.part.kind == "target":
        return _target_change(item, texts) if changed else None
    values = {key: _value(fields[key][0], texts[key]) for key in texts if key in changed}
    if "name" in values:
        check_name(texts["name"], f"name of the {KINDS[item.part.kind].lower()}")
    cone = {key.removeprefix(_CONE): values.pop(key) for key in list(values) if key.startswith(_CONE)}
    if cone:
        given = {key: value for key, value in cone.items() if value is not None}
        values["cone"] = given if cone["half_angle_deg"] is not None else None
    feed = {key: values.pop(key) for key in list(values) if key.startswith(_FEED)}
    if feed:
        fleet = None if item.new else _settings(workspace, item.part)
        values |= _feed_values(fleet, {key: texts[key] for key in texts if _FEED in key})
    if not values:
        return None
    if not item.new:
        return changing.alter(item.part, values)
    name, beside = str(values.pop("name")), []
    spot, mask_deg = values.pop("spot", None), values.get("mask_deg")
    floor_deg = workspace.settings.terminal.lowest_elevation_deg
    if item.part.kind == "spot":
        values |= _first_horizon(values, values.pop("mask_deg"), floor_deg)
    if item.part.kind == "site":
        check_name(str(spot or ""), "name of the mounting spot")
        values.pop("mask_deg")
        hours = values.pop("call_hours")
        values["spots"] = [{"name": spot, **_first_horizon(values, mask_deg, floor_deg)}]
        values["call_hours"] = None if hours is None else settings.CallHoursSettings(**hours)
        beside = [*_first_gateway(values), *_first_fleet(values)]
    given = {key: value for key, value in values.items() if value is not None}
    return _one_after_another([changing.add(changing.Part(item.part.kind, name, item.part.site), given), *beside])


def _one_after_another(changes: Sequence[changing.Change]) -> changing.Change:
    """Return one change that makes all of these: they are shown, written and taken back together."""
    return lambda text: reduce(lambda so_far, change: change(so_far), changes, text)


def _first_horizon(values: dict[str, Any], mask_deg: float | None, floor_deg: float | None) -> dict[str, Any]:
    """Take the ridge that is asked beside a site out of `values`; return what is said of the horizon of its first spot.

    It stands above `mask_deg`, else above the elevation from which the terminal works, else above the usual one. Raises
    InputError.
    """
    ridge = [values.pop(field.key, None) for field in FIRST_RIDGE]
    if ridge == [None] * len(ridge):
        return {"mask_deg": mask_deg}
    if None in ridge:
        raise WorkspaceError(
            "what stands in the way", got=f"{3 - ridge.count(None)} of its three numbers", wanted="all three, or none",
            try_next="leaving them empty and entering it on the page Sky",
        )  # fmt: skip
    base = Horizon.flat(next(each for each in (mask_deg, floor_deg, _USUAL_MASK_DEG) if each is not None))
    horizon = survey.from_stretches([survey.Stretch(*ridge)], base=base).horizon
    points = zip(horizon.azimuths_deg, horizon.elevations_deg, strict=True)
    return {"horizon": [[round(azimuth, 3), round(elevation, 3)] for azimuth, elevation in points]}


def _first_gateway(values: dict[str, Any]) -> list[changing.Change]:
    """Take the gateway that is asked beside a site out of `values`; return the change that adds it, if it is given."""
    keys = (GATEWAY_LATITUDE, GATEWAY_LONGITUDE)
    latitude_deg, longitude_deg = (values.pop(key, None) for key in keys)
    if latitude_deg is None and longitude_deg is None:
        return []
    if latitude_deg is None or longitude_deg is None:
        raise WorkspaceError(
            "place of the gateway", got="its latitude or its longitude alone", wanted="both, or neither",
            try_next="leaving both empty until you know where it stands",
        )  # fmt: skip
    place = {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg}
    return [changing.add(changing.Part("gateway", called_by_place(**place)), {**place, "mask_deg": _USUAL_MASK_DEG})]


def _first_fleet(values: dict[str, Any]) -> list[changing.Change]:
    """Take the satellites that are asked beside a site out of `values`; return the change that adds them, if any."""
    return [adding.invented_fleet_added()] if values.pop(SATELLITES, None) == INVENTED_FLEET else []


def _feed_values(fleet: settings.FleetSettings | None, texts: Mapping[str, str]) -> dict[str, Any]:
    """Return the settings of a fleet, None for a new one, whose feed is as typed. Raises WorkspaceError.

    Of a feed that it had, the intervals stay where it is one of the same kind, and the name that its snapshots are kept
    under; what is sent to be let in does not go to another address.
    """
    source = {key.removeprefix(_FEED): text for key, text in texts.items() if text}
    if len(source) != 1:
        instead = "https://example.org/elements.json" if fleet is None else "removing the fleet, where it is not wanted"
        raise WorkspaceError(
            f"feed of {'the new fleet' if fleet is None else fleet.name}", got="both" if source else "neither",
            wanted="an address or a folder", try_next="one of the two" if source else instead,
        )  # fmt: skip
    held = {} if fleet is None or fleet.feed is None else fleet.feed.model_dump(exclude_unset=True)
    stays = ("kept_under", *(("every_s", "minimum_interval_s") if source.keys() <= held.keys() else ()))
    return {"feed": source | {key: held[key] for key in stays if key in held}, "elements": None, "invented": None}


def _target_change(item: EditedPart, texts: Mapping[str, str]) -> changing.Change:
    """Return the change that names a target, or gives one another address or place. Raises WorkspaceError."""
    name, method, address, place = (texts[key] for key in ("name", "method", "address", "place"))
    check_name(name, "name of the host asked")
    if not (place.isascii() and place.isdigit() and int(place) > 0):
        raise WorkspaceError("place in the list", got=place, wanted="a whole number from 1 up", try_next="1")
    try:
        (target,) = parse_targets([f"{name}={'' if method == 'tcp' else method + ':'}{address}"])
    except InputError:
        wanted = {"icmp": "a host without a port", "dns": "a resolver"}.get(method, "a host, a colon and its port")
        example = {"icmp": "192.168.1.1", "dns": "203.0.113.53"}.get(method, "192.168.1.1:80")
        raise WorkspaceError(f"address of {name}", got=address or "nothing", wanted=wanted, try_next=example) from None
    return changing.put_target(target, int(place), None if item.new else item.part.name)


def _settings(workspace: Workspace, part: changing.Part) -> Any:
    held = workspace.settings
    if part.kind == "terminal":
        return held.terminal
    if part.kind == "target":
        entries: Any = [
            SimpleNamespace(name=each.name, method=each.method, address=each.address, place=place)
            for place, each in enumerate(parse_targets(held.line.targets), 1)
        ]
    elif part.kind == "spot":
        entries = _settings(workspace, changing.Part("site", part.site)).spots
    else:
        entries = {"site": held.sites, "gateway": held.gateways, "fleet": held.fleets}[part.kind]
    for entry in entries:
        if entry.name.casefold() == part.name.strip().casefold():
            return entry
    known = ", ".join(entry.name for entry in entries) or "none"
    raise WorkspaceError(KINDS[part.kind].lower(), got=part.name, wanted=f"one of {known}")


def _text(entry: Any, key: str) -> str:
    """Return a setting as the text of its field."""
    if key.startswith(_CONE):
        return "" if entry.cone is None else f"{getattr(entry.cone, key.removeprefix(_CONE)):g}"
    if key.startswith(_FEED):
        return (getattr(entry.feed, key.removeprefix(_FEED)) or "") if entry.feed is not None else ""
    value = getattr(entry, key)
    if key == "call_hours":
        return "" if value is None else _hours_text(entry)
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return ", ".join(value) if isinstance(value, list) else str(value)


def _hours_text(site: SiteSettings) -> str:
    hours = site.call_hours
    assert hours is not None
    return f"{hours.start:%H:%M}-{hours.end:%H:%M},{','.join(day.lower() for day in hours.days)}"


def _value(field: Field, text: str) -> Any:
    """Return what a field's text means; None for an empty one. Raises WorkspaceError."""
    if not text:
        return None
    if field.number:
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise WorkspaceError(field.label, got=text, wanted="a number", try_next="25") from None
    if field.key == "gateways":
        return [name.strip() for name in text.split(",") if name.strip()]
    if field.key == "call_hours":
        hours = settings.CallHoursSettings.of(DailyHours.parse(text, field.label))
        return {"start": f"{hours.start:%H:%M}", "end": f"{hours.end:%H:%M}", "days": list(hours.days)}
    return text
