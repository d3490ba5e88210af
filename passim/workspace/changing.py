"""Changes to parts of a workspace file, shown first and then written: added, given other settings, or removed.

A part is a site, one of its mounting spots, a gateway, a fleet, the terminal, or a target of the probe. A `Change` is
a function from the text of the file to its new text, so that what is shown and what is written are made by one
function: `shown` gives the lines that would go and come, `write` makes the change, and refuses where the file has
become another meanwhile, so that it would write other lines than were shown. What refers to a part by its name goes
with it: a gateway in the lists of sites, assumptions about what was renamed. A setting that is given another value is
assumed no longer.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import tomlkit

from passim.errors import InputError, WorkspaceError
from passim.workspace import saving
from passim.workspace.checking import settings_of
from passim.workspace.creating import fleet_section, gateway_section, site_section, spot_section
from passim.workspace.folder import Workspace
from passim.workspace.lines import LineNumbers
from passim.workspace.places import after_last_setting, with_section
from passim.workspace.settings import FleetSettings, GatewaySettings, SiteSettings, SpotSettings

if TYPE_CHECKING:
    from passim.line import LineFit, Target
    from passim.sky.view import View

Kind = Literal["site", "spot", "gateway", "fleet", "terminal", "target"]
Change = Callable[[str], str]
# A horizon is said in one of these ways.
_SKYLINE: Final = ("mask_deg", "horizon_file", "horizon")


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the file: what it is, its name, and for a spot the name of its site; the terminal has no name."""

    kind: Kind
    name: str = ""
    site: str = ""

    def __str__(self) -> str:
        return " ".join(filter(None, (self.kind, self.site, self.name)))


def shown(workspace: Workspace, change: Change) -> list[str]:
    """Return the lines that a change would take from the file, after "- ", and put there, after "+ "; write nothing.

    Raises WorkspaceError for a change that cannot be made, with all that is wrong.
    """
    return saving.preview_text(workspace.file, change, workspace.unwritten)


def write(workspace: Workspace, change: Change, lines: Sequence[str]) -> Workspace:
    """Make a change whose `lines` were shown, and return the workspace as it then is; `Workspace.undo` takes it back.

    Raises WorkspaceError, and leaves the file as it was, where it is not what it was when they were shown.
    """

    def as_shown(old: str) -> str:
        new = change(old)
        if saving.differences(old, new) != list(lines):
            raise WorkspaceError(
                f"workspace file {workspace.file}", got="another change since this one was shown",
                wanted="the file as it was", try_next="looking at the change once more",
            )  # fmt: skip
        return new

    saving.edit_text(workspace.file, as_shown, workspace.unwritten)
    return Workspace.load(workspace.file)


def add(part: Part, values: Mapping[str, Any]) -> Change:
    """Return the change that adds a site with its spots, a spot, a gateway or a fleet behind those there are.

    `values` are the settings of its section beside the name. Raises WorkspaceError with all that is wrong with them.
    """
    given = {"name": part.name, **values}
    if part.kind == "site":
        section = site_section(settings_of(SiteSettings, given, "new site"))
        return lambda text: with_section(text, section, ("sites",))
    if part.kind == "spot":
        section = spot_section(settings_of(SpotSettings, given, "new mounting spot"))
        return lambda text: with_section(text, section, ("sites", _place(text, Part("site", part.site))[1], "spots"))
    if part.kind == "gateway":
        settings = settings_of(GatewaySettings, given, "new gateway")
        section = gateway_section(settings.gateway(Path()))
        return lambda text: with_section(text, section, ("gateways",))
    if part.kind == "fleet":
        section = fleet_section(settings_of(FleetSettings, given, "new fleet"))
        return lambda text: with_section(text, section, ("fleets",))
    raise WorkspaceError(f"new {part.kind}", wanted="a site, a mounting spot, a gateway or a fleet")


