"""Element files that are handed in become a fleet of the workspace: written whole, then named in its file.

Such a fleet may take the place of one that was there before, whose files stay where they are; `Workspace.undo` gives it
back. An invented fleet is for whoever has no files yet.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import tomlkit
from tomlkit.items import AoT

from passim.elements.atomic import write_atomically
from passim.elements.files import READ_SUFFIXES
from passim.errors import WorkspaceError
from passim.workspace import changing, plover, saving
from passim.workspace.folder import Workspace
from passim.workspace.kept_files import not_written

FOLDER: Final = "elements"
_MOST_FLEETS: Final = 64
_LONGEST_NAME: Final = 40


def add_fleet(workspace: Workspace, files: Sequence[tuple[str, bytes]], name: str | None = None) -> str:
    """Keep files as a new fleet of a workspace and return its name, that of the first file unless given.

    `files` are (file name, content) pairs whose content has been read and found good. They go into a folder of their
    own below the workspace's folder ``elements``, under names that are letters, digits, dots and dashes alone, so that
    no name leads elsewhere. A fleet that was added before keeps its files; the new one is called by the next number.
    Raises WorkspaceError, and leaves the workspace as it was, where it has too many fleets or cannot be written.
    """
    if not files:
        raise WorkspaceError("fleet to add", got="no file", wanted="at least one")
    if len(workspace.fleet_names) >= _MOST_FLEETS:
        raise WorkspaceError(
            "fleets of the workspace", got=len(workspace.fleet_names), wanted=f"at most {_MOST_FLEETS}",
            try_next="taking one out of its file",
        )  # fmt: skip
    stem = plain_name(name or files[0][0])[0]
    folder = workspace.folder / FOLDER
    taken = {known.casefold() for known in workspace.fleet_names}
    number = 1
    try:
        while True:
            fleet_name = stem if number == 1 else f"{stem} {number}"
            place = folder / fleet_name.replace(" ", "-")
            if fleet_name.casefold() not in taken:
                try:
                    place.mkdir(parents=True)
                    break
                except FileExistsError:
                    pass
            number += 1
        _write(place, files)
    except OSError as error:
        raise not_written(f"folder {folder}", error) from None

    try:
        _name(workspace, fleet_name, "elements", [f"{FOLDER}/{place.name}"])
    except WorkspaceError:
        for file in place.iterdir():
            file.unlink()
        place.rmdir()
        raise
    return fleet_name


def add_invented_fleet(workspace: Workspace) -> str:
    """Add the fleet that passim invents afresh for each day, for whoever has no elements yet, and return its name.

    Its name says that it is invented. Raises WorkspaceError where there is one already.
    """
    if invented_fleet(workspace):
        raise WorkspaceError("fleet to add", got="a second invented fleet", wanted="one")
    _name(workspace, plover.FLEET_NAME, "invented", "plover")
    return plover.FLEET_NAME


def invented_fleet_added() -> changing.Change:
    """Return the change that adds the fleet that passim invents, beside others, to be shown before it is written."""
    return changing.add(changing.Part("fleet", plover.FLEET_NAME), {"invented": "plover"})


def invented_fleet(workspace: Workspace) -> str:
    """Return the name of the fleet of a workspace that passim invents, or "" where there is none."""
    return next((fleet.name for fleet in workspace.settings.fleets if fleet.invented), "")


def replaceable(workspace: Workspace, new: str, files: Sequence[tuple[str, bytes]]) -> str:
    """Return the name of the fleet whose place files handed in as the fleet `new` are likely meant to take, else "".

    That is the one of the same file name; else the invented one, which was there for want of any.
    """
    stem = plain_name(files[0][0])[0].casefold()
    others = [fleet for fleet in workspace.settings.fleets if fleet.name.casefold() != new.casefold()]
    same = [fleet.name for fleet in others if fleet.elements and fleet.name.casefold() == stem]
    return (*same, *(fleet.name for fleet in others if fleet.invented), "")[0]


def replace_fleet(workspace: Workspace, old: str, new: str) -> tuple[str, list[str]]:
    """Let the fleet `new`, of files, take the place of `old`; return its name then, and the lines that changed.

    The files of `old` stay where they are, `old` keeps its name where it has files too, and `Workspace.undo` gives it
    back. Raises WorkspaceError.
    """
    files, before = workspace.fleet_settings(new).elements, workspace.fleet_settings(old)
    if not files or before.feed is not None:
        raise WorkspaceError("fleet to replace", got=old if files else new, wanted="a fleet of files, by one of files")

    def change(text: str) -> str:
        if before.invented:
            return changing.remove(changing.Part("fleet", old))(text)
        rest = changing.remove(changing.Part("fleet", new))(text)
        return changing.alter(changing.Part("fleet", old), {"elements": files})(rest)

    text = workspace.text
    saving.edit_text(workspace.file, change)
    changed = Workspace.load(workspace.file)
    return new if before.invented else before.name, saving.differences(text, changed.text)


def _name(workspace: Workspace, fleet: str, key: str, value: object) -> None:
    """Put a fleet into the file, behind those there are."""

    def change(document: tomlkit.TOMLDocument) -> None:
        table = tomlkit.table()
        table["name"], table[key] = fleet, value
        fleets = document.get("fleets")
        if isinstance(fleets, AoT):
            fleets.append(table)
        else:
            made = tomlkit.aot()
            made.append(table)
            document["fleets"] = made

    workspace.edit(change)


def plain_name(file_name: str) -> tuple[str, str]:
    """Return a file's name without folders, suffixes and odd letters, and its suffix as `read_elements` knows it."""
    last = re.split(r"[\\/]", file_name)[-1]
    gz = ".gz" if last.lower().endswith(".gz") else ""
    stem = last[: len(last) - len(gz)]
    suffix = Path(stem).suffix.lower()
    if suffix in READ_SUFFIXES:
        stem = stem[: len(stem) - len(suffix)]
    else:
        suffix = ".txt"
    stem = re.sub(r"[^A-Za-z0-9.-]+", "-", stem).strip(".-")[:_LONGEST_NAME]
    # A folder passes over hidden files and those called README.
    if not stem or stem.upper().startswith("README"):
        stem = f"fleet-{stem}".rstrip("-")
    return stem, f"{suffix}{gz}"


def _write(place: Path, files: Sequence[tuple[str, bytes]]) -> None:
    for count, (name, data) in enumerate(files, 1):
        stem, suffix = plain_name(name)
        write_atomically(place / f"{count}-{stem}{suffix}", data)