def alter(part: Part, values: Mapping[str, Any]) -> Change:
    """Return the change that gives settings of a part other values; None takes one away, "name" renames the part.

    A setting that has its value already is left as it is written. Of the three ways to say what a horizon is, a new one
    takes the others away.
    """

    def change(text: str) -> str:
        document: Any = tomlkit.parse(text)
        entry = _entry(document, text, part)
        plain: Any = tomllib.loads(text)
        for key in _place(text, part) if part.kind != "terminal" else ("terminal",):
            plain = plain[key] if isinstance(key, int) else plain.get(key, {})
        new_values = {key: value for key, value in values.items() if plain.get(key) != value}
        for key, value in new_values.items():
            if value is not None and key in _SKYLINE:
                for way in _SKYLINE:
                    if way != key and way in entry:
                        del entry[way]
            if value is not None:
                entry[key] = _item(value)
            elif key in entry:
                del entry[key]
        prefix = _setting(part)
        changed = {f"{prefix}.{key}" for key in new_values} - {f"{prefix}.name"}
        if any(key in _SKYLINE for key in new_values):
            changed |= {f"{prefix}.{way}" for way in _SKYLINE}
        _forget(document, lambda setting: setting in changed)
        if "name" in new_values:
            if "feed" in entry:
                _keep_snapshots(entry["feed"], str(plain["name"]), str(new_values["name"]))
            _rename(document, part, str(new_values["name"]))
        return tomlkit.dumps(document)

    return change


def remove(part: Part) -> Change:
    """Return the change that takes a part out of the file, and its name out of what refers to it.

    Files that it names stay where they are. Raises WorkspaceError, as it is made, for the only spot of a site.
    """

    if part.kind == "target":
        return _without_target(part.name)

    def change(text: str) -> str:
        place = _place(text, part)
        wanted: Any = tomllib.loads(text)
        here = wanted
        for key in place[:-1]:
            here = here[key]
        if part.kind == "spot" and len(here) == 1:
            raise WorkspaceError(
                f"mounting spot {part.name}", got=f"the only one of {part.site}", wanted="one that is not",
                try_next="adding another first, or removing the site",
            )  # fmt: skip
        del here[place[-1]]
        lines, tables = text.splitlines(), LineNumbers(text).tables()
        first = tables.get(place, 0)
        last = after_last_setting(lines, tables, place)
        # The empty line before a section goes with it.
        start = first - 1 if first < 2 or lines[first - 2].strip() else first - 2
        new = "\n".join([*lines[:start], *lines[last:]]) + "\n"
        if not here:
            _emptied(wanted, place)
        try:
            good = first > 0 and tomllib.loads(new) == wanted
        except tomllib.TOMLDecodeError:
            good = False
        if not good:
            raise WorkspaceError(
                f"{part.kind} {part.name}", got="a list in one line, or a text that looks like a section",
                wanted="a section of its own", try_next="removing it by hand",
            )  # fmt: skip
        document: Any = tomlkit.parse(new)
        if part.kind == "gateway":
            for site in document.get("sites", []):
                if _position(site.get("gateways", []), part.name) is not None:
                    site["gateways"] = [each for each in site["gateways"] if not _same(each, part.name)]
        prefix = _setting(part)
        _forget(document, lambda setting: setting == prefix or setting.startswith(f"{prefix}."))
        return tomlkit.dumps(document)

    return change


def taken_from(
    fit: LineFit, workspace: Workspace, view: View, place: tuple[str, str] | None, how: str, on: date
) -> Change:
    """Return the change that puts what a record taught into the file, marked as assumptions of the day `on`.

    `view` is what was fitted, and `place` its site and mounting spot as the file names them; None at coordinates, where
    there is no spot whose horizon could change; `how` is what the file is to say of how it was found. Raises InputError
    for a fit of nothing.
    """
    if fit.evidence == "none":
        raise InputError("settings to write", got="nothing found", wanted="some that foretell the record")
    site = skyline = None
    if place is not None:
        site, skyline = f"sites.{place[0]}", f"sites.{place[0]}.spots.{place[1]}"
    taken = fit.as_assumption(view, site, skyline)
    return saving.of_document(
        workspace.assuming(**taken, how=how, on=on, site_name=None if place is None else place[0])
    )


def put_target(target: Target, place: int, instead_of: str | None = None) -> Change:
    """Return the change that puts a target into the list of those that the probe asks; the first place, 1, is nearest.

    `instead_of` names the one that it replaces. Raises WorkspaceError, as it is made, where that is there no more.
    """

    def change(text: str) -> str:
        document: Any = tomlkit.parse(text)
        if "line" not in document:
            document.add(tomlkit.nl())
            document["line"] = tomlkit.table()
        targets = document["line"].setdefault("targets", tomlkit.array())
        if instead_of is not None:
            at = _target_at(targets, instead_of)
            if at == place - 1:
                targets[at] = target.text
                return tomlkit.dumps(document)
            del targets[at]
        targets.insert(min(max(place - 1, 0), len(targets)), target.text)
        return tomlkit.dumps(document)

    return change


def _without_target(name: str) -> Change:
    def change(text: str) -> str:
        document: Any = tomlkit.parse(text)
        line = document.get("line", {})
        targets = line.get("targets", [])
        del targets[_target_at(targets, name)]
        if not targets:
            del line["targets"]
            if not line:
                del document["line"]
        return tomlkit.dumps(document)

    return change


def _target_at(targets: Sequence[str], name: str) -> int:
    names = [str(text).partition("=")[0] for text in targets]
    at = _position(names, name)
    if at is None:
        raise WorkspaceError("target", got=name, wanted=f"one of {', '.join(names) or 'none'}")
    return at


def _emptied(wanted: Any, place: tuple[str | int, ...]) -> None:
    """Take away the list of `place` in the data, which is no more: a file has no section for none."""
    here = wanted
    for key in place[:-2]:
        here = here[key]
    del here[place[-2]]


def _place(text: str, part: Part) -> tuple[str | int, ...]:
    """Return where a part stands in the data of the file. Raises WorkspaceError where it is there no more."""
    data: Any = tomllib.loads(text)
    if part.kind == "terminal":
        return ("terminal",)
    if part.kind == "spot":
        site = _place(text, Part("site", part.site))
        spots = data["sites"][site[1]].get("spots", [])
        return (*site, "spots", _found(spots, part))
    section = {"site": "sites", "gateway": "gateways", "fleet": "fleets"}[part.kind]
    return (section, _found(data.get(section, []), part))


def _found(entries: Sequence[Mapping[str, Any]], part: Part) -> int:
    at = _position([str(entry.get("name", "")) for entry in entries], part.name)
    if at is None:
        known = ", ".join(str(entry.get("name", "")) for entry in entries) or "none"
        raise WorkspaceError(part.kind, got=part.name, wanted=f"one of {known}")
    return at


def _position(names: Sequence[str], name: str) -> int | None:
    return next((k for k, each in enumerate(names) if _same(each, name)), None)


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()


def _entry(document: Any, text: str, part: Part) -> Any:
    """Return the table of a part in a document; the terminal's is made where there is none."""
    if part.kind == "terminal" and "terminal" not in document:
        document["terminal"] = tomlkit.table()
    here = document
    for key in _place(text, part):
        here = here[key]
    return here


def _item(value: Any) -> Any:
    """Return a value as the file writes it; a group of settings stands in one line."""
    if not isinstance(value, Mapping):
        return value
    table = tomlkit.inline_table()
    table.update(value)
    return table


def _setting(part: Part) -> str:
    """Return a part as assumptions name it."""
    if part.kind == "terminal":
        return "terminal"
    return f"sites.{part.site}.spots.{part.name}" if part.kind == "spot" else f"{part.kind}s.{part.name}"


def _rename(document: Any, part: Part, name: str) -> None:
    """Let what refers to a part name it by its new name."""
    if part.kind == "gateway":
        for site in document.get("sites", []):
            at = _position(site.get("gateways", []), part.name)
            if at is not None:
                site["gateways"][at] = name
    old, new = _setting(part), _setting(Part(part.kind, name, part.site))
    for each in document.get("assumptions", []):
        setting = str(each.get("setting", ""))
        if setting == old or setting.startswith(f"{old}."):
            each["setting"] = new + setting[len(old) :]


def _keep_snapshots(feed: Any, old: str, new: str) -> None:
    """Let a fleet that gets a new name keep its snapshots, and what was learned from them, under the first it had."""
    first = str(feed.get("kept_under", old))
    if not _same(first, new):
        feed["kept_under"] = first
    elif "kept_under" in feed:
        del feed["kept_under"]


def _forget(document: Any, goes: Callable[[str], bool]) -> None:
    """Take away the assumptions about settings that were measured or removed."""
    assumptions: Any = document.get("assumptions", [])
    for k in reversed(range(len(assumptions))):
        if goes(str(assumptions[k].get("setting", ""))):
            del assumptions[k]
    if "assumptions" in document and not len(assumptions):
        del document["assumptions"]
